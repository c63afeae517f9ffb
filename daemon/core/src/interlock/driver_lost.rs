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
        // First who is there and doesn't do as told, since that counts without a run too: a driver that is down beside it
        // must not hide it.
        if let Some(cause) = disobedient(facts) {
            return Observation::Bad(cause);
        }
        for link in facts.links {
            if let Some(loss) = &link.loss {
                return Observation::Bad(Cause::plain(Effect::Cut, format!("driver {} {loss}", link.instance)));
            }
        }
        facts
            .outputs
            .iter()
            .find(|output| output.waited(facts.now).is_some())
            .map_or(Observation::Good, |output| {
                let text = format!("output {} has not confirmed its last command yet", output.name);
                Observation::Unknown(text.into())
            })
    }
}

/// What a driver that is there refuses, or leaves unanswered for too long. One that is down owes nothing: its hardware switches
/// off by itself, and what it is told meanwhile nobody answers.
pub(super) fn disobedient(facts: &Facts<'_>) -> Option<Cause> {
    let limit = facts.host.confirm_within;
    let down = |instance| {
        facts.instances.iter().zip(facts.links).any(|(one, link)| *one == instance && link.loss.is_some())
    };
    facts
        .outputs
        .iter()
        .filter(|output| !down(output.instance))
        .find_map(|output| {
            if let Some(text) = &output.refused {
                return Some(Cause::plain(
                    Effect::Cut,
                    format!("output {} refused a command: {text}", output.name),
                ));
            }
            let waited = output.waited(facts.now)?;
            (waited.since(facts.behind) > limit).then(|| {
                Cause::lasted(
                    Effect::Cut,
                    format!("output {} has not confirmed a command for {waited}, limit {limit}", output.name),
                    waited,
                    limit,
                )
            })
        })
}

/// The figures that it acts at.
pub(super) fn thresholds(in_force: &InForce) -> Vec<Threshold> {
    vec![Threshold::time("unconfirmed for", in_force.host.confirm_within)]
}
