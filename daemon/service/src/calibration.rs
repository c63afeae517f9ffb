//! The offset in force at every channel: what the configuration says, what the newest calibration says, which of them
//! counts, and what a person should see to.
//!
//! One offset is in force. A calibration's replaces the configuration's: a check measures all that is wrong with a channel at
//! once, so that there is nothing left to add. It counts only for the sensor that was checked, as far as that can be known: a
//! channel that is wired to another input, or converted as another type, has its configured offset again, and says so.

use std::sync::Arc;

use benchward_api::shapes;
use benchward_archive::{self as archive, Calibration, CalibrationRecord, Wall};

/// The sensor of one channel.
#[derive(Debug, Clone)]
pub(crate) struct Sensor {
    pub(crate) station: Arc<str>,
    pub(crate) channel: Arc<str>,
    /// The input that it is wired to.
    pub(crate) input: String,
    /// Letter of the thermocouple, where the daemon converts.
    pub(crate) converted_as: Option<String>,
    /// The configuration's offset, °C.
    pub(crate) configured: f64,
    /// The newest calibration, withdrawals included.
    pub(crate) newest: Option<Calibration>,
}

impl Sensor {
    /// Whether a calibration was of the sensor that is wired now.
    fn is_of(&self, record: &CalibrationRecord) -> bool {
        record.input == self.input && record.converted_as == self.converted_as
    }

    /// The newest calibration, if it is of this sensor and wasn't withdrawn.
    pub(crate) fn in_force(&self) -> Option<&Calibration> {
        self.newest
            .as_ref()
            .filter(|newest| newest.record.check.is_some() && self.is_of(&newest.record))
    }

    /// What is added to every reading, °C.
    pub(crate) fn offset(&self) -> f64 {
        self.in_force()
            .map_or(self.configured, |newest| newest.record.offset_celsius)
    }

    /// What a run's record says of the channel.
    pub(crate) fn record(&self) -> archive::ChannelRecord {
        let in_force = self.in_force();
        archive::ChannelRecord {
            name: self.channel.to_string(),
            input: self.input.clone(),
            offset_celsius: self.offset(),
            thermocouple: self.converted_as.clone(),
            calibration: in_force.map(|newest| {
                let record = &newest.record;
                let against = record
                    .check
                    .as_ref()
                    .map(archive::CheckRecord::against)
                    .unwrap_or_default();
                format!(
                    "{}, {against}, by {} (revision {})",
                    record.at.date(),
                    record.by,
                    newest.revision
                )
            }),
            calibration_due: in_force.and_then(|newest| newest.record.due),
        }
    }

    /// What a person should see to.
    pub(crate) fn warning(&self, now: Wall) -> Option<shapes::CalibrationWarning> {
        let Self { station, channel, .. } = self;
        let newest = &self.newest.as_ref()?.record;
        newest.check.as_ref()?;
        let said = |due: Option<Wall>, text: String| shapes::CalibrationWarning {
            station: station.to_string(),
            channel: channel.to_string(),
            due: due.map(Wall::date),
            text,
        };
        if !self.is_of(newest) {
            let wired = |input: &str, kind: &Option<String>| {
                kind.as_ref()
                    .map_or_else(|| input.to_owned(), |kind| format!("{input} (type {kind})"))
            };
            return Some(said(
                None,
                format!(
                    "calibration of {station}/{channel} was of input {}, it is wired to {} now: the configuration's offset, \
                     {:+.2} °C, counts until it is checked again",
                    wired(&newest.input, &newest.converted_as),
                    wired(&self.input, &self.converted_as),
                    self.configured
                ),
            ));
        }
        newest.due.filter(|_| newest.overdue(now)).map(|due| {
            let text = shapes::overdue_text(station, channel, due);
            said(Some(due), text)
        })
    }

    /// As it is listed.
    pub(crate) fn shape(&self, now: Wall) -> shapes::Sensor {
        let in_force = self.in_force();
        shapes::Sensor {
            station: self.station.to_string(),
            channel: self.channel.to_string(),
            input: self.input.clone(),
            offset_celsius: self.offset(),
            offset_from: if in_force.is_some() {
                "calibration"
            } else {
                "configuration"
            }
            .into(),
            calibration: self.newest.as_ref().map(shapes::Calibration::from),
            overdue: in_force.is_some_and(|newest| newest.record.overdue(now)),
            text: self.warning(now).map(|warning| warning.text).unwrap_or_default(),
        }
    }
}

/// The sensors of every station, in the order of its channels.
#[derive(Debug, Clone, Default)]
pub(crate) struct Sensors(pub(crate) Vec<Vec<Sensor>>);

impl Sensors {
    /// The sensors of a station.
    pub(crate) fn of(&self, station: usize) -> &[Sensor] {
        self.0.get(station).map_or(&[], Vec::as_slice)
    }

    /// A sensor with its places, by name.
    pub(crate) fn find(&self, station: &str, channel: &str) -> Option<(usize, usize, &Sensor)> {
        let at = self
            .0
            .iter()
            .position(|sensors| sensors.first().is_some_and(|sensor| &*sensor.station == station))?;
        let place = self.0[at].iter().position(|sensor| &*sensor.channel == channel)?;
        Some((at, place, &self.0[at][place]))
    }

    /// All of them.
    pub(crate) fn all(&self) -> impl Iterator<Item = &Sensor> {
        self.0.iter().flatten()
    }

    /// What a person should see to.
    pub(crate) fn warnings(&self, now: Wall) -> Vec<shapes::CalibrationWarning> {
        self.all().filter_map(|sensor| sensor.warning(now)).collect()
    }

    /// The same with one more calibration.
    pub(crate) fn with(&self, station: usize, channel: usize, calibration: Calibration) -> Self {
        let mut sensors = self.clone();
        if let Some(sensor) = sensors
            .0
            .get_mut(station)
            .and_then(|station| station.get_mut(channel))
        {
            sensor.newest = Some(calibration);
        }
        sensors
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 2026-11-25T00:00:00Z, as `date -u -d @1795564800` prints it.
    const DAY: Wall = Wall(1_795_564_800_000);

    fn sensor(record: CalibrationRecord) -> Sensor {
        Sensor {
            station: "bench-1".into(),
            channel: "board-top".into(),
            input: "rack/tc1".into(),
            converted_as: Some("K".into()),
            configured: 0.3,
            newest: Some(Calibration { revision: 4, record }),
        }
    }

    fn calibrated() -> CalibrationRecord {
        CalibrationRecord {
            station: "bench-1".into(),
            channel: "board-top".into(),
            input: "rack/tc1".into(),
            converted_as: Some("K".into()),
            at: DAY,
            by: "safe1".into(),
            offset_celsius: -0.42,
            check: Some(archive::CheckRecord {
                method: "ice".into(),
                ..archive::CheckRecord::default()
            }),
            due: Some(DAY),
            ..CalibrationRecord::default()
        }
    }

    fn offset(sensor: &Sensor) -> String {
        format!("{:+.2} from {}", sensor.offset(), sensor.shape(DAY).offset_from)
    }

    #[test]
    fn a_calibration_replaces_the_configured_offset() {
        assert_eq!(offset(&sensor(calibrated())), "-0.42 from calibration");
        let record = sensor(calibrated()).record();
        assert_eq!(format!("{:+.2}", record.offset_celsius), "-0.42");
        assert_eq!(
            record.calibration.as_deref(),
            Some("2026-11-25, ice point, by safe1 (revision 4)")
        );
        assert_eq!(record.calibration_due, Some(DAY));
    }

    #[test]
    fn withdrawn_the_configured_one_counts_and_nothing_is_due() {
        let withdrawn = sensor(CalibrationRecord {
            check: None,
            ..calibrated()
        });
        assert_eq!(offset(&withdrawn), "+0.30 from configuration");
        assert_eq!(withdrawn.warning(DAY.plus_ms(86_400_000)), None);
        assert_eq!(withdrawn.record().calibration, None);
    }

    #[test]
    fn another_input_or_type_is_another_sensor_and_says_so() {
        for (input, kind) in [("rack/tc2", "K"), ("rack/tc1", "J")] {
            let other = sensor(CalibrationRecord {
                input: input.into(),
                converted_as: Some(kind.into()),
                ..calibrated()
            });
            assert_eq!(offset(&other), "+0.30 from configuration");
            assert_eq!(
                other.warning(DAY).map(|warning| warning.text).as_deref(),
                Some(&*format!(
                    "calibration of bench-1/board-top was of input {input} (type {kind}), it is wired to rack/tc1 (type \
                     K) now: the configuration's offset, +0.30 °C, counts until it is checked again"
                ))
            );
        }
    }

    #[test]
    fn past_its_due_date_it_warns_and_counts_all_the_same() {
        let overdue = DAY.plus_ms(86_400_000);
        let sensor = sensor(calibrated());
        assert_eq!(sensor.warning(DAY), None);
        let warning = sensor.warning(overdue).expect("a warning");
        assert_eq!(
            warning.text,
            "calibration of bench-1/board-top was due on 2026-11-25"
        );
        assert_eq!(warning.due.as_deref(), Some("2026-11-25"));
        assert!(sensor.shape(overdue).overdue && !sensor.shape(DAY).overdue);
        assert_eq!(offset(&sensor), "-0.42 from calibration");
    }
}
