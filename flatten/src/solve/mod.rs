//! solve.
