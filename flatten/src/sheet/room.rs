//! Free places on a sheet.
//!
//! A raster of small squares, each free, inked or inside a piece, with running sums, so that a label or a
//! square finds a place where it covers nothing.

use super::bounds::Bounds;
use crate::Point2;

/// Side of a raster square, mm.
const CELL_MM: f64 = 1.5;

/// Which corner a place is looked for from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum From {
    TopLeft,
    BottomLeft,
}

/// What is taken on a sheet.
pub(super) struct Room {
    bounds: Bounds,
    columns: usize,
    rows: usize,
    inked: Vec<bool>,
    inside: Vec<bool>,
}

impl Room {
    /// Nothing taken.
    pub(super) fn new(bounds: Bounds) -> Self {
        let columns = count(bounds.width_mm());
        let rows = count(bounds.height_mm());
        Self {
            bounds,
            columns,
            rows,
            inked: vec![false; columns * rows],
            inside: vec![false; columns * rows],
        }
    }

    /// Takes the squares of points of ink.
    pub(super) fn take_points(&mut self, points: impl Iterator<Item = Point2>) {
        for p in points {
            let x = (p.x - self.bounds.low.x) / CELL_MM;
            let y = (p.y - self.bounds.low.y) / CELL_MM;
            if x >= 0.0 && y >= 0.0 {
                let (column, row) = (floor(x), floor(y));
                if column < self.columns && row < self.rows {
                    self.inked[row * self.columns + column] = true;
                }
            }
        }
    }

    /// Takes every square that a box touches.
    pub(super) fn take_box(&mut self, taken: &Bounds) {
        let seen = taken.meet(&self.bounds);
        if seen.is_empty() {
            return;
        }
        let low = (seen.low - self.bounds.low) / CELL_MM;
        let high = (seen.high - self.bounds.low) / CELL_MM;
        for row in floor(low.y)..=floor(high.y).min(self.rows.saturating_sub(1)) {
            for column in floor(low.x)..=floor(high.x).min(self.columns.saturating_sub(1)) {
                self.inked[row * self.columns + column] = true;
            }
        }
    }

    /// Marks what closed outlines enclose (even-odd).
    pub(super) fn enclose(&mut self, outlines: &[Vec<Point2>]) {
        for row in 0..self.rows {
            let y = self.bounds.low.y + (to_f64(row) + 0.5) * CELL_MM;
            let mut crossings: Vec<f64> = Vec::new();
            for outline in outlines {
                for (index, a) in outline.iter().enumerate() {
                    let b = outline[(index + 1) % outline.len()];
                    if (a.y <= y) != (b.y <= y) {
                        crossings.push(a.x + (b.x - a.x) * (y - a.y) / (b.y - a.y));
                    }
                }
            }
            crossings.sort_by(f64::total_cmp);
            for pair in crossings.chunks_exact(2) {
                let from = ((pair[0] - self.bounds.low.x) / CELL_MM).max(0.0);
                let to = (pair[1] - self.bounds.low.x) / CELL_MM;
                if to < 0.0 {
                    continue;
                }
                for column in floor(from)..=floor(to) {
                    if column < self.columns {
                        self.inside[row * self.columns + column] = true;
                    }
                }
            }
        }
    }

    /// Finds a free box with `rim_mm` free round it and takes it: outside the pieces if there is such a
    /// place, otherwise inside one where there is no ink. Gives its lower left.
    pub(super) fn place(
        &mut self,
        width_mm: f64,
        height_mm: f64,
        rim_mm: f64,
        from: From,
        inside_too: bool,
    ) -> Option<Point2> {
        let found = self
            .find(
                width_mm + 2.0 * rim_mm,
                height_mm + 2.0 * rim_mm,
                from,
                false,
            )
            .or_else(|| {
                inside_too.then(|| {
                    self.find(
                        width_mm + 2.0 * rim_mm,
                        height_mm + 2.0 * rim_mm,
                        from,
                        true,
                    )
                })?
            })?;
        let low = Point2::new(found.x + rim_mm, found.y + rim_mm);
        self.take_box(&Bounds {
            low,
            high: Point2::new(low.x + width_mm, low.y + height_mm),
        });
        Some(low)
    }

    fn find(&self, width_mm: f64, height_mm: f64, from: From, inside: bool) -> Option<Point2> {
        let wide = ceil(width_mm);
        let tall = ceil(height_mm);
        if wide > self.columns || tall > self.rows {
            return None;
        }
        let sums = self.sums(inside);
        let stride = self.columns + 1;
        let free = |column: usize, row: usize| {
            sums[(row + tall) * stride + column + wide] + sums[row * stride + column]
                == sums[row * stride + column + wide] + sums[(row + tall) * stride + column]
        };
        let rows = 0..=self.rows - tall;
        let columns = || 0..=self.columns - wide;
        let mut search: Box<dyn Iterator<Item = usize>> = match from {
            From::TopLeft => Box::new(rows.rev()),
            From::BottomLeft => Box::new(rows),
        };
        search.find_map(|row| {
            columns().find(|&column| free(column, row)).map(|column| {
                Point2::new(
                    self.bounds.low.x + to_f64(column) * CELL_MM,
                    self.bounds.low.y + to_f64(row) * CELL_MM,
                )
            })
        })
    }

    /// Taken squares below and to the left of each raster corner.
    fn sums(&self, inside_allowed: bool) -> Vec<u32> {
        let stride = self.columns + 1;
        let mut sums = vec![0_u32; stride * (self.rows + 1)];
        for row in 0..self.rows {
            let mut run = 0;
            for column in 0..self.columns {
                let index = row * self.columns + column;
                run += u32::from(self.inked[index] || (!inside_allowed && self.inside[index]));
                sums[(row + 1) * stride + column + 1] = sums[row * stride + column + 1] + run;
            }
        }
        sums
    }
}

fn count(mm: f64) -> usize {
    floor(mm / CELL_MM)
}

fn ceil(mm: f64) -> usize {
    floor((mm / CELL_MM).ceil())
}

fn floor(cells: f64) -> usize {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "squares of a sheet's raster: never below zero, a few thousand at most"
    )]
    let whole = cells.max(0.0) as usize;
    whole
}

fn to_f64(cells: usize) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "squares of a sheet's raster")]
    let value = cells as f64;
    value
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sheet() -> Room {
        Room::new(Bounds {
            low: Point2::new(10.0, 20.0),
            high: Point2::new(110.0, 170.0),
        })
    }

    #[test]
    fn what_is_placed_is_taken() {
        let mut room = sheet();
        let first = room.place(90.0, 60.0, 2.0, From::TopLeft, true).unwrap();
        let second = room.place(90.0, 60.0, 2.0, From::TopLeft, true).unwrap();
        assert!((first.x - 12.0).abs() < 1e-9);
        assert!(first.y - second.y >= 60.0 + 2.0);
        assert!(room.place(90.0, 60.0, 2.0, From::TopLeft, true).is_none());
        assert!(room.place(120.0, 10.0, 0.0, From::TopLeft, true).is_none());
    }

    #[test]
    fn places_outside_a_piece_are_preferred() {
        let mut room = sheet();
        let outline = vec![
            Point2::new(0.0, 60.0),
            Point2::new(200.0, 60.0),
            Point2::new(200.0, 200.0),
            Point2::new(0.0, 200.0),
        ];
        room.enclose(&[outline]);
        let outside = room.place(50.0, 30.0, 1.0, From::TopLeft, true).unwrap();
        assert!(outside.y + 30.0 < 60.0);
        assert!(room.place(50.0, 35.0, 1.0, From::TopLeft, false).is_none());
        assert!(room.place(50.0, 35.0, 1.0, From::TopLeft, true).is_some());
    }
}
