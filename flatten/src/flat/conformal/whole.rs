//! The conformal energy as one sparse complex system.
//!
//! For surfaces with so long a boundary that a dense block on it would cost more than all the rest,
//! and to check the block against in tests: same maps by another road.

use faer::c64;
use nalgebra_sparse::CscMatrix;

use super::{FlatError, equations};
use crate::{
    mesh::{NONE, TriMesh, index},
    solve::{SparseFactor, UpperTriangle},
};

/// The least-energy map with two vertices held.
pub(super) fn pinned(
    mesh: &TriMesh,
    laplacian: &CscMatrix<f64>,
    pins: [(u32, c64); 2],
) -> Result<Vec<c64>, FlatError> {
    let hermitian = equations::hermitian(mesh, laplacian);
    let mut z = vec![c64::new(0.0, 0.0); mesh.vertex_count()];
    // Rows of the system that is left, pins dropped.
    let mut row_of: Vec<u32> = Vec::with_capacity(z.len());
    let mut free = 0;
    for vertex in 0..index(z.len()) {
        if let Some(&(_, at)) = pins.iter().find(|&&(pin, _)| pin == vertex) {
            z[vertex as usize] = at;
            row_of.push(NONE);
        } else {
            row_of.push(free);
            free += 1;
        }
    }
    let mut reduced = UpperTriangle {
        offsets: vec![0],
        rows: Vec::new(),
        values: Vec::new(),
    };
    let mut rhs = vec![c64::new(0.0, 0.0); free as usize];
    for column in 0..z.len() {
        let range = hermitian.offsets[column] as usize..hermitian.offsets[column + 1] as usize;
        for at in range {
            let row = hermitian.rows[at] as usize;
            let value = hermitian.values[at];
            match (row_of[row], row_of[column]) {
                (NONE, NONE) => {}
                (NONE, j) => rhs[j as usize] -= value.conj() * z[row],
                (i, NONE) => rhs[i as usize] -= value * z[column],
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
    for (vertex, &row) in row_of.iter().enumerate() {
        if row != NONE {
            z[vertex] = rhs[row as usize];
        }
    }
    Ok(z)
}

/// The least-energy map for a boundary of given extent, from a first guess.
pub(super) fn pin_free(
    mesh: &TriMesh,
    laplacian: &CscMatrix<f64>,
    guess: Vec<c64>,
    mass: &[f64],
) -> Result<(Vec<c64>, usize, bool), FlatError> {
    let mut hermitian = equations::hermitian(mesh, laplacian);
    let shift = equations::shift(mass, laplacian);
    for (column, m) in mass.iter().enumerate() {
        // The diagonal comes last in a column of the upper triangle.
        let diagonal = hermitian.offsets[column + 1] as usize - 1;
        hermitian.values[diagonal] += shift * m;
    }
    let factor = SparseFactor::new(&hermitian)?;
    Ok(equations::inverse_iteration(guess, mass, |z| {
        factor.solve(z, 1);
    }))
}
