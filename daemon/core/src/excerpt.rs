//! One station of a lab by itself: what its decisions rest on, so that a run can be decided again.
//!
//! An excerpt is taken right before a run begins, when the station holds no run, and can be kept. Everything that reaches
//! the station from then on is named by [`Lab::part_of`], an event or a part of one; what others on the same supply do is noted by
//! [`Lab::supply_calls`]. The same excerpt, given the same parts at the same times, gives the same actions as the lab did, to
//! the bit: the other stations of the lab are there in number only.

use std::collections::VecDeque;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::action::Action;
use crate::alarm::Alarm;
use crate::event::{Ask, Event};
use crate::id::{InstanceId, OutputId, RunId, Seq, StationId};
use crate::interlock::{HostLimits, Panel};
use crate::lab::{Lab, Thought};
use crate::limits::Limits;
use crate::numbering::Numbering;
use crate::setup::InputUse;
use crate::station::{Out, Station};
use crate::supply::{Supplies, SupplyCall};
use crate::units::{Fraction, Millis};

/// What happened, where it was about others: time passed.
const ELSEWHERE: Event = Event::Applied {
    output: OutputId(u32::MAX),
    seq: None,
    fraction: Fraction::ZERO,
    lapsed: true,
};

/// One station and what of its lab decides about it.
///
/// It is kept by `Serialize` but for [`Excerpt::columns`], which are long and better kept as what they are.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Excerpt {
    lab: Arc<str>,
    id: StationId,
    /// How many stations, inputs, outputs and instances the lab has.
    counts: [usize; 4],
    station: Station,
    inputs: Vec<(usize, InstanceId, InputUse)>,
    outputs: Vec<usize>,
    instances: Vec<(InstanceId, Arc<str>)>,
    now: Millis,
    wake_at: Option<Millis>,
    behind: Millis,
    tick: Millis,
    host: HostLimits,
    limits: Limits,
    supplies: Supplies,
    next_run: RunId,
    seq: Seq,
    closing: bool,
    thoughts: VecDeque<Thought>,
    alarms: Vec<Alarm>,
}

impl Lab {
    /// The station by itself as it is now, without its run: an open record is closed as a new start would close it. `now`: the
    /// time of the start that is about to be taken.
    ///
    /// `None`: there is no such station.
    pub fn excerpt(&self, now: Millis, id: StationId) -> Option<Excerpt> {
        let station = self.stations.get(id.index())?.clone();
        let alarms = self.alarms_outside(id);
        let mut thoughts = self.thoughts.clone();
        thoughts.retain(|thought| thought.row.station == id);
        let of_station = |input: &InputUse| input.station() == id;
        let excerpt = Excerpt {
            lab: self.name.clone(),
            id,
            counts: [
                self.stations.len(),
                self.inputs.len(),
                self.outputs.len(),
                self.instances.len(),
            ],
            inputs: (0..)
                .zip(&self.inputs)
                .filter(|(_, (_, input))| of_station(input))
                .map(|(at, (instance, input))| (at, *instance, *input))
                .collect(),
            outputs: (0..)
                .zip(&self.outputs)
                .filter_map(|(at, station)| (*station == id).then_some(at))
                .collect(),
            instances: station
                .instances
                .iter()
                .filter_map(|instance| Some((*instance, self.instances.get(instance.index())?.clone())))
                .collect(),
            station,
            now: self.now,
            wake_at: self.wake_at,
            behind: self.behind,
            tick: self.tick,
            host: self.host,
            limits: self.limits.clone(),
            supplies: self.supplies.around(id),
            next_run: self.next_run,
            seq: self.numbers.before(),
            closing: self.closing,
            thoughts,
            alarms,
        };
        // What a start does before the run begins: so that a run which is still open has left its traces.
        let mut lab = excerpt.clone().into_lab();
        let mut scratch = Out::default();
        lab.take_into(&mut scratch, now, ELSEWHERE);
        lab.at(&mut scratch, None, id, |station, around| {
            station.step(around, None);
            station.close_run(around);
        });
        Some(Excerpt {
            station: lab.stations.swap_remove(id.index()),
            now: lab.now,
            wake_at: lab.wake_at,
            behind: lab.behind,
            supplies: lab.supplies,
            seq: lab.numbers.before(),
            ..excerpt
        })
    }

    /// The part of an event that reaches a station; `None`: it doesn't. Asked before the event is taken.
    pub fn part_of(&self, now: Millis, event: &Event, id: StationId) -> Option<Event> {
        let station = self.stations.get(id.index())?;
        let of = |input: crate::InputId| {
            self.inputs
                .get(input.index())
                .is_some_and(|(_, wired)| wired.station() == id)
        };
        let serves = |output: OutputId| self.outputs.get(output.index()) == Some(&id);
        let part = match event {
            Event::Tick => Some(Event::Tick),
            Event::Think => self
                .thoughts
                .front()
                .is_some_and(|thought| thought.row.station == id)
                .then_some(Event::Think),
            Event::Scan { instance, at, values } => {
                let values: Vec<_> = values.iter().filter(|(input, _)| of(*input)).copied().collect();
                (!values.is_empty()).then_some(Event::Scan {
                    instance: *instance,
                    at: *at,
                    values,
                })
            }
            Event::Applied { output, .. } | Event::Refused { output, .. } => {
                serves(*output).then(|| event.clone())
            }
            Event::DriverUp {
                instance,
                inputs,
                outputs,
            } => station.instances.contains(instance).then(|| Event::DriverUp {
                instance: *instance,
                inputs: inputs.iter().filter(|offer| of(offer.input)).copied().collect(),
                outputs: outputs
                    .iter()
                    .filter(|offer| serves(offer.output))
                    .copied()
                    .collect(),
            }),
            Event::DriverDown { instance, .. } => station.instances.contains(instance).then(|| event.clone()),
            Event::Request(request) => concerns(&request.ask, id).then(|| event.clone()),
        };
        let late = self
            .wake_at
            .is_some_and(|due| now.since(due) > self.host.late_max);
        part.or_else(|| late.then_some(ELSEWHERE))
    }

    /// From now on [`Lab::supply_calls`] has something to say.
    pub fn note_supplies(&mut self) {
        self.supplies.note();
    }

    /// What was asked of supplies since the last time.
    pub fn supply_calls(&mut self) -> Vec<SupplyCall> {
        self.supplies.noted()
    }

    /// Whether two stations are on one supply.
    pub fn share_a_supply(&self, one: StationId, other: StationId) -> bool {
        self.supplies.shared_by(one, other)
    }

    /// The number of the last command.
    pub fn last_seq(&self) -> Seq {
        self.numbers.before()
    }

    /// The alarms of the whole lab that other stations have raised.
    pub fn alarms_outside(&self, id: StationId) -> Vec<Alarm> {
        self.alarms().filter(|alarm| alarm.station != id).collect()
    }
}

/// Whether what is asked for is about the station: itself, or the lab with all its stations.
fn concerns(ask: &Ask, id: StationId) -> bool {
    match ask {
        Ask::Start { station, .. }
        | Ask::StopRun(station)
        | Ask::Present(station)
        | Ask::Confirm(station)
        | Ask::Acknowledge(station)
        | Ask::Reset(station)
        | Ask::Resume(station)
        | Ask::SetStationCeiling(station, _)
        | Ask::PutBoardModel { station, .. } => *station == id,
        Ask::Stop(station) => station.is_none_or(|station| station == id),
        Ask::Calibrate(calibration) => calibration.station == id,
        Ask::SetLabCeiling(_) | Ask::SetLimit(..) | Ask::Shutdown => true,
        Ask::PutRecipe { .. } | Ask::PutWindow { .. } | Ask::PutVerdict { .. } | Ask::ReadConfig => false,
    }
}

impl Excerpt {
    /// The station's place in its lab.
    pub const fn station(&self) -> StationId {
        self.id
    }

    /// When it was taken, by the lab's clock.
    pub const fn taken(&self) -> Millis {
        self.now
    }

    /// Names of the station's channels, in order, and the place of each one's input in the lab.
    pub fn channels(&self) -> impl Iterator<Item = (usize, crate::InputId)> + '_ {
        self.inputs.iter().filter_map(|(at, _, input)| match input {
            InputUse::Channel(_, channel) => Some((*channel, crate::InputId(u32::try_from(*at).ok()?))),
            InputUse::Presence(_) | InputUse::Permissive(..) | InputUse::Current(_) => None,
        })
    }

    /// What is added to the readings of a channel; zero where there is no such channel.
    pub fn offset(&self, channel: usize) -> f64 {
        self.station
            .channels
            .get(channel)
            .map_or(0.0, |channel| channel.offset.degrees())
    }

    /// What it remembers of readings and heat, as columns of numbers: four for each channel, then three of its heat.
    pub fn columns(&self) -> Vec<Vec<f64>> {
        self.station
            .channels
            .iter()
            .flat_map(|channel| channel.trend.columns())
            .chain(self.station.heat_log.columns())
            .collect()
    }

    /// The same with what [`Excerpt::columns`] said; `None` if that can't be its own.
    #[must_use]
    pub fn recall(mut self, columns: &[Vec<f64>]) -> Option<Self> {
        let (trends, heat) = columns.split_at_checked(self.station.channels.len() * 4)?;
        for (channel, columns) in self.station.channels.iter_mut().zip(trends.chunks(4)) {
            channel.trend.recall(columns)?;
        }
        self.station.heat_log.recall(heat)?;
        Some(self)
    }

    /// The lab that it is of, with everybody else there in number only. Nothing of it is to be shown.
    fn into_lab(self) -> Lab {
        let [stations, inputs, outputs, instances] = self.counts;
        let nowhere = StationId(u32::MAX);
        let mut lab = Lab {
            name: self.lab,
            now: self.now,
            wake_at: self.wake_at,
            behind: self.behind,
            tick: self.tick,
            host: self.host,
            limits: self.limits,
            supplies: self.supplies,
            supply_names: Vec::new(),
            inputs: vec![(InstanceId(u32::MAX), InputUse::Presence(nowhere)); inputs],
            outputs: vec![nowhere; outputs],
            instances: vec![Arc::default(); instances],
            stations: (0..stations)
                .map(|at| {
                    let id = StationId(u32::try_from(at).unwrap_or(u32::MAX));
                    Station::new(id, Arc::default(), Vec::new(), Vec::new(), Panel::new(id, &[]))
                })
                .collect(),
            next_run: self.next_run,
            numbers: Numbering::after(self.seq),
            closing: self.closing,
            thoughts: self.thoughts,
            elsewhere: self.alarms,
        };
        for (at, instance, input) in self.inputs {
            if let Some(place) = lab.inputs.get_mut(at) {
                *place = (instance, input);
            }
        }
        for at in self.outputs {
            if let Some(place) = lab.outputs.get_mut(at) {
                *place = self.id;
            }
        }
        for (instance, name) in self.instances {
            if let Some(place) = lab.instances.get_mut(instance.index()) {
                *place = name;
            }
        }
        if let Some(place) = lab.stations.get_mut(self.id.index()) {
            *place = self.station;
        }
        lab
    }

    /// Begins to decide again.
    pub fn again(self) -> Again {
        Again {
            id: self.id,
            lab: self.into_lab(),
        }
    }
}

/// A station that is decided about again.
#[derive(Debug, Clone)]
pub struct Again {
    id: StationId,
    lab: Lab,
}

impl Again {
    /// What the lab did in the meantime that isn't told: `seq` is the number of the last command before those that come of the next
    /// event, `numbers` those that the station's own were given, `alarms` those of other stations that stand.
    pub fn meanwhile(
        &mut self,
        seq: Seq,
        numbers: impl IntoIterator<Item = Seq>,
        alarms: Option<Vec<Alarm>>,
    ) {
        self.lab.numbers.tell(seq, numbers);
        if let Some(alarms) = alarms {
            self.lab.elsewhere = alarms;
        }
    }

    /// Another station's call on the supply that the station is on.
    pub fn supply(&mut self, call: &SupplyCall) {
        self.lab.supplies.again(call);
    }

    /// [`Lab::take`] for a part of an event; what concerns other stations is left out.
    pub fn take(&mut self, now: Millis, part: Event) -> Vec<Action> {
        let actions = self.lab.take(now, part);
        self.own(actions)
    }

    /// Another run was asked for here: refused after a look at the station, or begun after its run was closed.
    pub fn other_start(&mut self, now: Millis, begun: bool) -> Vec<Action> {
        let mut out = Out::default();
        self.lab.take_into(&mut out, now, ELSEWHERE);
        self.lab.at(&mut out, None, self.id, |station, around| {
            station.step(around, None);
            if begun {
                station.close_run(around);
            }
        });
        self.own(out.in_order())
    }

    fn own(&self, mut actions: Vec<Action>) -> Vec<Action> {
        actions.retain(|action| match action {
            Action::Heat(grant) => grant.station() == self.id,
            Action::Off { output, .. } | Action::Cut { output, .. } | Action::Restore { output, .. } => {
                self.lab.outputs.get(output.index()) == Some(&self.id)
            }
            Action::Journal(entry) => entry.station.is_none_or(|station| station == self.id),
            Action::Record(row) => row.station == self.id,
            Action::Run(change) => change.record.station == self.id,
            Action::KeepTrip { station, .. }
            | Action::DropTrip { station, .. }
            | Action::KeepCalibration { station, .. } => *station == self.id,
            Action::Answer { .. }
            | Action::KeepLimit { .. }
            | Action::KeepLabLimit { .. }
            | Action::Signal(_) => true,
        });
        actions
    }
}

/// A number that may be infinite, which JSON has no word for.
pub(crate) mod any_float {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    #[derive(Serialize, Deserialize)]
    #[serde(untagged)]
    pub(super) enum Kept {
        Finite(f64),
        Other(String),
    }

    pub(super) fn kept(number: f64) -> Kept {
        if number.is_finite() {
            Kept::Finite(number)
        } else {
            Kept::Other(number.to_string())
        }
    }

    pub(super) fn number(kept: &Kept) -> Option<f64> {
        match kept {
            Kept::Finite(number) => Some(*number),
            Kept::Other(text) => text.parse().ok(),
        }
    }

    #[expect(clippy::trivially_copy_pass_by_ref, reason = "serde asks for it")]
    pub(crate) fn serialize<S: Serializer>(it: &f64, to: S) -> Result<S::Ok, S::Error> {
        kept(*it).serialize(to)
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<f64, D::Error> {
        number(&Kept::deserialize(from)?).ok_or_else(|| serde::de::Error::custom("not a number"))
    }
}

/// A moment and numbers that may be infinite.
pub(crate) mod any_floats {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    use super::any_float::{Kept, kept, number};
    use crate::units::Millis;

    pub(crate) fn serialize<S: Serializer>(it: &(Millis, Vec<f64>), to: S) -> Result<S::Ok, S::Error> {
        let numbers: Vec<Kept> = it.1.iter().copied().map(kept).collect();
        (it.0, numbers).serialize(to)
    }

    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(from: D) -> Result<(Millis, Vec<f64>), D::Error> {
        let (at, numbers): (Millis, Vec<Kept>) = Deserialize::deserialize(from)?;
        let numbers: Option<Vec<f64>> = numbers.iter().map(number).collect();
        numbers
            .map(|numbers| (at, numbers))
            .ok_or_else(|| serde::de::Error::custom("not a number"))
    }
}
