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
//!
//! Turn is kept: a mirrored map has *negative* area and costs the most, it is never the minimum.

use faer::c64;
use nalgebra_sparse::CscMatrix;

use super::{FlatMap, FlatReport};
use crate::{
    Point2, Vector3,
    mesh::{NONE, TriMesh, index},
    solve::{Laplacian, SolveError, SparseFactor, UpperTriangle},
};

/// What holds a conformal map in place.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Method {
    /// Nothing: the least conformal energy for a boundary of given extent.
    #[default]
    PinFree,
    /// Two vertices and where they go.
    Pinned([(u32, Point2); 2]),
}

/// How a surface is laid flat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ConformalOptions {
    /// What holds the map.
    pub method: Method,
    /// Scale the map so that the area-weighted mean of the logarithm of its scale is zero; pins
    /// then keep their direction but not their distance.
    pub true_size: bool,
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
    Flattener::new(mesh)?.flatten(options)
}

/// A surface made ready to be laid flat, several times if need be.
#[derive(Debug)]
pub struct Flattener<'a> {
    mesh: &'a TriMesh,
    laplacian: CscMatrix<f64>,
}

impl<'a> Flattener<'a> {
    /// Checks the surface and builds its equations.
    ///
    /// # Errors
    /// [`FlatError::Closed`], [`FlatError::Apart`] and [`FlatError::Loose`].
    pub fn new(mesh: &'a TriMesh) -> Result<Self, FlatError> {
        check_surface(mesh)?;
        Ok(Self {
            mesh,
            laplacian: Laplacian::cotan(mesh),
        })
    }

    /// Lays the surface flat.
    ///
    /// In the report, `steps` counts iterations, `energy` is the conformal energy over the flat
    /// area (0 for a map that keeps every angle) and `flipped` the triangles turned over. Crossings
    /// of the boundary are not looked for.
    ///
    /// # Errors
    /// [`FlatError::Pins`] when the pins are one vertex or one place, [`FlatError::Solve`] when the
    /// equations have no solution.
    pub fn flatten(&self, options: &ConformalOptions) -> Result<FlatMap, FlatError> {
        let (mut z, steps, converged) = match options.method {
            Method::PinFree => self.pin_free()?,
            Method::Pinned(pins) => (self.pinned(pins)?, 1, true),
        };
        if matches!(options.method, Method::PinFree) {
            turn_to_view(&mut z, &view(self.mesh));
        }
        if options.true_size {
            let scale = (-mean_log_scale(self.mesh, &z)).exp();
            z.iter_mut().for_each(|z| *z *= scale);
        }
        let uv: Vec<Point2> = z.iter().map(|z| Point2::new(z.re, z.im)).collect();
        let report = self.report(&uv, steps, converged);
        Ok(FlatMap { uv, report })
    }

    fn pinned(&self, pins: [(u32, Point2); 2]) -> Result<Vec<c64>, FlatError> {
        check_pins(self.mesh, &pins)?;
        let n = self.mesh.vertex_count();
        let hermitian = self.hermitian_upper();
        let held = pins.map(|(vertex, at)| (vertex, c64::new(at.x, at.y)));
        let mut row_of = vec![0; n];
        let mut free = 0;
        for (vertex, row) in row_of.iter_mut().enumerate() {
            if held.iter().all(|&(pin, _)| pin as usize != vertex) {
                *row = free;
                free += 1;
            } else {
                *row = NONE;
            }
        }
        let value_of = |vertex: usize| {
            held.iter()
                .find(|&&(pin, _)| pin as usize == vertex)
                .map_or(c64::new(0.0, 0.0), |&(_, z)| z)
        };
        let mut reduced = UpperTriangle {
            offsets: vec![0],
            rows: Vec::new(),
            values: Vec::new(),
        };
        let mut rhs = vec![c64::new(0.0, 0.0); free as usize];
        for column in 0..n {
            let range = hermitian.offsets[column] as usize..hermitian.offsets[column + 1] as usize;
            for at in range {
                let row = hermitian.rows[at] as usize;
                let value = hermitian.values[at];
                match (row_of[row], row_of[column]) {
                    (NONE, NONE) => {}
                    (NONE, j) => rhs[j as usize] -= value.conj() * value_of(row),
                    (i, NONE) => rhs[i as usize] -= value * value_of(column),
                    (i, _) => {
                        reduced.rows.push(i);
                        reduced.values.push(value);
                    }
                }
            }
            if row_of[column] != NONE {
                reduced.offsets.push(index(reduced.rows.len()));
            }
        }
        SparseFactor::new(&reduced)?.solve(&mut rhs, 1);
        Ok((0..n)
            .map(|vertex| match row_of[vertex] {
                NONE => value_of(vertex),
                row => rhs[row as usize],
            })
            .collect())
    }

    fn pin_free(&self) -> Result<(Vec<c64>, usize, bool), FlatError> {
        let mass = boundary_mass(self.mesh);
        let total: f64 = mass.iter().sum();
        let mut hermitian = self.hermitian_upper();
        let shift = SHIFT * std::f64::consts::TAU / total;
        for column in 0..mass.len() {
            hermitian.values[hermitian.offsets[column + 1] as usize - 1] += shift * mass[column];
        }
        let factor = SparseFactor::new(&hermitian)?;
        let mut z = view(self.mesh);
        centre_and_norm(&mut z, &mass);
        for step in 1..=MOST_STEPS {
            let before = z.clone();
            for (z, &m) in z.iter_mut().zip(&mass) {
                *z *= m;
            }
            factor.solve(&mut z, 1);
            centre_and_norm(&mut z, &mass);
            let overlap: c64 = (0..z.len())
                .map(|i| z[i].conj() * before[i] * mass[i])
                .sum();
            if 1.0 - overlap.norm_sqr() < SETTLED {
                return Ok((z, step, true));
            }
        }
        Ok((z, MOST_STEPS, false))
    }

    /// Upper triangle of `H = L − 2A`.
    fn hermitian_upper(&self) -> UpperTriangle<c64> {
        let n = self.mesh.vertex_count();
        let mut upper = UpperTriangle {
            offsets: vec![0],
            rows: Vec::new(),
            values: Vec::new(),
        };
        // Half-edge (row, column) or (column, row) that lies on the boundary, for the sign of ±i/2.
        for column in 0..n {
            let entries = self.laplacian.col(column);
            for (&row, &value) in entries.row_indices().iter().zip(entries.values()) {
                if row <= column {
                    upper.rows.push(index(row));
                    upper.values.push(c64::new(value, 0.0));
                }
            }
            upper.offsets.push(index(upper.rows.len()));
        }
        for ring in self.mesh.boundary_loops() {
            for (k, &from) in ring.iter().enumerate() {
                let to = ring[(k + 1) % ring.len()];
                let (row, column, half) = if from < to {
                    (from, to, 0.5)
                } else {
                    (to, from, -0.5)
                };
                let start = upper.offsets[column as usize] as usize;
                let end = upper.offsets[column as usize + 1] as usize;
                let at = upper.rows[start..end]
                    .binary_search(&row)
                    .expect("a boundary edge is an edge");
                upper.values[start + at].im += half;
            }
        }
        upper
    }

    fn report(&self, uv: &[Point2], steps: usize, converged: bool) -> FlatReport {
        let mut area = 0.0;
        let mut flipped = 0;
        for corners in self.mesh.faces() {
            let [a, b, c] = corners.map(|v| uv[v as usize]);
            let twice = (b - a).perp(&(c - a));
            area += 0.5 * twice;
            flipped += usize::from(twice <= 0.0);
        }
        let mut dirichlet = 0.0;
        for (row, column, value) in self.laplacian.triplet_iter() {
            if row < column {
                dirichlet -= 0.5 * value * (uv[row] - uv[column]).norm_squared();
            }
        }
        FlatReport {
            steps,
            converged,
            energy: (dirichlet - area) / area,
            flipped,
            ..FlatReport::default()
        }
    }
}

/// Lift of the zero eigenvalue, in units of the boundary's lowest frequency, so that the factor
/// exists on surfaces that flatten without any loss too. It moves no eigenvector.
const SHIFT: f64 = 1e-9;
/// One less the squared overlap of two iterates at which the eigenvector counts as found; the
/// vector itself is then right to its square root.
const SETTLED: f64 = 1e-20;
/// Inverse iterations before giving up; 5 to 20 are usual.
const MOST_STEPS: usize = 200;

fn check_surface(mesh: &TriMesh) -> Result<(), FlatError> {
    let n = mesh.vertex_count();
    let mut seen = vec![false; n];
    let mut parts = 0;
    let mut stack = Vec::new();
    let mut closed = true;
    for start in 0..index(n) {
        if mesh.outgoing(start) == NONE {
            return Err(FlatError::Loose { vertex: start });
        }
        closed &= !mesh.on_boundary(start);
        if seen[start as usize] {
            continue;
        }
        parts += 1;
        seen[start as usize] = true;
        stack.push(start);
        while let Some(vertex) = stack.pop() {
            for h in mesh.fan(vertex) {
                // Both far corners, so that the last spoke of a boundary fan is not missed.
                for other in [mesh.head(h), mesh.apex(h)] {
                    if !std::mem::replace(&mut seen[other as usize], true) {
                        stack.push(other);
                    }
                }
            }
        }
    }
    if closed {
        return Err(FlatError::Closed);
    }
    if parts > 1 {
        return Err(FlatError::Apart { parts });
    }
    Ok(())
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

/// Half the length of the two boundary edges at each vertex, mm; zero inside.
fn boundary_mass(mesh: &TriMesh) -> Vec<f64> {
    let mut mass = vec![0.0; mesh.vertex_count()];
    for ring in mesh.boundary_loops() {
        for (k, &from) in ring.iter().enumerate() {
            let to = ring[(k + 1) % ring.len()];
            let half = 0.5 * (mesh.position(to) - mesh.position(from)).norm();
            mass[from as usize] += half;
            mass[to as usize] += half;
        }
    }
    mass
}

/// Moves the boundary's centre to the origin and its second moment to one.
fn centre_and_norm(z: &mut [c64], mass: &[f64]) {
    let total: f64 = mass.iter().sum();
    let centre = z.iter().zip(mass).map(|(z, &m)| z * m).sum::<c64>() / total;
    z.iter_mut().for_each(|z| *z -= centre);
    let moment: f64 = z.iter().zip(mass).map(|(z, m)| z.norm_sqr() * m).sum();
    let scale = 1.0 / moment.sqrt();
    z.iter_mut().for_each(|z| *z *= scale);
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

/// Turns a map about the origin to lie as nearly as may be like the view.
fn turn_to_view(z: &mut [c64], view: &[c64]) {
    let count = z.len() as f64;
    let centre = view.iter().sum::<c64>() / count;
    let own = z.iter().sum::<c64>() / count;
    let overlap: c64 = z
        .iter()
        .zip(view)
        .map(|(z, w)| (z - own).conj() * (w - centre))
        .sum();
    let size = overlap.norm();
    if size > 0.0 {
        let turn = overlap / size;
        z.iter_mut().for_each(|z| *z *= turn);
    }
}

/// Mean over the surface's area of ½ ln(flat area / area), triangles without area left out.
fn mean_log_scale(mesh: &TriMesh, z: &[c64]) -> f64 {
    let (mut sum, mut weight) = (0.0, 0.0);
    for (face, corners) in mesh.faces().iter().enumerate() {
        let [a, b, c] = corners.map(|v| z[v as usize]);
        let flat = 0.5 * ((b - a).conj() * (c - a)).im.abs();
        let area = mesh.face_area(index(face));
        if flat > 0.0 && area > 0.0 {
            sum += area * 0.5 * (flat / area).ln();
            weight += area;
        }
    }
    sum / weight
}

#[cfg(test)]
mod tests;
