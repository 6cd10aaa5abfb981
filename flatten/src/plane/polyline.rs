//! Lines of straight segments.
//!
//! A ring is a polyline whose last point joins its first without repeating it.

use super::{cross, unit};
use crate::{Point2, Vector2};

/// Sum of the segments' lengths, mm.
#[must_use]
pub fn length(line: &[Point2]) -> f64 {
    line.windows(2).map(|w| (w[1] - w[0]).norm()).sum()
}

/// Length up to each point, mm; the first is zero.
#[must_use]
pub fn cumulative(line: &[Point2]) -> Vec<f64> {
    let mut sums = Vec::with_capacity(line.len());
    let mut sum = 0.0;
    for (i, p) in line.iter().enumerate() {
        if i > 0 {
            sum += (p - line[i - 1]).norm();
        }
        sums.push(sum);
    }
    sums
}

/// The line without points closer to their predecessor than `gap` mm; both ends stay.
#[must_use]
pub fn distinct(line: &[Point2], gap: f64) -> Vec<Point2> {
    let mut kept: Vec<Point2> = Vec::with_capacity(line.len());
    for &p in line {
        if kept.last().is_none_or(|&q| (p - q).norm() > gap) {
            kept.push(p);
        }
    }
    if let (Some(&end), Some(last)) = (line.last(), kept.last_mut())
        && *last != end
    {
        *last = end;
    }
    kept
}

/// Point and unit direction at a distance along the line; beyond its ends the ends themselves.
#[must_use]
pub fn along(line: &[Point2], distance: f64) -> Option<(Point2, Vector2)> {
    let mut left = distance.max(0.0);
    let mut last = None;
    for w in line.windows(2) {
        let step = w[1] - w[0];
        let size = step.norm();
        if size > 0.0 {
            if left <= size {
                return Some((w[0] + step * (left / size), step / size));
            }
            last = Some((w[1], step / size));
        }
        left -= size;
    }
    last
}

/// The nearest place on a line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Foot {
    /// Where.
    pub at: Point2,
    /// Segment it lies on.
    pub segment: usize,
    /// Part of that segment, 0 to 1.
    pub part: f64,
    /// How far away, mm.
    pub distance: f64,
}

impl Foot {
    /// The nearest place on one segment of a line, between its two ends.
    pub(super) fn on(segment: usize, [from, to]: [Point2; 2], p: Point2) -> Self {
        let step = to - from;
        let size2 = step.norm_squared();
        let part = if size2 > 0.0 {
            ((p - from).dot(&step) / size2).clamp(0.0, 1.0)
        } else {
            0.0
        };
        let at = from + step * part;
        Self {
            at,
            segment,
            part,
            distance: (p - at).norm(),
        }
    }
}

/// Nearest place on a polyline; `None` when it has fewer than two points. For many places on one line see
/// [`NearLine`](super::NearLine).
#[must_use]
pub fn nearest(line: &[Point2], p: Point2) -> Option<Foot> {
    let segments = line.windows(2).enumerate();
    segments
        .map(|(segment, ends)| Foot::on(segment, [ends[0], ends[1]], p))
        .min_by(|a, b| a.distance.total_cmp(&b.distance))
}

/// Area of a ring, mm²; counter-clockwise rings are positive.
#[must_use]
pub fn ring_area(ring: &[Point2]) -> f64 {
    let Some(&origin) = ring.first() else {
        return 0.0;
    };
    let twice: f64 = (1..ring.len().saturating_sub(1))
        .map(|i| cross(ring[i] - origin, ring[i + 1] - origin))
        .sum();
    twice / 2.0
}

/// Whether a point is inside a ring (even-odd rule).
#[must_use]
pub fn contains(ring: &[Point2], p: Point2) -> bool {
    let mut inside = false;
    for (i, a) in ring.iter().enumerate() {
        let b = ring[(i + 1) % ring.len()];
        if (a.y > p.y) != (b.y > p.y) && p.x < a.x + (p.y - a.y) / (b.y - a.y) * (b.x - a.x) {
            inside = !inside;
        }
    }
    inside
}

/// Angle by which the direction turns at a point between two others, radians, left positive.
#[must_use]
pub fn signed_turn(before: Vector2, after: Vector2) -> f64 {
    cross(before, after).atan2(before.dot(&after))
}

/// The line with as few of its points as keep it within `tolerance` mm of itself
/// (Ramer 1972, Douglas & Peucker 1973).
#[must_use]
pub fn simplify(line: &[Point2], tolerance: f64) -> Vec<Point2> {
    if line.len() < 3 {
        return line.to_vec();
    }
    let mut keep = vec![false; line.len()];
    keep[0] = true;
    keep[line.len() - 1] = true;
    let mut open = vec![(0, line.len() - 1)];
    while let Some((from, to)) = open.pop() {
        let farthest = (from + 1..to)
            .map(|i| (i, off_chord(line[from], line[to], line[i])))
            .fold(
                (0, tolerance),
                |best, next| if next.1 > best.1 { next } else { best },
            );
        if farthest.0 > 0 {
            keep[farthest.0] = true;
            open.push((from, farthest.0));
            open.push((farthest.0, to));
        }
    }
    line.iter()
        .zip(keep)
        .filter_map(|(p, kept)| kept.then_some(*p))
        .collect()
}

fn off_chord(from: Point2, to: Point2, p: Point2) -> f64 {
    nearest(&[from, to], p).map_or(0.0, |foot| foot.distance)
}

/// Places where a ring crosses itself; touching neighbours don't count.
///
/// # Method
/// Sweep over the segments sorted by their left end; cost grows with the segments that overlap in x.
#[must_use]
pub fn crossings(ring: &[Point2]) -> Vec<Point2> {
    let count = ring.len();
    let mut order: Vec<usize> = (0..count).collect();
    let ends = |i: usize| (ring[i], ring[(i + 1) % count]);
    let left = |i: usize| ends(i).0.x.min(ends(i).1.x);
    order.sort_by(|&i, &j| left(i).total_cmp(&left(j)).then(i.cmp(&j)));
    let mut found = Vec::new();
    for (rank, &i) in order.iter().enumerate() {
        let (a, b) = ends(i);
        for &j in &order[rank + 1..] {
            if left(j) > a.x.max(b.x) {
                break;
            }
            let neighbours = (i + 1) % count == j || (j + 1) % count == i;
            if !neighbours && let Some(p) = crossing((a, b), ends(j)) {
                found.push(p);
            }
        }
    }
    found
}

/// Where two segments cross in the inside of both.
fn crossing((a, b): (Point2, Point2), (c, d): (Point2, Point2)) -> Option<Point2> {
    let (ab, cd) = (b - a, d - c);
    let side = |from: Point2, along: Vector2, p: Point2| cross(along, p - from);
    let (c_side, d_side) = (side(a, ab, c), side(a, ab, d));
    let (a_side, b_side) = (side(c, cd, a), side(c, cd, b));
    if c_side * d_side >= 0.0 || a_side * b_side >= 0.0 {
        return None;
    }
    Some(a + ab * (a_side / (a_side - b_side)))
}

/// Direction of a polyline's end over the last or first `window` mm, pointing along the line.
#[must_use]
pub fn end_direction(line: &[Point2], window: f64, at_start: bool) -> Vector2 {
    let total = length(line);
    let reach = window.min(total);
    let (near, far) = if at_start {
        (0.0, reach)
    } else {
        (total, total - reach)
    };
    match (along(line, near), along(line, far)) {
        (Some((p, _)), Some((q, _))) if at_start => unit(q - p),
        (Some((p, _)), Some((q, _))) => unit(p - q),
        _ => Vector2::zeros(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn square() -> Vec<Point2> {
        [[0.0, 0.0], [2.0, 0.0], [2.0, 2.0], [0.0, 2.0]]
            .map(Point2::from)
            .to_vec()
    }

    #[test]
    fn area_is_signed_by_the_way_round() {
        assert!((ring_area(&square()) - 4.0).abs() < 1e-12);
        let back: Vec<_> = square().into_iter().rev().collect();
        assert!((ring_area(&back) + 4.0).abs() < 1e-12);
    }

    #[test]
    fn a_bow_tie_crosses_itself_once_and_a_square_never() {
        assert!(crossings(&square()).is_empty());
        let tie = [[0.0, 0.0], [2.0, 2.0], [2.0, 0.0], [0.0, 2.0]].map(Point2::from);
        assert_eq!(crossings(&tie), vec![Point2::new(1.0, 1.0)]);
    }

    #[test]
    fn simplifying_keeps_corners_and_drops_the_rest() {
        let line: Vec<Point2> = (0..=20)
            .map(f64::from)
            .map(|i| {
                if i <= 10.0 {
                    Point2::new(i, 0.0)
                } else {
                    Point2::new(10.0, i - 10.0)
                }
            })
            .collect();
        assert_eq!(simplify(&line, 0.01).len(), 3);
    }

    #[test]
    fn a_walk_ends_at_the_end() {
        let line = square();
        let (p, way) = along(&line, 3.0).unwrap();
        assert_eq!((p, way), (Point2::new(2.0, 1.0), Vector2::new(0.0, 1.0)));
        assert_eq!(along(&line, 99.0).unwrap().0, Point2::new(0.0, 2.0));
        assert!(contains(&line, Point2::new(1.0, 1.9)) && !contains(&line, Point2::new(1.0, 2.1)));
    }
}
