//! What should have happened in the demo, held against the records that it left.
//!
//! The daemon has ended by now: this reads the archive as anybody can.

use std::collections::BTreeSet;
use std::path::Path;

use benchward_api::shapes;
use benchward_archive::{JournalQuery, Outcome, Phase, Query, Reader, RunRecord};

use super::Evidence;
use super::larkfield::BENCHES;
use crate::failure::Failure;

/// Reads the archive; gives the runs and, in words, what is missing.
pub(super) fn compare(
    archive: &Path,
    evidence: &Evidence,
) -> Result<(Vec<shapes::Run>, Vec<String>), Failure> {
    let reader = Reader::open(archive)?;
    let mut runs = reader.runs(&Query::default())?;
    runs.sort_by_key(|run| run.run);
    let entries = reader.journal(&JournalQuery {
        limit: usize::MAX,
        ..JournalQuery::default()
    })?;
    let of_kind = |kind: &str| -> BTreeSet<String> {
        entries
            .iter()
            .filter(|one| one.entry.kind == kind)
            .filter_map(|one| one.entry.station.clone())
            .collect()
    };
    let found = Found {
        warned: of_kind("warning"),
        safe: of_kind("safe"),
        cooldowns: runs
            .iter()
            .map(|run| cooldown(&reader, run.run))
            .collect::<Result<_, _>>()?,
        journal: reader
            .verify()?
            .first_bad
            .map(|(n, why)| format!("entry {n} {why}")),
        runs,
    };
    let missing = missing(&found, evidence);
    Ok((found.runs.iter().map(shapes::Run::from).collect(), missing))
}

/// What the records say.
struct Found {
    /// By number.
    runs: Vec<RunRecord>,
    /// Stations that were warned.
    warned: BTreeSet<String>,
    /// Stations whose boards became safe to handle.
    safe: BTreeSet<String>,
    /// Per run: what it holds of its cool-down.
    cooldowns: Vec<Cooldown>,
    /// What is wrong with the journal.
    journal: Option<String>,
}

/// What the record of a run holds after its last phase with heat.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Cooldown {
    scans: u64,
    /// The highest heat that was granted on any of them.
    heat: f64,
}

/// Reads all scans of a run.
fn cooldown(reader: &Reader, run: u64) -> Result<Cooldown, Failure> {
    let mut found = Cooldown { scans: 0, heat: 0.0 };
    let mut readings = reader.readings(run)?;
    while let Some(block) = readings.next_block() {
        let block = block.map_err(|damage| Failure::failed(format!("run {run} can't be read: {damage}")))?;
        for scan in block
            .scans
            .iter()
            .filter(|scan| !matches!(scan.phase, Phase::Ramp | Phase::Dwell))
        {
            found.scans += 1;
            found.heat = found.heat.max(scan.heat);
        }
    }
    Ok(found)
}

fn missing(found: &Found, evidence: &Evidence) -> Vec<String> {
    let mut missing = Vec::new();
    let mut expect = |holds: bool, text: String| {
        if !holds {
            missing.push(text);
        }
    };
    if let Some(why) = &evidence.cut_short {
        expect(false, why.clone());
    }
    for (station, wanted, interlock) in [
        ("bench-1", Outcome::Completed, None),
        ("bench-2", Outcome::Tripped, Some("operator-absent")),
        ("bench-3", Outcome::Tripped, Some("sensor-fault")),
    ] {
        let number = evidence.runs.get(station).copied();
        let Some((run, cooldown)) = found
            .runs
            .iter()
            .zip(&found.cooldowns)
            .find(|(run, _)| Some(run.run) == number)
        else {
            expect(false, format!("{station}: no record of its run"));
            continue;
        };
        let outcome = run.outcome.map_or("without an outcome", Outcome::name);
        let trips: Vec<String> = run
            .trips
            .iter()
            .map(|trip| format!("`{}`: {}", trip.interlock, trip.text))
            .collect();
        expect(
            run.outcome == Some(wanted),
            format!(
                "{station}: its run should be {}, it is {outcome} ({})",
                wanted.name(),
                trips.join("; ")
            ),
        );
        expect(
            run.trips.iter().map(|trip| trip.interlock.as_str()).eq(interlock),
            format!(
                "{station}: it should be tripped by {}, and is by {}",
                interlock.unwrap_or("nothing"),
                if trips.is_empty() {
                    "nothing".to_owned()
                } else {
                    trips.join("; ")
                }
            ),
        );
        expect(
            cooldown.scans > 0,
            format!("{station}: its run holds no readings of the board's cooling"),
        );
        let heat = cooldown.heat;
        // Exactly zero is what a heater is told; anything else is heat.
        expect(
            heat <= 0.0,
            format!("{station}: {heat} of full heat was granted after its heat was over"),
        );
        expect(
            found.safe.contains(station),
            format!("{station}: its board never became safe to handle"),
        );
    }
    for (station, heat) in &evidence.heat_while_tripped {
        expect(
            *heat <= 0.0,
            format!("{station}: it showed heat {heat} while it was tripped"),
        );
    }
    expect(
        found.warned.contains("bench-2"),
        "bench-2: nobody was warned before the heat went off".into(),
    );
    expect(
        evidence.reset_refused,
        "bench-3: a reset was not refused although the sensor was still open".into(),
    );
    if let Some(why) = &found.journal {
        expect(false, format!("the journal does not hold: {why}"));
    }
    if let Some(trips) = &evidence.mqtt {
        for station in ["bench-2", "bench-3"] {
            expect(
                trips.iter().any(|one| one == station),
                format!("{station}: its trip did not come over MQTT"),
            );
        }
        expect(evidence.goodbye, "the daemon's end did not come over MQTT".into());
    }
    debug_assert_eq!(BENCHES.len(), 3, "what is expected is written for three benches");
    missing
}

#[cfg(test)]
mod tests {
    use super::*;
    use benchward_archive::TripRecord;

    fn run(number: u64, station: &str, outcome: Outcome, trip: Option<&str>) -> RunRecord {
        RunRecord {
            run: number,
            station: station.into(),
            outcome: Some(outcome),
            trips: trip
                .map(|interlock| TripRecord {
                    interlock: interlock.into(),
                    ..TripRecord::default()
                })
                .into_iter()
                .collect(),
            ..RunRecord::default()
        }
    }

    fn as_it_should_be() -> (Found, Evidence) {
        let stations = ["bench-1", "bench-2", "bench-3"];
        let found = Found {
            runs: vec![
                run(1, "bench-1", Outcome::Completed, None),
                run(2, "bench-2", Outcome::Tripped, Some("operator-absent")),
                run(3, "bench-3", Outcome::Tripped, Some("sensor-fault")),
            ],
            warned: ["bench-1", "bench-2"].map(String::from).into(),
            safe: stations.map(String::from).into(),
            cooldowns: vec![
                Cooldown {
                    scans: 900,
                    heat: 0.0
                };
                3
            ],
            journal: None,
        };
        let evidence = Evidence {
            runs: stations.map(String::from).into_iter().zip(1..).collect(),
            heat_while_tripped: [("bench-2".to_owned(), 0.0)].into(),
            reset_refused: true,
            mqtt: Some(vec!["bench-2".into(), "bench-3".into()]),
            goodbye: true,
            cut_short: None,
        };
        (found, evidence)
    }

    #[test]
    fn nothing_is_missing_when_all_happened() {
        let (found, evidence) = as_it_should_be();
        assert_eq!(missing(&found, &evidence), Vec::<String>::new());
    }

    #[test]
    fn each_thing_that_did_not_happen_is_named() {
        type Spoil = fn(&mut Found, &mut Evidence);
        let spoils: [(&str, Spoil); 12] = [
            ("the daemon's end did not come over MQTT", |_, evidence| {
                evidence.goodbye = false;
            }),
            ("bench-1: its run should be completed, it is lost", |found, _| {
                found.runs[0].outcome = Some(Outcome::Lost);
            }),
            (
                "bench-2: it should be tripped by operator-absent, and is by nothing",
                |found, _| {
                    found.runs[1].trips.clear();
                },
            ),
            ("bench-3: no record of its run", |found, _| {
                found.runs.pop();
            }),
            ("bench-1: its run holds no readings of", |found, _| {
                found.cooldowns[0].scans = 0;
            }),
            ("bench-3: 0.25 of full heat was granted after", |found, _| {
                found.cooldowns[2].heat = 0.25;
            }),
            ("bench-3: its board never became safe", |found, _| {
                found.safe.remove("bench-3");
            }),
            ("bench-2: nobody was warned", |found, _| found.warned.clear()),
            (
                "bench-2: it showed heat 0.5 while it was tripped",
                |_, evidence| {
                    evidence.heat_while_tripped.insert("bench-2".into(), 0.5);
                },
            ),
            ("bench-3: a reset was not refused", |_, evidence| {
                evidence.reset_refused = false;
            }),
            ("the journal does not hold: entry 7", |found, _| {
                found.journal = Some("entry 7 is gone".into());
            }),
            ("bench-3: its trip did not come over MQTT", |_, evidence| {
                evidence.mqtt = Some(vec!["bench-2".into()]);
            }),
        ];
        for (text, spoil) in spoils {
            let (mut found, mut evidence) = as_it_should_be();
            spoil(&mut found, &mut evidence);
            let said = missing(&found, &evidence);
            assert!(said.len() == 1 && said[0].starts_with(text), "{text}: {said:?}");
        }
    }
}
