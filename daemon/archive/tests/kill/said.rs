//! What the killed processes said that others may rely on, held against what is there.

use std::collections::{BTreeMap, BTreeSet};

use benchward_archive::{JournalQuery, Outcome, Reader, Wall};

use crate::work::{RECIPE, rows_of, values};

#[derive(Default)]
pub(crate) struct Said {
    /// Number and hash of the newest entry.
    journal: (u64, String),
    trip: u64,
    limit: u64,
    cursor: u64,
    /// Revisions of the recipe, and what they hold.
    recipe: BTreeMap<u32, u64>,
    ended: BTreeSet<u64>,
    rows: BTreeMap<u64, u64>,
    /// Readings outside runs: from, up to, by the day of their process. A process may not have said all that it wrote.
    loose: BTreeMap<(i32, u64), u64>,
    /// The number of the next one.
    pub(crate) next_loose: u64,
    /// Runs that were said something of since they were last looked at.
    fresh: BTreeSet<u64>,
}

impl Said {
    /// Takes a line of a process; true if it says that something may be relied on.
    pub(crate) fn hear(&mut self, line: &str, day: i32, loose_from: u64) -> bool {
        let words: Vec<&str> = line.split(' ').collect();
        let number = |at: usize| words.get(at).and_then(|word| word.parse::<u64>().ok());
        match (words[0], number(1), number(2)) {
            ("J", Some(n), _) if words.len() == 3 => self.journal = (n, words[2].to_owned()),
            ("T", Some(n), None) => self.trip = n,
            ("M", Some(n), None) => self.limit = n,
            ("C", Some(n), None) => self.cursor = n,
            ("D", Some(revision), Some(n)) => {
                self.recipe.insert(u32::try_from(revision).unwrap(), n);
            }
            ("E", Some(run), None) => {
                self.ended.insert(run);
                self.fresh.insert(run);
            }
            ("R", Some(run), Some(n)) => {
                self.rows.insert(run, n);
                self.fresh.insert(run);
            }
            ("L", Some(n), None) => {
                self.loose.insert((day, loose_from), n);
            }
            _ => return false,
        }
        true
    }

    /// Readings outside runs of days before this one may be gone: they are old, or the disk was short.
    pub(crate) fn may_be_gone(&mut self, before: i32) {
        self.loose.retain(|(day, _), _| *day >= before);
    }

    pub(crate) fn summary(&self) -> String {
        format!(
            "journal to {}, {} runs, {} of them ended, {} revisions of a recipe, readings outside runs to {}",
            self.journal.0,
            self.rows.len(),
            self.ended.len(),
            self.recipe.len(),
            self.next_loose
        )
    }

    pub(crate) fn has_much(&self) -> bool {
        self.journal.0 > 0 && !self.rows.is_empty() && !self.recipe.is_empty()
    }

    /// Everything but the runs that were looked at before and were left alone since.
    pub(crate) fn check(&mut self, reader: &Reader) {
        let fresh = std::mem::take(&mut self.fresh);
        self.check_records(reader);
        for run in fresh {
            self.check_run(reader, run);
        }
        self.check_loose(reader);
    }

    pub(crate) fn check_all(&mut self, reader: &Reader) {
        self.fresh = self.rows.keys().chain(&self.ended).copied().collect();
        self.check(reader);
    }

    fn check_records(&self, reader: &Reader) {
        let verified = reader.verify().unwrap();
        let (last, hash) = &self.journal;
        assert!(
            verified.ok && verified.first == 1 && verified.entries >= *last,
            "journal up to {last} was said: {verified:?}"
        );
        if *last > 0 {
            let query = JournalQuery {
                from: Some(*last),
                limit: 1,
                ..JournalQuery::default()
            };
            let entry = &reader.journal(&query).unwrap()[0];
            assert_eq!((entry.n, entry.hash.to_string()), (*last, hash.clone()));
        }
        let as_number = |n: f64| format!("{n}").parse::<u64>().unwrap();
        let trip = reader.trips().unwrap();
        let there = [
            (
                "trip",
                self.trip,
                trip.get("bench-1")
                    .and_then(|trips| trips["over-temperature"]["n"].as_u64()),
            ),
            (
                "limit",
                self.limit,
                reader.limits().unwrap().get("lab").copied().map(as_number),
            ),
            (
                "cursor",
                self.cursor,
                reader
                    .cursor("mqtt")
                    .unwrap()
                    .and_then(|cursor| serde_json::to_value(cursor).unwrap()["runs_below"].as_u64()),
            ),
        ];
        for (what, said, there) in there {
            assert!(
                there.unwrap_or(0) >= said,
                "{what} {said} was said, {there:?} is there"
            );
        }
        for (&revision, n) in &self.recipe {
            let found = reader.recipe(RECIPE, Some(revision)).unwrap();
            assert_eq!(
                found.map(|found| found.text),
                Some(format!("# {n}\n")),
                "revision {revision}"
            );
        }
    }

    fn check_run(&self, reader: &Reader, run: u64) {
        let record = reader.run(run).unwrap();
        let mut found = 0;
        for scan in reader.readings(run).unwrap() {
            let scan = scan.unwrap();
            assert_eq!(scan.values, values(run, found), "run {run}, row {found}");
            found += 1;
        }
        let wanted = if self.ended.contains(&run) {
            assert_eq!(record.outcome, Some(Outcome::Completed), "run {run}");
            rows_of(&record.station)
        } else {
            self.rows.get(&run).copied().unwrap_or(0)
        };
        assert!(
            found >= wanted,
            "run {run}: {wanted} rows were said, {found} are there"
        );
        assert_eq!(reader.check_run(run).unwrap(), [], "run {run}");
        for part in reader.decisions(run).unwrap() {
            part.unwrap();
        }
    }

    /// Each number at most once, rising, and all that were said.
    fn check_loose(&mut self, reader: &Reader) {
        let mut found = BTreeSet::new();
        for scan in reader.loose("oven-1", Wall(0), Wall(i64::MAX)).unwrap() {
            let scan = scan.unwrap();
            let n: u64 = scan.target_celsius.unwrap().to_string().parse().unwrap();
            assert_eq!(scan.values, values(0, n), "reading {n} outside runs");
            assert!(
                found.last().is_none_or(|last| *last < n),
                "{n} comes after {:?}",
                found.last()
            );
            found.insert(n);
        }
        for (&(day, from), &to) in &self.loose {
            let missing = (from..to).find(|n| !found.contains(n));
            assert_eq!(
                missing, None,
                "readings {from}..{to} outside runs, of day {day}, were said"
            );
        }
        let next = found.last().map_or(0, |last| last + 1);
        self.next_loose = self.next_loose.max(next);
    }
}
