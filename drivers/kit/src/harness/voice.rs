//! stdout: a bounded queue and one thread that writes it.
//!
//! Whoever has something to say puts it in the queue and goes on. A daemon that doesn't read fills the pipe, then the queue, then
//! the oldest lines are dropped; it never holds up an output.

use std::collections::VecDeque;
use std::fs::File;
use std::io::{ErrorKind, Write};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};
use std::thread;
use std::time::{Duration, Instant};

use super::Stall;
use super::ending::{Ending, Why};
use crate::wire::{FromDriver, Level, MAX_LINE_BYTES};

/// Most lines waiting for a daemon that doesn't read.
const MAX_WAITING: usize = 512;

/// Most scans among them: five seconds at 10 Hz. Older readings are of no use to anybody.
const MAX_WAITING_SCANS: usize = 50;

/// Between two attempts on a stdout that somebody made non-blocking.
const RETRY: Duration = Duration::from_millis(5);

/// Says things to the daemon, from any thread, without ever waiting.
#[derive(Debug, Clone)]
pub struct Voice(Arc<Shared>);

#[derive(Debug, Default)]
struct Shared {
    /// Held for a push or a pop only; writing happens outside.
    queue: Mutex<Queue>,
    changed: Condvar,
}

#[derive(Debug, Default)]
struct Queue {
    lines: VecDeque<Line>,
    scans: usize,
    dropped: u64,
    writing: bool,
    closed: bool,
}

#[derive(Debug)]
struct Line {
    is_scan: bool,
    bytes: Vec<u8>,
}

impl Voice {
    pub(super) fn new() -> Self {
        Voice(Arc::default())
    }

    /// Something for the daemon's log.
    pub fn notice(&self, level: Level, text: &str) {
        self.say(&FromDriver::Notice {
            level,
            text: text.into(),
        });
    }

    /// Writes bytes to the daemon as they are. Only to misbehave on purpose, in a simulation of faults.
    pub fn raw(&self, bytes: &[u8]) {
        self.push(Line {
            is_scan: false,
            bytes: bytes.to_vec(),
        });
    }

    pub(super) fn say(&self, message: &FromDriver<'_>) {
        let mut bytes = Vec::with_capacity(160);
        message.write_line(&mut bytes);
        if bytes.len() > MAX_LINE_BYTES {
            let text = format!(
                "a line of {} bytes was not sent: {MAX_LINE_BYTES} at most",
                bytes.len()
            );
            bytes.clear();
            FromDriver::Notice {
                level: Level::Error,
                text: text.into(),
            }
            .write_line(&mut bytes);
        }
        self.push(Line {
            is_scan: matches!(message, FromDriver::Scan(_)),
            bytes,
        });
    }

    fn lock(&self) -> MutexGuard<'_, Queue> {
        self.0.queue.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn push(&self, line: Line) {
        let mut queue = self.lock();
        if line.is_scan && queue.scans >= MAX_WAITING_SCANS {
            let oldest = queue.lines.iter().position(|l| l.is_scan);
            oldest.map(|at| queue.lines.remove(at));
            queue.scans -= 1;
            queue.dropped += 1;
        } else if queue.lines.len() >= MAX_WAITING {
            let was_scan = queue.lines.pop_front().is_some_and(|l| l.is_scan);
            queue.scans -= usize::from(was_scan);
            queue.dropped += 1;
        }
        queue.scans += usize::from(line.is_scan);
        queue.lines.push_back(line);
        drop(queue);
        self.0.changed.notify_all();
    }

    /// Starts the thread that writes. A stdout that nobody reads any more ends the driver.
    pub(super) fn start(&self, mut stdout: File, stall: Stall, ending: Arc<Ending>) -> std::io::Result<()> {
        let voice = self.clone();
        thread::Builder::new().name("stdout".into()).spawn(move || {
            while let Some(bytes) = voice.next() {
                stall.wait();
                if let Err(error) = write_all(&mut stdout, &bytes) {
                    ending.begin(Why::Eof, format!("stdout: {error}"));
                    return;
                }
            }
        })?;
        Ok(())
    }

    /// The next line to write; `None` once closed and empty.
    fn next(&self) -> Option<Vec<u8>> {
        let mut queue = self.lock();
        queue.writing = false;
        self.0.changed.notify_all();
        loop {
            if queue.dropped > 0 {
                let text = format!("{} messages dropped while nobody read stdout", queue.dropped);
                queue.dropped = 0;
                queue.writing = true;
                let mut bytes = Vec::new();
                FromDriver::Notice {
                    level: Level::Warn,
                    text: text.into(),
                }
                .write_line(&mut bytes);
                return Some(bytes);
            }
            if let Some(line) = queue.lines.pop_front() {
                queue.scans -= usize::from(line.is_scan);
                queue.writing = true;
                return Some(line.bytes);
            }
            if queue.closed {
                return None;
            }
            queue = self.0.changed.wait(queue).unwrap_or_else(PoisonError::into_inner);
        }
    }

    /// Nothing more will be said: waits until all is written, as long as that is allowed to take.
    pub(super) fn finish(&self, at_most: Duration) {
        let until = Instant::now() + at_most;
        let mut queue = self.lock();
        queue.closed = true;
        self.0.changed.notify_all();
        while !queue.lines.is_empty() || queue.writing {
            let Some(left) = until
                .checked_duration_since(Instant::now())
                .filter(|d| !d.is_zero())
            else {
                return;
            };
            queue = self
                .0
                .changed
                .wait_timeout(queue, left)
                .unwrap_or_else(PoisonError::into_inner)
                .0;
        }
    }
}

fn write_all(stdout: &mut File, mut bytes: &[u8]) -> std::io::Result<()> {
    while !bytes.is_empty() {
        match stdout.write(bytes) {
            Ok(0) => return Err(ErrorKind::WriteZero.into()),
            Ok(written) => bytes = &bytes[written..],
            Err(error) if error.kind() == ErrorKind::Interrupted => {}
            Err(error) if error.kind() == ErrorKind::WouldBlock => thread::sleep(RETRY),
            Err(error) => return Err(error),
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::wire::Scan;

    fn drain(voice: &Voice) -> Vec<String> {
        voice.lock().closed = true;
        std::iter::from_fn(|| voice.next())
            .map(|b| String::from_utf8(b).unwrap())
            .collect()
    }

    #[test]
    fn old_scans_give_way_and_answers_stay() {
        let voice = Voice::new();
        voice.notice(Level::Info, "first");
        for at in 0..200 {
            voice.say(&FromDriver::Scan(Scan {
                at_ms: Some(f64::from(at)),
                values: Vec::new(),
            }));
        }
        let lines = drain(&voice);
        assert!(lines[0].contains("150 messages dropped"), "{}", lines[0]);
        assert!(lines[1].contains("first"), "{}", lines[1]);
        assert_eq!(lines.len(), 2 + MAX_WAITING_SCANS);
        assert!(lines[2].contains("\"at_ms\":150"), "{}", lines[2]);
        assert!(lines.last().unwrap().contains("\"at_ms\":199"));
    }

    #[test]
    fn the_queue_is_bounded_whatever_is_said() {
        let voice = Voice::new();
        for n in 0..2_000 {
            voice.notice(Level::Info, &n.to_string());
        }
        assert_eq!(voice.lock().lines.len(), MAX_WAITING);
        assert_eq!(voice.lock().scans, 0);
        assert!(drain(&voice).last().unwrap().contains("1999"));
    }

    #[test]
    fn a_line_over_the_limit_is_never_sent() {
        let voice = Voice::new();
        voice.notice(Level::Info, &"x".repeat(MAX_LINE_BYTES));
        let lines = drain(&voice);
        assert_eq!(lines.len(), 1);
        assert!(lines[0].contains("was not sent"), "{}", lines[0]);
    }
}
