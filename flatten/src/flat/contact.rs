//! A cushion between stretches of boundary that come near one another.
//!
//! Where a surface curves like a saddle a cut wants to close over itself: its legs are pushed
//! together and would cross. The cushion costs nothing until a boundary vertex is nearer to a
//! boundary edge than its reach ε, and then grows without bound: (ε/d − 1)², Smith & Schaefer 2015,
//! section 4 (10.1145/2766947). Only brought in when a descent has run into its own boundary, since it
//! holds the legs of every dart a hair apart.
//!
//! The reach is [`CUSHION`] of the way to where the two meet along the boundary, so that a dart's point may be
//! sharp, and no more than [`CUSHION`] of [`FAR`] (of an edge, where edges are longer), so that a fine mesh and a
//! coarse copy of it are kept apart alike. Of the edges' length alone, as it was, it shrank with them, and steps
//! that may not pass it with it.

use crate::mesh::TriMesh;

use super::curvature::Curvature;

/// Reach of the cushion relative to the way along the boundary.
const CUSHION: f64 = 0.05;
/// Way along the boundary beyond which the reach no longer grows, as a part of the surface's width (the root of its
/// area): 2 mm on a head.
const FAR: f64 = 0.008;

/// Boundary edges with their reach.
#[derive(Debug)]
pub(crate) struct Contact {
    edges: Vec<Edge>,
    weight: f64,
}

/// An edge of the boundary and the vertex that it leaves.
#[derive(Debug)]
struct Edge {
    ends: (u32, u32),
    /// Number of its loop, the loop's length, and where in it the edge begins, mm.
    ring: usize,
    round_mm: f64,
    at_mm: f64,
    length_mm: f64,
    /// Most that the edge and its first vertex reach, mm.
    most: [f64; 2],
}

impl Edge {
    /// Reach of the cushion between another edge's first vertex and this edge.
    fn reach_of(&self, vertex: &Self) -> f64 {
        let most = vertex.most[1].min(self.most[0]);
        if vertex.ring != self.ring {
            return most;
        }
        // Half the way from the vertex to the farther end.
        let way = |end_mm: f64| {
            let apart = (vertex.at_mm - end_mm).abs();
            apart.min((self.round_mm - apart).abs())
        };
        let farther = way(self.at_mm).max(way(self.at_mm + self.length_mm));
        most.min(CUSHION * 0.5 * farther)
    }
}

/// A vertex in the cushion of an edge.
struct Touch {
    reach: f64,
    distance: f64,
    /// Unit direction from the edge to the vertex.
    normal: [f64; 2],
    /// How the distance grows when the vertex and the edge's ends move along `normal`.
    shares: [(u32, f64); 3],
}

struct Span {
    low: f64,
    high: f64,
    item: usize,
}

impl Contact {
    /// `weight` scales the cushion's mean over the boundary's length against the mean over area.
    pub(crate) fn new(mesh: &TriMesh, loops: &[Vec<u32>], weight: f64) -> Self {
        let far = FAR * mesh.area().sqrt();
        let mut edges = Vec::new();
        for (ring, vertices) in loops.iter().enumerate() {
            let count = vertices.len();
            let ends = |k: usize| (vertices[k % count], vertices[(k + 1) % count]);
            let length = |k: usize| {
                let (a, b) = ends(k);
                (mesh.position(b) - mesh.position(a)).norm()
            };
            let round_mm = (0..count).map(length).sum();
            let mut at_mm = 0.0;
            for k in 0..count {
                let (own, before) = (length(k), length(k + count - 1));
                edges.push(Edge {
                    ends: ends(k),
                    ring,
                    round_mm,
                    at_mm,
                    length_mm: own,
                    most: [own, own.min(before)].map(|edge| CUSHION * edge.max(far)),
                });
                at_mm += own;
            }
        }
        let weight = weight / edges.len() as f64;
        Self { edges, weight }
    }

    /// Adds the cushion's forces and returns its cost.
    pub(crate) fn add(&self, uv: &[[f64; 2]], gradient: &mut [[f64; 2]]) -> f64 {
        let mut cost = 0.0;
        self.touching(uv, |touch| {
            let over = touch.reach / touch.distance - 1.0;
            cost += self.weight * over * over;
            let slope = -2.0 * self.weight * over * touch.reach / (touch.distance * touch.distance);
            for (v, share) in touch.shares {
                let [x, y] = touch.normal.map(|n| slope * share * n);
                gradient[v as usize][0] += x;
                gradient[v as usize][1] += y;
            }
        });
        cost
    }

    /// Pairs of vertices that push one another across a gap.
    pub(crate) fn pairs(&self, uv: &[[f64; 2]]) -> Vec<(u32, u32)> {
        let mut pairs = Vec::new();
        self.touching(uv, |touch| {
            let [(v, _), (a, _), (b, _)] = touch.shares;
            pairs.extend([(v, a), (v, b)]);
        });
        pairs
    }

    /// Adds the cushion's curvature square to the edges.
    pub(crate) fn stiffen(&self, uv: &[[f64; 2]], curvature: &mut Curvature) {
        self.touching(uv, |touch| {
            let ratio = touch.reach / touch.distance;
            let bend = 2.0 * ratio * (3.0 * ratio - 2.0) / (touch.distance * touch.distance);
            let parts = touch
                .shares
                .map(|(v, share)| (v, touch.normal.map(|n| share * n)));
            curvature.add_stiff(&parts, self.weight * bend);
        });
    }

    /// Calls `visit` for each boundary vertex within the cushion of an edge it does not belong to.
    fn touching(&self, uv: &[[f64; 2]], mut visit: impl FnMut(Touch)) {
        self.near_pairs(uv, |vertex_at, edge_at| {
            let (from, edge) = (&self.edges[vertex_at], &self.edges[edge_at]);
            let (vertex, (a, b)) = (from.ends.0, edge.ends);
            if vertex == a || vertex == b {
                return;
            }
            let reach = edge.reach_of(from);
            let [p, a_at, b_at] = [vertex, a, b].map(|v| uv[v as usize]);
            let side = [b_at[0] - a_at[0], b_at[1] - a_at[1]];
            let to = [p[0] - a_at[0], p[1] - a_at[1]];
            let along = (to[0] * side[0] + to[1] * side[1])
                / (side[0] * side[0] + side[1] * side[1]).max(f64::MIN_POSITIVE);
            let along = along.clamp(0.0, 1.0);
            let apart = [to[0] - along * side[0], to[1] - along * side[1]];
            let distance = apart[0].hypot(apart[1]);
            if distance < reach && distance > 0.0 {
                visit(Touch {
                    reach,
                    distance,
                    normal: apart.map(|x| x / distance),
                    // The foot of the perpendicular moves with the edge's ends.
                    shares: [(vertex, 1.0), (a, along - 1.0), (b, -along)],
                });
            }
        });
    }

    /// Calls `visit(vertex, edge)` for each boundary vertex whose box meets an edge's, both widened
    /// by their reach: a sweep along x. Vertices are named by the edge that leaves them.
    fn near_pairs(&self, uv: &[[f64; 2]], mut visit: impl FnMut(usize, usize)) {
        let ends = |at: usize| {
            let (a, b) = self.edges[at].ends;
            (uv[a as usize], uv[b as usize])
        };
        let mut spans: Vec<Span> = (0..self.edges.len())
            .map(|item| {
                let (a, b) = ends(item);
                let reach = self.edges[item].most[0];
                Span {
                    low: a[0].min(b[0]) - reach,
                    high: a[0].max(b[0]) + reach,
                    item,
                }
            })
            .collect();
        spans.sort_by(|a, b| a.low.total_cmp(&b.low).then(a.item.cmp(&b.item)));
        for (at, first) in spans.iter().enumerate() {
            let (a, b) = ends(first.item);
            for second in spans[at + 1..].iter().take_while(|s| s.low <= first.high) {
                let (c, d) = ends(second.item);
                let reach = self.edges[first.item].most[0] + self.edges[second.item].most[0];
                if c[1].min(d[1]) - reach <= a[1].max(b[1])
                    && a[1].min(b[1]) - reach <= c[1].max(d[1])
                {
                    visit(first.item, second.item);
                    visit(second.item, first.item);
                }
            }
        }
    }
}
