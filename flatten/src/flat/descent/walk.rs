//! The descent under way: where to step next, how far, and when to stop.

use crate::Point2;

use super::super::{
    contact::Contact,
    energy::Density,
    flip::step_bound,
    vectors::{Field, add_scaled, dot, sum_into},
};

use super::{Descent, metric::Metric};

/// Pairs of steps and slopes kept.
const MEMORY: usize = 8;
/// Share of the way to the first flip that a step may go.
const SHY_OF_FLIP: f64 = 0.9;
/// Part of the slope's promise that a step must keep (Armijo).
const KEPT_PROMISE: f64 = 1e-4;
/// Tries of a step, each shorter, before it is given up.
const TRIES: usize = 30;
/// Relative change of energy that is lost in the round-off of its sum.
const ROUND_OFF: f64 = 1e-12;

/// Steps between two looks at the pace.
const PACE_STEPS: usize = 6;
/// Steps still to be expected at which factoring the curvature pays.
const SLOW: f64 = 8.0;

/// Where a map is looked for whose boundary does not cross itself: parts of the way from one that did
/// not to one that does.
const WAYS_BACK: [f64; 7] = [0.97, 0.93, 0.85, 0.7, 0.4, 0.15, 0.0];

/// Share of its energy that a descent in contact with itself must win between two looks to go on:
/// sliding along a cushion is slow, and the last thousandth of a bad layout is of no use.
const WORTHWHILE: f64 = 1e-3;

/// One state of the descent.
struct State {
    uv: Field,
    gradient: Field,
    energy: f64,
}

pub(super) enum Progress {
    Moved,
    Arrived,
    Stuck,
}

/// The descent under way.
pub(super) struct Walk<'d, 'a, D> {
    descent: &'d Descent<'a>,
    density: &'d D,
    state: State,
    tried: State,
    forces: Vec<[[f64; 2]; 3]>,
    pairs: Vec<Pair>,
    contact: Option<Contact>,
    metric: Metric,
    /// What was left to do at the last look at the pace.
    last_look: f64,
    last_energy: f64,
    /// Whether the boundary is free of crossings, and the last map before it was not.
    clear: bool,
    last_clear: Option<Field>,
    /// Root mean square strain that the next step would change, and the one before.
    slope: f64,
    last_slope: f64,
    first_slope: f64,
}

struct Pair {
    step: Field,
    slope_change: Field,
    /// 1 / (step · slope change).
    inverse: f64,
}

impl<'d, 'a, D: Density> Walk<'d, 'a, D> {
    /// From a map; `curved` with the energy's own curvature for its metric.
    pub(super) fn new(
        descent: &'d Descent<'a>,
        density: &'d D,
        start: &[Point2],
        curved: bool,
    ) -> Self {
        let uv: Field = start.iter().map(|p| [p.x, p.y]).collect();
        let count = uv.len();
        let mut forces = vec![[[0.0; 2]; 3]; descent.mesh.face_count()];
        let mut gradient = vec![[0.0; 2]; count];
        let clear = !descent.crosses(&uv);
        let contact = (descent.cushioned && clear).then(|| descent.cushion(density));
        let energy = descent.evaluate(density, &uv, &mut forces, &mut gradient, contact.as_ref());
        Self {
            descent,
            density,
            state: State {
                uv,
                gradient,
                energy,
            },
            tried: State {
                uv: vec![[0.0; 2]; count],
                gradient: vec![[0.0; 2]; count],
                energy: f64::INFINITY,
            },
            forces,
            pairs: Vec::new(),
            metric: Metric::new(curved, contact.is_some()),
            contact,
            last_slope: f64::INFINITY,
            last_look: f64::INFINITY,
            last_energy: f64::INFINITY,
            clear,
            last_clear: None,
            slope: f64::INFINITY,
            first_slope: 0.0,
        }
    }

    pub(super) fn points(&self) -> Vec<Point2> {
        let point = |p: &[f64; 2]| Point2::new(p[0], p[1]);
        self.state.uv.iter().map(point).collect()
    }

    pub(super) fn energy(&self) -> f64 {
        self.state.energy
    }

    pub(super) fn in_contact(&self) -> bool {
        self.contact.is_some()
    }

    /// What the next step would change of strain against the most that one did.
    pub(super) fn part_left(&self) -> f64 {
        self.slope / self.first_slope.max(f64::MIN_POSITIVE)
    }

    /// Takes one step, if there is one to take.
    pub(super) fn step(&mut self, tolerance: f64) -> Progress {
        if !self.state.energy.is_finite() {
            return Progress::Stuck;
        }
        if self.metric.is_due(self.in_contact()) {
            self.renew_metric();
        }
        let Some((mut direction, mut promise)) = self.aim() else {
            return Progress::Stuck;
        };
        let (change, before) = (self.slope, self.last_slope);
        if self.metric.is_old(change, before, tolerance) {
            self.renew_metric();
            let Some(anew) = self.aim() else {
                return Progress::Stuck;
            };
            (direction, promise) = anew;
        }
        self.metric.aimed(self.slope);
        self.last_slope = self.slope;
        self.first_slope = self.first_slope.max(self.slope);
        if self.slope <= tolerance {
            // The step is known by now, and the metric that it was found with was the dear part of it.
            self.search(&direction, promise);
            return Progress::Arrived;
        }
        if self.search(&direction, promise) {
            return self.watch_pace(tolerance);
        }
        if -promise <= ROUND_OFF * self.state.energy {
            return Progress::Arrived;
        }
        let was_old = self.metric.stop_keeping();
        if was_old || !self.pairs.is_empty() {
            self.pairs.clear();
            return self.step(tolerance);
        }
        Progress::Stuck
    }

    /// Where to go and how fast the energy falls that way; none without a metric.
    fn aim(&mut self) -> Option<(Field, f64)> {
        let mut direction = self.direction()?;
        let mut promise = dot(&self.state.gradient, &direction);
        if promise >= 0.0 && !self.pairs.is_empty() {
            self.pairs.clear();
            direction = self.direction()?;
            promise = dot(&self.state.gradient, &direction);
        }
        self.slope = if self.metric.is_curvature() {
            self.descent.mean_change(&direction)
        } else {
            let stiff = 2.0 * self.density.stiffness();
            (-promise / stiff).max(0.0).sqrt()
        };
        Some((direction, promise))
    }

    /// −(approximate inverse curvature) · slope, by the two-loop recursion.
    fn direction(&self) -> Option<Field> {
        let mut q: Field = self.state.gradient.clone();
        let mut shares = Vec::with_capacity(self.pairs.len());
        for pair in self.pairs.iter().rev() {
            let share = pair.inverse * dot(&pair.step, &q);
            add_scaled(&mut q, -share, &pair.slope_change);
            shares.push(share);
        }
        self.metric.solve(self.descent, &mut q)?;
        for (pair, share) in self.pairs.iter().zip(shares.iter().rev()) {
            let back = pair.inverse * dot(&pair.slope_change, &q);
            add_scaled(&mut q, share - back, &pair.step);
        }
        for d in &mut q {
            *d = [-d[0], -d[1]];
        }
        Some(q)
    }

    /// Moves along `direction` as far as is safe and pays; false if nowhere.
    fn search(&mut self, direction: &Field, promise: f64) -> bool {
        let descent = self.descent;
        let faces = descent.mesh.faces();
        let bound = step_bound(faces, &self.state.uv, direction, 1.0 / SHY_OF_FLIP);
        let mut step = (SHY_OF_FLIP * bound).min(1.0);
        for _ in 0..TRIES {
            sum_into(&mut self.tried.uv, &self.state.uv, step, direction);
            // Beyond a crossing the cushion pushes the wrong way: its cost tells nothing of how far to go.
            if self.contact.is_some() && descent.crosses(&self.tried.uv) {
                step *= 0.5;
                continue;
            }
            self.tried.energy = descent.evaluate(
                self.density,
                &self.tried.uv,
                &mut self.forces,
                &mut self.tried.gradient,
                self.contact.as_ref(),
            );
            let gain = self.tried.energy - self.state.energy;
            if self.tried.energy.is_finite() && gain <= KEPT_PROMISE * step * promise {
                self.accept(direction, step);
                return true;
            }
            // Minimum of the parabola through the slope and the tried energy.
            let parabola = -0.5 * promise * step * step / (gain - promise * step);
            step = if parabola.is_finite() {
                parabola.clamp(0.1 * step, 0.5 * step)
            } else {
                0.3 * step
            };
        }
        false
    }

    fn accept(&mut self, direction: &Field, step: f64) {
        // The oldest pair's memory is used again.
        let (mut moved, mut change) = if self.pairs.len() == MEMORY {
            let oldest = self.pairs.remove(0);
            (oldest.step, oldest.slope_change)
        } else {
            let count = direction.len();
            (vec![[0.0; 2]; count], vec![[0.0; 2]; count])
        };
        moved.fill([0.0; 2]);
        add_scaled(&mut moved, step, direction);
        sum_into(
            &mut change,
            &self.tried.gradient,
            -1.0,
            &self.state.gradient,
        );
        let curvature = dot(&moved, &change);
        if curvature > 0.0 {
            self.pairs.push(Pair {
                step: moved,
                slope_change: change,
                inverse: 1.0 / curvature,
            });
        }
        std::mem::swap(&mut self.state, &mut self.tried);
        if self.contact.is_none() {
            let clear = !self.descent.crosses(&self.state.uv);
            if self.clear && !clear {
                self.last_clear = Some(self.tried.uv.clone());
            }
            self.clear = clear;
        }
    }

    /// Takes the energy's own curvature for the metric when too many steps are still to be expected.
    fn watch_pace(&mut self, tolerance: f64) -> Progress {
        self.metric.grow_older();
        if !self.metric.age().is_multiple_of(PACE_STEPS) {
            return Progress::Moved;
        }
        let gained = self.last_energy - self.state.energy;
        self.last_energy = self.state.energy;
        if self.contact.is_some() && gained < WORTHWHILE * self.state.energy {
            return Progress::Stuck;
        }
        let pace = (self.slope / self.last_look).ln() / PACE_STEPS as f64;
        let left = (tolerance / self.slope).ln() / pace;
        self.last_look = self.slope;
        if !(self.metric.is_wanted() || pace < 0.0 && left < SLOW) {
            self.renew_metric();
        }
        Progress::Moved
    }

    /// Takes the energy's own curvature here for the metric; the Laplacian where that has no factor.
    fn renew_metric(&mut self) {
        let (descent, contact) = (self.descent, self.contact.as_ref());
        let uv = &self.state.uv;
        self.metric
            .renew(descent, self.density, uv, contact, self.slope);
        self.pairs.clear();
    }

    /// Goes back to where the boundary did not cross itself and cushions it there, the energy counting
    /// the cushion too; false where that is not needed, or there is no such map.
    pub(super) fn keep_apart(&mut self) -> bool {
        let Some(mut clear) = self.last_clear.take().filter(|_| !self.clear) else {
            return false;
        };
        let descent = self.descent;
        let contact = descent.cushion(self.density);
        // As far as possible on the straight way from there to the map just found.
        let found = self.state.uv.clone();
        lay_over(&found, &mut clear);
        let ways = WAYS_BACK.map(|part| {
            let between = clear.iter().zip(&found);
            between
                .map(|(a, b)| [0, 1].map(|k| a[k] + part * (b[k] - a[k])))
                .collect::<Field>()
        });
        for uv in ways {
            self.state.energy = descent.evaluate(
                self.density,
                &uv,
                &mut self.forces,
                &mut self.state.gradient,
                Some(&contact),
            );
            let usable = self.state.energy.is_finite() && !descent.crosses(&uv);
            self.state.uv = uv;
            if usable {
                break;
            }
        }
        self.contact = Some(contact);
        self.clear = true;
        self.last_energy = f64::INFINITY;
        self.metric.forget();
        self.pairs.clear();
        true
    }
}

/// Moves and turns `map` until its vertices lie nearest to those of `target`.
fn lay_over(target: &[[f64; 2]], map: &mut [[f64; 2]]) {
    let middle = |field: &[[f64; 2]]| {
        let sum = field
            .iter()
            .fold([0.0; 2], |s, p| [s[0] + p[0], s[1] + p[1]]);
        sum.map(|x| x / field.len() as f64)
    };
    let (to, from) = (middle(target), middle(map));
    let (mut cos, mut sin) = (0.0, 0.0);
    for (t, p) in target.iter().zip(&*map) {
        let (t, p) = (
            [t[0] - to[0], t[1] - to[1]],
            [p[0] - from[0], p[1] - from[1]],
        );
        cos += p[0] * t[0] + p[1] * t[1];
        sin += p[0] * t[1] - p[1] * t[0];
    }
    let length = f64::hypot(cos, sin).max(f64::MIN_POSITIVE);
    let (cos, sin) = (cos / length, sin / length);
    for p in map {
        let (x, y) = (p[0] - from[0], p[1] - from[1]);
        *p = [to[0] + cos * x - sin * y, to[1] + sin * x + cos * y];
    }
}
