//! The process that is killed: four stations that never rest, and all kinds of work on the disk in turn.

use std::collections::BTreeMap;
use std::io::Write;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use benchward_archive::{
    Archive, Column, Cursor, JournalEntry, Options, Outcome, Phase, Row, RunRecord, StationIx, Table, Value,
    Wall, Writer,
};
use serde::{Deserialize, Serialize};
use serde_json::json;

/// Set for the process: its [`Task`].
pub(crate) const TASK: &str = "BENCHWARD_KILL_TASK";
pub(crate) const STATIONS: [&str; 4] = ["bench-1", "bench-2", "bench-3", "oven-1"];
const CHANNELS: [&str; 2] = ["board-top", "board-edge"];
/// Rows of a run at each bench; then it ends and the next begins, so that files are sealed all the time.
const RUN_ROWS: [u64; 3] = [130, 70, 1_400];
/// Rows at a time: two of them fill chunks.
const ROWS_A_ROUND: [u64; 4] = [1, 1, 20, 20];
const CHUNK_ROWS: u64 = 600;
pub(crate) const LOOSE_DAYS: u16 = 3;
pub(crate) const RECIPE: &str = "AX-20 backplane";

#[derive(Serialize, Deserialize)]
pub(crate) struct Task {
    pub(crate) dir: PathBuf,
    /// The wall time that it begins at: each process lives on a later day, so that days end and get old.
    pub(crate) began: Wall,
    /// The number of the next reading outside runs.
    pub(crate) loose: u64,
    /// The disk counts as nearly full: readings outside runs go.
    pub(crate) short: bool,
    pub(crate) failing: bool,
}

/// What it is at.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Work {
    /// Recovery after the kill before, too.
    Opening,
    /// Rows to the tail.
    Readings,
    /// Entries, trips, limits, recipes, cursors, to the store and its copies.
    Journal,
    /// A full chunk from tail to run file.
    Packing,
    /// A run has ended.
    Sealing,
    /// The look at what is old, once a second, with what else is done then.
    Retention,
}

impl Work {
    pub(crate) const ALL: [Self; 6] = [
        Self::Opening,
        Self::Readings,
        Self::Journal,
        Self::Packing,
        Self::Sealing,
        Self::Retention,
    ];

    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Opening => "opening",
            Self::Readings => "readings",
            Self::Journal => "journal",
            Self::Packing => "packing",
            Self::Sealing => "sealing",
            Self::Retention => "retention",
        }
    }

    pub(crate) fn of(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|work| work.name() == name)
    }
}

/// What row `n` of a run (or of the oven, outside runs: run 0) holds.
pub(crate) fn values(run: u64, n: u64) -> [Value; 2] {
    let count = f64::from(u32::try_from((run * 7919 + n * 13) % 40_000).unwrap());
    [
        Value::Celsius(count / 128.0),
        if n % 97 == 5 {
            Value::Stale
        } else {
            Value::Celsius(count.sqrt())
        },
    ]
}

/// How many rows run `run` has when it has ended.
pub(crate) fn rows_of(station: &str) -> u64 {
    let at = STATIONS.iter().position(|name| *name == station).unwrap();
    RUN_ROWS[at]
}

/// A line for those who listen, in one write.
fn say(line: &str) {
    let mut out = std::io::stdout().lock();
    out.write_all(format!("\n{line}\n").as_bytes())
        .and_then(|()| out.flush())
        .unwrap();
}

struct Process {
    task: Task,
    began: Instant,
    writer: Writer,
    stations: Vec<StationIx>,
    /// Rows so far of the run at each bench.
    runs: BTreeMap<usize, (u64, u64)>,
    at: Work,
}

/// Says what may be relied on: `J n hash` the journal up to entry n, which has this hash; `T n` version of the trip; `M n` of a limit; `D revision n` of
/// a recipe; `C n` of a cursor; `E run` an ended run; `R run n` n rows of a run; `L n` readings outside runs up to n. What it is at: `W work`.
/// `Z why`: it can't open the archive on a disk that fails, and ends.
pub(crate) fn work(task: Task) {
    let options = Options {
        reserve_bytes: if task.short { u64::MAX } else { 0 },
        loose_days: LOOSE_DAYS,
    };
    let (mut writer, _reader, opened) = match Archive::open_with(&task.dir, "larkfield", task.began, &options)
    {
        Err(error) if task.failing => return say(&format!("Z {error}")),
        opened => opened.unwrap(),
    };
    for note in &opened.notes {
        say(&format!("note {note}"));
    }
    let usual = |note: &String| {
        note.contains("disk is nearly full")
            || (note.contains("store was damaged") && note.ends_with("complete"))
    };
    assert!(task.failing || opened.notes.iter().all(usual), "{opened:?}");
    let stations = STATIONS.map(|name| writer.station(name, &CHANNELS).unwrap());
    for run in &opened.lost {
        let text = format!("run {} is lost", run.run);
        writer.journal(JournalEntry::new(task.began, 0, "run-lost", text).run(run.run));
    }
    let mut process = Process {
        task,
        began: Instant::now(),
        writer,
        stations: stations.to_vec(),
        runs: BTreeMap::new(),
        at: Work::Opening,
    };
    let mut looked = Instant::now();
    for round in 0_u64.. {
        process.readings();
        if round % 10 == 0 {
            process.journal(round);
        }
        // The archive looks around after a second of its own; its clock began a little earlier.
        if looked.elapsed() >= Duration::from_millis(900) {
            process.tick(Work::Retention);
            if looked.elapsed() >= Duration::from_secs(1) {
                looked = Instant::now();
            }
        } else if round % 4 == 0 {
            process.tick(Work::Readings);
        }
        std::thread::sleep(Duration::from_micros(300));
    }
}

impl Process {
    fn is_at(&mut self, work: Work) {
        if self.at != work {
            self.at = work;
            say(&format!("W {}", work.name()));
        }
    }

    fn now(&self) -> Wall {
        let ms = self.began.elapsed().as_millis();
        self.task.began.plus_ms(i64::try_from(ms).unwrap())
    }

    fn readings(&mut self) {
        for (at, rows) in ROWS_A_ROUND.into_iter().enumerate() {
            for _ in 0..rows {
                self.is_at(Work::Readings);
                if at == 3 {
                    self.loose();
                } else {
                    self.row(at);
                }
            }
        }
    }

    fn append(&mut self, at: usize, run: Option<u64>, n: u64, values: &[Value]) {
        let row = Row {
            station: self.stations[at],
            run,
            at: self.now(),
            mono_ms: u64::try_from(self.began.elapsed().as_millis()).unwrap(),
            values,
            heat: 0.5,
            phase: Phase::Ramp,
            stage: Some(1),
            // Which row it is.
            target_celsius: Some(f64::from(u32::try_from(n).unwrap())),
        };
        self.writer.append(&row).unwrap();
        if n % CHUNK_ROWS == CHUNK_ROWS - 1 {
            self.tick(Work::Packing);
        }
    }

    fn loose(&mut self) {
        // On a short disk they aren't kept.
        if !self.task.short {
            let n = self.task.loose;
            self.task.loose += 1;
            self.append(3, None, n, &values(0, n));
        }
    }

    fn row(&mut self, at: usize) {
        let record = |run, started| RunRecord {
            run,
            station: STATIONS[at].into(),
            started,
            ..RunRecord::default()
        };
        let (run, n) = if let Some(known) = self.runs.get(&at) {
            *known
        } else {
            let run = self.writer.next_run();
            self.writer.put_run(&record(run, self.now())).unwrap();
            // Rows are relied on once they are in a tail; the record of their run only after this, and nobody is told of a run
            // that has begun before.
            self.commit();
            (run, 0)
        };
        self.append(at, Some(run), n, &values(run, n));
        if n % 50 == 0 {
            let part = Table(vec![(0, Column::Integers(vec![n.cast_signed()]))]);
            self.writer.decisions(run, &part);
        }
        self.runs.insert(at, (run, n + 1));
        if n + 1 == RUN_ROWS[at] {
            self.is_at(Work::Sealing);
            self.runs.remove(&at);
            let ended = RunRecord {
                outcome: Some(Outcome::Completed),
                ended: Some(self.now()),
                ..record(run, self.now())
            };
            self.writer.put_run(&ended).unwrap();
            let kept = self.commit();
            if !self.task.failing {
                say(&format!("E {run}"));
            }
            self.tick(Work::Sealing);
            // On a disk that fails an end is not held back for its last readings.
            if self.task.failing && kept && self.writer.health().ok {
                say(&format!("E {run}"));
            }
        }
    }

    fn commit(&mut self) -> bool {
        let committed = self.writer.commit();
        assert!(self.task.failing || committed.is_ok(), "{committed:?}");
        committed.is_ok()
    }

    fn journal(&mut self, round: u64) {
        self.is_at(Work::Journal);
        let (now, mono) = (self.now(), round);
        let n = self
            .writer
            .journal(JournalEntry::new(now, mono, "note", format!("round {round}")));
        self.writer
            .put_trip("bench-1", "over-temperature", &json!({ "n": n }))
            .unwrap();
        self.writer.put_limit("lab", f64::from(u32::try_from(n).unwrap()));
        self.writer.put_cursor("mqtt", &Cursor::from(n, None)).unwrap();
        let revision = round
            .is_multiple_of(50)
            .then(|| self.writer.put_recipe(RECIPE, &format!("# {n}\n")).unwrap());
        if self.commit() {
            let (kept, hash) = self.writer.kept_head().unwrap();
            say(&format!("J {kept} {hash}"));
            for kind in ["T", "M", "C"] {
                say(&format!("{kind} {n}"));
            }
            if let Some(revision) = revision {
                say(&format!("D {revision} {n}"));
            }
        }
    }

    fn tick(&mut self, work: Work) {
        self.is_at(work);
        let now = self.now();
        self.writer.tick(now);
        let health = self.writer.health();
        assert!(self.task.failing || self.task.short || health.ok, "{health:?}");
        // What the disk has refused is said to be kept once it has taken it.
        if !self.task.failing || health.ok {
            for (run, n) in self.runs.values() {
                say(&format!("R {run} {n}"));
            }
            say(&format!("L {}", self.task.loose));
        }
    }
}
