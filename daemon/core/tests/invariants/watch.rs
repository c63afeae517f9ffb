//! What the invariants know, gathered from events and actions alone, and the invariants themselves.

use std::collections::{BTreeMap, BTreeSet};

use benchward_core::interlock::{Effect, InterlockName};
use benchward_core::units::{Celsius, CelsiusDelta, Millis};
use benchward_core::{
    Action, Answer, Ask, CEILING_MAX, CEILING_MIN, EntryKind, Event, Grant, InputOffer, Lab, LimitName,
    LimitScope, Origin, OutputId, Phase, Refusal, Request, Role, RunChange, Sample, Seq, Signal,
    StandingTrip, StationId, Value,
};
use proptest::prelude::*;

use crate::walk::{ABSENT, BENCH_2_CEILING, HEATER_WATTS, LAB_CEILING, SUPPLY_WATTS};

type Check = Result<(), TestCaseError>;

/// By station: its channels, its outputs (heaters first), the drivers that it needs, its pedal.
const CHANNELS: [&[usize]; 3] = [&[0, 1], &[2], &[3]];
const OUTPUTS: [&[usize]; 3] = [&[0], &[1, 2], &[3]];
const HEATERS: [usize; 3] = [0, 1, 3];
const DRIVERS: [&[usize]; 3] = [&[0], &[0, 1], &[2]];
const PEDALS: [usize; 3] = [5, 6, 7];
const HOOD: usize = 4;
/// By station: its supply.
const SUPPLY_OF: [Option<usize>; 3] = [Some(0), None, Some(0)];
/// By input and by output: the driver that it belongs to.
const INPUT_DRIVER: [usize; 8] = [0, 0, 0, 2, 0, 0, 0, 2];
const OUTPUT_DRIVER: [usize; 4] = [0, 0, 1, 2];

#[derive(Clone)]
struct Channel {
    period: Millis,
    /// What is added to its readings.
    offset: CelsiusDelta,
    newest: Option<(Millis, Sample)>,
    good: Option<Celsius>,
    before: Option<Celsius>,
    /// Faults in a row, and when the first of them was sampled.
    faults: u32,
    fault_since: Millis,
    /// Good temperatures of the last [`REMEMBERED`], oldest first.
    past: Vec<(Millis, f64)>,
    /// Whether each of the last three scans told a cold junction.
    junctions: [bool; 3],
}

/// How long readings are remembered: as long as any interlock looks back.
const REMEMBERED: Millis = Millis(130_000);

impl Channel {
    const NEVER: Self = Self {
        period: Millis(500),
        offset: CelsiusDelta::constant(0.0),
        newest: None,
        good: None,
        before: None,
        faults: 0,
        fault_since: Millis::ZERO,
        past: Vec::new(),
        junctions: [false; 3],
    };

    /// Highest less lowest of them.
    fn range(&self, length: Millis) -> f64 {
        let last = || self.last(length).iter().map(|(_, celsius)| *celsius);
        last().fold(f64::MIN, f64::max) - last().fold(f64::MAX, f64::min)
    }

    /// The good readings of the last `length` up to the newest one.
    fn last(&self, length: Millis) -> &[(Millis, f64)] {
        let newest = self.past.last().map_or(Millis::ZERO, |(at, _)| *at);
        let from = self.past.partition_point(|(at, _)| *at + length < newest);
        &self.past[from..]
    }
}

#[derive(Clone)]
struct Latched {
    effect: Effect,
    text: std::sync::Arc<str>,
    acknowledged_by: Option<std::sync::Arc<str>>,
}

#[derive(Clone, Default)]
struct Station {
    latched: BTreeMap<InterlockName, Latched>,
    /// The run whose record isn't closed, as it was last said.
    run: Option<RunChange>,
    /// Somebody confirmed presence, started or resumed.
    confirmed: Millis,
    pedal: Option<bool>,
    /// The run was started or resumed.
    heat_since: Millis,
    /// Share of full power that was last granted and not taken back.
    heat: f64,
    /// When that was.
    granted: Millis,
    /// There were readings since the last grant.
    unthought: bool,
    ceiling: Option<Celsius>,
}

impl Station {
    fn running(&self) -> bool {
        self.run.as_ref().is_some_and(|run| run.record.outcome.is_none())
    }

    fn is_cut(&self) -> bool {
        self.latched.values().any(|trip| trip.effect == Effect::Cut)
    }
}

#[derive(Clone, Default)]
struct Output {
    cut: bool,
    /// It refused a command, and has confirmed none since.
    refused: bool,
    unanswered: Vec<(Seq, Millis)>,
}

/// What is known of a lab by somebody who only watches.
#[derive(Clone)]
pub(crate) struct Watch {
    now: Millis,
    lab_ceiling: Celsius,
    absent_after: Millis,
    rise_max: f64,
    /// When that was moved.
    rise_moved: Millis,
    stations: [Station; 3],
    channels: [Channel; 4],
    outputs: [Output; 4],
    up: [bool; 3],
    hood_open_since: Option<Millis>,
    seq: Seq,
    pub(crate) counts: Counts,
}

impl Watch {
    pub(crate) fn new() -> Self {
        let mut watch = Self {
            now: Millis::ZERO,
            lab_ceiling: LAB_CEILING,
            absent_after: ABSENT,
            rise_max: 6.0,
            rise_moved: Millis::ZERO,
            stations: Default::default(),
            channels: [Channel::NEVER; 4],
            outputs: Default::default(),
            up: [false; 3],
            hood_open_since: None,
            seq: Seq(0),
            counts: Counts::default(),
        };
        watch.stations[1].ceiling = Some(BENCH_2_CEILING);
        watch
    }

    /// The trips that have to outlive the lab: what it said to keep and didn't say to drop.
    pub(crate) fn standing(&self) -> Vec<StandingTrip> {
        (0..)
            .zip(&self.stations)
            .flat_map(|(id, station)| {
                station.latched.iter().map(move |(interlock, trip)| StandingTrip {
                    station: StationId(id),
                    interlock: *interlock,
                    effect: trip.effect,
                    text: trip.text.clone(),
                    acknowledged_by: trip.acknowledged_by.clone(),
                })
            })
            .collect()
    }

    pub(crate) fn after_restart(standing: &[StandingTrip]) -> Self {
        let mut watch = Self::new();
        for trip in standing {
            let latched = Latched {
                effect: trip.effect,
                text: trip.text.clone(),
                acknowledged_by: trip.acknowledged_by.clone(),
            };
            watch.stations[trip.station.index()]
                .latched
                .insert(trip.interlock, latched);
        }
        watch
    }

    /// One call: `event` at `now` made `after` of `before` and gave `actions`.
    pub(crate) fn check(
        &mut self,
        before: &Lab,
        now: Millis,
        event: &Event,
        after: &Lab,
        actions: &[Action],
    ) -> Check {
        self.now = self.now.max(now);
        self.take_in(event);
        heat_actions_come_first(actions)?;
        every_request_is_answered_once(event, actions)?;
        from_a_network_only_cooler(before, self.now, event, after, actions)?;
        let was = self.clone();
        let latched_before: [bool; 3] = std::array::from_fn(|at| !self.stations[at].latched.is_empty());
        let cut_before: [bool; 3] = std::array::from_fn(|at| self.stations[at].is_cut());
        for action in actions {
            self.action(event, action, cut_before)?;
        }
        for (at, before) in latched_before.into_iter().enumerate() {
            self.no_heat_while_tripped(at, before, actions)?;
            Self::a_trip_takes_the_heat(at, actions)?;
        }
        // From here on `was` is what was known when the lab decided: the event taken in, nothing done about it yet.
        let late = before.wake_at().map_or(Millis::ZERO, |due| self.now.since(due));
        for at in 0..3 {
            was.every_trip_has_its_cause(at, late, event, actions)?;
            was.every_cause_trips(at, late, event, self)?;
        }
        self.whoever_stops_the_lab_stops_all_of_it(event, actions)?;
        was.a_lab_alarm_starts_nothing(actions)?;
        a_lab_alarm_is_told(actions)?;
        self.a_cut_station_stays_cut()?;
        self.a_supply_is_never_overdrawn()?;
        self.trips_are_those_of(after)?;
        self.count(event, actions);
        Ok(())
    }

    fn take_in(&mut self, event: &Event) {
        match event {
            Event::DriverUp { instance, inputs, .. } => {
                let driver = instance.index();
                self.forget_outputs(driver);
                for InputOffer { input, period } in inputs {
                    let input = input.0 as usize;
                    if let Some(channel) = self.channels.get_mut(input) {
                        let period = period.unwrap_or(Millis(500));
                        *channel = Channel {
                            period,
                            offset: channel.offset,
                            ..Channel::NEVER
                        };
                    } else if input == HOOD {
                        self.hood_open_since.get_or_insert(self.now);
                    } else if let Some(at) = PEDALS.iter().position(|pedal| *pedal == input) {
                        self.stations[at].pedal = None;
                    }
                }
                if let Some(up) = self.up.get_mut(driver) {
                    *up = true;
                }
            }
            Event::DriverDown { instance, .. } => {
                let driver = instance.index();
                self.forget_outputs(driver);
                for (channel, owner) in self.channels.iter_mut().zip(INPUT_DRIVER) {
                    if owner == driver {
                        *channel = Channel {
                            period: channel.period,
                            offset: channel.offset,
                            ..Channel::NEVER
                        };
                    }
                }
                if let Some(up) = self.up.get_mut(driver) {
                    *up = false;
                }
            }
            Event::Scan { instance, at, values } => {
                let at = Millis(at.0.min(self.now.0));
                for (input, value) in values {
                    let input = input.0 as usize;
                    if INPUT_DRIVER.get(input) == Some(&instance.index()) {
                        self.reading(input, at, *value);
                        for (station, channels) in self.stations.iter_mut().zip(CHANNELS) {
                            station.unthought |= channels.contains(&input);
                        }
                    }
                }
            }
            Event::Applied {
                output,
                seq: Some(seq),
                lapsed: false,
                ..
            } => {
                if let Some(output) = self.outputs.get_mut(output.0 as usize) {
                    output.refused = false;
                    output.unanswered.retain(|(waiting, _)| waiting > seq);
                }
            }
            Event::Refused { output, seq, .. } => {
                if let Some(output) = self.outputs.get_mut(output.0 as usize) {
                    // A cut output refuses heat as it should.
                    output.refused |= !output.cut;
                    output
                        .unanswered
                        .retain(|(waiting, _)| seq.is_none_or(|seq| *waiting > seq));
                }
            }
            Event::Applied { .. } | Event::Request(_) | Event::Tick | Event::Think => {}
        }
    }

    fn forget_outputs(&mut self, driver: usize) {
        for (output, owner) in self.outputs.iter_mut().zip(OUTPUT_DRIVER) {
            if owner == driver {
                *output = Output::default();
            }
        }
    }

    fn reading(&mut self, input: usize, at: Millis, value: Value) {
        if let Some(channel) = self.channels.get_mut(input) {
            let sample = match value {
                Value::Sample(sample) | Value::Junction { sample, .. } => match sample {
                    Sample::Good(celsius) => Sample::Good(celsius + channel.offset),
                    Sample::Fault(_) => sample,
                },
                Value::Active(_) | Value::Unreadable | Value::Current(_) => {
                    Sample::Fault(benchward_core::Fault::Device)
                }
            };
            channel.newest = Some((at, sample));
            channel.junctions = [
                channel.junctions[1],
                channel.junctions[2],
                matches!(value, Value::Junction { .. }),
            ];
            if let Sample::Good(celsius) = sample {
                (channel.before, channel.good) = (channel.good, Some(celsius));
                if channel.past.last().is_none_or(|(last, _)| *last < at) {
                    channel.past.push((at, celsius.degrees()));
                }
                channel.past.retain(|(old, _)| *old + REMEMBERED >= at);
                channel.faults = 0;
            } else {
                channel.faults += 1;
                if channel.faults == 1 {
                    channel.fault_since = at;
                }
            }
            return;
        }
        let active = match value {
            Value::Active(active) => Some(active),
            Value::Sample(_) | Value::Junction { .. } | Value::Current(_) | Value::Unreadable => None,
        };
        if input == HOOD {
            if active == Some(true) {
                self.hood_open_since = None;
            } else {
                self.hood_open_since.get_or_insert(self.now);
            }
        } else if let Some(at) = PEDALS.iter().position(|pedal| *pedal == input) {
            let station = &mut self.stations[at];
            if station.pedal == Some(false) && active == Some(true) {
                station.confirmed = self.now;
            }
            station.pedal = active;
        }
    }

    /// What counts at a station now.
    fn ceiling(&self, at: usize) -> Celsius {
        let station = &self.stations[at];
        let recipe = station.run.as_ref().and_then(|run| run.record.recipe.ceiling);
        [station.ceiling, recipe]
            .into_iter()
            .flatten()
            .fold(self.lab_ceiling, Celsius::min)
    }

    fn above_the_ceiling(&self, at: usize) -> bool {
        let limit = self.ceiling(at).degrees();
        CHANNELS[at].iter().any(|channel| {
            let channel = &self.channels[*channel];
            let above =
                |celsius: Option<Celsius>, by: f64| celsius.is_some_and(|one| one.degrees() >= limit + by);
            let over = |celsius: Option<Celsius>| celsius.is_some_and(|one| one.degrees() > limit);
            (over(channel.good) && over(channel.before)) || above(channel.good, 10.0)
        })
    }

    fn action(&mut self, event: &Event, action: &Action, cut_before: [bool; 3]) -> Check {
        match action {
            Action::Heat(grant) => self.heat(event, grant)?,
            Action::Off { output, seq } => {
                self.command(*output, *seq)?;
                self.heat_gone(*output);
            }
            Action::Cut { output, seq } => {
                self.command(*output, *seq)?;
                self.heat_gone(*output);
                self.outputs[output.0 as usize].cut = true;
            }
            Action::Restore { output, seq } => {
                self.command(*output, *seq)?;
                prop_assert!(
                    matches!(
                        event,
                        Event::Request(Request {
                            ask: Ask::Reset(_),
                            ..
                        })
                    ),
                    "restored unasked"
                );
                self.outputs[output.0 as usize].cut = false;
                self.outputs[output.0 as usize].refused = false;
            }
            Action::KeepTrip {
                station,
                interlock,
                effect,
                text,
                acknowledged_by,
            } => {
                let latched = &mut self.stations[station.index()].latched;
                match (latched.get(interlock), acknowledged_by) {
                    (None, None) => {}
                    (Some(trip), None) => prop_assert!(*effect > trip.effect, "{} tripped twice", interlock),
                    (Some(trip), Some(_)) => prop_assert_eq!(*effect, trip.effect),
                    (None, Some(_)) => prop_assert!(false, "{} acknowledged but not tripped", interlock),
                }
                let (text, acknowledged_by) = (text.clone(), acknowledged_by.clone());
                latched.insert(
                    *interlock,
                    Latched {
                        effect: *effect,
                        text,
                        acknowledged_by,
                    },
                );
            }
            Action::DropTrip { station, interlock } => {
                self.a_reset_has_the_role_and_no_cause(event, *station, *interlock, cut_before)?;
                let dropped = self.stations[station.index()].latched.remove(interlock);
                prop_assert!(dropped.is_some(), "{} was reset but not tripped", interlock);
            }
            Action::KeepLimit { scope, ceiling } => {
                limits_are_moved_by_safety_within_bounds(event, *ceiling)?;
                match (scope, ceiling) {
                    (LimitScope::Lab, Some(celsius)) => self.lab_ceiling = *celsius,
                    (LimitScope::Lab, None) => prop_assert!(false, "the lab has always a ceiling"),
                    (LimitScope::Station(station), ceiling) => {
                        self.stations[station.index()].ceiling = *ceiling;
                    }
                }
            }
            Action::KeepLabLimit { limit, value } => {
                limits_are_moved_by_safety_within_bounds(event, None)?;
                let [lowest, highest] = limit.bounds();
                prop_assert!(value.is_none_or(|value| value >= lowest && value <= highest));
                match limit {
                    LimitName::AbsentAfter => {
                        self.absent_after = value.map_or(ABSENT, Millis::from_secs_f64);
                    }
                    LimitName::RiseMax => {
                        (self.rise_max, self.rise_moved) = (value.unwrap_or(6.0), self.now);
                    }
                    LimitName::RunMax => {}
                }
            }
            Action::KeepCalibration {
                station,
                channel,
                offset,
                ..
            } => {
                let at = station.index();
                prop_assert!(
                    self.stations[at].run.is_none(),
                    "an offset was changed under a run"
                );
                let Event::Request(Request {
                    ask: Ask::Calibrate(asked),
                    roles,
                    ..
                }) = event
                else {
                    prop_assert!(false, "nobody asked for an offset");
                    return Ok(());
                };
                prop_assert!(roles.holds(Role::Safety));
                prop_assert!(offset.degrees().abs() <= 10.0);
                prop_assert_eq!(*offset, asked.to.delta());
                let channel = &mut self.channels[CHANNELS[at][*channel]];
                prop_assert_eq!(channel.offset, asked.was);
                // What was read by another offset doesn't count any more.
                *channel = Channel {
                    period: channel.period,
                    offset: *offset,
                    ..Channel::NEVER
                };
                self.counts.calibrations += 1;
            }
            Action::Run(change) => self.run(event, change)?,
            Action::Record(row) => prop_assert!(row.at <= self.now, "a reading from the future"),
            Action::Answer { answer: Ok(_), .. } => {
                Self::granted(event)?;
                if let Event::Request(Request {
                    ask: Ask::Present(station) | Ask::Confirm(station),
                    ..
                }) = event
                {
                    self.stations[station.index()].confirmed = self.now;
                }
            }
            Action::Answer { .. } | Action::Journal(_) | Action::Signal(_) => {}
        }
        Ok(())
    }

    /// Every grant has readings behind it that allow it: judged here anew, from the events alone.
    fn heat(&mut self, event: &Event, grant: &Grant) -> Check {
        let at = grant.station().index();
        let station = &self.stations[at];
        prop_assert!(station.running(), "heat without a run");
        prop_assert!(matches!(event, Event::Think), "heat without a thought");
        prop_assert!(station.unthought, "heat without new readings of this station");
        self.stations[at].unthought = false;
        prop_assert_eq!(grant.heats().len(), 1);
        for (output, seq, fraction) in grant.heats() {
            prop_assert_eq!(
                output.0 as usize,
                HEATERS[at],
                "heat to an output that isn't the station's heater"
            );
            self.command(*output, *seq)?;
            prop_assert!(
                !self.outputs[output.0 as usize].cut,
                "a cut output gets heat before it is restored"
            );
            prop_assert!((0.0..=1.0).contains(&fraction.share()));
            self.stations[at].heat = fraction.share();
            self.stations[at].granted = self.now;
            if fraction.share() > 0.0 {
                self.nothing_speaks_against_heat(at)?;
                self.counts.heats += 1;
            } else {
                self.counts.holds += 1;
            }
        }
        Ok(())
    }

    fn nothing_speaks_against_heat(&self, at: usize) -> Check {
        let limit = self.ceiling(at);
        for channel in CHANNELS[at] {
            let channel = &self.channels[*channel];
            let Some((sampled, Sample::Good(celsius))) = channel.newest else {
                return Err(TestCaseError::fail("heat on a channel without a good reading"));
            };
            prop_assert!(
                celsius <= limit,
                "heat at {} above the ceiling {}",
                celsius,
                limit
            );
            let age = self.now.since(sampled);
            prop_assert!(
                age <= (channel.period * 3).max(Millis(500)),
                "heat on a reading that is {} old",
                age
            );
        }
        for driver in DRIVERS[at] {
            prop_assert!(self.up[*driver], "heat while driver {} is down", driver);
        }
        let station = &self.stations[at];
        let recipe = station
            .run
            .as_ref()
            .and_then(|run| run.record.recipe.absent_after)
            .unwrap_or(self.absent_after);
        let absent = self.now.since(station.confirmed);
        prop_assert!(
            absent.0 < recipe.0.min(self.absent_after.0),
            "heat and nobody confirmed presence for {}",
            absent
        );
        // 0.2 s to confirm, one wake-up to notice, and as much as the loop may be late.
        let open = self
            .hood_open_since
            .filter(|_| at == 0)
            .map(|since| self.now.since(since));
        prop_assert!(
            open.is_none_or(|open| open.0 <= 200 + 50 + 500),
            "heat with the hood open"
        );
        for output in OUTPUTS[at] {
            let waited = self.outputs[*output]
                .unanswered
                .iter()
                .map(|(_, sent)| self.now.since(*sent))
                .max();
            // All but the command that has just been given.
            prop_assert!(
                waited.is_none_or(|waited| waited.0 <= 1000 + 50 + 500),
                "heat and no confirmation"
            );
        }
        Ok(())
    }

    fn command(&mut self, output: OutputId, seq: Seq) -> Check {
        prop_assert!(seq > self.seq, "numbers of commands go up");
        self.seq = seq;
        self.outputs[output.0 as usize].unanswered.push((seq, self.now));
        Ok(())
    }

    fn heat_gone(&mut self, output: OutputId) {
        if let Some(at) = HEATERS.iter().position(|heater| *heater == output.0 as usize) {
            self.stations[at].heat = 0.0;
        }
    }

    fn run(&mut self, event: &Event, change: &RunChange) -> Check {
        let record = &change.record;
        let asked = |of: fn(&Ask) -> bool| matches!(event, Event::Request(request) if of(&request.ask));
        let (now, lab) = (self.now, self.ceiling(record.station.index()));
        let station = &mut self.stations[record.station.index()];
        match &station.run {
            Some(before) if before.record.run == record.run => {
                let resumed = before.record.outcome.is_some() && record.outcome.is_none();
                prop_assert!(
                    !resumed || asked(|ask| matches!(ask, Ask::Resume(_))),
                    "a run goes on unasked"
                );
                if resumed {
                    station.confirmed = now;
                    station.heat_since = now;
                    self.counts.resumes += 1;
                }
            }
            Some(_) => prop_assert!(false, "a run began over another that is not closed"),
            None => {
                prop_assert!(
                    asked(|ask| matches!(ask, Ask::Start { .. })),
                    "a run began unasked"
                );
                prop_assert!(record.recipe.highest_target() <= lab, "a run above the ceiling");
                station.confirmed = now;
                station.heat_since = now;
                self.counts.starts += 1;
            }
        }
        prop_assert!(
            !change.ended || record.outcome.is_some(),
            "a record was closed without an outcome"
        );
        station.run = (!change.ended).then(|| change.clone());
        Ok(())
    }

    /// Whoever was answered "done" was allowed to ask.
    fn granted(event: &Event) -> Check {
        let Event::Request(Request {
            ask, roles, origin, ..
        }) = event
        else {
            return Ok(());
        };
        let role = match ask {
            Ask::Stop(None) | Ask::Shutdown => return Ok(()),
            Ask::SetLabCeiling(_)
            | Ask::SetStationCeiling(..)
            | Ask::SetLimit(..)
            | Ask::Calibrate(_)
            | Ask::ReadConfig => roles.holds(Role::Safety),
            Ask::PutRecipe { .. }
            | Ask::PutWindow { .. }
            | Ask::PutVerdict { .. }
            | Ask::PutBoardModel { .. } => roles.holds(Role::Process),
            // What was latched before decides; see `a_reset_has_the_role_and_no_cause`.
            Ask::Reset(_)
            | Ask::Start { .. }
            | Ask::StopRun(_)
            | Ask::Stop(Some(_))
            | Ask::Present(_)
            | Ask::Confirm(_)
            | Ask::Acknowledge(_)
            | Ask::Resume(_) => roles.any(),
        };
        prop_assert!(role, "{:?} was done for somebody without the role", ask);
        let cooler = matches!(ask, Ask::StopRun(_) | Ask::Stop(_) | Ask::Present(_));
        prop_assert!(
            cooler || *origin == Origin::Local,
            "{:?} was done from a network",
            ask
        );
        Ok(())
    }

    /// Whether nothing has been read that would rule the cause out.
    fn is_an_open_question(&self, at: usize, interlock: InterlockName) -> bool {
        let channels = || CHANNELS[at].iter().map(|channel| &self.channels[*channel]);
        match interlock {
            InterlockName::OverTemperature => channels().any(|one| one.good.is_none()),
            InterlockName::SensorFault => {
                channels().any(|one| !matches!(one.newest, Some((_, Sample::Good(_)))))
            }
            InterlockName::ColdJunction => channels().any(|one| one.newest.is_none()),
            InterlockName::SensorStale => DRIVERS[at].iter().any(|driver| !self.up[*driver]),
            InterlockName::DriverLost => OUTPUTS[at]
                .iter()
                .any(|at| !self.outputs[*at].unanswered.is_empty()),
            InterlockName::PermissiveOpen => at == 0 && self.hood_open_since.is_some(),
            // Whether the heat is known to be off takes what the drivers said of it, which isn't watched here.
            InterlockName::HeatStuckOn => true,
            _ => false,
        }
    }

    fn a_reset_has_the_role_and_no_cause(
        &self,
        event: &Event,
        station: StationId,
        interlock: InterlockName,
        cut_before: [bool; 3],
    ) -> Check {
        let Event::Request(Request {
            ask: Ask::Reset(asked),
            roles,
            origin: Origin::Local,
            ..
        }) = event
        else {
            return Err(TestCaseError::fail(format!(
                "{interlock} was lifted and nobody here asked to"
            )));
        };
        prop_assert_eq!(*asked, station);
        let role = if cut_before[station.index()] {
            roles.safety
        } else {
            roles.any()
        };
        prop_assert!(role, "{} was reset without the role", interlock);
        let at = station.index();
        // The outputs that are restored owe an answer again by now.
        let told = matches!(interlock, InterlockName::DriverLost | InterlockName::HeatStuckOn);
        prop_assert!(
            told || !self.is_an_open_question(at, interlock),
            "{} was reset and nothing rules its cause out",
            interlock
        );
        match interlock {
            InterlockName::OverTemperature => {
                prop_assert!(
                    !self.above_the_ceiling(at),
                    "over-temperature was reset above the ceiling"
                );
            }
            InterlockName::DriverLost => {
                prop_assert!(
                    DRIVERS[at].iter().all(|driver| self.up[*driver]),
                    "reset without its driver"
                );
            }
            InterlockName::SensorFault => {
                let fault = |channel: &usize| matches!(self.channels[*channel].newest, Some((at, Sample::Fault(_))) if self.now.since(at).0 >= 500);
                prop_assert!(
                    !CHANNELS[at].iter().any(fault),
                    "sensor-fault was reset with the fault there"
                );
            }
            _ => {}
        }
        Ok(())
    }

    fn no_heat_while_tripped(&self, at: usize, latched_before: bool, actions: &[Action]) -> Check {
        if latched_before || !self.stations[at].latched.is_empty() {
            let heat = actions
                .iter()
                .any(|action| matches!(action, Action::Heat(grant) if grant.station().index() == at));
            prop_assert!(!heat, "heat while tripped");
            prop_assert!(self.stations[at].heat <= 0.0, "heat left on by a trip");
        }
        Ok(())
    }

    /// A new trip takes the heat in the same call, and a cut reaches every output of the station.
    fn a_trip_takes_the_heat(at: usize, actions: &[Action]) -> Check {
        for action in actions {
            let Action::KeepTrip {
                station,
                effect,
                acknowledged_by: None,
                ..
            } = action
            else {
                continue;
            };
            if station.index() != at {
                continue;
            }
            for output in OUTPUTS[at] {
                let cut = actions.iter().any(
                    |action| matches!(action, Action::Cut { output: one, .. } if one.0 as usize == *output),
                );
                let off = actions.iter().any(
                    |action| matches!(action, Action::Off { output: one, .. } if one.0 as usize == *output),
                );
                prop_assert!(
                    cut || *effect == Effect::HeatOff,
                    "a cut that leaves output {} as it is",
                    output
                );
                prop_assert!(
                    cut || off || HEATERS[at] != *output,
                    "a trip that leaves the heat on"
                );
            }
        }
        Ok(())
    }

    /// Whether the cause of an interlock is there, as far as it can be told exactly from outside; `None`: it can't.
    fn cause(&self, at: usize, interlock: InterlockName, late: Millis, event: &Event) -> Option<bool> {
        let station = &self.stations[at];
        let channels = || CHANNELS[at].iter().map(|channel| &self.channels[*channel]);
        Some(match interlock {
            InterlockName::OverTemperature => self.above_the_ceiling(at),
            InterlockName::OperatorAbsent => {
                let recipe = station
                    .run
                    .as_ref()
                    .and_then(|run| run.record.recipe.absent_after)
                    .unwrap_or(self.absent_after);
                self.now.since(station.confirmed).0 >= recipe.0.min(self.absent_after.0)
            }
            InterlockName::SensorFault => channels().any(|one| {
                one.faults >= 3 || (one.faults > 0 && self.now.since(one.fault_since).since(late).0 >= 500)
            }),
            InterlockName::SensorStale => channels().any(|one| {
                one.newest
                    .is_none_or(|(at, _)| self.now.since(at).since(late) > (one.period * 3).max(Millis(500)))
            }),
            InterlockName::DriverLost => {
                let down = DRIVERS[at].iter().any(|driver| !self.up[*driver]);
                down || OUTPUTS[at]
                    .iter()
                    .map(|output| &self.outputs[*output])
                    .any(|output| {
                        output.refused
                            || output
                                .unanswered
                                .iter()
                                .any(|(_, sent)| self.now.since(*sent).since(late).0 > 1000)
                    })
            }
            InterlockName::Stop => match event {
                Event::Request(Request {
                    ask: Ask::Stop(which),
                    ..
                }) => which.is_none_or(|one| one.index() == at),
                _ => false,
            },
            InterlockName::Clock => late.0 > 500,
            InterlockName::RiseTooFast => {
                return any(channels()
                    .map(|one| rises_too_fast(one, station.heat_since.max(self.rise_moved), self.rise_max)));
            }
            InterlockName::SensorDetached => {
                let moved = channels().any(|one| one.range(Millis(21_500)) >= 4.0);
                // A board model that expects a rise misses one where nothing moves at all, over 4 s at the least.
                let heats = station.running() && self.now.since(station.heat_since) >= Millis(3_500);
                return (!moved && !heats).then_some(false);
            }
            InterlockName::ColdJunction => {
                let told = channels().any(|one| one.junctions == [true; 3]);
                return (!told).then_some(false);
            }
            // The rest is heat as the drivers confirmed it, which isn't watched here.
            InterlockName::NoResponse => {
                let long = self.now.since(station.heat_since).0 >= 60_000;
                return (!long).then_some(false);
            }
            InterlockName::HeatStuckOn => {
                let warm = |one: &Channel| one.past.last().is_some_and(|(_, celsius)| *celsius >= 40.0);
                let rises = channels().any(|one| one.range(Millis(16_500)) >= 3.0 && warm(one));
                return (!rises || station.heat > 0.0).then_some(false);
            }
            InterlockName::SensorStuck => {
                // Once it has acted it stands until the value changes, also when nothing was read in between.
                let acted = station.latched.contains_key(&interlock);
                return any(channels().map(|one| is_stuck(one, acted)));
            }
            InterlockName::RunTooLong | InterlockName::PermissiveOpen => return None,
        })
    }

    fn every_trip_has_its_cause(&self, at: usize, late: Millis, event: &Event, actions: &[Action]) -> Check {
        for action in actions {
            let Action::KeepTrip {
                station,
                interlock,
                text,
                acknowledged_by: None,
                ..
            } = action
            else {
                continue;
            };
            // A late loop is looked at before the event that shows it, which is known here already.
            if late.0 > 500 && *interlock == InterlockName::SensorFault {
                continue;
            }
            // A ceiling that was just lowered is a cause that wasn't there before.
            let lowered = matches!(
                event,
                Event::Request(Request {
                    ask: Ask::SetLabCeiling(_) | Ask::SetStationCeiling(..) | Ask::SetLimit(..),
                    ..
                })
            );
            if station.index() == at && !lowered {
                prop_assert_ne!(
                    self.cause(at, *interlock, late, event),
                    Some(false),
                    "{} without a cause: {}",
                    interlock,
                    text
                );
            }
        }
        Ok(())
    }

    /// At each wake-up, and at each scan of the station, whatever has its cause is latched in the same call.
    fn every_cause_trips(&self, at: usize, late: Millis, event: &Event, after: &Self) -> Check {
        let seen = match event {
            Event::Tick => true,
            Event::Scan { instance, values, .. } => values.iter().any(|(input, _)| {
                let input = input.0 as usize;
                CHANNELS[at].contains(&input) && INPUT_DRIVER[input] == instance.index()
            }),
            _ => false,
        };
        for interlock in InterlockName::ALL.iter().filter(|_| seen) {
            let armed = match interlock {
                InterlockName::OverTemperature => true,
                // Of a channel whose driver is gone, `driver-lost` says so.
                InterlockName::SensorStale => {
                    self.stations[at].running() && DRIVERS[at].iter().all(|one| self.up[*one])
                }
                _ => self.stations[at].running(),
            };
            // A late loop takes the heat first, and what counts only while there is heat doesn't count then.
            let counts = armed
                && (late.0 <= 500
                    || matches!(interlock, InterlockName::Clock | InterlockName::OverTemperature));
            if counts && self.cause(at, *interlock, late, event) == Some(true) {
                prop_assert!(
                    after.stations[at].latched.contains_key(interlock),
                    "{} has a cause and no trip",
                    interlock
                );
            }
        }
        Ok(())
    }

    fn whoever_stops_the_lab_stops_all_of_it(&self, event: &Event, actions: &[Action]) -> Check {
        let Event::Request(Request { ask, .. }) = event else {
            return Ok(());
        };
        for action in actions {
            match (action, ask) {
                (Action::Answer { answer: Ok(_), .. }, Ask::Stop(None)) => {
                    prop_assert!(
                        self.stations.iter().all(Station::is_cut),
                        "the lab is stopped and a bench isn't cut"
                    );
                }
                (Action::Answer { answer: Ok(_), .. }, Ask::Stop(Some(one))) => {
                    let stopped = self
                        .stations
                        .get(one.index())
                        .is_some_and(|one| one.latched.contains_key(&InterlockName::Stop));
                    prop_assert!(stopped, "a bench is said to be stopped and isn't");
                }
                // Nobody is told that a cause stands which doesn't: there would be no way out.
                (
                    Action::Answer {
                        answer: Err(Refusal::CauseStands { interlock, .. }),
                        ..
                    },
                    Ask::Reset(station),
                ) => {
                    let interlock = InterlockName::parse(interlock).unwrap();
                    let stands = self.cause(station.index(), interlock, Millis::ZERO, event);
                    let open = self.is_an_open_question(station.index(), interlock);
                    prop_assert!(stands != Some(false) || open, "no way out of {}", interlock);
                }
                _ => {}
            }
        }
        Ok(())
    }

    /// Also after its driver has started again.
    fn a_cut_station_stays_cut(&self) -> Check {
        for (at, station) in self.stations.iter().enumerate() {
            for output in OUTPUTS[at].iter().filter(|_| station.is_cut()) {
                let told = self.outputs[*output].cut || !self.up[OUTPUT_DRIVER[*output]];
                prop_assert!(told, "output {} of a cut station takes heat", output);
            }
        }
        Ok(())
    }

    fn a_supply_is_never_overdrawn(&self) -> Check {
        // What nobody grants anew lapses at the driver, 1.5 s after its arrival at the latest; a pipe may hold it for as long as
        // an answer may take.
        let taken = |at: usize| {
            let station = &self.stations[at];
            if self.now.since(station.granted) < Millis(2_400) {
                station.heat
            } else {
                0.0
            }
        };
        let drawn = (taken(0) + taken(2)) * HEATER_WATTS;
        prop_assert!(
            drawn <= SUPPLY_WATTS + 1e-6,
            "{} W drawn of {}",
            drawn,
            SUPPLY_WATTS
        );
        Ok(())
    }

    /// While a heater is stuck on nothing starts or goes on: anywhere, until somebody has seen it; on its supply, until it
    /// is reset. `self`: what was known before.
    fn a_lab_alarm_starts_nothing(&self, actions: &[Action]) -> Check {
        let begun = actions.iter().filter_map(|action| match action {
            Action::Run(change) if change.record.outcome.is_none() && !change.ended => {
                Some(change.record.station.index())
            }
            _ => None,
        });
        for at in begun.filter(|at| !self.stations[*at].running()) {
            for (other, station) in self.stations.iter().enumerate() {
                let Some(alarm) = station.latched.get(&InterlockName::HeatStuckOn) else {
                    continue;
                };
                prop_assert!(
                    alarm.acknowledged_by.is_some(),
                    "station {} starts, unseen alarm at {}",
                    at,
                    other
                );
                prop_assert!(
                    SUPPLY_OF[at] != SUPPLY_OF[other] || SUPPLY_OF[at].is_none(),
                    "station {} starts beside {}",
                    at,
                    other
                );
            }
        }
        Ok(())
    }

    /// What the lab shows as latched is what it said to keep: no trip comes or goes in silence.
    pub(crate) fn trips_are_those_of(&self, lab: &Lab) -> Check {
        for (at, view) in lab.view().stations.iter().enumerate() {
            let shown: BTreeMap<InterlockName, bool> = view
                .interlocks
                .iter()
                .filter(|one| ["tripped", "acknowledged"].contains(&one.standing))
                .map(|one| (one.name, one.standing == "acknowledged"))
                .collect();
            let kept: BTreeMap<InterlockName, bool> = self.stations[at]
                .latched
                .iter()
                .map(|(name, trip)| (*name, trip.acknowledged_by.is_some()))
                .collect();
            prop_assert_eq!(shown, kept, "at {}", view.name);
        }
        Ok(())
    }

    fn count(&mut self, event: &Event, actions: &[Action]) {
        let counts = &mut self.counts;
        for action in actions {
            match action {
                Action::KeepTrip {
                    interlock,
                    acknowledged_by: None,
                    ..
                } => {
                    *counts.trips.entry(*interlock).or_default() += 1;
                }
                Action::DropTrip { interlock, .. } => *counts.resets.entry(*interlock).or_default() += 1,
                Action::Restore { .. } => counts.restores += 1,
                Action::Cut { .. } if matches!(event, Event::DriverUp { .. }) => counts.cut_at_start += 1,
                Action::Journal(entry) if entry.kind == EntryKind::Warning => counts.warnings += 1,
                Action::Journal(entry) if entry.kind == EntryKind::Safe => counts.safe += 1,
                Action::Answer {
                    answer: Err(refusal), ..
                } => {
                    counts.refusals.insert(refusal.name());
                }
                Action::Answer {
                    answer: Ok(Answer::Done(_)),
                    ..
                } => {
                    if let Event::Request(Request {
                        origin: Origin::Network,
                        ..
                    }) = event
                    {
                        counts.network += 1;
                    }
                }
                _ => {}
            }
        }
        if self.stations[0].heat + self.stations[2].heat >= SUPPLY_WATTS / HEATER_WATTS - 1e-9 {
            counts.supply_full += 1;
        }
        if self.stations[0].running() && self.stations[1].running() {
            counts.both_on_one_driver += 1;
        }
    }
}

/// Each trip of a heater that is stuck on, its acknowledgement and its reset are told to the whole lab, and nothing else is.
fn a_lab_alarm_is_told(actions: &[Action]) -> Check {
    let changed: Vec<(StationId, &str)> = actions
        .iter()
        .filter_map(|action| match action {
            Action::KeepTrip {
                station,
                interlock: InterlockName::HeatStuckOn,
                acknowledged_by,
                ..
            } => Some((
                *station,
                if acknowledged_by.is_some() {
                    "acknowledged"
                } else {
                    "tripped"
                },
            )),
            Action::DropTrip {
                station,
                interlock: InterlockName::HeatStuckOn,
            } => Some((*station, "clear")),
            _ => None,
        })
        .collect();
    let told: Vec<(StationId, &str)> = actions
        .iter()
        .filter_map(|action| match action {
            Action::Signal(Signal::Alarm {
                station, standing, ..
            }) => Some((*station, *standing)),
            _ => None,
        })
        .collect();
    let kept: Vec<(StationId, &str)> = actions
        .iter()
        .filter_map(|action| match action {
            Action::Journal(entry) if entry.kind == EntryKind::Alarm => {
                Some((entry.station?, entry.about?.standing))
            }
            _ => None,
        })
        .collect();
    prop_assert_eq!(&changed, &told);
    prop_assert_eq!(&changed, &kept);
    Ok(())
}

/// Whether one of them is so; `None`: none is for certain, and one may be.
fn any(each: impl Iterator<Item = Option<bool>>) -> Option<bool> {
    let each: Vec<Option<bool>> = each.collect();
    if each.contains(&Some(true)) {
        return Some(true);
    }
    (!each.contains(&None)).then_some(false)
}

/// For certain where every reading of more than 3 s is far above the limit's line through the one before; for certain
/// not where the readings of 4 s lie within what a smoothed 6 °C/s can't come from.
fn rises_too_fast(channel: &Channel, heat_since: Millis, limit: f64) -> Option<bool> {
    let heated = |(at, _): &&(Millis, f64)| *at >= heat_since;
    let long: Vec<_> = channel.last(Millis(3_300)).iter().filter(heated).collect();
    let (Some((first, _)), Some((last, _))) = (long.first(), long.last()) else {
        return Some(false);
    };
    let steep = |pair: &[&(Millis, f64)]| {
        let apart = pair[1].0.since(pair[0].0).seconds();
        apart <= 0.2 && pair[1].1 - pair[0].1 > (limit + 0.5) * apart
    };
    if last.since(*first).0 >= 3_200 && long.windows(2).all(steep) && channel.faults == 0 {
        return Some(true);
    }
    (channel.range(Millis(4_100)) < limit / 1.5).then_some(false)
}

/// For certain not where a reading of the last 20 s differs from the newest one. What the heat should have done can't
/// be told from here.
fn is_stuck(channel: &Channel, acted: bool) -> Option<bool> {
    let last = channel.last(Millis(19_900));
    let still = last
        .windows(2)
        .all(|pair| pair[0].1.total_cmp(&pair[1].1).is_eq());
    let long = last
        .first()
        .zip(last.last())
        .is_some_and(|(first, last)| last.0.since(first.0).0 >= 19_000);
    (!still || !(long || acted)).then_some(false)
}

fn is_heat(action: &Action) -> bool {
    matches!(
        action,
        Action::Heat(_) | Action::Off { .. } | Action::Cut { .. } | Action::Restore { .. }
    )
}

/// Cut first, tell later.
fn heat_actions_come_first(actions: &[Action]) -> Check {
    let heats = actions.iter().take_while(|action| is_heat(action)).count();
    prop_assert!(
        !actions[heats..].iter().any(is_heat),
        "telling came before heat: {:?}",
        actions
    );
    Ok(())
}

fn every_request_is_answered_once(event: &Event, actions: &[Action]) -> Check {
    let answered: Vec<_> = actions
        .iter()
        .filter_map(|action| match action {
            Action::Answer { request, .. } => Some(*request),
            _ => None,
        })
        .collect();
    let asked: Vec<_> = match event {
        Event::Request(request) => vec![request.id],
        _ => Vec::new(),
    };
    prop_assert_eq!(answered, asked);
    every_way_out_of_tripped_names_a_person(event, actions)
}

/// Each lifted trip has an entry in the journal of the same call that names who asked.
fn every_way_out_of_tripped_names_a_person(event: &Event, actions: &[Action]) -> Check {
    let lifted = actions
        .iter()
        .filter(|action| matches!(action, Action::DropTrip { .. }))
        .count();
    let Event::Request(request) = event else {
        prop_assert_eq!(lifted, 0);
        return Ok(());
    };
    let named = actions
        .iter()
        .filter(|action| {
            matches!(action, Action::Journal(entry)
                if entry.kind == EntryKind::Reset && entry.who.as_ref() == Some(&request.who) && entry.station.is_some())
        })
        .count();
    prop_assert_eq!(lifted, named);
    // Whoever is refused is on record too.
    let refused = actions
        .iter()
        .any(|action| matches!(action, Action::Answer { answer: Err(_), .. }));
    let recorded = actions.iter().any(|action| {
        matches!(action, Action::Journal(entry)
            if entry.kind == EntryKind::Refused && entry.who.as_ref() == Some(&request.who))
    });
    prop_assert_eq!(refused, recorded);
    Ok(())
}

fn limits_are_moved_by_safety_within_bounds(event: &Event, ceiling: Option<Celsius>) -> Check {
    let Event::Request(Request {
        roles,
        origin: Origin::Local,
        ..
    }) = event
    else {
        return Err(TestCaseError::fail("a limit was moved and nobody here asked to"));
    };
    prop_assert!(roles.safety);
    prop_assert!(ceiling.is_none_or(|ceiling| (CEILING_MIN..=CEILING_MAX).contains(&ceiling)));
    Ok(())
}

/// What comes by network leaves the lab as it would be without, or cooler. Confirming presence is allowed.
fn from_a_network_only_cooler(
    before: &Lab,
    now: Millis,
    event: &Event,
    after: &Lab,
    actions: &[Action],
) -> Check {
    let Event::Request(
        request @ Request {
            origin: Origin::Network,
            ..
        },
    ) = event
    else {
        return Ok(());
    };
    for action in actions {
        let warmer = matches!(
            action,
            Action::Heat(_)
                | Action::Restore { .. }
                | Action::DropTrip { .. }
                | Action::KeepLimit { .. }
                | Action::KeepLabLimit { .. }
                | Action::KeepCalibration { .. }
                | Action::Answer {
                    answer: Ok(Answer::Started(_)),
                    ..
                }
        );
        prop_assert!(!warmer, "a network made {:?}", action);
    }
    let mut without = before.clone();
    without.apply(now, Event::Tick);
    // The request itself looks at no clock; so that both have seen the same time, both get a wake-up.
    let mut with = after.clone();
    with.apply(now, Event::Tick);
    let heats = |phase: Phase| matches!(phase, Phase::Ramp | Phase::Dwell);
    for (with, without) in with.view().stations.iter().zip(&without.view().stations) {
        prop_assert_eq!(with.own_ceiling, without.own_ceiling);
        let present = matches!(request.ask, Ask::Present(_));
        prop_assert!(
            present || !heats(with.phase) || heats(without.phase),
            "a network made {} heat",
            with.name
        );
    }
    prop_assert_eq!(after.view().ceiling, before.view().ceiling);
    Ok(())
}

/// What walks came to.
#[derive(Debug, Clone, Default)]
pub(crate) struct Counts {
    trips: BTreeMap<InterlockName, u64>,
    resets: BTreeMap<InterlockName, u64>,
    refusals: BTreeSet<&'static str>,
    starts: u64,
    resumes: u64,
    heats: u64,
    holds: u64,
    restores: u64,
    cut_at_start: u64,
    warnings: u64,
    safe: u64,
    network: u64,
    supply_full: u64,
    calibrations: u64,
    both_on_one_driver: u64,
}

impl Counts {
    pub(crate) fn add(&mut self, other: &Self) {
        for (name, count) in &other.trips {
            *self.trips.entry(*name).or_default() += count;
        }
        for (name, count) in &other.resets {
            *self.resets.entry(*name).or_default() += count;
        }
        self.refusals.extend(&other.refusals);
        self.starts += other.starts;
        self.resumes += other.resumes;
        self.heats += other.heats;
        self.holds += other.holds;
        self.restores += other.restores;
        self.cut_at_start += other.cut_at_start;
        self.warnings += other.warnings;
        self.safe += other.safe;
        self.network += other.network;
        self.supply_full += other.supply_full;
        self.calibrations += other.calibrations;
        self.both_on_one_driver += other.both_on_one_driver;
    }

    /// What no walk came to, or hardly ever.
    pub(crate) fn missing(&self) -> Vec<String> {
        let mut missing = Vec::new();
        for name in InterlockName::ALL {
            for (what, counts) in [("trips", &self.trips), ("resets", &self.resets)] {
                if counts.get(name).is_none_or(|count| *count < 3) {
                    missing.push(format!("{what} of {name}"));
                }
            }
        }
        let refusals = [
            "NotPermitted",
            "NotFromNetwork",
            "CeilingExceeded",
            "CeilingOutOfBounds",
            "OffsetOutOfBounds",
            "Tripped",
            "CauseStands",
            "Busy",
            "NotReady",
            "NothingToConfirm",
            "NothingToResume",
        ];
        missing.extend(
            refusals
                .iter()
                .filter(|name| !self.refusals.contains(*name))
                .map(|name| format!("refusal {name}")),
        );
        let counts = [
            ("starts", self.starts),
            ("resumes", self.resumes),
            ("heats", self.heats),
            ("holds", self.holds),
            ("restores", self.restores),
            ("cuts of a driver that starts", self.cut_at_start),
            ("warnings", self.warnings),
            ("safe boards", self.safe),
            ("requests granted to a network", self.network),
            ("a full supply", self.supply_full),
            ("calibrations", self.calibrations),
            ("two runs on one driver", self.both_on_one_driver),
        ];
        missing.extend(
            counts
                .iter()
                .filter(|(_, count)| *count < 3)
                .map(|(what, _)| (*what).to_owned()),
        );
        missing
    }
}
