//! Progress on the standard error stream: a bar on a terminal, plain lines otherwise.

use std::io::{IsTerminal, Write};
use std::sync::Mutex;
use std::time::Instant;

use indicatif::{ProgressBar, ProgressStyle};

use crate::batch::Progress;
use crate::text::plain;

/// Tells a person how far the night is. Unchanged site-years are counted, and named on a terminal only.
#[derive(Debug)]
pub(crate) struct TellProgress {
    quiet: bool,
    bar: Mutex<Option<ProgressBar>>,
    lines: Mutex<Option<Round>>,
}

/// A round of site-years, told in lines.
#[derive(Debug)]
struct Round {
    begun: Instant,
    total: usize,
    done: usize,
    unchanged: usize,
}

impl Round {
    /// What is left, if the others take as long as those that were computed or failed.
    fn left(&self) -> String {
        let (worked, left) = (self.done - self.unchanged, self.total - self.done);
        let seconds = self.begun.elapsed().as_secs_f64() / worked.max(1) as f64 * left as f64;
        match seconds {
            _ if left == 0 => "the last".to_owned(),
            seconds if seconds < 100.0 => format!("at most {seconds:.0} s left"),
            seconds => format!("at most {:.0} min left", seconds / 60.0),
        }
    }
}

/// Whether a bar can be drawn: a terminal that can move its cursor.
fn draws() -> bool {
    std::io::stderr().is_terminal() && std::env::var_os("TERM").is_none_or(|term| term != "dumb")
}

impl TellProgress {
    /// Tells all, or nothing.
    pub(super) fn new(quiet: bool) -> Self {
        Self { quiet, bar: Mutex::default(), lines: Mutex::default() }
    }

    fn with_bar(&self, tell: impl FnOnce(&ProgressBar)) -> bool {
        match self.bar.lock() {
            Ok(bar) => bar.as_ref().map(tell).is_some(),
            Err(_) => false,
        }
    }
}

impl Progress for TellProgress {
    fn begin(&self, total: usize) {
        if self.quiet {
            return;
        }
        if !draws() {
            if let Ok(mut lines) = self.lines.lock() {
                *lines = Some(Round { begun: Instant::now(), total, done: 0, unchanged: 0 });
            }
            return;
        }
        let bar = ProgressBar::new(total as u64);
        if let Ok(style) = ProgressStyle::with_template("{bar:10} {pos}/{len} site-years, {eta} left  {wide_msg}") {
            bar.set_style(style);
        }
        if let Ok(mut held) = self.bar.lock() {
            *held = Some(bar);
        }
    }

    fn done(&self, folder: &str, outcome: &str) {
        let printed = self.with_bar(|bar| {
            bar.set_message(plain(folder).into_owned());
            bar.inc(1);
        });
        let Ok(mut lines) = self.lines.lock() else { return };
        if let Some(round) = lines.as_mut().filter(|_| !printed) {
            round.done += 1;
            if outcome == "unchanged" {
                round.unchanged += 1;
            } else {
                let (done, total, left) = (round.done, round.total, round.left());
                let _ = writeln!(std::io::stderr().lock(), "{done}/{total} {}: {outcome}, {left}", plain(folder));
            }
        }
    }

    fn end(&self) {
        self.with_bar(ProgressBar::finish_and_clear);
    }
}
