//! Runs laid over each other, on pages.

use std::fmt::Write as _;

use benchward_api::shapes;
use benchward_report::chart::{Axis, LETTERS, Panel, Style};
use benchward_report::drawing::{Dash, Stroke};
use benchward_report::ink::Ink;
use benchward_report::{Block, Cell, Document, Drawing, Figure, Side, Table, Tone};

use crate::degrees::shown;
use crate::figures::{NONE, Quantity, celsius, clock, count, difference, figure, moment, offset, or_none};

const WIDTH: f64 = 760.0;
const LEFT: f64 = 52.0;

/// The whole. `made`: when.
pub(super) fn document(compared: &shapes::Comparison, lab: &str, made: &str) -> Document {
    let numbers: Vec<String> = compared.runs.iter().map(|one| one.run.run.to_string()).collect();
    let numbers = numbers.join(", ");
    let mut blocks = vec![
        Block::Heading("The runs".into()),
        Block::Table(runs(compared)),
        Block::Heading("Laid over each other".into()),
    ];
    match drawing(compared) {
        Some(drawing) => blocks.push(Block::Figure(Figure {
            title: format!(
                "{} of runs {numbers}, aligned at {}",
                compared.channel,
                super::aligned_at(compared)
            ),
            description: description(compared),
            drawing,
        })),
        None => blocks.push(Block::Text("There are no readings to draw.".into())),
    }
    blocks.push(Block::Heading("How far they are above the first".into()));
    blocks.push(Block::Table(differences(compared)));
    if !compared.figures.is_empty() {
        blocks.push(Block::Heading("Figures side by side".into()));
        blocks.push(Block::Table(figures(compared)));
    }
    if let Some(table) = steps(compared) {
        blocks.push(Block::Heading("The chart as a table".into()));
        blocks.push(Block::Table(table));
    }
    Document {
        title: format!("Runs {numbers} compared"),
        subtitle: format!(
            "{}, aligned at {} · lab {lab} · report made {}",
            compared.channel,
            super::aligned_at(compared),
            moment(made)
        ),
        description: format!("Runs {numbers} laid over each other, with differences"),
        foot: format!(
            "Benchward {} · lab {lab} · runs {numbers}",
            env!("CARGO_PKG_VERSION")
        ),
        blocks,
    }
}

fn name(compared: &shapes::Comparison, at: usize) -> String {
    compared.runs.get(at).map_or(String::new(), |one| {
        format!(
            "{}: run {}, {}",
            super::letter(at),
            one.run.run,
            or_none(Some(&one.run.serial))
        )
    })
}

fn runs(compared: &shapes::Comparison) -> Table {
    let mut table = Table::new(
        "The first is what the others are compared with",
        &[
            ("Run", Side::Left),
            ("Station", Side::Left),
            ("Board", Side::Left),
            ("Recipe", Side::Left),
            ("Started", Side::Left),
            ("By", Side::Left),
            ("Outcome", Side::Left),
            ("Verdict", Side::Left),
            ("Highest", Side::Right),
        ],
    );
    for (at, one) in compared.runs.iter().enumerate() {
        let run = &one.run;
        table.row([
            Cell::from(format!("{}: {}", super::letter(at), run.run)),
            run.station.as_str().into(),
            or_none(Some(&run.serial)).into(),
            format!("{}, revision {}", run.recipe, run.revision).into(),
            moment(&run.started).into(),
            or_none(Some(&run.operator)).into(),
            run.outcome.as_deref().unwrap_or("going on").into(),
            (
                run.verdict.clone(),
                super::super::report::verdict_tone(&run.verdict),
            )
                .into(),
            celsius(run.peak_celsius).into(),
        ]);
    }
    table
}

fn drawing(compared: &shapes::Comparison) -> Option<Drawing> {
    let scale = shown();
    let pieces: Vec<Vec<Vec<(f64, f64)>>> = compared
        .runs
        .iter()
        .map(|run| pieces_of(&run.curve, |celsius| scale.reading(celsius)))
        .collect();
    let all = || pieces.iter().flatten().flatten();
    let span = |pick: fn(&(f64, f64)) -> f64| {
        let low = all().map(pick).reduce(f64::min)?;
        Some((low, all().map(pick).reduce(f64::max)?))
    };
    let ((from, to), (low, high)) = (span(|point| point.0)?, span(|point| point.1)?);
    let upper = Panel {
        left: LEFT,
        top: 22.0,
        width: WIDTH - LEFT - 6.0,
        height: 270.0,
        x: Axis::time(format!("Time from {}", super::aligned_at(compared)), from, to, 10),
        y: Axis::figures(
            format!("Temperature ({}), {}", compared.channel, scale.unit()),
            low,
            high,
            8,
        ),
    };
    // Of the first run there is none.
    let above: Vec<Vec<Vec<(f64, f64)>>> = std::iter::once(Vec::new())
        .chain(
            compared
                .differences
                .iter()
                .map(|one| pieces_of(&one.curve, |apart| scale.difference(apart))),
        )
        .collect();
    let (down, up) = above
        .iter()
        .flatten()
        .flatten()
        .fold((0.0_f64, 0.0_f64), |(down, up), point| {
            (down.min(point.1), up.max(point.1))
        });
    let lower = Panel {
        top: upper.bottom() + 34.0,
        height: 100.0,
        y: Axis::figures(format!("Above the first, {}", scale.unit()), down, up, 5),
        ..upper.clone()
    };
    let mut drawing = Drawing::new(WIDTH, 0.0);
    upper.scales(&mut drawing, false);
    lower.scales(&mut drawing, true);
    let zero = Stroke {
        ink: Ink::Words,
        width: 1.0,
        dash: Dash::Short,
    };
    for panel in [&upper, &lower] {
        panel.upright(&mut drawing, 0.0, zero);
    }
    lower.level(&mut drawing, 0.0, (from, to), zero);
    let styles: Vec<Style> = (0..compared.runs.len())
        .map(|at| Style::of(at, name(compared, at)))
        .collect();
    for (pieces, style) in pieces.iter().zip(&styles) {
        upper.curve(&mut drawing, pieces, style);
    }
    for (pieces, style) in above.iter().zip(&styles) {
        lower.curve(&mut drawing, pieces, style);
    }
    let top = lower.bottom() + 2.0 * LETTERS + 18.0;
    let height = drawing.legend((LEFT, top), WIDTH - LEFT, &styles);
    drawing.height = (top + height + 2.0).ceil();
    Some(drawing)
}

/// A curve in pieces: a point without a temperature begins a gap.
fn pieces_of(curve: &[shapes::ComparedPoint], shown: impl Fn(f64) -> f64) -> Vec<Vec<(f64, f64)>> {
    curve
        .split(|point| point.celsius.is_none())
        .map(|piece| {
            let points = piece.iter();
            points
                .filter_map(|point| Some((point.at_s, shown(point.celsius?))))
                .collect::<Vec<_>>()
        })
        .filter(|piece| !piece.is_empty())
        .collect()
}

/// The temperature of a curve at a time, between two points on a straight line; none in gaps and outside.
fn of(curve: &[shapes::ComparedPoint], at_s: f64) -> Option<f64> {
    let after = curve.partition_point(|point| point.at_s < at_s);
    let next = curve.get(after)?;
    if (next.at_s - at_s).abs() < 1.0e-6 {
        return next.celsius;
    }
    let before = curve.get(after.checked_sub(1)?)?;
    let (low, high) = (before.celsius?, next.celsius?);
    Some(low + (high - low) * (at_s - before.at_s) / (next.at_s - before.at_s))
}

fn description(compared: &shapes::Comparison) -> String {
    let mut text = String::new();
    for (at, one) in compared.differences.iter().enumerate() {
        match (one.mean_celsius, one.worst_celsius, one.worst_at_s) {
            (Some(mean), Some(worst), Some(when)) => {
                let _ = write!(
                    text,
                    "Run {} is above run {} by {} in the mean and by {} at most, {} after {}. ",
                    one.run,
                    one.against,
                    offset(mean),
                    offset(worst),
                    clock(when.abs()),
                    super::aligned_at(compared)
                );
            }
            _ => {
                let _ = write!(
                    text,
                    "{} has no second in common with the first. ",
                    name(compared, at + 1)
                );
            }
        }
    }
    text.push_str("The table under `The chart as a table` has the curves.");
    text
}

fn differences(compared: &shapes::Comparison) -> Table {
    let mut table = Table::new(
        "At each whole second that both have",
        &[
            ("Run", Side::Left),
            ("Mean", Side::Right),
            ("Root mean square", Side::Right),
            ("Largest", Side::Right),
            ("At", Side::Right),
            ("Over", Side::Right),
        ],
    );
    for (at, one) in compared.differences.iter().enumerate() {
        let signed = |value: Option<f64>| value.map_or(NONE.into(), offset);
        table.row([
            name(compared, at + 1),
            signed(one.mean_celsius),
            one.rms_celsius.map_or(NONE.into(), |rms| difference(rms, 2)),
            signed(one.worst_celsius),
            one.worst_at_s.map_or(NONE.into(), benchward_report::chart::clock),
            count(one.seconds, "s", "s"),
        ]);
    }
    table
}

fn figures(compared: &shapes::Comparison) -> Table {
    let headings: Vec<String> = (0..compared.runs.len()).map(|at| name(compared, at)).collect();
    let mut columns = vec![("Figure", Side::Left)];
    columns.extend(headings.iter().map(|heading| (heading.as_str(), Side::Right)));
    let mut table = Table::new("In brackets: above the first", &columns);
    for one in &compared.figures {
        let quantity = Quantity::of(&one.figure, &one.unit);
        let mut cells = vec![Cell::from(&*one.figure)];
        for at in 0..compared.runs.len() {
            let value = one.values.get(at).copied().flatten();
            let above = one.differences.get(at).copied().flatten().filter(|_| at > 0);
            let mut text = quantity.figure(value);
            if let Some(above) = above {
                let _ = write!(text, " ({:+.1})", quantity.apart().shown(above));
            }
            cells.push((text, Tone::Plain).into());
        }
        table.row(cells);
    }
    table
}

/// The curves at some thirty times.
fn steps(compared: &shapes::Comparison) -> Option<Table> {
    const STEPS: [f64; 12] = [
        5.0, 10.0, 15.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1_800.0, 3_600.0, 7_200.0,
    ];
    let times = || {
        compared
            .runs
            .iter()
            .flat_map(|run| &run.curve)
            .map(|point| point.at_s)
    };
    let (from, to) = (times().reduce(f64::min)?, times().reduce(f64::max)?);
    let step = STEPS
        .into_iter()
        .find(|step| (to - from) / step <= 30.0)
        .unwrap_or(14_400.0);
    let headings: Vec<String> = (0..compared.runs.len()).map(|at| name(compared, at)).collect();
    let mut columns = vec![("Time", Side::Right)];
    columns.extend(headings.iter().map(|heading| (heading.as_str(), Side::Right)));
    let mut table = Table::new(
        format!(
            "{}, {}, from {}",
            compared.channel,
            shown().unit(),
            super::aligned_at(compared)
        ),
        &columns,
    );
    let mut time = (from / step).ceil() * step;
    while time <= to {
        let mut cells = vec![benchward_report::chart::clock(time)];
        cells.extend(
            compared
                .runs
                .iter()
                .map(|run| figure(of(&run.curve, time).map(|celsius| shown().reading(celsius)))),
        );
        table.row(cells);
        time += step;
    }
    Some(table)
}
