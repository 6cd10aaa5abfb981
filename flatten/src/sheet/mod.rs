//! Pages at true scale.
//!
//! Pieces come as [`Drawing`]s in millimetres. [`tile`] lays them on a table and finds the fewest sheets;
//! [`sheets`] draws every page: cover, numbers, cautions, then the sheets with trim lines, match marks,
//! labels and a scale square. Writers turn each page into a file format and add nothing.
//!
//! ```
//! use flatten::{Point2, sheet::{Cover, Drawing, Figure, Ink, Item, Path, SheetOptions, sheets}};
//!
//! let outline = Path::circle(Point2::new(150.0, 150.0), 150.0);
//! let drawing = Drawing { width_mm: 300.0, height_mm: 300.0, items: vec![Item::Line(Ink::Cut, outline)] };
//! let figures = [Figure { name: "Piece A".into(), drawing }];
//! let set = sheets(&figures, &Cover::default(), &SheetOptions::default())?;
//! assert_eq!(set.tiling.tiles.len(), 4);
//! assert_eq!(set.sheets.len(), set.cover_pages + 4);
//! # Ok::<(), flatten::sheet::SheetError>(())
//! ```

use crate::Point2;

mod bounds;
mod cover;
mod drawing;
mod furniture;
mod grid;
mod ink;
mod metrics;
mod page;
mod paper;
mod room;
mod shift;
mod tile;

pub use bounds::Bounds;
pub use cover::{Cover, Section};
pub use drawing::{Align, Drawing, Ink, Item, Path, Placement, Segment, Stroke, Text};
pub use furniture::{INCH_LINE_MM, SQUARE_MM};
pub use ink::hatch;
pub use metrics::{printable, shorten_text, text_width_mm, win_ansi, wrap_text};
pub use paper::{Orientation, Paper, SheetOptions};
pub use tile::{Figure, Laid, Side, Tile, Tiling, side_by_side, tile};

/// Why a pattern cannot be put on paper.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SheetError {
    /// Not the name of a paper.
    #[error(
        "paper {found:?} is unknown: give letter, legal, tabloid, A4, A3, a size such as 300x400 (mm), or roll:610"
    )]
    Paper {
        /// What was given.
        found: String,
    },
    /// The printer's square is too far off.
    #[error(
        "the square measured {mm} mm along the paper's {axis} edge instead of 100: that is a page fitted to the paper, not a printer's error (90 to 110 can be corrected); print at 100 % first"
    )]
    Measured {
        /// `short` or `long`.
        axis: &'static str,
        /// As given.
        mm: f64,
    },
    /// Overlap out of range.
    #[error("an overlap of {mm} mm cannot be joined: give 8 to 40 mm")]
    Overlap {
        /// As given.
        mm: f64,
    },
    /// Margin out of range.
    #[error("a margin of {mm} mm is out of range: give 0 to 50 mm")]
    Margin {
        /// As given.
        mm: f64,
    },
    /// The paper leaves too little room inside the margins.
    #[error(
        "the paper leaves {width_mm:.0} x {height_mm:.0} mm inside its margins, and the scale square needs 125 x 160 (and a page may not be longer than 5080 mm): take larger paper or smaller margins"
    )]
    Room {
        /// Across.
        width_mm: f64,
        /// Up.
        height_mm: f64,
    },
    /// Nothing is drawn.
    #[error("{piece} has nothing to print")]
    Nothing {
        /// Which.
        piece: String,
    },
    /// A coordinate that is not a number: a defect of the stage that drew it.
    #[error("{piece} has a coordinate that is not a finite number")]
    NotFinite {
        /// Which.
        piece: String,
    },
    /// Too large for paper.
    #[error(
        "{piece} is {width_mm:.0} x {height_mm:.0} mm and would need more than 400 sheets: check the scan's unit"
    )]
    TooLarge {
        /// Which.
        piece: String,
        /// Across.
        width_mm: f64,
        /// Up.
        height_mm: f64,
    },
}

/// One page.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// For the reader's list of pages: `Sheet B2 (5 of 6): Piece A`.
    pub name: String,
    /// The page, true scale, the printer's correction included.
    pub drawing: Drawing,
}

/// All pages of a pattern.
#[derive(Debug, Clone, PartialEq)]
pub struct SheetSet {
    /// Covers first, then the sheets in reading order.
    pub sheets: Vec<Sheet>,
    /// How many of them are covers.
    pub cover_pages: usize,
    /// Where everything lies.
    pub tiling: Tiling,
}

/// Draws every page of a pattern.
///
/// # Errors
/// Those of [`tile`].
pub fn sheets(
    figures: &[Figure],
    cover: &Cover,
    options: &SheetOptions,
) -> Result<SheetSet, SheetError> {
    let (banner, strip_mm) = banner(cover);
    let tiling = tile(figures, options, strip_mm)?;
    Ok(pages(figures, tiling, cover, options, banner, strip_mm))
}

/// Draws every page of a pattern whose words go where the sheets have room for them: see [`tile_redrawn`].
///
/// # Errors
/// Those of [`tile`].
pub fn sheets_redrawn(
    figures: &[Figure],
    cover: &Cover,
    options: &SheetOptions,
    redraw: impl Fn(usize, &[[Point2; 2]]) -> Drawing,
) -> Result<SheetSet, SheetError> {
    let (banner, strip_mm) = banner(cover);
    let (figures, tiling) = tile_redrawn(figures, options, strip_mm, redraw)?;
    Ok(pages(&figures, tiling, cover, options, banner, strip_mm))
}

/// Lays pieces on the fewest sheets that show their lines, and draws them once more when the sheets are
/// known: `redraw` gets a figure's index and the box of every trimmed sheet in its own axes, and keeps
/// each word in one of them. Where words would need a further sheet all the same, the sheets are those of
/// the drawing as it came, words and all.
///
/// # Errors
/// Those of [`tile`].
pub fn tile_redrawn(
    figures: &[Figure],
    options: &SheetOptions,
    strip_mm: f64,
    redraw: impl Fn(usize, &[[Point2; 2]]) -> Drawing,
) -> Result<(Vec<Figure>, Tiling), SheetError> {
    let bare: Vec<Figure> = figures
        .iter()
        .map(|figure| Figure {
            drawing: figure.drawing.without_words(),
            ..figure.clone()
        })
        .collect();
    let redrawn = |tiling: &Tiling, laid: &Laid| {
        let drawing = redraw(laid.figure, &page::sheets_across(tiling, laid));
        let shown = ink::ink_points(&drawing.items, 1.0).iter().all(|p| {
            let p = laid.placement.point(*p);
            tiling.tiles.iter().any(|tile| tile.window.holds(p))
        });
        shown.then_some(drawing)
    };
    let tiling = tile(&bare, options, strip_mm)?;
    let drawings: Option<Vec<Drawing>> = tiling
        .laid
        .iter()
        .map(|laid| redrawn(&tiling, laid))
        .collect();
    let mut figures = figures.to_vec();
    if let Some(drawings) = drawings {
        for (laid, drawing) in tiling.laid.iter().zip(drawings) {
            figures[laid.figure].drawing = drawing;
        }
        return Ok((figures, tiling));
    }
    let tiling = tile(&figures, options, strip_mm)?;
    for laid in &tiling.laid {
        if let Some(drawing) = redrawn(&tiling, laid) {
            figures[laid.figure].drawing = drawing;
        }
    }
    Ok((figures, tiling))
}

/// Words across the top of every sheet, and the room they take, mm.
fn banner(cover: &Cover) -> (Option<&str>, f64) {
    let words = cover.banner.as_deref().filter(|w| !w.trim().is_empty());
    let strip_mm = words.map_or(0.0, |_| furniture::BANNER_MM);
    (words, strip_mm)
}

fn pages(
    figures: &[Figure],
    tiling: Tiling,
    cover: &Cover,
    options: &SheetOptions,
    banner: Option<&str>,
    strip_mm: f64,
) -> SheetSet {
    let common = page::Common {
        client: &cover.client,
        banner,
        strip_mm,
    };
    let table = page::Table::new(figures, &tiling);
    let mut sheets = cover::cover(cover, figures, &tiling, &table, &common, options);
    let cover_pages = sheets.len();
    let mut inch_line_wanted = true;
    for index in 0..tiling.tiles.len() {
        sheets.push(page::page(
            index,
            &tiling,
            figures,
            &table,
            &common,
            &mut inch_line_wanted,
        ));
    }
    SheetSet {
        sheets,
        cover_pages,
        tiling,
    }
}
