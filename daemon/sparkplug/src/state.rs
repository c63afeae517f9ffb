//! What a host says of itself: `{"online":true,"timestamp":1700000000000}` on its STATE topic, retained.

/// A host is there, or no more.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct State {
    pub(crate) online: bool,
    /// When its session began, ms since 1970: birth and death of one session carry the same.
    pub(crate) timestamp: u64,
}

impl State {
    /// Longest text that is looked at.
    const BYTES_MAX: usize = 1_024;

    /// Reads one. None for whatever is no state of Sparkplug 3.0, such as the bare words of version 2.
    pub(crate) fn read(payload: &[u8]) -> Option<Self> {
        if payload.len() > Self::BYTES_MAX {
            return None;
        }
        let value: serde_json::Value = serde_json::from_slice(payload).ok()?;
        Some(Self {
            online: value.get("online")?.as_bool()?,
            timestamp: value.get("timestamp")?.as_u64()?,
        })
    }
}

/// The primary host, as far as it has been heard of.
#[derive(Debug, Default)]
pub(crate) struct Host {
    /// It was heard to be online on this connection, and not to have gone.
    pub(crate) online: bool,
    /// Newest timestamp of all its states. Kept over connections: a state that a broker kept too long is older.
    newest: Option<u64>,
    /// Newest timestamp of those that said online.
    newest_online: Option<u64>,
}

impl Host {
    /// Takes a state into account. Returns whether it counts; an older one doesn't.
    pub(crate) fn heard(&mut self, state: State) -> bool {
        // The death of a session is compared with that session's birth, and not with a death that came before.
        let since = if state.online {
            self.newest
        } else {
            self.newest_online
        };
        if since.is_some_and(|since| state.timestamp < since) {
            return false;
        }
        self.newest = self.newest.max(Some(state.timestamp));
        if state.online {
            self.newest_online = Some(state.timestamp);
        }
        self.online = state.online;
        true
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn state(online: bool, timestamp: u64) -> State {
        State { online, timestamp }
    }

    #[test]
    fn only_json_with_both_keys_is_a_state() {
        assert_eq!(
            State::read(br#"{"online":true,"timestamp":5}"#),
            Some(state(true, 5))
        );
        assert_eq!(
            State::read(br#"{"timestamp":5,"online":false,"more":1}"#),
            Some(state(false, 5))
        );
        for odd in [
            &b"ONLINE"[..],
            b"",
            b"{}",
            br#"{"online":true}"#,
            br#"{"online":"true","timestamp":5}"#,
            br#"{"online":true,"timestamp":-5}"#,
            br#"{"online":true,"timestamp":5.5}"#,
            b"[true,5]",
            b"\xff\xfe",
        ] {
            assert_eq!(State::read(odd), None, "{odd:?}");
        }
        let long = format!(
            r#"{{"online":true,"timestamp":5,"more":"{}"}}"#,
            "x".repeat(2_000)
        );
        assert_eq!(State::read(long.as_bytes()), None);
    }

    #[test]
    fn the_first_counts_and_an_older_one_does_not() {
        let mut host = Host::default();
        assert!(host.heard(state(true, 100)) && host.online);
        assert!(
            !host.heard(state(false, 99)) && host.online,
            "the death of a session before"
        );
        assert!(
            host.heard(state(false, 100)) && !host.online,
            "the death of this one"
        );
        assert!(
            !host.heard(state(true, 99)) && !host.online,
            "a birth that is over"
        );
        assert!(
            host.heard(state(true, 100)) && host.online,
            "the same birth, told again"
        );
        assert!(host.heard(state(true, 200)) && host.online);
    }
}
