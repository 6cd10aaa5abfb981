//! tape.
