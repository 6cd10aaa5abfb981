//! Descent to the map of least strain.
//!
//! In: a mesh and a map without flips. Out: the map that a [`Density`] likes best near it, still
//! without flips, and evidence of how it was reached.
//!
//! # Method
//! Limited-memory quasi-Newton steps (Nocedal & Wright, Numerical Optimization, section 7.2) whose
//! first approximation of the curvature is the cotangent Laplacian, factored once. For least squares
//! the plain step with that matrix is exactly the local/global step of Liu et al. 2008; the kept
//! pairs of steps and slopes speed it up as in Liu, Bouaziz & Kavan 2017 (10.1145/2990496). The
//! number of steps hardly grows with the mesh. Where the pace is slow all the same (stiffening cloth,
//! kept edges) the energy's own curvature at the map reached ([`super::curvature`]) takes the
//! Laplacian's place, at each step from then on; on a small mesh it does after three steps. Every step is
//! cut short of the first flip ([`super::flip`]) and must lower the energy. The boundary may cross itself on the way, since most
//! ways lead out again; where the end does, the descent goes back to the last map that did not, cushions
//! the boundary ([`super::contact`]) and goes on without crossing.
//!
//! # Cost
//! One factorisation, then for each step one back-substitution and one or two passes over the faces; with the energy's
//! own curvature one factorisation a step.

use std::sync::OnceLock;

use rayon::prelude::*;

use crate::{
    Point2,
    mesh::{TriMesh, index},
    solve::{Cholesky, Laplacian, half_cotangents},
};

use super::{
    FlatError, FlatMap, FlatReport, LeastStrainOptions,
    contact::Contact,
    curvature::{Corners, Curvature, Negative},
    energy::{Cloth, Density, DirichletDensity, Energy, EqualDensity},
    flip::step_bound,
    lengths::Lengths,
    overlap::{self, Fold},
    stretch::Rest,
    vectors::{CHUNK, Field, add_scaled, dot, sum_into},
};

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

/// Vertices up to which the energy's own curvature is the metric from the first step. Once it is, it is renewed at every
/// one: its factor costs no more than some four steps with an old one, which seldom come as far, for they are cut
/// short by the few triangles that have stiffened since.
const SMALL: usize = 6000;

/// Steps with the Laplacian that come before those.
const FIRST_STEPS: usize = 3;

/// Growth of what is left to do, from one step to the next, at which the curvature of a boundary in contact with itself
/// is renewed, whose pattern is another each time; and the steps after which it is in any case.
const STALE: f64 = 1.5;
const RENEWED_AFTER: usize = 6;

/// Root mean square change of strain that a step would bring below which the goal is near.
const NEAR: f64 = 1e-2;

/// Where a map is looked for whose boundary does not cross itself: parts of the way from one that did
/// not to one that does.
const WAYS_BACK: [f64; 7] = [0.97, 0.93, 0.85, 0.7, 0.4, 0.15, 0.0];

/// Share of its energy that a descent in contact with itself must win between two looks to go on:
/// sliding along a cushion is slow, and the last thousandth of a bad layout is of no use.
const WORTHWHILE: f64 = 1e-3;

/// A mesh made ready to be laid flat with least strain, from one or many starts.
#[derive(Debug)]
pub struct Descent<'a> {
    mesh: &'a TriMesh,
    rest: Vec<Rest>,
    energy: Energy,
    lengths: Lengths,
    /// Corners `3 f + k` of each vertex, and where each vertex's begin.
    corners: Vec<u32>,
    first_corner: Vec<u32>,
    loops: Vec<Vec<u32>>,
    /// A vertex of each part of the surface, which holds it where it lies.
    held: Vec<u32>,
    laplacian: OnceLock<Option<Cholesky>>,
    /// Whether the energy's own curvature is the metric from the first step.
    curved: bool,
    /// Whether the boundary is cushioned from the first step.
    cushioned: bool,
    /// Whether it may be cushioned where a map lies on itself.
    rescue: bool,
    area: f64,
}

/// How long to go on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    /// Most steps.
    pub steps: usize,
    /// Root mean square change of strain that a next step would bring at which the map counts as found.
    pub tolerance: f64,
}

impl Limits {
    pub(crate) fn of(options: &LeastStrainOptions) -> Self {
        Self {
            steps: options.most_steps,
            tolerance: options.tolerance,
        }
    }
}

/// One state of the descent.
struct State {
    uv: Field,
    gradient: Field,
    energy: f64,
}

impl<'a> Descent<'a> {
    /// Measures the mesh and factors its Laplacian; of the options, the limits are [`Self::run`]'s.
    ///
    /// # Errors
    /// [`FlatError::Solve`] when the mesh has a part or triangle that leaves the Laplacian singular.
    pub fn new(mesh: &'a TriMesh, options: &LeastStrainOptions) -> Result<Self, FlatError> {
        let rest = Rest::of_mesh(mesh);
        let area = rest.iter().map(|r| r.area).sum();
        let energy = options.energy;
        let lengths = Lengths::new(mesh, options, stiffness(&energy));
        let (first_corner, corners) = corners_of_vertices(mesh);
        Ok(Self {
            mesh,
            rest,
            energy,
            lengths,
            corners,
            first_corner,
            loops: mesh.boundary_loops(),
            held: mesh.first_of_parts(),
            laplacian: OnceLock::new(),
            curved: is_small(mesh),
            cushioned: false,
            rescue: options.rescue,
            area,
        })
    }

    /// Descends from a map that is near, and from now on begins with the energy's own curvature for its metric; with
    /// the boundary cushioned where the way there was.
    pub(crate) fn onward(&mut self, near: &FlatMap, limits: &Limits) -> FlatMap {
        self.curved = true;
        self.cushioned = near.report.cushioned;
        self.run(&near.uv, limits)
    }

    /// A conformal map after a few steps of the cloth unstiffened, with the Laplacian: they even out most of what it
    /// lost or gained in size, for what one of Newton's steps costs, and spare three of those. As it is where the descent
    /// begins with the Laplacian anyway.
    pub(crate) fn evened(&self, start: &[Point2]) -> Vec<Point2> {
        if !self.curved {
            return start.to_vec();
        }
        match self.energy {
            Energy::Equal => self.first_steps(&EqualDensity, start),
            Energy::SymmetricDirichlet => self.first_steps(&DirichletDensity, start),
            Energy::Cloth(cloth) => self.first_steps(&cloth.unstiffened(), start),
        }
    }

    fn first_steps<D: Density>(&self, density: &D, start: &[Point2]) -> Vec<Point2> {
        let mut walk = Walk::new(self, density, start, false);
        for _ in 0..FIRST_STEPS {
            if !matches!(walk.step(NEAR), Progress::Moved) {
                break;
            }
        }
        walk.points()
    }

    /// Changes the energy and keeps the factor.
    pub(crate) fn set_energy(&mut self, energy: Energy) {
        self.energy = energy;
    }

    /// Descends from a map without flips.
    ///
    /// The boundary of the result does not cross itself, unless that of every map met did or
    /// [`LeastStrainOptions::rescue`] is not asked for. The result is the best map found, whether or not
    /// [`FlatReport::converged`] holds.
    #[must_use]
    pub fn run(&self, start: &[Point2], limits: &Limits) -> FlatMap {
        match self.energy {
            Energy::Equal => self.run_with(&EqualDensity, start, limits),
            Energy::SymmetricDirichlet => self.run_with(&DirichletDensity, start, limits),
            Energy::Cloth(cloth) => self.run_with(&cloth, start, limits),
        }
    }

    fn run_with<D: Density>(&self, density: &D, start: &[Point2], limits: &Limits) -> FlatMap {
        let mut walk = Walk::new(self, density, start, self.curved);
        let mut report = FlatReport::default();
        loop {
            let progress = if report.steps < limits.steps {
                walk.step(limits.tolerance)
            } else {
                Progress::Stuck
            };
            match progress {
                Progress::Moved => report.steps += 1,
                // A map that lies on itself is none: back to where it did not, and on with a cushion.
                _ if self.rescue && walk.keep_apart() => {}
                Progress::Arrived => {
                    report.converged = true;
                    break;
                }
                Progress::Stuck => break,
            }
        }
        report.energy = walk.state.energy;
        report.cushioned = walk.contact.is_some();
        report.gradient = walk.slope / walk.first_slope.max(f64::MIN_POSITIVE);
        let uv = walk.points();
        report.overlaps = overlap::crossings(&self.loops, &uv).len();
        for fold in overlap::folds(self.mesh, &uv) {
            match fold {
                Fold::Face(_) => report.flipped += 1,
                Fold::Vertex(_) => report.overlaps += 1,
            }
        }
        FlatMap { uv, report }
    }

    /// Energy at `uv` and, in `gradient`, its slope; infinite where a triangle is turned over.
    fn evaluate<D: Density>(
        &self,
        density: &D,
        uv: &[[f64; 2]],
        forces: &mut [[[f64; 2]; 3]],
        gradient: &mut [[f64; 2]],
        contact: Option<&Contact>,
    ) -> f64 {
        let mut energy = self.face_forces(density, uv, forces);
        if !energy.is_finite() {
            return f64::INFINITY;
        }
        self.gather(forces, gradient);
        energy += self.lengths.add(uv, gradient);
        if let Some(contact) = contact {
            energy += contact.add(uv, gradient);
        }
        energy
    }

    fn face_forces<D: Density>(
        &self,
        density: &D,
        uv: &[[f64; 2]],
        forces: &mut [[[f64; 2]; 3]],
    ) -> f64 {
        let part = |faces: &[[u32; 3]], rest: &[Rest], forces: &mut [[[f64; 2]; 3]]| {
            let mut sum = 0.0;
            for ((corners, rest), force) in faces.iter().zip(rest).zip(forces) {
                let [p0, p1, p2] = corners.map(|v| uv[v as usize]);
                let j = rest.jacobian(p0, p1, p2);
                if j.determinant() <= 0.0 {
                    return f64::INFINITY;
                }
                let weight = rest.area / self.area;
                let (value, by) = density.at(&j);
                sum += weight * value;
                let [a, b, c, d] = by.map(|s| weight * s);
                let f1 = [a * rest.i11 + b * rest.i12, c * rest.i11 + d * rest.i12];
                let f2 = [b * rest.i22, d * rest.i22];
                *force = [[-f1[0] - f2[0], -f1[1] - f2[1]], f1, f2];
            }
            sum
        };
        let faces = self.mesh.faces();
        if faces.len() <= CHUNK {
            return part(faces, &self.rest, forces);
        }
        let parts: Vec<f64> = faces
            .par_chunks(CHUNK)
            .zip(self.rest.par_chunks(CHUNK))
            .zip(forces.par_chunks_mut(CHUNK))
            .map(|((faces, rest), forces)| part(faces, rest, forces))
            .collect();
        parts.iter().sum()
    }

    /// Adds up each vertex's corner forces in the order of its faces.
    fn gather(&self, forces: &[[[f64; 2]; 3]], gradient: &mut [[f64; 2]]) {
        let part = |first: usize, gradient: &mut [[f64; 2]]| {
            for (k, slope) in gradient.iter_mut().enumerate() {
                let vertex = first + k;
                let range =
                    self.first_corner[vertex] as usize..self.first_corner[vertex + 1] as usize;
                let mut sum = [0.0; 2];
                for &corner in &self.corners[range] {
                    let force = forces[(corner / 3) as usize][(corner % 3) as usize];
                    sum = [sum[0] + force[0], sum[1] + force[1]];
                }
                *slope = sum;
            }
        };
        if gradient.len() <= CHUNK {
            return part(0, gradient);
        }
        gradient
            .par_chunks_mut(CHUNK)
            .enumerate()
            .for_each(|(chunk, gradient)| part(chunk * CHUNK, gradient));
    }

    /// An empty matrix for the energy's curvature, with the pairs that a contact at `uv` joins.
    fn curvature(&self, uv: &[[f64; 2]], contact: Option<&Contact>) -> Curvature {
        let mut further = self.lengths.pairs();
        if let Some(contact) = contact {
            further.extend(contact.pairs(uv));
        }
        Curvature::new(self.mesh, &further)
    }

    /// The energy's curvature at `uv` into `curvature`, factored; false where that fails.
    fn curve<D: Density>(
        &self,
        density: &D,
        uv: &[[f64; 2]],
        contact: Option<&Contact>,
        curvature: &mut Curvature,
        negative: Negative,
    ) -> bool {
        let corners = Corners {
            faces: self.mesh.faces(),
            rest: &self.rest,
            first: &self.first_corner,
            of_vertices: &self.corners,
        };
        curvature.fill(corners, density.stiffness(), negative, |face| {
            let (corners, rest) = (&corners.faces[face], &self.rest[face]);
            let [p0, p1, p2] = corners.map(|v| uv[v as usize]);
            let modes = density.modes(&rest.jacobian(p0, p1, p2));
            (modes, rest.area / self.area)
        });
        self.lengths.stiffen(uv, curvature);
        if let Some(contact) = contact {
            contact.stiffen(uv, curvature);
        }
        curvature.factor(&self.held)
    }

    /// The factored Laplacian, made when first asked for.
    fn laplacian(&self) -> Option<&Cholesky> {
        self.laplacian
            .get_or_init(|| {
                let stiffness = stiffness(&self.energy);
                factor(self.mesh, self.area, stiffness, &self.lengths, &self.held).ok()
            })
            .as_ref()
    }

    /// Root mean square over the area of how a step would change J: with the Laplacian for its metric,
    /// what the promise says too; with the energy's own, the promise counts stiff places for more.
    fn mean_change(&self, step: &[[f64; 2]]) -> f64 {
        let part = |(faces, rest): (&[[u32; 3]], &[Rest])| -> f64 {
            let change = |(corners, rest): (&[u32; 3], &Rest)| {
                let [p0, p1, p2] = corners.map(|v| step[v as usize]);
                let j = rest.jacobian(p0, p1, p2);
                rest.area * (j.a * j.a + j.b * j.b + j.c * j.c + j.d * j.d)
            };
            faces.iter().zip(rest).map(change).sum()
        };
        let faces = self.mesh.faces().par_chunks(CHUNK);
        let parts: Vec<f64> = faces.zip(self.rest.par_chunks(CHUNK)).map(part).collect();
        (parts.iter().sum::<f64>() / self.area).sqrt()
    }

    /// A cushion all along the boundary.
    fn cushion<D: Density>(&self, density: &D) -> Contact {
        Contact::new(self.mesh, &self.loops, density.stiffness())
    }

    fn crosses(&self, uv: &[[f64; 2]]) -> bool {
        let points: Vec<Point2> = uv.iter().map(|p| Point2::new(p[0], p[1])).collect();
        overlap::crosses(&self.loops, &points)
    }
}

enum Progress {
    Moved,
    Arrived,
    Stuck,
}

/// The descent under way.
struct Walk<'d, 'a, D> {
    descent: &'d Descent<'a>,
    density: &'d D,
    state: State,
    tried: State,
    forces: Vec<[[f64; 2]; 3]>,
    pairs: Vec<Pair>,
    contact: Option<Contact>,
    /// Stands in for the Laplacian once the pace is slow, or from the start.
    curvature: Option<Curvature>,
    /// Whether it does from the start.
    curved: bool,
    /// Whether it is brought up to date as soon as it no longer fits.
    newton: bool,
    /// Whether it had no factor when last asked for.
    failed: bool,
    /// Steps since the metric was set, and what was left to do at the last look at the pace.
    since: usize,
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
    fn new(descent: &'d Descent<'a>, density: &'d D, start: &[Point2], curved: bool) -> Self {
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
            contact,
            curvature: None,
            failed: false,
            curved,
            newton: curved,
            last_slope: f64::INFINITY,
            since: 0,
            last_look: f64::INFINITY,
            last_energy: f64::INFINITY,
            clear,
            last_clear: None,
            slope: f64::INFINITY,
            first_slope: 0.0,
        }
    }

    fn points(&self) -> Vec<Point2> {
        let point = |p: &[f64; 2]| Point2::new(p[0], p[1]);
        self.state.uv.iter().map(point).collect()
    }

    fn step(&mut self, tolerance: f64) -> Progress {
        if !self.state.energy.is_finite() {
            return Progress::Stuck;
        }
        let first = self.curved && self.curvature.is_none();
        let again = self.newton && self.since > 0 && self.contact.is_none();
        if (first || again) && !self.failed {
            self.renew_curvature();
        }
        let Some((mut direction, mut promise)) = self.aim() else {
            return Progress::Stuck;
        };
        let old = self.since >= RENEWED_AFTER || self.slope > STALE * self.last_slope;
        // Whether the goal is reached only the curvature right there can tell.
        if self.newton && self.since > 0 && (old || self.slope <= tolerance) {
            self.renew_curvature();
            let Some(anew) = self.aim() else {
                return Progress::Stuck;
            };
            (direction, promise) = anew;
        }
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
        if !self.pairs.is_empty() {
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
        self.slope = if self.curvature.is_some() {
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
        match &self.curvature {
            None => self.descent.laplacian()?.solve_in_place(&mut q),
            Some(curvature) => curvature.solve(&mut q),
        }
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
        let bound = step_bound(descent.mesh.faces(), &self.state.uv, direction);
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
        self.since += 1;
        if !self.since.is_multiple_of(PACE_STEPS) {
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
        if !(self.newton || pace < 0.0 && left < SLOW) {
            self.newton = true;
            self.renew_curvature();
        }
        Progress::Moved
    }

    /// Takes the energy's own curvature here for the metric; the Laplacian where that has no factor.
    fn renew_curvature(&mut self) {
        let (descent, contact) = (self.descent, self.contact.as_ref());
        let uv = &self.state.uv;
        // A contact joins other pairs each time.
        let kept = self.curvature.take().filter(|_| contact.is_none());
        let mut curvature = kept.unwrap_or_else(|| descent.curvature(uv, contact));
        let negative = if self.slope < NEAR {
            Negative::AsNothing
        } else {
            Negative::BySize
        };
        if descent.curve(self.density, uv, contact, &mut curvature, negative) {
            self.curvature = Some(curvature);
        } else {
            self.newton = false;
            self.failed = true;
        }
        self.pairs.clear();
        self.since = 0;
    }

    /// Goes back to where the boundary did not cross itself and cushions it there, the energy counting
    /// the cushion too; false where that is not needed, or there is no such map.
    fn keep_apart(&mut self) -> bool {
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
        // Its pattern lacks the pairs that touch.
        self.curvature = None;
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

fn is_small(mesh: &TriMesh) -> bool {
    mesh.vertex_count() <= SMALL
}

fn stiffness(energy: &Energy) -> f64 {
    match energy {
        Energy::Equal => EqualDensity.stiffness(),
        Energy::SymmetricDirichlet => DirichletDensity.stiffness(),
        Energy::Cloth(cloth) => Cloth::stiffness(cloth),
    }
}

/// Laplacian of the surface and the kept edges, one vertex held: the curvature of the energy at
/// rest. Slopes add up to zero, so that the held vertex bears no load and the answer is exact.
fn factor(
    mesh: &TriMesh,
    area: f64,
    stiffness: f64,
    lengths: &Lengths,
    held: &[u32],
) -> Result<Cholesky, FlatError> {
    let mut weights = half_cotangents(mesh);
    let scale = 2.0 * stiffness / area;
    weights.iter_mut().for_each(|w| *w *= scale);
    for &((a, b), weight) in lengths.edges() {
        let leaving = |v: u32, to: u32| mesh.fan(v).find(|&h| mesh.head(h) == to);
        if let Some(h) = leaving(a, b).or_else(|| leaving(b, a)) {
            weights[h as usize] += weight;
        }
    }
    let mut matrix = Laplacian::weighted(mesh, &weights);
    let (offsets, rows, values) = matrix.csc_data_mut();
    for held in held.iter().map(|&v| v as usize) {
        for at in offsets[held]..offsets[held + 1] {
            if rows[at] == held {
                values[at] *= 2.0;
            }
        }
    }
    Ok(Cholesky::new(&matrix, mesh.positions())?)
}

/// Corners grouped by vertex: where each vertex's begin, and the corners in the order of the faces.
pub(super) fn corners_of_vertices(mesh: &TriMesh) -> (Vec<u32>, Vec<u32>) {
    let mut first = vec![0_u32; mesh.vertex_count() + 1];
    for &vertex in mesh.faces().as_flattened() {
        first[vertex as usize + 1] += 1;
    }
    for v in 0..mesh.vertex_count() {
        first[v + 1] += first[v];
    }
    let mut next = first.clone();
    let mut corners = vec![0; 3 * mesh.face_count()];
    for (corner, &vertex) in mesh.faces().as_flattened().iter().enumerate() {
        let slot = &mut next[vertex as usize];
        corners[*slot as usize] = index(corner);
        *slot += 1;
    }
    (first, corners)
}
