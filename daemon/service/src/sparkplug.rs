//! Sparkplug 3.0: the lab as an edge node, its stations as devices.
//!
//! What is said and when is `benchward_sparkplug`'s to decide; here is the connection, the clock, and the picture of the lab. One
//! task, one client of its own, one connection at a time. Nothing waits inside it: while the broker is away nothing is gathered,
//! and a new connection begins with births, which say everything.

mod connection;
mod history;
mod picture;

use std::sync::Arc;
use std::time::Duration;

use anyhow::Context as _;
use benchward_config::{Mqtt, Sparkplug};
use benchward_core::Signal;
use benchward_sparkplug::{EdgeNode, Input, Output, Settings};
use rumqttc::v5::mqttbytes::QoS;
use rumqttc::v5::mqttbytes::v5::{Packet, SubscribeReasonCode};
use tokio::sync::broadcast::error::TryRecvError;
use tokio::sync::{broadcast, watch};
use tokio::time::{Instant, MissedTickBehavior, interval, sleep};
use tracing::{info, warn};

use crate::bus::Shared;
use crate::mqtt::backfill::Batch;
use crate::mqtt::tls::explained;
use connection::Connection;
use history::History;
use picture::Ended;

/// First wait before a connection is tried again; doubles up to [`BACK_OFF_LAST`].
const BACK_OFF_FIRST: Duration = Duration::from_millis(500);
/// Longest wait.
const BACK_OFF_LAST: Duration = Duration::from_secs(30);
/// How often the lab is looked at: nothing is told faster.
const LOOK_EVERY: Duration = Duration::from_millis(250);

/// Is an edge node for as long as the daemon lives, over as many connections as it takes. `end`: turns true when the daemon
/// ends. `cursors_lost`: the archive's store was lost, and how far readings had been passed on with it.
pub(crate) async fn publish(
    settings: Mqtt,
    shared: Arc<Shared>,
    mut end: watch::Receiver<bool>,
    cursors_lost: bool,
) {
    let Some(sparkplug) = &settings.sparkplug else {
        return;
    };
    let mut history = match History::start(&settings, &shared, cursors_lost) {
        Ok(history) => history,
        Err(error) => return warn!("Sparkplug: there is no thread left for it: {error}"),
    };
    let mut lab = Edge::new(sparkplug, &settings, &shared);
    let mut back_off = BACK_OFF_FIRST;
    let mut said = String::new();
    while !*end.borrow() {
        let began = Instant::now();
        lab.admitted = false;
        let ended = lab.session(&mut history, &mut end).await;
        lab.node.apply(lab.now_ms(), Input::Closed);
        match ended {
            // A session that had begun was ended since its host has gone: it is to be there again when the host is.
            Ok(true) => back_off = BACK_OFF_FIRST,
            Ok(false) => {}
            Err(error) => {
                let error = if lab.admitted {
                    error
                } else {
                    explained(error, &settings)
                };
                let text = format!("{error:#}");
                if text != said {
                    warn!(
                        "Sparkplug: broker {}: {text}; tried again, from {BACK_OFF_FIRST:?} to {BACK_OFF_LAST:?} apart",
                        settings.broker
                    );
                    said = text;
                }
            }
        }
        if began.elapsed() > BACK_OFF_LAST {
            back_off = BACK_OFF_FIRST;
            said.clear();
        }
        tokio::select! {
            // Between half of it and all of it: many labs that lost one broker don't come back in step.
            () = sleep(back_off.mul_f64(0.5 + 0.5 * fastrand::f64())) => {}
            _ = end.changed() => {}
        }
        back_off = (back_off * 2).min(BACK_OFF_LAST);
    }
    history.close().await;
}

/// The edge node with its surroundings.
struct Edge<'a> {
    node: EdgeNode,
    settings: &'a Mqtt,
    shared: &'a Shared,
    signals: broadcast::Receiver<Signal>,
    ended: Ended,
    told: String,
    /// The broker has let this connection in.
    admitted: bool,
}

impl<'a> Edge<'a> {
    fn new(sparkplug: &Sparkplug, settings: &'a Mqtt, shared: &'a Shared) -> Self {
        let node = EdgeNode::new(Settings {
            group: sparkplug.group.clone(),
            node: shared.wiring.setup.name.to_string(),
            primary_host: sparkplug.primary_host.clone(),
            aliases: sparkplug.aliases,
        });
        Self {
            node,
            settings,
            shared,
            signals: shared.signals.subscribe(),
            ended: Ended::new(),
            told: String::new(),
            admitted: false,
        }
    }

    /// Wall time, ms since 1970.
    fn now_ms(&self) -> u64 {
        u64::try_from(self.shared.clock.wall_now().0).unwrap_or(0)
    }

    /// One connection, from its beginning to its end. `Ok`: the edge node ended it, and whether anything was born before.
    async fn session(
        &mut self,
        history: &mut History,
        end: &mut watch::Receiver<bool>,
    ) -> anyhow::Result<bool> {
        let opened = tokio::select! {
            opened = Connection::open(self.settings) => opened?,
            _ = end.changed() => return Ok(false),
        };
        let mut connection = Some(opened);
        self.take(&mut connection, Input::Opened).await?;
        let mut look = interval(LOOK_EVERY);
        look.set_missed_tick_behavior(MissedTickBehavior::Delay);
        // Since when hosts have been told of everything as it happened.
        let mut born_ms = None;
        while let Some(open) = &mut connection {
            let inputs = tokio::select! {
                packet = open.next() => {
                    let packet = packet?;
                    open.mind(&packet).await?;
                    history.answered(open.answered());
                    self.heard(packet).into_iter().collect()
                }
                _ = look.tick() => {
                    open.keep_alive().await?;
                    vec![Input::Looked(self.look())]
                }
                // Live values first: these wait until everybody was born, and go on between two looks.
                batch = history.next(), if born_ms.is_some() && self.node.is_born() => match (batch, born_ms) {
                    (Some(batch), Some(born_ms)) => self.missed(history, &batch, born_ms),
                    _ => vec![Input::End],
                },
                _ = end.changed() => vec![Input::End],
            };
            let looked = matches!(inputs[..], [Input::Looked(_)]);
            for input in inputs {
                self.take(&mut connection, input).await?;
            }
            if born_ms.is_none() && self.node.is_born() {
                born_ms = Some(self.now_ms());
                history.begin();
            }
            if let Some(open) = connection.as_mut().filter(|_| looked) {
                history.look(|station| self.node.takes_history(station));
                if history.has_unasked() {
                    history.asked(open.ask().await?);
                }
            }
        }
        Ok(born_ms.is_some())
    }

    /// What a batch of the archive has for hosts that were told of everything since `born_ms`.
    fn missed(&self, history: &mut History, batch: &Batch, born_ms: u64) -> Vec<Input> {
        if self.shared.wiring.setup.station(&batch.station).is_none() {
            // A station that the lab has no more is no device: nobody can be told.
            history.told(batch);
            return Vec::new();
        }
        if !self.node.takes_history(&batch.station) {
            history.keep_back(batch);
            return Vec::new();
        }
        history.told(batch);
        history::missed(batch, born_ms)
    }

    /// What a packet means to the edge node.
    fn heard(&mut self, packet: Packet) -> Option<Input> {
        match packet {
            Packet::ConnAck(_) => {
                self.admitted = true;
                info!("Sparkplug: connected to {}", self.settings.broker);
                Some(Input::Connected)
            }
            Packet::SubAck(ack) => Some(Input::Subscribed {
                granted: ack
                    .return_codes
                    .iter()
                    .map(|code| {
                        matches!(
                            code,
                            SubscribeReasonCode::Success(QoS::AtLeastOnce | QoS::ExactlyOnce)
                        )
                    })
                    .collect(),
            }),
            Packet::Publish(publish) => Some(Input::Received {
                topic: String::from_utf8_lossy(&publish.topic).into_owned(),
                payload: publish.payload.to_vec(),
            }),
            _ => None,
        }
    }

    /// The lab as it is now.
    fn look(&mut self) -> benchward_sparkplug::Picture {
        loop {
            match self.signals.try_recv() {
                Ok(Signal::RunOutcome {
                    station,
                    run,
                    outcome,
                }) => {
                    let name = self.shared.wiring.setup.station_name(station).to_string();
                    self.ended.insert(name, (run, outcome));
                }
                // What was missed is in the journal.
                Ok(_) | Err(TryRecvError::Lagged(_)) => {}
                Err(TryRecvError::Empty | TryRecvError::Closed) => break,
            }
        }
        picture::picture(
            &self.shared.lab.view(),
            &self.shared.keep.standing(),
            &self.ended,
            &self.settings.live,
        )
    }

    /// Tells the edge node what has happened and does what it says. A connection that it ends is none afterwards.
    async fn take(&mut self, connection: &mut Option<Connection>, input: Input) -> anyhow::Result<()> {
        let lab = self.shared.wiring.setup.name.to_string();
        for output in self.node.apply(self.now_ms(), input) {
            let open = connection.as_mut().context("nothing is said after a goodbye")?;
            match output {
                Output::Connect { will } => {
                    open.connect(format!("benchward-{lab}-sparkplug"), self.settings, will)
                        .await?;
                }
                Output::Subscribe(topics) => open.subscribe(topics).await?,
                Output::Publish(message) => open.publish(message).await?,
                Output::Disconnect => {
                    if let Some(open) = connection.take() {
                        open.disconnect().await;
                    }
                }
                Output::Refused(text) => {
                    warn!("{text}");
                    self.shared.keep.own("sparkplug", text);
                }
                Output::Told(text) => {
                    if text != self.told {
                        info!("Sparkplug: {text}");
                        self.told = text;
                    }
                }
            }
        }
        Ok(())
    }
}
