//! A panel's boundary as runs of one kind, cut at corners, mouths, points and seam ends.

use super::PieceError;
use crate::{
    Point2,
    dart::{EdgeKind, EdgeLoop, Panel},
    flat::FlatMap,
    plane::{self, signed_turn},
};

/// Kinds that one smooth curve may run through.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum RunKind {
    Perimeter,
    Opening(usize),
    Leg(usize, crate::dart::Side),
    Seam(usize, crate::dart::Side),
}

impl RunKind {
    pub(super) fn of(kind: EdgeKind) -> Self {
        match kind {
            EdgeKind::Perimeter(_) => RunKind::Perimeter,
            EdgeKind::Opening(i) => RunKind::Opening(i),
            EdgeKind::Dart(i, side) => RunKind::Leg(i, side),
            EdgeKind::Seam(i, side) => RunKind::Seam(i, side),
        }
    }

    /// Whether it is a finished edge, as against a line that is sewn to another.
    pub(super) fn is_edge(self) -> bool {
        matches!(self, RunKind::Perimeter | RunKind::Opening(_))
    }
}

/// Consecutive boundary edges that one curve will follow, the panel on the left.
#[derive(Debug, Clone)]
pub(super) struct Run {
    pub kind: RunKind,
    /// Panel vertices, both ends included.
    pub vertices: Vec<u32>,
    /// Their places in the plane, moved by truing.
    pub points: Vec<Point2>,
    /// Kind of each edge.
    pub kinds: Vec<EdgeKind>,
    /// Length up to each vertex on the head, mm.
    pub head: Vec<f64>,
    /// Whether the run is a whole ring without corner.
    pub closed: bool,
}

impl Run {
    pub(super) fn head_mm(&self) -> f64 {
        self.head.last().copied().unwrap_or(0.0)
    }

    pub(super) fn flat_mm(&self) -> f64 {
        plane::length(&self.points)
    }
}

/// A turn sharper than this is a corner that the maker drew, radians (45°; a full circle of 4 mm
/// radius turns as much within the window). Common practice, no source.
const CORNER_TURN: f64 = 0.785;
/// Directions on either side of a corner are taken over this length, mm: scan noise and the short
/// edges where a line was cut through triangles say nothing about the drawn line.
const CORNER_WINDOW_MM: f64 = 3.0;
/// Of corners closer than this only the sharpest counts, mm.
const CORNER_APART_MM: f64 = 4.0;

/// Cuts one boundary into runs, in order round it.
pub(super) fn runs(panel: &Panel, map: &FlatMap, ring: &EdgeLoop) -> Vec<Run> {
    let count = ring.vertices.len();
    let place = |i: usize| map.uv[ring.vertices[i % count] as usize];
    let points: Vec<Point2> = (0..count).map(place).collect();
    let mut breaks: Vec<usize> = (0..count)
        .filter(|&i| RunKind::of(ring.kinds[i]) != RunKind::of(ring.kinds[(i + count - 1) % count]))
        .collect();
    breaks.extend(corners(&points, ring, &breaks));
    breaks.sort_unstable();
    if breaks.is_empty() {
        // Starting where the zone changes keeps each zone in one stretch.
        let zone_change =
            (0..count).find(|&i| ring.kinds[i] != ring.kinds[(i + count - 1) % count]);
        return vec![run(
            panel,
            ring,
            &points,
            zone_change.unwrap_or(0),
            count,
            true,
        )];
    }
    let mut list = Vec::with_capacity(breaks.len());
    for (k, &from) in breaks.iter().enumerate() {
        let next = breaks[(k + 1) % breaks.len()];
        let size = if next > from {
            next - from
        } else {
            next + count - from
        };
        list.push(run(panel, ring, &points, from, size, false));
    }
    list
}

fn run(
    panel: &Panel,
    ring: &EdgeLoop,
    points: &[Point2],
    from: usize,
    edges: usize,
    closed: bool,
) -> Run {
    let count = ring.vertices.len();
    let vertices: Vec<u32> = (0..=edges)
        .map(|k| ring.vertices[(from + k) % count])
        .collect();
    let mut head = vec![0.0];
    for w in vertices.windows(2) {
        let step = (panel.mesh.position(w[1]) - panel.mesh.position(w[0])).norm();
        head.push(head[head.len() - 1] + step);
    }
    Run {
        kind: RunKind::of(ring.kinds[from]),
        points: (0..=edges).map(|k| points[(from + k) % count]).collect(),
        kinds: (0..edges).map(|k| ring.kinds[(from + k) % count]).collect(),
        vertices,
        head,
        closed,
    }
}

/// Vertices of finished edges where the line turns sharply, away from the ends of runs.
fn corners(points: &[Point2], ring: &EdgeLoop, breaks: &[usize]) -> Vec<usize> {
    let count = points.len();
    let mut sharp: Vec<(f64, usize)> = Vec::new();
    for i in 0..count {
        if !RunKind::of(ring.kinds[i]).is_edge() || breaks.contains(&i) {
            continue;
        }
        let ahead = walk(points, breaks, i, true);
        let behind = walk(points, breaks, i, false);
        let turn = signed_turn(points[i] - behind, ahead - points[i]).abs();
        if turn > CORNER_TURN {
            sharp.push((turn, i));
        }
    }
    sharp.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let mut kept: Vec<usize> = Vec::new();
    for (_, i) in sharp {
        if kept
            .iter()
            .all(|&k| (points[k] - points[i]).norm() > CORNER_APART_MM)
        {
            kept.push(i);
        }
    }
    kept
}

/// The place one window along the ring, not beyond a break.
fn walk(points: &[Point2], breaks: &[usize], from: usize, ahead: bool) -> Point2 {
    let count = points.len();
    let (mut at, mut left) = (from, CORNER_WINDOW_MM);
    for _ in 0..count {
        let next = if ahead {
            (at + 1) % count
        } else {
            (at + count - 1) % count
        };
        let step = points[next] - points[at];
        let size = step.norm();
        if size >= left && size > 0.0 {
            return points[at] + step * (left / size);
        }
        left -= size;
        at = next;
        if breaks.contains(&at) {
            break;
        }
    }
    points[at]
}

/// Checks that a panel, its map and its boundaries belong together.
pub(super) fn check(index: usize, panel: &Panel, map: &FlatMap) -> Result<(), PieceError> {
    let vertices = panel.mesh.vertex_count();
    if map.uv.len() != vertices {
        return Err(PieceError::Unplaced {
            panel: index,
            vertices,
            placed: map.uv.len(),
        });
    }
    if panel.loops.is_empty() {
        return Err(PieceError::BadLoop {
            panel: index,
            ring: 0,
            vertices: 0,
            kinds: 0,
        });
    }
    for (ring, edge_loop) in panel.loops.iter().enumerate() {
        let (here, kinds) = (edge_loop.vertices.len(), edge_loop.kinds.len());
        if here < 3 || here != kinds || edge_loop.vertices.iter().any(|&v| v as usize >= vertices) {
            return Err(PieceError::BadLoop {
                panel: index,
                ring,
                vertices: here,
                kinds,
            });
        }
    }
    Ok(())
}
