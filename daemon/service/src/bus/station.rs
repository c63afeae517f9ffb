//! `io.benchward.Station1` at `/io/benchward/Lab1/station/NAME`.

use std::sync::Arc;

use benchward_api::{Error, board};
use benchward_archive::Reader;
use benchward_core::model::BoardModel;
use benchward_core::model::follow::Follower;
use benchward_core::predict::{self, Prediction};
use benchward_core::recipe::{ControlBy, Recipe};
use benchward_core::units::Celsius;
use benchward_core::{Answer, Ask, StationId, StationView};
use tracing::warn;
use zbus::message::Header;

use super::lab::celsius_of;
use super::{Door, blocking};

/// What is known of a kind of board on a station, and of its channels; `Err`: why that can't be said.
pub(super) fn known(
    reader: &Reader,
    board: &str,
    station: &str,
) -> Result<Option<(BoardModel, Vec<Follower>)>, String> {
    let kept = reader
        .board_model(board, station)
        .map_err(|error| format!("what is known of \"{board}\" at {station} can't be read: {error}"))?;
    if let Some(text) = kept.unreadable.first() {
        return Err(text.clone());
    }
    kept.found
        .first()
        .map(|kept| Ok((board::model(kept)?, board::followers(kept))))
        .transpose()
}

/// What a board model foretells of a run that starts as the station stands now. `None`: there is no temperature to start
/// from.
fn foretold(view: &StationView, recipe: &Recipe, model: &BoardModel) -> Option<Prediction> {
    let read = |name: Option<&str>| {
        let all = view
            .channels
            .iter()
            .filter(|channel| name.is_none_or(|name| *channel.name == *name));
        let celsius: Option<Vec<f64>> = all.map(|channel| channel.celsius.map(Celsius::degrees)).collect();
        celsius.filter(|celsius| !celsius.is_empty())
    };
    let celsius = match &recipe.control {
        ControlBy::Channel(name) => read(Some(name))?.into_iter().reduce(f64::max),
        ControlBy::Hottest => read(None)?.into_iter().reduce(f64::max),
        ControlBy::Coldest => read(None)?.into_iter().reduce(f64::min),
        ControlBy::Mean => {
            let all = read(None)?;
            let count = u32::try_from(all.len()).ok()?;
            Some(all.iter().sum::<f64>() / f64::from(count))
        }
    }?;
    Some(predict::before_start(
        model,
        celsius,
        recipe,
        view.supply_left.share(),
    ))
}

/// Longest serial number, characters: it has to fit on a label and a screen.
const SERIAL_MAX: usize = 64;

pub(super) struct Station {
    pub(super) door: Door,
    pub(super) id: StationId,
}

impl Station {
    fn view(&self) -> Option<StationView> {
        self.door.shared.lab.view().stations.get(self.id.index()).cloned()
    }
}

#[zbus::interface(name = "io.benchward.Station1")]
impl Station {
    /// Starts a run of the newest revision of `recipe` on the board with serial number `serial` (1 to 64 printable
    /// characters). Returns the run's number. Any role.
    ///
    /// Errors: `NotPermitted`, `NoSuch` (recipe), `Invalid`, `CeilingExceeded`, `Tripped`, `Busy`, `NotReady`.
    async fn start(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
        recipe: String,
        serial: String,
    ) -> Result<u64, Error> {
        if serial.is_empty() || serial.chars().count() > SERIAL_MAX || serial.chars().any(char::is_control) {
            return Err(Error::Invalid(format!(
                "the serial number {serial:?} has {} characters; it takes 1 to {SERIAL_MAX}, none of them a control \
                 character",
                serial.chars().count()
            )));
        }
        let view = self.view();
        let name = view.as_ref().map(|view| view.name.clone()).unwrap_or_default();
        let reader = self.door.shared.reader.clone();
        let (recipe, revision, model, foretold) = blocking(move || {
            let stored = reader
                .recipe(&recipe, None)
                .map_err(|error| Error::Archive(error.to_string()))?
                .ok_or_else(|| {
                    Error::NoSuch(format!(
                        "there is no recipe \"{recipe}\"; see `benchward recipe list`"
                    ))
                })?;
            let parsed = Recipe::parse(&recipe, &stored.text)
                .map_err(|mistakes| Error::Invalid(mistakes.to_string()))?;
            let model = known(&reader, parsed.board(), &name).map(|known| known.map(|(model, _)| model));
            let foretold = match (&model, &view) {
                (Ok(Some(model)), Some(view)) => foretold(view, &parsed, model),
                (Ok(_) | Err(_), _) => None,
            };
            Ok((Arc::new(parsed), stored.revision, model, foretold))
        })
        .await?;
        let model = model.unwrap_or_else(|trouble| {
            // What can't be read steers nothing: the run heats as carefully as on a board that nobody knows.
            warn!("{trouble}");
            let keep = &self.door.shared.keep;
            keep.own("board-model", format!("{trouble}; the run starts as a first run"));
            None
        });
        let ask = Ask::Start {
            station: self.id,
            recipe,
            revision,
            serial: serial.as_str().into(),
            model: model.map(Arc::new),
            foretold: foretold.map(Arc::new),
        };
        match self.door.ask(connection, &header, ask).await? {
            Answer::Started(run) => Ok(run.0),
            Answer::Done(text) => Err(Error::NotReady(text)),
        }
    }

    /// Ends the run; the board cools down. Nothing is latched. Any role.
    async fn stop_run(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
    ) -> Result<String, Error> {
        self.door.done(connection, &header, Ask::StopRun(self.id)).await
    }

    /// Takes the heat away now and latches `stop` (heat off). Any role.
    async fn stop(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
    ) -> Result<String, Error> {
        self.door
            .done(connection, &header, Ask::Stop(Some(self.id)))
            .await
    }

    /// Confirms that somebody is at the bench. Any role.
    async fn present(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
    ) -> Result<String, Error> {
        self.door.done(connection, &header, Ask::Present(self.id)).await
    }

    /// Confirms that the sensors are on the board, where a first run waits for that; it goes on. Confirms presence, too. Any
    /// role.
    ///
    /// Errors: `NotPermitted`, `NothingToConfirm`.
    async fn confirm(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
    ) -> Result<String, Error> {
        self.door.done(connection, &header, Ask::Confirm(self.id)).await
    }

    /// Says that the trips have been seen. Any role.
    async fn acknowledge(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
    ) -> Result<String, Error> {
        self.door
            .done(connection, &header, Ask::Acknowledge(self.id))
            .await
    }

    /// Lifts the trips, once their causes are gone. After "heat off": any role; after "cut": role `safety`.
    ///
    /// Errors: `NotPermitted`, `CauseStands`.
    async fn reset(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
    ) -> Result<String, Error> {
        self.door.done(connection, &header, Ask::Reset(self.id)).await
    }

    /// Goes on with a tripped run at its stage, within 10 minutes of the trip and after its reset. Any role.
    ///
    /// Errors: `NotPermitted`, `NothingToResume`, `Tripped`, `NotReady`, `CeilingExceeded`.
    async fn resume(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
    ) -> Result<String, Error> {
        self.door.done(connection, &header, Ask::Resume(self.id)).await
    }

    /// Moves the station's own ceiling. `celsius`: 40 to 400. It counts at once. Role `safety`.
    ///
    /// Errors: `NotPermitted`, `CeilingOutOfBounds`, `Invalid`.
    async fn set_ceiling(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
        celsius: f64,
    ) -> Result<String, Error> {
        let celsius = celsius_of(celsius)?;
        self.door
            .done(
                connection,
                &header,
                Ask::SetStationCeiling(self.id, Some(celsius)),
            )
            .await
    }

    /// Takes the station's own ceiling away, so that the lab's counts. Role `safety`.
    async fn clear_ceiling(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
    ) -> Result<String, Error> {
        self.door
            .done(connection, &header, Ask::SetStationCeiling(self.id, None))
            .await
    }

    /// Its name.
    #[zbus(property(emits_changed_signal = "const"))]
    fn name(&self) -> String {
        self.view().map(|view| view.name.to_string()).unwrap_or_default()
    }

    /// `idle`, `ramp`, `dwell`, `cooldown` or `cool`.
    #[zbus(property)]
    fn phase(&self) -> String {
        self.view()
            .map(|view| view.phase.text().to_owned())
            .unwrap_or_default()
    }

    /// Number of the run in progress; 0: none.
    #[zbus(property)]
    fn run(&self) -> u64 {
        self.view().and_then(|view| view.run).map_or(0, |run| run.0)
    }

    /// Heat that was last granted, 0 to 1.
    #[zbus(property)]
    fn heat(&self) -> f64 {
        self.view().map_or(0.0, |view| view.heat.share())
    }

    /// Effective ceiling, °C.
    #[zbus(property)]
    fn ceiling(&self) -> f64 {
        self.view().map_or(0.0, |view| view.ceiling.celsius.degrees())
    }

    /// Target of the stage, °C; empty while no heat may be on.
    #[zbus(property)]
    fn target(&self) -> Vec<f64> {
        self.view()
            .and_then(|view| view.target)
            .map(Celsius::degrees)
            .into_iter()
            .collect()
    }

    /// Its channels: name, temperature in °C (empty where there is none), quality (`good`, `stale` or the fault).
    #[zbus(property)]
    fn channels(&self) -> Vec<(String, Vec<f64>, String)> {
        self.view().map(|view| channels_of(&view)).unwrap_or_default()
    }

    /// Its interlocks: name, standing, text.
    #[zbus(property)]
    fn interlocks(&self) -> Vec<(String, String, String)> {
        self.view().map(|view| interlocks_of(&view)).unwrap_or_default()
    }

    /// `up` or `down`.
    #[zbus(property)]
    fn driver(&self) -> String {
        self.view()
            .map(|view| driver_of(&view).to_owned())
            .unwrap_or_default()
    }
}

pub(super) fn channels_of(view: &StationView) -> Vec<(String, Vec<f64>, String)> {
    view.channels
        .iter()
        .map(|channel| {
            let celsius = channel.celsius.map(Celsius::degrees).into_iter().collect();
            (channel.name.to_string(), celsius, channel.quality.to_string())
        })
        .collect()
}

pub(super) fn interlocks_of(view: &StationView) -> Vec<(String, String, String)> {
    view.interlocks
        .iter()
        .map(|interlock| {
            (
                interlock.name.text().to_owned(),
                interlock.standing.to_owned(),
                interlock.text.clone(),
            )
        })
        .collect()
}

pub(super) const fn driver_of(view: &StationView) -> &'static str {
    if view.driver_up { "up" } else { "down" }
}
