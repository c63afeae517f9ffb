//! `benchward watch`: the same, kept current.
//!
//! On a terminal it is a page of its own: [`live`] keeps it current and listens to keys, [`view`] says what it looks like, [`course`]
//! keeps what the chart needs, [`chart`] and [`big`] draw, [`terminal`] sees to it that the terminal is as before at the end.
//! Elsewhere plain lines come out, or JSON Lines with `--json`.

mod big;
mod chart;
mod course;
mod live;
mod terminal;
mod view;

use std::ffi::OsString;
use std::fmt::Write as _;
use std::io::{self, IsTerminal};
use std::time::Duration;

use benchward_api::{Exit, shapes};
use clap::Args;
use tokio::time::MissedTickBehavior;

use crate::Session;
use crate::daemon::Daemon;
use crate::failure::Failure;
use crate::figures::{celsius, clock, percent};
use crate::foretold;
use crate::spoken::spoken;
use crate::status::{self, Need};

/// How often a line per station goes to a file or a program.
const SAID_EVERY: Duration = Duration::from_secs(1);

const EXAMPLES: &str = "\
Examples:
  benchward watch                       all benches, worst first; keys stand at the bottom
  benchward watch bench-1               one bench: large figure, chart, what to do
  benchward watch --once                one look
  benchward --json watch                one object a second, for a program";

/// Show what the benches do, kept current
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// Only this station, with all its channels
    station: Option<String>,
    /// Show it once and end
    #[arg(long)]
    once: bool,
    /// Draw with ASCII letters only [default: where the locale isn't UTF-8, and on the Linux console]
    #[arg(long)]
    ascii: bool,
}

pub(crate) async fn watch(session: &Session, arguments: &Arguments) -> Result<Exit, Failure> {
    let daemon = session.daemon_to_show().await?;
    let station = arguments.station.as_deref();
    let all = daemon.status().await?;
    let first = status::only(all.clone(), station)?;
    if arguments.once {
        show(session, &first, station)?;
        return Ok(Exit::Done);
    }
    let dumb = std::env::var_os("TERM").is_some_and(|term| term == "dumb");
    if io::stdout().is_terminal() && !session.screen.is_json() && !dumb {
        let look = view::Look {
            colour: session.screen.paint().is_on(),
            ascii: plain(arguments.ascii, |name| std::env::var_os(name)),
        };
        live::show(session, daemon, all, station, look).await
    } else {
        tell(session, daemon, station).await
    }
}

/// Whether only ASCII may be drawn: asked for, or the locale doesn't say UTF-8 (POSIX: the first of `LC_ALL`, `LC_CTYPE`, `LANG` that
/// is set and not empty), or it is the console of Linux, whose fonts lack most of the rest.
fn plain(asked: bool, variable: impl Fn(&str) -> Option<OsString>) -> bool {
    let locale = ["LC_ALL", "LC_CTYPE", "LANG"]
        .into_iter()
        .filter_map(&variable)
        .find(|value| !value.is_empty())
        .map(|value| value.to_string_lossy().to_lowercase());
    let utf8 = locale.is_some_and(|locale| locale.contains("utf-8") || locale.contains("utf8"));
    asked || !utf8 || variable("TERM").is_some_and(|term| term == "linux")
}

fn show(session: &Session, status: &shapes::Status, station: Option<&str>) -> io::Result<()> {
    session
        .screen
        .show(status, |status, paint| picture(status, station, paint))
}

fn picture(status: &shapes::Status, station: Option<&str>, paint: crate::screen::Paint) -> String {
    match (station, status.stations.as_slice()) {
        (Some(_), [station]) => {
            status::alarms(status, paint)
                + &status::one(station, paint)
                + &status::calibrations(status, paint)
        }
        _ => status::all(status, paint),
    }
}

/// Lines, for whatever isn't a terminal.
async fn tell(session: &Session, daemon: Daemon, station: Option<&str>) -> Result<Exit, Failure> {
    let mut tick = tokio::time::interval(SAID_EVERY);
    tick.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        tick.tick().await;
        let status = status::only(daemon.status().await?, station)?;
        if session.screen.is_json() {
            session.screen.json(&status)?;
        } else {
            let now = benchward_archive::Wall::now().to_string();
            let alarms = status
                .alarms
                .iter()
                .map(|alarm| format!("{now} {}", spoken(&alarm.text)));
            let stations = status.stations.iter().map(|station| line(&now, station));
            let lines: Vec<String> = alarms.chain(stations).collect();
            session.screen.print(&lines.join("\n"))?;
        }
    }
}

/// One station on one line.
fn line(now: &str, station: &shapes::Station) -> String {
    let mut line = format!("{now} {} {}", station.station, status::state(station));
    for (label, value) in [
        (
            "control",
            station.control_celsius.map(|degrees| celsius(Some(degrees))),
        ),
        (
            "target",
            station.target_celsius.map(|degrees| celsius(Some(degrees))),
        ),
        ("heat", Some(percent(station.heat))),
        ("presence", station.presence_left_s.map(clock)),
    ] {
        if let Some(value) = value {
            let _ = write!(line, ", {label} {value}");
        }
    }
    if let Some(asked) = &station.waits_for {
        let _ = write!(
            line,
            "; heat is off: {asked} `benchward run confirm {}`",
            station.station
        );
    }
    if let Some(safe) = station
        .prediction
        .as_ref()
        .and_then(|prediction| foretold::moment(&prediction.safe))
    {
        let _ = write!(line, ", safe to handle {safe}");
    }
    if Need::of(station) >= Need::Warning {
        for interlock in station
            .interlocks
            .iter()
            .filter(|interlock| interlock.standing != "clear")
        {
            let _ = write!(line, "; {}", spoken(&interlock.text));
        }
    }
    line
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::status::tests::{dwelling, tripped};

    #[test]
    fn a_line_holds_what_a_log_needs() {
        assert_eq!(
            line("2026-11-25T13:46:33.120Z", &dwelling("bench-1")),
            "2026-11-25T13:46:33.120Z bench-1 dwell 1/2, control 79.8 °C, target 80.0 °C, heat 12 %, presence 14:20, \
             safe to handle 14:32Z, between 14:29 and 14:35"
        );
        assert!(line("", &tripped("bench-2")).ends_with("limit 2 min. Heat is off."));
    }

    #[test]
    fn letters_are_plain_where_the_terminal_may_not_know_others() {
        let look = |variables: &'static [(&str, &str)], asked| {
            plain(asked, |name| {
                let set = variables.iter().find(|(key, _)| *key == name);
                set.map(|(_, value)| (*value).into())
            })
        };
        assert!(!look(&[("LANG", "en_GB.UTF-8")], false));
        assert!(!look(&[("LANG", "C"), ("LC_ALL", "C.utf8")], false));
        assert!(!look(&[("LC_ALL", ""), ("LC_CTYPE", "UTF-8")], false));
        assert!(look(&[("LANG", "en_GB.UTF-8")], true));
        assert!(look(&[("LANG", "en_GB.UTF-8"), ("LC_ALL", "C")], false));
        assert!(look(&[], false), "nobody said so");
        assert!(look(&[("LANG", "en_GB.UTF-8"), ("TERM", "linux")], false));
    }
}
