//! A plane through a mesh, and a tape pulled taut in it.
//!
//! In: a mesh, open or closed, and a plane. Out: the straight pieces in which it crosses the
//! triangles, unordered, and from them the taut curve: the convex hull for a closed tape, the hull's outer chain
//! between two points for an open one. A taut tape never follows a hollow or an opening, so the order
//! and number of the section's parts do not matter.
//!
//! Cost: a look at the triangles near the plane, then a sort of the crossings.

use crate::{Point2, Point3, Vector3, mesh::TriMesh};

/// A plane by a point on it and its unit normal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Plane {
    /// A point on the plane.
    pub point: Point3,
    /// Unit normal.
    pub normal: Vector3,
}

impl Plane {
    /// The plane through three points, or nothing when they lie on one line.
    #[must_use]
    pub fn through(a: Point3, b: Point3, c: Point3) -> Option<Self> {
        let normal = (b - a).cross(&(c - a)).try_normalize(FLAT_MM2)?;
        Some(Self { point: a, normal })
    }

    /// Signed distance, + on the normal's side, mm.
    #[must_use]
    pub fn distance(&self, p: &Point3) -> f64 {
        (p - self.point).dot(&self.normal)
    }

    /// Two unit vectors that span the plane, right-handed with the normal.
    fn axes(&self) -> (Vector3, Vector3) {
        let n = self.normal;
        let helper = if n.x.abs() < 0.6 {
            Vector3::x()
        } else {
            Vector3::y()
        };
        let u = (helper - n * n.dot(&helper)).normalize();
        (u, n.cross(&u))
    }
}

/// Twice the area of a triangle of three points that counts as none, mm².
const FLAT_MM2: f64 = 1e-9;

/// The straight pieces in which the plane crosses the triangles, unordered.
pub(super) fn segments(mesh: &TriMesh, plane: &Plane) -> Vec<[Point3; 2]> {
    let mut found = Vec::new();
    for face in mesh.along_plane(plane.point, plane.normal) {
        let corners = mesh.corners(face);
        let h = corners.map(|p| plane.distance(&p));
        let above = h.map(|h| h >= 0.0);
        // the corner alone on its side; without one the plane misses the face
        let Some(k) =
            (0..3).find(|&k| above[k] != above[(k + 1) % 3] && above[k] != above[(k + 2) % 3])
        else {
            continue;
        };
        let cross = |j: usize| {
            let (p, q) = (corners[k], corners[j]);
            p + (q - p) * (h[k] / (h[k] - h[j]))
        };
        found.push([cross((k + 1) % 3), cross((k + 2) % 3)]);
    }
    found
}

/// The closed taut tape round points of a plane: their convex hull, first point not repeated.
pub(super) fn taut_loop(points: &[[Point3; 2]], plane: &Plane) -> Vec<Point3> {
    let (u, v) = plane.axes();
    let flat = |p: &Point3| Point2::new((p - plane.point).dot(&u), (p - plane.point).dot(&v));
    let lift = |q: Point2| plane.point + u * q.x + v * q.y;
    let mut flats: Vec<Point2> = points.iter().flatten().map(flat).collect();
    sort(&mut flats);
    let mut ring = chain(flats.iter().copied());
    ring.pop();
    let mut back = chain(flats.iter().rev().copied());
    back.pop();
    ring.extend(back);
    ring.into_iter().map(lift).collect()
}

/// The taut tape from one point to another over those points of the plane that lie on the `outward`
/// side of their chord. All points must lie in the plane.
pub(super) fn taut_arc(
    points: &[[Point3; 2]],
    from: Point3,
    to: Point3,
    outward: &Vector3,
) -> Vec<Point3> {
    let span = (to - from).norm();
    let Some(along) = (to - from).try_normalize(FLAT_MM2) else {
        return vec![from, to];
    };
    let Some(out) = (outward - along * along.dot(outward)).try_normalize(FLAT_MM2) else {
        return vec![from, to];
    };
    // the chord is the x axis and the surface lies above it; points may overhang the ends
    let mut flats: Vec<Point2> = points
        .iter()
        .flatten()
        .map(|p| Point2::new((p - from).dot(&along), (p - from).dot(&out)))
        .filter(|q| q.y > 0.0)
        .collect();
    flats.push(Point2::origin());
    flats.push(Point2::new(span, 0.0));
    sort(&mut flats);
    // counter-clockwise from the leftmost point the lower chain, then the upper one back: starting at
    // `to` and walking counter-clockwise meets every outer point and ends at `from`
    let mut ring = chain(flats.iter().copied());
    ring.pop();
    let mut upper = chain(flats.iter().rev().copied());
    upper.pop();
    ring.extend(upper);
    let nearest = |target: Point2| {
        let gap = |q: &Point2| (q - target).norm_squared();
        (0..ring.len())
            .min_by(|&a, &b| gap(&ring[a]).total_cmp(&gap(&ring[b])))
            .unwrap_or(0)
    };
    let (start, end) = (nearest(Point2::new(span, 0.0)), nearest(Point2::origin()));
    let count = (end + ring.len() - start) % ring.len();
    let mut path: Vec<Point3> = (0..=count)
        .map(|i| ring[(start + i) % ring.len()])
        .map(|q| from + along * q.x + out * q.y)
        .collect();
    path.reverse();
    path
}

fn sort(points: &mut [Point2]) {
    points.sort_by(|a, b| a.x.total_cmp(&b.x).then(a.y.total_cmp(&b.y)));
}

/// Lower hull of points sorted by x (upper hull when they come sorted backwards).
fn chain(points: impl Iterator<Item = Point2>) -> Vec<Point2> {
    let mut hull: Vec<Point2> = Vec::new();
    for p in points {
        while let [.., a, b] = hull.as_slice() {
            let turn = (b - a).perp(&(p - b));
            if turn > 0.0 {
                break;
            }
            hull.pop();
        }
        hull.push(p);
    }
    hull
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tape_bridges_a_hollow() {
        let plane = Plane {
            point: Point3::origin(),
            normal: Vector3::z(),
        };
        let p = |x, y| Point3::new(x, y, 0.0);
        let points = [
            [p(0.0, 0.0), p(4.0, 0.0)],
            [p(4.0, 0.0), p(4.0, 3.0)],
            [p(4.0, 3.0), p(2.0, 1.0)],
            [p(2.0, 1.0), p(0.0, 3.0)],
            [p(0.0, 3.0), p(0.0, 0.0)],
        ];
        let ring = taut_loop(&points, &plane);
        assert_eq!(ring.len(), 4);
        let arc = taut_arc(&points, p(0.0, 0.0), p(4.0, 0.0), &Vector3::y());
        assert_eq!(arc.len(), 4);
        assert!((arc[0] - p(0.0, 0.0)).norm() < 1e-12);
        assert!((arc[3] - p(4.0, 0.0)).norm() < 1e-12);
        let length: f64 = arc.windows(2).map(|w| (w[1] - w[0]).norm()).sum();
        assert!((length - 10.0).abs() < 1e-12);
    }

    #[test]
    fn an_arc_may_overhang_its_ends() {
        // more than half a turn: the points beside the chord's ends belong to the tape
        let p = |x, y| Point3::new(x, y, 0.0);
        let points = [[p(-1.0, 1.0), p(0.0, 2.0)], [p(1.0, 2.0), p(2.0, 1.0)]];
        let arc = taut_arc(&points, p(0.0, 0.0), p(1.0, 0.0), &Vector3::y());
        assert_eq!(arc.len(), 6);
    }
}
