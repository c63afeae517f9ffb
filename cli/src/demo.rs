//! `benchward demo`: a lab that isn't there, and what Benchward does in it.
//!
//! The daemon, the drivers, the archive, the broker and every command are the real ones. Only the benches are
//! simulated and the people are played: their acts go over the daemon's socket like anybody's, from this account. The
//! story is told from the daemon's journal. In the end the records say whether what should have happened did happen.

mod broker;
mod expected;
mod larkfield;
mod people;
mod programs;
mod story;

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use benchward_api::{Exit, shapes};
use benchward_archive::{JournalQuery, Order};
use clap::Args;
use serde::Serialize;
use tokio::signal::unix::{Signal, SignalKind, signal};
use tokio::time::{Instant, sleep};

use crate::Session;
use crate::arguments::Bus;
use crate::caution::CAUTION;
use crate::daemon::Daemon;
use crate::failure::Failure;
use crate::records::Records;
use crate::screen::Tone;
use broker::Broker;
use larkfield::Bench;
use people::{Act, Cast, Deed};
use programs::Program;
use story::Story;

/// Lab seconds a second unless somebody says otherwise: the story, about four minutes of the lab, takes two, and a lab
/// second is long enough for a busy machine with two cores.
const SPEED: u32 = 2;

/// How often the lab is looked at, lab seconds.
const LOOK_EVERY_S: f64 = 1.0;

/// No look follows another sooner than this, however fast the lab goes.
const LOOK_EVERY_MIN: Duration = Duration::from_millis(50);

/// How often the temperatures are told, lab seconds.
const TELL_EVERY_S: f64 = 30.0;

/// The story takes about four minutes of the lab; what has not come by then does not come.
const STORY_S_MAX: f64 = 900.0;

/// How long the daemon may take until every driver delivers.
const READY_WITHIN: Duration = Duration::from_secs(30);

const EXAMPLES: &str = "\
Examples:
  benchward demo                          about two minutes
  benchward demo --speed 6                well under one
  benchward demo --keep                   afterwards the lab stays, to try commands in it";

/// See it work, with nothing installed: three simulated benches, one operator walks away, one sensor fails
#[derive(Debug, Args)]
#[command(before_help = EXAMPLES)]
pub(crate) struct Arguments {
    /// How many times as fast as a real lab, 1 to 20
    #[arg(long, value_name = "K", default_value_t = SPEED, value_parser = clap::value_parser!(u32).range(1..=20))]
    speed: u32,
    /// New folder for the lab's files and records [default: a fresh one under `$XDG_STATE_HOME/benchward`]
    #[arg(long, value_name = "DIR")]
    dir: Option<PathBuf>,
    /// Leave the lab running after the story, until Ctrl-C
    #[arg(long)]
    keep: bool,
}

/// The end of a demo, for a program.
#[derive(Debug, Serialize)]
struct Shown {
    schema: u32,
    ok: bool,
    dir: String,
    archive: String,
    runs: Vec<shapes::Run>,
    missing: Vec<String>,
}

pub(crate) async fn demo(session: &Session, arguments: &Arguments) -> Result<Exit, Failure> {
    let daemon_program = programs::find("benchwardd")?;
    programs::find_beside("benchward-driver-simulated", &daemon_program)?;
    let folder = larkfield::folder(arguments.dir.as_deref())?;
    let mut story = Story::new(&session.screen, arguments.speed);
    let asked = async {
        tell_beginning(&mut story, &folder, arguments.speed)?;
        let broker = Broker::start(&folder).await;
        match &broker {
            Ok(broker) => story.say(&format!(
                "a private broker (mosquitto) listens on 127.0.0.1:{}",
                broker.port()
            ))?,
            Err(why) => story.say(&format!("no MQTT in this demo: {why}"))?,
        }
        let broker = broker.ok();
        let socket = larkfield::socket(&folder)?;
        let config = folder.join("lab.toml");
        let text = larkfield::lab_toml(
            &folder.join("archive"),
            socket.path(),
            broker.as_ref().map(Broker::port),
        );
        write(&config, &text)?;
        for bench in &larkfield::BENCHES {
            write(&folder.join(bench.recipe_file), bench.recipe)?;
        }
        let speed = arguments.speed.to_string();
        let mut program = Program::start(
            &daemon_program,
            &[
                "--config".as_ref(),
                config.as_os_str(),
                "--time-scale".as_ref(),
                speed.as_ref(),
            ],
            &folder.join("benchwardd.log"),
        )?;
        let played = play(
            &mut story,
            arguments,
            &mut program,
            socket.path(),
            broker.as_ref(),
        )
        .await;
        // Whatever happened, and whoever reads: the heat goes off and the daemon ends before this does.
        let ended = program.end().await;
        let mut evidence = played;
        if let Some(broker) = broker {
            if let Ok(evidence) = &mut evidence {
                evidence.goodbye = broker.goodbye(&story).await?;
            }
            broker.end().await;
        }
        let evidence = evidence?;
        ended?;
        Ok::<_, Failure>(evidence)
    };
    let evidence = asked.await?;
    let archive = folder.join("archive");
    let (runs, missing) = expected::compare(&archive, &evidence)?;
    let shown = Shown {
        schema: shapes::SCHEMA,
        ok: missing.is_empty(),
        dir: folder.display().to_string(),
        archive: archive.display().to_string(),
        runs,
        missing,
    };
    if session.screen.is_json() {
        session.screen.json(&shown)?;
    } else {
        tell_end(&mut story, &shown)?;
    }
    for missing in &shown.missing {
        session.screen.say(Tone::Danger, "missing", missing);
    }
    if !shown.ok {
        let log = folder.join("benchwardd.log");
        session.screen.say(
            Tone::Strong,
            "hint",
            &format!("the daemon's log is {}", log.display()),
        );
    }
    Ok(if shown.ok { Exit::Done } else { Exit::Failed })
}

fn write(file: &Path, text: &str) -> Result<(), Failure> {
    fs::write(file, text).map_err(|error| Failure::failed(format!("can't write {}: {error}", file.display())))
}

fn tell_beginning(story: &mut Story<'_>, folder: &Path, speed: u32) -> Result<(), Failure> {
    story.caution(CAUTION);
    story.heading("Larkfield Instruments: three simulated benches, a real daemon")?;
    story.say(&format!("its files and records are in {}", folder.display()))?;
    story.say(&format!(
        "times are the lab's, which goes {speed} times as fast as yours; Ctrl-C ends it with all heat off"
    ))?;
    story.say("op1, op2, op3 and safe1 are played by your account, and the journal says so: it asks the system, never the \
               caller")?;
    Ok(())
}

fn tell_end(story: &mut Story<'_>, shown: &Shown) -> Result<(), Failure> {
    story.heading(if shown.ok {
        "All of it happened as it should"
    } else {
        "Not all of it happened as it should"
    })?;
    for run in &shown.runs {
        let peak = crate::figures::celsius(run.peak_celsius);
        let ended = run.outcome.as_deref().unwrap_or("without an outcome");
        story.say(&format!(
            "run {} at {}: {ended}, peak {peak}, board {}",
            run.run, run.station, run.serial
        ))?;
    }
    let me = me();
    let archive = &shown.archive;
    story.heading("Look at the runs that it made")?;
    for command in [
        "run list",
        "run show 2",
        "run report 2 -o run-2.html",
        "run export 1 --format csv",
        "journal list --kind trip",
        "journal verify",
    ] {
        story.say(&format!("{me} --archive {archive} {command}"))?;
    }
    Ok(())
}

/// What was seen while it went on; the records say the rest.
#[derive(Debug, Default)]
pub(crate) struct Evidence {
    /// Run by station.
    pub(crate) runs: BTreeMap<String, u64>,
    /// Highest heat that a station showed while it was tripped.
    pub(crate) heat_while_tripped: BTreeMap<String, f64>,
    /// Whether a reset was refused while the sensor was still open.
    pub(crate) reset_refused: bool,
    /// Whether there was a broker, and which stations' trips came over it.
    pub(crate) mqtt: Option<Vec<String>>,
    /// Whether the daemon's goodbye came over the broker.
    pub(crate) goodbye: bool,
    /// Why it ended before the story was told.
    pub(crate) cut_short: Option<String>,
}

/// From the daemon's start to the end of the story.
async fn play(
    story: &mut Story<'_>,
    arguments: &Arguments,
    program: &mut Program,
    socket: &Path,
    broker: Option<&Broker>,
) -> Result<Evidence, Failure> {
    let mut endings = Endings::new()?;
    let told = async {
        let daemon = ready(program, socket).await?;
        tell(story, arguments, program, &daemon, broker).await
    };
    let evidence = tokio::select! {
        evidence = told => evidence?,
        why = endings.next() => {
            if let Ok(daemon) = Daemon::reach(Some(socket), Bus::None).await
                && let Ok(lab) = daemon.lab().await
            {
                // The daemon cuts the heat again when it is told to end, right after this.
                let _ = daemon.ask(lab.stop_all()).await;
            }
            return Err(Failure::failed(format!(
                "the demo was ended early ({why}): all heat is off, the daemon is told to end"
            )));
        }
    };
    if arguments.keep {
        story.heading("The lab stays until Ctrl-C")?;
        story.say(&format!("{} --socket {} status", me(), socket.display()))?;
        tokio::select! {
            () = program.ended() => {}
            _ = endings.next() => {}
        }
    }
    Ok(evidence)
}

/// What ends a program from outside.
struct Endings {
    interrupt: Signal,
    terminate: Signal,
    hang_up: Signal,
}

impl Endings {
    fn new() -> Result<Self, Failure> {
        let caught =
            |kind| signal(kind).map_err(|error| Failure::failed(format!("can't wait for signals: {error}")));
        Ok(Self {
            interrupt: caught(SignalKind::interrupt())?,
            terminate: caught(SignalKind::terminate())?,
            hang_up: caught(SignalKind::hangup())?,
        })
    }

    /// Waits for one, and says which.
    async fn next(&mut self) -> &'static str {
        tokio::select! {
            _ = self.interrupt.recv() => "Ctrl-C",
            _ = self.terminate.recv() => "SIGTERM",
            _ = self.hang_up.recv() => "the terminal is gone",
        }
    }
}

/// This program, as it was called.
fn me() -> String {
    std::env::args_os()
        .next()
        .map_or_else(|| "benchward".into(), |me| me.to_string_lossy().into_owned())
}

/// Waits until every driver delivers.
async fn ready(program: &mut Program, socket: &Path) -> Result<Daemon, Failure> {
    let until = Instant::now() + READY_WITHIN;
    let mut daemon: Option<Daemon> = None;
    let mut seen = "it has no socket yet".to_owned();
    while Instant::now() < until {
        if let Some(end) = program.has_ended()? {
            return Err(Failure::failed(format!(
                "benchwardd ended at once ({end})\n{}",
                program.last_words()
            )));
        }
        if daemon.is_none() && socket.exists() {
            daemon = Daemon::reach(Some(socket), Bus::None).await.ok();
        }
        if let Some(there) = &daemon
            && let Ok(status) = there.status().await
        {
            let waiting: Vec<&str> = status
                .stations
                .iter()
                .filter(|one| {
                    one.driver != "up" || one.channels.iter().any(|channel| channel.quality != "good")
                })
                .map(|one| one.station.as_str())
                .collect();
            if waiting.is_empty() && !status.stations.is_empty() {
                return Ok(there.clone());
            }
            seen = format!("no readings yet from {}", waiting.join(", "));
        }
        sleep(Duration::from_millis(50)).await;
    }
    Err(Failure::failed(format!(
        "benchwardd is not ready after {} s: {seen}\n{}",
        READY_WITHIN.as_secs(),
        program.last_words()
    )))
}

/// Starts the runs, lets the people act, and tells what the journal says, until every board is safe to handle.
async fn tell(
    story: &mut Story<'_>,
    arguments: &Arguments,
    program: &mut Program,
    daemon: &Daemon,
    broker: Option<&Broker>,
) -> Result<Evidence, Failure> {
    let mut evidence = Evidence {
        mqtt: broker.map(|_| Vec::new()),
        ..Evidence::default()
    };
    let records = Records::Daemon(daemon.clone());
    story.heading("The story")?;
    // What the daemon said of its own start is no part of it.
    let newest = JournalQuery {
        order: Order::NewestFirst,
        limit: 1,
        ..JournalQuery::default()
    };
    let mut next = 1 + records
        .journal(&newest)
        .await?
        .entries
        .first()
        .map_or(0, |entry| entry.n);
    store_recipes(daemon).await?;
    story.begin();
    for bench in &larkfield::BENCHES {
        let station = daemon.station(bench.station).await?;
        let recipe = bench.recipe_name();
        let run = daemon.ask(station.start(&recipe, bench.serial)).await?;
        evidence.runs.insert(bench.station.to_owned(), run);
    }
    let mut cast = Cast::new();
    let look = Duration::from_secs_f64(LOOK_EVERY_S / f64::from(arguments.speed)).max(LOOK_EVERY_MIN);
    let mut told_s = 0.0;
    let mut safe = 0;
    while safe < larkfield::BENCHES.len() {
        if let Some(end) = program.has_ended()? {
            return Err(Failure::failed(format!(
                "benchwardd ended under the story ({end})\n{}",
                program.last_words()
            )));
        }
        let status = daemon.status().await?;
        let query = JournalQuery {
            from: Some(next),
            limit: 1000,
            ..JournalQuery::default()
        };
        for entry in records.journal(&query).await?.entries {
            next = entry.n + 1;
            safe += usize::from(entry.kind == "safe");
            story.entry(&entry, &status)?;
        }
        if let (Some(broker), Some(trips)) = (broker, &mut evidence.mqtt) {
            broker.tell(story, trips)?;
        }
        watch_heat(&status, &mut evidence);
        for deed in cast.acts(story.now_s(), &status) {
            carry_out(story, daemon, &mut cast, &deed, &mut evidence).await?;
        }
        if story.now_s() - told_s >= TELL_EVERY_S {
            told_s = story.now_s();
            story.temperatures(&status)?;
        }
        if story.now_s() > STORY_S_MAX {
            evidence.cut_short = Some(format!(
                "after {:.0} min of the lab only {safe} of {} boards are safe to handle",
                STORY_S_MAX / 60.0,
                larkfield::BENCHES.len()
            ));
            break;
        }
        sleep(look).await;
    }
    Ok(evidence)
}

async fn store_recipes(daemon: &Daemon) -> Result<(), Failure> {
    let recipes = daemon.recipes().await?;
    for Bench { recipe, .. } in &larkfield::BENCHES {
        daemon.ask(recipes.put(recipe)).await?;
    }
    Ok(())
}

/// Notes heat at a station that is tripped: there must never be any.
fn watch_heat(status: &shapes::Status, evidence: &mut Evidence) {
    for station in &status.stations {
        if station
            .interlocks
            .iter()
            .any(|one| matches!(one.standing.as_str(), "tripped" | "acknowledged"))
        {
            let highest = evidence
                .heat_while_tripped
                .entry(station.station.clone())
                .or_default();
            *highest = highest.max(station.heat);
        }
    }
}

/// A person does something, over the daemon's socket like anybody.
async fn carry_out(
    story: &mut Story<'_>,
    daemon: &Daemon,
    cast: &mut Cast,
    deed: &Deed,
    evidence: &mut Evidence,
) -> Result<(), Failure> {
    if let Some(words) = deed.words {
        story.deed(deed.station, words)?;
    }
    let Some(act) = deed.act else { return Ok(()) };
    let station = daemon.station_unseen(deed.station).await?;
    let answer = match act {
        Act::Present => daemon.ask(station.present()).await,
        Act::Acknowledge => daemon.ask(station.acknowledge()).await,
        Act::Reset => daemon.ask(station.reset()).await,
        Act::StopRun => daemon.ask(station.stop_run()).await,
    };
    match answer {
        Ok(_) => cast.done(deed.station, act),
        Err(Failure::Told { error, text, .. }) if error == "CauseStands" => {
            evidence.reset_refused |= act == Act::Reset;
            story.deed(deed.station, &format!("refused: {text}"))?;
        }
        Err(failure) => return Err(failure),
    }
    Ok(())
}
