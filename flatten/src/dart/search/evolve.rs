//! Minimising a function that has no gradient: covariance matrix adaptation.
//!
//! # Method
//! Hansen 2016, The CMA Evolution Strategy: A Tutorial (arXiv:1604.00772), with weighted
//! recombination, cumulation and the rank-µ update, default strategy parameters of its table 1. The
//! draws come from a seeded generator and candidates are judged side by side but ranked in order, so
//! that the result does not depend on the number of threads.
//!
//! Candidates live in the unit cube: a coordinate outside is folded back at the walls before judging.

use nalgebra::{DMatrix, DVector, SymmetricEigen};
use rayon::prelude::*;

/// How long and how widely to look.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Effort {
    /// Candidates a generation.
    pub(crate) population: usize,
    /// Generations.
    pub(crate) generations: usize,
    /// First step, in fractions of the cube.
    pub(crate) step: f64,
    /// Seed of the draws.
    pub(crate) seed: u64,
}

impl Effort {
    /// How often the function is asked, that of the start included.
    pub(crate) fn evaluations(self) -> usize {
        self.population * self.generations + 1
    }
}

/// Best point found in the unit cube and its cost; the start itself when nothing beats it.
pub(crate) fn minimise<F>(start: &[f64], effort: Effort, cost: F) -> (Vec<f64>, f64)
where
    F: Fn(&[f64]) -> f64 + Sync,
{
    let mut best = (start.to_vec(), cost(start));
    if start.is_empty() {
        return best;
    }
    let mut cloud = Cloud::new(start, effort);
    for _ in 0..effort.generations {
        let drawn = cloud.draw();
        let judged: Vec<(Vec<f64>, f64)> = drawn
            .par_iter()
            .map(|x| {
                let folded: Vec<f64> = x.iter().map(|&c| fold(c)).collect();
                let value = cost(&folded);
                (folded, value)
            })
            .collect();
        let mut order: Vec<usize> = (0..judged.len()).collect();
        order.sort_by(|&a, &b| judged[a].1.total_cmp(&judged[b].1).then(a.cmp(&b)));
        if judged[order[0]].1 < best.1 {
            best = judged[order[0]].clone();
        }
        cloud.learn(&drawn, &order);
    }
    best
}

/// Reflects a coordinate into 0..1.
pub(super) fn fold(x: f64) -> f64 {
    let wrapped = x.rem_euclid(2.0);
    if wrapped > 1.0 {
        2.0 - wrapped
    } else {
        wrapped
    }
}

/// The normal distribution that candidates are drawn from.
struct Cloud {
    random: fastrand::Rng,
    population: usize,
    weights: Vec<f64>,
    mean: DVector<f64>,
    sigma: f64,
    covariance: DMatrix<f64>,
    axes: DMatrix<f64>,
    spreads: DVector<f64>,
    path_step: DVector<f64>,
    path_shape: DVector<f64>,
    rates: Rates,
}

/// Learning rates, fixed by dimension and weights.
struct Rates {
    effective: f64,
    step: f64,
    damping: f64,
    shape: f64,
    rank_one: f64,
    rank_many: f64,
    length: f64,
}

impl Rates {
    fn new(n: f64, effective: f64) -> Self {
        let step = (effective + 2.0) / (n + effective + 5.0);
        let rank_one = 2.0 / ((n + 1.3).powi(2) + effective);
        Self {
            effective,
            step,
            damping: 1.0 + 2.0 * (((effective - 1.0) / (n + 1.0)).sqrt() - 1.0).max(0.0) + step,
            shape: (4.0 + effective / n) / (n + 4.0 + 2.0 * effective / n),
            rank_one,
            rank_many: (1.0 - rank_one)
                .min(2.0 * (effective - 2.0 + 1.0 / effective) / ((n + 2.0).powi(2) + effective)),
            length: n.sqrt() * (1.0 - 1.0 / (4.0 * n) + 1.0 / (21.0 * n * n)),
        }
    }
}

impl Cloud {
    fn new(start: &[f64], effort: Effort) -> Self {
        let n = start.len();
        let parents = effort.population / 2;
        let raw: Vec<f64> = (1..=parents)
            .map(|i| (parents as f64 + 0.5).ln() - (i as f64).ln())
            .collect();
        let sum: f64 = raw.iter().sum();
        let weights: Vec<f64> = raw.iter().map(|w| w / sum).collect();
        let effective = 1.0 / weights.iter().map(|w| w * w).sum::<f64>();
        Self {
            random: fastrand::Rng::with_seed(effort.seed),
            population: effort.population,
            weights,
            mean: DVector::from_column_slice(start),
            sigma: effort.step,
            covariance: DMatrix::identity(n, n),
            axes: DMatrix::identity(n, n),
            spreads: DVector::from_element(n, 1.0),
            path_step: DVector::zeros(n),
            path_shape: DVector::zeros(n),
            rates: Rates::new(n as f64, effective),
        }
    }

    /// One generation of candidates.
    fn draw(&mut self) -> Vec<DVector<f64>> {
        let n = self.mean.len();
        (0..self.population)
            .map(|_| {
                let mut z = DVector::from_fn(n, |_, _| normal(&mut self.random));
                z.component_mul_assign(&self.spreads);
                &self.mean + self.sigma * (&self.axes * z)
            })
            .collect()
    }

    /// Moves and reshapes the distribution towards the better half, `order` best first.
    fn learn(&mut self, drawn: &[DVector<f64>], order: &[usize]) {
        let n = self.mean.len();
        let steps: Vec<DVector<f64>> = (0..self.weights.len())
            .map(|k| (&drawn[order[k]] - &self.mean) / self.sigma)
            .collect();
        let mut mean_step = DVector::zeros(n);
        for (step, &weight) in steps.iter().zip(&self.weights) {
            mean_step += weight * step;
        }
        self.mean += self.sigma * &mean_step;

        let r = &self.rates;
        let mut whitened = self.axes.transpose() * &mean_step;
        whitened.component_div_assign(&self.spreads);
        let whitened = &self.axes * whitened;
        self.path_step = (1.0 - r.step) * &self.path_step
            + (r.step * (2.0 - r.step) * r.effective).sqrt() * whitened;
        self.path_shape = (1.0 - r.shape) * &self.path_shape
            + (r.shape * (2.0 - r.shape) * r.effective).sqrt() * &mean_step;
        self.covariance *= 1.0 - r.rank_one - r.rank_many;
        self.covariance += r.rank_one * &self.path_shape * self.path_shape.transpose();
        for (step, &weight) in steps.iter().zip(&self.weights) {
            self.covariance += (r.rank_many * weight) * step * step.transpose();
        }
        let excess = self.path_step.norm() / r.length - 1.0;
        self.sigma *= (r.step / r.damping * excess).min(0.6).exp();

        let symmetric = 0.5 * (&self.covariance + self.covariance.transpose());
        let eigen = SymmetricEigen::new(symmetric);
        self.spreads = eigen.eigenvalues.map(|l| l.max(1e-12).sqrt());
        self.axes = eigen.eigenvectors;
    }
}

/// A standard normal draw (Box and Muller 1958).
pub(super) fn normal(random: &mut fastrand::Rng) -> f64 {
    let radius = (-2.0 * (1.0 - random.f64()).ln()).sqrt();
    radius * (std::f64::consts::TAU * random.f64()).cos()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn effort(generations: usize) -> Effort {
        Effort {
            population: 10,
            generations,
            step: 0.2,
            seed: 7,
        }
    }

    #[test]
    fn a_stretched_bowl_is_solved_to_its_bottom() {
        let bowl = |x: &[f64]| {
            x.iter()
                .enumerate()
                .map(|(i, c)| 30_f64.powi(i as i32) * (c - 0.3).powi(2))
                .sum()
        };
        let (at, value) = minimise(&[0.8, 0.7, 0.6, 0.9], effort(200), bowl);
        assert!(value < 1e-12, "{value}");
        assert!(at.iter().all(|c| (c - 0.3).abs() < 1e-5), "{at:?}");
    }

    #[test]
    fn the_threads_do_not_change_the_answer() {
        let bumpy = |x: &[f64]| {
            x.iter()
                .map(|c| (c - 0.4).powi(2) + 0.01 * (40.0 * c).sin())
                .sum()
        };
        let run = |threads| {
            rayon::ThreadPoolBuilder::new()
                .num_threads(threads)
                .build()
                .unwrap()
                .install(|| minimise(&[0.9, 0.1, 0.5], effort(30), bumpy))
        };
        assert_eq!(run(1), run(4));
    }

    #[test]
    fn a_start_that_nothing_beats_is_kept() {
        let (at, value) = minimise(&[0.5, 0.5], effort(5), |x| {
            if x == [0.5, 0.5] { 0.0 } else { 1.0 }
        });
        assert_eq!((at, value), (vec![0.5, 0.5], 0.0));
    }
}
