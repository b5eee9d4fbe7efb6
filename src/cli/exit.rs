//! Exit codes.

use std::process::ExitCode;

use crate::batch::BatchError;

/// How the program ends.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exit {
    /// All done.
    Done,
    /// Some site-years failed, the others are done; or `inspect` found faults.
    SomeFailed,
    /// Nothing could be done.
    Nothing,
    /// Stopped by a signal; what was done is remembered.
    Stopped(u8),
}

impl From<&BatchError> for Exit {
    fn from(error: &BatchError) -> Self {
        match error {
            BatchError::Stopped { signal, .. } => Self::Stopped(u8::try_from(*signal).unwrap_or(0)),
            _ => Self::Nothing,
        }
    }
}

impl From<Exit> for ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(match exit {
            Exit::Done => 0,
            Exit::SomeFailed => 1,
            Exit::Nothing => 2,
            // as shells tell it
            Exit::Stopped(signal) => 128_u8.saturating_add(signal),
        })
    }
}
