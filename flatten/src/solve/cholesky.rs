//! A kept Cholesky factor of a real symmetric positive definite matrix.

use nalgebra_sparse::{CscMatrix, pattern::SparsityPattern};

use super::{Multifrontal, SolveError};
use crate::Point3;

/// `A = GGᵀ` for a matrix with the pattern of a mesh; analysed once, refactored and solved often.
///
/// The factor is the same to the bit with any number of threads.
#[derive(Debug)]
pub struct Cholesky {
    pattern: SparsityPattern,
    factor: Multifrontal,
}

impl Cholesky {
    /// Orders, analyses and factors a matrix, both triangles and the whole diagonal stored;
    /// `positions` has one point a row and steers the ordering: rows that are joined should lie near
    /// each other.
    ///
    /// # Errors
    /// [`SolveError::Shape`] when the matrix is not square or the positions are not one a row,
    /// [`SolveError::NotPositiveDefinite`] when a pivot is not positive.
    pub fn new(matrix: &CscMatrix<f64>, positions: &[Point3]) -> Result<Self, SolveError> {
        check_shape(matrix, positions.len())?;
        Ok(Self {
            pattern: matrix.pattern().clone(),
            factor: Multifrontal::new(matrix, positions, &[])?,
        })
    }

    /// Factors new values on the pattern that was analysed.
    ///
    /// # Errors
    /// [`SolveError::OtherPattern`] when the non-zeros lie elsewhere,
    /// [`SolveError::NotPositiveDefinite`] when a pivot is not positive; the factor is then of no
    /// use until a later call succeeds.
    pub fn refactor(&mut self, matrix: &CscMatrix<f64>) -> Result<(), SolveError> {
        if *matrix.pattern() != self.pattern {
            return Err(SolveError::OtherPattern);
        }
        self.factor.refactor(matrix)
    }

    /// Number of rows.
    #[must_use]
    pub fn size(&self) -> usize {
        self.pattern.major_dim()
    }

    /// Numbers stored in the factor, eight bytes each.
    #[must_use]
    pub fn entries(&self) -> usize {
        self.factor.entries()
    }

    /// Solves for two right-hand sides at once (u and v); the answer replaces them.
    ///
    /// # Panics
    /// When `rhs` has not one entry a row.
    pub fn solve_in_place(&self, rhs: &mut [[f64; 2]]) {
        self.factor.solve(rhs);
    }

    /// Solves for one right-hand side; the answer replaces it.
    ///
    /// # Panics
    /// When `rhs` has not one entry a row.
    pub fn solve_one(&self, rhs: &mut [f64]) {
        let mut column: Vec<[f64; 1]> = rhs.iter().map(|&x| [x]).collect();
        self.factor.solve(&mut column);
        for (x, [answer]) in rhs.iter_mut().zip(column) {
            *x = answer;
        }
    }
}

/// Largest `|b − Ax|` over the largest of `|A||x| + |b|`, entry by entry: how well `x` solves the
/// system, 1e-16 being perfect (Oettli & Prager 1964).
///
/// # Panics
/// When the lengths of `x` and `b` are not the size of the matrix.
#[must_use]
pub fn residual(matrix: &CscMatrix<f64>, x: &[f64], b: &[f64]) -> f64 {
    assert_eq!(x.len(), matrix.ncols(), "one entry a column");
    assert_eq!(b.len(), matrix.nrows(), "one entry a row");
    let mut left = b.to_vec();
    let mut size: Vec<f64> = b.iter().map(|b| b.abs()).collect();
    for (row, column, value) in matrix.triplet_iter() {
        left[row] -= value * x[column];
        size[row] += (value * x[column]).abs();
    }
    let most = |v: &[f64]| v.iter().fold(0.0, |m: f64, x| m.max(x.abs()));
    let size = most(&size);
    if size > 0.0 { most(&left) / size } else { 0.0 }
}

fn check_shape(matrix: &CscMatrix<f64>, expected: usize) -> Result<(), SolveError> {
    let (rows, columns) = (matrix.nrows(), matrix.ncols());
    if rows == expected && columns == expected {
        Ok(())
    } else {
        Err(SolveError::Shape {
            rows,
            columns,
            expected,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Laplacian of a path with one end held: diagonal 2, last 1.
    fn path(n: usize, scale: f64) -> CscMatrix<f64> {
        let mut triplets = nalgebra_sparse::CooMatrix::new(n, n);
        for i in 0..n {
            triplets.push(i, i, if i + 1 == n { scale } else { 2.0 * scale });
            if i + 1 < n {
                triplets.push(i, i + 1, -scale);
                triplets.push(i + 1, i, -scale);
            }
        }
        CscMatrix::from(&triplets)
    }

    fn line(n: usize) -> Vec<Point3> {
        (0..n).map(|i| Point3::new(i as f64, 0.0, 0.0)).collect()
    }

    #[test]
    fn a_pulled_chain_stretches_evenly() {
        let matrix = path(50, 1.0);
        let mut factor = Cholesky::new(&matrix, &line(50)).unwrap();
        let mut pull = vec![[0.0; 2]; 50];
        pull[49] = [1.0, -2.0];
        factor.solve_in_place(&mut pull);
        for (i, [u, v]) in pull.iter().enumerate() {
            let expected = (i + 1) as f64;
            assert!((u - expected).abs() < 1e-11);
            assert!((v + 2.0 * expected).abs() < 1e-11);
        }
        // Twice as stiff, half as far; same analysis.
        factor.refactor(&path(50, 2.0)).unwrap();
        let mut b = vec![0.0; 50];
        b[49] = 1.0;
        let mut x = b.clone();
        factor.solve_one(&mut x);
        assert!((x[49] - 25.0).abs() < 1e-11);
        assert!(residual(&path(50, 2.0), &x, &b) < 1e-15);
    }

    #[test]
    fn a_floating_chain_is_refused() {
        let mut triplets = nalgebra_sparse::CooMatrix::new(2, 2);
        for (i, j, v) in [(0, 0, 1.0), (1, 1, 1.0), (0, 1, -1.0), (1, 0, -1.0)] {
            triplets.push(i, j, v);
        }
        let floating = CscMatrix::from(&triplets);
        assert!(matches!(
            Cholesky::new(&floating, &line(2)),
            Err(SolveError::NotPositiveDefinite { .. })
        ));
    }

    #[test]
    fn other_places_are_refused() {
        let mut factor = Cholesky::new(&path(5, 1.0), &line(5)).unwrap();
        assert_eq!(
            factor.refactor(&CscMatrix::identity(5)),
            Err(SolveError::OtherPattern)
        );
        assert!(matches!(
            Cholesky::new(&path(5, 1.0), &line(4)),
            Err(SolveError::Shape { expected: 4, .. })
        ));
    }
}
