//! Cuts a byte stream into lines without ever holding more than one line limit plus one read.

use std::fmt;

use super::MAX_LINE_BYTES;

/// Splits what was read from a pipe into lines.
///
/// ```
/// let mut lines = benchward_driver::wire::Lines::new();
/// lines.push(b"{\"msg\":\"clo");
/// assert!(lines.next_line().is_none());
/// lines.push(b"se\"}\n");
/// assert_eq!(lines.next_line(), Some(Ok(&b"{\"msg\":\"close\"}"[..])));
/// assert!(lines.next_line().is_none());
/// ```
#[derive(Debug, Default)]
pub struct Lines {
    bytes: Vec<u8>,
    /// Where the first line not yet handed out starts.
    start: usize,
    /// Up to where no `\n` has been found, so that a long line isn't searched again and again.
    searched: usize,
    /// A line over the limit is being thrown away until its end.
    skipping: bool,
}

/// A line longer than [`MAX_LINE_BYTES`]; its bytes were thrown away as they came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LineTooLong;

impl fmt::Display for LineTooLong {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "line longer than {MAX_LINE_BYTES} bytes")
    }
}

impl std::error::Error for LineTooLong {}

impl Lines {
    /// Nothing read yet.
    pub fn new() -> Self {
        Lines::default()
    }

    /// Adds what was read. Take all lines out with [`Lines::next_line`] before the next call, so
    /// that memory stays bounded.
    pub fn push(&mut self, bytes: &[u8]) {
        if self.start > 0 {
            self.bytes.drain(..self.start);
            self.searched -= self.start;
            self.start = 0;
        }
        self.bytes.extend_from_slice(bytes);
    }

    /// The next whole line without its `\n` or `\r\n`; `None` when more has to be read first.
    ///
    /// A line over the limit is reported once, as soon as it passes the limit; its rest is dropped.
    pub fn next_line(&mut self) -> Option<Result<&[u8], LineTooLong>> {
        loop {
            let Some(length) = self.bytes[self.searched..].iter().position(|&b| b == b'\n') else {
                self.searched = self.bytes.len();
                let pending = self.bytes.len() - self.start;
                if self.skipping {
                    self.forget();
                    return None;
                }
                if pending > MAX_LINE_BYTES {
                    self.skipping = true;
                    self.forget();
                    return Some(Err(LineTooLong));
                }
                return None;
            };
            let from = self.start;
            let end = self.searched + length;
            self.start = end + 1;
            self.searched = self.start;
            if self.skipping {
                self.skipping = false;
                continue;
            }
            if end - from > MAX_LINE_BYTES {
                return Some(Err(LineTooLong));
            }
            let line = &self.bytes[from..end];
            return Some(Ok(line.strip_suffix(b"\r").unwrap_or(line)));
        }
    }

    /// What was read of a line that never ended. Worth a word when the stream is over.
    pub fn unfinished(&self) -> &[u8] {
        &self.bytes[self.start..]
    }

    fn forget(&mut self) {
        self.bytes.clear();
        self.start = 0;
        self.searched = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(lines: &mut Lines) -> Vec<Result<String, LineTooLong>> {
        let mut out = Vec::new();
        while let Some(line) = lines.next_line() {
            out.push(line.map(|l| String::from_utf8_lossy(l).into_owned()));
        }
        out
    }

    #[test]
    fn lines_come_out_the_same_however_the_bytes_arrive() {
        let text = b"one\n\ntwo\r\nthree\nrest";
        for step in 1..=text.len() {
            let mut lines = Lines::new();
            let mut out = Vec::new();
            for part in text.chunks(step) {
                lines.push(part);
                out.extend(all(&mut lines));
            }
            let expected: Vec<_> = ["one", "", "two", "three"]
                .iter()
                .map(|s| Ok((*s).to_string()))
                .collect();
            assert_eq!(out, expected, "in steps of {step}");
            assert_eq!(lines.unfinished(), b"rest");
        }
    }

    #[test]
    fn a_line_at_the_limit_passes_and_one_byte_more_does_not() {
        for (length, fits) in [(MAX_LINE_BYTES, true), (MAX_LINE_BYTES + 1, false)] {
            let mut lines = Lines::new();
            lines.push(&vec![b'x'; length]);
            lines.push(b"\nafter\n");
            let out = all(&mut lines);
            assert_eq!(out.len(), 2);
            assert_eq!(out[0].is_ok(), fits, "{length} bytes");
            assert_eq!(out[1], Ok("after".to_string()));
        }
    }

    #[test]
    fn a_runaway_line_is_reported_once_and_holds_no_memory() {
        let mut lines = Lines::new();
        let mut reports = 0;
        for _ in 0..1_000 {
            lines.push(&[b'x'; 4_096]);
            reports += all(&mut lines).len();
            assert!(lines.bytes.len() <= MAX_LINE_BYTES + 4_096);
        }
        assert_eq!(reports, 1);
        lines.push(b"end\n{}\n");
        assert_eq!(all(&mut lines), vec![Ok("{}".to_string())]);
    }
}
