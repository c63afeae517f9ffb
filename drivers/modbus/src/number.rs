//! Numbers in registers. The standard knows 16-bit registers only; wider types and their order are each maker's own.

use serde::Deserialize;

/// How a number stands in one or two registers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Number {
    /// One register, two's complement.
    Int16,
    /// One register.
    Uint16,
    /// Two registers, two's complement.
    Int32,
    /// Two registers.
    Uint32,
    /// Two registers, IEEE 754 single precision.
    Float32,
}

/// Which of two registers comes first. Inside a register the high byte always does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub(crate) enum Words {
    /// The high word at the lower address; manuals call it ABCD or big-endian.
    #[default]
    HighFirst,
    /// The low word at the lower address; manuals call it CDAB or word-swapped.
    LowFirst,
}

impl Number {
    /// How many registers it takes: 1 or 2.
    pub(crate) fn registers(self) -> u16 {
        match self {
            Number::Int16 | Number::Uint16 => 1,
            Number::Int32 | Number::Uint32 | Number::Float32 => 2,
        }
    }

    /// Lowest and highest value it can hold.
    pub(crate) fn bounds(self) -> (f64, f64) {
        match self {
            Number::Int16 => (f64::from(i16::MIN), f64::from(i16::MAX)),
            Number::Uint16 => (0.0, f64::from(u16::MAX)),
            Number::Int32 => (f64::from(i32::MIN), f64::from(i32::MAX)),
            Number::Uint32 => (0.0, f64::from(u32::MAX)),
            Number::Float32 => (f64::from(f32::MIN), f64::from(f32::MAX)),
        }
    }

    /// The number in the first of these registers, unscaled; `None` if there are too few. A float may be infinite or NaN.
    pub(crate) fn decode(self, registers: &[u16], words: Words) -> Option<f64> {
        let first = *registers.first()?;
        let wide = || {
            let second = *registers.get(1)?;
            let (high, low) = match words {
                Words::HighFirst => (first, second),
                Words::LowFirst => (second, first),
            };
            Some(u32::from(high) << 16 | u32::from(low))
        };
        Some(match self {
            Number::Int16 => f64::from(first.cast_signed()),
            Number::Uint16 => f64::from(first),
            Number::Int32 => f64::from(wide()?.cast_signed()),
            Number::Uint32 => f64::from(wide()?),
            Number::Float32 => f64::from(f32::from_bits(wide()?)),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_type_in_both_orders() {
        use Number::{Float32, Int16, Int32, Uint16, Uint32};
        use Words::{HighFirst, LowFirst};
        // Bit patterns from IEEE 754 and two's complement, worked out with Python's `struct`.
        for (number, words, registers, value) in [
            (Int16, HighFirst, [65_411, 0], -125.0),
            (Uint16, HighFirst, [65_411, 0], 65_411.0),
            (Int32, HighFirst, [0xfffe, 0x1dc0], -123_456.0),
            (Int32, LowFirst, [0x1dc0, 0xfffe], -123_456.0),
            (Uint32, HighFirst, [0xb2d0, 0x5e00], 3_000_000_000.0),
            (Uint32, LowFirst, [0x5e00, 0xb2d0], 3_000_000_000.0),
            (Float32, HighFirst, [0x4337, 0x4000], 183.25),
            (Float32, LowFirst, [0x4000, 0x4337], 183.25),
        ] {
            assert_eq!(
                number.decode(&registers, words),
                Some(value),
                "{number:?} {words:?}"
            );
        }
        assert_eq!(Float32.decode(&[0x4337], HighFirst), None);
    }
}
