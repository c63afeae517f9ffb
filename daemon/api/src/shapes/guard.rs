//! How a first run was guarded.

use benchward_archive as archive;
use serde::{Deserialize, Serialize};

/// How a run on a board that was unknown was kept from taking a loose sensor for a heavy board.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunGuard {
    /// By what, in words.
    pub guarded_by: String,
    /// What a person was asked last; null: nobody was.
    pub asked: Option<String>,
    /// Who confirmed that the sensors are on the board; null: nobody had to, or did.
    pub confirmed_by: Option<String>,
}

impl RunGuard {
    /// Where a run's record has it: its key in [`archive::RunRecord::more`].
    pub const KEY: &str = "first_run";

    /// `first run, guarded by ...; sensors confirmed by op1`.
    pub fn words(&self) -> String {
        let asked = match (&self.confirmed_by, &self.asked) {
            (Some(person), _) => format!("; sensors confirmed by {person}"),
            (None, Some(asked)) => format!("; asked, and nobody confirmed: {asked}"),
            (None, None) => String::new(),
        };
        format!("first run, guarded by {}{asked}", self.guarded_by)
    }

    pub(super) fn of(record: &archive::RunRecord) -> Option<Self> {
        Self::deserialize(record.more.get(Self::KEY)?).ok()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_say_who_confirmed_what() {
        let mut guard = RunGuard {
            guarded_by: "its channels against each other".into(),
            asked: None,
            confirmed_by: None,
        };
        assert_eq!(
            guard.words(),
            "first run, guarded by its channels against each other"
        );
        guard.asked = Some("board-top rose 1.0 °C".into());
        assert!(
            guard
                .words()
                .ends_with("; asked, and nobody confirmed: board-top rose 1.0 °C")
        );
        guard.confirmed_by = Some("op1".into());
        assert!(guard.words().ends_with("other; sensors confirmed by op1"));
    }
}
