//! A client of the private socket, as the command line is one: the same proxies, the same shapes.

use std::io::{Read as _, Write as _};
use std::os::unix::net::UnixStream;
use std::path::Path;
use std::pin::pin;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use benchward_api::{
    ArchiveProxy, BoardsProxy, Error, LabProxy, RecipesProxy, SensorsProxy, StationProxy, WindowsProxy,
    shapes, station_path,
};
use serde::de::DeserializeOwned;
use tokio::runtime::Runtime;
use zbus::export::futures_core::Stream as _;

use crate::wait::wait_for;

/// How long an answer may take.
const ANSWER_WITHIN: Duration = Duration::from_secs(20);

/// A signal that a client heard.
#[derive(Debug, Clone, PartialEq)]
pub struct Heard {
    /// Path of the object.
    pub path: String,
    /// Its name.
    pub member: String,
    /// Its arguments, as text.
    pub body: String,
}

/// A connection that is open.
#[derive(Debug)]
pub struct Client {
    runtime: Runtime,
    connection: zbus::Connection,
    heard: Arc<Mutex<Vec<Heard>>>,
}

impl Client {
    /// Connects to a daemon's socket.
    ///
    /// # Panics
    /// If nobody is there.
    pub fn connect(socket: &Path) -> Self {
        let runtime = tokio::runtime::Builder::new_multi_thread()
            .worker_threads(1)
            .enable_all()
            .build()
            .expect("a thread for the client");
        let heard = Arc::new(Mutex::new(Vec::new()));
        let connection = runtime.block_on(async {
            let stream = UnixStream::connect(socket).unwrap_or_else(|e| panic!("{}: {e}", socket.display()));
            let builder = zbus::connection::Builder::unix_stream(stream)
                .p2p()
                .method_timeout(ANSWER_WITHIN);
            let connection = builder.build().await.expect("a handshake with the daemon");
            let messages = zbus::MessageStream::from(&connection);
            tokio::spawn(listen(messages, heard.clone()));
            connection
        });
        Self {
            runtime,
            connection,
            heard,
        }
    }

    /// Everything that `benchward status` shows.
    pub fn status(&self) -> shapes::Status {
        parsed(self.lab(async |lab| lab.status().await))
    }

    /// One station of it.
    ///
    /// # Panics
    /// If there is no such station.
    pub fn station(&self, name: &str) -> shapes::Station {
        let status = self.status();
        let found = status
            .stations
            .into_iter()
            .find(|station| station.station == name);
        found.unwrap_or_else(|| panic!("no station {name}"))
    }

    /// Where an interlock of a station stands.
    ///
    /// # Panics
    /// If there is no such station or interlock.
    pub fn standing(&self, station: &str, interlock: &str) -> shapes::Interlock {
        let interlocks = self.station(station).interlocks;
        let found = interlocks.into_iter().find(|one| one.interlock == interlock);
        found.unwrap_or_else(|| panic!("no interlock {interlock}"))
    }

    /// The interlocks of a station that are latched, by name.
    pub fn tripped(&self, station: &str) -> Vec<String> {
        let interlocks = self.station(station).interlocks;
        let latched = interlocks
            .into_iter()
            .filter(|one| matches!(&*one.standing, "tripped" | "acknowledged"));
        latched.map(|one| one.interlock).collect()
    }

    /// Waits until an interlock of a station has tripped. Returns its text.
    pub fn wait_for_trip(&self, station: &str, interlock: &str) -> String {
        wait_for(&format!("{station}: `{interlock}` trips"), || {
            let now = self.standing(station, interlock);
            (now.standing == "tripped").then_some(now.text)
        })
    }

    /// Waits until the stations' drivers are up and every channel reads.
    pub fn wait_ready(&self, stations: &[&str]) {
        for name in stations {
            wait_for(&format!("{name} is ready"), || {
                let station = self.station(name);
                let good = station.channels.iter().all(|channel| channel.quality == "good");
                (station.driver == "up" && good).then_some(())
            });
        }
    }

    /// Asks the lab.
    ///
    /// # Errors
    /// What the daemon answers.
    pub fn lab<T>(&self, ask: impl AsyncFnOnce(LabProxy<'_>) -> Result<T, Error>) -> Result<T, Error> {
        self.runtime
            .block_on(async { ask(LabProxy::new(&self.connection).await?).await })
    }

    /// Asks a station.
    ///
    /// # Errors
    /// What the daemon answers.
    pub fn ask<T>(
        &self,
        station: &str,
        ask: impl AsyncFnOnce(StationProxy<'_>) -> Result<T, Error>,
    ) -> Result<T, Error> {
        self.runtime.block_on(async {
            let builder = StationProxy::builder(&self.connection).path(station_path(station));
            // A property is asked for when it is wanted; what is kept could be old.
            ask(builder
                .cache_properties(zbus::proxy::CacheProperties::No)
                .build()
                .await?)
            .await
        })
    }

    /// Starts a run. Returns its number.
    ///
    /// # Errors
    /// What the daemon answers.
    pub fn start(&self, station: &str, recipe: &str, serial: &str) -> Result<u64, Error> {
        self.ask(station, async |station| station.start(recipe, serial).await)
    }

    /// Stores a recipe. Returns its revision.
    ///
    /// # Errors
    /// What the daemon answers.
    pub fn put_recipe(&self, text: &str) -> Result<u32, Error> {
        self.recipes(async |recipes| recipes.put(text).await)
    }

    /// Asks for recipes.
    ///
    /// # Errors
    /// What the daemon answers.
    pub fn recipes<T>(
        &self,
        ask: impl AsyncFnOnce(RecipesProxy<'_>) -> Result<T, Error>,
    ) -> Result<T, Error> {
        self.runtime
            .block_on(async { ask(RecipesProxy::new(&self.connection).await?).await })
    }

    /// Asks the windows.
    ///
    /// # Errors
    /// What the daemon says.
    pub fn windows<T>(
        &self,
        ask: impl AsyncFnOnce(WindowsProxy<'_>) -> Result<T, Error>,
    ) -> Result<T, Error> {
        self.runtime
            .block_on(async { ask(WindowsProxy::new(&self.connection).await?).await })
    }

    /// Asks for boards.
    ///
    /// # Errors
    /// What the daemon answers.
    pub fn boards<T>(&self, ask: impl AsyncFnOnce(BoardsProxy<'_>) -> Result<T, Error>) -> Result<T, Error> {
        self.runtime
            .block_on(async { ask(BoardsProxy::new(&self.connection).await?).await })
    }

    /// Asks for sensors.
    ///
    /// # Errors
    /// What the daemon answers.
    pub fn sensors<T>(
        &self,
        ask: impl AsyncFnOnce(SensorsProxy<'_>) -> Result<T, Error>,
    ) -> Result<T, Error> {
        self.runtime
            .block_on(async { ask(SensorsProxy::new(&self.connection).await?).await })
    }

    /// Asks the archive.
    ///
    /// # Errors
    /// What the daemon answers.
    pub fn archive<T>(
        &self,
        ask: impl AsyncFnOnce(ArchiveProxy<'_>) -> Result<T, Error>,
    ) -> Result<T, Error> {
        self.runtime
            .block_on(async { ask(ArchiveProxy::new(&self.connection).await?).await })
    }

    /// One run with its trips and journal entries.
    pub fn run(&self, run: u64) -> shapes::RunShown {
        parsed(self.archive(async |archive| archive.run(run).await))
    }

    /// All journal entries, oldest first.
    pub fn journal(&self) -> Vec<shapes::Entry> {
        let all = r#"{"limit":10000}"#;
        let journal: shapes::Journal = parsed(self.archive(async |archive| archive.journal(all).await));
        journal.entries
    }

    /// Whether the journal holds.
    pub fn verify(&self) -> shapes::Verified {
        parsed(self.archive(async |archive| archive.verify().await))
    }

    /// The readings of a run, oldest first: for each scan its columns by name.
    ///
    /// # Panics
    /// If there is no such run, or what comes isn't CSV.
    pub fn readings(&self, run: u64) -> Vec<std::collections::BTreeMap<String, String>> {
        let pipe = self
            .archive(async |archive| archive.export(run, "csv").await)
            .expect("the run is there");
        let mut text = String::new();
        let pipe: std::os::fd::OwnedFd = pipe.into();
        std::fs::File::from(pipe)
            .read_to_string(&mut text)
            .expect("the pipe ends");
        let mut reader = csv::Reader::from_reader(text.as_bytes());
        reader
            .deserialize()
            .map(|row| row.expect("a row of CSV"))
            .collect()
    }

    /// Names of the objects that `ObjectManager` lists, by path.
    ///
    /// # Panics
    /// If it doesn't answer.
    pub fn objects(&self) -> Vec<String> {
        self.runtime.block_on(async {
            let proxy = zbus::fdo::ObjectManagerProxy::new(
                &self.connection,
                benchward_api::BUS_NAME,
                benchward_api::LAB_PATH,
            );
            let objects = proxy
                .await
                .expect("a proxy")
                .get_managed_objects()
                .await
                .expect("an answer");
            objects.keys().map(ToString::to_string).collect()
        })
    }

    /// Calls the lab so many times a second, waiting for no answer, until `end`.
    ///
    /// # Panics
    /// If the daemon ends the connection.
    pub fn flood(&self, each_second: u32, end: &AtomicBool) {
        self.runtime.block_on(async {
            let lab = LabProxy::new(&self.connection).await.expect("a proxy");
            // Timers are no finer than a millisecond; each turn makes up for that.
            let began = Instant::now();
            let mut calls = 0.0;
            while !end.load(Ordering::Relaxed) {
                // A daemon that is slower than that is never caught up with.
                while !end.load(Ordering::Relaxed)
                    && calls < began.elapsed().as_secs_f64() * f64::from(each_second)
                {
                    let called = lab.inner().call_noreply("Limits", &()).await;
                    called.expect("the connection stands");
                    calls += 1.0;
                }
                tokio::time::sleep(Duration::from_millis(1)).await;
            }
        });
    }

    /// All signals so far.
    pub fn heard(&self) -> Vec<Heard> {
        self.heard.lock().unwrap_or_else(PoisonError::into_inner).clone()
    }

    /// Waits for a signal whose arguments hold all of `parts`.
    pub fn wait_for_signal(&self, path: &str, member: &str, parts: &[&str]) -> Heard {
        wait_for(&format!("signal {member} of {path} with {parts:?}"), || {
            self.heard().into_iter().find(|heard| {
                heard.path == path
                    && heard.member == member
                    && parts.iter().all(|part| heard.body.contains(part))
            })
        })
    }
}

/// A connection by hand, ready for messages (D-Bus Specification, "Authentication Protocol").
///
/// # Panics
/// If the daemon doesn't let us in.
pub fn authenticated(socket: &Path) -> UnixStream {
    let mut stream = UnixStream::connect(socket).expect("the daemon is there");
    let uid = rustix::process::geteuid().as_raw().to_string();
    // In hexadecimal a digit of ASCII is 3 and the digit.
    let hex: String = uid.chars().flat_map(|digit| ['3', digit]).collect();
    write!(stream, "\0AUTH EXTERNAL {hex}\r\n").expect("the socket takes it");
    let mut answer = [0; 3];
    stream.read_exact(&mut answer).expect("an answer");
    assert_eq!(&answer, b"OK ", "the daemon lets us in");
    stream.write_all(b"BEGIN\r\n").expect("the socket takes it");
    stream
}

/// A client that has asked for a lot and reads nothing.
#[derive(Debug)]
pub struct Deaf {
    _open: UnixStream,
}

impl Deaf {
    /// Connects by hand ([`authenticated`]), calls `Status` as often as the socket takes it, at
    /// most `calls` times, and reads no more.
    ///
    /// # Panics
    /// If the daemon doesn't let it in.
    pub fn connect(socket: &Path, calls: u32) -> Self {
        let mut stream = authenticated(socket);
        stream.set_nonblocking(true).expect("a socket can be that");
        for _ in 0..calls {
            let call = zbus::Message::method_call(benchward_api::LAB_PATH, "Status")
                .interface("io.benchward.Lab1")
                .build(&())
                .expect("a message");
            if stream.write_all(call.data()).is_err() {
                break;
            }
        }
        Self { _open: stream }
    }
}

/// Puts down every signal until the connection ends.
async fn listen(messages: zbus::MessageStream, heard: Arc<Mutex<Vec<Heard>>>) {
    let mut messages = pin!(messages);
    while let Some(message) = std::future::poll_fn(|context| messages.as_mut().poll_next(context)).await {
        let Ok(message) = message else { return };
        if message.message_type() != zbus::message::Type::Signal {
            continue;
        }
        let header = message.header();
        let text = |part: Option<&str>| part.unwrap_or_default().to_owned();
        let one = Heard {
            path: text(header.path().map(zbus::ObjectPath::as_str)),
            member: text(header.member().map(zbus::names::MemberName::as_str)),
            body: message
                .body()
                .deserialize::<zbus::wire::Structure<'_>>()
                .map_or_else(|error| error.to_string(), |body| format!("{body:?}")),
        };
        heard.lock().unwrap_or_else(PoisonError::into_inner).push(one);
    }
}

fn parsed<T: DeserializeOwned>(answer: Result<String, Error>) -> T {
    let text =
        answer.unwrap_or_else(|error| panic!("the daemon answered {}: {}", error.word(), error.text()));
    serde_json::from_str(&text).unwrap_or_else(|error| panic!("{text}: {error}"))
}
