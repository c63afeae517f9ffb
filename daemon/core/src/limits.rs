//! Ceilings: the temperature that no channel may pass. Lab, station and recipe each have one; the
//! lowest counts.

use std::fmt;

use crate::id::StationId;
use crate::units::Celsius;

/// The lowest ceiling that can be set. Below hand-warm a bench could not do anything.
pub const CEILING_MIN: Celsius = Celsius::constant(40.0);

/// The highest ceiling that can be set, whoever asks: the highest temperature that a recipe can name.
pub const CEILING_MAX: Celsius = crate::recipe::TARGET_MAX;

/// What counts at a station now, and who set it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Ceiling {
    /// The temperature.
    pub celsius: Celsius,
    /// Where it comes from.
    pub from: CeilingFrom,
}

/// Where a ceiling comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum CeilingFrom {
    /// The whole lab's.
    Lab,
    /// The station's own.
    Station,
    /// The recipe's, while it runs.
    Recipe,
}

impl fmt::Display for CeilingFrom {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Lab => "the lab",
            Self::Station => "the station",
            Self::Recipe => "the recipe",
        })
    }
}

/// The ceilings of a lab and its stations.
#[derive(Debug, Clone)]
pub struct Limits {
    lab: Celsius,
    stations: Vec<Option<Celsius>>,
}

impl Limits {
    /// `stations`: each station's own ceiling, in the order of [`crate::Setup::stations`].
    pub(crate) fn new(lab: Celsius, stations: Vec<Option<Celsius>>) -> Self {
        Self { lab, stations }
    }

    /// The lab's ceiling.
    pub const fn lab(&self) -> Celsius {
        self.lab
    }

    /// A station's own ceiling, if it has one.
    pub fn station(&self, station: StationId) -> Option<Celsius> {
        self.stations.get(station.index()).copied().flatten()
    }

    pub(crate) fn set_lab(&mut self, ceiling: Celsius) {
        self.lab = ceiling;
    }

    pub(crate) fn set_station(&mut self, station: StationId, ceiling: Option<Celsius>) {
        if let Some(own) = self.stations.get_mut(station.index()) {
            *own = ceiling;
        }
    }

    /// The effective ceiling of a station while a recipe with ceiling `recipe` runs there.
    ///
    /// Equal ceilings are said to come from the wider one: lab before station before recipe.
    pub fn effective(&self, station: StationId, recipe: Option<Celsius>) -> Ceiling {
        let mut lowest = Ceiling {
            celsius: self.lab,
            from: CeilingFrom::Lab,
        };
        for (celsius, from) in [
            (self.station(station), CeilingFrom::Station),
            (recipe, CeilingFrom::Recipe),
        ] {
            if let Some(celsius) = celsius.filter(|celsius| *celsius < lowest.celsius) {
                lowest = Ceiling { celsius, from };
            }
        }
        lowest
    }
}

/// Whether a ceiling is one that can be set.
pub(crate) fn settable(ceiling: Celsius) -> bool {
    ceiling >= CEILING_MIN && ceiling <= CEILING_MAX
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_lowest_ceiling_counts() {
        let c = Celsius::constant;
        let limits = Limits::new(c(260.0), vec![Some(c(200.0)), None]);
        let (first, second) = (StationId(0), StationId(1));
        assert_eq!(
            limits.effective(first, None),
            Ceiling {
                celsius: c(200.0),
                from: CeilingFrom::Station
            }
        );
        assert_eq!(
            limits.effective(second, None),
            Ceiling {
                celsius: c(260.0),
                from: CeilingFrom::Lab
            }
        );
        let recipe = limits.effective(first, Some(c(130.0)));
        assert_eq!(
            recipe,
            Ceiling {
                celsius: c(130.0),
                from: CeilingFrom::Recipe
            }
        );
        let recipe_above = limits.effective(first, Some(c(230.0)));
        assert_eq!(
            recipe_above,
            Ceiling {
                celsius: c(200.0),
                from: CeilingFrom::Station
            }
        );
    }

    #[test]
    fn bounds_are_inclusive() {
        assert!(settable(CEILING_MIN) && settable(CEILING_MAX));
        assert!(!settable(Celsius::constant(39.9)) && !settable(Celsius::constant(400.1)));
    }
}
