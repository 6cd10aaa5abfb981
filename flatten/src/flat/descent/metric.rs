//! What the steps of a descent are measured with, and how long it serves.
//!
//! | metric | when |
//! |---|---|
//! | the Laplacian | at first on a large mesh, and where the energy's own curvature has no factor |
//! | the energy's own curvature, made anew at every step | far from the goal: a step with an old one is cut short by the few triangles that have stiffened since |
//! | the same, kept | near the goal, as long as each step leaves [`LEFT`] of the one before or less: what the curvature leaves out, the modes of negative weight, a new one leaves out too, and the pairs of steps and slopes learn it |
//! | the same, made anew now and then | where the boundary is in contact with itself: its pattern is another each time |

use super::super::{
    contact::Contact,
    curvature::{Curvature, Negative},
    energy::Density,
    vectors::Field,
};

use super::Descent;

/// Root mean square change of strain that a step would bring below which the goal is near.
const NEAR: f64 = 1e-2;

/// The same below which a metric is kept for the steps to come.
const KEPT: f64 = 3e-2;

/// Part of the last change that a step with a metric so kept may promise. One that promises more is old; the next on
/// the way to the same goal would soon be too (a tongue between two darts swings), and trying it costs a solution.
const LEFT: f64 = 0.75;

/// Growth of what is left to do, from one step to the next, at which the curvature of a boundary in contact with itself
/// is renewed; and the steps after which it is in any case.
const STALE: f64 = 1.5;
const RENEWED_AFTER: usize = 6;

/// The matrix that stands for the energy's second derivative.
#[derive(Debug)]
pub(super) struct Metric {
    /// The energy's own; without it the Laplacian.
    curvature: Option<Curvature>,
    /// Whether it is wanted from the first step.
    from_start: bool,
    /// Whether it is wanted at all.
    wanted: bool,
    /// Whether it had no factor when last asked for.
    failed: bool,
    /// Steps made with it.
    age: usize,
    /// Whether it was made near enough to the goal to be kept.
    settled: bool,
    /// Whether one is kept at all: none in contact, nor after one that was kept has grown old.
    lasting: bool,
}

impl Metric {
    /// The Laplacian; the energy's own curvature if that is wanted `from_start`.
    pub(super) fn new(from_start: bool, in_contact: bool) -> Self {
        Self {
            curvature: None,
            from_start,
            wanted: from_start,
            failed: false,
            age: 0,
            settled: false,
            lasting: !in_contact,
        }
    }

    /// Whether it is the energy's own curvature.
    pub(super) fn is_curvature(&self) -> bool {
        self.curvature.is_some()
    }

    /// Whether it is that or is to be as soon as there is one.
    pub(super) fn is_wanted(&self) -> bool {
        self.wanted
    }

    /// Steps made with it.
    pub(super) fn age(&self) -> usize {
        self.age
    }

    /// Counts a step.
    pub(super) fn grow_older(&mut self) {
        self.age += 1;
    }

    /// Whether it is made anew before the next step is aimed.
    pub(super) fn is_due(&self, in_contact: bool) -> bool {
        let first = self.from_start && self.curvature.is_none();
        let again = self.wanted && self.age > 0 && !in_contact && !self.is_kept();
        (first || again) && !self.failed
    }

    /// Whether a step aimed with it, which would change strain by `change` and the last one by `before`, had better be
    /// aimed with a new one.
    pub(super) fn is_old(&mut self, change: f64, before: f64, tolerance: f64) -> bool {
        if self.age == 0 {
            return false;
        }
        if self.is_kept() {
            self.lasting = change <= LEFT * before;
            return !self.lasting;
        }
        // Whether the goal is reached only the curvature right there can tell.
        let arrived = change <= tolerance;
        self.wanted && (self.age >= RENEWED_AFTER || change > STALE * before || arrived)
    }

    /// Notes how much of strain a step aimed with it would change.
    pub(super) fn aimed(&mut self, change: f64) {
        if self.age == 0 {
            self.settled = change < KEPT;
        }
    }

    /// Keeps none any longer; tells whether this one was.
    pub(super) fn stop_keeping(&mut self) -> bool {
        let was_kept = self.age > 0 && self.is_kept();
        self.lasting &= !was_kept;
        was_kept
    }

    fn is_kept(&self) -> bool {
        self.wanted && self.settled && self.lasting
    }

    /// Makes it the energy's own curvature at `uv`; the Laplacian where that has no factor. `change` is how much of
    /// strain the last step would have changed.
    pub(super) fn renew<D: Density>(
        &mut self,
        descent: &Descent<'_>,
        density: &D,
        uv: &[[f64; 2]],
        contact: Option<&Contact>,
        change: f64,
    ) {
        // A contact joins other pairs each time.
        let kept = self.curvature.take().filter(|_| contact.is_none());
        let mut curvature = kept.unwrap_or_else(|| descent.curvature(uv, contact));
        let negative = if change < NEAR {
            Negative::AsNothing
        } else {
            Negative::BySize
        };
        if descent.curve(density, uv, contact, &mut curvature, negative) {
            self.curvature = Some(curvature);
            self.wanted = true;
        } else {
            self.wanted = false;
            self.failed = true;
        }
        self.age = 0;
    }

    /// Forgets the curvature, whose pattern lacks what has come into contact, and keeps none from now on.
    pub(super) fn forget(&mut self) {
        self.curvature = None;
        self.lasting = false;
    }

    /// Solves for one field; none where not even the Laplacian has a factor.
    pub(super) fn solve(&self, descent: &Descent<'_>, field: &mut Field) -> Option<()> {
        match &self.curvature {
            None => descent.laplacian()?.solve_in_place(field),
            Some(curvature) => curvature.solve(field),
        }
        Some(())
    }
}
