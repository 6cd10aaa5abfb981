//! Where things on the head lie on a flat panel.

use crate::{
    Point2, Point3, Vector2, Vector3,
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

/// The panel's place nearest to a point on the head.
pub(super) fn place(panel: &Panel, map: &FlatMap, wanted: Point3) -> Option<Placed> {
    let mesh = &panel.mesh;
    let (place, _, distance_mm) = mesh.project(wanted);
    let face = *place.faces(mesh).first()?;
    let weights = place.weights_in(mesh, face)?;
    let corners = mesh.faces()[face as usize].iter().zip(weights);
    let at: Vector2 = corners.map(|(&v, w)| map.uv[v as usize].coords * w).sum();
    Some(Placed {
        at: at.into(),
        distance_mm,
    })
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
