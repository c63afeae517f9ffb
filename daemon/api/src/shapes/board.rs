//! Shapes of `benchward board`: what is known of each kind of board on each station.

use benchward_archive as archive;
use serde::{Deserialize, Serialize};

use super::{SCHEMA, thousandths};
use crate::board;

/// `benchward board learn`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BoardLearned {
    /// [`SCHEMA`].
    pub schema: u32,
    /// Whether starts use it now; false for a dry run.
    pub stored: bool,
    /// What the run says of its board. Not stored, it has revision 0.
    pub model: BoardModel,
}

/// `benchward board list`, and `benchward board show` of one kind of board.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Boards {
    /// [`SCHEMA`].
    pub schema: u32,
    /// The newest model of each kind of board on each station, by board and station.
    pub models: Vec<BoardModel>,
    /// A sentence for each that can't be read.
    pub unreadable: Vec<String>,
}

/// What is known of one kind of board on one station.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BoardModel {
    /// The kind of board.
    pub board: String,
    /// The station.
    pub station: String,
    /// Counted from 1, for each board and station.
    pub revision: u32,
    /// Number of the run that it was learned from.
    pub run: u64,
    /// Serial number of that run's board.
    pub serial: String,
    /// When it was stored.
    pub at: String,
    /// Who stored it.
    pub by: String,
    /// What the room was taken for.
    pub room_celsius: f64,
    /// How many readings it rests on.
    pub readings: u32,
    /// Root mean square of what the model misses.
    pub rms_celsius: f64,
    /// Its largest miss.
    pub worst_celsius: f64,
    /// The parameters, each with its unit in its name.
    pub parameters: Vec<BoardParameter>,
    /// How its channels follow the control temperature; empty where that was not learned.
    #[serde(default)]
    pub channels: Vec<BoardChannel>,
    /// Why starts don't use it: figures that no board has. Empty while all is well.
    pub text: String,
}

/// One parameter of a board model.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BoardParameter {
    /// Its name with its unit: `rise_celsius_per_s`, `heater_lag_s`, `loss_per_s`, `sensor_lag_s`, `warm_up_celsius`,
    /// `slow_share`, `slow_lag_s`, `radiant_share`.
    pub parameter: String,
    /// The value.
    pub value: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Whether the run determined it; else it is what is believed of boards in general.
    pub determined: bool,
    /// Where it did not: which run would show it; else empty.
    pub text: String,
}

/// How one channel of a board follows the control temperature.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BoardChannel {
    /// Its name.
    pub channel: String,
    /// Its excess over the surroundings as a share of the control temperature's, once all is settled.
    pub share: f64,
    /// Its lag.
    pub lag_s: f64,
    /// Root mean square of what that misses.
    pub rms_celsius: f64,
}

/// The board model that a run began with, in [`super::RunShown`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunBoardModel {
    /// The kind of board.
    pub board: String,
    /// Revision of the model.
    pub revision: u32,
    /// Number of the run that it was learned from.
    pub learned_from: u64,
}

impl RunBoardModel {
    /// Where a run's record has it: its key in [`archive::RunRecord::more`].
    pub const KEY: &str = "board_model";

    /// `known board (revision 2, learned from run 7)`.
    pub fn words(&self) -> String {
        format!(
            "known board (revision {}, learned from run {})",
            self.revision, self.learned_from
        )
    }

    pub(super) fn of(record: &archive::RunRecord) -> Option<Self> {
        Self::deserialize(record.more.get(Self::KEY)?).ok()
    }
}

impl From<&archive::BoardModel> for BoardModel {
    fn from(kept: &archive::BoardModel) -> Self {
        let record = &kept.record;
        Self {
            board: record.board.clone(),
            station: record.station.clone(),
            revision: kept.revision,
            run: record.run,
            serial: record.serial.clone(),
            at: record.at.to_string(),
            by: record.by.clone(),
            room_celsius: thousandths(record.room_celsius),
            readings: record.readings,
            rms_celsius: thousandths(record.rms_celsius),
            worst_celsius: thousandths(record.worst_celsius),
            parameters: record.parameters.iter().map(BoardParameter::from).collect(),
            channels: record
                .channels
                .iter()
                .map(|one| BoardChannel {
                    channel: one.channel.clone(),
                    share: thousandths(one.share),
                    lag_s: thousandths(one.lag_s),
                    rms_celsius: thousandths(one.rms_celsius),
                })
                .collect(),
            text: board::model(kept).err().unwrap_or_default(),
        }
    }
}

impl From<&archive::ParameterRecord> for BoardParameter {
    fn from(kept: &archive::ParameterRecord) -> Self {
        let undetermined = board::parameter(&kept.name).filter(|_| !kept.determined);
        Self {
            parameter: kept.name.clone(),
            value: kept.value,
            standard_error: kept.standard_error,
            determined: kept.determined,
            text: undetermined.map(board::what_would_show).unwrap_or_default(),
        }
    }
}

impl From<&archive::BoardModels> for Boards {
    fn from(kept: &archive::BoardModels) -> Self {
        Self {
            schema: SCHEMA,
            models: kept.found.iter().map(BoardModel::from).collect(),
            unreadable: kept.unreadable.clone(),
        }
    }
}

impl Boards {
    /// Keeps the models of one kind of board, and of one station where that is given. `None`: there is none, nor
    /// one that can't be read.
    pub fn only(mut self, board: &str, station: Option<&str>) -> Option<Self> {
        self.models
            .retain(|model| model.board == board && station.is_none_or(|station| model.station == station));
        let name = station.map_or_else(
            || format!("\"{}", archive::BoardModelRecord::document(board, "")),
            |station| format!("\"{}\"", archive::BoardModelRecord::document(board, station)),
        );
        self.unreadable.retain(|text| text.contains(&name));
        (!self.models.is_empty() || !self.unreadable.is_empty()).then_some(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_model_says_what_its_run_did_not_show() {
        let model = BoardModel::from(&board::tests::kept());
        assert_eq!((model.revision, model.run, &*model.text), (3, 7, ""));
        let texts: Vec<_> = model
            .parameters
            .iter()
            .map(|one| (one.determined, &*one.text))
            .collect();
        assert_eq!(texts[0], (true, ""));
        assert!(texts[2].1.contains("how fast the board cools"), "{texts:?}");
    }

    #[test]
    fn a_board_is_found_by_name_and_station() {
        let mut other = board::tests::kept();
        other.record.station = "bench-2".into();
        other.record.parameters.clear();
        let all = archive::BoardModels {
            found: vec![board::tests::kept(), other],
            unreadable: vec![
                "revision 1 of the board model \"QM-4 front end @ oven-1\" can't be read: x".into(),
            ],
        };
        let boards = Boards::from(&all);
        assert!(
            boards.models[1].text.contains("`rise_celsius_per_s`"),
            "{boards:?}"
        );
        let found = |board, station| {
            boards
                .clone()
                .only(board, station)
                .map(|found| (found.models.len(), found.unreadable.len()))
        };
        assert_eq!(found("AX-20 backplane", None), Some((2, 0)));
        assert_eq!(found("AX-20 backplane", Some("bench-2")), Some((1, 0)));
        assert_eq!(found("AX-20 backplane", Some("bench-3")), None);
        assert_eq!(found("QM-4 front end", Some("oven-1")), Some((0, 1)));
        assert_eq!(found("QM-4 front end", Some("bench-1")), None);
        assert_eq!(found("AX-20", None), None);
    }
}
