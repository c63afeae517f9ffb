//! Everything that the core can ask for, as one closed list. The service carries it out with no choices left.

use std::fmt;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::channel::Sample;
use crate::id::{OutputId, RequestId, RunId, Seq, StationId};
use crate::interlock::{Effect, InterlockName, Permit};
use crate::limits::LimitName;
use crate::person::Person;
use crate::refusal::{Answer, Refusal};
use crate::run::{Outcome, Phase, Record};
use crate::units::{Celsius, CelsiusDelta, Fraction, Millis};

/// Something to do. [`crate::Lab::apply`] gives heat actions first: cut first, tell later.
#[derive(Debug, PartialEq)]
pub enum Action {
    /// Heat a station for a moment.
    Heat(Grant),
    /// Set an output to zero.
    Off {
        /// Which.
        output: OutputId,
        /// Number of the command.
        seq: Seq,
    },
    /// Set an output to zero, open its second switch, and refuse heat until `Restore`.
    Cut {
        /// Which.
        output: OutputId,
        /// Number of the command.
        seq: Seq,
    },
    /// Let a cut output take heat again.
    Restore {
        /// Which.
        output: OutputId,
        /// Number of the command.
        seq: Seq,
    },
    /// Answer a request.
    Answer {
        /// Which.
        request: RequestId,
        /// With what.
        answer: Result<Answer, Refusal>,
    },
    /// Append to the journal.
    Journal(Entry),
    /// Keep a trip over a restart, or its acknowledgement.
    KeepTrip {
        /// Where.
        station: StationId,
        /// Which interlock.
        interlock: InterlockName,
        /// What it did.
        effect: Effect,
        /// Its text.
        text: Arc<str>,
        /// Who acknowledged it.
        acknowledged_by: Option<Arc<str>>,
    },
    /// A kept trip was reset.
    DropTrip {
        /// Where.
        station: StationId,
        /// Which interlock.
        interlock: InterlockName,
    },
    /// Keep a ceiling over a restart; `None`: there is none any more.
    KeepLimit {
        /// Whose.
        scope: LimitScope,
        /// The ceiling.
        ceiling: Option<Celsius>,
    },
    /// Keep a limit of the lab over a restart; `None`: what is configured or built in counts again.
    KeepLabLimit {
        /// Which.
        limit: LimitName,
        /// Its value, in its unit.
        value: Option<f64>,
    },
    /// Another offset is in force at a channel: keep the record of why.
    KeepCalibration {
        /// Where.
        station: StationId,
        /// Which channel: its place in the station's list.
        channel: usize,
        /// What is added to its readings from now on.
        offset: CelsiusDelta,
        /// What [`crate::Calibration::record`] said.
        record: Arc<str>,
    },
    /// A run has begun, changed or ended: keep its record.
    Run(Box<RunChange>),
    /// Keep the readings of one scan.
    Record(Row),
    /// Tell whoever listens.
    Signal(Signal),
}

/// The right to heat, spent: what each heater of a station gets, for [`Permit::VALID`].
///
/// It holds the permit by value, so that one permit makes one grant.
#[derive(Debug, PartialEq)]
pub struct Grant {
    permit: Permit,
    heats: Vec<(OutputId, Seq, Fraction)>,
    offset: Option<Millis>,
}

impl Grant {
    pub(crate) fn new(permit: Permit, heats: Vec<(OutputId, Seq, Fraction)>, offset: Option<Millis>) -> Self {
        Self {
            permit,
            heats,
            offset,
        }
    }

    /// The station that heats.
    pub const fn station(&self) -> StationId {
        self.permit.station()
    }

    /// Each heater, the number of the command, and the share of full power.
    pub fn heats(&self) -> &[(OutputId, Seq, Fraction)] {
        &self.heats
    }

    /// Where in each window the on-times of the heaters have to start, so that the benches of one supply fire side by
    /// side; `None`: anywhere, or they have no windows.
    pub const fn offset(&self) -> Option<Millis> {
        self.offset
    }
}

/// Whose ceiling.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LimitScope {
    /// The lab's.
    Lab,
    /// A station's.
    Station(StationId),
}

/// The readings of one scan of one station.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Row {
    /// Where.
    pub station: StationId,
    /// When they were sampled, by the lab's clock.
    pub at: Millis,
    /// The run that they belong to.
    pub run: Option<RunId>,
    /// One per channel, in the station's order; `None` where this scan didn't hold it.
    pub values: Vec<Option<Sample>>,
    /// Heat that was granted on them.
    pub heat: Fraction,
    /// Phase of the station.
    pub phase: Phase,
    /// Stage of the run, counted from 1.
    pub stage: Option<u16>,
    /// Target of that stage.
    pub target: Option<Celsius>,
}

/// A run has begun, changed or ended.
#[derive(Debug, Clone, PartialEq)]
pub struct RunChange {
    /// Its record as it is now.
    pub record: Record,
    /// Whether nothing more will be recorded in it.
    pub ended: bool,
}

/// An entry for the journal: what was decided, where, and who asked for it.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// What kind of decision.
    pub kind: EntryKind,
    /// Where.
    pub station: Option<StationId>,
    /// In which run.
    pub run: Option<RunId>,
    /// Who asked for it.
    pub who: Option<Person>,
    /// In words.
    pub text: String,
    /// Measured value and limit with their unit (UCUM), where there are any.
    pub value: Option<f64>,
    /// The limit.
    pub limit: Option<f64>,
    /// Unit of both.
    pub unit: &'static str,
    /// The channel, where there is one.
    pub channel: Option<Arc<str>>,
    /// The channel's scan that it was decided on.
    pub scan: Option<u64>,
    /// The interlock that it is about, and where that stands now.
    pub about: Option<About>,
}

/// The interlock that a journal entry is about: what makes a list of trips and warnings of the journal.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct About {
    /// Which.
    pub interlock: InterlockName,
    /// Where it stands from then on: `clear`, `warning`, `tripped` or `acknowledged`.
    pub standing: &'static str,
    /// What it did, where it has just acted.
    pub effect: Option<Effect>,
}

impl Entry {
    /// An entry in words.
    pub(crate) const fn new(kind: EntryKind, who: Option<Person>, text: String) -> Self {
        Self {
            kind,
            station: None,
            run: None,
            who,
            text,
            value: None,
            limit: None,
            unit: "",
            channel: None,
            scan: None,
            about: None,
        }
    }
}

/// Kinds of journal entries that the core makes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum EntryKind {
    /// A run started.
    RunStarted,
    /// A run got its outcome, or lost it by being resumed.
    RunOutcome,
    /// A run's record is closed.
    RunEnded,
    /// A stage reached its target, or its dwell is over.
    Stage,
    /// A first run asks for a person, or doesn't any more.
    FirstRun,
    /// Heat on or off.
    Heat,
    /// An interlock is about to act, or no longer.
    Warning,
    /// An interlock has acted.
    Trip,
    /// An alarm of the whole lab was raised, acknowledged or cleared.
    Alarm,
    /// A trip was acknowledged.
    Acknowledged,
    /// A trip was reset.
    Reset,
    /// Presence was confirmed.
    Present,
    /// A limit was moved.
    Limit,
    /// The offset of a channel was changed.
    Calibration,
    /// A recipe was stored.
    Recipe,
    /// A window was stored.
    Window,
    /// A run was judged again.
    Verdict,
    /// A board model was stored.
    BoardModel,
    /// The configuration was read again.
    Config,
    /// A request was refused.
    Refused,
    /// A driver came or went.
    Driver,
    /// A board is safe to handle.
    Safe,
}

impl EntryKind {
    /// As the journal writes it.
    pub const fn text(self) -> &'static str {
        match self {
            Self::RunStarted => "run-started",
            Self::RunOutcome => "run-outcome",
            Self::RunEnded => "run-ended",
            Self::Stage => "stage",
            Self::FirstRun => "first-run",
            Self::Heat => "heat",
            Self::Warning => "warning",
            Self::Trip => "trip",
            Self::Alarm => "alarm",
            Self::Acknowledged => "acknowledged",
            Self::Reset => "reset",
            Self::Present => "present",
            Self::Limit => "limit",
            Self::Calibration => "calibration",
            Self::Recipe => "recipe",
            Self::Window => "window",
            Self::Verdict => "verdict",
            Self::BoardModel => "board-model",
            Self::Config => "config",
            Self::Refused => "refused",
            Self::Driver => "driver",
            Self::Safe => "safe",
        }
    }
}

impl fmt::Display for EntryKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.text())
    }
}

/// What is told to whoever listens: bus signals, MQTT.
#[derive(Debug, Clone, PartialEq)]
pub enum Signal {
    /// A station's phase or stage changed.
    Phase {
        /// Where.
        station: StationId,
        /// The phase now.
        phase: Phase,
        /// Stage of the run, counted from 1.
        stage: Option<u16>,
    },
    /// An interlock's standing changed.
    Interlock {
        /// Where.
        station: StationId,
        /// Which.
        interlock: InterlockName,
        /// `clear`, `warning`, `tripped` or `acknowledged`.
        standing: &'static str,
        /// What a person has to know.
        text: String,
    },
    /// An alarm of the whole lab was raised, acknowledged or cleared.
    Alarm {
        /// The station whose interlock it is.
        station: StationId,
        /// Which.
        interlock: InterlockName,
        /// `tripped`, `acknowledged` or `clear`.
        standing: &'static str,
        /// What a person has to know.
        text: String,
    },
    /// A run has its outcome.
    RunOutcome {
        /// Where.
        station: StationId,
        /// Which.
        run: RunId,
        /// How it ended.
        outcome: Outcome,
    },
}

/// Whether a run was inside its window. Judging comes after the run; the core only names the results.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Verdict {
    /// Every line of the window held.
    Pass,
    /// At least one did not.
    Fail,
    /// The recipe has no window, or nobody has judged yet.
    None,
}
