//! Waiting for something that another process does.

use std::time::{Duration, Instant};

/// Long enough for anything that happens at all on a busy machine. No test measures with it.
pub const PATIENCE: Duration = Duration::from_secs(30);

/// Between two looks.
const LOOK: Duration = Duration::from_millis(10);

/// Looks until there is something. `what`: what is waited for, for the message if it doesn't come.
///
/// # Panics
/// If it isn't there after [`PATIENCE`].
pub fn wait_for<T>(what: &str, look: impl FnMut() -> Option<T>) -> T {
    wait_within(PATIENCE, what, look)
}

/// [`wait_for`] with another patience.
///
/// # Panics
/// If it isn't there by then.
pub fn wait_within<T>(patience: Duration, what: &str, mut look: impl FnMut() -> Option<T>) -> T {
    let began = Instant::now();
    loop {
        if let Some(found) = look() {
            return found;
        }
        assert!(
            began.elapsed() < patience,
            "waited {patience:?} in vain for: {what}"
        );
        std::thread::sleep(LOOK);
    }
}

/// Looks until something is so.
///
/// # Panics
/// If it isn't so after [`PATIENCE`].
pub fn wait_until(what: &str, mut look: impl FnMut() -> bool) {
    wait_for(what, || look().then_some(()));
}
