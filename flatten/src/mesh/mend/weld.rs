//! Vertices in one place become one; faces that lose a corner or are there twice go.

use crate::{
    Point3,
    mesh::{NONE, index},
};

use super::{Draft, EdgeTable, Mend};

/// Vertices closer than this share of the scan's diagonal are one: 4 µm on a head, below any
/// scanner's noise and above the rounding of six written digits.
const SAME_PLACE: f64 = 1e-5;

/// Cells are this many times wider than the tolerance: few points share one, and few are near its walls.
const CELL: f64 = 16.0;

pub(super) fn weld(draft: &mut Draft) {
    join_vertices(draft);
    drop_degenerate(draft);
    drop_duplicates(draft);
}

/// Joins each vertex to the first one within tolerance, by a hash table of cells.
fn join_vertices(draft: &mut Draft) {
    let used = used_vertices(draft);
    let Some((low, diagonal)) = extent(&draft.positions, &used) else {
        return;
    };
    let tolerance = SAME_PLACE * diagonal;
    let mut cells = Cells::new(low, tolerance, used.iter().filter(|&&u| u).count());
    let mut target = vec![NONE; draft.positions.len()];
    let (mut joined, mut place) = (0, Point3::origin());
    for (vertex, &used) in used.iter().enumerate() {
        if !used {
            continue;
        }
        let found = cells.find_or_insert(index(vertex), &draft.positions);
        target[vertex] = found;
        if found as usize != vertex {
            if joined == 0 {
                place = draft.positions[vertex];
            }
            joined += 1;
        }
    }
    for v in draft.faces.iter_mut().flatten() {
        *v = target[*v as usize];
    }
    draft.note(Mend::Welded, joined, place);
    draft.drop_unused();
}

fn used_vertices(draft: &Draft) -> Vec<bool> {
    let mut used = vec![false; draft.positions.len()];
    for &v in draft.faces.iter().flatten() {
        used[v as usize] = true;
    }
    used
}

/// Lowest corner and diagonal of the used vertices' box.
fn extent(positions: &[Point3], used: &[bool]) -> Option<(Point3, f64)> {
    let mut points = positions
        .iter()
        .zip(used)
        .filter(|(_, u)| **u)
        .map(|(p, _)| p);
    let first = *points.next()?;
    let (low, high) = points.fold((first, first), |(low, high), p| (low.inf(p), high.sup(p)));
    let diagonal = (high - low).norm();
    (diagonal > 0.0 && diagonal.is_finite()).then_some((low, diagonal))
}

/// Open-addressing hash table from cells to the vertices kept in them.
struct Cells {
    low: Point3,
    tolerance: f64,
    per_unit: f64,
    /// Cell and vertex; several slots may hold one cell.
    slots: Vec<([i32; 3], u32)>,
    mask: usize,
}

impl Cells {
    fn new(low: Point3, tolerance: f64, count: usize) -> Self {
        let size = (2 * count.max(8)).next_power_of_two();
        Self {
            low,
            tolerance,
            per_unit: 1.0 / (CELL * tolerance),
            slots: vec![([0; 3], NONE); size],
            mask: size - 1,
        }
    }

    /// The first kept vertex within tolerance, or this one, kept from now on.
    fn find_or_insert(&mut self, vertex: u32, positions: &[Point3]) -> u32 {
        let p = positions[vertex as usize];
        // The diagonal has 1 / (SAME_PLACE · CELL) cells, far below the range of i32.
        #[allow(clippy::cast_possible_truncation, reason = "few cells, see above")]
        let cell =
            |offset: f64| (p - self.low).map(|c| ((c + offset) * self.per_unit).floor() as i32);
        let (from, own, to) = (cell(-self.tolerance), cell(0.0), cell(self.tolerance));
        let mut found = NONE;
        for x in from.x..=to.x {
            for y in from.y..=to.y {
                for z in from.z..=to.z {
                    found = found.min(self.find([x, y, z], p, positions));
                }
            }
        }
        if found != NONE {
            return found;
        }
        let mut slot = self.slot([own.x, own.y, own.z]);
        while self.slots[slot].1 != NONE {
            slot = (slot + 1) & self.mask;
        }
        self.slots[slot] = ([own.x, own.y, own.z], vertex);
        vertex
    }

    /// The first kept vertex of a cell within tolerance of `p`, or [`NONE`].
    fn find(&self, cell: [i32; 3], p: Point3, positions: &[Point3]) -> u32 {
        let mut slot = self.slot(cell);
        let mut found = NONE;
        while self.slots[slot].1 != NONE {
            let (at, vertex) = self.slots[slot];
            let limit = self.tolerance * self.tolerance;
            if at == cell && (positions[vertex as usize] - p).norm_squared() <= limit {
                found = found.min(vertex);
            }
            slot = (slot + 1) & self.mask;
        }
        found
    }

    fn slot(&self, cell: [i32; 3]) -> usize {
        let mut hash = 0_u64;
        for c in cell {
            hash = (hash ^ u64::from(c.cast_unsigned())).wrapping_mul(0x9e37_79b9_7f4a_7c15);
            hash ^= hash >> 29;
        }
        // The mask keeps it below the table's size.
        (hash as usize) & self.mask
    }
}

fn drop_degenerate(draft: &mut Draft) {
    let keep: Vec<bool> = draft
        .faces
        .iter()
        .map(|&[a, b, c]| a != b && b != c && c != a)
        .collect();
    drop_marked(draft, &keep, Mend::Degenerate);
}

/// Of faces over the same three vertices the first stays, whichever way it looks.
fn drop_duplicates(draft: &mut Draft) {
    let table = EdgeTable::new(draft.positions.len(), &draft.faces);
    let apex = |h: u32| draft.faces[(h / 3) as usize][((h % 3 + 2) % 3) as usize];
    let mut keep = vec![true; draft.faces.len()];
    let mut by_apex: Vec<(u32, u32)> = Vec::new();
    for edge in table.edges().filter(|edge| edge.len() > 1) {
        by_apex.clear();
        by_apex.extend(edge.iter().map(|&(_, h)| (apex(h), h / 3)));
        by_apex.sort_unstable();
        for same in by_apex.chunk_by(|a, b| a.0 == b.0) {
            for &(_, face) in &same[1..] {
                keep[face as usize] = false;
            }
        }
    }
    drop_marked(draft, &keep, Mend::Duplicate);
}

fn drop_marked(draft: &mut Draft, keep: &[bool], what: Mend) {
    let Some(first) = keep.iter().position(|k| !k) else {
        return;
    };
    let dropped = keep.iter().filter(|k| !**k).count();
    draft.note(what, dropped, draft.centre(first));
    draft.keep_faces(keep);
}
