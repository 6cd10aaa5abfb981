//! Lays a panel of the base flat for its material.
//!
//! In: a panel and what it is made of. Out: the map of least strain, its strain, and evidence.
//! Conformal map, then descent; a panel of any number of openings.

use crate::{
    dart::{EdgeKind, Panel},
    job::Material,
};

use super::{
    Cloth, Energy, FlatError, FlatMap, KeptEdges, LeastStrainOptions, MatchedEdges, StrainField,
    conformal::{ConformalOptions, flatten_patch},
    least_strain,
};

/// Weight on the length of finished edges: perimeter and openings.
pub const FINISHED_EDGE_WEIGHT: f64 = 2.0;
/// Weight on the two legs of a dart being equal.
pub const LEG_WEIGHT: f64 = 1.0;
/// Weight on the length of a seam's side whose partner is on another panel: keeping the head's
/// length on both is the only way for two panels that are laid by themselves to agree.
pub const SEAM_WEIGHT: f64 = 0.5;

/// Lays a panel flat with least strain for its material.
///
/// Millimetres; the outside faces the reader; turned as the conformal map is: see
/// [`super::orient::front_up`].
///
/// # Errors
/// [`FlatError`] when the panel is no connected surface with a boundary, or its equations can't be
/// solved. A map that did not converge or lies on itself is no error: see [`FlatMap::report`].
pub fn lay(panel: &Panel, material: &Material) -> Result<(FlatMap, StrainField), FlatError> {
    let start = flatten_patch(&panel.mesh, &ConformalOptions::default())?;
    let options = LeastStrainOptions::for_panel(panel, material);
    let map = least_strain(&panel.mesh, start, &options)?;
    let field = StrainField::new(&panel.mesh, &map.uv);
    Ok((map, field))
}

impl LeastStrainOptions {
    /// The energy of a panel's material with its finished and sewn edges kept.
    #[must_use]
    pub fn for_panel(panel: &Panel, material: &Material) -> Self {
        let cloth = Cloth {
            stiffening: (material.limit > 0.0).then_some(material.limit),
            ..Cloth::new(material.tension, material.crowding)
        };
        let finished =
            |kind: EdgeKind| matches!(kind, EdgeKind::Perimeter(_) | EdgeKind::Opening(_));
        let (pairs, single) = sewn_edges(panel);
        Self {
            energy: Energy::Cloth(cloth),
            kept: vec![
                KeptEdges {
                    edges: edges_of(panel, finished),
                    weight: FINISHED_EDGE_WEIGHT,
                },
                KeptEdges {
                    edges: single,
                    weight: SEAM_WEIGHT,
                },
            ],
            matched: MatchedEdges {
                pairs,
                weight: LEG_WEIGHT,
            },
            ..Self::default()
        }
    }
}

/// An edge of the panel.
type Edge = (u32, u32);

/// Sewn edges of a panel: pairs of one origin, and those whose partner is on another panel.
fn sewn_edges(panel: &Panel) -> (Vec<[Edge; 2]>, Vec<Edge>) {
    let sewn = |kind| matches!(kind, EdgeKind::Dart(..) | EdgeKind::Seam(..));
    let origin = |v: u32| panel.origin[v as usize];
    let mut edges: Vec<((u32, u32), Edge)> = edges_of(panel, sewn)
        .into_iter()
        .map(|(a, b)| {
            let (i, j) = (origin(a), origin(b));
            ((i.min(j), i.max(j)), (a, b))
        })
        .collect();
    edges.sort_unstable();
    let (mut pairs, mut single) = (Vec::new(), Vec::new());
    for same in edges.chunk_by(|a, b| a.0 == b.0) {
        match same {
            [(_, first), (_, second)] => pairs.push([*first, *second]),
            _ => single.extend(same.iter().map(|e| e.1)),
        }
    }
    (pairs, single)
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
