//! Wall time of records.

use std::fmt;
use std::str::FromStr;

use jiff::Timestamp;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// Wall time, milliseconds since 1970-01-01T00:00:00Z. It belongs to records and decides nothing: it may
/// step, also backwards. Written as RFC 3339 UTC with milliseconds: `2026-11-25T13:46:33.120Z`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Wall(pub i64);

/// Milliseconds of a day.
const DAY_MS: i64 = 86_400_000;

impl Wall {
    /// The system's wall clock. The one place of this crate that reads a clock; only programs call it.
    pub fn now() -> Self {
        Self(Timestamp::now().as_millisecond())
    }

    /// The UTC day, counted from 1970-01-01.
    pub fn day(self) -> i32 {
        i32::try_from(self.0.div_euclid(DAY_MS)).unwrap_or(if self.0 < 0 { i32::MIN } else { i32::MAX })
    }

    /// The UTC date, `2026-11-25`.
    pub fn date(self) -> String {
        self.to_string().chars().take(10).collect()
    }

    /// Midnight (UTC) at which `day`, counted from 1970-01-01, begins.
    pub fn of_day(day: i32) -> Self {
        Self(i64::from(day) * DAY_MS)
    }

    /// Later by `ms`, without wrapping.
    #[must_use]
    pub fn plus_ms(self, ms: i64) -> Self {
        Self(self.0.saturating_add(ms))
    }
}

impl fmt::Display for Wall {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        // Out of the calendar's range only if a record is damaged; then the bare number is the honest answer.
        match Timestamp::from_millisecond(self.0) {
            Ok(time) => write!(out, "{time:.3}"),
            Err(_) => write!(out, "{}ms", self.0),
        }
    }
}

/// A text that is no RFC 3339 time.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is not a time; write RFC 3339 such as 2026-11-25T13:46:33.120Z")]
pub struct NotATime(String);

impl FromStr for Wall {
    type Err = NotATime;

    /// Reads RFC 3339 with any offset; finer than a millisecond is cut off.
    fn from_str(text: &str) -> Result<Self, NotATime> {
        if let Some(ms) = text.strip_suffix("ms").and_then(|ms| ms.parse().ok()) {
            return Ok(Self(ms));
        }
        text.parse::<Timestamp>()
            .map(|time| Self(time.as_millisecond()))
            .map_err(|_| NotATime(text.into()))
    }
}

impl Serialize for Wall {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Wall {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = std::borrow::Cow::<'de, str>::deserialize(deserializer)?;
        text.parse().map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_and_back() {
        // 1234567890 s after the epoch, as `date -u -d @1234567890` prints it.
        let time = Wall(1_234_567_890_007);
        assert_eq!(time.to_string(), "2009-02-13T23:31:30.007Z");
        assert_eq!("2009-02-14T00:31:30.0079+01:00".parse(), Ok(time));
        assert_eq!(time.date(), "2009-02-13");
        assert_eq!(Wall(-1).to_string(), "1969-12-31T23:59:59.999Z");
        assert_eq!((Wall(-1).day(), Wall(0).day()), (-1, 0));
        for odd in [i64::MIN, i64::MAX] {
            assert_eq!(Wall(odd).to_string().parse(), Ok(Wall(odd)));
        }
    }
}
