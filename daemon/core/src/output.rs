//! An output as the core sees it: what it was last told, what the driver answered, whether it is cut.

use std::collections::VecDeque;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::id::{InstanceId, OutputId, Seq};
use crate::setup::OutputRole;
use crate::units::{Fraction, Millis, Watts};

/// Commands that may wait for an answer at once. A station is tripped after a second without an answer,
/// so that no more than a second's worth of scans can pile up; the bound only guards the memory.
const UNANSWERED_MAX: usize = 256;

#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Output {
    pub(crate) id: OutputId,
    pub(crate) name: Arc<str>,
    pub(crate) instance: InstanceId,
    pub(crate) role: OutputRole,
    pub(crate) watts: Option<Watts>,
    /// Whether the driver said that it has a second way to switch off.
    pub(crate) cuts: bool,
    /// Length of its windows, where it is fully on for a share of each.
    pub(crate) window: Option<Millis>,
    /// Whether it has been told `cut` and not yet `restore`.
    pub(crate) cut: bool,
    /// What the hardware was told, by the driver's newest answer.
    pub(crate) applied: Fraction,
    /// Set when the driver refused a command: what it said.
    pub(crate) refused: Option<Arc<str>>,
    /// The newest command that the driver answered.
    pub(crate) answered: Seq,
    unanswered: VecDeque<(Seq, Millis)>,
}

impl Output {
    pub(crate) fn new(id: OutputId, name: Arc<str>, instance: InstanceId, role: OutputRole) -> Self {
        Self {
            id,
            name,
            instance,
            role,
            watts: None,
            cuts: false,
            window: None,
            cut: false,
            applied: Fraction::ZERO,
            refused: None,
            answered: Seq(0),
            unanswered: VecDeque::new(),
        }
    }

    /// A command went out and wants an answer.
    pub(crate) fn told(&mut self, seq: Seq, now: Millis) {
        if self.unanswered.len() < UNANSWERED_MAX {
            self.unanswered.push_back((seq, now));
        }
    }

    /// The driver answered `seq`, and with it everything before.
    pub(crate) fn take_answer(&mut self, seq: Seq) {
        self.answered = self.answered.max(seq);
        while self
            .unanswered
            .front()
            .is_some_and(|(waiting, _)| *waiting <= seq)
        {
            self.unanswered.pop_front();
        }
    }

    /// How long the oldest unanswered command has waited.
    pub(crate) fn waited(&self, now: Millis) -> Option<Millis> {
        self.unanswered.front().map(|(_, sent)| now.since(*sent))
    }

    /// The driver's process is new or gone: what its predecessor owed is void, and so is what it held.
    pub(crate) fn forget(&mut self) {
        self.unanswered.clear();
        self.applied = Fraction::ZERO;
        self.refused = None;
        self.cut = false;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A driver that answers nothing takes no more memory than that, and the command that has waited longest is kept.
    #[test]
    fn so_many_commands_wait_for_an_answer_and_no_more() {
        let mut output = Output::new(OutputId(0), "heat1".into(), InstanceId(0), OutputRole::Heat);
        for seq in 1..=300 {
            output.told(Seq(seq), Millis(seq));
        }
        assert_eq!(output.unanswered.len(), UNANSWERED_MAX);
        assert_eq!(output.waited(Millis(1_000)), Some(Millis(999)));
        output.take_answer(Seq(255));
        assert_eq!(output.waited(Millis(1_000)), Some(Millis(744)));
        output.take_answer(Seq(256));
        assert_eq!(output.waited(Millis(1_000)), None);
    }
}
