//! The `bandlift` program: see the library for what it does.

use std::process::ExitCode;

fn main() -> ExitCode {
    bandlift::cli::run(std::env::args_os())
}
