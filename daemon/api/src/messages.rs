//! Everything that people are told, as one list ([`all`]): trips, warnings and refusals of the decisions, whose entries are in
//! [`benchward_core::messages`], and beside them what can go wrong around them, whose entries are here. The sentence with the figures is made where it
//! happens; what it means, what Benchward did and what a person does next are in the list, for the command line and the manual.

use benchward_core::RefusalKind;
use benchward_core::interlock::InterlockName;
use benchward_core::messages::{Message, Warning};

use crate::Error;

/// What kind of message an entry of the list explains.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// An interlock has taken the heat away.
    Trip,
    /// Heat goes on, and somebody should know.
    Warning,
    /// A command was refused or failed.
    Error,
}

impl Kind {
    /// As JSON has it.
    pub const fn text(self) -> &'static str {
        match self {
            Self::Trip => "trip",
            Self::Warning => "warning",
            Self::Error => "error",
        }
    }
}

/// Warnings that aren't the decisions': of the service around them.
const AROUND: [(&str, Message); 4] = [
    (
        "calibration-overdue",
        Message {
            happened: "A sensor was to be checked by a day that is over. The text names the channel and the day",
            did: "Its offset counts as before; runs keep that it was overdue.",
            now: "Check it against a reference: `benchward sensor check STATION CHANNEL`",
        },
    ),
    (
        "calibration-of-another-input",
        Message {
            happened: "A channel is wired to another input than the one its calibration was made with. The text names both, and the offset",
            did: "That calibration doesn't count: the configuration's offset does.",
            now: "Check the sensor that is there now: `benchward sensor check STATION CHANNEL`, or mend the wiring",
        },
    ),
    (
        "archive",
        Message {
            happened: "The archive's disk is full, fails or can't keep up. The text says what, and how much was dropped",
            did: "Heat and interlocks go on; journal entries wait in memory, readings are dropped once there is no room, and both is counted.",
            now: "Make room or mend the disk; `benchward doctor` says how much there is",
        },
    ),
    (
        "driver",
        Message {
            happened: "A station's driver is down",
            did: "There is no heat at that station; the driver is started again by itself.",
            now: "See the daemon's log for its last words; `benchward doctor` looks at every driver",
        },
    ),
];

/// The list: each with its kind and its name. A warning of an interlock has the interlock's name, as its trip has.
pub fn all() -> Vec<(Kind, &'static str, Message)> {
    let trips = InterlockName::ALL
        .iter()
        .map(|interlock| (Kind::Trip, interlock.text(), interlock.message()));
    let warnings = Warning::ALL
        .iter()
        .filter_map(|warning| Some((Kind::Warning, warning.text(), warning.message()?)));
    let around = AROUND
        .iter()
        .map(|(name, message)| (Kind::Warning, *name, *message));
    let errors = Error::all();
    let errors = errors
        .iter()
        .map(|error| (Kind::Error, error.word(), error.message()));
    trips.chain(warnings).chain(around).chain(errors).collect()
}

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
            Self::NotPermitted(_) => return RefusalKind::NotPermitted.message(),
            Self::NotFromNetwork(_) => return RefusalKind::NotFromNetwork.message(),
            Self::CeilingExceeded(_) => return RefusalKind::CeilingExceeded.message(),
            Self::CeilingOutOfBounds(_) => return RefusalKind::CeilingOutOfBounds.message(),
            Self::LimitOutOfBounds(_) => return RefusalKind::LimitOutOfBounds.message(),
            Self::OffsetOutOfBounds(_) => return RefusalKind::OffsetOutOfBounds.message(),
            Self::Tripped(_) => return RefusalKind::Tripped.message(),
            Self::LabAlarm(_) => return RefusalKind::LabAlarm.message(),
            Self::CauseStands(_) => return RefusalKind::CauseStands.message(),
            Self::Busy(_) => return RefusalKind::Busy.message(),
            Self::NotReady(_) => return RefusalKind::NotReady.message(),
            Self::NothingToConfirm(_) => return RefusalKind::NothingToConfirm.message(),
            Self::NothingToResume(_) => return RefusalKind::NothingToResume.message(),
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

    /// A refusal is told by the same name on the bus, with the core's entry; and no name is there twice but a warning's and its trip's.
    #[test]
    fn the_list_has_every_refusal_under_its_name() {
        let all = all();
        for kind in RefusalKind::ALL {
            let found: Vec<_> = all.iter().filter(|(_, name, _)| *name == kind.name()).collect();
            assert_eq!(found.len(), 1, "{}", kind.name());
            assert_eq!((found[0].0, found[0].2), (Kind::Error, kind.message()));
        }
        let mut seen = BTreeSet::new();
        for (kind, name, message) in &all {
            assert!(seen.insert((kind.text(), *name)), "{name} twice");
            assert!(
                !message.happened.ends_with('.') && message.did.ends_with('.'),
                "{name}"
            );
            assert!(!message.now.ends_with('.'), "{name}");
        }
    }
}
