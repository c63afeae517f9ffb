//! What is kept of a kind of board on a station: how it heats and cools, which run said so, who stored it.
//!
//! Each is a revision of the document `BOARD @ STATION`; the newest one counts. A station's name has no space in it, so that the
//! last ` @ ` parts the two, whatever the board is called.

use serde::{Deserialize, Serialize};

use crate::ledger::Revision;
use crate::wall::Wall;

/// What a run said of its board.
///
/// Unknown keys are ignored and missing ones get their default when an older or newer record is read.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct BoardModelRecord {
    /// Version of the parameters: [`BoardModelRecord::SCHEMA`].
    pub schema: u32,
    /// The kind of board.
    pub board: String,
    /// The station.
    pub station: String,
    /// Number of the run that it was learned from.
    pub run: u64,
    /// Serial number of that run's board.
    pub serial: String,
    /// When it was stored.
    pub at: Wall,
    /// Who stored it.
    pub by: String,
    /// What the room was taken for, degrees Celsius.
    pub room_celsius: f64,
    /// How many readings it rests on.
    pub readings: u32,
    /// Root mean square of what the model misses, degrees Celsius.
    pub rms_celsius: f64,
    /// Its largest miss, degrees Celsius.
    pub worst_celsius: f64,
    /// Highest control temperature of the run, degrees Celsius; `None`: it was not kept.
    #[serde(default)]
    pub hottest_celsius: Option<f64>,
    /// The parameters.
    pub parameters: Vec<ParameterRecord>,
    /// How the channels follow the control temperature; records from before that was learned have none.
    pub channels: Vec<FollowerRecord>,
}

/// How one channel follows the control temperature.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct FollowerRecord {
    /// Its name.
    pub channel: String,
    /// Its excess over the surroundings as a share of the control temperature's, once all is settled.
    pub share: f64,
    /// Its lag, seconds.
    pub lag_s: f64,
    /// Root mean square of what that misses, degrees Celsius.
    pub rms_celsius: f64,
}

/// One parameter in its own unit.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct ParameterRecord {
    /// Its name with its unit, such as `rise_celsius_per_s`.
    pub name: String,
    /// The value.
    pub value: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Whether the run determined it; else it is what is believed of boards in general.
    #[serde(default)]
    pub determined: bool,
}

impl BoardModelRecord {
    /// Version of the parameters: another model of boards has another one.
    pub const SCHEMA: u32 = 1;

    /// The name of the document that holds the models of a kind of board on a station.
    pub fn document(board: &str, station: &str) -> String {
        format!("{board} @ {station}")
    }

    /// As a document's text.
    pub(crate) fn text(&self) -> String {
        serde_json::to_string(self).expect("plain values make JSON")
    }
}

/// A board model as it was stored. A revision never changes.
#[derive(Clone, Debug, PartialEq)]
pub struct BoardModel {
    /// Counted from 1, for each board and station.
    pub revision: u32,
    /// The record.
    pub record: BoardModelRecord,
}

/// Board models that were asked for.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct BoardModels {
    /// Those that can be read. Whether their figures make sense is not looked at here.
    pub found: Vec<BoardModel>,
    /// A sentence for each that can't: it was changed by hand, or a later version wrote it.
    pub unreadable: Vec<String>,
}

impl<'a> FromIterator<&'a Revision> for BoardModels {
    fn from_iter<I: IntoIterator<Item = &'a Revision>>(documents: I) -> Self {
        let mut all = Self::default();
        for Revision { name, revision, text } in documents {
            match serde_json::from_str(text) {
                Ok(record) => all.found.push(BoardModel {
                    revision: *revision,
                    record,
                }),
                Err(error) => all.unreadable.push(format!(
                    "revision {revision} of the board model \"{name}\" can't be read: {error}"
                )),
            }
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_makes_no_sense_is_told_and_the_rest_is_read() {
        let document = |revision, text: &str| Revision {
            name: BoardModelRecord::document("AX-20 @ night", "bench-1"),
            revision,
            text: text.into(),
        };
        let documents = [
            document(
                1,
                r#"{"board":"AX-20","from_the_future":1,"parameters":[{"name":"rise_celsius_per_s","value":1.25,"standard_error":0.2}]}"#,
            ),
            document(
                2,
                r#"{"parameters":[{"name":"rise_celsius_per_s","value":null}]}"#,
            ),
        ];
        let all: BoardModels = documents.iter().collect();
        assert_eq!(all.found.len(), 1);
        let record = &all.found[0].record;
        assert_eq!(record.parameters[0].value.to_bits(), 1.25_f64.to_bits());
        assert_eq!(
            serde_json::from_str::<BoardModelRecord>(&record.text()).unwrap(),
            *record
        );
        assert!(
            all.unreadable[0]
                .starts_with("revision 2 of the board model \"AX-20 @ night @ bench-1\" can't be read"),
            "{:?}",
            all.unreadable
        );
    }
}
