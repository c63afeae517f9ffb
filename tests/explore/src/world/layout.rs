//! What is explored: stations, drivers, what is wired to what, and what the archive keeps of it.

use std::collections::BTreeMap;
use std::sync::{Arc, OnceLock};

use benchward_core::interlock::{Effect, InterlockName};
use benchward_core::model::{Belief, BoardModel};
use benchward_core::recipe::Recipe;
use benchward_core::units::{Celsius, CelsiusDelta, Millis, Watts};
use benchward_core::{
    ChannelSetup, InputUse, LimitName, Moved, OutputRole, OutputSetup, RunId, Setup, StandingTrip,
    StationSetup, SupplySetup,
};

use super::{id, instance};

/// Ceiling of the lab that it starts with, °C.
pub const CEILING: f64 = 260.0;
/// What it is lowered to, °C.
pub const LOW_CEILING: f64 = 60.0;
/// A board's usual temperature, below the target of [`recipe`] and above the lowered ceiling by less than 10 °C.
pub(super) const WARM: f64 = 65.0;
/// Limit of absence.
pub const ABSENT: Millis = Millis(5_000);
/// Time between two scans, and between two wake-ups.
pub(super) const PERIOD: Millis = Millis(100);
pub(super) const STEP: Millis = Millis(50);
/// How long heat may be there after its permit was given, by the protocol.
pub(super) const PERMIT_MAX: Millis = Millis(1_500);
/// How long the recipe lets a run heat.
pub const RUN_MAX: Millis = Millis(90_000);

/// What is explored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Layout {
    /// One station with every input that an interlock looks at, on one driver.
    One,
    /// Two stations with a driver each, on one supply; the second's contactor hangs on a third driver, and what its heater draws
    /// is measured.
    Two,
}

/// What it did, its text, and who acknowledged it.
pub(super) type KeptTrip = (Effect, Arc<str>, Option<Arc<str>>);

/// What the archive keeps over a restart.
#[derive(Debug, Clone)]
pub(super) struct Kept {
    pub(super) trips: BTreeMap<(usize, InterlockName), KeptTrip>,
    pub(super) lab: Celsius,
    pub(super) limits: BTreeMap<LimitName, f64>,
    pub(super) stations: Vec<Option<Celsius>>,
    pub(super) next_run: u64,
}

/// Inputs of a station by what they are for; `None` where it has none.
#[derive(Clone, Copy)]
pub(super) struct Wired {
    pub(super) driver: usize,
    pub(super) channel: u32,
    pub(super) pedal: u32,
    pub(super) hood: Option<u32>,
    pub(super) amps: Option<u32>,
}

pub(super) const fn wired(layout: Layout, station: usize) -> Wired {
    match (layout, station) {
        (Layout::One, _) => Wired {
            driver: 0,
            channel: 0,
            pedal: 1,
            hood: Some(2),
            amps: Some(3),
        },
        (Layout::Two, 0) => Wired {
            driver: 0,
            channel: 0,
            pedal: 1,
            hood: None,
            amps: None,
        },
        (Layout::Two, _) => Wired {
            driver: 1,
            channel: 2,
            pedal: 3,
            hood: None,
            amps: Some(4),
        },
    }
}

/// Output, driver, station, whether it heats.
pub(super) const fn outputs(layout: Layout) -> &'static [(&'static str, usize, usize, bool)] {
    match layout {
        Layout::One => &[("heat1", 0, 0, true)],
        Layout::Two => &[("heat1", 0, 0, true), ("heat2", 1, 1, true), ("k2", 2, 1, false)],
    }
}

pub(super) const fn drivers(layout: Layout) -> &'static [&'static str] {
    match layout {
        Layout::One => &["rack"],
        Layout::Two => &["rack", "own", "relays"],
    }
}

pub(super) fn setup(layout: Layout, kept: &Kept) -> Setup {
    let mut inputs = Vec::new();
    let stations = 0..kept.stations.len();
    let supplied = layout == Layout::Two;
    for station in stations.clone() {
        let wired = wired(layout, station);
        let at = id(station);
        let mut input = |name: &str, used| inputs.push((instance(wired.driver), Arc::from(name), used));
        input("tc", InputUse::Channel(at, 0));
        input("pedal", InputUse::Presence(at));
        if wired.hood.is_some() {
            input("hood", InputUse::Permissive(at, 0));
        }
        if wired.amps.is_some() {
            input("amps", InputUse::Current(at));
        }
    }
    Setup {
        name: "Larkfield Instruments".into(),
        time_scale: 1,
        instances: drivers(layout).iter().map(|name| Arc::from(*name)).collect(),
        stations: stations
            .map(|station| StationSetup {
                name: format!("bench-{}", station + 1).into(),
                channels: vec![ChannelSetup {
                    name: "board-top".into(),
                    offset: CelsiusDelta::constant(0.0),
                }],
                permissives: wired(layout, station)
                    .hood
                    .iter()
                    .map(|_| Arc::from("hood"))
                    .collect(),
                supply: supplied.then_some(0),
                ceiling: kept.stations[station],
                // Readings are made up here, so that the rules can be met which know no board.
                follows_heat: false,
            })
            .collect(),
        // More than both ever draw.
        supplies: Watts::new(10_000.0)
            .ok()
            .filter(|_| supplied)
            .map(|watts| SupplySetup {
                name: "bay-a".into(),
                watts,
            })
            .into_iter()
            .collect(),
        inputs,
        outputs: outputs(layout)
            .iter()
            .map(|(name, driver, station, heater)| OutputSetup {
                instance: instance(*driver),
                name: Arc::from(*name),
                station: id(*station),
                role: if *heater {
                    OutputRole::Heat
                } else {
                    OutputRole::Contactor
                },
            })
            .collect(),
        ceiling: kept.lab,
        absent_after: ABSENT,
        next_run: RunId(kept.next_run),
        moved: Moved {
            limits: kept.limits.clone(),
            ..Moved::default()
        },
        standing_trips: kept
            .trips
            .iter()
            .map(|((station, interlock), (effect, text, by))| StandingTrip {
                station: id(*station),
                interlock: *interlock,
                effect: *effect,
                text: text.clone(),
                acknowledged_by: by.clone(),
            })
            .collect(),
    }
}

/// A recipe whose target is above every usual reading, so that a healthy bench is asked for heat; for a board so heavy that
/// the guard of a first run holds nothing back.
pub(super) fn recipe() -> Arc<Recipe> {
    static RECIPE: OnceLock<Arc<Recipe>> = OnceLock::new();
    RECIPE
        .get_or_init(|| {
            let text = format!(
                "recipe = \"usual\"\nboard_grams = 20000\nrun_s_max = {}\n[[stage]]\ntarget_celsius = 200\ndwell_s = 60\n",
                RUN_MAX.seconds()
            );
            match Recipe::parse("usual", &text) {
                Ok(recipe) => Arc::new(recipe),
                Err(mistakes) => panic!("{mistakes}"),
            }
        })
        .clone()
}

/// What is known of the board: with a model the control follows one explanation and not four, which takes a quarter of
/// the time and is nothing to the interlocks.
pub(super) fn model() -> Arc<BoardModel> {
    static MODEL: OnceLock<Arc<BoardModel>> = OnceLock::new();
    MODEL
        .get_or_init(|| {
            Arc::new(BoardModel {
                board: "QM-4 front end".into(),
                revision: 1,
                learned_from: 1,
                hottest: 100.0,
                belief: Belief::of_unknown_boards().swap_remove(1),
            })
        })
        .clone()
}
