//! The driver's own record of what its outputs did, for tests and for people who want to see it.
//!
//! Off unless the environment variable `BENCHWARD_DRIVER_RECORD` names a file, or a directory; in a
//! directory the file is `INSTANCE.jsonl`. One JSON object a line, appended unbuffered, right after the hardware
//! was told and before the daemon is:
//!
//! `{"at_ms":123460.1,"output":"heat1","fraction":0.42,"why":"heat","seq":812}`
//!
//! `at_ms` is always `CLOCK_MONOTONIC`, in real milliseconds, whatever the time scale. `why` is one of `heat`, `refused`, `cut`, `restore`, `lapsed`,
//! `garbage`, `eof`, `term`, `close`, `panic`, `failed`, and `window` for the edges inside a relay's windows, which carry `"on"`.
//! A renewal that changes nothing leaves no line.
//!
//! A disk that hangs would hold up the output's thread here, and with it that output's lapse. That is why
//! this is for tests only.

use std::fs::{File, OpenOptions};
use std::io::Write;
use std::path::PathBuf;
use std::sync::Mutex;

use serde::Serialize;

use crate::clock::monotonic_ms;

/// The environment variable that names the file or directory.
pub(crate) const VARIABLE: &str = "BENCHWARD_DRIVER_RECORD";

/// Where one process writes its record; nowhere, unless asked to.
#[derive(Debug, Default)]
pub(crate) struct Record {
    file: Option<Mutex<File>>,
}

#[derive(Serialize)]
struct Change<'a> {
    at_ms: f64,
    output: &'a str,
    fraction: f64,
    why: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    seq: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    on: Option<bool>,
}

impl Record {
    /// Opens what the environment asks for.
    pub(crate) fn from_environment(instance: &str) -> Result<Self, String> {
        let Some(place) = std::env::var_os(VARIABLE).filter(|v| !v.is_empty()) else {
            return Ok(Record::default());
        };
        let mut path = PathBuf::from(place);
        if path.is_dir() {
            path.push(format!("{}.jsonl", instance.replace('/', "_")));
        }
        let file = OpenOptions::new()
            .append(true)
            .create(true)
            .open(&path)
            .map_err(|e| format!("{VARIABLE} {}: {e}", path.display()))?;
        Ok(Record {
            file: Some(Mutex::new(file)),
        })
    }

    /// Appends one change.
    pub(crate) fn change(
        &self,
        output: &str,
        fraction: f64,
        why: &str,
        seq: Option<u64>,
        on: Option<bool>,
    ) -> std::io::Result<()> {
        let Some(file) = &self.file else { return Ok(()) };
        let change = Change {
            at_ms: monotonic_ms(),
            output,
            fraction,
            why,
            seq,
            on,
        };
        let mut line = serde_json::to_vec(&change).expect("writing JSON to memory can't fail");
        line.push(b'\n');
        file.lock()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
            .write_all(&line)
    }
}
