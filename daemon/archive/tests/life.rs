//! An archive over its life: written, read at the same time, closed, opened again, copied, damaged.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use benchward_archive::{
    Archive, CalibrationRecord, Calibrations, ChannelRecord, CheckRecord, Cursor, Document, Error, FaultKind,
    JournalEntry, JournalQuery, Opened, Options, Order, Outcome, Phase, Query, Reader, Readings, Recording,
    Row, RunRecord, Scan, StationIx, Value, Verdict, Wall, Writer, export,
};
use serde_json::json;

/// 2026-11-25T13:00:00Z.
const START: Wall = Wall(1_795_611_600_000);

fn run_record(run: u64) -> RunRecord {
    RunRecord {
        run,
        station: "bench-1".into(),
        recipe: "AX-20 backplane".into(),
        revision: 1,
        recipe_text: "[[stage]]\ntarget_celsius = 150\n".into(),
        serial: format!("LI-{run:04}"),
        operator: "op1".into(),
        started: START,
        started_mono_ms: 1000,
        channels: ["board-top", "board-edge"]
            .map(|name| ChannelRecord {
                name: name.into(),
                input: format!("rack/{name}"),
                ..ChannelRecord::default()
            })
            .to_vec(),
        ..RunRecord::default()
    }
}

fn ended(run: u64) -> RunRecord {
    RunRecord {
        outcome: Some(Outcome::Completed),
        verdict: Verdict::Pass,
        ended: Some(START.plus_ms(100_000)),
        ended_mono_ms: Some(101_000),
        journal_first: Some(1),
        journal_last: Some(3),
        ..run_record(run)
    }
}

/// Scan `n` of a made-up run: on a converter's grid, with faults, a gap, jitter and a wall clock that steps back.
fn scan(n: u64) -> Scan {
    let count = f64::from(u32::try_from(20 * 128 + n * 3 + n * n % 17).unwrap());
    let step = if n > 700 { -3_600_000 } else { 0 };
    let mono_ms = 1000 + n * 100 + n * n % 3 + if n > 900 { 5000 } else { 0 };
    Scan {
        at: START.plus_ms(mono_ms.cast_signed() + step),
        mono_ms,
        values: vec![
            if n % 50 == 7 {
                Value::Fault(FaultKind::Open)
            } else {
                Value::Celsius(count / 128.0)
            },
            if n % 400 > 380 {
                Value::Stale
            } else {
                Value::Celsius((count * 0.77).sqrt())
            },
        ],
        heat: (f64::from(u32::try_from(n % 100).unwrap()) / 100.0).min(0.5),
        phase: if n < 500 { Phase::Ramp } else { Phase::Dwell },
        stage: Some(1),
        target_celsius: Some(150.0),
    }
}

fn append(writer: &mut Writer, station: StationIx, run: Option<u64>, scan: &Scan) {
    let row = Row {
        station,
        run,
        at: scan.at,
        mono_ms: scan.mono_ms,
        values: &scan.values,
        heat: scan.heat,
        phase: scan.phase,
        stage: scan.stage,
        target_celsius: scan.target_celsius,
    };
    writer.append(&row).unwrap();
}

fn open(dir: &Path) -> (Writer, Reader, Opened) {
    Archive::open(dir, "larkfield", START).unwrap()
}

fn rows(readings: Readings) -> Vec<Scan> {
    readings.collect::<Result<_, _>>().unwrap()
}

fn scans(range: std::ops::Range<u64>) -> Vec<Scan> {
    range.map(scan).collect()
}

/// An archive with a sealed run 1 of 1500 scans, 20 scans outside runs, a journal, a trip, a limit, a recipe, a cursor.
fn filled(dir: &Path) -> (Writer, Reader) {
    let (mut writer, reader, opened) = open(dir);
    assert_eq!((opened.next_run, opened.next_journal), (1, 1));
    assert_eq!(
        writer
            .put_recipe("AX-20 backplane", &run_record(1).recipe_text)
            .unwrap(),
        1
    );
    let station = writer.station("bench-1", &["board-top", "board-edge"]).unwrap();
    let run = writer.next_run();
    writer.journal(
        JournalEntry::new(START, 1000, "run-started", "run 1 started")
            .station("bench-1")
            .run(run)
            .who("op1"),
    );
    writer.put_run(&run_record(run)).unwrap();
    for n in 0..1500 {
        append(&mut writer, station, Some(run), &scan(n));
        if n % 100 == 0 {
            writer.tick(START);
        }
    }
    writer.journal(
        JournalEntry::new(START, 1000, "limit", "ceiling of bench-1: 180 °C")
            .station("bench-1")
            .who("safe1"),
    );
    writer.journal(
        JournalEntry::new(START, 1000, "run-ended", "run 1 completed")
            .station("bench-1")
            .run(run),
    );
    writer.put_limit("station/bench-1", 180.0);
    writer
        .put_trip("bench-1", "over-temperature", &json!({"celsius": 181.5}))
        .unwrap();
    writer.put_cursor("mqtt", &Cursor::from(2, None)).unwrap();
    writer.put_run(&ended(run)).unwrap();
    for n in 0..20 {
        append(&mut writer, station, None, &scan(n));
    }
    assert_eq!(writer.commit().unwrap(), 3);
    writer.tick(START);
    (writer, reader)
}

#[test]
fn what_goes_in_comes_out_to_the_bit_at_every_moment() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, reader, _) = open(dir.path());
    let station = writer.station("bench-1", &["board-top", "board-edge"]).unwrap();
    writer.put_run(&run_record(1)).unwrap();
    writer.commit().unwrap();
    for n in 0..1500 {
        append(&mut writer, station, Some(1), &scan(n));
        if n % 250 == 3 {
            // Partly packed, partly in memory: a reader sees every row, once.
            assert_eq!(rows(reader.readings(1).unwrap()), scans(0..n + 1), "after {n}");
            writer.tick(START);
            assert_eq!(
                rows(reader.readings(1).unwrap()),
                scans(0..n + 1),
                "after {n} and a tick"
            );
        }
    }
    assert_eq!(
        reader.readings(1).unwrap().channels()[..],
        ["board-top".to_owned(), "board-edge".to_owned()]
    );
    // Taken before the file is sealed, read after.
    let early = reader.readings(1).unwrap();
    writer.put_run(&ended(1)).unwrap();
    writer.commit().unwrap();
    assert_eq!(reader.sealed_file(1).unwrap(), None);
    writer.tick(START);
    let sealed = reader
        .sealed_file(1)
        .unwrap()
        .expect("a tick after the commit seals");
    assert_eq!(sealed, dir.path().join("runs/2026/run-000001.bwr"));
    assert_eq!(rows(early), scans(0..1500));
    assert_eq!(rows(reader.readings(1).unwrap()), scans(0..1500));
    assert_eq!(reader.check_run(1).unwrap(), []);
    assert_eq!(reader.run(1).unwrap(), ended(1));
    assert!(matches!(reader.readings(2), Err(Error::NoSuchRun(2))));

    // What comes for a run that is over is kept outside it.
    append(&mut writer, station, Some(1), &scan(3));
    assert_eq!(rows(reader.readings(1).unwrap()).len(), 1500);
    assert_eq!(
        rows(reader.loose("bench-1", Wall(i64::MIN), Wall(i64::MAX)).unwrap()),
        scans(3..4)
    );
    assert!(writer.health().ok, "{:?}", writer.health());
}

#[test]
fn channels_may_change_between_rows() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, reader, _) = open(dir.path());
    let two = writer.station("bench-1", &["board-top", "board-edge"]).unwrap();
    append(&mut writer, two, None, &scan(0));
    let one = writer.station("bench-1", &["board-top"]).unwrap();
    assert_eq!(two, one, "the same station");
    let narrow = |n| Scan {
        values: vec![scan(n).values[0]],
        ..scan(n)
    };
    append(&mut writer, one, None, &narrow(1));
    let row = scan(2);
    let wrong = Row {
        station: one,
        run: None,
        at: row.at,
        mono_ms: 0,
        values: &row.values,
        heat: 0.0,
        phase: Phase::Idle,
        stage: None,
        target_celsius: None,
    };
    let text = writer.append(&wrong).unwrap_err().to_string();
    assert_eq!(
        text,
        "station bench-1: a row with 2 values, but 1 channels are registered"
    );
    let all = |reader: &Reader| rows(reader.loose("bench-1", Wall(i64::MIN), Wall(i64::MAX)).unwrap());
    assert_eq!(all(&reader), [scan(0), narrow(1)]);
    writer.close(START).unwrap();
    assert_eq!(all(&Reader::open(dir.path()).unwrap()), [scan(0), narrow(1)]);
}

#[test]
fn readings_outside_runs_go_to_a_file_a_day() {
    const DAY: i64 = 86_400_000;
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, reader, _) = open(dir.path());
    let station = writer.station("bench 1/ö", &["board-top", "board-edge"]).unwrap();
    let on = |day: i64, n: u64| Scan {
        at: START.plus_ms(day * DAY + n.cast_signed() * 100),
        ..scan(n)
    };
    for day in 0..3 {
        for n in 0..50 {
            append(&mut writer, station, None, &on(day, n));
        }
        writer.tick(START.plus_ms(day * DAY));
    }
    for _ in 0..3 {
        writer.tick(START.plus_ms(2 * DAY));
    }
    let folder = dir.path().join("loose/2026");
    let names: Vec<_> = fs::read_dir(&folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name())
        .collect();
    assert_eq!(names.len(), 2, "two days are over: {names:?}");
    // The wall clock steps back into a day that is sealed.
    append(&mut writer, station, None, &on(0, 99));
    append(&mut writer, station, None, &on(2, 99));
    let check = |reader: &Reader| {
        let between = |from, to| {
            rows(
                reader
                    .loose("bench 1/ö", START.plus_ms(from), START.plus_ms(to))
                    .unwrap(),
            )
        };
        let mut expected: Vec<Scan> = (0..50).chain([99]).map(|n| on(0, n)).collect();
        expected.extend((0..50).map(|n| on(1, n)));
        assert_eq!(between(0, 2 * DAY), expected);
        assert_eq!(
            between(DAY + 1000, DAY + 1500),
            (10..15).map(|n| on(1, n)).collect::<Vec<_>>()
        );
        assert_eq!(between(-9000 * DAY, 0), []);
        assert_eq!(
            rows(reader.loose("bench-9", Wall(0), Wall(i64::MAX)).unwrap()),
            []
        );
    };
    check(&reader);
    writer.tick(START.plus_ms(2 * DAY));
    writer.tick(START.plus_ms(2 * DAY));
    check(&reader);
    assert!(
        folder.join("bench%201%2f%c3%b6.2026-11-25-2.bwr").exists(),
        "the sealed file stayed as it was"
    );
    writer.close(START).unwrap();
    check(&Reader::open(dir.path()).unwrap());
}

#[test]
fn everything_is_there_after_reopening() {
    let dir = tempfile::tempdir().unwrap();
    let (writer, _) = filled(dir.path());
    writer.close(START).unwrap();
    let (mut writer, reader, opened) = open(dir.path());
    assert_eq!(
        (
            opened.lost.len(),
            opened.next_run,
            opened.next_journal,
            opened.notes.len()
        ),
        (0, 2, 4, 0)
    );
    assert!(!opened.store_lost && opened.torn_bytes == 0, "{opened:?}");
    assert_eq!(
        opened.limits,
        BTreeMap::from([("station/bench-1".to_owned(), 180.0)])
    );
    assert_eq!(
        opened.trips["bench-1"]["over-temperature"],
        json!({"celsius": 181.5})
    );
    assert_eq!(rows(reader.readings(1).unwrap()), scans(0..1500));
    assert_eq!(
        rows(reader.loose("bench-1", Wall(0), Wall(i64::MAX)).unwrap()),
        scans(0..20)
    );
    assert_eq!(writer.cursor("mqtt"), Some(&Cursor::from(2, None)));
    assert_eq!(
        reader
            .runs(&Query {
                serial: Some("LI-0001".into()),
                ..Query::default()
            })
            .unwrap(),
        [ended(1)]
    );

    let text = run_record(1).recipe_text;
    assert_eq!(
        writer.put_recipe("AX-20 backplane", &text).unwrap(),
        1,
        "the same text"
    );
    assert_eq!(writer.put_recipe("AX-20 backplane", "other").unwrap(), 2);
    assert_eq!(
        writer.put_recipe("AX-20 backplane", &text).unwrap(),
        3,
        "back again is a new revision"
    );
    assert_eq!(
        writer
            .put_document(Document::Window, "AX-20 backplane", "peak")
            .unwrap(),
        1
    );
    writer.clear_trip("bench-1", "over-temperature");
    writer.commit().unwrap();
    assert_eq!(
        reader.recipe("AX-20 backplane", Some(2)).unwrap().unwrap().text,
        "other"
    );
    assert_eq!(
        reader.recipe("AX-20 backplane", None).unwrap().unwrap().revision,
        3
    );
    assert_eq!(reader.recipe("AX-20 backplane", Some(4)).unwrap(), None);
    assert_eq!(reader.recipes().unwrap().len(), 1);
    assert!(reader.trips().unwrap().is_empty());
}

#[test]
fn the_journal_holds_together_for_a_foreign_sha256() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, reader) = filled(dir.path());
    for n in 0..40 {
        let entry =
            JournalEntry::new(START, n, "note", format!("Zeile {n}\n\"°C\"")).data(json!({"n": n, "x": 0.1}));
        writer.journal(entry.station(format!("bench-{}", n % 3 + 1)));
    }
    assert_eq!(writer.commit().unwrap(), 43);
    let verified = reader.verify().unwrap();
    assert!(
        verified.ok && verified.entries == 43 && verified.first == 1,
        "{verified:?}"
    );
    assert_eq!(reader.head().unwrap().1.to_string(), writer.head());

    let query = |query| {
        reader
            .journal(&query)
            .unwrap()
            .iter()
            .map(|entry| entry.n)
            .collect::<Vec<_>>()
    };
    let newest = JournalQuery {
        order: Order::NewestFirst,
        limit: 3,
        ..JournalQuery::default()
    };
    assert_eq!(query(newest.clone()), [43, 42, 41]);
    assert_eq!(
        query(JournalQuery {
            from: Some(10),
            ..newest.clone()
        }),
        [10, 9, 8]
    );
    assert_eq!(
        query(JournalQuery {
            run: Some(1),
            ..JournalQuery::default()
        }),
        [1, 3]
    );
    assert_eq!(
        query(JournalQuery {
            run: Some(1),
            ..newest.clone()
        }),
        [3, 1]
    );
    assert_eq!(
        query(JournalQuery {
            kind: Some("limit".into()),
            ..JournalQuery::default()
        }),
        [2]
    );
    assert_eq!(
        query(JournalQuery {
            station: Some("bench-2".into()),
            from: Some(20),
            limit: 2,
            ..newest
        }),
        [20, 17]
    );

    // The chain once more with Python's hashlib, from the plain copy and from the sealed file's journal block.
    writer.tick(START);
    let script = r#"
import hashlib, json, re, sys
before = bytes(32)
known = {}
for number, line in enumerate(open(sys.argv[1], "rb"), 1):
    told, text = line.rstrip(b"\n").split(b" ", 1)
    before = hashlib.sha256(before + text).digest()
    assert before.hex() == told.decode() and json.loads(text)["n"] == number, number
    known[number] = before
print(before.hex())
sealed = open(sys.argv[2], "rb").read()
found = re.findall(rb"(\d+) ([0-9a-f]{64}) (\{.*\})\n", sealed)
assert len(found) == 2, "the entries that name the run"
for n, before, text in found:
    assert hashlib.sha256(bytes.fromhex(before.decode()) + text).digest() == known[json.loads(text)["n"]]
end = int.from_bytes(sealed[-40:-32], "little")
assert hashlib.sha256(sealed[:end]).digest() == sealed[-32:], "the sum of the sealed file"
"#;
    let output = Command::new("python3")
        .args(["-c", script])
        .arg(dir.path().join("journal/0000000001.bwj"))
        .arg(reader.sealed_file(1).unwrap().unwrap())
        .stderr(Stdio::inherit())
        .output()
        .expect("python3 is needed for this test");
    assert!(output.status.success());
    assert_eq!(String::from_utf8(output.stdout).unwrap().trim(), verified.head);
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap().map(Result::unwrap) {
        if entry.path().is_dir() {
            copy(&entry.path(), &to.join(entry.file_name()));
        } else {
            fs::copy(entry.path(), to.join(entry.file_name())).unwrap();
        }
    }
}

fn tree(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    for entry in fs::read_dir(dir).unwrap().map(Result::unwrap) {
        if entry.path().is_dir() {
            found.extend(tree(&entry.path()));
        } else {
            found.insert(entry.path(), fs::read(entry.path()).unwrap());
        }
    }
    found
}

#[test]
fn a_copy_is_read_and_stays_as_it_is() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, _) = filled(dir.path());
    // A run that goes on, half of it in the tail.
    let station = writer.station("bench-1", &["board-top", "board-edge"]).unwrap();
    writer.put_run(&run_record(2)).unwrap();
    writer.commit().unwrap();
    for n in 0..700 {
        append(&mut writer, station, Some(2), &scan(n));
    }
    writer.tick(START);
    writer.sync().unwrap();

    let text = Reader::open(dir.path()).map(|_| ()).unwrap_err().to_string();
    assert!(
        text.contains("in use by a running daemon (pid ") && text.contains("ask the daemon instead"),
        "{text}"
    );
    assert!(matches!(
        Archive::open(dir.path(), "larkfield", START),
        Err(Error::InUse { .. })
    ));

    let other = tempfile::tempdir().unwrap();
    let place = other.path().join("copy");
    copy(dir.path(), &place);
    let before = tree(&place);
    let reader = Reader::open(&place).unwrap();
    assert_eq!(reader.lab(), "larkfield");
    assert_eq!(rows(reader.readings(1).unwrap()), scans(0..1500));
    assert_eq!(rows(reader.readings(2).unwrap()), scans(0..700));
    assert_eq!(
        rows(reader.loose("bench-1", Wall(0), Wall(i64::MAX)).unwrap()),
        scans(0..20)
    );
    assert_eq!(reader.run(2).unwrap().outcome, None);
    assert!(reader.verify().unwrap().ok);
    drop(reader);
    assert_eq!(tree(&place), before);

    // Without its store, too.
    fs::remove_dir_all(place.join("store")).unwrap();
    let reader = Reader::open(&place).unwrap();
    assert_eq!(reader.run(1).unwrap(), ended(1));
    assert_eq!(rows(reader.readings(2).unwrap()), scans(0..700));
    assert_eq!(reader.verify().unwrap().entries, 3);
}

#[test]
fn a_run_without_an_end_is_lost_with_its_readings() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, _) = filled(dir.path());
    let station = writer.station("bench-1", &["board-top", "board-edge"]).unwrap();
    writer.put_run(&run_record(2)).unwrap();
    writer.commit().unwrap();
    for n in 0..900 {
        append(&mut writer, station, Some(2), &scan(n));
        if n == 650 {
            writer.tick(START);
        }
    }
    writer.sync().unwrap();
    // As a power cut would leave it; the torn record at the end of the tail included.
    let other = tempfile::tempdir().unwrap();
    let place = other.path().join("cut");
    copy(dir.path(), &place);
    let tail = fs::read_dir(place.join("tail"))
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .max()
        .unwrap();
    let mut bytes = fs::read(&tail).unwrap();
    let whole = bytes.len();
    bytes.extend([9, 0, 0, 0, 1, 2, 3]);
    fs::write(&tail, bytes).unwrap();

    let (mut writer, reader, opened) = open(&place);
    assert_eq!(
        (opened.torn_bytes, opened.recovered_rows, opened.next_run),
        (7, 300, 3)
    );
    assert_eq!(fs::read(&tail).unwrap().len(), whole, "the torn end is cut");
    let lost = &opened.lost[0];
    assert_eq!(
        (opened.lost.len(), lost.run, lost.outcome),
        (1, 2, Some(Outcome::Lost))
    );
    assert_eq!(
        (lost.ended, lost.ended_mono_ms),
        (Some(scan(899).at), Some(scan(899).mono_ms))
    );
    let peak = scans(0..900)
        .iter()
        .flat_map(|scan| &scan.values)
        .filter_map(|value| value.celsius())
        .fold(0.0, f64::max);
    assert_eq!(lost.peak_celsius, Some(peak));
    assert_eq!(reader.run(2).unwrap(), *lost);
    assert_eq!(rows(reader.readings(2).unwrap()), scans(0..900));
    // What is journalled now goes into the sealed file.
    writer.journal(JournalEntry::new(START, 0, "run-lost", "run 2 lost").run(2));
    writer.commit().unwrap();
    writer.tick(START);
    let sealed = fs::read(reader.sealed_file(2).unwrap().unwrap()).unwrap();
    assert!(sealed.windows(8).any(|bytes| bytes == b"run-lost"));
    assert_eq!(rows(reader.readings(2).unwrap()), scans(0..900));
    writer.close(START).unwrap();
    let (_writer, reader, opened) = open(&place);
    assert_eq!((opened.lost.len(), opened.recovered_rows), (0, 0));
    assert_eq!(rows(reader.readings(2).unwrap()), scans(0..900));
    assert_eq!(
        rows(reader.loose("bench-1", Wall(0), Wall(i64::MAX)).unwrap()),
        scans(0..20)
    );
}

#[test]
fn a_damaged_chunk_costs_that_chunk() {
    let dir = tempfile::tempdir().unwrap();
    let (writer, reader) = filled(dir.path());
    let path = reader.sealed_file(1).unwrap().unwrap();
    drop((writer, reader));
    let good = fs::read(&path).unwrap();
    let mut seen = [false; 4];
    for at in (16..good.len()).step_by(61) {
        let mut bad = good.clone();
        bad[at] ^= 0x20;
        fs::write(&path, &bad).unwrap();
        let reader = Reader::open(dir.path()).unwrap();
        assert_ne!(reader.check_run(1).unwrap(), [], "byte {at}");
        let (rows, damage): (Vec<_>, Vec<_>) = reader.readings(1).unwrap().partition(Result::is_ok);
        let rows: Vec<Scan> = rows.into_iter().flatten().collect();
        let missing = (0..3)
            .filter(|chunk| !rows.contains(&scan(chunk * 600)))
            .collect::<Vec<_>>();
        assert!(missing.len() <= 1 && damage.len() <= 1, "byte {at}: {missing:?}");
        let expected: Vec<Scan> = (0..1500)
            .filter(|n| !missing.contains(&(n / 600)))
            .map(scan)
            .collect();
        assert_eq!(rows, expected, "byte {at}");
        seen[missing
            .first()
            .map_or(3, |&chunk| usize::try_from(chunk).unwrap())] = true;
        let mut csv = Vec::new();
        let exported = export::csv(reader.recording(1).unwrap(), &mut csv).unwrap();
        assert_eq!(
            (exported.rows, exported.damage.len()),
            (rows.len() as u64, damage.len())
        );
    }
    assert_eq!(seen, [true; 4], "every chunk was hit, and other blocks too");
}

#[test]
fn a_changed_journal_is_told_from_outside_and_by_itself() {
    let dir = tempfile::tempdir().unwrap();
    let (writer, reader) = filled(dir.path());
    let head = reader.verify().unwrap().head;
    writer.close(START).unwrap();
    drop(reader);
    // The copy rewritten by somebody who knows SHA-256 but not the heads that were printed: no store, only this.
    let path = dir.path().join("journal/0000000001.bwj");
    let text = fs::read_to_string(&path).unwrap();
    fs::write(&path, text.replace("180 °C", "280 °C")).unwrap();
    fs::remove_dir_all(dir.path().join("store")).unwrap();
    let (_writer, reader, opened) = open(dir.path());
    assert!(
        opened
            .notes
            .iter()
            .any(|note| note.contains("does not hold together at entry 2")),
        "{:?}",
        opened.notes
    );
    let verified = reader.verify().unwrap();
    assert!(
        verified.ok && verified.entries == 1 && verified.head != head,
        "{verified:?}"
    );
}

fn calibration(offset_celsius: f64) -> CalibrationRecord {
    CalibrationRecord {
        station: "bench-1".into(),
        channel: "board-top".into(),
        input: "rack/tc1".into(),
        at: START,
        by: "safe1".into(),
        offset_celsius,
        check: Some(CheckRecord {
            method: "ice".into(),
            read_celsius: -offset_celsius,
            readings: 100,
            ..CheckRecord::default()
        }),
        due: Some(START),
        ..CalibrationRecord::default()
    }
}

#[test]
fn calibrations_have_revisions_and_the_newest_of_each_channel_counts() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, reader, _) = open(dir.path());
    assert_eq!(reader.calibrations().unwrap(), Calibrations::default());
    let edge = CalibrationRecord {
        channel: "board-edge".into(),
        check: None,
        ..calibration(0.3)
    };
    for (revision, record) in [
        (1, calibration(-0.42)),
        (1, edge.clone()),
        (2, calibration(-0.38)),
    ] {
        assert_eq!(writer.put_calibration(&record).unwrap(), revision);
    }
    writer.commit().unwrap();
    drop((writer, reader));
    let (_writer, reader, _) = open(dir.path());
    let newest: Vec<_> = reader
        .calibrations()
        .unwrap()
        .found
        .into_iter()
        .map(|one| (one.revision, one.record))
        .collect();
    assert_eq!(newest, [(1, edge), (2, calibration(-0.38))]);
    let all = reader.calibrations_of("bench-1", "board-top").unwrap();
    let offsets: Vec<_> = all
        .found
        .iter()
        .map(|one| (one.revision, one.record.offset_celsius.to_string()))
        .collect();
    assert_eq!(offsets, [(1, "-0.42".to_owned()), (2, "-0.38".to_owned())]);
    assert_eq!(reader.calibrations_of("bench-1", "board").unwrap().found, []);
}

#[test]
fn a_lost_store_is_filled_up_from_the_files() {
    for way in ["removed", "conf ruined", "log ruined", "log cut", "rebuilt"] {
        let dir = tempfile::tempdir().unwrap();
        let (mut writer, reader) = filled(dir.path());
        writer.put_run(&run_record(2)).unwrap();
        writer
            .put_document(Document::Window, "AX-20 / peak", "peak = 1")
            .unwrap();
        writer
            .put_document(Document::Window, "AX-20 / peak", "peak = 2")
            .unwrap();
        writer.put_calibration(&calibration(-0.42)).unwrap();
        writer.commit().unwrap();
        writer.tick(START);
        let verified = reader.verify().unwrap();
        drop(reader);
        // As a crash would leave it: with run 2 not ended.
        let other = tempfile::tempdir().unwrap();
        let place = other.path().join("crashed");
        copy(dir.path(), &place);
        writer.close(START).unwrap();
        let store = place.join("store");
        let mut told = Opened::default();
        match way {
            "removed" => fs::remove_dir_all(&store).unwrap(),
            "conf ruined" => fs::write(store.join("conf"), [0x5a; 100]).unwrap(),
            "log ruined" => fs::write(store.join("db"), vec![0x5a; 100_000]).unwrap(),
            "log cut" => {
                for entry in fs::read_dir(&store).unwrap().map(|entry| entry.unwrap().path()) {
                    if entry.file_name().unwrap().to_string_lossy().starts_with("snap.") {
                        fs::remove_file(entry).unwrap();
                    }
                }
                let log = fs::OpenOptions::new().write(true).open(store.join("db")).unwrap();
                log.set_len(log.metadata().unwrap().len() / 50).unwrap();
            }
            _ => told = Archive::rebuild(&place, START).unwrap(),
        }
        let (_writer, reader, opened) = open(&place);
        if way != "rebuilt" {
            told = opened.clone();
        }
        assert!(told.store_lost && !told.notes.is_empty(), "{way}: {told:?}");
        assert_eq!(
            (told.lost.len(), opened.next_run, opened.next_journal),
            (1, 3, 4),
            "{way}: {told:?}"
        );
        assert_eq!(
            opened.trips["bench-1"]["over-temperature"],
            json!({"celsius": 181.5}),
            "{way}"
        );
        assert_eq!(
            opened.limits["station/bench-1"].to_bits(),
            180_f64.to_bits(),
            "{way}"
        );
        assert_eq!(reader.run(1).unwrap(), ended(1), "{way}");
        assert_eq!(reader.run(2).unwrap().recipe, "AX-20 backplane", "{way}");
        assert_eq!(rows(reader.readings(1).unwrap()), scans(0..1500), "{way}");
        let window = |revision| {
            reader
                .document(Document::Window, "AX-20 / peak", revision)
                .unwrap()
                .unwrap()
        };
        assert_eq!(
            (window(None).revision, window(Some(1)).text),
            (2, "peak = 1".to_owned()),
            "{way}"
        );
        let calibrations = reader.calibrations().unwrap().found;
        assert_eq!(calibrations.len(), 1, "{way}");
        assert_eq!(calibrations[0].record, calibration(-0.42), "{way}");
        let again = reader.verify().unwrap();
        assert_eq!(
            (again.ok, again.entries, &again.head),
            (true, 3, &verified.head),
            "{way}"
        );
        assert_eq!(
            reader
                .runs(&Query {
                    operator: Some("op1".into()),
                    ..Query::default()
                })
                .unwrap()
                .len(),
            2,
            "{way}"
        );
        let recipe = reader.recipe("AX-20 backplane", None).unwrap();
        assert_eq!(
            recipe.map(|recipe| (recipe.revision, recipe.text)),
            Some((1, run_record(1).recipe_text)),
            "{way}"
        );
    }
}

#[test]
fn an_unusable_directory_is_refused_with_place_reason_and_fix() {
    let dir = tempfile::tempdir().unwrap();
    let refused = |path: &Path| {
        Archive::open(path, "larkfield", START)
            .map(|_| ())
            .unwrap_err()
            .to_string()
    };

    let file = dir.path().join("file");
    fs::write(&file, "").unwrap();
    let text = refused(&file);
    assert!(
        text.contains(&file.display().to_string()) && text.contains("hint: "),
        "{text}"
    );

    let newer = dir.path().join("newer");
    fs::create_dir(&newer).unwrap();
    fs::write(newer.join("archive.json"), r#"{"format": 3, "lab": "larkfield"}"#).unwrap();
    assert!(refused(&newer).contains("has format 3; this version knows formats up to 2"));
    assert!(!newer.join("store").exists(), "nothing was touched");
    assert!(matches!(Reader::open(&newer), Err(Error::NewerFormat { .. })));
    assert!(matches!(Reader::open(dir.path()), Err(Error::NotAnArchive(_))));
    assert!(matches!(
        Archive::rebuild(dir.path(), START),
        Err(Error::NotAnArchive(_))
    ));

    let odd = dir.path().join("odd");
    fs::create_dir(&odd).unwrap();
    fs::write(odd.join("archive.json"), "rubbish").unwrap();
    assert!(refused(&odd).contains("archive.json at byte 0"));
}

#[test]
fn exports_say_what_was_recorded() {
    let dir = tempfile::tempdir().unwrap();
    let (_writer, reader) = filled(dir.path());
    let mut out = Vec::new();
    assert_eq!(
        export::csv(reader.recording(1).unwrap(), &mut out).unwrap().rows,
        1500
    );
    let text = String::from_utf8(out).unwrap();
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(lines.len(), 1501);
    assert_eq!(
        lines[0],
        "time,elapsed_s,board-top_celsius,board-edge_celsius,heat,phase,stage,target_celsius,board-top_quality,board-edge_quality"
    );
    assert!(
        lines[1].starts_with("2026-11-25T13:00:01.000Z,0,20,"),
        "{}",
        lines[1]
    );
    assert!(lines[1].ends_with(",0,ramp,1,150,good,good"), "{}", lines[1]);
    assert!(
        lines[8].contains(",0.701,,") && lines[8].ends_with(",open,good"),
        "{}",
        lines[8]
    );
    for (line, scan) in lines[1..].iter().zip(scans(0..1500)) {
        let fields: Vec<&str> = line.split(',').collect();
        assert_eq!(fields[0].parse(), Ok(scan.at));
        for (field, value) in fields[2..4].iter().zip(&scan.values) {
            assert_eq!(
                field.parse().ok().map(f64::to_bits),
                value.celsius().map(f64::to_bits)
            );
        }
    }
    let mut out = Vec::new();
    assert_eq!(
        export::jsonl(reader.recording(1).unwrap(), &mut out)
            .unwrap()
            .rows,
        1500
    );
    let first: serde_json::Value =
        serde_json::from_slice(out.split(|&byte| byte == b'\n').next().unwrap()).unwrap();
    assert_eq!(
        first["channels"]["board-top"],
        json!({"celsius": 20.0, "quality": "good"})
    );
    assert_eq!(
        (&first["phase"], &first["elapsed_s"]),
        (&json!("ramp"), &json!(0.0))
    );
    assert!(matches!(reader.recording(9), Err(Error::NoSuchRun(9))));
}

/// What another process is handed of a run: nothing yet, in the tail only, in both, sealed.
#[test]
fn a_run_is_handed_over_as_a_file() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, reader, _) = open(dir.path());
    let station = writer.station("bench-1", &["board-top", "board-edge"]).unwrap();
    writer.put_run(&run_record(1)).unwrap();
    writer.commit().unwrap();
    let check = |rows: u64, record: &RunRecord| {
        let name = Path::new("run 1");
        let mut handed = Recording::of_file(name, reader.run_file(1).unwrap()).unwrap();
        assert_eq!(handed.record(), record);
        assert_eq!(handed.channels(), ["board-top", "board-edge"]);
        let mut found = Vec::new();
        while let Some(block) = handed.next_block() {
            found.extend(block.unwrap().scans);
        }
        assert_eq!(found, scans(0..rows));
    };
    check(0, &run_record(1));
    for n in 0..3000 {
        append(&mut writer, station, Some(1), &scan(n));
        match n {
            // More than a chunk in the tail and no file.
            1299 => check(1300, &run_record(1)),
            // Some of it packed.
            1300 => writer.tick(START),
            1301 => check(1302, &run_record(1)),
            _ => {}
        }
    }
    writer.put_run(&ended(1)).unwrap();
    check(3000, &run_record(1));
    writer.commit().unwrap();
    check(3000, &ended(1));
    writer.tick(START);
    assert!(reader.sealed_file(1).unwrap().is_some());
    check(3000, &ended(1));

    assert!(matches!(reader.run_file(9), Err(Error::NoSuchRun(9))));
    let rubbish = dir.path().join("rubbish");
    for text in ["", "rubbish"] {
        fs::write(&rubbish, text).unwrap();
        let refused = Recording::of_file(&rubbish, fs::File::open(&rubbish).unwrap())
            .err()
            .unwrap();
        assert!(refused.to_string().contains("rubbish at byte 0"), "{refused}");
    }
}

#[test]
fn readings_go_on_while_the_board_cools_and_a_decided_outcome_stands() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, reader, _) = open(dir.path());
    let station = writer.station("bench-1", &["board-top", "board-edge"]).unwrap();
    for run in [1, 2] {
        writer.put_run(&run_record(run)).unwrap();
    }
    append(&mut writer, station, Some(1), &scan(0));
    let cooling = RunRecord {
        outcome: Some(Outcome::Tripped),
        ..run_record(1)
    };
    writer.put_run(&cooling).unwrap();
    writer.commit().unwrap();
    writer.tick(START);
    append(&mut writer, station, Some(1), &scan(1));
    writer.sync().unwrap();
    assert_eq!(rows(reader.readings(1).unwrap()), scans(0..2));
    assert_eq!(reader.sealed_file(1).unwrap(), None);
    assert_eq!(
        reader
            .runs(&Query {
                outcome: Some(Outcome::Tripped),
                ..Query::default()
            })
            .unwrap(),
        [cooling]
    );

    let other = tempfile::tempdir().unwrap();
    let place = other.path().join("crashed");
    copy(dir.path(), &place);
    let (_writer, reader, opened) = open(&place);
    let outcomes: Vec<_> = opened
        .lost
        .iter()
        .map(|run| (run.run, run.outcome, run.ended))
        .collect();
    assert_eq!(
        outcomes,
        [
            (1, Some(Outcome::Tripped), Some(scan(1).at)),
            (2, Some(Outcome::Lost), Some(START))
        ]
    );
    assert_eq!(rows(reader.readings(1).unwrap()), scans(0..2));
}

#[test]
fn an_end_that_is_on_the_disk_has_its_last_readings() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, _, _) = open(dir.path());
    let station = writer.station("bench-1", &["board-top", "board-edge"]).unwrap();
    writer.put_run(&run_record(1)).unwrap();
    for n in 0..30 {
        append(&mut writer, station, Some(1), &scan(n));
    }
    writer.put_run(&ended(1)).unwrap();
    writer.commit().unwrap();
    // Killed before any tick.
    let other = tempfile::tempdir().unwrap();
    let place = other.path().join("killed");
    copy(dir.path(), &place);
    let (mut writer, reader, opened) = open(&place);
    assert_eq!((opened.lost.len(), opened.recovered_rows), (0, 30));
    writer.tick(START);
    assert!(
        reader.sealed_file(1).unwrap().is_some(),
        "what was to be sealed is sealed"
    );
    assert_eq!(rows(reader.readings(1).unwrap()), scans(0..30));
    assert_eq!(reader.run(1).unwrap(), ended(1));
}

#[test]
fn what_is_sealed_is_never_written_over() {
    let dir = tempfile::tempdir().unwrap();
    let (writer, reader) = filled(dir.path());
    let path = reader.sealed_file(1).unwrap().unwrap();
    let before = fs::read(&path).unwrap();
    writer.close(START).unwrap();

    // A later change of the record is the store's alone.
    let (mut writer, reader, _) = open(dir.path());
    let noted = RunRecord {
        notes: "reworked".into(),
        verdict: Verdict::Fail,
        ..ended(1)
    };
    writer.put_run(&noted).unwrap();
    writer.commit().unwrap();
    writer.tick(START);
    assert_eq!(reader.run(1).unwrap(), noted);
    assert_eq!(
        reader
            .runs(&Query {
                verdict: Some(Verdict::Fail),
                ..Query::default()
            })
            .unwrap(),
        [noted]
    );
    assert_eq!(
        reader
            .runs(&Query {
                verdict: Some(Verdict::Pass),
                ..Query::default()
            })
            .unwrap(),
        []
    );
    assert_eq!(fs::read(&path).unwrap(), before);

    // Nor does another run's file ever take its place.
    fs::write(dir.path().join("runs/2026/run-000002.bwr"), "somebody's").unwrap();
    writer.put_run(&run_record(2)).unwrap();
    writer.commit().unwrap();
    writer.put_run(&ended(2)).unwrap();
    writer.commit().unwrap();
    writer.tick(START);
    assert!(
        writer.health().text.contains("run-000002.bwr"),
        "{:?}",
        writer.health()
    );
    assert_eq!(
        fs::read(dir.path().join("runs/2026/run-000002.bwr")).unwrap(),
        b"somebody's"
    );
}

/// Run 1 with 700 rows, 600 of them packed, ended and committed, not yet sealed.
fn about_to_seal(dir: &Path) -> (Writer, Reader) {
    let (mut writer, reader, _) = open(dir);
    let station = writer.station("bench-1", &["board-top", "board-edge"]).unwrap();
    writer.put_run(&run_record(1)).unwrap();
    writer.commit().unwrap();
    for n in 0..700 {
        append(&mut writer, station, Some(1), &scan(n));
    }
    writer.tick(START);
    writer.journal(JournalEntry::new(START, 0, "run-ended", "run 1 completed").run(1));
    writer.put_run(&ended(1)).unwrap();
    writer.commit().unwrap();
    (writer, reader)
}

/// What a kill leaves when it comes while the file of a run is begun.
#[test]
fn a_run_file_torn_at_its_beginning_is_begun_again() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, _) = filled(dir.path());
    writer.put_run(&run_record(2)).unwrap();
    writer.commit().unwrap();
    writer.tick(START);
    let other = tempfile::tempdir().unwrap();
    let whole = fs::read(dir.path().join("open/run-000002.bwr")).unwrap();
    for length in (0..whole.len()).filter(|length| *length < 40 || length % 50 == 0) {
        let place = other.path().join(format!("torn-{length}"));
        copy(dir.path(), &place);
        fs::write(place.join("open/run-000002.bwr"), &whole[..length]).unwrap();
        let (writer, reader, opened) = open(&place);
        assert_eq!(
            (opened.notes, opened.torn_bytes > 0),
            (vec![], length > 0),
            "cut to {length}"
        );
        assert_eq!(
            reader.run(2).unwrap().outcome,
            Some(Outcome::Lost),
            "cut to {length}"
        );
        writer.close(START).unwrap();
        assert!(reader.sealed_file(2).unwrap().is_some(), "cut to {length}");
    }
}

/// A kill between the names of new channels and the chunk that has them: the names are cut off with it, and have to be written again.
#[test]
fn the_first_chunk_of_other_channels_torn_at_any_byte_is_written_again() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, _, _) = open(dir.path());
    let station = writer.station("bench-1", &["board-top", "board-edge"]).unwrap();
    // Its record names other channels than its rows have.
    writer
        .put_run(&RunRecord {
            channels: Vec::new(),
            ..run_record(1)
        })
        .unwrap();
    writer.commit().unwrap();
    writer.tick(START);
    for n in 0..700 {
        append(&mut writer, station, Some(1), &scan(n));
    }
    writer.sync().unwrap();
    let other = tempfile::tempdir().unwrap();
    let before = other.path().join("before");
    copy(dir.path(), &before);
    let open_file = "open/run-000001.bwr";
    let from = fs::metadata(before.join(open_file)).unwrap().len();
    writer.tick(START);
    let whole = fs::read(dir.path().join(open_file)).unwrap();
    for length in (usize::try_from(from).unwrap()..whole.len()).step_by(29) {
        let place = other.path().join(format!("torn-{length}"));
        copy(&before, &place);
        fs::write(place.join(open_file), &whole[..length]).unwrap();
        let (writer, reader, opened) = open(&place);
        assert_eq!(opened.notes, [""; 0], "cut to {length}");
        // Before it is sealed: sealing writes the names once more.
        assert_eq!(
            rows(reader.readings(1).unwrap()),
            scans(0..700),
            "cut to {length}"
        );
        writer.close(START).unwrap();
        assert_eq!(
            rows(reader.readings(1).unwrap()),
            scans(0..700),
            "cut to {length}"
        );
    }
}

/// The tail fails at the moment at which a run ends: its last readings go into its file instead.
#[test]
fn the_last_readings_of_a_run_survive_a_tail_that_fails() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, _, _) = open(dir.path());
    let station = writer.station("bench-1", &["board-top", "board-edge"]).unwrap();
    writer.put_run(&run_record(1)).unwrap();
    writer.commit().unwrap();
    fs::remove_dir_all(dir.path().join("tail")).unwrap();
    for n in 0..700 {
        append(&mut writer, station, Some(1), &scan(n));
    }
    writer.put_run(&ended(1)).unwrap();
    writer.commit().unwrap();
    // As a kill would leave it.
    let other = tempfile::tempdir().unwrap();
    let place = other.path().join("killed");
    copy(dir.path(), &place);
    let (_writer, reader, _) = open(&place);
    assert_eq!(rows(reader.readings(1).unwrap()), scans(0..700));
}

#[test]
fn sealing_torn_at_any_byte_is_done_again() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, reader) = about_to_seal(dir.path());
    let other = tempfile::tempdir().unwrap();
    let before = other.path().join("before");
    copy(dir.path(), &before);
    writer.tick(START);
    let sealed = fs::read(reader.sealed_file(1).unwrap().unwrap()).unwrap();
    let open_length = fs::metadata(before.join("open/run-000001.bwr")).unwrap().len();
    let lengths = (usize::try_from(open_length).unwrap()..sealed.len())
        .step_by(83)
        .chain([sealed.len()]);
    for length in lengths {
        let place = other.path().join(format!("torn-{length}"));
        copy(&before, &place);
        fs::write(place.join("open/run-000001.bwr"), &sealed[..length]).unwrap();
        let (mut writer, reader, opened) = open(&place);
        assert!(
            opened.lost.is_empty() && opened.notes.is_empty(),
            "cut to {length}: {opened:?}"
        );
        writer.tick(START);
        let path = reader.sealed_file(1).unwrap().expect("sealed again");
        assert_eq!(fs::read(path).unwrap(), sealed, "cut to {length}");
        assert_eq!(
            rows(reader.readings(1).unwrap()),
            scans(0..700),
            "cut to {length}"
        );
    }
}

#[test]
fn sealing_that_fails_at_its_last_step_is_done_again() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, reader) = about_to_seal(dir.path());
    // A file where the year's directory should be: everything is written but the final name.
    let year = dir.path().join("runs/2026");
    fs::write(&year, "").unwrap();
    writer
        .put_run(&RunRecord {
            notes: "long ".repeat(2000),
            ..ended(1)
        })
        .unwrap();
    writer.commit().unwrap();
    writer.tick(START);
    assert!(
        writer.health().text.contains("runs/2026"),
        "{:?}",
        writer.health()
    );
    assert_eq!(rows(reader.readings(1).unwrap()), scans(0..700));
    fs::remove_file(&year).unwrap();
    writer.put_run(&ended(1)).unwrap();
    writer.commit().unwrap();
    writer.tick(START);
    assert_eq!(reader.check_run(1).unwrap(), []);
    assert_eq!(rows(reader.readings(1).unwrap()), scans(0..700));
    writer.tick(START);
    assert!(writer.health().ok, "{:?}", writer.health());
}

#[test]
fn a_store_that_is_older_than_the_files_is_filled_up() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, reader) = filled(dir.path());
    let other = tempfile::tempdir().unwrap();
    let older = other.path().join("older");
    copy(&dir.path().join("store"), &older);
    // From here on, only the journal grows, and a run is sealed.
    writer.put_run(&run_record(2)).unwrap();
    writer.put_run(&ended(2)).unwrap();
    for n in 0..10 {
        writer.journal(JournalEntry::new(START, n, "note", "later").run(2));
    }
    writer.commit().unwrap();
    writer.tick(START);
    let head = reader.verify().unwrap().head;
    writer.close(START).unwrap();
    fs::remove_dir_all(dir.path().join("store")).unwrap();
    copy(&older, &dir.path().join("store"));

    let (mut writer, reader, opened) = open(dir.path());
    assert!(
        opened.store_lost && opened.notes[0].contains("its journal ends at entry 3"),
        "{:?}",
        opened.notes
    );
    assert_eq!(
        (opened.next_journal, opened.next_run, &opened.head),
        (14, 3, &head)
    );
    assert_eq!(reader.run(2).unwrap(), ended(2));
    let next = writer.journal(JournalEntry::new(START, 0, "note", "goes on"));
    assert_eq!((next, writer.commit().unwrap()), (14, 14));
    let verified = reader.verify().unwrap();
    assert!(verified.ok && verified.entries == 14, "{verified:?}");
}

/// A reader in another thread, while runs and days are sealed under its eyes as fast as it goes.
#[test]
fn a_reader_sees_every_row_once_while_files_are_sealed() {
    let dir = tempfile::tempdir().unwrap();
    let options = Options {
        loose_days: 3_650,
        ..Options::default()
    };
    let (mut writer, reader, _) = Archive::open_with(dir.path(), "larkfield", START, &options).unwrap();
    let station = writer.station("bench-1", &["board-top", "board-edge"]).unwrap();
    let other = writer.station("bench-2", &["board-top", "board-edge"]).unwrap();
    let numbered = |n: u64| Scan {
        at: START.plus_ms(n.cast_signed() * 86_400_000 / 7),
        mono_ms: n,
        ..scan(n % 600)
    };
    writer.put_run(&run_record(1)).unwrap();
    writer.commit().unwrap();
    let done = std::sync::atomic::AtomicBool::new(false);
    let order = std::sync::atomic::Ordering::SeqCst;
    std::thread::scope(|scope| {
        let watcher = scope.spawn(|| {
            let (mut looks, mut most) = (0, 0);
            while !done.load(order) {
                for readings in [
                    reader.loose("bench-2", Wall(0), Wall(i64::MAX)).unwrap(),
                    reader.readings(1).unwrap(),
                ] {
                    let found = rows(readings);
                    for (n, scan) in (0..).zip(&found) {
                        assert_eq!(scan.mono_ms, n, "of {}", found.len());
                    }
                    most = most.max(found.len());
                }
                looks += 1;
            }
            (looks, most)
        });
        for n in 0..1400 {
            append(&mut writer, station, Some(1), &numbered(n));
            append(&mut writer, other, None, &numbered(n));
            writer.tick(numbered(n).at);
        }
        writer.put_run(&ended(1)).unwrap();
        writer.commit().unwrap();
        writer.tick(START);
        done.store(true, order);
        let (looks, most) = watcher.join().unwrap();
        assert!(looks > 0 && most > 0, "{looks} looks, {most} rows");
    });
    assert!(reader.sealed_file(1).unwrap().is_some());
    assert_eq!(
        rows(reader.loose("bench-2", Wall(0), Wall(i64::MAX)).unwrap()).len(),
        1400
    );
}

#[test]
fn a_run_that_only_the_tail_knows_is_lost_not_forgotten() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, _) = filled(dir.path());
    let station = writer.station("bench-1", &["board-top", "board-edge"]).unwrap();
    for n in 0..10 {
        append(&mut writer, station, Some(5), &scan(n));
    }
    writer.sync().unwrap();
    let other = tempfile::tempdir().unwrap();
    let place = other.path().join("killed");
    copy(dir.path(), &place);
    fs::remove_dir_all(place.join("store")).unwrap();
    let (_writer, reader, opened) = open(&place);
    let lost: Vec<_> = opened
        .lost
        .iter()
        .map(|run| (run.run, run.station.as_str(), run.started))
        .collect();
    assert_eq!(lost, [(5, "bench-1", scan(0).at)]);
    assert_eq!(opened.next_run, 6);
    assert_eq!(rows(reader.readings(5).unwrap()), scans(0..10));
    assert_eq!(reader.run(5).unwrap().outcome, Some(Outcome::Lost));
}
