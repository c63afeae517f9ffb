//! The session of an edge node: a lab, with its stations as devices.
//!
//! ```text
//!   Offline --Opened--> Connecting --Connected--> Subscribing --Subscribed--> Waiting --births--> Born
//!      ^                                                                          |                 |
//!      +---------------------------- Closed, from anywhere ----------------------+--- End, host ----+
//! ```
//!
//! *Connecting*: every CONNECT carries a death as its will, with a number of its own (`bdSeq`), so that hosts can tell which
//! birth a death belongs to. *Subscribing*: commands and the primary host's state, before anything is said. *Waiting*: for the
//! primary host, where one is named, and for the first picture of the lab. *Born*: everything was told once; from here on only
//! what changes. The one counter `seq` runs over all messages of node and devices, so that a host notices what it has missed, and
//! asks for a rebirth.
//!
//! Messages have no acknowledgement of their own (`QoS` 0). A gap in the connection is filled by whoever has the records, with
//! [`Input::History`]: values with their own time, marked as historical.

use std::collections::BTreeMap;

use crate::metric::{Content, Device, Metric, Picture, Quality, Told, same_kind};
use crate::payload::{self, Payload, Value};
use crate::refusals::Refusals;
use crate::state::{Host, State};
use crate::topic::{self, Kind};

/// Name of the metric that carries the number of the session.
pub const BD_SEQ: &str = "bdSeq";
/// Name of the one command.
pub const REBIRTH: &str = "Node Control/Rebirth";

/// Between two births of one session, ms: requests that come faster are one request. A host waits seconds before it asks again.
pub const REBIRTH_APART_MS: u64 = 1_000;

/// A birth that has not come back from the broker after this time, ms, doesn't any more: a round of a slow network.
pub const ECHO_WITHIN_MS: u64 = 10_000;

/// Longest part of a stranger's text that is shown.
const SHOWN_CHARS: usize = 60;

/// Who the edge node is, and how it speaks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Settings {
    /// The group that it belongs to.
    pub group: String,
    /// Its own id in the group: the lab's name.
    pub node: String,
    /// Births wait for this host, and without it there is no session. None: for nobody.
    pub primary_host: Option<String>,
    /// Data carry numbers in place of names, and no types: shorter, and what the specification would rather have. Several common
    /// hosts lose such messages, so that it is off unless somebody asks for it.
    pub aliases: bool,
}

/// What has happened.
#[derive(Debug, Clone, PartialEq)]
pub enum Input {
    /// The way to a broker is open: a CONNECT can be sent.
    Opened,
    /// The broker has accepted it.
    Connected,
    /// The broker has answered [`Output::Subscribe`]. `granted`: whether it will deliver, for each topic.
    Subscribed {
        /// As many as there were topics, in their order.
        granted: Vec<bool>,
    },
    /// Somebody has published on one of these topics.
    Received {
        /// Where.
        topic: String,
        /// What.
        payload: Vec<u8>,
    },
    /// The lab was looked at.
    Looked(Picture),
    /// What a device measured while it couldn't be told. Only after [`EdgeNode::takes_history`] has said so.
    History {
        /// Which device.
        device: String,
        /// In the order of their times.
        samples: Vec<Sample>,
    },
    /// The session is to end.
    End,
    /// The connection is gone.
    Closed,
}

/// A value with its time.
#[derive(Debug, Clone, PartialEq)]
pub struct Sample {
    /// When it was so, ms since 1970, UTC.
    pub at_ms: u64,
    /// Name of its metric.
    pub name: String,
    /// The value.
    pub content: Content,
    /// What it is worth.
    pub quality: Option<Quality>,
}

/// What is to be done, in this order.
#[derive(Debug, Clone, PartialEq)]
pub enum Output {
    /// Send a CONNECT with this will, a clean start and no session that outlives the connection.
    Connect {
        /// To be published by the broker once the connection is lost.
        will: Message,
    },
    /// Subscribe to these topics, with `QoS` 1.
    Subscribe(Vec<String>),
    /// Publish this.
    Publish(Message),
    /// Send a DISCONNECT with reason 0x04, *Disconnect with Will Message*, and close the connection.
    Disconnect,
    /// Keep this for good: somebody asked for something that isn't done.
    Refused(String),
    /// Worth a line in the log.
    Told(String),
}

/// A message to the broker. None is retained.
#[derive(Debug, Clone, PartialEq)]
pub struct Message {
    /// Where to.
    pub topic: String,
    /// A [`Payload`].
    pub payload: Vec<u8>,
    /// `QoS` 1; else 0.
    pub at_least_once: bool,
}

/// Where the session is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    Offline,
    Connecting,
    Subscribing,
    Waiting,
    Born,
    /// A death was told: nothing more is said on this connection.
    Ending,
}

/// A device that was born on this connection.
#[derive(Debug)]
struct Born {
    /// Its metrics as they were told last.
    told: Vec<Told>,
    /// It has died since.
    dead: bool,
}

/// An edge node. See the [module](self).
#[derive(Debug)]
pub struct EdgeNode {
    settings: Settings,
    phase: Phase,
    /// Number of this connection's session; none before the first.
    bd_seq: Option<u8>,
    /// Number of the next message.
    seq: u8,
    host: Host,
    /// The lab as it was seen last, and when.
    seen: Option<(u64, Picture)>,
    /// The node's own metrics as they were told last.
    told: Vec<Told>,
    devices: BTreeMap<String, Born>,
    /// By device (none: the node itself) and name. Kept for as long as this value, so that a number never changes its meaning.
    aliases: BTreeMap<(Option<String>, String), u64>,
    /// A rebirth was asked for and has not come yet: until then no data are sent.
    rebirth: bool,
    born_ms: u64,
    echo: Echo,
    refusals: Refusals,
}

/// Whether this connection's birth came back from the broker. Messages of `QoS` 0 are never acknowledged, so that this is the only way to
/// know of access rules that drop them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Echo {
    /// The broker said that it doesn't deliver births to us, so that nothing can be concluded.
    Unheard,
    Awaited,
    Returned,
    /// It was said that it didn't.
    Missed,
}

impl EdgeNode {
    /// One that has never been connected.
    pub fn new(settings: Settings) -> Self {
        Self {
            settings,
            phase: Phase::Offline,
            bd_seq: None,
            seq: 0,
            host: Host::default(),
            seen: None,
            told: Vec::new(),
            devices: BTreeMap::new(),
            aliases: BTreeMap::new(),
            rebirth: false,
            born_ms: 0,
            echo: Echo::Unheard,
            refusals: Refusals::default(),
        }
    }

    /// Whether births were told on this connection, and data may follow.
    pub fn is_born(&self) -> bool {
        self.phase == Phase::Born && !self.rebirth
    }

    /// Whether what a device measured earlier can be told now: it is born, and has not died.
    pub fn takes_history(&self, device: &str) -> bool {
        self.is_born() && self.devices.get(device).is_some_and(|born| !born.dead)
    }

    /// Whether a device has a metric of that name, so that its history can be told.
    pub fn has(&self, device: &str, metric: &str) -> bool {
        let told = self.devices.get(device).map(|born| &born.told);
        told.is_some_and(|told| told.iter().any(|told| told.metric.name == metric))
    }

    /// Takes what has happened, and returns what is to be done.
    ///
    /// `now_ms`: ms since 1970, UTC. A clock that is set back is endured: it orders nothing here.
    pub fn apply(&mut self, now_ms: u64, input: Input) -> Vec<Output> {
        let mut out = Vec::new();
        match input {
            Input::Opened => {
                self.forget_connection();
                self.phase = Phase::Connecting;
                let bd_seq = self.bd_seq.map_or(0, |bd_seq| bd_seq.wrapping_add(1));
                self.bd_seq = Some(bd_seq);
                out.push(Output::Connect {
                    will: self.death(now_ms),
                });
            }
            Input::Connected if self.phase == Phase::Connecting => {
                self.phase = Phase::Subscribing;
                out.push(Output::Subscribe(self.topics()));
            }
            Input::Subscribed { granted } if self.phase == Phase::Subscribing => {
                self.subscribed(&granted, &mut out);
            }
            Input::Received { topic, payload } => self.received(now_ms, &topic, &payload, &mut out),
            Input::Looked(picture) => self.seen = Some((now_ms, picture)),
            Input::History { device, samples } => self.history(now_ms, &device, samples, &mut out),
            Input::End => self.end(now_ms, &mut out),
            Input::Closed => self.forget_connection(),
            Input::Connected | Input::Subscribed { .. } => {}
        }
        out.extend(self.refusals.rest(now_ms).map(Output::Refused));
        self.go_on(now_ms, &mut out);
        out
    }

    fn forget_connection(&mut self) {
        self.phase = Phase::Offline;
        self.seq = 0;
        // Each connection hears of the host anew: a broker keeps its state.
        self.host.online = false;
        // Births say what is, not what was before an outage.
        self.seen = None;
        self.told.clear();
        self.devices.clear();
        self.rebirth = false;
        // What was said once is not said again on each connection.
        if self.echo != Echo::Missed {
            self.echo = Echo::Unheard;
        }
    }

    /// What is listened to: commands to the node, commands to its devices, the primary host's state. Last, and not needed: our own
    /// births.
    fn topics(&self) -> Vec<String> {
        let Settings { group, node, .. } = &self.settings;
        let mut topics = vec![
            topic::of(group, Kind::NCmd, node, None),
            topic::of(group, Kind::DCmd, node, Some("+")),
        ];
        topics.extend(self.settings.primary_host.as_deref().map(topic::state));
        topics.push(self.own_birth());
        topics
    }

    fn own_birth(&self) -> String {
        topic::of(&self.settings.group, Kind::NBirth, &self.settings.node, None)
    }

    fn subscribed(&mut self, granted: &[bool], out: &mut Vec<Output>) {
        let mut needed = self.topics();
        needed.pop();
        if granted.get(needed.len()) == Some(&true) && self.echo == Echo::Unheard {
            self.echo = Echo::Awaited;
        }
        let refused: Vec<String> = needed
            .into_iter()
            .enumerate()
            .filter(|(place, _)| !granted.get(*place).copied().unwrap_or(false))
            .map(|(_, topic)| topic)
            .collect();
        if refused.is_empty() {
            self.phase = Phase::Waiting;
            if let Some(host) = &self.settings.primary_host {
                out.push(Output::Told(format!("waiting for the primary host {host:?}")));
            }
            return;
        }
        // Without them hosts could never ask for a rebirth, or births would wait for ever: better said than half done.
        out.push(Output::Told(format!(
            "the broker refuses to deliver {}; allow it in its access rules",
            refused.join(" and ")
        )));
        self.phase = Phase::Ending;
        out.push(Output::Disconnect);
    }

    fn received(&mut self, now_ms: u64, topic: &str, payload: &[u8], out: &mut Vec<Output>) {
        let Settings { group, node, .. } = &self.settings;
        if let Some(host) = &self.settings.primary_host
            && topic == topic::state(host)
        {
            self.host_said(now_ms, payload, out);
            return;
        }
        if topic == self.own_birth() {
            self.echo = Echo::Returned;
            return;
        }
        let text = if topic == topic::of(group, Kind::NCmd, node, None) {
            match commanded(payload) {
                Ok(()) => {
                    self.rebirth |= self.phase == Phase::Born;
                    return;
                }
                Err(text) => text,
            }
        } else if let Some(device) = topic.strip_prefix(&topic::of(group, Kind::DCmd, node, Some(""))) {
            let wanted = match Payload::read(payload) {
                Ok(payload) => payload.metrics.first().map_or("nothing".into(), named),
                Err(text) => text,
            };
            format!("a command to device {} ({wanted})", shown(device))
        } else {
            // Nothing else is subscribed to.
            return;
        };
        let text = format!("refused by Sparkplug: {text}; from there nothing but a rebirth can be asked for");
        out.extend(self.refusals.one(now_ms, text).map(Output::Refused));
    }

    fn host_said(&mut self, now_ms: u64, payload: &[u8], out: &mut Vec<Output>) {
        let was_online = self.host.online;
        let Some(state) = State::read(payload) else {
            out.push(Output::Told(
                "the primary host's state is no state of Sparkplug 3.0; it doesn't count".into(),
            ));
            return;
        };
        if !self.host.heard(state) {
            let text = "a state of the primary host is older than its last one; it doesn't count";
            out.push(Output::Told(text.into()));
            return;
        }
        if was_online && !state.online && self.phase == Phase::Born {
            out.push(Output::Told("the primary host has gone: the session ends".into()));
            self.end(now_ms, out);
        }
    }

    /// Says goodbye. A death is told before the connection is closed, and by the broker after it: a host that gets both takes the
    /// second for what it knows.
    fn end(&mut self, now_ms: u64, out: &mut Vec<Output>) {
        match self.phase {
            Phase::Offline | Phase::Ending => return,
            // Nobody was told of a birth; the will, which the DISCONNECT asks for, is all there is to say.
            Phase::Connecting | Phase::Subscribing | Phase::Waiting => {}
            Phase::Born => out.push(Output::Publish(self.death(now_ms))),
        }
        self.phase = Phase::Ending;
        out.push(Output::Disconnect);
    }

    /// The death of this connection's session.
    fn death(&self, now_ms: u64) -> Message {
        let Settings { group, node, .. } = &self.settings;
        let payload = Payload {
            timestamp: Some(now_ms),
            metrics: vec![self.number(now_ms)],
            ..Payload::default()
        };
        Message {
            topic: topic::of(group, Kind::NDeath, node, None),
            payload: payload.bytes(),
            at_least_once: true,
        }
    }

    /// The metric that says which session it is.
    fn number(&self, now_ms: u64) -> payload::Metric {
        let bd_seq = self.bd_seq.map_or(0, i64::from);
        Metric::new(BD_SEQ, Content::Int64(Some(bd_seq))).born(now_ms, None)
    }

    /// Whatever is due: births, data, deaths of devices.
    fn go_on(&mut self, now_ms: u64, out: &mut Vec<Output>) {
        let Some((seen_ms, picture)) = self.seen.take() else {
            return;
        };
        if self.phase == Phase::Born
            && self.echo == Echo::Awaited
            && now_ms.abs_diff(self.born_ms) >= ECHO_WITHIN_MS
        {
            self.echo = Echo::Missed;
            let topic = self.own_birth();
            out.push(Output::Refused(format!(
                "the broker didn't hand this lab its own birth back. Either its access rules drop what the lab publishes, which it never says of \
                 messages of Sparkplug's kind, and no host knows this lab; or they don't let it read {topic}. Let it write and read there"
            )));
        }
        match self.phase {
            Phase::Waiting if self.settings.primary_host.is_none() || self.host.online => {
                self.phase = Phase::Born;
                self.births(now_ms, seen_ms, &picture, out);
            }
            Phase::Born if !same_kind(&picture.node, &self.told) => {
                // What was in no birth can't be told, so that everything is told anew.
                self.births(now_ms, seen_ms, &picture, out);
            }
            Phase::Born if self.rebirth => {
                if now_ms.abs_diff(self.born_ms) >= REBIRTH_APART_MS {
                    self.births(now_ms, seen_ms, &picture, out);
                }
            }
            Phase::Born => self.changes(now_ms, seen_ms, &picture, out),
            Phase::Offline | Phase::Connecting | Phase::Subscribing | Phase::Waiting | Phase::Ending => {}
        }
        self.seen = Some((seen_ms, picture));
    }

    fn births(&mut self, now_ms: u64, seen_ms: u64, picture: &Picture, out: &mut Vec<Output>) {
        self.rebirth = false;
        self.born_ms = now_ms;
        self.seq = 0;
        self.devices.clear();
        let rebirth = Metric::new(REBIRTH, Content::Boolean(Some(false)));
        // Neither has an alias: hosts ask for a rebirth by its name, whatever they know of this session.
        let mut metrics = vec![self.number(seen_ms), rebirth.born(seen_ms, None)];
        for metric in &picture.node {
            let alias = self.alias(None, &metric.name);
            metrics.push(metric.born(seen_ms, alias));
        }
        self.told = Told::all(&picture.node, seen_ms);
        out.push(self.message(now_ms, Kind::NBirth, None, metrics));
        for device in picture.devices.iter().filter(|device| device.here) {
            self.device_birth(now_ms, seen_ms, device, out);
        }
    }

    fn device_birth(&mut self, now_ms: u64, seen_ms: u64, device: &Device, out: &mut Vec<Output>) {
        let mut metrics = Vec::with_capacity(device.metrics.len());
        for metric in &device.metrics {
            let alias = self.alias(Some(&device.name), &metric.name);
            metrics.push(metric.born(seen_ms, alias));
        }
        let born = Born {
            told: Told::all(&device.metrics, seen_ms),
            dead: false,
        };
        self.devices.insert(device.name.clone(), born);
        out.push(self.message(now_ms, Kind::DBirth, Some(&device.name), metrics));
    }

    fn device_death(&mut self, now_ms: u64, name: &str, out: &mut Vec<Output>) {
        if let Some(born) = self.devices.get_mut(name) {
            born.dead = true;
            out.push(self.message(now_ms, Kind::DDeath, Some(name), Vec::new()));
        }
    }

    /// What has changed since it was told.
    fn changes(&mut self, now_ms: u64, seen_ms: u64, picture: &Picture, out: &mut Vec<Output>) {
        let mut told = std::mem::take(&mut self.told);
        let metrics = self.moved(seen_ms, None, &picture.node, &mut told);
        self.told = told;
        if !metrics.is_empty() {
            out.push(self.message(now_ms, Kind::NData, None, metrics));
        }
        let gone: Vec<String> = self
            .devices
            .iter()
            .filter(|(name, born)| {
                let there = |device: &Device| device.here && device.name == **name;
                !born.dead && !picture.devices.iter().any(there)
            })
            .map(|(name, _)| name.clone())
            .collect();
        for name in gone {
            self.device_death(now_ms, &name, out);
        }
        for device in picture.devices.iter().filter(|device| device.here) {
            let Some(born) = self.devices.get_mut(&device.name) else {
                self.device_birth(now_ms, seen_ms, device, out);
                continue;
            };
            if born.dead || !same_kind(&device.metrics, &born.told) {
                self.device_birth(now_ms, seen_ms, device, out);
                continue;
            }
            let mut told = std::mem::take(&mut born.told);
            let metrics = self.moved(seen_ms, Some(&device.name), &device.metrics, &mut told);
            if let Some(born) = self.devices.get_mut(&device.name) {
                born.told = told;
            }
            if !metrics.is_empty() {
                out.push(self.message(now_ms, Kind::DData, Some(&device.name), metrics));
            }
        }
    }

    /// Those of `metrics` that have moved since they were told, in their wire form; from here on they are told. The two lists are of
    /// the same kind.
    fn moved(
        &mut self,
        seen_ms: u64,
        device: Option<&str>,
        metrics: &[Metric],
        told: &mut [Told],
    ) -> Vec<payload::Metric> {
        let mut moved = Vec::new();
        for (metric, told) in metrics.iter().zip(told) {
            // A clock that was set is no reason to be silent.
            if metric.moved(&told.metric, told.at_ms.abs_diff(seen_ms)) {
                let alias = self.alias(device, &metric.name);
                moved.push(metric.data(seen_ms, alias));
                told.metric.clone_from(metric);
                told.at_ms = seen_ms;
            }
        }
        moved
    }

    fn history(&mut self, now_ms: u64, device: &str, samples: Vec<Sample>, out: &mut Vec<Output>) {
        if !self.takes_history(device) {
            return;
        }
        let mut metrics = Vec::with_capacity(samples.len());
        for sample in samples {
            if !self.has(device, &sample.name) {
                continue;
            }
            let alias = self.alias(Some(device), &sample.name);
            let metric = Metric {
                quality: sample.quality,
                ..Metric::new(sample.name, sample.content)
            };
            metrics.push(payload::Metric {
                is_historical: Some(true),
                ..metric.data(sample.at_ms, alias)
            });
        }
        if !metrics.is_empty() {
            out.push(self.message(now_ms, Kind::DData, Some(device), metrics));
        }
    }

    /// The number of a metric, where numbers are used.
    fn alias(&mut self, device: Option<&str>, name: &str) -> Option<u64> {
        if !self.settings.aliases {
            return None;
        }
        let next = self.aliases.len() as u64 + 1;
        let of = (device.map(str::to_owned), name.to_owned());
        Some(*self.aliases.entry(of).or_insert(next))
    }

    /// The next message of the session.
    fn message(
        &mut self,
        now_ms: u64,
        kind: Kind,
        device: Option<&str>,
        metrics: Vec<payload::Metric>,
    ) -> Output {
        let payload = Payload {
            timestamp: Some(now_ms),
            metrics,
            seq: Some(self.seq.into()),
            ..Payload::default()
        };
        self.seq = self.seq.wrapping_add(1);
        Output::Publish(Message {
            topic: topic::of(&self.settings.group, kind, &self.settings.node, device),
            payload: payload.bytes(),
            at_least_once: false,
        })
    }
}

/// A command to the node: `Ok` for a rebirth, else what it was.
fn commanded(payload: &[u8]) -> Result<(), String> {
    let payload = Payload::read(payload).map_err(|text| format!("a command that can't be read ({text})"))?;
    let is_rebirth = |metric: &payload::Metric| {
        metric.name.as_deref() == Some(REBIRTH) && metric.value == Some(Value::Boolean(true))
    };
    match payload.metrics.iter().find(|metric| !is_rebirth(metric)) {
        // All or nothing: a command that wants more than a rebirth isn't one.
        Some(other) => Err(format!("a command to the lab ({})", named(other))),
        None if payload.metrics.is_empty() => Err("a command to the lab (nothing)".into()),
        None => Ok(()),
    }
}

/// What a stranger calls a metric.
fn named(metric: &payload::Metric) -> String {
    match (&metric.name, metric.alias) {
        (Some(name), _) => shown(name),
        (None, Some(alias)) => format!("alias {alias}"),
        (None, None) => "a metric without a name".into(),
    }
}

/// A stranger's text, so that it can be shown: no control characters, and not all of it.
fn shown(text: &str) -> String {
    let short: String = text.chars().take(SHOWN_CHARS).collect();
    let more = if short.len() < text.len() { "..." } else { "" };
    format!("{short:?}{more}")
}
