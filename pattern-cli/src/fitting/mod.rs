//! The fitting file: one client's order of one base, in TOML.
//!
//! In: the text. Out: a [`Fitting`] in which every number is possible by itself and every length is
//! in millimetres; points stay in the scan's own coordinates until the scan's unit is known. Or all
//! that is wrong with it, each with its line. Nothing but the file itself is opened here.

mod problem;
mod read;
mod section;

mod write;

#[cfg(test)]
mod tests;

pub mod material;

use std::path::{Path, PathBuf};

use flatten::{
    job::Material,
    piece::{Allowance, Grain, hair::HairPlan, stock},
    sheet::SheetOptions,
    tape::Readings,
    units::Unit,
};

use crate::text_file::{self, Unread};

pub use flatten::trace::Landmark;
pub use problem::{Problem, Problems};

/// One client's order of one base.
#[derive(Debug, Clone, PartialEq)]
pub struct Fitting {
    /// Client number.
    pub client: String,
    /// Date as the maker wrote it; nothing is printed when there is none.
    pub date: Option<String>,
    /// False until a person has checked what the program proposed.
    pub confirmed: bool,
    /// Unit of the lengths in the file; the print leads with it.
    pub unit: Unit,
    /// The scan, if there is one.
    pub mold: Mold,
    /// Landmarks on the scan, in its own coordinates and unit.
    pub landmarks: Option<Landmarks>,
    /// Where the base ends.
    pub perimeter: Perimeter,
    /// Openings, points in the scan's own coordinates and unit.
    pub openings: Vec<Vec<[f64; 3]>>,
    /// Places to leave alone.
    pub keep_clear: Vec<Clear>,
    /// Tape readings, mm.
    pub tape: Readings,
    /// What the base is made of.
    pub material: Material,
    /// Margins.
    pub allowance: Allowance,
    /// Where strain is let out.
    pub darts: Darts,
    /// Lay of the material.
    pub grain: Grain,
    /// What the material is sold as, where that is known.
    pub stock: Option<stock::Stock>,
    /// What is to be knotted, if the shop says so.
    pub hair: Option<Hair>,
    /// How it is printed.
    pub sheet: SheetOptions,
}

/// What is to be knotted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Hair {
    /// Density for zones without their own, lengths and thickness.
    pub plan: HairPlan,
    /// Density of each zone, hairs/cm², in the order of [`flatten::piece::hair::HairZone::ALL`].
    pub zones: [Option<f64>; 4],
}

/// The mold's scan.
#[derive(Debug, Clone, PartialEq)]
pub struct Mold {
    /// Path as written, relative to the fitting; none: the head is built from the tape readings.
    pub scan: Option<PathBuf>,
    /// Unit of the scan's coordinates; none: settled from the girth.
    pub unit: Option<Unit>,
    /// How far outside (+) or inside (−) the scanned face the base lies, mm.
    pub offset_mm: f64,
}

/// Landmarks in the scan's own coordinates and unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Landmarks {
    /// Centre of the front hairline.
    pub front: [f64; 3],
    /// Centre of the nape hairline.
    pub nape: [f64; 3],
    /// Where the scalp meets the top of the client's left ear.
    pub left_ear: [f64; 3],
    /// Where the scalp meets the top of the client's right ear.
    pub right_ear: [f64; 3],
    /// Top of the head; none: the point farthest up the head axis.
    pub crown: Option<[f64; 3]>,
}

/// Where the base ends.
#[derive(Debug, Clone, PartialEq)]
pub enum Perimeter {
    /// Points in order round the head, in the scan's own coordinates and unit.
    Points(Vec<[f64; 3]>),
    /// The pen line on the scan.
    Pen,
    /// Tape from the crown to the hairline in twelve directions, mm: 12 at the front first, then 1,
    /// 2, 3 at the client's right, and so on as on a clock seen from above.
    Clock([f64; 12]),
    /// The hairline of the head form; only without a scan.
    Form,
}

/// A place where nothing is cut, sewn or clipped.
#[derive(Debug, Clone, PartialEq)]
pub struct Clear {
    /// Centre, in the scan's own coordinates and unit.
    pub centre: [f64; 3],
    /// Radius along the surface, mm.
    pub radius_mm: f64,
    /// What is there.
    pub reason: String,
}

/// Where strain is let out.
#[derive(Debug, Clone, PartialEq)]
pub enum Darts {
    /// No darts.
    None,
    /// So many, evenly spread.
    Even(usize),
    /// As few as meet the limit, at most so many.
    Auto(usize),
    /// As listed.
    Given {
        /// Darts in sewing order.
        darts: Vec<Dart>,
        /// Seams in sewing order: points in the scan's own coordinates and unit.
        seams: Vec<Vec<[f64; 3]>>,
    },
}

/// A dart as listed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Dart {
    /// Where counting starts.
    pub from: flatten::dart::Anchor,
    /// Mouth along the edge from there, mm.
    pub along_mm: f64,
    /// Length along the surface, mm.
    pub depth_mm: f64,
    /// Direction.
    pub towards: Towards,
}

/// Direction of a listed dart.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Towards {
    /// Square to the edge.
    Inward,
    /// Turned from square to the edge, radians.
    Turned(f64),
    /// To a landmark.
    Landmark(Landmark),
    /// To a point in the scan's own coordinates and unit.
    Point([f64; 3]),
}

/// Why a fitting can't be used.
#[derive(Debug, thiserror::Error)]
pub enum FittingError {
    /// It can't be read at all.
    #[error("can't read the fitting {}: {why}", path.display())]
    Unreadable {
        /// The file.
        path: PathBuf,
        /// The system's words.
        why: std::io::Error,
    },
    /// Nobody writes a fitting of this size; a scan was given by mistake.
    #[error(
        "{} is {megabytes} MB, too large for a fitting; is it a scan? name the scan in a fitting's [mold]",
        path.display()
    )]
    TooLarge {
        /// The file.
        path: PathBuf,
        /// Its size.
        megabytes: u64,
    },
    /// Not text.
    #[error("{} is not a text file; a fitting is TOML in UTF-8", path.display())]
    NotText {
        /// The file.
        path: PathBuf,
    },
    /// Text with mistakes.
    #[error("{0}")]
    Problems(Box<Problems>),
}

/// Largest fitting that is read, bytes. A perimeter of 10 000 points takes about half a megabyte.
const LARGEST: u64 = 8 << 20;

impl Fitting {
    /// Reads and checks a fitting.
    ///
    /// # Errors
    /// [`FittingError`]: the file can't be read, or what is wrong in it.
    pub fn read(path: &Path) -> Result<Self, FittingError> {
        let bytes = text_file::read(path, LARGEST).map_err(|why| match why {
            Unread::System(why) => FittingError::Unreadable {
                path: path.into(),
                why,
            },
            Unread::TooLarge(size) => FittingError::TooLarge {
                path: path.into(),
                megabytes: size >> 20,
            },
        })?;
        let text =
            String::from_utf8(bytes).map_err(|_| FittingError::NotText { path: path.into() })?;
        Self::parse(path, &text)
    }

    /// Checks the text of a fitting; `path` is what it is called in messages.
    ///
    /// # Errors
    /// [`FittingError::Problems`].
    pub fn parse(path: &Path, text: &str) -> Result<Self, FittingError> {
        // Some editors put a byte order mark first.
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        read::fitting(text).map_err(|list| {
            FittingError::Problems(Box::new(Problems::new(path.into(), text.into(), list)))
        })
    }
}
