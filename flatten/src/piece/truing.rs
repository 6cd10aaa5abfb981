//! Truing: what is sewn together gets one length, and finished edges run smooth where darts close.
//!
//! In: the runs of one boundary as flattened. Out: a smooth curve for each.
//!
//! 1. Legs. Both legs of a dart come from one path on the head; flattening stretches them a little
//!    differently. Their common length is the head's. The corrections are shared between the two
//!    mouth ends and the point so that the sum of squared moves is least.
//! 2. Seams. Each side takes the mean length of both, moved at both ends alike, each part in proportion.
//!    They were laid to agree ([`crate::flat::lay_together`]), so that this is next to nothing.
//! 3. Edges. Where an end moved, the edge beside it follows, fading out. Across a dart the edge is
//!    looked at with the dart closed: one tangent there serves both sides, so that the finished
//!    edge has no kink. Then each edge is fitted.

use rayon::prelude::*;

use super::{
    PieceError,
    outline::{Run, RunKind},
};
use crate::{
    Point2, Vector2,
    dart::CutPatch,
    plane::{self, Curve, Fit, signed_turn, turned, unit},
};

/// Greatest distance between a fitted edge and the flattened one, mm.
pub(super) const EDGE_TOLERANCE_MM: f64 = 0.18;
/// The same for legs and seams: the two sides of one path should look alike.
const CUT_TOLERANCE_MM: f64 = 0.12;
/// Beyond this relative difference between flat legs and head, the map strains so much there that
/// moving the mouth by all of it would distort the edge: the legs' own mean is kept instead.
const HEAD_LENGTH_KEPT: f64 = 0.012;
/// The point moves no farther than this, mm.
const POINT_MOVE_MM: f64 = 2.0;
/// Where the end of an edge moved, the edge follows over this length, mm.
const FOLLOW_MM: f64 = 20.0;
/// The tangent at a joint is taken over this length on either side, mm.
const TANGENT_WINDOW_MM: f64 = 12.0;
/// With a dart closed, a sharper turn than this at its mouth is a corner the maker drew, radians.
const MOUTH_CORNER: f64 = 0.6;
/// That turn is taken over this length on either side, mm: over a longer one the round of a sideburn
/// (radius about 10 mm) looks like a corner.
const MOUTH_CORNER_WINDOW_MM: f64 = 4.0;

/// A run with its curve.
#[derive(Debug, Clone)]
pub(super) struct Trued {
    pub run: Run,
    /// Length as flattened, mm.
    pub flat_mm: f64,
    /// The line, from the run's first vertex to its last.
    pub curve: Curve,
    /// Distance between the line and the flattened edge as trued, mm.
    pub error_mm: f64,
    /// How far truing moved an end of it, mm.
    pub moved_mm: f64,
}

/// A line that is sewn to another, and how far truing moved an end of it, mm.
type Moved = (Fit, f64);

/// The legs of a dart: two runs that follow each other.
#[derive(Debug, Clone, Copy)]
pub(super) struct Legs {
    /// The dart, from 0.
    pub dart: usize,
    /// Run that goes in to the point.
    pub inward: usize,
    /// Run that comes out.
    pub outward: usize,
    /// Length on the head, mm.
    pub head_mm: f64,
}

/// Trues the runs of one boundary.
pub(super) fn true_ring(
    panel: usize,
    mut runs: Vec<Run>,
    cut: &CutPatch,
    seams: &[f64],
) -> Result<(Vec<Trued>, Vec<Legs>), PieceError> {
    let flat: Vec<f64> = runs.iter().map(Run::flat_mm).collect();
    let legs = find_legs(panel, &runs, cut)?;
    let mut fits: Vec<Option<Moved>> = vec![None; runs.len()];
    // What moves are the edges between the legs, so that each dart's legs can be trued by themselves.
    let pairs: Vec<[TruedLeg; 2]> = legs.par_iter().map(|pair| true_legs(&runs, pair)).collect();
    for leg in pairs.into_iter().flatten() {
        follow(&mut runs, leg.at, leg.goes_in, leg.mouth_moved);
        fits[leg.at] = Some(leg.done);
    }
    for i in 0..runs.len() {
        if let RunKind::Seam(seam, _) = runs[i].kind {
            let scale = seams.get(seam).copied().unwrap_or(1.0);
            true_seam(&mut runs, &mut fits, i, scale);
        }
    }
    let tangents = joints(&runs, &legs);
    let trued = runs
        .into_par_iter()
        .zip(fits)
        .zip(flat)
        .enumerate()
        .map(|(i, ((run, done), flat_mm))| {
            let (fit, moved_mm) = done.unwrap_or_else(|| {
                let (start, end) = tangents[i];
                (plane::fit(&run.points, start, end, EDGE_TOLERANCE_MM), 0.0)
            });
            Trued {
                run,
                flat_mm,
                curve: fit.curve,
                error_mm: fit.error_mm,
                moved_mm,
            }
        })
        .collect();
    Ok((trued, legs))
}

fn find_legs(panel: usize, runs: &[Run], cut: &CutPatch) -> Result<Vec<Legs>, PieceError> {
    let mut pairs = Vec::new();
    let mut single: Vec<usize> = Vec::new();
    for (i, run) in runs.iter().enumerate() {
        let RunKind::Leg(dart, side) = run.kind else {
            continue;
        };
        let next = (i + 1) % runs.len();
        match runs[next].kind {
            RunKind::Leg(same, other) if same == dart && other != side => {
                let head_mm = cut
                    .darts
                    .get(dart)
                    .map_or(run.head_mm(), |line| line.length_mm);
                pairs.push(Legs {
                    dart,
                    inward: i,
                    outward: next,
                    head_mm,
                });
            }
            _ => single.push(dart),
        }
    }
    for pair in &pairs {
        if let Some(at) = single.iter().position(|&dart| dart == pair.dart) {
            single.remove(at);
        }
    }
    match single.first() {
        Some(&dart) => Err(PieceError::Legs {
            dart,
            panel,
            legs: 1,
        }),
        None => Ok(pairs),
    }
}

/// A leg with its curve.
struct TruedLeg {
    /// Its run.
    at: usize,
    /// Whether the run goes from the mouth in to the point.
    goes_in: bool,
    /// How truing moved its mouth.
    mouth_moved: Vector2,
    done: Moved,
}

fn true_legs(runs: &[Run], pair: &Legs) -> [TruedLeg; 2] {
    let mut inward = runs[pair.inward].points.clone();
    let mut outward: Vec<Point2> = runs[pair.outward].points.iter().rev().copied().collect();
    let lengths = [plane::length(&inward), plane::length(&outward)];
    let mean = (lengths[0] + lengths[1]) / 2.0;
    let strained = (pair.head_mm - mean).abs() > HEAD_LENGTH_KEPT * pair.head_mm;
    let target = if strained { mean } else { pair.head_mm };

    let mouth = nalgebra::center(&inward[0], &outward[0]);
    let point = inward[inward.len() - 1];
    let missing: f64 = lengths.iter().map(|length| target - length).sum();
    // Least squares of three moves: the point's share serves both legs at once.
    let shift = unit(point - mouth) * (missing / 3.0).clamp(-POINT_MOVE_MM, POINT_MOVE_MM);
    for leg in [&mut inward, &mut outward] {
        let sums = plane::cumulative(leg);
        let total = sums[sums.len() - 1].max(f64::MIN_POSITIVE);
        for (p, s) in leg.iter_mut().zip(sums) {
            *p += shift * (s / total);
        }
    }
    let trued = |at: usize, line: &[Point2], goes_in: bool| {
        let fit = plane::fit(line, None, None, CUT_TOLERANCE_MM);
        let curve = with_length(&fit.curve, fit.curve.end(), target);
        let mouth_moved = curve.start() - line[0];
        let error_mm = fit.error_mm;
        let moved_mm = mouth_moved.norm().max(shift.norm());
        let curve = if goes_in { curve } else { curve.reversed() };
        TruedLeg {
            at,
            goes_in,
            mouth_moved,
            done: (Fit { curve, error_mm }, moved_mm),
        }
    };
    [
        trued(pair.inward, &inward, true),
        trued(pair.outward, &outward, false),
    ]
}

fn true_seam(runs: &mut [Run], fits: &mut [Option<Moved>], at: usize, scale: f64) {
    let count = runs.len();
    let gives = |runs: &[Run], neighbour: usize| runs[neighbour].kind.is_edge();
    let (before, after) = ((at + count - 1) % count, (at + 1) % count);
    let (start_free, end_free) = (gives(runs, before), gives(runs, after));
    let fit = plane::fit(&runs[at].points, None, None, CUT_TOLERANCE_MM);
    let (start, end) = (fit.curve.start(), fit.curve.end());
    let fixed = match (start_free, end_free) {
        (true, true) => nalgebra::center(&start, &end),
        (true, false) => end,
        (false, true) => start,
        // Both ends belong to other seams: nothing can give way, the length stays.
        (false, false) => {
            fits[at] = Some((fit, 0.0));
            return;
        }
    };
    let curve = with_length(&fit.curve, fixed, scale * runs[at].head_mm());
    let (from_moved, to_moved) = (curve.start() - start, curve.end() - end);
    follow(runs, at, true, from_moved);
    follow(runs, at, false, to_moved);
    let error_mm = fit.error_mm;
    let moved_mm = from_moved.norm().max(to_moved.norm());
    fits[at] = Some((Fit { curve, error_mm }, moved_mm));
}

/// Length that each seam is trued to, as a part of its length on the head: the mean of both sides.
pub(super) fn seam_scales(cut: &CutPatch, rings: &[Vec<Run>]) -> Vec<f64> {
    (0..cut.seams.len())
        .map(|seam| {
            let own = || {
                rings
                    .iter()
                    .flatten()
                    .filter(move |run| matches!(run.kind, RunKind::Seam(s, _) if s == seam))
            };
            let flat: f64 = own().map(Run::flat_mm).sum();
            let head: f64 = own().map(Run::head_mm).sum();
            if head > 0.0 { flat / head } else { 1.0 }
        })
        .collect()
}

/// The curve drawn out along its chord from a fixed point until it has the given length.
fn with_length(curve: &Curve, fixed: Point2, target: f64) -> Curve {
    let chord = unit(curve.end() - curve.start());
    let drawn =
        |factor: f64| curve.mapped(|p| p + chord * ((p - fixed).dot(&chord) * (factor - 1.0)));
    let mut factor = 1.0;
    let mut best = curve.clone();
    for _ in 0..12 {
        let length = best.length();
        if length <= 0.0 || (length - target).abs() < 1e-7 {
            break;
        }
        // Length grows all but linearly with the factor.
        factor *= target / length;
        best = drawn(factor);
    }
    best
}

/// Lets the edge beside an end that moved follow it, fading out.
fn follow(runs: &mut [Run], at: usize, before: bool, moved: Vector2) {
    let count = runs.len();
    let neighbour = if before {
        (at + count - 1) % count
    } else {
        (at + 1) % count
    };
    let run = &mut runs[neighbour];
    if !run.kind.is_edge() {
        return;
    }
    let sums = plane::cumulative(&run.points);
    let total = sums[sums.len() - 1];
    let reach = FOLLOW_MM.min(total);
    for (p, s) in run.points.iter_mut().zip(sums) {
        let away = if before { total - s } else { s };
        let x = (1.0 - away / reach).max(0.0);
        *p += moved * (x * x * (3.0 - 2.0 * x));
    }
}

/// Directions in which each run leaves its start and arrives at its end, where they are given.
fn joints(runs: &[Run], legs: &[Legs]) -> Vec<(Option<Vector2>, Option<Vector2>)> {
    let mut tangents = vec![(None, None); runs.len()];
    for (i, run) in runs.iter().enumerate() {
        if run.closed {
            let along = plane::tangent_at(&run.points, &run.points, TANGENT_WINDOW_MM);
            tangents[i] = (Some(along), Some(along));
        }
    }
    let count = runs.len();
    for pair in legs {
        let (before, after) = (
            (pair.inward + count - 1) % count,
            (pair.outward + 1) % count,
        );
        if !runs[before].kind.is_edge() || !runs[after].kind.is_edge() {
            continue;
        }
        let close = Closing::of(runs, pair);
        let arriving: Vec<Point2> = runs[before]
            .points
            .iter()
            .map(|&p| close.apply(p))
            .collect();
        let leaving = &runs[after].points;
        let turn = signed_turn(
            plane::end_direction(&arriving, MOUTH_CORNER_WINDOW_MM, false),
            plane::end_direction(leaving, MOUTH_CORNER_WINDOW_MM, true),
        );
        if turn.abs() > MOUTH_CORNER {
            continue;
        }
        let along = plane::tangent_at(&arriving, leaving, TANGENT_WINDOW_MM);
        tangents[after].0 = Some(along);
        tangents[before].1 = Some(turned(along, -close.angle));
    }
    tangents
}

/// The rigid motion that closes a dart: the edge before the mouth comes to the edge after it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Closing {
    from: Point2,
    to: Point2,
    pub angle: f64,
}

impl Closing {
    fn of(runs: &[Run], pair: &Legs) -> Self {
        let inward = &runs[pair.inward].points;
        let outward = &runs[pair.outward].points;
        let count = runs.len();
        // The edges' ends, which have been trued already; the legs' own points have not.
        let before = &runs[(pair.inward + count - 1) % count].points;
        let after = &runs[(pair.outward + 1) % count].points;
        let from = before.last().copied().unwrap_or(inward[0]);
        let to = after.first().copied().unwrap_or(outward[outward.len() - 1]);
        Self::about(inward[inward.len() - 1], from, to)
    }

    /// Turns about a dart's point, as far as takes the direction of one mouth end to the other's.
    pub(super) fn about(point: Point2, from: Point2, to: Point2) -> Self {
        Self {
            from,
            to,
            angle: signed_turn(from - point, to - point),
        }
    }

    pub(super) fn apply(&self, p: Point2) -> Point2 {
        self.to + turned(p - self.from, self.angle)
    }
}
