//! First order plus dead time: a step response in three numbers, and what a PI controller takes from them.

use benchward_driver_simulated::Reading;

use crate::family::Plant;

/// `y = gain u (1 - exp(-(t - dead) / tau))` for `t > dead`, else 0.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fopdt {
    /// Units of the reading for full power.
    pub gain: f64,
    /// Time constant, seconds.
    pub tau_s: f64,
    /// Dead time, seconds.
    pub dead_s: f64,
}

/// Bounds of the search: tau in seconds. A test of four minutes can't tell longer ones apart.
const TAU_S: (f64, f64) = (1.0, 3_000.0);

impl Fopdt {
    /// The response to a step of `step` at time 0.
    pub fn response(&self, step: f64, time_s: f64) -> f64 {
        if time_s <= self.dead_s {
            0.0
        } else {
            self.gain * step * (1.0 - (-(time_s - self.dead_s) / self.tau_s).exp())
        }
    }

    /// Fits time and response, by least squares. For given tau and dead time the gain is linear and solved for; the two are
    /// searched on a grid in which each round closes in on the best. `None`: fewer than three points, or none moved.
    pub fn fit(step: f64, points: &[(f64, f64)]) -> Option<Self> {
        if points.len() < 3 {
            return None;
        }
        let last = points.iter().map(|(time, _)| *time).fold(0.0, f64::max);
        let trial = |log_tau: f64, dead_s: f64| {
            let unit = Fopdt {
                gain: 1.0,
                tau_s: log_tau.exp(),
                dead_s,
            };
            let (mut xy, mut xx, mut yy) = (0.0, 0.0, 0.0);
            for (time, y) in points {
                let x = unit.response(step, *time);
                xy += x * y;
                xx += x * x;
                yy += y * y;
            }
            let gain = if xx > 0.0 { xy / xx } else { 0.0 };
            (yy - gain * xy, Fopdt { gain, ..unit })
        };
        let (low, high) = (TAU_S.0.ln(), TAU_S.1.ln());
        let (mut tau_at, mut tau_by) = (f64::midpoint(low, high), (high - low) / 2.0);
        let (mut dead_at, mut dead_by) = (last / 4.0, last / 4.0);
        let mut best = trial(tau_at, dead_at);
        for _ in 0..60 {
            let (tau_from, dead_from) = (tau_at, dead_at);
            for i in -8..=8 {
                for j in -8..=8 {
                    let log_tau = (tau_from + tau_by * f64::from(i) / 8.0).clamp(low, high);
                    let dead = (dead_from + dead_by * f64::from(j) / 8.0).clamp(0.0, last);
                    let found = trial(log_tau, dead);
                    if found.0 < best.0 {
                        (best, tau_at, dead_at) = (found, log_tau, dead);
                    }
                }
            }
            // Slowly, since tau and dead time pull on each other along a narrow valley.
            (tau_by, dead_by) = (tau_by * 0.75, dead_by * 0.75);
        }
        (best.1.gain > 0.0).then_some(best.1)
    }

    /// Each number's median over many fits.
    pub fn median(fits: &[Self]) -> Option<Self> {
        let middle = |of: fn(&Self) -> f64| {
            let values: Vec<f64> = fits.iter().map(of).collect();
            crate::figures::percentile(&values, 50.0)
        };
        Some(Self {
            gain: middle(|f| f.gain)?,
            tau_s: middle(|f| f.tau_s)?,
            dead_s: middle(|f| f.dead_s)?,
        })
    }
}

/// Share of full power of the step test, where it stops, and after how long at the latest.
const TEST: (f64, f64, f64) = (0.4, 110.0, 240.0);

/// A step test on a cold bench: 40 % until the reading is at 110 °C or for four minutes, and the fit to it.
pub fn of_bench(plant: &Plant) -> Option<Fopdt> {
    let (heat, stop_celsius, stop_s) = TEST;
    let mut bench = plant.bench();
    let mut read = || match bench.readings().first() {
        Some((_, Reading::Celsius(celsius))) => Some(*celsius),
        _ => None,
    };
    let before: Vec<f64> = (0..8).filter_map(|_| read()).collect();
    let start = before.iter().sum::<f64>() / 8.0;
    let mut points = Vec::new();
    let mut time = 0.0;
    while time < stop_s {
        bench.advance(0.5, heat);
        time += 0.5;
        if let Some((_, Reading::Celsius(celsius))) = bench.readings().first() {
            points.push((time, celsius - start));
            if *celsius >= stop_celsius {
                break;
            }
        }
    }
    Fopdt::fit(heat, &points)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn computed() -> Vec<[f64; 6]> {
        include_str!("../data/fopdt_points.csv")
            .lines()
            .skip(1)
            .map(|line| {
                let numbers: Vec<f64> = line.split(',').map(|number| number.parse().unwrap()).collect();
                numbers.try_into().unwrap()
            })
            .collect()
    }

    #[test]
    fn the_response_is_the_computed_one() {
        for [gain, tau_s, dead_s, step, time, response] in computed() {
            let model = Fopdt { gain, tau_s, dead_s };
            assert!((model.response(step, time) - response).abs() < 1e-6);
        }
    }

    #[test]
    fn a_fit_finds_the_numbers_that_made_the_points() {
        let all = computed();
        for case in all.chunk_by(|a, b| a[..4] == b[..4]) {
            let [gain, tau_s, dead_s, step, ..] = case[0];
            let points: Vec<(f64, f64)> = case.iter().map(|row| (row[4], row[5])).collect();
            let fit = Fopdt::fit(step, &points).unwrap();
            assert!((fit.gain / gain - 1.0).abs() < 1e-3, "{fit:?}, made with {gain}");
            assert!(
                (fit.tau_s / tau_s - 1.0).abs() < 1e-2,
                "{fit:?}, made with {tau_s}"
            );
            assert!((fit.dead_s - dead_s).abs() < 0.1, "{fit:?}, made with {dead_s}");
        }
    }

    #[test]
    fn nothing_that_moves_has_no_fit() {
        let still: Vec<(f64, f64)> = (0..100).map(|n| (f64::from(n), 0.0)).collect();
        assert_eq!(Fopdt::fit(0.4, &still), None);
        assert_eq!(Fopdt::fit(0.4, &[(1.0, 1.0)]), None);
    }
}
