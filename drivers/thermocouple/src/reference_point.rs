//! Temperatures that a shop can make for itself to check a sensor: melting ice and boiling water.
//!
//! A stirred slush of crushed ice and clean water is at 0 °C to within a few thousandths. Boiling water is
//! where the air pressure puts it, 0.28 °C lower for each kPa less. A barometer in the room settles it to
//! hundredths (mind that weather reports give the pressure reduced to sea level). Height alone doesn't: weather moves the
//! pressure by 3 kPa either way, so a boiling point from height is good to about 1 °C and can't decide about a sensor
//! with a tolerance of 1.5 °C.

use crate::units::{Celsius, CelsiusDelta, Kilopascals, Metres};

/// Melting ice in air at ordinary pressure, 0.01 °C below the triple point of water.
pub const ICE_POINT: Celsius = Celsius::ZERO;

/// How far a slush of ice and water that a shop makes may be from [`ICE_POINT`], °C. Made with care it is ten times better;
/// this leaves room for tap water and for a sensor that hangs where the ice has melted. Common practice, no source.
const ICE_WITHIN: f64 = 0.05;

/// How far boiling water may be from where a barometer puts it, °C: 0.2 kPa of the barometer's, and bubbles that come up
/// superheated. Common practice, no source.
const BOILING_BY_PRESSURE_WITHIN: f64 = 0.1;

/// How far boiling water may be from where the standard atmosphere puts it, °C: 3 kPa of weather at 0.28 °C/kPa, and what a
/// barometer leaves.
const BOILING_BY_HEIGHT_WITHIN: f64 = 1.0;

/// What a sensor is held against.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reference {
    /// A stirred slush of crushed ice and water.
    Ice,
    /// Boiling water under a measured absolute pressure.
    BoilingUnder(Kilopascals),
    /// Boiling water at a height above sea level, in whatever weather there is.
    BoilingAt(Metres),
    /// Anything whose temperature a better thermometer says.
    Thermometer {
        /// What it says.
        celsius: Celsius,
        /// How far off that may be, where its certificate says so.
        within: Option<CelsiusDelta>,
    },
}

impl Reference {
    /// Its temperature.
    ///
    /// # Errors
    /// [`NoReferencePoint`] where water doesn't boil, or outside the standard atmosphere's lowest layer.
    pub fn celsius(self) -> Result<Celsius, NoReferencePoint> {
        match self {
            Self::Ice => Ok(ICE_POINT),
            Self::BoilingUnder(pressure) => water_boiling_point(pressure),
            Self::BoilingAt(altitude) => water_boiling_point_at(altitude),
            Self::Thermometer { celsius, .. } => Ok(celsius),
        }
    }

    /// How far its temperature may be off, either way; `None` where nobody said.
    pub const fn within(self) -> Option<CelsiusDelta> {
        match self {
            Self::Ice => Some(CelsiusDelta::finite(ICE_WITHIN)),
            Self::BoilingUnder(_) => Some(CelsiusDelta::finite(BOILING_BY_PRESSURE_WITHIN)),
            Self::BoilingAt(_) => Some(CelsiusDelta::finite(BOILING_BY_HEIGHT_WITHIN)),
            Self::Thermometer { within, .. } => within,
        }
    }
}

/// Why there is no reference temperature.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum NoReferencePoint {
    /// Water doesn't boil at this pressure: it is below the triple point or above the critical point.
    #[error("water has no boiling point at {given}; it boils from 0.611213 kPa to 22064 kPa")]
    Pressure {
        /// The pressure.
        given: Kilopascals,
    },
    /// Outside the lowest layer of the standard atmosphere.
    #[error("{given} is outside the standard atmosphere's lowest layer, -2000 m to 11000 m")]
    Altitude {
        /// The height above sea level.
        given: Metres,
    },
}

/// Boiling temperature of water at an absolute pressure.
///
/// IAPWS-IF97, region 4, backward equation (equation 31, coefficients of table 34), from the triple point,
/// 0.611213 kPa, to the critical point, 22064 kPa. The formulation agrees with IAPWS-95 within 0.0003 °C near
/// ordinary air pressure.
///
/// # Errors
/// [`NoReferencePoint::Pressure`] outside these bounds.
pub fn water_boiling_point(pressure: Kilopascals) -> Result<Celsius, NoReferencePoint> {
    const TRIPLE_KPA: f64 = 0.611_213;
    const CRITICAL_KPA: f64 = 22_064.0;
    const N: [f64; 10] = [
        0.116_705_214_527_67e4,
        -0.724_213_167_032_06e6,
        -0.170_738_469_400_92e2,
        0.120_208_247_024_70e5,
        -0.323_255_503_223_33e7,
        0.149_151_086_135_30e2,
        -0.482_326_573_615_91e4,
        0.405_113_405_420_57e6,
        -0.238_555_575_678_49,
        0.650_175_348_447_98e3,
    ];
    if !(TRIPLE_KPA..=CRITICAL_KPA).contains(&pressure.kilopascals()) {
        return Err(NoReferencePoint::Pressure { given: pressure });
    }
    // The equation is in MPa and kelvin; `beta` is the fourth root of the pressure.
    let beta = (pressure.kilopascals() / 1000.0).sqrt().sqrt();
    let e = beta * beta + N[2] * beta + N[5];
    let f = N[0] * beta * beta + N[3] * beta + N[6];
    let g = N[1] * beta * beta + N[4] * beta + N[7];
    let d = 2.0 * g / (-f - (f * f - 4.0 * e * g).sqrt());
    let sum = N[9] + d;
    let kelvin = (sum - (sum * sum - 4.0 * (N[8] + N[9] * d)).sqrt()) / 2.0;
    Ok(Celsius::within_range(kelvin - 273.15))
}

/// Air pressure of the standard atmosphere at a height above sea level.
///
/// ISO 2533, lowest layer: 288.15 K and 101.325 kPa at sea level, 6.5 K less for each kilometre. The height counts
/// as geopotential; where people live the difference from a surveyor's height is below 0.02 kPa.
///
/// # Errors
/// [`NoReferencePoint::Altitude`] outside -2000 m to 11000 m.
pub fn standard_pressure(altitude: Metres) -> Result<Kilopascals, NoReferencePoint> {
    const SEA_LEVEL_KPA: f64 = 101.325;
    const SEA_LEVEL_KELVIN: f64 = 288.15;
    const KELVIN_PER_METRE: f64 = 0.0065;
    /// Standard gravity, m/s², and specific gas constant of dry air, J/(kg K).
    const GRAVITY: f64 = 9.806_65;
    const AIR: f64 = 287.052_87;
    if !(-2000.0..=11_000.0).contains(&altitude.metres()) {
        return Err(NoReferencePoint::Altitude { given: altitude });
    }
    let ratio = 1.0 - KELVIN_PER_METRE * altitude.metres() / SEA_LEVEL_KELVIN;
    Ok(Kilopascals::positive(
        SEA_LEVEL_KPA * ratio.powf(GRAVITY / (KELVIN_PER_METRE * AIR)),
    ))
}

/// Boiling temperature of water at a height above sea level, in the standard atmosphere. Good to about 1 °C.
///
/// # Errors
/// [`NoReferencePoint::Altitude`] outside -2000 m to 11000 m.
pub fn water_boiling_point_at(altitude: Metres) -> Result<Celsius, NoReferencePoint> {
    water_boiling_point(standard_pressure(altitude)?)
}
