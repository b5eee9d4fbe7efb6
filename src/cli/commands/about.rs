//! `bandlift completions` and `bandlift man`: what the arguments say of themselves.

use clap::CommandFactory;

use crate::cli::args::{Arguments, CompletionsArguments, ManArguments};
use crate::cli::{Exit, Output};

/// Completions for a shell.
pub(in crate::cli) fn completions(arguments: &CompletionsArguments, out: &mut Output) -> Exit {
    let mut bytes = Vec::new();
    clap_complete::generate(arguments.shell, &mut Arguments::command(), "bandlift", &mut bytes);
    out.result(&String::from_utf8_lossy(&bytes));
    Exit::Done
}

/// A page for man.
pub(in crate::cli) fn manual(arguments: &ManArguments, out: &mut Output) -> Exit {
    let mut program = Arguments::command();
    program.build();
    let page = match &arguments.of {
        None => program,
        Some(name) => match program.find_subcommand(name) {
            Some(command) => command.clone(),
            None => {
                let names: Vec<&str> = program.get_subcommands().map(clap::Command::get_name).collect();
                out.error(&format!("expected a command ({}), found `{name}`", names.join(", ")));
                return Exit::Nothing;
            }
        },
    };
    let mut bytes = Vec::new();
    match clap_mangen::Man::new(page).render(&mut bytes) {
        Ok(()) => {
            out.result(&String::from_utf8_lossy(&bytes));
            Exit::Done
        }
        Err(error) => {
            out.error(&error);
            Exit::Nothing
        }
    }
}
