//! The conformal energy on the boundary alone: one real factor, one dense complex block.
//!
//! `H = L − 2A` is real but for the boundary edges. With the inside `I` first and the boundary `B`
//! last, the inside is eliminated from the *real* Laplacian, once for u and v,
//!
//! ```text
//!   H_B = L_BB − L_BI L_II⁻¹ L_IB − 2 A_BB        (dense, Hermitian, one row a boundary vertex)
//!   E(z) = ½ z_Bᴴ H_B z_B,   z_I harmonic
//! ```
//!
//! so that a map is settled by a small dense problem and completed by one back-substitution. Two
//! pins, no pins and other pins all use the same block.
//!
//! Cost: the factor of `L_II`, then b³ for b boundary vertices.

use std::time::Duration;

use faer::c64;
use nalgebra_sparse::CscMatrix;

use super::{FlatError, equations, inside::Harmonic};
use crate::{
    mesh::{NONE, TriMesh, index},
    solve::{AlmostReal, Multifrontal, SolveError, packed_column},
};

/// The energy as a form in the boundary's values, and the way back inside.
#[derive(Debug)]
pub(super) struct BoundaryBlock {
    /// The vertices that are rows of the block: the boundary, and pins that lie inside.
    kept: Vec<u32>,
    /// Place of each vertex among `kept`, or [`NONE`].
    place: Vec<u32>,
    factor: Multifrontal,
    /// `H_B + 2 A_BB`, which is real, by columns, each from the diagonal down.
    real: Vec<f64>,
    /// What `−2 A_BB` adds, which is imaginary: row, column, value; the mirrored entries are not listed.
    turns: Vec<(usize, usize, f64)>,
}

/// Where the entry of two rows lies in a symmetric block of so many that is packed from the diagonal down.
fn packed_entry(i: usize, j: usize, size: usize) -> usize {
    let (row, column) = (i.max(j), i.min(j));
    packed_column(column, size) + row - column
}

impl BoundaryBlock {
    pub(super) fn new(
        mesh: &TriMesh,
        laplacian: &CscMatrix<f64>,
        kept: Vec<u32>,
    ) -> Result<Self, SolveError> {
        let mut factor = Multifrontal::new(laplacian, mesh.positions(), &kept)?;
        let mut place = vec![NONE; mesh.vertex_count()];
        for (at, &v) in kept.iter().enumerate() {
            place[v as usize] = index(at);
        }
        let size = kept.len();
        let mut real = factor.take_schur();
        for (j, &vertex) in kept.iter().enumerate() {
            let column = laplacian.col(vertex as usize);
            for (&row, &value) in column.row_indices().iter().zip(column.values()) {
                let i = place[row];
                if i != NONE && i as usize >= j {
                    real[packed_entry(i as usize, j, size)] += value;
                }
            }
        }
        let at = |vertex: u32| place[vertex as usize] as usize;
        let turns = equations::boundary_edges(mesh)
            .map(|(from, to)| (at(from), at(to), equations::TURN.im))
            .collect();
        Ok(Self {
            kept,
            place,
            factor,
            real,
            turns,
        })
    }

    /// Wall time of each step of building.
    pub(super) fn timings(&self) -> &[(&'static str, Duration)] {
        self.factor.timings()
    }

    /// Whether a vertex may be pinned.
    pub(super) fn holds(&self, vertex: u32) -> bool {
        self.place[vertex as usize] != NONE
    }

    /// `H_B` on some of its rows, ascending, factored, with something added to its diagonal.
    fn factored(
        &self,
        rows: &[usize],
        lift: impl Fn(usize) -> f64 + Sync,
    ) -> Result<AlmostReal, SolveError> {
        let size = self.kept.len();
        let mut number = vec![None; size];
        for (at, &row) in rows.iter().enumerate() {
            number[row] = Some(at);
        }
        let turns: Vec<(usize, usize, f64)> = self
            .turns
            .iter()
            .filter_map(|&(i, j, turn)| Some((number[i]?, number[j]?, turn)))
            .collect();
        let entry = |i: usize, j: usize| {
            let own = if i == j { lift(rows[i]) } else { 0.0 };
            own + self.real[packed_entry(rows[i], rows[j], size)]
        };
        AlmostReal::new(rows.len(), entry, &turns).map_err(|row| SolveError::NotPositiveDefinite {
            row: self.kept[rows[row]] as usize,
        })
    }

    /// The least-energy map with two vertices held.
    pub(super) fn pinned(&self, pins: [(u32, c64); 2]) -> Result<Vec<c64>, FlatError> {
        let size = self.kept.len();
        let held = pins.map(|(vertex, at)| (self.place[vertex as usize] as usize, at));
        let free: Vec<usize> = (0..size)
            .filter(|&i| held.iter().all(|&(pin, _)| pin != i))
            .collect();
        let mut pull = vec![c64::new(0.0, 0.0); size];
        for (pin, z) in held {
            for (i, pull) in pull.iter_mut().enumerate() {
                *pull += z * self.real[packed_entry(i, pin, size)];
            }
            for &(i, j, turn) in &self.turns {
                let turned = c64::new(0.0, turn) * z;
                if j == pin {
                    pull[i] += turned;
                } else if i == pin {
                    pull[j] -= turned;
                }
            }
        }
        let mut rhs: Vec<c64> = free.iter().map(|&i| -pull[i]).collect();
        self.factored(&free, |_| 0.0)?.solve(&mut rhs);
        let mut z = vec![c64::new(0.0, 0.0); size];
        for (&i, value) in free.iter().zip(rhs) {
            z[i] = value;
        }
        for (pin, value) in held {
            z[pin] = value;
        }
        Ok(self.extended(&self.kept, &z))
    }

    /// The least-energy map for a boundary of given extent, from a first guess; `shift` as from
    /// [`equations::shift`].
    pub(super) fn pin_free(
        &self,
        guess: &[c64],
        mass: &[f64],
        shift: f64,
    ) -> Result<(Vec<c64>, usize, bool), FlatError> {
        let size = self.kept.len();
        let mass: Vec<f64> = self.kept.iter().map(|&v| mass[v as usize]).collect();
        let all: Vec<usize> = (0..size).collect();
        let factor = self.factored(&all, |i| shift * mass[i])?;
        let guess = self.kept.iter().map(|&v| guess[v as usize]).collect();
        let (z, steps, converged) = equations::inverse_iteration(guess, &mass, |z| factor.solve(z));
        Ok((self.extended(&self.kept, &z), steps, converged))
    }
}

impl Harmonic for BoundaryBlock {
    fn solve_inside(&self, f: &mut [[f64; 1]]) {
        self.factor.solve(f);
    }

    fn extended(&self, kept: &[u32], values: &[c64]) -> Vec<c64> {
        let mut x = vec![[0.0; 2]; self.place.len()];
        for (&vertex, z) in kept.iter().zip(values) {
            x[vertex as usize] = [z.re, z.im];
        }
        self.factor.extend(&mut x);
        x.into_iter().map(|[u, v]| c64::new(u, v)).collect()
    }
}
