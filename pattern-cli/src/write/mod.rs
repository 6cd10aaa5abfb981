//! Files that leave the program.

pub mod pdf;
pub mod svg;
