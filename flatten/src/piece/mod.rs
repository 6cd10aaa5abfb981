//! What is cut and sewn.
//!
//! In: a cut patch and a flat map for each of its panels. Out: pieces, each with smooth sew lines,
//! cut lines with allowances, darts, notches, guide lines and its figures; and their drawings.
//!
//! | step | file |
//! |---|---|
//! | boundary into runs of one kind, cut at corners | `outline` |
//! | legs and seams to one length, smooth curves, edges that run on across closed darts | `truing` |
//! | the end of a folded dart | `cap` |
//! | widths, tapers, cut lines, and their measurement | `allowance` |
//! | landmarks, sections and places in the plane | `place` |
//! | notches, guides, keep-clear places | `mark` |
//! | all of it for one panel | `make` |
//! | what tapes will measure on the sewn base | `finished` |
//! | ink and labels | `draw`, `label` |
//!
//! [`hair`] and [`stock`] tell what a base needs of both.
//!
//! Limits: the finished edge is made smooth across darts, not across seams between pieces; a taper
//! between two allowance widths ends at a seam.

mod allowance;

mod cap;

mod draw;

mod finished;

pub mod hair;

mod label;

mod make;

mod mark;

mod outline;

mod place;

pub mod stock;

mod truing;

mod types;

pub use draw::{Style, draw, draw_all, draw_between};
pub use finished::{Finished, finished};
pub use make::{Order, SeamCheck, make, seam_checks};
pub use types::{
    Allowance, ClearPlace, DartMark, DartStyle, Grain, Guide, Hand, Mark, MarkKind, Measured,
    OpeningMark, Piece, PieceError, Stretch, StretchKind,
};
