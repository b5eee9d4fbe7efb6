//! Exit codes.

use std::process::ExitCode;

/// How the program ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// All done.
    Done,
    /// Some site-years failed, the others are done; or `inspect` found faults.
    SomeFailed,
    /// Nothing could be done.
    Nothing,
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(match exit {
            Exit::Done => 0,
            Exit::SomeFailed => 1,
            Exit::Nothing => 2,
        })
    }
}
