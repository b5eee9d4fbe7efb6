//! Ctrl-C and the request to end: the first stops the night cleanly, the second ends it at once.

use std::io::Write;
use std::sync::Arc;
use std::sync::atomic::AtomicBool;

use signal_hook::consts::{SIGINT, SIGTERM};
use signal_hook::flag;
use signal_hook::iterator::Signals;

use super::Output;
use crate::batch::Stop;

/// A wish to stop that the signals set.
pub(super) fn stop(out: &mut Output) -> Stop {
    let stop = Stop::default();
    let asked = Arc::new(AtomicBool::new(false));
    for signal in [SIGINT, SIGTERM] {
        // in this order: the first signal finds nothing asked yet
        let registered = flag::register_conditional_shutdown(signal, 128 + signal, Arc::clone(&asked))
            .and_then(|_| flag::register(signal, Arc::clone(&asked)))
            .and_then(|_| flag::register_usize(signal, stop.flag(), signal.unsigned_abs() as usize));
        if let Err(error) = registered {
            out.message(&format!("signal {signal} will end the night at once: {error}"));
        }
    }
    // the night ends when what is under way has ended: until then somebody must say that the signal was received
    if let Ok(mut signals) = Signals::new([SIGINT, SIGTERM]) {
        let watching = std::thread::Builder::new().name("signals".to_owned()).spawn(move || {
            if signals.forever().next().is_some() {
                let _ = writeln!(
                    std::io::stderr().lock(),
                    "\nstopping: what is under way is finished first; a second signal ends it at once"
                );
            }
        });
        if let Err(error) = watching {
            out.message(&format!("a signal will stop the run, but without a message: {error}"));
        }
    }
    stop
}
