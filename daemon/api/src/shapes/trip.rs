//! Alarms of the lab, and the records of trips and warnings.

use benchward_archive as archive;
use benchward_core::interlock::InterlockName;
use serde::{Deserialize, Serialize};

/// An alarm of the whole lab that stands: an interlock of one station that concerns everybody.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alarm {
    /// The station whose interlock it is.
    pub station: String,
    /// The interlock.
    pub interlock: String,
    /// `tripped` or `acknowledged`.
    pub standing: String,
    /// Who has seen it; null: nobody yet.
    pub acknowledged_by: Option<String>,
    /// What happened, what the lab does about it, what to do.
    pub text: String,
}

impl From<&benchward_core::Alarm> for Alarm {
    fn from(alarm: &benchward_core::Alarm) -> Self {
        Self {
            station: alarm.station_name.to_string(),
            interlock: alarm.interlock.text().into(),
            standing: alarm.standing().into(),
            acknowledged_by: alarm.acknowledged_by.as_ref().map(|by| by.name.to_string()),
            text: alarm.text.clone(),
        }
    }
}

/// `benchward trip list`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TripRecords {
    /// [`super::SCHEMA`].
    pub schema: u32,
    /// Newest first.
    pub trips: Vec<TripRecord>,
}

/// One trip or warning, from its beginning to its end.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TripRecord {
    /// Number of the journal entry that raised it.
    pub n: u64,
    /// `trip` or `warning`.
    pub kind: String,
    /// Where.
    pub station: String,
    /// In which run.
    pub run: Option<u64>,
    /// The interlock.
    pub interlock: String,
    /// What a trip did: `cut` or `heat off`; null for a warning.
    pub effect: Option<String>,
    /// Whether it is an alarm of the whole lab.
    pub lab_alarm: bool,
    /// Where it stands: `warning`, `tripped`, `acknowledged`, or `clear`: it is over.
    pub standing: String,
    /// When it was raised.
    pub raised: String,
    /// What happened.
    pub text: String,
    /// The channel, where there is one.
    pub channel: Option<String>,
    /// Measured value, in `unit`.
    pub value: Option<f64>,
    /// The limit that it passed, in `unit`.
    pub limit: Option<f64>,
    /// UCUM code of both; empty where there are none.
    pub unit: String,
    /// When it was acknowledged.
    pub acknowledged: Option<String>,
    /// By whom.
    pub acknowledged_by: Option<String>,
    /// When it was over: reset; or, of a warning, its cause gone, the daemon ended, or a trip in its place.
    pub cleared: Option<String>,
    /// Who reset it; null for a warning, which ends by itself, and for a trip that a worse one took the place of.
    pub cleared_by: Option<String>,
}

/// Which records are asked for. Every key may be left out.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct TripQuery {
    /// Those that are over, too.
    pub all: bool,
    /// Of this station.
    pub station: Option<String>,
    /// How many at most; absent: 100.
    pub limit: Option<usize>,
}

/// What a later entry said of an interlock, for the record that an earlier one raised.
#[derive(Debug, Clone, Default)]
struct Later {
    acknowledged: Option<(String, Option<String>)>,
    cleared: Option<(String, Option<String>)>,
}

/// Puts the records of trips and warnings together of the journal's entries, given newest first.
///
/// What is in the journal is all there is to know of them; there is no second store that could say something else. Entries of
/// versions that didn't name the interlock in their data make no record.
#[derive(Debug, Default)]
pub struct TripReader {
    later: std::collections::BTreeMap<(String, String), Later>,
    /// When the oldest start of a daemon that was met happened: no warning outlives one.
    started: Option<String>,
}

impl TripReader {
    /// Takes the next older entry; the record that it raised, if it did.
    pub fn take(&mut self, entry: &archive::Entry) -> Option<TripRecord> {
        let kept = &entry.entry;
        let at = kept.at.to_string();
        if kept.kind == "started" {
            self.started = Some(at);
            return None;
        }
        if !matches!(kept.kind.as_str(), "trip" | "warning" | "acknowledged" | "reset") {
            return None;
        }
        let word = |key: &str| kept.data.get(key).and_then(|value| value.as_str());
        let figure = |key: &str| kept.data.get(key).and_then(serde_json::Value::as_f64);
        let (station, interlock) = (kept.station.clone()?, word("interlock")?.to_owned());
        let of = (station.clone(), interlock.clone());
        let raised = match word("standing")? {
            "acknowledged" => {
                self.later.entry(of).or_default().acknowledged = Some((at, kept.who.clone()));
                return None;
            }
            "clear" => {
                let cleared = Some((at, kept.who.clone()));
                self.later.insert(
                    of,
                    Later {
                        acknowledged: None,
                        cleared,
                    },
                );
                return None;
            }
            raised => raised.to_owned(),
        };
        let warning = raised == "warning";
        // What it ends with from the side of an older one: this one takes its place.
        let taken_over = Later {
            acknowledged: None,
            cleared: Some((at.clone(), None)),
        };
        let mut later = self.later.insert(of, taken_over).unwrap_or_default();
        if warning {
            later.cleared = later
                .cleared
                .or_else(|| self.started.clone().map(|at| (at, None)));
        }
        let standing = match (&later.cleared, &later.acknowledged) {
            (Some(_), _) => "clear",
            (None, Some(_)) => "acknowledged",
            (None, None) => &raised,
        };
        let (acknowledged, acknowledged_by) = later.acknowledged.clone().unzip();
        let (cleared, cleared_by) = later.cleared.clone().unzip();
        Some(TripRecord {
            n: entry.n,
            kind: kept.kind.clone(),
            run: kept.run,
            effect: word("effect").map(Into::into),
            lab_alarm: !warning && InterlockName::parse(&interlock).is_some_and(InterlockName::alarms_lab),
            standing: standing.to_owned(),
            raised: at,
            text: kept.text.clone(),
            channel: word("channel").map(Into::into),
            value: figure("value"),
            limit: figure("limit"),
            unit: word("unit").unwrap_or_default().into(),
            acknowledged,
            acknowledged_by: acknowledged_by.flatten(),
            cleared,
            cleared_by: cleared_by.flatten(),
            station,
            interlock,
        })
    }
}

impl TripRecords {
    /// Records in an answer when nothing else is asked for, and the most of one.
    const PAGE: usize = 100;
    const MOST: usize = 10_000;
    /// Entries read at a time.
    const STRIDE: usize = 2_000;
    /// How many of the journal's newest entries are looked at: months of a busy lab, seconds of reading.
    const LOOKED_AT: usize = 200_000;

    /// The records that `query` asks for, of the newest 200,000 entries of an archive's journal.
    ///
    /// # Errors
    /// If the journal can't be read.
    pub fn read(reader: &archive::Reader, query: &TripQuery) -> Result<Self, archive::Error> {
        let most = query.limit.unwrap_or(Self::PAGE).min(Self::MOST);
        let (mut records, mut trips) = (TripReader::default(), Vec::new());
        let (mut from, mut looked_at) = (None, 0);
        'all: while looked_at < Self::LOOKED_AT && trips.len() < most {
            // Not by station: that a daemon was started is of none.
            let page = reader.journal(&archive::JournalQuery {
                from,
                order: archive::Order::NewestFirst,
                limit: Self::STRIDE,
                ..archive::JournalQuery::default()
            })?;
            looked_at += page.len();
            for entry in &page {
                let wanted = records.take(entry).filter(|record| {
                    (query.all || record.standing != "clear")
                        && query
                            .station
                            .as_ref()
                            .is_none_or(|station| *station == record.station)
                });
                trips.extend(wanted);
                if trips.len() >= most {
                    break 'all;
                }
            }
            match page.last() {
                Some(last) if last.n > 1 && page.len() == Self::STRIDE => from = Some(last.n - 1),
                _ => break,
            }
        }
        Ok(Self {
            schema: super::SCHEMA,
            trips,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use archive::{JournalEntry, Wall};
    use serde_json::json;

    /// Entries, oldest first: kind, standing, who.
    fn records(told: &[(&str, &str, Option<&str>)]) -> Vec<TripRecord> {
        let entries: Vec<archive::Entry> = (1..)
            .zip(told)
            .map(|(n, (kind, standing, who))| {
                let mut entry =
                    JournalEntry::new(Wall(n * 1000), n.unsigned_abs(), *kind, format!("{kind} {n}"));
                if *kind != "started" {
                    entry = entry
                        .station("bench-1")
                        .data(json!({"interlock": "heat-stuck-on", "standing": standing}));
                }
                if let Some(who) = who {
                    entry = entry.who(*who);
                }
                archive::Entry {
                    n: n.unsigned_abs(),
                    entry,
                    hash: archive::Hash::ZERO,
                    line: String::new(),
                }
            })
            .collect();
        let mut reader = TripReader::default();
        entries
            .iter()
            .rev()
            .filter_map(|entry| reader.take(entry))
            .collect()
    }

    #[test]
    fn a_trip_is_one_record_from_raised_to_cleared() {
        let all = records(&[
            ("trip", "tripped", None),
            ("acknowledged", "acknowledged", Some("op1")),
            ("reset", "clear", Some("safe1")),
            ("trip", "tripped", None),
        ]);
        let [open, over] = &all[..] else { panic!("{all:?}") };
        assert_eq!(
            (open.n, open.standing.as_str(), &open.acknowledged_by),
            (4, "tripped", &None)
        );
        assert!(open.lab_alarm && open.cleared.is_none());
        assert_eq!((over.n, over.standing.as_str()), (1, "clear"));
        assert_eq!(over.raised, "1970-01-01T00:00:01.000Z");
        assert_eq!(over.acknowledged.as_deref(), Some("1970-01-01T00:00:02.000Z"));
        assert_eq!(over.acknowledged_by.as_deref(), Some("op1"));
        assert_eq!(over.cleared.as_deref(), Some("1970-01-01T00:00:03.000Z"));
        assert_eq!(over.cleared_by.as_deref(), Some("safe1"));
    }

    #[test]
    fn a_trip_outlives_a_restart_and_a_warning_does_not() {
        let all = records(&[
            ("trip", "tripped", None),
            ("acknowledged", "acknowledged", Some("op1")),
            ("started", "", None),
        ]);
        assert_eq!(all[0].standing, "acknowledged");
        let all = records(&[("warning", "warning", None), ("started", "", None)]);
        assert_eq!(
            (all[0].kind.as_str(), all[0].standing.as_str()),
            ("warning", "clear")
        );
        assert_eq!((all[0].lab_alarm, &all[0].cleared_by), (false, &None));
        let all = records(&[("started", "", None), ("warning", "warning", None)]);
        assert_eq!(all[0].standing, "warning");
    }

    #[test]
    fn a_worse_one_takes_its_place() {
        let all = records(&[
            ("warning", "warning", None),
            ("trip", "tripped", None),
            ("acknowledged", "acknowledged", Some("op1")),
            ("trip", "tripped", None),
        ]);
        let standings: Vec<_> = all.iter().map(|one| one.standing.as_str()).collect();
        assert_eq!(standings, ["tripped", "clear", "clear"]);
        assert_eq!(all[1].acknowledged_by.as_deref(), Some("op1"));
        assert_eq!(
            (all[1].cleared.as_deref(), &all[1].cleared_by),
            (Some("1970-01-01T00:00:04.000Z"), &None)
        );
        assert_eq!(all[2].cleared.as_deref(), Some("1970-01-01T00:00:02.000Z"));
    }
}
