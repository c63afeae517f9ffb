//! The invariants of the lab, on random events at random times.
//!
//! A walk ([`walk`]) is a list of steps that proptest makes and shrinks: people, drivers, sensors, hoods, late
//! loops and plain nonsense, with two stations on one driver, a contactor on another one, and a shared supply.
//! Played against [`Lab::apply`], every single call is checked by every function below that is named as a sentence
//! ([`watch::Watch`] holds what they know). They know nothing of the core's inside: only what went in and what
//! came out, so that they would notice if the core forgot.
//!
//! A walk that fails is kept by its seed in `regressions.txt` beside this file, and is played first from then on.

mod alone;
mod walk;
mod watch;

use benchward_core::Lab;
use benchward_core::units::Millis;
use proptest::prelude::*;
use proptest::test_runner::{Config, FileFailurePersistence, RngAlgorithm, TestRng, TestRunner};

use alone::Alone;
use walk::{Step, World, setup, steps};
use watch::{Counts, Watch};

/// `PROPTEST_CASES` makes all of them longer or shorter; `share` is in percent of it, 256 where it isn't set.
fn config(share: u32) -> Config {
    let usual = Config::default();
    Config {
        cases: usual.cases * share / 100,
        failure_persistence: Some(Box::new(FileFailurePersistence::Direct(
            "tests/invariants/regressions.txt",
        ))),
        ..usual
    }
}

/// Plays a walk with every invariant checked after every call.
fn play(steps: &[Step]) -> Result<Counts, TestCaseError> {
    let mut watch = Watch::new();
    let mut world = World::new(Lab::new(setup(Vec::new())));
    for step in steps {
        world.step(step, &mut |before, now, event, after, actions| {
            watch.check(before, now, event, after, actions)
        })?;
    }
    Ok(watch.counts)
}

proptest! {
    #![proptest_config(config(60))]

    #[test]
    fn every_invariant_holds_on_every_walk(steps in steps()) {
        play(&steps)?;
    }
}

proptest! {
    #![proptest_config(config(20))]

    /// Invariant 4: what was decided can be decided again, to the bit.
    #[test]
    fn same_events_same_actions(steps in steps(), fork in 0_usize..200) {
        let mut log = Vec::new();
        let mut world = World::new(Lab::new(setup(Vec::new())));
        let mut copy = None;
        for step in &steps {
            world.step(step, &mut |before, now, event, _, actions| {
                if log.len() == fork {
                    copy = Some(before.clone());
                }
                // The debug form of a number is exact, and tells -0 from 0.
                log.push((now, event.clone(), format!("{actions:?}")));
                Ok(())
            })?;
        }
        let mut again = Lab::new(setup(Vec::new()));
        for (now, event, actions) in &log {
            prop_assert_eq!(&format!("{:?}", again.take(*now, event.clone())), actions);
        }
        prop_assert_eq!(format!("{:?}", again.view()), format!("{:?}", world.lab.view()));
        if let Some(mut copy) = copy {
            for (now, event, actions) in &log[fork..] {
                prop_assert_eq!(&format!("{:?}", copy.take(*now, event.clone())), actions);
            }
        }
    }

    /// A `now` that lies before one already seen is taken for that one.
    #[test]
    fn time_never_goes_back(steps in steps(), back in 1_u64..100_000) {
        let mut world = World::new(Lab::new(setup(Vec::new())));
        let mut latest = Millis::ZERO;
        world.step(&Step::AllUp, &mut |_, now, _, _, _| { latest = latest.max(now); Ok(()) })?;
        for step in &steps {
            world.step(step, &mut |before, now, event, after, actions| {
                let mut turned = before.clone();
                let earlier = Millis(latest.0.saturating_sub(back));
                if now <= latest {
                    prop_assert_eq!(format!("{:?}", turned.take(earlier, event.clone())), format!("{actions:?}"));
                    prop_assert_eq!(turned.wake_at(), after.wake_at());
                }
                latest = latest.max(now);
                prop_assert!(before.wake_at() <= after.wake_at(), "wake-up went back");
                Ok(())
            })?;
        }
    }
}

proptest! {
    #![proptest_config(config(30))]

    /// A lab that died at any moment comes up again with every trip that it had said to keep, and none of them
    /// lets heat through.
    #[test]
    fn no_trip_is_forgotten_over_a_restart(steps in steps(), more in steps()) {
        let mut watch = Watch::new();
        let mut world = World::new(Lab::new(setup(Vec::new())));
        for step in &steps {
            world.step(step, &mut |before, now, event, after, actions| {
                watch.check(before, now, event, after, actions)
            })?;
        }
        let standing = watch.standing();
        let mut after = Watch::after_restart(&standing);
        let mut world = World::new(Lab::new(setup(standing)));
        after.trips_are_those_of(&world.lab)?;
        for step in &more {
            world.step(step, &mut |before, now, event, lab, actions| after.check(before, now, event, lab, actions))?;
        }
    }
}

/// A run is decided again from what reached its station alone, beside stations that share its driver and its supply.
#[test]
fn a_run_is_decided_again_from_its_excerpt() {
    let config = config(20);
    let mut runner = TestRunner::new(config);
    let followed = std::cell::Cell::new((0, 0));
    runner
        .run(&steps(), |steps| {
            let mut lab = Lab::new(setup(Vec::new()));
            lab.note_supplies();
            let (mut alone, mut world) = (Alone::default(), World::new(lab));
            for step in &steps {
                world.step(step, &mut |before, now, event, after, actions| {
                    alone.check(before, now, event, after, actions)
                })?;
            }
            let (runs, actions) = followed.get();
            followed.set((runs + alone.followed.0, actions + alone.followed.1));
            Ok(())
        })
        .unwrap();
    let (runs, actions) = followed.get();
    assert!(
        runs > 20 && actions > 2_000,
        "{runs} runs with {actions} decisions are too few"
    );
}

/// The walks are worth something only if they get to where it matters. Always the same seed, so that this doesn't
/// depend on luck.
#[test]
fn walks_reach_what_matters() {
    let config = Config {
        cases: 400,
        failure_persistence: None,
        ..Config::default()
    };
    let mut runner = TestRunner::new_with_rng(config, TestRng::deterministic_rng(RngAlgorithm::ChaCha));
    let counts = std::cell::RefCell::new(Counts::default());
    runner
        .run(&steps(), |steps| {
            counts.borrow_mut().add(&play(&steps)?);
            Ok(())
        })
        .unwrap();
    let counts = counts.into_inner();
    let missing = counts.missing();
    assert!(
        missing.is_empty(),
        "no walk came to {missing:?}; all in all: {counts:#?}"
    );
}
