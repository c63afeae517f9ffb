//! Percentiles.

/// The value below which `percent` of the values lie, between neighbours in proportion; `None` without values.
/// Values that are not numbers are a mistake of the caller and sort last.
pub fn percentile(values: &[f64], percent: f64) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let last = sorted.len().checked_sub(1)?;
    let place = percent / 100.0 * f64::from(u32::try_from(last).ok()?);
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a place in the list, between 0 and its length"
    )]
    let below = (place.floor().max(0.0) as usize).min(last);
    let above = (below + 1).min(last);
    Some(sorted[below] + (sorted[above] - sorted[below]) * place.fract())
}

/// The largest; `None` without values.
pub fn largest(values: &[f64]) -> Option<f64> {
    values.iter().copied().reduce(f64::max)
}

/// A number of things, to reckon with.
pub fn count(things: usize) -> f64 {
    f64::from(u32::try_from(things).unwrap_or(u32::MAX))
}

/// A figure with two decimals, or a dash.
pub fn shown(value: Option<f64>) -> String {
    value.map_or_else(|| "-".to_owned(), |value| format!("{value:.2}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn percentiles_lie_between_neighbours() {
        let values = [5.0, 1.0, 3.0, 2.0, 4.0];
        assert_eq!(percentile(&values, 0.0), Some(1.0));
        assert_eq!(percentile(&values, 50.0), Some(3.0));
        assert_eq!(percentile(&values, 100.0), Some(5.0));
        let p95 = percentile(&values, 95.0).unwrap();
        assert!((p95 - 4.8).abs() < 1e-12, "{p95}");
        assert_eq!(percentile(&[], 50.0), None);
        assert_eq!(largest(&values), Some(5.0));
    }
}
