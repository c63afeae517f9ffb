//! Modbus TCP, after "MODBUS Messaging on TCP/IP Implementation Guide" V1.0b: one question at a time on one connection.
//!
//! Every question has a number that its answer repeats, so an answer that comes late is known and passed over.

use std::io::{self, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::time::{Duration, Instant};

use crate::pdu::{Answer, NoAnswer, Request};
use crate::trouble::Trouble;

/// Longest wait for a connection. Everything on the line waits with it.
const CONNECT_WAIT: Duration = Duration::from_millis(300);

/// Bytes before the unit's id: number, protocol, length.
const HEAD: usize = 6;

/// Longest unit id and PDU together, by the standard.
const MOST_BODY: usize = 254;

/// An open connection.
#[derive(Debug)]
pub(crate) struct Tcp {
    stream: TcpStream,
    number: u16,
    received: Vec<u8>,
}

impl Tcp {
    pub(crate) fn connect(addresses: &[SocketAddr]) -> io::Result<Self> {
        let mut last = io::Error::new(io::ErrorKind::NotFound, "the name has no address");
        for address in addresses {
            match TcpStream::connect_timeout(address, CONNECT_WAIT) {
                Ok(stream) => {
                    // A question is one small packet that must not wait for another.
                    stream.set_nodelay(true)?;
                    stream.set_write_timeout(Some(CONNECT_WAIT))?;
                    return Ok(Tcp {
                        stream,
                        number: 0,
                        received: Vec::with_capacity(512),
                    });
                }
                Err(error) => last = error,
            }
        }
        Err(last)
    }

    /// Asks, and waits at most so long for the answer.
    ///
    /// # Errors
    /// [`io::Error`] if the connection is of no use any more; the inner [`Trouble`] if it is, but there is no answer.
    pub(crate) fn exchange(
        &mut self,
        unit: u8,
        request: Request,
        wait: Duration,
    ) -> io::Result<Result<Answer, Trouble>> {
        self.number = self.number.wrapping_add(1);
        let mut frame = Vec::with_capacity(12);
        frame.extend(self.number.to_be_bytes());
        frame.extend([0, 0, 0, 6, unit]);
        request.encode(&mut frame);
        self.stream.write_all(&frame)?;
        let until = Instant::now() + wait;
        loop {
            while let Some(frame) = self.next_frame()? {
                let number = u16::from_be_bytes([frame[0], frame[1]]);
                if number != self.number {
                    // The answer to a question that was given up.
                    continue;
                }
                let body = &frame[HEAD..];
                if body[0] != unit {
                    return Ok(Err(Trouble::OtherUnit(body[0])));
                }
                return Ok(match request.answer(&body[1..]) {
                    Ok(answer) => Ok(answer),
                    Err(NoAnswer::Exception(exception)) => Err(Trouble::Exception(exception)),
                    Err(NoAnswer::Unfit) => Err(Trouble::Garbled(body.len() - 1)),
                });
            }
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                return Ok(Err(Trouble::Silent(wait)));
            }
            self.receive(left)?;
        }
    }

    fn receive(&mut self, within: Duration) -> io::Result<()> {
        let mut bytes = [0; 512];
        self.stream
            .set_read_timeout(Some(within.max(Duration::from_millis(1))))?;
        match self.stream.read(&mut bytes) {
            Ok(0) => Err(io::Error::new(
                io::ErrorKind::UnexpectedEof,
                "the other end closed the connection",
            )),
            Ok(count) => {
                self.received.extend(&bytes[..count]);
                Ok(())
            }
            Err(error)
                if matches!(
                    error.kind(),
                    io::ErrorKind::TimedOut | io::ErrorKind::WouldBlock | io::ErrorKind::Interrupted
                ) =>
            {
                Ok(())
            }
            Err(error) => Err(error),
        }
    }

    /// A whole frame from what has been received.
    fn next_frame(&mut self) -> io::Result<Option<Vec<u8>>> {
        let Some(head) = self.received.first_chunk::<HEAD>() else {
            return Ok(None);
        };
        let protocol = u16::from_be_bytes([head[2], head[3]]);
        let body = usize::from(u16::from_be_bytes([head[4], head[5]]));
        if protocol != 0 || !(2..=MOST_BODY).contains(&body) {
            // There is no way to find the next frame in such a stream.
            return Err(io::Error::new(
                io::ErrorKind::InvalidData,
                format!("what came isn't Modbus TCP: protocol {protocol}, length {body}"),
            ));
        }
        if self.received.len() < HEAD + body {
            return Ok(None);
        }
        Ok(Some(self.received.drain(..HEAD + body).collect()))
    }
}
