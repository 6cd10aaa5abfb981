//! The automatic layout: fewest darts, best placed.
//!
//! In: a patch, a material, the rules of the craft. Out: a layout and what it reaches.
//!
//! # Method
//! A layout of mirror pairs is a handful of numbers ([`genes`](super::genes)). For each number of
//! darts a covariance-matrix search ([`evolve`](super::evolve)) moves them, starting from layouts that a
//! long search found good on the average head; every candidate is really cut and laid flat, on a coarse
//! copy of the patch. The cost is the 95th percentile of strain until the limit is met, from there on
//! the length to be sewn, plus what breaks a rule. The first number of darts that meets the limit wins.
//! The curve of strain against length that comes with it is the yardstick of Sharp & Crane 2018,
//! Variational surface cutting, ACM TOG 37(4).

use rayon::prelude::*;

use crate::{
    flat::{self, FlatError, LengthSummary, StrainField},
    job::Material,
    patch::Patch,
};

use super::{
    Breach, CutPatch, Cutter, DartError, Ground, Layout, Rules, Side,
    evolve::{Effort, minimise},
    genes::{Gene, Ruler},
    starts::starts,
};

/// Side of the coarse copy's triangles, mm. At 9 mm a full base has about 700 vertices and the 95th
/// percentile of strain came out 0.1 to 0.6 % strain above the fine mesh's, with long darts most.
const COARSE_STEP_MM: f64 = 7.5;

/// Side of the triangles that the result of a search is judged on, mm.
const JUDGED_STEP_MM: f64 = 4.5;

/// Part of the limit that the search aims for, so that the fine mesh meets it too.
const AIM: f64 = 0.97;

/// A number of darts is searched when its start is under this many limits.
const HOPEFUL: f64 = 2.0;

/// Above this distance from its mirror image a head gets darts of its own on each side, mm.
const UNEVEN_MM: f64 = 4.0;

/// Places tried for each pair of a start from nothing.
const GROWTH: usize = 160;

/// Cost of a layout that can't be cut or laid.
const CANNOT: f64 = 100.0;
/// Least cost of a layout that breaks a rule.
const BREACH: f64 = 10.0;
/// Strain that one unit of excess perimeter error is worth.
const EDGE_PRICE: f64 = 3.0;
/// Strain that a perimeter's length of sewing is worth: the search gives up 0.1 % for it.
const SEWING_PRICE: f64 = 0.001;

/// What the automatic layout may do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SearchOptions {
    /// Fewest darts that are tried beside none.
    pub fewest: usize,
    /// Most darts.
    pub most: usize,
    /// Greatest relative difference between the finished perimeter and the head's.
    pub perimeter_limit: f64,
    /// Distances to keep.
    pub rules: Rules,
    /// Generations a number of darts is searched for; more is slower and better.
    pub generations: usize,
    /// Candidates a generation.
    pub population: usize,
    /// First step of the search, in fractions of the range of mouths, leans and depths.
    pub step: f64,
    /// Starts grown from nothing beside the known ones; for finding those, none are needed on a head.
    pub restarts: usize,
}

impl Default for SearchOptions {
    fn default() -> Self {
        Self {
            fewest: 1,
            most: 8,
            perimeter_limit: 0.005,
            rules: Rules::default(),
            generations: 14,
            population: 10,
            step: 0.08,
            restarts: 0,
        }
    }
}

/// What one layout reaches, as far as the search looks.
#[derive(Debug, Clone, PartialEq)]
pub struct Reach {
    /// The layout.
    pub layout: Layout,
    /// Mouth, lean and depth of each mirror pair as the search counts them: mouth 0 at the front
    /// landmark, ½ at the ear, 1 at the nape; lean in radians, + to the front; depth in
    /// front-to-nape arcs. Empty for layouts that did not come from the search.
    pub genes: Vec<[f64; 3]>,
    /// 95th percentile of strain.
    pub p95: f64,
    /// Relative difference of the finished perimeter.
    pub perimeter_error: f64,
    /// Length of all darts, mm.
    pub length_mm: f64,
}

/// The layout that was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Found {
    /// The layout and what it reaches on the coarse copy.
    pub best: Reach,
    /// Whether it meets the material's limit and the perimeter's there.
    pub met: bool,
    /// Best of each number of darts looked at, fewest first: strain against length.
    pub curve: Vec<Reach>,
    /// How far the head is from its mirror image at the perimeter, mm.
    pub uneven_mm: f64,
    /// Layouts cut and laid flat.
    pub tried: usize,
}

/// Finds the layout with the fewest darts that meets the material's limit, or the best there is.
///
/// Deterministic: the same patch gives the same layout with any number of threads.
///
/// # Errors
/// [`DartError`] when not even the patch without darts can be cut.
pub fn search(
    patch: &Patch,
    material: &Material,
    options: &SearchOptions,
) -> Result<Found, DartError> {
    let coarse = patch.coarse_copy(COARSE_STEP_MM);
    let scout = Scout::new(coarse.as_ref().unwrap_or(patch), material, *options);
    let plain = scout.reach(&Layout {
        name: "no darts".to_owned(),
        ..Layout::default()
    })?;
    let mut found = Found {
        met: scout.meets(&plain),
        curve: vec![plain.clone()],
        best: plain,
        uneven_mm: patch.unevenness_mm(),
        tried: 1,
    };
    if found.met || options.most == 0 {
        return Ok(found);
    }
    let promises: Vec<Promise> = (options.fewest..=options.most)
        .filter_map(|count| scout.promise(count, &mut found.tried))
        .collect();
    let finer = patch.coarse_copy(JUDGED_STEP_MM);
    let judge = Scout::new(finer.as_ref().unwrap_or(patch), material, *options);
    let real = Cutter::new(patch);
    for (k, promise) in promises.iter().enumerate() {
        // Mirror pairs always deserve a search: their start may merely not fit this head.
        let pairs = promise.layout.darts.len() % 2 == 0;
        let last = k + 1 == promises.len();
        let hopeful = promise.p95 < HOPEFUL * material.limit;
        let (layout, genes) = if !found.met && (hopeful || pairs || last) {
            scout.improve(promise, found.uneven_mm, &mut found.tried)
        } else {
            (promise.layout.clone(), told(&promise.genes))
        };
        // A long cut may be seen otherwise by a finer mesh, so what counts is judged there; and what
        // the coarse copy lets pass may come too near an edge on the patch itself.
        let Ok(reach) = judge.reach(&layout) else {
            continue;
        };
        let reach = Reach { genes, ..reach };
        found.tried += 1;
        let better = judge.meets(&reach) || reach.p95 < found.best.p95;
        if !found.met && better && judge.keeps_rules(&layout) && real.cut(&layout).is_ok() {
            found.met = judge.meets(&reach);
            found.best = reach.clone();
        }
        found.curve.push(reach);
    }
    Ok(found)
}

/// Genes as they are told to the caller.
fn told(genes: &[Gene]) -> Vec<[f64; 3]> {
    genes.iter().map(|g| [g.mouth, g.lean, g.depth]).collect()
}

/// A start that was judged.
struct Promise {
    genes: Vec<Gene>,
    layout: Layout,
    p95: f64,
}

/// Cuts and lays candidates on the coarse copy.
struct Scout<'a> {
    cutter: Cutter<'a>,
    ground: Ground,
    ruler: Ruler,
    material: &'a Material,
    options: SearchOptions,
}

impl<'a> Scout<'a> {
    fn new(patch: &'a Patch, material: &'a Material, options: SearchOptions) -> Self {
        Self {
            cutter: Cutter::new(patch),
            ground: Ground::new(patch, options.rules),
            ruler: Ruler::new(patch),
            material,
            options,
        }
    }

    fn meets(&self, reach: &Reach) -> bool {
        reach.p95 <= AIM * self.material.limit
            && reach.perimeter_error.abs() <= self.options.perimeter_limit
    }

    /// Best of the known starts for a number of darts, `None` when none can be cut on this patch.
    fn promise(&self, count: usize, tried: &mut usize) -> Option<Promise> {
        let mut starts = starts(count);
        for round in 0..self.options.restarts {
            starts.push(self.grown(count, round, tried));
        }
        *tried += starts.len();
        let judged: Vec<f64> = starts
            .par_iter()
            .map(|genes| self.cost(&self.mirrored(count, genes)))
            .collect();
        let best = (0..starts.len()).min_by(|&a, &b| judged[a].total_cmp(&judged[b]))?;
        let layout = self.mirrored(count, &starts[best]);
        let p95 = self.reach(&layout).map_or(f64::INFINITY, |r| r.p95);
        Some(Promise {
            genes: starts[best].clone(),
            layout,
            p95,
        })
    }

    /// A start from nothing: pair after pair where it helps most, all of them moved after each.
    fn grown(&self, count: usize, round: usize, tried: &mut usize) -> Vec<Gene> {
        let mut random = fastrand::Rng::with_seed((1000 * count + round) as u64);
        // Every other round goes on from the best known layout with a pair less.
        let known = starts((2 * (count / 2)).saturating_sub(2)).pop();
        let mut genes = known.filter(|_| round % 2 == 1).unwrap_or_default();
        let whole = |x: &[f64]| x.chunks(3).map(Gene::from_unit).collect::<Vec<Gene>>();
        let cost = |genes: &[Gene]| self.cost(&self.ruler.mirrored("", genes, None));
        for _ in genes.len()..count / 2 {
            let drawn: Vec<Vec<Gene>> = (0..GROWTH)
                .map(|_| {
                    let any = [random.f64(), random.f64(), random.f64()];
                    genes
                        .iter()
                        .copied()
                        .chain([Gene::from_unit(&any)])
                        .collect()
                })
                .collect();
            let judged: Vec<f64> = drawn.par_iter().map(|g| cost(g)).collect();
            let best = (0..GROWTH).min_by(|&a, &b| judged[a].total_cmp(&judged[b]));
            genes.clone_from(&drawn[best.unwrap_or(0)]);
            let from: Vec<f64> = genes.iter().flat_map(|g| g.to_unit()).collect();
            let effort = Effort {
                population: 12,
                generations: 12,
                step: 0.08,
                seed: random.u64(..),
            };
            genes = whole(&minimise(&from, effort, |x| cost(&whole(x))).0);
            *tried += GROWTH + 144;
        }
        if count % 2 == 1 {
            genes.push(Gene {
                mouth: 1.0,
                lean: 0.0,
                depth: 0.25,
            });
        }
        genes
    }

    /// Moves the darts of a start until the effort is spent.
    fn improve(
        &self,
        start: &Promise,
        uneven_mm: f64,
        tried: &mut usize,
    ) -> (Layout, Vec<[f64; 3]>) {
        let count = start.layout.darts.len();
        let from: Vec<f64> = start.genes.iter().flat_map(|g| g.to_unit()).collect();
        let effort = Effort {
            population: self.options.population,
            generations: self.options.generations,
            step: self.options.step,
            seed: count as u64,
        };
        let genes = |x: &[f64]| x.chunks(3).map(Gene::from_unit).collect::<Vec<Gene>>();
        let (best, _) = minimise(&from, effort, |x| {
            self.cost(&self.mirrored(count, &genes(x)))
        });
        *tried += self.options.population * self.options.generations + 1;
        let mut layout = self.mirrored(count, &genes(&best));
        if uneven_mm > UNEVEN_MM {
            // Each dart for itself, from the best mirror pairs.
            let from: Vec<f64> = self.both_sides(count, &genes(&best));
            let effort = Effort {
                step: 0.4 * effort.step,
                ..effort
            };
            let (best, _) = minimise(&from, effort, |x| self.cost(&self.each(&genes(x))));
            *tried += self.options.population * self.options.generations + 1;
            layout = self.each(&genes(&best));
        }
        (layout, told(&genes(&best)))
    }

    /// `count` darts as mirror pairs; an odd one out goes to the nape's centre.
    fn mirrored(&self, count: usize, genes: &[Gene]) -> Layout {
        let name = format!("auto, {count} darts");
        let single = (count % 2 == 1).then(|| genes[genes.len() - 1].depth);
        self.ruler.mirrored(&name, &genes[..count / 2], single)
    }

    /// The genes of mirror pairs as one for each dart, left ones first.
    fn both_sides(&self, count: usize, genes: &[Gene]) -> Vec<f64> {
        let pairs = &genes[..count / 2];
        let twice = pairs.iter().chain(pairs).chain(&genes[count / 2..]);
        twice.flat_map(|g| g.to_unit()).collect()
    }

    /// Darts of which the first half are on the left and the second on the right.
    fn each(&self, genes: &[Gene]) -> Layout {
        let pairs = genes.len() / 2;
        let mut darts = Vec::with_capacity(genes.len());
        for k in 0..pairs {
            darts.push(self.ruler.spec(genes[k], Side::Left));
            darts.push(self.ruler.spec(genes[k + pairs], Side::Right));
        }
        if let Some(&gene) = genes.get(2 * pairs) {
            darts.push(self.ruler.spec(Gene { mouth: 1.0, ..gene }, Side::Left));
        }
        Layout {
            name: format!("auto, {} darts", genes.len()),
            darts,
            seams: Vec::new(),
        }
    }

    /// Whether a layout can be cut and breaks no rule.
    fn keeps_rules(&self, layout: &Layout) -> bool {
        let cut = self.cutter.cut(layout);
        cut.is_ok_and(|cut| self.ground.breaches(&cut).is_empty())
    }

    /// What a layout costs: strain above the limit first, then seam length; far more where it breaks
    /// a rule or can't be cut, the more the worse, so that the search finds its way out.
    fn cost(&self, layout: &Layout) -> f64 {
        let Ok(cut) = self.cutter.cut(layout) else {
            return CANNOT;
        };
        let breaches = self.ground.breaches(&cut);
        if !breaches.is_empty() {
            let shortfall = |b: &Breach| 1.0 - b.distance_mm / b.allowed_mm;
            return BREACH + breaches.iter().map(shortfall).sum::<f64>();
        }
        let Ok(reach) = self.lay(layout, &cut) else {
            return CANNOT;
        };
        let over = (reach.p95 - AIM * self.material.limit).max(0.0);
        let edge = (reach.perimeter_error.abs() - 0.9 * self.options.perimeter_limit).max(0.0);
        over + EDGE_PRICE * edge + SEWING_PRICE * reach.length_mm / self.ruler.total()
    }

    /// What a layout reaches.
    fn reach(&self, layout: &Layout) -> Result<Reach, DartError> {
        let cut = self.cutter.cut(layout)?;
        Ok(self.lay(layout, &cut).unwrap_or(Reach {
            layout: layout.clone(),
            genes: Vec::new(),
            p95: f64::INFINITY,
            perimeter_error: f64::INFINITY,
            length_mm: 0.0,
        }))
    }

    fn lay(&self, layout: &Layout, cut: &CutPatch) -> Result<Reach, FlatError> {
        let laid = cut
            .panels
            .iter()
            .map(|panel| flat::lay_quickly(panel, self.material))
            .collect::<Result<Vec<_>, _>>()?;
        let usable = laid
            .iter()
            .all(|(m, _)| m.report.flipped == 0 && m.report.overlaps == 0);
        let edges: Vec<_> = cut.panels.iter().map(flat::finished_edges).collect();
        let lines = cut.panels.iter().zip(&laid).zip(&edges);
        let edges = LengthSummary::joined(
            lines.map(|((panel, (map, _)), edges)| (&panel.mesh, &map.uv[..], &edges[..])),
        );
        let fields: Vec<StrainField> = laid.into_iter().map(|(_, field)| field).collect();
        let p95 = if usable {
            StrainField::joined(&fields)
                .summary(self.material.limit)
                .p95
        } else {
            f64::INFINITY
        };
        Ok(Reach {
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
        })
    }
}
