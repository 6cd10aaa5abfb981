//! What the factor will look like: fronts, their rows, and where each number goes.
//!
//! In: the pattern of a symmetric matrix and which rows to keep. Out: a tree of fronts.
//!
//! Every region of the nested dissection becomes one *front*: a small dense matrix whose pivots are
//! the region's separator (or the whole of a leaf) and whose border is what eliminating the region
//! touches outside it. Elimination fills a front completely, whatever was zero before, so the
//! pattern is just this:
//!
//! ```text
//!   border(front) = (neighbours of its pivots ∪ borders of its two parts) − its pivots
//! ```
//!
//! Kept rows come last in the order and are never pivots: all of them are the border of the root,
//! where the Schur complement on them appears.
//!
//! Cost: proportional to the rows of all fronts, a small part of the numeric work.

use std::time::{Duration, Instant};

use nalgebra_sparse::CscMatrix;

use super::{
    ordering::{PARALLEL, Region, dissect},
    small::TILE,
};
use crate::{
    Point3,
    mesh::{NONE, index},
};

/// Stretches of at least this many fronts are shared between threads.
const PARALLEL_FRONTS: usize = 40;

/// One dense block of the factor. "Place" is a row's number in elimination order.
#[derive(Debug, Default)]
pub(crate) struct Front {
    /// Place of the first pivot.
    pub(crate) first: usize,
    /// Number of pivots; their places follow each other.
    pub(crate) pivots: usize,
    /// Where its rows begin in a list of all fronts' rows.
    pub(crate) start: usize,
    /// Places of the border, ascending.
    pub(crate) border: Vec<u32>,
    /// Row of the parent's front (pivots first, then border) that each border row is.
    pub(crate) in_parent: Vec<u32>,
    /// The same by stretches.
    pub(crate) runs: Vec<Run>,
    /// Where the matrix goes: (place in columns of [`Front::stride`] numbers, entry of the matrix).
    pub(crate) entries: Vec<(u32, u32)>,
    /// Fronts in the stretch that ends with this one: itself and all below it.
    pub(crate) below: usize,
    /// Whether it has two parts. The second is the front before this one, the first the front
    /// before the second's stretch.
    pub(crate) parted: bool,
}

/// Rows of a border that follow each other in the parent's front too.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Run {
    /// The first of them in the border.
    pub(crate) from: usize,
    /// The row of the parent's front that it is.
    pub(crate) to: usize,
    pub(crate) count: usize,
}

/// Rising rows, stretch by stretch.
fn runs(rows: &[u32]) -> Vec<Run> {
    let mut from = 0;
    rows.chunk_by(|a, b| a + 1 == *b)
        .map(|stretch| {
            from += stretch.len();
            Run {
                from: from - stretch.len(),
                to: stretch[0] as usize,
                count: stretch.len(),
            }
        })
        .collect()
}

impl Front {
    /// Rows of the front.
    pub(crate) fn rows(&self) -> usize {
        self.pivots + self.border.len()
    }

    /// Numbers that a pivot's column takes where the front is worked on: whole tiles, in either precision.
    pub(crate) fn stride(&self) -> usize {
        self.rows().next_multiple_of(TILE)
    }

    /// The first row that the border's columns have there, in whole tiles as well.
    pub(crate) fn corner_start(&self) -> usize {
        self.pivots - self.pivots % TILE
    }

    /// Whether its two parts are worth a thread each.
    pub(crate) fn side_by_side(&self) -> bool {
        self.below > PARALLEL_FRONTS
    }
}

/// The tree of fronts of a matrix, parts before the whole.
#[derive(Debug)]
pub(crate) struct Symbolic {
    /// Row of the matrix at each place; kept rows last, in the order they were given.
    pub(crate) order: Vec<u32>,
    /// Number of rows eliminated.
    pub(crate) eliminated: usize,
    pub(crate) fronts: Vec<Front>,
}

impl Symbolic {
    /// Analyses a matrix with both triangles stored and its diagonal present; says how long
    /// ordering and analysis took. Regions of up to `leaf` rows make one front.
    pub(crate) fn new(
        matrix: &CscMatrix<f64>,
        positions: &[Point3],
        kept: &[u32],
        leaf: usize,
    ) -> (Self, Vec<(&'static str, Duration)>) {
        let start = Instant::now();
        let n = matrix.ncols();
        let mut place = vec![0; n];
        for &row in kept {
            place[row as usize] = NONE;
        }
        let mut order: Vec<u32> = (0..index(n))
            .filter(|&v| place[v as usize] != NONE)
            .collect();
        let eliminated = order.len();
        let region = dissect(matrix.pattern(), positions, &mut order, leaf);
        let ordered = start.elapsed();
        order.extend_from_slice(kept);
        for (at, &row) in order.iter().enumerate() {
            place[row as usize] = index(at);
        }
        let mut fronts = Vec::new();
        if eliminated > 0 {
            lay_out(&region, 0, &mut fronts);
            let analysis = Analysis {
                matrix,
                order: &order,
                place: &place,
            };
            if let Some(root) = fronts.last_mut() {
                root.border = (index(eliminated)..index(n)).collect();
            }
            analysis.borders(&mut fronts);
        }
        let mut start_of_rows = 0;
        for front in &mut fronts {
            front.start = start_of_rows;
            start_of_rows += front.rows();
        }
        let symbolic = Self {
            order,
            eliminated,
            fronts,
        };
        let analysed = start.elapsed() - ordered;
        (symbolic, vec![("order", ordered), ("analyse", analysed)])
    }
}

impl Symbolic {
    /// The same tree for a matrix with a block of 2×2 in the place of each entry, the blocks by
    /// columns: two rows and two pivots for each one here. Ordering the small graph and doubling it
    /// keeps the two rows of a vertex together and costs a quarter of ordering the large one.
    pub(crate) fn doubled(self) -> Self {
        let twice = |list: &[u32]| list.iter().flat_map(|&x| [2 * x, 2 * x + 1]).collect();
        let double = |front: Front| {
            let stride = index(front.stride());
            let in_parent = twice(&front.in_parent);
            let mut double = Front {
                first: 2 * front.first,
                pivots: 2 * front.pivots,
                start: 2 * front.start,
                border: twice(&front.border),
                runs: runs(&in_parent),
                in_parent,
                entries: Vec::with_capacity(4 * front.entries.len()),
                ..front
            };
            let wide = index(double.stride());
            for &(at, entry) in &front.entries {
                let (column, row) = (at / stride, at % stride);
                for (s, t) in [(0, 0), (0, 1), (1, 0), (1, 1)] {
                    if row > column || t >= s {
                        let at = (2 * column + s) * wide + 2 * row + t;
                        double.entries.push((at, 4 * entry + 2 * s + t));
                    }
                }
            }
            double
        };
        Self {
            order: twice(&self.order),
            eliminated: 2 * self.eliminated,
            fronts: self.fronts.into_iter().map(double).collect(),
        }
    }
}

/// Lists the fronts of a region that starts at a place, and returns the place where it ends.
fn lay_out(region: &Region, start: usize, fronts: &mut Vec<Front>) -> usize {
    let before = fronts.len();
    let mut first = start;
    if let Some(parts) = &region.parts {
        first = lay_out(&parts[0], first, fronts);
        first = lay_out(&parts[1], first, fronts);
    }
    fronts.push(Front {
        first,
        pivots: region.separator,
        below: fronts.len() - before + 1,
        parted: region.parts.is_some(),
        ..Front::default()
    });
    first + region.separator
}

/// Splits a stretch of fronts into those of its first part, those of its second, and its own; without parts, the
/// first two are empty.
pub(crate) fn split_fronts(fronts: &[Front]) -> (&[Front], &[Front], &Front) {
    let (own, rest) = fronts.split_last().expect("a stretch has a last front");
    let second = rest.last().filter(|_| own.parted).map_or(0, |f| f.below);
    let (first, second) = rest.split_at(rest.len() - second);
    (first, second, own)
}

struct Analysis<'a> {
    matrix: &'a CscMatrix<f64>,
    order: &'a [u32],
    place: &'a [u32],
}

impl Analysis<'_> {
    /// Finds the borders and entries of a stretch of fronts; a border may hold more places beforehand.
    fn borders(&self, fronts: &mut [Front]) {
        let (own, rest) = fronts.split_last_mut().expect("a stretch has a last front");
        let (first, second) = if own.parted {
            let second = rest[rest.len() - 1].below;
            rest.split_at_mut(rest.len() - second)
        } else {
            rest.split_at_mut(0)
        };
        if own.parted {
            if own.below > PARALLEL / 20 {
                rayon::join(|| self.borders(first), || self.borders(second));
            } else {
                self.borders(first);
                self.borders(second);
            }
        }
        let end = own.first + own.pivots;
        let mut border = std::mem::take(&mut own.border);
        for part in [&*first, &*second] {
            if let Some(part) = part.last() {
                // Ascending, the own pivots first.
                let inside = part.border.partition_point(|&p| (p as usize) < end);
                border.extend_from_slice(&part.border[inside..]);
            }
        }
        for at in own.first..end {
            let rows = self.matrix.pattern().lane(self.order[at] as usize);
            let places = rows.iter().map(|&row| self.place[row]);
            border.extend(places.filter(|&p| p as usize >= end));
        }
        // Stable sorting is the quicker one for what comes as a few rising stretches.
        border.sort();
        border.dedup();
        own.border = border;
        for part in [first, second] {
            if let Some(part) = part.last_mut() {
                part.in_parent = rows_in(own, part.border.iter().copied()).collect();
                part.runs = runs(&part.in_parent);
            }
        }
        self.entries(own);
    }

    /// Where the entries of the front's own columns go in its panel, lower triangle alone.
    fn entries(&self, front: &mut Front) {
        let (stride, end) = (front.stride(), front.first + front.pivots);
        let mut entries = Vec::with_capacity(4 * front.pivots);
        for k in 0..front.pivots {
            let column = self.order[front.first + k] as usize;
            let start = self.matrix.col_offsets()[column];
            let listed = self.matrix.pattern().lane(column);
            for (at, &other) in listed.iter().enumerate() {
                let place = self.place[other] as usize;
                if place < front.first + k {
                    continue;
                }
                let row = if place < end {
                    place - front.first
                } else {
                    let before = front.border.partition_point(|&b| (b as usize) < place);
                    front.pivots + before
                };
                entries.push((index(k * stride + row), index(start + at)));
            }
        }
        front.entries = entries;
    }
}

/// Rows of a front at which the given places lie, both ascending.
fn rows_in(front: &Front, places: impl Iterator<Item = u32>) -> impl Iterator<Item = u32> {
    let mut at = 0;
    places.map(move |place| {
        let inner = (place as usize).wrapping_sub(front.first);
        if inner < front.pivots {
            return index(inner);
        }
        at += front.border[at..].partition_point(|&b| b < place);
        index(front.pivots + at)
    })
}
