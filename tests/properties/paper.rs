//! Sheets of any paper, put together again.

use std::collections::BTreeSet;

use flatten::{
    Point2,
    draft::Pattern,
    piece::{Style, draw},
    sheet::{Cover, Figure, Item, Orientation, Path, Placement, Segment, SheetOptions, sheets},
};
use proptest::{prelude::*, test_runner::TestCaseError};

/// Paper that a shop might have, and how it joins it.
pub(crate) fn paper() -> impl Strategy<Value = SheetOptions> {
    let paper = prop_oneof![
        Just("letter".to_owned()),
        Just("a4".to_owned()),
        Just("a3".to_owned()),
        Just("roll:610".to_owned()),
        (180_u32..500, 220_u32..600).prop_map(|(wide, high)| format!("{wide}x{high}")),
    ];
    let orientation = prop::sample::select(vec![
        Orientation::Portrait,
        Orientation::Landscape,
        Orientation::Fewest,
    ]);
    (
        paper,
        orientation,
        0.0..18.0_f64,
        8.0..30.0_f64,
        any::<bool>(),
    )
        .prop_map(
            |(paper, orientation, margin_mm, overlap_mm, turn_pieces)| SheetOptions {
                paper: paper.parse().unwrap(),
                orientation,
                margin_mm,
                overlap_mm,
                turn_pieces,
                ..SheetOptions::default()
            },
        )
}

/// Points along a path, half a millimetre apart and less, the same for every copy of it.
fn samples(path: &Path, out: &mut Vec<Point2>) {
    const STEP_MM: f64 = 0.5;
    let (mut first, mut last) = (Point2::origin(), Point2::origin());
    for segment in &path.segments {
        let [a, b, c] = match *segment {
            Segment::Move(p) => {
                (first, last) = (p, p);
                continue;
            }
            Segment::Line(p) => [last, p, p],
            Segment::Close => [last, first, first],
            Segment::Cubic(a, b, c) => [a, b, c],
        };
        let cubic = matches!(segment, Segment::Cubic(..));
        let long = (a - last).norm() + (b - a).norm() + (c - b).norm();
        // The same number for a copy whose length differs by a rounding.
        let steps = ((long / STEP_MM - 1e-6).floor() + 1.0).clamp(1.0, 4000.0);
        let mut step = 0.0;
        while step <= steps {
            let (t, s) = (step / steps, 1.0 - step / steps);
            out.push(if cubic {
                let sum = last.coords * (s * s * s)
                    + a.coords * (3.0 * s * s * t)
                    + b.coords * (3.0 * s * t * t)
                    + c.coords * (t * t * t);
                Point2::from(sum)
            } else {
                last + (b - last) * t
            });
            step += 1.0;
        }
        last = c;
    }
}

fn lines(items: &[Item], out: &mut Vec<Point2>) {
    for item in items {
        match item {
            Item::Line(_, path) => samples(path, out),
            Item::Group(_, inner) => lines(inner, out),
            _ => {}
        }
    }
}

/// Points that can be asked whether one of them is near another.
struct Cloud(BTreeSet<[i64; 2]>);

impl Cloud {
    const CELL_MM: f64 = 0.01;

    fn cell(p: Point2) -> [i64; 2] {
        [p.x, p.y].map(|c| (c / Self::CELL_MM).round() as i64)
    }

    fn of(points: impl Iterator<Item = Point2>) -> Self {
        Self(points.map(Self::cell).collect())
    }

    fn holds(&self, p: Point2) -> bool {
        let [x, y] = Self::cell(p);
        (-1..=1).any(|i| (-1..=1).any(|k| self.0.contains(&[x + i, y + k])))
    }
}

/// Trimmed and put side by side, the sheets show every line of every piece once, where it belongs, and
/// no line that is on no piece.
pub(crate) fn put_together(pattern: &Pattern, options: &SheetOptions) -> Result<(), TestCaseError> {
    let figures: Vec<Figure> = pattern
        .pieces
        .iter()
        .map(|piece| Figure {
            name: piece.id.clone(),
            drawing: draw(piece, &Style::default()),
        })
        .collect();
    let set = sheets(&figures, &Cover::default(), options)
        .map_err(|why| TestCaseError::fail(why.to_string()))?;
    let tiling = &set.tiling;
    let mut drawn = Vec::new();
    for laid in &tiling.laid {
        let mut points = Vec::new();
        lines(&figures[laid.figure].drawing.items, &mut points);
        drawn.extend(points.into_iter().map(|p| laid.placement.point(p)));
    }
    prop_assert!(drawn.len() > 100);
    // What each sheet shows between its trim lines, on the table.
    let mut shown = Vec::new();
    for (tile, sheet) in tiling.tiles.iter().zip(&set.sheets[set.cover_pages..]) {
        let to_page = Placement {
            quarters: 0,
            scale: tiling.scale.into(),
            shift: nalgebra::Vector2::repeat(options.margin_mm)
                - nalgebra::Vector2::from(tiling.scale).component_mul(&tile.window.low.coords),
        };
        let [(low, high, items)] = &sheet
            .drawing
            .items
            .iter()
            .filter_map(|item| match item {
                Item::Window(low, high, items) => Some((low, high, items)),
                _ => None,
            })
            .collect::<Vec<_>>()[..]
        else {
            return Err(TestCaseError::fail("a sheet has one window"));
        };
        // The window is what the sheet says it is, and lies on the page.
        prop_assert!((to_page.point(tile.window.low) - **low).norm() < 1e-6);
        prop_assert!((to_page.point(tile.window.high) - **high).norm() < 1e-6);
        let room = options.margin_mm - 1e-6;
        let page = [sheet.drawing.width_mm, sheet.drawing.height_mm];
        prop_assert!(low.x >= room && high.x <= page[0] - room);
        prop_assert!(low.y >= room && high.y <= page[1] - room);
        let mut points = Vec::new();
        lines(items, &mut points);
        let back = points.into_iter().map(|p| to_page.point_back(p));
        shown.push(Cloud::of(back.filter(|p| tile.own.grown(0.1).holds(*p))));
    }
    let whole = Cloud::of(drawn.iter().copied());
    for p in &drawn {
        let mut on = Vec::new();
        for (k, (tile, cloud)) in tiling.tiles.iter().zip(&shown).enumerate() {
            if tile.own.holds(*p) {
                prop_assert!(cloud.holds(*p), "{p} is not drawn on sheet {}", tile.label);
                on.push(k);
            }
        }
        prop_assert!(!on.is_empty(), "{p} is on no sheet");
        // Sheets that meet at a corner only are not trimmed against each other, and show it twice.
        let inside = |k: &&usize| tiling.tiles[**k].own.grown(-1e-6).holds(*p);
        let owners: Vec<&usize> = on.iter().filter(inside).collect();
        for (i, a) in owners.iter().enumerate() {
            for b in &owners[..i] {
                let (a, b) = (&tiling.tiles[**a], &tiling.tiles[**b]);
                prop_assert!(
                    a.row != b.row && a.column != b.column,
                    "{p} is on {} and on {}",
                    a.label,
                    b.label
                );
            }
        }
    }
    for (tile, cloud) in tiling.tiles.iter().zip(&shown) {
        let strange = cloud.0.iter().find(|&&[x, y]| {
            let at = |c: i64| c as f64 * Cloud::CELL_MM;
            !whole.holds(Point2::new(at(x), at(y)))
        });
        prop_assert!(
            strange.is_none(),
            "sheet {} shows a line of no piece at {strange:?}",
            tile.label
        );
    }
    Ok(())
}
