//! Plays the daemon's part towards one driver process: starts it, talks to it, listens. For conformance checks and
//! for tests of drivers, in whatever language they are written.
//!
//! Not for the daemon itself: everything here may wait.

use std::io::{self, Read, Write};
use std::process::{Child, ChildStdin, ChildStdout, Command, ExitStatus, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::thread;
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};

use crate::clock::monotonic_ms;
use crate::wire::{Configure, FromDriver, LineTooLong, Lines, Malformed, ToDriver};

/// Between two looks at whether the process has ended.
const LOOK: Duration = Duration::from_millis(5);

/// One driver process. Killed when dropped.
#[derive(Debug)]
pub struct OtherEnd {
    child: Child,
    stdin: Option<ChildStdin>,
    unread: Option<ChildStdout>,
    heard: Option<Receiver<Heard>>,
}

/// One line that a driver said.
#[derive(Debug, Clone, PartialEq)]
pub struct Heard {
    /// When it was read, [`monotonic_ms`].
    pub at_ms: f64,
    /// Without its `\n`; empty if it was longer than the protocol allows.
    pub line: Vec<u8>,
    /// It was longer than the protocol allows.
    pub too_long: bool,
}

impl Heard {
    /// The message in it.
    ///
    /// # Errors
    /// If it isn't one.
    pub fn message(&self) -> Result<FromDriver<'_>, Malformed> {
        FromDriver::parse(&self.line)
    }
}

impl OtherEnd {
    /// Starts the process with pipes on stdin and stdout. stderr and the rest are as the command says.
    ///
    /// Nothing is read from its stdout before [`OtherEnd::listen`].
    ///
    /// # Errors
    /// If the program can't be started.
    pub fn start(command: &mut Command) -> io::Result<Self> {
        let mut child = command.stdin(Stdio::piped()).stdout(Stdio::piped()).spawn()?;
        let stdin = child.stdin.take();
        let unread = child.stdout.take();
        Ok(OtherEnd {
            child,
            stdin,
            unread,
            heard: None,
        })
    }

    /// Begins to read what it says.
    pub fn listen(&mut self) {
        let Some(mut stdout) = self.unread.take() else {
            return;
        };
        let (sender, receiver) = channel();
        thread::spawn(move || {
            let mut lines = Lines::new();
            let mut buffer = [0; 16 * 1024];
            while let Ok(count @ 1..) = stdout.read(&mut buffer) {
                lines.push(&buffer[..count]);
                while let Some(line) = lines.next_line() {
                    let too_long = line == Err(LineTooLong);
                    let heard = Heard {
                        at_ms: monotonic_ms(),
                        line: line.unwrap_or_default().to_vec(),
                        too_long,
                    };
                    if sender.send(heard).is_err() {
                        return;
                    }
                }
            }
        });
        self.heard = Some(receiver);
    }

    /// Says `configure`.
    ///
    /// # Errors
    /// If it doesn't hold its stdin any more.
    pub fn configure(
        &mut self,
        instance: &str,
        settings: serde_json::Value,
        time_scale: f64,
    ) -> io::Result<()> {
        let configure = Configure {
            instance: instance.to_owned(),
            settings,
            time_scale,
        };
        self.say(&ToDriver::Configure(Box::new(configure)))
    }

    /// Says a message.
    ///
    /// # Errors
    /// If it doesn't hold its stdin any more.
    pub fn say(&mut self, message: &ToDriver<'_>) -> io::Result<()> {
        let mut line = Vec::new();
        message.write_line(&mut line);
        self.write(&line)
    }

    /// Writes bytes as they are. Waits if the driver doesn't read.
    ///
    /// # Errors
    /// If it doesn't hold its stdin any more.
    pub fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        match &mut self.stdin {
            Some(stdin) => stdin.write_all(bytes),
            None => Err(io::ErrorKind::BrokenPipe.into()),
        }
    }

    /// The next line, if one comes in time. `None` at once when there will be no more.
    pub fn hear(&mut self, patience: Duration) -> Option<Heard> {
        self.heard.as_ref()?.recv_timeout(patience).ok()
    }

    /// Lines until one is the right message; lines that aren't messages are passed over. `None` if it doesn't come in time.
    pub fn hear_until(
        &mut self,
        patience: Duration,
        mut right: impl FnMut(&FromDriver<'_>) -> bool,
    ) -> Option<Heard> {
        let until = Instant::now() + patience;
        loop {
            let heard = self.hear(until.saturating_duration_since(Instant::now()))?;
            if heard.message().is_ok_and(|m| right(&m)) {
                return Some(heard);
            }
        }
    }

    /// How much it has said that nobody has read, while not listening.
    ///
    /// # Errors
    /// If the pipe can't tell.
    pub fn unread_bytes(&self) -> io::Result<u64> {
        let Some(stdout) = &self.unread else { return Ok(0) };
        Ok(rustix::io::ioctl_fionread(stdout)?)
    }

    /// Closes its stdin, as a daemon does that dies.
    pub fn close_stdin(&mut self) {
        self.stdin = None;
    }

    /// Closes its stdout, if nobody listens yet.
    pub fn close_stdout(&mut self) {
        self.unread = None;
    }

    /// Stops all its threads, as `SIGSTOP` does, and waits until they are.
    ///
    /// # Errors
    /// If it has ended.
    pub fn stop(&self) -> io::Result<()> {
        self.signal(Signal::STOP)?;
        let tasks = format!("/proc/{}/task", self.child.id());
        loop {
            let mut stopped = true;
            for task in std::fs::read_dir(&tasks)? {
                // `PID (NAME) STATE ...`, and the name may hold anything.
                let stat = std::fs::read_to_string(task?.path().join("stat"))?;
                stopped &= stat
                    .rsplit_once(") ")
                    .is_some_and(|(_, rest)| rest.starts_with('T'));
            }
            if stopped {
                return Ok(());
            }
            thread::sleep(LOOK);
        }
    }

    /// Sends it a signal.
    ///
    /// # Errors
    /// If it has ended.
    pub fn signal(&self, signal: Signal) -> io::Result<()> {
        Ok(kill_process(Pid::from_child(&self.child), signal)?)
    }

    /// How it ended, if it does in time.
    pub fn wait_for_exit(&mut self, patience: Duration) -> Option<ExitStatus> {
        let until = Instant::now() + patience;
        loop {
            if let Ok(Some(status)) = self.child.try_wait() {
                return Some(status);
            }
            if Instant::now() >= until {
                return None;
            }
            thread::sleep(LOOK);
        }
    }
}

impl Drop for OtherEnd {
    fn drop(&mut self) {
        // It may have ended already; there is nothing to do about it then.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}
