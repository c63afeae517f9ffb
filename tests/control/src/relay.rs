//! When a time-proportioned output conducts.
//!
//! Its windows are aligned to multiples of their length; the on-time, which is the asked share of the window, starts at an
//! offset into each and wraps. What it is told counts at once. An output without a window is proportional all the time.

use benchward_core::units::Millis;

/// What an output was told and how it carries it out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Firing {
    /// Share of full power.
    pub heat: f64,
    /// Length of its window; `None` if it has none.
    pub window_ms: Option<u32>,
    /// Where in the window the on-time starts.
    pub offset_ms: u32,
}

impl Firing {
    /// Share of the time from `from` on, for `for_ms` and at most one window, in which it conducts.
    pub fn share(&self, from: Millis, for_ms: f64) -> f64 {
        let Some((window, into)) = self.place_in_window(from.seconds() * 1_000.0) else {
            return self.heat;
        };
        let on = self.heat * window;
        let overlap = |from: f64, to: f64| ((into + for_ms).min(to) - into.max(from)).max(0.0);
        (overlap(0.0, on) + overlap(window, window + on)) / for_ms
    }

    /// Share of full power that it draws at one moment, in ms.
    pub fn at(&self, ms: f64) -> f64 {
        match self.place_in_window(ms) {
            None => self.heat,
            Some((window, into)) if into < self.heat * window => 1.0,
            Some(_) => 0.0,
        }
    }

    /// The window's length, and how long after its on-time's start a moment is.
    fn place_in_window(&self, ms: f64) -> Option<(f64, f64)> {
        let window = f64::from(self.window_ms?);
        Some((window, (ms - f64::from(self.offset_ms)).rem_euclid(window)))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const STEP: Millis = Millis(50);

    #[test]
    fn a_relay_fires_its_share_of_every_window() {
        for heat in [0.0, 0.13, 0.5, 0.999, 1.0] {
            for window_ms in [None, Some(500), Some(1_000)] {
                for offset_ms in [0, 370] {
                    let firing = Firing {
                        heat,
                        window_ms,
                        offset_ms,
                    };
                    let on: f64 = (0..40).map(|n| firing.share(STEP * n, 50.0)).sum();
                    assert!((on / 40.0 - heat).abs() < 1e-9, "{on} of 40 steps: {firing:?}");
                    let at: f64 = (0..2_000).map(|n| firing.at(f64::from(n) + 0.5)).sum();
                    // On-times are looked at by the millisecond here, so that each may come out by one off.
                    assert!(
                        (at / 2_000.0 - heat).abs() <= 0.002,
                        "{at} of 2000 ms: {firing:?}"
                    );
                }
            }
        }
    }

    #[test]
    fn the_on_time_starts_at_the_offset_and_wraps() {
        let firing = |heat, offset_ms| Firing {
            heat,
            window_ms: Some(1_000),
            offset_ms,
        };
        let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a}, not {b}");
        near(firing(0.5, 0).share(Millis(2_450), 50.0), 1.0);
        near(firing(0.5, 0).share(Millis(2_500), 50.0), 0.0);
        near(firing(0.53, 0).share(Millis(2_500), 50.0), 0.6);
        near(firing(0.5, 800).share(Millis(2_250), 50.0), 1.0);
        near(firing(0.5, 800).share(Millis(2_350), 50.0), 0.0);
        near(firing(0.5, 810).share(Millis(2_800), 50.0), 0.8);
        near(firing(0.5, 800).at(2_850.0), 1.0);
        near(firing(0.5, 800).at(2_350.0), 0.0);
        near(firing(0.25, 0).at(249.0), 1.0);
    }
}
