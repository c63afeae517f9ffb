//! Control loops to compare the product's with.

use crate::fopdt::Fopdt;

/// What a loop is told at each scan.
#[derive(Debug, Clone, Copy)]
pub struct Asked {
    /// Seconds since the scan before.
    pub dt_s: f64,
    /// The control channel's reading.
    pub celsius: f64,
    /// Target of the stage.
    pub target: f64,
    /// Limit of the ramp, °C/s.
    pub ramp_max: Option<f64>,
}

/// A control loop.
pub trait Method: Send {
    /// A stage begins at this reading.
    fn begin_stage(&mut self, celsius: f64);
    /// Share of full power; whatever is outside 0 to 1 is clamped by the caller.
    fn heat(&mut self, asked: Asked) -> f64;
}

/// A PI controller with back-calculation against wind-up. A limited ramp is a moving set point.
///
/// Tuned by SIMC with the closed loop's time constant at the dead time: `Kc = tau / (K 2 dead)`, `Ti = min(tau, 8 dead)`
/// (Skogestad, *Simple analytic rules for model reduction and PID controller tuning*, 2003). The tracking time is half of Ti
/// and not below 4 s (the form: Astrom and Hagglund, *Advanced PID Control*, 2006). Both from memory.
#[derive(Debug, Clone)]
pub struct Pi {
    gain: f64,
    integral_s: f64,
    tracking_s: f64,
    integral: f64,
    reference: f64,
}

/// A dead time is never taken for shorter than this: two scans of a slow bench.
const DEAD_MIN_S: f64 = 1.0;

impl Pi {
    /// Tuned for a plant.
    pub fn simc(plant: Fopdt) -> Self {
        let dead_s = plant.dead_s.max(DEAD_MIN_S);
        let closed_s = dead_s;
        let integral_s = plant.tau_s.min(4.0 * (closed_s + dead_s));
        Self {
            gain: plant.tau_s / (plant.gain * (closed_s + dead_s)),
            integral_s,
            tracking_s: (integral_s / 2.0).max(4.0),
            integral: 0.0,
            reference: 0.0,
        }
    }
}

impl Method for Pi {
    fn begin_stage(&mut self, celsius: f64) {
        self.reference = celsius;
    }

    fn heat(&mut self, asked: Asked) -> f64 {
        self.reference = match asked.ramp_max {
            Some(rate) => (self.reference + rate * asked.dt_s).min(asked.target),
            None => asked.target,
        };
        let error = self.reference - asked.celsius;
        let wanted = self.gain * error + self.integral;
        let given = wanted.clamp(0.0, 1.0);
        self.integral +=
            asked.dt_s * (self.gain / self.integral_s * error + (given - wanted) / self.tracking_s);
        given
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const PLANT: Fopdt = Fopdt {
        gain: 250.0,
        tau_s: 200.0,
        dead_s: 10.0,
    };

    #[test]
    fn simc_gives_the_gains_of_its_rules() {
        let pi = Pi::simc(PLANT);
        assert!((pi.gain - 200.0 / (250.0 * 20.0)).abs() < 1e-12);
        assert!((pi.integral_s - 80.0).abs() < 1e-12);
        let quick = Pi::simc(Fopdt { tau_s: 30.0, ..PLANT });
        assert!((quick.integral_s - 30.0).abs() < 1e-12);
    }

    #[test]
    fn it_settles_its_own_plant_without_an_offset() {
        // First order without dead time is easier than what it was tuned for.
        let (mut pi, mut celsius) = (Pi::simc(PLANT), 20.0);
        pi.begin_stage(celsius);
        for _ in 0..20_000 {
            let heat = pi.heat(Asked {
                dt_s: 0.1,
                celsius,
                target: 120.0,
                ramp_max: None,
            });
            celsius += 0.1 / 200.0 * (20.0 + 250.0 * heat - celsius);
        }
        assert!((celsius - 120.0).abs() < 0.01, "{celsius} °C");
    }

    #[test]
    fn a_saturated_loop_does_not_wind_up() {
        let mut pi = Pi::simc(PLANT);
        pi.begin_stage(20.0);
        let asked = |celsius| Asked {
            dt_s: 0.1,
            celsius,
            target: 300.0,
            ramp_max: None,
        };
        for _ in 0..100_000 {
            pi.heat(asked(20.0));
        }
        // Tracking holds the integral where the output is only just full, up to what the error adds in one tracking time.
        let wanted = pi.gain * 280.0 + pi.integral;
        assert!(
            wanted < 1.0 + pi.gain * 280.0 * pi.tracking_s / pi.integral_s + 1e-6,
            "{wanted}"
        );
    }
}
