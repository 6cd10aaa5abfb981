//! Why a layout can't be cut.

use std::fmt;

use crate::{
    Point3,
    mesh::{GeodesicError, ImprintError, MeshError},
};

/// A cut of a layout, counted from 0; shown by the label that the sheets carry, `D1` or `S1`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum CutName {
    /// A dart.
    Dart(usize),
    /// A seam.
    Seam(usize),
}

impl fmt::Display for CutName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Dart(k) => write!(f, "dart D{}", k + 1),
            Self::Seam(k) => write!(f, "seam S{}", k + 1),
        }
    }
}

/// Why a layout can't be cut into a patch.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum DartError {
    /// A number that no dart can have.
    #[error("{name}: {what} is {value}, which no dart can have")]
    BadNumber {
        /// Which dart.
        name: CutName,
        /// Which of its numbers.
        what: &'static str,
        /// As given.
        value: f64,
    },
    /// The dart counts from an opening that does not exist.
    #[error("{name} starts on opening {}, which does not exist", opening + 1)]
    NoOpening {
        /// Which dart.
        name: CutName,
        /// The opening, counted from 0.
        opening: usize,
    },
    /// The mouth would lie more than once round the edge.
    #[error(
        "{name}: its mouth lies {along_mm:.0} mm along an edge that is only {edge_mm:.0} mm round"
    )]
    MouthBeyondEdge {
        /// Which dart.
        name: CutName,
        /// As given, mm.
        along_mm: f64,
        /// Length of the edge, mm.
        edge_mm: f64,
    },
    /// The cut runs off the patch.
    #[error(
        "{name} leaves the base at {place:.1} after {run_mm:.0} mm of {wanted_mm:.0} mm; make it shorter or turn it"
    )]
    LeavesPatch {
        /// Which cut.
        name: CutName,
        /// Where.
        place: Point3,
        /// Length up to there, mm.
        run_mm: f64,
        /// Length asked for, mm.
        wanted_mm: f64,
    },
    /// The cut runs into an edge on its way.
    #[error("{name} runs along or into an edge at {place:.1}; turn it inward")]
    TouchesEdge {
        /// Which cut.
        name: CutName,
        /// Where.
        place: Point3,
    },
    /// The point of a dart nearly reaches an edge.
    #[error(
        "the point of {name} comes within {distance_mm:.1} mm of an edge, {allowed_mm:.0} mm are needed"
    )]
    PointNearEdge {
        /// Which dart.
        name: CutName,
        /// How near, mm.
        distance_mm: f64,
        /// How near it may come, mm.
        allowed_mm: f64,
    },
    /// The cut enters a place to leave alone.
    #[error(
        "{name} enters the keep-clear place \"{reason}\": {distance_mm:.0} mm from its centre, {radius_mm:.0} mm are kept clear"
    )]
    KeepClear {
        /// Which cut.
        name: CutName,
        /// What is there, in the maker's words.
        reason: String,
        /// How near the centre it comes, mm.
        distance_mm: f64,
        /// Radius kept clear, mm.
        radius_mm: f64,
    },
    /// Two cuts meet.
    #[error("{first} and {second} meet at {place:.1}")]
    Cross {
        /// One.
        first: CutName,
        /// The other.
        second: CutName,
        /// Where.
        place: Point3,
    },
    /// A cut meets itself.
    #[error("{name} crosses itself at {place:.1}")]
    CrossesItself {
        /// Which.
        name: CutName,
        /// Where.
        place: Point3,
    },
    /// A point that a dart or seam goes through lies off the patch.
    #[error(
        "{name}: the point {place:.1} lies {distance_mm:.1} mm off the base, {allowed_mm:.0} mm are allowed"
    )]
    PointOff {
        /// Which cut.
        name: CutName,
        /// As given.
        place: Point3,
        /// How far, mm.
        distance_mm: f64,
        /// How far it may be, mm.
        allowed_mm: f64,
    },
    /// A seam does not start and end on an edge.
    #[error(
        "{name} has to run from edge to edge, but its end {place:.1} lies {distance_mm:.1} mm from the nearest edge"
    )]
    SeamEndOff {
        /// Which seam.
        name: CutName,
        /// The end.
        place: Point3,
        /// How far, mm.
        distance_mm: f64,
    },
    /// A seam has fewer than two points.
    #[error("{name} goes through {count} points, at least 2 are needed")]
    SeamTooShort {
        /// Which seam.
        name: CutName,
        /// How many.
        count: usize,
    },
    /// No way over the patch.
    #[error("{name}: {source}")]
    Geodesic {
        /// Which cut.
        name: CutName,
        /// Why.
        source: GeodesicError,
    },
    /// The cuts can't be drawn into the patch.
    #[error(transparent)]
    Imprint(#[from] ImprintError),
    /// The opened patch is not a surface.
    #[error(transparent)]
    Mesh(#[from] MeshError),
}
