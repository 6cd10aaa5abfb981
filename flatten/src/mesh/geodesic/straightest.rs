//! The straightest line from a point.
//!
//! Polthier & Schmies 1998, "Straightest geodesics on polyhedral surfaces": straight across faces and
//! edges, and through a vertex with equal angles on both sides (cited from memory).

use std::f64::consts::PI;

use crate::{
    Point3, Vector3,
    mesh::{
        NONE, SurfacePoint, TriMesh, prev,
        surface::{FaceFrame, corner_angle, direction},
    },
};

use super::{GeodesicError, SurfacePath};

/// How near an edge's end, as a fraction of its length, a straightest line counts as meeting the
/// vertex: the round-off of a crossing.
const AT_VERTEX: f64 = 1e-10;

/// Most faces a straightest line may cross, as a multiple of the mesh's: a bound against lines caught
/// between faces of no area. A line of twice the mesh's size crosses each face once or twice.
const MOST_CROSSINGS: usize = 8;

/// The straightest line of the given length from a point of the surface.
///
/// `heading` need not lie in the surface: it is brought into it (at a vertex by its bearing among
/// the edges that leave it).
///
/// # Errors
/// [`GeodesicError::NoWayIn`] when the heading points off the edge of the surface,
/// [`GeodesicError::LeavesSurface`] when the line meets the edge before its length is run,
/// [`GeodesicError::Caught`] between faces of no area.
pub fn straightest(
    mesh: &TriMesh,
    from: SurfacePoint,
    heading: Vector3,
    length: f64,
) -> Result<SurfacePath, GeodesicError> {
    let from = from.canonical(mesh);
    let (face, course) = enter(mesh, from, heading).ok_or_else(|| GeodesicError::NoWayIn {
        place: from.position(mesh),
    })?;
    let mut walk = Walk {
        mesh,
        face,
        course,
        points: vec![from],
        left: length,
    };
    for _ in 0..MOST_CROSSINGS * mesh.face_count() {
        if walk.step(length)? {
            return Ok(SurfacePath::new(mesh, walk.points));
        }
    }
    Err(GeodesicError::Caught {
        place: walk.points[walk.points.len() - 1].position(mesh),
    })
}

/// Normal of the surface at a point: of its faces, weighted by their angle or evenly.
#[must_use]
pub fn normal_at(mesh: &TriMesh, point: SurfacePoint) -> Vector3 {
    match point {
        SurfacePoint::Vertex(v) => direction(
            mesh.fan(v)
                .map(|h| direction(mesh.area_vector(h / 3)) * corner_angle(mesh, h))
                .sum(),
        ),
        _ => direction(
            point
                .faces(mesh)
                .into_iter()
                .map(|f| direction(mesh.area_vector(f)))
                .sum(),
        ),
    }
}

/// The face a heading leads into, and the heading laid into that face.
fn enter(mesh: &TriMesh, from: SurfacePoint, heading: Vector3) -> Option<(u32, Vector3)> {
    let normal = normal_at(mesh, from);
    let heading = direction(heading - normal * heading.dot(&normal));
    if heading == Vector3::zeros() {
        return None;
    }
    match from {
        SurfacePoint::Face { face, .. } => Some((face, heading)),
        SurfacePoint::Edge { half_edge, .. } => {
            let edge = direction(
                mesh.position(mesh.head(half_edge)) - mesh.position(mesh.tail(half_edge)),
            );
            let along = heading.dot(&edge);
            // Turned about the edge into the face, so the angle with the edge is kept.
            let h = if heading.dot(&normal.cross(&edge)) >= 0.0 {
                half_edge
            } else {
                mesh.twin(half_edge)
            };
            if h == NONE {
                return None;
            }
            let inward = direction(mesh.area_vector(h / 3)).cross(&edge)
                * if h == half_edge { 1.0 } else { -1.0 };
            let across = (1.0 - along * along).max(0.0).sqrt();
            Some((h / 3, edge * along + inward * across))
        }
        SurfacePoint::Vertex(v) => enter_at_vertex(mesh, v, normal, heading),
    }
}

fn enter_at_vertex(
    mesh: &TriMesh,
    v: u32,
    normal: Vector3,
    heading: Vector3,
) -> Option<(u32, Vector3)> {
    let at = mesh.position(v);
    let bearing = |d: Vector3| normal.dot(&heading.cross(&d)).atan2(heading.dot(&d));
    for h in mesh.fan(v) {
        let (a, b) = (
            bearing(mesh.position(mesh.head(h)) - at),
            bearing(mesh.position(mesh.tail(prev(h))) - at),
        );
        // The sector from a (at or right of the heading) counter-clockwise to b (left of it).
        if a <= 0.0 && b > 0.0 && b - a < PI {
            return Some((
                h / 3,
                turned(mesh, h, corner_angle(mesh, h) * (-a / (b - a))),
            ));
        }
    }
    None
}

/// Unit vector in the half-edge's face at the given angle, counter-clockwise, from the half-edge.
fn turned(mesh: &TriMesh, h: u32, angle: f64) -> Vector3 {
    let edge = direction(mesh.position(mesh.head(h)) - mesh.position(mesh.tail(h)));
    let inward = direction(mesh.area_vector(h / 3)).cross(&edge);
    edge * angle.cos() + inward * angle.sin()
}

struct Walk<'a> {
    mesh: &'a TriMesh,
    face: u32,
    /// Unit vector in the plane of `face`.
    course: Vector3,
    points: Vec<SurfacePoint>,
    left: f64,
}

impl Walk<'_> {
    /// Crosses one face; true when the length is run.
    fn step(&mut self, wanted: f64) -> Result<bool, GeodesicError> {
        let mesh = self.mesh;
        let from = self.points[self.points.len() - 1];
        let frame = FaceFrame::new(mesh, self.face);
        let p = frame.flat(from.position(mesh));
        let d = [self.course.dot(&frame.x), self.course.dot(&frame.y)];
        let (h, t, run) = self.exit(from, &frame, p, d);
        if run >= self.left {
            let q = [p[0] + d[0] * self.left, p[1] + d[1] * self.left];
            let mut weights = frame.weights(q).map(|w| w.max(0.0));
            let sum: f64 = weights.iter().sum();
            weights.iter_mut().for_each(|w| *w /= sum);
            let last = SurfacePoint::from_weights(mesh, self.face, weights).canonical(mesh);
            self.points.push(last);
            return Ok(true);
        }
        self.left -= run;
        let leaves = |place: Point3, left: f64| GeodesicError::LeavesSurface {
            place,
            run_mm: wanted - left,
            wanted_mm: wanted,
        };
        if !(AT_VERTEX..=1.0 - AT_VERTEX).contains(&t) {
            let v = if t < 0.5 { mesh.tail(h) } else { mesh.head(h) };
            self.points.push(SurfacePoint::Vertex(v));
            let Some((face, course)) = through_vertex(mesh, v, self.face, -self.course) else {
                return Err(leaves(mesh.position(v), self.left));
            };
            (self.face, self.course) = (face, course);
            return Ok(false);
        }
        let crossing = SurfacePoint::Edge { half_edge: h, t }.canonical(mesh);
        self.points.push(crossing);
        let twin = mesh.twin(h);
        if twin == NONE {
            return Err(leaves(crossing.position(mesh), self.left));
        }
        let edge = direction(mesh.position(mesh.head(h)) - mesh.position(mesh.tail(h)));
        let along = self.course.dot(&edge);
        let onward = -direction(mesh.area_vector(twin / 3)).cross(&edge);
        self.course = edge * along + onward * (1.0 - along * along).max(0.0).sqrt();
        self.face = twin / 3;
        Ok(false)
    }

    /// The half-edge a ray leaves the face by, where on it, and how far away.
    fn exit(
        &self,
        from: SurfacePoint,
        frame: &FaceFrame,
        p: [f64; 2],
        d: [f64; 2],
    ) -> (u32, f64, f64) {
        let mut best = (3 * self.face, 0.5, f64::NEG_INFINITY, f64::INFINITY);
        for k in 0..3_u32 {
            let h = 3 * self.face + k;
            if from.on_edge(self.mesh, h) {
                continue;
            }
            let a = frame.corners[k as usize];
            let b = frame.corners[((k + 1) % 3) as usize];
            let e = [b[0] - a[0], b[1] - a[1]];
            let slope = d[0] * e[1] - d[1] * e[0];
            // Leaving means crossing from the edge's left to its right.
            if slope <= 0.0 {
                continue;
            }
            let w = [a[0] - p[0], a[1] - p[1]];
            let run = (w[0] * e[1] - w[1] * e[0]) / slope;
            let t = (w[0] * d[1] - w[1] * d[0]) / slope;
            let outside = (-t).max(t - 1.0);
            // The edge whose crossing lies inside it, or the least outside by round-off.
            if outside < best.3 {
                best = (h, t.clamp(0.0, 1.0), run.max(0.0), outside);
            }
        }
        if best.2 < 0.0 {
            // Along an edge of the face to within round-off: on to the end it points at.
            let far = (0..3_u32)
                .max_by(|&i, &j| {
                    let reach = |k: u32| {
                        let c = frame.corners[k as usize];
                        (c[0] - p[0]) * d[0] + (c[1] - p[1]) * d[1]
                    };
                    reach(i).total_cmp(&reach(j))
                })
                .unwrap_or(0);
            let c = frame.corners[far as usize];
            return (3 * self.face + far, 0.0, (c[0] - p[0]).hypot(c[1] - p[1]));
        }
        (best.0, best.1, best.2)
    }
}

/// Onward through a vertex with equal angles on both sides; `back` points back along the line.
fn through_vertex(mesh: &TriMesh, v: u32, face: u32, back: Vector3) -> Option<(u32, Vector3)> {
    if mesh.on_boundary(v) {
        return None;
    }
    let fan: Vec<(u32, f64)> = mesh.fan(v).map(|h| (h, corner_angle(mesh, h))).collect();
    let total: f64 = fan.iter().map(|f| f.1).sum();
    let mut angle = total / 2.0;
    for &(h, corner) in &fan {
        if h / 3 == face {
            let edge = mesh.position(mesh.head(h)) - mesh.position(v);
            angle += back.cross(&edge).norm().atan2(back.dot(&edge)).min(corner);
            break;
        }
        angle += corner;
    }
    angle %= total;
    for &(h, corner) in &fan {
        if angle <= corner {
            return Some((h / 3, turned(mesh, h, angle)));
        }
        angle -= corner;
    }
    let (h, corner) = fan[fan.len() - 1];
    Some((h / 3, turned(mesh, h, corner)))
}
