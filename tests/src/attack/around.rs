//! What surrounds a lab while it is attacked.

use std::fmt::Write as _;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use rustix::process::{Pid, Resource, Rlimit, getrlimit, prlimit};

use super::Lab;
use crate::client::Deaf;
use crate::place::Place;
use crate::programs::system;
use crate::wait::wait_until;

/// How long a disk stalls.
const STALL: Duration = Duration::from_secs(5);

/// How many stations have a driver that crashes.
const CRASHING: usize = 64;

/// It.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Around {
    Nothing,
    /// A client that calls ten thousand times a second.
    Flood,
    /// A client that asks for a lot and reads nothing.
    Deaf,
    /// The daemon can open no more files.
    NoFiles,
    /// The archive's disk is full.
    FullDisk,
    /// The archive's disk answers nothing for [`STALL`].
    StalledDisk,
    /// Drivers of other stations crash, are started again, and crash.
    Crashing,
    /// The daemon's wall clock can be moved, by [`move_wall_clock`].
    WallClock,
    /// Two busy processes for each core, and how the lab is scheduled among them.
    Load(Class),
}

/// How the daemon and its drivers are scheduled.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Class {
    /// As everything else.
    Plain,
    /// With more than its share.
    Nice,
    /// Before everything that is no real-time process. (In `SCHED_FIFO` the daemon may hang at its start: threads of the
    /// archive's store spin while they wait for each other, and nobody takes their cores.)
    RoundRobin,
}

impl Class {
    /// The words before the daemon's command.
    fn prefix(self) -> &'static [&'static str] {
        match self {
            Self::Plain => &[],
            Self::Nice => &["nice", "-n", "-10"],
            Self::RoundRobin => &["chrt", "--rr", "10"],
        }
    }

    /// Whether we may.
    fn is_allowed(self) -> bool {
        let [program, words @ ..] = self.prefix() else {
            return true;
        };
        let tried = system(program, "util-linux").args(words).arg("true").output();
        // `nice` goes on without, and says so.
        tried.is_ok_and(|tried| tried.status.success() && tried.stderr.is_empty())
    }
}

/// What goes on beside the lab; it ends with this value.
pub(super) struct Beside {
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
    /// Whether this machine lets us, but for disks.
    pub(super) fn is_allowed(self) -> bool {
        match self {
            Self::Load(class) => class.is_allowed(),
            _ => true,
        }
    }

    /// Whether the archive has a disk of its own.
    pub(super) fn needs_disk(self) -> bool {
        matches!(self, Self::FullDisk | Self::StalledDisk)
    }

    /// It. `None`: this machine doesn't let us.
    pub(super) fn disk(self, place: &Place) -> Option<Disk> {
        match self {
            Self::StalledDisk => Disk::in_file(&place.path("disk.img"), &place.archive()),
            _ => Disk::in_memory(&place.archive()),
        }
    }

    /// More stations, for the configuration.
    pub(super) fn stations(self, place: &Place) -> String {
        let mut text = String::new();
        if self == Self::Crashing {
            for number in 1..=CRASHING {
                // Long enough to be described and read, as a driver that fails in its work is.
                let settings = "faults = [{ at_s = 0.3, kind = \"crash\" }]\n";
                let _ = writeln!(text, "{}", place.simulated(&format!("shelf-{number}"), settings));
            }
        }
        text
    }

    /// The words before the daemon's command.
    pub(super) fn prefix(self) -> &'static [&'static str] {
        match self {
            Self::Load(class) => class.prefix(),
            _ => &[],
        }
    }

    /// More variables for the daemon.
    pub(super) fn surround(self, place: &Place, command: &mut Command) {
        if self == Self::WallClock {
            move_wall_clock(place, 0);
            command
                .env("LD_PRELOAD", libfaketime())
                .env("FAKETIME_TIMESTAMP_FILE", wall_clock(place))
                .env("FAKETIME_NO_CACHE", "1")
                .env("FAKETIME_DONT_FAKE_MONOTONIC", "1")
                .env("NO_FAKE_STAT", "1");
        }
    }

    /// Begins, beside a lab that heats.
    pub(super) fn begin(self, lab: &Lab) -> Beside {
        let mut beside = Beside {
            end: Arc::default(),
            thread: None,
            busy: Vec::new(),
            deaf: None,
            files: None,
        };
        match self {
            Self::Nothing | Self::WallClock => {}
            Self::Crashing => {
                let log = lab.daemon.log_file().to_owned();
                wait_until("every crashing driver has been started again", || {
                    let log = fs::read_to_string(&log).unwrap_or_default();
                    let ups = |number| log.matches(&format!("driver shelf-{number} is up")).count();
                    (1..=CRASHING).all(|number| ups(number) > 1)
                });
            }
            Self::StalledDisk => {
                let frozen = Frozen::freeze(&lab.place.archive());
                beside.thread = Some(std::thread::spawn(move || {
                    std::thread::sleep(STALL);
                    drop(frozen);
                }));
                let pid = lab.daemon.pid();
                wait_until("a thread of the daemon waits for the disk", || {
                    waits_for_disk(pid)
                });
            }
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
            Self::Load(_) => {
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

/// Whether a thread of a process is in a wait that nothing interrupts: `proc_pid_stat(5)`, state `D`.
fn waits_for_disk(pid: Pid) -> bool {
    let tasks = fs::read_dir(format!("/proc/{}/task", pid.as_raw_nonzero()));
    tasks.into_iter().flatten().flatten().any(|task| {
        let stat = fs::read_to_string(task.path().join("stat")).unwrap_or_default();
        stat.rsplit(") ").next().is_some_and(|rest| rest.starts_with('D'))
    })
}

/// A small file system; gone with this value.
pub(super) struct Disk(PathBuf);

impl Disk {
    /// In memory, of 12 MB. `None`: this machine doesn't let us mount.
    fn in_memory(at: &Path) -> Option<Self> {
        Self::mount(&["-t", "tmpfs", "-o", "size=12m", "tmpfs"], at)
    }

    /// In a file, with a journal of its own: one that can be frozen. `None`: this machine doesn't let us mount.
    fn in_file(image: &Path, at: &Path) -> Option<Self> {
        let file = fs::File::create(image).expect("the folder is ours");
        file.set_len(1 << 30).expect("a sparse file");
        let made = system("mkfs.ext4", "e2fsprogs").arg("-q").arg(image).status();
        assert!(made.expect("mkfs.ext4 can be started").success());
        Self::mount(&["-o", "loop", image.to_str().expect("it is text")], at)
    }

    fn mount(words: &[&str], at: &Path) -> Option<Self> {
        fs::create_dir_all(at).expect("the folder is ours");
        let mounted = system("mount", "mount")
            .args(words)
            .arg(at)
            .stderr(Stdio::null())
            .status();
        mounted
            .is_ok_and(|status| status.success())
            .then(|| Self(at.to_owned()))
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        // What had a file open there has just been killed; its end may take a moment.
        let _ = system("umount", "mount").arg("--lazy").arg(&self.0).status();
    }
}

/// A file system on which every write waits; it goes on with this value.
struct Frozen(PathBuf);

impl Frozen {
    fn freeze(at: &Path) -> Self {
        let frozen = system("fsfreeze", "util-linux").arg("--freeze").arg(at).status();
        assert!(frozen.expect("fsfreeze can be started").success(), "it is frozen");
        Self(at.to_owned())
    }
}

impl Drop for Frozen {
    fn drop(&mut self) {
        let thawed = system("fsfreeze", "util-linux")
            .arg("--unfreeze")
            .arg(&self.0)
            .status();
        assert!(thawed.expect("fsfreeze can be started").success(), "it goes on");
    }
}

/// The file that says by how much the daemon's wall clock is off.
fn wall_clock(place: &Place) -> PathBuf {
    place.path("wall-clock")
}

/// Moves the wall clock of a daemon, and of nothing else on this machine, to so many seconds off the true time.
///
/// # Panics
/// If the file can't be written.
pub(super) fn move_wall_clock(place: &Place, seconds: i64) {
    let (new, file) = (place.path("wall-clock.new"), wall_clock(place));
    fs::write(&new, format!("{seconds:+}\n")).expect("the folder is ours");
    fs::rename(new, file).expect("the folder is ours");
}

/// The library that lies about the wall clock to the process that loads it.
fn libfaketime() -> PathBuf {
    let found = fs::read_dir("/usr/lib").into_iter().flatten().flatten();
    let found = found.map(|folder| folder.path().join("faketime/libfaketimeMT.so.1"));
    let mut found = found.filter(|file| file.is_file());
    found.next().unwrap_or_else(|| {
        panic!("`libfaketime` isn't installed: `apt-get install libfaketime`, or let `tests/run` do it")
    })
}
