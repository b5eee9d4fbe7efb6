//! The `bandlift` program: see the library for what it does.

use std::process::ExitCode;

fn main() -> ExitCode {
    // The projection library writes to the standard error stream what it cannot resolve. bandlift says that in its own words,
    // and the library takes its level from the environment alone. A level that was set from outside stands.
    let _ = dotenvy::from_read(&b"PROJ_DEBUG=0"[..]);
    bandlift::cli::run(std::env::args_os())
}
