//! `benchward run stats`.

mod report;

use std::fmt::Write as _;

use benchward_api::{Exit, judging::STATS_RUNS_MAX, shapes};
use benchward_archive::{Outcome, Query, Verdict, Wall};
use clap::Args;

use super::list::{HowEnded, HowJudged};
use crate::Session;
use crate::failure::Failure;
use crate::figures::{NONE, Quantity, count, figure, limit, moment};
use crate::moment::parse;
use crate::pages::Output;
use crate::plot::{Plot, decimals};
use crate::screen::{Paint, Tone};
use crate::table::{Side, Table};

const EXAMPLES: &str = "\
Examples:
  benchward run stats --recipe \"AX-20 backplane\"
  benchward run stats --station bench-1 --from 2026-11-01 --line peak
  benchward run stats --recipe \"AX-20 backplane\" --window \"lead-free\"
  benchward run stats --recipe \"AX-20 backplane\" -o ax-20.html
  benchward --json run stats --station bench-1";

/// Columns of a chart: an 80 column screen less the scale.
const COLUMNS: usize = 66;

/// Chart the window lines of many runs: does a bench drift, how well do runs fit their window
///
/// Individuals and moving range (NIST/SEMATECH e-Handbook 6.3.2.2): control limits are the mean ± 3 sigma, sigma is the mean moving
/// range / 1.128. Cpk is the distance of the mean to the nearer limit of the window over 3 sigma. Values are those of the verdicts that
/// were kept; undecided ones are left out.
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// Only of this recipe
    #[arg(long, value_name = "RECIPE")]
    recipe: Option<String>,
    /// Only at this station
    #[arg(long, value_name = "STATION")]
    station: Option<String>,
    /// Only started at or after: 2026-11-25 (UTC) or 2026-11-25T13:46:33Z
    #[arg(long, value_name = "TIME", value_parser = parse)]
    from: Option<Wall>,
    /// Only started before
    #[arg(long, value_name = "TIME", value_parser = parse)]
    to: Option<Wall>,
    /// Only started by this person
    #[arg(long, value_name = "NAME")]
    operator: Option<String>,
    /// Only those that ended so
    #[arg(long, default_value = "completed")]
    outcome: HowEnded,
    /// Only those with this verdict
    #[arg(long)]
    verdict: Option<HowJudged>,
    /// Judge every run by this stored window instead; nothing of it is kept
    #[arg(long, value_name = "WINDOW")]
    window: Option<String>,
    /// Only this line of the window, such as `peak` [default: all, the least Cpk first]
    #[arg(long, value_name = "LINE")]
    line: Option<String>,
    /// At most so many runs, the newest
    #[arg(long, value_name = "N", default_value_t = STATS_RUNS_MAX, hide_default_value = true)]
    limit: usize,
    #[command(flatten)]
    output: Output,
}

impl Arguments {
    /// Which runs are asked for, in words.
    fn about(&self) -> String {
        let mut about = vec![match self.outcome {
            HowEnded::Completed => "completed runs".to_owned(),
            other => format!("runs that ended {}", Outcome::from(other).name()),
        }];
        if let Some(recipe) = &self.recipe {
            about.push(format!("of \"{recipe}\""));
        }
        if let Some(station) = &self.station {
            about.push(format!("at {station}"));
        }
        if let Some(operator) = &self.operator {
            about.push(format!("by {operator}"));
        }
        if let Some(verdict) = self.verdict {
            about.push(format!("with verdict {}", Verdict::from(verdict).name()));
        }
        if let Some(from) = self.from {
            about.push(format!("from {}", moment(&from.to_string())));
        }
        if let Some(to) = self.to {
            about.push(format!("before {}", moment(&to.to_string())));
        }
        if let Some(window) = &self.window {
            about.push(format!("judged by window \"{window}\""));
        }
        about.join(" ")
    }
}

pub(super) async fn stats(session: &Session, arguments: Arguments) -> Result<Exit, Failure> {
    let form = arguments.output.form()?;
    let about = arguments.about();
    let query = Query {
        recipe: arguments.recipe,
        station: arguments.station,
        operator: arguments.operator,
        outcome: Some(arguments.outcome.into()),
        verdict: arguments.verdict.map(Into::into),
        from: arguments.from,
        to: arguments.to,
        limit: arguments.limit.clamp(1, STATS_RUNS_MAX),
        ..Query::default()
    };
    let records = session.records().await?;
    let mut stats = records.stats(&query, arguments.window.as_deref()).await?;
    if let Some(line) = &arguments.line {
        let names: Vec<String> = stats.lines.iter().map(|line| line.line.clone()).collect();
        stats.lines.retain(|one| one.line == *line);
        if stats.lines.is_empty() {
            return Err(Failure::no_such(
                "line in these runs",
                line,
                names.iter().map(String::as_str),
            ));
        }
    }
    if let Some(form) = form {
        let (lab, made) = (records.lab().await?, Wall::now().to_string());
        return arguments
            .output
            .write(session, form, &report::document(&stats, &about, &lab, &made));
    }
    session.screen.show(&stats, page)?;
    Ok(Exit::Done)
}

fn page(stats: &shapes::RunStats, paint: Paint) -> String {
    let mut text = count(stats.runs, "run matches", "runs match");
    if stats.without_window > 0 {
        let _ = write!(text, ", {} of them without a verdict", stats.without_window);
    }
    text.push('\n');
    if stats.lines.is_empty() {
        text.push_str("no run has a window line; `--window` judges them by a stored window\n");
        return text;
    }
    let mut table = Table::new(&[
        ("LINE", Side::Left),
        ("N", Side::Right),
        ("MEAN", Side::Right),
        ("SIGMA", Side::Right),
        ("UNIT", Side::Left),
        ("LOW", Side::Right),
        ("HIGH", Side::Right),
        ("CP", Side::Right),
        ("CPK", Side::Right),
        ("RULES MET", Side::Left),
    ]);
    let index = |value: Option<f64>| value.map_or(NONE.into(), |value| format!("{value:.2}"));
    for line in &stats.lines {
        let (met, tone) = match line.signals.last() {
            None => ("none".to_owned(), Tone::Good),
            Some(newest) => (
                format!("{}, last in run {}", line.signals.len(), newest.run),
                Tone::Warning,
            ),
        };
        let quantity = Quantity::of(&line.line, &line.unit);
        let shown = |value: Option<f64>| value.map(|value| quantity.shown(value));
        table.row([
            (line.line.clone(), Tone::Plain),
            (line.n.to_string(), Tone::Plain),
            (figure(shown(line.mean)), Tone::Plain),
            (
                figure(line.sigma.map(|sigma| quantity.apart().shown(sigma))),
                Tone::Plain,
            ),
            (quantity.unit(), Tone::Plain),
            (limit(shown(line.low)), Tone::Plain),
            (limit(shown(line.high)), Tone::Plain),
            (index(line.cp), Tone::Plain),
            (index(line.cpk), Tone::Plain),
            (met, tone),
        ]);
    }
    let _ = write!(text, "\n{}", table.render(paint));
    for line in &stats.lines {
        text.push('\n');
        text.push_str(&chart(line, paint));
    }
    text
}

/// The newest values that fit, between their control limits, and below them their moving ranges.
fn chart(line: &shapes::StatsLine, paint: Paint) -> String {
    let quantity = Quantity::of(&line.line, &line.unit);
    let heading = format!("{}, {}", line.line, quantity.unit());
    let mut text = format!("{}\n", paint.text(Tone::Strong, &heading));
    if line.left_out > 0 {
        let left_out = count(line.left_out, "run", "runs");
        let _ = writeln!(text, "  {left_out} left out: undecided");
    }
    let (Some(mean), Some(low), Some(high)) = (line.mean, line.control_low, line.control_high) else {
        let _ = writeln!(
            text,
            "  {}: a chart needs at least 2",
            count(line.n, "value", "values")
        );
        return text;
    };
    let (mean, low, high) = (quantity.shown(mean), quantity.shown(low), quantity.shown(high));
    let apart = |value: Option<f64>| value.map(|value| quantity.apart().shown(value));
    let values = &line.values[line.values.len().saturating_sub(COLUMNS)..];
    let (bottom, top) = values.iter().fold((low, high), |(bottom, top), one| {
        let value = quantity.shown(one.value);
        (bottom.min(value), top.max(value))
    });
    let mut plot = Plot::new(values.len(), 11, bottom, top);
    for (column, value) in values.iter().enumerate() {
        let met = line.signals.iter().any(|signal| signal.run == value.run);
        plot.mark(column, quantity.shown(value.value), if met { 'X' } else { 'o' });
    }
    plot.level(mean, '=');
    plot.level(low, '-');
    plot.level(high, '-');
    text.push_str(&plot.render(decimals(bottom, top)));
    let run = |at: Option<&shapes::StatsValue>| at.map_or(String::new(), |at| at.run.to_string());
    text.push_str(&plot.foot(&run(values.first()), &run(values.last())));
    let _ = writeln!(
        text,
        "  o a run, X a rule met, = mean {}, - control limits {} and {}",
        figure(Some(mean)),
        figure(Some(low)),
        figure(Some(high))
    );
    let widest = apart(line.moving_range_high).unwrap_or_default();
    let ranges = values.iter().filter_map(|one| apart(one.moving_range));
    let top = ranges.fold(widest, f64::max);
    let mut plot = Plot::new(values.len(), 5, 0.0, top);
    for (column, value) in values.iter().enumerate() {
        if let Some(range) = apart(value.moving_range) {
            plot.mark(column, range, if range > widest { 'X' } else { 'o' });
        }
    }
    plot.level(apart(line.moving_range).unwrap_or_default(), '=');
    plot.level(widest, '-');
    let _ = writeln!(text, "moving range");
    text.push_str(&plot.render(decimals(0.0, top)));
    let _ = writeln!(
        text,
        "  = mean {}, - upper control limit {}",
        figure(apart(line.moving_range)),
        figure(Some(widest))
    );
    for signal in line.signals.iter().rev().take(5) {
        let label = paint.text(Tone::Warning, "  rule met");
        let _ = writeln!(text, "{label} in run {}: {}", signal.run, signal.text);
    }
    if line.signals.len() > 5 {
        let _ = writeln!(text, "  and {} more before", line.signals.len() - 5);
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    fn peak() -> shapes::StatsLine {
        let values = [10.0, 12.0, 11.0, 13.0, 12.0, 16.0];
        shapes::StatsLine {
            line: "peak".into(),
            unit: "celsius".into(),
            low: Some(6.0),
            high: Some(16.0),
            n: 6,
            mean: Some(11.6),
            sigma: Some(1.329),
            cp: Some(1.254),
            cpk: Some(1.103),
            control_low: Some(7.612),
            control_high: Some(15.588),
            moving_range: Some(1.5),
            moving_range_high: Some(4.9),
            values: (7..)
                .zip(values)
                .map(|(run, value)| shapes::StatsValue {
                    run,
                    value,
                    moving_range: (run > 7).then_some(2.0),
                    ..shapes::StatsValue::default()
                })
                .collect(),
            signals: vec![shapes::StatsSignal {
                run: 12,
                rule: "beyond-3-sigma".into(),
                up: true,
                text: "above mean + 3 sigma".into(),
            }],
            ..shapes::StatsLine::default()
        }
    }

    #[test]
    fn a_chart_fits_a_screen_and_says_what_was_met() {
        let stats = shapes::RunStats {
            schema: 1,
            runs: 8,
            without_window: 2,
            lines: vec![peak()],
        };
        let text = page(&stats, Paint::NONE);
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        assert_eq!(
            text,
            "\
8 runs match, 2 of them without a verdict

LINE  N   MEAN  SIGMA  UNIT  LOW  HIGH    CP   CPK  RULES MET
peak  6  11.60   1.33  °C      6    16  1.25  1.10  1, last in run 12

peak, °C
    16.0 |-----X
         |
    14.3 |
         |
    12.6 |   o
         |=o==o=
    11.0 |  o
         |o
     9.3 |
         |
     7.6 |------
         +------
          7   12
  o a run, X a rule met, = mean 11.60, - control limits 7.61 and 15.59
moving range
     4.9 |------
         |
     2.5 | ooooo
         |======
     0.0 |
  = mean 1.50, - upper control limit 4.90
  rule met in run 12: above mean + 3 sigma
"
        );
        let alone = shapes::StatsLine {
            mean: None,
            n: 1,
            left_out: 2,
            ..peak()
        };
        let text = chart(&alone, Paint::NONE);
        assert!(
            text.contains("1 value: a chart needs at least 2") && text.contains("2 runs left out"),
            "{text}"
        );
    }

    #[test]
    fn the_json_has_the_promised_keys() {
        let value = serde_json::to_value(shapes::RunStats {
            schema: 1,
            runs: 1,
            without_window: 0,
            lines: vec![peak()],
        })
        .unwrap();
        for key in [
            "line", "unit", "low", "high", "n", "mean", "sigma", "cp", "cpk", "values", "signals",
        ] {
            assert!(value["lines"][0].get(key).is_some(), "{key}");
        }
    }
}
