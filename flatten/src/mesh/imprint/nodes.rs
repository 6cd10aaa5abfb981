//! The points that lines need: old vertices, points on edges, points in faces.

use std::collections::BTreeMap;

use crate::{
    Point3,
    mesh::{NONE, SurfacePoint, TriMesh, index},
};

use super::{Line, SNAP_FRACTION, SNAP_MM};

/// All points that lines need, old vertices first.
pub(super) struct Nodes<'a> {
    pub(super) mesh: &'a TriMesh,
    pub(super) added: Vec<SurfacePoint>,
    /// Added nodes on each edge (lower half-edge) with their fraction of its length.
    pub(super) on_edges: BTreeMap<u32, Vec<(f64, u32)>>,
    pub(super) in_faces: BTreeMap<u32, Vec<u32>>,
}

impl<'a> Nodes<'a> {
    pub(super) fn new(mesh: &'a TriMesh) -> Self {
        Self {
            mesh,
            added: Vec::new(),
            on_edges: BTreeMap::new(),
            in_faces: BTreeMap::new(),
        }
    }

    pub(super) fn place(&self, node: u32) -> SurfacePoint {
        match (node as usize).checked_sub(self.mesh.vertex_count()) {
            None => SurfacePoint::Vertex(node),
            Some(k) => self.added[k],
        }
    }

    pub(super) fn position(&self, node: u32) -> Point3 {
        self.place(node).position(self.mesh)
    }

    pub(super) fn add(&mut self, place: SurfacePoint) -> u32 {
        self.added.push(place);
        index(self.mesh.vertex_count() + self.added.len() - 1)
    }

    /// Nodes of a line, without repeats and without steps that go straight back.
    pub(super) fn locate(&mut self, line: &Line) -> Vec<u32> {
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
    pub(super) fn along_edge(&self, a: u32, b: u32) -> Option<Vec<u32>> {
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
                let into = crate::mesh::prev(h);
                (mesh.tail(into) == w).then_some(into)
            })
            .map(lower)
    }

    /// Added nodes on a side of a face, from the half-edge's tail to its head, with the fraction.
    pub(super) fn side(&self, h: u32) -> Vec<(f64, u32)> {
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
