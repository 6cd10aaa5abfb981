//! Solving with the factor of a tree of fronts, part by part.
//!
//! Forwards from the leaves to the root, backwards from the root to the leaves; the two parts of a region share nothing, so
//! they run in parallel.
//!
//! Each front has its own place for its rows' numbers, pivots first, in one list of all fronts' rows. So what a part hands
//! up or is handed down is one pass over its border, and no memory is asked for on the way.

use super::{
    columns::{backward, forward},
    fronts::{Real, both},
    symbolic::{Front, split_fronts},
};

/// `G y = f` over a stretch: `rows` holds `f` at the pivots and nothing at the borders, and `y` afterwards, with what is
/// to be added at the border of the last front.
pub(super) fn forward_stretch<T: Real, const K: usize>(
    fronts: &[Front],
    panels: &[Vec<T>],
    rows: &mut [[T; K]],
) {
    let (first, second, own) = split_fronts(fronts);
    let (inner, local) = rows.split_at_mut(rows.len() - own.rows());
    let (inner_panels, panel) = (&panels[..panels.len() - 1], &panels[panels.len() - 1]);
    if own.parted {
        let (first_panels, second_panels) = inner_panels.split_at(first.len());
        let (first_rows, second_rows) = inner.split_at_mut(second[0].start - first[0].start);
        both(
            own.side_by_side(),
            || forward_stretch(first, first_panels, first_rows),
            || forward_stretch(second, second_panels, second_rows),
        );
        for (part, rows) in [(first, first_rows), (second, second_rows)] {
            let part = &part[part.len() - 1];
            let border = &rows[rows.len() - part.border.len()..];
            for (&row, sum) in part.in_parent.iter().zip(border) {
                for k in 0..K {
                    local[row as usize][k] += sum[k];
                }
            }
        }
    }
    forward(panel, own.pivots, local);
}

/// `Gᵀ x = y − Wᵀ x_border` over a stretch: `rows` holds `y` at the pivots and `x` at the border of the last front, and
/// `x` everywhere afterwards.
pub(super) fn backward_stretch<T: Real, const K: usize>(
    fronts: &[Front],
    panels: &[Vec<T>],
    rows: &mut [[T; K]],
) {
    let (first, second, own) = split_fronts(fronts);
    let (inner, local) = rows.split_at_mut(rows.len() - own.rows());
    let (inner_panels, panel) = (&panels[..panels.len() - 1], &panels[panels.len() - 1]);
    backward(panel, own.pivots, local);
    if !own.parted {
        return;
    }
    let (first_panels, second_panels) = inner_panels.split_at(first.len());
    let (first_rows, second_rows) = inner.split_at_mut(second[0].start - first[0].start);
    for (part, rows) in [(first, &mut *first_rows), (second, &mut *second_rows)] {
        let part = &part[part.len() - 1];
        let border = rows.len() - part.border.len();
        for (&row, known) in part.in_parent.iter().zip(&mut rows[border..]) {
            *known = local[row as usize];
        }
    }
    both(
        own.side_by_side(),
        || backward_stretch(first, first_panels, first_rows),
        || backward_stretch(second, second_panels, second_rows),
    );
}
