//! Welded, oriented, one shell, checked.

mod cells;
mod geodesic;
mod imprint;
mod mend;
mod nearest;
mod surface;
mod topology;

pub use geodesic::{GeodesicError, SurfacePath, normal_at, shortest, straightest};
pub use imprint::{Imprint, ImprintError, Line, SNAP_FRACTION, SNAP_MM, imprint};
pub use mend::{
    HOLE_FILLED_MM, Mend, MendAct, MendError, MendOptions, MendReport, SHAPE_KEPT_MM, mend,
};
pub use surface::{SurfacePoint, between, blend, common_face};
pub use topology::{NONE, TriMesh, index, next, prev};

use crate::{Point3, scan::Paint};

/// One shell that a patch can be cut from, in millimetres, with what was done to get there.
#[derive(Debug, Clone)]
pub struct CleanMesh {
    /// The shell.
    pub mesh: TriMesh,
    /// Colours carried over from the scan, parallel to the shell's vertices or faces.
    pub paint: Option<Paint>,
}

/// Why triangles do not form a surface.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum MeshError {
    /// There is nothing to work on.
    #[error("the mesh has no triangles")]
    Empty,
    /// A coordinate is infinite or not a number.
    #[error("vertex {vertex} has a coordinate that is not a number")]
    NotFinite {
        /// The vertex.
        vertex: usize,
    },
    /// A face names a vertex that does not exist.
    #[error("triangle {face} names a vertex beyond the {count} there are")]
    IndexOutOfRange {
        /// The face.
        face: usize,
        /// Number of vertices.
        count: usize,
    },
    /// A face names one vertex twice.
    #[error("triangle {face} names one vertex twice")]
    RepeatedCorner {
        /// The face.
        face: usize,
    },
    /// More than two faces share an edge.
    #[error("{} triangles share one edge at {place:.1}", faces.len())]
    CrowdedEdge {
        /// The faces.
        faces: Vec<u32>,
        /// One end of the edge.
        place: Point3,
    },
    /// Two neighbouring faces turn opposite ways.
    #[error("neighbouring triangles face opposite ways at {place:.1}")]
    OppositeTurn {
        /// The faces.
        faces: Vec<u32>,
        /// One end of their common edge.
        place: Point3,
    },
    /// Two parts of the surface meet in one point only.
    #[error("two parts of the surface touch in one point at {place:.1}")]
    TwoFans {
        /// The vertex.
        vertex: usize,
        /// Its position.
        place: Point3,
    },
}
