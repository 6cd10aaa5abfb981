//! Pieces laid on the stock: length to order and waste.
//!
//! # Method
//! Shelves, tallest piece first (next-fit decreasing height with look-back: Coffman, Garey, Johnson
//! & Tarjan 1980, "first-fit decreasing height"). Pieces keep the grain along the stock and are not
//! turned over; a half turn changes nothing here because rectangles are laid. A handful of pieces
//! is all there ever is, so nothing cleverer pays.

use super::{Grain, Piece};
use crate::{Point2, Vector2, plane::turned};

/// Room left between pieces, mm: a hand cutter's. Common practice, no source.
pub const BETWEEN_MM: f64 = 10.0;

/// What the material is sold as.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stock {
    /// Width across the grain, mm.
    pub width_mm: f64,
    /// Length of a sheet along the grain, mm; none: from the roll.
    pub length_mm: Option<f64>,
}

/// Where a piece lies on the stock: lower left corner of its rectangle.
#[derive(Debug, Clone, PartialEq)]
pub struct Laid {
    /// The piece.
    pub id: String,
    /// Sheet, from 0; a roll is one.
    pub sheet: usize,
    /// Across the stock, mm.
    pub x_mm: f64,
    /// Along the stock, mm.
    pub y_mm: f64,
    /// Across the stock, mm.
    pub width_mm: f64,
    /// Along the stock, mm.
    pub height_mm: f64,
    /// Turn of the piece from how it is drawn, radians, counter-clockwise.
    pub turn_rad: f64,
}

/// All pieces on the stock.
#[derive(Debug, Clone, PartialEq)]
pub struct Lay {
    /// The stock.
    pub stock: Stock,
    /// Places, tallest first.
    pub laid: Vec<Laid>,
    /// Length to order, mm: of the roll, or of all sheets together.
    pub length_mm: f64,
    /// Sheets to order; 1 for a roll.
    pub sheets: usize,
    /// Part of the ordered area that no piece covers, 0 to 1.
    pub waste: f64,
}

/// Why pieces can't be laid.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LayError {
    /// A piece is wider than the stock.
    #[error(
        "piece {id} is {width_mm:.0} mm across the grain and the stock {stock_mm:.0} mm; use wider stock, another grain or a seam"
    )]
    TooWide {
        /// The piece.
        id: String,
        /// Its width across the grain, mm.
        width_mm: f64,
        /// Width of the stock, mm.
        stock_mm: f64,
    },
    /// A piece is longer than a sheet of the stock.
    #[error(
        "piece {id} is {height_mm:.0} mm along the grain and a sheet of the stock {stock_mm:.0} mm; use longer sheets, another grain or a seam"
    )]
    TooLong {
        /// The piece.
        id: String,
        /// Its length along the grain, mm.
        height_mm: f64,
        /// Length of a sheet, mm.
        stock_mm: f64,
    },
}

/// How far a piece is turned so that its grain lies along the stock, radians. Material alike in every
/// direction may turn a quarter, so its narrower side goes across.
#[must_use]
pub fn turn_rad(piece: &Piece) -> f64 {
    use std::f64::consts::{FRAC_PI_2, FRAC_PI_4};
    match piece.grain {
        Grain::FrontBack => 0.0,
        Grain::Across => FRAC_PI_2,
        Grain::Bias => FRAC_PI_4,
        Grain::Any => {
            let [low, high] = bounds(piece, 0.0);
            let size = high - low;
            if size.x > size.y { FRAC_PI_2 } else { 0.0 }
        }
    }
}

/// Lower left and upper right of a piece's cut line when it is turned.
fn bounds(piece: &Piece, turn: f64) -> [Vector2; 2] {
    let mut low = Vector2::repeat(f64::INFINITY);
    let mut high = Vector2::repeat(f64::NEG_INFINITY);
    for p in &piece.cut_line_mm {
        let q = turned(p.coords, turn);
        low = low.inf(&q);
        high = high.sup(&q);
    }
    [low, high]
}

/// Extent of a piece across and along its grain, mm.
#[must_use]
pub fn extent(piece: &Piece) -> (f64, f64) {
    let [low, high] = bounds(piece, turn_rad(piece));
    let size = high - low;
    (size.x, size.y)
}

impl Laid {
    /// The piece's cut line where it lies: across and along the stock, mm.
    #[must_use]
    pub fn outline(&self, piece: &Piece) -> Vec<Point2> {
        let [low, _] = bounds(piece, self.turn_rad);
        let shift = Vector2::new(self.x_mm, self.y_mm) - low;
        let points = piece.cut_line_mm.iter();
        points
            .map(|p| Point2::from(turned(p.coords, self.turn_rad) + shift))
            .collect()
    }
}

/// A strip across the stock that pieces stand on.
struct Shelf {
    sheet: usize,
    y_mm: f64,
    height_mm: f64,
    taken_mm: f64,
}

/// Lays pieces on stock.
///
/// # Errors
/// [`LayError`] when a piece does not fit across, or along a sheet.
pub fn lay(pieces: &[Piece], stock: Stock) -> Result<Lay, LayError> {
    let mut order: Vec<(&Piece, f64, f64)> = pieces
        .iter()
        .map(|piece| {
            let (width, height) = extent(piece);
            (piece, width, height)
        })
        .collect();
    order.sort_by(|a, b| b.2.total_cmp(&a.2).then_with(|| a.0.id.cmp(&b.0.id)));
    let mut shelves: Vec<Shelf> = Vec::new();
    let mut laid = Vec::new();
    for (piece, width_mm, height_mm) in order {
        fits(piece, width_mm, height_mm, stock)?;
        let free = shelves
            .iter()
            .position(|shelf| shelf.taken_mm + width_mm <= stock.width_mm);
        let shelf = free.unwrap_or_else(|| {
            shelves.push(next_shelf(shelves.last(), height_mm, stock));
            shelves.len() - 1
        });
        let shelf = &mut shelves[shelf];
        laid.push(Laid {
            id: piece.id.clone(),
            sheet: shelf.sheet,
            x_mm: shelf.taken_mm,
            y_mm: shelf.y_mm,
            width_mm,
            height_mm,
            turn_rad: turn_rad(piece),
        });
        shelf.taken_mm += width_mm + BETWEEN_MM;
    }
    let sheets = shelves.last().map_or(0, |shelf| shelf.sheet + 1);
    let used_mm = shelves
        .last()
        .map_or(0.0, |shelf| shelf.y_mm + shelf.height_mm);
    #[expect(clippy::cast_precision_loss, reason = "a few sheets")]
    let length_mm = stock
        .length_mm
        .map_or(used_mm, |length| length * sheets as f64);
    let covered: f64 = pieces.iter().map(|piece| piece.measured.cut_area_mm2).sum();
    let ordered = stock.width_mm * length_mm;
    let waste = if ordered > 0.0 {
        1.0 - covered / ordered
    } else {
        0.0
    };
    Ok(Lay {
        stock,
        laid,
        length_mm,
        sheets,
        waste,
    })
}

fn fits(piece: &Piece, width_mm: f64, height_mm: f64, stock: Stock) -> Result<(), LayError> {
    if width_mm > stock.width_mm {
        return Err(LayError::TooWide {
            id: piece.id.clone(),
            width_mm,
            stock_mm: stock.width_mm,
        });
    }
    match stock.length_mm {
        Some(stock_mm) if height_mm > stock_mm => Err(LayError::TooLong {
            id: piece.id.clone(),
            height_mm,
            stock_mm,
        }),
        _ => Ok(()),
    }
}

/// A shelf above the last one, or at the foot of the next sheet.
fn next_shelf(last: Option<&Shelf>, height_mm: f64, stock: Stock) -> Shelf {
    let (sheet, y_mm) = last.map_or((0, 0.0), |shelf| {
        let above = shelf.y_mm + shelf.height_mm + BETWEEN_MM;
        match stock.length_mm {
            Some(length) if above + height_mm > length => (shelf.sheet + 1, 0.0),
            _ => (shelf.sheet, above),
        }
    });
    Shelf {
        sheet,
        y_mm,
        height_mm,
        taken_mm: 0.0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rectangle(id: &str, width: f64, height: f64, grain: Grain) -> Piece {
        let corners = [[0.0, 0.0], [width, 0.0], [width, height], [0.0, height]];
        let mut piece = Piece {
            id: id.into(),
            grain,
            cut_line_mm: corners.map(|[x, y]| Point2::new(x, y)).to_vec(),
            ..crate::piece::types::blank()
        };
        piece.measured.cut_area_mm2 = width * height;
        piece
    }

    #[test]
    fn a_roll_is_filled_shelf_by_shelf() {
        let piece = |id, w, h| rectangle(id, w, h, Grain::FrontBack);
        let pieces = [
            piece("A", 400.0, 300.0),
            piece("B", 180.0, 200.0),
            piece("C", 300.0, 100.0),
        ];
        let roll = Stock {
            width_mm: 600.0,
            length_mm: None,
        };
        let lay = lay(&pieces, roll).unwrap();
        // A and B stand side by side, C above them.
        assert!((lay.length_mm - 410.0).abs() < 1e-9);
        assert_eq!(lay.sheets, 1);
        let covered = 400.0 * 300.0 + 180.0 * 200.0 + 300.0 * 100.0;
        assert!((lay.waste - (1.0 - covered / (600.0 * 410.0))).abs() < 1e-12);
        for (i, a) in lay.laid.iter().enumerate() {
            assert!(a.x_mm + a.width_mm <= 600.0);
            for b in &lay.laid[..i] {
                let apart = |at: f64, size: f64, other: f64, its: f64| {
                    at >= other + its + BETWEEN_MM - 1e-9 || other >= at + size + BETWEEN_MM - 1e-9
                };
                assert!(
                    apart(a.x_mm, a.width_mm, b.x_mm, b.width_mm)
                        || apart(a.y_mm, a.height_mm, b.y_mm, b.height_mm)
                );
            }
        }
    }

    #[test]
    fn sheets_are_counted_and_what_fits_none_is_refused() {
        let piece = |id, w, h| rectangle(id, w, h, Grain::FrontBack);
        let sheet = Stock {
            width_mm: 300.0,
            length_mm: Some(400.0),
        };
        let two = lay(&[piece("A", 250.0, 300.0), piece("B", 250.0, 200.0)], sheet).unwrap();
        assert_eq!((two.sheets, two.laid[1].sheet), (2, 1));
        assert!((two.length_mm - 800.0).abs() < 1e-9);
        let wide = lay(&[piece("A", 350.0, 100.0)], sheet);
        assert!(matches!(wide, Err(LayError::TooWide { .. })), "{wide:?}");
        let long = lay(&[piece("A", 100.0, 450.0)], sheet);
        assert!(matches!(long, Err(LayError::TooLong { .. })), "{long:?}");
    }

    #[test]
    fn the_grain_lies_along_the_stock() {
        let roll = Stock {
            width_mm: 600.0,
            length_mm: None,
        };
        for (grain, width, height) in [
            (Grain::FrontBack, 500.0, 300.0),
            (Grain::Across, 300.0, 500.0),
            (Grain::Any, 300.0, 500.0),
            (Grain::Bias, 800.0 / 2f64.sqrt(), 800.0 / 2f64.sqrt()),
        ] {
            let piece = rectangle("A", 500.0, 300.0, grain);
            let lay = lay(std::slice::from_ref(&piece), roll).unwrap();
            let laid = &lay.laid[0];
            assert!((laid.width_mm - width).abs() < 1e-9, "{grain:?} {laid:?}");
            assert!((laid.height_mm - height).abs() < 1e-9, "{grain:?} {laid:?}");
            let outline = laid.outline(&piece);
            assert!(outline.iter().all(|p| p.x > -1e-9 && p.y > -1e-9));
        }
    }
}
