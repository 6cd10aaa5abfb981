//! Factoring a tree of fronts, part by part.
//!
//! A front is worked on at a *desk*, memory that has been used before; what is kept of it and what goes up are copied
//! from there, without their upper halves.

use std::{
    ops::Range,
    sync::{Mutex, MutexGuard},
};

use faer::MatMut;

use super::{
    dense,
    fronts::{Real, both},
    small,
    symbolic::{Front, split_fronts},
};

/// Fronts of more rows are filled on two threads.
const PARALLEL_ROWS: usize = 300;
/// Fronts of no more pivots and rows are eliminated by the kernel for small blocks.
const FEW_PIVOTS: usize = 64;
const FEW_ROWS: usize = 500;

/// Memory for the front that a thread is at work on. What is kept of a front is copied out of it: pages that are new cost
/// more than the numbers that are written to them, and these stay in the cache.
#[derive(Default)]
struct Desk<T> {
    panel: Vec<T>,
    corner: Vec<T>,
}

/// One for each thread, and one for a thread that is none of the pool's.
pub(super) struct Desks<T> {
    desks: Vec<Mutex<Desk<T>>>,
    largest_panel: usize,
    largest_corner: usize,
}

impl<T: Real> Desks<T> {
    pub(super) fn new(fronts: &[Front]) -> Self {
        let largest = |size: fn(&Front) -> usize| fronts.iter().map(size).max().unwrap_or(0);
        Self {
            desks: (0..=rayon::current_num_threads())
                .map(|_| Mutex::default())
                .collect(),
            largest_panel: largest(panel_size),
            largest_corner: largest(corner_size),
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
        extend(&mut desk.panel, panel_size(front), self.largest_panel);
        extend(&mut desk.corner, corner_size(front), self.largest_corner);
        desk
    }

    fn put_back(&self, desk: Desk<T>) {
        *self.own() = desk;
    }
}

/// Numbers of the pivots' columns at a desk.
fn panel_size(front: &Front) -> usize {
    front.pivots * front.stride()
}

/// Numbers of the border's columns at a desk.
fn corner_size(front: &Front) -> usize {
    front.border.len() * (front.stride() - front.corner_start())
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
pub(super) fn factor_stretch<T: Real>(
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
    let (pivots, rows) = (own.pivots, own.rows());
    let (stride, corner_start) = (own.stride(), own.corner_start());
    let parallel = rows > PARALLEL_ROWS;
    let mut desk = desks.take(own);
    let mut panel = Part {
        columns: 0..pivots,
        start: 0,
        stride,
        numbers: &mut desk.panel[..panel_size(own)],
    };
    let mut corner = Part {
        columns: pivots..rows,
        start: corner_start,
        stride: stride - corner_start,
        numbers: &mut desk.corner[..corner_size(own)],
    };
    both(
        parallel,
        || {
            panel.clear();
            for &(at, entry) in &own.entries {
                panel.numbers[at as usize] = T::from_f64_impl(values[entry as usize]);
            }
            panel.add_updates(&parts);
        },
        || {
            corner.clear();
            corner.add_updates(&parts);
        },
    );
    // Given back now, so that what is kept and what goes up take their memory.
    drop(parts);
    if pivots <= FEW_PIVOTS && rows <= FEW_ROWS {
        T::eliminate(small::Block {
            panel: panel.numbers,
            corner: corner.numbers,
            rows,
            pivots,
            stride,
            corner_start,
        })
    } else {
        let (top, below) = panel.block(rows).split_at_row_mut(pivots);
        dense::eliminate(top, below, corner.block(rows))
    }
    .map_err(|row| own.first + row)?;
    let ((), update) = both(
        parallel,
        || panel.pack(rows, &mut kept[0]),
        || {
            let mut update = Vec::new();
            corner.pack(rows, &mut update);
            update
        },
    );
    desks.put_back(desk);
    Ok(update)
}

/// Some columns of a front at a desk.
struct Part<'a, T> {
    columns: Range<usize>,
    /// The first row they have there.
    start: usize,
    stride: usize,
    numbers: &'a mut [T],
}

impl<T: Real> Part<'_, T> {
    /// A column, where it lies.
    fn lane(&self, number: usize) -> Range<usize> {
        let first = (number - self.columns.start) * self.stride;
        first..first + self.stride
    }

    fn clear(&mut self) {
        for number in self.columns.clone() {
            let lane = self.lane(number);
            // Of what is above the diagonal, that which shares a tile with it.
            let above = number - self.start;
            self.numbers[lane][above - above % small::TILE..].fill(T::zero_impl());
        }
    }

    /// Its rows from that of its first column's diagonal to the front's last.
    fn block(&mut self, rows: usize) -> MatMut<'_, T> {
        let first = self.columns.start;
        MatMut::from_column_major_slice_with_stride_mut(
            self.numbers,
            self.stride,
            self.columns.len(),
            self.stride,
        )
        .subrows_mut(first - self.start, rows - first)
    }

    /// Copies its columns from the diagonal down to the front's last row.
    fn pack(&self, rows: usize, packed: &mut Vec<T>) {
        let first = self.columns.start;
        packed.clear();
        packed.reserve_exact(packed_column(self.columns.len(), rows - first));
        for number in self.columns.clone() {
            let column = &self.numbers[self.lane(number)];
            packed.extend_from_slice(&column[number - self.start..rows - self.start]);
        }
    }

    /// Adds the Schur complements that the front's parts left behind.
    fn add_updates(&mut self, parts: &[(&Front, Vec<T>)]) {
        for (part, update) in parts {
            let size = part.border.len();
            for (k, run) in part.runs.iter().enumerate() {
                let first = run.to.max(self.columns.start);
                for number in first..(run.to + run.count).min(self.columns.end) {
                    let step = number - run.to;
                    let lane = self.lane(number);
                    let column = &mut self.numbers[lane];
                    let from = run.from + step;
                    let source = &update[packed_column(from, size)..][..size - from];
                    // Of this run what is below the diagonal, of those after it all.
                    let mut above = step;
                    for run in &part.runs[k..] {
                        let rows = run.to + above - self.start..run.to + run.count - self.start;
                        let target = &mut column[rows];
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
}

/// Where a column begins in a block of so many rows that is packed from the diagonal down.
pub(crate) fn packed_column(column: usize, rows: usize) -> usize {
    column * rows - column * column.saturating_sub(1) / 2
}
