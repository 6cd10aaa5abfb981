//! The linear map of one triangle from head to plane and its two principal stretches.
//!
//! In: a triangle on the head, laid once and for all in a plane of its own ([`Rest`]), and the plane
//! positions of its corners. Out: the 2×2 matrix J that takes one to the other and its signed singular
//! values σ1 ≥ |σ2|, σ2 negative when the triangle is turned over.
//!
//! Method: with `q = ½(a + d, c − b)` and `r = ½(a − d, c + b)` (J's turning and its mirroring part)
//! the singular values are |q| ± |r|: no trigonometry, exact for the identity and for any pure scale.
//! Elementary; e.g. Blinn 1996, "Consider the lowly 2×2 matrix", IEEE CG&A 16(2), 10.1109/38.486688.

use rayon::prelude::*;

use crate::{Point2, Vector2, mesh::TriMesh};

/// Height below which a triangle counts as a needle, relative to its base. Its true height is
/// replaced, so that what it adds to a sum stays finite; its area is too small to matter there.
const NEEDLE: f64 = 1e-9;

/// A triangle of the head laid in its own plane: corner 0 in the origin, corner 1 on the first axis.
///
/// Kept as the inverse of the side matrix `[[base, foot], [0, height]]`, which is all that J needs.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Rest {
    /// 1 / base.
    pub(crate) i11: f64,
    /// −foot / (base · height).
    pub(crate) i12: f64,
    /// 1 / height.
    pub(crate) i22: f64,
    /// Area, mm².
    pub(crate) area: f64,
}

impl Rest {
    pub(crate) fn new([p0, p1, p2]: [crate::Point3; 3]) -> Self {
        let (side, other) = (p1 - p0, p2 - p0);
        let base = side.norm().max(f64::MIN_POSITIVE.sqrt());
        let foot = side.dot(&other) / base;
        let doubled = side.cross(&other).norm();
        let height = (doubled / base).max(NEEDLE * base.max(foot.abs()));
        Self {
            i11: 1.0 / base,
            i12: -foot / (base * height),
            i22: 1.0 / height,
            area: 0.5 * doubled,
        }
    }

    /// Every triangle of a mesh.
    pub(crate) fn of_mesh(mesh: &TriMesh) -> Vec<Self> {
        mesh.faces()
            .par_iter()
            .map(|corners| Self::new(corners.map(|v| mesh.position(v))))
            .collect()
    }

    /// The linear map that takes the head's triangle to the plane's.
    #[inline]
    pub(crate) fn jacobian(&self, p0: [f64; 2], p1: [f64; 2], p2: [f64; 2]) -> Jacobian {
        let (x1, y1) = (p1[0] - p0[0], p1[1] - p0[1]);
        let (x2, y2) = (p2[0] - p0[0], p2[1] - p0[1]);
        Jacobian {
            a: x1 * self.i11,
            b: x1 * self.i12 + x2 * self.i22,
            c: y1 * self.i11,
            d: y1 * self.i12 + y2 * self.i22,
        }
    }

    /// As [`Self::jacobian`], from points.
    pub(crate) fn jacobian_at(&self, corners: [Point2; 3]) -> Jacobian {
        let [p0, p1, p2] = corners.map(|p| [p.x, p.y]);
        self.jacobian(p0, p1, p2)
    }
}

/// `[[a, b], [c, d]]`, head to plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Jacobian {
    pub(crate) a: f64,
    pub(crate) b: f64,
    pub(crate) c: f64,
    pub(crate) d: f64,
}

/// Turning and mirroring part of a [`Jacobian`], and the stretches they give.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Stretch {
    /// Half (a + d, c − b).
    pub(crate) turn: [f64; 2],
    /// Half (a − d, c + b).
    pub(crate) mirror: [f64; 2],
    /// Lengths of the two.
    pub(crate) q: f64,
    pub(crate) r: f64,
}

impl Jacobian {
    pub(crate) fn determinant(&self) -> f64 {
        self.a * self.d - self.b * self.c
    }

    #[inline]
    pub(crate) fn stretch(&self) -> Stretch {
        let turn = [0.5 * (self.a + self.d), 0.5 * (self.c - self.b)];
        let mirror = [0.5 * (self.a - self.d), 0.5 * (self.c + self.b)];
        Stretch {
            turn,
            mirror,
            q: (turn[0] * turn[0] + turn[1] * turn[1]).sqrt(),
            r: (mirror[0] * mirror[0] + mirror[1] * mirror[1]).sqrt(),
        }
    }

    /// Unit direction in the plane along which head lengths shrink most on their way to it: the flat
    /// material has to stretch most along it.
    pub(crate) fn tightest_direction(&self) -> Vector2 {
        let (x, y) = (
            self.a * self.a + self.b * self.b,
            self.c * self.c + self.d * self.d,
        );
        let (half, cross) = (0.5 * (x - y), self.a * self.c + self.b * self.d);
        let length = half.hypot(cross);
        if length <= 1e-14 * (x + y) {
            return Vector2::new(1.0, 0.0);
        }
        // Half-angle formulas for the axis of J Jᵀ with the smaller eigenvalue.
        let cosine = ((1.0 - half / length) * 0.5).max(0.0).sqrt();
        let sine = ((1.0 + half / length) * 0.5).max(0.0).sqrt();
        Vector2::new(cosine, if cross > 0.0 { -sine } else { sine })
    }
}

impl Stretch {
    /// The greater singular value, flat length over head length.
    pub(crate) fn s1(&self) -> f64 {
        self.q + self.r
    }

    /// The lesser one, negative when turned over.
    pub(crate) fn s2(&self) -> f64 {
        self.q - self.r
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::Matrix2;

    #[test]
    fn stretches_equal_those_of_a_general_decomposition() {
        let mut seed = 1_u64;
        let mut random = || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (seed >> 11) as f64 / (1_u64 << 53) as f64 * 4.0 - 2.0
        };
        for _ in 0..1000 {
            let m = Matrix2::new(random(), random(), random(), random());
            let j = Jacobian {
                a: m[(0, 0)],
                b: m[(0, 1)],
                c: m[(1, 0)],
                d: m[(1, 1)],
            };
            let svd = m.svd(true, true);
            let (s, u) = (svd.singular_values, svd.u.unwrap());
            let got = j.stretch();
            assert!((got.s1() - s[0]).abs() < 1e-12);
            assert!((got.s2().abs() - s[1]).abs() < 1e-12);
            assert_eq!(got.s2() < 0.0, m.determinant() < 0.0);
            let along = j.tightest_direction();
            assert!((along.dot(&u.column(1)).abs() - 1.0).abs() < 1e-9);
        }
    }

    #[test]
    fn the_identity_and_a_scale_are_exact() {
        for scale in [1.0_f64, 0.25, 3.0] {
            let j = Jacobian {
                a: scale,
                b: 0.0,
                c: 0.0,
                d: scale,
            };
            for found in [j.stretch().s1(), j.stretch().s2()] {
                assert_eq!(found.to_bits(), scale.to_bits());
            }
        }
    }
}
