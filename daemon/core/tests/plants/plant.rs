//! A lab of one station on a simulated bench.

use std::sync::Arc;

use benchward_core::interlock::InterlockName;
use benchward_core::model::{BoardModel, learn};
use benchward_core::recipe::Recipe;
use benchward_core::units::{Amps, Celsius, CelsiusDelta, Fraction, Millis, Watts};
use benchward_core::{
    Action, Ask, ChannelSetup, Event, Fault, InputId, InputOffer, InputUse, InstanceId, Lab, Origin,
    OutputId, OutputOffer, OutputRole, OutputSetup, Person, Request, RequestId, Roles, RunId, Sample, Seq,
    Setup, StationId, StationSetup, Value,
};
use benchward_driver_simulated::{Bench, Reading, Settings};

/// An interlock has acted.
#[derive(Debug, Clone)]
pub(crate) struct Trip {
    /// Since the start of the bench.
    pub(crate) at_s: f64,
    pub(crate) interlock: InterlockName,
    pub(crate) text: String,
}

/// A lab, its bench, and their common time.
pub(crate) struct Plant {
    pub(crate) bench: Bench,
    pub(crate) trips: Vec<Trip>,
    lab: Lab,
    recipe: Arc<Recipe>,
    channels: u32,
    current: bool,
    now: Millis,
    period: Millis,
    next_scan: Millis,
    /// What the heater was told.
    pub(crate) heat: f64,
    requests: u64,
}

const BENCH: StationId = StationId(0);

impl Plant {
    /// A bench that has stood for a second. `stages`: what a recipe holds besides its name.
    pub(crate) fn new(settings: &Settings, stages: &str) -> Self {
        let bench = Bench::new(settings).unwrap();
        let ids = bench.sensor_ids();
        let channels = u32::try_from(ids.len()).unwrap();
        let mut inputs: Vec<_> = ids
            .iter()
            .enumerate()
            .map(|(at, id)| {
                (
                    InstanceId(0),
                    Arc::from(id.as_str()),
                    InputUse::Channel(BENCH, at),
                )
            })
            .collect();
        if settings.current {
            inputs.push((InstanceId(0), "amps".into(), InputUse::Current(BENCH)));
        }
        let setup = Setup {
            name: "Larkfield Instruments".into(),
            time_scale: 1,
            instances: vec!["bench-1".into()],
            stations: vec![StationSetup {
                name: "bench-1".into(),
                channels: ids
                    .iter()
                    .map(|id| ChannelSetup {
                        name: id.as_str().into(),
                        offset: CelsiusDelta::constant(0.0),
                    })
                    .collect(),
                permissives: Vec::new(),
                supply: None,
                ceiling: None,
                follows_heat: true,
            }],
            supplies: Vec::new(),
            inputs,
            outputs: vec![OutputSetup {
                instance: InstanceId(0),
                name: "heat1".into(),
                station: BENCH,
                role: OutputRole::Heat,
            }],
            ceiling: Celsius::constant(260.0),
            absent_after: Millis::from_secs(14_400),
            next_run: RunId(1),
            moved: benchward_core::Moved::default(),
            standing_trips: Vec::new(),
        };
        let text = format!("recipe = \"AX-20 backplane\"\n{stages}");
        let period = Millis::from_secs_f64(1.0 / settings.rate_hz);
        let mut plant = Self {
            bench,
            trips: Vec::new(),
            lab: Lab::new(setup),
            recipe: Arc::new(Recipe::parse("recipe", &text).unwrap()),
            channels,
            current: settings.current,
            now: Millis::ZERO,
            period,
            next_scan: period,
            heat: 0.0,
            requests: 0,
        };
        let inputs = (0..channels + u32::from(settings.current))
            .map(|input| InputOffer {
                input: InputId(input),
                period: Some(period),
            })
            .collect();
        plant.apply(Event::DriverUp {
            instance: InstanceId(0),
            inputs,
            outputs: vec![OutputOffer {
                output: OutputId(0),
                watts: Watts::new(settings.watts).ok(),
                cuts: true,
                window: None,
            }],
        });
        plant.run_to(2.0);
        plant
    }

    pub(crate) fn start(&mut self) {
        self.start_with(None);
    }

    /// `model`: what is known of boards of this kind here.
    pub(crate) fn start_with(&mut self, model: Option<Arc<BoardModel>>) {
        let recipe = self.recipe.clone();
        self.ask(Ask::Start {
            station: BENCH,
            recipe,
            revision: 1,
            serial: "AX20-0001".into(),
            model,
            foretold: None,
        });
    }

    pub(crate) fn ask(&mut self, ask: Ask) {
        self.requests += 1;
        self.apply(Event::Request(Request {
            id: RequestId(self.requests),
            who: Person::new("all1"),
            roles: Roles::ALL,
            origin: Origin::Local,
            ask,
        }));
    }

    /// Time passes, with a scan each period and a wake-up when the lab wants one.
    pub(crate) fn run_to(&mut self, end_s: f64) {
        let end = Millis::from_secs_f64(end_s);
        loop {
            let wake = self.lab.wake_at().unwrap_or(end);
            let next = wake.0.min(self.next_scan.0).min(end.0);
            self.bench
                .advance(Millis(next).since(self.now).seconds(), self.heat);
            self.now = Millis(next);
            if self.now >= end {
                return;
            }
            if next == self.next_scan.0 {
                self.next_scan = self.now + self.period;
                let values = self.values();
                self.apply(Event::Scan {
                    instance: InstanceId(0),
                    at: self.now,
                    values,
                });
            } else {
                self.apply(Event::Tick);
            }
        }
    }

    /// Runs until an interlock has acted, `end_s` at the latest. Returns the first trip since `from_s`.
    ///
    /// What the guard of a first run asks meanwhile is confirmed at once, as by somebody who doesn't look.
    pub(crate) fn until_trip(&mut self, from_s: f64, end_s: f64) -> Option<Trip> {
        let mut at = from_s;
        while at < end_s {
            at += 0.25;
            self.run_to(at);
            self.ask(Ask::Confirm(BENCH));
            if let Some(trip) = self.trips.iter().find(|trip| trip.at_s >= from_s) {
                return Some(trip.clone());
            }
        }
        None
    }

    /// Runs on and learns the board from the first channel.
    pub(crate) fn learned(&mut self, end_s: f64) -> BoardModel {
        const SPACING_S: f64 = 0.5;
        let mut samples = Vec::new();
        while self.now_s() < end_s {
            let heat = self.heat;
            self.run_to(self.now_s() + SPACING_S);
            samples.push(learn::Sample {
                dt: if samples.is_empty() { 0.0 } else { SPACING_S },
                heat,
                celsius: self.celsius(),
            });
        }
        let learned = learn::learn(&samples, samples[0].celsius).expect("a run with a ramp");
        BoardModel {
            board: "usual".into(),
            revision: 1,
            learned_from: 1,
            belief: learned.belief,
            hottest: learned.hottest,
        }
    }

    /// What the first channel reads, °C.
    pub(crate) fn celsius(&mut self) -> f64 {
        match self.bench.readings().into_iter().next() {
            Some((_, Reading::Celsius(celsius))) => celsius,
            other => panic!("the first channel reads: {other:?}"),
        }
    }

    pub(crate) fn now_s(&self) -> f64 {
        self.now.seconds()
    }

    fn values(&mut self) -> Vec<(InputId, Value)> {
        let sample = |reading| match reading {
            Reading::Celsius(celsius) => Sample::Good(Celsius::new(celsius).unwrap()),
            Reading::Fault(_) => Sample::Fault(Fault::Open),
        };
        let mut values: Vec<_> = (0..self.channels)
            .zip(self.bench.readings())
            .map(|(input, (_, reading))| (InputId(input), Value::Sample(sample(reading))))
            .collect();
        if self.current {
            let amps = Amps::new(self.bench.amps()).unwrap();
            values.push((InputId(self.channels), Value::Current(amps)));
        }
        values
    }

    fn apply(&mut self, event: Event) {
        let actions = self.lab.apply(self.now, event);
        let mut answers: Vec<(Seq, f64)> = Vec::new();
        for action in actions {
            match action {
                Action::Heat(grant) => {
                    answers.extend(grant.heats().iter().map(|(_, seq, heat)| (*seq, heat.share())));
                }
                Action::Off { seq, .. } => answers.push((seq, 0.0)),
                Action::Cut { seq, .. } => {
                    self.bench.open_contactor(true);
                    answers.push((seq, 0.0));
                }
                Action::Restore { seq, .. } => {
                    self.bench.open_contactor(false);
                    answers.push((seq, 0.0));
                }
                Action::KeepTrip {
                    interlock,
                    text,
                    acknowledged_by: None,
                    ..
                } => self.trips.push(Trip {
                    at_s: self.now.seconds(),
                    interlock,
                    text: text.to_string(),
                }),
                _ => {}
            }
        }
        for (seq, heat) in answers {
            self.heat = heat;
            self.apply(Event::Applied {
                output: OutputId(0),
                seq: Some(seq),
                fraction: Fraction::clamped(heat),
                lapsed: false,
            });
        }
    }
}
