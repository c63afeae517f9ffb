//! Reads a recorded temperature file: CSV with one header line, one column of times, the others temperatures.

use std::collections::BTreeMap;
use std::fmt;
use std::fs::File;
use std::path::{Path, PathBuf};

use serde::Deserialize;

/// Largest file: a week of eight channels at 10 Hz is about 300 MB, and all of it is held in memory.
const MAX_FILE_BYTES: u64 = 512 * 1024 * 1024;

/// What the temperatures in a file are given in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Unit {
    #[default]
    Celsius,
    Fahrenheit,
}

impl Unit {
    fn to_celsius(self, value: f64) -> f64 {
        match self {
            Unit::Celsius => value,
            Unit::Fahrenheit => (value - 32.0) * 5.0 / 9.0,
        }
    }
}

/// Which columns to read.
#[derive(Debug, Clone, Default)]
pub(crate) struct Columns {
    /// Header of the times; the first column if not given.
    pub(crate) time: Option<String>,
    /// Input id and header. If not given, every column but the time's, with its header as the id.
    pub(crate) channels: Option<BTreeMap<String, String>>,
    pub(crate) unit: Unit,
}

/// A whole recording.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Recording {
    /// Input ids, in the order of each row's values.
    pub(crate) ids: Vec<String>,
    /// At least two, each later than the one before.
    pub(crate) rows: Vec<Row>,
}

#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Row {
    /// Seconds, as in the file; may start below zero.
    pub(crate) time_s: f64,
    /// Degrees Celsius, one per id; `None` where the cell is empty.
    pub(crate) celsius: Vec<Option<f64>>,
}

/// A file that can't be played: which, where in it, and what is wrong.
#[derive(Debug, thiserror::Error)]
pub(crate) struct NotPlayable {
    file: PathBuf,
    line: Option<u64>,
    column: Option<String>,
    what: String,
}

impl fmt::Display for NotPlayable {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.file.display())?;
        if let Some(line) = self.line {
            write!(f, ", line {line}")?;
        }
        if let Some(column) = &self.column {
            write!(f, ", column `{column}`")?;
        }
        write!(f, ": {}", self.what)
    }
}

impl Recording {
    /// Reads the whole file.
    ///
    /// Empty cells, and `NaN` in any case, are missing values. Anything else that isn't a finite number is an error, as are
    /// times that don't rise.
    pub(crate) fn read(path: &Path, columns: &Columns) -> Result<Self, NotPlayable> {
        let wrong = |line: Option<u64>, column: Option<&str>, what: String| NotPlayable {
            file: path.to_owned(),
            line,
            column: column.map(str::to_owned),
            what,
        };
        let file = File::open(path).map_err(|e| wrong(None, None, e.to_string()))?;
        let size = file
            .metadata()
            .map_err(|e| wrong(None, None, e.to_string()))?
            .len();
        if size > MAX_FILE_BYTES {
            return Err(wrong(
                None,
                None,
                format!("{size} bytes, {MAX_FILE_BYTES} at most"),
            ));
        }
        let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).from_reader(file);
        let csv_error = |e: &csv::Error| {
            let line = e.position().map(csv::Position::line);
            let what = match e.kind() {
                csv::ErrorKind::UnequalLengths {
                    expected_len, len, ..
                } => {
                    format!("{len} cells, the header has {expected_len}")
                }
                csv::ErrorKind::Utf8 { .. } => "not UTF-8".to_owned(),
                _ => e.to_string(),
            };
            wrong(line, None, what)
        };
        let headers = reader.headers().map_err(|e| csv_error(&e))?.clone();
        let found = || {
            headers
                .iter()
                .map(|h| format!("`{h}`"))
                .collect::<Vec<_>>()
                .join(", ")
        };
        let place = |header: &str| {
            let mut places = headers
                .iter()
                .enumerate()
                .filter(|(_, h)| *h == header)
                .map(|(n, _)| n);
            match (places.next(), places.next()) {
                (Some(place), None) => Ok(place),
                (Some(_), Some(_)) => Err(wrong(Some(1), Some(header), "is there twice".into())),
                (None, _) => Err(wrong(
                    Some(1),
                    Some(header),
                    format!("isn't there, only: {}", found()),
                )),
            }
        };
        let time = match &columns.time {
            Some(header) => place(header)?,
            None => 0,
        };
        let mut channels = Vec::new();
        match &columns.channels {
            Some(map) => {
                for (id, header) in map {
                    channels.push((id.clone(), place(header)?));
                }
            }
            None => {
                for (n, header) in headers.iter().enumerate().filter(|(n, _)| *n != time) {
                    place(header)?;
                    channels.push((header.to_owned(), n));
                }
            }
        }
        if channels.is_empty() {
            return Err(wrong(
                Some(1),
                None,
                format!("no column of temperatures, only: {}", found()),
            ));
        }

        let mut rows: Vec<Row> = Vec::new();
        let mut record = csv::StringRecord::new();
        while reader.read_record(&mut record).map_err(|e| csv_error(&e))? {
            let line = record.position().map(csv::Position::line);
            let cell = |n: usize| {
                number(&record[n]).map_err(|()| {
                    wrong(
                        line,
                        headers.get(n),
                        format!("`{}` isn't a finite number", &record[n]),
                    )
                })
            };
            let time_s =
                cell(time)?.ok_or_else(|| wrong(line, headers.get(time), "a row needs a time".into()))?;
            if let Some(before) = rows.last().map(|r| r.time_s).filter(|before| *before >= time_s) {
                let what = format!("time {time_s} s comes after {before} s; times must rise");
                return Err(wrong(line, headers.get(time), what));
            }
            let mut celsius = Vec::with_capacity(channels.len());
            for (_, n) in &channels {
                celsius.push(cell(*n)?.map(|value| columns.unit.to_celsius(value)));
            }
            rows.push(Row { time_s, celsius });
        }
        if rows.len() < 2 {
            return Err(wrong(
                None,
                None,
                format!("{} rows of values, at least 2 are needed", rows.len()),
            ));
        }
        Ok(Recording {
            ids: channels.into_iter().map(|(id, _)| id).collect(),
            rows,
        })
    }

    /// Seconds between a row and the next; `None` after the last.
    pub(crate) fn gap_after(&self, row: usize) -> Option<f64> {
        Some(self.rows.get(row + 1)?.time_s - self.rows[row].time_s)
    }

    /// The middle one of all gaps.
    pub(crate) fn usual_gap_s(&self) -> f64 {
        let mut gaps: Vec<f64> = (0..self.rows.len()).filter_map(|n| self.gap_after(n)).collect();
        gaps.sort_by(f64::total_cmp);
        gaps[gaps.len() / 2]
    }
}

fn number(cell: &str) -> Result<Option<f64>, ()> {
    if cell.is_empty() || cell.eq_ignore_ascii_case("nan") {
        return Ok(None);
    }
    cell.parse()
        .ok()
        .filter(|v: &f64| v.is_finite())
        .map(Some)
        .ok_or(())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str, columns: &Columns) -> Result<Recording, String> {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), text).unwrap();
        Recording::read(file.path(), columns)
            .map_err(|e| e.to_string().replace(&file.path().display().to_string(), "FILE"))
    }

    fn channels(map: &[(&str, &str)]) -> Columns {
        let map = map
            .iter()
            .map(|(id, header)| ((*id).to_owned(), (*header).to_owned()))
            .collect();
        Columns {
            channels: Some(map),
            ..Columns::default()
        }
    }

    #[test]
    fn the_first_column_is_time_and_the_others_are_channels() {
        let recording = read(
            "Time,top,edge\n-0.5, 24.25 ,24\n0.5,,23.5\n1.75,NaN,1e2\n",
            &Columns::default(),
        )
        .unwrap();
        assert_eq!(recording.ids, ["top", "edge"]);
        let rows: Vec<(f64, Vec<Option<f64>>)> = recording
            .rows
            .iter()
            .map(|r| (r.time_s, r.celsius.clone()))
            .collect();
        assert_eq!(
            rows,
            [
                (-0.5, vec![Some(24.25), Some(24.0)]),
                (0.5, vec![None, Some(23.5)]),
                (1.75, vec![None, Some(100.0)]),
            ]
        );
        assert_eq!(recording.gap_after(1), Some(1.25));
        assert_eq!(recording.gap_after(2), None);
    }

    #[test]
    fn columns_are_chosen_by_header_and_fahrenheit_is_converted() {
        let columns = Columns {
            time: Some("t".into()),
            unit: Unit::Fahrenheit,
            ..channels(&[("tc1", "b")])
        };
        let recording = read(",t,a,b\n0,0,x,212\n1,1,y,-40\n", &columns).unwrap();
        assert_eq!(recording.ids, ["tc1"]);
        assert_eq!(recording.rows[0].celsius, [Some(100.0)]);
        assert_eq!(recording.rows[1].celsius, [Some(-40.0)]);
    }

    #[test]
    fn what_cannot_be_played_is_told_with_its_place() {
        for (text, columns, expected) in [
            (
                "t,a\n0,1\n1,warm\n",
                Columns::default(),
                "FILE, line 3, column `a`: `warm` isn't a finite number",
            ),
            (
                "t,a\n0,1\n1,inf\n",
                Columns::default(),
                "FILE, line 3, column `a`: `inf` isn't a finite number",
            ),
            (
                "t,a\n0,1\n,2\n",
                Columns::default(),
                "FILE, line 3, column `t`: a row needs a time",
            ),
            (
                "t,a\n5,1\n5,2\n",
                Columns::default(),
                "FILE, line 3, column `t`: time 5 s comes after 5 s; times must rise",
            ),
            (
                "t,a\n0,1\n1\n",
                Columns::default(),
                "FILE, line 3: 1 cells, the header has 2",
            ),
            (
                "t,a\n0,1\n",
                Columns::default(),
                "FILE: 1 rows of values, at least 2 are needed",
            ),
            (
                "t\n0\n1\n",
                Columns::default(),
                "FILE, line 1: no column of temperatures, only: `t`",
            ),
            (
                "",
                Columns::default(),
                "FILE, line 1: no column of temperatures, only: ",
            ),
            (
                "t,a\n0,1\n1,2\n",
                channels(&[("tc1", "b")]),
                "FILE, line 1, column `b`: isn't there, only: `t`, `a`",
            ),
            (
                "t,a,a\n0,1,2\n1,2,3\n",
                channels(&[("tc1", "a")]),
                "FILE, line 1, column `a`: is there twice",
            ),
        ] {
            assert_eq!(read(text, &columns).unwrap_err(), expected);
        }
        let missing = Recording::read(Path::new("/nowhere/at/all.csv"), &Columns::default()).unwrap_err();
        assert!(
            missing
                .to_string()
                .starts_with("/nowhere/at/all.csv: No such file"),
            "{missing}"
        );
    }
}
