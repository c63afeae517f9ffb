//! Charts of window lines over many runs.

use std::collections::BTreeMap;

use benchward_archive::{Query, Reader, RunRecord, Wall};
use benchward_core::window::Limits;
use benchward_judge::chart;

use super::{archive_error, judge};
use crate::Error;
use crate::shapes::{RunStats, RunWindow, SCHEMA, StatsLine, StatsSignal, StatsValue};

/// Most runs of one chart.
pub const STATS_RUNS_MAX: usize = 10_000;

/// Charts the window lines of the runs that match. `window`: judge each again by that stored window, and keep nothing of it.
///
/// # Errors
/// As [`judge`].
pub fn stats(reader: &Reader, query: &Query, window: Option<&str>) -> Result<RunStats, Error> {
    let mut runs = reader.runs(query).map_err(archive_error)?;
    // A chart reads from the past to now.
    runs.reverse();
    runs.retain(RunRecord::has_ended);
    let mut lines: Vec<StatsLine> = Vec::new();
    let mut places: BTreeMap<(String, String), usize> = BTreeMap::new();
    let mut without_window = 0;
    for record in &runs {
        let judged = match window {
            Some(name) => judge(reader, record, Some(name), Wall(0))?,
            None => RunWindow::of(record),
        };
        let Some(judged) = judged else {
            without_window += 1;
            continue;
        };
        for line in judged.lines {
            if line.unit.is_empty() {
                continue;
            }
            // The same measure of two channels is two lines; which channel was the worst of all is not.
            let of = if line.channels.is_empty() {
                line.channel.clone()
            } else {
                String::new()
            };
            let place = *places.entry((line.line.clone(), of)).or_insert_with(|| {
                lines.push(StatsLine {
                    line: line.line.clone(),
                    unit: line.unit.clone(),
                    ..StatsLine::default()
                });
                lines.len() - 1
            });
            let chart = &mut lines[place];
            (chart.low, chart.high) = (line.low, line.high);
            match line.value.filter(|_| line.verdict != "undecided") {
                None => chart.left_out += 1,
                Some(value) => chart.values.push(StatsValue {
                    run: record.run,
                    started: record.started.to_string(),
                    value,
                    moving_range: None,
                    verdict: line.verdict,
                }),
            }
        }
    }
    for line in &mut lines {
        draw(line);
    }
    lines.sort_by(|a, b| {
        let key = |line: &StatsLine| line.cpk.unwrap_or(f64::INFINITY);
        key(a).total_cmp(&key(b))
    });
    Ok(RunStats {
        schema: SCHEMA,
        runs: runs.len(),
        without_window,
        lines,
    })
}

/// Six digits: a chart's figures are read, and computed with again.
fn millionths(value: f64) -> f64 {
    (value * 1.0e6).round() / 1.0e6
}

fn draw(line: &mut StatsLine) {
    line.n = line.values.len();
    let values: Vec<f64> = line.values.iter().map(|value| value.value).collect();
    let Some(chart) = chart::individuals(&values) else {
        return;
    };
    for (value, range) in line.values.iter_mut().skip(1).zip(&chart.moving_ranges) {
        value.moving_range = Some(millionths(*range));
    }
    let shown = |value: f64| Some(millionths(value));
    line.mean = shown(chart.mean);
    line.sigma = shown(chart.sigma);
    line.deviation = shown(chart.deviation);
    line.control_low = shown(chart.low);
    line.control_high = shown(chart.high);
    line.moving_range = shown(chart.mean_moving_range);
    line.moving_range_high = shown(chart.moving_range_high);
    if let Some(limits) = Limits::new(line.low, line.high) {
        let of = |deviation| chart::capability(limits, chart.mean, deviation);
        if let Some(within) = of(chart.sigma) {
            line.cp = within.potential.map(millionths);
            line.cpk = shown(within.centred);
        }
        if let Some(overall) = of(chart.deviation) {
            line.pp = overall.potential.map(millionths);
            line.ppk = shown(overall.centred);
        }
    }
    line.signals = chart::signals(&values, &chart)
        .into_iter()
        .map(|signal| StatsSignal {
            run: line.values[signal.at].run,
            rule: signal.rule.word().into(),
            up: signal.up,
            text: signal.rule.words(signal.up).into(),
        })
        .collect();
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The worked example of `benchward-judge`, through the shape.
    #[test]
    fn a_chart_has_its_figures() {
        let mut line = StatsLine {
            low: Some(6.0),
            high: Some(16.0),
            values: (1..)
                .zip([10.0, 12.0, 11.0, 13.0, 12.0])
                .map(|(run, value)| StatsValue {
                    run,
                    value,
                    ..StatsValue::default()
                })
                .collect(),
            ..StatsLine::default()
        };
        draw(&mut line);
        assert_eq!(line.n, 5);
        let near = |got: Option<f64>, value: f64| {
            assert!((got.unwrap() - value).abs() < 1e-6, "{got:?} {value}");
        };
        near(line.mean, 11.6);
        near(line.sigma, 1.329_340);
        near(line.cp, 1.253_755);
        near(line.cpk, 1.103_304);
        near(line.pp, 1.461_763);
        near(line.ppk, 1.286_352);
        near(line.control_high, 15.588_021);
        near(line.moving_range_high, 4.899_798);
        let ranges: Vec<Option<f64>> = line.values.iter().map(|value| value.moving_range).collect();
        assert_eq!(ranges, [None, Some(2.0), Some(1.0), Some(2.0), Some(1.0)]);
        assert_eq!(line.signals, []);
    }
}
