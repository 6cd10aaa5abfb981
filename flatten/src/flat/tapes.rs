//! Tapes on the base as lines that keep their length.
//!
//! In: panels as they are laid, and tapes on the head. Out: the lines along which tapes cross them.
//!
//! The maker lays a tape over the sewn base and compares with the head. Least strain alone comes out short along
//! the middle of a strip between two long darts and long at its sides. With some weight on the tapes the sides
//! give what the middle lacks, as far as the cloth's limit has room for it.

use std::collections::{BTreeMap, BTreeSet};

use crate::{
    Point3,
    dart::{EdgeKind, Panel, Side},
    mesh::{NONE, Nearest, TriMesh, index},
};

use super::{FlatMap, KeptLine, OnFace};

/// Distance between two points of a line, mm.
const STEP_MM: f64 = 2.0;
/// Steps of one line at most: its whole length is kept, which costs less strain than each step's; a longer one would
/// join too many vertices with one another.
const STEPS: usize = 50;
/// Farthest a tape may hang above a panel to be laid along it, mm.
const ABOVE_MM: f64 = 6.0;
/// Distance from an edge of the panel within which a point lies on it, mm. A tape that runs along a dart, as at the
/// nape's centre, lies on both of its legs, and rounding would choose one; along another edge others keep the length.
const ON_EDGE_MM: f64 = 0.05;
/// Greatest relation of a step's length in the plane to that on the head: where it is greater, an open dart
/// lies between.
const JUMP: f64 = 1.3;
/// Edge of the cells by which far triangles are left out, mm.
const CELL_MM: f64 = 12.0;

/// Point of a tape on a panel.
struct Place {
    panel: usize,
    on_head: Point3,
    /// Where it lies: on a dart, on its left and on its right leg; else twice the same.
    sides: [OnFace; 2],
}

/// A piece of a tape on a panel.
pub(super) struct Piece {
    pub(super) tape: usize,
    pub(super) panel: usize,
    /// A half where the tape lies on both legs of a dart, each with a piece of its own.
    share: f64,
    /// Its weight is its part of all lines on the panel.
    pub(super) line: KeptLine,
}

/// The pieces of tapes on panels as they are laid.
pub(super) fn pieces(panels: &[Panel], maps: &[&FlatMap], tapes: &[Vec<Point3>]) -> Vec<Piece> {
    let tapes: Vec<Vec<Point3>> = tapes.iter().map(|tape| stepped(tape)).collect();
    let cells = near(&tapes);
    let trees: Vec<Nearest> = panels
        .iter()
        .map(|panel| {
            let middle = |face: u32| {
                let [a, b, c] = panel.mesh.corners(face);
                Point3::from((a.coords + b.coords + c.coords) / 3.0)
            };
            Nearest::of(&panel.mesh, |face| cells.contains(&cell(&middle(face))))
        })
        .collect();
    let legs: Vec<Legs> = panels.iter().map(legs).collect();
    let mut pieces = Vec::new();
    for (tape, points) in tapes.iter().enumerate() {
        let mut row: Vec<Place> = Vec::new();
        for at in points.iter().map(|p| place(panels, &trees, &legs, *p)) {
            let goes_on = match (row.last(), &at) {
                (None, _) => true,
                (Some(last), Some(at)) => joined(last, at, maps),
                (Some(_), None) => false,
            };
            if !goes_on || row.len() > STEPS {
                pieces.extend(piece(tape, &row));
                let last = row.pop().filter(|_| goes_on);
                row = last.into_iter().collect();
            }
            row.extend(at);
        }
        pieces.extend(piece(tape, &row));
    }
    let mut totals = vec![0.0; panels.len()];
    for piece in &pieces {
        totals[piece.panel] += piece.share * piece.line.length_mm;
    }
    for piece in &mut pieces {
        piece.line.weight = piece.share * piece.line.length_mm / totals[piece.panel];
    }
    pieces
}

/// How far off its length on the head each tape is, as a part of it.
pub(super) fn errors(pieces: &[Piece], maps: &[&FlatMap], tapes: usize) -> Vec<f64> {
    let mut sums = vec![[0.0; 2]; tapes];
    for piece in pieces {
        let [flat, head] = &mut sums[piece.tape];
        *flat += piece.share * piece.line.flat_mm(&maps[piece.panel].uv);
        *head += piece.share * piece.line.length_mm;
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

#[expect(clippy::cast_possible_truncation, reason = "cells of a head")]
fn cell(p: &Point3) -> [i64; 3] {
    [p.x, p.y, p.z].map(|x| (x / CELL_MM).floor() as i64)
}

/// Cells at most one from a tape.
fn near(tapes: &[Vec<Point3>]) -> BTreeSet<[i64; 3]> {
    let mut cells = BTreeSet::new();
    for [x, y, z] in tapes.iter().flatten().map(cell) {
        for dx in -1..=1 {
            for dy in -1..=1 {
                for dz in -1..=1 {
                    cells.insert([x + dx, y + dy, z + dz]);
                }
            }
        }
    }
    cells
}

/// Vertices on the left and right leg of a panel's darts, by their common origin. At a dart's point both are one.
type Legs = BTreeMap<u32, [Option<u32>; 2]>;

fn legs(panel: &Panel) -> Legs {
    let mut legs = Legs::new();
    for edges in &panel.loops {
        for (k, kind) in edges.kinds.iter().enumerate() {
            let EdgeKind::Dart(_, side) = *kind else {
                continue;
            };
            let next = (k + 1) % edges.vertices.len();
            for vertex in [edges.vertices[k], edges.vertices[next]] {
                let pair = legs.entry(panel.origin[vertex as usize]).or_default();
                pair[usize::from(side == Side::Right)] = Some(vertex);
            }
        }
    }
    legs
}

/// The nearest place on a panel, if it is near.
fn place(panels: &[Panel], trees: &[Nearest], legs: &[Legs], point: Point3) -> Option<Place> {
    let on = |panel: usize| {
        let mesh: &TriMesh = &panels[panel].mesh;
        let (place, on_head, distance) = trees[panel].project(mesh, point);
        let face = *place.faces(mesh).first()?;
        let weights = place.weights_in(mesh, face)?;
        let corners = mesh.faces()[face as usize];
        let sides = match on_edge(mesh, face, on_head, weights) {
            Some(ends) => on_legs(&panels[panel], &legs[panel], ends)?,
            None => [[0, 1, 2].map(|k| (corners[k], weights[k])); 2],
        };
        (distance <= ABOVE_MM).then_some((
            distance,
            Place {
                panel,
                on_head,
                sides,
            },
        ))
    };
    (0..panels.len())
        .filter_map(on)
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|found| found.1)
}

/// A point on an edge of the panel: the edge's ends and their weights.
type OnEdge = [(u32, f64); 2];

/// Where on the panel's edge a point of a triangle lies, if it does.
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

/// A point on a dart's leg, on both legs.
fn on_legs(panel: &Panel, legs: &Legs, ends: OnEdge) -> Option<[OnFace; 2]> {
    let [a, b] = ends.map(|(vertex, _)| legs.get(&panel.origin[vertex as usize]));
    let leg = |side: usize| -> Option<OnFace> {
        let [one, two] = [a?[side]?, b?[side]?];
        Some([(one, ends[0].1), (two, ends[1].1), (two, 0.0)])
    };
    Some([leg(0)?, leg(1)?])
}

/// Whether the cloth runs on between two places.
fn joined(a: &Place, b: &Place, maps: &[&FlatMap]) -> bool {
    let head = (b.on_head - a.on_head).norm();
    let flat = |place: &Place, side: usize| {
        let uv = &maps[place.panel].uv;
        let part = |&(v, w): &(u32, f64)| uv[v as usize].coords * w;
        place.sides[side]
            .iter()
            .map(part)
            .sum::<nalgebra::Vector2<f64>>()
    };
    let near = |side| (flat(b, side) - flat(a, side)).norm() < JUMP * head;
    // Beside the edge a tape's points fall on one another.
    a.panel == b.panel && head > 0.25 * STEP_MM && near(0) && near(1)
}

/// The piece along a row of places: two, where it lies on both legs of a dart.
fn piece(tape: usize, row: &[Place]) -> Vec<Piece> {
    let Some(panel) = row
        .first()
        .map(|place| place.panel)
        .filter(|_| row.len() > 1)
    else {
        return Vec::new();
    };
    let sides = row.windows(2).map(|w| (w[1].on_head - w[0].on_head).norm());
    let length_mm: f64 = sides.sum();
    let on = |side: usize, share: f64| Piece {
        tape,
        panel,
        share,
        line: KeptLine {
            points: row.iter().map(|place| place.sides[side]).collect(),
            length_mm,
            weight: 0.0,
        },
    };
    if row.iter().all(|place| place.sides[0] == place.sides[1]) {
        vec![on(0, 1.0)]
    } else {
        vec![on(0, 0.5), on(1, 0.5)]
    }
}
