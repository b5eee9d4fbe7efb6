//! Progress on the standard error stream: a bar on a terminal, plain lines otherwise.

use std::io::{IsTerminal, Write};
use std::sync::Mutex;

use indicatif::{ProgressBar, ProgressStyle};

use crate::batch::Progress;

/// Tells a person how far the night is.
#[derive(Debug, Default)]
pub(crate) struct TellProgress {
    bar: Mutex<Option<ProgressBar>>,
}

impl TellProgress {
    fn with_bar(&self, tell: impl FnOnce(&ProgressBar)) -> bool {
        match self.bar.lock() {
            Ok(bar) => bar.as_ref().map(tell).is_some(),
            Err(_) => false,
        }
    }
}

impl Progress for TellProgress {
    fn begin(&self, total: usize) {
        if !std::io::stderr().is_terminal() {
            return;
        }
        let bar = ProgressBar::new(total as u64);
        if let Ok(style) = ProgressStyle::with_template("{bar:32} {pos}/{len} site-years, {eta} left  {msg}") {
            bar.set_style(style);
        }
        if let Ok(mut held) = self.bar.lock() {
            *held = Some(bar);
        }
    }

    fn done(&self, folder: &str, outcome: &str) {
        let told = self.with_bar(|bar| {
            bar.set_message(folder.to_owned());
            bar.inc(1);
        });
        if !told {
            let _ = writeln!(std::io::stderr().lock(), "{folder}: {outcome}");
        }
    }

    fn end(&self) {
        self.with_bar(ProgressBar::finish_and_clear);
    }
}
