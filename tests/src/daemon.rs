//! `benchwardd` as a process: started, watched, signalled, ended.

use std::fs::File;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};

use crate::client::Client;
use crate::clock::monotonic_ms;
use crate::place::Place;
use crate::programs::{program, system};
use crate::wait::wait_for;

/// How long a daemon may take to end by itself: what a service manager would give it.
const END_WITHIN: Duration = Duration::from_secs(20);

/// How much of the log is shown when a test fails.
const LOG_SHOWN: usize = 6_000;

/// A daemon that runs. It is killed with this value; if a test is failing, its log is shown.
#[derive(Debug)]
pub struct Daemon {
    child: Child,
    pid: Pid,
    log: PathBuf,
    socket: PathBuf,
    ended: bool,
}

/// The command that starts a daemon in `place`: its configuration, its records, nothing of the surroundings.
pub fn command(place: &Place) -> Command {
    command_by(place, &[])
}

/// [`command`] by a program of the system that becomes the daemon, such as `nice`, with its arguments.
fn command_by(place: &Place, prefix: &[&str]) -> Command {
    let daemon = program("benchwardd");
    let mut command = match prefix {
        [] => Command::new(daemon),
        [by, words @ ..] => {
            let mut command = system(by, "util-linux");
            command.args(words).arg(daemon);
            command
        }
    };
    command
        .arg("--config")
        .arg(place.config())
        .env("BENCHWARD_DRIVER_RECORD", place.records())
        .env_remove("BENCHWARD_LOG")
        .env_remove("BENCHWARD_CONFIG")
        .stdin(Stdio::null());
    command
}

impl Daemon {
    /// Starts it and waits until its socket answers.
    ///
    /// # Panics
    /// If it doesn't.
    pub fn start(place: &Place) -> Self {
        Self::start_with(place, |_| {})
    }

    /// [`Daemon::start`] with more arguments or variables.
    ///
    /// # Panics
    /// If it doesn't come up.
    pub fn start_with(place: &Place, more: impl FnOnce(&mut Command)) -> Self {
        Self::start_by(place, &[], more)
    }

    /// [`Daemon::start_with`] by a program of the system that becomes the daemon, such as `nice`, with its arguments.
    ///
    /// # Panics
    /// If it doesn't come up.
    pub fn start_by(place: &Place, prefix: &[&str], more: impl FnOnce(&mut Command)) -> Self {
        let log = place.path("daemon.log");
        let file = File::options()
            .create(true)
            .append(true)
            .open(&log)
            .expect("the folder is ours");
        let mut command = command_by(place, prefix);
        command
            .stdout(file.try_clone().expect("a second handle"))
            .stderr(file);
        more(&mut command);
        let child = command.spawn().expect("benchwardd can be started");
        let pid = Pid::from_child(&child);
        let mut daemon = Self {
            child,
            pid,
            log,
            socket: place.socket(),
            ended: false,
        };
        wait_for("the daemon's socket", || {
            if let Some(status) = daemon.child.try_wait().expect("the child is ours") {
                daemon.ended = true;
                panic!("the daemon ended at once: {status}");
            }
            std::os::unix::net::UnixStream::connect(&daemon.socket).ok()
        });
        daemon
    }

    /// A client of its private socket.
    pub fn client(&self) -> Client {
        Client::connect(&self.socket)
    }

    /// Its process.
    pub fn pid(&self) -> Pid {
        self.pid
    }

    /// The process of the driver of an instance.
    ///
    /// # Panics
    /// If there is none.
    pub fn driver(&self, place: &Place, instance: &str) -> Pid {
        // A simulated bench is told its control socket, a witness its record, and nothing else tells instances apart
        // from outside: so the open files say which is which.
        let (control, record) = (place.control(instance), place.record_file(instance));
        wait_for(&format!("the process of driver {instance}"), || {
            self.drivers().into_iter().find(|pid| {
                let folder = format!("/proc/{}/fd", pid.as_raw_nonzero());
                let files = std::fs::read_dir(folder).into_iter().flatten().flatten();
                files
                    .filter_map(|file| std::fs::read_link(file.path()).ok())
                    .any(|to| to == record || to == control)
            })
        })
    }

    /// The processes of its drivers.
    pub fn drivers(&self) -> Vec<Pid> {
        let tasks = format!("/proc/{}/task", self.pid.as_raw_nonzero());
        let mut children = Vec::new();
        for task in std::fs::read_dir(tasks).into_iter().flatten().flatten() {
            let listed = std::fs::read_to_string(task.path().join("children")).unwrap_or_default();
            children.extend(
                listed
                    .split_whitespace()
                    .filter_map(|pid| Pid::from_raw(pid.parse().ok()?)),
            );
        }
        children
    }

    /// Kills it (SIGKILL). Returns the moment before, in ms of `CLOCK_MONOTONIC`.
    ///
    /// # Panics
    /// If it was gone before.
    pub fn kill(&mut self) -> f64 {
        assert_eq!(
            self.child.try_wait().expect("the child is ours"),
            None,
            "the daemon was to be killed, not to die"
        );
        let at = self.signal(Signal::KILL);
        self.child.wait().expect("the child is ours");
        self.ended = true;
        at
    }

    /// Stops it where it stands (SIGSTOP). Returns the moment before.
    pub fn pause(&self) -> f64 {
        self.signal(Signal::STOP)
    }

    /// Lets it go on (SIGCONT). Returns the moment before.
    pub fn go_on(&self) -> f64 {
        self.signal(Signal::CONT)
    }

    /// Asks it to end (SIGTERM) and waits for that. Returns the moment before, and how it ended.
    ///
    /// # Panics
    /// If it doesn't end.
    pub fn terminate(&mut self) -> (f64, ExitStatus) {
        let at = self.signal(Signal::TERM);
        (at, self.wait())
    }

    /// Waits until it has ended by itself.
    ///
    /// # Panics
    /// If it doesn't.
    pub fn wait(&mut self) -> ExitStatus {
        let began = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().expect("the child is ours") {
                self.ended = true;
                return status;
            }
            assert!(
                began.elapsed() < END_WITHIN,
                "the daemon has not ended within {END_WITHIN:?}"
            );
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Memory that it has in RAM, megabytes.
    ///
    /// # Panics
    /// If it is gone.
    pub fn memory_mb(&self) -> f64 {
        let status = format!("/proc/{}/status", self.pid.as_raw_nonzero());
        let status = std::fs::read_to_string(status).expect("it runs");
        let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:"));
        let kb = line.and_then(|line| line.split_whitespace().next()?.parse::<f64>().ok());
        kb.expect("the kernel tells it") / 1024.0
    }

    /// Whether it runs.
    ///
    /// # Panics
    /// Never: the child is ours.
    pub fn runs(&mut self) -> bool {
        self.child.try_wait().expect("the child is ours").is_none()
    }

    /// What it has logged.
    pub fn log(&self) -> String {
        std::fs::read_to_string(&self.log).unwrap_or_default()
    }

    /// Where it logs.
    pub fn log_file(&self) -> &Path {
        &self.log
    }

    fn signal(&self, signal: Signal) -> f64 {
        let at = monotonic_ms();
        kill_process(self.pid, signal).expect("the daemon can be signalled");
        at
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        if !self.ended {
            // Its drivers see the end of their stdin and end themselves.
            let _ = self.child.kill();
            let _ = self.child.wait();
        }
        if std::thread::panicking() {
            let log = self.log();
            let from = log.char_indices().rev().nth(LOG_SHOWN).map_or(0, |(at, _)| at);
            eprintln!("--- the daemon's log, its end\n{}\n---", &log[from..]);
        }
    }
}
