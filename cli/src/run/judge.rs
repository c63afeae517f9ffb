//! `benchward run judge`.

use benchward_api::{Exit, shapes};
use clap::Args;

use super::list::verdict;
use super::show::window;
use crate::Session;
use crate::failure::Failure;
use crate::screen::Paint;

const EXAMPLES: &str = "\
Examples:
  benchward run judge 12 --dry-run                       by its recipe's window as it is now
  benchward run judge 12 --window \"lead-free\"            and keep that verdict (role process)
  benchward --archive /var/lib/benchward run judge 12    with no daemon; nothing is kept";

/// Judge a run that is over again, by its recipe's window or by another one
///
/// The verdict replaces the one in the run's record, with the revision of the window; the journal says who did it. With --dry-run or
/// --archive it is shown only, and no role is needed.
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// Number of the run
    run: u64,
    /// A stored window, by its newest revision [default: what the run's recipe says]
    #[arg(long, value_name = "WINDOW")]
    window: Option<String>,
    /// Only show what it would come to
    #[arg(long)]
    dry_run: bool,
}

pub(super) async fn judge(session: &Session, arguments: &Arguments) -> Result<Exit, Failure> {
    let records = session.records().await?;
    let judged = records
        .judge(arguments.run, arguments.window.as_deref(), !arguments.dry_run)
        .await?;
    session.screen.show(&judged, page)?;
    session
        .screen
        .next(&format!("benchward run show {}", arguments.run));
    Ok(Exit::Done)
}

fn page(shown: &shapes::RunJudged, paint: Paint) -> String {
    let (word, tone) = verdict(&shown.judged.verdict);
    let kept = if shown.stored {
        "kept with the run"
    } else {
        "not kept"
    };
    format!(
        "run {}  {}  by {}; {kept}\n\n{}",
        shown.run,
        paint.text(tone, &word),
        shown.judged.words(),
        window(&shown.judged.lines, paint)
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_worst_line_comes_first_and_an_undecided_one_says_why() {
        let line = |name: &str, value, verdict: &str, text: &str| shapes::WindowLine {
            line: name.into(),
            unit: "celsius".into(),
            value,
            low: Some(72.0),
            high: Some(80.0),
            margin: value
                .filter(|_| verdict != "undecided")
                .map(|value: f64| (80.0 - value) / 4.0),
            verdict: verdict.into(),
            channel: "hottest".into(),
            text: text.into(),
            ..shapes::WindowLine::default()
        };
        let shown = shapes::RunJudged {
            schema: 1,
            run: 12,
            stored: true,
            judged: shapes::RunWindow {
                window: Some("lead-free".into()),
                revision: 3,
                judged: "2026-11-25T13:46:33.120Z".into(),
                verdict: "fail".into(),
                lines: vec![
                    line(
                        "peak",
                        Some(84.2),
                        "fail",
                        "peak: 84.2 °C (hottest), 4.2 °C above the limit of 80 °C",
                    ),
                    line(
                        "spread",
                        Some(75.0),
                        "undecided",
                        "spread: 75 °C; no good reading of all channels for 5.0 s",
                    ),
                ],
            },
        };
        assert_eq!(
            page(&shown, Paint::NONE),
            "\
run 12  fail  by window \"lead-free\" revision 3; kept with the run

  WINDOW  VALUE  LOW  HIGH  UNIT  MARGIN  CHANNEL  VERDICT
  peak    84.20   72    80  °C    -105 %  hottest  fail
  spread  75.00   72    80  °C         -  hottest  undecided

  peak: 84.2 °C (hottest), 4.2 °C above the limit of 80 °C
  spread: 75 °C; no good reading of all channels for 5.0 s
"
        );
        let value = serde_json::to_value(&shown).unwrap();
        for key in [
            "schema", "run", "stored", "window", "revision", "judged", "verdict", "lines",
        ] {
            assert!(value.get(key).is_some(), "{key}");
        }
    }
}
