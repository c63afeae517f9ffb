//! What was sent and is not acknowledged.
//!
//! The library says `Outgoing::Publish(id)` for each message in the order in which they were handed to it, and later
//! `PubAck` with that id. Packet ids are used again, so a message is only sent while the oldest unacknowledged one is less
//! than a window behind: then no id is taken twice, also where the broker acknowledges out of order.

use std::collections::VecDeque;

use rumqttc::Outgoing;
use rumqttc::v5::Event;
use rumqttc::v5::mqttbytes::v5::{Packet, PubAckReason};

/// Messages in flight, each with what its acknowledgement means.
pub(super) struct Window<T> {
    size: usize,
    /// In the order of sending; those in the middle that are acknowledged are `None`.
    sent: VecDeque<(u16, Option<T>)>,
    /// Of the last ones, how many have no id yet: the client has them, the connection not.
    unnumbered: usize,
}

/// What became of a message.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Answer<T> {
    /// The broker has it.
    Acknowledged(T),
    /// The broker doesn't take it.
    Refused(T, PubAckReason),
}

impl<T> Window<T> {
    pub(super) fn new(size: u16) -> Self {
        Self {
            size: usize::from(size.max(1)),
            sent: VecDeque::new(),
            unnumbered: 0,
        }
    }

    /// Whether one more may be sent.
    pub(super) fn has_room(&self) -> bool {
        self.sent.len() < self.size
    }

    /// A message was handed to the client.
    pub(super) fn sent(&mut self, meaning: T) {
        self.sent.push_back((0, Some(meaning)));
        self.unnumbered += 1;
    }

    /// What an event of the connection says of a message, if it does.
    pub(super) fn heard(&mut self, event: &Event) -> Option<Answer<T>> {
        match event {
            Event::Outgoing(Outgoing::Publish(id)) if self.unnumbered > 0 => {
                let at = self.sent.len() - self.unnumbered;
                self.sent[at].0 = *id;
                self.unnumbered -= 1;
                None
            }
            Event::Incoming(Packet::PubAck(ack)) => {
                let numbered = self.sent.len() - self.unnumbered;
                let found = self.sent.iter_mut().take(numbered);
                let meaning = found
                    .filter(|(id, _)| *id == ack.pkid)
                    .find_map(|(_, meaning)| meaning.take())?;
                while self.sent.len() > self.unnumbered
                    && self.sent.front().is_some_and(|(_, meaning)| meaning.is_none())
                {
                    self.sent.pop_front();
                }
                Some(match ack.reason {
                    PubAckReason::Success | PubAckReason::NoMatchingSubscribers => {
                        Answer::Acknowledged(meaning)
                    }
                    reason => Answer::Refused(meaning, reason),
                })
            }
            _ => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use rumqttc::v5::mqttbytes::v5::PubAck;

    use super::*;

    fn out(id: u16) -> Event {
        Event::Outgoing(Outgoing::Publish(id))
    }

    fn ack(id: u16, reason: PubAckReason) -> Event {
        let mut ack = PubAck::new(id, None);
        ack.reason = reason;
        Event::Incoming(Packet::PubAck(ack))
    }

    #[test]
    fn answers_find_their_messages_in_any_order() {
        let mut window = Window::new(3);
        for name in ["a", "b", "c"] {
            assert!(window.has_room());
            window.sent(name);
        }
        assert!(!window.has_room());
        assert_eq!(
            window.heard(&ack(1, PubAckReason::Success)),
            None,
            "it was not sent yet"
        );
        for id in 1..=3 {
            assert_eq!(window.heard(&out(id)), None);
        }
        assert_eq!(
            window.heard(&ack(2, PubAckReason::Success)),
            Some(Answer::Acknowledged("b"))
        );
        assert!(!window.has_room(), "id 1 is still in use");
        assert_eq!(
            window.heard(&ack(1, PubAckReason::NotAuthorized)),
            Some(Answer::Refused("a", PubAckReason::NotAuthorized))
        );
        assert!(window.has_room());
        window.sent("d");
        window.heard(&out(1));
        assert_eq!(
            window.heard(&ack(3, PubAckReason::NoMatchingSubscribers)),
            Some(Answer::Acknowledged("c"))
        );
        assert_eq!(
            window.heard(&ack(1, PubAckReason::Success)),
            Some(Answer::Acknowledged("d"))
        );
        assert_eq!(window.heard(&ack(1, PubAckReason::Success)), None, "twice");
    }
}
