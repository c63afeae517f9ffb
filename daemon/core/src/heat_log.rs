//! How much heat a station had lately: what its drivers confirmed, over the last two minutes.
//!
//! Interlocks that ask whether a board does what the heat should make it do need the heat that was there, not what was
//! asked for: what the supply took away, what a driver refused and what lapsed with its permit is not in it.
//!
//! Held as one mean per half second. Between two looks the heat counts as what it was at the first; the station looks
//! at each scan and 20 times a second.

use std::collections::VecDeque;

use serde::{Deserialize, Serialize};

use crate::output::Output;
use crate::setup::OutputRole;
use crate::units::{Fraction, Millis};

/// Length of one mean.
const MEAN_OVER: Millis = Millis(500);

/// How far back it goes.
const KEPT: Millis = Millis::from_secs(128);

/// The heat of one half second, or of the part of it that has passed.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Cell {
    half: u64,
    /// Heat times time, share of full power times milliseconds.
    heat_ms: f64,
    ms: f64,
}

/// The heat of the last two minutes.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(crate) struct HeatLog {
    /// Kept as columns; see [`HeatLog::columns`].
    #[serde(skip)]
    cells: VecDeque<Cell>,
    /// When it was last looked at, and the heat from then on.
    last: Option<(Millis, Fraction)>,
    /// Since when there has been none for certain.
    zero_since: Option<Millis>,
}

impl HeatLog {
    /// Looks at the outputs. `granted`: what the station last granted and didn't take back.
    pub(crate) fn look(&mut self, now: Millis, granted: Fraction, outputs: &[Output]) {
        let heaters = || outputs.iter().filter(|output| output.role == OutputRole::Heat);
        let applied = heaters()
            .map(|output| output.applied)
            .fold(Fraction::ZERO, Fraction::max);
        // Nothing is granted, nothing is applied, and no heater owes an answer: it may have got an older command.
        let none =
            granted.is_zero() && applied.is_zero() && heaters().all(|output| output.waited(now).is_none());
        self.zero_since = none.then(|| self.zero_since.unwrap_or(now));
        self.note(now, applied);
    }

    /// From `now` on there is that much heat.
    fn note(&mut self, now: Millis, heat: Fraction) {
        if let Some((last, before)) = self.last.replace((now, heat)) {
            let mut from = last.max(Millis(now.0.saturating_sub(KEPT.0)));
            while from < now {
                let half = from.0 / MEAN_OVER.0;
                let to = Millis(now.0.min((half + 1) * MEAN_OVER.0));
                let ms = to.since(from).seconds() * 1000.0;
                match self.cells.back_mut() {
                    Some(cell) if cell.half == half => {
                        cell.ms += ms;
                        cell.heat_ms += ms * before.share();
                    }
                    Some(_) | None => self.cells.push_back(Cell {
                        half,
                        heat_ms: ms * before.share(),
                        ms,
                    }),
                }
                from = to;
            }
        }
        let oldest = (now.0 / MEAN_OVER.0).saturating_sub(KEPT.0 / MEAN_OVER.0);
        while self.cells.front().is_some_and(|cell| cell.half < oldest) {
            self.cells.pop_front();
        }
    }

    /// Mean heat of the whole half seconds from `from` to `to`, a share of full power. `None` where it was not looked
    /// at for nearly all of that time, and for less than a half second.
    pub(crate) fn mean(&self, from: Millis, to: Millis) -> Option<f64> {
        let (first, last) = (from.0 / MEAN_OVER.0, to.0 / MEAN_OVER.0);
        let (mut heat_ms, mut ms) = (0.0, 0.0);
        let begin = self.cells.partition_point(|cell| cell.half < first);
        for cell in self.cells.range(begin..).take_while(|cell| cell.half < last) {
            heat_ms += cell.heat_ms;
            ms += cell.ms;
        }
        let asked = (MEAN_OVER * last.saturating_sub(first)).seconds() * 1000.0;
        (ms > 0.0 && ms >= 0.95 * asked).then(|| heat_ms / ms)
    }

    /// What it remembers as columns of numbers: half second, heat times ms, ms. n values each.
    #[expect(
        clippy::cast_precision_loss,
        reason = "half seconds are exact far beyond any clock's age"
    )]
    pub(crate) fn columns(&self) -> [Vec<f64>; 3] {
        let column = |of: &dyn Fn(&Cell) -> f64| self.cells.iter().map(of).collect();
        [
            column(&|cell| cell.half as f64),
            column(&|cell| cell.heat_ms),
            column(&|cell| cell.ms),
        ]
    }

    /// Remembers what [`HeatLog::columns`] said; `None` if they are not three of one length.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a number that was cast the other way; any other saturates"
    )]
    pub(crate) fn recall(&mut self, columns: &[Vec<f64>]) -> Option<()> {
        let [half, heat_ms, ms] = columns else {
            return None;
        };
        if [heat_ms, ms].iter().any(|column| column.len() != half.len()) {
            return None;
        }
        self.cells = (0..half.len())
            .map(|i| Cell {
                half: half[i] as u64,
                heat_ms: heat_ms[i],
                ms: ms[i],
            })
            .collect();
        Some(())
    }

    /// Since when there has been no heat for certain: none granted, none applied, every command answered. `None`: there
    /// may be some.
    pub(crate) const fn zero_since(&self) -> Option<Millis> {
        self.zero_since
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::id::{InstanceId, OutputId, Seq};

    fn heater() -> Output {
        Output::new(OutputId(0), "heat1".into(), InstanceId(0), OutputRole::Heat)
    }

    /// Looks every 50 ms until `end` at a heater that has `heat`.
    fn looked(log: &mut HeatLog, from: u64, end: u64, heat: f64) {
        let mut output = heater();
        output.applied = Fraction::new(heat).unwrap();
        for now in (from..=end).step_by(50) {
            log.look(Millis(now), output.applied, std::slice::from_ref(&output));
        }
    }

    #[test]
    fn a_mean_is_over_its_time() {
        let mut log = HeatLog::default();
        looked(&mut log, 10_000, 20_000, 1.0);
        looked(&mut log, 20_050, 30_000, 0.2);
        let mean = |from, to| log.mean(Millis(from), Millis(to)).unwrap();
        assert!((mean(11_000, 19_000) - 1.0).abs() < 1e-9);
        assert!((mean(21_000, 29_000) - 0.2).abs() < 1e-9);
        assert!((mean(10_000, 30_000) - 0.6).abs() < 0.01);
        // Not looked at for all of it.
        assert_eq!(log.mean(Millis(5_000), Millis(20_000)), None);
    }

    #[test]
    fn two_minutes_are_kept() {
        let mut log = HeatLog::default();
        looked(&mut log, 0, 600_000, 0.5);
        assert_eq!(log.cells.len(), 256, "128 s of half seconds");
        assert!(log.mean(Millis(480_000), Millis(600_000)).is_some());
    }

    #[test]
    fn a_long_gap_counts_as_the_heat_before_it() {
        let mut log = HeatLog::default();
        looked(&mut log, 0, 1_000, 1.0);
        looked(&mut log, 900_000, 901_000, 0.0);
        assert!((log.mean(Millis(800_000), Millis(899_000)).unwrap() - 1.0).abs() < 1e-9);
        assert!(log.cells.len() <= 260, "{}", log.cells.len());
    }

    #[test]
    fn zero_is_what_is_granted_applied_and_answered() {
        let mut log = HeatLog::default();
        let mut output = heater();
        let look = |log: &mut HeatLog, now, granted: f64, output: &Output| {
            log.look(
                Millis(now),
                Fraction::new(granted).unwrap(),
                std::slice::from_ref(output),
            );
            log.zero_since()
        };
        assert_eq!(look(&mut log, 1_000, 0.0, &output), Some(Millis(1_000)));
        assert_eq!(look(&mut log, 2_000, 0.0, &output), Some(Millis(1_000)));
        assert_eq!(look(&mut log, 3_000, 0.1, &output), None);
        output.told(Seq(1), Millis(3_500));
        assert_eq!(look(&mut log, 4_000, 0.0, &output), None);
        output.take_answer(Seq(1));
        output.applied = Fraction::new(0.1).unwrap();
        assert_eq!(look(&mut log, 5_000, 0.0, &output), None);
        output.applied = Fraction::ZERO;
        assert_eq!(look(&mut log, 6_000, 0.0, &output), Some(Millis(6_000)));
    }

    #[test]
    fn columns_bring_back_what_they_were_made_of() {
        let mut log = HeatLog::default();
        looked(&mut log, 10_000, 20_000, 0.7);
        let mut again = HeatLog::default();
        assert_eq!(again.recall(&log.columns()), Some(()));
        assert_eq!(again.cells, log.cells);
        assert_eq!(again.recall(&log.columns()[..2]), None, "a column is missing");
        let mut uneven = log.columns();
        uneven[1].pop();
        assert_eq!(again.recall(&uneven), None, "a column is shorter");
    }
}
