//! Small pen crosses, by which a maker marks front, nape, ears and crown.
//!
//! In: the fine surface, how ink-like it is, and the perimeter, which tells how wide and dark the pen
//! is. Out: [`Cross`]es: where two short strokes cross, or one short stroke crosses the perimeter.
//!
//! # Method
//! About each dark place the strength of ink is read on rings wider than the pen, in 24 directions.
//! On a cross four of them are dark, two and two opposite, with light ground between them; a line has
//! two, a fork three, a blot none or all. The place where the faintest of the four stands out most
//! from the ground is the middle. Then each arm is followed outward: a stroke of a cross ends at both
//! sides after some millimetres, which the edge of a tape, a crease or a strand of hair does not. A short
//! stroke across the perimeter is not taken for a mark: patches of hair across the line look the same.
//!
//! Cost: some microseconds for each vertex as dark as ink.

use rayon::prelude::*;

use crate::{
    Point3, Vector3,
    mesh::{TriMesh, index},
};

use super::{PenLine, cells::Cells, crest::tangents, ink::Ink, line};

/// Where two strokes cross.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cross {
    /// Its middle, on the surface.
    pub place: Point3,
    /// Length of its shorter stroke from tip to tip, mm.
    pub size_mm: f64,
}

/// Directions of the ring.
const WAYS: usize = 24;

/// The least ring's inner radius in pens' widths, and at least as many millimetres.
const LEAST_RING: (f64, f64) = (1.1, 2.2);

/// How much farther out the rings begin that are tried, mm. On a mesh of 1.5 mm the ground shows between
/// two arms some way out only; an arm has to reach the outer rim of one ring.
const RINGS_MM: [f64; 4] = [0.0, 1.0, 2.0, 3.0];

/// Width of a ring, mm.
const RING_MM: f64 = 1.5;

/// The angle from one stroke to the other in steps of the ring, 60° to 120°.
const OPENINGS: std::ops::RangeInclusive<usize> = 4..=8;

/// An arm is at least this dark, as a share of the perimeter.
const ARM: f64 = 0.5;

/// How much an arm stands out from the ground on both of its sides, as a share of its own darkness.
const STANDS_OUT: f64 = 0.45;

/// Shortest arm from the middle to its tip, mm; nearer to the line nothing is taken for a cross.
const LEAST_ARM_MM: f64 = 4.0;

/// Longest arm from the middle to its tip, mm: longer strokes are lines.
const LONGEST_ARM_MM: f64 = 16.0;

/// An arm ends where nothing is as dark as this share of it.
const ENDED: f64 = 0.45;

/// The arms of one stroke are as long as each other but for this factor and some millimetres.
const UNEVEN: (f64, f64) = (2.0, 2.0);

/// Two crosses are no nearer to each other than this, mm.
const APART_MM: f64 = 12.0;

/// What was no cross is none so near to it either, mm.
const TRIED_MM: f64 = 0.8;

/// The ground this far about a cross is bare but for its arms and the line, mm.
const CLEAR_MM: [f64; 2] = [4.0, 9.0];

/// Beyond half its width ink still darkens the smoothed surface for so much, mm.
const SOFT_MM: f64 = 1.5;

/// Share of that ground which may be as dark as half an arm.
const SPECKLED: f64 = 0.25;

/// A place that may be the middle of a cross.
#[derive(Debug, Clone, Copy)]
struct Candidate {
    vertex: u32,
    /// How much the faintest arm stands out.
    score: f64,
    arms: [usize; 4],
    /// Inner radius of the ring on which it does, mm.
    inner: f64,
    /// Darkness of the faintest arm.
    dark: f64,
}

/// All crosses drawn with the perimeter's pen.
pub(super) fn crosses(
    mesh: &TriMesh,
    cells: &Cells,
    normals: &[Vector3],
    ink: &Ink,
    perimeter: &PenLine,
) -> Vec<Cross> {
    let inner = (LEAST_RING.0 * perimeter.width_mm).max(LEAST_RING.1);
    let least = ARM * perimeter.contrast;
    let mut all: Vec<Candidate> = (0..index(mesh.vertex_count()))
        .into_par_iter()
        .filter(|&v| ink.strength[v as usize] > least)
        .filter_map(|v| candidate(mesh, cells, normals, ink, v, inner, least))
        .collect();
    all.sort_by(|a, b| b.score.total_cmp(&a.score).then(a.vertex.cmp(&b.vertex)));
    let near_line = line::divided(&perimeter.points, 1.0);
    let mut tried: Vec<Point3> = Vec::new();
    let mut found: Vec<Cross> = Vec::new();
    for best in &all {
        let here = mesh.position(best.vertex);
        let near = |p: &Point3, reach: f64| (p - here).norm() < reach;
        if found.iter().any(|c| near(&c.place, APART_MM)) || tried.iter().any(|p| near(p, TRIED_MM))
        {
            continue;
        }
        tried.push(here);
        if let Some(size_mm) = followed(mesh, cells, normals, ink, best, perimeter, &near_line) {
            found.push(Cross {
                place: middle(mesh, best, &all),
                size_mm,
            });
        }
    }
    found
}

/// Reads the ring about a vertex.
fn candidate(
    mesh: &TriMesh,
    cells: &Cells,
    normals: &[Vector3],
    ink: &Ink,
    vertex: u32,
    inner: f64,
    least: f64,
) -> Option<Candidate> {
    let (u, w) = tangents(&normals[vertex as usize])?;
    let mut sums = [[(0.0, 0.0); WAYS]; RINGS_MM.len()];
    let reach = inner + RINGS_MM[RINGS_MM.len() - 1] + RING_MM;
    cells.each_point(&mesh.position(vertex), reach, |other, way| {
        let (x, y) = (way.dot(&u), way.dot(&w));
        let away = x.hypot(y) - inner;
        for (sums, from) in sums.iter_mut().zip(RINGS_MM) {
            if (from..from + RING_MM).contains(&away) {
                let sum = &mut sums[direction(x, y)];
                sum.0 += ink.strength[other as usize];
                sum.1 += 1.0;
            }
        }
    });
    let rings = sums.iter().zip(RINGS_MM);
    rings
        .filter_map(|(sums, from)| {
            let (score, dark, arms) = four_arms(&means(sums)?, least)?;
            Some(Candidate {
                vertex,
                score,
                arms,
                inner: inner + from,
                dark,
            })
        })
        .max_by(|a, b| a.score.total_cmp(&b.score))
}

/// Mean strength in each direction; none where the ring runs beyond the rim of the scan.
fn means(sums: &[(f64, f64); WAYS]) -> Option<[f64; WAYS]> {
    let mut ring = [0.0; WAYS];
    for (k, mean) in ring.iter_mut().enumerate() {
        // the fine surface has a few vertices in each direction, and now and then none
        let beside = [sums[(WAYS + k - 1) % WAYS], sums[(k + 1) % WAYS]];
        let (sum, count) = if sums[k].1 > 0.0 {
            sums[k]
        } else {
            (beside[0].0 + beside[1].0, beside[0].1 + beside[1].1)
        };
        if count < 1.0 {
            return None;
        }
        *mean = sum / count;
    }
    Some(ring)
}

/// The two strokes that stand out most: by how much, how dark the faintest arm is, and their directions.
fn four_arms(ring: &[f64; WAYS], least: f64) -> Option<(f64, f64, [usize; 4])> {
    let half = WAYS / 2;
    let lightest = |from: usize, to: usize| {
        (from + 1..to)
            .map(|k| ring[k % WAYS])
            .fold(f64::INFINITY, f64::min)
    };
    let mut best: Option<(f64, f64, [usize; 4])> = None;
    for first in 0..half {
        for opening in OPENINGS {
            let arms = [first, first + opening, first + half, first + half + opening];
            let dark = arms.map(|k| ring[k % WAYS]);
            let dark = dark.into_iter().fold(f64::INFINITY, f64::min);
            if dark < least {
                continue;
            }
            let next = [arms[1], arms[2], arms[3], arms[0] + WAYS];
            let ground = (0..4)
                .map(|k| lightest(arms[k], next[k]))
                .fold(0.0, f64::max);
            let score = dark - ground;
            if score > STANDS_OUT * dark && best.is_none_or(|b| score > b.0) {
                best = Some((score, dark, arms.map(|k| k % WAYS)));
            }
        }
    }
    best
}

/// Which of the ring's directions a way in the tangent plane goes.
fn direction(x: f64, y: f64) -> usize {
    let turn = (y.atan2(x) / std::f64::consts::TAU).rem_euclid(1.0);
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "below WAYS"
    )]
    let k = (turn * WAYS as f64).round() as usize;
    k % WAYS
}

/// Follows the arms of a candidate outward: length of the shorter stroke, or nothing when it is no cross.
fn followed(
    mesh: &TriMesh,
    cells: &Cells,
    normals: &[Vector3],
    ink: &Ink,
    found: &Candidate,
    perimeter: &PenLine,
    line: &[Point3],
) -> Option<f64> {
    let here = mesh.position(found.vertex);
    let (u, w) = tangents(&normals[found.vertex as usize])?;
    let mut around: Vec<Seen> = Vec::new();
    cells.each_point(&here, LONGEST_ARM_MM + 3.0, |other, way| {
        around.push(Seen {
            x: way.dot(&u),
            y: way.dot(&w),
            strength: ink.strength[other as usize],
            place: here + way,
        });
    });
    let half_width = (0.5 * perimeter.width_mm).max(0.8);
    let far = LONGEST_ARM_MM + CLEAR_MM[1];
    let line: Vec<&Point3> = line.iter().filter(|p| (*p - here).norm() < far).collect();
    let to_line = |q: &Point3| {
        line.iter()
            .map(|p| (*p - q).norm())
            .fold(f64::INFINITY, f64::min)
    };
    if to_line(&here) < half_width + LEAST_ARM_MM {
        return None;
    }
    // the line beside a cross lengthens none of its arms and is not its ground
    around.retain(|seen| to_line(&seen.place) > half_width + SOFT_MM);
    let reach = found
        .arms
        .map(|arm| arm_length(&around, arm, found.inner, half_width, ENDED * found.dark));
    let strokes = [[reach[0], reach[2]], [reach[1], reach[3]]];
    let short = |stroke: &[f64; 2]| {
        let [a, b] = [stroke[0].min(stroke[1]), stroke[0].max(stroke[1])];
        b < LONGEST_ARM_MM && b < UNEVEN.0 * a + UNEVEN.1
    };
    let length = |stroke: &[f64; 2]| stroke[0] + stroke[1];
    let [one, other] = strokes.each_ref().map(length);
    let cross = strokes.iter().all(short) && is_bare(&around, found, half_width);
    cross.then_some(one.min(other))
}

/// Whether the ground about a cross is bare but for its arms.
fn is_bare(ground: &[Seen], found: &Candidate, half_width: f64) -> bool {
    let (mut dark, mut all) = (0.0, 0.0);
    for seen in ground {
        let on_arm = found.arms.iter().any(|&arm| {
            let (along, across) = seen.along(arm);
            // strokes are not drawn with a ruler
            along > 0.0 && across.abs() < half_width + 0.7 + 0.3 * along
        });
        if (CLEAR_MM[0]..CLEAR_MM[1]).contains(&seen.x.hypot(seen.y)) && !on_arm {
            all += 1.0;
            dark += f64::from(u8::from(seen.strength > 0.5 * found.dark));
        }
    }
    dark <= SPECKLED * all
}

/// A place near a candidate, in its tangent plane.
struct Seen {
    x: f64,
    y: f64,
    strength: f64,
    place: Point3,
}

impl Seen {
    /// How far along a direction of the ring it lies, and how far to its side.
    fn along(&self, way: usize) -> (f64, f64) {
        let (s, c) = (std::f64::consts::TAU * way as f64 / WAYS as f64).sin_cos();
        (self.x * c + self.y * s, self.y * c - self.x * s)
    }
}

/// How far an arm goes from the middle before it ends, up to a little more than the longest, mm.
fn arm_length(around: &[Seen], arm: usize, inner: f64, half_width: f64, ended: f64) -> f64 {
    /// Step along it, and half the length that is looked at in each, mm.
    const STEP: f64 = 1.0;
    /// How far a stroke may bend aside, as a share of its length.
    const BENT: f64 = 0.15;
    let mut run = inner;
    while run < LONGEST_ARM_MM + 2.0 {
        let seen = around
            .iter()
            .filter(|seen| {
                let (along, across) = seen.along(arm);
                (along - run - STEP).abs() < STEP
                    && across.abs() < half_width + BENT * (run - inner)
            })
            .map(|seen| seen.strength)
            .fold(0.0, f64::max);
        if seen < ended {
            break;
        }
        run += STEP;
    }
    run
}

/// The middle of the places near the best that stand out as much, in the mean.
fn middle(mesh: &TriMesh, best: &Candidate, all: &[Candidate]) -> Point3 {
    /// As far as the middle of a cross is wide, mm.
    const WIDE_MM: f64 = 2.0;
    let here = mesh.position(best.vertex);
    let (mut sum, mut weights) = (Vector3::zeros(), 0.0);
    for other in all {
        let p = mesh.position(other.vertex);
        let weight = (other.score - 0.8 * best.score).max(0.0);
        if (p - here).norm() < WIDE_MM {
            sum += weight * (p - here);
            weights += weight;
        }
    }
    here + sum / weights
}
