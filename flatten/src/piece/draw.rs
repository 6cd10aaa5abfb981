//! A piece as ink.
//!
//! Lines first, each kind in a group of its own, then text, placed where nothing is drawn.

use lyon::{
    algorithms::hatching::{HatchSegment, Hatcher, HatchingOptions, RegularHatchingPattern},
    geom::Angle,
};

use super::{
    DartMark, DartStyle, Grain, Hand, Mark, MarkKind, OpeningMark, Piece, Stretch, StretchKind,
    label::{self, Block, Board, Slab, Spot},
    mark::direction,
};
use crate::{
    Point2, Vector2,
    plane::{self, Curve, left_of, unit},
    sheet::{Drawing, Ink, Item, Path, Segment, Text},
    units::{format_inch, format_mm, format_mm_and_inch},
};

/// Sizes of text and marks.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Style {
    /// Font size of the words that matter, mm; a capital is 0.72 of it: 3.2 mm at arm's length.
    pub main_mm: f64,
    /// Font size of lengths and widths, mm: capitals of 2.5 mm.
    pub small_mm: f64,
    /// Room round the drawing and between pieces, mm.
    pub rim_mm: f64,
    /// Length of a notch, mm; never more than 0.6 of the margin.
    pub notch_mm: f64,
}

impl Default for Style {
    fn default() -> Self {
        Self {
            main_mm: 4.5,
            small_mm: 3.5,
            rim_mm: 6.0,
            notch_mm: 5.0,
        }
    }
}

/// Curves are taken as lines within this when looking for room, mm.
const COARSE_MM: f64 = 0.1;

/// Draws one piece at true scale, its rim's lower left at the origin.
#[must_use]
pub fn draw(piece: &Piece, style: &Style) -> Drawing {
    draw_between(piece, style, &[]).trimmed(style.rim_mm)
}

/// Draws one piece at true scale in its own axes, each word within one of the boxes that sheets of paper
/// show (low and high corners; none: one endless sheet). Lines are the same whatever the boxes.
#[must_use]
pub fn draw_between(piece: &Piece, style: &Style, sheets: &[[Point2; 2]]) -> Drawing {
    Drawing {
        width_mm: 0.0,
        height_mm: 0.0,
        items: vec![ink(piece, style, sheets)],
    }
}

/// Draws all pieces at true scale: the first at the left, the others to its right in columns no
/// higher than the tallest piece.
#[must_use]
pub fn draw_all(pieces: &[Piece], style: &Style) -> Drawing {
    let drawn: Vec<Drawing> = pieces.iter().map(|piece| draw(piece, style)).collect();
    let height_mm = drawn.iter().map(|d| d.height_mm).fold(0.0, f64::max);
    let (mut x, mut top, mut column) = (0.0_f64, height_mm, 0.0_f64);
    let mut items = Vec::new();
    for d in &drawn {
        if d.height_mm > top + 1e-9 {
            x += column;
            (top, column) = (height_mm, 0.0);
        }
        top -= d.height_mm;
        let place = crate::sheet::Placement::shift(x, top);
        items.extend(d.items.iter().map(|item| item.placed(&place)));
        column = column.max(d.width_mm);
    }
    Drawing {
        width_mm: x + column,
        height_mm,
        items,
    }
}

/// What is being put together for one piece.
struct Page<'a> {
    piece: &'a Piece,
    style: &'a Style,
    board: Board,
    lines: Vec<(Ink, Path)>,
    texts: Vec<Text>,
    /// White ground under text that lies on hatching.
    grounds: Vec<Path>,
    beside: Vec<String>,
}

fn ink(piece: &Piece, style: &Style, sheets: &[[Point2; 2]]) -> Item {
    let mut page = Page::new(piece, style);
    // What must not be pushed off the piece comes first.
    page.names();
    let grain = page.grain_place();
    if !sheets.is_empty() {
        // The lines are the same on every paper; only words move.
        page = Page::new(piece, style);
        page.grain(grain);
        for [low, high] in sheets {
            let (a, b) = (Point2::new(high.x, low.y), Point2::new(low.x, high.y));
            page.board.line(&[*low, a, *high, b, *low]);
        }
        page.names();
    } else {
        page.grain(grain);
    }
    page.grain_words(grain);
    page.lengths();
    page.finish(sheets)
}

fn curve_path(curve: &Curve) -> Path {
    let mut segments = vec![Segment::Move(curve.start())];
    segments.extend(curve.cubics().map(|[a, b, c]| Segment::Cubic(a, b, c)));
    Path { segments }
}

fn closed(ring: &[Point2]) -> Vec<Point2> {
    let mut line = ring.to_vec();
    line.extend(ring.first());
    line
}

impl<'a> Page<'a> {
    /// All lines but the grain's, no words.
    fn new(piece: &'a Piece, style: &'a Style) -> Self {
        let mut page = Page {
            piece,
            style,
            board: Board::default(),
            lines: Vec::new(),
            texts: Vec::new(),
            grounds: Vec::new(),
            beside: Vec::new(),
        };
        page.edges();
        page.darts();
        page.marks();
        page.guides();
        page.clear_places();
        page
    }

    fn stroke(&mut self, ink: Ink, line: &[Point2]) {
        self.board.line(line);
        self.lines.push((ink, Path::line(line)));
    }

    fn curve(&mut self, ink: Ink, curve: &Curve) {
        self.board.line(&curve.linearise(COARSE_MM, 1e9));
        self.lines.push((ink, curve_path(curve)));
    }

    fn ring(&mut self, ink: Ink, ring: &[Point2]) {
        if ring.len() > 2 {
            self.board.line(&closed(ring));
            self.lines.push((ink, Path::polygon(ring)));
        }
    }

    fn edges(&mut self) {
        let piece = self.piece;
        self.ring(Ink::Cut, &piece.cut_line_mm);
        for opening in &piece.openings {
            self.ring(Ink::Cut, &opening.cut_line_mm);
        }
        // Stretches that follow each other are one dashed line: dashes then run on without a break.
        for run in running(&piece.stretches) {
            self.curve(Ink::Sew, &run);
        }
        for dart in &piece.darts {
            if dart.cap_mm.len() > 1 {
                self.stroke(Ink::Sew, &dart.cap_mm);
            }
        }
    }

    fn darts(&mut self) {
        for dart in &self.piece.darts {
            for leg in &dart.legs {
                self.curve(Ink::DartLeg, leg);
            }
            if dart.style == DartStyle::Fold {
                self.stroke(Ink::Fold, &dart.fold_mm);
            }
            self.cross(dart.point_mm, 2.0);
            let hole = Path::circle(dart.drill_mm, 1.0);
            self.board.line(&square(dart.drill_mm, 1.0));
            self.lines.push((Ink::Mark, hole));
            self.fold_arrow(dart);
        }
    }

    fn cross(&mut self, at: Point2, half: f64) {
        for way in [Vector2::new(half, half), Vector2::new(half, -half)] {
            self.stroke(Ink::Mark, &[at - way, at + way]);
        }
    }

    /// An arrow over the leg that the take-up is folded towards.
    fn fold_arrow(&mut self, dart: &DartMark) {
        let near = match dart.folds_towards {
            Hand::Left => &dart.legs[0],
            Hand::Right => &dart.legs[1],
        };
        let (on_leg, along) = near.at(0.3 * near.length());
        // Inward along the left leg the wedge lies on the right hand.
        let out = match dart.folds_towards {
            Hand::Left => left_of(along),
            Hand::Right => -left_of(along),
        };
        let half = 0.35 * dart.take_up_mm;
        self.arrow(
            Ink::Mark,
            on_leg - out * half.min(5.0),
            on_leg + out * 6.0,
            false,
        );
    }

    fn arrow(&mut self, ink: Ink, from: Point2, to: Point2, both: bool) {
        self.stroke(ink, &[from, to]);
        let way = unit(to - from);
        let mut head = |tip: Point2, way: Vector2| {
            let size = if both { 5.0 } else { 2.4 };
            let (a, b) = (
                tip - way * size + left_of(way) * (size * 0.38),
                tip - way * size - left_of(way) * (size * 0.38),
            );
            self.stroke(ink, &[a, tip, b]);
        };
        head(to, way);
        if both {
            head(from, -way);
        }
    }

    fn marks(&mut self) {
        for mark in &self.piece.marks {
            match mark.kind {
                MarkKind::Notch => self.notch(mark),
                MarkKind::Match => {
                    let half = direction(mark) * 2.5;
                    self.stroke(Ink::Mark, &[mark.at_mm - half, mark.at_mm + half]);
                }
                MarkKind::Crown => {
                    for half in [Vector2::new(5.0, 0.0), Vector2::new(0.0, 5.0)] {
                        self.stroke(Ink::Mark, &[mark.at_mm - half, mark.at_mm + half]);
                    }
                }
                MarkKind::Word => {}
            }
        }
    }

    /// Ticks across the margin, from the cut line towards the sew line, 2.5 mm apart.
    fn notch(&mut self, mark: &Mark) {
        let way = direction(mark);
        let length = self
            .style
            .notch_mm
            .min(0.6 * (mark.towards_mm - mark.at_mm).norm());
        let middle = (mark.count as f64 - 1.0) / 2.0;
        for k in 0..mark.count {
            let aside = left_of(way) * ((k as f64 - middle) * 2.5);
            let from = mark.at_mm + aside;
            self.stroke(Ink::Mark, &[from, from + way * length]);
        }
    }

    fn guides(&mut self) {
        for guide in &self.piece.guides {
            self.stroke(Ink::Centre, &guide.path_mm);
        }
    }

    fn clear_places(&mut self) {
        for place in &self.piece.keep_clear {
            self.ring(Ink::Hatch, &place.outline_mm);
            for [a, b] in hatch(&place.outline_mm) {
                self.lines.push((Ink::Hatch, Path::line(&[a, b])));
            }
        }
    }

    fn inside(&self, p: Point2) -> bool {
        plane::contains(&self.piece.sew_line_mm, p)
            && !self
                .piece
                .openings
                .iter()
                .any(|o| plane::contains(&o.sew_line_mm, p))
    }

    /// The arrow goes where it is long, free and near the middle.
    fn grain_place(&self) -> Option<[Point2; 2]> {
        let way = match self.piece.grain {
            Grain::FrontBack => Vector2::y(),
            Grain::Across => Vector2::x(),
            Grain::Bias => unit(Vector2::new(1.0, 1.0)),
            Grain::Any => return None,
        };
        let (low, high) = box_of(&self.piece.sew_line_mm);
        let size = high - low;
        let centre = nalgebra::center(&low, &high);
        let aside = left_of(way);
        let long = size.dot(&way.abs());
        for part in [0.5, 0.4, 0.3, 0.2, 0.12] {
            let length = long * part;
            let mut spots: Vec<(f64, Point2)> = Vec::new();
            for i in -20..=20 {
                for j in -6..=6 {
                    let (x, y) = (
                        f64::from(i) / 42.0 * size.dot(&aside.abs()),
                        f64::from(j) / 20.0 * long,
                    );
                    // A little off the centre line, so that arrow and line are told apart.
                    let cost = (x.abs() - 0.16 * size.dot(&aside.abs())).abs() + y.abs();
                    spots.push((cost, centre + aside * x + way * y));
                }
            }
            spots.sort_by(|a, b| a.0.total_cmp(&b.0));
            let turn = way.y.atan2(way.x);
            let half = way * (length / 2.0);
            let free = spots.into_iter().find(|&(_, at)| {
                let ends = [at - half, at, at + half];
                ends.iter().all(|&p| self.inside(p))
                    && self.board.is_free(&Slab::new(at, turn, length + 4.0, 9.0))
            });
            if let Some((_, at)) = free {
                return Some([at - half, at + half]);
            }
        }
        None
    }

    fn grain(&mut self, place: Option<[Point2; 2]>) {
        if let Some([from, to]) = place {
            self.arrow(Ink::Grain, from, to, true);
        }
    }

    fn grain_words(&mut self, place: Option<[Point2; 2]>) {
        let words = match self.piece.grain {
            Grain::FrontBack | Grain::Across => "grain",
            Grain::Bias => "grain (bias)",
            Grain::Any => return,
        };
        if let Some(line) = place {
            let block = Block::line(words, self.style.small_mm, false);
            self.put(&block, &label::beside(&line, &[3.2, -3.2]), true);
        } else {
            self.beside
                .push(format!("{words}: {}", grain_words(self.piece.grain)));
        }
    }

    /// Puts a block down; one without a place is printed beside the piece.
    fn put(&mut self, block: &Block, spots: &[Spot], on_piece: bool) -> bool {
        let piece = self.piece;
        let inside = |p: Point2| {
            let sewn = plane::contains(&piece.sew_line_mm, p)
                && !piece
                    .openings
                    .iter()
                    .any(|o| plane::contains(&o.sew_line_mm, p));
            sewn == on_piece
        };
        match label::place(&mut self.board, block, spots, inside) {
            Some(texts) => {
                self.texts.extend(texts);
                true
            }
            None => false,
        }
    }

    fn put_or_list(&mut self, block: &Block, spots: &[Spot], on_piece: bool) {
        if !self.put(block, spots, on_piece) {
            let words: Vec<&str> = block.lines.iter().map(|l| l.0.as_str()).collect();
            self.beside.push(words.join(", "));
        }
    }

    fn names(&mut self) {
        self.words();
        self.clear_words();
        self.opening_words();
        self.crown_words();
        self.title();
    }

    fn lengths(&mut self) {
        self.dart_words();
        self.stretch_words();
        self.margin_words();
        self.guide_words();
    }

    fn title(&mut self) {
        let (piece, main, small) = (self.piece, self.style.main_mm, self.style.small_mm);
        let mut lines = vec![
            (
                format!("{}  {} of {}", piece.id, piece.number, piece.of),
                2.0 * main,
                true,
            ),
            (piece.name.clone(), main, false),
            (format!("Client {}", piece.client), main, true),
            (format!("{} · cut 1", piece.material), main, false),
            ("OUTSIDE FACES YOU".into(), main, true),
        ];
        if piece.of == 1 {
            lines.remove(1);
        }
        lines.extend(piece.date.iter().map(|date| (date.clone(), small, false)));
        lines.push(("left and right are the client's".into(), small, false));
        let (low, high) = box_of(&piece.sew_line_mm);
        let middle = nalgebra::center(&low, &high);
        let reach = (high - low).norm() / 2.0;
        let spots = label::around(middle, reach, 4.0, 0.0);
        let narrow = |(text, size, bold): &(String, f64, bool)| -> Vec<(String, f64, bool)> {
            let parts: &[&str] = match text.as_str() {
                "OUTSIDE FACES YOU" => &["OUTSIDE", "FACES YOU"],
                "left and right are the client's" => &["left and right", "are the client's"],
                other => &[other],
            };
            let line = |part: &&str| ((*part).to_owned(), *size, *bold);
            parts.iter().map(line).collect()
        };
        let mut narrow = Block {
            lines: lines.iter().flat_map(narrow).collect(),
        };
        if let Some(first) = narrow.lines.first_mut() {
            first.1 = 1.4 * main;
        }
        let mut block = Block { lines };
        if self.put(&block, &spots, true) || self.put(&narrow, &spots, true) {
            return;
        }
        // A small piece takes fewer words: what is cut off stands beside it.
        loop {
            if self.put(&block, &spots, true) {
                return;
            }
            if block.lines.len() == 1 {
                break;
            }
            if let Some((text, _, _)) = block.lines.pop() {
                self.beside.push(text);
            }
        }
        self.beside.push(block.lines.swap_remove(0).0);
    }

    fn words(&mut self) {
        let piece = self.piece;
        for mark in piece.marks.iter().filter(|m| m.kind == MarkKind::Word) {
            let block = Block::line(&mark.name, 1.25 * self.style.main_mm, true);
            let way = direction(mark);
            let spots: Vec<Spot> = (2..40)
                .flat_map(|k| {
                    let at = mark.at_mm + way * (5.0 + f64::from(k) * 2.0);
                    [0.0, 6.0, -6.0, 14.0, -14.0, 24.0, -24.0].map(|x| Spot {
                        at: at + left_of(way) * x,
                        turn: 0.0,
                    })
                })
                .collect();
            self.put_or_list(&block, &spots, true);
        }
    }

    /// Name, take-up and folding near the point; where that is crowded, the name alone, and the
    /// rest along the legs.
    fn dart_words(&mut self) {
        let (main, small) = (self.style.main_mm, self.style.small_mm);
        for dart in &self.piece.darts {
            let [left, right] = &dart.legs;
            let inward = unit(dart.point_mm - nalgebra::center(&left.start(), &right.start()));
            let take_up = format!("take-up {}", both(dart.take_up_mm));
            let folding = folding(dart);
            let name = (dart.id.clone(), 1.2 * main, true);
            let details = std::iter::once(&take_up)
                .chain(&folding)
                .map(|t| (t.clone(), small, false));
            let full = Block {
                lines: std::iter::once(name.clone()).chain(details).collect(),
            };
            let near = dart.point_mm + inward * 11.0;
            // A name nearer to another dart's point would be read as that one's.
            let own = |spot: &Spot| {
                let mut others = self.piece.darts.iter().filter(|other| other.id != dart.id);
                let far = (spot.at - dart.point_mm).norm();
                others.all(|other| (spot.at - other.point_mm).norm() > far)
            };
            let [close, wide] = [32.0, 50.0].map(|reach| {
                let mut spots = label::around(near, reach, 3.0, 0.0);
                spots.retain(own);
                spots
            });
            let told = self.put(&full, &close, true);
            if !told {
                self.put_or_list(&Block { lines: vec![name] }, &wide, true);
            }
            for (k, rest) in [take_up, folding.join(", ")].into_iter().enumerate() {
                let leg = format!("{} leg {}", dart.id, format_mm(dart.legs_mm[k]));
                let full = format!("{} leg {}", dart.id, both(dart.legs_mm[k]));
                // Outside the wedge: on the left hand of the left leg, the right hand of the other.
                let side = if k == 0 { 1.0 } else { -1.0 };
                let line = dart.legs[k].linearise(COARSE_MM, 1e9);
                let spots = label::beside(&line, &[3.4, 4.6, 6.5, 9.0].map(|d| d * side));
                let long = Block::line(format!("{leg} · {rest}"), small, false);
                if !told && self.put(&long, &spots, true) {
                    continue;
                }
                if !self.put(&Block::line(full, small, false), &spots, true) {
                    self.put_or_list(&Block::line(leg, small, false), &spots, true);
                }
                if !told {
                    self.beside.push(format!("{}: {rest}", dart.id));
                }
            }
        }
    }

    /// The length of every stretch beside it, and of every kind of edge in several parts their sum.
    fn stretch_words(&mut self) {
        let (piece, small) = (self.piece, self.style.small_mm);
        for stretch in &piece.stretches {
            let line = stretch.curve.linearise(COARSE_MM, 1e9);
            let inner = label::beside(&line, &[3.4, 4.6, 6.5, 9.0, 12.0, 16.0]);
            let half = -0.5 * stretch.allowance_mm;
            let outer = label::beside(&line, &[half, 0.8 * half, 1.2 * half]);
            let words = length_words(piece, stretch);
            let placed = words.iter().any(|text| {
                let block = Block::line(text, small, false);
                self.put(&block, &inner, true) || self.put(&block, &outer, false)
            });
            if !placed {
                self.beside.extend(
                    words
                        .first()
                        .map(|text| format!("{} {text}", kind_word(stretch))),
                );
            }
        }
        for (longest, sum) in sums(piece) {
            let line = longest.curve.linearise(COARSE_MM, 1e9);
            let mut spots =
                label::beside(&line, &[3.4, 4.6, 6.5, 8.4, 9.8, 12.0, 14.0, 16.0, 20.0]);
            spots.extend(label::around(
                longest.curve.at(longest.length_mm / 2.0).0,
                45.0,
                4.0,
                0.0,
            ));
            let text = format!("{} in all {}", kind_word(longest), both(sum));
            self.put_or_list(&Block::line(text, small, false), &spots, true);
        }
    }

    /// The width of the margin, printed in it once a kind of edge, or beside it when it is narrow.
    fn margin_words(&mut self) {
        let piece = self.piece;
        let mut order: Vec<&Stretch> = piece
            .stretches
            .iter()
            .filter(|s| s.allowance_mm > 0.0)
            .collect();
        order.sort_by(|a, b| b.length_mm.total_cmp(&a.length_mm));
        while let Some(&longest) = order.first() {
            let same = |s: &&Stretch| (s.kind, s.number) == (longest.kind, longest.number);
            let own: Vec<&Stretch> = order.iter().copied().filter(same).collect();
            order.retain(|s| !same(s));
            // An opening says it in its middle.
            let opening = |o: &OpeningMark| longest.number == Some(o.number);
            if longest.kind == StretchKind::Opening && piece.openings.iter().any(opening) {
                continue;
            }
            let width = longest.allowance_mm;
            let blocks = [both(width), format_mm(width)]
                .map(|w| Block::line(format!("allowance {w}"), self.style.small_mm, false));
            let margin = [0.5, 0.4, 0.6, 0.7].map(|part| -part * width);
            let inside = [3.4, 5.0, 8.4, 11.0, 14.0, 18.0];
            let put = blocks.iter().any(|block| {
                own.iter()
                    .any(|s| self.put_beside(block, s, &margin, false))
                    || own.iter().any(|s| self.put_beside(block, s, &inside, true))
            });
            if !put {
                self.beside
                    .push(format!("{} allowance {}", kind_word(longest), both(width)));
            }
        }
    }

    fn put_beside(
        &mut self,
        block: &Block,
        stretch: &Stretch,
        distances: &[f64],
        on_piece: bool,
    ) -> bool {
        let line = stretch.curve.linearise(COARSE_MM, 1e9);
        self.put(block, &label::beside(&line, distances), on_piece)
    }

    fn guide_words(&mut self) {
        let piece = self.piece;
        for guide in &piece.guides {
            let name = if guide.name == "centre" {
                "centre front to nape"
            } else {
                &guide.name
            };
            let spots = label::beside(&guide.path_mm, &[2.8, -2.8, 4.0, -4.0]);
            // A short remnant of a line needs no words.
            self.put(&Block::line(name, self.style.small_mm, false), &spots, true);
        }
    }

    /// Beside the cross, before other words take the room there.
    fn crown_words(&mut self) {
        let piece = self.piece;
        for mark in piece.marks.iter().filter(|m| m.kind == MarkKind::Crown) {
            let spots = label::around(mark.at_mm + Vector2::new(11.0, 4.0), 25.0, 3.0, 0.0);
            self.put_or_list(
                &Block::line("CROWN", self.style.small_mm, true),
                &spots,
                true,
            );
        }
    }

    fn clear_words(&mut self) {
        for place in &self.piece.keep_clear {
            let (low, high) = box_of(&place.outline_mm);
            let middle = nalgebra::center(&low, &high);
            let block = Block {
                lines: vec![
                    ("KEEP CLEAR".into(), self.style.main_mm, true),
                    (place.reason.clone(), self.style.small_mm, false),
                ],
            };
            let spots = label::around(middle, 60.0, 3.0, 0.0);
            let before = self.texts.len();
            self.put_or_list(&block, &spots, true);
            for text in &self.texts[before..] {
                self.grounds.push(Path::polygon(&text.corners()));
            }
        }
    }

    fn opening_words(&mut self) {
        for opening in &self.piece.openings {
            if opening.allowance_mm < opening.asked_mm - 1e-6 {
                self.beside.push(format!(
                    "opening {}: room for an allowance of {} only, {} asked",
                    opening.number,
                    format_mm(opening.allowance_mm),
                    format_mm(opening.asked_mm),
                ));
            }
            let (low, high) = box_of(&opening.sew_line_mm);
            let middle = nalgebra::center(&low, &high);
            let mut spots = label::around(middle, 40.0, 3.0, 0.0);
            spots.extend(label::around(
                middle,
                40.0,
                3.0,
                std::f64::consts::FRAC_PI_2,
            ));
            spots.retain(|spot| plane::contains(&opening.sew_line_mm, spot.at));
            let block = Block {
                lines: vec![
                    (
                        format!("OPENING {}", opening.number),
                        self.style.main_mm,
                        true,
                    ),
                    (
                        format!("allowance {}", both(opening.allowance_mm)),
                        self.style.small_mm,
                        false,
                    ),
                ],
            };
            if self.put(&block, &spots, false) {
                continue;
            }
            // Close along its sides, so that it is not taken for another place's name.
            let own =
                |s: &&Stretch| s.kind == StretchKind::Opening && s.number == Some(opening.number);
            let mut sides: Vec<&Stretch> = self.piece.stretches.iter().filter(own).collect();
            sides.sort_by(|a, b| b.length_mm.total_cmp(&a.length_mm));
            let reach = block.height() / 2.0 + 2.0;
            let mut spots: Vec<Spot> = sides
                .iter()
                .flat_map(|side| {
                    let line = side.curve.linearise(COARSE_MM, 1e9);
                    label::beside(&line, &[reach, reach + 2.0, reach + 4.0])
                })
                .collect();
            spots.extend(label::around(middle, 60.0, 3.0, 0.0));
            self.put_or_list(&block, &spots, true);
        }
    }

    fn finish(mut self, sheets: &[[Point2; 2]]) -> Item {
        let piece = self.piece;
        self.list_beside(sheets);
        let mut groups: Vec<Item> = Vec::new();
        for ink in Ink::ALL {
            let own: Vec<Item> = self
                .lines
                .iter()
                .filter(|(kind, _)| *kind == ink)
                .map(|(kind, path)| Item::Line(*kind, path.clone()))
                .collect();
            if !own.is_empty() {
                groups.push(Item::Group(format!("{} {}", piece.id, ink.id()), own));
            }
        }
        // Hatching lies under everything.
        groups.sort_by_key(
            |group| !matches!(group, Item::Group(name, _) if name.ends_with(Ink::Hatch.id())),
        );
        if !self.grounds.is_empty() {
            let grounds = self
                .grounds
                .into_iter()
                .map(|path| Item::Fill(1.0, path))
                .collect();
            groups.insert(1, Item::Group(format!("{} ground", piece.id), grounds));
        }
        let texts = self.texts.into_iter().map(Item::Text).collect();
        groups.push(Item::Group(format!("{} text", piece.id), texts));
        Item::Group(format!("piece {}", piece.id), groups)
    }

    /// What found no place on the piece, in lines under it.
    fn list_beside(&mut self, sheets: &[[Point2; 2]]) {
        if self.beside.is_empty() {
            return;
        }
        let size = self.style.small_mm;
        // Both legs of a dart say the same.
        let mut told = std::mem::take(&mut self.beside);
        told.dedup();
        told.insert(0, format!("Piece {}, without room on it:", self.piece.id));
        let wide = told
            .iter()
            .map(|line| crate::sheet::text_width_mm(line, size, false))
            .fold(0.0, f64::max);
        let tall = 1.4 * size * told.len() as f64;
        let top_left = self.list_place(Vector2::new(wide, tall), sheets);
        for (row, line) in told.into_iter().enumerate() {
            let down = Vector2::new(0.0, size + 1.4 * size * row as f64);
            self.texts.push(Text::new(top_left - down, size, line));
        }
    }

    /// The first free place beside the piece within its box, lower ones first, so that the list costs no
    /// sheet of its own; under the piece when there is none.
    fn list_place(&self, size: Vector2, sheets: &[[Point2; 2]]) -> Point2 {
        const STEP_MM: f64 = 6.0;
        let (low, high) = box_of(&self.piece.cut_line_mm);
        let under = Point2::new(low.x, low.y - 1.5 * self.style.small_mm);
        let free = |top_left: Point2| {
            let middle = top_left + Vector2::new(size.x, -size.y) / 2.0;
            let on_paper = |[low, high]: &[Point2; 2]| {
                top_left.x > low.x
                    && top_left.y < high.y
                    && top_left.x + size.x < high.x
                    && top_left.y - size.y > low.y
            };
            (sheets.is_empty() || sheets.iter().any(on_paper))
                && !plane::contains(&self.piece.cut_line_mm, middle)
                && self
                    .board
                    .is_free(&Slab::new(middle, 0.0, size.x + 4.0, size.y + 2.0))
        };
        let within = |low: Point2, high: Point2| {
            let mut y = low.y + size.y;
            while y <= high.y {
                let mut x = low.x;
                while x + size.x <= high.x {
                    let at = Point2::new(x, y);
                    if free(at) {
                        return Some(at);
                    }
                    x += STEP_MM;
                }
                y += STEP_MM;
            }
            None
        };
        if let Some(at) = within(low, high) {
            return at;
        }
        // A lone piece has its sheets to itself.
        let lone = sheets.iter().filter(|_| self.piece.of == 1);
        lone.map(|[low, high]| within(*low + Vector2::new(2.0, 2.0), *high))
            .find_map(|at| at)
            .unwrap_or(under)
    }
}

fn both(mm: f64) -> String {
    format_mm_and_inch(mm)
}

fn folding(dart: &DartMark) -> Vec<String> {
    let to = if dart.folds == "back" {
        "the back"
    } else {
        "the centre"
    };
    match dart.style {
        DartStyle::Fold => vec![format!("fold to {to}")],
        DartStyle::Open => vec![
            format!("cut open, allowance {}", format_mm(dart.allowance_mm)),
            format!("press to {to}"),
        ],
    }
}

fn grain_words(grain: Grain) -> &'static str {
    match grain {
        Grain::FrontBack => "front to back",
        Grain::Across => "ear to ear",
        Grain::Bias => "on the bias",
        Grain::Any => "any way",
    }
}

fn kind_word(stretch: &Stretch) -> String {
    match (stretch.kind, stretch.number) {
        (StretchKind::Front, _) => "front".into(),
        (StretchKind::Left, _) => "left side".into(),
        (StretchKind::Nape, _) => "nape".into(),
        (StretchKind::Right, _) => "right side".into(),
        (StretchKind::Opening, n) => format!("opening {}", n.unwrap_or(1)),
        (StretchKind::Seam, n) => format!("S{}", n.unwrap_or(1)),
    }
}

/// What to say of a stretch's length, the fullest first.
fn length_words(piece: &Piece, stretch: &Stretch) -> Vec<String> {
    let mm = stretch.length_mm;
    let word = kind_word(stretch);
    if stretch.kind == StretchKind::Seam {
        let joins = stretch
            .joins
            .as_deref()
            .map_or(String::new(), |id| format!(", to {id}"));
        return vec![
            format!("{word} {}{joins}", both(mm)),
            format!("{word} {}", format_mm(mm)),
        ];
    }
    let parts = piece
        .stretches
        .iter()
        .filter(|s| s.kind == stretch.kind && s.number == stretch.number);
    let plain = vec![
        format!("{} ({})", format_mm(mm), format_inch(mm, 8)),
        format_mm(mm),
    ];
    if parts.count() == 1 {
        return std::iter::once(format!("{word} {}", both(mm)))
            .chain(plain)
            .collect();
    }
    plain
}

/// The longest stretch of every kind of edge that has several, and the length of all of them.
fn sums(piece: &Piece) -> Vec<(&Stretch, f64)> {
    let mut kinds: Vec<(StretchKind, Option<usize>)> = piece
        .stretches
        .iter()
        .filter(|s| s.kind != StretchKind::Seam)
        .map(|s| (s.kind, s.number))
        .collect();
    kinds.sort_unstable();
    kinds.dedup();
    let mut list = Vec::new();
    for (kind, number) in kinds {
        let own = || {
            piece
                .stretches
                .iter()
                .filter(move |s| s.kind == kind && s.number == number)
        };
        if own().count() > 1 {
            let longest = own().max_by(|a, b| a.length_mm.total_cmp(&b.length_mm));
            list.extend(longest.map(|s| (s, own().map(|s| s.length_mm).sum())));
        }
    }
    list
}

fn box_of(ring: &[Point2]) -> (Point2, Point2) {
    let first = ring.first().copied().unwrap_or_default();
    ring.iter()
        .fold((first, first), |(low, high), p| (low.inf(p), high.sup(p)))
}

fn square(at: Point2, half: f64) -> [Point2; 5] {
    let (x, y) = (Vector2::new(half, 0.0), Vector2::new(0.0, half));
    [at - x - y, at + x - y, at + x + y, at - x + y, at - x - y]
}

/// Stretches of one ring that follow each other, chained.
fn running(stretches: &[Stretch]) -> Vec<Curve> {
    let mut runs: Vec<Curve> = Vec::new();
    for stretch in stretches {
        let follows = runs
            .last()
            .is_some_and(|run| (run.end() - stretch.curve.start()).norm() < 1e-3);
        match runs.pop() {
            Some(run) if follows => runs.push(run.joined(&stretch.curve)),
            last => {
                runs.extend(last);
                runs.push(stretch.curve.clone());
            }
        }
    }
    runs
}

/// Distance between hatch lines, mm.
const HATCH_MM: f32 = 3.0;

/// Slanting lines across a place.
fn hatch(outline: &[Point2]) -> Vec<[Point2; 2]> {
    let Some(path) = label::ink_path(&closed(outline)) else {
        return Vec::new();
    };
    let mut lines = Vec::new();
    let mut pattern = RegularHatchingPattern {
        interval: HATCH_MM,
        callback: |segment: &HatchSegment| {
            let point = |p: lyon::math::Point| {
                plane::settle_point(Point2::new(f64::from(p.x), f64::from(p.y)))
            };
            lines.push([point(segment.a.position), point(segment.b.position)]);
        },
    };
    let options = HatchingOptions::DEFAULT.with_angle(Angle::degrees(45.0));
    Hatcher::new().hatch_path(path.iter(), &options, &mut pattern);
    lines
}
