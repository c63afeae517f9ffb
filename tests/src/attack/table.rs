//! Every way, in the order of the manual's table of interlocks; then the daemon itself, and what surrounds it.

use std::time::Duration;

use rustix::process::{Signal, kill_process};

use super::around::{Around, Class};
use super::{After, Attack, CONTACTOR, Driver, Lab, PERMIT_MS, PLAIN, Seen, VICTIM};
use crate::clock::monotonic_ms;
use crate::recipe::HOLD;
use crate::record::changes;

/// Far away, so that the heat is full for long.
const CLIMB: &str = "recipe = \"hold\"\n[[stage]]\ntarget_celsius = 180\ndwell_s = 3600\n";
/// Nobody has to be there for longer.
const ATTENDED: &str =
    "recipe = \"hold\"\nabsent_after_s = 10\n[[stage]]\ntarget_celsius = 60\ndwell_s = 3600\n";
/// A board said to be that heavy may have all heat for a long time: no guard of a first run holds it back, and no model of
/// the first stage is there to miss the rise before.
const HEAVY: &str =
    "recipe = \"hold\"\nboard_grams = 20000\n[[stage]]\ntarget_celsius = 180\ndwell_s = 3600\n";
const SHORT: &str = "recipe = \"hold\"\nrun_s_max = 10\n[[stage]]\ntarget_celsius = 60\ndwell_s = 3600\n";

const BASE: Attack = Attack {
    cause: "",
    bound_ms: PERMIT_MS,
    scale: 1,
    driver: PLAIN,
    recipe: HOLD,
    warm: 0.0,
    seen: Seen::Cut,
    around: Around::Nothing,
    after: After::Dead,
    against: None,
    strike: |lab| lab.daemon.kill(),
    afterwards: |_| {},
};

const OPEN: Attack = Attack {
    cause: "a sensor breaks",
    bound_ms: 400.0,
    after: After::Tripped("sensor-fault"),
    strike: |lab| lab.fault(r#"{"kind":"open","input":"tc1"}"#),
    ..BASE
};

/// From the scan on, which trips at once: what is left is the daemon's own time and the scheduler's.
const BUSY: Attack = Attack {
    cause: "a scan of 300 °C while all cores are busy",
    bound_ms: 50.0,
    driver: Driver::Witness("hot"),
    around: Around::Load(Class::Plain),
    after: After::Tripped("over-temperature"),
    strike: |lab| {
        lab.trouble();
        lab.noted("hot")
    },
    ..BASE
};

/// The wall clock of the daemon is moved, and nothing comes of it; then a sensor breaks.
const MOVED: Attack = Attack {
    around: Around::WallClock,
    afterwards: |lab| lab.records_hold(),
    ..OPEN
};

/// All of them.
///
/// A bound is the interlock's own time, one scan until it shows, and one loop of the daemon (50 ms) until it acts.
pub const ATTACKS: &[Attack] = &[
    Attack {
        cause: "a channel reads 300 °C",
        bound_ms: 250.0,
        driver: Driver::Witness("hot"),
        after: After::Tripped("over-temperature"),
        strike: Lab::trouble,
        ..BASE
    },
    Attack {
        cause: "the ceiling is lowered below a hot board",
        bound_ms: 350.0,
        driver: Driver::Simulated("start_celsius = 55", ""),
        after: After::Tripped("over-temperature"),
        strike: |lab| {
            let at = monotonic_ms();
            let lowered = lab
                .client
                .ask(VICTIM, async |station| station.set_ceiling(45.0).await);
            lowered.expect("the owner may");
            at
        },
        ..BASE
    },
    Attack {
        cause: "nobody confirms presence for 10 s",
        bound_ms: 10_250.0,
        scale: 5,
        driver: Driver::Simulated("", "presence = \"pedal\""),
        recipe: ATTENDED,
        seen: Seen::Zero,
        after: After::Tripped("operator-absent"),
        strike: |lab| {
            let at = monotonic_ms();
            let confirmed = lab.client.ask(VICTIM, async |station| station.present().await);
            confirmed.expect("the owner may");
            at
        },
        ..BASE
    },
    OPEN,
    Attack {
        cause: "a converter doesn't answer",
        strike: |lab| lab.fault(r#"{"kind":"device","input":"tc2"}"#),
        ..OPEN
    },
    Attack {
        cause: "no scans",
        bound_ms: 600.0,
        after: After::Tripped("sensor-stale"),
        strike: |lab| lab.fault(r#"{"kind":"silence"}"#),
        ..BASE
    },
    Attack {
        cause: "a bead comes off a hot board",
        bound_ms: 22_000.0,
        scale: 10,
        recipe: CLIMB,
        warm: 80.0,
        after: After::Tripped("sensor-detached"),
        strike: |lab| lab.fault(r#"{"kind":"lifted","input":"tc1"}"#),
        ..BASE
    },
    Attack {
        cause: "a value stands still",
        bound_ms: 25_000.0,
        scale: 10,
        driver: Driver::Simulated("board_grams = 400", ""),
        recipe: CLIMB,
        warm: 50.0,
        after: After::Tripped("sensor-stuck"),
        strike: |lab| lab.fault(r#"{"kind":"stuck","input":"tc1"}"#),
        ..BASE
    },
    Attack {
        cause: "a cold junction of 80 °C",
        bound_ms: 400.0,
        driver: Driver::Witness("cold-junction"),
        after: After::Tripped("cold-junction"),
        strike: Lab::trouble,
        ..BASE
    },
    Attack {
        cause: "a channel rises by 12 °C/s",
        bound_ms: 3_250.0,
        driver: Driver::Witness("rise"),
        after: After::Tripped("rise-too-fast"),
        strike: Lab::trouble,
        ..BASE
    },
    Attack {
        // What the element has stored goes on warming the board for three of its time constants of 13 s.
        cause: "the heater is dead",
        bound_ms: 100_000.0,
        scale: 20,
        recipe: HEAVY,
        warm: 45.0,
        after: After::Tripped("no-response"),
        strike: |lab| lab.fault(r#"{"kind":"heater-dead"}"#),
        ..BASE
    },
    Attack {
        cause: "the heater conducts after the end of a run",
        bound_ms: 2_250.0,
        driver: Driver::Simulated("current = true", "current = \"amps\""),
        after: After::Tripped("heat-stuck-on"),
        strike: |lab| {
            lab.fault(r#"{"kind":"heater-stuck-on"}"#);
            let at = monotonic_ms();
            let ended = lab.client.ask(VICTIM, async |station| station.stop_run().await);
            ended.expect("the owner may");
            at
        },
        ..BASE
    },
    Attack {
        cause: "the driver is killed",
        bound_ms: 1_000.0,
        seen: Seen::Trip,
        after: After::Tripped("driver-lost"),
        strike: |lab| {
            let pid = lab.daemon.driver(&lab.place, VICTIM);
            let at = monotonic_ms();
            kill_process(pid, Signal::KILL).expect("the driver runs");
            at
        },
        ..BASE
    },
    Attack {
        cause: "the driver is killed, its contactor is another driver's",
        bound_ms: 1_000.0,
        driver: Driver::Simulated("", "contactor = \"switches/heat1\""),
        seen: Seen::Contactor,
        after: After::Tripped("driver-lost"),
        strike: |lab| {
            let pid = lab.daemon.driver(&lab.place, VICTIM);
            let at = monotonic_ms();
            kill_process(pid, Signal::KILL).expect("the driver runs");
            at
        },
        // The new process of the driver gives the contactor no reason to close.
        afterwards: |lab| {
            lab.client.wait_ready(&[VICTIM]);
            let commands = changes(&lab.place.record_file(CONTACTOR));
            let last = commands.last().map(|change| &*change.why);
            assert_eq!(last, Some("cut"), "nobody has reset: {commands:?}");
        },
        ..BASE
    },
    Attack {
        cause: "the driver gives up",
        bound_ms: 1_000.0,
        seen: Seen::Trip,
        after: After::Tripped("driver-lost"),
        strike: |lab| lab.fault(r#"{"kind":"failed"}"#),
        ..BASE
    },
    Attack {
        cause: "the driver hangs",
        seen: Seen::Zero,
        after: After::Tripped("sensor-stale"),
        strike: |lab| lab.fault(r#"{"kind":"hang"}"#),
        ..BASE
    },
    Attack {
        cause: "the driver talks garbage",
        seen: Seen::Zero,
        after: After::Tripped("sensor-stale"),
        strike: |lab| lab.fault(r#"{"kind":"garbage"}"#),
        ..BASE
    },
    Attack {
        cause: "the driver reads no more",
        driver: Driver::Witness("deaf"),
        seen: Seen::Zero,
        after: After::Tripped("driver-lost"),
        strike: Lab::trouble,
        ..BASE
    },
    Attack {
        cause: "the run takes longer than 10 s",
        bound_ms: 10_250.0,
        scale: 5,
        recipe: SHORT,
        seen: Seen::Zero,
        after: After::Tripped("run-too-long"),
        strike: |lab| {
            // The start was just before the first heat.
            let record = lab.place.record_file(VICTIM);
            let first = changes(&record).into_iter().find(|change| change.fraction > 0.0);
            first.map_or_else(monotonic_ms, |first| first.at_ms)
        },
        ..BASE
    },
    Attack {
        cause: "the hood is opened",
        bound_ms: 350.0,
        seen: Seen::Zero,
        after: After::Tripped("permissive-open"),
        strike: |lab| lab.fault(r#"{"kind":"hood-open"}"#),
        ..BASE
    },
    Attack {
        cause: "stop at the bench",
        bound_ms: 100.0,
        seen: Seen::Zero,
        after: After::Tripped("stop"),
        strike: |lab| {
            let at = monotonic_ms();
            let stopped = lab.client.ask(VICTIM, async |station| station.stop().await);
            stopped.expect("the owner may");
            at
        },
        ..BASE
    },
    Attack {
        cause: "the daemon is killed",
        seen: Seen::Zero,
        ..BASE
    },
    Attack {
        cause: "the daemon is stopped for 5 s",
        seen: Seen::Zero,
        after: After::Paused(5),
        strike: |lab| lab.daemon.pause(),
        ..BASE
    },
    Attack {
        // While its process is stopped, a driver's heat is its hardware's matter; what counts is the moment it goes on.
        cause: "all processes are stopped for 10 s",
        seen: Seen::Zero,
        after: After::AllPaused,
        strike: |lab| {
            let drivers = lab.daemon.drivers();
            for pid in &drivers {
                kill_process(*pid, Signal::STOP).expect("the driver runs");
            }
            lab.daemon.pause();
            std::thread::sleep(Duration::from_secs(10));
            let at = monotonic_ms();
            for pid in &drivers {
                kill_process(*pid, Signal::CONT).expect("the driver runs");
            }
            lab.daemon.go_on();
            at
        },
        ..BASE
    },
    Attack {
        cause: "a sensor breaks while a client calls 10,000 times a second",
        around: Around::Flood,
        ..OPEN
    },
    Attack {
        cause: "a sensor breaks while a client reads nothing",
        around: Around::Deaf,
        ..OPEN
    },
    Attack {
        cause: "a sensor breaks while the daemon can open no file",
        around: Around::NoFiles,
        ..OPEN
    },
    Attack {
        cause: "a sensor breaks while the archive's disk is full",
        around: Around::FullDisk,
        ..OPEN
    },
    Attack {
        cause: "a sensor breaks while the archive's disk stalls for 5 s",
        around: Around::StalledDisk,
        afterwards: |lab| lab.records_hold(),
        ..OPEN
    },
    Attack {
        cause: "a sensor breaks while 64 drivers crash again and again",
        around: Around::Crashing,
        ..OPEN
    },
    Attack {
        cause: "a sensor breaks after the wall clock went 1 h ahead",
        strike: |lab| lab.moves_wall_clock(3_600),
        ..MOVED
    },
    Attack {
        cause: "a sensor breaks after the wall clock went 1 h back",
        strike: |lab| lab.moves_wall_clock(-3_600),
        ..MOVED
    },
    Attack {
        cause: "a sensor breaks after the wall clock went a month ahead",
        strike: |lab| lab.moves_wall_clock(31 * 86_400),
        ..MOVED
    },
    Attack {
        cause: "a sensor breaks while all cores are busy",
        around: Around::Load(Class::Plain),
        ..OPEN
    },
    BUSY,
    Attack {
        cause: "... and the lab runs at nice -10",
        around: Around::Load(Class::Nice),
        against: Some(BUSY.cause),
        ..BUSY
    },
    Attack {
        cause: "... and the lab runs in SCHED_RR",
        around: Around::Load(Class::RoundRobin),
        against: Some(BUSY.cause),
        ..BUSY
    },
    Attack {
        cause: "the daemon is stopped while all cores are busy",
        seen: Seen::Zero,
        around: Around::Load(Class::Plain),
        after: After::Paused(5),
        strike: |lab| lab.daemon.pause(),
        ..BASE
    },
];
