//! Surface to plane.

pub mod conformal;

pub mod orient;

pub mod overlap;

pub mod strain;

mod along;
mod contact;
mod curvature;
mod descent;
mod energy;
mod flip;
mod lay;
mod least_strain;
mod lengths;
mod stretch;
mod tapes;
mod together;
mod tutte;
mod vectors;

pub(crate) mod sampling;

mod coarse;

pub(crate) use along::lay_along_quickly;
pub use along::{TAPE_WITHIN, lay_along};
pub use conformal::FlatError;
pub use descent::{Descent, Limits};
pub use energy::{Cloth, Energy, Grain};
pub use lay::{
    FINISHED_EDGE_WEIGHT, FINISHED_EDGE_WITHIN, LEG_WEIGHT, SEAM_WEIGHT, edges_of, finished_edges,
    finished_length, lay, lay_quickly,
};
pub use least_strain::{
    KeptEdges, KeptLine, LeastStrainOptions, MOST_STEPS, MatchedEdges, OnFace, TOLERANCE,
    least_strain,
};
pub use strain::{FaceStrain, LengthSummary, StrainField, StrainSummary};
pub use together::lay_together;

use crate::Point2;

/// A mesh laid in the plane, outside facing the reader.
#[derive(Debug, Clone)]
pub struct FlatMap {
    /// Plane position of each vertex, mm.
    pub uv: Vec<Point2>,
    /// How the map was found and how far it can be trusted.
    pub report: FlatReport,
}

/// Evidence that travels with a map.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct FlatReport {
    /// Steps the descent took.
    pub steps: usize,
    /// Whether the descent met its stopping rule.
    pub converged: bool,
    /// Energy at the end, area mean.
    pub energy: f64,
    /// Norm of the energy's gradient at the end relative to the start.
    pub gradient: f64,
    /// Triangles turned over.
    pub flipped: usize,
    /// Places where the map lies on itself: crossings of the boundary, and vertices whose triangles go
    /// round more than once.
    pub overlaps: usize,
    /// Whether the boundary had to be kept from crossing itself.
    pub cushioned: bool,
}

impl FlatReport {
    /// Whether no triangle is turned over and the map nowhere lies on itself.
    #[must_use]
    pub fn is_sound(&self) -> bool {
        self.flipped == 0 && self.overlaps == 0
    }
}
