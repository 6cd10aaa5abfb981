//! Putting text where nothing is drawn.
//!
//! # Method
//! Every text has a list of places in order of liking; it takes the first where its box meets no
//! line and no other text and lies where it should. Lines are kept in square cells so that a try
//! costs a handful of tests. What finds no place is handed back to be printed beside the piece:
//! nothing is dropped and nothing overlaps.

use std::collections::BTreeMap;

use lyon::{
    algorithms::measure::{PathMeasurements, SampleType},
    math::point,
    path::Path as LyonPath,
};

use crate::{
    Point2, Vector2,
    plane::{cross, left_of, unit},
    sheet::{Align, Text},
};

/// Free room round every text, mm.
const CLEAR_MM: f64 = 1.2;
/// Side of a cell, mm.
const CELL_MM: f64 = 8.0;
/// Part of a font's size that lies above the base line at half a text's height.
const HALF_UP: f64 = 0.27;
/// Lines of one block are this far apart, in font sizes.
const LEADING: f64 = 1.3;

/// A box that may be turned.
#[derive(Debug, Clone, Copy)]
pub(super) struct Slab {
    centre: Point2,
    along: Vector2,
    half: Vector2,
}

impl Slab {
    pub(super) fn new(centre: Point2, turn: f64, width: f64, height: f64) -> Self {
        Self {
            centre,
            along: Vector2::new(turn.cos(), turn.sin()),
            half: Vector2::new(width / 2.0, height / 2.0),
        }
    }

    fn corners(&self) -> [Point2; 4] {
        let (x, y) = (self.along * self.half.x, left_of(self.along) * self.half.y);
        [
            self.centre - x - y,
            self.centre + x - y,
            self.centre + x + y,
            self.centre - x + y,
        ]
    }

    fn local(&self, p: Point2) -> Vector2 {
        let d = p - self.centre;
        Vector2::new(d.dot(&self.along), cross(self.along, d))
    }

    /// Whether a segment enters the box.
    fn meets_segment(&self, a: Point2, b: Point2) -> bool {
        let (a, b) = (self.local(a), self.local(b));
        let step = b - a;
        let (mut from, mut to) = (0.0_f64, 1.0_f64);
        for i in 0..2 {
            if step[i].abs() < 1e-12 {
                if a[i].abs() > self.half[i] {
                    return false;
                }
                continue;
            }
            let (s, t) = (
                (-self.half[i] - a[i]) / step[i],
                (self.half[i] - a[i]) / step[i],
            );
            from = from.max(s.min(t));
            to = to.min(s.max(t));
        }
        from <= to
    }

    fn meets(&self, other: &Slab) -> bool {
        let apart = |one: &Slab, two: &Slab| {
            let corners = two.corners().map(|p| one.local(p));
            (0..2).any(|i| {
                corners.iter().all(|c| c[i] > one.half[i])
                    || corners.iter().all(|c| c[i] < -one.half[i])
            })
        };
        !apart(self, other) && !apart(other, self)
    }
}

/// Lines and texts already on the piece.
#[derive(Debug, Default)]
pub(super) struct Board {
    segments: Vec<(Point2, Point2)>,
    cells: BTreeMap<(i64, i64), Vec<usize>>,
    taken: Vec<Slab>,
}

#[allow(
    clippy::cast_possible_truncation,
    reason = "coordinates are bounded by the sheet"
)]
fn cell(p: Point2) -> (i64, i64) {
    (
        (p.x / CELL_MM).floor() as i64,
        (p.y / CELL_MM).floor() as i64,
    )
}

impl Board {
    /// Marks a line as drawn.
    pub(super) fn line(&mut self, points: &[Point2]) {
        for w in points.windows(2) {
            let id = self.segments.len();
            self.segments.push((w[0], w[1]));
            let (low, high) = (cell(w[0].inf(&w[1])), cell(w[0].sup(&w[1])));
            for x in low.0..=high.0 {
                for y in low.1..=high.1 {
                    self.cells.entry((x, y)).or_default().push(id);
                }
            }
        }
    }

    /// Marks a box as taken.
    pub(super) fn take(&mut self, slab: Slab) {
        self.taken.push(slab);
    }

    /// Whether a box meets nothing.
    pub(super) fn is_free(&self, slab: &Slab) -> bool {
        if self.taken.iter().any(|other| slab.meets(other)) {
            return false;
        }
        let corners = slab.corners();
        let low = cell(corners.iter().fold(corners[0], |a, b| a.inf(b)));
        let high = cell(corners.iter().fold(corners[0], |a, b| a.sup(b)));
        for x in low.0..=high.0 {
            for y in low.1..=high.1 {
                for &id in self.cells.get(&(x, y)).map_or(&[][..], |ids| ids) {
                    let (a, b) = self.segments[id];
                    if slab.meets_segment(a, b) {
                        return false;
                    }
                }
            }
        }
        true
    }
}

/// One or more lines of text that stay together, centred on each other.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Block {
    /// Text, size, bold.
    pub lines: Vec<(String, f64, bool)>,
}

/// A place for a block's middle and its turn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Spot {
    pub at: Point2,
    pub turn: f64,
}

impl Block {
    pub(super) fn line(text: impl Into<String>, size: f64, bold: bool) -> Self {
        Self {
            lines: vec![(text.into(), size, bold)],
        }
    }

    pub(super) fn height(&self) -> f64 {
        let mut sizes = self.lines.iter().map(|l| l.1);
        let first = sizes.next().unwrap_or(0.0);
        first + sizes.map(|s| s * LEADING).sum::<f64>()
    }

    fn width(&self) -> f64 {
        self.lines
            .iter()
            .map(|(text, size, bold)| crate::sheet::text_width_mm(text, *size, *bold))
            .fold(0.0, f64::max)
    }

    /// The texts with the block's middle at a spot.
    pub(super) fn texts(&self, spot: Spot) -> Vec<Text> {
        let up = left_of(Vector2::new(spot.turn.cos(), spot.turn.sin()));
        let mut top = self.height() / 2.0;
        let mut texts = Vec::with_capacity(self.lines.len());
        for (i, (text, size, bold)) in self.lines.iter().enumerate() {
            let tall = if i == 0 { *size } else { size * LEADING };
            // Middle of this line's own box, then down to its base line.
            let middle = top - tall + size / 2.0;
            top -= tall;
            texts.push(Text {
                at: spot.at + up * (middle - HALF_UP * size),
                size_mm: *size,
                turn: spot.turn,
                align: Align::Middle,
                bold: *bold,
                gray: 0.0,
                text: text.clone(),
            });
        }
        texts
    }
}

/// Takes the first free spot that `lies_well`.
pub(super) fn place(
    board: &mut Board,
    block: &Block,
    spots: &[Spot],
    lies_well: impl Fn(Point2) -> bool,
) -> Option<Vec<Text>> {
    let (width, height) = (block.width(), block.height());
    let slab = |spot: &Spot| {
        let clear = 2.0 * CLEAR_MM;
        Slab::new(spot.at, spot.turn, width + clear, height + clear)
    };
    // What is drawn near a spot is known sooner than on which side of a long line it lies.
    let fits = |spot: &&Spot| board.is_free(&slab(spot)) && lies_well(spot.at);
    let spot = spots.iter().find(fits)?;
    board.take(slab(spot));
    Some(block.texts(*spot))
}

/// Spots on growing circles round a place, level.
pub(super) fn around(at: Point2, to_mm: f64, step_mm: f64, turn: f64) -> Vec<Spot> {
    let mut spots = vec![Spot { at, turn }];
    let mut radius = step_mm;
    while radius <= to_mm {
        for k in 0..16 {
            let angle = f64::from(k) * std::f64::consts::PI / 8.0;
            spots.push(Spot {
                at: at + Vector2::new(angle.cos(), angle.sin()) * radius,
                turn,
            });
        }
        radius += step_mm;
    }
    spots
}

/// Spots beside a line, turned with it and readable, the middle of the line first. Positive
/// distances lie on its left.
pub(super) fn beside(line: &[Point2], distances: &[f64]) -> Vec<Spot> {
    let mut spots = Vec::new();
    let Some(path) = ink_path(line) else {
        return spots;
    };
    let measured = PathMeasurements::from_path(&path, 0.05);
    let mut sampler = measured.create_sampler(&path, SampleType::Normalized);
    for &distance in distances {
        for k in 0..31_u8 {
            let off = f32::from(k.div_ceil(2)) / 34.0;
            let part = if k % 2 == 0 { 0.5 + off } else { 0.5 - off };
            let sample = sampler.sample(part);
            let (p, t) = (sample.position(), sample.tangent());
            let way = unit(Vector2::new(f64::from(t.x), f64::from(t.y)));
            let at = Point2::new(f64::from(p.x), f64::from(p.y)) + left_of(way) * distance;
            spots.push(Spot {
                at,
                turn: readable(way),
            });
        }
    }
    spots
}

/// The turn of text along a direction, never upside down.
fn readable(way: Vector2) -> f64 {
    let upright = way.x > 1e-6 || (way.x.abs() <= 1e-6 && way.y > 0.0);
    let way = if upright { way } else { -way };
    way.y.atan2(way.x)
}

/// A line as a path for measuring ink: single precision is 0.0001 mm here, enough to place text.
#[allow(clippy::cast_possible_truncation, reason = "ink, not measures")]
pub(super) fn ink_path(line: &[Point2]) -> Option<LyonPath> {
    let [first, rest @ ..] = line else {
        return None;
    };
    if rest.is_empty() {
        return None;
    }
    let mut builder = LyonPath::builder();
    builder.begin(point(first.x as f32, first.y as f32));
    for p in rest {
        builder.line_to(point(p.x as f32, p.y as f32));
    }
    builder.end(false);
    Some(builder.build())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_text_steps_aside_for_a_line_and_for_another_text() {
        let mut board = Board::default();
        board.line(&[Point2::new(-50.0, 0.0), Point2::new(50.0, 0.0)]);
        let block = Block::line("nape 142 mm", 3.5, false);
        let spots = around(Point2::origin(), 30.0, 2.0, 0.0);
        let first = place(&mut board, &block, &spots, |_| true).unwrap();
        let second = place(&mut board, &block, &spots, |_| true).unwrap();
        for text in first.iter().chain(&second) {
            let ys = text.corners().map(|c| c.y);
            assert!(
                ys.iter().all(|y| *y > 0.0) || ys.iter().all(|y| *y < 0.0),
                "{ys:?}"
            );
        }
        assert_ne!(first[0].at, second[0].at);
    }

    #[test]
    fn text_along_a_line_is_never_upside_down() {
        let line = [Point2::new(10.0, 0.0), Point2::new(-10.0, 1.0)];
        for spot in beside(&line, &[3.0, -3.0]) {
            assert!(spot.turn.abs() <= std::f64::consts::FRAC_PI_2 + 1e-9);
        }
    }
}
