//! trace.
