//! The driver as a process: what it offers, and its faults as somebody at the other end sees them.

use std::io::{BufRead, BufReader, Write};
use std::os::unix::net::UnixStream;
use std::os::unix::process::ExitStatusExt;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use benchward_driver::other_end::{Heard, OtherEnd};
use benchward_driver::wire::{
    Describe, Fault, FromDriver, Heat, InputKind, Scan, Switching, ToDriver, Value,
};
use serde_json::json;

const PATIENCE: Duration = Duration::from_secs(20);

/// Much of what is tested takes minutes on a bench.
const QUICK: f64 = 50.0;

struct Bench {
    end: OtherEnd,
    folder: tempfile::TempDir,
    describe: Describe,
    seq: u64,
}

impl Bench {
    fn start(settings: serde_json::Value, time_scale: f64) -> Self {
        let folder = tempfile::tempdir().unwrap();
        Bench::start_in(folder, settings, time_scale)
    }

    fn start_in(folder: tempfile::TempDir, settings: serde_json::Value, time_scale: f64) -> Self {
        let mut command = Command::new(env!("CARGO_BIN_EXE_benchward-driver-simulated"));
        command
            .env("BENCHWARD_DRIVER_RECORD", folder.path())
            .stderr(Stdio::null());
        let mut end = OtherEnd::start(&mut command).unwrap();
        end.listen();
        end.configure("bench-1", settings, time_scale).unwrap();
        let heard = end.hear(PATIENCE).expect("no describe came");
        let describe = match heard.message().unwrap() {
            FromDriver::Describe(describe) => *describe,
            other => panic!("{other:?}"),
        };
        Bench {
            end,
            folder,
            describe,
            seq: 0,
        }
    }

    fn heat(&mut self, fraction: f64) {
        self.seq += 1;
        let heat = Heat {
            seq: self.seq,
            output: "heat1".into(),
            fraction,
            valid_ms: 1_500,
            offset_ms: None,
        };
        self.end.say(&ToDriver::Heat(heat)).unwrap();
    }

    /// The next scan that is right, with heat kept up meanwhile.
    #[track_caller]
    fn scan(&mut self, what: &str, heat: f64, mut right: impl FnMut(&Scan<'_>) -> bool) -> Heard {
        let until = Instant::now() + PATIENCE;
        while Instant::now() < until {
            self.heat(heat);
            let mut seen = None;
            let heard = self.end.hear_until(PATIENCE, |m| {
                if let FromDriver::Scan(scan) = m {
                    seen = Some(right(scan));
                }
                seen.is_some()
            });
            if seen == Some(true) {
                return heard.unwrap();
            }
        }
        panic!("no scan came with {what}");
    }

    fn record(&self) -> Vec<serde_json::Value> {
        let text = std::fs::read_to_string(self.folder.path().join("bench-1.jsonl")).unwrap_or_default();
        text.lines().map(|l| serde_json::from_str(l).unwrap()).collect()
    }

    /// Waits until the record's last line has this reason.
    #[track_caller]
    fn wait_for_record(&self, why: &str) {
        let until = Instant::now() + PATIENCE;
        while self.record().last().is_none_or(|r| r["why"] != why) {
            assert!(Instant::now() < until, "never {why}: {:#?}", self.record());
            std::thread::sleep(Duration::from_millis(5));
        }
    }
}

fn value<'s>(scan: &'s Scan<'_>, id: &str) -> Option<&'s Value<'s>> {
    scan.values.iter().find(|(i, _)| i == id).map(|(_, v)| v)
}

fn celsius(scan: &Scan<'_>, id: &str) -> Option<f64> {
    match value(scan, id) {
        Some(Value::Temperature { celsius, .. }) => Some(*celsius),
        _ => None,
    }
}

fn faulty(scan: &Scan<'_>, id: &str, fault: Fault) -> bool {
    matches!(value(scan, id), Some(Value::Fault { kind, .. }) if *kind == fault)
}

fn command(path: &Path, line: &str) -> String {
    let until = Instant::now() + PATIENCE;
    let mut stream = loop {
        match UnixStream::connect(path) {
            Ok(stream) => break stream,
            Err(error) => assert!(Instant::now() < until, "{}: {error}", path.display()),
        }
    };
    stream.write_all(format!("{line}\n").as_bytes()).unwrap();
    let mut answer = String::new();
    BufReader::new(stream).read_line(&mut answer).unwrap();
    answer
}

#[test]
fn it_offers_what_its_settings_say() {
    let bench = Bench::start(json!({}), 1.0);
    let offered: Vec<(&str, InputKind)> = bench
        .describe
        .inputs
        .iter()
        .map(|i| (i.id.as_str(), i.kind))
        .collect();
    assert_eq!(
        offered,
        [
            ("tc1", InputKind::Temperature),
            ("tc2", InputKind::Temperature),
            ("pedal", InputKind::Presence),
            ("hood", InputKind::Permissive)
        ]
    );
    let output = &bench.describe.outputs[0];
    assert_eq!(
        (output.id.as_str(), output.watts, output.cuts),
        ("heat1", Some(800.0), true)
    );
    assert!(bench.describe.simulated);

    let settings = json!({
        "channels": ["component"], "pedal": null, "hood": null, "current": true, "cuts": false, "window_ms": 500,
    });
    let bench = Bench::start(settings, 1.0);
    let ids: Vec<&str> = bench.describe.inputs.iter().map(|i| i.id.as_str()).collect();
    assert_eq!(ids, ["tc1", "amps"]);
    assert_eq!(
        (
            bench.describe.outputs[0].cuts,
            bench.describe.outputs[0].window_ms
        ),
        (false, Some(500))
    );
}

#[test]
fn a_setting_that_is_wrong_is_told() {
    for (settings, part) in [
        (json!({"board_gramms": 90}), "unknown field `board_gramms`"),
        (
            json!({"board_grams": 1}),
            "board_grams = 1 is outside 5 to 3000 g",
        ),
        (
            json!({"faults": [{"kind": "open", "input": "tc7"}]}),
            "there is no input `tc7`, only: tc1, tc2",
        ),
        (
            json!({"control": "/nowhere/at/all.sock"}),
            "control = /nowhere/at/all.sock: No such file",
        ),
    ] {
        let mut command = Command::new(env!("CARGO_BIN_EXE_benchward-driver-simulated"));
        let mut end = OtherEnd::start(command.stderr(Stdio::null())).unwrap();
        end.listen();
        end.configure("bench-1", settings, 1.0).unwrap();
        let heard = end.hear(PATIENCE).expect("nothing came");
        let FromDriver::Failed { text } = heard.message().unwrap() else {
            panic!("{heard:?}")
        };
        assert!(text.contains(part), "{text:?} doesn't say {part:?}");
        assert_eq!(
            end.wait_for_exit(PATIENCE).expect("still running").code(),
            Some(1)
        );
    }
}

#[test]
fn it_heats_in_scaled_time_and_its_permits_lapse_in_it() {
    let mut bench = Bench::start(json!({}), QUICK);
    let started = Instant::now();
    bench.scan("80 °C", 1.0, |s| celsius(s, "tc1").is_some_and(|c| c > 80.0));
    let took = started.elapsed().as_secs_f64() * QUICK;
    // The model takes about 50 s; a busy machine may let some permits lapse in between.
    assert!((35.0..600.0).contains(&took), "{took} s of the lab's time");
    bench.wait_for_record("lapsed");
    let record = bench.record();
    let (on, off) = (&record[record.len() - 2], &record[record.len() - 1]);
    assert_eq!(
        (off["fraction"].as_f64(), on["fraction"].as_f64()),
        (Some(0.0), Some(1.0))
    );
}

#[test]
fn scans_come_at_their_rate() {
    let mut bench = Bench::start(json!({"rate_hz": 20}), 1.0);
    let mut times = Vec::new();
    while times.len() < 60 {
        let heard = bench
            .end
            .hear_until(PATIENCE, |m| matches!(m, FromDriver::Scan(_)))
            .expect("no scan");
        let Ok(FromDriver::Scan(scan)) = heard.message() else {
            unreachable!()
        };
        times.push(scan.at_ms.unwrap());
    }
    let mut gaps: Vec<f64> = times.windows(2).map(|p| p[1] - p[0]).collect();
    gaps.sort_by(f64::total_cmp);
    let median = gaps[gaps.len() / 2];
    assert!((45.0..55.0).contains(&median), "{median} ms between scans");
}

#[test]
fn faults_come_on_schedule() {
    let faults = json!([
        {"after_heat_s": 2, "kind": "open", "input": "tc2", "for_s": 3},
        {"after_heat_s": 8, "kind": "pedal", "for_s": 2},
        {"after_heat_s": 12, "kind": "hood-open", "for_s": 2},
    ]);
    let mut bench = Bench::start(json!({"faults": faults}), 10.0);
    let active = |s: &Scan<'_>, id: &str| matches!(value(s, id), Some(Value::Active(true)));
    bench.scan("all well", 0.3, |s| {
        celsius(s, "tc2").is_some() && !active(s, "pedal") && active(s, "hood")
    });
    bench.scan("tc2 open", 0.3, |s| faulty(s, "tc2", Fault::Open));
    bench.scan("tc2 well again", 0.3, |s| celsius(s, "tc2").is_some());
    bench.scan("the pedal pressed", 0.3, |s| active(s, "pedal"));
    bench.scan("the pedal let go", 0.3, |s| !active(s, "pedal"));
    bench.scan("the hood open", 0.3, |s| !active(s, "hood"));
    bench.scan("the hood shut", 0.3, |s| active(s, "hood"));
}

#[test]
fn faults_come_on_command_and_wrong_commands_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let socket = folder.path().join("faults.sock");
    let settings = json!({"control": socket, "channels": 3});
    let mut bench = Bench::start_in(folder, settings, 1.0);
    assert_eq!(command(&socket, r#"{"kind":"short","input":"tc3"}"#), "ok\n");
    bench.scan("tc3 shorted", 0.0, |s| faulty(s, "tc3", Fault::Short));
    assert_eq!(command(&socket, r#"{"kind":"clear"}"#), "ok\n");
    bench.scan("tc3 well again", 0.0, |s| celsius(s, "tc3").is_some());
    for (line, part) in [
        ("hello", "error: expected value"),
        (r#"{"kind":"melt"}"#, "error: unknown variant `melt`"),
        (
            r#"{"kind":"open","input":"tc4"}"#,
            "error: there is no input `tc4`, only: tc1, tc2, tc3",
        ),
    ] {
        let answer = command(&socket, line);
        assert!(answer.starts_with(part), "{answer}");
    }
}

#[test]
fn while_it_hangs_it_says_nothing_hears_nothing_and_its_permits_lapse() {
    let faults = json!([{"after_heat_s": 0.5, "kind": "hang", "for_s": 4}]);
    let mut bench = Bench::start(json!({"faults": faults}), 1.0);
    bench.heat(0.5);
    bench.wait_for_record("heat");
    // No more is said from the hang on. Heat goes on arriving, and isn't heard.
    let until = Instant::now() + Duration::from_secs(3);
    let mut last_ms = 0.0;
    while Instant::now() < until {
        bench.heat(0.5);
        while let Some(heard) = bench.end.hear(Duration::from_millis(50)) {
            last_ms = heard.at_ms;
        }
    }
    let record = bench.record();
    assert_eq!(record.last().unwrap()["why"], "lapsed", "{record:#?}");
    let lapsed_ms = record.last().unwrap()["at_ms"].as_f64().unwrap();
    assert!(
        last_ms < lapsed_ms,
        "it spoke at {last_ms} ms, after the lapse at {lapsed_ms} ms"
    );
    // Then it wakes up and says so itself.
    bench
        .end
        .hear_until(PATIENCE, |m| matches!(m, FromDriver::Applied(a) if a.lapsed))
        .expect("no lapse was told");
    bench.scan("a sign of life", 0.0, |_| true);
}

#[test]
fn silence_stops_the_scans_and_not_the_answers() {
    let faults = json!([{"at_s": 0, "kind": "silence"}]);
    let mut bench = Bench::start(json!({"faults": faults}), 1.0);
    // A second is ten scans.
    let until = Instant::now() + Duration::from_secs(1);
    let mut answers = 0;
    while Instant::now() < until {
        bench.heat(0.2);
        let heard = bench.end.hear(PATIENCE).expect("no answer");
        assert!(
            matches!(heard.message().unwrap(), FromDriver::Applied(_)),
            "{heard:?}"
        );
        answers += 1;
        std::thread::sleep(Duration::from_millis(20));
    }
    assert!(answers > 0);
}

#[test]
fn garbage_is_garbage() {
    let faults = json!([{"at_s": 0, "kind": "garbage"}]);
    let mut bench = Bench::start(json!({"faults": faults}), 1.0);
    let mut wrong = 0;
    for _ in 0..14 {
        let heard = bench.end.hear(PATIENCE).expect("nothing more came");
        wrong += u32::from(heard.message().is_err());
    }
    assert!(wrong >= 10, "only {wrong} of 14 lines malformed");
}

#[test]
fn a_crash_is_one_and_failed_is_orderly() {
    let mut bench = Bench::start(json!({"faults": [{"at_s": 0.2, "kind": "crash"}]}), 1.0);
    assert_eq!(
        bench.end.wait_for_exit(PATIENCE).expect("still running").signal(),
        Some(6)
    );

    let mut bench = Bench::start(json!({"faults": [{"after_heat_s": 0.2, "kind": "failed"}]}), 1.0);
    bench.heat(0.5);
    bench
        .end
        .hear_until(
            PATIENCE,
            |m| matches!(m, FromDriver::Failed { text } if text.contains("hardware is gone")),
        )
        .expect("no failed came");
    assert_eq!(
        bench.end.wait_for_exit(PATIENCE).expect("still running").code(),
        Some(1)
    );
    assert_eq!(bench.record().last().unwrap()["why"], "failed");
    assert_eq!(bench.record().last().unwrap()["fraction"].as_f64(), Some(0.0));
}

#[test]
fn a_heater_stuck_on_goes_on_heating_at_zero_until_it_is_cut() {
    let faults = json!([{"at_s": 0, "kind": "heater-stuck-on"}]);
    let mut bench = Bench::start(json!({"faults": faults, "current": true}), QUICK);
    let amps = |s: &Scan<'_>| matches!(value(s, "amps"), Some(Value::Amps(a)) if *a > 1.0);
    bench.scan("60 °C and current at zero heat", 0.0, |s| {
        amps(s) && celsius(s, "tc1").is_some_and(|c| c > 60.0)
    });
    bench
        .end
        .say(&ToDriver::Cut(Switching {
            seq: 1_000_000,
            output: "heat1".into(),
        }))
        .unwrap();
    bench.scan("no current after the cut", 0.0, |s| !amps(s));
}

#[test]
fn as_a_relay_it_heats_by_its_share() {
    let mut bench = Bench::start(json!({"window_ms": 1000, "current": true}), QUICK);
    let (mut on, mut off) = (0, 0);
    bench.scan("45 °C", 0.6, |s| {
        match value(s, "amps") {
            Some(Value::Amps(a)) if *a > 1.0 => on += 1,
            _ => off += 1,
        }
        celsius(s, "tc1").is_some_and(|c| c > 45.0)
    });
    assert!(on > 20 && off > 10, "on in {on} scans, off in {off}");
}
