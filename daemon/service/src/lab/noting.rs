//! What is noted of open runs, so that they can be decided again. Here it is told apart only; the archive thread keeps it.
//!
//! Nothing of it waits. A scan costs a copy of its values and a place in a queue, the start of a run a copy of its station.

use benchward_api::redo::{self, Noted, Part};
use benchward_core::units::Millis;
use benchward_core::{
    Action, Answer, Ask, Event, Excerpt, Lab, OutputId, Refusal, Request, RunId, Seq, StationId,
};

use crate::archive::Keep;

/// The runs that are open.
#[derive(Default)]
pub(super) struct Noting {
    open: Vec<(StationId, RunId)>,
}

/// What is known of an event before it is taken.
pub(super) struct Before {
    /// For each open run that it reaches: its part.
    parts: Vec<(RunId, StationId, Part)>,
    /// The station of a run that may begin, as it is now.
    begins: Option<Box<Excerpt>>,
    /// Number of the lab's last command.
    seq: Seq,
}

impl Noting {
    /// Looks at an event before the lab takes it.
    pub(super) fn before(&self, lab: &Lab, now: Millis, event: &Event) -> Before {
        let mut before = Before {
            parts: Vec::new(),
            begins: None,
            seq: lab.last_seq(),
        };
        let (mut start, mut resumes) = (None, false);
        if let Event::Request(Request { ask, .. }) = event {
            resumes = matches!(ask, Ask::Resume(_));
            if let Ask::Start { station, .. } = ask {
                start = Some(*station);
                before.begins = lab.excerpt(now, *station).map(Box::new);
            }
        }
        for (station, run) in &self.open {
            if let Some(part) = lab.part_of(now, event, *station) {
                let part = if start == Some(*station) {
                    Part::OtherStart { begun: false }
                } else if resumes {
                    Part::Among(part, lab.alarms_outside(*station))
                } else {
                    Part::Event(part)
                };
                before.parts.push((*run, *station, part));
            }
        }
        before
    }

    /// Notes what the lab made of it, for the archive. `serves`: which station an output is of.
    pub(super) fn after(
        &mut self,
        lab: &mut Lab,
        before: Before,
        now: Millis,
        actions: &[Action],
        keep: &Keep,
        serves: impl Fn(OutputId) -> StationId,
    ) {
        let calls = lab.supply_calls();
        if before.parts.is_empty() && before.begins.is_none() && calls.is_empty() {
            return;
        }
        let answer = actions.iter().find_map(|action| match action {
            Action::Answer { answer, .. } => Some(answer),
            _ => None,
        });
        let began = match answer {
            Some(Ok(Answer::Started(run))) => Some(*run),
            _ => None,
        };
        let noted = |station: StationId, part: Part| {
            let commands = redo::commands(actions, station, |output| serves(output) == station);
            Noted {
                now,
                seq: redo::before(&commands, before.seq),
                part,
                commands,
            }
        };
        for (run, station, part) in before.parts {
            let part = match part {
                // Refused at the door: the station was not even looked at.
                Part::OtherStart { .. }
                    if matches!(
                        answer,
                        Some(Err(Refusal::NotPermitted { .. } | Refusal::NotFromNetwork { .. }))
                    ) =>
                {
                    continue;
                }
                Part::OtherStart { .. } => Part::OtherStart {
                    begun: began.is_some(),
                },
                other => other,
            };
            keep.noted(run, noted(station, part));
        }
        for action in actions {
            if let Action::Run(change) = action
                && change.ended
            {
                self.open.retain(|(_, run)| *run != change.record.run);
            }
        }
        if let (Some(run), Some(excerpt)) = (began, before.begins) {
            let station = excerpt.station();
            keep.begun(run, excerpt);
            keep.noted(run, noted(station, Part::OtherStart { begun: true }));
            self.open.push((station, run));
        }
        for call in calls {
            for (station, run) in &self.open {
                if call.station != *station && lab.share_a_supply(*station, call.station) {
                    let (seq, part) = (lab.last_seq(), Part::Supply(call));
                    keep.noted(
                        *run,
                        Noted {
                            now,
                            seq,
                            part,
                            commands: Vec::new(),
                        },
                    );
                }
            }
        }
    }
}
