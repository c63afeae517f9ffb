//! One connection to the broker, from its beginning to its end.
//!
//! A client and an event loop per connection, thrown away with it. The library keeps what was not acknowledged and sends it
//! again by itself, or drops it silently, as the broker's memory of the session has it; here neither happens, since nothing of
//! a connection outlives it.

use std::future::Future;
use std::os::unix::fs::PermissionsExt as _;
use std::path::Path;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use anyhow::Context as _;
use benchward_config::Mqtt;
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{ConnAck, ConnectReturnCode, LastWill, Packet, PublishProperties};
use rumqttc::v5::{AsyncClient, ConnectionError, Event, EventLoop, MqttOptions};
use rumqttc::{TlsConfiguration, Transport};
use tokio::sync::{mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::{Instant, sleep, timeout};
use tracing::{info, warn};

use super::tls::explained;

/// First wait before a connection is tried again; doubles up to [`BACK_OFF_LAST`].
const BACK_OFF_FIRST: Duration = Duration::from_millis(500);
/// Longest wait.
const BACK_OFF_LAST: Duration = Duration::from_secs(30);
/// How often the broker is asked whether it is there while nothing else is said.
const KEEP_ALIVE: Duration = Duration::from_secs(10);
/// Nothing came and nothing could be sent for this time: the connection is dead, whatever TCP believes, which would wait for a
/// quarter of an hour. Each keep-alive makes two events, so that it is not just silent.
const STALLED_AFTER: Duration = Duration::from_secs(25);
/// Messages in flight on one connection, at most; less where the broker says so.
pub(super) const IN_FLIGHT_MAX: u16 = 100;
/// Requests that may wait in the client: a window of messages and some subscriptions. Whoever sends counts for himself.
const REQUESTS_MAX: usize = IN_FLIGHT_MAX as usize + 16;
/// Longest message that is taken from the broker. `present` and `stop` are empty or short.
const INCOMING_BYTES_MAX: u32 = 64 * 1024;
/// How long the goodbye may take.
const GOODBYE_WITHIN: Duration = Duration::from_secs(2);

/// A broker that has let us in.
pub(super) struct Connection {
    pub(super) client: AsyncClient,
    events: Polled,
    broker: String,
    /// How many messages may be unacknowledged at a time.
    pub(super) window: u16,
    /// The longest packet that the broker takes, bytes.
    pub(super) packet_bytes_max: usize,
}

impl Connection {
    /// Connects. `client_id`: who this is; the broker ends an older connection of the same name.
    ///
    /// # Errors
    /// With the broker, what is wrong, and what to do where that is known.
    pub(super) async fn open(
        settings: &Mqtt,
        client_id: String,
        will: Option<LastWill>,
    ) -> anyhow::Result<Self> {
        let broker = format!("{}:{}", settings.broker.host, settings.broker.port);
        let (client, events) = AsyncClient::new(options(settings, client_id, will)?, REQUESTS_MAX);
        let mut connection = Self {
            client,
            events: Polled::start(events),
            broker,
            window: IN_FLIGHT_MAX,
            packet_bytes_max: usize::MAX,
        };
        loop {
            match connection.event().await {
                Ok(Event::Incoming(Packet::ConnAck(ack))) => {
                    connection.admitted(&ack)?;
                    return Ok(connection);
                }
                Ok(_) => {}
                Err(error) => return Err(explained(error, settings)),
            }
        }
    }

    fn admitted(&mut self, ack: &ConnAck) -> anyhow::Result<()> {
        anyhow::ensure!(
            ack.code == ConnectReturnCode::Success,
            "the broker {} refused the connection: {:?}; check `username` and `password_file`",
            self.broker,
            ack.code
        );
        if let Some(properties) = &ack.properties {
            let window = properties.receive_max.unwrap_or(IN_FLIGHT_MAX);
            self.window = window.clamp(1, IN_FLIGHT_MAX);
            if let Some(bytes) = properties.max_packet_size {
                self.packet_bytes_max = usize::try_from(bytes).unwrap_or(usize::MAX);
            }
        }
        info!("MQTT: connected to {}", self.broker);
        Ok(())
    }

    /// The next event. May be cancelled.
    ///
    /// # Errors
    /// The connection is over.
    pub(super) async fn event(&mut self) -> anyhow::Result<Event> {
        let over = || format!("connection to the broker {}", self.broker);
        match timeout(STALLED_AFTER, self.events.next()).await {
            Ok(Ok(event)) => Ok(event),
            Ok(Err(ConnectionError::ConnectionRefused(code))) => {
                let hint = match code {
                    ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized => {
                        "; check `username`, `password_file` and certificates"
                    }
                    _ => "",
                };
                anyhow::bail!(
                    "the broker {} refused the connection: {code:?}{hint}",
                    self.broker
                )
            }
            Ok(Err(error)) => Err(error).with_context(over),
            Err(_) => Err(anyhow::anyhow!(
                "it took nothing and said nothing for {STALLED_AFTER:?}"
            ))
            .with_context(over),
        }
    }

    /// Disconnects cleanly, which has the broker forget the last will, once what waits is sent. Gives up after a moment.
    pub(super) async fn close(mut self) {
        let _ = self.client.try_disconnect();
        let _ = timeout(GOODBYE_WITHIN, async {
            while self.events.next().await.is_ok() {}
        })
        .await;
    }
}

/// Makes one connection after the other until the daemon ends: `once` lives for one of them and says how that ended. What
/// is the same again is not said again. `admitted`: turned true once the broker has acknowledged something, so that one that
/// only restarts is soon found again, and one that is away or throws us out at once (as mosquitto 2.0.11 may where it refuses
/// messages) is not hammered at.
pub(super) async fn again_and_again<Once: Future<Output = anyhow::Result<()>>>(
    what: &str,
    end: &mut watch::Receiver<bool>,
    admitted: &AtomicBool,
    mut once: impl FnMut() -> Once,
) {
    let mut back_off = BACK_OFF_FIRST;
    let mut said = String::new();
    while !*end.borrow() {
        let began = Instant::now();
        match once().await {
            Ok(()) => return,
            Err(error) => {
                let text = format!("{error:#}");
                if text != said {
                    warn!(
                        "MQTT{what}: {text}; tried again, from {BACK_OFF_FIRST:?} to {BACK_OFF_LAST:?} apart"
                    );
                    said = text;
                }
            }
        }
        if admitted.swap(false, Ordering::Relaxed) {
            back_off = BACK_OFF_FIRST;
        }
        if began.elapsed() > BACK_OFF_LAST {
            said.clear();
        }
        tokio::select! {
            // Between half of it and all of it: a hundred daemons that lost one broker don't come back in step.
            () = sleep(back_off.mul_f64(0.5 + 0.5 * fastrand::f64())) => {}
            () = is_true(end) => {}
        }
        back_off = (back_off * 2).min(BACK_OFF_LAST);
    }
}

/// Waits until it turns true, or nobody is left to turn it. May be cancelled.
pub(super) async fn is_true(told: &mut watch::Receiver<bool>) {
    let _ = told.wait_for(|is| *is).await;
}

/// What says of a message that it is JSON, and which schema describes it. `expires`: the broker keeps it no longer.
pub(super) fn json_properties(schema: &str, expires: Option<Duration>) -> PublishProperties {
    PublishProperties {
        payload_format_indicator: Some(1),
        content_type: Some("application/json".into()),
        message_expiry_interval: expires
            .map(|after| u32::try_from(after.as_secs().max(1)).unwrap_or(u32::MAX)),
        user_properties: vec![("schema".into(), format!("benchward/{schema}/1"))],
        ..PublishProperties::default()
    }
}

/// An event loop that is polled by a task of its own.
///
/// Its `poll` must not be dropped half-way: while it connects, that closes the connection and begins another, and the
/// broker tells the last will of the first.
struct Polled {
    events: mpsc::Receiver<Result<Event, ConnectionError>>,
    task: JoinHandle<()>,
}

impl Polled {
    fn start(mut events: EventLoop) -> Self {
        let (to, from) = mpsc::channel(64);
        let task = tokio::spawn(async move {
            loop {
                let event = events.poll().await;
                let last = event.is_err();
                if to.send(event).await.is_err() || last {
                    return;
                }
            }
        });
        Self { events: from, task }
    }

    /// The next event; an error is the last.
    async fn next(&mut self) -> Result<Event, ConnectionError> {
        self.events
            .recv()
            .await
            .unwrap_or(Err(ConnectionError::RequestsDone))
    }
}

impl Drop for Polled {
    fn drop(&mut self) {
        self.task.abort();
    }
}

fn options(settings: &Mqtt, client_id: String, will: Option<LastWill>) -> anyhow::Result<MqttOptions> {
    let mut options = MqttOptions::new(client_id, settings.broker.host.clone(), settings.broker.port);
    options.set_clean_start(true);
    options.set_keep_alive(KEEP_ALIVE);
    options.set_outgoing_inflight_upper_limit(IN_FLIGHT_MAX);
    options.set_max_packet_size(Some(INCOMING_BYTES_MAX));
    if let Some(will) = will {
        options.set_last_will(will);
    }
    if let Some((username, password)) = credentials(settings)? {
        options.set_credentials(username, password);
    }
    if settings.broker.tls {
        options.set_transport(transport(settings)?);
    }
    Ok(options)
}

/// Who the daemon says it is, and its password; none where the configuration names nobody.
///
/// # Errors
/// If there is no password to be had, with its file and what to do.
pub(crate) fn credentials(settings: &Mqtt) -> anyhow::Result<Option<(String, String)>> {
    let Some(username) = &settings.username else {
        return Ok(None);
    };
    let password = match &settings.password_file {
        Some(file) => {
            let text = secret(file, "password file")?;
            let text = String::from_utf8(text)
                .ok()
                .with_context(|| format!("the password file {} is not UTF-8 text", file.display()))?;
            text.lines().next().unwrap_or_default().to_owned()
        }
        None => String::new(),
    };
    Ok(Some((username.clone(), password)))
}

/// TLS with the lab's own authority where one is named, else with the certificates of the system.
fn transport(settings: &Mqtt) -> anyhow::Result<Transport> {
    let Some(ca_file) = &settings.ca_file else {
        anyhow::ensure!(
            settings.client.is_none(),
            "a client certificate needs `ca_file`, the authority of the broker"
        );
        return Ok(Transport::tls_with_default_config());
    };
    let client_auth = match &settings.client {
        Some(client) => Some((
            read(&client.certificate_file, "certificate")?,
            secret(&client.key_file, "key file")?,
        )),
        None => None,
    };
    Ok(Transport::tls_with_config(TlsConfiguration::Simple {
        ca: read(ca_file, "authority's certificate")?,
        alpn: None,
        client_auth,
    }))
}

/// Reads a file that anybody may see.
pub(crate) fn read(file: &Path, what: &str) -> anyhow::Result<Vec<u8>> {
    std::fs::read(file).with_context(|| format!("the {what} {} can't be read", file.display()))
}

/// Reads a file that nobody but the daemon's account and its group may see.
///
/// # Errors
/// If everybody may read it, or others than its owner may write it: what is in it is then no secret, or not ours.
pub(crate) fn secret(file: &Path, what: &str) -> anyhow::Result<Vec<u8>> {
    let shown = file.display();
    let about = std::fs::metadata(file).with_context(|| format!("the {what} {shown} can't be read"))?;
    let mode = about.permissions().mode() & 0o777;
    anyhow::ensure!(
        mode & 0o027 == 0,
        "the {what} {shown} has the mode {mode:04o}, and nobody but its owner and group may read it, nobody but its owner \
         write it: chmod 0640 {shown}, or 0600"
    );
    read(file, what)
}

/// A message that is published at least once.
pub(super) const QOS: QoS = QoS::AtLeastOnce;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_that_others_may_see_is_none() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("mqtt.secret");
        std::fs::write(&file, "hush\n").unwrap();
        for (mode, fits) in [
            (0o600, true),
            (0o640, true),
            (0o400, true),
            (0o644, false),
            (0o660, false),
            (0o604, false),
        ] {
            std::fs::set_permissions(&file, std::fs::Permissions::from_mode(mode)).unwrap();
            let read = secret(&file, "password file");
            assert_eq!(read.is_ok(), fits, "{mode:o}");
            if let Err(error) = read {
                let text = error.to_string();
                assert!(
                    text.contains("mqtt.secret has the mode 0") && text.contains("chmod 0640"),
                    "{text}"
                );
            }
        }
    }
}
