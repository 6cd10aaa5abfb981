//! Words beside marks in a picture, no word over another word or over a mark.
//!
//! Each label is tried close beside its mark, then farther and farther out with a thin line back to it,
//! in the order in which they are asked for. One that finds no room is left out; its mark stays.

use std::fmt::Write;

use flatten::{Point2, Vector2};

use super::html::esc;

/// Height of the words, mm of the picture.
const SIZE_MM: f64 = 7.0;

/// Mean width of a letter in heights; the widest bold sans-serif capitals need less on average.
const LETTER: f64 = 0.72;

/// Blank kept about words, mm.
const BLANK_MM: f64 = 0.8;

/// Farthest that words stand from their mark, mm.
const FARTHEST_MM: f64 = 90.0;

/// A place taken, its sides along the picture's.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Taken {
    /// Least and greatest corner.
    pub(crate) low: Point2,
    pub(crate) high: Point2,
}

impl Taken {
    /// About a point, so far each way.
    pub(crate) fn about(at: Point2, half: f64) -> Self {
        let reach = Vector2::new(half, half);
        Self {
            low: at - reach,
            high: at + reach,
        }
    }

    fn meets(&self, other: &Self) -> bool {
        (0..2).all(|k| self.low[k] < other.high[k] && other.low[k] < self.high[k])
    }

    fn holds(&self, other: &Self) -> bool {
        (0..2).all(|k| self.low[k] <= other.low[k] && other.high[k] <= self.high[k])
    }
}

/// Room a text takes whose baseline begins at a point.
pub(crate) fn room(at: Point2, words: &str, size: f64) -> Taken {
    let wide = LETTER * size * words.chars().count() as f64;
    Taken {
        low: Point2::new(at.x - BLANK_MM, at.y - 0.8 * size - BLANK_MM),
        high: Point2::new(at.x + wide + BLANK_MM, at.y + 0.25 * size + BLANK_MM),
    }
}

/// Words that wait for their place.
#[derive(Debug, Clone)]
pub(crate) struct Labels {
    field: Taken,
    taken: Vec<Taken>,
    waiting: Vec<(Point2, f64, String)>,
}

impl Labels {
    /// For a picture that covers `field`.
    pub(crate) fn new(field: Taken) -> Self {
        Self {
            field,
            taken: Vec::new(),
            waiting: Vec::new(),
        }
    }

    /// Keeps words off a place.
    pub(crate) fn keep_off(&mut self, place: Taken) {
        self.taken.push(place);
    }

    /// Asks for words beside a mark that reaches `half` each way.
    pub(crate) fn ask(&mut self, at: Point2, half: f64, words: String) {
        self.keep_off(Taken::about(at, half));
        self.waiting.push((at, half, words));
    }

    /// Where the words begin, and whether they need a line to their mark.
    fn placed(&self, at: Point2, half: f64, words: &str) -> Option<(Point2, bool)> {
        // Right of the mark first, upper before lower, then left, then over and under it.
        const WAYS: [[f64; 2]; 10] = [
            [1.0, -0.4],
            [1.0, 0.4],
            [-1.0, -0.4],
            [-1.0, 0.4],
            [1.0, -1.0],
            [1.0, 1.0],
            [-1.0, -1.0],
            [-1.0, 1.0],
            [0.0, -1.0],
            [0.0, 1.0],
        ];
        let wide = LETTER * SIZE_MM * words.chars().count() as f64;
        let mut away = half + 1.0;
        while away < FARTHEST_MM {
            for [x, y] in WAYS {
                // The words' near end, or their middle, lies that way from the mark.
                let shift = match x {
                    x if x > 0.0 => 0.0,
                    x if x < 0.0 => -wide,
                    _ => -0.5 * wide,
                };
                let start = Point2::new(at.x + x * away + shift, at.y + y * away + 0.3 * SIZE_MM);
                let room = room(start, words, SIZE_MM);
                if self.field.holds(&room) && !self.taken.iter().any(|t| t.meets(&room)) {
                    return Some((start, away > half + 6.0));
                }
            }
            away += 3.0;
        }
        None
    }

    /// Finds a place for each and writes them.
    pub(crate) fn write(mut self, svg: &mut String) {
        for (at, half, words) in std::mem::take(&mut self.waiting) {
            let Some((start, far)) = self.placed(at, half, &words) else {
                continue;
            };
            let room = room(start, &words, SIZE_MM);
            if far {
                let end = Point2::new(
                    at.x.clamp(room.low.x, room.high.x),
                    at.y.clamp(room.low.y, room.high.y),
                );
                for (colour, stroke) in [("#fff", 1.6), ("#000", 0.6)] {
                    let _ = write!(
                        svg,
                        "<path d=\"M{:.2} {:.2}L{:.2} {:.2}\" stroke=\"{colour}\" stroke-width=\"{stroke}\"/>",
                        at.x, at.y, end.x, end.y
                    );
                }
            }
            self.taken.push(room);
            let _ = writeln!(
                svg,
                "<text x=\"{:.2}\" y=\"{:.2}\" font-size=\"{SIZE_MM}\" font-weight=\"bold\" stroke=\"#fff\" stroke-width=\"1.8\" paint-order=\"stroke\">{}</text>",
                start.x,
                start.y,
                esc(&words)
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_of_marks_that_crowd_do_not_meet() {
        // Lehmer's generator (Park & Miller 1988).
        let mut state = 3_u64;
        let mut unit = || {
            state = state * 48_271 % 2_147_483_647;
            state as f64 / 2_147_483_647.0
        };
        for _ in 0..50 {
            let field = Taken {
                low: Point2::origin(),
                high: Point2::new(200.0, 180.0),
            };
            let mut labels = Labels::new(field);
            let margin = room(Point2::new(3.0, 90.0), "LEFT", 11.0);
            labels.keep_off(margin);
            let words = ["FRONT", "gap 12 mm", "CROWN", "gap 3 mm", "RIGHT EAR"];
            for word in words {
                let at = Point2::new(80.0 + 25.0 * unit(), 80.0 + 25.0 * unit());
                labels.ask(at, 4.5, word.to_owned());
            }
            let mut svg = String::new();
            labels.write(&mut svg);
            let numbers = |text: &str, key: &str| -> f64 {
                let from = text.split(&format!("{key}=\"")).nth(1).unwrap();
                from.split('"').next().unwrap().parse().unwrap()
            };
            let mut rooms = vec![margin];
            for text in svg.split("<text").skip(1) {
                let word = text.split(['>', '<']).nth(1).unwrap();
                let own = room(
                    Point2::new(numbers(text, " x"), numbers(text, " y")),
                    word,
                    SIZE_MM - 0.1,
                );
                assert!(rooms.iter().all(|r| !r.meets(&own)), "{svg}");
                rooms.push(own);
            }
            assert_eq!(rooms.len(), 1 + words.len());
        }
    }
}
