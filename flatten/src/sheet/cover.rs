//! The first pages: what it is, how to print and check it, the numbers, the cautions.
//!
//! Text runs down the page in one column, is wrapped by the font's own widths and goes on to a further
//! page when one is full, so nothing is ever cut off.

use std::collections::BTreeSet;

use super::{
    Sheet,
    bounds::Bounds,
    drawing::{Ink, Item, Path, Placement, Text},
    furniture::{
        BANNER_MM, INCH_LINE_MM, SQUARE_MM, banner, centred, diamond, inch_line, scale_square,
        stroke, text_box, trim_line,
    },
    metrics::{shorten_text, text_width_mm, wrap_text},
    page::{Common, Table, onto_page, side_names},
    paper::{SheetOptions, Stock},
    tile::{Figure, Tiling},
};
use crate::{Point2, Vector2, units::trimmed};

/// What the cover says.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Cover {
    /// Largest line: `Base pattern`.
    pub title: String,
    /// Client number, printed on every sheet.
    pub client: String,
    /// A sentence or two under the title, one a line.
    pub about: Vec<String>,
    /// Tables of numbers.
    pub sections: Vec<Section>,
    /// Cautions, one a paragraph.
    pub cautions: Vec<String>,
    /// Across every page: `NOT CONFIRMED`.
    pub banner: Option<String>,
}

/// A part of the cover: sentences over the full width, a table, or both.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Section {
    /// Its heading; none is printed when it is empty.
    pub heading: String,
    /// Whether it stands before the scale square: what must be known before anything is printed.
    pub first: bool,
    /// Whole sentences, numbered when there are several.
    pub sentences: Vec<String>,
    /// Names of the table's columns; empty for a table of labels and values.
    pub columns: Vec<String>,
    /// Cells, ready to print; the second column is in heavy type.
    pub rows: Vec<Vec<String>>,
    /// Small print under the table.
    pub foot: String,
}

const TITLE_MM: f64 = 9.0;
const HEADING_MM: f64 = 4.8;
const BODY_MM: f64 = 3.6;
/// Column names and small print; still larger than what a telephone book had.
const SMALL_MM: f64 = 3.2;
const LEADING: f64 = 1.3;
/// Free between the columns of a table, at least and at most, mm.
const GUTTER_MM: [f64; 2] = [4.0, 11.0];
/// Width of a column of labels, as a part of the page's.
const LABELS: f64 = 0.37;
/// Lines longer than this are hard to read; wide paper leaves the rest free, mm.
const COLUMN_MM: f64 = 200.0;
/// Height of the line that names the pattern on further cover pages, mm.
const RUNNING_HEAD_MM: f64 = 9.0;
/// Length of a roll's cover page at most, mm.
const ROLL_COVER_MM: f64 = 700.0;

/// Pages being filled from the top.
struct Flow {
    width: f64,
    height: f64,
    /// Free below this.
    y: f64,
    items: Vec<Item>,
    pages: Vec<(Vec<Item>, f64)>,
}

impl Flow {
    /// Starts a new page unless `height` is still free on this one.
    fn need(&mut self, height: f64) {
        if self.y < height && !self.is_fresh() {
            self.turn_page();
        }
    }

    /// Whether nothing stands on this page yet.
    fn is_fresh(&self) -> bool {
        self.items.is_empty()
    }

    fn turn_page(&mut self) {
        let items = std::mem::take(&mut self.items);
        self.pages.push((items, self.y));
        self.y = self.height - RUNNING_HEAD_MM;
    }

    fn gap(&mut self, mm: f64) {
        if !self.is_fresh() {
            self.y -= mm;
        }
    }

    /// Lines of text, each kept whole on a page.
    fn text(&mut self, words: &str, size: f64, bold: bool, indent: f64) {
        for line in wrap_text(words, size, bold, self.width - indent) {
            self.need(size * LEADING);
            self.y -= size * LEADING;
            let at = Point2::new(indent, self.y + 0.34 * size);
            self.items.push(Item::Text(Text {
                bold,
                ..Text::new(at, size, line)
            }));
        }
    }

    /// A heading with a rule above, never alone at the foot of a page.
    fn heading(&mut self, words: &str) {
        self.need(HEADING_MM * LEADING + 3.0 * BODY_MM * LEADING);
        self.gap(2.6);
        self.items.push(stroke(&[
            Point2::new(0.0, self.y),
            Point2::new(self.width, self.y),
        ]));
        self.y -= 0.8;
        self.text(words, HEADING_MM, true, 0.0);
        self.y -= 0.4;
    }

    /// A numbered or dotted paragraph.
    fn point(&mut self, mark: &str, words: &str) {
        const INDENT_MM: f64 = 6.0;
        let lines = wrap_text(words, BODY_MM, false, self.width - INDENT_MM).len();
        #[expect(clippy::cast_precision_loss, reason = "a few lines")]
        let height = lines as f64 * BODY_MM * LEADING;
        self.need(height.min(0.5 * self.height));
        let at = Point2::new(0.0, self.y - BODY_MM * LEADING + 0.34 * BODY_MM);
        self.items.push(Item::Text(Text {
            bold: true,
            ..Text::new(at, BODY_MM, mark)
        }));
        self.text(words, BODY_MM, false, INDENT_MM);
        self.gap(0.4);
    }

    /// A dotted paragraph in small type.
    fn small_point(&mut self, words: &str) {
        const INDENT_MM: f64 = 4.0;
        self.need(SMALL_MM * LEADING);
        let at = Point2::new(0.0, self.y - SMALL_MM * LEADING + 0.34 * SMALL_MM);
        self.items
            .push(Item::Text(Text::new(at, SMALL_MM, "\u{2022}")));
        self.text(words, SMALL_MM, false, INDENT_MM);
        self.gap(0.4);
    }

    /// A table, each cell wrapped in its column.
    fn table(&mut self, columns: &[String], rows: &[Vec<String>]) {
        let places = column_places(columns, rows, self.width);
        if !columns.is_empty() {
            self.row(columns, &places, SMALL_MM, false);
        }
        for row in rows {
            self.row(row, &places, BODY_MM, true);
        }
    }

    /// One row of a table, kept whole on a page; `places` are the left and right end of each column.
    fn row(&mut self, cells: &[String], places: &[[f64; 2]], size: f64, heavy: bool) {
        let lines: Vec<Vec<String>> = cells
            .iter()
            .zip(places)
            .enumerate()
            .map(|(k, (cell, [left, right]))| wrap_text(cell, size, heavy && k == 1, right - left))
            .collect();
        let deepest = lines.iter().map(Vec::len).max().unwrap_or(0);
        #[expect(clippy::cast_precision_loss, reason = "a few lines")]
        let height = deepest as f64 * size * LEADING;
        self.need(height.min(0.5 * self.height));
        for index in 0..deepest {
            self.need(size * LEADING);
            self.y -= size * LEADING;
            for (k, cell) in lines.iter().enumerate() {
                if let Some(line) = cell.get(index) {
                    self.items.push(Item::Text(Text {
                        bold: heavy && k == 1,
                        ..Text::new(
                            Point2::new(places[k][0], self.y + 0.34 * size),
                            size,
                            line.clone(),
                        )
                    }));
                }
            }
        }
        self.gap(0.5);
    }

    /// A section of the caller's.
    fn section(&mut self, section: &Section) {
        if section.heading.is_empty() {
            self.gap(2.0);
        } else {
            self.heading(&section.heading);
        }
        match &section.sentences[..] {
            [only] => self.text(only, BODY_MM, false, 0.0),
            many => {
                for (index, sentence) in many.iter().enumerate() {
                    self.point(&format!("{}", index + 1), sentence);
                }
            }
        }
        self.table(&section.columns, &section.rows);
        self.text(&section.foot, SMALL_MM, false, 0.0);
    }
}

/// Left and right end of each column, mm: labels and values split the page at a fixed place, other
/// tables take what their cells need, the widest giving way first.
fn column_places(columns: &[String], rows: &[Vec<String>], width: f64) -> Vec<[f64; 2]> {
    let count = rows.iter().map(Vec::len).max().unwrap_or(0);
    if columns.is_empty() && count == 2 {
        let split = LABELS * width;
        return vec![[0.0, split - GUTTER_MM[0]], [split, width]];
    }
    let mut wide: Vec<f64> = (0..count)
        .map(|k| {
            let cells = rows.iter().filter_map(|row| row.get(k));
            let widest = cells
                .map(|cell| text_width_mm(cell, BODY_MM, k == 1))
                .fold(0.0, f64::max);
            let name = columns.get(k).map_or("", |name| name);
            widest.max(text_width_mm(name, SMALL_MM, false)) + 0.1
        })
        .collect();
    #[expect(clippy::cast_precision_loss, reason = "a few columns")]
    let gutters = count.saturating_sub(1) as f64;
    let room = width - gutters * GUTTER_MM[0];
    loop {
        let over = wide.iter().sum::<f64>() - room;
        if over <= 1e-6 {
            break;
        }
        let widest = wide.iter().copied().fold(0.0, f64::max);
        let next = wide
            .iter()
            .copied()
            .filter(|w| *w < widest - 1e-9)
            .fold(0.0, f64::max);
        let tied: Vec<usize> = (0..count).filter(|&k| wide[k] >= widest - 1e-9).collect();
        #[expect(clippy::cast_precision_loss, reason = "a few columns")]
        let each = (over / tied.len() as f64).min(widest - next);
        for k in tied {
            wide[k] -= each;
        }
    }
    let free = width - wide.iter().sum::<f64>();
    let gutter = (free / gutters.max(1.0)).clamp(GUTTER_MM[0], GUTTER_MM[1]);
    let mut x = 0.0;
    wide.iter()
        .map(|w| {
            let place = [x, x + w];
            x += w + gutter;
            place
        })
        .collect()
}

/// Draws the cover pages.
pub(super) fn cover(
    cover: &Cover,
    figures: &[Figure],
    tiling: &Tiling,
    table: &Table,
    common: &Common<'_>,
    options: &SheetOptions,
) -> Vec<Sheet> {
    // Covers stand upright whichever way the pattern lies.
    let stock = Stock::new(options, false);
    let [full_width, room] = stock.room_mm();
    let width = full_width.min(COLUMN_MM);
    let height = if stock.roll {
        room.min(ROLL_COVER_MM)
    } else {
        room
    } - common.strip_mm;
    let mut flow = Flow {
        width,
        height,
        y: height,
        items: Vec::new(),
        pages: Vec::new(),
    };
    head(&mut flow, cover, figures, tiling, options);
    for section in cover.sections.iter().filter(|section| section.first) {
        flow.section(section);
    }
    check_block(&mut flow, tiling, table, figures, &stock);
    how_to(&mut flow, tiling);
    for section in cover.sections.iter().filter(|section| !section.first) {
        flow.section(section);
    }
    legend(&mut flow, figures, tiling);
    if !cover.cautions.is_empty() {
        flow.heading("Cautions");
        for caution in &cover.cautions {
            flow.small_point(caution);
        }
    }
    flow.turn_page();
    finish(flow, cover, &stock, common)
}

/// Pages with banner and page number.
fn finish(flow: Flow, cover: &Cover, stock: &Stock, common: &Common<'_>) -> Vec<Sheet> {
    let count = flow.pages.len();
    let (width, full) = (flow.width, flow.height);
    flow.pages
        .into_iter()
        .enumerate()
        .map(|(index, (mut items, used))| {
            // A roll is cut where the text ends.
            let foot = if stock.roll { used.max(0.0) } else { 0.0 };
            let top = full + common.strip_mm;
            if index > 0 {
                let words = format!(
                    "{}, client {}, cover page {} of {count}",
                    cover.title,
                    cover.client,
                    index + 1
                );
                items.push(Item::Text(Text::new(
                    Point2::new(0.0, full - 4.0),
                    3.6,
                    shorten_text(&words, 3.6, false, width),
                )));
            }
            if let Some(words) = common.banner {
                items.push(banner(words, Point2::new(0.0, full + BANNER_MM), width));
            }
            let items: Vec<Item> = items
                .iter()
                .map(|item| item.placed(&Placement::shift(0.0, -foot)))
                .collect();
            let height = if stock.roll {
                (top - foot) * stock.scale[1] + 2.0 * stock.margin_mm
            } else {
                stock.page_mm[1]
            };
            let name = if count == 1 {
                "Cover".to_owned()
            } else {
                format!("Cover, page {} of {count}", index + 1)
            };
            Sheet {
                name,
                drawing: onto_page(stock, height, &items),
            }
        })
        .collect()
}

fn head(
    flow: &mut Flow,
    cover: &Cover,
    figures: &[Figure],
    tiling: &Tiling,
    options: &SheetOptions,
) {
    let title = format!("{}, client {}", cover.title, cover.client);
    flow.text(&title, TITLE_MM, true, 0.0);
    flow.gap(0.5);
    for line in &cover.about {
        flow.text(line, BODY_MM, false, 0.0);
    }
    let plural = |count: usize, word: &str| {
        if count == 1 {
            format!("1 {word}")
        } else {
            format!("{count} {word}s")
        }
    };
    let way = match (options.paper.is_roll(), tiling.landscape) {
        (true, _) => "",
        (_, true) => ", long edge across",
        (_, false) => ", upright",
    };
    flow.text(
        &format!(
            "{} on {} of {} paper{way}. Printed 1:1, all lengths in millimetres.",
            plural(figures.len(), "piece"),
            plural(tiling.tiles.len(), "sheet"),
            options.paper,
        ),
        BODY_MM,
        false,
        0.0,
    );
    let off = options
        .measured_mm
        .iter()
        .any(|mm| (mm - 100.0).abs() > 1e-9);
    if off {
        let [x, y] = options.measured_mm.map(|mm| trimmed(mm, 2));
        flow.text(
            &format!("Corrected for a printer that makes {x} x {y} mm of the scale square."),
            BODY_MM,
            true,
            0.0,
        );
    }
}

/// The scale square with the inch line, and the map of the sheets beside or below it.
fn check_block(flow: &mut Flow, tiling: &Tiling, table: &Table, figures: &[Figure], stock: &Stock) {
    const MAP_LEAST_MM: f64 = 62.0;
    const AISLE_MM: f64 = 10.0;
    flow.heading("1  Print at 100 % and measure this square first");
    flow.text(
        "Choose \"actual size\", never \"fit to page\". The square must measure 100 mm both ways, the line below \
         it 4 in. If not, cut nothing; print again with: sheets --measured 98.6x99.1 (what you measured, x and y).",
        BODY_MM,
        false,
        0.0,
    );
    flow.gap(3.0);
    let block = SQUARE_MM + 12.0;
    let beside = flow.width - INCH_LINE_MM - AISLE_MM;
    flow.need(block);
    let top = flow.y;
    let square = Point2::new(0.5, top - SQUARE_MM);
    flow.items.push(scale_square(square, side_names(stock)));
    flow.items
        .push(inch_line(Point2::new(0.5, top - SQUARE_MM - 10.0)));
    let map_area = if beside >= MAP_LEAST_MM {
        flow.y = top - block;
        Bounds {
            low: Point2::new(INCH_LINE_MM + AISLE_MM, top - block),
            high: Point2::new(flow.width, top),
        }
    } else {
        flow.y = top - block - 6.0;
        flow.need(90.0);
        let from = flow.y;
        flow.y = from - 90.0;
        Bounds {
            low: Point2::new(0.0, from - 90.0),
            high: Point2::new(flow.width, from),
        }
    };
    flow.items.push(map(tiling, table, figures, map_area));
}

/// The sheets side by side, small, with the pieces' cut lines.
fn map(tiling: &Tiling, table: &Table, figures: &[Figure], area: Bounds) -> Item {
    const WORDS_MM: f64 = 12.0;
    let all = tiling
        .tiles
        .iter()
        .fold(Bounds::EMPTY, |all, tile| all.join(&tile.window));
    let room = [area.width_mm(), area.height_mm() - WORDS_MM];
    let scale = (room[0] / all.width_mm()).min(room[1] / all.height_mm());
    let top = area.high.y - 6.0;
    let to = Placement {
        quarters: 0,
        scale: Vector2::new(scale, scale),
        shift: Vector2::new(
            area.low.x + 0.5 * (room[0] - scale * all.width_mm()) - scale * all.low.x,
            top - scale * all.high.y,
        ),
    };
    let mut items = vec![Item::Text(Text {
        bold: true,
        ..Text::new(
            Point2::new(area.low.x, area.high.y - 3.4),
            BODY_MM,
            "How the sheets lie",
        )
    })];
    for tile in &tiling.tiles {
        let own = Bounds::of(&[to.point(tile.own.low), to.point(tile.own.high)]);
        items.push(Item::Line(
            Ink::Furniture,
            Path::rectangle(own.low, own.high),
        ));
    }
    for outlines in &table.outlines {
        for outline in outlines {
            let small: Vec<Point2> = outline.iter().map(|p| to.point(*p)).collect();
            items.push(Item::Line(Ink::Mark, Path::polygon(&small)));
        }
    }
    for tile in &tiling.tiles {
        let own = Bounds::of(&[to.point(tile.own.low), to.point(tile.own.high)]);
        let size = (0.26 * own.width_mm().min(own.height_mm())).clamp(2.6, 5.0);
        let centre = own.centre();
        let label = Text {
            bold: true,
            ..centred(
                Point2::new(centre.x, centre.y - 0.36 * size),
                size,
                tile.label.clone(),
            )
        };
        let ground = text_box(&label);
        items.push(Item::Fill(1.0, Path::rectangle(ground.low, ground.high)));
        items.push(Item::Text(label));
    }
    let names: Vec<&str> = figures.iter().map(|f| f.name.as_str()).collect();
    let words = if figures.len() > 1 {
        shorten_text(&names.join(", "), 3.4, false, area.width_mm())
    } else {
        "Seen from the printed side".to_owned()
    };
    let foot = top - scale * all.height_mm() - 5.0;
    items.push(Item::Text(Text::new(
        Point2::new(area.low.x, foot),
        3.4,
        words,
    )));
    Item::Group("map of the sheets".to_owned(), items)
}

fn how_to(flow: &mut Flow, tiling: &Tiling) {
    const CUT: &str = "Cut on the solid line, sew on the dashed line inside it. LEFT and RIGHT are the \
                       client's; the outside (hair side) of every piece faces you.";
    if tiling.tiles.len() < 2 {
        flow.heading("2  Cut");
        flow.text(CUT, BODY_MM, false, 0.0);
        return;
    }
    flow.heading("2  Join the sheets, then cut");
    let steps = [
        "Lay the sheets out as on the map: rows are letters from the top, columns numbers from the left.",
        "On each sheet cut off the strips beyond the broken lines on its left and its upper side. \
         Leave the strips on the right and the lower side.",
        "Lay each sheet on its neighbours' strips until the broken lines and the diamonds with the same \
         number meet, then tape. Measure one long line across a join against the number printed beside it.",
        CUT,
    ];
    for (index, step) in steps.iter().enumerate() {
        flow.point(&format!("{}", index + 1), step);
    }
}

fn inks(items: &[Item], found: &mut BTreeSet<Ink>) {
    for item in items {
        match item {
            Item::Line(ink, _) => {
                found.insert(*ink);
            }
            Item::Group(_, inner) | Item::Window(_, _, inner) => inks(inner, found),
            _ => {}
        }
    }
}

/// The kinds of line that occur, each with a sample.
fn legend(flow: &mut Flow, figures: &[Figure], tiling: &Tiling) {
    const SAMPLE_MM: f64 = 24.0;
    const LINE_MM: f64 = 5.4;
    let mut found = BTreeSet::new();
    for figure in figures {
        inks(&figure.drawing.items, &mut found);
    }
    flow.heading("Lines and marks");
    let mut entries: Vec<(Sample, &str)> = Vec::new();
    for ink in Ink::ALL {
        match ink {
            _ if !found.contains(&ink) => {}
            Ink::Furniture => {}
            Ink::Mark => {
                entries.push((Sample::Notches, "Notch: one front, two nape, three ear"));
                // Several pieces are joined by seams.
                if figures.len() > 1 {
                    entries.push((Sample::Notches, "On seams: equal notches meet"));
                }
                if found.contains(&Ink::DartLeg) {
                    entries.push((Sample::Point, "Dart point, drill hole before it"));
                    entries.push((Sample::Legs, "Ticks of both legs meet"));
                    entries.push((Sample::Press, "Fold or press the dart this way"));
                }
            }
            _ => entries.push((Sample::Line(ink), ink.meaning())),
        }
    }
    if tiling.tiles.len() > 1 {
        entries.push((Sample::Line(Ink::Furniture), "Trim line of a sheet"));
        entries.push((Sample::Match, "Match mark: same numbers meet"));
    }
    let longest = entries
        .iter()
        .map(|(_, words)| text_width_mm(words, BODY_MM, false))
        .fold(0.0, f64::max);
    let two = flow.width >= 2.0 * (SAMPLE_MM + 4.0 + longest) + 4.0;
    let per_row = if two { 2 } else { 1 };
    for row in entries.chunks(per_row) {
        flow.need(LINE_MM);
        flow.y -= LINE_MM;
        for (column, (what, words)) in row.iter().enumerate() {
            let x = if column == 0 {
                0.0
            } else {
                0.5 * flow.width + 2.0
            };
            let middle = Point2::new(x, flow.y + 0.5 * LINE_MM);
            flow.items.extend(sample(*what, middle, SAMPLE_MM));
            flow.items.push(Item::Text(Text::new(
                Point2::new(x + SAMPLE_MM + 4.0, middle.y - 0.36 * BODY_MM),
                BODY_MM,
                *words,
            )));
        }
    }
}

/// What the legend shows.
#[derive(Debug, Clone, Copy)]
enum Sample {
    Line(Ink),
    Notches,
    Point,
    Legs,
    Press,
    Match,
}

/// A sample of a line or mark as it is on the pieces, `length` long from its left end.
fn sample(what: Sample, left: Point2, length: f64) -> Vec<Item> {
    let at = |x: f64, y: f64| Point2::new(left.x + x, left.y + y);
    let right = at(length, 0.0);
    let stroke = |ink: Ink, points: &[[f64; 2]]| {
        let points: Vec<Point2> = points.iter().map(|p| at(p[0], p[1])).collect();
        Item::Line(ink, Path::line(&points))
    };
    match what {
        Sample::Match => vec![
            trim_line(at(0.0, 0.0), right),
            diamond(at(0.5 * length, 0.0), Vector2::y()),
        ],
        Sample::Line(Ink::Furniture) => vec![trim_line(left, right)],
        Sample::Line(Ink::Grain) => {
            let mut items = vec![Item::Line(Ink::Grain, Path::line(&[left, right]))];
            for (tip, back) in [(left, 3.5), (right, -3.5)] {
                items.push(Item::Fill(
                    0.0,
                    Path::polygon(&[
                        tip,
                        tip + Vector2::new(back, 1.2),
                        tip + Vector2::new(back, -1.2),
                    ]),
                ));
            }
            items
        }
        Sample::Notches => {
            let ticks = [3.0, 9.75, 12.25, 18.5, 21.0, 23.5];
            let tick = |x: &f64| stroke(Ink::Mark, &[[*x, -1.5], [*x, 1.2]]);
            std::iter::once(stroke(Ink::Cut, &[[0.0, 1.2], [length + 1.0, 1.2]]))
                .chain(ticks.iter().map(tick))
                .collect()
        }
        Sample::Point => vec![
            stroke(Ink::DartLeg, &[[0.0, 2.0], [17.0, 0.0], [0.0, -2.0]]),
            stroke(Ink::Mark, &[[15.2, 1.8], [18.8, -1.8]]),
            stroke(Ink::Mark, &[[15.2, -1.8], [18.8, 1.8]]),
            Item::Line(Ink::Mark, Path::circle(at(12.0, 0.0), 1.0)),
        ],
        Sample::Legs => vec![
            stroke(Ink::DartLeg, &[[0.0, 2.0], [length, 0.6]]),
            stroke(Ink::DartLeg, &[[0.0, -2.0], [length, -0.6]]),
            stroke(Ink::Mark, &[[10.0, 0.4], [10.0, 2.4]]),
            stroke(Ink::Mark, &[[10.0, -0.4], [10.0, -2.4]]),
        ],
        Sample::Press => vec![
            stroke(Ink::DartLeg, &[[0.0, 0.0], [length, 0.0]]),
            stroke(Ink::Mark, &[[12.0, 2.3], [12.0, -2.3]]),
            stroke(Ink::Mark, &[[11.2, -0.9], [12.0, -2.3], [12.8, -0.9]]),
        ],
        Sample::Line(Ink::Hatch) => (0..8)
            .map(|index| {
                let x = f64::from(index) * 3.0;
                Item::Line(Ink::Hatch, Path::line(&[at(x, -2.0), at(x + 3.0, 2.0)]))
            })
            .collect(),
        Sample::Line(kind) => vec![Item::Line(kind, Path::line(&[left, right]))],
    }
}
