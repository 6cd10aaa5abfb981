//! Any bytes as an OBJ file whose materials and pictures are whatever it names.
#![no_main]

use flatten::scan::{Format, read_bytes};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let beside = fuzz::Beside(b"newmtl a\nKd 1 0 0\nmap_Kd a.png\nnewmtl b\nKd 0 1 0\n");
    if let Ok(scan) = read_bytes(Format::Obj, bytes, &beside) {
        fuzz::obeys(&scan);
    }
});
