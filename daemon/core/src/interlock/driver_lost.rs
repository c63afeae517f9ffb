//! `driver-lost`: a driver that the station needs ended, broke the protocol, refused a command, or doesn't
//! confirm commands.
//!
//! A confirmation that came while the daemon's own loop was late may still be unread: that time doesn't count.

use serde::{Deserialize, Serialize};

use super::{Cause, Effect, Facts, InForce, Observation, Threshold};

#[derive(Debug, Clone, Default, Serialize, Deserialize)]
pub(super) struct DriverLost;

impl DriverLost {
    #[expect(clippy::unused_self, reason = "the table calls every condition the same way")]
    pub(super) fn observe(&mut self, facts: &Facts<'_>) -> Observation {
        for link in facts.links {
            if let Some(loss) = &link.loss {
                return Observation::Bad(Cause::plain(Effect::Cut, format!("driver {} {loss}", link.instance)));
            }
        }
        let limit = facts.host.confirm_within;
        let mut observation = Observation::Good;
        for output in facts.outputs {
            if let Some(text) = &output.refused {
                return Observation::Bad(Cause::plain(
                    Effect::Cut,
                    format!("output {} refused a command: {text}", output.name),
                ));
            }
            let Some(waited) = output.waited(facts.now) else { continue };
            if waited.since(facts.behind) > limit {
                return Observation::Bad(Cause::lasted(
                    Effect::Cut,
                    format!("output {} has not confirmed a command for {waited}, limit {limit}", output.name),
                    waited,
                    limit,
                ));
            }
            let text = format!("output {} has not confirmed its last command yet", output.name);
            observation = Observation::Unknown(text.into());
        }
        observation
    }
}

/// The figures that it acts at.
pub(super) fn thresholds(in_force: &InForce) -> Vec<Threshold> {
    vec![Threshold::time("unconfirmed for", in_force.host.confirm_within)]
}
