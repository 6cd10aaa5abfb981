//! The binary: everything is in the library.

use std::process::ExitCode;

fn main() -> ExitCode {
    pattern_cli::run()
}
