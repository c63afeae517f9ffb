//! One scan of a station as a row: what goes in, and what comes out again to the bit.

use serde::{Deserialize, Serialize};

use crate::wall::Wall;

/// A station as the writer knows it; from [`Writer::station`](crate::Writer::station).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct StationIx(pub(crate) u16);

/// One scan of a station, as it goes into the archive.
#[derive(Clone, Copy, Debug)]
pub struct Row<'a> {
    /// Whose scan.
    pub station: StationIx,
    /// The run that it belongs to; `None` between runs.
    pub run: Option<u64>,
    /// Wall time at which the core saw it.
    pub at: Wall,
    /// The core's monotonic time, milliseconds; orders the rows of a run.
    pub mono_ms: u64,
    /// One per channel, in the order of [`Writer::station`](crate::Writer::station).
    pub values: &'a [Value],
    /// Granted heat, 0 to 1.
    pub heat: f64,
    /// Where the run is.
    pub phase: Phase,
    /// The stage, in the recipe's own counting.
    pub stage: Option<u16>,
    /// What the control aims at, degrees Celsius.
    pub target_celsius: Option<f64>,
}

/// One scan of a station, as it comes out. All floating point values are those that went in, to the bit.
#[derive(Clone, Debug, PartialEq)]
pub struct Scan {
    /// Wall time at which the core saw it.
    pub at: Wall,
    /// The core's monotonic time, milliseconds.
    pub mono_ms: u64,
    /// One per channel, in the order of [`Scans::channels`].
    pub values: Vec<Value>,
    /// Granted heat, 0 to 1.
    pub heat: f64,
    /// Where the run was.
    pub phase: Phase,
    /// The stage, in the recipe's own counting.
    pub stage: Option<u16>,
    /// What the control aimed at, degrees Celsius.
    pub target_celsius: Option<f64>,
}

/// Consecutive scans of one station with the same channels.
#[derive(Clone, Debug, PartialEq)]
pub struct Scans {
    /// Channel names, in the order of [`Scan::values`].
    pub channels: std::sync::Arc<[String]>,
    /// In the order in which they were recorded.
    pub scans: Vec<Scan>,
}

/// What a channel had to say.
#[derive(Clone, Copy, Debug)]
pub enum Value {
    /// A good reading, degrees Celsius. Any bit pattern is kept.
    Celsius(f64),
    /// The driver reported a fault.
    Fault(FaultKind),
    /// Nothing new for too long.
    Stale,
    /// The channel was not part of this scan.
    Absent,
}

/// Equal to the bit, so that a NaN equals itself and 0 is not -0: this is about records, not arithmetic.
impl PartialEq for Value {
    fn eq(&self, other: &Self) -> bool {
        match (self, other) {
            (Self::Celsius(one), Self::Celsius(two)) => one.to_bits() == two.to_bits(),
            _ => self.code() == other.code(),
        }
    }
}

impl Value {
    /// The number behind [`Value::quality`] in files: 0 good, 1 stale, 2 absent, 3 and up a fault.
    pub(crate) fn code(self) -> u8 {
        match self {
            Self::Celsius(_) => 0,
            Self::Stale => 1,
            Self::Absent => 2,
            Self::Fault(FaultKind::Open) => 3,
            Self::Fault(FaultKind::Short) => 4,
            Self::Fault(FaultKind::Range) => 5,
            Self::Fault(FaultKind::ColdJunction) => 6,
            Self::Fault(FaultKind::Device) => 7,
        }
    }

    /// The reverse of [`Value::code`] for values without a number.
    pub(crate) fn without_number(code: u8) -> Option<Self> {
        Some(match code {
            1 => Self::Stale,
            2 => Self::Absent,
            3 => Self::Fault(FaultKind::Open),
            4 => Self::Fault(FaultKind::Short),
            5 => Self::Fault(FaultKind::Range),
            6 => Self::Fault(FaultKind::ColdJunction),
            7 => Self::Fault(FaultKind::Device),
            _ => return None,
        })
    }

    /// All qualities by code, as run files name them.
    pub(crate) const QUALITIES: [&'static str; 8] = [
        "good",
        "stale",
        "absent",
        "open",
        "short",
        "range",
        "cold-junction",
        "device",
    ];

    /// `good`, `stale`, `absent` or the fault's name.
    pub fn quality(self) -> &'static str {
        Self::QUALITIES[usize::from(self.code())]
    }

    /// Degrees Celsius of a good reading.
    pub fn celsius(self) -> Option<f64> {
        match self {
            Self::Celsius(celsius) => Some(celsius),
            Self::Fault(_) | Self::Stale | Self::Absent => None,
        }
    }
}

/// Why there is no temperature. The names are those of the driver protocol.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum FaultKind {
    /// The thermocouple's circuit is open.
    Open,
    /// It touches something that it should not.
    Short,
    /// Outside what the converter can measure.
    Range,
    /// The cold junction cannot be measured.
    ColdJunction,
    /// The converter does not answer.
    Device,
}

/// Where a run is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Phase {
    /// No run.
    #[default]
    Idle,
    /// On the way to a stage's target.
    Ramp,
    /// At target.
    Dwell,
    /// Heat is over, the board cools.
    Cooldown,
    /// Safe to handle.
    Cool,
    /// The run is over.
    Ended,
}

impl Phase {
    /// All phases; the position is the number that files hold.
    pub(crate) const ALL: [Self; 6] = [
        Self::Idle,
        Self::Ramp,
        Self::Dwell,
        Self::Cooldown,
        Self::Cool,
        Self::Ended,
    ];

    /// `idle`, `ramp`, `dwell`, `cooldown`, `cool`, `ended`.
    pub fn name(self) -> &'static str {
        match self {
            Self::Idle => "idle",
            Self::Ramp => "ramp",
            Self::Dwell => "dwell",
            Self::Cooldown => "cooldown",
            Self::Cool => "cool",
            Self::Ended => "ended",
        }
    }

    pub(crate) fn code(self) -> u8 {
        match self {
            Self::Idle => 0,
            Self::Ramp => 1,
            Self::Dwell => 2,
            Self::Cooldown => 3,
            Self::Cool => 4,
            Self::Ended => 5,
        }
    }

    pub(crate) fn from_code(code: u8) -> Option<Self> {
        Self::ALL.get(usize::from(code)).copied()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_and_back() {
        for (code, phase) in (0..).zip(Phase::ALL) {
            assert_eq!((phase.code(), Phase::from_code(code)), (code, Some(phase)));
            assert_eq!(serde_json::to_value(phase).unwrap(), phase.name());
        }
        for code in 1..8 {
            assert_eq!(Value::without_number(code).map(Value::code), Some(code));
        }
        assert!(Value::without_number(0).is_none() && Value::without_number(8).is_none());
        assert_ne!(Value::Celsius(0.0), Value::Celsius(-0.0));
        assert_eq!(Value::Celsius(f64::NAN), Value::Celsius(f64::NAN));
    }
}
