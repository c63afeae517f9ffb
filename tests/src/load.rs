//! What the measurement and its load drivers tell each other, through files beside the lab's own.
//!
//! The daemon stands between the two and must not know that it is measured, so nothing of this goes over the
//! driver protocol but the paths, in the driver's settings.

use std::path::PathBuf;

use serde::{Deserialize, Serialize};

/// Settings of one load driver.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Settings {
    /// Where the [`Plan`] will be.
    pub plan: PathBuf,
    /// Where the driver leaves its [`Report`] when it ends.
    pub report: PathBuf,
    /// Which driver it is: its phase, jitter and pauses come from this number.
    pub seed: u64,
}

/// What all load drivers of a trial measure, and when. Times are milliseconds of `CLOCK_MONOTONIC`.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Plan {
    /// Scans sent from here on are measured ...
    pub grants_from_ms: f64,
    /// ... up to here.
    pub grants_until_ms: f64,
    /// From here on the driver makes its station trip.
    pub cuts_from_ms: f64,
    /// How many times.
    pub cuts: u32,
    /// Scans between the return of heat and the next scan above the ceiling: at least, and fewer than.
    pub pause_scans: (u64, u64),
    /// What every channel then reads for one scan.
    pub hot_celsius: f64,
}

/// What one load driver measured: every sample, not a summary.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub struct Report {
    /// From just before a scan is written until the `heat` that it causes has been read, ms.
    pub grant_ms: Vec<f64>,
    /// The same while stations are cut and reset, and a client listens.
    pub grant_among_cuts_ms: Vec<f64>,
    /// From just before a scan above the ceiling is written until the `cut` has been read, ms.
    pub cut_ms: Vec<f64>,
    /// How late the driver itself was with each measured scan, ms: what the machine's scheduler did to it.
    pub late_ms: Vec<f64>,
    /// Scans that got no answer within a second.
    pub unanswered: u32,
}
