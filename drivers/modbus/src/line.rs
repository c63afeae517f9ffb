//! The way to the units: a serial port or a TCP connection that is opened anew when it is lost.

use std::io;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::time::{Duration, Instant};

use benchward_driver::Voice;
use benchward_driver::wire::Level;

use crate::pdu::{Answer, Request};
use crate::rtu::Rtu;
use crate::settings::Serial;
use crate::tcp::Tcp;
use crate::trouble::Trouble;

/// First and longest wait before a lost line is tried again.
const REOPEN: (Duration, Duration) = (Duration::from_millis(100), Duration::from_secs(2));

/// After so many questions in a row without any answer a connection is given up: the machine at its other end may
/// have gone without a word.
const GIVE_UP_AFTER: u32 = 8;

/// Where the line is.
#[derive(Debug, Clone)]
pub(crate) enum Place {
    Serial {
        path: PathBuf,
        serial: Serial,
    },
    Tcp {
        name: String,
        addresses: Vec<SocketAddr>,
    },
}

impl Place {
    fn name(&self) -> String {
        match self {
            Place::Serial { path, .. } => path.display().to_string(),
            Place::Tcp { name, .. } => name.clone(),
        }
    }

    fn open(&self) -> io::Result<Link> {
        Ok(match self {
            Place::Serial { path, serial } => Link::Rtu(Rtu::open(path, *serial)?),
            Place::Tcp { addresses, .. } => Link::Tcp(Tcp::connect(addresses)?),
        })
    }
}

#[derive(Debug)]
enum Link {
    Rtu(Rtu),
    Tcp(Tcp),
}

#[derive(Debug)]
enum State {
    Open(Link),
    /// Lost; tried again at that time, and then after twice the pause.
    Lost {
        again_at: Instant,
        pause: Duration,
        why: String,
    },
}

/// A line, whoever is on it. Owned by the bus thread.
#[derive(Debug)]
pub(crate) struct Line {
    place: Place,
    wait: Duration,
    voice: Voice,
    state: State,
    silent: u32,
}

impl Line {
    /// Opens it.
    ///
    /// # Errors
    /// In words, if it can't be opened now.
    pub(crate) fn open(place: Place, wait: Duration, voice: Voice) -> Result<Self, String> {
        let link = place
            .open()
            .map_err(|error| format!("{} can't be opened: {error}", place.name()))?;
        Ok(Line {
            place,
            wait,
            voice,
            state: State::Open(link),
            silent: 0,
        })
    }

    /// Asks a unit once. On a line that turns out to be lost, a second time on a new one: some gateways close
    /// connections as they please.
    ///
    /// # Errors
    /// [`Trouble`]; [`Trouble::Down`] at once while the line is lost.
    pub(crate) fn exchange(&mut self, unit: u8, request: Request) -> Result<Answer, Trouble> {
        let was_open = matches!(self.state, State::Open(_));
        match self.attempt(unit, request) {
            Err(Trouble::Down(_)) if was_open => self.attempt(unit, request),
            outcome => outcome,
        }
    }

    /// Doesn't wait any longer before a lost line is opened again. For what takes heat away.
    pub(crate) fn hurry(&mut self) {
        if let State::Lost { again_at, .. } = &mut self.state {
            *again_at = Instant::now();
        }
    }

    fn attempt(&mut self, unit: u8, request: Request) -> Result<Answer, Trouble> {
        if let State::Lost { again_at, pause, why } = &self.state {
            if Instant::now() < *again_at {
                return Err(Trouble::Down(why.clone()));
            }
            match self.place.open() {
                Ok(link) => {
                    self.voice
                        .notice(Level::Info, &format!("{} is there again", self.place.name()));
                    self.state = State::Open(link);
                    self.silent = 0;
                }
                Err(error) => {
                    let pause = (*pause * 2).clamp(REOPEN.0, REOPEN.1);
                    let why = format!("{} can't be opened: {error}", self.place.name());
                    self.state = State::Lost {
                        again_at: Instant::now() + pause,
                        pause,
                        why: why.clone(),
                    };
                    return Err(Trouble::Down(why));
                }
            }
        }
        let State::Open(link) = &mut self.state else {
            unreachable!("it was opened above")
        };
        let (outcome, may_be_gone) = match link {
            Link::Rtu(rtu) => (rtu.exchange(unit, request, self.wait), false),
            Link::Tcp(tcp) => (tcp.exchange(unit, request, self.wait), true),
        };
        match outcome {
            Ok(Err(trouble @ Trouble::Silent(_))) => {
                self.silent += 1;
                if may_be_gone && self.silent >= GIVE_UP_AFTER {
                    self.lose(&format!("{} questions in a row without an answer", self.silent));
                }
                Err(trouble)
            }
            Ok(outcome) => {
                self.silent = 0;
                outcome
            }
            Err(error) => Err(Trouble::Down(self.lose(&error.to_string()))),
        }
    }

    fn lose(&mut self, why: &str) -> String {
        let why = format!("{} is lost: {why}", self.place.name());
        self.voice
            .notice(Level::Warn, &format!("{why}; trying to open it again"));
        self.state = State::Lost {
            again_at: Instant::now(),
            pause: Duration::ZERO,
            why: why.clone(),
        };
        why
    }
}
