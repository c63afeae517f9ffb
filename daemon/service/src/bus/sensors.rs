//! `io.benchward.Sensors1` at `/io/benchward/Lab1/sensors`.

use benchward_api::{Error, shapes};
use benchward_archive::{Calibration, CalibrationRecord, Reader, Value, Wall};
use benchward_core::units::{CelsiusDelta, Millis};
use benchward_core::{Act, Ask, OFFSET_MAX, Offset, Quality, Refusal, StationId};
use zbus::message::Header;

use super::{Door, blocking, json, read_json};
use crate::calibration::Sensor;
use crate::check::{self, Check};
use crate::steady::steady;

pub(super) struct Sensors(pub(super) Door);

/// A sensor and the places of its station and channel.
struct Found {
    station: usize,
    channel: usize,
    sensor: Sensor,
}

impl Found {
    /// The way a person writes it.
    fn name(&self) -> String {
        format!("{}/{}", self.sensor.station, self.sensor.channel)
    }

    fn id(&self) -> StationId {
        StationId(u32::try_from(self.station).unwrap_or(u32::MAX))
    }
}

#[zbus::interface(name = "io.benchward.Sensors1")]
impl Sensors {
    /// Every channel's offset in force, where it comes from and when it is due, as JSON (`shapes::Sensors`). Needs no
    /// role.
    fn list(&self) -> Result<String, Error> {
        let shared = &self.0.shared;
        let now = shared.clock.wall_now();
        json(&shapes::Sensors {
            schema: shapes::SCHEMA,
            sensors: shared
                .keep
                .sensors()
                .all()
                .map(|sensor| sensor.shape(now))
                .collect(),
        })
    }

    /// Every calibration of a channel and every withdrawal, oldest first, as JSON (`shapes::SensorHistory`). Needs no role.
    ///
    /// Errors: `NoSuch` (station, channel), `Archive`.
    async fn history(&self, station: String, channel: String) -> Result<String, Error> {
        self.find(&station, &channel)?;
        let reader = self.0.shared.reader.clone();
        blocking(move || {
            let all = reader
                .calibrations_of(&station, &channel)
                .map_err(|error| Error::Archive(error.to_string()))?;
            json(&shapes::SensorHistory::new(&station, &channel, &all))
        })
        .await
    }

    /// Compares the readings of the last seconds with a reference: the offset that makes them equal, and whether the sensor
    /// is inside its class. `check`: a JSON object (`shapes::CheckRequest`). `store`: whether the offset is put in force,
    /// from the next scan on, and kept; without, nothing changes and no role is needed. Returns what was found, as JSON
    /// (`shapes::SensorChecked`). Role `safety` to store.
    ///
    /// Errors: `NotPermitted`, `NoSuch` (station, channel), `Invalid`, `NotReady` (readings that move or are faults, a run whose
    /// record is open, another calibration meanwhile), `OffsetOutOfBounds`, `Archive`.
    async fn check(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
        station: String,
        channel: String,
        check: String,
        store: bool,
    ) -> Result<String, Error> {
        let request: shapes::CheckRequest = read_json("check", &check)?;
        let found = self.find(&station, &channel)?;
        let shared = &self.0.shared;
        let now = shared.clock.wall_now();
        let check = Check::new(&request, &found.sensor, now)?;
        self.readable(&found)?;
        let readings = self.readings(&found, check.seconds, now).await?;
        let steady = steady(&readings).map_err(|text| {
            let kept = match &*shared.keep.standing().text {
                "" => String::new(),
                trouble => format!("; the archive, which has the readings: {trouble}"),
            };
            Error::NotReady(format!("{}: {text}{kept}", found.name()))
        })?;
        let was = found.sensor.offset();
        let mut record = self.blank(connection, &header, &found, now).await?;
        record.offset_celsius = check.offset(steady, was);
        if !store && record.offset_celsius.abs() > OFFSET_MAX.degrees() {
            // What the core would say.
            return Err(Error::from(Refusal::OffsetOutOfBounds {
                station: found.sensor.station.clone(),
                channel: found.sensor.channel.clone(),
                asked: delta(record.offset_celsius)?,
            }));
        }
        record.check = Some(check.record(steady, was));
        record.due = check.due;
        record.note = request.note;
        let mut kept = Calibration { revision: 0, record };
        if store {
            kept = self.store(connection, &header, &found, kept.record).await?.0;
        }
        json(&shapes::SensorChecked {
            schema: shapes::SCHEMA,
            station,
            channel,
            stored: store,
            calibration: shapes::Calibration::from(&kept),
        })
    }

    /// Withdraws the calibration of a channel: from its next scan on, the configuration's offset counts. `note`: why. Returns
    /// what the state is now. Role `safety`.
    ///
    /// Errors: `NotPermitted`, `NoSuch` (station, channel), `Invalid`, `NotReady` (a run whose record is open).
    async fn clear(
        &self,
        #[zbus(connection)] connection: &zbus::Connection,
        #[zbus(header)] header: Header<'_>,
        station: String,
        channel: String,
        note: String,
    ) -> Result<String, Error> {
        check::note(&note)?;
        let found = self.find(&station, &channel)?;
        let stands = found
            .sensor
            .newest
            .as_ref()
            .is_some_and(|newest| newest.record.check.is_some());
        let credentials = self.0.credentials(connection, &header).await?;
        // Who may not is refused by the core, and the journal says so, though there is nothing to withdraw.
        let may = self
            .0
            .shared
            .callers
            .load()
            .roles(&credentials)
            .may(Act::Calibrate);
        if !stands && may {
            return Ok(format!(
                "{} has no calibration; the configuration's offset, {:+.2} °C, counts",
                found.name(),
                found.sensor.configured
            ));
        }
        let now = self.0.shared.clock.wall_now();
        let mut record = self.blank(connection, &header, &found, now).await?;
        record.offset_celsius = found.sensor.configured;
        record.note = note;
        Ok(self.store(connection, &header, &found, record).await?.1)
    }
}

impl Sensors {
    fn find(&self, station: &str, channel: &str) -> Result<Found, Error> {
        let sensors = self.0.shared.keep.sensors();
        if let Some((at, place, sensor)) = sensors.find(station, channel) {
            return Ok(Found {
                station: at,
                channel: place,
                sensor: sensor.clone(),
            });
        }
        let names: Vec<&str> = sensors
            .all()
            .filter(|sensor| &*sensor.station == station)
            .map(|sensor| &*sensor.channel)
            .collect();
        Err(Error::NoSuch(if names.is_empty() {
            format!("there is no station `{station}` with channels")
        } else {
            format!(
                "{station} has no channel `{channel}`; it has {}",
                names.join(", ")
            )
        }))
    }

    /// Whether the channel can be looked at: it reads, and no run is open whose readings it would be.
    fn readable(&self, found: &Found) -> Result<(), Error> {
        let view = self.0.shared.lab.view();
        let Some(station) = view.stations.get(found.station) else {
            return Ok(());
        };
        if let Some(run) = station.run {
            return Err(Error::NotReady(format!(
                "{} can't be checked: run {run} is in {}; check once the board is safe to handle and the run's record is \
                 closed",
                found.name(),
                station.phase
            )));
        }
        let quality = station.channels.get(found.channel).map(|channel| channel.quality);
        match quality {
            Some(Quality::Good) | None => Ok(()),
            Some(quality) => Err(Error::NotReady(format!(
                "{} can't be checked: it reads no temperature, {quality}",
                found.name()
            ))),
        }
    }

    /// The readings of the last `seconds`, as far as they were taken with the offset in force now.
    async fn readings(&self, found: &Found, seconds: f64, now: Wall) -> Result<Vec<(u64, Value)>, Error> {
        let shared = &self.0.shared;
        let back = i64::try_from(Millis::from_secs_f64(seconds).0).unwrap_or(i64::MAX);
        let since_offset = found.sensor.newest.as_ref().map(|newest| newest.record.at);
        let from = now
            .plus_ms(-back)
            .max(shared.clock.wall(Millis::ZERO))
            .max(since_offset.unwrap_or(Wall(i64::MIN)));
        let (station, channel) = (found.sensor.station.clone(), found.sensor.channel.clone());
        let reader = shared.reader.clone();
        blocking(move || loose(&reader, &station, &channel, from, now)).await
    }

    /// A record of who and when, with nothing found yet.
    async fn blank(
        &self,
        connection: &zbus::Connection,
        header: &Header<'_>,
        found: &Found,
        now: Wall,
    ) -> Result<CalibrationRecord, Error> {
        let credentials = self.0.credentials(connection, header).await?;
        let sensor = &found.sensor;
        Ok(CalibrationRecord {
            station: sensor.station.to_string(),
            channel: sensor.channel.to_string(),
            input: sensor.input.clone(),
            converted_as: sensor.converted_as.clone(),
            at: now,
            by: self.0.shared.callers.load().person(&credentials).name.to_string(),
            offset_before_celsius: sensor.offset(),
            ..CalibrationRecord::default()
        })
    }

    /// Has the core decide, and returns what was kept and what it said.
    async fn store(
        &self,
        connection: &zbus::Connection,
        header: &Header<'_>,
        found: &Found,
        record: CalibrationRecord,
    ) -> Result<(Calibration, String), Error> {
        let offset = delta(record.offset_celsius)?;
        let (to, by) = match &record.check {
            Some(check) => (Offset::Calibrated(offset), check.against()),
            None => (Offset::Configured(offset), "withdrawal of the calibration".into()),
        };
        let text = serde_json::to_string(&record)
            .map_err(|error| Error::Archive(format!("can't be kept: {error}")))?;
        let ask = Ask::Calibrate(benchward_core::Calibration {
            station: found.id(),
            channel: found.channel,
            was: delta(record.offset_before_celsius)?,
            to,
            by: by.as_str().into(),
            record: text.as_str().into(),
        });
        let said = self.0.done(connection, header, ask).await?;
        // Answered after it was kept, so that it has its revision; unless the disk takes too long.
        let sensors = self.0.shared.keep.sensors();
        let newest = sensors
            .of(found.station)
            .get(found.channel)
            .and_then(|sensor| sensor.newest.clone())
            .filter(|newest| newest.record.at == record.at);
        Ok((newest.unwrap_or(Calibration { revision: 0, record }), said))
    }
}

fn delta(degrees: f64) -> Result<CelsiusDelta, Error> {
    CelsiusDelta::new(degrees).map_err(|error| Error::Invalid(error.to_string()))
}

/// What one channel read outside runs from `from` to `to`.
fn loose(
    reader: &Reader,
    station: &str,
    channel: &str,
    from: Wall,
    to: Wall,
) -> Result<Vec<(u64, Value)>, Error> {
    let archive_error = |error: &dyn std::fmt::Display| Error::Archive(error.to_string());
    let mut readings = reader
        .loose(station, from, to)
        .map_err(|error| archive_error(&error))?;
    let mut all = Vec::new();
    while let Some(block) = readings.next_block() {
        let block = block.map_err(|damage| archive_error(&damage))?;
        let Some(place) = block.channels.iter().position(|name| name == channel) else {
            continue;
        };
        all.extend(
            block
                .scans
                .iter()
                .filter_map(|scan| Some((scan.mono_ms, *scan.values.get(place)?))),
        );
    }
    Ok(all)
}
