//! The configuration file `lab.toml`: what a lab is made of and how it is wired, parsed and checked.
//!
//! [`Config::parse`] returns a lab that can be started, or all that is wrong with the text. It knows the text
//! alone: whether a driver exists, an input is offered, a folder can be written or a group has members is found
//! by whoever starts the lab.
//!
//! Names, references and wiring are checked here, so that what comes out holds together:
//!
//! # Invariants
//! - Every instance that a wire names is in [`Config::drivers`], every supply that a station names in
//!   [`Config::supplies`].
//! - No input and no output is wired twice.
//! - Every station has a channel; there is at least one station.
//! - Every name is 1 to 40 of `a` to `z`, `0` to `9` and `-`, a letter first.

mod broker;
mod locations;
mod parse;
mod settings;
mod wiring;

use std::collections::BTreeMap;
use std::fs::File;
use std::io::Read;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use benchward_core::mistake::Mistakes;
use benchward_core::units::{Celsius, CelsiusDelta, Fraction, Millis, Watts};

pub use broker::Broker;
pub use locations::{DEFAULT_FILE, archive_folder, config_file, socket_path};

/// Largest configuration text, bytes. 500 stations with comments fill a quarter of it.
pub const TEXT_BYTES_MAX: usize = 1024 * 1024;

/// A lab as its configuration says it.
#[derive(Debug, Clone, PartialEq)]
pub struct Config {
    /// `[lab]`.
    pub lab: LabSection,
    /// `[ceiling]`: the ceiling of the whole lab at its first start. Later, what a safety role has set counts.
    pub ceiling: Celsius,
    /// `[presence]`: how long heat may be on without anybody confirming to be there.
    pub absent_after: Millis,
    /// `[archive]`: how long, and up to which length, it keeps what may go.
    pub archive: ArchiveSection,
    /// `[roles]`. None: the account of the daemon has all roles.
    pub roles: Option<Roles>,
    /// `[mqtt]`. None: no MQTT.
    pub mqtt: Option<Mqtt>,
    /// `[metrics]`. None: no metrics.
    pub metrics: Option<Metrics>,
    /// `[supply.NAME]`.
    pub supplies: BTreeMap<String, Supply>,
    /// `[driver.NAME]`, and a station's own driver under the station's name.
    pub drivers: BTreeMap<String, Instance>,
    /// `[station.NAME]`, in the order of the file.
    pub stations: Vec<Station>,
}

/// What concerns the lab as a whole.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LabSection {
    /// Its name: part of MQTT topics.
    pub name: String,
    /// How temperatures are shown.
    pub display: Display,
    /// The archive's folder. None: see [`archive_folder`].
    pub archive: Option<PathBuf>,
    /// The private D-Bus socket. None: see [`socket_path`].
    pub socket: Option<PathBuf>,
    /// The message bus the daemon also appears on.
    pub bus: Bus,
}

impl Default for LabSection {
    fn default() -> Self {
        Self {
            name: "lab".to_owned(),
            display: Display::default(),
            archive: None,
            socket: None,
            bus: Bus::default(),
        }
    }
}

/// What the archive may give up.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct ArchiveSection {
    /// How many days readings outside runs are kept.
    pub outside_runs_days: u16,
    /// Free space that is left to runs and journal, bytes: below it readings outside runs go, oldest first.
    pub reserve_bytes: u64,
}

impl Default for ArchiveSection {
    fn default() -> Self {
        Self {
            outside_runs_days: 30,
            reserve_bytes: 200_000_000,
        }
    }
}

/// The scale temperatures are shown in. Records, messages and decisions are in degrees Celsius always.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Display {
    /// Degrees Celsius.
    #[default]
    Celsius,
    /// Degrees Fahrenheit.
    Fahrenheit,
}

/// A message bus beside the private socket.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Bus {
    /// The private socket alone.
    #[default]
    None,
    /// The system bus.
    System,
    /// The session bus of the daemon's account.
    Session,
}

/// Which unix groups have which role. `safety` has at least one: without it nobody could lift a trip.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Roles {
    /// Groups of role `operate`.
    pub operate: Vec<String>,
    /// Groups of role `process`.
    pub process: Vec<String>,
    /// Groups of role `safety`.
    pub safety: Vec<String>,
}

/// Publishing to a broker.
#[derive(Debug, Clone, PartialEq)]
pub struct Mqtt {
    /// Where the broker is.
    pub broker: Broker,
    /// Who the daemon says it is. Set whenever `password_file` is.
    pub username: Option<String>,
    /// File with the password, alone on its first line.
    pub password_file: Option<PathBuf>,
    /// File with the certificates a TLS broker's own has to lead to. None: those of the system.
    pub ca_file: Option<PathBuf>,
    /// The daemon's own certificate, where the broker asks for one.
    pub client: Option<ClientCertificate>,
    /// Whether plain JSON is published.
    pub plain: bool,
    /// Which recorded readings are published as well, none left out.
    pub history: History,
    /// At most so many of them a second, so that a gap that is filled leaves room to everything else.
    pub history_readings_per_s: u32,
    /// How often live values are published.
    pub live: Live,
    /// Whether and as what Sparkplug is published.
    pub sparkplug: Option<Sparkplug>,
    /// What may be asked for by message.
    pub allow: Allow,
}

/// Which recorded readings are published.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum History {
    /// None.
    Off,
    /// Those of runs.
    #[default]
    Runs,
    /// Those outside runs as well.
    All,
}

/// How often live values are published.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Live {
    /// Channels of a station with a run.
    pub run: Pace,
    /// Channels of the others.
    pub idle: Pace,
    /// States that don't change are said again after this time.
    pub state_heartbeat: Millis,
}

impl Default for Live {
    /// During a run by a tenth of a degree, four times a second: what an eye can follow. Else by half a degree and once a second.
    fn default() -> Self {
        Self {
            run: Pace {
                deadband: CelsiusDelta::constant(0.1),
                apart: Millis(250),
                heartbeat: Millis::from_secs(10),
            },
            idle: Pace {
                deadband: CelsiusDelta::constant(0.5),
                apart: Millis(1_000),
                heartbeat: Millis::from_secs(60),
            },
            state_heartbeat: Millis::from_secs(10),
        }
    }
}

/// When a channel's value is published.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pace {
    /// When it has moved so far since it was last.
    pub deadband: CelsiusDelta,
    /// And so much time has passed.
    pub apart: Millis,
    /// When it has not moved, after this time. Not below `apart`.
    pub heartbeat: Millis,
}

/// A certificate and its key, both PEM.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClientCertificate {
    /// File with the certificate.
    pub certificate_file: PathBuf,
    /// File with its key.
    pub key_file: PathBuf,
}

/// Sparkplug 3.0.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sparkplug {
    /// The group id. No `/`, `+`, `#` or control character in it.
    pub group: String,
    /// Whether it is published.
    pub enabled: bool,
    /// Id of the host that births wait for, of the same characters. None: they wait for nobody.
    pub primary_host: Option<String>,
    /// Whether data carry numbers in place of names and types.
    pub aliases: bool,
}

/// What a message may ask for. There is no more to allow: from outside, the lab can only be made cooler.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Allow {
    /// Confirm presence at a station.
    pub present: bool,
    /// Stop heat.
    pub stop: bool,
}

/// Metrics over HTTP.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Metrics {
    /// Where to listen.
    pub listen: SocketAddr,
}

impl Default for Metrics {
    /// On this host alone: whoever reaches the page may read it.
    fn default() -> Self {
        Self {
            listen: SocketAddr::from(([127, 0, 0, 1], 9464)),
        }
    }
}

/// A circuit shared by stations.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Supply {
    /// Nominal voltage, volts. Above zero.
    pub volts: f64,
    /// What its breaker carries, amperes. Above zero.
    pub amps: f64,
    /// Share of it that may be drawn for hours. Above zero.
    pub continuous: Fraction,
}

impl Supply {
    /// What may be drawn at any time: volts x amperes x continuous share.
    ///
    /// # Panics
    /// If a field is not finite or is negative, which no parsed configuration has.
    pub fn power(&self) -> Watts {
        Watts::new(self.volts * self.amps * self.continuous.share()).expect("finite and not negative")
    }
}

/// One process of a driver.
#[derive(Debug, Clone, PartialEq)]
pub struct Instance {
    /// What to start.
    pub program: Program,
    /// Passed to the driver as it is: a JSON object.
    pub settings: serde_json::Value,
}

/// What to start for a driver instance.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Program {
    /// `modbus` stands for `benchward-driver-modbus`, beside the daemon or on `PATH`.
    Short(String),
    /// A command and its arguments; the first is not empty.
    Command(Vec<String>),
}

/// One station.
#[derive(Debug, Clone, PartialEq)]
pub struct Station {
    /// Its name.
    pub name: String,
    /// Its channels, in the order of the file. Never empty.
    pub channels: Vec<Channel>,
    /// Its heater outputs. Empty: a station that only watches.
    pub heat: Vec<OutputRef>,
    /// A second switch in the heater's supply, which `cut` opens.
    pub contactor: Option<OutputRef>,
    /// Confirms that somebody is there.
    pub presence: Option<InputRef>,
    /// Measures what its heaters draw.
    pub current: Option<InputRef>,
    /// Inputs that have to be closed for heat, each with its name, in the order of the file.
    pub permissives: Vec<(String, InputRef)>,
    /// Name of the circuit that its heater hangs on.
    pub supply: Option<String>,
    /// Its own ceiling.
    pub ceiling: Option<Celsius>,
    /// Its readings follow its heat; `false` for a recording that is played again, against which no board model is held.
    pub follows_heat: bool,
}

/// One thermocouple measuring point of a station.
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    /// Its name.
    pub name: String,
    /// Where its readings come from.
    pub input: InputRef,
    /// Type of thermocouple, where it isn't what the driver says.
    pub thermocouple: Option<ThermocoupleType>,
    /// Added to every reading.
    pub offset: CelsiusDelta,
}

/// An input of a driver instance. Ordered by instance, then input.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct InputRef {
    /// Name of the instance.
    pub instance: String,
    /// What the driver calls the input.
    pub input: String,
}

/// An output of a driver instance. Ordered by instance, then output.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct OutputRef {
    /// Name of the instance.
    pub instance: String,
    /// What the driver calls the output.
    pub output: String,
}

/// The lettered thermocouple types of IEC 60584-1.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[expect(missing_docs, reason = "a letter is the whole name")]
pub enum ThermocoupleType {
    B,
    E,
    J,
    K,
    N,
    R,
    S,
    T,
}

impl ThermocoupleType {
    /// All of them with their letters.
    pub const ALL: [(&'static str, Self); 8] = [
        ("B", Self::B),
        ("E", Self::E),
        ("J", Self::J),
        ("K", Self::K),
        ("N", Self::N),
        ("R", Self::R),
        ("S", Self::S),
        ("T", Self::T),
    ];

    /// Its letter.
    pub const fn letter(self) -> char {
        match self {
            Self::B => 'B',
            Self::E => 'E',
            Self::J => 'J',
            Self::K => 'K',
            Self::N => 'N',
            Self::R => 'R',
            Self::S => 'S',
            Self::T => 'T',
        }
    }
}

/// Why there is no configuration.
#[derive(Debug, thiserror::Error)]
pub enum LoadError {
    /// The file can't be read.
    #[error("can't read the configuration {}", path.display())]
    Unreadable {
        /// Which file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
    /// The file was read and is wrong.
    #[error(transparent)]
    Mistakes(#[from] Mistakes),
}

impl Config {
    /// Reads the text of a `lab.toml`.
    ///
    /// `source`: what the reader of a mistake calls the text, usually its file name. Paths come out as they are
    /// written.
    ///
    /// # Errors
    /// All mistakes in one go: what isn't TOML first, and once it is, everything else that is wrong.
    pub fn parse(source: &str, text: &str) -> Result<Self, Mistakes> {
        parse::config(source, text)
    }

    /// Reads a file. Relative paths in it count from the folder that the file is in, wherever the daemon was
    /// started.
    ///
    /// # Errors
    /// [`LoadError::Unreadable`] if there is no such file or it can't be read, [`LoadError::Mistakes`] for what is
    /// wrong in it.
    pub fn load(path: &Path) -> Result<Self, LoadError> {
        let unreadable = |source| LoadError::Unreadable {
            path: path.to_owned(),
            source,
        };
        let mut bytes = Vec::new();
        // One byte more than allowed shows that it is too long, without reading a disk image to its end.
        let limit = TEXT_BYTES_MAX as u64 + 1;
        File::open(path)
            .and_then(|file| file.take(limit).read_to_end(&mut bytes))
            .map_err(unreadable)?;
        let name = path.display().to_string();
        if bytes.len() > TEXT_BYTES_MAX {
            return Err(parse::too_long(&name).into());
        }
        let mut config = Self::parse(&name, Mistakes::utf8(&name, &bytes)?)?;
        if let Some(folder) = path.parent() {
            config.paths_mut().for_each(|path| *path = folder.join(&*path));
        }
        Ok(config)
    }

    /// Every path in the configuration.
    fn paths_mut(&mut self) -> impl Iterator<Item = &mut PathBuf> {
        let mqtt = self.mqtt.iter_mut().flat_map(|mqtt| {
            let client = mqtt
                .client
                .iter_mut()
                .flat_map(|client| [&mut client.certificate_file, &mut client.key_file]);
            [&mut mqtt.password_file, &mut mqtt.ca_file]
                .into_iter()
                .flatten()
                .chain(client)
        });
        [&mut self.lab.archive, &mut self.lab.socket]
            .into_iter()
            .flatten()
            .chain(mqtt)
    }
}

#[cfg(test)]
mod tests;
