//! The rules about how a driver ends, and when it doesn't.

use std::os::unix::process::ExitStatusExt;
use std::time::Duration;

use rustix::process::Signal;
use serde_json::json;

use super::session::{Said, Session};
use super::{Check, Judged, LATE_MS, broken};
use crate::clock::monotonic_ms;
use crate::wire::{FromDriver, MAX_VALID_MS};

/// How long a driver that was left alone may take to end, in milliseconds: its successor needs the hardware.
const END_MS: f64 = 2_000.0;

/// Within what time `close` is carried out, in milliseconds.
const CLOSE_MS: f64 = 1_000.0;

/// How long an end is waited for that is late anyway, so that the finding can say how late.
const LATE_END: Duration = Duration::from_secs(5);

/// How long the daemon is silent, in milliseconds: longer than any permit.
const SILENCE_MS: u64 = 3_500;

/// Heat is on, where there is an output.
fn heating<'c>(check: &'c Check) -> Result<Session<'c>, super::Objection> {
    let mut session = check.session()?;
    if check.output().is_some() {
        session.heat_and_see(check.subject.heat, MAX_VALID_MS)?;
    }
    Ok(session)
}

/// Waits for the end; how it ended and after how many milliseconds.
fn ended(session: &mut Session<'_>, within_ms: f64) -> Result<(std::process::ExitStatus, String), String> {
    let asked = monotonic_ms();
    let Some(status) = session.exit(LATE_END) else {
        return Err(format!("it is still running after {} s", LATE_END.as_secs()));
    };
    let took = monotonic_ms() - asked;
    if took > within_ms + LATE_MS {
        return Err(format!("it took {took:.0} ms to end, {within_ms} ms allowed"));
    }
    Ok((status, format!("{status} after {took:.0} ms")))
}

pub(super) fn silence(check: &Check) -> Judged {
    let mut session = heating(check)?;
    let mut scans = 0;
    let mut heated = None;
    session.until(Duration::from_millis(SILENCE_MS), |message, _| {
        match Said::of(message) {
            // The answer to the one grant was heard before.
            Some(Said::Applied(applied)) if applied.fraction > 0.0 => {
                heated = Some(format!("it heats by itself, with {}", applied.fraction));
            }
            _ => scans += u32::from(matches!(message, FromDriver::Scan(_))),
        }
        heated.is_some().then_some(())
    });
    if let Some(text) = heated {
        return broken(text);
    }
    match session.has_ended() {
        Some(status) => broken(format!("it ended: {status}")),
        None => Ok(format!("{scans} scans in {SILENCE_MS} ms")),
    }
}

pub(super) fn stdin_closed(check: &Check) -> Judged {
    let mut session = heating(check)?;
    session.close_stdin();
    let (_, text) = ended(&mut session, END_MS)?;
    Ok(text)
}

pub(super) fn sigterm(check: &Check) -> Judged {
    let mut session = heating(check)?;
    session.signal(Signal::TERM)?;
    let (status, text) = ended(&mut session, END_MS)?;
    if check.output().is_some() && status.signal().is_some() {
        return broken(format!(
            "{status}: the signal itself ended it, so that nothing can have brought the output to zero"
        ));
    }
    Ok(text)
}

pub(super) fn close(check: &Check) -> Judged {
    let mut session = heating(check)?;
    session.say(&json!({"msg": "close"}))?;
    let (status, text) = ended(&mut session, CLOSE_MS)?;
    if status.success() { Ok(text) } else { broken(text) }
}
