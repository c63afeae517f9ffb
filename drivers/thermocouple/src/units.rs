//! The quantities of this crate as types, so that degrees and millivolts never meet by accident.
//!
//! Every constructor checks: past it there is no NaN and no infinity.

use std::fmt;

/// A number that can't be the quantity it was meant to be.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("{value} is not a {quantity}: {bound}")]
pub struct NotA {
    quantity: &'static str,
    value: f64,
    bound: &'static str,
}

/// Temperature, degrees Celsius on ITS-90. Finite and not below -273.15.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Celsius(f64);

impl Celsius {
    /// Zero degrees: the reference junction of every published table.
    pub const ZERO: Self = Self(0.0);

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

    /// From a number that this crate itself keeps within a curve's range.
    pub(crate) const fn within_range(degrees: f64) -> Self {
        Self(degrees)
    }

    /// Degrees Celsius as a plain number.
    pub const fn degrees(self) -> f64 {
        self.0
    }
}

/// Difference of two temperatures, degrees Celsius. Finite.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct CelsiusDelta(f64);

impl CelsiusDelta {
    /// # Errors
    /// [`NotA`] if `degrees` is not finite.
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

    pub(crate) const fn finite(degrees: f64) -> Self {
        Self(degrees)
    }

    /// Degrees Celsius as a plain number.
    pub const fn degrees(self) -> f64 {
        self.0
    }
}

/// Thermoelectric voltage, millivolts. Finite.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Millivolts(f64);

impl Millivolts {
    /// # Errors
    /// [`NotA`] if `millivolts` is not finite.
    pub fn new(millivolts: f64) -> Result<Self, NotA> {
        if millivolts.is_finite() {
            Ok(Self(millivolts))
        } else {
            Err(NotA {
                quantity: "voltage",
                value: millivolts,
                bound: "it has to be finite",
            })
        }
    }

    pub(crate) const fn finite(millivolts: f64) -> Self {
        Self(millivolts)
    }

    /// Millivolts as a plain number.
    pub const fn millivolts(self) -> f64 {
        self.0
    }
}

/// Absolute air pressure, kilopascals (1 kPa is 10 hPa or 10 mbar). Finite and above zero.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Kilopascals(f64);

impl Kilopascals {
    /// # Errors
    /// [`NotA`] if `kilopascals` is not finite or not above zero.
    pub fn new(kilopascals: f64) -> Result<Self, NotA> {
        if kilopascals.is_finite() && kilopascals > 0.0 {
            Ok(Self(kilopascals))
        } else {
            Err(NotA {
                quantity: "pressure",
                value: kilopascals,
                bound: "it has to be finite and above 0 kPa",
            })
        }
    }

    pub(crate) const fn positive(kilopascals: f64) -> Self {
        Self(kilopascals)
    }

    /// Kilopascals as a plain number.
    pub const fn kilopascals(self) -> f64 {
        self.0
    }
}

/// Height above mean sea level, metres. Finite.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Metres(f64);

impl Metres {
    /// # Errors
    /// [`NotA`] if `metres` is not finite.
    pub fn new(metres: f64) -> Result<Self, NotA> {
        if metres.is_finite() {
            Ok(Self(metres))
        } else {
            Err(NotA {
                quantity: "height",
                value: metres,
                bound: "it has to be finite",
            })
        }
    }

    /// Metres as a plain number.
    pub const fn metres(self) -> f64 {
        self.0
    }
}

/// Writes a value with at most six decimals and no trailing zeros: 1372 as `1372`, 54.8871 as `54.8871`.
fn write_plain(f: &mut fmt::Formatter<'_>, value: f64, unit: &str) -> fmt::Result {
    // Three hundred digits of an absurd input help nobody who reads the error.
    if value.abs() >= 1e9 {
        return write!(f, "{value:e} {unit}");
    }
    let fixed = format!("{value:.6}");
    let trimmed = fixed.trim_end_matches('0').trim_end_matches('.');
    write!(f, "{} {unit}", if trimmed == "-0" { "0" } else { trimmed })
}

macro_rules! display_with_unit {
    ($($quantity:ty: $unit:literal),*) => {$(
        impl fmt::Display for $quantity {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write_plain(f, self.0, $unit)
            }
        }
    )*};
}

display_with_unit!(Celsius: "°C", CelsiusDelta: "°C", Millivolts: "mV", Kilopascals: "kPa", Metres: "m");

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_constructor_lets_nan_or_infinity_through() {
        for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
            assert!(Celsius::new(bad).is_err());
            assert!(CelsiusDelta::new(bad).is_err());
            assert!(Millivolts::new(bad).is_err());
            assert!(Kilopascals::new(bad).is_err());
            assert!(Metres::new(bad).is_err());
        }
        assert!(Celsius::new(-273.15).is_ok());
        assert!(Celsius::new(-273.151).is_err());
        assert!(Kilopascals::new(0.0).is_err());
    }

    #[test]
    fn values_print_with_unit_and_without_noise() {
        assert_eq!(Celsius(1372.0).to_string(), "1372 °C");
        assert_eq!(Celsius(-0.0).to_string(), "0 °C");
        assert_eq!(Millivolts(54.886_999_999_9).to_string(), "54.887 mV");
        assert_eq!(Millivolts(1e300).to_string(), "1e300 mV");
        assert_eq!(
            Celsius::new(f64::NAN).unwrap_err().to_string(),
            "NaN is not a temperature: it has to be finite and at least -273.15 °C"
        );
    }
}
