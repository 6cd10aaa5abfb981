//! Tapes on the base as lines that keep their length.
//!
//! In: a base as it is laid, all panels one surface, and tapes on the head. Out: the lines along which tapes
//! cross it.
//!
//! The maker lays a tape over the sewn base and compares with the head. Least strain alone comes out short along
//! the middle of a strip between two long darts and long at its sides. With some weight on the tapes the sides
//! give what the middle lacks, as far as the cloth's limit has room for it.

use std::collections::BTreeMap;

use crate::{
    Point2, Point3, Vector2,
    dart::{EdgeKind, Panel, Side},
    mesh::{NONE, TriMesh, index},
};

use super::{KeptLine, OnFace};

/// Distance between two points of a line, mm.
const STEP_MM: f64 = 2.0;
/// Steps from one point of the line that is kept to the next. Shorter ones could be had longer by pushing the points
/// aside in turn, which on a fine mesh costs next to nothing and helps no tape.
const STRIDE: usize = 5;
/// Pieces at either end of a kept line over which its pull grows. A pull on a single point stretches the cloth there
/// alone, the more the finer the mesh.
const GROWS_OVER: usize = 3;
/// Farthest a tape may hang above a panel to be laid along it, mm.
const ABOVE_MM: f64 = 6.0;
/// Distance from an edge of a panel within which a point lies on it, mm. A tape that runs along a dart, as at the
/// nape's centre, or a seam lies on both of its sides, and rounding would choose one; along another edge others keep
/// the length.
const ON_EDGE_MM: f64 = 0.05;
/// Greatest relation of a step's length in the plane to that on the head: where it is greater, an open dart
/// or a seam lies between.
const JUMP: f64 = 1.3;

/// Point of a tape on the base.
struct Place {
    on_head: Point3,
    /// Where it lies: on a cut, on its left and on its right side; else twice the same.
    sides: [OnFace; 2],
}

/// A piece of a tape where the cloth runs on.
pub(super) struct Piece {
    tape: usize,
    /// A half where the tape lies on both sides of a cut, each with a piece of its own.
    share: f64,
    points: Vec<OnFace>,
    pub(super) head_mm: f64,
    /// Its part of all pieces' length.
    pub(super) part: f64,
}

impl Piece {
    fn flat_mm(&self, uv: &[Point2]) -> f64 {
        length(&self.points, uv)
    }

    /// The line that is to become as much longer as the piece is too short where it lies. Its whole length is kept,
    /// which costs less strain than each step's.
    pub(super) fn kept(&self, uv: &[Point2], weight: f64) -> KeptLine {
        let steps = self.points.len() - 1;
        let count = (steps / STRIDE).max(1);
        let points: Vec<OnFace> = (0..=count)
            .map(|k| self.points[k * steps / count])
            .collect();
        let most = GROWS_OVER.min(count.div_ceil(2));
        let shares: Vec<f64> = (0..count)
            .map(|k| (k + 1).min(count - k).min(most) as f64 / most as f64)
            .collect();
        let pieces = points.windows(2).zip(&shares);
        let counted: f64 = pieces.map(|(ends, share)| share * length(ends, uv)).sum();
        KeptLine {
            length_mm: counted + self.head_mm - self.flat_mm(uv),
            points,
            shares,
            weight: weight * self.part,
        }
    }
}

/// Length of a line in the plane.
fn length(points: &[OnFace], uv: &[Point2]) -> f64 {
    let sides = points.windows(2);
    sides
        .map(|ends| (at(&ends[1], uv) - at(&ends[0], uv)).norm())
        .sum()
}

fn at(point: &OnFace, uv: &[Point2]) -> Vector2 {
    let part = |&(v, w): &(u32, f64)| uv[v as usize].coords * w;
    point.iter().map(part).sum()
}

/// The pieces of tapes on a base as it is laid.
pub(super) fn pieces(base: &Panel, uv: &[Point2], tapes: &[Vec<Point3>]) -> Vec<Piece> {
    let tapes: Vec<Vec<Point3>> = tapes.iter().map(|tape| stepped(tape)).collect();
    let cuts = cuts(base);
    let mut pieces = Vec::new();
    for (tape, points) in tapes.iter().enumerate() {
        let mut row: Vec<Place> = Vec::new();
        for at in points.iter().map(|p| place(base, &cuts, *p)) {
            let goes_on = match (row.last(), &at) {
                (None, _) => true,
                (Some(last), Some(at)) => joined(last, at, uv),
                (Some(_), None) => false,
            };
            if !goes_on {
                pieces.extend(piece(tape, &row));
                row.clear();
            }
            row.extend(at);
        }
        pieces.extend(piece(tape, &row));
    }
    let length = |piece: &Piece| piece.share * piece.head_mm;
    let total: f64 = pieces.iter().map(length).sum();
    for piece in &mut pieces {
        piece.part = length(piece) / total;
    }
    pieces
}

/// How far off its length on the head each tape is, as a part of it.
pub(super) fn errors(pieces: &[Piece], uv: &[Point2], tapes: usize) -> Vec<f64> {
    let mut sums = vec![[0.0; 2]; tapes];
    for piece in pieces {
        let [flat, head] = &mut sums[piece.tape];
        *flat += piece.share * piece.flat_mm(uv);
        *head += piece.share * piece.head_mm;
    }
    let error = |[flat, head]: [f64; 2]| if head > 0.0 { flat / head - 1.0 } else { 0.0 };
    sums.into_iter().map(error).collect()
}

/// Points along a line in even steps.
fn stepped(points: &[Point3]) -> Vec<Point3> {
    let mut out: Vec<Point3> = points.first().copied().into_iter().collect();
    let mut left = STEP_MM;
    for pair in points.windows(2) {
        let side = pair[1] - pair[0];
        let length = side.norm();
        let mut at = left;
        while at <= length {
            out.push(pair[0] + side * (at / length));
            at += STEP_MM;
        }
        left = at - length;
    }
    out
}

/// Vertices on the left and right side of a cut, by their common origin. At a dart's point both are one.
type Sides = BTreeMap<u32, [Option<u32>; 2]>;

/// The sides of every dart and seam.
fn cuts(base: &Panel) -> Vec<Sides> {
    let mut cuts: BTreeMap<EdgeKind, Sides> = BTreeMap::new();
    for edges in &base.loops {
        for (k, kind) in edges.kinds.iter().enumerate() {
            let (cut, side) = match *kind {
                EdgeKind::Dart(dart, side) => (EdgeKind::Dart(dart, Side::Left), side),
                EdgeKind::Seam(seam, side) => (EdgeKind::Seam(seam, Side::Left), side),
                EdgeKind::Perimeter(_) | EdgeKind::Opening(_) => continue,
            };
            let sides = cuts.entry(cut).or_default();
            let next = (k + 1) % edges.vertices.len();
            for vertex in [edges.vertices[k], edges.vertices[next]] {
                let pair = sides.entry(base.origin[vertex as usize]).or_default();
                pair[usize::from(side == Side::Right)] = Some(vertex);
            }
        }
    }
    cuts.into_values().collect()
}

/// The nearest place on the base, if it is near.
fn place(base: &Panel, cuts: &[Sides], point: Point3) -> Option<Place> {
    let mesh = &base.mesh;
    let (place, on_head, distance) = mesh.project(point);
    if distance > ABOVE_MM {
        return None;
    }
    let face = *place.faces(mesh).first()?;
    let weights = place.weights_in(mesh, face)?;
    let corners = mesh.faces()[face as usize];
    let sides = match on_edge(mesh, face, on_head, weights) {
        Some(ends) => cuts
            .iter()
            .find_map(|sides| on_both(&base.origin, sides, ends))?,
        None => [[0, 1, 2].map(|k| (corners[k], weights[k])); 2],
    };
    Some(Place { on_head, sides })
}

/// A point on an edge of a panel: the edge's ends and their weights.
type OnEdge = [(u32, f64); 2];

/// Where on a panel's edge a point of a triangle lies, if it does.
fn on_edge(mesh: &TriMesh, face: u32, at: Point3, weights: [f64; 3]) -> Option<OnEdge> {
    let corners = mesh.faces()[face as usize];
    let is_corner = |&k: &usize| {
        mesh.on_boundary(corners[k]) && (at - mesh.position(corners[k])).norm() < ON_EDGE_MM
    };
    if let Some(k) = (0..3).find(is_corner) {
        return Some([(corners[k], 1.0), (corners[k], 0.0)]);
    }
    let twice_area = mesh.area_vector(face).norm();
    let is_along = |&k: &usize| {
        let side = mesh.position(corners[(k + 1) % 3]) - mesh.position(corners[k]);
        let from_side = weights[(k + 2) % 3] * twice_area / side.norm();
        mesh.twin(3 * face + index(k)) == NONE && from_side < ON_EDGE_MM
    };
    let k = (0..3).find(is_along)?;
    let [a, b] = [k, (k + 1) % 3];
    let sum = weights[a] + weights[b];
    Some([
        (corners[a], weights[a] / sum),
        (corners[b], weights[b] / sum),
    ])
}

/// A point on one side of a cut, on both sides.
fn on_both(origin: &[u32], sides: &Sides, ends: OnEdge) -> Option<[OnFace; 2]> {
    let [a, b] = ends.map(|(vertex, _)| sides.get(&origin[vertex as usize]));
    let on = |side: usize| -> Option<OnFace> {
        let [one, two] = [a?[side]?, b?[side]?];
        Some([(one, ends[0].1), (two, ends[1].1), (two, 0.0)])
    };
    Some([on(0)?, on(1)?])
}

/// Whether the cloth runs on between two places.
fn joined(a: &Place, b: &Place, uv: &[Point2]) -> bool {
    let head = (b.on_head - a.on_head).norm();
    let near = |side: usize| {
        let flat = at(&b.sides[side], uv) - at(&a.sides[side], uv);
        flat.norm() < JUMP * head
    };
    // Beside the edge a tape's points fall on one another.
    head > 0.25 * STEP_MM && near(0) && near(1)
}

/// The piece along a row of places: two, where it lies on both sides of a cut.
fn piece(tape: usize, row: &[Place]) -> Vec<Piece> {
    if row.len() < 2 {
        return Vec::new();
    }
    let sides = row.windows(2).map(|w| (w[1].on_head - w[0].on_head).norm());
    let head_mm: f64 = sides.sum();
    let on = |side: usize, share: f64| Piece {
        tape,
        share,
        points: row.iter().map(|place| place.sides[side]).collect(),
        head_mm,
        part: 0.0,
    };
    if row.iter().all(|place| place.sides[0] == place.sides[1]) {
        vec![on(0, 1.0)]
    } else {
        vec![on(0, 0.5), on(1, 0.5)]
    }
}
