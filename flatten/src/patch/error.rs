//! Why a patch can't be cut.

use std::fmt;

use crate::{
    Point3,
    mesh::{GeodesicError, ImprintError, MeshError},
};

/// A line the maker drew.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Drawn {
    /// The perimeter.
    Perimeter,
    /// An opening, counted from 0 (shown from 1).
    Opening(usize),
}

impl Drawn {
    /// The perimeter is line 0, opening k line k + 1.
    pub(super) fn numbered(line: usize) -> Self {
        line.checked_sub(1).map_or(Self::Perimeter, Self::Opening)
    }
}

impl fmt::Display for Drawn {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Perimeter => f.write_str("the perimeter"),
            Self::Opening(k) => write!(f, "opening {}", k + 1),
        }
    }
}

/// Why a patch can't be cut from a mold. Openings count from 0 in the fields and from 1 in the
/// messages; points count from 1 in both.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PatchError {
    /// A landmark lies too far off the mold.
    #[error(
        "landmark {name} lies {distance_mm:.1} mm off the mold, 10 mm are allowed; check its place and the unit"
    )]
    LandmarkOff {
        /// Its name in the fitting.
        name: &'static str,
        /// How far, mm.
        distance_mm: f64,
    },
    /// The landmarks fix no axes.
    #[error("the landmarks lie together or in one line and don't say where right and front are")]
    LandmarksTogether,
    /// Left and right are exchanged.
    #[error(
        "the scalp lies below the landmarks: left_ear and right_ear are swapped, or the scan is a mirror image"
    )]
    Mirrored,
    /// A line has too few different points to enclose anything.
    #[error("{line} has {count} different points, at least 3 are needed")]
    TooFewPoints {
        /// Which line.
        line: Drawn,
        /// How many.
        count: usize,
    },
    /// A point lies too far off the mold.
    #[error("point {point} of {line} lies {distance_mm:.1} mm off the mold, 10 mm are allowed")]
    PointOff {
        /// Which line.
        line: Drawn,
        /// The point, counted from 1.
        point: usize,
        /// How far, mm.
        distance_mm: f64,
    },
    /// A keep-clear place lies too far off the mold.
    #[error("keep_clear {number} lies {distance_mm:.1} mm off the mold, 10 mm are allowed")]
    KeepClearOff {
        /// Which, counted from 1.
        number: usize,
        /// How far, mm.
        distance_mm: f64,
    },
    /// More openings than can be told apart.
    #[error("{count} openings are more than the {most} that one base may have")]
    TooManyOpenings {
        /// How many there are.
        count: usize,
        /// How many may be.
        most: usize,
    },
    /// A line meets itself.
    #[error("{line} crosses itself at {place:.1}; check the order of its points")]
    CrossesItself {
        /// Which line.
        line: Drawn,
        /// Where.
        place: Point3,
    },
    /// A line does not part the mold into an inside and an outside.
    #[error("{line} encloses no part of the mold")]
    EnclosesNothing {
        /// Which line.
        line: Drawn,
    },
    /// Two openings meet.
    #[error("openings {} and {} cross at {place:.1}; draw them as one", first + 1, second + 1)]
    OpeningsCross {
        /// One.
        first: usize,
        /// The other.
        second: usize,
        /// Where.
        place: Point3,
    },
    /// One opening lies inside another.
    #[error("openings {} and {} lie one inside the other; leave the smaller one out", first + 1, second + 1)]
    OpeningInOpening {
        /// One.
        first: usize,
        /// The other.
        second: usize,
    },
    /// An opening does not touch the base.
    #[error("opening {} lies outside the perimeter", opening + 1)]
    OpeningOutside {
        /// Which.
        opening: usize,
    },
    /// Openings leave more than one piece of base.
    #[error(
        "the openings part the base into pieces that don't hang together (the second has {area_mm2:.0} mm²); part it with a seam instead"
    )]
    BaseParted {
        /// Area of the second largest piece, mm².
        area_mm2: f64,
    },
    /// The mold has a hole where the base should be.
    #[error(
        "the scan has a hole of {length_mm:.0} mm round inside the base at {place:.1}; have it mended or scan again"
    )]
    HoleInside {
        /// A point on its edge.
        place: Point3,
        /// Length of its edge, mm.
        length_mm: f64,
    },
    /// Two points of a line can't be joined over the mold.
    #[error(transparent)]
    Geodesic(#[from] GeodesicError),
    /// The lines can't be drawn into the mold.
    #[error(transparent)]
    Imprint(#[from] ImprintError),
    /// What is left is not a surface: a line touches another one, or itself, in one point.
    #[error("the base would hang together in one point only: {0}")]
    Mesh(#[from] MeshError),
}
