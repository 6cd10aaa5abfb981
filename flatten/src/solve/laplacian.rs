//! The cotangent Laplacian of a triangle mesh.
//!
//! In: a mesh. Out: a symmetric matrix `L`, both triangles stored, rows in vertex order.
//!
//! For a function that is linear on each triangle the Dirichlet energy `½∫|∇u|²` is `½ uᵀLu` with
//! `L_ij = −½(cot α + cot β)`, α and β the angles opposite edge ij, and rows that sum to zero
//! (MacNeal 1949; Pinkall & Polthier, "Computing discrete minimal surfaces and their conjugates",
//! Experimental Mathematics 2, 1993). It depends on edge lengths alone, is semidefinite, and has
//! the constants of each connected part in its null space.
//!
//! The columns are written where they stay, each edge once for each of its ends: collecting triplets and sorting
//! them takes several times as long.

use std::ops::Range;

use nalgebra_sparse::CscMatrix;
use rayon::prelude::*;

use crate::mesh::{NONE, TriMesh, index};

/// Thinnest triangle taken as it is: twice its area over its longest side squared. Below it the
/// cotangents are those of a triangle that thin, so that a triangle without area, which has no
/// cotangents, gives a finite weight.
const THINNEST: f64 = 1e-13;

/// Builder of Laplacian matrices.
#[derive(Debug, Clone, Copy)]
pub struct Laplacian;

impl Laplacian {
    /// The cotangent Laplacian of a surface.
    #[must_use]
    pub fn cotan(mesh: &TriMesh) -> CscMatrix<f64> {
        let (weights, offsets) = rayon::join(|| half_cotangents(mesh), || offsets(mesh));
        assembled(mesh, &weights, offsets)
    }

    /// A Laplacian from weights of half-edges: `L_ij = −(w_h + w_twin)`.
    ///
    /// `weights[3 f + k]` belongs to the side of face `f` from corner `k` to corner `k + 1`; for
    /// the cotangent Laplacian of a flat reference it is half the cotangent of the angle opposite.
    ///
    /// # Panics
    /// When `weights` is not three to a face.
    #[must_use]
    pub fn weighted(mesh: &TriMesh, weights: &[f64]) -> CscMatrix<f64> {
        assert_eq!(weights.len(), 3 * mesh.face_count(), "three weights a face");
        assembled(mesh, weights, offsets(mesh))
    }
}

/// Columns that are worth a thread.
const STRETCH: usize = 8192;

/// The Laplacian of so many weights, whose columns begin at `offsets`.
fn assembled(mesh: &TriMesh, weights: &[f64], offsets: Vec<usize>) -> CscMatrix<f64> {
    let n = mesh.vertex_count();
    let mut rows = vec![0; offsets[n]];
    let mut values = vec![0.0; offsets[n]];
    let parts = rayon::current_num_threads().min(n.div_ceil(STRETCH));
    let whole = Columns {
        vertices: 0..n,
        offsets: &offsets,
        rows: &mut rows,
        values: &mut values,
    };
    whole.fill(mesh, weights, parts);
    CscMatrix::try_from_csc_data(n, n, offsets, rows, values)
        .expect("every edge gives a row to both its ends, and the columns are sorted")
}

/// Where each column begins, and the last one ends: a vertex has a row for itself and for each neighbour.
fn offsets(mesh: &TriMesh) -> Vec<usize> {
    let mut offsets = vec![0; mesh.vertex_count() + 1];
    for &v in mesh.faces().as_flattened() {
        offsets[v as usize + 1] += 1;
    }
    for v in 0..mesh.vertex_count() {
        offsets[v + 1] += offsets[v] + 1 + usize::from(mesh.on_boundary(index(v)));
    }
    offsets
}

/// Columns of some vertices that follow each other.
struct Columns<'a> {
    vertices: Range<usize>,
    /// Of all columns.
    offsets: &'a [usize],
    rows: &'a mut [usize],
    values: &'a mut [f64],
}

impl Columns<'_> {
    /// Fills them on so many threads. Each looks at all faces and takes what belongs to its own columns: going round
    /// the vertices instead waits at every step for the face that comes next.
    fn fill(self, mesh: &TriMesh, weights: &[f64], parts: usize) {
        if parts > 1 {
            let Range { start, end } = self.vertices;
            let middle = start + (end - start) * (parts / 2) / parts;
            let count = self.offsets[middle] - self.offsets[start];
            let (first_rows, second_rows) = self.rows.split_at_mut(count);
            let (first_values, second_values) = self.values.split_at_mut(count);
            let part = |vertices, rows, values| Columns {
                vertices,
                offsets: self.offsets,
                rows,
                values,
            };
            let first = part(start..middle, first_rows, first_values);
            let second = part(middle..end, second_rows, second_values);
            rayon::join(
                || first.fill(mesh, weights, parts / 2),
                || second.fill(mesh, weights, parts - parts / 2),
            );
            return;
        }
        let Self {
            vertices,
            rows,
            values,
            ..
        } = self;
        let offsets = &self.offsets[vertices.start..=vertices.end];
        let before = offsets[0];
        let starts = offsets[..vertices.len()].iter();
        let mut ends: Vec<usize> = starts.map(|start| start - before).collect();
        let own = |vertex: u32| (vertex as usize).wrapping_sub(vertices.start);
        let mut add = |vertex: usize, row: u32, value: f64| {
            let end = &mut ends[vertex];
            (rows[*end], values[*end]) = (row as usize, value);
            *end += 1;
        };
        for (face, corners) in mesh.faces().iter().enumerate() {
            for k in 0..3 {
                let (tail, head) = (own(corners[k]), own(corners[(k + 1) % 3]));
                let h = 3 * face + k;
                let twin = mesh.twin(index(h));
                if tail < vertices.len() {
                    let back = if twin == NONE {
                        0.0
                    } else {
                        weights[twin as usize]
                    };
                    add(tail, corners[(k + 1) % 3], -(weights[h] + back));
                }
                // An edge on the boundary is seen once for both its ends.
                if twin == NONE && head < vertices.len() {
                    add(head, corners[k], -weights[h]);
                }
            }
        }
        let mut column: Vec<(usize, f64)> = Vec::new();
        for (vertex, range) in vertices.zip(offsets.windows(2)) {
            let range = range[0] - before..range[1] - before;
            let (rows, values) = (&mut rows[range.clone()], &mut values[range]);
            let diagonal = rows.len() - 1;
            rows[diagonal] = vertex;
            values[diagonal] = -values[..diagonal].iter().sum::<f64>();
            column.clear();
            column.extend(rows.iter().copied().zip(values.iter().copied()));
            column.sort_unstable_by_key(|&(row, _)| row);
            for (at, &(row, value)) in column.iter().enumerate() {
                (rows[at], values[at]) = (row, value);
            }
        }
    }
}

/// Half the cotangent of the angle opposite each half-edge.
#[must_use]
pub(crate) fn half_cotangents(mesh: &TriMesh) -> Vec<f64> {
    let mut weights = vec![0.0; 3 * mesh.face_count()];
    weights
        .par_chunks_exact_mut(3)
        .with_min_len(STRETCH)
        .enumerate()
        .for_each(|(face, weights)| {
            let p = mesh.corners(index(face));
            let sides = [p[1] - p[0], p[2] - p[1], p[0] - p[2]];
            let longest = sides.iter().map(|s| s.norm_squared()).fold(0.0, f64::max);
            let twice_area = sides[0].cross(&sides[1]).norm().max(THINNEST * longest);
            for (k, weight) in weights.iter_mut().enumerate() {
                // The angle lies between the other two sides, one of them walked backwards.
                let (from, to) = (sides[(k + 1) % 3], sides[(k + 2) % 3]);
                *weight = -0.5 * from.dot(&to) / twice_area;
            }
        });
    weights
}

#[cfg(test)]
mod tests {
    use nalgebra_sparse::{CooMatrix, CscMatrix};

    use super::*;
    use crate::Point3;

    fn tent() -> TriMesh {
        let p = Point3::new;
        TriMesh::new(
            vec![
                p(0.0, 0.0, 1.0),
                p(2.0, 0.0, 0.0),
                p(0.0, 2.5, 0.0),
                p(-1.5, 0.0, 0.0),
                p(0.0, -1.0, 0.2),
            ],
            vec![[0, 1, 2], [0, 2, 3], [0, 3, 4]],
        )
        .unwrap()
    }

    #[test]
    fn columns_from_fans_equal_summed_triplets() {
        let mesh = tent();
        let weights = half_cotangents(&mesh);
        let mut triplets = CooMatrix::new(5, 5);
        for h in 0..9_u32 {
            let (i, j) = (mesh.tail(h) as usize, mesh.head(h) as usize);
            let w = weights[h as usize];
            for (row, column, sign) in [(i, j, -1.0), (j, i, -1.0), (i, i, 1.0), (j, j, 1.0)] {
                triplets.push(row, column, sign * w);
            }
        }
        let expected = nalgebra::DMatrix::from(&CscMatrix::from(&triplets));
        let found = nalgebra::DMatrix::from(&Laplacian::cotan(&mesh));
        assert!((expected - found).amax() < 1e-15);
    }

    #[test]
    fn energy_of_a_height_is_its_tilt_over_the_area() {
        // On the plane, u = 3x + 4y has |∇u|² = 25 everywhere.
        let p = |x, y| Point3::new(x, y, 0.0);
        let mesh = TriMesh::new(
            vec![
                p(0.0, 0.0),
                p(4.0, 0.3),
                p(3.0, 2.0),
                p(0.5, 3.0),
                p(1.5, 1.2),
            ],
            vec![[0, 1, 4], [1, 2, 4], [2, 3, 4], [3, 0, 4]],
        )
        .unwrap();
        let u = nalgebra::DVector::from_iterator(
            5,
            mesh.positions().iter().map(|p| 3.0 * p.x + 4.0 * p.y),
        );
        let energy = 0.5 * u.dot(&(&Laplacian::cotan(&mesh) * &u));
        assert!((energy - 12.5 * mesh.area()).abs() < 1e-12);
    }
}
