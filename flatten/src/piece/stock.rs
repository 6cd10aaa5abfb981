//! Pieces laid on the stock: length to order and waste.
//!
//! # Method
//! Shelves, tallest piece first (next-fit decreasing height with look-back: Coffman, Garey, Johnson
//! & Tarjan 1980, "first-fit decreasing height"). Pieces keep the grain along the roll and are not
//! turned over; a half turn changes nothing here because rectangles are laid. A handful of pieces
//! is all there ever is, so nothing cleverer pays.

use super::{Grain, Piece};
use crate::plane::turned;

/// Room left between pieces, mm: a hand cutter's. Common practice, no source.
pub const BETWEEN_MM: f64 = 10.0;

/// Where a piece lies on the roll: lower left corner of its rectangle.
#[derive(Debug, Clone, PartialEq)]
pub struct Laid {
    /// The piece.
    pub id: String,
    /// Across the roll, mm.
    pub x_mm: f64,
    /// Along the roll, mm.
    pub y_mm: f64,
    /// Across the roll, mm.
    pub width_mm: f64,
    /// Along the roll, mm.
    pub height_mm: f64,
}

/// All pieces on the roll.
#[derive(Debug, Clone, PartialEq)]
pub struct Lay {
    /// Width of the stock, mm.
    pub stock_mm: f64,
    /// Places, tallest first.
    pub laid: Vec<Laid>,
    /// Length to order, mm.
    pub length_mm: f64,
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
}

/// Extent of a piece across and along its grain, mm. Material alike in every direction may turn a
/// quarter, so its narrower side goes across.
#[must_use]
pub fn extent(piece: &Piece) -> (f64, f64) {
    let turn = match piece.grain {
        Grain::FrontBack | Grain::Any => 0.0,
        Grain::Across => std::f64::consts::FRAC_PI_2,
        Grain::Bias => std::f64::consts::FRAC_PI_4,
    };
    let mut low = crate::Vector2::repeat(f64::INFINITY);
    let mut high = crate::Vector2::repeat(f64::NEG_INFINITY);
    for p in &piece.cut_line_mm {
        let q = turned(p.coords, turn);
        low = low.inf(&q);
        high = high.sup(&q);
    }
    let size = high - low;
    match piece.grain {
        Grain::Any if size.x > size.y => (size.y, size.x),
        _ => (size.x, size.y),
    }
}

/// Lays pieces on stock of a width.
///
/// # Errors
/// [`LayError::TooWide`] when a piece does not fit across.
pub fn lay(pieces: &[Piece], stock_mm: f64) -> Result<Lay, LayError> {
    let mut order: Vec<(&Piece, f64, f64)> = pieces
        .iter()
        .map(|piece| {
            let (width, height) = extent(piece);
            (piece, width, height)
        })
        .collect();
    order.sort_by(|a, b| b.2.total_cmp(&a.2).then_with(|| a.0.id.cmp(&b.0.id)));
    // Each shelf: how far along the roll it starts, and how much of its width is taken.
    let mut shelves: Vec<(f64, f64)> = Vec::new();
    let (mut laid, mut length_mm) = (Vec::new(), 0.0_f64);
    for (piece, width_mm, height_mm) in order {
        if width_mm > stock_mm {
            return Err(LayError::TooWide {
                id: piece.id.clone(),
                width_mm,
                stock_mm,
            });
        }
        let free = shelves
            .iter()
            .position(|(_, taken)| taken + width_mm <= stock_mm);
        let shelf = free.unwrap_or_else(|| {
            let start = if shelves.is_empty() {
                0.0
            } else {
                length_mm + BETWEEN_MM
            };
            shelves.push((start, 0.0));
            shelves.len() - 1
        });
        let (y_mm, taken) = shelves[shelf];
        laid.push(Laid {
            id: piece.id.clone(),
            x_mm: taken,
            y_mm,
            width_mm,
            height_mm,
        });
        shelves[shelf].1 = taken + width_mm + BETWEEN_MM;
        length_mm = length_mm.max(y_mm + height_mm);
    }
    let covered: f64 = pieces.iter().map(|piece| piece.measured.cut_area_mm2).sum();
    let ordered = stock_mm * length_mm;
    let waste = if ordered > 0.0 {
        1.0 - covered / ordered
    } else {
        0.0
    };
    Ok(Lay {
        stock_mm,
        laid,
        length_mm,
        waste,
    })
}
