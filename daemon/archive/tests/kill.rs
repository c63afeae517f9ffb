//! kill -9 of a real writing process, again and again: nothing that was acknowledged is missing.
//!
//! `BENCHWARD_KILL_CYCLES=500 cargo test -p benchward-archive --test kill` for a long one. The second test does the same on a disk that fails
//! now and then (`failing_disk.c`, preloaded): writes are refused or taken in part, syncs fail, and what is said to be kept is kept all the
//! same. Neither says anything about power cuts, since the page cache outlives a killed process; what is synced when is in the docs of the writer.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use benchward_archive::{Archive, JournalEntry, Outcome, Phase, Reader, Row, RunRecord, Value, Wall};
use serde_json::json;

/// Set for the writing process: the directory, and the number of the next reading outside runs.
const CHILD: &str = "BENCHWARD_KILL_CHILD";
/// Set where its disk fails: one in so many writes.
const EVERY: &str = "FAILING_DISK_EVERY";
const STATIONS: [&str; 4] = ["bench-1", "bench-2", "bench-3", "oven-1"];
const CHANNELS: [&str; 2] = ["board-top", "board-edge"];
/// Rows of a run; then it ends and the next begins, so that files are sealed all the time.
const RUN_ROWS: u64 = 130;

/// What row `n` of a run (or of the oven, outside runs) holds.
fn values(run: u64, n: u64) -> [Value; 2] {
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

fn say(line: std::fmt::Arguments<'_>) {
    let mut out = std::io::stdout().lock();
    writeln!(out, "\n{line}").and_then(|()| out.flush()).unwrap();
}

/// The writing process. Says what it may rely on: `J n` journal up to n, `T n` version of the trip, `E run` an ended run, `R run n` n rows of
/// a run, `L n` readings outside runs up to n.
#[test]
fn child() {
    let Ok(task) = std::env::var(CHILD) else { return };
    let (dir, first) = task.split_once(' ').unwrap();
    let dir = dir.to_owned();
    let failing = std::env::var_os(EVERY).is_some();
    let mut loose: u64 = first.parse().unwrap();
    let (mut writer, _reader, opened) = Archive::open(&dir, "larkfield", Wall::now()).unwrap();
    let stations = STATIONS.map(|name| writer.station(name, &CHANNELS).unwrap());
    for run in &opened.lost {
        writer.journal(
            JournalEntry::new(Wall::now(), 0, "run-lost", format!("run {} lost", run.run)).run(run.run),
        );
    }
    let began = Instant::now();
    let mono = || u64::try_from(began.elapsed().as_millis()).unwrap();
    let mut runs: BTreeMap<usize, (u64, u64)> = BTreeMap::new();
    let mut ticked = Instant::now();
    let mut trip = 0_u64;
    for round in 0_u64.. {
        for (at, station) in stations.into_iter().enumerate() {
            let row = |run, values| Row {
                station,
                run,
                at: Wall::now(),
                mono_ms: mono(),
                values,
                heat: 0.5,
                phase: Phase::Ramp,
                stage: Some(1),
                target_celsius: Some(150.0),
            };
            if at == 3 {
                writer.append(&row(None, &values(0, loose))).unwrap();
                loose += 1;
                continue;
            }
            let (run, n) = *runs.entry(at).or_insert_with(|| {
                let run = writer.next_run();
                let record = RunRecord {
                    run,
                    station: STATIONS[at].into(),
                    started: Wall::now(),
                    ..RunRecord::default()
                };
                writer.put_run(&record).unwrap();
                (run, 0)
            });
            writer.append(&row(Some(run), &values(run, n))).unwrap();
            runs.insert(at, (run, n + 1));
            if n + 1 == RUN_ROWS {
                runs.remove(&at);
                let record = RunRecord {
                    run,
                    station: STATIONS[at].into(),
                    outcome: Some(Outcome::Completed),
                    ended: Some(Wall(0)),
                    ..RunRecord::default()
                };
                writer.put_run(&record).unwrap();
                match writer.commit() {
                    Ok(_) => say(format_args!("E {run}")),
                    Err(error) => assert!(failing, "{error}"),
                }
            }
        }
        if round % 10 == 0 {
            let n = writer.journal(JournalEntry::new(
                Wall::now(),
                mono(),
                "note",
                format!("round {round}"),
            ));
            trip = n;
            writer
                .put_trip("bench-1", "over-temperature", &json!({ "n": trip }))
                .unwrap();
            match writer.commit() {
                Ok(durable) => {
                    say(format_args!("J {durable}"));
                    say(format_args!("T {trip}"));
                }
                Err(error) => assert!(failing, "{error}"),
            }
        }
        if ticked.elapsed() >= Duration::from_millis(20) {
            ticked = Instant::now();
            writer.tick(Wall::now());
            // What the disk has refused is said to be kept once it has taken it.
            if !failing || writer.health().ok {
                for (run, n) in runs.values() {
                    say(format_args!("R {run} {n}"));
                }
                say(format_args!("L {loose}"));
            }
            assert!(failing || writer.health().ok, "{:?}", writer.health());
        }
        std::thread::sleep(Duration::from_micros(300));
    }
    let _ = trip;
}

/// What the killed processes said that others may rely on.
#[derive(Default)]
struct Said {
    journal: u64,
    trip: u64,
    ended: Vec<u64>,
    rows: BTreeMap<u64, u64>,
    loose: Vec<(u64, u64)>,
}

fn check(reader: &Reader, said: &Said, last_loose: &mut u64) {
    let verified = reader.verify().unwrap();
    assert!(
        verified.ok && verified.entries >= said.journal,
        "journal up to {} was said: {verified:?}",
        said.journal
    );
    if said.trip > 0 {
        let trip = reader.trips().unwrap()["bench-1"]["over-temperature"]["n"]
            .as_u64()
            .unwrap();
        assert!(trip >= said.trip, "trip {} was said, {trip} is there", said.trip);
    }
    for &run in &said.ended {
        assert_eq!(
            reader.run(run).unwrap().outcome,
            Some(Outcome::Completed),
            "run {run}"
        );
    }
    for (&run, &acknowledged) in &said.rows {
        reader.run(run).unwrap();
        let mut found = 0;
        for scan in reader.readings(run).unwrap() {
            let scan = scan.unwrap();
            assert_eq!(scan.values, values(run, found), "run {run}, row {found}");
            found += 1;
        }
        let wanted = if said.ended.contains(&run) {
            RUN_ROWS
        } else {
            acknowledged
        };
        assert!(
            found >= wanted,
            "run {run}: {wanted} rows were said, {found} are there"
        );
        assert_eq!(reader.check_run(run).unwrap(), [], "run {run}");
    }
    // Readings outside runs: each number at most once, rising, and all that were said.
    let mut found = Vec::new();
    for scan in reader.loose("oven-1", Wall(0), Wall(i64::MAX)).unwrap() {
        let next = found.last().map_or(0, |last| last + 1);
        let scan = scan.unwrap();
        let n = (next..next + 20_000)
            .find(|&n| scan.values == values(0, n))
            .expect("rising, without repetition");
        found.push(n);
    }
    for &(from, to) in &said.loose {
        let missing = (from..to).find(|n| found.binary_search(n).is_err());
        assert_eq!(missing, None, "readings {from}..{to} outside runs were said");
    }
    *last_loose = found.last().map_or(0, |last| last + 1);
}

/// Marsaglia's xorshift64: enough to spread kills over time.
fn random(state: &mut u64) -> u64 {
    *state ^= *state << 13;
    *state ^= *state >> 7;
    *state ^= *state << 17;
    *state
}

#[test]
fn nothing_acknowledged_is_missing_after_kill() {
    kills(20, None);
}

#[test]
fn nothing_acknowledged_is_missing_after_kill_on_a_disk_that_fails() {
    let dir = tempfile::tempdir().unwrap();
    let library = dir.path().join("failing_disk.so");
    let source = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/failing_disk.c");
    // What links every program of ours compiles this, too.
    let built = Command::new("cc")
        .args(["-shared", "-fPIC", "-O1", "-o"])
        .arg(&library)
        .arg(source)
        .arg("-ldl")
        .status();
    assert!(built.unwrap().success());
    kills(10, Some(&library));
}

/// `failing`: what makes the disk of the killed processes fail.
fn kills(usual: u64, failing: Option<&Path>) {
    let cycles: u64 = std::env::var("BENCHWARD_KILL_CYCLES").map_or(usual, |cycles| cycles.parse().unwrap());
    let mut seed = std::env::var("BENCHWARD_KILL_SEED")
        .map_or(Wall::now().0.unsigned_abs() | 1, |seed| seed.parse().unwrap());
    println!("seed {seed}");
    let dir = tempfile::tempdir().unwrap();
    let mut said = Said::default();
    let mut loose = 0;
    let mut in_opening = 0;
    for cycle in 0..cycles {
        let mut command = Command::new(std::env::current_exe().unwrap());
        command
            .args(["--exact", "child", "--nocapture"])
            .env(CHILD, format!("{} {loose}", dir.path().display()))
            .stdout(Stdio::piped());
        if let Some(library) = failing {
            command
                .env("LD_PRELOAD", library)
                .env(EVERY, (200 + random(&mut seed) % 1_500).to_string())
                .env("FAILING_DISK_SEED", random(&mut seed).to_string())
                // A process that can't even open its archive says so and ends.
                .stderr(Stdio::null());
        }
        let mut child = command.spawn().unwrap();
        let output = child.stdout.take().unwrap();
        let listener = std::thread::spawn(move || {
            BufReader::new(output)
                .lines()
                .map_while(Result::ok)
                .collect::<Vec<_>>()
        });
        // A third of them at once, so that some die while they open.
        let ms = if random(&mut seed).is_multiple_of(3) {
            random(&mut seed) % 60
        } else {
            random(&mut seed) % if failing.is_some() { 1_800 } else { 900 }
        };
        std::thread::sleep(Duration::from_millis(ms));
        let _ = child.kill();
        child.wait().unwrap();
        let lines = listener.join().unwrap();
        let mut heard = false;
        for line in lines {
            let words: Vec<&str> = line.split(' ').collect();
            let number = |at: usize| words.get(at).and_then(|word: &&str| word.parse::<u64>().ok());
            match (words[0], number(1), number(2)) {
                ("J", Some(n), None) => said.journal = said.journal.max(n),
                ("T", Some(n), None) => said.trip = said.trip.max(n),
                ("E", Some(run), None) => said.ended.push(run),
                ("R", Some(run), Some(n)) => _ = said.rows.insert(run, n),
                ("L", Some(n), None) => said.loose.push((loose, n)),
                _ => continue,
            }
            heard = true;
        }
        in_opening += u64::from(!heard);
        if dir.path().join("archive.json").exists() {
            check(&Reader::open(dir.path()).unwrap(), &said, &mut loose);
        }
        println!(
            "cycle {cycle}: killed after {ms} ms; journal {}, runs {}",
            said.journal,
            said.rows.len()
        );
    }
    let (writer, reader, opened) = Archive::open(dir.path(), "larkfield", Wall::now()).unwrap();
    if failing.is_none() {
        assert!(!opened.store_lost && opened.notes.is_empty(), "{opened:?}");
    }
    check(&reader, &said, &mut loose);
    drop(writer);
    println!(
        "{cycles} kills, {in_opening} before the first word; journal {}, runs ended {}",
        said.journal,
        said.ended.len()
    );
    assert!(
        said.journal > 0 && !said.rows.is_empty(),
        "the processes lived long enough to write something"
    );
}
