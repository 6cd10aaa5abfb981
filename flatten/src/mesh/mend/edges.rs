//! All edges with their half-edges, by bucketing: linear time, no hashing, the same order every time.

use crate::mesh::index;

/// Half-edges grouped by edge.
#[derive(Debug)]
pub(in crate::mesh) struct EdgeTable {
    /// Far vertex and half-edge, in order of near vertex (the smaller), far vertex, half-edge.
    entries: Vec<(u32, u32)>,
    /// Where each near vertex's entries begin.
    starts: Vec<u32>,
}

/// Vertices whose entries one thread sorts.
const STRETCH: usize = 1 << 14;

/// Sorts the entries of each vertex; `starts` says where they begin, and the last ones end.
fn sort_each(entries: &mut [(u32, u32)], starts: &[u32]) {
    let first = starts[0];
    if starts.len() > STRETCH {
        let middle = starts.len() / 2;
        let (before, after) = entries.split_at_mut((starts[middle] - first) as usize);
        rayon::join(
            || sort_each(before, &starts[..=middle]),
            || sort_each(after, &starts[middle..]),
        );
        return;
    }
    for range in starts.windows(2) {
        entries[(range[0] - first) as usize..(range[1] - first) as usize].sort_unstable();
    }
}

impl EdgeTable {
    /// Sorts the half-edges of faces whose corners lie below `vertices`.
    pub(in crate::mesh) fn new(vertices: usize, faces: &[[u32; 3]]) -> Self {
        let mut starts = vec![0_u32; vertices + 1];
        for corners in faces {
            for k in 0..3 {
                let near = corners[k].min(corners[(k + 1) % 3]);
                starts[near as usize + 1] += 1;
            }
        }
        for v in 0..vertices {
            starts[v + 1] += starts[v];
        }
        let mut entries = vec![(0, 0); 3 * faces.len()];
        let mut fill = starts.clone();
        for (face, corners) in faces.iter().enumerate() {
            for k in 0..3 {
                let (a, b) = (corners[k], corners[(k + 1) % 3]);
                let at = &mut fill[a.min(b) as usize];
                entries[*at as usize] = (a.max(b), index(3 * face + k));
                *at += 1;
            }
        }
        sort_each(&mut entries, &starts);
        Self { entries, starts }
    }

    /// Half-edges of each edge, as entries of one far vertex, in order of near vertex and far vertex.
    pub(in crate::mesh) fn edges(&self) -> impl Iterator<Item = &[(u32, u32)]> {
        self.starts.windows(2).flat_map(|range| {
            self.entries[range[0] as usize..range[1] as usize].chunk_by(|a, b| a.0 == b.0)
        })
    }
}
