//! The shortest line between two points.
//!
//! An A* search over the midpoints of edges finds a strip of faces from one point to the
//! other; the strip is laid in the plane, the taut line through it is found by a funnel (Lee &
//! Preparata 1984, "Euclidean shortest paths in the presence of rectilinear barriers", Networks
//! 14(3)), and wherever that line bends round a vertex which leaves less than π on its free side
//! the strip is led round the other side, until no bend can be shortened. This is the strip
//! straightening of Xin & Wang 2007, "Efficiently determining a locally exact shortest path on
//! polyhedral surfaces", Computer-Aided Design 39(12) (cited from memory). The result is *locally*
//! shortest; that it is the shortest of all is not promised where two ways round a bump are nearly
//! equal.

use std::{
    cmp::Reverse,
    collections::{BinaryHeap, HashMap},
    f64::consts::PI,
};

use crate::{
    Point3,
    mesh::{
        NONE, SurfacePoint, TriMesh, common_face, next, prev,
        surface::{corner_angle, cross, direction},
    },
};

use super::{GeodesicError, SurfacePath};

/// How far below π a bend's free side must be before the strip is led round it, radians: well
/// above the round-off of an angle sum, and worth less than 1e-9 of a step's length.
const BEND_SLACK: f64 = 1e-9;

/// Most passes over the bends of one path; each shortens it, and common paths need under twenty.
const MOST_PASSES: usize = 2000;

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

/// Unit in which the search counts lengths, as a share of the way's size. On a head that is alike on both
/// sides two ways to the crown are equally long but for rounding, and a turned head took the other one: counted
/// in whole units they tie, and a tie is broken by vertex numbers.
const UNIT: f64 = 1e-9;

/// Half-edges to cross, in order, from a face of `from` to a face of `to`. Half-edge `h` stands for
/// "out of its face, over the middle of the edge".
fn search(mesh: &TriMesh, from: SurfacePoint, to: SurfacePoint) -> Option<Vec<u32>> {
    let goal = to.position(mesh);
    let start = from.position(mesh);
    let faces = from.faces(mesh);
    let around = faces.iter().map(|&face| {
        let [a, b, c] = mesh.corners(face);
        (b - a).norm() + (c - b).norm() + (a - c).norm()
    });
    let unit = UNIT * ((goal - start).norm() + around.fold(0.0, f64::max));
    // Saturates where the unit is nothing.
    let long = |a: Point3, b: Point3| ((b - a).norm() / unit).round() as u64;
    // The same for the mirror image of a mesh, whose faces count their corners the other way.
    let rank = |h: u32| {
        let (a, b) = (mesh.tail(h), mesh.head(h));
        (a.min(b), a.max(b), h)
    };
    let mut best: HashMap<u32, (u64, u32)> = HashMap::new();
    let mut queue = BinaryHeap::new();
    for &face in &faces {
        for h in 3 * face..3 * face + 3 {
            if mesh.twin(h) == NONE {
                continue;
            }
            let middle = midpoint(mesh, h);
            let cost = long(start, middle);
            best.insert(h, (cost, NONE));
            queue.push(Reverse((cost.saturating_add(long(middle, goal)), rank(h))));
        }
    }
    // Reaching the end is a state of its own, so that the last step counts too.
    let mut end: (u64, u32) = (u64::MAX, NONE);
    while let Some(Reverse((bound, (.., h)))) = queue.pop() {
        if bound >= end.0 {
            break;
        }
        let at = midpoint(mesh, h);
        let cost = best[&h].0;
        let whole = cost.saturating_add(long(at, goal));
        if bound > whole {
            continue;
        }
        let entered = mesh.twin(h);
        if to.weights_in(mesh, entered / 3).is_some() && whole < end.0 {
            end = (whole, h);
        }
        for out in [next(entered), prev(entered)] {
            if mesh.twin(out) == NONE {
                continue;
            }
            let middle = midpoint(mesh, out);
            let onward = cost.saturating_add(long(at, middle));
            if best.get(&out).is_none_or(|known| onward < known.0) {
                best.insert(out, (onward, h));
                let bound = onward.saturating_add(long(middle, goal));
                queue.push(Reverse((bound, rank(out))));
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
