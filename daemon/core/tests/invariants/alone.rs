//! A run is decided again from an excerpt of its lab, kept as text and columns, and what reached its station.

use std::collections::BTreeMap;

use benchward_core::units::Millis;
use benchward_core::{
    Action, Again, Answer, Ask, Event, Excerpt, Lab, OutputId, Request, RunId, Seq, StationId, SupplyCall,
};
use proptest::prelude::*;

/// Which station serves an output; see `walk::setup`.
const SERVED: [u32; 4] = [0, 1, 1, 2];

/// Follows every run with its station alone beside the lab.
#[derive(Default)]
pub(crate) struct Alone {
    runs: BTreeMap<StationId, (RunId, Again)>,
    /// How many calls on supplies were seen.
    supply: usize,
    /// The latest time so far.
    latest: Millis,
    /// Runs that were followed, and actions that were the same.
    pub(crate) followed: (usize, usize),
}

/// An excerpt as it comes back from a disk.
fn kept(excerpt: &Excerpt) -> Excerpt {
    let text = serde_json::to_string(excerpt).expect("it can be kept");
    let again: Excerpt = serde_json::from_str(&text).expect("it can be read");
    let again = again.recall(&excerpt.columns()).expect("the columns are its own");
    assert_eq!(
        serde_json::to_string(&again).unwrap(),
        text,
        "it comes back as what it was"
    );
    assert_eq!(again.columns(), excerpt.columns());
    again
}

/// The station that is told something, and the numbers of the commands; `None`: no command.
fn commands(action: &Action) -> Option<(StationId, Vec<Seq>)> {
    let of = |output: OutputId| SERVED.get(output.0 as usize).copied().map(StationId);
    match action {
        Action::Heat(grant) => {
            let numbers = grant.heats().iter().map(|(_, seq, _)| *seq).collect();
            Some((grant.station(), numbers))
        }
        Action::Off { output, seq } | Action::Cut { output, seq } | Action::Restore { output, seq } => {
            Some((of(*output)?, vec![*seq]))
        }
        _ => None,
    }
}

/// Whether an action is a decision about this run.
fn about(action: &Action, station: StationId, run: RunId) -> bool {
    match action {
        Action::Journal(entry) => entry.run == Some(run),
        Action::Record(row) => row.run == Some(run),
        Action::Run(change) => change.record.run == run,
        Action::KeepTrip { station: at, .. } | Action::DropTrip { station: at, .. } => *at == station,
        other => commands(other).is_some_and(|(at, _)| at == station),
    }
}

impl Alone {
    pub(crate) fn check(
        &mut self,
        before: &Lab,
        now: Millis,
        event: &Event,
        after: &Lab,
        actions: &[Action],
    ) -> Result<(), TestCaseError> {
        // Where a clock goes back, a lab takes the latest time that it has had; its stations alone haven't had each of them.
        self.latest = self.latest.max(now);
        let now = self.latest;
        let started = match event {
            Event::Request(Request {
                ask: Ask::Start { station, .. },
                ..
            }) => actions.iter().find_map(|action| match action {
                Action::Answer {
                    answer: Ok(Answer::Started(run)),
                    ..
                } => Some((*station, *run)),
                _ => None,
            }),
            _ => None,
        };
        if let Some((station, run)) = started {
            let excerpt = before.excerpt(now, station).expect("there is this station");
            self.runs.insert(station, (run, kept(&excerpt).again()));
            self.followed.0 += 1;
        }
        let calls: Vec<SupplyCall> = after.clone().supply_calls().split_off(self.supply);
        self.supply += calls.len();
        let mut over = Vec::new();
        for (station, (run, again)) in &mut self.runs {
            if let Some(part) = before.part_of(now, event, *station) {
                let own = actions
                    .iter()
                    .filter_map(commands)
                    .filter(|(at, _)| at == station);
                let numbers: Vec<Seq> = own.flat_map(|(_, numbers)| numbers).collect();
                let last = numbers
                    .first()
                    .map_or(before.last_seq(), |first| Seq(first.0 - 1));
                again.meanwhile(last, numbers, Some(before.alarms_outside(*station)));
                let decided = again.take(now, part);
                let decided: Vec<_> = decided
                    .iter()
                    .filter(|action| about(action, *station, *run))
                    .collect();
                let recorded: Vec<_> = actions
                    .iter()
                    .filter(|action| about(action, *station, *run))
                    .collect();
                prop_assert_eq!(
                    format!("{decided:?}"),
                    format!("{recorded:?}"),
                    "run {} at {} on {:?}",
                    run,
                    now,
                    event
                );
                self.followed.1 += recorded.len();
            }
            for call in calls
                .iter()
                .filter(|call| call.station != *station && before.share_a_supply(*station, call.station))
            {
                let (numbers, quantities) = call.numbers();
                let kept = SupplyCall::from_numbers(numbers, quantities).expect("its own numbers");
                prop_assert_eq!(&kept, call);
                again.supply(&kept);
            }
            if actions.iter().any(
                |action| matches!(action, Action::Run(change) if change.record.run == *run && change.ended),
            ) {
                over.push(*station);
            }
        }
        for station in over {
            self.runs.remove(&station);
        }
        Ok(())
    }
}
