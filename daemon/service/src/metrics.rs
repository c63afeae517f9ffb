//! `OpenMetrics`: the lab's figures for whoever scrapes them, over HTTP and read-only.
//!
//! Everything comes from what the lab thread has published already ([`LabHandle::view`], [`Vitals`]) and from counters of
//! the archive's queue: nobody who asks here is waited for by anybody. The text is made anew at most each [`FRESH`], so
//! that asking often costs little.
//!
//! Names and units follow the `OpenMetrics` specification: base units, unit last, `_total` on what only grows. A run is no
//! label: there is no end to them. A channel that can't be read has no `benchward_channel_celsius`, rather than an old one,
//! and `benchward_channel_good` is 0.

mod http;

use std::fmt;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::{Duration, Instant};

use benchward_config::Metrics;
use benchward_core::interlock::InterlockName;
use benchward_core::units::Celsius;
use benchward_core::{InstanceId, LabView, Phase, StationId, StationView};
use prometheus_client::collector::Collector;
use prometheus_client::encoding::{DescriptorEncoder, MetricEncoder, NoLabelSet, prometheus_text, text};
use prometheus_client::metrics::MetricType;
use prometheus_client::registry::{Registry, Unit};

use crate::bus::Shared;
use crate::vitals::Durations;

/// How long a text is given to others who ask: shorter than any dashboard looks, and a bound on what a flood of
/// requests costs.
const FRESH: Duration = Duration::from_millis(250);

const PHASES: [Phase; 5] = [
    Phase::Idle,
    Phase::Ramp,
    Phase::Dwell,
    Phase::Cooldown,
    Phase::Cool,
];

/// Serves the metrics for as long as the daemon lives.
pub(crate) async fn serve(settings: Metrics, shared: Arc<Shared>) {
    http::serve(settings.listen, Arc::new(Exposition::new(shared))).await;
}

/// Which of the two texts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Form {
    /// `OpenMetrics` 1.0.
    OpenMetrics,
    /// The older text that it came from; many tools read only that.
    Classic,
}

impl Form {
    const fn content_type(self) -> &'static str {
        match self {
            Self::OpenMetrics => "application/openmetrics-text; version=1.0.0; charset=utf-8",
            Self::Classic => "text/plain; version=0.0.4; charset=utf-8",
        }
    }

    /// What somebody who says `accept` is given: `OpenMetrics` where it is asked for, whatever else is.
    fn accepted(accept: &str) -> Self {
        if accept.contains("application/openmetrics-text") {
            Self::OpenMetrics
        } else {
            Self::Classic
        }
    }
}

/// A text, and when it was made.
type Made = (Instant, Arc<str>);

/// The texts, by form, as they were last made.
struct Exposition {
    registry: Registry,
    made: Mutex<[Option<Made>; 2]>,
}

impl Exposition {
    fn new(shared: Arc<Shared>) -> Self {
        let mut registry = Registry::default();
        registry.register_collector(Box::new(LabFigures(shared)));
        Self {
            registry,
            made: Mutex::default(),
        }
    }

    fn text(&self, form: Form) -> Result<Arc<str>, fmt::Error> {
        // Held while it is made: who asks meanwhile gets the same text. Only tasks of this module wait here.
        let mut made = self.made.lock().unwrap_or_else(PoisonError::into_inner);
        let place = &mut made[form as usize];
        if let Some((at, text)) = place
            && at.elapsed() < FRESH
        {
            return Ok(text.clone());
        }
        let mut fresh = String::new();
        match form {
            Form::OpenMetrics => text::encode(&mut fresh, &self.registry)?,
            Form::Classic => prometheus_text::encode(&mut fresh, &self.registry)?,
        }
        let fresh: Arc<str> = fresh.into();
        *place = Some((Instant::now(), fresh.clone()));
        Ok(fresh)
    }
}

/// The figures, gathered when somebody asks.
struct LabFigures(Arc<Shared>);

impl fmt::Debug for LabFigures {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_tuple("LabFigures")
            .field(&self.0.wiring.setup.name)
            .finish()
    }
}

impl Collector for LabFigures {
    fn encode(&self, mut encoder: DescriptorEncoder) -> fmt::Result {
        let out = &mut encoder;
        self.build(out)?;
        let view = self.0.lab.view();
        readings(out, &view)?;
        states(out, &view)?;
        self.trips(out, &view)?;
        self.loop_and_drivers(out)?;
        self.queues(out)
    }
}

impl LabFigures {
    fn build(&self, out: &mut DescriptorEncoder) -> fmt::Result {
        let help = "The daemon's version, its lab, and how many lab seconds a second has.";
        let scale = self.0.clock.scale().to_string();
        let labels = [
            ("version", env!("CARGO_PKG_VERSION")),
            ("lab", &*self.0.wiring.setup.name),
            ("time_scale", &*scale),
        ];
        out.encode_descriptor("benchward_build", help, None, MetricType::Info)?
            .encode_info(&labels)
    }

    fn trips(&self, out: &mut DescriptorEncoder, view: &LabView) -> fmt::Result {
        let help = "How often an interlock has tripped since the daemon started.";
        let mut family = out.encode_descriptor("benchward_trips", help, None, MetricType::Counter)?;
        for (at, station) in view.stations.iter().enumerate() {
            let id = StationId(u32::try_from(at).unwrap_or(u32::MAX));
            for name in InterlockName::ALL {
                let labels = [("station", &*station.name), ("interlock", name.text())];
                count(
                    &mut family.encode_family(&labels)?,
                    self.0.vitals.trips(id, *name),
                )?;
            }
        }
        Ok(())
    }

    fn loop_and_drivers(&self, out: &mut DescriptorEncoder) -> fmt::Result {
        let vitals = &self.0.vitals;
        let help = "From the arrival of a scan to what it led to being in the driver's pipe: `cut` is zero heat, `grant` the next heat.";
        let mut family = out.encode_descriptor(
            "benchward_reaction",
            help,
            Some(&Unit::Seconds),
            MetricType::Histogram,
        )?;
        histogram(&mut family.encode_family(&[("act", "cut")])?, &vitals.cut)?;
        histogram(&mut family.encode_family(&[("act", "grant")])?, &vitals.grant)?;
        let help = "From the moment that a driver measured to the moment that the interlocks saw it.";
        let mut family = out.encode_descriptor(
            "benchward_scan_delay",
            help,
            Some(&Unit::Seconds),
            MetricType::Histogram,
        )?;
        histogram(&mut family, &vitals.scan_delay)?;

        let help = "Since when the thread that decides about heat has not gone round.";
        let mut family = gauge(out, "benchward_loop_age", help, Some(&Unit::Seconds))?;
        if let Some(ms) = vitals.turned_ms_ago() {
            family.encode_gauge(&(ms / 1000.0))?;
        }
        let instances = || {
            let each = self.0.wiring.instances.iter();
            each.map(|instance| (instance.id, [("driver", &*instance.name)]))
        };
        let help = "Since when nothing has come from a driver; absent before its first scan.";
        let mut family = gauge(out, "benchward_scan_age", help, Some(&Unit::Seconds))?;
        for (id, labels) in instances() {
            let age: Option<f64> = vitals.scanned_ms_ago(id);
            if let Some(ms) = age {
                family.encode_family(&labels)?.encode_gauge(&(ms / 1000.0))?;
            }
        }
        let help = "How often a driver was started again.";
        let mut family =
            out.encode_descriptor("benchward_driver_restarts", help, None, MetricType::Counter)?;
        let restarts = |id: InstanceId| vitals.restarts(id);
        for (id, labels) in instances() {
            count(&mut family.encode_family(&labels)?, restarts(id))?;
        }
        Ok(())
    }

    fn queues(&self, out: &mut DescriptorEncoder) -> fmt::Result {
        let keep = &self.0.keep;
        let help = "What waits: scans of stations for the disk, signals for the slowest client.";
        let mut family = gauge(out, "benchward_queue_length", help, None)?;
        let lengths = [
            ("archive-rows", keep.rows_waiting()),
            ("signals", self.0.signals.len()),
        ];
        for (queue, length) in lengths {
            family
                .encode_family(&[("queue", queue)])?
                .encode_gauge(&u64::try_from(length).unwrap_or(u64::MAX))?;
        }
        let help = "Scans of stations that were not kept, since the disk was too slow or full.";
        let mut family = out.encode_descriptor("benchward_rows_dropped", help, None, MetricType::Counter)?;
        count(&mut family, keep.rows_dropped())?;
        let standing = keep.standing();
        let help = "1 while the archive keeps everything and has nothing to say.";
        let mut family = gauge(out, "benchward_archive_well", help, None)?;
        flag(&mut family, standing.text.is_empty())?;
        let help = "Entries of the journal that are on the disk.";
        let mut family = gauge(out, "benchward_journal_length", help, None)?;
        family.encode_gauge(&standing.entries)
    }
}

/// What the lab reads and does.
fn readings(out: &mut DescriptorEncoder, view: &LabView) -> fmt::Result {
    let celsius = Unit::Other("celsius".to_owned());
    let help = "Temperature of a channel; absent while it can't be read.";
    let mut family = gauge(out, "benchward_channel", help, Some(&celsius))?;
    for station in &view.stations {
        for channel in &station.channels {
            if let Some(temperature) = channel.celsius {
                let labels = [("station", &*station.name), ("channel", &*channel.name)];
                family
                    .encode_family(&labels)?
                    .encode_gauge(&temperature.degrees())?;
            }
        }
    }
    let help = "1 while a channel can be read.";
    let mut family = gauge(out, "benchward_channel_good", help, None)?;
    for station in &view.stations {
        for channel in &station.channels {
            let labels = [("station", &*station.name), ("channel", &*channel.name)];
            flag(&mut family.encode_family(&labels)?, channel.celsius.is_some())?;
        }
    }
    let help = "Target of a run's stage; absent while there is none.";
    temperatures(out, "benchward_target", help, view, |station| station.target)?;
    let help = "What no channel of a station may pass now.";
    temperatures(out, "benchward_ceiling", help, view, |station| {
        Some(station.ceiling.celsius)
    })?;
    // The library's own unit for it is in the plural, which no other name has.
    let ratio = Unit::Other("ratio".to_owned());
    let help = "Heat that was last granted, as a share of full power.";
    let mut family = gauge(out, "benchward_heat", help, Some(&ratio))?;
    for station in &view.stations {
        family
            .encode_family(&[("station", &*station.name)])?
            .encode_gauge(&station.heat.share())?;
    }
    Ok(())
}

/// A temperature of each station that has it.
fn temperatures(
    out: &mut DescriptorEncoder,
    name: &str,
    help: &str,
    view: &LabView,
    read: impl Fn(&StationView) -> Option<Celsius>,
) -> fmt::Result {
    let celsius = Unit::Other("celsius".to_owned());
    let mut family = gauge(out, name, help, Some(&celsius))?;
    for station in &view.stations {
        if let Some(temperature) = read(station) {
            family
                .encode_family(&[("station", &*station.name)])?
                .encode_gauge(&temperature.degrees())?;
        }
    }
    Ok(())
}

/// Where the lab stands.
fn states(out: &mut DescriptorEncoder, view: &LabView) -> fmt::Result {
    let help = "1 for the phase that a station is in.";
    let mut family = gauge(out, "benchward_phase", help, None)?;
    for station in &view.stations {
        for phase in PHASES {
            let labels = [("station", &*station.name), ("phase", phase.text())];
            flag(&mut family.encode_family(&labels)?, station.phase == phase)?;
        }
    }
    let help = "1 while an interlock is tripped, acknowledged or not.";
    let mut family = gauge(out, "benchward_interlock_tripped", help, None)?;
    for station in &view.stations {
        for interlock in &station.interlocks {
            let tripped = matches!(interlock.standing, "tripped" | "acknowledged");
            let labels = [("station", &*station.name), ("interlock", interlock.name.text())];
            flag(&mut family.encode_family(&labels)?, tripped)?;
        }
    }
    let help = "1 while all drivers of a station are up.";
    let mut family = gauge(out, "benchward_driver_up", help, None)?;
    for station in &view.stations {
        flag(
            &mut family.encode_family(&[("station", &*station.name)])?,
            station.driver_up,
        )?;
    }
    let help = "Alarms of the whole lab that stand.";
    let mut family = gauge(out, "benchward_alarms", help, None)?;
    family.encode_gauge(&u64::try_from(view.alarms.len()).unwrap_or(u64::MAX))
}

fn gauge<'a>(
    out: &'a mut DescriptorEncoder,
    name: &'a str,
    help: &str,
    unit: Option<&'a Unit>,
) -> Result<MetricEncoder<'a>, fmt::Error> {
    out.encode_descriptor(name, help, unit, MetricType::Gauge)
}

fn flag(out: &mut MetricEncoder, so: bool) -> fmt::Result {
    out.encode_gauge(&u64::from(so))
}

fn count(out: &mut MetricEncoder, value: u64) -> fmt::Result {
    out.encode_counter::<NoLabelSet, _, f64>(&value, None)
}

fn histogram(out: &mut MetricEncoder, durations: &Durations) -> fmt::Result {
    let (sum_s, counted) = durations.counted();
    let all = counted.iter().map(|(_, count)| count).sum();
    out.encode_histogram::<NoLabelSet>(sum_s, all, &counted, None)
}
