//! The window: the limits that a finished run is judged by.
//!
//! It stands in a recipe (`[window]`) or is a document of its own ([`Window::parse`]) that recipes name. The core reads it and
//! never acts on it: whether a run kept it is found out once the run is over, by the crate `benchward-judge`.

mod parse;

use std::fmt;

use crate::mistake::Mistakes;
use crate::mistake::table::figure;
use crate::units::{Celsius, Millis};

pub(crate) use parse::{SECTIONS, TableOfRecipe, in_recipe};

/// Largest text of a window, bytes: as for a recipe.
pub const TEXT_BYTES_MAX: usize = crate::recipe::TEXT_BYTES_MAX;

/// Longest name of a window, characters: as for a recipe.
pub const NAME_CHARS_MAX: usize = crate::recipe::NAME_CHARS_MAX;

/// Most lines of a window. Published profiles have ten; this bounds a generated file.
pub const LINES_MAX: usize = 64;

/// Rates are means over this long where a window doesn't say. Long enough that the noise of a thermocouple (0.05 °C) is
/// a hundredth of the usual limits, short enough that no board changes its rate within. Own choice, no source.
pub const RATE_OVER_DEFAULT: Millis = Millis::from_secs(10);

/// Readings that are no further apart are joined by a straight line where a window doesn't say. A board that rises by 3 °C/s
/// is then known to a few degrees. Own choice, no source.
pub const GAP_DEFAULT: Millis = Millis::from_secs(2);

/// The limits that a finished run is judged by. Without lines and name: runs have no verdict.
#[derive(Debug, Clone, PartialEq)]
pub struct Window {
    /// The stored window that counts instead; there are no lines then.
    pub named: Option<String>,
    /// In the order of the file, at most [`LINES_MAX`].
    pub lines: Vec<Line>,
    /// Rates are means over this long.
    pub rate_over: Millis,
    /// Readings further apart than this leave a gap, and what could have been in it is not known.
    pub gap_max: Millis,
}

impl Default for Window {
    fn default() -> Self {
        Self {
            named: None,
            lines: Vec::new(),
            rate_over: RATE_OVER_DEFAULT,
            gap_max: GAP_DEFAULT,
        }
    }
}

/// A window as a document of its own.
#[derive(Debug, Clone, PartialEq)]
pub struct NamedWindow {
    /// What the shop calls it; 1 to [`NAME_CHARS_MAX`] characters.
    pub name: String,
    /// Where its figures come from, in the words of who wrote it.
    pub source: Option<String>,
    /// The limits; at least one line.
    pub window: Window,
}

/// One limit.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// What is measured.
    pub measure: Measure,
    /// On which temperature.
    pub on: On,
    /// What it has to keep, in the unit of [`Measure::unit`].
    pub limits: Limits,
}

/// What is measured of one temperature over a run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Measure {
    /// The highest reading.
    Peak,
    /// The fastest rise, as the mean over any [`Window::rate_over`].
    Rise,
    /// The fastest fall, as the mean over any [`Window::rate_over`]; a positive number of degrees lost a second.
    Fall,
    /// The mean rise from the last time that it passed `from` on its way to the peak.
    RiseToPeak {
        /// Where it begins.
        from: Celsius,
    },
    /// The mean fall from the last reading at the peak until it passes `to`; a positive number.
    FallFromPeak {
        /// Where it ends.
        to: Celsius,
    },
    /// How long it was above a temperature, in total.
    Above {
        /// Above this.
        celsius: Celsius,
    },
    /// How long it was between two temperatures, in total or until the upper one was first reached.
    Between {
        /// From here,
        low: Celsius,
        /// to here.
        high: Celsius,
        /// Only until the upper one is first reached.
        rising: bool,
    },
    /// How long it was in the band around a stage's target while that stage went on.
    Dwell {
        /// Which, counted from 1.
        stage: u16,
    },
    /// The largest difference between hottest and coldest channel at one time.
    Spread,
    /// How long it took to the first reading at the peak.
    TimeToPeak {
        /// Counted from when it first passed this; `None`: from the start of the run.
        from: Option<Celsius>,
    },
    /// How long it took from the end of the heat until it was below a temperature, for good.
    Cooldown {
        /// Below this; `None`: what the recipe says is safe to handle.
        to: Option<Celsius>,
    },
}

/// Which temperature a line is judged on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum On {
    /// Every channel has to keep the line.
    All,
    /// The hottest channel at each time.
    Hottest,
    /// The coldest channel at each time.
    Coldest,
    /// The mean of all channels.
    Mean,
    /// What the recipe steers.
    Control,
    /// One channel by its name.
    Channel(String),
}

/// A lower and an upper limit, both included, one of which may be missing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Limits {
    low: Option<f64>,
    high: Option<f64>,
}

/// What a line's figures are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unit {
    /// Temperatures, °C.
    Celsius,
    /// Differences of temperatures, °C.
    CelsiusDelta,
    /// °C/s.
    CelsiusPerSecond,
    /// s.
    Seconds,
}

impl Window {
    /// Reads a window of its own: `window = "NAME"`, `source = "..."`, and the keys of a recipe's `[window]`.
    ///
    /// `source`: what the reader of a mistake calls the text, usually its file name.
    ///
    /// # Errors
    /// All mistakes of the text in one go.
    pub fn parse(source: &str, text: &str) -> Result<NamedWindow, Mistakes> {
        parse::window(source, text)
    }

    /// Whether nothing is judged by it.
    pub fn is_empty(&self) -> bool {
        self.named.is_none() && self.lines.is_empty()
    }
}

impl Measure {
    /// What its figures are.
    pub const fn unit(self) -> Unit {
        match self {
            Self::Peak => Unit::Celsius,
            Self::Spread => Unit::CelsiusDelta,
            Self::Rise | Self::Fall | Self::RiseToPeak { .. } | Self::FallFromPeak { .. } => {
                Unit::CelsiusPerSecond
            }
            Self::Above { .. }
            | Self::Between { .. }
            | Self::Dwell { .. }
            | Self::TimeToPeak { .. }
            | Self::Cooldown { .. } => Unit::Seconds,
        }
    }

    /// The temperature that is judged where neither line nor window says.
    ///
    /// Peak and times are those of the hottest part, which a run's peak is too; rates and the cool-down have to be kept by every
    /// part; a dwell belongs to what is steered.
    pub const fn on(self) -> On {
        match self {
            Self::Peak
            | Self::Above { .. }
            | Self::Between { .. }
            | Self::TimeToPeak { .. }
            | Self::RiseToPeak { .. }
            | Self::FallFromPeak { .. } => On::Hottest,
            Self::Rise | Self::Fall | Self::Cooldown { .. } | Self::Spread => On::All,
            Self::Dwell { .. } => On::Control,
        }
    }
}

/// As screens and records name the line: `peak`, `above 70 °C`, `dwell of stage 2`.
impl fmt::Display for Measure {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let degrees = |celsius: Celsius| figure(celsius.degrees());
        match *self {
            Self::Peak => f.write_str("peak"),
            Self::Rise => f.write_str("rise"),
            Self::Fall => f.write_str("fall"),
            Self::RiseToPeak { from } => write!(f, "rise from {} °C to the peak", degrees(from)),
            Self::FallFromPeak { to } => write!(f, "fall from the peak to {} °C", degrees(to)),
            Self::Above { celsius } => write!(f, "above {} °C", degrees(celsius)),
            Self::Between { low, high, rising } => {
                let way = if rising { "rising from" } else { "between" };
                let and = if rising { "to" } else { "and" };
                write!(f, "{way} {} {and} {} °C", degrees(low), degrees(high))
            }
            Self::Dwell { stage } => write!(f, "dwell of stage {stage}"),
            Self::Spread => f.write_str("spread"),
            Self::TimeToPeak { from: None } => f.write_str("time to peak"),
            Self::TimeToPeak { from: Some(from) } => write!(f, "time from {} °C to peak", degrees(from)),
            Self::Cooldown { to: None } => f.write_str("cool-down"),
            Self::Cooldown { to: Some(to) } => write!(f, "cool-down to {} °C", degrees(to)),
        }
    }
}

impl On {
    /// The words that are no channel's name.
    pub(crate) const WORDS: [(&'static str, Self); 5] = [
        ("all", Self::All),
        ("hottest", Self::Hottest),
        ("coldest", Self::Coldest),
        ("mean", Self::Mean),
        ("control", Self::Control),
    ];

    /// As it is written in a window.
    pub fn text(&self) -> &str {
        match self {
            Self::All => "all",
            Self::Hottest => "hottest",
            Self::Coldest => "coldest",
            Self::Mean => "mean",
            Self::Control => "control",
            Self::Channel(name) => name,
        }
    }
}

impl Unit {
    /// As the last part of a key: `celsius`, `celsius_per_s`, `s`.
    pub const fn key(self) -> &'static str {
        match self {
            Self::Celsius | Self::CelsiusDelta => "celsius",
            Self::CelsiusPerSecond => "celsius_per_s",
            Self::Seconds => "s",
        }
    }

    /// As printed after a number.
    pub const fn symbol(self) -> &'static str {
        match self {
            Self::Celsius | Self::CelsiusDelta => "°C",
            Self::CelsiusPerSecond => "°C/s",
            Self::Seconds => "s",
        }
    }
}

impl Limits {
    /// `None` unless at least one is given, all are finite, and `low` is below `high`: a margin is a share of the width, so there
    /// has to be one.
    pub fn new(low: Option<f64>, high: Option<f64>) -> Option<Self> {
        let finite = |limit: Option<f64>| limit.is_none_or(f64::is_finite);
        let width = match (low, high) {
            (None, None) => false,
            (Some(low), Some(high)) => low < high,
            (Some(_), None) | (None, Some(_)) => true,
        };
        (width && finite(low) && finite(high)).then_some(Self { low, high })
    }

    /// The lower limit.
    pub fn low(&self) -> Option<f64> {
        self.low
    }

    /// The upper limit.
    pub fn high(&self) -> Option<f64> {
        self.high
    }
}

#[cfg(test)]
mod tests;
