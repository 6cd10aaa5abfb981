//! What must be so of any pattern, found from its lines and triangles and not from its reports.

use flatten::{
    Point2, Point3,
    draft::{DraftError, Fault, Pattern, draft},
    flat::overlap,
    job::Job,
    mesh::TriMesh,
    piece::{DartStyle, OpeningMark, Piece, Stretch, StretchKind},
    plane::Curve,
};
use proptest::{prelude::*, test_runner::TestCaseError};

use crate::law::skip;

/// What can be refused is skipped and counted, so that a test of refusals only would not pass.
pub(crate) fn drafted(job: &Job) -> Result<Pattern, TestCaseError> {
    draft(job, &|_| {}).map_err(|why| match why {
        DraftError::Patch(_) => skip("the outline is refused"),
        DraftError::Dart(_) => skip("the layout is refused"),
        _ => TestCaseError::fail(why.to_string()),
    })
}

pub(crate) fn inside(p: Point2, ring: &[Point2]) -> bool {
    let mut odd = false;
    for (k, a) in ring.iter().enumerate() {
        let b = ring[(k + 1) % ring.len()];
        if (a.y > p.y) != (b.y > p.y) && p.x < (b.x - a.x) * (p.y - a.y) / (b.y - a.y) + a.x {
            odd = !odd;
        }
    }
    odd
}

pub(crate) fn distance(p: Point2, ring: &[Point2]) -> f64 {
    (0..ring.len())
        .map(|k| {
            let (a, b) = (ring[k], ring[(k + 1) % ring.len()]);
            let d = b - a;
            let t = ((p - a).dot(&d) / d.norm_squared().max(1e-300)).clamp(0.0, 1.0);
            (p - (a + d * t)).norm()
        })
        .fold(f64::INFINITY, f64::min)
}

/// Greater and lesser stretch from the plane to the head of one triangle, from lengths and angles.
pub(crate) fn stretches(head: [Point3; 3], flat: [Point2; 3]) -> [f64; 2] {
    let (u, v) = (head[1] - head[0], head[2] - head[0]);
    let (p, q) = (flat[1] - flat[0], flat[2] - flat[0]);
    let (hu, huv, hv) = (u.dot(&u), u.dot(&v), v.dot(&v));
    let (fp, fpq, fq) = (p.dot(&p), p.dot(&q), q.dot(&q));
    // Areas by cross products: for needles the differences of the metrics' products are rounding.
    let (head, flat) = (u.cross(&v).norm_squared(), p.perp(&q).powi(2));
    // Squares of the stretches are the eigenvalues of the flat metric's inverse times the head's.
    let half_trace = 0.5 * (fq * hu - 2.0 * fpq * huv + fp * hv) / flat;
    let product = head / flat;
    let great = half_trace + (half_trace * half_trace - product).max(0.0).sqrt();
    [great.sqrt(), (product / great).sqrt()]
}

/// Strain and head area of every triangle.
pub(crate) fn strains(mesh: &TriMesh, uv: &[Point2]) -> Vec<(f64, f64)> {
    mesh.faces()
        .iter()
        .map(|face| {
            let head = face.map(|v| mesh.position(v));
            let [great, less] = stretches(head, face.map(|v| uv[v as usize]));
            let area = 0.5 * (head[1] - head[0]).cross(&(head[2] - head[0])).norm();
            ((great - 1.0).abs().max((1.0 - less).abs()), area)
        })
        .collect()
}

/// Laws of one pattern.
pub(crate) fn sound(pattern: &Pattern) -> Result<(), TestCaseError> {
    let whole = pattern.patch.mesh.area();
    let parts: f64 = pattern.cut.panels.iter().map(|p| p.mesh.area()).sum();
    prop_assert!((parts / whole - 1.0).abs() < 1e-9, "{parts} of {whole} mm²");
    prop_assert_eq!(&pattern.faults, &pattern.check());
    let said = pattern.faults.iter().any(Fault::unusable);
    for (panel, map) in pattern.cut.panels.iter().zip(&pattern.maps) {
        let folds = overlap::folds(&panel.mesh, &map.uv).len();
        prop_assert!(folds == 0 || said, "{folds} folds and no word of it");
        let rings: Vec<_> = panel.loops.iter().map(|l| l.vertices.clone()).collect();
        prop_assert!(!overlap::crosses(&rings, &map.uv) || said);
    }
    if said {
        return Err(skip("it can't be used, and says so"));
    }
    strain_is_as_said(pattern)?;
    for dart in &pattern.cut.darts {
        let on_head: f64 = dart
            .path
            .windows(2)
            .map(|w| (pattern.cut.mesh.position(w[1]) - pattern.cut.mesh.position(w[0])).norm())
            .sum();
        prop_assert!((on_head - dart.length_mm).abs() < 1e-6);
    }
    edges_are_as_said(pattern)?;
    for piece in &pattern.pieces {
        legs_agree(pattern, piece)?;
        margins_are_wide(piece)?;
        let out = piece
            .sew_line_mm
            .iter()
            .find(|p| !inside(**p, &piece.cut_line_mm));
        prop_assert!(
            out.is_none(),
            "the sew line is outside the cut line at {out:?}"
        );
    }
    Ok(())
}

/// The strain that is printed is that of the triangles.
fn strain_is_as_said(pattern: &Pattern) -> Result<(), TestCaseError> {
    let panels = pattern.cut.panels.iter().zip(&pattern.maps);
    let all: Vec<(f64, f64)> = panels
        .flat_map(|(panel, map)| strains(&panel.mesh, &map.uv))
        .collect();
    let area: f64 = all.iter().map(|(_, area)| area).sum();
    let mean = all.iter().map(|(strain, area)| strain * area).sum::<f64>() / area;
    let said = &pattern.strain;
    prop_assert!(
        (mean - said.mean).abs() < 1e-6 * (1.0 + mean),
        "mean strain {mean}, said {}",
        said.mean
    );
    // The share of the area with more than a strain.
    let above = |limit: f64| {
        let more = all.iter().filter(|(strain, _)| *strain > limit);
        more.map(|(_, area)| area).sum::<f64>() / area
    };
    let hair = 1e-6 * (1.0 + said.p95);
    prop_assert!(
        above(said.p95 + hair) <= 0.05 + 1e-9 && above(said.p95 - hair) >= 0.05 - 1e-9,
        "{} of the area has more than the p95 of {}",
        above(said.p95),
        said.p95
    );
    let over = area * above(said.limit);
    prop_assert!((over - said.over_limit_mm2).abs() < 1e-6 * area + 1e-6);
    Ok(())
}

fn curve_mm(curve: &Curve) -> f64 {
    let line = curve.linearise(0.001, 1.0);
    line.windows(2).map(|w| (w[1] - w[0]).norm()).sum()
}

/// The finished edge is as long as the head's, or the pattern says that it is not.
fn edges_are_as_said(pattern: &Pattern) -> Result<(), TestCaseError> {
    use StretchKind::{Front, Left, Nape, Right};
    let (mut drawn, mut head) = (0.0, 0.0);
    for stretch in pattern.pieces.iter().flat_map(|piece| &piece.stretches) {
        let length = curve_mm(&stretch.curve);
        prop_assert!(
            (length - stretch.length_mm).abs() < 0.01,
            "{:?} is {length} mm long, said {}",
            stretch.kind,
            stretch.length_mm
        );
        if matches!(stretch.kind, Front | Left | Nape | Right) {
            drawn += length;
            head += stretch.head_mm;
        }
    }
    let mesh = &pattern.patch.mesh;
    let ring = &pattern.patch.perimeter;
    let along = &pattern.patch.numbers.along_perimeter;
    let edge = |k: usize| {
        let (a, b) = (ring[k], ring[(k + 1) % ring.len()]);
        (mesh.position(a) - mesh.position(b)).norm()
    };
    // An opening that reaches the perimeter is counted with the openings.
    let own = (0..ring.len()).filter(|&k| along.get(k).copied().flatten().is_none());
    let on_mold: f64 = own.map(edge).sum();
    prop_assert!(
        (head - on_mold).abs() < 1e-6 * on_mold + 1e-3,
        "{head} mm of perimeter on the head, {on_mold} mm on the mold"
    );
    let error = drawn / on_mold - 1.0;
    let said = pattern.perimeter_error();
    prop_assert!(
        (error - said).abs() < 1e-3,
        "the perimeter is {error} off, said {said}"
    );
    let told = pattern
        .faults
        .iter()
        .any(|fault| matches!(fault, Fault::Perimeter { .. }));
    prop_assert!(error.abs() < 0.0052 || told, "{error} and no word of it");
    Ok(())
}

/// What is sewn together has one length, that on the head, or the pattern says by how much it is off.
fn legs_agree(pattern: &Pattern, piece: &Piece) -> Result<(), TestCaseError> {
    for dart in &piece.darts {
        let [a, b] = [&dart.legs[0], &dart.legs[1]].map(curve_mm);
        let said = pattern.seam_mismatch_mm();
        prop_assert!(
            (a - b).abs() <= said + 0.01,
            "{}: legs of {a} and {b} mm, said {said}",
            dart.id
        );
        prop_assert!((dart.legs[0].end() - dart.legs[1].end()).norm() < 1e-3);
        let told = pattern
            .faults
            .iter()
            .any(|fault| matches!(fault, Fault::SeamMismatch { .. }));
        prop_assert!((a - b).abs() <= 0.31 || told, "{}: {a} and {b} mm", dart.id);
    }
    Ok(())
}

/// Whether the straight way between two points crosses a ring, its first tenth of a millimetre left out.
fn crosses(from: Point2, to: Point2, ring: &[Point2]) -> bool {
    let way = to - from;
    let from = from + way * (0.1 / way.norm()).min(1.0);
    let side = |a: Point2, b: Point2, p: Point2| (b - a).perp(&(p - a)) > 0.0;
    (0..ring.len()).any(|k| {
        let (a, b) = (ring[k], ring[(k + 1) % ring.len()]);
        side(from, to, a) != side(from, to, b) && side(a, b, from) != side(a, b, to)
    })
}

/// The middles of short pieces of a ring.
fn middles(ring: &[Point2]) -> Vec<Point2> {
    const LONG_MM: f64 = 0.25;
    let mut out = Vec::new();
    for (k, a) in ring.iter().enumerate() {
        let way = ring[(k + 1) % ring.len()] - a;
        let parts = (way.norm() / LONG_MM).ceil().max(1.0) as u32;
        let middle = |i: u32| a + way * ((f64::from(i) + 0.5) / f64::from(parts));
        out.extend((0..parts).map(middle));
    }
    out
}

/// A finished edge, or a line that is sewn to another, and what it has beside it.
struct Side {
    name: String,
    line: Vec<Point2>,
    asked: f64,
    sewn: bool,
}

impl Side {
    fn distance(&self, p: Point2) -> f64 {
        // There and back is a ring.
        let back = self.line.iter().rev();
        distance(
            p,
            &self.line.iter().chain(back).copied().collect::<Vec<_>>(),
        )
    }
}

/// A gauge run along every line: what is seen of the cut line across the margin is nowhere nearer than
/// asked.
///
/// Where a wider margin narrows into a narrower stretch it does so within the narrower one, so that no
/// stretch has less than its own width in any direction. Where an edge ends at an open dart or a seam, the
/// cut line belongs to the nearer of the two, and round the corner itself the narrower width will do.
fn gauged(sides: &[Side], sew: &[Point2], cut: &[Point2]) -> Result<(), TestCaseError> {
    let places = middles(cut);
    // The nearest of one sort.
    let near = |sewn: bool, at: Point2| -> Option<(f64, f64)> {
        let sort = sides.iter().filter(|side| side.sewn == sewn);
        sort.map(|side| (side.distance(at), side.asked))
            .min_by(|a, b| a.0.total_cmp(&b.0))
    };
    for side in sides {
        for p in &side.line {
            for at in &places {
                let least = (at - p).norm();
                if least > side.asked - 0.05 || crosses(*p, *at, sew) {
                    continue;
                }
                let own = near(side.sewn, *at).map_or(f64::INFINITY, |(off, _)| off);
                let wanted = near(!side.sewn, *at)
                    .filter(|(off, _)| *off < own + 0.02)
                    .map_or(side.asked, |(_, width)| width.min(side.asked));
                prop_assert!(
                    least > wanted - 0.05,
                    "{}: {least} mm of margin at {p}, {wanted} mm asked",
                    side.name
                );
            }
        }
    }
    Ok(())
}

fn margins_are_wide(piece: &Piece) -> Result<(), TestCaseError> {
    let line = |curve: &Curve| curve.linearise(0.01, 2.0);
    let of = |stretch: &Stretch, asked: f64| Side {
        name: format!("{:?}", stretch.kind),
        line: line(&stretch.curve),
        asked,
        sewn: stretch.kind == StretchKind::Seam,
    };
    for opening in &piece.openings {
        // Too narrow to be cut: drawn as a line to slit.
        if opening.cut_line_mm.is_empty() {
            continue;
        }
        let own = piece
            .stretches
            .iter()
            .filter(|s| s.kind == StretchKind::Opening && s.number == Some(opening.number));
        let sides: Vec<Side> = own.map(|s| of(s, opening.allowance_mm)).collect();
        gauged(&sides, &opening.sew_line_mm, &opening.cut_line_mm)?;
    }
    let with_own = |s: &&Stretch| {
        let number = |o: &OpeningMark| s.number == Some(o.number);
        s.kind != StretchKind::Opening || !piece.openings.iter().any(number)
    };
    let outer = piece.stretches.iter().filter(with_own);
    let mut sides: Vec<Side> = outer.map(|s| of(s, s.allowance_mm)).collect();
    let edges = sides.iter().filter(|side| !side.sewn);
    let least_edge = edges.map(|side| side.asked).fold(f64::INFINITY, f64::min);
    for dart in &piece.darts {
        for leg in &dart.legs {
            if dart.style == DartStyle::Open {
                sides.push(Side {
                    name: dart.id.clone(),
                    line: line(leg),
                    asked: dart.allowance_mm,
                    sewn: true,
                });
                continue;
            }
            // A folded leg lies within the piece and ends on its edge, whose margin it has there.
            for p in line(leg) {
                let least = distance(p, &piece.cut_line_mm);
                prop_assert!(
                    least > least_edge - 0.05,
                    "{}: {least} mm of margin at {p}, {least_edge} mm asked",
                    dart.id
                );
            }
        }
    }
    gauged(&sides, &piece.sew_line_mm, &piece.cut_line_mm)
}
