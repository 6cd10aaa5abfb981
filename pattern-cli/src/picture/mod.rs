//! Pictures of heads and maps: pixels by depth buffer, lines on top as SVG.
//!
//! Pixels keep a picture small however fine the scan is; lines stay sharp at any size. Nothing here
//! decides anything: pictures are for looking.

mod raster;
mod scale;

pub use raster::{Raster, View};
pub use scale::{BANDS, Scale};

/// Bytes as text for a `data:` address (RFC 4648, section 4).
pub fn base64(bytes: &[u8]) -> String {
    const LETTERS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut out = String::with_capacity(bytes.len().div_ceil(3) * 4);
    for chunk in bytes.chunks(3) {
        let triple = [
            chunk[0],
            *chunk.get(1).unwrap_or(&0),
            *chunk.get(2).unwrap_or(&0),
        ];
        let word = u32::from_be_bytes([0, triple[0], triple[1], triple[2]]);
        for place in 0..4 {
            if place <= chunk.len() {
                let index = (word >> (18 - 6 * place)) & 63;
                out.push(char::from(LETTERS[index as usize]));
            } else {
                out.push('=');
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    #[test]
    fn base64_gives_the_test_vectors_of_rfc_4648_section_10() {
        for (plain, coded) in [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ] {
            assert_eq!(super::base64(plain.as_bytes()), coded);
        }
    }
}
