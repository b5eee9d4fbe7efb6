//! Ctrl-C and the request to end: the first stops the night cleanly, the second ends it at once.

use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use signal_hook::consts::{SIGINT, SIGTERM};
use signal_hook::flag;

use super::Output;
use crate::batch::Stop;

/// A wish to stop that the signals set.
pub(super) fn stop(out: &mut Output) -> Stop {
    let stop = Stop::default();
    let asked = Arc::new(AtomicBool::new(false));
    for signal in [SIGINT, SIGTERM] {
        // in this order: the first signal finds nothing asked yet
        let heard = flag::register_conditional_shutdown(signal, 128 + signal, Arc::clone(&asked))
            .and_then(|_| flag::register(signal, Arc::clone(&asked)))
            .and_then(|_| flag::register_usize(signal, stop.flag(), signal.unsigned_abs() as usize));
        if let Err(error) = heard {
            out.message(&format!("signal {signal} will end the night at once: {error}"));
        }
    }
    stop
}
