//! `benchward run compare`.

mod report;

use std::fmt::Write as _;

use benchward_api::judging::Align;
use benchward_api::{Exit, shapes};
use benchward_archive::Wall;
use clap::Args;

use super::list::{outcome, verdict};
use crate::Session;
use crate::degrees::shown;
use crate::failure::Failure;
use crate::figures::{NONE, Quantity, celsius, clock, difference, figure, offset};
use crate::pages::Output;
use crate::plot::Plot;
use crate::screen::{Paint, Tone};
use crate::spoken::spoken;
use crate::table::{Side, Table};

const EXAMPLES: &str = "\
Examples:
  benchward run compare 12 15
  benchward run compare 12 15 16 --align \"stage 2\"
  benchward run compare 12 15 --align 70C --channel board-edge
  benchward run compare 12 15 -o 12-and-15.html
  benchward --json run compare 12 15";

/// Columns of the chart: an 80 column screen less the scale.
const COLUMNS: usize = 68;

/// Lay 2 to 8 runs over each other, and say how they differ from the first
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// Numbers of the runs; the first is what the others are compared with
    #[arg(required = true, num_args = 2..=8)]
    runs: Vec<u64>,
    /// Where they are laid over each other: `start`, the beginning of a stage (`stage 2`), or where they first came to a
    /// temperature (`70C`, `158F`)
    #[arg(long, value_name = "PLACE", default_value = "start")]
    align: Align,
    /// Which temperature: `hottest`, `coldest`, `mean`, or a channel
    #[arg(long, value_name = "CHANNEL", default_value = "hottest")]
    channel: String,
    #[command(flatten)]
    output: Output,
}

pub(super) async fn compare(session: &Session, arguments: &Arguments) -> Result<Exit, Failure> {
    let form = arguments.output.form()?;
    let records = session.records().await?;
    let compared = records
        .compare(&arguments.runs, arguments.align, &arguments.channel)
        .await?;
    if let Some(form) = form {
        let (lab, made) = (records.lab().await?, Wall::now().to_string());
        return arguments
            .output
            .write(session, form, &report::document(&compared, &lab, &made));
    }
    session.screen.show(&compared, page)?;
    Ok(Exit::Done)
}

/// Where they are laid over each other, on the scale that is shown.
fn aligned_at(compared: &shapes::Comparison) -> String {
    let place = format!("at {}", compared.aligned_at);
    spoken(&place).trim_start_matches("at ").to_owned()
}

fn letter(at: usize) -> char {
    char::from(b'A' + u8::try_from(at % 26).unwrap_or_default())
}

fn page(compared: &shapes::Comparison, paint: Paint) -> String {
    let mut text = String::new();
    let mut table = Table::new(&[
        ("", Side::Left),
        ("RUN", Side::Right),
        ("STATION", Side::Left),
        ("SERIAL", Side::Left),
        ("RECIPE", Side::Left),
        ("OUTCOME", Side::Left),
        ("VERDICT", Side::Left),
        ("PEAK", Side::Right),
    ]);
    for (at, compared) in compared.runs.iter().enumerate() {
        let run = &compared.run;
        table.row([
            (letter(at).to_string(), Tone::Strong),
            (run.run.to_string(), Tone::Plain),
            (run.station.clone(), Tone::Plain),
            (run.serial.clone(), Tone::Plain),
            (format!("{} r{}", run.recipe, run.revision), Tone::Plain),
            outcome(run.outcome.as_deref()),
            verdict(&run.verdict),
            (celsius(run.peak_celsius), Tone::Plain),
        ]);
    }
    text.push_str(&table.render(paint));
    let _ = writeln!(
        text,
        "\n{}, {}, aligned at {}",
        compared.channel,
        shown().unit(),
        aligned_at(compared)
    );
    text.push_str(&chart(compared));
    text.push('\n');
    text.push_str(&differences(compared, paint));
    if !compared.figures.is_empty() {
        text.push('\n');
        text.push_str(&figures(compared, paint));
    }
    text
}

fn chart(compared: &shapes::Comparison) -> String {
    let points = || {
        compared.runs.iter().enumerate().flat_map(|(at, run)| {
            run.curve
                .iter()
                .filter_map(move |point| Some((at, point.at_s, shown().reading(point.celsius?))))
        })
    };
    let span = |pick: fn((usize, f64, f64)) -> f64| {
        points().map(pick).fold(None, |span: Option<(f64, f64)>, value| {
            Some(span.map_or((value, value), |(low, high)| (low.min(value), high.max(value))))
        })
    };
    let (Some((from, to)), Some((low, high))) = (span(|point| point.1), span(|point| point.2)) else {
        return "no readings to draw\n".into();
    };
    let mut plot = Plot::new(COLUMNS, 17, low, high);
    let width = (to - from).max(1.0);
    for (at, seconds, celsius) in points() {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            clippy::cast_precision_loss,
            reason = "a share of a few dozen columns, within 0 and 1"
        )]
        let column = ((seconds - from) / width * (COLUMNS - 1) as f64).round() as usize;
        plot.mark(column, celsius, letter(at));
    }
    let signed = |seconds: f64| {
        let sign = if seconds < 0.0 { "-" } else { "" };
        format!("{sign}{}", clock(seconds.abs()))
    };
    plot.render(0) + &plot.foot(&signed(from), &signed(to))
}

fn differences(compared: &shapes::Comparison, paint: Paint) -> String {
    let mut table = Table::new(&[
        ("ABOVE A", Side::Left),
        ("MEAN", Side::Right),
        ("RMS", Side::Right),
        ("LARGEST", Side::Right),
        ("AT", Side::Right),
        ("OVER", Side::Right),
    ]);
    let degrees = |value: Option<f64>| value.map_or(NONE.into(), offset);
    for (at, one) in compared.differences.iter().enumerate() {
        #[expect(clippy::cast_precision_loss, reason = "seconds of a run")]
        let over = clock(one.seconds as f64);
        let rms = one.rms_celsius.map_or(NONE.into(), |rms| difference(rms, 2));
        table.plain([
            letter(at + 1).to_string(),
            degrees(one.mean_celsius),
            rms,
            degrees(one.worst_celsius),
            one.worst_at_s.map_or(NONE.into(), |at| format!("{at:.0} s")),
            over,
        ]);
    }
    table.render(paint)
}

/// Each figure of the first run, and by how much the others differ.
fn figures(compared: &shapes::Comparison, paint: Paint) -> String {
    const HEADINGS: [&str; 8] = ["A", "B", "C", "D", "E", "F", "G", "H"];
    let runs = compared.runs.len().min(HEADINGS.len());
    let mut columns = vec![("FIGURE", Side::Left), ("UNIT", Side::Left)];
    columns.extend(HEADINGS[..runs].iter().map(|&heading| (heading, Side::Right)));
    let mut table = Table::new(&columns);
    for one in &compared.figures {
        let quantity = Quantity::of(&one.figure, &one.unit);
        let mut cells = vec![(one.figure.clone(), Tone::Plain), (quantity.unit(), Tone::Plain)];
        for at in 0..runs {
            let value = one
                .values
                .get(at)
                .copied()
                .flatten()
                .map(|value| quantity.shown(value));
            let difference = one.differences.get(at).copied().flatten();
            let difference = difference.map(|value| quantity.apart().shown(value));
            let cell = match (at, difference) {
                (0, _) | (_, None) => figure(value),
                (_, Some(difference)) => format!("{} ({difference:+.1})", figure(value)),
            };
            cells.push((cell, Tone::Plain));
        }
        table.row(cells);
    }
    table.render(paint)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn compared() -> shapes::Comparison {
        let curve = |shift: f64| {
            (0..=100)
                .map(f64::from)
                .map(|at| shapes::ComparedPoint {
                    at_s: at,
                    celsius: Some(20.0 + (at - shift).clamp(0.0, 60.0)),
                })
                .collect()
        };
        let run = |number, shift| shapes::ComparedRun {
            run: shapes::Run {
                run: number,
                verdict: "pass".into(),
                ..super::super::list::tests::tripped()
            },
            zero_s: 0.0,
            curve: curve(shift),
        };
        shapes::Comparison {
            schema: 1,
            aligned_at: "start".into(),
            channel: "hottest".into(),
            runs: vec![run(12, 0.0), run(15, 20.0)],
            differences: vec![shapes::ComparedCurve {
                run: 15,
                against: 12,
                seconds: 101,
                mean_celsius: Some(-11.88),
                rms_celsius: Some(14.9),
                worst_celsius: Some(-20.0),
                worst_at_s: Some(20.0),
                curve: Vec::new(),
            }],
            figures: vec![shapes::ComparedFigure {
                figure: "peak".into(),
                unit: "celsius".into(),
                values: vec![Some(80.0), Some(80.5)],
                differences: vec![Some(0.0), Some(0.5)],
            }],
        }
    }

    #[test]
    fn runs_are_laid_over_each_other_on_a_screen() {
        let text = page(&compared(), Paint::NONE);
        assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
        for part in [
            "A   12  bench-2",
            "B   15  bench-2",
            "hottest, °C, aligned at start",
            "      80 |                                        AAAAAAAAAAAAA***************\n",
            "          0:00                                                            1:40\n",
            "B        -11.88 °C  14.90 °C  -20.00 °C  20 s  1:41\n",
            "peak    °C    80.00  80.50 (+0.5)\n",
        ] {
            assert!(text.contains(part), "`{part}` is missing:\n{text}");
        }
    }

    #[test]
    fn the_json_has_the_promised_keys() {
        let value = serde_json::to_value(compared()).unwrap();
        for key in [
            "schema",
            "aligned_at",
            "channel",
            "runs",
            "differences",
            "figures",
        ] {
            assert!(value.get(key).is_some(), "{key}");
        }
        for key in ["run", "verdict", "peak_celsius", "zero_s", "curve"] {
            assert!(value["runs"][0].get(key).is_some(), "{key}");
        }
    }
}
