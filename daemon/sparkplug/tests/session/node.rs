//! A small lab to be told of, and what was told, read back.

use benchward_sparkplug::edge_node::REBIRTH;
use benchward_sparkplug::payload::{self, Payload, Value};
use benchward_sparkplug::{Content, Device, EdgeNode, Input, Metric, Output, Picture, Quality, Settings};

/// The edge node of these tests: no primary host, names in data.
pub(crate) fn settings() -> Settings {
    Settings {
        group: "rework".into(),
        node: "larkfield".into(),
        primary_host: None,
        aliases: false,
    }
}

/// A station that reads so many degrees.
pub(crate) fn bench(name: &str, celsius: f64) -> Device {
    Device {
        name: name.into(),
        here: true,
        metrics: vec![
            Metric::new("Channel/board-top", Content::Double(Some(celsius)))
                .unit("Cel")
                .quality(Quality::Good)
                .deadband(0.125),
            Metric::new("Phase", Content::String(Some("idle".into()))),
            Metric::new("Run", Content::Int64(None)),
        ],
    }
}

/// A lab of two stations.
pub(crate) fn picture(celsius: f64) -> Picture {
    Picture {
        node: vec![
            Metric::new("Alarm", Content::Boolean(Some(false))),
            Metric::new("Journal/Entries", Content::Int64(Some(0))),
        ],
        devices: vec![bench("bench-1", celsius), bench("bench-2", celsius)],
    }
}

/// A message that was told, read.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Told {
    pub(crate) topic: String,
    pub(crate) kind: String,
    pub(crate) device: Option<String>,
    pub(crate) at_least_once: bool,
    pub(crate) payload: Payload,
}

/// What of `out` goes to the broker's subscribers.
pub(crate) fn told(out: &[Output]) -> Vec<Told> {
    out.iter()
        .filter_map(|output| {
            let Output::Publish(message) = output else {
                return None;
            };
            let mut parts = message.topic.split('/');
            assert_eq!(parts.next(), Some("spBv1.0"));
            assert_eq!(parts.next(), Some("rework"));
            let kind = parts.next().expect("a kind").to_owned();
            assert_eq!(parts.next(), Some("larkfield"));
            let device = parts.next().map(str::to_owned);
            assert_eq!(device.is_some(), kind.starts_with('D'));
            Some(Told {
                topic: message.topic.clone(),
                kind,
                device,
                at_least_once: message.at_least_once,
                payload: Payload::read(&message.payload).expect("a payload"),
            })
        })
        .collect()
}

/// A metric of a payload.
pub(crate) fn named<'a>(payload: &'a Payload, name: &str) -> Option<&'a payload::Metric> {
    payload
        .metrics
        .iter()
        .find(|metric| metric.name.as_deref() == Some(name))
}

/// Asks for a rebirth.
pub(crate) fn rebirth_request() -> Payload {
    Payload {
        timestamp: Some(1),
        metrics: vec![payload::Metric {
            name: Some(REBIRTH.into()),
            timestamp: Some(1),
            datatype: Some(11),
            value: Some(Value::Boolean(true)),
            ..payload::Metric::default()
        }],
        ..Payload::default()
    }
}

/// A command to the node.
pub(crate) fn ncmd(payload: &Payload) -> Input {
    Input::Received {
        topic: "spBv1.0/rework/NCMD/larkfield".into(),
        payload: payload.bytes(),
    }
}

/// A host says whether it is there.
pub(crate) fn state(host: &str, online: bool, timestamp: u64) -> Input {
    Input::Received {
        topic: format!("spBv1.0/STATE/{host}"),
        payload: format!(r#"{{"online":{online},"timestamp":{timestamp}}}"#).into_bytes(),
    }
}

/// Whether data may follow.
pub(crate) fn born(node: &EdgeNode) -> bool {
    node.is_born()
}
