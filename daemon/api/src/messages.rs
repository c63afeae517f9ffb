//! What people are told when something is refused or fails: an entry for each error name, beside those of the interlocks
//! ([`benchward_core::messages`]). The sentence with the figures is made where it happens; what it means, what Benchward did and
//! what a person does next are here, for the command line and the manual.

use benchward_core::messages::Message;

use crate::Error;

const NOTHING: &str = "Nothing was changed.";

impl Error {
    /// One of each, without a text.
    pub fn all() -> Vec<Self> {
        let none = String::new;
        vec![
            Self::Bus(zbus::Error::InvalidReply),
            Self::NotPermitted(none()),
            Self::NotFromNetwork(none()),
            Self::CeilingExceeded(none()),
            Self::CeilingOutOfBounds(none()),
            Self::LimitOutOfBounds(none()),
            Self::OffsetOutOfBounds(none()),
            Self::Tripped(none()),
            Self::LabAlarm(none()),
            Self::CauseStands(none()),
            Self::Busy(none()),
            Self::NotReady(none()),
            Self::NothingToConfirm(none()),
            Self::NothingToResume(none()),
            Self::NothingLearned(none()),
            Self::NoSuch(none()),
            Self::Invalid(none()),
            Self::Archive(none()),
            Self::Unavailable(none()),
        ]
    }

    /// Its entry.
    pub const fn message(&self) -> Message {
        let (happened, did, now) = match self {
            Self::Bus(_) => (
                "The bus between command line and daemon broke, or answered with something else",
                "What was asked for may or may not have been done. Heat lapses within 1.5 s if the daemon is gone.",
                "look with `benchward status`; `benchward doctor` says what is wrong with the installation",
            ),
            Self::NotPermitted(_) => (
                "The account that asked has no role that may do this. The text says who, what, and which role it takes",
                "Nothing was changed, and the journal keeps that it was asked for.",
                "ask somebody who has that role, or for a group that `[roles]` in lab.toml names; `benchward doctor` says what you have",
            ),
            Self::NotFromNetwork(_) => (
                "Something was asked for by message that could make the lab hotter",
                NOTHING,
                "do it on the machine itself, with `benchward`",
            ),
            Self::CeilingExceeded(_) => (
                "A stage's target is above the ceiling that counts. The text names stage, target, ceiling and who set it",
                "The run didn't start.",
                "lower the target, or ask a safety role: `benchward limit show STATION`, `benchward limit set`",
            ),
            Self::CeilingOutOfBounds(_) => (
                "A ceiling outside what can be set at all. The text gives both bounds",
                NOTHING,
                "name one within them",
            ),
            Self::LimitOutOfBounds(_) => (
                "A limit outside what can be set at all. The text gives both bounds",
                NOTHING,
                "name one within them",
            ),
            Self::OffsetOutOfBounds(_) => (
                "A sensor is so far off that no calibration may hide it. The text names the channel, the offset and the bound",
                NOTHING,
                "look at type, polarity and place of the sensor, or replace it",
            ),
            Self::Tripped(_) => (
                "An interlock has tripped, so that nothing heats here. The text names it and why",
                NOTHING,
                "see to the cause; then `benchward trip ack STATION` and `benchward trip reset STATION`",
            ),
            Self::LabAlarm(_) => (
                "A bench heats by itself, which concerns everybody. The text says which, and why",
                "The run didn't start.",
                "see to that bench first; `benchward trip list` shows it",
            ),
            Self::CauseStands(_) => (
                "A trip can't be lifted while its cause is there. The text names the interlock and what is still wrong",
                "It stays tripped.",
                "mend what the text says, look with `benchward status STATION`, and reset again",
            ),
            Self::Busy(_) => (
                "The bench is in a run. The text gives its number",
                NOTHING,
                "let it end, or stop it with `benchward run stop STATION`",
            ),
            Self::NotReady(_) => (
                "Something is missing that this needs. The text says what",
                NOTHING,
                "see to it, look with `benchward status STATION`, and ask again",
            ),
            Self::NothingToConfirm(_) => (
                "No run waits for somebody to look at its sensors",
                NOTHING,
                "nothing; `benchward status` shows what waits for somebody",
            ),
            Self::NothingToResume(_) => (
                "There is no tripped run here that can still be resumed. The text says for how long one can",
                NOTHING,
                "start a new one with `benchward run start`",
            ),
            Self::NothingLearned(_) => (
                "The run says too little of its board. The text says why",
                NOTHING,
                "learn from a run that heated through at least one whole ramp: `benchward run list`",
            ),
            Self::NoSuch(_) => (
                "There is nothing of that name or number. The text says which",
                NOTHING,
                "`benchward status`, `benchward run list` and `benchward recipe list` show what there is",
            ),
            Self::Invalid(_) => (
                "An argument or a file can't be read as what it should be. The text says where, why and what would do",
                NOTHING,
                "mend what the text points at; `--help` of the command has examples",
            ),
            Self::Archive(_) => (
                "The archive can't be read or written. The text says what, and what the system said",
                "Heat and interlocks go on without it; readings wait in memory for a while.",
                "look for room and rights: `benchward doctor`; `benchward --archive DIR archive check` looks at every file of a stopped lab",
            ),
            Self::Unavailable(_) => (
                "The daemon isn't there, is ending, or didn't answer in time",
                "What was asked for was not done, as far as this end knows. Heat lapses within 1.5 s if the daemon is gone.",
                "start it with `systemctl start benchward`; `benchward doctor` looks for why it isn't there",
            ),
        };
        Message { happened, did, now }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_error_has_all_parts() {
        let all = Error::all();
        // As many as have a word: a new variant doesn't compile without one.
        let words = include_str!("error.rs").matches("(_) => \"").count();
        assert_eq!(all.len(), words);
        let mut seen = BTreeSet::new();
        for error in all {
            let Message { happened, did, now } = error.message();
            let word = error.word();
            assert!(seen.insert(happened), "{word}: as another one");
            assert!(
                happened.len() > 20 && !happened.ends_with('.'),
                "{word}: {happened}"
            );
            assert!(did.ends_with('.') && did.len() > 10, "{word}: {did}");
            assert!(!now.is_empty() && !now.ends_with('.'), "{word}: {now}");
        }
    }
}
