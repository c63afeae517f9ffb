//! What is kept of a calibration: the offset of a channel, what it rests on, who stored it, until when it holds.
//!
//! Each is a revision of the document `STATION/CHANNEL`; the newest one counts. So the history of a channel is its revisions, and
//! a withdrawal is one more.

use serde::{Deserialize, Serialize};

use crate::ledger::Revision;
use crate::wall::Wall;

/// A calibration, or its withdrawal.
///
/// Unknown keys are ignored and missing ones get their default when an older or newer record is read.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct CalibrationRecord {
    /// The station.
    pub station: String,
    /// The channel.
    pub channel: String,
    /// The input that it was wired to, such as `rack/tc1`. Wired to another one, the channel has another sensor.
    pub input: String,
    /// Letter of the thermocouple, where the daemon converted.
    pub converted_as: Option<String>,
    /// When it was stored.
    pub at: Wall,
    /// Who stored it.
    pub by: String,
    /// Added to every reading from then on, degrees Celsius.
    pub offset_celsius: f64,
    /// What was added before.
    pub offset_before_celsius: f64,
    /// The check that it rests on; `None`: the calibration before was withdrawn.
    pub check: Option<CheckRecord>,
    /// The day (UTC, its beginning) after which it is overdue.
    pub due: Option<Wall>,
    /// What the person wrote.
    pub note: String,
}

/// A sensor held against a reference.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct CheckRecord {
    /// `ice`, `boiling` or `reference`.
    pub method: String,
    /// Absolute air pressure, kPa, where that was measured.
    pub pressure_kpa: Option<f64>,
    /// Height above sea level, where the pressure is the standard atmosphere's.
    pub altitude_m: Option<f64>,
    /// Temperature of the reference, degrees Celsius.
    pub reference_celsius: f64,
    /// How far off that may be; `None`: nobody said.
    pub reference_within_celsius: Option<f64>,
    /// Mean of the readings, with the offset of before.
    pub read_celsius: f64,
    /// Their standard deviation.
    pub sd_celsius: f64,
    /// How many readings.
    pub readings: u32,
    /// Over how long, seconds.
    pub over_s: f64,
    /// What the sensor itself reads above the reference: without any offset.
    pub deviation_celsius: f64,
    /// Letter of the thermocouple.
    pub thermocouple: Option<String>,
    /// Its tolerance class.
    pub class: Option<String>,
    /// What the class allows at the reference, either way.
    pub tolerance_celsius: Option<f64>,
    /// What is left of that, as a share of it.
    pub margin: Option<f64>,
    /// `inside`, `outside`, `undecided` or `none`.
    pub verdict: String,
    /// Why the verdict is `none`, or what would decide.
    pub verdict_text: String,
}

impl CheckRecord {
    /// What the sensor was held against, in words: `ice point`.
    pub fn against(&self) -> String {
        match (&*self.method, self.pressure_kpa, self.altitude_m) {
            ("ice", _, _) => "ice point".into(),
            (_, _, Some(altitude)) => format!("boiling water {altitude} m above sea level"),
            (_, Some(pressure), None) => format!("boiling water at {pressure} kPa"),
            ("reference", None, None) => "reference thermometer".into(),
            (other, None, None) => other.into(),
        }
    }
}

impl CalibrationRecord {
    /// The name of the document that holds the calibrations of a channel.
    pub fn document(station: &str, channel: &str) -> String {
        format!("{station}/{channel}")
    }

    /// Whether its due date is over: the day after it has begun (UTC).
    pub fn overdue(&self, now: Wall) -> bool {
        self.due.is_some_and(|due| now.day() > due.day())
    }

    /// As a document's text.
    pub(crate) fn text(&self) -> String {
        serde_json::to_string(self).expect("plain values make JSON")
    }
}

/// A calibration as it was stored. A revision never changes.
#[derive(Clone, Debug, PartialEq)]
pub struct Calibration {
    /// Counted from 1, for each channel.
    pub revision: u32,
    /// The record.
    pub record: CalibrationRecord,
}

impl Calibration {
    /// Reads a document.
    ///
    /// # Errors
    /// Which one it is and what is wrong with it, in words.
    pub(crate) fn read(document: &Revision) -> Result<Self, String> {
        let Revision { name, revision, text } = document;
        serde_json::from_str(text)
            .map(|record| Self {
                revision: *revision,
                record,
            })
            .map_err(|error| format!("calibration {revision} of {name} can't be read: {error}"))
    }
}

/// Calibrations that were asked for.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Calibrations {
    /// Those that can be read.
    pub found: Vec<Calibration>,
    /// A sentence for each that can't: a later version wrote it.
    pub unreadable: Vec<String>,
}

impl<'a> FromIterator<&'a Revision> for Calibrations {
    fn from_iter<I: IntoIterator<Item = &'a Revision>>(documents: I) -> Self {
        let mut all = Self::default();
        for document in documents {
            match Calibration::read(document) {
                Ok(one) => all.found.push(one),
                Err(text) => all.unreadable.push(text),
            }
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_is_overdue_from_the_day_after() {
        // 1795564800 s is the beginning of 2026-11-25, as `date -u -d @1795564800` prints it.
        let due = Wall(1_795_564_800_000);
        let record = CalibrationRecord {
            due: Some(due),
            ..CalibrationRecord::default()
        };
        let day = 86_400_000;
        for (after, overdue) in [(-1, false), (0, false), (day - 1, false), (day, true)] {
            assert_eq!(record.overdue(due.plus_ms(after)), overdue, "{after} ms");
        }
        assert!(!CalibrationRecord::default().overdue(due));
    }

    #[test]
    fn what_a_later_version_wrote_is_told_and_the_rest_is_read() {
        let document = |revision, text: &str| Revision {
            name: "bench-1/board-top".into(),
            revision,
            text: text.into(),
        };
        let documents = [
            document(1, r#"{"offset_celsius":-0.42,"from_the_future":1}"#),
            document(2, r#"{"offset_celsius":{"at 0":-0.42}}"#),
        ];
        let all: Calibrations = documents.iter().collect();
        assert_eq!(all.found.len(), 1);
        assert_eq!(
            all.found[0].record.offset_celsius.to_bits(),
            (-0.42_f64).to_bits()
        );
        assert!(
            all.unreadable[0].starts_with("calibration 2 of bench-1/board-top can't be read"),
            "{:?}",
            all.unreadable
        );
    }
}
