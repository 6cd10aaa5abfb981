//! Minimising a costly function of a few numbers: a model of it is asked first where to look.
//!
//! # Method
//! What is known of the function so far is a Gaussian process with Matérn's kernel of order 5/2 (Rasmussen &
//! Williams 2006, Gaussian Processes for Machine Learning, sections 2.2, 4.2.1 and 5.4.1: mean and
//! variance set to where the likelihood is greatest, the length from a list). Points are drawn about the best ones
//! found, nearer after a round that gained nothing and farther after one that did, as in a trust region (Eriksson
//! et al. 2019, arXiv:1910.01739). Asked for are those with the lowest bound, mean less deviation (Srinivas et al.
//! 2010, arXiv:0912.3995), a few at a time: the model takes its own mean for the answer of each until all are in
//! (Ginsbourger, Le Riche & Carraro 2010, Kriging is well-suited to parallelize optimization).
//!
//! Draws come from seeded generators, one for each, and answers are taken in order, so that the result does
//! not depend on the number of threads.
//!
//! Points live in the unit cube: a coordinate outside is folded back at the walls.

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use rayon::prelude::*;

use super::evolve::{fold, normal};

/// A point of the unit cube and its cost; infinite where there is none.
pub(crate) type Point = (Vec<f64>, f64);

/// How long and how widely to look.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Plan {
    /// Most rounds.
    pub(crate) rounds: usize,
    /// Points a round.
    pub(crate) batch: usize,
    /// Deviation of the first draws, in fractions of the cube.
    pub(crate) width: f64,
    /// Seed of the draws.
    pub(crate) seed: u64,
}

/// Points drawn for the model to choose from, each round.
const DRAWN: usize = 96;
/// Draws for one of them until it is allowed.
const TRIES: usize = 50;
/// Best points that are drawn about: one half of the draws about the first, one half about any of them.
const CENTRES: usize = 3;
/// Rounds without gain after which no more is looked for.
const PATIENCE: usize = 5;
/// Change of the draws' deviation after a round that gained and after one that did not.
const WIDER: f64 = 1.3;
const NEARER: f64 = 0.7;
/// Greatest deviation of the draws, in first ones.
const WIDEST: f64 = 4.0;
/// Distances in the cube over which the function may lose its memory.
const LENGTHS: [f64; 5] = [0.04, 0.08, 0.16, 0.32, 0.64];
/// Part of the variance that is noise: each point has a mesh of its own.
const NOISE: f64 = 1e-3;
/// Points from the best one on whose costs are told apart; those of worse ones matter by their logarithm.
const TOLD_APART: usize = 12;

/// Smallest difference of costs that matters.
const LEAST_SPREAD: f64 = 1e-6;

/// Answers asked for, in order, beside the known ones; `ask` answers at a point, and `cost` is what the answer is worth.
/// What is not `allowed`, which is far cheaper to ask, is drawn again.
pub(crate) fn explore<T, F, A>(
    known: &[Point],
    plan: Plan,
    allowed: A,
    ask: F,
    cost: impl Fn(&T) -> f64,
) -> Vec<T>
where
    T: Send,
    F: Fn(&[f64]) -> T + Sync,
    A: Fn(&[f64]) -> bool + Sync,
{
    let mut points = known.to_vec();
    let mut answers = Vec::new();
    let mut random = fastrand::Rng::with_seed(plan.seed);
    let (mut width, mut in_vain) = (plan.width, 0);
    for _ in 0..plan.rounds {
        let best = best_first(&points);
        let Some(&first) = best.first() else { break };
        let least = points[first].1;
        let drawn = drawn_about(&points, &best, width, &mut random, &allowed);
        let chosen = chosen(&points, drawn, plan.batch);
        let answered: Vec<T> = chosen.par_iter().map(|x| ask(x)).collect();
        points.extend(chosen.into_iter().zip(answered.iter().map(&cost)));
        let gained = answered.iter().any(|answer| cost(answer) < least);
        answers.extend(answered);
        if gained {
            width = (WIDER * width).min(WIDEST * plan.width);
            in_vain = 0;
        } else {
            width *= NEARER;
            in_vain += 1;
        }
        if in_vain == PATIENCE {
            break;
        }
    }
    answers
}

fn best_first(points: &[Point]) -> Vec<usize> {
    let mut order: Vec<usize> = (0..points.len()).collect();
    order.sort_by(|&a, &b| points[a].1.total_cmp(&points[b].1));
    order
}

/// Allowed points about the best ones.
fn drawn_about(
    points: &[Point],
    best: &[usize],
    width: f64,
    random: &mut fastrand::Rng,
    allowed: &(impl Fn(&[f64]) -> bool + Sync),
) -> Vec<Vec<f64>> {
    let draws: Vec<(u64, usize)> = (0..DRAWN)
        .map(|k| {
            let any = random.usize(..CENTRES.min(best.len()));
            (random.u64(..), best[if k % 2 == 0 { 0 } else { any }])
        })
        .collect();
    let draw = |(seed, centre): (u64, usize)| {
        let mut random = fastrand::Rng::with_seed(seed);
        let mut moved = |c: &f64| fold(c + width * normal(&mut random));
        let mut near = (0..TRIES).map(|_| points[centre].0.iter().map(&mut moved).collect());
        near.find(|x: &Vec<f64>| allowed(x))
    };
    draws.into_par_iter().filter_map(draw).collect()
}

/// The drawn points that are most worth asking for; the first ones where too little is known for a model.
fn chosen(points: &[Point], mut drawn: Vec<Vec<f64>>, batch: usize) -> Vec<Vec<f64>> {
    let known = points.iter().filter(|point| point.1.is_finite());
    let (mut at, costs): (Vec<Vec<f64>>, Vec<f64>) = known.cloned().unzip();
    let mut values = told_apart(&costs);
    let Some(mut model) = Model::likeliest(&at, &values) else {
        drawn.truncate(batch);
        return drawn;
    };
    let mut chosen = Vec::with_capacity(batch);
    while chosen.len() < batch {
        let guesses: Vec<[f64; 2]> = drawn.par_iter().map(|x| model.guess(x)).collect();
        let bound = |&k: &usize| guesses[k][0] - guesses[k][1];
        let lowest = (0..drawn.len()).min_by(|a, b| bound(a).total_cmp(&bound(b)));
        let Some(k) = lowest else { break };
        let [mean, _] = guesses[k];
        let x = drawn.swap_remove(k);
        at.push(x.clone());
        values.push(mean);
        chosen.push(x);
        match Model::new(&at, &values, model.length) {
            Some(further) => model = further,
            None => break,
        }
    }
    chosen
}

/// Costs in parts of the distance from the best to the twelfth, or the middle one; beyond that their logarithm.
fn told_apart(costs: &[f64]) -> Vec<f64> {
    let mut order = costs.to_vec();
    order.sort_by(f64::total_cmp);
    let Some(&best) = order.first() else {
        return Vec::new();
    };
    let spread = order[(order.len() / 2).min(TOLD_APART)] - best;
    let part = |&cost: &f64| {
        let part = (cost - best) / spread.max(LEAST_SPREAD);
        if part > 1.0 { 1.0 + part.ln() } else { part }
    };
    costs.iter().map(part).collect()
}

/// A Gaussian process through what is known.
pub(super) struct Model {
    at: Vec<Vec<f64>>,
    length: f64,
    factor: Cholesky<f64, Dyn>,
    weights: DVector<f64>,
    mean: f64,
    variance: f64,
    likelihood: f64,
}

impl Model {
    /// `None` for fewer than two points, or where they can't be told apart.
    fn new(at: &[Vec<f64>], values: &[f64], length: f64) -> Option<Self> {
        let count = at.len();
        if count < 2 {
            return None;
        }
        let mut related = DMatrix::from_fn(count, count, |i, j| relation(&at[i], &at[j], length));
        for i in 0..count {
            related[(i, i)] += NOISE;
        }
        let factor = Cholesky::new(related)?;
        let (values, ones) = (
            DVector::from_column_slice(values),
            DVector::from_element(count, 1.0),
        );
        let of_ones = factor.solve(&ones);
        let mean = of_ones.dot(&values) / of_ones.sum();
        let rest = values - ones * mean;
        let weights = factor.solve(&rest);
        let variance = (rest.dot(&weights) / count as f64).max(f64::MIN_POSITIVE);
        // Of the determinant's root, up to what does not depend on the length.
        let root: f64 = factor.l_dirty().diagonal().map(f64::ln).sum();
        Some(Self {
            at: at.to_vec(),
            length,
            factor,
            weights,
            mean,
            variance,
            likelihood: -0.5 * count as f64 * variance.ln() - root,
        })
    }

    pub(super) fn likeliest(at: &[Vec<f64>], values: &[f64]) -> Option<Self> {
        let models = LENGTHS
            .iter()
            .filter_map(|&length| Self::new(at, values, length));
        models.max_by(|a, b| a.likelihood.total_cmp(&b.likelihood))
    }

    /// Mean and deviation at a point.
    pub(super) fn guess(&self, x: &[f64]) -> [f64; 2] {
        let relations = self.at.iter().map(|at| relation(at, x, self.length));
        let mut related = DVector::from_iterator(self.at.len(), relations);
        let mean = self.mean + related.dot(&self.weights);
        self.factor
            .l_dirty()
            .solve_lower_triangular_mut(&mut related);
        let left = (1.0 + NOISE - related.norm_squared()).max(0.0);
        [mean, (self.variance * left).sqrt()]
    }
}

/// Matérn's kernel of order 5/2.
fn relation(a: &[f64], b: &[f64], length: f64) -> f64 {
    let squares = a.iter().zip(b).map(|(a, b)| (a - b).powi(2));
    let r = (5.0 * squares.sum::<f64>()).sqrt() / length;
    (1.0 + r + r * r / 3.0) * (-r).exp()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plan(rounds: usize) -> Plan {
        Plan {
            rounds,
            batch: 4,
            width: 0.05,
            seed: 7,
        }
    }

    fn best(points: &[Point]) -> &Point {
        points.iter().min_by(|a, b| a.1.total_cmp(&b.1)).unwrap()
    }

    fn explored<F, A>(known: &[Point], plan: Plan, allowed: A, value: F) -> Vec<Point>
    where
        F: Fn(&[f64]) -> f64 + Sync,
        A: Fn(&[f64]) -> bool + Sync,
    {
        explore(known, plan, allowed, |x| (x.to_vec(), value(x)), |p| p.1)
    }

    /// A bent valley in six dimensions, 0 at its bottom.
    fn valley(x: &[f64]) -> f64 {
        let bent = |w: &[f64]| 4.0 * (w[1] - 0.5 - (w[0] - 0.4).powi(2)).powi(2);
        let flat: f64 = x.iter().map(|c| (c - 0.4).powi(2)).sum();
        flat + x.windows(2).map(bent).sum::<f64>()
    }

    #[test]
    fn a_thousandth_of_the_questions_that_chance_needs() {
        let start = vec![0.7, 0.2, 0.8, 0.6, 0.3, 0.7];
        let known = [(start.clone(), valley(&start))];
        let found = explored(&known, plan(20), |_| true, valley);
        assert!(found.len() <= 80);
        let mut random = fastrand::Rng::with_seed(7);
        let chance = (0..80_000).map(|_| valley(&[(); 6].map(|()| random.f64())));
        let chance = chance.fold(f64::INFINITY, f64::min);
        assert!(best(&found).1 < chance, "{} {chance}", best(&found).1);
    }

    #[test]
    fn the_model_knows_what_it_was_told_and_doubts_what_is_far() {
        let at = vec![vec![0.1, 0.1], vec![0.2, 0.1], vec![0.1, 0.3]];
        let model = Model::new(&at, &[1.0, 2.0, -1.0], 0.3).unwrap();
        let [mean, near] = model.guess(&at[1]);
        assert!((mean - 2.0).abs() < 0.02, "{mean}");
        let [_, far] = model.guess(&[0.9, 0.9]);
        assert!(far > 5.0 * near, "{near} {far}");
        assert!(Model::new(&at[..1], &[1.0], 0.3).is_none());
    }

    #[test]
    fn the_threads_do_not_change_the_answer() {
        let run = |threads| {
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads);
            let known = [
                (vec![0.9; 6], valley(&[0.9; 6])),
                (vec![0.1; 6], f64::INFINITY),
            ];
            let explored = || explored(&known, plan(6), |x| x[0] > 0.2, valley);
            pool.build().unwrap().install(explored)
        };
        assert_eq!(run(1), run(4));
    }

    #[test]
    fn what_is_not_allowed_is_never_asked_for() {
        // Nothing is known but a place from which what is allowed is near.
        let known = [(vec![0.5, 0.5], f64::INFINITY)];
        let allowed = |x: &[f64]| x[0] > 0.55;
        let found = explored(&known, plan(8), allowed, |x| {
            assert!(allowed(x), "{x:?}");
            (x[0] - 0.3).abs() + x[1]
        });
        let (at, _) = best(&found);
        assert!(at[0] < 0.6 && at[1] < 0.4, "{at:?}");
        let nowhere = explored(&known, plan(8), |_| false, |_| 0.0);
        assert!(nowhere.is_empty());
    }

    #[test]
    fn what_gains_nothing_is_given_up() {
        let known = [(vec![0.5, 0.5], -1.0)];
        let found = explored(&known, plan(100), |_| true, |_| 1.0);
        assert_eq!(found.len(), PATIENCE * 4);
    }
}
