//! Lays a base flat so that the tapes over it keep their length.
//!
//! In: panels, what they are made of, tapes on the head. Out: a map of each, its strain, and how far off the worst
//! tape is.
//!
//! Least strain comes first and tapes after it, with no more weight than they need. On a fine mesh the way there is
//! long and each step dear, so a large panel goes it on its coarse copy ([`super::coarse`]) and is itself laid once,
//! with the weight found there. What came of it is held against the same bounds; where one is not kept, the panel
//! goes the whole way itself.

use crate::{
    Point3,
    dart::{EdgeLoop, Panel},
    job::Material,
    mesh::NONE,
};

use super::{
    FlatError, FlatMap, LeastStrainOptions,
    coarse::Copy,
    finished_length,
    lay::{lay_from, start},
    lay_together, tapes,
    together::{Base, Laid},
};

/// First and greatest weight on tapes over the base keeping their length; doubled where it was too little.
const TAPE_WEIGHTS: [f64; 2] = [8.0, 128.0];
/// How far off its length on the head a tape may be, with a little to spare of the hundredth that a maker is told.
pub const TAPE_WITHIN: f64 = 0.009;
/// When a map that only tells whether they do has settled: a tape's error is then known to 0.02 % of its length.
const QUICK_TOLERANCE: f64 = 1e-3;
/// Error of the finished edges that tapes may cost: a little less than is allowed.
const FINISHED_EDGE_MOST: f64 = 0.0045;

/// Lays the panels of a base flat, in their order, so that seams come out of one length on both sides and tapes over
/// the base within 0.9 % of their length on the head, as nearly as the cloth allows: a step is taken back for which
/// its limit or the finished edges' length would no longer be kept. Where least strain alone passes the limit, it is
/// left at that. Told with the maps is how far off its length the worst tape then is, as a part of it.
///
/// `tapes` are lines on the head.
///
/// # Errors
/// As [`super::lay`].
pub fn lay_along(
    panels: &[Panel],
    material: &Material,
    tapes: &[Vec<Point3>],
) -> Result<(Vec<Laid>, f64), FlatError> {
    let base = Base::new(panels);
    let options = LeastStrainOptions::for_panel(&base.whole, material);
    laid_along(&base, None, options, material, tapes)
}

/// As [`lay_along`], only as far as is needed to tell whether tapes keep their length; of a single panel, from a map of it
/// that is near the one of least strain, where there is one.
///
/// # Errors
/// As [`lay_along`].
pub(crate) fn lay_along_quickly(
    near: Option<FlatMap>,
    panels: &[Panel],
    material: &Material,
    tapes: &[Vec<Point3>],
) -> Result<(Vec<Laid>, f64), FlatError> {
    let base = Base::new(panels);
    let options = LeastStrainOptions {
        tolerance: QUICK_TOLERANCE,
        ..LeastStrainOptions::for_panel(&base.whole, material)
    };
    laid_along(&base, near, options, material, tapes)
}

fn laid_along(
    base: &Base<'_>,
    near: Option<FlatMap>,
    options: LeastStrainOptions,
    material: &Material,
    tapes: &[Vec<Point3>],
) -> Result<(Vec<Laid>, f64), FlatError> {
    let panels = base.panels;
    let laid = if let ([panel], Some(near)) = (panels, near) {
        vec![lay_from(near, panel, &options)?]
    } else if let [panel] = panels {
        let conformal = start(&panel.mesh)?;
        if !tapes.is_empty()
            && let Some(map) = from_copy(base, &conformal, &options, material, tapes)?
        {
            return Ok(map);
        }
        vec![lay_from(conformal, panel, &options)?]
    } else {
        lay_together(panels, material)?
    };
    let first = base.apart(&laid);
    let way = Way::new(base, &first, options, material, tapes);
    if base.p95(&first, material) > material.limit {
        return Ok((laid, way.off(&first)));
    }
    let (best, _) = way.go(None, TAPE_WEIGHTS[0])?;
    let off = way.off(best.as_ref().unwrap_or(&first));
    Ok((best.map_or(laid, |map| base.parts(map)), off))
}

/// The way by the coarse copy of a base of one panel; none where it has none, where tapes need no weight there, or where
/// the panel does not keep what the copy kept.
fn from_copy(
    base: &Base<'_>,
    conformal: &FlatMap,
    options: &LeastStrainOptions,
    material: &Material,
    tapes: &[Vec<Point3>],
) -> Result<Option<(Vec<Laid>, f64)>, FlatError> {
    let panel = &*base.whole;
    let Some(copy) = Copy::new(&panel.mesh, &conformal.uv, options) else {
        return Ok(None);
    };
    let Some(first) = copy.lay() else {
        return Ok(None);
    };
    let small = [small_panel(panel, &copy)];
    let small_base = Base::new(&small);
    if small_base.p95(&first, material) > material.limit {
        return Ok(None);
    }
    let small_way = Way::new(&small_base, &first, copy.options.clone(), material, tapes);
    let (Some(best), weight) = small_way.go(None, TAPE_WEIGHTS[0])? else {
        return Ok(None);
    };
    let Some(near) = copy.carry(&best) else {
        return Ok(None);
    };
    let way = Way {
        most_edge: FINISHED_EDGE_MOST,
        ..Way::new(base, &near, options.clone(), material, tapes)
    };
    let map = way.step(&near, weight)?;
    if !way.keeps(&map) {
        return Ok(None);
    }
    let (further, _) = way.go(Some(map.clone()), 2.0 * weight)?;
    let map = further.unwrap_or(map);
    let off = way.off(&map);
    Ok(Some((base.parts(map), off)))
}

/// A panel's coarse copy as a panel.
fn small_panel(panel: &Panel, copy: &Copy<'_>) -> Panel {
    let mut own = vec![NONE; panel.mesh.vertex_count()];
    for (name, &v) in (0..).zip(&copy.source) {
        own[v as usize] = name;
    }
    let loops = panel.loops.iter().map(|ring| {
        let kept = ring.vertices.iter().zip(&ring.kinds);
        let (vertices, kinds) = kept
            .map(|(&v, &kind)| (own[v as usize], kind))
            .filter(|&(v, _)| v != NONE)
            .unzip();
        EdgeLoop { vertices, kinds }
    });
    Panel {
        loops: loops.collect(),
        origin: copy
            .source
            .iter()
            .map(|&v| panel.origin[v as usize])
            .collect(),
        mesh: copy.mesh.clone(),
    }
}

/// The way of a base from least strain to tapes that keep their length.
struct Way<'a> {
    base: &'a Base<'a>,
    first: &'a FlatMap,
    material: &'a Material,
    pieces: Vec<tapes::Piece>,
    tapes: usize,
    /// What least strain means without tapes.
    options: LeastStrainOptions,
    /// Error of the finished edges that is allowed.
    most_edge: f64,
}

impl<'a> Way<'a> {
    fn new(
        base: &'a Base<'a>,
        first: &'a FlatMap,
        options: LeastStrainOptions,
        material: &'a Material,
        tapes: &[Vec<Point3>],
    ) -> Self {
        Self {
            pieces: tapes::pieces(&base.whole, &first.uv, tapes),
            tapes: tapes.len(),
            options,
            most_edge: edge_error(base, first).max(FINISHED_EDGE_MOST),
            base,
            first,
            material,
        }
    }

    /// How far off its length the worst tape is.
    fn off(&self, map: &FlatMap) -> f64 {
        let errors = tapes::errors(&self.pieces, &map.uv, self.tapes);
        errors.into_iter().map(f64::abs).fold(0.0, f64::max)
    }

    /// Lays the base on with some weight on the tapes.
    fn step(&self, last: &FlatMap, weight: f64) -> Result<FlatMap, FlatError> {
        let kept = |piece: &tapes::Piece| piece.kept(&last.uv, weight);
        let options = LeastStrainOptions {
            lines: self.pieces.iter().map(kept).collect(),
            ..self.options.clone()
        };
        self.base.go_on(&options, last)
    }

    fn keeps(&self, map: &FlatMap) -> bool {
        map.report.is_sound()
            && map.report.converged
            && self.base.p95(map, self.material) <= self.material.limit
            && edge_error(self.base, map) <= self.most_edge
    }

    /// Goes on with growing weight until the tapes keep their length or the cloth has no more room. Told with the
    /// last map is its weight.
    fn go(
        &self,
        mut best: Option<FlatMap>,
        mut weight: f64,
    ) -> Result<(Option<FlatMap>, f64), FlatError> {
        let (mut taken, mut too_much) = (weight, false);
        while weight <= TAPE_WEIGHTS[1] {
            let last = best.as_ref().unwrap_or(self.first);
            if self.off(last) <= TAPE_WITHIN {
                break;
            }
            let anew = self.step(last, weight)?;
            let gained = self.keeps(&anew);
            if gained {
                (best, taken) = (Some(anew), weight);
            }
            // Half way back once, where the cloth had no room for the whole step.
            weight *= match (gained, too_much) {
                (true, false) => 2.0,
                (false, false) => std::f64::consts::FRAC_1_SQRT_2,
                (_, true) => break,
            };
            too_much = !gained;
        }
        Ok((best, taken))
    }
}

/// How far the finished edges are off their length on the head.
fn edge_error(base: &Base<'_>, map: &FlatMap) -> f64 {
    finished_length([(&*base.whole, &map.uv[..])]).error.abs()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{
        dart::{EdgeKind, Side},
        flat::{
            LengthSummary, edges_of,
            lay::tests::{cut_cap, cut_cap_of},
        },
    };

    fn material(limit: f64) -> Material {
        Material {
            name: "test".into(),
            limit,
            tension: 1.0,
            crowding: 1.0,
        }
    }

    /// A tape over the cap's top, square to its cut.
    fn over_the_top() -> Vec<Point3> {
        let point = |k| {
            let (sin, cos) = (1.02 * f64::from(k) / 100.0).sin_cos();
            Point3::new(0.0, 90.0 * sin, 90.0 * cos)
        };
        (-100..=100).map(point).collect()
    }

    #[test]
    fn a_tape_keeps_its_length_where_the_cloth_has_room_for_it() {
        let panels = [cut_cap()];
        let tapes = [over_the_top()];
        let off = |laid: &[Laid]| {
            let uv = &laid[0].0.uv;
            let pieces = tapes::pieces(&panels[0], uv, &tapes);
            tapes::errors(&pieces, uv, 1)[0].abs()
        };
        let roomy = material(0.4);
        let before = lay_together(&panels, &roomy).unwrap();
        assert!(off(&before) > 1.2 * TAPE_WITHIN, "{}", off(&before));
        let (after, _) = lay_along(&panels, &roomy, &tapes).unwrap();
        assert!(off(&after) <= TAPE_WITHIN, "{}", off(&after));
        let finished = finished_length([(&panels[0], &after[0].0.uv[..])]);
        assert!(finished.error.abs() < 0.005);
        // A cloth whose limit is already passed is left as it lies.
        let tight = material(0.5 * before[0].1.summary(roomy.limit).p95);
        let before = lay_together(&panels, &tight).unwrap();
        let (after, _) = lay_along(&panels, &tight, &tapes).unwrap();
        assert_eq!(after[0].0.uv, before[0].0.uv);
    }

    #[test]
    fn a_large_panel_comes_by_its_copy_to_where_it_comes_by_itself() {
        // 12 000 vertices.
        let panels = [cut_cap_of(54)];
        let material = material(0.4);
        let tapes = [over_the_top()];
        let base = Base::new(&panels);
        let conformal = start(&panels[0].mesh).unwrap();
        let options = LeastStrainOptions::for_panel(&panels[0], &material);
        let (by_copy, off) = from_copy(&base, &conformal, &options, &material, &tapes)
            .unwrap()
            .expect("the cap has a copy and the tape needs weight");
        let laid = lay_together(&panels, &material).unwrap();
        let first = base.apart(&laid);
        let way = Way::new(&base, &first, options, &material, &tapes);
        let (by_itself, _) = way.go(None, TAPE_WEIGHTS[0]).unwrap();
        let by_itself = by_itself.unwrap();
        assert!(way.off(&first) > TAPE_WITHIN && off <= TAPE_WITHIN, "{off}");
        assert!(by_copy[0].0.report.converged);
        let p95 = by_copy[0].1.summary(material.limit).p95;
        let same = base.p95(&by_itself, &material);
        assert!((p95 - same).abs() < 0.001, "{p95}, {same}");
        // The line is to become as much longer as it is too short where it lies, which is not where it lay there.
        assert!((off - way.off(&by_itself)).abs() < 0.002, "{off}");
    }

    #[test]
    fn a_tape_along_a_dart_lies_on_both_legs() {
        let panels = [cut_cap()];
        let material = material(0.4);
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
