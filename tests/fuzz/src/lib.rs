//! What the targets share.
//!
//! Run from this folder with cargo-fuzz, which wants nightly's flags; a stable compiler takes them too:
//! `RUSTC_BOOTSTRAP=1 cargo fuzz run --fuzz-dir . --sanitizer none glb corpus/glb seeds/glb -- -max_total_time=600`
//! The seeds are written by hand; a corpus that grows is not kept here.

mod cut;
mod mend;

pub use cut::cut_and_lay;
pub use mend::mend_pile;

use flatten::scan::{Companions, MAX_COORDINATE, Paint, RawScan};

/// Whatever is named, these bytes are it; pictures are one red pixel.
#[derive(Debug)]
pub struct Beside<'a>(pub &'a [u8]);

impl Companions for Beside<'_> {
    fn fetch(&self, name: &str, _limit: u64) -> Result<Vec<u8>, String> {
        if name.contains("none") {
            return Err("there is none".into());
        }
        if name.contains("png") {
            return Ok(include_bytes!("pixel.png").to_vec());
        }
        Ok(self.0.to_vec())
    }
}

/// The law of a raw scan.
pub fn obeys(scan: &RawScan) {
    assert!(!scan.faces.is_empty());
    let fine = |p: &flatten::Point3| p.coords.iter().all(|c| c.abs() <= MAX_COORDINATE);
    assert!(scan.positions.iter().all(fine));
    assert!(
        scan.faces
            .iter()
            .flatten()
            .all(|&v| (v as usize) < scan.positions.len())
    );
    match &scan.paint {
        None => {}
        Some(Paint::Vertex(colours)) => assert_eq!(colours.len(), scan.positions.len()),
        Some(Paint::Texture { corners, image }) => {
            assert_eq!(corners.len(), scan.faces.len());
            assert!(image.width() > 0 && image.height() > 0);
            assert!(
                corners
                    .iter()
                    .flatten()
                    .flatten()
                    .all(|c| (0.0..=1.0).contains(c))
            );
        }
    }
}
