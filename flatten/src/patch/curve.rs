//! From the points a maker gives to a closed line on the mold.
//!
//! Points closer together than [`SMOOTH_GAP_MM`] are joined by shortest lines over the surface, as a
//! traced pen line wants it. Wider gaps are bridged by a smooth curve through the points (centripetal
//! Catmull–Rom; Yuksel, Schaefer & Keyser 2011, "Parameterization and applications of Catmull–Rom
//! curves", from memory) laid onto the surface, because a hairline has no corners where the readings
//! happen to be. A turn sharper than [`CORNER_RAD`] at a point is kept as a corner.

use crate::{
    Point3, Vector3,
    mesh::{Line, SurfacePoint, TriMesh, shortest},
};

use super::{Drawn, PatchError, REACH_MM};

/// Wider gaps between given points are bridged smoothly, mm. A pen line is traced at one to three
/// millimetres, points clicked or taped by hand are 10 mm apart and more.
pub const SMOOTH_GAP_MM: f64 = 8.0;

/// A smooth curve through points this close keeps within 0.5 mm of a head of 75 mm radius, mm.
const LAID_GAP_MM: f64 = 16.0;

/// Gaps halved so often: half a metre comes to 8 mm.
const HALVINGS: usize = 6;

/// Spacing of the smooth curve's own points, mm: at a radius of 20 mm, tighter than any hairline,
/// the chord is 0.06 mm off the curve.
const STEP_MM: f64 = 3.0;

/// Sharper turns than this at a given point are corners that the maker meant, radians (60°). Sixteen
/// points round a full base turn by 22° each, eight by 45°.
pub const CORNER_RAD: f64 = std::f64::consts::FRAC_PI_3;

/// Lays the points on the mold and joins them to a closed line.
pub(super) fn closed_line(
    mold: &TriMesh,
    points: &[Point3],
    drawn: Drawn,
) -> Result<Line, PatchError> {
    let mut on_mold: Vec<(SurfacePoint, Point3)> = Vec::with_capacity(points.len());
    for (k, &point) in points.iter().enumerate() {
        let off = |distance_mm| PatchError::PointOff {
            line: drawn,
            point: k + 1,
            distance_mm,
        };
        if !point.coords.iter().all(|c| c.is_finite()) {
            return Err(off(f64::NAN));
        }
        let (found, at, distance) = mold.project(point);
        if distance > REACH_MM {
            return Err(off(distance));
        }
        if on_mold
            .last()
            .is_none_or(|last| (last.1 - at).norm() > 1e-6)
        {
            on_mold.push((found, at));
        }
    }
    while on_mold.len() > 1 && (on_mold[0].1 - on_mold[on_mold.len() - 1].1).norm() <= 1e-6 {
        on_mold.pop();
    }
    if on_mold.len() < 3 {
        return Err(PatchError::TooFewPoints {
            line: drawn,
            count: on_mold.len(),
        });
    }
    let given = on_mold.iter().map(|p| p.0).collect();
    let stations = smooth_through(mold, given, true);
    let mut line: Vec<SurfacePoint> = Vec::new();
    for (k, &from) in stations.iter().enumerate() {
        let to = stations[(k + 1) % stations.len()];
        let path = shortest(mold, from, to)?;
        line.extend(&path.points[..path.points.len() - 1]);
    }
    Ok(Line {
        points: line,
        closed: true,
    })
}

/// Stations between stations, a few millimetres apart, along a smooth curve on the surface, which closes or
/// ends at the first and last.
///
/// A curve through far-apart points runs deep under the surface, and what lies nearest to it there leaps
/// from facet to facet. So gaps are halved, each middle brought onto the surface before the next halving,
/// until the curve keeps close to it.
pub(crate) fn smooth_through(
    mesh: &TriMesh,
    mut stations: Vec<SurfacePoint>,
    closed: bool,
) -> Vec<SurfacePoint> {
    for _ in 0..HALVINGS {
        match between(mesh, &stations, closed, Put::Middle) {
            Some(finer) => stations = finer,
            None => break,
        }
    }
    between(mesh, &stations, closed, Put::Every).unwrap_or(stations)
}

/// Which points of the smooth curve are put into a gap.
#[derive(Clone, Copy)]
enum Put {
    /// The middle, where the gap is so wide that the curve may not keep close to the surface.
    Middle,
    /// One every few millimetres, where the gap is wider than a traced line's.
    Every,
}

/// Puts points of the smooth curve into wide gaps, or none when no gap is wide.
fn between(
    mesh: &TriMesh,
    stations: &[SurfacePoint],
    closed: bool,
    put: Put,
) -> Option<Vec<SurfacePoint>> {
    let gap_mm = match put {
        Put::Middle => LAID_GAP_MM,
        Put::Every => SMOOTH_GAP_MM,
    };
    let positions: Vec<Point3> = stations.iter().map(|s| s.position(mesh)).collect();
    let n = positions.len();
    let at = |k: usize| {
        if closed {
            Some(positions[k % n])
        } else {
            positions.get(k).copied()
        }
    };
    let wide = |k: usize| at(k + 1).is_some_and(|next| (next - positions[k]).norm() > gap_mm);
    if !(0..n).any(wide) {
        return None;
    }
    let mut fine = Vec::new();
    for (k, &station) in stations.iter().enumerate() {
        fine.push(station);
        let Some(next) = at(k + 1).filter(|_| wide(k)) else {
            continue;
        };
        let before = if closed {
            Some(positions[(k + n - 1) % n])
        } else {
            k.checked_sub(1).map(|i| positions[i])
        };
        let step = smooth_step(before, positions[k], next, at(k + 2));
        let half = step.len() / 2;
        for (i, p) in step.into_iter().enumerate() {
            if matches!(put, Put::Every) || i == half {
                fine.push(mesh.project(p).0);
            }
        }
    }
    Some(fine)
}

/// Points of the smooth curve strictly between `p1` and `p2`; the curve's neighbouring points are
/// missing at its ends.
fn smooth_step(
    before: Option<Point3>,
    p1: Point3,
    p2: Point3,
    after: Option<Point3>,
) -> Vec<Point3> {
    // Beyond a corner or an end the curve knows nothing: it goes on as it came.
    let p0 = before
        .filter(|&p| !is_corner(p, p1, p2))
        .unwrap_or(p1 + (p1 - p2));
    let p3 = after
        .filter(|&p| !is_corner(p1, p2, p))
        .unwrap_or(p2 + (p2 - p1));
    let count = ((p2 - p1).norm() / STEP_MM).ceil();
    let mut curve = Vec::new();
    let mut i = 1.0;
    while i < count {
        curve.push(centripetal([p0, p1, p2, p3], i / count));
        i += 1.0;
    }
    curve
}

fn is_corner(a: Point3, b: Point3, c: Point3) -> bool {
    let (u, v): (Vector3, Vector3) = (b - a, c - b);
    u.cross(&v).norm().atan2(u.dot(&v)) > CORNER_RAD
}

/// Point of the centripetal Catmull–Rom curve from the second point (s = 0) to the third (s = 1).
fn centripetal(p: [Point3; 4], s: f64) -> Point3 {
    let knot = |a: Point3, b: Point3| (b - a).norm().sqrt().max(1e-6);
    let t1 = knot(p[0], p[1]);
    let t2 = t1 + knot(p[1], p[2]);
    let t3 = t2 + knot(p[2], p[3]);
    let t = t1 + (t2 - t1) * s;
    let mix = |a: Point3, b: Point3, from: f64, to: f64| a + (b - a) * ((t - from) / (to - from));
    let (a1, a2, a3) = (
        mix(p[0], p[1], 0.0, t1),
        mix(p[1], p[2], t1, t2),
        mix(p[2], p[3], t2, t3),
    );
    let (b1, b2) = (mix(a1, a2, 0.0, t2), mix(a2, a3, t1, t3));
    mix(b1, b2, t1, t2)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn smooth_between(points: &[Point3], k: usize) -> Vec<Point3> {
        let at = |j: usize| points[(k + points.len() + j - 1) % points.len()];
        smooth_step(Some(at(0)), at(1), at(2), Some(at(3)))
    }

    #[test]
    fn a_smooth_curve_through_sparse_points_of_a_circle_stays_near_it() {
        let ring = |n: u32| -> Vec<Point3> {
            (0..n)
                .map(|i| {
                    let a = std::f64::consts::TAU * f64::from(i) / f64::from(n);
                    Point3::new(90.0 * a.cos(), 90.0 * a.sin(), 0.0)
                })
                .collect()
        };
        for (n, allowed) in [(12, 0.35), (24, 0.03)] {
            let points = ring(n);
            for k in 0..points.len() {
                for p in smooth_between(&points, k) {
                    assert!(
                        (p.coords.norm() - 90.0).abs() < allowed,
                        "{n}: {}",
                        p.coords.norm()
                    );
                }
            }
        }
    }

    #[test]
    fn a_square_keeps_its_corners_and_its_straight_sides() {
        let p = |x, y| Point3::new(x, y, 0.0);
        let square = [p(0.0, 0.0), p(60.0, 0.0), p(60.0, 20.0), p(0.0, 20.0)];
        for k in 0..4 {
            for q in smooth_between(&square, k) {
                let off = q.x.min(60.0 - q.x).abs().min(q.y.min(20.0 - q.y).abs());
                assert!(off < 1e-9, "{q}");
            }
        }
    }

    /// A line through every so many points of the average hairline on a head of so many triangles.
    fn through(triangles: usize, every: usize) -> Vec<Point3> {
        let form = crate::form::average_head();
        let mesh = form.mesh(triangles);
        let outline = form.outline().perimeter;
        let given: Vec<Point3> = outline.into_iter().step_by(every).collect();
        let line = closed_line(&mesh, &given, Drawn::Perimeter).unwrap();
        line.points.iter().map(|p| p.position(&mesh)).collect()
    }

    fn length(line: &[Point3]) -> f64 {
        let next = line.iter().cycle().skip(1);
        line.iter().zip(next).map(|(p, q)| (q - p).norm()).sum()
    }

    /// Turns of a closed line over steps of so many millimetres, summed, radians.
    fn turning(line: &[Point3], step: f64) -> f64 {
        let (mut run, mut due, mut even) = (0.0, 0.0, Vec::new());
        for (k, p) in line.iter().enumerate() {
            let way = line[(k + 1) % line.len()] - p;
            while due < run + way.norm() {
                even.push(p + way * ((due - run) / way.norm()));
                due += step;
            }
            run += way.norm();
        }
        let n = even.len();
        let way = |k: usize| even[(k + 1) % n] - even[k % n];
        (0..n).map(|k| way(k).angle(&way(k + 1))).sum()
    }

    #[test]
    fn few_points_on_a_coarse_head_give_the_line_of_a_fine_one() {
        for every in [8, 6] {
            let [fine, coarse] = [80_000, 4_000].map(|triangles| through(triangles, every));
            let to_fine = |p: &Point3| {
                let gaps = fine.iter().map(|q| (q - p).norm());
                gaps.fold(f64::INFINITY, f64::min)
            };
            let off = coarse.iter().map(to_fine).fold(0.0, f64::max);
            let lengths = [&fine, &coarse].map(|line| length(line));
            let turns = [&fine, &coarse].map(|line| turning(line, 3.0));
            println!(
                "{} points: lengths {lengths:.2?} mm, turning {turns:.2?}, {off:.2} mm apart",
                96 / every
            );
            // the coarse head itself, inscribed with edges of 9 mm, lies 0.1 mm inside
            assert!((lengths[1] - lengths[0]).abs() < 1.0, "{lengths:?}");
            assert!(turns[1] < 1.05 * turns[0], "{turns:?}");
            assert!(off < 1.2, "{off}");
        }
    }
}
