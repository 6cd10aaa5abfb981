//! Lays the panels of a base flat so that they fit one another.
//!
//! In: panels, what they are made of. Out: a map of each, its strain, and evidence.
//!
//! A panel that is laid by itself strains a seam otherwise than the panel beside it, and what sewing would even out
//! by moving the seam's ends would be missing at the perimeter. So all go on as one surface of several parts, where
//! the two sides of a seam are to be of one length as the legs of a dart are. What length that is, and which
//! panel gives way for it, is then part of what costs the base least.

use std::borrow::Cow;

use rayon::prelude::*;

use crate::{
    Vector2,
    dart::{EdgeLoop, Panel},
    job::Material,
    mesh::{TriMesh, index},
};

use super::{
    Descent, FlatError, FlatMap, FlatReport, LeastStrainOptions, Limits, StrainField, lay,
};

/// A panel's map and its strain.
pub(super) type Laid = (FlatMap, StrainField);

/// Room between two parts in the plane, as a part of their width.
const ROOM: f64 = 0.5;

/// Lays the panels of a base flat, in their order, so that the two sides of each seam come out of one length.
///
/// A base that would come to lie on itself for it stays as its panels are laid by themselves.
///
/// # Errors
/// As [`lay`].
pub fn lay_together(panels: &[Panel], material: &Material) -> Result<Vec<Laid>, FlatError> {
    let laid: Vec<Laid> = panels
        .par_iter()
        .map(|panel| lay(panel, material))
        .collect::<Result<_, _>>()?;
    if panels.len() < 2 {
        return Ok(laid);
    }
    let base = Base::new(panels);
    let options = LeastStrainOptions::for_panel(&base.whole, material);
    let together = base.go_on(&options, &base.apart(&laid))?;
    Ok(if together.report.is_sound() {
        base.parts(together)
    } else {
        laid
    })
}

/// All panels as one surface of several parts.
pub(super) struct Base<'a> {
    pub(super) panels: &'a [Panel],
    pub(super) whole: Cow<'a, Panel>,
}

impl<'a> Base<'a> {
    pub(super) fn new(panels: &'a [Panel]) -> Self {
        let whole = match panels {
            [one] => Cow::Borrowed(one),
            _ => Cow::Owned(joined(panels)),
        };
        Self { panels, whole }
    }

    /// The panels' maps beside one another, so that none lies on the next.
    pub(super) fn apart(&self, laid: &[Laid]) -> FlatMap {
        if let [(map, _)] = laid {
            return map.clone();
        }
        let mut uv = Vec::with_capacity(self.whole.mesh.vertex_count());
        let (mut next, mut report) = (0.0, FlatReport::default());
        for (map, _) in laid {
            let across = map.uv.iter().map(|p| p.x);
            let left = across.clone().fold(f64::INFINITY, f64::min);
            let right = across.fold(f64::NEG_INFINITY, f64::max);
            let shift = Vector2::new(next - left, 0.0);
            uv.extend(map.uv.iter().map(|p| p + shift));
            next += (right - left) * (1.0 + ROOM);
            report.steps = report.steps.max(map.report.steps);
            report.cushioned |= map.report.cushioned;
        }
        FlatMap { uv, report }
    }

    /// Takes a map of the whole on to where an energy is least.
    pub(super) fn go_on(
        &self,
        options: &LeastStrainOptions,
        from: &FlatMap,
    ) -> Result<FlatMap, FlatError> {
        let limits = Limits::of(options);
        let mut map = Descent::new(&self.whole.mesh, options)?.onward(from, &limits);
        map.report.steps += from.report.steps;
        Ok(map)
    }

    /// Each panel's part of a sound map of the whole.
    pub(super) fn parts(&self, map: FlatMap) -> Vec<Laid> {
        let FlatMap { uv, report } = map;
        let mut rest = &uv[..];
        let part = |panel: &Panel| {
            let (uv, others) = rest.split_at(panel.mesh.vertex_count());
            rest = others;
            let map = FlatMap {
                uv: uv.to_vec(),
                report: report.clone(),
            };
            let field = StrainField::new(&panel.mesh, &map.uv);
            (map, field)
        };
        self.panels.iter().map(part).collect()
    }

    pub(super) fn p95(&self, map: &FlatMap, material: &Material) -> f64 {
        let field = StrainField::new(&self.whole.mesh, &map.uv);
        field.summary(material.limit).p95
    }
}

/// Panels as one of several parts, their vertices in order.
fn joined(panels: &[Panel]) -> Panel {
    let (mut positions, mut faces) = (Vec::new(), Vec::new());
    let (mut origin, mut loops) = (Vec::new(), Vec::new());
    for panel in panels {
        let first = index(positions.len());
        positions.extend_from_slice(panel.mesh.positions());
        faces.extend(
            panel
                .mesh
                .faces()
                .iter()
                .map(|face| face.map(|v| first + v)),
        );
        origin.extend_from_slice(&panel.origin);
        loops.extend(panel.loops.iter().map(|ring| EdgeLoop {
            vertices: ring.vertices.iter().map(|v| first + v).collect(),
            kinds: ring.kinds.clone(),
        }));
    }
    Panel {
        mesh: TriMesh::new(positions, faces).expect("surfaces side by side are one"),
        origin,
        loops,
    }
}
