//! MQTT, plain JSON: live values for dashboards built by hand, and every recorded reading for those who keep them.
//!
//! Two connections, each with its own socket, window and client id, so that live values never wait behind a gap that is being
//! filled, whatever the broker or the network in between does:
//!
//! | module | connection | says |
//! |---|---|---|
//! | [`live`] | `benchward-LAB` | what is now: states, channels, trips; what can't be sent is left out, the next value follows |
//! | [`history`] | `benchward-LAB-history` | every recorded reading and every trip, in order, by cursors in the archive: over an outage of days, none is missing |
//!
//! `deploy/mqtt/README.md` documents each topic, with a JSON Schema for each message. Below them:
//!
//! * [`backfill`]: recorded readings in order behind a cursor that moves on acknowledgement only; knows nothing of MQTT.
//! * [`trips`]: the same for what the journal says of interlocks.
//! * [`connection`]: one client and one event loop per connection, thrown away with it: nothing that matters waits inside the
//!   client. Credentials, certificates, back-off, stalls.
//! * [`tls`]: why a broker and a lab don't trust each other, in words.
//! * [`window`]: acknowledgements matched to what was sent.
//! * [`inbound`]: the little that may be asked for by message, and what becomes of all else.

pub(crate) mod backfill;
pub(crate) mod connection;
mod history;
mod inbound;
mod live;
pub(crate) mod tls;
mod trips;
mod window;

use std::sync::Arc;

use benchward_config::{History, Mqtt};
use tokio::sync::watch;

use crate::bus::Shared;

/// Publishes for as long as the daemon lives, over as many connections as it takes. `end`: turns true when the daemon
/// ends. `cursors_lost`: the archive's store was lost, and how far readings had been passed on with it.
pub(crate) async fn publish(
    settings: Mqtt,
    shared: Arc<Shared>,
    end: watch::Receiver<bool>,
    cursors_lost: bool,
) {
    // The history waits for it: live values go first.
    let (up, is_up) = watch::channel(false);
    let live = live::publish(&settings, &shared, end.clone(), up);
    if settings.history == History::Off {
        live.await;
    } else {
        tokio::join!(
            live,
            history::publish(&settings, &shared, end, is_up, cursors_lost)
        );
    }
}

/// What all topics of a lab begin with.
fn root(shared: &Shared) -> String {
    format!("benchward/{}", shared.wiring.setup.name)
}
