//! The rules about what a driver makes of lines that are not as usual.

use std::time::Duration;

use serde_json::{Value as Json, json};

use super::heat::granted;
use super::session::{ANSWER, Said, Session};
use super::{Check, Judged, LATE_MS, broken, out_of_place};
use crate::wire::MAX_LINE_BYTES;

/// How long the heat lasts that wrong lines are to end.
const HEAT_MS: u32 = 1_000;

/// Whether the heat that was granted before is gone: the output says zero, or the process has ended, or at least the
/// permit doesn't go on to lapse.
fn went_to_zero(session: &mut Session<'_>) -> Result<&'static str, &'static str> {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a small constant"
    )]
    let patience = Duration::from_millis(u64::from(HEAT_MS) + LATE_MS as u64);
    let seen = session.said(patience, |said| {
        said.is_zero() || matches!(said, Said::Applied(applied) if applied.lapsed)
    });
    match seen {
        Some((said, _)) if said.is_zero() => Ok("it says zero"),
        Some(_) => Err("the heat went on until it lapsed"),
        None if session.has_ended().is_some() => Ok("it ended"),
        None => Ok("no lapse came"),
    }
}

/// A `heat` made of these fields is refused.
fn refused(check: &Check, fields: &Json) -> Judged {
    let mut session = check.session()?;
    let seq = session.command("heat", fields)?;
    match session.answer_to(seq, ANSWER) {
        Some(Said::Refused { output, .. }) => {
            let named = fields["output"].as_str().or(check.output());
            if Some(&*output) == named {
                Ok("refused".into())
            } else {
                broken(format!("`refused` names the output `{output}`"))
            }
        }
        Some(Said::Applied(applied)) => broken(format!("{fields} is applied as {}", applied.fraction)),
        None => broken(format!(
            "no `refused` with `seq` {seq} to {fields}: {}",
            session.why_nothing()
        )),
    }
}

pub(super) fn refuse_fraction(check: &Check) -> Judged {
    for fraction in [1.5, -0.1] {
        refused(check, &json!({"fraction": fraction, "valid_ms": HEAT_MS}))?;
    }
    Ok("1.5 and -0.1 are refused".into())
}

pub(super) fn refuse_output(check: &Check) -> Judged {
    let mut other = "no-such-output".to_owned();
    while check.describe.outputs.iter().any(|output| output.id == other) {
        other.push('-');
    }
    let fields = json!({"output": other, "fraction": check.subject.heat, "valid_ms": HEAT_MS});
    refused(check, &fields)?;
    Ok(format!("`{other}` is refused"))
}

pub(super) fn refuse_valid_ms(check: &Check) -> Judged {
    refused(check, &json!({"fraction": check.subject.heat}))
}

pub(super) fn refusal_zero(check: &Check) -> Judged {
    let mut tried = Vec::new();
    for (name, fields) in [
        ("fraction", json!({"fraction": 1.5, "valid_ms": HEAT_MS})),
        ("valid_ms", json!({"fraction": check.subject.heat})),
    ] {
        let mut session = check.session()?;
        session.heat_and_see(check.subject.heat, HEAT_MS)?;
        let seq = session.command("heat", &fields)?;
        // Not to refuse at all is another rule's matter.
        if let Some(Said::Refused { .. }) = session.answer_to(seq, Duration::from_millis(500)) {
            match went_to_zero(&mut session) {
                Ok(_) => tried.push(name),
                Err(text) => return broken(format!("after a refused {name} {text}")),
            }
        }
    }
    if tried.is_empty() {
        out_of_place("can't be seen: nothing is refused")
    } else {
        Ok(format!("the heat before a refused {} ends", tried.join(" and ")))
    }
}

pub(super) fn garbage(check: &Check) -> Judged {
    let runaway = [vec![b'x'; MAX_LINE_BYTES + 1], b"\n".to_vec()].concat();
    let kinds: [(&str, &[u8]); 5] = [
        ("text that isn't JSON", b"heat heat1 0.5\n"),
        ("an object that is cut off", b"{\"msg\":\"heat\",\"seq\":1,\n"),
        ("a list", b"[1,2,3]\n"),
        ("bytes that aren't UTF-8", b"{\"msg\":\"\xff\xfe\"}\n"),
        ("a line over 64 KiB", &runaway),
    ];
    let mut answers = Vec::new();
    for (name, bytes) in kinds {
        let mut session = check.session()?;
        session.heat_and_see(check.subject.heat, HEAT_MS)?;
        session.write(bytes)?;
        match went_to_zero(&mut session) {
            Ok(answer) => answers.push(answer),
            Err(text) => return broken(format!("after {name} {text}")),
        }
    }
    answers.dedup();
    Ok(format!("{} kinds: {}", kinds.len(), answers.join(", ")))
}

pub(super) fn long_lines(check: &Check) -> Judged {
    let mut session = check.session()?;
    // The rest of such a line: names, commas, braces and the command itself.
    let pad = "x".repeat(MAX_LINE_BYTES - 512);
    let fields = json!({"fraction": check.subject.heat, "valid_ms": 400, "remark": pad});
    let seq = session.command("heat", &fields)?;
    granted(&mut session, seq)?;
    Ok("a `heat` of 64 KiB less 400 bytes is taken".into())
}

pub(super) fn unknown_fields(check: &Check) -> Judged {
    let mut session = check.session()?;
    let fields =
        json!({"fraction": check.subject.heat, "valid_ms": 400, "remark": {"of": ["the", "daemon"]}});
    let seq = session.command("heat", &fields)?;
    granted(&mut session, seq)?;
    Ok("a `heat` with one more field is taken".into())
}

pub(super) fn unknown_messages(check: &Check) -> Judged {
    let mut session = check.session()?;
    let heats = check.output().is_some();
    if heats {
        session.heat_and_see(check.subject.heat, HEAT_MS)?;
    }
    session.say(&json!({"msg": "remark", "text": "nobody knows this", "seq": 0}))?;
    let ended = if heats {
        match went_to_zero(&mut session) {
            Ok("it says zero") => return broken("it takes the heat to zero"),
            _ => session.has_ended(),
        }
    } else {
        session.exit(Duration::from_millis(500))
    };
    match ended {
        Some(status) => broken(format!("it ended: {status}")),
        None => Ok("ignored".into()),
    }
}
