//! `CLOCK_MONOTONIC`, the one clock that a driver and the daemon share.

use rustix::time::{ClockId, Timespec, clock_gettime};

/// Now, in milliseconds of `CLOCK_MONOTONIC`, with microseconds as the fraction.
///
/// This is what `at_ms` means on the wire. Comparable between all processes of one boot.
pub fn monotonic_ms() -> f64 {
    let Timespec { tv_sec, tv_nsec } = clock_gettime(ClockId::Monotonic);
    #[expect(
        clippy::cast_precision_loss,
        reason = "microseconds stay exact for 285 years of uptime"
    )]
    let micros = (tv_sec * 1_000_000 + tv_nsec / 1_000) as f64;
    micros / 1_000.0
}
