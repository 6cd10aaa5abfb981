//! Multifrontal Cholesky: dense blocks passed up the tree of a nested dissection.
//!
//! In: a symmetric matrix `A` and rows to keep (often none). Out: the factor `G` of the block that
//! is eliminated, and the Schur complement on the rows kept. With the kept rows `B` last,
//!
//! ```text
//!   A = ⎡ A_II  A_IB ⎤ = ⎡ G    ⎤ ⎡ I   ⎤ ⎡ Gᵀ  Wᵀ ⎤     G Gᵀ = A_II,   W = A_BI G⁻ᵀ,
//!       ⎣ A_BI  A_BB ⎦   ⎣ W  I ⎦ ⎣   S ⎦ ⎣      I ⎦     S = A_BB − A_BI A_II⁻¹ A_IB
//! ```
//!
//! For a Laplacian whose kept rows are the boundary, `S` is the Dirichlet-to-Neumann map: energy of
//! the harmonic function with given boundary values, `½ zᵀSz`. And `x_I = −G⁻ᵀ Wᵀ z` *is* that
//! function: once `z` is known the inside costs one back-substitution.
//!
//! # Method
//! Each front gathers its rows of the matrix and the Schur complements of its two parts, eliminates
//! its pivots, keeps the columns of the factor (its *panel*) and hands the Schur complement on its
//! border upwards (Duff & Reid, "The multifrontal solution of indefinite sparse symmetric linear
//! equations", ACM TOMS 9, 1983). All arithmetic happens in dense blocks. The two parts of a region
//! share nothing, so they run in parallel; sums are taken in the order of the tree, so the bits are
//! the same with any number of threads.
//!
//! In single precision the factor takes half the memory and little more than half the time. It then has an error of
//! some 1e-7 times the matrix's condition: enough to begin from, not to answer with.
//!
//! Cost on a surface of n vertices: O(n log n) memory, O(n^1.5) multiplications.

use std::{
    ops::{Mul, Neg},
    sync::Arc,
    time::{Duration, Instant},
};

use faer::traits::RealField;
use nalgebra_sparse::CscMatrix;

use super::{
    SolveError,
    factoring::{Desks, factor_stretch, packed_column},
    ordering::LEAF,
    small,
    substitution::{backward_stretch, forward_stretch},
    symbolic::Symbolic,
};
use crate::Point3;

/// A precision that a factor may be made in.
pub(crate) trait Real:
    RealField + Copy + Default + Into<f64> + Neg<Output = Self> + Mul<Output = Self>
{
    /// `self · factor + term`, rounded once.
    fn mul_add(self, factor: Self, term: Self) -> Self;

    /// Eliminates in tiles that fill two of the widest registers that processors commonly have.
    fn eliminate(block: small::Block<'_, Self>) -> Result<(), usize>;
}

impl Real for f32 {
    #[inline(always)]
    fn mul_add(self, factor: Self, term: Self) -> Self {
        self.mul_add(factor, term)
    }

    fn eliminate(block: small::Block<'_, Self>) -> Result<(), usize> {
        small::eliminate::<Self, { small::TILE }>(block)
    }
}

impl Real for f64 {
    #[inline(always)]
    fn mul_add(self, factor: Self, term: Self) -> Self {
        self.mul_add(factor, term)
    }

    fn eliminate(block: small::Block<'_, Self>) -> Result<(), usize> {
        small::eliminate::<Self, { small::TILE / 2 }>(block)
    }
}

/// A factor of the rows eliminated, with the Schur complement on the rows kept; its numbers are of type `T`, what
/// goes in and comes out is in double precision.
#[derive(Debug)]
pub(crate) struct Multifrontal<T = f64> {
    symbolic: Arc<Symbolic>,
    /// For each front `[G_pivots; G_border]` by columns, each from the diagonal down.
    panels: Vec<Vec<T>>,
    /// Schur complement on the kept rows less their own entries of the matrix, `−A_BI A_II⁻¹ A_IB`,
    /// by columns, each from the diagonal down; empty once it is taken.
    schur: Vec<T>,
    timings: Vec<(&'static str, Duration)>,
}

impl<T: Real> Multifrontal<T> {
    /// Orders, analyses and factors; `kept` rows are left for the Schur complement.
    pub(crate) fn new(
        matrix: &CscMatrix<f64>,
        positions: &[Point3],
        kept: &[u32],
    ) -> Result<Self, SolveError> {
        let (symbolic, timings) = Symbolic::new(matrix, positions, kept, LEAF);
        let mut factor = Self::analysed(Arc::new(symbolic), timings);
        let start = Instant::now();
        factor.refactor(matrix)?;
        factor.timings.push(("factor", start.elapsed()));
        Ok(factor)
    }

    /// Orders and analyses a matrix with a 2×2 block for each entry of `pattern`, whose own values do
    /// not matter; to be factored by [`Self::refactor_values`].
    pub(crate) fn of_blocks(pattern: &CscMatrix<f64>, positions: &[Point3]) -> Self {
        let (symbolic, timings) = Symbolic::new(pattern, positions, &[], LEAF / 3);
        Self::analysed(Arc::new(symbolic.doubled()), timings)
    }

    /// To be factored.
    fn analysed(symbolic: Arc<Symbolic>, timings: Vec<(&'static str, Duration)>) -> Self {
        Self {
            panels: vec![Vec::new(); symbolic.fronts.len()],
            schur: Vec::new(),
            symbolic,
            timings,
        }
    }

    /// To be factored in another precision, the same matrix analysed.
    pub(crate) fn in_precision<U: Real>(&self) -> Multifrontal<U> {
        Multifrontal::analysed(Arc::clone(&self.symbolic), self.timings.clone())
    }

    /// Factors new values; the pattern must be the one analysed.
    pub(crate) fn refactor(&mut self, matrix: &CscMatrix<f64>) -> Result<(), SolveError> {
        self.refactor_values(matrix.values())
    }

    /// As [`Self::refactor`], the values alone.
    pub(crate) fn refactor_values(&mut self, values: &[f64]) -> Result<(), SolveError> {
        let fronts = &self.symbolic.fronts;
        if fronts.is_empty() {
            self.schur = vec![T::zero_impl(); packed_column(self.kept(), self.kept())];
            return Ok(());
        }
        let factored = factor_stretch(fronts, &mut self.panels, values, &Desks::new(fronts));
        self.schur = factored.map_err(|place| SolveError::NotPositiveDefinite {
            row: self.symbolic.order[place] as usize,
        })?;
        Ok(())
    }

    /// Number of rows kept.
    pub(crate) fn kept(&self) -> usize {
        self.symbolic.order.len() - self.symbolic.eliminated
    }

    /// Hands over `−A_BI A_II⁻¹ A_IB` on the kept rows in the order they were given, by columns, each from the
    /// diagonal down.
    pub(crate) fn take_schur(&mut self) -> Vec<T> {
        std::mem::take(&mut self.schur)
    }

    /// Wall time of ordering, analysis and first factor.
    pub(crate) fn timings(&self) -> &[(&'static str, Duration)] {
        &self.timings
    }

    /// Numbers in the factor.
    pub(crate) fn entries(&self) -> usize {
        self.panels.iter().map(Vec::len).sum()
    }

    /// Solves `A_II x_I = f_I − A_IB x_B`: kept rows of `x` hold what is given there, the others `f`
    /// before and the answer after.
    pub(crate) fn solve<const K: usize>(&self, x: &mut [[f64; K]]) {
        self.substitute(x, true);
    }

    /// As [`Multifrontal::solve`] with `f = 0`, at half the cost: the harmonic function with the
    /// given values on the kept rows.
    pub(crate) fn extend<const K: usize>(&self, x: &mut [[f64; K]]) {
        self.substitute(x, false);
    }

    fn substitute<const K: usize>(&self, x: &mut [[f64; K]], forward: bool) {
        let symbolic = &self.symbolic;
        assert_eq!(x.len(), symbolic.order.len(), "one entry a row");
        let Some(root) = symbolic.fronts.last() else {
            return;
        };
        let mut rows = vec![[T::zero_impl(); K]; root.start + root.rows()];
        let pivots = || {
            symbolic.fronts.iter().flat_map(|front| {
                let places = &symbolic.order[front.first..front.first + front.pivots];
                places.iter().zip(front.start..)
            })
        };
        if forward {
            for (&row, at) in pivots() {
                rows[at] = x[row as usize].map(T::from_f64_impl);
            }
            forward_stretch(&symbolic.fronts, &self.panels, &mut rows);
        }
        let border = &mut rows[root.start + root.pivots..];
        for (known, &place) in border.iter_mut().zip(&root.border) {
            *known = x[symbolic.order[place as usize] as usize].map(T::from_f64_impl);
        }
        backward_stretch(&symbolic.fronts, &self.panels, &mut rows);
        for (&row, at) in pivots() {
            x[row as usize] = rows[at].map(Into::into);
        }
    }
}

/// Does two things, on two threads where that pays.
pub(super) fn both<A: Send, B: Send>(
    parallel: bool,
    first: impl FnOnce() -> A + Send,
    second: impl FnOnce() -> B + Send,
) -> (A, B) {
    if parallel {
        rayon::join(first, second)
    } else {
        (first(), second())
    }
}
