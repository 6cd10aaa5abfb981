//! A base on a small head, told by any bytes.
#![no_main]

use libfuzzer_sys::fuzz_target;

fuzz_target!(|bytes: &[u8]| fuzz::cut_and_lay(bytes));
