//! Control charts and capability of one figure over many runs, oldest first.
//!
//! Individuals and moving range, since each run gives one value. Sources: NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.2
//! (individuals control charts), 6.3.2.4 (EWMA), 6.1.6 (capability), 6.3.2 (run rules, after the Western Electric Statistical
//! Quality Control Handbook). Worked examples are in the tests.

use benchward_core::window::Limits;

/// d2 for two values: the mean of |a - b| of two normal values, in standard deviations. 2/√π; printed as 1.128.
pub const D2: f64 = std::f64::consts::FRAC_2_SQRT_PI;

/// D4 for two values, 1 + 3 d3/d2 with d3 = √(2 - 4/π): where moving ranges are too large, in mean moving ranges. Printed as 3.267.
pub const D4: f64 = 3.266_531_919_288_601;

/// Weight of the newest value in an EWMA. The handbook's worked example has 0.3 and recommends 0.2 to 0.3.
pub const EWMA_WEIGHT: f64 = 0.3;

/// Fewest values of which a chart is drawn: fewer have no moving range. Limits from fewer than about 20 are rough.
pub const VALUES_MIN: usize = 2;

/// An individuals and moving-range chart.
#[derive(Debug, Clone, PartialEq)]
pub struct Individuals {
    /// Centre line.
    pub mean: f64,
    /// Mean of the differences between neighbours.
    pub mean_moving_range: f64,
    /// Short-term standard deviation, mean moving range / [`D2`].
    pub sigma: f64,
    /// Standard deviation of all values (n - 1).
    pub deviation: f64,
    /// Mean - 3 sigma.
    pub low: f64,
    /// Mean + 3 sigma.
    pub high: f64,
    /// Upper limit of moving ranges; the lower one is 0.
    pub moving_range_high: f64,
    /// Differences between neighbours, one fewer than values.
    pub moving_ranges: Vec<f64>,
}

/// How well a figure fits between its limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Capability {
    /// Width over 6 standard deviations; `None` with one limit.
    pub potential: Option<f64>,
    /// Distance of the mean to the nearer limit over 3 standard deviations.
    pub centred: f64,
}

/// A rule that says that a process has changed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Rule {
    /// A value beyond 3 sigma.
    BeyondThreeSigma,
    /// Two of three in a row beyond 2 sigma on one side.
    TwoOfThree,
    /// Four of five in a row beyond 1 sigma on one side.
    FourOfFive,
    /// Eight in a row on one side of the mean.
    EightOnOneSide,
    /// Six in a row rising, or falling.
    SixTrending,
    /// The exponentially weighted mean is outside its limits: a small, lasting shift.
    WeightedMean,
}

/// A rule that was met.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Signal {
    /// Which.
    pub rule: Rule,
    /// Place of the value that met it, counted from 0.
    pub at: usize,
    /// Whether it points up.
    pub up: bool,
}

/// An exponentially weighted moving average.
#[derive(Debug, Clone, PartialEq)]
pub struct Weighted {
    /// One per value.
    pub series: Vec<f64>,
    /// Lower limit, that of many values.
    pub low: f64,
    /// Upper limit.
    pub high: f64,
}

/// Charts `values`, oldest first. `None` below [`VALUES_MIN`] or where one isn't finite.
pub fn individuals(values: &[f64]) -> Option<Individuals> {
    if values.len() < VALUES_MIN || values.iter().any(|value| !value.is_finite()) {
        return None;
    }
    let mean = mean(values);
    let moving_ranges: Vec<f64> = values.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
    let mean_moving_range = self::mean(&moving_ranges);
    let sigma = mean_moving_range / D2;
    Some(Individuals {
        mean,
        mean_moving_range,
        sigma,
        deviation: deviation(values, mean),
        low: mean - 3.0 * sigma,
        high: mean + 3.0 * sigma,
        moving_range_high: D4 * mean_moving_range,
        moving_ranges,
    })
}

#[expect(clippy::cast_precision_loss, reason = "there are far fewer runs than 2^52")]
fn count(values: &[f64]) -> f64 {
    values.len() as f64
}

/// Summed from the first value on, so that many large values with small differences keep their digits.
fn mean(values: &[f64]) -> f64 {
    let first = values.first().copied().unwrap_or_default();
    first + values.iter().map(|value| value - first).sum::<f64>() / count(values)
}

fn deviation(values: &[f64], mean: f64) -> f64 {
    let squares: f64 = values.iter().map(|value| (value - mean) * (value - mean)).sum();
    (squares / (count(values) - 1.0)).sqrt()
}

/// Cp and Cpk with a short-term standard deviation, Pp and Ppk with that of all values. `None` where nothing varies: then every
/// share of it is infinite.
pub fn capability(limits: Limits, mean: f64, deviation: f64) -> Option<Capability> {
    if !(deviation > 0.0 && mean.is_finite() && deviation.is_finite()) {
        return None;
    }
    let upper = limits.high().map(|high| (high - mean) / (3.0 * deviation));
    let lower = limits.low().map(|low| (mean - low) / (3.0 * deviation));
    let centred = match (lower, upper) {
        (Some(lower), Some(upper)) => lower.min(upper),
        (Some(one), None) | (None, Some(one)) => one,
        (None, None) => return None,
    };
    let potential = match (limits.low(), limits.high()) {
        (Some(low), Some(high)) => Some((high - low) / (6.0 * deviation)),
        _ => None,
    };
    Some(Capability { potential, centred })
}

/// The EWMA of `values` around `target`, with limits at `factor` standard deviations of what it varies in the long run.
pub fn weighted(values: &[f64], target: f64, sigma: f64, weight: f64, factor: f64) -> Weighted {
    let mut newest = target;
    let series = values
        .iter()
        .map(|value| {
            newest = weight * value + (1.0 - weight) * newest;
            newest
        })
        .collect();
    let half = factor * sigma * (weight / (2.0 - weight)).sqrt();
    Weighted {
        series,
        low: target - half,
        high: target + half,
    }
}

impl Rule {
    /// All, in the order in which they are looked at.
    pub const ALL: [Self; 6] = [
        Self::BeyondThreeSigma,
        Self::TwoOfThree,
        Self::FourOfFive,
        Self::EightOnOneSide,
        Self::SixTrending,
        Self::WeightedMean,
    ];

    /// As JSON names it.
    pub const fn word(self) -> &'static str {
        match self {
            Self::BeyondThreeSigma => "beyond-3-sigma",
            Self::TwoOfThree => "2-of-3-beyond-2-sigma",
            Self::FourOfFive => "4-of-5-beyond-1-sigma",
            Self::EightOnOneSide => "8-on-one-side",
            Self::SixTrending => "6-in-a-row-trending",
            Self::WeightedMean => "weighted-mean",
        }
    }

    /// In words, with the direction.
    pub const fn words(self, up: bool) -> &'static str {
        match (self, up) {
            (Self::BeyondThreeSigma, true) => "above mean + 3 sigma",
            (Self::BeyondThreeSigma, false) => "below mean - 3 sigma",
            (Self::TwoOfThree, true) => "2 of 3 above mean + 2 sigma",
            (Self::TwoOfThree, false) => "2 of 3 below mean - 2 sigma",
            (Self::FourOfFive, true) => "4 of 5 above mean + 1 sigma",
            (Self::FourOfFive, false) => "4 of 5 below mean - 1 sigma",
            (Self::EightOnOneSide, true) => "8 in a row above the mean",
            (Self::EightOnOneSide, false) => "8 in a row below the mean",
            (Self::SixTrending, true) => "6 in a row rising",
            (Self::SixTrending, false) => "6 in a row falling",
            (Self::WeightedMean, true) => "the weighted mean has drifted up",
            (Self::WeightedMean, false) => "the weighted mean has drifted down",
        }
    }
}

/// Every value at which a rule is met, in the order of the values. A rule that stays met is said at each value. Nothing where
/// nothing varies.
pub fn signals(values: &[f64], chart: &Individuals) -> Vec<Signal> {
    if chart.sigma <= 0.0 {
        return Vec::new();
    }
    let z: Vec<f64> = values
        .iter()
        .map(|value| (value - chart.mean) / chart.sigma)
        .collect();
    let weighted = weighted(values, chart.mean, chart.sigma, EWMA_WEIGHT, 3.0);
    let mut found = Vec::new();
    for at in 0..values.len() {
        // The newest `many` up to here, if there are as many.
        let newest = |many: usize| (at + 1).checked_sub(many).map(|from| &z[from..=at]);
        let of = |many: usize, needed: usize, beyond: f64, sign: f64| {
            newest(many).is_some_and(|z| {
                let beyond = |z: f64| sign * z > beyond;
                // The newest one has to be among them: else the rule was met before.
                beyond(z[many - 1]) && z.iter().filter(|&&z| beyond(z)).count() >= needed
            })
        };
        let trends =
            |sign: f64| newest(6).is_some_and(|z| z.windows(2).all(|pair| sign * (pair[1] - pair[0]) > 0.0));
        for up in [true, false] {
            let sign = if up { 1.0 } else { -1.0 };
            for rule in Rule::ALL {
                let met = match rule {
                    Rule::BeyondThreeSigma => of(1, 1, 3.0, sign),
                    Rule::TwoOfThree => of(3, 2, 2.0, sign),
                    Rule::FourOfFive => of(5, 4, 1.0, sign),
                    Rule::EightOnOneSide => of(8, 8, 0.0, sign),
                    Rule::SixTrending => trends(sign),
                    Rule::WeightedMean if up => weighted.series[at] > weighted.high,
                    Rule::WeightedMean => weighted.series[at] < weighted.low,
                };
                if met {
                    found.push(Signal { rule, at, up });
                }
            }
        }
    }
    found
}

#[cfg(test)]
mod tests;
