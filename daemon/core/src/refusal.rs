//! What a request is answered with: done, or refused with a reason that holds both figures.

use std::fmt;
use std::sync::Arc;

use crate::alarm::Alarm;
use crate::calibration::OFFSET_MAX;
use crate::id::RunId;
use crate::limits::{CEILING_MAX, CEILING_MIN, Ceiling, LimitName};
use crate::person::{Act, Person};
use crate::units::{Celsius, CelsiusDelta, Millis};

/// It was done, or was so already.
#[derive(Debug, Clone, PartialEq)]
pub enum Answer {
    /// Done; says what the state is now.
    Done(String),
    /// A run has started.
    Started(RunId),
}

/// It was not done.
///
/// The one list of names serves the bus, JSON output and the journal: see [`Refusal::name`].
#[derive(Debug, Clone, PartialEq)]
pub enum Refusal {
    /// The caller lacks a role.
    NotPermitted {
        /// Who asked.
        who: Person,
        /// For what.
        act: Act,
    },
    /// Heat, limits and resets are never changed from a network.
    NotFromNetwork {
        /// For what.
        act: Act,
    },
    /// A target or a new limit is above what may be.
    CeilingExceeded {
        /// Stage, counted from 1.
        stage: usize,
        /// Name of the recipe.
        recipe: String,
        /// The stage's target.
        target: Celsius,
        /// Where it was to run.
        station: Arc<str>,
        /// What counts there.
        ceiling: Ceiling,
    },
    /// A ceiling outside what can be set at all.
    CeilingOutOfBounds {
        /// What was asked for.
        asked: Celsius,
    },
    /// A limit of the lab outside what can be set at all.
    LimitOutOfBounds {
        /// Which.
        limit: LimitName,
        /// What was asked for, in its unit.
        asked: f64,
    },
    /// An offset beyond what a calibration can set.
    OffsetOutOfBounds {
        /// Where.
        station: Arc<str>,
        /// Which channel.
        channel: Arc<str>,
        /// The offset that it came to.
        asked: CelsiusDelta,
    },
    /// An interlock has tripped, or its cause stands.
    Tripped {
        /// Where.
        station: Arc<str>,
        /// Which interlock.
        interlock: &'static str,
        /// What it said.
        text: String,
    },
    /// An alarm of the whole lab stands.
    LabAlarm {
        /// Where something was to start.
        station: Arc<str>,
        /// Which alarm.
        alarm: Alarm,
    },
    /// The cause of a trip is still there.
    CauseStands {
        /// Where.
        station: Arc<str>,
        /// Which interlock.
        interlock: &'static str,
        /// What is still wrong.
        text: String,
    },
    /// A run is in progress.
    Busy {
        /// Where.
        station: Arc<str>,
        /// Which run.
        run: RunId,
    },
    /// Something the run needs isn't there.
    NotReady {
        /// Where.
        station: Arc<str>,
        /// What is missing and what to do.
        text: String,
    },
    /// The run asks nobody to confirm anything.
    NothingToConfirm {
        /// Where.
        station: Arc<str>,
    },
    /// There is nothing to resume.
    NothingToResume {
        /// Where.
        station: Arc<str>,
        /// How long a run may wait.
        within: Millis,
    },
}

/// A refusal without what it is about: what has a name, and an entry in [`crate::messages`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
#[expect(missing_docs, reason = "each is the refusal of that name")]
pub enum RefusalKind {
    NotPermitted,
    NotFromNetwork,
    CeilingExceeded,
    CeilingOutOfBounds,
    LimitOutOfBounds,
    OffsetOutOfBounds,
    Tripped,
    LabAlarm,
    CauseStands,
    Busy,
    NotReady,
    NothingToConfirm,
    NothingToResume,
}

impl RefusalKind {
    /// All of them.
    pub const ALL: [Self; 13] = [
        Self::NotPermitted,
        Self::NotFromNetwork,
        Self::CeilingExceeded,
        Self::CeilingOutOfBounds,
        Self::LimitOutOfBounds,
        Self::OffsetOutOfBounds,
        Self::Tripped,
        Self::LabAlarm,
        Self::CauseStands,
        Self::Busy,
        Self::NotReady,
        Self::NothingToConfirm,
        Self::NothingToResume,
    ];

    /// The error's name, as the bus and JSON output say it.
    pub const fn name(self) -> &'static str {
        match self {
            Self::NotPermitted => "NotPermitted",
            Self::NotFromNetwork => "NotFromNetwork",
            Self::CeilingExceeded => "CeilingExceeded",
            Self::CeilingOutOfBounds => "CeilingOutOfBounds",
            Self::LimitOutOfBounds => "LimitOutOfBounds",
            Self::OffsetOutOfBounds => "OffsetOutOfBounds",
            Self::Tripped => "Tripped",
            Self::LabAlarm => "LabAlarm",
            Self::CauseStands => "CauseStands",
            Self::Busy => "Busy",
            Self::NotReady => "NotReady",
            Self::NothingToConfirm => "NothingToConfirm",
            Self::NothingToResume => "NothingToResume",
        }
    }
}

impl Refusal {
    /// Which it is.
    pub const fn kind(&self) -> RefusalKind {
        match self {
            Self::NotPermitted { .. } => RefusalKind::NotPermitted,
            Self::NotFromNetwork { .. } => RefusalKind::NotFromNetwork,
            Self::CeilingExceeded { .. } => RefusalKind::CeilingExceeded,
            Self::CeilingOutOfBounds { .. } => RefusalKind::CeilingOutOfBounds,
            Self::LimitOutOfBounds { .. } => RefusalKind::LimitOutOfBounds,
            Self::OffsetOutOfBounds { .. } => RefusalKind::OffsetOutOfBounds,
            Self::Tripped { .. } => RefusalKind::Tripped,
            Self::LabAlarm { .. } => RefusalKind::LabAlarm,
            Self::CauseStands { .. } => RefusalKind::CauseStands,
            Self::Busy { .. } => RefusalKind::Busy,
            Self::NotReady { .. } => RefusalKind::NotReady,
            Self::NothingToConfirm { .. } => RefusalKind::NothingToConfirm,
            Self::NothingToResume { .. } => RefusalKind::NothingToResume,
        }
    }

    /// The error's name, as the bus and JSON output say it.
    pub const fn name(&self) -> &'static str {
        self.kind().name()
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NotPermitted { who, act } => {
                write!(f, "{who} may not {}: it takes {}", act.words(), act.needs())
            }
            Self::NotFromNetwork { act } => write!(
                f,
                "nobody may {} over a network: the lab can only be made cooler from outside",
                act.words()
            ),
            Self::CeilingExceeded {
                stage,
                recipe,
                target,
                station,
                ceiling,
            } => write!(
                f,
                "stage {stage} of \"{recipe}\": target {target} is above the ceiling of {station}, {} \
                 (set by {}); lower the target, or ask a safety role for `benchward limit set`",
                ceiling.celsius, ceiling.from
            ),
            Self::CeilingOutOfBounds { asked } => write!(
                f,
                "a ceiling of {asked} is outside what can be set, {CEILING_MIN} to {CEILING_MAX}"
            ),
            Self::LimitOutOfBounds { limit, asked } => {
                let [lowest, highest] = limit.bounds().map(|bound| limit.shown(bound));
                write!(
                    f,
                    "`{limit}` of {} is outside what can be set, {lowest} to {highest}",
                    limit.shown(*asked)
                )
            }
            Self::OffsetOutOfBounds {
                station,
                channel,
                asked,
            } => write!(
                f,
                "channel {channel} of {station} would need an offset of {:+.2} °C, and a calibration sets at most {:.0} °C \
                 either way: a sensor so far off is broken, of another type, or not where it is thought to be",
                asked.degrees(),
                OFFSET_MAX.degrees()
            ),
            Self::Tripped {
                station,
                interlock,
                text,
            } => write!(
                f,
                "{station} is tripped by `{interlock}`: {text}; it starts again after \
                 `benchward trip reset {station}`"
            ),
            Self::LabAlarm { station, alarm } => write!(f, "{station} may not heat now: {}", alarm.text),
            Self::CauseStands {
                station,
                interlock,
                text,
            } => {
                write!(
                    f,
                    "{station} can't be reset, the cause of `{interlock}` stands: {text}"
                )
            }
            Self::Busy { station, run } => write!(
                f,
                "{station} is in run {run}; stop it first with `benchward run stop {station}`"
            ),
            Self::NotReady { station, text } => write!(f, "{station} is not ready: {text}"),
            Self::NothingToConfirm { station } => write!(
                f,
                "{station} has no run that waits for somebody to confirm its sensors"
            ),
            Self::NothingToResume { station, within } => write!(
                f,
                "{station} has no run to resume: only a tripped run can be, within {within} of its trip"
            ),
        }
    }
}

impl std::error::Error for Refusal {}
