//! What is said about a line that isn't as the protocol says.

use std::fmt;

/// Most characters of a line that an error repeats.
const EXCERPT_CHARS: usize = 120;

/// Characters kept in front of the place where it went wrong, when the line is longer than the excerpt.
const EXCERPT_BEFORE: usize = 80;

/// A line that isn't a message of the protocol: what is wrong, where, and the part of the line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Malformed {
    what: String,
    column: Option<usize>,
    excerpt: String,
}

impl Malformed {
    /// `column` counts bytes from 1; `None` where the trouble isn't at one place.
    pub(crate) fn new(what: impl Into<String>, column: Option<usize>, line: &[u8]) -> Self {
        Malformed {
            what: what.into(),
            column,
            excerpt: excerpt(line, column),
        }
    }

    pub(crate) fn json(error: &serde_json::Error, line: &[u8]) -> Self {
        let text = error.to_string();
        // The place is kept apart, so the message needn't repeat it.
        let what = match text.rfind(" at line ") {
            Some(end) => &text[..end],
            None => &text,
        };
        let column = (error.column() > 0).then(|| error.column());
        Malformed::new(what, column, line)
    }

    /// What is wrong, without the place.
    pub fn what(&self) -> &str {
        &self.what
    }

    /// Byte column, counted from 1, where it was noticed.
    pub fn column(&self) -> Option<usize> {
        self.column
    }

    /// The part of the line around the column, at most 120 characters, control characters escaped.
    pub fn excerpt(&self) -> &str {
        &self.excerpt
    }
}

impl fmt::Display for Malformed {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.what)?;
        if let Some(column) = self.column {
            write!(f, ", at column {column}")?;
        }
        write!(f, ": `{}`", self.excerpt)
    }
}

impl std::error::Error for Malformed {}

fn excerpt(line: &[u8], column: Option<usize>) -> String {
    let from = match column {
        Some(column) if line.len() > EXCERPT_CHARS => column.saturating_sub(EXCERPT_BEFORE).min(line.len()),
        _ => 0,
    };
    // A character has at most four bytes, so this slice is enough and the cost stays bounded.
    let part = &line[from..line.len().min(from + 4 * EXCERPT_CHARS)];
    let text = String::from_utf8_lossy(part);
    let mut out = String::new();
    let mut room = EXCERPT_CHARS;
    if from > 0 {
        out.push('…');
        room -= 1;
    }
    let mut chars = text.chars();
    for c in chars.by_ref() {
        let width = if c.is_control() {
            c.escape_default().count()
        } else {
            1
        };
        if width + 1 > room {
            out.push('…');
            return out;
        }
        if c.is_control() {
            out.extend(c.escape_default());
        } else {
            out.push(c);
        }
        room -= width;
    }
    if from + part.len() < line.len() {
        out.push('…');
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_excerpt_is_capped_and_shows_the_place() {
        let mut line = vec![b'a'; 5_000];
        line[3_000] = b'#';
        let shown = excerpt(&line, Some(3_001));
        assert!(
            shown.chars().count() <= EXCERPT_CHARS,
            "{} characters",
            shown.chars().count()
        );
        assert!(shown.contains('#'), "{shown}");
        assert!(shown.starts_with('…') && shown.ends_with('…'), "{shown}");
    }

    #[test]
    fn an_excerpt_escapes_what_would_upset_a_terminal_and_survives_any_bytes() {
        assert_eq!(excerpt(b"a\x1b[31m\xff", None), "a\\u{1b}[31m\u{fffd}");
        let escapes = vec![0x07_u8; 400];
        assert!(excerpt(&escapes, Some(1)).chars().count() <= EXCERPT_CHARS);
    }
}
