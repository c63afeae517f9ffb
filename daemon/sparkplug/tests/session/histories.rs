//! Random histories of connections, hosts, commands and labs, each held against all rules of a session at once.
//!
//! The auditor knows nothing of the edge node's state: it reads what was told, as a host would, and keeps its own account.

use std::collections::{BTreeMap, BTreeSet};

use benchward_sparkplug::edge_node::{BD_SEQ, REBIRTH, REBIRTH_APART_MS};
use benchward_sparkplug::payload::{self, Payload, Value};
use benchward_sparkplug::{
    Content, Device, EdgeNode, Input, Metric, Output, Picture, Quality, Sample, Settings,
};
use proptest::collection::vec;
use proptest::prelude::*;

use crate::node::{Told, ncmd, rebirth_request, state, told};

/// One thing that happens.
#[derive(Debug, Clone)]
enum Step {
    Opened,
    Connected,
    Subscribed(bool),
    Closed,
    End,
    Looked(Look),
    Rebirth,
    OddCommand,
    OddDeviceCommand,
    Host { online: bool, timestamp: u64 },
    OddHost,
    History { device: usize, count: usize },
    Noise(Vec<u8>),
}

/// A lab at random: few values, so that they repeat.
#[derive(Debug, Clone)]
struct Look {
    alarm: bool,
    more: bool,
    benches: Vec<Bench>,
}

#[derive(Debug, Clone)]
struct Bench {
    here: bool,
    celsius: Option<i8>,
    quality: Quality,
    hood: bool,
}

const BENCHES: [&str; 3] = ["bench-1", "bench-2", "bench-3"];

impl Look {
    fn picture(&self) -> Picture {
        let mut node = vec![Metric::new("Alarm", Content::Boolean(Some(self.alarm)))];
        if self.more {
            node.push(Metric::new("More", Content::Int32(Some(-1))));
        }
        let devices = self.benches.iter().zip(BENCHES).map(|(bench, name)| {
            let mut metrics = vec![
                Metric::new("Channel/board-top", Content::Double(bench.celsius.map(f64::from)))
                    .unit("Cel")
                    .quality(bench.quality)
                    .deadband(2.0),
            ];
            if bench.hood {
                metrics.push(Metric::new("Permissive/hood", Content::Boolean(Some(true))));
            }
            Device {
                name: name.into(),
                here: bench.here,
                metrics,
            }
        });
        Picture {
            node,
            devices: devices.collect(),
        }
    }
}

fn look() -> impl Strategy<Value = Look> {
    let quality = prop_oneof![8 => Just(Quality::Good), 1 => Just(Quality::Bad), 1 => Just(Quality::Stale)];
    let bench = (
        prop::bool::weighted(0.85),
        prop::option::weighted(0.9, 0_i8..8),
        quality,
        prop::bool::weighted(0.9),
    )
        .prop_map(|(here, celsius, quality, hood)| Bench {
            here,
            celsius,
            quality,
            hood,
        });
    (any::<bool>(), prop::bool::weighted(0.05), vec(bench, 0..=3)).prop_map(|(alarm, more, benches)| Look {
        alarm,
        more,
        benches,
    })
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        1 => Just(Step::Opened),
        3 => Just(Step::Connected),
        3 => prop::bool::weighted(0.9).prop_map(Step::Subscribed),
        1 => Just(Step::Closed),
        1 => prop::bool::weighted(0.3).prop_map(|end| if end { Step::End } else { Step::Rebirth }),
        24 => look().prop_map(Step::Looked),
        2 => Just(Step::Rebirth),
        1 => Just(Step::OddCommand),
        1 => Just(Step::OddDeviceCommand),
        3 => (prop::bool::weighted(0.8), 0_u64..6).prop_map(|(online, timestamp)| Step::Host { online, timestamp }),
        1 => Just(Step::OddHost),
        4 => (0_usize..3, 0_usize..3).prop_map(|(device, count)| Step::History { device, count }),
        1 => vec(any::<u8>(), 0..30).prop_map(Step::Noise),
    ]
}

/// What a host keeps of one metric.
#[derive(Debug, Clone)]
struct Kept {
    datatype: u32,
    value: Option<Value>,
    quality: Option<u64>,
}

/// A host that believes nothing.
#[derive(Default)]
#[expect(clippy::struct_excessive_bools, reason = "an account of independent facts")]
struct Auditor {
    aliases_on: bool,
    hosted: bool,
    bd_seq: Option<u64>,
    connected: bool,
    subscribed: bool,
    host_online: bool,
    host_newest: Option<u64>,
    host_newest_online: Option<u64>,
    over: bool,
    next_seq: Option<u64>,
    rebirth_wanted: bool,
    node: BTreeMap<String, Kept>,
    devices: BTreeMap<String, BTreeMap<String, Kept>>,
    /// By alias: of which device, and name.
    aliases: BTreeMap<u64, (Option<String>, String)>,
}

impl Auditor {
    fn born(&self) -> bool {
        self.next_seq.is_some()
    }

    fn connection_ends(&mut self) {
        self.connected = false;
        self.subscribed = false;
        self.host_online = false;
        self.over = false;
        self.next_seq = None;
        self.rebirth_wanted = false;
        self.node.clear();
        self.devices.clear();
    }

    /// Keeps account of what goes in.
    fn goes_in(&mut self, step: &Step) {
        match step {
            Step::Opened | Step::Closed => self.connection_ends(),
            Step::Rebirth if self.born() && !self.over => self.rebirth_wanted = true,
            Step::Host { online, timestamp } if self.hosted => {
                let since = if *online {
                    self.host_newest
                } else {
                    self.host_newest_online
                };
                if since.is_none_or(|since| *timestamp >= since) {
                    self.host_newest = self.host_newest.max(Some(*timestamp));
                    if *online {
                        self.host_newest_online = Some(*timestamp);
                    }
                    self.host_online = *online;
                }
            }
            _ => {}
        }
    }

    fn comes_out(&mut self, now: u64, output: &Output) {
        match output {
            Output::Connect { will } => {
                assert!(!self.connected);
                let payload = Payload::read(&will.payload).expect("a payload");
                assert_eq!(will.topic, "spBv1.0/rework/NDEATH/larkfield");
                assert!(will.at_least_once);
                let number = Self::death(&payload);
                let expected = self.bd_seq.map_or(0, |before| (before + 1) % 256);
                assert_eq!(number, expected, "one further with each CONNECT");
                self.bd_seq = Some(number);
                self.connected = true;
            }
            Output::Subscribe(topics) => {
                assert!(self.connected && !self.subscribed && !self.born());
                assert_eq!(topics.len(), if self.hosted { 4 } else { 3 });
                self.subscribed = true;
            }
            Output::Disconnect => {
                assert!(self.connected && !self.over, "once a connection");
                self.over = true;
                self.next_seq = None;
            }
            Output::Publish(_) => {
                let message = told(std::slice::from_ref(output)).remove(0);
                self.heard(now, &message);
            }
            Output::Refused(text) | Output::Told(text) => {
                assert!(!text.chars().any(char::is_control), "{text:?}");
            }
        }
    }

    /// A death's number; it has nothing else.
    fn death(payload: &Payload) -> u64 {
        assert_eq!(payload.seq, None);
        let [only] = &payload.metrics[..] else {
            panic!("{payload:?}")
        };
        assert_eq!(
            (only.name.as_deref(), only.alias, only.datatype),
            (Some(BD_SEQ), None, Some(4))
        );
        match only.value {
            Some(Value::Long(number @ 0..=255)) => number,
            ref other => panic!("{other:?}"),
        }
    }

    fn heard(&mut self, now: u64, told: &Told) {
        assert!(self.connected && self.subscribed && !self.over, "{told:?}");
        let payload = &told.payload;
        assert_eq!(payload.timestamp, Some(now));
        assert_eq!(told.at_least_once, told.kind == "NDEATH");
        if told.kind == "NDEATH" {
            assert!(self.born(), "only what was born dies");
            assert_eq!(Some(Self::death(payload)), self.bd_seq);
            return;
        }
        if told.kind == "NBIRTH" {
            assert!(
                !self.hosted || self.host_online,
                "births wait for the primary host"
            );
            self.next_seq = Some(0);
            self.rebirth_wanted = false;
            self.devices.clear();
        }
        let expected = self.next_seq.expect("nothing comes before an NBIRTH");
        assert_eq!(payload.seq, Some(expected), "{told:?}");
        self.next_seq = Some((expected + 1) % 256);
        match &*told.kind {
            "NBIRTH" => {
                self.node = self.birth(None, payload);
                let number = self.node.remove(BD_SEQ).expect("the session's number");
                assert_eq!(number.value, self.bd_seq.map(Value::Long));
                let rebirth = self.node.remove(REBIRTH).expect("the command");
                assert_eq!(
                    (rebirth.datatype, rebirth.value),
                    (11, Some(Value::Boolean(false)))
                );
            }
            "DBIRTH" => {
                let device = told.device.clone().expect("a device");
                let kept = self.birth(Some(&device), payload);
                self.devices.insert(device, kept);
            }
            "DDEATH" => {
                let device = told.device.as_ref().expect("a device");
                assert!(self.devices.remove(device).is_some(), "only what was born dies");
            }
            "NDATA" | "DDATA" => {
                assert!(!self.rebirth_wanted, "a request stops data");
                self.data(told.device.as_deref(), payload);
            }
            other => panic!("{other} is not an edge node's to send"),
        }
    }

    fn birth(&mut self, device: Option<&str>, payload: &Payload) -> BTreeMap<String, Kept> {
        let mut kept = BTreeMap::new();
        let mut aliases = BTreeSet::new();
        let mut last = 0;
        for metric in &payload.metrics {
            let name = metric.name.clone().expect("births have names");
            let at = metric.timestamp.expect("births have times");
            assert!(at >= last, "in the order of time");
            last = at;
            assert_eq!(metric.is_historical, None);
            let special = matches!(&*name, BD_SEQ | REBIRTH);
            assert_eq!(metric.alias.is_some(), self.aliases_on && !special);
            if let Some(alias) = metric.alias {
                let of = (device.map(str::to_owned), name.clone());
                assert!(aliases.insert(alias), "twice in one birth");
                let known = self.aliases.entry(alias).or_insert_with(|| of.clone());
                assert_eq!(*known, of, "an alias never changes its meaning");
            }
            let datatype = metric.datatype.expect("births have types");
            let before = kept.insert(name, Self::kept(metric, datatype));
            assert!(before.is_none(), "twice in one birth");
        }
        kept
    }

    fn kept(metric: &payload::Metric, datatype: u32) -> Kept {
        assert_eq!(metric.is_null == Some(true), metric.value.is_none());
        let fits = matches!(
            (datatype, &metric.value),
            (_, None)
                | (3, Some(Value::Int(_)))
                | (4, Some(Value::Long(_)))
                | (10, Some(Value::Double(_)))
                | (11, Some(Value::Boolean(_)))
                | (12, Some(Value::String(_)))
        );
        assert!(fits, "{metric:?}");
        let quality = metric.properties.as_ref().and_then(|properties| {
            assert_eq!(properties.keys.len(), properties.values.len());
            let at = properties.keys.iter().position(|key| key == "Quality")?;
            assert_eq!(properties.values[at].r#type, Some(3));
            match properties.values[at].value {
                Some(payload::PropertyContent::Int(quality)) => Some(quality.into()),
                ref other => panic!("{other:?}"),
            }
        });
        Kept {
            datatype,
            value: metric.value.clone(),
            quality,
        }
    }

    fn data(&mut self, device: Option<&str>, payload: &Payload) {
        assert!(!payload.metrics.is_empty(), "nothing is no news");
        let mut last = 0;
        for metric in &payload.metrics {
            let at = metric.timestamp.expect("data have times");
            assert!(at >= last, "in the order of time");
            last = at;
            let name = if self.aliases_on {
                assert_eq!((metric.name.as_ref(), metric.datatype), (None, None));
                let (of, name) = &self.aliases[&metric.alias.expect("in place of the name")];
                assert_eq!(of.as_deref(), device);
                name.clone()
            } else {
                assert_eq!(metric.alias, None);
                metric.name.clone().expect("names, unless asked otherwise")
            };
            let all = match device {
                None => &mut self.node,
                Some(device) => self.devices.get_mut(device).expect("born, and not dead"),
            };
            let kept = all.get_mut(&name).expect("told of at birth");
            if !self.aliases_on {
                assert_eq!(metric.datatype, Some(kept.datatype));
            }
            let new = Self::kept(metric, kept.datatype);
            if metric.is_historical == Some(true) {
                continue;
            }
            assert_eq!(metric.is_historical, None);
            assert!(
                new.value != kept.value || new.quality != kept.quality,
                "what has not changed isn't said again: {metric:?}"
            );
            *kept = new;
        }
    }

    /// After a look, a host knows the lab as it is, but for what is within a deadband.
    fn knows(&self, picture: &Picture) {
        if !self.born() || self.rebirth_wanted {
            return;
        }
        for metric in &picture.node {
            Self::knows_metric(&self.node, metric);
        }
        assert_eq!(self.node.len(), picture.node.len());
        let here: Vec<&Device> = picture.devices.iter().filter(|device| device.here).collect();
        assert_eq!(self.devices.len(), here.len());
        for device in here {
            let kept = &self.devices[&device.name];
            assert_eq!(kept.len(), device.metrics.len());
            for metric in &device.metrics {
                Self::knows_metric(kept, metric);
            }
        }
    }

    fn knows_metric(kept: &BTreeMap<String, Kept>, metric: &Metric) {
        let kept = &kept[&metric.name];
        assert_eq!(kept.quality, metric.quality.map(|quality| quality as u64));
        match (&kept.value, metric.content.value()) {
            (Some(Value::Double(kept)), Some(Value::Double(is))) => {
                assert!(
                    (kept - is).abs() < metric.deadband,
                    "{metric:?}: a host has {kept}"
                );
            }
            (kept, is) => assert_eq!(*kept, is),
        }
    }
}

fn input(step: &Step, now: u64) -> Input {
    match step {
        Step::Opened => Input::Opened,
        Step::Connected => Input::Connected,
        Step::Subscribed(granted) => Input::Subscribed {
            granted: vec![true, *granted, true],
        },
        Step::Closed => Input::Closed,
        Step::End => Input::End,
        Step::Looked(look) => Input::Looked(look.picture()),
        Step::Rebirth => ncmd(&rebirth_request()),
        Step::OddCommand => {
            let mut payload = rebirth_request();
            payload.metrics[0].name = Some("Heat\u{7}".into());
            ncmd(&payload)
        }
        Step::OddDeviceCommand => Input::Received {
            topic: "spBv1.0/rework/DCMD/larkfield/bench-1".into(),
            payload: rebirth_request().bytes(),
        },
        Step::Host { online, timestamp } => state("line-host", *online, *timestamp),
        Step::OddHost => state("other-host", true, now),
        Step::History { device, count } => Input::History {
            device: BENCHES[*device].into(),
            samples: (0..*count)
                .map(|at| Sample {
                    at_ms: at as u64,
                    name: "Channel/board-top".into(),
                    content: Content::Double(Some(1.0)),
                    quality: Some(Quality::Good),
                })
                .collect(),
        },
        Step::Noise(bytes) => Input::Received {
            topic: "spBv1.0/rework/NCMD/larkfield".into(),
            payload: bytes.clone(),
        },
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, ..ProptestConfig::default() })]

    #[test]
    fn every_history_keeps_every_rule(
        hosted in any::<bool>(),
        aliases in any::<bool>(),
        steps in vec((0_u64..600, step()), 1..300),
    ) {
        let mut node = EdgeNode::new(Settings {
            group: "rework".into(),
            node: "larkfield".into(),
            primary_host: hosted.then(|| "line-host".into()),
            aliases,
        });
        let mut auditor = Auditor { hosted, aliases_on: aliases, ..Auditor::default() };
        let mut now = 1_000_000;
        for (later, step) in &steps {
            now += later;
            auditor.goes_in(step);
            let out = node.apply(now, input(step, now));
            for output in &out {
                auditor.comes_out(now, output);
            }
            prop_assert_eq!(node.is_born(), auditor.born() && !auditor.rebirth_wanted);
            if let Step::Looked(look) = step {
                auditor.knows(&look.picture());
            }
        }
        // A request is answered in the end, unless the session ended before.
        if auditor.rebirth_wanted && auditor.born() {
            now += REBIRTH_APART_MS;
            let look = Look { alarm: false, more: false, benches: Vec::new() };
            for output in node.apply(now, Input::Looked(look.picture())) {
                auditor.comes_out(now, &output);
            }
            prop_assert!(!auditor.rebirth_wanted);
        }
    }
}
