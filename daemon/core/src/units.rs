//! Quantities as types: a bare `f64` crosses no public function where one of these exists.
//!
//! Every constructor checks, so that a NaN or an infinity can't get past the edge: an ordering test on
//! NaN is never true, and a threshold compared with one would never trip.

use std::fmt;
use std::time::Duration;

use serde::{Deserialize, Serialize};

/// A number that can't be the quantity it was meant to be.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{value} is not a {quantity}: {bound}")]
pub struct NotA {
    quantity: &'static str,
    value: f64,
    bound: &'static str,
}

/// Temperature, degrees Celsius. Finite and not below absolute zero (-273.15 °C).
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Celsius(f64);

impl Celsius {
    /// # Errors
    /// [`NotA`] if `degrees` is not finite or is below -273.15.
    pub fn new(degrees: f64) -> Result<Self, NotA> {
        if degrees.is_finite() && degrees >= -273.15 {
            Ok(Self(degrees))
        } else {
            Err(NotA {
                quantity: "temperature",
                value: degrees,
                bound: "it has to be finite and at least -273.15 °C",
            })
        }
    }

    /// A temperature that is known when the program is written.
    ///
    /// # Panics
    /// At compile time, where used for a constant, if it is below absolute zero.
    pub const fn constant(degrees: f64) -> Self {
        assert!(degrees >= -273.15 && degrees < 1.0e6);
        Self(degrees)
    }

    /// From degrees Fahrenheit: exact by definition, `(f - 32) / 1.8`.
    ///
    /// # Errors
    /// [`NotA`] as for [`Celsius::new`].
    pub fn from_fahrenheit(degrees: f64) -> Result<Self, NotA> {
        Self::new((degrees - 32.0) / 1.8)
    }

    /// Degrees Celsius as a plain number, for the edge of the program.
    pub const fn degrees(self) -> f64 {
        self.0
    }

    /// Degrees Fahrenheit, for screens.
    pub fn fahrenheit(self) -> f64 {
        self.0 * 1.8 + 32.0
    }

    /// The lower of two temperatures.
    #[must_use]
    pub fn min(self, other: Self) -> Self {
        Self(self.0.min(other.0))
    }

    /// The higher of two temperatures.
    #[must_use]
    pub fn max(self, other: Self) -> Self {
        Self(self.0.max(other.0))
    }
}

impl std::ops::Sub for Celsius {
    type Output = CelsiusDelta;
    fn sub(self, other: Self) -> CelsiusDelta {
        CelsiusDelta(self.0 - other.0)
    }
}

impl std::ops::Add<CelsiusDelta> for Celsius {
    type Output = Self;
    /// Saturates at absolute zero.
    fn add(self, delta: CelsiusDelta) -> Self {
        Self((self.0 + delta.0).max(-273.15))
    }
}

impl std::ops::Sub<CelsiusDelta> for Celsius {
    type Output = Self;
    /// Saturates at absolute zero.
    fn sub(self, delta: CelsiusDelta) -> Self {
        Self((self.0 - delta.0).max(-273.15))
    }
}

/// One decimal is what a person at a bench can use: `131.4 °C`.
impl fmt::Display for Celsius {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1} °C", self.0)
    }
}

/// Difference of two temperatures, in degrees Celsius (kelvin). Finite, either sign.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct CelsiusDelta(f64);

impl CelsiusDelta {
    /// # Errors
    /// [`NotA`] if not finite.
    pub fn new(degrees: f64) -> Result<Self, NotA> {
        if degrees.is_finite() {
            Ok(Self(degrees))
        } else {
            Err(NotA {
                quantity: "temperature difference",
                value: degrees,
                bound: "it has to be finite",
            })
        }
    }

    /// A difference that is known when the program is written.
    ///
    /// # Panics
    /// At compile time, where used for a constant, if it is absurd.
    pub const fn constant(degrees: f64) -> Self {
        assert!(degrees > -1.0e6 && degrees < 1.0e6);
        Self(degrees)
    }

    /// Degrees as a plain number.
    pub const fn degrees(self) -> f64 {
        self.0
    }
}

impl fmt::Display for CelsiusDelta {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1} °C", self.0)
    }
}

/// Rate of change of temperature, degrees Celsius per second. Finite, either sign.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct CelsiusPerSecond(f64);

impl CelsiusPerSecond {
    /// A constant of the code.
    ///
    /// # Panics
    /// At compile time, if the figure is not finite.
    pub const fn constant(rate: f64) -> Self {
        assert!(rate.is_finite());
        Self(rate)
    }

    /// # Errors
    /// [`NotA`] if not finite.
    pub fn new(rate: f64) -> Result<Self, NotA> {
        if rate.is_finite() {
            Ok(Self(rate))
        } else {
            Err(NotA {
                quantity: "rate of temperature",
                value: rate,
                bound: "it has to be finite",
            })
        }
    }

    /// Degrees per second as a plain number.
    pub const fn per_second(self) -> f64 {
        self.0
    }
}

/// A share of a whole, 0 to 1: heat as a share of full power.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Fraction(f64);

impl Fraction {
    /// Nothing: heat off.
    pub const ZERO: Self = Self(0.0);
    /// All of it: full power.
    pub const ONE: Self = Self(1.0);

    /// # Errors
    /// [`NotA`] if not within 0 to 1.
    pub fn new(share: f64) -> Result<Self, NotA> {
        if (0.0..=1.0).contains(&share) {
            Ok(Self(share))
        } else {
            Err(NotA {
                quantity: "fraction",
                value: share,
                bound: "it has to be within 0 and 1",
            })
        }
    }

    /// The nearest fraction. What isn't a number at all becomes zero, which is heat off.
    pub fn clamped(share: f64) -> Self {
        if share.is_nan() {
            Self::ZERO
        } else {
            Self(share.clamp(0.0, 1.0))
        }
    }

    /// The share as a plain number, 0 to 1.
    pub const fn share(self) -> f64 {
        self.0
    }

    /// The same in whole thousandths, never more: finer heat than any output can give, and a short number to send and
    /// to keep.
    #[must_use]
    pub fn thousandths(self) -> Self {
        Self((self.0 * 1000.0).floor() / 1000.0)
    }

    /// The larger of two shares.
    #[must_use]
    pub fn max(self, other: Self) -> Self {
        Self(self.0.max(other.0))
    }

    /// Whether any heat is asked for.
    pub fn is_zero(self) -> bool {
        self.0 <= 0.0
    }
}

/// Electrical power, watts. Finite and not negative.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Watts(f64);

impl Watts {
    /// None.
    pub const ZERO: Self = Self(0.0);

    /// # Errors
    /// [`NotA`] if negative or not finite.
    pub fn new(watts: f64) -> Result<Self, NotA> {
        if watts.is_finite() && watts >= 0.0 {
            Ok(Self(watts))
        } else {
            Err(NotA {
                quantity: "power",
                value: watts,
                bound: "it has to be finite and not negative",
            })
        }
    }

    /// Watts as a plain number.
    pub const fn watts(self) -> f64 {
        self.0
    }
}

/// Electric current, amperes: what a meter says, so either sign and a little of it where there is none. Finite.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize, Deserialize)]
#[serde(try_from = "f64", into = "f64")]
pub struct Amps(f64);

impl Amps {
    /// # Errors
    /// [`NotA`] if not finite.
    pub fn new(amperes: f64) -> Result<Self, NotA> {
        if amperes.is_finite() {
            Ok(Self(amperes))
        } else {
            Err(NotA {
                quantity: "current",
                value: amperes,
                bound: "it has to be finite",
            })
        }
    }

    /// Amperes as a plain number.
    pub const fn amps(self) -> f64 {
        self.0
    }
}

impl fmt::Display for Amps {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1} A", self.0)
    }
}

/// How a quantity is kept: as its plain number, which is checked anew when it is read.
macro_rules! kept_as_number {
    ($($quantity:ident, $number:ident;)*) => {
        $(
            impl TryFrom<f64> for $quantity {
                type Error = NotA;
                fn try_from(number: f64) -> Result<Self, NotA> {
                    Self::new(number)
                }
            }

            impl From<$quantity> for f64 {
                fn from(quantity: $quantity) -> Self {
                    quantity.$number()
                }
            }
        )*
    };
}

kept_as_number! {
    Celsius, degrees;
    CelsiusDelta, degrees;
    CelsiusPerSecond, per_second;
    Fraction, share;
    Watts, watts;
    Amps, amps;
}

/// A moment of monotonic time, or a length of it, in whole milliseconds.
///
/// Decisions know no other time; wall time belongs to records.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize)]
pub struct Millis(pub u64);

impl Millis {
    /// The beginning.
    pub const ZERO: Self = Self(0);

    /// A length in whole seconds.
    pub const fn from_secs(seconds: u64) -> Self {
        Self(seconds * 1000)
    }

    /// A length in seconds, rounded to the nearest millisecond. Negative and NaN become zero.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "clamped before the cast"
    )]
    pub fn from_secs_f64(seconds: f64) -> Self {
        Self((seconds * 1000.0).round().clamp(0.0, 9.0e15) as u64)
    }

    /// Seconds as a plain number.
    #[expect(
        clippy::cast_precision_loss,
        reason = "exact for 285,000 years of milliseconds"
    )]
    pub fn seconds(self) -> f64 {
        self.0 as f64 / 1000.0
    }

    /// How long ago `earlier` was; zero if it lies ahead.
    #[must_use]
    pub fn since(self, earlier: Self) -> Self {
        Self(self.0.saturating_sub(earlier.0))
    }

    /// The longer of two lengths, or the later of two moments.
    #[must_use]
    pub fn max(self, other: Self) -> Self {
        Self(self.0.max(other.0))
    }
}

impl std::ops::Add for Millis {
    type Output = Self;
    fn add(self, length: Self) -> Self {
        Self(self.0.saturating_add(length.0))
    }
}

impl std::ops::Mul<u64> for Millis {
    type Output = Self;
    fn mul(self, times: u64) -> Self {
        Self(self.0.saturating_mul(times))
    }
}

impl From<Duration> for Millis {
    fn from(length: Duration) -> Self {
        Self(u64::try_from(length.as_millis()).unwrap_or(u64::MAX))
    }
}

/// `0.4 s`, `12.0 s`, `15 min`, `2 h 05 min`: as a person says it.
impl fmt::Display for Millis {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let seconds = self.0 / 1000;
        if seconds < 60 {
            write!(f, "{}.{} s", seconds, self.0 % 1000 / 100)
        } else if seconds < 3600 {
            if seconds.is_multiple_of(60) {
                write!(f, "{} min", seconds / 60)
            } else {
                write!(f, "{} min {:02} s", seconds / 60, seconds % 60)
            }
        } else {
            write!(f, "{} h {:02} min", seconds / 3600, seconds % 3600 / 60)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_a_number_is_refused() {
        assert!(Celsius::new(f64::NAN).is_err());
        assert!(Celsius::new(f64::INFINITY).is_err());
        assert!(Celsius::new(-273.16).is_err());
        assert!(Celsius::new(-273.15).is_ok());
        assert!(Fraction::new(1.000_001).is_err());
        assert!(Fraction::new(-0.0).is_ok());
        assert!(CelsiusPerSecond::new(f64::NEG_INFINITY).is_err());
        assert!(Watts::new(-1.0).is_err());
        assert_eq!(Fraction::clamped(f64::NAN), Fraction::ZERO);
        assert_eq!(Fraction::clamped(7.0), Fraction::ONE);
    }

    /// The two scales meet at -40; water boils at 212 °F (definition of the scale).
    #[test]
    fn fahrenheit_meets_celsius() {
        let same = Celsius::from_fahrenheit(-40.0).unwrap();
        assert!((same.degrees() + 40.0).abs() < 1e-12);
        let boiling = Celsius::from_fahrenheit(212.0).unwrap();
        assert!((boiling.degrees() - 100.0).abs() < 1e-12);
        assert!((boiling.fahrenheit() - 212.0).abs() < 1e-12);
    }

    #[test]
    fn lengths_read_as_people_say_them() {
        assert_eq!(Millis(400).to_string(), "0.4 s");
        assert_eq!(Millis(12_000).to_string(), "12.0 s");
        assert_eq!(Millis::from_secs(900).to_string(), "15 min");
        assert_eq!(Millis::from_secs(75).to_string(), "1 min 15 s");
        assert_eq!(Millis::from_secs(7500).to_string(), "2 h 05 min");
    }

    #[test]
    fn an_absurd_length_does_not_wrap() {
        assert_eq!(Millis::from_secs_f64(f64::NAN), Millis::ZERO);
        assert_eq!(Millis::from_secs_f64(-3.0), Millis::ZERO);
        assert_eq!(Millis(5).since(Millis(9)), Millis::ZERO);
    }
}
