//! Layouts that are tried: where the search starts and how it moves them about.

use rayon::prelude::*;

use super::{
    super::{DartSpec, Layout, Side, Towards},
    evolve::{Effort, minimise},
    genes::Gene,
    scout::{BREACH, CANNOT, Cost, Scout},
    starts::{Start, known, radial},
    surrogate::{Plan, Point, explore},
    unseen::Unseen,
};

/// A dart at the nape's centre, to start from.
const AT_NAPE: Gene = Gene {
    mouth: 1.0,
    lean: 0.0,
    depth: 0.2,
};

/// Mouths of a short pair, to start from.
const BEHIND_EARS: [f64; 2] = [0.68, 0.76];

/// Known starts of a number of darts that make those of fewer darts with one more needless: on seven heads none of
/// them was ever among the best three.
const ENOUGH: usize = 4;

/// Above this distance from its mirror image a head gets darts of its own on each side, mm.
const UNEVEN_MM: f64 = 4.0;

/// Places tried for each pair of a start from nothing.
const GROWTH: usize = 160;

/// A layout of the search and what it costs on the coarse copy.
#[derive(Debug, Clone)]
pub(super) struct Candidate {
    pub(super) genes: Vec<Gene>,
    pub(super) layout: Layout,
    pub(super) seen: Cost,
    /// [`Self::seen`] as one number, with what the copy is believed not to see.
    pub(super) cost: f64,
}

impl Candidate {
    /// The genes as a point of the unit cube.
    pub(super) fn place(&self) -> Vec<f64> {
        flat(&self.genes)
    }

    /// Whether mouths and points of the darts lie within a distance of another candidate's, as far as can be told
    /// without cutting: points by depth and by the arc of the turn.
    pub(super) fn is_within_mm(&self, mm: f64, other: &Self) -> bool {
        let near = |(a, b): (&DartSpec, &DartSpec)| {
            let turn = |spec: &DartSpec| match spec.towards {
                Towards::Turned(angle) => angle * spec.depth_mm,
                _ => 0.0,
            };
            let moved = [
                a.along_mm - b.along_mm,
                a.depth_mm - b.depth_mm,
                turn(a) - turn(b),
            ];
            a.from == b.from && moved.iter().all(|by| by.abs() <= mm)
        };
        let (these, others) = (&self.layout.darts, &other.layout.darts);
        these.len() == others.len() && these.iter().zip(others).all(near)
    }
}

/// Best first; what can't be cut is left out.
fn ranked(mut candidates: Vec<Candidate>) -> Vec<Candidate> {
    candidates.retain(|c| c.cost < CANNOT);
    candidates.sort_by(|a, b| a.cost.total_cmp(&b.cost));
    candidates
}

/// A cost that a model can learn from; none where a rule is broken or nothing can be laid.
fn known_cost(cost: f64) -> f64 {
    if cost < BREACH { cost } else { f64::INFINITY }
}

/// Genes as one row of numbers between 0 and 1, and back.
fn flat(genes: &[Gene]) -> Vec<f64> {
    genes.iter().flat_map(|g| g.to_unit()).collect()
}

fn whole(x: &[f64]) -> Vec<Gene> {
    x.chunks(3).map(Gene::from_unit).collect()
}

impl Scout<'_> {
    /// The known starts for a number of darts on this patch, best first.
    pub(super) fn starts(&self, count: usize, tried: &mut usize) -> Vec<Candidate> {
        let (mut starts, known) = (vec![radial(count)], known(count));
        starts.extend(known.iter().map(|s| self.fitted(s)));
        if known.len() < ENOUGH {
            starts.extend(self.of_fewer(count));
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
                    let seen = self.cost(&layout);
                    Candidate {
                        genes,
                        layout,
                        seen,
                        cost: self.total(seen, 0.0),
                    }
                })
                .collect(),
        )
    }

    /// Known starts of fewer darts with what is missing added: an odd dart at the nape's centre, for which mirror pairs
    /// leave room, or a short pair behind the ears.
    fn of_fewer(&self, count: usize) -> Vec<Vec<Gene>> {
        let short = |mouth| Gene {
            mouth,
            lean: 0.0,
            depth: 0.1,
        };
        let (fewer, more) = if count % 2 == 1 {
            (known(count - 1), vec![AT_NAPE])
        } else {
            (
                known(count.saturating_sub(2)),
                BEHIND_EARS.map(short).into(),
            )
        };
        let with = |start: &Vec<Start>| {
            let genes = self.fitted(start);
            more.iter()
                .map(move |&gene| genes.iter().copied().chain([gene]).collect())
                .collect::<Vec<_>>()
        };
        fewer.iter().flat_map(with).collect()
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
        let cost = |genes: &[Gene]| {
            let layout = self.ruler.mirrored("", genes, None);
            self.total(self.cost(&layout), 0.0)
        };
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
            *tried += GROWTH + effort.evaluations();
        }
        if count % 2 == 1 {
            genes.push(AT_NAPE);
        }
        genes
    }

    /// Moves the darts of the candidates about, their costs being what `unseen` makes of them.
    pub(super) fn improve(
        &self,
        candidates: &mut Vec<Candidate>,
        unseen: &Unseen,
        uneven_mm: f64,
        tried: &mut usize,
    ) {
        for candidate in candidates.iter_mut() {
            candidate.cost = self.total(candidate.seen, unseen.at(&candidate.place()));
        }
        *candidates = ranked(std::mem::take(candidates));
        let Some(count) = candidates.first().map(|c| c.layout.darts.len()) else {
            return;
        };
        let known = candidates.iter().map(|c| (c.place(), known_cost(c.cost)));
        let pairs = |x: &[f64]| (self.mirrored(count, &whole(x)), whole(x));
        let moved = self.explored(&known.collect::<Vec<_>>(), count, unseen, pairs);
        *tried += moved.len();
        candidates.extend(moved);
        *candidates = ranked(std::mem::take(candidates));
        if uneven_mm > UNEVEN_MM {
            let genes = candidates[0].genes.clone();
            let known = [(
                self.both_sides(count, &genes),
                known_cost(candidates[0].cost),
            )];
            let each = |x: &[f64]| (self.each(&whole(x)), genes.clone());
            let moved = self.explored(&known, count, unseen, each);
            *tried += moved.len();
            candidates.extend(moved);
            *candidates = ranked(std::mem::take(candidates));
        }
    }

    /// What comes of moving the darts of known layouts about; `at` gives a point's layout and genes.
    fn explored(
        &self,
        known: &[Point],
        count: usize,
        unseen: &Unseen,
        at: impl Fn(&[f64]) -> (Layout, Vec<Gene>) + Sync,
    ) -> Vec<Candidate> {
        let plan = Plan {
            rounds: self.options.rounds,
            batch: self.options.batch,
            width: self.options.width,
            // Another one when more is known, not to draw the same again.
            seed: (count + 1000 * known.len()) as u64,
        };
        let allowed = |x: &[f64]| self.keeps_rules(&at(x).0);
        let candidate = |x: &[f64]| {
            let (layout, genes) = at(x);
            let seen = self.cost(&layout);
            Candidate {
                cost: self.total(seen, unseen.at(&flat(&genes))),
                genes,
                layout,
                seen,
            }
        };
        explore(known, plan, allowed, candidate, |c| known_cost(c.cost))
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
}
