//! Elimination in small dense blocks, of which a factor has thousands.
//!
//! A general library's kernels are made for blocks of hundreds of rows; on thirty, to choose among them and to copy
//! into their order takes longer than the arithmetic. Here a block is worked through in tiles of four columns
//! by as many rows as fill two of the processor's registers, so that a tile stays in registers while all
//! columns to its left are subtracted from it:
//!
//! ```text
//!             ┌ columns done ┐ ┌ tile ┐
//!   ⎡ G                        ·      ⎤
//!   ⎢ ◀── b ──▶                g      ⎥    tile ← (tile − a bᵀ) g⁻ᵀ
//!   ⎣ ◀── a ──▶                tile   ⎦    g gᵀ = its own rows, less b bᵀ
//! ```
//!
//! That is Cholesky's method from left to right, four columns at a time; beyond the pivots the same without `g`
//! leaves the Schur complement. The loops over a tile have fixed lengths and become vector instructions of whatever
//! processor is found (`pulp`).
//!
//! Cost: as [`super::dense::eliminate`], at a half to a third of its time for up to 50 pivots; even with it at 70.

#![allow(
    clippy::needless_range_loop,
    reason = "by places that are known beforehand a tile stays in registers; through iterators it went to memory, and a factor took twice as long"
)]

use std::cmp::Ordering;

use pulp::{Arch, NullaryFnOnce};

use super::fronts::Real;

/// Columns of a tile.
const WIDE: usize = 4;
/// Whole tiles of both precisions: rows of the taller.
pub(crate) const TILE: usize = 16;

/// A block whose leading unknowns are to be eliminated, by columns, lower triangle. Of what stands above the diagonal and
/// below the last row nothing is asked and nothing is kept, but it is worked on.
pub(crate) struct Block<'a, T> {
    /// The pivots' columns, `stride` numbers each.
    pub(crate) panel: &'a mut [T],
    /// The others, from row `corner_start` on.
    pub(crate) corner: &'a mut [T],
    pub(crate) rows: usize,
    pub(crate) pivots: usize,
    /// A multiple of a tile's rows, as is the next.
    pub(crate) stride: usize,
    pub(crate) corner_start: usize,
}

/// Eliminates the pivots in tiles of `TALL` rows; `Err` holds the first row without a positive pivot.
pub(crate) fn eliminate<T: Real, const TALL: usize>(block: Block<'_, T>) -> Result<(), usize> {
    if block.pivots == 0 {
        return Ok(());
    }
    Arch::new().dispatch(Elimination::<T, TALL>(block))
}

struct Elimination<'a, T, const TALL: usize>(Block<'a, T>);

// What is called for every tile is always inlined: only so is it compiled for the processor found.
impl<T: Real, const TALL: usize> NullaryFnOnce for Elimination<'_, T, TALL> {
    type Output = Result<(), usize>;

    #[inline(always)]
    fn call(self) -> Self::Output {
        let Block {
            panel,
            corner,
            rows,
            pivots,
            stride,
            corner_start,
        } = self.0;
        let end = rows.div_ceil(TALL);
        for first in (0..pivots).step_by(WIDE) {
            let (done, own) = panel.split_at_mut(first * stride);
            let mut columns = Columns::<T, TALL> {
                done,
                stride,
                own,
                own_stride: stride,
                own_start: 0,
                first,
                end,
            };
            match pivots - first {
                1 => columns.factor::<1>(),
                2 => columns.factor::<2>(),
                3 => columns.factor::<3>(),
                _ => columns.factor::<WIDE>(),
            }
            .map_err(|column| first + column)?;
        }
        let own_stride = stride - corner_start;
        for first in (pivots..rows).step_by(WIDE) {
            let mut columns = Columns::<T, TALL> {
                done: panel,
                stride,
                own: &mut corner[(first - pivots) * own_stride..],
                own_stride,
                own_start: corner_start / TALL,
                first,
                end,
            };
            match rows - first {
                1 => columns.update::<1>(),
                2 => columns.update::<2>(),
                3 => columns.update::<3>(),
                _ => columns.update::<WIDE>(),
            }
        }
        Ok(())
    }
}

/// A few columns, and all those to be subtracted from them.
struct Columns<'a, T, const TALL: usize> {
    done: &'a [T],
    stride: usize,
    own: &'a mut [T],
    own_stride: usize,
    /// The tile that its own begin with.
    own_start: usize,
    /// Number of the first of its own.
    first: usize,
    /// Tiles in a column.
    end: usize,
}

impl<T: Real, const TALL: usize> Columns<'_, T, TALL> {
    /// Subtracts from so many columns, and makes them columns of the factor; `Err` holds the one without a
    /// positive pivot.
    #[inline(always)]
    fn factor<const W: usize>(&mut self) -> Result<(), usize> {
        let top = self.first / TALL;
        let mut tile = self.subtracted::<W>(top);
        let g = Corner::<T, W>::of(&tile, self.first % TALL)?;
        g.divide(&mut tile);
        self.store(top, &tile);
        for at in top + 1..self.end {
            let mut tile = self.subtracted::<W>(at);
            g.divide(&mut tile);
            self.store(at, &tile);
        }
        Ok(())
    }

    /// Subtracts from so many columns.
    #[inline(always)]
    fn update<const W: usize>(&mut self) {
        for at in self.first / TALL..self.end {
            let tile = self.subtracted::<W>(at);
            self.store(at, &tile);
        }
    }

    /// A tile, less what the columns done take from it.
    #[inline(always)]
    fn subtracted<const W: usize>(&self, at: usize) -> [[T; TALL]; W] {
        let mut tile = [[T::default(); TALL]; W];
        for c in 0..W {
            let column = &self.own[c * self.own_stride..][..self.own_stride];
            tile[c] = column.as_chunks().0[at - self.own_start];
        }
        for column in self.done.chunks_exact(self.stride) {
            let a: &[T; TALL] = &column.as_chunks().0[at];
            let b = column[self.first..].as_chunks::<W>().0[0];
            for c in 0..W {
                let factor = -b[c];
                for r in 0..TALL {
                    tile[c][r] = a[r].mul_add(factor, tile[c][r]);
                }
            }
        }
        tile
    }

    #[inline(always)]
    fn store<const W: usize>(&mut self, at: usize, tile: &[[T; TALL]; W]) {
        for c in 0..W {
            let column = &mut self.own[c * self.own_stride..][..self.own_stride];
            column.as_chunks_mut().0[at - self.own_start] = tile[c];
        }
    }
}

/// The factor of the rows that a few columns have on the diagonal.
struct Corner<T, const W: usize> {
    /// By columns.
    g: [[T; W]; W],
    /// One over its diagonal.
    inverse: [T; W],
}

impl<T: Real, const W: usize> Corner<T, W> {
    /// Factors the rows of a tile from `row` on.
    #[inline(always)]
    fn of<const TALL: usize>(tile: &[[T; TALL]; W], row: usize) -> Result<Self, usize> {
        let mut g = [[T::default(); W]; W];
        for c in 0..W {
            g[c].copy_from_slice(&tile[c][row..row + W]);
        }
        let mut inverse = [T::default(); W];
        for c in 0..W {
            // What is not a number is not positive either.
            if g[c][c].partial_cmp(&T::default()) != Some(Ordering::Greater) {
                return Err(c);
            }
            inverse[c] = T::recip_impl(&T::sqrt_impl(&g[c][c]));
            for r in c..W {
                g[c][r] *= inverse[c];
            }
            for d in c + 1..W {
                for r in d..W {
                    g[d][r] = g[c][r].mul_add(-g[c][d], g[d][r]);
                }
            }
        }
        Ok(Self { g, inverse })
    }

    /// `tile ← tile g⁻ᵀ`.
    #[inline(always)]
    fn divide<const TALL: usize>(&self, tile: &mut [[T; TALL]; W]) {
        for c in 0..W {
            for r in 0..TALL {
                tile[c][r] *= self.inverse[c];
            }
            for d in c + 1..W {
                for r in 0..TALL {
                    tile[d][r] = tile[c][r].mul_add(-self.g[c][d], tile[d][r]);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Diagonally dominant, entries from a fixed formula; row `bad` has a negative one on the diagonal.
    fn entry(i: usize, j: usize, rows: usize, bad: usize) -> f64 {
        match i == j {
            true if i == bad => -1.0,
            true => rows as f64,
            false => (7.0 * i as f64 + 3.0 * j as f64).sin(),
        }
    }

    /// The panel and the corner of a front, filled with what must not matter where nothing is asked.
    fn filled<T: Real>(rows: usize, pivots: usize, bad: usize) -> [Vec<T>; 2] {
        let stride = rows.next_multiple_of(TILE);
        let start = pivots - pivots % TILE;
        let columns = |range: std::ops::Range<usize>, start: usize| {
            let numbers = range.flat_map(|j| {
                (start..stride).map(move |i| {
                    let asked = (j..rows).contains(&i);
                    T::from_f64_impl(if asked { entry(i, j, rows, bad) } else { 0.5 })
                })
            });
            numbers.collect()
        };
        [columns(0..pivots, 0), columns(pivots..rows, start)]
    }

    fn eliminated<T: Real>(rows: usize, pivots: usize, bad: usize) -> Result<[Vec<T>; 2], usize> {
        let [mut panel, mut corner] = filled::<T>(rows, pivots, bad);
        T::eliminate(Block {
            panel: &mut panel,
            corner: &mut corner,
            rows,
            pivots,
            stride: rows.next_multiple_of(TILE),
            corner_start: pivots - pivots % TILE,
        })?;
        Ok([panel, corner])
    }

    /// How far `G Gᵀ`, with the Schur complement, is from the matrix.
    fn worst<T: Real>(rows: usize, pivots: usize) -> f64 {
        let [panel, corner] = eliminated::<T>(rows, pivots, rows).unwrap();
        let stride = rows.next_multiple_of(TILE);
        let start = pivots - pivots % TILE;
        let g = |i: usize, k: usize| -> f64 { panel[k * stride + i].into() };
        let mut worst = 0.0_f64;
        for j in 0..rows {
            for i in j..rows {
                let products: f64 = (0..=j.min(pivots.saturating_sub(1)))
                    .filter(|&k| k < pivots)
                    .map(|k| g(i, k) * g(j, k))
                    .sum();
                let left: f64 = match j < pivots {
                    true => 0.0,
                    false => corner[(j - pivots) * (stride - start) + i - start].into(),
                };
                worst = worst.max((products + left - entry(i, j, rows, rows)).abs());
            }
        }
        worst
    }

    #[test]
    fn a_factor_and_what_it_leaves_make_up_the_matrix() {
        // Whole tiles and parts of one, no border, no pivots.
        for (rows, pivots) in [
            (57, 31),
            (64, 32),
            (45, 7),
            (48, 48),
            (33, 33),
            (18, 0),
            (1, 1),
        ] {
            let (double, single) = (worst::<f64>(rows, pivots), worst::<f32>(rows, pivots));
            assert!(double < 1e-13 * rows as f64, "{rows} {pivots}: {double:e}");
            assert!(single < 1e-4, "{rows} {pivots}: {single:e}");
        }
    }

    #[test]
    fn the_row_without_a_pivot_is_named() {
        for bad in [0, 2, 5, 17, 30] {
            assert_eq!(eliminated::<f64>(57, 31, bad).err(), Some(bad));
        }
        assert!(eliminated::<f64>(57, 31, 31).is_ok(), "no pivot");
    }
}
