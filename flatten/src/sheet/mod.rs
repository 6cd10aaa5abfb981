//! Pages at true scale.

mod drawing;

pub use drawing::{Align, Drawing, Ink, Item, Path, Segment, Text};
