//! Time-proportioned outputs: a relay that is on for a share of each window.
//!
//! Windows are aligned to multiples of their length on the clock that both sides share, so that the daemon can lay the
//! on-times of several benches on one supply side by side. Pure: time is a parameter, in milliseconds.

/// When a relay is on: `fraction` of every window, from `offset_ms` into it, wrapping round its end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Firing {
    window: f64,
    start: f64,
    on: f64,
}

impl Firing {
    /// `fraction` from 0 to 1; an offset beyond the window wraps.
    ///
    /// # Panics
    /// If the window isn't above zero.
    pub fn new(window_ms: f64, fraction: f64, offset_ms: f64) -> Self {
        assert!(window_ms > 0.0, "a window of {window_ms} ms");
        let on = window_ms * fraction.clamp(0.0, 1.0);
        Firing {
            window: window_ms,
            start: offset_ms.rem_euclid(window_ms),
            on,
        }
    }

    /// The fraction that a relay can do whose on-times and off-times last `least_ms` at least: the same or the next below,
    /// since no output may be given more heat than was granted. 0 and 1 stay as they are.
    ///
    /// # Panics
    /// If the window isn't above zero.
    pub fn deliverable(window_ms: f64, fraction: f64, least_ms: f64) -> f64 {
        assert!(window_ms > 0.0, "a window of {window_ms} ms");
        let least = least_ms / window_ms;
        if fraction >= 1.0 || fraction <= 0.0 {
            return fraction.clamp(0.0, 1.0);
        }
        let fraction = fraction.min(1.0 - least);
        if fraction < least { 0.0 } else { fraction }
    }

    /// How much longer it is on, in milliseconds: zero while it is off, without end at a fraction of 1.
    pub fn on_for(&self, now_ms: f64) -> f64 {
        if self.on >= self.window {
            return f64::INFINITY;
        }
        (self.on - self.since_start(now_ms)).max(0.0)
    }

    /// Whether the relay is on at this time.
    pub fn on_at(&self, now_ms: f64) -> bool {
        self.since_start(now_ms) < self.on
    }

    /// When the relay next changes; `None` if it never does (0 and 1).
    pub fn next_edge(&self, now_ms: f64) -> Option<f64> {
        if self.on <= 0.0 || self.on >= self.window {
            return None;
        }
        let since = self.since_start(now_ms);
        let left = if since < self.on {
            self.on - since
        } else {
            self.window - since
        };
        Some(now_ms + left)
    }

    fn since_start(&self, now_ms: f64) -> f64 {
        // For a tiny negative number `rem_euclid` rounds up to the window itself, which is the next window's zero.
        let since = (now_ms - self.start).rem_euclid(self.window);
        if since >= self.window { 0.0 } else { since }
    }
}

/// Adds up how long a relay was really on in each window.
#[derive(Debug, Clone)]
pub struct Fired {
    window_ms: f64,
    seen_ms: f64,
    on: bool,
    on_ms: f64,
    last: Option<f64>,
    whole: bool,
}

impl Fired {
    /// Off, from now on.
    pub fn new(window_ms: f64, now_ms: f64) -> Self {
        Fired {
            window_ms,
            seen_ms: now_ms,
            on: false,
            on_ms: 0.0,
            last: None,
            whole: false,
        }
    }

    /// The relay is `on` or off from `now_ms`.
    pub fn switched(&mut self, now_ms: f64, on: bool) {
        self.advance(now_ms);
        self.on = on;
    }

    /// Share of the last complete window that the relay was on; `None` before there was one.
    pub fn last_window(&mut self, now_ms: f64) -> Option<f64> {
        self.advance(now_ms);
        self.last
    }

    fn advance(&mut self, now_ms: f64) {
        let state = if self.on { 1.0 } else { 0.0 };
        let end = (self.seen_ms / self.window_ms).floor() * self.window_ms + self.window_ms;
        if now_ms < end {
            self.on_ms += state * (now_ms - self.seen_ms).max(0.0);
            self.seen_ms = self.seen_ms.max(now_ms);
            return;
        }
        let closed = self.on_ms + state * (end - self.seen_ms);
        // The window in which watching began isn't a whole one.
        self.last = self.whole.then_some((closed / self.window_ms).clamp(0.0, 1.0));
        self.whole = true;
        let current = (now_ms / self.window_ms).floor() * self.window_ms;
        if current > end {
            self.last = Some(state);
        }
        self.on_ms = state * (now_ms - current);
        self.seen_ms = now_ms;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Share of `[from, from + span)` that a firing is on, walking from edge to edge as the harness does.
    fn share(firing: Firing, from: f64, span: f64) -> f64 {
        let mut now = from;
        let mut on = 0.0;
        let end = from + span;
        while now < end {
            let next = firing.next_edge(now).unwrap_or(end).min(end);
            assert!(next > now, "an edge that doesn't move on at {now}");
            if firing.on_at(now) {
                on += next - now;
            }
            // Just past the edge, where the thread wakes up.
            now = next + 1e-6;
        }
        on / span
    }

    #[test]
    fn the_on_time_is_the_fraction_wherever_it_starts() {
        for window in [20.0, 1_000.0] {
            for fraction in [0.0, 0.01, 0.42, 0.99, 1.0] {
                for offset in [0.0, 0.3 * window, 0.9 * window, 7.25 * window] {
                    let firing = Firing::new(window, fraction, offset);
                    let got = share(firing, 123_456_789.25, 10.0 * window);
                    assert!(
                        (got - fraction).abs() < 1e-3,
                        "{window} {fraction} {offset}: {got}"
                    );
                }
            }
        }
    }

    #[test]
    fn a_relay_gets_what_it_can_do_and_never_more_than_was_granted() {
        for (fraction, least, done) in [
            (0.0, 100.0, 0.0),
            (0.05, 100.0, 0.0),
            (0.099, 100.0, 0.0),
            (0.1, 100.0, 0.1),
            (0.42, 100.0, 0.42),
            (0.95, 100.0, 0.9),
            (1.0, 100.0, 1.0),
            (0.001, 0.0, 0.001),
            (0.999, 0.0, 0.999),
            // Half a window on and half off is all there is; a longer least time leaves nothing in between.
            (0.7, 500.0, 0.5),
            (0.7, 600.0, 0.0),
        ] {
            let got = Firing::deliverable(1_000.0, fraction, least);
            assert!((got - done).abs() < 1e-12, "{fraction} with {least} ms: {got}");
            assert!(got <= fraction, "{fraction} became {got}");
        }
    }

    #[test]
    fn what_is_left_of_an_on_time() {
        let firing = Firing::new(1_000.0, 0.3, 250.0);
        for (now, left) in [(5_250.0, 300.0), (5_549.0, 1.0), (5_600.0, 0.0), (6_249.0, 0.0)] {
            assert!((firing.on_for(now) - left).abs() < 1e-6, "at {now}");
        }
        assert!(Firing::new(1_000.0, 1.0, 0.0).on_for(5_123.0).is_infinite());
    }

    #[test]
    fn windows_start_at_multiples_of_their_length() {
        let firing = Firing::new(1_000.0, 0.3, 250.0);
        for (now, on, edge) in [
            (5_000.0, false, 5_250.0),
            (5_249.9, false, 5_250.0),
            (5_250.0, true, 5_550.0),
            (5_549.0, true, 5_550.0),
            (5_550.0, false, 6_250.0),
            (5_999.0, false, 6_250.0),
        ] {
            assert_eq!(firing.on_at(now), on, "at {now}");
            assert!((firing.next_edge(now).unwrap() - edge).abs() < 1e-6, "at {now}");
        }
        // 0.9 and 0.3 more wrap to the first 0.2 of the next window.
        let wrapped = Firing::new(1_000.0, 0.3, 900.0);
        assert!(wrapped.on_at(5_950.0) && wrapped.on_at(6_199.0) && !wrapped.on_at(6_201.0));
    }

    #[test]
    fn two_benches_side_by_side_are_never_on_together() {
        let a = Firing::new(1_000.0, 0.45, 0.0);
        let b = Firing::new(1_000.0, 0.5, 450.0);
        for tenth in 0..40_000 {
            let now = f64::from(tenth) / 10.0;
            assert!(!(a.on_at(now) && b.on_at(now)), "both on at {now}");
        }
    }

    #[test]
    fn fired_is_what_the_relay_did_not_what_was_asked() {
        let mut fired = Fired::new(1_000.0, 4_700.0);
        fired.switched(4_800.0, true);
        assert_eq!(fired.last_window(4_999.0), None);
        // The window from 4000 was seen only in part, so it doesn't count.
        assert_eq!(fired.last_window(5_100.0), None);
        fired.switched(5_250.0, false);
        fired.switched(5_900.0, true);
        assert!((fired.last_window(6_000.0).unwrap() - 0.35).abs() < 1e-9);
        assert!((fired.last_window(7_100.0).unwrap() - 1.0).abs() < 1e-9);
        fired.switched(7_500.0, false);
        assert!((fired.last_window(8_000.0).unwrap() - 0.5).abs() < 1e-9);
        // Nobody looked for several windows: the last whole one was off throughout.
        assert!(fired.last_window(12_345.0).unwrap().abs() < 1e-9);
    }
}
