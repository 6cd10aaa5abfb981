//! Millimetres and inches.

/// Millimetres in an inch, exact (international inch, 1959).
pub const MM_PER_INCH: f64 = 25.4;
