//! STL, text and binary.
//!
//! Read here and not by a crate: the one at hand takes a first line of plain `solid` for binary, stops
//! without a word after the first of several solids, and refuses facets whose (unused) normal is NaN,
//! all of which are found in the wild. Binary files that begin with `solid` are told by their length.

use super::{MAX_TRIANGLES, RawScan, ScanFault};
use crate::Point3;

const HEADER: usize = 80;
const BEFORE_TRIANGLES: usize = HEADER + 4;
const BYTES_A_TRIANGLE: usize = 50;

/// Whether the bytes are an STL file: text with a facet near its head, or binary of fitting length.
pub(super) fn looks_like(bytes: &[u8]) -> bool {
    is_binary(bytes) || is_text(bytes)
}

fn is_text(bytes: &[u8]) -> bool {
    let start = bytes.trim_ascii_start();
    let head = &start[..start.len().min(2048)].to_ascii_lowercase();
    head.starts_with(b"solid") && head.windows(5).any(|w| w == b"facet")
}

fn is_binary(bytes: &[u8]) -> bool {
    claimed(bytes).is_some_and(|n| {
        n > 0 && bytes.len() as u64 == (BEFORE_TRIANGLES as u64) + n * (BYTES_A_TRIANGLE as u64)
    })
}

/// Number of triangles a binary header claims.
fn claimed(bytes: &[u8]) -> Option<u64> {
    let count = bytes.get(HEADER..BEFORE_TRIANGLES)?;
    Some(u64::from(u32::from_le_bytes(count.try_into().ok()?)))
}

pub(super) fn read(bytes: &[u8]) -> Result<RawScan, ScanFault> {
    if !is_binary(bytes) && is_text(bytes) {
        read_text(bytes)
    } else {
        read_binary(bytes)
    }
}

fn read_binary(bytes: &[u8]) -> Result<RawScan, ScanFault> {
    let claimed = claimed(bytes).ok_or_else(|| {
        ScanFault::malformed("header", "fewer than the 84 bytes of an STL header")
    })?;
    let body = &bytes[BEFORE_TRIANGLES..];
    let possible = (body.len() / BYTES_A_TRIANGLE) as u64;
    if claimed > possible {
        return Err(ScanFault::Overclaims {
            what: "triangles".into(),
            claimed,
            bytes: bytes.len() as u64,
            possible,
        });
    }
    let count = usize::try_from(claimed).map_err(|_| ScanFault::TooManyTriangles)?;
    if count > MAX_TRIANGLES {
        return Err(ScanFault::TooManyTriangles);
    }
    let mut scan = RawScan::default();
    scan.positions.reserve_exact(3 * count);
    for triangle in body.chunks_exact(BYTES_A_TRIANGLE).take(count) {
        for corner in triangle[12..48].chunks_exact(12) {
            let c = |k: usize| {
                f64::from(f32::from_le_bytes([
                    corner[k],
                    corner[k + 1],
                    corner[k + 2],
                    corner[k + 3],
                ]))
            };
            scan.positions.push(Point3::new(c(0), c(4), c(8)));
        }
    }
    number_corners(&mut scan);
    let rest = body.len() - count * BYTES_A_TRIANGLE;
    if rest > 0 {
        scan.notes
            .push(format!("{rest} bytes after the last triangle were ignored"));
    }
    Ok(scan)
}

/// Reads `vertex x y z` triples and lets all other words go: names, normals, several solids.
fn read_text(bytes: &[u8]) -> Result<RawScan, ScanFault> {
    let mut scan = RawScan::default();
    let mut in_loop = 0_usize;
    for (line, text) in bytes.split(|&b| b == b'\n').enumerate() {
        let mut words = text
            .split(u8::is_ascii_whitespace)
            .filter(|w| !w.is_empty());
        let Some(first) = words.next() else { continue };
        let place = || format!("line {}", line + 1);
        if first.eq_ignore_ascii_case(b"vertex") {
            let mut c = [0.0; 3];
            for value in &mut c {
                let word = words.next().and_then(|w| std::str::from_utf8(w).ok());
                *value = word
                    .and_then(|w| w.parse().ok())
                    .ok_or_else(|| ScanFault::malformed(place(), "a vertex needs three numbers"))?;
            }
            if scan.positions.len() >= 3 * MAX_TRIANGLES {
                return Err(ScanFault::TooManyTriangles);
            }
            scan.positions.push(Point3::from(c));
            in_loop += 1;
        } else if first.eq_ignore_ascii_case(b"endloop") {
            if in_loop != 3 {
                return Err(ScanFault::malformed(
                    place(),
                    format!("a facet has {in_loop} corners and should have 3"),
                ));
            }
            in_loop = 0;
        }
    }
    if in_loop != 0 {
        return Err(ScanFault::malformed(
            "the end",
            "the last facet is cut short",
        ));
    }
    number_corners(&mut scan);
    Ok(scan)
}

fn number_corners(scan: &mut RawScan) {
    let triangles = crate::mesh::index(scan.positions.len() / 3);
    scan.faces = (0..triangles)
        .map(|t| [3 * t, 3 * t + 1, 3 * t + 2])
        .collect();
}
