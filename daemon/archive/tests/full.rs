//! A disk that fills up, and is freed again. Needs root, to mount a small file system in memory; says so and passes otherwise.

use std::fs;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use benchward_archive::{
    Archive, JournalEntry, Options, Outcome, Phase, Reader, Row, RunRecord, StationIx, Value, Wall, Writer,
};

const START: Wall = Wall(1_795_611_600_000);

/// A file system in memory, unmounted at the end.
struct Small(tempfile::TempDir);

impl Small {
    fn mount(megabytes: u32) -> Option<Self> {
        let dir = tempfile::tempdir().unwrap();
        let size = format!("size={megabytes}m");
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &size, "tmpfs"])
            .arg(dir.path())
            .output();
        match mounted {
            Ok(output) if output.status.success() => Some(Self(dir)),
            Ok(output) => {
                println!(
                    "skipped: cannot mount: {}",
                    String::from_utf8_lossy(&output.stderr).trim()
                );
                None
            }
            Err(error) => {
                println!("skipped: cannot run mount: {error}");
                None
            }
        }
    }
}

impl Drop for Small {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(self.0.path()).status();
    }
}

fn append(writer: &mut Writer, station: StationIx, run: Option<u64>, n: u64) {
    // Noise in all bits, so that chunks stay large.
    let noise = |n: u64| {
        Value::Celsius(f64::from_bits(
            0x4050_0000_0000_0000 | (n.wrapping_mul(0x9e37_79b9_7f4a_7c15) >> 12),
        ))
    };
    let values = [noise(n), noise(n ^ 0xabcd), noise(n ^ 0x1234_5678), noise(!n)];
    let row = Row {
        station,
        run,
        at: START.plus_ms(n.cast_signed() * 100),
        mono_ms: n * 100,
        values: &values,
        heat: 0.5,
        phase: Phase::Dwell,
        stage: Some(1),
        target_celsius: Some(200.0),
    };
    writer.append(&row).unwrap();
}

fn fill(path: &Path) {
    let mut block = vec![0x55_u8; 1 << 20];
    let mut file = fs::File::create(path).unwrap();
    while !block.is_empty() {
        if std::io::Write::write_all(&mut file, &block).is_err() {
            block.truncate(block.len() / 2);
        }
    }
}

#[test]
fn a_full_disk_loses_no_journal_entry_and_no_row_of_a_run() {
    let Some(small) = Small::mount(48) else { return };
    let dir = small.0.path().join("archive");
    let filler = small.0.path().join("filler");
    let options = Options {
        reserve_bytes: 6 << 20,
        ..Options::default()
    };
    let (mut writer, reader, _) = Archive::open_with(&dir, "larkfield", START, &options).unwrap();
    let station = writer.station("bench-1", &["a", "b", "c", "d"]).unwrap();
    let other = writer.station("bench-2", &["a", "b", "c", "d"]).unwrap();
    let run = writer.next_run();
    writer
        .put_run(&RunRecord {
            run,
            station: "bench-1".into(),
            started: START,
            ..RunRecord::default()
        })
        .unwrap();
    writer.commit().unwrap();

    let (mut rows, mut entries, mut failed) = (0, 0, 0);
    let mut work = |writer: &mut Writer, rounds: u64| {
        for _ in 0..rounds {
            for _ in 0..50 {
                append(writer, station, Some(run), rows);
                append(writer, other, None, rows);
                rows += 1;
            }
            entries += 1;
            writer.journal(JournalEntry::new(START, rows, "note", "x".repeat(2000)));
            failed += u32::from(writer.commit().is_err());
            writer.tick(START);
        }
        (rows, entries)
    };
    work(&mut writer, 20);
    assert!(writer.health().ok, "{:?}", writer.health());
    fill(&filler);
    std::thread::sleep(Duration::from_millis(1100));
    // Far more than what sled still has room for in its open segment, and than what the tail may hold.
    work(&mut writer, 600);
    let ill = writer.health();
    assert!(
        !ill.ok && !ill.text.is_empty() && ill.pending_journal > 0 && ill.dropped_rows > 0,
        "{ill:?}"
    );
    fs::remove_file(&filler).unwrap();

    let patience = Instant::now();
    while !writer.health().ok {
        writer.tick(START);
        assert!(
            patience.elapsed() < Duration::from_mins(1),
            "still ill: {:?}",
            writer.health()
        );
        std::thread::sleep(Duration::from_millis(20));
    }
    let (rows, entries) = work(&mut writer, 5);
    assert_eq!(writer.commit().unwrap(), entries);
    assert!(failed > 0, "the disk was never full");
    let check = |reader: &Reader| {
        let verified = reader.verify().unwrap();
        assert!(verified.ok && verified.entries == entries, "{verified:?}");
        let mut found = 0;
        for scan in reader.readings(run).unwrap() {
            assert_eq!(scan.unwrap().mono_ms, found * 100);
            found += 1;
        }
        assert_eq!(found, rows);
    };
    check(&reader);
    writer
        .put_run(&RunRecord {
            run,
            outcome: Some(Outcome::Stopped),
            ended: Some(Wall(0)),
            started: START,
            ..RunRecord::default()
        })
        .unwrap();
    writer.close(START).unwrap();
    let reader = Reader::open(&dir).unwrap();
    check(&reader);
    assert_eq!(reader.check_run(run).unwrap(), []);
    assert!(reader.sealed_file(run).unwrap().is_some());
}

#[test]
fn sealing_on_a_full_disk_is_made_up_for() {
    let Some(small) = Small::mount(16) else { return };
    let dir = small.0.path().join("archive");
    let filler = small.0.path().join("filler");
    let (mut writer, reader, _) = Archive::open_with(
        &dir,
        "larkfield",
        START,
        &Options {
            reserve_bytes: 1 << 20,
            ..Options::default()
        },
    )
    .unwrap();
    let station = writer.station("bench-1", &["a", "b", "c", "d"]).unwrap();
    let run = writer.next_run();
    let record = RunRecord {
        run,
        station: "bench-1".into(),
        started: START,
        ..RunRecord::default()
    };
    writer.put_run(&record).unwrap();
    writer.commit().unwrap();
    for n in 0..1000 {
        append(&mut writer, station, Some(run), n);
    }
    writer
        .put_run(&RunRecord {
            outcome: Some(Outcome::Stopped),
            ended: Some(Wall(0)),
            ..record
        })
        .unwrap();
    writer.commit().unwrap();
    fill(&filler);
    for _ in 0..10 {
        writer.tick(START);
    }
    assert_eq!(reader.sealed_file(run).unwrap(), None, "there was no room for it");
    assert_eq!(reader.readings(run).unwrap().count(), 1000);
    fs::remove_file(&filler).unwrap();
    let patience = Instant::now();
    while reader.sealed_file(run).unwrap().is_none() {
        writer.tick(START);
        assert!(
            patience.elapsed() < Duration::from_mins(1),
            "not sealed: {:?}",
            writer.health()
        );
        std::thread::sleep(Duration::from_millis(20));
    }
    assert_eq!(reader.check_run(run).unwrap(), []);
    assert_eq!(reader.readings(run).unwrap().flatten().count(), 1000);
}

/// A month of a bench that is read all day, on a disk that has room for a third of it.
#[test]
fn a_small_disk_is_never_filled_by_readings_outside_runs() {
    const DAYS: u64 = 30;
    const ROWS_A_DAY: u64 = 4_000;
    let Some(small) = Small::mount(12) else { return };
    let dir = small.0.path().join("archive");
    let options = Options {
        reserve_bytes: 9 << 20,
        loose_days: 3_650,
    };
    let (mut writer, reader, _) = Archive::open_with(&dir, "larkfield", START, &options).unwrap();
    let station = writer.station("bench-1", &["a", "b", "c", "d"]).unwrap();
    let mut least = u64::MAX;
    let mut notes = Vec::new();
    let mut run_rows = 0;
    for day in 0..DAYS {
        let at = |n: u64| START.plus_ms((day * 86_400_000 + n * 20_000).cast_signed());
        // A run in the first week: it stays, whatever goes.
        let run = (day == 3).then(|| writer.next_run());
        if let Some(run) = run {
            let record = RunRecord {
                run,
                station: "bench-1".into(),
                started: at(0),
                ..RunRecord::default()
            };
            writer.put_run(&record).unwrap();
        }
        for n in 0..ROWS_A_DAY {
            let in_run = run.filter(|_| n < 1_000);
            run_rows += u64::from(in_run.is_some());
            let noise = |salt: u64| {
                let bits = (day * ROWS_A_DAY + n).wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ salt;
                Value::Celsius(f64::from_bits(0x4050_0000_0000_0000 | (bits >> 12)))
            };
            let row = Row {
                station,
                run: in_run,
                at: at(n),
                mono_ms: day * 86_400_000 + n * 20_000,
                values: &[noise(0), noise(0xabcd), noise(0x1234_5678), noise(0xffff)],
                heat: 0.0,
                phase: Phase::Idle,
                stage: None,
                target_celsius: None,
            };
            writer.append(&row).unwrap();
            if n % 500 == 0 {
                writer.commit().unwrap();
                writer.tick(at(n));
            }
        }
        if let Some(run) = run {
            let record = RunRecord {
                run,
                station: "bench-1".into(),
                started: at(0),
                ended: Some(at(1_000)),
                outcome: Some(Outcome::Completed),
                ..RunRecord::default()
            };
            writer.put_run(&record).unwrap();
        }
        // A day lasts long enough for a look or two at the disk.
        if day % 4 == 3 {
            std::thread::sleep(Duration::from_millis(1_050));
            writer.tick(at(ROWS_A_DAY));
        }
        notes.extend(writer.notes());
        least = least.min(writer.health().free_bytes);
        assert!(
            !writer.health().text.contains("store failed"),
            "{:?}",
            writer.health()
        );
    }
    let now = START.plus_ms((DAYS * 86_400_000).cast_signed());
    std::thread::sleep(Duration::from_millis(1_050));
    for _ in 0..20 {
        writer.tick(now);
    }
    notes.extend(writer.notes());
    println!("at least {} KiB were free; {notes:?}", least >> 10);
    assert!(
        least > 5 << 20,
        "{least} bytes were free at one time: the disk nearly filled up"
    );
    assert!(
        notes
            .iter()
            .any(|note| note.contains("files of readings outside runs")),
        "what was removed is said: {notes:?}"
    );
    let count = |from: u64, to: u64| {
        let at = |day: u64| START.plus_ms((day * 86_400_000).cast_signed());
        let readings = reader.loose("bench-1", at(from), at(to)).unwrap();
        readings.map(Result::unwrap).count()
    };
    assert_eq!(count(0, 8), 0, "the oldest went first");
    assert!(count(DAYS - 3, DAYS) > 6_000, "the newest are there");
    let kept = reader.readings(1).unwrap().map(Result::unwrap).count();
    assert_eq!(kept as u64, run_rows, "a run stays as it is");
}
