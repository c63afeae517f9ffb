//! The driver as a process, on temperatures that were measured elsewhere.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use benchward_driver::other_end::OtherEnd;
use benchward_driver::wire::{Describe, Fault, FromDriver, Heat, Switching, ToDriver, Value};
use serde_json::json;

const PATIENCE: Duration = Duration::from_secs(20);

fn recorded(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../tests/recorded")
        .join(name)
}

fn start(settings: serde_json::Value, time_scale: f64) -> OtherEnd {
    let mut end =
        OtherEnd::start(&mut Command::new(env!("CARGO_BIN_EXE_benchward-driver-replayed"))).unwrap();
    end.listen();
    end.configure("log", settings, time_scale).unwrap();
    end
}

fn described(end: &mut OtherEnd) -> Describe {
    let heard = end.hear(PATIENCE).expect("no describe came");
    match heard.message().unwrap() {
        FromDriver::Describe(describe) => *describe,
        other => panic!("{other:?}"),
    }
}

/// The next scan's values: id and degrees, or the fault.
fn scan(end: &mut OtherEnd) -> Option<Vec<(String, Result<f64, Fault>)>> {
    loop {
        let heard = end.hear(PATIENCE)?;
        let FromDriver::Scan(scan) = heard.message().unwrap() else {
            continue;
        };
        return Some(
            scan.values
                .into_iter()
                .map(|(id, value)| match value {
                    Value::Temperature { celsius, .. } => (id.into_owned(), Ok(celsius)),
                    Value::Fault { kind, .. } => (id.into_owned(), Err(kind)),
                    other => panic!("{other:?}"),
                })
                .collect(),
        );
    }
}

fn failed(end: &mut OtherEnd) -> String {
    let heard = end
        .hear_until(PATIENCE, |m| matches!(m, FromDriver::Failed { .. }))
        .expect("no failed came");
    assert_eq!(
        end.wait_for_exit(PATIENCE).expect("still running").code(),
        Some(1)
    );
    String::from_utf8(heard.line).unwrap()
}

/// A file's cells, cut up without the driver's parser.
fn cells(name: &str) -> Vec<Vec<String>> {
    let text = std::fs::read_to_string(recorded(name)).unwrap();
    text.lines()
        .map(|line| line.trim_end().split(',').map(str::to_owned).collect())
        .collect()
}

#[test]
fn every_row_of_a_recorded_fire_test_is_one_scan_once_and_in_order() {
    const FILE: &str = "radiant_shroud_and_cables_6ch.csv";
    // 300 rows a second.
    let mut end = start(
        json!({"file": recorded(FILE), "speed": 100, "at_end": "exit"}),
        3.0,
    );
    let describe = described(&mut end);
    assert!(describe.simulated && describe.outputs.is_empty());
    // 1613 rows about 1 s apart, played 100 times as fast.
    let rate = describe.inputs[0].rate_hz.unwrap();
    assert!((95.0..=100.0).contains(&rate), "{rate} Hz");

    let cells = cells(FILE);
    let ids: Vec<&String> = cells[0][1..].iter().collect();
    assert_eq!(describe.inputs.iter().map(|i| &i.id).collect::<Vec<_>>(), ids);
    let mut hottest = f64::MIN;
    for (n, row) in cells[1..].iter().enumerate() {
        let got = scan(&mut end).unwrap_or_else(|| panic!("no scan for row {n}"));
        let expected: Vec<(String, Result<f64, Fault>)> = ids
            .iter()
            .zip(&row[1..])
            .map(|(id, cell)| ((*id).clone(), Ok(cell.parse().unwrap())))
            .collect();
        assert_eq!(got, expected, "row {n}");
        hottest = hottest.max(got[0].1.unwrap());
    }
    assert_eq!(scan(&mut end), None, "more scans than rows");
    assert_eq!(
        end.wait_for_exit(PATIENCE).expect("still running").code(),
        Some(0)
    );
    // The shroud's published course: 1613 rows, hottest 486.9 °C.
    assert_eq!((cells.len() - 1, hottest), (1_613, 486.9));
}

#[test]
fn chosen_columns_of_a_step_test_play_under_their_ids_and_the_last_row_holds() {
    const FILE: &str = "two_heater_step_50pct.csv";
    let settings = json!({
        "file": recorded(FILE), "time_column": "Time", "channels": {"near": "T1", "far": "T2"},
        "speed": 80, "at_end": "hold",
    });
    let mut end = start(settings, 5.0);
    described(&mut end);
    let cells = cells(FILE);
    let expected = |row: &Vec<String>| {
        vec![
            ("far".to_owned(), Ok(row[4].parse().unwrap())),
            ("near".to_owned(), Ok(row[3].parse().unwrap())),
        ]
    };
    for (n, row) in cells[1..].iter().enumerate() {
        assert_eq!(scan(&mut end).unwrap(), expected(row), "row {n}");
    }
    for _ in 0..5 {
        assert_eq!(scan(&mut end).unwrap(), expected(&cells[1_001]));
    }
}

fn written(text: &str) -> tempfile::NamedTempFile {
    let file = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(file.path(), text).unwrap();
    file
}

#[test]
fn a_missing_cell_leaves_its_input_out_and_the_end_is_a_fault() {
    let file = written("t,a,b\n0,1,2\n0.02,,3\n0.04,4,\n");
    let mut end = start(json!({"file": file.path()}), 1.0);
    described(&mut end);
    let of = |list: &[(&str, f64)]| {
        list.iter()
            .map(|(id, v)| ((*id).to_owned(), Ok(*v)))
            .collect::<Vec<_>>()
    };
    assert_eq!(scan(&mut end).unwrap(), of(&[("a", 1.0), ("b", 2.0)]));
    assert_eq!(scan(&mut end).unwrap(), of(&[("b", 3.0)]));
    assert_eq!(scan(&mut end).unwrap(), of(&[("a", 4.0)]));
    let over = vec![
        ("a".to_owned(), Err(Fault::Device)),
        ("b".to_owned(), Err(Fault::Device)),
    ];
    assert_eq!(scan(&mut end).unwrap(), over);
    assert_eq!(scan(&mut end).unwrap(), over);
}

#[test]
fn it_repeats_if_told_to() {
    let file = written("t,a\n0,1\n0.02,2\n");
    let mut end = start(json!({"file": file.path(), "at_end": "repeat"}), 1.0);
    described(&mut end);
    for value in [1.0, 2.0, 1.0, 2.0, 1.0] {
        assert_eq!(scan(&mut end).unwrap(), [("a".to_owned(), Ok(value))]);
    }
}

#[test]
fn the_dummy_heater_keeps_the_protocol_and_can_start_the_playing() {
    let file = written("t,a\n0,1\n0.02,2\n0.04,3\n");
    let settings =
        json!({"file": file.path(), "heat": true, "cuts": true, "start_on_heat": true, "at_end": "hold"});
    let mut end = start(settings, 1.0);
    let describe = described(&mut end);
    assert!(describe.outputs[0].id == "heat1" && describe.outputs[0].cuts);
    for _ in 0..10 {
        assert_eq!(scan(&mut end).unwrap(), [("a".to_owned(), Ok(1.0))]);
    }
    let heat = Heat {
        seq: 1,
        output: "heat1".into(),
        fraction: 0.5,
        valid_ms: 1_500,
        offset_ms: None,
    };
    end.say(&ToDriver::Heat(heat.clone())).unwrap();
    // Playing goes on as soon as it heats.
    end.hear_until(PATIENCE, |m| {
        matches!(m, FromDriver::Scan(s) if s.values[0].1 == Value::Temperature { celsius: 3.0, cold_junction: None })
    })
    .expect("the recording didn't start with the heat");
    end.say(&ToDriver::Cut(Switching {
        seq: 2,
        output: "heat1".into(),
    }))
    .unwrap();
    end.hear_until(
        PATIENCE,
        |m| matches!(m, FromDriver::Applied(a) if a.seq == Some(2) && a.cut),
    )
    .expect("the cut wasn't applied");
    end.say(&ToDriver::Heat(Heat { seq: 3, ..heat })).unwrap();
    end.hear_until(
        PATIENCE,
        |m| matches!(m, FromDriver::Refused(r) if r.seq == Some(3)),
    )
    .expect("heat wasn't refused after the cut");
}

#[test]
fn a_file_that_cannot_be_played_is_told_with_its_place() {
    let bad = written("t,a\n0,20\n1,hot\n");
    let message = failed(&mut start(json!({"file": bad.path()}), 1.0));
    assert!(
        message.contains("line 3, column `a`: `hot` isn't a finite number"),
        "{message}"
    );
    let message = failed(&mut start(json!({"file": "/nowhere.csv"}), 1.0));
    assert!(message.contains("/nowhere.csv: No such file"), "{message}");
    let quick = written("t,a\n0,20\n0.001,20\n0.002,20\n");
    let message = failed(&mut start(json!({"file": quick.path()}), 1.0));
    assert!(
        message.contains("has 1000 rows a second, 100 at most"),
        "{message}"
    );
    let message = failed(&mut start(json!({"file": quick.path(), "cuts": true}), 1.0));
    assert!(message.contains("need heat = true"), "{message}");
}
