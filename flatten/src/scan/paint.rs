//! Several texture pictures into the one that [`Paint::Texture`] holds.
//!
//! A scan with one picture keeps it untouched. With several, or with faces that have a plain colour only, the
//! pictures are set one above the other and the coordinates moved with them.

use image::{Rgb, RgbImage};

use super::{Paint, picture::MAX_PIXELS};

/// Pictures or plain colours, and which faces wear which.
#[derive(Debug, Default)]
pub(super) struct Pages {
    pages: Vec<RgbImage>,
    /// The colour of each page that is a plain one.
    colours: Vec<Option<[u8; 3]>>,
    /// First face of each run and its page; a run ends where the next begins.
    runs: Vec<(usize, Option<usize>)>,
}

/// Side of the square that stands for a plain colour: sampling between pixels stays inside it.
const PLAIN_SIDE: u32 = 4;
/// Most pictures and plain colours.
const MAX_PAGES: usize = 256;
/// Colour of faces without any: paper white, so that no pen line is seen in it.
const BLANK: [u8; 3] = [255; 3];

impl Pages {
    /// Adds a picture.
    ///
    /// # Errors
    /// A clause for a note when all pictures together are too large.
    pub(super) fn picture(&mut self, picture: RgbImage) -> Result<usize, String> {
        if !self.fits(picture.width(), picture.height()) {
            return Err(format!(
                "with it the textures would have more than {MAX_PIXELS} pixels together"
            ));
        }
        Ok(self.push(picture, None))
    }

    /// The page of a plain colour, or none when there are too many colours.
    pub(super) fn plain(&mut self, colour: [u8; 3]) -> Option<usize> {
        let known = self.colours.iter().position(|c| *c == Some(colour));
        if known.is_some() || self.pages.len() >= MAX_PAGES || !self.fits(PLAIN_SIDE, PLAIN_SIDE) {
            return known;
        }
        let square = RgbImage::from_pixel(PLAIN_SIDE, PLAIN_SIDE, Rgb(colour));
        Some(self.push(square, Some(colour)))
    }

    fn push(&mut self, page: RgbImage, colour: Option<[u8; 3]>) -> usize {
        self.pages.push(page);
        self.colours.push(colour);
        self.pages.len() - 1
    }

    /// Whether the sheet of all pages, one above the other, stays within bounds.
    fn fits(&self, width: u32, height: u32) -> bool {
        let widest = self.pages.iter().map(RgbImage::width).max().unwrap_or(0);
        let high: u64 = self.pages.iter().map(|p| u64::from(p.height())).sum();
        let high = high + u64::from(height) + u64::from(PLAIN_SIDE);
        u64::from(widest.max(width)) * high <= MAX_PIXELS
    }

    /// Faces from `face` on wear `page`.
    pub(super) fn wear(&mut self, face: usize, page: Option<usize>) {
        match self.runs.last_mut() {
            Some(run) if run.0 == face => run.1 = page,
            Some(run) if run.1 == page => {}
            _ => self.runs.push((face, page)),
        }
    }

    /// Whether there is any picture, as opposed to plain colours.
    pub(super) fn has_picture(&self) -> bool {
        self.colours.iter().any(Option::is_none)
    }

    /// The pages on one picture, coordinates moved with them.
    pub(super) fn into_paint(mut self, mut corners: Vec<[[f32; 2]; 3]>) -> Paint {
        for uv in corners.iter_mut() {
            into_unit_square(uv);
        }
        let worn_blank = self.runs.first().is_none_or(|run| run.0 > 0)
            || self.runs.iter().any(|run| run.1.is_none());
        if self.pages.len() == 1 && !worn_blank {
            let image = self.pages.remove(0);
            return Paint::Texture { corners, image };
        }
        let square = RgbImage::from_pixel(PLAIN_SIDE, PLAIN_SIDE, Rgb(BLANK));
        let blank = self.push(square, Some(BLANK));
        let width = self.pages.iter().map(RgbImage::width).max().unwrap_or(1);
        let height: u32 = self.pages.iter().map(RgbImage::height).sum();
        let mut sheet = RgbImage::from_pixel(width, height, Rgb(BLANK));
        let mut tops = Vec::with_capacity(self.pages.len());
        let mut top = 0;
        for page in &self.pages {
            image::imageops::replace(&mut sheet, page, 0, i64::from(top));
            tops.push(top);
            top += page.height();
        }
        if self.runs.first().is_none_or(|run| run.0 > 0) {
            self.runs.insert(0, (0, None));
        }
        let ends = self.runs.iter().skip(1).map(|run| run.0);
        let ends = ends.chain([corners.len()]).collect::<Vec<_>>();
        for (&(from, page), end) in self.runs.iter().zip(ends) {
            let page = page.unwrap_or(blank);
            let (picture, top) = (&self.pages[page], f64::from(tops[page]));
            let (w, h) = (f64::from(picture.width()), f64::from(picture.height()));
            let plain = self.colours[page].is_some();
            for uv in corners.get_mut(from..end).into_iter().flatten().flatten() {
                let [u, v] = if plain { [0.5, 0.5] } else { *uv };
                let x = f64::from(u) * w / f64::from(width);
                let y = 1.0 - (top + (1.0 - f64::from(v)) * h) / f64::from(height);
                #[allow(
                    clippy::cast_possible_truncation,
                    reason = "texture coordinates are f32"
                )]
                let moved = [x as f32, y as f32];
                *uv = moved;
            }
        }
        Paint::Texture {
            corners,
            image: sheet,
        }
    }
}

/// Pictures repeat outside (0, 0)–(1, 1); a face is moved back by whole pictures and clamped.
fn into_unit_square(uv: &mut [[f32; 2]; 3]) {
    for axis in 0..2 {
        let lowest = uv.iter().map(|c| c[axis]).fold(f32::INFINITY, f32::min);
        let highest = uv.iter().map(|c| c[axis]).fold(f32::NEG_INFINITY, f32::max);
        let inside = lowest >= 0.0 && highest <= 1.0;
        let whole = if inside || !lowest.is_finite() {
            0.0
        } else {
            lowest.floor()
        };
        for c in uv.iter_mut() {
            let moved = (c[axis] - whole).clamp(0.0, 1.0);
            c[axis] = if moved.is_nan() { 0.0 } else { moved };
        }
    }
}

/// sRGB value of a linear one (IEC 61966-2-1), 0 to 1 in and 0 to 255 out.
pub(super) fn srgb_from_linear(linear: f64) -> u8 {
    let linear = linear.clamp(0.0, 1.0);
    let encoded = if linear <= 0.003_130_8 {
        12.92 * linear
    } else {
        1.055 * linear.powf(1.0 / 2.4) - 0.055
    };
    byte(encoded)
}

/// 0 to 1 as 0 to 255; anything else is clamped, not-a-number is 0.
pub(super) fn byte(value: f64) -> u8 {
    #[allow(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped to the range of a byte"
    )]
    let byte = (value.clamp(0.0, 1.0) * 255.0).round() as u8;
    byte
}

#[cfg(test)]
mod tests {
    use super::*;

    fn sample(paint: &Paint, face: usize) -> [u8; 3] {
        let Paint::Texture { corners, image } = paint else {
            panic!("no texture")
        };
        let [a, b, c] = corners[face];
        let middle = |k: usize| f64::from(a[k] + b[k] + c[k]) / 3.0;
        let x = (middle(0) * f64::from(image.width())).floor();
        let y = ((1.0 - middle(1)) * f64::from(image.height())).floor();
        image.get_pixel(x as u32, y as u32).0
    }

    #[test]
    fn two_pictures_and_a_plain_colour_keep_their_colours_on_one_sheet() {
        let mut pages = Pages::default();
        let red = pages
            .picture(RgbImage::from_pixel(8, 8, Rgb([255, 0, 0])))
            .unwrap();
        let two = RgbImage::from_fn(16, 2, |_, y| {
            Rgb(if y == 0 { [0, 255, 0] } else { [0, 0, 255] })
        });
        let two = pages.picture(two).unwrap();
        let grey = pages.plain([9, 9, 9]).unwrap();
        for (face, page) in [Some(red), Some(two), Some(two), Some(grey), None]
            .into_iter()
            .enumerate()
        {
            pages.wear(face, page);
        }
        let low = [[0.1, 0.1], [0.2, 0.1], [0.1, 0.2]];
        let high = [[3.1, -0.1], [3.2, -0.1], [3.1, -0.2]];
        let paint = pages.into_paint(vec![low, low, high, low, low]);
        assert_eq!(sample(&paint, 0), [255, 0, 0]);
        assert_eq!(sample(&paint, 1), [0, 0, 255], "the lower half is blue");
        assert_eq!(
            sample(&paint, 2),
            [0, 255, 0],
            "wrapped into the upper half"
        );
        assert_eq!(sample(&paint, 3), [9, 9, 9]);
        assert_eq!(sample(&paint, 4), [255, 255, 255]);
    }
}
