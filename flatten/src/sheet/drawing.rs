//! What is drawn, in millimetres, before any file format.
//!
//! y runs up. Writers turn it as their format needs; they add nothing and leave nothing out.

use serde::{Deserialize, Serialize};

use super::{bounds::Bounds, metrics::text_width_mm};
use crate::{Point2, Vector2};

/// A kind of line, by the cutter's habit. Every kind reads in black and white.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
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

impl Ink {
    /// Every kind, in the order a legend lists them.
    pub const ALL: [Self; 9] = [
        Self::Cut,
        Self::Sew,
        Self::DartLeg,
        Self::Fold,
        Self::Grain,
        Self::Mark,
        Self::Centre,
        Self::Hatch,
        Self::Furniture,
    ];

    /// A short word for files and group names.
    #[must_use]
    pub fn id(self) -> &'static str {
        match self {
            Self::Cut => "cut",
            Self::Sew => "sew",
            Self::DartLeg => "dart-leg",
            Self::Fold => "fold",
            Self::Grain => "grain",
            Self::Mark => "mark",
            Self::Centre => "centre",
            Self::Hatch => "keep-clear",
            Self::Furniture => "sheet",
        }
    }

    /// What the legend says it means.
    #[must_use]
    pub fn meaning(self) -> &'static str {
        match self {
            Self::Cut => "Cut line: cut here",
            Self::Sew => "Sew line: the finished edge",
            Self::DartLeg => "Dart leg: stitch here",
            Self::Fold => "Fold line of a dart",
            Self::Grain => "Grain, or the way it stretches",
            Self::Mark => "Notch, dart point, drill hole",
            Self::Centre => "Centre, ear and parting lines",
            Self::Hatch => "Keep clear: no cut, seam or clip",
            Self::Furniture => "Part of the sheet, not of the pattern",
        }
    }

    /// How the kind is stroked. Widths and dashes are told apart in black and white; the shapes
    /// (solid outline, dashed stitch line, long dash and dot for centres) follow the habit of the
    /// trade and of technical drawing (ISO 128); the figures are our own choice.
    #[must_use]
    pub fn stroke(self) -> Stroke {
        let (width_mm, gray, dash_mm): (f64, f64, &'static [f64]) = match self {
            Self::Cut => (0.7, 0.0, &[]),
            Self::Sew => (0.45, 0.0, &[4.0, 2.0]),
            Self::DartLeg => (0.45, 0.0, &[2.0, 1.2]),
            Self::Fold => (0.3, 0.0, &[7.0, 1.5, 1.5, 1.5, 1.5, 1.5]),
            Self::Grain => (0.5, 0.0, &[]),
            Self::Mark => (0.4, 0.0, &[]),
            Self::Centre => (0.3, 0.0, &[10.0, 1.8, 0.8, 1.8]),
            Self::Hatch => (0.2, 0.35, &[]),
            Self::Furniture => (0.25, 0.3, &[]),
        };
        Stroke {
            width_mm,
            gray,
            dash_mm,
        }
    }
}

/// How a line is stroked.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stroke {
    /// Width, mm.
    pub width_mm: f64,
    /// Gray level, 0 black to 1 white.
    pub gray: f64,
    /// Dash, gap, dash, gap …, mm; empty is solid.
    pub dash_mm: &'static [f64],
}

/// A closed or open path of straight and cubic segments.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Path {
    /// Segments, the first a [`Segment::Move`].
    pub segments: Vec<Segment>,
}

impl Path {
    /// Straight from point to point.
    #[must_use]
    pub fn line(points: &[Point2]) -> Self {
        let mut segments = Vec::with_capacity(points.len());
        for (index, &point) in points.iter().enumerate() {
            segments.push(if index == 0 {
                Segment::Move(point)
            } else {
                Segment::Line(point)
            });
        }
        Self { segments }
    }

    /// Straight from point to point and back to the first.
    #[must_use]
    pub fn polygon(points: &[Point2]) -> Self {
        let mut path = Self::line(points);
        if !points.is_empty() {
            path.segments.push(Segment::Close);
        }
        path
    }

    /// An upright rectangle.
    #[must_use]
    pub fn rectangle(lower_left: Point2, upper_right: Point2) -> Self {
        Self::polygon(&[
            lower_left,
            Point2::new(upper_right.x, lower_left.y),
            upper_right,
            Point2::new(lower_left.x, upper_right.y),
        ])
    }

    /// A circle in four cubics; off by at most 2.8e-4 of the radius.
    #[must_use]
    pub fn circle(centre: Point2, radius_mm: f64) -> Self {
        // Handle length that makes a quarter arc's middle exact.
        let handle = radius_mm * 4.0 / 3.0 * (2.0_f64.sqrt() - 1.0);
        let at = |x: f64, y: f64| centre + Vector2::new(x, y);
        let r = radius_mm;
        Self {
            segments: vec![
                Segment::Move(at(r, 0.0)),
                Segment::Cubic(at(r, handle), at(handle, r), at(0.0, r)),
                Segment::Cubic(at(-handle, r), at(-r, handle), at(-r, 0.0)),
                Segment::Cubic(at(-r, -handle), at(-handle, -r), at(0.0, -r)),
                Segment::Cubic(at(handle, -r), at(r, -handle), at(r, 0.0)),
                Segment::Close,
            ],
        }
    }

    /// Whether every stretch of it comes back to its start.
    #[must_use]
    pub fn is_closed(&self) -> bool {
        let moves = self
            .segments
            .iter()
            .filter(|segment| matches!(segment, Segment::Move(_)))
            .count();
        let closes = self
            .segments
            .iter()
            .filter(|segment| matches!(segment, Segment::Close))
            .count();
        moves > 0 && moves == closes
    }

    /// The box of its points and handles: never smaller than the drawn line's.
    #[must_use]
    pub fn bounds(&self) -> Bounds {
        let mut bounds = Bounds::EMPTY;
        for segment in &self.segments {
            match *segment {
                Segment::Move(p) | Segment::Line(p) => bounds.take(p),
                Segment::Cubic(a, b, c) => {
                    bounds.take(a);
                    bounds.take(b);
                    bounds.take(c);
                }
                Segment::Close => {}
            }
        }
        bounds
    }

    fn mapped(&self, map: &Placement) -> Self {
        let to = |p: Point2| map.point(p);
        let segments = self
            .segments
            .iter()
            .map(|segment| match *segment {
                Segment::Move(p) => Segment::Move(to(p)),
                Segment::Line(p) => Segment::Line(to(p)),
                Segment::Cubic(a, b, c) => Segment::Cubic(to(a), to(b), to(c)),
                Segment::Close => Segment::Close,
            })
            .collect();
        Self { segments }
    }
}

/// One step of a path.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(from = "SegmentData", into = "SegmentData")]
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

/// [`Segment`] as it is written down: bare numbers under one letter.
#[derive(Serialize, Deserialize)]
enum SegmentData {
    M([f64; 2]),
    L([f64; 2]),
    C([[f64; 2]; 3]),
    Z,
}

impl From<Segment> for SegmentData {
    fn from(segment: Segment) -> Self {
        let xy = |p: Point2| [p.x, p.y];
        match segment {
            Segment::Move(p) => Self::M(xy(p)),
            Segment::Line(p) => Self::L(xy(p)),
            Segment::Cubic(a, b, c) => Self::C([xy(a), xy(b), xy(c)]),
            Segment::Close => Self::Z,
        }
    }
}

impl From<SegmentData> for Segment {
    fn from(data: SegmentData) -> Self {
        let point = |[x, y]: [f64; 2]| Point2::new(x, y);
        match data {
            SegmentData::M(p) => Self::Move(point(p)),
            SegmentData::L(p) => Self::Line(point(p)),
            SegmentData::C([a, b, c]) => Self::Cubic(point(a), point(b), point(c)),
            SegmentData::Z => Self::Close,
        }
    }
}

/// Points as bare pairs of numbers.
mod pair {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use crate::Point2;

    pub(super) fn serialize<S: Serializer>(point: &Point2, to: S) -> Result<S::Ok, S::Error> {
        [point.x, point.y].serialize(to)
    }

    pub(super) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<Point2, D::Error> {
        <[f64; 2]>::deserialize(from).map(|[x, y]| Point2::new(x, y))
    }
}

/// Which point of a text its position is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Align {
    /// Its left end.
    Left,
    /// Its middle.
    Middle,
    /// Its right end.
    Right,
}

/// A line of text.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Text {
    /// On the base line, by `align`.
    #[serde(with = "pair")]
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

impl Text {
    /// Black, level, left-aligned, plain.
    #[must_use]
    pub fn new(at: Point2, size_mm: f64, text: impl Into<String>) -> Self {
        Self {
            at,
            size_mm,
            turn: 0.0,
            align: Align::Left,
            bold: false,
            gray: 0.0,
            text: text.into(),
        }
    }

    /// Length along the base line, mm.
    #[must_use]
    pub fn width_mm(&self) -> f64 {
        text_width_mm(&self.text, self.size_mm, self.bold)
    }

    /// The four corners of the box the text fills, from its lower left round to the right:
    /// descenders to ascenders, turned with it.
    #[must_use]
    pub fn corners(&self) -> [Point2; 4] {
        let width = self.width_mm();
        let left = match self.align {
            Align::Left => 0.0,
            Align::Middle => -0.5 * width,
            Align::Right => -width,
        };
        let (low, high) = (-0.22 * self.size_mm, 0.76 * self.size_mm);
        let along = Vector2::new(self.turn.cos(), self.turn.sin());
        let up = Vector2::new(-along.y, along.x);
        let at = |x: f64, y: f64| self.at + along * x + up * y;
        [
            at(left, low),
            at(left + width, low),
            at(left + width, high),
            at(left, high),
        ]
    }
}

/// One drawn thing.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
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
    Window(
        #[serde(with = "pair")] Point2,
        #[serde(with = "pair")] Point2,
        Vec<Item>,
    ),
}

impl Item {
    /// The box of what it draws.
    #[must_use]
    pub fn bounds(&self) -> Bounds {
        match self {
            Self::Line(_, path) | Self::Fill(_, path) | Self::Tint(_, path) => path.bounds(),
            Self::Text(text) => Bounds::of(&text.corners()),
            Self::Group(_, items) => Bounds::of_items(items),
            Self::Window(low, high, items) => {
                Bounds::of_items(items).meet(&Bounds::of(&[*low, *high]))
            }
        }
    }

    /// Whether every coordinate is a finite number.
    #[must_use]
    pub fn is_finite(&self) -> bool {
        let point = |p: &Point2| p.x.is_finite() && p.y.is_finite();
        match self {
            Self::Line(_, path) | Self::Fill(_, path) | Self::Tint(_, path) => {
                path.segments.iter().all(|segment| match segment {
                    Segment::Move(p) | Segment::Line(p) => point(p),
                    Segment::Cubic(a, b, c) => point(a) && point(b) && point(c),
                    Segment::Close => true,
                })
            }
            Self::Text(text) => {
                point(&text.at) && text.size_mm.is_finite() && text.turn.is_finite()
            }
            Self::Group(_, items) => items.iter().all(Self::is_finite),
            Self::Window(low, high, items) => {
                point(low) && point(high) && items.iter().all(Self::is_finite)
            }
        }
    }

    /// The same thing laid elsewhere.
    #[must_use]
    pub fn placed(&self, map: &Placement) -> Self {
        let all = |items: &[Self]| items.iter().map(|item| item.placed(map)).collect();
        match self {
            Self::Line(ink, path) => Self::Line(*ink, path.mapped(map)),
            Self::Fill(gray, path) => Self::Fill(*gray, path.mapped(map)),
            Self::Tint(colour, path) => Self::Tint(*colour, path.mapped(map)),
            Self::Text(text) => Self::Text(Text {
                at: map.point(text.at),
                size_mm: text.size_mm * (map.scale.x * map.scale.y).sqrt(),
                turn: text.turn + map.turn_rad(),
                ..text.clone()
            }),
            Self::Group(name, items) => Self::Group(name.clone(), all(items)),
            Self::Window(low, high, items) => {
                let b = Bounds::of(&[map.point(*low), map.point(*high)]);
                Self::Window(b.low, b.high, all(items))
            }
        }
    }
}

/// Where and how a drawing is laid: turned by quarters, stretched along the axes, then shifted.
///
/// Quarter turns keep windows upright. There is no mirroring on purpose.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Placement {
    /// Quarter turns, counter-clockwise.
    pub quarters: u8,
    /// Stretch along x and y after the turn; both above zero.
    pub scale: Vector2,
    /// Shift after that, mm.
    pub shift: Vector2,
}

impl Placement {
    /// Where it is.
    pub const IDENTITY: Self = Self {
        quarters: 0,
        scale: Vector2::new(1.0, 1.0),
        shift: Vector2::new(0.0, 0.0),
    };

    /// Shifted only.
    #[must_use]
    pub fn shift(x_mm: f64, y_mm: f64) -> Self {
        Self {
            shift: Vector2::new(x_mm, y_mm),
            ..Self::IDENTITY
        }
    }

    /// Where a point goes.
    #[must_use]
    pub fn point(&self, p: Point2) -> Point2 {
        let turned = match self.quarters % 4 {
            0 => p,
            1 => Point2::new(-p.y, p.x),
            2 => Point2::new(-p.x, -p.y),
            _ => Point2::new(p.y, -p.x),
        };
        Point2::from(turned.coords.component_mul(&self.scale) + self.shift)
    }

    /// Where a point came from.
    #[must_use]
    pub fn point_back(&self, p: Point2) -> Point2 {
        let p = Point2::from((p.coords - self.shift).component_div(&self.scale));
        match self.quarters % 4 {
            0 => p,
            1 => Point2::new(p.y, -p.x),
            2 => Point2::new(-p.x, -p.y),
            _ => Point2::new(-p.y, p.x),
        }
    }

    /// The turn, radians.
    #[must_use]
    pub fn turn_rad(&self) -> f64 {
        f64::from(self.quarters % 4) * std::f64::consts::FRAC_PI_2
    }
}

/// A drawing of a given size, origin at its lower left.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Drawing {
    /// Width, mm.
    pub width_mm: f64,
    /// Height, mm.
    pub height_mm: f64,
    /// Drawn in order.
    pub items: Vec<Item>,
}

impl Drawing {
    /// The box of what is drawn, which may be smaller than the drawing, or reach beyond it.
    #[must_use]
    pub fn bounds(&self) -> Bounds {
        Bounds::of_items(&self.items)
    }

    /// Its lines and tints alone.
    #[must_use]
    pub fn without_words(&self) -> Self {
        fn bare(items: &[Item]) -> Vec<Item> {
            let kept = items.iter().filter(|item| !matches!(item, Item::Text(_)));
            kept.map(|item| match item {
                Item::Group(name, inner) => Item::Group(name.clone(), bare(inner)),
                Item::Window(low, high, inner) => Item::Window(*low, *high, bare(inner)),
                other => other.clone(),
            })
            .collect()
        }
        Self {
            items: bare(&self.items),
            ..self.clone()
        }
    }

    /// Turned by quarters about its own box, so that its lower left is the origin again.
    #[must_use]
    pub fn turned(&self, quarters: u8) -> Self {
        let (w, h) = (self.width_mm, self.height_mm);
        let (width_mm, height_mm, shift) = match quarters % 4 {
            0 => (w, h, Vector2::zeros()),
            1 => (h, w, Vector2::new(h, 0.0)),
            2 => (w, h, Vector2::new(w, h)),
            _ => (h, w, Vector2::new(0.0, w)),
        };
        let map = Placement {
            quarters,
            shift,
            ..Placement::IDENTITY
        };
        Self {
            width_mm,
            height_mm,
            items: self.items.iter().map(|item| item.placed(&map)).collect(),
        }
    }

    /// Shrunk to what is drawn plus a rim, the lower left of the rim at the origin.
    #[must_use]
    pub fn trimmed(&self, rim_mm: f64) -> Self {
        let bounds = self.bounds();
        if bounds.is_empty() {
            return Self::default();
        }
        let map = Placement::shift(rim_mm - bounds.low.x, rim_mm - bounds.low.y);
        Self {
            width_mm: bounds.width_mm() + 2.0 * rim_mm,
            height_mm: bounds.height_mm() + 2.0 * rim_mm,
            items: self.items.iter().map(|item| item.placed(&map)).collect(),
        }
    }
}
