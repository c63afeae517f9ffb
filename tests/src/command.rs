//! The command line as a process.

use std::process::{Command, Output, Stdio};

use serde_json::Value;

use crate::place::Place;
use crate::programs::program;

/// What a command came to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Done {
    /// How it ended.
    pub code: i32,
    /// What it printed.
    pub stdout: String,
    /// What it said beside.
    pub stderr: String,
}

impl Done {
    /// Of a process that has ended.
    ///
    /// # Panics
    /// If it was killed.
    pub fn of(output: &Output) -> Self {
        let text = |bytes| String::from_utf8_lossy(bytes).into_owned();
        let (stdout, stderr) = (text(&output.stdout), text(&output.stderr));
        let code = output
            .status
            .code()
            .unwrap_or_else(|| panic!("{}: {stdout}{stderr}", output.status));
        Self { code, stdout, stderr }
    }

    /// What it printed, as JSON.
    ///
    /// # Panics
    /// If it isn't.
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.stdout).unwrap_or_else(|error| panic!("{error}: {self:?}"))
    }
}

/// `benchward WORDS`, for the lab in `place`.
pub fn command(place: &Place, words: &[&str]) -> Command {
    let mut command = Command::new(program("benchward"));
    command
        .arg("--socket")
        .arg(place.socket())
        .args(words)
        .env_remove("BENCHWARD_SOCKET")
        .stdin(Stdio::null());
    command
}

/// Runs `benchward WORDS` for the lab in `place`.
///
/// # Panics
/// If it can't be run.
pub fn benchward(place: &Place, words: &[&str]) -> Done {
    Done::of(&command(place, words).output().expect("benchward can be started"))
}
