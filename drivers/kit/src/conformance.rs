//! Runs a driver, in any language, through the rules of the protocol and says which it keeps.
//!
//! Only what a daemon can see counts: messages, their times, and how the process ends. Whether the hardware really
//! was told is beyond it. Nearly every rule starts a process of its own, one after the other, since hardware is there only once,
//! and each asks for as little as it can, so that a driver that breaks one rule isn't accused of another.
//!
//! The rules about heat are tried on the first output. **They heat it**: for some 10 s in all, never longer than 1.5 s at a
//! time if the driver keeps the rules, at the share of full power that [`Subject::heat`] says.

mod ends;
mod heat;
mod intake;
mod scans;
mod session;

use std::cell::{OnceCell, RefCell};
use std::ffi::OsString;

use serde_json::Value as Json;

use crate::wire::{Describe, MAX_LINE_BYTES};
use scans::Listened;
use session::Session;

/// How much later than the protocol says a driver may be seen to act, in milliseconds. For a busy machine, not for
/// a slow driver: a driver on the kit is late by less than 5 ms on an idle one.
pub const LATE_MS: f64 = 500.0;

/// Longest that a driver may take to describe itself, in milliseconds.
pub const START_MS: f64 = 5_000.0;

/// What is checked.
#[derive(Debug, Clone)]
pub struct Subject {
    /// The driver's program.
    pub program: OsString,
    /// Its arguments.
    pub arguments: Vec<OsString>,
    /// Its settings, as `configure` carries them: an object.
    pub settings: Json,
    /// The share of full power to heat with, above 0 to 1. Low is kind to what is connected; an output that can't
    /// do so little rounds it to zero and says so in `applied`.
    pub heat: f64,
    /// Whether its stderr goes where this process's stderr goes, or nowhere.
    pub shows_stderr: bool,
}

/// A rule of the protocol.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Rule {
    name: &'static str,
    asks: &'static str,
}

impl Rule {
    /// Its name in tables and JSON: lower case, hyphens.
    pub fn name(self) -> &'static str {
        self.name
    }

    /// What it asks of a driver, in a sentence.
    pub fn asks(self) -> &'static str {
        self.asks
    }
}

/// What was found about one rule.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Finding {
    /// The rule.
    pub rule: Rule,
    /// Whether it is kept; `None` where it doesn't apply or could not be tried.
    pub kept: Option<bool>,
    /// What was seen, or why it wasn't tried.
    pub text: String,
}

/// Why a rule is not simply kept.
#[derive(Debug)]
enum Objection {
    /// The driver breaks it.
    Broken(String),
    /// It doesn't apply to this driver, or can't be seen.
    OutOfPlace(String),
}

impl From<String> for Objection {
    fn from(text: String) -> Self {
        Objection::Broken(text)
    }
}

fn broken<T>(text: impl Into<String>) -> Result<T, Objection> {
    Err(Objection::Broken(text.into()))
}

fn out_of_place<T>(text: impl Into<String>) -> Result<T, Objection> {
    Err(Objection::OutOfPlace(text.into()))
}

/// What was seen of a rule that is kept, or what is wrong.
type Judged = Result<String, Objection>;

/// Tries one rule on a driver that has started.
type Judge = fn(&Check<'_>) -> Judged;

/// What a driver must have for a rule to apply.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Needs {
    Nothing,
    Inputs,
    Output,
}

/// All rules but [`START`], in the order of the protocol's page.
///
/// The last two judge every line that was heard on the way.
const RULES: [(Rule, Needs, Judge); 27] = {
    const fn rule(name: &'static str, asks: &'static str) -> Rule {
        Rule { name, asks }
    }
    use Needs::{Inputs, Nothing, Output};
    [
        (
            rule(
                "scan-inputs",
                "scans hold the described inputs, each with a value of its kind",
            ),
            Inputs,
            scans::inputs,
        ),
        (
            rule("scan-rate", "inputs come at the rate they announce, within 20 %"),
            Inputs,
            scans::rate,
        ),
        (
            rule(
                "scan-gaps",
                "no input is silent for longer than 3 periods or 0.5 s",
            ),
            Inputs,
            scans::gaps,
        ),
        (
            rule(
                "sign-of-life",
                "without inputs, an empty scan comes at least once a second",
            ),
            Nothing,
            scans::sign_of_life,
        ),
        (
            rule("at-ms", "`at_ms` is CLOCK_MONOTONIC in milliseconds, or left out"),
            Nothing,
            scans::at_ms,
        ),
        (
            rule(
                "applied",
                "`heat` is answered by `applied` with its `seq` and `output`",
            ),
            Output,
            heat::applied,
        ),
        (
            rule("lapse", "heat goes to zero after `valid_ms`, with `lapsed`"),
            Output,
            heat::lapse,
        ),
        (
            rule("renewal", "heat that is renewed in time goes on"),
            Output,
            heat::renewal,
        ),
        (
            rule("longest-permit", "`valid_ms` above 1500 counts as 1500"),
            Output,
            heat::longest_permit,
        ),
        (
            rule("offset", "`offset_ms` is accepted by an output with a window"),
            Output,
            heat::offset,
        ),
        (
            rule("cut", "`cut` is answered by `applied` with zero and `cut`"),
            Output,
            heat::cut,
        ),
        (
            rule("cut-holds", "after `cut`, `heat` is refused"),
            Output,
            heat::cut_holds,
        ),
        (
            rule("restore", "after `restore`, heat is granted again"),
            Output,
            heat::restore,
        ),
        (
            rule("refuse-fraction", "a fraction outside 0 to 1 is refused"),
            Output,
            intake::refuse_fraction,
        ),
        (
            rule("refuse-output", "an output that isn't there is refused"),
            Output,
            intake::refuse_output,
        ),
        (
            rule("refuse-valid-ms", "`heat` without `valid_ms` is refused"),
            Output,
            intake::refuse_valid_ms,
        ),
        (
            rule("refusal-zero", "an output whose command is refused goes to zero"),
            Output,
            intake::refusal_zero,
        ),
        (
            rule("garbage", "a line that can't be read takes all outputs to zero"),
            Output,
            intake::garbage,
        ),
        (
            rule("long-lines", "a line of 64 KiB is read"),
            Output,
            intake::long_lines,
        ),
        (
            rule("unknown-fields", "fields that nobody knows are ignored"),
            Output,
            intake::unknown_fields,
        ),
        (
            rule("unknown-messages", "messages that nobody knows are ignored"),
            Nothing,
            intake::unknown_messages,
        ),
        (
            rule("silence", "a daemon that says nothing is waited for, at zero"),
            Nothing,
            ends::silence,
        ),
        (
            rule("stdin-closed", "when stdin closes: zero, and the end"),
            Nothing,
            ends::stdin_closed,
        ),
        (
            rule("sigterm", "on SIGTERM: zero, and the end"),
            Nothing,
            ends::sigterm,
        ),
        (
            rule("close", "on `close`: zero, exit 0 within 1 s"),
            Nothing,
            ends::close,
        ),
        (
            rule("messages", "every line is a message of the protocol"),
            Nothing,
            messages,
        ),
        (
            rule("line-length", "no line is longer than 64 KiB"),
            Nothing,
            line_length,
        ),
    ]
};

/// The first rule; without it nothing else can be tried.
const START: Rule = Rule {
    name: "start",
    asks: "`configure` is answered by a valid `describe` within 5 s",
};

/// All rules, in the order they are tried.
pub fn rules() -> impl Iterator<Item = Rule> {
    std::iter::once(START).chain(RULES.iter().map(|(rule, ..)| *rule))
}

/// Starts the driver, has it describe itself and ends it again. Nothing is heated; to the hardware it is one start of the driver, which
/// sets every output to zero.
///
/// # Errors
/// Why it didn't describe itself, in words.
pub fn describe(subject: &Subject) -> Result<Describe, String> {
    Session::first(subject, &RefCell::default()).map(|(describe, _)| describe)
}

/// Tries every rule, which takes some 15 s. `found` sees each finding as soon as there is one; the list has all of
/// them, in the order of [`rules`].
pub fn check(subject: &Subject, mut found: impl FnMut(&Finding)) -> Vec<Finding> {
    let mut findings = Vec::new();
    let mut add = |rule: Rule, judged: Judged| {
        let (kept, text) = match judged {
            Ok(text) => (Some(true), text),
            Err(Objection::Broken(text)) => (Some(false), text),
            Err(Objection::OutOfPlace(text)) => (None, text),
        };
        let finding = Finding { rule, kept, text };
        found(&finding);
        findings.push(finding);
    };
    let overheard = RefCell::default();
    let (describe, judged) = match Session::first(subject, &overheard) {
        Ok((describe, text)) => (Some(describe), Ok(text)),
        Err(text) => (None, broken(text)),
    };
    add(START, judged);
    let check = describe.map(|describe| Check {
        subject,
        describe,
        overheard: &overheard,
        listened: OnceCell::new(),
    });
    for (rule, needs, judge) in RULES {
        let judged = match &check {
            None => out_of_place("not tried: the driver didn't start"),
            Some(check) if needs == Needs::Inputs && check.describe.inputs.is_empty() => {
                out_of_place("doesn't apply: the driver has no inputs")
            }
            Some(check) if needs == Needs::Output && check.describe.outputs.is_empty() => {
                out_of_place("doesn't apply: the driver has no outputs")
            }
            Some(check) => judge(check),
        };
        add(rule, judged);
    }
    findings
}

/// What was heard in passing, over all processes.
#[derive(Debug, Default)]
struct Overheard {
    lines: usize,
    longest: usize,
    too_long: usize,
    /// The first lines that aren't messages, and how many.
    malformed: Option<String>,
    malformed_count: usize,
}

/// A driver that has described itself once.
struct Check<'c> {
    subject: &'c Subject,
    describe: Describe,
    overheard: &'c RefCell<Overheard>,
    listened: OnceCell<Result<Listened, String>>,
}

impl Check<'_> {
    /// The output that is tried, where there is one.
    fn output(&self) -> Option<&str> {
        self.describe.outputs.first().map(|output| output.id.as_str())
    }

    /// A new process, configured and described.
    fn session(&self) -> Result<Session<'_>, Objection> {
        Session::again(self.subject, self.output(), self.overheard)
            .map_err(|text| Objection::Broken(format!("it didn't start again for this: {text}")))
    }
}

fn messages(check: &Check<'_>) -> Judged {
    let overheard = check.overheard.borrow();
    match &overheard.malformed {
        None => Ok(format!("{} lines", overheard.lines)),
        Some(first) => broken(format!(
            "{} of {} lines, the first: {first}",
            overheard.malformed_count, overheard.lines
        )),
    }
}

fn line_length(check: &Check<'_>) -> Judged {
    let overheard = check.overheard.borrow();
    if overheard.too_long == 0 {
        Ok(format!("longest {} bytes", overheard.longest))
    } else {
        broken(format!(
            "{} of {} lines longer than {MAX_LINE_BYTES} bytes",
            overheard.too_long, overheard.lines
        ))
    }
}
