//! Turns a flat panel so that the front of the head is up, and puts its middle at the origin.
//!
//! In: a map and which way the client's right and front lie. Out: the same map, moved. Turn and
//! middle are integrals over the surface: the same head scanned in other triangles is laid in the same
//! place, so that two patterns of it can be held against each other.
//!
//! Method: on the head, "towards the front" is the direction `n × right` square to the outward
//! normal and to the client's right: forward on top, up at the nape, down at the forehead. Above the
//! ears, where it fades, the level forward direction takes over. Each triangle's map carries its
//! direction to the plane; the area-weighted mean of the images is turned to +y.

use crate::{
    Point2, Vector2, Vector3,
    mesh::{TriMesh, index},
};

/// Turns `uv` so that the front is up (+y), the centroid of its area at the origin. Lengths and outline
/// do not change.
///
/// `right` and `forward` are unit vectors of the head's axes.
pub fn front_up(mesh: &TriMesh, uv: &mut [Point2], right: Vector3, forward: Vector3) {
    let up = mean_front(mesh, uv, right, forward);
    let length = up.norm();
    let (cos, sin) = if length > 0.0 {
        (up.y / length, up.x / length)
    } else {
        (1.0, 0.0)
    };
    let middle = centroid(mesh, uv);
    for p in uv {
        let d = p.coords - middle;
        *p = Point2::new(cos * d.x - sin * d.y, sin * d.x + cos * d.y);
    }
}

/// Centroid of the map's area.
fn centroid(mesh: &TriMesh, uv: &[Point2]) -> Vector2 {
    let (mut area, mut moment) = (0.0, Vector2::zeros());
    for corners in mesh.faces() {
        let [a, b, c] = corners.map(|v| uv[v as usize]);
        let doubled = (b - a).perp(&(c - a));
        area += doubled;
        moment += (a.coords + b.coords + c.coords) * (doubled / 3.0);
    }
    if area > 0.0 {
        moment / area
    } else {
        Vector2::zeros()
    }
}

/// Area-weighted mean of the front's direction in the plane.
fn mean_front(mesh: &TriMesh, uv: &[Point2], right: Vector3, forward: Vector3) -> Vector2 {
    let mut sum = Vector2::zeros();
    for face in 0..index(mesh.face_count()) {
        let doubled = mesh.area_vector(face);
        let Some(normal) = doubled.try_normalize(f64::MIN_POSITIVE) else {
            continue;
        };
        let sideways = normal.dot(&right);
        let level = forward - normal * normal.dot(&forward);
        let front = normal.cross(&right) + level * (sideways * sideways);
        // Barycentric slopes: `front` leaves each corner's weight at the rate (n × opposite side).
        let p = mesh.corners(face);
        let corners = mesh.faces()[face as usize];
        for k in 0..3 {
            let opposite = p[(k + 2) % 3] - p[(k + 1) % 3];
            let rate = normal.cross(&opposite).dot(&front);
            // Divided by the doubled area and weighted with the area: one half in all.
            sum += uv[corners[k] as usize].coords * (0.5 * rate);
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Point3;

    /// A quarter of a sphere's shell as a grid, about the x axis (client's right), from the
    /// forehead's side (0) over the top (½) to the nape (1), laid by angle.
    fn strip(from: f64, to: f64, turned: f64) -> (TriMesh, Vec<Point2>) {
        let (mut positions, mut uv, mut faces) = (Vec::new(), Vec::new(), Vec::new());
        for i in 0..=10_u32 {
            let angle = std::f64::consts::PI * (from + (to - from) * f64::from(i) / 10.0);
            for j in 0..=4_u32 {
                let x = 0.1 * (f64::from(j) - 2.0);
                positions.push(Point3::new(x, angle.cos(), angle.sin()));
                let (s, c) = turned.sin_cos();
                uv.push(Point2::new(c * x + s * angle, s * x - c * angle));
                if i < 10 && j < 4 {
                    let a = 5 * i + j;
                    faces.extend([[a, a + 5, a + 6], [a, a + 6, a + 1]]);
                }
            }
        }
        (TriMesh::new(positions, faces).unwrap(), uv)
    }

    #[test]
    fn front_comes_up_wherever_the_panel_lies() {
        for (from, to) in [(0.4, 0.6), (0.0, 0.2), (0.8, 1.0), (0.1, 0.9)] {
            for turned in [0.0, 1.0, 3.0, -2.0] {
                let (mesh, mut uv) = strip(from, to, turned);
                // Outward faces, or the test says nothing.
                assert!(mesh.area_vector(0).dot(&mesh.position(0).coords) > 0.0);
                front_up(&mesh, &mut uv, Vector3::x(), Vector3::y());
                let front_to_back = uv[52] - uv[2];
                assert!(front_to_back.y < 0.0 && front_to_back.x.abs() < 1e-9);
                let to_the_right = uv[4] - uv[0];
                assert!(to_the_right.x > 0.0);
                // The strip is its own mirror image both ways: its middle is the middle point's.
                assert!(uv[27].coords.norm() < 1e-9);
            }
        }
    }

    #[test]
    fn above_an_ear_the_face_is_up() {
        // A square on the client's left side of the head, x = −1, seen from the left: the front is
        // on the reader's left.
        let p = |y, z| Point3::new(-1.0, y, z);
        let positions = vec![p(0.5, -0.5), p(-0.5, -0.5), p(-0.5, 0.5), p(0.5, 0.5)];
        let mesh = TriMesh::new(positions, vec![[0, 1, 2], [0, 2, 3]]).unwrap();
        assert!(mesh.area_vector(0).x < 0.0);
        let mut uv: Vec<Point2> = mesh
            .positions()
            .iter()
            .map(|p| Point2::new(-p.y, p.z))
            .collect();
        front_up(&mesh, &mut uv, Vector3::x(), Vector3::y());
        assert!(uv[0].y > uv[1].y + 0.9 && (uv[0].x - uv[1].x).abs() < 1e-12);
        assert!((uv[1] - uv[0]).perp(&(uv[2] - uv[0])) > 0.0);
    }
}
