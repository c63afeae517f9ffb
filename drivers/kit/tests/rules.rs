//! The rules of the driver protocol, kept by the harness in a real process with real pipes and signals.
//!
//! What the hardware was told is read from a file that the driver writes for each call, not from what the
//! harness says about itself. Upper bounds in time are wide, because the machine may be busy; lower bounds are exact,
//! because a permit must not end early either.

#![expect(
    clippy::float_cmp,
    reason = "fractions have to come back exactly as they were sent"
)]

use std::path::{Path, PathBuf};
use std::process::{Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

use benchward_driver::other_end::OtherEnd;
use benchward_driver::wire::{Applied, FromDriver, Refused};
use rustix::process::Signal;
use serde_json::{Value, json};

/// Long enough for a busy machine, short of what a test would hang for.
const PATIENCE: Duration = Duration::from_secs(15);

struct Driver {
    end: OtherEnd,
    said: Vec<String>,
    folder: tempfile::TempDir,
    seq: u64,
}

/// One call that the hardware got.
#[derive(Debug, Clone, PartialEq)]
struct Call {
    at_ms: f64,
    output: String,
    what: String,
}

/// Examples are built together with the tests, into the folder next door.
fn example(name: &str) -> PathBuf {
    let mut path = std::env::current_exe().unwrap();
    path.pop();
    path.pop();
    path.push("examples");
    path.push(name);
    assert!(
        path.exists(),
        "{} is missing: `cargo test -p benchward-driver` builds it",
        path.display()
    );
    path
}

impl Driver {
    /// Started and described, with what it says being read.
    fn start(settings: Value) -> Self {
        let mut driver = Driver::configured(settings, 1.0);
        driver.end.listen();
        driver.wait_for("describe", |m| matches!(m, FromDriver::Describe(_)));
        driver
    }

    fn spawn() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let stderr = std::fs::File::create(folder.path().join("stderr")).unwrap();
        Driver::spawn_in(folder, stderr)
    }

    fn spawn_in(folder: tempfile::TempDir, stderr: impl Into<Stdio>) -> Self {
        let mut command = Command::new(example("troubled"));
        command
            .env("BENCHWARD_DRIVER_RECORD", folder.path())
            .stderr(stderr);
        Driver {
            end: OtherEnd::start(&mut command).unwrap(),
            said: Vec::new(),
            folder,
            seq: 0,
        }
    }

    fn configured(settings: Value, time_scale: f64) -> Self {
        let mut driver = Driver::spawn();
        driver.configure(settings, time_scale);
        driver
    }

    fn configure(&mut self, mut settings: Value, time_scale: f64) {
        let driver = self;
        settings["hardware"] = json!(driver.file("hardware"));
        driver.tell(&json!({
            "msg": "configure", "protocol": 1, "instance": "bench-1", "settings": settings, "time_scale": time_scale,
        }));
    }

    fn file(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn tell(&mut self, message: &Value) {
        self.end.write(format!("{message}\n").as_bytes()).unwrap();
    }

    /// Sends a command for `heat1` unless `fields` say otherwise; returns its `seq`.
    fn command(&mut self, msg: &str, mut fields: Value) -> u64 {
        self.seq += 1;
        fields["msg"] = json!(msg);
        fields["seq"] = json!(self.seq);
        if fields.get("output").is_none() {
            fields["output"] = json!("heat1");
        }
        self.tell(&fields);
        self.seq
    }

    fn heat(&mut self, fraction: f64, valid_ms: u32) -> u64 {
        self.command("heat", json!({"fraction": fraction, "valid_ms": valid_ms}))
    }

    /// Reads until a message is the right one. Every line must be a message of the protocol.
    #[track_caller]
    fn wait_for(&mut self, what: &str, right: impl Fn(&FromDriver<'_>) -> bool) -> String {
        let until = Instant::now() + PATIENCE;
        loop {
            let left = until.saturating_duration_since(Instant::now());
            let Some(heard) = self.end.hear(left) else {
                panic!(
                    "no {what} came; stderr: {}; said: {:#?}",
                    self.stderr(),
                    self.said
                );
            };
            let message = heard.message().unwrap_or_else(|e| panic!("{e}"));
            let line = String::from_utf8(heard.line.clone()).unwrap();
            let is_right = right(&message);
            if !matches!(message, FromDriver::Scan(_)) {
                self.said.push(line.clone());
            }
            if is_right {
                return line;
            }
        }
    }

    #[track_caller]
    fn applied(&mut self, seq: u64) -> Applied<'static> {
        let is_it = |m: &FromDriver<'_>| matches!(m, FromDriver::Applied(a) if a.seq == Some(seq));
        let line = self.wait_for(&format!("applied {seq}"), is_it);
        own(&line)
    }

    #[track_caller]
    fn lapsed(&mut self) -> Applied<'static> {
        let is_it = |m: &FromDriver<'_>| matches!(m, FromDriver::Applied(a) if a.lapsed);
        let line = self.wait_for("applied with lapsed", is_it);
        own(&line)
    }

    #[track_caller]
    fn refused(&mut self, seq: u64) -> String {
        let is_it = |m: &FromDriver<'_>| matches!(m, FromDriver::Refused(r) if r.seq == Some(seq));
        let line = self.wait_for(&format!("refused {seq}"), is_it);
        let Ok(FromDriver::Refused(Refused { text, .. })) = FromDriver::parse(line.as_bytes()) else {
            unreachable!()
        };
        text.into_owned()
    }

    fn calls(&self) -> Vec<Call> {
        let text = std::fs::read_to_string(self.file("hardware")).unwrap_or_default();
        text.lines()
            .map(|line| {
                let mut parts = line.splitn(3, ' ');
                let at_ms = parts.next().unwrap().parse().unwrap();
                Call {
                    at_ms,
                    output: parts.next().unwrap().into(),
                    what: parts.next().unwrap().into(),
                }
            })
            .collect()
    }

    fn calls_of(&self, output: &str) -> Vec<Call> {
        self.calls().into_iter().filter(|c| c.output == output).collect()
    }

    /// Waits until the last call to an output is this one, and returns it.
    #[track_caller]
    fn wait_for_call(&self, output: &str, call: &str) -> Call {
        let until = Instant::now() + PATIENCE;
        loop {
            let calls = self.calls_of(output);
            if let Some(last) = calls.last().filter(|c| c.what == call) {
                return last.clone();
            }
            assert!(
                Instant::now() < until,
                "{output} was never told `{call}` last: {calls:#?}"
            );
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// Heat is on, both by what it says and by what its hardware was told.
    #[track_caller]
    fn start_heating(&mut self) {
        let seq = self.heat(0.5, 1_500);
        assert_eq!(self.applied(seq).fraction, 0.5);
        self.wait_for_call("heat1", "set 0.5");
    }

    #[track_caller]
    fn wait_for_exit(&mut self) -> ExitStatus {
        match self.end.wait_for_exit(PATIENCE) {
            Some(status) => status,
            None => panic!("still running; stderr: {}", self.stderr()),
        }
    }

    fn stderr(&self) -> String {
        std::fs::read_to_string(self.file("stderr")).unwrap_or_default()
    }

    /// Waits until the last that the record says about an output is zero for this reason. The record comes after the hardware.
    #[track_caller]
    fn wait_for_record(&self, output: &str, why: &str) {
        let until = Instant::now() + PATIENCE;
        while self.record(output).last() != Some(&(0.0, why.to_owned())) {
            assert!(
                Instant::now() < until,
                "{output} never {why}: {:#?}",
                self.record(output)
            );
            std::thread::sleep(Duration::from_millis(5));
        }
    }

    /// What the harness's own record says about an output: fraction and reason, oldest first.
    fn record(&self, output: &str) -> Vec<(f64, String)> {
        read_record(&self.file("bench-1.jsonl"))
            .into_iter()
            .filter(|r| r["output"] == output)
            .map(|r| {
                (
                    r["fraction"].as_f64().unwrap(),
                    r["why"].as_str().unwrap().to_owned(),
                )
            })
            .collect()
    }
}

fn read_record(path: &Path) -> Vec<Value> {
    let text = std::fs::read_to_string(path).unwrap_or_default();
    text.lines().map(|l| serde_json::from_str(l).unwrap()).collect()
}

fn own(line: &str) -> Applied<'static> {
    let Ok(FromDriver::Applied(applied)) = FromDriver::parse(line.as_bytes()) else {
        unreachable!()
    };
    Applied {
        output: applied.output.into_owned().into(),
        ..applied
    }
}

#[test]
fn a_permit_lapses_by_itself_and_not_early() {
    let mut driver = Driver::start(json!({}));
    let seq = driver.heat(0.5, 400);
    let applied = driver.applied(seq);
    assert_eq!(
        (applied.fraction, applied.cut, applied.lapsed),
        (0.5, false, false)
    );
    let lapsed = driver.lapsed();
    assert_eq!((lapsed.seq, lapsed.fraction), (None, 0.0));
    let calls = driver.calls_of("heat1");
    let [_, on, off] = &calls[..] else {
        panic!("{calls:#?}")
    };
    assert_eq!((&*on.what, &*off.what), ("set 0.5", "set 0"));
    // The permit runs from arrival, which is a little before the hardware was told.
    let held = off.at_ms - on.at_ms;
    assert!((350.0..2_000.0).contains(&held), "held for {held} ms");
    assert_eq!(
        driver.record("heat1"),
        [(0.5, "heat".into()), (0.0, "lapsed".into())]
    );
}

#[test]
fn a_permit_that_is_renewed_never_drops() {
    let mut driver = Driver::start(json!({}));
    for _ in 0..30 {
        let seq = driver.heat(0.5, 1_500);
        driver.applied(seq);
        std::thread::sleep(Duration::from_millis(100));
    }
    let calls = driver.calls_of("heat1");
    assert!(calls[1..].iter().all(|c| c.what == "set 0.5"), "{calls:#?}");
    assert_eq!(driver.record("heat1"), [(0.5, "heat".into())]);
    driver.lapsed();
}

#[test]
fn more_than_the_longest_permit_counts_as_the_longest() {
    let mut driver = Driver::start(json!({}));
    driver.heat(0.5, 3_600_000);
    let off = driver.lapsed().at_ms.unwrap();
    let on = driver.calls_of("heat1")[1].at_ms;
    let held = off - on;
    assert!((1_450.0..4_000.0).contains(&held), "held for {held} ms");
}

#[test]
fn a_permit_lapses_while_reading_the_inputs_blocks() {
    let mut driver = Driver::start(json!({"scan_blocks_s": 60}));
    driver.heat(0.5, 300);
    driver.lapsed();
    driver.wait_for_call("heat1", "set 0");
}

#[test]
fn a_permit_lapses_and_a_cut_acts_while_nobody_reads_stdout() {
    // 200 inputs at 100 Hz fill a pipe at once.
    let mut driver = Driver::configured(json!({"inputs": 200, "rate_hz": 100}), 1.0);
    let until = Instant::now() + PATIENCE;
    let mut before = 0;
    loop {
        let waiting = driver.end.unread_bytes().unwrap();
        if waiting > 32_768 && waiting == before {
            break;
        }
        before = waiting;
        assert!(Instant::now() < until, "the pipe never filled: {waiting} bytes");
        std::thread::sleep(Duration::from_millis(200));
    }
    driver.heat(0.5, 1_500);
    driver.wait_for_call("heat1", "set 0.5");
    driver.wait_for_call("heat1", "set 0");
    driver.heat(0.6, 1_500);
    driver.wait_for_call("heat1", "set 0.6");
    let cut = driver.command("cut", json!({}));
    driver.wait_for_call("heat1", "set 0");
    let calls = driver.calls_of("heat1");
    assert_eq!(calls[calls.len() - 2].what, "cut", "{calls:#?}");
    // Once somebody reads, the answers are there, and the loss is told.
    driver.end.listen();
    assert!(driver.applied(cut).cut);
    driver.tell(&json!({"msg": "close"}));
    assert_eq!(driver.wait_for_exit().code(), Some(0));
    assert!(
        driver
            .said
            .iter()
            .any(|l| l.contains("messages dropped while nobody read")),
        "{:#?}",
        driver.said
    );
}

#[test]
fn hardware_that_blocks_delays_only_itself_and_lapses_when_it_returns() {
    let mut driver = Driver::start(json!({"set_blocks_s": 3}));
    let blocked = driver.heat(0.95, 200);
    driver.wait_for_call("heat1", "set 0.95");
    driver.command(
        "heat",
        json!({"output": "heat2", "fraction": 0.5, "valid_ms": 200}),
    );
    let other = driver.lapsed();
    assert_eq!(other.output, "heat2");
    let calls = driver.calls_of("heat1");
    assert_eq!(
        calls.last().unwrap().what,
        "set 0.95",
        "heat2 waited for heat1: {calls:#?}"
    );
    // While it blocks, commands pile up: the stale one must not be carried out any more, and all are answered.
    let stale = driver.heat(0.3, 100);
    assert_eq!(driver.applied(blocked).fraction, 0.95);
    assert!(driver.applied(stale).lapsed);
    driver.wait_for_call("heat1", "set 0");
    let calls = driver.calls_of("heat1");
    assert!(calls.iter().all(|c| c.what != "set 0.3"), "{calls:#?}");
}

#[test]
fn commands_that_pile_up_are_all_answered_and_only_the_last_is_carried_out() {
    let mut driver = Driver::start(json!({"set_blocks_s": 1}));
    driver.heat(0.95, 1_500);
    driver.wait_for_call("heat1", "set 0.95");
    let seqs: Vec<u64> = (1..=5).map(|n| driver.heat(f64::from(n) / 10.0, 1_500)).collect();
    for seq in seqs {
        assert_eq!(driver.applied(seq).fraction, 0.5);
    }
    let calls: Vec<String> = driver.calls_of("heat1").into_iter().map(|c| c.what).collect();
    assert_eq!(calls[..3], ["set 0", "set 0.95", "set 0.5"]);
}

#[test]
fn a_closed_stdin_means_zero() {
    let mut driver = Driver::start(json!({}));
    driver.start_heating();
    driver.end.close_stdin();
    assert_eq!(driver.wait_for_exit().code(), Some(0));
    assert_eq!(driver.calls_of("heat1").last().unwrap().what, "set 0");
    assert_eq!(driver.record("heat1").last().unwrap(), &(0.0, "eof".into()));
}

#[test]
fn a_stdout_that_nobody_holds_any_more_means_zero() {
    let mut driver = Driver::configured(json!({"rate_hz": 20}), 1.0);
    driver.end.close_stdout();
    driver.heat(0.5, 1_500);
    assert_eq!(driver.wait_for_exit().code(), Some(0));
    assert_eq!(driver.calls_of("heat1").last().unwrap().what, "set 0");
}

#[test]
fn signals_mean_zero() {
    for signal in [Signal::TERM, Signal::INT, Signal::HUP] {
        let mut driver = Driver::start(json!({"scan_blocks_s": 60}));
        driver.start_heating();
        driver.end.signal(signal).unwrap();
        assert_eq!(driver.wait_for_exit().code(), Some(0), "{signal:?}");
        assert_eq!(
            driver.calls_of("heat1").last().unwrap().what,
            "set 0",
            "{signal:?}"
        );
        assert_eq!(
            driver.record("heat1").last().unwrap(),
            &(0.0, "term".into()),
            "{signal:?}"
        );
    }
}

#[test]
fn close_means_zero_and_exit_code_0() {
    let mut driver = Driver::start(json!({"scan_blocks_s": 60}));
    driver.start_heating();
    driver.tell(&json!({"msg": "close"}));
    assert_eq!(driver.wait_for_exit().code(), Some(0));
    assert_eq!(driver.calls_of("heat1").last().unwrap().what, "set 0");
    assert_eq!(driver.record("heat1").last().unwrap(), &(0.0, "close".into()));
}

#[test]
fn a_line_that_cannot_be_read_means_zero_on_all_outputs_and_the_driver_goes_on() {
    let mut driver = Driver::start(json!({}));
    let mut long = vec![b'x'; 70_000];
    long.push(b'\n');
    for garbage in [
        &b"hello\n"[..],
        b"\n",
        b"{}\n",
        b"{\"msg\":\"heat\"}\n",
        b"{\"msg\":\"heat\",\"seq\":\"a\",\"output\":\"heat1\",\"fraction\":0.5,\"valid_ms\":900}\n",
        b"{\"msg\":\"notice\",\"text\":\"\xff\xfe\"}\n",
        b"{\"msg\":\"configure\",\"protocol\":1,\"instance\":\"again\",\"settings\":{}}\n",
        &long,
    ] {
        driver.start_heating();
        let seq = driver.command(
            "heat",
            json!({"output": "heat2", "fraction": 0.25, "valid_ms": 1500}),
        );
        driver.applied(seq);
        driver.end.write(garbage).unwrap();
        for output in ["heat1", "heat2"] {
            driver.wait_for(
                "applied zero without lapse",
                |m| matches!(m, FromDriver::Applied(a) if a.seq.is_none() && !a.lapsed && a.fraction == 0.0),
            );
            driver.wait_for_call(output, "set 0");
            driver.wait_for_record(output, "garbage");
        }
    }
    assert!(
        driver
            .said
            .iter()
            .any(|l| l.contains("all outputs to zero") && l.contains("`hello`"))
    );
}

#[test]
fn a_panic_anywhere_means_zero() {
    for place in ["scan_panics_on", "thread_panics_on", "set"] {
        let trigger = tempfile::tempdir().unwrap();
        let file = trigger.path().join("now");
        let mut driver = match place {
            "set" => Driver::start(json!({"set_panics_above": 0.6})),
            _ => Driver::start(json!({place: file})),
        };
        driver.start_heating();
        if place == "set" {
            driver.heat(0.7, 1_500);
        } else {
            std::fs::write(&file, "").unwrap();
        }
        let failed = driver.wait_for("failed", |m| matches!(m, FromDriver::Failed { .. }));
        assert!(failed.contains("panic in thread"), "{failed}");
        assert_eq!(driver.wait_for_exit().code(), Some(1), "{place}");
        assert_eq!(driver.calls_of("heat1").last().unwrap().what, "set 0", "{place}");
        assert_eq!(
            driver.record("heat1").last().unwrap(),
            &(0.0, "panic".into()),
            "{place}"
        );
        assert!(driver.stderr().contains("panic in thread"), "{}", driver.stderr());
    }
}

#[test]
fn hardware_that_fails_means_zero_and_failed() {
    let mut driver = Driver::start(json!({"set_fails_above": 0.6}));
    let seq = driver.command(
        "heat",
        json!({"output": "heat2", "fraction": 0.5, "valid_ms": 1500}),
    );
    driver.applied(seq);
    driver.heat(0.7, 1_500);
    let failed = driver.wait_for("failed", |m| matches!(m, FromDriver::Failed { .. }));
    assert!(
        failed.contains("output `heat1`: /dev/ttyUSB0 is gone"),
        "{failed}"
    );
    assert_eq!(driver.wait_for_exit().code(), Some(1));
    for output in ["heat1", "heat2"] {
        assert_eq!(driver.calls_of(output).last().unwrap().what, "set 0");
        assert_eq!(driver.record(output).last().unwrap(), &(0.0, "failed".into()));
    }
}

#[test]
fn cut_refuses_heat_until_restore() {
    let mut driver = Driver::start(json!({}));
    driver.start_heating();
    let seq = driver.command("cut", json!({}));
    let applied = driver.applied(seq);
    assert_eq!((applied.fraction, applied.cut), (0.0, true));
    let calls: Vec<String> = driver.calls_of("heat1").into_iter().map(|c| c.what).collect();
    assert_eq!(calls, ["set 0", "set 0.5", "cut", "set 0"]);
    let seq = driver.heat(0.5, 1_500);
    assert!(driver.refused(seq).contains("restore"));
    // The other output is not concerned.
    let seq = driver.command(
        "heat",
        json!({"output": "heat2", "fraction": 0.25, "valid_ms": 1500}),
    );
    assert_eq!(driver.applied(seq).fraction, 0.25);
    let seq = driver.command("restore", json!({}));
    let applied = driver.applied(seq);
    assert_eq!((applied.fraction, applied.cut), (0.0, false));
    let seq = driver.heat(0.5, 1_500);
    assert_eq!(driver.applied(seq).fraction, 0.5);
    let calls: Vec<String> = driver.calls_of("heat1").into_iter().map(|c| c.what).collect();
    assert_eq!(calls, ["set 0", "set 0.5", "cut", "set 0", "restore", "set 0.5"]);
    assert_eq!(
        driver.record("heat1"),
        [
            (0.5, "heat".into()),
            (0.0, "cut".into()),
            (0.0, "restore".into()),
            (0.5, "heat".into())
        ]
    );
}

#[test]
fn heat_with_a_cut_right_behind_it_never_flashes_up() {
    let mut driver = Driver::start(json!({}));
    for round in 0..20_u64 {
        let (heat, cut, restore) = (1_000 + 3 * round, 1_001 + 3 * round, 1_002 + 3 * round);
        let lines = [
            json!({"msg": "heat", "seq": heat, "output": "heat1", "fraction": 0.5, "valid_ms": 1500}),
            json!({"msg": "cut", "seq": cut, "output": "heat1"}),
            json!({"msg": "restore", "seq": restore, "output": "heat1"}),
        ];
        let text = lines.map(|line| line.to_string()).join("\n") + "\n";
        driver.end.write(text.as_bytes()).unwrap();
        assert_eq!(driver.applied(heat).fraction, 0.0);
        assert!(driver.applied(cut).cut);
        assert!(!driver.applied(restore).cut);
    }
    let calls = driver.calls_of("heat1");
    assert!(calls.iter().all(|c| c.what != "set 0.5"), "{calls:#?}");
}

#[test]
fn what_is_out_of_bounds_is_refused_and_that_output_goes_to_zero() {
    let mut driver = Driver::start(json!({}));
    let seq = driver.command(
        "heat",
        json!({"output": "heat2", "fraction": 0.25, "valid_ms": 1500}),
    );
    driver.applied(seq);
    for (fields, part) in [
        (
            json!({"fraction": 1.01, "valid_ms": 1500}),
            "fraction 1.01 is outside 0 to 1",
        ),
        (json!({"fraction": -0.01, "valid_ms": 1500}), "outside 0 to 1"),
        (json!({"valid_ms": 1500}), "fraction is missing"),
        (json!({"fraction": 0.5}), "valid_ms is missing"),
        (json!({"fraction": 0.5, "valid_ms": 0}), "valid_ms 0 is below 1"),
        (json!({"fraction": 0.5, "valid_ms": "long"}), "is below 1"),
    ] {
        driver.start_heating();
        let seq = driver.command("heat", fields);
        let text = driver.refused(seq);
        assert!(text.contains(part), "{text:?} doesn't say {part:?}");
        assert_eq!(driver.calls_of("heat1").last().unwrap().what, "set 0");
        assert_eq!(driver.record("heat1").last().unwrap(), &(0.0, "refused".into()));
    }
    driver.start_heating();
    let seq = driver.command(
        "heat",
        json!({"output": "heat9", "fraction": 0.5, "valid_ms": 1500}),
    );
    assert!(
        driver
            .refused(seq)
            .contains("no output `heat9` here, only: heat1, heat2")
    );
    assert_eq!(driver.calls_of("heat1").last().unwrap().what, "set 0.5");
}

#[test]
fn a_message_that_is_not_known_is_mentioned_once_and_ignored() {
    let mut driver = Driver::start(json!({}));
    driver.start_heating();
    for _ in 0..3 {
        driver.tell(&json!({"msg": "dim", "seq": 4}));
    }
    let seq = driver.heat(0.5, 1_500);
    driver.applied(seq);
    let seq = driver.heat(0.5, 1_500);
    driver.applied(seq);
    assert_eq!(
        driver
            .said
            .iter()
            .filter(|l| l.contains("`dim` isn't known"))
            .count(),
        1,
        "{:#?}",
        driver.said
    );
    assert_eq!(driver.record("heat1"), [(0.5, "heat".into())]);
}

#[test]
fn a_driver_without_inputs_gives_a_sign_of_life_every_second() {
    let mut driver = Driver::start(json!({"inputs": 0}));
    let mut times = Vec::new();
    for _ in 0..4 {
        let line = driver.wait_for("scan", |m| matches!(m, FromDriver::Scan(_)));
        let Ok(FromDriver::Scan(scan)) = FromDriver::parse(line.as_bytes()) else {
            unreachable!()
        };
        assert!(scan.values.is_empty());
        times.push(scan.at_ms.unwrap());
    }
    for pair in times.windows(2) {
        let gap = pair[1] - pair[0];
        assert!(gap < 1_000.0, "{gap} ms between signs of life");
    }
}

#[test]
fn in_scaled_time_durations_shrink_and_at_ms_is_left_out() {
    let mut driver = Driver::configured(json!({}), 10.0);
    driver.end.listen();
    driver.wait_for(
        "describe",
        |m| matches!(m, FromDriver::Describe(d) if d.simulated),
    );
    driver.wait_for(
        "scan without at_ms",
        |m| matches!(m, FromDriver::Scan(s) if s.at_ms.is_none()),
    );
    let seq = driver.heat(0.5, 1_500);
    assert_eq!(driver.applied(seq).at_ms, None);
    driver.lapsed();
    let calls = driver.calls_of("heat1");
    let held = calls[2].at_ms - calls[1].at_ms;
    assert!((120.0..1_400.0).contains(&held), "held for {held} ms");
}

#[test]
fn hardware_does_not_follow_scaled_time() {
    let mut driver = Driver::configured(json!({"simulated": false}), 10.0);
    driver.end.listen();
    let failed = driver.wait_for("failed", |m| matches!(m, FromDriver::Failed { .. }));
    assert!(failed.contains("can't follow time_scale 10"), "{failed}");
    assert_eq!(driver.wait_for_exit().code(), Some(1));
}

#[test]
fn a_start_that_is_wrong_is_told() {
    for (first, part) in [
        (json!({"msg": "close"}), "the first line must be `configure`"),
        (
            json!({"msg": "configure", "protocol": 2, "instance": "a"}),
            "protocol 2 isn't spoken here, only 1",
        ),
        (
            json!({"msg": "configure", "protocol": 1, "instance": "bench-1", "settings": {"colour": 3}}),
            "settings of `bench-1`: unknown field `colour`, expected one of `hardware`",
        ),
    ] {
        let mut driver = Driver::spawn();
        driver.end.listen();
        driver.tell(&first);
        let failed = driver.wait_for("failed", |m| matches!(m, FromDriver::Failed { .. }));
        assert!(failed.contains(part), "{failed} doesn't say {part}");
        assert_eq!(driver.wait_for_exit().code(), Some(1));
    }
}

#[test]
fn a_stray_print_goes_to_stderr() {
    let mut driver = Driver::start(json!({"prints_bytes": 1}));
    // `wait_for` insists that every line is a message.
    driver.start_heating();
    driver.tell(&json!({"msg": "close"}));
    driver.wait_for_exit();
    assert!(driver.stderr().contains("a library says hello"));
}

#[test]
fn a_stderr_that_nobody_reads_holds_up_nothing() {
    let (unread, stderr) = std::io::pipe().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let trigger = folder.path().join("now");
    let mut driver = Driver::spawn_in(folder, stderr);
    // The second scan blocks for good in its print.
    driver.configure(json!({"prints_bytes": 200_000, "thread_panics_on": trigger}), 1.0);
    driver.end.listen();
    driver.heat(0.5, 400);
    driver.lapsed();
    driver.start_heating();
    std::fs::write(&trigger, "").unwrap();
    assert_eq!(driver.wait_for_exit().code(), Some(1));
    assert_eq!(driver.calls_of("heat1").last().unwrap().what, "set 0");
    drop(unread);
}

#[test]
fn a_process_that_was_stopped_lapses_when_it_goes_on_and_carries_out_only_the_end_of_what_waited() {
    let mut driver = Driver::start(json!({}));
    driver.start_heating();
    driver.end.stop().unwrap();
    for _ in 0..20 {
        driver.heat(0.7, 1_500);
    }
    let cut = driver.command("cut", json!({}));
    std::thread::sleep(Duration::from_secs(2));
    driver.end.signal(Signal::CONT).unwrap();
    assert!(driver.applied(cut).cut);
    let calls = driver.calls_of("heat1");
    assert!(calls.iter().all(|c| c.what != "set 0.7"), "{calls:#?}");
    assert_eq!(calls.last().unwrap().what, "set 0");
}

#[test]
fn a_relay_fires_its_share_of_every_window_at_its_offset_and_stops_with_the_permit() {
    const WINDOW_MS: f64 = 400.0;
    let mut driver = Driver::start(json!({"window_ms": 400}));
    let mut fired = Vec::new();
    for _ in 0..40 {
        let fields = json!({"fraction": 0.5, "valid_ms": 1500, "offset_ms": 100});
        let seq = driver.command("heat", fields);
        let applied = driver.applied(seq);
        assert_eq!(applied.fraction, 0.5);
        fired.extend(applied.fired);
        std::thread::sleep(Duration::from_millis(100));
    }
    driver.lapsed();
    let calls = driver.calls_of("heat1");
    let median = |mut list: Vec<f64>| {
        list.sort_by(f64::total_cmp);
        list[list.len() / 2]
    };
    let phases = |what: &str| -> Vec<f64> {
        calls
            .iter()
            .filter(|c| c.what == what)
            .map(|c| c.at_ms.rem_euclid(WINDOW_MS))
            .collect()
    };
    // Medians, so that one late wake-up on a busy machine doesn't count.
    let on = median(phases("on"));
    assert!((95.0..150.0).contains(&on), "switched on {on} ms into the window");
    let off = median(phases("off"));
    assert!(
        (295.0..350.0).contains(&off),
        "switched off {off} ms into the window"
    );
    let fired = median(fired);
    assert!((fired - 0.5).abs() < 0.1, "fired {fired}");
    assert_eq!(calls.last().unwrap().what, "off");
    let lapsed = driver.record("heat1").last().unwrap().clone();
    assert_eq!(lapsed, (0.0, "lapsed".into()));
    std::thread::sleep(Duration::from_secs(1));
    assert_eq!(
        driver.calls_of("heat1").len(),
        calls.len(),
        "the relay went on after its permit had lapsed"
    );
}

#[test]
fn a_relay_is_off_on_every_way_out() {
    for way in ["eof", "term", "close", "panic"] {
        let trigger = tempfile::tempdir().unwrap();
        let file = trigger.path().join("now");
        let mut driver = Driver::start(json!({"window_ms": 1000, "thread_panics_on": file}));
        let seq = driver.heat(1.0, 1_500);
        assert_eq!(driver.applied(seq).fraction, 1.0);
        driver.wait_for_call("heat1", "on");
        match way {
            "eof" => driver.end.close_stdin(),
            "term" => driver.end.signal(Signal::TERM).unwrap(),
            "close" => driver.tell(&json!({"msg": "close"})),
            _ => std::fs::write(&file, "").unwrap(),
        }
        driver.wait_for_exit();
        assert_eq!(driver.calls_of("heat1").last().unwrap().what, "off", "{way}");
        assert_eq!(driver.record("heat1").last().unwrap(), &(0.0, way.to_owned()));
    }
}

#[test]
fn the_record_carries_clock_output_fraction_reason_and_number() {
    let mut driver = Driver::start(json!({}));
    let seq = driver.heat(0.5, 300);
    let applied = driver.applied(seq);
    driver.lapsed();
    let record = read_record(&driver.file("bench-1.jsonl"));
    assert_eq!(record[0]["seq"], json!(seq));
    assert_eq!(record[0]["output"], "heat1");
    assert_eq!(record[1]["seq"], Value::Null);
    let told = driver.calls_of("heat1")[1].at_ms;
    let recorded = record[0]["at_ms"].as_f64().unwrap();
    assert!(
        told <= recorded && recorded <= applied.at_ms.unwrap(),
        "{told} {recorded} {applied:?}"
    );
}
