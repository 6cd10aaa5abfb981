//! Smooth curves fitted to flattened edges.
//!
//! In: a polyline whose points scatter about a smooth edge. Out: a chain of cubics, curvature
//! continuous, through both ends, within a tolerance of the polyline.
//!
//! # Method
//! Least squares over cubic B-splines on uniform knots (de Boor, "A Practical Guide to Splines",
//! 1978, ch. XIV), with the samples' parameters corrected by Newton steps onto the curve (Hoschek,
//! Comput. Aided Geom. Des. 5 (1988) 27–31). The number of spans grows until the tolerance is met:
//! the fewest spans give the fairest line, and scan noise is smoothed instead of followed.
//! A B-spline is C² by construction, which chained Bézier fits are not: a cutter sees the joints.
//! Cost: O(samples · spans + spans³) a try, spans below a hundred.

use nalgebra::{DMatrix, DVector};

use super::{Curve, NearLine, along, cumulative, distinct, length, unit};
use crate::{Point2, Vector2};

/// A fitted curve and how far it strays from its polyline.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// The curve.
    pub curve: Curve,
    /// Greatest distance between curve and polyline, either way, mm.
    pub error_mm: f64,
}

/// Numbers of spans tried in turn.
const SPANS: [usize; 17] = [1, 2, 3, 4, 5, 6, 8, 10, 12, 16, 20, 24, 32, 40, 52, 68, 88];
/// Shorter spans than this would follow the scan instead of the edge, mm.
const SHORTEST_SPAN_MM: f64 = 6.0;
/// Samples are this far apart at least, mm: closer ones only repeat scan noise.
const SAMPLE_MM: f64 = 0.5;
/// Most samples of one edge.
const MOST_SAMPLES: f64 = 600.0;
/// Corrections of the samples' parameters.
const CORRECTIONS: usize = 4;
/// Weight of the second differences of the control points: settles what samples leave open.
const FAIRNESS: f64 = 1e-5;
/// Points closer than this are one, mm.
const SAME_MM: f64 = 1e-6;

/// Fits a curve to a polyline, leaving and arriving along the given directions where there are any.
///
/// Where no number of spans meets `tolerance` mm, the line is parted where the best try strays
/// farthest, a corner too blunt to be noticed before, and both parts are fitted. What is left at
/// the end is straight segments: never wrong, only less smooth.
#[must_use]
pub fn fit(
    line: &[Point2],
    leave: Option<Vector2>,
    arrive: Option<Vector2>,
    tolerance: f64,
) -> Fit {
    let line = distinct(line, SAME_MM);
    let total = length(&line);
    let straight = || Fit {
        curve: Curve::straight(&line),
        error_mm: 0.0,
    };
    if line.len() < 2
        || total <= SAME_MM
        || (line.len() == 2 && leave.is_none() && arrive.is_none())
    {
        return straight();
    }
    let samples = sample(&line, total);
    let near = NearLine::new(&line);
    let mut last = None;
    let few = |spans: &usize| {
        2 * spans <= samples.len() + 4 && (*spans <= 4 || total >= SHORTEST_SPAN_MM * *spans as f64)
    };
    let spans: Vec<usize> = SPANS.into_iter().take_while(few).collect();
    let attempt = |spans: usize| {
        let curve = try_spans(&samples, leave, arrive, spans)?;
        let drawn = curve.linearise(0.002, 0.5);
        let near_enough = !strays(&drawn, &near, tolerance);
        Some((curve, drawn, near_enough))
    };
    // Two at a time: the longest edge of a base has both threads to itself in the end.
    for pair in spans.chunks(2) {
        let (first, second) = rayon::join(
            || attempt(pair[0]),
            || pair.get(1).and_then(|&spans| attempt(spans)),
        );
        for (curve, drawn, near_enough) in [first, second].into_iter().flatten() {
            if near_enough {
                let error_mm = stray(&drawn, &line, &near).0;
                if error_mm < tolerance {
                    return Fit { curve, error_mm };
                }
            }
            last = Some(drawn);
        }
    }
    let worst = |drawn: Vec<Point2>| stray(&drawn, &line, &near).1.clamp(1, line.len() - 2);
    let inner = last.filter(|_| line.len() > 2).map(worst);
    match inner {
        Some(at) => {
            let (first, second) = rayon::join(
                || fit(&line[..=at], leave, None, tolerance),
                || fit(&line[at..], None, arrive, tolerance),
            );
            let error_mm = first.error_mm.max(second.error_mm);
            Fit {
                curve: first.curve.joined(&second.curve),
                error_mm,
            }
        }
        None => straight(),
    }
}

/// Direction in which two lines that meet run through their common point, by a parabola through it
/// fitted to `window` mm on either side.
#[must_use]
pub fn tangent_at(arriving: &[Point2], leaving: &[Point2], window: f64) -> Vector2 {
    let Some(&origin) = leaving.first() else {
        return Vector2::zeros();
    };
    let back: Vec<Point2> = arriving.iter().rev().copied().collect();
    let mut sums = [0.0; 3];
    let mut sides = [Vector2::zeros(); 2];
    let steps = 12;
    for step in 1..=steps {
        let s = window * f64::from(step) / f64::from(steps);
        for (side, line) in [(-1.0, &back[..]), (1.0, leaving)] {
            if s > length(line) {
                continue;
            }
            let Some((p, _)) = along(line, s) else {
                continue;
            };
            let (t, d) = (side * s, p - origin);
            sums[0] += t * t;
            sums[1] += t * t * t;
            sums[2] += t * t * t * t;
            sides[0] += d * t;
            sides[1] += d * (t * t);
        }
    }
    // Normal equations of d(t) = v·t + c·t²; with samples on one side only they stay regular.
    let det = sums[0] * sums[2] - sums[1] * sums[1];
    if det.abs() > 1e-9 * sums[0] * sums[2] {
        unit((sides[0] * sums[2] - sides[1] * sums[1]) / det)
    } else {
        unit(sides[0])
    }
}

/// Even samples of a polyline, both ends included.
fn sample(line: &[Point2], total: f64) -> Vec<(f64, Point2)> {
    let count = (total / SAMPLE_MM).ceil().clamp(8.0, MOST_SAMPLES);
    let sums = cumulative(line);
    let mut samples = Vec::new();
    let (mut segment, mut step) = (0, 0.0);
    while step <= count {
        let s = total * step / count;
        while segment + 2 < line.len() && sums[segment + 1] < s {
            segment += 1;
        }
        let size = sums[segment + 1] - sums[segment];
        let part = if size > 0.0 {
            ((s - sums[segment]) / size).clamp(0.0, 1.0)
        } else {
            0.0
        };
        samples.push((
            step / count,
            line[segment] + (line[segment + 1] - line[segment]) * part,
        ));
        step += 1.0;
    }
    samples
}

fn try_spans(
    samples: &[(f64, Point2)],
    leave: Option<Vector2>,
    arrive: Option<Vector2>,
    spans: usize,
) -> Option<Curve> {
    let mut samples = samples.to_vec();
    let mut spline = solve(&samples, leave, arrive, spans)?;
    for _ in 0..CORRECTIONS {
        let cubics = spline.cubics();
        for (u, p) in &mut samples {
            *u = spline.corrected(&cubics, *u, *p);
        }
        spline = solve(&samples, leave, arrive, spans)?;
    }
    Some(spline.curve())
}

/// A clamped uniform cubic B-spline on 0..1.
struct Spline {
    controls: Vec<Point2>,
    spans: usize,
}

impl Spline {
    fn knot(&self, i: isize) -> f64 {
        knot(i, self.spans)
    }

    /// Span that a parameter falls into.
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to 0..spans"
    )]
    fn span(&self, u: f64) -> usize {
        ((u * self.spans as f64) as usize).min(self.spans - 1)
    }

    /// Polar form of the span's cubic (Ramshaw 1987): the curve where the arguments agree, the
    /// Bézier points where they are the span's ends.
    fn blossom(&self, span: usize, at: [f64; 3]) -> Point2 {
        let mut d: [Point2; 4] = std::array::from_fn(|i| self.controls[span + i]);
        for (level, t) in at.into_iter().enumerate() {
            for j in (level + 1..4).rev() {
                // Control j of the span's cubic has the knots span + j − 3 + 1 .. of the clamped list.
                let first = as_signed(span) + as_signed(j) - 3;
                let low = self.knot(first);
                let high = self.knot(first + 3 - as_signed(level));
                let part = if high > low {
                    (t - low) / (high - low)
                } else {
                    0.0
                };
                d[j] = d[j - 1] + (d[j] - d[j - 1]) * part;
            }
        }
        d[3]
    }

    fn ends(&self, span: usize) -> (f64, f64) {
        (self.knot(as_signed(span)), self.knot(as_signed(span) + 1))
    }

    fn bezier(&self, span: usize) -> [Point2; 4] {
        let (a, b) = self.ends(span);
        [[a, a, a], [a, a, b], [a, b, b], [b, b, b]].map(|at| self.blossom(span, at))
    }

    /// Bézier points of every span.
    fn cubics(&self) -> Vec<[Point2; 4]> {
        (0..self.spans).map(|span| self.bezier(span)).collect()
    }

    fn curve(&self) -> Curve {
        let after_start = |[_, a, b, c]: [Point2; 4]| [a, b, c];
        let cubics: Vec<[Point2; 3]> = self.cubics().into_iter().map(after_start).collect();
        let start = self.controls[0];
        Curve::new(start, &cubics)
    }

    /// Parameter moved by one Newton step towards the foot of `p`; `cubics` are the spans' Bézier points.
    fn corrected(&self, cubics: &[[Point2; 4]], u: f64, p: Point2) -> f64 {
        let span = self.span(u);
        let (low, high) = self.ends(span);
        let width = high - low;
        let t = (u - low) / width;
        let [p0, p1, p2, p3] = cubics[span];
        let (a, b, c) = (p1 - p0, p2 - p1, p3 - p2);
        let s = 1.0 - t;
        let here = p0
            + a * (3.0 * t * s * s + 3.0 * t * t * s + t * t * t)
            + b * (3.0 * t * t * s + t * t * t)
            + c * (t * t * t);
        let d1 = (a * (s * s) + b * (2.0 * s * t) + c * (t * t)) * 3.0;
        let d2 = ((b - a) * s + (c - b) * t) * 6.0;
        let off = here - p;
        let slope = d1.norm_squared() + off.dot(&d2);
        if u <= 0.0 || u >= 1.0 || slope <= 0.0 {
            return u;
        }
        // No farther than one span: a step from a poor start must not leave the neighbourhood.
        (u - (off.dot(&d1) / slope * width).clamp(-width, width)).clamp(0.0, 1.0)
    }
}

fn as_signed(i: usize) -> isize {
    isize::try_from(i).unwrap_or(isize::MAX)
}

/// Knot `i` of the clamped uniform list, the first inner span running from knot 0 to knot 1.
fn knot(i: isize, spans: usize) -> f64 {
    (i as f64 / spans as f64).clamp(0.0, 1.0)
}

/// Values of the four cubics that live on a span (Cox 1972, de Boor 1972).
fn basis(span: usize, u: f64, spans: usize) -> [f64; 4] {
    let at = |i: isize| knot(as_signed(span) + i, spans);
    let mut n = [1.0, 0.0, 0.0, 0.0];
    for degree in 1..=3_usize {
        let mut saved = 0.0;
        for (r, value) in n.iter_mut().enumerate().take(degree) {
            let right = at(as_signed(r) + 1);
            let left = at(as_signed(r) + 1 - as_signed(degree));
            let share = *value / (right - left);
            *value = saved + (right - u) * share;
            saved = (u - left) * share;
        }
        n[degree] = saved;
    }
    n
}

/// How each control point depends on the unknowns: fixed part, then (unknown, direction) pairs.
struct Control {
    fixed: Vector2,
    free: [Option<(usize, Vector2)>; 2],
}

/// Control points as functions of the unknowns. The ends are fixed; next to them a given direction
/// leaves one unknown, the distance along it; the others have two.
fn controls(
    first: Point2,
    last: Point2,
    leave: Option<Vector2>,
    arrive: Option<Vector2>,
    count: usize,
) -> (Vec<Control>, usize) {
    let mut list = Vec::with_capacity(count);
    let mut unknowns = 0;
    for i in 0..count {
        let along = if i == 1 {
            leave
        } else if i + 2 == count {
            arrive.map(|v| -v)
        } else {
            None
        };
        let from = if i == 0 || (i == 1 && leave.is_some()) {
            first
        } else {
            last
        };
        let control = if i == 0 || i + 1 == count {
            Control {
                fixed: from.coords,
                free: [None, None],
            }
        } else if let Some(direction) = along {
            unknowns += 1;
            Control {
                fixed: from.coords,
                free: [Some((unknowns - 1, direction)), None],
            }
        } else {
            unknowns += 2;
            let free = [
                Some((unknowns - 2, Vector2::x())),
                Some((unknowns - 1, Vector2::y())),
            ];
            Control {
                fixed: Vector2::zeros(),
                free,
            }
        };
        list.push(control);
    }
    (list, unknowns)
}

fn solve(
    samples: &[(f64, Point2)],
    leave: Option<Vector2>,
    arrive: Option<Vector2>,
    spans: usize,
) -> Option<Spline> {
    let (first, last) = (samples.first()?.1, samples.last()?.1);
    let count = spans + 3;
    let (controls, unknowns) = controls(first, last, leave, arrive, count);
    let mut normal = DMatrix::<f64>::zeros(unknowns, unknowns);
    let mut right = DVector::<f64>::zeros(unknowns);
    let mut terms: Vec<(usize, Vector2)> = Vec::new();
    let mut add = |weights: &[(usize, f64)], target: Vector2, weight: f64| {
        let fixed: Vector2 = weights.iter().map(|&(i, w)| controls[i].fixed * w).sum();
        let rest = target - fixed;
        terms.clear();
        for &(i, w) in weights {
            terms.extend(controls[i].free.iter().flatten().map(|&(k, d)| (k, d * w)));
        }
        for &(k, d) in &terms {
            right[k] += weight * d.dot(&rest);
            // The lower triangle, which is what Cholesky looks at.
            for &(l, e) in terms.iter().filter(|term| term.0 <= k) {
                normal[(k, l)] += weight * d.dot(&e);
            }
        }
    };
    let placing = Spline {
        controls: Vec::new(),
        spans,
    };
    for &(u, p) in samples {
        let span = placing.span(u);
        let n = basis(span, u, spans);
        let weights: [(usize, f64); 4] = std::array::from_fn(|i| (span + i, n[i]));
        add(&weights, p.coords, 1.0);
    }
    let fairness = FAIRNESS * samples.len() as f64 / count as f64;
    for i in 1..count - 1 {
        add(
            &[(i - 1, 1.0), (i, -2.0), (i + 1, 1.0)],
            Vector2::zeros(),
            fairness,
        );
    }
    let solution = if unknowns > 0 {
        normal.cholesky()?.solve(&right)
    } else {
        right
    };
    let place = |c: &Control| {
        c.free
            .iter()
            .flatten()
            .fold(Point2::from(c.fixed), |p, &(k, d)| p + d * solution[k])
    };
    let forward =
        |c: &Control| c.free[1].is_some() || c.free[0].is_none_or(|(k, _)| solution[k] > 0.0);
    controls.iter().all(forward).then(|| Spline {
        controls: controls.iter().map(place).collect(),
        spans,
    })
}

/// Whether a point of the curve strays from the polyline by `tolerance`: soon answered with yes, and without a tree
/// of the curve.
fn strays(drawn: &[Point2], near: &NearLine, tolerance: f64) -> bool {
    let off = |p: &Point2| near.to(*p).map_or(0.0, |foot| foot.distance);
    drawn.iter().any(|p| off(p) >= tolerance)
}

/// Greatest distance between curve, as `drawn`, and polyline, either way, mm, and the polyline's point nearest
/// to where that is.
fn stray(drawn: &[Point2], line: &[Point2], near: &NearLine) -> (f64, usize) {
    let near_drawn = NearLine::new(drawn);
    let mut worst = (0.0, 0);
    for (i, &p) in line.iter().enumerate() {
        let off = near_drawn.to(p).map_or(0.0, |foot| foot.distance);
        if off > worst.0 {
            worst = (off, i);
        }
    }
    for &p in drawn {
        let Some(foot) = near.to(p) else {
            continue;
        };
        if foot.distance > worst.0 {
            worst = (foot.distance, foot.segment + usize::from(foot.part > 0.5));
        }
    }
    worst
}

#[cfg(test)]
mod tests {
    use std::f64::consts::PI;

    use super::*;

    fn arc(radius: f64, from: f64, to: f64, count: u32) -> Vec<Point2> {
        (0..=count)
            .map(|i| from + (to - from) * f64::from(i) / f64::from(count))
            .map(|a| Point2::new(radius * a.cos(), radius * a.sin()))
            .collect()
    }

    #[test]
    fn basis_sums_to_one_and_matches_the_polar_form() {
        let controls: Vec<Point2> = (0..8)
            .map(f64::from)
            .map(|i| Point2::new(i, (i * 1.7).sin()))
            .collect();
        let spline = Spline { controls, spans: 5 };
        for step in 0..=50 {
            let u = f64::from(step) / 50.0;
            let span = spline.span(u);
            let n = basis(span, u, 5);
            assert!((n.iter().sum::<f64>() - 1.0).abs() < 1e-12);
            let by_basis: Vector2 = (0..4)
                .map(|i| spline.controls[span + i].coords * n[i])
                .sum();
            let by_polar = spline.blossom(span, [u, u, u]);
            assert!(
                (by_basis - by_polar.coords).norm() < 1e-12,
                "{u}: {by_basis} {by_polar}"
            );
        }
    }

    #[test]
    fn an_arc_needs_few_cubics_and_keeps_its_length() {
        let line = arc(90.0, 0.2, 2.9, 120);
        let fit = fit(&line, None, None, 0.1);
        assert!(
            fit.error_mm < 0.1 && fit.curve.len() <= 4,
            "{} cubics",
            fit.curve.len()
        );
        assert!(
            (fit.curve.length() - 90.0 * 2.7).abs() < 0.1,
            "{}",
            fit.curve.length()
        );
        assert!((fit.curve.start() - line[0]).norm() < 1e-12);
        assert!((fit.curve.end() - line[120]).norm() < 1e-9);
    }

    #[test]
    fn ends_run_along_the_given_directions() {
        let line = arc(60.0, 0.0, PI / 2.0, 40);
        let fit = fit(&line, Some(Vector2::y()), Some(-Vector2::x()), 0.1);
        let (first, last) = (fit.curve.at(0.0).1, fit.curve.at(fit.curve.length()).1);
        assert!((first - Vector2::y()).norm() < 1e-9 && (last + Vector2::x()).norm() < 1e-6);
        assert!(fit.error_mm < 0.1);
    }

    #[test]
    fn scan_noise_is_smoothed_and_not_followed() {
        // 0.08 mm of zigzag every 0.3 mm: the curve must not count it as length.
        let line: Vec<Point2> = arc(80.0, 0.0, 2.0, 530)
            .into_iter()
            .enumerate()
            .map(|(i, p)| p + p.coords / 80.0 * if i % 2 == 0 { 0.08 } else { -0.08 })
            .collect();
        let fit = fit(&line, None, None, 0.2);
        assert!(fit.error_mm < 0.2);
        assert!(
            (fit.curve.length() - 160.0).abs() < 0.3,
            "{}",
            fit.curve.length()
        );
        assert!(fit.curve.len() <= 6);
    }

    #[test]
    fn a_line_with_corners_comes_back_as_it_is() {
        let line: Vec<Point2> = (0..60)
            .map(|i| Point2::new(f64::from(i), f64::from(i % 2) * 5.0))
            .collect();
        let fit = fit(&line, None, None, 0.1);
        assert!(fit.error_mm < 0.1);
        assert!((fit.curve.length() - length(&line)).abs() < 0.1);
    }

    #[test]
    fn a_blunt_corner_parts_the_line_and_both_sides_stay_smooth() {
        // Two arcs of 60 mm radius that meet at 26°.
        let mut line = arc(60.0, 0.0, 1.5, 60);
        let (end, turn) = (line[60], Vector2::new(-1.5_f64.sin(), 1.5_f64.cos()));
        let bent = crate::plane::turned(turn, -0.45);
        line.extend((1..=60).map(|i| f64::from(i) * 1.5).map(|s| end + bent * s));
        let fit = fit(&line, None, None, 0.15);
        assert!(
            fit.error_mm < 0.15 && fit.curve.len() < 20,
            "{} cubics",
            fit.curve.len()
        );
        assert!((fit.curve.nearest(end).1) < 0.15);
    }

    #[test]
    fn the_tangent_at_a_joint_of_an_arc_is_the_arcs() {
        let (a, b) = (arc(70.0, 0.8, 1.0, 20), arc(70.0, 1.0, 1.2, 3));
        let t = tangent_at(&a, &b, 12.0);
        let want = Vector2::new(-1.0_f64.sin(), 1.0_f64.cos());
        assert!((t - want).norm() < 5e-3, "{t} for {want}");
    }
}
