//! Text that strangers wrote.

use std::fmt::Write as _;

/// The same text with everything made visible that a reader can't see or that moves what stands around it: controls, marks that turn
/// the direction of writing, marks without width. A line feed stays.
///
/// A serial number that shows as another one would make a record worthless, so nothing is dropped: U+202E becomes `<U+202E>`.
pub fn visible(text: &str) -> String {
    let mut shown = String::with_capacity(text.len());
    for letter in text.chars() {
        if letter != '\n' && hidden(letter) {
            code(&mut shown, letter);
        } else {
            shown.push(letter);
        }
    }
    shown
}

/// Writes `<U+202E>` for a letter.
pub(crate) fn code(into: &mut String, letter: char) {
    let _ = write!(into, "<U+{:04X}>", u32::from(letter));
}

/// Controls, format characters, and what no text may have. Sources: Unicode 15, general categories Cc and Cf, blocks by hand; line and
/// paragraph separators; noncharacters.
fn hidden(letter: char) -> bool {
    letter.is_control()
        || matches!(u32::from(letter),
            0x00AD | 0x061C | 0x180E
            | 0x200B..=0x200F | 0x2028..=0x202E | 0x2060..=0x206F
            | 0xFE00..=0xFE0F | 0xFEFF | 0xFFF9..=0xFFFB | 0xFFFE..=0xFFFF
            | 0xE0000..=0xE01EF)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_hides_is_shown() {
        assert_eq!(visible("A-0017"), "A-0017");
        assert_eq!(visible("über Ω \u{1F525} 寸"), "über Ω \u{1F525} 寸");
        assert_eq!(
            visible("a\u{202E}b\u{0}\t\r"),
            "a<U+202E>b<U+0000><U+0009><U+000D>"
        );
        assert_eq!(visible("two\nlines\u{2028}"), "two\nlines<U+2028>");
        assert_eq!(visible("\u{FEFF}\u{200B}\u{00AD}"), "<U+FEFF><U+200B><U+00AD>");
    }
}
