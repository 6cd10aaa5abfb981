//! Solving with the columns of one front.
//!
//! In: a panel, its pivots' columns from the diagonal down, and the numbers of the front's rows, pivots first. Out: the
//! pivots solved for; forwards the border less what they take from it.
//!
//! A few columns are worked with at a time, so that the rows below are read and written once for them all. One by one,
//! each column's rows begin one further down than those of the column before, and a processor has to wait for what it has
//! just written when it reads it in other portions: solutions took half as long again. What is left is the time that a factor
//! takes to come from memory. Tiles of eight rows by four columns, in the order in which they are read, were no faster,
//! and a factor took a twentieth longer to lay out.

#![allow(
    clippy::needless_range_loop,
    reason = "by places that are known beforehand the sums stay in registers, as in `small`"
)]

use pulp::{Arch, NullaryFnOnce};

use super::fronts::Real;

/// Columns that are eliminated at a time.
const FORWARD: usize = 8;
/// Columns that are substituted into at a time: each has sums of its own to be kept in registers.
const BACKWARD: usize = 4;
/// Rows that they meet at a time.
const LANES: usize = 8;

/// `G y = f` for the pivots, and the border less `W y`.
pub(super) fn forward<T: Real, const K: usize>(panel: &[T], pivots: usize, local: &mut [[T; K]]) {
    Arch::new().dispatch(Solution::<T, K, false> {
        panel,
        pivots,
        local,
    });
}

/// `Gᵀ x = y − Wᵀ x_border` for the pivots.
pub(super) fn backward<T: Real, const K: usize>(panel: &[T], pivots: usize, local: &mut [[T; K]]) {
    Arch::new().dispatch(Solution::<T, K, true> {
        panel,
        pivots,
        local,
    });
}

struct Solution<'a, T, const K: usize, const BACKWARDS: bool> {
    panel: &'a [T],
    pivots: usize,
    local: &'a mut [[T; K]],
}

// Compiled for the processor found, with all that it calls; see `small`.
impl<T: Real, const K: usize, const BACKWARDS: bool> NullaryFnOnce
    for Solution<'_, T, K, BACKWARDS>
{
    type Output = ();

    #[inline(always)]
    fn call(self) {
        read_ahead(self.panel);
        if BACKWARDS {
            substitute_all(self.panel, self.pivots, self.local);
        } else {
            eliminate_all(self.panel, self.pivots, self.local);
        }
    }
}

#[inline(always)]
fn eliminate_all<T: Real, const K: usize>(panel: &[T], pivots: usize, local: &mut [[T; K]]) {
    let mut rest = panel;
    // The odd ones first: those after them then all meet the rows in the same portions.
    let odd = pivots % FORWARD;
    match odd {
        1 => eliminate::<T, K, 1>(&mut rest, local),
        2 => eliminate::<T, K, 2>(&mut rest, local),
        3 => eliminate::<T, K, 3>(&mut rest, local),
        4 => eliminate::<T, K, 4>(&mut rest, local),
        5 => eliminate::<T, K, 5>(&mut rest, local),
        6 => eliminate::<T, K, 6>(&mut rest, local),
        7 => eliminate::<T, K, 7>(&mut rest, local),
        _ => {}
    }
    for done in (odd..pivots).step_by(FORWARD) {
        eliminate::<T, K, FORWARD>(&mut rest, &mut local[done..]);
    }
}

/// Solves for `W` pivots, which come first in `local`, and subtracts what they take from the rows below; leaves the
/// columns after.
#[inline(always)]
fn eliminate<T: Real, const K: usize, const W: usize>(panel: &mut &[T], local: &mut [[T; K]]) {
    let (columns, after) = columns::<T, W>(panel, local.len());
    let (own, below) = local.split_at_mut(W);
    let mut value = [[T::zero_impl(); K]; W];
    value.copy_from_slice(own);
    for c in 0..W {
        for k in 0..K {
            value[c][k] /= columns[c][0];
        }
        for d in c + 1..W {
            for k in 0..K {
                value[d][k] = columns[c][d - c].mul_add(-value[c][k], value[d][k]);
            }
        }
    }
    own.copy_from_slice(&value);
    let tails = tails(&columns, below.len());
    let (wide, rest) = below.as_chunks_mut::<LANES>();
    for (at, sums) in wide.iter_mut().enumerate() {
        let mut own = *sums;
        for c in 0..W {
            let g: &[T; LANES] = &tails[c].as_chunks().0[at];
            for lane in 0..LANES {
                for k in 0..K {
                    own[lane][k] = g[lane].mul_add(-value[c][k], own[lane][k]);
                }
            }
        }
        *sums = own;
    }
    for (at, sum) in rest.iter_mut().enumerate() {
        for c in 0..W {
            let g = tails[c].as_chunks::<LANES>().1[at];
            for k in 0..K {
                sum[k] = g.mul_add(-value[c][k], sum[k]);
            }
        }
    }
    *panel = after;
}

#[inline(always)]
fn substitute_all<T: Real, const K: usize>(panel: &[T], pivots: usize, local: &mut [[T; K]]) {
    let mut rest = panel;
    let mut left = pivots;
    while left >= BACKWARD {
        left -= BACKWARD;
        substitute::<T, K, BACKWARD>(&mut rest, &mut local[left..]);
    }
    match left {
        1 => substitute::<T, K, 1>(&mut rest, local),
        2 => substitute::<T, K, 2>(&mut rest, local),
        3 => substitute::<T, K, 3>(&mut rest, local),
        _ => {}
    }
}

/// Solves for `W` pivots, which come first in `local`, from the rows below; leaves the columns before.
#[inline(always)]
fn substitute<T: Real, const K: usize, const W: usize>(panel: &mut &[T], local: &mut [[T; K]]) {
    let rows = local.len();
    // Columns of so many rows and of one less each time.
    let taken = W * rows - W * (W - 1) / 2;
    let (before, own) = panel.split_at(panel.len() - taken);
    let (columns, _) = columns::<T, W>(own, rows);
    let (own, below) = local.split_at_mut(W);
    let tails = tails(&columns, below.len());
    let mut sums = dots::<T, K, W>(tails, below);
    for c in (0..W).rev() {
        for d in c + 1..W {
            for k in 0..K {
                sums[c][k] = columns[c][d - c].mul_add(own[d][k], sums[c][k]);
            }
        }
        for k in 0..K {
            own[c][k] = (own[c][k] - sums[c][k]) / columns[c][0];
        }
    }
    *panel = before;
}

/// Scalar products of `W` columns with K vectors, each in sums that a processor can run side by side.
#[inline(always)]
fn dots<T: Real, const K: usize, const W: usize>(columns: [&[T]; W], x: &[[T; K]]) -> [[T; K]; W] {
    let mut sums = [[[T::zero_impl(); K]; LANES]; W];
    let (wide, rest) = x.as_chunks::<LANES>();
    for (at, x) in wide.iter().enumerate() {
        for c in 0..W {
            let g: &[T; LANES] = &columns[c].as_chunks().0[at];
            for lane in 0..LANES {
                for k in 0..K {
                    sums[c][lane][k] = g[lane].mul_add(x[lane][k], sums[c][lane][k]);
                }
            }
        }
    }
    // Else the compiler adds up what is to be added up at last right away, lane by lane, and moves each number about.
    let mut sums = std::hint::black_box(sums);
    let mut total = [[T::zero_impl(); K]; W];
    for c in 0..W {
        for (g, x) in columns[c].as_chunks::<LANES>().1.iter().zip(rest) {
            for k in 0..K {
                total[c][k] = g.mul_add(x[k], total[c][k]);
            }
        }
        // In pairs: eight sums one after the other would wait for each other.
        let mut half = LANES;
        while half > 1 {
            half /= 2;
            for lane in 0..half {
                for k in 0..K {
                    let other = sums[c][half + lane][k];
                    sums[c][lane][k] += other;
                }
            }
        }
        for k in 0..K {
            total[c][k] += sums[c][0][k];
        }
    }
    total
}

/// Reads a number of each of the processor's lines that a panel takes up, so that they all are on their way from memory
/// before the first is waited for.
#[inline(always)]
fn read_ahead<T: Real>(panel: &[T]) {
    const CHAINS: usize = 4;
    let line = 64 / size_of::<T>();
    let mut sums = [T::zero_impl(); CHAINS];
    for lines in panel.chunks_exact(CHAINS * line) {
        for chain in 0..CHAINS {
            sums[chain] += lines[chain * line];
        }
    }
    std::hint::black_box(sums);
}

/// The first `W` columns of a panel, each from the diagonal down, the first of so many rows; and the columns after them.
#[inline(always)]
fn columns<T, const W: usize>(panel: &[T], rows: usize) -> ([&[T]; W], &[T]) {
    let mut rest = panel;
    let mut columns = [&panel[..0]; W];
    for c in 0..W {
        (columns[c], rest) = rest.split_at(rows - c);
    }
    (columns, rest)
}

/// What so many columns, as [`columns`] gives them, have in the rows below them all.
#[inline(always)]
fn tails<'a, T, const W: usize>(columns: &[&'a [T]; W], below: usize) -> [&'a [T]; W] {
    let mut tails = *columns;
    for c in 0..W {
        tails[c] = &columns[c][W - c..][..below];
    }
    tails
}

#[cfg(test)]
mod tests {
    use super::*;

    fn entry(i: usize, j: usize, rows: usize) -> f64 {
        match i == j {
            true => rows as f64,
            false => (7.0 * i as f64 + 3.0 * j as f64).sin(),
        }
    }

    fn number(i: usize, k: usize) -> f64 {
        (0.7 * i as f64 + k as f64).cos()
    }

    /// How far what is solved for is from what it was made of.
    fn worst<T: Real>(rows: usize, pivots: usize) -> f64 {
        let column = |j: usize| (j..rows).map(move |i| T::from_f64_impl(entry(i, j, rows)));
        let panel: Vec<T> = (0..pivots).flat_map(column).collect();
        let x = |i: usize| [0, 1].map(|k| number(i, k));
        let near = |got: [T; 2], wanted: [f64; 2]| {
            let got: [f64; 2] = got.map(Into::into);
            f64::max((got[0] - wanted[0]).abs(), (got[1] - wanted[1]).abs())
        };
        let sum = |terms: &mut dyn Iterator<Item = (f64, usize)>| {
            terms.fold([0.0; 2], |sum, (g, i)| {
                [0, 1].map(|k| sum[k] + g * number(i, k))
            })
        };
        // G x at the pivots, nothing at the border.
        let mut local: Vec<[T; 2]> = (0..rows)
            .map(|i| match i < pivots {
                true => sum(&mut (0..=i).map(|j| (entry(i, j, rows), j))).map(T::from_f64_impl),
                false => [T::zero_impl(); 2],
            })
            .collect();
        forward(&panel, pivots, &mut local);
        let forwards = (0..rows).map(|i| match i < pivots {
            true => near(local[i], x(i)),
            false => {
                let taken = sum(&mut (0..pivots).map(|j| (entry(i, j, rows), j)));
                near(local[i], taken.map(|v| -v))
            }
        });
        let mut worst = forwards.fold(0.0, f64::max);
        // Gᵀ x + Wᵀ x_border at the pivots, x at the border.
        let mut local: Vec<[T; 2]> = (0..rows)
            .map(|j| match j < pivots {
                true => sum(&mut (j..rows).map(|i| (entry(i, j, rows), i))),
                false => x(j),
            })
            .map(|v| v.map(T::from_f64_impl))
            .collect();
        backward(&panel, pivots, &mut local);
        for i in 0..rows {
            worst = worst.max(near(local[i], x(i)));
        }
        worst
    }

    #[test]
    fn a_front_is_solved_with_whatever_is_odd_about_it() {
        for pivots in 0..=25 {
            for border in [0, 1, 7, 8, 20] {
                let rows = pivots + border;
                let (double, single) = (worst::<f64>(rows, pivots), worst::<f32>(rows, pivots));
                assert!(double < 1e-13, "{rows} {pivots}: {double:e}");
                assert!(single < 1e-4, "{rows} {pivots}: {single:e}");
            }
        }
    }
}
