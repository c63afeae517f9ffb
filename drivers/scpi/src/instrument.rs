//! One instrument that is connected, identified and set up.
//!
//! Connecting is: open the line, ask `*IDN?` until the answer is an identification (what comes before it was late and is thrown away), empty
//! the error queue, send the setup and read the error queue after each command, ask the checks. An instrument that was
//! switched off meanwhile has forgotten its setup, so all of it is done at every connecting.

use std::time::{Duration, Instant};

use benchward_driver::Voice;
use benchward_driver::wire::Level;

use crate::answer::{ErrorEntry, is_identification, quoted, says};
use crate::line::{Line, Trouble};
use crate::settings::Settings;

/// Most entries that are taken off the error queue at a time. Queues hold 20 to 100; an instrument that has ever more is out of its mind.
const MAX_ERRORS: usize = 128;

/// Why there is no instrument to measure with.
#[derive(Debug, thiserror::Error)]
pub(crate) enum NotReady {
    /// It may get better by itself.
    #[error(transparent)]
    Trouble(#[from] Trouble),
    /// It is the wrong instrument, or the settings are wrong for it.
    #[error("{0}")]
    Wrong(String),
}

/// A connected instrument.
#[derive(Debug)]
pub(crate) struct Instrument {
    line: Line,
    error_query: String,
    timeout: Duration,
}

impl Instrument {
    /// Connects and sets up.
    ///
    /// # Errors
    /// [`NotReady`].
    pub(crate) fn connect(settings: &Settings, voice: &Voice) -> Result<Self, NotReady> {
        let timeout = settings.setup_timeout();
        let line = Line::open(&settings.address(), settings.line_end, settings.timeout())?;
        let mut instrument = Instrument {
            line,
            error_query: settings.error_query.clone(),
            timeout: settings.timeout(),
        };
        let identity = instrument.identify(settings.identity.as_deref())?;
        for entry in instrument.errors()? {
            let text = format!("left in the error queue: {}", entry.text);
            voice.notice(Level::Warn, &text);
        }
        let count = settings.setup.len();
        for (n, command) in settings.setup.iter().enumerate() {
            instrument.line.send(command, timeout)?;
            if command.contains('?') {
                instrument.line.answer(command, timeout)?;
            }
            let errors = instrument.errors_within(timeout)?;
            if let Some(entry) = errors.first() {
                return Err(NotReady::Wrong(format!(
                    "setup, entry {} of {count}, {}: the instrument says {}",
                    n + 1,
                    quoted(command),
                    entry.text
                )));
            }
        }
        for check in &settings.checks {
            let answer = instrument.line.ask(&check.query, timeout)?;
            if !says(&answer, &check.answer) {
                return Err(NotReady::Wrong(format!(
                    "check {}: the instrument answers {}, expected {}",
                    quoted(&check.query),
                    quoted(&answer),
                    quoted(&check.answer)
                )));
            }
        }
        voice.notice(Level::Info, &format!("connected to {identity}"));
        Ok(instrument)
    }

    /// Asks who it is, passing over answers that were on their way before.
    fn identify(&mut self, expected: Option<&str>) -> Result<String, NotReady> {
        const QUESTION: &str = "*IDN?";
        let until = Instant::now() + self.timeout;
        self.line.send(QUESTION, self.timeout)?;
        let mut passed_over: Option<String> = None;
        loop {
            let left = until.saturating_duration_since(Instant::now());
            // An endless stream of lines isn't an answer either.
            let answer = match self.line.answer(QUESTION, left) {
                Ok(answer) if !left.is_zero() => answer,
                Ok(_) | Err(Trouble::Late { .. }) => {
                    return Err(NotReady::Trouble(unidentified(
                        QUESTION,
                        self.timeout,
                        passed_over,
                    )));
                }
                Err(trouble) => return Err(trouble.into()),
            };
            match expected {
                Some(expected) if answer.contains(expected) => return Ok(answer),
                None if is_identification(&answer) => return Ok(answer),
                Some(expected) if is_identification(&answer) => {
                    return Err(NotReady::Wrong(format!(
                        "the instrument is {}, and identity = {} isn't in that",
                        quoted(&answer),
                        quoted(expected)
                    )));
                }
                _ => passed_over = Some(answer),
            }
        }
    }

    /// Asks a measuring query.
    ///
    /// # Errors
    /// [`Trouble`]: the instrument has to be connected to anew.
    pub(crate) fn ask(&mut self, query: &str) -> Result<String, Trouble> {
        self.line.ask(query, self.timeout)
    }

    /// Empties the error queue, oldest entry first.
    ///
    /// # Errors
    /// As for [`Instrument::ask`].
    pub(crate) fn errors(&mut self) -> Result<Vec<ErrorEntry>, Trouble> {
        self.errors_within(self.timeout)
    }

    fn errors_within(&mut self, timeout: Duration) -> Result<Vec<ErrorEntry>, Trouble> {
        let mut entries = Vec::new();
        if self.error_query.is_empty() {
            return Ok(entries);
        }
        while entries.len() < MAX_ERRORS {
            let answer = self.line.ask(&self.error_query, timeout)?;
            match ErrorEntry::parse(&answer) {
                Some(entry) if entry.code == 0 => return Ok(entries),
                Some(entry) => entries.push(entry),
                None => {
                    return Err(Trouble::Senseless {
                        question: quoted(&self.error_query),
                        what: format!(
                            "{}; a number and a text are expected, such as 0,\"No error\"",
                            quoted(&answer)
                        ),
                    });
                }
            }
        }
        Err(Trouble::Senseless {
            question: quoted(&self.error_query),
            what: format!("still an error after {MAX_ERRORS} of them"),
        })
    }
}

/// Nothing that came was an identification.
fn unidentified(question: &str, waited: Duration, passed_over: Option<String>) -> Trouble {
    let question = quoted(question);
    match passed_over {
        None => Trouble::Late {
            question,
            ms: waited.as_millis(),
        },
        Some(answer) => Trouble::Senseless {
            question,
            what: format!(
                "{}; four fields are expected, or what `identity` says",
                quoted(&answer)
            ),
        },
    }
}
