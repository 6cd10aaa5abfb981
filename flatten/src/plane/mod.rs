//! plane.
