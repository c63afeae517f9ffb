//! The recipe: the stages for one kind of board, its cool-down, and the window its runs are judged by.
//!
//! [`Recipe::parse`] returns something that can run, or all that is wrong with it. It knows the recipe alone:
//! whether a target fits under a station's ceiling, or `control` names one of its channels, is decided where a
//! run starts.

mod parse;

use crate::mistake::Mistakes;
use crate::units::{Celsius, CelsiusDelta, CelsiusPerSecond, Millis};
use crate::window::Window;

/// Largest recipe text, bytes. A recipe of 64 stages with comments fills a tenth of it; it travels over the
/// bus and is kept in the archive with every revision.
pub const TEXT_BYTES_MAX: usize = 64 * 1024;

/// Most stages of a recipe. Real ones have two to eight; this bounds a generated file.
pub const STAGES_MAX: usize = 64;

/// Longest recipe name, characters: it has to fit on a line of an 80 column screen.
pub const NAME_CHARS_MAX: usize = 60;

/// Lowest target. Heat can't hold a board below freezing.
pub const TARGET_MIN: Celsius = Celsius::constant(0.0);

/// Highest temperature a recipe or a ceiling may name. Laminates come apart well below it, and it is the
/// end of the range that a bench's sensors are usually configured for.
pub const TARGET_MAX: Celsius = Celsius::constant(400.0);

/// Lowest ceiling. Below it a summer's day would trip a bench that is off.
pub const CEILING_MIN: Celsius = Celsius::constant(40.0);

/// Slowest ramp limit, °C/s: 3.6 °C an hour. Slower would be a run of days, more likely a slip of the unit.
pub const RAMP_MIN_PER_S: f64 = 0.001;

/// Fastest rate a recipe may name, °C/s. No board heater comes near.
pub const RAMP_MAX_PER_S: f64 = 50.0;

/// Longest dwell, seconds: a day, as in a drying bake.
pub const DWELL_MAX_S: f64 = 86_400.0;

/// Narrowest band, °C: the noise of a good thermocouple. Inside less, the dwell clock would hardly ever run.
pub const BAND_MIN: CelsiusDelta = CelsiusDelta::constant(0.1);

/// Widest band, °C. Wider, "at target" would mean nothing.
pub const BAND_MAX: CelsiusDelta = CelsiusDelta::constant(50.0);

/// Band of a stage that names none.
pub const BAND_DEFAULT: CelsiusDelta = CelsiusDelta::constant(2.0);

/// Smallest spread limit, °C: two thermocouples of one reel differ by about this much.
pub const SPREAD_MIN: CelsiusDelta = CelsiusDelta::constant(0.5);

/// Largest spread limit, °C. Above it the limit limits nothing.
pub const SPREAD_MAX: CelsiusDelta = CelsiusDelta::constant(200.0);

/// Lightest board, grams.
pub const BOARD_GRAMS_MIN: f64 = 0.1;

/// Heaviest board, grams: more than one person lifts onto a bench.
pub const BOARD_GRAMS_MAX: f64 = 50_000.0;

/// Lowest temperature that may count as safe to handle. A warm shop in summer has to be able to reach it.
pub const SAFE_MIN: Celsius = Celsius::constant(25.0);

/// Highest temperature that may count as safe to handle: bare metal that is held for a minute burns from 51 °C
/// on (DIN EN ISO 13732-1, burn threshold for 1 min of contact).
pub const SAFE_MAX: Celsius = Celsius::constant(51.0);

/// Safe to handle in a recipe that doesn't say.
pub const SAFE_DEFAULT: Celsius = Celsius::constant(45.0);

/// Shortest limit of operator absence: time to fetch a tool.
pub const ABSENT_MIN: Millis = Millis::from_secs(10);

/// Longest limit of operator absence: half a shift.
pub const ABSENT_MAX: Millis = Millis::from_secs(14_400);

/// Shortest limit of a whole run.
pub const RUN_MIN: Millis = Millis::from_secs(10);

/// Longest limit of a whole run: the longest dwell and as long again.
pub const RUN_MAX: Millis = Millis::from_secs(172_800);

/// The stages for one kind of board, with its ceiling and process window.
#[derive(Debug, Clone, PartialEq)]
pub struct Recipe {
    /// What the shop calls it; 1 to [`NAME_CHARS_MAX`] characters, no control characters.
    pub name: String,
    /// The kind of board, if it isn't called like the recipe; 1 to [`NAME_CHARS_MAX`] characters. See [`Recipe::board`].
    pub board: Option<String>,
    /// The recipe's own ceiling; every target is at or below it.
    pub ceiling: Option<Celsius>,
    /// Which temperature is steered.
    pub control: ControlBy,
    /// Heat holds back while hottest minus coldest channel is above this.
    pub spread_max: Option<CelsiusDelta>,
    /// Mass of the board; bounds the energy of a first run.
    pub board_mass: Option<Grams>,
    /// Every run on a board that nobody has seen begins with a probe that a person confirms.
    pub confirm_first_run: bool,
    /// In order; 1 to [`STAGES_MAX`].
    pub stages: Vec<Stage>,
    /// What happens after the last dwell.
    pub cooldown: Cooldown,
    /// How a run is judged.
    pub window: Window,
    /// Limit of operator absence for this recipe. It can only lower the lab's: the shorter one counts.
    pub absent_after: Option<Millis>,
    /// Longest that a run of it may take.
    pub run_max: Option<Millis>,
}

/// Which temperature of a station is steered to the target.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum ControlBy {
    /// The hottest channel: no part of the board passes the target. What a recipe that doesn't say gets.
    #[default]
    Hottest,
    /// The coldest channel: every part of the board reaches the target.
    Coldest,
    /// The mean of all channels.
    Mean,
    /// One channel by its name.
    Channel(String),
}

/// A target, an optional ramp limit, a dwell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Stage {
    /// Where to.
    pub target: Celsius,
    /// Fastest way there, above zero. None: as fast as the bench can.
    pub ramp_max: Option<CelsiusPerSecond>,
    /// Time at target; may be zero.
    pub dwell: Millis,
    /// How near the target counts as reached.
    pub band: CelsiusDelta,
}

/// What happens after the last dwell.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cooldown {
    /// Every channel below this: safe to handle.
    pub safe: Celsius,
    /// Heat eases the fall to this rate (a positive number of degrees lost a second). None: heat stays off.
    pub fall_max: Option<CelsiusPerSecond>,
}

impl Default for Cooldown {
    fn default() -> Self {
        Self {
            safe: SAFE_DEFAULT,
            fall_max: None,
        }
    }
}

/// Mass, grams. Finite and above zero.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Grams(f64);

impl Grams {
    /// `None` unless finite and above zero.
    pub fn new(grams: f64) -> Option<Self> {
        (grams.is_finite() && grams > 0.0).then_some(Self(grams))
    }

    /// Grams as a plain number.
    pub const fn grams(self) -> f64 {
        self.0
    }
}

impl Recipe {
    /// Reads a recipe file.
    ///
    /// `source`: what the reader of a mistake calls the text, usually its file name. Every `..._celsius` key may
    /// be written as `..._fahrenheit` instead; what comes back is in degrees Celsius.
    ///
    /// # Errors
    /// All mistakes of the text in one go: what isn't TOML first, and once it is, every unknown key, wrong type
    /// and value out of bounds.
    pub fn parse(source: &str, text: &str) -> Result<Self, Mistakes> {
        parse::recipe(source, text)
    }

    /// The kind of board that it is for: what is learned of a board counts for every recipe with the same kind.
    pub fn board(&self) -> &str {
        self.board.as_deref().unwrap_or(&self.name)
    }

    /// The highest target of any stage; the lowest temperature there is for a recipe built without stages.
    pub fn highest_target(&self) -> Celsius {
        self.stages
            .iter()
            .map(|stage| stage.target)
            .fold(Celsius::constant(-273.15), Celsius::max)
    }
}

#[cfg(test)]
mod tests;
