//! What is wrong in a text that a person wrote, shown where it stands, with what to do about it.
//!
//! Recipes and the configuration are read to the end before anything is reported, so that a person mends a file
//! once and not once for every mistake. [`table`] is the reader that collects them.
//!
//! This module knows nothing of files: the caller says what the text is called.

pub mod table;

use std::fmt;
use std::ops::Range;

/// Most mistakes that are kept and shown. A person mends a screenful at a time, and a file of another kind
/// (a photo, say) would give one a line.
pub const SHOWN_MAX: usize = 50;

/// Widest excerpt of a line, characters. Fits a terminal of 120 columns with the line number.
const EXCERPT_CHARS_MAX: usize = 100;

/// How much of the line before a mistake stays in an excerpt that is cut, characters.
const EXCERPT_CHARS_BEFORE: usize = 30;

/// Longest quotation of somebody's text inside a sentence, characters.
const QUOTE_CHARS_MAX: usize = 60;

/// One mistake: where, what, and what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mistake {
    place: String,
    span: Range<usize>,
    line: usize,
    column: usize,
    text: String,
    fix: Option<String>,
    excerpt: Option<Excerpt>,
}

/// The line a mistake is on, ready to print.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Excerpt {
    line: String,
    caret_column: usize,
    caret_chars: usize,
}

impl Mistake {
    fn new(place: &str, source: &str, found: Found) -> Self {
        let Found { span, text, fix } = found;
        let start = char_boundary(source, span.start);
        let end = char_boundary(source, span.end).max(start);
        let line_start = source[..start].rfind('\n').map_or(0, |at| at + 1);
        let line_end = source[start..].find('\n').map_or(source.len(), |at| start + at);
        let whole_text = span.is_empty() && span.start == 0;
        let excerpt = (!whole_text).then(|| {
            let shown_end = end.min(line_end);
            Excerpt::new(
                &source[line_start..line_end],
                source[line_start..start].chars().count(),
                source[start..shown_end.max(start)].chars().count(),
            )
        });
        Self {
            place: printable(place),
            line: 1 + source[..line_start].matches('\n').count(),
            column: 1 + source[line_start..start].chars().count(),
            span: start..end,
            text: printable(&text),
            fix: fix.map(|fix| printable(&fix)),
            excerpt,
        }
    }

    /// What the caller called the text: a file name.
    pub fn place(&self) -> &str {
        &self.place
    }

    /// Where in the text, bytes. Empty at 0 for a mistake of the text as a whole.
    pub fn span(&self) -> Range<usize> {
        self.span.clone()
    }

    /// Line, from 1.
    pub fn line(&self) -> usize {
        self.line
    }

    /// Column in characters, from 1.
    pub fn column(&self) -> usize {
        self.column
    }

    /// What is wrong, with value, bound and unit.
    pub fn text(&self) -> &str {
        &self.text
    }

    /// What to do about it.
    pub fn fix(&self) -> Option<&str> {
        self.fix.as_deref()
    }
}

impl Excerpt {
    /// `column` and `chars`: where the caret starts, from 0, and how long it is, in characters of `line`.
    fn new(line: &str, column: usize, chars: usize) -> Self {
        let length = line.trim_end_matches('\r').chars().count();
        let from = if length <= EXCERPT_CHARS_MAX {
            0
        } else {
            column.saturating_sub(EXCERPT_CHARS_BEFORE)
        };
        let shown = (length - from.min(length)).min(EXCERPT_CHARS_MAX);
        let mut cut = String::new();
        let mut before = 0;
        if from > 0 {
            cut.push_str("... ");
            before = 4;
        }
        // A character of width zero or of unknown effect would shift the caret or the terminal; each prints as one.
        cut.extend(
            line.chars()
                .skip(from)
                .take(shown)
                .map(|c| if is_plain(c) { c } else { ' ' }),
        );
        if from + shown < length {
            cut.push_str(" ...");
        }
        let caret_column = before + column - from.min(column);
        let caret_chars = chars.clamp(1, (from + shown).saturating_sub(column).max(1));
        Self {
            line: cut,
            caret_column,
            caret_chars,
        }
    }
}

/// `lab.toml:12:1: unknown key ...`, the line, a caret under the place, and `fix: ...`. No colour, no newline at
/// the end.
impl fmt::Display for Mistake {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}:{}: {}", self.place, self.line, self.column, self.text)?;
        if let Some(excerpt) = &self.excerpt {
            let number = self.line.to_string();
            let Excerpt {
                line,
                caret_column,
                caret_chars,
            } = excerpt;
            write!(f, "\n  {number} | {line}")?;
            write!(
                f,
                "\n  {0:1$} | {0:caret_column$}{0:^<caret_chars$}",
                "",
                number.len()
            )?;
        }
        if let Some(fix) = &self.fix {
            write!(f, "\nfix: {fix}")?;
        }
        Ok(())
    }
}

/// All that is wrong with one text, in the order of the text. Never empty.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mistakes {
    shown: Vec<Mistake>,
    more: usize,
}

impl Mistakes {
    /// One mistake of a text as a whole, such as its size.
    pub fn of_whole(place: &str, text: impl Into<String>, fix: impl Into<String>) -> Self {
        let found = Found {
            span: 0..0,
            text: text.into(),
            fix: Some(fix.into()),
        };
        Self {
            shown: vec![Mistake::new(place, "", found)],
            more: 0,
        }
    }

    /// The text in `bytes`, or the mistake of its first byte that isn't UTF-8.
    ///
    /// # Errors
    /// One mistake, on the line of that byte.
    pub fn utf8<'b>(place: &str, bytes: &'b [u8]) -> Result<&'b str, Self> {
        std::str::from_utf8(bytes).map_err(|error| {
            let at = error.valid_up_to();
            let readable = String::from_utf8_lossy(bytes);
            // Nothing before `at` was replaced, so the position holds in the lossy text too.
            let found = Found {
                span: at..at + char::REPLACEMENT_CHARACTER.len_utf8(),
                text: format!("byte {:#04x} is not UTF-8 text", bytes[at]),
                fix: Some("save the file as UTF-8".to_owned()),
            };
            let mut mistake = Mistake::new(place, &readable, found);
            mistake.span = at..at + 1;
            Self {
                shown: vec![mistake],
                more: 0,
            }
        })
    }

    /// One by one.
    pub fn iter(&self) -> std::slice::Iter<'_, Mistake> {
        self.shown.iter()
    }

    /// How many there are beyond the [`SHOWN_MAX`] that are kept.
    pub fn more(&self) -> usize {
        self.more
    }
}

impl<'m> IntoIterator for &'m Mistakes {
    type Item = &'m Mistake;
    type IntoIter = std::slice::Iter<'m, Mistake>;
    fn into_iter(self) -> Self::IntoIter {
        self.iter()
    }
}

/// Every mistake as it prints alone, an empty line between. No newline at the end.
impl fmt::Display for Mistakes {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (index, mistake) in self.shown.iter().enumerate() {
            if index > 0 {
                write!(f, "\n\n")?;
            }
            write!(f, "{mistake}")?;
        }
        if self.more > 0 {
            write!(f, "\n\nand {} more", self.more)?;
        }
        Ok(())
    }
}

impl std::error::Error for Mistakes {}

/// A mistake whose line nobody has counted yet.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Found {
    span: Range<usize>,
    text: String,
    fix: Option<String>,
}

/// Collects mistakes while a text is read.
#[derive(Debug)]
pub struct Collector<'t> {
    place: &'t str,
    text: &'t str,
    found: Vec<Found>,
    dropped: usize,
}

impl<'t> Collector<'t> {
    /// Most mistakes remembered before the earliest of them are picked; bounds memory, not what is shown.
    const REMEMBERED_MAX: usize = 20 * SHOWN_MAX;

    /// `place`: what the reader calls the text, usually its file name.
    pub fn new(place: &'t str, text: &'t str) -> Self {
        Self {
            place,
            text,
            found: Vec::new(),
            dropped: 0,
        }
    }

    /// The text that is being read.
    pub fn source(&self) -> &'t str {
        self.text
    }

    /// The part of the text at `span`, quoted for a sentence.
    pub fn quoted(&self, span: &Range<usize>) -> String {
        let start = char_boundary(self.text, span.start);
        quote(&self.text[start..char_boundary(self.text, span.end).max(start)])
    }

    /// Notes a mistake. `span`: where in the text, bytes; `0..0` for the text as a whole.
    pub fn add(&mut self, span: Range<usize>, text: impl Into<String>, fix: impl Into<String>) {
        self.push(Found {
            span,
            text: text.into(),
            fix: Some(fix.into()),
        });
    }

    /// Notes a mistake for which there is no advice beyond what it says.
    pub fn add_without_fix(&mut self, span: Range<usize>, text: impl Into<String>) {
        self.push(Found {
            span,
            text: text.into(),
            fix: None,
        });
    }

    fn push(&mut self, found: Found) {
        if self.found.len() < Self::REMEMBERED_MAX {
            self.found.push(found);
        } else {
            self.dropped += 1;
        }
    }

    /// Whether further mistakes are only counted: advice for them needs no thought.
    pub(crate) fn is_full(&self) -> bool {
        self.found.len() >= Self::REMEMBERED_MAX
    }

    /// Whether nothing is wrong so far.
    pub fn is_clean(&self) -> bool {
        self.found.is_empty()
    }

    /// What was read, or all that is wrong with it.
    ///
    /// # Errors
    /// The mistakes, if there is one.
    ///
    /// # Panics
    /// If there is neither a value nor a mistake: whoever reads gave up without a word.
    pub fn finish<T>(mut self, value: Option<T>) -> Result<T, Mistakes> {
        if self.found.is_empty() {
            return Ok(value.expect("a text without mistakes gives a value"));
        }
        self.found.sort_by_key(|found| (found.span.start, found.span.end));
        // A parser that gives up says so once for every bracket that was open.
        self.found.dedup();
        let more = self.dropped + self.found.len().saturating_sub(SHOWN_MAX);
        self.found.truncate(SHOWN_MAX);
        let shown = self
            .found
            .into_iter()
            .map(|found| Mistake::new(self.place, self.text, found))
            .collect();
        Err(Mistakes { shown, more })
    }
}

/// `text` between backquotes, cut where it is long.
pub fn quote(text: &str) -> String {
    match text.char_indices().nth(QUOTE_CHARS_MAX) {
        Some((cut, _)) => format!("`{}...`", &text[..cut]),
        None => format!("`{text}`"),
    }
}

/// The word out of `known` that was most likely meant by `word`, if one is near.
pub fn nearest<'k>(word: &str, known: impl IntoIterator<Item = &'k str>) -> Option<&'k str> {
    // A whole key pasted as a name can't be a slip of another.
    const WORD_CHARS_MAX: usize = 40;
    // Shorter beginnings fit too much.
    const BEGINNING_CHARS_MIN: usize = 4;
    let length = word.chars().count();
    if length == 0 || length > WORD_CHARS_MAX {
        return None;
    }
    // Of a single letter any other is one edit away.
    let edits_max = if length == 1 { 0 } else { (length / 3).max(1) };
    let word = word.to_lowercase();
    let begins = |a: &str, b: &str| b.len() >= BEGINNING_CHARS_MIN && a.starts_with(b);
    known
        .into_iter()
        .map(|candidate| (edits(&word, &candidate.to_lowercase()), candidate))
        .filter(|&(edits, candidate)| {
            edits <= edits_max || begins(candidate, &word) || begins(&word, candidate)
        })
        .min_by_key(|&(edits, _)| edits)
        .map(|(_, candidate)| candidate)
}

/// Fewest single-letter edits from `a` to `b`; swapping two neighbours is one.
pub(crate) fn edits(a: &str, b: &str) -> usize {
    let (a, b): (Vec<char>, Vec<char>) = (a.chars().collect(), b.chars().collect());
    let mut two_back = vec![0; b.len() + 1];
    let mut one_back: Vec<usize> = (0..=b.len()).collect();
    for i in 1..=a.len() {
        let mut row = vec![i; b.len() + 1];
        for j in 1..=b.len() {
            let differs = usize::from(a[i - 1] != b[j - 1]);
            row[j] = (one_back[j] + 1)
                .min(row[j - 1] + 1)
                .min(one_back[j - 1] + differs);
            if i > 1 && j > 1 && a[i - 1] == b[j - 2] && a[i - 2] == b[j - 1] {
                row[j] = row[j].min(two_back[j - 2] + 1);
            }
        }
        two_back = std::mem::replace(&mut one_back, row);
    }
    one_back[b.len()]
}

/// The next character boundary at or below `at`, inside the text.
fn char_boundary(text: &str, at: usize) -> usize {
    (0..=at.min(text.len()))
        .rev()
        .find(|&at| text.is_char_boundary(at))
        .unwrap_or(0)
}

/// Whether `c` prints as itself and nothing else. Terminals obey control characters, and the marks that
/// turn the direction of writing make a line read as what it is not.
fn is_plain(c: char) -> bool {
    !c.is_control()
        && !matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}')
}

/// `text` with everything that isn't plain written as an escape.
fn printable(text: &str) -> String {
    let mut printable = String::with_capacity(text.len());
    for c in text.chars() {
        if is_plain(c) {
            printable.push(c);
        } else {
            printable.extend(c.escape_default());
        }
    }
    printable
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(text: &str, span: Range<usize>) -> String {
        let mut collector = Collector::new("lab.toml", text);
        collector.add(span, "this is wrong", "mend it");
        collector.finish(Some(())).unwrap_err().to_string()
    }

    #[test]
    fn a_mistake_shows_place_line_caret_and_fix() {
        let shown = at("[lab]\nname = \"a b\"\n", 13..18);
        assert_eq!(
            shown,
            "lab.toml:2:8: this is wrong\n  2 | name = \"a b\"\n    |        ^^^^^\nfix: mend it"
        );
    }

    /// The gutter grows with the line number; columns count characters, not bytes.
    #[test]
    fn the_caret_stands_under_the_place_after_letters_of_two_bytes() {
        let text = format!("{}é = 'ü' # x\r\n", "\n".repeat(11));
        let start = text.find("'ü'").unwrap();
        assert_eq!(
            at(&text, start..start + 4),
            "lab.toml:12:5: this is wrong\n  12 | é = 'ü' # x \n     |     ^^^\nfix: mend it"
                .replace("x \n", "x\n")
        );
    }

    #[test]
    fn a_mistake_of_the_whole_text_shows_no_line() {
        assert_eq!(at("[lab]\n", 0..0), "lab.toml:1:1: this is wrong\nfix: mend it");
    }

    #[test]
    fn a_place_over_several_lines_is_marked_on_the_first() {
        assert_eq!(
            at("a = [\n 1,\n]\n", 4..12),
            "lab.toml:1:5: this is wrong\n  1 | a = [\n    |     ^\nfix: mend it"
        );
    }

    #[test]
    fn places_outside_the_text_and_inside_a_letter_are_moved_into_it() {
        assert_eq!(
            at("é", 1..900),
            "lab.toml:1:1: this is wrong\n  1 | é\n    | ^\nfix: mend it"
        );
        assert_eq!(
            at("a", 5..9),
            "lab.toml:1:2: this is wrong\n  1 | a\n    |  ^\nfix: mend it"
        );
    }

    #[test]
    fn a_line_of_a_megabyte_is_cut_around_the_place() {
        let text = format!("{}here{}", "x".repeat(500_000), "y".repeat(500_000));
        let shown = at(&text, 500_000..500_004);
        assert!(shown.len() < 400, "{} bytes", shown.len());
        let lines: Vec<&str> = shown.lines().collect();
        assert!(lines[0].starts_with("lab.toml:1:500001: "));
        assert_eq!(lines[1].find("here"), lines[2].find("^^^^"), "{shown}");
        assert!(!lines[2].contains("^^^^^"));
    }

    #[test]
    fn a_line_that_fits_is_shown_whole() {
        let fits = "z".repeat(100);
        assert_eq!(at(&fits, 90..91).lines().nth(1), Some(&*format!("  1 | {fits}")));
        let cut = format!("  1 | ... {} ...", "z".repeat(100));
        assert_eq!(at(&"z".repeat(200), 50..51).lines().nth(1), Some(&*cut));
        let end = format!("  1 | ... {}", "z".repeat(41));
        assert_eq!(at(&"z".repeat(101), 90..91).lines().nth(1), Some(&*end));
    }

    #[test]
    fn a_place_longer_than_the_line_shown_is_cut_too() {
        let shown = at(&"z".repeat(1000), 1..1000);
        assert!(shown.lines().all(|line| line.chars().count() <= 120), "{shown}");
    }

    /// A file can't turn the terminal of whoever reads its mistakes red, or write over a line.
    #[test]
    fn nothing_a_terminal_obeys_is_printed() {
        let text = "a = '\u{1b}[31m\u{202e}'\t# x\n";
        let mut collector = Collector::new("a\u{1b}[2J.toml", text);
        collector.add(
            0..1,
            format!("key {}", quote("\u{1b}[31m\u{7}")),
            "not \u{202e}this",
        );
        let shown = collector.finish(Some(())).unwrap_err().to_string();
        assert!(shown.chars().all(|c| c == '\n' || is_plain(c)), "{shown:?}");
        assert!(shown.contains(r"key `\u{1b}[31m\u{7}`"), "{shown}");
        assert!(shown.contains("| a = ' [31m ' # x"), "{shown}");
    }

    #[test]
    fn mistakes_come_in_the_order_of_the_text_and_the_rest_is_counted() {
        let text = "x\n".repeat(2000);
        let mut collector = Collector::new("f", &text);
        for line in (0..1500).rev() {
            collector.add(2 * line..2 * line + 1, "wrong", "fix");
        }
        let mistakes = collector.finish(Some(())).unwrap_err();
        assert_eq!(mistakes.iter().count(), SHOWN_MAX);
        assert_eq!(mistakes.more(), 1500 - SHOWN_MAX);
        assert!(mistakes.iter().is_sorted_by_key(Mistake::line));
        assert!(mistakes.to_string().ends_with("and 1450 more"));
    }

    #[test]
    fn bytes_that_are_not_text_are_shown_where_they_stand() {
        assert_eq!(Mistakes::utf8("f", "µ".as_bytes()).unwrap(), "µ");
        let mistakes = Mistakes::utf8("lab.toml", b"[lab]\nname = \"b\xfcro\"\n").unwrap_err();
        assert_eq!(
            mistakes.to_string(),
            "lab.toml:2:10: byte 0xfc is not UTF-8 text\n  2 | name = \"b\u{fffd}ro\"\n    |          ^\n\
             fix: save the file as UTF-8"
        );
        assert_eq!(mistakes.iter().next().unwrap().span(), 15..16);
    }

    #[test]
    fn the_word_that_was_meant_is_found() {
        let known = ["channels", "heat", "presence", "ceiling_celsius", "dwell_s", "K"];
        for (word, meant) in [
            ("chanels", Some("channels")),
            ("chnanels", Some("channels")),
            ("Heat", Some("heat")),
            ("haet", Some("heat")),
            ("ceiling", Some("ceiling_celsius")),
            ("ceil", Some("ceiling_celsius")),
            ("cei", None),
            ("dwell", Some("dwell_s")),
            ("dwell_min", Some("dwell_s")),
            ("volts", None),
            ("k", Some("K")),
            ("j", None),
            ("", None),
            ("h", None),
        ] {
            assert_eq!(nearest(word, known), meant, "{word}");
        }
    }

    #[test]
    fn edits_are_counted_as_by_hand() {
        for (a, b, count) in [
            ("", "", 0),
            ("", "abc", 3),
            ("kitten", "sitting", 3),
            ("heat", "haet", 1),
            ("abc", "abc", 0),
        ] {
            assert_eq!(edits(a, b), count, "{a} {b}");
            assert_eq!(edits(b, a), count, "{b} {a}");
        }
    }
}
