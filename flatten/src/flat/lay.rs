//! Lays a panel of the base flat for its material.
//!
//! In: a panel and what it is made of. Out: the map of least strain, its strain, and evidence.
//! Conformal map, then descent; a panel of any number of openings.

use std::collections::BTreeMap;

use rayon::prelude::*;

use crate::{
    Point2, Point3,
    dart::{EdgeKind, Panel},
    job::Material,
    mesh::TriMesh,
};

use super::{
    Cloth, Energy, FlatError, FlatMap, KeptEdges, KeptLine, LeastStrainOptions, LengthSummary,
    MatchedEdges, StrainField,
    conformal::{ConformalOptions, Method, flatten_patch},
    descent::{Descent, Limits},
    least_strain, tapes,
};

/// Weight on the length of finished edges: perimeter and openings.
pub const FINISHED_EDGE_WEIGHT: f64 = 20.0;
/// Error of a finished edge at which it resists twice as much: the half per cent that a perimeter may
/// be off.
pub const FINISHED_EDGE_WITHIN: f64 = 0.005;
/// Part of the material's limit at which it resists twice as much. Less would spread the strain of a good layout
/// further still, and leave more of it in the finished edges of a bad one.
const STIFFENS_AT: f64 = 0.5;
/// Weight on the two legs of a dart being equal.
pub const LEG_WEIGHT: f64 = 3.0;
/// Weight on the length of a seam's side whose partner is on another panel: keeping the head's
/// length on both brings two panels that are laid by themselves near to agreeing.
pub const SEAM_WEIGHT: f64 = 3.0;
/// Weight on a seam's side keeping the length agreed with its other side.
const AGREED_WEIGHT: f64 = 40.0;
/// Weights on tapes over the base keeping their length, the next where the last was too little.
const TAPE_WEIGHTS: [f64; 3] = [8.0, 16.0, 32.0];
/// How far off its length on the head a tape may be, with a little to spare of the hundredth that a maker is told.
const TAPE_WITHIN: f64 = 0.009;
/// Error of the finished edges that tapes may cost: a little less than is allowed.
const FINISHED_EDGE_MOST: f64 = 0.0045;
/// Part of their length by which tapes may part the two sides of seams further: a tenth of a millimetre on 200 mm.
const PARTED_MORE: f64 = 0.0005;
/// Times the sides of seams are brought to agree.
const AGREEMENTS: usize = 2;

/// When a panel is laid: the next step would change strain by less than this, a hundredth of a per cent.
const PANEL_TOLERANCE: f64 = 1e-4;

/// Steps a candidate layout is given: most have settled by then.
const QUICK_STEPS: usize = 60;
/// When a candidate has settled: the next step would change strain by less than this. Its 95th percentile
/// is then within 0.03 % strain of the exact one, and is compared to 0.1 %.
const QUICK_TOLERANCE: f64 = 2e-3;

/// Lays a panel flat with least strain for its material.
///
/// Millimetres; the outside faces the reader; turned as the conformal map is: see
/// [`super::orient::front_up`].
///
/// # Errors
/// [`FlatError`] when the panel is no connected surface with a boundary, or its equations can't be
/// solved. A map that did not converge or lies on itself is no error: see [`FlatMap::report`].
pub fn lay(panel: &Panel, material: &Material) -> Result<(FlatMap, StrainField), FlatError> {
    lay_with(panel, &LeastStrainOptions::for_panel(panel, material))
}

/// Lays the panels of a base flat, in their order, so that the two sides of each seam come out of one length.
///
/// Each panel is laid for itself. Its map strains a seam otherwise than the other panel's, and what sewing
/// would even out by moving the seam's ends would be missing at the perimeter. So every edge of a seam
/// is given the mean of its two lengths, and the panels go on from where they lie.
///
/// # Errors
/// As [`lay`].
pub fn lay_together(
    panels: &[Panel],
    material: &Material,
) -> Result<Vec<(FlatMap, StrainField)>, FlatError> {
    let mut laid: Vec<(FlatMap, StrainField)> = panels
        .par_iter()
        .map(|panel| lay(panel, material))
        .collect::<Result<_, _>>()?;
    for _ in 0..AGREEMENTS {
        let lines = panels.iter().zip(&laid);
        let agreed = Agreed::between(lines.map(|(panel, (map, _))| (panel, &map.uv[..])));
        if agreed.lengths.is_empty() {
            break;
        }
        laid = panels
            .par_iter()
            .zip(laid)
            .map(|(panel, laid)| agreed.hold(panel, material, laid))
            .collect::<Result<_, _>>()?;
    }
    Ok(laid)
}

/// Lays the panels of a base on, so that tapes over them come within 0.9 % of their length on the head, as nearly as
/// the cloth allows: a step is taken back for which its limit or the finished edges' length would no longer be
/// kept, or the two sides of a seam would come apart. Where the limit is passed already they stay as they are.
///
/// `tapes` are lines on the head.
///
/// # Errors
/// As [`lay`].
pub fn along_tapes(
    panels: &[Panel],
    laid: Vec<(FlatMap, StrainField)>,
    material: &Material,
    tapes: &[Vec<Point3>],
) -> Result<Vec<(FlatMap, StrainField)>, FlatError> {
    let lines = panels.iter().zip(&laid);
    let agreed = Agreed::between(lines.map(|(panel, (map, _))| (panel, &map.uv[..])));
    if p95(&laid, material) > material.limit {
        return Ok(laid);
    }
    let held = (!agreed.lengths.is_empty()).then_some(&agreed);
    let off = |pieces: &[tapes::Piece], laid: &[(FlatMap, StrainField)]| {
        let maps: Vec<&FlatMap> = laid.iter().map(|(map, _)| map).collect();
        let errors = tapes::errors(pieces, &maps, tapes.len());
        errors.into_iter().map(f64::abs).fold(0.0, f64::max)
    };
    let maps: Vec<&FlatMap> = laid.iter().map(|(map, _)| map).collect();
    let pieces = tapes::pieces(panels, &maps, tapes);
    let edge = |laid: &[(FlatMap, StrainField)]| {
        let maps = laid.iter().map(|(map, _)| &map.uv[..]);
        finished_length(panels.iter().zip(maps)).error.abs()
    };
    let most_edge = edge(&laid).max(FINISHED_EDGE_MOST);
    let parted = |laid: &[(FlatMap, StrainField)]| {
        let lines = panels.iter().zip(laid);
        Agreed::between(lines.map(|(panel, (map, _))| (panel, &map.uv[..]))).parted
    };
    let most_parted = agreed.parted + PARTED_MORE;
    let mut best = laid;
    for weight in TAPE_WEIGHTS {
        if off(&pieces, &best) <= TAPE_WITHIN {
            break;
        }
        let anew: Vec<(FlatMap, StrainField)> = panels
            .par_iter()
            .enumerate()
            .zip(&best)
            .map(|((k, panel), (map, _))| {
                let own = pieces.iter().filter(|piece| piece.panel == k);
                let weighted = |piece: &tapes::Piece| KeptLine {
                    weight: weight * piece.line.weight,
                    ..piece.line.clone()
                };
                let options = LeastStrainOptions {
                    lines: own.map(weighted).collect(),
                    ..LeastStrainOptions::with_seams(panel, material, held)
                };
                go_on(panel, &options, map)
            })
            .collect::<Result<_, _>>()?;
        let whole = |(map, _): &(FlatMap, StrainField)| {
            map.report.flipped == 0 && map.report.overlaps == 0 && map.report.converged
        };
        let within = p95(&anew, material) <= material.limit
            && edge(&anew) <= most_edge
            && parted(&anew) <= most_parted;
        if !(anew.iter().all(whole) && within) {
            break;
        }
        best = anew;
    }
    Ok(best)
}

fn p95(laid: &[(FlatMap, StrainField)], material: &Material) -> f64 {
    let fields: Vec<StrainField> = laid.iter().map(|(_, field)| field.clone()).collect();
    StrainField::joined(&fields).summary(material.limit).p95
}

/// Takes a panel's map on to where another energy is least.
fn go_on(
    panel: &Panel,
    options: &LeastStrainOptions,
    from: &FlatMap,
) -> Result<(FlatMap, StrainField), FlatError> {
    let limits = Limits {
        steps: options.most_steps,
        tolerance: options.tolerance,
    };
    let mut map = Descent::new(&panel.mesh, options)?
        .curved()
        .run(&from.uv, &limits);
    map.report.steps += from.report.steps;
    let field = StrainField::new(&panel.mesh, &map.uv);
    Ok((map, field))
}

/// What the two sides of the seams between panels have in common.
struct Agreed {
    /// Mean length of each edge that joins two panels, mm, by the edge of the base it comes from.
    lengths: BTreeMap<Edge, f64>,
    /// Differences between the two sides of an edge, summed, as a part of all their length.
    parted: f64,
}

impl Agreed {
    fn between<'a>(laid: impl Iterator<Item = (&'a Panel, &'a [Point2])>) -> Self {
        let mut sides: BTreeMap<Edge, Vec<f64>> = BTreeMap::new();
        for (panel, uv) in laid {
            for (a, b) in sewn_edges(panel).1 {
                let length = (uv[b as usize] - uv[a as usize]).norm();
                sides.entry(origin(panel, (a, b))).or_default().push(length);
            }
        }
        let mean = |lengths: &Vec<f64>| lengths.iter().sum::<f64>() / lengths.len() as f64;
        let lengths: BTreeMap<Edge, f64> = sides.iter().map(|(edge, l)| (*edge, mean(l))).collect();
        let apart = |lengths: &Vec<f64>| match lengths[..] {
            [a, b] => (a - b).abs(),
            _ => 0.0,
        };
        let whole: f64 = lengths.values().sum();
        let parted = sides.values().map(apart).sum::<f64>() / whole.max(f64::MIN_POSITIVE);
        Self { lengths, parted }
    }

    /// Lays a panel on with its seams held to the lengths agreed on; a panel that comes to lie on itself
    /// for it stays as it was.
    fn hold(
        &self,
        panel: &Panel,
        material: &Material,
        laid: (FlatMap, StrainField),
    ) -> Result<(FlatMap, StrainField), FlatError> {
        if sewn_edges(panel).1.is_empty() {
            return Ok(laid);
        }
        let options = LeastStrainOptions::with_seams(panel, material, Some(self));
        let anew = go_on(panel, &options, &laid.0)?;
        let sound = anew.0.report.flipped == 0 && anew.0.report.overlaps == 0;
        Ok(if sound { anew } else { laid })
    }
}

/// An edge of a panel as the base knows it.
fn origin(panel: &Panel, (a, b): Edge) -> Edge {
    let (i, j) = (panel.origin[a as usize], panel.origin[b as usize]);
    (i.min(j), i.max(j))
}

/// As [`lay`], but stops as soon as the figures that a comparison of layouts needs have settled, and without
/// `rescue` gives a map up that lies on itself.
///
/// # Errors
/// As [`lay`].
pub fn lay_quickly(
    panel: &Panel,
    material: &Material,
    rescue: bool,
) -> Result<(FlatMap, StrainField), FlatError> {
    let options = LeastStrainOptions {
        rescue,
        most_steps: QUICK_STEPS,
        tolerance: QUICK_TOLERANCE,
        ..LeastStrainOptions::for_panel(panel, material)
    };
    lay_with(panel, &options)
}

fn lay_with(
    panel: &Panel,
    options: &LeastStrainOptions,
) -> Result<(FlatMap, StrainField), FlatError> {
    let start = start(&panel.mesh)?;
    let map = least_strain(&panel.mesh, start, options)?;
    let field = StrainField::new(&panel.mesh, &map.uv);
    Ok((map, field))
}

/// The conformal map that keeps the boundary's lengths, as the finished edges ask; where there is no
/// such map, the one of least energy.
fn start(mesh: &TriMesh) -> Result<FlatMap, FlatError> {
    let options = |method| ConformalOptions {
        method,
        ..ConformalOptions::default()
    };
    match flatten_patch(mesh, &options(Method::BoundaryFirst)) {
        Err(FlatError::NotADisk { .. }) => flatten_patch(mesh, &options(Method::PinFree)),
        map => map,
    }
}

impl LeastStrainOptions {
    /// The energy of a panel's material with its finished and sewn edges kept.
    #[must_use]
    pub fn for_panel(panel: &Panel, material: &Material) -> Self {
        Self::with_seams(panel, material, None)
    }

    /// The same with seams to other panels kept at the lengths agreed on, or else at the head's.
    fn with_seams(panel: &Panel, material: &Material, agreed: Option<&Agreed>) -> Self {
        let cloth = Cloth {
            stiffening: (material.limit > 0.0).then_some(STIFFENS_AT * material.limit),
            ..Cloth::new(material.tension, material.crowding)
        };
        let (pairs, single) = sewn_edges(panel);
        let length = |agreed: &Agreed, edge: &Edge| agreed.lengths[&origin(panel, *edge)];
        let lengths = agreed.map(|agreed| single.iter().map(|e| length(agreed, e)).collect());
        Self {
            energy: Energy::Cloth(cloth),
            kept: vec![
                KeptEdges {
                    edges: finished_edges(panel),
                    lengths: None,
                    weight: FINISHED_EDGE_WEIGHT,
                    within: Some(FINISHED_EDGE_WITHIN),
                },
                KeptEdges {
                    edges: single,
                    lengths,
                    weight: agreed.map_or(SEAM_WEIGHT, |_| AGREED_WEIGHT),
                    within: None,
                },
            ],
            matched: MatchedEdges {
                pairs,
                weight: LEG_WEIGHT,
            },
            tolerance: PANEL_TOLERANCE,
            ..Self::default()
        }
    }
}

/// An edge of the panel.
type Edge = (u32, u32);

/// Sewn edges of a panel: pairs of one origin, and those whose partner is on another panel; in the order in
/// which they lie along the edge.
fn sewn_edges(panel: &Panel) -> (Vec<[Edge; 2]>, Vec<Edge>) {
    let sewn = |kind| matches!(kind, EdgeKind::Dart(..) | EdgeKind::Seam(..));
    let edges = edges_of(panel, sewn);
    let mut sides: BTreeMap<Edge, Vec<Edge>> = BTreeMap::new();
    for &edge in &edges {
        sides.entry(origin(panel, edge)).or_default().push(edge);
    }
    let (mut pairs, mut single) = (Vec::new(), Vec::new());
    for edge in edges {
        match sides[&origin(panel, edge)][..] {
            [first, second] if first == edge => pairs.push([first, second]),
            [_, _] => {}
            _ => single.push(edge),
        }
    }
    (pairs, single)
}

/// Edges of a panel that are finished edges of the base: perimeter and openings.
#[must_use]
pub fn finished_edges(panel: &Panel) -> Vec<(u32, u32)> {
    edges_of(panel, |kind| {
        matches!(kind, EdgeKind::Perimeter(_) | EdgeKind::Opening(_))
    })
}

/// Length of the finished edges of panels as they are laid, flat against head.
pub fn finished_length<'a>(
    laid: impl IntoIterator<Item = (&'a Panel, &'a [Point2])>,
) -> LengthSummary {
    let (panels, maps): (Vec<_>, Vec<_>) = laid.into_iter().unzip();
    let edges: Vec<_> = panels.iter().map(|panel| finished_edges(panel)).collect();
    let lines = panels.iter().zip(maps).zip(&edges);
    LengthSummary::joined(lines.map(|((panel, uv), edges)| (&panel.mesh, uv, &edges[..])))
}

/// Boundary edges of a panel of certain kinds, in order round its loops, the surface on their left.
#[must_use]
pub fn edges_of(panel: &Panel, wanted: impl Fn(EdgeKind) -> bool) -> Vec<(u32, u32)> {
    let mut edges = Vec::new();
    for ring in &panel.loops {
        let count = ring.vertices.len();
        for (k, &kind) in ring.kinds.iter().enumerate() {
            if wanted(kind) {
                edges.push((ring.vertices[k], ring.vertices[(k + 1) % count]));
            }
        }
    }
    edges
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        Point3,
        dart::{EdgeLoop, Side},
        mesh::index,
        patch::Zone,
    };

    /// A cap of 60° with one cut from its edge to its top: a fan of rings over 0..2π whose first and
    /// last spokes are the two legs.
    fn cut_cap() -> Panel {
        let (rings, spokes) = (24_u32, 96_u32);
        let mut positions = vec![Point3::new(0.0, 0.0, 90.0)];
        let mut origin = vec![0];
        let at = |ring: u32, spoke: u32| 1 + (ring - 1) * (spokes + 1) + spoke;
        for ring in 1..=rings {
            let (sin, cos) = (std::f64::consts::FRAC_PI_3 * f64::from(ring) / 24.0).sin_cos();
            for spoke in 0..=spokes {
                let turn = std::f64::consts::TAU * f64::from(spoke % spokes) / f64::from(spokes);
                let (s, c) = turn.sin_cos();
                // A lopsided head, so that the legs have a reason to differ.
                let swell = 90.0 * (1.0 + 0.08 * sin * (turn - 0.7).cos());
                positions.push(Point3::new(swell * sin * c, swell * sin * s, swell * cos));
                origin.push(at(ring, spoke % spokes));
            }
        }
        let mut faces = Vec::new();
        for spoke in 0..spokes {
            faces.push([0, at(1, spoke), at(1, spoke + 1)]);
            for ring in 1..rings {
                let [a, b] = [at(ring, spoke), at(ring, spoke + 1)];
                let [c, d] = [at(ring + 1, spoke), at(ring + 1, spoke + 1)];
                faces.extend([[a, c, d], [a, d, b]]);
            }
        }
        let (mut vertices, mut kinds) = (Vec::new(), Vec::new());
        for ring in 0..rings {
            vertices.push(if ring == 0 { 0 } else { at(ring, 0) });
            kinds.push(EdgeKind::Dart(0, Side::Left));
        }
        for spoke in 0..spokes {
            vertices.push(at(rings, spoke));
            kinds.push(EdgeKind::Perimeter(Zone::Nape));
        }
        for ring in (1..=rings).rev() {
            vertices.push(at(ring, spokes));
            kinds.push(EdgeKind::Dart(0, Side::Right));
        }
        let mesh = TriMesh::new(positions, faces).unwrap();
        assert_eq!(mesh.vertex_count(), index(origin.len()) as usize);
        Panel {
            mesh,
            origin,
            loops: vec![EdgeLoop { vertices, kinds }],
        }
    }

    #[test]
    fn a_panel_keeps_its_perimeter_and_its_legs_agree() {
        let panel = cut_cap();
        let material = Material {
            name: "test".into(),
            limit: 0.1,
            tension: 1.0,
            crowding: 2.0,
        };
        let (map, field) = lay(&panel, &material).unwrap();
        assert!(map.report.converged, "{:?}", map.report);
        assert_eq!((map.report.flipped, map.report.overlaps), (0, 0));
        let along = |wanted: fn(EdgeKind) -> bool| {
            LengthSummary::new(&panel.mesh, &map.uv, &edges_of(&panel, wanted))
        };
        let perimeter = along(|kind| matches!(kind, EdgeKind::Perimeter(_)));
        assert!(perimeter.error.abs() < 0.005, "{perimeter:?}");
        let left = along(|kind| kind == EdgeKind::Dart(0, Side::Left));
        let right = along(|kind| kind == EdgeKind::Dart(0, Side::Right));
        assert!((left.head_mm - right.head_mm).abs() < 1e-9);
        assert!((left.flat_mm - right.flat_mm).abs() < 0.3);
        assert!(field.summary(material.limit).p95 < material.limit);
    }

    #[test]
    fn a_tape_keeps_its_length_where_the_cloth_has_room_for_it() {
        let panels = [cut_cap()];
        let material = |limit| Material {
            name: "test".into(),
            limit,
            tension: 1.0,
            crowding: 1.0,
        };
        // Over the top, square to the cut.
        let tape: Vec<Point3> = (-100..=100)
            .map(|k| {
                let (sin, cos) = (1.02 * f64::from(k) / 100.0).sin_cos();
                Point3::new(0.0, 90.0 * sin, 90.0 * cos)
            })
            .collect();
        let tapes = [tape];
        let off = |laid: &[(FlatMap, StrainField)]| {
            let maps: Vec<&FlatMap> = laid.iter().map(|(map, _)| map).collect();
            let pieces = tapes::pieces(&panels, &maps, &tapes);
            tapes::errors(&pieces, &maps, 1)[0].abs()
        };
        let roomy = material(0.4);
        let before = lay_together(&panels, &roomy).unwrap();
        assert!(off(&before) > 1.2 * TAPE_WITHIN, "{}", off(&before));
        let after = along_tapes(&panels, before.clone(), &roomy, &tapes).unwrap();
        assert!(off(&after) <= TAPE_WITHIN, "{}", off(&after));
        let length = |laid: &[(FlatMap, StrainField)]| {
            finished_length(panels.iter().zip(laid.iter().map(|l| &l.0.uv[..])))
        };
        assert!(length(&after).error.abs() < 0.005);
        // A cloth whose limit is already passed is left as it lies.
        let tight = material(0.5 * p95(&before, &roomy));
        let before = lay_together(&panels, &tight).unwrap();
        let after = along_tapes(&panels, before.clone(), &tight, &tapes).unwrap();
        assert_eq!(after[0].0.uv, before[0].0.uv);
    }

    #[test]
    fn a_tape_along_a_dart_lies_on_both_legs() {
        let panels = [cut_cap()];
        let material = Material {
            name: "test".into(),
            limit: 0.4,
            tension: 1.0,
            crowding: 1.0,
        };
        // From the mouth along the cut and on over the top.
        let tape: Vec<Point3> = (-100..=100)
            .map(|k| {
                let (sin, cos) = (-1.02 * f64::from(k) / 100.0).sin_cos();
                let swell = 90.0 * (1.0 + 0.08 * sin * 0.7_f64.cos());
                Point3::new(swell * sin, 0.0, swell * cos)
            })
            .collect();
        let head: f64 = tape.windows(2).map(|w| (w[1] - w[0]).norm()).sum();
        let laid = lay_together(&panels, &material).unwrap();
        let maps: Vec<&FlatMap> = laid.iter().map(|(map, _)| map).collect();
        let pieces = tapes::pieces(&panels, &maps, std::slice::from_ref(&tape));
        let weights: f64 = pieces.iter().map(|piece| piece.line.weight).sum();
        assert!((weights - 1.0).abs() < 1e-12);
        // Half of the tape lies on the cut: two lines for it.
        let length = |pieces: &[tapes::Piece]| -> f64 {
            pieces.iter().map(|piece| piece.line.length_mm).sum()
        };
        let along = LengthSummary::new(
            &panels[0].mesh,
            &maps[0].uv,
            &edges_of(&panels[0], |kind| kind == EdgeKind::Dart(0, Side::Left)),
        );
        let whole = length(&pieces);
        assert!(
            (whole - head - along.head_mm).abs() < 8.0,
            "{whole} {head} {along:?}"
        );
        // One leg pulled out by 4 mm in 100 lengthens the tape by half of that.
        let before = tapes::errors(&pieces, &maps, 1)[0];
        let right: std::collections::BTreeSet<u32> =
            edges_of(&panels[0], |kind| kind == EdgeKind::Dart(0, Side::Right))
                .into_iter()
                .map(|edge| edge.0)
                .collect();
        let mut pulled = maps[0].clone();
        let point = pulled.uv[0];
        for &v in &right {
            let at = &mut pulled.uv[v as usize];
            *at = point + (*at - point) * 1.04;
        }
        let grown = tapes::errors(&pieces, &[&pulled], 1)[0] - before;
        let share = along.head_mm / head;
        assert!(
            (grown - 0.5 * 0.04 * share).abs() < 0.002,
            "{grown} {share}"
        );
    }
}
