//! Margins of varying width round rings: allowances.
//!
//! # Method
//! No offsetting crate varies the distance along an edge, so the margin is put together: the ring,
//! one quad per segment as deep as the width there, and one corner piece where the ring turns away
//! from the margin; the union of all (integer arithmetic inside, so the same bits everywhere) has
//! no self-intersection whatever the ring does. Checked against constant offsets in the tests.
//! Cost: O(n log n) in the number of segments.

use i_overlay::{
    core::{fill_rule::FillRule, overlay_rule::OverlayRule},
    float::{simplify::SimplifyShape, single::SingleFloatOverlay},
};
use rayon::prelude::*;

use super::{cross, left_of, meet, signed_turn, turned, unit};
use crate::{Point2, Vector2};

/// A ring's vertex with the width of the margin beside the segments that meet there.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RimPoint {
    /// Where.
    pub at: Point2,
    /// Width at the end of the segment that arrives, mm.
    pub arriving: f64,
    /// Width at the start of the segment that leaves, mm.
    pub leaving: f64,
    /// Whether a corner here is drawn out to a point where the two edges of the margin meet;
    /// otherwise it is rounded, and as wide as asked in every direction.
    pub pointed: bool,
    /// A wider stretch of the margin that ends here.
    pub narrows: Option<Narrows>,
}

/// Where a wider stretch of a margin ends on a running edge. All that is nearer to its end than its width,
/// and seen from there across the margin, belongs to it, however the edge bends beyond.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Narrows {
    /// Width of the stretch that ends, mm.
    pub width: f64,
    /// Whether the margin is narrower ahead of this vertex or behind it.
    pub ahead: bool,
}

/// A pointed corner reaches at most this many times the width.
const MITRE_LIMIT: f64 = 2.0;
/// Turns below this are filled with one triangle or point, radians.
const SMALL_TURN: f64 = 0.26;
/// Angle between the rays of a rounded corner, radians: at 20 mm the chord strays 0.01 mm.
const ROUND_STEP: f64 = 0.06;

/// Parts of the margin that are united by themselves first.
const STRIP: usize = 100;

/// The region of the rings (outer ones counter-clockwise, holes clockwise) with a margin on the
/// right hand of each, as shapes: outer ring first, then holes.
#[must_use]
pub fn widen(rings: &[Vec<RimPoint>]) -> Vec<Vec<Vec<Point2>>> {
    let mut parts: Vec<Vec<[f64; 2]>> = Vec::new();
    for ring in rings {
        for (i, from) in ring.iter().enumerate() {
            add_side(&mut parts, ring, i);
            add_corner(&mut parts, ring, i);
            if let Some(narrows) = from.narrows {
                add_end(&mut parts, ring, i, narrows);
            }
        }
    }
    // Parts that follow each other make strips, one thread a strip; strips and rings make the whole.
    let mut whole: Vec<Vec<[f64; 2]>> = parts
        .par_chunks(STRIP)
        .flat_map_iter(|parts| {
            let strip = parts.simplify_shape_as::<i64>(FillRule::Positive);
            strip.into_iter().flatten()
        })
        .collect();
    let ring = |ring: &Vec<RimPoint>| ring.iter().map(|p| [p.at.x, p.at.y]).collect();
    whole.extend(rings.iter().map(ring));
    to_points(whole.simplify_shape_as::<i64>(FillRule::Positive))
}

/// Union of rings that all run counter-clockwise.
#[must_use]
pub fn union(rings: &[Vec<Point2>]) -> Vec<Vec<Vec<Point2>>> {
    let rings: Vec<Vec<[f64; 2]>> = rings.iter().map(|ring| plain(ring)).collect();
    to_points(rings.simplify_shape_as::<i64>(FillRule::Positive))
}

/// What of a shape (outer ring, holes) is left outside other rings.
#[must_use]
pub fn clear_of(shape: &[Vec<Point2>], away: &[Vec<Point2>]) -> Vec<Vec<Vec<Point2>>> {
    let shape: Vec<Vec<[f64; 2]>> = shape.iter().map(|ring| plain(ring)).collect();
    let away: Vec<Vec<[f64; 2]>> = away.iter().map(|ring| plain(ring)).collect();
    to_points(shape.overlay_as::<i64>(&away, OverlayRule::Difference, FillRule::NonZero))
}

fn plain(ring: &[Point2]) -> Vec<[f64; 2]> {
    ring.iter().map(|p| [p.x, p.y]).collect()
}

fn to_points(shapes: Vec<Vec<Vec<[f64; 2]>>>) -> Vec<Vec<Vec<Point2>>> {
    let ring = |ring: Vec<[f64; 2]>| ring.into_iter().map(Point2::from).collect();
    shapes
        .into_iter()
        .map(|shape| shape.into_iter().map(ring).collect())
        .collect()
}

/// Unit vector to the right of a segment.
fn outward(from: Point2, to: Point2) -> Vector2 {
    -left_of(unit(to - from))
}

/// Parts overlap by this, mm: parts that only touch would leave slits of a grid step between them.
const OVERLAP_MM: f64 = 0.002;

fn add_side(parts: &mut Vec<Vec<[f64; 2]>>, ring: &[RimPoint], i: usize) {
    let (from, to) = (ring[i], ring[(i + 1) % ring.len()]);
    if from.leaving <= 0.0 && to.arriving <= 0.0 {
        return;
    }
    let out = outward(from.at, to.at);
    let (on, inside) = (unit(to.at - from.at) * OVERLAP_MM, out * -OVERLAP_MM);
    let (start, end) = (from.at - on, to.at + on);
    let mut deep = vec![start + inside, start + out * from.leaving];
    deep.extend(over_the_rim(ring, i));
    deep.extend([end + out * to.arriving, end + inside]);
    add(parts, &deep);
}

/// Corners of the neighbours' quads that stand out over the rim of this one where the edge bends towards the
/// margin and its width changes: led through them the rim slopes, where it would drop like the teeth of a saw.
fn over_the_rim(ring: &[RimPoint], i: usize) -> impl Iterator<Item = Point2> {
    let at = |k: usize| ring[(i + ring.len() + k - 1) % ring.len()];
    let [before, from, to, after] = [0, 1, 2, 3].map(at);
    let way = unit(to.at - from.at);
    let out = outward(from.at, to.at);
    let length = (to.at - from.at).norm();
    let stands_out = move |corner: &Point2| {
        let along = (corner - from.at).dot(&way);
        let rim = from.leaving + (to.arriving - from.leaving) * along / length;
        0.0 < along && along < length && (corner - from.at).dot(&out) > rim
    };
    let even = |p: &RimPoint| (p.arriving - p.leaving).abs() < OVERLAP_MM;
    let corner = |p: &RimPoint, a: Point2, b: Point2, overlap_mm: f64| {
        even(p).then(|| p.at + unit(b - a) * overlap_mm + outward(a, b) * p.arriving)
    };
    let first = corner(&from, before.at, from.at, OVERLAP_MM);
    let last = corner(&to, to.at, after.at, -OVERLAP_MM);
    let mut corners: Vec<Point2> = first.into_iter().chain(last).filter(stands_out).collect();
    corners.sort_by(|a, b| (a - from.at).dot(&way).total_cmp(&(b - from.at).dot(&way)));
    corners.into_iter()
}

fn add(parts: &mut Vec<Vec<[f64; 2]>>, ring: &[Point2]) {
    parts.push(ring.iter().map(|p| [p.x, p.y]).collect());
}

fn add_corner(parts: &mut Vec<Vec<[f64; 2]>>, ring: &[RimPoint], i: usize) {
    let (before, here, after) = (
        ring[(i + ring.len() - 1) % ring.len()].at,
        ring[i],
        ring[(i + 1) % ring.len()].at,
    );
    let (arrive, leave) = (unit(here.at - before), unit(after - here.at));
    let turn = signed_turn(arrive, leave);
    let widest = here.arriving.max(here.leaving);
    if turn <= 0.0 || widest <= 0.0 {
        return;
    }
    let (first, last) = (
        -left_of(arrive) * here.arriving,
        -left_of(leave) * here.leaving,
    );
    let (a, b) = (here.at + first, here.at + last);
    if turn < SMALL_TURN || here.pointed {
        let Some(tip) = meet(a, arrive, b, leave) else {
            return add(parts, &[here.at, a, b]);
        };
        let between = cross(first, tip - here.at) >= 0.0 && cross(tip - here.at, last) >= 0.0;
        let corner = if !between {
            // Two widths at a blunt corner: the wider margin ends in a slope to the narrower one.
            vec![here.at, a, b]
        } else if (tip - here.at).norm() <= MITRE_LIMIT * widest {
            vec![here.at, a, tip, b]
        } else {
            // Too sharp for a point: squared off where a round of the same width would end.
            let reach = (turn / 4.0).tan() * widest;
            vec![here.at, a, a + arrive * reach, b - leave * reach, b]
        };
        return add(parts, &corner);
    }
    let steps = (turn / ROUND_STEP).ceil();
    let out = -left_of(arrive);
    let mut fan = vec![here.at];
    let mut step = 0.0;
    while step <= steps {
        let part = step / steps;
        let width = here.arriving + (here.leaving - here.arriving) * part;
        fan.push(here.at + turned(out, turn * part) * width);
        step += 1.0;
    }
    add(parts, &fan);
}

/// The end of a wider stretch: what a ray of its width sweeps from square to the stretch on to the edge
/// beyond, or to the line square to where that edge ends in a pointed corner.
fn add_end(parts: &mut Vec<Vec<[f64; 2]>>, ring: &[RimPoint], i: usize, narrows: Narrows) {
    let Narrows { width, ahead } = narrows;
    let count = ring.len();
    let beyond = |steps: usize| ring[(if ahead { i + steps } else { i + count - steps }) % count];
    let (end, before) = (ring[i].at, beyond(count - 1).at);
    let hand = if ahead { 1.0 } else { -1.0 };
    let square = |from: Point2, to: Point2| outward(from, to) * hand;
    let out = square(before, end);
    let mut edge = vec![end];
    let (mut last, mut swept) = (out, 0.0);
    for next in (1..count).map(beyond) {
        let (from, way) = (edge[edge.len() - 1], next.at - end);
        swept += hand * signed_turn(last, way);
        if swept <= 0.0 {
            // The edge comes round in front of the stretch: what lies between is a bay.
            break;
        }
        last = way;
        let far = way.norm() >= width;
        let to = if far {
            next.at
        } else {
            next.at + square(from, next.at) * (2.0 * width)
        };
        if !far {
            edge.push(next.at);
        }
        if far || next.pointed {
            let from = edge[edge.len() - 1];
            let rim = leaves(from, to, end, width);
            swept += hand * signed_turn(last, rim - end);
            edge.push(rim);
            break;
        }
    }
    let steps = (swept / ROUND_STEP).ceil().max(1.0);
    let mut fan = vec![end];
    let mut step = 0.0;
    while swept > 0.0 && step < steps {
        fan.push(end + turned(out, hand * swept * step / steps) * width);
        step += 1.0;
    }
    fan.extend(edge[1..].iter().rev());
    if !ahead {
        fan.reverse();
    }
    add(parts, &fan);
}

/// Where the way from a place within a circle to one outside leaves it.
fn leaves(from: Point2, to: Point2, middle: Point2, radius: f64) -> Point2 {
    let (way, off) = (to - from, from - middle);
    let (a, b, c) = (
        way.norm_squared(),
        way.dot(&off),
        off.norm_squared() - radius * radius,
    );
    from + way * (((b * b - a * c).max(0.0).sqrt() - b) / a).clamp(0.0, 1.0)
}

#[cfg(test)]
mod tests {
    use std::f64::consts::{PI, TAU};

    use super::*;
    use crate::plane::ring_area;

    fn even(ring: &[[f64; 2]], width: f64, pointed: bool) -> Vec<RimPoint> {
        ring.iter()
            .map(|&p| RimPoint {
                at: Point2::from(p),
                arriving: width,
                leaving: width,
                pointed,
                narrows: None,
            })
            .collect()
    }

    const SQUARE: [[f64; 2]; 4] = [[0.0, 0.0], [100.0, 0.0], [100.0, 100.0], [0.0, 100.0]];

    fn area(shape: &[Vec<Point2>]) -> f64 {
        shape.iter().map(|ring| ring_area(ring)).sum()
    }

    #[test]
    fn a_square_grows_by_its_margin() {
        let pointed = widen(&[even(&SQUARE, 10.0, true)]);
        assert_eq!(pointed.len(), 1);
        assert!((area(&pointed[0]) - 120.0 * 120.0).abs() < 1e-3);
        let round = widen(&[even(&SQUARE, 10.0, false)]);
        let want = 100.0 * 100.0 + 4.0 * 1000.0 + PI * 100.0;
        assert!(
            (area(&round[0]) - want).abs() < 0.3,
            "{} for {want}",
            area(&round[0])
        );
    }

    #[test]
    fn each_side_takes_its_own_width() {
        let mut ring = even(&SQUARE, 5.0, true);
        // Segment 0 (bottom) gets 20 mm.
        ring[0].leaving = 20.0;
        ring[1].arriving = 20.0;
        let shape = &widen(&[ring])[0];
        assert!(
            (area(shape) - 110.0 * 125.0).abs() < 1e-3,
            "{}",
            area(shape)
        );
    }

    #[test]
    fn a_margin_that_narrows_along_an_inward_bend_has_no_teeth() {
        // A quarter of a circle of 60 mm that bends towards its margin, 20 mm at one end and 10 at the other.
        let steps = 45_u32;
        let mut ring: Vec<RimPoint> = (0..=steps)
            .map(|k| {
                let part = f64::from(k) / f64::from(steps);
                let (sin, cos) = (PI - PI / 2.0 * part).sin_cos();
                let width = 20.0 - 10.0 * part;
                RimPoint {
                    at: Point2::new(60.0 * cos, 60.0 * sin),
                    arriving: width,
                    leaving: width,
                    pointed: false,
                    narrows: None,
                }
            })
            .collect();
        ring.extend(even(&[[0.0, 100.0], [-60.0, 100.0]], 0.0, true));
        let shape = &widen(&[ring])[0];
        let bend = |k: usize| {
            let count = shape[0].len();
            let [a, b, c] = [0, 1, 2].map(|j| shape[0][(k + j) % count]);
            let inner = b.x < -2.0 && b.y > 2.0 && b.coords.norm() < 55.0;
            inner.then(|| signed_turn(b - a, c - b))
        };
        let bends: Vec<f64> = (0..shape[0].len()).filter_map(bend).collect();
        assert!(bends.len() > 30, "{}", bends.len());
        let sharpest = bends
            .iter()
            .fold(0.0_f64, |most, turn| most.max(turn.abs()));
        assert!(sharpest < 0.2, "{sharpest} of {bends:?}");
    }

    #[test]
    fn a_hole_shrinks() {
        let hole: Vec<RimPoint> = (0..360)
            .map(|i| -TAU * f64::from(i) / 360.0)
            .map(|a| Point2::new(50.0 + 20.0 * a.cos(), 50.0 + 20.0 * a.sin()))
            .map(|at| RimPoint {
                at,
                arriving: 6.0,
                leaving: 6.0,
                pointed: false,
                narrows: None,
            })
            .collect();
        let shape = &widen(&[even(&SQUARE, 0.0, false), hole])[0];
        assert_eq!(shape.len(), 2);
        assert!(
            (ring_area(&shape[1]) + PI * 14.0 * 14.0).abs() < 0.5,
            "{}",
            ring_area(&shape[1])
        );
    }

    #[test]
    fn straight_runs_of_many_points_leave_no_slit() {
        // Points on slanting straight lines turn by round-off only, either way.
        let corners = [[0.0, 0.0], [93.0, 17.0], [71.0, 88.0], [-11.0, 64.0]].map(Point2::from);
        let mut ring = Vec::new();
        for i in 0..4 {
            let (a, b) = (corners[i], corners[(i + 1) % 4]);
            for k in 0..37 {
                let at = a + (b - a) * (f64::from(k) / 37.0);
                ring.push(RimPoint {
                    at,
                    arriving: 10.0,
                    leaving: 10.0,
                    pointed: false,
                    narrows: None,
                });
            }
        }
        let shape = &widen(&[ring])[0];
        assert_eq!(shape.len(), 1);
        let closed: Vec<Point2> = corners.iter().chain(&corners[..1]).copied().collect();
        for p in &shape[0] {
            let off = crate::plane::nearest(&closed, *p).unwrap().distance;
            assert!((off - 10.0).abs() < 0.02, "{off} mm at {p}");
        }
    }

    #[test]
    fn corners_are_as_wide_as_asked_and_no_spikes() {
        // Arms of 200 mm that meet at every angle, with even and uneven widths.
        for degrees in [2.0, 5.0, 15.0, 40.0, 59.0, 61.0, 90.0, 130.0, 170.0_f64] {
            for (arriving, leaving) in [(10.0, 10.0), (20.0, 6.0), (6.0, 20.0)] {
                let arm = Vector2::new(200.0, 0.0);
                let tip = Point2::new(0.0, 0.0);
                let mut ring: Vec<RimPoint> =
                    [tip + turned(arm, degrees.to_radians()), tip, tip + arm]
                        .map(|at| RimPoint {
                            at,
                            arriving: leaving,
                            leaving: arriving,
                            pointed: true,
                            narrows: None,
                        })
                        .into();
                ring[1].arriving = arriving;
                ring[1].leaving = leaving;
                ring[2].arriving = leaving;
                let shape = &widen(&[ring.clone()])[0];
                let mut closed = shape[0].clone();
                closed.extend(shape[0].first());
                let near = crate::plane::nearest(&closed, tip).unwrap().distance;
                let narrow: f64 = arriving.min(leaving);
                assert!(near > narrow - 1e-3, "{degrees}: {near} for {narrow}");
                // Behind the corner nothing reaches beyond the limit.
                let behind = -unit(unit(ring[0].at - tip) + unit(arm));
                let far = shape[0]
                    .iter()
                    .filter(|p| unit(*p - tip).dot(&behind) > 0.5)
                    .map(|p| (p - tip).norm())
                    .fold(0.0, f64::max);
                let limit = MITRE_LIMIT * arriving.max(leaving) + 1e-3;
                assert!(far <= limit, "{degrees}: {far} for {limit}");
            }
        }
    }

    #[test]
    fn a_wider_stretch_keeps_its_width_at_its_end_however_the_edge_bends_beyond() {
        // Along x to the origin with 20 mm, then 2 mm on at every bend with 5 mm, and straight on again.
        for degrees in [-100.0, -60.0, -20.0, 0.0, 20.0, 60.0, 100.0_f64] {
            let bend = turned(Vector2::new(60.0, 0.0), degrees.to_radians());
            let border = Point2::origin();
            let corner = border + Vector2::new(2.0, 0.0);
            let line = [Point2::new(-60.0, 0.0), border, corner, corner + bend];
            let inside = corner + bend + left_of(bend);
            let ring = [
                line[0],
                line[1],
                line[2],
                line[3],
                inside,
                Point2::new(-60.0, 90.0),
            ];
            let widths = [20.0, 5.0, 5.0, 0.0, 0.0, 0.0];
            let one_way: Vec<RimPoint> = (0..ring.len())
                .map(|i| RimPoint {
                    at: ring[i],
                    arriving: widths[(i + 5) % 6],
                    leaving: widths[i],
                    pointed: i == 3,
                    narrows: (i == 1).then_some(Narrows {
                        width: 20.0,
                        ahead: true,
                    }),
                })
                .collect();
            let mirror = |p: &RimPoint| RimPoint {
                at: Point2::new(-p.at.x, p.at.y),
                arriving: p.leaving,
                leaving: p.arriving,
                narrows: p.narrows.map(|n| Narrows { ahead: false, ..n }),
                ..*p
            };
            let other_way: Vec<RimPoint> = one_way.iter().rev().map(mirror).collect();
            for (ring, hand) in [(one_way, 1.0), (other_way, -1.0)] {
                let shape = widen(&[ring])[0][0].clone();
                let sew = [line[0], line[1], line[2], line[3]];
                // Rays of the circle round the border from square to the stretch on to the edge.
                for ray in 0..=30 {
                    let angle = f64::from(ray).mul_add(6.0, -90.0).to_radians();
                    let way = Vector2::new(angle.cos(), angle.sin()) * 19.9;
                    let crosses = (1..20).any(|k| {
                        let p = border + way * (f64::from(k) / 20.0);
                        let foot = crate::plane::nearest(&sew[1..], p).unwrap();
                        foot.distance < 0.3
                            || cross(bend, p - corner) > 0.0
                                && cross(line[1] - line[0], p - border) > 0.0
                    });
                    if crosses {
                        break;
                    }
                    let p = border + way;
                    let seen = Point2::new(hand * p.x, p.y);
                    assert!(
                        crate::plane::contains(&shape, seen),
                        "{degrees}° {hand}: {p}"
                    );
                }
            }
        }
    }

    #[test]
    fn a_narrow_bay_fills_without_crossing() {
        let bay = [
            [0.0, 0.0],
            [48.0, 0.0],
            [50.0, 60.0],
            [52.0, 0.0],
            [100.0, 0.0],
            [100.0, 100.0],
            [0.0, 100.0],
        ];
        let shape = &widen(&[even(&bay, 10.0, false)])[0];
        assert!(crate::plane::crossings(&shape[0]).is_empty());
        assert!(
            (area(shape) - (14000.0 + PI * 100.0)).abs() < 1.0,
            "{}",
            area(shape)
        );
    }
}
