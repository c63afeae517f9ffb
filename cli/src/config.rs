//! `benchward config`: the lab's configuration file.

use std::path::PathBuf;

use benchward_api::Exit;
use benchward_config::{Config, LoadError, config_file};
use clap::{Args, Subcommand};

use crate::Session;
use crate::document::{checked, wrong};
use crate::failure::{Failure, with_causes};
use crate::figures::{celsius, count};

const EXAMPLES: &str = "\
Examples:
  benchward config check lab.toml";

/// Check the lab's configuration
#[derive(Debug, Subcommand)]
#[command(before_help = EXAMPLES)]
pub(crate) enum Verb {
    Check(Check),
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

pub(crate) fn carry_out(session: &Session, verb: &Verb) -> Result<Exit, Failure> {
    let Verb::Check(Check { file }) = verb;
    let file = config_file(file.as_deref(), std::env::var_os("BENCHWARD_CONFIG").as_deref());
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
    fn a_good_file_is_told_in_a_sentence() {
        let text = "[lab]\nname = \"larkfield\"\n[station.bench-1]\ndriver = { program = \"simulated\" }\nchannels = { board-top = \"tc1\" }\nheat = \"heat1\"\n";
        let config = Config::parse("lab.toml", text).unwrap();
        assert_eq!(
            describe("lab.toml", &config),
            "lab.toml has no mistakes: lab \"larkfield\" with 1 station (bench-1), 1 driver, ceiling 260.0 °C"
        );
    }
}
