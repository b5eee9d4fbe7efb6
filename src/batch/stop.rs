//! The wish to stop: set from outside (a signal), looked at between site-years.

use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

/// Set to stop the night. Site-years that are being computed are finished and remembered, no other is begun.
#[derive(Debug, Clone, Default)]
pub struct Stop(Arc<AtomicUsize>);

impl Stop {
    /// The flag itself, for a handler that writes the number of a signal into it.
    pub fn flag(&self) -> Arc<AtomicUsize> {
        Arc::clone(&self.0)
    }

    /// The number of the signal that asked for the stop; `None` while nobody did.
    pub fn signal(&self) -> Option<usize> {
        match self.0.load(Ordering::Relaxed) {
            0 => None,
            signal => Some(signal),
        }
    }
}
