//! What is now, for dashboards: states, channels, runs, trips.
//!
//! Values are looked at a few times a second and published where they have changed enough, or a heartbeat is due; what the
//! broker can't take now waits as its newest value only, so that what comes is never old and memory is as many values as there
//! are topics. Trips and outcomes are events: each is sent, in order, up to a bound.
//!
//! After a reconnect every retained topic is published anew, so that a broker that lost its memory has it back.

use std::collections::{BTreeMap, VecDeque};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use benchward_api::shapes;
use benchward_archive::{Query, Wall};
use benchward_config::{Live, Mqtt, Pace};
use benchward_core::units::Millis;
use benchward_core::{LabView, Signal, StationId};
use rumqttc::v5::mqttbytes::v5::{LastWill, LastWillProperties, Packet};
use rumqttc::v5::{AsyncClient, Event};
use serde_json::{Value, json};
use tokio::sync::{broadcast, watch};
use tokio::time::{Instant, MissedTickBehavior, interval};
use tracing::warn;

use super::connection::{Connection, QOS, again_and_again, is_true, json_properties};
use super::inbound::Inbound;
use super::window::{Answer, Window};
use crate::bus::Shared;

/// How often the lab is looked at, at least and at most, whatever paces are configured.
const LOOK_EVERY: (Duration, Duration) = (Duration::from_millis(100), Duration::from_millis(250));
/// A value is kept by the broker for so many of its heartbeats: a late subscriber doesn't see what nobody vouches for any more.
const EXPIRES_AFTER_HEARTBEATS: u32 = 3;
/// The heat beside the control temperature is said anew when it has moved so far, of full power.
const DEADBAND_HEAT: f64 = 0.03;
/// Events that may wait for the broker: every interlock of a large lab at once.
const EVENTS_MAX: usize = 1_000;
/// So many of the newest runs are looked through for the last one of each station.
const RUNS_LOOKED_AT: usize = 500;
/// The history may begin this long after a connection at the latest, though the first live values are not all out: a broker
/// that is so slow is never done with them.
const FIRST_WITHIN: Duration = Duration::from_secs(10);

/// Publishes live values for as long as the daemon lives. `up`: turned true while a connection has had its first values.
pub(super) async fn publish(
    settings: &Mqtt,
    shared: &Arc<Shared>,
    mut end: watch::Receiver<bool>,
    up: watch::Sender<bool>,
) {
    let until = end.clone();
    let admitted = &AtomicBool::new(false);
    again_and_again("", &mut end, admitted, || {
        let (up, until) = (up.clone(), until.clone());
        async move {
            let result = connection(settings, shared, until, admitted, &up).await;
            up.send_replace(false);
            result
        }
    })
    .await;
}

/// One connection. `Ok` when the daemon ends.
async fn connection(
    settings: &Mqtt,
    shared: &Shared,
    mut end: watch::Receiver<bool>,
    admitted: &AtomicBool,
    up: &watch::Sender<bool>,
) -> anyhow::Result<()> {
    let root = super::root(shared);
    let will = LastWill::new(
        format!("{root}/online"),
        "false",
        QOS,
        true,
        Some(LastWillProperties {
            delay_interval: None,
            payload_format_indicator: Some(1),
            message_expiry_interval: None,
            content_type: Some("application/json".into()),
            response_topic: None,
            correlation_data: None,
            user_properties: Vec::new(),
        }),
    );
    let client_id = format!("benchward-{}", shared.wiring.setup.name);
    let mut broker = tokio::select! {
        opened = Connection::open(settings, client_id, Some(will)) => opened?,
        () = is_true(&mut end) => return Ok(()),
    };
    let mut inbound = Inbound::new(root.clone(), settings.allow);
    inbound.subscribe(&broker.client)?;
    let mut signals = shared.signals.subscribe();
    let mut look = interval(look_every(&settings.live));
    look.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut teller = Teller::new(broker.client.clone(), root, broker.window, settings.live);
    teller.outcomes = last_outcomes(shared).await;
    let began = Instant::now();
    teller.online();
    loop {
        tokio::select! {
            event = broker.event() => match event? {
                Event::Incoming(Packet::Publish(message)) => inbound.take(shared, &message).await,
                Event::Incoming(Packet::SubAck(ack)) => inbound.subscribed(&ack),
                event => if teller.heard(&event) {
                    admitted.store(true, Ordering::Relaxed);
                },
            },
            _ = look.tick() => {
                teller.look_at(shared);
                inbound.tell(shared);
            }
            signal = signals.recv() => match signal {
                Ok(signal) => teller.signal(&signal, shared),
                // Missed signals are in the journal; the retained states follow with the next look.
                Err(broadcast::error::RecvError::Lagged(_)) => {}
                Err(broadcast::error::RecvError::Closed) => return Ok(()),
            },
            () = is_true(&mut end) => {
                teller.last_word();
                broker.close().await;
                return Ok(());
            }
        }
        teller.send();
        if !*up.borrow() && (teller.has_said_all() || began.elapsed() >= FIRST_WITHIN) {
            up.send_replace(true);
        }
    }
}

/// How the last run of each station ended, as far as the archive's newest runs say.
async fn last_outcomes(shared: &Shared) -> BTreeMap<String, Value> {
    let reader = shared.reader.clone();
    let newest = Query {
        limit: RUNS_LOOKED_AT,
        ..Query::default()
    };
    let Ok(Ok(runs)) = tokio::task::spawn_blocking(move || reader.runs(&newest)).await else {
        // What is not known is not said; the archive's troubles are told elsewhere.
        return BTreeMap::new();
    };
    let mut outcomes = BTreeMap::new();
    for run in runs {
        if let Some(outcome) = run.outcome {
            let time = run.ended.unwrap_or(run.started).to_string();
            outcomes
                .entry(run.station)
                .or_insert_with(|| json!({ "run": run.run, "outcome": outcome.name(), "time": time }));
        }
    }
    outcomes
}

/// As often as the fastest pace asks for.
fn look_every(live: &Live) -> Duration {
    let fastest = live.run.apart.min(live.idle.apart);
    Duration::from_millis(fastest.0).clamp(LOOK_EVERY.0, LOOK_EVERY.1)
}

/// What was last said on a topic, and when.
struct Said {
    value: Value,
    at: Instant,
}

/// A message that waits for room.
struct Message {
    schema: &'static str,
    retain: bool,
    expires: Option<Duration>,
    value: Value,
}

/// Publishes what has changed since it was last said on this connection.
struct Teller {
    client: AsyncClient,
    root: String,
    window: Window<()>,
    live: Live,
    said: BTreeMap<String, Said>,
    /// The newest values that wait, and their topics in the order in which they began to.
    values: BTreeMap<String, Message>,
    turn: VecDeque<String>,
    events: VecDeque<(String, Message)>,
    /// How the newest run of a station ended, until that is what the broker keeps: said once the run's record is closed, since until
    /// then its phase is.
    outcomes: BTreeMap<String, Value>,
    /// Events that were left out since that was last said.
    left_out: u64,
    looked: bool,
    refused: bool,
    online_said: Instant,
}

impl Teller {
    fn new(client: AsyncClient, root: String, window: u16, live: Live) -> Self {
        Self {
            client,
            root,
            window: Window::new(window),
            live,
            said: BTreeMap::new(),
            values: BTreeMap::new(),
            turn: VecDeque::new(),
            events: VecDeque::new(),
            outcomes: BTreeMap::new(),
            left_out: 0,
            looked: false,
            refused: false,
            online_said: Instant::now(),
        }
    }

    /// Everything that was to be said is at least sent.
    fn has_said_all(&self) -> bool {
        self.looked && self.turn.is_empty() && self.events.is_empty()
    }

    /// Something that happened: each is sent.
    fn event(&mut self, topic: String, schema: &'static str, retain: bool, value: Value) {
        if self.events.len() >= EVENTS_MAX {
            if self.left_out == 0 {
                warn!(
                    "MQTT: the broker takes messages too slowly; trips are left out (bound: {EVENTS_MAX} waiting), the journal has them"
                );
            }
            self.left_out += 1;
            self.events.pop_front();
        }
        let message = Message {
            schema,
            retain,
            expires: None,
            value,
        };
        self.events.push_back((topic, message));
    }

    /// A retained value, as it is now: what waits on its topic is replaced.
    fn value(&mut self, topic: String, message: Message) {
        if self.values.insert(topic.clone(), message).is_none() {
            self.turn.push_back(topic);
        }
    }

    /// Sends what there is room for: events first, then values, each in its turn.
    fn send(&mut self) {
        while self.window.has_room() {
            let next = self.events.pop_front().or_else(|| {
                let topic = self.turn.pop_front()?;
                let message = self.values.remove(&topic)?;
                Some((topic, message))
            });
            let Some((topic, message)) = next else {
                self.left_out = 0;
                return;
            };
            let sent = self.client.try_publish_with_properties(
                format!("{}/{topic}", self.root),
                QOS,
                message.retain,
                message.value.to_string(),
                json_properties(message.schema, message.expires),
            );
            if sent.is_err() {
                // The connection is over; the next event says so, and a new one says everything anew.
                return;
            }
            self.window.sent(());
        }
    }

    /// Returns whether the broker has acknowledged a message.
    fn heard(&mut self, event: &Event) -> bool {
        let answer = self.window.heard(event);
        if let Some(Answer::Refused((), reason)) = answer
            && !self.refused
        {
            self.refused = true;
            warn!(
                "MQTT: the broker refused a message ({reason:?}), and maybe others; check its access rules for {}/#",
                self.root
            );
        }
        matches!(answer, Some(Answer::Acknowledged(())))
    }

    /// Says that the lab is gone, before all that still waits.
    fn last_word(&mut self) {
        self.values.clear();
        self.turn.clear();
        // Trips of the last moment go first: they are what happened.
        self.event("online".into(), "online", true, Value::Bool(false));
        self.window = Window::new(u16::MAX);
        self.send();
    }

    /// That the lab is there.
    fn online(&mut self) {
        self.event("online".into(), "online", true, Value::Bool(true));
        self.online_said = Instant::now();
    }

    /// How a run ended. What still waits on its topic is of before.
    fn outcome(&mut self, station: &str, run: Value) {
        let topic = format!("{station}/run");
        self.values.remove(&topic);
        self.turn.retain(|waiting| *waiting != topic);
        self.said.remove(&topic);
        self.event(topic, "run", true, run);
    }

    /// A state: published when it changes, and at its heartbeat. `time` isn't part of what is compared.
    fn state(&mut self, topic: String, schema: &'static str, value: Value, time: &str, expires: bool) {
        let heartbeat = Duration::from_millis(self.live.state_heartbeat.0);
        let due = self
            .said
            .get(&topic)
            .is_none_or(|said| said.value != value || said.at.elapsed() >= heartbeat);
        if due {
            let expires = expires.then(|| heartbeat * EXPIRES_AFTER_HEARTBEATS);
            self.say(topic, schema, value, time, expires);
        }
    }

    /// A channel, or the control temperature: published when it has moved beyond the deadband or changed its quality, never
    /// faster than its pace, and at its heartbeat.
    fn temperature(&mut self, topic: String, schema: &'static str, value: Value, time: &str, pace: &Pace) {
        let (apart, heartbeat) = (
            Duration::from_millis(pace.apart.0),
            Duration::from_millis(pace.heartbeat.0),
        );
        let due = self.said.get(&topic).is_none_or(|said| {
            let elapsed = said.at.elapsed();
            let moved = has_moved(&said.value, &value, pace)
                || (schema == "control" && heat_has_moved(&said.value, &value));
            elapsed >= heartbeat || (elapsed >= apart && moved)
        });
        if due {
            let expires = Some(heartbeat * EXPIRES_AFTER_HEARTBEATS);
            self.say(topic, schema, value, time, expires);
        }
    }

    fn say(
        &mut self,
        topic: String,
        schema: &'static str,
        value: Value,
        time: &str,
        expires: Option<Duration>,
    ) {
        let mut message = value.clone();
        message["time"] = time.into();
        self.value(
            topic.clone(),
            Message {
                schema,
                retain: true,
                expires,
                value: message,
            },
        );
        let at = Instant::now();
        self.said.insert(topic, Said { value, at });
    }

    fn look_at(&mut self, shared: &Shared) {
        let standing = shared.keep.standing();
        let time = shared.clock.wall_now().to_string();
        let journal = json!({ "entries": standing.entries, "head": standing.head });
        self.state("journal".into(), "journal", journal, &time, false);
        let archive = json!({ "ok": standing.text.is_empty(), "text": standing.text });
        self.state("archive".into(), "archive", archive, &time, false);
        // Said again and again, since the last will of an earlier connection may come after the first word of this one.
        let heartbeat = Duration::from_millis(self.live.state_heartbeat.0);
        if self.events.is_empty() && self.online_said.elapsed() >= heartbeat {
            self.online();
        }
        self.look(&shared.lab.view(), &time, |at| shared.clock.wall(at));
        self.looked = true;
    }

    fn look(&mut self, view: &LabView, time: &str, wall: impl Fn(Millis) -> Wall) {
        let alarms: Vec<shapes::Alarm> = view.alarms.iter().map(shapes::Alarm::from).collect();
        let value = json!({ "alarm": !alarms.is_empty(), "alarms": alarms });
        self.state("alarm".into(), "alarm", value, time, false);
        for station in &view.stations {
            let shape = shapes::Station::new(station, &wall);
            let name = &shape.station;
            let tripped: Vec<&str> = shape
                .interlocks
                .iter()
                .filter(|interlock| matches!(&*interlock.standing, "tripped" | "acknowledged"))
                .map(|interlock| &*interlock.interlock)
                .collect();
            let not_clear: Vec<&shapes::Interlock> = shape
                .interlocks
                .iter()
                .filter(|interlock| interlock.standing != "clear")
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
                "interlocks": not_clear,
                "cautions": shape.cautions,
                "waits_for": shape.waits_for,
                "driver": shape.driver,
            });
            self.state(format!("{name}/state"), "state", state, time, true);
            if let Some(run) = shape.run {
                let safe = shape.prediction.as_ref().map(|prediction| &prediction.safe);
                let run = json!({
                    "run": run, "recipe": shape.recipe, "serial": shape.serial, "phase": shape.phase,
                    "stage": shape.stage, "stages": shape.stages,
                    "safe": safe.and_then(|safe| safe.at.as_ref()),
                    "safe_earliest": safe.and_then(|safe| safe.earliest.as_ref()),
                    "safe_latest": safe.and_then(|safe| safe.latest.as_ref()),
                });
                self.state(format!("{name}/run"), "run", run, time, false);
                if self
                    .outcomes
                    .get(name)
                    .is_some_and(|last| last["run"].as_u64() != shape.run)
                {
                    self.outcomes.remove(name);
                }
            } else if let Some(last) = self.outcomes.remove(name) {
                self.outcome(name, last);
            }
            let pace = if shape.run.is_some() {
                self.live.run
            } else {
                self.live.idle
            };
            let control = json!({
                "celsius": shape.control_celsius, "target_celsius": shape.target_celsius, "heat": shape.heat,
                "run": shape.run,
            });
            self.temperature(format!("{name}/control"), "control", control, time, &pace);
            for channel in &shape.channels {
                let value = json!({
                    "celsius": channel.celsius, "quality": channel.quality, "heat": shape.heat, "run": shape.run,
                });
                self.temperature(
                    format!("{name}/channel/{}", channel.channel),
                    "channel",
                    value,
                    time,
                    &pace,
                );
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
                self.event(format!("{}/trip", name(*station)), "trip", false, trip);
            }
            Signal::RunOutcome {
                station,
                run,
                outcome,
            } => {
                let run = json!({ "run": run.0, "outcome": outcome.text(), "time": time });
                let name = name(*station).to_string();
                self.outcome(&name, run.clone());
                self.outcomes.insert(name, run);
            }
            // State and alarms follow with the next look.
            Signal::Phase { .. } | Signal::Alarm { .. } => {}
        }
    }
}

/// Whether a channel's value, or the control temperature, is another one for a dashboard.
fn has_moved(before: &Value, now: &Value, pace: &Pace) -> bool {
    if ["quality", "run", "target_celsius"]
        .iter()
        .any(|key| before[key] != now[key])
    {
        return true;
    }
    match (before["celsius"].as_f64(), now["celsius"].as_f64()) {
        (Some(before), Some(now)) => {
            let moved = (now - before).abs();
            moved > 0.0 && moved >= pace.deadband.degrees()
        }
        (before, now) => before.is_some() != now.is_some(),
    }
}

/// Whether the heat is another one for a dashboard. Steered heat never stands still.
fn heat_has_moved(before: &Value, now: &Value) -> bool {
    let heat = |value: &Value| value["heat"].as_f64().unwrap_or(0.0);
    (heat(now) - heat(before)).abs() >= DEADBAND_HEAT || (heat(now) > 0.0) != (heat(before) > 0.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn heat_moves_by_its_deadband_and_when_it_goes_on_or_off() {
        let at = |heat: f64| json!({"celsius": 24.0, "heat": heat, "run": 1});
        for (before, now, moved) in [
            (0.2, 0.21, false),
            (0.2, 0.24, true),
            (0.2, 0.15, true),
            (0.0, 0.01, true),
            (0.01, 0.0, true),
            (0.0, 0.0, false),
        ] {
            assert_eq!(heat_has_moved(&at(before), &at(now)), moved, "{before} to {now}");
        }
    }

    #[test]
    fn a_value_moves_by_its_deadband_or_by_its_quality() {
        let pace = Live::default().run;
        let at = |celsius: Option<f64>, quality: &str| json!({"celsius": celsius, "quality": quality, "run": null});
        let before = at(Some(24.0), "good");
        for (now, moved) in [
            (at(Some(24.0), "good"), false),
            (at(Some(24.05), "good"), false),
            (at(Some(24.125), "good"), true),
            (at(Some(23.875), "good"), true),
            (at(None, "open"), true),
            (at(Some(24.0), "stale"), true),
        ] {
            assert_eq!(has_moved(&before, &now, &pace), moved, "{now}");
        }
        assert!(!has_moved(&at(None, "open"), &at(None, "open"), &pace));
    }
}
