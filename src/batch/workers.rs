//! As many site-years at a time as there are threads, and no more.
//!
//! A thread that waits for inner parallel work may take up other inner work, but never a second site-year: what is held in
//! memory grows with the number of threads, not with the archive.

use std::sync::atomic::{AtomicUsize, Ordering};

use super::{BatchError, threads};

/// Calls `work` on each item, in order of their index, on `jobs` threads (as many as the machine has cores when absent);
/// the answers come in the order of the items.
pub(super) fn each<T: Sync, R: Send>(
    jobs: Option<usize>,
    items: &[T],
    work: impl Fn(&T) -> R + Sync,
) -> Result<Vec<R>, BatchError> {
    let next = AtomicUsize::new(0);
    let by_thread = threads::in_pool(jobs, || {
        rayon::broadcast(|_| {
            let mut done = Vec::new();
            while let Some((at, item)) = {
                let at = next.fetch_add(1, Ordering::Relaxed);
                items.get(at).map(|item| (at, item))
            } {
                done.push((at, work(item)));
            }
            done
        })
    })?;
    let mut all: Vec<(usize, R)> = by_thread.into_iter().flatten().collect();
    all.sort_by_key(|(at, _)| *at);
    Ok(all.into_iter().map(|(_, answer)| answer).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_answers_come_in_the_order_of_the_items_and_no_more_are_held_than_threads() {
        let items: Vec<usize> = (0..200).collect();
        let (held, most) = (AtomicUsize::new(0), AtomicUsize::new(0));
        let answers = each(Some(3), &items, |item| {
            most.fetch_max(held.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
            // inner parallel work, at which a waiting thread could take up another item
            let inner: usize =
                rayon::iter::ParallelIterator::sum(rayon::iter::IntoParallelIterator::into_par_iter(0..500));
            held.fetch_sub(1, Ordering::SeqCst);
            item * 2 + inner - inner
        })
        .unwrap();
        assert_eq!(answers, items.iter().map(|item| item * 2).collect::<Vec<_>>());
        assert!(most.load(Ordering::SeqCst) <= 3);
    }
}
