//! `pattern.json`: everything computed about one pattern, and enough to print it again.
//!
//! Names are fixed: other programs rely on them. Units stand in the names. Nothing here changes from
//! run to run or with the number of threads, except `timings_ms`, which is only there on request.
//! Numbers are rounded to what can be cut ([`round`]), so that the last bits of a processor's
//! arithmetic do not show, and the printed sheets are drawn from the rounded numbers: printing again
//! from the file gives the same bytes.

mod build;
mod change;
mod need;

pub use change::{Change, LikeError, Pair, Shift, layout_like};
pub use need::{HairUsed, LaidUsed, Need, StockUsed, ZoneUsed};

use std::collections::BTreeMap;

use flatten::{piece::Piece, sheet::SheetOptions, tape::TapePath};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::Value;

/// What a key of the record is called: a tape as the tape page calls it, all else by its words.
#[must_use]
pub fn in_words(key: &str) -> String {
    TapePath::from_key(key).map_or_else(|| key.replace('_', " "), |path| path.name().to_owned())
}

/// Version of the format.
pub const FORMAT: u32 = 1;

/// One pattern with all its numbers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[schemars(title = "Pattern of a custom hair base")]
pub struct Record {
    /// Version of this format: 1.
    pub format: u32,
    /// Client number.
    pub client: String,
    /// Date as the fitting gives it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub date: Option<String>,
    /// Unit that print leads with: `mm` or `in`.
    pub units: String,
    /// False while something that the program proposed waits for a person's check.
    pub confirmed: bool,
    /// Where the head came from.
    pub mold: Mold,
    /// The part of the head that the base covers.
    pub surface: Surface,
    /// What the base is made of.
    pub material: MaterialUsed,
    /// Darts and seams.
    pub layout: LayoutUsed,
    /// How much the material must give.
    pub strain: Strain,
    /// How well the sewn base fits.
    pub fit: Fit,
    /// Tape readings, the same paths on the mold, and on the sewn base.
    pub tapes: Vec<Tape>,
    /// Landmarks and perimeter, to compare a later mold with.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub head: Option<HeadUsed>,
    /// What the base takes of cloth, ribbon and hair.
    #[serde(default)]
    pub need: Need,
    /// What is different from the earlier pattern whose layout was kept, where one was.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub change: Option<Change>,
    /// What is cut.
    pub pieces: Vec<Piece>,
    /// How it was printed.
    pub sheets: Sheets,
    /// What to beware of, gravest first.
    pub warnings: Vec<String>,
    /// What was done to the scan and decided on the way.
    pub notes: Vec<String>,
    /// Milliseconds by step; empty unless asked for.
    pub timings_ms: BTreeMap<String, f64>,
}

/// Where the head came from.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Mold {
    /// File name of the scan; none: a head form built from readings.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scan: Option<String>,
    /// Unit of the scan's coordinates.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scan_units: Option<String>,
    /// Girth of the scan in that unit, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub girth_mm: Option<f64>,
    /// How far outside (+) or inside (−) the scanned face the base lies, mm.
    pub offset_mm: f64,
}

/// Landmarks and perimeter in the scan's own coordinates, mm.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct HeadUsed {
    /// Centre of the front hairline.
    pub front_mm: [f64; 3],
    /// Centre of the nape hairline.
    pub nape_mm: [f64; 3],
    /// Top of the client's left ear.
    pub left_ear_mm: [f64; 3],
    /// Top of the client's right ear.
    pub right_ear_mm: [f64; 3],
    /// Top of the head.
    pub crown_mm: [f64; 3],
    /// Points of the finished perimeter in order, about 2 mm apart.
    pub perimeter_mm: Vec<[f64; 3]>,
}

/// The part of the head that the base covers.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Surface {
    /// Area on the head, mm².
    pub area_mm2: f64,
    /// Length of the perimeter on the head, mm.
    pub perimeter_mm: f64,
    /// Length of the openings' edges on the head, mm.
    pub openings_mm: f64,
    /// Total curvature, which darts have to take up, degrees.
    pub total_curvature_deg: f64,
    /// Vertices of its mesh.
    pub vertices: usize,
    /// Triangles of its mesh.
    pub triangles: usize,
}

/// What the base is made of.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct MaterialUsed {
    /// Its name.
    pub name: String,
    /// Strain it takes without puckering or pulling.
    pub limit: f64,
    /// Resistance to being stretched, relative.
    pub tension: f64,
    /// Resistance to being crowded, relative.
    pub crowding: f64,
}

/// Darts and seams.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct LayoutUsed {
    /// Name of the layout.
    pub name: String,
    /// Darts in sewing order.
    pub darts: Vec<DartUsed>,
    /// Seams in sewing order.
    pub seams: Vec<SeamUsed>,
    /// What is to be sewn in all: one leg of each dart and one side of each seam, mm.
    pub seam_length_mm: f64,
}

/// A dart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct DartUsed {
    /// `D1`, `D2`, … in sewing order.
    pub id: String,
    /// Landmark on the edge where counting starts: `front`, `nape`, `left_ear`, `right_ear`, `opening:1`.
    pub from: String,
    /// Mouth along the edge from there, mm.
    pub along_mm: f64,
    /// Length along the head, mm.
    pub depth_mm: f64,
    /// Width at the mouth, mm.
    pub take_up_mm: f64,
    /// Lengths of both legs on the flat, mm.
    pub legs_mm: [f64; 2],
    /// Direction.
    pub towards: Course,
}

/// Direction of a dart.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Course {
    /// Square to the edge.
    Inward,
    /// To the top of the head.
    Crown,
    /// To a point on the head, mm.
    PointMm([f64; 3]),
    /// Turned from square to the edge, degrees; + leans the point the way + `along_mm` moves the mouth.
    TurnedDeg(f64),
}

/// A seam.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct SeamUsed {
    /// `S1`, `S2`, … in sewing order.
    pub id: String,
    /// Points it runs through, mm.
    pub through_mm: Vec<[f64; 3]>,
    /// Length on the head, mm.
    pub length_mm: f64,
    /// Lengths of both sides on the flat, mm.
    pub sides_mm: [f64; 2],
}

/// How much the material must give: strain is max(|λ1 − 1|, |1 − λ2|) with λ the principal stretches
/// from flat to head, weighted by area.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Strain {
    /// The material's limit.
    pub limit: f64,
    /// Mean.
    pub mean: f64,
    /// Half of the area has less.
    pub p50: f64,
    /// 95 % of the area has less.
    pub p95: f64,
    /// 99 % of the area has less.
    pub p99: f64,
    /// Greatest of any triangle.
    pub max: f64,
    /// Area with more than the limit, mm².
    pub over_limit_mm2: f64,
    /// Greatest stretch, λ1 − 1.
    pub stretch_max: f64,
    /// Greatest crowding, 1 − λ2.
    pub crowding_max: f64,
    /// Triangles turned over; 0 in a pattern that can be used.
    pub flipped: usize,
}

/// How well the sewn base fits.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Fit {
    /// Finished perimeter over the head's, less 1.
    pub perimeter_error: f64,
    /// Finished perimeter, mm.
    pub perimeter_finished_mm: f64,
    /// Greatest difference between two lines that are sewn together, mm.
    pub seam_mismatch_mm: f64,
    /// Flat area over the head's.
    pub area_ratio: f64,
    /// Crossings of edges in the plane; 0 in a pattern that can be used.
    pub overlaps: usize,
    /// Whether p95 of the strain and the finished edges are within their limits.
    pub limit_met: bool,
    /// False when the program's own check found something that forbids to cut: see the warnings.
    #[serde(default = "yes")]
    pub usable: bool,
}

fn yes() -> bool {
    true
}

/// One tape.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Tape {
    /// Name of the reading.
    pub name: String,
    /// What was read, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub read_mm: Option<f64>,
    /// The same path on the mold, mm.
    pub mold_mm: f64,
    /// The same path on the sewn base, as far as it lies on it: flat lengths of what the tape crosses,
    /// pieces put together, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub finished_mm: Option<f64>,
    /// That part on the base over the same part on the head, less 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub finished_error: Option<f64>,
    /// Part of the path that lies off the base, mm.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub off_base_mm: Option<f64>,
    /// `fine`, `ask` or `stop`; none without a reading.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub grade: Option<String>,
    /// Likely cause of a difference.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cause: Option<String>,
}

/// How it was printed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Sheets {
    /// Name of the paper.
    pub paper: String,
    /// Pages with a part of the pattern, cover not counted.
    pub count: usize,
    /// Rows of the map of sheets.
    pub rows: usize,
    /// Columns of the map of sheets.
    pub columns: usize,
    /// What was asked for.
    pub options: SheetOptions,
}

/// Greatest length or coordinate in a record, mm: several times a whole head laid flat.
const MOST_MM: f64 = 10_000.0;

/// Refuses numbers that no base has, wherever they stand: a record may have been edited, and what is
/// drawn from one coordinate of 10³⁰⁰ mm takes all memory there is.
fn possible(value: &Value, name: &str) -> serde_json::Result<()> {
    match value {
        Value::Number(number) => {
            let most = if name.ends_with("_mm") {
                MOST_MM
            } else {
                // Areas, counts and angles; strains are far smaller.
                MOST_MM * MOST_MM
            };
            match number.as_f64() {
                Some(found) if found.abs() <= most => Ok(()),
                _ => Err(serde::de::Error::custom(format!(
                    "`{name}` holds {number}, and at most {most} can be"
                ))),
            }
        }
        Value::Array(list) => list.iter().try_for_each(|item| possible(item, name)),
        Value::Object(map) => map.iter().try_for_each(|(key, item)| possible(item, key)),
        _ => Ok(()),
    }
}

/// A length or area rounded to a ten-thousandth, less than any tool can follow.
pub fn round(value: f64) -> f64 {
    to_places(value, 4)
}

/// A ratio rounded to a millionth.
pub fn round_ratio(value: f64) -> f64 {
    to_places(value, 6)
}

fn to_places(value: f64, places: i32) -> f64 {
    let unit = 10_f64.powi(places);
    let rounded = (value * unit).round() / unit;
    // Zero has one sign only.
    if rounded == 0.0 { 0.0 } else { rounded }
}

impl Record {
    /// The file's text.
    ///
    /// # Errors
    /// When a number is not one; the stages before do not let that happen.
    pub fn to_text(&self) -> serde_json::Result<String> {
        crate::write::json::to_text(self)
    }

    /// Reads the file's text.
    ///
    /// # Errors
    /// What serde says is wrong with it, with line and column; or the first number that no base has.
    pub fn from_text(text: &str) -> serde_json::Result<Self> {
        let record = serde_json::from_str(text)?;
        possible(&serde_json::from_str(text)?, "")?;
        Ok(record)
    }

    /// The schema of the file.
    pub fn schema() -> schemars::Schema {
        schemars::schema_for!(Record)
    }
}
