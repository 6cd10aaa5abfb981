//! A triangle mesh with its neighbours: what every later stage walks on.
//!
//! Half-edge `h = 3 f + k` runs along face `f` from corner `k` to corner `k + 1`. All else is
//! derived from that number, so no half-edge records are stored; `twins[h]` is the same edge seen
//! from the neighbouring face, or [`NONE`] on a boundary.
//!
//! ```text
//!            corner 2
//!              /\
//!    3f+2     /  \    3f+1        faces are counter-clockwise seen from outside the head
//!            /    \
//!  corner 0 /______\ corner 1
//!              3f
//! ```

use std::sync::{Arc, OnceLock};

use rayon::prelude::*;

use crate::{Point3, Vector3};

use super::{MeshError, SurfacePoint, cells::FaceCells, mend::EdgeTable, nearest::on_face};

/// Vertices or faces that one thread looks at.
const STRETCH: usize = 1 << 14;

/// "No such element" in index arrays.
pub const NONE: u32 = u32::MAX;

/// An oriented triangle mesh in which every edge has at most two faces and every vertex one fan.
///
/// Positions are millimetres. The constructor checks the law once; holders of the type trust it.
#[derive(Debug, Clone)]
pub struct TriMesh {
    positions: Vec<Point3>,
    faces: Vec<[u32; 3]>,
    twins: Vec<u32>,
    /// A half-edge leaving each vertex: on a boundary vertex the boundary half-edge itself.
    outgoing: Vec<u32>,
    /// Made when a place is first looked for; copies of a mesh share them.
    cells: OnceLock<Arc<FaceCells>>,
}

impl TriMesh {
    /// Checks the triangles and finds their neighbours.
    ///
    /// # Errors
    /// [`MeshError`] for an index out of range, a coordinate that is not finite, a face that names a
    /// vertex twice, an edge with more than two faces or two faces of opposite turn, or a vertex at
    /// which two fans meet.
    pub fn new(positions: Vec<Point3>, faces: Vec<[u32; 3]>) -> Result<Self, MeshError> {
        if faces.is_empty() {
            return Err(MeshError::Empty);
        }
        check(&positions, &faces)?;
        let twins = pair_half_edges(&positions, &faces)?;
        let outgoing = one_fan_a_vertex(&positions, &faces, &twins)?;
        Ok(Self {
            positions,
            faces,
            twins,
            outgoing,
            cells: OnceLock::new(),
        })
    }

    /// Vertex positions, millimetres.
    #[must_use]
    pub fn positions(&self) -> &[Point3] {
        &self.positions
    }

    /// Corner vertices of each face, counter-clockwise seen from outside.
    #[must_use]
    pub fn faces(&self) -> &[[u32; 3]] {
        &self.faces
    }

    /// Number of vertices, used or not.
    #[must_use]
    pub fn vertex_count(&self) -> usize {
        self.positions.len()
    }

    /// Number of triangles.
    #[must_use]
    pub fn face_count(&self) -> usize {
        self.faces.len()
    }

    /// Position of a vertex.
    #[must_use]
    #[inline]
    pub fn position(&self, vertex: u32) -> Point3 {
        self.positions[vertex as usize]
    }

    /// The same edge in the neighbouring face, or [`NONE`].
    #[must_use]
    pub fn twin(&self, half_edge: u32) -> u32 {
        self.twins[half_edge as usize]
    }

    /// Vertex a half-edge starts from.
    #[must_use]
    pub fn tail(&self, half_edge: u32) -> u32 {
        self.faces[(half_edge / 3) as usize][(half_edge % 3) as usize]
    }

    /// Vertex a half-edge runs to.
    #[must_use]
    pub fn head(&self, half_edge: u32) -> u32 {
        self.tail(next(half_edge))
    }

    /// Vertex of the half-edge's face that is not on it.
    #[must_use]
    pub fn apex(&self, half_edge: u32) -> u32 {
        self.tail(prev(half_edge))
    }

    /// A half-edge leaving the vertex; on the boundary the boundary one, so that turning
    /// counter-clockwise from it visits the whole fan. [`NONE`] for a vertex without faces.
    #[must_use]
    pub fn outgoing(&self, vertex: u32) -> u32 {
        self.outgoing[vertex as usize]
    }

    /// All half-edges leaving a vertex, counter-clockwise seen from outside.
    pub fn fan(&self, vertex: u32) -> impl Iterator<Item = u32> + '_ {
        let first = self.outgoing(vertex);
        let mut at = first;
        std::iter::from_fn(move || {
            if at == NONE {
                return None;
            }
            let here = at;
            at = self.twin(prev(at));
            if at == first {
                at = NONE;
            }
            Some(here)
        })
    }

    /// Whether the vertex lies on a boundary.
    #[must_use]
    pub fn on_boundary(&self, vertex: u32) -> bool {
        let h = self.outgoing(vertex);
        h != NONE && self.twin(h) == NONE
    }

    /// Boundary loops as vertex lists, the surface on the left of each, in order of their lowest
    /// half-edge.
    #[must_use]
    pub fn boundary_loops(&self) -> Vec<Vec<u32>> {
        let mut seen = vec![false; self.twins.len()];
        let mut loops = Vec::new();
        for start in 0..self.twins.len() {
            if seen[start] || self.twins[start] != NONE {
                continue;
            }
            let mut ring = Vec::new();
            let mut h = index(start);
            while !seen[h as usize] {
                seen[h as usize] = true;
                ring.push(self.tail(h));
                h = self.outgoing(self.head(h));
            }
            loops.push(ring);
        }
        loops
    }

    /// The first vertex of each connected part, rising.
    #[must_use]
    pub fn first_of_parts(&self) -> Vec<u32> {
        // Each vertex points to one before it in its part, the first to itself.
        let mut before: Vec<u32> = (0..index(self.vertex_count())).collect();
        for &[a, b, c] in &self.faces {
            for (a, b) in [(a, b), (b, c)] {
                let (a, b) = (follow(&mut before, a), follow(&mut before, b));
                before[a.max(b) as usize] = a.min(b);
            }
        }
        (0..index(self.vertex_count()))
            .filter(|&v| before[v as usize] == v && self.outgoing(v) != NONE)
            .collect()
    }

    /// Corner positions of a face.
    #[must_use]
    #[inline]
    pub fn corners(&self, face: u32) -> [Point3; 3] {
        let [a, b, c] = self.faces[face as usize];
        [self.position(a), self.position(b), self.position(c)]
    }

    /// Cross product of two sides: twice the area along the outward normal, mm².
    #[must_use]
    pub fn area_vector(&self, face: u32) -> Vector3 {
        let [a, b, c] = self.corners(face);
        (b - a).cross(&(c - a))
    }

    /// Area of a face, mm².
    #[must_use]
    pub fn face_area(&self, face: u32) -> f64 {
        0.5 * self.area_vector(face).norm()
    }

    /// The point of the surface closest to `point`: where it is on the mesh, its position and its distance, mm.
    ///
    /// The first call sorts the faces by place, in O(n), and each builds what search trees it needs near the
    /// point.
    #[must_use]
    pub fn project(&self, point: Point3) -> (SurfacePoint, Point3, f64) {
        let face = self.cells().closest(point, |face| self.corners(face));
        on_face(self, face, point)
    }

    /// Faces near a plane of unit normal, all those that it cuts among them, in the order of places.
    pub(crate) fn along_plane(&self, point: Point3, normal: Vector3) -> impl Iterator<Item = u32> {
        self.cells().along_plane(point, normal)
    }

    fn cells(&self) -> &FaceCells {
        let made = || Arc::new(FaceCells::new(&self.positions, &self.faces));
        self.cells.get_or_init(made)
    }

    /// Area of all faces, mm².
    #[must_use]
    pub fn area(&self) -> f64 {
        (0..index(self.face_count()))
            .map(|f| self.face_area(f))
            .sum()
    }

    /// Vertices − edges + faces: 1 for a disk, 0 with one opening, 2 for a closed head.
    #[must_use]
    pub fn euler_characteristic(&self) -> i64 {
        let boundary = self.twins.iter().filter(|&&t| t == NONE).count();
        let edges = (self.twins.len() + boundary) / 2;
        let used = self.outgoing.iter().filter(|&&h| h != NONE).count();
        used as i64 - edges as i64 + self.face_count() as i64
    }

    /// Sum of the corner angles at every vertex, radians.
    #[must_use]
    pub fn angle_sums(&self) -> Vec<f64> {
        let mut sums = vec![0.0; self.vertex_count()];
        for (face, corners) in self.faces.iter().enumerate() {
            let p = self.corners(index(face));
            for k in 0..3 {
                let (to_next, to_prev) = (p[(k + 1) % 3] - p[k], p[(k + 2) % 3] - p[k]);
                sums[corners[k] as usize] +=
                    to_next.cross(&to_prev).norm().atan2(to_next.dot(&to_prev));
            }
        }
        sums
    }

    /// Gaussian curvature gathered over the inside, radians: the angle that darts must take up.
    ///
    /// # Method
    /// Sum of 2π − (angle sum) over inner vertices. With the turning of the boundary it adds up to
    /// 2πχ (Gauss–Bonnet; Descartes for polyhedra).
    #[must_use]
    pub fn total_curvature(&self) -> f64 {
        let sums = self.angle_sums();
        (0..index(self.vertex_count()))
            .filter(|&v| self.outgoing(v) != NONE && !self.on_boundary(v))
            .map(|v| std::f64::consts::TAU - sums[v as usize])
            .sum()
    }

    /// The same triangles at other places, parallel to the vertices.
    ///
    /// # Errors
    /// [`MeshError::NotFinite`] for a coordinate that is not a number.
    ///
    /// # Panics
    /// When there are more or fewer places than vertices.
    pub fn with_positions(mut self, positions: Vec<Point3>) -> Result<Self, MeshError> {
        assert_eq!(
            positions.len(),
            self.positions.len(),
            "one place for each vertex"
        );
        let lost = |p: &Point3| !p.coords.iter().all(|c| c.is_finite());
        if let Some(vertex) = positions.iter().position(lost) {
            return Err(MeshError::NotFinite { vertex });
        }
        self.positions = positions;
        self.cells = OnceLock::new();
        Ok(self)
    }

    /// The arrays, for a stage that builds another mesh from them.
    #[must_use]
    pub fn into_parts(self) -> (Vec<Point3>, Vec<[u32; 3]>) {
        (self.positions, self.faces)
    }
}

/// The half-edge after `half_edge` round its face.
#[must_use]
pub fn next(half_edge: u32) -> u32 {
    if half_edge % 3 == 2 {
        half_edge - 2
    } else {
        half_edge + 1
    }
}

/// The half-edge before `half_edge` round its face.
#[must_use]
pub fn prev(half_edge: u32) -> u32 {
    if half_edge.is_multiple_of(3) {
        half_edge + 2
    } else {
        half_edge - 1
    }
}

/// Goes from a vertex to the one before it as far as that leads, and halves the way for those who come after.
fn follow(before: &mut [u32], mut vertex: u32) -> u32 {
    loop {
        let earlier = before[vertex as usize];
        if earlier == vertex {
            return vertex;
        }
        before[vertex as usize] = before[earlier as usize];
        vertex = before[vertex as usize];
    }
}

/// A count as an index.
///
/// # Panics
/// Above `u32::MAX`, which the scan readers refuse long before.
#[must_use]
pub fn index(count: usize) -> u32 {
    u32::try_from(count).expect("scan readers bound the size of a mesh")
}

/// Refuses places that are not numbers and corners that make no triangle.
fn check(positions: &[Point3], faces: &[[u32; 3]]) -> Result<(), MeshError> {
    let finite = |p: &Point3| p.coords.iter().all(|c| c.is_finite());
    if let Some(vertex) = first(positions, |_, p| !finite(p)) {
        return Err(MeshError::NotFinite { vertex });
    }
    let count = positions.len();
    let outside = |corners: &[u32; 3]| corners.iter().any(|&v| v as usize >= count);
    let repeated = |&[a, b, c]: &[u32; 3]| a == b || b == c || c == a;
    match first(faces, |_, corners| outside(corners) || repeated(corners)) {
        Some(face) if outside(&faces[face]) => Err(MeshError::IndexOutOfRange { face, count }),
        Some(face) => Err(MeshError::RepeatedCorner { face }),
        None => Ok(()),
    }
}

/// The number of the first thing that a fault is found in; stretch by stretch, since asking the other threads after each
/// one takes longer than looking.
fn first<T: Sync>(of: &[T], fault: impl Fn(usize, &T) -> bool + Sync) -> Option<usize> {
    let stretches = of.par_chunks(STRETCH).enumerate();
    stretches.find_map_first(|(k, stretch)| {
        let before = k * STRETCH;
        let mut things = stretch.iter().enumerate();
        let found = things.find(|&(j, thing)| fault(before + j, thing));
        found.map(|(j, _)| before + j)
    })
}

/// Twin of every half-edge, by bucketing the edges; deterministic and faster than hashing or sorting.
fn pair_half_edges(positions: &[Point3], faces: &[[u32; 3]]) -> Result<Vec<u32>, MeshError> {
    let table = EdgeTable::new(positions.len(), faces);
    let mut twins = vec![NONE; 3 * faces.len()];
    let tail = |h: u32| faces[(h / 3) as usize][(h % 3) as usize];
    for same in table.edges() {
        match *same {
            [_] => {}
            [(_, h), (_, g)] if tail(h) != tail(g) => {
                twins[h as usize] = g;
                twins[g as usize] = h;
            }
            _ => {
                let h = same[0].1;
                let place = positions[tail(h) as usize];
                let faces = same.iter().map(|&(_, h)| h / 3).collect();
                return Err(if same.len() == 2 {
                    MeshError::OppositeTurn { faces, place }
                } else {
                    MeshError::CrowdedEdge { faces, place }
                });
            }
        }
    }
    Ok(twins)
}

/// A half-edge leaving each vertex, boundary ones preferred; refuses a vertex with two fans.
fn one_fan_a_vertex(
    positions: &[Point3],
    faces: &[[u32; 3]],
    twins: &[u32],
) -> Result<Vec<u32>, MeshError> {
    let mut outgoing = vec![NONE; positions.len()];
    let mut corners = vec![0_u32; positions.len()];
    for (h, (&vertex, &twin)) in faces.as_flattened().iter().zip(twins).enumerate() {
        let vertex = vertex as usize;
        corners[vertex] += 1;
        if outgoing[vertex] == NONE || twin == NONE {
            outgoing[vertex] = index(h);
        }
    }
    let parted = |vertex: usize, corners: &u32| {
        let first = outgoing[vertex];
        let (mut at, mut reached) = (first, 0);
        while at != NONE {
            reached += 1;
            at = twins[prev(at) as usize];
            if at == first {
                break;
            }
        }
        reached != *corners
    };
    match first(&corners, parted) {
        Some(vertex) => Err(MeshError::TwoFans {
            vertex,
            place: positions[vertex],
        }),
        None => Ok(outgoing),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square() -> TriMesh {
        let p = |x, y| Point3::new(x, y, 0.0);
        TriMesh::new(
            vec![p(0.0, 0.0), p(1.0, 0.0), p(1.0, 1.0), p(0.0, 1.0)],
            vec![[0, 1, 2], [0, 2, 3]],
        )
        .unwrap()
    }

    #[test]
    fn a_square_of_two_triangles_has_one_loop_round_it() {
        let mesh = square();
        assert_eq!(mesh.boundary_loops(), vec![vec![0, 1, 2, 3]]);
        assert_eq!(mesh.euler_characteristic(), 1);
        assert!((mesh.area() - 1.0).abs() < 1e-15);
        assert_eq!(mesh.fan(0).count(), 2);
        assert!(mesh.on_boundary(2));
    }

    #[test]
    fn each_part_has_a_first_vertex() {
        let (positions, faces) = square().into_parts();
        assert_eq!(square().first_of_parts(), vec![0]);
        let beside = positions.iter().map(|p| p + Vector3::x() * 3.0);
        let both: Vec<Point3> = positions.iter().copied().chain(beside).collect();
        let others = faces.iter().map(|face| face.map(|v| v + 4));
        let mesh = TriMesh::new(both, faces.iter().copied().chain(others).collect()).unwrap();
        assert_eq!(mesh.first_of_parts(), vec![0, 4]);
    }

    #[test]
    fn a_third_face_on_an_edge_is_refused_with_its_place() {
        let (mut positions, mut faces) = square().into_parts();
        positions.push(Point3::new(0.0, 0.0, 1.0));
        faces.push([2, 0, 4]);
        faces.push([0, 2, 4]);
        assert!(matches!(
            TriMesh::new(positions, faces),
            Err(MeshError::CrowdedEdge { .. })
        ));
    }

    #[test]
    fn two_triangles_that_share_one_corner_are_refused() {
        let p = |x, y| Point3::new(x, y, 0.0);
        let positions = vec![
            p(0.0, 0.0),
            p(1.0, 0.0),
            p(0.0, 1.0),
            p(-1.0, 0.0),
            p(0.0, -1.0),
        ];
        let bow_tie = TriMesh::new(positions, vec![[0, 1, 2], [0, 3, 4]]);
        assert!(matches!(bow_tie, Err(MeshError::TwoFans { vertex: 0, .. })));
    }
}
