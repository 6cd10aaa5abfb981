//! From panels and flat maps to pieces.

use super::{
    Allowance, DartMark, Grain, Hand, Measured, OpeningMark, Piece, PieceError, Stretch,
    StretchKind,
    allowance::{self, LINEARISED_MM, Part, Ring},
    mark,
    outline::{self, Run, RunKind},
    truing::{self, Legs, Trued},
};
use crate::{
    Point2, Point3, Vector3,
    dart::{CutPatch, EdgeKind, Panel},
    flat::FlatMap,
    patch::{Head, KeepClear, Zone},
    plane::{self, RimPoint, settle, settle_point},
};

/// Everything that decides the pieces of one base.
#[derive(Debug, Clone, Copy)]
pub struct Order<'a> {
    /// The patch with its layout cut in.
    pub cut: &'a CutPatch,
    /// A map for each panel.
    pub maps: &'a [FlatMap],
    /// Landmarks and axes.
    pub head: &'a Head,
    /// Places to leave alone.
    pub keep_clear: &'a [KeepClear],
    /// Widths of material beyond the sew lines.
    pub allowance: &'a Allowance,
    /// Client number.
    pub client: &'a str,
    /// Material's name.
    pub material: &'a str,
    /// Lay of the material.
    pub grain: Grain,
    /// Date, when the fitting gives one.
    pub date: Option<&'a str>,
}

/// One boundary of a panel after truing.
pub(super) struct Boundary {
    pub trued: Vec<Trued>,
    pub legs: Vec<Legs>,
    pub ring: Ring,
}

/// A panel on its way to being a piece.
pub(super) struct Bench<'a> {
    pub order: &'a Order<'a>,
    pub panel: &'a Panel,
    pub map: &'a FlatMap,
    pub boundaries: Vec<Boundary>,
    /// Cut rings, the outer one first.
    pub cut: Vec<Vec<Point2>>,
}

/// Makes the pieces of a base, in the panels' order.
///
/// # Errors
/// [`PieceError`] when panels, maps and boundaries don't belong together, a dart has a single leg,
/// or a map has collapsed.
pub fn make(order: &Order<'_>) -> Result<Vec<Piece>, PieceError> {
    let panels = &order.cut.panels;
    if panels.len() != order.maps.len() {
        return Err(PieceError::Unmatched {
            panels: panels.len(),
            maps: order.maps.len(),
        });
    }
    let mut rings: Vec<Vec<Vec<Run>>> = Vec::with_capacity(panels.len());
    for (index, (panel, map)) in panels.iter().zip(order.maps).enumerate() {
        outline::check(index, panel, map)?;
        rings.push(
            panel
                .loops
                .iter()
                .map(|ring| outline::runs(panel, map, ring))
                .collect(),
        );
    }
    let seams = truing::seam_scales(order.cut, &rings.concat());
    rings
        .into_iter()
        .enumerate()
        .map(|(index, rings)| piece(order, index, rings, &seams))
        .collect()
}

/// `A` to `Z`, then `AA`, `AB`, …
fn letters(mut index: usize) -> String {
    let mut text = String::new();
    loop {
        let letter = u8::try_from(index % 26).map_or('A', |i| char::from(b'A' + i));
        text.insert(0, letter);
        if index < 26 {
            return text;
        }
        index = index / 26 - 1;
    }
}

fn piece(
    order: &Order<'_>,
    index: usize,
    rings: Vec<Vec<Run>>,
    seams: &[f64],
) -> Result<Piece, PieceError> {
    let (panel, map) = (&order.cut.panels[index], &order.maps[index]);
    let mut boundaries = Vec::with_capacity(rings.len());
    for runs in rings {
        let (trued, legs) = truing::true_ring(index, runs, order.cut, seams)?;
        let near: Vec<bool> = legs
            .iter()
            .map(|pair| fold(order.head, panel, &trued, pair).0 == pair_hand(&trued, pair))
            .collect();
        let ring = allowance::ring(&trued, &legs, &near, order.allowance);
        boundaries.push(Boundary { trued, legs, ring });
    }
    let (rims, shares, cut) = cut_out(order.allowance, &boundaries);
    if cut.is_empty() {
        return Err(PieceError::Collapsed { panel: index });
    }
    let bench = Bench {
        order,
        panel,
        map,
        boundaries,
        cut,
    };
    let stretches = stretches(&bench, index);
    let darts = darts(&bench);
    let mut piece = Piece {
        id: letters(index),
        name: name(order, index),
        number: index + 1,
        of: order.cut.panels.len(),
        client: order.client.into(),
        material: order.material.into(),
        date: order.date.map(Into::into),
        grain: order.grain,
        sew_line_mm: ring_points(&rims[0]),
        cut_line_mm: bench.cut[0].iter().copied().map(settle_point).collect(),
        openings: openings(&bench, &rims, &shares),
        marks: mark::marks(&bench),
        guides: mark::guides(&bench),
        keep_clear: mark::keep_clear(&bench),
        measured: Measured::default(),
        stretches,
        darts,
    };
    piece.measured = measure(&bench, &rims, &shares, &piece);
    Ok(piece)
}

fn ring_points(rim: &[RimPoint]) -> Vec<Point2> {
    rim.iter().map(|p| settle_point(p.at)).collect()
}

/// Side of the leg that goes in.
fn pair_hand(trued: &[Trued], pair: &Legs) -> Hand {
    match trued[pair.inward].run.kind {
        RunKind::Leg(_, side) => side.into(),
        _ => Hand::Left,
    }
}

/// Which leg a dart is folded towards, and in words: darts of the sides towards the back, those of
/// front, nape and openings towards the centre (common practice; a wig maker's published rule).
fn fold(head: &Head, panel: &Panel, trued: &[Trued], pair: &Legs) -> (Hand, &'static str) {
    let count = trued.len();
    let before = &trued[(pair.inward + count - 1) % count].run;
    let after = &trued[(pair.outward + 1) % count].run;
    let a = beside(panel, before, false);
    let b = beside(panel, after, true);
    let inward = pair_hand(trued, pair);
    let outward = if inward == Hand::Left {
        Hand::Right
    } else {
        Hand::Left
    };
    let side_dart = matches!(
        before.kinds.last(),
        Some(EdgeKind::Perimeter(Zone::Left | Zone::Right))
    );
    if side_dart {
        let towards = if a.coords.dot(&head.forward) <= b.coords.dot(&head.forward) {
            inward
        } else {
            outward
        };
        (towards, "back")
    } else {
        let from_centre = |p: Point3| (p - head.crown).dot(&head.right).abs();
        let towards = if from_centre(a) <= from_centre(b) {
            inward
        } else {
            outward
        };
        (towards, "centre")
    }
}

/// Looking this far along the edge from a mouth, mm.
const BESIDE_MM: f64 = 8.0;

/// The place on the head a little way along an edge from one of its ends.
fn beside(panel: &Panel, run: &Run, from_start: bool) -> Point3 {
    let total = run.head_mm();
    let far = |s: &f64| {
        if from_start {
            *s >= BESIDE_MM.min(total)
        } else {
            *s <= (total - BESIDE_MM).max(0.0)
        }
    };
    let at = if from_start {
        run.head.iter().position(far)
    } else {
        run.head.iter().rposition(far)
    };
    panel.mesh.position(run.vertices[at.unwrap_or(0)])
}

/// A narrow opening takes less than its allowance; each try gives it this share of the last.
const NARROWER: f64 = 0.8;
/// Tries before an opening is left uncut.
const NARROWINGS: usize = 12;
/// A cut opening keeps at least this part of the finished one's length.
const CUT_LENGTH_KEPT: f64 = 0.5;

/// Rims, the share of its allowance that each boundary has room for, and cut rings.
fn cut_out(
    allowance: &Allowance,
    boundaries: &[Boundary],
) -> (Vec<Vec<RimPoint>>, Vec<f64>, Vec<Vec<Point2>>) {
    let mut shares = vec![1.0; boundaries.len()];
    for attempt in 0..=NARROWINGS {
        let rims: Vec<Vec<RimPoint>> = boundaries
            .iter()
            .zip(&shares)
            .map(|(b, &share)| b.ring.rim(allowance, share))
            .collect();
        let shapes = plane::widen(&rims);
        let largest = shapes
            .into_iter()
            .max_by(|a, b| outer_area(a).total_cmp(&outer_area(b)));
        let Some(shape) = largest else { break };
        let mut cut: Vec<Vec<Point2>> = vec![tidy(&shape[0])];
        let mut cramped = false;
        for (k, rim) in rims.iter().enumerate().skip(1) {
            let sew: Vec<Point2> = rim.iter().map(|p| p.at).collect();
            let holes: Vec<&Vec<Point2>> = shape[1..]
                .iter()
                .filter(|hole| plane::contains(&sew, hole[0]))
                .collect();
            let long = holes.iter().map(|hole| span(hole)).fold(0.0, f64::max);
            if holes.len() == 1 && long >= CUT_LENGTH_KEPT * span(&sew) {
                cut.push(tidy(holes[0]));
            } else {
                // Marks the opening as uncut should this be the last try.
                cut.push(Vec::new());
                shares[k] *= NARROWER;
                cramped = true;
            }
        }
        if !cramped || attempt == NARROWINGS {
            return (rims, shares, cut);
        }
    }
    (Vec::new(), shares, Vec::new())
}

fn outer_area(shape: &[Vec<Point2>]) -> f64 {
    shape
        .first()
        .map_or(0.0, |ring| plane::ring_area(ring).abs())
}

/// Points of a union that lie on a straight line say nothing, mm.
const TIDY_MM: f64 = 0.002;

fn tidy(ring: &[Point2]) -> Vec<Point2> {
    let mut closed = ring.to_vec();
    closed.extend(ring.first());
    let mut tidy = plane::simplify(&closed, TIDY_MM);
    tidy.pop();
    tidy
}

/// Diagonal of a ring's box, mm.
fn span(ring: &[Point2]) -> f64 {
    let (low, high) = bounds(ring);
    (high - low).norm()
}

fn bounds(ring: &[Point2]) -> (Point2, Point2) {
    ring.iter().fold(
        (
            Point2::new(f64::INFINITY, f64::INFINITY),
            Point2::new(f64::NEG_INFINITY, f64::NEG_INFINITY),
        ),
        |(low, high), p| (low.inf(p), high.sup(p)),
    )
}

fn openings(bench: &Bench<'_>, rims: &[Vec<RimPoint>], shares: &[f64]) -> Vec<OpeningMark> {
    let asked = bench.order.allowance.opening_mm;
    (1..bench.boundaries.len())
        .map(|k| OpeningMark {
            number: number_of(&bench.boundaries[k]).unwrap_or(k),
            sew_line_mm: ring_points(&rims[k]),
            cut_line_mm: bench.cut[k].iter().copied().map(settle_point).collect(),
            asked_mm: asked,
            allowance_mm: settle(asked * shares[k]),
        })
        .collect()
}

fn number_of(boundary: &Boundary) -> Option<usize> {
    boundary.trued.iter().find_map(|t| match t.run.kind {
        RunKind::Opening(i) => Some(i + 1),
        _ => None,
    })
}

fn stretches(bench: &Bench<'_>, index: usize) -> Vec<Stretch> {
    let allowance = bench.order.allowance;
    let mut list = Vec::new();
    for boundary in &bench.boundaries {
        let mut edges = boundary.ring.parts();
        for trued in &boundary.trued {
            match trued.run.kind {
                RunKind::Leg(..) => {}
                RunKind::Seam(seam, side) => {
                    let part = Part {
                        kind: EdgeKind::Seam(seam, side),
                        curve: trued.curve.clone(),
                        head_mm: trued.run.head_mm(),
                        flat_mm: trued.flat_mm,
                        error_mm: trued.error_mm,
                    };
                    let mut stretch = stretch(&part, allowance);
                    stretch.joins = joins(bench.order.cut, index, seam, side);
                    list.push(stretch);
                }
                _ => {
                    let own = allowance::parts(trued).len();
                    list.extend(
                        edges
                            .by_ref()
                            .take(own)
                            .map(|part| stretch(part, allowance)),
                    );
                }
            }
        }
    }
    list
}

fn stretch(part: &Part, allowance: &Allowance) -> Stretch {
    let (kind, number, hand) = match part.kind {
        EdgeKind::Perimeter(Zone::Front) => (StretchKind::Front, None, None),
        EdgeKind::Perimeter(Zone::Left) => (StretchKind::Left, None, None),
        EdgeKind::Perimeter(Zone::Nape) => (StretchKind::Nape, None, None),
        EdgeKind::Perimeter(Zone::Right) => (StretchKind::Right, None, None),
        EdgeKind::Opening(i) => (StretchKind::Opening, Some(i + 1), None),
        EdgeKind::Seam(i, side) | EdgeKind::Dart(i, side) => {
            (StretchKind::Seam, Some(i + 1), Some(side.into()))
        }
    };
    Stretch {
        kind,
        number,
        hand,
        joins: None,
        curve: part.curve.settled(),
        length_mm: settle(part.curve.length()),
        head_mm: settle(part.head_mm),
        flat_mm: settle(part.flat_mm),
        allowance_mm: allowance.beside(part.kind),
        fit_error_mm: settle(part.error_mm),
    }
}

/// The piece on the other side of a seam.
fn joins(cut: &CutPatch, own: usize, seam: usize, side: crate::dart::Side) -> Option<String> {
    let other = |kind: &EdgeKind| matches!(kind, EdgeKind::Seam(i, s) if *i == seam && *s != side);
    let has = |panel: &Panel| panel.loops.iter().any(|ring| ring.kinds.iter().any(other));
    let elsewhere = cut
        .panels
        .iter()
        .enumerate()
        .find(|(i, panel)| *i != own && has(panel));
    elsewhere
        .map(|(i, _)| letters(i))
        .or_else(|| cut.panels.get(own).filter(|p| has(p)).map(|_| letters(own)))
}

/// The drill hole lies this far short of the point, mm: 3 to 6 by common practice.
const DRILL_SHORT_MM: f64 = 5.0;

fn darts(bench: &Bench<'_>) -> Vec<DartMark> {
    let mut list: Vec<(usize, DartMark)> = Vec::new();
    for boundary in &bench.boundaries {
        for (pair, (style, cap, inward_near)) in boundary.legs.iter().zip(&boundary.ring.darts) {
            let (inward, outward) = (&boundary.trued[pair.inward], &boundary.trued[pair.outward]);
            let hand = pair_hand(&boundary.trued, pair);
            let (towards, folds) = fold(bench.order.head, bench.panel, &boundary.trued, pair);
            debug_assert_eq!(towards == hand, *inward_near);
            let mut legs = [inward.curve.settled(), outward.curve.reversed().settled()];
            let mut flat = [settle(inward.flat_mm), settle(outward.flat_mm)];
            let (a, b, point) = (legs[0].start(), legs[1].start(), legs[0].end());
            let middle = nalgebra::center(&a, &b);
            let mut cap_mm: Vec<Point2> = cap
                .iter()
                .flat_map(|cap| cap.line.iter().copied().map(settle_point))
                .collect();
            if hand == Hand::Right {
                legs.reverse();
                flat.reverse();
                cap_mm.reverse();
            }
            let from = cap.as_ref().map_or(middle, |cap| cap.fold[0]);
            let short = (point - middle).norm().min(DRILL_SHORT_MM);
            list.push((
                pair.dart,
                DartMark {
                    id: format!("D{}", pair.dart + 1),
                    style: *style,
                    point_mm: settle_point(point),
                    drill_mm: settle_point(point - plane::unit(point - middle) * short),
                    legs_mm: [settle(legs[0].length()), settle(legs[1].length())],
                    legs,
                    cap_mm,
                    fold_mm: vec![settle_point(from), settle_point(point)],
                    take_up_mm: settle((b - a).norm()),
                    legs_flat_mm: flat,
                    head_mm: settle(pair.head_mm),
                    folds_towards: towards,
                    folds: folds.into(),
                    allowance_mm: bench.order.allowance.dart_mm,
                },
            ));
        }
    }
    list.sort_by_key(|(dart, _)| *dart);
    list.into_iter().map(|(_, dart)| dart).collect()
}

/// Where on the head a piece is, in a word.
fn name(order: &Order<'_>, index: usize) -> String {
    let panels = &order.cut.panels;
    if panels.len() == 1 {
        return "base".into();
    }
    let middle = |panel: &Panel| {
        let sum: Vector3 = panel.mesh.positions().iter().map(|p| p.coords).sum();
        sum / panel.mesh.vertex_count().max(1) as f64
    };
    let all: Vector3 = panels.iter().map(middle).sum::<Vector3>() / panels.len() as f64;
    let off = middle(&panels[index]) - all;
    let head = order.head;
    let axes = [
        (head.right, "right", "left"),
        (head.forward, "front", "back"),
        (head.up, "top", "lower"),
    ];
    let mut best = (0.0, "middle");
    for (axis, plus, minus) in axes {
        let part = off.dot(&axis);
        if part.abs() > best.0 {
            best = (part.abs(), if part > 0.0 { plus } else { minus });
        }
    }
    best.1.into()
}

fn measure(bench: &Bench<'_>, rims: &[Vec<RimPoint>], shares: &[f64], piece: &Piece) -> Measured {
    let sum = |wanted: fn(&Stretch) -> bool, value: fn(&Stretch) -> f64| -> f64 {
        settle(
            piece
                .stretches
                .iter()
                .filter(|s| wanted(s))
                .map(value)
                .sum(),
        )
    };
    let perimeter = |s: &Stretch| !matches!(s.kind, StretchKind::Opening | StretchKind::Seam);
    let trued = || bench.boundaries.iter().flat_map(|b| &b.trued);
    let a = bench.order.allowance;
    let mut asked = vec![a.front_mm, a.sides_mm, a.nape_mm, a.seam_mm, a.dart_mm];
    asked.extend(shares.iter().map(|share| share * a.opening_mm));
    let check = allowance::check_margin(&bench.cut, rims, &asked);
    let (across, along) = super::stock::extent(piece);
    let crossings =
        |rings: &[Vec<Point2>]| rings.iter().map(|ring| plane::crossings(ring).len()).sum();
    let sew: Vec<Vec<Point2>> = rims
        .iter()
        .map(|rim| rim.iter().map(|p| p.at).collect())
        .collect();
    Measured {
        sew_area_mm2: settle(
            bench
                .boundaries
                .iter()
                .map(|b| leg_ring_area(&b.trued))
                .sum(),
        ),
        cut_area_mm2: settle(bench.cut.iter().map(|ring| plane::ring_area(ring)).sum()),
        perimeter_mm: sum(perimeter, |s| s.length_mm),
        perimeter_flat_mm: sum(perimeter, |s| s.flat_mm),
        perimeter_head_mm: sum(perimeter, |s| s.head_mm),
        openings_mm: sum(|s| s.kind == StretchKind::Opening, |s| s.length_mm),
        seams_mm: sum(|s| s.kind == StretchKind::Seam, |s| s.length_mm),
        darts_mm: settle(
            piece
                .darts
                .iter()
                .map(|d| (d.legs_mm[0] + d.legs_mm[1]) / 2.0)
                .sum(),
        ),
        leg_mismatch_mm: settle(
            piece
                .darts
                .iter()
                .map(|d| (d.legs_mm[0] - d.legs_mm[1]).abs())
                .fold(0.0, f64::max),
        ),
        fit_error_mm: settle(trued().map(|t| t.error_mm).fold(0.0, f64::max)),
        trued_by_mm: settle(trued().map(|t| t.moved_mm).fold(0.0, f64::max)),
        points_flat: trued().map(|t| t.run.points.len() - 1).sum(),
        cubics: trued().map(|t| t.curve.len()).sum(),
        margin_least_mm: settle(check.least_mm),
        margin_most_mm: settle(check.most_mm),
        cut_crossings: crossings(&bench.cut),
        sew_crossings: crossings(&sew),
        across_grain_mm: settle(across),
        along_grain_mm: settle(along),
    }
}

/// Area inside the trued curves, along the legs of every dart.
fn leg_ring_area(trued: &[Trued]) -> f64 {
    let mut ring: Vec<Point2> = Vec::new();
    for t in trued {
        let line = t.curve.linearise(LINEARISED_MM, 5.0);
        ring.extend(&line[..line.len() - 1]);
    }
    plane::ring_area(&ring)
}

/// Both sides of a seam, walked.
#[derive(Debug, Clone, PartialEq, serde::Serialize, serde::Deserialize)]
pub struct SeamCheck {
    /// `S1`, `S2`, …
    pub id: String,
    /// Length of the left side, over all pieces, mm.
    pub left_mm: f64,
    /// Length of the right side, mm.
    pub right_mm: f64,
    /// On the head, mm.
    pub head_mm: f64,
    /// Difference of the two sides, mm.
    pub mismatch_mm: f64,
}

/// Walks every seam over all pieces.
#[must_use]
pub fn seam_checks(pieces: &[Piece]) -> Vec<SeamCheck> {
    let sides = || {
        pieces
            .iter()
            .flat_map(|p| &p.stretches)
            .filter(|s| s.kind == StretchKind::Seam)
    };
    let mut numbers: Vec<usize> = sides().filter_map(|s| s.number).collect();
    numbers.sort_unstable();
    numbers.dedup();
    let walked = |n: usize, hand: Hand, value: fn(&Stretch) -> f64| -> f64 {
        sides()
            .filter(|s| s.number == Some(n) && s.hand == Some(hand))
            .map(value)
            .sum()
    };
    numbers
        .into_iter()
        .map(|n| {
            let (left, right) = (
                walked(n, Hand::Left, |s| s.length_mm),
                walked(n, Hand::Right, |s| s.length_mm),
            );
            SeamCheck {
                id: format!("S{n}"),
                left_mm: settle(left),
                right_mm: settle(right),
                head_mm: settle(walked(n, Hand::Left, |s| s.head_mm)),
                mismatch_mm: settle((left - right).abs()),
            }
        })
        .collect()
}
