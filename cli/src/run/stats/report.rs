//! Charts of many runs on pages.

use std::fmt::Write as _;

use benchward_api::shapes;
use benchward_report::chart::{Axis, LETTERS, Panel, Style};
use benchward_report::drawing::{Dash, Mark};
use benchward_report::ink::Ink;
use benchward_report::{Block, Cell, Document, Drawing, Figure, Side, Table, Tone};

use crate::figures::{NONE, Quantity, count, moment};

const WIDTH: f64 = 760.0;
const LEFT: f64 = 52.0;
/// Runs on one chart at most, the newest: more can't be told apart on paper.
const DRAWN_MAX: usize = 200;
/// Runs of the table of values at most.
const LISTED_MAX: usize = 60;

/// The whole. `about`: which runs were asked for, in words; `made`: when.
pub(super) fn document(stats: &shapes::RunStats, about: &str, lab: &str, made: &str) -> Document {
    let mut blocks = Vec::new();
    if stats.lines.is_empty() {
        blocks.push(Block::Text(
            "No run has a window line; `--window` judges them by a stored window.".into(),
        ));
    } else {
        blocks.push(Block::Heading("How well runs fit their window".into()));
        blocks.push(Block::Table(table(stats)));
        blocks.push(Block::Text(
            "Cp is the width of the window over 6 sigma, Cpk the distance of the mean to its nearer limit over 3 sigma, sigma the mean \
             moving range / 1.128; Pp and Ppk are the same with the standard deviation of all values. Figures of fewer than about 20 runs \
             are rough. Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 6.1.6, 6.3.2.2."
                .into(),
        ));
    }
    for line in &stats.lines {
        blocks.push(Block::Heading(format!("Line: {}", line.line)));
        chart(line, &mut blocks);
    }
    let mut runs = count(stats.runs, "run", "runs");
    if stats.without_window > 0 {
        let _ = write!(runs, ", {} of them without a verdict", stats.without_window);
    }
    Document {
        title: "Runs over time".into(),
        subtitle: format!("{about} · {runs} · lab {lab} · report made {}", moment(made)),
        description: format!("Control charts of {about}"),
        foot: format!("Benchward {} · lab {lab} · {about}", env!("CARGO_PKG_VERSION")),
        blocks,
    }
}

fn table(stats: &shapes::RunStats) -> Table {
    let mut table = Table::new(
        "The least Cpk first",
        &[
            ("Line", Side::Left),
            ("Runs", Side::Right),
            ("Mean", Side::Right),
            ("Sigma", Side::Right),
            ("Low limit", Side::Right),
            ("High limit", Side::Right),
            ("Cp", Side::Right),
            ("Cpk", Side::Right),
            ("Pp", Side::Right),
            ("Ppk", Side::Right),
            ("Run rules met", Side::Left),
        ],
    );
    let index = |value: Option<f64>| value.map_or(NONE.into(), |value| format!("{value:.2}"));
    for line in &stats.lines {
        let quantity = Quantity::of(&line.line, &line.unit);
        let met = match line.signals.last() {
            None => ("none".to_owned(), Tone::Good),
            Some(newest) => (
                format!("{}, last in run {}", line.signals.len(), newest.run),
                Tone::Warning,
            ),
        };
        table.row([
            Cell::from(&*line.line),
            line.n.to_string().into(),
            quantity.figure(line.mean).into(),
            quantity.apart().figure(line.sigma).into(),
            quantity.limit(line.low).into(),
            quantity.limit(line.high).into(),
            index(line.cp).into(),
            index(line.cpk).into(),
            index(line.pp).into(),
            index(line.ppk).into(),
            met.into(),
        ]);
    }
    table
}

#[expect(clippy::cast_precision_loss, reason = "some hundred runs")]
fn place(at: usize) -> f64 {
    at as f64
}

fn chart(line: &shapes::StatsLine, blocks: &mut Vec<Block>) {
    if line.left_out > 0 {
        blocks.push(Block::Text(format!(
            "{} left out: undecided.",
            count(line.left_out, "run", "runs")
        )));
    }
    let (Some(mean), Some(control_low), Some(control_high)) =
        (line.mean, line.control_low, line.control_high)
    else {
        blocks.push(Block::Text(format!(
            "{}: a chart needs at least 2.",
            count(line.n, "value", "values")
        )));
        return;
    };
    let quantity = Quantity::of(&line.line, &line.unit);
    let values = &line.values[line.values.len().saturating_sub(DRAWN_MAX)..];
    blocks.push(Block::Figure(Figure {
        title: format!(
            "{}: individuals and moving range of {}, oldest first",
            line.line,
            count(values.len(), "run", "runs")
        ),
        description: description(line, quantity, (mean, control_low, control_high)),
        drawing: drawing(line, values, quantity, (mean, control_low, control_high)),
    }));
    for signal in line.signals.iter().rev().take(20) {
        blocks.push(Block::Notice(
            Tone::Warning,
            format!("Rule met in run {}", signal.run),
            signal.text.clone(),
        ));
    }
    if line.signals.len() > 20 {
        blocks.push(Block::Text(format!(
            "and {} more before",
            line.signals.len() - 20
        )));
    }
    let mut table = Table::new(
        format!(
            "Values of {}, the newest {LISTED_MAX} at most, oldest first",
            line.line
        ),
        &[
            ("Run", Side::Left),
            ("Started", Side::Left),
            ("Value", Side::Right),
            ("Moving range", Side::Right),
            ("Verdict", Side::Left),
            ("Rule met", Side::Left),
        ],
    );
    for value in &line.values[line.values.len().saturating_sub(LISTED_MAX)..] {
        let met: Vec<&str> = line
            .signals
            .iter()
            .filter(|signal| signal.run == value.run)
            .map(|signal| signal.text.as_str())
            .collect();
        table.row([
            Cell::from(value.run.to_string()),
            moment(&value.started).into(),
            quantity.figure(Some(value.value)).into(),
            quantity.apart().figure(value.moving_range).into(),
            (
                value.verdict.clone(),
                super::super::report::verdict_tone(&value.verdict),
            )
                .into(),
            (met.join("; "), Tone::Warning).into(),
        ]);
    }
    blocks.push(Block::Table(table));
}

fn description(
    line: &shapes::StatsLine,
    quantity: Quantity<'_>,
    (mean, low, high): (f64, f64, f64),
) -> String {
    let mut text = format!(
        "Mean {}, control limits {} and {}; mean moving range {}, its upper limit {}. ",
        quantity.figure(Some(mean)),
        quantity.figure(Some(low)),
        quantity.figure(Some(high)),
        quantity.apart().figure(line.moving_range),
        quantity.apart().figure(line.moving_range_high)
    );
    match line.signals.last() {
        None => text.push_str("No run rule is met. "),
        Some(newest) => {
            let _ = write!(
                text,
                "The newest rule that is met: {}, in run {}. ",
                newest.text, newest.run
            );
        }
    }
    text.push_str("The table below has the values.");
    text
}

fn drawing(
    line: &shapes::StatsLine,
    values: &[shapes::StatsValue],
    quantity: Quantity<'_>,
    (mean, control_low, control_high): (f64, f64, f64),
) -> Drawing {
    let apart = quantity.apart();
    let names: Vec<String> = values.iter().map(|value| value.run.to_string()).collect();
    let runs = Axis::places("Run", &names, 16);
    // Limits of the window count where they don't squash the values.
    let near = |limit: f64| (limit - mean).abs() <= 2.5 * (control_high - mean).max(1.0e-9);
    let limits: Vec<f64> = [line.low, line.high]
        .into_iter()
        .flatten()
        .filter(|limit| near(*limit))
        .collect();
    let all = || {
        values
            .iter()
            .map(|value| value.value)
            .chain([control_low, control_high])
            .chain(limits.iter().copied())
            .map(|value| quantity.shown(value))
    };
    let (low, high) = (
        all().fold(f64::INFINITY, f64::min),
        all().fold(f64::NEG_INFINITY, f64::max),
    );
    let range_high = apart.shown(line.moving_range_high.unwrap_or_default());
    let ranges = || {
        values
            .iter()
            .filter_map(|value| value.moving_range)
            .map(|range| apart.shown(range))
    };
    let upper = Panel {
        left: LEFT,
        top: 22.0,
        width: WIDTH - LEFT - 6.0,
        height: 200.0,
        x: runs.clone(),
        y: Axis::figures(format!("{}, {}", line.line, quantity.unit()), low, high, 7),
    };
    let lower = Panel {
        top: upper.bottom() + 34.0,
        height: 90.0,
        x: runs,
        y: Axis::figures(
            format!("Moving range, {}", apart.unit()),
            0.0,
            ranges().fold(range_high, f64::max),
            4,
        ),
        ..upper.clone()
    };
    let mut drawing = Drawing::new(WIDTH, 0.0);
    upper.scales(&mut drawing, false);
    lower.scales(&mut drawing, true);
    let centre = Style::line(Ink::Faint, Dash::Solid, 1.2, "mean");
    let control = Style::line(Ink::Warning, Dash::Long, 1.3, "control limits, mean ± 3 sigma");
    let window = Style::line(Ink::Limit, Dash::DashDot, 1.6, "limits of the window");
    let run = Style::of(0, "a run");
    let met = Style::marks(
        Mark::Cross,
        Ink::Bad,
        "a run rule is met, or the range is too large",
    );
    let level = |drawing: &mut Drawing, panel: &Panel, y: f64, style: &Style| {
        if let Some(stroke) = style.stroke {
            panel.level(drawing, y, (panel.x.low, panel.x.high), stroke);
        }
    };
    level(&mut drawing, &upper, quantity.shown(mean), &centre);
    for limit in [control_low, control_high] {
        level(&mut drawing, &upper, quantity.shown(limit), &control);
    }
    for limit in &limits {
        level(&mut drawing, &upper, quantity.shown(*limit), &window);
    }
    level(
        &mut drawing,
        &lower,
        apart.shown(line.moving_range.unwrap_or_default()),
        &centre,
    );
    level(&mut drawing, &lower, range_high, &control);
    let line_only = Style {
        mark: None,
        ..run.clone()
    };
    let marks = Style {
        stroke: None,
        ..run.clone()
    };
    let curve: Vec<(f64, f64)> = values
        .iter()
        .enumerate()
        .map(|(at, value)| (place(at), quantity.shown(value.value)))
        .collect();
    let moving: Vec<(f64, f64)> = values
        .iter()
        .enumerate()
        .filter_map(|(at, value)| Some((place(at), apart.shown(value.moving_range?))))
        .collect();
    for (panel, points) in [(&upper, curve), (&lower, moving)] {
        panel.curve(&mut drawing, std::slice::from_ref(&points), &line_only);
        let single: Vec<Vec<(f64, f64)>> = points.iter().map(|point| vec![*point]).collect();
        panel.curve(&mut drawing, &single, &marks);
    }
    for (at, value) in values.iter().enumerate() {
        if line.signals.iter().any(|signal| signal.run == value.run) {
            upper.curve(
                &mut drawing,
                &[vec![(place(at), quantity.shown(value.value))]],
                &met,
            );
        }
        if let Some(range) = value
            .moving_range
            .map(|range| apart.shown(range))
            .filter(|range| *range > range_high)
        {
            lower.curve(&mut drawing, &[vec![(place(at), range)]], &met);
        }
    }
    let mut legend = vec![run, centre, control];
    if !limits.is_empty() {
        legend.push(window);
    }
    legend.push(met);
    let top = lower.bottom() + 2.0 * LETTERS + 18.0;
    let height = drawing.legend((LEFT, top), WIDTH - LEFT, &legend);
    drawing.height = (top + height + 2.0).ceil();
    drawing
}
