//! Smooth curves as chains of cubic Béziers.

use kurbo::{
    BezPath, CubicBez, ParamCurve, ParamCurveArclen, ParamCurveDeriv, ParamCurveNearest, PathEl,
};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{settle_point, unit};
use crate::{Point2, Vector2};

/// Accuracy of arc lengths, mm.
const LENGTH_ACCURACY_MM: f64 = 1e-6;

/// A curve from one end to the other; straight stretches are cubics with their handles on the chord.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
pub struct Curve {
    /// First end, mm.
    #[serde(rename = "start_mm", with = "super::pair")]
    #[schemars(with = "[f64; 2]")]
    start: Point2,
    /// Two handles and the end of each cubic, mm.
    #[serde(rename = "cubics_mm")]
    cubics: Vec<[[f64; 2]; 3]>,
}

fn kurbo_point(p: Point2) -> kurbo::Point {
    kurbo::Point::new(p.x, p.y)
}

fn from_kurbo(p: kurbo::Point) -> Point2 {
    Point2::new(p.x, p.y)
}

impl Curve {
    /// From its first end and the two handles and end of each cubic.
    #[must_use]
    pub fn new(start: Point2, cubics: &[[Point2; 3]]) -> Self {
        let cubics = cubics.iter().map(|c| c.map(|p| [p.x, p.y])).collect();
        Self { start, cubics }
    }

    /// A chain of straight segments.
    #[must_use]
    pub fn straight(line: &[Point2]) -> Self {
        let start = line.first().copied().unwrap_or_default();
        let cubics: Vec<[Point2; 3]> = line
            .windows(2)
            .map(|w| {
                [
                    w[0] + (w[1] - w[0]) / 3.0,
                    w[0] + (w[1] - w[0]) * (2.0 / 3.0),
                    w[1],
                ]
            })
            .collect();
        Self::new(start, &cubics)
    }

    /// First end.
    #[must_use]
    pub fn start(&self) -> Point2 {
        self.start
    }

    /// Last end.
    #[must_use]
    pub fn end(&self) -> Point2 {
        self.cubics
            .last()
            .map_or(self.start, |c| Point2::from(c[2]))
    }

    /// Handles and end of each cubic.
    pub fn cubics(&self) -> impl Iterator<Item = [Point2; 3]> + '_ {
        self.cubics.iter().map(|c| c.map(Point2::from))
    }

    /// Number of cubics.
    #[must_use]
    pub fn len(&self) -> usize {
        self.cubics.len()
    }

    /// Whether there is nothing but the first end.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.cubics.is_empty()
    }

    fn segments(&self) -> impl Iterator<Item = CubicBez> + '_ {
        let mut from = self.start;
        self.cubics().map(move |[a, b, to]| {
            let segment = CubicBez::new(
                kurbo_point(from),
                kurbo_point(a),
                kurbo_point(b),
                kurbo_point(to),
            );
            from = to;
            segment
        })
    }

    fn from_segments(start: Point2, segments: &[CubicBez]) -> Self {
        let cubics: Vec<_> = segments
            .iter()
            .map(|s| [s.p1, s.p2, s.p3].map(from_kurbo))
            .collect();
        Self::new(start, &cubics)
    }

    /// As a path of the curve crate.
    #[must_use]
    pub fn path(&self) -> BezPath {
        let mut path = BezPath::new();
        path.move_to(kurbo_point(self.start));
        for s in self.segments() {
            path.curve_to(s.p1, s.p2, s.p3);
        }
        path
    }

    /// Arc length, mm.
    #[must_use]
    pub fn length(&self) -> f64 {
        self.segments().map(|s| s.arclen(LENGTH_ACCURACY_MM)).sum()
    }

    /// Cubic and parameter at a distance along the curve.
    fn locate(&self, distance: f64) -> Option<(CubicBez, usize, f64)> {
        let mut left = distance.max(0.0);
        let mut last = None;
        for (i, segment) in self.segments().enumerate() {
            let size = segment.arclen(LENGTH_ACCURACY_MM);
            if left <= size {
                return Some((segment, i, segment.inv_arclen(left, LENGTH_ACCURACY_MM)));
            }
            left -= size;
            last = Some((segment, i, 1.0));
        }
        last
    }

    /// Point and unit direction at a distance along the curve; beyond its ends the ends themselves.
    #[must_use]
    pub fn at(&self, distance: f64) -> (Point2, Vector2) {
        let Some((segment, _, t)) = self.locate(distance) else {
            return (self.start, Vector2::zeros());
        };
        let d = segment.deriv().eval(t);
        (from_kurbo(segment.eval(t)), unit(Vector2::new(d.x, d.y)))
    }

    /// Distance along the curve of the place nearest to a point, and how far away it is, mm.
    #[must_use]
    pub fn nearest(&self, p: Point2) -> (f64, f64) {
        let mut best = (0.0, f64::INFINITY);
        let mut passed = 0.0;
        for segment in self.segments() {
            let near = segment.nearest(kurbo_point(p), 1e-9);
            if near.distance_sq < best.1 {
                best = (
                    passed + segment.subsegment(0.0..near.t).arclen(LENGTH_ACCURACY_MM),
                    near.distance_sq,
                );
            }
            passed += segment.arclen(LENGTH_ACCURACY_MM);
        }
        (best.0, best.1.sqrt())
    }

    /// The part between two distances along the curve.
    #[must_use]
    pub fn part(&self, from: f64, to: f64) -> Self {
        let (Some((_, i, s)), Some((_, j, t))) = (self.locate(from), self.locate(to)) else {
            return self.clone();
        };
        let mut segments: Vec<CubicBez> = Vec::new();
        for (k, segment) in self.segments().enumerate() {
            let low = if k == i { s } else { 0.0 };
            let high = if k == j { t } else { 1.0 };
            if k >= i && k <= j && high - low > 1e-9 {
                segments.push(segment.subsegment(low..high));
            }
        }
        let start = segments
            .first()
            .map_or(self.at(from).0, |s| from_kurbo(s.p0));
        Self::from_segments(start, &segments)
    }

    /// The same curve, walked the other way.
    #[must_use]
    pub fn reversed(&self) -> Self {
        let segments: Vec<_> = self.segments().collect();
        let back: Vec<_> = segments
            .iter()
            .rev()
            .map(|s| CubicBez::new(s.p3, s.p2, s.p1, s.p0))
            .collect();
        Self::from_segments(self.end(), &back)
    }

    /// The curve with every point moved; exact for affine moves.
    #[must_use]
    pub fn mapped(&self, by: impl Fn(Point2) -> Point2) -> Self {
        let cubics: Vec<_> = self.cubics().map(|c| c.map(&by)).collect();
        Self::new(by(self.start), &cubics)
    }

    /// The curve on the grid of 0.0001 mm that files carry.
    #[must_use]
    pub fn settled(&self) -> Self {
        self.mapped(settle_point)
    }

    /// Straight segments within `tolerance` mm of the curve, none longer than `longest` mm.
    #[must_use]
    pub fn linearise(&self, tolerance: f64, longest: f64) -> Vec<Point2> {
        let mut line = vec![self.start];
        kurbo::flatten(self.path(), tolerance, |el| {
            if let PathEl::LineTo(p) = el {
                let (from, to) = (line[line.len() - 1], from_kurbo(p));
                let steps = ((to - from).norm() / longest).ceil().max(1.0);
                let mut step = 1.0;
                while step < steps {
                    line.push(from + (to - from) * (step / steps));
                    step += 1.0;
                }
                line.push(to);
            }
        });
        if let Some(last) = line.last_mut() {
            *last = self.end();
        }
        line
    }

    /// Chains two curves; the second starts where the first ends.
    #[must_use]
    pub fn joined(mut self, next: &Curve) -> Self {
        self.cubics.extend_from_slice(&next.cubics);
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Quarter circle of radius 50 by the usual handle length 0.5522847 (radius error below 0.03 %).
    fn quarter() -> Curve {
        let k = 50.0 * 0.552_284_75;
        Curve::new(
            Point2::new(50.0, 0.0),
            &[[
                Point2::new(50.0, k),
                Point2::new(k, 50.0),
                Point2::new(0.0, 50.0),
            ]],
        )
    }

    #[test]
    fn length_of_a_quarter_circle() {
        let want = 50.0 * std::f64::consts::FRAC_PI_2;
        assert!(
            (quarter().length() - want).abs() < 0.02,
            "{} for {want}",
            quarter().length()
        );
    }

    #[test]
    fn parts_add_up_and_meet() {
        let (curve, cut) = (quarter(), 31.4);
        let (a, b) = (curve.part(0.0, cut), curve.part(cut, curve.length()));
        assert!((a.length() + b.length() - curve.length()).abs() < 1e-4);
        assert!((a.end() - b.start()).norm() < 1e-9);
        assert!((a.end() - curve.at(cut).0).norm() < 1e-4);
        assert_eq!(curve.reversed().reversed(), curve);
    }

    #[test]
    fn segments_stay_within_tolerance() {
        let line = quarter().linearise(0.01, 1000.0);
        for w in line.windows(2) {
            let mid = w[0] + (w[1] - w[0]) / 2.0;
            assert!(quarter().nearest(mid).1 < 0.01);
        }
        assert!(line.len() < 60);
    }
}
