//! D-Bus: the same objects on the private socket and, where the configuration says so, on a bus.
//!
//! Handlers of one connection run unordered and may wait; none of them is on the way from a reading to a cut. What
//! changes something goes to the lab thread, which decides, and is answered once it is on the disk.

mod archive;
mod boards;
mod documents;
mod drivers;
mod lab;
mod peers;
mod recipes;
mod sensors;
mod station;
mod windows;

use std::sync::Arc;
use std::time::Duration;

use arc_swap::ArcSwap;
use benchward_api::Error;
use benchward_archive::Reader;
use benchward_config::{Bus, Display};
use benchward_core::{Answer, Ask, Origin, Signal, StationId};
use tokio::sync::broadcast;
use tracing::{error, info, warn};
use zbus::message::Header;

use crate::archive::Keep;
use crate::callers::{Callers, Credentials};
use crate::clock::Clock;
use crate::lab::LabHandle;
use crate::reread::Rereads;
use crate::vitals::Vitals;
use crate::wiring::Wiring;

pub(crate) use peers::listen;

/// How long an answer may wait for the disk. Past it the caller is told that the decision stands but is not yet kept.
const KEPT_WITHIN: Duration = Duration::from_secs(5);

/// How often a connection is tried again when the bus is away.
const BUS_RETRY: Duration = Duration::from_secs(5);

/// What every object needs.
pub(crate) struct Shared {
    pub(crate) lab: LabHandle,
    pub(crate) keep: Keep,
    pub(crate) reader: Reader,
    pub(crate) wiring: Arc<Wiring>,
    pub(crate) clock: Arc<Clock>,
    pub(crate) vitals: Arc<Vitals>,
    /// Who holds which role, and the scale that screens show temperatures in: exchanged when the configuration is read again.
    pub(crate) callers: ArcSwap<Callers>,
    pub(crate) display: ArcSwap<Display>,
    pub(crate) rereads: Rereads,
    pub(crate) signals: broadcast::Sender<Signal>,
    /// Held while something is learned from a run: that takes a whole CPU, and one at a time leaves the others to the lab.
    pub(crate) learning: tokio::sync::Mutex<()>,
}

/// How an object learns who calls it.
#[derive(Clone)]
enum Caller {
    /// A peer of the private socket: the kernel said at the accept.
    Peer(Credentials),
    /// A client of a bus: the bus is asked, for each call.
    Bus,
}

/// What an object of one connection is made of.
#[derive(Clone)]
struct Door {
    shared: Arc<Shared>,
    caller: Caller,
}

impl Door {
    async fn credentials(
        &self,
        connection: &zbus::Connection,
        header: &Header<'_>,
    ) -> Result<Credentials, Error> {
        match &self.caller {
            Caller::Peer(credentials) => Ok(credentials.clone()),
            Caller::Bus => {
                let sender = header
                    .sender()
                    .ok_or_else(|| Error::Invalid("a call without a sender".into()))?;
                let bus = zbus::fdo::DBusProxy::new(connection).await?;
                let credentials = bus
                    .get_connection_credentials(sender.to_owned().into())
                    .await
                    .map_err(|error| Error::Unavailable(format!("the bus doesn't say who calls: {error}")))?;
                let uid = credentials
                    .unix_user_id()
                    .ok_or_else(|| Error::Unavailable("the bus doesn't say which user calls".into()))?;
                Ok(Credentials {
                    uid,
                    gids: credentials.unix_group_ids().cloned().unwrap_or_default(),
                })
            }
        }
    }

    /// Asks the lab for something in the caller's name, and answers once what was decided is on the disk.
    async fn ask(
        &self,
        connection: &zbus::Connection,
        header: &Header<'_>,
        ask: Ask,
    ) -> Result<Answer, Error> {
        let credentials = self.credentials(connection, header).await?;
        let callers = self.shared.callers.load();
        let (who, roles) = (callers.person(&credentials), callers.roles(&credentials));
        let answer = self
            .shared
            .lab
            .ask(who, roles, Origin::Local, ask)
            .await
            .ok_or_else(|| Error::Unavailable("the daemon is ending".into()))?;
        // A refusal is journalled as well, so that both kinds of answer wait.
        match tokio::time::timeout(KEPT_WITHIN, self.shared.keep.barrier()).await {
            Ok(Ok(())) => {}
            Ok(Err(text)) => warn!("answered before it was on the disk: {text}"),
            Err(_) => {
                warn!("answered before it was on the disk: the archive takes longer than {KEPT_WITHIN:?}");
            }
        }
        Ok(answer?)
    }

    /// As [`Door::ask`], for what is done and says what the state is now.
    async fn done(
        &self,
        connection: &zbus::Connection,
        header: &Header<'_>,
        ask: Ask,
    ) -> Result<String, Error> {
        Ok(match self.ask(connection, header, ask).await? {
            Answer::Done(text) => text,
            Answer::Started(run) => format!("run {run} has started"),
        })
    }
}

/// What the archive couldn't do.
fn archive_error(error: impl std::fmt::Display) -> Error {
    Error::Archive(error.to_string())
}

/// A shape as JSON text.
fn json(shape: &impl serde::Serialize) -> Result<String, Error> {
    serde_json::to_string(shape).map_err(|error| Error::Archive(format!("can't be shown: {error}")))
}

/// A request in JSON; `what`: what an error calls it.
///
/// A string of the bus holds no zero (D-Bus Specification, "Basic types"), but JSON can spell one: an answer that quoted it
/// would come without its text. So none is taken.
fn read_json<T: for<'a> serde::Deserialize<'a>>(what: &str, text: &str) -> Result<T, Error> {
    if text.contains("\\u0000") {
        return Err(Error::Invalid(format!(
            "the {what} has the character \\u0000 in it, which no name or figure has; leave it out"
        )));
    }
    serde_json::from_str(text).map_err(|error| Error::Invalid(format!("the {what} can't be read: {error}")))
}

/// Runs something that reads the archive, which blocks, off the async threads.
async fn blocking<T: Send + 'static>(
    work: impl FnOnce() -> Result<T, Error> + Send + 'static,
) -> Result<T, Error> {
    tokio::task::spawn_blocking(work)
        .await
        .unwrap_or_else(|error| Err(Error::Archive(format!("reading the archive failed: {error}"))))
}

/// Serves all objects on a connection that is being built.
fn serve<'a>(mut builder: zbus::connection::Builder<'a>, door: &Door) -> zbus::connection::Builder<'a> {
    use benchward_api::{
        ARCHIVE_PATH, BOARDS_PATH, LAB_PATH, RECIPES_PATH, SENSORS_PATH, WINDOWS_PATH, station_path,
    };
    builder = builder
        .serve_at(LAB_PATH, lab::Lab(door.clone()))
        .serve_at(LAB_PATH, zbus::fdo::ObjectManager)
        .serve_at(ARCHIVE_PATH, archive::Archive(door.clone()))
        .serve_at(RECIPES_PATH, recipes::Recipes(door.clone()))
        .serve_at(BOARDS_PATH, boards::Boards(door.clone()))
        .serve_at(WINDOWS_PATH, windows::Windows(door.clone()))
        .serve_at(SENSORS_PATH, sensors::Sensors(door.clone()));
    for (at, station) in door.shared.wiring.setup.stations.iter().enumerate() {
        let id = StationId(u32::try_from(at).unwrap_or(u32::MAX));
        builder = builder.serve_at(
            station_path(&station.name),
            station::Station {
                door: door.clone(),
                id,
            },
        );
    }
    builder
}

/// Is on a bus for as long as the daemon lives: connects again when the bus comes back.
pub(crate) async fn stay_on(bus: Bus, shared: Arc<Shared>) {
    let mut said = false;
    loop {
        let builder = match bus {
            Bus::None => return,
            Bus::System => zbus::connection::Builder::system(),
            Bus::Session => zbus::connection::Builder::session(),
        };
        let door = Door {
            shared: shared.clone(),
            caller: Caller::Bus,
        };
        // Objects first, then the name: who sees the name finds the objects.
        match serve(builder, &door).name(benchward_api::BUS_NAME).build().await {
            Ok(connection) => {
                info!("on the {} bus as {}", bus_word(bus), benchward_api::BUS_NAME);
                said = false;
                peers::tell(&connection, &shared).await;
                warn!("the {} bus is gone; tried again in {BUS_RETRY:?}", bus_word(bus));
            }
            Err(error) if !said => {
                said = true;
                error!(
                    "can't be on the {} bus: {error}; tried again each {BUS_RETRY:?}",
                    bus_word(bus)
                );
            }
            Err(_) => {}
        }
        tokio::time::sleep(BUS_RETRY).await;
    }
}

const fn bus_word(bus: Bus) -> &'static str {
    match bus {
        Bus::None => "no",
        Bus::System => "system",
        Bus::Session => "session",
    }
}
