//! The product's own control: whole labs, driven through [`Lab::apply`] as the daemon drives them.

use std::collections::VecDeque;
use std::sync::Arc;
use std::time::Duration;

use benchward_core::interlock::Permit;
use benchward_core::predict::Foretold;
use benchward_core::recipe::Recipe;
use benchward_core::units::{Celsius, CelsiusDelta, Fraction, Millis, Watts};
use benchward_core::{
    Action, Ask, ChannelSetup, EntryKind, Event, Fault, InputId, InputOffer, InputUse, InstanceId, Lab,
    Origin, Outcome, OutputId, OutputOffer, OutputRole, OutputSetup, Person, Phase, Request, RequestId,
    Roles, Row, RunId, Sample, Seq, Setup, Signal, StationId, StationSetup, SupplySetup, Value,
};
use benchward_driver_simulated::{Reading, Settings};

use anyhow::{Result, ensure};

use crate::family::Plant;
use crate::knowledge::Model;
use crate::run::{self, Conditions, Decides, LEAD, Place, Run, Trip};

/// Ceiling of the lab: out of the way, so that a board that gets too hot shows in the figures and isn't saved by it.
const CEILING: Celsius = Celsius::constant(400.0);

/// A lab of benches, each a station with a driver of its own, all with the same number.
#[derive(Debug)]
pub struct World {
    lab: Lab,
    stations: Vec<Station>,
    next_request: u64,
    /// CPU time of each event and of each thought, seconds.
    pub costs: Costs,
}

/// What the lab's decisions cost, seconds of the thread's CPU time each.
#[derive(Debug, Clone, Default)]
pub struct Costs {
    /// Of scans: what is done at once.
    pub scans: Vec<f64>,
    /// Of thoughts: how much heat a station gets.
    pub thoughts: Vec<f64>,
}

/// What the world sees of a station.
#[derive(Debug, Clone)]
pub struct Station {
    first_input: u32,
    /// The input that tells whether the hood is shut, and what it tells.
    hood: u32,
    shut: bool,
    /// Share of full power that the output was told.
    pub heat: f64,
    /// Where in its output's window the on-time starts.
    pub offset_ms: u32,
    /// Whether its contactor is open.
    pub cut: bool,
    /// Where its run is.
    pub place: Place,
    /// The trips so far, by the lab's clock.
    pub trips: Vec<Trip>,
    /// When the run asked a person to look, or took that back or ended unanswered, milliseconds.
    pub asked: Vec<Millis>,
    /// Why the start was refused, if it was.
    pub refused: Option<String>,
    /// The readings as the archive would keep them.
    pub rows: Vec<Row>,
    lapses: Millis,
}

impl World {
    /// A lab with every driver up at time 0. `supply`: watts of one circuit that all stations are on.
    pub fn new(benches: &[&Settings], supply: Option<Watts>) -> Self {
        let mut setup = Setup {
            name: "Larkfield Instruments".into(),
            time_scale: 1,
            instances: Vec::new(),
            stations: Vec::new(),
            supplies: supply
                .map(|watts| SupplySetup {
                    name: "circuit-1".into(),
                    watts,
                })
                .into_iter()
                .collect(),
            inputs: Vec::new(),
            outputs: Vec::new(),
            ceiling: CEILING,
            absent_after: Millis::from_secs(4 * 3_600),
            next_run: RunId(1),
            moved: benchward_core::Moved::default(),
            standing_trips: Vec::new(),
        };
        let mut stations = Vec::new();
        let mut ups = Vec::new();
        for (n, bench) in (0..).zip(benches) {
            let (instance, station) = (InstanceId(n), StationId(n));
            let name: Arc<str> = format!("bench-{}", n + 1).into();
            let first_input = u32::try_from(setup.inputs.len()).unwrap_or(u32::MAX);
            let ids = bench.sensor_ids();
            setup.instances.push(name.clone());
            setup.stations.push(StationSetup {
                name,
                channels: ids
                    .iter()
                    .map(|id| ChannelSetup {
                        name: id.as_str().into(),
                        offset: CelsiusDelta::constant(0.0),
                    })
                    .collect(),
                permissives: vec!["hood".into()],
                supply: supply.map(|_| 0),
                ceiling: None,
                follows_heat: true,
            });
            setup.outputs.push(OutputSetup {
                instance,
                name: "heat1".into(),
                station,
                role: OutputRole::Heat,
            });
            let period = Some(Millis::from_secs_f64(1.0 / bench.rate_hz));
            let mut inputs = Vec::new();
            for (channel, (id, input)) in ids.iter().zip(first_input..).enumerate() {
                setup
                    .inputs
                    .push((instance, id.as_str().into(), InputUse::Channel(station, channel)));
                inputs.push(InputOffer {
                    input: InputId(input),
                    period,
                });
            }
            let hood = first_input + narrow(ids.len());
            let used = InputUse::Permissive(station, 0);
            setup.inputs.push((instance, "hood".into(), used));
            inputs.push(InputOffer {
                input: InputId(hood),
                period,
            });
            ups.push(Event::DriverUp {
                instance,
                inputs,
                outputs: vec![OutputOffer {
                    output: OutputId(n),
                    watts: Watts::new(bench.watts).ok(),
                    cuts: bench.cuts,
                    window: bench.window_ms.map(|ms| Millis(u64::from(ms))),
                }],
            });
            stations.push(Station {
                first_input,
                hood,
                shut: true,
                heat: 0.0,
                offset_ms: 0,
                cut: false,
                place: Place::Waiting,
                trips: Vec::new(),
                asked: Vec::new(),
                refused: None,
                rows: Vec::new(),
                lapses: Millis::ZERO,
            });
        }
        let mut world = Self {
            lab: Lab::new(setup),
            stations,
            next_request: 1,
            costs: Costs::default(),
        };
        for up in ups {
            world.apply(Millis::ZERO, up);
        }
        world
    }

    /// A station by its place in the list it was made from.
    pub fn station(&self, station: usize) -> &Station {
        &self.stations[station]
    }

    /// Starts a recipe on a station, with what is known of its board. Where a start takes a board model, it is handed over here.
    pub fn start(&mut self, now: Millis, station: usize, recipe: &Arc<Recipe>, known: Option<&Model>) {
        self.stations[station].place = Place::Waiting;
        let id = RequestId(self.next_request);
        self.next_request += 1;
        self.apply(
            now,
            Event::Request(Request {
                id,
                who: Person::new("op1"),
                roles: Roles::ALL,
                origin: Origin::Local,
                ask: Ask::Start {
                    station: StationId(narrow(station)),
                    recipe: recipe.clone(),
                    revision: 1,
                    serial: "SN-0001".into(),
                    model: known.map(|known| Arc::new(known.clone())),
                    foretold: None,
                },
            }),
        );
    }

    /// New readings of a station's bench.
    pub fn scan(&mut self, now: Millis, station: usize, readings: &[Reading]) {
        let there = &self.stations[station];
        let hood = (InputId(there.hood), Value::Active(there.shut));
        let values = (there.first_input..)
            .zip(readings)
            .map(|(input, reading)| (InputId(input), Value::Sample(sample(*reading))))
            .chain([hood])
            .collect();
        self.apply(
            now,
            Event::Scan {
                instance: InstanceId(narrow(station)),
                at: now,
                values,
            },
        );
    }

    /// Time has passed: permits lapse, and the lab is woken if it wants to be.
    pub fn tick(&mut self, now: Millis) {
        for n in 0..self.stations.len() {
            let station = &mut self.stations[n];
            if station.heat > 0.0 && now >= station.lapses {
                station.heat = 0.0;
                self.apply(
                    now,
                    Event::Applied {
                        output: OutputId(narrow(n)),
                        seq: None,
                        fraction: Fraction::ZERO,
                        lapsed: true,
                    },
                );
            }
        }
        if self.lab.wake_at().is_none_or(|due| now >= due) {
            self.apply(now, Event::Tick);
        }
    }

    /// Applies an event, carries out what comes of it, and has the drivers confirm it.
    fn apply(&mut self, now: Millis, event: Event) {
        let mut events = VecDeque::from([event]);
        while let Some(event) = events.pop_front() {
            for action in self.take(now, event) {
                self.carry_out(now, action, &mut events);
            }
            if self.lab.thinks_since().is_some() {
                events.push_front(Event::Think);
            }
        }
    }

    fn take(&mut self, now: Millis, event: Event) -> Vec<Action> {
        let (scan, thought) = (matches!(event, Event::Scan { .. }), matches!(event, Event::Think));
        let began = cpu_s();
        let actions = self.lab.take(now, event);
        let cost = cpu_s() - began;
        if scan {
            self.costs.scans.push(cost);
        } else if thought {
            self.costs.thoughts.push(cost);
        }
        actions
    }

    fn carry_out(&mut self, now: Millis, action: Action, events: &mut VecDeque<Event>) {
        let mut told = |stations: &mut [Station], output: OutputId, seq: Seq, heat: Fraction| {
            if let Some(station) = stations.get_mut(output.index()) {
                station.heat = heat.share();
            }
            events.push_back(Event::Applied {
                output,
                seq: Some(seq),
                fraction: heat,
                lapsed: false,
            });
        };
        let stations = &mut self.stations;
        match action {
            Action::Heat(grant) => {
                for (output, seq, heat) in grant.heats() {
                    told(stations, *output, *seq, *heat);
                    let station = &mut stations[output.index()];
                    station.lapses = now + Permit::VALID;
                    let offset = grant.offset().map_or(0, |offset| offset.0);
                    station.offset_ms = u32::try_from(offset).unwrap_or(0);
                }
            }
            Action::Off { output, seq } => told(stations, output, seq, Fraction::ZERO),
            Action::Cut { output, seq } => {
                told(stations, output, seq, Fraction::ZERO);
                stations[output.index()].cut = true;
            }
            Action::Restore { output, seq } => {
                told(stations, output, seq, Fraction::ZERO);
                stations[output.index()].cut = false;
            }
            Action::Journal(entry) if entry.kind == EntryKind::FirstRun => {
                if let Some(station) = entry.station {
                    stations[station.index()].asked.push(now);
                }
            }
            Action::Record(row) => stations[row.station.index()].rows.push(row),
            Action::Answer {
                answer: Err(refusal), ..
            } => {
                // Only starts are asked for, and the one that waits is the one that was refused.
                for station in stations.iter_mut().filter(|s| s.place == Place::Waiting) {
                    station.refused = Some(refusal.to_string());
                }
            }
            Action::Signal(Signal::Phase {
                station,
                phase,
                stage,
            }) => {
                let stage = usize::from(stage.unwrap_or(1).max(1)) - 1;
                let station = &mut stations[station.index()];
                match phase {
                    Phase::Ramp => station.place = Place::Ramp(stage),
                    Phase::Dwell => station.place = Place::Dwell(stage),
                    Phase::Cooldown | Phase::Cool | Phase::Idle => {}
                }
            }
            Action::Signal(Signal::RunOutcome { station, outcome, .. }) => {
                stations[station.index()].place = match outcome {
                    Outcome::Completed => Place::Done,
                    Outcome::Stopped | Outcome::Tripped | Outcome::Lost => Place::Tripped,
                };
            }
            Action::Signal(Signal::Interlock {
                station,
                interlock,
                standing: "tripped",
                text,
            }) => {
                let station = &mut stations[station.index()];
                station.trips.push(Trip {
                    interlock: interlock.text().to_owned(),
                    text,
                    at: now,
                });
                station.place = Place::Tripped;
            }
            _ => {}
        }
    }
}

/// CPU time of this thread, seconds: what others do on the machine doesn't count.
fn cpu_s() -> f64 {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
    Duration::new(
        u64::try_from(time.tv_sec).unwrap_or(0),
        u32::try_from(time.tv_nsec).unwrap_or(0),
    )
    .as_secs_f64()
}

fn sample(reading: Reading) -> Sample {
    match reading {
        // Nothing that a bench can read is below absolute zero; if it were, the converter would say so.
        Reading::Celsius(celsius) => Celsius::new(celsius).map_or(Sample::Fault(Fault::Range), Sample::Good),
        Reading::Fault(fault) => Sample::Fault(match fault.to_string().as_str() {
            "open" => Fault::Open,
            "short" => Fault::Short,
            "range" => Fault::Range,
            "cold-junction" => Fault::ColdJunction,
            _ => Fault::Device,
        }),
    }
}

fn narrow(n: usize) -> u32 {
    u32::try_from(n).unwrap_or(u32::MAX)
}

/// One bench in a lab of its own, put through a recipe by the product. Returns the run, and its readings as the archive
/// would keep them.
///
/// # Errors
/// If the product refuses to start.
pub fn alone(
    plant: &Plant,
    recipe: &Arc<Recipe>,
    known: Option<&Model>,
    conditions: &Conditions,
) -> Result<(Run, Vec<Row>)> {
    let (run, rows, _, _) = watched(plant, recipe, known, conditions)?;
    Ok((run, rows))
}

/// As [`alone`], with everything that was foretold on the way, in its order, and what its decisions cost.
///
/// # Errors
/// If the product refuses to start.
pub fn watched(
    plant: &Plant,
    recipe: &Arc<Recipe>,
    known: Option<&Model>,
    conditions: &Conditions,
) -> Result<(Run, Vec<Row>, Vec<Foretold>, Costs)> {
    let mut alone = Alone {
        world: World::new(&[&plant.settings], None),
        recipe,
        known,
        foretold: Vec::new(),
    };
    let mut run = run::run(plant, recipe, &mut alone, conditions);
    run.asked_s = alone.world.stations[0]
        .asked
        .first()
        .map(|at| at.seconds() - LEAD.seconds());
    let station = &mut alone.world.stations[0];
    ensure!(
        // A fault from before the start may well be a reason to refuse.
        station.refused.is_none() || conditions.upset.is_some(),
        "bench {}: \"{}\" was refused: {}",
        plant.number,
        recipe.name,
        station.refused.as_deref().unwrap_or_default()
    );
    let rows = std::mem::take(&mut station.rows);
    Ok((run, rows, alone.foretold, alone.world.costs))
}

/// One bench in a lab of its own, on one recipe.
struct Alone<'a> {
    world: World,
    recipe: &'a Arc<Recipe>,
    known: Option<&'a Model>,
    foretold: Vec<Foretold>,
}

impl Decides for Alone<'_> {
    fn scan(&mut self, now: Millis, readings: &[Reading]) {
        self.world.scan(now, 0, readings);
        let view = self.world.lab.station_view(StationId(0));
        if let Some(foretold) = view.and_then(|view| view.foretold)
            && self.foretold.last().is_none_or(|last| last.from != foretold.from)
        {
            self.foretold.push(foretold);
        }
    }

    fn hood(&mut self, shut: bool) {
        self.world.stations[0].shut = shut;
    }

    fn tick(&mut self, now: Millis) {
        self.world.tick(now);
    }

    fn start(&mut self, now: Millis) {
        self.world.start(now, 0, self.recipe, self.known);
        if self.world.station(0).refused.is_some() {
            self.world.stations[0].place = Place::Tripped;
        }
    }

    fn heat(&self) -> f64 {
        self.world.station(0).heat
    }

    fn cut(&self) -> bool {
        self.world.station(0).cut
    }

    fn place(&self) -> Place {
        self.world.station(0).place
    }

    fn trips(&self) -> &[Trip] {
        &self.world.station(0).trips
    }
}
