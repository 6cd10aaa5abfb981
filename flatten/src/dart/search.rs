//! The automatic layout: fewest darts, best placed.
//!
//! In: a patch, a material, the rules of the craft. Out: a layout and what it reaches.
//!
//! # Method
//! A layout of mirror pairs is a handful of numbers ([`genes`](super::genes)). For each number of
//! darts a covariance-matrix search ([`evolve`](super::evolve)) moves them, starting from layouts that
//! long searches found good on average heads ([`starts`](super::starts)); every candidate is really cut
//! and laid flat, on a coarse copy of the patch, with a margin beyond the rules. The best that keeps them
//! on the patch itself is taken. The cost is the 95th percentile of strain until the limit is met, from there on
//! the length to be sewn, plus what breaks a rule. The first number of darts that meets the limit wins.
//! The curve of strain against length that comes with it is the yardstick of Sharp & Crane 2018,
//! Variational surface cutting, ACM TOG 37(4).

use rayon::prelude::*;

use crate::{
    Point2,
    flat::{self, FlatError, LengthSummary, StrainField},
    job::Material,
    patch::Patch,
};

use super::{
    Breach, CutPatch, Cutter, DartError, Ground, Layout, Near, Panel, Rules, Side, Towards,
    evolve::{Effort, minimise},
    genes::{Gene, Ruler},
    starts::{Start, known, radial},
};

/// Side of the coarse copy's triangles, mm: about 700 vertices on a full base. The 95th percentile of
/// strain comes out 0.1 to 0.3 % strain above the fine mesh's.
const COARSE_STEP_MM: f64 = 9.0;

/// Side of the triangles that the result of a search is judged on, mm.
const JUDGED_STEP_MM: f64 = 4.5;

/// Part of the limit that the search aims for, so that the fine mesh meets it too.
const AIM: f64 = 0.97;

/// A number of darts is searched when its best start is under this many limits: moving a good start about
/// seldom takes off a fifth of its strain.
const HOPEFUL: f64 = 1.25;

/// A dart at the nape's centre, to start from.
const AT_NAPE: Gene = Gene {
    mouth: 1.0,
    lean: 0.0,
    depth: 0.2,
};

/// Mouths of a short pair, to start from.
const BEHIND_EARS: [f64; 2] = [0.68, 0.76];

/// Candidates of each number of darts that are judged on a finer copy.
const JUDGED: usize = 3;

/// Starts that are moved about for each number of darts.
const STARTS: usize = 3;

/// Distance kept beyond the rules on the coarse copy, mm, so that they hold on the patch itself.
const MARGIN_MM: f64 = 1.5;

/// Distances of the best layout that are no more than this above what a rule asks held it back, mm.
const HELD_BACK_MM: f64 = 3.0;

/// Above this distance from its mirror image a head gets darts of its own on each side, mm.
const UNEVEN_MM: f64 = 4.0;

/// A dart that lets out less at its mouth is idle, mm: less than a stitch's width (common practice, no
/// source).
const IDLE_MM: f64 = 2.0;

/// 95th percentile of strain that leaving idle darts out may cost.
const IDLE_STRAIN: f64 = 0.0005;

/// 95th percentile of strain that each further dart must take off where the limit stays out of reach.
const DART_PRICE: f64 = 0.0005;

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
            generations: 8,
            population: 8,
            step: 0.06,
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
    /// Width between the legs of each dart at its mouth, mm.
    pub take_up_mm: Vec<f64>,
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
    /// Most darts that were allowed.
    pub most: usize,
    /// Rules that the best layout keeps by no more than 3 mm where the limit was not met: what it might
    /// have had more room from.
    pub held_back_by: Vec<Near>,
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
    let scout = Scout::new(
        coarse.as_ref().unwrap_or(patch),
        material,
        SearchOptions {
            rules: options.rules.widened(MARGIN_MM),
            ..*options
        },
    );
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
        most: options.most,
        held_back_by: Vec::new(),
    };
    if found.met || options.most == 0 {
        return Ok(found);
    }
    let finer = patch.coarse_copy(JUDGED_STEP_MM);
    let judge = Scout::new(finer.as_ref().unwrap_or(patch), material, *options);
    let real = Scout::new(patch, material, *options);
    let starts: Vec<Vec<Candidate>> = (options.fewest..=options.most)
        .map(|count| scout.starts(count, &mut found.tried))
        .collect();
    let last = starts.iter().rposition(|s| !s.is_empty());
    for (k, mut candidates) in starts.into_iter().enumerate() {
        let Some(first) = candidates.first() else {
            continue;
        };
        // A start that breaks a rule may do so by little, and is often all that an odd head leaves.
        let hopeful = first.cost < HOPEFUL * material.limit || first.cost >= BREACH;
        if !found.met && (hopeful || Some(k) == last) {
            scout.improve(&mut candidates, found.uneven_mm, &mut found.tried);
        }
        // What the coarse copy lets pass may come too near an edge on the patch itself, and a long cut may
        // be seen otherwise by a finer mesh: of the best few that hold there, the best there counts.
        let holds = |c: &&Candidate| judge.keeps_rules(&c.layout) && real.keeps_rules(&c.layout);
        let held: Vec<&Candidate> = candidates.iter().filter(holds).take(JUDGED).collect();
        found.tried += held.len();
        let reached: Vec<Reach> = held
            .into_par_iter()
            .map(|c| {
                let reach = Reach {
                    genes: told(&c.genes),
                    ..judge.reach(&c.layout)?
                };
                judge.without_idle(reach)
            })
            .collect::<Result<_, DartError>>()?;
        let price = |r: &Reach| judge.price(r);
        let Some(reach) = reached
            .into_iter()
            .min_by(|a, b| price(a).total_cmp(&price(b)))
        else {
            continue;
        };
        if !found.met && (judge.meets(&reach) || pays(&reach, &found.best)) {
            found.met = judge.meets(&reach);
            found.best = reach.clone();
        }
        found.curve.push(reach);
    }
    if !found.met {
        found.held_back_by = real.held_back_by(&found.best.layout);
    }
    Ok(found)
}

/// Whether a layout takes off enough strain for the darts it has more.
fn pays(reach: &Reach, than: &Reach) -> bool {
    let more = reach.layout.darts.len() as f64 - than.layout.darts.len() as f64;
    reach.p95 + DART_PRICE * more.max(0.0) < than.p95
}

/// Genes as they are told to the caller.
fn told(genes: &[Gene]) -> Vec<[f64; 3]> {
    genes.iter().map(|g| [g.mouth, g.lean, g.depth]).collect()
}

/// A layout of the search and what it costs on the coarse copy.
#[derive(Debug, Clone)]
struct Candidate {
    genes: Vec<Gene>,
    layout: Layout,
    cost: f64,
}

/// By how much of their rules breaches are, together; 0 without any.
fn shortfall(breaches: &[Breach]) -> f64 {
    let part = |b: &Breach| 1.0 - b.distance_mm / b.allowed_mm;
    breaches.iter().map(part).sum()
}

/// Best first; what can't be cut is left out.
fn ranked(mut candidates: Vec<Candidate>) -> Vec<Candidate> {
    candidates.retain(|c| c.cost < CANNOT);
    candidates.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    candidates
}

/// Genes as one row of numbers between 0 and 1, and back.
fn flat(genes: &[Gene]) -> Vec<f64> {
    genes.iter().flat_map(|g| g.to_unit()).collect()
}

fn whole(x: &[f64]) -> Vec<Gene> {
    x.chunks(3).map(Gene::from_unit).collect()
}

/// Cuts and lays candidates on one copy of the patch.
struct Scout<'a> {
    patch: &'a Patch,
    cutter: Cutter<'a>,
    ground: Ground,
    ruler: Ruler,
    material: &'a Material,
    options: SearchOptions,
}

impl<'a> Scout<'a> {
    fn new(patch: &'a Patch, material: &'a Material, options: SearchOptions) -> Self {
        Self {
            patch,
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

    /// The known starts for a number of darts on this patch, best first.
    fn starts(&self, count: usize, tried: &mut usize) -> Vec<Candidate> {
        let mut starts = vec![radial(count)];
        starts.extend(known(count).iter().map(|s| self.fitted(s)));
        if count % 2 == 1 {
            // The best known mirror pairs leave room for a dart at the nape's centre.
            starts.extend(known(count - 1).iter().map(|s| {
                let pairs = self.fitted(s).into_iter();
                pairs.chain([AT_NAPE]).collect()
            }));
        }
        if count.is_multiple_of(2) {
            // So do those with a pair less for a short one behind the ears.
            for (start, mouth) in known(count.saturating_sub(2))
                .iter()
                .flat_map(|s| BEHIND_EARS.map(|mouth| (s, mouth)))
            {
                let short = Gene {
                    mouth,
                    lean: 0.0,
                    depth: 0.1,
                };
                starts.push(self.fitted(start).into_iter().chain([short]).collect());
            }
        }
        for round in 0..self.options.restarts {
            starts.push(self.grown(count, round, tried));
        }
        *tried += starts.len();
        ranked(
            starts
                .into_par_iter()
                .map(|genes| {
                    let genes = self.mended(count, genes);
                    let layout = self.mirrored(count, &genes);
                    let cost = self.cost(&layout);
                    Candidate {
                        genes,
                        layout,
                        cost,
                    }
                })
                .collect(),
        )
    }

    /// The nearest genes that keep the rules, as far as a short search finds them: rules are in
    /// millimetres, so what kept them on one head may break them on a smaller one. Nothing is laid flat.
    fn mended(&self, count: usize, genes: Vec<Gene>) -> Vec<Gene> {
        let from = flat(&genes);
        let cost = |x: &[f64]| match self.shortfall(&self.mirrored(count, &whole(x))) {
            Some(short) if short > 0.0 => BREACH + short,
            Some(_) => x.iter().zip(&from).map(|(a, b)| (a - b).powi(2)).sum(),
            None => CANNOT,
        };
        let effort = Effort {
            population: 10,
            generations: 12,
            step: 0.02,
            seed: count as u64,
        };
        if cost(&from) < BREACH {
            return genes;
        }
        whole(&minimise(&from, effort, cost).0)
    }

    /// By how much of their rules the darts of a layout are too near to something; `None` when it can't
    /// be cut.
    fn shortfall(&self, layout: &Layout) -> Option<f64> {
        let cut = self.cutter.cut(layout).ok()?;
        Some(shortfall(&self.ground.breaches(&cut)))
    }

    /// A known start on this head: mouths at the same parts of the perimeter, points at the same parts of
    /// the head.
    fn fitted(&self, start: &[Start]) -> Vec<Gene> {
        let gene = |s: &Start| {
            let leaning = Gene {
                mouth: s.mouth,
                lean: 1.0,
                depth: 0.25,
            };
            let side = self.ruler.sides()[0];
            let spec = self.ruler.spec(leaning, side);
            let [x, y, z] = s.point;
            let x = if side == Side::Left { -x } else { x };
            let place = self.patch.head.at_parts([x, y, z]);
            let (Towards::Turned(to_front), Some((turn, depth))) =
                (spec.towards, self.cutter.aimed(&spec, place))
            else {
                return leaning;
            };
            self.ruler.gene(s.mouth, turn * to_front, depth)
        };
        start.iter().map(gene).collect()
    }

    /// A start from nothing: pair after pair where it helps most, all of them moved after each.
    fn grown(&self, count: usize, round: usize, tried: &mut usize) -> Vec<Gene> {
        let mut random = fastrand::Rng::with_seed((1000 * count + round) as u64);
        // Every other round goes on from the best known layout with a pair less.
        let fewer = known((2 * (count / 2)).saturating_sub(2));
        let mut genes = match fewer.get(round / 2 % fewer.len().max(1)) {
            Some(start) if round % 2 == 1 => self.fitted(start),
            _ => Vec::new(),
        };
        let cost = |genes: &[Gene]| self.cost(&self.ruler.mirrored("", genes, None));
        for _ in genes.len()..count / 2 {
            let drawn: Vec<Vec<Gene>> = (0..GROWTH)
                .map(|_| {
                    let any = [random.f64(), random.f64(), random.f64()];
                    let more = genes.iter().copied().chain([Gene::from_unit(&any)]);
                    more.collect()
                })
                .collect();
            let judged: Vec<f64> = drawn.par_iter().map(|g| cost(g)).collect();
            let best = (0..GROWTH).min_by(|&a, &b| judged[a].total_cmp(&judged[b]));
            genes.clone_from(&drawn[best.unwrap_or(0)]);
            let effort = Effort {
                population: 12,
                generations: 12,
                step: 0.08,
                seed: random.u64(..),
            };
            genes = whole(&minimise(&flat(&genes), effort, |x| cost(&whole(x))).0);
            *tried += GROWTH + 144;
        }
        if count % 2 == 1 {
            genes.push(AT_NAPE);
        }
        genes
    }

    /// Moves the darts of the best starts, and those of the best of these until the effort is spent.
    fn improve(&self, candidates: &mut Vec<Candidate>, uneven_mm: f64, tried: &mut usize) {
        let count = candidates[0].layout.darts.len();
        let effort = Effort {
            population: self.options.population,
            generations: self.options.generations / 2,
            step: self.options.step,
            seed: count as u64,
        };
        let mut moved: Vec<Candidate> = candidates
            .iter()
            .take(STARTS)
            .map(|start| self.moved(start, effort, tried))
            .collect();
        moved = ranked(moved);
        let further = Effort {
            generations: self.options.generations,
            step: 0.5 * effort.step,
            ..effort
        };
        let best = self.moved(&moved[0], further, tried);
        if uneven_mm > UNEVEN_MM {
            moved.push(self.each_moved(&best, further, tried));
        }
        moved.push(best);
        candidates.append(&mut moved);
        *candidates = ranked(std::mem::take(candidates));
    }

    /// Mirror pairs moved about.
    fn moved(&self, start: &Candidate, effort: Effort, tried: &mut usize) -> Candidate {
        let count = start.layout.darts.len();
        let layout = |x: &[f64]| self.mirrored(count, &whole(x));
        let (best, cost) = minimise(&flat(&start.genes), effort, |x| self.cost(&layout(x)));
        *tried += effort.population * effort.generations + 1;
        Candidate {
            layout: layout(&best),
            genes: whole(&best),
            cost,
        }
    }

    /// Each dart moved for itself, from the best mirror pairs.
    fn each_moved(&self, start: &Candidate, effort: Effort, tried: &mut usize) -> Candidate {
        let count = start.layout.darts.len();
        let from = self.both_sides(count, &start.genes);
        let layout = |x: &[f64]| self.each(&whole(x));
        let (best, cost) = minimise(&from, effort, |x| self.cost(&layout(x)));
        *tried += effort.population * effort.generations + 1;
        Candidate {
            layout: layout(&best),
            genes: start.genes.clone(),
            cost,
        }
    }

    /// `count` darts as mirror pairs; an odd one out goes to the nape's centre.
    fn mirrored(&self, count: usize, genes: &[Gene]) -> Layout {
        let name = format!("auto, {count} darts");
        let single = (count % 2 == 1).then(|| genes[genes.len() - 1].depth);
        self.ruler.mirrored(&name, &genes[..count / 2], single)
    }

    /// The genes of mirror pairs as one for each dart, those of [`Ruler::sides`]'s first side first.
    fn both_sides(&self, count: usize, genes: &[Gene]) -> Vec<f64> {
        let pairs = &genes[..count / 2];
        let twice = pairs.iter().chain(pairs).chain(&genes[count / 2..]);
        twice.flat_map(|g| g.to_unit()).collect()
    }

    /// Darts of which the first half are on one side and the second on the other.
    fn each(&self, genes: &[Gene]) -> Layout {
        let pairs = genes.len() / 2;
        let [first, second] = self.ruler.sides();
        let mut darts = Vec::with_capacity(genes.len());
        for k in 0..pairs {
            darts.push(self.ruler.spec(genes[k], first));
            darts.push(self.ruler.spec(genes[k + pairs], second));
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

    /// What a layout keeps its distance from by little more than a rule asks.
    fn held_back_by(&self, layout: &Layout) -> Vec<Near> {
        let ground = Ground::new(self.patch, self.options.rules.widened(HELD_BACK_MM));
        let Ok(cut) = self.cutter.cut(layout) else {
            return Vec::new();
        };
        let mut kinds: Vec<Near> = ground
            .breaches(&cut)
            .iter()
            .map(|b| b.near.kind())
            .collect();
        kinds.sort_unstable();
        kinds.dedup();
        kinds
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
        let short = shortfall(&self.ground.breaches(&cut));
        if short > 0.0 {
            return BREACH + short;
        }
        self.lay(layout, &cut)
            .map_or(CANNOT, |reach| self.price(&reach))
    }

    /// What a layout that breaks no rule costs.
    fn price(&self, reach: &Reach) -> f64 {
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
            take_up_mm: Vec::new(),
        }))
    }

    /// The same without the darts that let out next to nothing, unless that costs strain: a search that
    /// has a pair too many closes it, and the maker would sew it for nothing.
    fn without_idle(&self, reach: Reach) -> Result<Reach, DartError> {
        let idle = |k: usize| reach.take_up_mm[k] < IDLE_MM;
        let darts = &reach.layout.darts;
        let needed: Vec<_> = (0..darts.len().min(reach.take_up_mm.len()))
            .filter(|&k| !idle(k))
            .map(|k| darts[k].clone())
            .collect();
        if needed.len() == darts.len() || needed.is_empty() {
            return Ok(reach);
        }
        // A gene stands for a mirror pair, and a last one for the dart at the nape.
        let of_gene = |g: &usize| [2 * g, 2 * g + 1].into_iter().filter(|&k| k < darts.len());
        let genes = (0..reach.genes.len())
            .filter(|g| !of_gene(g).all(idle))
            .map(|g| reach.genes[g])
            .collect();
        let fewer = Reach {
            genes,
            ..self.reach(&Layout {
                name: format!("auto, {} darts", needed.len()),
                darts: needed,
                ..reach.layout.clone()
            })?
        };
        let as_good =
            fewer.p95 <= reach.p95 + IDLE_STRAIN && (self.meets(&fewer) || !self.meets(&reach));
        Ok(if as_good { fewer } else { reach })
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
        let sides: Vec<(&Panel, &[Point2])> = cut
            .panels
            .iter()
            .zip(&laid)
            .map(|(panel, (map, _))| (panel, &map.uv[..]))
            .collect();
        let mouths = cut.darts.iter().map(|dart| dart.path[0]);
        let take_up_mm = mouths.map(|mouth| take_up(&sides, mouth)).collect();
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
            take_up_mm,
        })
    }
}

/// Distance in the plane between the two sides of a dart at its mouth, mm; 0 where there is none.
fn take_up(panels: &[(&Panel, &[Point2])], mouth: u32) -> f64 {
    let sides: Vec<Point2> = panels
        .iter()
        .flat_map(|(panel, uv)| {
            let on_mouth = |v: &u32| panel.origin[*v as usize] == mouth;
            let found = panel.loops.iter().flat_map(|l| &l.vertices);
            found.filter(move |v| on_mouth(v)).map(|&v| uv[v as usize])
        })
        .collect();
    match sides[..] {
        [a, b] => (b - a).norm(),
        _ => 0.0,
    }
}
