//! What is foretold of a run, in words: a moment is a time of day with the range that nine runs of ten keep.

use std::fmt::Write as _;

use benchward_api::shapes;
use benchward_archive::Wall;

use crate::figures::{NONE, celsius, clock, difference, percent};
use crate::screen::Paint;
use crate::spoken::spoken;
use crate::table::{Side, Table};

/// Below this width of its range, seconds, a moment is shown to the second.
const FINE_S: f64 = 180.0;

/// `14:32` or `14:32:07` of an RFC 3339 time in UTC.
fn time_of_day(time: &str, fine: bool) -> &str {
    let day = time.split_once('T').map_or(time, |(_, day)| day);
    day.get(..if fine { 8 } else { 5 }).unwrap_or(day)
}

/// `14:32Z, between 14:29 and 14:36`; why not, where nobody can say; `None` where it is over.
pub(crate) fn moment(moment: &shapes::Moment) -> Option<String> {
    if moment.past {
        return None;
    }
    let fine = moment
        .latest_s
        .zip(moment.earliest_s)
        .is_some_and(|(latest, earliest)| latest - earliest < FINE_S);
    let time = |time: &Option<String>| time.as_deref().map(|time| time_of_day(time, fine).to_owned());
    match (time(&moment.at), time(&moment.earliest), time(&moment.latest)) {
        (Some(at), Some(earliest), Some(latest)) => Some(format!("{at}Z, between {earliest} and {latest}")),
        _ => Some(spoken(&moment.text).into_owned()),
    }
}

/// `4:12, between 4:01 and 4:24` from the start.
pub(crate) fn length(moment: &shapes::Moment) -> String {
    match (moment.likely_s, moment.earliest_s, moment.latest_s) {
        (Some(likely), Some(earliest), Some(latest)) => {
            format!(
                "{}, between {} and {}",
                clock(likely),
                clock(earliest),
                clock(latest)
            )
        }
        _ => spoken(&moment.text).into_owned(),
    }
}

/// What is still ahead, a line each; nothing where nothing is foretold.
pub(crate) fn ahead(prediction: &shapes::Prediction) -> Vec<(String, String)> {
    let mut lines = Vec::new();
    let mut said = Vec::new();
    let stages = prediction
        .stages
        .iter()
        .map(|stage| (format!("stage {}", stage.stage), &stage.arrival));
    let ends = [
        ("heat ends".to_owned(), &prediction.heat_ends),
        ("safe".to_owned(), &prediction.safe),
    ];
    for (label, when) in stages.chain(ends) {
        // What stands in the way of one stage stands in the way of all that follows: once is enough.
        if !when.text.is_empty() {
            if said.contains(&&when.text) {
                continue;
            }
            said.push(&when.text);
        }
        if let Some(text) = moment(when) {
            lines.push((label, text));
        }
    }
    if prediction.supply_share < 0.999 {
        let longer = prediction
            .supply_delay_s
            .map_or(String::new(), |delay| format!(", about {} longer", clock(delay)));
        lines.push((
            "supply".into(),
            format!(
                "others leave it {} of its power{longer}",
                percent(prediction.supply_share)
            ),
        ));
    }
    lines
}

/// [`ahead`] below each other.
pub(crate) fn lines(prediction: &shapes::Prediction) -> String {
    ahead(prediction)
        .into_iter()
        .fold(String::new(), |mut text, (label, value)| {
            let label = if label == "safe" { "safe to handle" } else { &label };
            let _ = write!(text, "\n  {label:<16}{value}");
            text
        })
}

/// What was foretold of a run beside what came.
pub(crate) fn beside(shown: &shapes::RunShown, prediction: &shapes::Prediction, paint: Paint) -> String {
    let mut table = Table::new(&[
        ("  STAGE", Side::Right),
        ("FORETOLD AFTER", Side::Left),
        ("CAME AFTER", Side::Right),
    ]);
    let since_start = |time: &str| {
        let (time, start): (Wall, Wall) = (time.parse().ok()?, shown.run.started.parse().ok()?);
        #[expect(clippy::cast_precision_loss, reason = "milliseconds of a run")]
        Some((time.0 - start.0) as f64 / 1_000.0)
    };
    for stage in &prediction.stages {
        let came = shown.stages.iter().find(|one| one.stage == stage.stage);
        let came = came.and_then(|one| since_start(one.reached.as_deref()?));
        table.plain([
            stage.stage.to_string(),
            length(&stage.arrival),
            came.map_or(NONE.into(), clock),
        ]);
    }
    let safe = shown
        .journal
        .iter()
        .find(|entry| entry.kind == "safe")
        .and_then(|entry| since_start(&entry.at));
    table.plain([
        "safe".into(),
        length(&prediction.safe),
        safe.map_or(NONE.into(), clock),
    ]);
    table.render(paint)
}

/// Rows and columns of a chart.
const CHART: (usize, usize) = (12, 64);

/// The predicted curve as a chart: control temperature over time, with what each stage depends on below it.
pub(crate) fn chart(plan: &shapes::BoardPlan) -> String {
    let (rows, columns) = CHART;
    let curve = &plan.curve;
    let (Some(first), Some(last)) = (curve.first(), curve.last()) else {
        return String::new();
    };
    let low = curve
        .iter()
        .map(|point| point.celsius)
        .fold(f64::INFINITY, f64::min);
    let high = curve
        .iter()
        .map(|point| point.celsius)
        .fold(f64::NEG_INFINITY, f64::max);
    let length = (last.at_s - first.at_s).max(1.0);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "shares of a few dozen"
    )]
    let place =
        |share: f64, places: usize| ((share * (places - 1) as f64).round().max(0.0) as usize).min(places - 1);
    let mut grid = vec![vec![' '; columns]; rows];
    for point in curve {
        let column = place((point.at_s - first.at_s) / length, columns);
        let row = place((point.celsius - low) / (high - low).max(1.0), rows);
        grid[rows - 1 - row][column] = if point.heat > 0.0 { '*' } else { '.' };
    }
    let mut text = String::new();
    for (at, row) in grid.iter().enumerate() {
        let label = match at {
            0 => celsius(Some(high)),
            at if at + 1 == rows => celsius(Some(low)),
            _ => String::new(),
        };
        let row: String = row.iter().collect();
        let _ = writeln!(text, "{label:>10} |{}", row.trim_end());
    }
    let _ = writeln!(text, "{:>10} +{}", "", "-".repeat(columns));
    let end = clock(last.at_s);
    let _ = writeln!(text, "{:>10}  0:00{end:>width$}", "", width = columns - 4);
    text.push_str("            * with heat, . without\n");
    text
}

/// What a plan foretells of the channels.
pub(crate) fn channels(plan: &shapes::BoardPlan, paint: Paint) -> String {
    let mut table = Table::new(&[
        ("  CHANNEL", Side::Left),
        ("HOTTEST", Side::Right),
        ("AT THE END OF THE DWELL", Side::Right),
    ]);
    let figure = |figure: &shapes::PlannedFigure| {
        format!(
            "{} ± {}",
            celsius(Some(figure.celsius)),
            difference(figure.margin_celsius, 1)
        )
    };
    for one in &plan.channels {
        table.plain([
            format!("  {}", one.channel),
            figure(&one.hottest),
            figure(&one.at_end),
        ]);
    }
    let mut text = table.render(paint);
    if let Some(spread) = &plan.spread {
        let _ = writeln!(
            text,
            "  spread at the end of the dwell {} ± {}",
            difference(spread.celsius, 1),
            difference(spread.margin_celsius, 1)
        );
    }
    text
}

/// What a plan says, without the recipe.
pub(crate) fn planned(plan: &shapes::BoardPlan) -> String {
    let prediction = &plan.prediction;
    let mut text = String::new();
    for stage in &prediction.stages {
        let _ = writeln!(
            text,
            "  stage {}  {}  after {}\n           governed by {}; holding it takes {} of the heat",
            stage.stage,
            celsius(Some(stage.target_celsius)),
            length(&stage.arrival),
            stage.governs,
            percent(stage.holding),
        );
    }
    let _ = writeln!(text, "  heat ends after {}", length(&prediction.heat_ends));
    let _ = writeln!(text, "  safe to handle after {}", length(&prediction.safe));
    if prediction.supply_share < 0.999 {
        let longer = prediction
            .supply_delay_s
            .map_or("nobody can say how much longer that takes".into(), |delay| {
                format!("that takes about {} longer", clock(delay))
            });
        let _ = writeln!(
            text,
            "  reckoned with {} of the bench's power; {longer}",
            percent(prediction.supply_share)
        );
    }
    let _ = writeln!(
        text,
        "  ranges are meant to hold {} of runs",
        percent(prediction.range_holds)
    );
    text
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    fn at(minutes: u32, range_s: f64) -> shapes::Moment {
        let likely = f64::from(minutes) * 60.0;
        let time = |after: f64| {
            let start: Wall = "2026-11-25T14:00:00.000Z".parse().unwrap();
            #[expect(clippy::cast_possible_truncation, reason = "minutes")]
            Some(Wall(start.0 + (after * 1_000.0) as i64).to_string())
        };
        shapes::Moment {
            at: time(likely),
            earliest: time(likely - range_s),
            latest: time(likely + range_s),
            likely_s: Some(likely),
            earliest_s: Some(likely - range_s),
            latest_s: Some(likely + range_s),
            past: false,
            text: String::new(),
        }
    }

    pub(crate) fn prediction() -> shapes::Prediction {
        let stage = |stage, arrival, end| shapes::StagePrediction {
            stage,
            target_celsius: 75.0,
            arrival,
            end,
            governs: "thermal mass".into(),
            holding: 0.31,
        };
        shapes::Prediction {
            from: Some("2026-11-25T14:00:00.000Z".into()),
            stages: vec![
                stage(1, at(4, 12.0), at(5, 12.0)),
                stage(2, at(7, 20.0), at(8, 20.0)),
            ],
            heat_ends: at(8, 20.0),
            safe: at(32, 180.0),
            supply_share: 1.0,
            supply_delay_s: None,
            range_holds: 0.9,
        }
    }

    #[test]
    fn moments_are_times_of_day_with_their_range() {
        assert_eq!(
            lines(&prediction()),
            "\n  stage 1         14:04:00Z, between 14:03:48 and 14:04:12\
             \n  stage 2         14:07:00Z, between 14:06:40 and 14:07:20\
             \n  heat ends       14:08:00Z, between 14:07:40 and 14:08:20\
             \n  safe to handle  14:32Z, between 14:29 and 14:35"
        );
    }

    #[test]
    fn what_is_over_is_left_out_and_why_not_is_said_once() {
        let mut open = prediction();
        open.stages[0].arrival = shapes::Moment {
            past: true,
            ..shapes::Moment::default()
        };
        let why = shapes::Moment {
            text: "stage 2: too hot".into(),
            ..shapes::Moment::default()
        };
        (open.stages[1].arrival, open.heat_ends, open.safe) = (why.clone(), why.clone(), why);
        (open.supply_share, open.supply_delay_s) = (0.6, Some(190.0));
        assert_eq!(
            lines(&open),
            "\n  stage 2         stage 2: too hot\
             \n  supply          others leave it 60 % of its power, about 3:10 longer"
        );
    }

    fn plan() -> shapes::BoardPlan {
        let point = |at_s, celsius, heat| shapes::CurvePoint { at_s, celsius, heat };
        shapes::BoardPlan {
            schema: 1,
            board: "AX-20 backplane".into(),
            station: "bench-1".into(),
            model_revision: 2,
            recipe: "AX-20 to 75".into(),
            text: String::new(),
            prediction: prediction(),
            curve: vec![
                point(0.0, 25.0, 1.0),
                point(60.0, 75.0, 0.3),
                point(120.0, 45.0, 0.0),
            ],
            channels: vec![shapes::PlannedChannel {
                channel: "relay".into(),
                hottest: shapes::PlannedFigure {
                    celsius: 118.2,
                    margin_celsius: 2.4,
                },
                at_end: shapes::PlannedFigure {
                    celsius: 117.9,
                    margin_celsius: 2.4,
                },
            }],
            spread: None,
            said: Vec::new(),
            unknown: Vec::new(),
            revision: None,
        }
    }

    #[test]
    fn a_chart_has_its_corners_where_they_belong() {
        let chart = chart(&plan());
        let lines: Vec<&str> = chart.lines().collect();
        assert_eq!(lines.len(), CHART.0 + 3);
        assert_eq!(lines[0], format!("   75.0 °C |{}*", " ".repeat(32)));
        assert_eq!(lines[CHART.0 - 1], "   25.0 °C |*");
        assert!(lines.iter().all(|line| line.chars().count() <= 80), "{chart}");
        assert!(
            lines[7].ends_with('.') && lines[7].chars().count() == 12 + CHART.1,
            "{chart}"
        );
        assert!(lines[CHART.0 + 1].ends_with("2:00"));
    }

    #[test]
    fn a_plan_says_what_governs() {
        let mut plan = plan();
        plan.prediction.stages.truncate(1);
        assert_eq!(
            planned(&plan),
            "\
\x20 stage 1  75.0 °C  after 4:00, between 3:48 and 4:12
           governed by thermal mass; holding it takes 31 % of the heat
  heat ends after 8:00, between 7:40 and 8:20
  safe to handle after 32:00, between 29:00 and 35:00
  ranges are meant to hold 90 % of runs
"
        );
    }
}
