//! `benchwardd`: the Benchward daemon. Its life on one page: read the configuration, open the archive, start the
//! archive thread, the lab thread, the drivers, the socket, the bus and MQTT; wait for SIGTERM; cut all heat, end the
//! runs, flush, say goodbye.

mod archive;
mod bus;
mod calibration;
mod callers;
mod check;
mod clock;
mod drivers;
mod host;
mod lab;
mod learning;
mod link;
mod mailbox;
mod metrics;
mod mqtt;
mod options;
mod outward;
mod reread;
mod sparkplug;
mod steady;
mod vitals;
mod wiring;

use std::process::ExitCode;
use std::sync::Arc;
use std::time::Duration;

use arc_swap::ArcSwap;
use benchward_api::Exit;
use benchward_config::{Config, LoadError};
use benchward_core::{Ask, Origin, Person, Roles, Signal};
use benchward_driver::wire::Level;
use clap::Parser as _;
use tokio::signal::unix::{SignalKind, signal};
use tokio::sync::{broadcast, mpsc, watch};
use tracing::{error, info, warn};

use crate::lab::{Command, LabHandle, Told};
use crate::link::Notice;
use crate::options::Options;

/// Signals that a slow client may leave unread before it is dropped.
const SIGNALS_UNREAD_MAX: usize = 1_024;

/// How long everything may take to end after the heat is cut. A service manager waits longer.
const END_WITHIN: Duration = Duration::from_secs(10);

fn main() -> ExitCode {
    let options = Options::parse();
    let _log = options.log.start();
    // The only time it can fail is when one is installed already, which is as good.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let exit = match run(&options) {
        Ok(()) => Exit::Done,
        Err(Ended::WrongUse(text)) => {
            eprintln!("{text}");
            Exit::WrongUse
        }
        Err(Ended::Failed(error)) => {
            error!("{error:#}");
            eprintln!("benchwardd: {error:#}");
            Exit::Failed
        }
    };
    exit.into()
}

/// Why the daemon ended without being asked to.
enum Ended {
    /// The configuration or the arguments are wrong; the text says where and how to mend it.
    WrongUse(String),
    /// Something it can't do without failed.
    Failed(anyhow::Error),
}

impl<E: Into<anyhow::Error>> From<E> for Ended {
    fn from(error: E) -> Self {
        Self::Failed(error.into())
    }
}

fn run(options: &Options) -> Result<(), Ended> {
    let file = benchward_config::config_file(
        options.config.as_deref(),
        std::env::var_os("BENCHWARD_CONFIG").as_deref(),
    );
    let config = Config::load(&file).map_err(|error| match error {
        LoadError::Unreadable { source, .. } => Ended::WrongUse(format!(
            "can't read the configuration {}: {source}\nfix: name the file with `--config FILE` or $BENCHWARD_CONFIG",
            file.display()
        )),
        LoadError::Mistakes(mistakes) => Ended::WrongUse(mistakes.to_string()),
    })?;
    let scale = u64::from(options.time_scale);
    let variable = |name: &str| std::env::var_os(name);
    let folder = config
        .lab
        .archive
        .clone()
        .or_else(|| benchward_config::archive_folder(variable))
        .ok_or_else(|| {
            Ended::WrongUse(
                "there is no folder for the archive: set `archive` in [lab], $STATE_DIRECTORY or $HOME"
                    .into(),
            )
        })?;
    let socket = config.lab.socket.clone().or_else(|| benchward_config::socket_path(variable)).ok_or_else(|| {
        Ended::WrongUse(
            "there is no place for the socket: set `socket` in [lab], $RUNTIME_DIRECTORY or $XDG_RUNTIME_DIR".into(),
        )
    })?;

    for station in config.stations.iter().filter(|station| !station.follows_heat) {
        warn!(
            "station {} says `follows_heat = false`: no board model is held against its readings",
            station.name
        );
    }

    let clock = Arc::new(clock::Clock::start(scale));
    let options = benchward_archive::Options {
        reserve_bytes: config.archive.reserve_bytes,
        loose_days: config.archive.outside_runs_days,
    };
    let (writer, reader, found) = archive::open(&folder, &config.lab.name, clock.wall_now(), &options)?;
    let beside = std::env::current_exe()
        .ok()
        .and_then(|path| path.parent().map(std::path::Path::to_path_buf));
    let calibrations = reader.calibrations()?;
    let wiring = Arc::new(wiring::lay_out(
        &config,
        &found,
        &calibrations.found,
        scale,
        beside.as_deref(),
    ));
    let (keep, archive_thread) = archive::start(writer, reader.clone(), wiring.clone(), clock.clone())?;
    keep.own(
        "started",
        format!(
            "benchwardd {} started, time scale {scale}",
            env!("CARGO_PKG_VERSION")
        ),
    );
    for note in found.notes.iter().chain(&calibrations.unreadable) {
        warn!("archive: {note}");
        keep.own("archive", note.clone());
    }
    for lost in &found.lost {
        let text = format!(
            "run {} at {} was lost: the daemon died under it",
            lost.run, lost.station
        );
        warn!("{text}");
        keep.own("run-lost", text);
        keep.judge(lost.run);
    }

    let runtime = tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()?;
    let result = runtime.block_on(live(
        config,
        file,
        &socket,
        reader,
        wiring,
        clock,
        keep.clone(),
        &found,
    ));
    keep.own("ended", "benchwardd ends".to_owned());
    keep.close();
    runtime.shutdown_timeout(Duration::from_secs(1));
    if archive_thread.join().is_err() {
        error!("the archive thread ended with a panic");
    }
    result
}

/// Everything between the archive's opening and its closing.
#[expect(
    clippy::too_many_arguments,
    reason = "all that was made before the threads start, each once"
)]
async fn live(
    config: Config,
    file: std::path::PathBuf,
    socket: &std::path::Path,
    reader: benchward_archive::Reader,
    wiring: Arc<wiring::Wiring>,
    clock: Arc<clock::Clock>,
    keep: archive::Keep,
    found: &benchward_archive::Opened,
) -> Result<(), Ended> {
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    let hang_up = signal(SignalKind::hangup())?;
    let (unfit, mut unfit_said) = mpsc::unbounded_channel();
    let (notices, notices_said) = mpsc::unbounded_channel();
    let (core_signals, core_signals_said) = mpsc::unbounded_channel();
    let (care, cared): (Vec<_>, Vec<_>) = wiring.instances.iter().map(|_| mpsc::unbounded_channel()).unzip();
    let vitals = Arc::new(vitals::Vitals::new(wiring.instances.len()));
    let (kept, measured) = (keep.clone(), vitals.clone());
    let (lab, lab_thread) = lab::start(wiring.clone(), clock.clone(), move |_| Told {
        archive: kept,
        signals: core_signals,
        notices,
        care,
        unfit,
        vitals: measured,
        watchdog: host::manager::Watchdog::of_environment(),
    })?;

    let signals = broadcast::Sender::new(SIGNALS_UNREAD_MAX);
    tokio::spawn(log_notices(notices_said));
    tokio::spawn(fan_out(core_signals_said, signals.clone(), vitals.clone()));
    let tasks: Vec<_> = wiring
        .instances
        .iter()
        .zip(cared)
        .map(|(instance, cared)| {
            let task = drivers::look_after(instance.clone(), lab.clone(), vitals.clone(), cared);
            tokio::spawn(task)
        })
        .collect();
    let (rereads, asked) = reread::Rereads::new();
    let shared = Arc::new(bus::Shared {
        lab: lab.clone(),
        keep: keep.clone(),
        reader,
        wiring: wiring.clone(),
        clock,
        vitals,
        callers: ArcSwap::from_pointee(callers::Callers::new(config.roles.as_ref())),
        display: ArcSwap::from_pointee(config.lab.display),
        rereads,
        signals,
        learning: tokio::sync::Mutex::default(),
    });
    let listening = match bus::listen(socket, shared.clone()) {
        Ok(listening) => listening,
        Err(error) => {
            lab.send(Command::Close);
            return Err(Ended::Failed(error));
        }
    };
    tokio::spawn(listening);
    tokio::spawn(bus::stay_on(config.lab.bus, shared.clone()));
    let at_host = [
        tokio::spawn(host::tell_manager(shared.clone())),
        tokio::spawn(host::watch_power(shared.clone())),
    ];
    let mut outward = outward::Outward::new(shared.clone(), found.store_lost);
    outward.publish(config.mqtt.clone()).await;
    outward.measure(config.metrics).await;
    let in_force = reread::InForce {
        file,
        config,
        outward,
        shared: shared.clone(),
    };
    let (end, ending) = watch::channel(false);
    let facing_plant = tokio::spawn(in_force.keep(asked, hang_up, ending));
    info!(
        "lab {} is up with {} stations",
        wiring.setup.name,
        wiring.setup.stations.len()
    );

    let watched = tokio::task::spawn_blocking(move || lab_thread.join().is_err());
    tokio::pin!(watched);
    let result = tokio::select! {
        _ = terminate.recv() => Ok(()),
        _ = interrupt.recv() => Ok(()),
        why = unfit_said.recv() => {
            Err(Ended::Failed(anyhow::anyhow!(why.unwrap_or_else(|| "the lab thread is gone".into()))))
        }
        panicked = &mut watched => {
            let panicked = panicked.unwrap_or(true);
            return Err(Ended::Failed(anyhow::anyhow!(if panicked {
                "the lab thread ended with a panic; every permit lapses within 1.5 s"
            } else {
                "the lab thread ended unasked"
            })));
        }
    };

    info!("ending: all heat is cut and every run ends");
    for task in at_host {
        task.abort();
    }
    host::tell_stopping();
    let ended = tokio::time::timeout(END_WITHIN, async {
        shut_down(&lab).await;
        for task in tasks {
            // A task that panicked has nothing left to end.
            let _ = task.await;
        }
        let _ = end.send(true);
        let _ = facing_plant.await;
        keep.barrier().await
    })
    .await;
    match ended {
        Ok(Ok(())) => {}
        Ok(Err(text)) => warn!("what was decided last is not on the disk: {text}"),
        Err(_) => warn!("ended before everything was done, after {END_WITHIN:?}"),
    }
    let _ = std::fs::remove_file(socket);
    result
}

/// Cuts all heat, ends the runs, and tells the drivers to end, in this order.
async fn shut_down(lab: &LabHandle) {
    let answer = lab
        .ask(
            Person::new("benchwardd"),
            Roles::ALL,
            Origin::Local,
            Ask::Shutdown,
        )
        .await;
    if !matches!(answer, Some(Ok(_))) {
        warn!("the lab thread did not confirm the end of the runs");
    }
    lab.send(Command::Close);
}

/// The lab thread never writes a log itself; this does it for what drivers say.
async fn log_notices(mut notices: mpsc::UnboundedReceiver<Notice>) {
    while let Some(Notice {
        instance,
        level,
        text,
    }) = notices.recv().await
    {
        match level {
            Level::Info => info!(%instance, "{text}"),
            Level::Warn => warn!(%instance, "{text}"),
            Level::Error => error!(%instance, "{text}"),
        }
    }
}

/// From the lab thread's queue, which never makes it wait, to everybody's bounded ones. Nothing is left out here, so that
/// this is where trips are counted.
async fn fan_out(
    mut from: mpsc::UnboundedReceiver<Signal>,
    to: broadcast::Sender<Signal>,
    vitals: Arc<vitals::Vitals>,
) {
    while let Some(signal) = from.recv().await {
        vitals.note(&signal);
        // Nobody may be listening.
        let _ = to.send(signal);
    }
}
