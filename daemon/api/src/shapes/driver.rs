//! Drivers as they run.

use serde::{Deserialize, Serialize};

/// `benchward driver list`: of the running daemon.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Drivers {
    /// [`SCHEMA`](super::SCHEMA).
    pub schema: u32,
    /// The instances, in the order of their names.
    pub drivers: Vec<Driver>,
}

/// One driver process.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Driver {
    /// The instance's name.
    pub driver: String,
    /// What is started: a program and its arguments.
    pub program: Vec<String>,
    /// `up` or `down`.
    pub standing: String,
    /// How often it had to be started again since the daemon began.
    pub restarts: u64,
    /// The name and version that it gives itself; absent while it is down.
    pub says: Option<String>,
    /// What it measures; while it is down, what is wired alone.
    pub inputs: Vec<DriverInput>,
    /// What it switches; likewise.
    pub outputs: Vec<DriverOutput>,
}

/// One input.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DriverInput {
    /// Its id.
    pub input: String,
    /// `temperature`, `thermocouple`, `presence`, `permissive` or `current`; absent while the driver is down.
    pub kind: Option<String>,
    /// Scans a second, where the driver says so.
    pub rate_hz: Option<f64>,
    /// The station that it is wired to.
    pub station: Option<String>,
    /// What it is there: `channel NAME`, `presence`, `permissive NAME` or `current`.
    pub wired_as: Option<String>,
}

/// One output.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DriverOutput {
    /// Its id.
    pub output: String,
    /// Full power, where the driver says so.
    pub watts: Option<f64>,
    /// The station that it is wired to.
    pub station: Option<String>,
    /// What it is there: `heat` or `contactor`.
    pub wired_as: Option<String>,
}
