//! How a driver ends: the first cause wins, every output is told at once, and the main thread sees it through.

use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use super::output::Cell;

/// Why outputs go to zero for good.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Why {
    /// stdin was closed, or nobody reads stdout any more: the daemon is gone.
    Eof,
    /// SIGTERM, SIGINT or SIGHUP.
    Term,
    /// The daemon said `close`.
    Close,
    /// Some thread of the driver panicked.
    Panic,
    /// The driver can't go on, its hardware for instance is gone.
    Failed,
}

impl Why {
    pub(super) fn word(self) -> &'static str {
        match self {
            Why::Eof => "eof",
            Why::Term => "term",
            Why::Close => "close",
            Why::Panic => "panic",
            Why::Failed => "failed",
        }
    }

    /// Whether the process exits with zero.
    pub(super) fn is_orderly(self) -> bool {
        matches!(self, Why::Eof | Why::Term | Why::Close)
    }
}

/// Why, and in words where there is more to say.
#[derive(Debug, Clone)]
pub(super) struct Cause {
    pub(super) why: Why,
    pub(super) text: String,
}

/// Shared by all threads. Its lock is held for a few instructions only and never across I/O or a
/// callback, so that even a panic hook may take it.
#[derive(Debug, Default)]
pub(super) struct Ending {
    state: Mutex<State>,
    begun: Condvar,
}

#[derive(Debug, Default)]
struct State {
    cause: Option<Cause>,
    cells: Vec<Arc<Cell>>,
}

impl Ending {
    fn lock(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// An output that has to be told. If the end has begun meanwhile, it is told now.
    pub(super) fn watch_over(&self, cell: &Arc<Cell>) {
        let mut state = self.lock();
        state.cells.push(Arc::clone(cell));
        let begun = state.cause.as_ref().map(|c| c.why);
        drop(state);
        if let Some(why) = begun {
            cell.end(why);
        }
    }

    /// Begins the end: tells every output to go to zero, then wakes the main thread. Later causes change nothing.
    pub(super) fn begin(&self, why: Why, text: impl Into<String>) {
        let mut state = self.lock();
        if state.cause.is_some() {
            return;
        }
        state.cause = Some(Cause {
            why,
            text: text.into(),
        });
        for cell in &state.cells {
            cell.end(why);
        }
        drop(state);
        self.begun.notify_all();
    }

    pub(super) fn has_begun(&self) -> bool {
        self.lock().cause.is_some()
    }

    /// Sleeps until something ends the driver.
    pub(super) fn wait(&self) -> Cause {
        let mut state = self.lock();
        loop {
            if let Some(cause) = &state.cause {
                return cause.clone();
            }
            state = self.begun.wait(state).unwrap_or_else(PoisonError::into_inner);
        }
    }

    /// Waits until all outputs have told their hardware zero.
    ///
    /// # Errors
    /// The ids of those that hadn't by then.
    pub(super) fn wait_for_zero(&self, at_most: Duration) -> Result<(), Vec<String>> {
        let until = Instant::now() + at_most;
        let cells = self.lock().cells.clone();
        let hot: Vec<String> = cells
            .iter()
            .filter(|c| !c.wait_for_zero(until))
            .map(|c| c.id().to_owned())
            .collect();
        if hot.is_empty() { Ok(()) } else { Err(hot) }
    }
}
