//! Pieces laid on a table and the sheets that show them.
//!
//! In: drawings of pieces. Out: where each lies, and the fewest sheets that show all their ink. Tried are
//! both ways round of the paper, pieces turned by a quarter, pieces in a row, in a column, on shelves of
//! one to six sheets' width or each on a grid of its own; under each of these every shift of the grid by
//! half millimetres ([`super::shift`]). For a lone piece that is all there is to try, so its count is the
//! least; several are not interlocked. Deterministic.

use super::{
    SheetError, SheetOptions,
    bounds::Bounds,
    drawing::{Drawing, Item, Placement},
    grid::{Cell, Grid},
    ink::{ink_points, thinned},
    paper::Stock,
    shift::{Shift, every_shift},
};
use crate::{Point2, Vector2};

/// A piece as it comes to be printed.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// Printed on its sheets: `A`, `front`.
    pub name: String,
    /// What is drawn, any origin.
    pub drawing: Drawing,
}

/// Where a piece lies on the table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Laid {
    /// Index of the figure.
    pub figure: usize,
    /// From the figure's own axes to the table's.
    pub placement: Placement,
}

/// A sheet's neighbour across one of its edges.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// To the left.
    Left,
    /// To the right.
    Right,
    /// Below.
    Below,
    /// Above.
    Above,
}

impl Side {
    /// All four.
    pub const ALL: [Self; 4] = [Self::Left, Self::Right, Self::Below, Self::Above];
}

/// One sheet of a tiling.
#[derive(Debug, Clone, PartialEq)]
pub struct Tile {
    /// Row letter from the top and column number from the left: `B3`.
    pub label: String,
    /// Row from the top, from 0.
    pub row: usize,
    /// Column from the left, from 0.
    pub column: usize,
    /// What it shows, on the table, mm.
    pub window: Bounds,
    /// What is left of it when it is trimmed at its joins, on the table, mm.
    pub own: Bounds,
    /// Tile across each edge, in the order of [`Side::ALL`].
    pub neighbours: [Option<usize>; 4],
    /// Indices of the figures that have ink on it.
    pub figures: Vec<usize>,
}

/// Sheets over a table of pieces.
#[derive(Debug, Clone, PartialEq)]
pub struct Tiling {
    /// Page, mm, the way round it is used.
    pub page_mm: [f64; 2],
    /// Long edge across.
    pub landscape: bool,
    /// Drawn millimetres for a true one, across and up the page.
    pub scale: [f64; 2],
    /// Pieces on the table.
    pub laid: Vec<Laid>,
    /// Sheets in reading order: rows from the top, each from the left.
    pub tiles: Vec<Tile>,
    /// Rows that have a sheet.
    pub rows: usize,
    /// Columns that have a sheet.
    pub columns: usize,
    pub(super) stock: Stock,
}

/// Free room between pieces, mm: two allowances can still be told apart.
const GAP_MM: f64 = 8.0;
/// Ink is sampled this finely for the final count, mm; with the raster below, well inside the least flap.
const FINE_MM: f64 = 1.0;
/// Raster of the final count, mm.
const FINE_RASTER_MM: f64 = 0.7;
/// Steps in which the grid is shifted under a lone piece and under several, for which there are many
/// arrangements to try as well, mm.
const SHIFT_MM: [f64; 2] = [0.5, 2.0];
/// Pieces beyond this many are turned all together or not at all.
const TURNED_APART: usize = 3;
/// Shifts of one arrangement that are counted exactly, at most: a bound on the work where strips of
/// overlap hold so much that no shift reaches its own lower bound.
const MOST_COUNTED: usize = 400;
/// No pattern needs more; a drawing of kilometres is refused instead of filling the memory.
const MOST_SHEETS: f64 = 400.0;

/// A figure's ink, in its own axes.
struct Inked {
    points: Vec<Point2>,
    bounds: Bounds,
}

impl Inked {
    fn new(figure: &Figure) -> Self {
        let points = thinned(&ink_points(&figure.drawing.items, FINE_MM), FINE_RASTER_MM);
        let bounds = Bounds::of(&points);
        Self { points, bounds }
    }

    /// Puts the lower left of the turned ink at a point.
    fn placed_at(&self, quarters: u8, at: Point2) -> Placement {
        let turn = Placement {
            quarters,
            ..Placement::IDENTITY
        };
        let turned = Bounds::of(&[turn.point(self.bounds.low), turn.point(self.bounds.high)]);
        Placement {
            shift: at - turned.low,
            ..turn
        }
    }

    fn size(&self, quarters: u8) -> Vector2 {
        let size = self.bounds.high - self.bounds.low;
        if quarters.is_multiple_of(2) {
            size
        } else {
            size.yx()
        }
    }
}

/// One way to do it.
struct Trial {
    stock: Stock,
    grid: Grid,
    placements: Vec<Placement>,
    cells: Vec<Cell>,
    rank: Rank,
}

/// Better is less: sheets, length of roll in whole mm, paper and pieces turned, ink on joins, order of trying.
type Rank = (usize, u64, usize, u32, usize);

/// The best of what was tried so far.
#[derive(Default)]
struct Search {
    best: Option<Trial>,
    tried: usize,
}

/// Lays pieces on a table and finds the fewest sheets that show them.
///
/// `strip_mm` is kept free at the top of every sheet (for a banner).
///
/// # Errors
/// [`SheetError::Nothing`] without ink, [`SheetError::TooLarge`] when a drawing cannot be meant for paper,
/// and the options' own errors.
pub fn tile(
    figures: &[Figure],
    options: &SheetOptions,
    strip_mm: f64,
) -> Result<Tiling, SheetError> {
    options.check()?;
    for figure in figures {
        check_size(figure, options)?;
    }
    let inked: Vec<Inked> = figures.iter().map(Inked::new).collect();
    if inked.is_empty() {
        return Err(SheetError::Nothing {
            piece: "the pattern".to_owned(),
        });
    }
    let mut search = Search::default();
    let step_mm = SHIFT_MM[usize::from(inked.len() > 1)];
    for stock in options.stocks() {
        let grid = Grid::new(&stock, strip_mm, options.overlap_mm);
        for quarters in turns(inked.len(), options) {
            for placements in arrangements(&inked, &quarters, &grid, options) {
                search.take(&inked, stock, grid, &placements, step_mm);
            }
        }
        if inked.len() > 1 && !stock.roll {
            let apart = each_on_its_own(&inked, stock, grid, options.turn_pieces);
            search.count(&inked, stock, &[at_rest(&grid)], &grid, &apart);
        }
    }
    let Some(best) = search.best else {
        return Err(SheetError::Nothing {
            piece: "the pattern".to_owned(),
        });
    };
    Ok(finish(&inked, &best))
}

/// Refuses what has no ink or no size fit for paper, before any of it is sampled.
fn check_size(figure: &Figure, options: &SheetOptions) -> Result<(), SheetError> {
    let bounds = figure.drawing.bounds();
    if !figure.drawing.items.iter().all(Item::is_finite) {
        return Err(SheetError::NotFinite {
            piece: figure.name.clone(),
        });
    }
    if bounds.is_empty() {
        return Err(SheetError::Nothing {
            piece: figure.name.clone(),
        });
    }
    let [w, h] = Stock::new(options, false).room_mm();
    let (width_mm, height_mm) = (bounds.width_mm(), bounds.height_mm());
    let sheets = (width_mm / w).ceil().max(1.0) * (height_mm / h).ceil().max(1.0);
    if sheets > MOST_SHEETS {
        return Err(SheetError::TooLarge {
            piece: figure.name.clone(),
            width_mm,
            height_mm,
        });
    }
    Ok(())
}

/// Quarter turns to try, for every figure.
fn turns(count: usize, options: &SheetOptions) -> Vec<Vec<u8>> {
    let upright = vec![0; count];
    // A lone piece turned is the same as the paper turned, and reads better unturned.
    let both_ways_tried = options.stocks().len() > 1;
    if !options.turn_pieces || (count == 1 && both_ways_tried) {
        return vec![upright];
    }
    if count > TURNED_APART {
        return vec![upright, vec![1; count]];
    }
    (0..1_u32 << count)
        .map(|bits| (0..count).map(|i| u8::from(bits >> i & 1 == 1)).collect())
        .collect()
}

/// Ways to lay the pieces beside each other, lower left at the origin.
fn arrangements(
    inked: &[Inked],
    quarters: &[u8],
    grid: &Grid,
    options: &SheetOptions,
) -> Vec<Vec<Placement>> {
    let total: f64 = inked
        .iter()
        .zip(quarters)
        .map(|(ink, q)| ink.size(*q).x + GAP_MM)
        .sum();
    let mut widths = vec![total, 0.0];
    if inked.len() > 1 {
        let steps = if options.paper.is_roll() { 1 } else { 6 };
        for sheets in 1..=steps {
            widths.push(grid.step.x * f64::from(sheets) + 2.0 * grid.flap);
        }
    }
    let mut all: Vec<Vec<Placement>> = Vec::new();
    for width in widths {
        let placements = shelves(inked, quarters, width);
        if !all.contains(&placements) {
            all.push(placements);
        }
    }
    all
}

/// Pieces in order, left to right, a new shelf above whenever the width is used up.
fn shelves(inked: &[Inked], quarters: &[u8], width: f64) -> Vec<Placement> {
    let (mut x, mut y, mut tallest) = (0.0_f64, 0.0, 0.0_f64);
    inked
        .iter()
        .zip(quarters)
        .map(|(ink, &q)| {
            let size = ink.size(q);
            if x > 0.0 && x + size.x > width {
                (x, y, tallest) = (0.0, y + tallest + GAP_MM, 0.0);
            }
            let placement = ink.placed_at(q, Point2::new(x, y));
            x += size.x + GAP_MM;
            tallest = tallest.max(size.y);
            placement
        })
        .collect()
}

/// Every piece on the grid shift that suits it alone, a free column between two pieces.
fn each_on_its_own(inked: &[Inked], stock: Stock, grid: Grid, turn: bool) -> Vec<Placement> {
    let mut column = 0_i64;
    inked
        .iter()
        .map(|ink| {
            let alone = std::slice::from_ref(ink);
            let mut search = Search::default();
            for quarters in 0..=u8::from(turn) {
                let placement = ink.placed_at(quarters, Point2::origin());
                search.take(alone, stock, grid, &[placement], SHIFT_MM[0]);
            }
            let Some(best) = search.best else {
                return ink.placed_at(0, Point2::origin());
            };
            let left = best.cells.iter().map(|c| c.0).min().unwrap_or(0);
            let right = best.cells.iter().map(|c| c.0).max().unwrap_or(0);
            #[expect(clippy::cast_precision_loss, reason = "small whole numbers")]
            let along = grid.step.x * (column - left) as f64;
            column += right - left + 2;
            let on_grid = best.placements[0];
            Placement {
                shift: on_grid.shift - (best.grid.origin - grid.origin) + Vector2::new(along, 0.0),
                ..on_grid
            }
        })
        .collect()
}

/// A grid left where it is.
fn at_rest(grid: &Grid) -> Shift {
    Shift {
        origin: grid.origin,
        least: 0,
        joined: 0,
    }
}

impl Search {
    fn beats(&self, rank: Rank) -> bool {
        self.best.as_ref().is_none_or(|best| rank < best.rank)
    }

    /// Tries an arrangement on every shift of the grid.
    fn take(
        &mut self,
        inked: &[Inked],
        stock: Stock,
        grid: Grid,
        placements: &[Placement],
        step_mm: f64,
    ) {
        let points = gathered(inked, placements);
        let shifts = if stock.roll {
            // Across the roll in the middle, along it from the start: nothing else saves paper.
            let bounds = Bounds::of(&points);
            let near = grid.flap - 0.6;
            let cells = ((bounds.width_mm() - 2.0 * near) / grid.step.x)
                .ceil()
                .max(1.0);
            let across = 0.5 * (bounds.width_mm() - cells * grid.step.x);
            vec![Shift {
                origin: bounds.low + Vector2::new(across, near),
                ..at_rest(&grid)
            }]
        } else {
            every_shift(&points, &grid, step_mm)
        };
        self.count(inked, stock, &shifts, &grid, placements);
    }

    /// Counts the sheets of an arrangement on shifts of the grid, the most promising first, until none
    /// that is left can be better.
    fn count(
        &mut self,
        inked: &[Inked],
        stock: Stock,
        shifts: &[Shift],
        grid: &Grid,
        placements: &[Placement],
    ) {
        let points = gathered(inked, placements);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a height in whole millimetres, bounded by the size check"
        )]
        let length = if stock.roll {
            Bounds::of(&points).height_mm() as u64
        } else {
            0
        };
        // Paper upright and pieces as drawn read best: only a sheet less is worth a turn.
        let turned =
            placements.iter().filter(|p| p.quarters != 0).count() + usize::from(stock.landscape);
        for shift in shifts.iter().take(MOST_COUNTED) {
            let rank = (shift.least, length, turned, shift.joined, self.tried);
            if !self.beats(rank) {
                break;
            }
            let shifted = Grid {
                origin: shift.origin,
                ..*grid
            };
            let cells = shifted.needed(&points);
            let rank = (cells.len(), length, turned, shift.joined, self.tried);
            self.tried += 1;
            if self.beats(rank) {
                self.best = Some(Trial {
                    stock,
                    grid: shifted,
                    placements: placements.to_vec(),
                    cells,
                    rank,
                });
            }
        }
    }
}

fn gathered(inked: &[Inked], placements: &[Placement]) -> Vec<Point2> {
    inked
        .iter()
        .zip(placements)
        .flat_map(|(ink, placement)| ink.points.iter().map(|p| placement.point(*p)))
        .collect()
}

/// Names the sheets, finds their neighbours and what is drawn on them.
fn finish(inked: &[Inked], trial: &Trial) -> Tiling {
    let mut cells = trial.cells.clone();
    cells.sort_by_key(|(column, row)| (-row, *column));
    let rank = |values: Vec<i64>| {
        let mut values = values;
        values.sort_unstable();
        values.dedup();
        values
    };
    let columns = rank(cells.iter().map(|c| c.0).collect());
    let rows = rank(cells.iter().map(|c| -c.1).collect());
    let place = |values: &[i64], value: i64| values.binary_search(&value).unwrap_or(0);
    let find = |cell: Cell| cells.iter().position(|other| *other == cell);
    let on_table: Vec<Vec<Point2>> = inked
        .iter()
        .zip(&trial.placements)
        .map(|(ink, placement)| ink.points.iter().map(|p| placement.point(*p)).collect())
        .collect();
    let tiles = cells
        .iter()
        .map(|&(column, row)| {
            let neighbours = [
                find((column - 1, row)),
                find((column + 1, row)),
                find((column, row - 1)),
                find((column, row + 1)),
            ];
            let mut window = trial.grid.window((column, row));
            if trial.stock.roll {
                window = cropped(window, &on_table);
            }
            let core = trial.grid.core((column, row));
            let pick = |side: usize, join: f64, edge: f64| {
                if neighbours[side].is_some() {
                    join
                } else {
                    edge
                }
            };
            let own = Bounds {
                low: Point2::new(
                    pick(0, core.low.x, window.low.x),
                    pick(2, core.low.y, window.low.y),
                ),
                high: Point2::new(
                    pick(1, core.high.x, window.high.x),
                    pick(3, core.high.y, window.high.y),
                ),
            };
            let row = place(&rows, -row);
            let column = place(&columns, column);
            Tile {
                label: format!("{}{}", row_letter(row), column + 1),
                row,
                column,
                window,
                own,
                neighbours,
                figures: (0..on_table.len())
                    .filter(|figure| on_table[*figure].iter().any(|p| own.holds(*p)))
                    .collect(),
            }
        })
        .collect();
    Tiling {
        page_mm: trial.stock.page_mm,
        landscape: trial.stock.landscape,
        scale: trial.stock.scale,
        laid: trial
            .placements
            .iter()
            .enumerate()
            .map(|(figure, &placement)| Laid { figure, placement })
            .collect(),
        tiles,
        rows: rows.len(),
        columns: columns.len(),
        stock: trial.stock,
    }
}

/// A roll's sheet ends where its ink ends.
fn cropped(window: Bounds, on_table: &[Vec<Point2>]) -> Bounds {
    /// Left beyond the last ink, mm.
    const RIM_MM: f64 = 3.0;
    let mut ink = Bounds::EMPTY;
    for p in on_table.iter().flatten().filter(|p| window.holds(**p)) {
        ink.take(*p);
    }
    let mut cropped = window;
    cropped.low.y = window.low.y.max(ink.low.y - RIM_MM);
    cropped.high.y = window.high.y.min(ink.high.y + RIM_MM);
    cropped
}

/// A, B, … Z, AA, AB …
fn row_letter(row: usize) -> String {
    let letter = |n: usize| char::from(b'A' + u8::try_from(n % 26).unwrap_or(0));
    if row < 26 {
        letter(row).to_string()
    } else {
        format!("{}{}", letter(row / 26 - 1), letter(row))
    }
}

/// Pieces side by side as they were drawn, none turned, and where each lies: the drawing of the whole
/// pattern.
#[must_use]
pub fn side_by_side(figures: &[Figure]) -> (Drawing, Vec<Placement>) {
    /// Between two pieces and round all of them, mm.
    const RIM_MM: f64 = 10.0;
    let mut drawing = Drawing::default();
    let mut placements = Vec::new();
    let mut x = RIM_MM;
    for figure in figures {
        let bounds = figure.drawing.bounds();
        if bounds.is_empty() {
            placements.push(Placement::IDENTITY);
            continue;
        }
        let placement = Placement::shift(x - bounds.low.x, RIM_MM - bounds.low.y);
        x += bounds.width_mm() + RIM_MM;
        drawing.height_mm = drawing.height_mm.max(bounds.height_mm() + 2.0 * RIM_MM);
        let items = figure.drawing.items.iter().map(|i| i.placed(&placement));
        drawing
            .items
            .push(Item::Group(figure.name.clone(), items.collect()));
        placements.push(placement);
    }
    drawing.width_mm = x;
    (drawing, placements)
}
