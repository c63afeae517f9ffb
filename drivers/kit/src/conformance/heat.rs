//! The rules about permits, cut and restore.

use std::time::{Duration, Instant};

use serde_json::json;

use super::session::{ANSWER, Said, Session};
use super::{Check, Judged, LATE_MS, broken, out_of_place};
use crate::clock::monotonic_ms;
use crate::wire::MAX_VALID_MS;

/// How long a lapse is waited for beyond its time, so that the finding can say how late it was.
const LATE_LAPSE: Duration = Duration::from_secs(3);

/// A permit that ends soon, in milliseconds.
const SHORT_MS: u32 = 400;

pub(super) fn applied(check: &Check) -> Judged {
    let mut session = check.session()?;
    let asked = monotonic_ms();
    for fraction in [check.subject.heat, 0.0] {
        let seq = session.heat(fraction, 1_000)?;
        let Some((said, _)) = session.said(ANSWER, |said| said.seq() == Some(seq)) else {
            return broken(format!(
                "no answer with `seq` {seq} to heat {fraction} within {} ms: {}",
                ANSWER.as_millis(),
                session.why_nothing()
            ));
        };
        match said {
            Said::Refused { .. } => return broken(format!("heat {fraction} is refused")),
            Said::Applied(applied) if Some(&*applied.output) != check.output() => {
                return broken(format!("the answer names the output `{}`", applied.output));
            }
            Said::Applied(applied) if fraction > 0.0 && applied.fraction <= 0.0 => {
                return broken(format!(
                    "heat {fraction} is applied as 0; if the output can't do so little, check with more heat"
                ));
            }
            Said::Applied(applied) if fraction <= 0.0 && applied.fraction > 0.0 => {
                return broken(format!("heat 0 is applied as {}", applied.fraction));
            }
            Said::Applied(_) => {}
        }
    }
    Ok(format!("two answers within {:.0} ms", monotonic_ms() - asked))
}

/// Grants heat for `valid_ms` and expects it to last for `lasts_ms`.
fn lasts(check: &Check, valid_ms: u32, lasts_ms: u32) -> Judged {
    let mut session = check.session()?;
    let granted = monotonic_ms();
    session.heat(check.subject.heat, valid_ms)?;
    let lasts = f64::from(lasts_ms);
    match session.lapsed(Duration::from_millis(u64::from(lasts_ms)) + LATE_LAPSE) {
        None => broken(format!("no `lapsed` after {lasts} ms: {}", session.why_nothing())),
        Some(at_ms) => {
            let lasted = at_ms - granted;
            let text = format!("`lapsed` after {lasted:.0} ms of {lasts}");
            // The driver counts from when the command arrives, which is later than here, but clocks are read in whole microseconds.
            if (lasts - 1.0..=lasts + LATE_MS).contains(&lasted) {
                Ok(text)
            } else {
                broken(format!("{text}, {LATE_MS} ms later at most"))
            }
        }
    }
}

pub(super) fn lapse(check: &Check) -> Judged {
    lasts(check, SHORT_MS, SHORT_MS)
}

pub(super) fn longest_permit(check: &Check) -> Judged {
    lasts(check, 3 * MAX_VALID_MS, MAX_VALID_MS)
}

pub(super) fn renewal(check: &Check) -> Judged {
    const RENEWALS: u32 = 8;
    const EVERY: Duration = Duration::from_millis(150);
    const VALID_MS: u32 = 600;
    let mut session = check.session()?;
    // A busy machine may keep us from renewing in time; that isn't the driver's fault, so it is tried again.
    for _ in 0..3 {
        let mut in_time = true;
        let mut lapsed = false;
        let mut before = Instant::now();
        for _ in 0..RENEWALS {
            session.heat(check.subject.heat, VALID_MS)?;
            in_time &= before.elapsed() < Duration::from_millis(u64::from(VALID_MS) / 2);
            before = Instant::now();
            lapsed |= session.lapsed(EVERY).is_some();
        }
        if !lapsed {
            return Ok(format!(
                "renewed {RENEWALS} times, every {} ms",
                EVERY.as_millis()
            ));
        }
        if in_time {
            return broken(format!(
                "it lapsed although it was renewed every {} ms for {VALID_MS} ms",
                EVERY.as_millis()
            ));
        }
    }
    out_of_place("can't be seen: this machine is too busy to renew heat in time")
}

pub(super) fn offset(check: &Check) -> Judged {
    let Some(window_ms) = check.describe.outputs.first().and_then(|output| output.window_ms) else {
        return out_of_place("doesn't apply: the output has no window");
    };
    let mut session = check.session()?;
    let fields = json!({"fraction": check.subject.heat, "valid_ms": SHORT_MS, "offset_ms": window_ms / 2});
    let seq = session.command("heat", &fields)?;
    granted(&mut session, seq)?;
    Ok(format!("{} ms into a window of {window_ms} ms", window_ms / 2))
}

/// Sees that a grant is taken, be it by its answer or by its lapse.
pub(super) fn granted(session: &mut Session<'_>, seq: u64) -> Result<(), String> {
    let seen = session.said(ANSWER, |said| match said {
        Said::Refused { .. } => said.seq() == Some(seq),
        Said::Applied(applied) => applied.lapsed || (applied.seq == Some(seq) && applied.fraction > 0.0),
    });
    match seen {
        Some((Said::Applied(_), _)) => Ok(()),
        Some((Said::Refused { .. }, _)) => Err("the heat is refused".into()),
        None => Err(format!("the heat isn't applied: {}", session.why_nothing())),
    }
}

pub(super) fn cut(check: &Check) -> Judged {
    let mut session = check.session()?;
    session.heat_and_see(check.subject.heat, 1_000)?;
    let asked = monotonic_ms();
    let seq = session.command("cut", &json!({}))?;
    match session.said(ANSWER, |said| said.seq() == Some(seq)) {
        Some((Said::Applied(applied), at_ms)) if applied.fraction <= 0.0 && applied.cut => {
            Ok(format!("after {:.1} ms", at_ms - asked))
        }
        Some((Said::Applied(applied), _)) if applied.cut => {
            broken(format!("the answer says that heat is at {}", applied.fraction))
        }
        Some((Said::Applied(_), _)) => broken("the answer lacks `\"cut\":true`"),
        Some((Said::Refused { .. }, _)) => broken("the cut is refused"),
        None => broken(format!("no answer with `seq` {seq}: {}", session.why_nothing())),
    }
}

/// Cuts, whatever the answer is.
fn cut_first(session: &mut Session<'_>) -> Result<(), String> {
    let seq = session.command("cut", &json!({}))?;
    session.answer_to(seq, Duration::from_millis(500));
    Ok(())
}

pub(super) fn cut_holds(check: &Check) -> Judged {
    let mut session = check.session()?;
    cut_first(&mut session)?;
    let seq = session.heat(check.subject.heat, SHORT_MS)?;
    match session.answer_to(seq, ANSWER) {
        Some(Said::Refused { .. }) => Ok("heat is refused".into()),
        Some(Said::Applied(applied)) => broken(format!("heat is applied as {}", applied.fraction)),
        None => broken(format!(
            "no `refused` with `seq` {seq}: {}",
            session.why_nothing()
        )),
    }
}

pub(super) fn restore(check: &Check) -> Judged {
    let mut session = check.session()?;
    cut_first(&mut session)?;
    let seq = session.command("restore", &json!({}))?;
    match session.answer_to(seq, ANSWER) {
        Some(Said::Applied(applied)) if applied.cut => {
            return broken("the answer to `restore` still says `\"cut\":true`");
        }
        Some(Said::Applied(applied)) if applied.fraction > 0.0 => {
            return broken(format!("`restore` alone puts heat to {}", applied.fraction));
        }
        Some(Said::Applied(_)) => {}
        Some(Said::Refused { .. }) => return broken("`restore` is refused"),
        None => return broken(format!("no answer with `seq` {seq}: {}", session.why_nothing())),
    }
    let seq = session.heat(check.subject.heat, SHORT_MS)?;
    granted(&mut session, seq)?;
    Ok("heat is granted again".into())
}
