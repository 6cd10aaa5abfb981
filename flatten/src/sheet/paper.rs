//! What is printed on, and how.

use std::{fmt, str::FromStr};

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::SheetError;
use crate::units::{Unit, parse_length, trimmed};

/// A page may not be longer than this, mm: 14 400 units of 1/72 in (ISO 32000-1, Annex C.2).
pub(super) const LONGEST_PAGE_MM: f64 = 5080.0;

/// A kind of paper.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(try_from = "String", into = "String")]
#[schemars(with = "String")]
pub enum Paper {
    /// 215.9 × 279.4 mm, size A of ANSI/ASME Y14.1.
    Letter,
    /// 215.9 × 355.6 mm (8.5 × 14 in; common practice, no standard names it).
    Legal,
    /// 279.4 × 431.8 mm, size B of ANSI/ASME Y14.1.
    Tabloid,
    /// 210 × 297 mm, ISO 216.
    A4,
    /// 297 × 420 mm, ISO 216.
    A3,
    /// Any other sheet, mm.
    Custom {
        /// Short edge.
        width_mm: f64,
        /// Long edge.
        height_mm: f64,
    },
    /// A roll of a width, cut where the drawing ends.
    Roll {
        /// Across the roll, mm.
        width_mm: f64,
    },
}

impl Paper {
    /// Short and long edge, mm; a roll's long edge is the longest page there can be.
    #[must_use]
    pub fn size_mm(self) -> [f64; 2] {
        match self {
            Self::Letter => [215.9, 279.4],
            Self::Legal => [215.9, 355.6],
            Self::Tabloid => [279.4, 431.8],
            Self::A4 => [210.0, 297.0],
            Self::A3 => [297.0, 420.0],
            Self::Custom {
                width_mm,
                height_mm,
            } => [width_mm.min(height_mm), width_mm.max(height_mm)],
            Self::Roll { width_mm } => [width_mm, LONGEST_PAGE_MM],
        }
    }

    /// Whether it is a roll.
    #[must_use]
    pub fn is_roll(self) -> bool {
        matches!(self, Self::Roll { .. })
    }
}

impl fmt::Display for Paper {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Letter => f.write_str("letter"),
            Self::Legal => f.write_str("legal"),
            Self::Tabloid => f.write_str("tabloid"),
            Self::A4 => f.write_str("A4"),
            Self::A3 => f.write_str("A3"),
            Self::Custom {
                width_mm,
                height_mm,
            } => write!(f, "{}x{}", trimmed(*width_mm, 3), trimmed(*height_mm, 3)),
            Self::Roll { width_mm } => write!(f, "roll:{}", trimmed(*width_mm, 3)),
        }
    }
}

impl From<Paper> for String {
    fn from(paper: Paper) -> Self {
        paper.to_string()
    }
}

impl TryFrom<String> for Paper {
    type Error = SheetError;

    fn try_from(text: String) -> Result<Self, SheetError> {
        text.parse()
    }
}

impl FromStr for Paper {
    type Err = SheetError;

    /// `letter`, `legal`, `tabloid`, `A4`, `A3`, `300x400` (mm, or with units: `18inx24in`), `roll:610`.
    fn from_str(text: &str) -> Result<Self, SheetError> {
        let wrong = || SheetError::Paper {
            found: text.to_owned(),
        };
        let length = |part: &str| {
            let mm = parse_length(part.trim(), Some(Unit::Millimetre)).map_err(|_| wrong())?;
            if mm.is_finite() && mm > 0.0 {
                Ok(mm)
            } else {
                Err(wrong())
            }
        };
        let lower = text.trim().to_lowercase();
        Ok(match lower.as_str() {
            "letter" => Self::Letter,
            "legal" => Self::Legal,
            "tabloid" => Self::Tabloid,
            "a4" => Self::A4,
            "a3" => Self::A3,
            other => {
                if let Some(width) = other.strip_prefix("roll:") {
                    Self::Roll {
                        width_mm: length(width)?,
                    }
                } else {
                    let (width, height) = other.split_once(['x', '×']).ok_or_else(wrong)?;
                    Self::Custom {
                        width_mm: length(width)?,
                        height_mm: length(height)?,
                    }
                }
            }
        })
    }
}

/// Which way round a sheet is used.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Orientation {
    /// Whichever needs fewer sheets; upright when equal.
    #[default]
    Fewest,
    /// Upright.
    Portrait,
    /// Lying.
    Landscape,
}

/// How a pattern is printed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SheetOptions {
    /// On what.
    pub paper: Paper,
    /// Which way round.
    pub orientation: Orientation,
    /// Left free at every edge, mm. Desktop printers leave 4 to 6 mm blank (from memory); 12 mm is
    /// common practice, no source.
    pub margin_mm: f64,
    /// Shared by neighbouring sheets, mm (10 to 15 is common practice, no source).
    pub overlap_mm: f64,
    /// What the printer makes of 100 mm, along the paper's short edge and along its long edge, mm.
    pub measured_mm: [f64; 2],
    /// Whether pieces may be turned to save a sheet.
    pub turn_pieces: bool,
}

impl Default for SheetOptions {
    fn default() -> Self {
        Self {
            paper: Paper::Letter,
            orientation: Orientation::Fewest,
            margin_mm: 12.0,
            overlap_mm: 12.0,
            measured_mm: [100.0, 100.0],
            turn_pieces: true,
        }
    }
}

/// One side of the paper, ready to be drawn on: everything inside it is in true millimetres.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Stock {
    pub(super) page_mm: [f64; 2],
    pub(super) landscape: bool,
    pub(super) roll: bool,
    pub(super) margin_mm: f64,
    /// Drawn millimetres for a true one, across and up the page.
    pub(super) scale: [f64; 2],
}

impl Stock {
    pub(super) fn new(options: &SheetOptions, landscape: bool) -> Self {
        let [short, long] = options.paper.size_mm();
        let [along_short, along_long] = options.measured_mm.map(|mm| 100.0 / mm);
        let (page_mm, scale) = if landscape {
            ([long, short], [along_long, along_short])
        } else {
            ([short, long], [along_short, along_long])
        };
        Self {
            page_mm,
            landscape,
            roll: options.paper.is_roll(),
            margin_mm: options.margin_mm,
            scale,
        }
    }

    /// Room inside the margins in true millimetres: what the printer will put on the paper.
    pub(super) fn room_mm(&self) -> [f64; 2] {
        [0, 1].map(|axis| (self.page_mm[axis] - 2.0 * self.margin_mm) / self.scale[axis])
    }
}

/// Least room inside the margins, mm, short and long: a 100 mm square with its words must fit.
const LEAST_ROOM_MM: [f64; 2] = [125.0, 160.0];
/// A printer farther off than this is not shrinking but fitting to the page.
const MEASURED_MM: [f64; 2] = [90.0, 110.0];
/// Less overlap leaves no room for the neighbour's label; more wastes half of a sheet.
const OVERLAP_MM: [f64; 2] = [8.0, 40.0];

impl SheetOptions {
    /// The ways round that are allowed.
    pub(super) fn stocks(&self) -> Vec<Stock> {
        let upright = Stock::new(self, false);
        let lying = Stock::new(self, true);
        if self.paper.is_roll() {
            return vec![upright];
        }
        match self.orientation {
            Orientation::Portrait => vec![upright],
            Orientation::Landscape => vec![lying],
            Orientation::Fewest => vec![upright, lying],
        }
    }

    /// Checks that a sheet can be drawn at all.
    pub(super) fn check(&self) -> Result<(), SheetError> {
        for (axis, mm) in ["short", "long"].iter().zip(self.measured_mm) {
            if !(MEASURED_MM[0]..=MEASURED_MM[1]).contains(&mm) {
                return Err(SheetError::Measured { axis, mm });
            }
        }
        if !(OVERLAP_MM[0]..=OVERLAP_MM[1]).contains(&self.overlap_mm) {
            return Err(SheetError::Overlap {
                mm: self.overlap_mm,
            });
        }
        if !(0.0..=50.0).contains(&self.margin_mm) {
            return Err(SheetError::Margin { mm: self.margin_mm });
        }
        let room = Stock::new(self, false).room_mm();
        let page = self.paper.size_mm();
        if !(room[0] >= LEAST_ROOM_MM[0] && room[1] >= LEAST_ROOM_MM[1])
            || page[1] > LONGEST_PAGE_MM
        {
            return Err(SheetError::Room {
                width_mm: room[0],
                height_mm: room[1],
            });
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn papers_are_read_and_written_the_same() {
        for name in [
            "letter", "legal", "tabloid", "A4", "A3", "300x400", "roll:610",
        ] {
            let paper: Paper = name.parse().unwrap();
            assert_eq!(paper.to_string(), name);
        }
        let inches: Paper = "18inx24in".parse().unwrap();
        let [short, long] = inches.size_mm();
        assert!((short - 457.2).abs() < 1e-9 && (long - 609.6).abs() < 1e-9);
        for wrong in ["", "a5x", "0x100", "roll:", "roll:-4", "x", "letterhead"] {
            assert!(wrong.parse::<Paper>().is_err(), "{wrong}");
        }
    }

    #[test]
    fn a_printer_that_shrinks_gets_less_room() {
        let options = SheetOptions {
            measured_mm: [98.0, 99.0],
            ..SheetOptions::default()
        };
        let upright = Stock::new(&options, false).room_mm();
        assert!((upright[0] - (215.9 - 24.0) * 0.98).abs() < 1e-9);
        assert!((upright[1] - (279.4 - 24.0) * 0.99).abs() < 1e-9);
        // The correction belongs to the paper's edges, whichever way round the sheet is read.
        let lying = Stock::new(&options, true).room_mm();
        assert!((lying[0] - upright[1]).abs() < 1e-9 && (lying[1] - upright[0]).abs() < 1e-9);
    }

    #[test]
    fn impossible_settings_are_refused() {
        let with = |change: fn(&mut SheetOptions)| {
            let mut options = SheetOptions::default();
            change(&mut options);
            options.check()
        };
        assert!(with(|_| ()).is_ok());
        assert!(with(|o| o.measured_mm = [85.0, 100.0]).is_err());
        assert!(with(|o| o.measured_mm = [f64::NAN, 100.0]).is_err());
        assert!(with(|o| o.overlap_mm = 2.0).is_err());
        assert!(with(|o| o.margin_mm = -1.0).is_err());
        assert!(with(|o| o.paper = Paper::Roll { width_mm: 100.0 }).is_err());
        let small = Paper::Custom {
            width_mm: 100.0,
            height_mm: 100.0,
        };
        let options = SheetOptions {
            paper: small,
            ..SheetOptions::default()
        };
        assert!(matches!(options.check(), Err(SheetError::Room { .. })));
    }
}
