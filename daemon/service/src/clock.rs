//! The lab's clock: monotonic milliseconds for decisions, wall time for records.
//!
//! Decisions are made on `CLOCK_MONOTONIC`, times the lab's time scale. Records carry wall time, which people and
//! time servers move: the offset between the two is measured again and again, and a step is kept as a new offset
//! from that moment on. So a moment that has been given a wall time keeps it, and a step changes no decision.

use std::sync::Mutex;
use std::time::{SystemTime, UNIX_EPOCH};

use benchward_archive::Wall;
use benchward_core::units::Millis;
use rustix::time::{ClockId, clock_gettime};

/// A step of the wall clock below this is the slewing of a time server, followed without a word.
const STEP_MS: i64 = 1_000;

/// The clock of one lab.
#[derive(Debug)]
pub(crate) struct Clock {
    scale: u64,
    /// `CLOCK_MONOTONIC` at the lab's zero, milliseconds.
    began_ms: f64,
    /// From which lab time on which offset from lab time to wall time holds, oldest first. Not locked by the lab
    /// thread: it never asks for wall time.
    offsets: Mutex<Vec<(Millis, i64)>>,
}

impl Clock {
    /// A clock that starts now at lab time zero. `scale`: lab seconds a second, at least 1.
    pub(crate) fn start(scale: u64) -> Self {
        let clock = Self {
            scale: scale.max(1),
            began_ms: monotonic_ms(),
            offsets: Mutex::new(Vec::new()),
        };
        if let Ok(mut offsets) = clock.offsets.lock() {
            offsets.push((Millis::ZERO, realtime_ms()));
        }
        clock
    }

    /// Lab seconds a second.
    pub(crate) fn scale(&self) -> u64 {
        self.scale
    }

    /// The lab's time now.
    pub(crate) fn now(&self) -> Millis {
        self.at_monotonic(monotonic_ms())
    }

    /// The lab's time at a moment of `CLOCK_MONOTONIC`, in milliseconds.
    #[expect(clippy::cast_precision_loss, reason = "scales are small whole numbers")]
    pub(crate) fn at_monotonic(&self, monotonic_ms: f64) -> Millis {
        Millis::from_secs_f64((monotonic_ms - self.began_ms) * self.scale as f64 / 1000.0)
    }

    /// How long to wait, in real time, until the lab's clock shows `then`.
    pub(crate) fn until(&self, then: Millis) -> std::time::Duration {
        let ms = then.since(self.now()).0;
        std::time::Duration::from_micros(ms.saturating_mul(1000) / self.scale)
    }

    /// Wall time of a moment of the lab.
    pub(crate) fn wall(&self, at: Millis) -> Wall {
        let offset = self.offsets.lock().map_or(0, |offsets| {
            offsets
                .iter()
                .rev()
                .find(|(from, _)| *from <= at)
                .or(offsets.first())
                .map_or(0, |(_, offset)| *offset)
        });
        Wall(offset.saturating_add(i64::try_from(at.0).unwrap_or(i64::MAX)))
    }

    /// Wall time now.
    pub(crate) fn wall_now(&self) -> Wall {
        self.wall(self.now())
    }

    /// Looks whether the wall clock was moved since the last look. Returns by how many milliseconds, if it was.
    ///
    /// A scaled lab has a wall clock of its own that runs as fast as the lab: there is nothing to follow.
    pub(crate) fn follow_wall(&self) -> Option<i64> {
        if self.scale != 1 {
            return None;
        }
        let now = self.now();
        let measured = realtime_ms().saturating_sub(i64::try_from(now.0).unwrap_or(i64::MAX));
        let mut offsets = self.offsets.lock().ok()?;
        let (_, known) = *offsets.last()?;
        let moved = measured - known;
        if moved.abs() >= STEP_MS {
            offsets.push((now, measured));
            return Some(moved);
        }
        None
    }
}

/// `CLOCK_MONOTONIC`, milliseconds.
#[expect(
    clippy::cast_precision_loss,
    reason = "exact to a microsecond for a century of uptime"
)]
pub(crate) fn monotonic_ms() -> f64 {
    let time = clock_gettime(ClockId::Monotonic);
    time.tv_sec as f64 * 1000.0 + time.tv_nsec as f64 / 1_000_000.0
}

/// Wall time, milliseconds since 1970. By the standard library, thus by the system's C library: what moves the wall clock
/// of one process, as tests do, does it there; the clock of decisions comes from the kernel past all that.
fn realtime_ms() -> i64 {
    let whole_ms = |since: std::time::Duration| i64::try_from(since.as_millis()).unwrap_or(i64::MAX);
    match SystemTime::now().duration_since(UNIX_EPOCH) {
        Ok(since) => whole_ms(since),
        Err(before) => -whole_ms(before.duration()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_moment_keeps_its_wall_time_over_a_step() {
        let clock = Clock {
            scale: 1,
            began_ms: 0.0,
            offsets: Mutex::new(vec![(Millis(0), 1_000_000)]),
        };
        assert_eq!(clock.wall(Millis(5_000)), Wall(1_005_000));
        clock
            .offsets
            .lock()
            .unwrap()
            .push((Millis(10_000), 1_000_000 + 3_600_000));
        assert_eq!(
            clock.wall(Millis(5_000)),
            Wall(1_005_000),
            "what was before the step stays"
        );
        assert_eq!(clock.wall(Millis(11_000)), Wall(4_611_000));
    }

    #[test]
    fn a_scaled_lab_runs_faster() {
        let clock = Clock {
            scale: 20,
            began_ms: 1_000.0,
            offsets: Mutex::new(Vec::new()),
        };
        assert_eq!(clock.at_monotonic(1_500.0), Millis(10_000));
        assert_eq!(
            clock.at_monotonic(500.0),
            Millis::ZERO,
            "before the beginning is the beginning"
        );
    }
}
