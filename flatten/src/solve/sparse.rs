//! faer's sparse supernodal Cholesky, real or complex.
//!
//! In: the upper triangle of a Hermitian positive definite matrix. Out: a factor to solve with.
//!
//! Three traps, each seen with faer 0.24: a natural order has to be given as a permutation (its
//! own `Identity` expects the lower triangle and stops in the numeric step); a permutation from
//! outside must follow the elimination tree depth first, or the supernodes fall apart; and its
//! threads change the bits of the result and slow it down, so it always runs on one.

use faer::{
    Conj, MatMut, Par, Side,
    dyn_stack::{MemBuffer, MemStack},
    linalg::cholesky::llt::factor::LltError::NonPositivePivot,
    sparse::{
        SparseColMatRef, SymbolicSparseColMatRef,
        linalg::cholesky::{
            CholeskySymbolicParams, LltRef, SymbolicCholesky, SymmetricOrdering,
            factorize_symbolic_cholesky,
        },
    },
    traits::ComplexField,
};

use super::SolveError;

/// Upper triangle of a Hermitian matrix by columns, diagonal last in each.
#[derive(Debug, Clone)]
pub(crate) struct UpperTriangle<T> {
    pub(crate) offsets: Vec<u32>,
    pub(crate) rows: Vec<u32>,
    pub(crate) values: Vec<T>,
}

impl<T> UpperTriangle<T> {
    fn size(&self) -> usize {
        self.offsets.len() - 1
    }

    fn symbolic(&self) -> SymbolicSparseColMatRef<'_, u32> {
        let n = self.size();
        SymbolicSparseColMatRef::new_checked(n, n, &self.offsets, None, &self.rows)
    }
}

/// A sparse Cholesky factor.
#[derive(Debug)]
pub(crate) struct SparseFactor<T> {
    symbolic: SymbolicCholesky<u32>,
    values: Vec<T>,
}

impl<T: ComplexField + Copy> SparseFactor<T> {
    /// Orders (approximate minimum degree), analyses and factors.
    pub(crate) fn new(matrix: &UpperTriangle<T>) -> Result<Self, SolveError> {
        let rows = matrix.size();
        let symbolic = factorize_symbolic_cholesky(
            matrix.symbolic(),
            Side::Upper,
            SymmetricOrdering::Amd,
            CholeskySymbolicParams::default(),
        )
        .map_err(|_| SolveError::OutOfMemory { rows })?;
        let values = vec![T::zero_impl(); symbolic.len_val()];
        let mut factor = Self { symbolic, values };
        factor.refactor(matrix)?;
        Ok(factor)
    }

    /// Factors new values on the same pattern.
    pub(crate) fn refactor(&mut self, matrix: &UpperTriangle<T>) -> Result<(), SolveError> {
        let rows = matrix.size();
        let need = self
            .symbolic
            .factorize_numeric_llt_scratch::<T>(Par::Seq, faer::Spec::default());
        let mut memory = MemBuffer::try_new(need).map_err(|_| SolveError::OutOfMemory { rows })?;
        let outcome = self.symbolic.factorize_numeric_llt(
            &mut self.values,
            SparseColMatRef::new(matrix.symbolic(), &matrix.values),
            Side::Upper,
            faer::linalg::cholesky::llt::factor::LltRegularization::default(),
            Par::Seq,
            MemStack::new(&mut memory),
            faer::Spec::default(),
        );
        let Err(NonPositivePivot { index }) = outcome else {
            return Ok(());
        };
        let row = self
            .symbolic
            .perm()
            .map_or(index, |perm| perm.arrays().0[index.min(rows - 1)] as usize);
        Err(SolveError::NotPositiveDefinite { row })
    }

    /// Solves for each column of `rhs`, `columns` vectors one after the other.
    pub(crate) fn solve(&self, rhs: &mut [T], columns: usize) {
        let n = self.symbolic.nrows();
        let need = self.symbolic.solve_in_place_scratch::<T>(columns, Par::Seq);
        let mut memory = MemBuffer::new(need);
        LltRef::new(&self.symbolic, &self.values).solve_in_place_with_conj(
            Conj::No,
            MatMut::from_column_major_slice_mut(rhs, n, columns),
            Par::Seq,
            MemStack::new(&mut memory),
        );
    }
}
