//! The lab's time against real time.

use std::time::{Duration, Instant};

use crate::clock::monotonic_ms;

/// How fast the lab's time passes. Durations on the wire and in driver code are the lab's.
#[derive(Debug, Clone, Copy)]
pub struct LabTime {
    scale: f64,
    started_ms: f64,
}

impl LabTime {
    pub(super) fn starting_now(scale: f64) -> Self {
        LabTime {
            scale,
            started_ms: monotonic_ms(),
        }
    }

    /// Seconds of the lab's time that pass in one second; 1 outside of demos and tests.
    pub fn scale(&self) -> f64 {
        self.scale
    }

    /// How long the driver has been running, in the lab's time.
    pub fn elapsed(&self) -> Duration {
        let ms = (monotonic_ms() - self.started_ms).max(0.0) * self.scale;
        Duration::from_secs_f64(ms / 1_000.0)
    }

    /// How long a duration of the lab takes in real time.
    pub fn real(&self, lab: Duration) -> Duration {
        lab.div_f64(self.scale)
    }

    /// The clock that windows are aligned to, in the lab's milliseconds.
    pub(super) fn now_ms(&self) -> f64 {
        monotonic_ms() * self.scale
    }

    /// When [`LabTime::now_ms`] will say `lab_ms`.
    pub(super) fn instant(&self, lab_ms: f64) -> Instant {
        let real_ms = (lab_ms / self.scale - monotonic_ms()).max(0.0);
        Instant::now() + Duration::from_secs_f64(real_ms / 1_000.0)
    }

    /// What goes on the wire as `at_ms`: in scaled time nothing, since the clocks' units differ.
    #[expect(clippy::float_cmp, reason = "exactly 1 is unscaled")]
    pub(super) fn at_ms(&self) -> Option<f64> {
        (self.scale == 1.0).then(monotonic_ms)
    }

    #[expect(clippy::float_cmp, reason = "exactly 1 is unscaled")]
    pub(super) fn is_real(&self) -> bool {
        self.scale == 1.0
    }
}
