//! The command line: arguments, one file a command, progress, exit codes.

mod args;
mod commands;
mod exit;
mod progress;
mod signals;

use std::ffi::OsString;
use std::io::{IsTerminal, Write};
use std::process::ExitCode;

use clap::error::{ContextKind, ContextValue, ErrorKind};
use clap::{CommandFactory, Parser};

pub use args::{Arguments, Command};
pub use exit::Exit;

use crate::text::{plain, plain_json, wrapped};

/// Runs the program; everything it says goes to the standard streams.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let mut out = Output { stdout: std::io::stdout(), stderr: std::io::stderr(), quiet: false };
    let arguments = match Arguments::try_parse_from(arguments) {
        Ok(arguments) => arguments,
        Err(error) => {
            // Help and version go to the standard output and are no error.
            if !error.use_stderr() {
                let _ = error.print();
                return Exit::Done.into();
            }
            // What was typed stands in the message.
            out.message(error.render().to_string().trim_end());
            if let Some(hint) = hint(&error) {
                out.message(&format!("\n  tip: {hint}"));
            }
            return Exit::Nothing.into();
        }
    };
    out.quiet = arguments.quiet;
    let exit = match arguments.command {
        Command::Run(arguments) => commands::run::run(&arguments, &mut out),
        Command::Synthesise(arguments) => commands::synthesise::run(&arguments, &mut out),
        Command::Inspect(arguments) => commands::inspect::run(&arguments, &mut out),
        Command::Draft(arguments) => commands::draft::run(&arguments, &mut out),
        Command::Explain(arguments) => commands::explain::run(&arguments, &mut out),
        Command::Plan(arguments) => commands::plan::run(&arguments, &mut out),
        Command::Figures(arguments) => commands::figures::run(&arguments, &mut out),
        Command::Describe(arguments) => commands::describe::run(&arguments, &mut out),
        Command::Schema(arguments) => commands::schema::run(&arguments, &mut out),
        Command::Demo(arguments) => commands::demo::run(&arguments, &mut out),
        Command::Completions(arguments) => commands::about::completions(&arguments, &mut out),
        Command::Man(arguments) => commands::about::manual(&arguments, &mut out),
    };
    exit.into()
}

/// What else to say of a fault of the arguments: the command that was meant where at most two letters are wrong, and which
/// commands print JSON.
fn hint(error: &clap::Error) -> Option<String> {
    let typed = |kind| match error.get(kind) {
        Some(ContextValue::String(typed)) => Some(typed.as_str()),
        _ => None,
    };
    match error.kind() {
        ErrorKind::InvalidSubcommand if error.get(ContextKind::SuggestedSubcommand).is_none() => {
            let typed = typed(ContextKind::InvalidSubcommand)?;
            let command = Arguments::command();
            let names = command.get_subcommands().map(clap::Command::get_name);
            let near = names.map(|name| (strsim::damerau_levenshtein(typed, name), name)).min()?;
            (near.0 <= 2 && near.0 < typed.chars().count())
                .then(|| format!("a similar subcommand exists: '{}'", near.1))
        }
        ErrorKind::UnknownArgument if typed(ContextKind::InvalidArg) == Some("--json") => {
            let command = Arguments::command();
            let prints = |one: &&clap::Command| one.get_arguments().any(|argument| argument.get_id() == "json");
            let names: Vec<&str> = command.get_subcommands().filter(prints).map(clap::Command::get_name).collect();
            Some(format!("this command prints text only; these print JSON: {}", names.join(", ")))
        }
        _ => None,
    }
}

/// The standard streams. A reader that goes away early is no error; control characters are shown by their code.
#[derive(Debug)]
pub(crate) struct Output {
    stdout: std::io::Stdout,
    stderr: std::io::Stderr,
    /// Whether nothing is to be said but results and errors.
    quiet: bool,
}

impl Output {
    /// Results; lines are as long as they are, or as wide as the terminal that they are printed on.
    pub(crate) fn result(&mut self, text: &str) {
        let text = plain(text);
        let width = self.stdout.is_terminal().then(|| terminal_size::terminal_size_of(&self.stdout)).flatten();
        match width {
            Some((terminal_size::Width(columns), _)) => self.print(&wrapped(&text, columns.into())),
            None => self.print(&text),
        }
    }

    /// Results as JSON.
    pub(crate) fn json(&mut self, value: &serde_json::Value) {
        self.print(&plain_json(&format!("{value:#}\n")));
    }

    fn print(&mut self, text: &str) {
        let mut stdout = self.stdout.lock();
        let _ = stdout.write_all(text.as_bytes()).and_then(|()| stdout.flush());
    }

    /// How far the work is.
    pub(crate) fn progress(&self) -> progress::TellProgress {
        progress::TellProgress::new(self.quiet)
    }

    /// What is good to know but neither a result nor an error.
    pub(crate) fn note(&mut self, text: &str) {
        if !self.quiet {
            self.message(text);
        }
    }

    /// Messages that are always printed.
    pub(crate) fn message(&mut self, text: &str) {
        let mut stderr = self.stderr.lock();
        let _ = writeln!(stderr, "{}", plain(text));
    }

    /// An error, as the user reads it.
    pub(crate) fn error(&mut self, error: &dyn std::fmt::Display) {
        for line in error.to_string().lines() {
            self.message(&format!("error: {line}"));
        }
    }
}
