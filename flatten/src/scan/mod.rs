//! Triangles as a scanner or phone wrote them.
//!
//! In: an OBJ, PLY, STL or GLB file, or its bytes. Out: a [`RawScan`], nothing welded and nothing
//! mended, in the file's own unit and axes, with colours where the file has them.
//!
//! Files come by mail from strangers. So every size a file claims is held against the bytes it
//! has before memory is taken; pictures are measured before they are decoded; other files are read
//! only from the scan's own folder or below; what is left out is said in [`RawScan::notes`].
//!
//! Cost: one pass over the file. A million triangles take a fraction of a second in binary formats.
//!
//! Which reader is whose: PLY and GLB are parsed by crates (`ply-rs-bw`, `gltf`); OBJ and STL are read
//! here, for reasons given at the head of their modules.

mod error;
mod files;
mod glb;
mod mtl;
mod obj;
mod paint;
mod picture;
mod ply;
mod polygon;
mod stl;
mod units;

use std::path::Path;

pub use error::{ScanError, ScanFault};
pub use files::{Companions, NoCompanions};
pub use units::{HEAD_GIRTH_MM, ScanUnits, Settled, Unit, UnitError, settle_units};

use image::RgbImage;

use crate::Point3;

/// Largest scan file that is read, bytes.
pub const MAX_FILE_BYTES: u64 = 1 << 30;

/// Most triangles taken from a file: ten times the finest head scan in use.
pub const MAX_TRIANGLES: usize = 10_000_000;

/// Most vertices taken from a file; STL brings three a triangle.
pub const MAX_VERTICES: usize = 3 * MAX_TRIANGLES;

/// Coordinates beyond this are a broken file, not a large unit: products of them must stay finite.
pub const MAX_COORDINATE: f64 = 1e12;

/// A scan as read: nothing welded, nothing checked, coordinates in the file's own unit.
#[derive(Debug, Clone, Default)]
pub struct RawScan {
    /// Vertex positions in the file's unit.
    pub positions: Vec<Point3>,
    /// Triangles; polygons have been split.
    pub faces: Vec<[u32; 3]>,
    /// Colours, when the file has any.
    pub paint: Option<Paint>,
    /// What was left out or guessed on the way in, one sentence each.
    pub notes: Vec<String>,
}

/// Colour on a surface.
#[derive(Debug, Clone)]
pub enum Paint {
    /// One sRGB colour a vertex, parallel to the positions.
    Vertex(Vec<[u8; 3]>),
    /// A picture and, for each face, where its corners lie on it.
    Texture {
        /// Texture coordinates of each face's corners, (0, 0) at the picture's lower left.
        corners: Vec<[[f32; 2]; 3]>,
        /// The picture.
        image: RgbImage,
    },
}

/// A kind of scan file.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// Wavefront OBJ with MTL and picture.
    Obj,
    /// Polygon file format, text or binary.
    Ply,
    /// Stereolithography, text or binary.
    Stl,
    /// Binary glTF 2.0.
    Glb,
}

impl Format {
    /// The format a file name's ending stands for.
    #[must_use]
    pub fn from_extension(path: &Path) -> Option<Self> {
        let ending = path.extension()?.to_str()?.to_ascii_lowercase();
        match ending.as_str() {
            "obj" => Some(Self::Obj),
            "ply" => Some(Self::Ply),
            "stl" => Some(Self::Stl),
            "glb" => Some(Self::Glb),
            _ => None,
        }
    }

    /// The format that the first bytes prove, if they prove one; OBJ has no such mark.
    #[must_use]
    pub fn from_content(bytes: &[u8]) -> Option<Self> {
        if bytes.starts_with(b"glTF") {
            Some(Self::Glb)
        } else if bytes.starts_with(b"ply\n") || bytes.starts_with(b"ply\r") {
            Some(Self::Ply)
        } else if stl::looks_like(bytes) {
            Some(Self::Stl)
        } else {
            None
        }
    }

    fn name(self) -> &'static str {
        match self {
            Self::Obj => "OBJ",
            Self::Ply => "PLY",
            Self::Stl => "STL",
            Self::Glb => "GLB",
        }
    }
}

/// Reads a scan; the format is what the content proves, else what the name's ending says.
///
/// # Errors
/// [`ScanError`] with the file's name, what is wrong and what to do. Nothing in a file makes it panic.
pub fn read(path: &Path) -> Result<RawScan, ScanError> {
    let at_fault = |fault| ScanError::new(path, fault);
    let bytes = files::read_bounded(path, MAX_FILE_BYTES).map_err(at_fault)?;
    let named = Format::from_extension(path);
    let proved = Format::from_content(&bytes);
    let format = proved
        .or(named)
        .ok_or_else(|| at_fault(ScanFault::UnknownFormat))?;
    let beside = files::Folder::of(path);
    let mut scan = read_bytes(format, &bytes, &beside).map_err(at_fault)?;
    if let (Some(named), Some(proved)) = (named, proved)
        && named != proved
    {
        scan.notes.insert(
            0,
            format!(
                "the name ends as {} but the content is {}, and was read as that",
                named.name(),
                proved.name()
            ),
        );
    }
    Ok(scan)
}

/// Reads a scan from memory; material and picture files come through `beside`.
///
/// # Errors
/// [`ScanFault`] for what [`read`] would refuse.
pub fn read_bytes(
    format: Format,
    bytes: &[u8],
    beside: &dyn Companions,
) -> Result<RawScan, ScanFault> {
    let mut scan = match format {
        Format::Obj => obj::read(bytes, beside)?,
        Format::Ply => ply::read(bytes)?,
        Format::Stl => stl::read(bytes)?,
        Format::Glb => glb::read(bytes)?,
    };
    check(&mut scan)?;
    shorten(&mut scan.notes);
    Ok(scan)
}

/// Most notes that are kept one by one.
const MOST_NOTES: usize = 6;

/// Longest note, characters: a file's names may be of any length.
const LONGEST_NOTE: usize = 300;

/// Notes that a person can read, however many a file gives cause for.
fn shorten(notes: &mut Vec<String>) {
    let more = notes.len().saturating_sub(MOST_NOTES);
    notes.truncate(MOST_NOTES);
    for note in &mut *notes {
        if let Some((end, _)) = note.char_indices().nth(LONGEST_NOTE) {
            note.truncate(end);
            note.push('…');
        }
    }
    if more > 0 {
        notes.push(format!("and {more} more of the scan's notes like these"));
    }
}

/// The law of a raw scan: faces name vertices that exist and have usable coordinates.
///
/// Scanners write NaN for pixels without depth; where no face uses such a vertex it is harmless and
/// set to zero, so that nobody trips over it.
fn check(scan: &mut RawScan) -> Result<(), ScanFault> {
    if scan.faces.is_empty() {
        return Err(ScanFault::NoTriangles);
    }
    let count = scan.positions.len();
    let usable = |p: &Point3| p.coords.iter().all(|c| c.abs() <= MAX_COORDINATE);
    for (face, corners) in scan.faces.iter().enumerate() {
        for &vertex in corners {
            let position = scan.positions.get(vertex as usize);
            match position {
                None => {
                    return Err(ScanFault::MissingVertex {
                        face,
                        vertex: u64::from(vertex),
                        count,
                    });
                }
                Some(position) if !usable(position) => {
                    return Err(ScanFault::BadCoordinate {
                        vertex: vertex as usize,
                        value: worst(position),
                    });
                }
                Some(_) => {}
            }
        }
    }
    let mut unusable = 0_usize;
    for position in &mut scan.positions {
        if !usable(position) {
            *position = Point3::origin();
            unusable += 1;
        }
    }
    if unusable > 0 {
        let told = format!(
            "{unusable} vertices without usable coordinates are used by no triangle and were ignored"
        );
        scan.notes.insert(0, told);
    }
    Ok(())
}

fn worst(position: &Point3) -> f64 {
    let unusable = |c: &&f64| c.is_nan() || c.abs() > MAX_COORDINATE;
    position
        .coords
        .iter()
        .find(unusable)
        .copied()
        .unwrap_or(0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_unused_vertex_that_is_not_a_number_is_noted_and_a_used_one_refused() {
        let point = |x| Point3::new(x, 0.0, 0.0);
        let mut scan = RawScan {
            positions: vec![
                point(0.0),
                point(1.0),
                Point3::new(0.0, 1.0, 0.0),
                point(f64::NAN),
            ],
            faces: vec![[0, 1, 2]],
            ..RawScan::default()
        };
        check(&mut scan).unwrap();
        assert_eq!(scan.notes.len(), 1);
        scan.positions[1] = point(f64::INFINITY);
        assert_eq!(
            check(&mut scan),
            Err(ScanFault::BadCoordinate {
                vertex: 1,
                value: f64::INFINITY
            })
        );
    }
}
