//! Harmonic functions inside a fixed boundary, for boundaries of any length.
//!
//! The boundary's rows are left out of the equations before they are factored. What
//! [`BoundaryBlock`](super::boundary_block::BoundaryBlock) knows besides, the energy as a form in the
//! boundary's values, costs memory and time that grow with the square and the cube of the boundary.

use faer::c64;
use nalgebra_sparse::CscMatrix;

use crate::{
    mesh::{NONE, TriMesh, index},
    solve::{Cholesky, SolveError},
};

/// What a boundary-first map asks of a factor.
pub(super) trait Harmonic {
    /// Solves `L_II x = f` for a function that is zero on the boundary.
    fn solve_inside(&self, f: &mut [[f64; 1]]);

    /// The harmonic map with the given values on the whole boundary, its vertices in any order.
    fn extended(&self, boundary: &[u32], values: &[c64]) -> Vec<c64>;
}

/// The Laplacian's rows of inner vertices, factored.
#[derive(Debug)]
pub(super) struct Inside<'a> {
    laplacian: &'a CscMatrix<f64>,
    inner: Vec<u32>,
    /// None where no vertex lies inside.
    factor: Option<Cholesky>,
}

impl<'a> Inside<'a> {
    pub(super) fn new(mesh: &TriMesh, laplacian: &'a CscMatrix<f64>) -> Result<Self, SolveError> {
        let mut place = vec![NONE; mesh.vertex_count()];
        let mut inner = Vec::new();
        for vertex in 0..index(mesh.vertex_count()) {
            if !mesh.on_boundary(vertex) {
                place[vertex as usize] = index(inner.len());
                inner.push(vertex);
            }
        }
        let (mut offsets, mut rows, mut values) = (vec![0], Vec::new(), Vec::new());
        for &vertex in &inner {
            let column = laplacian.col(vertex as usize);
            for (&row, &value) in column.row_indices().iter().zip(column.values()) {
                if place[row] != NONE {
                    rows.push(place[row] as usize);
                    values.push(value);
                }
            }
            offsets.push(rows.len());
        }
        let positions: Vec<_> = inner.iter().map(|&v| mesh.position(v)).collect();
        let factor = if inner.is_empty() {
            None
        } else {
            let matrix =
                CscMatrix::try_from_csc_data(inner.len(), inner.len(), offsets, rows, values)
                    .expect("rows keep their order");
            Some(Cholesky::new(&matrix, &positions)?)
        };
        Ok(Self {
            laplacian,
            inner,
            factor,
        })
    }
}

impl Harmonic for Inside<'_> {
    fn solve_inside(&self, f: &mut [[f64; 1]]) {
        let Some(factor) = &self.factor else { return };
        let mut x: Vec<f64> = self.inner.iter().map(|&v| f[v as usize][0]).collect();
        factor.solve_one(&mut x);
        for (&v, x) in self.inner.iter().zip(x) {
            f[v as usize] = [x];
        }
    }

    fn extended(&self, boundary: &[u32], values: &[c64]) -> Vec<c64> {
        let mut z = vec![c64::new(0.0, 0.0); self.laplacian.ncols()];
        for (&v, &value) in boundary.iter().zip(values) {
            z[v as usize] = value;
        }
        let Some(factor) = &self.factor else { return z };
        let load = |&v: &u32| {
            let column = self.laplacian.col(v as usize);
            let rows = column.row_indices().iter().zip(column.values());
            let sum: c64 = rows.map(|(&row, &value)| z[row] * -value).sum();
            [sum.re, sum.im]
        };
        let mut x: Vec<[f64; 2]> = self.inner.iter().map(load).collect();
        factor.solve_in_place(&mut x);
        for (&v, [re, im]) in self.inner.iter().zip(x) {
            z[v as usize] = c64::new(re, im);
        }
        z
    }
}
