//! The driver against every rule of the protocol.

use benchward_driver::conformance::{self, Subject};
use serde_json::{Value, json};

#[track_caller]
fn keeps_every_rule(settings: Value) {
    let subject = Subject {
        program: env!("CARGO_BIN_EXE_benchward-driver-simulated").into(),
        arguments: Vec::new(),
        settings,
        heat: 0.2,
        shows_stderr: true,
    };
    let findings = conformance::check(&subject, |_| {});
    let broken: Vec<_> = findings.iter().filter(|f| f.kept == Some(false)).collect();
    assert!(broken.is_empty(), "{broken:#?}");
}

#[test]
fn with_its_own_settings() {
    keeps_every_rule(json!({}));
}

#[test]
fn with_a_relay_and_every_input() {
    keeps_every_rule(json!({"window_ms": 200, "current": true, "channels": 8, "rate_hz": 25}));
}
