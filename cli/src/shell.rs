//! `benchward completions` and `benchward man`: what shells and `man` read, made of the same arguments, texts and examples as the help.

use std::path::{Path, PathBuf};

use benchward_api::{Exit, shapes};
use clap::Args;
use clap_complete::Shell;
use clap_mangen::Man;
use serde::Serialize;

use crate::Session;
use crate::arguments;
use crate::failure::Failure;
use crate::figures::count;
use crate::file;

const COMPLETIONS_EXAMPLES: &str = "\
Examples:
  benchward completions bash > ~/.local/share/bash-completion/completions/benchward
  benchward completions zsh > ~/.zfunc/_benchward
  benchward completions fish > ~/.config/fish/completions/benchward.fish";

/// Print what a shell needs to complete commands and options
#[derive(Debug, Args)]
#[command(before_help = COMPLETIONS_EXAMPLES)]
pub(crate) struct Completions {
    /// The shell
    shell: Shell,
}

const MAN_EXAMPLES: &str = "\
Examples:
  benchward man ~/.local/share/man/man1
  benchward man /usr/local/share/man/man1";

/// Write the manual, a page per command, into a folder
#[derive(Debug, Args)]
#[command(before_help = MAN_EXAMPLES)]
pub(crate) struct Manual {
    /// The folder; it is made if it isn't there, and pages that are there are replaced
    folder: PathBuf,
}

pub(crate) fn completions(session: &Session, arguments: &Completions) -> Result<Exit, Failure> {
    session.screen.print(&script(arguments.shell)?)?;
    Ok(Exit::Done)
}

fn script(shell: Shell) -> Result<String, Failure> {
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut arguments::command(), "benchward", &mut script);
    String::from_utf8(script)
        .map_err(|error| Failure::failed(format!("the completions are no text: {error}")))
}

/// What was written.
#[derive(Debug, Serialize)]
struct Written {
    schema: u32,
    folder: String,
    pages: Vec<String>,
}

pub(crate) fn manual(session: &Session, arguments: &Manual) -> Result<Exit, Failure> {
    let folder = &arguments.folder;
    std::fs::create_dir_all(folder)
        .map_err(|error| Failure::failed(format!("can't make {}: {error}", folder.display())))?;
    let mut written = Written {
        schema: shapes::SCHEMA,
        folder: folder.display().to_string(),
        pages: Vec::new(),
    };
    for (name, page) in pages()? {
        let name = format!("{name}.1");
        file::write(&Path::new(folder).join(&name), &page)?;
        written.pages.push(name);
    }
    session.screen.show(&written, |written, _| {
        format!(
            "{} written to {}",
            count(written.pages.len(), "page", "pages"),
            written.folder
        )
    })?;
    Ok(Exit::Done)
}

/// A page per command, by name: `benchward-run-report`.
fn pages() -> Result<Vec<(String, Vec<u8>)>, Failure> {
    // Names with those of the commands above, as the parser makes them when it is used.
    let mut command = arguments::command().disable_help_subcommand(true);
    command.build();
    let mut pages = Vec::new();
    page(&command, "benchward", &mut pages)?;
    Ok(pages)
}

fn page(command: &clap::Command, name: &str, pages: &mut Vec<(String, Vec<u8>)>) -> Result<(), Failure> {
    // Help leads with its examples; a page of the manual ends with them.
    let last = [command.get_before_help(), command.get_after_help()];
    let last: Vec<String> = last.into_iter().flatten().map(ToString::to_string).collect();
    let shown = command.clone().before_help("").after_help(last.join("\n\n"));
    let mut bytes = Vec::new();
    Man::new(shown).render(&mut bytes)?;
    pages.push((name.to_owned(), bytes));
    for one in command.get_subcommands() {
        page(one, &format!("{name}-{}", one.get_name()), pages)?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_shell_completes_every_command() {
        for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
            let script = script(shell).unwrap();
            for word in ["report", "acknowledge", "fahrenheit", "--dry-run", "letter"] {
                let word = if word == "acknowledge" { "ack" } else { word };
                let word = if shell == Shell::Fish {
                    word.trim_start_matches('-')
                } else {
                    word
                };
                assert!(script.contains(word), "{shell}: {word}");
            }
        }
    }

    #[test]
    fn every_command_has_a_page_with_its_examples() {
        let pages = pages().unwrap();
        let names: Vec<&str> = pages.iter().map(|(name, _)| name.as_str()).collect();
        for name in [
            "benchward",
            "benchward-run",
            "benchward-run-report",
            "benchward-trip-reset",
            "benchward-demo",
        ] {
            assert!(names.contains(&name), "{name}: {names:?}");
        }
        for (name, page) in &pages {
            let page = String::from_utf8(page.clone()).unwrap();
            assert!(page.contains("Examples:"), "{name}:\n{page}");
            assert!(page.contains(&format!(".TH {name} 1")), "{name}:\n{page}");
        }
    }
}
