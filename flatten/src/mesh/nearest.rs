//! The closest point of some triangles.
//!
//! A tree of bounding boxes over the triangles finds the face; the place on it follows from the
//! regions of the triangle (Ericson, *Real-Time Collision Detection*, 2005, section 5.1.5).
//! Building costs O(n log n), a query O(log n) on surfaces of even triangles.

use bvh::{
    aabb::{Aabb, Bounded},
    bounding_hierarchy::BHShape,
    bvh::Bvh,
    point_query::PointDistance,
};

use crate::Point3;

use super::{SurfacePoint, TriMesh, surface::blend};

/// A search tree over some faces of a mesh.
pub(super) struct Tree {
    tree: Bvh<f64, 3>,
    triangles: Vec<Triangle>,
}

impl std::fmt::Debug for Tree {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Tree")
            .field("triangles", &self.triangles.len())
            .finish_non_exhaustive()
    }
}

impl Tree {
    /// Builds the tree of at least one face.
    pub(super) fn new(faces: &[u32], corners: impl Fn(u32) -> [Point3; 3]) -> Self {
        let mut triangles: Vec<Triangle> = faces
            .iter()
            .map(|&face| Triangle {
                corners: corners(face),
                face,
                node: 0,
            })
            .collect();
        let tree = Bvh::build(&mut triangles);
        Self { tree, triangles }
    }

    /// The face closest to a point and its squared distance, mm².
    pub(super) fn closest(&self, point: Point3) -> (u32, f64) {
        self.tree
            .nearest_to(point, &self.triangles)
            .map_or((self.triangles[0].face, f64::INFINITY), |(triangle, _)| {
                (triangle.face, triangle.distance_squared(point))
            })
    }
}

/// A corner weight below this is rounding. A landmark set on a vertex lay on it, on an edge or in a face as
/// the head was turned, and the search for the way there went on from other triangles: the darts of one head
/// in two places passed an opening on two sides.
const NO_WEIGHT: f64 = 1e-9;

/// The place of a face closest to a point, its position and its distance, mm.
pub(super) fn on_face(mesh: &TriMesh, face: u32, point: Point3) -> (SurfacePoint, Point3, f64) {
    let weights = closest(&mesh.corners(face), point);
    let weights = weights.map(|w| if w < NO_WEIGHT { 0.0 } else { w });
    let whole: f64 = weights.iter().sum();
    let weights = weights.map(|w| w / whole);
    let found = SurfacePoint::from_weights(mesh, face, weights).canonical(mesh);
    let position = found.position(mesh);
    (found, position, (point - position).norm())
}

/// Corner weights of the point of a triangle closest to `p`; exact zeros on its edges.
fn closest(corners: &[Point3; 3], p: Point3) -> [f64; 3] {
    let [a, b, c] = *corners;
    let (ab, ac) = (b - a, c - a);
    let (d1, d2) = (ab.dot(&(p - a)), ac.dot(&(p - a)));
    if d1 <= 0.0 && d2 <= 0.0 {
        return [1.0, 0.0, 0.0];
    }
    let (d3, d4) = (ab.dot(&(p - b)), ac.dot(&(p - b)));
    if d3 >= 0.0 && d4 <= d3 {
        return [0.0, 1.0, 0.0];
    }
    let (d5, d6) = (ab.dot(&(p - c)), ac.dot(&(p - c)));
    if d6 >= 0.0 && d5 <= d6 {
        return [0.0, 0.0, 1.0];
    }
    let vc = d1 * d4 - d3 * d2;
    if vc <= 0.0 && d1 >= 0.0 && d3 <= 0.0 {
        let t = d1 / (d1 - d3);
        return [1.0 - t, t, 0.0];
    }
    let vb = d5 * d2 - d1 * d6;
    if vb <= 0.0 && d2 >= 0.0 && d6 <= 0.0 {
        let t = d2 / (d2 - d6);
        return [1.0 - t, 0.0, t];
    }
    let va = d3 * d6 - d5 * d4;
    if va <= 0.0 && d4 - d3 >= 0.0 && d5 - d6 >= 0.0 {
        let t = (d4 - d3) / ((d4 - d3) + (d5 - d6));
        return [0.0, 1.0 - t, t];
    }
    let whole = va + vb + vc;
    [1.0 - vb / whole - vc / whole, vb / whole, vc / whole]
}

struct Triangle {
    corners: [Point3; 3],
    face: u32,
    node: usize,
}

impl Bounded<f64, 3> for Triangle {
    fn aabb(&self) -> Aabb<f64, 3> {
        let [a, b, c] = self.corners;
        Aabb::empty().grow(&a).grow(&b).grow(&c)
    }
}

impl BHShape<f64, 3> for Triangle {
    fn set_bh_node_index(&mut self, node: usize) {
        self.node = node;
    }
    fn bh_node_index(&self) -> usize {
        self.node
    }
}

impl PointDistance<f64, 3> for Triangle {
    fn distance_squared(&self, query: Point3) -> f64 {
        (query - blend(&self.corners, closest(&self.corners, query))).norm_squared()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::index;

    fn tent() -> TriMesh {
        let p = Point3::new;
        TriMesh::new(
            vec![
                p(0.0, 0.0, 0.0),
                p(4.0, 0.0, 0.0),
                p(4.0, 4.0, 0.0),
                p(0.0, 4.0, 0.0),
                p(2.0, 2.0, 2.0),
            ],
            vec![[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]],
        )
        .unwrap()
    }

    #[test]
    fn a_point_is_typed_by_what_holds_it() {
        let mesh = tent();
        let (top, _, distance) = mesh.project(Point3::new(2.0, 2.0, 5.0));
        assert_eq!(top, SurfacePoint::Vertex(4));
        assert!((distance - 3.0).abs() < 1e-12);
        let (rim, at, _) = mesh.project(Point3::new(1.0, -1.0, -1.0));
        assert_eq!(
            rim,
            SurfacePoint::Edge {
                half_edge: 0,
                t: 0.25
            }
        );
        assert!((at - Point3::new(1.0, 0.0, 0.0)).norm() < 1e-12);
        let (side, at, distance) = mesh.project(Point3::new(2.0, 0.0, 2.0));
        assert!(matches!(side, SurfacePoint::Face { face: 0, .. }));
        assert!((at - Point3::new(2.0, 1.0, 1.0)).norm() < 1e-12);
        assert!((distance - 2.0_f64.sqrt()).abs() < 1e-12);
    }

    #[test]
    fn a_point_that_is_a_vertex_but_for_rounding_is_that_vertex() {
        let mesh = tent();
        for [x, y] in [[1e-12, 3e-13], [-2e-12, 1e-12], [0.0, -1e-12]] {
            let near = Point3::new(2.0 + x, 2.0 + y, 2.0 - 4e-12);
            assert_eq!(mesh.project(near).0, SurfacePoint::Vertex(4));
        }
        let near = Point3::new(1.0, 1e-12, 1e-12);
        let (edge, ..) = mesh.project(near);
        assert!(
            matches!(edge, SurfacePoint::Edge { half_edge: 0, .. }),
            "{edge:?}"
        );
    }

    /// The distance of the closest point by a look at every face.
    fn plainly(mesh: &TriMesh, point: Point3) -> f64 {
        (0..index(mesh.face_count()))
            .map(|face| on_face(mesh, face, point).2)
            .fold(f64::INFINITY, f64::min)
    }

    #[test]
    fn many_cubes_and_a_look_at_every_face_agree() {
        let (positions, faces) = fixtures::icosphere(50.0, 5);
        // Longer in one direction, and one triangle that reaches through many cubes.
        let stretched = |p: [f64; 3]| Point3::new(p[0], 1.4 * p[1], p[2]);
        let mut positions: Vec<Point3> = positions.into_iter().map(stretched).collect();
        let mut faces = faces;
        let first = index(positions.len());
        let p = Point3::new;
        positions.extend([p(-60.0, 0.0, 90.0), p(60.0, 1.0, 90.0), p(0.0, 70.0, 95.0)]);
        faces.push([first, first + 1, first + 2]);
        let mesh = TriMesh::new(positions, faces).unwrap();
        for k in 0..200 {
            let a = f64::from(k);
            let point = Point3::new(
                70.0 * a.sin(),
                60.0 * (1.7 * a).cos(),
                75.0 * (0.3 * a).sin(),
            );
            let (_, at, d) = mesh.project(point);
            let e = plainly(&mesh, point);
            assert!((d - e).abs() < 1e-12, "{point}: {d} {e}");
            assert!(((at - point).norm() - d).abs() < 1e-12, "{point}: {at}");
        }
    }
}
