//! `permissive-open`: an input that has to be closed for heat is open, or can't be read.
//!
//! What can't be read counts as open. Acts after [`CONFIRM`]: a relay contact bounces.

use serde::{Deserialize, Serialize};

use super::{Cause, Effect, Facts, InForce, Observation, Threshold};
use crate::units::Millis;

/// How long it has to be open.
pub(super) const CONFIRM: Millis = Millis(200);

/// Remembers since when the first open permissive has been open.
#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct PermissiveOpen {
    open_since: Option<Millis>,
}

impl PermissiveOpen {
    pub(super) fn observe(&mut self, facts: &Facts<'_>) -> Observation {
        // As for a channel: silence while the daemon was late is the daemon's own.
        if facts.late.is_some() {
            return Observation::Good;
        }
        let open = facts.permissives.iter().find_map(|permissive| {
            let limit = (permissive.period * 3).max(facts.host.silence_floor);
            match permissive.newest {
                Some((at, true)) if facts.now.since(at) <= limit => None,
                Some((at, false)) if facts.now.since(at) <= limit => Some((permissive, "is open")),
                Some(_) => Some((permissive, "has gone silent and counts as open")),
                None => Some((permissive, "can't be read and counts as open")),
            }
        });
        let Some((permissive, how)) = open else {
            self.open_since = None;
            return Observation::Good;
        };
        let since = *self.open_since.get_or_insert(facts.now);
        let lasted = facts.now.since(since);
        if lasted < CONFIRM {
            return Observation::Unknown(format!("permissive {} {how}", permissive.name).into());
        }
        Observation::Bad(Cause::lasted(
            Effect::HeatOff,
            format!("permissive {} {how} (for {lasted}, limit {CONFIRM})", permissive.name),
            lasted,
            CONFIRM,
        ))
    }
}

/// The figures that it acts at.
pub(super) fn thresholds(_: &InForce) -> Vec<Threshold> {
    vec![Threshold::time("open for", CONFIRM)]
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::interlock::Permissive;
    use crate::interlock::bench::Bench;

    /// When it acts on a hood that reads `closed(tenth)` each tenth of a second; `None`: nothing is read then.
    fn acts(closed: impl Fn(u64) -> Option<bool>) -> Option<Millis> {
        let (mut bench, mut interlock) = (Bench::new(1), PermissiveOpen::default());
        bench.permissives = vec![Permissive {
            name: "hood".into(),
            period: Millis(100),
            newest: None,
            open_since: None,
        }];
        (0..50).map(|tenth| (tenth, Millis(tenth * 100))).find_map(|(tenth, now)| {
            bench.read(now, &[40.0]);
            if let Some(closed) = closed(tenth) {
                bench.permissives[0].newest = Some((now, closed));
            }
            matches!(interlock.observe(&bench.facts()), Observation::Bad(_)).then_some(now)
        })
    }

    #[test]
    fn open_for_a_fifth_of_a_second_takes_the_heat() {
        assert_eq!(acts(|_| Some(true)), None);
        assert_eq!(acts(|tenth| Some(tenth < 20)), Some(Millis(2_200)));
        // A contact that bounces.
        assert_eq!(acts(|tenth| Some(tenth % 2 == 0)), None);
    }

    /// A hood that says nothing any more may be open: half a second after its last word it counts as that.
    #[test]
    fn silence_counts_as_open() {
        assert_eq!(acts(|tenth| (tenth <= 20).then_some(true)), Some(Millis(2_800)));
        assert_eq!(acts(|_| None), Some(CONFIRM));
    }
}
