//! One process of the driver under check, and what it is heard to say.

use std::cell::RefCell;
use std::process::{Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

use rustix::process::Signal;
use serde_json::{Value as Json, json};

use super::{Overheard, START_MS, Subject};
use crate::clock::monotonic_ms;
use crate::other_end::OtherEnd;
use crate::wire::{Applied, Describe, FromDriver, Refused};

/// How long a driver that is late anyway is waited for, so that the finding can say how late.
const LATE_START: Duration = Duration::from_secs(8);

/// How long an answer may take: without one for so long, a daemon counts the driver as lost.
pub(super) const ANSWER: Duration = Duration::from_millis(1_500);

/// How long a process gets to end by itself, when a rule is done with it. Ended by force, it would leave its hardware as it is.
const GOODBYE: Duration = Duration::from_secs(2);

/// One process, configured and described.
pub(super) struct Session<'c> {
    end: OtherEnd,
    output: String,
    seq: u64,
    /// Its stdout is closed.
    over: bool,
    overheard: &'c RefCell<Overheard>,
}

/// What an output said. Without what borrows from the line.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Said {
    Applied(Applied<'static>),
    Refused { seq: Option<u64>, output: String },
}

impl<'c> Session<'c> {
    /// The first process: what it describes, and how long that took.
    pub(super) fn first(
        subject: &Subject,
        overheard: &'c RefCell<Overheard>,
    ) -> Result<(Describe, String), String> {
        let (session, describe, took_ms) = Session::open(subject, None, overheard)?;
        drop(session);
        if took_ms > START_MS {
            return Err(format!(
                "`describe` took {took_ms:.0} ms, {START_MS:.0} ms at most"
            ));
        }
        let text = format!(
            "{} {}, {} and {} after {took_ms:.0} ms",
            describe.name,
            describe.version,
            count(describe.inputs.len(), "input"),
            count(describe.outputs.len(), "output"),
        );
        Ok((describe, text))
    }

    /// A further process.
    pub(super) fn again(
        subject: &Subject,
        output: Option<&str>,
        overheard: &'c RefCell<Overheard>,
    ) -> Result<Self, String> {
        Session::open(subject, output, overheard).map(|(session, ..)| session)
    }

    fn open(
        subject: &Subject,
        output: Option<&str>,
        overheard: &'c RefCell<Overheard>,
    ) -> Result<(Self, Describe, f64), String> {
        let mut command = Command::new(&subject.program);
        command.args(&subject.arguments);
        if !subject.shows_stderr {
            command.stderr(Stdio::null());
        }
        let mut end = OtherEnd::start(&mut command)
            .map_err(|error| format!("`{}` can't be started: {error}", subject.program.display()))?;
        end.listen();
        let mut session = Session {
            end,
            output: output.unwrap_or_default().to_owned(),
            seq: 0,
            over: false,
            overheard,
        };
        let asked = monotonic_ms();
        // A process that is gone already has said why, if it said anything.
        let _ = session.end.configure("check", subject.settings.clone(), 1.0);
        let until = Instant::now() + LATE_START;
        loop {
            let Some(heard) = session.end.hear(until.saturating_duration_since(Instant::now())) else {
                return Err(match session.end.wait_for_exit(Duration::from_millis(200)) {
                    Some(status) => format!("it ended without `describe`: {status}"),
                    None => "no `describe` came".into(),
                });
            };
            match heard.message() {
                Ok(FromDriver::Describe(describe)) => {
                    session.note(&heard);
                    return Ok((session, *describe, heard.at_ms - asked));
                }
                Ok(FromDriver::Failed { text }) => return Err(format!("it says `failed`: {text}")),
                Ok(FromDriver::Notice { .. } | FromDriver::Unknown { .. }) => session.note(&heard),
                Ok(other) => return Err(format!("it says something else before `describe`: {other:?}")),
                Err(error) => return Err(error.to_string()),
            }
        }
    }

    fn note(&self, heard: &crate::other_end::Heard) {
        let mut overheard = self.overheard.borrow_mut();
        overheard.lines += 1;
        overheard.longest = overheard.longest.max(heard.line.len());
        if heard.too_long {
            overheard.too_long += 1;
        } else if let Err(error) = heard.message() {
            overheard.malformed_count += 1;
            overheard.malformed.get_or_insert_with(|| error.to_string());
        }
    }

    /// Says a line made of these fields.
    pub(super) fn say(&mut self, fields: &Json) -> Result<(), String> {
        self.write(format!("{fields}\n").as_bytes())
    }

    /// Writes bytes as they are.
    pub(super) fn write(&mut self, bytes: &[u8]) -> Result<(), String> {
        self.end
            .write(bytes)
            .map_err(|error| match self.exit(Duration::from_millis(200)) {
                Some(status) => format!("it ended, which nobody asked for: {status}"),
                None => format!("it doesn't hold its stdin any more: {error}"),
            })
    }

    /// Says a command for the output under check unless `fields` name another; returns its `seq`.
    pub(super) fn command(&mut self, msg: &str, fields: &Json) -> Result<u64, String> {
        self.seq += 1;
        let mut line = json!({"msg": msg, "seq": self.seq, "output": self.output});
        if let (Some(line), Some(fields)) = (line.as_object_mut(), fields.as_object()) {
            line.extend(fields.clone());
        }
        self.say(&line)?;
        Ok(self.seq)
    }

    /// Grants heat.
    pub(super) fn heat(&mut self, fraction: f64, valid_ms: u32) -> Result<u64, String> {
        self.command("heat", &json!({"fraction": fraction, "valid_ms": valid_ms}))
    }

    /// Grants heat and waits until it is on, or half a second: it may break the rule that says so.
    pub(super) fn heat_and_see(&mut self, fraction: f64, valid_ms: u32) -> Result<(), String> {
        let seq = self.heat(fraction, valid_ms)?;
        self.answer_to(seq, Duration::from_millis(500));
        Ok(())
    }

    /// Listens until `right` makes something of a message, given with the time it was read. `None` if time is up or there
    /// will be no more.
    pub(super) fn until<T>(
        &mut self,
        patience: Duration,
        mut right: impl FnMut(&FromDriver<'_>, f64) -> Option<T>,
    ) -> Option<T> {
        let until = Instant::now() + patience;
        loop {
            let Some(heard) = self.end.hear(until.saturating_duration_since(Instant::now())) else {
                self.over |= Instant::now() < until;
                return None;
            };
            self.note(&heard);
            if let Ok(message) = heard.message()
                && let Some(found) = right(&message, heard.at_ms)
            {
                return Some(found);
            }
        }
    }

    /// The next that an output says, with its time.
    pub(super) fn said(
        &mut self,
        patience: Duration,
        mut right: impl FnMut(&Said) -> bool,
    ) -> Option<(Said, f64)> {
        self.until(patience, |message, at_ms| {
            let said = Said::of(message)?;
            right(&said).then_some((said, at_ms))
        })
    }

    /// The answer to a command.
    pub(super) fn answer_to(&mut self, seq: u64, patience: Duration) -> Option<Said> {
        self.said(patience, |said| said.seq() == Some(seq))
            .map(|(said, _)| said)
    }

    /// When the output's permit ran out, by its own word.
    pub(super) fn lapsed(&mut self, patience: Duration) -> Option<f64> {
        let output = self.output.clone();
        self.said(
            patience,
            |said| matches!(said, Said::Applied(applied) if applied.lapsed && applied.output == output),
        )
        .map(|(_, at_ms)| at_ms)
    }

    /// Whether it has ended, if it does in time.
    pub(super) fn exit(&mut self, patience: Duration) -> Option<ExitStatus> {
        self.end.wait_for_exit(patience)
    }

    /// Whether it has ended by now. A process closes its stdout a little before it can be seen to have ended.
    pub(super) fn has_ended(&mut self) -> Option<ExitStatus> {
        let patience = if self.over {
            Duration::from_secs(1)
        } else {
            Duration::ZERO
        };
        self.exit(patience)
    }

    /// Why nothing came: it ended, or it kept silent.
    pub(super) fn why_nothing(&mut self) -> String {
        match self.has_ended() {
            Some(status) => format!("it ended: {status}"),
            None => "nothing came".into(),
        }
    }

    /// Closes its stdin.
    pub(super) fn close_stdin(&mut self) {
        self.end.close_stdin();
    }

    /// Sends it a signal.
    pub(super) fn signal(&self, signal: Signal) -> Result<(), String> {
        self.end
            .signal(signal)
            .map_err(|error| format!("it ended, which nobody asked for: {error}"))
    }
}

impl Drop for Session<'_> {
    fn drop(&mut self) {
        let _ = self.say(&json!({"msg": "close"}));
        if self.exit(GOODBYE).is_none() {
            // What doesn't go by asking gets a signal; `OtherEnd` ends what doesn't go by that either.
            let _ = self.signal(Signal::TERM);
            self.exit(GOODBYE);
        }
    }
}

impl Said {
    pub(super) fn of(message: &FromDriver<'_>) -> Option<Self> {
        match message {
            FromDriver::Applied(applied) => Some(Said::Applied(Applied {
                output: applied.output.clone().into_owned().into(),
                ..*applied
            })),
            FromDriver::Refused(Refused { seq, output, .. }) => Some(Said::Refused {
                seq: *seq,
                output: output.clone().into_owned(),
            }),
            _ => None,
        }
    }

    pub(super) fn seq(&self) -> Option<u64> {
        match self {
            Said::Applied(applied) => applied.seq,
            Said::Refused { seq, .. } => *seq,
        }
    }

    /// It says that the output is at zero, and not because its time was up.
    pub(super) fn is_zero(&self) -> bool {
        matches!(self, Said::Applied(applied) if applied.fraction <= 0.0 && !applied.lapsed)
    }
}

fn count(number: usize, what: &str) -> String {
    format!("{number} {what}{}", if number == 1 { "" } else { "s" })
}
