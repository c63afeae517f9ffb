//! The driver in a process of its own, on lines that can be looked at: files everywhere, and the kernel's simulated chip where it is there.

use std::fs::{read_to_string, write};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::{Duration, Instant};

use benchward_driver::conformance::{self, Subject};
use benchward_driver::other_end::OtherEnd;
use benchward_driver::wire::{FromDriver, Heat, Switching, ToDriver, Value};
use rustix::process::Signal;
use serde_json::{Value as Json, json};

/// Long enough for a busy machine.
const PATIENCE: Duration = Duration::from_secs(15);

/// Lines of the bench in these tests. The relay's is active-high, all others active-low.
const RELAY: u32 = 17;
const CONTACTOR: u32 = 27;
const PEDAL: u32 = 5;
const HOOD: u32 = 6;

fn settings(chip: &Path) -> Json {
    json!({
        "chip": chip,
        "heat": {"heat1": {
            "line": RELAY, "window_ms": 100, "min_on_ms": 10, "watts": 800,
            "contactor": {"line": CONTACTOR, "active_low": true},
        }},
        "presence": {"pedal": {"line": PEDAL, "active_low": true, "bias": "pull-up"}},
        "permissive": {"hood": {"line": HOOD, "active_low": true, "bias": "pull-up"}},
    })
}

/// Examples are built together with the tests, into the folder next door.
fn on_files() -> PathBuf {
    let program = std::env::current_exe().unwrap();
    let program = program
        .parent()
        .unwrap()
        .with_file_name("examples")
        .join("folder");
    assert!(
        program.is_file(),
        "{} is missing: `cargo test -p benchward-driver-gpio` builds it",
        program.display()
    );
    program
}

/// A bench on files, configured and described.
struct Bench {
    end: OtherEnd,
    chip: tempfile::TempDir,
}

impl Bench {
    fn start(change: impl FnOnce(&mut Json)) -> Self {
        let chip = tempfile::tempdir().unwrap();
        let mut settings = settings(chip.path());
        change(&mut settings);
        let mut end = OtherEnd::start(&mut Command::new(on_files())).unwrap();
        end.listen();
        end.configure("bench-1", settings, 1.0).unwrap();
        let describe = end.hear_until(PATIENCE, |m| matches!(m, FromDriver::Describe(_)));
        assert!(describe.is_some(), "no describe");
        Bench { end, chip }
    }

    fn heat(&mut self, fraction: f64, valid_ms: u32) -> f64 {
        let heat = Heat {
            seq: 7,
            output: "heat1".into(),
            fraction,
            valid_ms,
            offset_ms: None,
        };
        self.end.say(&ToDriver::Heat(heat)).unwrap();
        let mut told = None;
        self.end.hear_until(PATIENCE, |m| match m {
            FromDriver::Applied(applied) if applied.seq == Some(7) => {
                told = Some(applied.fraction);
                true
            }
            _ => false,
        });
        told.expect("no applied")
    }

    fn cut_or_restore(&mut self, message: fn(Switching<'static>) -> ToDriver<'static>) {
        let switching = Switching {
            seq: 8,
            output: "heat1".into(),
        };
        self.end.say(&message(switching)).unwrap();
        let answered = |m: &FromDriver<'_>| matches!(m, FromDriver::Applied(a) if a.seq == Some(8));
        assert!(self.end.hear_until(PATIENCE, answered).is_some(), "no applied");
    }

    fn drive(&self, line: u32, level: &str) {
        write(self.chip.path().join(format!("line-{line}")), level).unwrap();
    }

    fn level(&self, line: u32) -> String {
        read_to_string(self.chip.path().join(format!("line-{line}"))).unwrap()
    }

    /// What was switched, oldest first: line and level.
    fn switched(&self) -> Vec<(u32, u32)> {
        let log = read_to_string(self.chip.path().join("log")).unwrap();
        log.lines()
            .map(|line| {
                let mut words = line.split(' ').skip(1).map(|word| word.parse().unwrap());
                (words.next().unwrap(), words.next().unwrap())
            })
            .collect()
    }

    fn wait_for_active(&mut self, input: &str, active: bool) {
        let seen = self.end.hear_until(PATIENCE, |m| {
            matches!(m, FromDriver::Scan(scan) if scan.values.iter().any(|(id, value)| id == input && *value == Value::Active(active)))
        });
        assert!(seen.is_some(), "`{input}` never was {active}");
    }
}

#[test]
fn it_keeps_every_rule_of_the_protocol() {
    let chip = tempfile::tempdir().unwrap();
    let subject = Subject {
        program: on_files().into(),
        arguments: Vec::new(),
        settings: settings(chip.path()),
        heat: 0.2,
        shows_stderr: true,
    };
    let findings = conformance::check(&subject, |_| {});
    let broken: Vec<_> = findings.iter().filter(|f| f.kept == Some(false)).collect();
    assert!(broken.is_empty(), "{broken:#?}");
    assert_eq!(
        read_to_string(chip.path().join(format!("line-{RELAY}"))).unwrap(),
        "0"
    );
    assert_eq!(
        read_to_string(chip.path().join(format!("line-{CONTACTOR}"))).unwrap(),
        "1"
    );
}

#[test]
fn the_contactor_closes_before_the_relay_and_opens_before_it() {
    let mut bench = Bench::start(|_| {});
    // Both are off before anything else, the contactor by a high line.
    assert!(
        bench
            .switched()
            .iter()
            .all(|s| [(RELAY, 0), (CONTACTOR, 1)].contains(s))
    );
    bench.heat(1.0, 1_500);
    let before = bench.switched();
    assert_eq!(before[before.len() - 2..], [(CONTACTOR, 0), (RELAY, 1)]);
    bench.cut_or_restore(ToDriver::Cut);
    let after = bench.switched();
    assert_eq!(after[before.len()..], [(CONTACTOR, 1), (RELAY, 0)]);
    bench.cut_or_restore(ToDriver::Restore);
    assert_eq!(bench.level(CONTACTOR), "1", "it closes with heat only");
    bench.heat(1.0, 1_500);
    assert_eq!((&*bench.level(CONTACTOR), &*bench.level(RELAY)), ("0", "1"));
}

#[test]
fn heat_is_proportioned_over_windows_and_ends_with_its_permit() {
    let mut bench = Bench::start(|_| {});
    assert!((bench.heat(0.4, 1_500) - 0.4).abs() < 1e-9);
    let lapsed = |m: &FromDriver<'_>| matches!(m, FromDriver::Applied(a) if a.lapsed);
    assert!(bench.end.hear_until(PATIENCE, lapsed).is_some(), "no lapse");
    assert_eq!(bench.level(RELAY), "0");
    let ons = bench.switched().iter().filter(|s| **s == (RELAY, 1)).count();
    // 15 windows of 100 ms, some of which a busy machine may sleep through.
    assert!((5..=16).contains(&ons), "{ons} on-times in 1.5 s");
}

#[test]
fn what_is_too_short_for_the_relay_is_rounded_down() {
    let mut bench = Bench::start(|settings| settings["heat"]["heat1"]["min_on_ms"] = json!(40));
    for (asked, done) in [(0.3, 0.0), (0.5, 0.5), (0.9, 0.6), (1.0, 1.0)] {
        let told = bench.heat(asked, 1_500);
        assert!((told - done).abs() < 1e-9, "{asked} became {told}");
    }
}

#[test]
fn pedal_and_hood_are_told_and_a_line_that_can_t_be_read_is_a_fault() {
    let mut bench = Bench::start(|_| {});
    // Nobody drives the lines: pulled up, which is inactive.
    bench.wait_for_active("pedal", false);
    bench.wait_for_active("hood", false);
    bench.drive(PEDAL, "0");
    bench.wait_for_active("pedal", true);
    bench.drive(PEDAL, "1");
    bench.wait_for_active("pedal", false);
    bench.drive(HOOD, "0");
    bench.wait_for_active("hood", true);
    bench.drive(HOOD, "?");
    let fault = bench.end.hear_until(PATIENCE, |m| {
        matches!(m, FromDriver::Scan(scan) if scan.values.iter().any(|(id, value)| id == "hood" && matches!(value, Value::Fault { .. })))
    });
    assert!(fault.is_some(), "no fault");
}

#[test]
fn sigterm_takes_the_lines_down() {
    let mut bench = Bench::start(|_| {});
    bench.heat(1.0, 1_500);
    assert_eq!(bench.level(RELAY), "1");
    bench.end.signal(Signal::TERM).unwrap();
    let status = bench.end.wait_for_exit(PATIENCE).expect("still running");
    assert!(status.success(), "{status}");
    assert_eq!((&*bench.level(RELAY), &*bench.level(CONTACTOR)), ("0", "1"));
}

/// What the program itself says about a chip that isn't there.
#[test]
fn a_chip_that_is_not_there_is_told_with_what_to_do() {
    let mut end = OtherEnd::start(&mut Command::new(env!("CARGO_BIN_EXE_benchward-driver-gpio"))).unwrap();
    end.listen();
    end.configure("bench-1", settings(Path::new("/dev/no-such-chip")), 1.0)
        .unwrap();
    let mut said = String::new();
    end.hear_until(PATIENCE, |m| match m {
        FromDriver::Failed { text } => {
            said = text.clone().into_owned();
            true
        }
        _ => false,
    });
    assert!(
        said.contains("/dev/no-such-chip") && said.contains("name one of /dev/gpiochip*"),
        "{said}"
    );
    assert!(!end.wait_for_exit(PATIENCE).expect("still running").success());
}

/// On lines that the kernel simulates. Needs the module `gpio-sim`, configfs and the right to use them.
#[test]
fn the_kernel_s_simulated_chip_switches_and_is_read() {
    if !Path::new("/sys/kernel/config/gpio-sim").is_dir() {
        eprintln!(
            "NOT RUN: the kernel's gpio-sim isn't here (modprobe gpio-sim, as root); files stood in for it"
        );
        return;
    }
    let chip = gpiosim::Simpleton::new(32);
    chip.pullup(PEDAL).unwrap();
    chip.pullup(HOOD).unwrap();
    let mut settings = settings(chip.dev_path());
    // The simulation does pulls of its own.
    settings["presence"]["pedal"]["bias"] = Json::Null;
    settings["permissive"]["hood"]["bias"] = Json::Null;
    let mut end = OtherEnd::start(&mut Command::new(env!("CARGO_BIN_EXE_benchward-driver-gpio"))).unwrap();
    end.listen();
    end.configure("bench-1", settings.clone(), 1.0).unwrap();
    let level = |line: u32, wanted: gpiosim::Level| {
        let until = Instant::now() + PATIENCE;
        while chip.get_level(line).unwrap() != wanted {
            assert!(Instant::now() < until, "line {line} never was {wanted:?}");
            std::thread::sleep(Duration::from_millis(1));
        }
    };
    let active = |end: &mut OtherEnd, input: &str, wanted: bool| {
        let seen = end.hear_until(PATIENCE, |m| {
            matches!(m, FromDriver::Scan(scan) if scan.values.iter().any(|(id, value)| id == input && *value == Value::Active(wanted)))
        });
        assert!(seen.is_some(), "`{input}` never was {wanted}");
    };
    active(&mut end, "pedal", false);
    level(CONTACTOR, gpiosim::Level::High);
    chip.pulldown(PEDAL).unwrap();
    active(&mut end, "pedal", true);
    let heat = Heat {
        seq: 1,
        output: "heat1".into(),
        fraction: 1.0,
        valid_ms: 1_500,
        offset_ms: None,
    };
    end.say(&ToDriver::Heat(heat)).unwrap();
    level(RELAY, gpiosim::Level::High);
    level(CONTACTOR, gpiosim::Level::Low);
    level(RELAY, gpiosim::Level::Low);
    drop(end);
    let subject = Subject {
        program: env!("CARGO_BIN_EXE_benchward-driver-gpio").into(),
        arguments: Vec::new(),
        settings,
        heat: 0.2,
        shows_stderr: true,
    };
    let findings = conformance::check(&subject, |_| {});
    let broken: Vec<_> = findings.iter().filter(|f| f.kept == Some(false)).collect();
    assert!(broken.is_empty(), "{broken:#?}");
}
