//! Pages at true scale.

mod bounds;
mod drawing;
mod metrics;

pub use bounds::Bounds;
pub use drawing::{Align, Drawing, Ink, Item, Path, Placement, Segment, Stroke, Text};
pub use metrics::{printable, shorten_text, text_width_mm, win_ansi, wrap_text};
