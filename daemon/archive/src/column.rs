//! Columns of numbers, each written in the shortest of a few ways; [`crate::format`] says how. Lossless to the bit.

use pco::ChunkConfig;
use pco::standalone::{simple_compress, simple_decompress_into};

use crate::bytes::{Put, Take};

/// pco's effort. Measured on thermocouple noise: 4 is 1 % larger than 8 at 60 % of its time; above 8 nothing is gained.
const LEVEL: usize = 6;

/// Denominators that converters and decimal text use, tried in this order: 1/128 °C and 1/16 °C are what
/// thermocouple converters deliver, tenths to millionths what text does.
const SCALES: [u32; 19] = [
    1, 10, 100, 2, 4, 8, 16, 32, 64, 128, 256, 512, 1000, 1024, 2048, 4096, 10_000, 100_000, 1_000_000,
];

/// Up to this length runs are kept without trying anything else: the head of a pco file alone is as long.
const PCO_LEAST: usize = 24;

/// Largest integer up to which every integer is an f64.
const EXACT: f64 = 9_007_199_254_740_992.0;

/// Writes integers of which the differences, or the distances from a straight line, may be simpler than
/// they themselves: times.
pub(crate) fn put_times(out: &mut Vec<u8>, values: &[i64]) {
    let mut best = Vec::new();
    put_plain(&mut best, values);
    if let [first, .., last] = *values {
        let steps: Vec<i64> = values
            .windows(2)
            .map(|pair| pair[1].wrapping_sub(pair[0]))
            .collect();
        let mut sorted = steps.clone();
        let middle = sorted.len() / 2;
        let step = *sorted.select_nth_unstable(middle).1;
        let uneven: Vec<i64> = steps.iter().map(|&each| each.wrapping_sub(step)).collect();
        let count = i64::try_from(steps.len()).expect("chunks are short");
        // The median step follows the beat; the mean one follows a beat that is no whole millisecond.
        let mean = last.wrapping_sub(first) / count;
        let off_line: Vec<i64> = (0..)
            .zip(values)
            .map(|(at, &value): (i64, _)| value.wrapping_sub(first.wrapping_add(mean.wrapping_mul(at))))
            .collect();
        for (tag, step, rest) in [(4, step, uneven), (5, mean, off_line)] {
            let mut other = vec![tag];
            other.put_signed(first);
            other.put_signed(step);
            put_plain(&mut other, &rest);
            if other.len() < best.len() {
                best = other;
            }
        }
    }
    out.put(&best);
}

/// Writes integers.
pub(crate) fn put_integers(out: &mut Vec<u8>, values: &[i64]) {
    /// How much of a surprise goes to level and trend, as powers of 1/2. Tried on thermocouple noise of 6 counts on a slow rise:
    /// (3, 7) is 8 % shorter than differences from the last reading; (1, 4) follows quick changes.
    const SMOOTHINGS: [(u8, u8); 2] = [(3, 7), (1, 4)];
    let mut best = Vec::new();
    put_plain(&mut best, values);
    if best.len() > PCO_LEAST {
        for (level, trend) in SMOOTHINGS {
            let mut other = vec![6];
            other.put_signed(values[0]);
            other.put_u8(level);
            other.put_u8(trend);
            let mut smooth = Smooth::new(values[0], level, trend);
            let surprises: Vec<i64> = values[1..].iter().map(|&value| smooth.surprise(value)).collect();
            put_plain(&mut other, &surprises);
            if other.len() < best.len() {
                best = other;
            }
        }
    }
    out.put(&best);
}

/// What a reading is expected to be from those before: a level and its trend, both corrected by a part of every
/// surprise (Holt's linear exponential smoothing), in integers, so that every machine gets the same. On noise the
/// difference from it is smaller than that from the last reading, which is noisy itself: half a bit.
struct Smooth {
    /// Both times 2^16.
    level: i64,
    trend: i64,
    level_shift: u8,
    trend_shift: u8,
}

impl Smooth {
    fn new(first: i64, level_shift: u8, trend_shift: u8) -> Self {
        Self {
            level: first.wrapping_shl(16),
            trend: 0,
            level_shift,
            trend_shift,
        }
    }

    fn expected(&self) -> i64 {
        self.level.wrapping_add(self.trend).wrapping_add(1 << 15) >> 16
    }

    fn learn(&mut self, value: i64) {
        let ahead = self.level.wrapping_add(self.trend);
        let error = value.wrapping_shl(16).wrapping_sub(ahead);
        self.level = ahead.wrapping_add(error >> self.level_shift.min(63));
        self.trend = self.trend.wrapping_add(error >> self.trend_shift.min(63));
    }

    fn surprise(&mut self, value: i64) -> i64 {
        let surprise = value.wrapping_sub(self.expected());
        self.learn(value);
        surprise
    }

    fn value(&mut self, surprise: i64) -> i64 {
        let value = self.expected().wrapping_add(surprise);
        self.learn(value);
        value
    }
}

/// Writes integers as they are.
fn put_plain(out: &mut Vec<u8>, values: &[i64]) {
    let Some(&first) = values.first() else { return };
    let runs = runs(values);
    if runs.len() == 1 {
        out.put_u8(0);
        out.put_signed(first);
        return;
    }
    let mut best = vec![1];
    best.put_len(runs.len());
    let mut before = 0_i64;
    for (value, length) in &runs {
        best.put_signed(value.wrapping_sub(before));
        best.put_len(*length);
        before = *value;
    }
    if best.len() > PCO_LEAST {
        let narrow: Option<Vec<i32>> = values.iter().map(|&value| i32::try_from(value).ok()).collect();
        let (tag, packed) = match narrow {
            Some(narrow) => (3, simple_compress(&narrow, &config())),
            None => (2, simple_compress(values, &config())),
        };
        let packed = packed.expect("a fixed configuration and memory as target leave nothing to fail");
        if packed.len() < best.len() {
            best.clear();
            best.put_u8(tag);
            best.put(&packed);
        }
    }
    out.put(&best);
}

/// Writes floating point numbers; the bit patterns count.
pub(crate) fn put_floats(out: &mut Vec<u8>, values: &[f64]) {
    let Some(&first) = values.first() else { return };
    let bits: Vec<u64> = values.iter().map(|value| value.to_bits()).collect();
    let runs = runs(&bits);
    if runs.len() == 1 {
        out.put_u8(0);
        out.put_f64(first);
        return;
    }
    let mut best = Vec::new();
    if let Some((scale, counts)) = on_a_grid(values) {
        best.put_u8(3);
        best.put_varint(scale.into());
        put_integers(&mut best, &counts);
    } else {
        best.put_u8(2);
        best.put(&simple_compress(values, &config()).expect("as above"));
    }
    if 2 + runs.len() * 9 < best.len() {
        let mut other = vec![1];
        other.put_len(runs.len());
        for (bits, length) in runs {
            other.put_u64(bits);
            other.put_len(length);
        }
        if other.len() < best.len() {
            best = other;
        }
    }
    out.put(&best);
}

fn config() -> ChunkConfig {
    ChunkConfig::default().with_compression_level(LEVEL)
}

/// Values and how often each stands in a row.
fn runs<T: Copy + PartialEq>(values: &[T]) -> Vec<(T, usize)> {
    let mut runs: Vec<(T, usize)> = Vec::new();
    for &value in values {
        match runs.last_mut() {
            Some((last, length)) if *last == value => *length += 1,
            _ => runs.push((value, 1)),
        }
    }
    runs
}

/// The values as integers over a common denominator, if that gives back every bit.
fn on_a_grid(values: &[f64]) -> Option<(u32, Vec<i64>)> {
    SCALES.iter().find_map(|&scale| {
        let counts: Option<Vec<i64>> = values.iter().map(|&value| count(value, scale)).collect();
        Some((scale, counts?))
    })
}

fn count(value: f64, scale: u32) -> Option<i64> {
    let scaled = (value * f64::from(scale)).round();
    if !(-EXACT..=EXACT).contains(&scaled) {
        return None;
    }
    #[expect(
        clippy::cast_possible_truncation,
        reason = "a whole number within ±2^53, checked above"
    )]
    let count = scaled as i64;
    (from_count(count, scale).to_bits() == value.to_bits()).then_some(count)
}

#[expect(
    clippy::cast_precision_loss,
    reason = "writers keep within ±2^53; the result is compared bit by bit"
)]
fn from_count(count: i64, scale: u32) -> f64 {
    count as f64 / f64::from(scale)
}

/// Reads a column of `n` integers; `None` if it is none.
pub(crate) fn integers(column: &[u8], n: usize) -> Option<Vec<i64>> {
    let mut take = Take(column);
    if n == 0 {
        return take.is_empty().then(Vec::new);
    }
    let plain = |column: &[u8], n| {
        if column.first().is_some_and(|&tag| tag > 3) {
            None
        } else {
            integers(column, n)
        }
    };
    match take.u8()? {
        tag @ (4 | 5) => {
            let (first, step) = (take.signed()?, take.signed()?);
            let rest = plain(take.0, if tag == 4 { n - 1 } else { n })?;
            let mut values = Vec::with_capacity(n);
            let mut line = first;
            if tag == 4 {
                values.push(first);
                for uneven in rest {
                    line = line.wrapping_add(step).wrapping_add(uneven);
                    values.push(line);
                }
            } else {
                for off in rest {
                    values.push(line.wrapping_add(off));
                    line = line.wrapping_add(step);
                }
            }
            Some(values)
        }
        6 => {
            let first = take.signed()?;
            let mut smooth = Smooth::new(first, take.u8()?, take.u8()?);
            let surprises = plain(take.0, n - 1)?;
            Some(
                [first]
                    .into_iter()
                    .chain(surprises.into_iter().map(|surprise| smooth.value(surprise)))
                    .collect(),
            )
        }
        0 => {
            let value = take.signed()?;
            take.is_empty().then(|| vec![value; n])
        }
        1 => {
            let mut values = Vec::with_capacity(n);
            let mut value = 0_i64;
            for _ in 0..take.len()? {
                value = value.wrapping_add(take.signed()?);
                repeat(&mut values, value, take.len()?, n)?;
            }
            (values.len() == n && take.is_empty()).then_some(values)
        }
        2 => unpack::<i64>(take.0, n),
        3 => Some(unpack::<i32>(take.0, n)?.into_iter().map(i64::from).collect()),
        _ => None,
    }
}

/// Reads a column of `n` floating point numbers; `None` if it is none.
pub(crate) fn floats(column: &[u8], n: usize) -> Option<Vec<f64>> {
    let mut take = Take(column);
    if n == 0 {
        return take.is_empty().then(Vec::new);
    }
    match take.u8()? {
        0 => {
            let value = take.f64()?;
            take.is_empty().then(|| vec![value; n])
        }
        1 => {
            let mut values = Vec::with_capacity(n);
            for _ in 0..take.len()? {
                let value = take.f64()?;
                repeat(&mut values, value, take.len()?, n)?;
            }
            (values.len() == n && take.is_empty()).then_some(values)
        }
        2 => unpack::<f64>(take.0, n),
        3 => {
            let scale = u32::try_from(take.varint()?).ok()?;
            Some(
                integers(take.0, n)?
                    .into_iter()
                    .map(|count| from_count(count, scale))
                    .collect(),
            )
        }
        _ => None,
    }
}

fn repeat<T: Copy>(values: &mut Vec<T>, value: T, times: usize, most: usize) -> Option<()> {
    let length = values.len().checked_add(times).filter(|&length| length <= most)?;
    values.resize(length, value);
    Some(())
}

fn unpack<T: pco::data_types::Number + Default>(packed: &[u8], n: usize) -> Option<Vec<T>> {
    let mut values = vec![T::default(); n];
    let progress = simple_decompress_into(packed, &mut values).ok()?;
    (progress.finished && progress.n_processed == n).then_some(values)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn integers_again(values: &[i64]) -> usize {
        let mut out = Vec::new();
        put_integers(&mut out, values);
        assert_eq!(integers(&out, values.len()).as_deref(), Some(values));
        let mut out = Vec::new();
        put_times(&mut out, values);
        assert_eq!(integers(&out, values.len()).as_deref(), Some(values));
        out.len()
    }

    fn floats_again(values: &[f64]) -> Vec<u8> {
        let mut out = Vec::new();
        put_floats(&mut out, values);
        let bits = |values: &[f64]| values.iter().map(|value| value.to_bits()).collect::<Vec<_>>();
        assert_eq!(bits(&floats(&out, values.len()).unwrap()), bits(values));
        out
    }

    #[test]
    fn regular_times_cost_next_to_nothing() {
        let regular: Vec<i64> = (0..600).map(|n| 1_764_078_393_000 + n * 100).collect();
        assert!(integers_again(&regular) < 16);
        let mut gap = regular.clone();
        gap[300..].iter_mut().for_each(|time| *time += 12_345);
        assert!(integers_again(&gap) < 32);
    }

    /// Noise of known entropy: 0.05 °C at 1/128 °C is sigma 6.4 counts, log2(6.4 sqrt(2 pi e)) = 4.73 bits or 0.59 bytes a reading
    /// (differential entropy of the normal distribution, Shannon 1948, part III). No code can be shorter on average.
    #[test]
    fn noise_is_written_close_to_its_entropy() {
        let mut state = 0x2545_f491_4f6c_dd1d_u64;
        let mut uniform = || {
            state ^= state << 13;
            state ^= state >> 7;
            state ^= state << 17;
            f64::from(u32::try_from(state >> 32).unwrap()) / f64::from(u32::MAX)
        };
        let mut bytes = 0;
        for chunk in 0..20 {
            let values: Vec<f64> = (0..600)
                .map(|n| {
                    let normal = (0..12).map(|_| uniform()).sum::<f64>() - 6.0;
                    let rise = 200.0 - 180.0 * (-f64::from(chunk * 600 + n) / 6000.0).exp();
                    ((rise + 0.05 * normal) * 128.0).round() / 128.0
                })
                .collect();
            bytes += floats_again(&values).len();
        }
        let each = f64::from(u32::try_from(bytes).unwrap()) / 12_000.0;
        assert!((0.59..0.59 * 1.25).contains(&each), "{each} bytes a reading");
    }

    #[test]
    fn every_scale_is_found_and_exact() {
        for scale in SCALES {
            let values: Vec<f64> = (0..100)
                .map(|n| f64::from(n * 7 - 300) / f64::from(scale))
                .collect();
            assert_eq!(floats_again(&values)[0], 3, "1/{scale}");
        }
        // One reading off the grid by the least there is: everything is kept as it was.
        let mut values: Vec<f64> = (0..100).map(|n| f64::from(n) / 128.0).collect();
        values[50] = f64::from_bits(values[50].to_bits() + 1);
        assert_ne!(floats_again(&values)[0], 3);
        assert_ne!(floats_again(&[0.0, -0.0, 1.0])[0], 3, "-0 has no integer");
        floats_again(&[
            f64::NAN,
            f64::INFINITY,
            f64::MIN,
            f64::from_bits(0x7ff8_dead_beef_0001),
        ]);
        floats_again(&[1e300, -1e300, 5e-324]);
    }

    #[test]
    fn nothing_and_too_little() {
        assert_eq!((integers_again(&[]), floats_again(&[]).len()), (0, 0));
        let mut out = Vec::new();
        put_integers(&mut out, &(0..600).map(|n| n * n % 91).collect::<Vec<_>>());
        for length in 0..out.len() {
            assert_eq!(integers(&out[..length], 600), None, "cut to {length}");
        }
        for wrong in [0, 599, 601] {
            assert_eq!(integers(&out, wrong), None, "{wrong} asked for");
        }
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(200))]

        #[test]
        fn any_integers(values in prop::collection::vec(any::<i64>(), 0..300)) {
            integers_again(&values);
        }

        #[test]
        fn jittered_times(steps in prop::collection::vec(prop_oneof![9 => 95..106_i64, 1 => -5000..90_000_i64], 0..300), start in any::<i64>()) {
            let values: Vec<i64> = steps.iter().scan(start, |time, step| { *time = time.wrapping_add(*step); Some(*time) }).collect();
            integers_again(&values);
        }

        #[test]
        fn any_bits(values in prop::collection::vec(any::<u64>(), 0..300)) {
            floats_again(&values.into_iter().map(f64::from_bits).collect::<Vec<_>>());
        }

        #[test]
        fn grids_with_intruders(counts in prop::collection::vec(-50_000..50_000_i32, 1..300), scale in prop::sample::select(&SCALES), intruder in prop::option::of(any::<f64>())) {
            let mut values: Vec<f64> = counts.iter().map(|&count| f64::from(count) / f64::from(scale)).collect();
            values.extend(intruder);
            floats_again(&values);
        }

        #[test]
        fn rubbish_is_refused_or_read_but_never_worse(bytes in prop::collection::vec(any::<u8>(), 0..200), n in 0..700_usize) {
            for tag in 0..8 {
                let column: Vec<u8> = [tag].into_iter().chain(bytes.iter().copied()).collect();
                prop_assert!(integers(&column, n).is_none_or(|values| values.len() == n));
                prop_assert!(floats(&column, n).is_none_or(|values| values.len() == n));
            }
        }
    }
}
