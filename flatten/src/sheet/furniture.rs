//! What every sheet carries beside the pattern: trim lines, match marks, scale square, labels, banner.

use super::{
    bounds::Bounds,
    drawing::{Align, Ink, Item, Path, Text},
    metrics::{shorten_text, text_width_mm},
};
use crate::{Point2, Vector2};

/// Side of the scale square, mm.
pub const SQUARE_MM: f64 = 100.0;
/// Length of the inch line, mm: 4 in of 25.4 mm.
pub const INCH_LINE_MM: f64 = 101.6;
/// Height kept free for a banner, mm.
pub(super) const BANNER_MM: f64 = 11.0;
/// Half the width of a match mark, mm.
pub(super) const DIAMOND_MM: f64 = 3.2;
/// Room the inch line and its words take, mm.
pub(super) const INCH_LINE_ROOM_MM: [f64; 2] = [INCH_LINE_MM + 1.0, 9.0];

/// A furniture stroke.
pub(super) fn stroke(points: &[Point2]) -> Item {
    Item::Line(Ink::Furniture, Path::line(points))
}

/// Centred text.
pub(super) fn centred(at: Point2, size_mm: f64, words: impl Into<String>) -> Text {
    Text {
        align: Align::Middle,
        ..Text::new(at, size_mm, words)
    }
}

/// The scale square with its lower left at a point. `names` are the letters of its lower and left
/// side: the correction for a printer is typed in by them.
pub(super) fn scale_square(low: Point2, names: [&str; 2]) -> Item {
    let at = |x: f64, y: f64| Point2::new(low.x + x, low.y + y);
    let mut items = vec![Item::Line(
        Ink::Furniture,
        Path::rectangle(low, at(SQUARE_MM, SQUARE_MM)),
    )];
    for tick in 1..10 {
        let along = f64::from(tick) * 10.0;
        let length = if tick == 5 { 5.0 } else { 3.0 };
        items.push(stroke(&[at(along, 0.0), at(along, length)]));
        items.push(stroke(&[at(0.0, along), at(length, along)]));
    }
    let mut words = |y: f64, size: f64, bold: bool, text: &str| {
        items.push(Item::Text(Text {
            bold,
            ..centred(at(0.5 * SQUARE_MM, y), size, text)
        }));
    };
    words(56.0, 5.0, true, "Scale square");
    words(48.0, 3.6, false, "each side must measure 100 mm");
    words(42.0, 3.6, false, "not part of the pattern");
    words(9.0, 4.2, true, &format!("{}  100 mm", names[0]));
    items.push(Item::Text(Text {
        bold: true,
        turn: std::f64::consts::FRAC_PI_2,
        ..centred(
            at(12.0, 0.5 * SQUARE_MM),
            4.2,
            format!("{}  100 mm", names[1]),
        )
    }));
    Item::Group("scale square".to_owned(), items)
}

/// A line of four inches with its left end at a point, words above it.
pub(super) fn inch_line(left: Point2) -> Item {
    let at = |x: f64, y: f64| Point2::new(left.x + x, left.y + y);
    let mut items = vec![stroke(&[at(0.0, 0.0), at(INCH_LINE_MM, 0.0)])];
    for tick in 0..=8 {
        let along = f64::from(tick) * 12.7;
        let length = match tick {
            0 | 8 => 3.5,
            even if even % 2 == 0 => 2.5,
            _ => 1.5,
        };
        items.push(stroke(&[at(along, 0.0), at(along, length)]));
    }
    items.push(Item::Text(centred(
        at(0.5 * INCH_LINE_MM, 4.4),
        3.6,
        "4 in from end to end",
    )));
    Item::Group("inch line".to_owned(), items)
}

/// A line in short strokes, from end to end: where a sheet is trimmed.
pub(super) fn trim_line(from: Point2, to: Point2) -> Item {
    const STROKE_MM: f64 = 3.0;
    const GAP_MM: f64 = 2.0;
    let length = (to - from).norm();
    let along = (to - from) / length;
    let mut items = Vec::new();
    let mut start = 0.0;
    while start < length {
        let end = (start + STROKE_MM).min(length);
        items.push(stroke(&[from + along * start, from + along * end]));
        start += STROKE_MM + GAP_MM;
    }
    Item::Group("trim line".to_owned(), items)
}

/// A match mark: a diamond whose two halves on either side of a trim line are dark and light, so that
/// a sheet laid the wrong way round is seen.
pub(super) fn diamond(centre: Point2, across: Vector2) -> Item {
    let along = Vector2::new(-across.y, across.x);
    let (a, b) = (across * DIAMOND_MM, along * DIAMOND_MM);
    let outline = Path::polygon(&[centre - a, centre - b, centre + a, centre + b]);
    let dark = Path::polygon(&[centre - b, centre + a, centre + b]);
    Item::Group(
        "match mark".to_owned(),
        vec![
            Item::Fill(0.35, dark),
            Item::Line(Ink::Furniture, outline),
            stroke(&[centre - a * 1.2, centre + a * 1.2]),
        ],
    )
}

/// Words in white on black across the top of a sheet.
pub(super) fn banner(words: &str, top_left: Point2, width_mm: f64) -> Item {
    const BAR_MM: f64 = BANNER_MM - 2.5;
    let low = Point2::new(top_left.x, top_left.y - BAR_MM);
    let high = Point2::new(top_left.x + width_mm, top_left.y);
    let size = largest_size(words, 5.6, 3.0, width_mm - 6.0);
    Item::Group(
        "banner".to_owned(),
        vec![
            Item::Fill(0.0, Path::rectangle(low, high)),
            Item::Text(Text {
                bold: true,
                gray: 1.0,
                ..centred(
                    Point2::new(0.5 * (low.x + high.x), 0.5 * (low.y + high.y) - 0.36 * size),
                    size,
                    shorten_text(words, size, true, width_mm - 6.0),
                )
            }),
        ],
    )
}

/// The largest size between two at which bold words fit into a width.
fn largest_size(words: &str, most: f64, least: f64, width_mm: f64) -> f64 {
    let at_one = text_width_mm(words, 1.0, true).max(1e-9);
    (width_mm / at_one).clamp(least, most)
}

/// What a sheet's label says.
pub(super) struct Label<'a> {
    pub(super) tile: &'a str,
    pub(super) lines: [String; 3],
    /// Where the front of a turned piece points, as quarter turns; none when it points up.
    pub(super) front: Option<u8>,
}

impl Label<'_> {
    const TILE_SIZE_MM: f64 = 13.0;
    const LINE_SIZE_MM: f64 = 3.8;
    const ARROW_MM: f64 = 24.0;

    /// Width and height of the large form, mm.
    pub(super) fn large_mm(&self) -> [f64; 2] {
        let lines = self
            .lines
            .iter()
            .map(|line| text_width_mm(line, Self::LINE_SIZE_MM, false))
            .fold(0.0, f64::max);
        let arrow = self.front.map_or(0.0, |_| Self::ARROW_MM + 3.0);
        [self.tile_width_mm() + 3.0 + lines + arrow, 15.5]
    }

    fn tile_width_mm(&self) -> f64 {
        text_width_mm(self.tile, Self::TILE_SIZE_MM, true)
    }

    /// Large form, lower left at a point.
    pub(super) fn large(&self, low: Point2) -> Item {
        let at = |x: f64, y: f64| Point2::new(low.x + x, low.y + y);
        let mut items = vec![Item::Text(Text {
            bold: true,
            ..Text::new(at(0.0, 3.2), Self::TILE_SIZE_MM, self.tile)
        })];
        let left = self.tile_width_mm() + 3.0;
        for (line, y) in self.lines.iter().zip([11.6, 6.4, 1.2]) {
            items.push(Item::Text(Text::new(
                at(left, y),
                Self::LINE_SIZE_MM,
                line.clone(),
            )));
        }
        if let Some(quarters) = self.front {
            let centre = at(self.large_mm()[0] - 0.5 * Self::ARROW_MM, 9.6);
            items.extend(front_arrow(centre, quarters));
        }
        Item::Group("sheet label".to_owned(), items)
    }

    /// One line.
    pub(super) fn small(&self) -> String {
        let front = self
            .front
            .map_or(String::new(), |q| format!("  {}", front_words(q)));
        format!("{}  {}{front}", self.tile, self.lines.join("  "))
    }
}

/// Where the front of a piece turned by quarters points.
pub(super) fn front_words(quarters: u8) -> &'static str {
    match quarters % 4 {
        0 => "FRONT is above",
        1 => "FRONT is to the left",
        2 => "FRONT is below",
        _ => "FRONT is to the right",
    }
}

/// An arrow to the front of a turned piece, with the word below it.
fn front_arrow(centre: Point2, quarters: u8) -> Vec<Item> {
    let angle = f64::from(quarters % 4 + 1) * std::f64::consts::FRAC_PI_2;
    let along = Vector2::new(angle.cos(), angle.sin());
    let across = Vector2::new(-along.y, along.x);
    let half = if quarters % 2 == 1 { 9.0 } else { 4.5 };
    let tip = centre + along * half;
    let head = tip - along * 4.0;
    vec![
        Item::Line(Ink::Mark, Path::line(&[centre - along * half, head])),
        Item::Fill(
            0.0,
            Path::polygon(&[tip, head + across * 2.0, head - across * 2.0]),
        ),
        Item::Text(Text {
            bold: true,
            ..centred(Point2::new(centre.x, centre.y - 8.4), 3.8, "FRONT")
        }),
    ]
}

/// A box round what a text covers, with a little air.
pub(super) fn text_box(text: &Text) -> Bounds {
    Bounds::of(&text.corners()).grown(0.6)
}
