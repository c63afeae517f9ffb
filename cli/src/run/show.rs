//! `benchward run show`.

use std::fmt::Write as _;

use benchward_api::{Exit, shapes};
use clap::Args;

use super::list::{outcome, verdict};
use crate::Session;
use crate::failure::Failure;
use crate::figures::{
    NONE, Quantity, celsius, clock, clock_or_none, difference, figure, limit, moment, offset, or_none,
};
use crate::foretold;
use crate::journal;
use crate::screen::{Paint, Tone};
use crate::spoken::spoken;
use crate::table::{Side, Table};

const EXAMPLES: &str = "\
Examples:
  benchward run show 12
  benchward --json run show 12";

/// Show one run: its stages, its trips, its verdict, its journal
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// Number of the run
    run: u64,
}

pub(super) async fn show(session: &Session, arguments: &Arguments) -> Result<Exit, Failure> {
    let run = session.records().await?.run(arguments.run).await?;
    session.screen.show(&run, page)?;
    session
        .screen
        .next(&format!("benchward run export {} --format csv", arguments.run));
    Ok(Exit::Done)
}

fn page(shown: &shapes::RunShown, paint: Paint) -> String {
    let run = &shown.run;
    let (ended, tone) = outcome(run.outcome.as_deref());
    let mut text = format!("run {}  {}\n\n", run.run, paint.text(tone, &ended));
    for (label, value) in [
        ("station", run.station.clone()),
        ("board", or_none(Some(&run.serial))),
        (
            "model",
            shown
                .board_model
                .as_ref()
                .map(shapes::RunBoardModel::words)
                .or_else(|| shown.first_run.as_ref().map(shapes::RunGuard::words))
                .unwrap_or_else(|| NONE.into()),
        ),
        ("recipe", format!("\"{}\" revision {}", run.recipe, run.revision)),
        ("operator", or_none(Some(&run.operator))),
        ("started", moment(&run.started)),
        ("ended", run.ended.as_deref().map_or(NONE.into(), moment)),
        ("peak", celsius(run.peak_celsius)),
        ("verdict", judged(shown, paint)),
    ] {
        let _ = writeln!(text, "  {label:<10}{value}");
    }
    if !shown.stages.is_empty() {
        let mut table = Table::new(&[
            ("  STAGE", Side::Right),
            ("TARGET", Side::Right),
            ("REACHED AFTER", Side::Right),
            ("DWELL", Side::Right),
            ("OVERSHOOT", Side::Right),
        ]);
        for stage in &shown.stages {
            table.plain([
                stage.stage.to_string(),
                celsius(Some(stage.target_celsius)),
                clock_or_none(stage.ramp_s),
                clock(stage.dwell_s),
                stage
                    .overshoot_celsius
                    .filter(|_| stage.reached.is_some())
                    .map_or(NONE.into(), |above| difference(above, 1)),
            ]);
        }
        let _ = write!(text, "\n{}", table.render(paint));
    }
    if let Some(prediction) = &shown.prediction {
        let _ = write!(text, "\n{}", foretold::beside(shown, prediction, paint));
    }
    if !shown.sensors.is_empty() {
        let _ = write!(text, "\n{}", sensors(&shown.sensors, paint));
    }
    if !shown.window.is_empty() {
        let _ = write!(text, "\n{}", window(&shown.window, paint));
    }
    if !shown.trips.is_empty() {
        text.push('\n');
        for trip in &shown.trips {
            let label = paint.text(Tone::Danger, "  trip");
            let _ = writeln!(
                text,
                "{label} {} `{}`: {}",
                moment(&trip.at),
                trip.interlock,
                spoken(&trip.text)
            );
        }
    }
    for caution in &shown.cautions {
        let _ = writeln!(
            text,
            "\n{} {}",
            paint.text(Tone::Warning, "  caution"),
            spoken(caution)
        );
    }
    if !shown.journal.is_empty() {
        let entries = shapes::Journal {
            schema: shapes::SCHEMA,
            entries: shown.journal.clone(),
        };
        let _ = write!(text, "\n{}", journal::table(&entries, paint));
    }
    text
}

/// What was added to the readings of each channel, and what that rested on.
fn sensors(sensors: &[shapes::RunSensor], paint: Paint) -> String {
    let mut table = Table::new(&[
        ("  SENSOR", Side::Left),
        ("INPUT", Side::Left),
        ("OFFSET", Side::Right),
        ("CALIBRATION", Side::Left),
    ]);
    for sensor in sensors {
        let due = match &sensor.calibration_due {
            Some(due) if sensor.overdue => format!("; OVERDUE, was due on {due}"),
            Some(due) => format!("; due {due}"),
            None => String::new(),
        };
        let calibration = sensor
            .calibration
            .as_ref()
            .map_or("none: as configured".into(), |calibration| {
                format!("{calibration}{due}")
            });
        let tone = if sensor.overdue {
            Tone::Warning
        } else {
            Tone::Plain
        };
        table.row([
            (format!("  {}", sensor.channel), Tone::Plain),
            (sensor.input.clone(), Tone::Plain),
            (offset(sensor.offset_celsius), Tone::Plain),
            (calibration, tone),
        ]);
    }
    table.render(paint)
}

/// The verdict, and what it was judged by.
fn judged(shown: &shapes::RunShown, paint: Paint) -> String {
    let (word, tone) = verdict(&shown.run.verdict);
    let word = paint.text(tone, &word).into_owned();
    match &shown.judged_by {
        Some(by) => format!("{word}, by {}", by.text),
        None => word,
    }
}

/// Each line of the process window with its limits and what is left to the nearer one, the worst first; below them what is to be
/// said of those that didn't pass.
pub(super) fn window(lines: &[shapes::WindowLine], paint: Paint) -> String {
    let mut table = Table::new(&[
        ("  WINDOW", Side::Left),
        ("VALUE", Side::Right),
        ("LOW", Side::Right),
        ("HIGH", Side::Right),
        ("UNIT", Side::Left),
        ("MARGIN", Side::Right),
        ("CHANNEL", Side::Left),
        ("VERDICT", Side::Left),
    ]);
    for line in lines {
        let quantity = Quantity::of(&line.line, &line.unit);
        let shown = |value: Option<f64>| value.map(|value| quantity.shown(value));
        table.row([
            (format!("  {}", line.line), Tone::Plain),
            (figure(shown(line.value)), Tone::Plain),
            (limit(shown(line.low)), Tone::Plain),
            (limit(shown(line.high)), Tone::Plain),
            (quantity.unit(), Tone::Plain),
            (
                line.margin
                    .map_or(NONE.into(), |margin| format!("{:.0} %", margin * 100.0)),
                Tone::Plain,
            ),
            (or_none(Some(&line.channel)), Tone::Plain),
            verdict(&line.verdict),
        ]);
    }
    let mut text = table.render(paint);
    let mut said = lines.iter().filter(|line| line.verdict != "pass").peekable();
    if said.peek().is_some() {
        text.push('\n');
    }
    for line in said {
        let _ = writeln!(text, "  {}", line.text);
    }
    text
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    pub(crate) fn run() -> shapes::RunShown {
        shapes::RunShown {
            schema: 1,
            run: super::super::list::tests::tripped(),
            channels: vec!["board-top".into(), "board-edge".into()],
            sensors: vec![
                shapes::RunSensor {
                    channel: "board-top".into(),
                    input: "rack/tc1".into(),
                    offset_celsius: -0.42,
                    calibration: Some("2025-11-20, ice point, by safe1 (revision 4)".into()),
                    calibration_due: Some("2026-11-20".into()),
                    overdue: true,
                },
                shapes::RunSensor {
                    channel: "board-edge".into(),
                    input: "rack/tc2".into(),
                    offset_celsius: 0.0,
                    calibration: None,
                    calibration_due: None,
                    overdue: false,
                },
            ],
            board_model: Some(shapes::RunBoardModel {
                board: "QM-4 front end".into(),
                revision: 2,
                learned_from: 7,
            }),
            first_run: None,
            prediction: Some(foretold::tests::prediction()),
            stages: vec![
                shapes::Stage {
                    stage: 1,
                    target_celsius: 50.0,
                    started: "2026-11-25T13:46:33.120Z".into(),
                    reached: Some("2026-11-25T13:47:13.120Z".into()),
                    ramp_s: Some(40.0),
                    dwell_s: 30.02,
                    overshoot_celsius: Some(0.84),
                },
                shapes::Stage {
                    stage: 2,
                    target_celsius: 75.0,
                    started: "2026-11-25T13:47:43.120Z".into(),
                    reached: None,
                    ramp_s: None,
                    dwell_s: 0.0,
                    overshoot_celsius: Some(0.0),
                },
            ],
            window: vec![shapes::WindowLine {
                line: "peak".into(),
                value: Some(76.3),
                low: Some(72.0),
                high: Some(80.0),
                margin: Some(0.925),
                verdict: "pass".into(),
                unit: "celsius".into(),
                channel: "hottest".into(),
                ..shapes::WindowLine::default()
            }],
            judged_by: Some(shapes::JudgedBy {
                window: None,
                revision: 3,
                judged: "2026-11-25T13:50:00.000Z".into(),
                text: "the recipe's own window".into(),
            }),
            cautions: Vec::new(),
            ceilings: Vec::new(),
            trips: vec![shapes::Trip {
                interlock: "operator-absent".into(),
                at: "2026-11-25T13:48:33.120Z".into(),
                text: "nobody confirmed presence for 2 min, limit 2 min".into(),
            }],
            journal: Vec::new(),
            recipe_text: String::new(),
        }
    }

    #[test]
    fn a_run_is_told_on_a_page() {
        assert_eq!(
            page(&run(), Paint::NONE),
            "\
run 12  tripped

  station   bench-2
  board     Q-0008
  model     known board (revision 2, learned from run 7)
  recipe    \"QM-4\" revision 3
  operator  op1
  started   2026-11-25 13:46:33Z
  ended     -
  peak      76.3 °C
  verdict   none, by the recipe's own window

  STAGE   TARGET  REACHED AFTER  DWELL  OVERSHOOT
      1  50.0 °C           0:40   0:30     0.8 °C
      2  75.0 °C              -   0:00          -

  STAGE  FORETOLD AFTER                  CAME AFTER
      1  4:00, between 3:48 and 4:12           0:40
      2  7:00, between 6:40 and 7:20              -
   safe  32:00, between 29:00 and 35:00           -

  SENSOR      INPUT       OFFSET  CALIBRATION
  board-top   rack/tc1  -0.42 °C  2025-11-20, ice point, by safe1 (revision 4); OVERDUE, was due on 2026-11-20
  board-edge  rack/tc2  +0.00 °C  none: as configured

  WINDOW  VALUE  LOW  HIGH  UNIT  MARGIN  CHANNEL  VERDICT
  peak    76.30   72    80  °C      92 %  hottest  pass

  trip 2026-11-25 13:48:33Z `operator-absent`: nobody confirmed presence for 2 min, limit 2 min
"
        );
    }

    /// The keys that scripts rely on: those of a run, and these.
    #[test]
    fn the_json_has_the_promised_keys() {
        let value = serde_json::to_value(run()).unwrap();
        for key in ["schema", "run", "outcome", "stages", "window", "trips", "journal"] {
            assert!(value.get(key).is_some(), "{key}");
        }
        for key in ["line", "value", "low", "high", "margin", "verdict"] {
            assert!(value["window"][0].get(key).is_some(), "{key}");
        }
        for key in ["reached", "dwell_s", "overshoot_celsius"] {
            assert!(value["stages"][0].get(key).is_some(), "{key}");
        }
    }
}
