//! Random walks: what can happen to a lab, and a crude world that makes events of it.

use std::sync::{Arc, OnceLock};

use benchward_core::recipe::Recipe;
use benchward_core::units::{Celsius, CelsiusDelta, Fraction, Millis, Watts};
use benchward_core::{
    Action, Ask, Calibration, ChannelSetup, Event, Fault, InputId, InputOffer, InputUse, InstanceId, Lab,
    LimitName, Loss, Moved, Offset, Origin, OutputId, OutputOffer, OutputRole, OutputSetup, Person, Request,
    RequestId, Roles, RunId, Sample, Seq, Setup, StandingTrip, StationId, StationSetup, SupplySetup, Value,
};
use proptest::prelude::*;

/// Watts of every heater.
pub(crate) const HEATER_WATTS: f64 = 800.0;
/// What `wall` gives to bench-1 and bench-3 together.
pub(crate) const SUPPLY_WATTS: f64 = 1200.0;
/// Limit of absence.
pub(crate) const ABSENT: Millis = Millis(14_000);
/// The lab's ceiling, and bench-2's own, at the start.
pub(crate) const LAB_CEILING: Celsius = Celsius::constant(260.0);
pub(crate) const BENCH_2_CEILING: Celsius = Celsius::constant(200.0);
/// Time between two scans.
const PERIOD: Millis = Millis(100);

/// bench-1 and bench-2 share the driver `box`; bench-2's contactor hangs on `relays`; bench-3 has `own`, and
/// shares the supply `wall` with bench-1. Inputs 0 and 1 are bench-1's channels, 2 bench-2's, 3 bench-3's;
/// 4 is bench-1's hood; 5 to 7 are the pedals.
pub(crate) fn setup(standing_trips: Vec<StandingTrip>) -> Setup {
    let station = |name: &str, channels: &[&str], permissives: &[&str], supply, ceiling| StationSetup {
        name: name.into(),
        channels: channels
            .iter()
            .map(|name| ChannelSetup {
                name: (*name).into(),
                offset: CelsiusDelta::constant(0.0),
            })
            .collect(),
        permissives: permissives.iter().map(|name| (*name).into()).collect(),
        supply,
        ceiling,
        follows_heat: true,
    };
    let output = |instance, name: &str, station, role| OutputSetup {
        instance: InstanceId(instance),
        name: name.into(),
        station: StationId(station),
        role,
    };
    let input = |instance, name: &str, wired| (InstanceId(instance), Arc::from(name), wired);
    Setup {
        name: "Larkfield Instruments".into(),
        time_scale: 1,
        instances: vec!["box".into(), "relays".into(), "own".into()],
        stations: vec![
            station("bench-1", &["board-top", "board-edge"], &["hood"], Some(0), None),
            station("bench-2", &["board-top"], &[], None, Some(BENCH_2_CEILING)),
            station("bench-3", &["board-top"], &[], Some(0), None),
        ],
        supplies: vec![SupplySetup {
            name: "wall".into(),
            watts: Watts::new(SUPPLY_WATTS).unwrap(),
        }],
        inputs: vec![
            input(0, "tc1", InputUse::Channel(StationId(0), 0)),
            input(0, "tc2", InputUse::Channel(StationId(0), 1)),
            input(0, "tc3", InputUse::Channel(StationId(1), 0)),
            input(2, "tc1", InputUse::Channel(StationId(2), 0)),
            input(0, "hood", InputUse::Permissive(StationId(0), 0)),
            input(0, "pedal1", InputUse::Presence(StationId(0))),
            input(0, "pedal2", InputUse::Presence(StationId(1))),
            input(2, "pedal", InputUse::Presence(StationId(2))),
        ],
        outputs: vec![
            output(0, "heat1", 0, OutputRole::Heat),
            output(0, "heat2", 1, OutputRole::Heat),
            output(1, "k2", 1, OutputRole::Contactor),
            output(2, "heat3", 2, OutputRole::Heat),
        ],
        ceiling: LAB_CEILING,
        absent_after: ABSENT,
        next_run: RunId(1),
        moved: Moved::default(),
        standing_trips,
    }
}

/// Recipes that fit, are quick, steer by the coldest, have a ceiling of their own, are too hot, can be too long, ease their
/// fall, or ask for a person. Of boards of 20 kg the guard of a first run has nothing to say.
pub(crate) fn recipes() -> &'static [Arc<Recipe>] {
    static RECIPES: OnceLock<Vec<Arc<Recipe>>> = OnceLock::new();
    RECIPES.get_or_init(|| {
        [
            "recipe = \"usual\"\nboard_grams = 20000\ncontrol = \"board-top\"\n[[stage]]\ntarget_celsius = 60\ndwell_s = 60\n",
            "recipe = \"quick\"\n[[stage]]\ntarget_celsius = 60\ndwell_s = 0.5\n[[stage]]\ntarget_celsius = 80\ndwell_s = 0\n",
            "recipe = \"even\"\nboard_grams = 20000\ncontrol = \"coldest\"\nspread_celsius_max = 12\n[[stage]]\ntarget_celsius = 150\ndwell_s = 60\n",
            "recipe = \"low\"\nboard_grams = 20000\nceiling_celsius = 100\n[[stage]]\ntarget_celsius = 90\nramp_celsius_per_s_max = 1\ndwell_s = 60\n",
            "recipe = \"hot\"\n[[stage]]\ntarget_celsius = 300\ndwell_s = 60\n",
            "recipe = \"brief\"\nboard_grams = 20000\nrun_s_max = 10\nabsent_after_s = 3600\n[[stage]]\ntarget_celsius = 150\ndwell_s = 60\n",
            "recipe = \"eased\"\n[[stage]]\ntarget_celsius = 60\ndwell_s = 0.5\n[cooldown]\nfall_celsius_per_s_max = 0.5\n",
            "recipe = \"probed\"\nconfirm_first_run = true\n[[stage]]\ntarget_celsius = 90\ndwell_s = 1\n",
        ]
        .iter()
        .map(|text| Arc::new(Recipe::parse("recipe", text).unwrap()))
        .collect()
    })
}

/// Who can ask: account, roles. The last two hold none and all.
const PEOPLE: &[(&str, Roles)] = &[
    (
        "op1",
        Roles {
            operate: true,
            process: false,
            safety: false,
        },
    ),
    (
        "proc1",
        Roles {
            operate: false,
            process: true,
            safety: false,
        },
    ),
    (
        "safe1",
        Roles {
            operate: false,
            process: false,
            safety: true,
        },
    ),
    ("visitor", Roles::NONE),
    ("all1", Roles::ALL),
];

/// One step of a walk.
#[derive(Debug, Clone)]
pub(crate) enum Step {
    /// Every driver starts.
    AllUp,
    /// A driver starts, again or for the first time.
    Up(u32),
    /// A driver ends.
    Down(u32),
    /// A driver confirms commands, or doesn't.
    Answers(u32, bool),
    /// A driver scans, or doesn't.
    Scans(u32, bool),
    /// What an input reads from now on.
    Read(u32, Value),
    /// What a channel reads moves there from now on, by so much a second.
    Drift(u32, f64, f64),
    /// A bench heats, and what an interlock that looks back is there for happens. Whether it is mended afterwards.
    Provoke(u32, Trouble, bool),
    /// What an input reads for one scan.
    Glitch(u32, Value),
    /// After how many other events readings are thought about from now on; 0: at once.
    PutOff(usize),
    /// Time passes as it should.
    Run(u64),
    /// Time passes and nobody notices: the loop is late.
    Stall(u64),
    /// Somebody asks.
    Ask { who: usize, network: bool, ask: Ask },
    /// The bench is made ready, started, and runs for a while: the common way in, so that walks get somewhere.
    Begin(u32, usize),
    /// Everything is made well, and a safety role resets and resumes: the common way out.
    Mend(u32),
    /// A driver refuses a command.
    Refuse(u32, bool),
    /// Events that no good service makes: ids that aren't wired, numbers never given out, times out of order.
    Nonsense(Event, i64),
}

pub(crate) fn steps() -> impl Strategy<Value = Vec<Step>> {
    prop::collection::vec(step(), 1..60)
}

fn step() -> impl Strategy<Value = Step> {
    let instance = || 0_u32..3;
    let station = || 0_u32..3;
    prop_oneof![
        2 => Just(Step::AllUp),
        1 => instance().prop_map(Step::Up),
        2 => instance().prop_map(Step::Down),
        1 => (instance(), any::<bool>()).prop_map(|(instance, on)| Step::Answers(instance, on)),
        1 => (instance(), any::<bool>()).prop_map(|(instance, on)| Step::Scans(instance, on)),
        4 => (0_u32..8, value()).prop_map(|(input, value)| Step::Read(input, value)),
        6 => (0_u32..8, value()).prop_map(|(input, value)| Step::Glitch(input, value)),
        4 => drift(),
        2 => provoke(),
        // A hood that is opened, a tape that comes off.
        3 => Just(Step::Read(4, Value::Active(false))),
        2 => (0_u32..4).prop_map(|input| Step::Read(input, Value::Sample(Sample::Fault(Fault::Open)))),
        1 => (0_usize..30).prop_map(Step::PutOff),
        12 => prop_oneof![4 => 1_u64..1500, 1 => 5_000_u64..17_000].prop_map(Step::Run),
        2 => prop_oneof![400_u64..700, 1_u64..3000].prop_map(Step::Stall),
        10 => (0..PEOPLE.len(), prop::bool::weighted(0.25), ask())
            .prop_map(|(who, network, ask)| Step::Ask { who, network, ask }),
        10 => (station(), prop_oneof![2 => 0..5_usize, 1 => Just(5)]).prop_map(|(station, recipe)| Step::Begin(station, recipe)),
        4 => station().prop_map(Step::Mend),
        1 => (0_u32..4, any::<bool>()).prop_map(|(output, numbered)| Step::Refuse(output, numbered)),
        2 => (nonsense(), -2000_i64..500).prop_map(|(event, shift)| Step::Nonsense(event, shift)),
    ]
}

/// From what a heavy board does to what none may.
fn drift() -> impl Strategy<Value = Step> {
    let to = prop::sample::select(vec![25.0, 60.0, 90.0, 150.0, 210.0]);
    let per_second = prop::sample::select(vec![0.3, 2.0, 5.0, 8.0, 20.0]);
    (0_u32..4, to, per_second).prop_map(|(input, to, per_second)| Step::Drift(input, to, per_second))
}

/// What takes more than a few random values in a row.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Trouble {
    Runaway,
    Peel,
    WarmJunction,
    DeadHeater,
    Stuck,
    StuckOn,
}

/// Those that take a minute are rarer.
fn provoke() -> impl Strategy<Value = Step> {
    let trouble = prop_oneof![
        3 => Just(Trouble::Runaway),
        3 => Just(Trouble::Peel),
        3 => Just(Trouble::WarmJunction),
        1 => Just(Trouble::DeadHeater),
        1 => Just(Trouble::Stuck),
        1 => Just(Trouble::StuckOn),
    ];
    (0_u32..3, trouble, prop::bool::weighted(0.7))
        .prop_map(|(station, trouble, mended)| Step::Provoke(station, trouble, mended))
}

/// Mostly temperatures where something happens: in bands, around ceilings and safe temperatures.
fn value() -> impl Strategy<Value = Value> {
    let good = |degrees: f64| Value::Sample(Sample::Good(Celsius::new(degrees).unwrap()));
    let around = prop::sample::select(vec![
        25.0, 45.0, 60.0, 80.0, 100.0, 110.0, 150.0, 200.0, 210.0, 260.0, 270.0,
    ]);
    prop_oneof![
        6 => (around, prop::sample::select(vec![-0.1, 0.0, 0.1])).prop_map(move |(degrees, off)| good(degrees + off)),
        2 => (-50.0..400.0_f64).prop_map(good),
        2 => prop::sample::select(vec![Fault::Open, Fault::Short, Fault::Range, Fault::ColdJunction, Fault::Device])
            .prop_map(|fault| Value::Sample(Sample::Fault(fault))),
        2 => prop::sample::select(vec![-5.0, 24.0, 31.0, 60.0, 61.0]).prop_map(|degrees| Value::Junction {
            sample: Sample::Good(Celsius::constant(25.0)),
            cold_junction: Celsius::new(degrees).unwrap(),
        }),
        3 => any::<bool>().prop_map(Value::Active),
        1 => Just(Value::Unreadable),
    ]
}

/// Stations 0 to 2; 3 is not there.
fn ask() -> impl Strategy<Value = Ask> {
    let station = || prop_oneof![9 => 0_u32..3, 1 => Just(3_u32)].prop_map(StationId);
    let ceiling = || {
        prop_oneof![
            prop::sample::select(vec![39.9, 40.0, 60.0, 79.9, 100.0, 200.0, 260.0, 400.0, 400.1]),
            20.0..420.0_f64
        ]
        .prop_map(|degrees| Celsius::new(degrees).unwrap())
    };
    prop_oneof![
        4 => (station(), 0..8_usize).prop_map(|(station, recipe)| start(station, recipe)),
        2 => station().prop_map(Ask::StopRun),
        2 => station().prop_map(|station| Ask::Stop(Some(station))),
        1 => Just(Ask::Stop(None)),
        3 => station().prop_map(Ask::Present),
        2 => station().prop_map(Ask::Acknowledge),
        6 => station().prop_map(Ask::Reset),
        4 => station().prop_map(Ask::Resume),
        2 => ceiling().prop_map(Ask::SetLabCeiling),
        2 => (station(), prop::option::weighted(0.7, ceiling()))
            .prop_map(|(station, ceiling)| Ask::SetStationCeiling(station, ceiling)),
        2 => lab_limit(),
        5 => (station(), 0_usize..3, offset(), offset(), prop::bool::weighted(0.3)).prop_map(calibrate),
        1 => Just(Ask::PutRecipe { recipe: "usual".into() }),
        1 => station().prop_map(put),
        1 => Just(Ask::ReadConfig),
    ]
}

/// What is only journalled here and kept elsewhere.
fn put(station: StationId) -> Ask {
    let run = RunId(1);
    match station.0 {
        0 => Ask::PutWindow {
            window: "usual".into(),
        },
        1 => Ask::PutVerdict {
            run,
            text: "pass".into(),
        },
        _ => Ask::PutBoardModel {
            station,
            board: "usual".into(),
            run,
        },
    }
}

/// Limits of the lab where something happens, in bounds and just out of them.
fn lab_limit() -> impl Strategy<Value = Ask> {
    let absent = prop::sample::select(vec![9.9, 10.0, 12.0, 60.0, 14_400.0, 14_401.0]);
    let rise = prop::sample::select(vec![0.4, 0.5, 2.0, 10.0, 10.1, f64::NAN]);
    let run = prop::sample::select(vec![9.0, 10.0, 600.0, 172_801.0]);
    prop_oneof![
        prop::option::weighted(0.7, absent).prop_map(|value| Ask::SetLimit(LimitName::AbsentAfter, value)),
        prop::option::weighted(0.7, rise).prop_map(|value| Ask::SetLimit(LimitName::RiseMax, value)),
        prop::option::weighted(0.5, run).prop_map(|value| Ask::SetLimit(LimitName::RunMax, value)),
    ]
}

/// Mostly 0 and a few others, so that what a check began with is often what is in force.
fn offset() -> impl Strategy<Value = CelsiusDelta> {
    prop::sample::select(vec![0.0, 0.0, 0.0, -1.5, 2.0, 10.0, 10.01, -10.5, 11.0])
        .prop_map(CelsiusDelta::constant)
}

fn calibrate(
    (station, channel, was, to, withdrawn): (StationId, usize, CelsiusDelta, CelsiusDelta, bool),
) -> Ask {
    Ask::Calibrate(Calibration {
        station,
        channel,
        was,
        to: if withdrawn {
            Offset::Configured(CelsiusDelta::constant(0.0))
        } else {
            Offset::Calibrated(to)
        },
        by: "ice point".into(),
        record: "{}".into(),
    })
}

fn start(station: StationId, recipe: usize) -> Ask {
    Ask::Start {
        station,
        recipe: recipes()[recipe].clone(),
        revision: 1,
        serial: "SN-0001".into(),
        model: None,
        foretold: None,
    }
}

fn nonsense() -> impl Strategy<Value = Event> {
    let instance = || (0_u32..4).prop_map(InstanceId);
    let output = || (0_u32..5).prop_map(OutputId);
    let seq = || prop::option::of(prop_oneof![0_u64..500, any::<u64>()].prop_map(Seq));
    prop_oneof![
        (
            instance(),
            0_u64..20_000,
            prop::collection::vec((0_u32..9, value()), 0..6)
        )
            .prop_map(|(instance, at, values)| Event::Scan {
                instance,
                at: Millis(at),
                values: values
                    .into_iter()
                    .map(|(input, value)| (InputId(input), value))
                    .collect(),
            }),
        (output(), seq(), 0.0..=1.0_f64, any::<bool>()).prop_map(|(output, seq, share, lapsed)| {
            Event::Applied {
                output,
                seq,
                fraction: Fraction::clamped(share),
                lapsed,
            }
        }),
        (output(), seq()).prop_map(|(output, seq)| Event::Refused {
            output,
            seq,
            text: "no".into()
        }),
        instance().prop_map(|instance| Event::DriverUp {
            instance,
            inputs: Vec::new(),
            outputs: Vec::new()
        }),
        instance().prop_map(|instance| Event::DriverDown {
            instance,
            loss: Loss::Exit("signal 9".into())
        }),
        Just(Event::Tick),
    ]
}

/// Sees every call: the lab before it, the event with its time, the lab after it and its actions.
pub(crate) type Seen<'a> = dyn FnMut(&Lab, Millis, &Event, &Lab, &[Action]) -> Result<(), TestCaseError> + 'a;

/// A lab and a crude world around it.
pub(crate) struct World {
    pub(crate) lab: Lab,
    now: Millis,
    drivers: [Driver; 3],
    inputs: [Value; 8],
    /// By channel: where its temperature goes, and how fast, °C/s.
    drifts: [Option<(f64, f64)>; 4],
    next_request: u64,
    /// After how many other events readings are thought about, and how many there have been.
    put_off: usize,
    unthought: usize,
}

#[derive(Clone, Copy)]
struct Driver {
    up: bool,
    scanning: bool,
    answering: bool,
    next_scan: Millis,
}

impl World {
    pub(crate) fn new(lab: Lab) -> Self {
        let driver = Driver {
            up: false,
            scanning: true,
            answering: true,
            next_scan: Millis::ZERO,
        };
        let mut world = Self {
            lab,
            now: Millis(1000),
            drivers: [driver; 3],
            inputs: [Value::Active(false); 8],
            drifts: [None; 4],
            next_request: 1,
            put_off: 0,
            unthought: 0,
        };
        world.mend();
        world
    }

    /// All sensors well and cool, the hood shut, nobody on a pedal.
    fn mend(&mut self) {
        self.drifts = [None; 4];
        for input in 0..8 {
            self.inputs[input] = match input {
                0..4 => Value::Sample(Sample::Good(Celsius::constant(25.0))),
                4 => Value::Active(true),
                _ => Value::Active(false),
            };
        }
        for driver in &mut self.drivers {
            (driver.scanning, driver.answering) = (true, true);
        }
    }

    pub(crate) fn step(&mut self, step: &Step, seen: &mut Seen<'_>) -> Result<(), TestCaseError> {
        match step {
            Step::AllUp => (0..3).try_for_each(|instance| self.up(instance, seen))?,
            Step::Up(instance) => self.up(*instance, seen)?,
            Step::Down(instance) => {
                self.drivers[*instance as usize].up = false;
                let loss = Loss::Exit("signal 9".into());
                self.event(
                    &Event::DriverDown {
                        instance: InstanceId(*instance),
                        loss,
                    },
                    seen,
                )?;
            }
            Step::Answers(instance, on) => self.drivers[*instance as usize].answering = *on,
            Step::Scans(instance, on) => self.drivers[*instance as usize].scanning = *on,
            Step::Read(input, value) => {
                self.inputs[*input as usize] = *value;
                if let Some(drift) = self.drifts.get_mut(*input as usize) {
                    *drift = None;
                }
            }
            Step::Provoke(station, trouble, mended) => self.provoke(*station, *trouble, *mended, seen)?,
            Step::Drift(input, to, per_second) => self.drifts[*input as usize] = Some((*to, *per_second)),
            Step::Glitch(input, value) => {
                let before = std::mem::replace(&mut self.inputs[*input as usize], *value);
                self.run(PERIOD, seen)?;
                self.inputs[*input as usize] = before;
            }
            Step::PutOff(events) => self.put_off = *events,
            Step::Run(length) => self.run(Millis(*length), seen)?,
            Step::Stall(length) => self.now = self.now + Millis(*length),
            Step::Ask { who, network, ask } => self.ask(*who, *network, ask.clone(), seen)?,
            Step::Begin(station, recipe) => {
                for instance in 0..3 {
                    if !self.drivers[instance as usize].up {
                        self.up(instance, seen)?;
                    }
                }
                self.run(Millis(300), seen)?;
                self.ask(0, false, start(StationId(*station), *recipe), seen)?;
                self.run(Millis(300), seen)?;
            }
            Step::Mend(station) => {
                self.mend();
                let station = StationId(*station);
                self.run(Millis(300), seen)?;
                self.ask(4, false, Ask::Reset(station), seen)?;
                self.ask(0, false, Ask::Resume(station), seen)?;
                self.run(Millis(300), seen)?;
            }
            Step::Refuse(output, numbered) => {
                let seq = numbered.then_some(Seq(u64::MAX));
                self.event(
                    &Event::Refused {
                        output: OutputId(*output),
                        seq,
                        text: "no".into(),
                    },
                    seen,
                )?;
            }
            Step::Nonsense(event, shift) => {
                let now = Millis(self.now.0.saturating_add_signed(*shift));
                self.event_at(now, event, seen)?;
                // The lab keeps the latest time; so does the world.
                self.now = self.now.max(now);
            }
        }
        Ok(())
    }

    fn provoke(
        &mut self,
        station: u32,
        trouble: Trouble,
        mended: bool,
        seen: &mut Seen<'_>,
    ) -> Result<(), TestCaseError> {
        self.step(&Step::Begin(station, 2), seen)?;
        let all: &[usize] = [&[0, 1][..], &[2], &[3]][station as usize];
        let mut drift = |world: &mut Self, to: f64, per_second: f64, length: u64| {
            for channel in all {
                world.drifts[*channel] = Some((to, per_second));
            }
            world.attend(length, seen)
        };
        match trouble {
            Trouble::Runaway => drift(self, 150.0, 12.0, 5_000)?,
            Trouble::Peel => {
                drift(self, 110.0, 4.0, 22_000)?;
                drift(self, 40.0, 30.0, 2_500)?;
            }
            Trouble::WarmJunction => {
                self.inputs[all[0]] = Value::Junction {
                    sample: Sample::Good(Celsius::constant(25.0)),
                    cold_junction: Celsius::constant(61.0),
                };
                self.attend(500, seen)?;
            }
            Trouble::DeadHeater => drift(self, 150.0, 0.02, 62_000)?,
            Trouble::Stuck => self.attend(43_000, seen)?,
            Trouble::StuckOn => {
                drift(self, 30.0, 1.0, 1_000)?;
                self.ask(4, false, Ask::StopRun(StationId(station)), seen)?;
                for channel in all {
                    self.drifts[*channel] = Some((150.0, 1.0));
                }
                self.attend(80_000, seen)?;
            }
        }
        if mended {
            self.mend();
            self.run(Millis(4_000), seen)?;
            self.ask(4, false, Ask::Reset(StationId(station)), seen)?;
        }
        Ok(())
    }

    /// Time passes with somebody at every bench.
    fn attend(&mut self, length: u64, seen: &mut Seen<'_>) -> Result<(), TestCaseError> {
        let mut left = length;
        while left > 0 {
            for station in 0..3 {
                self.ask(4, false, Ask::Present(StationId(station)), seen)?;
                self.ask(4, false, Ask::Confirm(StationId(station)), seen)?;
            }
            let part = left.min(10_000);
            self.run(Millis(part), seen)?;
            left -= part;
        }
        Ok(())
    }

    fn up(&mut self, instance: u32, seen: &mut Seen<'_>) -> Result<(), TestCaseError> {
        let driver = &mut self.drivers[instance as usize];
        (driver.up, driver.next_scan) = (true, self.now);
        let of = |ids: &[u32]| {
            ids.iter()
                .map(|id| InputOffer {
                    input: InputId(*id),
                    period: Some(PERIOD),
                })
                .collect()
        };
        let watts = Some(Watts::new(HEATER_WATTS).unwrap());
        let outputs = |ids: &[u32], watts| {
            ids.iter()
                .map(|id| OutputOffer {
                    output: OutputId(*id),
                    watts,
                    cuts: true,
                    window: None,
                })
                .collect()
        };
        let (inputs, outputs) = match instance {
            0 => (of(&[0, 1, 2, 4, 5, 6]), outputs(&[0, 1], watts)),
            1 => (Vec::new(), outputs(&[2], None)),
            _ => (of(&[3, 7]), outputs(&[3], watts)),
        };
        self.event(
            &Event::DriverUp {
                instance: InstanceId(instance),
                inputs,
                outputs,
            },
            seen,
        )
    }

    fn ask(&mut self, who: usize, network: bool, ask: Ask, seen: &mut Seen<'_>) -> Result<(), TestCaseError> {
        let (name, roles) = PEOPLE[who];
        let id = RequestId(self.next_request);
        self.next_request += 1;
        let origin = if network { Origin::Network } else { Origin::Local };
        self.event(
            &Event::Request(Request {
                id,
                who: Person::new(name),
                roles,
                origin,
                ask,
            }),
            seen,
        )
    }

    /// Scans and wake-ups at their times.
    fn run(&mut self, length: Millis, seen: &mut Seen<'_>) -> Result<(), TestCaseError> {
        let end = self.now + length;
        loop {
            let scan = (0..3_u32)
                .filter(|instance| {
                    self.drivers[*instance as usize].up && self.drivers[*instance as usize].scanning
                })
                .map(|instance| (self.drivers[instance as usize].next_scan, instance))
                .min();
            let tick = self.lab.wake_at();
            match (scan, tick) {
                (Some((at, instance)), tick) if at <= end && tick.is_none_or(|tick| at <= tick) => {
                    self.now = self.now.max(at);
                    self.drivers[instance as usize].next_scan = self.now + PERIOD;
                    let ids: &[u32] = match instance {
                        0 => &[0, 1, 2, 4, 5, 6],
                        1 => &[],
                        _ => &[3, 7],
                    };
                    for id in ids {
                        self.drift(*id as usize);
                    }
                    let values = ids
                        .iter()
                        .map(|id| (InputId(*id), self.inputs[*id as usize]))
                        .collect();
                    self.event(
                        &Event::Scan {
                            instance: InstanceId(instance),
                            at: self.now,
                            values,
                        },
                        seen,
                    )?;
                }
                (_, Some(tick)) if tick <= end => {
                    self.now = self.now.max(tick);
                    self.event(&Event::Tick, seen)?;
                }
                _ => break,
            }
        }
        self.now = self.now.max(end);
        Ok(())
    }

    /// One period's worth of where a channel's temperature goes.
    fn drift(&mut self, input: usize) {
        let Some((to, per_second)) = self.drifts.get(input).copied().flatten() else {
            return;
        };
        let Value::Sample(Sample::Good(now)) = self.inputs[input] else {
            return;
        };
        let most = per_second * PERIOD.seconds();
        let moved = now.degrees() + (to - now.degrees()).clamp(-most, most);
        self.inputs[input] = Value::Sample(Sample::Good(Celsius::new(moved).unwrap()));
    }

    fn event(&mut self, event: &Event, seen: &mut Seen<'_>) -> Result<(), TestCaseError> {
        self.event_at(self.now, event, seen)
    }

    /// One event, and thoughts where they are due.
    fn event_at(&mut self, now: Millis, event: &Event, seen: &mut Seen<'_>) -> Result<(), TestCaseError> {
        self.call(now, event, seen)?;
        self.unthought += 1;
        while self.lab.thinks_since().is_some() && self.unthought > self.put_off {
            self.call(now, &Event::Think, seen)?;
            if self.put_off > 0 {
                self.unthought = 0;
            }
        }
        Ok(())
    }

    /// One call, and the drivers' answers to it.
    fn call(&mut self, now: Millis, event: &Event, seen: &mut Seen<'_>) -> Result<(), TestCaseError> {
        let before = self.lab.clone();
        let actions = self.lab.take(now, event.clone());
        seen(&before, now, event, &self.lab, &actions)?;
        let mut answers = Vec::new();
        for action in &actions {
            match action {
                Action::Heat(grant) => answers.extend(grant.heats().iter().copied()),
                Action::Off { output, seq }
                | Action::Cut { output, seq }
                | Action::Restore { output, seq } => {
                    answers.push((*output, *seq, Fraction::ZERO));
                }
                _ => {}
            }
        }
        for (output, seq, fraction) in answers {
            let driver = self.drivers[[0, 0, 1, 2][output.0 as usize]];
            if driver.up && driver.answering {
                let answer = Event::Applied {
                    output,
                    seq: Some(seq),
                    fraction,
                    lapsed: false,
                };
                self.event_at(now, &answer, seen)?;
            }
        }
        Ok(())
    }
}
