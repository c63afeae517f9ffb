//! Thermocouples to the published tables: voltage to temperature and back, cold junction, tolerance classes,
//! and the temperatures to check a sensor against. Pure computation; nothing here reads hardware.
//!
//! ```
//! use benchward_thermocouple::{Celsius, Kind, Millivolts, temperature};
//!
//! // Type K, 4.096 mV measured at terminals that are at 25 °C.
//! let hot = temperature(Kind::K, Millivolts::new(4.096)?, Celsius::new(25.0)?)?;
//! assert!((hot.degrees() - 124.310).abs() < 0.001);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```
//!
//! # Ranges
//!
//! [`emf()`] is the ITS-90 reference function of the type (NIST Standard Reference Database 60, IEC 60584-1, ASTM
//! E230), [`inverse`] is its inverse, solved rather than approximated. A thermocouple measures the difference
//! between its two junctions; both functions speak of a cold junction at 0 °C, and [`temperature`] and
//! [`measured_emf`] of any other, always by adding voltages.
//!
//! | type | °C | mV | mV/°C, least and most |
//! |---|---|---|---|
//! | B | 0 to 1820 | 0 to 13.820, lowest -0.003 at 21 °C | -0.0002 at 0 °C, 0.0117 at 1635 °C |
//! | C | 0 to 2315 | 0 to 37.070 | 0.0092 at 2315 °C, 0.0196 at 582 °C |
//! | E | -270 to 1000 | -9.835 to 76.373 | 0.0016 at -270 °C, 0.0810 at 524 °C |
//! | J | -210 to 1200 | -8.095 to 69.553 | 0.0191 at -210 °C, 0.0646 at 802 °C |
//! | K | -270 to 1372 | -6.458 to 54.886 | 0.0007 at -270 °C, 0.0426 at 527 °C |
//! | N | -270 to 1300 | -4.345 to 47.513 | 0.0003 at -270 °C, 0.0393 at 751 °C |
//! | R | -50 to 1768.1 | -0.226 to 21.103 | 0.0037 at -50 °C, 0.0141 at 1393 °C |
//! | S | -50 to 1768.1 | -0.236 to 18.694 | 0.0040 at -50 °C, 0.0121 at 1353 °C |
//! | T | -270 to 400 | -6.258 to 20.872 | 0.0010 at -270 °C, 0.0618 at 400 °C |
//!
//! What is outside is an error that names the range; nothing is extrapolated. An end may be given as the
//! tables print it, to three decimals, although the curve's own end may lie up to 0.0005 mV further in.
//!
//! # Where the inverse is delicate
//!
//! Every type but B rises over its whole range, so that a voltage belongs to one temperature.
//!
//! **Type B** falls to -0.0026 mV at 21.02 °C, is back at 0 mV at 42.132 °C and rises from there on. Above
//! 0 mV a voltage belongs to one temperature above 42.132 °C, and [`inverse`] returns it, also below
//! 0.291 mV (250 °C), where no inverse polynomial is published: the reference function is there all the same. A
//! microvolt is worth 4 °C at 42 °C and 0.4 °C at 250 °C, though, so such readings are exact only as far
//! as the voltage is. From 0 mV down to -0.003 mV two temperatures give the same voltage: refused as
//! [`ConversionError::Ambiguous`], which carries both, so that a caller who only has to know "colder than
//! 43 °C" does know it. Lower voltages are out of range. None of this stands in the way of type B's cold
//! junction: from 0 to 50 °C it adds less than 0.003 mV either way.
//!
//! **Near -270 °C** the curves of E, K, N and T flatten out. A rounding error of an `f64` in the voltage is worth
//! 6e-8 °C there (type T), a microvolt 3 °C (type N). The published inverse polynomials stop at -200 °C;
//! [`inverse`] goes on to the end.
//!
//! **Where pieces meet**, neighbouring polynomials differ by rounding of their published coefficients: 1.4e-7 mV
//! for type C at 630.615 °C, where they overlap, 7e-8 mV for type J at 760 °C, where they leave a gap, less elsewhere.
//! The break itself counts to the piece below. A voltage in type J's gap gives 760 °C; within 7e-6 °C
//! above type C's break, the inverse may give the temperature just below it. Type K at 0 °C is 0 mV
//! sharp; just above, its exponential term leaves 2e-9 mV.
//!
//! # Accuracy and speed
//!
//! `cargo run --release -p benchward-thermocouple --example conversions` prints both, beside the published inverse
//! polynomials, which are off by up to 0.06 °C ([`by_published_polynomial`]).

pub mod check;
mod coefficients;
mod conversion;
mod curve;
mod kind;
pub mod reference_point;
pub mod tolerance;
mod units;

pub use conversion::{
    ConversionError, by_published_polynomial, emf, inverse, invertible_range, measured_emf, range,
    temperature,
};
pub use kind::{Kind, UnknownKind};
pub use units::{Celsius, CelsiusDelta, Kilopascals, Metres, Millivolts, NotA};
