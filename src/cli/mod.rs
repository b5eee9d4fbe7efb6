//! The command line: arguments, one file a command, progress, exit codes.

mod args;
mod commands;
mod exit;
mod progress;
mod signals;

use std::ffi::OsString;
use std::io::Write;
use std::process::ExitCode;

use clap::Parser;

pub use args::{Arguments, Command};
pub use exit::Exit;

use crate::text::{plain, plain_json};

/// Runs the program; everything it says goes to the standard streams.
pub fn run(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let mut out = Output { stdout: std::io::stdout(), stderr: std::io::stderr() };
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
            return Exit::Nothing.into();
        }
    };
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
    };
    exit.into()
}

/// The standard streams. A reader that goes away early is no error; control characters are shown by their code.
#[derive(Debug)]
pub(crate) struct Output {
    stdout: std::io::Stdout,
    stderr: std::io::Stderr,
}

impl Output {
    /// Results.
    pub(crate) fn result(&mut self, text: &str) {
        self.print(&plain(text));
    }

    /// Results as JSON.
    pub(crate) fn json(&mut self, value: &serde_json::Value) {
        self.print(&plain_json(&format!("{value:#}\n")));
    }

    fn print(&mut self, text: &str) {
        let mut stdout = self.stdout.lock();
        let _ = stdout.write_all(text.as_bytes()).and_then(|()| stdout.flush());
    }

    /// Messages.
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
