//! Measuring along the edges of a patch.

use crate::{
    Point3,
    dart::Anchor,
    mesh::{SurfacePoint, TriMesh, index},
};

use super::{Patch, Zone};

/// A closed edge with the distance run at every vertex.
#[derive(Debug, Clone)]
pub struct Edge {
    /// Vertices, the surface on the left.
    pub vertices: Vec<u32>,
    /// Distance from the first vertex, parallel to `vertices`, mm.
    pub run_mm: Vec<f64>,
    /// Length of the whole edge, mm.
    pub length_mm: f64,
}

/// A place on an edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct EdgePlace {
    /// Which edge: `None` the perimeter, otherwise the index of the loop in [`Patch::openings`].
    pub opening: Option<usize>,
    /// Distance along it from its first vertex, the surface on the left, mm.
    pub run_mm: f64,
    /// Where on the patch's mesh.
    pub point: SurfacePoint,
    /// Position, mm.
    pub position: Point3,
}

impl Edge {
    /// Measures a closed ring of boundary vertices.
    #[must_use]
    pub fn new(mesh: &TriMesh, ring: &[u32]) -> Self {
        let mut run_mm = Vec::with_capacity(ring.len());
        let mut length_mm = 0.0;
        for (k, &v) in ring.iter().enumerate() {
            run_mm.push(length_mm);
            let w = ring[(k + 1) % ring.len()];
            length_mm += (mesh.position(w) - mesh.position(v)).norm();
        }
        Self {
            vertices: ring.to_vec(),
            run_mm,
            length_mm,
        }
    }

    /// The place a distance along the edge, counted round and round, either way.
    #[must_use]
    pub fn at(&self, mesh: &TriMesh, run_mm: f64) -> (SurfacePoint, Point3) {
        let run = run_mm.rem_euclid(self.length_mm);
        let k = self.run_mm.partition_point(|&r| r <= run).max(1) - 1;
        let step = self.run_mm.get(k + 1).unwrap_or(&self.length_mm) - self.run_mm[k];
        let t = if step > 0.0 {
            (run - self.run_mm[k]) / step
        } else {
            0.0
        };
        let point = if t <= 0.0 {
            SurfacePoint::Vertex(self.vertices[k])
        } else {
            SurfacePoint::Edge {
                half_edge: mesh.outgoing(self.vertices[k]),
                t: t.min(1.0),
            }
        };
        (point, point.position(mesh))
    }

    /// Distance along the edge of its point nearest to a place, and how far off that is, mm.
    #[must_use]
    pub fn nearest(&self, mesh: &TriMesh, place: Point3) -> (f64, f64) {
        let mut best = (0.0, f64::INFINITY);
        for (k, &v) in self.vertices.iter().enumerate() {
            let a = mesh.position(v);
            let d = mesh.position(self.vertices[(k + 1) % self.vertices.len()]) - a;
            let long = d.norm_squared();
            let t = if long > 0.0 {
                ((place - a).dot(&d) / long).clamp(0.0, 1.0)
            } else {
                0.0
            };
            let gap = (place - (a + d * t)).norm();
            if gap < best.1 {
                best = (self.run_mm[k] + t * long.sqrt(), gap);
            }
        }
        best
    }
}

impl Patch {
    /// The perimeter, measured from [`Patch::perimeter`]'s first vertex.
    #[must_use]
    pub fn perimeter_edge(&self) -> Edge {
        Edge::new(&self.mesh, &self.perimeter)
    }

    /// The edges of the openings that don't reach the perimeter.
    #[must_use]
    pub fn opening_edges(&self) -> Vec<Edge> {
        self.openings
            .iter()
            .map(|ring| Edge::new(&self.mesh, ring))
            .collect()
    }

    /// The maker's number (from 0) of the opening that perimeter edge `k` runs round, if any.
    #[must_use]
    pub fn opening_along(&self, k: usize) -> Option<usize> {
        self.numbers.along_perimeter.get(k).copied().flatten()
    }

    /// The maker's number (from 0) of a loop in [`Patch::openings`].
    #[must_use]
    pub fn opening_number(&self, ring: usize) -> usize {
        self.numbers.of_loops.get(ring).copied().unwrap_or(ring)
    }

    /// The loop in [`Patch::openings`] of the maker's opening `number` (from 0), unless it reaches
    /// the perimeter or does not exist.
    #[must_use]
    pub fn opening_loop(&self, number: usize) -> Option<usize> {
        (0..self.openings.len()).find(|&k| self.opening_number(k) == number)
    }

    /// Where counting from an anchor starts, and whether + runs along the edge (+1, the surface on
    /// the left) or against it (−1). `None` for an opening that does not exist.
    ///
    /// Seen from above with the front up, the perimeter runs front, left, nape, right. So + is along
    /// it at the front (to the client's left) and at the right ear (to the front), against it at the
    /// nape and the left ear.
    #[must_use]
    pub fn anchor(&self, anchor: Anchor) -> Option<(EdgePlace, f64)> {
        let head = &self.head;
        let (opening, landmark, way) = match anchor {
            Anchor::Front => (None, head.front, 1.0),
            Anchor::Nape => (None, head.nape, -1.0),
            Anchor::LeftEar => (None, head.left_ear, -1.0),
            Anchor::RightEar => (None, head.right_ear, 1.0),
            Anchor::Opening(number) => match self.opening_loop(number) {
                Some(ring) => (Some(ring), head.front, 1.0),
                None => return self.anchor_round_u(number),
            },
        };
        let edge = self.edge(opening);
        let (run, _) = edge.nearest(&self.mesh, landmark);
        Some((self.place(&edge, opening, run), way))
    }

    /// An opening that reaches the perimeter counts from the place on its stretch nearest the front
    /// landmark.
    fn anchor_round_u(&self, number: usize) -> Option<(EdgePlace, f64)> {
        let edge = self.perimeter_edge();
        let run = (0..self.perimeter.len())
            .filter(|&k| self.opening_along(k) == Some(number))
            .min_by(|&a, &b| {
                let gap =
                    |k: usize| (self.mesh.position(self.perimeter[k]) - self.head.front).norm();
                gap(a).total_cmp(&gap(b))
            })
            .map(|k| edge.run_mm[k])?;
        Some((self.place(&edge, None, run), 1.0))
    }

    /// The place `along_mm` from an anchor, by the anchor's own sense of +.
    #[must_use]
    pub fn point_along(&self, anchor: Anchor, along_mm: f64) -> Option<EdgePlace> {
        let (start, way) = self.anchor(anchor)?;
        let edge = self.edge(start.opening);
        Some(self.place(&edge, start.opening, start.run_mm + way * along_mm))
    }

    fn edge(&self, opening: Option<usize>) -> Edge {
        Edge::new(
            &self.mesh,
            opening.map_or(&self.perimeter, |k| &self.openings[k]),
        )
    }

    pub(crate) fn place(&self, edge: &Edge, opening: Option<usize>, run: f64) -> EdgePlace {
        let (point, position) = edge.at(&self.mesh, run);
        EdgePlace {
            opening,
            run_mm: run.rem_euclid(edge.length_mm),
            point,
            position,
        }
    }

    /// Zone of every perimeter edge by its middle: half-way in arc between the landmarks' places on
    /// the perimeter. Where those don't come in order (a piece for part of the head), by the bearing
    /// from the piece's own middle, in quarters.
    pub(super) fn find_zones(&self) -> Vec<Zone> {
        let edge = self.perimeter_edge();
        let run = |place: Point3| edge.nearest(&self.mesh, place).0;
        let head = &self.head;
        let front = run(head.front);
        let from_front = |place: Point3| (run(place) - front).rem_euclid(edge.length_mm);
        let (left, nape, right) = (
            from_front(head.left_ear),
            from_front(head.nape),
            from_front(head.right_ear),
        );
        let middle_of = |k: usize| {
            edge.run_mm[k]
                + 0.5 * (edge.run_mm.get(k + 1).unwrap_or(&edge.length_mm) - edge.run_mm[k])
        };
        let all = 0..self.perimeter.len();
        // A piece for part of the head has landmarks bunched at one place or out of order.
        let least = 0.03 * edge.length_mm;
        let whole = edge.length_mm;
        if left > least && nape > left + least && right > nape + least && whole > right + least {
            let bounds = [
                (0.5 * left, Zone::Front),
                (0.5 * (left + nape), Zone::Left),
                (0.5 * (nape + right), Zone::Nape),
                (0.5 * (right + whole), Zone::Right),
            ];
            return all
                .map(|k| {
                    let at = (middle_of(k) - front).rem_euclid(whole);
                    bounds
                        .iter()
                        .find(|b| at < b.0)
                        .map_or(Zone::Front, |b| b.1)
                })
                .collect();
        }
        let mut centre = nalgebra::Vector3::zeros();
        for &v in &self.perimeter {
            centre += self.mesh.position(v).coords;
        }
        centre /= self.perimeter.len() as f64;
        all.map(|k| {
            let d = edge.at(&self.mesh, middle_of(k)).1.coords - centre;
            let (x, y) = (d.dot(&head.right), d.dot(&head.forward));
            if y.abs() >= x.abs() {
                if y >= 0.0 { Zone::Front } else { Zone::Nape }
            } else if x < 0.0 {
                Zone::Left
            } else {
                Zone::Right
            }
        })
        .collect()
    }

    /// The vertex of the patch's mesh nearest the crown, with its distance, mm.
    #[must_use]
    pub fn crown_vertex(&self) -> (u32, f64) {
        let gap = |v: u32| (self.mesh.position(v) - self.head.crown).norm();
        let best = (0..index(self.mesh.vertex_count()))
            .min_by(|&a, &b| gap(a).total_cmp(&gap(b)))
            .unwrap_or(0);
        (best, gap(best))
    }
}
