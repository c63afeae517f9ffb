//! How far long work is, on stderr, while somebody watches: never with `--json`, never into a file.
//!
//! A bar has a total that is known before the work begins. Where none is, only what goes on and for how long is said: a bar that
//! guesses is worse than none. Nothing of it stays on the screen.

use std::io::{self, IsTerminal};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use crate::screen::Screen;

/// How often it is drawn, where nothing else moves it.
const DRAWN_EVERY: Duration = Duration::from_millis(250);

/// Work that goes on; it is taken off the screen with this value.
#[derive(Debug)]
pub(crate) struct Progress(ProgressBar);

impl Progress {
    /// Work of which nobody knows how long it takes. `what`: what goes on.
    pub(crate) fn of(screen: &Screen, what: impl Into<String>) -> Self {
        Self::begin(screen, what, "{msg} ... {elapsed}")
    }

    /// Work on so many bytes; [`Progress::reached`] says how many.
    pub(crate) fn of_bytes(screen: &Screen, what: impl Into<String>) -> Self {
        Self::begin(
            screen,
            what,
            "{msg} [{bar:30}] {bytes} of {total_bytes}, {elapsed}",
        )
    }

    fn begin(screen: &Screen, what: impl Into<String>, template: &str) -> Self {
        let target = if is_shown(screen.is_json(), io::stderr().is_terminal()) {
            ProgressDrawTarget::stderr()
        } else {
            ProgressDrawTarget::hidden()
        };
        let bar = ProgressBar::with_draw_target(None, target);
        if let Ok(style) = ProgressStyle::with_template(template) {
            bar.set_style(style.progress_chars("##."));
        }
        bar.set_message(what.into());
        bar.enable_steady_tick(DRAWN_EVERY);
        Self(bar)
    }

    /// So much is done, of so much.
    pub(crate) fn reached(&self, done: u64, total: u64) {
        self.0.set_length(total);
        self.0.set_position(done);
    }
}

impl Drop for Progress {
    fn drop(&mut self) {
        self.0.finish_and_clear();
    }
}

const fn is_shown(json: bool, terminal: bool) -> bool {
    terminal && !json
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_a_person_at_a_terminal_sees_it() {
        assert!(is_shown(false, true));
        for (json, terminal) in [(true, true), (false, false), (true, false)] {
            assert!(!is_shown(json, terminal));
        }
    }
}
