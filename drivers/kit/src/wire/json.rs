//! The little that both directions need to read and write JSON objects by hand.

use std::borrow::Cow;
use std::fmt;

use serde::Deserialize;
use serde::de::{Deserializer, Error, Visitor};

use super::Malformed;

/// A string that borrows from the line unless it has escapes in it.
///
/// `Option<Cow<str>>` would be copied by serde's own implementation even without escapes.
#[derive(Debug)]
pub(super) struct Text<'a>(pub(super) Cow<'a, str>);

impl<'de: 'a, 'a> Deserialize<'de> for Text<'a> {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct TextVisitor;
        impl<'de> Visitor<'de> for TextVisitor {
            type Value = Text<'de>;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a string")
            }
            fn visit_borrowed_str<E: Error>(self, v: &'de str) -> Result<Text<'de>, E> {
                Ok(Text(Cow::Borrowed(v)))
            }
            fn visit_str<E: Error>(self, v: &str) -> Result<Text<'de>, E> {
                Ok(Text(Cow::Owned(v.to_owned())))
            }
            fn visit_string<E: Error>(self, v: String) -> Result<Text<'de>, E> {
                Ok(Text(Cow::Owned(v)))
            }
        }
        deserializer.deserialize_str(TextVisitor)
    }
}

/// Only the message's name, to decide how the rest is to be read.
#[derive(Deserialize)]
struct Named<'a> {
    #[serde(borrow)]
    msg: Cow<'a, str>,
}

/// Checks length and UTF-8, and finds the name of the message.
pub(super) fn name_of(line: &[u8]) -> Result<(Cow<'_, str>, &str), Malformed> {
    let text = text_of(line)?;
    // Most lines are scans, and every known driver puts `msg` first: one look saves a pass over the line.
    if text.starts_with(r#"{"msg":"scan","#) {
        return Ok((Cow::Borrowed("scan"), text));
    }
    let named: Named<'_> = serde_json::from_str(text).map_err(|e| Malformed::json(&e, line))?;
    Ok((named.msg, text))
}

fn text_of(line: &[u8]) -> Result<&str, Malformed> {
    if line.len() > super::MAX_LINE_BYTES {
        return Err(Malformed::new(super::LineTooLong.to_string(), None, line));
    }
    let text = std::str::from_utf8(line)
        .map_err(|e| Malformed::new("not UTF-8", Some(e.valid_up_to() + 1), line))?;
    Ok(text.trim_end_matches(['\n', '\r']))
}

/// Reads the fields of one message.
pub(super) fn fields<'a, T: Deserialize<'a>>(text: &'a str) -> Result<T, Malformed> {
    serde_json::from_str(text).map_err(|e| Malformed::json(&e, text.as_bytes()))
}

/// Writes one JSON object and its `\n`, field by field, without an intermediate value.
pub(super) struct ObjectLine<'a> {
    out: &'a mut Vec<u8>,
}

impl<'a> ObjectLine<'a> {
    pub(super) fn new(out: &'a mut Vec<u8>, msg: &str) -> Self {
        out.extend_from_slice(br#"{"msg":"#);
        string(out, msg);
        ObjectLine { out }
    }

    pub(super) fn key(&mut self, key: &str) -> &mut Vec<u8> {
        self.out.push(b',');
        string(self.out, key);
        self.out.push(b':');
        self.out
    }

    pub(super) fn text(mut self, key: &str, value: &str) -> Self {
        string(self.key(key), value);
        self
    }

    pub(super) fn whole(mut self, key: &str, value: Option<u64>) -> Self {
        if let Some(value) = value {
            whole(self.key(key), value);
        }
        self
    }

    pub(super) fn number(mut self, key: &str, value: Option<f64>) -> Self {
        if let Some(value) = value {
            number(self.key(key), value);
        }
        self
    }

    /// Written only when true: false is what a missing field means.
    pub(super) fn flag(mut self, key: &str, value: bool) -> Self {
        if value {
            self.key(key).extend_from_slice(b"true");
        }
        self
    }

    pub(super) fn end(self) {
        self.out.extend_from_slice(b"}\n");
    }
}

/// Milliseconds are written to the microsecond: more digits would be noise on a clock read in user space.
pub(super) fn to_microseconds(ms: f64) -> f64 {
    (ms * 1_000.0).round() / 1_000.0
}

pub(super) fn string(out: &mut Vec<u8>, value: &str) {
    serialize(out, value);
}

pub(super) fn whole(out: &mut Vec<u8>, value: u64) {
    serialize(out, &value);
}

/// A finite number, whole ones without `.0`. Callers keep what isn't finite away: JSON has no word for it.
pub(super) fn number(out: &mut Vec<u8>, value: f64) {
    debug_assert!(value.is_finite(), "{value} on the wire");
    // Below 2^53 whole numbers are exact, so the shorter form says the same.
    #[expect(clippy::cast_possible_truncation, reason = "the magnitude is checked first")]
    if value.fract() == 0.0 && value.abs() < 9.0e15 {
        serialize(out, &(value as i64));
    } else {
        serialize(out, &value);
    }
}

pub(super) fn serialize<T: serde::Serialize + ?Sized>(out: &mut Vec<u8>, value: &T) {
    serde_json::to_writer(&mut *out, value).expect("writing JSON to memory can't fail");
}
