//! A point on a surface, kept by the vertex, edge or face that holds it.
//!
//! Paths over a mesh are lists of such points in which neighbours lie on one common face. The type
//! says exactly where an edge is crossed, so both faces of that edge later agree on the crossing.

use crate::{Point3, Vector3};

use super::{NONE, TriMesh, next, prev};

/// Where on a mesh a point lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SurfacePoint {
    /// At a vertex.
    Vertex(u32),
    /// On an edge, the fraction `t` of its length from the half-edge's tail.
    Edge {
        /// Either half-edge of the edge.
        half_edge: u32,
        /// 0 at the tail, 1 at the head.
        t: f64,
    },
    /// Inside a face.
    Face {
        /// The face.
        face: u32,
        /// Weights of the face's corners; they add up to one.
        bary: [f64; 3],
    },
}

impl SurfacePoint {
    /// Position in space, mm.
    #[must_use]
    pub fn position(&self, mesh: &TriMesh) -> Point3 {
        match *self {
            Self::Vertex(v) => mesh.position(v),
            Self::Edge { .. } => {
                let Self::Edge { half_edge, t } = self.canonical(mesh) else {
                    unreachable!("an edge point stays one");
                };
                let (a, b) = (
                    mesh.position(mesh.tail(half_edge)),
                    mesh.position(mesh.head(half_edge)),
                );
                a + (b - a) * t
            }
            Self::Face { face, bary } => blend(&mesh.corners(face), bary),
        }
    }

    /// The same point with an edge named by the lower of its two half-edges.
    #[must_use]
    pub fn canonical(&self, mesh: &TriMesh) -> Self {
        match *self {
            Self::Edge { half_edge, t } => {
                let twin = mesh.twin(half_edge);
                if twin < half_edge {
                    Self::Edge {
                        half_edge: twin,
                        t: 1.0 - t,
                    }
                } else {
                    *self
                }
            }
            other => other,
        }
    }

    /// The faces that hold the point.
    #[must_use]
    pub fn faces(&self, mesh: &TriMesh) -> Vec<u32> {
        match *self {
            Self::Vertex(v) => mesh.fan(v).map(|h| h / 3).collect(),
            Self::Edge { half_edge, .. } => {
                let twin = mesh.twin(half_edge);
                if twin == NONE {
                    vec![half_edge / 3]
                } else {
                    vec![half_edge / 3, twin / 3]
                }
            }
            Self::Face { face, .. } => vec![face],
        }
    }

    /// Corner weights of the point in a face, if the face holds it.
    #[must_use]
    pub fn weights_in(&self, mesh: &TriMesh, face: u32) -> Option<[f64; 3]> {
        let corners = mesh.faces()[face as usize];
        let mut weights = [0.0; 3];
        match *self {
            Self::Vertex(v) => {
                weights[corners.iter().position(|&c| c == v)?] = 1.0;
            }
            Self::Edge { half_edge, t } => {
                let twin = mesh.twin(half_edge);
                let (h, t) = if half_edge / 3 == face {
                    (half_edge, t)
                } else if twin != NONE && twin / 3 == face {
                    (twin, 1.0 - t)
                } else {
                    return None;
                };
                weights[(h % 3) as usize] = 1.0 - t;
                weights[(next(h) % 3) as usize] = t;
            }
            Self::Face { face: own, bary } => {
                if own != face {
                    return None;
                }
                weights = bary;
            }
        }
        Some(weights)
    }

    /// The point with these corner weights, typed by what holds it: weights of zero drop out.
    #[must_use]
    pub fn from_weights(mesh: &TriMesh, face: u32, bary: [f64; 3]) -> Self {
        let corners = mesh.faces()[face as usize];
        let zero = |k: usize| bary[k] <= 0.0;
        for (k, &corner) in corners.iter().enumerate() {
            if zero((k + 1) % 3) && zero((k + 2) % 3) {
                return Self::Vertex(corner);
            }
        }
        for k in 0..3_u32 {
            let (i, j) = (k as usize, ((k + 1) % 3) as usize);
            if zero(((k + 2) % 3) as usize) {
                return Self::Edge {
                    half_edge: 3 * face + k,
                    t: bary[j] / (bary[i] + bary[j]),
                };
            }
        }
        Self::Face { face, bary }
    }

    /// Whether the point lies on the edge of a half-edge, its ends included.
    #[must_use]
    pub fn on_edge(&self, mesh: &TriMesh, half_edge: u32) -> bool {
        match *self {
            Self::Vertex(v) => mesh.tail(half_edge) == v || mesh.head(half_edge) == v,
            Self::Edge { half_edge: own, .. } => own == half_edge || mesh.twin(own) == half_edge,
            Self::Face { .. } => false,
        }
    }
}

/// A face that holds both points.
#[must_use]
pub fn common_face(mesh: &TriMesh, a: SurfacePoint, b: SurfacePoint) -> Option<u32> {
    // The point with fewer faces leads: a vertex may have dozens.
    let (few, many) = match a {
        SurfacePoint::Vertex(_) => (b, a),
        _ => (a, b),
    };
    few.faces(mesh)
        .into_iter()
        .find(|&f| many.weights_in(mesh, f).is_some())
}

/// The point the fraction `s` of the way between two points of one face.
#[must_use]
pub fn between(mesh: &TriMesh, a: SurfacePoint, b: SurfacePoint, s: f64) -> Option<SurfacePoint> {
    let face = common_face(mesh, a, b)?;
    let (wa, wb) = (a.weights_in(mesh, face)?, b.weights_in(mesh, face)?);
    let mixed = std::array::from_fn(|k| wa[k] + (wb[k] - wa[k]) * s);
    Some(SurfacePoint::from_weights(mesh, face, mixed))
}

/// Weighted mean of three corners.
#[must_use]
pub fn blend(corners: &[Point3; 3], bary: [f64; 3]) -> Point3 {
    // From the first corner, so that equal corners give that corner to the last bit.
    corners[0] + (corners[1] - corners[0]) * bary[1] + (corners[2] - corners[0]) * bary[2]
}

/// A face laid in the plane without distortion: corner 0 at the origin, corner 1 on the x axis.
#[derive(Debug, Clone, Copy)]
pub(crate) struct FaceFrame {
    pub(crate) origin: Point3,
    pub(crate) x: Vector3,
    pub(crate) y: Vector3,
    pub(crate) corners: [[f64; 2]; 3],
}

impl FaceFrame {
    pub(crate) fn new(mesh: &TriMesh, face: u32) -> Self {
        let p = mesh.corners(face);
        let x = direction(p[1] - p[0]);
        let y = direction(mesh.area_vector(face)).cross(&x);
        let mut frame = Self {
            origin: p[0],
            x,
            y,
            corners: [[0.0; 2]; 3],
        };
        frame.corners = p.map(|q| frame.flat(q));
        frame
    }

    pub(crate) fn flat(&self, p: Point3) -> [f64; 2] {
        let d = p - self.origin;
        [d.dot(&self.x), d.dot(&self.y)]
    }

    /// Corner weights of a point of the plane.
    pub(crate) fn weights(&self, p: [f64; 2]) -> [f64; 3] {
        let [a, b, c] = self.corners;
        let whole = cross(a, b, c);
        let w1 = cross(a, p, c) / whole;
        let w2 = cross(a, b, p) / whole;
        [1.0 - w1 - w2, w1, w2]
    }
}

/// Twice the signed area of a triangle in the plane.
pub(crate) fn cross(a: [f64; 2], b: [f64; 2], c: [f64; 2]) -> f64 {
    (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0])
}

/// Unit vector, or zero for a vector of no length.
pub(crate) fn direction(v: Vector3) -> Vector3 {
    v.try_normalize(0.0).unwrap_or_else(Vector3::zeros)
}

/// Angle of a face at the tail of one of its half-edges, radians.
pub(crate) fn corner_angle(mesh: &TriMesh, half_edge: u32) -> f64 {
    let at = mesh.position(mesh.tail(half_edge));
    let (u, v) = (
        mesh.position(mesh.head(half_edge)) - at,
        mesh.position(mesh.tail(prev(half_edge))) - at,
    );
    u.cross(&v).norm().atan2(u.dot(&v))
}
