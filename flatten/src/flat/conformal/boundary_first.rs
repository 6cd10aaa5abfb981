//! Boundary-first maps: the edge keeps its length.
//!
//! Sawhney & Crane, "Boundary first flattening", ACM TOG 37, 2017, with log scale u = 0 on the
//! boundary. The log scale of a conformal map to the plane obeys `Δu = K`; on triangles, with the
//! angle defects `Ω` of inner vertices,
//!
//! ```text
//!   L_II u = −Ω,   u_B = 0          the log scale inside
//!   k̃ = k + L_BI u                  turning of the flat boundary at each vertex; sums to 2π
//! ```
//!
//! The boundary is then drawn edge after edge with its own lengths and this turning. A small gap is
//! closed by the least change of lengths, each weighed by its inverse (section 4.4 of the paper).
//! We fill the inside harmonically in both coordinates, where the paper conjugates one from the
//! other: that keeps the boundary just drawn to the digit.

use faer::c64;
use nalgebra_sparse::CscMatrix;

use super::inside::Harmonic;
use crate::mesh::TriMesh;

/// The map whose boundary keeps its length, for a disk.
pub(super) fn boundary_first(
    mesh: &TriMesh,
    laplacian: &CscMatrix<f64>,
    factor: &impl Harmonic,
    ring: &[u32],
) -> Vec<c64> {
    let angles = mesh.angle_sums();
    let mut scale: Vec<[f64; 1]> = angles.iter().map(|a| [a - std::f64::consts::TAU]).collect();
    for &v in ring {
        scale[v as usize] = [0.0];
    }
    factor.solve_inside(&mut scale);
    let lengths: Vec<f64> = (0..ring.len())
        .map(|k| {
            let (from, to) = (ring[k], ring[(k + 1) % ring.len()]);
            (mesh.position(to) - mesh.position(from)).norm()
        })
        .collect();
    // Direction of the edge that leaves each boundary vertex.
    let mut heading = 0.0;
    let directions: Vec<c64> = ring
        .iter()
        .map(|&v| {
            let column = laplacian.col(v as usize);
            let flux: f64 = column
                .row_indices()
                .iter()
                .zip(column.values())
                .map(|(&row, &value)| value * scale[row][0])
                .sum();
            heading += std::f64::consts::PI - angles[v as usize] + flux;
            c64::from_polar(1.0, heading)
        })
        .collect();
    let lengths = closed(&lengths, &directions);
    let mut at = c64::new(0.0, 0.0);
    let mut outline = vec![at; ring.len()];
    for (place, (&length, direction)) in outline.iter_mut().zip(lengths.iter().zip(&directions)) {
        *place = at;
        at += direction * length;
    }
    factor.extended(ring, &outline)
}

/// The lengths nearest to those given, relative to each, with which the outline closes.
fn closed(lengths: &[f64], directions: &[c64]) -> Vec<f64> {
    let mut gap = nalgebra::Vector2::zeros();
    let mut normal = nalgebra::Matrix2::zeros();
    for (&length, direction) in lengths.iter().zip(directions) {
        let t = nalgebra::Vector2::new(direction.re, direction.im);
        gap += t * length;
        normal += t * t.transpose() * length;
    }
    let Some(inverse) = normal.try_inverse() else {
        return lengths.to_vec();
    };
    let change = inverse * gap;
    lengths
        .iter()
        .zip(directions)
        .map(|(&length, d)| length * (1.0 - (d.re * change.x + d.im * change.y)))
        .collect()
}
