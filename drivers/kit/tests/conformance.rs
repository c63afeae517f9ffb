//! The checks themselves: a driver that keeps all rules is said to, and one that breaks a rule is told that rule and no other.

use std::path::Path;
use std::sync::Mutex;
use std::thread;

use benchward_driver::conformance::{self, Finding, Subject};
use serde_json::{Value, json};

/// So many drivers are checked at a time: they mostly wait, but a busy machine makes late ones of them all.
const AT_A_TIME: usize = 8;

fn python(file: &str, settings: Value) -> Subject {
    let file = Path::new(env!("CARGO_MANIFEST_DIR")).join(file);
    assert!(file.is_file(), "{} is missing", file.display());
    Subject {
        program: "python3".into(),
        arguments: vec![file.into()],
        settings,
        heat: 0.2,
        shows_stderr: true,
    }
}

fn broken_in(rule: &str) -> Subject {
    // Only a driver without inputs can break this one.
    let inputs = rule != "sign-of-life";
    python("tests/broken.py", json!({"breaks": rule, "inputs": inputs}))
}

fn names(findings: &[Finding], kept: Option<bool>) -> Vec<&str> {
    findings
        .iter()
        .filter(|finding| finding.kept == kept)
        .map(|finding| finding.rule.name())
        .collect()
}

fn table(findings: &[Finding]) -> String {
    let row = |f: &Finding| format!("{:16} {:?}  {}", f.rule.name(), f.kept, f.text);
    findings.iter().map(row).collect::<Vec<_>>().join("\n")
}

#[test]
fn a_driver_that_breaks_nothing_keeps_every_rule() {
    let with_inputs = conformance::check(&broken_in(""), |_| {});
    assert_eq!(
        names(&with_inputs, Some(false)),
        [""; 0],
        "\n{}",
        table(&with_inputs)
    );
    assert_eq!(
        names(&with_inputs, None),
        ["sign-of-life"],
        "\n{}",
        table(&with_inputs)
    );
    let without = conformance::check(&python("tests/broken.py", json!({"inputs": false})), |_| {});
    assert_eq!(names(&without, Some(false)), [""; 0], "\n{}", table(&without));
    assert_eq!(
        names(&without, None),
        ["scan-inputs", "scan-rate", "scan-gaps"],
        "\n{}",
        table(&without)
    );
}

#[test]
fn every_rule_has_a_driver_that_breaks_it_and_it_alone() {
    let rules: Vec<&str> = conformance::rules().map(conformance::Rule::name).collect();
    let waiting = Mutex::new(rules);
    let wrong = Mutex::new(Vec::new());
    thread::scope(|scope| {
        for _ in 0..AT_A_TIME {
            scope.spawn(|| {
                while let Some(rule) = { waiting.lock().unwrap().pop() } {
                    let findings = conformance::check(&broken_in(rule), |_| {});
                    if names(&findings, Some(false)) != [rule] {
                        wrong
                            .lock()
                            .unwrap()
                            .push(format!("broken in {rule}:\n{}", table(&findings)));
                    }
                }
            });
        }
    });
    let wrong = wrong.into_inner().unwrap();
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn the_example_in_python_keeps_every_rule() {
    let folder = tempfile::tempdir().unwrap();
    let (sensor, heater) = (folder.path().join("temp1_input"), folder.path().join("pwm1"));
    std::fs::write(&sensor, "24125\n").unwrap();
    let settings = json!({"sensor_file": sensor, "heater_file": heater});
    let findings = conformance::check(&python("../../deploy/examples/driver.py", settings), |_| {});
    assert_eq!(names(&findings, Some(false)), [""; 0], "\n{}", table(&findings));
    assert_eq!(std::fs::read_to_string(&heater).unwrap().trim(), "0");
}

#[test]
fn the_example_in_rust_keeps_every_rule() {
    let folder = tempfile::tempdir().unwrap();
    let (sensor, heater) = (folder.path().join("temp1_input"), folder.path().join("pwm1"));
    std::fs::write(&sensor, "24125\n").unwrap();
    // Examples are built together with the tests, into the folder next door.
    let program = std::env::current_exe().unwrap();
    let program = program
        .parent()
        .unwrap()
        .with_file_name("examples")
        .join("minimal");
    assert!(
        program.is_file(),
        "{} is missing: `cargo test -p benchward-driver` builds it",
        program.display()
    );
    let subject = Subject {
        program: program.into(),
        arguments: Vec::new(),
        settings: json!({"sensor_file": sensor, "heater_file": heater}),
        heat: 0.2,
        shows_stderr: true,
    };
    let findings = conformance::check(&subject, |_| {});
    assert_eq!(names(&findings, Some(false)), [""; 0], "\n{}", table(&findings));
}

#[test]
fn a_program_that_is_no_driver_breaks_the_first_rule_and_is_tried_no_further() {
    for program in ["/bin/true", "/no/such/driver"] {
        let mut subject = broken_in("");
        subject.program = program.into();
        let findings = conformance::check(&subject, |_| {});
        assert_eq!(names(&findings, Some(false)), ["start"], "\n{}", table(&findings));
        assert_eq!(names(&findings, Some(true)), [""; 0], "\n{}", table(&findings));
    }
}
