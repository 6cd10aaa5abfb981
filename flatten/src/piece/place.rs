//! Where things on the head lie on a flat panel.

use crate::{
    Point2, Point3, Vector3,
    dart::Panel,
    flat::FlatMap,
    mesh::{next, prev},
    plane,
};

/// A place on a panel and how far from the wanted one it is, mm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Placed {
    pub at: Point2,
    pub distance_mm: f64,
}

/// The panel's place nearest to a point on the head: the nearest vertex, then the nearest point of
/// its faces.
pub(super) fn place(panel: &Panel, map: &FlatMap, wanted: Point3) -> Option<Placed> {
    let vertex = nearest_vertex(panel, wanted)?;
    let mut best = Placed {
        at: map.uv[vertex as usize],
        distance_mm: (panel.mesh.position(vertex) - wanted).norm(),
    };
    for h in panel.mesh.fan(vertex) {
        let corners = panel.mesh.faces()[(h / 3) as usize];
        let weights = nearest_in_triangle(corners.map(|v| panel.mesh.position(v)), wanted);
        let (mut on_head, mut at) = (Vector3::zeros(), crate::Vector2::zeros());
        for (v, w) in corners.into_iter().zip(weights) {
            on_head += panel.mesh.position(v).coords * w;
            at += map.uv[v as usize].coords * w;
        }
        let distance_mm = (on_head - wanted.coords).norm();
        if distance_mm < best.distance_mm {
            best = Placed {
                at: at.into(),
                distance_mm,
            };
        }
    }
    Some(best)
}

fn nearest_vertex(panel: &Panel, wanted: Point3) -> Option<u32> {
    let mut best = (f64::INFINITY, None);
    for (i, p) in panel.mesh.positions().iter().enumerate() {
        let d = (p - wanted).norm_squared();
        if d < best.0 {
            best = (d, Some(crate::mesh::index(i)));
        }
    }
    best.1
}

/// Barycentric weights of the point of a triangle nearest to `p` (Ericson, "Real-Time Collision
/// Detection", 2005, section 5.1.5, by projection and clamping to the sides).
fn nearest_in_triangle(t: [Point3; 3], p: Point3) -> [f64; 3] {
    let normal = (t[1] - t[0]).cross(&(t[2] - t[0]));
    let area2 = normal.norm_squared();
    if area2 > 0.0 {
        let weight = |i: usize| {
            let (a, b) = (t[(i + 1) % 3], t[(i + 2) % 3]);
            (b - a).cross(&(p - a)).dot(&normal) / area2
        };
        let inside = [weight(0), weight(1), weight(2)];
        if inside.iter().all(|w| *w >= 0.0) {
            return inside;
        }
    }
    let mut best = (f64::INFINITY, [1.0, 0.0, 0.0]);
    for i in 0..3 {
        let j = (i + 1) % 3;
        let side = t[j] - t[i];
        let size2 = side.norm_squared().max(f64::MIN_POSITIVE);
        let part = ((p - t[i]).dot(&side) / size2).clamp(0.0, 1.0);
        let d = (t[i] + side * part - p).norm_squared();
        if d < best.0 {
            let mut weights = [0.0; 3];
            weights[i] = 1.0 - part;
            weights[j] = part;
            best = (d, weights);
        }
    }
    best.1
}

/// Where a plane in space (through `on`, square to `normal`) cuts the panel, as lines in the plane.
pub(super) fn section(
    panel: &Panel,
    map: &FlatMap,
    on: Point3,
    normal: Vector3,
) -> Vec<Vec<Point2>> {
    let height: Vec<f64> = panel
        .mesh
        .positions()
        .iter()
        .map(|p| (p - on).dot(&normal))
        // A vertex on the plane counts as above it: every face is then cut in two edges or none.
        .map(|d| if d == 0.0 { f64::MIN_POSITIVE } else { d })
        .collect();
    let mesh = &panel.mesh;
    let above = |v: u32| height[v as usize] > 0.0;
    let cut = |h: u32| {
        let (a, b) = (mesh.tail(h), mesh.head(h));
        let part = height[a as usize] / (height[a as usize] - height[b as usize]);
        map.uv[a as usize] + (map.uv[b as usize] - map.uv[a as usize]) * part
    };
    let crossing = |h: u32| above(mesh.tail(h)) && !above(mesh.head(h));
    let mut seen = vec![false; mesh.face_count()];
    let mut lines = Vec::new();
    let halves = crate::mesh::index(3 * mesh.face_count());
    let starts_at_edge = |h: u32| crossing(h) && mesh.twin(h) == crate::mesh::NONE;
    // Lines from edge to edge first, then closed ones.
    for pass in 0..2 {
        for h in 0..halves {
            let wanted = if pass == 0 {
                starts_at_edge(h)
            } else {
                crossing(h)
            };
            if !wanted || seen[(h / 3) as usize] {
                continue;
            }
            let mut line = vec![cut(h)];
            let mut at = h;
            while at != crate::mesh::NONE && !seen[(at / 3) as usize] {
                seen[(at / 3) as usize] = true;
                // The face is entered from above to below; it is left where it climbs again.
                let out = if above(mesh.apex(at)) {
                    next(at)
                } else {
                    prev(at)
                };
                line.push(cut(out));
                at = mesh.twin(out);
            }
            lines.push(line);
        }
    }
    lines
}

/// The part of a panel within `radius_mm` of a point on the head, as rings in the plane.
pub(super) fn disc(
    panel: &Panel,
    map: &FlatMap,
    centre: Point3,
    radius_mm: f64,
) -> Vec<Vec<Point2>> {
    let mut parts = Vec::new();
    for face in panel.mesh.faces() {
        let away = face.map(|v| (panel.mesh.position(v) - centre).norm() - radius_mm);
        if away.iter().all(|d| *d >= 0.0) {
            continue;
        }
        let mut ring = Vec::with_capacity(4);
        for i in 0..3 {
            let j = (i + 1) % 3;
            let (a, b) = (map.uv[face[i] as usize], map.uv[face[j] as usize]);
            if away[i] < 0.0 {
                ring.push(a);
            }
            if (away[i] < 0.0) != (away[j] < 0.0) {
                ring.push(a + (b - a) * (away[i] / (away[i] - away[j])));
            }
        }
        parts.push(ring);
    }
    let tidy = |ring: &Vec<Point2>| plane::simplify(ring, 0.1);
    plane::union(&parts)
        .iter()
        .filter_map(|shape| shape.first())
        .map(tidy)
        .filter(|r| r.len() > 2)
        .collect()
}
