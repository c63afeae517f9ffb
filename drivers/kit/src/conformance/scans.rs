//! The rules about scans. All are judged on one stretch of listening.

use std::collections::{BTreeMap, BTreeSet};
use std::time::{Duration, Instant};

use super::{Check, Judged, broken, out_of_place};
use crate::clock::monotonic_ms;
use crate::wire::{FromDriver, InputKind, Value};

/// Least and most time that is listened, in seconds.
const LISTEN_S: [f64; 2] = [3.0, 12.0];

/// So many values make a rate.
const VALUES: f64 = 5.0;

/// How far off a rate may be, as a share.
const RATE_TOLERANCE: f64 = 0.2;

/// How old a value may be when it arrives, in milliseconds: older than this nobody can act on it in time.
const OLDEST_MS: f64 = 1_000.0;

/// How far into the future an `at_ms` may be: both sides read the same clock, and round.
const FUTURE_MS: f64 = 1.0;

/// What was heard in a stretch of listening. Times in milliseconds of `CLOCK_MONOTONIC`.
#[derive(Debug, Default)]
pub(super) struct Listened {
    until_ms: f64,
    /// Arrival and own time of each scan.
    scans: Vec<(f64, Option<f64>)>,
    /// Arrivals of each input.
    inputs: BTreeMap<String, Vec<f64>>,
    /// What was wrong with values.
    wrong: BTreeSet<String>,
}

impl Check<'_> {
    fn listened(&self) -> Result<&Listened, String> {
        self.listened
            .get_or_init(|| self.listen())
            .as_ref()
            .map_err(Clone::clone)
    }

    fn listen(&self) -> Result<Listened, String> {
        let slowest = self.rates().map(|(_, rate)| rate).fold(f64::INFINITY, f64::min);
        let seconds = (VALUES / slowest).clamp(LISTEN_S[0], LISTEN_S[1]);
        let kinds: BTreeMap<&str, InputKind> = self
            .describe
            .inputs
            .iter()
            .map(|i| (i.id.as_str(), i.kind))
            .collect();
        let mut session = self.session().map_err(|objection| match objection {
            super::Objection::Broken(text) | super::Objection::OutOfPlace(text) => text,
        })?;
        let mut listened = Listened::default();
        let mut note = |message: &FromDriver<'_>, at_ms: f64| {
            let FromDriver::Scan(scan) = message else {
                return None::<()>;
            };
            listened.scans.push((at_ms, scan.at_ms));
            for (id, value) in &scan.values {
                match kinds.get(&**id) {
                    None => {
                        listened.wrong.insert(format!("input `{id}` isn't in `describe`"));
                    }
                    Some(kind) if !fits(*kind, value) => {
                        let text = format!("input `{id}` is a {} and sends {value:?}", kind.word());
                        listened.wrong.insert(text);
                    }
                    Some(_) => listened.inputs.entry(id.to_string()).or_default().push(at_ms),
                }
            }
            None
        };
        let until = Instant::now() + Duration::from_secs_f64(seconds);
        while Instant::now() < until {
            // A daemon says something now and then; what a driver does when it doesn't is a rule of its own.
            if self.output().is_some() {
                session.heat(0.0, 1_500)?;
            }
            let slice = until
                .saturating_duration_since(Instant::now())
                .min(Duration::from_millis(500));
            session.until(slice, &mut note);
            if let Some(status) = session.has_ended() {
                return Err(format!("it ended, which nobody asked for: {status}"));
            }
        }
        listened.until_ms = monotonic_ms();
        Ok(listened)
    }

    /// Inputs that announce a rate, and the rate in hertz.
    fn rates(&self) -> impl Iterator<Item = (&str, f64)> {
        self.describe
            .inputs
            .iter()
            .filter_map(|input| Some((input.id.as_str(), input.rate_hz?)))
    }

    /// As [`Check::rates`], but those only that are fast enough to be seen.
    fn measurable(&self) -> Result<Vec<(&str, f64)>, super::Objection> {
        let list: Vec<_> = self
            .rates()
            .filter(|(_, rate)| rate * LISTEN_S[1] >= VALUES)
            .collect();
        if list.is_empty() {
            return out_of_place(format!(
                "can't be seen: no input announces {:.2} Hz or more",
                VALUES / LISTEN_S[1]
            ));
        }
        Ok(list)
    }
}

fn fits(kind: InputKind, value: &Value<'_>) -> bool {
    match value {
        Value::Fault { .. } => true,
        Value::Temperature { .. } => kind == InputKind::Temperature,
        Value::Thermocouple { .. } => matches!(kind, InputKind::Thermocouple { .. }),
        Value::Active(_) => matches!(kind, InputKind::Presence | InputKind::Permissive),
        Value::Amps(_) => kind == InputKind::Current,
    }
}

pub(super) fn inputs(check: &Check) -> Judged {
    let listened = check.listened()?;
    if let Some(first) = listened.wrong.first() {
        return broken(first.clone());
    }
    let seconds = LISTEN_S[1];
    for input in &check.describe.inputs {
        // What is slower than the listening lasts may not have come yet.
        let due = input.rate_hz.is_none_or(|rate| rate * seconds >= VALUES);
        if due && !listened.inputs.contains_key(&input.id) {
            return broken(format!("input `{}` never came", input.id));
        }
    }
    Ok(format!(
        "{} of {} in {} scans",
        listened.inputs.len(),
        check.describe.inputs.len(),
        listened.scans.len()
    ))
}

pub(super) fn rate(check: &Check) -> Judged {
    let listened = check.listened()?;
    let mut worst = (0.0, String::new());
    for (id, announced) in check.measurable()? {
        let came = listened.inputs.get(id).map_or(&[][..], Vec::as_slice);
        let [first, .., last] = came else {
            // That it doesn't come at all is another rule's matter.
            continue;
        };
        #[expect(clippy::cast_precision_loss, reason = "a few thousand at most")]
        let measured = (came.len() - 1) as f64 / (last - first).max(1.0) * 1_000.0;
        let off = (measured / announced - 1.0).abs();
        if off >= worst.0 {
            worst = (
                off,
                format!("`{id}` comes at {measured:.2} Hz, announced {announced} Hz"),
            );
        }
    }
    match worst {
        (off, text) if off > RATE_TOLERANCE => broken(text),
        (_, text) if text.is_empty() => out_of_place("can't be seen: no input came twice"),
        (_, text) => Ok(text),
    }
}

pub(super) fn gaps(check: &Check) -> Judged {
    let listened = check.listened()?;
    let mut worst = (0.0, String::new());
    for (id, announced) in check.measurable()? {
        let Some(came) = listened.inputs.get(id) else {
            continue;
        };
        let allowed = (3_000.0 / announced).max(500.0);
        // An input that stops is silent until the end of the listening.
        let later = came.iter().skip(1).chain([&listened.until_ms]);
        let longest = came.iter().zip(later).map(|(a, b)| b - a).fold(0.0, f64::max);
        if longest / allowed >= worst.0 {
            worst = (
                longest / allowed,
                format!("`{id}` is silent for {longest:.0} ms at most, {allowed:.0} ms allowed"),
            );
        }
    }
    match worst {
        (share, text) if share > 1.0 => broken(text),
        (_, text) if text.is_empty() => out_of_place("can't be seen: no input came"),
        (_, text) => Ok(text),
    }
}

pub(super) fn sign_of_life(check: &Check) -> Judged {
    if !check.describe.inputs.is_empty() {
        return out_of_place("doesn't apply: the driver has inputs");
    }
    let listened = check.listened()?;
    let times: Vec<f64> = listened.scans.iter().map(|(at, _)| *at).collect();
    if times.is_empty() {
        return broken("no scan came");
    }
    let longest = times
        .iter()
        .zip(times.iter().skip(1).chain([&listened.until_ms]))
        .map(|(a, b)| b - a)
        .fold(0.0, f64::max);
    let text = format!("silent for {longest:.0} ms at most");
    if longest > 1_000.0 + super::LATE_MS {
        broken(format!("{text}, 1000 ms allowed"))
    } else {
        Ok(text)
    }
}

pub(super) fn at_ms(check: &Check) -> Judged {
    let listened = check.listened()?;
    let stamped: Vec<(f64, f64)> = listened
        .scans
        .iter()
        .filter_map(|(arrived, at)| Some((*arrived, (*at)?)))
        .collect();
    if stamped.is_empty() {
        return out_of_place("left out, so that the arrival counts");
    }
    let mut oldest: f64 = 0.0;
    let mut before = f64::NEG_INFINITY;
    for (arrived, at) in &stamped {
        let age = arrived - at;
        if !(-FUTURE_MS..=OLDEST_MS).contains(&age) {
            return broken(format!(
                "`at_ms` {at:.1} arrives when CLOCK_MONOTONIC is at {arrived:.1} ms"
            ));
        }
        if *at < before {
            return broken(format!("`at_ms` goes back from {before:.1} to {at:.1}"));
        }
        before = *at;
        oldest = oldest.max(age);
    }
    Ok(format!("{oldest:.1} ms old at most"))
}
