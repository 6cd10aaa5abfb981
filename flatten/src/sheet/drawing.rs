//! What is drawn, in millimetres, before any file format.
//!
//! y runs up. Writers turn it as their format needs; they add nothing and leave nothing out.

use crate::Point2;

/// A kind of line, by the cutter's habit. Every kind reads in black and white.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Ink {
    /// Solid, heavy: cut here.
    Cut,
    /// Dashed: sew here; the finished edge.
    Sew,
    /// Dart leg: a stitch line inside the piece.
    DartLeg,
    /// Fold or centre line of a dart.
    Fold,
    /// Grain or stretch arrow.
    Grain,
    /// Notch, point mark, drill hole.
    Mark,
    /// Centre, ear and parting lines: long dash, dot.
    Centre,
    /// Hatch of a place to keep clear.
    Hatch,
    /// Sheet furniture: trim lines, match marks, frames, scale square.
    Furniture,
}

/// A closed or open path of straight and cubic segments.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Path {
    /// Segments, the first a [`Segment::Move`].
    pub segments: Vec<Segment>,
}

/// One step of a path.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Segment {
    /// Lift and go to.
    Move(Point2),
    /// Straight to.
    Line(Point2),
    /// Cubic Bézier: two handles, then the end.
    Cubic(Point2, Point2, Point2),
    /// Back to the last move.
    Close,
}

/// Which point of a text its position is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Align {
    /// Its left end.
    Left,
    /// Its middle.
    Middle,
    /// Its right end.
    Right,
}

/// A line of text.
#[derive(Debug, Clone, PartialEq)]
pub struct Text {
    /// On the base line, by `align`.
    pub at: Point2,
    /// Height of a capital's body (font size), mm.
    pub size_mm: f64,
    /// Turn from horizontal, radians, counter-clockwise.
    pub turn: f64,
    /// Alignment.
    pub align: Align,
    /// Heavy type.
    pub bold: bool,
    /// Gray level, 0 black to 1 white.
    pub gray: f64,
    /// What it says.
    pub text: String,
}

/// One drawn thing.
#[derive(Debug, Clone, PartialEq)]
pub enum Item {
    /// A stroked line of a kind.
    Line(Ink, Path),
    /// A filled shape, gray 0 black to 1 white, no outline.
    Fill(f64, Path),
    /// A filled shape in colour (strain pictures), no outline.
    Tint([u8; 3], Path),
    /// Text.
    Text(Text),
    /// Things that belong together, under a name for the reader of the file.
    Group(String, Vec<Item>),
    /// Things shown only inside a rectangle, lower left and upper right.
    Window(Point2, Point2, Vec<Item>),
}

/// A drawing of a given size, origin at its lower left.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Drawing {
    /// Width, mm.
    pub width_mm: f64,
    /// Height, mm.
    pub height_mm: f64,
    /// Drawn in order.
    pub items: Vec<Item>,
}
