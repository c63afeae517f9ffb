//! Work over all cores, results in the order of the input.

use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};

/// Applies `work` to every item, on as many threads as there are cores.
pub fn over<T: Sync, R: Send>(items: &[T], work: impl Fn(&T) -> R + Sync) -> Vec<R> {
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<(usize, R)>> = Mutex::new(Vec::with_capacity(items.len()));
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    std::thread::scope(|scope| {
        for _ in 0..threads.min(items.len()) {
            scope.spawn(|| {
                while let Some((at, item)) = Some(next.fetch_add(1, Ordering::Relaxed))
                    .and_then(|at| items.get(at).map(|item| (at, item)))
                {
                    let result = work(item);
                    done.lock()
                        .unwrap_or_else(PoisonError::into_inner)
                        .push((at, result));
                }
            });
        }
    });
    let mut done = done.into_inner().unwrap_or_else(PoisonError::into_inner);
    done.sort_by_key(|(at, _)| *at);
    done.into_iter().map(|(_, result)| result).collect()
}

#[cfg(test)]
mod tests {
    #[test]
    fn results_come_in_the_order_of_the_items() {
        let items: Vec<u64> = (0..1_000).collect();
        assert_eq!(
            super::over(&items, |n| n * n),
            items.iter().map(|n| n * n).collect::<Vec<_>>()
        );
    }
}
