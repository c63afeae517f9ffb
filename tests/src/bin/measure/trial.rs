//! One trial: a daemon with so many stations, all of them heating, measured by their drivers; and the ground on
//! which trials and floors alike are laid out.

use std::cell::RefCell;
use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::fs::{self, File};
use std::future::poll_fn;
use std::os::unix::net::UnixStream;
use std::path::{Path, PathBuf};
use std::pin::pin;
use std::process::{Child, Command, Stdio};
use std::rc::Rc;
use std::time::Duration;

use anyhow::Context as _;
use benchward_api::{Error, LabProxy, RecipesProxy, StationProxy, shapes, station_path};
use benchward_driver::clock::monotonic_ms;
use benchward_tests::load::{Plan, Report, Settings};
use rustix::process::{Pid, Signal, kill_process};
use tempfile::TempDir;
use zbus::export::futures_core::Stream as _;

use crate::process::{CpuTime, memory_mb};
use crate::samples::Samples;

/// Ceiling of the recipe, °C.
const CEILING: f64 = 150.0;
/// How far above it a scan has to be that cuts at once, twice over: at 10 °C above, one scan is enough.
const ABOVE: f64 = 20.0;

const RECIPE: &str = "\
recipe = \"load\"
ceiling_celsius = 150
control = \"hottest\"
run_s_max = 86400

[[stage]]
target_celsius = 120
dwell_s = 60
";

/// Between two things that must not touch: a start and the measured time, the measured time and the cuts.
pub(crate) const SETTLE_MS: f64 = 2_000.0;
/// How long a daemon may take to be ready with all its drivers.
const READY_WITHIN: Duration = Duration::from_mins(2);
/// How long one cut may take on average, with its reset and the return of heat: twice the longest pause.
const CUT_WITHIN: Duration = Duration::from_secs(30);
/// Scans between the return of heat and the next cut of the same station, for a station alone. Trips are rare in a real
/// lab, and a heap of resets is no load to measure a cut under: with more stations the pauses grow, so that there are
/// never more than about 20 cuts a second.
const PAUSE_SCANS: (u64, u64) = (4, 14);
/// Stations for which these pauses are right.
const PAUSE_STATIONS: usize = 20;
/// How long after a trip somebody resets it. The scans after the hot one have shown by then that the cause is gone.
const RESET_AFTER: Duration = Duration::from_millis(300);
/// How often the status is asked for while the first reading is awaited. The daemon makes its picture ten times a
/// second; that is the resolution.
const LOOK_EVERY: Duration = Duration::from_millis(20);

/// A folder of its own, on the disk where temporary files are.
pub(crate) struct Ground(TempDir);

impl Ground {
    pub(crate) fn new() -> anyhow::Result<Self> {
        let folder = tempfile::Builder::new().prefix("benchward-measure-").tempdir();
        Ok(Self(folder.context("no room for temporary files")?))
    }

    pub(crate) fn path(&self) -> &std::ffi::OsStr {
        self.0.path().as_os_str()
    }

    fn file(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }

    /// What the drivers left.
    pub(crate) fn reports(&self, stations: usize) -> anyhow::Result<Vec<Report>> {
        let report = |index| {
            let path = report_file(self.0.path(), index);
            let text =
                fs::read(&path).with_context(|| format!("a load driver left no {}", path.display()))?;
            Ok(serde_json::from_slice(&text)?)
        };
        (0..stations).map(report).collect()
    }
}

fn report_file(folder: &Path, index: usize) -> PathBuf {
    folder.join(format!("report-{index}.json"))
}

/// Program and settings of a load driver.
pub(crate) fn load_driver(folder: &Path, index: usize) -> anyhow::Result<(PathBuf, Settings)> {
    let settings = Settings {
        plan: folder.join("plan.json"),
        report: report_file(folder, index),
        seed: u64::try_from(index)?,
    };
    Ok((beside("load_driver")?, settings))
}

/// A program that was built together with this one.
fn beside(name: &str) -> anyhow::Result<PathBuf> {
    let path = std::env::current_exe()?.with_file_name(name);
    anyhow::ensure!(
        path.is_file(),
        "{} is missing: measure with `tests/measure`, which builds it",
        path.display()
    );
    Ok(path)
}

/// Tells the drivers what to measure: from `after_ms` on, for `seconds`.
pub(crate) fn write_plan(
    ground: &Ground,
    stations: usize,
    seconds: f64,
    after_ms: f64,
    cuts: u32,
) -> anyhow::Result<Plan> {
    let longer = u64::try_from(stations.div_ceil(PAUSE_STATIONS))?;
    let from = monotonic_ms() + after_ms;
    let until = from + seconds * 1_000.0;
    let plan = Plan {
        grants_from_ms: from,
        grants_until_ms: until,
        cuts_from_ms: until + SETTLE_MS,
        cuts,
        pause_scans: (PAUSE_SCANS.0 * longer, PAUSE_SCANS.1 * longer),
        hot_celsius: CEILING + ABOVE,
    };
    let new = ground.file("plan.new");
    fs::write(&new, serde_json::to_vec(&plan)?)?;
    fs::rename(new, ground.file("plan.json"))?;
    Ok(plan)
}

pub(crate) fn sleep_until(at_ms: f64) {
    std::thread::sleep(Duration::from_secs_f64(
        (at_ms - monotonic_ms()).max(0.0) / 1_000.0,
    ));
}

/// What a trial came to.
#[derive(Debug)]
pub(crate) struct Trial {
    pub(crate) grant: Samples,
    pub(crate) grant_among_cuts: Samples,
    pub(crate) cut: Samples,
    pub(crate) late: Samples,
    pub(crate) unanswered: u32,
    /// Trips that the drivers did not ask for, by interlock: the machine was too busy for the lab.
    pub(crate) unasked_trips: BTreeMap<String, u32>,
    /// CPU of the daemon, per cent of one core, and the same by thread name.
    pub(crate) cpu_percent: f64,
    pub(crate) cpu_percent_by_thread: BTreeMap<String, f64>,
    /// Memory of the daemon after the steady time, and the most until then.
    pub(crate) memory_mb: f64,
    pub(crate) memory_peak_mb: f64,
    /// From the start of the process, ms.
    pub(crate) start: Start,
}

/// How long a start took, ms from the start of the process.
#[derive(Debug, Clone, Copy, serde::Serialize)]
#[expect(
    clippy::struct_field_names,
    reason = "each is a time of its own, and the JSON names the unit"
)]
pub(crate) struct Start {
    /// Until the socket took a client.
    pub(crate) socket_ms: f64,
    /// Until the status showed a temperature.
    pub(crate) first_reading_ms: f64,
    /// Until it showed all of all stations.
    pub(crate) all_readings_ms: f64,
}

/// Runs a daemon with `stations` stations: `seconds` of steady heating with no client connected, then `cuts` cuts of
/// every station with one client, who resets them.
pub(crate) fn measure(stations: usize, seconds: f64, cuts: u32) -> anyhow::Result<Trial> {
    let ground = Ground::new()?;
    let mut daemon = Daemon::start(&ground, stations)?;
    let measured = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()?
        .block_on(tokio::task::LocalSet::new().run_until(daemon.measured(&ground, stations, seconds, cuts)));
    let mut trial = measured.with_context(|| daemon.last_words())?;
    daemon.end()?;
    for report in ground.reports(stations)? {
        trial.grant.add(report.grant_ms);
        trial.grant_among_cuts.add(report.grant_among_cuts_ms);
        trial.cut.add(report.cut_ms);
        trial.late.add(report.late_ms);
        trial.unanswered += report.unanswered;
    }
    Ok(trial)
}

/// The daemon's process.
struct Daemon {
    child: Child,
    began_ms: f64,
    socket: PathBuf,
    log: PathBuf,
}

impl Daemon {
    fn start(ground: &Ground, stations: usize) -> anyhow::Result<Self> {
        let (socket, log) = (ground.file("bus"), ground.file("daemon.log"));
        fs::write(ground.file("lab.toml"), lab_toml(ground, &socket, stations)?)?;
        let began_ms = monotonic_ms();
        let child = Command::new(beside("benchwardd")?)
            .arg("--config")
            .arg(ground.file("lab.toml"))
            .args(["--log", "warn"])
            .stdin(Stdio::null())
            .stderr(File::create(&log)?)
            .spawn()?;
        Ok(Self {
            child,
            began_ms,
            socket,
            log,
        })
    }

    async fn measured(
        &mut self,
        ground: &Ground,
        stations: usize,
        seconds: f64,
        cuts: u32,
    ) -> anyhow::Result<Trial> {
        let start = self.ready().await?;
        let client = Client::connect(&self.socket).await?;
        client.recipes().await?.put(RECIPE).await?;
        for index in 0..stations {
            client
                .station(&name(index))
                .await?
                .start("load", &format!("LOAD-{index}"))
                .await?;
        }
        client.0.close().await?;
        // Drivers look for the plan twice a second; and what starting has stirred up has to settle.
        let plan = write_plan(ground, stations, seconds, 2.0 * SETTLE_MS, cuts)?;
        let pid = self.child.id();
        sleep_until(plan.grants_from_ms);
        let before = CpuTime::of(pid)?;
        sleep_until(plan.grants_until_ms);
        let (cpu_percent, cpu_percent_by_thread) = CpuTime::of(pid)?.percent_since(&before, seconds);
        let (memory_mb, memory_peak_mb) = memory_mb(pid)?;
        let unasked_trips = if cuts > 0 {
            Client::connect(&self.socket)
                .await?
                .reset_trips(stations, cuts)
                .await?
        } else {
            BTreeMap::new()
        };
        Ok(Trial {
            grant: Samples::default(),
            grant_among_cuts: Samples::default(),
            cut: Samples::default(),
            late: Samples::default(),
            unanswered: 0,
            unasked_trips,
            cpu_percent,
            cpu_percent_by_thread,
            memory_mb,
            memory_peak_mb,
            start,
        })
    }

    /// Waits until every channel of every station reads.
    async fn ready(&mut self) -> anyhow::Result<Start> {
        let patience = self.began_ms + READY_WITHIN.as_secs_f64() * 1_000.0;
        while UnixStream::connect(&self.socket).is_err() {
            if let Some(status) = self.child.try_wait()? {
                anyhow::bail!("the daemon ended at once: {status}");
            }
            anyhow::ensure!(monotonic_ms() < patience, "no socket after {READY_WITHIN:?}");
            tokio::time::sleep(Duration::from_millis(1)).await;
        }
        let socket_ms = monotonic_ms() - self.began_ms;
        let client = Client::connect(&self.socket).await?;
        let mut first_reading_ms = None;
        loop {
            let status = client.status().await?;
            let now = monotonic_ms() - self.began_ms;
            let channels = || status.stations.iter().flat_map(|station| &station.channels);
            if first_reading_ms.is_none() && channels().any(|channel| channel.celsius.is_some()) {
                first_reading_ms = Some(now);
            }
            if let Some(first_reading_ms) = first_reading_ms
                && channels().all(|channel| channel.celsius.is_some())
            {
                return Ok(Start {
                    socket_ms,
                    first_reading_ms,
                    all_readings_ms: now,
                });
            }
            anyhow::ensure!(
                monotonic_ms() < patience,
                "not every channel reads after {READY_WITHIN:?}"
            );
            tokio::time::sleep(LOOK_EVERY).await;
        }
    }

    /// Ends it as a service manager does, and waits: the drivers leave their reports on the way.
    fn end(&mut self) -> anyhow::Result<()> {
        kill_process(Pid::from_child(&self.child), Signal::TERM)?;
        let status = self.child.wait()?;
        anyhow::ensure!(status.success(), "{}: {status}", self.last_words());
        Ok(())
    }

    fn last_words(&self) -> String {
        let log = fs::read_to_string(&self.log).unwrap_or_default();
        let last: Vec<&str> = log.lines().rev().take(10).collect();
        format!(
            "the daemon said last: {}",
            last.into_iter().rev().collect::<Vec<_>>().join(" | ")
        )
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        // Ended already, most likely.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn name(index: usize) -> String {
    format!("bench-{}", index + 1)
}

fn lab_toml(ground: &Ground, socket: &Path, stations: usize) -> anyhow::Result<String> {
    // JSON's escapes are TOML's as well.
    let quoted = |path: &Path| serde_json::Value::from(path.display().to_string()).to_string();
    let mut text = format!(
        "[lab]\nname = \"load\"\narchive = {}\nsocket = {}\n\n[presence]\nabsent_after_s = 14400\n",
        quoted(&ground.file("archive")),
        quoted(socket),
    );
    for index in 0..stations {
        let (program, settings) = load_driver(ground.0.path(), index)?;
        write!(
            text,
            "\n[station.{0}]\nchannels = {{ board-top = \"tc1\", board-edge = \"tc2\", board-under = \"tc3\", \
             connector = \"tc4\" }}\nheat = \"heat1\"\n[station.{0}.driver]\nprogram = [{1}]\n\
             [station.{0}.driver.settings]\nplan = {2}\nreport = {3}\nseed = {4}\n",
            name(index),
            quoted(&program),
            quoted(&settings.plan),
            quoted(&settings.report),
            settings.seed
        )?;
    }
    Ok(text)
}

/// A client of the private socket.
#[derive(Clone)]
struct Client(zbus::Connection);

impl Client {
    async fn connect(socket: &Path) -> anyhow::Result<Self> {
        let stream = UnixStream::connect(socket)?;
        Ok(Self(
            zbus::connection::Builder::unix_stream(stream)
                .p2p()
                .build()
                .await?,
        ))
    }

    async fn recipes(&self) -> Result<RecipesProxy<'static>, Error> {
        Ok(RecipesProxy::new(&self.0).await?)
    }

    async fn station(&self, name: &str) -> Result<StationProxy<'static>, Error> {
        let builder = StationProxy::builder(&self.0).path(station_path(name));
        Ok(builder
            .cache_properties(zbus::proxy::CacheProperties::No)
            .build()
            .await?)
    }

    async fn status(&self) -> anyhow::Result<shapes::Status> {
        let text = LabProxy::new(&self.0).await?.status().await?;
        Ok(serde_json::from_str(&text)?)
    }

    /// Resets what trips and has the run go on, until every station has been cut `cuts` times. Returns the trips that
    /// nobody asked for.
    async fn reset_trips(&self, stations: usize, cuts: u32) -> anyhow::Result<BTreeMap<String, u32>> {
        let lab = LabProxy::new(&self.0).await?;
        let mut changes = pin!(lab.receive_interlock_changed().await?);
        let mut left: BTreeMap<String, u32> = (0..stations).map(|index| (name(index), cuts)).collect();
        let mut unasked = BTreeMap::<String, u32>::new();
        // A station with two trips is reset once.
        let being_reset = Rc::new(RefCell::new(BTreeSet::new()));
        let failed = Rc::new(RefCell::new(None));
        let reset = |station: String| {
            if being_reset.borrow_mut().insert(station.clone()) {
                let (client, being_reset, failed) = (self.clone(), being_reset.clone(), failed.clone());
                tokio::task::spawn_local(async move {
                    if let Err(error) = client.reset(&station, &being_reset).await {
                        failed
                            .borrow_mut()
                            .get_or_insert(format!("{station} can't be reset: {error}"));
                    }
                });
            }
        };
        // What tripped while nobody was connected.
        for station in self.status().await?.stations {
            let latched = station.interlocks.iter().filter(|one| one.standing == "tripped");
            for interlock in latched {
                *unasked.entry(interlock.interlock.clone()).or_default() += 1;
                reset(station.station.clone());
            }
        }
        let patience = Duration::from_secs(30) + CUT_WITHIN * cuts;
        let all = async {
            while left.values().any(|left| *left > 0) {
                let change = poll_fn(|context| changes.as_mut().poll_next(context)).await;
                let change = change.context("the daemon closed the connection")?;
                let change = change.args()?;
                if change.standing != "tripped" {
                    continue;
                }
                if let Some(why) = failed.borrow_mut().take() {
                    anyhow::bail!("{why}");
                }
                if change.interlock == "over-temperature" {
                    left.entry(change.station.clone())
                        .and_modify(|left| *left = left.saturating_sub(1));
                } else {
                    *unasked.entry(change.interlock.clone()).or_default() += 1;
                }
                reset(change.station.clone());
            }
            Ok(())
        };
        match tokio::time::timeout(patience, all).await {
            Ok(done) => done?,
            // Said, not hidden: the table shows how many cuts there were.
            Err(_) => eprintln!("not every cut came within {patience:?}; left: {left:?}"),
        }
        Ok(unasked)
    }

    async fn reset(&self, name: &str, being_reset: &RefCell<BTreeSet<String>>) -> Result<(), Error> {
        let station = self.station(name).await?;
        tokio::time::sleep(RESET_AFTER).await;
        loop {
            match station.reset().await {
                Ok(_) => break,
                Err(Error::CauseStands(_)) => tokio::time::sleep(RESET_AFTER).await,
                Err(error) => return Err(error),
            }
        }
        being_reset.borrow_mut().remove(name);
        match station.resume().await {
            // It tripped again in between, and somebody resets that.
            Ok(_) | Err(Error::Tripped(_)) => Ok(()),
            Err(error) => Err(error),
        }
    }
}
