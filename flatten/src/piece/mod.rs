//! What is cut and sewn.

/// Width of material left beyond the sew line, mm, per stretch of edge.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Allowance {
    /// Front hairline.
    pub front_mm: f64,
    /// Temples, ears and behind them.
    pub sides_mm: f64,
    /// Nape.
    pub nape_mm: f64,
    /// Into an opening.
    pub opening_mm: f64,
    /// Beside a seam.
    pub seam_mm: f64,
    /// Beside a dart leg.
    pub dart_mm: f64,
}
