//! A lab that works for hours while its surroundings don't: what grows, what gets slower, what trips that nobody caused.

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;
use std::process::ExitCode;
use std::time::{Duration, Instant};

use benchward_api::redo;
use benchward_archive::{JournalQuery, Query, Reader};
use benchward_tests::broker::{Broker, free_port};
use benchward_tests::client::Client;
use benchward_tests::clock::wall_ms;
use benchward_tests::daemon::Daemon;
use benchward_tests::fault;
use benchward_tests::place::Place;
use benchward_tests::scrape;
use clap::Parser;
use rustix::process::{Signal, kill_process};

/// Runs a lab of simulated benches for hours, restarts its broker and kills its drivers meanwhile, and says what came of it
///
/// Every bench carries out one run after the other, four readings at 10 Hz each. Whenever a driver is killed, a sensor of another bench is
/// pulled for a moment, so that there are cuts to be timed. Somebody confirms presence, and resets what has tripped. Then the daemon is ended, the journal verified, every sealed file read, and every run decided again. Exits with 1
/// where something tripped that was not caused, descriptors were lost, or one of the last three doesn't hold. What memory, disk and times
/// mean is for who reads them: compare `start` with `end`.
#[derive(Debug, Parser)]
#[command(
    name = "tests/soak",
    after_help = "Example: tests/soak --minutes 5 --stations 10 --broker-every-s 60 --driver-every-s 30"
)]
struct Options {
    /// How long
    #[arg(long, value_name = "N", default_value_t = 480, value_parser = clap::value_parser!(u64).range(1..))]
    minutes: u64,
    /// How many benches
    #[arg(long, value_name = "N", default_value_t = 50, value_parser = clap::value_parser!(u32).range(1..=200))]
    stations: u32,
    /// Between two restarts of the broker, which is away for up to half a minute each time
    #[arg(long, value_name = "S", default_value_t = 600, value_parser = clap::value_parser!(u64).range(10..))]
    broker_every_s: u64,
    /// Between two kills of a driver, another one each time
    #[arg(long, value_name = "S", default_value_t = 300, value_parser = clap::value_parser!(u64).range(10..))]
    driver_every_s: u64,
}

/// Warm, and short enough for many runs an hour.
const RECIPE: &str = "recipe = \"soak\"\n[[stage]]\ntarget_celsius = 60\ndwell_s = 60\nband_celsius = 3\n";

/// Between two looks at the benches.
const LOOK_EVERY: Duration = Duration::from_secs(1);
/// Between two confirmations of presence at each bench; the lab's limit is 15 minutes.
const PRESENT_EVERY: Duration = Duration::from_mins(2);
/// Rows of the table.
const ROWS: u32 = 12;
/// Longest time from what was done to the last trip that it is the cause of.
const CAUSED_WITHIN_MS: i64 = 15_000;
/// Descriptors that may come and go with clients, files of runs and a broker.
const DESCRIPTORS_SLACK: usize = 32;

/// Something that was done to a bench.
struct Cause {
    station: String,
    wall_ms: i64,
}

fn main() -> ExitCode {
    let options = Options::parse();
    let mut place = Place::new();
    // Its runs are decided again below, and counted; not once more when it goes.
    place.spoil();
    let stations: Vec<String> = (1..=options.stations).map(|n| format!("bench-{n}")).collect();
    let port = free_port();
    let mut broker = Some(Broker::start_at(&place, port));
    let mut toml: String = stations
        .iter()
        .map(|station| place.simulated(station, "channels = 4"))
        .collect();
    let section = broker.as_ref().map(Broker::section).unwrap_or_default();
    toml = toml.replace(
        "board-edge = \"tc2\"",
        "board-edge = \"tc2\", part = \"tc3\", below = \"tc4\"",
    );
    place.configure("", &(toml + scrape::SECTION + &section));
    let mut daemon = Daemon::start(&place);
    let client = daemon.client();
    client.put_recipe(RECIPE).expect("a recipe");
    let metrics = scrape::address(&daemon);
    let pid = daemon.pid().as_raw_nonzero();

    let length = Duration::from_secs(options.minutes * 60);
    let began = Instant::now();
    let (mut broker_due, mut broker_back) = (Duration::from_secs(options.broker_every_s), None);
    let (mut driver_due, mut driver_next) = (Duration::from_secs(options.driver_every_s), 0);
    let mut present_due = Duration::ZERO;
    let (mut causes, mut pulled) = (Vec::new(), None::<String>);
    let (mut kills, mut restarts, mut serial) = (0, 0, 0_u64);
    // The first row comes once everything has warmed up: benches, caches, the broker's first connection.
    let row_every = length / ROWS;
    let mut row_due = row_every / 2;
    let mut rows: Vec<Row> = Vec::new();
    println!("{}", Row::HEAD);
    while began.elapsed() < length {
        let now = began.elapsed();
        if now >= broker_due {
            broker_due += Duration::from_secs(options.broker_every_s);
            broker = None;
            restarts += 1;
            // 1 to 30 s, another each time.
            broker_back = Some(now + Duration::from_secs(1 + restarts * 7 % 30));
        }
        if broker_back.is_some_and(|at| now >= at) {
            broker_back = None;
            broker = Some(Broker::start_at(&place, port));
        }
        if now >= driver_due {
            driver_due += Duration::from_secs(options.driver_every_s);
            let station = &stations[driver_next % stations.len()];
            driver_next += 1;
            causes.push(Cause {
                station: station.clone(),
                wall_ms: wall_ms(),
            });
            kill_process(daemon.driver(&place, station), Signal::KILL).expect("a driver can be killed");
            kills += 1;
            // With one bench it is the same one, whose driver is just gone.
            let other = &stations[(driver_next + stations.len() / 2) % stations.len()];
            if other != station {
                fault::cause(&place.control(other), r#"{"kind":"open","input":"tc1"}"#);
                causes.push(Cause {
                    station: other.clone(),
                    wall_ms: wall_ms(),
                });
                pulled = Some(other.clone());
            }
        } else if let Some(station) = pulled.take() {
            fault::cause(&place.control(&station), r#"{"kind":"clear"}"#);
        }
        let present = now >= present_due;
        if present {
            present_due = now + PRESENT_EVERY;
        }
        work(&client, present, &mut serial);
        if now >= row_due {
            row_due += row_every;
            let row = Row::of(now, pid, &place.archive(), &scrape::page(metrics, "text/plain").1);
            println!("{}", row.text(rows.last()));
            rows.push(row);
        }
        std::thread::sleep(LOOK_EVERY.saturating_sub(began.elapsed().saturating_sub(now)));
    }
    drop(broker);
    println!("ending");
    drop(client);
    let (_, status) = daemon.terminate();
    let mut failings = Vec::new();
    if !status.success() {
        failings.push(format!("the daemon ended with {status}"));
    }
    println!("\n{serial} runs were started, {restarts} broker restarts, {kills} drivers killed");
    compare(&rows, &mut failings);
    check_records(&place.archive(), &causes, &mut failings);
    for text in &failings {
        println!("BROKEN: {text}");
    }
    if failings.is_empty() {
        println!("nothing broken");
        ExitCode::SUCCESS
    } else {
        println!("the daemon's log, its end:");
        let log = daemon.log();
        let from = log.char_indices().rev().nth(4_000).map_or(0, |(at, _)| at);
        println!("{}", &log[from..]);
        ExitCode::FAILURE
    }
}

/// What people do: start the next board, confirm presence, lift a trip once its cause is gone.
fn work(client: &Client, present: bool, serial: &mut u64) {
    for station in client.status().stations {
        let name = &station.station;
        let latched = |standing: &str| matches!(standing, "tripped" | "acknowledged");
        if station.interlocks.iter().any(|one| latched(&one.standing)) {
            // Refused until the driver is back; tried again with the next look.
            let _ = client.ask(name, async |station| station.acknowledge().await);
            let reset = client.ask(name, async |station| station.reset().await);
            if reset.is_ok() {
                // The run could be resumed; its board goes to the next one here.
                let _ = client.ask(name, async |station| station.stop_run().await);
            }
            continue;
        }
        if station.run.is_none() || matches!(&*station.phase, "idle" | "cool") {
            let started = client.start(name, "soak", &format!("S-{:06}", *serial + 1));
            *serial += u64::from(started.is_ok());
        }
        if present {
            let _ = client.ask(name, async |station| station.present().await);
        }
    }
}

/// How the daemon was at one time.
struct Row {
    at: Duration,
    memory_mb: f64,
    descriptors: usize,
    threads: usize,
    disk_mb: f64,
    dropped: f64,
    /// Upper bound in seconds and count, since the start: from readings to their heat.
    grants: Vec<(f64, f64)>,
    /// The same from a scan to zero heat because of it.
    cuts: Vec<(f64, f64)>,
}

impl Row {
    const HEAD: &'static str = "   after  memory MB  descriptors  threads   disk MB  rows dropped  grant p50 <=  p99 <=  p99.9 <= ms  cut p99 <= ms";

    fn of(at: Duration, pid: std::num::NonZeroI32, archive: &Path, page: &str) -> Self {
        let count = |what: &str| fs::read_dir(format!("/proc/{pid}/{what}")).map_or(0, Iterator::count);
        let status = fs::read_to_string(format!("/proc/{pid}/status")).unwrap_or_default();
        let kib = status.lines().find_map(|line| {
            line.strip_prefix("VmRSS:")?
                .split_whitespace()
                .next()?
                .parse()
                .ok()
        });
        Self {
            at,
            memory_mb: kib.unwrap_or(f64::NAN) * 1_024.0 / 1e6,
            descriptors: count("fd"),
            threads: count("task"),
            disk_mb: bytes_in(archive) / 1e6,
            dropped: scrape::value(page, "benchward_rows_dropped_total").unwrap_or(f64::NAN),
            grants: buckets(page, "grant"),
            cuts: buckets(page, "cut"),
        }
    }

    fn text(&self, before: Option<&Self>) -> String {
        let ms = |of: fn(&Self) -> &Vec<(f64, f64)>, share| {
            quantile_ms(of(self), before.map_or(&[], |row| of(row)), share)
                .map_or_else(|| "-".to_owned(), |ms| format!("{ms:.1}"))
        };
        format!(
            "{:>6} s {:>10.1} {:>12} {:>8} {:>9.1} {:>13} {:>13} {:>7} {:>11} {:>14}",
            self.at.as_secs(),
            self.memory_mb,
            self.descriptors,
            self.threads,
            self.disk_mb,
            self.dropped,
            ms(|row| &row.grants, 0.5),
            ms(|row| &row.grants, 0.99),
            ms(|row| &row.grants, 0.999),
            ms(|row| &row.cuts, 0.99),
        )
    }
}

/// The cumulative buckets of the reaction times, for one `act`.
fn buckets(page: &str, act: &str) -> Vec<(f64, f64)> {
    let of = format!("act=\"{act}\"");
    page.lines()
        .filter(|line| line.starts_with("benchward_reaction_seconds_bucket{") && line.contains(&of))
        .filter_map(|line| {
            let (_, rest) = line.split_once("le=\"")?;
            let (bound, rest) = rest.split_once('"')?;
            let bound = if bound == "+Inf" {
                f64::INFINITY
            } else {
                bound.parse().ok()?
            };
            Some((bound, rest.rsplit(' ').next()?.parse().ok()?))
        })
        .collect()
}

/// The bound, in ms, below which a share of what was counted since `before` lies.
fn quantile_ms(now: &[(f64, f64)], before: &[(f64, f64)], share: f64) -> Option<f64> {
    let then = |at: usize| before.get(at).map_or(0.0, |(_, count)| *count);
    let all = now.last()?.1 - then(now.len() - 1);
    let enough = now
        .iter()
        .enumerate()
        .find(|(at, (_, count))| all > 0.0 && count - then(*at) >= share * all);
    enough.map(|(_, (bound, _))| bound * 1e3)
}

#[expect(clippy::cast_precision_loss, reason = "megabytes for a table")]
fn bytes_in(folder: &Path) -> f64 {
    let found = fs::read_dir(folder).into_iter().flatten().flatten();
    found
        .map(|one| match one.metadata() {
            Ok(data) if data.is_dir() => bytes_in(&one.path()),
            Ok(data) => data.len() as f64,
            // Gone meanwhile.
            Err(_) => 0.0,
        })
        .sum()
}

fn compare(rows: &[Row], failings: &mut Vec<String>) {
    let [first, .., last] = rows else { return };
    println!("\n{}", Row::HEAD);
    println!("{}  start", first.text(None));
    println!("{}  end", last.text(rows.get(rows.len() - 2)));
    let hours = last.at.saturating_sub(first.at).as_secs_f64() / 3600.0;
    println!(
        "per hour: memory {:+.1} MB, descriptors {:+}, disk {:+.1} MB",
        (last.memory_mb - first.memory_mb) / hours,
        i64::try_from(last.descriptors).unwrap_or(0) - i64::try_from(first.descriptors).unwrap_or(0),
        (last.disk_mb - first.disk_mb) / hours,
    );
    if last.descriptors > first.descriptors + DESCRIPTORS_SLACK {
        failings.push(format!(
            "{} descriptors at the start, {} at the end",
            first.descriptors, last.descriptors
        ));
    }
    if last.dropped > 0.0 {
        failings.push(format!("{} rows of readings were dropped", last.dropped));
    }
}

/// Trips that nobody caused, the journal, the sealed files, every run decided again.
fn check_records(archive: &Path, causes: &[Cause], failings: &mut Vec<String>) {
    let reader = Reader::open(archive).expect("the archive");
    let everything = JournalQuery {
        limit: usize::MAX,
        ..JournalQuery::default()
    };
    let mut trips: BTreeMap<String, u32> = BTreeMap::new();
    for entry in reader.journal(&everything).expect("the journal") {
        let entry = entry.entry;
        if !matches!(&*entry.kind, "trip" | "alarm") {
            continue;
        }
        let was_caused = causes.iter().any(|cause| {
            entry.station.as_ref() == Some(&cause.station)
                && (0..CAUSED_WITHIN_MS).contains(&(entry.at.0 - cause.wall_ms))
        });
        if was_caused {
            let interlock = entry.data["interlock"].as_str().unwrap_or("?").to_owned();
            *trips.entry(interlock).or_default() += 1;
        } else {
            failings.push(format!("nobody caused this: {}", entry.text));
        }
    }
    let trips = trips.iter().fold(String::new(), |mut text, (name, count)| {
        let _ = write!(text, " {name} {count}");
        text
    });
    println!("trips that were caused:{trips}");
    let verified = reader.verify().expect("the journal can be read");
    println!("journal: {verified:?}");
    let (files, damages) = reader.check_files(|_, _| ()).expect("the files can be read");
    println!("sealed files: {files}, damaged: {}", damages.len());
    failings.extend(damages.iter().map(|damage| format!("damaged: {damage:?}")));

    let query = Query {
        limit: usize::MAX,
        ..Query::default()
    };
    let (mut identical, mut decisions) = (0, 0);
    let mut outcomes: BTreeMap<String, u32> = BTreeMap::new();
    let runs = reader.runs(&query).expect("the runs");
    for record in &runs {
        *outcomes.entry(format!("{:?}", record.outcome)).or_default() += 1;
        match redo::redo(&reader, record.run) {
            Ok(redone) if redone.identical => {
                identical += 1;
                decisions += redone.decisions;
            }
            Ok(redone) => failings.push(format!(
                "run {} is not decided again as it was: {redone:?}",
                record.run
            )),
            Err(error) => failings.push(format!("run {} can't be decided again: {error:?}", record.run)),
        }
    }
    println!("runs: {} {outcomes:?}", runs.len());
    println!(
        "decided again, identical: {identical} of {}, {decisions} decisions",
        runs.len()
    );
}
