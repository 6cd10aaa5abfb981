//! Solving with the factor of a tree of fronts, part by part.
//!
//! Forwards from the leaves to the root, backwards from the root to the leaves; the two parts of a region share nothing, so
//! they run in parallel.

use pulp::{Arch, NullaryFnOnce};

use super::{
    fronts::{Real, both},
    symbolic::{Front, split_fronts},
};

/// `G y = f` over a stretch, `x` holding its places; returns what is to be subtracted at the border.
pub(super) fn forward_stretch<T: Real, const K: usize>(
    fronts: &[Front],
    panels: &[Vec<T>],
    x: &mut [[T; K]],
) -> Vec<[T; K]> {
    let (first, second, own) = split_fronts(fronts);
    let (inner, pivots) = x.split_at_mut(x.len() - own.pivots);
    let (inner_panels, panel) = (&panels[..panels.len() - 1], &panels[panels.len() - 1]);
    let mut border = vec![[T::zero_impl(); K]; own.border.len()];
    if own.parted {
        let (first_panels, second_panels) = inner_panels.split_at(first.len());
        let (first_x, second_x) = inner.split_at_mut(places(first));
        let (a, b) = both(
            own.side_by_side(),
            || forward_stretch(first, first_panels, first_x),
            || forward_stretch(second, second_panels, second_x),
        );
        for (part, sums) in [(first, a), (second, b)] {
            for (&row, sum) in part[part.len() - 1].in_parent.iter().zip(sums) {
                let row = row as usize;
                if row < own.pivots {
                    for k in 0..K {
                        pivots[row][k] -= sum[k];
                    }
                } else {
                    for k in 0..K {
                        border[row - own.pivots][k] += sum[k];
                    }
                }
            }
        }
    }
    Arch::new().dispatch(Forward {
        panel,
        pivots,
        border: &mut border,
    });
    border
}

/// `Gᵀ x = y − Wᵀ x_border` over a stretch.
pub(super) fn backward_stretch<T: Real, const K: usize>(
    fronts: &[Front],
    panels: &[Vec<T>],
    x: &mut [[T; K]],
    border: &[[T; K]],
) {
    let (first, second, own) = split_fronts(fronts);
    let (inner, pivots) = x.split_at_mut(x.len() - own.pivots);
    let (inner_panels, panel) = (&panels[..panels.len() - 1], &panels[panels.len() - 1]);
    let rows = own.rows();
    // Pivots and border side by side: the rows that the parts look at.
    let mut local = Vec::with_capacity(rows);
    local.extend_from_slice(pivots);
    local.extend_from_slice(border);
    Arch::new().dispatch(Backward {
        panel,
        pivots: own.pivots,
        local: &mut local,
    });
    pivots.copy_from_slice(&local[..own.pivots]);
    if !own.parted {
        return;
    }
    let (first_panels, second_panels) = inner_panels.split_at(first.len());
    let (first_x, second_x) = inner.split_at_mut(places(first));
    let seen_by = |part: &[Front]| -> Vec<[T; K]> {
        let rows = &part[part.len() - 1].in_parent;
        rows.iter().map(|&row| local[row as usize]).collect()
    };
    both(
        own.side_by_side(),
        || backward_stretch(first, first_panels, first_x, &seen_by(first)),
        || backward_stretch(second, second_panels, second_x, &seen_by(second)),
    );
}

/// Solves for the pivots of a front and adds up what its border is to lose.
struct Forward<'a, T, const K: usize> {
    panel: &'a [T],
    pivots: &'a mut [[T; K]],
    border: &'a mut [[T; K]],
}

// Compiled for the processor found, with all that it calls; see `small`.
impl<T: Real, const K: usize> NullaryFnOnce for Forward<'_, T, K> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self {
            panel,
            pivots,
            border,
        } = self;
        let mut rest = panel;
        for j in 0..pivots.len() {
            let inner = pivots.len() - j;
            let (column, after) = rest.split_at(inner + border.len());
            rest = after;
            let value = pivots[j].map(|v| v / column[0]);
            pivots[j] = value;
            add_multiple(&mut pivots[j + 1..], &column[1..inner], value.map(|v| -v));
            add_multiple(border, &column[inner..], value);
        }
    }
}

#[inline(always)]
fn add_multiple<T: Real, const K: usize>(sums: &mut [[T; K]], column: &[T], value: [T; K]) {
    for (sum, g) in sums.iter_mut().zip(column) {
        for k in 0..K {
            sum[k] = g.mul_add(value[k], sum[k]);
        }
    }
}

/// Solves for the pivots of a front, which come first in `local`, from its border, which follows them.
struct Backward<'a, T, const K: usize> {
    panel: &'a [T],
    pivots: usize,
    local: &'a mut [[T; K]],
}

impl<T: Real, const K: usize> NullaryFnOnce for Backward<'_, T, K> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self {
            panel,
            pivots,
            local,
        } = self;
        let mut rest = panel;
        for j in (0..pivots).rev() {
            let (before, column) = rest.split_at(rest.len() - (local.len() - j));
            rest = before;
            let sum = dot(&column[1..], &local[j + 1..]);
            for k in 0..K {
                local[j][k] = (local[j][k] - sum[k]) / column[0];
            }
        }
    }
}

/// Number of places in a stretch.
fn places(fronts: &[Front]) -> usize {
    let last = &fronts[fronts.len() - 1];
    let first = fronts.first().map_or(0, |f| f.first);
    last.first + last.pivots - first
}

/// Scalar products of a column with K vectors, in eight sums that a processor can run side by side.
#[inline(always)]
fn dot<T: Real, const K: usize>(column: &[T], x: &[[T; K]]) -> [T; K] {
    const LANES: usize = 8;
    let mut sums = [[T::zero_impl(); K]; LANES];
    let (wide, rest) = column.as_chunks::<LANES>();
    let (wide_x, rest_x) = x.as_chunks::<LANES>();
    for (g, x) in wide.iter().zip(wide_x) {
        for lane in 0..LANES {
            for k in 0..K {
                sums[lane][k] = g[lane].mul_add(x[lane][k], sums[lane][k]);
            }
        }
    }
    let mut total = [T::zero_impl(); K];
    for (g, x) in rest.iter().zip(rest_x) {
        for k in 0..K {
            total[k] = g.mul_add(x[k], total[k]);
        }
    }
    // In pairs: eight sums one after the other would wait for each other.
    let mut half = LANES;
    while half > 1 {
        half /= 2;
        let (sums, others) = sums.split_at_mut(half);
        for (sum, other) in sums.iter_mut().zip(others) {
            for k in 0..K {
                sum[k] += other[k];
            }
        }
    }
    for k in 0..K {
        total[k] += sums[0][k];
    }
    total
}
