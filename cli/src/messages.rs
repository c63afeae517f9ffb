//! `benchward messages`: the list of everything that trips, warns or is refused, in words. The help of the command and its
//! manual page have the same list, made of the same entries as what the daemon says.

use std::fmt::Write as _;

use benchward_api::{Exit, shapes};
use benchward_core::messages::Message;
use clap::Args;
use serde::Serialize;

use crate::Session;
use crate::failure::Failure;
use crate::screen::{Paint, Tone, columns, wrapped};

const EXAMPLES: &str = "\
Examples:
  benchward messages                      the whole list
  benchward messages sensor-detached      one trip
  benchward messages NotReady             one error, by its name in JSON and on the bus";

/// Columns of the text in help and manual.
const HELP_COLUMNS: usize = 96;

/// Explain trips, warnings and errors: what happened, what Benchward did, what to do now
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES, after_help = list(HELP_COLUMNS))]
pub(crate) struct Arguments {
    /// Name of an interlock, of a warning, or of an error
    name: Option<String>,
}

/// An entry with its name.
#[derive(Debug, Serialize)]
struct Entry {
    name: &'static str,
    /// `trip`, `warning` or `error`.
    kind: &'static str,
    happened: &'static str,
    did: &'static str,
    now: &'static str,
}

#[derive(Debug, Serialize)]
struct List {
    schema: u32,
    messages: Vec<Entry>,
}

impl Entry {
    fn new(name: &'static str, kind: &'static str, message: Message) -> Self {
        Self {
            name,
            kind,
            happened: message.happened,
            did: message.did,
            now: message.now,
        }
    }

    /// Its name, and below it the three parts, indented.
    fn page(&self, columns: usize, paint: Paint) -> String {
        let mut text = format!("{}\n", paint.text(Tone::Strong, self.name));
        let parts = [
            ("what", format!("{}.", self.happened)),
            ("did", self.did.to_owned()),
            ("now", format!("{}.", self.now)),
        ];
        for (label, part) in parts {
            for (at, piece) in wrapped(&part, columns.saturating_sub(8).max(20))
                .iter()
                .enumerate()
            {
                let label = if at == 0 { label } else { "" };
                let _ = writeln!(text, "  {label:<6}{piece}");
            }
        }
        text
    }
}

fn entries() -> Vec<Entry> {
    let all = benchward_api::messages::all().into_iter();
    all.map(|(kind, name, message)| Entry::new(name, kind.text(), message))
        .collect()
}

/// The whole list.
fn list(columns: usize) -> String {
    page(&entries(), columns, Paint::NONE)
}

fn page(entries: &[Entry], columns: usize, paint: Paint) -> String {
    let of = |kind: &str| {
        let pages: Vec<String> = entries
            .iter()
            .filter(|entry| entry.kind == kind)
            .map(|entry| entry.page(columns, paint))
            .collect();
        pages.join("\n")
    };
    let kinds = [
        (
            "trip",
            "Trips: an interlock has taken the heat away. `benchward status` says which, where, with value and limit.",
        ),
        (
            "warning",
            "Warnings: heat goes on, and an interlock may trip soon, or something is less safe than usual.",
        ),
        (
            "error",
            "Errors: a command was refused or failed. Its text has the figures; JSON and the bus have its name.",
        ),
    ];
    let told: Vec<(&str, String)> = kinds
        .iter()
        .map(|(kind, what)| (*what, of(kind)))
        .filter(|(_, page)| !page.is_empty())
        .collect();
    match told.as_slice() {
        [(_, page)] => page.clone(),
        several => several
            .iter()
            .map(|(what, page)| format!("{what}\n\n{page}"))
            .collect::<Vec<_>>()
            .join("\n"),
    }
}

pub(crate) fn messages(session: &Session, arguments: &Arguments) -> Result<Exit, Failure> {
    let mut messages = entries();
    if let Some(name) = &arguments.name {
        let names: Vec<&str> = messages.iter().map(|entry| entry.name).collect();
        if !names.contains(&name.as_str()) {
            return Err(Failure::no_such("message", name, names.into_iter()));
        }
        messages.retain(|entry| entry.name == name);
    }
    let list = List {
        schema: shapes::SCHEMA,
        messages,
    };
    let width = columns().min(HELP_COLUMNS);
    session
        .screen
        .show(&list, |list, paint| page(&list.messages, width, paint))?;
    Ok(Exit::Done)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Commands that messages name are commands: each backticked one is tried on the parser of arguments.
    #[test]
    fn what_they_say_to_type_can_be_typed() {
        let mut tried = 0;
        for entry in entries() {
            for part in [entry.happened, entry.did, entry.now] {
                for quoted in part
                    .split('`')
                    .skip(1)
                    .step_by(2)
                    .filter(|text| text.starts_with("benchward "))
                {
                    let words: Vec<&str> = quoted
                        .split(' ')
                        .skip(1)
                        .filter(|word| !word.starts_with("--"))
                        .collect();
                    let mut command = crate::arguments::command();
                    // Words in capitals stand for something.
                    for word in words.iter().filter(|word| !word.chars().all(char::is_uppercase)) {
                        let next = command.find_subcommand(word).cloned();
                        command = next
                            .unwrap_or_else(|| panic!("{}: no command `{word}` in `{quoted}`", entry.name));
                    }
                    tried += 1;
                }
            }
        }
        assert!(tried > 15, "{tried}");
    }

    #[test]
    fn the_list_is_in_the_help() {
        let mut command = crate::arguments::command();
        let help = command
            .find_subcommand_mut("messages")
            .expect("it is there")
            .render_long_help()
            .to_string();
        for (_, name, _) in benchward_api::messages::all() {
            assert!(help.contains(&format!("\n{name}\n")), "{name}");
        }
        assert!(list(HELP_COLUMNS).lines().all(|line| line.chars().count() <= 110));
    }

    #[test]
    fn one_is_told_alone() {
        let all = entries();
        let one: Vec<Entry> = all
            .into_iter()
            .filter(|entry| entry.name == "permissive-open")
            .collect();
        assert_eq!(
            page(&one, 80, Paint::NONE),
            "\
permissive-open
  what  An input that has to be closed for heat was open, or couldn't be read.
        The text names it, how long, and the limit.
  did   Heat is off. The run waits 10 minutes for a person, then it ends.
  now   Close the hood or start the extraction; `benchward status STATION` shows
        when it reads closed. Then reset.
"
        );
    }
}
