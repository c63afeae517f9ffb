//! What faces the plant: MQTT, Sparkplug, metrics.
//!
//! Nothing in here is on the way from a reading to a cut. So each can be ended and begun anew while benches heat.

use std::sync::Arc;
use std::time::Duration;

use benchward_config::{Metrics, Mqtt};
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio::time::timeout;
use tracing::warn;

use crate::bus::Shared;
use crate::{metrics, mqtt, sparkplug};

/// How long a publisher may take to say goodbye to a broker that may be gone, before it is dropped.
const GOODBYE_WITHIN: Duration = Duration::from_secs(5);

/// Everything that is published and served at present.
pub(crate) struct Outward {
    shared: Arc<Shared>,
    mqtt: Option<Publishing>,
    metrics: Option<JoinHandle<()>>,
    /// The archive's store was lost, and how far readings had been passed on with it; no publisher has been told yet.
    cursors_lost: bool,
}

/// The connections to one broker.
struct Publishing {
    end: watch::Sender<bool>,
    tasks: Vec<JoinHandle<()>>,
}

impl Outward {
    /// Nothing yet. `cursors_lost`: the archive's store was lost, and how far readings had been passed on with it.
    pub(crate) const fn new(shared: Arc<Shared>, cursors_lost: bool) -> Self {
        Self {
            shared,
            mqtt: None,
            metrics: None,
            cursors_lost,
        }
    }

    /// Publishes as `settings` say from now on, or not at all. What was published until now ends first, with a goodbye: a broker would
    /// take two connections of one name for one that came back.
    pub(crate) async fn publish(&mut self, settings: Option<Mqtt>) {
        if let Some(before) = self.mqtt.take() {
            before.end().await;
        }
        let Some(settings) = settings else { return };
        let (end, ending) = watch::channel(false);
        let mut tasks = Vec::new();
        let lost = std::mem::take(&mut self.cursors_lost);
        if settings.plain {
            let publishing = mqtt::publish(settings.clone(), self.shared.clone(), ending.clone(), lost);
            tasks.push(tokio::spawn(publishing));
        }
        if settings
            .sparkplug
            .as_ref()
            .is_some_and(|sparkplug| sparkplug.enabled)
        {
            let publishing = sparkplug::publish(settings, self.shared.clone(), ending, lost);
            tasks.push(tokio::spawn(publishing));
        }
        self.mqtt = Some(Publishing { end, tasks });
    }

    /// Serves metrics as `settings` say from now on, or not at all.
    pub(crate) async fn measure(&mut self, settings: Option<Metrics>) {
        if let Some(before) = self.metrics.take() {
            before.abort();
            // Its socket is closed once it is gone; the next may want the same address.
            let _ = before.await;
        }
        self.metrics = settings.map(|settings| tokio::spawn(metrics::serve(settings, self.shared.clone())));
    }

    /// Says goodbye everywhere.
    pub(crate) async fn end(mut self) {
        self.publish(None).await;
        self.measure(None).await;
    }
}

impl Publishing {
    async fn end(self) {
        let _ = self.end.send(true);
        for mut task in self.tasks {
            if timeout(GOODBYE_WITHIN, &mut task).await.is_err() {
                warn!(
                    "MQTT: the broker doesn't take a goodbye within {GOODBYE_WITHIN:?}; the connection is dropped"
                );
                task.abort();
                let _ = task.await;
            }
        }
    }
}
