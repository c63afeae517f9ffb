//! The chart of a run, and the same as a table.

use std::fmt::Write as _;

use benchward_core::recipe::Recipe;
use benchward_report::chart::{Axis, LETTERS, Panel, Style};
use benchward_report::drawing::{Dash, Mark, Stroke};
use benchward_report::ink::Ink;
use benchward_report::{Block, Cell, Drawing, Figure, Side, Table};

use super::{Evidence, at, seconds};
use crate::degrees::shown;
use crate::figures::{NONE, celsius, count, percent};
use crate::outline::{Outline, Point};
use crate::readings::Readings;

const WIDTH: f64 = 760.0;
const LEFT: f64 = 46.0;
/// Readings further apart are not joined: between them nobody knows.
const GAP_S: f64 = 2.0;
/// Rows of the table that stands for the chart, at most.
const STEPS_MAX: f64 = 30.0;

/// Columns that a curve has at most, however long the run was: each about as wide as the line that is drawn.
const COLUMNS_MAX: usize = 1_400;

/// What is drawn of a column of the readings.
fn outline(at_s: &[f64], values: impl Iterator<Item = Option<f64>>) -> Outline {
    let points = at_s.iter().copied().zip(values);
    Outline::of(COLUMNS_MAX, points.filter_map(|(at, value)| Some((at, value?))))
}

/// A level that changes in steps.
fn steps_of(levels: impl IntoIterator<Item = Point>) -> Vec<Vec<Point>> {
    let mut points: Vec<Point> = Vec::new();
    for (x, y) in levels {
        if let Some(&(_, before)) = points.last()
            && (before - y).abs() > f64::EPSILON
        {
            points.push((x, before));
        }
        points.push((x, y));
    }
    vec![points]
}

/// The chart with its words, or that there is none.
pub(super) fn blocks(evidence: &Evidence, recipe: Option<&Recipe>, blocks: &mut Vec<Block>) {
    let readings = &evidence.readings;
    let (Some(&from), Some(&to)) = (readings.at_s.first(), readings.at_s.last()) else {
        blocks.push(Block::Text("There are no readings of this run.".into()));
        return;
    };
    let curves: Vec<(&str, Outline)> = readings
        .channels
        .iter()
        .map(|(name, column)| (name.as_str(), outline(&readings.at_s, column.iter().copied())))
        .collect();
    let column_s = curves.iter().map(|(_, curve)| curve.step_s()).fold(0.0, f64::max);
    let drawing = drawing(evidence, recipe, &curves, (from.min(0.0), to));
    blocks.push(Block::Figure(Figure {
        title: format!(
            "Temperatures of {} and heat of run {}, from {} to {} after its start",
            count(readings.channels.len(), "channel", "channels"),
            evidence.run.run.run,
            at(from),
            at(to)
        ),
        description: description(evidence),
        drawing,
    }));
    let mut how = format!(
        "Grey fields are the bands around the targets while they were held. Curves end where readings are missing for more than {:.0} s.",
        GAP_S.max(column_s).ceil()
    );
    if column_s > GAP_S {
        let _ = write!(
            how,
            " Of every {column_s:.0} s, as little as the chart can show, the first, the lowest, the highest and the last reading are drawn."
        );
    }
    if evidence.run.prediction.is_some() {
        how.push_str(
            " A cross on a line is when a stage was foretold to reach its target, and the range of that.",
        );
    }
    let above: Vec<String> = ceilings(evidence, recipe, to)
        .into_iter()
        .filter(|(_, _, ceiling)| !ceiling_fits(readings, *ceiling))
        .map(|(_, _, ceiling)| celsius(Some(ceiling)))
        .collect();
    if !above.is_empty() {
        let _ = write!(
            how,
            " The ceiling, {}, is above what is drawn.",
            above.join(" and then ")
        );
    }
    blocks.push(Block::Text(how));
}

/// The ceilings that counted, °C, with seconds from when to when: as on record, else the recipe's own.
fn ceilings(evidence: &Evidence, recipe: Option<&Recipe>, to: f64) -> Vec<(f64, f64, f64)> {
    let known: Vec<(f64, f64)> = evidence
        .run
        .ceilings
        .iter()
        .filter_map(|ceiling| Some((seconds(&evidence.run.run.started, &ceiling.at)?, ceiling.celsius)))
        .collect();
    if known.is_empty() {
        let own = recipe.and_then(|recipe| recipe.ceiling);
        return own
            .map(|ceiling| (0.0, to, ceiling.degrees()))
            .into_iter()
            .collect();
    }
    let ends = known.iter().skip(1).map(|(begins, _)| *begins).chain([to]);
    known
        .iter()
        .zip(ends)
        .map(|((begins, celsius), ends)| (*begins, ends, *celsius))
        .collect()
}

/// Lowest and highest good reading or target, °C.
fn span(readings: &Readings) -> Option<(f64, f64)> {
    let all = readings
        .channels
        .iter()
        .flat_map(|(_, column)| column)
        .chain(&readings.target);
    all.flatten().fold(None, |span, &value| {
        Some(span.map_or((value, value), |(low, high): (f64, f64)| {
            (low.min(value), high.max(value))
        }))
    })
}

/// Whether the ceiling is near enough that drawing it leaves the curves most of the height.
fn ceiling_fits(readings: &Readings, ceiling: f64) -> bool {
    span(readings).is_some_and(|(low, high)| ceiling <= high + (high - low).max(20.0))
}

fn drawing(
    evidence: &Evidence,
    recipe: Option<&Recipe>,
    curves: &[(&str, Outline)],
    (from, to): (f64, f64),
) -> Drawing {
    let readings = &evidence.readings;
    let scale = shown();
    let reading = |celsius: f64| scale.reading(celsius);
    let (low, high) = span(readings).unwrap_or((0.0, 100.0));
    let mut ceilings = ceilings(evidence, recipe, to);
    ceilings.retain(|(_, _, ceiling)| ceiling_fits(readings, *ceiling));
    let safe = recipe
        .map(|recipe| recipe.cooldown.safe.degrees())
        .filter(|safe| (low..=high).contains(safe));
    let high = ceilings
        .iter()
        .fold(high, |high, (_, _, ceiling)| high.max(*ceiling));
    let time = Axis::time("Time since the start", from, to, 10);
    let upper = Panel {
        left: LEFT,
        top: 26.0,
        width: WIDTH - LEFT - 6.0,
        height: 300.0,
        x: time.clone(),
        y: Axis::figures(
            format!("Temperature, {}", scale.unit()),
            reading(low),
            // Room for the names of phases above the curves.
            reading(high + (high - low).max(1.0) * 0.06),
            8,
        ),
    };
    let lower = Panel {
        top: upper.bottom() + 34.0,
        height: 64.0,
        x: time,
        y: Axis {
            label: "Heat, %".into(),
            low: 0.0,
            high: 100.0,
            ticks: [0.0, 50.0, 100.0]
                .iter()
                .map(|share| (*share, format!("{share:.0}")))
                .collect(),
        },
        ..upper.clone()
    };
    let mut drawing = Drawing::new(WIDTH, 0.0);
    bands(&mut drawing, &upper, readings, recipe);
    upper.scales(&mut drawing, false);
    lower.scales(&mut drawing, true);
    phases(&mut drawing, &upper, readings);
    let mut legend = Vec::new();
    for (begins, ends, ceiling) in ceilings {
        let style = Style::line(
            Ink::Limit,
            Dash::Long,
            1.6,
            format!("ceiling {}", celsius(Some(ceiling))),
        );
        if let Some(stroke) = style.stroke {
            upper.level(&mut drawing, reading(ceiling), (begins, ends), stroke);
        }
        legend.push(style);
    }
    if let Some(safe) = safe {
        let style = Style::line(
            Ink::Faint,
            Dash::Dots,
            1.2,
            format!("safe to handle {}", celsius(Some(safe))),
        );
        if let Some(stroke) = style.stroke {
            upper.level(&mut drawing, reading(safe), (from, to), stroke);
        }
        legend.push(style);
    }
    if readings.target.iter().any(Option::is_some) {
        let style = Style::line(Ink::Words, Dash::Short, 1.1, "target");
        let targets = readings.target.iter().map(|target| target.map(reading));
        for piece in outline(&readings.at_s, targets).pieces(GAP_S) {
            upper.curve(&mut drawing, &steps_of(piece), &style);
        }
        legend.push(style);
    }
    for (number, (name, curve)) in curves.iter().enumerate() {
        let style = Style::of(number, *name);
        let mut pieces = curve.pieces(GAP_S);
        for (_, celsius) in pieces.iter_mut().flatten() {
            *celsius = reading(*celsius);
        }
        upper.curve(&mut drawing, &pieces, &style);
        legend.push(style);
    }
    foretold(&mut drawing, &upper, evidence, &mut legend);
    let heat = Style::line(Ink::Heat, Dash::Solid, 1.2, "heat");
    let shares = readings.heat.iter().map(|heat| Some(heat * 100.0));
    let shares = outline(&readings.at_s, shares);
    lower.curve(&mut drawing, &steps_of(shares.points()), &heat);
    legend.push(heat);
    events(&mut drawing, &upper, &lower, evidence);
    let top = lower.bottom() + 2.0 * LETTERS + 18.0;
    let height = drawing.legend((LEFT, top), WIDTH - LEFT, &legend);
    drawing.height = (top + height + 2.0).ceil();
    drawing
}

/// The bands around targets while they were held.
fn bands(drawing: &mut Drawing, panel: &Panel, readings: &Readings, recipe: Option<&Recipe>) {
    let scale = shown();
    for (from, to, phase, stage) in readings.spans() {
        let stage = stage.and_then(|stage| recipe?.stages.get(usize::from(stage).checked_sub(1)?));
        if let (Some(stage), "dwell") = (stage, phase) {
            let (target, band) = (stage.target.degrees(), stage.band.degrees());
            panel.area(
                drawing,
                (readings.at_s[from], readings.at_s[to - 1]),
                (scale.reading(target - band), scale.reading(target + band)),
                Ink::Band,
            );
        }
    }
}

/// `ramp 2`, `cooldown`: the stage matters while there is one to carry out.
fn named(phase: &str, stage: Option<u16>) -> String {
    match stage.filter(|_| matches!(phase, "ramp" | "dwell")) {
        Some(stage) => format!("{phase} {stage}"),
        None => phase.to_owned(),
    }
}

/// Where phases begin, with as much of their names as fits.
fn phases(drawing: &mut Drawing, panel: &Panel, readings: &Readings) {
    let line = Stroke {
        ink: Ink::Faint,
        width: 0.6,
        dash: Dash::Dots,
    };
    let mut free_from = f64::NEG_INFINITY;
    for (from, to, phase, stage) in readings.spans() {
        let (begin, end) = (readings.at_s[from], readings.at_s[to - 1]);
        if from > 0 {
            panel.upright(drawing, begin, line);
        }
        let names = [
            named(phase, stage),
            stage.map_or(String::new(), |stage| stage.to_string()),
        ];
        let (left, _) = panel.at(begin, panel.y.low);
        let (right, _) = panel.at(end, panel.y.low);
        for name in names.iter().filter(|name| !name.is_empty()) {
            // About half an em a letter, and a little more.
            #[expect(clippy::cast_precision_loss, reason = "a short word")]
            let width = name.chars().count() as f64 * LETTERS * 0.58 + 6.0;
            if left + width <= right && left >= free_from {
                panel.note(
                    drawing,
                    (left + 4.0, panel.top + LETTERS + 3.0),
                    name,
                    Ink::Faint,
                    false,
                );
                free_from = left + width;
                break;
            }
        }
    }
}

/// When stages were foretold to reach their targets.
fn foretold(drawing: &mut Drawing, panel: &Panel, evidence: &Evidence, legend: &mut Vec<Style>) {
    let Some(prediction) = &evidence.run.prediction else {
        return;
    };
    let stroke = Stroke {
        ink: Ink::Words,
        width: 1.1,
        dash: Dash::Solid,
    };
    let style = Style {
        name: "foretold arrival and its range".into(),
        stroke: Some(stroke),
        mark: Some((Mark::Cross, Ink::Words)),
    };
    let mut drawn = false;
    for stage in &prediction.stages {
        let moment = &stage.arrival;
        let (Some(likely), Some(earliest), Some(latest)) =
            (moment.likely_s, moment.earliest_s, moment.latest_s)
        else {
            continue;
        };
        if !(panel.x.low..=panel.x.high).contains(&likely) {
            continue;
        }
        let y = shown().reading(stage.target_celsius);
        panel.level(drawing, y, (earliest, latest), stroke);
        let mark = Style {
            stroke: None,
            ..style.clone()
        };
        panel.curve(drawing, &[vec![(likely, y)]], &mark);
        drawn = true;
    }
    if drawn {
        legend.push(style);
    }
}

/// Trips and warnings, where they were.
fn events(drawing: &mut Drawing, upper: &Panel, lower: &Panel, evidence: &Evidence) {
    let started = &evidence.run.run.started;
    let seen: Vec<_> = evidence
        .trips
        .iter()
        .filter_map(|trip| Some((seconds(started, &trip.raised)?, trip)))
        .filter(|(after, _)| (upper.x.low..=upper.x.high).contains(after))
        .map(|(after, trip)| {
            let ink = if trip.kind == "warning" {
                Ink::Warning
            } else {
                Ink::Bad
            };
            (after, ink, format!("{}: {}", trip.kind, trip.interlock))
        })
        .collect();
    for (after, ink, _) in &seen {
        let stroke = Stroke {
            ink: *ink,
            width: 1.4,
            dash: Dash::DashDot,
        };
        upper.upright(drawing, *after, stroke);
        lower.upright(drawing, *after, stroke);
    }
    // Words last, so that no line goes through them, in rows, so that they don't stand on each other.
    let mut row = 0.0;
    for (after, ink, text) in &seen {
        let (x, _) = upper.at(*after, upper.y.low);
        let y = upper.bottom() - 8.0 - row * (LETTERS + 4.0);
        upper.note(drawing, (x + 4.0, y), text, *ink, true);
        row = (row + 1.0) % 4.0;
    }
}

/// What is to be seen, in sentences.
fn description(evidence: &Evidence) -> String {
    let readings = &evidence.readings;
    let mut text = String::new();
    for (name, column) in &readings.channels {
        let good = || {
            readings
                .at_s
                .iter()
                .zip(column)
                .filter_map(|(at, value)| Some((*at, (*value)?)))
        };
        let highest = good().reduce(|best, one| if one.1 > best.1 { one } else { best });
        if let (Some(first), Some(highest), Some(last)) = (good().next(), highest, good().next_back()) {
            let _ = write!(
                text,
                "{name} begins at {}, has its highest reading, {}, at {}, and ends at {}. ",
                celsius(Some(first.1)),
                celsius(Some(highest.1)),
                at(highest.0),
                celsius(Some(last.1))
            );
        } else {
            let _ = write!(text, "{name} has no good reading. ");
        }
    }
    for stage in &evidence.run.stages {
        let target = celsius(Some(stage.target_celsius));
        let reached = stage.reached.as_deref();
        match reached.and_then(|reached| seconds(&evidence.run.run.started, reached)) {
            Some(after) => {
                let _ = write!(text, "Stage {} reaches {target} at {}. ", stage.stage, at(after));
            }
            None => {
                let _ = write!(text, "Stage {} doesn't reach {target}. ", stage.stage);
            }
        }
    }
    for trip in &evidence.trips {
        if let Some(after) = seconds(&evidence.run.run.started, &trip.raised) {
            let _ = write!(text, "{} of {} at {}. ", trip.kind, trip.interlock, at(after));
        }
    }
    text.push_str("The table below the heading `The chart as a table` has the same figures.");
    text
}

/// Readings at round times: of each channel the newest good one that is at most [`GAP_S`] old, heat as it was then.
pub(super) fn steps(readings: &Readings) -> Option<Table> {
    const STEPS: [f64; 14] = [
        1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1_800.0, 3_600.0, 7_200.0,
    ];
    let (&from, &to) = (readings.at_s.first()?, readings.at_s.last()?);
    let step = STEPS
        .into_iter()
        .find(|step| (to - from) / step <= STEPS_MAX)
        .unwrap_or(14_400.0);
    let mut columns = vec![
        ("Time", Side::Right),
        ("Phase", Side::Left),
        ("Target", Side::Right),
    ];
    columns.extend(
        readings
            .channels
            .iter()
            .map(|(name, _)| (name.as_str(), Side::Right)),
    );
    columns.push(("Heat", Side::Right));
    let mut table = Table::new(
        format!(
            "Readings every {} from the start, the newest of each channel at that time; a dash where there was none within {GAP_S:.0} s",
            at(step)
        ),
        &columns,
    );
    let phases: Vec<_> = readings.spans().collect();
    // The first and the last row are where the record begins and ends.
    let mut times = vec![from];
    let mut next = ((from / step).floor() + 1.0) * step;
    while next < to {
        times.push(next);
        next += step;
    }
    if to > from {
        times.push(to);
    }
    for time in times {
        let row = readings
            .at_s
            .partition_point(|at| *at <= time + 1.0e-9)
            .checked_sub(1);
        let Some(row) = row else { continue };
        let phase = phases.iter().find(|(from, to, ..)| (*from..*to).contains(&row));
        let mut cells = vec![
            Cell::from(at(time)),
            phase
                .map_or(String::new(), |(_, _, phase, stage)| named(phase, *stage))
                .into(),
            celsius(readings.target[row]).into(),
        ];
        for (_, column) in &readings.channels {
            let newest = (0..=row)
                .rev()
                .take_while(|at| time - readings.at_s[*at] <= GAP_S)
                .find_map(|at| column[at]);
            cells.push(celsius(newest).into());
        }
        cells.push(percent(readings.heat[row]).into());
        table.row(cells);
    }
    Some(table)
}

/// What each channel came to over the whole run.
pub(super) fn extremes(readings: &Readings) -> Table {
    let mut table = Table::new(
        "Each channel over the whole run",
        &[
            ("Channel", Side::Left),
            ("Good readings", Side::Right),
            ("Lowest", Side::Right),
            ("Highest", Side::Right),
            ("Highest at", Side::Right),
            ("Not good", Side::Left),
        ],
    );
    for (name, column) in &readings.channels {
        let good = || {
            readings
                .at_s
                .iter()
                .zip(column)
                .filter_map(|(at, value)| Some((*at, (*value)?)))
        };
        let lowest = good().map(|(_, value)| value).reduce(f64::min);
        let highest = good().reduce(|best, one| if one.1 > best.1 { one } else { best });
        let bad: Vec<String> = readings
            .bad
            .iter()
            .filter(|((channel, _), _)| channel == name)
            .map(|((_, quality), number)| format!("{number} {quality}"))
            .collect();
        table.row([
            name.clone(),
            good().count().to_string(),
            celsius(lowest),
            celsius(highest.map(|(_, value)| value)),
            highest.map_or(NONE.into(), |(when, _)| at(when)),
            if bad.is_empty() {
                NONE.into()
            } else {
                bad.join(", ")
            },
        ]);
    }
    table
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn levels_change_in_steps() {
        assert_eq!(
            steps_of([(0.0, 0.0), (1.0, 0.0), (2.0, 1.0)]),
            [[(0.0, 0.0), (1.0, 0.0), (2.0, 0.0), (2.0, 1.0)]]
        );
    }
}
