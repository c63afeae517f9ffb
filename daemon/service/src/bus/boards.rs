//! `io.benchward.Boards1` at `/io/benchward/Lab1/boards`.

use benchward_api::{Error, board, shapes};
use benchward_archive::{self as archive, BoardModelRecord, Reader, RunRecord};
use benchward_core::model::follow::{Follower, follow};
use benchward_core::model::learn;
use benchward_core::plan::{Requirements, plan};
use benchward_core::recipe::{NAME_CHARS_MAX, Recipe};
use benchward_core::{Act, Ask, RunId, StationId};
use zbus::message::Header;

use super::station::known;
use super::{Door, archive_error, blocking, json, read_json};
use crate::learning::{self, Gathering};

pub(super) struct Boards(pub(super) Door);

#[zbus::interface(name = "io.benchward.Boards1")]
impl Boards {
    /// The newest model of every kind of board on every station, as JSON (`shapes::Boards`). Needs no role.
    async fn list(&self) -> Result<String, Error> {
        let reader = self.0.shared.reader.clone();
        blocking(move || {
            json(&shapes::Boards::from(
                &reader.board_models().map_err(archive_error)?,
            ))
        })
        .await
    }

    /// What is known of a kind of board on `station`, or on every one where that is empty, as JSON (`shapes::Boards`). Needs
    /// no role.
    ///
    /// Errors: `NoSuch`.
    async fn show(&self, board: String, station: String) -> Result<String, Error> {
        let reader = self.0.shared.reader.clone();
        blocking(move || {
            let all = shapes::Boards::from(&reader.board_models().map_err(archive_error)?);
            let station = (!station.is_empty()).then_some(&*station);
            let found = all.only(&board, station).ok_or_else(|| {
                let place = station.map_or(String::new(), |station| format!(" at {station}"));
                Error::NoSuch(format!(
                    "nothing is known of a board \"{board}\"{place}; see `benchward board list`"
                ))
            })?;
            json(&found)
        })
        .await
    }

    /// What `run` says of its board. `board`: the kind of board; empty: what the run's recipe says. `store`: whether
    /// starts on that station use it from now on; without, nothing changes and no role is needed. Returns what was learned, as
    /// JSON (`shapes::BoardLearned`). Takes seconds; one at a time. Role `process` to store.
    ///
    /// Errors: `NotPermitted`, `NoSuch` (run, a station that is no more), `Invalid`, `NotReady` (a run that still heats),
    /// `NothingLearned`, `Archive`.
    async fn learn(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
        run: u64,
        board: String,
        store: bool,
    ) -> Result<String, Error> {
        let shared = &self.0.shared;
        let reader = shared.reader.clone();
        let (record, recipe) = blocking(move || learnable(&reader, run)).await?;
        let board = match &*board {
            "" => recipe.board().to_owned(),
            named => kind_of_board(named)?,
        };
        let ask = Ask::PutBoardModel {
            station: self.station(&record.station)?,
            board: board.as_str().into(),
            run: RunId(run),
        };
        let credentials = self.0.credentials(connection, &header).await?;
        if store && !shared.callers.load().roles(&credentials).may(Act::PutBoardModel) {
            // The core refuses, and the journal says so, before any work is done.
            self.0.ask(connection, &header, ask.clone()).await?;
        }
        let mut kept = {
            let _one_at_a_time = shared.learning.lock().await;
            let reader = shared.reader.clone();
            blocking(move || learned(&reader, &record, recipe, board)).await?
        };
        kept.at = shared.clock.wall_now();
        kept.by = shared.callers.load().person(&credentials).name.to_string();
        let mut model = archive::BoardModel {
            revision: 0,
            record: kept,
        };
        // What would not be taken at a start is not stored either.
        board::model(&model).map_err(|text| {
            Error::NothingLearned(format!(
                "run {run} is explained by no board that there is: {text}"
            ))
        })?;
        if store {
            self.0.ask(connection, &header, ask).await?;
            model.revision = shared
                .keep
                .board_model(model.record.clone())
                .await
                .map_err(Error::Archive)?;
        }
        json(&shapes::BoardLearned {
            schema: shapes::SCHEMA,
            stored: store,
            model: shapes::BoardModel::from(&model),
        })
    }

    /// The recipe that takes a board to a temperature in the least time, by what is known of it. `request`: JSON
    /// (`shapes::PlanRequest`). Returns JSON (`shapes::BoardPlan`); nothing is stored, so that it needs no role.
    ///
    /// Errors: `NoSuch` (nothing is known of the board there), `Invalid` (with every mistake), `Archive`.
    async fn plan(&self, request: String) -> Result<String, Error> {
        let request: shapes::PlanRequest = read_json("request", &request)?;
        let share = request.supply_share.unwrap_or(1.0);
        if !(share > 0.0 && share <= 1.0) {
            return Err(Error::Invalid(format!(
                "the supply share is {share}; it takes a share above 0 and up to 1"
            )));
        }
        let start = request.start_celsius.unwrap_or(learning::ROOM);
        if !(-40.0..=200.0).contains(&start) {
            return Err(Error::Invalid(format!(
                "the board is {start} °C at the start; it takes -40 to 200"
            )));
        }
        let reader = self.0.shared.reader.clone();
        blocking(move || {
            let (board, station) = (&*request.board, &*request.station);
            let (model, followers) = known(&reader, board, station)
                .map_err(Error::Archive)?
                .ok_or_else(|| {
                    Error::NoSuch(format!(
                        "nothing is known of a board \"{board}\" at {station}; let a run of it end and `benchward board learn` \
                         from it"
                    ))
                })?;
            let asked = Requirements {
                name: request.recipe.clone(),
                target: request.target_celsius,
                ramp_max: request.ramp_celsius_per_s_max,
                dwell_s: request.dwell_s,
                safe: request.safe_celsius,
                spread_max: request.spread_celsius_max,
                parts: request.parts.clone(),
            };
            let plan = plan(&model, &followers, start, share, &asked)
                .map_err(|mistakes| Error::Invalid(mistakes.to_string()))?;
            json(&shapes::BoardPlan::new(&plan, station, model.revision))
        })
        .await
    }
}

impl Boards {
    fn station(&self, name: &str) -> Result<StationId, Error> {
        let stations = &self.0.shared.wiring.setup.stations;
        stations
            .iter()
            .position(|station| &*station.name == name)
            .and_then(|at| u32::try_from(at).ok())
            .map(StationId)
            .ok_or_else(|| {
                Error::NoSuch(format!(
                    "the run was at {name}, which the configuration has no more; a model counts for its station"
                ))
            })
    }
}

/// A kind of board as a person wrote it.
fn kind_of_board(text: &str) -> Result<String, Error> {
    let chars = text.chars().count();
    if chars > NAME_CHARS_MAX || text.chars().any(char::is_control) || text.trim() != text {
        return Err(Error::Invalid(format!(
            "the board {text:?} has {chars} characters; it takes 1 to {NAME_CHARS_MAX}, none of them a control character,              no space at either end"
        )));
    }
    Ok(text.to_owned())
}

/// The record of a run that has heated to its end, and its recipe.
fn learnable(reader: &Reader, run: u64) -> Result<(RunRecord, Recipe), Error> {
    let record = reader.run(run).map_err(|error| match error {
        archive::Error::NoSuchRun(_) => {
            Error::NoSuch(format!("there is no run {run}; see `benchward run list`"))
        }
        other => archive_error(other),
    })?;
    if record.outcome.is_none() {
        return Err(Error::NotReady(format!(
            "run {run} at {} still heats; learn from it once it is over, and better once the board is safe to handle: how it              cools tells as well",
            record.station
        )));
    }
    let recipe = Recipe::parse(&record.recipe, &record.recipe_text).map_err(|mistakes| {
        Error::Archive(format!(
            "the recipe of run {run} can't be read, so that nobody knows which channel was steered: {mistakes}"
        ))
    })?;
    Ok((record, recipe))
}

/// What the run says of its board: nobody's yet.
fn learned(
    reader: &Reader,
    record: &RunRecord,
    recipe: Recipe,
    board: String,
) -> Result<BoardModelRecord, Error> {
    let mut readings = reader.readings(record.run).map_err(archive_error)?;
    let mut gathering = Gathering::new(recipe.control);
    while let Some(block) = readings.next_block() {
        gathering.take(&block.map_err(archive_error)?);
    }
    let gathered = gathering.finish();
    let samples = &gathered.samples;
    let room = learning::room(samples);
    let learned = learn::learn(samples, room).map_err(|why| {
        Error::NothingLearned(format!("nothing can be learned from run {}: {why}", record.run))
    })?;
    let followers: Vec<Follower> = gathered
        .channels
        .iter()
        .filter_map(|(name, readings)| follow(&learned, room, samples, &name.as_str().into(), readings))
        .collect();
    Ok(BoardModelRecord {
        schema: BoardModelRecord::SCHEMA,
        board,
        station: record.station.clone(),
        run: record.run,
        serial: record.serial.clone(),
        room_celsius: room,
        readings: u32::try_from(samples.len()).unwrap_or(u32::MAX),
        rms_celsius: learned.rms,
        worst_celsius: learned.worst,
        hottest_celsius: Some(learned.hottest),
        parameters: board::parameters(&learned),
        channels: board::channels(&followers),
        ..BoardModelRecord::default()
    })
}
