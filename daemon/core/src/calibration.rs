//! The offset of a channel: what is added to every reading of it, and who may change that.
//!
//! One offset is in force per channel. The configuration gives the first one; a calibration replaces it, and is what
//! counts until the next calibration or until it is withdrawn. An offset moves what every interlock reads, so a change takes
//! the role `safety`, is bounded, and never comes while a run is open: no run has readings by two offsets, and none heats
//! on readings that moved under it.
//!
//! What a calibration rests on (reference, mean, class, due date) is the archive's; the core carries it along unread.

use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::action::{Action, Entry, EntryKind};
use crate::id::StationId;
use crate::person::Person;
use crate::refusal::Refusal;
use crate::station::{Around, Station};
use crate::units::CelsiusDelta;

/// The largest offset that a calibration may set, either way. A thermocouple of the widest class is off by 9.5 °C at the top
/// of its range (ASTM E230, type K, 1260 °C) and by 2.5 °C where boards are heated: what is off by more is broken, of
/// another type, or not where it is thought to be.
pub const OFFSET_MAX: CelsiusDelta = CelsiusDelta::constant(10.0);

/// How far the offset in force may be from the one that a check began with: less than a bench can show.
const SAME_OFFSET: f64 = 1e-6;

/// A channel's new offset.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Calibration {
    /// Where.
    pub station: StationId,
    /// Which channel: its place in the station's list.
    pub channel: usize,
    /// The offset that was in force when it was measured. If another one is by now, the figures are no longer true.
    pub was: CelsiusDelta,
    /// The offset from now on.
    pub to: Offset,
    /// What it rests on, in words: `ice point`.
    pub by: Arc<str>,
    /// All there is to know of it, as the archive keeps it.
    pub record: Arc<str>,
}

/// Where an offset comes from.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub enum Offset {
    /// A check found it.
    Calibrated(CelsiusDelta),
    /// The calibration is withdrawn: the configuration's counts again, which is checked where it is read.
    Configured(CelsiusDelta),
}

impl Offset {
    /// What is added to every reading.
    pub const fn delta(self) -> CelsiusDelta {
        match self {
            Self::Calibrated(delta) | Self::Configured(delta) => delta,
        }
    }
}

impl Station {
    /// Puts another offset in force, from the channel's next scan on. The caller has checked the role.
    ///
    /// What was read before is forgotten: readings by two offsets don't compare.
    pub(crate) fn calibrate(
        &mut self,
        around: &mut Around<'_>,
        who: &Person,
        calibration: &Calibration,
    ) -> Result<String, Refusal> {
        let name = self.name.clone();
        let not_ready = |text: String| Refusal::NotReady {
            station: name.clone(),
            text,
        };
        if let Some(run) = &self.run {
            let (run, phase) = (run.record.run, run.phase());
            return Err(not_ready(format!(
                "run {run} is in {phase}, and a calibration would move what it reads; calibrate once the board is safe to \
                 handle and the run's record is closed"
            )));
        }
        let delta = calibration.to.delta();
        let Some(channel) = self.channels.get_mut(calibration.channel) else {
            return Err(not_ready("there is no such channel".into()));
        };
        if matches!(calibration.to, Offset::Calibrated(_)) && delta.degrees().abs() > OFFSET_MAX.degrees() {
            return Err(Refusal::OffsetOutOfBounds {
                station: name,
                channel: channel.name.clone(),
                asked: delta,
            });
        }
        let was = channel.offset;
        if (was.degrees() - calibration.was.degrees()).abs() > SAME_OFFSET {
            return Err(not_ready(format!(
                "the offset of {} is {:+.2} °C by now, it was {:+.2} °C when the check began; check it again",
                channel.name,
                was.degrees(),
                calibration.was.degrees()
            )));
        }
        channel.offset = delta;
        channel.forget();
        let channel = channel.name.clone();
        let text = format!(
            "{}/{channel}: offset is {:+.2} °C (was {:+.2} °C), by {}, set by {who}",
            self.name,
            delta.degrees(),
            was.degrees(),
            calibration.by
        );
        around.out.rest.push(Action::KeepCalibration {
            station: self.id,
            channel: calibration.channel,
            offset: delta,
            record: calibration.record.clone(),
        });
        around.out.rest.push(Action::Journal(Entry {
            station: Some(self.id),
            value: Some(delta.degrees()),
            unit: "K",
            channel: Some(channel),
            ..Entry::new(EntryKind::Calibration, Some(who.clone()), text.clone())
        }));
        Ok(text)
    }
}
