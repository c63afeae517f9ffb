//! What the archive costs, on this machine and now: `cargo run --release -p benchward-archive --example measure [HOURS]`.
//!
//! Twenty stations of four channels at 10 Hz, runs of an hour with the noise of a thermocouple converter (0.05 °C on a grid of
//! 1/128 °C), as fast as it goes. Prints rows a second, bytes a reading, and the times of queries. Nothing here passes or fails.

use std::collections::BTreeMap;
use std::fs;
use std::path::Path;
use std::time::Instant;

use benchward_archive::{
    Archive, ChannelRecord, JournalEntry, Outcome, Phase, Query, Row, RunRecord, StationIx, Value, Wall,
    export,
};

const STATIONS: usize = 20;
const CHANNELS: [&str; 4] = ["board-top", "board-edge", "connector", "carrier"];
const HOUR: u64 = 36_000;

/// Uniform in 0..1, by xorshift64 (Marsaglia).
struct Noise(u64);

impl Noise {
    fn uniform(&mut self) -> f64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        f64::from(u32::try_from(self.0 >> 32).unwrap_or(0)) / f64::from(u32::MAX)
    }

    /// Standard normal, as the sum of twelve.
    fn normal(&mut self) -> f64 {
        (0..12).map(|_| self.uniform()).sum::<f64>() - 6.0
    }
}

fn size(path: &Path) -> u64 {
    let Ok(entries) = fs::read_dir(path) else { return 0 };
    entries
        .flatten()
        .map(|entry| {
            if entry.path().is_dir() {
                size(&entry.path())
            } else {
                entry.metadata().map_or(0, |file| file.len())
            }
        })
        .sum()
}

/// Bytes of a run file by kind of block, read by the format's page alone.
fn blocks(file: &[u8]) -> BTreeMap<u8, usize> {
    let mut sizes = BTreeMap::new();
    let mut at = 16;
    while let Some(head) = file.get(at..at + 20) {
        let length = 20 + u32::from_le_bytes([head[8], head[9], head[10], head[11]]) as usize;
        *sizes.entry(head[4]).or_default() += length;
        at += length;
    }
    sizes
}

fn resident_mb() -> f64 {
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status
        .lines()
        .find(|line| line.starts_with("VmHWM"))
        .unwrap_or_default();
    line.split_whitespace()
        .nth(1)
        .and_then(|kb| kb.parse::<f64>().ok())
        .unwrap_or(0.0)
        / 1024.0
}

#[expect(clippy::cast_precision_loss, reason = "figures for people")]
fn per(amount: u64, of: u64) -> f64 {
    amount as f64 / of as f64
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let hours: u64 = std::env::args().nth(1).map_or(Ok(2), |hours| hours.parse())?;
    let dir = tempfile::tempdir()?;
    let start = Wall(1_795_611_600_000);
    let (mut writer, reader, _) = Archive::open(dir.path(), "larkfield", start)?;
    let names: Vec<String> = (1..=STATIONS).map(|n| format!("bench-{n}")).collect();
    let stations: Vec<StationIx> = names
        .iter()
        .map(|name| writer.station(name, &CHANNELS))
        .collect::<Result<_, _>>()?;
    let mut noise = Noise(0x2545_f491_4f6c_dd1d);
    let (mut rows, mut entries) = (0_u64, 0);
    let mut busy = std::time::Duration::ZERO;
    let mut longest = std::time::Duration::ZERO;
    for hour in 0..hours {
        let began = start.plus_ms((hour * HOUR * 100).cast_signed());
        let mut runs = Vec::new();
        for name in &names {
            let run = writer.next_run();
            let channels = CHANNELS
                .map(|name| ChannelRecord {
                    name: name.into(),
                    ..ChannelRecord::default()
                })
                .to_vec();
            let record = RunRecord {
                run,
                station: name.clone(),
                recipe: "AX-20 backplane".into(),
                recipe_text: "x".repeat(800),
                serial: format!("LI-{run:05}"),
                operator: "op1".into(),
                started: began,
                channels,
                ..RunRecord::default()
            };
            writer.put_run(&record)?;
            runs.push(record);
        }
        for n in 0..HOUR {
            let mono_ms = (hour * HOUR + n) * 100;
            let shape = 20.0 + 180.0 * (1.0 - (-per(n, 6000)).exp());
            // Heat in steps of 1/1000 that change now and then, as a controller that holds it grants.
            let heat = (0.3 + 0.2 * (-per(n, 9000)).exp()) * 1000.0;
            let scans: Vec<[Value; 4]> = (0..STATIONS)
                .map(|_| {
                    std::array::from_fn(|channel| {
                        let celsius = shape - per(channel as u64, 1) * 3.0 + 0.05 * noise.normal();
                        Value::Celsius((celsius * 128.0).round() / 128.0)
                    })
                })
                .collect();
            let clock = Instant::now();
            for (station, values) in scans.iter().enumerate() {
                writer.append(&Row {
                    station: stations[station],
                    run: Some(runs[station].run),
                    at: start.plus_ms(mono_ms.cast_signed()),
                    mono_ms,
                    values,
                    heat: heat.round() / 1000.0,
                    phase: Phase::Dwell,
                    stage: Some(1),
                    target_celsius: Some(200.0),
                })?;
                rows += 1;
            }
            if n % 10 == 0 {
                writer.journal(
                    JournalEntry::new(began, mono_ms, "grant", "heat changed")
                        .run(runs[entries % STATIONS].run),
                );
                entries += 1;
                writer.commit()?;
            }
            let tick = Instant::now();
            writer.tick(began);
            longest = longest.max(tick.elapsed());
            busy += clock.elapsed();
        }
        for record in runs {
            writer.put_run(&RunRecord {
                outcome: Some(Outcome::Completed),
                ended: Some(began),
                ..record
            })?;
        }
        let clock = Instant::now();
        writer.commit()?;
        for _ in 0..STATIONS {
            writer.tick(began);
        }
        busy += clock.elapsed();
    }
    let readings = rows * CHANNELS.len() as u64;
    println!(
        "{readings} readings, {rows} rows, {:.0} rows/s (needed: {} at 10 Hz)",
        per(rows, 1) / busy.as_secs_f64(),
        STATIONS * 10
    );
    println!(
        "longest tick {:.1} ms, memory at most {:.0} MB",
        longest.as_secs_f64() * 1e3,
        resident_mb()
    );
    let part = |name: &str| per(size(&dir.path().join(name)), readings);
    println!(
        "bytes a reading: sealed files {:.3}, store {:.3}, journal's copy {:.3}, tail {:.3}, all {:.3}",
        part("runs"),
        part("store"),
        part("journal"),
        part("tail"),
        per(size(dir.path()), readings)
    );
    let time = |what: &str, work: &mut dyn FnMut() -> usize| {
        let clock = Instant::now();
        let count = work();
        println!("{what}: {:.1} ms ({count})", clock.elapsed().as_secs_f64() * 1e3);
    };
    time("one-hour run, decoded", &mut || {
        reader.readings(1).map_or(0, Iterator::count)
    });
    time("one-hour run to CSV", &mut || {
        let mut out = Vec::new();
        reader
            .recording(1)
            .map_or(0, |run| export::csv(run, &mut out).map_or(0, |_| out.len()))
    });
    time("page of runs by station", &mut || {
        let query = Query {
            station: Some("bench-7".into()),
            operator: Some("op1".into()),
            ..Query::default()
        };
        reader.runs(&query).map_or(0, |runs| runs.len())
    });
    time("journal verified", &mut || {
        reader
            .verify()
            .map_or(0, |verified| usize::try_from(verified.entries).unwrap_or(0))
    });
    if let Ok(Some(path)) = reader.sealed_file(1) {
        let parts: Vec<String> = blocks(&fs::read(path)?)
            .iter()
            .map(|(kind, size)| format!("kind {kind}: {size}"))
            .collect();
        println!("bytes in a sealed file by kind of block: {}", parts.join(", "));
    }
    drop((writer, reader));
    let clock = Instant::now();
    let _archive = Archive::open(dir.path(), "larkfield", start)?;
    println!("opened again in {:.1} ms", clock.elapsed().as_secs_f64() * 1e3);
    Ok(())
}
