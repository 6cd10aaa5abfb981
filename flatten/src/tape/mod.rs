//! Tape readings: what a taut tape measures on a surface, and what readings say about a mold.
//!
//! In: a surface, landmarks, perimeter and readings. Out: [`TapeLine`]s and [`Comparison`]s. The same
//! code serves the mold, the head form and the finished base.
//!
//! A tape is taut: round a plane section it is the convex hull, and from point to point the hull's
//! outer chain; it spans hollows and openings. Not promised: friction, the tape's breadth, hair.

mod clock;

mod compare;

mod evenness;

mod paths;

mod section;

mod stations;

pub use clock::{ClockError, clock_perimeter};
pub use compare::{ASK_MM, Cause, Comparison, FINE_MM, Grade, Readings, compare, worst};
pub use evenness::{Evenness, Ridge, evenness, ridges};
pub use paths::{TapePath, arc, girth, measure};
pub use section::Plane;
pub use stations::{HairlineStations, Stations};

use rayon::prelude::*;

use crate::{Point3, mesh::TriMesh};

/// A tape as laid.
#[derive(Debug, Clone, PartialEq)]
pub struct TapeLine {
    /// Its course in order; a closed tape repeats its first point at the end.
    pub points: Vec<Point3>,
    /// Its length, mm.
    pub length_mm: f64,
    /// Its longest straight piece, mm: much longer than the mesh's edges where it spans a hollow or
    /// an opening.
    pub free_mm: f64,
}

/// Lays every tape that the surface and the stations allow, in the order of [`TapePath::ALL`].
#[must_use]
pub fn measure_all(mesh: &TriMesh, stations: &Stations) -> Vec<(TapePath, TapeLine)> {
    TapePath::ALL
        .into_par_iter()
        .filter_map(|path| Some((path, measure(mesh, stations, path)?)))
        .collect()
}

impl TapeLine {
    pub(crate) fn open(points: Vec<Point3>) -> Self {
        let pieces = points.windows(2).map(|w| (w[1] - w[0]).norm());
        let (length_mm, free_mm) = pieces.fold((0.0, 0.0_f64), |(sum, most), piece| {
            (sum + piece, most.max(piece))
        });
        Self {
            points,
            length_mm,
            free_mm,
        }
    }

    pub(crate) fn closed(mut points: Vec<Point3>) -> Self {
        if let Some(&first) = points.first() {
            points.push(first);
        }
        Self::open(points)
    }
}

#[cfg(test)]
mod tests;
