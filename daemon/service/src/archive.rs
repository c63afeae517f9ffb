//! The archive thread: the one place where the archive is written.
//!
//! It takes what the lab thread and the bus want kept from a queue that never makes anybody wait. Readings are
//! bounded: past the bound they are dropped and counted. Journal entries, run records, trips and limits never are.
//! Conversions from the core's types to the archive's are made here, off the lab thread.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, AtomicUsize, Ordering};
use std::sync::mpsc::{self, TryRecvError};
use std::thread::{self, Thread};
use std::time::{Duration, Instant};

use arc_swap::ArcSwap;
use benchward_api::redo::{self, Log, Noted, Part};
use benchward_api::{judging, shapes};
use benchward_archive::{self as archive, Document, JournalEntry, Reader, Wall, Writer};
use benchward_core::interlock::{Effect, InterlockName};
use benchward_core::model::BoardModel;
use benchward_core::predict::Prediction;
use benchward_core::units::Millis;
use benchward_core::{
    Action, Entry, EntryKind, Excerpt, FirstRun, LimitScope, Outcome, Record, Row, RunChange, RunId,
    StationId,
};
use tokio::sync::oneshot;
use tracing::{error, info, warn};

use crate::calibration::{Sensor, Sensors};
use crate::clock::Clock;
use crate::wiring::{NOT_SET, Wiring, limit_key};

/// Rows of readings that may wait for the disk: two seconds of the largest lab (200 stations at 10 Hz) times ten, a
/// few tens of megabytes.
const ROWS_WAITING_MAX: usize = 40_000;

/// Gaps that are told one by one: each open run's log needs one. Cleared once the disk keeps up again.
const GAPS_MAX: usize = 1_000;

/// How often the archive is given time for its own work, and how long readings wait before they are taken. Its
/// promise of at most half a second of lost readings needs less than 100 ms.
const TICK: Duration = Duration::from_millis(50);

/// Most things taken from the queue before they are committed.
const BATCH: usize = 4_096;

/// What is to be kept.
enum Item {
    /// An action of the core, and when it was decided.
    Action(Action, Millis),
    /// A run begins; its station as it was.
    Begun(RunId, Box<Excerpt>),
    /// What reached the station of an open run.
    Noted(RunId, Noted),
    /// An entry of the daemon's own.
    Own(&'static str, String),
    /// A recipe, and who waits for its revision.
    Recipe {
        name: String,
        text: String,
        done: oneshot::Sender<Result<u32, String>>,
    },
    /// A window, and who waits for its revision.
    Window {
        name: String,
        text: String,
        done: oneshot::Sender<Result<u32, String>>,
    },
    /// A run that was lost, and is judged by what there is of it.
    Judge(u64),
    /// The verdict of a run that was judged again, and who waits until it is kept.
    Verdict {
        run: u64,
        judged: Box<shapes::RunWindow>,
        done: oneshot::Sender<Result<(), String>>,
    },
    /// What a run says of its board, and who waits for its revision.
    BoardModel {
        record: Box<archive::BoardModelRecord>,
        done: oneshot::Sender<Result<u32, String>>,
    },
    /// How far a consumer of readings has been acknowledged.
    Cursor(&'static str, Box<archive::Cursor>),
    /// Somebody waits until everything before this is on the disk.
    Barrier(oneshot::Sender<Result<(), String>>),
    /// The end.
    Close,
}

/// Everybody's way to the archive thread.
#[derive(Clone)]
pub(crate) struct Keep {
    queue: mpsc::Sender<Item>,
    /// The archive thread. It is woken for what somebody waits for or is told, never for readings: a wake-up per scan
    /// would cost the lab thread more than all else it does, and the driver that is just being told its share of the CPU.
    thread: Thread,
    rows: Arc<AtomicUsize>,
    dropped: Arc<AtomicU64>,
    /// Items of logs that were dropped, said in the logs up to [`GAPS_MAX`].
    gaps: Arc<AtomicUsize>,
    standing: Arc<ArcSwap<Standing>>,
    /// Written by the archive thread alone, once a calibration is kept.
    sensors: Arc<ArcSwap<Sensors>>,
}

/// What others may know of the archive.
#[derive(Debug, Clone, Default)]
pub(crate) struct Standing {
    /// Number of the journal's newest entry that is on the disk.
    pub(crate) entries: u64,
    /// Its hash, hexadecimal.
    pub(crate) head: String,
    /// What a person should know; empty while all is well.
    pub(crate) text: String,
}

impl Keep {
    /// Keeps what an action of the core says, with the next tick or [`Keep::wake`]. Never waits: called by the lab
    /// thread.
    pub(crate) fn action(&self, action: Action, now: Millis) {
        if matches!(action, Action::Record(_)) {
            if self.rows.load(Ordering::Relaxed) >= ROWS_WAITING_MAX {
                self.dropped.fetch_add(1, Ordering::Relaxed);
                return;
            }
            self.rows.fetch_add(1, Ordering::Relaxed);
        }
        let _ = self.queue.send(Item::Action(action, now));
    }

    /// A run begins: from now on what reaches its station is kept. Never waits.
    pub(crate) fn begun(&self, run: RunId, excerpt: Box<Excerpt>) {
        let _ = self.queue.send(Item::Begun(run, excerpt));
    }

    /// Keeps what reached the station of an open run. Never waits. Past the bound of readings it is dropped as they are; the
    /// run's log says from where on.
    pub(crate) fn noted(&self, run: RunId, noted: Noted) {
        let noted = if self.rows.load(Ordering::Relaxed) >= ROWS_WAITING_MAX {
            if self.gaps.fetch_add(1, Ordering::Relaxed) > GAPS_MAX {
                return;
            }
            Noted {
                part: Part::Gap,
                commands: Vec::new(),
                ..noted
            }
        } else {
            noted
        };
        let _ = self.queue.send(Item::Noted(run, noted));
    }

    /// What has been put in is not to wait for the next tick.
    pub(crate) fn wake(&self) {
        self.thread.unpark();
    }

    /// Puts something into the queue that is not to wait for the next tick.
    fn put(&self, item: Item) {
        // An archive thread that is gone has closed the archive; there is nothing left to keep.
        let _ = self.queue.send(item);
        self.wake();
    }

    /// Journals something of the daemon's own.
    pub(crate) fn own(&self, kind: &'static str, text: String) {
        self.put(Item::Own(kind, text));
    }

    /// Stores a recipe. Returns its revision once it is on the disk.
    pub(crate) async fn recipe(&self, name: String, text: String) -> Result<u32, String> {
        let (done, wait) = oneshot::channel();
        self.put(Item::Recipe { name, text, done });
        wait.await.unwrap_or_else(|_| Err("the archive is closed".into()))
    }

    /// Stores a window. Returns its revision once it is on the disk.
    pub(crate) async fn window(&self, name: String, text: String) -> Result<u32, String> {
        let (done, wait) = oneshot::channel();
        self.put(Item::Window { name, text, done });
        wait.await.unwrap_or_else(|_| Err("the archive is closed".into()))
    }

    /// Judges a run whose end nobody saw.
    pub(crate) fn judge(&self, run: u64) {
        self.put(Item::Judge(run));
    }

    /// Keeps the verdict of a run that was judged again. Returns once it is on the disk.
    pub(crate) async fn verdict(&self, run: u64, judged: shapes::RunWindow) -> Result<(), String> {
        let (done, wait) = oneshot::channel();
        let judged = Box::new(judged);
        self.put(Item::Verdict { run, judged, done });
        wait.await.unwrap_or_else(|_| Err("the archive is closed".into()))
    }

    /// Stores a board model. Returns its revision once it is on the disk.
    pub(crate) async fn board_model(&self, record: archive::BoardModelRecord) -> Result<u32, String> {
        let (done, wait) = oneshot::channel();
        let record = Box::new(record);
        self.put(Item::BoardModel { record, done });
        wait.await.unwrap_or_else(|_| Err("the archive is closed".into()))
    }

    /// Keeps how far a consumer of readings has been acknowledged, with the next tick.
    pub(crate) fn cursor(&self, consumer: &'static str, cursor: archive::Cursor) {
        let _ = self.queue.send(Item::Cursor(consumer, Box::new(cursor)));
    }

    /// Waits until everything that was kept before this call is on the disk.
    pub(crate) async fn barrier(&self) -> Result<(), String> {
        let (done, wait) = oneshot::channel();
        self.put(Item::Barrier(done));
        wait.await.unwrap_or_else(|_| Err("the archive is closed".into()))
    }

    /// Ends the thread after everything that was kept before.
    pub(crate) fn close(&self) {
        self.put(Item::Close);
    }

    /// How many rows of readings wait for the disk.
    pub(crate) fn rows_waiting(&self) -> usize {
        self.rows.load(Ordering::Relaxed)
    }

    /// How many rows of readings were dropped since the start.
    pub(crate) fn rows_dropped(&self) -> u64 {
        self.dropped.load(Ordering::Relaxed)
    }

    /// The sensors with the calibrations that are kept now.
    pub(crate) fn sensors(&self) -> Arc<Sensors> {
        self.sensors.load_full()
    }

    /// What others may know of the archive now.
    pub(crate) fn standing(&self) -> Arc<Standing> {
        self.standing.load_full()
    }
}

/// Opens the archive and says what was found.
///
/// # Errors
/// With the folder, what is wrong with it, and what to do.
pub(crate) fn open(
    folder: &Path,
    lab: &str,
    now: Wall,
    options: &archive::Options,
) -> Result<(Writer, Reader, archive::Opened), archive::Error> {
    archive::Archive::open_with(folder, lab, now, options)
}

/// Starts the archive thread.
///
/// # Errors
/// If the kernel has no thread left for it.
pub(crate) fn start(
    writer: Writer,
    reader: Reader,
    wiring: Arc<Wiring>,
    clock: Arc<Clock>,
) -> std::io::Result<(Keep, thread::JoinHandle<()>)> {
    let (queue, items) = mpsc::channel();
    let rows = Arc::new(AtomicUsize::new(0));
    let dropped = Arc::new(AtomicU64::new(0));
    let gaps = Arc::new(AtomicUsize::new(0));
    let standing = Arc::new(ArcSwap::from_pointee(Standing {
        entries: writer.durable(),
        head: writer.head(),
        text: String::new(),
    }));
    let sensors = Arc::new(ArcSwap::from_pointee(wiring.sensors.clone()));
    let keep = move |thread| Keep {
        queue,
        thread,
        rows,
        dropped,
        gaps,
        standing,
        sensors,
    };
    let shared = keep.clone();
    let thread = thread::Builder::new().name("archive".into()).spawn(move || {
        Keeper {
            writer,
            reader,
            wiring,
            clock,
            shared: shared(thread::current()),
            stations: Vec::new(),
            spans: BTreeMap::new(),
            texts: BTreeMap::new(),
            logs: BTreeMap::new(),
            barriers: Vec::new(),
            dropped_said: 0,
            due_said: None,
            health_said: String::new(),
        }
        .run(&items);
    })?;
    Ok((keep(thread.thread().clone()), thread))
}

struct Keeper {
    writer: Writer,
    reader: Reader,
    wiring: Arc<Wiring>,
    clock: Arc<Clock>,
    shared: Keep,
    /// The archive's number of each station; `None` where it could not be had.
    stations: Vec<Option<archive::StationIx>>,
    /// First and last journal entry of each run that goes on.
    spans: BTreeMap<u64, (u64, u64)>,
    /// Text of each run's recipe.
    texts: BTreeMap<u64, String>,
    /// What open runs are decided on.
    logs: BTreeMap<u64, Log>,
    barriers: Vec<oneshot::Sender<Result<(), String>>>,
    dropped_said: u64,
    /// The day (UTC) on which overdue calibrations were last said.
    due_said: Option<i32>,
    health_said: String,
}

impl Keeper {
    fn run(mut self, items: &mpsc::Receiver<Item>) {
        for at in 0..self.wiring.setup.stations.len() {
            let station = &self.wiring.setup.stations[at];
            let channels: Vec<&str> = station.channels.iter().map(|channel| &*channel.name).collect();
            let registered = self.writer.station(&station.name, &channels);
            if let Err(error) = &registered {
                error!(station = %station.name, "readings of this station are not kept: {error}");
            }
            self.stations.push(registered.ok());
        }
        let mut ticked = Instant::now();
        loop {
            let (mut open, mut more) = (true, true);
            for _ in 0..BATCH {
                match items.try_recv() {
                    Ok(item) => open &= self.take(item),
                    Err(ended) => {
                        open &= ended == TryRecvError::Empty;
                        more = false;
                        break;
                    }
                }
            }
            self.commit();
            if ticked.elapsed() >= TICK || !open {
                ticked = Instant::now();
                self.tick();
            }
            if !open {
                break;
            }
            if !more {
                // Whoever puts something in afterwards has woken this thread, and then it doesn't wait at all.
                thread::park_timeout(TICK);
            }
        }
        let now = self.clock.wall_now();
        if let Err(error) = self.writer.close(now) {
            error!("the archive could not be closed cleanly: {error}");
        }
        info!("the archive is closed");
    }

    /// Returns whether to go on.
    fn take(&mut self, item: Item) -> bool {
        match item {
            Item::Action(action, now) => self.action(action, now),
            Item::Begun(run, excerpt) => {
                self.logs.insert(run.0, Log::new(*excerpt));
            }
            Item::Noted(run, noted) => {
                if let Some(log) = self.logs.get_mut(&run.0) {
                    log.note(noted);
                    if let Some(part) = log.part() {
                        self.writer.decisions(run.0, &part);
                    }
                }
            }
            Item::Own(kind, text) => {
                let now = self.clock.now();
                self.journal(JournalEntry::new(self.clock.wall(now), now.0, kind, text));
            }
            Item::Recipe { name, text, done } => {
                let revision = self.writer.put_recipe(&name, &text);
                self.stored(revision, done);
            }
            Item::Window { name, text, done } => {
                let revision = self.writer.put_document(Document::Window, &name, &text);
                self.stored(revision, done);
            }
            Item::Judge(run) => self.judge_lost(run),
            Item::Verdict { run, judged, done } => {
                let kept = self.keep_verdict(run, &judged);
                // Who waited may have gone.
                let _ = done.send(kept.map_err(|error| error.to_string()));
            }
            Item::BoardModel { record, done } => {
                let revision = self.writer.put_board_model(&record);
                self.stored(revision, done);
            }
            Item::Cursor(consumer, cursor) => {
                if let Err(error) = self.writer.put_cursor(consumer, &cursor) {
                    warn!("after a restart `{consumer}` gets some readings again: {error}");
                }
            }
            Item::Barrier(done) => self.barriers.push(done),
            Item::Close => return false,
        }
        true
    }

    /// Answers who waits for a revision, once it is on the disk.
    fn stored(&mut self, revision: Result<u32, archive::Error>, done: oneshot::Sender<Result<u32, String>>) {
        let revision = revision.and_then(|revision| self.writer.commit().map(|_| revision));
        // Who waited may have gone.
        let _ = done.send(revision.map_err(|error| error.to_string()));
    }

    fn action(&mut self, action: Action, now: Millis) {
        match action {
            Action::Record(row) => {
                self.shared.rows.fetch_sub(1, Ordering::Relaxed);
                self.row(&row);
            }
            Action::Journal(entry) => self.entry(&entry, now),
            Action::Run(change) => self.run_changed(&change),
            Action::KeepTrip {
                station,
                interlock,
                effect,
                text,
                acknowledged_by,
            } => {
                self.keep_trip(station, interlock, effect, &text, acknowledged_by.as_deref());
            }
            Action::DropTrip { station, interlock } => {
                if let Some(name) = self.station_name(station) {
                    self.writer.clear_trip(&name, interlock.text());
                }
            }
            Action::KeepLimit { scope, ceiling } => {
                let station = match scope {
                    LimitScope::Lab => None,
                    LimitScope::Station(station) => self.station_name(station),
                };
                let celsius = ceiling.map_or(NOT_SET, benchward_core::units::Celsius::degrees);
                self.writer.put_limit(&limit_key(station.as_deref()), celsius);
            }
            Action::KeepLabLimit { limit, value } => {
                self.writer.put_limit(limit.text(), value.unwrap_or(NOT_SET));
            }
            Action::KeepCalibration {
                station,
                channel,
                record,
                ..
            } => self.keep_calibration(station, channel, &record),
            // Carried out by the lab thread itself; nothing to keep.
            Action::Heat(_)
            | Action::Off { .. }
            | Action::Cut { .. }
            | Action::Restore { .. }
            | Action::Answer { .. }
            | Action::Signal(_) => {}
        }
    }

    fn station_name(&self, station: StationId) -> Option<Arc<str>> {
        self.wiring
            .setup
            .stations
            .get(station.index())
            .map(|station| station.name.clone())
    }

    fn row(&mut self, row: &Row) {
        let Some(Some(station)) = self.stations.get(row.station.index()) else {
            return;
        };
        let values = redo::values(row);
        let dropped = self.writer.dropped_rows();
        let kept = self.writer.append(&archive::Row {
            station: *station,
            run: row.run.map(|run| run.0),
            at: self.clock.wall(row.at),
            mono_ms: row.at.0,
            values: &values,
            heat: row.heat.share(),
            phase: redo::phase(row.phase),
            stage: row.stage,
            target_celsius: row.target.map(benchward_core::units::Celsius::degrees),
        });
        match kept {
            Err(error) => warn!("a reading could not be kept: {error}"),
            Ok(()) if self.writer.dropped_rows() > dropped => {}
            Ok(()) => {
                if let Some(log) = row.run.and_then(|run| self.logs.get_mut(&run.0)) {
                    log.row(row);
                }
            }
        }
    }

    fn entry(&mut self, entry: &Entry, now: Millis) {
        let mut kept = JournalEntry::new(self.clock.wall(now), now.0, entry.kind.text(), entry.text.clone());
        if let Some(name) = entry.station.and_then(|station| self.station_name(station)) {
            kept = kept.station(&*name);
        }
        if let Some(run) = entry.run {
            kept = kept.run(run.0);
        }
        if let Some(who) = &entry.who {
            kept = kept.who(&*who.name);
        }
        if let Some(data) = redo::data(entry) {
            kept = kept.data(data);
        }
        let number = self.journal(kept);
        if let Some(run) = entry.run {
            self.spans
                .entry(run.0)
                .and_modify(|(_, last)| *last = number)
                .or_insert((number, number));
        }
        // Fields, so that a log that has them can be asked for a bench, a run, an interlock.
        let station = entry.station.and_then(|station| self.station_name(station));
        let (station, run) = (station.as_deref(), entry.run.map(|run| run.0));
        let trip = entry.about.map(|about| about.interlock.text());
        let text = &entry.text;
        match entry.kind {
            EntryKind::Trip | EntryKind::Alarm | EntryKind::Refused => warn!(station, run, trip, "{text}"),
            EntryKind::Heat | EntryKind::Present => tracing::debug!(station, run, trip, "{text}"),
            _ => info!(station, run, trip, "{text}"),
        }
    }

    fn journal(&mut self, entry: JournalEntry) -> u64 {
        self.writer.journal(entry)
    }

    fn keep_trip(
        &mut self,
        station: StationId,
        interlock: InterlockName,
        effect: Effect,
        text: &str,
        acknowledged_by: Option<&str>,
    ) {
        let Some(name) = self.station_name(station) else {
            return;
        };
        let trip =
            serde_json::json!({ "effect": effect.text(), "text": text, "acknowledged_by": acknowledged_by });
        if let Err(error) = self.writer.put_trip(&name, interlock.text(), &trip) {
            error!(station = %name, "the trip `{interlock}` could not be kept over a restart: {error}");
        }
    }

    fn keep_calibration(&mut self, station: StationId, channel: usize, record: &str) {
        let kept = serde_json::from_str::<archive::CalibrationRecord>(record)
            .map_err(|error| error.to_string())
            .and_then(|record| {
                let revision = self
                    .writer
                    .put_calibration(&record)
                    .map_err(|error| error.to_string())?;
                Ok(archive::Calibration { revision, record })
            });
        match kept {
            Ok(calibration) => {
                let sensors = self.shared.sensors().with(station.index(), channel, calibration);
                self.shared.sensors.store(Arc::new(sensors));
            }
            Err(text) => error!("a calibration counts now and could not be kept over a restart: {text}"),
        }
    }

    fn run_changed(&mut self, change: &RunChange) {
        let mut record = self.record_of(&change.record);
        if change.ended {
            if let Some(rest) = self.logs.remove(&record.run).and_then(|mut log| log.rest()) {
                self.writer.decisions(record.run, &rest);
            }
            self.judge(&mut record);
        }
        if let Err(error) = self.writer.put_run(&record) {
            error!(
                run = record.run,
                "the record of this run could not be kept: {error}"
            );
        }
        if change.ended {
            self.spans.remove(&record.run);
            self.texts.remove(&record.run);
        }
    }

    /// Judges a run that is over, before its record is kept: so its file is sealed with the verdict, and nobody ever sees the
    /// one without the other. All its readings came through the queue before its end did.
    fn judge(&mut self, record: &mut archive::RunRecord) {
        let now = self.clock.now();
        let began = Instant::now();
        // A judge that fails must not take the archive with it.
        let judged = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
            judging::judge(&self.reader, record, None, self.clock.wall(now))
        }))
        .unwrap_or_else(|_| Err(benchward_api::Error::Archive("the judge broke down".into())));
        tracing::debug!(run = record.run, "judged within {:?}", began.elapsed());
        let judged = match judged {
            Ok(None) => return,
            Ok(Some(judged)) => judged,
            Err(failed) => {
                error!(
                    run = record.run,
                    "this run could not be judged: {}",
                    failed.text()
                );
                shapes::RunWindow {
                    revision: record.revision,
                    judged: self.clock.wall(now).to_string(),
                    verdict: "undecided".into(),
                    lines: vec![shapes::WindowLine {
                        line: "window".into(),
                        verdict: "undecided".into(),
                        text: format!("it could not be judged: {}", failed.text()),
                        ..shapes::WindowLine::default()
                    }],
                    ..shapes::RunWindow::default()
                }
            }
        };
        judged.put(record);
        let number = self.journal_verdict(record, &judged);
        record.journal_first = record.journal_first.or(Some(number));
        record.journal_last = Some(number);
    }

    fn journal_verdict(&mut self, record: &archive::RunRecord, judged: &shapes::RunWindow) -> u64 {
        let now = self.clock.now();
        let text = format!(
            "{}: run {} judged by {}: {}",
            record.station,
            record.run,
            judged.words(),
            judged.summary()
        );
        info!("{text}");
        let entry = JournalEntry::new(self.clock.wall(now), now.0, "run-judged", text);
        self.journal(entry.station(&*record.station).run(record.run))
    }

    fn judge_lost(&mut self, run: u64) {
        let kept = self.reader.run(run).and_then(|mut record| {
            self.judge(&mut record);
            self.writer.put_run(&record)
        });
        if let Err(failed) = kept {
            error!(run, "this lost run could not be judged: {failed}");
        }
    }

    fn keep_verdict(&mut self, run: u64, judged: &shapes::RunWindow) -> Result<(), archive::Error> {
        let mut record = self.reader.run(run)?;
        judged.put(&mut record);
        self.journal_verdict(&record, judged);
        self.writer.put_run(&record)?;
        self.writer.commit().map(|_| ())
    }

    fn record_of(&mut self, record: &Record) -> archive::RunRecord {
        let wall = |at: Millis| self.clock.wall(at);
        let run = record.run.0;
        if !self.texts.contains_key(&run) {
            let stored = self
                .reader
                .recipe(&record.recipe.name, Some(record.revision))
                .ok()
                .flatten();
            self.texts
                .insert(run, stored.map(|stored| stored.text).unwrap_or_default());
        }
        let span = self.spans.get(&run);
        archive::RunRecord {
            run,
            station: self.station_name(record.station).unwrap_or_default().to_string(),
            recipe: record.recipe.name.clone(),
            revision: record.revision,
            recipe_text: self.texts.get(&run).cloned().unwrap_or_default(),
            serial: record.serial.to_string(),
            operator: record.operator.name.to_string(),
            started: wall(record.started),
            started_mono_ms: record.started.0,
            ended: record.ended.map(wall),
            ended_mono_ms: record.ended.map(|at| at.0),
            outcome: record.outcome.map(|outcome| match outcome {
                Outcome::Completed => archive::Outcome::Completed,
                Outcome::Stopped => archive::Outcome::Stopped,
                Outcome::Tripped => archive::Outcome::Tripped,
                Outcome::Lost => archive::Outcome::Lost,
            }),
            peak_celsius: record.peak.map(benchward_core::units::Celsius::degrees),
            channels: self
                .shared
                .sensors()
                .of(record.station.index())
                .iter()
                .map(Sensor::record)
                .collect(),
            stages: (1u16..)
                .zip(&record.stages)
                .map(|(number, stage)| archive::StageRecord {
                    stage: number,
                    target_celsius: stage.target.degrees(),
                    started: wall(stage.began),
                    reached: stage.reached.map(wall),
                    dwell_s: stage.dwelt.seconds(),
                    overshoot_celsius: stage.reached.map(|_| stage.overshoot.degrees()),
                })
                .collect(),
            trips: record
                .trips
                .iter()
                .map(|trip| archive::TripRecord {
                    interlock: trip.interlock.text().into(),
                    at: wall(trip.at),
                    mono_ms: trip.at.0,
                    text: trip.text.to_string(),
                    ..archive::TripRecord::default()
                })
                .collect(),
            journal_first: span.map(|(first, _)| *first),
            journal_last: span.map(|(_, last)| *last),
            more: record
                .model
                .iter()
                .map(|model| known_board(model))
                .chain(record.first_run.iter().map(guarded))
                .chain((!record.cautions.is_empty()).then(|| {
                    let cautions: Vec<&str> = record.cautions.iter().map(|caution| &**caution).collect();
                    ("cautions".to_owned(), serde_json::json!(cautions))
                }))
                .chain((!record.ceilings.is_empty()).then(|| {
                    let ceilings = record.ceilings.iter().map(|(at, ceiling)| shapes::RunCeiling {
                        at: wall(*at).to_string(),
                        celsius: ceiling.celsius.degrees(),
                        from: ceiling.from.to_string(),
                    });
                    let ceilings: Vec<_> = ceilings.collect();
                    (shapes::RunCeiling::KEY.to_owned(), serde_json::json!(ceilings))
                }))
                .chain(
                    record
                        .foretold
                        .iter()
                        .map(|foretold| prediction(foretold, wall(record.started))),
                )
                .collect(),
            ..archive::RunRecord::default()
        }
    }

    fn commit(&mut self) {
        let done = self
            .writer
            .commit()
            .map(|_| ())
            .map_err(|error| error.to_string());
        for barrier in self.barriers.drain(..) {
            // Who waited may have gone.
            let _ = barrier.send(done.clone());
        }
    }

    fn tick(&mut self) {
        if let Some(moved) = self.clock.follow_wall() {
            #[expect(
                clippy::cast_precision_loss,
                reason = "a step is shown to a tenth of a second"
            )]
            let seconds = moved as f64 / 1000.0;
            let text = format!("the wall clock was moved by {seconds:.1} s; decisions don't use it");
            warn!("{text}");
            let now = self.clock.now();
            self.journal(JournalEntry::new(self.clock.wall(now), now.0, "wall-clock", text));
        }
        let now = self.clock.wall_now();
        self.writer.tick(now);
        for note in self.writer.notes() {
            warn!("archive: {note}");
            let at = self.clock.now();
            self.journal(JournalEntry::new(self.clock.wall(at), at.0, "archive", note));
        }
        self.say_what_is_due(now);
        if self.shared.rows.load(Ordering::Relaxed) < ROWS_WAITING_MAX {
            self.shared.gaps.store(0, Ordering::Relaxed);
        }
        let dropped = self.shared.dropped.load(Ordering::Relaxed);
        if dropped > self.dropped_said {
            let text = format!(
                "{} scans of readings were dropped since the disk is too slow (bound: {ROWS_WAITING_MAX} waiting)",
                dropped - self.dropped_said
            );
            warn!("{text}");
            let now = self.clock.now();
            self.journal(JournalEntry::new(
                self.clock.wall(now),
                now.0,
                "readings-dropped",
                text,
            ));
            self.dropped_said = dropped;
        }
        let health = self.writer.health();
        let text = if health.ok { String::new() } else { health.text };
        if text != self.health_said {
            if text.is_empty() {
                info!("the archive is well again");
            } else {
                error!("the archive: {text}");
            }
            self.health_said.clone_from(&text);
        }
        let standing = self.shared.standing.load();
        let (entries, head) = self
            .writer
            .kept_head()
            .unwrap_or_else(|| (standing.entries, standing.head.clone()));
        if standing.head != head || standing.text != text {
            self.shared
                .standing
                .store(Arc::new(Standing { entries, head, text }));
        }
    }
}

impl Keeper {
    /// Overdue calibrations, at the start and with each day. They warn and never take the heat: a sensor that was right last
    /// year is better than none.
    fn say_what_is_due(&mut self, now: Wall) {
        if self.due_said == Some(now.day()) {
            return;
        }
        self.due_said = Some(now.day());
        for warning in self.shared.sensors().warnings(now) {
            warn!(station = %warning.station, "{}", warning.text);
            let at = self.clock.now();
            let entry = JournalEntry::new(self.clock.wall(at), at.0, "calibration-warning", warning.text);
            self.journal(entry.station(&*warning.station));
        }
    }
}

/// The board model that a run began with, as its record keeps it.
fn known_board(model: &BoardModel) -> (String, serde_json::Value) {
    let known = shapes::RunBoardModel {
        board: model.board.to_string(),
        revision: model.revision,
        learned_from: model.learned_from,
    };
    (shapes::RunBoardModel::KEY.into(), serde_json::json!(known))
}

/// How a first run was guarded, as its record keeps it.
fn guarded(first: &FirstRun) -> (String, serde_json::Value) {
    let kept = shapes::RunGuard {
        guarded_by: first.guarded_by.to_string(),
        asked: first.asked.as_deref().map(Into::into),
        confirmed_by: first.confirmed_by.as_ref().map(ToString::to_string),
    };
    (shapes::RunGuard::KEY.into(), serde_json::json!(kept))
}

/// What was foretold of a run before its start, as its record keeps it.
fn prediction(foretold: &Prediction, started: Wall) -> (String, serde_json::Value) {
    let shape = shapes::Prediction::new(foretold, Some(started));
    (shapes::Prediction::KEY.into(), serde_json::json!(shape))
}
