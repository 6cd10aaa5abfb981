//! A pile of triangles, told by any bytes.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| fuzz::mend_pile(bytes));
