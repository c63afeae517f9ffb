//! Voltage from temperature, temperature from voltage, and the cold junction.

use crate::coefficients::{B_FOLD_BOTTOM, B_FOLD_END, curve};
use crate::units::{Celsius, Millivolts};
use crate::{Kind, curve::Curve};

/// Rounding that is forgiven at the ends of a range, mV. Covers sums of a few voltages in `f64`.
const ROUNDING_MV: f64 = 1e-9;

/// Why there is no conversion.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum ConversionError {
    /// The junction is hotter or colder than the type's reference function reaches.
    #[error("{given} is outside the range of type {kind}, {low} to {high}")]
    Temperature {
        /// Type of the thermocouple.
        kind: Kind,
        /// The temperature that was to be converted.
        given: Celsius,
        /// Lowest temperature of the type.
        low: Celsius,
        /// Highest temperature of the type.
        high: Celsius,
    },
    /// The cold junction is hotter or colder than the type's reference function reaches.
    #[error("cold junction at {given} is outside the range of type {kind}, {low} to {high}")]
    ColdJunction {
        /// Type of the thermocouple.
        kind: Kind,
        /// The cold junction's temperature.
        given: Celsius,
        /// Lowest temperature of the type.
        low: Celsius,
        /// Highest temperature of the type.
        high: Celsius,
    },
    /// No temperature of the type gives this voltage.
    #[error("{given} is outside the range of type {kind}, {} to {} ({} to {})",
        emf[0], emf[1], temperature[0], temperature[1])]
    Voltage {
        /// Type of the thermocouple.
        kind: Kind,
        /// The voltage referred to a cold junction at 0 °C.
        given: Millivolts,
        /// Lowest and highest voltage that can be converted, as printed in the tables.
        emf: [Millivolts; 2],
        /// The temperatures that belong to them.
        temperature: [Celsius; 2],
    },
    /// Two temperatures give this voltage, and nothing in it says which one it is. Only type B below 42.14 °C.
    #[error(
        "{given} is ambiguous for type {kind}: it belongs to {} as well as to {}",
        temperature[0], temperature[1]
    )]
    Ambiguous {
        /// Type of the thermocouple.
        kind: Kind,
        /// The voltage referred to a cold junction at 0 °C.
        given: Millivolts,
        /// The two temperatures, the lower one first.
        temperature: [Celsius; 2],
    },
}

/// Voltage of a thermocouple whose junction is at `junction` and whose cold junction is at 0 °C.
///
/// Value of the ITS-90 reference function; equals the printed tables to their last digit.
///
/// # Errors
/// [`ConversionError::Temperature`] outside the type's range.
pub fn emf(kind: Kind, junction: Celsius) -> Result<Millivolts, ConversionError> {
    let curve = curve(kind);
    let [low, high] = curve.range();
    if (low..=high).contains(&junction.degrees()) {
        Ok(Millivolts::finite(curve.emf(junction.degrees())))
    } else {
        Err(ConversionError::Temperature {
            kind,
            given: junction,
            low: Celsius::within_range(low),
            high: Celsius::within_range(high),
        })
    }
}

/// Voltage that an instrument measures when its terminals are at `cold_junction`.
///
/// # Errors
/// [`ConversionError::Temperature`] or [`ConversionError::ColdJunction`] outside the type's range.
pub fn measured_emf(
    kind: Kind,
    junction: Celsius,
    cold_junction: Celsius,
) -> Result<Millivolts, ConversionError> {
    let hot = emf(kind, junction)?;
    let cold = cold_junction_emf(kind, cold_junction)?;
    Ok(Millivolts::finite(hot.millivolts() - cold.millivolts()))
}

/// Temperature of the junction, from the voltage `measured` at terminals that are at `cold_junction`.
///
/// Compensates by voltage: the voltage of the cold junction is added to the measured one, and the sum is
/// converted. Adding degrees instead would be off by as much as the sensitivities at the two junctions differ.
///
/// # Errors
/// [`ConversionError::ColdJunction`] if the cold junction is outside the type's range; otherwise as [`inverse`],
/// whose errors name the sum.
pub fn temperature(
    kind: Kind,
    measured: Millivolts,
    cold_junction: Celsius,
) -> Result<Celsius, ConversionError> {
    let cold = cold_junction_emf(kind, cold_junction)?;
    inverse(
        kind,
        Millivolts::finite(measured.millivolts() + cold.millivolts()),
    )
}

fn cold_junction_emf(kind: Kind, cold_junction: Celsius) -> Result<Millivolts, ConversionError> {
    emf(kind, cold_junction).map_err(|error| match error {
        ConversionError::Temperature {
            kind,
            given,
            low,
            high,
        } => ConversionError::ColdJunction {
            kind,
            given,
            low,
            high,
        },
        other => other,
    })
}

/// Temperature whose voltage against a cold junction at 0 °C is `emf`: the exact inverse of [`emf()`].
///
/// Within 1e-6 °C of the temperature that the reference function was given, over the whole range.
/// An end of the range may be given exactly or as the tables print it: type K's -6.458 mV is -270 °C, although
/// the reference function says -6.4577 mV.
///
/// # Errors
/// [`ConversionError::Voltage`] outside the type's range; [`ConversionError::Ambiguous`] for type B at or below
/// 0 mV (see the crate's page on type B).
pub fn inverse(kind: Kind, emf: Millivolts) -> Result<Celsius, ConversionError> {
    let curve = curve(kind);
    let given = emf.millivolts();
    let [low, high] = emf_ends(curve);
    // Type B alone doesn't rise from its lower end on.
    let floor = if kind == Kind::B {
        B_FOLD_END
    } else {
        f64::NEG_INFINITY
    };
    if kind == Kind::B && given <= 0.0 {
        return Err(beside_the_fold(curve, emf));
    }
    if (low..=high).contains(&given) || is_printed_end(given, low) || is_printed_end(given, high) {
        Ok(Celsius::within_range(curve.temperature(given, floor)))
    } else {
        Err(out_of_range(kind, curve, emf))
    }
}

/// What the published inverse polynomial says, for comparison; [`inverse`] is the one to use.
///
/// Off by up to 0.06 °C. `None` where no polynomial is published: type C, type B below 0.291 mV, types E, K, N
/// and T below -200 °C, and outside the range.
pub fn by_published_polynomial(kind: Kind, emf: Millivolts) -> Option<Celsius> {
    curve(kind)
        .by_published(emf.millivolts())
        .map(Celsius::within_range)
}

/// Lowest and highest temperature that [`emf()`] converts.
pub fn range(kind: Kind) -> [Celsius; 2] {
    curve(kind).range().map(Celsius::within_range)
}

/// Lowest and highest temperature that [`inverse`] gives back without ambiguity: [`range`], but for type B.
pub fn invertible_range(kind: Kind) -> [Celsius; 2] {
    let [low, high] = range(kind);
    [
        if kind == Kind::B {
            Celsius::within_range(B_FOLD_END)
        } else {
            low
        },
        high,
    ]
}

/// Voltages at the two ends of the curve, mV.
fn emf_ends(curve: &Curve) -> [f64; 2] {
    [
        curve.pieces[0].emf[0],
        curve.pieces[curve.pieces.len() - 1].emf[1],
    ]
}

/// Whether `given` lies between an end of the curve and the value that the tables print for it.
#[cold]
fn is_printed_end(given: f64, end: f64) -> bool {
    let (least, most) = (end.min(printed(end)), end.max(printed(end)));
    (least - ROUNDING_MV..=most + ROUNDING_MV).contains(&given)
}

/// A voltage as the tables print it: to three decimals, mV.
fn printed(emf: f64) -> f64 {
    (emf * 1000.0).round() / 1000.0
}

#[cold]
fn out_of_range(kind: Kind, curve: &Curve, given: Millivolts) -> ConversionError {
    ConversionError::Voltage {
        kind,
        given,
        emf: emf_ends(curve).map(|end| Millivolts::finite(printed(end))),
        temperature: invertible_range(kind),
    }
}

/// Type B at or below 0 mV: both temperatures if there are two, otherwise out of range.
#[cold]
fn beside_the_fold(curve: &Curve, given: Millivolts) -> ConversionError {
    let lowest = curve.emf(B_FOLD_BOTTOM);
    let emf = given.millivolts();
    if emf < printed(lowest) - ROUNDING_MV {
        return out_of_range(Kind::B, curve, given);
    }
    let emf = emf.max(lowest);
    let falling = bisect(0.0, B_FOLD_BOTTOM, |t| curve.emf(t) <= emf);
    let rising = bisect(B_FOLD_BOTTOM, B_FOLD_END, |t| curve.emf(t) >= emf);
    ConversionError::Ambiguous {
        kind: Kind::B,
        given,
        temperature: [falling, rising].map(Celsius::within_range),
    }
}

/// Where `reached` turns true between `low` and `high`, to the precision of an `f64`.
fn bisect(mut low: f64, mut high: f64, reached: impl Fn(f64) -> bool) -> f64 {
    // Halves 22 °C down to 1e-15 °C.
    for _ in 0..54 {
        let middle = low.midpoint(high);
        if reached(middle) {
            high = middle;
        } else {
            low = middle;
        }
    }
    high
}
