//! The line to an instrument, TCP or serial: sends commands, takes answers, each within a time.
//!
//! SCPI has no numbers on questions and answers. What keeps them together is that one question is out at a time and that a line which was
//! late once is not used again. So every [`Trouble`] here means: give this line up.

use std::io;
use std::net::{TcpStream, ToSocketAddrs};
use std::os::fd::OwnedFd;
use std::time::{Duration, Instant};

use rustix::event::{PollFd, PollFlags, Timespec, poll};
use rustix::io::Errno;

use crate::answer::quoted;
use crate::serial;
use crate::settings::{Address, LineEnd};

/// Longest answer. A thousand channels take 16 KiB.
const MAX_ANSWER_BYTES: usize = 64 * 1024;

/// Why a line can't be used any more.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Trouble {
    #[error("can't reach it at {address}: {error}")]
    Unreachable { address: String, error: io::Error },
    #[error("no answer to {question} within {ms} ms")]
    Late { question: String, ms: u128 },
    #[error("the connection was closed")]
    Closed,
    #[error(transparent)]
    Broken(#[from] io::Error),
    #[error("an answer nobody asked for: {}", quoted(.0))]
    Unasked(String),
    #[error("the answer to {question} has more than {MAX_ANSWER_BYTES} bytes")]
    Long { question: String },
    #[error("the answer to {question} makes no sense: {what}")]
    Senseless { question: String, what: String },
}

impl From<Errno> for Trouble {
    fn from(errno: Errno) -> Self {
        Trouble::Broken(errno.into())
    }
}

/// One connection. Its file is non-blocking.
#[derive(Debug)]
pub(crate) struct Line {
    file: OwnedFd,
    end: LineEnd,
    /// Read and not yet taken.
    unread: Vec<u8>,
}

impl Line {
    /// Connects.
    ///
    /// # Errors
    /// [`Trouble::Unreachable`].
    pub(crate) fn open(address: &Address, end: LineEnd, at_most: Duration) -> Result<Self, Trouble> {
        let (file, name) = match address {
            Address::Tcp(address) => (dial(address, at_most), format!("tcp = {address:?}")),
            Address::Serial(settings) => (
                serial::open(settings),
                format!("serial.path = \"{}\"", settings.path.display()),
            ),
        };
        let file = file.map_err(|error| Trouble::Unreachable { address: name, error })?;
        Ok(Line {
            file,
            end,
            unread: Vec::new(),
        })
    }

    /// Sends one command.
    ///
    /// # Errors
    /// [`Trouble::Unasked`] if something has come that no question explains, and whatever breaks the line.
    pub(crate) fn send(&mut self, command: &str, at_most: Duration) -> Result<(), Trouble> {
        let until = Instant::now() + at_most;
        if self.wait(PollFlags::IN, Instant::now())? {
            self.take_in("")?;
        }
        // Line ends alone say nothing: an instrument set to CR LF leaves an LF behind where a CR was waited for.
        if self.unread.trim_ascii().is_empty() {
            self.unread.clear();
        } else {
            let text = String::from_utf8_lossy(&self.unread).into_owned();
            return Err(Trouble::Unasked(text));
        }
        let bytes = [command.as_bytes(), self.end.bytes()].concat();
        let mut rest = bytes.as_slice();
        while !rest.is_empty() {
            match rustix::io::write(&self.file, rest) {
                Ok(0) => return Err(Trouble::Closed),
                Ok(count) => rest = &rest[count..],
                Err(Errno::INTR) => {}
                Err(Errno::AGAIN) => {
                    if !self.wait(PollFlags::OUT, until)? {
                        return Err(late(command, at_most));
                    }
                }
                Err(error) => return Err(error.into()),
            }
        }
        Ok(())
    }

    /// The next answer, without its line's end. Bytes that are no text become replacement characters.
    ///
    /// # Errors
    /// [`Trouble::Late`] if it isn't whole in time, and whatever breaks the line.
    pub(crate) fn answer(&mut self, question: &str, at_most: Duration) -> Result<String, Trouble> {
        let until = Instant::now() + at_most;
        loop {
            if let Some(at) = self.unread.iter().position(|b| *b == self.end.last()) {
                let rest = self.unread.split_off(at + 1);
                let line = std::mem::replace(&mut self.unread, rest);
                return Ok(String::from_utf8_lossy(&line).trim().to_owned());
            }
            if !self.wait(PollFlags::IN, until)? {
                return Err(late(question, at_most));
            }
            self.take_in(question)?;
        }
    }

    /// Asks one question.
    ///
    /// # Errors
    /// As for [`Line::send`] and [`Line::answer`].
    pub(crate) fn ask(&mut self, question: &str, at_most: Duration) -> Result<String, Trouble> {
        self.send(question, at_most)?;
        self.answer(question, at_most)
    }

    fn take_in(&mut self, question: &str) -> Result<(), Trouble> {
        let mut buffer = [0; 4096];
        match rustix::io::read(&self.file, &mut buffer) {
            Ok(0) => Err(Trouble::Closed),
            Ok(count) => {
                self.unread.extend_from_slice(&buffer[..count]);
                if self.unread.len() > MAX_ANSWER_BYTES {
                    let question = quoted(question);
                    return Err(Trouble::Long { question });
                }
                Ok(())
            }
            Err(Errno::INTR | Errno::AGAIN) => Ok(()),
            Err(error) => Err(error.into()),
        }
    }

    /// Whether the file gets ready in time.
    fn wait(&self, flags: PollFlags, until: Instant) -> Result<bool, Trouble> {
        loop {
            let left = until.saturating_duration_since(Instant::now());
            let left = Timespec::try_from(left).unwrap_or_default();
            match poll(&mut [PollFd::new(&self.file, flags)], Some(&left)) {
                Ok(ready) => return Ok(ready > 0),
                Err(Errno::INTR) => {}
                Err(error) => return Err(error.into()),
            }
        }
    }
}

fn late(question: &str, at_most: Duration) -> Trouble {
    Trouble::Late {
        question: quoted(question),
        ms: at_most.as_millis(),
    }
}

fn dial(address: &str, at_most: Duration) -> io::Result<OwnedFd> {
    let until = Instant::now() + at_most;
    let mut trouble = io::Error::new(
        io::ErrorKind::NotFound,
        "that name has no address; HOST:PORT is needed, usually with port 5025",
    );
    for address in address.to_socket_addrs()? {
        let left = until.saturating_duration_since(Instant::now());
        // Zero is no time-out at all to the library.
        match TcpStream::connect_timeout(&address, left.max(Duration::from_millis(1))) {
            Ok(stream) => {
                stream.set_nodelay(true)?;
                stream.set_nonblocking(true)?;
                return Ok(stream.into());
            }
            Err(error) => trouble = error,
        }
    }
    Err(trouble)
}
