//! Actions as lines of text.

use std::collections::BTreeSet;
use std::fmt::Write as _;

use benchward_core::units::{Celsius, Fraction};
use benchward_core::{
    Action, Answer, Entry, EntryKind, LabView, LimitScope, OutputId, Sample, Setup, Signal, StationId,
    StationView,
};

/// Names for ids, and what is shown.
pub(crate) struct Show {
    setup: Setup,
    more: BTreeSet<String>,
}

impl Show {
    pub(crate) fn new(setup: Setup, more: BTreeSet<String>) -> Self {
        Self { setup, more }
    }

    fn wants(&self, kind: &str) -> bool {
        self.more.contains(kind)
    }

    pub(crate) fn station(&self, station: StationId) -> &str {
        &self.setup.stations[station.index()].name
    }

    fn output(&self, output: OutputId) -> &str {
        &self.setup.outputs[output.index()].name
    }

    /// `0`, `>0`, or the figure where the header says `show exact`.
    fn heat(&self, heat: Fraction) -> String {
        match heat.is_zero() {
            true => "0".to_owned(),
            false if self.wants("exact") => format!("{:.3}", heat.share()),
            false => ">0".to_owned(),
        }
    }

    /// One action as a line; `None` for what the scenario doesn't look at.
    pub(crate) fn action(&self, action: &Action) -> Option<String> {
        Some(match action {
            Action::Heat(grant) => {
                let heats: BTreeSet<String> = grant
                    .heats()
                    .iter()
                    .map(|(_, _, heat)| self.heat(*heat))
                    .collect();
                let heats: Vec<String> = heats.into_iter().collect();
                let offset = match grant.offset() {
                    Some(offset) if self.wants("exact") => format!(" from {} ms", offset.0),
                    _ => String::new(),
                };
                format!(
                    "heat {} {}{offset}",
                    self.station(grant.station()),
                    heats.join(", ")
                )
            }
            Action::Off { output, .. } => format!("off {}", self.output(*output)),
            Action::Cut { output, .. } => format!("cut {}", self.output(*output)),
            Action::Restore { output, .. } => format!("restore {}", self.output(*output)),
            Action::Answer {
                answer: Ok(Answer::Started(run)),
                ..
            } => format!("answer started run {run}"),
            Action::Answer {
                answer: Ok(Answer::Done(text)),
                ..
            } => format!("answer done: {text}"),
            Action::Answer {
                answer: Err(refusal), ..
            } => format!("answer refused {}: {refusal}", refusal.name()),
            Action::Journal(_) if self.wants("-journal") => return None,
            Action::Journal(entry) => self.entry(entry),
            Action::KeepTrip {
                station,
                interlock,
                effect,
                text,
                acknowledged_by,
            } => {
                let seen = acknowledged_by
                    .as_ref()
                    .map_or(String::new(), |by| format!(", seen by {by}"));
                format!(
                    "keep-trip {} {interlock} {}: {text}{seen}",
                    self.station(*station),
                    effect.text()
                )
            }
            Action::DropTrip { station, interlock } => {
                format!("drop-trip {} {interlock}", self.station(*station))
            }
            Action::KeepLimit { scope, ceiling } => {
                let whose = match scope {
                    LimitScope::Lab => "lab",
                    LimitScope::Station(station) => self.station(*station),
                };
                format!(
                    "keep-limit {whose} {}",
                    ceiling.map_or("none".to_owned(), |ceiling| ceiling.to_string())
                )
            }
            Action::KeepLabLimit { limit, value } => format!(
                "keep-limit {limit} {}",
                value.map_or("none".to_owned(), |value| value.to_string())
            ),
            Action::KeepCalibration {
                station,
                channel,
                offset,
                record,
            } => format!(
                "keep-calibration {} channel {channel} {:+.2} °C {record}",
                self.station(*station),
                offset.degrees()
            ),
            Action::Run(change) if self.wants("runs") => {
                let record = &change.record;
                let mut text = format!("run {}", record.run);
                if let Some(outcome) = record.outcome {
                    write!(text, " {outcome}").unwrap();
                }
                if let Some(stage) = record.stages.last() {
                    write!(text, ", stage {} dwelt {}", record.stages.len(), stage.dwelt).unwrap();
                    write!(text, ", overshoot {}", stage.overshoot).unwrap();
                }
                for trip in &record.trips {
                    write!(text, ", {}", trip.interlock).unwrap();
                    if let Some(by) = &trip.acknowledged_by {
                        write!(text, " seen by {by}").unwrap();
                    }
                    if let Some(by) = &trip.reset_by {
                        write!(text, " reset by {by}").unwrap();
                    }
                }
                if let Some(peak) = record.peak {
                    write!(text, ", peak {peak}").unwrap();
                }
                for caution in &record.cautions {
                    write!(text, ", under: {caution}").unwrap();
                }
                if change.ended {
                    text += ", ended";
                }
                text
            }
            Action::Record(row) if self.wants("rows") => {
                let values: Vec<String> = row
                    .values
                    .iter()
                    .map(|value| match value {
                        None => "-".to_owned(),
                        Some(Sample::Good(celsius)) => celsius.to_string(),
                        Some(Sample::Fault(fault)) => fault.to_string(),
                    })
                    .collect();
                let run = row.run.map_or(String::new(), |run| format!(" run {run}"));
                let stage = row.stage.map_or(String::new(), |stage| format!(" {stage}"));
                let target = row.target.map_or(String::new(), |target| format!(" to {target}"));
                format!(
                    "row {}{run} at {}: {} heat {} {}{stage}{target}",
                    self.station(row.station),
                    row.at,
                    values.join(", "),
                    self.heat(row.heat),
                    row.phase
                )
            }
            Action::Signal(signal) if self.wants("signals") => match signal {
                Signal::Phase {
                    station,
                    phase,
                    stage,
                } => {
                    let stage = stage.map_or(String::new(), |stage| format!(" {stage}"));
                    format!("signal {} {phase}{stage}", self.station(*station))
                }
                Signal::Interlock {
                    station,
                    interlock,
                    standing,
                    text,
                } => {
                    format!("signal {} {interlock} {standing}: {text}", self.station(*station))
                }
                Signal::Alarm {
                    station,
                    interlock,
                    standing,
                    text,
                } => format!(
                    "signal lab alarm {} {interlock} {standing}: {text}",
                    self.station(*station)
                ),
                Signal::RunOutcome {
                    station,
                    run,
                    outcome,
                } => {
                    format!("signal {} run {run} {outcome}", self.station(*station))
                }
            },
            Action::Run(_) | Action::Record(_) | Action::Signal(_) => return None,
        })
    }

    /// Kind, place, person and figures; the text too where the header says `show texts`.
    fn entry(&self, entry: &Entry) -> String {
        let mut text = format!("journal {}", entry.kind);
        if let Some(station) = entry.station {
            write!(text, " {}", self.station(station)).unwrap();
        }
        if let Some(who) = &entry.who {
            write!(text, " by {who}").unwrap();
        }
        if let (Some(value), Some(limit)) = (entry.value, entry.limit) {
            write!(text, " {value} limit {limit} {}", entry.unit).unwrap();
        }
        if let Some(channel) = &entry.channel {
            write!(text, " {channel}").unwrap();
        }
        if let Some(scan) = entry.scan {
            write!(text, " scan {scan}").unwrap();
        }
        if let Some(about) = entry.about.filter(|_| self.wants("standings")) {
            write!(text, " [{} {}", about.interlock, about.standing).unwrap();
            if let Some(effect) = about.effect {
                write!(text, ", {}", effect.text()).unwrap();
            }
            text.push(']');
        }
        if entry.kind == EntryKind::Heat {
            text += if entry.text.ends_with("on") { " on" } else { " off" };
        }
        if self.wants("texts") {
            write!(text, ": {}", entry.text).unwrap();
        }
        text
    }

    /// Each supply, and who has what of it.
    pub(crate) fn supplies(view: &LabView) -> Vec<String> {
        let mut lines = Vec::new();
        for supply in &view.supplies {
            let (name, watts, most) = (&supply.name, supply.watts.watts(), supply.most.watts());
            lines.push(format!("{name} {watts:.0} W, at most {most:.0} W at one moment"));
            for share in &supply.stations {
                let (asks, gets) = (share.asks.watts(), share.gets.watts());
                lines.push(format!(
                    "{name}: {} asks {asks:.0} W, gets {gets:.0} W",
                    share.station
                ));
            }
        }
        lines
    }

    /// A station as people see it: one line, and one per interlock that isn't clear.
    pub(crate) fn view(&self, view: &StationView) -> Vec<String> {
        let mut text = format!("{} {}", view.name, view.phase);
        if let Some((stage, count)) = view.stage {
            write!(text, " {stage}/{count}").unwrap();
        }
        if let Some(target) = view.target {
            write!(text, " to {target}").unwrap();
        }
        write!(text, ", heat {}", self.heat(view.heat)).unwrap();
        write!(
            text,
            ", control {}",
            view.control
                .map_or("unknown".to_owned(), |celsius: Celsius| celsius.to_string())
        )
        .unwrap();
        write!(
            text,
            ", ceiling {} (set by {})",
            view.ceiling.celsius, view.ceiling.from
        )
        .unwrap();
        for (what, left) in [
            ("dwell", view.dwell_left),
            ("presence", view.presence_left),
            ("resume", view.resume_left),
        ] {
            if let Some(left) = left {
                write!(text, ", {what} left {left}").unwrap();
            }
        }
        if self.wants("supplies") {
            write!(text, ", its supply leaves {:.3}", view.supply_left.share()).unwrap();
        }
        if !view.driver_up {
            text += ", driver down";
        }
        let mut lines = vec![text];
        for interlock in view
            .interlocks
            .iter()
            .filter(|interlock| interlock.standing != "clear")
        {
            lines.push(format!("{} {}", interlock.name, interlock.standing));
        }
        for caution in &view.cautions {
            lines.push(format!("caution: {caution}"));
        }
        if self.wants("foretold") {
            lines.push(
                view.foretold
                    .as_ref()
                    .map_or("nothing foretold".to_owned(), |foretold| {
                        format!(
                            "foretold at {} with {:.3} of its power",
                            foretold.from, foretold.prediction.most
                        )
                    }),
            );
        }
        for open in view
            .permissives
            .iter()
            .filter(|one| one.closed != Some(true) && self.wants("permissives"))
        {
            let how = if open.closed.is_some() {
                "open"
            } else {
                "can't be read"
            };
            lines.push(format!("permissive {} {how}", open.name));
        }
        if self.wants("thresholds") {
            for interlock in &view.interlocks {
                for one in interlock
                    .name
                    .thresholds(&view.in_force)
                    .iter()
                    .filter(|one| one.bounds.is_some())
                {
                    lines.push(format!(
                        "{} {} {} {} ({})",
                        interlock.name, one.name, one.value, one.unit, one.from
                    ));
                }
            }
        }
        lines
    }
}
