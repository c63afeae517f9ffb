//! What is printed where: data on stdout, everything else on stderr, colour where it is welcome.

use std::borrow::Cow;
use std::io::{self, IsTerminal, Write};

use serde::Serialize;

use crate::arguments::Color;

/// What a colour says. Each is also said in words: a screen has to be readable without any.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Tone {
    /// Tripped, failed.
    Danger,
    /// About to act, waiting for a person.
    Warning,
    /// As it should be.
    Good,
    /// To be seen first.
    Strong,
    /// Of less interest.
    Faint,
    /// As it comes.
    Plain,
}

/// Paints text, or leaves it as it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Paint(bool);

impl Paint {
    /// No colour.
    pub(crate) const NONE: Self = Self(false);

    /// `flag` first, then `NO_COLOR` (set and not empty: none), then whether a terminal reads.
    fn choose(flag: Color, no_color: bool, terminal: bool) -> Self {
        Self(match flag {
            Color::Always => true,
            Color::Never => false,
            Color::Auto => terminal && !no_color,
        })
    }

    /// Whether there is colour.
    pub(crate) const fn is_on(self) -> bool {
        self.0
    }

    /// The text in the colour of `tone`.
    pub(crate) fn text(self, tone: Tone, text: &str) -> Cow<'_, str> {
        let code = match tone {
            Tone::Danger => "1;31",
            Tone::Warning => "33",
            Tone::Good => "32",
            Tone::Strong => "1",
            Tone::Faint => "2",
            Tone::Plain => "",
        };
        if self.0 && !code.is_empty() && !text.is_empty() {
            format!("\x1b[{code}m{text}\x1b[0m").into()
        } else {
            text.into()
        }
    }
}

/// Where a command prints.
#[derive(Debug)]
pub(crate) struct Screen {
    json: bool,
    out: Paint,
    err: Paint,
}

impl Screen {
    pub(crate) fn new(json: bool, color: Color) -> Self {
        let no_color = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
        Self {
            json,
            out: Paint::choose(color, no_color, io::stdout().is_terminal()),
            err: Paint::choose(color, no_color, io::stderr().is_terminal()),
        }
    }

    /// Whether `--json` was given.
    pub(crate) fn is_json(&self) -> bool {
        self.json
    }

    /// How stdout is painted.
    pub(crate) fn paint(&self) -> Paint {
        self.out
    }

    /// Shows a result: the object with `--json`, else the text that `human` makes of it.
    pub(crate) fn show<T: Serialize>(
        &self,
        shape: &T,
        human: impl FnOnce(&T, Paint) -> String,
    ) -> io::Result<()> {
        if self.json {
            self.json(shape)
        } else {
            self.print(&human(shape, self.out))
        }
    }

    /// One object and a newline on stdout.
    #[expect(clippy::unused_self, reason = "reads as what it is: something on this screen")]
    pub(crate) fn json<T: Serialize>(&self, shape: &T) -> io::Result<()> {
        let mut out = io::stdout().lock();
        serde_json::to_writer(&mut out, shape)?;
        out.write_all(b"\n")?;
        out.flush()
    }

    /// Text on stdout, with a newline at its end.
    #[expect(clippy::unused_self, reason = "reads as what it is: something on this screen")]
    pub(crate) fn print(&self, text: &str) -> io::Result<()> {
        let mut out = io::stdout().lock();
        out.write_all(text.as_bytes())?;
        if !text.ends_with('\n') && !text.is_empty() {
            out.write_all(b"\n")?;
        }
        out.flush()
    }

    /// `label: text` on stderr. If nobody reads it, there is nobody to tell so.
    pub(crate) fn say(&self, tone: Tone, label: &str, text: &str) {
        let _ = writeln!(io::stderr(), "{}: {text}", self.err.text(tone, label));
    }

    /// The likely next command, on stderr. Not with `--json`: a program knows what it wants next.
    pub(crate) fn next(&self, command: &str) {
        if !self.json {
            let _ = writeln!(io::stderr(), "{} {command}", self.err.text(Tone::Faint, "next:"));
        }
    }
}

/// Columns of the terminal on stdout; 80 where it doesn't say.
pub(crate) fn columns() -> usize {
    match rustix::termios::tcgetwinsize(io::stdout()) {
        Ok(size) if size.ws_col > 0 => size.ws_col.into(),
        _ => 80,
    }
}

/// A line in pieces of at most `columns` characters, broken between words where there are any. Colour codes take no
/// room.
pub(crate) fn wrapped(line: &str, columns: usize) -> Vec<String> {
    let columns = columns.max(1);
    let (mut pieces, mut piece, mut width, mut escape) = (Vec::new(), String::new(), 0, false);
    // Where the newest blank of the piece is, and how wide the piece was with it.
    let mut blank: Option<(usize, usize)> = None;
    for letter in line.chars() {
        escape |= letter == '\x1b';
        if !escape {
            if width == columns {
                let (rest, rest_width) = match blank.take() {
                    _ if letter == ' ' => (String::new(), 0),
                    Some((at, before)) => (piece.split_off(at), width - before),
                    None => (String::new(), 0),
                };
                pieces.push(
                    std::mem::replace(&mut piece, rest)
                        .trim_end_matches(' ')
                        .to_owned(),
                );
                width = rest_width;
                if letter == ' ' {
                    continue;
                }
            }
            width += 1;
        }
        piece.push(letter);
        if letter == ' ' && !piece.trim_start().is_empty() {
            blank = Some((piece.len(), width));
        }
        escape &= !letter.is_ascii_alphabetic();
    }
    pieces.push(piece);
    pieces
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn colour_obeys_the_flag_then_the_environment_then_the_terminal() {
        // flag, NO_COLOR, terminal, coloured
        let table = [
            (Color::Always, true, false, true),
            (Color::Never, false, true, false),
            (Color::Auto, true, true, false),
            (Color::Auto, false, true, true),
            (Color::Auto, false, false, false),
        ];
        for (flag, no_color, terminal, coloured) in table {
            assert_eq!(
                Paint::choose(flag, no_color, terminal),
                Paint(coloured),
                "{flag:?} {no_color} {terminal}"
            );
        }
    }

    #[test]
    fn paint_leaves_no_trace_where_there_is_none() {
        assert_eq!(Paint(false).text(Tone::Danger, "TRIPPED"), "TRIPPED");
        assert_eq!(
            Paint(true).text(Tone::Danger, "TRIPPED"),
            "\x1b[1;31mTRIPPED\x1b[0m"
        );
        assert_eq!(Paint(true).text(Tone::Plain, "idle"), "idle");
    }

    #[test]
    fn lines_break_between_words_and_colour_takes_no_room() {
        assert_eq!(
            wrapped("heat is cut, let it cool", 12),
            ["heat is cut,", "let it cool"]
        );
        assert_eq!(
            wrapped("heat is cut, let it cool", 10),
            ["heat is", "cut, let", "it cool"]
        );
        assert_eq!(wrapped("unbreakable", 4), ["unbr", "eaka", "ble"]);
        assert_eq!(wrapped("  indented", 8), ["  indent", "ed"]);
        assert_eq!(wrapped("\x1b[1;31mabcd\x1b[0m", 4), ["\x1b[1;31mabcd\x1b[0m"]);
        assert_eq!(wrapped("", 4), [""]);
    }
}
