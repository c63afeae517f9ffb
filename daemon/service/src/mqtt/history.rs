//! Every recorded reading and every trip, in order, once or more, none missing: for those who keep them.
//!
//! On a connection of its own, and never before the live values of a new connection are out. The rows of a run go to
//! `benchward/LAB/STATION/history/run`, those outside runs (where the configuration asks for them) to
//! `benchward/LAB/STATION/history/outside`. Nobody can take an old reading for what is now: the topic says what it is, and
//! the message is not retained. They come all the time, a second or two behind; after an outage from where it began, at a
//! bounded rate. So who keeps readings listens to one topic, and needs to tell nothing apart but what comes twice, by `run`
//! (or `date`) and the numbers of the rows.
//!
//! What the journal says of interlocks goes to `benchward/LAB/STATION/history/trip`, before the readings, which may take their time.
//!
//! Several rows a message, since a message a reading would be a hundred times as many of them, and a day's gap hours long.
//!
//! The broker's acknowledgement moves the cursor. Its refusal doesn't: it is said, and the same readings are sent again
//! later, since an access rule that somebody mends must not have cost any.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use benchward_archive::{Scan, Series, Wall};
use benchward_config::{History, Mqtt};
use serde::Serialize;
use tokio::sync::watch;
use tokio::time::{Instant, MissedTickBehavior, interval, sleep_until};
use tracing::{error, warn};

use super::backfill::{Backfill, Batch, Receipt, Wanted};
use super::connection::{Connection, QOS, again_and_again, is_true, json_properties};
use super::trips::{self, Trips};
use super::window::{Answer, Window};
use crate::bus::Shared;

/// Name of the cursor in the archive.
const CONSUMER: &str = "plain";
/// Longest message, bytes: a common library takes no packet above 10 KiB unless it is told to.
const MESSAGE_BYTES_MAX: usize = 8 * 1024;
/// What a packet has beside its payload: topic, properties, lengths.
const BESIDE_PAYLOAD: usize = 512;
/// Messages in flight. Few, so that a slow broker isn't flooded, and enough that a far one is kept busy: 16 of 8 KiB.
const WINDOW: u16 = 16;
/// How often the journal is looked at for trips.
const LOOK_EVERY: Duration = Duration::from_millis(250);
/// How long a refusal stands before the same is tried again.
const AFTER_REFUSAL: Duration = Duration::from_secs(10);

/// Publishes recorded readings for as long as the daemon lives. `live_is_up`: the live values of a connection are out.
pub(super) async fn publish(
    settings: &Mqtt,
    shared: &Arc<Shared>,
    mut end: watch::Receiver<bool>,
    live_is_up: watch::Receiver<bool>,
    cursors_lost: bool,
) {
    let wanted = Wanted {
        outside: settings.history == History::All,
        readings_per_s: settings.history_readings_per_s,
    };
    let backfill = match Backfill::start(CONSUMER, wanted, shared, cursors_lost) {
        Ok(backfill) => tokio::sync::Mutex::new(backfill),
        Err(error) => {
            return error!("MQTT: recorded readings are not published: no thread for them: {error}");
        }
    };
    let trips = match Trips::start(shared, cursors_lost) {
        Ok(trips) => tokio::sync::Mutex::new(trips),
        Err(error) => return error!("MQTT: the history is not published: {error}"),
    };
    trips.lock().await.give();
    let until = end.clone();
    let admitted = AtomicBool::new(false);
    again_and_again(", recorded readings", &mut end, &admitted, || {
        connection(
            settings,
            shared,
            &backfill,
            &trips,
            live_is_up.clone(),
            until.clone(),
            &admitted,
        )
    })
    .await;
    trips.into_inner().give();
    backfill.into_inner().close().await;
}

/// What was sent and waits for its acknowledgement.
enum Sent {
    Rows(Receipt),
    /// Number of the entry in the journal.
    Trip(u64),
}

/// One connection. `Ok` when the daemon ends.
async fn connection(
    settings: &Mqtt,
    shared: &Shared,
    backfill: &tokio::sync::Mutex<Backfill>,
    trips: &tokio::sync::Mutex<Trips>,
    mut live_is_up: watch::Receiver<bool>,
    mut end: watch::Receiver<bool>,
    admitted: &AtomicBool,
) -> anyhow::Result<()> {
    let (mut backfill, mut trips) = (backfill.lock().await, trips.lock().await);
    tokio::select! {
        () = is_true(&mut live_is_up) => {}
        () = is_true(&mut end) => return Ok(()),
    }
    let client_id = format!("benchward-{}-history", shared.wiring.setup.name);
    let mut broker = tokio::select! {
        opened = Connection::open(settings, client_id, None) => opened?,
        () = is_true(&mut end) => return Ok(()),
    };
    // What the disk has, which the archive's standing says a moment later.
    let before = shared
        .reader
        .head()
        .map_or(shared.keep.standing().entries, |head| head.0);
    let root = super::root(shared);
    let bytes_max = MESSAGE_BYTES_MAX.min(broker.packet_bytes_max.saturating_sub(BESIDE_PAYLOAD));
    let mut window = Window::new(WINDOW.min(broker.window));
    let mut waiting: std::collections::VecDeque<Message> = std::collections::VecDeque::new();
    let mut refused: Option<Instant> = None;
    let mut said = None;
    let mut look = interval(LOOK_EVERY);
    look.set_missed_tick_behavior(MissedTickBehavior::Delay);
    backfill.begin();
    trips.begin();
    loop {
        while refused.is_none()
            && window.has_room()
            && let Some(entry) = trips.next()
        {
            let station = entry.entry.station.as_deref().unwrap_or_default();
            let sent = broker.client.try_publish_with_properties(
                format!("{root}/{station}/history/trip"),
                QOS,
                false,
                trips::payload(&entry, before).to_string(),
                json_properties("history-trip", None),
            );
            if sent.is_ok() {
                window.sent(Sent::Trip(entry.n));
            }
        }
        while refused.is_none()
            && window.has_room()
            && let Some(message) = waiting.pop_front()
        {
            let properties = json_properties("history", None);
            let topic = format!("{root}/{}", message.topic);
            // There is room for a window of them: it only fails when the connection is over, and then the next event says so.
            let sent =
                broker
                    .client
                    .try_publish_with_properties(topic, QOS, false, message.payload, properties);
            if sent.is_ok() {
                window.sent(Sent::Rows(message.receipt));
            }
        }
        tokio::select! {
            event = broker.event() => match window.heard(&event?) {
                Some(Answer::Acknowledged(sent)) => {
                    admitted.store(true, Ordering::Relaxed);
                    match sent {
                        Sent::Rows(receipt) => backfill.acknowledge(&receipt),
                        Sent::Trip(n) => trips.acknowledge(n),
                    }
                }
                Some(Answer::Refused(_, reason)) => {
                    if said != Some(reason) {
                        let text = format!(
                            "the broker refuses recorded readings ({reason:?}); they wait in the archive, and are tried again each \
                             {AFTER_REFUSAL:?}: check its access rules for {root}/+/history/+"
                        );
                        warn!("MQTT: {text}");
                        shared.keep.own("mqtt", text);
                        said = Some(reason);
                    }
                    // Acknowledgements of what is in flight still count.
                    refused.get_or_insert_with(|| Instant::now() + AFTER_REFUSAL);
                    waiting.clear();
                }
                None => {}
            },
            batch = backfill.next(), if waiting.is_empty() && refused.is_none() && window.has_room() => match batch {
                Some(batch) => waiting = messages(&batch, bytes_max).into(),
                None => return Ok(()),
            },
            () = sleep_until(refused.unwrap_or_else(Instant::now)), if refused.is_some() => {
                refused = None;
                backfill.begin();
                trips.begin();
            }
            _ = look.tick() => trips.look().await,
            () = is_true(&mut end) => {
                broker.close().await;
                return Ok(());
            }
        }
    }
}

/// A message that waits for room in the window.
struct Message {
    topic: String,
    payload: String,
    receipt: Receipt,
}

/// A batch as messages of at most `bytes_max` bytes; a single row is never divided.
fn messages(batch: &Batch, bytes_max: usize) -> Vec<Message> {
    let mut messages = Vec::new();
    let mut parts = vec![(0, batch.scans.len())];
    while let Some((from, to)) = parts.pop() {
        let payload = payload(batch, from, to);
        if payload.len() > bytes_max && to - from > 1 {
            let middle = from + (to - from) / 2;
            parts.extend([(middle, to), (from, middle)]);
            continue;
        }
        let kind = match batch.series {
            Series::Run(_) => "run",
            Series::Outside { .. } => "outside",
        };
        messages.push(Message {
            topic: format!("{}/history/{kind}", batch.station),
            payload,
            receipt: batch.receipt_of(from, to),
        });
    }
    messages
}

/// Rows of a run, or of a station outside runs. Columns by channel: half the bytes of an object a reading.
#[derive(Serialize)]
struct Payload<'a> {
    station: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    run: Option<u64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    date: Option<String>,
    /// Number of the first row in its run or day, from 0.
    first: u64,
    channels: &'a [String],
    rows: Vec<Row>,
}

#[derive(Serialize)]
struct Row {
    time: Wall,
    celsius: Vec<Option<f64>>,
    quality: Vec<&'static str>,
    heat: f64,
    phase: &'static str,
    #[serde(skip_serializing_if = "Option::is_none")]
    stage: Option<u16>,
    #[serde(skip_serializing_if = "Option::is_none")]
    target_celsius: Option<f64>,
}

fn payload(batch: &Batch, from: usize, to: usize) -> String {
    let (run, date) = match &batch.series {
        Series::Run(run) => (Some(*run), None),
        Series::Outside { day, .. } => (None, Some(Wall::of_day(*day).date())),
    };
    let row = |scan: &Scan| Row {
        time: scan.at,
        celsius: scan.values.iter().map(|value| value.celsius()).collect(),
        quality: scan.values.iter().map(|value| value.quality()).collect(),
        heat: scan.heat,
        phase: scan.phase.name(),
        stage: scan.stage,
        target_celsius: scan.target_celsius,
    };
    let payload = Payload {
        station: &batch.station,
        run,
        date,
        first: batch.first + from as u64,
        channels: &batch.channels,
        rows: batch.scans[from..to].iter().map(row).collect(),
    };
    serde_json::to_string(&payload).expect("names and numbers make JSON")
}
