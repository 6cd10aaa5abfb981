//! Notches, guide lines and places to leave alone.
//!
//! Single notch at the front and double at the nape by the habit of the trade; triple at the ears.
//! Each seam has two groups of notches whose counts together occur on no other of the first nine
//! seams, off the middle, so that a side can't be sewn on back to front.

use rayon::prelude::*;

use super::{
    ClearPlace, Guide, Mark, MarkKind,
    make::Bench,
    outline::{Run, RunKind},
    place,
    truing::Trued,
};
use crate::{
    Point2, Point3, Vector2, Vector3,
    dart::{CutLine, Side},
    plane::{self, NearLine, cross, left_of, settle_point, unit},
};

/// A landmark farther than this from the finished edge gets no notch, mm: the base is partial there.
const NOTCH_WITHIN_MM: f64 = 60.0;
/// Legs at least this long get matching ticks half-way, mm.
const MATCH_FROM_MM: f64 = 60.0;
/// Where the two groups of notches stand along a seam, as parts of its length.
const SEAM_NOTCHES: [f64; 2] = [0.33, 0.70];

pub(super) fn marks(bench: &Bench<'_>) -> Vec<Mark> {
    let mut marks = landmark_notches(bench);
    dart_marks(bench, &mut marks);
    seam_notches(bench, &mut marks);
    crown(bench, &mut marks);
    words(bench, &mut marks);
    marks
}

fn mark(
    kind: MarkKind,
    name: impl Into<String>,
    at: Point2,
    towards: Point2,
    count: usize,
) -> Mark {
    Mark {
        kind,
        name: name.into(),
        at_mm: settle_point(at),
        towards_mm: settle_point(towards),
        count,
    }
}

/// A notch where the cut line lies straight out from a place on the sew line.
fn notch(bench: &Bench<'_>, name: &str, sew: Point2, out: Vector2, count: usize) -> Option<Mark> {
    let hit = bench
        .cut
        .iter()
        .filter_map(|ring| ray(ring, sew, out))
        .fold(f64::INFINITY, f64::min);
    (hit > 1.0 && hit < 100.0).then(|| mark(MarkKind::Notch, name, sew + out * hit, sew, count))
}

/// Distance from a point along a direction to a ring.
fn ray(ring: &[Point2], from: Point2, along: Vector2) -> Option<f64> {
    let mut best: Option<f64> = None;
    for (i, a) in ring.iter().enumerate() {
        let b = ring[(i + 1) % ring.len()];
        let side = b - a;
        let det = cross(along, side);
        if det.abs() < 1e-12 {
            continue;
        }
        let far = cross(a - from, side) / det;
        let part = cross(a - from, along) / det;
        if far >= 0.0 && (0.0..=1.0).contains(&part) {
            best = Some(best.map_or(far, |b: f64| b.min(far)));
        }
    }
    best
}

/// The finished perimeter's place nearest to a point on the head: run, vertex in it, distance.
fn nearest_edge<'a>(
    trued: impl Iterator<Item = &'a Trued>,
    bench: &Bench<'_>,
    wanted: Point3,
) -> Option<(&'a Trued, usize, f64)> {
    let mut best: Option<(&Trued, usize, f64)> = None;
    for t in trued.filter(|t| t.run.kind == RunKind::Perimeter) {
        for (k, &v) in t.run.vertices.iter().enumerate() {
            let d = (bench.panel.mesh.position(v) - wanted).norm();
            if best.is_none_or(|b| d < b.2) {
                best = Some((t, k, d));
            }
        }
    }
    best
}

fn landmark_notches(bench: &Bench<'_>) -> Vec<Mark> {
    let head = bench.order.head;
    let landmarks = [
        ("front", head.front, 1),
        ("nape", head.nape, 2),
        ("left ear", head.left_ear, 3),
        ("right ear", head.right_ear, 3),
    ];
    let mut marks = Vec::new();
    for (name, wanted, count) in landmarks {
        let all = bench.boundaries.iter().flat_map(|b| &b.trued);
        let Some((t, k, away)) = nearest_edge(all, bench, wanted) else {
            continue;
        };
        if away > NOTCH_WITHIN_MM || nearer_elsewhere(bench, wanted, away) {
            continue;
        }
        if let Some([peak, point]) = folded_here(bench, t.run.points[k]) {
            marks.extend(notch(bench, name, peak, unit(peak - point), count));
            continue;
        }
        let (along, _) = t.curve.nearest(t.run.points[k]);
        let (sew, way) = t.curve.at(along);
        marks.extend(notch(bench, name, sew, -left_of(way), count));
    }
    marks
}

/// A landmark this close to a mouth stands on the fold line instead, mm: notches of both would blur.
const AT_MOUTH_MM: f64 = 6.0;

/// The fold line of a folded dart whose mouth is at a place.
fn folded_here(bench: &Bench<'_>, at: Point2) -> Option<[Point2; 2]> {
    bench.boundaries.iter().find_map(|b| {
        b.legs
            .iter()
            .zip(&b.ring.darts)
            .find_map(|(pair, (_, cap, _))| {
                let ends = [
                    b.trued[pair.inward].curve.start(),
                    b.trued[pair.outward].curve.end(),
                ];
                let near = ends.iter().any(|end| (end - at).norm() < AT_MOUTH_MM);
                cap.as_ref().filter(|_| near).map(|cap| cap.fold)
            })
    })
}

/// Whether another panel's edge comes closer to a landmark.
fn nearer_elsewhere(bench: &Bench<'_>, wanted: Point3, away: f64) -> bool {
    bench
        .order
        .cut
        .panels
        .iter()
        .filter(|p| !std::ptr::eq(*p, bench.panel))
        .any(|panel| {
            panel.loops.iter().any(|ring| {
                ring.vertices.iter().zip(&ring.kinds).any(|(&v, kind)| {
                    RunKind::of(*kind) == RunKind::Perimeter
                        && (panel.mesh.position(v) - wanted).norm() < away - 1e-9
                })
            })
        })
}

/// Notches nearer than this along the cut line would be read as one group, mm.
const APART_MM: f64 = 6.0;

/// Whether a mouth's notch would be taken for one more of a landmark's; the corner shows the mouth
/// without it.
fn blurs(old: &Mark, new: &Mark) -> bool {
    let group = 1.25 * (old.count as f64 - 1.0);
    old.kind == MarkKind::Notch
        && old.count > 1
        && (old.at_mm - new.at_mm).norm() < APART_MM + group
}

fn dart_marks(bench: &Bench<'_>, marks: &mut Vec<Mark>) {
    for boundary in &bench.boundaries {
        for pair in &boundary.legs {
            let name = format!("D{}", pair.dart + 1);
            let legs = [
                boundary.trued[pair.inward].curve.clone(),
                boundary.trued[pair.outward].curve.reversed(),
            ];
            for leg in &legs {
                let (mouth, way) = leg.at(0.0);
                let clear = |new: &Mark| !marks.iter().any(|old| blurs(old, new));
                let new = notch(bench, &name, mouth, -way, 1).filter(clear);
                marks.extend(new);
                let length = leg.length();
                if length >= MATCH_FROM_MM {
                    let (at, way) = leg.at(length / 2.0);
                    marks.push(mark(MarkKind::Match, &name, at, at + left_of(way), 1));
                }
            }
        }
    }
}

fn seam_notches(bench: &Bench<'_>, marks: &mut Vec<Mark>) {
    for t in bench.boundaries.iter().flat_map(|b| &b.trued) {
        let RunKind::Seam(seam, side) = t.run.kind else {
            continue;
        };
        let (from, to, whole) = covered(bench, &t.run, seam, side);
        for (group, part) in SEAM_NOTCHES.into_iter().enumerate() {
            let count = if group == 0 {
                seam % 3 + 1
            } else {
                seam / 3 % 3 + 1
            };
            let share = (part * whole - from) / (to - from);
            if !(0.02..=0.98).contains(&share) {
                continue;
            }
            let (sew, way) = t.curve.at(share * t.curve.length());
            marks.extend(notch(
                bench,
                &format!("S{}", seam + 1),
                sew,
                -left_of(way),
                count,
            ));
        }
    }
}

/// Where along the seam's path a run starts and ends, and the path's whole length, mm.
fn covered(bench: &Bench<'_>, run: &Run, seam: usize, side: Side) -> (f64, f64, f64) {
    let by_path = bench.order.cut.seams.get(seam).and_then(|line: &CutLine| {
        let mesh = &bench.order.cut.mesh;
        let mut sums = vec![0.0];
        for w in line.path.windows(2) {
            sums.push(sums[sums.len() - 1] + (mesh.position(w[1]) - mesh.position(w[0])).norm());
        }
        let place = |v: u32| {
            let origin = *bench.panel.origin.get(v as usize)?;
            line.path.iter().position(|&p| p == origin).map(|i| sums[i])
        };
        let (first, last) = (
            place(run.vertices[0])?,
            place(run.vertices[run.vertices.len() - 1])?,
        );
        ((first - last).abs() > 1e-9).then(|| (first, last, sums[sums.len() - 1]))
    });
    by_path.unwrap_or_else(|| {
        let whole = run.head_mm();
        match side {
            Side::Left => (0.0, whole, whole),
            Side::Right => (whole, 0.0, whole),
        }
    })
}

/// A landmark this far from the panel's surface is not on it, mm.
const ON_PANEL_MM: f64 = 3.0;

fn crown(bench: &Bench<'_>, marks: &mut Vec<Mark>) {
    let head = bench.order.head;
    let Some(at) = place::place(bench.panel, bench.map, head.crown) else {
        return;
    };
    if at.distance_mm <= ON_PANEL_MM {
        marks.push(mark(
            MarkKind::Crown,
            "crown",
            at.at,
            at.at + Vector2::new(0.0, 4.0),
            1,
        ));
    }
}

/// Vertices within this part of the farthest reach are as far as it: a whole seam side may be.
const FARTHEST: f64 = 0.04;

/// FRONT, NAPE, LEFT and RIGHT where the piece reaches farthest that way.
///
/// Which way that is on the sheet comes from the head: the direction in the plane along which the
/// surface gains most towards it. A mirrored map would show.
fn words(bench: &Bench<'_>, marks: &mut Vec<Mark>) {
    let head = bench.order.head;
    let ways = [
        ("FRONT", head.forward),
        ("NAPE", -head.forward),
        ("LEFT", -head.right),
        ("RIGHT", head.right),
    ];
    let Some(outer) = bench.panel.loops.first() else {
        return;
    };
    let count = bench.map.uv.len().max(1) as f64;
    let sum: Vector2 = bench.map.uv.iter().map(|p| p.coords).sum();
    let centre = Point2::from(sum / count);
    let positions = bench.panel.mesh.positions();
    let mean: Vector3 = positions.iter().map(|p| p.coords).sum::<Vector3>() / count;
    for (word, way) in ways {
        let gain = bench
            .map
            .uv
            .iter()
            .zip(positions)
            .fold(Vector2::zeros(), |sum, (uv, p)| {
                sum + (uv - centre) * (p.coords - mean).dot(&way)
            });
        let gain = unit(gain);
        let points = || outer.vertices.iter().map(|&v| bench.map.uv[v as usize]);
        let reach = |p: &Point2| (p - centre).dot(&gain);
        let (low, high) = points()
            .map(|p| reach(&p))
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), r| {
                (a.min(r), b.max(r))
            });
        let far: Vec<Point2> = points()
            .filter(|p| reach(p) >= high - FARTHEST * (high - low))
            .collect();
        let sum: Vector2 = far.iter().map(|p| p.coords).sum();
        let middle = Point2::from(sum / far.len().max(1) as f64);
        let off = |p: &Point2| (p - middle).norm_squared();
        if let Some(&at) = far.iter().min_by(|a, b| off(a).total_cmp(&off(b))) {
            marks.push(mark(MarkKind::Word, word, at, centre, 1));
        }
    }
}

fn unit3(v: Vector3) -> Vector3 {
    let length = v.norm();
    if length > 0.0 { v / length } else { v }
}

/// Guide lines shorter than this are left out, mm.
const GUIDE_FROM_MM: f64 = 12.0;
/// Closer than this a guide line lies on the edge, mm.
const ON_EDGE_MM: f64 = 1.0;
/// Guide lines stay within this of the section, mm.
const GUIDE_TOLERANCE_MM: f64 = 0.3;

pub(super) fn guides(bench: &Bench<'_>) -> Vec<Guide> {
    let head = bench.order.head;
    let normal = |a: Point3, b: Point3| unit3((a - head.crown).cross(&(b - head.crown)));
    let planes = [
        ("centre", normal(head.front, head.nape)),
        ("ear line", normal(head.left_ear, head.right_ear)),
    ];
    let trued = bench.boundaries.iter().flat_map(|b| &b.trued);
    let edges: Vec<NearLine> = trued.map(|t| NearLine::new(&t.run.points)).collect();
    let planes = planes.into_iter().filter(|(_, n)| n.norm_squared() >= 0.5);
    let lines: Vec<(&str, Vec<Point2>)> = planes
        .flat_map(|(name, normal)| {
            let lines = place::section(bench.panel, bench.map, head.crown, normal);
            lines.into_iter().map(move |line| (name, line))
        })
        .filter(|(_, line)| plane::length(line) >= GUIDE_FROM_MM && !runs_along(&edges, line))
        .collect();
    let guide = |(name, line): (&str, Vec<Point2>)| {
        let fitted = plane::fit(&line, None, None, GUIDE_TOLERANCE_MM).curve;
        let path = fitted.linearise(0.02, 1e9).into_iter().map(settle_point);
        Guide {
            name: name.into(),
            path_mm: path.collect(),
        }
    };
    lines.into_par_iter().map(guide).collect()
}

/// Whether most of a line lies on the piece's own edges, where it would only blur a seam or leg.
fn runs_along(edges: &[NearLine], line: &[Point2]) -> bool {
    let on_edge = |p: &&Point2| {
        let near = |edge: &NearLine| edge.to(**p).is_some_and(|foot| foot.distance < ON_EDGE_MM);
        edges.iter().any(near)
    };
    2 * line.iter().filter(on_edge).count() > line.len()
}

pub(super) fn keep_clear(bench: &Bench<'_>) -> Vec<ClearPlace> {
    let mut places = Vec::new();
    for clear in bench.order.keep_clear {
        for ring in place::disc(bench.panel, bench.map, clear.centre, clear.radius_mm) {
            places.push(ClearPlace {
                reason: clear.reason.clone(),
                outline_mm: ring.into_iter().map(settle_point).collect(),
            });
        }
    }
    places
}

/// Direction a mark points, unit.
pub(super) fn direction(mark: &Mark) -> Vector2 {
    unit(mark.towards_mm - mark.at_mm)
}
