//! The end of a folded dart.
//!
//! A folded dart's take-up lies double over the piece on one side of the seam. Unfolded, the sew
//! line across the mouth must be such that, with the dart folded and sewn, all layers end on the
//! finished edge. With the dart folded towards leg N (the other is F): the half of the wedge next
//! to F lies as F's continuation over N's edge, so its end is N's edge carried to F by the closing
//! motion; the half next to N is that half mirrored in the fold line. The ends meet in a peak on
//! the fold line. This is what a cutter gets by folding the paper and cutting along the edge.

use super::truing::Closing;
use crate::{
    Point2,
    plane::{self, cross, unit},
};

/// A cap and its fold line.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Cap {
    /// From the end of the near leg to the end of the far one.
    pub line: Vec<Point2>,
    /// From the peak to the dart's point.
    pub fold: [Point2; 2],
}

/// Peaks reach at most this many times half the mouth beyond it; flatter darts end straight.
const PEAK_LIMIT: f64 = 1.5;

/// Shapes the cap. `near` is the mouth end of the leg folded towards and `edge` the finished edge
/// that starts there and runs away from the mouth.
pub(super) fn cap(point: Point2, near: Point2, far: Point2, edge: &[Point2]) -> Cap {
    let middle = nalgebra::center(&near, &far);
    let inward = unit(point - middle);
    let half = (far - near).norm() / 2.0;
    let close = Closing::about(point, near, far);
    let carried: Vec<Point2> = edge.iter().map(|&p| close.apply(p)).collect();
    let straight = || Cap {
        line: vec![near, middle, far],
        fold: [middle, point],
    };
    let Some((peak, passed)) = crossing(&carried, middle, inward) else {
        return straight();
    };
    if (peak - middle).norm() > PEAK_LIMIT * half {
        return straight();
    }
    let mut far_half: Vec<Point2> = carried[..=passed].to_vec();
    far_half.push(peak);
    let out = far - middle;
    // Mirrored along the mouth, which takes the far end to the near one exactly even where the
    // legs' chords differ by a hair.
    let mirror = |p: Point2| {
        let d = p - middle;
        let part = cross(d, inward) / cross(out, inward);
        middle - out * part + (d - out * part)
    };
    let mut line: Vec<Point2> = far_half.iter().map(|&p| mirror(p)).collect();
    line.pop();
    line.extend(far_half.iter().rev());
    Cap {
        line,
        fold: [peak, point],
    }
}

/// Where a line first crosses the fold line, and the last of its points before that.
fn crossing(line: &[Point2], middle: Point2, inward: crate::Vector2) -> Option<(Point2, usize)> {
    let side = |p: Point2| cross(inward, p - middle);
    line.windows(2).enumerate().find_map(|(i, w)| {
        let (a, b) = (side(w[0]), side(w[1]));
        (a != 0.0 && a * b <= 0.0).then(|| (w[0] + (w[1] - w[0]) * (a / (a - b)), i))
    })
}

/// A straight continuation when the edge is shorter than half the mouth.
pub(super) fn lengthened(edge: &[Point2], to_mm: f64) -> Vec<Point2> {
    let mut line = edge.to_vec();
    let short = to_mm - plane::length(edge);
    if short > 0.0
        && let [.., a, b] = line[..]
    {
        line.push(b + unit(b - a) * short);
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Vector2;

    #[test]
    fn a_square_mouth_ends_straight_across_each_half() {
        // Legs of 80 mm, 12 mm apart; the edges leave square to the legs.
        let (point, half) = (Point2::new(0.0, 80.0), 6.0_f64);
        let leg = (half / 80.0).asin();
        let near = Point2::new(-half, 80.0 - 80.0 * leg.cos());
        let far = Point2::new(half, near.y);
        let edge = [near, near + Vector2::new(-leg.cos(), leg.sin()) * 30.0];
        let cap = cap(point, near, far, &edge);
        assert!(
            (cap.line[0] - near).norm() < 1e-9
                && (cap.line[cap.line.len() - 1] - far).norm() < 1e-9
        );
        // Square to both legs the cap is tangent to the circle about the point: it peaks outside.
        let peak = cap.fold[0];
        assert!(peak.x.abs() < 1e-9 && peak.y < near.y, "{peak}");
        assert!((peak - far).norm() - 80.0 * leg.tan() < 1e-9);
    }

    #[test]
    fn folded_up_every_layer_ends_on_the_edge() {
        // A slanting edge: fold the cap's near half back over the near leg and it lies on the edge.
        let (point, near) = (Point2::new(3.0, 70.0), Point2::new(-7.0, 0.0));
        let far = point + plane::turned(near - point, 0.21);
        let edge: Vec<Point2> = (0..60)
            .map(f64::from)
            .map(|s| near + Vector2::new(-s, 0.25 * s + 0.003 * s * s))
            .collect();
        let cap = cap(point, near, far, &edge);
        let leg = unit(point - near);
        for p in cap.line.iter().take(cap.line.len() / 2) {
            let d = p - near;
            let folded = near + leg * (2.0 * d.dot(&leg)) - d;
            let off = plane::nearest(&edge, folded).unwrap().distance;
            assert!(off < 0.01, "{p}: {off} mm off the edge");
        }
    }
}
