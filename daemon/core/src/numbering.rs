//! Numbers of commands to drivers.

use std::collections::VecDeque;

use crate::id::Seq;

/// Where the numbers of commands come from: up by one over the whole lab; or, where a station is decided about again by itself,
/// those that its commands were given when the lab decided.
#[derive(Debug, Clone)]
pub(crate) struct Numbering {
    last: Seq,
    told: VecDeque<Seq>,
}

impl Numbering {
    /// Goes on after `last`.
    pub(crate) fn after(last: Seq) -> Self {
        Self {
            last,
            told: VecDeque::new(),
        }
    }

    /// The next commands have these numbers; what comes after them counts on from `last`, or from the last of them.
    ///
    /// One event can move every station twice, so that what one is told need not follow on itself.
    pub(crate) fn tell(&mut self, last: Seq, numbers: impl IntoIterator<Item = Seq>) {
        self.last = last;
        self.told = numbers.into_iter().collect();
    }

    /// The number before that of the next command.
    pub(crate) fn before(&self) -> Seq {
        self.told
            .front()
            .map_or(self.last, |next| Seq(next.0.wrapping_sub(1)))
    }

    /// The number of a command.
    pub(crate) fn next(&mut self) -> Seq {
        self.last = self.told.pop_front().unwrap_or(Seq(self.last.0.wrapping_add(1)));
        self.last
    }
}
