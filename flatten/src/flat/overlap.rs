//! Does a flat panel lie on itself?
//!
//! In: boundary loops and plane positions. Out: the places where boundaries cross, and the places
//! where the panel is folded although no boundary crosses near them (triangles turned over, vertices
//! that their triangles go round more than once).
//!
//! Method: a sweep over the boundary edges' boxes along the longer extent, then exact orientation
//! tests (Shewchuk 1997, 10.1007/PL00009321, by the crate `robust`). A map without flips and winding
//! whose boundary does not cross itself is one to one, so together the two tests are complete.
//! Cost: a sort, and as many box tests as edges share a stretch of the sweep's axis.
//!
//! Two edges that only touch, or enter one another by less than [`TOUCH`] of their own length, do not
//! count: the legs of a dart in a surface that needs none lie exactly on one another, and rounding
//! makes them cross.

use std::f64::consts::TAU;

use robust::{Coord, orient2d};

use crate::{
    Point2, Vector2,
    mesh::{TriMesh, index},
};

/// How deep an edge must enter another to cross it, relative to the shorter edge of the two.
pub const TOUCH: f64 = 1e-7;

/// How much more than a full turn the angles at a vertex may add up to, radians: round-off only.
const TURN_SLACK: f64 = 1e-9;

/// Two boundary edges that cross.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Crossing {
    /// Where, mm.
    pub place: Point2,
    /// The two edges as vertex pairs.
    pub edges: [(u32, u32); 2],
}

/// A place where a map folds over itself without a boundary crossing there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fold {
    /// A triangle that is turned over or flattened to a line.
    Face(u32),
    /// A vertex that its triangles go round more than once.
    Vertex(u32),
}

struct Edge {
    low: [f64; 2],
    high: [f64; 2],
    ends: (u32, u32),
}

/// Every pair of boundary edges that cross, in order of their vertices.
///
/// `loops` are closed rings of vertices as [`TriMesh::boundary_loops`] gives them.
#[must_use]
pub fn crossings(loops: &[Vec<u32>], uv: &[Point2]) -> Vec<Crossing> {
    let mut found = Vec::new();
    sweep(loops, uv, |crossing| {
        found.push(crossing);
        true
    });
    found.sort_by_key(|c| c.edges);
    found
}

/// Whether any two boundary edges cross.
#[must_use]
pub fn crosses(loops: &[Vec<u32>], uv: &[Point2]) -> bool {
    let mut found = false;
    sweep(loops, uv, |_| {
        found = true;
        false
    });
    found
}

/// Calls `visit` with each crossing until it returns false.
fn sweep(loops: &[Vec<u32>], uv: &[Point2], mut visit: impl FnMut(Crossing) -> bool) {
    let mut edges: Vec<Edge> = loops.iter().flat_map(|ring| ring_edges(ring, uv)).collect();
    let extent = |k: usize| {
        let low = edges.iter().map(|e| e.low[k]).fold(f64::INFINITY, f64::min);
        let high = edges
            .iter()
            .map(|e| e.high[k])
            .fold(f64::NEG_INFINITY, f64::max);
        high - low
    };
    let (along, across) = if extent(0) >= extent(1) {
        (0, 1)
    } else {
        (1, 0)
    };
    edges.sort_by(|a, b| {
        a.low[along]
            .total_cmp(&b.low[along])
            .then(a.ends.cmp(&b.ends))
    });
    for (at, first) in edges.iter().enumerate() {
        for second in &edges[at + 1..] {
            if second.low[along] > first.high[along] {
                break;
            }
            if second.low[across] > first.high[across] || second.high[across] < first.low[across] {
                continue;
            }
            let Some(place) = crossing_place(first.ends, second.ends, uv) else {
                continue;
            };
            let edges = [first.ends.min(second.ends), first.ends.max(second.ends)];
            if !visit(Crossing { place, edges }) {
                return;
            }
        }
    }
}

fn ring_edges<'a>(ring: &'a [u32], uv: &'a [Point2]) -> impl Iterator<Item = Edge> + 'a {
    ring.iter().enumerate().map(|(at, &tail)| {
        let head = ring[(at + 1) % ring.len()];
        let (p, q) = (uv[tail as usize], uv[head as usize]);
        Edge {
            low: [p.x.min(q.x), p.y.min(q.y)],
            high: [p.x.max(q.x), p.y.max(q.y)],
            ends: (tail, head),
        }
    })
}

/// Where two edges cross inside both, if they do.
fn crossing_place(first: (u32, u32), second: (u32, u32), uv: &[Point2]) -> Option<Point2> {
    let shares = |v| v == second.0 || v == second.1;
    if shares(first.0) || shares(first.1) {
        return None;
    }
    let [a, b] = [first.0, first.1].map(|v| uv[v as usize]);
    let [c, d] = [second.0, second.1].map(|v| uv[v as usize]);
    let side = |p: Point2, q: Point2, r: Point2| {
        let coord = |p: Point2| Coord { x: p.x, y: p.y };
        orient2d(coord(p), coord(q), coord(r))
    };
    let (of_c, of_d) = (side(a, b, c), side(a, b, d));
    let (of_a, of_b) = (side(c, d, a), side(c, d, b));
    if of_c * of_d >= 0.0 || of_a * of_b >= 0.0 {
        return None;
    }
    let (long, other) = ((b - a).norm(), (d - c).norm());
    let depth = (of_c.abs().min(of_d.abs()) / long).min(of_a.abs().min(of_b.abs()) / other);
    (depth > TOUCH * long.min(other)).then(|| a + (b - a) * (of_a / (of_a - of_b)))
}

/// Triangles turned over and vertices wound round more than once.
#[must_use]
pub fn folds(mesh: &TriMesh, uv: &[Point2]) -> Vec<Fold> {
    let on_edge: Vec<bool> = (0..index(mesh.vertex_count()))
        .map(|v| mesh.on_boundary(v))
        .collect();
    let mut turns = vec![0.0; mesh.vertex_count()];
    let mut found = Vec::new();
    for (face, corners) in (0_u32..).zip(mesh.faces()) {
        let p = corners.map(|v| uv[v as usize]);
        if (p[1] - p[0]).perp(&(p[2] - p[0])) <= 0.0 {
            found.push(Fold::Face(face));
        }
        for k in 0..3 {
            let (to_next, to_prev) = (p[(k + 1) % 3] - p[k], p[(k + 2) % 3] - p[k]);
            let vertex = corners[k] as usize;
            turns[vertex] += if on_edge[vertex] {
                to_next.perp(&to_prev).atan2(to_next.dot(&to_prev))
            } else {
                TAU * passes(to_next, to_prev)
            };
        }
    }
    let most = TAU + TURN_SLACK;
    found.extend(
        (0_u32..)
            .zip(&turns)
            .filter(|(_, turn)| **turn > most)
            .map(|(v, _)| Fold::Vertex(v)),
    );
    found
}

/// How often the way from one direction to another, by the smaller turn, passes the x axis, clockwise ones counted
/// as less than none. Round a fan that closes, this counts its turns at a fraction of what angles cost.
fn passes(from: Vector2, to: Vector2) -> f64 {
    let turn = from.perp(&to);
    if from.y < 0.0 && to.y >= 0.0 && turn > 0.0 {
        1.0
    } else if from.y >= 0.0 && to.y < 0.0 && turn < 0.0 {
        -1.0
    } else {
        0.0
    }
}

/// Number of vertices whose triangles go round more than once, though none of them is turned over.
#[must_use]
pub fn windings(mesh: &TriMesh, uv: &[Point2]) -> usize {
    let twice = |fold: &Fold| matches!(fold, Fold::Vertex(_));
    folds(mesh, uv).iter().filter(|fold| twice(fold)).count()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Point3;

    fn ring(points: &[[f64; 2]]) -> (Vec<Vec<u32>>, Vec<Point2>) {
        let uv: Vec<Point2> = points.iter().map(|p| Point2::new(p[0], p[1])).collect();
        (vec![(0..u32::try_from(uv.len()).unwrap()).collect()], uv)
    }

    #[test]
    fn a_bow_tie_crosses_itself_in_its_middle() {
        let (loops, uv) = ring(&[[0.0, 0.0], [2.0, 2.0], [2.0, 0.0], [0.0, 2.0]]);
        let found = crossings(&loops, &uv);
        assert_eq!(found.len(), 1);
        assert!((found[0].place - Point2::new(1.0, 1.0)).norm() < 1e-15);
        assert_eq!(found[0].edges, [(0, 1), (2, 3)]);
        assert!(crosses(&loops, &uv));
    }

    #[test]
    fn a_slit_whose_sides_touch_does_not_cross_but_a_closed_dart_does() {
        let slit = |gap: f64| {
            ring(&[
                [0.0, 0.0],
                [4.0 - gap, -0.5],
                [4.0 - 0.5 * gap, 2.0],
                [4.0, 4.0],
                [4.0 + 0.5 * gap, 2.0],
                [4.0 + gap, -0.5],
                [8.0, 0.0],
                [8.0, 8.0],
                [0.0, 8.0],
            ])
        };
        let count = |gap| {
            let (loops, uv) = slit(gap);
            crossings(&loops, &uv).len()
        };
        assert_eq!((count(0.5), count(0.0), count(1e-13)), (0, 0, 0));
        assert!(count(-0.01) > 0);
    }

    #[test]
    fn loops_are_tested_against_each_other() {
        let mut uv = ring(&[[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0]]).1;
        uv.extend(
            [[1.0, 1.0], [1.0, 5.0], [3.0, 5.0], [3.0, 1.0]].map(|p| Point2::new(p[0], p[1])),
        );
        let loops = vec![vec![0, 1, 2, 3], vec![4, 5, 6, 7]];
        assert_eq!(crossings(&loops, &uv).len(), 2);
    }

    #[test]
    fn a_fan_that_goes_round_twice_is_a_fold_without_a_flip() {
        let spokes = 9_u32;
        let mut positions = vec![Point3::origin()];
        let mut uv = vec![Point2::origin()];
        for i in 0..spokes {
            let angle = std::f64::consts::TAU * f64::from(i) / f64::from(spokes);
            positions.push(Point3::new(angle.cos(), angle.sin(), 0.0));
            uv.push(Point2::new((2.0 * angle).cos(), (2.0 * angle).sin()));
        }
        let faces = (0..spokes)
            .map(|i| [0, 1 + i, 1 + (i + 1) % spokes])
            .collect();
        let mesh = TriMesh::new(positions, faces).unwrap();
        assert_eq!(folds(&mesh, &uv), vec![Fold::Vertex(0)]);
        assert_eq!(windings(&mesh, &uv), 1);
        let plain: Vec<Point2> = mesh
            .positions()
            .iter()
            .map(|p| Point2::new(p.x, p.y))
            .collect();
        assert!(folds(&mesh, &plain).is_empty());
        let mirrored: Vec<Point2> = plain.iter().map(|p| Point2::new(-p.x, p.y)).collect();
        assert_eq!(folds(&mesh, &mirrored).len(), 9);
    }
}
