//! `benchward driver`: programs that talk to hardware.

mod list;

use std::ffi::OsString;
use std::path::{Path, PathBuf};

use benchward_api::{Exit, shapes};
use benchward_driver::conformance::{self, Finding, Subject};
use clap::{Args, Subcommand};
use serde::Serialize;

use crate::Session;
use crate::failure::Failure;
use crate::figures::{NONE, count};
use crate::screen::{Paint, Tone};

const EXAMPLES: &str = "\
Examples:
  benchward driver list
  benchward driver check simulated";

/// List drivers, and try them out
#[derive(Debug, Subcommand)]
#[command(before_help = EXAMPLES)]
pub(crate) enum Verb {
    List(list::List),
    Check(Check),
}

const CHECK_EXAMPLES: &str = "\
Examples:
  benchward driver check simulated                                a short name, as in the configuration
  benchward driver check gpio --settings bench-1.toml             its settings, as below [driver.NAME.settings]
  benchward driver check python3 driver.py --settings bench-1.toml
  benchward driver check --heat 0.5 -- ./driver --slow            an output that can't do less";

/// Run a driver through every rule of the driver protocol; needs no daemon, takes 15 s or so, and heats
#[derive(Debug, Args)]
#[command(before_help = CHECK_EXAMPLES)]
pub(crate) struct Check {
    /// Short name of a driver (`gpio` is `benchward-driver-gpio`, beside this program or on PATH), else a command
    program: OsString,
    /// Arguments of the command; those that begin with a hyphen come after `--`
    arguments: Vec<OsString>,
    /// TOML file with the driver's settings, as they stand below `[driver.NAME.settings]`
    #[arg(long, value_name = "FILE")]
    settings: Option<PathBuf>,
    /// Share of full power to heat the first output with, above 0 to 1; for moments of 1.5 s at most
    #[arg(long, value_name = "FRACTION", default_value = "0.2", value_parser = share)]
    heat: f64,
}

fn share(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(share) if share > 0.0 && share <= 1.0 => Ok(share),
        _ => Err("a share of full power is above 0 and at most 1, such as 0.2".into()),
    }
}

/// `--json` of `driver check`.
#[derive(Debug, Serialize)]
struct Report {
    schema: u32,
    program: String,
    kept: bool,
    rules: Vec<Entry>,
}

#[derive(Debug, Serialize)]
struct Entry {
    rule: &'static str,
    /// Null where the rule doesn't apply or can't be seen.
    kept: Option<bool>,
    text: String,
}

pub(crate) async fn carry_out(session: &Session, verb: Verb) -> Result<Exit, Failure> {
    match verb {
        Verb::List(list) => list::list(session, &list).await,
        Verb::Check(check) => carry_out_check(session, check),
    }
}

fn carry_out_check(session: &Session, check: Check) -> Result<Exit, Failure> {
    let settings = match &check.settings {
        None => serde_json::json!({}),
        Some(file) => {
            let place = file.display();
            let text = std::fs::read_to_string(file)
                .map_err(|error| Failure::invalid(format!("{place} can't be read: {error}")))?;
            toml::from_str(&text).map_err(|error| Failure::invalid(format!("{place}: {error}")))?
        }
    };
    let subject = Subject {
        program: program(&check.program),
        arguments: check.arguments,
        settings,
        heat: check.heat,
        shows_stderr: !session.screen.is_json(),
    };
    if !session.screen.is_json() {
        session.screen.say(
            Tone::Warning,
            "caution",
            &format!(
                "this heats the driver's first output with {} for moments, 15 s or so",
                crate::figures::percent(subject.heat)
            ),
        );
    }
    let width = conformance::rules()
        .map(|rule| rule.name().len())
        .max()
        .unwrap_or(0);
    let mut shown = Ok(());
    let findings = conformance::check(&subject, |finding| {
        if !session.screen.is_json() && shown.is_ok() {
            shown = session
                .screen
                .print(&line(finding, width, session.screen.paint()));
        }
    });
    shown?;
    let broken = findings
        .iter()
        .filter(|finding| finding.kept == Some(false))
        .count();
    if session.screen.is_json() {
        session.screen.json(&report(&subject, &findings))?;
    } else {
        let kept = findings
            .iter()
            .filter(|finding| finding.kept == Some(true))
            .count();
        let open = findings.len() - kept - broken;
        session.screen.print(&format!(
            "\n{} kept, {broken} broken, {open} that could not be tried or don't apply",
            count(kept, "rule", "rules")
        ))?;
    }
    Ok(if broken == 0 { Exit::Done } else { Exit::Failed })
}

/// A row of the table. Printed as soon as it is known: 15 s are long in front of an empty screen.
fn line(finding: &Finding, width: usize, paint: Paint) -> String {
    let (word, tone) = match finding.kept {
        Some(true) => ("kept", Tone::Good),
        Some(false) => ("BROKEN", Tone::Danger),
        None => (NONE, Tone::Faint),
    };
    let text = match finding.kept {
        // What the rule asks is worth a word where it isn't met.
        Some(false) => format!("{}: {}", finding.rule.asks(), finding.text),
        _ => finding.text.clone(),
    };
    let name = finding.rule.name();
    format!(
        "{name:width$}  {}{}  {text}",
        paint.text(tone, word),
        " ".repeat(6 - word.len())
    )
}

fn report(subject: &Subject, findings: &[Finding]) -> Report {
    Report {
        schema: shapes::SCHEMA,
        program: subject.program.to_string_lossy().into_owned(),
        kept: findings.iter().all(|finding| finding.kept != Some(false)),
        rules: findings
            .iter()
            .map(|finding| Entry {
                rule: finding.rule.name(),
                kept: finding.kept,
                text: finding.text.clone(),
            })
            .collect(),
    }
}

/// What to start: a word of small letters, digits and hyphens is a short name if there is such a driver beside this
/// program or on `PATH`, and a command otherwise.
pub(crate) fn program(word: &OsString) -> OsString {
    let short = word.to_str().filter(|word| {
        word.bytes()
            .all(|b| matches!(b, b'a'..=b'z' | b'0'..=b'9' | b'-' | b'_'))
    });
    let Some(short) = short else {
        return word.clone();
    };
    let file = format!("{PREFIX}{short}");
    folders()
        .into_iter()
        .map(|folder| folder.join(&file))
        .find(|path| path.is_file())
        .map_or_else(|| word.clone(), PathBuf::into_os_string)
}

/// What the name of a driver's program begins with.
const PREFIX: &str = "benchward-driver-";

/// Where drivers are looked for: beside this program, then on `PATH`.
fn folders() -> Vec<PathBuf> {
    let beside = std::env::current_exe()
        .ok()
        .and_then(|path| path.parent().map(Path::to_owned));
    let path = std::env::var_os("PATH").unwrap_or_default();
    beside.into_iter().chain(std::env::split_paths(&path)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn finding(kept: Option<bool>) -> Finding {
        Finding {
            rule: conformance::rules().next().expect("there are rules"),
            kept,
            text: "`describe` took 6000 ms".into(),
        }
    }

    #[test]
    fn a_row_says_in_words_what_it_says_in_colour() {
        assert_eq!(
            line(&finding(Some(true)), 7, Paint::NONE),
            "start    kept    `describe` took 6000 ms"
        );
        assert_eq!(
            line(&finding(Some(false)), 7, Paint::NONE),
            "start    BROKEN  `configure` is answered by a valid `describe` within 5 s: `describe` took 6000 ms"
        );
        assert_eq!(
            line(&finding(None), 7, Paint::NONE),
            "start    -       `describe` took 6000 ms"
        );
    }

    #[test]
    fn one_entry_a_rule_and_null_where_it_does_not_apply() {
        let subject = Subject {
            program: "driver".into(),
            arguments: Vec::new(),
            settings: serde_json::json!({}),
            heat: 0.2,
            shows_stderr: false,
        };
        let json = |kept| serde_json::to_value(report(&subject, &[finding(kept)])).expect("plain data");
        assert_eq!(
            json(None),
            serde_json::json!({
                "schema": 1, "program": "driver", "kept": true,
                "rules": [{"rule": "start", "kept": null, "text": "`describe` took 6000 ms"}],
            })
        );
        assert_eq!(json(Some(false))["kept"], false);
    }

    #[test]
    fn a_word_that_names_no_driver_is_a_command() {
        assert_eq!(program(&"no-such-driver".into()), "no-such-driver");
        assert_eq!(program(&"./simulated".into()), "./simulated");
    }
}
