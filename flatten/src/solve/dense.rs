//! Dense blocks: faer's kernels under the names this crate uses.
//!
//! Every routine gives the same bits with any number of threads: work is split at fixed places and
//! each block is computed by one thread.

use faer::{
    Accum, Conj, Mat, MatMut, MatRef, Par,
    dyn_stack::{MemBuffer, MemStack},
    linalg::{
        cholesky::llt::factor::{LltError, cholesky_in_place, cholesky_in_place_scratch},
        matmul::{
            matmul_with_conj,
            triangular::{
                BlockStructure, matmul as triangular_matmul,
                matmul_with_conj as triangular_matmul_with_conj,
            },
        },
        triangular_inverse::invert_lower_triangular,
        triangular_solve::{
            solve_lower_triangular_in_place_with_conj, solve_upper_triangular_in_place,
            solve_upper_triangular_in_place_with_conj,
        },
    },
    reborrow::{Reborrow, ReborrowMut},
    traits::ComplexField,
};

/// Widest block of columns or rows that one thread updates at a time.
const BLOCK: usize = 128;
/// Below this many multiplications a block is not worth sending to another thread.
const PARALLEL_WORK: usize = 4_000_000;

/// Eliminates the leading unknowns of a Hermitian matrix of which the lower triangle is given in
/// three blocks:
///
/// ```text
///   ⎡ top    ·      ⎤        top    ← G  with GGᴴ = top
///   ⎣ below  corner ⎦        below  ← below G⁻ᴴ
///                            corner ← corner − below belowᴴ     (the Schur complement)
/// ```
///
/// `Err` holds the first row of `top` without a positive pivot.
pub(crate) fn eliminate<T: ComplexField>(
    top: MatMut<'_, T>,
    mut below: MatMut<'_, T>,
    corner: MatMut<'_, T>,
) -> Result<(), usize> {
    let (pivots, rest) = (top.nrows(), below.nrows());
    if pivots == 0 {
        return Ok(());
    }
    let parallel = pivots * (pivots + rest) * (pivots + rest) > PARALLEL_WORK;
    factor(top, below.rb_mut(), parallel)?;
    if rest > 0 {
        subtract_square(below.rb(), corner, parallel);
    }
    Ok(())
}

/// The first two lines of [`eliminate`], where there is much to do by blocks of columns.
fn factor<T: ComplexField>(
    mut top: MatMut<'_, T>,
    mut below: MatMut<'_, T>,
    parallel: bool,
) -> Result<(), usize> {
    let mut done = 0;
    while parallel && top.nrows() > 2 * BLOCK {
        let (mut first, _, mut under, mut rest) = top.split_at_mut(BLOCK, BLOCK);
        let (mut left, mut right) = below.split_at_col_mut(BLOCK);
        cholesky(first.rb_mut()).map_err(|row| done + row)?;
        rayon::join(
            || divide(first.rb(), under.rb_mut(), true),
            || divide(first.rb(), left.rb_mut(), true),
        );
        rayon::join(
            || subtract_square(under.rb(), rest.rb_mut(), true),
            || subtract_product(left.rb(), under.rb(), right.rb_mut()),
        );
        done += BLOCK;
        (top, below) = (rest, right);
    }
    cholesky(top.rb_mut()).map_err(|row| done + row)?;
    divide(top.rb(), below, parallel);
    Ok(())
}

/// `top ← G` with `GGᴴ = top`, lower triangle, on this thread.
fn cholesky<T: ComplexField>(top: MatMut<'_, T>) -> Result<(), usize> {
    let size = top.nrows();
    let scratch = cholesky_in_place_scratch::<T>(size, Par::Seq, faer::Spec::default());
    cholesky_in_place(
        top,
        faer::linalg::cholesky::llt::factor::LltRegularization::default(),
        Par::Seq,
        MemStack::new(&mut MemBuffer::new(scratch)),
        faer::Spec::default(),
    )
    .map_err(|LltError::NonPositivePivot { index }| index)?;
    Ok(())
}

/// Works on blocks of rows, where that is to be done in parallel.
fn by_rows<T: ComplexField>(
    whole: MatMut<'_, T>,
    parallel: bool,
    work: &(impl Fn(MatMut<'_, T>) + Sync),
) {
    if parallel && whole.nrows() > BLOCK {
        let half = (whole.nrows() / 2).next_multiple_of(BLOCK);
        let (upper, lower) = whole.split_at_row_mut(half);
        rayon::join(|| by_rows(upper, true, work), || by_rows(lower, true, work));
    } else {
        work(whole);
    }
}

/// `below ← below G⁻ᴴ`.
fn divide<T: ComplexField>(factor: MatRef<'_, T>, below: MatMut<'_, T>, parallel: bool) {
    by_rows(below, parallel, &|rows| {
        solve_lower_triangular_in_place_with_conj(
            factor,
            Conj::Yes,
            rows.transpose_mut(),
            Par::Seq,
        );
    });
}

/// `below ← below G⁻¹`, in parallel.
fn divide_again(factor: MatRef<'_, f64>, below: MatMut<'_, f64>) {
    by_rows(below, true, &|rows| {
        solve_upper_triangular_in_place(factor.transpose(), rows.transpose_mut(), Par::Seq);
    });
}

/// From what [`eliminate`] leaves of a real matrix: `top ← top⁻¹`, both triangles, and `below ← below top⁻¹`, of what
/// they were before it.
pub(crate) fn invert(mut top: MatMut<'_, f64>, below: MatMut<'_, f64>) {
    let n = top.nrows();
    let mut inverse = Mat::zeros(n, n);
    rayon::join(
        || divide_again(top.rb(), below),
        || invert_lower_triangular(inverse.rb_mut(), top.rb(), Par::Seq),
    );
    square_of_lower(inverse.rb(), top.rb_mut());
    for j in 1..n {
        for i in 0..j {
            top[(i, j)] = top[(j, i)];
        }
    }
}

/// Lower triangle of `target ← GᵀG`, `G` lower triangular.
fn square_of_lower(factor: MatRef<'_, f64>, target: MatMut<'_, f64>) {
    use BlockStructure::{Rectangular, TriangularLower, TriangularUpper};
    let times =
        |target, structure, add, left: MatRef<'_, f64>, left_structure, right, right_structure| {
            let left = left.transpose();
            triangular_matmul(
                target,
                structure,
                add,
                left,
                left_structure,
                right,
                right_structure,
                1.0,
                Par::Seq,
            );
        };
    let n = factor.nrows();
    if n <= BLOCK {
        times(
            target,
            TriangularLower,
            Accum::Replace,
            factor,
            TriangularUpper,
            factor,
            TriangularLower,
        );
        return;
    }
    let half = (n / 2).next_multiple_of(BLOCK).min(n - 1);
    let (first, _, between, second) = factor.split_at(half, half);
    let (mut upper, _, across, lower) = target.split_at_mut(half, half);
    rayon::join(
        || {
            square_of_lower(first, upper.rb_mut());
            times(
                upper,
                TriangularLower,
                Accum::Add,
                between,
                Rectangular,
                between,
                Rectangular,
            );
        },
        || {
            times(
                across,
                Rectangular,
                Accum::Replace,
                second,
                TriangularUpper,
                between,
                Rectangular,
            );
            square_of_lower(second, lower);
        },
    );
}

/// Lower triangle of `corner ← corner − below belowᴴ`, by blocks of columns.
fn subtract_square<T: ComplexField>(below: MatRef<'_, T>, corner: MatMut<'_, T>, parallel: bool) {
    let n = corner.nrows();
    if !(parallel && n > BLOCK) {
        triangular_matmul_with_conj(
            corner,
            BlockStructure::TriangularLower,
            Accum::Add,
            below,
            BlockStructure::Rectangular,
            Conj::No,
            below.transpose(),
            BlockStructure::Rectangular,
            Conj::Yes,
            T::from_f64_impl(-1.0),
            Par::Seq,
        );
        return;
    }
    // Two triangles of half the size and the rectangle below the first.
    let half = (n / 2).next_multiple_of(BLOCK).min(n - 1);
    let (first, second) = below.split_at_row(half);
    let (upper_left, _, lower_left, lower_right) = corner.split_at_mut(half, half);
    rayon::join(
        || subtract_product(second, first, lower_left),
        || {
            rayon::join(
                || subtract_square(first, upper_left, true),
                || subtract_square(second, lower_right, true),
            )
        },
    );
}

/// `target ← target − rows columnsᴴ`, by blocks of rows.
fn subtract_product<T: ComplexField>(
    rows: MatRef<'_, T>,
    columns: MatRef<'_, T>,
    target: MatMut<'_, T>,
) {
    let n = target.nrows();
    if n > 2 * BLOCK {
        let half = (n / 2).next_multiple_of(BLOCK);
        let (first, second) = rows.split_at_row(half);
        let (upper, lower) = target.split_at_row_mut(half);
        rayon::join(
            || subtract_product(first, columns, upper),
            || subtract_product(second, columns, lower),
        );
    } else {
        matmul_with_conj(
            target,
            Accum::Add,
            rows,
            Conj::No,
            columns.transpose(),
            Conj::Yes,
            T::from_f64_impl(-1.0),
            Par::Seq,
        );
    }
}

/// A Cholesky factor of a dense Hermitian matrix.
#[derive(Debug)]
pub(crate) struct DenseFactor<T> {
    size: usize,
    /// By columns; the upper triangle is not used.
    lower: Vec<T>,
}

impl<T: ComplexField> DenseFactor<T> {
    /// Factors a matrix given by columns, lower triangle; `Err` holds the row without a pivot.
    pub(crate) fn new(mut lower: Vec<T>, size: usize) -> Result<Self, usize> {
        let whole = MatMut::from_column_major_slice_mut(&mut lower, size, size);
        let (top, below) = whole.split_at_row_mut(size);
        factor(top, below, true)?;
        Ok(Self { size, lower })
    }

    /// Solves for one right-hand side; the answer replaces it.
    pub(crate) fn solve(&self, rhs: &mut [T]) {
        let factor = MatRef::from_column_major_slice(&self.lower, self.size, self.size);
        let mut rhs = MatMut::from_column_major_slice_mut(rhs, self.size, 1);
        solve_lower_triangular_in_place_with_conj(factor, Conj::No, rhs.rb_mut(), Par::Seq);
        solve_upper_triangular_in_place_with_conj(factor.transpose(), Conj::Yes, rhs, Par::Seq);
    }
}

#[cfg(test)]
mod tests {
    use faer::c64;

    use super::*;

    #[test]
    fn a_hermitian_system_of_several_blocks_is_solved() {
        // Diagonally dominant, entries from a fixed formula.
        let n = 301;
        let entry = |i: usize, j: usize| {
            let (a, b) = (i.max(j) as f64, i.min(j) as f64);
            let sign = if i > j { 1.0 } else { -1.0 };
            if i == j {
                c64::new(n as f64, 0.0)
            } else {
                c64::new((0.3 * a + 0.7 * b).sin(), sign * (0.11 * a * b).cos())
            }
        };
        let x: Vec<c64> = (0..n)
            .map(|i| c64::new(i as f64, 1.0 - 0.5 * i as f64))
            .collect();
        let mut b: Vec<c64> = (0..n)
            .map(|i| (0..n).map(|j| entry(i, j) * x[j]).sum())
            .collect();
        let matrix = (0..n * n).map(|k| entry(k % n, k / n)).collect();
        DenseFactor::new(matrix, n).unwrap().solve(&mut b);
        let worst = b
            .iter()
            .zip(&x)
            .map(|(b, x)| (b - x).norm())
            .fold(0.0, f64::max);
        assert!(worst < 1e-10, "{worst:e}");
    }
}
