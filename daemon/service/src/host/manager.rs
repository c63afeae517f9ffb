//! What the service manager is told, by the protocol of `sd_notify(3)`: datagrams of `NAME=value` lines.
//!
//! The socket is the standard library's, and doesn't wait: the lab thread itself feeds the watchdog, and a manager that reads
//! late must not hold it. (The small crates for this open a socket for each message, and wait where the other end is full.)

use std::ffi::OsStr;
use std::io;
use std::os::linux::net::SocketAddrExt as _;
use std::os::unix::ffi::OsStrExt as _;
use std::os::unix::net::{SocketAddr, UnixDatagram};

use tracing::warn;

/// The way to the service manager.
#[derive(Debug)]
pub(crate) struct Manager(UnixDatagram);

impl Manager {
    /// The manager that started this process, if one did.
    pub(crate) fn of_environment() -> Option<Self> {
        let address = std::env::var_os("NOTIFY_SOCKET").filter(|address| !address.is_empty())?;
        match Self::at(&address) {
            Ok(manager) => Some(manager),
            Err(error) => {
                warn!(
                    "the service manager can't be told anything at {}: {error}",
                    address.display()
                );
                None
            }
        }
    }

    /// `address`: a path, or a name in the abstract namespace after `@`.
    fn at(address: &OsStr) -> io::Result<Self> {
        let address = match address.as_bytes() {
            [b'@', name @ ..] => SocketAddr::from_abstract_name(name)?,
            _ => SocketAddr::from_pathname(address)?,
        };
        let socket = UnixDatagram::unbound()?;
        socket.set_nonblocking(true)?;
        socket.connect_addr(&address)?;
        Ok(Self(socket))
    }

    /// Tells it. What doesn't fit into its queue is left out, and said again in time or not worth a wait.
    pub(crate) fn tell(&self, lines: &str) {
        let _ = self.0.send(lines.as_bytes());
    }
}

/// Feeds the manager's watchdog. Owned by the lab thread: nobody else says that the lab is alive.
#[derive(Debug)]
pub(crate) struct Watchdog {
    manager: Manager,
    every_ms: f64,
    due_ms: f64,
}

impl Watchdog {
    /// The watchdog that the manager keeps over this process, if it does (`sd_watchdog_enabled(3)`).
    pub(crate) fn of_environment() -> Option<Self> {
        let number = |name| std::env::var(name).ok()?.parse::<u32>().ok();
        let usec = number("WATCHDOG_USEC").filter(|usec| *usec > 0)?;
        if std::env::var_os("WATCHDOG_PID").is_some() && number("WATCHDOG_PID") != Some(std::process::id()) {
            return None;
        }
        Some(Self {
            manager: Manager::of_environment()?,
            every_ms: every_ms(usec),
            due_ms: 0.0,
        })
    }

    /// The lab thread has gone round.
    pub(crate) fn feed(&mut self, monotonic_ms: f64) {
        if monotonic_ms >= self.due_ms {
            self.due_ms = monotonic_ms + self.every_ms;
            self.manager.tell("WATCHDOG=1");
        }
    }
}

/// How often a watchdog of so many microseconds is fed, milliseconds: a third of its time, so that one message may be lost. The
/// manual asks for half.
fn every_ms(usec: u32) -> f64 {
    f64::from(usec) / 3_000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_watchdog_is_fed_when_it_is_due_and_not_more() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("notify");
        let manager = UnixDatagram::bind(&path).unwrap();
        manager.set_nonblocking(true).unwrap();
        let mut watchdog = Watchdog {
            manager: Manager::at(path.as_os_str()).unwrap(),
            every_ms: every_ms(3_000_000),
            due_ms: 0.0,
        };
        for ms in [5_000.0, 5_010.0, 5_999.0, 6_000.0, 7_500.0] {
            watchdog.feed(ms);
        }
        let mut fed = 0;
        let mut buffer = [0; 64];
        while let Ok(count) = manager.recv(&mut buffer) {
            assert_eq!(&buffer[..count], b"WATCHDOG=1");
            fed += 1;
        }
        assert_eq!(fed, 3, "at 5, 6 and 7.5 s");
    }

    #[test]
    fn a_manager_that_does_not_read_holds_nobody() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("notify");
        let _unread = UnixDatagram::bind(&path).unwrap();
        let manager = Manager::at(path.as_os_str()).unwrap();
        for _ in 0..10_000 {
            manager.tell("WATCHDOG=1");
        }
    }

    #[test]
    fn names_without_a_file_are_the_abstract_ones() {
        let name = format!("benchward-test-{}", std::process::id());
        let address = SocketAddr::from_abstract_name(name.as_bytes()).unwrap();
        let manager = UnixDatagram::bind_addr(&address).unwrap();
        Manager::at(OsStr::new(&format!("@{name}")))
            .unwrap()
            .tell("READY=1");
        let mut buffer = [0; 64];
        let count = manager.recv(&mut buffer).unwrap();
        assert_eq!(&buffer[..count], b"READY=1");
    }
}
