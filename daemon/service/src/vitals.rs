//! What the daemon measures of itself, where whoever wants to know can read it without anybody waiting.
//!
//! The lab thread writes here in the middle of its work, so that every field is an atomic with one writer: no lock, no
//! allocation, nothing that a slow reader could hold. What is read is of one moment each, not of one and the same.

use std::collections::BTreeMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use arc_swap::ArcSwapOption;
use benchward_core::interlock::InterlockName;
use benchward_core::{InstanceId, Signal, StationId};
use benchward_driver::wire::Describe;

use crate::clock::monotonic_ms;

/// Upper bounds of what is counted, seconds. The promise for a cut is 5 ms; a permit lapses after 1.5 s.
const BOUNDS: [f64; 14] = [
    0.000_1, 0.000_25, 0.000_5, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.25, 0.5, 1.0, 1.5,
];

/// How long things took: how many below each bound, and their sum. One writer.
#[derive(Debug)]
pub(crate) struct Durations {
    /// Those up to each of [`BOUNDS`] and above the one before, and then the rest.
    counts: [AtomicU64; BOUNDS.len() + 1],
    /// Nanoseconds: whole numbers add up without a lock.
    sum_ns: AtomicU64,
}

impl Durations {
    const fn new() -> Self {
        Self {
            counts: [const { AtomicU64::new(0) }; BOUNDS.len() + 1],
            sum_ns: AtomicU64::new(0),
        }
    }

    /// Something took `ms` milliseconds. Below zero and what is no number count as zero: clocks of others are read here.
    pub(crate) fn took_ms(&self, ms: f64) {
        let ms = ms.max(0.0);
        let at = BOUNDS.partition_point(|bound| *bound < ms / 1000.0);
        self.counts[at].fetch_add(1, Ordering::Relaxed);
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "not negative, and 584 years fit"
        )]
        self.sum_ns.fetch_add((ms * 1e6) as u64, Ordering::Relaxed);
    }

    /// The sum in seconds, and each bound, infinity last, with how many there are between it and the one before.
    pub(crate) fn counted(&self) -> (f64, Vec<(f64, u64)>) {
        #[expect(clippy::cast_precision_loss, reason = "for charts")]
        let sum_s = self.sum_ns.load(Ordering::Relaxed) as f64 / 1e9;
        let bounds = BOUNDS.into_iter().chain([f64::INFINITY]);
        let counts = self.counts.iter().map(|count| count.load(Ordering::Relaxed));
        (sum_s, bounds.zip(counts).collect())
    }
}

/// A moment of `CLOCK_MONOTONIC` in milliseconds, or none yet. One writer.
#[derive(Debug, Default)]
struct Moment(AtomicU64);

impl Moment {
    fn set(&self, monotonic_ms: f64) {
        self.0.store(monotonic_ms.to_bits(), Ordering::Relaxed);
    }

    /// `None` before the first [`Moment::set`]: a host that runs has been up for more than nothing.
    fn get(&self) -> Option<f64> {
        Some(f64::from_bits(self.0.load(Ordering::Relaxed))).filter(|ms| *ms > 0.0)
    }
}

/// What is known of one driver's process.
#[derive(Debug, Default)]
struct Driver {
    /// When its newest scan came.
    scanned: Moment,
    /// How often it was started; by the task that looks after it.
    starts: AtomicU64,
    /// What it says of itself; none while it is down.
    described: ArcSwapOption<Describe>,
}

/// The measurements.
#[derive(Debug)]
pub(crate) struct Vitals {
    /// From the arrival of a scan to the moment that a cut or zero heat because of it is in the driver's pipe.
    pub(crate) cut: Durations,
    /// From the moment that readings were received to the moment that the heat given on them is in the driver's pipe; in the
    /// lab's whole milliseconds, rounded up.
    pub(crate) grant: Durations,
    /// From the moment that a driver measured to the moment that the core had it, likewise. Drivers that don't say when they
    /// measured count as at once.
    pub(crate) scan_delay: Durations,
    /// When the lab thread last went round.
    turned: Moment,
    drivers: Vec<Driver>,
    /// Trips since the start. Written by the task that hands signals on and read by whoever shows them; never by the lab
    /// thread.
    trips: Mutex<BTreeMap<(StationId, InterlockName), u64>>,
}

impl Vitals {
    /// Nothing measured yet, of so many driver instances.
    pub(crate) fn new(instances: usize) -> Self {
        Self {
            cut: Durations::new(),
            grant: Durations::new(),
            scan_delay: Durations::new(),
            turned: Moment::default(),
            drivers: (0..instances).map(|_| Driver::default()).collect(),
            trips: Mutex::default(),
        }
    }

    /// The lab thread goes round.
    pub(crate) fn turn(&self) {
        self.turned.set(monotonic_ms());
    }

    /// How long ago the lab thread last went round, milliseconds.
    pub(crate) fn turned_ms_ago(&self) -> Option<f64> {
        self.turned.get().map(|at| monotonic_ms() - at)
    }

    /// A scan came from a driver, at a moment of `CLOCK_MONOTONIC`.
    pub(crate) fn scanned(&self, instance: InstanceId, monotonic_ms: f64) {
        if let Some(driver) = self.drivers.get(instance.index()) {
            driver.scanned.set(monotonic_ms);
        }
    }

    /// How long ago the newest scan of a driver came, milliseconds; `None`: none has come yet.
    pub(crate) fn scanned_ms_ago(&self, instance: InstanceId) -> Option<f64> {
        let at = self.drivers.get(instance.index())?.scanned.get()?;
        Some(monotonic_ms() - at)
    }

    /// Whether every driver has sent a scan.
    pub(crate) fn all_scanned(&self) -> bool {
        self.drivers.iter().all(|driver| driver.scanned.get().is_some())
    }

    /// A driver has described itself, or is lost.
    pub(crate) fn described(&self, instance: InstanceId, as_: Option<Arc<Describe>>) {
        if let Some(driver) = self.drivers.get(instance.index()) {
            driver.described.store(as_);
        }
    }

    /// What a driver says of itself; none while it is down.
    pub(crate) fn description(&self, instance: InstanceId) -> Option<Arc<Describe>> {
        self.drivers.get(instance.index())?.described.load_full()
    }

    /// A driver's process is being started.
    pub(crate) fn started(&self, instance: InstanceId) {
        if let Some(driver) = self.drivers.get(instance.index()) {
            driver.starts.fetch_add(1, Ordering::Relaxed);
        }
    }

    /// How often a driver was started again.
    pub(crate) fn restarts(&self, instance: InstanceId) -> u64 {
        let starts = self
            .drivers
            .get(instance.index())
            .map(|driver| driver.starts.load(Ordering::Relaxed));
        starts.unwrap_or(0).saturating_sub(1)
    }

    /// Counts trips among what others are told.
    pub(crate) fn note(&self, signal: &Signal) {
        if let Signal::Interlock {
            station,
            interlock,
            standing: "tripped",
            ..
        } = signal
        {
            let mut trips = self.trips.lock().unwrap_or_else(PoisonError::into_inner);
            *trips.entry((*station, *interlock)).or_default() += 1;
        }
    }

    /// Trips since the start.
    pub(crate) fn trips(&self, station: StationId, interlock: InterlockName) -> u64 {
        let trips = self.trips.lock().unwrap_or_else(PoisonError::into_inner);
        trips.get(&(station, interlock)).copied().unwrap_or(0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_duration_counts_up_to_the_bound_that_it_reaches() {
        let durations = Durations::new();
        for ms in [0.1, 0.100_01, 5.0, 1_500.0, 1_500.1, f64::NAN, -3.0] {
            durations.took_ms(ms);
        }
        let (sum_s, counted) = durations.counted();
        let at = |bound: f64| {
            let found = counted.iter().find(|(one, _)| one.total_cmp(&bound).is_eq());
            found.map(|(_, count)| *count)
        };
        // 0.1 ms, and the two that are no duration.
        assert_eq!(at(0.000_1), Some(3), "{counted:?}");
        assert_eq!(at(0.000_25), Some(1), "{counted:?}");
        assert_eq!(at(0.005), Some(1), "{counted:?}");
        assert_eq!(at(1.5), Some(1), "{counted:?}");
        assert_eq!(at(f64::INFINITY), Some(1), "{counted:?}");
        assert!((sum_s - 3.005_300_01).abs() < 1e-6, "{sum_s}");
    }

    #[test]
    fn a_driver_that_was_started_once_was_not_restarted() {
        let vitals = Vitals::new(2);
        let (first, second) = (InstanceId(0), InstanceId(1));
        vitals.started(first);
        vitals.started(second);
        vitals.started(second);
        assert_eq!((vitals.restarts(first), vitals.restarts(second)), (0, 1));
        vitals.scanned(first, monotonic_ms());
        assert!(!vitals.all_scanned());
        assert_eq!(vitals.scanned_ms_ago(second), None);
        vitals.scanned(second, monotonic_ms());
        assert!(vitals.all_scanned());
    }
}
