//! What a layout reaches and costs on one copy of the patch.

use crate::{
    Point2, Point3,
    flat::{self, FlatError, FlatMap, StrainField},
    job::Material,
    mesh::{SurfacePath, SurfacePoint},
    patch::Patch,
};

use super::{
    super::{Breach, CutName, CutPatch, Cutter, DartError, Ground, Layout, Near, Panel},
    Reach, SearchOptions,
    candidates::Candidate,
    genes::Ruler,
};

/// Part of the limit that the search aims for, so that the fine mesh meets it too.
pub(super) const AIM: f64 = 0.97;

/// Distances of the best layout that are no more than this above what a rule asks held it back, mm.
const HELD_BACK_MM: f64 = 3.0;

/// A dart that lets out less at its mouth is idle, mm: less than a stitch's width (common practice, no
/// source).
const IDLE_MM: f64 = 2.0;

/// 95th percentile of strain that leaving idle darts out may cost.
const IDLE_STRAIN: f64 = 0.0005;

/// Cost of a layout that can't be cut or laid.
pub(super) const CANNOT: f64 = 100.0;

/// Cost of a layout whose flat map lies on itself, or begins so: whether it can be laid otherwise is looked at
/// only where nothing else is left.
pub(super) const LIES_ON_ITSELF: f64 = 50.0;
/// Least cost of a layout that breaks a rule.
pub(super) const BREACH: f64 = 10.0;

/// Strain that one unit of excess perimeter error is worth.
const EDGE_PRICE: f64 = 3.0;

/// Strain that a perimeter's length of sewing is worth: the search gives up 0.1 % for it.
const SEWING_PRICE: f64 = 0.001;

/// What a layout costs on one copy of the patch, in parts: see [`Scout::total`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Cost {
    /// 95th percentile of strain; −∞ where nothing was laid.
    pub(super) p95: f64,
    /// For edges and sewing, or for what keeps it from being laid.
    pub(super) rest: f64,
}

impl Cost {
    fn of_none(rest: f64) -> Self {
        let p95 = f64::NEG_INFINITY;
        Self { p95, rest }
    }
}

/// What a layout reaches on one copy of the patch, with the maps of its panels there; none where it can't be laid.
#[derive(Debug)]
pub(super) struct Laid {
    pub(super) reach: Reach,
    pub(super) maps: Vec<FlatMap>,
}

/// Cuts and lays candidates on one copy of the patch.
pub(super) struct Scout<'a> {
    pub(super) patch: &'a Patch,
    pub(super) cutter: Cutter<'a>,
    ground: Ground,
    pub(super) ruler: Ruler,
    pub(super) material: &'a Material,
    pub(super) options: SearchOptions,
    /// Whether a candidate that lies on itself is laid once more from another start.
    rescue: bool,
}

impl<'a> Scout<'a> {
    pub(super) fn new(patch: &'a Patch, material: &'a Material, options: SearchOptions) -> Self {
        Self {
            patch,
            cutter: Cutter::new(patch),
            ground: Ground::new(patch, options.rules),
            ruler: Ruler::new(patch),
            material,
            options,
            rescue: false,
        }
    }

    /// The same that takes its time over layouts whose flat map lies on itself at first: twice the time of a search,
    /// worth it where nothing else is left.
    pub(super) fn patient(self) -> Self {
        Self {
            rescue: true,
            ..self
        }
    }

    pub(super) fn meets(&self, reach: &Reach) -> bool {
        reach.p95 <= AIM * self.material.limit
            && reach.perimeter_error.abs() <= self.options.perimeter_limit
    }

    /// What a layout keeps its distance from by little more than a rule asks.
    pub(super) fn held_back_by(&self, layout: &Layout) -> Vec<Near> {
        let ground = Ground::new(self.patch, self.options.rules.widened(HELD_BACK_MM));
        let Ok(lines) = self.cutter.lines(layout) else {
            return Vec::new();
        };
        let breaches = ground.breaches_of(&self.places(&lines));
        let mut kinds: Vec<Near> = breaches.iter().map(|b| b.near.kind()).collect();
        kinds.sort_unstable();
        kinds.dedup();
        kinds
    }

    /// Rules that darts break, before they are cut.
    fn breaches(&self, lines: &[SurfacePath]) -> Vec<Breach> {
        self.ground.breaches_of(&self.places(lines))
    }

    /// Points along lines.
    fn places(&self, lines: &[SurfacePath]) -> Vec<Vec<Point3>> {
        lines.iter().map(|line| self.points(line)).collect()
    }

    fn points(&self, line: &SurfacePath) -> Vec<Point3> {
        let place = |p: &SurfacePoint| p.position(&self.patch.mesh);
        line.points.iter().map(place).collect()
    }

    /// Whether a layout can be cut.
    pub(super) fn can_cut(&self, layout: &Layout) -> bool {
        self.cutter.cut(layout).is_ok()
    }

    /// Whether darts break no rule, as far as their lines tell without cutting. Most layouts that are drawn do, so
    /// the mouths are asked first, and nothing more after the first breach.
    pub(super) fn keeps_rules(&self, layout: &Layout) -> bool {
        let (mut mouths, mut lines, mut found) = (Vec::new(), Vec::new(), Vec::new());
        for (k, spec) in layout.darts.iter().enumerate() {
            let Ok((mouth, _)) = self.cutter.mouth(CutName::Dart(k), spec) else {
                return false;
            };
            let before = mouths.iter().copied();
            self.ground.of_mouth(k, mouth.position, before, &mut found);
            if !found.is_empty() {
                return false;
            }
            mouths.push(mouth.position);
        }
        for (k, spec) in layout.darts.iter().enumerate() {
            let Ok(line) = self.cutter.dart_line(k, spec) else {
                return false;
            };
            let run = self.points(&line);
            self.ground.of_run(&run, &lines, &mut found);
            if !found.is_empty() {
                return false;
            }
            lines.push(run);
        }
        true
    }

    /// By how much of their rules the darts of a layout are too near to something; `None` when it can't
    /// be cut.
    pub(super) fn shortfall(&self, layout: &Layout) -> Option<f64> {
        Some(shortfall(&self.breaches(&self.cutter.lines(layout).ok()?)))
    }

    /// What a layout costs on this copy.
    pub(super) fn cost(&self, layout: &Layout) -> Cost {
        let Ok(lines) = self.cutter.lines(layout) else {
            return Cost::of_none(CANNOT);
        };
        let short = shortfall(&self.breaches(&lines));
        if short > 0.0 {
            return Cost::of_none(BREACH + short);
        }
        let Ok(cut) = self.cutter.along(layout, lines) else {
            return Cost::of_none(CANNOT);
        };
        match self.lay(layout, &cut, self.rescue) {
            Ok(Laid { reach, .. }) if reach.p95.is_finite() => Cost {
                p95: reach.p95,
                rest: self.rest(&reach),
            },
            Ok(_) => Cost::of_none(LIES_ON_ITSELF),
            Err(_) => Cost::of_none(CANNOT),
        }
    }

    /// A cost as one number: strain above the limit first, then seam length; far more where a rule is broken or
    /// nothing can be cut, the more the worse, so that the search finds its way out. `unseen` is how much more strain
    /// there is than this copy shows.
    pub(super) fn total(&self, cost: Cost, unseen: f64) -> f64 {
        (cost.p95 + unseen - AIM * self.material.limit).max(0.0) + cost.rest
    }

    /// What a layout that breaks no rule costs.
    pub(super) fn price(&self, reach: &Reach) -> f64 {
        let (p95, rest) = (reach.p95, self.rest(reach));
        self.total(Cost { p95, rest }, 0.0)
    }

    fn rest(&self, reach: &Reach) -> f64 {
        let edge = (reach.perimeter_error.abs() - 0.9 * self.options.perimeter_limit).max(0.0);
        EDGE_PRICE * edge + SEWING_PRICE * reach.length_mm / self.ruler.total()
    }

    /// What a layout reaches.
    pub(super) fn reach(&self, layout: &Layout) -> Result<Laid, DartError> {
        let cut = self.cutter.cut(layout)?;
        Ok(self.lay(layout, &cut, true).unwrap_or_else(|_| Laid {
            reach: Reach {
                layout: layout.clone(),
                genes: Vec::new(),
                p95: f64::INFINITY,
                perimeter_error: f64::INFINITY,
                length_mm: 0.0,
                take_up_mm: Vec::new(),
            },
            maps: Vec::new(),
        }))
    }

    /// What a candidate reaches, without its idle darts.
    pub(super) fn reach_of(&self, candidate: &Candidate) -> Result<Laid, DartError> {
        let mut laid = self.reach(&candidate.layout)?;
        let genes = candidate.genes.iter().map(|g| [g.mouth, g.lean, g.depth]);
        laid.reach.genes = genes.collect();
        self.without_idle(laid)
    }

    /// The same without the darts that let out next to nothing, unless that costs strain: a search that
    /// has a pair too many closes it, and the maker would sew it for nothing.
    fn without_idle(&self, laid: Laid) -> Result<Laid, DartError> {
        let reach = &laid.reach;
        let idle = |k: usize| reach.take_up_mm[k] < IDLE_MM;
        let darts = &reach.layout.darts;
        let needed: Vec<_> = (0..darts.len().min(reach.take_up_mm.len()))
            .filter(|&k| !idle(k))
            .map(|k| darts[k].clone())
            .collect();
        if needed.len() == darts.len() || needed.is_empty() {
            return Ok(laid);
        }
        // A gene stands for a mirror pair, and a last one for the dart at the nape.
        let of_gene = |g: &usize| [2 * g, 2 * g + 1].into_iter().filter(|&k| k < darts.len());
        let genes = (0..reach.genes.len())
            .filter(|g| !of_gene(g).all(idle))
            .map(|g| reach.genes[g])
            .collect();
        let mut fewer = self.reach(&Layout {
            name: format!("auto, {} darts", needed.len()),
            darts: needed,
            ..reach.layout.clone()
        })?;
        fewer.reach.genes = genes;
        let as_good = fewer.reach.p95 <= reach.p95 + IDLE_STRAIN
            && (self.meets(&fewer.reach) || !self.meets(reach));
        Ok(if as_good { fewer } else { laid })
    }

    fn lay(&self, layout: &Layout, cut: &CutPatch, rescue: bool) -> Result<Laid, FlatError> {
        let laid = cut
            .panels
            .iter()
            .map(|panel| flat::lay_quickly(panel, self.material, rescue))
            .collect::<Result<Vec<_>, _>>()?;
        let usable = laid.iter().all(|(map, _)| map.report.is_sound());
        let sides: Vec<(&Panel, &[Point2])> = cut
            .panels
            .iter()
            .zip(&laid)
            .map(|(panel, (map, _))| (panel, &map.uv[..]))
            .collect();
        let edges = flat::finished_length(sides.iter().copied());
        let mouths = cut.darts.iter().map(|dart| dart.path[0]);
        let take_up_mm = mouths.map(|mouth| take_up(&sides, mouth)).collect();
        let (maps, fields): (Vec<FlatMap>, Vec<StrainField>) = laid.into_iter().unzip();
        let p95 = if usable {
            StrainField::joined(&fields)
                .summary(self.material.limit)
                .p95
        } else {
            f64::INFINITY
        };
        let reach = Reach {
            layout: layout.clone(),
            genes: Vec::new(),
            p95,
            perimeter_error: edges.error,
            length_mm: cut
                .darts
                .iter()
                .chain(&cut.seams)
                .map(|c| c.length_mm)
                .sum(),
            take_up_mm,
        };
        Ok(Laid { reach, maps })
    }
}

/// By how much of their rules breaches are, together; 0 without any.
fn shortfall(breaches: &[Breach]) -> f64 {
    let part = |b: &Breach| 1.0 - b.distance_mm / b.allowed_mm;
    breaches.iter().map(part).sum()
}

/// Distance in the plane between the two sides of a dart at a vertex of it, its mouth for instance, mm; 0 where
/// there is none.
pub(super) fn take_up(panels: &[(&Panel, &[Point2])], vertex: u32) -> f64 {
    let sides: Vec<Point2> = panels
        .iter()
        .flat_map(|(panel, uv)| {
            let there = |v: &u32| panel.origin[*v as usize] == vertex;
            let found = panel.loops.iter().flat_map(|l| &l.vertices);
            found.filter(move |v| there(v)).map(|&v| uv[v as usize])
        })
        .collect();
    match sides[..] {
        [a, b] => (b - a).norm(),
        _ => 0.0,
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;
    use crate::{dart::search::genes::Gene, form::average_head};

    pub(in crate::dart::search) fn full_base() -> Patch {
        let form = average_head();
        let (mold, head, outline) = (form.mesh(3_000), form.head(), form.outline());
        Patch::cut(&mold, head, &outline, Vec::new()).unwrap()
    }

    pub(in crate::dart::search) fn lace(limit: f64) -> Material {
        Material {
            name: "lace".into(),
            limit,
            tension: 1.0,
            crowding: 1.0,
        }
    }

    #[test]
    fn no_dart_is_sewn_for_nothing() {
        let (patch, material) = (full_base(), lace(0.015));
        let scout = Scout::new(&patch, &material, SearchOptions::default());
        let gene = |mouth, depth| Gene {
            mouth,
            lean: 0.0,
            depth,
        };
        // Two pairs that let out much, and one too short to let anything out.
        let genes = vec![gene(0.55, 0.27), gene(0.9, 0.27), gene(0.72, 0.015)];
        let layout = scout.ruler.mirrored("auto, 6 darts", &genes, None);
        let all = scout.reach(&layout).unwrap().reach;
        assert_eq!(all.take_up_mm.len(), 6);
        assert!(
            all.take_up_mm[4].max(all.take_up_mm[5]) < IDLE_MM,
            "{all:?}"
        );
        let candidate = Candidate {
            genes,
            layout,
            seen: Cost::of_none(0.0),
            cost: 0.0,
        };
        let kept = scout.reach_of(&candidate).unwrap().reach;
        assert_eq!(kept.layout.name, "auto, 4 darts");
        assert_eq!((kept.layout.darts.len(), kept.genes.len()), (4, 2));
        assert!(kept.take_up_mm.iter().all(|&mm| mm >= IDLE_MM), "{kept:?}");
    }
}
