//! Shapes of `benchward sensor`: checks, calibrations, what is in force and what is due.

use benchward_archive as archive;
use serde::{Deserialize, Serialize};

use super::{SCHEMA, thousandths};

/// What a sensor is checked against, and how: what `benchward sensor check` asks for. Exactly one of `ice`,
/// `boiling_pressure_kpa`, `boiling_altitude_m` and `reference_celsius`.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CheckRequest {
    /// Melting ice.
    pub ice: bool,
    /// Boiling water under this absolute air pressure.
    pub boiling_pressure_kpa: Option<f64>,
    /// Boiling water at this height above sea level.
    pub boiling_altitude_m: Option<f64>,
    /// What a reference thermometer says.
    pub reference_celsius: Option<f64>,
    /// How far off that may be.
    pub reference_within_celsius: Option<f64>,
    /// Readings of so many seconds back count.
    pub seconds: f64,
    /// Letter of the thermocouple; where it is left out, what the configuration or the calibration before said.
    pub thermocouple: Option<String>,
    /// Its class: `iec-1` to `iec-3`, `e230-standard`, `e230-special`; left out: as the calibration before.
    pub class: Option<String>,
    /// Day after which it is overdue, `2027-11-25`.
    pub due: Option<String>,
    /// The same as days from now.
    pub due_days: Option<u32>,
    /// What the person wants to be kept with it.
    pub note: String,
}

/// `benchward sensor check`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SensorChecked {
    /// [`SCHEMA`].
    pub schema: u32,
    /// The station.
    pub station: String,
    /// The channel.
    pub channel: String,
    /// Whether it is in force now; false for a dry run.
    pub stored: bool,
    /// What was found, and what it comes to. Not stored, it has revision 0.
    pub calibration: Calibration,
}

/// A calibration, or its withdrawal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Calibration {
    /// Counted from 1, for each channel.
    pub revision: u32,
    /// When it was stored.
    pub at: String,
    /// Who stored it.
    pub by: String,
    /// Added to every reading.
    pub offset_celsius: f64,
    /// What was added before.
    pub offset_before_celsius: f64,
    /// The input that the channel was wired to.
    pub input: String,
    /// What it rests on; null: the calibration before was withdrawn.
    pub check: Option<SensorCheck>,
    /// Day after which it is overdue.
    pub due: Option<String>,
    /// What the person wrote.
    pub note: String,
}

/// A sensor held against a reference.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SensorCheck {
    /// `ice`, `boiling` or `reference`.
    pub method: String,
    /// The same in words: `boiling water at 98.2 kPa`.
    pub against: String,
    /// Absolute air pressure.
    pub pressure_kpa: Option<f64>,
    /// Height above sea level, where the pressure is the standard atmosphere's.
    pub altitude_m: Option<f64>,
    /// Temperature of the reference.
    pub reference_celsius: f64,
    /// How far off that may be; null: nobody said.
    pub reference_within_celsius: Option<f64>,
    /// Mean of the readings, with the offset of before.
    pub read_celsius: f64,
    /// Their standard deviation.
    pub sd_celsius: f64,
    /// How many readings.
    pub readings: u32,
    /// Over how long.
    pub over_s: f64,
    /// What the sensor itself reads above the reference, without any offset.
    pub deviation_celsius: f64,
    /// Letter of the thermocouple.
    pub thermocouple: Option<String>,
    /// Its class.
    pub class: Option<String>,
    /// What the class allows there, either way.
    pub tolerance_celsius: Option<f64>,
    /// What is left of that, as a share of it; negative outside.
    pub margin: Option<f64>,
    /// `inside`, `outside`, `undecided` or `none`.
    pub verdict: String,
    /// Why the verdict is `none` or `undecided`; else empty.
    pub verdict_text: String,
}

/// `benchward sensor list`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sensors {
    /// [`SCHEMA`].
    pub schema: u32,
    /// The sensors, in the order of the configuration. Of a stopped lab's archive: those that were ever calibrated.
    pub sensors: Vec<Sensor>,
}

/// The sensor of one channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Sensor {
    /// The station.
    pub station: String,
    /// The channel.
    pub channel: String,
    /// The input that it is wired to.
    pub input: String,
    /// What is added to every reading.
    pub offset_celsius: f64,
    /// Where that comes from: `calibration` or `configuration`.
    pub offset_from: String,
    /// The newest calibration, in force or not.
    pub calibration: Option<Calibration>,
    /// Whether the calibration in force is past its due date.
    pub overdue: bool,
    /// What a person should know; empty while all is well.
    pub text: String,
}

/// `benchward sensor history`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SensorHistory {
    /// [`SCHEMA`].
    pub schema: u32,
    /// The station.
    pub station: String,
    /// The channel.
    pub channel: String,
    /// Oldest first.
    pub calibrations: Vec<Calibration>,
}

/// A calibration that a person should see to, in [`super::Status`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CalibrationWarning {
    /// The station.
    pub station: String,
    /// The channel.
    pub channel: String,
    /// The due date that is past; null where something else is wrong.
    pub due: Option<String>,
    /// What is wrong.
    pub text: String,
}

/// The sensor of a channel during a run, in [`super::RunShown`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunSensor {
    /// The channel.
    pub channel: String,
    /// The input that it was wired to.
    pub input: String,
    /// What was added to every reading.
    pub offset_celsius: f64,
    /// The calibration in force, in words; null: the configuration's offset counted.
    pub calibration: Option<String>,
    /// Day after which that was overdue.
    pub calibration_due: Option<String>,
    /// Whether the run started after that day.
    pub overdue: bool,
}

impl From<&archive::Calibration> for Calibration {
    fn from(kept: &archive::Calibration) -> Self {
        let record = &kept.record;
        Self {
            revision: kept.revision,
            at: record.at.to_string(),
            by: record.by.clone(),
            offset_celsius: record.offset_celsius,
            offset_before_celsius: record.offset_before_celsius,
            input: record.input.clone(),
            check: record.check.as_ref().map(SensorCheck::from),
            due: record.due.map(archive::Wall::date),
            note: record.note.clone(),
        }
    }
}

impl From<&archive::CheckRecord> for SensorCheck {
    fn from(check: &archive::CheckRecord) -> Self {
        Self {
            method: check.method.clone(),
            against: check.against(),
            pressure_kpa: check.pressure_kpa,
            altitude_m: check.altitude_m,
            reference_celsius: thousandths(check.reference_celsius),
            reference_within_celsius: check.reference_within_celsius.map(thousandths),
            read_celsius: thousandths(check.read_celsius),
            sd_celsius: thousandths(check.sd_celsius),
            readings: check.readings,
            over_s: thousandths(check.over_s),
            deviation_celsius: thousandths(check.deviation_celsius),
            thermocouple: check.thermocouple.clone(),
            class: check.class.clone(),
            tolerance_celsius: check.tolerance_celsius.map(thousandths),
            margin: check.margin.map(thousandths),
            verdict: check.verdict.clone(),
            verdict_text: check.verdict_text.clone(),
        }
    }
}

impl Sensor {
    /// The sensor of a channel as a stopped lab's archive knows it: by its newest calibration alone, without the
    /// configuration.
    pub fn as_kept(kept: &archive::Calibration, now: archive::Wall) -> Self {
        let record = &kept.record;
        let calibrated = record.check.is_some();
        let overdue = calibrated && record.overdue(now);
        Self {
            station: record.station.clone(),
            channel: record.channel.clone(),
            input: record.input.clone(),
            offset_celsius: record.offset_celsius,
            offset_from: if calibrated {
                "calibration"
            } else {
                "configuration"
            }
            .into(),
            calibration: Some(Calibration::from(kept)),
            overdue,
            text: record
                .due
                .filter(|_| overdue)
                .map(|due| overdue_text(&record.station, &record.channel, due))
                .unwrap_or_default(),
        }
    }
}

/// What is said of a calibration past its due date.
pub fn overdue_text(station: &str, channel: &str, due: archive::Wall) -> String {
    format!("calibration of {station}/{channel} was due on {}", due.date())
}

impl SensorHistory {
    /// All calibrations of a channel.
    pub fn new(station: &str, channel: &str, all: &archive::Calibrations) -> Self {
        Self {
            schema: SCHEMA,
            station: station.into(),
            channel: channel.into(),
            calibrations: all.found.iter().map(Calibration::from).collect(),
        }
    }
}

impl RunSensor {
    /// The sensor of one channel of a run that started at `started`.
    pub(super) fn new(channel: &archive::ChannelRecord, started: archive::Wall) -> Self {
        Self {
            channel: channel.name.clone(),
            input: channel.input.clone(),
            offset_celsius: thousandths(channel.offset_celsius),
            calibration: channel.calibration.clone(),
            calibration_due: channel.calibration_due.map(archive::Wall::date),
            overdue: channel
                .calibration_due
                .is_some_and(|due| started.day() > due.day()),
        }
    }
}
