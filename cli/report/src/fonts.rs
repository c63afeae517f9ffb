//! The font of reports, and how wide text is in it.
//!
//! Liberation Sans has the widths of Arial and Helvetica, which are what a browser takes where it hasn't Liberation itself. So what
//! is measured here holds for the chart in the HTML file as well.

use std::sync::LazyLock;

use skrifa::instance::{LocationRef, Size};
use skrifa::{FontRef, GlyphId, MetadataProvider};

/// The regular font, as it is in the file.
pub(crate) static REGULAR: &[u8] = include_bytes!("../fonts/LiberationSans-Regular.ttf");
/// The bold one.
pub(crate) static BOLD: &[u8] = include_bytes!("../fonts/LiberationSans-Bold.ttf");

/// What is known of a font's letters.
pub(crate) struct Face {
    font: FontRef<'static>,
    units: f32,
}

static FACES: LazyLock<[Face; 2]> = LazyLock::new(|| [Face::new(REGULAR), Face::new(BOLD)]);

/// The face of text that is bold or isn't.
pub(crate) fn face(strong: bool) -> &'static Face {
    &FACES[usize::from(strong)]
}

impl Face {
    /// # Panics
    /// Never: the two fonts are in the program, and every test reads them.
    fn new(data: &'static [u8]) -> Self {
        let font = FontRef::new(data)
            .unwrap_or_else(|error| panic!("a font of this program can't be read: {error}"));
        let units = f32::from(
            font.metrics(Size::unscaled(), LocationRef::default())
                .units_per_em,
        );
        Self { font, units }
    }

    /// The glyph of a letter with its width, in ems; `None`: the font has none.
    pub(crate) fn glyph(&self, letter: char) -> Option<(GlyphId, f32)> {
        let glyph = self.font.charmap().map(letter)?;
        let width = self
            .font
            .glyph_metrics(Size::unscaled(), LocationRef::default())
            .advance_width(glyph)?;
        Some((glyph, width / self.units))
    }

    /// The text with letters that the font doesn't have written as `<U+5BF8>`.
    pub(crate) fn writable(&self, text: &str) -> String {
        let mut written = String::with_capacity(text.len());
        for letter in text.chars() {
            if self.font.charmap().map(letter).is_some() {
                written.push(letter);
            } else {
                crate::text::code(&mut written, letter);
            }
        }
        written
    }

    /// Width of a line of text at a size of one.
    pub(crate) fn ems(&self, text: &str) -> f64 {
        let charmap = self.font.charmap();
        let metrics = self.font.glyph_metrics(Size::unscaled(), LocationRef::default());
        let units: f64 = text
            .chars()
            .map(|letter| {
                let glyph = charmap.map(letter).unwrap_or_default();
                f64::from(metrics.advance_width(glyph).unwrap_or(self.units))
            })
            .sum();
        units / f64::from(self.units)
    }
}

/// Width of a line of text.
pub(crate) fn width(text: &str, size: f64, strong: bool) -> f64 {
    face(strong).ems(text) * size
}

/// The text, or its beginning and `…`, so that it isn't wider.
pub(crate) fn fitted(text: &str, size: f64, strong: bool, width_max: f64) -> String {
    if width(text, size, strong) <= width_max {
        return text.to_owned();
    }
    let mut room = width_max - width("…", size, strong);
    if room < 0.0 {
        return String::new();
    }
    let kept: String = text
        .chars()
        .take_while(|letter| {
            room -= width(letter.encode_utf8(&mut [0; 4]), size, strong);
            room >= 0.0
        })
        .collect();
    format!("{}…", kept.trim_end())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn widths_are_those_of_the_font() {
        // Advance widths of Arial and of this font, 1/2048 em, common practice: space 569, digits 1139, M 1706.
        assert!((width("0123456789", 1.0, false) - 11_390.0 / 2048.0).abs() < 1e-6);
        assert!((width(" ", 2048.0, false) - 569.0).abs() < 1e-3);
        assert!((width("M", 2048.0, false) - 1706.0).abs() < 1e-3);
        assert!((width("M", 2048.0, true) - 1706.0).abs() < 1e-3);
    }

    #[test]
    fn long_text_is_cut_and_letters_that_are_missing_are_named() {
        assert_eq!(fitted("board-top", 10.0, false, 500.0), "board-top");
        let cut = fitted("a very long name of a channel", 10.0, false, 60.0);
        assert!(cut.ends_with('…') && width(&cut, 10.0, false) <= 60.0, "{cut}");
        assert_eq!(fitted("abc", 10.0, false, 1.0), "");
        assert_eq!(
            face(false).writable("ΔT = 3 °C, 寸 \u{1F525}"),
            "ΔT = 3 °C, <U+5BF8> <U+1F525>"
        );
    }
}
