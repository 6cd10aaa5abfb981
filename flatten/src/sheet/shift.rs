//! Every shift of a grid under a table of pieces, and how many sheets each needs.
//!
//! In: points of ink and a grid. Out: shifts by whole steps, each with a count that the true number of
//! sheets can't be below: cells that hold ink which no neighbour's strip shows. What lies in the strips
//! may ask for more, so the exact count is taken of the best ones, and the search can stop where no
//! shift left has a lower bound. Method: ink on a raster with sums over all squares to the left and below
//! (Crow 1984, summed-area tables), so that a cell costs four look-ups however much ink it holds.

use super::{bounds::Bounds, grid::Grid};
use crate::{Point2, Vector2};

/// A shift of the grid.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Shift {
    /// Lower left of the grid's cell (0, 0), mm.
    pub(super) origin: Point2,
    /// The number of sheets is not below this.
    pub(super) least: usize,
    /// Raster squares with ink in strips that two sheets show: lines that have to be joined.
    pub(super) joined: u32,
}

/// Every shift of a grid by whole steps, the fewest sheets first, then the least ink on joins, then in
/// order from the lower left.
pub(super) fn every_shift(points: &[Point2], grid: &Grid, step_mm: f64) -> Vec<Shift> {
    let raster = Raster::new(points, step_mm);
    let across = raster.columns(grid.step.x, grid.reach());
    let up = raster.rows(grid.step.y, grid.reach());
    let mut all = Vec::with_capacity(across.len() * up.len());
    for (y, rows) in &up {
        for (x, columns) in &across {
            let (mut least, mut alone) = (0, 0);
            for row in rows {
                for column in columns {
                    let inked = raster.inked(*column, *row);
                    least += usize::from(inked > 0);
                    alone += inked;
                }
            }
            all.push(Shift {
                origin: raster.low + Vector2::new(*x, *y),
                least,
                joined: raster.total() - alone,
            });
        }
    }
    all.sort_by_key(|shift| (shift.least, shift.joined));
    all
}

/// From and up to a raster line.
type Span = [usize; 2];

/// Ink on squares.
struct Raster {
    low: Point2,
    step: f64,
    across: usize,
    up: usize,
    sums: Vec<u32>,
}

impl Raster {
    fn new(points: &[Point2], step: f64) -> Self {
        let bounds = Bounds::of(points);
        let across = whole(bounds.width_mm() / step) + 1;
        let up = whole(bounds.height_mm() / step) + 1;
        let mut ink = vec![false; across * up];
        for p in points {
            let at = (p - bounds.low) / step;
            ink[whole(at.y) * across + whole(at.x)] = true;
        }
        let stride = across + 1;
        let mut sums = vec![0_u32; stride * (up + 1)];
        for row in 0..up {
            let mut run = 0;
            for column in 0..across {
                run += u32::from(ink[row * across + column]);
                sums[(row + 1) * stride + column + 1] = sums[row * stride + column + 1] + run;
            }
        }
        Self {
            low: bounds.low,
            step,
            across,
            up,
            sums,
        }
    }

    fn total(&self) -> u32 {
        self.sums.last().copied().unwrap_or(0)
    }

    fn inked(&self, [left, right]: Span, [low, high]: Span) -> u32 {
        let at = |column: usize, row: usize| self.sums[row * (self.across + 1) + column];
        at(right, high) + at(left, low) - at(left, high) - at(right, low)
    }

    fn columns(&self, cell: f64, reach: f64) -> Vec<(f64, Vec<Span>)> {
        spans(self.across, self.step, cell, reach)
    }

    fn rows(&self, cell: f64, reach: f64) -> Vec<(f64, Vec<Span>)> {
        spans(self.up, self.step, cell, reach)
    }
}

/// For every shift within a cell, where the first cell begins (at or before the raster's edge) and the
/// squares that lie in each cell wholly beyond its neighbours' reach.
fn spans(squares: usize, step: f64, cell: f64, reach: f64) -> Vec<(f64, Vec<Span>)> {
    let long = mm(squares, step);
    (0..whole(cell / step).max(1))
        .map(|k| {
            let start = -mm(k, step);
            let count = whole(((long - start) / cell).ceil()).max(1);
            let spans = (0..count)
                .map(|index| {
                    let low = start + mm(index, cell);
                    let first = whole(((low + reach) / step).ceil()).min(squares);
                    let end = whole((low + cell - reach) / step).min(squares);
                    [first, end.max(first)]
                })
                .collect();
            (start, spans)
        })
        .collect()
}

fn mm(count: usize, step: f64) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "a few thousand squares")]
    let count = count as f64;
    count * step
}

fn whole(steps: f64) -> usize {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "squares of a table whose size is bounded before; never below zero"
    )]
    let whole = steps.max(0.0).floor() as usize;
    whole
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::sheet::{SheetOptions, paper::Stock};

    #[test]
    fn the_bound_is_below_the_count_and_reached() {
        let options = SheetOptions::default();
        let grid = Grid::new(&Stock::new(&options, false), 0.0, options.overlap_mm);
        // A ring too large for one sheet: some shifts need four, others more.
        let ring: Vec<Point2> = (0..2000)
            .map(|k| f64::from(k) * std::f64::consts::TAU / 2000.0)
            .map(|t| Point2::new(7.0 + 175.0 * t.cos(), -40.0 + 190.0 * t.sin()))
            .collect();
        let all = every_shift(&ring, &grid, 4.0);
        let mut counts = Vec::new();
        for shift in &all {
            let shifted = Grid {
                origin: shift.origin,
                ..grid
            };
            let cells = shifted.needed(&ring);
            assert!(shift.least <= cells.len(), "{shift:?} {cells:?}");
            counts.push(cells.len());
        }
        let fewest = counts.iter().min().unwrap();
        assert_eq!((all[0].least, *fewest), (4, 4));
        assert!(counts.iter().any(|count| count > fewest));
    }
}
