//! What can go wrong, caused for real, with the time to zero heat taken from the driver's own record.
//!
//! Each attempt has a lab of its own: `bench-1` is attacked, `bench-2` heats beside it. What has to hold on any machine,
//! however loaded, is asserted here: the interlock trips, the heat is zero and stays it, the other bench goes on. How long
//! it took is returned, for the caller to print or to judge.

mod around;
mod table;

use std::fs;
use std::time::Duration;

use rustix::process::{Signal, kill_process};

pub use self::table::ATTACKS;

use self::around::Around;
use crate::client::Client;
use crate::clock::{monotonic_ms, wall_ms, wall_of};
use crate::daemon::Daemon;
use crate::fault;
use crate::place::{Place, quoted};
use crate::recipe::{HOLD, HOLD_NAME};
use crate::record::{changes, longest_gap_ms, wait_for_heat, wait_for_zero};
use crate::wait::{wait_for, wait_until, wait_within};

const VICTIM: &str = "bench-1";
const OTHER: &str = "bench-2";
/// The instance that holds the attacked bench's contactor, if that is another one.
const CONTACTOR: &str = "switches";

/// Longest permit, in real time: what bounds everything that can happen to a daemon.
pub const PERMIT_MS: f64 = 1_500.0;

/// Longest time between two heat commands at a bench that isn't attacked: five scans. One that waited for another would be
/// without for as long as that lasts, a second and more.
pub const UNDISTURBED_MS: f64 = 500.0;

/// Readings of a run may be so far apart at most when nothing was lost: the machine may be busy.
const APART_S: f64 = 2.0;

/// What tells that the heat is off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Seen {
    /// The cut in the driver's record.
    Cut,
    /// Zero in the driver's record.
    Zero,
    /// The cut in the record of the driver that holds the contactor.
    Contactor,
    /// The trip in the journal: the process that would keep a record is gone, and its hardware's own timeout counts.
    Trip,
}

/// How the daemon is afterwards.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum After {
    /// It has tripped this interlock at the attacked bench.
    Tripped(&'static str),
    /// It was stopped for so many seconds; then `clock` trips and no heat comes back.
    Paused(u64),
    /// It and its drivers were stopped, and go on again.
    AllPaused,
    /// It is dead.
    Dead,
}

/// One way to attack a lab.
pub struct Attack {
    /// What is done.
    pub cause: &'static str,
    /// Longest time to zero heat by the design, in ms of the lab's time; what the permit bounds, in real time.
    pub bound_ms: f64,
    /// Lab seconds a second: what takes minutes is attacked in a faster lab, of simulated benches only.
    pub scale: u32,
    driver: Driver,
    recipe: &'static str,
    /// How hot the attacked board is first, °C.
    warm: f64,
    seen: Seen,
    around: Around,
    after: After,
    /// The attack that this one is a variant of, with which it is compared.
    pub against: Option<&'static str>,
    strike: fn(&mut Lab) -> f64,
    /// What else has to hold when the heat is off.
    afterwards: fn(&mut Lab),
}

/// What came of one attempt.
#[derive(Debug, Clone, Copy)]
pub struct Tried {
    /// From the cause to zero heat, ms of the lab's time.
    pub off_ms: f64,
    /// Longest time that the other bench was without a heat command meanwhile, ms; where its driver puts each command down and
    /// the daemon wasn't stopped.
    pub beside_ms: Option<f64>,
}

/// What heats the attacked bench.
#[derive(Debug, Clone, Copy)]
enum Driver {
    /// A simulated bench with these settings and these lines of wiring.
    Simulated(&'static str, &'static str),
    /// The driver in another language, with the trouble that it will have.
    Witness(&'static str),
}

/// A lab that is attacked.
struct Lab {
    daemon: Daemon,
    client: Client,
    place: Place,
}

const PLAIN: Driver = Driver::Simulated("", "");

impl Lab {
    /// A fault of the simulated bench. Returns the moment before.
    fn fault(&mut self, fault: &str) -> f64 {
        let at = monotonic_ms();
        fault::cause(&self.place.control(VICTIM), fault);
        at
    }

    /// The trouble of the witness. Returns the moment before.
    fn trouble(&mut self) -> f64 {
        let at = monotonic_ms();
        fs::write(self.place.trouble(VICTIM), "").expect("the folder is ours");
        at
    }

    /// Moves the wall clock of the daemon, looks that nothing comes of it, and breaks a sensor. Returns the moment before that.
    fn moves_wall_clock(&mut self, seconds: i64) -> f64 {
        let left = |lab: &Self, station| lab.client.station(station).presence_left_s;
        let (at, left_before) = (monotonic_ms(), [VICTIM, OTHER].map(|station| left(self, station)));
        around::move_wall_clock(&self.place, seconds);
        wait_until("the step of the wall clock in the journal", || {
            self.client
                .journal()
                .iter()
                .any(|entry| entry.kind == "wall-clock")
        });
        // Longer than any permit, and than any interlock that takes no minute.
        std::thread::sleep(Duration::from_secs(2));
        for (station, before) in [VICTIM, OTHER].into_iter().zip(left_before) {
            assert_eq!(self.client.tripped(station), [""; 0], "{station}");
            let went = before.expect("it heats") - left(self, station).expect("it heats");
            let passed = (monotonic_ms() - at) / 1000.0;
            assert!(
                (went - passed).abs() < 1.0,
                "{station}: {passed:.1} s passed, and {went:.1} s of the time to be absent"
            );
            let record = changes(&self.place.record_file(station));
            let gone = record
                .iter()
                .find(|change| change.at_ms > at && change.why != "heat");
            assert_eq!(gone, None, "{station}");
        }
        let at = self.fault(r#"{"kind":"open","input":"tc1"}"#);
        let trip = self.trip_in_journal("sensor-fault");
        let off_ms = trip - wall_ms() - seconds * 1000;
        assert!(
            off_ms.abs() < 60_000,
            "the record of the trip is {off_ms} ms off the moved clock"
        );
        at
    }

    /// Wall time of the trip, ms.
    fn trip_in_journal(&self, interlock: &str) -> i64 {
        let quoted = format!("`{interlock}`");
        wait_for(&format!("a trip {quoted} in the journal"), || {
            let mut trips = self
                .client
                .journal()
                .into_iter()
                .filter(|entry| entry.kind == "trip");
            trips
                .find(|entry| entry.text.contains(&quoted))
                .map(|entry| wall_of(&entry.at))
        })
    }

    /// The journal is whole, and so are the readings of the attacked run.
    fn records_hold(&mut self) {
        let verified = self.client.verify();
        assert!(verified.ok, "{verified:?}");
        let run = self
            .client
            .station(VICTIM)
            .run
            .expect("its run waits for a person");
        let shown = self.client.run(run);
        assert_eq!(shown.run.outcome.as_deref(), Some("tripped"));
        let rows = self.client.readings(run);
        let times: Vec<f64> = rows
            .iter()
            .map(|row| row["elapsed_s"].parse().expect("seconds"))
            .collect();
        assert!(times.len() > 10, "{} readings", times.len());
        let apart = times
            .windows(2)
            .find(|two| !(0.0..APART_S).contains(&(two[1] - two[0])));
        assert_eq!(apart, None, "readings are missing, or out of order");
    }

    /// Waits for what the witness puts down by itself. Returns when that was.
    fn noted(&self, why: &str) -> f64 {
        let record = self.place.record_file(VICTIM);
        wait_for(&format!("`{why}` in the witness's record"), || {
            let noted = changes(&record).into_iter().find(|change| change.why == why);
            noted.map(|noted| noted.at_ms)
        })
    }

    fn top(&self) -> Option<f64> {
        self.client.station(VICTIM).channels.first()?.celsius
    }
}

impl Drop for Lab {
    /// A driver that hangs doesn't see that its daemon is gone.
    fn drop(&mut self) {
        for pid in self.daemon.drivers() {
            let _ = kill_process(pid, Signal::KILL);
        }
    }
}

impl Attack {
    /// Attacks a new lab once. `None`: this machine doesn't let us.
    ///
    /// # Panics
    /// If something that has to hold doesn't.
    pub fn once(&self) -> Option<Tried> {
        let place = Place::new();
        if !self.around.is_allowed() {
            return None;
        }
        let disk = if self.around.needs_disk() {
            Some(self.around.disk(&place)?)
        } else {
            None
        };
        let lab = &mut self.heating(place);
        if self.warm > 0.0 {
            wait_within(Duration::from_mins(2), "a warm board", || {
                lab.top().filter(|top| *top >= self.warm)
            });
        }
        let beside = self.around.begin(lab);
        let (from, began_wall) = (monotonic_ms(), wall_ms());
        let began = (self.strike)(lab);
        let off = self.heat_off(lab, began);
        drop(beside);
        let mut took = (off - began).max(0.0);
        match self.after {
            After::Dead => {}
            After::Tripped(interlock) => {
                wait_until(&format!("`{interlock}` of {VICTIM}"), || {
                    lab.client.tripped(VICTIM).iter().any(|name| name == interlock)
                });
                if self.seen == Seen::Trip {
                    let at = lab.trip_in_journal(interlock);
                    took = f64::from(i32::try_from(at - began_wall).expect("it was just now"));
                }
                let alone = lab.client.tripped(OTHER);
                assert_eq!(
                    alone, [""; 0],
                    "{}: {OTHER} has nothing to do with it",
                    self.cause
                );
            }
            After::Paused(seconds) => {
                std::thread::sleep(Duration::from_secs(seconds));
                lab.daemon.go_on();
                lab.client.wait_for_trip(VICTIM, "clock");
            }
            After::AllPaused => {
                lab.client.wait_for_trip(VICTIM, "clock");
            }
        }
        // Long enough for several readings, any of which would bring heat if nothing were latched.
        std::thread::sleep(Duration::from_millis(500));
        let gone = matches!(self.seen, Seen::Trip | Seen::Contactor);
        let hot: Vec<_> = changes(&lab.place.record_file(VICTIM))
            .into_iter()
            .filter(|change| !gone && change.at_ms > off && change.fraction > 0.0)
            .collect();
        assert_eq!(hot, [], "{}: heat came back", self.cause);
        let beside_ms = self.beside(lab, from);
        (self.afterwards)(lab);
        drop(disk);
        Some(Tried {
            off_ms: took * f64::from(self.scale),
            beside_ms,
        })
    }

    /// Waits until the heat is off. Returns when.
    fn heat_off(&self, lab: &Lab, began: f64) -> f64 {
        let cut_of = |instance: &str| {
            let record = lab.place.record_file(instance);
            let cut = |change: &crate::record::Change| change.why == "cut" && change.at_ms > began;
            wait_within(Duration::from_mins(2), "a cut in the driver's record", || {
                changes(&record).into_iter().find(cut)
            })
            .at_ms
        };
        match self.seen {
            Seen::Cut => cut_of(VICTIM),
            Seen::Contactor => cut_of(CONTACTOR),
            Seen::Zero => wait_for_zero(&lab.place.record_file(VICTIM), began).at_ms,
            Seen::Trip => began,
        }
    }

    /// Looks that the other bench was given heat all the time since `from`. Returns the longest pause, ms.
    fn beside(&self, lab: &Lab, from: f64) -> Option<f64> {
        let After::Tripped(_) = self.after else {
            return None;
        };
        let record = lab.place.record_file(OTHER);
        // In a faster lab permits are shorter than what a busy machine may take to give the daemon a core.
        let lapsed = |change: &crate::record::Change| self.scale > 1 && change.why == "lapsed";
        let lost = changes(&record)
            .into_iter()
            .find(|change| change.at_ms > from && change.why != "heat" && !lapsed(change));
        assert_eq!(lost, None, "{}: {OTHER} has nothing to do with it", self.cause);
        (self.scale == 1).then(|| longest_gap_ms(&record, from, monotonic_ms()))
    }

    /// A lab whose two benches heat.
    fn heating(&self, place: Place) -> Lab {
        let mut text = match self.driver {
            Driver::Simulated(settings, wiring) => format!(
                "\n[station.{VICTIM}]\nchannels = {{ board-top = \"tc1\", board-edge = \"tc2\" }}\nheat = \"heat1\"\n\
                 permissive = {{ hood = \"hood\" }}\n{wiring}\n[station.{VICTIM}.driver]\nprogram = \"simulated\"\n\
                 [station.{VICTIM}.driver.settings]\ncontrol = {}\n{settings}\n",
                quoted(&place.control(VICTIM))
            ),
            Driver::Witness(trouble) => place.witness(VICTIM, Some(trouble)),
        };
        text += &if self.scale == 1 {
            place.witness(OTHER, None)
        } else {
            place.simulated(OTHER, "")
        };
        if self.seen == Seen::Contactor {
            text += &place.witness_driver(CONTACTOR);
        }
        text += &self.around.stations(&place);
        place.configure("", &text);
        let daemon = Daemon::start_by(&place, self.around.prefix(), |command| {
            command.args(["--time-scale", &self.scale.to_string()]);
            self.around.surround(&place, command);
        });
        let client = daemon.client();
        client.wait_ready(&[VICTIM, OTHER]);
        for (station, recipe) in [(OTHER, HOLD), (VICTIM, self.recipe)] {
            client.put_recipe(recipe).expect("a recipe");
            client.start(station, HOLD_NAME, "A-0017").expect("a run");
            wait_for_heat(&place.record_file(station), 0.0);
        }
        Lab {
            daemon,
            client,
            place,
        }
    }
}
