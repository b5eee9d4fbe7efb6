//! `bandlift demo`.

use crate::cli::args::DemoArguments;
use crate::cli::{Exit, Output};

pub(in crate::cli) fn run(_arguments: &DemoArguments, out: &mut Output) -> Exit {
    out.error(&"not yet");
    Exit::Nothing
}
