//! The precision in which a factor is kept.

use std::{
    fmt::Debug,
    ops::{AddAssign, Div, Mul, Sub, SubAssign},
};

use faer::traits::ComplexField;

/// A real number that a factor may be made of.
pub(crate) trait Real:
    ComplexField
    + Copy
    + Debug
    + Mul<Output = Self>
    + Div<Output = Self>
    + Sub<Output = Self>
    + AddAssign
    + SubAssign
{
    /// Rounded to this precision.
    fn of(value: f64) -> Self;

    /// In double precision.
    fn whole(self) -> f64;
}

impl Real for f64 {
    fn of(value: f64) -> Self {
        value
    }

    fn whole(self) -> f64 {
        self
    }
}

impl Real for f32 {
    #[expect(clippy::cast_possible_truncation, reason = "rounded on purpose")]
    fn of(value: f64) -> Self {
        value as f32
    }

    fn whole(self) -> f64 {
        f64::from(self)
    }
}
