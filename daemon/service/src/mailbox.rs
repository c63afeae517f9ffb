//! What waits to be written to one driver.
//!
//! Not a queue: per output the newest command of each kind, so that a driver that stops reading costs a few hundred
//! bytes and nobody's time. What has been overtaken is dropped, a cut goes before everything, and heat that waited
//! is given only for what is left of its permit.

use std::borrow::Cow;
use std::io::{self, Write};
use std::sync::Arc;

use benchward_core::interlock::Permit;
use benchward_core::units::{Fraction, Millis};
use benchward_core::{OutputId, Seq};
use benchward_driver::wire::{Heat, Switching, ToDriver};

/// Commands that wait for one output.
#[derive(Debug)]
struct Slot {
    output: OutputId,
    name: Arc<str>,
    cut: Option<Seq>,
    restore: Option<Seq>,
    heat: Option<Waiting>,
}

/// Heat that waits for one output.
#[derive(Debug)]
struct Waiting {
    seq: Seq,
    fraction: Fraction,
    /// Where in each window the on-time starts.
    offset: Option<Millis>,
    /// When it was granted.
    since: Millis,
}

/// What waits to be written to one driver.
#[derive(Debug, Default)]
pub(crate) struct Mailbox {
    slots: Vec<Slot>,
    close: bool,
    /// A line that has been begun, or whole lines that may not be dropped (`configure`).
    begun: Vec<u8>,
    scratch: Vec<u8>,
}

impl Mailbox {
    /// A mailbox for a driver with these wired outputs, with its first line.
    pub(crate) fn new(outputs: impl IntoIterator<Item = (OutputId, Arc<str>)>, first: Vec<u8>) -> Self {
        let slots = outputs
            .into_iter()
            .map(|(output, name)| Slot {
                output,
                name,
                cut: None,
                restore: None,
                heat: None,
            })
            .collect();
        Self {
            slots,
            begun: first,
            ..Self::default()
        }
    }

    fn slot(&mut self, output: OutputId) -> Option<&mut Slot> {
        self.slots.iter_mut().find(|slot| slot.output == output)
    }

    /// Heat, for [`Permit::VALID`] from `now`.
    pub(crate) fn heat(
        &mut self,
        output: OutputId,
        seq: Seq,
        fraction: Fraction,
        offset: Option<Millis>,
        now: Millis,
    ) {
        if let Some(slot) = self.slot(output) {
            slot.heat = Some(Waiting {
                seq,
                fraction,
                offset,
                since: now,
            });
        }
    }

    /// Cut: whatever else waits for this output is void.
    pub(crate) fn cut(&mut self, output: OutputId, seq: Seq) {
        if let Some(slot) = self.slot(output) {
            slot.cut = Some(seq);
            slot.restore = None;
            slot.heat = None;
        }
    }

    /// Restore. A cut that waits still goes first.
    pub(crate) fn restore(&mut self, output: OutputId, seq: Seq) {
        if let Some(slot) = self.slot(output) {
            slot.restore = Some(seq);
        }
    }

    /// The driver is to end.
    pub(crate) fn close(&mut self) {
        self.close = true;
    }

    /// Whether something waits that `write` could not get rid of.
    pub(crate) fn is_full(&self) -> bool {
        !self.begun.is_empty()
    }

    /// Writes as much as `to` takes without waiting.
    ///
    /// # Errors
    /// What `to` says, except that it would have to wait: then the rest stays here.
    pub(crate) fn write(&mut self, to: &mut impl Write, now: Millis) -> io::Result<()> {
        loop {
            while !self.begun.is_empty() {
                match to.write(&self.begun) {
                    Ok(0) => return Err(io::ErrorKind::WriteZero.into()),
                    Ok(written) => drop(self.begun.drain(..written)),
                    Err(error) if error.kind() == io::ErrorKind::WouldBlock => return Ok(()),
                    Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                    Err(error) => return Err(error),
                }
            }
            if !self.next(now) {
                return Ok(());
            }
        }
    }

    /// Takes the next command as a line into `begun`: cuts of all outputs first, then restores, then heat. Returns
    /// whether there was one.
    fn next(&mut self, now: Millis) -> bool {
        let mut line = std::mem::take(&mut self.scratch);
        line.clear();
        let found = self.take(now, &mut line);
        if found {
            std::mem::swap(&mut self.begun, &mut line);
        }
        self.scratch = line;
        found
    }

    fn take(&mut self, now: Millis, line: &mut Vec<u8>) -> bool {
        let switching = |seq: Seq, name: &Arc<str>| Switching {
            seq: seq.0,
            output: Cow::Owned(name.to_string()),
        };
        for slot in &mut self.slots {
            if let Some(seq) = slot.cut.take() {
                ToDriver::Cut(switching(seq, &slot.name)).write_line(line);
                return true;
            }
        }
        for slot in &mut self.slots {
            if let Some(seq) = slot.restore.take() {
                ToDriver::Restore(switching(seq, &slot.name)).write_line(line);
                return true;
            }
        }
        for slot in &mut self.slots {
            let Some(Waiting {
                seq,
                fraction,
                offset,
                since,
            }) = slot.heat.take()
            else {
                continue;
            };
            let left = Permit::VALID.0.saturating_sub(now.since(since).0);
            // Heat whose permit ran out while it waited is no heat. Zero is always right.
            if left == 0 && !fraction.is_zero() {
                continue;
            }
            ToDriver::Heat(Heat {
                seq: seq.0,
                output: Cow::Borrowed(&slot.name),
                fraction: fraction.share(),
                valid_ms: u32::try_from(left.max(1)).unwrap_or(1),
                offset_ms: offset.map(|offset| offset.seconds() * 1_000.0),
            })
            .write_line(line);
            return true;
        }
        if self.close {
            self.close = false;
            ToDriver::Close.write_line(line);
            return true;
        }
        false
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A pipe that takes a few bytes at a time and then is full.
    struct Narrow {
        room: usize,
        taken: Vec<u8>,
    }

    impl Write for Narrow {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            let count = bytes.len().min(self.room).min(7);
            if count == 0 {
                return Err(io::ErrorKind::WouldBlock.into());
            }
            self.room -= count;
            self.taken.extend(&bytes[..count]);
            Ok(count)
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    fn mailbox() -> Mailbox {
        Mailbox::new([(OutputId(0), Arc::from("heat1"))], Vec::new())
    }

    fn text(taken: &[u8]) -> Vec<serde_json::Value> {
        taken
            .split(|b| *b == b'\n')
            .filter(|l| !l.is_empty())
            .map(|l| serde_json::from_slice(l).unwrap())
            .collect()
    }

    #[test]
    fn a_full_pipe_keeps_only_the_newest_heat_and_the_cut_goes_first() {
        let mut mailbox = mailbox();
        let mut full = Narrow {
            room: 0,
            taken: Vec::new(),
        };
        for n in 0..10_000 {
            mailbox.heat(OutputId(0), Seq(n), Fraction::ONE, None, Millis(n));
            mailbox.write(&mut full, Millis(n)).unwrap();
        }
        assert!(
            mailbox.begun.len() < 200,
            "what waits is bounded, however long it waits"
        );
        mailbox.cut(OutputId(0), Seq(10_000));
        let mut open = Narrow {
            room: 10_000,
            taken: Vec::new(),
        };
        mailbox.write(&mut open, Millis(10_000)).unwrap();
        let lines = text(&open.taken);
        // One line had been begun before the pipe was full; after it comes the cut, and no heat any more.
        assert_eq!(lines.last().unwrap()["msg"], "cut");
        assert!(lines.len() <= 2, "{lines:?}");
    }

    #[test]
    fn a_line_that_was_begun_is_finished() {
        let mut mailbox = mailbox();
        mailbox.heat(OutputId(0), Seq(1), Fraction::ONE, None, Millis(0));
        let mut pipe = Narrow {
            room: 20,
            taken: Vec::new(),
        };
        mailbox.write(&mut pipe, Millis(0)).unwrap();
        pipe.room = 10_000;
        mailbox.cut(OutputId(0), Seq(2));
        mailbox.write(&mut pipe, Millis(0)).unwrap();
        let lines = text(&pipe.taken);
        assert_eq!(
            (&lines[0]["msg"], &lines[1]["msg"]),
            (&"heat".into(), &"cut".into())
        );
    }

    #[test]
    fn heat_that_waited_is_given_for_what_is_left_of_its_permit() {
        let mut mailbox = mailbox();
        let mut pipe = Narrow {
            room: 10_000,
            taken: Vec::new(),
        };
        mailbox.heat(OutputId(0), Seq(1), Fraction::ONE, None, Millis(1_000));
        mailbox
            .write(&mut pipe, Millis(1_000 + Permit::VALID.0 - 300))
            .unwrap();
        assert_eq!(text(&pipe.taken)[0]["valid_ms"], 300);
        pipe.taken.clear();
        mailbox.heat(OutputId(0), Seq(2), Fraction::ONE, None, Millis(1_000));
        mailbox.write(&mut pipe, Millis(1_000 + Permit::VALID.0)).unwrap();
        assert!(
            pipe.taken.is_empty(),
            "a permit that ran out while waiting is no permit"
        );
    }

    #[test]
    fn heat_says_where_its_on_time_starts() {
        let mut mailbox = mailbox();
        let mut pipe = Narrow {
            room: 10_000,
            taken: Vec::new(),
        };
        mailbox.heat(OutputId(0), Seq(1), Fraction::ONE, Some(Millis(420)), Millis(0));
        mailbox.write(&mut pipe, Millis(0)).unwrap();
        mailbox.heat(OutputId(0), Seq(2), Fraction::ONE, None, Millis(0));
        mailbox.write(&mut pipe, Millis(0)).unwrap();
        let lines = text(&pipe.taken);
        assert_eq!(lines[0]["offset_ms"], 420.0);
        assert!(lines[1].get("offset_ms").is_none(), "{}", lines[1]);
    }

    #[test]
    fn restore_overtaken_by_a_cut_is_dropped() {
        let mut mailbox = mailbox();
        let mut pipe = Narrow {
            room: 10_000,
            taken: Vec::new(),
        };
        mailbox.restore(OutputId(0), Seq(1));
        mailbox.cut(OutputId(0), Seq(2));
        mailbox.write(&mut pipe, Millis(0)).unwrap();
        let lines = text(&pipe.taken);
        assert_eq!(lines.len(), 1);
        assert_eq!(lines[0]["msg"], "cut");
    }
}
