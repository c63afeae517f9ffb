//! `benchward sensor list` and `benchward sensor history`.

use std::fmt::Write as _;

use benchward_api::{Exit, shapes};
use clap::Args;

use super::check::verdict;
use crate::Session;
use crate::failure::Failure;
use crate::figures::{NONE, moment, offset, or_none};
use crate::screen::{Paint, Tone};
use crate::table::{Side, Table};

const EXAMPLES: &str = "\
Examples:
  benchward sensor list
  benchward sensor list --station bench-1
  benchward --archive /var/lib/benchward sensor list";

/// List the offset in force at every channel, where it comes from, and when it is due
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// Only this station
    #[arg(long, value_name = "STATION")]
    station: Option<String>,
}

const HISTORY_EXAMPLES: &str = "\
Examples:
  benchward sensor history bench-1 board-top";

/// Show every calibration of a channel, oldest first
#[derive(Debug, Args)]
#[command(before_help = HISTORY_EXAMPLES)]
pub(crate) struct History {
    /// The station
    station: String,
    /// The channel
    channel: String,
}

pub(super) async fn list(session: &Session, arguments: &Arguments) -> Result<Exit, Failure> {
    let sensors = session.records().await?.sensors().await?;
    let sensors = only(sensors, arguments.station.as_deref())?;
    session.screen.show(&sensors, table)?;
    Ok(Exit::Done)
}

pub(super) async fn history(session: &Session, arguments: &History) -> Result<Exit, Failure> {
    let history = session
        .records()
        .await?
        .sensor_history(&arguments.station, &arguments.channel)
        .await?;
    session.screen.show(&history, past)?;
    Ok(Exit::Done)
}

/// Keeps the sensors of one station.
fn only(mut sensors: shapes::Sensors, station: Option<&str>) -> Result<shapes::Sensors, Failure> {
    let Some(name) = station else {
        return Ok(sensors);
    };
    if !sensors.sensors.iter().any(|sensor| sensor.station == name) {
        let mut names: Vec<&str> = sensors
            .sensors
            .iter()
            .map(|sensor| sensor.station.as_str())
            .collect();
        names.dedup();
        return Err(Failure::no_such("station", name, names.into_iter()));
    }
    sensors.sensors.retain(|sensor| sensor.station == name);
    Ok(sensors)
}

fn table(sensors: &shapes::Sensors, paint: Paint) -> String {
    if sensors.sensors.is_empty() {
        return "no channel has a calibration; `benchward sensor check` stores one".into();
    }
    let mut table = Table::new(&[
        ("STATION", Side::Left),
        ("CHANNEL", Side::Left),
        ("OFFSET", Side::Right),
        ("FROM", Side::Left),
        ("SINCE", Side::Left),
        ("BY", Side::Left),
        ("AGAINST", Side::Left),
        ("DUE", Side::Left),
    ]);
    let mut said = String::new();
    for sensor in &sensors.sensors {
        let kept = sensor.calibration.as_ref();
        let in_force = kept.filter(|_| sensor.offset_from == "calibration");
        let due = in_force.and_then(|kept| kept.due.clone());
        let due = match due {
            Some(due) if sensor.overdue => (format!("{due} OVERDUE"), Tone::Warning),
            due => (or_none(due.as_deref()), Tone::Plain),
        };
        table.row([
            (sensor.station.clone(), Tone::Plain),
            (sensor.channel.clone(), Tone::Plain),
            (offset(sensor.offset_celsius), Tone::Plain),
            (sensor.offset_from.clone(), Tone::Plain),
            (
                in_force.map_or(NONE.into(), |kept| kept.at.chars().take(10).collect()),
                Tone::Plain,
            ),
            (or_none(in_force.map(|kept| kept.by.as_str())), Tone::Plain),
            (
                in_force
                    .and_then(|kept| kept.check.as_ref())
                    .map_or(NONE.into(), |check| check.against.clone()),
                Tone::Plain,
            ),
            due,
        ]);
        if !sensor.text.is_empty() {
            let _ = writeln!(said, "{}", paint.text(Tone::Warning, &sensor.text));
        }
    }
    let mut text = table.render(paint);
    if !said.is_empty() {
        let _ = write!(text, "\n{said}");
    }
    text
}

fn past(history: &shapes::SensorHistory, paint: Paint) -> String {
    if history.calibrations.is_empty() {
        return format!("{}/{} was never calibrated", history.station, history.channel);
    }
    let mut table = Table::new(&[
        ("REVISION", Side::Right),
        ("AT", Side::Left),
        ("BY", Side::Left),
        ("OFFSET", Side::Right),
        ("AGAINST", Side::Left),
        ("READ", Side::Right),
        ("VERDICT", Side::Left),
        ("DUE", Side::Left),
        ("NOTE", Side::Left),
    ]);
    for one in &history.calibrations {
        let check = one.check.as_ref();
        let (said, tone) = check.map_or((NONE.into(), Tone::Plain), verdict);
        table.row([
            (one.revision.to_string(), Tone::Plain),
            (moment(&one.at), Tone::Plain),
            (one.by.clone(), Tone::Plain),
            (offset(one.offset_celsius), Tone::Plain),
            (
                check.map_or("withdrawn".into(), |check| check.against.clone()),
                Tone::Plain,
            ),
            (
                check.map_or(NONE.into(), |check| {
                    crate::figures::reading(check.read_celsius, 2)
                }),
                Tone::Plain,
            ),
            (said, tone),
            (or_none(one.due.as_deref()), Tone::Plain),
            (or_none(Some(&one.note)), Tone::Plain),
        ]);
    }
    table.render(paint)
}

#[cfg(test)]
mod tests {
    use super::super::check::tests::checked;
    use super::*;

    fn sensors() -> shapes::Sensors {
        let sensor = shapes::Sensor {
            station: "bench-1".into(),
            channel: "board-top".into(),
            input: "rack/tc1".into(),
            offset_celsius: -0.42,
            offset_from: "calibration".into(),
            calibration: Some(checked().calibration),
            overdue: true,
            text: "calibration of bench-1/board-top was due on 2027-11-25".into(),
        };
        shapes::Sensors {
            schema: 1,
            sensors: vec![
                sensor.clone(),
                shapes::Sensor {
                    station: "bench-2".into(),
                    offset_celsius: 0.3,
                    offset_from: "configuration".into(),
                    calibration: None,
                    overdue: false,
                    text: String::new(),
                    ..sensor
                },
            ],
        }
    }

    #[test]
    fn a_list_says_where_each_offset_comes_from_and_what_is_due() {
        assert_eq!(
            table(&sensors(), Paint::NONE),
            "\
STATION  CHANNEL      OFFSET  FROM           SINCE       BY     AGAINST    DUE
bench-1  board-top  -0.42 °C  calibration    2026-11-25  safe1  ice point  2027-11-25 OVERDUE
bench-2  board-top  +0.30 °C  configuration  -           -      -          -

calibration of bench-1/board-top was due on 2027-11-25
"
        );
    }

    #[test]
    fn one_station_alone_or_the_names_there_are() {
        let one = only(sensors(), Some("bench-2")).expect("it is there");
        assert_eq!(one.sensors.len(), 1);
        let Err(Failure::Told { hint, .. }) = only(sensors(), Some("bench-9")) else {
            panic!("there is no bench-9")
        };
        assert_eq!(hint.as_deref(), Some("there is bench-1, bench-2"));
    }

    #[test]
    fn a_history_has_withdrawals_in_it() {
        let calibration = checked().calibration;
        let history = shapes::SensorHistory {
            schema: 1,
            station: "bench-1".into(),
            channel: "board-top".into(),
            calibrations: vec![
                calibration.clone(),
                shapes::Calibration {
                    revision: 4,
                    offset_celsius: 0.3,
                    check: None,
                    due: None,
                    note: "new sensor".into(),
                    ..calibration
                },
            ],
        };
        assert_eq!(
            past(&history, Paint::NONE),
            "\
REVISION  AT                    BY       OFFSET  AGAINST       READ  VERDICT           DUE         NOTE
       3  2026-11-25 13:46:33Z  safe1  -0.42 °C  ice point  0.42 °C  inside its class  2027-11-25  -
       4  2026-11-25 13:46:33Z  safe1  +0.30 °C  withdrawn        -  -                 -           new sensor
"
        );
    }

    /// The keys that scripts rely on.
    #[test]
    fn the_json_has_the_promised_keys() {
        let value = serde_json::to_value(checked()).unwrap();
        for key in ["schema", "station", "channel", "stored", "calibration"] {
            assert!(value.get(key).is_some(), "{key}");
        }
        for key in [
            "offset_celsius",
            "offset_before_celsius",
            "at",
            "by",
            "due",
            "revision",
            "note",
        ] {
            assert!(value["calibration"].get(key).is_some(), "{key}");
        }
        for key in [
            "method",
            "reference_celsius",
            "read_celsius",
            "sd_celsius",
            "deviation_celsius",
            "tolerance_celsius",
            "margin",
            "verdict",
        ] {
            assert!(value["calibration"]["check"].get(key).is_some(), "{key}");
        }
        let value = serde_json::to_value(sensors()).unwrap();
        for key in [
            "station",
            "channel",
            "offset_celsius",
            "offset_from",
            "overdue",
            "calibration",
            "text",
        ] {
            assert!(value["sensors"][0].get(key).is_some(), "{key}");
        }
    }
}
