//! Texture pictures, measured before they are decoded.

use std::io::Cursor;

use image::{ImageReader, Limits, RgbImage};

/// Longest side of a texture, pixels.
const MAX_SIDE: u32 = 16_384;
/// Most pixels of all textures of a scan together: one picture of 10 000 × 10 000.
pub(super) const MAX_PIXELS: u64 = 100_000_000;
/// Most memory a decoder may take, bytes: sixteen-bit RGBA of `MAX_PIXELS`.
const MAX_DECODER_BYTES: u64 = 8 * MAX_PIXELS;

/// Decodes a PNG or JPEG picture.
///
/// # Errors
/// A clause for a note: too large, damaged, or another kind of picture.
pub(super) fn decode(bytes: &[u8]) -> Result<RgbImage, String> {
    let open = || {
        ImageReader::new(Cursor::new(bytes))
            .with_guessed_format()
            .map_err(|e| e.to_string())
    };
    let (width, height) = open()?
        .into_dimensions()
        .map_err(|e| format!("it is not a PNG or JPEG picture that can be read ({e})"))?;
    if width > MAX_SIDE || height > MAX_SIDE || u64::from(width) * u64::from(height) > MAX_PIXELS {
        return Err(format!(
            "it has {width} × {height} pixels and the limit is {MAX_SIDE} a side and {MAX_PIXELS} in all"
        ));
    }
    let mut reader = open()?;
    let mut limits = Limits::default();
    limits.max_image_width = Some(MAX_SIDE);
    limits.max_image_height = Some(MAX_SIDE);
    limits.max_alloc = Some(MAX_DECODER_BYTES);
    reader.limits(limits);
    let picture = reader
        .decode()
        .map_err(|e| format!("it is damaged ({e})"))?;
    Ok(picture.into_rgb8())
}
