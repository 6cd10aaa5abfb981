//! Any bytes as the material file of a textured OBJ.
#![no_main]

use flatten::scan::{Format, read_bytes};
use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| {
    let obj = b"mtllib a.mtl\nv 0 0 0\nv 1 0 0\nv 0 1 0\nvt 0 0\nvt 1 0.5\nusemtl a\nf 1/1 2/2 3/1\nusemtl b\nf 3/1 2/2 1/2\nf 1 2 3\n";
    let scan = read_bytes(Format::Obj, obj, &fuzz::Beside(bytes)).expect("materials never refuse a scan");
    fuzz::obeys(&scan);
});
