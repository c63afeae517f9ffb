//! The time-optimal bound: how soon a stage could be reached by somebody who knows everything.
//!
//! From the true state at the stage's start, mains and air calm: full power up to a cut, then none. The cut is the latest from
//! which the site peaks no higher than 1 °C above the target; the bound is the time to 1 °C below it. For a plant that stores heat
//! on the way to the site, one switch is time-optimal (bang-bang principle; Pontryagin et al. 1962, from memory).

use benchward_driver_simulated::Bench;

/// Resolution of the cut and of the crossing's search, seconds.
const STEP_S: f64 = 0.05;

/// A stage that full power doesn't reach within this is out of the bench's reach.
const REACH_S: f64 = 3_600.0;

/// How long a site is watched for its peak after the cut. Slow plates peak within two minutes.
const COAST_S: f64 = 600.0;

/// How far below the peak so far the site has to be to say that it was the peak.
const PAST_PEAK: f64 = 0.05;

/// How near the target counts as arrived, and how far above it the bound may peak, °C.
pub const NEAR: f64 = 1.0;

/// Something that is heated and can be tried out.
pub trait Heated: Clone {
    /// Lets time pass at a share of full power.
    fn advance(&mut self, dt_s: f64, heat: f64);
    /// The true temperature that counts.
    fn celsius(&self) -> f64;
}

/// The site of a bench's first sensor, calm.
#[derive(Debug, Clone)]
pub struct Site(Bench);

impl Site {
    /// The bench as it stands, from here on undisturbed.
    pub fn of(bench: &Bench) -> Self {
        let mut bench = bench.clone();
        bench.calm();
        Site(bench)
    }
}

impl Heated for Site {
    fn advance(&mut self, dt_s: f64, heat: f64) {
        self.0.advance(dt_s, heat);
    }

    fn celsius(&self) -> f64 {
        self.0.site_celsius(0).unwrap_or(f64::NAN)
    }
}

/// Seconds from `start` to [`NEAR`] below `target`, at best; with a limit of the ramp in °C/s not before the limit lets
/// it. `None`: it is there already, or full power never gets it there.
pub fn time_s(start: &impl Heated, target: f64, ramp_max: Option<f64>) -> Option<f64> {
    let from = start.celsius();
    if from >= target - NEAR {
        return None;
    }
    // Full power until it has arrived too hot: the cut lies before.
    let mut full = start.clone();
    let mut high = 0_u32;
    while full.celsius() <= target + NEAR {
        full.advance(STEP_S, 1.0);
        high += 1;
        if f64::from(high) * STEP_S > REACH_S {
            return None;
        }
    }
    // `state` has had full power for `low` steps, from where it doesn't peak too high.
    let (mut low, mut state) = (0, start.clone());
    while high - low > 1 {
        let middle = low + (high - low) / 2;
        let mut tried = state.clone();
        for _ in low..middle {
            tried.advance(STEP_S, 1.0);
        }
        if peak(tried.clone()) <= target + NEAR {
            (low, state) = (middle, tried);
        } else {
            high = middle;
        }
    }
    let ramp = ramp_max.map_or(0.0, |rate| (target - NEAR - from) / rate);
    crossing(start.clone(), low, target - NEAR).map(|time| time.max(ramp))
}

/// How far the site coasts without heat.
fn peak(mut plant: impl Heated) -> f64 {
    let mut peak = plant.celsius();
    let mut time = 0.0;
    while plant.celsius() > peak - PAST_PEAK && time < COAST_S {
        plant.advance(STEP_S, 0.0);
        time += STEP_S;
        peak = peak.max(plant.celsius());
    }
    peak
}

/// When the site passes `celsius` with full power for `steps` and none afterwards.
fn crossing(mut plant: impl Heated, steps: u32, celsius: f64) -> Option<f64> {
    let mut time = 0.0;
    let mut step = 0;
    while time < REACH_S + COAST_S {
        let before = plant.celsius();
        plant.advance(STEP_S, if step < steps { 1.0 } else { 0.0 });
        let after = plant.celsius();
        if after >= celsius {
            return Some(time + STEP_S * (celsius - before) / (after - before));
        }
        step += 1;
        time += STEP_S;
    }
    None
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A heater of first order before a board that keeps all it gets:
    /// `q' = (u - q) / lag`, `T' = rate q`. Both are exact over a step of constant heat.
    #[derive(Clone)]
    struct Store {
        lag: f64,
        rate: f64,
        q: f64,
        celsius: f64,
    }

    impl Heated for Store {
        fn advance(&mut self, dt: f64, heat: f64) {
            let keep = (-dt / self.lag).exp();
            self.celsius += self.rate * (heat * dt + (self.q - heat) * self.lag * (1.0 - keep));
            self.q = heat + (self.q - heat) * keep;
        }

        fn celsius(&self) -> f64 {
            self.celsius
        }
    }

    /// Full power for `tc` stores `rate tc` in heater and board together, all of which ends in the board: so `tc` =
    /// (T + 1 - T0) / rate, and T - 1 is passed where `rate (t - lag (1 - exp(-t / lag)))` is two short of it.
    #[test]
    fn a_plant_without_losses_has_the_bound_of_the_closed_form() {
        for (lag, rate, target) in [(10.0, 1.0, 60.0), (4.0, 0.5, 40.0), (40.0, 2.0, 100.0)] {
            let start = Store {
                lag,
                rate,
                q: 0.0,
                celsius: 20.0,
            };
            let cut: f64 = (target + NEAR - 20.0) / rate;
            let at = |t: f64| {
                if t <= cut {
                    rate * (t - lag * (1.0 - (-t / lag).exp()))
                } else {
                    // After the cut the heater's share decays: what is left in it is still to come.
                    let left = lag * (1.0 - (-cut / lag).exp());
                    rate * (cut - left * (-(t - cut) / lag).exp())
                }
            };
            let (mut low, mut high) = (0.0, 1_000.0);
            while high - low > 1e-9 {
                let middle = f64::midpoint(low, high);
                if at(middle) < target - NEAR - 20.0 {
                    low = middle;
                } else {
                    high = middle;
                }
            }
            let found = time_s(&start, target, None).unwrap();
            // The cut is found to a step; the site crosses at `rate q`, later by less than a few steps.
            assert!((found - low).abs() < 0.4, "{found} s, closed form {low} s");
            assert!(found >= low - 1e-6, "{found} s is sooner than possible, {low} s");
        }
    }

    /// Without a lag the bound is the plain step response of first order: `t = tau ln((K - dT0) / (K - dT))`.
    #[test]
    fn a_plant_of_first_order_has_the_bound_of_its_step_response() {
        #[derive(Clone)]
        struct First(f64);
        impl Heated for First {
            fn advance(&mut self, dt: f64, heat: f64) {
                let end = 20.0 + 250.0 * heat;
                self.0 = end + (self.0 - end) * (-dt / 200.0).exp();
            }
            fn celsius(&self) -> f64 {
                self.0
            }
        }
        let found = time_s(&First(20.0), 120.0, None).unwrap();
        let exact = 200.0 * (250.0_f64 / (250.0 - 99.0)).ln();
        assert!((found - exact).abs() < 0.01, "{found} s, closed form {exact} s");
        assert_eq!(time_s(&First(20.0), 300.0, None), None, "out of reach");
        assert_eq!(time_s(&First(119.5), 120.0, None), None, "there already");
        assert_eq!(
            time_s(&First(20.0), 120.0, Some(0.5)),
            Some(198.0),
            "the ramp's limit counts"
        );
    }
}
