//! Errors with one name each, the same on the bus, in JSON output, in the journal and in the manual.

use benchward_core::Refusal;

use crate::exit::Exit;

/// What a call can fail with. Each holds one sentence with the figures in it.
#[derive(Debug, Clone, PartialEq, zbus::DBusError)]
#[zbus(prefix = "io.benchward.Error")]
pub enum Error {
    /// Something of the bus itself.
    #[zbus(error)]
    Bus(zbus::Error),
    /// The caller lacks a role.
    NotPermitted(String),
    /// Heat, limits and resets are never changed from a network.
    NotFromNetwork(String),
    /// A target is above the ceiling.
    CeilingExceeded(String),
    /// A ceiling outside what can be set.
    CeilingOutOfBounds(String),
    /// A limit of the lab outside what can be set.
    LimitOutOfBounds(String),
    /// A calibration beyond what can be set.
    OffsetOutOfBounds(String),
    /// An interlock has tripped.
    Tripped(String),
    /// An alarm of the whole lab stands.
    LabAlarm(String),
    /// The cause of a trip is still there.
    CauseStands(String),
    /// A run is in progress.
    Busy(String),
    /// Something the run, or a check, needs isn't there.
    NotReady(String),
    /// No run waits for somebody to confirm its sensors.
    NothingToConfirm(String),
    /// There is nothing to resume.
    NothingToResume(String),
    /// A run says too little of its board.
    NothingLearned(String),
    /// No station, run, recipe or revision of that name.
    NoSuch(String),
    /// An argument that can't be read; a recipe with mistakes.
    Invalid(String),
    /// The archive can't be read or written.
    Archive(String),
    /// The daemon is ending or didn't answer in time.
    Unavailable(String),
}

impl Error {
    /// The last part of the error's name: what JSON output and the journal call it.
    ///
    /// Not called `name`: that would hide `DBusError::name` from the code that the derive makes, and no error
    /// could be sent.
    pub const fn word(&self) -> &'static str {
        match self {
            Self::Bus(_) => "Bus",
            Self::NotPermitted(_) => "NotPermitted",
            Self::NotFromNetwork(_) => "NotFromNetwork",
            Self::CeilingExceeded(_) => "CeilingExceeded",
            Self::CeilingOutOfBounds(_) => "CeilingOutOfBounds",
            Self::LimitOutOfBounds(_) => "LimitOutOfBounds",
            Self::OffsetOutOfBounds(_) => "OffsetOutOfBounds",
            Self::Tripped(_) => "Tripped",
            Self::LabAlarm(_) => "LabAlarm",
            Self::CauseStands(_) => "CauseStands",
            Self::Busy(_) => "Busy",
            Self::NotReady(_) => "NotReady",
            Self::NothingToConfirm(_) => "NothingToConfirm",
            Self::NothingToResume(_) => "NothingToResume",
            Self::NothingLearned(_) => "NothingLearned",
            Self::NoSuch(_) => "NoSuch",
            Self::Invalid(_) => "Invalid",
            Self::Archive(_) => "Archive",
            Self::Unavailable(_) => "Unavailable",
        }
    }

    /// Its sentence.
    pub fn text(&self) -> String {
        match self {
            Self::Bus(error) => error.to_string(),
            Self::NotPermitted(text)
            | Self::NotFromNetwork(text)
            | Self::CeilingExceeded(text)
            | Self::CeilingOutOfBounds(text)
            | Self::LimitOutOfBounds(text)
            | Self::OffsetOutOfBounds(text)
            | Self::Tripped(text)
            | Self::LabAlarm(text)
            | Self::CauseStands(text)
            | Self::Busy(text)
            | Self::NotReady(text)
            | Self::NothingToConfirm(text)
            | Self::NothingToResume(text)
            | Self::NothingLearned(text)
            | Self::NoSuch(text)
            | Self::Invalid(text)
            | Self::Archive(text)
            | Self::Unavailable(text) => text.clone(),
        }
    }

    /// How a command that met it ends.
    pub const fn exit(&self) -> Exit {
        match self {
            Self::NotPermitted(_) | Self::NotFromNetwork(_) => Exit::NotPermitted,
            Self::CeilingExceeded(_)
            | Self::CeilingOutOfBounds(_)
            | Self::LimitOutOfBounds(_)
            | Self::OffsetOutOfBounds(_)
            | Self::Tripped(_)
            | Self::LabAlarm(_)
            | Self::CauseStands(_)
            | Self::Busy(_)
            | Self::NotReady(_)
            | Self::NothingToConfirm(_)
            | Self::NothingToResume(_) => Exit::Refused,
            Self::NoSuch(_) | Self::Invalid(_) => Exit::WrongUse,
            Self::Archive(_) | Self::NothingLearned(_) => Exit::Failed,
            Self::Bus(_) | Self::Unavailable(_) => Exit::NoDaemon,
        }
    }
}

impl From<Refusal> for Error {
    fn from(refusal: Refusal) -> Self {
        let text = refusal.to_string();
        match refusal {
            Refusal::NotPermitted { .. } => Self::NotPermitted(text),
            Refusal::NotFromNetwork { .. } => Self::NotFromNetwork(text),
            Refusal::CeilingExceeded { .. } => Self::CeilingExceeded(text),
            Refusal::CeilingOutOfBounds { .. } => Self::CeilingOutOfBounds(text),
            Refusal::LimitOutOfBounds { .. } => Self::LimitOutOfBounds(text),
            Refusal::OffsetOutOfBounds { .. } => Self::OffsetOutOfBounds(text),
            Refusal::Tripped { .. } => Self::Tripped(text),
            Refusal::LabAlarm { .. } => Self::LabAlarm(text),
            Refusal::CauseStands { .. } => Self::CauseStands(text),
            Refusal::Busy { .. } => Self::Busy(text),
            Refusal::NotReady { .. } => Self::NotReady(text),
            Refusal::NothingToConfirm { .. } => Self::NothingToConfirm(text),
            Refusal::NothingToResume { .. } => Self::NothingToResume(text),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use benchward_core::{Act, Person};

    /// The core's name of a refusal and the bus's name of the error are one list.
    #[test]
    fn names_are_the_same_in_core_and_on_the_bus() {
        let refusals = [
            Refusal::NotPermitted {
                who: Person::new("op1"),
                act: Act::SetLimit,
            },
            Refusal::NotFromNetwork { act: Act::Run },
            Refusal::NotReady {
                station: "bench-1".into(),
                text: "x".into(),
            },
            Refusal::LimitOutOfBounds {
                limit: benchward_core::LimitName::RiseMax,
                asked: 11.0,
            },
            Refusal::OffsetOutOfBounds {
                station: "bench-1".into(),
                channel: "board-top".into(),
                asked: benchward_core::OFFSET_MAX,
            },
            Refusal::NothingToConfirm {
                station: "bench-1".into(),
            },
            Refusal::NothingToResume {
                station: "bench-1".into(),
                within: benchward_core::units::Millis(1),
            },
        ];
        for refusal in refusals {
            let name = refusal.name();
            let error = Error::from(refusal);
            assert_eq!(error.word(), name);
            // As it goes over the wire, which is what counts.
            let call = zbus::message::Message::method_call("/", "Start")
                .build(&())
                .unwrap();
            let reply = zbus::DBusError::create_reply(&error, &call.header()).unwrap();
            let on_the_wire = reply.header().error_name().unwrap().to_string();
            assert_eq!(on_the_wire, format!("io.benchward.Error.{name}"));
        }
    }
}
