//! Lines drawn into a mesh, so that they run along its edges.
//!
//! In: a mesh and lines over it (neighbouring points share a face). Out: the same surface with the
//! lines' points as vertices and the lines as edges; crossings of lines are vertices too.
//!
//! # Method
//! Every point becomes a node on a vertex, an edge or a face; both faces of an edge see the same
//! nodes. A face that is touched is laid in the plane, its lines are split where they meet, and it is
//! triangulated anew by constrained Delaunay triangulation (crate `spade`; Chew 1989, "Constrained
//! Delaunay triangulations", Algorithmica 4). The triangulation works in corner weights, where the
//! nodes of a side are collinear to the last bit, so neither slivers nor gaps appear along the sides;
//! Lawson flips in the face's true metric follow. Faces that no line touches keep their number.
//!
//! The surface does not move: area is conserved to round-off. Lines move by at most [`SNAP_MM`] a
//! point. Cost: the faces touched, and one pass to find neighbours in the new mesh.

use std::collections::BTreeMap;

use spade::{ConstrainedDelaunayTriangulation, Triangulation};

use crate::Point3;

use super::{
    MeshError, NONE, SurfacePoint, TriMesh, index,
    surface::{FaceFrame, common_face, cross},
};

/// A point nearer than this to a vertex, an edge or another point is moved onto it, mm. A twentieth
/// of the width of a pen line; without it needles appear that no map can lay flat.
pub const SNAP_MM: f64 = 0.05;

/// …but by no more than this fraction of the edge's length or the face's height, so that lines over
/// very fine meshes keep their course.
pub const SNAP_FRACTION: f64 = 0.05;

/// Most rounds of splitting lines in one face; each round ends with fewer crossings.
const MOST_ROUNDS: usize = 64;

/// A mesh with lines drawn into it.
#[derive(Debug, Clone)]
pub struct Imprint {
    /// The surface; vertices and faces of the old one keep their number, those of divided faces
    /// excepted.
    pub mesh: TriMesh,
    /// Vertices of each line; neighbours are joined by an edge. A closed line does not repeat its
    /// first vertex.
    pub paths: Vec<Vec<u32>>,
    /// Face of the old mesh that each face lies in.
    pub face_source: Vec<u32>,
    /// Where on the old mesh the added vertices lie; the first of them has the old number of
    /// vertices.
    pub added: Vec<SurfacePoint>,
}

/// A line to draw.
#[derive(Debug, Clone)]
pub struct Line {
    /// Points; neighbours share a face.
    pub points: Vec<SurfacePoint>,
    /// Whether the last point is joined to the first.
    pub closed: bool,
}

/// Why lines can't be drawn into a mesh.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum ImprintError {
    /// Two neighbouring points of a line share no face.
    #[error("two neighbouring points of a line at {place} share no triangle")]
    Gap {
        /// The first of them.
        place: Point3,
    },
    /// Lines run so close together that they can't be told apart.
    #[error("lines run too close together at {place}")]
    TooClose {
        /// Near there.
        place: Point3,
    },
    /// The result is not a surface.
    #[error(transparent)]
    Mesh(#[from] MeshError),
}

/// Draws lines into a mesh.
///
/// # Errors
/// [`ImprintError::Gap`] when a line leaves the surface between two points,
/// [`ImprintError::TooClose`] when lines can't be told apart at working precision.
pub fn imprint(mesh: &TriMesh, lines: &[Line]) -> Result<Imprint, ImprintError> {
    let mut nodes = Nodes::new(mesh);
    let located: Vec<Vec<u32>> = lines.iter().map(|line| nodes.locate(line)).collect();

    // Steps of the lines, gathered by the face they cross; steps along an edge need no face.
    let mut in_face: BTreeMap<u32, Vec<Step>> = BTreeMap::new();
    let mut chains: Vec<Vec<Vec<u32>>> = Vec::with_capacity(lines.len());
    for (number, (line, at)) in lines.iter().zip(&located).enumerate() {
        let steps = steps(at, line.closed);
        let mut chain = Vec::with_capacity(steps.len());
        for (place, &[a, b]) in steps.iter().enumerate() {
            if let Some(along) = nodes.along_edge(a, b) {
                chain.push(along);
                continue;
            }
            let face = common_face(mesh, nodes.place(a), nodes.place(b)).ok_or_else(|| {
                ImprintError::Gap {
                    place: nodes.position(a),
                }
            })?;
            chain.push(Vec::new());
            in_face.entry(face).or_default().push(Step {
                line: number,
                place,
                nodes: vec![a, b],
            });
        }
        chains.push(chain);
    }

    let mut touched: BTreeMap<u32, Vec<Step>> = in_face;
    for &h in nodes.on_edges.keys() {
        touched.entry(h / 3).or_default();
        if mesh.twin(h) != NONE {
            touched.entry(mesh.twin(h) / 3).or_default();
        }
    }
    for &face in nodes.in_faces.keys() {
        touched.entry(face).or_default();
    }

    let mut faces = mesh.faces().to_vec();
    let mut face_source: Vec<u32> = (0..index(faces.len())).collect();
    for (face, mut steps) in touched {
        let parts = divide(&mut nodes, face, &mut steps)?;
        for (k, part) in parts.into_iter().enumerate() {
            if k == 0 {
                faces[face as usize] = part;
            } else {
                faces.push(part);
                face_source.push(face);
            }
        }
        for step in steps {
            chains[step.line][step.place] = step.nodes;
        }
    }
    let paths = chains
        .iter()
        .zip(&located)
        .zip(lines)
        .map(|((chain, at), line)| join(chain, at, line.closed))
        .collect();
    let mut positions = mesh.positions().to_vec();
    positions.extend(nodes.added.iter().map(|p| p.position(mesh)));
    Ok(Imprint {
        mesh: TriMesh::new(positions, faces)?,
        paths,
        face_source,
        added: nodes.added,
    })
}

/// Pairs of neighbouring nodes.
fn steps(at: &[u32], closed: bool) -> Vec<[u32; 2]> {
    let mut steps: Vec<[u32; 2]> = at.windows(2).map(|w| [w[0], w[1]]).collect();
    if closed && at.len() > 1 {
        steps.push([at[at.len() - 1], at[0]]);
    }
    steps
}

/// One list of vertices from the pieces of a line.
fn join(chain: &[Vec<u32>], at: &[u32], closed: bool) -> Vec<u32> {
    let Some(&first) = at.first() else {
        return Vec::new();
    };
    let mut path = vec![first];
    for piece in chain {
        path.extend(&piece[1..]);
    }
    if closed && path.len() > 1 {
        path.pop();
    }
    path
}

/// A line's way across one face.
struct Step {
    line: usize,
    place: usize,
    nodes: Vec<u32>,
}

/// All points that lines need, old vertices first.
struct Nodes<'a> {
    mesh: &'a TriMesh,
    added: Vec<SurfacePoint>,
    /// Added nodes on each edge (lower half-edge) with their fraction of its length.
    on_edges: BTreeMap<u32, Vec<(f64, u32)>>,
    in_faces: BTreeMap<u32, Vec<u32>>,
}

impl<'a> Nodes<'a> {
    fn new(mesh: &'a TriMesh) -> Self {
        Self {
            mesh,
            added: Vec::new(),
            on_edges: BTreeMap::new(),
            in_faces: BTreeMap::new(),
        }
    }

    fn place(&self, node: u32) -> SurfacePoint {
        match (node as usize).checked_sub(self.mesh.vertex_count()) {
            None => SurfacePoint::Vertex(node),
            Some(k) => self.added[k],
        }
    }

    fn position(&self, node: u32) -> Point3 {
        self.place(node).position(self.mesh)
    }

    fn add(&mut self, place: SurfacePoint) -> u32 {
        self.added.push(place);
        index(self.mesh.vertex_count() + self.added.len() - 1)
    }

    /// Nodes of a line, without repeats and without steps that go straight back.
    fn locate(&mut self, line: &Line) -> Vec<u32> {
        let mut at: Vec<u32> = Vec::with_capacity(line.points.len());
        for &point in &line.points {
            let node = self.node(point);
            if at.last() == Some(&node) {
                continue;
            }
            if at.len() >= 2 && at[at.len() - 2] == node {
                at.pop();
                continue;
            }
            at.push(node);
        }
        if line.closed {
            loop {
                let n = at.len();
                if n > 1 && at[0] == at[n - 1] {
                    at.pop();
                } else if n > 2 && at[1] == at[n - 1] {
                    at.remove(0);
                } else if n > 2 && at[0] == at[n - 2] {
                    at.pop();
                } else {
                    break;
                }
            }
        }
        at
    }

    fn node(&mut self, point: SurfacePoint) -> u32 {
        match point.canonical(self.mesh) {
            SurfacePoint::Vertex(v) => v,
            SurfacePoint::Edge { half_edge, t } => self.edge_node(half_edge, t),
            SurfacePoint::Face { face, bary } => self.face_node(face, bary),
        }
    }

    fn edge_node(&mut self, h: u32, t: f64) -> u32 {
        let (tail, head) = (self.mesh.tail(h), self.mesh.head(h));
        let length = (self.mesh.position(head) - self.mesh.position(tail)).norm();
        let reach = if length > 0.0 {
            (SNAP_MM / length).min(SNAP_FRACTION)
        } else {
            1.0
        };
        if t <= reach {
            return tail;
        }
        if t >= 1.0 - reach {
            return head;
        }
        let nodes = self.on_edges.entry(h).or_default();
        let near = nodes
            .iter()
            .map(|&(s, node)| ((s - t).abs(), node))
            .min_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((gap, node)) = near
            && gap <= reach
        {
            return node;
        }
        let node = self.add(SurfacePoint::Edge { half_edge: h, t });
        self.on_edges.entry(h).or_default().push((t, node));
        node
    }

    fn face_node(&mut self, face: u32, bary: [f64; 3]) -> u32 {
        let twice_area = 2.0 * self.mesh.face_area(face);
        let corners = self.mesh.corners(face);
        let mut weights = bary;
        let mut moves = false;
        for k in 0..3 {
            let side = (corners[(k + 2) % 3] - corners[(k + 1) % 3]).norm();
            let height = if side > 0.0 { twice_area / side } else { 0.0 };
            let reach = if height > 0.0 {
                (SNAP_MM / height).min(SNAP_FRACTION)
            } else {
                1.0
            };
            if weights[k] <= reach {
                weights[k] = 0.0;
                moves = true;
            }
        }
        let sum: f64 = weights.iter().sum();
        if moves && sum > 0.0 {
            let moved = SurfacePoint::from_weights(self.mesh, face, weights.map(|w| w / sum));
            return self.node(moved);
        }
        let place = SurfacePoint::Face { face, bary };
        let at = place.position(self.mesh);
        let nodes = self.in_faces.entry(face).or_default().clone();
        let near = nodes
            .iter()
            .map(|&n| ((self.position(n) - at).norm(), n))
            .min_by(|a, b| a.0.total_cmp(&b.0));
        let reach = SNAP_MM.min(SNAP_FRACTION * twice_area.sqrt());
        if let Some((gap, node)) = near
            && gap <= reach
        {
            return node;
        }
        let node = self.add(place);
        self.in_faces.entry(face).or_default().push(node);
        node
    }

    /// Fraction along edge `h` (lower half-edge) of a node on it.
    fn fraction(&self, h: u32, node: u32) -> Option<f64> {
        match self.place(node) {
            SurfacePoint::Vertex(v) if v == self.mesh.tail(h) => Some(0.0),
            SurfacePoint::Vertex(v) if v == self.mesh.head(h) => Some(1.0),
            SurfacePoint::Edge { half_edge, t } if half_edge == h => Some(t),
            _ => None,
        }
    }

    /// When both nodes lie on one edge: all nodes from one to the other.
    fn along_edge(&self, a: u32, b: u32) -> Option<Vec<u32>> {
        let h = match (self.place(a), self.place(b)) {
            (SurfacePoint::Edge { half_edge, .. }, _)
            | (_, SurfacePoint::Edge { half_edge, .. }) => half_edge,
            (SurfacePoint::Vertex(v), SurfacePoint::Vertex(w)) => self.edge_joining(v, w)?,
            _ => return None,
        };
        let (s, t) = (self.fraction(h, a)?, self.fraction(h, b)?);
        let mut between: Vec<(f64, u32)> = self
            .on_edges
            .get(&h)
            .into_iter()
            .flatten()
            .copied()
            .filter(|&(u, _)| u > s.min(t) && u < s.max(t))
            .collect();
        between.sort_by(|x, y| x.0.total_cmp(&y.0));
        if s > t {
            between.reverse();
        }
        let mut nodes = vec![a];
        nodes.extend(between.into_iter().map(|n| n.1));
        nodes.push(b);
        Some(nodes)
    }

    /// The lower half-edge of the edge between two vertices.
    fn edge_joining(&self, v: u32, w: u32) -> Option<u32> {
        let mesh = self.mesh;
        let lower = |h: u32| {
            if mesh.twin(h) == NONE {
                h
            } else {
                h.min(mesh.twin(h))
            }
        };
        mesh.fan(v)
            .find_map(|h| {
                if mesh.head(h) == w {
                    return Some(h);
                }
                let into = super::prev(h);
                (mesh.tail(into) == w).then_some(into)
            })
            .map(lower)
    }

    /// Added nodes on a side of a face, from the half-edge's tail to its head, with the fraction.
    fn side(&self, h: u32) -> Vec<(f64, u32)> {
        let twin = self.mesh.twin(h);
        let lower = h.min(twin);
        let mut nodes = self.on_edges.get(&lower).cloned().unwrap_or_default();
        if lower != h {
            for n in &mut nodes {
                n.0 = 1.0 - n.0;
            }
        }
        nodes.sort_by(|a, b| a.0.total_cmp(&b.0));
        nodes
    }
}

/// A touched face laid in the plane.
struct Cell {
    frame: FaceFrame,
    /// Nodes of the face: corners, sides, inside.
    nodes: Vec<u32>,
    /// Their place in the plane, parallel to `nodes`.
    flat: Vec<[f64; 2]>,
    /// Their place in corner weights (second, third), parallel to `nodes`.
    plain: Vec<[f64; 2]>,
    /// How near counts as touching, mm.
    reach: f64,
}

/// The triangles that replace a face; the steps are split where they meet.
fn divide(
    nodes: &mut Nodes<'_>,
    face: u32,
    steps: &mut [Step],
) -> Result<Vec<[u32; 3]>, ImprintError> {
    let corners = nodes.mesh.faces()[face as usize];
    let sides: [Vec<(f64, u32)>; 3] = std::array::from_fn(|k| nodes.side(3 * face + index(k)));
    let inside = nodes.in_faces.get(&face).cloned().unwrap_or_default();
    if inside.is_empty()
        && steps.len() <= 1
        && let Some(parts) = divide_by_one(nodes, corners, &sides, steps)
    {
        return Ok(parts);
    }
    let mut cell = Cell::new(nodes, face, corners, &sides, &inside);
    cell.split_steps(nodes, face, steps)?;
    let mut bonds: Vec<[usize; 2]> = Vec::new();
    let local: BTreeMap<u32, usize> = cell
        .nodes
        .iter()
        .enumerate()
        .map(|(i, &n)| (n, i))
        .collect();
    for step in steps.iter() {
        for w in step.nodes.windows(2) {
            let (i, j) = (local[&w[0]], local[&w[1]]);
            bonds.push([i.min(j), i.max(j)]);
        }
    }
    bonds.sort_unstable();
    bonds.dedup();
    let mut parts = cell.triangulate(&bonds).ok_or(ImprintError::TooClose {
        place: cell.frame.origin,
    })?;
    flip_to_delaunay(&mut parts, &cell.flat, &bonds);
    Ok(parts
        .into_iter()
        .map(|t| t.map(|i| cell.nodes[i]))
        .collect())
}

/// The common cases without a triangulator: at most one line straight across, at most one node a
/// side. `None` leaves the face to the general way.
fn divide_by_one(
    nodes: &Nodes<'_>,
    corners: [u32; 3],
    sides: &[Vec<(f64, u32)>; 3],
    steps: &[Step],
) -> Option<Vec<[u32; 3]>> {
    if sides.iter().any(|s| s.len() > 1) {
        return None;
    }
    let split: Vec<usize> = (0..3).filter(|&k| !sides[k].is_empty()).collect();
    let node = |k: usize| sides[k][0].1;
    match *split.as_slice() {
        [] if steps.is_empty() => Some(vec![corners]),
        [k] => {
            // One side split: join the node to the corner opposite, with or without a line there.
            let (a, b, c) = (corners[k], corners[(k + 1) % 3], corners[(k + 2) % 3]);
            let ends = steps.first().map(|s| [s.nodes[0], s.nodes[1]]);
            if ends.is_some_and(|e| e != [node(k), c] && e != [c, node(k)]) {
                return None;
            }
            Some(vec![[a, node(k), c], [node(k), b, c]])
        }
        [i, j] => {
            // Two sides split: their common corner comes off, the rest is a quadrilateral.
            let (first, second) = if (i + 1) % 3 == j { (i, j) } else { (j, i) };
            let (p, q) = (node(first), node(second));
            let ends = steps.first().map(|s| [s.nodes[0], s.nodes[1]]);
            if ends.is_none_or(|e| e != [p, q] && e != [q, p]) {
                return None;
            }
            let (a, b, c) = (corners[first], corners[second], corners[(second + 1) % 3]);
            let span = |u: u32, v: u32| (nodes.position(u) - nodes.position(v)).norm();
            let mut parts = vec![[p, b, q]];
            if span(a, q) <= span(p, c) {
                parts.extend([[a, p, q], [a, q, c]]);
            } else {
                parts.extend([[p, q, c], [a, p, c]]);
            }
            Some(parts)
        }
        _ => None,
    }
}

impl Cell {
    fn new(
        nodes: &Nodes<'_>,
        face: u32,
        corners: [u32; 3],
        sides: &[Vec<(f64, u32)>; 3],
        inside: &[u32],
    ) -> Self {
        let frame = FaceFrame::new(nodes.mesh, face);
        let mut cell = Self {
            frame,
            nodes: corners.to_vec(),
            flat: frame.corners.to_vec(),
            plain: vec![[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]],
            reach: SNAP_MM.min(SNAP_FRACTION * (2.0 * nodes.mesh.face_area(face)).sqrt()),
        };
        for (k, side) in sides.iter().enumerate() {
            for &(t, node) in side {
                let plain = match k {
                    0 => [t, 0.0],
                    1 => {
                        // Rounded once, so that the two add up to one exactly.
                        let x = 1.0 - t;
                        [x, 1.0 - x]
                    }
                    _ => [0.0, 1.0 - t],
                };
                cell.push(nodes, node, plain);
            }
        }
        for &node in inside {
            if let SurfacePoint::Face { bary, .. } = nodes.place(node) {
                cell.push(nodes, node, [bary[1], bary[2]]);
            }
        }
        cell
    }

    fn push(&mut self, nodes: &Nodes<'_>, node: u32, plain: [f64; 2]) {
        self.nodes.push(node);
        self.flat.push(self.frame.flat(nodes.position(node)));
        self.plain.push(plain);
    }

    /// Splits the steps at nodes they pass and at each other until none crosses another.
    fn split_steps(
        &mut self,
        nodes: &mut Nodes<'_>,
        face: u32,
        steps: &mut [Step],
    ) -> Result<(), ImprintError> {
        for _ in 0..MOST_ROUNDS {
            self.split_at_nodes(steps);
            if !self.split_at_crossings(nodes, face, steps) {
                return Ok(());
            }
        }
        Err(ImprintError::TooClose {
            place: self.frame.origin,
        })
    }

    fn at(&self, node: u32) -> [f64; 2] {
        // Few nodes a face, and a list that grows: looking along it is quick enough.
        self.nodes
            .iter()
            .position(|&n| n == node)
            .map_or([0.0; 2], |i| self.flat[i])
    }

    fn split_at_nodes(&self, steps: &mut [Step]) {
        for step in steps {
            let mut i = 0;
            while i + 1 < step.nodes.len() {
                let (a, b) = (step.nodes[i], step.nodes[i + 1]);
                let (p, q) = (self.at(a), self.at(b));
                let d = [q[0] - p[0], q[1] - p[1]];
                let long = d[0] * d[0] + d[1] * d[1];
                let mut nearest: Option<(f64, u32)> = None;
                for (&node, &r) in self.nodes.iter().zip(&self.flat) {
                    if step.nodes.contains(&node) {
                        continue;
                    }
                    let s = ((r[0] - p[0]) * d[0] + (r[1] - p[1]) * d[1]) / long;
                    let off = cross(p, q, r).abs() / long.sqrt();
                    if s > 0.0
                        && s < 1.0
                        && off < 0.5 * self.reach
                        && nearest.is_none_or(|n| s < n.0)
                    {
                        nearest = Some((s, node));
                    }
                }
                if let Some((_, node)) = nearest {
                    step.nodes.insert(i + 1, node);
                } else {
                    i += 1;
                }
            }
        }
    }

    fn split_at_crossings(&mut self, nodes: &mut Nodes<'_>, face: u32, steps: &mut [Step]) -> bool {
        for i in 0..steps.len() {
            for j in i..steps.len() {
                for a in 0..steps[i].nodes.len() - 1 {
                    let from = if i == j { a + 1 } else { 0 };
                    for b in from..steps[j].nodes.len() - 1 {
                        let one = [steps[i].nodes[a], steps[i].nodes[a + 1]];
                        let two = [steps[j].nodes[b], steps[j].nodes[b + 1]];
                        let Some(at) = self.crossing(one, two) else {
                            continue;
                        };
                        let node = self.node_at(nodes, face, at);
                        // The later one first, so that the earlier place stays true.
                        if !two.contains(&node) {
                            steps[j].nodes.insert(b + 1, node);
                        }
                        if !one.contains(&node) {
                            steps[i].nodes.insert(a + 1, node);
                        }
                        return true;
                    }
                }
            }
        }
        false
    }

    /// Where two steps cross inside both.
    fn crossing(&self, one: [u32; 2], two: [u32; 2]) -> Option<[f64; 2]> {
        if one.iter().any(|n| two.contains(n)) {
            return None;
        }
        let ([a, b], [c, d]) = (one.map(|n| self.at(n)), two.map(|n| self.at(n)));
        let (c1, c2) = (cross(a, b, c), cross(a, b, d));
        let (d1, d2) = (cross(c, d, a), cross(c, d, b));
        if c1 * c2 >= 0.0 || d1 * d2 >= 0.0 {
            return None;
        }
        let s = d1 / (d1 - d2);
        Some([a[0] + (b[0] - a[0]) * s, a[1] + (b[1] - a[1]) * s])
    }

    fn node_at(&mut self, nodes: &mut Nodes<'_>, face: u32, at: [f64; 2]) -> u32 {
        let near = self
            .nodes
            .iter()
            .zip(&self.flat)
            .map(|(&n, f)| ((f[0] - at[0]).hypot(f[1] - at[1]), n))
            .min_by(|x, y| x.0.total_cmp(&y.0));
        if let Some((gap, node)) = near
            && gap < 0.5 * self.reach
        {
            return node;
        }
        let bary = self.frame.weights(at);
        let node = nodes.add(SurfacePoint::Face { face, bary });
        nodes.in_faces.entry(face).or_default().push(node);
        self.push(nodes, node, [bary[1], bary[2]]);
        node
    }

    /// Triangles of local nodes with every bond as an edge; `None` when bonds can't all be kept.
    fn triangulate(&self, bonds: &[[usize; 2]]) -> Option<Vec<[usize; 3]>> {
        let mut mesh = ConstrainedDelaunayTriangulation::<spade::Point2<f64>>::new();
        let mut handles = Vec::with_capacity(self.plain.len());
        for p in &self.plain {
            handles.push(mesh.insert(spade::Point2::new(p[0], p[1])).ok()?);
        }
        if mesh.num_vertices() != self.plain.len() {
            return None;
        }
        for &[i, j] in bonds {
            if !mesh.can_add_constraint(handles[i], handles[j]) {
                return None;
            }
            mesh.add_constraint(handles[i], handles[j]);
            // A constraint through a third vertex is added in two parts.
            if !mesh.exists_constraint(handles[i], handles[j]) {
                return None;
            }
        }
        Some(
            mesh.inner_faces()
                .map(|f| f.vertices().map(|v| v.fix().index()))
                .collect(),
        )
    }
}

/// Flips edges that are neither lines nor sides until the triangulation is Delaunay in the plane.
fn flip_to_delaunay(parts: &mut [[usize; 3]], flat: &[[f64; 2]], bonds: &[[usize; 2]]) {
    let coord = |i: usize| robust::Coord {
        x: flat[i][0],
        y: flat[i][1],
    };
    // Lawson's count of flips is quadratic at worst; a face rarely needs more than one pass.
    for _ in 0..2 * flat.len() {
        let mut edges: BTreeMap<[usize; 2], (usize, usize)> = BTreeMap::new();
        let mut flipped = false;
        for (t, part) in parts.iter().enumerate() {
            for k in 0..3 {
                let (a, b) = (part[k], part[(k + 1) % 3]);
                edges.entry([a.min(b), a.max(b)]).or_insert((t, k));
            }
        }
        let mut stale = vec![false; parts.len()];
        for t in 0..parts.len() {
            for k in 0..3 {
                let [a, b, c] = [parts[t][k], parts[t][(k + 1) % 3], parts[t][(k + 2) % 3]];
                let key = [a.min(b), a.max(b)];
                let Some(&(u, j)) = edges.get(&key) else {
                    continue;
                };
                if u == t || stale[t] || stale[u] || bonds.binary_search(&key).is_ok() {
                    continue;
                }
                let d = parts[u][(j + 2) % 3];
                let convex = cross(flat[a], flat[d], flat[c]) > 0.0
                    && cross(flat[d], flat[b], flat[c]) > 0.0;
                if convex && robust::incircle(coord(a), coord(b), coord(c), coord(d)) > 0.0 {
                    parts[t] = [a, d, c];
                    parts[u] = [d, b, c];
                    (stale[t], stale[u]) = (true, true);
                    flipped = true;
                }
            }
        }
        if !flipped {
            break;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::mesh::{Nearest, shortest};

    fn tri((positions, faces): (Vec<[f64; 3]>, Vec<[u32; 3]>)) -> TriMesh {
        TriMesh::new(positions.into_iter().map(Point3::from).collect(), faces).unwrap()
    }

    fn are_edges(mesh: &TriMesh, path: &[u32]) -> bool {
        path.windows(2).all(|w| {
            mesh.fan(w[0])
                .any(|h| mesh.head(h) == w[1] || mesh.tail(super::super::prev(h)) == w[1])
        })
    }

    #[test]
    fn a_line_across_two_triangles_is_shared_by_both() {
        let p = |x, y| Point3::new(x, y, 0.0);
        let mesh = TriMesh::new(
            vec![p(0.0, 0.0), p(10.0, 0.0), p(10.0, 10.0), p(0.0, 10.0)],
            vec![[0, 1, 2], [0, 2, 3]],
        )
        .unwrap();
        let tree = Nearest::new(&mesh);
        let (a, ..) = tree.project(&mesh, p(7.0, 2.0));
        let (b, ..) = tree.project(&mesh, p(2.0, 6.0));
        let line = shortest(&mesh, a, b).unwrap();
        let out = imprint(
            &mesh,
            &[Line {
                points: line.points,
                closed: false,
            }],
        )
        .unwrap();
        assert_eq!(out.paths[0].len(), 3);
        assert!(are_edges(&out.mesh, &out.paths[0]));
        assert!((out.mesh.area() - 100.0).abs() < 1e-12);
        assert_eq!(out.mesh.euler_characteristic(), 1);
    }

    #[test]
    fn crossings_become_vertices_of_both_lines() {
        let p = |x, y| Point3::new(x, y, 0.0);
        let mesh = TriMesh::new(
            vec![p(0.0, 0.0), p(90.0, 0.0), p(0.0, 90.0)],
            vec![[0, 1, 2]],
        )
        .unwrap();
        let tree = Nearest::new(&mesh);
        let line = |points: &[[f64; 2]], closed| Line {
            points: points
                .iter()
                .map(|q| tree.project(&mesh, p(q[0], q[1])).0)
                .collect(),
            closed,
        };
        let out = imprint(
            &mesh,
            &[
                line(&[[10.0, 10.0], [40.0, 40.0]], false),
                line(&[[10.0, 40.0], [40.0, 10.0]], false),
                line(
                    &[[20.0, 5.0], [50.0, 5.0], [50.0, 20.0], [20.0, 20.0]],
                    true,
                ),
            ],
        )
        .unwrap();
        let meeting: Vec<u32> = out.paths[0]
            .iter()
            .copied()
            .filter(|v| out.paths[1].contains(v))
            .collect();
        assert_eq!(meeting.len(), 1);
        assert!((out.mesh.position(meeting[0]) - p(25.0, 25.0)).norm() < 1e-12);
        for path in &out.paths {
            assert!(are_edges(&out.mesh, path));
        }
        assert!((out.mesh.area() - 4050.0).abs() < 1e-9);
    }

    #[test]
    fn random_lines_over_a_head_keep_its_area_and_shape() {
        let mesh = tri(fixtures::head(4));
        let tree = Nearest::new(&mesh);
        let mut lines = Vec::new();
        for k in 0..40 {
            let a = f64::from(k);
            let spot = |a: f64| {
                Point3::new(
                    90.0 * a.sin(),
                    110.0 * (1.7 * a).cos(),
                    120.0 * (0.6 * a).sin(),
                )
            };
            let (from, ..) = tree.project(&mesh, spot(a));
            let (to, ..) = tree.project(&mesh, spot(a + 0.8));
            lines.push(Line {
                points: shortest(&mesh, from, to).unwrap().points,
                closed: false,
            });
        }
        let out = imprint(&mesh, &lines).unwrap();
        assert!((out.mesh.area() / mesh.area() - 1.0).abs() < 1e-12);
        assert_eq!(out.mesh.euler_characteristic(), 2);
        assert_eq!(out.face_source.len(), out.mesh.face_count());
        for (path, line) in out.paths.iter().zip(&lines) {
            assert!(are_edges(&out.mesh, path));
            let length = |p: Vec<Point3>| p.windows(2).map(|w| (w[1] - w[0]).norm()).sum::<f64>();
            let drawn = length(path.iter().map(|&v| out.mesh.position(v)).collect());
            let wanted = length(line.points.iter().map(|p| p.position(&mesh)).collect());
            assert!((drawn / wanted - 1.0).abs() < 1e-3, "{drawn} {wanted}");
        }
        let mut by_source = vec![0.0; mesh.face_count()];
        for (f, &s) in out.face_source.iter().enumerate() {
            by_source[s as usize] += out.mesh.face_area(index(f));
        }
        for (f, area) in by_source.iter().enumerate() {
            assert!((area - mesh.face_area(index(f))).abs() < 1e-10);
        }
    }
}
