//! Pieces of the conformal energy that every way of solving it shares.

use faer::c64;
use nalgebra_sparse::CscMatrix;

use crate::{
    mesh::{NONE, TriMesh, index},
    solve::UpperTriangle,
};

/// What `−2A` adds to `H_ij` for a boundary edge that runs from i to j, the surface on its left;
/// `H_ji` gets the conjugate.
pub(super) const TURN: c64 = c64::new(0.0, 0.5);

/// Lift of the zero eigenvalue, in units of the boundary's lowest frequency, so that a factor
/// exists on surfaces that flatten without any loss too. It moves no eigenvector.
const SHIFT: f64 = 1e-9;
/// …and in units of what the rounding of the stiffest entry may take from a pivot: thin triangles have
/// weights so large that it is more than the lift.
const ABOVE_ROUNDING: f64 = 64.0 * f64::EPSILON;
/// One less the squared overlap of two iterates at which the eigenvector counts as found; the
/// vector itself is then right to its square root.
const SETTLED: f64 = 1e-15;
/// Inverse iterations before giving up; 3 to 10 are usual.
const MOST_STEPS: usize = 200;

/// Boundary edges as (tail, head), the surface on the left.
pub(super) fn boundary_edges(mesh: &TriMesh) -> impl Iterator<Item = (u32, u32)> + '_ {
    (0..index(3 * mesh.face_count()))
        .filter(|&h| mesh.twin(h) == NONE)
        .map(|h| (mesh.tail(h), mesh.head(h)))
}

/// Half the length of the two boundary edges at each vertex, mm; zero inside.
pub(super) fn boundary_mass(mesh: &TriMesh) -> Vec<f64> {
    let mut mass = vec![0.0; mesh.vertex_count()];
    for (from, to) in boundary_edges(mesh) {
        let half = 0.5 * (mesh.position(to) - mesh.position(from)).norm();
        mass[from as usize] += half;
        mass[to as usize] += half;
    }
    mass
}

/// What to add to `H` per unit of mass before factoring it without pins.
pub(super) fn shift(mass: &[f64], laplacian: &CscMatrix<f64>) -> f64 {
    let whole: f64 = mass.iter().sum();
    let rows = mass.iter().filter(|m| **m > 0.0).count();
    let entries = laplacian.triplet_iter().map(|(_, _, value)| value.abs());
    let stiffest = entries.fold(0.0, f64::max);
    let lowest = SHIFT * std::f64::consts::TAU / whole;
    lowest.max(ABOVE_ROUNDING * stiffest * rows as f64 / whole)
}

/// Eigenvector of `H` against the mass with the smallest eigenvalue but the constants': inverse
/// iteration. Returns the vector, the steps and whether it settled.
pub(super) fn inverse_iteration(
    mut z: Vec<c64>,
    mass: &[f64],
    solve: impl Fn(&mut [c64]),
) -> (Vec<c64>, usize, bool) {
    centre_and_norm(&mut z, mass);
    for step in 1..=MOST_STEPS {
        let before = z.clone();
        for (z, &m) in z.iter_mut().zip(mass) {
            *z *= m;
        }
        solve(&mut z);
        centre_and_norm(&mut z, mass);
        let overlap: c64 = (0..z.len())
            .map(|i| z[i].conj() * before[i] * mass[i])
            .sum();
        if 1.0 - overlap.norm_sqr() < SETTLED {
            return (z, step, true);
        }
    }
    (z, MOST_STEPS, false)
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

/// Upper triangle of `H = L − 2A` over the whole surface.
pub(super) fn hermitian(mesh: &TriMesh, laplacian: &CscMatrix<f64>) -> UpperTriangle<c64> {
    let mut upper = UpperTriangle {
        offsets: vec![0],
        rows: Vec::new(),
        values: Vec::new(),
    };
    for (column, entries) in laplacian.col_iter().enumerate() {
        for (&row, &value) in entries.row_indices().iter().zip(entries.values()) {
            if row <= column {
                upper.rows.push(index(row));
                upper.values.push(c64::new(value, 0.0));
            }
        }
        upper.offsets.push(index(upper.rows.len()));
    }
    for (from, to) in boundary_edges(mesh) {
        let (row, column, turn) = if from < to {
            (from, to, TURN)
        } else {
            (to, from, TURN.conj())
        };
        let start = upper.offsets[column as usize] as usize;
        let end = upper.offsets[column as usize + 1] as usize;
        let at = upper.rows[start..end]
            .binary_search(&row)
            .expect("a boundary edge is an edge");
        upper.values[start + at] += turn;
    }
    upper
}
