//! One touched face, laid in the plane and triangulated anew with its lines as edges.

use std::collections::BTreeMap;

use spade::{ConstrainedDelaunayTriangulation, Triangulation};

use crate::mesh::{
    SurfacePoint, index,
    surface::{FaceFrame, cross},
};

use super::{ImprintError, SNAP_FRACTION, SNAP_MM, Step, nodes::Nodes};

/// Most rounds of splitting lines in one face; each round ends with fewer crossings.
const MOST_ROUNDS: usize = 64;

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
pub(super) fn divide(
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
