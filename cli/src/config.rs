//! `benchward config`: the lab's configuration file.

use std::path::{Path, PathBuf};

use benchward_api::{Exit, shapes};
use benchward_config::{Config, LoadError, config_file};
use clap::{Args, Subcommand};

use crate::Session;
use crate::daemon::parsed;
use crate::document::{checked, wrong};
use crate::failure::{Failure, with_causes};
use crate::figures::{celsius, count};

const EXAMPLES: &str = "\
Examples:
  benchward config check lab.toml
  benchward config reload";

/// Check the lab's configuration, and have the daemon read it again
#[derive(Debug, Subcommand)]
#[command(before_help = EXAMPLES)]
pub(crate) enum Verb {
    Check(Check),
    Reload(Reload),
}

const CHECK_EXAMPLES: &str = "\
Examples:
  benchward config check lab.toml
  benchward config check                  $BENCHWARD_CONFIG, else /etc/benchward/lab.toml";

/// Check a configuration file; needs no daemon, shows all mistakes at once
#[derive(Debug, Args)]
#[command(before_help = CHECK_EXAMPLES)]
pub(crate) struct Check {
    /// The file [default: `$BENCHWARD_CONFIG`, else /etc/benchward/lab.toml]
    file: Option<PathBuf>,
}

const RELOAD_EXAMPLES: &str = "\
Examples:
  benchward config reload
  benchward --json config reload";

/// Have the daemon read its configuration again, while benches heat. Takes the role `safety`
///
/// `display` in `[lab]`, `[roles]`, `[mqtt]` and `[metrics]` count at once. What a bench is made of, and what limits it, counts from the
/// daemon's next start on; what waits for it is shown. A file with a mistake in it changes nothing.
#[derive(Debug, Args)]
#[command(before_help = RELOAD_EXAMPLES)]
pub(crate) struct Reload {}

pub(crate) async fn carry_out(session: &Session, verb: &Verb) -> Result<Exit, Failure> {
    match verb {
        Verb::Check(Check { file }) => check(session, file.as_deref()),
        Verb::Reload(Reload {}) => {
            let daemon = session.daemon().await?;
            let lab = daemon.lab().await?;
            let reread: shapes::ConfigReread = parsed(&daemon.ask(lab.reread_config()).await?)?;
            session.screen.show(&reread, |reread, _| tell(reread))?;
            Ok(Exit::Done)
        }
    }
}

/// What came of reading it again.
fn tell(reread: &shapes::ConfigReread) -> String {
    let mut text = match (reread.now.is_empty(), reread.next_start.is_empty()) {
        (true, true) => format!("{} says what counts already", reread.file),
        (true, false) => format!("{}: nothing that differs counts at once", reread.file),
        (false, _) => format!("{}: from now on, {}", reread.file, reread.now.join(", ")),
    };
    if !reread.next_start.is_empty() {
        text.push_str("\nfrom the daemon's next start on:");
        for one in &reread.next_start {
            text.push_str("\n  ");
            text.push_str(one);
        }
    }
    text
}

fn check(session: &Session, file: Option<&Path>) -> Result<Exit, Failure> {
    let file = config_file(file, std::env::var_os("BENCHWARD_CONFIG").as_deref());
    let place = file.display().to_string();
    match Config::load(&file) {
        Ok(config) => {
            session
                .screen
                .show(&checked(&place, None), |_, _| describe(&place, &config))?;
            session.screen.next(&format!("benchwardd --config {place}"));
            Ok(Exit::Done)
        }
        Err(LoadError::Mistakes(mistakes)) => wrong(session, &place, &mistakes),
        Err(error) => Err(Failure::invalid(with_causes(&error))),
    }
}

/// What the file says, as far as one sees at a glance whether it is the right one.
fn describe(place: &str, config: &Config) -> String {
    let names: Vec<&str> = config
        .stations
        .iter()
        .map(|station| station.name.as_str())
        .collect();
    format!(
        "{place} has no mistakes: lab \"{}\" with {} ({}), {}, ceiling {}",
        config.lab.name,
        count(names.len(), "station", "stations"),
        names.join(", "),
        count(config.drivers.len(), "driver", "drivers"),
        celsius(Some(config.ceiling.degrees()))
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_counts_and_what_waits_are_told_apart() {
        let reread = |now: &[&str], next_start: &[&str]| {
            let all = |names: &[&str]| names.iter().map(|name| (*name).to_owned()).collect();
            tell(&shapes::ConfigReread {
                schema: shapes::SCHEMA,
                file: "lab.toml".into(),
                now: all(now),
                next_start: all(next_start),
            })
        };
        assert_eq!(reread(&[], &[]), "lab.toml says what counts already");
        assert_eq!(
            reread(&["[mqtt]", "[roles]"], &[]),
            "lab.toml: from now on, [mqtt], [roles]"
        );
        assert_eq!(
            reread(&["[mqtt]"], &["[archive]", "[station.bench-3] (new)"]),
            "lab.toml: from now on, [mqtt]\nfrom the daemon's next start on:\n  [archive]\n  [station.bench-3] (new)"
        );
        assert_eq!(
            reread(&[], &["[archive]"]),
            "lab.toml: nothing that differs counts at once\nfrom the daemon's next start on:\n  [archive]"
        );
    }

    #[test]
    fn a_good_file_is_told_in_a_sentence() {
        let text = "[lab]\nname = \"larkfield\"\n[station.bench-1]\ndriver = { program = \"simulated\" }\nchannels = { board-top = \"tc1\" }\nheat = \"heat1\"\n";
        let config = Config::parse("lab.toml", text).unwrap();
        assert_eq!(
            describe("lab.toml", &config),
            "lab.toml has no mistakes: lab \"larkfield\" with 1 station (bench-1), 1 driver, ceiling 260.0 °C"
        );
    }
}
