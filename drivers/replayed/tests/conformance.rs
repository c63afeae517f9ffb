//! The driver against every rule of the protocol.

use std::fmt::Write;

use benchward_driver::conformance::{self, Subject};
use serde_json::json;

#[test]
fn it_keeps_every_rule() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("recorded.csv");
    let mut text = "Time,Shroud\n".to_owned();
    // Half a minute at 5 Hz: longer than any one process of the check lives.
    for row in 0..150_u32 {
        writeln!(text, "{:.1},{}", f64::from(row) / 5.0, 24 + row / 10).unwrap();
    }
    std::fs::write(&file, text).unwrap();
    let subject = Subject {
        program: env!("CARGO_BIN_EXE_benchward-driver-replayed").into(),
        arguments: Vec::new(),
        settings: json!({"file": file, "channels": {"tc1": "Shroud"}, "heat": true, "cuts": true}),
        heat: 0.2,
        shows_stderr: true,
    };
    let findings = conformance::check(&subject, |_| {});
    let broken: Vec<_> = findings.iter().filter(|f| f.kept == Some(false)).collect();
    assert!(broken.is_empty(), "{broken:#?}");
}
