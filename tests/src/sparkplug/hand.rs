//! A broker by hand, for one client: it says what a client really sends, packet by packet, and answers what it has to
//! (MQTT Version 5.0, OASIS Standard, chapter 3).

use std::io::{Read as _, Write as _};
use std::net::{Ipv4Addr, TcpListener, TcpStream};

use crate::wait::PATIENCE;

/// Waits for a client.
#[derive(Debug)]
pub struct HandBroker {
    listener: TcpListener,
}

/// One packet.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Packet {
    /// Type and flags.
    pub first: u8,
    /// What follows the length.
    pub rest: Vec<u8>,
}

/// What a CONNECT holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Connect {
    /// Its flags: 0x02 clean start, 0x04 a will, 0x18 its `QoS`, 0x20 it is retained.
    pub flags: u8,
    /// For how many seconds the session outlives the connection; absent counts as 0.
    pub session_expiry: Option<u32>,
    /// Who it is.
    pub client_id: String,
    /// Where its will goes to.
    pub will_topic: String,
    /// What its will says.
    pub will: Vec<u8>,
}

/// A PUBLISH.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Publish {
    /// Where to.
    pub topic: String,
    /// Quality of service.
    pub qos: u8,
    /// To be kept.
    pub retained: bool,
    /// Payload.
    pub payload: Vec<u8>,
}

impl HandBroker {
    /// One on a free port.
    ///
    /// # Panics
    /// If there is none.
    pub fn start() -> Self {
        let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).expect("a free port");
        Self { listener }
    }

    /// Where it listens.
    ///
    /// # Panics
    /// Never: it is bound.
    pub fn port(&self) -> u16 {
        self.listener.local_addr().expect("it is bound").port()
    }

    /// The next client. Its CONNECT is read and accepted.
    ///
    /// # Panics
    /// If it sends something else.
    pub fn accept(&self) -> (Session, Connect) {
        let (stream, _) = self.listener.accept().expect("a client");
        stream.set_read_timeout(Some(PATIENCE)).expect("a socket has one");
        let mut session = Session { stream };
        let packet = session.any().expect("a CONNECT");
        assert_eq!(packet.first, 0x10, "CONNECT comes first");
        let connect = Connect::read(&packet.rest);
        session.send(0x20, &[0, 0, 0]);
        (session, connect)
    }
}

/// A client's connection.
#[derive(Debug)]
pub struct Session {
    stream: TcpStream,
}

impl Session {
    /// The next packet, a PINGREQ too; `None`: the client has closed.
    fn any(&mut self) -> Option<Packet> {
        let mut first = [0];
        if self
            .stream
            .read(&mut first)
            .expect("a client that says something")
            == 0
        {
            return None;
        }
        let (mut length, mut shift) = (0_usize, 0);
        loop {
            let mut byte = [0];
            self.stream.read_exact(&mut byte).expect("a length");
            length |= usize::from(byte[0] & 0x7f) << shift;
            shift += 7;
            if byte[0] & 0x80 == 0 {
                break;
            }
        }
        let mut rest = vec![0; length];
        self.stream.read_exact(&mut rest).expect("a whole packet");
        Some(Packet {
            first: first[0],
            rest,
        })
    }

    /// The next packet that is no PINGREQ, which are answered; `None`: the client has closed.
    ///
    /// # Panics
    /// If it sends half of one, or nothing for long.
    pub fn packet(&mut self) -> Option<Packet> {
        loop {
            let packet = self.any()?;
            if packet.first != 0xc0 {
                return Some(packet);
            }
            self.send(0xd0, &[]);
        }
    }

    /// The next packet, which has to be a SUBSCRIBE; it is granted. Returns its topics with their options.
    ///
    /// # Panics
    /// If it is another.
    pub fn subscribed(&mut self) -> Vec<(String, u8)> {
        let packet = self.packet().expect("a SUBSCRIBE");
        assert_eq!(packet.first, 0x82, "{packet:?}");
        let mut at = 2;
        let properties = length(&packet.rest, &mut at);
        at += properties;
        let mut topics = Vec::new();
        while at < packet.rest.len() {
            let topic = String::from_utf8(bytes(&packet.rest, &mut at)).expect("text");
            topics.push((topic, packet.rest[at]));
            at += 1;
        }
        let mut answer = vec![packet.rest[0], packet.rest[1], 0];
        answer.extend(topics.iter().map(|(_, options)| options & 3));
        self.send(0x90, &answer);
        topics
    }

    /// Publishes to the client with `QoS` 0.
    ///
    /// # Panics
    /// If it doesn't take it.
    pub fn publish(&mut self, topic: &str, payload: &[u8]) {
        let mut rest = u16::try_from(topic.len()).expect("short").to_be_bytes().to_vec();
        rest.extend(topic.as_bytes());
        rest.push(0);
        rest.extend(payload);
        self.send(0x30, &rest);
    }

    fn send(&mut self, first: u8, rest: &[u8]) {
        let mut packet = vec![first];
        let mut left = rest.len();
        loop {
            let more = if left > 127 { 0x80 } else { 0 };
            packet.push(u8::try_from(left % 128).expect("seven bits") | more);
            left /= 128;
            if left == 0 {
                break;
            }
        }
        packet.extend(rest);
        self.stream.write_all(&packet).expect("the client takes it");
    }
}

impl Connect {
    fn read(rest: &[u8]) -> Self {
        assert_eq!(&rest[..7], b"\0\x04MQTT\x05", "MQTT 5");
        let flags = rest[7];
        let mut at = 10;
        let end = length(rest, &mut at) + at;
        let mut session_expiry = None;
        while at < end {
            let property = rest[at];
            at += 1;
            match property {
                0x11 => {
                    let seconds = rest[at..at + 4].try_into().expect("four bytes");
                    session_expiry = Some(u32::from_be_bytes(seconds));
                    at += 4;
                }
                0x27 => at += 4,
                0x21 | 0x22 => at += 2,
                0x17 | 0x19 => at += 1,
                other => panic!("property {other:#x} of CONNECT"),
            }
        }
        let client_id = String::from_utf8(bytes(rest, &mut at)).expect("text");
        assert_ne!(flags & 4, 0, "a will");
        let will_properties = length(rest, &mut at);
        assert_eq!(will_properties, 0, "nothing delays the will");
        let will_topic = String::from_utf8(bytes(rest, &mut at)).expect("text");
        let will = bytes(rest, &mut at);
        Self {
            flags,
            session_expiry,
            client_id,
            will_topic,
            will,
        }
    }
}

impl Publish {
    /// Reads one; `None`: it is another packet.
    ///
    /// # Panics
    /// If it is damaged.
    pub fn read(packet: &Packet) -> Option<Self> {
        if packet.first >> 4 != 3 {
            return None;
        }
        let mut at = 0;
        let topic = String::from_utf8(bytes(&packet.rest, &mut at)).expect("text");
        let qos = (packet.first >> 1) & 3;
        if qos > 0 {
            at += 2;
        }
        let properties = length(&packet.rest, &mut at);
        at += properties;
        Some(Self {
            topic,
            qos,
            retained: packet.first & 1 == 1,
            payload: packet.rest[at..].to_vec(),
        })
    }
}

/// A variable byte integer (1.5.5).
fn length(rest: &[u8], at: &mut usize) -> usize {
    let (mut length, mut shift) = (0, 0);
    loop {
        let byte = rest[*at];
        *at += 1;
        length |= usize::from(byte & 0x7f) << shift;
        shift += 7;
        if byte & 0x80 == 0 {
            return length;
        }
    }
}

/// Bytes with their number before them (1.5.4, 1.5.6).
fn bytes(rest: &[u8], at: &mut usize) -> Vec<u8> {
    let length = usize::from(u16::from_be_bytes([rest[*at], rest[*at + 1]]));
    *at += 2 + length;
    rest[*at - length..*at].to_vec()
}
