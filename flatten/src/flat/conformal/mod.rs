//! Angle-keeping maps of a surface into the plane.
//!
//! In: one connected surface with a boundary, any number of openings. Out: a [`FlatMap`].
//!
//! # The energy
//! A map z = u + iv keeps angles and turn where ∇v is ∇u turned by a quarter. What it lacks is
//! `½∫|∇v − i∇u|²`, which multiplies out to *Dirichlet energy − area covered*: the area of the image
//! never exceeds the Dirichlet energy and equals it for conformal maps only. On triangles this is
//! the least-squares conformal energy of Lévy, Petitjean, Ray & Maillot ("Least squares conformal
//! maps for automatic texture atlas generation", SIGGRAPH 2002), and it is one Hermitian form,
//!
//! ```text
//! E(z) = ½ zᴴ H z,   H = L − 2A,   A_ij = −i/4, A_ji = +i/4 on boundary edges i→j, 0 elsewhere
//! ```
//!
//! with `L` the real cotangent Laplacian and `A` the shoelace formula, `zᴴAz` being the area inside
//! the boundary (surface on its left). Translations cost nothing and neither does the zero map, so
//! something has to hold the size:
//!
//! * [`Method::PinFree`]: the boundary's second moment is held. The map is the eigenvector of `H`
//!   against the boundary's length with the smallest eigenvalue after the constants' zero (Mullen,
//!   Tong, Alliez & Desbrun, "Spectral conformal parameterization", SGP 2008). The default: maps held
//!   at two points drift with noise, because every holomorphic map costs nearly nothing.
//! * [`Method::Pinned`]: two vertices are held, as in the paper of 2002.
//! * [`Method::BoundaryFirst`]: the boundary's lengths are held.
//!
//! Turn is kept: a mirrored map has *negative* area and costs the most, it is never the minimum.

use std::time::{Duration, Instant};

use faer::c64;
use nalgebra_sparse::CscMatrix;
use rayon::prelude::*;

use super::{FlatMap, FlatReport, overlap, vectors::CHUNK};
use crate::{
    Point2, Vector3,
    mesh::{NONE, TriMesh, index},
    solve::{Laplacian, SolveError},
};
use boundary_block::BoundaryBlock;
use inside::Inside;

mod boundary_block;
mod boundary_first;
mod equations;
mod inside;
mod whole;

/// What holds a conformal map in place.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Method {
    /// Nothing: the least conformal energy for a boundary of given extent.
    #[default]
    PinFree,
    /// Two vertices and where they go.
    Pinned([(u32, Point2); 2]),
    /// The boundary's edges, which keep their lengths as nearly as closing the outline allows. For
    /// disks; the one least upset by scan noise.
    BoundaryFirst,
}

/// How a surface is laid flat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ConformalOptions {
    /// What holds the map.
    pub method: Method,
    /// Scale a pinned map so that the area-weighted mean of the logarithm of its scale is zero, as
    /// pin-free ones always are; pins then keep their direction but not their distance.
    pub true_size: bool,
}

impl From<Method> for ConformalOptions {
    fn from(method: Method) -> Self {
        Self {
            method,
            ..Self::default()
        }
    }
}

impl Default for ConformalOptions {
    fn default() -> Self {
        Self {
            method: Method::default(),
            true_size: true,
        }
    }
}

/// Why a surface can't be laid flat.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FlatError {
    /// Nothing to open it at.
    #[error("the surface is closed; cut out the part to flatten first")]
    Closed,
    /// More than one part.
    #[error("the surface has {parts} parts that are not joined; flatten each by itself")]
    Apart {
        /// How many.
        parts: usize,
    },
    /// An opening, a handle, or both, where a disk is needed.
    #[error(
        "the surface has {boundaries} boundaries or a handle; only a disk can be laid flat from its boundary"
    )]
    NotADisk {
        /// Boundary loops.
        boundaries: usize,
    },
    /// A vertex that no triangle uses.
    #[error("vertex {vertex} belongs to no triangle; drop it first")]
    Loose {
        /// The vertex.
        vertex: u32,
    },
    /// Pins that do not hold a map.
    #[error("vertices {} and {} can't hold the map: {reason}", vertices[0], vertices[1])]
    Pins {
        /// The two vertices.
        vertices: [u32; 2],
        /// What is wrong with them.
        reason: &'static str,
    },
    /// The equations could not be solved.
    #[error(transparent)]
    Solve(#[from] SolveError),
}

/// Lays a surface flat, keeping angles as well as its curvature allows.
///
/// Lengths are millimetres on both sides. [`Flattener`] does the same and keeps its work.
///
/// # Errors
/// As [`Flattener::new`] and [`Flattener::flatten`].
pub fn flatten_patch(mesh: &TriMesh, options: &ConformalOptions) -> Result<FlatMap, FlatError> {
    if options.method == Method::BoundaryFirst {
        // Its factor serves one map; the boundary block would cost more than all the rest.
        return Flattener::plain(mesh)?.flatten(options);
    }
    Flattener::new(mesh)?.flatten(options)
}

/// A surface made ready to be laid flat, several times if need be.
#[derive(Debug)]
pub struct Flattener<'a> {
    mesh: &'a TriMesh,
    laplacian: CscMatrix<f64>,
    /// None where the boundary is too long for it.
    block: Option<BoundaryBlock>,
    timings: Vec<(&'static str, Duration)>,
}

impl<'a> Flattener<'a> {
    /// Checks the surface and builds its equations.
    ///
    /// # Errors
    /// [`FlatError::Closed`], [`FlatError::Apart`] and [`FlatError::Loose`]; [`FlatError::Solve`]
    /// when triangles without area leave the equations without a pivot.
    pub fn new(mesh: &'a TriMesh) -> Result<Self, FlatError> {
        let mut flattener = Self::plain(mesh)?;
        let kept = boundary(mesh);
        let start = Instant::now();
        if kept.len() <= LONGEST_BOUNDARY {
            let block = BoundaryBlock::new(mesh, &flattener.laplacian, kept)?;
            let inside: Duration = block.timings().iter().map(|t| t.1).sum();
            flattener.timings.extend_from_slice(block.timings());
            flattener.timings.push(("block", start.elapsed() - inside));
            flattener.block = Some(block);
        }
        Ok(flattener)
    }

    /// Checks the surface and leaves the factor to whoever asks for a map.
    fn plain(mesh: &'a TriMesh) -> Result<Self, FlatError> {
        let start = Instant::now();
        let (checked, laplacian) = rayon::join(|| check_surface(mesh), || Laplacian::cotan(mesh));
        checked?;
        Ok(Self {
            mesh,
            laplacian,
            block: None,
            timings: vec![("equations", start.elapsed())],
        })
    }

    /// Wall time of each step of [`Flattener::new`].
    #[must_use]
    pub fn timings(&self) -> &[(&'static str, Duration)] {
        &self.timings
    }

    /// Lays the surface flat.
    ///
    /// In the report, `steps` counts iterations, `energy` is the conformal energy over the flat
    /// area (0 for a map that keeps every angle), `flipped` the triangles turned over and `overlaps`
    /// the crossings of the boundary with itself.
    ///
    /// # Errors
    /// [`FlatError::Pins`] when the pins are one vertex or one place, [`FlatError::Solve`] when the
    /// equations have no solution.
    pub fn flatten(&self, options: &ConformalOptions) -> Result<FlatMap, FlatError> {
        let (mut z, steps, converged) = match options.method {
            Method::PinFree => self.pin_free()?,
            Method::BoundaryFirst => (self.boundary_first()?, 1, true),
            Method::Pinned(pins) => (self.pinned(pins)?, 1, true),
        };
        let free_size = matches!(options.method, Method::PinFree)
            || matches!(options.method, Method::Pinned(_)) && options.true_size;
        if free_size {
            let scale = (-mean_log_scale(self.mesh, &z)).exp();
            z.iter_mut().for_each(|z| *z *= scale);
        }
        let uv: Vec<Point2> = z.into_iter().map(|z| Point2::new(z.re, z.im)).collect();
        let report = self.report(&uv, steps, converged);
        Ok(FlatMap { uv, report })
    }

    fn pinned(&self, pins: [(u32, Point2); 2]) -> Result<Vec<c64>, FlatError> {
        check_pins(self.mesh, &pins)?;
        let pins = pins.map(|(vertex, at)| (vertex, c64::new(at.x, at.y)));
        let Some(block) = &self.block else {
            return whole::pinned(self.mesh, &self.laplacian, pins);
        };
        if pins.iter().all(|&(vertex, _)| block.holds(vertex)) {
            return block.pinned(pins);
        }
        // A pin inside becomes a row of the block, which takes a factor of its own.
        let mut kept = boundary(self.mesh);
        kept.extend(pins.iter().map(|p| p.0).filter(|&v| !block.holds(v)));
        BoundaryBlock::new(self.mesh, &self.laplacian, kept)?.pinned(pins)
    }

    fn pin_free(&self) -> Result<(Vec<c64>, usize, bool), FlatError> {
        let mass = equations::boundary_mass(self.mesh);
        let mut guess = view(self.mesh);
        let (mut z, steps, converged) = match &self.block {
            Some(block) => {
                let shift = equations::shift(&mass, &self.laplacian);
                block.pin_free(&guess, &mass, shift)?
            }
            None => whole::pin_free(self.mesh, &self.laplacian, guess.clone(), &mass)?,
        };
        turn_to_view(&mut z, &mut guess);
        Ok((z, steps, converged))
    }

    fn boundary_first(&self) -> Result<Vec<c64>, FlatError> {
        let rings = self.mesh.boundary_loops();
        let [ring] = rings.as_slice() else {
            return Err(FlatError::NotADisk {
                boundaries: rings.len(),
            });
        };
        if self.mesh.euler_characteristic() != 1 {
            return Err(FlatError::NotADisk { boundaries: 1 });
        }
        let (mesh, laplacian) = (self.mesh, &self.laplacian);
        let mut z = match &self.block {
            Some(block) => boundary_first::boundary_first(mesh, laplacian, block, ring),
            None => {
                let inside = Inside::new(mesh, laplacian)?;
                boundary_first::boundary_first(mesh, laplacian, &inside, ring)
            }
        };
        turn_to_view(&mut z, &mut view(self.mesh));
        Ok(z)
    }

    fn report(&self, uv: &[Point2], steps: usize, converged: bool) -> FlatReport {
        let covered = || {
            let (mut area, mut flipped) = (0.0, 0);
            for corners in self.mesh.faces() {
                let [a, b, c] = corners.map(|v| uv[v as usize]);
                let twice = (b - a).perp(&(c - a));
                area += 0.5 * twice;
                flipped += usize::from(twice <= 0.0);
            }
            (area, flipped)
        };
        let dirichlet = || {
            let mut energy = 0.0;
            for (row, column, value) in self.laplacian.triplet_iter() {
                if row < column {
                    energy -= 0.5 * value * (uv[row] - uv[column]).norm_squared();
                }
            }
            energy
        };
        let crossings = || overlap::crossings(&self.mesh.boundary_loops(), uv).len();
        let (dirichlet, ((area, flipped), overlaps)) =
            rayon::join(dirichlet, || rayon::join(covered, crossings));
        FlatReport {
            steps,
            converged,
            energy: (dirichlet - area) / area,
            flipped,
            overlaps,
            ..FlatReport::default()
        }
    }
}

/// Boundary vertices above which the whole surface is solved as one sparse complex system. The
/// dense block costs b³: 0.03 s for 1 400 vertices, 0.12 s for 2 000, about 1 s for 4 000, more than the sparse
/// system of any mesh we have met beyond that.
const LONGEST_BOUNDARY: usize = 3000;

/// Boundary vertices in vertex order.
fn boundary(mesh: &TriMesh) -> Vec<u32> {
    (0..index(mesh.vertex_count()))
        .filter(|&v| mesh.on_boundary(v))
        .collect()
}

fn check_surface(mesh: &TriMesh) -> Result<(), FlatError> {
    if let Some(vertex) = (0..index(mesh.vertex_count())).find(|&v| mesh.outgoing(v) == NONE) {
        return Err(FlatError::Loose { vertex });
    }
    if !(0..index(mesh.vertex_count())).any(|v| mesh.on_boundary(v)) {
        return Err(FlatError::Closed);
    }
    match mesh.first_of_parts().len() {
        1 => Ok(()),
        parts => Err(FlatError::Apart { parts }),
    }
}

fn check_pins(mesh: &TriMesh, pins: &[(u32, Point2); 2]) -> Result<(), FlatError> {
    let vertices = [pins[0].0, pins[1].0];
    let reason = if vertices.iter().any(|&v| v as usize >= mesh.vertex_count()) {
        "the mesh has no such vertex"
    } else if vertices[0] == vertices[1] {
        "they are one vertex"
    } else if !pins
        .iter()
        .all(|(_, p)| p.coords.iter().all(|c| c.is_finite()))
    {
        "a place is not a number"
    } else if (pins[0].1 - pins[1].1).norm() <= 0.0 {
        "they are to lie on one place"
    } else {
        return Ok(());
    };
    Err(FlatError::Pins { vertices, reason })
}

/// The surface as seen from outside along its mean normal, the x axis kept to the right: seen from
/// above the head the front is then up.
fn view(mesh: &TriMesh) -> Vec<c64> {
    let total: Vector3 = (0..index(mesh.face_count()))
        .map(|f| mesh.area_vector(f))
        .sum();
    let normal = total
        .try_normalize(f64::MIN_POSITIVE)
        .unwrap_or(Vector3::z());
    // A surface seen along x has no x axis to keep; y serves.
    let aside = if normal.x.abs() < 0.9 {
        Vector3::x()
    } else {
        Vector3::y()
    };
    let right = (aside - normal * normal.dot(&aside)).normalize();
    let up = normal.cross(&right);
    let project = |p: &crate::Point3| c64::new(p.coords.dot(&right), p.coords.dot(&up));
    mesh.positions().iter().map(project).collect()
}

/// Moves and turns a map to lie as nearly as may be like the view.
fn turn_to_view(z: &mut [c64], view: &mut [c64]) {
    for points in [&mut *z, &mut *view] {
        let centre = points.iter().sum::<c64>() / points.len() as f64;
        points.iter_mut().for_each(|p| *p -= centre);
    }
    let overlap: c64 = z.iter().zip(&*view).map(|(z, w)| z.conj() * w).sum();
    let size = overlap.norm();
    if size > 0.0 {
        let turn = overlap / size;
        z.iter_mut().for_each(|z| *z *= turn);
    }
}

/// Mean over the surface's area of ½ ln(flat area / area), triangles without area left out.
fn mean_log_scale(mesh: &TriMesh, z: &[c64]) -> f64 {
    let part = |(chunk, faces): (usize, &[[u32; 3]])| {
        let (mut sum, mut weight) = (0.0, 0.0);
        for (face, corners) in (CHUNK * chunk..).zip(faces) {
            let [a, b, c] = corners.map(|v| z[v as usize]);
            let flat = 0.5 * ((b - a).conj() * (c - a)).im.abs();
            let area = mesh.face_area(index(face));
            if flat > 0.0 && area > 0.0 {
                sum += area * 0.5 * (flat / area).ln();
                weight += area;
            }
        }
        [sum, weight]
    };
    let parts = mesh.faces().par_chunks(CHUNK).enumerate().map(part);
    let parts: Vec<[f64; 2]> = parts.collect();
    let of_all = |k: usize| parts.iter().map(|part| part[k]).sum::<f64>();
    of_all(0) / of_all(1)
}

#[cfg(test)]
mod tests;
