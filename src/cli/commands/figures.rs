//! `bandlift figures`.

use serde_json::json;

use crate::batch::{self, NightOptions};
use crate::cli::args::FiguresArguments;
use crate::cli::{Exit, Output, signals};
use crate::report::{FIRST, LABEL_FIRST};

pub(in crate::cli) fn run(arguments: &FiguresArguments, out: &mut Output) -> Exit {
    let options =
        NightOptions { jobs: arguments.jobs.map(usize::from), stop: signals::stop(out), ..NightOptions::default() };
    let only = arguments.only.as_deref();
    match batch::figures(&arguments.out, only, arguments.width, &options, &out.progress()) {
        Err(error) => {
            out.error(&error);
            Exit::from(&error)
        }
        Ok(names) => {
            let lines: Vec<String> = names.iter().map(|name| format!("{name}.svg, .png\n")).collect();
            if arguments.json {
                out.json(&json!({ "first": FIRST, "figures": names }));
            } else {
                out.result(&lines.concat());
                out.message(LABEL_FIRST);
            }
            Exit::Done
        }
    }
}
