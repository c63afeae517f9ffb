//! The interlocks on simulated benches: on a hundred healthy ones none of them may act, whatever the board, the heater,
//! the converter and the draft; and each fault has to be seen, by the interlock that is there for it.
//!
//! The benches are `drivers/simulated`'s: seven thermal nodes, radiation, sensors with lag, noise and steps. Their figures
//! are plausible and not measured, so what is proved here is that the rules hold on a family of plants, not on a bench.
//!
//! `cargo test -p benchward-core --test plants -- --nocapture` prints how long each fault took to be seen.

mod plant;

use std::sync::Arc;

use benchward_core::interlock::InterlockName;
use benchward_driver_simulated::faults::{Fault, Kind};
use benchward_driver_simulated::{Channels, HeaterKind, Node, PerSensor, Settings};
use plant::{Plant, Trip};

const KINDS: [HeaterKind; 4] = [
    HeaterKind::Lamp,
    HeaterKind::Ceramic,
    HeaterKind::Plate,
    HeaterKind::Air,
];

/// Masses spread evenly by their logarithm from 21 to 950 g.
fn grams(share: f64) -> f64 {
    21.0 * (950.0_f64 / 21.0).powf(share)
}

/// A bench that suits the board: 300 W and 1.3 W a gram, 1500 W at most.
fn watts(grams: f64) -> f64 {
    (300.0 + 1.3 * grams).min(1500.0)
}

/// The `n`th bench of a family in which everything varies at once.
fn bench(n: u32) -> Settings {
    let share = |of: u32| f64::from(n % of) / f64::from(of - 1);
    let grams = grams(share(10));
    let places = [
        vec![Node::TopCentre],
        vec![Node::TopCentre, Node::TopEdge],
        vec![Node::TopCentre, Node::Component],
        vec![Node::TopCentre, Node::TopEdge, Node::BottomCentre],
        vec![Node::Component, Node::BottomEdge],
    ];
    Settings {
        board_grams: grams,
        heater: KINDS[n as usize / 10 % 4],
        watts: watts(grams),
        noise_celsius: [0.0, 0.05, 0.2][n as usize % 3],
        step_celsius: [1.0 / 128.0, 1.0 / 16.0, 0.25][n as usize / 3 % 3],
        rate_hz: [1.0, 4.0, 10.0, 20.0][n as usize / 7 % 4],
        sensor_lag_s: PerSensor::All(0.3 + 1.7 * share(7)),
        contact_error: PerSensor::All(0.04 * share(5)),
        channels: Channels::Places(places[n as usize % 5].clone()),
        draft: [0.0, 0.05, 0.12][n as usize / 2 % 3],
        mains_wander: 0.02 * share(3),
        seed: u64::from(n) + 1,
        ..Settings::default()
    }
}

const STAGES: &str = "control = \"hottest\"\n[[stage]]\ntarget_celsius = 60\ndwell_s = 45\n\
                      [[stage]]\ntarget_celsius = 120\ndwell_s = 90\n[[stage]]\ntarget_celsius = 80\ndwell_s = 60\n";

/// A whole healthy run with a draft of 30 s in the first ramp, in a dwell or in between, and the cool-down after it.
fn healthy(n: u32) -> Vec<Trip> {
    let mut plant = Plant::new(&bench(n), STAGES);
    plant.start();
    let draft_at = [20.0, 90.0, 200.0, 330.0][n as usize / 4 % 4];
    plant.run_to(draft_at);
    // 2.5 times the convection and air that is 3 °C colder: as much heat is lost as at 3 times the convection from 18 °C
    // above the room on.
    plant.bench.draft(3.0);
    plant.run_to(draft_at + 30.0);
    plant.bench.draft(1.0);
    plant.run_to(900.0);
    plant.trips
}

fn no_healthy_bench_trips(heater: u32) {
    let trips: Vec<String> = (0..25)
        .map(|n| n / 10 * 40 + heater * 10 + n % 10)
        .flat_map(|n| {
            healthy(n).into_iter().map(move |trip| {
                format!(
                    "bench {n} at {:.1} s: `{}`: {}",
                    trip.at_s, trip.interlock, trip.text
                )
            })
        })
        .collect();
    assert!(trips.is_empty(), "{} trips:\n{}", trips.len(), trips.join("\n"));
}

// A test per kind of heater, so that they run side by side.
#[test]
fn no_healthy_bench_with_lamps_trips() {
    no_healthy_bench_trips(0);
}

#[test]
fn no_healthy_bench_with_ceramic_elements_trips() {
    no_healthy_bench_trips(1);
}

#[test]
fn no_healthy_bench_with_a_plate_trips() {
    no_healthy_bench_trips(2);
}

#[test]
fn no_healthy_bench_with_hot_air_trips() {
    no_healthy_bench_trips(3);
}

/// What goes wrong, when, and what has to act within which time.
struct Cause<'a> {
    what: &'a str,
    interlock: InterlockName,
    /// What may act before it, and is right too.
    or: Option<InterlockName>,
    /// After the start of the run, s; none: on an idle bench.
    after_s: Option<f64>,
    within_s: f64,
    fault: &'a dyn Fn(&mut Plant),
}

/// Causes it on twelve benches of all kinds and masses, and prints how long it took to be seen. `change`: what is
/// different about these benches.
#[expect(
    clippy::disallowed_macros,
    reason = "a test may say how long it took; the core may not"
)]
fn is_seen(cause: &Cause<'_>, change: impl Fn(&mut Settings)) {
    let mut delays = Vec::new();
    let mut wrong = Vec::new();
    for n in 0..12 {
        let n = n * 7 + 1;
        let mut settings = bench(n);
        change(&mut settings);
        // The interlocks by themselves: so heavy that the guard of a first run holds nothing back, and what it asks is confirmed.
        let stages =
            "board_grams = 20000\ncontrol = \"tc1\"\n[[stage]]\ntarget_celsius = 150\ndwell_s = 3000\n";
        let mut plant = Plant::new(&settings, stages);
        if let Some(after) = cause.after_s {
            plant.start();
            plant.run_to(2.0 + after);
        }
        let from = plant.now_s();
        let bench = format!("bench {n} ({:?}, {:.0} g)", settings.heater, settings.board_grams);
        assert!(
            plant.trips.is_empty(),
            "{}: {bench} before: {:?}",
            cause.what,
            plant.trips
        );
        (cause.fault)(&mut plant);
        match plant.until_trip(from, from + cause.within_s) {
            Some(trip) if trip.interlock == cause.interlock || Some(trip.interlock) == cause.or => {
                delays.push(trip.at_s - from);
            }
            other => wrong.push(format!("{bench}: {other:?}")),
        }
    }
    delays.sort_by(f64::total_cmp);
    eprintln!(
        "{}: `{}` in {} of {}, median {:.1} s, longest {:.1} s",
        cause.what,
        cause.interlock,
        delays.len(),
        delays.len() + wrong.len(),
        delays.get(delays.len() / 2).copied().unwrap_or(f64::NAN),
        delays.last().copied().unwrap_or(f64::NAN)
    );
    assert!(wrong.is_empty(), "{}:\n{}", cause.what, wrong.join("\n"));
}

fn two_channels(settings: &mut Settings) {
    settings.channels = Channels::Places(vec![Node::TopCentre, Node::TopEdge]);
}

fn one_channel(settings: &mut Settings) {
    settings.channels = Channels::Places(vec![Node::TopCentre]);
}

fn peel(over_s: f64) -> impl Fn(&mut Plant) {
    move |plant| {
        plant.bench.cause(Fault {
            over_s: Some(over_s),
            ..Fault::of(Kind::Peel, "tc1")
        });
    }
}

#[test]
fn a_bead_on_the_element_is_seen() {
    let cause = Cause {
        what: "bead on a lamp, from the start",
        interlock: InterlockName::RiseTooFast,
        or: None,
        after_s: Some(0.0),
        within_s: 10.0,
        fault: &|_| {},
    };
    is_seen(&cause, |settings| {
        settings.heater = HeaterKind::Lamp;
        settings.channels = Channels::Places(vec![Node::Element]);
    });
}

#[test]
fn a_stuck_value_is_seen() {
    let cause = Cause {
        what: "value stuck 60 s into the first ramp",
        interlock: InterlockName::SensorStuck,
        or: None,
        after_s: Some(60.0),
        within_s: 61.0,
        fault: &|plant| plant.bench.cause(Fault::of(Kind::Stuck, "tc1")),
    };
    is_seen(&cause, one_channel);
}

#[test]
fn a_peeling_tape_is_seen() {
    for (what, over_s, within_s) in [
        ("tape peels over 2 s, one channel", 2.0, 10.0),
        ("tape peels over 5 s, one channel", 5.0, 15.0),
    ] {
        let cause = Cause {
            what,
            interlock: InterlockName::SensorDetached,
            or: None,
            after_s: Some(120.0),
            within_s,
            fault: &peel(over_s),
        };
        is_seen(&cause, one_channel);
    }
}

/// Ten degrees in twenty seconds are no faster than a board may cool: by rules alone nothing acts on one channel. The model knows better,
/// and says which channel, by how much and against what.
#[test]
fn on_a_known_board_a_slowly_peeling_tape_is_seen_by_the_model() {
    let mut settings = bench(8);
    one_channel(&mut settings);
    let stages = "board_grams = 20000\ncontrol = \"tc1\"\n[[stage]]\ntarget_celsius = 120\ndwell_s = 3000\n";
    let mut first = Plant::new(&settings, stages);
    first.start();
    let model = first.learned(400.0);
    assert!(first.trips.is_empty(), "{:?}", first.trips);

    let mut plant = Plant::new(&settings, stages);
    plant.start_with(Some(Arc::new(model)));
    plant.run_to(300.0);
    assert!(plant.trips.is_empty(), "{:?}", plant.trips);
    peel(20.0)(&mut plant);
    let trip = plant.until_trip(300.0, 360.0).expect("it is seen");
    assert_eq!(trip.interlock, InterlockName::SensorDetached, "{trip:?}");
    let says = |part: &str| assert!(trip.text.contains(part), "{part}: {trip:?}");
    says("channel tc1 reads -");
    says("from what the board model expects");
    says(", limit -");
}

/// Half-way up a first ramp a reading falls by a few degrees and rises on at less than half of its rate: the model is in
/// doubt, and that no board does so decides it.
#[test]
fn on_a_known_board_a_bead_that_loses_most_of_its_contact_early_is_seen() {
    for n in [1, 5, 9, 13, 17, 21] {
        let mut settings = bench(n);
        one_channel(&mut settings);
        let stages =
            "board_grams = 20000\ncontrol = \"tc1\"\n[[stage]]\ntarget_celsius = 50\ndwell_s = 3000\n";
        let mut first = Plant::new(&settings, stages);
        first.start();
        let model = first.learned(300.0);
        assert!(first.trips.is_empty(), "bench {n}: {:?}", first.trips);

        let mut plant = Plant::new(&settings, stages);
        plant.start_with(Some(Arc::new(model)));
        while plant.celsius() < 36.0 {
            plant.run_to(plant.now_s() + 0.25);
        }
        assert!(plant.trips.is_empty(), "bench {n}: {:?}", plant.trips);
        plant.bench.cause(Fault {
            lost: Some(0.6),
            ..Fault::of(Kind::Lifted, "tc1")
        });
        let from = plant.now_s();
        let trip = plant.until_trip(from, from + 10.0);
        assert!(
            trip.as_ref()
                .is_some_and(|trip| trip.interlock == InterlockName::SensorDetached),
            "bench {n} ({:?}, {:.0} g): {trip:?}",
            settings.heater,
            settings.board_grams
        );
    }
}

#[test]
fn a_slowly_peeling_tape_is_seen_beside_another_channel() {
    for (what, over_s, within_s) in [
        ("tape peels over 20 s, two channels", 20.0, 30.0),
        ("tape peels over 40 s, two channels", 40.0, 60.0),
    ] {
        let cause = Cause {
            what,
            interlock: InterlockName::SensorDetached,
            or: None,
            after_s: Some(120.0),
            within_s,
            fault: &peel(over_s),
        };
        is_seen(&cause, two_channels);
    }
}

#[test]
fn a_dead_heater_is_seen() {
    for (what, after_s, within_s) in [
        ("heater dead from the start", 0.0, 62.0),
        ("heater dies 60 s into the ramp", 60.0, 240.0),
    ] {
        let cause = Cause {
            what,
            interlock: InterlockName::NoResponse,
            or: Some(InterlockName::SensorStuck),
            after_s: Some(after_s),
            within_s,
            fault: &|plant| plant.bench.cause(Fault::now(Kind::HeaterDead)),
        };
        is_seen(&cause, one_channel);
    }
}

#[test]
fn a_heater_that_is_stuck_on_is_seen() {
    let stuck = |plant: &mut Plant| plant.bench.cause(Fault::now(Kind::HeaterStuckOn));
    let mut cause = Cause {
        what: "heater stuck on at an idle bench",
        interlock: InterlockName::HeatStuckOn,
        or: None,
        after_s: None,
        within_s: 180.0,
        fault: &stuck,
    };
    is_seen(&cause, two_channels);
    cause.what = "heater stuck on at an idle bench, current measured";
    cause.within_s = 4.0;
    is_seen(&cause, |settings| settings.current = true);
}
