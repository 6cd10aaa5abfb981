//! What a cloth's resistance costs on one triangle, as a function of how it is laid flat.
//!
//! In: the 2×2 matrix J from head to plane. Out: energy per head area, 0 (or 4 for the symmetric
//! Dirichlet energy) when the triangle keeps its shape, and its slope by J's entries.
//!
//! All energies are written in σ, flat length over head length. The material is flat first and worn
//! on the head after, so it is **stretched** where σ < 1 (λ = 1/σ > 1) and **crowded** where σ > 1.
//!
//! | energy | a principal stretch costs | barrier against flips |
//! |---|---|---|
//! | [`Energy::Equal`] | (σ − 1)²: least squares, as rigid as possible; on a cap Airy's map | added for σ2 < ¼ |
//! | [`Energy::SymmetricDirichlet`] | σ² + σ⁻² | in it |
//! | [`Energy::Cloth`] | tension·(1/σ − 1)² for σ < 1, crowding·(σ − 1)² for σ > 1 | in it |
//!
//! The cloth's crowding is measured on the head's length, (σ − 1) = (1 − λ)/λ, not on its own: equal
//! to second order, and convex however large the flat is, where (1 − λ)² levels off. Its slope is
//! continuous; its curvature jumps from `tension` to `crowding` at σ = 1.
//!
//! Grain: a woven or knitted material resists along one direction of the flat more than across it.
//! [`Grain`] adds the same two-sided cost for the stretch along one given direction of the plane.
//!
//! Sources: Liu et al. 2008 (10.1111/j.1467-8659.2008.01290.x), Smith & Schaefer 2015
//! (10.1145/2766947); the cloth's form is ours.

use crate::Vector2;

use super::{
    curvature::{Mode, isotropic_modes},
    stretch::{Jacobian, Stretch},
};

/// Strain, in units of the stiffening one, up to which resistance grows. Steeper cloth would gain nothing
/// beyond and slow the descent: of a sixth power Newton's step takes a fifth off, of a square all.
const STIFFEST: f64 = 3.0;

/// σ below which [`Energy::Equal`] gets a barrier. Maps with less than 75 % local shrinkage are untouched.
pub(crate) const EQUAL_BARRIER: f64 = 0.25;

/// How the material resists being laid flat.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Energy {
    /// Mean of (σ1 − 1)² + (σ2 − 1)²: stretch and crowding resisted alike.
    Equal,
    /// Mean of σ1² + σ2² + σ1⁻² + σ2⁻²; 4 means no strain.
    SymmetricDirichlet,
    /// A material with a resistance of its own to being stretched and to being crowded.
    Cloth(Cloth),
}

/// Resistances of a material; only their ratios matter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cloth {
    /// To being stretched; above 0.
    pub tension: f64,
    /// To being crowded; above 0.
    pub crowding: f64,
    /// Strain at which resistance has doubled, if the material stiffens: it spreads strain more
    /// evenly and lowers its peaks.
    pub stiffening: Option<f64>,
    /// A direction that resists more than the others.
    pub grain: Option<Grain>,
}

impl Cloth {
    /// Resists stretch and crowding in these proportions, the same in all directions.
    #[must_use]
    pub fn new(tension: f64, crowding: f64) -> Self {
        Self {
            tension,
            crowding,
            stiffening: None,
            grain: None,
        }
    }
}

/// Additional resistance along one direction of the plane.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Grain {
    /// Unit direction in the plane, the stiffer one.
    pub along: Vector2,
    /// Its resistance over that of the other direction, less 1; at least 0.
    pub extra: f64,
}

/// Energy density of one triangle.
pub(crate) trait Density: Sync {
    /// Density and its slope by a, b, c, d of J.
    fn at(&self, j: &Jacobian) -> (f64, [f64; 4]);

    /// Half the density's curvature at rest: the weight of the Laplacian that precedes it.
    fn stiffness(&self) -> f64;

    /// Second derivative by J's entries as weighted modes, those of the grain left out.
    fn modes(&self, j: &Jacobian) -> [Mode; 4];
}

/// Turns the slopes by σ1 and σ2 into slopes by J's entries.
#[inline]
fn by_entries(s: &Stretch, p1: f64, p2: f64) -> [f64; 4] {
    let turn = if s.q > 0.0 {
        0.5 * (p1 + p2) / s.q
    } else {
        0.0
    };
    let mirror = if s.r > 0.0 {
        0.5 * (p1 - p2) / s.r
    } else {
        0.0
    };
    let (te, th) = (turn * s.turn[0], turn * s.turn[1]);
    let (mf, mg) = (mirror * s.mirror[0], mirror * s.mirror[1]);
    [te + mf, mg - th, mg + th, te - mf]
}

/// Least squares, times a weight.
pub(crate) struct EqualDensity {
    pub(crate) weight: f64,
}

impl EqualDensity {
    /// [`Energy::Equal`].
    pub(crate) const PLAIN: Self = Self { weight: 1.0 };
}

impl Density for EqualDensity {
    #[inline]
    fn at(&self, j: &Jacobian) -> (f64, [f64; 4]) {
        let s = j.stretch();
        let (e1, e2) = (s.s1() - 1.0, s.s2() - 1.0);
        let (mut value, mut p2) = (e1 * e1 + e2 * e2, 2.0 * e2);
        if s.s2() < EQUAL_BARRIER {
            let ratio = EQUAL_BARRIER / s.s2();
            let over = ratio - 1.0;
            value += over * over * over;
            p2 -= 3.0 * over * over * ratio / s.s2();
        }
        let weight = self.weight;
        let slope = by_entries(&s, weight * 2.0 * e1, weight * p2);
        (weight * value, slope)
    }

    fn stiffness(&self) -> f64 {
        self.weight
    }

    fn modes(&self, j: &Jacobian) -> [Mode; 4] {
        isotropic_modes(&j.stretch(), |sigma| {
            let ratio = (EQUAL_BARRIER / sigma).max(1.0);
            let over = ratio - 1.0;
            let bend = 6.0 * over * ratio * (2.0 * ratio - 1.0) / (sigma * sigma);
            let push = 3.0 * over * over * ratio / sigma;
            let slope = 2.0 * (sigma - 1.0) - push;
            (self.weight * slope, self.weight * (2.0 + bend))
        })
    }
}

/// Symmetric Dirichlet, in closed form: |J|² (1 + 1/det²).
pub(crate) struct DirichletDensity;

impl Density for DirichletDensity {
    #[inline]
    fn at(&self, j: &Jacobian) -> (f64, [f64; 4]) {
        let norm = j.a * j.a + j.b * j.b + j.c * j.c + j.d * j.d;
        let inverse = 1.0 / j.determinant();
        let squared = inverse * inverse;
        let (own, other) = (2.0 * (1.0 + squared), -2.0 * norm * squared * inverse);
        let slope = [
            own * j.a + other * j.d,
            own * j.b - other * j.c,
            own * j.c - other * j.b,
            own * j.d + other * j.a,
        ];
        (norm * (1.0 + squared), slope)
    }

    fn stiffness(&self) -> f64 {
        4.0
    }

    fn modes(&self, j: &Jacobian) -> [Mode; 4] {
        isotropic_modes(&j.stretch(), |sigma| {
            let fourth = 1.0 / (sigma * sigma * sigma * sigma);
            (2.0 * sigma * (1.0 - fourth), 2.0 + 6.0 * fourth)
        })
    }
}

/// Value, slope and curvature `past` a place where a function has those given, if it goes on as a square.
#[inline]
pub(crate) fn squared_beyond(past: f64, [value, slope, bend]: [f64; 3]) -> [f64; 3] {
    [
        value + past * (slope + 0.5 * past * bend),
        slope + past * bend,
        bend,
    ]
}

impl Cloth {
    /// Cost of a strain at resistance 1, its slope and its curvature: strain² (1 + (strain / limit)⁴), which
    /// leaves what is well below the limit alone and takes hold beyond; above [`STIFFEST`] limits as a
    /// square, joined with the same slope and curvature.
    #[inline]
    fn cost(&self, strain: f64) -> [f64; 3] {
        let Some(limit) = self.stiffening else {
            return [strain * strain, 2.0 * strain, 2.0];
        };
        let at = strain.min(STIFFEST * limit);
        let square = (at / limit) * (at / limit);
        let stiff = square * square;
        let bend = 2.0 + 30.0 * stiff;
        squared_beyond(
            strain - at,
            [at * at * (1.0 + stiff), at * (2.0 + 6.0 * stiff), bend],
        )
    }

    /// Cost of one stretch σ and its slope.
    #[inline]
    fn resist(&self, sigma: f64) -> (f64, f64) {
        let (weight, strain, by_sigma) = if sigma < 1.0 {
            let lambda = 1.0 / sigma;
            (self.tension, lambda - 1.0, -lambda * lambda)
        } else {
            (self.crowding, sigma - 1.0, 1.0)
        };
        let [value, slope, _] = self.cost(strain);
        (weight * value, weight * slope * by_sigma)
    }

    /// Curvature of [`Self::resist`].
    fn resist_bend(&self, sigma: f64) -> f64 {
        let (weight, strain, by, bend) = if sigma < 1.0 {
            let lambda = 1.0 / sigma;
            let square = lambda * lambda;
            (self.tension, lambda - 1.0, -square, 2.0 * square * lambda)
        } else {
            (self.crowding, sigma - 1.0, 1.0, 0.0)
        };
        let [_, slope, own] = self.cost(strain);
        weight * (own * by * by + slope * bend)
    }

    /// Cost of the stretch along the grain: 1/σ is |J⁻¹ g| = |Jᵀ n| / det J, n square to g.
    #[inline]
    fn resist_grain(&self, grain: &Grain, j: &Jacobian) -> (f64, [f64; 4]) {
        let (nx, ny) = (-grain.along.y, grain.along.x);
        let (x, y) = (j.a * nx + j.c * ny, j.b * nx + j.d * ny);
        let (length, det) = ((x * x + y * y).sqrt(), j.determinant());
        let (value, by_sigma) = self.resist(det / length);
        // σ = det / length
        let (by_det, by_length) = (by_sigma / length, -by_sigma * det / (length * length));
        let (by_x, by_y) = (by_length * x / length, by_length * y / length);
        let slope = [
            by_det * j.d + by_x * nx,
            -by_det * j.c + by_y * nx,
            -by_det * j.b + by_x * ny,
            by_det * j.a + by_y * ny,
        ];
        (grain.extra * value, slope.map(|s| grain.extra * s))
    }
}

impl Density for Cloth {
    #[inline]
    fn at(&self, j: &Jacobian) -> (f64, [f64; 4]) {
        let s = j.stretch();
        let (v1, p1) = self.resist(s.s1());
        let (v2, p2) = self.resist(s.s2());
        let (mut value, mut slope) = (v1 + v2, by_entries(&s, p1, p2));
        if let Some(grain) = &self.grain {
            let (more, by) = self.resist_grain(grain, j);
            value += more;
            for (own, add) in slope.iter_mut().zip(by) {
                *own += add;
            }
        }
        (value, slope)
    }

    fn stiffness(&self) -> f64 {
        0.5 * (self.tension + self.crowding)
    }

    fn modes(&self, j: &Jacobian) -> [Mode; 4] {
        isotropic_modes(&j.stretch(), |sigma| {
            (self.resist(sigma).1, self.resist_bend(sigma))
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn check_slope(density: &impl Density) {
        let samples = [
            [1.1, 0.2, -0.1, 0.9],
            [0.3, 0.0, 0.05, 0.18],
            [-0.7, 0.9, -1.3, -0.4],
            [2.0, 0.1, 0.3, 1.4],
        ];
        for entries in samples {
            let j = |e: [f64; 4]| Jacobian {
                a: e[0],
                b: e[1],
                c: e[2],
                d: e[3],
            };
            assert!(j(entries).determinant() > 0.0);
            let (_, slope) = density.at(&j(entries));
            for k in 0..4 {
                let step = 1e-6;
                let moved = |by: f64| {
                    let mut e = entries;
                    e[k] += by;
                    density.at(&j(e)).0
                };
                let numeric = (moved(step) - moved(-step)) / (2.0 * step);
                let scale = slope.iter().map(|s| s.abs()).fold(1.0, f64::max);
                assert!((numeric - slope[k]).abs() < 1e-6 * scale, "{entries:?} {k}");
            }
        }
    }

    fn check_modes(density: &impl Density) {
        let entries = [1.1, 0.2, -0.15, 0.93];
        let slope = |e: [f64; 4]| {
            let [a, b, c, d] = e;
            density.at(&Jacobian { a, b, c, d }).1
        };
        let [a, b, c, d] = entries;
        for mode in density.modes(&Jacobian { a, b, c, d }) {
            let step = 1e-6;
            let moved = |by: f64| slope(std::array::from_fn(|k| entries[k] + by * mode.along[k]));
            let (ahead, behind) = (moved(step), moved(-step));
            // Each mode is an eigenvector: the slope changes along it by its weight, no other way.
            for k in 0..4 {
                let change = (ahead[k] - behind[k]) / (2.0 * step);
                let expected = mode.weight * mode.along[k];
                assert!((change - expected).abs() < 1e-5 * (1.0 + mode.weight.abs()));
            }
        }
    }

    #[test]
    fn modes_are_the_second_derivative() {
        check_modes(&EqualDensity { weight: 1.5 });
        check_modes(&DirichletDensity);
        check_modes(&Cloth::new(1.0, 3.0));
        check_modes(&Cloth {
            stiffening: Some(0.05),
            ..Cloth::new(2.0, 1.0)
        });
    }

    #[test]
    fn slopes_are_those_of_the_values() {
        check_slope(&EqualDensity { weight: 1.5 });
        check_slope(&DirichletDensity);
        check_slope(&Cloth::new(1.0, 3.0));
        check_slope(&Cloth {
            stiffening: Some(0.05),
            grain: Some(Grain {
                along: Vector2::new(0.6, 0.8),
                extra: 2.0,
            }),
            ..Cloth::new(2.0, 1.0)
        });
    }

    #[test]
    fn a_cloth_that_resists_tension_more_pays_more_for_a_small_flat() {
        let scaled = |s: f64| Jacobian {
            a: s,
            b: 0.0,
            c: 0.0,
            d: s,
        };
        let cloth = Cloth::new(4.0, 1.0);
        assert!(cloth.at(&scaled(1.0)).0.abs() < 1e-30);
        // Flat at 1/1.1 of the head: stretched by 10 % both ways; at 1.1: crowded.
        assert!((cloth.at(&scaled(1.0 / 1.1)).0 - 8.0 * 0.01).abs() < 1e-12);
        assert!((cloth.at(&scaled(1.1)).0 - 2.0 * 0.01).abs() < 1e-12);
    }

    #[test]
    fn only_strain_along_the_grain_costs_the_extra() {
        let cloth = Cloth {
            grain: Some(Grain {
                along: Vector2::new(0.0, 1.0),
                extra: 5.0,
            }),
            ..Cloth::new(1.0, 1.0)
        };
        let plain = Cloth::new(1.0, 1.0);
        let j = |a: f64, d: f64| Jacobian {
            a,
            b: 0.0,
            c: 0.0,
            d,
        };
        assert!((cloth.at(&j(0.9, 1.0)).0 - plain.at(&j(0.9, 1.0)).0).abs() < 1e-15);
        let ratio = cloth.at(&j(1.0, 0.9)).0 / plain.at(&j(1.0, 0.9)).0;
        assert!((ratio - 6.0).abs() < 1e-12);
    }
}
