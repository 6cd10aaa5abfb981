//! Upright boxes in the plane.

use super::drawing::Item;
use crate::Point2;

/// An upright box, mm. [`Bounds::EMPTY`] holds nothing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bounds {
    /// Lower left.
    pub low: Point2,
    /// Upper right.
    pub high: Point2,
}

impl Bounds {
    /// The box that holds nothing.
    pub const EMPTY: Self = Self {
        low: Point2::new(f64::INFINITY, f64::INFINITY),
        high: Point2::new(f64::NEG_INFINITY, f64::NEG_INFINITY),
    };

    /// The smallest box round points.
    #[must_use]
    pub fn of(points: &[Point2]) -> Self {
        let mut bounds = Self::EMPTY;
        for &p in points {
            bounds.take(p);
        }
        bounds
    }

    /// The smallest box round drawn things.
    #[must_use]
    pub fn of_items(items: &[Item]) -> Self {
        items
            .iter()
            .fold(Self::EMPTY, |all, item| all.join(&item.bounds()))
    }

    /// Grows to hold a point.
    pub fn take(&mut self, p: Point2) {
        self.low = self.low.inf(&p);
        self.high = self.high.sup(&p);
    }

    /// Whether it holds nothing.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        !(self.low.x <= self.high.x && self.low.y <= self.high.y)
    }

    /// Width, mm; zero when empty.
    #[must_use]
    pub fn width_mm(&self) -> f64 {
        (self.high.x - self.low.x).max(0.0)
    }

    /// Height, mm; zero when empty.
    #[must_use]
    pub fn height_mm(&self) -> f64 {
        (self.high.y - self.low.y).max(0.0)
    }

    /// Its middle.
    #[must_use]
    pub fn centre(&self) -> Point2 {
        nalgebra::center(&self.low, &self.high)
    }

    /// The smallest box round both.
    #[must_use]
    pub fn join(&self, other: &Self) -> Self {
        Self {
            low: self.low.inf(&other.low),
            high: self.high.sup(&other.high),
        }
    }

    /// What both hold.
    #[must_use]
    pub fn meet(&self, other: &Self) -> Self {
        Self {
            low: self.low.sup(&other.low),
            high: self.high.inf(&other.high),
        }
    }

    /// Moved outward on every side (inward when negative).
    #[must_use]
    pub fn grown(&self, by_mm: f64) -> Self {
        let by = nalgebra::Vector2::new(by_mm, by_mm);
        Self {
            low: self.low - by,
            high: self.high + by,
        }
    }

    /// Whether a point is inside or on the edge.
    #[must_use]
    pub fn holds(&self, p: Point2) -> bool {
        self.low.x <= p.x && p.x <= self.high.x && self.low.y <= p.y && p.y <= self.high.y
    }

    /// Whether the two share a point.
    #[must_use]
    pub fn touches(&self, other: &Self) -> bool {
        !self.meet(other).is_empty()
    }
}
