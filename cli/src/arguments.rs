//! What can be typed: the options that every command has, and the list of commands.

use std::ffi::OsString;
use std::path::PathBuf;
use std::process::ExitCode;

use benchward_api::Exit;
use clap::error::ErrorKind;
use clap::{Args, CommandFactory, FromArgMatches, Parser, Subcommand, ValueEnum};

use crate::caution::CAUTION;
use crate::degrees::Scale;
use crate::failure::Failure;
use crate::screen::Screen;
use crate::{
    archive, board, config, demo, doctor, driver, journal, limit, messages, present, recipe, role, run,
    sensor, shell, status, stop, trip, watch, window,
};

/// Help shows an example before it explains.
const TEMPLATE: &str = "{about-with-newline}\n{before-help}{usage-heading} {usage}\n\n{all-args}{after-help}";

const EXAMPLES: &str = "\
Examples:
  benchward demo                                              see it work, with nothing installed
  benchward status                                            what every bench does now
  benchward run start bench-1 --recipe \"AX-20 backplane\" --serial A-0017
  benchward present bench-1                                   somebody is at the bench
  benchward stop                                              all heat off, now, no question";

const AFTER: &str = "\
Exit codes: 0 done, 1 failed, 2 wrong use, 3 not permitted, 4 refused by an interlock or a limit, 5 no daemon.
Environment: BENCHWARD_SOCKET (as --socket), NO_COLOR (as --color never).";

/// Watches over benches that heat circuit boards
#[derive(Debug, Parser)]
#[command(name = "benchward", version, before_help = EXAMPLES, max_term_width = 110)]
pub(crate) struct Arguments {
    #[command(flatten)]
    pub(crate) global: Global,
    #[command(subcommand)]
    pub(crate) command: Command,
}

/// What every command has.
#[derive(Debug, Args)]
#[command(next_help_heading = "Everywhere")]
pub(crate) struct Global {
    /// Print one JSON object on stdout, also for errors
    #[arg(long, global = true)]
    pub(crate) json: bool,
    /// Private socket of the daemon [default: `$BENCHWARD_SOCKET`, else where the daemon puts it]
    #[arg(long, global = true, value_name = "PATH")]
    pub(crate) socket: Option<PathBuf>,
    /// Message bus to use instead of the private socket
    #[arg(long, global = true, value_name = "BUS", default_value = "none")]
    pub(crate) bus: Bus,
    /// Read runs, journal and recipes from the folder of a stopped lab's archive
    #[arg(long, global = true, value_name = "DIR")]
    pub(crate) archive: Option<PathBuf>,
    /// Colour: auto is where a terminal reads, unless `NO_COLOR` is set
    #[arg(long, global = true, value_name = "WHEN", default_value = "auto")]
    pub(crate) color: Color,
    /// Scale of temperatures on screens and in reports; JSON stays in °C [default: the lab's, else celsius]
    #[arg(long, global = true, value_name = "SCALE")]
    pub(crate) degrees: Option<Scale>,
}

/// Where the daemon is asked.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Bus {
    None,
    System,
    Session,
}

/// When there is colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(crate) enum Color {
    Auto,
    Always,
    Never,
}

/// The commands, in the order of a day: look, act, look back, set up.
#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    Status(status::Arguments),
    Watch(watch::Arguments),
    #[command(subcommand)]
    Run(run::Verb),
    Present(present::Arguments),
    #[command(subcommand)]
    Trip(trip::Verb),
    Stop(stop::Arguments),
    #[command(subcommand)]
    Recipe(recipe::Verb),
    #[command(subcommand)]
    Window(window::Verb),
    #[command(subcommand)]
    Board(board::Verb),
    #[command(subcommand)]
    Limit(limit::Verb),
    #[command(subcommand)]
    Role(role::Verb),
    #[command(subcommand)]
    Journal(journal::Verb),
    #[command(subcommand)]
    Archive(archive::Verb),
    #[command(subcommand)]
    Config(config::Verb),
    #[command(subcommand)]
    Driver(driver::Verb),
    #[command(subcommand)]
    Sensor(sensor::Verb),
    Doctor(doctor::Arguments),
    Demo(demo::Arguments),
    Messages(messages::Arguments),
    Completions(shell::Completions),
    Man(shell::Manual),
}

/// The parser, with the same layout of help everywhere.
pub(crate) fn command() -> clap::Command {
    fn lay_out(command: clap::Command) -> clap::Command {
        command.help_template(TEMPLATE).mut_subcommands(lay_out)
    }
    lay_out(Arguments::command()).after_help(format!("{AFTER}\n\nCaution: {CAUTION}"))
}

/// Reads what was typed.
pub(crate) fn parse(typed: impl IntoIterator<Item = OsString>) -> Result<Arguments, clap::Error> {
    let matches = command().try_get_matches_from(typed)?;
    Arguments::from_arg_matches(&matches)
}

/// Says what is wrong with what was typed, or prints the help that was asked for.
pub(crate) fn refuse(error: &clap::Error, typed: impl IntoIterator<Item = OsString>) -> ExitCode {
    let asked_for = matches!(error.kind(), ErrorKind::DisplayHelp | ErrorKind::DisplayVersion);
    let json = typed.into_iter().any(|word| word == "--json");
    if json && !asked_for {
        let text = error.render().to_string();
        let text = text.trim().strip_prefix("error: ").unwrap_or(text.trim());
        return Failure::invalid(text)
            .report(&Screen::new(true, Color::Auto))
            .into();
    }
    // A reader that went away needs no message.
    let _ = error.print();
    if asked_for {
        Exit::Done.into()
    } else {
        Exit::WrongUse.into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Splits a line as a shell does, as far as examples need it: double quotes, and two or more blanks before a
    /// remark.
    fn words(line: &str) -> Vec<String> {
        let (mut words, mut word, mut quoted) = (Vec::new(), String::new(), false);
        for letter in line.chars() {
            match letter {
                '"' => quoted = !quoted,
                ' ' if !quoted => {
                    if !word.is_empty() {
                        words.push(std::mem::take(&mut word));
                    }
                }
                other => word.push(other),
            }
        }
        if !word.is_empty() {
            words.push(word);
        }
        words
    }

    fn examples(command: &clap::Command) -> Vec<String> {
        command
            .get_before_help()
            .map(ToString::to_string)
            .unwrap_or_default()
            .lines()
            .filter_map(|line| line.strip_prefix("  benchward "))
            .map(|line| {
                format!(
                    "benchward {}",
                    line.split("   ")
                        .next()
                        .and_then(|line| line.split(" > ").next())
                        .unwrap_or_default()
                )
            })
            .collect()
    }

    fn each(command: &clap::Command, visit: &mut impl FnMut(&clap::Command)) {
        visit(command);
        command.get_subcommands().for_each(|one| each(one, visit));
    }

    #[test]
    fn the_parser_holds_together() {
        command().debug_assert();
    }

    #[test]
    fn every_command_begins_its_help_with_examples_that_parse() {
        let mut seen = 0;
        each(&command(), &mut |one| {
            let examples = examples(one);
            assert!(!examples.is_empty(), "`{}` has no example", one.get_name());
            for example in examples {
                let typed = words(&example).into_iter().map(OsString::from);
                if let Err(error) = parse(typed) {
                    panic!("`{example}`: {error}");
                }
                seen += 1;
            }
        });
        assert!(seen > 25, "{seen} examples");
    }

    #[test]
    fn help_leads_with_the_example_and_ends_with_the_caution() {
        let help = command().render_help().to_string();
        let at = |text: &str| {
            help.find(text)
                .unwrap_or_else(|| panic!("`{text}` is missing:\n{help}"))
        };
        assert!(at("Examples:") < at("Usage:"));
        assert!(at("Usage:") < at("Caution: hot boards"));
    }

    #[test]
    fn options_may_stand_anywhere() {
        for line in ["benchward --json status", "benchward status --json"] {
            let arguments = parse(words(line).into_iter().map(OsString::from)).unwrap();
            assert!(arguments.global.json, "{line}");
        }
    }
}
