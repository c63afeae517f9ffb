//! `benchward-sparkplug-host PORT HOST_ID`: a Sparkplug host on 127.0.0.1:PORT that says on stdout what it knows, one JSON object
//! a line, until SIGTERM, which ends it with its own death told.
//!
//! ```text
//! {"event":"online"}
//! {"event":"birth","node":"larkfield","device":"bench-1","metrics":{"Heat":{"value":0.0,"at_ms":1700000000000,"type":"Double"}}}
//! {"event":"data","node":"larkfield","device":"bench-1","metrics":[{"name":"Heat","value":0.5,"at_ms":...,"historical":false}]}
//! {"event":"stale","node":"larkfield","device":"bench-1"}
//! ```
//!
//! `device` is null for the node itself. A host of this library asks for a rebirth by itself: of a node that it doesn't know, and
//! 3 s after a gap in the numbers.

use std::collections::HashMap;
use std::io::Write as _;

use serde_json::{Value, json};
use srad::app::generic_app::{ApplicationBuilder, MetricStore, StateUpdateError};
use srad::app::{MetricBirthDetails, MetricDetails, SubscriptionConfig};
use srad::client_rumqtt::{EventLoop, MqttOptions};
use srad::types::payload::DataType;
use srad::types::{MetricId, MetricValue, MetricValueKind};
use tokio::signal::unix::{SignalKind, signal};

struct Store {
    node: String,
    device: Option<String>,
    /// Names and types by what data call a metric.
    known: HashMap<MetricId, (String, DataType)>,
}

impl Store {
    fn say(&self, event: &str, mut more: Value) {
        more["event"] = event.into();
        more["node"] = self.node.clone().into();
        more["device"] = self.device.clone().into();
        say(&more);
    }
}

fn say(value: &Value) {
    let mut out = std::io::stdout().lock();
    // Whoever reads this has gone: so does the host.
    if writeln!(out, "{value}").and_then(|()| out.flush()).is_err() {
        std::process::exit(0);
    }
}

fn plain(datatype: DataType, value: Option<MetricValue>) -> Value {
    let Some(value) = value else {
        return Value::Null;
    };
    match MetricValueKind::try_from_metric_value(datatype, value) {
        Ok(MetricValueKind::Int32(value)) => value.into(),
        Ok(MetricValueKind::Int64(value)) => value.into(),
        Ok(MetricValueKind::Double(value)) => value.into(),
        Ok(MetricValueKind::Boolean(value)) => value.into(),
        Ok(MetricValueKind::String(value)) => value.into(),
        other => format!("unexpected: {other:?}").into(),
    }
}

impl MetricStore for Store {
    fn set_stale(&mut self) {
        self.say("stale", json!({}));
    }

    fn update_from_birth(
        &mut self,
        details: Vec<(MetricBirthDetails, MetricDetails)>,
    ) -> Result<(), StateUpdateError> {
        self.known.clear();
        let mut metrics = serde_json::Map::new();
        for (birth, metric) in details {
            let at_ms = metric.timestamp;
            metrics.insert(
                birth.name.clone(),
                json!({
                    "value": plain(birth.datatype, metric.value),
                    "at_ms": at_ms,
                    "type": format!("{:?}", birth.datatype),
                }),
            );
            self.known
                .insert(birth.get_metric_id(), (birth.name, birth.datatype));
        }
        self.say("birth", json!({ "metrics": metrics }));
        Ok(())
    }

    fn update_from_data(&mut self, details: Vec<(MetricId, MetricDetails)>) -> Result<(), StateUpdateError> {
        let mut metrics = Vec::new();
        for (id, metric) in details {
            let Some((name, datatype)) = self.known.get(&id) else {
                return Err(StateUpdateError::UnknownMetric);
            };
            metrics.push(json!({
                "name": name,
                "value": plain(*datatype, metric.value),
                "at_ms": metric.timestamp,
                "historical": metric.is_historical,
            }));
        }
        self.say("data", json!({ "metrics": metrics }));
        Ok(())
    }
}

#[tokio::main(flavor = "current_thread")]
async fn main() {
    let mut arguments = std::env::args().skip(1);
    let (Some(port), Some(host)) = (arguments.next(), arguments.next()) else {
        panic!("usage: benchward-sparkplug-host PORT HOST_ID");
    };
    let options = MqttOptions::new(host.clone(), "127.0.0.1", port.parse().expect("a port"));
    let (events, client) = EventLoop::new(options, 64);
    let (application, client) = ApplicationBuilder::new(host, events, client, SubscriptionConfig::AllGroups)
        .on_online(|| say(&json!({ "event": "online" })))
        .on_offline(|| say(&json!({ "event": "offline" })))
        .on_node_created(|node| {
            let name = node.id().node.clone();
            let store = |device: Option<String>| Store {
                node: name.clone(),
                device,
                known: HashMap::new(),
            };
            node.register_metric_store(store(None));
            let name = name.clone();
            node.on_device_created(move |device| {
                let store = Store {
                    node: name.clone(),
                    device: Some(device.name().to_owned()),
                    known: HashMap::new(),
                };
                device.register_metric_store(store);
            });
        })
        .build();
    let mut terminate = signal(SignalKind::terminate()).expect("a handler");
    tokio::spawn(async move {
        terminate.recv().await;
        client.cancel().await;
    });
    application.run().await;
}
