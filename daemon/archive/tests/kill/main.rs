//! kill -9 of a real writing process, again and again, each time while something is relied on: nothing that was acknowledged is missing, and
//! the archive opens.
//!
//! A kill is aimed at a kind of work, the recovery from the kill before among them, and lands before, within or right after one of its calls on
//! the disk, drawn at random (`disk.c`, preloaded into the process, does it); or it comes at a random moment of the clock. A second test does the same
//! on a disk that fails now and then: calls are refused, writes are taken in part, syncs fail, and what is said to be kept is kept all the same.
//! Both print where the kills came.
//!
//! `BENCHWARD_KILL_CYCLES=500 cargo test -p benchward-archive --test kill -- --nocapture` for a long one, `BENCHWARD_KILL_SEED` for the same one
//! again, as far as the machine lets it be the same. Neither says anything about power cuts, since the page cache outlives a killed
//! process; what is synced when is in the docs of the writer.

mod said;
mod work;

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{BufRead, BufReader};
use std::os::unix::process::ExitStatusExt;
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::sync::mpsc::{self, RecvTimeoutError};
use std::time::{Duration, Instant};

use benchward_archive::{Archive, Options, Reader, Wall};

use said::Said;
use work::{LOOSE_DAYS, TASK, Task, Work};

const DAY_MS: i64 = 86_400_000;
/// 2026-11-25T00:00:00Z, where the processes' days begin.
const BEGAN: i64 = 1_795_564_800_000;
/// Lives that one cycle may take to get where it wants to be, on a disk that keeps failing.
const LIVES_MAX: u32 = 30;
/// The processes' clock runs so many times faster: tail files are rotated each 0.6 s, what is old is looked for each 10 ms.
const CLOCK_TIMES: u32 = 100;
/// The process that is killed by the disk has so long to get there; then the clock kills it.
const PATIENCE: Duration = Duration::from_secs(4);

#[test]
fn child() {
    if let Ok(task) = std::env::var(TASK) {
        work::work(serde_json::from_str(&task).unwrap());
    }
}

#[test]
fn nothing_acknowledged_is_missing_after_kill() {
    Killing::new(21, false).all();
}

#[test]
fn nothing_acknowledged_is_missing_after_kill_on_a_disk_that_fails() {
    Killing::new(14, true).all();
}

/// Marsaglia's xorshift64: enough to spread kills over time.
struct Random(u64);

impl Random {
    fn below(&mut self, bound: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) % bound.max(1)
    }
}

/// What a kill is meant for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Aim {
    Clock,
    Work(Work),
}

/// How a process ended.
enum End {
    /// Killed, at this work: by the disk at this call, and where in it, or by the clock.
    Killed(Work, Option<(String, String)>),
    /// It couldn't open the archive on a disk that fails, and said so.
    Refused,
}

struct Killing {
    cycles: u64,
    failing: bool,
    random: Random,
    folder: tempfile::TempDir,
    library: PathBuf,
    said: Said,
    /// Calls on the disk that each kind of work took the last time.
    calls: BTreeMap<Work, u64>,
    /// Day of the processes, and how many have lived on it.
    day: i64,
    lives: i64,
    /// Of each cycle, how often something was said to be kept before the kill.
    acknowledged: Vec<u64>,
    spread: BTreeMap<(Work, &'static str), u64>,
    by_call: BTreeMap<String, u64>,
    failed_calls: u64,
    refused: u64,
    notes: BTreeMap<String, u64>,
}

impl Killing {
    fn new(usual: u64, failing: bool) -> Self {
        let cycles = std::env::var("BENCHWARD_KILL_CYCLES").map_or(usual, |cycles| cycles.parse().unwrap());
        let seed = std::env::var("BENCHWARD_KILL_SEED")
            .map_or(Wall::now().0.unsigned_abs() | 1, |seed| seed.parse().unwrap());
        println!("seed {seed}");
        let folder = tempfile::tempdir().unwrap();
        let library = folder.path().join("disk.so");
        // What links every program of ours compiles this, too.
        let built = Command::new("cc")
            .args(["-shared", "-fPIC", "-O1", "-o"])
            .arg(&library)
            .arg(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/kill/disk.c"))
            .arg("-ldl")
            .status();
        assert!(built.unwrap().success());
        Self {
            cycles,
            failing,
            random: Random(seed),
            folder,
            library,
            said: Said::default(),
            calls: BTreeMap::new(),
            day: 0,
            lives: 0,
            acknowledged: Vec::new(),
            spread: BTreeMap::new(),
            by_call: BTreeMap::new(),
            failed_calls: 0,
            refused: 0,
            notes: BTreeMap::new(),
        }
    }

    fn dir(&self) -> PathBuf {
        self.folder.path().join("archive")
    }

    fn all(mut self) {
        let aims: Vec<Aim> = Work::ALL.into_iter().map(Aim::Work).chain([Aim::Clock]).collect();
        for cycle in 0..self.cycles {
            // Each in turn, so that few kills are spread, too.
            let aim = aims[usize::try_from(cycle).unwrap() % aims.len()];
            self.cycle(aim);
            self.said.check(&Reader::open(self.dir()).unwrap());
            if cycle % 50 == 49 {
                println!("{} kills: {}", cycle + 1, self.said.summary());
                self.said.check_all(&Reader::open(self.dir()).unwrap());
            }
        }
        self.last_look();
        self.print();
    }

    fn cycle(&mut self, aim: Aim) {
        self.day += 1;
        self.lives = 0;
        let mut heard = 0;
        let Aim::Work(Work::Opening) = aim else {
            let end = self.until_killed(aim, &mut heard);
            return self.count(end, heard);
        };
        // One that is relied on and killed, and then those that clean up behind it: the first of them is the kill that counts, and at times the next dies
        // of it, too.
        self.until_killed(Aim::Clock, &mut heard);
        let end = self.until_killed(aim, &mut heard);
        self.count(end, heard);
        if self.random.below(3) == 0 {
            self.until_killed(aim, &mut 0);
        }
    }

    fn count(&mut self, (work, by): (Work, Option<(String, String)>), heard: u64) {
        assert!(heard > 0, "killed at {work:?} with nothing to rely on");
        self.acknowledged.push(heard);
        let how = match by.as_ref().map(|(_, how)| how.as_str()) {
            Some("before") => "before",
            Some("within") => "within",
            Some(_) => "after",
            None => "clock",
        };
        *self.spread.entry((work, how)).or_default() += 1;
        if let Some((call, _)) = by {
            *self.by_call.entry(call).or_default() += 1;
        }
    }

    /// Processes, until one was killed.
    fn until_killed(&mut self, aim: Aim, heard: &mut u64) -> (Work, Option<(String, String)>) {
        for _ in 0..LIVES_MAX {
            match self.live(aim, heard) {
                End::Killed(work, by) => return (work, by),
                End::Refused => self.refused += 1,
            }
        }
        panic!("{LIVES_MAX} processes in a row could not open the archive");
    }

    /// One process, to its end.
    fn live(&mut self, aim: Aim, heard: &mut u64) -> End {
        let began = Wall(BEGAN + self.day * DAY_MS + self.lives * 3_600_000);
        let short = aim == Aim::Work(Work::Retention) && self.random.below(3) == 0;
        let task = Task {
            dir: self.dir(),
            began,
            loose: self.said.next_loose,
            short,
            failing: self.failing,
        };
        let day = began.day();
        // Before it begins: what it removes it doesn't say.
        self.said
            .may_be_gone(if short { day } else { day - i32::from(LOOSE_DAYS) });
        let errors = self.folder.path().join("errors");
        let mut command = Command::new(std::env::current_exe().unwrap());
        command
            .args(["--exact", "child", "--nocapture"])
            .env("LD_PRELOAD", &self.library)
            .env("CLOCK_TIMES", CLOCK_TIMES.to_string())
            .env(TASK, serde_json::to_string(&task).unwrap())
            .stdout(Stdio::piped())
            .stderr(File::create(&errors).unwrap());
        if let Aim::Work(work) = aim {
            let calls = self.calls.get(&work).copied().unwrap_or(5).max(1);
            // What is done again and again is also hit later.
            let bound = match work {
                Work::Opening => calls,
                Work::Packing | Work::Sealing => 3 * calls,
                Work::Readings | Work::Journal | Work::Retention => 20 * calls,
            };
            command
                .env("DISK_KILLS_IN", work.name())
                .env("DISK_KILLS_AT", (1 + self.random.below(bound)).to_string())
                .env("DISK_KILLS_HOW", self.random.below(3).to_string());
        }
        if self.failing {
            command
                .env("DISK_FAILS_EVERY", (200 + self.random.below(1_500)).to_string())
                .env("DISK_SEED", self.random.below(u64::MAX).to_string());
        }
        let mut child = command.spawn().unwrap();
        let output = BufReader::new(child.stdout.take().unwrap());
        let (tell, lines) = mpsc::channel();
        let listener = std::thread::spawn(move || {
            for line in output.lines().map_while(Result::ok) {
                // Nobody listens any more only after a failed assertion.
                let _ = tell.send(line);
            }
        });
        let mut until = Instant::now() + Duration::from_secs(30);
        let (mut before, mut work, mut by, mut refused) = (*heard, Work::Opening, None, false);
        loop {
            let line = match lines.recv_timeout(until.saturating_duration_since(Instant::now())) {
                Ok(line) => line,
                Err(RecvTimeoutError::Timeout) => {
                    child.kill().unwrap();
                    until = Instant::now() + Duration::from_hours(1);
                    continue;
                }
                Err(RecvTimeoutError::Disconnected) => break,
            };
            let words: Vec<&str> = line.split(' ').collect();
            match words[..] {
                ["W", name] => work = Work::of(name).unwrap(),
                ["N", name, calls, failed] => {
                    self.calls.insert(Work::of(name).unwrap(), calls.parse().unwrap());
                    self.failed_calls += failed.parse::<u64>().unwrap();
                }
                ["X", _, call, how] => by = Some((call.to_owned(), how.to_owned())),
                ["Z", ..] => refused = true,
                ["note", ..] => {
                    let kind = words[1..].iter().take(4).copied().collect::<Vec<_>>().join(" ");
                    *self.notes.entry(kind).or_default() += 1;
                }
                _ => {
                    if self.said.hear(&line, day, task.loose) {
                        *heard += 1;
                    }
                    if *heard > before {
                        before = u64::MAX;
                        until = Instant::now()
                            + match aim {
                                Aim::Clock => Duration::from_millis(self.random.below(700)),
                                Aim::Work(_) => PATIENCE,
                            };
                    }
                }
            }
        }
        listener.join().unwrap();
        let status = child.wait().unwrap();
        if refused && status.success() {
            return End::Refused;
        }
        assert_eq!(
            status.signal(),
            Some(9),
            "{status}: {}",
            std::fs::read_to_string(&errors).unwrap()
        );
        self.lives += 1;
        // Numbers of readings go on behind what is there, said or not.
        self.said.check(&Reader::open(self.dir()).unwrap());
        End::Killed(work, by)
    }

    /// Opened, closed, read once more.
    fn last_look(&mut self) {
        let now = Wall(BEGAN + self.day * DAY_MS + DAY_MS / 2);
        let options = Options {
            reserve_bytes: 0,
            loose_days: LOOSE_DAYS,
        };
        let (writer, reader, opened) = Archive::open_with(self.dir(), "larkfield", now, &options).unwrap();
        assert!(self.failing || !opened.store_lost, "{opened:?}");
        self.said.check_all(&reader);
        writer.close(now).unwrap();
        self.said.check_all(&Reader::open(self.dir()).unwrap());
        let (files, damage) = Reader::open(self.dir()).unwrap().check_files(|_, _| {}).unwrap();
        assert_eq!(damage, [], "of {files} sealed files");
        assert!(self.said.has_much(), "{}", self.said.summary());
    }

    fn print(&mut self) {
        self.acknowledged.sort_unstable();
        let few = &self.acknowledged;
        println!(
            "\n{} kills{}, each after something was relied on (said {} to {} times, median {})",
            few.len(),
            if self.failing { " on a disk that fails" } else { "" },
            few[0],
            few[few.len() - 1],
            few[few.len() / 2],
        );
        let hows = ["before", "within", "after", "clock"];
        println!(
            "{:<12}{:>10}{:>10}{:>10}{:>14}{:>8}",
            "killed at", "before", "within", "after", "by the clock", "all"
        );
        for work in Work::ALL {
            let counts = hows.map(|how| self.spread.get(&(work, how)).copied().unwrap_or(0));
            println!(
                "{:<12}{:>10}{:>10}{:>10}{:>14}{:>8}",
                work.name(),
                counts[0],
                counts[1],
                counts[2],
                counts[3],
                counts.iter().sum::<u64>()
            );
        }
        let calls: Vec<String> = self
            .by_call
            .iter()
            .map(|(call, count)| format!("{call} {count}"))
            .collect();
        println!("by call on the disk: {}", calls.join(", "));
        if self.failing {
            println!(
                "{} calls failed, {} openings were refused by them",
                self.failed_calls, self.refused
            );
        }
        println!("all kept: {}", self.said.summary());
        for (note, count) in &self.notes {
            println!("noted at opening, {count} times: {note} ...");
        }
    }
}
