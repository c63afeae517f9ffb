//! What can go wrong, caused for real, with the time to zero heat taken from the driver's own record.
//!
//! Each attempt has a lab of its own: `bench-1` is attacked, `bench-2` heats beside it. What has to hold on any machine,
//! however loaded, is asserted here: the interlock trips, the heat is zero and stays it, the other bench goes on. How long
//! it took is returned, for the caller to print or to judge.

use std::fs;
use std::process::{Child, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use rustix::process::{Pid, Resource, Rlimit, Signal, getrlimit, kill_process, prlimit};

use crate::client::{Client, Deaf};
use crate::clock::{monotonic_ms, wall_ms, wall_of};
use crate::daemon::Daemon;
use crate::fault;
use crate::place::{Place, quoted};
use crate::programs::system;
use crate::recipe::{HOLD, HOLD_NAME};
use crate::record::{changes, wait_for_heat, wait_for_zero};
use crate::wait::{wait_for, wait_until, wait_within};

const VICTIM: &str = "bench-1";
const OTHER: &str = "bench-2";

/// Longest permit, in real time: what bounds everything that can happen to a daemon.
pub const PERMIT_MS: f64 = 1_500.0;

/// What tells that the heat is off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Seen {
    /// The cut in the driver's record.
    Cut,
    /// Zero in the driver's record.
    Zero,
    /// The trip in the journal: the process that would keep a record is gone, and its hardware's own timeout counts.
    Trip,
}

/// What surrounds the lab while it is attacked.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Around {
    Nothing,
    /// A client that calls ten thousand times a second.
    Flood,
    /// A client that asks for a lot and reads nothing.
    Deaf,
    /// The daemon can open no more files.
    NoFiles,
    /// The archive's disk is full.
    FullDisk,
    /// Two busy processes for each core.
    Load,
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
    strike: fn(&mut Lab) -> f64,
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

/// Far away, so that the heat is full for long.
const CLIMB: &str = "recipe = \"hold\"\n[[stage]]\ntarget_celsius = 180\ndwell_s = 3600\n";
/// Nobody has to be there for longer.
const ATTENDED: &str =
    "recipe = \"hold\"\nabsent_after_s = 10\n[[stage]]\ntarget_celsius = 60\ndwell_s = 3600\n";
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
    strike: |lab| lab.daemon.kill(),
};

const OPEN: Attack = Attack {
    cause: "a sensor breaks",
    bound_ms: 400.0,
    after: After::Tripped("sensor-fault"),
    strike: |lab| lab.fault(r#"{"kind":"open","input":"tc1"}"#),
    ..BASE
};

/// Every way, in the order of the manual's table of interlocks; then the daemon itself, and what surrounds it.
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
        cause: "a sensor breaks while all cores are busy",
        around: Around::Load,
        ..OPEN
    },
    Attack {
        cause: "the daemon is stopped while all cores are busy",
        seen: Seen::Zero,
        around: Around::Load,
        after: After::Paused(5),
        strike: |lab| lab.daemon.pause(),
        ..BASE
    },
];

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

/// What goes on beside the lab; it ends with this value.
struct Beside {
    end: Arc<AtomicBool>,
    thread: Option<std::thread::JoinHandle<()>>,
    busy: Vec<Child>,
    deaf: Option<Deaf>,
    /// Whose open files are limited, and the limit before.
    files: Option<(Pid, Rlimit)>,
}

impl Drop for Beside {
    fn drop(&mut self) {
        self.end.store(true, Ordering::Relaxed);
        for child in &mut self.busy {
            let _ = child.kill();
            let _ = child.wait();
        }
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
        if let Some((pid, limit)) = self.files.take() {
            let _ = prlimit(Some(pid), Resource::Nofile, limit);
        }
    }
}

impl Around {
    fn begin(self, lab: &Lab) -> Beside {
        let mut beside = Beside {
            end: Arc::default(),
            thread: None,
            busy: Vec::new(),
            deaf: None,
            files: None,
        };
        match self {
            Self::Nothing => {}
            Self::Flood => {
                let (client, end) = (lab.daemon.client(), beside.end.clone());
                beside.thread = Some(std::thread::spawn(move || client.flood(10_000, &end)));
            }
            Self::Deaf => beside.deaf = Some(Deaf::connect(&lab.place.socket(), 2_000)),
            Self::NoFiles => {
                let pid = lab.daemon.pid();
                let folder = format!("/proc/{}/fd", pid.as_raw_nonzero());
                let open = fs::read_dir(folder).expect("the daemon runs").count();
                let none = Rlimit {
                    current: Some(u64::try_from(open).expect("it is small")),
                    // As ours, which it was started with: nobody but root may raise that.
                    maximum: getrlimit(Resource::Nofile).maximum,
                };
                let before = prlimit(Some(pid), Resource::Nofile, none).expect("it may be limited");
                beside.files = Some((pid, before));
            }
            Self::FullDisk => {
                let filler = lab.place.archive().join("filler");
                let full = system("dd", "coreutils")
                    .arg("if=/dev/zero")
                    .arg(format!("of={}", filler.display()))
                    .args(["bs=4096", "status=none"])
                    .stderr(Stdio::null())
                    .status()
                    .expect("dd can be started");
                assert!(!full.success(), "the disk is full");
            }
            Self::Load => {
                let cores = std::thread::available_parallelism().map_or(2, std::num::NonZero::get);
                for _ in 0..2 * cores {
                    let busy = system("sh", "dash").args(["-c", "while :; do :; done"]).spawn();
                    beside.busy.push(busy.expect("sh can be started"));
                }
            }
        }
        beside
    }
}

/// A small file system in memory; gone with this value.
struct Small(std::path::PathBuf);

impl Small {
    /// `None`: this machine doesn't let us mount.
    fn mount(at: &std::path::Path) -> Option<Self> {
        fs::create_dir_all(at).expect("the folder is ours");
        let mounted = system("mount", "mount")
            .args(["-t", "tmpfs", "-o", "size=12m", "tmpfs"])
            .arg(at)
            .stderr(Stdio::null())
            .status();
        mounted
            .is_ok_and(|status| status.success())
            .then(|| Self(at.to_owned()))
    }
}

impl Drop for Small {
    fn drop(&mut self) {
        // What had a file open there has just been killed; its end may take a moment.
        let _ = system("umount", "mount").arg("--lazy").arg(&self.0).status();
    }
}

impl Attack {
    /// Attacks a new lab once. Returns the time from the cause to zero heat, ms of the lab's time; `None`: this machine
    /// doesn't let us.
    ///
    /// # Panics
    /// If something that has to hold doesn't.
    pub fn once(&self) -> Option<f64> {
        let place = Place::new();
        let mounted = match self.around {
            Around::FullDisk => Some(Small::mount(&place.archive())?),
            _ => None,
        };
        let lab = &mut self.heating(place);
        if self.warm > 0.0 {
            wait_within(Duration::from_mins(2), "a warm board", || {
                lab.top().filter(|top| *top >= self.warm)
            });
        }
        let record = lab.place.record_file(VICTIM);
        let beside = self.around.begin(lab);
        let began_wall = wall_ms();
        let began = (self.strike)(lab);

        let off = match self.seen {
            Seen::Cut => {
                wait_within(Duration::from_mins(2), "a cut in the driver's record", || {
                    let cut = |change: &crate::record::Change| change.why == "cut" && change.at_ms > began;
                    changes(&record).into_iter().find(cut)
                })
                .at_ms
            }
            Seen::Zero => wait_for_zero(&record, began).at_ms,
            Seen::Trip => began,
        };
        let mut took = (off - began).max(0.0);
        drop(beside);
        match self.after {
            After::Dead => {}
            After::Tripped(interlock) => {
                wait_until(&format!("`{interlock}` of {VICTIM}"), || {
                    lab.client.tripped(VICTIM).iter().any(|name| name == interlock)
                });
                if self.seen == Seen::Trip {
                    let quoted = format!("`{interlock}`");
                    let at = wait_for("the trip in the journal", || {
                        let journal = lab.client.journal().into_iter();
                        let mut trips = journal.filter(|entry| entry.kind == "trip");
                        trips
                            .find(|entry| entry.text.contains(&quoted))
                            .map(|entry| wall_of(&entry.at))
                    });
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
        let hot: Vec<_> = changes(&record)
            .into_iter()
            .filter(|change| self.seen != Seen::Trip && change.at_ms > off && change.fraction > 0.0)
            .collect();
        assert_eq!(hot, [], "{}: heat came back", self.cause);
        drop(mounted);
        Some(took * f64::from(self.scale))
    }

    /// A lab whose two benches heat.
    fn heating(&self, place: Place) -> Lab {
        let victim = match self.driver {
            Driver::Simulated(settings, wiring) => format!(
                "\n[station.{VICTIM}]\nchannels = {{ board-top = \"tc1\", board-edge = \"tc2\" }}\nheat = \"heat1\"\n\
                 permissive = {{ hood = \"hood\" }}\n{wiring}\n[station.{VICTIM}.driver]\nprogram = \"simulated\"\n\
                 [station.{VICTIM}.driver.settings]\ncontrol = {}\n{settings}\n",
                quoted(&place.control(VICTIM))
            ),
            Driver::Witness(trouble) => place.witness(VICTIM, Some(trouble)),
        };
        let other = if self.scale == 1 {
            place.witness(OTHER, None)
        } else {
            place.simulated(OTHER, "")
        };
        place.configure("", &format!("{victim}{other}"));
        let daemon = Daemon::start_with(&place, |command| {
            command.args(["--time-scale", &self.scale.to_string()]);
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
