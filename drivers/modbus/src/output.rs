//! One heat output: a coil or a holding register, its contactor and its watchdog.
//!
//! What is known about the hardware is what a unit has confirmed. A write without a confirmation leaves the output
//! in doubt, and then the driver doesn't go on: heat that can't be told to end is the one thing that must not be. The
//! exception is a unit that stands at a confirmed zero, was told nothing since, and doesn't answer: it may be switched off,
//! and the other benches on the line needn't stop for it.

use std::time::{Duration, Instant};

use benchward_driver::wire::{Level, MAX_VALID_MS};
use benchward_driver::{Failure, Output, Relay, Voice};

use crate::bus::{Bus, FeedUntil, Urgency};
use crate::pdu::{Answer, Request, Table};
use crate::settings::{self, Contactor, OnOff};
use crate::trouble::Trouble;

/// What was confirmed so long ago is told again, should the unit have restarted meanwhile. Commands that change nothing
/// come with every scan; the line has better things to carry.
const TELL_AGAIN: Duration = Duration::from_millis(500);

/// A unit that stands at zero and doesn't answer is told again after this.
const TELL_ABSENT_AGAIN: Duration = Duration::from_secs(2);

/// A contactor that was told to close is told again after this: its unit may have restarted.
const CLOSE_AGAIN: Duration = Duration::from_secs(5);

/// No two notices about one output closer than this.
const NOTICE_EVERY: Duration = Duration::from_secs(10);

/// What the unit has confirmed, in its own numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Told {
    /// Nothing yet, or the last attempt has no answer.
    Unknown,
    Level(u16),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Contact {
    Unknown,
    Open,
    Closed,
}

/// The hardware of one output. A coil is a register with `full` 1.
#[derive(Debug)]
pub(crate) struct Heat {
    id: String,
    bus: Bus,
    unit: u8,
    table: Table,
    address: u16,
    full: u16,
    read_back: bool,
    retries: u32,
    contactor: Option<Contactor>,
    /// Its place among the bus's watchdogs.
    watchdog: Option<usize>,
    told: Told,
    tell_again_at: Instant,
    contact: Contact,
    close_again_at: Instant,
    voice: Voice,
    noticed: Option<Instant>,
}

impl Heat {
    pub(crate) fn new(
        id: &str,
        output: &settings::Output,
        retries: u32,
        bus: Bus,
        watchdog: Option<usize>,
        voice: Voice,
    ) -> Self {
        Heat {
            id: id.to_owned(),
            bus,
            unit: output.unit_id,
            table: output.function,
            address: output.address,
            full: if output.function == Table::Coil {
                1
            } else {
                output.full.unwrap_or(1)
            },
            read_back: output.read_back,
            retries,
            contactor: output.contactor,
            watchdog,
            told: Told::Unknown,
            tell_again_at: Instant::now(),
            contact: Contact::Unknown,
            close_again_at: Instant::now(),
            voice,
            noticed: None,
        }
    }

    /// Tells the unit, and returns what it then has.
    fn tell(&mut self, level: u16, fed_until: FeedUntil) -> Result<u16, Failure> {
        if level == 0 {
            self.starve();
        }
        if self.told == Told::Level(level) && Instant::now() < self.tell_again_at {
            self.feed_if_hot(level, fed_until);
            return Ok(level);
        }
        if level > 0 {
            self.switch_contactor(Contact::Closed, Urgency::Heat)?;
            self.feed_if_hot(level, fed_until);
        } else if self.contact == Contact::Unknown {
            // The state that the driver begins in, whatever was before.
            self.switch_contactor(Contact::Open, Urgency::Cut)?;
        }
        let before = std::mem::replace(&mut self.told, Told::Unknown);
        match self.write(level) {
            Ok(has) if has > level => {
                self.starve();
                Err(Failure::new(format!(
                    "unit {} has {has} at {} {} after it was told {level}; \
                     if it doesn't keep what it is told, set read_back = false",
                    self.unit,
                    self.table.word(),
                    self.address
                )))
            }
            Ok(has) => {
                if has < level {
                    self.notice(&format!(
                        "unit {} took {has} instead of {level}; set `full` to its highest value",
                        self.unit
                    ));
                }
                self.told = Told::Level(has);
                self.tell_again_at = Instant::now() + TELL_AGAIN;
                Ok(has)
            }
            Err(trouble) if before == Told::Level(0) && level == 0 => {
                self.told = before;
                self.tell_again_at = Instant::now() + TELL_ABSENT_AGAIN;
                self.notice(&format!(
                    "unit {}: {trouble}; it was at zero and was told nothing since",
                    self.unit
                ));
                Ok(0)
            }
            Err(trouble) => {
                self.starve();
                Err(self.failure(&format!("can't be told {level}"), &trouble))
            }
        }
    }

    fn write(&self, level: u16) -> Result<u16, Trouble> {
        let urgency = if level == 0 { Urgency::Zero } else { Urgency::Heat };
        let request = match self.table {
            Table::Coil => Request::WriteCoil {
                address: self.address,
                on: level > 0,
            },
            _ => Request::WriteRegister {
                address: self.address,
                value: level,
            },
        };
        let read = Request::Read {
            table: self.table,
            address: self.address,
            count: 1,
        };
        let mut has = level;
        // Zero is worth more attempts than heat, which may as well come a scan later.
        let attempts = if level == 0 {
            self.retries.max(2)
        } else {
            self.retries
        } + 1;
        for attempt in 1..=attempts {
            self.ask(urgency, self.unit, request)?;
            if !self.read_back {
                return Ok(level);
            }
            has = match self.ask(urgency, self.unit, read) {
                Ok(Answer::Bits(bits)) => u16::from(bits.first() == Some(&true)),
                Ok(Answer::Registers(registers)) => registers.first().copied().unwrap_or(u16::MAX),
                // The unit's echo has to do: to wait here would hold up a cut.
                Ok(Answer::Done) | Err(Trouble::Later(_)) => level,
                Err(trouble) => return Err(trouble),
            };
            if has == level || attempt == attempts {
                break;
            }
        }
        Ok(has)
    }

    /// Asks, and again if that may help.
    fn ask(&self, urgency: Urgency, unit: u8, request: Request) -> Result<Answer, Trouble> {
        let mut left = self.retries;
        loop {
            match self.bus.ask(urgency, unit, request) {
                Err(trouble) if trouble.may_pass() && left > 0 => left -= 1,
                outcome => return outcome,
            }
        }
    }

    fn switch_contactor(&mut self, to: Contact, urgency: Urgency) -> Result<(), Failure> {
        let Some(contactor) = self.contactor else {
            return Ok(());
        };
        if self.contact == to && (to == Contact::Open || Instant::now() < self.close_again_at) {
            return Ok(());
        }
        self.contact = Contact::Unknown;
        let on = (to == Contact::Closed) == (contactor.closed_when == OnOff::On);
        let request = Request::WriteCoil {
            address: contactor.address,
            on,
        };
        let what = match to {
            Contact::Closed => "the contactor can't be told to close",
            Contact::Open | Contact::Unknown => "the contactor can't be told to open",
        };
        self.ask(urgency, contactor.unit_id, request).map_err(|trouble| {
            Failure::new(format!(
                "unit {}, coil {}: {what}: {trouble}",
                contactor.unit_id, contactor.address
            ))
        })?;
        self.contact = to;
        self.close_again_at = Instant::now() + CLOSE_AGAIN;
        Ok(())
    }

    fn feed_if_hot(&self, level: u16, until: FeedUntil) {
        if let Some(watchdog) = self.watchdog
            && level > 0
        {
            self.bus.feed(watchdog, until);
        }
    }

    fn starve(&self) {
        if let Some(watchdog) = self.watchdog {
            self.bus.starve(watchdog);
        }
    }

    fn open_second_switch(&mut self) -> Result<(), Failure> {
        self.starve();
        // Whatever is known: a cut is put on the line.
        self.told = Told::Unknown;
        self.contact = Contact::Unknown;
        self.switch_contactor(Contact::Open, Urgency::Cut)
    }

    fn failure(&self, what: &str, trouble: &Trouble) -> Failure {
        Failure::new(format!(
            "unit {}, {} {} {what}: {trouble}",
            self.unit,
            self.table.word(),
            self.address
        ))
    }

    fn notice(&mut self, text: &str) {
        let now = Instant::now();
        if self
            .noticed
            .is_none_or(|at| now.duration_since(at) >= NOTICE_EVERY)
        {
            self.noticed = Some(now);
            self.voice
                .notice(Level::Warn, &format!("output `{}`: {text}", self.id));
        }
    }
}

impl Output for Heat {
    fn set(&mut self, fraction: f64) -> Result<f64, Failure> {
        let full = f64::from(self.full);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a fraction from 0 to 1 of a 16-bit number"
        )]
        let level = (fraction.clamp(0.0, 1.0) * full).round() as u16;
        // The harness says zero when the permit ends. Should its thread hang, the watchdog starves all the same.
        let until = Instant::now() + Duration::from_millis(u64::from(MAX_VALID_MS));
        let has = self.tell(level, FeedUntil::Then(until))?;
        Ok(f64::from(has) / full)
    }

    fn cut(&mut self) -> Result<(), Failure> {
        self.open_second_switch()
    }

    fn restore(&mut self) -> Result<(), Failure> {
        self.switch_contactor(Contact::Closed, Urgency::Heat)
    }
}

impl Relay for Heat {
    fn switch(&mut self, on: bool) -> Result<(), Failure> {
        // The harness calls this at the edges of windows only; a full window has none.
        let has = self.tell(u16::from(on), FeedUntil::Stopped)?;
        if has == u16::from(on) {
            return Ok(());
        }
        self.starve();
        Err(Failure::new(format!(
            "unit {}, coil {} stays off though it was told on",
            self.unit, self.address
        )))
    }

    fn cut(&mut self) -> Result<(), Failure> {
        self.open_second_switch()
    }

    fn restore(&mut self) -> Result<(), Failure> {
        self.switch_contactor(Contact::Closed, Urgency::Heat)
    }
}
