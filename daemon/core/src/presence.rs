//! Presence: when somebody last confirmed to be at the bench.

use serde::{Deserialize, Serialize};

use crate::units::Millis;

/// The presence clock of one station.
///
/// A confirmation is an act: a press of the pedal, a command. A pedal that is merely *held* down counts
/// once, when it goes down; a stone on the pedal is not a person.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(crate) struct Presence {
    confirmed: Option<Millis>,
    /// How the pedal was last read; `None` where it isn't known.
    pedal: Option<bool>,
}

impl Presence {
    /// Somebody confirmed.
    pub(crate) fn confirm(&mut self, now: Millis) {
        self.confirmed = Some(now);
    }

    /// The presence input reads `active`; `None`: it can't be read. Returns whether that was a confirmation.
    ///
    /// A pedal that is down when it is first seen was not pressed now.
    pub(crate) fn pedal(&mut self, now: Millis, active: Option<bool>) -> bool {
        let pressed = self.pedal == Some(false) && active == Some(true);
        self.pedal = active;
        if pressed {
            self.confirm(now);
        }
        pressed
    }

    /// How long nobody has confirmed, while heat may have been on since `heat_since`.
    ///
    /// Never longer than the heat has been allowed: an absence before the run doesn't count, since
    /// starting a run takes a person.
    pub(crate) fn absent_for(&self, now: Millis, heat_since: Millis) -> Millis {
        let from = self
            .confirmed
            .map_or(heat_since, |confirmed| confirmed.max(heat_since));
        now.since(from)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_held_pedal_confirms_once() {
        let mut presence = Presence::default();
        assert!(!presence.pedal(Millis(0), Some(false)));
        assert!(presence.pedal(Millis(100), Some(true)));
        assert!(!presence.pedal(Millis(5_000), Some(true)));
        assert_eq!(presence.absent_for(Millis(5_000), Millis(0)), Millis(4_900));
        assert!(!presence.pedal(Millis(6_000), Some(false)));
        assert!(presence.pedal(Millis(7_000), Some(true)));
        assert_eq!(presence.absent_for(Millis(7_000), Millis(0)), Millis(0));
    }

    #[test]
    fn absence_before_the_run_does_not_count() {
        let presence = Presence::default();
        assert_eq!(
            presence.absent_for(Millis(90_000), Millis(80_000)),
            Millis(10_000)
        );
    }
}
