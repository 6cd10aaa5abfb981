//! Sums over long vectors of plane displacements: the same bits with any number of threads.
//!
//! Work is cut into chunks of a fixed length, and the chunks' sums are added in their order.

use rayon::prelude::*;

/// Elements a chunk; vectors of one chunk are summed where they are, without threads.
pub(crate) const CHUNK: usize = 8192;

/// Displacements or forces, one a vertex.
pub(crate) type Field = Vec<[f64; 2]>;

pub(crate) fn dot(a: &[[f64; 2]], b: &[[f64; 2]]) -> f64 {
    let part = |a: &[[f64; 2]], b: &[[f64; 2]]| {
        a.iter()
            .zip(b)
            .map(|(a, b)| a[0] * b[0] + a[1] * b[1])
            .sum::<f64>()
    };
    if a.len() <= CHUNK {
        return part(a, b);
    }
    let parts: Vec<f64> = a
        .par_chunks(CHUNK)
        .zip(b.par_chunks(CHUNK))
        .map(|(a, b)| part(a, b))
        .collect();
    parts.iter().sum()
}

/// `a += scale · b`.
pub(crate) fn add_scaled(a: &mut [[f64; 2]], scale: f64, b: &[[f64; 2]]) {
    let part = |a: &mut [[f64; 2]], b: &[[f64; 2]]| {
        for (a, b) in a.iter_mut().zip(b) {
            a[0] += scale * b[0];
            a[1] += scale * b[1];
        }
    };
    if a.len() <= CHUNK {
        return part(a, b);
    }
    a.par_chunks_mut(CHUNK)
        .zip(b.par_chunks(CHUNK))
        .for_each(|(a, b)| part(a, b));
}

/// `a + scale · b` into `out`.
pub(crate) fn sum_into(out: &mut [[f64; 2]], a: &[[f64; 2]], scale: f64, b: &[[f64; 2]]) {
    out.copy_from_slice(a);
    add_scaled(out, scale, b);
}
