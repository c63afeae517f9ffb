//! Limits that interlocks act at and that a safety role moves.
//!
//! Ceilings: the temperature that no channel may pass. Lab, station and recipe each have one; the lowest counts. And the
//! few limits of the whole lab that [`LimitName`] lists, each within bounds that nobody moves.

use std::fmt;

use crate::caution::Caution;
use crate::id::StationId;
use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::units::{Celsius, CelsiusPerSecond, Millis};

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

/// A limit of the whole lab, beside its ceiling.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub enum LimitName {
    /// How long heat may be on without anybody confirming to be there.
    AbsentAfter,
    /// How fast a channel may rise.
    RiseMax,
    /// How long a run may heat. It only lowers what the recipe says, or what follows from its plan.
    RunMax,
}

impl LimitName {
    /// All of them.
    pub const ALL: [Self; 3] = [Self::AbsentAfter, Self::RiseMax, Self::RunMax];

    /// The name as commands, journal and archive write it.
    pub const fn text(self) -> &'static str {
        match self {
            Self::AbsentAfter => "absent-after",
            Self::RiseMax => "rise-max",
            Self::RunMax => "run-max",
        }
    }

    /// The limit of that name.
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|limit| limit.text() == text)
    }

    /// Its unit, a UCUM code.
    pub const fn unit(self) -> &'static str {
        match self {
            Self::AbsentAfter | Self::RunMax => "s",
            Self::RiseMax => "Cel/s",
        }
    }

    /// Lowest and highest value that can be set, in its unit, whoever asks.
    ///
    /// Those of absence and of runs are what configuration and recipes may say. A slope below 0.5 °C/s would trip on every
    /// healthy ramp and its noise; above 10 °C/s a bead on the element itself is no longer told from a board.
    pub fn bounds(self) -> [f64; 2] {
        use crate::recipe::{ABSENT_MAX, ABSENT_MIN, RUN_MAX, RUN_MIN};
        match self {
            Self::AbsentAfter => [ABSENT_MIN.seconds(), ABSENT_MAX.seconds()],
            Self::RiseMax => [0.5, 10.0],
            Self::RunMax => [RUN_MIN.seconds(), RUN_MAX.seconds()],
        }
    }

    /// A value with its unit, for people.
    pub fn shown(self, value: f64) -> String {
        match self {
            Self::AbsentAfter | Self::RunMax => Millis::from_secs_f64(value).to_string(),
            Self::RiseMax => format!("{value} °C/s"),
        }
    }
}

impl fmt::Display for LimitName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.text())
    }
}

/// What a channel may not rise faster than where no safety role has set it; see `interlock::rise_too_fast` for why.
pub const RISE_MAX: CelsiusPerSecond = CelsiusPerSecond::constant(6.0);

/// Where a limit that counts comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LimitFrom {
    /// Nobody has said anything else.
    BuiltIn,
    /// `lab.toml`, or its default.
    Configuration,
    /// Set for the whole lab by a safety role.
    Lab,
    /// The station's own.
    Station,
    /// The recipe's, or its plan's, while it runs.
    Recipe,
}

impl From<CeilingFrom> for LimitFrom {
    fn from(from: CeilingFrom) -> Self {
        match from {
            CeilingFrom::Lab => Self::Lab,
            CeilingFrom::Station => Self::Station,
            CeilingFrom::Recipe => Self::Recipe,
        }
    }
}

impl fmt::Display for LimitFrom {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::BuiltIn => "built in",
            Self::Configuration => "the configuration",
            Self::Lab => "the lab",
            Self::Station => "the station",
            Self::Recipe => "the recipe",
        })
    }
}

/// What a safety role has moved, as the archive kept it.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Moved {
    /// The lab's ceiling.
    pub ceiling: Option<Celsius>,
    /// Stations' own ceilings; `None` in it: taken away.
    pub stations: BTreeMap<StationId, Option<Celsius>>,
    /// Limits of the lab, each in its unit.
    pub limits: BTreeMap<LimitName, f64>,
}

/// The limits of a lab and its stations.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub struct Limits {
    lab: Celsius,
    stations: Vec<Option<Celsius>>,
    /// What the configuration says, for telling what was raised.
    configured: (Celsius, Vec<Option<Celsius>>),
    absent_configured: Millis,
    moved: BTreeMap<LimitName, f64>,
}

impl Limits {
    /// `stations`: each station's own ceiling, in the order of [`crate::Setup::stations`].
    pub(crate) fn new(lab: Celsius, stations: Vec<Option<Celsius>>) -> Self {
        Self {
            lab,
            configured: (lab, stations.clone()),
            stations,
            absent_configured: Millis::from_secs(900),
            moved: BTreeMap::new(),
        }
    }

    /// The same with the configuration's limit of absence, and what a safety role has moved since. What is out of bounds
    /// doesn't count.
    pub(crate) fn recall(mut self, absent_configured: Millis, moved: Moved) -> Self {
        self.absent_configured = absent_configured;
        self.lab = moved.ceiling.unwrap_or(self.lab);
        for (station, ceiling) in moved.stations {
            self.set_station(station, ceiling);
        }
        for (limit, value) in moved.limits {
            if settable_to(limit, value) {
                self.moved.insert(limit, value);
            }
        }
        self
    }

    /// What a safety role has set a limit of the lab to.
    pub fn moved(&self, limit: LimitName) -> Option<f64> {
        self.moved.get(&limit).copied()
    }

    /// What a limit of the lab is where no recipe says less; `None`: what each run's recipe or plan says.
    pub(crate) fn shown(&self, limit: LimitName) -> (Option<f64>, LimitFrom) {
        match limit {
            LimitName::AbsentAfter => {
                let (absent, from) = self.absent_after(None);
                (Some(absent.seconds()), from)
            }
            LimitName::RiseMax => {
                let (rise, from) = self.rise_max();
                (Some(rise.per_second()), from)
            }
            LimitName::RunMax => match self.moved(limit) {
                Some(seconds) => (Some(seconds), LimitFrom::Lab),
                None => (None, LimitFrom::Recipe),
            },
        }
    }

    /// `None`: what is configured or built in counts again.
    pub(crate) fn move_to(&mut self, limit: LimitName, value: Option<f64>) {
        match value {
            Some(value) => drop(self.moved.insert(limit, value)),
            None => drop(self.moved.remove(&limit)),
        }
    }

    /// The limit of absence that counts, `recipe`: what the recipe that runs says.
    pub(crate) fn absent_after(&self, recipe: Option<Millis>) -> (Millis, LimitFrom) {
        let lab = match self.moved(LimitName::AbsentAfter) {
            Some(seconds) => (Millis::from_secs_f64(seconds), LimitFrom::Lab),
            None => (self.absent_configured, LimitFrom::Configuration),
        };
        recipe
            .filter(|recipe| recipe.0 < lab.0.0)
            .map_or(lab, |recipe| (recipe, LimitFrom::Recipe))
    }

    /// How fast a channel may rise.
    pub(crate) fn rise_max(&self) -> (CelsiusPerSecond, LimitFrom) {
        self.moved(LimitName::RiseMax)
            .and_then(|rate| CelsiusPerSecond::new(rate).ok())
            .map_or((RISE_MAX, LimitFrom::BuiltIn), |rate| (rate, LimitFrom::Lab))
    }

    /// How long a run may heat whose recipe, or plan, says `recipe`.
    pub(crate) fn run_max(&self, recipe: Millis) -> (Millis, LimitFrom) {
        self.moved(LimitName::RunMax)
            .map(Millis::from_secs_f64)
            .filter(|lab| lab.0 < recipe.0)
            .map_or((recipe, LimitFrom::Recipe), |lab| (lab, LimitFrom::Lab))
    }

    /// Limits of a station that a safety role has made looser than what is configured or built in.
    pub(crate) fn raised(&self, station: StationId) -> Vec<Caution> {
        let own = self.configured.1.get(station.index()).copied().flatten();
        let configured = own.map_or(self.configured.0, |own| own.min(self.configured.0));
        let now = self.effective(station, None);
        let mut raised = Vec::new();
        if now.celsius > configured {
            raised.push(Caution::CeilingRaised { now, configured });
        }
        let absent = self.absent_after(None).0;
        if absent.0 > self.absent_configured.0 {
            raised.push(Caution::AbsenceRaised {
                now: absent,
                configured: self.absent_configured,
            });
        }
        let rise = self.rise_max().0;
        if rise > RISE_MAX {
            raised.push(Caution::RiseRaised { now: rise });
        }
        raised
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

/// Whether a limit of the lab can be set to that.
pub(crate) fn settable_to(limit: LimitName, value: f64) -> bool {
    let [lowest, highest] = limit.bounds();
    (lowest..=highest).contains(&value)
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
    fn of_equal_limits_the_wider_one_is_named() {
        let c = Celsius::constant;
        let limits = Limits::new(c(200.0), vec![Some(c(200.0)), None]);
        for station in [StationId(0), StationId(1)] {
            assert_eq!(limits.effective(station, Some(c(200.0))).from, CeilingFrom::Lab);
        }
        let (lab, from) = limits.absent_after(None);
        assert_eq!(limits.absent_after(Some(lab)), (lab, from));
        let less = Millis(lab.0 - 1);
        assert_eq!(limits.absent_after(Some(less)), (less, LimitFrom::Recipe));
    }

    #[test]
    fn bounds_are_inclusive() {
        assert!(settable(CEILING_MIN) && settable(CEILING_MAX));
        assert!(!settable(Celsius::constant(39.9)) && !settable(Celsius::constant(400.1)));
    }

    #[test]
    fn the_limit_of_runs_only_lowers_what_the_recipe_says() {
        let mut limits = Limits::new(Celsius::constant(260.0), vec![None]);
        let recipe = Millis::from_secs(1200);
        assert_eq!(limits.run_max(recipe), (recipe, LimitFrom::Recipe));
        for (lab, counts) in [
            (1199, (Millis::from_secs(1199), LimitFrom::Lab)),
            (1200, (recipe, LimitFrom::Recipe)),
            (1201, (recipe, LimitFrom::Recipe)),
        ] {
            limits.move_to(LimitName::RunMax, Some(f64::from(lab)));
            assert_eq!(limits.run_max(recipe), counts, "{lab}");
        }
    }
}
