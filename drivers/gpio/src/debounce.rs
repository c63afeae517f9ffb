//! Contacts bounce: a state counts once it has been the same for a while.
//!
//! Done here and not by the kernel, so that it is the same on every chip. Pure: time is a parameter, in milliseconds.

/// One contact. Inactive until it has been active for long enough.
#[derive(Debug, Clone)]
pub(crate) struct Debounce {
    steady_ms: f64,
    active: bool,
    /// What was sampled last, and since when it has been that.
    sampled: (bool, f64),
}

impl Debounce {
    /// `steady_ms`: how long a state has to last; 0 takes every sample as it comes.
    pub(crate) fn new(steady_ms: f64, now_ms: f64) -> Self {
        Debounce {
            steady_ms,
            active: false,
            sampled: (false, now_ms),
        }
    }

    /// Takes a sample; whether the contact counts as active now.
    pub(crate) fn sampled(&mut self, now_ms: f64, active: bool) -> bool {
        if active != self.sampled.0 {
            self.sampled = (active, now_ms);
        }
        if now_ms - self.sampled.1 >= self.steady_ms {
            self.active = active;
        }
        self.active
    }

    /// The contact can't be read: inactive, and anew.
    pub(crate) fn lost(&mut self, now_ms: f64) {
        self.active = false;
        self.sampled = (false, now_ms);
    }

    pub(crate) fn active(&self) -> bool {
        self.active
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Feeds samples 5 ms apart, `#` active and `.` not, and shows what counts after each.
    fn counts(steady_ms: f64, samples: &str) -> String {
        let mut debounce = Debounce::new(steady_ms, 0.0);
        let mut now_ms = 0.0;
        samples
            .chars()
            .map(|sample| {
                now_ms += 5.0;
                if debounce.sampled(now_ms, sample == '#') {
                    '#'
                } else {
                    '.'
                }
            })
            .collect()
    }

    #[test]
    fn a_state_counts_once_it_has_lasted() {
        for (steady_ms, samples, expected) in [
            // Counts with the fifth equal sample, 20 ms after the first.
            (20.0, "..########......##", "......########...."),
            (20.0, ".#.#.##.###.######", "................##"),
            (20.0, "#####.#.#.#######.", "....##############"),
            (0.0, ".#.#.", ".#.#."),
        ] {
            assert_eq!(counts(steady_ms, samples), expected, "{samples}");
        }
    }

    #[test]
    fn what_could_not_be_read_counts_as_inactive_until_it_has_lasted_again() {
        let mut debounce = Debounce::new(20.0, 0.0);
        assert!(!debounce.sampled(5.0, true));
        assert!(debounce.sampled(25.0, true));
        debounce.lost(30.0);
        assert!(!debounce.active());
        assert!(!debounce.sampled(35.0, true));
        assert!(!debounce.sampled(54.0, true));
        assert!(debounce.sampled(55.0, true));
    }
}
