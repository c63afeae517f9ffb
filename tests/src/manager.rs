//! What stands in the place of a service manager: its notify socket, which is the real protocol of `sd_notify(3)`, and a logind.

use std::fs::File;
use std::os::unix::net::UnixDatagram;
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use crate::bus::Bus;
use crate::clock::monotonic_ms;
use crate::place::Place;
use crate::programs::system;
use crate::wait::{PATIENCE, wait_until};

/// A notify socket that somebody reads.
#[derive(Debug)]
pub struct NotifySocket {
    socket: UnixDatagram,
    path: PathBuf,
}

/// A message that came there.
#[derive(Debug, Clone)]
pub struct Notified {
    /// When it was read, in ms of `CLOCK_MONOTONIC`.
    pub at_ms: f64,
    /// Its lines.
    pub text: String,
}

impl NotifySocket {
    /// One in `place`.
    ///
    /// # Panics
    /// If it can't be made.
    pub fn new(place: &Place) -> Self {
        let path = place.path("notify");
        let socket = UnixDatagram::bind(&path).expect("the folder is ours");
        Self { socket, path }
    }

    /// Tells a daemon of it, and of a watchdog where there is one.
    pub fn tell(&self, command: &mut Command, watchdog: Option<Duration>) {
        command.env("NOTIFY_SOCKET", &self.path);
        command.env_remove("WATCHDOG_PID");
        match watchdog {
            Some(within) => command.env("WATCHDOG_USEC", within.as_micros().to_string()),
            None => command.env_remove("WATCHDOG_USEC"),
        };
    }

    /// The next message, if one comes within that time.
    ///
    /// # Panics
    /// If it isn't text.
    pub fn next(&self, within: Duration) -> Option<Notified> {
        self.socket
            .set_read_timeout(Some(within))
            .expect("a time-out above zero");
        let mut buffer = [0; 4096];
        let count = self.socket.recv(&mut buffer).ok()?;
        Some(Notified {
            at_ms: monotonic_ms(),
            text: String::from_utf8(buffer[..count].to_vec()).expect("text"),
        })
    }

    /// All messages that have come.
    pub fn drain(&self) -> Vec<Notified> {
        std::iter::from_fn(|| self.next(Duration::from_millis(1))).collect()
    }

    /// Waits for a message with that line in it.
    ///
    /// # Panics
    /// If none comes, with those that did.
    pub fn wait_for(&self, line: &str) -> Notified {
        let mut others = Vec::new();
        let began = Instant::now();
        while let Some(message) = self.next(PATIENCE)
            && began.elapsed() < PATIENCE
        {
            if message.text.lines().any(|one| one == line) {
                return message;
            }
            others.push(message.text);
        }
        panic!("the notify socket was not told `{line}` but {others:?}");
    }
}

/// The logind of `python3-dbusmock` on a private bus. It ends with this value.
#[derive(Debug)]
pub struct Logind {
    child: Child,
}

impl Logind {
    /// Starts it.
    ///
    /// # Panics
    /// If it doesn't come up.
    pub fn start(place: &Place, bus: &Bus) -> Self {
        let log = File::create(place.path("logind.log")).expect("the folder is ours");
        // The system's own python, which Debian's packages are for.
        let child = Command::new("/usr/bin/python3")
            .args(["-m", "dbusmock", "--system", "--template", "logind"])
            .env("DBUS_SYSTEM_BUS_ADDRESS", bus.address())
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(log)
            .spawn()
            .unwrap_or_else(|error| panic!("/usr/bin/python3: {error}; let `tests/run` install it"));
        let logind = Self { child };
        wait_until("logind on the bus (package python3-dbusmock)", || {
            logind.try_locks(bus).is_some()
        });
        logind
    }

    fn try_locks(&self, bus: &Bus) -> Option<String> {
        let _ = self;
        bus.busctl(&[
            "call",
            "org.freedesktop.login1",
            "/org/freedesktop/login1",
            "org.freedesktop.login1.Manager",
            "ListInhibitors",
        ])
        .ok()
    }

    /// The locks that are held, as `busctl` prints them.
    ///
    /// # Panics
    /// If it doesn't answer.
    pub fn locks(&self, bus: &Bus) -> String {
        self.try_locks(bus).expect("logind answers")
    }

    /// Says that the host prepares for `what` (`Shutdown`, `Sleep`), or that it doesn't any more.
    ///
    /// # Panics
    /// If it can't be had to.
    pub fn prepare_for(&self, bus: &Bus, what: &str, start: bool) {
        let said = bus.busctl(&[
            "call",
            "org.freedesktop.login1",
            "/org/freedesktop/login1",
            "org.freedesktop.DBus.Mock",
            "EmitSignal",
            "sssav",
            "org.freedesktop.login1.Manager",
            &format!("PrepareFor{what}"),
            "b",
            "1",
            "b",
            if start { "true" } else { "false" },
        ]);
        said.expect("the mock emits a signal");
    }
}

impl Drop for Logind {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A systemd journal of its own beside the machine's (`systemd-journald NAMESPACE`); its entries are gone with this value. Needs
/// root.
#[derive(Debug)]
pub struct Journald {
    child: Child,
    namespace: String,
}

impl Journald {
    /// Starts one.
    ///
    /// # Panics
    /// If it doesn't come up.
    pub fn start() -> Self {
        let namespace = format!("bw{}", std::process::id());
        let child = Command::new("/lib/systemd/systemd-journald")
            .arg(&namespace)
            .stdin(Stdio::null())
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("systemd-journald can be started (package systemd)");
        let journald = Self { child, namespace };
        wait_until("the journal's socket", || {
            UnixDatagram::unbound().is_ok_and(|socket| socket.connect(journald.socket()).is_ok())
        });
        journald
    }

    /// Its socket.
    pub fn socket(&self) -> PathBuf {
        format!("/run/systemd/journal.{}/socket", self.namespace).into()
    }

    /// Its process.
    pub fn pid(&self) -> rustix::process::Pid {
        rustix::process::Pid::from_child(&self.child)
    }

    /// The entries whose fields are as named (`FIELD=value`), read by `journalctl`, oldest first.
    ///
    /// # Panics
    /// If `journalctl` fails.
    pub fn entries(&self, fields: &[&str]) -> Vec<serde_json::Value> {
        let output = system("journalctl", "systemd")
            .arg(format!("--namespace={}", self.namespace))
            .args(["--output=json", "--all", "--quiet"])
            .args(fields)
            .output()
            .expect("journalctl can be started");
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        text.lines()
            .map(|line| serde_json::from_str(line).unwrap_or_else(|error| panic!("{line}: {error}")))
            .collect()
    }
}

impl Drop for Journald {
    fn drop(&mut self) {
        let _ = rustix::process::kill_process(self.pid(), rustix::process::Signal::CONT);
        let _ = self.child.kill();
        let _ = self.child.wait();
        let _ = std::fs::remove_dir_all(format!("/run/systemd/journal.{}", self.namespace));
        for folder in ["/run/log/journal", "/var/log/journal"] {
            for found in std::fs::read_dir(folder).into_iter().flatten().flatten() {
                let name = found.file_name();
                if name.to_string_lossy().ends_with(&format!(".{}", self.namespace)) {
                    let _ = std::fs::remove_dir_all(found.path());
                }
            }
        }
    }
}
