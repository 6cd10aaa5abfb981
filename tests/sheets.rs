//! Sheets: every line of a pattern is on some sheet at true scale, and the printed file says so.
//!
//! The pieces are invented. Outside facts: letter 215.9 x 279.4 mm (ANSI/ASME Y14.1, size A), A4
//! 210 x 297 mm (ISO 216), 72 units in an inch (ISO 32000-1, 8.3.2.3), 25.4 mm in an inch.

#![expect(clippy::unwrap_used, reason = "a test stops at the first surprise")]

use std::{
    fmt::Write as _,
    path::{Path as FilePath, PathBuf},
    process::Command,
};

use flatten::{
    Point2,
    sheet::{
        Bounds, Cover, Drawing, Figure, Ink, Item, Orientation, Paper, Path, Placement, Section,
        Segment, SheetOptions, SheetSet, Text, hatch, sheets, side_by_side, tile, tile_redrawn,
    },
};
use pattern_cli::write::{pdf::pdf, svg::svg};

/// An egg of 420 x 460 mm with two darts at its lower edge, invented.
fn egg() -> Figure {
    let at = |angle: f64, grow: f64| {
        let narrow = 1.0 - 0.12 * angle.sin();
        Point2::new(
            210.0 + (200.0 + grow) * narrow.min(1.0) * angle.cos() * 1.005,
            230.0 + (220.0 + grow) * angle.sin(),
        )
    };
    let outline = |grow: f64| {
        let mut points = Vec::new();
        for degree in 0..360_u32 {
            let angle = f64::from(degree).to_radians();
            points.push(at(angle, grow));
            if degree == 240 || degree == 300 {
                points.push(Point2::new(f64::from(degree) * 1.4 - 168.0, 95.0 - grow));
                points.push(at((f64::from(degree) + 4.0).to_radians(), grow));
            }
        }
        points
    };
    let line = |ink, points: &[Point2]| Item::Line(ink, Path::polygon(points));
    let text = |x: f64, y: f64, size: f64, words: &str| {
        Item::Text(Text {
            bold: true,
            align: flatten::sheet::Align::Middle,
            ..Text::new(Point2::new(x, y), size, words)
        })
    };
    let scar = Path::circle(Point2::new(300.0, 320.0), 20.0);
    let mut items = vec![
        line(Ink::Cut, &outline(10.0)),
        line(Ink::Sew, &outline(0.0)),
        Item::Line(
            Ink::Centre,
            Path::line(&[Point2::new(210.0, 15.0), Point2::new(210.0, 448.0)]),
        ),
        Item::Line(
            Ink::Grain,
            Path::line(&[Point2::new(120.0, 180.0), Point2::new(120.0, 330.0)]),
        ),
        Item::Line(Ink::Hatch, scar.clone()),
        text(210.0, 420.0, 9.0, "FRONT"),
        text(210.0, 40.0, 9.0, "NAPE"),
        text(60.0, 230.0, 9.0, "LEFT"),
        text(360.0, 230.0, 9.0, "RIGHT"),
        text(210.0, 250.0, 7.0, "Piece A of 1: cut 1, outside faces you"),
    ];
    items.extend(
        hatch(&scar, 4.0, 0.785)
            .into_iter()
            .map(|path| Item::Line(Ink::Hatch, path)),
    );
    Figure {
        name: "Piece A".into(),
        drawing: Drawing {
            width_mm: 420.0,
            height_mm: 460.0,
            items,
        },
    }
}

/// A plain panel.
fn panel(name: &str, width: f64, height: f64) -> Figure {
    let path = Path::rectangle(Point2::new(0.0, 0.0), Point2::new(width, height));
    Figure {
        name: name.into(),
        drawing: Drawing {
            width_mm: width,
            height_mm: height,
            items: vec![Item::Line(Ink::Cut, path)],
        },
    }
}

fn cover() -> Cover {
    let row = |label: &str, value: &str| vec![label.to_owned(), value.to_owned()];
    Cover {
        title: "Base pattern".into(),
        client: "0042".into(),
        about: vec!["Invented example: an egg with two darts.".into()],
        sections: vec![
            Section {
                heading: "Numbers".into(),
                rows: vec![
                    row("Perimeter, finished", "1282.4 mm (50 1/2 in)"),
                    row("Front to nape over the sewn base", "361 mm (14 1/4 in)"),
                    row("Take-up of all darts", "27.3 mm"),
                    row("Length of darts and seams to sew", "184 mm"),
                ],
                ..Section::default()
            },
            Section {
                heading: "Material".into(),
                rows: vec![row("Light lace", "one piece, 440 x 480 mm, grain from front to nape")],
                ..Section::default()
            },
        ],
        cautions: vec![
            "Not a medical device and not medical advice; the specialist and the client's clinician decide.".into(),
            "Make a trial in paper or net before good material is cut.".into(),
            "Try adhesives and tapes on a small patch of skin for a day or two before the first wear.".into(),
            "No seam, dart lap, clip or comb over scars, recent surgery, implants or tender skin.".into(),
        ],
        banner: None,
    }
}

fn on(paper: Paper) -> SheetOptions {
    SheetOptions {
        paper,
        ..SheetOptions::default()
    }
}

fn make(figures: &[Figure], options: &SheetOptions) -> SheetSet {
    sheets(figures, &cover(), options).unwrap()
}

/// Points along straight polygons and curves, by hand: independent of the engine's own sampling.
fn samples(items: &[Item], to: &Placement, out: &mut Vec<Point2>) {
    for item in items {
        match item {
            Item::Line(_, path) => {
                let mut first = Point2::origin();
                let mut last = first;
                let mut walk = |a: Point2, b: Point2| {
                    let steps = ((b - a).norm() / 0.25).ceil().max(1.0);
                    let mut step = 0.0;
                    while step <= steps {
                        out.push(to.point(a + (b - a) * (step / steps)));
                        step += 1.0;
                    }
                };
                for segment in &path.segments {
                    match *segment {
                        Segment::Move(p) => (first, last) = (p, p),
                        Segment::Line(p) => {
                            walk(last, p);
                            last = p;
                        }
                        Segment::Cubic(a, b, c) => {
                            let mut from = last;
                            for step in 1..=64 {
                                let t = f64::from(step) / 64.0;
                                let s = 1.0 - t;
                                let p = last.coords * (s * s * s)
                                    + a.coords * (3.0 * s * s * t)
                                    + b.coords * (3.0 * s * t * t)
                                    + c.coords * (t * t * t);
                                walk(from, Point2::from(p));
                                from = Point2::from(p);
                            }
                            last = c;
                        }
                        Segment::Close => {
                            walk(last, first);
                            last = first;
                        }
                    }
                }
            }
            Item::Group(_, inner) => samples(inner, to, out),
            _ => {}
        }
    }
}

/// All ink is in what is left of some sheet after trimming, and every sheet has ink of its own.
fn check_cover(figures: &[Figure], set: &SheetSet) {
    let mut points = Vec::new();
    for laid in &set.tiling.laid {
        samples(
            &figures[laid.figure].drawing.items,
            &laid.placement,
            &mut points,
        );
    }
    assert!(!points.is_empty());
    let lost: Vec<_> = points
        .iter()
        .filter(|p| !set.tiling.tiles.iter().any(|tile| tile.own.holds(**p)))
        .collect();
    assert!(
        lost.is_empty(),
        "{} points are on no sheet: {:?}",
        lost.len(),
        lost[0]
    );
    for tile in &set.tiling.tiles {
        assert!(
            points.iter().any(|p| tile.own.holds(*p)),
            "sheet {} is empty",
            tile.label
        );
    }
    for sheet in &set.sheets {
        let page = Bounds {
            low: Point2::origin(),
            high: Point2::new(sheet.drawing.width_mm, sheet.drawing.height_mm),
        };
        // The default margin is 12 mm; half a stroke's width and a hair for rounding may reach into it.
        let inside = page.grown(-12.0 + 0.4);
        let ink = sheet.drawing.bounds();
        assert!(
            inside.holds(ink.low) && inside.holds(ink.high),
            "{} reaches into the margin: {ink:?}",
            sheet.name
        );
    }
}

#[test]
fn every_line_is_on_a_sheet_and_no_sheet_is_empty() {
    for paper in ["letter", "legal", "tabloid", "A4", "A3", "305x400"] {
        for overlap_mm in [8.0, 12.0, 25.0] {
            let options = SheetOptions {
                overlap_mm,
                ..on(paper.parse().unwrap())
            };
            let figures = [egg()];
            check_cover(&figures, &make(&figures, &options));
            let figures = [
                panel("Piece A", 300.0, 90.0),
                egg(),
                panel("Piece C", 60.0, 410.0),
            ];
            check_cover(&figures, &make(&figures, &options));
        }
    }
}

#[test]
fn sheet_counts_of_plain_panels_are_the_least_there_can_be() {
    let count = |figures: &[Figure], paper| make(figures, &on(paper)).tiling.tiles.len();
    // Letter leaves 191.9 x 255.4 mm inside 12 mm margins; each further sheet adds that less 12 mm.
    assert_eq!(count(&[panel("A", 190.0, 253.0)], Paper::Letter), 1);
    assert_eq!(count(&[panel("A", 253.0, 190.0)], Paper::Letter), 1);
    assert_eq!(count(&[panel("A", 196.0, 190.0)], Paper::Letter), 1);
    assert_eq!(count(&[panel("A", 370.0, 253.0)], Paper::Letter), 2);
    assert_eq!(count(&[panel("A", 370.0, 496.0)], Paper::Letter), 4);
    // Two small panels share a sheet, whichever way they are given.
    let small = [panel("A", 90.0, 200.0), panel("B", 200.0, 90.0)];
    assert_eq!(count(&small, Paper::Letter), 1);
    // The middle of a large frame has no ink and needs no sheet.
    let frame = make(&[panel("A", 700.0, 900.0)], &on(Paper::Letter));
    let full = frame.tiling.rows * frame.tiling.columns;
    assert!(frame.tiling.tiles.len() < full, "{full}");
}

#[test]
fn words_cost_no_sheet_where_the_lines_sheets_have_room() {
    let with_word = |at: Point2| {
        let mut figure = panel("A", 190.0, 253.0);
        figure
            .drawing
            .items
            .push(Item::Text(Text::new(at, 4.0, "left side 80 mm")));
        figure
    };
    let (far, near) = (Point2::new(240.0, 20.0), Point2::new(20.0, 20.0));
    let figures = [with_word(far)];
    let options = on(Paper::Letter);
    assert_eq!(tile(&figures, &options, 0.0).unwrap().tiles.len(), 2);
    let count = |at: Point2| {
        let redraw = |_: usize, boxes: &[[Point2; 2]]| {
            assert!(!boxes.is_empty());
            with_word(at).drawing
        };
        let (figures, tiling) = tile_redrawn(&figures, &options, 0.0, redraw).unwrap();
        assert!(
            words(&figures[0].drawing.items)
                .iter()
                .any(|w| w.contains("80 mm"))
        );
        tiling.tiles.len()
    };
    assert_eq!(count(near), 1);
    // A word that finds no room is not lost: it has its sheet.
    assert_eq!(count(far), 2);
}

#[test]
fn a_turned_piece_says_where_its_front_is() {
    let options = SheetOptions {
        orientation: Orientation::Portrait,
        ..SheetOptions::default()
    };
    let set = make(&[panel("A", 253.0, 190.0)], &options);
    assert_eq!(set.tiling.tiles.len(), 1);
    assert_eq!(set.tiling.laid[0].placement.quarters, 1);
    let words = words(&set.sheets[set.cover_pages].drawing.items);
    assert!(words.iter().any(|w| w.contains("FRONT")), "{words:?}");
    let kept = SheetOptions {
        turn_pieces: false,
        ..options
    };
    assert_eq!(
        make(&[panel("A", 253.0, 190.0)], &kept).tiling.tiles.len(),
        2
    );
}

fn words(items: &[Item]) -> Vec<String> {
    items
        .iter()
        .flat_map(|item| match item {
            Item::Text(text) => vec![text.text.clone()],
            Item::Group(_, inner) | Item::Window(_, _, inner) => words(inner),
            _ => Vec::new(),
        })
        .collect()
}

#[test]
fn neighbours_name_each_other_and_their_marks_meet() {
    let set = make(&[egg()], &on(Paper::Letter));
    for (index, tile) in set.tiling.tiles.iter().enumerate() {
        for (side, back) in [(0, 1), (1, 0), (2, 3), (3, 2)] {
            if let Some(other) = tile.neighbours[side] {
                assert_eq!(set.tiling.tiles[other].neighbours[back], Some(index));
                let words = words(&set.sheets[set.cover_pages + index].drawing.items);
                let wanted = format!("joins {}", set.tiling.tiles[other].label);
                assert!(words.contains(&wanted), "{}: {words:?}", tile.label);
            }
        }
    }
    // A mark's number stands on exactly the two sheets that meet there.
    let joins: usize = set
        .tiling
        .tiles
        .iter()
        .map(|tile| tile.neighbours[1].iter().count() + tile.neighbours[3].iter().count())
        .sum();
    for number in 1..=2 * joins {
        let name = number.to_string();
        let on = set.sheets[set.cover_pages..]
            .iter()
            .filter(|sheet| words(&sheet.drawing.items).contains(&name))
            .count();
        assert_eq!(on, 2, "mark {number}");
    }
}

/// Every text's box, with the text.
fn boxes(items: &[Item], out: &mut Vec<(String, Bounds)>) {
    for item in items {
        match item {
            Item::Text(text) => {
                out.push((text.text.clone(), Bounds::of(&text.corners()).grown(-0.3)));
            }
            Item::Group(_, inner) => boxes(inner, out),
            // Words of the pattern may run on across the sheet's edge, where they are cut off.
            Item::Window(low, high, inner) => {
                let window = Bounds::of(&[*low, *high]);
                let mut all = Vec::new();
                boxes(inner, &mut all);
                out.extend(
                    all.into_iter()
                        .map(|(words, b)| (words, b.meet(&window)))
                        .filter(|(_, b)| !b.is_empty()),
                );
            }
            _ => {}
        }
    }
}

#[test]
fn no_text_covers_another() {
    for (paper, banner) in [
        ("letter", None),
        ("A4", Some("NOT CONFIRMED")),
        ("roll:610", None),
    ] {
        let cover = Cover {
            banner: banner.map(str::to_owned),
            ..cover()
        };
        let set = sheets(&[egg()], &cover, &on(paper.parse().unwrap())).unwrap();
        for sheet in &set.sheets {
            let mut all = Vec::new();
            boxes(&sheet.drawing.items, &mut all);
            for (index, (a, a_box)) in all.iter().enumerate() {
                for (b, b_box) in &all[index + 1..] {
                    assert!(!a_box.touches(b_box), "{}: {a:?} covers {b:?}", sheet.name);
                }
            }
            if let Some(banner) = banner {
                assert!(
                    all.iter().any(|(words, _)| words == banner),
                    "{}",
                    sheet.name
                );
            }
        }
    }
}

#[test]
fn long_covers_go_on_to_further_pages() {
    let mut long = cover();
    long.cautions = vec![long.cautions.join(" "); 20];
    long.sections[0].rows = (0..60)
        .map(|n| {
            vec![
                format!("Length number {n} of a rather long list"),
                format!("{n} mm"),
            ]
        })
        .collect();
    let set = sheets(&[egg()], &long, &on(Paper::Letter)).unwrap();
    assert!(set.cover_pages > 3);
    check_cover(&[egg()], &set);
}

#[test]
fn a_shrinking_printer_is_corrected_inside_the_margins() {
    let options = SheetOptions {
        measured_mm: [98.6, 99.1],
        ..on(Paper::Letter)
    };
    let figures = [egg()];
    let set = make(&figures, &options);
    check_cover(&figures, &set);
    // The printed square, multiplied by what the printer does to it, is 100 mm again.
    let square = group_bounds(&set.sheets[0].drawing.items, "scale square").unwrap();
    assert!(
        (square.width_mm() * 0.986 - 100.0).abs() < 1e-9,
        "{square:?}"
    );
    assert!((square.height_mm() * 0.991 - 100.0).abs() < 1e-9);
    let lying = SheetOptions {
        orientation: Orientation::Landscape,
        ..options
    };
    let set = make(&figures, &lying);
    let sheet = set.sheets[set.cover_pages..]
        .iter()
        .find_map(|sheet| group_bounds(&sheet.drawing.items, "scale square"))
        .unwrap();
    // x belongs to the paper's short edge, which stands upright now.
    assert!((sheet.width_mm() * 0.991 - 100.0).abs() < 1e-9);
    assert!((sheet.height_mm() * 0.986 - 100.0).abs() < 1e-9);
}

fn group_bounds(items: &[Item], name: &str) -> Option<Bounds> {
    items.iter().find_map(|item| match item {
        Item::Group(own, inner) if own == name => Some(Bounds::of_items(inner)),
        Item::Group(_, inner) => group_bounds(inner, name),
        _ => None,
    })
}

#[test]
fn a_roll_is_one_long_page() {
    let figures = [egg(), panel("Piece B", 500.0, 200.0)];
    let set = make(&figures, &on(Paper::Roll { width_mm: 610.0 }));
    assert_eq!(set.tiling.tiles.len(), 1);
    check_cover(&figures, &set);
    let page = &set.sheets[set.cover_pages].drawing;
    assert!((page.width_mm - 610.0).abs() < 1e-9);
    assert!(
        page.height_mm > 640.0 && page.height_mm < 720.0,
        "{}",
        page.height_mm
    );
}

#[test]
fn what_cannot_be_printed_is_refused() {
    let empty = Figure {
        name: "Piece A".into(),
        drawing: Drawing::default(),
    };
    assert!(tile(&[empty], &SheetOptions::default(), 0.0).is_err());
    assert!(tile(&[], &SheetOptions::default(), 0.0).is_err());
    let huge = tile(&[panel("A", 4.0e5, 4.0e5)], &SheetOptions::default(), 0.0);
    assert!(huge.unwrap_err().to_string().contains("400 sheets"));
    let broken = tile(&[panel("A", f64::NAN, 5.0)], &SheetOptions::default(), 0.0);
    assert!(broken.is_err());
}

#[test]
fn the_same_sheets_give_the_same_bytes_and_a_reader_finds_them_in_order() {
    let set = make(&[egg()], &on(Paper::Letter));
    let first = pdf(&set.sheets, "Base pattern, client 0042").unwrap();
    let again = make(&[egg()], &on(Paper::Letter));
    assert_eq!(
        first,
        pdf(&again.sheets, "Base pattern, client 0042").unwrap()
    );
    assert!(first.starts_with(b"%PDF-1.7"));

    let document = lopdf::Document::load_mem(&first).unwrap();
    assert_eq!(document.get_pages().len(), set.sheets.len());
    assert!(document.trailer.get(b"ID").is_err());
    let catalog = document.catalog().unwrap();
    let viewer = catalog
        .get(b"ViewerPreferences")
        .unwrap()
        .as_dict()
        .unwrap();
    assert_eq!(
        viewer.get(b"PrintScaling").unwrap().as_name().unwrap(),
        b"None"
    );
    // 215.9 x 279.4 mm are 612 x 792 units exactly.
    for page in document.get_pages().into_values() {
        let media = document
            .get_dictionary(page)
            .unwrap()
            .get(b"MediaBox")
            .unwrap();
        let sides: Vec<f32> = media
            .as_array()
            .unwrap()
            .iter()
            .map(|v| v.as_float().unwrap())
            .collect();
        let mut long_and_short = [sides[2], sides[3]];
        long_and_short.sort_by(f32::total_cmp);
        assert!(
            (long_and_short[0] - 612.0).abs() < 1e-3 && (long_and_short[1] - 792.0).abs() < 1e-3
        );
    }
    // Bookmarks: walk the outline.
    let outlines = catalog.get(b"Outlines").unwrap().as_reference().unwrap();
    let outlines = document.get_dictionary(outlines).unwrap();
    let mut next = Some(outlines.get(b"First").unwrap().as_reference().unwrap());
    let mut names = Vec::new();
    while let Some(id) = next {
        let entry = document.get_dictionary(id).unwrap();
        let title = entry.get(b"Title").unwrap().as_str().unwrap();
        let units: Vec<u16> = title[2..]
            .chunks_exact(2)
            .map(|pair| u16::from_be_bytes([pair[0], pair[1]]))
            .collect();
        names.push(String::from_utf16(&units).unwrap());
        next = entry.get(b"Next").ok().and_then(|o| o.as_reference().ok());
    }
    let wanted: Vec<String> = set.sheets.iter().map(|sheet| sheet.name.clone()).collect();
    assert_eq!(names, wanted);
}

/// A straight or cubic step read back from a PDF, in units.
type Curve = [[f64; 2]; 4];

/// Every stroked or filled step inside the clipping window of a page.
fn read_window(document: &lopdf::Document, page: lopdf::ObjectId) -> Vec<Curve> {
    let content = document.get_and_decode_page_content(page).unwrap();
    let (mut clipped, mut steps) = (false, Vec::new());
    let (mut first, mut last) = ([0.0; 2], [0.0; 2]);
    for op in &content.operations {
        let v: Vec<f64> = op
            .operands
            .iter()
            .filter_map(|o| o.as_float().ok().map(f64::from))
            .collect();
        let mut line = |from: [f64; 2], to: [f64; 2]| {
            if clipped {
                steps.push([from, from, to, to]);
            }
        };
        match op.operator.as_str() {
            "q" | "Q" => clipped = false,
            "W" => clipped = true,
            "m" => (first, last) = ([v[0], v[1]], [v[0], v[1]]),
            "l" => {
                line(last, [v[0], v[1]]);
                last = [v[0], v[1]];
            }
            "c" => {
                if clipped {
                    steps.push([last, [v[0], v[1]], [v[2], v[3]], [v[4], v[5]]]);
                }
                last = [v[4], v[5]];
            }
            "h" => {
                line(last, first);
                last = first;
            }
            _ => {}
        }
    }
    steps
}

/// Every step of the drawing on the table, in mm.
fn table_steps(figures: &[Figure], set: &SheetSet) -> Vec<Curve> {
    fn collect(items: &[Item], to: &Placement, steps: &mut Vec<Curve>) {
        for item in items {
            match item {
                Item::Line(_, path) | Item::Fill(_, path) => {
                    let xy = |p: Point2| {
                        let p = to.point(p);
                        [p.x, p.y]
                    };
                    let (mut first, mut last) = ([0.0; 2], [0.0; 2]);
                    for segment in &path.segments {
                        match *segment {
                            Segment::Move(p) => (first, last) = (xy(p), xy(p)),
                            Segment::Line(p) => {
                                steps.push([last, last, xy(p), xy(p)]);
                                last = xy(p);
                            }
                            Segment::Cubic(a, b, c) => {
                                steps.push([last, xy(a), xy(b), xy(c)]);
                                last = xy(c);
                            }
                            Segment::Close => {
                                steps.push([last, last, first, first]);
                                last = first;
                            }
                        }
                    }
                }
                Item::Group(_, inner) => collect(inner, to, steps),
                _ => {}
            }
        }
    }
    let mut steps = Vec::new();
    for laid in &set.tiling.laid {
        let items = &figures[laid.figure].drawing.items;
        collect(items, &laid.placement, &mut steps);
    }
    steps
}

/// Puts the PDF's tiles back together: every step read from every sheet, moved to the table, must be a
/// step of the drawing. Gives the worst distance, mm.
fn put_together(figures: &[Figure], options: &SheetOptions) -> f64 {
    let set = make(figures, options);
    let bytes = pdf(&set.sheets, "proof").unwrap();
    let document = lopdf::Document::load_mem(&bytes).unwrap();
    let pages: Vec<_> = document.get_pages().into_values().collect();
    let truth = table_steps(figures, &set);
    let mut worst = 0.0_f64;
    let mut found = vec![false; truth.len()];
    for (tile, page) in set.tiling.tiles.iter().zip(&pages[set.cover_pages..]) {
        // From units on the page to mm on the table, by the documented margin and correction alone.
        let table = |[x, y]: [f64; 2]| {
            let across = [x, y].map(|unit| unit * 25.4 / 72.0 - options.margin_mm);
            [
                tile.window.low.x + across[0] / set.tiling.scale[0],
                tile.window.low.y + across[1] / set.tiling.scale[1],
            ]
        };
        for step in read_window(&document, *page) {
            let step = step.map(table);
            let far = |other: &Curve| {
                step.iter()
                    .zip(other)
                    .map(|(a, b)| (a[0] - b[0]).hypot(a[1] - b[1]))
                    .fold(0.0, f64::max)
            };
            let (nearest, distance) = truth
                .iter()
                .enumerate()
                .map(|(index, other)| (index, far(other)))
                .min_by(|a, b| a.1.total_cmp(&b.1))
                .unwrap();
            found[nearest] = true;
            worst = worst.max(distance);
        }
    }
    let missing = found.iter().filter(|found| !**found).count();
    assert_eq!(missing, 0, "steps of the drawing that are on no sheet");
    worst
}

#[test]
fn tiles_put_back_together_are_the_drawing() {
    for paper in [Paper::Letter, Paper::A4] {
        let plain = put_together(&[egg(), panel("Piece B", 250.0, 120.0)], &on(paper));
        let corrected = put_together(
            &[egg()],
            &SheetOptions {
                measured_mm: [98.6, 99.1],
                ..on(paper)
            },
        );
        println!("{paper}: worst deviation {plain:.6} mm, corrected {corrected:.6} mm");
        assert!(plain < 0.001 && corrected < 0.001, "{plain} {corrected}");
    }
}

#[test]
fn coordinates_a_metre_away_are_true() {
    let options = on(Paper::Roll { width_mm: 1100.0 });
    let worst = put_together(&[panel("A", 1050.0, 1500.0)], &options);
    assert!(worst < 0.001, "{worst} mm");
}

/// Where the proof pictures go: kept when `SHEETS_PROOF_DIR` names a folder, thrown away otherwise.
fn proof_dir() -> (Option<tempfile::TempDir>, PathBuf) {
    if let Some(dir) = std::env::var_os("SHEETS_PROOF_DIR") {
        let dir = PathBuf::from(dir);
        std::fs::create_dir_all(&dir).unwrap();
        return (None, dir);
    }
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().to_owned();
    (Some(dir), path)
}

fn has(program: &str) -> bool {
    Command::new(program).arg("-v").output().is_ok()
}

/// A page as a gray picture: width, height, one byte a pixel.
fn render(file: &FilePath, page: usize, dpi: u32) -> (usize, usize, Vec<u8>) {
    let root = file.with_extension(format!("p{page}"));
    let status = Command::new("pdftoppm")
        .args(["-gray", "-singlefile", "-r", &dpi.to_string()])
        .args(["-f", &page.to_string(), "-l", &page.to_string()])
        .arg(file)
        .arg(&root)
        .status()
        .unwrap();
    assert!(status.success());
    let mut picture = root.into_os_string();
    picture.push(".pgm");
    let bytes = std::fs::read(picture).unwrap();
    // P5, width, height, 255, then the pixels.
    let mut at = 0;
    let mut word = || {
        while bytes[at].is_ascii_whitespace() {
            at += 1;
        }
        let start = at;
        while !bytes[at].is_ascii_whitespace() {
            at += 1;
        }
        String::from_utf8(bytes[start..at].to_vec()).unwrap()
    };
    assert_eq!(word(), "P5");
    let width: usize = word().parse().unwrap();
    let height: usize = word().parse().unwrap();
    assert_eq!(word(), "255");
    (width, height, bytes[at + 1..].to_vec())
}

/// Middle of the dark band round a place along a line of pixels, in pixels.
fn band(darkness: &[f64], expected: f64, reach: f64) -> f64 {
    let (mut sum, mut moment) = (0.0, 0.0);
    for (index, dark) in darkness.iter().enumerate() {
        let centre = index as f64 + 0.5;
        if (centre - expected).abs() <= reach {
            sum += dark;
            moment += dark * centre;
        }
    }
    assert!(sum > 0.0, "no line at {expected} pixels");
    moment / sum
}

#[test]
fn the_rendered_square_and_piece_measure_true() {
    if !has("pdftoppm") {
        println!("skipped: pdftoppm (poppler) is not installed; the outside checks run it");
        return;
    }
    const DPI: u32 = 300;
    let (_keep, dir) = proof_dir();
    // A panel that fits on one sheet, so that its width can be measured on a rendered page.
    let figures = [panel("Piece A", 187.3, 120.0)];
    let set = make(&figures, &on(Paper::Letter));
    assert_eq!(set.tiling.tiles.len(), 1);
    let file = dir.join("measure.pdf");
    std::fs::write(&file, pdf(&set.sheets, "measure").unwrap()).unwrap();
    let per_mm = f64::from(DPI) / 25.4;
    let measure = |page: usize, shape: Bounds| {
        let (width, height, pixels) = render(&file, page + 1, DPI);
        let page_height = set.sheets[page].drawing.height_mm;
        let dark = |x: usize, y: usize| 1.0 - f64::from(pixels[y * width + x]) / 255.0;
        // Between ticks and words: a fifth of the way along.
        let y = (page_height - shape.low.y - 0.235 * shape.height_mm()) * per_mm;
        let x = (shape.low.x + 0.235 * shape.width_mm()) * per_mm;
        let row: Vec<f64> = (0..width).map(|i| dark(i, y as usize)).collect();
        let column: Vec<f64> = (0..height).map(|i| dark(x as usize, i)).collect();
        let reach = 1.0 * per_mm;
        let across =
            band(&row, shape.high.x * per_mm, reach) - band(&row, shape.low.x * per_mm, reach);
        let up = band(&column, (page_height - shape.low.y) * per_mm, reach)
            - band(&column, (page_height - shape.high.y) * per_mm, reach);
        [across / per_mm, up / per_mm]
    };
    let square = group_bounds(&set.sheets[0].drawing.items, "scale square").unwrap();
    let [across, up] = measure(0, square);
    println!("square measured {across:.3} x {up:.3} mm");
    assert!((across - 100.0).abs() < 0.1 && (up - 100.0).abs() < 0.1);
    let tile = &set.tiling.tiles[0];
    let laid = set.tiling.laid[0].placement;
    let corner = |p: Point2| {
        let table = laid.point(p) - tile.window.low;
        Point2::new(table.x + 12.0, table.y + 12.0)
    };
    let shape = Bounds::of(&[
        corner(Point2::new(0.0, 0.0)),
        corner(Point2::new(187.3, 120.0)),
    ]);
    let [across, up] = measure(set.cover_pages, shape);
    println!("piece measured {across:.3} x {up:.3} mm");
    assert!((across - 187.3).abs() < 0.1 && (up - 120.0).abs() < 0.1);
}

#[test]
fn an_outside_checker_finds_no_fault() {
    if !has("qpdf") {
        println!("skipped: qpdf is not installed; the outside checks run it");
        return;
    }
    let (_keep, dir) = proof_dir();
    let several = [
        egg(),
        panel("Piece B", 230.0, 120.0),
        panel("Piece C", 60.0, 300.0),
    ];
    let marked = Cover {
        banner: Some("NOT CONFIRMED: MOLD AND TAPE DISAGREE".into()),
        ..cover()
    };
    for (name, paper, figures, cover) in [
        ("letter", "letter", &several[..1], cover()),
        ("A4", "A4", &several[..1], cover()),
        ("three-A4", "A4", &several[..], marked),
        ("roll", "roll:610", &several[..], cover()),
        ("small", "A3", &several[1..], cover()),
    ] {
        let start = std::time::Instant::now();
        let set = sheets(figures, &cover, &on(paper.parse().unwrap())).unwrap();
        let drawn = start.elapsed();
        let file = dir.join(format!("{name}.pdf"));
        std::fs::write(&file, pdf(&set.sheets, "Base pattern").unwrap()).unwrap();
        println!(
            "{name}: {} sheets and {} cover pages; drawn in {drawn:.0?}, written after {:.0?}",
            set.tiling.tiles.len(),
            set.cover_pages,
            start.elapsed()
        );
        let result = Command::new("qpdf")
            .arg("--check")
            .arg(&file)
            .output()
            .unwrap();
        let mut said = String::from_utf8_lossy(&result.stdout).into_owned();
        let _ = write!(said, "{}", String::from_utf8_lossy(&result.stderr));
        assert!(
            result.status.success() && !said.contains("WARNING"),
            "{said}"
        );
    }
    let (table, _) = side_by_side(&several);
    std::fs::write(dir.join("pattern.svg"), svg(&table, "Base pattern")).unwrap();
}
