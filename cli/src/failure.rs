//! Why a command didn't do what it was asked: a name, a sentence, what to do, and the exit code.

use std::io;

use benchward_api::{Error, Exit, shapes};
use zbus::DBusError;

use crate::screen::{Screen, Tone};
use crate::spoken::spoken;

/// A command that failed.
#[derive(Debug)]
pub(crate) enum Failure {
    /// Somebody is to be told.
    Told {
        /// Name of the error, the last part of its name on the bus.
        error: String,
        /// What, where, value, bound, unit.
        text: String,
        /// What to do about it.
        hint: Option<String>,
        /// How the command ends.
        exit: Exit,
    },
    /// The reader of stdout went away; nobody is to be told.
    NobodyReads,
}

impl Failure {
    fn new(error: impl Into<String>, exit: Exit, text: impl Into<String>) -> Self {
        Self::Told {
            error: error.into(),
            text: text.into(),
            hint: None,
            exit,
        }
    }

    /// Something of this machine doesn't work.
    pub(crate) fn failed(text: impl Into<String>) -> Self {
        Self::new("Failed", Exit::Failed, text)
    }

    /// The command makes no sense as it was typed.
    pub(crate) fn wrong_use(text: impl Into<String>, hint: impl Into<String>) -> Self {
        Self::invalid(text).hint(hint)
    }

    /// An argument or a file can't be read as what it should be.
    pub(crate) fn invalid(text: impl Into<String>) -> Self {
        Self::new("Invalid", Exit::WrongUse, text)
    }

    /// There is nobody to ask.
    pub(crate) fn no_daemon(text: impl Into<String>, hint: impl Into<String>) -> Self {
        Self::new("Unavailable", Exit::NoDaemon, text).hint(hint)
    }

    /// The daemon is there and this account may not talk to it.
    pub(crate) fn not_permitted(text: impl Into<String>, hint: impl Into<String>) -> Self {
        Self::new("NotPermitted", Exit::NotPermitted, text).hint(hint)
    }

    /// No thing of that name. `there_are`: what names there are.
    pub(crate) fn no_such<'n>(what: &str, name: &str, there_are: impl Iterator<Item = &'n str>) -> Self {
        let names: Vec<&str> = there_are.collect();
        let failure = Self::new("NoSuch", Exit::WrongUse, format!("there is no {what} `{name}`"));
        if names.is_empty() {
            failure
        } else {
            failure.hint(format!("there is {}", names.join(", ")))
        }
    }

    /// Whether it is that there is nobody to ask.
    pub(crate) fn is_no_daemon(&self) -> bool {
        matches!(
            self,
            Self::Told {
                exit: Exit::NoDaemon,
                ..
            }
        )
    }

    /// With what to do about it.
    pub(crate) fn hint(mut self, advice: impl Into<String>) -> Self {
        if let Self::Told { hint, .. } = &mut self {
            *hint = Some(advice.into());
        }
        self
    }

    /// Name of the error.
    pub(crate) fn error(&self) -> &str {
        match self {
            Self::Told { error, .. } => error,
            Self::NobodyReads => "NobodyReads",
        }
    }

    /// Tells whoever asked: the sentence on stderr and, with `--json`, the object on stdout.
    pub(crate) fn report(self, screen: &Screen) -> Exit {
        let Self::Told {
            error,
            text,
            hint,
            exit,
        } = self
        else {
            return Exit::Done;
        };
        screen.say(Tone::Danger, "error", &spoken(&text));
        if let Some(hint) = &hint {
            screen.say(Tone::Strong, "hint", hint);
        }
        if screen.is_json() {
            let failed = shapes::Failed {
                schema: shapes::SCHEMA,
                error,
                text,
            };
            // If nobody reads stdout, the exit code still says it.
            let _ = screen.json(&failed);
        }
        exit
    }
}

impl From<Error> for Failure {
    /// With what to do next from the list of messages, unless the text says a command itself.
    fn from(error: Error) -> Self {
        let text = error.text();
        let says = text.contains("`benchward ");
        let failure = Self::new(last_part(&DBusError::name(&error)), error.exit(), text);
        if says {
            failure
        } else {
            failure.hint(error.message().now)
        }
    }
}

impl From<benchward_archive::Error> for Failure {
    fn from(error: benchward_archive::Error) -> Self {
        let whole = with_causes(&error);
        let (text, hint) = match whole.split_once("\nhint: ") {
            Some((text, hint)) => (text.to_owned(), Some(hint.to_owned())),
            None => (whole, None),
        };
        let failure = match error {
            benchward_archive::Error::NoSuchRun(_) => Self::new("NoSuch", Exit::WrongUse, text),
            benchward_archive::Error::NotAnArchive(_) => Self::invalid(text),
            _ => Self::new("Archive", Exit::Failed, text),
        };
        match hint {
            Some(hint) => failure.hint(hint),
            None => failure,
        }
    }
}

/// `CeilingExceeded` of `io.benchward.Error.CeilingExceeded`.
fn last_part(name: &str) -> &str {
    name.rsplit('.').next().unwrap_or(name)
}

/// Writing to stdout failed.
impl From<io::Error> for Failure {
    fn from(error: io::Error) -> Self {
        if error.kind() == io::ErrorKind::BrokenPipe {
            Self::NobodyReads
        } else {
            Self::failed(format!("can't write to stdout: {error}"))
        }
    }
}

/// An error with what caused it, in one sentence. A hint that an error carries stays at the end.
pub(crate) fn with_causes(error: &dyn std::error::Error) -> String {
    let whole = error.to_string();
    let (mut text, hint) = match whole.split_once("\nhint: ") {
        Some((text, hint)) => (text.to_owned(), format!("\nhint: {hint}")),
        None => (whole, String::new()),
    };
    let mut cause = error.source();
    while let Some(inner) = cause {
        text.push_str(": ");
        text.push_str(&inner.to_string());
        cause = inner.source();
    }
    text + &hint
}

#[cfg(test)]
mod tests {
    use super::*;

    fn exit(failure: &Failure) -> u8 {
        match failure {
            Failure::Told { exit, .. } => *exit as u8,
            Failure::NobodyReads => 0,
        }
    }

    /// The numbers that scripts rely on.
    #[test]
    fn exit_codes_are_those_of_the_manual() {
        let table = [
            (Error::NotPermitted(String::new()), 3),
            (Error::NotFromNetwork(String::new()), 3),
            (Error::CeilingExceeded(String::new()), 4),
            (Error::CeilingOutOfBounds(String::new()), 4),
            (Error::Tripped(String::new()), 4),
            (Error::CauseStands(String::new()), 4),
            (Error::Busy(String::new()), 4),
            (Error::NotReady(String::new()), 4),
            (Error::NothingToConfirm(String::new()), 4),
            (Error::NothingToResume(String::new()), 4),
            (Error::NoSuch(String::new()), 2),
            (Error::Invalid(String::new()), 2),
            (Error::Archive(String::new()), 1),
            (Error::Unavailable(String::new()), 5),
        ];
        for (error, code) in table {
            let name = DBusError::name(&error).to_string();
            let failure = Failure::from(error);
            assert!(name.ends_with(&format!(".{}", failure.error())), "{name}");
            assert_eq!(exit(&failure), code, "{name}");
        }
        assert_eq!(exit(&Failure::failed("")), 1);
        assert_eq!(exit(&Failure::wrong_use("", "")), 2);
        assert_eq!(exit(&Failure::not_permitted("", "")), 3);
        assert_eq!(exit(&Failure::no_daemon("", "")), 5);
        assert_eq!(exit(&io::Error::from(io::ErrorKind::BrokenPipe).into()), 0);
        assert_eq!(exit(&io::Error::from(io::ErrorKind::StorageFull).into()), 1);
    }

    /// What a person does next is said once: by the text, or by the list of messages.
    #[test]
    fn every_refusal_says_what_to_do() {
        for error in Error::all() {
            let now = error.message().now;
            let Failure::Told { hint, .. } = Failure::from(error) else {
                panic!("nobody would be told")
            };
            assert_eq!(hint.as_deref(), Some(now));
        }
        let text = "bench-1 is in run 7; stop it first with `benchward run stop bench-1`";
        let Failure::Told { hint, .. } = Failure::from(Error::Busy(text.into())) else {
            panic!("nobody would be told")
        };
        assert_eq!(hint, None);
    }

    #[test]
    fn an_archive_that_is_none_names_the_fix_apart() {
        let failure = Failure::from(benchward_archive::Error::NotAnArchive("/nowhere".into()));
        let Failure::Told { text, hint, .. } = failure else {
            panic!("nobody would be told")
        };
        assert!(text.contains("/nowhere") && !text.contains("hint"), "{text}");
        assert!(hint.is_some_and(|hint| hint.contains("lab.toml")));
    }
}
