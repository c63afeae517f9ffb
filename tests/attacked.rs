//! The attacks of `tests/attack`, once each: what has to hold on a machine however loaded. How long it takes is for `tests/attack`
//! to judge; only the permit is judged here, since it bounds everything that can happen to a daemon.
//!
//! Those that `faults` has, and those that take a minute, are left to the command.

use std::sync::{PoisonError, RwLock};
use std::time::Instant;

use benchward_tests::attack::{ATTACKS, PERMIT_MS};

/// For a driver that wakes late on a machine that is busy on purpose.
const SLACK_MS: f64 = 500.0;

/// Written by what takes all cores: it would be an attack on the other tests here as well.
static CORES: RwLock<()> = RwLock::new(());

fn holds(causes: &[&str]) {
    for cause in causes {
        let _shared = CORES.read().unwrap_or_else(PoisonError::into_inner);
        once(cause);
    }
}

fn once(cause: &str) {
    let attack = ATTACKS.iter().find(|attack| attack.cause == cause);
    let attack = attack.unwrap_or_else(|| panic!("no attack `{cause}`"));
    let began = Instant::now();
    let Some(tried) = attack.once() else {
        println!("not tested here: {cause}: this machine doesn't let us");
        return;
    };
    let took = tried.off_ms;
    println!(
        "{cause}: {took:.0} ms to zero heat, bound {:.0}; beside {:?} ms; tried in {:?}",
        attack.bound_ms,
        tried.beside_ms,
        began.elapsed()
    );
    if cause.starts_with("the daemon is") || cause.starts_with("all processes") {
        assert!(took <= PERMIT_MS + SLACK_MS, "{cause}: {took:.0} ms to zero heat");
    }
}

#[test]
fn interlocks_that_take_no_model_and_no_minute() {
    holds(&[
        "a channel reads 300 °C",
        "the ceiling is lowered below a hot board",
        "nobody confirms presence for 10 s",
        "a converter doesn't answer",
        "no scans",
        "a cold junction of 80 °C",
        "a channel rises by 12 °C/s",
        "the heater conducts after the end of a run",
        "the run takes longer than 10 s",
        "the hood is opened",
        "stop at the bench",
    ]);
}

#[test]
fn clients_files_and_disks_that_are_no_help() {
    holds(&[
        "a sensor breaks while a client calls 10,000 times a second",
        "a sensor breaks while a client reads nothing",
        "a sensor breaks while the daemon can open no file",
        "a sensor breaks while the archive's disk is full",
        "a sensor breaks while the archive's disk stalls for 5 s",
    ]);
}

#[test]
fn other_drivers_that_fail() {
    holds(&[
        "the driver is killed, its contactor is another driver's",
        "a sensor breaks while 64 drivers crash again and again",
    ]);
}

#[test]
fn a_heater_that_is_dead() {
    holds(&["the heater is dead"]);
}

#[test]
fn a_wall_clock_that_jumps() {
    holds(&[
        "a sensor breaks after the wall clock went 1 h ahead",
        "a sensor breaks after the wall clock went 1 h back",
        "a sensor breaks after the wall clock went a month ahead",
    ]);
}

#[test]
fn cores_that_are_busy() {
    let _alone = CORES.write().unwrap_or_else(PoisonError::into_inner);
    for cause in [
        "a scan of 300 °C while all cores are busy",
        "... and the lab runs at nice -10",
        "... and the lab runs in SCHED_RR",
    ] {
        once(cause);
    }
}

#[test]
fn processes_that_stand_still() {
    holds(&[
        "the daemon is stopped for 5 s",
        "all processes are stopped for 10 s",
    ]);
}
