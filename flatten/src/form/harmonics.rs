//! Real spherical harmonics that are the same left and right.
//!
//! In: a unit direction on head axes. Out: the values of the [`TERMS`] functions, orthonormal over the
//! sphere, in the order degree 0 to [`DEGREE`], within a degree order 0 to the degree.
//!
//! The azimuth counts from the front (y), so a function even in x is a cosine and the sine half of the
//! usual set is left out. The functions are written as polynomials of the direction's coordinates:
//! no division by the sine of the polar angle, hence no trouble at the crown.

use std::{f64::consts::TAU, sync::LazyLock};

use crate::Vector3;

/// Highest degree.
pub const DEGREE: usize = 6;

/// Number of functions: (d + 1)(d + 2) / 2.
pub const TERMS: usize = (DEGREE + 1) * (DEGREE + 2) / 2;

/// Values of all functions in a unit direction.
///
/// # Method
/// Associated Legendre functions divided by sinᵐθ, by the usual three-term recursion in the degree
/// (no Condon–Shortley sign), times Re((y + ix)ᵐ).
#[must_use]
pub fn values(direction: &Vector3) -> [f64; TERMS] {
    let (x, y, z) = (direction.x, direction.y, direction.z);
    let norms = &*NORMS;
    let mut out = [0.0; TERMS];
    let (mut cosine, mut sine) = (1.0, 0.0);
    let mut diagonal = 1.0;
    for m in 0..=DEGREE {
        if m > 0 {
            (cosine, sine) = (cosine * y - sine * x, sine * y + cosine * x);
            diagonal *= (2 * m - 1) as f64;
        }
        let (mut before, mut here) = (0.0, diagonal);
        for l in m..=DEGREE {
            out[place(l, m)] = norms[place(l, m)] * here * cosine;
            let (lf, mf) = (l as f64, m as f64);
            let after = ((2.0 * lf + 1.0) * z * here - (lf + mf) * before) / (lf + 1.0 - mf);
            (before, here) = (here, after);
        }
    }
    out
}

/// Degree of each function, in order.
#[must_use]
pub fn degrees() -> [usize; TERMS] {
    let mut out = [0; TERMS];
    for l in 0..=DEGREE {
        for m in 0..=l {
            out[place(l, m)] = l;
        }
    }
    out
}

fn place(degree: usize, order: usize) -> usize {
    degree * (degree + 1) / 2 + order
}

/// The factors of all functions; square roots and factorials are too dear for every vertex.
static NORMS: LazyLock<[f64; TERMS]> = LazyLock::new(|| {
    let mut out = [0.0; TERMS];
    for l in 0..=DEGREE {
        for m in 0..=l {
            out[place(l, m)] = norm(l, m);
        }
    }
    out
});

/// Factor that makes the integral of the square over the sphere one.
fn norm(l: usize, m: usize) -> f64 {
    let falling: f64 = ((l - m + 1)..=(l + m)).map(|k| k as f64).product();
    let both_halves = if m == 0 { 1.0 } else { 2.0 };
    (both_halves * (2 * l + 1) as f64 / (2.0 * TAU * falling)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_low_functions_are_the_textbook_ones() {
        // Closed forms of degree 0 to 2, any physics textbook (e.g. Jackson, Classical Electrodynamics, 3.5).
        let d = Vector3::new(0.36, 0.48, 0.8);
        let v = values(&d);
        let pi = std::f64::consts::PI;
        let expected = [
            (1.0 / (4.0 * pi)).sqrt(),
            (3.0 / (4.0 * pi)).sqrt() * d.z,
            (3.0 / (4.0 * pi)).sqrt() * d.y,
            (5.0 / (16.0 * pi)).sqrt() * (3.0 * d.z * d.z - 1.0),
            (15.0 / (4.0 * pi)).sqrt() * d.y * d.z,
            (15.0 / (16.0 * pi)).sqrt() * (d.y * d.y - d.x * d.x),
        ];
        for (got, want) in v.iter().zip(expected) {
            assert!((got - want).abs() < 1e-14, "{got} {want}");
        }
    }

    #[test]
    fn the_functions_are_orthonormal_over_the_sphere() {
        // Equal steps round are exact for products of degree 12; the midpoint rule along z is not.
        let rows = 400;
        let steps = 16;
        let mut gram = vec![0.0; TERMS * TERMS];
        for i in 0..rows {
            let z = -1.0 + (2.0 * i as f64 + 1.0) / rows as f64;
            for j in 0..steps {
                let phi = TAU * j as f64 / steps as f64;
                let s = (1.0 - z * z).sqrt();
                let v = values(&Vector3::new(s * phi.sin(), s * phi.cos(), z));
                let weight = 2.0 / rows as f64 * TAU / steps as f64;
                for a in 0..TERMS {
                    for b in 0..TERMS {
                        gram[a * TERMS + b] += weight * v[a] * v[b];
                    }
                }
            }
        }
        for a in 0..TERMS {
            for b in 0..TERMS {
                let want = if a == b { 1.0 } else { 0.0 };
                // midpoint rule along z: error of order 1 / rows²
                assert!((gram[a * TERMS + b] - want).abs() < 2e-3, "{a} {b}");
            }
        }
    }
}
