//! Liveness: from every state there is a way back to heat that takes nothing but the right persons.

use benchward_core::units::{Celsius, Fraction, Millis};
use benchward_core::{Ask, Event, LimitName, OutputId, Seq};

use super::layout::{CEILING, WARM};
use super::{Reading, Who, World, id, narrow};

impl World {
    /// Whether there is a way back: every cause is taken away, the roles reset, and a person starts or resumes. Plays it
    /// on a copy.
    pub fn way_back(&self) -> Result<(), String> {
        let mut world = self.clone();
        world.putting_off = false;
        for driver in 0..world.drivers() {
            if !world.drivers[driver].up {
                world.start_driver(driver);
            }
            world.drivers[driver].answering = true;
        }
        for at in 0..world.outputs.len() {
            let output = OutputId(narrow(at));
            // Everything it was told is confirmed.
            (world.outputs[at].refused, world.outputs[at].unanswered) = (false, None);
            world.apply(&Event::Applied {
                output,
                seq: Some(Seq(u64::MAX)),
                fraction: Fraction::ZERO,
                lapsed: false,
            });
            world.outputs[at].heat = None;
        }
        for bench in &mut world.benches {
            (bench.reading, bench.celsius, bench.hood, bench.amps) = (Reading::Good, WARM, true, false);
        }
        world.ask(Who::Safe, Ask::SetLabCeiling(Celsius::constant(CEILING)));
        for limit in LimitName::ALL {
            world.ask(Who::Safe, Ask::SetLimit(limit, None));
        }
        // Until every reading from before has left the windows of two and three seconds.
        for _ in 0..9 {
            for station in 0..world.stations() {
                world.ask(Who::Op, Ask::Present(id(station)));
            }
            world.later(Millis(400));
            world.apply(&Event::Tick);
            for station in 0..world.stations() {
                world.scan(station, None);
            }
        }
        for station in 0..world.stations() {
            let there = id(station);
            let cut = world.is_cut(station);
            world.ask(if cut { Who::Safe } else { Who::Op }, Ask::Reset(there));
            if world.latched(station) {
                let trips: Vec<_> = world.kept.trips.keys().map(|(_, name)| name.text()).collect();
                return Err(format!("bench-{} can't be reset: {trips:?}", station + 1));
            }
        }
        // One station's alarm holds all of them back.
        for station in 0..world.stations() {
            let there = id(station);
            if world.suspended(station) {
                world.ask(Who::Op, Ask::Resume(there));
            }
            if !world.heating(station) {
                world.ask(Who::Op, Self::start(there));
            }
        }
        let mut heated = world.heated();
        for station in 0..world.stations() {
            if !heated[station] {
                // A control that has seen a board jump about may hold back for long; one that begins anew has no reason.
                let there = id(station);
                world.ask(Who::Op, Ask::StopRun(there));
                world.ask(Who::Op, Self::start(there));
                heated = world.heated();
            }
        }
        match heated.iter().position(|heated| !heated) {
            Some(station) => Err(format!(
                "bench-{} doesn't heat: {:?}",
                station + 1,
                world
                    .view(station)
                    .map(|view| (view.phase, view.heat, view.control))
            )),
            None => Ok(()),
        }
    }

    /// Which stations have heat within two seconds.
    fn heated(&mut self) -> Vec<bool> {
        let mut heated = vec![false; self.stations()];
        for _ in 0..20 {
            self.tick();
            self.tick();
            for (station, heated) in heated.iter_mut().enumerate() {
                self.scan(station, None);
                *heated |= self.hot(station);
            }
            if heated.iter().all(|heated| *heated) {
                break;
            }
        }
        heated
    }
}
