//! `bandlift synthesise`.

use super::run::show;
use crate::batch::{self, NightOptions};
use crate::cli::args::SynthesiseArguments;
use crate::cli::{Exit, Output, signals};

pub(in crate::cli) fn run(arguments: &SynthesiseArguments, out: &mut Output) -> Exit {
    let options =
        NightOptions { jobs: arguments.jobs.map(usize::from), stop: signals::stop(out), ..NightOptions::default() };
    match batch::synthesise(&arguments.out, &options, &out.progress()) {
        Err(error) => {
            out.error(&error);
            Exit::from(&error)
        }
        Ok(night) => show(&night, arguments.json, out),
    }
}
