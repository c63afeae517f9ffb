//! Colours by what they are for, on light and on dark ground.
//!
//! Series take the hues of Okabe and Ito's palette (Color Universal Design, 2008), which people with the usual kinds of colour blindness tell
//! apart, made darker or lighter until each has a contrast of at least 3 : 1 with its ground (WCAG 2.2, 1.4.11); words have 4.5 : 1
//! (1.4.3). A test computes both.

/// What is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ink {
    /// One of the curves, counted from 0; there are [`SERIES`], then they begin again.
    Series(usize),
    /// Words, and the frame.
    Words,
    /// Words of less interest.
    Faint,
    /// Lines of a scale.
    Grid,
    /// The page.
    Ground,
    /// Ground of a band or a phase.
    Band,
    /// What must not be passed.
    Limit,
    /// Heat.
    Heat,
    /// As it should be.
    Good,
    /// A person should look.
    Warning,
    /// Failed, tripped.
    Bad,
}

/// Curves that differ by colour.
pub const SERIES: usize = 6;

/// Red, green, blue.
pub type Rgb = [u8; 3];

/// Every ink, for writers that list them.
pub const ALL: [Ink; 16] = [
    Ink::Series(0),
    Ink::Series(1),
    Ink::Series(2),
    Ink::Series(3),
    Ink::Series(4),
    Ink::Series(5),
    Ink::Words,
    Ink::Faint,
    Ink::Grid,
    Ink::Ground,
    Ink::Band,
    Ink::Limit,
    Ink::Heat,
    Ink::Good,
    Ink::Warning,
    Ink::Bad,
];

impl Ink {
    /// On light ground, which all paper is.
    pub const fn light(self) -> Rgb {
        match self {
            Self::Series(at) => [
                [0x00, 0x5F, 0x9E],
                [0xB8, 0x50, 0x00],
                [0x00, 0x7A, 0x5A],
                [0x9A, 0x4B, 0x7E],
                [0x1F, 0x7F, 0xB5],
                [0x6B, 0x5B, 0x00],
            ][at % SERIES],
            Self::Words => [0x1A, 0x1C, 0x1E],
            Self::Faint => [0x54, 0x5A, 0x60],
            Self::Grid => [0xDD, 0xE0, 0xE3],
            Self::Ground => [0xFF, 0xFF, 0xFF],
            Self::Band => [0xEC, 0xEF, 0xF1],
            Self::Limit | Self::Bad => [0xA8, 0x10, 0x10],
            Self::Heat => [0xC7, 0x6A, 0x2B],
            Self::Good => [0x0B, 0x66, 0x3A],
            Self::Warning => [0x7A, 0x4D, 0x00],
        }
    }

    /// On dark ground.
    pub const fn dark(self) -> Rgb {
        match self {
            Self::Series(at) => [
                [0x6C, 0xBD, 0xF2],
                [0xF2, 0x9A, 0x4A],
                [0x2F, 0xC7, 0x98],
                [0xE3, 0x9C, 0xC6],
                [0x9F, 0xB6, 0xFF],
                [0xE6, 0xDB, 0x5A],
            ][at % SERIES],
            Self::Words => [0xE9, 0xEB, 0xED],
            Self::Faint => [0xA9, 0xB1, 0xB8],
            Self::Grid => [0x38, 0x3D, 0x42],
            Self::Ground => [0x15, 0x18, 0x1B],
            Self::Band => [0x26, 0x2B, 0x30],
            Self::Limit | Self::Bad => [0xFF, 0x8A, 0x80],
            Self::Heat => [0xE0, 0x8A, 0x4A],
            Self::Good => [0x6F, 0xD3, 0x9A],
            Self::Warning => [0xF0, 0xC0, 0x5A],
        }
    }

    /// Its name in a style sheet.
    pub fn name(self) -> String {
        match self {
            Self::Series(at) => format!("s{}", at % SERIES),
            Self::Words => "words".into(),
            Self::Faint => "faint".into(),
            Self::Grid => "grid".into(),
            Self::Ground => "ground".into(),
            Self::Band => "band".into(),
            Self::Limit => "limit".into(),
            Self::Heat => "heat".into(),
            Self::Good => "good".into(),
            Self::Warning => "warning".into(),
            Self::Bad => "bad".into(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Relative luminance, WCAG 2.2 (definition as of its glossary).
    fn luminance(colour: Rgb) -> f64 {
        let [red, green, blue] = colour.map(|channel| {
            let share = f64::from(channel) / 255.0;
            if share <= 0.04045 {
                share / 12.92
            } else {
                ((share + 0.055) / 1.055).powf(2.4)
            }
        });
        0.2126 * red + 0.7152 * green + 0.0722 * blue
    }

    fn contrast(one: Rgb, other: Rgb) -> f64 {
        let (one, other) = (luminance(one), luminance(other));
        (one.max(other) + 0.05) / (one.min(other) + 0.05)
    }

    #[test]
    fn contrast_is_as_defined() {
        // The extremes of the definition: black on white 21 : 1, a colour on itself 1 : 1.
        assert!((contrast([0; 3], [255; 3]) - 21.0).abs() < 1e-9);
        assert!((contrast([9, 99, 199], [9, 99, 199]) - 1.0).abs() < 1e-9);
        // #767676 on white is the well-known grey that just passes: 4.54 : 1.
        assert!((contrast([0x76; 3], [255; 3]) - 4.54).abs() < 0.005);
    }

    #[test]
    fn everything_can_be_seen_on_both_grounds() {
        for ink in ALL {
            let needed = match ink {
                Ink::Ground | Ink::Band | Ink::Grid => continue,
                Ink::Series(_) | Ink::Heat => 3.0,
                _ => 4.5,
            };
            for ground in [Ink::Ground, Ink::Band] {
                for (mode, ratio) in [
                    ("light", contrast(ink.light(), ground.light())),
                    ("dark", contrast(ink.dark(), ground.dark())),
                ] {
                    assert!(ratio >= needed, "{ink:?} on {ground:?}, {mode}: {ratio:.2}");
                }
            }
        }
    }
}
