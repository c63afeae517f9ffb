//! What is less safe at a station than usual and no trip: each is shown until it ends, and kept with the run that went on under it.

use std::fmt;
use std::sync::Arc;

use crate::limits::{Ceiling, RISE_MAX};
use crate::units::{Celsius, CelsiusPerSecond, Millis};

/// Something to be careful about. What a person does about each is in [`crate::messages`].
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Caution {
    /// The ceiling that counts is above the configured one.
    CeilingRaised {
        /// What counts.
        now: Ceiling,
        /// What the configuration says.
        configured: Celsius,
    },
    /// Heat goes on for longer than configured while nobody confirms to be there.
    AbsenceRaised {
        /// For how long.
        now: Millis,
        /// What the configuration says.
        configured: Millis,
    },
    /// A board may rise faster than what is built in.
    RiseRaised {
        /// How fast.
        now: CelsiusPerSecond,
    },
    /// The station is configured as one whose readings don't follow its heat.
    Unfollowed,
    /// A permissive was opened while the board cooled.
    Opened {
        /// Which.
        permissive: Arc<str>,
    },
}

impl fmt::Display for Caution {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::CeilingRaised { now, configured } => write!(
                f,
                "the ceiling is raised to {} (set by {}), the configuration says {configured}",
                now.celsius, now.from
            ),
            Self::AbsenceRaised { now, configured } => write!(
                f,
                "the limit of absence is raised to {now}, the configuration says {configured}"
            ),
            Self::RiseRaised { now } => write!(
                f,
                "the limit of rising is raised to {} °C/s, built in are {} °C/s",
                now.per_second(),
                RISE_MAX.per_second()
            ),
            Self::Unfollowed => f.write_str(
                "its readings don't follow its heat (`follows_heat = false`): no board model watches them",
            ),
            Self::Opened { permissive } => write!(f, "permissive {permissive} was opened"),
        }
    }
}
