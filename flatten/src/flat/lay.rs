//! Lays a panel of the base flat for its material.
//!
//! In: a panel and what it is made of. Out: the map of least strain, its strain, and evidence.
//! Conformal map, then descent; a panel of any number of openings.

use std::collections::BTreeMap;

use crate::{
    Point2,
    dart::{EdgeKind, Panel},
    job::Material,
    mesh::TriMesh,
};

use super::{
    Cloth, Energy, FlatError, FlatMap, KeptEdges, LeastStrainOptions, LengthSummary, MatchedEdges,
    StrainField,
    conformal::{Method, flatten_patch},
    least_strain,
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
/// Weight on the two sides of a seam being equal: without folds to hide it, cloth shows more than a dart does.
const SIDES_WEIGHT: f64 = 200.0;

/// When a panel is laid: the next step would change strain by less than this, a hundredth of a per cent.
const PANEL_TOLERANCE: f64 = 1e-4;

/// Steps a candidate layout is given: most have settled by then.
const QUICK_STEPS: usize = 60;
/// When a candidate has settled: its last step changes strain by less than this. Its 95th percentile is then
/// within 0.03 % strain of the exact one (`benches/candidate`), and is compared to 0.1 %.
const QUICK_TOLERANCE: f64 = 5e-3;

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
    lay_from(start(&panel.mesh)?, panel, options)
}

/// As [`lay`], from a conformal map that is at hand.
pub(super) fn lay_from(
    start: FlatMap,
    panel: &Panel,
    options: &LeastStrainOptions,
) -> Result<(FlatMap, StrainField), FlatError> {
    let map = least_strain(&panel.mesh, start, options)?;
    let field = StrainField::new(&panel.mesh, &map.uv);
    Ok((map, field))
}

/// The conformal map that keeps the boundary's lengths, as the finished edges ask; where there is no
/// such map, the one of least energy.
pub(super) fn start(mesh: &TriMesh) -> Result<FlatMap, FlatError> {
    match flatten_patch(mesh, &Method::BoundaryFirst.into()) {
        Err(FlatError::NotADisk { .. }) => flatten_patch(mesh, &Method::PinFree.into()),
        map => map,
    }
}

impl LeastStrainOptions {
    /// The energy of a panel's material with its finished and sewn edges kept; seams to other panels at the
    /// head's lengths.
    #[must_use]
    pub fn for_panel(panel: &Panel, material: &Material) -> Self {
        let cloth = Cloth {
            stiffening: (material.limit > 0.0).then_some(STIFFENS_AT * material.limit),
            ..Cloth::new(material.tension, material.crowding)
        };
        let legs = sewn_edges(panel, |kind| matches!(kind, EdgeKind::Dart(..)));
        let sides = sewn_edges(panel, |kind| matches!(kind, EdgeKind::Seam(..)));
        Self {
            energy: Energy::Cloth(cloth),
            kept: vec![
                KeptEdges {
                    edges: finished_edges(panel),
                    weight: FINISHED_EDGE_WEIGHT,
                    within: Some(FINISHED_EDGE_WITHIN),
                },
                KeptEdges {
                    edges: sides.single,
                    weight: SEAM_WEIGHT,
                    within: None,
                },
            ],
            matched: vec![
                MatchedEdges {
                    pairs: legs.pairs,
                    weight: LEG_WEIGHT,
                },
                MatchedEdges {
                    pairs: sides.pairs,
                    weight: SIDES_WEIGHT,
                },
            ],
            tolerance: PANEL_TOLERANCE,
            ..Self::default()
        }
    }
}

/// An edge of the panel.
type Edge = (u32, u32);

/// Sewn edges of a panel.
struct Sewn {
    /// Both sides of an edge that the cut made two of.
    pairs: Vec<[Edge; 2]>,
    /// Edges whose other side is on another panel.
    single: Vec<Edge>,
}

/// Sewn edges of certain kinds, in the order in which they lie along the panel's edge.
fn sewn_edges(panel: &Panel, wanted: impl Fn(EdgeKind) -> bool) -> Sewn {
    let edges = edges_of(panel, wanted);
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
    Sewn { pairs, single }
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
pub(super) mod tests {
    use super::*;
    use crate::{
        Point3,
        dart::{EdgeLoop, Side},
        mesh::index,
        patch::Zone,
    };

    /// A cap of 60° with one cut from its edge to its top: a fan of rings over 0..2π whose first and
    /// last spokes are the two legs.
    pub(in crate::flat) fn cut_cap() -> Panel {
        cut_cap_of(24)
    }

    /// The same of this many rings.
    pub(in crate::flat) fn cut_cap_of(rings: u32) -> Panel {
        let spokes = 4 * rings;
        let mut positions = vec![Point3::new(0.0, 0.0, 90.0)];
        let mut origin = vec![0];
        let at = |ring: u32, spoke: u32| 1 + (ring - 1) * (spokes + 1) + spoke;
        for ring in 1..=rings {
            let part = f64::from(ring) / f64::from(rings);
            let (sin, cos) = (std::f64::consts::FRAC_PI_3 * part).sin_cos();
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
}
