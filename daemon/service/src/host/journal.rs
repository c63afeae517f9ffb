//! The log as entries of the systemd journal, by its native protocol: one datagram an entry, fields with names.
//!
//! `journalctl BENCHWARD_STATION=bench-1` shows what concerns a bench, `BENCHWARD_RUN=12` a run, `BENCHWARD_TRIP=sensor-fault`
//! the trips of an interlock and what became of them.
//!
//! It is written here and not by the crate for it since that one waits where the journal is slow, and has its socket built in:
//! here entries go through the same bounded queue as the text does, and tests have a journal of their own.

use std::fmt::{self, Write as _};
use std::io::{self, Write};
use std::os::unix::net::UnixDatagram;
use std::path::{Path, PathBuf};

use tracing::field::{Field, Visit};
use tracing::{Event, Level, Subscriber};
use tracing_appender::non_blocking::NonBlocking;
use tracing_subscriber::Layer;
use tracing_subscriber::layer::Context;

/// Where the journal listens.
pub(crate) const SOCKET: &str = "/run/systemd/journal/socket";

/// Longest value of a field, bytes. A datagram's bound is some 200 KiB; a driver's line is cut at 4 KiB before.
const VALUE_BYTES_MAX: usize = 48 * 1024;

/// Sends each thing that is written as one datagram.
#[derive(Debug)]
pub(crate) struct Datagrams {
    socket: UnixDatagram,
    to: PathBuf,
}

impl Datagrams {
    /// # Errors
    /// If nobody listens there.
    pub(crate) fn to(path: &Path) -> io::Result<Self> {
        let socket = UnixDatagram::unbound()?;
        // Not kept connected: a journal that was started again has another socket of the same name.
        UnixDatagram::unbound()?.connect(path)?;
        Ok(Self {
            socket,
            to: path.to_owned(),
        })
    }
}

impl Write for Datagrams {
    fn write(&mut self, entry: &[u8]) -> io::Result<usize> {
        self.socket.send_to(entry, &self.to)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// Turns events into entries.
pub(crate) struct Journal(pub(crate) NonBlocking);

impl<S: Subscriber> Layer<S> for Journal {
    fn on_event(&self, event: &Event<'_>, _: Context<'_, S>) {
        let metadata = event.metadata();
        let mut entry = Entry::default();
        entry.put("PRIORITY", priority(*metadata.level()));
        entry.put("SYSLOG_IDENTIFIER", env!("CARGO_PKG_NAME"));
        entry.put("CODE_MODULE", metadata.target());
        event.record(&mut entry);
        // One call is one message of the queue, so one datagram. What doesn't fit is dropped, as the text is.
        let _ = self.0.clone().write_all(&entry.0);
    }
}

/// As syslog counts (RFC 5424, table 2).
fn priority(level: Level) -> &'static str {
    match level {
        Level::ERROR => "3",
        Level::WARN => "4",
        Level::INFO => "6",
        Level::DEBUG | Level::TRACE => "7",
    }
}

/// An entry: `NAME=value` lines, or `NAME`, the length as eight bytes, little end first, and the value, where that has lines of
/// its own.
#[derive(Debug, Default)]
struct Entry(Vec<u8>);

impl Entry {
    fn put(&mut self, name: &str, value: &str) {
        let value = &value[..value.floor_char_boundary(VALUE_BYTES_MAX)];
        self.0.extend_from_slice(name.as_bytes());
        if value.contains('\n') {
            self.0.push(b'\n');
            self.0
                .extend_from_slice(&u64::try_from(value.len()).unwrap_or(0).to_le_bytes());
        } else {
            self.0.push(b'=');
        }
        self.0.extend_from_slice(value.as_bytes());
        self.0.push(b'\n');
    }

    fn put_field(&mut self, field: &Field, value: &str) {
        match field.name() {
            "message" => self.put("MESSAGE", value),
            name => self.put(&format!("BENCHWARD_{}", name.to_ascii_uppercase()), value),
        }
    }
}

impl Visit for Entry {
    fn record_str(&mut self, field: &Field, value: &str) {
        self.put_field(field, value);
    }

    fn record_debug(&mut self, field: &Field, value: &dyn fmt::Debug) {
        let mut text = String::new();
        // Text can be written to memory.
        let _ = write!(text, "{value:?}");
        self.put_field(field, &text);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_of_a_value_do_not_become_fields() {
        let mut entry = Entry::default();
        entry.put("MESSAGE", "two\nPRIORITY=0");
        entry.put("BENCHWARD_RUN", "12");
        let expected = b"MESSAGE\n\x0e\0\0\0\0\0\0\0two\nPRIORITY=0\nBENCHWARD_RUN=12\n";
        assert_eq!(entry.0, expected);
    }
}
