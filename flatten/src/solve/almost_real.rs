//! Dense Hermitian systems that are real but for a few entries.
//!
//! In: `H = R + iK`, `R` real, symmetric and dense, `K` real, antisymmetric and with two entries or so a row. Out: a
//! factor to solve with.
//!
//! A complex factor costs four times a real one. But of rows that `K` joins in rings every other one can be taken so that it
//! joins no two of those taken. With these *early* rows `E` first and the *late* ones `L` after them,
//!
//! ```text
//!   H = ⎡ R_EE             R_EL + i K_EL ⎤      V = R_EE⁻¹  is real, and eliminating E leaves
//!       ⎣ R_LE + i K_LE    R_LL + i K_LL ⎦
//!
//!   H_LL − H_LE V H_EL = R_LL − R_LE V R_EL − K_LE V K_LEᵀ  +  i (K_LL + Y − Yᵀ),   Y = R_LE V K_LEᵀ
//! ```
//!
//! where each row and column of `K` costs two additions and all else is real. Only half of the rows are left for a complex
//! factor: half the multiplications in all. `V` may be used as it is: where every other row of a stiffness matrix is held,
//! the rest is far from singular.

use faer::{MatMut, c64, reborrow::ReborrowMut};
use rayon::prelude::*;

use super::dense::{self, DenseFactor};

/// A factor of `R + iK`.
#[derive(Debug)]
pub(crate) struct AlmostReal {
    early: Vec<usize>,
    late: Vec<usize>,
    /// `V`, and `R_LE V` below it, by columns.
    carried: Vec<f64>,
    /// Entries of `K_LE`, row by row.
    links: Vec<Vec<(usize, f64)>>,
    schur: DenseFactor<c64>,
}

impl AlmostReal {
    /// Factors a matrix of so many rows: `real(i, j)` is asked for `i ≥ j`; `imaginary` lists row, column and value of
    /// `K`, each entry or its mirror. `Err` holds the row without a positive pivot.
    pub(crate) fn new(
        size: usize,
        real: impl Fn(usize, usize) -> f64 + Sync,
        imaginary: &[(usize, usize, f64)],
    ) -> Result<Self, usize> {
        let is_early = every_other(size, imaginary);
        let (early, late): (Vec<usize>, Vec<usize>) = (0..size).partition(|&row| is_early[row]);
        let (e, l) = (early.len(), late.len());
        let fill = |column: usize, numbers: &mut [f64], rows: &[&[usize]]| {
            for (number, &row) in numbers.iter_mut().zip(rows.iter().copied().flatten()) {
                *number = real(row.max(column), row.min(column));
            }
        };
        let mut carried = vec![0.0; size * e];
        let columns = carried.par_chunks_mut(size.max(1)).enumerate();
        columns.for_each(|(k, column)| fill(early[k], &mut column[k..], &[&early[k..], &late]));
        let mut corner = vec![0.0; l * l];
        let columns = corner.par_chunks_mut(l.max(1)).enumerate();
        columns.for_each(|(k, column)| fill(late[k], &mut column[k..], &[&late[k..]]));

        let whole = MatMut::from_column_major_slice_mut(&mut carried, size, e);
        let (mut top, mut below) = whole.split_at_row_mut(e);
        let rest = MatMut::from_column_major_slice_mut(&mut corner, l, l);
        dense::eliminate(top.rb_mut(), below.rb_mut(), rest).map_err(|row| early[row])?;
        dense::invert(top, below);

        let mut number = vec![0; size];
        for rows in [&early, &late] {
            for (at, &row) in rows.iter().enumerate() {
                number[row] = at;
            }
        }
        let mut links = vec![Vec::new(); l];
        let mut lower = vec![c64::new(0.0, 0.0); l * l];
        for &(i, j, value) in imaginary {
            let (a, b) = (number[i], number[j]);
            match (is_early[i], is_early[j]) {
                (false, true) => links[a].push((b, value)),
                (true, false) => links[b].push((a, -value)),
                _ => lower[a.min(b) * l + a.max(b)].im += if a > b { value } else { -value },
            }
        }
        let columns = lower.par_chunks_mut(l.max(1)).enumerate();
        columns.for_each(|(j, column)| {
            // Column j of V K_LEᵀ, and of Y below it.
            let mut spread = vec![0.0; size];
            for &(early, value) in &links[j] {
                for (sum, &entry) in spread.iter_mut().zip(&carried[early * size..][..size]) {
                    *sum += value * entry;
                }
            }
            for i in j..l {
                let (mut real, mut turned) = (corner[j * l + i], spread[e + i]);
                for &(early, value) in &links[i] {
                    real -= value * spread[early];
                    turned -= value * carried[early * size + e + j];
                }
                column[i] += c64::new(real, turned);
            }
        });
        let schur = DenseFactor::new(lower, l).map_err(|row| late[row])?;
        Ok(Self {
            early,
            late,
            carried,
            links,
            schur,
        })
    }

    /// Solves for one right-hand side; the answer replaces it.
    pub(crate) fn solve(&self, rhs: &mut [c64]) {
        let (size, e) = (rhs.len(), self.early.len());
        let mut first: Vec<c64> = self.early.iter().map(|&row| rhs[row]).collect();
        let mut last: Vec<c64> = self.late.iter().map(|&row| rhs[row]).collect();
        // last ← last − (R_LE + i K_LE) V first
        let mut product = vec![c64::new(0.0, 0.0); size];
        for (column, &z) in self.carried.chunks_exact(size.max(1)).zip(&first) {
            for (sum, &entry) in product.iter_mut().zip(column) {
                *sum += z * entry;
            }
        }
        let (spread, pull) = product.split_at(e);
        for ((z, &pull), links) in last.iter_mut().zip(pull).zip(&self.links) {
            *z -= pull;
            for &(early, value) in links {
                *z -= c64::new(0.0, value) * spread[early];
            }
        }
        self.schur.solve(&mut last);
        // first ← V (first − i K_EL last) − V R_EL last, with K_EL = −K_LEᵀ
        for (&z, links) in last.iter().zip(&self.links) {
            for &(early, value) in links {
                first[early] += c64::new(0.0, value) * z;
            }
        }
        for (column, &row) in self.carried.chunks_exact(size.max(1)).zip(&self.early) {
            let (spread, pull) = column.split_at(e);
            let weighed = |entries: &[f64], z: &[c64]| -> c64 {
                entries.iter().zip(z).map(|(&entry, &z)| z * entry).sum()
            };
            rhs[row] = weighed(spread, &first) - weighed(pull, &last);
        }
        for (&row, z) in self.late.iter().zip(last) {
            rhs[row] = z;
        }
    }
}

/// Of the rows that entries join, some of which no two are joined: every other one along a chain.
fn every_other(size: usize, joined: &[(usize, usize, f64)]) -> Vec<bool> {
    let mut near = vec![Vec::new(); size];
    for &(i, j, _) in joined {
        near[i].push(j);
        near[j].push(i);
    }
    let mut seen = vec![false; size];
    let mut taken = vec![false; size];
    for start in 0..size {
        let mut next = Some(start).filter(|&row| !seen[row]);
        while let Some(row) = next {
            seen[row] = true;
            taken[row] = near[row].iter().all(|&other| !taken[other]);
            next = near[row].iter().copied().find(|&other| !seen[other]);
        }
    }
    taken
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A ring of 301 and one of 40 rows, joined with no gap or with one, and a row by itself.
    fn joined(gap: bool) -> Vec<(usize, usize, f64)> {
        let ring = |first: usize, count: usize| {
            // Not in the order of their numbers.
            let row = move |k: usize| first + k * 7 % count;
            (0..count).map(move |k| (row(k), row((k + 1) % count), 0.5))
        };
        ring(0, 301)
            .chain(ring(301, 40))
            .skip(usize::from(gap))
            .collect()
    }

    #[test]
    fn a_system_that_is_real_but_for_rings_is_solved() {
        let size = 342;
        // Diagonally dominant, entries from a fixed formula.
        let real = |i: usize, j: usize| {
            if i == j {
                size as f64
            } else {
                (0.3 * i as f64 + 0.7 * j as f64).sin()
            }
        };
        for gap in [false, true] {
            let imaginary = joined(gap);
            let x: Vec<c64> = (0..size)
                .map(|i| c64::new(i as f64, 1.0 - 0.5 * i as f64))
                .collect();
            let mut rhs: Vec<c64> = (0..size)
                .map(|i| {
                    let terms = (0..size).map(|j| x[j] * real(i.max(j), i.min(j)));
                    terms.sum()
                })
                .collect();
            for &(i, j, value) in &imaginary {
                rhs[i] += c64::new(0.0, value) * x[j];
                rhs[j] -= c64::new(0.0, value) * x[i];
            }
            let factor = AlmostReal::new(size, real, &imaginary).unwrap();
            assert!(factor.late.len() < size / 2 + 2, "{}", factor.late.len());
            factor.solve(&mut rhs);
            let off = rhs.iter().zip(&x).map(|(b, x)| (b - x).norm());
            let worst = off.fold(0.0, f64::max);
            assert!(worst < 1e-10, "{worst:e}");
        }
    }

    #[test]
    fn the_row_without_a_pivot_is_named() {
        let imaginary = joined(false);
        for bad in [0, 7, 341] {
            let real = |i: usize, j: usize| match i == j {
                true if i == bad => -1.0,
                true => 1.0,
                false => 0.0,
            };
            assert_eq!(AlmostReal::new(342, real, &imaginary).err(), Some(bad));
        }
    }
}
