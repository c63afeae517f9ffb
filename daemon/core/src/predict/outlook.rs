//! The outlook: a prediction that is kept current while a run goes on.
//!
//! It is made anew all the time from what the control believes now, a few steps of the model at each look, since it must
//! not cost a decision its time: 200 stations together spend a few hundredths of a CPU on it. A piece is at most
//! [`STEPS`] steps and one coast. What is shown is at most as old as one making takes, some ten seconds to a minute.

use std::sync::Arc;

use super::{Forecast, Prediction, Start};
use crate::recipe::Recipe;
use crate::units::Millis;

/// Time between two pieces.
const PIECE_EVERY: Millis = Millis(250);
/// Steps of the model in a piece.
const STEPS: usize = 400;
/// Least time between the beginnings of two predictions: nobody reads them faster.
const ANEW_EVERY: Millis = Millis::from_secs(10);
/// A prediction made under way is shown as long as that, even if no other could be made since.
const STANDS_FOR: Millis = Millis::from_secs(300);

/// A prediction with the moment that its times count from.
#[derive(Debug, Clone, PartialEq)]
pub struct Foretold {
    /// By the lab's clock.
    pub from: Millis,
    /// What is foretold.
    pub prediction: Arc<Prediction>,
}

/// The newest prediction of a run, and the next one in the making.
#[derive(Debug, Clone, Default)]
pub(crate) struct Outlook {
    kept: Option<Foretold>,
    making: Option<(Millis, Box<Forecast>)>,
    begun: Option<Millis>,
    worked: Option<Millis>,
}

impl Outlook {
    /// With what was foretold before the start.
    pub(crate) fn new(now: Millis, foretold: Option<Arc<Prediction>>) -> Self {
        Self {
            kept: foretold.map(|prediction| Foretold {
                from: now,
                prediction,
            }),
            ..Self::default()
        }
    }

    /// The run has gone on to another place: what is being made is of the one before.
    pub(crate) fn moved_on(&mut self) {
        self.making = None;
        self.begun = None;
    }

    /// Nothing that was foretold counts any more.
    pub(crate) fn forget(&mut self) {
        *self = Self::default();
    }

    pub(crate) fn foretold(&self) -> Option<&Foretold> {
        self.kept.as_ref()
    }

    /// Does a piece of the work, where one is due. `start`: where the run is and what is believed of its board; `None`
    /// where too little is.
    pub(crate) fn work(&mut self, now: Millis, recipe: &Recipe, start: impl FnOnce() -> Option<Start>) {
        if self.worked.is_some_and(|worked| now.since(worked) < PIECE_EVERY) {
            return;
        }
        self.worked = Some(now);
        if self
            .kept
            .as_ref()
            .is_some_and(|kept| now.since(kept.from) > STANDS_FOR)
        {
            self.kept = None;
        }
        if self.making.is_none() {
            if self.begun.is_some_and(|begun| now.since(begun) < ANEW_EVERY) {
                return;
            }
            self.begun = Some(now);
            self.making = start().map(|start| (now, Box::new(Forecast::new(start, recipe))));
        }
        if let Some((from, forecast)) = &mut self.making
            && let Some(prediction) = forecast.work(recipe, STEPS)
        {
            self.kept = Some(Foretold {
                from: *from,
                prediction: Arc::new(prediction),
            });
            self.making = None;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{Belief, BoardModel};

    fn start() -> Start {
        let belief = Belief::of_unknown_boards()[0];
        let model = BoardModel {
            board: "AX-20 backplane".into(),
            revision: 1,
            learned_from: 1,
            hottest: 100.0,
            belief: Belief {
                sd: belief.sd * 0.2,
                ..belief
            },
        };
        Start::at_rest(&model, 24.0, 1.0)
    }

    fn recipe() -> Recipe {
        Recipe::parse(
            "test",
            "recipe = \"AX-20 preheat\"\n[[stage]]\ntarget_celsius = 100\ndwell_s = 60\n",
        )
        .expect("it is right")
    }

    #[test]
    fn pieces_come_to_the_same_as_the_whole_and_none_is_large() {
        let (recipe, mut outlook) = (recipe(), Outlook::default());
        let mut now = Millis::from_secs(100);
        let mut pieces = 0;
        while outlook.foretold().is_none() {
            outlook.work(now, &recipe, || Some(start()));
            // Too early for another piece.
            let before = format!("{outlook:?}");
            outlook.work(now + Millis(100), &recipe, || Some(start()));
            assert_eq!(format!("{outlook:?}"), before);
            now = now + PIECE_EVERY;
            pieces += 1;
        }
        let whole = super::super::predict(&start(), &recipe);
        let kept = outlook.foretold().expect("it was waited for");
        assert_eq!((kept.from, &*kept.prediction), (Millis::from_secs(100), &whole));
        assert!((10..200).contains(&pieces), "{pieces} pieces");
    }

    #[test]
    fn the_next_one_is_begun_after_a_while_and_an_old_one_does_not_stand() {
        let (recipe, mut outlook) = (recipe(), Outlook::default());
        let mut began = Vec::new();
        for quarter in 0..480 {
            let now = Millis(250 * quarter);
            outlook.work(now, &recipe, || {
                began.push(now);
                Some(start())
            });
        }
        assert!(
            began.windows(2).all(|two| two[1].since(two[0]) >= ANEW_EVERY),
            "{began:?}"
        );
        assert!((2..=12).contains(&began.len()), "{began:?}");
        for quarter in 480..(480 + 4 * 301) {
            outlook.work(Millis(250 * quarter), &recipe, || None);
        }
        assert_eq!(outlook.foretold(), None, "nobody knows any more");
    }
}
