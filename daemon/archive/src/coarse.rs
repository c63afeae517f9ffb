//! Coarse levels: lowest, highest and mean reading of each 10 s and of each 5 min, for what is shown of long spans.
//!
//! A sealed file has them beside its chunks, so that a month's chart reads some thousand numbers and no readings. They are made of the
//! readings at sealing and never of each other.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::reading::{Scan, Value};
use crate::table::{Column, Table};
use crate::wall::Wall;

/// The levels, milliseconds of wall time a span. Spans begin at whole multiples.
pub const LEVELS_MS: [i64; 2] = [10_000, 300_000];

/// Means are kept to this share of a degree: finer than any converter, and a third of the bytes.
const MEAN_GRID: f64 = 1000.0;

/// One span of one station.
#[derive(Debug, Clone, PartialEq)]
pub struct Span {
    /// When it begins.
    pub start: Wall,
    /// How many scans fell into it.
    pub scans: u64,
    /// Mean of the granted heat, 0 to 1, to a thousandth.
    pub heat: f64,
    /// Per channel; `None` where it had no good reading.
    pub channels: Vec<Option<Level>>,
}

/// One channel in a span.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Level {
    /// How many readings were good.
    pub good: u64,
    /// Lowest of them, degrees Celsius, to the bit.
    pub lowest: f64,
    /// Highest of them.
    pub highest: f64,
    /// Their mean, to a thousandth of a degree.
    pub mean: f64,
}

/// The spans of one level, in order of time.
#[derive(Debug, Clone, PartialEq)]
pub struct Coarse {
    /// Length of a span, milliseconds.
    pub step_ms: i64,
    /// Names of the channels, in the order of [`Span::channels`].
    pub channels: Arc<[String]>,
    /// A span without scans is left out.
    pub spans: Vec<Span>,
}

/// A span in the making.
#[derive(Default)]
struct Sum {
    scans: u64,
    heat: f64,
    channels: Vec<(u64, f64, f64, f64)>,
}

impl Sum {
    fn take(&mut self, scan: &Scan) {
        self.scans += 1;
        self.heat += scan.heat;
        self.channels
            .resize(scan.values.len(), (0, f64::INFINITY, f64::NEG_INFINITY, 0.0));
        for (sum, value) in self.channels.iter_mut().zip(&scan.values) {
            if let Value::Celsius(celsius) = value {
                sum.0 += 1;
                sum.1 = sum.1.min(*celsius);
                sum.2 = sum.2.max(*celsius);
                sum.3 += celsius;
            }
        }
    }

    #[expect(
        clippy::cast_precision_loss,
        reason = "spans hold far fewer scans than f64 counts"
    )]
    fn span(&self, start: Wall) -> Span {
        let mean = |sum: f64, count: u64| (sum / count as f64 * MEAN_GRID).round() / MEAN_GRID;
        Span {
            start,
            scans: self.scans,
            heat: mean(self.heat, self.scans),
            channels: self
                .channels
                .iter()
                .map(|&(good, lowest, highest, sum)| {
                    (good > 0).then(|| Level {
                        good,
                        lowest,
                        highest,
                        mean: mean(sum, good),
                    })
                })
                .collect(),
        }
    }
}

/// Makes spans of scans.
pub(crate) struct Making {
    step_ms: i64,
    sums: BTreeMap<i64, Sum>,
}

impl Making {
    pub(crate) fn new(step_ms: i64) -> Self {
        Self {
            step_ms,
            sums: BTreeMap::new(),
        }
    }

    pub(crate) fn take(&mut self, scan: &Scan) {
        self.sums
            .entry(scan.at.0.div_euclid(self.step_ms))
            .or_default()
            .take(scan);
    }

    pub(crate) fn spans(&self) -> Vec<Span> {
        self.sums
            .iter()
            .map(|(number, sum)| sum.span(Wall(number * self.step_ms)))
            .collect()
    }
}

impl Coarse {
    /// The body of a block.
    pub(crate) fn table(&self) -> Table {
        let count = |n: u64| i64::try_from(n).unwrap_or(i64::MAX);
        let spans = &self.spans;
        let mut columns = vec![
            (0, Column::Integers(vec![self.step_ms])),
            (
                1,
                Column::Bytes(
                    self.channels
                        .iter()
                        .flat_map(|name| [name.as_bytes(), b"\n"].concat())
                        .collect(),
                ),
            ),
            (
                2,
                Column::Integers(
                    spans
                        .iter()
                        .map(|span| span.start.0.div_euclid(self.step_ms))
                        .collect(),
                ),
            ),
            (
                3,
                Column::Integers(spans.iter().map(|span| count(span.scans)).collect()),
            ),
            (4, Column::Floats(spans.iter().map(|span| span.heat).collect())),
        ];
        for (channel, first) in (0..self.channels.len()).zip((8_u64..).step_by(4)) {
            let levels: Vec<Option<Level>> = spans
                .iter()
                .map(|span| span.channels.get(channel).copied().flatten())
                .collect();
            let good = levels
                .iter()
                .map(|level| level.map_or(0, |level| count(level.good)));
            columns.push((first, Column::Integers(good.collect())));
            let there = || levels.iter().flatten();
            columns.push((
                first + 1,
                Column::Floats(there().map(|level| level.lowest).collect()),
            ));
            columns.push((
                first + 2,
                Column::Floats(there().map(|level| level.highest).collect()),
            ));
            columns.push((
                first + 3,
                Column::Floats(there().map(|level| level.mean).collect()),
            ));
        }
        Table(columns)
    }

    /// Reads the body of a block; `None` if it makes no sense.
    pub(crate) fn of(table: Table) -> Option<Self> {
        let mut columns: BTreeMap<u64, Column> = table.0.into_iter().collect();
        let step_ms = *integers(&mut columns, 0)?.first().filter(|step| **step > 0)?;
        let Column::Bytes(names) = columns.remove(&1)? else {
            return None;
        };
        let names = String::from_utf8(names).ok()?;
        let channels: Arc<[String]> = names.lines().map(str::to_owned).collect();
        let (starts, counts) = (integers(&mut columns, 2)?, integers(&mut columns, 3)?);
        let heat = floats(&mut columns, 4)?;
        if counts.len() != starts.len() || heat.len() != starts.len() {
            return None;
        }
        let mut spans: Vec<Span> = Vec::with_capacity(starts.len());
        for ((start, count), heat) in starts.iter().zip(&counts).zip(heat) {
            spans.push(Span {
                start: Wall(start.checked_mul(step_ms)?),
                scans: u64::try_from(*count).ok()?,
                heat,
                channels: Vec::with_capacity(channels.len()),
            });
        }
        for (_, first) in channels.iter().zip((8_u64..).step_by(4)) {
            let good = integers(&mut columns, first)?;
            let (lowest, highest) = (floats(&mut columns, first + 1)?, floats(&mut columns, first + 2)?);
            let mean = floats(&mut columns, first + 3)?;
            let mut levels = lowest.into_iter().zip(highest).zip(mean);
            if good.len() != spans.len() {
                return None;
            }
            for (span, good) in spans.iter_mut().zip(good) {
                let good = u64::try_from(good).ok()?;
                span.channels.push(if good > 0 {
                    let ((lowest, highest), mean) = levels.next()?;
                    Some(Level {
                        good,
                        lowest,
                        highest,
                        mean,
                    })
                } else {
                    None
                });
            }
        }
        Some(Self {
            step_ms,
            channels,
            spans,
        })
    }
}

fn integers(columns: &mut BTreeMap<u64, Column>, number: u64) -> Option<Vec<i64>> {
    match columns.remove(&number)? {
        Column::Integers(values) => Some(values),
        Column::Floats(_) | Column::Bytes(_) => None,
    }
}

fn floats(columns: &mut BTreeMap<u64, Column>, number: u64) -> Option<Vec<f64>> {
    match columns.remove(&number)? {
        Column::Floats(values) => Some(values),
        Column::Integers(_) | Column::Bytes(_) => None,
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::chunk::tests::any_scan;

    fn coarse(scans: &[Scan], step_ms: i64) -> Coarse {
        let mut making = Making::new(step_ms);
        for scan in scans {
            making.take(scan);
        }
        Coarse {
            step_ms,
            channels: ["a".to_owned(), "b".to_owned()].into(),
            spans: making.spans(),
        }
    }

    fn scan(at: i64, values: [Value; 2]) -> Scan {
        Scan {
            at: Wall(at),
            mono_ms: 0,
            values: values.to_vec(),
            heat: 0.5,
            phase: crate::reading::Phase::Ramp,
            stage: None,
            target_celsius: None,
        }
    }

    #[test]
    fn spans_are_those_of_the_clock() {
        let read = [
            scan(9_999, [Value::Celsius(20.0), Value::Stale]),
            scan(10_000, [Value::Celsius(30.0), Value::Celsius(7.0)]),
            scan(19_999, [Value::Celsius(31.0), Value::Absent]),
        ];
        let spans = coarse(&read, 10_000).spans;
        assert_eq!(spans.len(), 2);
        assert_eq!(
            (spans[0].start, spans[0].scans, spans[0].channels[1]),
            (Wall(0), 1, None)
        );
        let level = spans[1].channels[0].unwrap();
        assert_eq!(
            (
                level.good,
                level.lowest.to_bits(),
                level.highest.to_bits(),
                level.mean.to_bits()
            ),
            (2, 30.0_f64.to_bits(), 31.0_f64.to_bits(), 30.5_f64.to_bits())
        );
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(100))]

        #[test]
        fn a_level_comes_back_from_its_table(scans in prop::collection::vec((0..1_000_000_i64, any_scan(2)), 0..80)) {
            let scans: Vec<Scan> = scans.into_iter().map(|(at, scan)| Scan { at: Wall(at), ..scan }).collect();
            let level = coarse(&scans, 10_000);
            let table = Table::decode(&level.table().encode()).unwrap();
            // The debug form of a number is exact; NaN is equal to itself in it.
            prop_assert_eq!(format!("{:?}", Coarse::of(table)), format!("{:?}", Some(level)));
        }
    }
}
