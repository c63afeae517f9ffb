//! What hosts are told of the lab: its metrics, with names, units (UCUM) and qualities.
//!
//! | of the lab | | of a station | |
//! |---|---|---|---|
//! | `Software` | text | `Channel/NAME` | `Cel`, by deadband and pace of `[mqtt.live]`, with quality; null where it can't be read |
//! | `Ceiling` | `Cel` | `Control` | `Cel`, likewise: the temperature that is steered; null where it can't be read |
//! | `Alarm` | an alarm of the lab stands | `Target`, `Ceiling` | `Cel`; `Target` null while there is no heat |
//! | `Alarms` | what they say | `Heat` | `1` (0 to 1), by 0.01 |
//! | `Archive/OK` | yes or no | `Phase` | `idle`, `ramp`, `dwell`, `cooldown`, `cool` |
//! | `Archive/Text` | what a person should know | `Run`, `Recipe`, `Serial`, `Stage`, `Stages` | null while there is no run |
//! | `Journal/Entries` | on the disk | `Ended/Run`, `Ended/Outcome` | the run that ended last since the daemon started |
//! | `Journal/Head` | hash of the newest | `Tripped` | names of latched interlocks, separated by commas |
//! | | | `Interlock/NAME` | `clear`, `warning`, `tripped`, `acknowledged` |
//! | | | `Permissive/NAME` | closed; null, and of bad quality, where it can't be read |

use std::collections::BTreeMap;

use benchward_config::{Live, Pace};
use benchward_core::units::Celsius;
use benchward_core::{ChannelView, LabView, Outcome, RunId, StationView};
use benchward_sparkplug::{Content, Device, Metric, Picture, Quality};

use super::LOOK_EVERY;
use crate::archive::Standing;

/// Heat is told when it has moved this far, of full power.
const DEADBAND_HEAT: f64 = 0.01;

/// Degrees Celsius in UCUM.
const CELSIUS: &str = "Cel";
/// A share of one in UCUM.
const SHARE: &str = "1";

/// Name of the metric that says how much is heated.
pub(super) const HEAT: &str = "Heat";

/// The run that ended last, by station.
pub(super) type Ended = BTreeMap<String, (RunId, Outcome)>;

/// Name of a channel's metric.
pub(super) fn channel_metric(channel: &str) -> String {
    format!("Channel/{channel}")
}

/// A lab as it is now. `live`: how often its temperatures are told.
pub(super) fn picture(view: &LabView, standing: &Standing, ended: &Ended, live: &Live) -> Picture {
    let alarms: Vec<String> = view
        .alarms
        .iter()
        .map(|alarm| {
            format!(
                "{}: {}: {}",
                alarm.station_name,
                alarm.interlock.text(),
                alarm.text
            )
        })
        .collect();
    let software = concat!("benchwardd ", env!("CARGO_PKG_VERSION"));
    Picture {
        node: vec![
            text("Software", Some(software.into())),
            temperature("Ceiling", Some(view.ceiling.degrees())),
            Metric::new("Alarm", Content::Boolean(Some(!alarms.is_empty()))),
            text("Alarms", Some(alarms.join("; "))),
            Metric::new("Archive/OK", Content::Boolean(Some(standing.text.is_empty()))),
            text("Archive/Text", Some(standing.text.clone())),
            number("Journal/Entries", Some(standing.entries)),
            text("Journal/Head", Some(standing.head.clone())),
        ],
        devices: view
            .stations
            .iter()
            .map(|station| device(station, ended, live))
            .collect(),
    }
}

fn device(station: &StationView, ended: &Ended, live: &Live) -> Device {
    let pace = if station.run.is_some() {
        live.run
    } else {
        live.idle
    };
    let stage = |part: Option<u16>| Content::Int32(part.map(i32::from));
    let (run, outcome) = match ended.get(&*station.name) {
        Some((run, outcome)) => (Some(run.0), Some(outcome.text().to_owned())),
        None => (None, None),
    };
    let tripped: Vec<&str> = station
        .interlocks
        .iter()
        .filter(|interlock| matches!(interlock.standing, "tripped" | "acknowledged"))
        .map(|interlock| interlock.name.text())
        .collect();
    let mut metrics: Vec<Metric> = station.channels.iter().map(|view| channel(view, pace)).collect();
    metrics.extend([
        paced("Control", station.control.map(Celsius::degrees), pace),
        temperature("Target", station.target.map(Celsius::degrees)),
        temperature("Ceiling", Some(station.ceiling.celsius.degrees())),
        Metric::new(HEAT, Content::Double(Some(station.heat.share())))
            .unit(SHARE)
            .deadband(DEADBAND_HEAT),
        text("Phase", Some(station.phase.text().into())),
        number("Run", station.run.map(|run| run.0)),
        text("Recipe", station.recipe.clone()),
        text("Serial", station.serial.as_deref().map(Into::into)),
        Metric::new("Stage", stage(station.stage.map(|(stage, _)| stage))),
        Metric::new("Stages", stage(station.stage.map(|(_, count)| count))),
        number("Ended/Run", run),
        text("Ended/Outcome", outcome),
        text("Tripped", Some(tripped.join(","))),
    ]);
    metrics.extend(station.interlocks.iter().map(|interlock| {
        let name = format!("Interlock/{}", interlock.name.text());
        text(name, Some(interlock.standing.into()))
    }));
    metrics.extend(station.permissives.iter().map(|permissive| {
        let quality = permissive.closed.map_or(Quality::Bad, |_| Quality::Good);
        let name = format!("Permissive/{}", permissive.name);
        Metric::new(name, Content::Boolean(permissive.closed)).quality(quality)
    }));
    Device {
        name: station.name.to_string(),
        here: station.driver_up,
        metrics,
    }
}

fn channel(channel: &ChannelView, pace: Pace) -> Metric {
    let (celsius, quality) = match channel.quality {
        benchward_core::Quality::Good => (channel.celsius, Quality::Good),
        benchward_core::Quality::Stale | benchward_core::Quality::Never => (None, Quality::Stale),
        benchward_core::Quality::Fault(_) => (None, Quality::Bad),
    };
    let name = channel_metric(&channel.name);
    paced(name, celsius.map(Celsius::degrees), pace).quality(quality)
}

fn paced(name: impl Into<String>, degrees: Option<f64>, pace: Pace) -> Metric {
    // Looks are so far apart anyway; asked for once more, every second one would come a moment too soon.
    let apart_ms = Some(pace.apart.0).filter(|apart| u128::from(*apart) > LOOK_EVERY.as_millis());
    temperature(name, degrees)
        .deadband(pace.deadband.degrees())
        .apart(apart_ms.unwrap_or(0))
}

fn temperature(name: impl Into<String>, degrees: Option<f64>) -> Metric {
    Metric::new(name, Content::Double(degrees)).unit(CELSIUS)
}

fn text(name: impl Into<String>, text: Option<String>) -> Metric {
    Metric::new(name, Content::String(text))
}

fn number(name: &str, number: Option<u64>) -> Metric {
    Metric::new(
        name,
        Content::Int64(number.and_then(|number| number.try_into().ok())),
    )
}
