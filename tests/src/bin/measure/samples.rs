//! Samples as they are, and what is said of them.

use serde::Serialize;

/// Fewest samples for a share of them to be told apart: of 1,000, one is the slowest thousandth.
const FOR_P999: usize = 1_000;
const FOR_P99: usize = 100;

/// All samples of one kind, in ms.
#[derive(Debug, Clone, Default)]
pub(crate) struct Samples(Vec<f64>);

/// What the table shows of them. `None`: too few samples to say.
#[derive(Debug, Clone, Default, Serialize)]
pub(crate) struct Figures {
    pub(crate) n: usize,
    pub(crate) p50_ms: Option<f64>,
    pub(crate) p99_ms: Option<f64>,
    pub(crate) p999_ms: Option<f64>,
    pub(crate) max_ms: Option<f64>,
}

impl Samples {
    pub(crate) fn add(&mut self, more: impl IntoIterator<Item = f64>) {
        self.0.extend(more);
    }

    pub(crate) fn figures(mut self) -> Figures {
        self.0.sort_by(f64::total_cmp);
        let n = self.0.len();
        Figures {
            n,
            p50_ms: self.at_permille(500),
            p99_ms: self.at_permille(990).filter(|_| n >= FOR_P99),
            p999_ms: self.at_permille(999).filter(|_| n >= FOR_P999),
            max_ms: self.0.last().copied(),
        }
    }

    /// The smallest sample that so many thousandths of all samples don't exceed (nearest rank).
    fn at_permille(&self, permille: usize) -> Option<f64> {
        let rank = (self.0.len() * permille).div_ceil(1_000);
        self.0.get(rank.checked_sub(1)?).copied()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranks_are_the_nearest() {
        let mut samples = Samples::default();
        samples.add((1..=2_000).rev().map(f64::from));
        let figures = samples.figures();
        let shown = (figures.p50_ms, figures.p99_ms, figures.p999_ms, figures.max_ms);
        assert_eq!(
            shown,
            (Some(1_000.0), Some(1_980.0), Some(1_998.0), Some(2_000.0))
        );
    }

    #[test]
    fn few_samples_say_little() {
        let mut samples = Samples::default();
        samples.add([3.0, 1.0, 2.0]);
        let figures = samples.figures();
        assert_eq!(
            (figures.p50_ms, figures.p99_ms, figures.max_ms),
            (Some(2.0), None, Some(3.0))
        );
        assert_eq!(Samples::default().figures().p50_ms, None);
    }
}
