//! Finding the daemon and asking it.

use std::ffi::OsString;
use std::future::Future;
use std::io;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::time::Duration;

use benchward_api::{
    ArchiveProxy, BoardsProxy, Error, LabProxy, RecipesProxy, SensorsProxy, StationProxy, WindowsProxy,
    shapes, station_path,
};
use serde::de::DeserializeOwned;
use zbus::connection::Builder;

use crate::arguments::Bus;
use crate::failure::Failure;

/// Where the daemon's socket is when it runs as the system's service.
const SYSTEM_SOCKET: &str = "/run/benchward/bus";

/// How long a connection and an answer may take. The daemon answers in milliseconds; what needs longer hangs, and a
/// person at a bench has to know that soon.
const PATIENCE: Duration = Duration::from_secs(5);

/// How long a walk over the whole journal or a long list may take.
const PATIENCE_WITH_RECORDS: Duration = Duration::from_mins(1);

/// A daemon that answered.
#[derive(Debug, Clone)]
pub(crate) struct Daemon {
    connection: zbus::Connection,
    /// Where it was found, for messages.
    place: String,
}

/// Sockets to try, in order. A named one is the only one.
fn sockets(named: Option<&Path>, variable: impl Fn(&str) -> Option<OsString>) -> Vec<PathBuf> {
    if let Some(named) = named {
        return vec![named.to_owned()];
    }
    if let Some(set) = variable("BENCHWARD_SOCKET").filter(|path| !path.is_empty()) {
        return vec![set.into()];
    }
    let mut paths: Vec<PathBuf> = benchward_config::socket_path(variable).into_iter().collect();
    if !paths.iter().any(|path| path == Path::new(SYSTEM_SOCKET)) {
        paths.push(SYSTEM_SOCKET.into());
    }
    paths
}

impl Daemon {
    /// Connects over the private socket, or over a message bus.
    pub(crate) async fn reach(socket: Option<&Path>, bus: Bus) -> Result<Self, Failure> {
        match bus {
            Bus::None => Self::reach_socket(&sockets(socket, |name| std::env::var_os(name))).await,
            Bus::System => Self::reach_bus(Builder::system(), "the system bus").await,
            Bus::Session => Self::reach_bus(Builder::session(), "the session bus").await,
        }
    }

    async fn reach_socket(paths: &[PathBuf]) -> Result<Self, Failure> {
        let mut tried = Vec::new();
        for path in paths {
            match UnixStream::connect(path) {
                Ok(stream) => {
                    let place = path.display().to_string();
                    let builder = Builder::unix_stream(stream)
                        .p2p()
                        .method_timeout(PATIENCE_WITH_RECORDS);
                    let connection =
                        patiently(&place, PATIENCE, async { Ok(builder.build().await?) }).await?;
                    return Ok(Self { connection, place });
                }
                Err(error) if error.kind() == io::ErrorKind::PermissionDenied => {
                    return Err(Failure::not_permitted(
                        format!("this account may not use the daemon's socket {}", path.display()),
                        "ask for a group that `[roles]` in the lab's lab.toml names, and log in again",
                    ));
                }
                Err(error) => tried.push(format!("{} ({})", path.display(), absence(&error))),
            }
        }
        Err(Failure::no_daemon(
            format!("no daemon: tried {}", tried.join(", ")),
            "start it with `systemctl start benchwardd` or `benchwardd --config lab.toml`; name another socket with \
             --socket or $BENCHWARD_SOCKET; read the records of a stopped lab with --archive DIR; `benchward demo` \
             needs no daemon",
        ))
    }

    async fn reach_bus(builder: Builder<'static>, place: &str) -> Result<Self, Failure> {
        let builder = builder.method_timeout(PATIENCE_WITH_RECORDS);
        let why = match tokio::time::timeout(PATIENCE, builder.build()).await {
            Ok(Ok(connection)) => {
                return Ok(Self {
                    connection,
                    place: place.to_owned(),
                });
            }
            Ok(Err(error)) => error.to_string(),
            Err(_) => format!("no answer within {} s", PATIENCE.as_secs()),
        };
        Err(Failure::no_daemon(
            format!("{place} can't be reached: {why}"),
            "leave out --bus to use the daemon's private socket, which needs no bus",
        ))
    }

    /// Asks and waits, as long as an answer may take.
    pub(crate) async fn ask<T>(
        &self,
        question: impl Future<Output = Result<T, Error>>,
    ) -> Result<T, Failure> {
        patiently(&self.place, PATIENCE, question).await
    }

    /// [`Daemon::ask`] for what has to read many records.
    pub(crate) async fn ask_records<T>(
        &self,
        question: impl Future<Output = Result<T, Error>>,
    ) -> Result<T, Failure> {
        patiently(&self.place, PATIENCE_WITH_RECORDS, question).await
    }

    /// The lab as a whole.
    pub(crate) async fn lab(&self) -> Result<LabProxy<'static>, Failure> {
        self.ask(async { Ok(LabProxy::new(&self.connection).await?) })
            .await
    }

    /// Runs, readings, journal.
    pub(crate) async fn archive(&self) -> Result<ArchiveProxy<'static>, Failure> {
        self.ask(async { Ok(ArchiveProxy::new(&self.connection).await?) })
            .await
    }

    /// Recipes.
    pub(crate) async fn recipes(&self) -> Result<RecipesProxy<'static>, Failure> {
        self.ask(async { Ok(RecipesProxy::new(&self.connection).await?) })
            .await
    }

    /// Windows, and runs judged by them.
    pub(crate) async fn windows(&self) -> Result<WindowsProxy<'static>, Failure> {
        self.ask(async { Ok(WindowsProxy::new(&self.connection).await?) })
            .await
    }

    /// Boards and what is known of them.
    pub(crate) async fn boards(&self) -> Result<BoardsProxy<'static>, Failure> {
        self.ask(async { Ok(BoardsProxy::new(&self.connection).await?) })
            .await
    }

    /// Sensors and their calibrations.
    pub(crate) async fn sensors(&self) -> Result<SensorsProxy<'static>, Failure> {
        self.ask(async { Ok(SensorsProxy::new(&self.connection).await?) })
            .await
    }

    /// The scale that temperatures are shown in: `celsius` or `fahrenheit`. One that can't say shows °C.
    pub(crate) async fn display(&self) -> Result<String, Failure> {
        let lab = self.lab().await?;
        Ok(lab.display().await.unwrap_or_default())
    }

    /// Where it was found, for messages.
    pub(crate) fn place(&self) -> &str {
        &self.place
    }

    /// Its version.
    pub(crate) async fn version(&self) -> Result<String, Failure> {
        let lab = self.lab().await?;
        self.ask(async { Ok(lab.version().await?) }).await
    }

    /// What every bench does now.
    pub(crate) async fn status(&self) -> Result<shapes::Status, Failure> {
        let lab = self.lab().await?;
        parsed(&self.ask(lab.status()).await?)
    }

    /// A station by name. Asks for the names first, so that a slip of the finger is told from a missing object.
    pub(crate) async fn station(&self, name: &str) -> Result<StationProxy<'static>, Failure> {
        let status = self.status().await?;
        if !status.stations.iter().any(|station| station.station == name) {
            return Err(Failure::no_such(
                "station",
                name,
                status.stations.iter().map(|station| station.station.as_str()),
            ));
        }
        self.station_unseen(name).await
    }

    /// A station that is known to be there, or where asking first would cost time that matters.
    pub(crate) async fn station_unseen(&self, name: &str) -> Result<StationProxy<'static>, Failure> {
        self.ask(async { Ok(StationProxy::new(&self.connection, station_path(name)).await?) })
            .await
    }
}

/// Waits for an answer, and no longer than makes sense.
async fn patiently<T>(
    place: &str,
    patience: Duration,
    question: impl Future<Output = Result<T, Error>>,
) -> Result<T, Failure> {
    match tokio::time::timeout(patience, question).await {
        Ok(Ok(answer)) => Ok(answer),
        Ok(Err(Error::Bus(error))) => Err(bus_failure(place, &error)),
        Ok(Err(error)) => Err(error.into()),
        Err(_) => Err(Failure::no_daemon(
            format!(
                "the daemon at {place} did not answer within {} s",
                patience.as_secs()
            ),
            "it hangs or is stopped: heat lapses by itself within 1.5 s of that; if a bench is hot, use its emergency \
             stop, then restart the daemon",
        )),
    }
}

/// What the bus itself had to say.
fn bus_failure(place: &str, error: &zbus::Error) -> Failure {
    let name = match error {
        zbus::Error::MethodError(name, _, _) => name.as_str().to_owned(),
        zbus::Error::FDO(error) => zbus::DBusError::name(&**error).to_string(),
        _ => String::new(),
    };
    match name
        .strip_prefix("org.freedesktop.DBus.Error.")
        .unwrap_or_default()
    {
        "ServiceUnknown" | "NameHasNoOwner" => Failure::no_daemon(
            format!(
                "no daemon on {place}: nobody there is called {}",
                benchward_api::BUS_NAME
            ),
            "set `bus` in lab.toml, or leave out --bus to use the private socket",
        ),
        "AccessDenied" => Failure::not_permitted(
            format!("{place} doesn't let this account ask the daemon"),
            "see the bus policy that came with Benchward, or leave out --bus to use the private socket",
        ),
        "UnknownObject" | "UnknownMethod" | "UnknownInterface" => Failure::failed(format!(
            "the daemon at {place} doesn't know what it was asked ({error}); are both of the same version?"
        )),
        _ => Failure::no_daemon(
            format!("the daemon at {place} is gone or broke off: {error}"),
            "see its log; `benchward status` shows whether it is back",
        ),
    }
}

/// Why there is nobody at a socket, in words.
fn absence(error: &io::Error) -> String {
    match error.kind() {
        io::ErrorKind::NotFound => "not there".into(),
        io::ErrorKind::ConnectionRefused => "nobody listens any more".into(),
        _ => error.to_string(),
    }
}

/// Reads a shape that the daemon sent.
pub(crate) fn parsed<T: DeserializeOwned>(json: &str) -> Result<T, Failure> {
    serde_json::from_str(json).map_err(|error| {
        Failure::failed(format!(
            "the daemon's answer can't be read ({error}); are both of the same version?"
        ))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn environment(set: &'static [(&str, &str)]) -> impl Fn(&str) -> Option<OsString> {
        move |name| {
            set.iter()
                .find(|(key, _)| *key == name)
                .map(|(_, value)| OsString::from(value))
        }
    }

    fn searched(named: Option<&str>, set: &'static [(&str, &str)]) -> Vec<String> {
        sockets(named.map(Path::new), environment(set))
            .iter()
            .map(|path| path.display().to_string())
            .collect()
    }

    #[test]
    fn a_named_socket_is_the_only_one() {
        let set = &[("BENCHWARD_SOCKET", "/b"), ("XDG_RUNTIME_DIR", "/run/user/1000")];
        assert_eq!(searched(Some("/a"), set), ["/a"]);
        assert_eq!(searched(None, set), ["/b"]);
    }

    #[test]
    fn without_a_name_it_looks_where_the_daemon_puts_it() {
        assert_eq!(searched(None, &[]), ["/run/benchward/bus"]);
        assert_eq!(
            searched(
                None,
                &[("BENCHWARD_SOCKET", ""), ("XDG_RUNTIME_DIR", "/run/user/1000")]
            ),
            ["/run/user/1000/benchward/bus", "/run/benchward/bus"]
        );
        assert_eq!(
            searched(None, &[("RUNTIME_DIRECTORY", "/run/benchward")]),
            ["/run/benchward/bus"]
        );
    }
}
