//! Solving with the factor of a tree of fronts, part by part.
//!
//! Forwards from the leaves to the root, backwards from the root to the leaves; the two parts of a region share nothing, so
//! they run in parallel.

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
    let mut rest = &panel[..];
    for j in 0..own.pivots {
        let (column, after) = rest.split_at(own.rows() - j);
        rest = after;
        let value = pivots[j].map(|v| v / column[0]);
        pivots[j] = value;
        let (inside, outside) = column.split_at(own.pivots - j);
        for (g, target) in inside[1..].iter().zip(&mut pivots[j + 1..]) {
            for k in 0..K {
                target[k] -= *g * value[k];
            }
        }
        for (g, target) in outside.iter().zip(&mut border) {
            for k in 0..K {
                target[k] += *g * value[k];
            }
        }
    }
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
    let mut rest = &panel[..];
    for j in (0..own.pivots).rev() {
        let (before, column) = rest.split_at(rest.len() - (rows - j));
        rest = before;
        let sum = dot(&column[1..], &local[j + 1..]);
        for k in 0..K {
            local[j][k] = (local[j][k] - sum[k]) / column[0];
        }
    }
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

/// Number of places in a stretch.
fn places(fronts: &[Front]) -> usize {
    let last = &fronts[fronts.len() - 1];
    let first = fronts.first().map_or(0, |f| f.first);
    last.first + last.pivots - first
}

/// Scalar products of a column with K vectors, in eight sums that a processor can run side by side.
fn dot<T: Real, const K: usize>(column: &[T], x: &[[T; K]]) -> [T; K] {
    const LANES: usize = 8;
    let mut sums = [[T::zero_impl(); K]; LANES];
    let (wide, rest) = column.as_chunks::<LANES>();
    let (wide_x, rest_x) = x.as_chunks::<LANES>();
    for (g, x) in wide.iter().zip(wide_x) {
        for lane in 0..LANES {
            for k in 0..K {
                sums[lane][k] += g[lane] * x[lane][k];
            }
        }
    }
    let mut total = [T::zero_impl(); K];
    for (g, x) in rest.iter().zip(rest_x) {
        for k in 0..K {
            total[k] += *g * x[k];
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
