//! MQTT, plain JSON: readings, states, runs and trips for dashboards built by hand.
//!
//! | topic | retained | when |
//! |---|---|---|
//! | `benchward/LAB/online` | yes | `true` after connecting; the broker says `false` by last will |
//! | `benchward/LAB/alarm` | yes | alarms of the whole lab that stand; on change, and each 10 s |
//! | `benchward/LAB/journal` | yes | number of entries and hash of the newest, once it is on the disk; on change, and each 10 s |
//! | `benchward/LAB/archive` | yes | whether the archive is well, and what a person should know; on change, and each 10 s |
//! | `benchward/LAB/STATION/state` | yes | on change, and each 10 s |
//! | `benchward/LAB/STATION/channel/CHANNEL` | yes | by 0.1 °C or by quality, at most 4 a second, and each 10 s |
//! | `benchward/LAB/STATION/run` | yes | when a run begins, changes its phase or gets its outcome |
//! | `benchward/LAB/STATION/trip` | no | when an interlock's standing changes |
//!
//! One client and one event loop per connection, thrown away with it: nothing that matters waits inside the client.
//! After a reconnect every retained topic is published anew, so that a broker that lost its memory has it back.
//!
//! From here the lab can only be made cooler: `.../present` and `.../stop` are subscribed to where the configuration
//! allows them, and nothing else is listened to.

pub(crate) mod backfill;

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context as _;
use benchward_api::shapes;
use benchward_archive::Wall;
use benchward_config::Mqtt;
use benchward_core::units::Millis;
use benchward_core::{Ask, LabView, Origin, Person, Roles, Signal, StationId};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{ConnectReturnCode, LastWill, Packet, PubAckReason};
use rumqttc::v5::{AsyncClient, ConnectionError, Event, EventLoop, MqttOptions};
use rumqttc::{TlsConfiguration, Transport};
use serde_json::json;
use tokio::sync::{broadcast, mpsc, watch};
use tokio::task::JoinHandle;
use tokio::time::{Instant, MissedTickBehavior, interval, sleep, timeout};
use tracing::{info, warn};

use crate::bus::Shared;

/// First wait before a connection is tried again; doubles up to [`BACK_OFF_LAST`].
const BACK_OFF_FIRST: Duration = Duration::from_millis(500);
/// Longest wait.
const BACK_OFF_LAST: Duration = Duration::from_secs(30);
/// How often the lab is looked at: the fastest rate of any topic.
const LOOK_EVERY: Duration = Duration::from_millis(250);
/// What has not changed is said again this often, so that a dashboard knows it is alive.
const HEARTBEAT: Duration = Duration::from_secs(10);
/// A channel is published when it has moved this far, °C.
const DEADBAND: f64 = 0.1;
/// Messages that may wait inside the client. What doesn't fit is left out: its topic's next value follows soon.
const WAITING_MAX: usize = 4_096;
/// How long the goodbye may take.
const GOODBYE_WITHIN: Duration = Duration::from_secs(2);

/// Publishes for as long as the daemon lives, over as many connections as it takes. `end`: turns true when the daemon
/// ends.
pub(crate) async fn publish(settings: Mqtt, shared: Arc<Shared>, mut end: watch::Receiver<bool>) {
    let mut back_off = BACK_OFF_FIRST;
    let mut said = String::new();
    while !*end.borrow() {
        let began = Instant::now();
        match connection(&settings, &shared, &mut end).await {
            Ok(()) => return,
            Err(error) => {
                let text = format!("{error:#}");
                if text != said {
                    warn!("MQTT: {text}; tried again, from {BACK_OFF_FIRST:?} to {BACK_OFF_LAST:?} apart");
                    said = text;
                }
            }
        }
        if began.elapsed() > BACK_OFF_LAST {
            back_off = BACK_OFF_FIRST;
            said.clear();
        }
        tokio::select! {
            () = sleep(back_off) => {}
            _ = end.changed() => {}
        }
        back_off = (back_off * 2).min(BACK_OFF_LAST);
    }
}

/// One connection, from its beginning to its end. `Ok` when the daemon ends.
async fn connection(settings: &Mqtt, shared: &Shared, end: &mut watch::Receiver<bool>) -> anyhow::Result<()> {
    let root = format!("benchward/{}", shared.wiring.setup.name);
    let (client, events) = AsyncClient::new(options(settings, shared, &root)?, WAITING_MAX);
    let mut events = Polled::start(events);
    let broker = format!("{}:{}", settings.broker.host, settings.broker.port);
    let mut signals = shared.signals.subscribe();
    let mut look = interval(LOOK_EVERY);
    look.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut teller: Option<Teller> = None;
    loop {
        tokio::select! {
            event = events.next() => match event {
                Ok(Event::Incoming(Packet::ConnAck(ack))) => {
                    anyhow::ensure!(
                        ack.code == ConnectReturnCode::Success,
                        "the broker {broker} refused the connection: {:?}; check `username` and `password_file`",
                        ack.code
                    );
                    info!("MQTT: connected to {broker}");
                    subscribe(&client, settings, shared, &root)?;
                    let mut fresh = Teller::new(client.clone(), root.clone());
                    fresh.send("online", &json!(true), true);
                    teller = Some(fresh);
                }
                Ok(Event::Incoming(Packet::PubAck(ack))) if refused(ack.reason) => {
                    warn!("MQTT: the broker refused a message ({:?}); check its access rules", ack.reason);
                }
                Ok(Event::Incoming(Packet::Publish(message))) => {
                    let topic = String::from_utf8_lossy(&message.topic).into_owned();
                    inbound(settings, shared, &root, &topic).await;
                }
                Ok(_) => {}
                Err(error) => return Err(error).with_context(|| format!("connection to the broker {broker}")),
            },
            // Not while it is connecting: each look would drop the attempt and begin it anew, and a broker that takes
            // longer than that for its handshake would never be reached.
            _ = look.tick(), if teller.is_some() => if let Some(teller) = &mut teller {
                let standing = shared.keep.standing();
                let time = shared.clock.wall_now().to_string();
                let journal = json!({ "entries": standing.entries, "head": standing.head });
                teller.keep_said("journal".into(), journal, &time, true);
                let archive = json!({ "ok": standing.text.is_empty(), "text": standing.text });
                teller.keep_said("archive".into(), archive, &time, true);
                teller.look(
                    &shared.lab.view(),
                    &shared.clock.wall_now().to_string(),
                    |at| shared.clock.wall(at),
                );
            },
            signal = signals.recv(), if teller.is_some() => match signal {
                Ok(signal) => if let Some(teller) = &mut teller {
                    teller.signal(&signal, shared);
                },
                // Missed signals are in the journal; the retained states follow with the next look.
                Err(broadcast::error::RecvError::Lagged(_)) => {}
                Err(broadcast::error::RecvError::Closed) => return Ok(()),
            },
            _ = end.changed() => {
                let _ = timeout(GOODBYE_WITHIN, goodbye(&client, &mut events, teller)).await;
                return Ok(());
            }
        }
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

/// Says `false` on `online` and disconnects. A clean disconnect has the broker forget the last will.
async fn goodbye(client: &AsyncClient, events: &mut Polled, teller: Option<Teller>) {
    if let Some(mut teller) = teller {
        teller.send("online", &json!(false), true);
        let _ = client.try_disconnect();
        while events.next().await.is_ok() {}
    }
}

const fn refused(reason: PubAckReason) -> bool {
    !matches!(
        reason,
        PubAckReason::Success | PubAckReason::NoMatchingSubscribers
    )
}

fn options(settings: &Mqtt, shared: &Shared, root: &str) -> anyhow::Result<MqttOptions> {
    let lab = &shared.wiring.setup.name;
    let mut options = MqttOptions::new(
        format!("benchward-{lab}"),
        settings.broker.host.clone(),
        settings.broker.port,
    );
    options.set_clean_start(true);
    options.set_keep_alive(Duration::from_secs(10));
    options.set_last_will(LastWill::new(
        format!("{root}/online"),
        "false",
        QoS::AtLeastOnce,
        true,
        None,
    ));
    if let Some(username) = &settings.username {
        let password = match &settings.password_file {
            Some(file) => std::fs::read_to_string(file)
                .with_context(|| format!("the password file {} can't be read", file.display()))?,
            None => String::new(),
        };
        options.set_credentials(username, password.trim_end_matches(['\r', '\n']));
    }
    if settings.broker.tls {
        options.set_transport(transport(settings)?);
    }
    Ok(options)
}

/// TLS with the lab's own authority where one is named, else with the certificates of the system.
fn transport(settings: &Mqtt) -> anyhow::Result<Transport> {
    let read = |file: &std::path::Path| {
        std::fs::read(file).with_context(|| format!("{} can't be read", file.display()))
    };
    let Some(ca_file) = &settings.ca_file else {
        anyhow::ensure!(
            settings.client.is_none(),
            "a client certificate needs `ca_file`, the authority of the broker"
        );
        return Ok(Transport::tls_with_default_config());
    };
    let client_auth = match &settings.client {
        Some(client) => Some((read(&client.certificate_file)?, read(&client.key_file)?)),
        None => None,
    };
    Ok(Transport::tls_with_config(TlsConfiguration::Simple {
        ca: read(ca_file)?,
        alpn: None,
        client_auth,
    }))
}

/// Subscribes to what the configuration allows, station by station.
fn subscribe(client: &AsyncClient, settings: &Mqtt, shared: &Shared, root: &str) -> anyhow::Result<()> {
    let mut topics = Vec::new();
    for station in &shared.wiring.setup.stations {
        if settings.allow.present {
            topics.push(format!("{root}/{}/present", station.name));
        }
        if settings.allow.stop {
            topics.push(format!("{root}/{}/stop", station.name));
        }
    }
    if settings.allow.stop {
        topics.push(format!("{root}/stop"));
    }
    for topic in topics {
        client
            .try_subscribe(&topic, QoS::AtLeastOnce)
            .with_context(|| format!("can't subscribe to {topic}"))?;
    }
    Ok(())
}

/// Somebody published to a topic that we listen to.
async fn inbound(settings: &Mqtt, shared: &Shared, root: &str, topic: &str) {
    let Some(rest) = topic.strip_prefix(root).and_then(|rest| rest.strip_prefix('/')) else {
        return;
    };
    let ask = match rest.rsplit_once('/') {
        None if rest == "stop" && settings.allow.stop => Ask::Stop(None),
        Some((name, what)) => {
            let Some(station) = shared.wiring.setup.station(name) else {
                return;
            };
            match what {
                "present" if settings.allow.present => Ask::Present(station),
                "stop" if settings.allow.stop => Ask::Stop(Some(station)),
                _ => return,
            }
        }
        None => return,
    };
    // The broker's access rules say who may publish there; to the core it is nobody but the network, with the least
    // role that may confirm presence.
    let roles = Roles {
        operate: true,
        ..Roles::NONE
    };
    if let Some(Err(refusal)) = shared
        .lab
        .ask(Person::new("mqtt"), roles, Origin::Network, ask)
        .await
    {
        warn!("MQTT: {topic}: {refusal}");
    }
}

/// What was last said on a topic, and when.
struct Said {
    value: serde_json::Value,
    at: Instant,
}

/// Publishes what has changed since it was last said on this connection.
struct Teller {
    client: AsyncClient,
    root: String,
    said: BTreeMap<String, Said>,
    temperatures: BTreeMap<String, Option<f64>>,
    full: bool,
}

impl Teller {
    fn new(client: AsyncClient, root: String) -> Self {
        Self {
            client,
            root,
            said: BTreeMap::new(),
            temperatures: BTreeMap::new(),
            full: false,
        }
    }

    /// Returns whether the client took it.
    fn send(&mut self, topic: &str, value: &serde_json::Value, retain: bool) -> bool {
        let sent = self.client.try_publish(
            format!("{}/{topic}", self.root),
            QoS::AtLeastOnce,
            retain,
            value.to_string(),
        );
        if sent.is_err() && !self.full {
            warn!("MQTT: the broker takes messages too slowly; some are left out");
        }
        self.full = sent.is_err();
        sent.is_ok()
    }

    /// Sends a retained value if it is new, or was said long ago. `time` isn't part of what is compared.
    fn keep_said(&mut self, topic: String, value: serde_json::Value, time: &str, changed: bool) {
        let due = self
            .said
            .get(&topic)
            .is_none_or(|said| changed && said.value != value || said.at.elapsed() >= HEARTBEAT);
        if !due {
            return;
        }
        let mut message = value.clone();
        message["time"] = time.into();
        if self.send(&topic, &message, true) {
            self.said.insert(
                topic,
                Said {
                    value,
                    at: Instant::now(),
                },
            );
        }
    }

    fn look(&mut self, view: &LabView, time: &str, wall: impl Fn(Millis) -> Wall) {
        let alarms: Vec<shapes::Alarm> = view.alarms.iter().map(shapes::Alarm::from).collect();
        let value = json!({ "alarm": !alarms.is_empty(), "alarms": alarms });
        self.keep_said("alarm".into(), value, time, true);
        for station in &view.stations {
            let shape = shapes::Station::new(station, &wall);
            let name = &shape.station;
            let tripped: Vec<&str> = shape
                .interlocks
                .iter()
                .filter(|interlock| matches!(&*interlock.standing, "tripped" | "acknowledged"))
                .map(|interlock| &*interlock.interlock)
                .collect();
            let state = json!({
                "station": name,
                "phase": shape.phase,
                "run": shape.run,
                "stage": shape.stage,
                "target_celsius": shape.target_celsius,
                "heating": shape.target_celsius.is_some(),
                "ceiling_celsius": shape.ceiling_celsius,
                "tripped": tripped,
                "driver": shape.driver,
            });
            self.keep_said(format!("{name}/state"), state, time, true);
            if let Some(run) = shape.run {
                let safe = shape.prediction.as_ref().map(|prediction| &prediction.safe);
                let run = json!({
                    "run": run, "recipe": shape.recipe, "serial": shape.serial, "phase": shape.phase,
                    "stage": shape.stage, "stages": shape.stages,
                    "safe": safe.and_then(|safe| safe.at.as_ref()),
                    "safe_earliest": safe.and_then(|safe| safe.earliest.as_ref()),
                    "safe_latest": safe.and_then(|safe| safe.latest.as_ref()),
                });
                self.keep_said(format!("{name}/run"), run, time, true);
            }
            for channel in &shape.channels {
                let topic = format!("{name}/channel/{}", channel.channel);
                let moved = match (self.temperatures.get(&topic).copied().flatten(), channel.celsius) {
                    (Some(before), Some(now)) => (now - before).abs() >= DEADBAND,
                    (None, None) => false,
                    (None, Some(_)) | (Some(_), None) => true,
                };
                let quality_changed = self
                    .said
                    .get(&topic)
                    .is_some_and(|said| said.value["quality"] != channel.quality.as_str());
                let value =
                    json!({ "celsius": channel.celsius, "heat": shape.heat, "quality": channel.quality });
                self.keep_said(topic.clone(), value, time, moved || quality_changed);
                if moved {
                    self.temperatures.insert(topic, channel.celsius);
                }
            }
        }
    }

    fn signal(&mut self, signal: &Signal, shared: &Shared) {
        let time = shared.clock.wall_now().to_string();
        let name = |station: StationId| shared.wiring.setup.station_name(station);
        match signal {
            Signal::Interlock {
                station,
                interlock,
                standing,
                text,
            } => {
                let trip = json!({
                    "interlock": interlock.text(), "standing": standing, "text": text, "time": time,
                });
                self.send(&format!("{}/trip", name(*station)), &trip, false);
            }
            Signal::RunOutcome {
                station,
                run,
                outcome,
            } => {
                let run = json!({ "run": run.0, "outcome": outcome.text(), "time": time });
                self.send(&format!("{}/run", name(*station)), &run, true);
            }
            // State and alarms follow with the next look.
            Signal::Phase { .. } | Signal::Alarm { .. } => {}
        }
    }
}
