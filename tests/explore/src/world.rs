//! A lab and what is around it: drivers that obey, an archive that keeps what it is told to keep, and a judge who knows
//! nothing of the core's inside.
//!
//! Everything that goes into the lab goes through `World::apply`, and everything that comes out is judged there
//! against what was sent in ([`Broken`] lists by what). The drivers do what a driver has to: an output goes to zero
//! when it is told, when its permit has run out, and when its driver ends.

mod judge;
mod layout;
mod way_back;

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::hash::{DefaultHasher, Hash, Hasher};

use benchward_core::interlock::{Effect, InterlockName, Permit};
use benchward_core::units::{Amps, Celsius, Fraction, Millis, Watts};
use benchward_core::{
    Ask, Event, Fault, InputId, InputOffer, InstanceId, Lab, LimitName, Loss, Origin, OutputId, OutputOffer,
    Person, Request, RequestId, Roles, Sample, StationId, Value,
};

use crate::fingerprint::fingerprint;

pub use judge::Broken;
pub use layout::{ABSENT, CEILING, LOW_CEILING, Layout, RUN_MAX};
use layout::{Kept, PERIOD, PERMIT_MAX, STEP, WARM, model, recipe, setup, wired};

/// What a channel reads.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Reading {
    /// A board on its way.
    Good,
    /// Above the ceiling, by less than 10 °C.
    High,
    /// Above the ceiling by more than 10 °C.
    Far,
    /// No temperature.
    Fault,
    /// A good temperature with a cold junction that none may have.
    WarmJunction,
    /// The driver scans its other inputs; this one isn't in it.
    Absent,
}

/// Who asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Who {
    /// Holds `operate`.
    Op,
    /// Holds `process`.
    Proc,
    /// Holds `safety`.
    Safe,
    /// Holds nothing.
    Visitor,
    /// Holds everything and comes by network.
    Network,
}

impl Who {
    fn roles(self) -> Roles {
        Roles {
            operate: self == Self::Op || self == Self::Network,
            process: self == Self::Proc || self == Self::Network,
            safety: self == Self::Safe || self == Self::Network,
        }
    }

    const fn name(self) -> &'static str {
        match self {
            Self::Op => "op1",
            Self::Proc => "proc1",
            Self::Safe => "safe1",
            Self::Visitor => "visitor",
            Self::Network => "mqtt",
        }
    }
}

/// A driver.
#[derive(Debug, Clone, Copy, Hash)]
struct Driver {
    up: bool,
    answering: bool,
}

/// An output as its driver has it.
#[derive(Debug, Clone, Copy)]
struct Output {
    driver: usize,
    station: usize,
    heater: bool,
    cut: bool,
    /// Heat, and when it was last granted.
    heat: Option<Millis>,
    refused: bool,
    /// When the oldest command was given that its driver hasn't answered.
    unanswered: Option<Millis>,
}

/// A bench, as somebody who stands before it sees it, and what was last read of it.
#[derive(Debug, Clone)]
struct Bench {
    reading: Reading,
    celsius: f64,
    hood: bool,
    amps: bool,
    /// Last two good readings, faults in a row, readings with a warm junction in a row.
    good: Option<f64>,
    before: Option<f64>,
    faults: u32,
    junctions: u32,
    /// When the channel was last read, and the fault first.
    read: Option<Millis>,
    fault_since: Option<Millis>,
    /// Since when the hood is known to be open; `None`: it was last read shut.
    open_since: Option<Millis>,
    hood_read: Option<Millis>,
    flows_since: Option<Millis>,
    /// There are readings that no grant was given for yet.
    unspent: bool,
}

/// A lab, its drivers, benches and archive.
#[derive(Debug, Clone)]
pub struct World {
    layout: Layout,
    lab: Lab,
    now: Millis,
    drivers: Vec<Driver>,
    outputs: Vec<Output>,
    benches: Vec<Bench>,
    kept: Kept,
    request: u64,
    /// Readings are taken in and thought about only when the step comes for that.
    putting_off: bool,
    /// What is added to the next reading, to and fro, °C: no real value stands still.
    wobble: f64,
    /// Judgements against it.
    pub broken: BTreeSet<Broken>,
    /// What it was about, for whoever reads.
    pub story: String,
    /// Interlocks that tripped on the way here.
    pub tripped: BTreeSet<InterlockName>,
    /// Interlocks that were reset.
    pub reset: BTreeSet<InterlockName>,
    /// A run was resumed.
    pub resumed: bool,
    /// A restart met a trip.
    pub restarted_tripped: bool,
}

impl World {
    /// A lab that has just been started, for the first time.
    pub fn new(layout: Layout) -> Self {
        let stations = match layout {
            Layout::One => 1,
            Layout::Two => 2,
        };
        let kept = Kept {
            trips: BTreeMap::new(),
            lab: Celsius::constant(CEILING),
            limits: BTreeMap::new(),
            stations: vec![None; stations],
            next_run: 1,
        };
        Self {
            layout,
            lab: Lab::new(setup(layout, &kept)),
            now: Millis(600_000),
            drivers: vec![
                Driver {
                    up: false,
                    answering: true
                };
                layout::drivers(layout).len()
            ],
            outputs: layout::outputs(layout)
                .iter()
                .map(|(_, driver, station, heater)| Output {
                    driver: *driver,
                    station: *station,
                    heater: *heater,
                    cut: false,
                    heat: None,
                    refused: false,
                    unanswered: None,
                })
                .collect(),
            benches: vec![
                Bench {
                    reading: Reading::Good,
                    celsius: WARM,
                    hood: true,
                    amps: false,
                    good: None,
                    before: None,
                    faults: 0,
                    junctions: 0,
                    read: None,
                    fault_since: None,
                    open_since: None,
                    hood_read: None,
                    flows_since: None,
                    unspent: false,
                };
                stations
            ],
            kept,
            request: 0,
            putting_off: false,
            wobble: 0.0,
            broken: BTreeSet::new(),
            story: String::new(),
            tripped: BTreeSet::new(),
            reset: BTreeSet::new(),
            resumed: false,
            restarted_tripped: false,
        }
    }

    /// How many stations there are.
    pub fn stations(&self) -> usize {
        self.benches.len()
    }

    /// How many drivers there are.
    pub fn drivers(&self) -> usize {
        self.drivers.len()
    }

    /// Whether a driver is up.
    pub fn up(&self, driver: usize) -> bool {
        self.drivers[driver].up
    }

    /// Whether every driver of a station is up and confirms what it is told.
    pub fn served(&self, station: usize) -> bool {
        self.outputs
            .iter()
            .filter(|output| output.station == station)
            .all(|output| self.drivers[output.driver].up && self.drivers[output.driver].answering)
    }

    /// Whether a run of the station heats.
    pub fn heating(&self, station: usize) -> bool {
        self.view(station).is_some_and(|view| view.target.is_some())
    }

    /// Whether a tripped run waits to be resumed.
    pub fn suspended(&self, station: usize) -> bool {
        self.view(station).is_some_and(|view| view.resume_left.is_some())
    }

    /// Whether a trip of the station is kept.
    pub fn latched(&self, station: usize) -> bool {
        self.kept.trips.keys().any(|(at, _)| *at == station)
    }

    /// Whether the longest time of a run has been moved.
    pub fn moved(&self) -> bool {
        self.kept.limits.contains_key(&LimitName::RunMax)
    }

    /// Whether the heater of a station is on.
    pub fn hot(&self, station: usize) -> bool {
        self.outputs
            .iter()
            .any(|output| output.station == station && output.heat.is_some())
    }

    fn view(&self, station: usize) -> Option<benchward_core::StationView> {
        self.lab.station_view(StationId(u32::try_from(station).ok()?))
    }

    fn is_cut(&self, station: usize) -> bool {
        self.kept
            .trips
            .iter()
            .any(|((at, _), (effect, ..))| *at == station && *effect == Effect::Cut)
    }

    fn blame(&mut self, what: Broken, why: impl FnOnce() -> String) {
        if self.broken.insert(what) {
            let _ = write!(self.story, "{what:?} at {}: {}; ", self.now, why());
        }
    }

    /// What this state shares with all that count as the same.
    pub fn fingerprint(&self) -> u64 {
        let mut hasher = DefaultHasher::new();
        hasher.write_u64(fingerprint(&format!("{:?}", self.lab), self.now.0));
        let age = |since: Option<Millis>, most: u64| since.map(|since| self.now.since(since).0.min(most));
        (self.putting_off, &self.drivers).hash(&mut hasher);
        for output in &self.outputs {
            (output.cut, output.refused, age(output.heat, PERMIT_MAX.0)).hash(&mut hasher);
            age(output.unanswered, 1_050).hash(&mut hasher);
        }
        for bench in &self.benches {
            (
                bench.reading,
                bench.hood,
                bench.amps,
                bench.faults.min(3),
                bench.unspent,
            )
                .hash(&mut hasher);
            (age(bench.read, 1_050), age(bench.fault_since, 1_050)).hash(&mut hasher);
            (age(bench.open_since, 1_050), age(bench.hood_read, 1_050)).hash(&mut hasher);
            (bench.junctions.min(3), age(bench.flows_since, 1_050)).hash(&mut hasher);
        }
        for (at, (effect, _, by)) in &self.kept.trips {
            (at.0, at.1, *effect == Effect::Cut, by.is_some()).hash(&mut hasher);
        }
        self.kept.lab.degrees().to_bits().hash(&mut hasher);
        for (limit, value) in &self.kept.limits {
            (limit.text(), value.to_bits()).hash(&mut hasher);
        }
        self.broken.hash(&mut hasher);
        hasher.finish()
    }

    // What happens

    /// A driver starts.
    pub fn start_driver(&mut self, driver: usize) {
        self.drivers[driver] = Driver {
            up: true,
            answering: true,
        };
        let mut inputs = Vec::new();
        for station in 0..self.stations() {
            let wired = wired(self.layout, station);
            if wired.driver == driver {
                let all = [Some(wired.channel), Some(wired.pedal), wired.hood, wired.amps];
                inputs.extend(all.into_iter().flatten().map(|input| InputOffer {
                    input: InputId(input),
                    period: Some(PERIOD),
                }));
            }
        }
        let offers = (0..)
            .zip(&self.outputs)
            .filter(|(_, output)| output.driver == driver)
            .map(|(at, output)| OutputOffer {
                output: OutputId(at),
                watts: output.heater.then(|| Watts::new(800.0).ok()).flatten(),
                cuts: true,
                window: None,
            })
            .collect();
        self.new_process(driver);
        self.apply(&Event::DriverUp {
            instance: instance(driver),
            inputs,
            outputs: offers,
        });
    }

    /// A driver dies; its hardware goes to zero.
    pub fn end_driver(&mut self, driver: usize) {
        self.drivers[driver].up = false;
        self.new_process(driver);
        self.apply(&Event::DriverDown {
            instance: instance(driver),
            loss: Loss::Exit("signal 9".into()),
        });
    }

    /// What its predecessor had is gone.
    fn new_process(&mut self, driver: usize) {
        for output in self.outputs.iter_mut().filter(|output| output.driver == driver) {
            (output.cut, output.heat, output.refused, output.unanswered) = (false, None, false, None);
        }
        for station in 0..self.benches.len() {
            if wired(self.layout, station).driver == driver {
                let bench = &mut self.benches[station];
                (bench.good, bench.before, bench.read) = (None, None, None);
                (bench.faults, bench.fault_since, bench.junctions) = (0, None, 0);
                (bench.hood_read, bench.flows_since) = (None, None);
                bench.open_since.get_or_insert(self.now);
            }
        }
    }

    /// A driver stops confirming what it is told, though it does it.
    pub fn mute(&mut self, driver: usize) {
        self.drivers[driver].answering = !self.drivers[driver].answering;
    }

    /// A driver refuses a command.
    pub fn refuse(&mut self, output: usize) {
        let cut = self.outputs[output].cut;
        self.outputs[output].refused |= !cut;
        self.outputs[output].heat = None;
        self.apply(&Event::Refused {
            output: OutputId(narrow(output)),
            seq: None,
            text: "no".into(),
        });
    }

    /// The hood is opened or shut; the next scan shows it.
    pub fn hood(&mut self, station: usize) {
        self.benches[station].hood = !self.benches[station].hood;
    }

    /// Current begins or ceases to flow; the next scan shows it.
    pub fn amps(&mut self, station: usize) {
        self.benches[station].amps = !self.benches[station].amps;
    }

    /// A scan that reads this, now and from now on.
    pub fn read(&mut self, station: usize, reading: Reading) {
        self.benches[station].reading = reading;
        self.scan(station, None);
    }

    /// A scan that reads this and is not thought about yet; nor is anything after it, until [`World::think`] has come to
    /// the end of it.
    pub fn read_ahead(&mut self, station: usize, reading: Reading) {
        self.putting_off = true;
        self.read(station, reading);
    }

    /// The lab thinks about the readings that have waited longest.
    pub fn think(&mut self) {
        self.apply(&Event::Think);
        self.putting_off = self.lab.thinks_since().is_some();
    }

    /// Whether readings wait to be thought about.
    pub fn thinks(&self) -> bool {
        self.lab.thinks_since().is_some()
    }

    /// A scan of the station's driver; `pedal`: how the pedal reads, up where it isn't said.
    pub fn scan(&mut self, station: usize, pedal: Option<bool>) {
        let wired = wired(self.layout, station);
        if !self.drivers[wired.driver].up {
            return;
        }
        self.wobble = 0.1 - self.wobble;
        let ceiling = self.ceiling(station);
        let bench = &mut self.benches[station];
        let celsius = match bench.reading {
            Reading::High => ceiling + 5.0,
            Reading::Far => ceiling + 20.0,
            Reading::Good | Reading::Fault | Reading::WarmJunction | Reading::Absent => bench.celsius,
        } + self.wobble;
        let good = Sample::Good(Celsius::new(celsius).unwrap_or(Celsius::constant(WARM)));
        let junction = |degrees| Value::Junction {
            sample: good,
            cold_junction: Celsius::constant(degrees),
        };
        let value = match bench.reading {
            Reading::Good | Reading::High | Reading::Far => Some(junction(24.0)),
            Reading::Fault => Some(Value::Sample(Sample::Fault(Fault::Open))),
            Reading::WarmJunction => Some(junction(61.0)),
            Reading::Absent => None,
        };
        let mut values = Vec::new();
        if let Some(value) = value {
            values.push((InputId(wired.channel), value));
            bench.unspent = true;
            bench.read = Some(self.now);
            if bench.reading == Reading::Fault {
                bench.faults += 1;
                bench.fault_since.get_or_insert(self.now);
                bench.junctions = 0;
            } else {
                (bench.before, bench.good) = (bench.good, Some(celsius));
                (bench.faults, bench.fault_since) = (0, None);
                bench.junctions = if bench.reading == Reading::WarmJunction {
                    bench.junctions + 1
                } else {
                    0
                };
            }
        }
        values.push((InputId(wired.pedal), Value::Active(pedal.unwrap_or(false))));
        if let Some(hood) = wired.hood {
            values.push((InputId(hood), Value::Active(bench.hood)));
            bench.hood_read = Some(self.now);
            if bench.hood {
                bench.open_since = None;
            } else {
                bench.open_since.get_or_insert(self.now);
            }
        }
        if let Some(amps) = wired.amps {
            let flows = Amps::new(if bench.amps { 2.0 } else { 0.0 });
            values.extend(flows.map(|flows| (InputId(amps), Value::Current(flows))));
            bench.flows_since = bench.amps.then(|| bench.flows_since.unwrap_or(self.now));
        }
        self.apply(&Event::Scan {
            instance: instance(wired.driver),
            at: self.now,
            values,
        });
    }

    /// One wake-up later.
    pub fn tick(&mut self) {
        self.later(STEP);
        self.apply(&Event::Tick);
    }

    /// Nothing is scanned for that long; the daemon goes on.
    pub fn silence(&mut self, length: Millis) {
        let end = self.now + length;
        while self.now < end {
            self.tick();
        }
    }

    /// The daemon hangs for that long, and then finds out.
    pub fn hang(&mut self, length: Millis) {
        let end = self.now + length;
        while self.now < end {
            self.later(STEP);
        }
        self.apply(&Event::Tick);
    }

    /// Time passes as it should: scans and wake-ups.
    pub fn pass(&mut self, length: Millis) {
        let end = self.now + length;
        while self.now < end {
            self.tick();
            self.tick();
            for station in 0..self.stations() {
                self.scan(station, None);
            }
        }
    }

    /// The same for a long time, in steps that are just not late and just not stale, with somebody at the bench; until
    /// `station` doesn't heat as it did, and while its temperature moves by `rate` °C/s.
    pub fn long(&mut self, station: usize, length: Millis, rate: f64) {
        let end = self.now + length;
        let heating = self.heating(station);
        let mut presented = Millis::ZERO;
        while self.now < end && self.heating(station) == heating && !(heating && self.latched(station)) {
            if self.now.since(presented) >= Millis(3_000) {
                presented = self.now;
                self.ask(Who::Op, Ask::Present(id(station)));
            }
            self.later(Millis(400));
            self.apply(&Event::Tick);
            for at in 0..self.stations() {
                if at == station {
                    self.benches[at].celsius += rate * 0.4;
                }
                self.scan(at, None);
            }
        }
    }

    /// A value that doesn't change at all, for that long.
    pub fn freeze(&mut self, station: usize, length: Millis) {
        let end = self.now + length;
        let mut presented = Millis::ZERO;
        while self.now < end && !self.latched(station) {
            if self.now.since(presented) >= Millis(3_000) {
                presented = self.now;
                self.ask(Who::Op, Ask::Present(id(station)));
            }
            self.later(Millis(400));
            self.apply(&Event::Tick);
            for at in 0..self.stations() {
                self.wobble = 0.1;
                self.scan(at, None);
            }
        }
    }

    /// Where a board was before it moved.
    pub fn usual(&mut self, station: usize) {
        self.benches[station].celsius = WARM;
    }

    /// Somebody asks.
    pub fn ask(&mut self, who: Who, ask: Ask) {
        self.request += 1;
        let request = Request {
            id: RequestId(self.request),
            who: Person::new(who.name()),
            roles: who.roles(),
            origin: if who == Who::Network {
                Origin::Network
            } else {
                Origin::Local
            },
            ask,
        };
        self.apply(&Event::Request(request));
    }

    /// What starting a run asks for.
    pub fn start(station: StationId) -> Ask {
        Ask::Start {
            station,
            recipe: recipe(),
            revision: 1,
            serial: "SN-0001".into(),
            model: Some(model()),
            foretold: None,
        }
    }

    /// The daemon dies and is started again, on what the archive keeps. Its drivers' pipes close: they go to zero.
    pub fn restart(&mut self) {
        for driver in 0..self.drivers.len() {
            self.drivers[driver] = Driver {
                up: false,
                answering: true,
            };
            self.new_process(driver);
        }
        self.restarted_tripped |= !self.kept.trips.is_empty();
        self.later(STEP);
        self.putting_off = false;
        self.lab = Lab::new(setup(self.layout, &self.kept));
        self.apply(&Event::Tick);
    }

    /// Time passes: permits run out.
    fn later(&mut self, length: Millis) {
        self.now = self.now + length;
        let mut lapsed = Vec::new();
        for at in 0..self.outputs.len() {
            let Some(granted) = self.outputs[at].heat else {
                continue;
            };
            let age = self.now.since(granted);
            if age >= Permit::VALID {
                self.outputs[at].heat = None;
                lapsed.push(at);
            }
            // The last moment at which there was heat.
            let hot = if age >= Permit::VALID { Permit::VALID } else { age };
            if hot > PERMIT_MAX {
                self.blame(Broken::PermitOutlived, || {
                    format!("heat for {hot} after its permit was given")
                });
            }
        }
        for output in lapsed {
            let output = OutputId(narrow(output));
            // What a driver says while the daemon hangs waits in the pipe; that it is zero is what counts.
            if self
                .lab
                .wake_at()
                .is_none_or(|due| self.now.since(due) <= Millis(500))
            {
                self.apply(&Event::Applied {
                    output,
                    seq: None,
                    fraction: Fraction::ZERO,
                    lapsed: true,
                });
            }
        }
    }

    fn ceiling(&self, station: usize) -> f64 {
        self.kept.stations[station]
            .map_or(self.kept.lab, |own| own.min(self.kept.lab))
            .degrees()
    }
}

fn narrow(place: usize) -> u32 {
    u32::try_from(place).unwrap_or(u32::MAX)
}

pub(crate) fn id(station: usize) -> StationId {
    StationId(narrow(station))
}

fn instance(driver: usize) -> InstanceId {
    InstanceId(narrow(driver))
}
