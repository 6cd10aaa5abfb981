//! Why a file cannot be used as a scan.

use std::path::Path;

use super::{MAX_COORDINATE, MAX_TRIANGLES, MAX_VERTICES};

/// A file that cannot be used, with the reason.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{file}: {fault}")]
pub struct ScanError {
    /// The file's name as given.
    pub file: String,
    /// What is wrong.
    #[source]
    pub fault: ScanFault,
}

impl ScanError {
    pub(super) fn new(path: &Path, fault: ScanFault) -> Self {
        Self {
            file: path.display().to_string(),
            fault,
        }
    }
}

/// What is wrong with a scan file. Places count from 1 as in a text editor; vertices and faces from 0.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ScanFault {
    /// The system did not hand it over.
    #[error("cannot be read ({reason}); check the path and that it is a file")]
    Unreadable {
        /// The system's words.
        reason: String,
    },
    /// More bytes than any head scan has.
    #[error("has {bytes} bytes and the limit is {limit}; export the scan with fewer triangles")]
    TooManyBytes {
        /// Size of the file.
        bytes: u64,
        /// Most that is read.
        limit: u64,
    },
    /// Neither ending nor content is known.
    #[error("is not a known kind of scan; export it as OBJ, PLY, STL or GLB")]
    UnknownFormat,
    /// The file says it holds more than its bytes can.
    #[error(
        "claims {claimed} {what} but its {bytes} bytes can hold at most {possible}; it is cut short or damaged, export it again"
    )]
    Overclaims {
        /// Vertices, triangles and the like.
        what: String,
        /// Claimed number.
        claimed: u64,
        /// Bytes there are.
        bytes: u64,
        /// Most that fits.
        possible: u64,
    },
    /// More than the engine takes.
    #[error(
        "has more than {MAX_TRIANGLES} triangles or {MAX_VERTICES} vertices; reduce the scan to one million triangles and export it again"
    )]
    TooManyTriangles,
    /// The rules of the format are broken.
    #[error("{place}: {what}; export the scan again")]
    Malformed {
        /// Line, byte or element.
        place: String,
        /// What was found there.
        what: String,
    },
    /// A feature of the format that is not read.
    #[error("{what}; {advice}")]
    Unsupported {
        /// The feature.
        what: String,
        /// What to do instead.
        advice: String,
    },
    /// A face points at nothing.
    #[error(
        "triangle {face} names vertex {vertex} but there are only {count} (counted from 0); the file is damaged, export it again"
    )]
    MissingVertex {
        /// The triangle.
        face: usize,
        /// What it names.
        vertex: u64,
        /// How many there are.
        count: usize,
    },
    /// A coordinate that is not a number, infinite or absurdly large.
    #[error(
        "vertex {vertex} (counted from 0) has the coordinate {value}, and only numbers up to {MAX_COORDINATE:e} can be used; repair or export the scan again"
    )]
    BadCoordinate {
        /// The vertex.
        vertex: usize,
        /// The coordinate.
        value: f64,
    },
    /// A point cloud, an empty export, or text that is no scan.
    #[error("has no triangles; export a mesh, not a point cloud")]
    NoTriangles,
}

impl ScanFault {
    pub(super) fn malformed(place: impl Into<String>, what: impl Into<String>) -> Self {
        Self::Malformed {
            place: place.into(),
            what: what.into(),
        }
    }
}
