//! `benchward run redo`.

use benchward_api::{Exit, shapes};
use clap::Args;

use crate::Session;
use crate::failure::Failure;
use crate::progress::Progress;
use crate::screen::{Paint, Tone};

const EXAMPLES: &str = "\
Examples:
  benchward run redo 12
  benchward --archive /mnt/copy run redo 12    with no daemon, by the core of this program";

/// Decide a run again: everything that reached its station goes through the core, and what comes out is compared with what was
/// done then
///
/// Commands to the outputs, readings with the heat given on them, journal entries and the closed record have to be the same to the
/// bit; what is kept of a run that the daemon died under may end some seconds early. Exit code 0: the same; 1: not, or it can't be
/// told.
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// Number of the run
    run: u64,
}

pub(super) async fn redo(session: &Session, arguments: &Arguments) -> Result<Exit, Failure> {
    let records = session.records().await?;
    let progress = Progress::of(&session.screen, format!("deciding run {} again", arguments.run));
    let redone = records.redo(arguments.run).await;
    // Off the screen before anything else comes onto it.
    drop(progress);
    let redone = redone?;
    session.screen.show(&redone, page)?;
    Ok(if redone.identical {
        Exit::Done
    } else {
        Exit::Failed
    })
}

fn page(redone: &shapes::Redone, paint: Paint) -> String {
    let count = redone.decisions;
    let mut page = match &redone.difference {
        None => format!(
            "run {}: {}, {count} decisions over {:.1} s\n",
            redone.run,
            paint.text(Tone::Good, "identical"),
            redone.elapsed_s
        ),
        Some(difference) => format!(
            "run {}: {} after {count} decisions, {:.3} s into the run ({})\n  on    {}\n  then  {}\n  now   {}\n",
            redone.run,
            paint.text(Tone::Danger, "different"),
            difference.elapsed_s,
            difference.time,
            difference.input,
            difference.recorded,
            difference.decided
        ),
    };
    if let Some(incomplete) = &redone.incomplete {
        page.push_str("  not all of it: ");
        page.push_str(incomplete);
        page.push('\n');
    }
    page
}

#[cfg(test)]
mod tests {
    use super::*;

    fn redone() -> shapes::Redone {
        shapes::Redone {
            schema: 1,
            run: 12,
            identical: true,
            decisions: 4_812,
            closed: true,
            elapsed_s: 611.25,
            incomplete: None,
            difference: None,
        }
    }

    #[test]
    fn the_same_is_one_line() {
        assert_eq!(
            page(&redone(), Paint::NONE),
            "run 12: identical, 4812 decisions over 611.2 s\n"
        );
    }

    #[test]
    fn a_difference_says_when_on_what_and_both() {
        let shown = shapes::Redone {
            identical: false,
            difference: Some(shapes::RedoneDifference {
                time: "2026-11-25T13:46:33.120Z".into(),
                elapsed_s: 4.1,
                input: "time passed".into(),
                recorded: "output 0: heat 0.5 (command 9)".into(),
                decided: "output 0: heat 0.4 (command 9)".into(),
            }),
            incomplete: Some("a part is missing".into()),
            ..redone()
        };
        assert_eq!(
            page(&shown, Paint::NONE),
            "\
run 12: different after 4812 decisions, 4.100 s into the run (2026-11-25T13:46:33.120Z)
  on    time passed
  then  output 0: heat 0.5 (command 9)
  now   output 0: heat 0.4 (command 9)
  not all of it: a part is missing
"
        );
    }
}
