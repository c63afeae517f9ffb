//! How far those who pass readings on have come, and what comes next for them.
//!
//! The archive is the queue of everybody who passes readings on: they are in it anyway, in order, and survive everything. A *series*
//! is what has an order of its own and only grows at its end: the rows of a run, or a station's rows outside runs of one UTC day.
//! A *cursor* says how many rows of each series a consumer has been acknowledged. Rows are counted from the beginning of their series;
//! a row's number never changes, whether it waits in memory, is in an open file or in a sealed one.
//!
//! | may happen | what comes of it |
//! |---|---|
//! | the daemon dies before the newest cursor is on the disk | what was acknowledged in the last moment comes once more |
//! | it dies before the newest rows are | [`Archive::open`](crate::Archive::open) takes the cursor back to the rows that are there, so that new ones are not taken for old |
//! | the store is lost, and the cursors with it | a consumer has none, and begins where it says |
//! | retention removes a day that is owed | the journal says so, with the consumer's name |
//! | a chunk is damaged | [`Stretch::damage`] says so; what is behind it follows |

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::os::unix::fs::MetadataExt as _;
use std::path::{Path, PathBuf};
use std::str::FromStr;
use std::sync::Arc;

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::chunk::Columns;
use crate::error::{Damage, Error};
use crate::files;
use crate::ledger::RunBegun;
use crate::live::OpenView;
use crate::reader::Reader;
use crate::reading::Scan;
use crate::run_file::{FileChunks, FileKey};
use crate::wall::Wall;

/// Rows that have an order and only grow at their end. As text `run/12` or `outside/bench-1/2026-11-25`.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Series {
    /// The rows of a run.
    Run(u64),
    /// A station's rows outside runs of one UTC day, counted from 1970-01-01.
    Outside {
        /// The day.
        day: i32,
        /// The station.
        station: String,
    },
}

impl Series {
    pub(crate) fn key(&self) -> FileKey {
        match self {
            Self::Run(run) => FileKey::Run(*run),
            Self::Outside { day, station } => FileKey::Loose {
                station: station.clone(),
                day: *day,
            },
        }
    }

    fn of(key: &FileKey) -> Self {
        match key {
            FileKey::Run(run) => Self::Run(*run),
            FileKey::Loose { station, day } => Self::Outside {
                day: *day,
                station: station.clone(),
            },
        }
    }
}

impl fmt::Display for Series {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Run(run) => write!(f, "run/{run}"),
            Self::Outside { day, station } => write!(f, "outside/{station}/{}", Wall::of_day(*day).date()),
        }
    }
}

/// A text that names no series.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` names no series; write `run/12` or `outside/bench-1/2026-11-25`")]
pub struct NotASeries(String);

impl FromStr for Series {
    type Err = NotASeries;

    fn from_str(text: &str) -> Result<Self, NotASeries> {
        let parsed = match text.split_once('/') {
            Some(("run", run)) => run.parse().ok().map(Self::Run),
            Some(("outside", rest)) => rest.rsplit_once('/').and_then(|(station, date)| {
                let day = format!("{date}T00:00:00Z").parse::<Wall>().ok()?.day();
                Some(Self::Outside {
                    day,
                    station: station.to_owned(),
                })
            }),
            _ => None,
        };
        parsed.ok_or_else(|| NotASeries(text.into()))
    }
}

impl Serialize for Series {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Series {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = std::borrow::Cow::<'de, str>::deserialize(deserializer)?;
        text.parse().map_err(serde::de::Error::custom)
    }
}

/// How far one consumer has been acknowledged.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Cursor {
    /// Runs with lower numbers are done.
    runs_below: u64,
    /// Readings outside runs of earlier UTC days are done. `None`: they are not for this consumer.
    days_below: Option<i32>,
    /// Of later ones, those that are done.
    done: BTreeSet<Series>,
    /// Of the others, how many rows are acknowledged, where there are any.
    rows: BTreeMap<Series, u64>,
    /// Entries of the journal up to this number are done. Of a consumer of readings, 0.
    #[serde(default, skip_serializing_if = "is_zero")]
    entries: u64,
}

#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde hands a reference in")]
const fn is_zero(number: &u64) -> bool {
    *number == 0
}

impl Cursor {
    /// Begins with run `run`, and if there is a `day`, with that UTC day's readings outside runs.
    pub fn from(run: u64, day: Option<i32>) -> Self {
        Self {
            runs_below: run,
            days_below: day,
            ..Self::default()
        }
    }

    /// Of a consumer of the journal: entries up to this number are acknowledged.
    pub fn of_entries(entries: u64) -> Self {
        Self {
            entries,
            ..Self::default()
        }
    }

    /// The number of the newest entry of the journal that is acknowledged with all before it; 0: none.
    pub const fn entries(&self) -> u64 {
        self.entries
    }

    /// From now on with readings outside runs, from that UTC day on, or without.
    pub fn with_outside(&mut self, day: Option<i32>) {
        match (self.days_below, day) {
            (None, Some(day)) => self.days_below = Some(day),
            (Some(_), None) => {
                self.days_below = None;
                self.done.retain(|series| matches!(series, Series::Run(_)));
                self.rows.retain(|series, _| matches!(series, Series::Run(_)));
            }
            (Some(_), Some(_)) | (None, None) => {}
        }
    }

    /// How many rows of a series are acknowledged; `None`: it is done, or not for this consumer.
    pub fn rows(&self, series: &Series) -> Option<u64> {
        let over = match series {
            Series::Run(run) => *run < self.runs_below,
            Series::Outside { day, .. } => self.days_below.is_none_or(|below| *day < below),
        };
        (!over && !self.done.contains(series)).then(|| self.rows.get(series).copied().unwrap_or(0))
    }

    /// Rows of a series are acknowledged up to here.
    pub fn advance(&mut self, series: &Series, rows: u64) {
        self.done.remove(series);
        self.rows.insert(series.clone(), rows);
    }

    /// All of a series is acknowledged, and no more will come.
    pub fn finish(&mut self, series: &Series) {
        self.rows.remove(series);
        self.done.insert(series.clone());
    }

    /// Forgets one by one what is done where nothing older is owed: `owed` are the series that aren't done, as
    /// [`Reader::owed`] lists them.
    pub fn settle(&mut self, owed: &[Owed], today: i32) {
        let (mut run, mut day) = (u64::MAX, today);
        for owed in owed {
            match &owed.series {
                Series::Run(number) => run = run.min(*number),
                Series::Outside { day: of, .. } => day = day.min(*of),
            }
        }
        if run == u64::MAX {
            // Nothing is owed: all that is known to be done lies behind.
            let last = self.done.iter().filter_map(|series| match series {
                Series::Run(number) => Some(number.saturating_add(1)),
                Series::Outside { .. } => None,
            });
            run = last.max().unwrap_or(self.runs_below);
        }
        self.runs_below = self.runs_below.max(run);
        self.days_below = self.days_below.map(|below| below.max(day));
        let (runs_below, days_below) = (self.runs_below, self.days_below);
        let ahead = |series: &Series| match series {
            Series::Run(run) => *run >= runs_below,
            Series::Outside { day, .. } => days_below.is_some_and(|below| *day >= below),
        };
        self.done.retain(ahead);
        // A day that rows are added to though it is long over, since the wall clock stepped back, keeps its count.
        self.rows
            .retain(|series, _| ahead(series) || matches!(series, Series::Outside { .. }));
    }

    /// Takes back what is acknowledged beyond the rows that there are; `there` counts them. Returns whether anything was.
    pub(crate) fn take_back(&mut self, there: impl Fn(&Series) -> Option<u64>) -> bool {
        let mut changed = false;
        for (series, rows) in &mut self.rows {
            if let Some(there) = there(series).filter(|there| there < rows) {
                *rows = there;
                changed = true;
            }
        }
        changed
    }

    /// The file of that name, such as `bench-1.2026-11-25-2.bwr`, is gone. Returns what it was to this consumer, if it was owed.
    pub(crate) fn lost_with(&self, path: &Path) -> Option<(Series, u64)> {
        let stem = path.file_stem()?.to_str()?;
        let (station, date) = stem.rsplit_once('.')?;
        let day = format!("{}T00:00:00Z", date.get(..10)?)
            .parse::<Wall>()
            .ok()?
            .day();
        let series = Series::Outside {
            day,
            station: station.to_owned(),
        };
        self.rows(&series).map(|rows| (series, rows))
    }
}

/// A series of which something may be owed to a consumer.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Owed {
    /// Which.
    pub series: Series,
    /// Whose.
    pub station: String,
    /// When it began.
    pub began: Wall,
    /// What is acknowledged of it.
    pub rows: u64,
}

/// Consecutive rows of a series.
#[derive(Clone, Debug, PartialEq)]
pub struct Stretch {
    /// Channel names, in the order of [`Scan::values`].
    pub channels: Arc<[String]>,
    /// Number of the first row.
    pub first: u64,
    /// The rows.
    pub scans: Vec<Scan>,
    /// Number of the row that comes next: beyond `first` plus the rows if some could not be read.
    pub next: u64,
    /// These are the newest rows that there were at that moment.
    pub newest: bool,
    /// The series ends here: no row will be added to it.
    pub ends: bool,
    /// What could not be read on the way.
    pub damage: Vec<Damage>,
}

impl Reader {
    /// How far a consumer has been acknowledged; `None`: it is new, or the store was lost.
    pub fn cursor(&self, consumer: &str) -> Result<Option<Cursor>, Error> {
        self.0.ask(|ledger| ledger.cursor(consumer))
    }

    /// A cursor to which nothing is owed at this moment: all that comes from now on is. `outside`: whether readings outside runs are
    /// for the consumer.
    pub fn cursor_at_end(&self, outside: bool, today: i32) -> Result<Cursor, Error> {
        let (open, last) = self
            .0
            .ask(|ledger| Ok((ledger.unsealed_runs()?, ledger.last_run()?)))?;
        let open: BTreeSet<u64> = open.into_iter().map(|run| run.run).collect();
        let below = open.first().copied().unwrap_or(last.saturating_add(1));
        let mut cursor = Cursor::from(below, outside.then_some(today));
        for run in below..=last {
            let series = Series::Run(run);
            if open.contains(&run) {
                cursor.advance(&series, self.rows_in(&series)?);
            } else {
                cursor.finish(&series);
            }
        }
        if outside {
            for series in self.days_that_grow() {
                cursor.advance(&series, self.rows_in(&series)?);
            }
        }
        Ok(cursor)
    }

    /// The series of which something may be owed, oldest first; of runs at most `limit`, the lowest numbers.
    pub fn owed(&self, cursor: &Cursor, limit: usize) -> Result<Vec<Owed>, Error> {
        let runs = self.0.ask(|ledger| {
            ledger.runs_from(cursor.runs_below, limit, |run| {
                cursor.rows(&Series::Run(run)).is_some()
            })
        })?;
        let mut owed: Vec<Owed> = runs
            .into_iter()
            .map(
                |RunBegun {
                     run,
                     station,
                     started,
                 }| {
                    let series = Series::Run(run);
                    Owed {
                        rows: cursor.rows(&series).unwrap_or(0),
                        series,
                        station,
                        began: started,
                    }
                },
            )
            .collect();
        if let Some(below) = cursor.days_below {
            for series in self.days_outside(below)? {
                // One that still grows is owed though its day was done: the wall clock stepped back.
                let growing = || self.0.live().has_unsealed(&series.key());
                let rows = cursor
                    .rows(&series)
                    .or_else(|| growing().then(|| cursor.rows.get(&series).copied().unwrap_or(0)));
                if let (Some(rows), Series::Outside { day, station }) = (rows, &series) {
                    owed.push(Owed {
                        station: station.clone(),
                        began: Wall::of_day(*day),
                        rows,
                        series,
                    });
                }
            }
        }
        owed.sort_by(|one, two| (one.began, &one.series).cmp(&(two.began, &two.series)));
        Ok(owed)
    }

    /// Days of which there are readings outside runs: sealed ones from `from` on, and all that still grow.
    fn days_outside(&self, from: i32) -> Result<BTreeSet<Series>, Error> {
        let mut days = self.days_that_grow();
        let first_year: String = Wall::of_day(from).date().chars().take(4).collect();
        for year in files::list(&self.0.root.join("loose"))? {
            let name = year.file_name().unwrap_or_default().to_string_lossy();
            if from > 0 && *name < *first_year {
                continue;
            }
            for path in files::list(&year)? {
                let all = Cursor::from(0, Some(from));
                days.extend(all.lost_with(&path).map(|(series, _)| series));
            }
        }
        Ok(days)
    }

    /// Days of which there are readings outside runs in no sealed file.
    fn days_that_grow(&self) -> BTreeSet<Series> {
        let live = self.0.live();
        let waiting = live.stations.iter().flat_map(|station| {
            let segments = station.segments.iter();
            segments.map(|segment| segment.key(&station.name))
        });
        let keys = live.open.keys().cloned().chain(waiting);
        keys.filter(|key| matches!(key, FileKey::Loose { .. }))
            .map(|key| Series::of(&key))
            .collect()
    }

    /// How many rows a series has now.
    pub fn rows_in(&self, series: &Series) -> Result<u64, Error> {
        let places = self.places_of(series)?;
        let mut rows = places.open.map_or(0, |open| open.rows);
        rows += places
            .waiting
            .iter()
            .map(|columns| columns.len() as u64)
            .sum::<u64>();
        for path in places.sealed {
            rows += FileChunks::of_path(&path)?.rows();
        }
        Ok(rows)
    }

    /// Rows of a series from number `from` on: at most `max`, and no more than are together in one place.
    ///
    /// # Errors
    /// [`Error::Files`] if a file cannot be read.
    pub fn rows_after(&self, series: &Series, from: u64, max: usize) -> Result<Stretch, Error> {
        let places = self.places_of(series)?;
        let mut stretch = Stretch {
            channels: Arc::new([]),
            first: from,
            scans: Vec::new(),
            next: from,
            newest: false,
            ends: false,
            damage: Vec::new(),
        };
        let mut skip = from;
        for path in &places.sealed {
            if FileChunks::of_path(path)?.rows_at(&mut skip, max, &mut stretch) {
                return Ok(stretch);
            }
        }
        match &places.open {
            // Not read where the rows behind it are asked for, which is what a consumer that keeps up does.
            Some(open) if skip >= open.rows => skip -= open.rows,
            Some(open) => {
                let mut chunks = FileChunks::of_open(open.path.clone(), &open.file, open.length)?;
                if chunks.rows_at(&mut skip, max, &mut stretch) {
                    return Ok(stretch);
                }
            }
            None => {}
        }
        for (at, columns) in places.waiting.iter().enumerate() {
            let rows = columns.len() as u64;
            if skip < rows {
                let from = usize::try_from(skip).unwrap_or(usize::MAX);
                stretch.scans = columns.scans_from(from).take(max).collect();
                stretch.next += stretch.scans.len() as u64;
                stretch.channels = Arc::clone(&columns.channels);
                stretch.newest = at + 1 == places.waiting.len() && skip + stretch.scans.len() as u64 == rows;
                return Ok(stretch);
            }
            skip -= rows;
        }
        let grows = places.open.is_some() || !places.waiting.is_empty();
        stretch.ends = !grows
            && match series {
                // A run that has just begun, or has ended and left no reading.
                Series::Run(run) if places.sealed.is_empty() => {
                    let record = self.0.ask(|ledger| ledger.run(*run))?;
                    record.is_none_or(|run| run.has_ended())
                }
                Series::Run(_) | Series::Outside { .. } => true,
            };
        Ok(stretch)
    }

    /// Where the rows of a series are, as of one moment.
    fn places_of(&self, series: &Series) -> Result<Places, Error> {
        let key = series.key();
        let mut sealed = key.sealed(&self.0.root)?;
        loop {
            let (open, waiting) = {
                let live = self.0.live();
                let waiting = live.segments_of(&key).map(|segment| segment.columns.clone());
                (live.open.get(&key).cloned(), waiting.collect())
            };
            let again = key.sealed(&self.0.root)?;
            if again == sealed {
                // A file that has its final name already and is still listed as open is known by its inode.
                let inode = open.as_ref().map(|open: &OpenView| open.file.metadata());
                let inode = inode.and_then(Result::ok).map(|file| file.ino());
                sealed.retain(|path| {
                    inode.is_none() || std::fs::metadata(path).ok().map(|file| file.ino()) != inode
                });
                return Ok(Places {
                    sealed,
                    open,
                    waiting,
                });
            }
            sealed = again;
        }
    }
}

/// Where the rows of a series are, in the order of the rows.
struct Places {
    sealed: Vec<PathBuf>,
    open: Option<OpenView>,
    waiting: Vec<Columns>,
}
