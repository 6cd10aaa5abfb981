//! Any text as a fitting: read, or refused with sentences that can be shown.
#![no_main]

use std::path::Path;

use libfuzzer_sys::fuzz_target;
use pattern_cli::fitting::{Fitting, FittingError};

fuzz_target!(|bytes: &[u8]| {
    let Ok(text) = std::str::from_utf8(bytes) else { return };
    match Fitting::parse(Path::new("a.toml"), text) {
        Ok(fitting) => {
            // What the program would write for it is read again.
            let again = fitting.to_text();
            Fitting::parse(Path::new("b.toml"), &again).unwrap_or_else(|why| panic!("{why}\n{again}"));
        }
        Err(FittingError::Problems(problems)) => {
            assert!(!problems.to_string().contains('\n'));
            assert!(problems.list().iter().all(|one| problems.line(one) >= 1));
            assert!(!problems.picture(false).is_empty());
        }
        Err(_) => {}
    }
});
