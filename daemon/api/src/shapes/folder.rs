//! The shapes of `benchward archive`.

use benchward_archive as archive;
use serde::{Deserialize, Serialize};

/// `benchward archive rebuild`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ArchiveRebuilt {
    /// [`super::SCHEMA`].
    pub schema: u32,
    /// How many runs the store knows now.
    pub runs: u64,
    /// How many entries the journal has now.
    pub entries: u64,
    /// Hash of the newest one, hexadecimal.
    pub head: String,
    /// What was set aside, brought back or found damaged, a sentence each.
    pub notes: Vec<String>,
}

/// `benchward archive check`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ArchiveChecked {
    /// [`super::SCHEMA`].
    pub schema: u32,
    /// Whether nothing is damaged.
    pub ok: bool,
    /// How many sealed files were looked at.
    pub files: u64,
    /// Damaged places, a sentence each.
    pub damage: Vec<String>,
    /// How many journal entries hold together.
    pub entries: u64,
    /// Hash of the newest one, hexadecimal.
    pub head: String,
}

/// `benchward archive levels`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ArchiveLevels {
    /// [`super::SCHEMA`].
    pub schema: u32,
    /// The station.
    pub station: String,
    /// Length of a span, seconds.
    pub step_s: f64,
    /// In order of time; spans without readings are left out.
    pub spans: Vec<LevelSpan>,
}

/// One span.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LevelSpan {
    /// When it begins.
    pub time: String,
    /// Scans in it.
    pub scans: u64,
    /// Mean heat, 0 to 1.
    pub heat: f64,
    /// Channels that had good readings.
    pub channels: Vec<LevelChannel>,
}

/// One channel in a span.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LevelChannel {
    /// Its name.
    pub channel: String,
    /// Good readings.
    pub good: u64,
    /// Lowest of them, °C.
    pub lowest_celsius: f64,
    /// Highest, °C.
    pub highest_celsius: f64,
    /// Mean, °C.
    pub mean_celsius: f64,
}

impl ArchiveLevels {
    /// The levels of a station's readings outside runs.
    #[expect(clippy::cast_precision_loss, reason = "a step of minutes")]
    pub fn new(station: &str, step_ms: i64, levels: &[archive::Coarse]) -> Self {
        let spans = levels.iter().flat_map(|level| {
            level.spans.iter().map(|span| LevelSpan {
                time: span.start.to_string(),
                scans: span.scans,
                heat: span.heat,
                channels: level
                    .channels
                    .iter()
                    .zip(&span.channels)
                    .filter_map(|(name, channel)| {
                        channel.map(|channel| LevelChannel {
                            channel: name.clone(),
                            good: channel.good,
                            lowest_celsius: channel.lowest,
                            highest_celsius: channel.highest,
                            mean_celsius: channel.mean,
                        })
                    })
                    .collect(),
            })
        });
        Self {
            schema: super::SCHEMA,
            station: station.into(),
            step_s: step_ms as f64 / 1000.0,
            spans: spans.collect(),
        }
    }
}
