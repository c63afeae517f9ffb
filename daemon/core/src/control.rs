//! Control: how much heat the station asks for.
//!
//! A PI loop on the *predicted* temperature with conditional integration. The prediction is the approach
//! cut-back: a heater stores heat, and the board goes on rising for a while after the power is gone, about as
//! far as its present slope carries it in [`LEAD`]. So the loop steers where the board will be, not where it is.
//!
//! Source of the form: Astrom and Hagglund, *Advanced PID Control* (2006), PI with derivative on the
//! measurement only and conditional integration against wind-up; from memory.

use crate::units::{Celsius, CelsiusPerSecond, Fraction, Millis};

/// How far ahead the slope is carried, seconds: what a ceramic or a thin plate heater still gives off.
const LEAD_S: f64 = 14.0;
/// Full power for an error of 17 °C in the predicted temperature.
const GAIN_PER_CELSIUS: f64 = 0.06;
/// Integral time, seconds: about the slowest board's own time constant at small power.
const INTEGRAL_S: f64 = 60.0;
/// Smoothing of the slope, seconds: a slope of single readings is mostly noise.
const SLOPE_S: f64 = 2.5;
/// The integral works within this many degrees of the reference only; farther off, full power or none is
/// right and there is nothing to learn.
const INTEGRAL_WITHIN: f64 = 20.0;
/// How far a ramp's reference may run ahead of the board: if it falls behind, it must not have to catch up.
const REFERENCE_AHEAD: f64 = 8.0;

/// The loop of one run.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Controller {
    last: Option<Last>,
    /// Degrees a second, smoothed.
    slope: f64,
    /// Share of full power that holds the board where it is.
    integral: f64,
    /// The ramp's moving target.
    reference: Option<f64>,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Last {
    at: Millis,
    celsius: f64,
}

impl Controller {
    /// A new stage or a resumed run: the ramp starts at the board's own temperature again.
    pub(crate) fn begin_stage(&mut self) {
        self.reference = None;
    }

    /// Heat to ask for now.
    ///
    /// `hold_back`: heat has to be zero this time, without a trip; the loop goes on watching.
    pub(crate) fn step(
        &mut self,
        now: Millis,
        celsius: Celsius,
        target: Celsius,
        ramp_max: Option<CelsiusPerSecond>,
        hold_back: bool,
    ) -> Fraction {
        let (now_at, value, target) = (now, celsius.degrees(), target.degrees());
        let dt = self.last.map_or(0.0, |last| now_at.since(last.at).seconds());
        if let Some(last) = self.last
            && dt > 0.0
        {
            let raw = (value - last.celsius) / dt;
            self.slope += (raw - self.slope) * dt / (SLOPE_S + dt);
        }
        self.last = Some(Last {
            at: now_at,
            celsius: value,
        });

        let aim = self.aim(dt, value, target, ramp_max);
        let error = aim - (value + self.slope * LEAD_S);
        let wanted = GAIN_PER_CELSIUS * error + self.integral;
        if hold_back {
            return Fraction::ZERO;
        }
        // Conditional integration: not while the output is at its end and the error would drive it farther.
        let winds_up = (wanted >= 1.0 && error > 0.0) || (wanted <= 0.0 && error < 0.0);
        if !winds_up && error.abs() < INTEGRAL_WITHIN {
            self.integral = (self.integral + GAIN_PER_CELSIUS * error * dt / INTEGRAL_S).clamp(0.0, 1.0);
        }
        Fraction::clamped(wanted)
    }

    /// Where the board should be [`LEAD_S`] from now.
    fn aim(&mut self, dt: f64, value: f64, target: f64, ramp_max: Option<CelsiusPerSecond>) -> f64 {
        let Some(rate) = ramp_max.map(CelsiusPerSecond::per_second) else {
            return target;
        };
        let before = self.reference.unwrap_or(value);
        let moved = if target >= before {
            (before + rate * dt).min(target).min(value + REFERENCE_AHEAD)
        } else {
            (before - rate * dt).max(target)
        };
        // A reference that was held back by a slow board never goes down again because of it.
        let reference = if target >= before {
            moved.max(before.min(target))
        } else {
            moved
        };
        self.reference = Some(reference);
        if target >= reference {
            (reference + rate * LEAD_S).min(target)
        } else {
            (reference - rate * LEAD_S).max(target)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn c(degrees: f64) -> Celsius {
        Celsius::new(degrees).unwrap()
    }

    #[test]
    fn far_below_it_asks_for_all_and_above_for_nothing() {
        let mut controller = Controller::default();
        assert_eq!(
            controller.step(Millis(0), c(25.0), c(150.0), None, false),
            Fraction::ONE
        );
        assert_eq!(
            controller.step(Millis(100), c(160.0), c(150.0), None, false),
            Fraction::ZERO
        );
    }

    #[test]
    fn it_cuts_back_before_the_target() {
        let mut controller = Controller::default();
        let mut heat = Fraction::ONE;
        for second in 0..20 {
            let rising = 60.0 + 2.0 * f64::from(second);
            heat = controller.step(
                Millis(u64::try_from(second).unwrap() * 1000),
                c(rising),
                c(110.0),
                None,
                false,
            );
        }
        assert_eq!(
            heat,
            Fraction::ZERO,
            "98 °C and rising 2 °C/s is on its way past 110 °C"
        );
    }

    #[test]
    fn it_holds_back_when_told() {
        let mut controller = Controller::default();
        assert_eq!(
            controller.step(Millis(0), c(25.0), c(150.0), None, true),
            Fraction::ZERO
        );
    }

    #[test]
    fn the_integral_does_not_wind_up_while_saturated() {
        let mut controller = Controller::default();
        for second in 0..600 {
            controller.step(Millis(second * 1000), c(25.0), c(150.0), None, false);
        }
        assert!(controller.integral.abs() < 1e-12);
    }
}
