//! Shortest and straightest lines on a surface.
//!
//! *Shortest*: an A* search over the midpoints of edges finds a strip of faces from one point to the
//! other; the strip is laid in the plane, the taut line through it is found by a funnel (Lee &
//! Preparata 1984, "Euclidean shortest paths in the presence of rectilinear barriers", Networks
//! 14(3)), and wherever that line bends round a vertex which leaves less than π on its free side
//! the strip is led round the other side, until no bend can be shortened. This is the strip
//! straightening of Xin & Wang 2007, "Efficiently determining a locally exact shortest path on
//! polyhedral surfaces", Computer-Aided Design 39(12) (cited from memory). The result is *locally*
//! shortest; that it is the shortest of all is not promised where two ways round a bump are nearly
//! equal.
//!
//! *Straightest*: Polthier & Schmies 1998, "Straightest geodesics on polyhedral surfaces": straight
//! across faces and edges, and through a vertex with equal angles on both sides (cited from memory).
//!
//! Both return the exact edge crossings. Cost grows with the faces visited, not with the mesh.

use std::{
    cmp::Reverse,
    collections::{BinaryHeap, HashMap},
    f64::consts::PI,
};

use crate::{Point3, Vector3};

use super::{
    NONE, SurfacePoint, TriMesh, between, common_face, next, prev,
    surface::{FaceFrame, corner_angle, cross, direction},
};

/// How far below π a bend's free side must be before the strip is led round it, radians: well
/// above the round-off of an angle sum, and worth less than 1e-9 of a step's length.
const BEND_SLACK: f64 = 1e-9;

/// Most passes over the bends of one path; each shortens it, and common paths need under twenty.
const MOST_PASSES: usize = 2000;

/// How near an edge's end, as a fraction of its length, a straightest line counts as meeting the
/// vertex: the round-off of a crossing.
const AT_VERTEX: f64 = 1e-10;

/// Most faces a straightest line may cross, as a multiple of the mesh's: a bound against lines caught
/// between faces of no area. A line of twice the mesh's size crosses each face once or twice.
const MOST_CROSSINGS: usize = 8;

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
    #[error("the line leaves the surface at {place}, after {run_mm:.1} mm of {wanted_mm:.1} mm")]
    LeavesSurface {
        /// Where.
        place: Point3,
        /// Length up to there, mm.
        run_mm: f64,
        /// Length asked for, mm.
        wanted_mm: f64,
    },
    /// The line runs round and round, between faces of no area.
    #[error("the line is caught between triangles of no area at {place}")]
    Caught {
        /// Where.
        place: Point3,
    },
    /// The direction does not lead into the surface.
    #[error("the direction at {place} does not lead into the surface")]
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

/// The locally shortest line over the surface between two of its points.
///
/// # Errors
/// [`GeodesicError::Apart`] when the surface does not connect them.
pub fn shortest(
    mesh: &TriMesh,
    from: SurfacePoint,
    to: SurfacePoint,
) -> Result<SurfacePath, GeodesicError> {
    let (from, to) = (from.canonical(mesh), to.canonical(mesh));
    if common_face(mesh, from, to).is_some() {
        return Ok(SurfacePath::new(mesh, vec![from, to]));
    }
    let mut strip = search(mesh, from, to).ok_or_else(|| GeodesicError::Apart {
        from: from.position(mesh),
        to: to.position(mesh),
    })?;
    tidy(mesh, &mut strip, from, to);
    let mut taut = Taut::through(mesh, &strip, from, to);
    for _ in 0..MOST_PASSES {
        if !lead_round_bends(mesh, &mut strip, &taut) {
            break;
        }
        tidy(mesh, &mut strip, from, to);
        if strip.is_empty() {
            return Ok(SurfacePath::new(mesh, vec![from, to]));
        }
        taut = Taut::through(mesh, &strip, from, to);
    }
    Ok(SurfacePath::new(mesh, taut.points(mesh, &strip, from, to)))
}

fn midpoint(mesh: &TriMesh, h: u32) -> Point3 {
    nalgebra::center(&mesh.position(mesh.tail(h)), &mesh.position(mesh.head(h)))
}

/// Half-edges to cross, in order, from a face of `from` to a face of `to`. Half-edge `h` stands for
/// "out of its face, over the middle of the edge".
fn search(mesh: &TriMesh, from: SurfacePoint, to: SurfacePoint) -> Option<Vec<u32>> {
    // Non-negative floats order as their bits do; the half-edge breaks ties, so runs repeat.
    let key = |cost: f64| cost.to_bits();
    let goal = to.position(mesh);
    let start = from.position(mesh);
    let mut best: HashMap<u32, (f64, u32)> = HashMap::new();
    let mut queue = BinaryHeap::new();
    let faces = from.faces(mesh);
    for &face in &faces {
        for h in 3 * face..3 * face + 3 {
            if mesh.twin(h) == NONE {
                continue;
            }
            let cost = (midpoint(mesh, h) - start).norm();
            best.insert(h, (cost, NONE));
            queue.push(Reverse((key(cost + (goal - midpoint(mesh, h)).norm()), h)));
        }
    }
    // Reaching the end is a state of its own, so that the last step counts too.
    let mut end: (f64, u32) = (f64::INFINITY, NONE);
    while let Some(Reverse((bound, h))) = queue.pop() {
        if bound >= key(end.0) {
            break;
        }
        let at = midpoint(mesh, h);
        let cost = best[&h].0;
        if bound > key(cost + (goal - at).norm()) {
            continue;
        }
        let entered = mesh.twin(h);
        if to.weights_in(mesh, entered / 3).is_some() {
            let whole = cost + (goal - at).norm();
            if whole < end.0 {
                end = (whole, h);
            }
        }
        for out in [next(entered), prev(entered)] {
            if mesh.twin(out) == NONE {
                continue;
            }
            let middle = midpoint(mesh, out);
            let onward = cost + (middle - at).norm();
            let known = best.get(&out).map_or(f64::INFINITY, |b| b.0);
            if onward < known {
                best.insert(out, (onward, h));
                queue.push(Reverse((key(onward + (goal - middle).norm()), out)));
            }
        }
    }
    let mut strip = Vec::new();
    let mut h = end.1;
    while h != NONE {
        strip.push(h);
        h = best[&h].1;
    }
    strip.reverse();
    (!strip.is_empty()).then_some(strip)
}

/// Takes out crossings that undo each other and those at the line's own ends.
fn tidy(mesh: &TriMesh, strip: &mut Vec<u32>, from: SurfacePoint, to: SurfacePoint) {
    let mut kept: Vec<u32> = Vec::with_capacity(strip.len());
    for &h in strip.iter() {
        if kept.last().is_some_and(|&last| mesh.twin(last) == h) {
            kept.pop();
        } else {
            kept.push(h);
        }
    }
    let first = kept
        .iter()
        .rposition(|&h| from.on_edge(mesh, h) || from.weights_in(mesh, h / 3).is_some())
        .map_or(0, |last| {
            // The last face that holds the start is where the line may as well begin.
            if from.on_edge(mesh, kept[last]) {
                last + 1
            } else {
                last
            }
        });
    let kept = &kept[first..];
    let end = kept
        .iter()
        .position(|&h| to.weights_in(mesh, mesh.twin(h) / 3).is_some() || to.on_edge(mesh, h))
        .map_or(kept.len(), |first| {
            if to.on_edge(mesh, kept[first]) {
                first
            } else {
                first + 1
            }
        });
    *strip = kept[..end].to_vec();
}

/// A bend of the taut line: at which crossing of the strip, on which side, its flat position.
#[derive(Debug, Clone, Copy)]
struct Bend {
    portal: usize,
    on_left: bool,
    at: [f64; 2],
}

/// The taut line through a strip laid in the plane.
struct Taut {
    /// Flat left (head) and right (tail) ends of every crossed edge, seen along the way.
    portals: Vec<[[f64; 2]; 2]>,
    start: [f64; 2],
    end: [f64; 2],
    bends: Vec<Bend>,
}

impl Taut {
    fn through(mesh: &TriMesh, strip: &[u32], from: SurfacePoint, to: SurfacePoint) -> Self {
        let mut portals = Vec::with_capacity(strip.len());
        let length = |h: u32| (mesh.position(mesh.head(h)) - mesh.position(mesh.tail(h))).norm();
        portals.push([[0.0, 0.0], [length(strip[0]), 0.0]]);
        for w in strip.windows(2) {
            let entered = mesh.twin(w[0]);
            let [left, right] = portals[portals.len() - 1];
            let apex = ahead(
                mesh,
                w[0],
                [left, right],
                mesh.position(mesh.apex(entered)),
                1.0,
            );
            portals.push(if w[1] == next(entered) {
                [apex, right]
            } else {
                [left, apex]
            });
        }
        let start = ahead(mesh, strip[0], portals[0], from.position(mesh), -1.0);
        let last = portals.len() - 1;
        let end = ahead(mesh, strip[last], portals[last], to.position(mesh), 1.0);
        let bends = funnel(&portals, start, end);
        Self {
            portals,
            start,
            end,
            bends,
        }
    }

    /// The line's points on the surface.
    fn points(
        &self,
        mesh: &TriMesh,
        strip: &[u32],
        from: SurfacePoint,
        to: SurfacePoint,
    ) -> Vec<SurfacePoint> {
        let vertex_of = |b: &Bend| {
            let h = strip[b.portal];
            if b.on_left {
                mesh.head(h)
            } else {
                mesh.tail(h)
            }
        };
        let mut points = vec![from];
        let mut leg = 0;
        for (i, (&h, &[left, right])) in strip.iter().zip(&self.portals).enumerate() {
            while leg < self.bends.len() && self.bends[leg].portal < i {
                leg += 1;
            }
            // Between bend leg-1 and bend leg: crossings that end in either vertex are that vertex.
            let held = |b: Option<&Bend>| {
                b.map(vertex_of)
                    .filter(|&v| v == mesh.tail(h) || v == mesh.head(h))
            };
            let before = leg.checked_sub(1).map(|k| &self.bends[k]);
            let after = self.bends.get(leg);
            let point = if let Some(v) = held(before).or_else(|| held(after)) {
                SurfacePoint::Vertex(v)
            } else {
                let (p, q) = (
                    before.map_or(self.start, |b| b.at),
                    after.map_or(self.end, |b| b.at),
                );
                let (dl, dr) = (cross(p, q, left), cross(p, q, right));
                let t = if dl - dr > 0.0 { -dr / (dl - dr) } else { 0.5 };
                if t <= 0.0 {
                    SurfacePoint::Vertex(mesh.tail(h))
                } else if t >= 1.0 {
                    SurfacePoint::Vertex(mesh.head(h))
                } else {
                    SurfacePoint::Edge { half_edge: h, t }.canonical(mesh)
                }
            };
            if points.last() != Some(&point) {
                points.push(point);
            }
        }
        if points.last() != Some(&to) {
            points.push(to);
        }
        points
    }
}

/// Flat place of a point of the face beyond (`side` 1) or before (−1) a crossed edge.
fn ahead(
    mesh: &TriMesh,
    h: u32,
    [left, right]: [[f64; 2]; 2],
    point: Point3,
    side: f64,
) -> [f64; 2] {
    let (l, r) = (mesh.position(mesh.head(h)), mesh.position(mesh.tail(h)));
    let base = direction(l - r);
    let x = (point - r).dot(&base);
    let y = ((point - r) - base * x).norm() * side;
    let (ex, ey) = (left[0] - right[0], left[1] - right[1]);
    let norm = ex.hypot(ey);
    let (ex, ey) = if norm > 0.0 {
        (ex / norm, ey / norm)
    } else {
        (1.0, 0.0)
    };
    // Left of the way lies the head, so "ahead" is the base turned clockwise.
    [right[0] + ex * x + ey * y, right[1] + ey * x - ex * y]
}

/// Bends of the shortest line from `start` to `end` through the portals.
///
/// The funnel is the wedge seen from `apex` through all portals so far. A side is open while its
/// portals still start in the apex, which then bounds nothing.
fn funnel(portals: &[[[f64; 2]; 2]], start: [f64; 2], end: [f64; 2]) -> Vec<Bend> {
    type Wall = Option<([f64; 2], usize)>;
    let same = |p: [f64; 2], q: [f64; 2]| p.map(f64::to_bits) == q.map(f64::to_bits);
    let mut bends: Vec<Bend> = Vec::new();
    let mut apex = start;
    let (mut left, mut right): (Wall, Wall) = (None, None);
    let mut i = 0;
    while i <= portals.len() {
        let at_end = i == portals.len();
        let [l, r] = if at_end { [end, end] } else { portals[i] };
        // Does the right end cross the left wall, or the left end the right wall?
        let turn = match (left, right) {
            (Some(wall), _) if cross(apex, wall.0, r) > 0.0 => Some((wall, true)),
            (_, Some(wall)) if cross(apex, wall.0, l) < 0.0 => Some((wall, false)),
            _ => None,
        };
        if let Some(((at, portal), on_left)) = turn {
            bends.push(Bend {
                portal,
                on_left,
                at,
            });
            apex = at;
            (left, right) = (None, None);
            i = portal + 1;
            continue;
        }
        // Walls only move inward; shared ends are copies, so equality finds the apex itself.
        if !same(l, apex) && left.is_none_or(|wall| cross(apex, wall.0, l) <= 0.0) {
            left = Some((l, i));
        }
        if !same(r, apex) && right.is_none_or(|wall| cross(apex, wall.0, r) >= 0.0) {
            right = Some((r, i));
        }
        i += 1;
    }
    bends
}

/// Leads the strip round the other side of each bend that leaves less than π there.
fn lead_round_bends(mesh: &TriMesh, strip: &mut Vec<u32>, taut: &Taut) -> bool {
    let mut changed = false;
    // From the last bend on, so that earlier positions stay true.
    let mut untouched = strip.len();
    for (k, bend) in taut.bends.iter().enumerate().rev() {
        let h = strip[bend.portal];
        let v = if bend.on_left {
            mesh.head(h)
        } else {
            mesh.tail(h)
        };
        if mesh.on_boundary(v) {
            continue;
        }
        let before = k.checked_sub(1).map_or(taut.start, |j| taut.bends[j].at);
        let after = taut.bends.get(k + 1).map_or(taut.end, |b| b.at);
        let (ux, uy) = (before[0] - bend.at[0], before[1] - bend.at[1]);
        let (wx, wy) = (after[0] - bend.at[0], after[1] - bend.at[1]);
        let inside = (ux * wy - uy * wx).abs().atan2(ux * wx + uy * wy);
        let total: f64 = mesh.fan(v).map(|g| corner_angle(mesh, g)).sum();
        if total - (2.0 * PI - inside) >= PI - BEND_SLACK {
            continue;
        }
        let touches = |h: u32| {
            if bend.on_left {
                mesh.head(h) == v
            } else {
                mesh.tail(h) == v
            }
        };
        let mut first = bend.portal;
        while first > 0 && touches(strip[first - 1]) {
            first -= 1;
        }
        let mut last = bend.portal;
        while last + 1 < strip.len() && touches(strip[last + 1]) {
            last += 1;
        }
        if last >= untouched {
            continue;
        }
        if let Some(other) = other_way(
            mesh,
            v,
            bend.on_left,
            strip[first] / 3,
            mesh.twin(strip[last]) / 3,
        ) {
            strip.splice(first..=last, other);
            untouched = first;
            changed = true;
        }
    }
    changed
}

/// Crossings from face `from` to face `to` round vertex `v`: clockwise, or counter-clockwise.
fn other_way(mesh: &TriMesh, v: u32, clockwise: bool, from: u32, to: u32) -> Option<Vec<u32>> {
    let mut crossings = Vec::new();
    let mut face = from;
    while face != to {
        let out = (3 * face..3 * face + 3).find(|&h| mesh.tail(h) == v)?;
        let h = if clockwise { out } else { prev(out) };
        if mesh.twin(h) == NONE {
            return None;
        }
        crossings.push(h);
        face = mesh.twin(h) / 3;
        if face == from {
            return None;
        }
    }
    Some(crossings)
}

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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::{Nearest, index};

    fn tri((positions, faces): (Vec<[f64; 3]>, Vec<[u32; 3]>)) -> TriMesh {
        TriMesh::new(positions.into_iter().map(Point3::from).collect(), faces).unwrap()
    }

    /// A rolled-up grid: `map` takes plane to space, `nx` by `ny` cells of a `w` by `h` rectangle.
    fn rolled(nx: u32, ny: u32, map: impl Fn(f64, f64) -> [f64; 3]) -> TriMesh {
        let mut positions = Vec::new();
        for j in 0..=ny {
            for i in 0..=nx {
                positions.push(map(
                    f64::from(i) / f64::from(nx),
                    f64::from(j) / f64::from(ny),
                ));
            }
        }
        let at = |i: u32, j: u32| j * (nx + 1) + i;
        let mut faces = Vec::new();
        for j in 0..ny {
            for i in 0..nx {
                faces.push([at(i, j), at(i + 1, j), at(i + 1, j + 1)]);
                faces.push([at(i, j), at(i + 1, j + 1), at(i, j + 1)]);
            }
        }
        tri((positions, faces))
    }

    #[test]
    fn in_the_plane_the_shortest_line_is_the_straight_one() {
        let mesh = rolled(20, 30, |s, t| [20.0 * s, 30.0 * t, 0.0]);
        let tree = Nearest::new(&mesh);
        for k in 0..60 {
            let a = f64::from(k);
            let point =
                |a: f64| Point3::new(10.0 + 9.0 * a.sin(), 15.0 + 14.0 * (1.3 * a).cos(), 0.0);
            let (p, q) = (point(a), point(2.1 * a + 1.0));
            let (from, to) = (tree.project(&mesh, p).0, tree.project(&mesh, q).0);
            let path = shortest(&mesh, from, to).unwrap();
            assert!((path.length - (q - p).norm()).abs() < 1e-10, "{k}");
            let traced = straightest(&mesh, from, q - p, (q - p).norm()).unwrap();
            let end = traced.points[traced.points.len() - 1].position(&mesh);
            assert!((end - q).norm() < 1e-9, "{k}");
            for w in path.points.windows(2) {
                assert!(common_face(&mesh, w[0], w[1]).is_some());
            }
        }
    }

    #[test]
    fn between_vertices_of_a_grid_the_line_runs_through_the_vertices_on_it() {
        let mesh = rolled(6, 6, |s, t| [6.0 * s, 6.0 * t, 0.0]);
        let path = shortest(&mesh, SurfacePoint::Vertex(0), SurfacePoint::Vertex(48)).unwrap();
        assert!((path.length - 72.0_f64.sqrt()).abs() < 1e-12);
        let across = shortest(&mesh, SurfacePoint::Vertex(6), SurfacePoint::Vertex(42)).unwrap();
        assert!((across.length - 72.0_f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn on_a_cylinder_along_its_rulings_it_is_the_unrolled_helix() {
        // Prism over a 40-gon: it unrolls exactly to chords of the circle.
        let n = 40;
        let chord = 2.0 * 50.0 * (PI / f64::from(n)).sin();
        let mesh = rolled(20, 12, |s, t| {
            let angle = PI * s;
            [50.0 * angle.cos(), 50.0 * angle.sin(), 60.0 * t]
        });
        let (from, to) = (SurfacePoint::Vertex(1), SurfacePoint::Vertex(12 * 21 + 17));
        let path = shortest(&mesh, from, to).unwrap();
        let unrolled = (16.0 * chord).hypot(60.0);
        assert!((path.length - unrolled).abs() < 1e-10);
    }

    #[test]
    fn on_a_cone_it_is_the_chord_of_the_unrolled_sector() {
        // A pyramid over 24 of 36 sectors; each unrolls to a triangle with two sides `slant`.
        let (slant, half): (f64, f64) = (80.0, 0.5);
        let mut positions = vec![[0.0, 0.0, slant * half.cos()]];
        let mut faces = Vec::new();
        for i in 0..=24_u32 {
            let angle = f64::from(i) * PI / 18.0;
            let r = slant * half.sin();
            positions.push([r * angle.cos(), r * angle.sin(), 0.0]);
            if i > 0 {
                faces.push([0, i, i + 1]);
            }
        }
        let mesh = tri((positions, faces));
        let corner = corner_angle(&mesh, 0);
        let path = shortest(&mesh, SurfacePoint::Vertex(2), SurfacePoint::Vertex(12)).unwrap();
        let sector = 10.0 * corner;
        assert!(sector < PI);
        // The chord may leave the sector's straight rim: it runs inside, nearer to the tip.
        assert!((path.length - 2.0 * slant * (sector / 2.0).sin()).abs() < 1e-10);
    }

    #[test]
    fn round_a_wall_the_line_bends_at_the_corner() {
        // A square ring: the straight line would cross the hole.
        let full = rolled(3, 3, |s, t| [3.0 * s, 3.0 * t, 0.0]);
        let (positions, mut faces) = full.into_parts();
        faces.retain(|f| !(f.iter().all(|v| [5, 6, 9, 10].contains(v))));
        let mesh = TriMesh::new(positions, faces).unwrap();
        let path = shortest(&mesh, SurfacePoint::Vertex(4), SurfacePoint::Vertex(7)).unwrap();
        assert!((path.length - 3.0).abs() < 1e-12);
        let path = shortest(&mesh, SurfacePoint::Vertex(0), SurfacePoint::Vertex(15)).unwrap();
        assert!(
            (path.length - 2.0 * 5.0_f64.sqrt()).abs() < 1e-12,
            "{}",
            path.length
        );
    }

    #[test]
    fn on_a_sphere_lines_converge_to_great_circles() {
        let mut errors = Vec::new();
        for level in [2, 3, 4, 5] {
            let mesh = tri(fixtures::icosphere(100.0, level));
            let tree = Nearest::new(&mesh);
            let mut worst: f64 = 0.0;
            for k in 0..20 {
                let a = f64::from(k);
                let u = Vector3::new(a.sin(), (1.7 * a).cos(), (0.6 * a + 1.0).sin()).normalize();
                let v = Vector3::new((0.9 * a).cos(), (2.3 * a).sin(), a.cos()).normalize();
                let arc = 100.0 * u.cross(&v).norm().atan2(u.dot(&v));
                let (from, p, _) = tree.project(&mesh, Point3::from(u * 100.0));
                let (to, ..) = tree.project(&mesh, Point3::from(v * 100.0));
                let path = shortest(&mesh, from, to).unwrap();
                worst = worst.max((path.length / arc - 1.0).abs());
                let ahead = v - u * u.dot(&v);
                let traced = straightest(&mesh, from, ahead, 60.0).unwrap();
                assert!((traced.length - 60.0).abs() < 1e-9);
                let end = traced.points[traced.points.len() - 1].position(&mesh);
                let angle = 2.0 * ((end - p).norm() / 200.0).asin();
                assert!((angle * 100.0 - 60.0).abs() < 60.0 / 4_f64.powf(f64::from(level)) * 4.0);
            }
            errors.push(worst);
        }
        assert!(errors.windows(2).all(|w| w[1] < 0.4 * w[0]), "{errors:?}");
        assert!(errors[3] < 6e-4, "{errors:?}");
    }

    #[test]
    fn no_bend_of_a_shortest_line_can_be_shortened() {
        // The law of a locally shortest line: at least π on both sides wherever it meets a vertex.
        let mesh = tri(fixtures::head(4));
        for k in 0..40_u32 {
            let (a, b) = (
                (k * 61) % index(mesh.vertex_count()),
                (k * 397 + 500) % index(mesh.vertex_count()),
            );
            if a == b {
                continue;
            }
            let path = shortest(&mesh, SurfacePoint::Vertex(a), SurfacePoint::Vertex(b)).unwrap();
            let back = shortest(&mesh, SurfacePoint::Vertex(b), SurfacePoint::Vertex(a)).unwrap();
            assert!(path.length <= 1.02 * back.length);
            for w in path.points.windows(3) {
                let SurfacePoint::Vertex(v) = w[1] else {
                    continue;
                };
                let total: f64 = mesh.fan(v).map(|h| corner_angle(&mesh, h)).sum();
                assert!(total >= 2.0 * PI - 1e-6, "passes the peak {v}");
            }
        }
    }

    #[test]
    fn a_line_that_meets_the_edge_says_where() {
        let mesh = rolled(4, 4, |s, t| [40.0 * s, 40.0 * t, 0.0]);
        let from = SurfacePoint::Edge {
            half_edge: 0,
            t: 0.5,
        };
        let err = straightest(&mesh, from, Vector3::y(), 50.0);
        assert!(
            matches!(err, Err(GeodesicError::LeavesSurface { run_mm, .. }) if (run_mm - 40.0).abs() < 1e-9)
        );
        let err = straightest(&mesh, from, -Vector3::y(), 50.0);
        assert!(matches!(err, Err(GeodesicError::NoWayIn { .. })));
    }
}
