//! `io.benchward.Lab1` at `/io/benchward/Lab1`.

use benchward_api::{Error, shapes};
use benchward_config::Display;
use benchward_core::units::Celsius;
use benchward_core::{Ask, LabView, LimitName};
use zbus::message::Header;
use zbus::object_server::SignalEmitter;

use super::{Door, drivers, json};

pub(super) struct Lab(pub(super) Door);

#[zbus::interface(name = "io.benchward.Lab1")]
impl Lab {
    /// Everything that `benchward status` shows, as JSON (`shapes::Status`). Needs no role.
    fn status(&self) -> Result<String, Error> {
        let shared = &self.0.shared;
        let now = shared.clock.wall_now();
        json(&shapes::Status::new(
            &shared.lab.view(),
            now,
            shared.keep.standing().text.clone(),
            shared.keep.sensors().warnings(now),
            |at| shared.clock.wall(at),
        ))
    }

    /// Cuts every bench, now, and latches `stop` on each. Needs no role: everybody may. Returns what the state is.
    async fn stop_all(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
    ) -> Result<String, Error> {
        self.0.done(connection, &header, Ask::Stop(None)).await
    }

    /// Every limit in force and where it comes from: ceilings, limits of the lab, and for each interlock of each station the
    /// figures it acts at and where it stands, as JSON (`shapes::Limits`). Needs no role.
    fn limits(&self) -> Result<String, Error> {
        json(&shapes::Limits::new(&self.0.shared.lab.view()))
    }

    /// Who holds which role, and which the caller does, as JSON (`shapes::Roles`). Needs no role.
    async fn roles(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
    ) -> Result<String, Error> {
        let credentials = self.0.credentials(connection, &header).await?;
        json(&self.0.shared.callers.load().table(&credentials))
    }

    /// Every driver: whether it is up, how often it had to be started again, what it offers and what of that is wired to where, as
    /// JSON (`shapes::Drivers`). Needs no role.
    fn drivers(&self) -> Result<String, Error> {
        json(&drivers::list(&self.0.shared))
    }

    /// Moves a limit of the lab: `absent-after` (10 to 14400 s), `rise-max` (0.5 to 10 °C/s) or `run-max` (10 to 172800 s, lowers what
    /// recipes and plans say). It counts from the next scan on, on benches that heat as well. Role `safety`.
    ///
    /// Errors: `NotPermitted`, `LimitOutOfBounds`, `NoSuch` (limit).
    async fn set_limit(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
        limit: String,
        value: f64,
    ) -> Result<String, Error> {
        let limit = limit_of(&limit)?;
        self.0
            .done(connection, &header, Ask::SetLimit(limit, Some(value)))
            .await
    }

    /// Takes back what a limit of the lab was set to, so that what is configured or built in counts again. Role `safety`.
    ///
    /// Errors: `NotPermitted`, `NoSuch` (limit).
    async fn clear_limit(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
        limit: String,
    ) -> Result<String, Error> {
        let limit = limit_of(&limit)?;
        self.0.done(connection, &header, Ask::SetLimit(limit, None)).await
    }

    /// Moves the lab's ceiling. `celsius`: 40 to 400. It counts at once, on benches that heat as well. Role `safety`.
    ///
    /// Errors: `NotPermitted`, `CeilingOutOfBounds`, `Invalid`.
    async fn set_ceiling(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
        celsius: f64,
    ) -> Result<String, Error> {
        self.0
            .done(connection, &header, Ask::SetLabCeiling(celsius_of(celsius)?))
            .await
    }

    /// Reads the configuration file again and puts in force what can be while benches heat: `display` in `[lab]`, `[roles]`, `[mqtt]`,
    /// `[metrics]`. Returns what now counts and what waits for the next start, as JSON (`shapes::ConfigReread`). Role `safety`.
    ///
    /// Errors: `NotPermitted`, `Invalid` (a file that can't be read, or every mistake in it: all stays as it was).
    async fn reread_config(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
    ) -> Result<String, Error> {
        self.0.ask(connection, &header, Ask::ReadConfig).await?;
        json(&self.0.shared.rereads.ask().await?)
    }

    /// The lab's name.
    #[zbus(property(emits_changed_signal = "const"))]
    fn name(&self) -> String {
        self.0.shared.wiring.setup.name.to_string()
    }

    /// The daemon's version.
    #[expect(clippy::unused_self, reason = "a property is asked of the object")]
    #[zbus(property(emits_changed_signal = "const"))]
    fn version(&self) -> &'static str {
        env!("CARGO_PKG_VERSION")
    }

    /// The scale that screens show temperatures in, `celsius` or `fahrenheit`; everything on the bus is in °C.
    #[zbus(property(emits_changed_signal = "false"))]
    fn display(&self) -> &'static str {
        match **self.0.shared.display.load() {
            Display::Celsius => "celsius",
            Display::Fahrenheit => "fahrenheit",
        }
    }

    /// The lab's ceiling, °C.
    #[zbus(property)]
    fn ceiling(&self) -> f64 {
        self.0.shared.lab.view().ceiling.degrees()
    }

    /// Alarms of the whole lab that stand: station, interlock, standing (`tripped` or `acknowledged`), text. Empty: none.
    #[zbus(property)]
    fn alarms(&self) -> Vec<(String, String, String, String)> {
        alarms_of(&self.0.shared.lab.view())
    }

    /// Hash of the journal's newest entry, hexadecimal. It changes with each entry, too often to be signalled.
    #[zbus(property(emits_changed_signal = "false"))]
    fn journal_head(&self) -> String {
        self.0.shared.keep.standing().head.clone()
    }

    /// An interlock's standing changed. `standing`: `clear`, `warning`, `tripped` or `acknowledged`.
    #[zbus(signal)]
    pub(super) async fn interlock_changed(
        emitter: &SignalEmitter<'_>,
        station: &str,
        interlock: &str,
        standing: &str,
        text: &str,
    ) -> zbus::Result<()>;

    /// An alarm of the whole lab: raised (`tripped`), `acknowledged`, or over (`clear`). `station`, `interlock`: whose.
    #[zbus(signal)]
    pub(super) async fn alarm_changed(
        emitter: &SignalEmitter<'_>,
        station: &str,
        interlock: &str,
        standing: &str,
        text: &str,
    ) -> zbus::Result<()>;

    /// A station's phase or stage changed. `stage`: counted from 1; 0: none.
    #[zbus(signal)]
    pub(super) async fn phase_changed(
        emitter: &SignalEmitter<'_>,
        station: &str,
        phase: &str,
        stage: u16,
    ) -> zbus::Result<()>;

    /// A run has its outcome: `completed`, `stopped` or `tripped`.
    #[zbus(signal)]
    pub(super) async fn run_ended(
        emitter: &SignalEmitter<'_>,
        station: &str,
        run: u64,
        outcome: &str,
    ) -> zbus::Result<()>;
}

pub(super) fn alarms_of(view: &LabView) -> Vec<(String, String, String, String)> {
    view.alarms
        .iter()
        .map(|alarm| {
            (
                alarm.station_name.to_string(),
                alarm.interlock.text().to_owned(),
                alarm.standing().to_owned(),
                alarm.text.clone(),
            )
        })
        .collect()
}

/// A limit by its name from outside.
fn limit_of(name: &str) -> Result<LimitName, Error> {
    LimitName::parse(name).ok_or_else(|| {
        let all = LimitName::ALL.map(LimitName::text).join("`, `");
        Error::NoSuch(format!("there is no limit `{name}` of the lab; there is `{all}`"))
    })
}

/// A temperature from outside.
pub(super) fn celsius_of(celsius: f64) -> Result<Celsius, Error> {
    Celsius::new(celsius).map_err(|error| Error::Invalid(error.to_string()))
}
