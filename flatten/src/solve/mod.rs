//! Sparse symmetric positive definite systems on surfaces.
//!
//! In: a symmetric matrix with the pattern of a mesh ([`nalgebra_sparse::CscMatrix`], both
//! triangles stored) and a position for each row. Out: a factor that is kept, solved many times and
//! refreshed when only the values change.

mod almost_real;
mod cholesky;
mod columns;
mod dense;
mod factoring;
mod fronts;
mod laplacian;
mod ordering;
mod small;
mod sparse;
mod substitution;
mod symbolic;

pub(crate) use almost_real::AlmostReal;
pub use cholesky::{Cholesky, residual};
pub(crate) use factoring::packed_column;
pub(crate) use fronts::Multifrontal;
pub use laplacian::Laplacian;
pub(crate) use laplacian::half_cotangents;
pub(crate) use sparse::{SparseFactor, UpperTriangle};

/// Why a system could not be solved.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum SolveError {
    /// A pivot is zero, negative or not a number: the surface floats free, a pin is missing, or a
    /// triangle has no area.
    #[error(
        "row {row} leaves no positive pivot; hold at least one vertex in every connected part and mend triangles without area"
    )]
    NotPositiveDefinite {
        /// The first row found, counted as in the matrix given.
        row: usize,
    },
    /// The matrix does not fit what it is used with.
    #[error("the matrix is {rows} by {columns} where {expected} by {expected} is needed")]
    Shape {
        /// Its rows.
        rows: usize,
        /// Its columns.
        columns: usize,
        /// What would fit.
        expected: usize,
    },
    /// New values came with other places than the ones that were analysed.
    #[error(
        "the matrix has non-zeros in other places than the one that was analysed; factor it anew"
    )]
    OtherPattern,
    /// The system is too large for the memory at hand.
    #[error("not enough memory to factor {rows} rows")]
    OutOfMemory {
        /// Rows of the system.
        rows: usize,
    },
}
