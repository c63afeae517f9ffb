//! Readings in order behind a cursor: while they wait, are packed, sealed, removed, and after a crash.

use std::collections::BTreeMap;
use std::path::Path;

use benchward_archive::{
    Archive, Cursor, Options, Outcome, Phase, Reader, Row, RunRecord, Series, StationIx, Value, Wall, Writer,
};

/// 2026-11-25T10:00:00Z.
const START: Wall = Wall(1_795_600_800_000);
const DAY_MS: i64 = 86_400_000;

fn open(root: &Path, now: Wall) -> (Writer, Reader) {
    let (writer, reader, _) = Archive::open(root, "larkfield", now).unwrap();
    (writer, reader)
}

fn append(writer: &mut Writer, station: StationIx, run: Option<u64>, n: u64, from: Wall) {
    let celsius = f64::from(u32::try_from(n).unwrap()) / 8.0;
    writer
        .append(&Row {
            station,
            run,
            at: from.plus_ms(n.cast_signed() * 100),
            mono_ms: n * 100,
            values: &[Value::Celsius(celsius)],
            heat: 0.0,
            phase: Phase::Ramp,
            stage: None,
            target_celsius: None,
        })
        .unwrap();
}

fn record(run: u64, station: &str) -> RunRecord {
    RunRecord {
        run,
        station: station.into(),
        started: START.plus_ms(run.cast_signed()),
        ..RunRecord::default()
    }
}

fn ended(run: u64, station: &str) -> RunRecord {
    RunRecord {
        outcome: Some(Outcome::Completed),
        ended: Some(START.plus_ms(DAY_MS / 2)),
        ..record(run, station)
    }
}

/// Takes everything that is owed as a consumer would, `max` rows at a time, and moves the cursor. Returns the numbers of the rows, by
/// series; `n` of [`append`] is in their mono time.
fn drain(reader: &Reader, cursor: &mut Cursor, max: usize, today: i32) -> BTreeMap<Series, Vec<u64>> {
    let mut taken: BTreeMap<Series, Vec<u64>> = BTreeMap::new();
    for owed in reader.owed(cursor, 100).unwrap() {
        let mut rows = owed.rows;
        loop {
            let stretch = reader.rows_after(&owed.series, rows, max).unwrap();
            assert!(stretch.scans.len() <= max && stretch.damage.is_empty());
            assert_eq!(
                (stretch.first, stretch.next),
                (rows, rows + stretch.scans.len() as u64)
            );
            let numbers = stretch.scans.iter().map(|scan| scan.mono_ms / 100);
            taken.entry(owed.series.clone()).or_default().extend(numbers);
            if stretch.next > rows {
                cursor.advance(&owed.series, stretch.next);
            } else if stretch.ends {
                cursor.finish(&owed.series);
            }
            if stretch.next == rows {
                break;
            }
            rows = stretch.next;
        }
        assert_eq!(reader.rows_in(&owed.series).unwrap(), rows);
    }
    cursor.settle(&reader.owed(cursor, 100).unwrap(), today);
    taken.retain(|_, rows| !rows.is_empty());
    taken
}

#[test]
fn rows_keep_their_numbers_from_memory_to_the_sealed_file() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, reader) = open(dir.path(), START);
    let one = writer.station("bench-1", &["board-top"]).unwrap();
    let two = writer.station("bench-2", &["board-top"]).unwrap();
    writer.put_run(&record(1, "bench-1")).unwrap();
    writer.put_run(&record(2, "bench-2")).unwrap();
    writer.commit().unwrap();
    let mut cursor = Cursor::from(0, None);
    let mut expected = 0;
    let mut all: Vec<u64> = Vec::new();
    for n in 0..2000 {
        append(&mut writer, one, Some(1), n, START);
        if n % 3 == 0 {
            append(&mut writer, two, Some(2), n, START);
        }
        if n % 7 == 0 {
            writer.tick(START);
        }
        if n % 97 == 0 || n == 1999 {
            let taken = drain(&reader, &mut cursor, 40, START.day());
            all.extend(&taken[&Series::Run(1)]);
            expected = n + 1;
            assert_eq!(all.len() as u64, expected, "what was appended is there at once");
        }
    }
    assert_eq!(expected, 2000);
    // It ends, is sealed, and the cursor stays where it is; the other run goes on.
    for n in 2000..2100 {
        append(&mut writer, one, Some(1), n, START);
    }
    writer.put_run(&ended(1, "bench-1")).unwrap();
    writer.commit().unwrap();
    writer.tick(START);
    assert!(reader.sealed_file(1).unwrap().is_some());
    all.extend(
        drain(&reader, &mut cursor, 40, START.day())
            .remove(&Series::Run(1))
            .unwrap(),
    );
    assert_eq!(all, (0..2100).collect::<Vec<_>>(), "each once, in order");
    assert_eq!(cursor.rows(&Series::Run(1)), None, "done");
    assert_eq!(cursor.rows(&Series::Run(2)), Some(667), "goes on");
    assert_eq!(drain(&reader, &mut cursor, 40, START.day()), BTreeMap::new());
}

#[test]
fn the_cursor_survives_and_a_series_that_is_done_does_not_come_again() {
    let dir = tempfile::tempdir().unwrap();
    {
        let (mut writer, reader) = open(dir.path(), START);
        let one = writer.station("bench-1", &["board-top"]).unwrap();
        for run in 1..=3 {
            writer.put_run(&record(run, "bench-1")).unwrap();
            for n in 0..50 {
                append(&mut writer, one, Some(run), n, START);
            }
            writer.put_run(&ended(run, "bench-1")).unwrap();
        }
        writer.commit().unwrap();
        (0..3).for_each(|_| writer.tick(START));
        // Run 2 is done, of run 1 some rows are acknowledged, of run 3 none.
        let mut cursor = Cursor::from(1, None);
        cursor.advance(&Series::Run(1), 20);
        cursor.finish(&Series::Run(2));
        cursor.settle(&reader.owed(&cursor, 9).unwrap(), START.day());
        writer.put_cursor("plain", &cursor).unwrap();
        writer.commit().unwrap();
        assert_eq!(reader.cursor("plain").unwrap().as_ref(), Some(&cursor));
        assert_eq!(reader.cursor("other").unwrap(), None);
    }
    let (_writer, reader) = open(dir.path(), START);
    let mut cursor = reader.cursor("plain").unwrap().expect("it was kept");
    let taken = drain(&reader, &mut cursor, 7, START.day());
    assert_eq!(
        taken,
        BTreeMap::from([
            (Series::Run(1), (20..50).collect()),
            (Series::Run(3), (0..50).collect())
        ])
    );
    assert_eq!(reader.owed(&cursor, 9).unwrap(), []);
    assert_eq!(
        serde_json::to_string(&cursor).unwrap(),
        r#"{"runs_below":4,"days_below":null,"done":[],"rows":{}}"#
    );
}

#[test]
fn readings_outside_runs_come_by_station_and_day_where_they_are_asked_for() {
    let dir = tempfile::tempdir().unwrap();
    let (mut writer, reader) = open(dir.path(), START);
    let one = writer.station("bench-1", &["board-top"]).unwrap();
    for n in 0..700 {
        append(&mut writer, one, None, n, START);
    }
    let tomorrow = START.plus_ms(DAY_MS);
    for n in 0..5 {
        append(&mut writer, one, None, n, tomorrow);
    }
    (0..4).for_each(|_| writer.tick(tomorrow));
    let mut without = Cursor::from(0, None);
    assert_eq!(drain(&reader, &mut without, 100, START.day()), BTreeMap::new());

    let outside = |day| Series::Outside {
        day,
        station: "bench-1".into(),
    };
    let today = tomorrow.day();
    let mut cursor = Cursor::from(0, Some(START.day()));
    let taken = drain(&reader, &mut cursor, 100, today);
    assert_eq!(
        taken,
        BTreeMap::from([
            (outside(START.day()), (0..700).collect()),
            (outside(today), (0..5).collect())
        ])
    );
    assert_eq!(cursor.rows(&outside(START.day())), None, "sealed and done");
    // The wall clock steps back over midnight: rows of a day that was done.
    for n in 700..720 {
        append(&mut writer, one, None, n, START);
    }
    let taken = drain(&reader, &mut cursor, 100, today);
    let again = &taken[&outside(START.day())];
    assert_eq!(
        &again[again.len() - 20..],
        (700..720).collect::<Vec<_>>(),
        "none is missing"
    );

    // What a new consumer is owed is what comes from now on.
    let mut new = reader.cursor_at_end(true, today).unwrap();
    assert_eq!(drain(&reader, &mut new, 100, today), BTreeMap::new());
    append(&mut writer, one, None, 5, tomorrow);
    assert_eq!(
        drain(&reader, &mut new, 100, today),
        BTreeMap::from([(outside(today), vec![5])])
    );
}

#[test]
fn what_a_crash_took_is_not_counted_as_acknowledged() {
    let dir = tempfile::tempdir().unwrap();
    let series = Series::Outside {
        day: START.day(),
        station: "bench-1".into(),
    };
    let copy = tempfile::tempdir().unwrap();
    {
        let (mut writer, reader) = open(dir.path(), START);
        let one = writer.station("bench-1", &["board-top"]).unwrap();
        for n in 0..30 {
            append(&mut writer, one, None, n, START);
        }
        writer.sync().unwrap();
        // Ten more are seen and acknowledged before they are on the disk.
        for n in 30..40 {
            append(&mut writer, one, None, n, START);
        }
        let mut cursor = Cursor::from(0, Some(START.day()));
        assert_eq!(drain(&reader, &mut cursor, 100, START.day())[&series].len(), 40);
        writer.put_cursor("plain", &cursor).unwrap();
        writer.commit().unwrap();
        // The crash: the files as they are now.
        let status = std::process::Command::new("cp")
            .args(["-r", &format!("{}/.", dir.path().display())])
            .arg(copy.path())
            .status();
        assert!(status.unwrap().success());
    }
    let (mut writer, reader) = open(copy.path(), START);
    let mut cursor = reader.cursor("plain").unwrap().expect("it was kept");
    assert_eq!(cursor.rows(&series), Some(30));
    let one = writer.station("bench-1", &["board-top"]).unwrap();
    for n in 100..105 {
        append(&mut writer, one, None, n, START);
    }
    assert_eq!(
        drain(&reader, &mut cursor, 100, START.day())[&series],
        (100..105).collect::<Vec<_>>(),
        "all that came after the crash"
    );
}

#[test]
fn readings_that_retention_removes_before_they_were_passed_on_are_said() {
    let dir = tempfile::tempdir().unwrap();
    let options = Options {
        loose_days: 3,
        ..Options::default()
    };
    {
        let (mut writer, _, _) = Archive::open_with(dir.path(), "larkfield", START, &options).unwrap();
        let one = writer.station("bench-1", &["board-top"]).unwrap();
        for day in 0..3 {
            for n in 0..10 {
                append(&mut writer, one, None, n, START.plus_ms(day * DAY_MS));
            }
        }
        (0..4).for_each(|_| writer.tick(START.plus_ms(3 * DAY_MS)));
        let mut cursor = Cursor::from(0, Some(START.day()));
        let series = |day| Series::Outside {
            day,
            station: "bench-1".into(),
        };
        cursor.finish(&series(START.day()));
        cursor.advance(&series(START.day() + 1), 4);
        writer.put_cursor("plain", &cursor).unwrap();
        writer.close(START.plus_ms(3 * DAY_MS)).unwrap();
    }
    let later = START.plus_ms(30 * DAY_MS);
    let (mut writer, reader, _) = Archive::open_with(dir.path(), "larkfield", later, &options).unwrap();
    std::thread::sleep(std::time::Duration::from_millis(1100));
    writer.tick(later);
    let notes = writer.notes();
    let said: Vec<&String> = notes.iter().filter(|note| note.contains("`plain`")).collect();
    assert_eq!(said.len(), 2, "{notes:#?}");
    assert!(
        said[0].starts_with("outside/bench-1/2026-11-26:") && said[0].contains("acknowledged 4 rows"),
        "{said:#?}"
    );
    let mut cursor = reader.cursor("plain").unwrap().expect("it was kept");
    assert_eq!(drain(&reader, &mut cursor, 10, later.day()), BTreeMap::new());
}
