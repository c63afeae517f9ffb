//! The interfaces as a client calls them. The server side, with what each member needs and does, is the daemon's
//! `bus` module; a test compares the two by introspection.

/// One channel on the bus: its name, its temperature in °C (empty where there is none), its quality.
type Channel = (String, Vec<f64>, String);
/// One interlock on the bus: its name, its standing, its text.
type Interlock = (String, String, String);
/// One alarm of the lab on the bus: station, interlock, standing, text.
type Alarm = (String, String, String, String);

/// The whole lab.
#[zbus::proxy(
    interface = "io.benchward.Lab1",
    default_service = "io.benchward.Lab1",
    default_path = "/io/benchward/Lab1"
)]
pub trait Lab {
    /// Everything that `benchward status` shows, as JSON.
    fn status(&self) -> Result<String, crate::Error>;
    /// Cuts every bench, now. Needs no role.
    fn stop_all(&self) -> Result<String, crate::Error>;
    /// Every limit in force, as JSON.
    fn limits(&self) -> Result<String, crate::Error>;
    /// Who holds which role, and which the caller does, as JSON.
    fn roles(&self) -> Result<String, crate::Error>;
    /// Every driver, what it offers and what of it is wired, as JSON.
    fn drivers(&self) -> Result<String, crate::Error>;
    /// Moves the lab's ceiling, °C.
    fn set_ceiling(&self, celsius: f64) -> Result<String, crate::Error>;
    /// Moves a limit of the lab, in its unit.
    fn set_limit(&self, limit: &str, value: f64) -> Result<String, crate::Error>;
    /// Takes back what a safety role had set a limit of the lab to.
    fn clear_limit(&self, limit: &str) -> Result<String, crate::Error>;
    /// Has the configuration file read again; what counts now and what waits, as JSON.
    fn reread_config(&self) -> Result<String, crate::Error>;
    /// The lab's name.
    #[zbus(property)]
    fn name(&self) -> zbus::Result<String>;
    /// The daemon's version.
    #[zbus(property)]
    fn version(&self) -> zbus::Result<String>;
    /// The scale that screens show temperatures in, `celsius` or `fahrenheit`.
    #[zbus(property)]
    fn display(&self) -> zbus::Result<String>;
    /// The lab's ceiling, °C.
    #[zbus(property)]
    fn ceiling(&self) -> zbus::Result<f64>;
    /// Alarms of the whole lab that stand.
    #[zbus(property)]
    fn alarms(&self) -> zbus::Result<Vec<Alarm>>;
    /// Hash of the journal's newest entry, hexadecimal.
    #[zbus(property)]
    fn journal_head(&self) -> zbus::Result<String>;
    /// An interlock's standing changed.
    #[zbus(signal)]
    fn interlock_changed(&self, station: String, interlock: String, standing: String, text: String);
    /// An alarm of the whole lab was raised, acknowledged or cleared.
    #[zbus(signal)]
    fn alarm_changed(&self, station: String, interlock: String, standing: String, text: String);
    /// A station's phase or stage changed; stage 0: none.
    #[zbus(signal)]
    fn phase_changed(&self, station: String, phase: String, stage: u16);
    /// A run has its outcome.
    #[zbus(signal)]
    fn run_ended(&self, station: String, run: u64, outcome: String);
}

/// One station.
#[zbus::proxy(interface = "io.benchward.Station1", default_service = "io.benchward.Lab1")]
pub trait Station {
    /// Starts a run; returns its number.
    fn start(&self, recipe: &str, serial: &str) -> Result<u64, crate::Error>;
    /// Ends the run.
    fn stop_run(&self) -> Result<String, crate::Error>;
    /// Takes the heat away and latches it.
    fn stop(&self) -> Result<String, crate::Error>;
    /// Confirms presence.
    fn present(&self) -> Result<String, crate::Error>;
    /// Confirms that the sensors are on the board.
    fn confirm(&self) -> Result<String, crate::Error>;
    /// Acknowledges the trips.
    fn acknowledge(&self) -> Result<String, crate::Error>;
    /// Resets the trips.
    fn reset(&self) -> Result<String, crate::Error>;
    /// Goes on with a tripped run.
    fn resume(&self) -> Result<String, crate::Error>;
    /// Moves the station's own ceiling, °C.
    fn set_ceiling(&self, celsius: f64) -> Result<String, crate::Error>;
    /// Takes the station's own ceiling away.
    fn clear_ceiling(&self) -> Result<String, crate::Error>;
    /// Name of the station.
    #[zbus(property)]
    fn name(&self) -> zbus::Result<String>;
    /// Where its run is.
    #[zbus(property)]
    fn phase(&self) -> zbus::Result<String>;
    /// Run in progress; 0: none.
    #[zbus(property)]
    fn run(&self) -> zbus::Result<u64>;
    /// Heat that was last granted, 0 to 1.
    #[zbus(property)]
    fn heat(&self) -> zbus::Result<f64>;
    /// Effective ceiling, °C.
    #[zbus(property)]
    fn ceiling(&self) -> zbus::Result<f64>;
    /// Its channels.
    #[zbus(property)]
    fn channels(&self) -> zbus::Result<Vec<Channel>>;
    /// Its interlocks.
    #[zbus(property)]
    fn interlocks(&self) -> zbus::Result<Vec<Interlock>>;
    /// `up` or `down`.
    #[zbus(property)]
    fn driver(&self) -> zbus::Result<String>;
}

/// Runs, readings, journal.
#[zbus::proxy(
    interface = "io.benchward.Archive1",
    default_service = "io.benchward.Lab1",
    default_path = "/io/benchward/Lab1/archive"
)]
pub trait Archive {
    /// Runs that match a query (JSON), newest first, as JSON.
    fn runs(&self, query: &str) -> Result<String, crate::Error>;
    /// One run, as JSON.
    fn run(&self, run: u64) -> Result<String, crate::Error>;
    /// The readings of a run, as `csv` or `jsonl` through a pipe, or as a `run-file`.
    fn export(&self, run: u64, format: &str) -> Result<zbus::wire::OwnedFd, crate::Error>;
    /// Journal entries that match a query (JSON), as JSON.
    fn journal(&self, query: &str) -> Result<String, crate::Error>;
    /// Records of trips and warnings that match a query (JSON), as JSON.
    fn trips(&self, query: &str) -> Result<String, crate::Error>;
    /// Decides a run again, as JSON.
    fn redo(&self, run: u64) -> Result<String, crate::Error>;
    /// Walks the journal's chain; the result as JSON.
    fn verify(&self) -> Result<String, crate::Error>;
    /// Charts of the window lines of the runs that match a query (JSON), as JSON. A window: judge them by that one.
    fn stats(&self, query: &str, window: &str) -> Result<String, crate::Error>;
    /// Runs laid over each other at `align` (`start`, `stage 2`, `70C`), on a channel or on all, as JSON.
    fn compare(&self, runs: &[u64], align: &str, channel: &str) -> Result<String, crate::Error>;
}

/// Recipes.
#[zbus::proxy(
    interface = "io.benchward.Recipes1",
    default_service = "io.benchward.Lab1",
    default_path = "/io/benchward/Lab1/recipes"
)]
pub trait Recipes {
    /// The newest revision of every recipe, as JSON.
    fn list(&self) -> Result<String, crate::Error>;
    /// One recipe, as JSON; revision 0: the newest.
    fn show(&self, recipe: &str, revision: u32) -> Result<String, crate::Error>;
    /// Stores a recipe; returns its revision.
    fn put(&self, text: &str) -> Result<u32, crate::Error>;
}

/// Windows, and runs judged by them.
#[zbus::proxy(
    interface = "io.benchward.Windows1",
    default_service = "io.benchward.Lab1",
    default_path = "/io/benchward/Lab1/windows"
)]
pub trait Windows {
    /// The newest revision of every window, as JSON.
    fn list(&self) -> Result<String, crate::Error>;
    /// One window, as JSON; revision 0: the newest.
    fn show(&self, window: &str, revision: u32) -> Result<String, crate::Error>;
    /// Stores a window; returns its revision.
    fn put(&self, text: &str) -> Result<u32, crate::Error>;
    /// Judges a run again and, where `store` says so, keeps the verdict; as JSON. No window: what the recipe says.
    fn judge(&self, run: u64, window: &str, store: bool) -> Result<String, crate::Error>;
}

/// Boards and what is known of them.
#[zbus::proxy(
    interface = "io.benchward.Boards1",
    default_service = "io.benchward.Lab1",
    default_path = "/io/benchward/Lab1/boards"
)]
pub trait Boards {
    /// The newest model of every kind of board on every station, as JSON.
    fn list(&self) -> Result<String, crate::Error>;
    /// What is known of a kind of board, as JSON; no station: on every one.
    fn show(&self, board: &str, station: &str) -> Result<String, crate::Error>;
    /// What a run says of its board and, where `store` says so, keeps it; as JSON. No board: what the recipe says.
    fn learn(&self, run: u64, board: &str, store: bool) -> Result<String, crate::Error>;
    /// Plans a recipe from what is known of a board; request and answer as JSON.
    fn plan(&self, request: &str) -> Result<String, crate::Error>;
}

/// Sensors and their calibrations.
#[zbus::proxy(
    interface = "io.benchward.Sensors1",
    default_service = "io.benchward.Lab1",
    default_path = "/io/benchward/Lab1/sensors"
)]
pub trait Sensors {
    /// Every channel's offset in force, as JSON.
    fn list(&self) -> Result<String, crate::Error>;
    /// Every calibration of a channel, as JSON.
    fn history(&self, station: &str, channel: &str) -> Result<String, crate::Error>;
    /// Checks a sensor (JSON) against a reference and, where `store` says so, puts the offset in force; as JSON.
    fn check(&self, station: &str, channel: &str, check: &str, store: bool) -> Result<String, crate::Error>;
    /// Withdraws the calibration of a channel.
    fn clear(&self, station: &str, channel: &str, note: &str) -> Result<String, crate::Error>;
}
