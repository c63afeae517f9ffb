//! `benchward-driver-replayed`: plays a recorded temperature file as a driver.
//!
//! ```toml
//! [driver.log.settings]
//! file = "/var/lib/benchward/recorded.csv"     # CSV with a header line
//! time_column = "Time"                         # seconds; default: the first column
//! channels = { tc1 = "Shroud", tc2 = "Cable 1" }   # default: every other column under its own name
//! unit = "celsius"                             # or "fahrenheit"
//! speed = 1                                    # rows come this much faster than they were recorded
//! at_end = "stop"                              # stop: faults | hold: the last row | repeat | exit
//! heat = true                                  # offers heat1, which drives nothing
//! cuts = true                                  # heat1 claims a second switch
//! start_on_heat = false                        # repeats the first row until heat is above zero
//! ```
//!
//! Every row is one scan, in its order, once. The first row comes at once whatever its time; each next one as long after
//! as the file says. An empty cell leaves its input out of that scan. Since nothing here is hot, the driver follows scaled time.

mod recording;

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use benchward_driver::{
    Driver, Failure, Inputs, Output, OutputPart, Pace, Parts, Start, Values, Voice, wire,
};
use serde::Deserialize;

use recording::{Columns, Recording, Row, Unit};

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Settings {
    file: PathBuf,
    time_column: Option<String>,
    channels: Option<BTreeMap<String, String>>,
    #[serde(default)]
    unit: Unit,
    #[serde(default = "one")]
    speed: f64,
    #[serde(default)]
    at_end: AtEnd,
    #[serde(default)]
    heat: bool,
    #[serde(default)]
    cuts: bool,
    #[serde(default)]
    start_on_heat: bool,
}

fn one() -> f64 {
    1.0
}

/// What happens after the last row.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum AtEnd {
    /// Every input reports the fault `device`: there is nothing to go by any more.
    #[default]
    Stop,
    /// The last row again and again.
    Hold,
    /// From the first row.
    Repeat,
    /// The driver exits with 0.
    Exit,
}

struct Replayed;

impl Driver for Replayed {
    const NAME: &'static str = "replayed";
    const VERSION: &'static str = env!("CARGO_PKG_VERSION");
    type Settings = Settings;

    fn open(settings: Settings, start: &Start) -> Result<Parts, Failure> {
        if !(settings.speed > 0.0 && settings.speed <= 10_000.0) {
            return Err(Failure::new(format!(
                "speed = {} is outside 0 (excluded) to 10000",
                settings.speed
            )));
        }
        if !settings.heat && (settings.cuts || settings.start_on_heat) {
            return Err(Failure::new("cuts and start_on_heat need heat = true"));
        }
        let columns = Columns {
            time: settings.time_column,
            channels: settings.channels,
            unit: settings.unit,
        };
        let recording = Recording::read(&settings.file, &columns).map_err(|e| Failure::new(e.to_string()))?;
        let period_s = recording.usual_gap_s() / settings.speed;
        let rate_hz = 1.0 / period_s;
        if rate_hz > wire::MAX_RATE_HZ {
            return Err(Failure::new(format!(
                "{} at speed = {} has {rate_hz:.0} rows a second, {} at most; lower the speed",
                settings.file.display(),
                settings.speed,
                wire::MAX_RATE_HZ
            )));
        }

        let inputs = recording
            .ids
            .iter()
            .map(|id| wire::Input {
                id: id.clone(),
                kind: wire::InputKind::Temperature,
                rate_hz: Some(rate_hz),
                range: None,
            })
            .collect();
        let heated = Arc::new(AtomicBool::new(!settings.start_on_heat));
        let outputs = if settings.heat {
            vec![
                OutputPart::steady(
                    "heat1",
                    Dummy {
                        heated: Arc::clone(&heated),
                    },
                )
                .cuts(settings.cuts),
            ]
        } else {
            Vec::new()
        };
        let player = Player {
            recording,
            speed: settings.speed,
            at_end: settings.at_end,
            period: Duration::from_secs_f64(period_s),
            next: 0,
            heated,
            voice: start.voice().clone(),
            ended: false,
        };
        Ok(Parts {
            inputs,
            reader: Some(Box::new(player)),
            outputs,
            simulated: true,
        })
    }
}

struct Player {
    recording: Recording,
    speed: f64,
    at_end: AtEnd,
    /// Between scans where the file says nothing: before the start and after the end.
    period: Duration,
    next: usize,
    heated: Arc<AtomicBool>,
    voice: Voice,
    ended: bool,
}

impl Inputs for Player {
    fn scan(&mut self, values: &mut Values) -> Result<Pace, Failure> {
        if self.next == 0 && !self.heated.load(Ordering::Relaxed) {
            self.play(0, values);
            return Ok(Pace::Every(self.period));
        }
        if self.next < self.recording.rows.len() {
            self.play(self.next, values);
            self.next += 1;
            let gap = self.recording.gap_after(self.next - 1);
            return Ok(match (gap, self.at_end) {
                (Some(gap_s), _) => Pace::Every(Duration::from_secs_f64(gap_s / self.speed)),
                (None, AtEnd::Exit) => Pace::End,
                (None, AtEnd::Repeat) => {
                    self.next = 0;
                    Pace::Every(self.period)
                }
                (None, AtEnd::Stop | AtEnd::Hold) => Pace::Every(self.period),
            });
        }
        if !self.ended {
            self.ended = true;
            self.voice.notice(wire::Level::Info, "the recording is over");
        }
        if self.at_end == AtEnd::Hold {
            self.play(self.recording.rows.len() - 1, values);
        } else {
            for id in &self.recording.ids {
                values.fault_because(id, wire::Fault::Device, "the recording is over");
            }
        }
        Ok(Pace::Every(self.period))
    }
}

impl Player {
    fn play(&self, row: usize, values: &mut Values) {
        let Row { celsius, .. } = &self.recording.rows[row];
        for (id, celsius) in self.recording.ids.iter().zip(celsius) {
            if let Some(celsius) = celsius {
                values.temperature(id, *celsius);
            }
        }
    }
}

/// An output that heats nothing; the harness keeps the protocol and the record.
struct Dummy {
    heated: Arc<AtomicBool>,
}

impl Output for Dummy {
    fn set(&mut self, fraction: f64) -> Result<f64, Failure> {
        if fraction > 0.0 {
            self.heated.store(true, Ordering::Relaxed);
        }
        Ok(fraction)
    }
}

fn main() -> ExitCode {
    benchward_driver::run::<Replayed>()
}
