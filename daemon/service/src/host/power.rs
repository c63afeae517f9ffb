//! Sleep and shutdown of the host, through logind on the system bus.
//!
//! While there is heat, the daemon holds a *delay* lock on both: the host then waits for it, a few seconds at most, after having
//! said that it is going. (logind asks polkit, whose default is yes for such a lock; without polkit it is root's alone.) In that time every run is ended, the heat is off, and all of it is on the disk. (A lock that *forbids*
//! is refused to services by default, and a shop must be able to switch a host off.)
//!
//! Sleep is the worse of the two. A host that sleeps has its clocks and its processes stand still: no permit lapses, and a
//! relay stays as it was.
//!
//! Nothing here is needed for safety: without logind SIGTERM cuts the heat at a shutdown, and drivers are at zero when their
//! stdin closes.

use std::future::poll_fn;
use std::pin::Pin;
use std::sync::Arc;
use std::time::Duration;

use benchward_core::{Ask, Origin, Person, Phase, Roles, StationId, StationView};
use tokio::task::JoinSet;
use tokio::time::{MissedTickBehavior, interval, sleep, timeout};
use tracing::{debug, info, warn};
use zbus::export::futures_core::Stream;
use zbus::wire::OwnedFd;

use crate::bus::Shared;

/// How often it is looked at whether there is heat.
const LOOK_EVERY: Duration = Duration::from_millis(250);
/// How often the system bus is tried again.
const RETRY: Duration = Duration::from_secs(30);
/// How long the disk may take when the host goes. logind waits for 5 s by default (`InhibitDelayMaxSec=`).
const FLUSH_WITHIN: Duration = Duration::from_secs(4);

/// logind, as far as it is needed: `org.freedesktop.login1(5)`.
#[zbus::proxy(
    interface = "org.freedesktop.login1.Manager",
    default_service = "org.freedesktop.login1",
    default_path = "/org/freedesktop/login1"
)]
trait Login {
    /// Takes a lock that is held for as long as the descriptor is open.
    fn inhibit(&self, what: &str, who: &str, why: &str, mode: &str) -> zbus::Result<OwnedFd>;

    /// The host is about to shut down (`true`), or won't after all.
    #[zbus(signal)]
    fn prepare_for_shutdown(&self, start: bool) -> zbus::Result<()>;

    /// The host is about to sleep (`true`), or is awake again.
    #[zbus(signal)]
    fn prepare_for_sleep(&self, start: bool) -> zbus::Result<()>;
}

/// Whether heat is on at a station, or may be in a moment.
pub(super) fn heats(station: &StationView) -> bool {
    matches!(station.phase, Phase::Ramp | Phase::Dwell) || station.heat.share() > 0.0
}

/// Watches for as long as the daemon lives; a bus that is away is tried again.
pub(crate) async fn watch(shared: Arc<Shared>) {
    let mut said = false;
    loop {
        let error = match attend(&shared).await {
            Ok(()) => "the system bus has closed the connection".to_owned(),
            Err(error) => error.to_string(),
        };
        // Many hosts have none, containers for one: that is no reason for a warning.
        if said {
            debug!("logind can't be asked: {error}");
        } else {
            info!("the host's sleep and shutdown are not watched: {error}; tried again each {RETRY:?}");
            said = true;
        }
        sleep(RETRY).await;
    }
}

/// One connection. `Ok` when the bus closes it.
async fn attend(shared: &Arc<Shared>) -> zbus::Result<()> {
    let connection = zbus::Connection::system().await?;
    let login = LoginProxy::new(&connection).await?;
    let mut shutdowns = login.receive_prepare_for_shutdown().await?;
    let mut sleeps = login.receive_prepare_for_sleep().await?;
    let mut look = interval(LOOK_EVERY);
    look.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut held: Option<[OwnedFd; 2]> = None;
    let mut refused = String::new();
    // Between the word that the host goes and the word that it doesn't, no lock is taken: it would come too late.
    let mut going = false;
    loop {
        tokio::select! {
            said = next(&mut shutdowns) => match said {
                Some(said) => going = *said.args()?.start(),
                None => return Ok(()),
            },
            said = next(&mut sleeps) => match said {
                Some(said) => going = *said.args()?.start(),
                None => return Ok(()),
            },
            _ = look.tick() => {
                let heat = !going && shared.lab.view().stations.iter().any(heats);
                if !heat {
                    held = None;
                } else if held.is_none() {
                    match locks(&login).await {
                        Ok(taken) => {
                            held = Some(taken);
                            refused.clear();
                        }
                        Err(error) => {
                            let text = error.to_string();
                            if text != refused {
                                warn!(
                                    "logind doesn't delay the host's sleep and shutdown while there is heat: {text}; \
                                     it asks polkit whether it may, so that has to be installed (polkitd)"
                                );
                                refused = text;
                            }
                        }
                    }
                }
                continue;
            }
        }
        if going {
            take_heat_away(shared).await;
            // Let go: the host need not wait longer.
            held = None;
        } else {
            info!("the host goes on");
        }
    }
}

/// Takes a lock on each of the two. One lock on both is refused to services: logind asks polkit for the right to hold up one
/// thing, and where there are several for the right to the last on its list, the lid.
async fn locks(login: &LoginProxy<'_>) -> zbus::Result<[OwnedFd; 2]> {
    let why = "benches are being heated; their heat is cut first";
    let lock = async |what| login.inhibit(what, "Benchward", why, "delay").await;
    Ok([lock("shutdown").await?, lock("sleep").await?])
}

/// Ends every run, which takes its heat away, and waits for the disk.
async fn take_heat_away(shared: &Arc<Shared>) {
    warn!("the host is about to sleep or to shut down: every run is ended and its heat is off");
    shared.keep.own(
        "host",
        "the host is about to sleep or to shut down: every run is ended".to_owned(),
    );
    // All at once: an answer waits for the next picture of the lab.
    let mut asked = JoinSet::new();
    for at in 0..shared.wiring.setup.stations.len() {
        let station = StationId(u32::try_from(at).unwrap_or(u32::MAX));
        let lab = shared.lab.clone();
        asked.spawn(async move {
            let who = Person::new("benchwardd");
            lab.ask(who, Roles::ALL, Origin::Local, Ask::StopRun(station))
                .await
        });
    }
    for answer in asked.join_all().await {
        match answer {
            Some(Ok(_)) => {}
            Some(Err(refusal)) => warn!("a run was not ended before the host goes: {refusal}"),
            None => warn!("the lab thread did not confirm the end of the runs"),
        }
    }
    match timeout(FLUSH_WITHIN, shared.keep.barrier()).await {
        Ok(Ok(())) => info!("all heat is off and everything is on the disk: the host may go"),
        Ok(Err(text)) => warn!("what was decided last is not on the disk: {text}"),
        Err(_) => warn!("what was decided last is not on the disk after {FLUSH_WITHIN:?}"),
    }
}

async fn next<S: Stream + Unpin>(stream: &mut S) -> Option<S::Item> {
    poll_fn(|context| Pin::new(&mut *stream).poll_next(context)).await
}
