//! The strain scale: bands from light to dark that can be told apart in grey.

/// Number of bands; the border between the fourth and the fifth is the material's limit.
pub const BANDS: usize = 8;

/// Colours of the bands, from no strain to twice the limit and more.
///
/// Lightness falls evenly, so a copy in grey keeps the order; the hue turns at the limit, so that in
/// colour one sees at once where it is passed.
const COLOURS: [[u8; 3]; BANDS] = [
    [247, 250, 245],
    [222, 235, 220],
    [196, 219, 197],
    [168, 202, 176],
    [226, 150, 76],
    [201, 108, 44],
    [158, 66, 28],
    [96, 30, 20],
];

/// A scale that belongs to one limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// The material's limit.
    pub limit: f64,
}

impl Scale {
    /// Number of the band of a strain.
    pub fn band(self, strain: f64) -> usize {
        let width = self.band_width();
        // Not a number and infinite land in the last band.
        (0..BANDS - 1)
            .find(|band| strain < width * (band + 1) as f64)
            .unwrap_or(BANDS - 1)
    }

    /// Strain from the beginning of a band to its end.
    pub fn band_width(self) -> f64 {
        self.limit / (BANDS / 2) as f64
    }

    /// Colour of a strain.
    pub fn colour(self, strain: f64) -> [u8; 3] {
        COLOURS[self.band(strain)]
    }

    /// Colour of a band.
    pub fn of_band(band: usize) -> [u8; 3] {
        COLOURS[band.min(BANDS - 1)]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_scale_gets_darker_all_the_way_so_that_it_reads_in_grey() {
        // Luma of ITU-R BT.601.
        let grey = |c: [u8; 3]| {
            0.299 * f64::from(c[0]) + 0.587 * f64::from(c[1]) + 0.114 * f64::from(c[2])
        };
        for pair in COLOURS.windows(2) {
            assert!(grey(pair[0]) - grey(pair[1]) > 10.0, "{pair:?}");
        }
    }

    #[test]
    fn the_limit_lies_between_two_bands() {
        let scale = Scale { limit: 0.03 };
        assert_eq!(scale.band(0.0299), BANDS / 2 - 1);
        assert_eq!(scale.band(0.0301), BANDS / 2);
        assert_eq!(scale.band(f64::INFINITY), BANDS - 1);
        assert_eq!(scale.band(f64::NAN), BANDS - 1);
    }
}
