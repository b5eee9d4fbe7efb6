//! `bandlift figures`.

use crate::batch::{self, NightOptions};
use crate::cli::args::FiguresArguments;
use crate::cli::progress::TellProgress;
use crate::cli::{Exit, Output, signals};
use crate::report::LABEL_FIRST;

pub(in crate::cli) fn run(arguments: &FiguresArguments, out: &mut Output) -> Exit {
    let options =
        NightOptions { jobs: arguments.jobs.map(usize::from), stop: signals::stop(out), ..NightOptions::default() };
    let only = arguments.only.as_deref();
    match batch::figures(&arguments.out, only, arguments.width, &options, &TellProgress::default()) {
        Err(error) => {
            out.error(&error);
            Exit::from(&error)
        }
        Ok(names) => {
            let lines: Vec<String> = names.iter().map(|name| format!("{name}.svg, .png\n")).collect();
            out.result(&lines.concat());
            out.message(LABEL_FIRST);
            Exit::Done
        }
    }
}
