//! What leaves the program: bytes in memory, put on the disk by [`crate::folder`].

pub mod cautions;
pub(crate) mod comparison;
pub(crate) mod labels;

pub mod html;
pub mod json;
pub mod pdf;
pub mod print;
pub mod svg;
pub(crate) mod tracing;
