//! `benchward run list`.

use benchward_api::{Exit, shapes};
use benchward_archive::{Outcome, Query, Verdict, Wall};
use clap::{Args, ValueEnum};

use crate::Session;
use crate::failure::Failure;
use crate::figures::{celsius, moment, or_none};
use crate::moment;
use crate::screen::{Paint, Tone};
use crate::table::{Side, Table};

const EXAMPLES: &str = "\
Examples:
  benchward run list                                   the newest runs
  benchward run list --serial A-0017
  benchward run list --outcome tripped --from 2026-11-01
  benchward run list --verdict fail                    did not keep their window
  benchward run list --before 120                      the next page
  benchward --archive /var/lib/benchward run list      with no daemon";

/// List runs, newest first; all filters given must hold
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// Only at this station
    #[arg(long, value_name = "STATION")]
    station: Option<String>,
    /// Only of this recipe
    #[arg(long, value_name = "RECIPE")]
    recipe: Option<String>,
    /// Only of this board
    #[arg(long, value_name = "SERIAL")]
    serial: Option<String>,
    /// Only started by this person
    #[arg(long, value_name = "NAME")]
    operator: Option<String>,
    /// Only those that ended so
    #[arg(long)]
    outcome: Option<HowEnded>,
    /// Only with this verdict
    #[arg(long)]
    verdict: Option<HowJudged>,
    /// Only started at or after: 2026-11-25 (UTC) or 2026-11-25T13:46:33Z
    #[arg(long, value_name = "TIME", value_parser = moment::parse)]
    from: Option<Wall>,
    /// Only started before
    #[arg(long, value_name = "TIME", value_parser = moment::parse)]
    to: Option<Wall>,
    /// Only runs with a lower number: the next page
    #[arg(long, value_name = "RUN")]
    before: Option<u64>,
    /// At most so many
    #[arg(long, value_name = "N", default_value_t = Query::PAGE)]
    limit: usize,
}

/// As `--outcome` takes it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum HowEnded {
    Completed,
    Stopped,
    Tripped,
    Lost,
}

/// As `--verdict` takes it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum HowJudged {
    Pass,
    Fail,
    Undecided,
    None,
}

impl From<HowEnded> for Outcome {
    fn from(outcome: HowEnded) -> Self {
        match outcome {
            HowEnded::Completed => Self::Completed,
            HowEnded::Stopped => Self::Stopped,
            HowEnded::Tripped => Self::Tripped,
            HowEnded::Lost => Self::Lost,
        }
    }
}

impl From<HowJudged> for Verdict {
    fn from(verdict: HowJudged) -> Self {
        match verdict {
            HowJudged::Pass => Self::Pass,
            HowJudged::Fail => Self::Fail,
            HowJudged::Undecided => Self::Undecided,
            HowJudged::None => Self::None,
        }
    }
}

impl From<Arguments> for Query {
    fn from(arguments: Arguments) -> Self {
        Self {
            serial: arguments.serial,
            recipe: arguments.recipe,
            station: arguments.station,
            operator: arguments.operator,
            outcome: arguments.outcome.map(Into::into),
            verdict: arguments.verdict.map(Into::into),
            from: arguments.from,
            to: arguments.to,
            before_run: arguments.before,
            limit: arguments.limit,
        }
    }
}

pub(super) async fn list(session: &Session, arguments: Arguments) -> Result<Exit, Failure> {
    let runs = session.records().await?.runs(&arguments.into()).await?;
    session.screen.show(&runs, table)?;
    if let Some(newest) = runs.runs.first() {
        session.screen.next(&format!("benchward run show {}", newest.run));
    }
    Ok(Exit::Done)
}

/// How an outcome looks; a run that has none yet is going on.
pub(super) fn outcome(outcome: Option<&str>) -> (String, Tone) {
    let tone = match outcome {
        Some("completed") => Tone::Good,
        Some("tripped" | "lost") => Tone::Danger,
        Some("stopped") => Tone::Warning,
        _ => Tone::Strong,
    };
    (outcome.unwrap_or("going on").to_owned(), tone)
}

/// How a verdict looks.
pub(super) fn verdict(word: &str) -> (String, Tone) {
    let tone = match word {
        "pass" => Tone::Good,
        "fail" => Tone::Danger,
        "undecided" => Tone::Warning,
        _ => Tone::Faint,
    };
    (word.to_owned(), tone)
}

fn table(runs: &shapes::Runs, paint: Paint) -> String {
    if runs.runs.is_empty() {
        return "no run matches".into();
    }
    let mut table = Table::new(&[
        ("RUN", Side::Right),
        ("STARTED", Side::Left),
        ("STATION", Side::Left),
        ("SERIAL", Side::Left),
        ("RECIPE", Side::Left),
        ("OPERATOR", Side::Left),
        ("OUTCOME", Side::Left),
        ("VERDICT", Side::Left),
        ("PEAK", Side::Right),
    ]);
    for run in &runs.runs {
        table.row([
            (run.run.to_string(), Tone::Plain),
            (moment(&run.started), Tone::Plain),
            (run.station.clone(), Tone::Plain),
            (or_none(Some(&run.serial)), Tone::Plain),
            (format!("{} r{}", run.recipe, run.revision), Tone::Plain),
            (or_none(Some(&run.operator)), Tone::Plain),
            outcome(run.outcome.as_deref()),
            verdict(&run.verdict),
            (celsius(run.peak_celsius), Tone::Plain),
        ]);
    }
    table.render(paint)
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    pub(in crate::run) fn tripped() -> shapes::Run {
        shapes::Run {
            run: 12,
            station: "bench-2".into(),
            recipe: "QM-4".into(),
            revision: 3,
            serial: "Q-0008".into(),
            operator: "op1".into(),
            started: "2026-11-25T13:46:33.120Z".into(),
            ended: None,
            outcome: Some("tripped".into()),
            verdict: "none".into(),
            peak_celsius: Some(76.31),
        }
    }

    #[test]
    fn runs_are_a_table() {
        let going_on = shapes::Run {
            run: 13,
            outcome: None,
            peak_celsius: None,
            ..tripped()
        };
        let runs = shapes::Runs {
            schema: 1,
            runs: vec![going_on, tripped()],
        };
        assert_eq!(
            table(&runs, Paint::NONE),
            "\
RUN  STARTED               STATION  SERIAL  RECIPE   OPERATOR  OUTCOME   VERDICT     PEAK
 13  2026-11-25 13:46:33Z  bench-2  Q-0008  QM-4 r3  op1       going on  none           -
 12  2026-11-25 13:46:33Z  bench-2  Q-0008  QM-4 r3  op1       tripped   none     76.3 °C
"
        );
    }

    /// The keys that scripts rely on.
    #[test]
    fn the_json_has_the_promised_keys() {
        let value = serde_json::to_value(shapes::Runs {
            schema: 1,
            runs: vec![tripped()],
        })
        .unwrap();
        for key in [
            "run",
            "station",
            "recipe",
            "revision",
            "serial",
            "operator",
            "started",
            "ended",
            "outcome",
            "verdict",
            "peak_celsius",
        ] {
            assert!(value["runs"][0].get(key).is_some(), "{key}");
        }
    }
}
