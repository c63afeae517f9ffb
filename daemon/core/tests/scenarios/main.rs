//! Scenario tests: text in, actions out.
//!
//! Each `.txt` file beside this one holds scenarios about one thing. A scenario is a title, a short header, and
//! commands with the actions that have to come of them:
//!
//! ```text
//! === a channel above the ceiling cuts at the second scan
//! lab ceiling=130
//!
//! 0 s     given up bench-1
//!         given scan bench-1 board-top=25
//!         given op1 start bench-1
//! 0.1 s   scan bench-1 board-top=130.1
//! > heat bench-1 0
//! 0.2 s   scan bench-1 board-top=130.1
//! > cut heat1
//! > keep-trip bench-1 over-temperature cut: ...
//! ```
//!
//! * A command may begin with its time, `1.2 s`, `90 s`, `+100 ms`; without one it happens at the time of the one
//!   before. `given` in front of it says that its actions are not what the scenario is about. The commands are
//!   listed at [`play::World::command`], the header at [`header::Header::line`].
//! * Expected actions follow, each behind `> `. `...` stands for any text. Readings, records of runs and signals
//!   are left out unless the header says `show rows runs signals`.
//! * Drivers confirm every command at once unless told otherwise, and time passes only by `run to`: from wake-up
//!   to wake-up, with scans at the drivers' rate of the temperatures given by `set`.
//!
//! A scenario that fails prints the difference. `BENCHWARD_ACCEPT=1 cargo test -p benchward-core --test scenarios`
//! writes what came into the files, keeping every expected line that still fits; `git diff` is then the review.

mod header;
mod play;
mod show;

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use header::Header;
use play::World;

macro_rules! scenarios {
    ($($name:ident: $file:literal,)*) => {
        $(#[test] fn $name() { check($file); })*
        /// Every file that a test is named for.
        const FILES: &[&str] = &[$($file),*];
    };
}

scenarios! {
    over_temperature: "over-temperature.txt",
    operator_absent: "operator-absent.txt",
    sensor_fault: "sensor-fault.txt",
    sensor_stale: "sensor-stale.txt",
    sensor_detached: "sensor-detached.txt",
    sensor_stuck: "sensor-stuck.txt",
    rise_too_fast: "rise-too-fast.txt",
    cold_junction: "cold-junction.txt",
    no_response: "no-response.txt",
    heat_stuck_on: "heat-stuck-on.txt",
    lab_alarm: "lab-alarm.txt",
    driver_lost: "driver-lost.txt",
    run_too_long: "run-too-long.txt",
    permissive_open: "permissive-open.txt",
    stop: "stop.txt",
    clock: "clock.txt",
    acknowledge_and_reset: "acknowledge-and-reset.txt",
    resume: "resume.txt",
    run: "run.txt",
    first_run: "first-run.txt",
    eased_fall: "eased-fall.txt",
    start_refused: "start-refused.txt",
    ceiling: "ceiling.txt",
    limits: "limits.txt",
    calibration: "calibration.txt",
    presence: "presence.txt",
    network: "network.txt",
    supply: "supply.txt",
    restart: "restart.txt",
    shutdown: "shutdown.txt",
}

#[test]
fn every_file_has_its_test() {
    let there = std::fs::read_dir(folder())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let mut missing: Vec<String> = there
        .filter(|name| {
            Path::new(name)
                .extension()
                .is_some_and(|extension| extension == "txt")
        })
        .collect();
    missing.retain(|name| !FILES.contains(&name.as_str()));
    assert_eq!(missing, Vec::<String>::new(), "name them in `scenarios!`");
}

#[test]
fn dots_stand_for_any_text() {
    assert!(fits(
        "keep-trip bench-1 stop ...: op1 ...",
        "keep-trip bench-1 stop heat off: op1 pressed stop"
    ));
    assert!(!fits("cut heat1", "cut heat11"));
    assert!(!fits("cut ... heat1", "cut heat1"));
    assert!(!fits("off ...", "cut heat1"));
    assert!(!fits("... 12 s", "after 12 s more"));
}

#[test]
fn a_wrong_expectation_is_shown_and_repaired() {
    let text = "=== one\n0 s up bench-1\n> journal nothing\n> ...\nscan bench-1 board-top=25\n> off heat1\n";
    let outcome = play_file(text);
    assert_eq!(outcome.failures.len(), 2, "{:?}", outcome.failures);
    assert!(
        outcome.failures[0].contains("-> journal nothing"),
        "{}",
        outcome.failures[0]
    );
    assert!(
        outcome.failures[1].contains("-> off heat1"),
        "{}",
        outcome.failures[1]
    );
    // What still fits is kept as it was written; what doesn't is replaced.
    assert_eq!(
        outcome.text,
        "=== one\n0 s up bench-1\n> ...\nscan bench-1 board-top=25\n"
    );
    assert_eq!(play_file(&outcome.text).failures, Vec::<String>::new());
}

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/scenarios")
}

/// Plays every scenario of a file and compares.
#[expect(
    clippy::disallowed_methods,
    reason = "scenarios are files, and accepting rewrites them"
)]
fn check(file: &str) {
    let path = folder().join(file);
    let text = std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let outcome = play_file(&text);
    assert!(
        outcome.played > 0,
        "{file} has no scenario: one begins with `=== title`"
    );
    if outcome.failures.is_empty() {
        return;
    }
    if std::env::var_os("BENCHWARD_ACCEPT").is_some_and(|value| value == "1") {
        std::fs::write(&path, outcome.text).unwrap();
        return;
    }
    panic!(
        "{file}: {} not as expected (`-` expected, `+` came)\n\n{}\nTo accept what came: BENCHWARD_ACCEPT=1 \
         cargo test -p benchward-core --test scenarios\n",
        outcome.failures.len(),
        outcome.failures.join("\n")
    );
}

/// What came of a file.
struct Outcome {
    played: usize,
    /// One text per command whose actions were not as expected.
    failures: Vec<String>,
    /// The file with what came in place of what was expected.
    text: String,
}

fn play_file(text: &str) -> Outcome {
    let mut outcome = Outcome {
        played: 0,
        failures: Vec::new(),
        text: String::new(),
    };
    let mut title = "";
    let mut stage = Stage::Outside;
    let mut lines = text.lines().enumerate().peekable();
    while let Some((at, line)) = lines.next() {
        outcome.text.push_str(line);
        outcome.text.push('\n');
        let command = line.trim();
        if let Some(new) = line.strip_prefix("=== ") {
            (title, stage) = (new, Stage::Header(Box::default()));
            outcome.played += 1;
            continue;
        }
        if command.is_empty() || command.starts_with('#') {
            continue;
        }
        let place = || format!("{title}, line {}: {command}", at + 1);
        stage = match stage {
            Stage::Outside => panic!("line {}: a scenario begins with `=== title`", at + 1),
            Stage::Header(mut header) => match header.line(line) {
                Ok(true) => Stage::Header(header),
                Ok(false) => Stage::Playing(Box::new(World::new(*header))),
                Err(error) => panic!("{}: {error}", place()),
            },
            playing @ Stage::Playing(_) => playing,
        };
        let Stage::Playing(world) = &mut stage else {
            continue;
        };
        let came = world
            .command(command)
            .unwrap_or_else(|error| panic!("{}: {error}", place()));
        let mut expected = Vec::new();
        while let Some((_, next)) = lines.next_if(|(_, next)| next.starts_with('>')) {
            expected.push(next[1..].trim().to_owned());
        }
        let pairs = align(&expected, &came);
        for pair in &pairs {
            if let Pair::Both(line) | Pair::Came(line) = pair {
                writeln!(outcome.text, "> {line}").unwrap();
            }
        }
        if pairs.iter().any(|pair| !matches!(pair, Pair::Both(_))) {
            let mut shown = format!("=== {title}\n  {command}   (line {})\n", at + 1);
            for pair in &pairs {
                let (mark, line) = match pair {
                    Pair::Both(line) => (' ', line),
                    Pair::Expected(line) => ('-', line),
                    Pair::Came(line) => ('+', line),
                };
                writeln!(shown, "{mark}> {line}").unwrap();
            }
            outcome.failures.push(shown);
        }
    }
    outcome
}

enum Stage {
    Outside,
    Header(Box<Header>),
    Playing(Box<World>),
}

/// One line of a comparison.
enum Pair {
    /// Expected and came, as it was written.
    Both(String),
    Expected(String),
    Came(String),
}

/// The longest common part of both lists, and what is left over on either side.
fn align(expected: &[String], came: &[String]) -> Vec<Pair> {
    let (rows, columns) = (expected.len(), came.len());
    // longest[i][j]: length of the common part of expected[i..] and came[j..].
    let mut longest = vec![vec![0_usize; columns + 1]; rows + 1];
    for i in (0..rows).rev() {
        for j in (0..columns).rev() {
            longest[i][j] = if fits(&expected[i], &came[j]) {
                longest[i + 1][j + 1] + 1
            } else {
                longest[i + 1][j].max(longest[i][j + 1])
            };
        }
    }
    let (mut i, mut j, mut pairs) = (0, 0, Vec::new());
    while i < rows || j < columns {
        if i < rows && j < columns && fits(&expected[i], &came[j]) {
            pairs.push(Pair::Both(expected[i].clone()));
            (i, j) = (i + 1, j + 1);
        } else if j == columns || (i < rows && longest[i + 1][j] >= longest[i][j + 1]) {
            pairs.push(Pair::Expected(expected[i].clone()));
            i += 1;
        } else {
            pairs.push(Pair::Came(came[j].clone()));
            j += 1;
        }
    }
    pairs
}

/// Whether a line that came fits an expected one, in which `...` stands for any text.
fn fits(expected: &str, came: &str) -> bool {
    let mut parts = expected.split("...");
    let Some(mut rest) = parts.next().and_then(|first| came.strip_prefix(first)) else {
        return false;
    };
    let parts: Vec<&str> = parts.collect();
    let Some((last, middle)) = parts.split_last() else {
        return rest.is_empty();
    };
    for part in middle {
        let Some(at) = rest.find(part) else { return false };
        rest = &rest[at + part.len()..];
    }
    rest.ends_with(last)
}

/// The texts of trips as they really came, over all scenarios: each names its place, and its limit where there is one.
#[test]
#[expect(clippy::disallowed_methods, reason = "scenarios are files")]
fn trips_say_where_and_how_much() {
    let mut seen = std::collections::BTreeSet::new();
    for file in FILES {
        let text = std::fs::read_to_string(folder().join(file)).expect("a scenario");
        for line in text.lines().filter_map(|line| line.strip_prefix("> keep-trip ")) {
            if line.ends_with("...") {
                continue;
            }
            // A trip that stood before the scenario began is in its own words.
            let (line, acknowledged) = match line.split_once(", seen by ") {
                Some((line, _)) => (line, true),
                None => (line, false),
            };
            if acknowledged && !line.contains("limit") {
                continue;
            }
            let (_, rest) = line.split_once(' ').expect("a station");
            let (name, told) = rest.split_once(' ').expect("an interlock");
            let interlock =
                benchward_core::interlock::InterlockName::parse(name).expect("it is in the table");
            let (_, cause) = told.split_once(": ").expect("an effect, then the cause");
            let places = [
                "channel ",
                "driver ",
                "output ",
                "permissive ",
                "the board ",
                "the run ",
                "nobody ",
                "loop was ",
                " stopped the whole lab",
                " pressed stop here",
                " flow through ",
            ];
            assert!(
                places.iter().any(|place| cause.contains(place)),
                "{file}: where? {line}"
            );
            let no_figure = ["stop", "driver-lost"].contains(&name);
            assert!(
                no_figure || cause.contains("limit"),
                "{file}: which limit? {line}"
            );
            assert!(
                !cause.ends_with('.'),
                "{file}: a full stop follows by itself: {line}"
            );
            seen.insert(interlock);
        }
    }
    let all: std::collections::BTreeSet<_> = benchward_core::interlock::InterlockName::ALL
        .iter()
        .copied()
        .collect();
    assert_eq!(seen, all, "a scenario trips each");
}
