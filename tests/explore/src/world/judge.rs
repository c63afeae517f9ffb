//! Judging what the lab does, by what was sent in and nothing else.

use std::collections::BTreeSet;

use benchward_core::interlock::InterlockName;
use benchward_core::units::{Fraction, Millis};
use benchward_core::{
    Action, Answer, Ask, EntryKind, Event, Grant, LimitFrom, LimitName, LimitScope, Origin, OutputId,
    Refusal, Request, Seq,
};

use super::World;

/// What can be wrong with a lab. Each is a property that the exploration proves.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Broken {
    /// Heat, or a permit, at a tripped station.
    HeatAndTrip,
    /// Heat longer than its permit.
    PermitOutlived,
    /// A permit without new readings, or on readings that don't allow it.
    PermitUnfounded,
    /// A trip was lifted with its cause there, by the wrong role, or by nobody.
    WrongReset,
    /// A trip is gone, and nobody lifted it; or one that wasn't kept is there.
    Forgotten,
    /// A trip was lifted and the journal names nobody.
    Unnamed,
    /// The lab was stopped and something isn't cut.
    NotStopped,
    /// An output of a station that is cut takes heat.
    NotCut,
    /// Something was told before the heat was taken.
    ToldFirst,
    /// Somebody did what they may not.
    NotAllowed,
    /// The causes are gone, the right person resets, and there is still no heat.
    NoWayBack,
    /// A limit that was moved is another one.
    LimitLost,
    /// A run began against an alarm of the whole lab.
    AlarmIgnored,
}

impl Broken {
    /// Every one, in order, with the property as a sentence.
    pub const ALL: [(Self, &'static str); 13] = [
        (Self::HeatAndTrip, "no heat and no permit where a trip is latched"),
        (
            Self::PermitOutlived,
            "heat only while its permit is younger than 1.5 s",
        ),
        (
            Self::PermitUnfounded,
            "permits only on new, good readings below the ceiling",
        ),
        (
            Self::WrongReset,
            "no reset while the cause stands, by the wrong role, or by nobody",
        ),
        (
            Self::Forgotten,
            "no trip comes or goes in silence, over a restart neither",
        ),
        (Self::Unnamed, "every way out of tripped names a person"),
        (
            Self::NotStopped,
            "stopping the lab cuts every output of every station",
        ),
        (
            Self::NotCut,
            "outputs of a cut station stay cut, whichever driver holds them",
        ),
        (Self::ToldFirst, "heat actions come before all others"),
        (
            Self::NotAllowed,
            "nobody does what their role or their way in doesn't allow",
        ),
        (
            Self::NoWayBack,
            "once the causes are gone a reset by the right person makes heat possible",
        ),
        (
            Self::LimitLost,
            "a limit that was moved is in force until it is moved again, over a restart too",
        ),
        (
            Self::AlarmIgnored,
            "no run begins anywhere against an alarm that nobody has seen, nor on its supply before it is reset",
        ),
    ];
}

impl World {
    /// One call, its judgement, and the drivers' answers.
    pub(super) fn apply(&mut self, event: &Event) {
        let latched: Vec<bool> = (0..self.stations())
            .map(|station| self.latched(station))
            .collect();
        let was_cut: Vec<bool> = (0..self.stations()).map(|station| self.is_cut(station)).collect();
        let actions = if self.putting_off {
            self.lab.take(self.now, event.clone())
        } else {
            self.lab.apply(self.now, event.clone())
        };
        self.heat_comes_first(&actions);
        let mut answers = Vec::new();
        let mut lifted = 0;
        for action in &actions {
            match action {
                Action::Heat(grant) => {
                    self.granted(event, grant, &latched);
                    answers.extend(grant.heats().iter().copied());
                }
                Action::Off { output, seq }
                | Action::Cut { output, seq }
                | Action::Restore { output, seq } => {
                    let at = output.0 as usize;
                    self.outputs[at].heat = None;
                    match action {
                        Action::Cut { .. } => self.outputs[at].cut = self.drivers[self.outputs[at].driver].up,
                        Action::Restore { .. } => {
                            (self.outputs[at].cut, self.outputs[at].refused) = (false, false);
                        }
                        _ => {}
                    }
                    answers.push((*output, *seq, Fraction::ZERO));
                }
                Action::KeepTrip {
                    station,
                    interlock,
                    effect,
                    text,
                    acknowledged_by,
                } => {
                    if acknowledged_by.is_none() {
                        self.tripped.insert(*interlock);
                    }
                    let trip = (*effect, text.clone(), acknowledged_by.clone());
                    self.kept.trips.insert((station.index(), *interlock), trip);
                }
                Action::DropTrip { station, interlock } => {
                    lifted += 1;
                    self.lifted(event, station.index(), *interlock, &was_cut);
                    if self.kept.trips.remove(&(station.index(), *interlock)).is_none() {
                        self.blame(Broken::Forgotten, || {
                            format!("{interlock} was lifted and not kept")
                        });
                    }
                }
                Action::KeepLimit { scope, ceiling } => {
                    if !matches!(event, Event::Request(request) if request.roles.safety && request.origin == Origin::Local)
                    {
                        self.blame(Broken::NotAllowed, || "a ceiling was moved".into());
                    }
                    match (scope, ceiling) {
                        (LimitScope::Lab, Some(celsius)) => self.kept.lab = *celsius,
                        (LimitScope::Lab, None) => {}
                        (LimitScope::Station(station), celsius) => {
                            self.kept.stations[station.index()] = *celsius;
                        }
                    }
                }
                Action::KeepLabLimit { limit, value } => {
                    if !matches!(event, Event::Request(request) if request.roles.safety && request.origin == Origin::Local)
                    {
                        self.blame(Broken::NotAllowed, || format!("the limit {limit} was moved"));
                    }
                    match value {
                        Some(value) => self.kept.limits.insert(*limit, *value),
                        None => self.kept.limits.remove(limit),
                    };
                }
                Action::Run(change) => self.kept.next_run = self.kept.next_run.max(change.record.run.0 + 1),
                _ => {}
            }
        }
        self.each_way_out_names_a_person(event, &actions, lifted);
        self.who_may(event, &actions);
        for station in 0..self.stations() {
            if self.latched(station) && self.hot(station) {
                self.blame(Broken::HeatAndTrip, || {
                    format!("bench-{} is tripped and heats", station + 1)
                });
            }
            if self.is_cut(station) {
                for output in &self.outputs {
                    let told = output.cut || !self.drivers[output.driver].up;
                    if output.station == station && !told {
                        self.blame(Broken::NotCut, || {
                            format!("an output of bench-{} isn't cut", station + 1)
                        });
                        break;
                    }
                }
            }
        }
        for (output, seq, fraction) in answers {
            self.answer(output, seq, fraction);
        }
    }

    fn answer(&mut self, output: OutputId, seq: Seq, fraction: Fraction) {
        let at = output.0 as usize;
        let driver = self.drivers[self.outputs[at].driver];
        if driver.up && driver.answering {
            (self.outputs[at].refused, self.outputs[at].unanswered) = (false, None);
            self.apply(&Event::Applied {
                output,
                seq: Some(seq),
                fraction,
                lapsed: false,
            });
        } else {
            self.outputs[at].unanswered.get_or_insert(self.now);
        }
    }

    fn heat_comes_first(&mut self, actions: &[Action]) {
        let is_heat = |action: &&Action| {
            matches!(
                action,
                Action::Heat(_) | Action::Off { .. } | Action::Cut { .. } | Action::Restore { .. }
            )
        };
        let first = actions.iter().take_while(is_heat).count();
        if first != actions.iter().filter(is_heat).count() {
            self.blame(Broken::ToldFirst, || format!("{actions:?}"));
        }
    }

    /// Judges a grant by what was read, and carries it out.
    fn granted(&mut self, event: &Event, grant: &Grant, latched: &[bool]) {
        let station = grant.station().index();
        if latched[station] || self.latched(station) {
            self.blame(Broken::HeatAndTrip, || {
                format!("bench-{} is tripped and gets a permit", station + 1)
            });
        }
        let thinks = matches!(event, Event::Scan { .. } | Event::Think);
        let fresh = thinks && std::mem::take(&mut self.benches[station].unspent);
        if !fresh {
            self.blame(Broken::PermitUnfounded, || {
                format!("without new readings, by {event:?}")
            });
        }
        let heats = grant.heats().iter().any(|(_, _, share)| !share.is_zero());
        let (ceiling, bench) = (self.ceiling(station), &self.benches[station]);
        let founded = bench.faults == 0
            && bench.good.is_some_and(|good| good <= ceiling)
            && bench.read.is_some_and(|read| self.now.since(read) <= Millis(500));
        if heats && !founded {
            self.blame(Broken::PermitUnfounded, || {
                "on readings that don't allow it".into()
            });
        }
        for (output, _, share) in grant.heats() {
            let at = output.0 as usize;
            let there = self.outputs[at];
            if there.cut || !there.heater || there.station != station {
                self.blame(Broken::NotCut, || format!("output {output} is given heat"));
            } else if self.drivers[there.driver].up {
                self.outputs[at].heat = (!share.is_zero()).then_some(self.now);
            }
        }
    }

    /// Whether a cause is there, as far as it can be said from outside; `None`: it can't. A cause that nothing has been
    /// read of counts as there: nobody knows that it is gone.
    fn stands(&self, station: usize, interlock: InterlockName) -> Option<bool> {
        let bench = &self.benches[station];
        let mine = || self.outputs.iter().filter(|output| output.station == station);
        let down = mine().any(|output| !self.drivers[output.driver].up);
        let old = |since: Option<Millis>, most: u64| since.is_none_or(|since| self.now.since(since).0 > most);
        let lasted =
            |since: Option<Millis>, least: u64| since.is_some_and(|since| self.now.since(since).0 >= least);
        match interlock {
            InterlockName::OverTemperature => {
                if bench.good.is_none() {
                    return Some(true);
                }
                let ceiling = self.ceiling(station);
                let over = |one: Option<f64>| one.is_some_and(|one| one > ceiling);
                Some(
                    (over(bench.good) && over(bench.before))
                        || bench.good.is_some_and(|good| good >= ceiling + 10.0),
                )
            }
            InterlockName::SensorFault => Some(bench.faults > 0 || bench.read.is_none()),
            InterlockName::SensorStale => Some(down || old(bench.read, 500)),
            InterlockName::DriverLost => {
                let owes = mine().any(|output| output.refused || output.unanswered.is_some());
                Some(down || owes)
            }
            InterlockName::ColdJunction => Some(bench.junctions > 0 || bench.read.is_none()),
            InterlockName::PermissiveOpen => {
                let open = bench.open_since.is_some() || old(bench.hood_read, 500);
                // From then on it takes 0.2 s to be confirmed, which is not told apart here.
                if open {
                    lasted(bench.open_since, 250).then_some(true)
                } else {
                    Some(false)
                }
            }
            InterlockName::HeatStuckOn => lasted(bench.flows_since, 2_000).then_some(true),
            InterlockName::Stop | InterlockName::Clock => Some(false),
            InterlockName::OperatorAbsent | InterlockName::RunTooLong | InterlockName::NoResponse => {
                (!self.heating(station)).then_some(false)
            }
            InterlockName::SensorDetached | InterlockName::SensorStuck | InterlockName::RiseTooFast => None,
        }
    }

    fn lifted(&mut self, event: &Event, station: usize, interlock: InterlockName, was_cut: &[bool]) {
        self.reset.insert(interlock);
        let Event::Request(Request {
            ask: Ask::Reset(asked),
            roles,
            origin: Origin::Local,
            ..
        }) = event
        else {
            self.blame(Broken::WrongReset, || {
                format!("{interlock} was lifted and nobody here asked")
            });
            return;
        };
        let role = if was_cut[station] {
            roles.safety
        } else {
            roles.any()
        };
        if !role || asked.index() != station {
            self.blame(Broken::WrongReset, || {
                format!("{interlock} was lifted by somebody without the role")
            });
        }
        if self.stands(station, interlock) == Some(true) {
            self.blame(Broken::WrongReset, || {
                format!("{interlock} was lifted and its cause is there")
            });
        }
    }

    fn each_way_out_names_a_person(&mut self, event: &Event, actions: &[Action], lifted: usize) {
        let named = actions
            .iter()
            .filter(|action| {
                matches!((action, event), (Action::Journal(entry), Event::Request(request))
                    if entry.kind == EntryKind::Reset && entry.who.as_ref() == Some(&request.who))
            })
            .count();
        if lifted != named {
            self.blame(Broken::Unnamed, || {
                format!("{lifted} lifted, {named} entries that name somebody")
            });
        }
    }

    /// Whoever was answered "done" was allowed to ask, and stopping the lab stops it.
    fn who_may(&mut self, event: &Event, actions: &[Action]) {
        let Event::Request(Request {
            ask, roles, origin, ..
        }) = event
        else {
            return;
        };
        let answer = actions.iter().find_map(|action| match action {
            Action::Answer { answer, .. } => Some(answer),
            _ => None,
        });
        let local = *origin == Origin::Local;
        let (role, from) = match ask {
            Ask::Stop(None) => (true, true),
            Ask::Stop(Some(_)) | Ask::StopRun(_) | Ask::Present(_) => (roles.any(), true),
            Ask::SetLabCeiling(_) | Ask::SetStationCeiling(..) | Ask::SetLimit(..) => (roles.safety, local),
            _ => (roles.any(), local),
        };
        match answer {
            Some(Ok(done)) => {
                if !role || !from {
                    self.blame(Broken::NotAllowed, || format!("{ask:?} was done"));
                }
                self.resumed |= matches!(ask, Ask::Resume(_)) && matches!(done, Answer::Done(_));
                if matches!(ask, Ask::Start { .. } | Ask::Resume(_)) {
                    self.heeds_alarms();
                }
                if matches!(ask, Ask::Stop(None)) {
                    for station in 0..self.stations() {
                        let all = (0..)
                            .zip(&self.outputs)
                            .filter(|(_, output)| output.station == station);
                        let told = |at: u32| {
                            actions
                                .iter()
                                .any(|action| matches!(action, Action::Cut { output, .. } if output.0 == at))
                        };
                        // One that was cut before needs no second word.
                        let cut = all
                            .into_iter()
                            .all(|(at, output)| told(at) || output.cut || !self.drivers[output.driver].up);
                        if !cut || !self.is_cut(station) {
                            self.blame(Broken::NotStopped, || format!("bench-{} isn't cut", station + 1));
                        }
                    }
                }
            }
            // Nobody is told that a cause stands which doesn't: there would be no way out.
            Some(Err(Refusal::CauseStands { interlock, .. })) => {
                if let (Ask::Reset(station), Some(interlock)) = (ask, InterlockName::parse(interlock))
                    && self.stands(station.index(), interlock) == Some(false)
                {
                    self.blame(Broken::NoWayBack, || {
                        format!("{interlock} has no cause and can't be reset")
                    });
                }
            }
            Some(Err(_)) => {}
            None => self.blame(Broken::NotAllowed, || "a request wasn't answered".into()),
        }
    }

    /// A run has begun. All stations are on one supply, so that an alarm that was seen holds it back as well until it is reset.
    fn heeds_alarms(&mut self) {
        let stuck = |(station, interlock): &&(usize, InterlockName)| {
            (*interlock == InterlockName::HeatStuckOn).then_some(*station)
        };
        if let Some(station) = self.kept.trips.keys().find_map(|at| stuck(&at)) {
            self.blame(Broken::AlarmIgnored, || {
                format!(
                    "a run began while the heater of bench-{} is stuck on",
                    station + 1
                )
            });
        }
    }

    /// What the lab shows as latched, and as moved, is what it said to keep. Looked at after each step, since it takes long.
    pub fn compare(&mut self) {
        let view = self.lab.view();
        for name in LimitName::ALL {
            let (value, from) = view.limit(name);
            let shown = value.filter(|_| from == LimitFrom::Lab).map(f64::to_bits);
            let kept = self.kept.limits.get(&name).map(|value| value.to_bits());
            if shown != kept {
                self.blame(Broken::LimitLost, || format!("{name} is {value:?} by {from}"));
            }
        }
        for (station, view) in view.stations.iter().enumerate() {
            let shown: BTreeSet<(InterlockName, bool)> = view
                .interlocks
                .iter()
                .filter(|one| matches!(one.standing, "tripped" | "acknowledged"))
                .map(|one| (one.name, one.standing == "acknowledged"))
                .collect();
            let kept: BTreeSet<(InterlockName, bool)> = self
                .kept
                .trips
                .iter()
                .filter(|((at, _), _)| *at == station)
                .map(|((_, interlock), (_, _, by))| (*interlock, by.is_some()))
                .collect();
            if shown != kept {
                self.blame(Broken::Forgotten, || format!("shown {shown:?}, kept {kept:?}"));
            }
        }
    }
}
