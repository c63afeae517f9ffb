//! Learning a board from runs that the model itself made: what is learned has to be what made them, and runs that tell too little
//! have to be refused with what they lack.

use benchward_core::model::learn::{Learned, NothingLearned, SD_MIN, Sample, learn};
use benchward_core::model::{Belief, Model, PARAMETERS, Parameter, State, Theta};

const ROOM: f64 = 24.0;
/// Seconds between readings.
const DT: f64 = 0.5;
/// Holds of heat, seconds and share: a ramp, two dwells at different powers, a second ramp, and the cool-down.
const RUN: [(f64, f64); 5] = [
    (90.0, 0.9),
    (200.0, 0.25),
    (60.0, 0.7),
    (250.0, 0.35),
    (700.0, 0.0),
];

/// Evenly spread over ±`most`, and the same every time.
fn noise(most: f64) -> impl FnMut() -> f64 {
    // Knuth's constants for a linear congruence modulo 2^64 (*The Art of Computer Programming* vol. 2, 3.3.4; from memory).
    let mut state = 7_u64;
    move || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        let high = u32::try_from(state >> 32).expect("32 bits");
        most * (2.0 * f64::from(high) / f64::from(u32::MAX) - 1.0)
    }
}

/// Readings of a board of these parameters that starts at `start` °C in a room of `room` °C.
fn run(
    theta: &Theta,
    room: f64,
    start: f64,
    holds: &[(f64, f64)],
    mut noise: impl FnMut() -> f64,
) -> Vec<Sample> {
    let model = Model::new(theta, room);
    let mut state = State::at_rest(start);
    let mut samples = vec![Sample {
        dt: 0.0,
        heat: 0.0,
        celsius: start,
    }];
    for (seconds, heat) in holds {
        let mut left = *seconds;
        while left > 0.0 {
            model.advance(&mut state, DT, *heat);
            samples.push(Sample {
                dt: DT,
                heat: *heat,
                celsius: state.reading + noise(),
            });
            left -= DT;
        }
    }
    samples
}

/// A board that isn't the one that was believed in: each parameter off by 0.6 standard deviations, up and down in turn.
fn board(belief: &Belief) -> Theta {
    Theta::from_fn(|at, _| belief.mean[at] + belief.sd[at] * if at % 2 == 0 { 0.6 } else { -0.6 })
}

/// The board of the ceramic radiator.
fn one_board() -> Theta {
    board(&Belief::of_unknown_boards()[1])
}

#[test]
fn the_parameters_that_made_a_run_are_learned_for_every_kind_of_heater() {
    for (kind, belief) in Belief::of_unknown_boards().iter().enumerate() {
        let truth = board(belief);
        let learned = learn(&run(&truth, ROOM, ROOM, &RUN, noise(0.2)), ROOM).expect("a board");
        let Learned {
            belief: found,
            rms,
            worst,
            ..
        } = &learned;
        for at in 0..PARAMETERS {
            let off = found.mean[at] - truth[at];
            assert!(
                off.abs() <= 3.0 * found.sd[at],
                "kind {kind}: {:?} is off by {off}, standard error {}",
                Parameter::ALL[at],
                found.sd[at]
            );
        }
        // The two that control leans on most were believed 42 and 30 % off.
        for at in [Parameter::Rise as usize, Parameter::Loss as usize] {
            let off = found.mean[at] - truth[at];
            assert!(
                off.abs() < 0.08,
                "kind {kind}: {:?} is off by {off}",
                Parameter::ALL[at]
            );
        }
        // Even noise of ±0.2 °C has a root mean square of 0.2 / √3 °C.
        assert!(*rms < 0.13, "kind {kind}: misses by {rms} °C");
        assert!(*worst < 0.5, "kind {kind}: misses by {worst} °C at most");
    }
}

#[test]
fn a_longer_run_has_smaller_standard_errors() {
    let truth = one_board();
    let all = run(&truth, ROOM, ROOM, &RUN, || 0.0);
    let mut before: Option<Theta> = None;
    for seconds in [100, 300, 600, 1300] {
        let samples = &all[..=2 * seconds];
        let sd = learn(samples, ROOM).expect("a board").belief.sd;
        assert!(sd.iter().all(|sd| *sd >= SD_MIN));
        if let Some(before) = before {
            for at in 0..PARAMETERS {
                // They are worked out at what was found, which moves a little too.
                assert!(
                    sd[at] <= 1.05 * before[at],
                    "{:?}: {} after {seconds} s, {} before",
                    Parameter::ALL[at],
                    sd[at],
                    before[at]
                );
            }
            assert!(
                sd.sum() < 0.97 * before.sum(),
                "{seconds} s: {sd:?}, before {before:?}"
            );
        }
        before = Some(sd);
    }
}

/// Why nothing is learned, in words.
fn refused(samples: &[Sample], room: f64) -> (NothingLearned, String) {
    let why = learn(samples, room).expect_err("too little to learn from");
    let text = why.to_string();
    (why, text)
}

#[test]
fn a_run_without_heat_is_refused() {
    // The readings of a heated run whose heat was never granted: somebody else warmed the board.
    let mut samples = run(&one_board(), ROOM, ROOM, &RUN, || 0.0);
    for sample in &mut samples {
        sample.heat = 0.0;
    }
    let (why, text) = refused(&samples, ROOM);
    assert_eq!(why, NothingLearned::NoHeat);
    assert!(text.contains("no heat was given"), "{text}");
    assert!(text.contains("a ramp at more than half heat"), "{text}");

    // A hot board that only cools.
    let (why, _) = refused(&run(&one_board(), ROOM, 150.0, &[(600.0, 0.0)], || 0.0), ROOM);
    assert_eq!(why, NothingLearned::NoHeat);
}

#[test]
fn a_run_that_is_too_short_is_refused() {
    let all = run(&one_board(), ROOM, ROOM, &RUN, || 0.0);
    let (why, text) = refused(&all[..59], ROOM);
    assert_eq!(
        why,
        NothingLearned::Short {
            samples: 59,
            needed: 60
        }
    );
    assert!(
        text.contains("59 readings") && text.contains("let a run heat for a minute"),
        "{text}"
    );
    assert!(matches!(
        refused(&[], ROOM).0,
        NothingLearned::Short { samples: 0, .. }
    ));
}

#[test]
fn readings_that_never_move_are_refused() {
    let mut samples = run(&one_board(), ROOM, ROOM, &RUN, || 0.0);
    for sample in &mut samples {
        sample.celsius = ROOM;
    }
    let (why, text) = refused(&samples, ROOM);
    assert_eq!(why, NothingLearned::NoRise { rise: 0.0 });
    assert!(
        text.contains("rose by 0.0 °C") && text.contains("a run that reaches a target"),
        "{text}"
    );
}

/// A cold board that the room warms, with a trace of heat.
#[test]
fn a_run_with_a_trace_of_heat_lacks_a_ramp() {
    let samples = run(&one_board(), 60.0, 10.0, &[(600.0, 0.001)], || 0.0);
    let (why, text) = refused(&samples, 60.0);
    assert_eq!(why, NothingLearned::Unsupported(vec![Parameter::Rise]));
    assert!(
        text.contains("the run doesn't show how fast full power warms the board"),
        "{text}"
    );
    assert!(text.contains("a ramp at more than half heat"), "{text}");
}

/// A sensor that reads something else than a board's temperature.
#[test]
fn readings_that_no_board_makes_are_refused() {
    let mut samples = run(&one_board(), ROOM, ROOM, &RUN, || 0.0);
    for (at, sample) in samples.iter_mut().enumerate() {
        sample.celsius = if at % 40 < 20 { ROOM } else { ROOM + 120.0 };
    }
    let (why, text) = refused(&samples, ROOM);
    assert!(matches!(why, NothingLearned::Unexplained { .. }), "{why:?}");
    assert!(text.contains("a sensor that came off"), "{text}");
}

/// What a run didn't show stays as it was believed, and isn't called determined.
#[test]
fn only_what_a_run_shows_is_determined() {
    let all = run(&one_board(), ROOM, ROOM, &RUN, noise(0.2));
    let ramp = learn(&all[..=180], ROOM).expect("a board").determined;
    assert!(ramp.contains(&Parameter::Rise), "{ramp:?}");
    for later in [Parameter::WarmUp, Parameter::SlowShare, Parameter::SlowLag] {
        assert!(
            !ramp.contains(&later),
            "a ramp alone doesn't show {later:?}: {ramp:?}"
        );
    }
    let whole = learn(&all, ROOM).expect("a board").determined;
    for shown in [
        Parameter::Rise,
        Parameter::WarmUp,
        Parameter::SlowShare,
        Parameter::SlowLag,
    ] {
        assert!(whole.contains(&shown), "a whole run shows {shown:?}: {whole:?}");
    }
}
