//! Supplies: what stations on one circuit may draw together.
//!
//! Each loop a station gets what the others on its supply leave. Who asks first in a scan keeps what it
//! was granted until its next scan; a station that ends its heat gives it back at once. The budget is
//! held in mean power.

use crate::id::StationId;
use crate::units::{Fraction, Watts};

/// The circuits of a lab, and what each station draws from its own.
#[derive(Debug, Clone)]
pub(crate) struct Supplies {
    budgets: Vec<Watts>,
    /// For each station: its supply, and the watts it was last granted.
    drawn: Vec<(Option<usize>, f64)>,
}

impl Supplies {
    pub(crate) fn new(budgets: Vec<Watts>, stations: Vec<Option<usize>>) -> Self {
        Self {
            budgets,
            drawn: stations.into_iter().map(|supply| (supply, 0.0)).collect(),
        }
    }

    /// The share of `rated` that `station` may have of the `asked` share, and books it.
    pub(crate) fn share(&mut self, station: StationId, rated: Watts, asked: Fraction) -> Fraction {
        let Some((Some(supply), _)) = self.drawn.get(station.index()).copied() else {
            return asked;
        };
        let Some(budget) = self.budgets.get(supply) else {
            return Fraction::ZERO;
        };
        let others: f64 = self
            .drawn
            .iter()
            .enumerate()
            .filter(|(other, (on, _))| *other != station.index() && *on == Some(supply))
            .map(|(_, (_, watts))| watts)
            .sum();
        let left = (budget.watts() - others).max(0.0);
        let given = if rated.watts() > 0.0 {
            Fraction::clamped((left / rated.watts()).min(asked.share()))
        } else {
            asked
        };
        self.book(station, given.share() * rated.watts());
        given
    }

    /// The station draws nothing any more.
    pub(crate) fn release(&mut self, station: StationId) {
        self.book(station, 0.0);
    }

    /// Whether the station is on a supply at all.
    pub(crate) fn shared(&self, station: StationId) -> bool {
        self.drawn
            .get(station.index())
            .is_some_and(|(supply, _)| supply.is_some())
    }

    fn book(&mut self, station: StationId, watts: f64) {
        if let Some((_, drawn)) = self.drawn.get_mut(station.index()) {
            *drawn = watts;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 15 A at 120 V with the 80 % rule: 1440 W (NEC 210.20(A), as commonly applied).
    #[test]
    fn together_they_stay_inside() {
        let watts = |w| Watts::new(w).unwrap();
        let budget = watts(120.0 * 15.0 * 0.8);
        let mut supplies = Supplies::new(vec![budget], vec![Some(0), Some(0), None]);
        let first = supplies.share(StationId(0), watts(800.0), Fraction::ONE);
        let second = supplies.share(StationId(1), watts(800.0), Fraction::ONE);
        assert_eq!(first, Fraction::ONE);
        assert!((second.share() - 0.8).abs() < 1e-12);
        assert_eq!(
            supplies.share(StationId(2), watts(5000.0), Fraction::ONE),
            Fraction::ONE
        );
        supplies.release(StationId(0));
        assert_eq!(
            supplies.share(StationId(1), watts(800.0), Fraction::ONE),
            Fraction::ONE
        );
    }
}
