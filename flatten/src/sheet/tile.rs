//! Pieces laid on a table and the sheets that show them.
//!
//! In: drawings of pieces. Out: where each lies, and the fewest sheets that show all their ink. Tried are
//! both ways round of the paper, pieces turned by a quarter, pieces in a row, in a column, on shelves of
//! one to six sheets' width or each on a grid of its own, and shifts of the grid. Cost: some thousand
//! trial grids on a thinned drawing, then exact counts for the best few. The search is not exhaustive
//! (pieces are not interlocked), and is deterministic.

use super::{
    SheetError, SheetOptions,
    bounds::Bounds,
    drawing::{Drawing, Item, Placement},
    grid::{Cell, Grid},
    ink::{ink_points, thinned},
    paper::Stock,
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
/// Raster of the trial counts, mm.
const COARSE_RASTER_MM: f64 = 4.0;
/// Pieces beyond this many are turned all together or not at all.
const TURNED_APART: usize = 3;
/// Even shifts of the grid to try along each axis.
const FINE_PARTS: u32 = 8;
/// Trials that are counted exactly.
const FINALISTS: usize = 12;
/// No pattern needs more; a drawing of kilometres is refused instead of filling the memory.
const MOST_SHEETS: f64 = 400.0;

/// A figure's ink, in its own axes.
struct Inked {
    fine: Vec<Point2>,
    coarse: Vec<Point2>,
    bounds: Bounds,
}

impl Inked {
    fn new(figure: &Figure) -> Self {
        let fine = thinned(&ink_points(&figure.drawing.items, FINE_MM), FINE_RASTER_MM);
        let coarse = thinned(&fine, COARSE_RASTER_MM);
        let bounds = Bounds::of(&fine);
        Self {
            fine,
            coarse,
            bounds,
        }
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
#[derive(Clone)]
struct Trial {
    stock: Stock,
    grid: Grid,
    placements: Vec<Placement>,
    rank: Rank,
}

/// What was tried so far.
#[derive(Default)]
struct Search {
    trials: Vec<Trial>,
    tried: usize,
}

/// Better is less: sheets, length of roll in whole mm, pieces turned, points on joins, order of trying.
type Rank = (usize, u64, usize, usize, usize);

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
    for stock in options.stocks() {
        let grid = Grid::new(&stock, strip_mm, options.overlap_mm);
        for quarters in turns(inked.len(), options) {
            for placements in arrangements(&inked, &quarters, &grid, options) {
                try_shifts(&inked, stock, grid, placements, &mut search);
            }
        }
        if inked.len() > 1 && !stock.roll {
            let apart = each_on_its_own(&inked, &grid, options.turn_pieces);
            push_trial(&inked, stock, grid, apart, &mut search);
        }
    }
    search.trials.sort_by_key(|trial| trial.rank);
    let best = search
        .trials
        .into_iter()
        .take(FINALISTS)
        .map(|trial| {
            let points = gathered(&inked, &trial.placements, |ink| &ink.fine);
            let (cells, _) = trial.grid.needed(&points);
            ((cells.len(), trial.rank), trial, cells)
        })
        .min_by_key(|(rank, _, _)| *rank);
    let Some((_, trial, cells)) = best else {
        return Err(SheetError::Nothing {
            piece: "the pattern".to_owned(),
        });
    };
    Ok(finish(&inked, &trial, &cells))
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
fn each_on_its_own(inked: &[Inked], grid: &Grid, turn: bool) -> Vec<Placement> {
    let mut column = 0_i64;
    inked
        .iter()
        .map(|ink| {
            let mut best: Option<(usize, usize, usize, Placement, Vec<Cell>)> = None;
            let mut order = 0;
            for quarters in 0..=u8::from(turn) {
                let at = ink.placed_at(quarters, Point2::origin());
                for shift in shifts(ink.size(quarters), grid, FINE_PARTS) {
                    let placement = Placement {
                        shift: at.shift - shift,
                        ..at
                    };
                    let points: Vec<_> = ink.coarse.iter().map(|p| placement.point(*p)).collect();
                    let (cells, shared) = grid.needed(&points);
                    let rank = (cells.len(), usize::from(quarters) + shared, order);
                    order += 1;
                    if best.as_ref().is_none_or(|b| rank < (b.0, b.1, b.2)) {
                        best = Some((rank.0, rank.1, rank.2, placement, cells));
                    }
                }
            }
            let Some((_, _, _, placement, cells)) = best else {
                return ink.placed_at(0, Point2::origin());
            };
            let left = cells.iter().map(|c| c.0).min().unwrap_or(0);
            let right = cells.iter().map(|c| c.0).max().unwrap_or(0);
            #[expect(clippy::cast_precision_loss, reason = "small whole numbers")]
            let along = grid.step.x * (column - left) as f64;
            column += right - left + 2;
            Placement {
                shift: placement.shift + Vector2::new(along, 0.0),
                ..placement
            }
        })
        .collect()
}

/// Origins of the grid to try for a table of this size with its lower left at the origin: against
/// either edge, in the middle, and evenly between.
fn shifts(size: Vector2, grid: &Grid, parts: u32) -> Vec<Vector2> {
    let axis = |size: f64, step: f64| {
        let near = grid.flap - 0.6;
        let cells = ((size - 2.0 * near) / step).ceil().max(1.0);
        let far = size - near - cells * step;
        let mut all = vec![near, 0.5 * (near + far), far];
        all.extend((1..parts).map(|part| near - step * f64::from(part) / f64::from(parts)));
        all
    };
    let ys = axis(size.y, grid.step.y);
    axis(size.x, grid.step.x)
        .into_iter()
        .flat_map(|x| ys.iter().map(move |y| Vector2::new(x, *y)))
        .collect()
}

fn try_shifts(
    inked: &[Inked],
    stock: Stock,
    grid: Grid,
    placements: Vec<Placement>,
    search: &mut Search,
) {
    let points = gathered(inked, &placements, |ink| &ink.coarse);
    let bounds = Bounds::of(&points);
    let size = bounds.high - bounds.low;
    let all = if stock.roll {
        // Across the roll in the middle, along it from the start: nothing else saves paper.
        let near = grid.flap - 0.6;
        let cells = ((size.x - 2.0 * near) / grid.step.x).ceil().max(1.0);
        vec![Vector2::new(0.5 * (size.x - cells * grid.step.x), near)]
    } else {
        // With several pieces there are many arrangements to try as well.
        let parts = if inked.len() > 1 { 3 } else { FINE_PARTS };
        shifts(size, &grid, parts)
    };
    for shift in all {
        let shifted = Grid {
            origin: bounds.low + shift,
            ..grid
        };
        rank_trial(&points, stock, shifted, &placements, search);
    }
}

fn push_trial(
    inked: &[Inked],
    stock: Stock,
    grid: Grid,
    placements: Vec<Placement>,
    search: &mut Search,
) {
    let points = gathered(inked, &placements, |ink| &ink.coarse);
    rank_trial(&points, stock, grid, &placements, search);
}

fn rank_trial(
    points: &[Point2],
    stock: Stock,
    grid: Grid,
    placements: &[Placement],
    search: &mut Search,
) {
    let (cells, shared) = grid.needed(points);
    let length = if stock.roll {
        Bounds::of(points).height_mm()
    } else {
        0.0
    };
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a height in whole millimetres, bounded by the size check"
    )]
    let length = length as u64;
    let turned = placements.iter().filter(|p| p.quarters != 0).count();
    let rank = (cells.len(), length, turned, shared, search.tried);
    search.tried += 1;
    search.trials.push(Trial {
        stock,
        grid,
        placements: placements.to_vec(),
        rank,
    });
    // Only the best can win: the list is kept short.
    if search.trials.len() >= 2048 {
        search.trials.sort_by_key(|trial| trial.rank);
        search.trials.truncate(FINALISTS);
    }
}

fn gathered(
    inked: &[Inked],
    placements: &[Placement],
    which: impl Fn(&Inked) -> &Vec<Point2>,
) -> Vec<Point2> {
    inked
        .iter()
        .zip(placements)
        .flat_map(|(ink, placement)| which(ink).iter().map(|p| placement.point(*p)))
        .collect()
}

/// Names the sheets, finds their neighbours and what is drawn on them.
fn finish(inked: &[Inked], trial: &Trial, cells: &[Cell]) -> Tiling {
    let mut cells = cells.to_vec();
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
        .map(|(ink, placement)| ink.fine.iter().map(|p| placement.point(*p)).collect())
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
