//! One sheet of a tiled pattern.

use super::{
    Sheet,
    bounds::Bounds,
    drawing::{Drawing, Ink, Item, Placement, Text},
    furniture::{
        BANNER_MM, DIAMOND_MM, INCH_LINE_ROOM_MM, Label, SQUARE_MM, banner, centred, diamond,
        front_words, inch_line, scale_square, text_box, trim_line,
    },
    ink::{cut_outlines, ink_points, word_points},
    metrics::text_width_mm,
    paper::Stock,
    room::{From, Room},
    tile::{Figure, Laid, Side, Tile, Tiling},
};
use crate::{Point2, Vector2};

/// A place where two sheets meet.
struct Join {
    /// Left or lower sheet, then right or upper.
    tiles: [usize; 2],
    /// From the first to the second.
    across: Vector2,
    /// Match marks on the table and their numbers.
    marks: Vec<(Point2, usize)>,
}

/// The pattern on the table, with what the sheets need to know of it.
pub(super) struct Table {
    /// Each figure's items where it lies.
    figures: Vec<Vec<Item>>,
    /// Points of ink of all figures.
    points: Vec<Point2>,
    /// Closed cut lines of all figures.
    pub(super) outlines: Vec<Vec<Vec<Point2>>>,
    joins: Vec<Join>,
}

impl Table {
    pub(super) fn new(figures: &[Figure], tiling: &Tiling) -> Self {
        let placed: Vec<Vec<Item>> = tiling
            .laid
            .iter()
            .map(|laid| {
                let items = &figures[laid.figure].drawing.items;
                items.iter().map(|i| i.placed(&laid.placement)).collect()
            })
            .collect();
        let points: Vec<Point2> = placed
            .iter()
            .flat_map(|items| ink_points(items, 1.0))
            .collect();
        let outlines = placed.iter().map(|items| cut_outlines(items)).collect();
        let words: Vec<Point2> = placed
            .iter()
            .flat_map(|items| word_points(items, 1.0))
            .collect();
        let joins = joins(tiling, &points, &words);
        Self {
            figures: placed,
            points,
            outlines,
            joins,
        }
    }
}

/// Every join, with its match marks numbered in reading order of the sheets.
fn joins(tiling: &Tiling, points: &[Point2], words: &[Point2]) -> Vec<Join> {
    let mut number = 0;
    let mut all = Vec::new();
    for (index, tile) in tiling.tiles.iter().enumerate() {
        for (side, across) in [(1, Vector2::x()), (3, Vector2::y())] {
            let Some(other) = tile.neighbours[side] else {
                continue;
            };
            let [from, to] = join_line(tile, &tiling.tiles[other], side == 1);
            let marks = [0.25, 0.75]
                .into_iter()
                .map(|wanted| {
                    number += 1;
                    (mark_place([from, to], wanted, points, words), number)
                })
                .collect();
            all.push(Join {
                tiles: [index, other],
                across,
                marks,
            });
        }
    }
    all
}

/// Where two sheets meet, on the table: the second lies at the right of the first, or above it.
fn join_line(first: &Tile, second: &Tile, right: bool) -> [Point2; 2] {
    let (a, b) = (&first.own, &second.own);
    if right {
        [
            Point2::new(b.low.x, a.low.y.max(b.low.y)),
            Point2::new(b.low.x, a.high.y.min(b.high.y)),
        ]
    } else {
        [
            Point2::new(a.low.x.max(b.low.x), b.low.y),
            Point2::new(a.high.x.min(b.high.x), b.low.y),
        ]
    }
}

/// What each sheet of a tiling shows when it is trimmed, low and high corner, in the own axes of one of
/// its figures.
pub(super) fn sheets_across(tiling: &Tiling, laid: &Laid) -> Vec<[Point2; 2]> {
    let across = |tile: &Tile| {
        let [a, b] = [tile.own.low, tile.own.high].map(|p| laid.placement.point_back(p));
        [a.inf(&b), a.sup(&b)]
    };
    tiling.tiles.iter().map(across).collect()
}

/// A place on a join near a wanted part of its length where a match mark covers no words, and then least ink.
fn mark_place([from, to]: [Point2; 2], wanted: f64, points: &[Point2], words: &[Point2]) -> Point2 {
    /// Room for the mark and its number on both sides, mm.
    const HALF_MM: f64 = 11.0;
    const TRIES: i32 = 19;
    let strip = Bounds::of(&[from, to]).grown(HALF_MM);
    let along_join = |points: &[Point2]| -> Vec<Point2> {
        let near = points.iter().filter(|p| strip.holds(**p));
        near.copied().collect()
    };
    let (nearby, words) = (along_join(points), along_join(words));
    let mut best = ((usize::MAX, usize::MAX), from);
    for step in 0..TRIES {
        // 0, +1, -1, +2, -2 … of 2.4 % of the length
        let offset = f64::from((step + 1) / 2) * if step % 2 == 1 { 1.0 } else { -1.0 };
        let place = from + (to - from) * (wanted + 0.024 * offset);
        let room = Bounds::of(&[place]).grown(HALF_MM);
        let along_y = (to.x - from.x).abs() < 1e-9;
        let covered = nearby
            .iter()
            .filter(|p| {
                let far = if along_y {
                    p.y - place.y
                } else {
                    p.x - place.x
                };
                room.holds(**p) && far.abs() < 5.5
            })
            .count();
        let mark = Bounds::of(&[place]).grown(MARK_ROOM_MM);
        let hidden = words.iter().filter(|p| mark.holds(**p)).count();
        if (hidden, covered) < best.0 {
            best = ((hidden, covered), place);
        }
    }
    best.1
}

/// Words that are the same on every sheet.
pub(super) struct Common<'a> {
    pub(super) client: &'a str,
    pub(super) banner: Option<&'a str>,
    pub(super) strip_mm: f64,
}

/// Puts what was drawn in true millimetres, origin at the lower left of the room inside the margins,
/// onto the page, corrected for the printer.
pub(super) fn onto_page(stock: &Stock, height_mm: f64, items: &[Item]) -> Drawing {
    let map = Placement {
        quarters: 0,
        scale: Vector2::new(stock.scale[0], stock.scale[1]),
        shift: Vector2::new(stock.margin_mm, stock.margin_mm),
    };
    Drawing {
        width_mm: stock.page_mm[0],
        height_mm,
        items: items.iter().map(|item| item.placed(&map)).collect(),
    }
}

/// Names of the lower and left sides of a scale square: x runs along the paper's short edge.
pub(super) fn side_names(stock: &Stock) -> [&'static str; 2] {
    if stock.landscape {
        ["y", "x"]
    } else {
        ["x", "y"]
    }
}

/// Draws one sheet. `inch_line_wanted` says whether no sheet before had room for the inch line, and is
/// cleared when this one has.
pub(super) fn page(
    index: usize,
    tiling: &Tiling,
    figures: &[Figure],
    table: &Table,
    common: &Common<'_>,
    inch_line_wanted: &mut bool,
) -> Sheet {
    let tile = &tiling.tiles[index];
    let to_local = Placement::shift(-tile.window.low.x, -tile.window.low.y);
    let width = tile.window.width_mm();
    let height = tile.window.height_mm();
    let mut items = vec![window(tile, table, figures, &to_local)];

    let own = Bounds {
        low: to_local.point(tile.own.low),
        high: to_local.point(tile.own.high),
    };
    let mut room = Room::new(own);
    let ink = |p: &&Point2| tile.window.holds(**p);
    room.take_points(table.points.iter().filter(ink).map(|p| to_local.point(*p)));
    for figure in &tile.figures {
        let local: Vec<Vec<Point2>> = table.outlines[*figure]
            .iter()
            .map(|outline| outline.iter().map(|p| to_local.point(*p)).collect())
            .collect();
        room.enclose(&local);
    }

    items.extend(join_items(index, tiling, table, &to_local, &mut room));
    let label = label(index, tiling, figures, common);
    items.push(place_label(&label, tile, own, &mut room));
    let names = side_names(&tiling.stock);
    let square = room.place(SQUARE_MM, SQUARE_MM, 3.0, From::BottomLeft, true);
    items.extend(square.map(|low| scale_square(low, names)));
    if *inch_line_wanted {
        let [w, h] = INCH_LINE_ROOM_MM;
        if let Some(low) = room.place(w, h, 4.0, From::BottomLeft, false) {
            items.push(inch_line(Point2::new(low.x + 0.5, low.y + 0.5)));
            *inch_line_wanted = false;
        }
    }
    if let Some(words) = common.banner {
        let top = Point2::new(0.0, height + BANNER_MM);
        items.push(banner(words, top, width));
    }

    let page_height = if tiling.stock.roll {
        (height + common.strip_mm) * tiling.scale[1] + 2.0 * tiling.stock.margin_mm
    } else {
        tiling.page_mm[1]
    };
    Sheet {
        name: format!(
            "Sheet {} ({} of {}): {}",
            tile.label,
            index + 1,
            tiling.tiles.len(),
            piece_names(tile, figures)
        ),
        drawing: onto_page(&tiling.stock, page_height, &items),
    }
}

/// The part of the table that a sheet shows.
fn window(tile: &Tile, table: &Table, figures: &[Figure], to_local: &Placement) -> Item {
    let shown = figures
        .iter()
        .zip(&table.figures)
        .filter_map(|(figure, items)| {
            let seen: Vec<Item> = items
                .iter()
                .filter_map(|item| culled(item, &tile.window.grown(1.0)))
                .map(|item| item.placed(to_local))
                .collect();
            (!seen.is_empty()).then(|| Item::Group(figure.name.clone(), seen))
        })
        .collect();
    Item::Window(
        Point2::origin(),
        Point2::new(tile.window.width_mm(), tile.window.height_mm()),
        shown,
    )
}

/// An item without the parts that lie wholly outside a box.
fn culled(item: &Item, window: &Bounds) -> Option<Item> {
    if !item.bounds().touches(window) {
        return None;
    }
    Some(match item {
        Item::Group(name, inner) => Item::Group(
            name.clone(),
            inner.iter().filter_map(|i| culled(i, window)).collect(),
        ),
        other => other.clone(),
    })
}

/// Trim lines, match marks and neighbours' labels of a sheet.
fn join_items(
    index: usize,
    tiling: &Tiling,
    table: &Table,
    to_local: &Placement,
    room: &mut Room,
) -> Vec<Item> {
    let tile = &tiling.tiles[index];
    let window = Bounds {
        low: to_local.point(tile.window.low),
        high: to_local.point(tile.window.high),
    };
    let mut items = Vec::new();
    let points: Vec<Point2> = table
        .points
        .iter()
        .filter(|p| tile.window.holds(**p))
        .map(|p| to_local.point(*p))
        .collect();
    let marks: Vec<(Point2, Vector2, usize)> = table
        .joins
        .iter()
        .filter_map(|join| {
            let which = join.tiles.iter().position(|tile| *tile == index)?;
            let inward = join.across * if which == 0 { -1.0 } else { 1.0 };
            let local =
                |(place, number): &(Point2, usize)| (to_local.point(*place), inward, *number);
            Some(join.marks.iter().map(local).collect::<Vec<_>>())
        })
        .flatten()
        .collect();
    let taken: Vec<Bounds> = marks
        .iter()
        .map(|(centre, _, _)| Bounds::of(&[*centre]).grown(MARK_ROOM_MM))
        .collect();
    let own = Bounds {
        low: to_local.point(tile.own.low),
        high: to_local.point(tile.own.high),
    };
    let trims: Vec<(Side, usize, [Point2; 2])> = Side::ALL
        .into_iter()
        .zip(tile.neighbours)
        .filter_map(|(side, neighbour)| Some((side, neighbour?, trim(side, &own, &window))))
        .collect();
    for &(side, neighbour, line) in &trims {
        items.push(trim_line(line[0], line[1]));
        room.take_box(&Bounds::of(&line).grown(1.5));
        let others = trims.iter().filter(|(other, ..)| *other != side);
        let taken: Vec<Bounds> = others
            .map(|(.., line)| Bounds::of(line))
            .chain(taken.iter().copied())
            .collect();
        let words = format!("joins {}", tiling.tiles[neighbour].label);
        items.extend(flap_label(&words, side, line, &window, &points, &taken));
    }
    let drawn = |text: &Text| {
        let area = text_box(text);
        let on_trim = trims
            .iter()
            .any(|(.., line)| Bounds::of(line).touches(&area));
        (on_trim, points.iter().filter(|p| area.holds(**p)).count())
    };
    for (centre, inward, number) in marks {
        items.push(diamond(centre, inward.abs()));
        let words = mark_number(centre, inward, number, drawn);
        room.take_box(&text_box(&words));
        room.take_box(&Bounds::of(&[centre]).grown(MARK_ROOM_MM));
        items.push(Item::Text(words));
    }
    items
}

/// The trim line of one side of a sheet, from end to end of what is printed.
fn trim(side: Side, own: &Bounds, window: &Bounds) -> [Point2; 2] {
    let upright = |x| [Point2::new(x, window.low.y), Point2::new(x, window.high.y)];
    let level = |y| [Point2::new(window.low.x, y), Point2::new(window.high.x, y)];
    match side {
        Side::Left => upright(own.low.x),
        Side::Right => upright(own.high.x),
        Side::Below => level(own.low.y),
        Side::Above => level(own.high.y),
    }
}

/// Half the room of a match mark, mm.
const MARK_ROOM_MM: f64 = DIAMOND_MM * 1.5 + 0.5;

/// A match mark's number, on the sheet's own side of the trim line, aside of what is drawn there: of the other trim
/// lines first, and then of most points of ink, as `drawn` tells.
fn mark_number(
    centre: Point2,
    inward: Vector2,
    number: usize,
    drawn: impl Fn(&Text) -> (bool, usize),
) -> Text {
    const SIZE_MM: f64 = 3.4;
    let words = number.to_string();
    let half = 0.5 * text_width_mm(&words, SIZE_MM, false);
    let reach = if inward.x.abs() > 0.5 {
        DIAMOND_MM * 1.5 + 1.0 + half
    } else {
        DIAMOND_MM * 1.5 + 2.2
    };
    let along = Vector2::new(-inward.y, inward.x);
    let mut best: Option<((bool, usize), Text)> = None;
    for (out, aside) in [
        (reach, 0.0),
        (reach, 3.5),
        (reach, -3.5),
        (0.55 * reach, 5.5),
        (0.55 * reach, -5.5),
        (1.6 * reach, 0.0),
        (1.6 * reach, 4.0),
        (1.6 * reach, -4.0),
    ] {
        let at = centre + inward * out + along * aside;
        let text = centred(
            Point2::new(at.x, at.y - 0.36 * SIZE_MM),
            SIZE_MM,
            words.clone(),
        );
        let ink = drawn(&text);
        if best.as_ref().is_none_or(|(least, _)| ink < *least) {
            best = Some((ink, text));
        }
    }
    best.map_or_else(|| centred(centre, SIZE_MM, words), |(_, text)| text)
}

/// The neighbour's label in the flap beyond a trim line, where it is cut off or covered. It stands where
/// there is no ink if there is such a place, and otherwise on a white ground.
fn flap_label(
    words: &str,
    side: Side,
    [from, to]: [Point2; 2],
    window: &Bounds,
    points: &[Point2],
    taken: &[Bounds],
) -> Vec<Item> {
    let (flap, outward, turn) = match side {
        Side::Left => (from.x - window.low.x, -Vector2::x(), true),
        Side::Right => (window.high.x - from.x, Vector2::x(), true),
        Side::Below => (from.y - window.low.y, -Vector2::y(), false),
        Side::Above => (window.high.y - from.y, Vector2::y(), false),
    };
    let size = (0.6 * flap).min(3.8);
    let text_at = |part: f64| {
        let middle = from + (to - from) * part + outward * (0.5 * flap);
        if turn {
            Text {
                turn: std::f64::consts::FRAC_PI_2,
                ..centred(middle + Vector2::new(0.36 * size, 0.0), size, words)
            }
        } else {
            centred(middle - Vector2::new(0.0, 0.36 * size), size, words)
        }
    };
    // Over a match mark or another trim line is worse than over any ink.
    let covered = |text: &Text| {
        let area = text_box(text);
        let marks = taken.iter().filter(|mark| mark.touches(&area)).count();
        (marks, points.iter().filter(|p| area.holds(**p)).count())
    };
    let mut best = ((usize::MAX, usize::MAX), text_at(0.5));
    for part in [
        0.5, 0.46, 0.54, 0.42, 0.58, 0.38, 0.62, 0.33, 0.67, 0.17, 0.83, 0.12, 0.88, 0.06, 0.94,
    ] {
        let text = text_at(part);
        let ink = covered(&text);
        if ink < best.0 {
            best = (ink, text);
        }
    }
    let ((_, ink), text) = best;
    let mut items = Vec::new();
    if ink > 0 {
        let area = text_box(&text).meet(window);
        items.push(Item::Fill(
            1.0,
            super::drawing::Path::rectangle(area.low, area.high),
        ));
    }
    items.push(Item::Text(text));
    items
}

fn label<'a>(
    index: usize,
    tiling: &'a Tiling,
    figures: &[Figure],
    common: &Common<'_>,
) -> Label<'a> {
    let tile = &tiling.tiles[index];
    let turn = |figure: &usize| tiling.laid[*figure].placement.quarters;
    // One arrow serves the sheet when all its pieces lie the same way.
    let first = tile.figures.first().map_or(0, turn);
    let alike = tile.figures.iter().all(|figure| turn(figure) == first);
    let pieces = if alike {
        piece_names(tile, figures)
    } else {
        let named = tile.figures.iter().map(|figure| {
            let name = &figures[*figure].name;
            match turn(figure) {
                0 => name.clone(),
                quarters => format!("{name} ({})", front_words(quarters)),
            }
        });
        named.collect::<Vec<_>>().join(", ")
    };
    Label {
        tile: &tile.label,
        lines: [
            format!("Client {}", common.client),
            pieces,
            format!("Sheet {} of {}", index + 1, tiling.tiles.len()),
        ],
        front: (alike && first != 0).then_some(first),
    }
}

fn piece_names(tile: &Tile, figures: &[Figure]) -> String {
    let names: Vec<&str> = tile
        .figures
        .iter()
        .map(|figure| figures[*figure].name.as_str())
        .collect();
    names.join(", ")
}

/// Puts the label where it covers nothing: large outside the pieces, large inside, then as one line, and
/// at last across the lower flap.
fn place_label(label: &Label<'_>, tile: &Tile, own: Bounds, room: &mut Room) -> Item {
    const SIZE_MM: f64 = 3.6;
    let [w, h] = label.large_mm();
    if let Some(low) = room.place(w, h, 2.0, From::TopLeft, true) {
        return label.large(low);
    }
    let words = label.small();
    let long = text_width_mm(&words, SIZE_MM, true);
    let text = |at: Point2, turn: f64| Text {
        bold: true,
        turn,
        ..Text::new(at, SIZE_MM, words.clone())
    };
    if let Some(low) = room.place(long, 4.0, 1.0, From::TopLeft, true) {
        return Item::Text(text(Point2::new(low.x, low.y + 1.0), 0.0));
    }
    if let Some(low) = room.place(4.0, long, 1.0, From::TopLeft, true) {
        let at = Point2::new(low.x + 3.0, low.y);
        return Item::Text(text(at, std::f64::consts::FRAC_PI_2));
    }
    // Nothing is free: over the ink, but legible.
    let at = Point2::new(own.low.x + 4.0, own.high.y - 8.0);
    let text = text(at, 0.0);
    let area = text_box(&text);
    let ground = super::drawing::Path::rectangle(area.low, area.high);
    Item::Group(
        format!("sheet label of {}", tile.label),
        vec![
            Item::Fill(1.0, ground.clone()),
            Item::Line(Ink::Furniture, ground),
            Item::Text(text),
        ],
    )
}
