//! Shortest and straightest lines on a surface.
//!
//! Both return the exact edge crossings. Cost grows with the faces visited, not with the mesh.

mod shortest;
mod straightest;
#[cfg(test)]
mod tests;

pub use shortest::shortest;
pub use straightest::{normal_at, straightest};

use crate::Point3;

use super::{SurfacePoint, TriMesh, between};

/// A line on the surface; neighbouring points share a face.
#[derive(Debug, Clone, PartialEq)]
pub struct SurfacePath {
    /// Start, crossings, end.
    pub points: Vec<SurfacePoint>,
    /// Length, mm.
    pub length: f64,
}

/// Why there is no such line.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum GeodesicError {
    /// The two points lie on parts of the surface that do not hang together.
    #[error("no way over the surface leads from {from} to {to}")]
    Apart {
        /// Start.
        from: Point3,
        /// End.
        to: Point3,
    },
    /// The line ran off the surface.
    #[error("the line leaves the surface at {place:.1}, after {run_mm:.1} mm of {wanted_mm:.1} mm")]
    LeavesSurface {
        /// Where.
        place: Point3,
        /// Length up to there, mm.
        run_mm: f64,
        /// Length asked for, mm.
        wanted_mm: f64,
    },
    /// The line runs round and round, between faces of no area.
    #[error("the line is caught between triangles of no area at {place:.1}")]
    Caught {
        /// Where.
        place: Point3,
    },
    /// The direction does not lead into the surface.
    #[error("the direction at {place:.1} does not lead into the surface")]
    NoWayIn {
        /// Where.
        place: Point3,
    },
}

impl SurfacePath {
    /// The line through these points, neighbours on one face.
    #[must_use]
    pub fn new(mesh: &TriMesh, points: Vec<SurfacePoint>) -> Self {
        let length = points
            .windows(2)
            .map(|w| (w[1].position(mesh) - w[0].position(mesh)).norm())
            .sum();
        Self { points, length }
    }

    /// The first `length` mm of the line, or all of it when it is shorter.
    #[must_use]
    pub fn shortened(&self, mesh: &TriMesh, length: f64) -> Self {
        let mut points = vec![self.points[0]];
        let mut left = length;
        for w in self.points.windows(2) {
            let step = (w[1].position(mesh) - w[0].position(mesh)).norm();
            if step >= left {
                if left > 0.0
                    && let Some(last) = between(mesh, w[0], w[1], left / step)
                {
                    points.push(last);
                }
                break;
            }
            points.push(w[1]);
            left -= step;
        }
        Self::new(mesh, points)
    }
}
