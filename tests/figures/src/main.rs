//! What the archive costs, beside `SQLite` with the same readings: a row a reading, and chunks as blobs. Same machine, same run.
//!
//! ```text
//! archive-figures [HOURS] [RUNS]     20 benches for so many hours (2), and so many runs to look among (100,000)
//! ```
//!
//! A week of 20 benches is 484 million readings. What a reading costs doesn't depend on how many there are, since chunks are independent of
//! each other, so the default is 2 hours; `168 1000000` is the whole of it.

use std::hint::black_box;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use anyhow::{Context as _, Result};
use benchward_archive::{
    Archive, JournalEntry, Outcome, Phase, Query, Reader, Row, RunRecord, StationIx, Value, Verdict, Wall,
    Writer, export,
};
use rusqlite::{Connection, params};

const STATIONS: usize = 20;
const CHANNELS: usize = 4;
const HERTZ: u64 = 10;
/// Readings in one commit: a quarter of a second of the largest lab.
const BATCH: usize = 2_000;
/// 2026-11-25T13:00:00Z.
const START: i64 = 1_795_611_600_000;
/// Standard deviation of the noise, counts of 1/128 °C: 0.05 °C.
const SIGMA: f64 = 6.4;

/// Numbers that look random and are the same each time (splitmix64; from memory, no source needed: any would do).
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Gaussian, by the sum of twelve: within 1 % of one where it matters here.
    #[expect(clippy::cast_precision_loss, reason = "53 bits are kept")]
    fn gauss(&mut self) -> f64 {
        (0..12)
            .map(|_| (self.next() >> 11) as f64 / (1_u64 << 53) as f64)
            .sum::<f64>()
            - 6.0
    }
}

/// Bytes a reading that no coding can be below for this noise alone: entropy of a Gaussian on a grid, in bits, over 8.
fn entropy_bytes() -> f64 {
    let p = |n: f64| (-n * n / (2.0 * SIGMA * SIGMA)).exp() / (SIGMA * (2.0 * std::f64::consts::PI).sqrt());
    (-60..=60)
        .map(|n| p(f64::from(n)))
        .map(|p| -p * p.log2())
        .sum::<f64>()
        / 8.0
}

/// What channel `channel` of station `station` reads at scan `n`: soak and ramp in a cycle of 40 minutes, and noise.
#[expect(clippy::cast_precision_loss, reason = "seconds of weeks")]
fn celsius(noise: &mut Noise, station: usize, channel: usize, n: u64) -> f64 {
    let t = ((n / HERTZ + 97 * station as u64) % 2_400) as f64 + (n % HERTZ) as f64 / HERTZ as f64;
    let course = match t {
        t if t < 300.0 => 25.0 + t * 0.4,
        t if t < 900.0 => 145.0,
        t if t < 1_000.0 => 145.0 + (t - 900.0),
        t => 25.0 + 220.0 * (-(t - 1_000.0) / 300.0).exp(),
    };
    ((course + channel as f64 * 1.5) * 128.0 + noise.gauss() * SIGMA).round() / 128.0
}

fn megabytes(bytes: u64) -> String {
    #[expect(clippy::cast_precision_loss, reason = "shown to a tenth")]
    let bytes = bytes as f64;
    format!("{:.1} MB", bytes / 1e6)
}

fn size(path: &Path) -> u64 {
    let Ok(entries) = std::fs::read_dir(path) else {
        return 0;
    };
    entries
        .flatten()
        .map(|entry| match entry.metadata() {
            Ok(data) if data.is_dir() => size(&entry.path()),
            // What the disk gives for it, holes left out.
            Ok(data) => std::os::unix::fs::MetadataExt::blocks(&data) * 512,
            Err(_) => 0,
        })
        .sum()
}

fn high_water_kib() -> u64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find(|line| line.starts_with("VmHWM"));
    line.and_then(|line| line.split_whitespace().nth(1)?.parse().ok())
        .unwrap_or(0)
}

fn run_record(run: u64, started: Wall) -> RunRecord {
    let pick = |names: &[&str], by: u64| names[usize::try_from(by).unwrap_or(0) % names.len()].to_owned();
    RunRecord {
        run,
        station: format!("bench-{}", run % 20 + 1),
        recipe: pick(&["AX-20 backplane", "QM-4 front end", "PSU-310 supply"], run / 7),
        revision: 1,
        recipe_text: "[[stage]]\ntarget_celsius = 150\n".into(),
        serial: format!("A-{:06}", run / 2),
        operator: pick(&["op1", "op2", "proc1"], run / 5),
        started,
        ended: Some(started.plus_ms(1_800_000)),
        outcome: Some(
            [Outcome::Completed, Outcome::Stopped, Outcome::Tripped][usize::from(run.is_multiple_of(50))],
        ),
        verdict: if run.is_multiple_of(23) {
            Verdict::Fail
        } else {
            Verdict::Pass
        },
        peak_celsius: Some(245.0),
        ..RunRecord::default()
    }
}

struct Bench {
    stations: Vec<StationIx>,
    noise: Noise,
}

impl Bench {
    fn begin(writer: &mut Writer) -> Result<Self> {
        let names = ["board-top", "board-edge", "element", "room"];
        let mut stations = Vec::new();
        for at in 0..STATIONS {
            stations.push(writer.station(&format!("bench-{}", at + 1), &names)?);
            writer.put_run(&RunRecord {
                ended: None,
                outcome: None,
                run: at as u64 + 1,
                station: format!("bench-{}", at + 1),
                ..run_record(at as u64 + 1, Wall(START))
            })?;
        }
        Ok(Self {
            stations,
            noise: Noise(7),
        })
    }

    fn scan(&mut self, writer: &mut Writer, n: u64) -> Result<()> {
        let ms = n * 1000 / HERTZ;
        for (at, station) in self.stations.iter().enumerate() {
            let values: [Value; CHANNELS] =
                std::array::from_fn(|channel| Value::Celsius(celsius(&mut self.noise, at, channel, n)));
            writer.append(&Row {
                station: *station,
                run: Some(at as u64 + 1),
                at: Wall(START).plus_ms(ms.cast_signed()),
                mono_ms: ms,
                values: &values,
                heat: [0.0, 0.35, 0.62][usize::try_from(n / 3_000 % 3)?],
                phase: Phase::Ramp,
                stage: Some(1),
                target_celsius: Some(150.0),
            })?;
        }
        Ok(())
    }
}

/// Fills an archive; with `die`, ends as a kill would, in the middle of it.
fn fill(folder: &Path, scans: u64, die: bool) -> Result<()> {
    let (mut writer, _, _) = Archive::open(folder, "larkfield", Wall(START))?;
    let mut bench = Bench::begin(&mut writer)?;
    let began = Instant::now();
    let step = (BATCH / STATIONS / CHANNELS).max(1) as u64;
    for n in 0..scans {
        bench.scan(&mut writer, n)?;
        if n % step == 0 {
            if n % (step * 40) == 0 {
                writer.journal(JournalEntry::new(Wall(START), n, "heat", "bench-1: heat on").run(1));
            }
            writer.commit()?;
            writer.tick(Wall(START));
        }
    }
    if die {
        writer.sync()?;
        std::process::abort();
    }
    for run in 1..=STATIONS as u64 {
        writer.put_run(&run_record(run, Wall(START)))?;
    }
    writer.close(Wall(START))?;
    println!("{} {}", began.elapsed().as_secs_f64(), high_water_kib());
    Ok(())
}

fn database(path: &Path) -> Result<Connection> {
    let connection = Connection::open(path)?;
    connection.execute_batch("PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL;")?;
    Ok(connection)
}

/// A row a reading, a transaction each [`BATCH`].
fn fill_rows(path: &Path, scans: u64) -> Result<()> {
    let mut connection = database(path)?;
    connection.execute_batch(
        "CREATE TABLE reading (run INTEGER, at INTEGER, channel INTEGER, celsius REAL, PRIMARY KEY (run, at, channel)) \
         WITHOUT ROWID;",
    )?;
    let (mut noise, began, step) = (
        Noise(7),
        Instant::now(),
        (BATCH / STATIONS / CHANNELS).max(1) as u64,
    );
    let mut n = 0;
    while n < scans {
        let transaction = connection.transaction()?;
        {
            let mut insert = transaction.prepare_cached("INSERT INTO reading VALUES (?1, ?2, ?3, ?4)")?;
            for n in n..(n + step).min(scans) {
                for station in 0..STATIONS {
                    for channel in 0..CHANNELS {
                        insert.execute(params![
                            i64::try_from(station)?,
                            (n * 1000 / HERTZ).cast_signed(),
                            i64::try_from(channel)?,
                            celsius(&mut noise, station, channel, n)
                        ])?;
                    }
                }
            }
        }
        transaction.commit()?;
        n += step;
    }
    println!("{} {}", began.elapsed().as_secs_f64(), high_water_kib());
    Ok(())
}

/// The archive's own bytes, cut at the length of a chunk, as blobs: a transaction each [`BATCH`] readings.
fn fill_blobs(path: &Path, sealed: &Path, readings: u64) -> Result<()> {
    let mut connection = database(path)?;
    connection
        .execute_batch("CREATE TABLE chunk (run INTEGER, at INTEGER, body BLOB, PRIMARY KEY (run, at));")?;
    let mut files = Vec::new();
    for year in std::fs::read_dir(sealed)?.flatten() {
        for file in std::fs::read_dir(year.path())?.flatten() {
            files.push(std::fs::read(file.path())?);
        }
    }
    let total: usize = files.iter().map(Vec::len).sum();
    // A chunk holds 600 scans.
    let length = total / usize::try_from(readings / (600 * CHANNELS as u64))?.max(1);
    let began = Instant::now();
    let mut chunks: Vec<(i64, i64, &[u8])> = Vec::new();
    for (run, file) in (0..).zip(&files) {
        chunks.extend(
            (0..)
                .zip(file.chunks(length.max(1)))
                .map(|(at, body)| (run, at, body)),
        );
    }
    for batch in chunks.chunks(1) {
        let transaction = connection.transaction()?;
        for (run, at, body) in batch {
            transaction
                .prepare_cached("INSERT INTO chunk VALUES (?1, ?2, ?3)")?
                .execute(params![run, at, body])?;
        }
        transaction.commit()?;
    }
    println!("{} {}", began.elapsed().as_secs_f64(), high_water_kib());
    Ok(())
}

/// Runs this program again for one part, so that each has memory of its own. Returns seconds and KiB.
fn part(arguments: &[&str]) -> Result<(f64, u64)> {
    let output = Command::new(std::env::current_exe()?).args(arguments).output()?;
    anyhow::ensure!(
        output.status.success(),
        "{arguments:?}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    let text = String::from_utf8(output.stdout)?;
    let mut fields = text.split_whitespace();
    Ok((
        fields.next().context("seconds")?.parse()?,
        fields.next().context("memory")?.parse()?,
    ))
}

fn median(mut times: Vec<Duration>) -> Duration {
    times.sort();
    times[times.len() / 2]
}

fn milliseconds(time: Duration) -> String {
    format!("{:.2} ms", time.as_secs_f64() * 1000.0)
}

#[expect(clippy::cast_precision_loss, reason = "shown to two places")]
fn ingest(folder: &Path, hours: u64) -> Result<()> {
    let scans = hours * 3_600 * HERTZ;
    let readings = scans * (STATIONS * CHANNELS) as u64;
    let word = scans.to_string();
    let text = |path: &Path| path.to_string_lossy().into_owned();
    let (archive, rows, blobs) = (folder.join("archive"), folder.join("rows"), folder.join("blobs"));
    for path in [&rows, &blobs] {
        std::fs::create_dir(path)?;
    }
    let ours = part(&["fill", &text(&archive), &word])?;
    let by_row = part(&["rows", &text(&rows.join("db")), &word])?;
    let sealed = archive.join("runs");
    let by_blob = part(&[
        "blobs",
        &text(&blobs.join("db")),
        &text(&sealed),
        &readings.to_string(),
    ])?;
    println!(
        "{readings} readings: {STATIONS} benches x {CHANNELS} channels x {HERTZ} Hz x {hours} h, 0.05 °C of noise on 1/128 °C\n\
         entropy of the noise alone: {:.3} bytes a reading\n",
        entropy_bytes()
    );
    println!(
        "{:<44}{:>14}{:>14}{:>16}{:>12}",
        "", "bytes/reading", "on disk", "readings/s", "memory"
    );
    let line = |name: &str, bytes: u64, figures: Option<(f64, u64)>| {
        println!(
            "{name:<44}{:>14.3}{:>14}{:>16}{:>12}",
            bytes as f64 / readings as f64,
            megabytes(bytes),
            figures.map_or(String::new(), |(seconds, _)| format!(
                "{:.0}",
                readings as f64 / seconds
            )),
            figures.map_or(String::new(), |(_, kib)| format!("{} MiB", kib >> 10)),
        );
    };
    line("archive: sealed files", size(&sealed), None);
    // A week goes by in seconds here, and all that was written in the last minute is still in the tail beside.
    line(
        "archive: whole directory but for the tail",
        size(&archive) - size(&archive.join("tail")),
        Some(ours),
    );
    line(
        "archive: the tail of the last minute",
        size(&archive.join("tail")),
        None,
    );
    line("SQLite WAL FULL, a row a reading", size(&rows), Some(by_row));
    line(
        "SQLite WAL FULL, the same bytes as blobs",
        size(&blobs),
        Some(by_blob),
    );

    let reader = Reader::open(&archive)?;
    let mut times = Vec::new();
    let hour_rows = 3_600 * HERTZ;
    for _ in 0..5 {
        let began = Instant::now();
        let mut out = Vec::new();
        export::csv(reader.recording(1)?, &mut out)?;
        black_box(&out);
        times.push(began.elapsed());
    }
    let to_csv = median(times);
    println!(
        "\none run of {hours} h to CSV: {}, {} for an hour's {hour_rows} rows",
        milliseconds(to_csv),
        milliseconds(to_csv / u32::try_from(hours)?)
    );
    let mut times = Vec::new();
    for _ in 0..5 {
        let began = Instant::now();
        let mut count = 0;
        let mut all = reader.readings(1)?;
        while let Some(block) = all.next_block() {
            count += block.map_err(|damage| anyhow::anyhow!("{damage}"))?.scans.len();
        }
        black_box(count);
        times.push(began.elapsed());
    }
    let decoded = median(times);
    println!(
        "the same decoded, nothing written: {}; CSV takes {:.1} times that",
        milliseconds(decoded),
        to_csv.as_secs_f64() / decoded.as_secs_f64()
    );
    commands(&archive)?;
    let connection = database(&rows.join("db"))?;
    let mut times = Vec::new();
    for _ in 0..5 {
        let began = Instant::now();
        let mut query = connection
            .prepare("SELECT at, channel, celsius FROM reading WHERE run = 0 ORDER BY at, channel")?;
        let mut found = query.query([])?;
        let mut sum = 0.0;
        while let Some(row) = found.next()? {
            sum += row.get::<_, f64>(2)?;
        }
        black_box(sum);
        times.push(began.elapsed());
    }
    println!("the same from SQLite's rows: {}", milliseconds(median(times)));
    Ok(())
}

/// The command line on the same archive, from its start to its end, beside one that reads no readings.
fn commands(archive: &Path) -> Result<()> {
    let benchward = std::env::current_exe()?.with_file_name("benchward");
    if !benchward.exists() {
        println!(
            "exports by the command line: left out, {} is not built",
            benchward.display()
        );
        return Ok(());
    }
    let file = archive.with_file_name("exported");
    let time = |words: &[&str]| -> Result<Duration> {
        let mut times = Vec::new();
        for _ in 0..5 {
            let began = Instant::now();
            let output = Command::new(&benchward)
                .arg("--archive")
                .arg(archive)
                .arg("run")
                .args(words)
                .output()?;
            times.push(began.elapsed());
            anyhow::ensure!(
                output.status.success(),
                "{words:?}: {}",
                String::from_utf8_lossy(&output.stderr)
            );
        }
        Ok(median(times))
    };
    println!(
        "`benchward --archive run show`, which reads none: {}",
        milliseconds(time(&["show", "1"])?)
    );
    let to = file.to_string_lossy();
    for format in ["csv", "jsonl", "parquet"] {
        let took = time(&["export", "1", "--format", format, "-o", &to])?;
        println!(
            "`benchward --archive run export --format {format}`: {}, {}",
            milliseconds(took),
            megabytes(std::fs::metadata(&file)?.len())
        );
    }
    Ok(())
}

fn reopen(folder: &Path) -> Result<()> {
    let archive = folder.join("killed");
    // Ten minutes of 20 benches, killed in the middle of them.
    let status = Command::new(std::env::current_exe()?)
        .args(["die", &archive.to_string_lossy(), &(600 * HERTZ).to_string()])
        .stderr(std::process::Stdio::null())
        .status()?;
    anyhow::ensure!(!status.success(), "it was to be killed");
    let began = Instant::now();
    let (writer, _, opened) = Archive::open(&archive, "larkfield", Wall(START))?;
    println!(
        "\nopen after a kill under 20 running benches: {} ({} rows from the tail, {} lost runs)",
        milliseconds(began.elapsed()),
        opened.recovered_rows,
        opened.lost.len()
    );
    writer.close(Wall(START))?;
    let began = Instant::now();
    let (writer, _, _) = Archive::open(&archive, "larkfield", Wall(START))?;
    println!("open after a clean end: {}", milliseconds(began.elapsed()));
    drop(writer);
    Ok(())
}

fn pages(folder: &Path, runs: u64) -> Result<()> {
    let archive = folder.join("many");
    let (mut writer, reader, _) = Archive::open(&archive, "larkfield", Wall(START))?;
    let began = Instant::now();
    let at = |run: u64| Wall(START).plus_ms((run * 40_000).cast_signed());
    let path = folder.join("many.db");
    let mut connection = database(&path)?;
    connection.execute_batch(
        "CREATE TABLE run (run INTEGER PRIMARY KEY, station TEXT, recipe TEXT, serial TEXT, operator TEXT, started INTEGER, \
         outcome TEXT, verdict TEXT, record TEXT); \
         CREATE INDEX a ON run (serial, run); CREATE INDEX b ON run (recipe, run); CREATE INDEX c ON run (operator, run); \
         CREATE INDEX d ON run (station, run); CREATE INDEX e ON run (outcome, run); CREATE INDEX f ON run (verdict, run); \
         CREATE INDEX g ON run (started, run);",
    )?;
    let (mut ours, mut theirs) = (Duration::ZERO, Duration::ZERO);
    let mut run = 1;
    while run <= runs {
        let records: Vec<RunRecord> = (run..(run + 500).min(runs + 1))
            .map(|run| run_record(run, at(run)))
            .collect();
        let moment = Instant::now();
        for record in &records {
            writer.put_run(record)?;
        }
        writer.commit()?;
        ours += moment.elapsed();
        let moment = Instant::now();
        let transaction = connection.transaction()?;
        for record in &records {
            transaction
                .prepare_cached("INSERT INTO run VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)")?
                .execute(params![
                    record.run.cast_signed(),
                    record.station,
                    record.recipe,
                    record.serial,
                    record.operator,
                    record.started.0,
                    record.outcome.map(Outcome::name),
                    record.verdict.name(),
                    format!("{record:?}")
                ])?;
        }
        transaction.commit()?;
        theirs += moment.elapsed();
        run += 500;
    }
    println!(
        "\n{runs} runs put in {:.1} s (SQLite {:.1} s), {:.1} s together; a page of 50, median of 21:",
        ours.as_secs_f64(),
        theirs.as_secs_f64(),
        began.elapsed().as_secs_f64()
    );
    let middle = runs / 2;
    let day = at(middle);
    let queries: [(&str, Query, String); 9] = [
        ("newest", Query::default(), "1".into()),
        (
            "serial",
            Query {
                serial: Some(format!("A-{:06}", middle / 2)),
                ..Query::default()
            },
            format!("serial = 'A-{:06}'", middle / 2),
        ),
        (
            "recipe",
            Query {
                recipe: Some("QM-4 front end".into()),
                ..Query::default()
            },
            "recipe = 'QM-4 front end'".into(),
        ),
        (
            "station",
            Query {
                station: Some("bench-7".into()),
                ..Query::default()
            },
            "station = 'bench-7'".into(),
        ),
        (
            "operator",
            Query {
                operator: Some("proc1".into()),
                ..Query::default()
            },
            "operator = 'proc1'".into(),
        ),
        (
            "outcome (2 %)",
            Query {
                outcome: Some(Outcome::Stopped),
                ..Query::default()
            },
            "outcome = 'stopped'".into(),
        ),
        (
            "verdict (4 %)",
            Query {
                verdict: Some(Verdict::Fail),
                ..Query::default()
            },
            "verdict = 'fail'".into(),
        ),
        (
            "day",
            Query {
                from: Some(day),
                to: Some(day.plus_ms(86_400_000)),
                ..Query::default()
            },
            format!("started BETWEEN {} AND {}", day.0, day.0 + 86_400_000),
        ),
        (
            "verdict and station",
            Query {
                verdict: Some(Verdict::Fail),
                station: Some("bench-7".into()),
                ..Query::default()
            },
            "verdict = 'fail' AND station = 'bench-7'".into(),
        ),
    ];
    println!("{:<24}{:>12}{:>12}{:>8}", "", "archive", "SQLite", "runs");
    for (name, query, condition) in &queries {
        let mut times = Vec::new();
        let mut count = 0;
        for _ in 0..21 {
            let moment = Instant::now();
            count = black_box(reader.runs(query)?).len();
            times.push(moment.elapsed());
        }
        let mut others = Vec::new();
        for _ in 0..21 {
            let moment = Instant::now();
            let mut select = connection.prepare_cached(&format!(
                "SELECT record FROM run WHERE {condition} ORDER BY run DESC LIMIT 50"
            ))?;
            let found: Vec<String> = select
                .query_map([], |row| row.get(0))?
                .collect::<rusqlite::Result<_>>()?;
            black_box(found);
            others.push(moment.elapsed());
        }
        println!(
            "{name:<24}{:>12}{:>12}{count:>8}",
            milliseconds(median(times)),
            milliseconds(median(others))
        );
    }
    println!("memory: {} MiB", high_water_kib() >> 10);
    Ok(())
}

fn main() -> Result<()> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
    match words[..] {
        ["fill", folder, scans] => return fill(Path::new(folder), scans.parse()?, false),
        ["die", folder, scans] => return fill(Path::new(folder), scans.parse()?, true),
        ["rows", path, scans] => return fill_rows(Path::new(path), scans.parse()?),
        ["blobs", path, sealed, readings] => {
            return fill_blobs(Path::new(path), Path::new(sealed), readings.parse()?);
        }
        _ => {}
    }
    let number = |at: usize, usual: u64| words.get(at).map_or(Ok(usual), |word| word.parse());
    let (hours, runs) = (number(0, 2)?, number(1, 100_000)?);
    let folder = tempfile::tempdir()?;
    println!("The archive, beside other ways to keep the same (release build, this machine, this run)\n");
    ingest(folder.path(), hours)?;
    reopen(folder.path())?;
    pages(folder.path(), runs)
}
