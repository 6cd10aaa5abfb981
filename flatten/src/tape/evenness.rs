//! Whether a mold is the same left and right, and where its wrap lay in folds.
//!
//! In: a surface and its landmarks. Out: [`Evenness`] (how far the mirror image lies from the surface)
//! and [`Ridge`]s (narrow bands that stand out or sink in). Only the part above the plane through the
//! front and nape hairlines is looked at.

use std::collections::BTreeSet;

use nalgebra::Matrix3;

use crate::{
    Point3, Vector3,
    mesh::{TriMesh, index},
    patch::Head,
};

/// How much a head differs from its own mirror image.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Evenness {
    /// A point on the plane of best symmetry.
    pub centre: Point3,
    /// Its unit normal, to the client's right.
    pub normal: Vector3,
    /// Root mean square distance of the mirrored points from the surface, mm.
    pub rms_mm: f64,
    /// Distance that one in twenty exceeds, mm.
    pub p95_mm: f64,
    /// Largest distance, mm.
    pub max_mm: f64,
    /// Where the largest is.
    pub place: Point3,
}

/// A fold of the wrap, a welt or a dent: long and narrow.
#[derive(Debug, Clone, PartialEq)]
pub struct Ridge {
    /// Its most marked point.
    pub place: Point3,
    /// Length, mm.
    pub length_mm: f64,
    /// How far it stands out (+) or sinks in (−) from its surroundings, mm.
    pub height_mm: f64,
}

/// Most points mirrored: more change nothing one could see.
const SAMPLES: usize = 3000;

/// Rounds of finding the plane.
const ROUNDS: usize = 25;

/// Compares a surface with its mirror image.
///
/// # Method
/// Nearest points of the mirrored surface, then the plane that best exchanges the pairs (smallest
/// eigenvector of their symmetric cross-covariance), again and again, from the landmarks' own plane.
#[must_use]
pub fn evenness(mesh: &TriMesh, head: &Head) -> Option<Evenness> {
    let above: Vec<Point3> = mesh
        .positions()
        .iter()
        .filter(|p| height_over_hairline(head, p) > 0.0)
        .copied()
        .collect();
    let stride = above.len().div_ceil(SAMPLES).max(1);
    let points: Vec<Point3> = above.into_iter().step_by(stride).collect();
    if points.len() < 10 {
        return None;
    }
    let (mut centre, mut normal) = (nalgebra::center(&head.front, &head.nape), head.right);
    let mirror = |p: &Point3, centre: &Point3, n: &Vector3| p - n * (2.0 * (p - centre).dot(n));
    let pairs = |centre: &Point3, n: &Vector3| -> Vec<(Point3, f64)> {
        let project = |p: &Point3| {
            let (_, place, distance) = mesh.project(mirror(p, centre, n));
            (place, distance)
        };
        points.iter().map(project).collect()
    };
    for _ in 0..ROUNDS {
        let found = pairs(&centre, &normal);
        let count = points.len() as f64;
        let p_mean = points.iter().map(|p| p.coords).sum::<Vector3>() / count;
        let q_mean = found.iter().map(|(q, _)| q.coords).sum::<Vector3>() / count;
        let cross: Matrix3<f64> = points
            .iter()
            .zip(&found)
            .map(|(p, (q, _))| (p.coords - p_mean) * (q.coords - q_mean).transpose())
            .sum();
        let eigen = (cross + cross.transpose()).symmetric_eigen();
        let axis: Vector3 = eigen.eigenvectors.column(eigen.eigenvalues.imin()).into();
        let turned = if axis.dot(&head.right) < 0.0 {
            -axis
        } else {
            axis
        };
        let moved = (turned - normal).norm();
        normal = turned;
        centre = Point3::from((p_mean + q_mean) / 2.0);
        if moved < 1e-6 {
            break;
        }
    }
    let mut off: Vec<(f64, Point3)> = points
        .iter()
        .zip(pairs(&centre, &normal))
        .map(|(p, (_, distance))| (distance, *p))
        .collect();
    off.sort_by(|a, b| a.0.total_cmp(&b.0));
    let (max_mm, place) = *off.last()?;
    let squares: f64 = off.iter().map(|(d, _)| d * d).sum();
    Some(Evenness {
        centre,
        normal,
        rms_mm: (squares / off.len() as f64).sqrt(),
        p95_mm: off[off.len() * 95 / 100].0,
        max_mm,
        place,
    })
}

/// Radius of the ring that a point is compared with, mm: folds of a wrap are narrower.
const RING_MM: f64 = 8.0;

/// A point that stands out this much more than the head's own roundness belongs to a ridge, mm. The
/// roundest part of a head (radius 50 mm) stands out 0.64 mm over such a ring.
const STANDS_OUT_MM: f64 = 0.5;

/// Shorter ones are noise, mm.
const LEAST_LENGTH_MM: f64 = 15.0;

/// Ridges above the hairline plane, longest first.
///
/// # Method
/// Every vertex is compared with the mean of the vertices within 8 mm, along its normal; what differs
/// from the median by more than half a millimetre is gathered into connected places. Meshes with edges
/// over 8 mm are too coarse to show a fold.
#[must_use]
pub fn ridges(mesh: &TriMesh, head: &Head) -> Vec<Ridge> {
    let inside: Vec<bool> = mesh
        .positions()
        .iter()
        .map(|p| height_over_hairline(head, p) > 0.0)
        .collect();
    let heights: Vec<Option<f64>> = (0..index(mesh.vertex_count()))
        .map(|v| {
            if inside[v as usize] && !mesh.on_boundary(v) {
                stands_out(mesh, v)
            } else {
                None
            }
        })
        .collect();
    let mut known: Vec<f64> = heights.iter().flatten().copied().collect();
    known.sort_by(f64::total_cmp);
    let Some(&usual) = known.get(known.len() / 2) else {
        return Vec::new();
    };
    let over = |v: u32| {
        let h = heights[v as usize]? - usual;
        (h.abs() > STANDS_OUT_MM).then_some(h)
    };
    let mut seen = BTreeSet::new();
    let mut found = Vec::new();
    for start in 0..index(mesh.vertex_count()) {
        let Some(first) = over(start) else { continue };
        if !seen.insert(start) {
            continue;
        }
        let (mut members, mut next) = (vec![start], 0);
        while next < members.len() {
            let v = members[next];
            next += 1;
            for h in mesh.fan(v) {
                let w = mesh.head(h);
                let same = over(w).is_some_and(|h| h.signum() * first.signum() > 0.0);
                if same && seen.insert(w) {
                    members.push(w);
                }
            }
        }
        let depth = |v: &u32| over(*v).unwrap_or(0.0).abs();
        let Some(&top) = members.iter().max_by(|a, b| depth(a).total_cmp(&depth(b))) else {
            continue;
        };
        let length_mm = extent(mesh, &members);
        if length_mm >= LEAST_LENGTH_MM {
            found.push(Ridge {
                place: mesh.position(top),
                length_mm,
                height_mm: over(top).unwrap_or(0.0),
            });
        }
    }
    found.sort_by(|a, b| b.length_mm.total_cmp(&a.length_mm));
    found
}

/// Height of a vertex over the mean of its surroundings along its normal, mm.
fn stands_out(mesh: &TriMesh, vertex: u32) -> Option<f64> {
    let here = mesh.position(vertex);
    let normal: Vector3 = mesh.fan(vertex).map(|h| mesh.area_vector(h / 3)).sum();
    let normal = normal.try_normalize(1e-12)?;
    let mut near = vec![vertex];
    let mut known = BTreeSet::from([vertex]);
    let (mut next, mut sum) = (0, 0.0);
    while next < near.len() {
        let v = near[next];
        next += 1;
        for h in mesh.fan(v) {
            let w = mesh.head(h);
            let d = mesh.position(w) - here;
            if d.norm() < RING_MM && known.insert(w) {
                near.push(w);
                sum -= d.dot(&normal);
            }
        }
    }
    (near.len() >= 6).then(|| sum / (near.len() - 1) as f64)
}

/// Largest distance between members, found from one end.
fn extent(mesh: &TriMesh, members: &[u32]) -> f64 {
    let far = |from: u32| {
        let gap = |v: &u32| (mesh.position(*v) - mesh.position(from)).norm();
        members
            .iter()
            .max_by(|a, b| gap(a).total_cmp(&gap(b)))
            .map_or((from, 0.0), |&v| (v, gap(&v)))
    };
    far(far(members[0]).0).1
}

/// Height over the plane that holds the front, the nape and the axis to the right, mm.
fn height_over_hairline(head: &Head, p: &Point3) -> f64 {
    let normal = head.right.cross(&(head.front - head.nape)).normalize();
    (p - head.nape).dot(&normal)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::form::average_head;

    #[test]
    fn the_form_is_even_and_a_swelling_on_one_side_is_measured() {
        let form = average_head();
        let (mesh, head) = (form.mesh(8000), form.head());
        let even = evenness(&mesh, &head).unwrap();
        assert!(even.max_mm < 0.2, "{even:?}");

        let (mut positions, faces) = mesh.into_parts();
        let middle = form.point(&Vector3::new(0.8, -0.3, 0.5));
        for p in &mut positions {
            let near = (*p - middle).norm() / 30.0;
            *p += p.coords.normalize() * (5.0 * (-near * near).exp());
        }
        let mesh = TriMesh::new(positions, faces).unwrap();
        let uneven = evenness(&mesh, &head).unwrap();
        assert!((3.5..5.2).contains(&uneven.max_mm), "{uneven:?}");
        // on the swelling itself or on its mirror image
        let mirrored = Point3::new(-middle.x, middle.y, middle.z);
        let off = (uneven.place - middle)
            .norm()
            .min((uneven.place - mirrored).norm());
        assert!(off < 15.0, "{uneven:?}");
    }

    #[test]
    fn a_fold_of_the_wrap_is_found_and_a_smooth_head_has_none() {
        let form = average_head();
        let (mesh, head) = (form.mesh(50_000), form.head());
        assert_eq!(ridges(&mesh, &head), vec![]);

        let (mut positions, faces) = mesh.into_parts();
        for p in &mut positions {
            // along the midline of the top, 60 mm long, 4 mm wide, 2 mm high
            if p.y.abs() < 30.0 && p.z > 60.0 {
                *p += Vector3::z() * (2.0 * (-(p.x / 2.0).powi(2)).exp());
            }
        }
        let mesh = TriMesh::new(positions, faces).unwrap();
        let found = ridges(&mesh, &head);
        let first = &found[0];
        assert!((50.0..75.0).contains(&first.length_mm), "{found:?}");
        assert!((0.8..2.2).contains(&first.height_mm), "{found:?}");
        assert!(first.place.x.abs() < 3.0);
    }
}
