//! Tapes on the base as lines that keep their length.
//!
//! In: panels as they are laid, and tapes on the head. Out: the lines along which tapes cross them.
//!
//! The maker lays a tape over the sewn base and compares with the head. Least strain alone comes out short along
//! the middle of a strip between two long darts and long at its sides. With some weight on the tapes the sides
//! give what the middle lacks, as far as the cloth's limit has room for it.

use std::collections::BTreeSet;

use crate::{
    Point3,
    dart::Panel,
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
/// Weight below which a corner of a triangle has no part in a point. A tape that runs along a cut, as over a dart at the
/// nape's centre, lies on both of its sides, and rounding would choose; along an edge others keep the length.
const ON_EDGE: f64 = 1e-3;
/// Greatest relation of a step's length in the plane to that on the head: where it is greater, an open dart
/// lies between.
const JUMP: f64 = 1.3;
/// Edge of the cells by which far triangles are left out, mm.
const CELL_MM: f64 = 12.0;

/// Point of a tape on a panel.
struct Place {
    panel: usize,
    on_head: Point3,
    weights: OnFace,
}

/// A piece of a tape on a panel.
pub(super) struct Piece {
    pub(super) tape: usize,
    pub(super) panel: usize,
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
    let mut pieces = Vec::new();
    for (tape, points) in tapes.iter().enumerate() {
        let mut row: Vec<Place> = Vec::new();
        for at in points.iter().map(|p| place(panels, &trees, *p)) {
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
        totals[piece.panel] += piece.line.length_mm;
    }
    for piece in &mut pieces {
        piece.line.weight = piece.line.length_mm / totals[piece.panel];
    }
    pieces
}

/// How far off its length on the head each tape is, as a part of it.
pub(super) fn errors(pieces: &[Piece], maps: &[&FlatMap], tapes: usize) -> Vec<f64> {
    let mut sums = vec![[0.0; 2]; tapes];
    for piece in pieces {
        let [flat, head] = &mut sums[piece.tape];
        *flat += piece.line.flat_mm(&maps[piece.panel].uv);
        *head += piece.line.length_mm;
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

/// The nearest place on a panel, if it is near.
fn place(panels: &[Panel], trees: &[Nearest], point: Point3) -> Option<Place> {
    let on = |panel: usize| {
        let mesh: &TriMesh = &panels[panel].mesh;
        let (place, on_head, distance) = trees[panel].project(mesh, point);
        let face = *place.faces(mesh).first()?;
        let weights = place.weights_in(mesh, face)?;
        let corners = mesh.faces()[face as usize];
        let on_edge = (0..3).any(|k| {
            let along = mesh.twin(3 * face + index(k)) == NONE && weights[(k + 2) % 3] < ON_EDGE;
            along || mesh.on_boundary(corners[k]) && weights[k] > 1.0 - ON_EDGE
        });
        let weights = [0, 1, 2].map(|k| (corners[k], weights[k]));
        (distance <= ABOVE_MM && !on_edge).then_some((
            distance,
            Place {
                panel,
                on_head,
                weights,
            },
        ))
    };
    (0..panels.len())
        .filter_map(on)
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .map(|found| found.1)
}

/// Whether the cloth runs on between two places.
fn joined(a: &Place, b: &Place, maps: &[&FlatMap]) -> bool {
    let head = (b.on_head - a.on_head).norm();
    let flat = |place: &Place| {
        let uv = &maps[place.panel].uv;
        let part = |&(v, w): &(u32, f64)| uv[v as usize].coords * w;
        place
            .weights
            .iter()
            .map(part)
            .sum::<nalgebra::Vector2<f64>>()
    };
    // Beside the edge a tape's points fall on one another.
    a.panel == b.panel && head > 0.25 * STEP_MM && (flat(b) - flat(a)).norm() < JUMP * head
}

fn piece(tape: usize, row: &[Place]) -> Option<Piece> {
    let panel = row.first()?.panel;
    let sides = row.windows(2).map(|w| (w[1].on_head - w[0].on_head).norm());
    let length_mm: f64 = sides.sum();
    (row.len() > 1).then(|| Piece {
        tape,
        panel,
        line: KeptLine {
            points: row.iter().map(|place| place.weights).collect(),
            length_mm,
            weight: 0.0,
        },
    })
}
