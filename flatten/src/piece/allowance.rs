//! Allowances: from trued runs to the sew ring with a width at every point, and to the cut lines.
//!
//! Widths are constant along a stretch. Where two meet on a running edge the wider one tapers into
//! the narrower stretch, so that no stretch gets less than asked. A folded dart keeps its edge's
//! width across the mouth; an open one has its own beside the legs. Where the margins of two legs
//! meet inside a wedge the cut ends: what lies beyond is folded like a narrow dart.

use rayon::prelude::*;

use super::{
    Allowance, DartStyle,
    cap::{self, Cap},
    outline::RunKind,
    truing::{Legs, Trued},
};
use crate::{
    Point2,
    dart::EdgeKind,
    patch::Zone,
    plane::{self, Narrows, RimPoint},
};

/// Straight segments stay this close to the curves, mm.
pub(super) const LINEARISED_MM: f64 = 0.01;
/// No segment is longer, mm: tapers follow their shape.
const LONGEST_MM: f64 = 2.0;
/// A wider margin narrows over this many times the difference, so that the cut line stays a line
/// that scissors follow (its slope never passes 3 in 10). Common practice, no source.
const TAPER_TIMES: f64 = 5.0;
/// A taper is also as long as the root of this many times its wider width times the difference: that
/// keeps it outside the circle of the wider width round the border, which would show as a bulge of the cut
/// line. 6 does on a straight edge; the rest is for bent ones.
const ROUND_TIMES: f64 = 8.0;
/// A dart is cut open when its mouth is wider than both allowances and this, mm: less leaves a cut
/// too short to be worth making. Common practice, no source.
const OPEN_BEYOND_MM: f64 = 8.0;

impl Allowance {
    /// Width beside an edge of a kind, mm.
    #[must_use]
    pub fn beside(&self, kind: EdgeKind) -> f64 {
        match kind {
            EdgeKind::Perimeter(Zone::Front) => self.front_mm,
            EdgeKind::Perimeter(Zone::Nape) => self.nape_mm,
            EdgeKind::Perimeter(Zone::Left | Zone::Right) => self.sides_mm,
            EdgeKind::Opening(_) => self.opening_mm,
            EdgeKind::Dart(..) => self.dart_mm,
            EdgeKind::Seam(..) => self.seam_mm,
        }
    }

    /// Whether a dart that takes up so much is folded or cut open.
    #[must_use]
    pub fn dart_style(&self, take_up_mm: f64) -> DartStyle {
        if take_up_mm > 2.0 * self.dart_mm + OPEN_BEYOND_MM {
            DartStyle::Open
        } else {
            DartStyle::Fold
        }
    }
}

/// A finished edge of one kind: part of a run.
#[derive(Debug, Clone)]
pub(super) struct Part {
    pub kind: EdgeKind,
    pub curve: plane::Curve,
    pub head_mm: f64,
    pub flat_mm: f64,
    pub error_mm: f64,
}

/// The parts of a run, cut where the kind of edge changes.
pub(super) fn parts(trued: &Trued) -> Vec<Part> {
    let run = &trued.run;
    let total = trued.curve.length();
    let mut cuts = vec![(0, 0.0)];
    for i in 1..run.kinds.len() {
        if run.kinds[i] != run.kinds[i - 1] {
            cuts.push((i, trued.curve.nearest(run.points[i]).0));
        }
    }
    cuts.push((run.kinds.len(), total));
    let flat = plane::cumulative(&run.points);
    let stretch = trued.flat_mm / flat[flat.len() - 1].max(f64::MIN_POSITIVE);
    cuts.windows(2)
        .map(|w| {
            let ((i, from), (j, to)) = (w[0], w[1]);
            let curve = if cuts.len() == 2 {
                trued.curve.clone()
            } else {
                trued.curve.part(from, to)
            };
            Part {
                kind: run.kinds[i],
                curve,
                head_mm: run.head[j] - run.head[i],
                flat_mm: (flat[j] - flat[i]) * stretch,
                error_mm: trued.error_mm,
            }
        })
        .collect()
}

/// What stands at one place of a sew ring.
enum Link {
    Edge(Vec<Part>),
    Cap(Cap),
    /// A side that is sewn to another, its width, and whether it is a seam's: margins don't taper
    /// across seams.
    Cut(plane::Curve, f64, bool),
}

/// One boundary with its darts shaped.
pub(super) struct Ring {
    links: Vec<Link>,
    /// Styles and caps, parallel to the darts' legs.
    pub darts: Vec<(DartStyle, Option<Cap>, bool)>,
}

/// Shapes the ends of darts and puts the sew ring in order. `near_is_inward` tells for each dart
/// whether it is folded towards the leg that goes in.
pub(super) fn ring(
    trued: &[Trued],
    legs: &[Legs],
    near_is_inward: &[bool],
    allowance: &Allowance,
) -> Ring {
    let count = trued.len();
    let darts: Vec<_> = legs
        .iter()
        .zip(near_is_inward)
        .map(|(pair, &inward)| {
            let (a, b) = (
                trued[pair.inward].curve.start(),
                trued[pair.outward].curve.end(),
            );
            let style = allowance.dart_style((b - a).norm());
            let (before, after) = (
                (pair.inward + count - 1) % count,
                (pair.outward + 1) % count,
            );
            let edges = trued[before].run.kind.is_edge() && trued[after].run.kind.is_edge();
            let cap = (style == DartStyle::Fold).then(|| {
                if edges {
                    shaped(trued, pair, inward)
                } else {
                    plain(trued, pair)
                }
            });
            (style, cap, inward)
        })
        .collect();
    let mut links = Vec::with_capacity(count);
    for (i, trued) in trued.iter().enumerate() {
        let dart = legs
            .iter()
            .position(|pair| pair.inward == i || pair.outward == i);
        match (trued.run.kind, dart) {
            (_, Some(k)) if darts[k].0 == DartStyle::Fold => {
                if legs[k].inward == i {
                    links.extend(darts[k].1.clone().map(Link::Cap));
                }
            }
            (RunKind::Leg(..), _) => {
                links.push(Link::Cut(trued.curve.clone(), allowance.dart_mm, false))
            }
            (RunKind::Seam(..), _) => {
                links.push(Link::Cut(trued.curve.clone(), allowance.seam_mm, true))
            }
            _ => links.push(Link::Edge(parts(trued))),
        }
    }
    Ring { links, darts }
}

/// A cap from the end of the inward leg to the end of the outward one.
fn shaped(trued: &[Trued], pair: &Legs, inward: bool) -> Cap {
    let count = trued.len();
    let (before, after) = (
        (pair.inward + count - 1) % count,
        (pair.outward + 1) % count,
    );
    let (a, b) = (
        trued[pair.inward].curve.start(),
        trued[pair.outward].curve.end(),
    );
    let point = trued[pair.inward].curve.end();
    let edge = if inward {
        trued[before].curve.reversed()
    } else {
        trued[after].curve.clone()
    };
    let edge = cap::lengthened(&edge.linearise(LINEARISED_MM, LONGEST_MM), (b - a).norm());
    if inward {
        cap::cap(point, a, b, &edge)
    } else {
        let mut cap = cap::cap(point, b, a, &edge);
        cap.line.reverse();
        cap
    }
}

fn plain(trued: &[Trued], pair: &Legs) -> Cap {
    let (a, b) = (
        trued[pair.inward].curve.start(),
        trued[pair.outward].curve.end(),
    );
    let middle = nalgebra::center(&a, &b);
    Cap {
        line: vec![a, middle, b],
        fold: [middle, trued[pair.inward].curve.end()],
    }
}

/// Beads closer than this are one, mm: between them a segment has no direction to speak of.
const ONE_BEAD_MM: f64 = 1e-3;

/// A point of the sew ring while widths are settled.
#[derive(Debug, Clone, Copy)]
struct Bead {
    at: Point2,
    /// Distance along the finished edge, `None` off it.
    along: Option<f64>,
    width: f64,
}

impl Ring {
    /// The ring as points with widths, all widths multiplied by `share`.
    pub(super) fn rim(&self, allowance: &Allowance, share: f64) -> Vec<RimPoint> {
        let (strands, borders, total) = self.strands(allowance);
        let mut rim: Vec<RimPoint> = Vec::new();
        let mut along: Vec<Option<f64>> = Vec::new();
        for (beads, smooth) in &strands {
            for (i, bead) in beads.iter().enumerate() {
                let width = share
                    * bead
                        .along
                        .map_or(bead.width, |s| tapered(bead.width, s, &borders, total));
                match rim.last_mut() {
                    Some(last) if (last.at - bead.at).norm() < ONE_BEAD_MM => {
                        last.leaving = width;
                        last.pointed |= i == 0 && !smooth;
                    }
                    _ => {
                        along.push(bead.along);
                        rim.push(RimPoint {
                            at: bead.at,
                            arriving: width,
                            leaving: width,
                            pointed: i == 0 && !smooth,
                            narrows: None,
                        });
                    }
                }
            }
        }
        if close(&mut rim) {
            along.pop();
        }
        for border in &borders {
            let ahead = border.before > border.after;
            if let Some(i) = end_of_wider(&along, border, total) {
                let width = share * border.before.max(border.after);
                rim[i].narrows = Some(Narrows { width, ahead });
            }
        }
        rim
    }

    /// Runs of beads in order, each with whether it carries on smoothly from the one before; the
    /// changes of width along the finished edge; and the edge's whole length.
    #[allow(
        clippy::type_complexity,
        reason = "three results of one walk, used in one place"
    )]
    fn strands(&self, allowance: &Allowance) -> (Vec<(Vec<Bead>, bool)>, Vec<Border>, f64) {
        let mut strands: Vec<(Vec<Bead>, bool)> = Vec::new();
        let mut borders: Vec<Border> = Vec::new();
        let (mut along, mut last): (f64, Option<f64>) = (0.0, None);
        let (mut first, mut seams) = (None, false);
        for (i, link) in self.links.iter().enumerate() {
            match link {
                Link::Edge(parts) => {
                    for part in parts {
                        let width = allowance.beside(part.kind);
                        note(&mut borders, along, last, width);
                        first.get_or_insert(width);
                        let line = part.curve.linearise(LINEARISED_MM, LONGEST_MM);
                        let sums = plane::cumulative(&line);
                        let beads = line.iter().zip(&sums).map(|(&at, s)| Bead {
                            at,
                            along: Some(along + s),
                            width,
                        });
                        strands.push((beads.collect(), true));
                        along += sums[sums.len() - 1];
                        last = Some(width);
                    }
                }
                Link::Cap(cap) => {
                    let width = self
                        .before(i)
                        .map_or(allowance.sides_mm, |part| allowance.beside(part.kind));
                    let beads = cap.line.iter().map(|&at| Bead {
                        at,
                        along: Some(along),
                        width,
                    });
                    strands.push((beads.collect(), true));
                }
                Link::Cut(curve, width, seam) => {
                    if *seam {
                        last = None;
                        seams = true;
                        // Out of any taper's reach.
                        along += APART_MM;
                    }
                    let line = curve.linearise(LINEARISED_MM, LONGEST_MM);
                    let beads = line.iter().map(|&at| Bead {
                        at,
                        along: None,
                        width: *width,
                    });
                    strands.push((beads.collect(), false));
                }
            }
        }
        if let Some(width) = first.filter(|_| !seams) {
            note(&mut borders, along, last, width);
        }
        if seams {
            along += APART_MM;
        }
        // The bead runs after a cut leave a corner as well.
        for i in 0..strands.len() {
            let before = (i + strands.len() - 1) % strands.len();
            let cut_before = strands[before]
                .0
                .first()
                .is_some_and(|bead| bead.along.is_none());
            strands[i].1 &= !cut_before;
        }
        (strands, borders, along)
    }

    /// The part of finished edge that comes before a link round the ring, whatever lies between.
    fn before(&self, link: usize) -> Option<&Part> {
        let (after, before) = self.links.split_at(link);
        let round = after.iter().rev().chain(before.iter().rev());
        let mut edges = round.filter_map(|link| match link {
            Link::Edge(parts) => parts.last(),
            _ => None,
        });
        edges.next()
    }

    /// Parts of finished edge, in order.
    pub(super) fn parts(&self) -> impl Iterator<Item = &Part> {
        self.links.iter().flat_map(|link| match link {
            Link::Edge(parts) => parts.as_slice(),
            _ => &[],
        })
    }
}

/// The bead at which the wider stretch beside a border ends; none where an open dart parts the two. A
/// folded dart there has the width of the wider one.
fn end_of_wider(along: &[Option<f64>], border: &Border, total: f64) -> Option<usize> {
    let count = along.len();
    let apart = |a: f64, b: f64| {
        let off = (a - b).abs();
        off.min((total - off).abs())
    };
    let there = |i: usize| along[i].is_some_and(|s| apart(s, border.at) < ONE_BEAD_MM);
    let ahead = border.before > border.after;
    let narrower = |i: usize| {
        if ahead {
            (i + 1) % count
        } else {
            (i + count - 1) % count
        }
    };
    let wider = |i: usize| {
        if ahead {
            (i + count - 1) % count
        } else {
            (i + 1) % count
        }
    };
    (0..count).find(|&i| there(i) && !there(narrower(i)) && along[wider(i)].is_some())
}

/// Merges the last point into the first where the ring closes; tells whether it does.
fn close(rim: &mut Vec<RimPoint>) -> bool {
    if let [first, .., last] = rim.as_slice()
        && (first.at - last.at).norm() < ONE_BEAD_MM
    {
        let (arriving, pointed) = (last.arriving, last.pointed);
        rim.pop();
        if let Some(first) = rim.first_mut() {
            first.arriving = arriving;
            first.pointed |= pointed;
        }
        return true;
    }
    false
}

/// Stretches parted by a seam lie this far apart in the counting along the edge, mm.
const APART_MM: f64 = 1e4;

/// A change of width on the finished edge.
#[derive(Debug, Clone, Copy)]
struct Border {
    at: f64,
    before: f64,
    after: f64,
}

fn note(borders: &mut Vec<Border>, at: f64, before: Option<f64>, after: f64) {
    if let Some(before) = before
        && (before - after).abs() > 1e-9
    {
        borders.push(Border { at, before, after });
    }
}

/// The width at a place: its stretch's own, or more beside a wider one.
fn tapered(width: f64, along: f64, borders: &[Border], total: f64) -> f64 {
    let mut widest = width;
    for border in borders {
        let wider = border.before.max(border.after);
        // Signed way from the border into the narrower stretch, round the ring the short way.
        let into = if border.before > border.after {
            along - border.at
        } else {
            border.at - along
        };
        for way in [into, into + total, into - total] {
            let reach =
                (TAPER_TIMES * (wider - width)).max((ROUND_TIMES * wider * (wider - width)).sqrt());
            if width < wider && (0.0..reach).contains(&way) {
                let x = way / reach;
                let taper = wider + (width - wider) * (x * x * (3.0 - 2.0 * x));
                widest = widest.max(taper);
            }
        }
    }
    widest
}

/// How the margin came out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct MarginCheck {
    pub least_mm: f64,
    pub most_mm: f64,
}

/// Samples of the cut line are this far apart, mm.
const CHECK_MM: f64 = 1.0;

/// Measures the margin all round: at each place of the cut line, the distance to the sew line less
/// the width asked there. A pointed corner must reach as far as the narrower of its two widths and
/// may reach farther. Left out: tapers, and steps between widths on a running edge.
pub(super) fn check_margin(
    cut: &[Vec<Point2>],
    rims: &[Vec<RimPoint>],
    asked: &[f64],
) -> MarginCheck {
    let mut places = Vec::new();
    for ring in cut {
        let mut closed = ring.clone();
        closed.extend(ring.first());
        let length = plane::length(&closed);
        let steps = (length / CHECK_MM).ceil();
        let mut step = 0.0;
        while step < steps {
            places.extend(plane::along(&closed, length * step / steps).map(|(p, _)| p));
            step += 1.0;
        }
    }
    let judged: Vec<(f64, bool)> = places
        .into_par_iter()
        .filter_map(|p| off_width(p, rims, asked))
        .collect();
    let offs = judged.iter().map(|(off, _)| *off);
    let least_mm = offs.reduce(f64::min).unwrap_or(0.0);
    // A pointed corner may reach farther.
    let running = judged.iter().filter(|(_, pointed)| !pointed);
    MarginCheck {
        least_mm,
        most_mm: running.fold(least_mm, |most, (off, _)| most.max(*off)),
    }
}

/// Distance less asked width where that is least, and whether that is at a pointed corner; `None`
/// where it is not to be judged.
fn off_width(p: Point2, rims: &[Vec<RimPoint>], asked: &[f64]) -> Option<(f64, bool)> {
    let plain =
        |a: f64, b: f64| (a - b).abs() < 1e-6 && asked.iter().any(|width| (width - a).abs() < 1e-6);
    let mut best = (f64::INFINITY, false, false);
    let mut consider = |off: f64, judged: bool, pointed: bool| {
        if off < best.0 - 1e-9 {
            best = (off, judged, pointed);
        }
    };
    for rim in rims {
        for (i, here) in rim.iter().enumerate() {
            let (before, next) = (
                rim[(i + rim.len() - 1) % rim.len()],
                rim[(i + 1) % rim.len()],
            );
            let (step, way) = (next.at - here.at, p - here.at);
            let part = way.dot(&step) / step.norm_squared();
            // On the left lies the material: seen through it, from the other side of a narrow flap.
            if (0.0..=1.0).contains(&part) && plane::cross(step, way) <= 1e-9 {
                let width = here.leaving + (next.arriving - here.leaving) * part;
                let off = (way - step * part).norm() - width;
                consider(off, plain(here.leaving, next.arriving), false);
            }
            // A vertex is nearest only where it sticks out: past the end of the step that arrives,
            // before the start of the one that leaves.
            let arrived = here.at - before.at;
            if plane::cross(arrived, step) > 0.0 && way.dot(&arrived) > 0.0 && way.dot(&step) < 0.0
            {
                let width = here.arriving.min(here.leaving);
                let judged = here.pointed || plain(here.arriving, here.leaving);
                consider(way.norm() - width, judged, here.pointed);
            }
        }
    }
    best.1.then_some((best.0, best.2))
}
