//! Any bytes as a STL file: read or refused, and a scan that is read obeys its law.
#![no_main]

use flatten::scan::{Format, NoCompanions, read_bytes};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    if let Ok(scan) = read_bytes(Format::Stl, bytes, &NoCompanions) {
        fuzz::obeys(&scan);
    }
});
