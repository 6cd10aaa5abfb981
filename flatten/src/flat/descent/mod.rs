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
//! kept edges), and on a small mesh after three steps, the energy's own curvature at the map reached
//! ([`super::curvature`]) takes the Laplacian's place: made anew at each step far from the goal, kept near it
//! ([`metric`]). Every step is cut short of the first flip ([`super::flip`]) and must lower the energy
//! ([`walk`]). The boundary may cross itself on the way, since most
//! ways lead out again; where the end does, the descent goes back to the last map that did not, cushions
//! the boundary ([`super::contact`]) and goes on without crossing.
//!
//! # Cost
//! One factorisation, then for each step one back-substitution and one or two passes over the faces; with the energy's
//! own curvature one factorisation a step far from the goal, and one or two in all near it.

mod metric;
mod walk;

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
    lengths::Lengths,
    overlap::{self, Fold},
    stretch::Rest,
    vectors::CHUNK,
};

use self::walk::{Progress, Walk};

/// Vertices up to which the energy's own curvature is the metric from the first step.
const SMALL: usize = 6000;

/// Steps with the Laplacian that come before those.
const FIRST_STEPS: usize = 3;

/// Root mean square change of strain that a next one of them would bring at which no more are needed.
const EVENED: f64 = 1e-2;

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

    /// A conformal map after a few local/global steps, of equal resistance whatever the material's: they even out most
    /// of what it lost or gained in size, for what one of Newton's steps costs, and spare three to fifteen of those. No
    /// barrier of a material's own cuts them short. As it is where the descent begins with the Laplacian anyway.
    pub(crate) fn evened(&self, start: &[Point2]) -> Vec<Point2> {
        if !self.curved {
            return start.to_vec();
        }
        let weight = stiffness(&self.energy);
        let equal = EqualDensity { weight };
        let mut walk = Walk::new(self, &equal, start, false);
        for _ in 0..FIRST_STEPS {
            if !matches!(walk.step(EVENED), Progress::Moved) {
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
            Energy::Equal => self.run_with(&EqualDensity::PLAIN, start, limits),
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
        report.energy = walk.energy();
        report.cushioned = walk.in_contact();
        report.gradient = walk.part_left();
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

fn is_small(mesh: &TriMesh) -> bool {
    mesh.vertex_count() <= SMALL
}

fn stiffness(energy: &Energy) -> f64 {
    match energy {
        Energy::Equal => EqualDensity::PLAIN.stiffness(),
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
