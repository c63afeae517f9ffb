//! Modbus RTU on a serial line, after "MODBUS over Serial Line" V1.02.
//!
//! The end of an answer is judged by its expected length and its checksum. The pauses inside a frame, which the standard
//! also knows, can't be seen from user space. Before an answer any number of bytes may stand that belong to nothing:
//! transceivers make such bytes when they change direction.

use std::collections::BTreeMap;
use std::io;
use std::path::Path;
use std::thread;
use std::time::{Duration, Instant};

use serial2::SerialPort;

use crate::pdu::{Answer, NoAnswer, Request};
use crate::settings::{Parity, Serial};
use crate::trouble::Trouble;

/// How long bytes have to stop coming until what came is judged to be no answer. USB adapters hand over what they got
/// every 16 ms.
const GARBLED_AFTER: Duration = Duration::from_millis(25);

/// Most bytes that are kept of one answer: the longest frame, and as much again in front of it.
const MOST_BYTES: usize = 512;

/// An open line.
#[derive(Debug)]
pub(crate) struct Rtu {
    port: SerialPort,
    timing: Timing,
    /// When something was last on the line.
    busy: Instant,
    /// Units that may still have something to say.
    late: BTreeMap<u8, Late>,
    frame: Vec<u8>,
}

/// A unit that didn't answer in time may answer yet, and nothing in an answer says to what question. What comes late must
/// not pass for the answer to another one: a bench would be controlled by another bench's temperature.
///
/// So the same question may be repeated at once, since its late answer is an answer to it all the same. Then, answered or not, the
/// unit is asked for nothing more until all that it may have to say has been said to nobody.
#[derive(Debug)]
struct Late {
    question: Request,
    until: Instant,
    may_repeat: bool,
}

/// How long a unit gets to say what it didn't say in time: three times as long as it should have taken.
pub(crate) fn late_after(wait: Duration) -> Duration {
    3 * wait
}

/// How long things take on a line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Timing {
    bits_per_byte: f64,
    baud: f64,
}

impl Timing {
    pub(crate) fn of(serial: Serial) -> Self {
        let parity = f64::from(u8::from(serial.parity != Parity::None));
        Timing {
            bits_per_byte: 9.0 + parity + f64::from(serial.stop_bits()),
            baud: f64::from(serial.baud),
        }
    }

    /// So many bytes on the line.
    pub(crate) fn bytes(&self, count: usize) -> Duration {
        let count = u32::try_from(count).unwrap_or(u32::MAX);
        Duration::from_secs_f64(f64::from(count) * self.bits_per_byte / self.baud)
    }

    /// The pause between frames: 3.5 characters, and 1.75 ms above 19200 baud.
    pub(crate) fn pause(&self) -> Duration {
        if self.baud > 19_200.0 {
            Duration::from_micros(1_750)
        } else {
            Duration::from_secs_f64(3.5 * self.bits_per_byte / self.baud)
        }
    }

    /// One exchange with a unit that answers at once.
    pub(crate) fn exchange(&self, request: Request) -> Duration {
        let question = 1 + 5 + 2;
        let answer = 1 + request.answer_len() + 2;
        self.bytes(question + answer) + 2 * self.pause()
    }
}

impl Rtu {
    pub(crate) fn open(path: &Path, serial: Serial) -> io::Result<Self> {
        let port = SerialPort::open(path, |mut settings: serial2::Settings| {
            settings.set_raw();
            settings.set_baud_rate(serial.baud)?;
            settings.set_parity(match serial.parity {
                Parity::None => serial2::Parity::None,
                Parity::Odd => serial2::Parity::Odd,
                Parity::Even => serial2::Parity::Even,
            });
            settings.set_stop_bits(match serial.stop_bits() {
                2 => serial2::StopBits::Two,
                _ => serial2::StopBits::One,
            });
            Ok(settings)
        })?;
        Ok(Rtu {
            port,
            timing: Timing::of(serial),
            busy: Instant::now(),
            late: BTreeMap::new(),
            frame: Vec::with_capacity(MOST_BYTES),
        })
    }

    /// Asks, and waits at most so long for the answer to begin.
    ///
    /// # Errors
    /// [`io::Error`] if the port is gone; the inner [`Trouble`] if it is there but no answer.
    pub(crate) fn exchange(
        &mut self,
        unit: u8,
        request: Request,
        wait: Duration,
    ) -> io::Result<Result<Answer, Trouble>> {
        if let Some(until) = self.wait_for_late_answers(unit, request) {
            return Ok(Err(Trouble::Later(until)));
        }
        let pause = self.timing.pause().saturating_sub(self.busy.elapsed());
        thread::sleep(pause);
        self.port.discard_input_buffer()?;

        self.frame.clear();
        self.frame.push(unit);
        request.encode(&mut self.frame);
        let crc = crc16(&self.frame);
        self.frame.extend(crc.to_le_bytes());
        self.port
            .set_write_timeout(wait.max(Duration::from_millis(100)))?;
        self.port.write_all(&self.frame)?;

        let answer_len = 1 + request.answer_len() + 2;
        let on_the_line = self.timing.bytes(self.frame.len() + answer_len);
        let until = Instant::now() + on_the_line + wait;
        self.frame.clear();
        let outcome = loop {
            let mut left = until.saturating_duration_since(Instant::now());
            if self.frame.len() >= answer_len {
                left = left.min(GARBLED_AFTER);
            }
            if left.is_zero() || !self.receive(left)? {
                break Err(self.diagnose(unit, request, wait));
            }
            if let Some(answer) = find(&self.frame, unit, request) {
                break answer;
            }
        };
        self.busy = Instant::now();
        let may_come_yet = match outcome {
            Err(Trouble::Garbled(bytes)) => bytes < answer_len,
            Err(Trouble::Silent(_) | Trouble::OtherUnit(_)) => true,
            _ => false,
        };
        self.note_lateness(unit, request, wait, may_come_yet);
        Ok(outcome)
    }

    /// Until when this question has to wait, if it has to.
    fn wait_for_late_answers(&mut self, unit: u8, request: Request) -> Option<Instant> {
        let late = self.late.get(&unit)?;
        if Instant::now() >= late.until {
            self.late.remove(&unit);
            return None;
        }
        // The echo of a write can't be mistaken for a reading.
        let safe = !request.reads() || (late.may_repeat && late.question == request);
        (!safe).then_some(late.until)
    }

    fn note_lateness(&mut self, unit: u8, request: Request, wait: Duration, may_come_yet: bool) {
        if request.reads() && (may_come_yet || self.late.contains_key(&unit)) {
            let late = Late {
                question: request,
                until: Instant::now() + late_after(wait),
                may_repeat: may_come_yet,
            };
            self.late.insert(unit, late);
        }
    }

    /// Takes what has come, if anything comes within that time.
    fn receive(&mut self, within: Duration) -> io::Result<bool> {
        let mut bytes = [0; 256];
        self.port.set_read_timeout(within.max(Duration::from_millis(1)))?;
        match self.port.read(&mut bytes) {
            Ok(0) => Err(io::Error::new(
                io::ErrorKind::UnexpectedEof,
                "the port was hung up",
            )),
            Ok(count) => {
                let room = MOST_BYTES - self.frame.len().min(MOST_BYTES);
                self.frame.extend(&bytes[..count.min(room)]);
                Ok(true)
            }
            Err(error) if matches!(error.kind(), io::ErrorKind::TimedOut | io::ErrorKind::WouldBlock) => {
                Ok(false)
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => Ok(true),
            Err(error) => Err(error),
        }
    }

    fn diagnose(&self, unit: u8, request: Request, wait: Duration) -> Trouble {
        match self.frame[..] {
            [] => Trouble::Silent(wait),
            [other, ..] if other != unit && find(&self.frame, other, request).is_some() => {
                Trouble::OtherUnit(other)
            }
            _ => Trouble::Garbled(self.frame.len()),
        }
    }
}

/// The answer among these bytes, if it is there whole.
fn find(bytes: &[u8], unit: u8, request: Request) -> Option<Result<Answer, Trouble>> {
    let refusal = request.function() | 0x80;
    (0..bytes.len()).find_map(|at| {
        let frame = &bytes[at..];
        let pdu_len = match *frame {
            [u, f, ..] if u == unit && f == request.function() => request.answer_len(),
            [u, f, ..] if u == unit && f == refusal => 2,
            _ => return None,
        };
        let body = frame.get(..=pdu_len)?;
        let crc = frame.get(1 + pdu_len..)?.first_chunk::<2>()?;
        if crc16(body) != u16::from_le_bytes(*crc) {
            return None;
        }
        match request.answer(&body[1..]) {
            Ok(answer) => Some(Ok(answer)),
            Err(NoAnswer::Exception(exception)) => Some(Err(Trouble::Exception(exception))),
            Err(NoAnswer::Unfit) => None,
        }
    })
}

/// The checksum of V1.02, section 6.2.2: start 0xFFFF, polynomial 0xA001, low byte first on the line.
pub(crate) fn crc16(bytes: &[u8]) -> u16 {
    bytes.iter().fold(0xffff, |crc, byte| {
        (0..8).fold(crc ^ u16::from(*byte), |crc, _| {
            if crc & 1 == 1 { crc >> 1 ^ 0xa001 } else { crc >> 1 }
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::pdu::{Exception, Table};

    const READ: Request = Request::Read {
        table: Table::InputRegister,
        address: 0,
        count: 1,
    };

    fn framed(body: &[u8]) -> Vec<u8> {
        let mut frame = body.to_vec();
        frame.extend(crc16(body).to_le_bytes());
        frame
    }

    #[test]
    fn checksum_of_the_specification() {
        // V1.02, section 6.2.2: "the CRC of 02 07 is 41 12", and a frame read off a line.
        assert_eq!(crc16(&[0x02, 0x07]).to_le_bytes(), [0x41, 0x12]);
        assert_eq!(crc16(&[0x01, 0x03, 0, 0, 0, 4]).to_le_bytes(), [0x44, 0x09]);
    }

    #[test]
    fn an_answer_is_found_behind_noise_and_only_whole() {
        let frame = framed(&[1, 4, 2, 0, 42]);
        let right = Some(Ok(Answer::Registers(vec![42])));
        assert_eq!(find(&frame, 1, READ), right);
        assert_eq!(find(&[&[0x00, 0xff, 1][..], &frame].concat(), 1, READ), right);
        for len in 0..frame.len() {
            assert_eq!(find(&frame[..len], 1, READ), None, "{len} bytes");
        }
        for bit in 0..frame.len() * 8 {
            let mut flipped = frame.clone();
            flipped[bit / 8] ^= 1 << (bit % 8);
            assert_eq!(find(&flipped, 1, READ), None, "bit {bit}");
        }
        assert_eq!(find(&frame, 2, READ), None);
        let refused = find(&framed(&[1, 0x84, 2]), 1, READ);
        assert_eq!(refused, Some(Err(Trouble::Exception(Exception(2)))));
    }

    #[test]
    fn times_on_a_line() {
        let line = |baud, parity, stop_bits| {
            Timing::of(Serial {
                baud,
                parity,
                stop_bits,
            })
        };
        // Eleven bits a character: 7 characters back and 8 there, and twice 3.5 of silence, at 9600 baud.
        let slow = line(9_600, Parity::Even, None);
        assert_eq!(
            slow.exchange(READ).as_micros(),
            u128::from(22_u32 * 11 * 1_000_000 / 9_600)
        );
        assert_eq!(
            line(9_600, Parity::None, None),
            slow,
            "two stop bits stand in for parity"
        );
        assert_eq!(line(9_600, Parity::None, Some(1)).bytes(1).as_micros(), 1_041);
        assert_eq!(line(115_200, Parity::Even, None).pause().as_micros(), 1_750);
    }
}
