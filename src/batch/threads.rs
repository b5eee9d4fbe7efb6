//! A pool of threads that have ended, with all that they hold, before the work is called done.
//!
//! Each thread keeps conversions of the projection library. Left to themselves, the threads of a dropped pool may still
//! be giving them back while the program ends and the library takes down its own state.

use std::sync::{Mutex, PoisonError};

use super::BatchError;

/// Runs `work` in a pool of `jobs` threads (as many as the machine has cores when absent) and waits for their end.
pub(super) fn in_pool<R: Send>(jobs: Option<usize>, work: impl FnOnce() -> R + Send) -> Result<R, BatchError> {
    let handles = Mutex::new(Vec::new());
    let fault = |error: &dyn std::fmt::Display| BatchError::Threads(error.to_string());
    let result = {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(jobs.unwrap_or(0))
            .spawn_handler(|thread| {
                let builder = std::thread::Builder::new().name(format!("site-years {}", thread.index()));
                let handle = builder.spawn(|| thread.run())?;
                handles.lock().unwrap_or_else(PoisonError::into_inner).push(handle);
                Ok(())
            })
            .build()
            .map_err(|error| fault(&error))?;
        pool.install(work)
    };
    for handle in handles.into_inner().unwrap_or_else(PoisonError::into_inner) {
        handle.join().map_err(|_| fault(&"a thread panicked"))?;
    }
    Ok(result)
}
