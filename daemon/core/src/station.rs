//! A station: one place where one board is heated. It gathers the facts, has the interlocks evaluated, carries
//! the run on, and asks for heat, in this order.
//!
//! Nothing here makes a permit: [`Station::step`] gets one from [`Panel::evaluate`] or doesn't, and without one
//! there is no way to build a [`Grant`].

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::action::{About, Action, Entry, EntryKind, Grant, Row, RunChange, Signal};
use crate::alarm;
use crate::caution::Caution;
use crate::channel::{Channel, Quality, Sample};
use crate::event::Value;
use crate::guard::News;
use crate::heat_log::HeatLog;
use crate::id::{InstanceId, OutputId, RunId, Seq, StationId};
use crate::interlock::{
    Change, Current, Effect, Facts, Heating, HostLimits, InForce, InterlockName, Link, Panel, Permissive,
    Residual, Standing, StopPress, Trip, Verdict,
};
use crate::limits::{Ceiling, Limits};
use crate::messages;
use crate::numbering::Numbering;
use crate::output::Output;
use crate::person::Person;
use crate::presence::Presence;
use crate::recipe::ControlBy;
use crate::run::{Outcome, Phase, Progress, Record, Run, State, TripRecord};
use crate::setup::OutputRole;
use crate::supply::{Demand, Draw, Given, Supplies};
use crate::units::{Celsius, CelsiusDelta, CelsiusPerSecond, Fraction, Millis, Watts};
use crate::view::{ChannelView, InterlockView, PermissiveView, StationView};

/// What a station needs of the lab around it for one step.
pub(crate) struct Around<'a> {
    pub(crate) now: Millis,
    pub(crate) limits: &'a Limits,
    pub(crate) host: HostLimits,
    pub(crate) late: Option<Millis>,
    pub(crate) behind: Millis,
    pub(crate) supplies: &'a mut Supplies,
    pub(crate) numbers: &'a mut Numbering,
    pub(crate) out: &'a mut Out,
}

/// Actions in the making. What concerns heat goes in front of everything else, whoever adds it and when.
#[derive(Debug, Default)]
pub(crate) struct Out {
    pub(crate) heat: Vec<Action>,
    pub(crate) rest: Vec<Action>,
}

impl Out {
    /// The actions in the order in which they are to be carried out.
    pub(crate) fn in_order(self) -> Vec<Action> {
        let Self { mut heat, rest } = self;
        heat.extend(rest);
        heat
    }
}

/// One place where one board is heated.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Station {
    pub(crate) id: StationId,
    pub(crate) name: Arc<str>,
    pub(crate) channels: Vec<Channel>,
    pub(crate) permissives: Vec<Permissive>,
    pub(crate) current: Option<Current>,
    /// Its readings follow its heat: a board model can be held against them.
    pub(crate) follows_heat: bool,
    pub(crate) outputs: Vec<Output>,
    /// The drivers that it needs, and whether they are there.
    pub(crate) instances: Vec<InstanceId>,
    pub(crate) links: Vec<Link>,
    pub(crate) presence: Presence,
    pub(crate) panel: Panel,
    /// Not kept with an excerpt: that is taken before a run begins.
    #[serde(skip)]
    pub(crate) run: Option<Run>,
    /// The temperature below which the board of the last run is known to be, so that it is safe to handle.
    cool: Option<Celsius>,
    /// Heat that was last granted.
    heat: Fraction,
    /// Heat that was there lately.
    pub(crate) heat_log: HeatLog,
    /// A press of stop that the next evaluation will see.
    pub(crate) stop: Option<(Person, bool)>,
    /// Whether the journal last said that there is heat.
    heat_said: bool,
}

impl Station {
    pub(crate) fn new(
        id: StationId,
        name: Arc<str>,
        channels: Vec<Channel>,
        permissives: Vec<Permissive>,
        panel: Panel,
    ) -> Self {
        Self {
            id,
            name,
            channels,
            permissives,
            current: None,
            follows_heat: true,
            outputs: Vec::new(),
            instances: Vec::new(),
            links: Vec::new(),
            presence: Presence::default(),
            panel,
            run: None,
            cool: None,
            heat: Fraction::ZERO,
            heat_log: HeatLog::default(),
            stop: None,
            heat_said: false,
        }
    }

    /// Takes in one value of a scan. Returns a confirmation of presence, where it was one.
    pub(crate) fn take_channel(&mut self, at: Millis, channel: usize, value: Value) {
        let Some(channel) = self.channels.get_mut(channel) else {
            return;
        };
        let (sample, cold_junction) = match value {
            Value::Junction {
                sample,
                cold_junction,
            } => (sample, Some((at, cold_junction))),
            Value::Sample(sample) => (sample, None),
            // A yes/no value on a thermocouple's input: wired wrongly or a broken driver. Either way there is
            // no temperature.
            Value::Active(_) | Value::Unreadable | Value::Current(_) => {
                (Sample::Fault(crate::channel::Fault::Device), None)
            }
        };
        let sample = match sample {
            Sample::Good(celsius) => Sample::Good(celsius + channel.offset),
            fault @ Sample::Fault(_) => fault,
        };
        channel.cold_junction = cold_junction;
        channel.take(at, sample);
    }

    pub(crate) fn take_permissive(&mut self, at: Millis, permissive: usize, value: Value) {
        let Some(permissive) = self.permissives.get_mut(permissive) else {
            return;
        };
        permissive.newest = match value {
            Value::Active(closed) => Some((at, closed)),
            Value::Sample(_) | Value::Junction { .. } | Value::Current(_) | Value::Unreadable => None,
        };
        permissive.open_since = match permissive.newest {
            Some((_, false)) => permissive.open_since.or(Some(at)),
            Some((_, true)) | None => None,
        };
    }

    pub(crate) fn take_current(&mut self, at: Millis, value: Value) {
        if let Some(current) = &mut self.current {
            current.newest = match value {
                Value::Current(amps) => Some((at, amps)),
                Value::Sample(_) | Value::Junction { .. } | Value::Active(_) | Value::Unreadable => None,
            };
        }
    }

    /// Whether heat may be on: a run in ramp, in dwell, or whose fall is eased.
    pub(crate) fn heating(&self) -> bool {
        self.run.as_ref().is_some_and(Run::may_heat)
    }

    pub(crate) fn phase(&self) -> Phase {
        match (&self.run, self.cool) {
            (Some(run), _) => run.phase(),
            (None, Some(_)) => Phase::Cool,
            (None, None) => Phase::Idle,
        }
    }

    pub(crate) fn ceiling(&self, limits: &Limits) -> Ceiling {
        limits.effective(self.id, self.run.as_ref().and_then(|run| run.recipe().ceiling))
    }

    /// The limits that count here now.
    fn in_force(&self, limits: &Limits, host: HostLimits) -> InForce {
        let recipe = self.run.as_ref().map(Run::recipe);
        InForce {
            ceiling: self.ceiling(limits),
            absent_after: limits.absent_after(recipe.and_then(|recipe| recipe.absent_after)),
            rise_max: limits.rise_max(),
            run_max: self.run.as_ref().map(|run| limits.run_max(run.limit)),
            host,
        }
    }

    /// What is less safe here than usual and no trip: each is shown until it ends.
    fn cautions(&self, limits: &Limits) -> Vec<String> {
        let mut cautions = limits.raised(self.id);
        if !self.follows_heat {
            cautions.push(Caution::Unfollowed);
        }
        cautions.iter().map(Caution::to_string).collect()
    }

    /// Keeps with the run what it goes on under.
    pub(crate) fn note_cautions(&mut self, around: &mut Around<'_>) {
        let cautions = self.cautions(around.limits);
        self.note(around, cautions);
    }

    /// Keeps with the run which permissives were opened while it went on: in its cool-down that is no trip, and the board was
    /// in another air.
    fn note_opened(&mut self, around: &mut Around<'_>) {
        if self.run.is_none() || !self.permissives.iter().any(|one| one.is_opened(around.now)) {
            return;
        }
        let opened = self.permissives.iter().filter(|one| one.is_opened(around.now));
        let cautions = opened
            .map(|one| {
                let permissive = one.name.clone();
                Caution::Opened { permissive }.to_string()
            })
            .collect();
        self.note(around, cautions);
    }

    /// With the ceiling that counts now.
    fn note(&mut self, around: &mut Around<'_>, cautions: Vec<String>) {
        let ceiling = self.ceiling(around.limits);
        let Some(run) = &mut self.run else { return };
        let before = run.record.cautions.len() + run.record.ceilings.len();
        if run
            .record
            .ceilings
            .last()
            .is_none_or(|(_, known)| *known != ceiling)
        {
            run.record.ceilings.push((around.now, ceiling));
        }
        for caution in cautions {
            if !run.record.cautions.iter().any(|known| **known == *caution) {
                run.record.cautions.push(caution.into());
            }
        }
        if run.record.cautions.len() + run.record.ceilings.len() > before {
            self.keep_run(around, false);
        }
    }

    /// Hottest good, fresh reading; `None` where *any* channel has none, since it might be the hottest.
    fn hottest_of_all(&self, now: Millis, host: HostLimits) -> Option<Celsius> {
        let mut hottest: Option<Celsius> = None;
        for channel in &self.channels {
            let celsius = channel.celsius(now, host.silence_floor)?;
            hottest = Some(hottest.map_or(celsius, |sofar| sofar.max(celsius)));
        }
        hottest
    }

    /// What `by` steers, from good, fresh readings; `None` where it can't be said.
    fn control_celsius(&self, now: Millis, host: HostLimits, by: &ControlBy) -> Option<Celsius> {
        let read = |channel: &Channel| channel.celsius(now, host.silence_floor);
        match by {
            ControlBy::Channel(name) => self
                .channels
                .iter()
                .find(|channel| *channel.name == **name)
                .and_then(read),
            ControlBy::Hottest => self.hottest_of_all(now, host),
            ControlBy::Coldest => {
                let all: Option<Vec<Celsius>> = self.channels.iter().map(read).collect();
                all?.into_iter().reduce(Celsius::min)
            }
            ControlBy::Mean => {
                let all: Option<Vec<Celsius>> = self.channels.iter().map(read).collect();
                let all = all?;
                let count = u32::try_from(all.len()).ok().filter(|count| *count > 0)?;
                Celsius::new(all.iter().map(|celsius| celsius.degrees()).sum::<f64>() / f64::from(count)).ok()
            }
        }
    }

    /// What the board model of the run has to say of the channel that is steered by, where it isn't what it should be. `mean`
    /// steers by all of them; the coldest is named, since what comes off reads low.
    fn residual(&self) -> Option<Residual> {
        let run = self.run.as_ref()?;
        let off = run.off().filter(|_| self.follows_heat)?;
        let read = |channel: &&Channel| channel.good.map_or(f64::NAN, Celsius::degrees);
        let by_reading = |one: &&Channel, other: &&Channel| read(one).total_cmp(&read(other));
        let channel = match &run.recipe().control {
            ControlBy::Channel(name) => self.channels.iter().find(|channel| *channel.name == **name),
            ControlBy::Hottest => self.channels.iter().max_by(by_reading),
            ControlBy::Coldest | ControlBy::Mean => self.channels.iter().min_by(by_reading),
        }?;
        Some(Residual {
            channel: channel.name.clone(),
            off: CelsiusDelta::constant(off.celsius),
            limit: CelsiusDelta::constant(-off.limit),
            horizon: Millis::from_secs_f64(off.horizon_s),
            verdict: if off.detached {
                Verdict::Detached
            } else {
                Verdict::Doubt
            },
        })
    }

    /// Whether heat has to be zero for a while without a trip: a channel whose newest sample is not good (its
    /// interlock is confirming) or is above the ceiling, readings that may not be the board's, or a spread above the recipe's limit.
    fn hold_back(&self, now: Millis, host: HostLimits, ceiling: Celsius) -> bool {
        let off = self.residual().is_some();
        let doubtful = off
            || self.channels.iter().any(|channel| {
                channel.quality(now, host.silence_floor) != Quality::Good
                    || channel.good.is_some_and(|good| good > ceiling)
            });
        let Some(limit) = self.run.as_ref().and_then(|run| run.recipe().spread_max) else {
            return doubtful;
        };
        let good = || {
            self.channels
                .iter()
                .filter_map(|channel| channel.celsius(now, host.silence_floor))
        };
        let spread = good()
            .reduce(Celsius::max)
            .zip(good().reduce(Celsius::min))
            .map(|(high, low)| high - low);
        doubtful || spread.is_some_and(|spread| spread > limit)
    }

    /// One step: evaluates every interlock on what is known now, acts on what they say, and carries the run on.
    ///
    /// `received`: this step thinks about new channel readings, which came in then. Only then can there be a grant: a
    /// permit is for the newest readings, and time passing is none. What the run makes of them is reckoned at that time
    /// and not at the time of the thought, so that it can be reckoned again.
    pub(crate) fn step(&mut self, around: &mut Around<'_>, received: Option<Millis>) {
        let now = around.now;
        let heating = self.run.as_ref().and_then(|run| {
            run.heating(now).map(|(since, total)| Heating {
                since,
                total,
                limit: around.limits.run_max(run.limit).0,
            })
        });
        let ceiling = self.ceiling(around.limits);
        let in_force = self.in_force(around.limits, around.host);
        let stop = self.stop.take();
        self.heat_log.look(now, self.heat, &self.outputs);
        let steered = self.run.as_ref().filter(|_| heating.is_some());
        let facts = Facts {
            now,
            channels: &self.channels,
            permissives: &self.permissives,
            outputs: &self.outputs,
            links: &self.links,
            instances: &self.instances,
            presence: &self.presence,
            ceiling,
            absent_after: in_force.absent_after.0,
            rise_max: in_force.rise_max.0,
            heating,
            control: steered.and_then(|run| self.control_celsius(now, around.host, &run.recipe().control)),
            target: steered.map(Run::target),
            heat: &self.heat_log,
            current: self.current.as_ref(),
            residual: self.residual(),
            late: around.late,
            behind: around.behind,
            stop: stop.as_ref().map(|(by, whole_lab)| StopPress {
                by,
                whole_lab: *whole_lab,
            }),
            host: around.host,
        };
        let evaluation = self.panel.evaluate(&facts);
        for change in evaluation.changes {
            self.change(around, change);
        }
        if received.is_some()
            && let Some(hottest) = self
                .channels
                .iter()
                .filter_map(|channel| channel.good)
                .reduce(Celsius::max)
            && let Some(run) = &mut self.run
        {
            run.peak(hottest);
        }
        if self.heating() {
            // A trip has ended the heating above, so that without a permit this is not reached; if it were,
            // there would be nothing to build a grant from.
            if let Some(received) = received
                && let Some(permit) = evaluation.permit
            {
                self.heat(around, permit, received);
            }
        } else {
            if let Some(received) = received {
                self.watch(around, received);
            }
            self.cool_down(around);
        }
        self.note_opened(around);
        if let Some(received) = received {
            self.look_ahead(around, received);
        }
    }

    /// Keeps what is foretold of the run current. It comes after everything about heat, and in small pieces.
    fn look_ahead(&mut self, around: &Around<'_>, received: Millis) {
        let Some(since) = self.run.as_ref().map(|run| run.record.started) else {
            return;
        };
        let most = self.supply_left(around.now, around.supplies, since);
        if let Some(run) = &mut self.run {
            run.look_ahead(received, most);
        }
    }

    /// Lets the control of a run that doesn't heat go on watching its board.
    fn watch(&mut self, around: &Around<'_>, received: Millis) {
        let Some(by) = self.run.as_ref().map(|run| run.recipe().control.clone()) else {
            return;
        };
        let control = self.control_celsius(around.now, around.host, &by);
        let all = self.each_celsius(around.now, around.host);
        if let (Some(control), Some(run)) = (control, &mut self.run) {
            run.observe(received, control, &all, Fraction::ZERO);
        }
    }

    /// Carries the run on and grants heat.
    fn heat(&mut self, around: &mut Around<'_>, permit: crate::interlock::Permit, received: Millis) {
        let (now, host) = (around.now, around.host);
        let hold_back = self.hold_back(now, host, self.ceiling(around.limits).celsius);
        let Some(by) = self.run.as_ref().map(|run| run.recipe().control.clone()) else {
            return;
        };
        let control = self.control_celsius(now, host, &by);
        if let Some(control) = control {
            let granted = self.heat;
            let all = self.each_celsius(now, host);
            let progress = self.run.as_mut().map_or(Progress::Same, |run| {
                run.observe(received, control, &all, granted);
                run.progress(received, control)
            });
            self.progressed(around, progress);
        }
        if !self.heating() {
            return;
        }
        let asked = match (control, &mut self.run) {
            (Some(_), Some(run)) if !hold_back => run.ask(received),
            // Nothing to steer by, or something doubtful: no heat until that is over or an interlock has confirmed it.
            (None, _) | (_, None) | (Some(_), Some(_)) => Fraction::ZERO,
        };
        self.guarded(around);
        if !self.heating() {
            return;
        }
        let Given { share: given, offset } = self.ask_supply(around, asked.thousandths());
        let mut heats = Vec::with_capacity(1);
        for at in 0..self.outputs.len() {
            let seq = around.numbers.next();
            let output = &mut self.outputs[at];
            if output.role == OutputRole::Heat {
                output.told(seq, now);
                heats.push((output.id, seq, given));
            }
        }
        self.heat = given;
        if !given.is_zero() {
            self.say_heat(around, true);
        }
        around
            .out
            .heat
            .push(Action::Heat(Grant::new(permit, heats, offset)));
    }

    /// Every channel's good, fresh reading, in the station's order.
    fn each_celsius(&self, now: Millis, host: HostLimits) -> Vec<Option<Celsius>> {
        self.channels
            .iter()
            .map(|channel| channel.celsius(now, host.silence_floor))
            .collect()
    }

    /// Acts on what the guard of a first run has to say.
    fn guarded(&mut self, around: &mut Around<'_>) {
        let Some(run) = &mut self.run else { return };
        let id = run.record.run;
        let (news, name) = (run.news(around.now), &self.name);
        match news {
            None => {}
            Some(News::Asks(text)) => {
                let text = format!(
                    "{name}: run {id} waits, heat is off: {text} `benchward run confirm {name}` goes on"
                );
                self.journal(around, EntryKind::FirstRun, None, text);
                self.keep_run(around, false);
                self.say_phase(around);
            }
            Some(News::Fits(text)) => {
                let text = format!("{name}: run {id} goes on: {text}");
                self.journal(around, EntryKind::FirstRun, None, text);
                self.say_phase(around);
            }
            Some(News::Unanswered(text)) => {
                let text = format!("{name}: run {id} ends: {text}");
                self.journal(around, EntryKind::FirstRun, None, text);
                self.off(around);
                self.end_heat(around, id, Outcome::Stopped, None);
            }
        }
    }

    /// A person says that the sensors are on the board. Returns whether anybody had asked.
    pub(crate) fn confirm(&mut self, around: &mut Around<'_>, who: &Person) -> bool {
        let heating = self.heating();
        let Some(run) = self.run.as_mut().filter(|_| heating) else {
            return false;
        };
        let Some(asked) = run.confirm(who) else {
            return false;
        };
        let text = format!(
            "{}: {who} confirmed the sensors of run {}; {asked}",
            self.name, run.record.run
        );
        // Whoever has looked is there.
        self.presence.confirm(around.now);
        self.journal(around, EntryKind::FirstRun, Some(who.clone()), text);
        self.keep_run(around, false);
        self.say_phase(around);
        true
    }

    /// What the supply leaves of what is asked for, for all heaters of the station together.
    fn ask_supply(&self, around: &mut Around<'_>, asked: Fraction) -> Given {
        let all = |share| Given { share, offset: None };
        if !around.supplies.shared(self.id) {
            return all(asked);
        }
        // A heater of unknown power on a shared supply is refused at the run's start; see `Lab`.
        let (Some((rated, draw)), Some(run)) = (self.load(), &self.run) else {
            return all(Fraction::ZERO);
        };
        let demand = Demand {
            asked,
            rated,
            draw,
            dwelling: matches!(run.state, State::Dwell { .. } | State::Easing { .. }),
            since: run.record.started,
        };
        around
            .supplies
            .share(around.now, self.id, around.numbers.before(), demand)
    }

    /// Share of its full power that its supply leaves a run that began then.
    fn supply_left(&self, now: Millis, supplies: &Supplies, since: Millis) -> f64 {
        self.load()
            .map_or(1.0, |(rated, _)| supplies.left(now, self.id, rated, since))
    }

    /// What its heaters draw together at full heat, and how; `None` where one doesn't say.
    pub(crate) fn load(&self) -> Option<(Watts, Draw)> {
        let rated: Option<f64> = self.heaters().map(|output| output.watts.map(Watts::watts)).sum();
        let draw = self
            .heaters()
            .map(|output| Draw::of(output.window))
            .reduce(Draw::together)?;
        Some((Watts::new(rated?).ok()?, draw))
    }

    /// The journal says when heat first comes and when it is taken away, not each time that the controller asks for
    /// none for a moment: how much heat there was at which time is in the readings.
    fn say_heat(&mut self, around: &mut Around<'_>, on: bool) {
        if self.heat_said == on {
            return;
        }
        self.heat_said = on;
        let text = format!("{}: heat {}", self.name, if on { "on" } else { "off" });
        self.journal(around, EntryKind::Heat, None, text);
    }

    fn progressed(&mut self, around: &mut Around<'_>, progress: Progress) {
        let Some(run) = &self.run else { return };
        let (id, stage, count) = (run.record.run, run.stage + 1, run.recipe().stages.len());
        match progress {
            Progress::Same => {}
            Progress::Reached => {
                let text = format!(
                    "{}: stage {stage} of {count} has reached its target, {}",
                    self.name,
                    run.current().target
                );
                self.journal(around, EntryKind::Stage, None, text);
                self.keep_run(around, false);
                self.say_phase(around);
            }
            Progress::NextStage => {
                let text = format!(
                    "{}: stage {stage} of {count} begins, target {}",
                    self.name,
                    run.current().target
                );
                self.journal(around, EntryKind::Stage, None, text);
                self.keep_run(around, false);
                self.say_phase(around);
            }
            Progress::Easing => {
                let fall = run
                    .recipe()
                    .cooldown
                    .fall_max
                    .map_or(0.0, CelsiusPerSecond::per_second);
                let text = format!(
                    "{}: stage {stage} of {count} is done, heat eases the fall to {fall} °C/s",
                    self.name
                );
                self.journal(around, EntryKind::Stage, None, text);
                self.keep_run(around, false);
                self.say_phase(around);
            }
            Progress::Finished => {
                self.off(around);
                self.outcome_said(around, id, Outcome::Completed, None);
            }
        }
    }

    /// Takes the heat to zero.
    pub(crate) fn off(&mut self, around: &mut Around<'_>) {
        let before = around.numbers.before();
        for at in 0..self.outputs.len() {
            if self.outputs[at].role == OutputRole::Heat {
                let seq = around.numbers.next();
                self.outputs[at].told(seq, around.now);
                around.out.heat.push(Action::Off {
                    output: self.outputs[at].id,
                    seq,
                });
            }
        }
        self.heat_gone(around, before);
    }

    /// Takes the heat to zero and opens every second switch: of the heaters and of the contactor.
    pub(crate) fn cut(&mut self, around: &mut Around<'_>) {
        let before = around.numbers.before();
        for at in 0..self.outputs.len() {
            let seq = around.numbers.next();
            self.outputs[at].told(seq, around.now);
            self.outputs[at].cut = true;
            around.out.heat.push(Action::Cut {
                output: self.outputs[at].id,
                seq,
            });
        }
        self.heat_gone(around, before);
    }

    /// `before`: the number of the last command before those that took the heat.
    fn heat_gone(&mut self, around: &mut Around<'_>, before: Seq) {
        self.heat = Fraction::ZERO;
        around.supplies.release(around.now, self.id, before);
        self.say_heat(around, false);
    }

    /// Lets cut outputs take heat again. Only called when nothing is latched.
    fn restore(&mut self, around: &mut Around<'_>) {
        for at in 0..self.outputs.len() {
            if self.outputs[at].cut {
                let seq = around.numbers.next();
                let output = &mut self.outputs[at];
                output.cut = false;
                output.refused = None;
                output.told(seq, around.now);
                around.out.heat.push(Action::Restore {
                    output: output.id,
                    seq,
                });
            }
        }
    }

    /// A driver has started: its outputs are at zero and not cut. Where the station's trips say cut, it is told so.
    pub(crate) fn driver_started(&mut self, around: &mut Around<'_>, instance: InstanceId) {
        let cut = self.panel.effect() == Some(Effect::Cut);
        for at in 0..self.outputs.len() {
            if self.outputs[at].instance != instance {
                continue;
            }
            self.outputs[at].forget();
            if cut {
                let seq = around.numbers.next();
                let output = &mut self.outputs[at];
                output.cut = true;
                output.told(seq, around.now);
                around.out.heat.push(Action::Cut {
                    output: output.id,
                    seq,
                });
            }
        }
    }

    /// Acts on what an interlock said.
    fn change(&mut self, around: &mut Around<'_>, change: Change) {
        match change {
            Change::Warning { interlock, text } => {
                let said = format!("{}: {text}", self.name);
                self.journal_about(
                    around,
                    EntryKind::Warning,
                    interlock,
                    "warning",
                    None,
                    format!("{said} (`{interlock}`)"),
                );
                self.signal_interlock(around, interlock, "warning", said);
            }
            Change::WarningOver { interlock } => {
                let said = format!("{}: warning `{interlock}` is over", self.name);
                self.journal_about(around, EntryKind::Warning, interlock, "clear", None, said.clone());
                self.signal_interlock(around, interlock, "clear", said);
            }
            Change::Trip { interlock, trip } => self.tripped(around, interlock, &trip),
        }
    }

    /// An interlock has acted: first the heat, then the telling.
    fn tripped(&mut self, around: &mut Around<'_>, interlock: InterlockName, trip: &Trip) {
        match trip.cause.effect {
            Effect::Cut => self.cut(around),
            Effect::HeatOff => self.off(around),
        }
        let said = messages::trip(&self.name, interlock, trip);
        let pressed = interlock == InterlockName::Stop;
        let heating = self.heating();
        if let Some(run) = &mut self.run {
            run.record.trips.push(TripRecord {
                interlock,
                text: trip.cause.text.clone(),
                at: around.now,
                acknowledged_by: None,
                reset_by: None,
            });
            if heating && !pressed {
                run.suspend(around.now);
            }
        }
        around.out.rest.push(Action::KeepTrip {
            station: self.id,
            interlock,
            effect: trip.cause.effect,
            text: trip.cause.text.clone(),
            acknowledged_by: None,
        });
        let told = format!(
            "{}: `{interlock}` tripped ({}): {}",
            self.name,
            trip.cause.effect.text(),
            trip.cause.text
        );
        around.out.rest.push(Action::Journal(Entry {
            station: Some(self.id),
            run: self.run.as_ref().map(|run| run.record.run),
            value: trip.cause.value,
            limit: trip.cause.limit,
            unit: trip.cause.unit,
            channel: trip.cause.channel.clone(),
            scan: trip.cause.scan,
            about: Some(About {
                interlock,
                standing: "tripped",
                effect: Some(trip.cause.effect),
            }),
            ..Entry::new(EntryKind::Trip, None, told)
        }));
        self.say_alarm(around, interlock, None, "tripped", || {
            alarm::text(&self.name, &trip.cause.text, None)
        });
        self.signal_interlock(around, interlock, "tripped", said);
        match (heating, pressed, self.run.as_ref().map(|run| run.record.run)) {
            // A person who presses stop has decided about the run: it is over, not waiting.
            (true, true, Some(run)) => self.end_heat(around, run, Outcome::Stopped, None),
            (true, false, Some(run)) => self.outcome_said(around, run, Outcome::Tripped, None),
            // Nor is a tripped run resumed after it.
            (false, true, Some(run)) if self.resumable() => {
                self.end_heat(around, run, Outcome::Tripped, None);
            }
            (false, _, Some(_)) => self.keep_run(around, false),
            (_, _, None) => {}
        }
    }

    /// Ends the run's heat for good; the board cools.
    fn end_heat(&mut self, around: &mut Around<'_>, run: RunId, outcome: Outcome, who: Option<Person>) {
        if let Some(running) = &mut self.run {
            running.cool(around.now, outcome);
        }
        self.outcome_said(around, run, outcome, who);
    }

    fn outcome_said(&mut self, around: &mut Around<'_>, run: RunId, outcome: Outcome, who: Option<Person>) {
        let text = format!("{}: run {run} is {outcome}; the board cools down", self.name);
        self.journal(around, EntryKind::RunOutcome, who, text);
        self.keep_run(around, false);
        around.out.rest.push(Action::Signal(Signal::RunOutcome {
            station: self.id,
            run,
            outcome,
        }));
        self.say_phase(around);
    }

    /// A person ends the run. Returns whether there was heat to end.
    pub(crate) fn stop_run(&mut self, around: &mut Around<'_>, who: &Person) -> bool {
        let Some(run) = self.run.as_ref().map(|run| (run.record.run, run.state.clone())) else {
            return false;
        };
        match run {
            (id, State::Ramp | State::Dwell { .. } | State::Easing { .. }) => {
                self.off(around);
                self.end_heat(around, id, Outcome::Stopped, Some(who.clone()));
                true
            }
            // Tripped and not to be resumed: it stays tripped.
            (id, State::Suspended { .. }) => {
                self.end_heat(around, id, Outcome::Tripped, Some(who.clone()));
                true
            }
            (_, State::Cooling { .. }) => false,
        }
    }

    /// A run with that record, here.
    pub(crate) fn run_of(&self, record: Record, now: Millis) -> Run {
        let drifts = |channel: &Channel| (channel.name.clone(), channel.trend.drift());
        let channels = self.channels.iter().map(drifts).collect();
        let watts = self.load().map(|(watts, _)| watts);
        Run::begin(record, now, channels, watts, self.follows_heat)
    }

    /// Begins a run that has been checked.
    pub(crate) fn begin(&mut self, around: &mut Around<'_>, run: Run) {
        self.close_run(around);
        let known = match (&run.record.model, &run.record.first_run) {
            (Some(model), _) => format!(
                ", known board \"{}\" (revision {}, learned from run {})",
                model.board, model.revision, model.learned_from
            ),
            (None, Some(first)) => format!(", a first run, guarded by {}", first.guarded_by),
            (None, None) => String::new(),
        };
        let text = format!(
            "{}: run {} of \"{}\" revision {} on board {} begins{known}",
            self.name,
            run.record.run,
            run.recipe().name,
            run.record.revision,
            run.record.serial
        );
        let who = run.record.operator.clone();
        self.cool = None;
        self.run = Some(run);
        // Starting takes a person: the presence clock starts full.
        self.presence.confirm(around.now);
        self.journal(around, EntryKind::RunStarted, Some(who), text);
        let cautions = self.cautions(around.limits).into_iter().map(Into::into).collect();
        let ceiling = self.ceiling(around.limits);
        if let Some(run) = &mut self.run {
            run.record.cautions = cautions;
            run.record.ceilings = vec![(around.now, ceiling)];
        }
        self.keep_run(around, false);
        self.say_phase(around);
    }

    /// Goes on with a suspended run. The caller has checked that nothing is latched.
    pub(crate) fn resume(&mut self, around: &mut Around<'_>, who: &Person) {
        let now = around.now;
        let Some(run) = &mut self.run else { return };
        run.resume(now);
        self.presence.confirm(now);
        let text = format!(
            "{}: run {} is resumed at stage {}",
            self.name,
            run.record.run,
            run.stage + 1
        );
        self.journal(around, EntryKind::RunOutcome, Some(who.clone()), text);
        self.keep_run(around, false);
        self.say_phase(around);
    }

    /// How long the run has heated and may heat, where that is used up.
    pub(crate) fn heated_too_long(&self, limits: &Limits) -> Option<(Millis, Millis)> {
        let run = self.run.as_ref()?;
        let (limit, _) = limits.run_max(run.limit);
        (run.heated_before >= limit).then_some((run.heated_before, limit))
    }

    /// Whether a tripped run waits to be resumed.
    pub(crate) fn resumable(&self) -> bool {
        self.run
            .as_ref()
            .is_some_and(|run| matches!(run.state, State::Suspended { .. }))
    }

    /// Watches the board cool.
    fn cool_down(&mut self, around: &mut Around<'_>) {
        let hottest = self.hottest_of_all(around.now, around.host);
        let Some(run) = &mut self.run else {
            // What was safe to handle may get hot again, by a heater that is stuck on.
            if let Some(safe) = self.cool
                && self
                    .channels
                    .iter()
                    .filter_map(|channel| channel.good)
                    .any(|good| good >= safe)
            {
                self.cool = None;
                self.say_phase(around);
            }
            return;
        };
        if let State::Suspended { until, .. } = run.state
            && around.now >= until
        {
            let id = run.record.run;
            self.end_heat(around, id, Outcome::Tripped, None);
            return;
        }
        let changed = run.cooled(around.now, hottest);
        if changed == Some(true) {
            let (safe, waits) = (
                run.recipe().cooldown.safe,
                matches!(run.state, State::Suspended { .. }),
            );
            let text = format!(
                "{}: board {} is safe to handle, every channel is below {safe}",
                self.name, run.record.serial
            );
            self.journal(around, EntryKind::Safe, None, text);
            // A tripped run waits to be resumed, however cold its board.
            if !waits {
                self.close_run(around);
                self.cool = Some(safe);
            }
        }
        if changed.is_some() {
            self.say_phase(around);
        }
    }

    /// Closes the record of the run, if there is one.
    pub(crate) fn close_run(&mut self, around: &mut Around<'_>) {
        let Some(run) = &mut self.run else { return };
        run.record.ended = Some(around.now);
        let text = format!("{}: the record of run {} is closed", self.name, run.record.run);
        self.journal(around, EntryKind::RunEnded, None, text);
        self.keep_run(around, true);
        self.run = None;
    }

    /// Ends whatever goes on, since the daemon is asked to end.
    pub(crate) fn shut_down(&mut self, around: &mut Around<'_>, who: &Person) {
        if self.run.is_some() || !self.heat.is_zero() {
            self.cut(around);
        }
        self.stop_run(around, who);
        self.close_run(around);
    }

    /// A person has seen the trips. Returns how many that were.
    pub(crate) fn acknowledge(&mut self, around: &mut Around<'_>, who: &Person) -> usize {
        let seen = self.panel.acknowledge(who);
        for interlock in &seen {
            if let Some(run) = &mut self.run {
                for trip in run
                    .record
                    .trips
                    .iter_mut()
                    .filter(|trip| trip.interlock == *interlock)
                {
                    trip.acknowledged_by.get_or_insert_with(|| who.clone());
                }
            }
            let kept = self
                .panel
                .standings()
                .find(|(name, _)| name == interlock)
                .and_then(|(_, standing)| {
                    standing
                        .trip()
                        .map(|trip| (trip.cause.effect, trip.cause.text.clone()))
                });
            if let Some((effect, text)) = &kept {
                around.out.rest.push(Action::KeepTrip {
                    station: self.id,
                    interlock: *interlock,
                    effect: *effect,
                    text: text.clone(),
                    acknowledged_by: Some(who.name.clone()),
                });
            }
            let said = format!("{}: {who} acknowledged `{interlock}`", self.name);
            self.journal_about(
                around,
                EntryKind::Acknowledged,
                *interlock,
                "acknowledged",
                Some(who),
                said.clone(),
            );
            self.signal_interlock(around, *interlock, "acknowledged", said);
            if let Some((_, text)) = &kept {
                self.say_alarm(around, *interlock, Some(who), "acknowledged", || {
                    alarm::text(&self.name, text, Some(who))
                });
            }
        }
        if !seen.is_empty() {
            self.keep_run(around, false);
        }
        seen.len()
    }

    /// A person lifts the trips. The caller has checked the role and that no cause stands.
    pub(crate) fn reset(&mut self, around: &mut Around<'_>, who: &Person) -> usize {
        self.acknowledge(around, who);
        let lifted = self.panel.reset();
        for interlock in &lifted {
            if let Some(run) = &mut self.run {
                for trip in run
                    .record
                    .trips
                    .iter_mut()
                    .filter(|trip| trip.interlock == *interlock)
                {
                    trip.reset_by.get_or_insert_with(|| who.clone());
                }
            }
            around.out.rest.push(Action::DropTrip {
                station: self.id,
                interlock: *interlock,
            });
            let text = format!("{}: {who} reset `{interlock}`", self.name);
            self.journal_about(
                around,
                EntryKind::Reset,
                *interlock,
                "clear",
                Some(who),
                text.clone(),
            );
            self.signal_interlock(around, *interlock, "clear", text);
            self.say_alarm(around, *interlock, Some(who), "clear", || {
                format!("lab alarm is over: {who} reset `{interlock}` of {}", self.name)
            });
        }
        if !self.panel.tripped() {
            self.restore(around);
        }
        if !lifted.is_empty() {
            self.keep_run(around, false);
        }
        lifted.len()
    }

    /// The readings of one scan, as they are kept.
    pub(crate) fn row(&self, at: Millis, touched: &[bool]) -> Row {
        self.led_to(Row {
            station: self.id,
            at,
            run: self.run.as_ref().map(|run| run.record.run),
            values: self
                .channels
                .iter()
                .zip(touched)
                .map(|(channel, touched)| channel.newest.filter(|_| *touched).map(|(_, sample)| sample))
                .collect(),
            heat: Fraction::ZERO,
            phase: Phase::Idle,
            stage: None,
            target: None,
        })
    }

    /// The same readings with what the station makes of them now.
    pub(crate) fn led_to(&self, row: Row) -> Row {
        let run = self.run.as_ref();
        Row {
            // A run that has ended meanwhile has no more readings, and one that has begun has none yet.
            run: row
                .run
                .filter(|then| run.is_some_and(|run| run.record.run == *then)),
            heat: self.heat,
            phase: self.phase(),
            stage: run.map(|run| narrow(run.stage + 1)),
            target: run.filter(|_| self.heating()).map(Run::target),
            ..row
        }
    }

    pub(crate) fn view(
        &self,
        now: Millis,
        limits: &Limits,
        host: HostLimits,
        supplies: &Supplies,
    ) -> StationView {
        let run = self.run.as_ref();
        let heating = run.filter(|_| self.heating());
        let by = run.map_or(ControlBy::Hottest, |run| run.recipe().control.clone());
        StationView {
            name: self.name.clone(),
            phase: self.phase(),
            run: run.map(|run| run.record.run),
            recipe: run.map(|run| run.recipe().name.clone()),
            serial: run.map(|run| run.record.serial.clone()),
            stage: run.map(|run| (narrow(run.stage + 1), narrow(run.recipe().stages.len()))),
            target: heating.map(Run::target),
            control: self.control_celsius(now, host, &by),
            heat: self.heat,
            ceiling: self.ceiling(limits),
            own_ceiling: limits.station(self.id),
            in_force: self.in_force(limits, host),
            cautions: self.cautions(limits),
            permissives: self
                .permissives
                .iter()
                .map(|permissive| PermissiveView {
                    name: permissive.name.clone(),
                    closed: permissive.read(now, host),
                })
                .collect(),
            follows_heat: self.follows_heat,
            channels: self
                .channels
                .iter()
                .map(|channel| ChannelView {
                    name: channel.name.clone(),
                    celsius: channel.celsius(now, host.silence_floor),
                    quality: channel.quality(now, host.silence_floor),
                })
                .collect(),
            interlocks: self
                .panel
                .standings()
                .map(|(name, standing)| InterlockView {
                    name,
                    standing: standing.text(),
                    text: match standing {
                        Standing::Clear => String::new(),
                        Standing::Warning { text, .. } => text.to_string(),
                        Standing::Tripped { trip } | Standing::Acknowledged { trip, .. } => {
                            messages::trip(&self.name, name, trip)
                        }
                    },
                })
                .collect(),
            presence_left: heating.and_then(|run| run.heating(now)).map(|(since, _)| {
                let (limit, _) = self.in_force(limits, host).absent_after;
                Millis(limit.0.saturating_sub(self.presence.absent_for(now, since).0))
            }),
            waits: heating.and_then(|run| run.waits(now)),
            dwell_left: heating
                .filter(|run| matches!(run.state, State::Dwell { .. }))
                .and_then(|run| {
                    let dwelt = run.record.stages.last()?.dwelt;
                    Some(Millis(run.current().dwell.0.saturating_sub(dwelt.0)))
                }),
            resume_left: run.and_then(|run| match run.state {
                State::Suspended { until, .. } => Some(until.since(now)),
                State::Ramp | State::Dwell { .. } | State::Easing { .. } | State::Cooling { .. } => None,
            }),
            foretold: run.and_then(Run::foretold).cloned(),
            supply_left: Fraction::clamped(self.supply_left(now, supplies, now)),
            driver_up: self.links.iter().all(|link| link.loss.is_none()),
        }
    }

    fn keep_run(&self, around: &mut Around<'_>, ended: bool) {
        if let Some(run) = &self.run {
            around.out.rest.push(Action::Run(Box::new(RunChange {
                record: run.record.clone(),
                ended,
            })));
        }
    }

    fn say_phase(&self, around: &mut Around<'_>) {
        around.out.rest.push(Action::Signal(Signal::Phase {
            station: self.id,
            phase: self.phase(),
            stage: self.run.as_ref().map(|run| narrow(run.stage + 1)),
        }));
    }

    fn signal_interlock(
        &self,
        around: &mut Around<'_>,
        interlock: InterlockName,
        standing: &'static str,
        text: String,
    ) {
        around.out.rest.push(Action::Signal(Signal::Interlock {
            station: self.id,
            interlock,
            standing,
            text,
        }));
    }

    pub(crate) fn journal(
        &self,
        around: &mut Around<'_>,
        kind: EntryKind,
        who: Option<Person>,
        text: String,
    ) {
        around.out.rest.push(Action::Journal(Entry {
            station: Some(self.id),
            run: self.run.as_ref().map(|run| run.record.run),
            ..Entry::new(kind, who, text)
        }));
    }

    /// Journals that an interlock's standing has changed, by whom, so that the records of trips and warnings can be put
    /// together of the journal alone.
    fn journal_about(
        &self,
        around: &mut Around<'_>,
        kind: EntryKind,
        interlock: InterlockName,
        standing: &'static str,
        who: Option<&Person>,
        text: String,
    ) {
        around.out.rest.push(Action::Journal(Entry {
            station: Some(self.id),
            run: self.run.as_ref().map(|run| run.record.run),
            about: Some(About {
                interlock,
                standing,
                effect: None,
            }),
            ..Entry::new(kind, who.cloned(), text)
        }));
    }

    /// Tells the whole lab, where the interlock is one that concerns it.
    fn say_alarm(
        &self,
        around: &mut Around<'_>,
        interlock: InterlockName,
        who: Option<&Person>,
        standing: &'static str,
        text: impl FnOnce() -> String,
    ) {
        if !interlock.alarms_lab() {
            return;
        }
        let text = text();
        self.journal_about(around, EntryKind::Alarm, interlock, standing, who, text.clone());
        around.out.rest.push(Action::Signal(Signal::Alarm {
            station: self.id,
            interlock,
            standing,
            text,
        }));
    }

    /// Outputs that heat, by id.
    pub(crate) fn heaters(&self) -> impl Iterator<Item = &Output> {
        self.outputs
            .iter()
            .filter(|output| output.role == OutputRole::Heat)
    }

    pub(crate) fn output(&mut self, id: OutputId) -> Option<&mut Output> {
        self.outputs.iter_mut().find(|output| output.id == id)
    }
}

/// Stages are at most 64; a count that didn't fit would be a broken invariant, and shows as the largest.
fn narrow(count: usize) -> u16 {
    u16::try_from(count).unwrap_or(u16::MAX)
}
