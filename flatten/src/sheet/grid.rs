//! Which cells of a grid of sheets a drawing needs.
//!
//! Sheets lie on a grid of cells that touch along the trim lines. A sheet shows its cell and half the
//! overlap beyond it on every side (its window), so ink just across a trim line needs no sheet of its own
//! when the neighbour's window already holds it.

use super::{bounds::Bounds, paper::Stock};
use crate::{Point2, Vector2};

/// Ink is kept this far from a window's edge, so that no stroke is cut in its width, mm.
const INSET_MM: f64 = 0.5;

/// A grid of sheets on the table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Grid {
    /// Lower left of cell (0, 0), mm.
    pub(super) origin: Point2,
    /// Size of a cell: from trim line to trim line, mm.
    pub(super) step: Vector2,
    /// Half the overlap: how far a window reaches beyond its cell, mm.
    pub(super) flap: f64,
}

/// Column and row of a cell, counted from the origin to the right and up.
pub(super) type Cell = (i64, i64);

impl Grid {
    pub(super) fn new(stock: &Stock, strip_mm: f64, overlap_mm: f64) -> Self {
        let [width, height] = stock.room_mm();
        Self {
            origin: Point2::origin(),
            step: Vector2::new(width - overlap_mm, height - strip_mm - overlap_mm),
            flap: 0.5 * overlap_mm,
        }
    }

    /// What the sheet of a cell shows.
    pub(super) fn window(&self, cell: Cell) -> Bounds {
        self.core(cell).grown(self.flap)
    }

    /// A cell, from trim line to trim line.
    pub(super) fn core(&self, (column, row): Cell) -> Bounds {
        let at = |c: i64, r: i64| {
            // Grids have a few dozen cells: exact in f64.
            #[expect(clippy::cast_precision_loss, reason = "small whole numbers")]
            let steps = Vector2::new(c as f64, r as f64);
            self.origin + self.step.component_mul(&steps)
        };
        Bounds {
            low: at(column, row),
            high: at(column + 1, row + 1),
        }
    }

    /// How far beyond a trim line the neighbour's sheet shows ink.
    pub(super) fn reach(&self) -> f64 {
        self.flap - INSET_MM
    }

    fn cell_of(&self, p: Point2) -> Cell {
        let steps = (p - self.origin).component_div(&self.step);
        (whole(steps.x), whole(steps.y))
    }

    /// The cells whose sheets are needed to show every point, in rows from the lowest.
    pub(super) fn needed(&self, points: &[Point2]) -> Vec<Cell> {
        let Some(span) = self.span(points) else {
            return Vec::new();
        };
        let mut kept = vec![false; span.len()];
        let mut soft: Vec<Shown> = Vec::new();
        for &p in points {
            let shown = self.showing(&span, p);
            if shown.count == 1 {
                kept[shown.cells[0]] = true;
            } else {
                soft.push(shown);
            }
        }
        Self::cover_soft(soft, &mut kept);
        (0..span.len())
            .filter(|index| kept[*index])
            .map(|index| span.cell(index))
            .collect()
    }

    /// Adds the cells that show the points near trim lines: again and again the one that shows most of
    /// those not shown yet, then without those that turned out to be needless.
    fn cover_soft(soft: Vec<Shown>, kept: &mut [bool]) {
        let mut open = soft;
        open.retain(|shown| !shown.by(kept));
        let all = open.clone();
        let mut added = Vec::new();
        while !open.is_empty() {
            let mut counts = vec![0_usize; kept.len()];
            for index in open.iter().flat_map(Shown::cells) {
                counts[*index] += 1;
            }
            // The first of the best, so that the choice is always the same.
            let most = counts.iter().max().copied().unwrap_or(0);
            let best = counts.iter().position(|count| *count == most).unwrap_or(0);
            kept[best] = true;
            added.push(best);
            open.retain(|shown| !shown.by(kept));
        }
        for index in added.into_iter().rev() {
            kept[index] = false;
            kept[index] = all.iter().any(|shown| !shown.by(kept));
        }
    }

    /// The cells whose sheets show a point: its own, and those whose windows reach it. A cell is wider
    /// than the whole overlap, so a point is near one of two opposite trim lines at most.
    fn showing(&self, span: &Span, p: Point2) -> Shown {
        let (column, row) = self.cell_of(p);
        let reach = self.reach();
        let low = self.core((column, row)).low;
        let side = |along: f64, step: f64| {
            if along <= reach {
                -1
            } else if step - along <= reach {
                1
            } else {
                0
            }
        };
        let dc = side(p.x - low.x, self.step.x);
        let dr = side(p.y - low.y, self.step.y);
        let mut shown = Shown {
            cells: [span.index((column, row)); 4],
            count: 1,
        };
        let neighbours = [
            (dc != 0).then_some((column + dc, row)),
            (dr != 0).then_some((column, row + dr)),
            (dc != 0 && dr != 0).then_some((column + dc, row + dr)),
        ];
        for other in neighbours.into_iter().flatten() {
            if span.holds(other) {
                shown.cells[shown.count] = span.index(other);
                shown.count += 1;
            }
        }
        shown
    }

    fn span(&self, points: &[Point2]) -> Option<Span> {
        let bounds = Bounds::of(points);
        if bounds.is_empty() {
            return None;
        }
        let low = self.cell_of(bounds.low);
        let high = self.cell_of(bounds.high);
        Some(Span {
            low,
            columns: high.0 - low.0 + 1,
            rows: high.1 - low.1 + 1,
        })
    }
}

fn whole(steps: f64) -> i64 {
    #[expect(
        clippy::cast_possible_truncation,
        reason = "cell numbers are small; the number of sheets is bounded before"
    )]
    let cell = steps.floor() as i64;
    cell
}

/// The sheets that show a point.
#[derive(Clone, Copy)]
struct Shown {
    cells: [usize; 4],
    count: usize,
}

impl Shown {
    fn cells(&self) -> &[usize] {
        &self.cells[..self.count]
    }

    /// Whether a kept sheet is among them.
    fn by(&self, kept: &[bool]) -> bool {
        self.cells().iter().any(|index| kept[*index])
    }
}

/// The block of cells round all points.
struct Span {
    low: Cell,
    columns: i64,
    rows: i64,
}

impl Span {
    fn len(&self) -> usize {
        usize::try_from(self.columns * self.rows).unwrap_or(0)
    }

    fn holds(&self, (column, row): Cell) -> bool {
        (self.low.0..self.low.0 + self.columns).contains(&column)
            && (self.low.1..self.low.1 + self.rows).contains(&row)
    }

    fn index(&self, (column, row): Cell) -> usize {
        usize::try_from((row - self.low.1) * self.columns + column - self.low.0).unwrap_or(0)
    }

    fn cell(&self, index: usize) -> Cell {
        let index = i64::try_from(index).unwrap_or(0);
        (
            self.low.0 + index % self.columns,
            self.low.1 + index / self.columns,
        )
    }
}
