//! The page a client measures by: six tapes, the mold, the photos, the packing, on one sheet.
//!
//! In: the paper. Out: one page. The head on it is the average head form; the words are common
//! practice of the trade and no advice to any one person.

use flatten::{
    Point2, form,
    sheet::{Align, Drawing, Ink, Item, Paper, Path, Sheet, Text},
    tape::{TapePath, measure},
};

use crate::head_picture::{Scene, Side};

const MARGIN_MM: f64 = 12.0;
/// Running text: near 13 points.
const BODY_MM: f64 = 4.5;
const LEADING_MM: f64 = 5.4;
/// The least that is printed: 11 points, for readers without their glasses.
const SMALL_MM: f64 = 4.0;

/// The six tapes with the names and words of the trade.
const TAPES: [(TapePath, &str, &str); 6] = [
    (
        TapePath::Girth,
        "1  Circumference",
        "Hairline all round: front, just above the ears, nape.",
    ),
    (
        TapePath::FrontToNape,
        "2  Front to nape",
        "Middle of the front hairline straight over the top to the nape.",
    ),
    (
        TapePath::EarToEarForehead,
        "3  Ear to ear, forehead",
        "Foot of one sideburn up to the front hairline, down to the other.",
    ),
    (
        TapePath::EarToEarOver,
        "4  Ear to ear, over top",
        "Hairline above one ear straight over the top to the other.",
    ),
    (
        TapePath::TempleToTempleBack,
        "5  Temple to temple",
        "Front edge of one temple round the back to the other.",
    ),
    (
        TapePath::Nape,
        "6  Nape",
        "Across the nape hairline from corner to corner.",
    ),
];

/// Headed paragraphs below the pictures.
const WORDS: [(&str, &str); 4] = [
    (
        "The mold.",
        "Hair flat, no knots. Draw clear film down past hairline, ears and nape; a helper holds it. \
         Head level. Tape round the edge first, then across in all directions, two or three layers, no \
         squeezing. With a dark permanent pen draw the hairline: front, temples, round the ears on the \
         scalp (not on the ear), nape. Mark front and back centre, ear tops, crown, L and R, scars, \
         tender places. Cover the pen line with clear tape.",
    ),
    (
        "Photos,",
        "mold still on: front, back, both sides, top. Then one of the front hairline without the mold.",
    ),
    (
        "Packing.",
        "Trim only outside the pen line. Write client number and date on the mold, no name. \
         Fill it with crumpled paper; send it in a box with this sheet.",
    ),
    (
        "Take care.",
        "Keep film off nose and mouth; never leave anyone alone in it. Not over broken or \
         irradiated skin, fresh wounds or an implant: ask the treating clinician first. Tell us of \
         allergies (tape, glue, latex, nickel). This sheet is no medical advice.",
    ),
];

/// Draws the page.
#[must_use]
pub fn measuring_sheet(paper: Paper) -> Sheet {
    let [width_mm, height_mm] = paper.size_mm();
    let mut page = Page {
        items: Vec::new(),
        y: height_mm - MARGIN_MM,
        right: width_mm - MARGIN_MM,
    };
    page.y -= 6.5;
    page.text(MARGIN_MM, 7.5, true, "Measuring sheet");
    page.y -= 9.0;
    page.text(
        MARGIN_MM,
        BODY_MM,
        false,
        "Client number ___________    Date ___________    Measured by ______________",
    );
    page.y -= 1.0;
    page.paragraph(
        "How.",
        "A helper measures. Hair flat, head level, tape snug and not tight. Take every tape twice; \
         when the two differ by more than 6 mm (1/4 in), a third time. Write the figure as read and \
         mark its unit. Heavy line: the tape. Dash and dot: the hairline.",
    );
    page.tapes();
    for (heading, words) in WORDS {
        page.paragraph(heading, words);
    }
    Sheet {
        name: "Measuring sheet".into(),
        drawing: Drawing {
            width_mm,
            height_mm,
            items: page.items,
        },
    }
}

/// What is on the page so far, filled from the top.
struct Page {
    items: Vec<Item>,
    y: f64,
    right: f64,
}

impl Page {
    fn text(&mut self, x: f64, size_mm: f64, bold: bool, words: &str) {
        self.items.push(Item::Text(Text {
            bold,
            align: Align::Left,
            ..Text::new(Point2::new(x, self.y), size_mm, words)
        }));
    }

    /// A paragraph whose first words are heavy.
    fn paragraph(&mut self, heading: &str, words: &str) {
        self.y -= 1.2;
        let heavy = Text {
            bold: true,
            ..Text::new(Point2::origin(), BODY_MM, format!("{heading} "))
        };
        let mut x = MARGIN_MM + heavy.width_mm();
        for (i, line) in wrapped(words, BODY_MM, self.right - x, self.right - MARGIN_MM)
            .into_iter()
            .enumerate()
        {
            self.y -= LEADING_MM;
            if i == 0 {
                self.text(MARGIN_MM, BODY_MM, true, heading);
            }
            self.text(x, BODY_MM, false, &line);
            x = MARGIN_MM;
        }
    }

    /// Six pictures in two rows, each with its words and room for two readings.
    fn tapes(&mut self) {
        const ROW_MM: f64 = 67.0;
        let form = form::average_head();
        let (mesh, head, stations) = (form.mesh(8000), form.head(), form.stations());
        let mut hairline = form.outline().perimeter;
        hairline.extend(hairline.first().copied());
        let column = (self.right - MARGIN_MM) / 3.0;
        self.y -= 3.0;
        let top = self.y;
        for (i, (path, name, how)) in TAPES.into_iter().enumerate() {
            let left = MARGIN_MM + (i % 3) as f64 * column;
            self.y = top - (i / 3) as f64 * ROW_MM;
            let scene = Scene {
                mesh: &mesh,
                head: &head,
                side: Side::of(path),
                at: Point2::new(left + column / 2.0, self.y - 19.5),
                scale: 0.175,
            };
            let mut items = vec![scene.contour()];
            items.extend(scene.face());
            items.extend(scene.line(&hairline, Ink::Centre, None));
            if let Some(tape) = measure(&mesh, &stations, path) {
                items.extend(scene.line(&tape.points, Ink::Cut, Some(Ink::Sew)));
            }
            self.items.push(Item::Group(path.key().into(), items));
            self.y -= 43.0;
            self.text(left, 4.4, true, name);
            for line in wrapped(how, SMALL_MM, column - 4.0, column - 4.0) {
                self.y -= 4.8;
                self.text(left, SMALL_MM, false, &line);
            }
            self.y = top - (i / 3) as f64 * ROW_MM - 62.0;
            self.text(left, SMALL_MM, false, "1st _______  2nd _______");
            self.unit_boxes(left + column - 11.5);
        }
        self.y = top - 2.0 * ROW_MM + 1.0;
    }

    /// Two boxes to tick: cm, in.
    fn unit_boxes(&mut self, x: f64) {
        for (dy, unit) in [(2.6, "cm"), (-1.8, "in")] {
            let low = Point2::new(x, self.y + dy);
            let high = Point2::new(x + 3.0, self.y + dy + 3.0);
            self.items
                .push(Item::Line(Ink::Furniture, Path::rectangle(low, high)));
            self.items.push(Item::Text(Text::new(
                Point2::new(x + 4.0, self.y + dy + 0.2),
                SMALL_MM,
                unit,
            )));
        }
    }
}

/// Words broken into lines, the first of another width.
fn wrapped(words: &str, size_mm: f64, first_mm: f64, width_mm: f64) -> Vec<String> {
    let mut lines = vec![String::new()];
    for word in words.split_whitespace() {
        let room = if lines.len() == 1 { first_mm } else { width_mm };
        let Some(line) = lines.last_mut() else { break };
        let longer = if line.is_empty() {
            word.to_string()
        } else {
            format!("{line} {word}")
        };
        if Text::new(Point2::origin(), size_mm, longer.as_str()).width_mm() <= room {
            *line = longer;
        } else {
            lines.push(word.to_string());
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use flatten::sheet::Bounds;

    use super::*;

    #[test]
    fn everything_stays_on_one_page_of_letter_or_a4() {
        for paper in [Paper::Letter, Paper::A4] {
            let sheet = measuring_sheet(paper);
            let [width, height] = paper.size_mm();
            let bounds = Bounds::of_items(&sheet.drawing.items);
            assert!(bounds.low.x > 8.0 && bounds.low.y > 8.0, "{bounds:?}");
            assert!(
                bounds.high.x < width - 8.0 && bounds.high.y < height - 8.0,
                "{bounds:?}"
            );
        }
    }

    #[test]
    fn all_six_tapes_are_drawn_and_print_is_large() {
        let sheet = measuring_sheet(Paper::Letter);
        let mut tapes = 0;
        for item in &sheet.drawing.items {
            match item {
                Item::Group(name, items) => {
                    assert!(TapePath::from_key(name).is_some());
                    let solid = |i: &Item| matches!(i, Item::Line(Ink::Cut, _));
                    assert!(items.iter().any(solid), "{name}");
                    tapes += 1;
                }
                Item::Text(text) => assert!(text.size_mm >= SMALL_MM),
                _ => {}
            }
        }
        assert_eq!(tapes, 6);
        if let Some(folder) = std::env::var_os("SHOW") {
            let bytes = crate::write::pdf::pdf(&[sheet], "Measuring sheet").unwrap();
            std::fs::write(std::path::Path::new(&folder).join("measuring.pdf"), bytes).unwrap();
        }
    }
}
