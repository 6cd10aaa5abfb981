//! Hair for a base: how many, how heavy, and the areas it is knotted into.
//!
//! Weight of a round hair of diameter d and length l: π/4 · d² · l · density; at 0.07 mm and
//! 1.32 g/cm³ that is 5.1e-6 g for each millimetre. The density of hair is from memory; the rest is
//! geometry. Common practice, no source: 10 to 20 % more for waste.
//!
//! Zones are told by the direction from the middle between the ears' tops: the top is within 45° of
//! straight up; below it front and back are a quarter of the way round each, and the sides the rest.
//! Our own choice: makers draw their zones by eye.

use std::f64::consts::PI;

use crate::{
    mesh::{TriMesh, index},
    patch::Head,
};

/// A part of the base with a density of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum HairZone {
    /// Behind the front hairline.
    Front,
    /// Both sides, over and behind the ears.
    Sides,
    /// Top and crown.
    Top,
    /// Back and nape.
    Back,
}

impl HairZone {
    /// All of them, front first.
    pub const ALL: [Self; 4] = [Self::Front, Self::Sides, Self::Top, Self::Back];

    /// Its name in files.
    #[must_use]
    pub fn key(self) -> &'static str {
        match self {
            Self::Front => "front",
            Self::Sides => "sides",
            Self::Top => "top",
            Self::Back => "back",
        }
    }

    /// The zone of a direction in head axes: right, forward, up.
    #[must_use]
    pub fn of([right, forward, up]: [f64; 3]) -> Self {
        if up >= right.hypot(forward) {
            Self::Top
        } else if right.abs() > forward.abs() {
            Self::Sides
        } else if forward > 0.0 {
            Self::Front
        } else {
            Self::Back
        }
    }
}

/// Area of each zone of a surface, mm², in the order of [`HairZone::ALL`]; each triangle counts where
/// its middle is.
#[must_use]
pub fn zone_areas(surface: &TriMesh, head: &Head) -> [f64; 4] {
    let mut areas = [0.0; 4];
    for face in 0..index(surface.face_count()) {
        let [a, b, c] = surface.corners(face);
        let middle = (a.coords + b.coords + c.coords) / 3.0;
        let zone = HairZone::of(head.in_axes(middle.into()));
        areas[zone as usize] += surface.face_area(face);
    }
    areas
}

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
    fn zones_are_told_by_direction() {
        for (direction, zone) in [
            ([0.0, 90.0, 30.0], HairZone::Front),
            ([-70.0, 10.0, 5.0], HairZone::Sides),
            ([70.0, -10.0, -20.0], HairZone::Sides),
            ([5.0, 10.0, 120.0], HairZone::Top),
            ([10.0, -90.0, -40.0], HairZone::Back),
        ] {
            assert_eq!(HairZone::of(direction), zone, "{direction:?}");
        }
    }

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
