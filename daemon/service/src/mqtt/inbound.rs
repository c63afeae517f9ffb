//! The little that may be asked for by message. From here the lab can only be made cooler.
//!
//! | topic | payload | does, where `allow` says so |
//! |---|---|---|
//! | `benchward/LAB/STATION/stop` | anything | ends heat at the station |
//! | `benchward/LAB/stop` | anything | ends heat everywhere |
//! | `benchward/LAB/STATION/present` | empty, `1`, `true`, or a JSON object, with `time` if it likes | confirms presence |
//!
//! A presence with a `time` that is older than [`PRESENT_FOR`] is refused: a message that was stuck on its way confirms
//! nothing. Retained messages and those of a time when there was no connection are not asked for, for the same reason.
//!
//! Everything else that anybody publishes below `benchward/LAB/` where we listen is refused, and journalled: at once, and then
//! at most once a minute with their number, since a journal that is kept for good is not to be filled from outside. That
//! includes messages on topics that only the lab publishes to: whoever sends them has more rights at the broker than he
//! should. The core has its own check behind this one: nothing of [`Origin::Network`] starts heat, raises a limit or resets a trip.

use std::time::Duration;

use benchward_archive::Wall;
use benchward_config::Allow;
use benchward_core::{Ask, Origin, Person, Roles};
use rumqttc::v5::AsyncClient;
use rumqttc::v5::mqttbytes::v5::{Filter, Publish, RetainForwardRule, SubAck, SubscribeReasonCode};
use tokio::time::Instant;
use tracing::warn;

use super::connection::QOS;
use crate::bus::Shared;

/// How old a presence may be that says when it was given.
const PRESENT_FOR: Duration = Duration::from_secs(30);
/// Refusals are journalled at most this often.
const JOURNAL_EVERY: Duration = Duration::from_mins(1);
/// As much of a foreign topic or payload as is journalled, characters.
const SHOWN_CHARS: usize = 80;

/// What comes in on one lab's topics.
pub(super) struct Inbound {
    root: String,
    allow: Allow,
    /// When a refusal was last journalled, how many came since, and the last of them.
    journalled: Option<Instant>,
    unsaid: u64,
    last: String,
}

impl Inbound {
    pub(super) fn new(root: String, allow: Allow) -> Self {
        Self {
            root,
            allow,
            journalled: None,
            unsaid: 0,
            last: String::new(),
        }
    }

    /// Listens to everything that has the form of a request: two and three words below the lab. Nothing retained, and
    /// nothing of this connection's own. What is recorded has more words, and doesn't come back.
    pub(super) fn subscribe(&self, client: &AsyncClient) -> anyhow::Result<()> {
        let filter = |path: String| Filter {
            nolocal: true,
            retain_forward_rule: RetainForwardRule::Never,
            ..Filter::new(path, QOS)
        };
        let root = &self.root;
        Ok(client.try_subscribe_many([filter(format!("{root}/+")), filter(format!("{root}/+/+"))])?)
    }

    /// The broker says what came of the subscription.
    pub(super) fn subscribed(&self, ack: &SubAck) {
        let refused = |code: &&SubscribeReasonCode| !matches!(code, SubscribeReasonCode::Success(_));
        if let Some(code) = ack.return_codes.iter().find(refused) {
            let allowed = match (self.allow.present, self.allow.stop) {
                (false, false) => "requests that are refused are not journalled",
                _ => "what `allow` allows can't be asked for",
            };
            warn!(
                "MQTT: the broker lets nobody ask here ({code:?} for {}/+/+): {allowed}",
                self.root
            );
        }
    }

    /// Somebody published where we listen.
    pub(super) async fn take(&mut self, shared: &Shared, message: &Publish) {
        let topic = String::from_utf8_lossy(&message.topic).into_owned();
        let refusal = match self.ask_of(shared, &topic, &message.payload) {
            Ok(ask) => {
                // The broker's access rules say who may publish there; to the core it is nobody but the network, with the least
                // role that may confirm presence.
                let roles = Roles {
                    operate: true,
                    ..Roles::NONE
                };
                let answer = shared
                    .lab
                    .ask(Person::new("mqtt"), roles, Origin::Network, ask)
                    .await;
                match answer {
                    Some(Err(refusal)) => refusal.to_string(),
                    Some(Ok(_)) | None => return,
                }
            }
            Err(refusal) => refusal,
        };
        self.refused(shared, &topic, &refusal);
    }

    /// What is asked for, or why it is refused.
    fn ask_of(&self, shared: &Shared, topic: &str, payload: &[u8]) -> Result<Ask, String> {
        const NOBODY: &str = "nothing can be asked for there";
        let rest = topic
            .strip_prefix(&self.root)
            .and_then(|rest| rest.strip_prefix('/'))
            .ok_or(NOBODY)?;
        let not_allowed = |what: &str| Err(format!("`allow` in `[mqtt]` doesn't have \"{what}\""));
        let station = |name: &str| {
            let found = shared.wiring.setup.station(name);
            found.ok_or_else(|| format!("there is no station {}", shown(name)))
        };
        match rest.rsplit_once('/') {
            None if rest == "stop" && self.allow.stop => Ok(Ask::Stop(None)),
            None if rest == "stop" => not_allowed("stop"),
            Some((name, "stop")) if self.allow.stop => Ok(Ask::Stop(Some(station(name)?))),
            Some((_, "stop")) => not_allowed("stop"),
            Some((name, "present")) if self.allow.present => {
                says_present(payload, shared.clock.wall_now())?;
                Ok(Ask::Present(station(name)?))
            }
            Some((_, "present")) => not_allowed("present"),
            None | Some(_) => Err(NOBODY.to_owned()),
        }
    }

    fn refused(&mut self, shared: &Shared, topic: &str, why: &str) {
        self.unsaid += 1;
        self.last = format!("{}: {why}", shown(topic));
        self.tell(shared);
    }

    /// Journals what was refused, if it is time.
    pub(super) fn tell(&mut self, shared: &Shared) {
        let due = self
            .journalled
            .is_none_or(|journalled| journalled.elapsed() >= JOURNAL_EVERY);
        if self.unsaid == 0 || !due {
            return;
        }
        let text = match std::mem::take(&mut self.unsaid) {
            1 => format!("a message was refused: {}", self.last),
            count => format!("{count} messages were refused, the last {}", self.last),
        };
        warn!("MQTT: {text}");
        shared.keep.own("mqtt-refused", text);
        self.journalled = Some(Instant::now());
    }
}

/// Whether a payload says that somebody is there.
fn says_present(payload: &[u8], now: Wall) -> Result<(), String> {
    let text = String::from_utf8_lossy(payload);
    let text = text.trim();
    if matches!(text, "" | "1" | "true") {
        return Ok(());
    }
    let Ok(serde_json::Value::Object(object)) = serde_json::from_str(text) else {
        return Err(format!(
            "{} is not a presence; send nothing, 1, true, or {{\"time\": \"2026-11-25T13:46:33Z\"}}",
            shown(text)
        ));
    };
    let Some(time) = object.get("time") else {
        return Ok(());
    };
    let given = time.as_str().and_then(|time| time.parse::<Wall>().ok());
    let given =
        given.ok_or_else(|| format!("`time` is {}, which is not RFC 3339", shown(&time.to_string())))?;
    let age_s = now.0.saturating_sub(given.0) / 1_000;
    if age_s > i64::try_from(PRESENT_FOR.as_secs()).unwrap_or(i64::MAX) {
        return Err(format!(
            "that presence is {age_s} s old, above the limit of {} s; confirm it anew, and check both clocks",
            PRESENT_FOR.as_secs()
        ));
    }
    Ok(())
}

/// Foreign text, cut and without control characters.
fn shown(text: &str) -> String {
    let cut: String = text.chars().take(SHOWN_CHARS).collect();
    format!("`{}`", cut.escape_debug())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_presence_says_that_somebody_is_there_now() {
        let now: Wall = "2026-11-25T10:00:00.000Z".parse().unwrap();
        for yes in [
            "",
            " 1\n",
            "true",
            "{}",
            r#"{"time":"2026-11-25T09:59:31Z"}"#,
            r#"{"time":"2026-11-25T10:00:40Z"}"#,
        ] {
            assert_eq!(says_present(yes.as_bytes(), now), Ok(()), "{yes}");
        }
        for (no, why) in [
            ("false", "is not a presence"),
            ("0", "is not a presence"),
            ("off", "is not a presence"),
            ("[1]", "is not a presence"),
            (
                r#"{"time":"2026-11-25T09:59:29Z"}"#,
                "31 s old, above the limit of 30 s",
            ),
            (r#"{"time":7}"#, "which is not RFC 3339"),
        ] {
            let text = says_present(no.as_bytes(), now).unwrap_err();
            assert!(text.contains(why), "{no}: {text}");
        }
        assert!(says_present(&[0xff, 0xfe], now).is_err());
    }

    #[test]
    fn foreign_text_is_cut_and_harmless() {
        let text = shown(&format!("a\u{1b}[31m\n{}", "x".repeat(500)));
        assert!(
            text.len() < 120 && !text.contains('\u{1b}') && !text.contains('\n'),
            "{text}"
        );
    }
}
