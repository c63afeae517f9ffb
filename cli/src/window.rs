//! `benchward window`: the limits that finished runs are judged by.

use std::fmt::Write as _;
use std::path::PathBuf;

use benchward_api::{Exit, shapes};
use benchward_core::window::{NamedWindow, Window};
use clap::{Args, Subcommand, ValueEnum};

use crate::Session;
use crate::document;
use crate::failure::Failure;
use crate::figures::{NONE, Quantity, limit};
use crate::screen::Paint;
use crate::table::{Side, Table};

const EXAMPLES: &str = "\
Examples:
  benchward window list
  benchward window template lead-free > lead-free.toml
  benchward window check lead-free.toml
  benchward window put lead-free.toml";

/// List, show, check and store windows: the limits that finished runs are judged by
#[derive(Debug, Subcommand)]
#[command(before_help = EXAMPLES)]
pub(crate) enum Verb {
    List(List),
    Show(Show),
    Check(Check),
    Put(Put),
    Template(Template),
}

const LIST_EXAMPLES: &str = "\
Examples:
  benchward window list
  benchward --archive /var/lib/benchward window list";

/// List the newest revision of every stored window
#[derive(Debug, Args)]
#[command(before_help = LIST_EXAMPLES)]
pub(crate) struct List {}

const SHOW_EXAMPLES: &str = "\
Examples:
  benchward window show \"lead-free\"
  benchward window show \"lead-free\" --revision 2";

/// Show a stored window as it was written
#[derive(Debug, Args)]
#[command(before_help = SHOW_EXAMPLES)]
pub(crate) struct Show {
    /// Its name
    window: String,
    /// The revision [default: the newest]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    revision: Option<u32>,
}

const CHECK_EXAMPLES: &str = "\
Examples:
  benchward window check lead-free.toml";

/// Check a window file; needs no daemon, shows all mistakes at once
#[derive(Debug, Args)]
#[command(before_help = CHECK_EXAMPLES)]
pub(crate) struct Check {
    /// The file
    file: PathBuf,
}

const PUT_EXAMPLES: &str = "\
Examples:
  benchward window put lead-free.toml";

/// Store a window file as the newest revision of its window; takes the role `process`
///
/// A recipe uses it with `[window]` and `named = "..."`. Each run is judged by the revision that is the newest when the run is over.
#[derive(Debug, Args)]
#[command(before_help = PUT_EXAMPLES)]
pub(crate) struct Put {
    /// The file
    file: PathBuf,
}

const TEMPLATE_EXAMPLES: &str = "\
Examples:
  benchward window template lead-free > lead-free.toml
  benchward window template leaded > leaded.toml";

/// Print a window with the figures of the published classification profile (J-STD-020), to be edited
#[derive(Debug, Args)]
#[command(before_help = TEMPLATE_EXAMPLES)]
pub(crate) struct Template {
    /// Which solder
    solder: Solder,
}

/// Solders of the published profile.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Solder {
    LeadFree,
    Leaded,
}

pub(crate) async fn carry_out(session: &Session, verb: Verb) -> Result<Exit, Failure> {
    match verb {
        Verb::List(List {}) => {
            let windows = session.records().await?.windows().await?;
            session.screen.show(&windows, table)?;
        }
        Verb::Show(Show { window, revision }) => {
            let shown = session.records().await?.window(&window, revision).await?;
            // The text alone, so that it can be piped into a file and put again.
            session.screen.show(&shown, |shown, _| shown.text.clone())?;
        }
        Verb::Check(Check { file }) => {
            return document::check(session, "window", &file, Window::parse, describe);
        }
        Verb::Put(Put { file }) => {
            let (window, text) = document::read(&file, Window::parse)?;
            let daemon = session.daemon().await?;
            let windows = daemon.windows().await?;
            let revision = daemon.ask(windows.put(&text)).await?;
            let shown = shapes::WindowShown {
                schema: shapes::SCHEMA,
                window: window.name,
                revision,
                text,
            };
            session.screen.show(&shown, |shown, _| {
                format!(
                    "window \"{}\" is stored as revision {}",
                    shown.window, shown.revision
                )
            })?;
            session
                .screen
                .next(&format!("benchward run judge RUN --window \"{}\"", shown.window));
        }
        Verb::Template(Template { solder }) => {
            let text = template(solder);
            let read =
                Window::parse("template", text).map_err(|mistakes| Failure::failed(mistakes.to_string()))?;
            let shown = shapes::WindowShown {
                schema: shapes::SCHEMA,
                window: read.name,
                revision: 0,
                text: text.into(),
            };
            session.screen.show(&shown, |shown, _| shown.text.clone())?;
        }
    }
    Ok(Exit::Done)
}

const fn template(solder: Solder) -> &'static str {
    match solder {
        Solder::LeadFree => include_str!("../../deploy/examples/windows/classification-lead-free.toml"),
        Solder::Leaded => include_str!("../../deploy/examples/windows/classification-leaded.toml"),
    }
}

/// A window read aloud.
fn describe(window: &NamedWindow, paint: Paint) -> String {
    let mut text = format!("\"{}\" has no mistakes\n\n", window.name);
    let mut table = Table::new(&[
        ("LINE", Side::Left),
        ("LOW", Side::Right),
        ("HIGH", Side::Right),
        ("UNIT", Side::Left),
        ("JUDGED ON", Side::Left),
    ]);
    for line in &window.window.lines {
        let name = line.measure.to_string();
        let quantity = Quantity::of(&name, line.measure.unit().key());
        let shown = |bound: Option<f64>| limit(bound.map(|bound| quantity.shown(bound)));
        table.plain([
            name,
            shown(line.limits.low()),
            shown(line.limits.high()),
            quantity.unit(),
            line.on.text().into(),
        ]);
    }
    text.push_str(&table.render(paint));
    let _ = writeln!(
        text,
        "\nrates are means over {} s; readings up to {} s apart are joined",
        window.window.rate_over.seconds(),
        window.window.gap_max.seconds()
    );
    if let Some(source) = &window.source {
        let _ = writeln!(text, "source: {source}");
    }
    text
}

fn table(windows: &shapes::Windows, paint: Paint) -> String {
    if windows.windows.is_empty() {
        return "no window is stored yet; `benchward window put FILE` stores one, `benchward window template` prints one".into();
    }
    let mut table = Table::new(&[
        ("WINDOW", Side::Left),
        ("REVISION", Side::Right),
        ("LINES", Side::Right),
    ]);
    for window in &windows.windows {
        let lines = if window.lines == 0 {
            NONE.into()
        } else {
            window.lines.to_string()
        };
        table.plain([window.window.clone(), window.revision.to_string(), lines]);
    }
    table.render(paint)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_window_is_read_aloud() {
        let window = Window::parse(
            "w.toml",
            "window = \"w\"\nsource = \"this test\"\npeak_celsius = [72, 80.5]\nrise_celsius_per_s_max = 3\n\
             above = { celsius = 70, time_s = [20, 60], channel = \"all\" }\n",
        )
        .unwrap();
        assert_eq!(
            describe(&window, Paint::NONE),
            "\
\"w\" has no mistakes

LINE         LOW  HIGH  UNIT  JUDGED ON
peak          72  80.5  °C    hottest
rise           -     3  °C/s  all
above 70 °C   20    60  s     all

rates are means over 10 s; readings up to 2 s apart are joined
source: this test
"
        );
    }

    #[test]
    fn the_templates_are_windows() {
        for solder in [Solder::LeadFree, Solder::Leaded] {
            assert!(Window::parse("template", template(solder)).is_ok());
        }
    }

    #[test]
    fn windows_are_a_table() {
        let row = |name: &str, lines| shapes::WindowRow {
            window: name.into(),
            revision: 2,
            lines,
            source: None,
        };
        let mut windows = shapes::Windows {
            schema: 1,
            windows: vec![row("lead-free", 7), row("of a later version", 0)],
        };
        assert_eq!(
            table(&windows, Paint::NONE),
            "\
WINDOW              REVISION  LINES
lead-free                  2      7
of a later version         2      -
"
        );
        windows.windows.clear();
        assert!(table(&windows, Paint::NONE).contains("window template"));
    }
}
