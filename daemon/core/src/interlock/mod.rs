//! Interlocks: what takes the heat away, and the only place where the right to heat is made.
//!
//! # What this module is responsible for
//!
//! * **One table** ([`InterlockName`], at the end of the `table!` call below) lists every interlock. Each
//!   row is one file with one small pure condition. Adding one is one file and one line.
//! * **Latching** ([`Standing`], `Latch`): a condition that has acted stays acted until a person with the
//!   right role resets it, and can only be reset once its cause is gone.
//! * **Permits** ([`Permit`]): the only constructor is `Panel::evaluate`. It makes a permit when every
//!   interlock of the station has just been evaluated on the newest readings and none is tripped. A permit
//!   can't be copied, kept in a field and used again: the heat action takes it by value.
//!
//! # What it deliberately doesn't do
//!
//! It doesn't know what a driver, a run's stages or a recipe are, and it doesn't send anything: it reports
//! `Change`s, and the station turns them into actions.
//!
//! # States of one interlock
//!
//! ```text
//!              warn                    bad (armed)
//!   Clear <-----------> Warning ----------------------+
//!     |   good                                        v
//!     +------------------ bad (armed) ----------> Tripped --acknowledge--> Acknowledged
//!     ^                                               |                        |
//!     +------------- reset by a person with the role, cause gone --------------+
//! ```
//!
//! A fourth thing that can be observed, *unknown*, moves nothing: nothing has been read that could show the cause, or what
//! was read isn't confirmed yet. It is no reason to act and no reason to believe that a cause is gone.
//!
//! `bad` acts only while the interlock is *armed*: some causes matter at all times (a board above the
//! ceiling), others only while heat may be on (an open permissive of an idle bench is no trip). A latched
//! interlock goes on being observed armed or not, since a reset needs to know whether the cause is gone.

use std::fmt;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::channel::Channel;
use crate::event::Loss;
use crate::heat_log::HeatLog;
use crate::id::{InstanceId, StationId};
use crate::limits::Ceiling;
use crate::output::Output;
use crate::person::Person;
use crate::presence::Presence;
use crate::setup::StandingTrip;
use crate::units::{Amps, Celsius, CelsiusDelta, CelsiusPerSecond, Millis};

#[cfg(test)]
mod bench;
mod threshold;

pub use threshold::{InForce, Threshold};

macro_rules! table {
    ($($(#[$doc:meta])* $variant:ident, $module:ident, $text:literal;)*) => {
        $(mod $module;)*

        /// The interlocks, by name. The order is the order of the table in the manual.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
        pub enum InterlockName {
            $($(#[$doc])* $variant),*
        }

        impl InterlockName {
            /// Every interlock.
            pub const ALL: &'static [Self] = &[$(Self::$variant),*];

            /// The name as configuration, screens and journal write it.
            pub const fn text(self) -> &'static str {
                match self { $(Self::$variant => $text),* }
            }

            /// The interlock of that name.
            pub fn parse(text: &str) -> Option<Self> {
                match text { $($text => Some(Self::$variant),)* _ => None }
            }
        }

        /// What one interlock watches for, with whatever it has to remember.
        #[derive(Debug, Clone, Serialize, Deserialize)]
        enum Condition {
            $($variant($module::$variant)),*
        }

        impl Condition {
            fn new(name: InterlockName) -> Self {
                match name { $(InterlockName::$variant => Self::$variant(<$module::$variant>::default())),* }
            }

            fn observe(&mut self, facts: &Facts<'_>) -> Observation {
                match self { $(Self::$variant(condition) => condition.observe(facts)),* }
            }
        }

        impl InterlockName {
            /// The figures that it acts at where `in_force` counts, each with where it comes from.
            pub fn thresholds(self, in_force: &InForce) -> Vec<Threshold> {
                match self { $(Self::$variant => $module::thresholds(in_force)),* }
            }
        }
    };
}

table! {
    /// A channel is above the effective ceiling.
    OverTemperature, over_temperature, "over-temperature";
    /// Heat has been on for too long with nobody confirming to be there.
    OperatorAbsent, operator_absent, "operator-absent";
    /// A channel that the run needs reports a fault.
    SensorFault, sensor_fault, "sensor-fault";
    /// A channel that the run needs has gone silent.
    SensorStale, sensor_stale, "sensor-stale";
    /// A thermocouple is no longer on the board.
    SensorDetached, sensor_detached, "sensor-detached";
    /// A channel's value stands still although the heat made a change certain.
    SensorStuck, sensor_stuck, "sensor-stuck";
    /// The place where a thermocouple's wires end is out of its range, or jumps.
    ColdJunction, cold_junction, "cold-junction";
    /// A channel rises faster than a board may.
    RiseTooFast, rise_too_fast, "rise-too-fast";
    /// Nearly all the heat there is, and the board doesn't follow.
    NoResponse, no_response, "no-response";
    /// No heat is commanded, and yet there is heat.
    HeatStuckOn, heat_stuck_on, "heat-stuck-on";
    /// A driver ended, broke the protocol or doesn't confirm commands.
    DriverLost, driver_lost, "driver-lost";
    /// The run takes longer than its limit.
    RunTooLong, run_too_long, "run-too-long";
    /// A permissive input is open or can't be read.
    PermissiveOpen, permissive_open, "permissive-open";
    /// Somebody pressed stop.
    Stop, stop, "stop";
    /// The daemon's own loop was late.
    Clock, clock, "clock";
}

impl fmt::Display for InterlockName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.text())
    }
}

/// What an interlock does when it acts, and so who may lift it. Ordered: the worse one wins by `max`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum Effect {
    /// Heat goes to zero. Anybody with a role may reset.
    HeatOff,
    /// Heat goes to zero and the second switch opens. The role `safety` resets.
    Cut,
}

impl Effect {
    /// As the manual writes it.
    pub const fn text(self) -> &'static str {
        match self {
            Self::HeatOff => "heat off",
            Self::Cut => "cut",
        }
    }

    /// The effect of that name.
    pub fn parse(text: &str) -> Option<Self> {
        match text {
            "heat off" => Some(Self::HeatOff),
            "cut" => Some(Self::Cut),
            _ => None,
        }
    }
}

/// The right to heat one station, given for a moment.
///
/// The field is private to this module and there is no other constructor than `Panel::evaluate`: code that
/// holds one has just had every interlock evaluated on the newest readings. It is neither `Clone` nor `Copy`;
/// the heat action consumes it.
#[derive(Debug, PartialEq, Eq)]
pub struct Permit {
    station: StationId,
}

impl Permit {
    /// How long a permit lasts at the driver. The protocol allows 1.5 s at most between the daemon's death
    /// and zero heat; a tenth less leaves room for the pipe and for a driver thread that wakes late.
    pub const VALID: Millis = Millis(1_400);

    /// The station that may heat.
    pub const fn station(&self) -> StationId {
        self.station
    }
}

/// What an interlock saw this time.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Observation {
    /// All is well.
    Good,
    /// The cause can't be ruled out: nothing was read that would show it, or what was read isn't confirmed yet. Nothing
    /// acts on it, and a latched trip isn't lifted on it.
    Unknown(Arc<str>),
    /// It will act if this goes on.
    Warn(Arc<str>),
    /// The cause is there.
    Bad(Cause),
}

/// Why an interlock acts, as data: what was measured, against which limit, where, and in which scan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Cause {
    /// What it does.
    pub effect: Effect,
    /// What happened, with place, value and limit; no full stop at the end.
    pub text: Arc<str>,
    /// The channel, where there is one.
    pub channel: Option<Arc<str>>,
    /// The measured value, in `unit`.
    pub value: Option<f64>,
    /// The limit that it passed, in `unit`.
    pub limit: Option<f64>,
    /// Unit of `value` and `limit`: `Cel`, `K` (a difference of temperatures), `Cel/s`, `A`, `s` (UCUM codes), or empty.
    ///
    /// Not kept with an excerpt: no run begins while anything is latched.
    #[serde(skip)]
    pub unit: &'static str,
    /// The channel's scan that showed it, counted from the daemon's start.
    pub scan: Option<u64>,
}

impl Cause {
    /// A cause that is neither about one channel nor about a figure.
    fn plain(effect: Effect, text: String) -> Self {
        Self {
            effect,
            text: text.into(),
            channel: None,
            value: None,
            limit: None,
            unit: "",
            scan: None,
        }
    }

    /// A cause about a length of time that passed its limit.
    fn lasted(effect: Effect, text: String, value: Millis, limit: Millis) -> Self {
        Self {
            value: Some(value.seconds()),
            limit: Some(limit.seconds()),
            unit: "s",
            ..Self::plain(effect, text)
        }
    }
}

/// What an interlock says of a channel that nothing has been read of since its driver started.
fn unread(channel: &Channel) -> Observation {
    Observation::Unknown(format!("channel {} has no reading yet", channel.name).into())
}

/// A measured figure as the journal keeps it: what is computed from readings is no finer than they are.
fn hundredths(value: f64) -> f64 {
    (value * 100.0).round() / 100.0
}

/// An interlock has acted. Latched.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Trip {
    /// Why.
    pub cause: Cause,
    /// When, by the lab's clock. Zero for a trip that outlived a restart of the daemon.
    pub since: Millis,
}

/// Where an interlock stands. `Tripped` and `Acknowledged` are latched: only a reset leaves them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub enum Standing {
    /// Nothing to say.
    Clear,
    /// About to act.
    Warning {
        /// Since when.
        since: Millis,
        /// What will happen and what to do about it.
        text: Arc<str>,
    },
    /// Has acted.
    Tripped {
        /// Why and when.
        trip: Trip,
    },
    /// Has acted, and a person has seen it.
    Acknowledged {
        /// Why and when.
        trip: Trip,
        /// Who has seen it.
        by: Person,
    },
}

impl Standing {
    /// As configuration, screens and journal write it.
    pub const fn text(&self) -> &'static str {
        match self {
            Self::Clear => "clear",
            Self::Warning { .. } => "warning",
            Self::Tripped { .. } => "tripped",
            Self::Acknowledged { .. } => "acknowledged",
        }
    }

    /// The trip, if it is latched.
    pub const fn trip(&self) -> Option<&Trip> {
        match self {
            Self::Tripped { trip } | Self::Acknowledged { trip, .. } => Some(trip),
            Self::Clear | Self::Warning { .. } => None,
        }
    }
}

/// Limits that guard against a slow or stopped *host*. They are real time, however fast the lab's clock
/// goes, so they are the design's figures times the lab's time scale.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct HostLimits {
    /// Shortest silence that makes an input stale: 0.5 s. Three periods of a fast sensor are within the
    /// jitter of a busy host.
    pub(crate) silence_floor: Millis,
    /// How late the daemon's own loop may be: 0.5 s. Later, the readings that decisions rest on are old.
    pub(crate) late_max: Millis,
    /// How long a driver may take to confirm a command: 1 s.
    pub(crate) confirm_within: Millis,
}

impl HostLimits {
    pub(crate) fn new(time_scale: u64) -> Self {
        Self {
            silence_floor: Millis(500) * time_scale,
            late_max: Millis(500) * time_scale,
            confirm_within: Millis(1_000) * time_scale,
        }
    }
}

/// A yes/no input that has to be closed for heat.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Permissive {
    pub(crate) name: Arc<str>,
    pub(crate) period: Millis,
    /// Newest value and when it came; `None` where it never came or can't be read.
    pub(crate) newest: Option<(Millis, bool)>,
    /// Since when it has been read as open, scan after scan.
    pub(crate) open_since: Option<Millis>,
}

impl Permissive {
    /// Whether somebody has opened it: read as open for longer than a contact bounces. Silence is no opening.
    pub(crate) fn is_opened(&self, now: Millis) -> bool {
        self.open_since
            .is_some_and(|since| now.since(since) >= permissive_open::CONFIRM)
    }

    /// Whether it is closed; `None`: it can't be read, and counts as open.
    pub(crate) fn read(&self, now: Millis, host: HostLimits) -> Option<bool> {
        let limit = (self.period * 3).max(host.silence_floor);
        self.newest
            .filter(|(at, _)| now.since(*at) <= limit)
            .map(|(_, closed)| closed)
    }
}

/// An input that measures what the heaters draw.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Current {
    pub(crate) name: Arc<str>,
    /// Newest value and when it was sampled; `None` where it never came or can't be read.
    pub(crate) newest: Option<(Millis, Amps)>,
}

/// What the board model makes of a channel that doesn't read what it expects: the one worst off, over the horizon that
/// shows it best. The model is rolled forward over that horizon with the heat that was there, without looking at the
/// readings.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Residual {
    pub(crate) channel: Arc<str>,
    /// Reading less expectation.
    pub(crate) off: CelsiusDelta,
    /// How far off it may be.
    pub(crate) limit: CelsiusDelta,
    pub(crate) horizon: Millis,
    pub(crate) verdict: Verdict,
}

/// How bad that is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Verdict {
    /// A draft or a mains sag looks like this too: a warning. Whoever makes this verdict holds the heat back meanwhile.
    Doubt,
    /// Nothing but a thermocouple that is off the board: cut.
    Detached,
}

/// Whether the drivers that a station needs are there.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Link {
    pub(crate) instance: Arc<str>,
    /// `None` while it is up; how it was lost otherwise.
    pub(crate) loss: Option<Loss>,
}

/// Everything that interlocks look at, gathered by the station for one evaluation.
pub(crate) struct Facts<'a> {
    pub(crate) now: Millis,
    pub(crate) channels: &'a [Channel],
    pub(crate) permissives: &'a [Permissive],
    pub(crate) outputs: &'a [Output],
    pub(crate) links: &'a [Link],
    /// Whose they are, in the same order.
    pub(crate) instances: &'a [InstanceId],
    pub(crate) presence: &'a Presence,
    pub(crate) ceiling: Ceiling,
    pub(crate) absent_after: Millis,
    /// What no channel may rise faster than.
    pub(crate) rise_max: CelsiusPerSecond,
    /// `Some` while a run may heat: since when, and how long it may take.
    pub(crate) heating: Option<Heating>,
    /// What the run steers by and where to; `None` without heating, or where it can't be read.
    pub(crate) control: Option<Celsius>,
    pub(crate) target: Option<Celsius>,
    /// The heat of the last two minutes, as the drivers confirmed it.
    pub(crate) heat: &'a HeatLog,
    /// The station's current input, where it has one.
    pub(crate) current: Option<&'a Current>,
    /// What the board model says of the newest readings, where there is a model and it has something to say.
    pub(crate) residual: Option<Residual>,
    /// How late the daemon's loop was, where it was too late.
    pub(crate) late: Option<Millis>,
    /// How late this call is, however little: silence for that long is the daemon's own.
    pub(crate) behind: Millis,
    /// Set in the one evaluation that follows a press of stop.
    pub(crate) stop: Option<StopPress<'a>>,
    pub(crate) host: HostLimits,
}

/// A run is in a phase in which heat may be on.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Heating {
    /// When heat began to be possible: start or resumption of the run.
    pub(crate) since: Millis,
    /// How long heat has been possible in this run, earlier parts included.
    pub(crate) total: Millis,
    /// How long it may be.
    pub(crate) limit: Millis,
}

/// Somebody pressed stop.
#[derive(Debug, Clone, Copy)]
pub(crate) struct StopPress<'a> {
    pub(crate) by: &'a Person,
    pub(crate) whole_lab: bool,
}

/// One interlock of one station: its condition and where it stands.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Latch {
    name: InterlockName,
    condition: Condition,
    standing: Standing,
    /// Whether the newest observation was bad, or left it open; a reset is refused while it is, with this text.
    cause_stands: Option<Arc<str>>,
}

/// What changed in an evaluation.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Change {
    /// An interlock is about to act.
    Warning {
        interlock: InterlockName,
        text: Arc<str>,
    },
    /// The warning is over.
    WarningOver { interlock: InterlockName },
    /// An interlock has acted.
    Trip { interlock: InterlockName, trip: Trip },
}

impl Latch {
    /// The whole state machine: every pair of standing and observation is written out.
    #[expect(
        clippy::match_same_arms,
        reason = "pairs with the same end are kept apart by why they have it"
    )]
    fn step(&mut self, facts: &Facts<'_>) -> Option<Change> {
        let observation = self.condition.observe(facts);
        let armed = self.armed(facts);
        self.cause_stands = match &observation {
            Observation::Bad(cause) => Some(cause.text.clone()),
            Observation::Unknown(text) => Some(text.clone()),
            Observation::Good | Observation::Warn(_) => None,
        };
        let interlock = self.name;
        match (&self.standing, observation) {
            // A worse cause than the latched one is a trip of its own: somebody who stops the whole lab means the
            // bench that was stopped before, too.
            (Standing::Tripped { trip } | Standing::Acknowledged { trip, .. }, Observation::Bad(cause))
                if armed && cause.effect > trip.cause.effect =>
            {
                let trip = Trip {
                    cause,
                    since: facts.now,
                };
                self.standing = Standing::Tripped { trip: trip.clone() };
                Some(Change::Trip { interlock, trip })
            }

            // Latched: nothing else that is observed changes it. Neither a new cause of the same kind (the first
            // one is what a person has to see) nor the cause's end (that alone never brings heat back).
            (Standing::Tripped { .. } | Standing::Acknowledged { .. }, _) => None,

            // The cause is there and counts now: act.
            (Standing::Clear | Standing::Warning { .. }, Observation::Bad(cause)) if armed => {
                let trip = Trip {
                    cause,
                    since: facts.now,
                };
                self.standing = Standing::Tripped { trip: trip.clone() };
                Some(Change::Trip { interlock, trip })
            }

            // Warnings come and go with their cause. The first text stays: a count-down in it is shown live
            // elsewhere, and one entry per warning is enough for the journal.
            (Standing::Clear, Observation::Warn(text)) if armed => {
                self.standing = Standing::Warning {
                    since: facts.now,
                    text: text.clone(),
                };
                Some(Change::Warning { interlock, text })
            }
            (Standing::Warning { .. }, Observation::Warn(_)) if armed => None,
            (
                Standing::Warning { .. },
                Observation::Good | Observation::Unknown(_) | Observation::Warn(_) | Observation::Bad(_),
            ) => {
                self.standing = Standing::Clear;
                Some(Change::WarningOver { interlock })
            }
            (
                Standing::Clear,
                Observation::Good | Observation::Unknown(_) | Observation::Warn(_) | Observation::Bad(_),
            ) => None,
        }
    }

    /// Whether a bad observation acts now.
    fn armed(&self, facts: &Facts<'_>) -> bool {
        match self.name {
            // At all times: a board above the ceiling is wrong whoever heats it, and stop is stop.
            // And a heater that nobody commands doesn't ask whether there is a run.
            InterlockName::OverTemperature | InterlockName::Stop | InterlockName::HeatStuckOn => true,
            // A driver that is there and doesn't do as it was told may hold heat that nobody asked for any more:
            // the second switch has to open, run or no run, and whatever other driver is down.
            InterlockName::DriverLost => facts.heating.is_some() || driver_lost::disobedient(facts).is_some(),
            // Only while heat may be on. An idle bench may have its tape off, its hood open and its driver
            // down; the run that needs them is refused at its start.
            InterlockName::OperatorAbsent
            | InterlockName::SensorFault
            | InterlockName::SensorStale
            | InterlockName::SensorDetached
            | InterlockName::SensorStuck
            | InterlockName::ColdJunction
            | InterlockName::RiseTooFast
            | InterlockName::NoResponse
            | InterlockName::RunTooLong
            | InterlockName::PermissiveOpen
            | InterlockName::Clock => facts.heating.is_some(),
        }
    }
}

/// All interlocks of one station.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Panel {
    station: StationId,
    latches: Vec<Latch>,
}

/// What an evaluation came to.
pub(crate) struct Evaluation {
    /// The right to heat, if nothing is tripped.
    pub(crate) permit: Option<Permit>,
    /// What is new.
    pub(crate) changes: Vec<Change>,
}

impl Panel {
    /// A panel with every interlock of the table, the standing trips of the last daemon latched again.
    pub(crate) fn new(station: StationId, standing: &[StandingTrip]) -> Self {
        let latches = InterlockName::ALL
            .iter()
            .map(|name| Latch {
                name: *name,
                condition: Condition::new(*name),
                standing: standing
                    .iter()
                    .find(|trip| trip.station == station && trip.interlock == *name)
                    .map_or(Standing::Clear, restored),
                cause_stands: None,
            })
            .collect();
        Self { station, latches }
    }

    /// Evaluates every interlock on `facts`. This is the only place where a [`Permit`] is made.
    ///
    /// All interlocks are evaluated, also after one has acted: two causes at once are two trips, and a person
    /// has to see both.
    pub(crate) fn evaluate(&mut self, facts: &Facts<'_>) -> Evaluation {
        let changes: Vec<Change> = self
            .latches
            .iter_mut()
            .filter_map(|latch| latch.step(facts))
            .collect();
        let permit = if self.tripped() {
            None
        } else {
            Some(Permit {
                station: self.station,
            })
        };
        Evaluation { permit, changes }
    }

    /// Whether any interlock is latched.
    pub(crate) fn tripped(&self) -> bool {
        self.latches.iter().any(|latch| latch.standing.trip().is_some())
    }

    /// The worst effect of what is latched.
    pub(crate) fn effect(&self) -> Option<Effect> {
        self.latches
            .iter()
            .filter_map(|latch| latch.standing.trip())
            .map(|trip| trip.cause.effect)
            .max()
    }

    /// Where each interlock stands, in the order of the table.
    pub(crate) fn standings(&self) -> impl Iterator<Item = (InterlockName, &Standing)> {
        self.latches.iter().map(|latch| (latch.name, &latch.standing))
    }

    /// The first latched interlock and its trip, worst effect first.
    pub(crate) fn worst(&self) -> Option<(InterlockName, &Trip)> {
        let mut worst: Option<(InterlockName, &Trip)> = None;
        for (name, trip) in self
            .latches
            .iter()
            .filter_map(|latch| Some((latch.name, latch.standing.trip()?)))
        {
            if worst.is_none_or(|(_, sofar)| trip.cause.effect > sofar.cause.effect) {
                worst = Some((name, trip));
            }
        }
        worst
    }

    /// A person has seen the trips. Returns those that were not acknowledged before.
    pub(crate) fn acknowledge(&mut self, by: &Person) -> Vec<InterlockName> {
        let mut seen = Vec::new();
        for latch in &mut self.latches {
            if let Standing::Tripped { trip } = &latch.standing {
                latch.standing = Standing::Acknowledged {
                    trip: trip.clone(),
                    by: by.clone(),
                };
                seen.push(latch.name);
            }
        }
        seen
    }

    /// The first latched interlock whose cause still stands, and what is still wrong.
    pub(crate) fn cause_stands(&self) -> Option<(InterlockName, Arc<str>)> {
        self.latches
            .iter()
            .filter(|latch| latch.standing.trip().is_some())
            .find_map(|latch| Some((latch.name, latch.cause_stands.clone()?)))
    }

    /// Lifts every latched trip. The caller has checked the role and that no cause stands
    /// (`Panel::cause_stands`); a cause that stands after all is kept latched here too.
    pub(crate) fn reset(&mut self) -> Vec<InterlockName> {
        let mut lifted = Vec::new();
        for latch in &mut self.latches {
            if latch.standing.trip().is_some() && latch.cause_stands.is_none() {
                latch.standing = Standing::Clear;
                lifted.push(latch.name);
            }
        }
        lifted
    }
}

/// A trip that outlived a restart.
fn restored(kept: &StandingTrip) -> Standing {
    let trip = Trip {
        cause: Cause {
            text: kept.text.clone(),
            ..Cause::plain(kept.effect, String::new())
        },
        since: Millis::ZERO,
    };
    match &kept.acknowledged_by {
        None => Standing::Tripped { trip },
        Some(by) => Standing::Acknowledged {
            trip,
            by: Person::new(by),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::limits::Limits;

    /// The second line of defence: a station that is tripped doesn't ask for heat, and if it did, it got no permit.
    #[test]
    fn there_is_no_permit_while_tripped() {
        let limits = Limits::new(Celsius::constant(260.0), vec![None]);
        let facts = Facts {
            now: Millis(1_000),
            channels: &[],
            permissives: &[],
            outputs: &[],
            links: &[],
            instances: &[],
            presence: &Presence::default(),
            ceiling: limits.effective(StationId(0), None),
            absent_after: Millis::from_secs(900),
            rise_max: crate::limits::RISE_MAX,
            heating: Some(Heating {
                since: Millis(0),
                total: Millis(1_000),
                limit: Millis::from_secs(60),
            }),
            control: None,
            target: None,
            heat: &HeatLog::default(),
            current: None,
            residual: None,
            late: None,
            behind: Millis::ZERO,
            stop: None,
            host: HostLimits::new(1),
        };
        assert!(Panel::new(StationId(0), &[]).evaluate(&facts).permit.is_some());
        let standing = |acknowledged_by| StandingTrip {
            station: StationId(0),
            interlock: InterlockName::Stop,
            effect: Effect::HeatOff,
            text: "op1 pressed stop here".into(),
            acknowledged_by,
        };
        assert!(
            Panel::new(StationId(0), &[standing(None)])
                .evaluate(&facts)
                .permit
                .is_none()
        );
        assert!(
            Panel::new(StationId(0), &[standing(Some("op1".into()))])
                .evaluate(&facts)
                .permit
                .is_none()
        );
    }

    /// The board model's doubt warns, its certainty cuts.
    #[test]
    fn a_residual_is_what_its_verdict_says() {
        let limits = Limits::new(Celsius::constant(260.0), vec![None]);
        let standing = |verdict| {
            let facts = Facts {
                now: Millis(1_000),
                channels: &[],
                permissives: &[],
                outputs: &[],
                links: &[],
                instances: &[],
                presence: &Presence::default(),
                ceiling: limits.effective(StationId(0), None),
                absent_after: Millis::from_secs(900),
                rise_max: crate::limits::RISE_MAX,
                heating: Some(Heating {
                    since: Millis(0),
                    total: Millis(1_000),
                    limit: Millis::from_secs(60),
                }),
                control: None,
                target: None,
                heat: &HeatLog::default(),
                current: None,
                residual: Some(Residual {
                    channel: "board-top".into(),
                    off: CelsiusDelta::constant(-3.2),
                    limit: CelsiusDelta::constant(-1.4),
                    horizon: Millis::from_secs(8),
                    verdict,
                }),
                late: None,
                behind: Millis::ZERO,
                stop: None,
                host: HostLimits::new(1),
            };
            let mut panel = Panel::new(StationId(0), &[]);
            panel.evaluate(&facts);
            let (_, standing) = panel
                .standings()
                .find(|(name, _)| *name == InterlockName::SensorDetached)
                .unwrap();
            standing.text()
        };
        assert_eq!(standing(Verdict::Doubt), "warning");
        assert_eq!(standing(Verdict::Detached), "tripped");
    }

    /// Lifting is refused by the panel itself too, whoever forgot to ask `Panel::cause_stands`.
    #[test]
    fn a_trip_whose_cause_stands_is_not_lifted() {
        let by = Person::new("op1");
        let limits = Limits::new(Celsius::constant(260.0), vec![None]);
        let mut facts = Facts {
            now: Millis(1_000),
            channels: &[],
            permissives: &[],
            outputs: &[],
            links: &[],
            instances: &[],
            presence: &Presence::default(),
            ceiling: limits.effective(StationId(0), None),
            absent_after: Millis::from_secs(900),
            rise_max: crate::limits::RISE_MAX,
            heating: None,
            control: None,
            target: None,
            heat: &HeatLog::default(),
            current: None,
            residual: None,
            late: None,
            behind: Millis::ZERO,
            stop: Some(StopPress {
                by: &by,
                whole_lab: false,
            }),
            host: HostLimits::new(1),
        };
        let mut panel = Panel::new(StationId(0), &[]);
        panel.evaluate(&facts);
        assert!(panel.reset().is_empty() && panel.tripped());
        facts.stop = None;
        panel.evaluate(&facts);
        assert_eq!(panel.reset(), [InterlockName::Stop]);
        assert!(!panel.tripped());
    }

    /// What warns only while heat may be on is silent once it may not, whatever it still observes.
    #[test]
    fn a_warning_ends_with_the_heat() {
        let limits = Limits::new(Celsius::constant(260.0), vec![None]);
        let presence = Presence::default();
        let log = HeatLog::default();
        let facts = |heating| Facts {
            now: Millis(1_000),
            channels: &[],
            permissives: &[],
            outputs: &[],
            links: &[],
            instances: &[],
            presence: &presence,
            ceiling: limits.effective(StationId(0), None),
            absent_after: Millis::from_secs(900),
            rise_max: crate::limits::RISE_MAX,
            heating,
            control: None,
            target: None,
            heat: &log,
            current: None,
            residual: Some(Residual {
                channel: "board-top".into(),
                off: CelsiusDelta::constant(-3.2),
                limit: CelsiusDelta::constant(-1.4),
                horizon: Millis::from_secs(8),
                verdict: Verdict::Doubt,
            }),
            late: None,
            behind: Millis::ZERO,
            stop: None,
            host: HostLimits::new(1),
        };
        let heating = Some(Heating {
            since: Millis(0),
            total: Millis(1_000),
            limit: Millis::from_secs(60),
        });
        let interlock = InterlockName::SensorDetached;
        let mut panel = Panel::new(StationId(0), &[]);
        assert_eq!(panel.evaluate(&facts(None)).changes, []);
        assert!(matches!(
            panel.evaluate(&facts(heating)).changes[..],
            [Change::Warning { .. }]
        ));
        assert_eq!(panel.evaluate(&facts(heating)).changes, []);
        assert_eq!(
            panel.evaluate(&facts(None)).changes,
            [Change::WarningOver { interlock }]
        );
    }

    /// What a screen names first.
    #[test]
    fn the_worst_trip_is_the_first_with_the_worst_effect() {
        let worst = |trips: &[(InterlockName, Effect)]| {
            let standing: Vec<StandingTrip> = trips
                .iter()
                .map(|(interlock, effect)| StandingTrip {
                    station: StationId(0),
                    interlock: *interlock,
                    effect: *effect,
                    text: "tripped".into(),
                    acknowledged_by: None,
                })
                .collect();
            let panel = Panel::new(StationId(0), &standing);
            panel.worst().map(|(name, _)| name)
        };
        let (absent, fault) = (InterlockName::OperatorAbsent, InterlockName::SensorFault);
        let (lost, stop) = (InterlockName::DriverLost, InterlockName::Stop);
        assert_eq!(worst(&[]), None);
        assert_eq!(
            worst(&[(absent, Effect::HeatOff), (stop, Effect::HeatOff)]),
            Some(absent)
        );
        let mixed = [
            (absent, Effect::HeatOff),
            (fault, Effect::Cut),
            (lost, Effect::Cut),
            (stop, Effect::HeatOff),
        ];
        assert_eq!(worst(&mixed), Some(fault));
    }
}
