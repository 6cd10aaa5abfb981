//! In which order to eliminate: nested dissection of a mesh in space.
//!
//! In: the graph of a matrix, a position for each vertex and the vertices to order. Out: those
//! vertices in elimination order and the tree of regions they were cut into.
//!
//! A separator is a set of vertices whose removal leaves two parts without a common edge. The parts
//! are eliminated first, each by itself, the separator last; each part is ordered the same way
//! (George, "Nested dissection of a regular finite element mesh", SIAM J. Numer. Anal. 10, 1973).
//! On a surface the factor then has O(n log n) entries and costs O(n^1.5).
//!
//! ```text
//!      left  | s |  right        elimination order:  [ left … | right … | s ]
//!     · · ·  | o |  · · ·        and inside left:    [ … | … | its own separator ]
//!     · · ·  | o |  · · ·
//! ```
//!
//! Where to cut is read off the positions: planes across the region's principal axes are tried on a
//! sample and the one that parts the fewest vertices from a neighbour for its balance is taken (edges tell less: a
//! tape couples each of its vertices with many); small regions are halved. Of the edges that a plane cuts, one
//! end each has to go into the separator; the fewest vertices that touch them all are a minimum
//! vertex cover of a bipartite graph, which a maximum matching gives (König 1931). Ordering this way
//! costs a fifth of a graph partitioner's time and gives factors nearly as small.
//!
//! Vertices of a region lie all over the mesh. Where one thread cuts what is left, the region's graph is copied out
//! first, so that all it looks at fits into its cache.
//!
//! Cost O(n log n), regions in parallel; the result does not depend on the number of threads.

use std::sync::atomic::{AtomicU32, Ordering::Relaxed};

use nalgebra::Matrix3;
use nalgebra_sparse::pattern::SparsityPattern;
use rayon::prelude::*;

use crate::{
    Point3, Vector3,
    mesh::{NONE, index},
};

/// Regions of this many rows are not cut; their dense blocks are as quick.
pub(crate) const LEAF: usize = 48;
/// Regions above this size look for the best plane; smaller ones are halved across their
/// longest axis, which makes the factor a hundredth larger.
const SEARCHED: usize = 1000;
/// One vertex in so many is looked at to choose a plane, within the two bounds below.
const ONE_IN: usize = 32;
/// Fewest vertices looked at.
const LEAST_SAMPLE: usize = 400;
/// Most vertices looked at. With no more than 400 large factors take up to 8 % more multiplications.
const MOST_SAMPLE: usize = 2000;
/// Places tried along an axis.
const BINS: usize = 128;
/// Least share of a region that a part may have.
const LEAST_PART: f64 = 0.25;
/// Regions above this size are cut in parallel.
pub(crate) const PARALLEL: usize = 3000;

/// Which vertices have an edge.
pub(crate) trait Graph: Sync {
    /// The neighbours of a vertex.
    fn of(&self, vertex: u32) -> impl Iterator<Item = u32>;
}

impl Graph for SparsityPattern {
    fn of(&self, vertex: u32) -> impl Iterator<Item = u32> {
        let rows = self.lane(vertex as usize).iter().map(|&row| index(row));
        rows.filter(move |&row| row != vertex)
    }
}

/// The graph of a region that is copied out.
struct Copied {
    offsets: Vec<u32>,
    neighbours: Vec<u32>,
}

impl Graph for Copied {
    fn of(&self, vertex: u32) -> impl Iterator<Item = u32> {
        let v = vertex as usize;
        let range = self.offsets[v] as usize..self.offsets[v + 1] as usize;
        self.neighbours[range].iter().copied()
    }
}

/// A stretch of the elimination order: two parts, then the separator between them; or, without
/// parts, a leaf.
#[derive(Debug)]
pub(crate) struct Region {
    pub(crate) separator: usize,
    pub(crate) parts: Option<Box<[Region; 2]>>,
}

/// Sorts `vertices` into elimination order, cut into leaves of at most `leaf` vertices.
pub(crate) fn dissect(
    graph: &impl Graph,
    positions: &[Point3],
    vertices: &mut [u32],
    leaf: usize,
) -> Region {
    let longest_edge = |v: u32| {
        let ends = graph.of(v).map(|w| positions[w as usize]);
        let lengths = ends.map(|p| (p - positions[v as usize]).norm_squared());
        lengths.fold(0.0, f64::max).sqrt()
    };
    let all = (0..index(positions.len())).into_par_iter();
    let reach: Vec<f64> = all.map(longest_edge).collect();
    let work = Dissection::new(graph, positions, &reach, leaf);
    for &v in vertices.iter() {
        work.region[v as usize].store(0, Relaxed);
    }
    work.cut_apart(vertices, 0)
}

/// What the regions share. Each writes the entries of its own vertices alone, so atomics serve
/// as plain memory that threads may share.
struct Dissection<'a, G> {
    graph: &'a G,
    positions: &'a [Point3],
    leaf: usize,
    /// Length of the longest edge at each vertex.
    reach: &'a [f64],
    /// Number of the region a vertex is in: where the region's stretch starts in the order, so
    /// that no two have the same. [`NONE`] in separators and outside.
    region: Vec<AtomicU32>,
    /// Place of a vertex on the far side of a cut in the bipartite graph; its number in a region that is copied out.
    slot: Vec<AtomicU32>,
}

impl<'a, G: Graph> Dissection<'a, G> {
    fn new(graph: &'a G, positions: &'a [Point3], reach: &'a [f64], leaf: usize) -> Self {
        let unseen = || (0..positions.len()).map(|_| AtomicU32::new(NONE)).collect();
        Self {
            graph,
            positions,
            reach,
            leaf,
            region: unseen(),
            slot: unseen(),
        }
    }

    /// Cuts large regions in parallel, each small one by itself.
    fn cut_apart(&self, vertices: &mut [u32], name: u32) -> Region {
        if vertices.len() <= PARALLEL {
            return self.cut_out(vertices, name);
        }
        self.cut(vertices, name, |[first, second], second_name| {
            rayon::join(
                || self.cut_apart(first, name),
                || self.cut_apart(second, second_name),
            )
        })
    }

    /// Cuts a region that is copied out of the whole for it: what is looked at together then lies together.
    fn cut_out(&self, vertices: &mut [u32], name: u32) -> Region {
        let names = vertices.to_vec();
        for (number, &v) in names.iter().enumerate() {
            self.slot[v as usize].store(index(number), Relaxed);
        }
        let mut graph = Copied {
            offsets: vec![0],
            neighbours: Vec::with_capacity(8 * names.len()),
        };
        for &v in &names {
            let others = self.graph.of(v).map(|w| w as usize);
            let inside = others.filter(|&w| self.region[w].load(Relaxed) == name);
            let numbers = inside.map(|w| self.slot[w].load(Relaxed));
            graph.neighbours.extend(numbers);
            graph.offsets.push(index(graph.neighbours.len()));
        }
        let positions: Vec<Point3> = names.iter().map(|&v| self.positions[v as usize]).collect();
        let reach: Vec<f64> = names.iter().map(|&v| self.reach[v as usize]).collect();
        let work = Dissection::new(&graph, &positions, &reach, self.leaf);
        for (number, v) in vertices.iter_mut().enumerate() {
            work.region[number].store(0, Relaxed);
            *v = index(number);
        }
        let region = work.cut_up(vertices, 0);
        for v in vertices {
            *v = names[*v as usize];
        }
        region
    }

    /// Cuts a region on this thread.
    fn cut_up(&self, vertices: &mut [u32], name: u32) -> Region {
        self.cut(vertices, name, |[first, second], second_name| {
            (self.cut_up(first, name), self.cut_up(second, second_name))
        })
    }

    /// Cuts a region in two and leaves the parts to others.
    fn cut(
        &self,
        vertices: &mut [u32],
        name: u32,
        parts: impl FnOnce([&mut [u32]; 2], u32) -> (Region, Region),
    ) -> Region {
        if vertices.len() <= self.leaf {
            return Region {
                separator: vertices.len(),
                parts: None,
            };
        }
        let [left, right] = self.split(vertices, name);
        let (first, rest) = vertices.split_at_mut(left);
        let (second, separator) = rest.split_at_mut(right);
        let second_name = name + index(left);
        for &v in second.iter() {
            self.region[v as usize].store(second_name, Relaxed);
        }
        for &v in separator.iter() {
            self.region[v as usize].store(NONE, Relaxed);
        }
        self.line_up(separator);
        Region {
            separator: separator.len(),
            parts: Some(Box::new(parts([first, second], second_name).into())),
        }
    }

    /// Puts a separator into order from one end to the other: what a region sees of it are then a few stretches
    /// of rows that follow each other.
    fn line_up(&self, separator: &mut [u32]) {
        let (mut low, mut high) = (
            Point3::from([f64::INFINITY; 3]),
            Point3::from([f64::NEG_INFINITY; 3]),
        );
        for &v in separator.iter() {
            low = low.inf(&self.positions[v as usize]);
            high = high.sup(&self.positions[v as usize]);
        }
        let along = (high - low).imax();
        let place = |v: u32| self.positions[v as usize][along];
        separator.sort_unstable_by(|&a, &b| place(a).total_cmp(&place(b)).then(a.cmp(&b)));
    }

    /// Sorts a region into left part, right part and separator; returns the sizes of the parts.
    fn split(&self, vertices: &mut [u32], name: u32) -> [usize; 2] {
        let Plane {
            mut heights,
            mut level,
        } = self.choose_plane(vertices, name);
        let above = heights.iter().filter(|&&h| h >= level).count();
        // What was seen on a sample may be somewhat otherwise in the whole.
        let least = 0.5 * LEAST_PART * vertices.len() as f64;
        let by_place = above.min(vertices.len() - above) as f64 >= least;
        if !by_place {
            // Points on one place or nearly: halve by number, anything else being as good.
            heights = (0..vertices.len()).map(|k| k as f64).collect();
            level = 0.5 * vertices.len() as f64;
        }
        // The far side gets a name for the time being that is also this region's own.
        let far = name + 1;
        for (&v, &h) in vertices.iter().zip(&heights) {
            if h >= level {
                self.region[v as usize].store(far, Relaxed);
            }
        }
        // Few vertices have an edge as long as they are away from the plane, with something for rounding.
        let reaches = |v: u32, h: f64| h + 1.000_001 * self.reach[v as usize] >= level;
        let mut crossing = Crossing::default();
        for (&v, &h) in vertices.iter().zip(&heights) {
            if h >= level || by_place && !reaches(v, h) {
                continue;
            }
            for w in self.graph.of(v) {
                if self.region[w as usize].load(Relaxed) == far {
                    let mut place = self.slot[w as usize].load(Relaxed);
                    if place == NONE {
                        place = index(crossing.far.len());
                        self.slot[w as usize].store(place, Relaxed);
                        crossing.far.push(w);
                    }
                    crossing.targets.push(place);
                }
            }
            crossing.close(v);
        }
        let separator = crossing.minimum_cover();
        for &v in &crossing.far {
            self.slot[v as usize].store(NONE, Relaxed);
        }
        for &v in &separator {
            self.region[v as usize].store(NONE, Relaxed);
        }
        let mut behind = Vec::with_capacity(vertices.len() / 2);
        let mut left = 0;
        for k in 0..vertices.len() {
            let v = vertices[k];
            let region = self.region[v as usize].load(Relaxed);
            if region == name {
                vertices[left] = v;
                left += 1;
            } else if region == far {
                behind.push(v);
            }
        }
        vertices[left..left + behind.len()].copy_from_slice(&behind);
        vertices[left + behind.len()..].copy_from_slice(&separator);
        [left, behind.len()]
    }

    fn height(&self, vertex: u32, direction: &Vector3) -> f64 {
        self.positions[vertex as usize].coords.dot(direction)
    }

    /// A plane across a region that parts few vertices from a neighbour for its balance.
    fn choose_plane(&self, vertices: &[u32], name: u32) -> Plane {
        let count = (vertices.len() / ONE_IN).clamp(LEAST_SAMPLE, MOST_SAMPLE);
        let stride = vertices.len().div_ceil(count);
        // Not at even distances: of vertices that are numbered row by row a few rows would be seen.
        let sample: Vec<u32> = vertices
            .chunks(stride)
            .enumerate()
            .map(|(k, chunk)| chunk[(0x9e37_79b9_usize.wrapping_mul(k) >> 8) % chunk.len()])
            .collect();
        let axes = principal_axes(sample.iter().map(|&v| self.positions[v as usize]));
        let heights = |direction: Vector3| -> Vec<f64> {
            let height = |&v: &u32| self.height(v, &direction);
            vertices.iter().map(height).collect()
        };
        if vertices.len() <= SEARCHED {
            let heights = heights(axes[0]);
            let (_, &mut level, _) = heights
                .clone()
                .select_nth_unstable_by(vertices.len() / 2, f64::total_cmp);
            return Plane { heights, level };
        }
        let slants = [axes[0] + axes[1], axes[0] - axes[1]].map(|d| d.normalize());
        let edges = self.edges_at(&sample, name);
        let mut best = (f64::INFINITY, axes[0], f64::INFINITY);
        for direction in [axes[0], axes[1], slants[0], slants[1]] {
            let (cost, level) = edges.sweep(&direction);
            if cost < best.0 {
                best = (cost, direction, level);
            }
        }
        Plane {
            heights: heights(best.1),
            level: best.2,
        }
    }

    /// The edges at some vertices of a region.
    fn edges_at(&self, sample: &[u32], name: u32) -> Edges {
        let mut edges = Edges {
            points: sample.iter().map(|&v| self.positions[v as usize]).collect(),
            tails: Vec::with_capacity(7 * sample.len()),
        };
        for (tail, &v) in sample.iter().enumerate() {
            for w in self.graph.of(v) {
                if self.region[w as usize].load(Relaxed) == name {
                    edges.tails.push(index(tail));
                    edges.points.push(self.positions[w as usize]);
                }
            }
        }
        edges
    }
}

/// A plane that cuts a region: how high the vertices are above one parallel to it, and how high it is itself.
struct Plane {
    heights: Vec<f64>,
    level: f64,
}

/// Edges at a sample of vertices.
struct Edges {
    /// The vertices of the sample, then the heads of their edges.
    points: Vec<Point3>,
    /// Which vertex of the sample each edge leaves from.
    tails: Vec<u32>,
}

impl Edges {
    /// Least cost of a plane across `direction`, and its height.
    fn sweep(&self, direction: &Vector3) -> (f64, f64) {
        let heights: Vec<f64> = self
            .points
            .iter()
            .map(|p| p.coords.dot(direction))
            .collect();
        let sample = &heights[..self.points.len() - self.tails.len()];
        let low = sample.iter().copied().fold(f64::INFINITY, f64::min);
        let high = sample.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let width = (high - low) / BINS as f64;
        if width.is_nan() || width <= 0.0 {
            return (f64::INFINITY, f64::INFINITY);
        }
        let bin = |h: &f64| ((h - low) / width).clamp(0.0, BINS as f64 - 1.0) as u8;
        let bins: Vec<u8> = heights.iter().map(bin).collect();
        let (tails, heads) = bins.split_at(sample.len());
        let (mut least, mut most) = (tails.to_vec(), tails.to_vec());
        for (&tail, &bin) in self.tails.iter().zip(heads) {
            let tail = tail as usize;
            least[tail] = least[tail].min(bin);
            most[tail] = most[tail].max(bin);
        }
        // Difference arrays: a plane has those vertices below it that lie so, and parts from a neighbour those that have
        // one below and one above.
        let (mut below, mut parted) = ([0_i32; BINS], [0_i32; BINS]);
        for (&own, (&least, &most)) in tails.iter().zip(least.iter().zip(&most)) {
            below[own as usize] += 1;
            parted[least as usize] += 1;
            parted[most as usize] -= 1;
        }
        let mut best = (f64::INFINITY, f64::INFINITY);
        let (mut count, mut cut) = (0, 0);
        for k in 0..BINS - 1 {
            count += below[k];
            cut += parted[k];
            let share = f64::from(count) / sample.len() as f64;
            if (LEAST_PART..=1.0 - LEAST_PART).contains(&share) {
                let cost = (f64::from(cut) + 1.0) / (share * (1.0 - share));
                if cost < best.0 {
                    best = (cost, low + (k + 1) as f64 * width);
                }
            }
        }
        best
    }
}

/// Axes of a cloud of points, the longest first.
fn principal_axes(points: impl Iterator<Item = Point3> + Clone) -> [Vector3; 3] {
    let mut mean = Vector3::zeros();
    let mut count = 0.0;
    for p in points.clone() {
        mean += p.coords;
        count += 1.0;
    }
    mean /= count;
    let mut spread = Matrix3::zeros();
    for p in points {
        let d = p.coords - mean;
        spread += d * d.transpose();
    }
    let eigen = spread.symmetric_eigen();
    let mut order = [0, 1, 2];
    order.sort_by(|&a, &b| eigen.eigenvalues[b].total_cmp(&eigen.eigenvalues[a]));
    order.map(|k| eigen.eigenvectors.column(k).into_owned())
}

/// The edges that a plane cuts, as a bipartite graph.
#[derive(Default)]
struct Crossing {
    near: Vec<u32>,
    far: Vec<u32>,
    /// Where the edges of each near vertex end in `targets`.
    ends: Vec<usize>,
    /// Far ends, as places in `far`.
    targets: Vec<u32>,
}

impl Crossing {
    /// Ends the list of edges of one near vertex; drops the vertex when it has none.
    fn close(&mut self, vertex: u32) {
        if self.targets.len() > self.ends.last().copied().unwrap_or(0) {
            self.near.push(vertex);
            self.ends.push(self.targets.len());
        }
    }

    fn edges(&self, near: usize) -> &[u32] {
        let start = if near == 0 { 0 } else { self.ends[near - 1] };
        &self.targets[start..self.ends[near]]
    }

    /// The fewest vertices that touch every edge, near ones first.
    ///
    /// König's theorem: from the near vertices that a maximum matching leaves out, walk any edge to
    /// the far side and only matched edges back. The cover is the far vertices reached and the
    /// near ones not reached.
    fn minimum_cover(&self) -> Vec<u32> {
        let partner = self.maximum_matching();
        let mut matched = vec![false; self.near.len()];
        for &a in &partner {
            if a != NONE {
                matched[a as usize] = true;
            }
        }
        let mut near_reached: Vec<bool> = matched.iter().map(|m| !m).collect();
        let mut far_reached = vec![false; self.far.len()];
        let mut stack: Vec<usize> = (0..self.near.len()).filter(|&a| near_reached[a]).collect();
        while let Some(a) = stack.pop() {
            for &b in self.edges(a) {
                if std::mem::replace(&mut far_reached[b as usize], true) {
                    continue;
                }
                let back = partner[b as usize];
                if back != NONE && !std::mem::replace(&mut near_reached[back as usize], true) {
                    stack.push(back as usize);
                }
            }
        }
        let near = (0..self.near.len())
            .filter(|&a| !near_reached[a])
            .map(|a| self.near[a]);
        let far = (0..self.far.len())
            .filter(|&b| far_reached[b])
            .map(|b| self.far[b]);
        near.chain(far).collect()
    }

    /// Partner of each far vertex in a matching with the most edges: greedily, then along
    /// augmenting paths found breadth first.
    fn maximum_matching(&self) -> Vec<u32> {
        let mut of_far = vec![NONE; self.far.len()];
        let mut of_near = vec![NONE; self.near.len()];
        for (a, own) in of_near.iter_mut().enumerate() {
            let free = |b: &&u32| of_far[**b as usize] == NONE;
            if let Some(&b) = self.edges(a).iter().find(free) {
                of_far[b as usize] = index(a);
                *own = b;
            }
        }
        // Near vertex from which each far one was reached, in the search from `seen`.
        let mut from = vec![NONE; self.far.len()];
        let mut seen = vec![NONE; self.far.len()];
        let mut queue = Vec::new();
        for start in 0..index(self.near.len()) {
            if of_near[start as usize] != NONE {
                continue;
            }
            queue.clear();
            queue.push(start);
            let mut head = 0;
            'search: while head < queue.len() {
                let a = queue[head];
                head += 1;
                for &b in self.edges(a as usize) {
                    if std::mem::replace(&mut seen[b as usize], start) == start {
                        continue;
                    }
                    from[b as usize] = a;
                    if of_far[b as usize] == NONE {
                        swap_partners(b, start, &from, &mut of_near, &mut of_far);
                        break 'search;
                    }
                    queue.push(of_far[b as usize]);
                }
            }
        }
        of_far
    }
}

/// Matches the free far vertex `b`, and all along the path that led to it from `start` anew.
fn swap_partners(mut b: u32, start: u32, from: &[u32], of_near: &mut [u32], of_far: &mut [u32]) {
    loop {
        let a = from[b as usize];
        let earlier = std::mem::replace(&mut of_near[a as usize], b);
        of_far[b as usize] = a;
        if a == start {
            return;
        }
        b = earlier;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cover_is_as_small_as_can_be() {
        // Every subset of a few pseudo-random bipartite graphs is tried.
        for seed in 0..200_u32 {
            let bits = seed.wrapping_mul(0x9e37_79b9).rotate_left(seed % 31) ^ 0x5a5a_1234;
            let mut crossing = Crossing {
                far: vec![5, 6, 7, 8, 9],
                ..Crossing::default()
            };
            let mut edges = Vec::new();
            for a in 0..5_u32 {
                for b in 0..5_u32 {
                    if (bits >> (5 * a + b) & 1) == 1 {
                        crossing.targets.push(b);
                        edges.push((a, b));
                    }
                }
                crossing.close(a);
            }
            let cover = crossing.minimum_cover();
            assert!(
                edges
                    .iter()
                    .all(|&(a, b)| cover.contains(&a) || cover.contains(&(b + 5)))
            );
            let fewest = (0..1024_u32)
                .filter(|set| {
                    edges
                        .iter()
                        .all(|&(a, b)| set >> a & 1 == 1 || set >> (b + 5) & 1 == 1)
                })
                .map(u32::count_ones)
                .min();
            assert_eq!(Some(index(cover.len())), fewest);
        }
    }
}
