//! A broker of the demo's own, and somebody who listens to it.

use std::io;
use std::net::{Ipv4Addr, TcpListener, TcpStream};
use std::path::Path;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::Packet;
use rumqttc::v5::{AsyncClient, Event, MqttOptions};
use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep};

use super::programs::{self, Program};
use super::story::Story;

/// How long the broker may take to listen.
const UP_WITHIN: Duration = Duration::from_secs(5);

/// Messages that wait to be told; the story takes them every lab second.
const WAITING_MAX: usize = 1_000;

/// How long the daemon's goodbye may take from its end to the listener.
const GOODBYE_WITHIN: Duration = Duration::from_secs(3);

/// In a message of a trip, but not of its acknowledgement or reset.
const TRIPPED: &str = "\"standing\":\"tripped\"";

/// In a message of a channel that reads.
const GOOD: &str = "\"quality\":\"good\"";

/// The broker and its listener.
pub(super) struct Broker {
    program: Program,
    port: u16,
    listener: JoinHandle<()>,
    heard: Arc<Mutex<Heard>>,
}

/// Messages as they came.
#[derive(Debug, Default)]
struct Heard {
    /// Topic and payload of those that are worth a line, not told yet.
    waiting: Vec<(String, String)>,
    /// How many came in all.
    count: u64,
    /// What was last said of whether the lab is there.
    online: Option<String>,
    /// A channel's message was kept: one shows how they look.
    channel: bool,
}

impl Heard {
    fn take_in(&mut self, topic: &str, payload: &str) {
        self.count += 1;
        let worth = match topic.split('/').skip(2).collect::<Vec<_>>().as_slice() {
            // Said again at each heartbeat.
            ["online"] => self.online.replace(payload.to_owned()).as_deref() != Some(payload),
            [_, "trip"] => payload.contains(TRIPPED),
            [_, "channel", _] => payload.contains(GOOD) && !std::mem::replace(&mut self.channel, true),
            _ => false,
        };
        if worth && self.waiting.len() < WAITING_MAX {
            self.waiting.push((topic.to_owned(), payload.to_owned()));
        }
    }
}

impl Broker {
    /// Starts mosquitto on a free port of this machine alone, if it is installed. Else says why not.
    pub(super) async fn start(folder: &Path) -> Result<Self, String> {
        let Some(mosquitto) = programs::find_system("mosquitto") else {
            return Err("there is no `mosquitto` here (Debian: apt install mosquitto)".into());
        };
        let port = free_port().map_err(|error| format!("there is no free port: {error}"))?;
        let config = folder.join("mosquitto.conf");
        let text =
            format!("listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\nlog_dest stderr\n");
        std::fs::write(&config, text)
            .map_err(|error| format!("can't write {}: {error}", config.display()))?;
        let log = folder.join("mosquitto.log");
        let mut program = Program::start(&mosquitto, &["-c".as_ref(), config.as_os_str()], &log)
            .map_err(|_| format!("{} can't be started", mosquitto.display()))?;
        let until = Instant::now() + UP_WITHIN;
        while TcpStream::connect((Ipv4Addr::LOCALHOST, port)).is_err() {
            if Instant::now() > until || !matches!(program.has_ended(), Ok(None)) {
                return Err(format!("mosquitto doesn't listen; {}", program.last_words()));
            }
            sleep(Duration::from_millis(20)).await;
        }
        let heard = Arc::new(Mutex::new(Heard::default()));
        let listener = tokio::spawn(listen(port, heard.clone()));
        Ok(Self {
            program,
            port,
            listener,
            heard,
        })
    }

    pub(super) fn port(&self) -> u16 {
        self.port
    }

    /// Tells what came since the last time. `trips`: stations whose trips came over the broker, added to.
    pub(super) fn tell(&self, story: &Story<'_>, trips: &mut Vec<String>) -> io::Result<()> {
        let waiting = std::mem::take(&mut self.heard.lock().unwrap_or_else(PoisonError::into_inner).waiting);
        for (topic, payload) in waiting {
            if let ["benchward", _, station, "trip"] = topic.split('/').collect::<Vec<_>>().as_slice() {
                trips.push((*station).to_owned());
            }
            story.mqtt(&topic, &payload)?;
        }
        Ok(())
    }

    /// Waits for what the daemon says of its own end, and tells it.
    pub(super) async fn goodbye(&self, story: &Story<'_>) -> io::Result<bool> {
        let until = Instant::now() + GOODBYE_WITHIN;
        while Instant::now() < until {
            let waiting =
                std::mem::take(&mut self.heard.lock().unwrap_or_else(PoisonError::into_inner).waiting);
            for (topic, payload) in waiting {
                story.mqtt(&topic, &payload)?;
                if topic.ends_with("/online") && payload == "false" {
                    return Ok(true);
                }
            }
            sleep(Duration::from_millis(20)).await;
        }
        Ok(false)
    }

    /// Ends both.
    pub(super) async fn end(self) {
        self.listener.abort();
        // The story is over; a broker that ends badly changes nothing about it.
        let _ = self.program.end().await;
    }
}

/// A port that was free a moment ago. Somebody may take it before the broker does; then there is no MQTT this time.
fn free_port() -> io::Result<u16> {
    Ok(TcpListener::bind((Ipv4Addr::LOCALHOST, 0))?.local_addr()?.port())
}

/// Listens to everything of the lab, as a dashboard would.
async fn listen(port: u16, heard: Arc<Mutex<Heard>>) {
    let mut options = MqttOptions::new("benchward-demo", "127.0.0.1", port);
    options.set_clean_start(true);
    let (client, mut events) = AsyncClient::new(options, 16);
    loop {
        match events.poll().await {
            Ok(Event::Incoming(Packet::ConnAck(_))) => {
                // Into an empty queue of 16.
                let _ = client.try_subscribe("benchward/larkfield/#", QoS::AtLeastOnce);
            }
            Ok(Event::Incoming(Packet::Publish(message))) => {
                let (topic, payload) = (
                    String::from_utf8_lossy(&message.topic),
                    String::from_utf8_lossy(&message.payload),
                );
                heard
                    .lock()
                    .unwrap_or_else(PoisonError::into_inner)
                    .take_in(&topic, &payload);
            }
            Ok(_) => {}
            Err(_) => sleep(Duration::from_millis(200)).await,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_reading_is_told_and_every_trip() {
        let mut heard = Heard::default();
        for (topic, payload) in [
            ("online", "true"),
            (
                "bench-1/channel/board-top",
                r#"{"celsius":null,"quality":"stale"}"#,
            ),
            (
                "bench-1/channel/board-edge",
                r#"{"celsius":24.0,"quality":"good"}"#,
            ),
            (
                "bench-1/channel/board-top",
                r#"{"celsius":24.0,"quality":"good"}"#,
            ),
            (
                "bench-2/trip",
                r#"{"interlock":"operator-absent","standing":"warning"}"#,
            ),
            (
                "bench-2/trip",
                r#"{"interlock":"operator-absent","standing":"tripped"}"#,
            ),
            ("bench-1/state", "{}"),
            ("online", "true"),
            ("online", "false"),
        ] {
            heard.take_in(&format!("benchward/larkfield/{topic}"), payload);
        }
        let told: Vec<_> = heard
            .waiting
            .iter()
            .map(|(topic, _)| topic.rsplit_once('/').unwrap().1)
            .collect();
        assert_eq!(
            (told, heard.count),
            (vec!["online", "board-edge", "trip", "online"], 9)
        );
    }
}
