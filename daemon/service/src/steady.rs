//! Whether the readings of a channel stand still, so that their mean means something.

use benchward_archive::Value;

/// Fewer readings say nothing about their spread.
const READINGS_MIN: usize = 8;

/// Largest standard deviation of readings that count as steady, °C: ten times a good input's noise. Common practice, no
/// source.
const SD_MAX: f64 = 0.5;

/// Furthest that readings may go in one direction meanwhile, °C. A bead that is still warming up or cooling down is not at
/// the reference's temperature. Common practice, no source.
const DRIFT_MAX: f64 = 0.3;

/// Readings that stand still.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Steady {
    /// Their mean, °C.
    pub(crate) mean: f64,
    /// Their standard deviation, °C.
    pub(crate) sd: f64,
    /// How many.
    pub(crate) readings: u32,
    /// From the first to the last, seconds.
    pub(crate) over_s: f64,
}

/// Whether the readings of a channel stand still: moment (ms) and value, oldest first.
///
/// # Errors
/// In words: too few, faulty, or still moving, with the figures and their bounds.
pub(crate) fn steady(readings: &[(u64, Value)]) -> Result<Steady, String> {
    let faults: Vec<Value> = readings
        .iter()
        .map(|(_, value)| *value)
        .filter(|value| matches!(value, Value::Fault(_) | Value::Stale))
        .collect();
    if let Some(fault) = faults.last() {
        return Err(format!(
            "{} of {} readings are faults, the last one `{}`",
            faults.len(),
            readings.len(),
            fault.quality()
        ));
    }
    let good: Vec<(f64, f64)> = readings
        .iter()
        .filter_map(|(at, value)| Some((seconds(at.saturating_sub(readings[0].0)), value.celsius()?)))
        .collect();
    if good.len() < READINGS_MIN {
        return Err(format!(
            "there are {} readings, and it takes {READINGS_MIN} at least: look at more seconds",
            good.len()
        ));
    }
    let number = u32::try_from(good.len()).unwrap_or(u32::MAX);
    let count = f64::from(number);
    let mean = |of: fn(&(f64, f64)) -> f64| good.iter().map(of).sum::<f64>() / count;
    let (middle, celsius) = (mean(|(at, _)| *at), mean(|(_, celsius)| *celsius));
    let sum = |of: &dyn Fn(f64, f64) -> f64| {
        good.iter()
            .map(|(at, value)| of(at - middle, value - celsius))
            .sum::<f64>()
    };
    let sd = (sum(&|_, value| value * value) / (count - 1.0)).sqrt();
    let over_s = good.last().map_or(0.0, |(last, _)| last - good[0].0);
    let squares = sum(&|at, _| at * at);
    // The straight line that fits best, over the whole time.
    let drift = if squares > 0.0 {
        sum(&|at, value| at * value) / squares * over_s
    } else {
        0.0
    };
    if drift.abs() > DRIFT_MAX {
        return Err(format!(
            "it reads {celsius:.2} °C and moved by {drift:+.2} °C in {over_s:.1} s, limit {DRIFT_MAX} °C: wait until it stands still"
        ));
    }
    if sd > SD_MAX {
        return Err(format!(
            "it reads {celsius:.2} °C with a standard deviation of {sd:.2} °C, limit {SD_MAX} °C: find out what disturbs it"
        ));
    }
    Ok(Steady {
        mean: celsius,
        sd,
        readings: number,
        over_s,
    })
}

#[expect(
    clippy::cast_precision_loss,
    reason = "spans of minutes are far below 2^52 ms"
)]
fn seconds(ms: u64) -> f64 {
    ms as f64 / 1000.0
}

#[cfg(test)]
mod tests {
    use benchward_archive::FaultKind;

    use super::*;

    /// `count` readings at 10 Hz, by their number.
    fn at_10_hz(count: u32, celsius: impl Fn(f64) -> f64) -> Vec<(u64, Value)> {
        (0..count)
            .map(|n| (5_000 + u64::from(n) * 100, Value::Celsius(celsius(f64::from(n)))))
            .collect()
    }

    /// A noise of +-0.1 °C that changes its sign each time: standard deviation 0.1 °C (a hundred of them: 0.1005).
    fn noise(n: f64) -> f64 {
        if n % 2.0 == 0.0 { 0.1 } else { -0.1 }
    }

    #[test]
    fn mean_and_standard_deviation_are_those_of_the_readings() {
        let steady = steady(&at_10_hz(100, |n| 0.42 + noise(n))).expect("steady");
        assert!((steady.mean - 0.42).abs() < 1e-9, "{steady:?}");
        assert!(
            (steady.sd - 0.1 * (100.0_f64 / 99.0).sqrt()).abs() < 1e-9,
            "{steady:?}"
        );
        assert_eq!(steady.readings, 100);
        assert!((steady.over_s - 9.9).abs() < 1e-9, "{steady:?}");
    }

    #[test]
    fn what_moves_is_refused_with_how_far() {
        // 0.05 °C/s over 9.9 s are 0.495 °C; 0.02 °C/s are 0.198 °C.
        let text = steady(&at_10_hz(100, |n| 20.0 - 0.005 * n)).unwrap_err();
        assert!(
            text.contains("moved by -0.49 °C") || text.contains("moved by -0.50 °C"),
            "{text}"
        );
        assert!(steady(&at_10_hz(100, |n| 20.0 + 0.002 * n)).is_ok());
    }

    #[test]
    fn what_flutters_is_refused_with_its_standard_deviation() {
        let text = steady(&at_10_hz(100, |n| 20.0 + 6.0 * noise(n))).unwrap_err();
        assert!(
            text.contains("standard deviation of 0.60 °C, limit 0.5 °C"),
            "{text}"
        );
    }

    #[test]
    fn one_fault_is_one_too_many_and_a_few_readings_are_too_few() {
        let mut readings = at_10_hz(100, |_| 0.4);
        readings[50].1 = Value::Fault(FaultKind::Open);
        assert_eq!(
            steady(&readings).unwrap_err(),
            "1 of 100 readings are faults, the last one `open`"
        );
        let text = steady(&at_10_hz(7, |_| 0.4)).unwrap_err();
        assert!(text.starts_with("there are 7 readings, and it takes 8"), "{text}");
        assert!(steady(&at_10_hz(8, |_| 0.4)).is_ok());
        assert!(steady(&[]).is_err());
        // Scans that didn't hold this channel are neither.
        readings[50].1 = Value::Absent;
        assert_eq!(steady(&readings).expect("steady").readings, 99);
    }
}
