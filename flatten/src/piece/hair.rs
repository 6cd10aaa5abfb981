//! Hair for a base: how many, how heavy.
//!
//! Weight of a round hair of diameter d and length l: π/4 · d² · l · density. The density of hair,
//! 1.32 g/cm³, is from memory; the rest is geometry. Common practice, no source: 10 to 20 % more for
//! waste.

use std::f64::consts::PI;

/// Density of human hair, g/cm³; from memory.
pub const HAIR_DENSITY: f64 = 1.32;
/// Thickness taken when none is known, mm.
pub const HAIR_DIAMETER_MM: f64 = 0.07;

/// What is to be knotted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HairPlan {
    /// Hairs on a square centimetre.
    pub per_cm2: f64,
    /// Length that hangs, mm.
    pub length_mm: f64,
    /// Length folded back into the knot, mm.
    pub return_mm: f64,
    /// Thickness, mm.
    pub diameter_mm: f64,
}

/// Hairs and grams for an area.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HairNeed {
    /// Number of hairs.
    pub hairs: f64,
    /// Weight, g.
    pub grams: f64,
}

impl HairPlan {
    /// Grams that one millimetre of one hair weighs.
    #[must_use]
    pub fn grams_per_mm(&self) -> f64 {
        PI / 4.0 * self.diameter_mm * self.diameter_mm * HAIR_DENSITY * 1e-3
    }

    /// Hair for an area, mm², without waste.
    #[must_use]
    pub fn need(&self, area_mm2: f64) -> HairNeed {
        let hairs = self.per_cm2 * area_mm2 / 100.0;
        HairNeed {
            hairs,
            grams: hairs * (self.length_mm + self.return_mm) * self.grams_per_mm(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn forty_thousand_hairs_of_325_mm_weigh_66_g() {
        // 5.1e-6 g/mm at 0.07 mm and 6.6e-6 at 0.08 mm: the formula above, rounded.
        let plan = HairPlan {
            per_cm2: 74.0,
            length_mm: 300.0,
            return_mm: 25.0,
            diameter_mm: HAIR_DIAMETER_MM,
        };
        assert!((plan.grams_per_mm() - 5.1e-6).abs() < 0.05e-6);
        let thicker = HairPlan {
            diameter_mm: 0.08,
            ..plan
        };
        assert!((thicker.grams_per_mm() - 6.6e-6).abs() < 0.05e-6);
        let need = plan.need(40_000.0 / 74.0 * 100.0);
        assert!((need.hairs - 40_000.0).abs() < 1e-6);
        assert!((need.grams - 66.0).abs() < 0.5, "{}", need.grams);
    }
}
