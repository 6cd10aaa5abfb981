//! Multifrontal Cholesky: dense blocks passed up the tree of a nested dissection.
//!
//! In: a symmetric matrix `A` and rows to keep (often none). Out: the factor `G` of the block that
//! is eliminated, and the Schur complement on the rows kept. With the kept rows `B` last,
//!
//! ```text
//!   A = ⎡ A_II  A_IB ⎤ = ⎡ G    ⎤ ⎡ I   ⎤ ⎡ Gᵀ  Wᵀ ⎤     G Gᵀ = A_II,   W = A_BI G⁻ᵀ,
//!       ⎣ A_BI  A_BB ⎦   ⎣ W  I ⎦ ⎣   S ⎦ ⎣      I ⎦     S = A_BB − A_BI A_II⁻¹ A_IB
//! ```
//!
//! For a Laplacian whose kept rows are the boundary, `S` is the Dirichlet-to-Neumann map: energy of
//! the harmonic function with given boundary values, `½ zᵀSz`. And `x_I = −G⁻ᵀ Wᵀ z` *is* that
//! function: once `z` is known the inside costs one back-substitution.
//!
//! # Method
//! Each front gathers its rows of the matrix and the Schur complements of its two parts, eliminates
//! its pivots, keeps the columns of the factor (its *panel*) and hands the Schur complement on its
//! border upwards (Duff & Reid, "The multifrontal solution of indefinite sparse symmetric linear
//! equations", ACM TOMS 9, 1983). All arithmetic happens in dense blocks. The two parts of a region
//! share nothing, so they run in parallel; sums are taken in the order of the tree, so the bits are
//! the same with any number of threads.
//!
//! A front is worked on at a *desk*, memory that has been used before; what is kept of it and what goes up are copied
//! from there, without their upper halves.
//!
//! In single precision the factor takes half the memory and little more than half the time. It then has an error of
//! some 1e-7 times the matrix's condition: enough to begin from, not to answer with.
//!
//! Cost on a surface of n vertices: O(n log n) memory, O(n^1.5) multiplications.

use std::{
    ops::Range,
    sync::{Arc, Mutex, MutexGuard},
    time::{Duration, Instant},
};

use faer::{MatMut, traits::RealField};
use nalgebra_sparse::CscMatrix;

use super::{
    SolveError,
    dense::eliminate,
    ordering::LEAF,
    symbolic::{Front, Symbolic, split_fronts},
};
use crate::Point3;

/// Fronts of more rows are filled on two threads.
const PARALLEL_ROWS: usize = 300;

/// A precision that a factor may be made in.
pub(crate) trait Real: RealField + Copy + Default + Into<f64> {}

impl Real for f32 {}

impl Real for f64 {}

/// A factor of the rows eliminated, with the Schur complement on the rows kept; its numbers are of type `T`, what
/// goes in and comes out is in double precision.
#[derive(Debug)]
pub(crate) struct Multifrontal<T = f64> {
    symbolic: Arc<Symbolic>,
    /// For each front `[G_pivots; G_border]` by columns, each from the diagonal down.
    panels: Vec<Vec<T>>,
    /// Schur complement on the kept rows less their own entries of the matrix, `−A_BI A_II⁻¹ A_IB`,
    /// by columns, each from the diagonal down; empty once it is taken.
    schur: Vec<T>,
    timings: Vec<(&'static str, Duration)>,
}

impl<T: Real> Multifrontal<T> {
    /// Orders, analyses and factors; `kept` rows are left for the Schur complement.
    pub(crate) fn new(
        matrix: &CscMatrix<f64>,
        positions: &[Point3],
        kept: &[u32],
    ) -> Result<Self, SolveError> {
        let (symbolic, timings) = Symbolic::new(matrix, positions, kept, LEAF);
        let mut factor = Self::analysed(Arc::new(symbolic), timings);
        let start = Instant::now();
        factor.refactor(matrix)?;
        factor.timings.push(("factor", start.elapsed()));
        Ok(factor)
    }

    /// Orders and analyses a matrix with a 2×2 block for each entry of `pattern`, whose own values do
    /// not matter; to be factored by [`Self::refactor_values`].
    pub(crate) fn of_blocks(pattern: &CscMatrix<f64>, positions: &[Point3]) -> Self {
        let (symbolic, timings) = Symbolic::new(pattern, positions, &[], LEAF / 3);
        Self::analysed(Arc::new(symbolic.doubled()), timings)
    }

    /// To be factored.
    fn analysed(symbolic: Arc<Symbolic>, timings: Vec<(&'static str, Duration)>) -> Self {
        Self {
            panels: vec![Vec::new(); symbolic.fronts.len()],
            schur: Vec::new(),
            symbolic,
            timings,
        }
    }

    /// To be factored in another precision, the same matrix analysed.
    pub(crate) fn in_precision<U: Real>(&self) -> Multifrontal<U> {
        Multifrontal::analysed(Arc::clone(&self.symbolic), self.timings.clone())
    }

    /// Factors new values; the pattern must be the one analysed.
    pub(crate) fn refactor(&mut self, matrix: &CscMatrix<f64>) -> Result<(), SolveError> {
        self.refactor_values(matrix.values())
    }

    /// As [`Self::refactor`], the values alone.
    pub(crate) fn refactor_values(&mut self, values: &[f64]) -> Result<(), SolveError> {
        let fronts = &self.symbolic.fronts;
        if fronts.is_empty() {
            self.schur = vec![T::zero_impl(); packed_column(self.kept(), self.kept())];
            return Ok(());
        }
        let factored = factor_stretch(fronts, &mut self.panels, values, &Desks::new(fronts));
        self.schur = factored.map_err(|place| SolveError::NotPositiveDefinite {
            row: self.symbolic.order[place] as usize,
        })?;
        Ok(())
    }

    /// Number of rows kept.
    pub(crate) fn kept(&self) -> usize {
        self.symbolic.order.len() - self.symbolic.eliminated
    }

    /// Hands over `−A_BI A_II⁻¹ A_IB` on the kept rows in the order they were given, by columns, each from the
    /// diagonal down.
    pub(crate) fn take_schur(&mut self) -> Vec<T> {
        std::mem::take(&mut self.schur)
    }

    /// Wall time of ordering, analysis and first factor.
    pub(crate) fn timings(&self) -> &[(&'static str, Duration)] {
        &self.timings
    }

    /// Numbers in the factor.
    pub(crate) fn entries(&self) -> usize {
        self.panels.iter().map(Vec::len).sum()
    }

    /// Solves `A_II x_I = f_I − A_IB x_B`: kept rows of `x` hold what is given there, the others `f`
    /// before and the answer after.
    pub(crate) fn solve<const K: usize>(&self, x: &mut [[f64; K]]) {
        self.substitute(x, true);
    }

    /// As [`Multifrontal::solve`] with `f = 0`, at half the cost: the harmonic function with the
    /// given values on the kept rows.
    pub(crate) fn extend<const K: usize>(&self, x: &mut [[f64; K]]) {
        self.substitute(x, false);
    }

    fn substitute<const K: usize>(&self, x: &mut [[f64; K]], forward: bool) {
        let symbolic = &self.symbolic;
        assert_eq!(x.len(), symbolic.order.len(), "one entry a row");
        let Some(root) = symbolic.fronts.last() else {
            return;
        };
        let mut inner: Vec<[T; K]> = symbolic.order[..symbolic.eliminated]
            .iter()
            .map(|&row| {
                if forward {
                    x[row as usize].map(T::from_f64_impl)
                } else {
                    [T::zero_impl(); K]
                }
            })
            .collect();
        if forward {
            forward_stretch(&symbolic.fronts, &self.panels, &mut inner);
        }
        let border: Vec<[T; K]> = root
            .border
            .iter()
            .map(|&place| x[symbolic.order[place as usize] as usize].map(T::from_f64_impl))
            .collect();
        backward_stretch(&symbolic.fronts, &self.panels, &mut inner, &border);
        for (&row, value) in symbolic.order.iter().zip(inner) {
            x[row as usize] = value.map(Into::into);
        }
    }
}

/// Memory for the front that a thread is at work on. What is kept of a front is copied out of it: pages that are new cost
/// more than the numbers that are written to them, and these stay in the cache.
#[derive(Default)]
struct Desk<T> {
    panel: Vec<T>,
    corner: Vec<T>,
}

/// One for each thread, and one for a thread that is none of the pool's.
struct Desks<T> {
    desks: Vec<Mutex<Desk<T>>>,
    largest_panel: usize,
    largest_corner: usize,
}

impl<T: Real> Desks<T> {
    fn new(fronts: &[Front]) -> Self {
        let largest = |size: fn(&Front) -> usize| fronts.iter().map(size).max().unwrap_or(0);
        Self {
            desks: (0..=rayon::current_num_threads())
                .map(|_| Mutex::default())
                .collect(),
            largest_panel: largest(|f| f.rows() * f.pivots),
            largest_corner: largest(|f| f.border.len().pow(2)),
        }
    }

    fn own(&self) -> MutexGuard<'_, Desk<T>> {
        let number = rayon::current_thread_index().unwrap_or(self.desks.len() - 1);
        let desk = self.desks[number].lock();
        desk.expect("no thread stops while it holds a desk")
    }

    /// This thread's desk, with room for a front, whatever is on it; a new one if it is in use, where a thread that
    /// waits has taken up another front.
    fn take(&self, front: &Front) -> Desk<T> {
        let mut desk = std::mem::take(&mut *self.own());
        let (panel, corner) = (front.rows() * front.pivots, front.border.len().pow(2));
        extend(&mut desk.panel, panel, self.largest_panel);
        extend(&mut desk.corner, corner, self.largest_corner);
        desk
    }

    fn put_back(&self, desk: Desk<T>) {
        *self.own() = desk;
    }
}

/// Makes numbers at least so many; room for the most there will be is asked for at once, which is not
/// touched before it is used.
fn extend<T: Real>(numbers: &mut Vec<T>, count: usize, most: usize) {
    numbers.reserve_exact(most.saturating_sub(numbers.len()));
    if numbers.len() < count {
        numbers.resize(count, T::zero_impl());
    }
}

/// Factors a stretch of fronts and returns the Schur complement on the border of the last, by columns, each from the
/// diagonal down; `Err` holds the place without a positive pivot.
fn factor_stretch<T: Real>(
    fronts: &[Front],
    panels: &mut [Vec<T>],
    values: &[f64],
    desks: &Desks<T>,
) -> Result<Vec<T>, usize> {
    let (first, second, own) = split_fronts(fronts);
    let (inner, kept) = panels.split_at_mut(panels.len() - 1);
    let parts = if own.parted {
        let (first_panels, second_panels) = inner.split_at_mut(first.len());
        let (a, b) = both(
            own.side_by_side(),
            || factor_stretch(first, first_panels, values, desks),
            || factor_stretch(second, second_panels, values, desks),
        );
        // Taken in order, so that the same pivot is reported with any number of threads.
        vec![
            (&first[first.len() - 1], a?),
            (&second[second.len() - 1], b?),
        ]
    } else {
        Vec::new()
    };
    let (pivots, border, rows) = (own.pivots, own.border.len(), own.rows());
    let parallel = rows > PARALLEL_ROWS;
    let mut desk = desks.take(own);
    let panel = &mut desk.panel[..rows * pivots];
    let corner = &mut desk.corner[..border * border];
    both(
        parallel,
        || {
            panel.fill(T::zero_impl());
            for &(at, entry) in &own.entries {
                panel[at as usize] = T::from_f64_impl(values[entry as usize]);
            }
            add_updates(&parts, 0..pivots, panel, rows);
        },
        || {
            for j in 0..border {
                corner[j * border + j..(j + 1) * border].fill(T::zero_impl());
            }
            add_updates(&parts, pivots..rows, corner, border);
        },
    );
    // Given back now, so that what is kept and what goes up take their memory.
    drop(parts);
    let whole = MatMut::from_column_major_slice_mut(panel, rows, pivots);
    let (top, below) = whole.split_at_row_mut(pivots);
    let rest = MatMut::from_column_major_slice_mut(corner, border, border);
    eliminate(top, below, rest).map_err(|row| own.first + row)?;
    let ((), update) = both(
        parallel,
        || pack(panel, pivots, rows, &mut kept[0]),
        || {
            let mut update = Vec::new();
            pack(corner, border, border, &mut update);
            update
        },
    );
    desks.put_back(desk);
    Ok(update)
}

/// Copies columns from the diagonal down.
fn pack<T: Real>(block: &[T], columns: usize, rows: usize, packed: &mut Vec<T>) {
    packed.clear();
    packed.reserve_exact(packed_column(columns, rows));
    for j in 0..columns {
        packed.extend_from_slice(&block[j * rows + j..(j + 1) * rows]);
    }
}

/// Where a column begins in a block of so many rows that is packed from the diagonal down.
pub(crate) fn packed_column(column: usize, rows: usize) -> usize {
    column * rows - column * column.saturating_sub(1) / 2
}

/// Adds the Schur complements that the parts left behind to some columns of the front above them, which are given from the
/// first of their own rows down, `height` numbers each.
fn add_updates<T: Real>(
    parts: &[(&Front, Vec<T>)],
    columns: Range<usize>,
    target: &mut [T],
    height: usize,
) {
    for (part, update) in parts {
        let size = part.border.len();
        for (k, run) in part.runs.iter().enumerate() {
            let first = run.to.max(columns.start);
            for column in first..(run.to + run.count).min(columns.end) {
                let step = column - run.to;
                let target = &mut target[(column - columns.start) * height..][..height];
                let from = run.from + step;
                let source = &update[packed_column(from, size)..][..size - from];
                // Of this run what is below the diagonal, of those after it all.
                let mut above = step;
                for run in &part.runs[k..] {
                    let rows = run.to + above - columns.start..run.to + run.count - columns.start;
                    let target = &mut target[rows];
                    let source = &source[run.from + above - from..run.from + run.count - from];
                    for (sum, &value) in target.iter_mut().zip(source) {
                        *sum += value;
                    }
                    above = 0;
                }
            }
        }
    }
}

/// `G y = f` over a stretch, `x` holding its places; returns what is to be subtracted at the border.
fn forward_stretch<T: Real, const K: usize>(
    fronts: &[Front],
    panels: &[Vec<T>],
    x: &mut [[T; K]],
) -> Vec<[T; K]> {
    let (first, second, own) = split_fronts(fronts);
    let (inner, pivots) = x.split_at_mut(x.len() - own.pivots);
    let (inner_panels, panel) = (&panels[..panels.len() - 1], &panels[panels.len() - 1]);
    let mut border = vec![[T::zero_impl(); K]; own.border.len()];
    if own.parted {
        let (first_panels, second_panels) = inner_panels.split_at(first.len());
        let (first_x, second_x) = inner.split_at_mut(places(first));
        let (a, b) = both(
            own.side_by_side(),
            || forward_stretch(first, first_panels, first_x),
            || forward_stretch(second, second_panels, second_x),
        );
        for (part, sums) in [(first, a), (second, b)] {
            for (&row, sum) in part[part.len() - 1].in_parent.iter().zip(sums) {
                let row = row as usize;
                if row < own.pivots {
                    for k in 0..K {
                        pivots[row][k] -= sum[k];
                    }
                } else {
                    for k in 0..K {
                        border[row - own.pivots][k] += sum[k];
                    }
                }
            }
        }
    }
    let mut rest = &panel[..];
    for j in 0..own.pivots {
        let (column, after) = rest.split_at(own.rows() - j);
        rest = after;
        let value = pivots[j].map(|v| v / column[0]);
        pivots[j] = value;
        let (inside, outside) = column.split_at(own.pivots - j);
        for (g, target) in inside[1..].iter().zip(&mut pivots[j + 1..]) {
            for k in 0..K {
                target[k] -= *g * value[k];
            }
        }
        for (g, target) in outside.iter().zip(&mut border) {
            for k in 0..K {
                target[k] += *g * value[k];
            }
        }
    }
    border
}

/// `Gᵀ x = y − Wᵀ x_border` over a stretch.
fn backward_stretch<T: Real, const K: usize>(
    fronts: &[Front],
    panels: &[Vec<T>],
    x: &mut [[T; K]],
    border: &[[T; K]],
) {
    let (first, second, own) = split_fronts(fronts);
    let (inner, pivots) = x.split_at_mut(x.len() - own.pivots);
    let (inner_panels, panel) = (&panels[..panels.len() - 1], &panels[panels.len() - 1]);
    let rows = own.rows();
    // Pivots and border side by side: the rows that the parts look at.
    let mut local = Vec::with_capacity(rows);
    local.extend_from_slice(pivots);
    local.extend_from_slice(border);
    let mut rest = &panel[..];
    for j in (0..own.pivots).rev() {
        let (before, column) = rest.split_at(rest.len() - (rows - j));
        rest = before;
        let sum = dot(&column[1..], &local[j + 1..]);
        for k in 0..K {
            local[j][k] = (local[j][k] - sum[k]) / column[0];
        }
    }
    pivots.copy_from_slice(&local[..own.pivots]);
    if !own.parted {
        return;
    }
    let (first_panels, second_panels) = inner_panels.split_at(first.len());
    let (first_x, second_x) = inner.split_at_mut(places(first));
    let seen_by = |part: &[Front]| -> Vec<[T; K]> {
        let rows = &part[part.len() - 1].in_parent;
        rows.iter().map(|&row| local[row as usize]).collect()
    };
    both(
        own.side_by_side(),
        || backward_stretch(first, first_panels, first_x, &seen_by(first)),
        || backward_stretch(second, second_panels, second_x, &seen_by(second)),
    );
}

/// Does two things, on two threads where that pays.
fn both<A: Send, B: Send>(
    parallel: bool,
    first: impl FnOnce() -> A + Send,
    second: impl FnOnce() -> B + Send,
) -> (A, B) {
    if parallel {
        rayon::join(first, second)
    } else {
        (first(), second())
    }
}

/// Number of places in a stretch.
fn places(fronts: &[Front]) -> usize {
    let last = &fronts[fronts.len() - 1];
    let first = fronts.first().map_or(0, |f| f.first);
    last.first + last.pivots - first
}

/// Scalar products of a column with K vectors, in eight sums that a processor can run side by side.
fn dot<T: Real, const K: usize>(column: &[T], x: &[[T; K]]) -> [T; K] {
    const LANES: usize = 8;
    let mut sums = [[T::zero_impl(); K]; LANES];
    let (wide, rest) = column.as_chunks::<LANES>();
    let (wide_x, rest_x) = x.as_chunks::<LANES>();
    for (g, x) in wide.iter().zip(wide_x) {
        for lane in 0..LANES {
            for k in 0..K {
                sums[lane][k] += g[lane] * x[lane][k];
            }
        }
    }
    let mut total = [T::zero_impl(); K];
    for (g, x) in rest.iter().zip(rest_x) {
        for k in 0..K {
            total[k] += *g * x[k];
        }
    }
    // In pairs: eight sums one after the other would wait for each other.
    let mut half = LANES;
    while half > 1 {
        half /= 2;
        let (sums, others) = sums.split_at_mut(half);
        for (sum, other) in sums.iter_mut().zip(others) {
            for k in 0..K {
                sum[k] += other[k];
            }
        }
    }
    for k in 0..K {
        total[k] += sums[0][k];
    }
    total
}
