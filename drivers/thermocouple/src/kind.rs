//! Thermocouple types by letter.

use std::fmt;
use std::str::FromStr;

/// A standardised pair of metals, named by its letter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// Platinum-30 % rhodium / platinum-6 % rhodium.
    B,
    /// Tungsten-5 % rhenium / tungsten-26 % rhenium.
    C,
    /// Nickel-chromium / copper-nickel.
    E,
    /// Iron / copper-nickel.
    J,
    /// Nickel-chromium / nickel-aluminium.
    K,
    /// Nickel-chromium-silicon / nickel-silicon.
    N,
    /// Platinum-13 % rhodium / platinum.
    R,
    /// Platinum-10 % rhodium / platinum.
    S,
    /// Copper / copper-nickel.
    T,
}

/// A text that names no thermocouple type.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("`{0}` is not a thermocouple type; the types are B, C, E, J, K, N, R, S and T")]
pub struct UnknownKind(String);

impl Kind {
    /// All types, in the order of their letters.
    pub const ALL: [Self; 9] = [
        Self::B,
        Self::C,
        Self::E,
        Self::J,
        Self::K,
        Self::N,
        Self::R,
        Self::S,
        Self::T,
    ];

    /// The letter that names the type.
    pub const fn letter(self) -> &'static str {
        match self {
            Self::B => "B",
            Self::C => "C",
            Self::E => "E",
            Self::J => "J",
            Self::K => "K",
            Self::N => "N",
            Self::R => "R",
            Self::S => "S",
            Self::T => "T",
        }
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.letter())
    }
}

impl FromStr for Kind {
    type Err = UnknownKind;

    /// One letter, upper or lower case.
    fn from_str(text: &str) -> Result<Self, UnknownKind> {
        Self::ALL
            .into_iter()
            .find(|kind| kind.letter().eq_ignore_ascii_case(text))
            .ok_or_else(|| UnknownKind(text.to_owned()))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn letters_parse_back_to_their_kind() {
        for kind in Kind::ALL {
            assert_eq!(kind.to_string().parse(), Ok(kind));
            assert_eq!(kind.to_string().to_lowercase().parse(), Ok(kind));
        }
        assert!("KK".parse::<Kind>().is_err());
        assert_eq!(
            "A".parse::<Kind>().unwrap_err().to_string(),
            "`A` is not a thermocouple type; the types are B, C, E, J, K, N, R, S and T"
        );
    }
}
