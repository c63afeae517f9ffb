//! Connections: those of the private socket are accepted here, and all of them are told signals here.
//!
//! Each connection has a bounded queue of signals. A client that doesn't read falls behind its bound and is dropped;
//! nobody else waits for it.

use std::borrow::Cow;
use std::collections::{BTreeMap, HashMap};
use std::os::fd::AsFd;
use std::os::unix::fs::{FileTypeExt, PermissionsExt};
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use anyhow::Context as _;
use benchward_api::{LAB_PATH, station_path};
use benchward_core::{LabView, Signal, StationView};
use tokio::net::UnixListener;
use tokio::sync::{Semaphore, broadcast};
use tokio::time::timeout;
use tracing::{debug, info, warn};
use zbus::names::InterfaceName;
use zbus::object_server::SignalEmitter;
use zbus::wire::Variant;

use super::{Caller, Door, Shared, serve, station};
use crate::callers::peer_credentials;

/// How long a client has for the handshake.
const HANDSHAKE_WITHIN: Duration = Duration::from_secs(5);

/// How long one signal may wait for a client that doesn't read.
const SIGNAL_WITHIN: Duration = Duration::from_secs(5);

/// How often changed properties are told.
const PROPERTIES_EVERY: Duration = Duration::from_millis(500);

/// Most connections at once: a few per bench of the largest lab. Each costs memory and a descriptor.
const CONNECTIONS_MAX: usize = 256;

/// Accepts clients on the private socket for as long as the daemon lives.
///
/// # Errors
/// If the socket can't be made, with its path and what to do.
pub(crate) fn listen(path: &Path, shared: Arc<Shared>) -> anyhow::Result<impl Future<Output = ()> + use<>> {
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).with_context(|| {
            format!(
                "can't make the folder {} for the socket; make it, or set `socket` in [lab]",
                folder.display()
            )
        })?;
    }
    match std::os::unix::net::UnixStream::connect(path) {
        Ok(_) => anyhow::bail!(
            "another daemon listens at {}; stop it, or give this lab another `socket` in [lab]",
            path.display()
        ),
        // A plain file refuses connections as well; only a socket is left behind by a daemon that was killed.
        Err(error) if error.kind() == std::io::ErrorKind::ConnectionRefused => {
            let is_socket = std::fs::symlink_metadata(path).is_ok_and(|found| found.file_type().is_socket());
            anyhow::ensure!(
                is_socket,
                "{} is there and is no socket; move it away, or set another `socket` in [lab]",
                path.display()
            );
            std::fs::remove_file(path)
                .with_context(|| format!("can't remove the old socket {}", path.display()))?;
        }
        Err(_) => {}
    }
    let listener = UnixListener::bind(path).with_context(|| {
        format!(
            "can't listen at {}; set another `socket` in [lab]",
            path.display()
        )
    })?;
    // Anybody may connect: reading needs no role, stopping everything needs none either, and the rest is decided by
    // what the kernel says of the caller.
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o666))
        .with_context(|| format!("can't open the socket {} to other users", path.display()))?;
    let guid = zbus::Guid::generate();
    info!("clients connect at {}", path.display());
    Ok(async move {
        let room = Arc::new(Semaphore::new(CONNECTIONS_MAX));
        loop {
            let Ok(place) = room.clone().acquire_owned().await else {
                return;
            };
            match listener.accept().await {
                Ok((socket, _)) => {
                    let (shared, guid) = (shared.clone(), guid.clone());
                    tokio::spawn(async move {
                        if let Err(error) = look_after(socket, guid.into(), &shared).await {
                            debug!("a client's connection ended: {error:#}");
                        }
                        drop(place);
                    });
                }
                Err(error) => {
                    // Out of descriptors, most likely: others may free some.
                    warn!("can't accept a client: {error}");
                    tokio::time::sleep(Duration::from_millis(200)).await;
                }
            }
        }
    })
}

async fn look_after(
    socket: tokio::net::UnixStream,
    guid: zbus::OwnedGuid,
    shared: &Arc<Shared>,
) -> anyhow::Result<()> {
    // Before anything is read of it: what the kernel says now is who connected.
    let credentials = peer_credentials(socket.as_fd()).context("who connected can't be told")?;
    let door = Door {
        shared: shared.clone(),
        caller: Caller::Peer(credentials),
    };
    let builder = zbus::connection::Builder::unix_stream(socket.into_std()?)
        .server(guid)
        .p2p();
    let connection = timeout(HANDSHAKE_WITHIN, serve(builder, &door).build())
        .await
        .context("handshake too slow")??;
    tell(&connection, shared).await;
    Ok(())
}

/// Tells a connection signals and changed properties until it closes or doesn't read.
pub(super) async fn tell(connection: &zbus::Connection, shared: &Shared) {
    let mut signals = shared.signals.subscribe();
    let mut every = tokio::time::interval(PROPERTIES_EVERY);
    every.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
    let mut known = shared.lab.view();
    let closed = connection.closed();
    tokio::pin!(closed);
    loop {
        let told = tokio::select! {
            () = &mut closed => return,
            signal = signals.recv() => match signal {
                Ok(signal) => timeout(SIGNAL_WITHIN, tell_signal(connection, shared, signal)).await,
                Err(broadcast::error::RecvError::Lagged(count)) => {
                    warn!("a client is dropped: it left {count} signals unread");
                    break;
                }
                Err(broadcast::error::RecvError::Closed) => return,
            },
            _ = every.tick() => {
                let view = shared.lab.view();
                let before = std::mem::replace(&mut known, view.clone());
                timeout(SIGNAL_WITHIN, tell_properties(connection, &before, &view)).await
            }
        };
        match told {
            Ok(Ok(())) => {}
            Ok(Err(error)) => {
                debug!("a client is gone: {error}");
                break;
            }
            Err(_) => {
                warn!("a client is dropped: it did not read for {SIGNAL_WITHIN:?}");
                break;
            }
        }
    }
    // Closing is given the same time; a socket that can't even be closed is dropped.
    let _ = timeout(SIGNAL_WITHIN, connection.clone().close()).await;
}

async fn tell_signal(connection: &zbus::Connection, shared: &Shared, signal: Signal) -> zbus::Result<()> {
    let emitter = SignalEmitter::new(connection, LAB_PATH)?;
    let name = |station| shared.wiring.setup.station_name(station);
    match signal {
        Signal::Interlock {
            station,
            interlock,
            standing,
            text,
        } => {
            super::lab::Lab::interlock_changed(&emitter, &name(station), interlock.text(), standing, &text)
                .await
        }
        Signal::Alarm {
            station,
            interlock,
            standing,
            text,
        } => {
            super::lab::Lab::alarm_changed(&emitter, &name(station), interlock.text(), standing, &text).await
        }
        Signal::Phase {
            station,
            phase,
            stage,
        } => super::lab::Lab::phase_changed(&emitter, &name(station), phase.text(), stage.unwrap_or(0)).await,
        Signal::RunOutcome {
            station,
            run,
            outcome,
        } => super::lab::Lab::run_ended(&emitter, &name(station), run.0, outcome.text()).await,
    }
}

/// Tells which properties changed since the last time: one message a station.
async fn tell_properties(connection: &zbus::Connection, before: &LabView, now: &LabView) -> zbus::Result<()> {
    if before.ceiling != now.ceiling {
        let changed = HashMap::from([("Ceiling", Variant::from(now.ceiling.degrees()))]);
        changed_at(connection, LAB_PATH, "io.benchward.Lab1", changed).await?;
    }
    if before.alarms != now.alarms {
        let changed = HashMap::from([("Alarms", Variant::from(super::lab::alarms_of(now)))]);
        changed_at(connection, LAB_PATH, "io.benchward.Lab1", changed).await?;
    }
    for (before, now) in before.stations.iter().zip(&now.stations) {
        let changed = station_changes(before, now);
        if !changed.is_empty() {
            let changed = changed.into_iter().collect();
            changed_at(
                connection,
                &station_path(&now.name),
                "io.benchward.Station1",
                changed,
            )
            .await?;
        }
    }
    Ok(())
}

async fn changed_at(
    connection: &zbus::Connection,
    path: &str,
    interface: &'static str,
    changed: HashMap<&str, Variant<'_>>,
) -> zbus::Result<()> {
    let emitter = SignalEmitter::new(connection, path)?;
    let interface = InterfaceName::from_static_str(interface)?;
    zbus::fdo::Properties::properties_changed(&emitter, interface, changed, Cow::Borrowed(&[])).await
}

fn station_changes<'a>(before: &StationView, now: &StationView) -> BTreeMap<&'a str, Variant<'a>> {
    let mut changed = BTreeMap::new();
    if before.phase != now.phase {
        changed.insert("Phase", Variant::from(now.phase.text().to_owned()));
    }
    if before.run != now.run {
        changed.insert("Run", Variant::from(now.run.map_or(0, |run| run.0)));
    }
    if before.heat != now.heat {
        changed.insert("Heat", Variant::from(now.heat.share()));
    }
    if before.ceiling != now.ceiling {
        changed.insert("Ceiling", Variant::from(now.ceiling.celsius.degrees()));
    }
    if before.target != now.target {
        let target: Vec<f64> = now
            .target
            .map(benchward_core::units::Celsius::degrees)
            .into_iter()
            .collect();
        changed.insert("Target", Variant::from(target));
    }
    if before.channels != now.channels {
        changed.insert("Channels", Variant::from(station::channels_of(now)));
    }
    if before.interlocks != now.interlocks {
        changed.insert("Interlocks", Variant::from(station::interlocks_of(now)));
    }
    if before.driver_up != now.driver_up {
        changed.insert("Driver", Variant::from(station::driver_of(now).to_owned()));
    }
    changed
}
