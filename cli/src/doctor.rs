//! `benchward doctor`: whether an installation is as it should be, line by line, and what to do where it isn't.
//!
//! It only looks. Nothing is heated, nothing is changed, and no driver is started while a daemon may hold its hardware.

mod broker;
mod daemon;
mod drivers;
mod machine;
mod people;

use std::fmt::Write as _;
use std::path::PathBuf;

use benchward_api::{Exit, shapes};
use benchward_config::{Config, LoadError, config_file};
use clap::Args;
use serde::Serialize;

use crate::Session;
use crate::failure::{Failure, with_causes};
use crate::figures::count;
use crate::screen::{Paint, Tone};

const EXAMPLES: &str = "\
Examples:
  benchward doctor                        of /etc/benchward/lab.toml and the daemon that runs by it
  benchward doctor --config lab.toml
  benchward --json doctor                 for a program; exit code 1 where something is wrong";

/// Check this installation: configuration, daemon, broker, drivers, clock, disk, archive, roles
///
/// It only looks: nothing is heated and nothing is changed. Drivers are started, each once and without heat, only where no daemon
/// runs that may hold their hardware.
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// The configuration [default: `$BENCHWARD_CONFIG`, else /etc/benchward/lab.toml]
    #[arg(long, value_name = "FILE")]
    config: Option<PathBuf>,
}

/// How something is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "lowercase")]
enum Verdict {
    /// As it should be.
    Ok,
    /// Somebody should look: it may be meant.
    Look,
    /// It doesn't work, or not for long.
    Wrong,
}

/// One line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
struct Finding {
    /// What was looked at.
    check: &'static str,
    /// Which of several, such as the name of a driver.
    of: Option<String>,
    verdict: Verdict,
    /// How it is, with its figures.
    text: String,
    /// What to do.
    fix: Option<String>,
}

impl Finding {
    fn ok(check: &'static str, text: impl Into<String>) -> Self {
        Self {
            check,
            of: None,
            verdict: Verdict::Ok,
            text: text.into(),
            fix: None,
        }
    }

    fn look(check: &'static str, text: impl Into<String>, fix: impl Into<String>) -> Self {
        Self {
            verdict: Verdict::Look,
            fix: Some(fix.into()),
            ..Self::ok(check, text)
        }
    }

    fn wrong(check: &'static str, text: impl Into<String>, fix: impl Into<String>) -> Self {
        Self {
            verdict: Verdict::Wrong,
            ..Self::look(check, text, fix)
        }
    }

    /// What a command failed with.
    fn failed(check: &'static str, failure: Failure) -> Self {
        match failure {
            Failure::Told { text, hint, .. } => Self {
                verdict: Verdict::Wrong,
                fix: hint,
                ..Self::ok(check, text)
            },
            Failure::NobodyReads => Self::ok(check, ""),
        }
    }

    fn of(mut self, which: &str) -> Self {
        self.of = Some(which.to_owned());
        self
    }
}

/// All of it.
#[derive(Debug, Serialize)]
struct Report {
    schema: u32,
    /// Whether nothing is wrong.
    ok: bool,
    wrong: usize,
    look: usize,
    checks: Vec<Finding>,
}

impl Report {
    fn of(checks: Vec<Finding>) -> Self {
        let number = |verdict| checks.iter().filter(|one| one.verdict == verdict).count();
        let (wrong, look) = (number(Verdict::Wrong), number(Verdict::Look));
        Self {
            schema: shapes::SCHEMA,
            ok: wrong == 0,
            wrong,
            look,
            checks,
        }
    }
}

pub(crate) async fn doctor(session: &Session, arguments: &Arguments) -> Result<Exit, Failure> {
    let file = config_file(
        arguments.config.as_deref(),
        std::env::var_os("BENCHWARD_CONFIG").as_deref(),
    );
    let mut findings = Vec::new();
    let config = match Config::load(&file) {
        Ok(config) => {
            findings.push(Finding::ok(
                "configuration",
                format!(
                    "{} has no mistakes: lab \"{}\", {}, {}",
                    file.display(),
                    config.lab.name,
                    count(config.stations.len(), "station", "stations"),
                    count(config.drivers.len(), "driver", "drivers")
                ),
            ));
            Some(config)
        }
        Err(LoadError::Mistakes(mistakes)) => {
            let many = mistakes.iter().count() + mistakes.more();
            findings.push(Finding::wrong(
                "configuration",
                format!("{} has {}", file.display(), count(many, "mistake", "mistakes")),
                format!("see them with `benchward config check {}`", file.display()),
            ));
            None
        }
        Err(error) => {
            findings.push(Finding::wrong(
                "configuration",
                with_causes(&error),
                "name the file with --config FILE or $BENCHWARD_CONFIG; without it only this machine and the daemon are looked at",
            ));
            None
        }
    };
    let known = daemon::look(session, config.as_ref(), &mut findings).await;
    if let Some(mqtt) = config.as_ref().and_then(|config| config.mqtt.as_ref()) {
        findings.extend(broker::look(mqtt).await);
    }
    findings.extend(machine::clock(&known).await);
    let folder = config.as_ref().and_then(|config| {
        let variable = |name: &str| std::env::var_os(name);
        let named = config.lab.archive.clone();
        named.or_else(|| benchward_config::archive_folder(variable))
    });
    let mut held = known.held;
    if let (Some(config), Some(folder)) = (&config, &folder) {
        findings.extend(machine::disk(folder, config.archive.reserve_bytes));
        held |= machine::archive(folder, &known, &mut findings);
    }
    if let Some(config) = &config {
        findings.extend(drivers::look(config, held, known.status.as_ref()));
    }
    findings.extend(people::look(config.as_ref()));
    let report = Report::of(findings);
    session.screen.show(&report, page)?;
    Ok(if report.ok { Exit::Done } else { Exit::Failed })
}

/// A line each, with what to do below it.
fn page(report: &Report, paint: Paint) -> String {
    let name = |one: &Finding| match &one.of {
        Some(of) => format!("{} {of}", one.check),
        None => one.check.to_owned(),
    };
    let width = report
        .checks
        .iter()
        .map(|one| name(one).chars().count())
        .max()
        .unwrap_or(0);
    let mut text = String::new();
    for one in &report.checks {
        let (word, tone) = match one.verdict {
            Verdict::Ok => ("ok   ", Tone::Good),
            Verdict::Look => ("look ", Tone::Warning),
            Verdict::Wrong => ("WRONG", Tone::Danger),
        };
        let name = name(one);
        let _ = writeln!(text, "{}  {name:width$}  {}", paint.text(tone, word), one.text);
        if let Some(fix) = &one.fix {
            let _ = writeln!(text, "       {:width$}  -> {fix}", "");
        }
    }
    let look = match report.look {
        0 => String::new(),
        1 => ", 1 to look at".into(),
        many => format!(", {many} to look at"),
    };
    let verdict = match report.wrong {
        0 => paint.text(Tone::Good, "nothing is wrong").into_owned(),
        1 => paint.text(Tone::Danger, "1 is wrong").into_owned(),
        many => paint
            .text(Tone::Danger, &format!("{many} are wrong"))
            .into_owned(),
    };
    let _ = writeln!(
        text,
        "\n{} looked at: {verdict}{look}",
        count(report.checks.len(), "thing", "things")
    );
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_line_says_how_it_is_and_what_to_do() {
        let report = Report::of(vec![
            Finding::ok("daemon", "answers at /run/benchward/bus"),
            Finding::look(
                "clock",
                "nobody says whether it is right",
                "run a time server's client",
            ),
            Finding::wrong("driver", "it isn't there", "install it").of("rack"),
        ]);
        assert_eq!(
            page(&report, Paint::NONE),
            "\
ok     daemon       answers at /run/benchward/bus
look   clock        nobody says whether it is right
                    -> run a time server's client
WRONG  driver rack  it isn't there
                    -> install it

3 things looked at: 1 is wrong, 1 to look at
"
        );
        assert!(!report.ok);
        let value = serde_json::to_value(&report).unwrap();
        assert_eq!(value["schema"], 1);
        assert_eq!(
            value["checks"][2],
            serde_json::json!({
                "check": "driver", "of": "rack", "verdict": "wrong", "text": "it isn't there", "fix": "install it",
            })
        );
    }

    #[test]
    fn what_is_to_look_at_is_no_failure() {
        let report = Report::of(vec![Finding::look("clock", "x", "y"), Finding::ok("daemon", "z")]);
        assert!(report.ok);
        assert!(
            page(&report, Paint::NONE).ends_with("\n2 things looked at: nothing is wrong, 1 to look at\n")
        );
    }
}
