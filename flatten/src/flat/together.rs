//! Lays the panels of a base flat so that they fit one another and the tapes over them.
//!
//! In: panels, what they are made of, tapes on the head. Out: a map of each, its strain, and evidence.
//!
//! A panel that is laid by itself strains a seam otherwise than the panel beside it, and what sewing would even out
//! by moving the seam's ends would be missing at the perimeter. So all go on as one surface of several parts, where
//! the two sides of a seam are to be of one length as the legs of a dart are. What length that is, and which
//! panel gives way for it, is then part of what costs the base least.

use std::borrow::Cow;

use rayon::prelude::*;

use crate::{
    Point3, Vector2,
    dart::{EdgeLoop, Panel},
    job::Material,
    mesh::{TriMesh, index},
};

use super::{
    Descent, FlatError, FlatMap, FlatReport, LeastStrainOptions, Limits, StrainField,
    finished_length, lay, tapes,
};

/// A panel's map and its strain.
type Laid = (FlatMap, StrainField);

/// First and greatest weight on tapes over the base keeping their length; doubled where it was too little.
const TAPE_WEIGHTS: [f64; 2] = [8.0, 128.0];
/// How far off its length on the head a tape may be, with a little to spare of the hundredth that a maker is told.
pub const TAPE_WITHIN: f64 = 0.009;
/// Error of the finished edges that tapes may cost: a little less than is allowed.
const FINISHED_EDGE_MOST: f64 = 0.0045;
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
    Ok(if sound(&together.report) {
        base.parts(together)
    } else {
        laid
    })
}

/// Lays the panels of a base on, so that tapes over them come within 0.9 % of their length on the head, as nearly as
/// the cloth allows: a step is taken back for which its limit or the finished edges' length would no longer be
/// kept. Where the limit is passed already they stay as they are. Told with them is how far off its length the worst
/// tape then is, as a part of it.
///
/// `tapes` are lines on the head.
///
/// # Errors
/// As [`lay`].
pub fn along_tapes(
    panels: &[Panel],
    laid: Vec<Laid>,
    material: &Material,
    tapes: &[Vec<Point3>],
) -> Result<(Vec<Laid>, f64), FlatError> {
    let base = Base::new(panels);
    let first = base.apart(&laid);
    let pieces = tapes::pieces(&base.whole, &first.uv, tapes);
    let off = |map: &FlatMap| {
        let errors = tapes::errors(&pieces, &map.uv, tapes.len());
        errors.into_iter().map(f64::abs).fold(0.0, f64::max)
    };
    if base.p95(&first, material) > material.limit {
        return Ok((laid, off(&first)));
    }
    let plain = LeastStrainOptions::for_panel(&base.whole, material);
    let edge = |map: &FlatMap| finished_length([(&*base.whole, &map.uv[..])]).error.abs();
    let most_edge = edge(&first).max(FINISHED_EDGE_MOST);
    let [mut weight, greatest] = TAPE_WEIGHTS;
    let (mut best, mut too_much) = (None, false);
    while weight <= greatest {
        let last = best.as_ref().unwrap_or(&first);
        if off(last) <= TAPE_WITHIN {
            break;
        }
        let kept = |piece: &tapes::Piece| piece.kept(&last.uv, weight);
        let options = LeastStrainOptions {
            lines: pieces.iter().map(kept).collect(),
            ..plain.clone()
        };
        let anew = base.go_on(&options, last)?;
        let within = base.p95(&anew, material) <= material.limit && edge(&anew) <= most_edge;
        let gained = sound(&anew.report) && anew.report.converged && within;
        if gained {
            best = Some(anew);
        }
        // Half way back once, where the cloth had no room for the whole step.
        weight *= match (gained, too_much) {
            (true, false) => 2.0,
            (false, false) => std::f64::consts::FRAC_1_SQRT_2,
            (_, true) => break,
        };
        too_much = !gained;
    }
    let off = off(best.as_ref().unwrap_or(&first));
    Ok((best.map_or(laid, |map| base.parts(map)), off))
}

fn sound(report: &FlatReport) -> bool {
    report.flipped == 0 && report.overlaps == 0
}

/// All panels as one surface of several parts.
struct Base<'a> {
    panels: &'a [Panel],
    whole: Cow<'a, Panel>,
}

impl<'a> Base<'a> {
    fn new(panels: &'a [Panel]) -> Self {
        let whole = match panels {
            [one] => Cow::Borrowed(one),
            _ => Cow::Owned(joined(panels)),
        };
        Self { panels, whole }
    }

    /// The panels' maps beside one another, so that none lies on the next.
    fn apart(&self, laid: &[Laid]) -> FlatMap {
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
        }
        FlatMap { uv, report }
    }

    /// Takes a map of the whole on to where an energy is least.
    fn go_on(&self, options: &LeastStrainOptions, from: &FlatMap) -> Result<FlatMap, FlatError> {
        let limits = Limits {
            steps: options.most_steps,
            tolerance: options.tolerance,
        };
        let mut map = Descent::new(&self.whole.mesh, options)?
            .curved()
            .run(&from.uv, &limits);
        map.report.steps += from.report.steps;
        Ok(map)
    }

    /// Each panel's part of a sound map of the whole.
    fn parts(&self, map: FlatMap) -> Vec<Laid> {
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

    fn p95(&self, map: &FlatMap, material: &Material) -> f64 {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        dart::{EdgeKind, Side},
        flat::{LengthSummary, edges_of, lay::tests::cut_cap},
    };

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
        let off = |laid: &[Laid]| {
            let uv = &laid[0].0.uv;
            let pieces = tapes::pieces(&panels[0], uv, &tapes);
            tapes::errors(&pieces, uv, 1)[0].abs()
        };
        let roomy = material(0.4);
        let before = lay_together(&panels, &roomy).unwrap();
        assert!(off(&before) > 1.2 * TAPE_WITHIN, "{}", off(&before));
        let (after, _) = along_tapes(&panels, before.clone(), &roomy, &tapes).unwrap();
        assert!(off(&after) <= TAPE_WITHIN, "{}", off(&after));
        let finished = finished_length([(&panels[0], &after[0].0.uv[..])]);
        assert!(finished.error.abs() < 0.005);
        // A cloth whose limit is already passed is left as it lies.
        let tight = material(0.5 * before[0].1.summary(roomy.limit).p95);
        let before = lay_together(&panels, &tight).unwrap();
        let (after, _) = along_tapes(&panels, before.clone(), &tight, &tapes).unwrap();
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
        let uv = &laid[0].0.uv;
        let pieces = tapes::pieces(&panels[0], uv, std::slice::from_ref(&tape));
        let weights: f64 = pieces.iter().map(|piece| piece.part).sum();
        assert!((weights - 1.0).abs() < 1e-12);
        // One line by each leg and on over the top.
        assert_eq!(pieces.len(), 2);
        for piece in &pieces {
            assert!((piece.head_mm - head).abs() < 4.0, "{}", piece.head_mm);
        }
        let along = LengthSummary::new(
            &panels[0].mesh,
            uv,
            &edges_of(&panels[0], |kind| kind == EdgeKind::Dart(0, Side::Left)),
        );
        // One leg pulled out by 4 mm in 100 lengthens the tape by half of that.
        let before = tapes::errors(&pieces, uv, 1)[0];
        let right: std::collections::BTreeSet<u32> =
            edges_of(&panels[0], |kind| kind == EdgeKind::Dart(0, Side::Right))
                .into_iter()
                .map(|edge| edge.0)
                .collect();
        let mut pulled = uv.clone();
        let point = pulled[0];
        for &v in &right {
            let at = &mut pulled[v as usize];
            *at = point + (*at - point) * 1.04;
        }
        let grown = tapes::errors(&pieces, &pulled, 1)[0] - before;
        let share = along.head_mm / head;
        assert!(
            (grown - 0.5 * 0.04 * share).abs() < 0.002,
            "{grown} {share}"
        );
    }
}
