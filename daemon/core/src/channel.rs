//! One thermocouple measuring point: its newest readings and what is known of their quality.

use std::fmt;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::trend::Trend;
use crate::units::{Celsius, CelsiusDelta, Millis};

/// Why there is no temperature. Absence is a reason, never a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Fault {
    /// The thermocouple circuit is open.
    Open,
    /// The thermocouple is shorted to supply or ground.
    Short,
    /// Outside what the converter or the thermocouple type can measure.
    Range,
    /// The cold junction can't be measured.
    ColdJunction,
    /// The converter doesn't answer.
    Device,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Open => "open",
            Self::Short => "short",
            Self::Range => "range",
            Self::ColdJunction => "cold-junction",
            Self::Device => "device",
        })
    }
}

/// What one scan said about one channel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Sample {
    /// A temperature, calibration offset already added.
    Good(Celsius),
    /// No temperature, and why.
    Fault(Fault),
}

/// What a channel's newest sample is worth now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Quality {
    /// Fresh and good.
    Good,
    /// Nothing new for longer than the channel's period allows.
    Stale,
    /// The newest sample is a fault.
    Fault(Fault),
    /// Nothing was ever read.
    Never,
}

impl fmt::Display for Quality {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Good => f.write_str("good"),
            Self::Stale | Self::Never => f.write_str("stale"),
            Self::Fault(fault) => fault.fmt(f),
        }
    }
}

/// A channel of a station.
///
/// It keeps the last *two* good temperatures, because the over-temperature interlock asks whether two
/// scans in a row were above the ceiling: kept as values and not as a count, the question can be asked
/// again the moment somebody lowers the ceiling.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Channel {
    pub(crate) name: Arc<str>,
    pub(crate) offset: CelsiusDelta,
    /// Time between two samples, as the driver described it.
    pub(crate) period: Millis,
    /// The newest sample, with the time it was taken. `None`: nothing since the driver (re)started.
    pub(crate) newest: Option<(Millis, Sample)>,
    /// Newest good temperature and the one before it.
    pub(crate) good: Option<Celsius>,
    pub(crate) good_before: Option<Celsius>,
    /// Scans of this channel so far; names a scan in the journal.
    pub(crate) scans: u64,
    /// Faults in a row up to the newest sample, and when the first of them came.
    pub(crate) faults: u32,
    pub(crate) fault_since: Option<Millis>,
    /// The newest cold junction and when it was sampled, where the driver tells it.
    pub(crate) cold_junction: Option<(Millis, Celsius)>,
    /// The last minute of good temperatures.
    pub(crate) trend: Trend,
}

/// Where a driver doesn't say how often it samples.
pub(crate) const PERIOD_UNSAID: Millis = Millis(500);

impl Channel {
    pub(crate) fn new(name: Arc<str>, offset: CelsiusDelta) -> Self {
        Self {
            name,
            offset,
            period: PERIOD_UNSAID,
            newest: None,
            good: None,
            good_before: None,
            scans: 0,
            faults: 0,
            fault_since: None,
            cold_junction: None,
            trend: Trend::default(),
        }
    }

    /// Takes in what a scan said. `at` is when it was sampled.
    pub(crate) fn take(&mut self, at: Millis, sample: Sample) {
        self.scans += 1;
        self.newest = Some((at, sample));
        match sample {
            Sample::Good(celsius) => {
                self.good_before = self.good;
                self.good = Some(celsius);
                self.trend.take(at, celsius);
                self.faults = 0;
                self.fault_since = None;
            }
            Sample::Fault(_) => {
                self.faults = self.faults.saturating_add(1);
                if self.fault_since.is_none() {
                    self.fault_since = Some(at);
                }
            }
        }
    }

    /// A driver that starts again has measured nothing yet.
    pub(crate) fn forget(&mut self) {
        self.newest = None;
        self.good = None;
        self.good_before = None;
        self.faults = 0;
        self.fault_since = None;
        self.cold_junction = None;
        self.trend.forget();
    }

    /// How long the channel may be silent: three periods, and at least `floor`.
    pub(crate) fn silence_allowed(&self, floor: Millis) -> Millis {
        (self.period * 3).max(floor)
    }

    /// How long nothing new has been sampled; `None` where nothing ever was.
    pub(crate) fn silent_for(&self, now: Millis) -> Option<Millis> {
        self.newest.map(|(at, _)| now.since(at))
    }

    pub(crate) fn quality(&self, now: Millis, floor: Millis) -> Quality {
        match self.newest {
            None => Quality::Never,
            Some((at, _)) if now.since(at) > self.silence_allowed(floor) => Quality::Stale,
            Some((_, Sample::Fault(fault))) => Quality::Fault(fault),
            Some((_, Sample::Good(_))) => Quality::Good,
        }
    }

    /// The temperature, if the newest sample is fresh and good.
    pub(crate) fn celsius(&self, now: Millis, floor: Millis) -> Option<Celsius> {
        match self.quality(now, floor) {
            Quality::Good => self.good,
            Quality::Stale | Quality::Fault(_) | Quality::Never => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A channel that is read every 400 ms; one that is read faster may be silent for half a second.
    const FLOOR: Millis = Millis(500);

    fn channel() -> Channel {
        let mut channel = Channel::new("board-top".into(), CelsiusDelta::constant(0.0));
        channel.period = Millis(400);
        channel
    }

    #[test]
    fn a_reading_is_fresh_for_three_periods() {
        let mut channel = channel();
        assert_eq!(channel.quality(Millis(0), FLOOR), Quality::Never);
        channel.take(Millis(1_000), Sample::Good(Celsius::constant(80.0)));
        assert_eq!(
            channel.celsius(Millis(2_200), FLOOR),
            Some(Celsius::constant(80.0))
        );
        assert_eq!(channel.quality(Millis(2_201), FLOOR), Quality::Stale);
        assert_eq!(channel.celsius(Millis(2_201), FLOOR), None);
    }

    #[test]
    fn a_fault_counts_from_its_first_scan() {
        let mut channel = channel();
        channel.take(Millis(1_000), Sample::Good(Celsius::constant(80.0)));
        channel.take(Millis(1_400), Sample::Fault(Fault::Open));
        channel.take(Millis(1_800), Sample::Fault(Fault::Open));
        assert_eq!((channel.scans, channel.faults), (3, 2));
        assert_eq!(channel.fault_since, Some(Millis(1_400)));
        assert_eq!(channel.celsius(Millis(1_800), FLOOR), None);
        channel.take(Millis(2_200), Sample::Good(Celsius::constant(81.0)));
        assert_eq!((channel.faults, channel.fault_since), (0, None));
    }

    #[test]
    fn a_quality_is_written_as_what_is_wrong() {
        for (quality, text) in [
            (Quality::Good, "good"),
            (Quality::Stale, "stale"),
            (Quality::Never, "stale"),
            (Quality::Fault(Fault::Open), "open"),
            (Quality::Fault(Fault::Short), "short"),
            (Quality::Fault(Fault::Range), "range"),
            (Quality::Fault(Fault::ColdJunction), "cold-junction"),
            (Quality::Fault(Fault::Device), "device"),
        ] {
            assert_eq!(quality.to_string(), text);
        }
    }
}
