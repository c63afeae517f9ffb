//! The lab: everything that one daemon looks after, and the one door into it.
//!
//! What happens comes in by [`Lab::take`], which has the interlocks evaluated and takes heat away: microseconds. How
//! much heat a board should get next takes a hundred times as long, and nobody's cut may wait for that. So it is put
//! off until an [`Event::Think`] says that nothing else has come in, for one station at a time. [`Lab::apply`] is for
//! those who can wait: it thinks at once.

use std::collections::{BTreeSet, VecDeque};
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::action::{Action, Entry, EntryKind, LimitScope, Row};
use crate::alarm::Alarm;
use crate::channel::{Channel, PERIOD_UNSAID};
use crate::event::{Ask, Event, InputOffer, Loss, OutputOffer, Request, Value};
use crate::id::{InputId, InstanceId, OutputId, RequestId, RunId, Seq, StationId};
use crate::interlock::{Current, Effect, HostLimits, Link, Panel, Permissive};
use crate::limits::{self, LimitName, Limits};
use crate::numbering::Numbering;
use crate::output::Output;
use crate::person::{Act, Origin, Person, Roles};
use crate::recipe::{ControlBy, Recipe};
use crate::refusal::{Answer, Refusal};
use crate::run::{self, Record, State};
use crate::setup::{InputUse, Setup};
use crate::station::{Around, Out, Station};
use crate::supply::Supplies;
use crate::units::{Celsius, Millis};
use crate::view::{LabView, StationView, SupplyShare, SupplyView};

/// How often the lab wants to be woken: the resolution of every interlock that is about time passing. The
/// shortest of them is 0.2 s.
const TICK: Millis = Millis(50);

/// Everything that one daemon looks after.
///
/// # Contract
///
/// * [`Lab::take`] is the only way to change it ([`Lab::apply`] calls it). Events are taken one after the other, in the
///   order in which they happened. [`Event::Think`] may come at any time after the readings that there are to think
///   about; what is made of the board depends on those and not on when they are thought about.
/// * `now` is monotonic time in the lab's own scale and never goes back; one that does is taken for the latest.
/// * Every action has to be carried out, in order. Heat actions come first, and nothing that can wait may come
///   between reading and carrying them out. A heat action that can't be carried out may be dropped: permits
///   lapse, and `applied` stays away.
/// * [`Event::Tick`] is applied at [`Lab::wake_at`] or soon after. More than half a second late, the `clock`
///   interlock takes the heat away.
///
/// # Invariants
///
/// * A heat action above zero comes only as a [`crate::Grant`], which holds a [`crate::interlock::Permit`] of the
///   same call.
/// * Two labs that were given the same setup, and the same events at the same times, return the same actions.
#[derive(Debug, Clone)]
pub struct Lab {
    pub(crate) name: Arc<str>,
    pub(crate) now: Millis,
    pub(crate) wake_at: Option<Millis>,
    /// How late the call being handled is.
    pub(crate) behind: Millis,
    pub(crate) tick: Millis,
    pub(crate) host: HostLimits,
    pub(crate) limits: Limits,
    pub(crate) supplies: Supplies,
    /// Their names, in their order; none in an excerpt.
    pub(crate) supply_names: Vec<Arc<str>>,
    pub(crate) inputs: Vec<(InstanceId, InputUse)>,
    /// For each output: the station that it serves.
    pub(crate) outputs: Vec<StationId>,
    pub(crate) instances: Vec<Arc<str>>,
    pub(crate) stations: Vec<Station>,
    pub(crate) next_run: RunId,
    pub(crate) numbers: Numbering,
    /// The daemon has been asked to end: nothing starts any more.
    pub(crate) closing: bool,
    /// Stations with new readings that nobody has thought about, longest waiting first; each at most once.
    pub(crate) thoughts: VecDeque<Thought>,
    /// Alarms of stations that are not in this lab: of an excerpt only.
    pub(crate) elsewhere: Vec<Alarm>,
}

/// New readings of a station that wait to be thought about.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Thought {
    /// When they came in.
    pub(crate) received: Millis,
    /// The readings as they will be kept, with what heat they lead to.
    pub(crate) row: Row,
}

impl Lab {
    /// A lab with every driver still down, nothing heated, and the standing trips of `setup` latched.
    pub fn new(setup: Setup) -> Self {
        let host = HostLimits::new(setup.time_scale);
        let down = Loss::Exit("not started yet".into());
        let mut stations: Vec<Station> = Vec::with_capacity(setup.stations.len());
        for (at, station) in setup.stations.iter().enumerate() {
            let id = StationId(u32::try_from(at).unwrap_or(u32::MAX));
            let channels = station
                .channels
                .iter()
                .map(|channel| Channel::new(channel.name.clone(), channel.offset))
                .collect();
            let permissives = station
                .permissives
                .iter()
                .map(|name| Permissive {
                    name: name.clone(),
                    period: PERIOD_UNSAID,
                    newest: None,
                    open_since: None,
                })
                .collect();
            let mut built = Station::new(
                id,
                station.name.clone(),
                channels,
                permissives,
                Panel::new(id, &setup.standing_trips),
            );
            built.follows_heat = station.follows_heat;
            stations.push(built);
        }
        for (_, name, wired) in &setup.inputs {
            if let InputUse::Current(station) = wired
                && let Some(station) = stations.get_mut(station.index())
            {
                station.current = Some(Current {
                    name: name.clone(),
                    newest: None,
                });
            }
        }
        for (at, output) in setup.outputs.iter().enumerate() {
            let id = OutputId(u32::try_from(at).unwrap_or(u32::MAX));
            if let Some(station) = stations.get_mut(output.station.index()) {
                station
                    .outputs
                    .push(Output::new(id, output.name.clone(), output.instance, output.role));
            }
        }
        let wired = setup
            .inputs
            .iter()
            .map(|(instance, _, input)| (input.station(), *instance))
            .chain(
                setup
                    .outputs
                    .iter()
                    .map(|output| (output.station, output.instance)),
            )
            .collect::<BTreeSet<_>>();
        for (station, instance) in wired {
            if let Some(station) = stations.get_mut(station.index())
                && let Some(name) = setup.instances.get(instance.index())
            {
                station.instances.push(instance);
                station.links.push(Link {
                    instance: name.clone(),
                    loss: Some(down.clone()),
                });
            }
        }
        Self {
            name: setup.name,
            now: Millis::ZERO,
            wake_at: None,
            behind: Millis::ZERO,
            tick: TICK * setup.time_scale,
            host,
            limits: Limits::new(
                setup.ceiling,
                setup.stations.iter().map(|station| station.ceiling).collect(),
            )
            .recall(setup.absent_after, setup.moved),
            supplies: Supplies::new(
                setup.supplies.iter().map(|supply| supply.watts).collect(),
                setup.stations.iter().map(|station| station.supply).collect(),
            ),
            supply_names: setup.supplies.iter().map(|supply| supply.name.clone()).collect(),
            inputs: setup
                .inputs
                .iter()
                .map(|(instance, _, input)| (*instance, *input))
                .collect(),
            outputs: setup.outputs.iter().map(|output| output.station).collect(),
            instances: setup.instances,
            stations,
            next_run: setup.next_run,
            numbers: Numbering::after(Seq(0)),
            closing: false,
            thoughts: VecDeque::new(),
            elsewhere: Vec::new(),
        }
    }

    /// When [`Event::Tick`] is wanted next; `None` until the first event.
    pub fn wake_at(&self) -> Option<Millis> {
        self.wake_at
    }

    /// Something happened at `now`: what is to be done about it, with all that there is to think about.
    pub fn apply(&mut self, now: Millis, event: Event) -> Vec<Action> {
        let mut out = Out::default();
        self.take_into(&mut out, now, event);
        while self.thinks_since().is_some() {
            self.take_into(&mut out, now, Event::Think);
        }
        out.in_order()
    }

    /// Something happened at `now`: what is to be done about it. Heat above zero is given at an [`Event::Think`] only, and
    /// only if the interlocks, asked once more, still permit it.
    pub fn take(&mut self, now: Millis, event: Event) -> Vec<Action> {
        let mut out = Out::default();
        self.take_into(&mut out, now, event);
        out.in_order()
    }

    /// Since when readings have been waiting to be thought about, if some are.
    pub fn thinks_since(&self) -> Option<Millis> {
        self.thoughts.front().map(|thought| thought.received)
    }

    pub(crate) fn take_into(&mut self, out: &mut Out, now: Millis, event: Event) {
        self.now = self.now.max(now);
        // The loop was late if this call comes long after the tick that should have come before it.
        self.behind = self.wake_at.map_or(Millis::ZERO, |due| self.now.since(due));
        let late = Some(self.behind).filter(|late| *late > self.host.late_max);
        if late.is_some() || self.wake_at.is_none() || matches!(event, Event::Tick) {
            self.wake_at = Some(self.now + self.tick);
        }
        if late.is_some() {
            // Whatever this event says, it is about a world that went on without us: take the heat first.
            self.each_station(out, late, |_| true);
        }
        match event {
            Event::Tick => self.each_station(out, None, |_| true),
            Event::Think => self.think(out),
            Event::Scan { instance, at, values } => self.scan(out, instance, at, &values),
            Event::Applied {
                output,
                seq,
                fraction,
                lapsed,
            } => {
                if let Some(output) = self.output(output) {
                    output.applied = fraction;
                    if let Some(seq) = seq.filter(|_| !lapsed) {
                        output.take_answer(seq);
                        // It takes commands again: the cause of the trip is gone, the trip stays.
                        output.refused = None;
                    }
                }
                self.answered(output);
            }
            Event::Refused { output, seq, text } => self.refused(out, output, seq, text),
            Event::DriverUp {
                instance,
                inputs,
                outputs,
            } => self.driver_up(out, instance, &inputs, &outputs),
            Event::DriverDown { instance, loss } => self.driver_down(out, instance, &loss),
            Event::Request(request) => self.request(out, request),
        }
    }

    /// The lab as it is shown.
    pub fn view(&self) -> LabView {
        LabView {
            name: self.name.clone(),
            ceiling: self.limits.lab(),
            limits: LimitName::ALL.map(|limit| {
                let (value, from) = self.limits.shown(limit);
                (limit, value, from)
            }),
            alarms: self.alarms().collect(),
            supplies: self.supplies_shown(),
            stations: self
                .stations
                .iter()
                .map(|station| self.picture(station))
                .collect(),
        }
    }

    fn supplies_shown(&self) -> Vec<SupplyView> {
        let name = |id: StationId| self.stations.get(id.index()).map(|station| station.name.clone());
        let drawn = self.supplies.drawn(self.now);
        let named = self.supply_names.iter().zip(drawn);
        named
            .map(|(supply, drawn)| SupplyView {
                name: supply.clone(),
                watts: drawn.budget,
                most: drawn.most,
                stations: drawn
                    .stations
                    .into_iter()
                    .map(|(station, asks, gets)| SupplyShare {
                        station: name(station).unwrap_or_default(),
                        asks,
                        gets,
                    })
                    .collect(),
            })
            .collect()
    }

    /// One station as it is shown.
    pub fn station_view(&self, station: StationId) -> Option<StationView> {
        self.stations
            .get(station.index())
            .map(|station| self.picture(station))
    }

    fn picture(&self, station: &Station) -> StationView {
        station.view(self.now, &self.limits, self.host, &self.supplies)
    }

    /// The alarms of the whole lab that stand.
    pub fn alarms(&self) -> impl Iterator<Item = Alarm> {
        self.stations
            .iter()
            .flat_map(Alarm::of)
            .chain(self.elsewhere.iter().cloned())
    }

    fn output(&mut self, output: OutputId) -> Option<&mut Output> {
        let station = *self.outputs.get(output.index())?;
        self.stations.get_mut(station.index())?.output(output)
    }

    /// An output has answered: what its station drew by earlier commands, it draws no more.
    fn answered(&mut self, output: OutputId) {
        if let Some(station) = self.outputs.get(output.index())
            && let Some(there) = self.stations.get(station.index())
            && let Some(seq) = there.heaters().map(|heater| heater.answered).min()
        {
            self.supplies.confirmed(*station, seq);
        }
    }

    /// Runs `with` on one station and the lab around it.
    pub(crate) fn at<T>(
        &mut self,
        out: &mut Out,
        late: Option<Millis>,
        station: StationId,
        with: impl FnOnce(&mut Station, &mut Around<'_>) -> T,
    ) -> Option<T> {
        let mut around = Around {
            now: self.now,
            limits: &self.limits,
            host: self.host,
            late,
            behind: self.behind,
            supplies: &mut self.supplies,
            numbers: &mut self.numbers,
            out,
        };
        self.stations
            .get_mut(station.index())
            .map(|station| with(station, &mut around))
    }

    /// Evaluates every station that `which` picks, without new readings.
    fn each_station(&mut self, out: &mut Out, late: Option<Millis>, which: impl Fn(&Station) -> bool) {
        for at in 0..self.stations.len() {
            if which(&self.stations[at]) {
                let id = self.stations[at].id;
                self.at(out, late, id, |station, around| station.step(around, None));
            }
        }
    }

    fn scan(&mut self, out: &mut Out, instance: InstanceId, at: Millis, values: &[(InputId, Value)]) {
        let at = Millis(at.0.min(self.now.0));
        // Stations touched by this scan, and for each which channels. A scan holds few stations; a small list
        // in order beats a map.
        let mut touched: Vec<(StationId, Vec<bool>)> = Vec::new();
        for (input, value) in values {
            let Some((owner, wired)) = self.inputs.get(input.index()).copied() else {
                continue;
            };
            if owner != instance {
                continue;
            }
            let now = self.now;
            let Some(station) = self.stations.get_mut(wired.station().index()) else {
                continue;
            };
            match wired {
                InputUse::Channel(id, channel) => {
                    station.take_channel(at, channel, *value);
                    let count = station.channels.len();
                    let place = touched
                        .iter()
                        .position(|(seen, _)| *seen == id)
                        .unwrap_or_else(|| {
                            touched.push((id, vec![false; count]));
                            touched.len() - 1
                        });
                    if let Some(mark) = touched[place].1.get_mut(channel) {
                        *mark = true;
                    }
                }
                InputUse::Permissive(_, permissive) => station.take_permissive(at, permissive, *value),
                InputUse::Current(_) => station.take_current(at, *value),
                InputUse::Presence(id) => {
                    let active = match value {
                        Value::Active(active) => Some(*active),
                        Value::Sample(_) | Value::Junction { .. } | Value::Current(_) | Value::Unreadable => {
                            None
                        }
                    };
                    if station.presence.pedal(now, active) {
                        self.at(out, None, id, |station, around| {
                            let text = format!("{}: presence confirmed by pedal", station.name);
                            station.journal(around, EntryKind::Present, Some(Person::new("pedal")), text);
                        });
                    }
                }
            }
        }
        let received = self.now;
        for (id, marks) in touched {
            self.no_thought(out, id);
            let row = self.at(out, None, id, |station, around| {
                station.step(around, None);
                let row = station.row(at, &marks);
                if station.run.is_some() {
                    return Some(row);
                }
                around.out.rest.push(Action::Record(row));
                None
            });
            if let Some(row) = row.flatten() {
                self.thoughts.push_back(Thought { received, row });
            }
        }
    }

    /// Thinks about the readings that have waited longest.
    fn think(&mut self, out: &mut Out) {
        let Some(Thought { received, row }) = self.thoughts.pop_front() else {
            return;
        };
        self.at(out, None, row.station, |station, around| {
            station.step(around, Some(received));
            let row = station.led_to(row);
            around.out.rest.push(Action::Record(row));
        });
    }

    /// Readings that nobody got to think about before newer ones came are only kept.
    fn no_thought(&mut self, out: &mut Out, station: StationId) {
        let of = |thought: &Thought| thought.row.station == station;
        if let Some(at) = self.thoughts.iter().position(of)
            && let Some(Thought { row, .. }) = self.thoughts.remove(at)
        {
            out.rest.push(Action::Record(row));
        }
    }

    fn refused(&mut self, out: &mut Out, output: OutputId, seq: Option<Seq>, text: Arc<str>) {
        let Some(station) = self.outputs.get(output.index()).copied() else {
            return;
        };
        if let Some(output) = self.output(output) {
            if let Some(seq) = seq {
                output.take_answer(seq);
            }
            // An output that is cut refuses heat that was on its way before the cut: as it should.
            if !output.cut {
                output.refused = Some(text);
            }
        }
        self.answered(output);
        self.at(out, None, station, |station, around| station.step(around, None));
    }

    fn driver_up(
        &mut self,
        out: &mut Out,
        instance: InstanceId,
        inputs: &[InputOffer],
        outputs: &[OutputOffer],
    ) {
        for offer in inputs {
            let Some((owner, wired)) = self.inputs.get(offer.input.index()).copied() else {
                continue;
            };
            if owner != instance {
                continue;
            }
            let period = offer.period.unwrap_or(PERIOD_UNSAID);
            let Some(station) = self.stations.get_mut(wired.station().index()) else {
                continue;
            };
            match wired {
                InputUse::Channel(_, channel) => {
                    if let Some(channel) = station.channels.get_mut(channel) {
                        channel.period = period;
                        channel.forget();
                    }
                }
                InputUse::Permissive(_, permissive) => {
                    if let Some(permissive) = station.permissives.get_mut(permissive) {
                        permissive.period = period;
                        permissive.newest = None;
                    }
                }
                InputUse::Current(_) => {
                    if let Some(current) = &mut station.current {
                        current.newest = None;
                    }
                }
                InputUse::Presence(_) => {
                    station.presence.pedal(self.now, None);
                }
            }
        }
        for offer in outputs {
            if let Some(output) = self.output(offer.output)
                && output.instance == instance
            {
                output.watts = offer.watts;
                output.cuts = offer.cuts;
                output.window = offer.window;
            }
        }
        let name = self.instances.get(instance.index()).cloned().unwrap_or_default();
        self.journal(out, EntryKind::Driver, None, format!("driver {name} is up"));
        for at in 0..self.stations.len() {
            let id = self.stations[at].id;
            if let Some(link) = self.stations[at]
                .instances
                .iter()
                .position(|one| *one == instance)
            {
                self.stations[at].links[link].loss = None;
                self.at(out, None, id, |station, around| {
                    station.driver_started(around, instance);
                    station.step(around, None);
                });
            }
        }
    }

    fn driver_down(&mut self, out: &mut Out, instance: InstanceId, loss: &Loss) {
        let name = self.instances.get(instance.index()).cloned().unwrap_or_default();
        for at in 0..self.stations.len() {
            let id = self.stations[at].id;
            if let Some(link) = self.stations[at]
                .instances
                .iter()
                .position(|one| *one == instance)
            {
                self.stations[at].links[link].loss = Some(loss.clone());
                for output in self.stations[at]
                    .outputs
                    .iter_mut()
                    .filter(|output| output.instance == instance)
                {
                    output.forget();
                }
                for (owner, wired) in &self.inputs {
                    if *owner == instance && wired.station() == id {
                        match *wired {
                            InputUse::Channel(_, channel) => {
                                if let Some(channel) = self.stations[at].channels.get_mut(channel) {
                                    channel.forget();
                                }
                            }
                            InputUse::Permissive(_, permissive) => {
                                if let Some(permissive) = self.stations[at].permissives.get_mut(permissive) {
                                    permissive.newest = None;
                                }
                            }
                            InputUse::Current(_) => {
                                if let Some(current) = &mut self.stations[at].current {
                                    current.newest = None;
                                }
                            }
                            InputUse::Presence(_) => {}
                        }
                    }
                }
                self.at(out, None, id, |station, around| station.step(around, None));
            }
        }
        self.journal(out, EntryKind::Driver, None, format!("driver {name} {loss}"));
    }

    // Requests

    fn request(&mut self, out: &mut Out, request: Request) {
        let Request {
            id,
            who,
            roles,
            origin,
            ask,
        } = request;
        let answer = self.ask(out, &who, roles, origin, ask);
        if let Err(refusal) = &answer {
            self.journal(
                out,
                EntryKind::Refused,
                Some(who),
                format!("refused ({}): {refusal}", refusal.name()),
            );
        }
        self.answer(out, id, answer);
    }

    #[expect(clippy::unused_self, reason = "reads as what it is: the lab answers")]
    fn answer(&self, out: &mut Out, request: RequestId, answer: Result<Answer, Refusal>) {
        out.rest.push(Action::Answer { request, answer });
    }

    fn ask(
        &mut self,
        out: &mut Out,
        who: &Person,
        roles: Roles,
        origin: Origin,
        ask: Ask,
    ) -> Result<Answer, Refusal> {
        let may = |act: Act| {
            if roles.may(act) {
                Ok(())
            } else {
                Err(Refusal::NotPermitted {
                    who: who.clone(),
                    act,
                })
            }
        };
        let local = |act: Act| match origin {
            Origin::Local => may(act),
            Origin::Network => Err(Refusal::NotFromNetwork { act }),
        };
        match ask {
            Ask::Start {
                station,
                recipe,
                revision,
                serial,
                model,
                foretold,
            } => {
                local(Act::Run)?;
                let record = Record {
                    run: self.next_run,
                    station,
                    recipe,
                    revision,
                    serial,
                    operator: who.clone(),
                    model,
                    first_run: None,
                    foretold,
                    started: self.now,
                    ended: None,
                    outcome: None,
                    peak: None,
                    stages: Vec::new(),
                    trips: Vec::new(),
                    cautions: Vec::new(),
                    ceilings: Vec::new(),
                };
                self.start(out, record)
            }
            Ask::StopRun(station) => {
                may(Act::Run)?;
                self.named(station)?;
                let stopped = self.at(out, None, station, |station, around| {
                    station.stop_run(around, who)
                });
                let name = self.named(station)?;
                Ok(Answer::Done(if stopped == Some(true) {
                    format!("{name} is stopped; the board cools down, mind that it is hot")
                } else {
                    format!("{name} has no run to stop")
                }))
            }
            Ask::Stop(which) => {
                if let Some(station) = which {
                    may(Act::Run)?;
                    self.named(station)?;
                }
                Ok(self.stop(out, who, which))
            }
            Ask::Confirm(station) => {
                local(Act::Run)?;
                let name = self.named(station)?;
                let confirmed = self.at(out, None, station, |station, around| station.confirm(around, who));
                if confirmed == Some(true) {
                    Ok(Answer::Done(format!("{name} goes on with its run")))
                } else {
                    Err(Refusal::NothingToConfirm { station: name })
                }
            }
            Ask::Present(station) => {
                may(Act::Run)?;
                let name = self.named(station)?;
                self.at(out, None, station, |station, around| {
                    station.presence.confirm(around.now);
                    let text = format!("{}: {who} confirmed presence", station.name);
                    station.journal(around, EntryKind::Present, Some(who.clone()), text);
                    station.step(around, None);
                });
                Ok(Answer::Done(format!("{name}: presence confirmed")))
            }
            Ask::Acknowledge(station) => {
                local(Act::Run)?;
                let name = self.named(station)?;
                let seen = self.at(out, None, station, |station, around| {
                    station.acknowledge(around, who)
                });
                Ok(Answer::Done(match seen {
                    Some(0) | None => format!("{name} has nothing to acknowledge"),
                    Some(count) => {
                        format!("{name}: {count} acknowledged; `benchward trip reset {name}` lifts")
                    }
                }))
            }
            Ask::Reset(station) => self.reset(out, who, roles, origin, station),
            Ask::Resume(station) => {
                local(Act::Run)?;
                self.resume(out, who, station)
            }
            Ask::SetLabCeiling(celsius) => {
                local(Act::SetLimit)?;
                self.set_ceiling(out, who, LimitScope::Lab, Some(celsius))
            }
            Ask::SetStationCeiling(station, celsius) => {
                local(Act::SetLimit)?;
                self.named(station)?;
                self.set_ceiling(out, who, LimitScope::Station(station), celsius)
            }
            Ask::SetLimit(limit, value) => {
                local(Act::SetLimit)?;
                self.set_limit(out, who, limit, value)
            }
            Ask::Calibrate(calibration) => {
                local(Act::Calibrate)?;
                self.named(calibration.station)?;
                let said = self.at(out, None, calibration.station, |station, around| {
                    station.calibrate(around, who, &calibration)
                });
                said.transpose()
                    .map(|text| Answer::Done(text.unwrap_or_default()))
            }
            Ask::PutRecipe { recipe } => {
                local(Act::PutRecipe)?;
                self.journal(
                    out,
                    EntryKind::Recipe,
                    Some(who.clone()),
                    format!("{who} stores recipe \"{recipe}\""),
                );
                Ok(Answer::Done(format!("recipe \"{recipe}\" may be stored")))
            }
            Ask::PutWindow { window } => {
                local(Act::PutWindow)?;
                let text = format!("{who} stores window \"{window}\"");
                self.journal(out, EntryKind::Window, Some(who.clone()), text);
                Ok(Answer::Done(format!("window \"{window}\" may be stored")))
            }
            Ask::PutVerdict { run, text } => {
                local(Act::PutVerdict)?;
                let text = format!("{who} judges run {run} again, {text}");
                self.journal(out, EntryKind::Verdict, Some(who.clone()), text);
                Ok(Answer::Done(format!("the verdict of run {run} may be stored")))
            }
            Ask::PutBoardModel { station, board, run } => {
                local(Act::PutBoardModel)?;
                let name = self.named(station)?;
                let text = format!("{who} stores what run {run} says of \"{board}\" at {name}");
                self.at(out, None, station, |station, around| {
                    station.journal(around, EntryKind::BoardModel, Some(who.clone()), text);
                });
                Ok(Answer::Done(format!(
                    "what is known of \"{board}\" at {name} may be stored"
                )))
            }
            Ask::ReadConfig => {
                local(Act::ReadConfig)?;
                let text = format!("{who} has the configuration read again");
                self.journal(out, EntryKind::Config, Some(who.clone()), text);
                Ok(Answer::Done("the configuration may be read again".into()))
            }
            Ask::Shutdown => {
                local(Act::StopLab)?;
                self.closing = true;
                for at in 0..self.stations.len() {
                    let id = self.stations[at].id;
                    self.at(out, None, id, |station, around| station.shut_down(around, who));
                }
                Ok(Answer::Done("every run is ended and all heat is cut".into()))
            }
        }
    }

    /// The station's name, or a refusal that there is none. Ids come from the same setup, so that this fails only
    /// for a caller that made one up.
    fn named(&self, station: StationId) -> Result<Arc<str>, Refusal> {
        self.stations
            .get(station.index())
            .map(|station| station.name.clone())
            .ok_or_else(|| Refusal::NotReady {
                station: format!("station {station}").into(),
                text: "there is no such station".into(),
            })
    }

    fn start(&mut self, out: &mut Out, record: Record) -> Result<Answer, Refusal> {
        let station = record.station;
        let name = self.named(station)?;
        // Evaluate first, so that a trip that is due is seen before the run and not just after its start.
        self.at(out, None, station, |station, around| station.step(around, None));
        self.ready(station, &name, &record.recipe)?;
        let run = record.run;
        self.next_run = RunId(run.0 + 1);
        self.at(out, None, station, |station, around| {
            let run = station.run_of(record, around.now);
            station.begin(around, run);
        });
        Ok(Answer::Started(run))
    }

    /// Whether a run of `recipe` can start here: everything that an interlock would trip on is refused instead.
    fn ready(&self, id: StationId, name: &Arc<str>, recipe: &Recipe) -> Result<(), Refusal> {
        let Some(station) = self.stations.get(id.index()) else {
            return Ok(());
        };
        let not_ready = |text: String| {
            Err(Refusal::NotReady {
                station: name.clone(),
                text,
            })
        };
        if self.closing {
            return not_ready("the daemon is ending".into());
        }
        if let Some((interlock, trip)) = station.panel.worst() {
            return Err(Refusal::Tripped {
                station: name.clone(),
                interlock: interlock.text(),
                text: trip.cause.text.to_string(),
            });
        }
        if let Some(alarm) = self
            .alarms()
            .find(|alarm| alarm.acknowledged_by.is_none() || self.supplies.shared_by(alarm.station, id))
        {
            return Err(Refusal::LabAlarm {
                station: name.clone(),
                alarm,
            });
        }
        if station.heating()
            && let Some(run) = &station.run
        {
            return Err(Refusal::Busy {
                station: name.clone(),
                run: run.record.run,
            });
        }
        let ceiling = self.limits.effective(id, recipe.ceiling);
        for (at, stage) in recipe.stages.iter().enumerate() {
            if stage.target > ceiling.celsius {
                return Err(Refusal::CeilingExceeded {
                    stage: at + 1,
                    recipe: recipe.name.clone(),
                    target: stage.target,
                    station: name.clone(),
                    ceiling,
                });
            }
        }
        if let ControlBy::Channel(wanted) = &recipe.control
            && !station.channels.iter().any(|channel| *channel.name == **wanted)
        {
            let there = station
                .channels
                .iter()
                .map(|channel| &*channel.name)
                .collect::<Vec<_>>()
                .join(", ");
            return not_ready(format!(
                "\"{}\" is controlled by channel {wanted}, which is not one of its channels ({there})",
                recipe.name
            ));
        }
        if recipe.run_max.is_none() && run::plan_length(recipe) > run::RUN_MAX {
            return not_ready(format!(
                "\"{}\" is planned for {}, above the {} that a run may take; a longer one has to say `run_s_max`",
                recipe.name,
                run::plan_length(recipe),
                run::RUN_MAX
            ));
        }
        if let Some(link) = station.links.iter().find(|link| link.loss.is_some()) {
            let how = link.loss.as_ref().map(ToString::to_string).unwrap_or_default();
            return not_ready(format!("driver {} {how}", link.instance));
        }
        if station.heaters().next().is_none() {
            return not_ready("no heat output is wired to it; give it `heat` in the configuration".into());
        }
        if station.channels.is_empty() {
            return not_ready("no channel is wired to it; give it `channels` in the configuration".into());
        }
        if self.supplies.shared(id) && station.heaters().any(|output| output.watts.is_none()) {
            return not_ready(
                "it shares a supply, and its driver doesn't say how many watts its heater draws".into(),
            );
        }
        if let (Some(budget), Some((rated, draw))) = (self.supplies.budget(id), station.load())
            && !draw.can_carry(budget, rated)
        {
            return not_ready(format!(
                "its heaters draw {:.0} W whenever they are on, and its supply gives {:.0} W; put it on a larger one",
                rated.watts(),
                budget.watts()
            ));
        }
        for channel in &station.channels {
            match channel.quality(self.now, self.host.silence_floor) {
                crate::Quality::Good => {
                    if let Some(celsius) = channel.good.filter(|celsius| *celsius > ceiling.celsius) {
                        return not_ready(format!(
                            "channel {} reads {celsius}, above the ceiling, {} (set by {}); let it cool first",
                            channel.name, ceiling.celsius, ceiling.from
                        ));
                    }
                }
                crate::Quality::Fault(fault) => {
                    return not_ready(format!("channel {} reports the fault `{fault}`", channel.name));
                }
                crate::Quality::Stale | crate::Quality::Never => {
                    return not_ready(format!("channel {} has no fresh reading", channel.name));
                }
            }
        }
        for permissive in &station.permissives {
            let closed = permissive.newest.is_some_and(|(at, closed)| {
                closed && self.now.since(at) <= (permissive.period * 3).max(self.host.silence_floor)
            });
            if !closed {
                return not_ready(format!(
                    "permissive {} is open or can't be read; close it first",
                    permissive.name
                ));
            }
        }
        Ok(())
    }

    fn stop(&mut self, out: &mut Out, who: &Person, which: Option<StationId>) -> Answer {
        for at in 0..self.stations.len() {
            let id = self.stations[at].id;
            if which.is_none_or(|one| one == id) {
                self.at(out, None, id, |station, around| {
                    station.stop = Some((who.clone(), which.is_none()));
                    station.step(around, None);
                });
            }
        }
        Answer::Done(match which {
            None => "the whole lab is stopped: every bench is cut and stays so until a safety role resets it"
                .into(),
            Some(station) => format!(
                "{} is stopped and stays so until it is reset",
                self.named(station).unwrap_or_else(|_| "the station".into())
            ),
        })
    }

    fn reset(
        &mut self,
        out: &mut Out,
        who: &Person,
        roles: Roles,
        origin: Origin,
        station: StationId,
    ) -> Result<Answer, Refusal> {
        let name = self.named(station)?;
        let Some(there) = self.stations.get(station.index()) else {
            return Ok(Answer::Done(String::new()));
        };
        // The worst trip decides about the role; with nothing tripped, the least role is enough to be told so.
        let act = match there.panel.effect() {
            Some(Effect::Cut) => Act::ResetCut,
            Some(Effect::HeatOff) | None => Act::ResetHeatOff,
        };
        if origin == Origin::Network {
            return Err(Refusal::NotFromNetwork { act });
        }
        if !roles.may(act) {
            return Err(Refusal::NotPermitted {
                who: who.clone(),
                act,
            });
        }
        // Whether the cause is gone is judged on what is known now, not on what the last tick saw.
        self.at(out, None, station, |station, around| station.step(around, None));
        if let Some((interlock, text)) = self
            .stations
            .get(station.index())
            .and_then(|station| station.panel.cause_stands())
        {
            return Err(Refusal::CauseStands {
                station: name,
                interlock: interlock.text(),
                text: text.to_string(),
            });
        }
        let lifted = self
            .at(out, None, station, |station, around| station.reset(around, who))
            .unwrap_or(0);
        let resumable = self.stations.get(station.index()).is_some_and(Station::resumable);
        Ok(Answer::Done(match (lifted, resumable) {
            (0, _) => format!("{name} has nothing to reset"),
            (_, true) => format!("{name} is reset; `benchward run resume {name}` goes on with its run"),
            (_, false) => format!("{name} is reset"),
        }))
    }

    fn resume(&mut self, out: &mut Out, who: &Person, station: StationId) -> Result<Answer, Refusal> {
        let name = self.named(station)?;
        self.at(out, None, station, |station, around| station.step(around, None));
        let waiting = self.stations.get(station.index()).and_then(|there| {
            there
                .run
                .as_ref()
                .filter(|run| matches!(run.state, State::Suspended { .. }))
                .map(|run| run.recipe().clone())
        });
        let Some(recipe) = waiting else {
            return Err(Refusal::NothingToResume {
                station: name,
                within: run::RESUME_WITHIN,
            });
        };
        self.ready(station, &name, &recipe)?;
        if let Some((heated, limit)) = self
            .stations
            .get(station.index())
            .and_then(|there| there.heated_too_long(&self.limits))
        {
            return Err(Refusal::NotReady {
                station: name,
                text: format!("its run has heated for {heated}, limit {limit}; start a new one"),
            });
        }
        self.at(out, None, station, |station, around| station.resume(around, who));
        Ok(Answer::Done(format!("{name} goes on with its run")))
    }

    fn set_ceiling(
        &mut self,
        out: &mut Out,
        who: &Person,
        scope: LimitScope,
        ceiling: Option<Celsius>,
    ) -> Result<Answer, Refusal> {
        if let Some(asked) = ceiling.filter(|celsius| !limits::settable(*celsius)) {
            return Err(Refusal::CeilingOutOfBounds { asked });
        }
        let (whose, before) = match scope {
            LimitScope::Lab => ("the lab".to_owned(), Some(self.limits.lab())),
            LimitScope::Station(station) => (self.named(station)?.to_string(), self.limits.station(station)),
        };
        match (scope, ceiling) {
            (LimitScope::Lab, Some(celsius)) => self.limits.set_lab(celsius),
            // The lab always has a ceiling; there is nothing to take away.
            (LimitScope::Lab, None) => {}
            (LimitScope::Station(station), celsius) => self.limits.set_station(station, celsius),
        }
        out.rest.push(Action::KeepLimit { scope, ceiling });
        let shown =
            |celsius: Option<Celsius>| celsius.map_or("none".to_owned(), |celsius| celsius.to_string());
        let text = format!(
            "ceiling of {whose} is {} (was {}), set by {who}",
            shown(ceiling),
            shown(before)
        );
        self.journal(out, EntryKind::Limit, Some(who.clone()), text.clone());
        // It counts from now on, on what has been read already.
        self.each_station(out, None, |station| match scope {
            LimitScope::Lab => true,
            LimitScope::Station(id) => station.id == id,
        });
        self.note_limits(out);
        Ok(Answer::Done(text))
    }

    fn set_limit(
        &mut self,
        out: &mut Out,
        who: &Person,
        limit: LimitName,
        value: Option<f64>,
    ) -> Result<Answer, Refusal> {
        if let Some(asked) = value.filter(|value| !limits::settable_to(limit, *value)) {
            return Err(Refusal::LimitOutOfBounds { limit, asked });
        }
        // What is due by now is seen by the limit that counted until now.
        self.each_station(out, None, |_| true);
        let before = self.limits.moved(limit);
        self.limits.move_to(limit, value);
        out.rest.push(Action::KeepLabLimit { limit, value });
        let shown = |value: Option<f64>| {
            value.map_or("as configured or built in".to_owned(), |value| limit.shown(value))
        };
        let text = format!(
            "limit `{limit}` of the lab is {} (was {}), set by {who}",
            shown(value),
            shown(before)
        );
        self.journal(out, EntryKind::Limit, Some(who.clone()), text.clone());
        // It counts from now on, on benches that heat as well.
        self.each_station(out, None, |_| true);
        self.note_limits(out);
        Ok(Answer::Done(text))
    }

    /// Keeps with every run the ceiling that counts now, and what was raised under it.
    fn note_limits(&mut self, out: &mut Out) {
        for at in 0..self.stations.len() {
            let id = self.stations[at].id;
            self.at(out, None, id, Station::note_cautions);
        }
    }

    #[expect(
        clippy::unused_self,
        reason = "reads as what it is: the lab's own journal entry"
    )]
    fn journal(&self, out: &mut Out, kind: EntryKind, who: Option<Person>, text: String) {
        out.rest.push(Action::Journal(Entry::new(kind, who, text)));
    }
}
