//! The recipes that every bench is put through.

use std::sync::Arc;

use benchward_core::recipe::{BAND_DEFAULT, ControlBy, Cooldown, Recipe, Stage};
use benchward_core::units::{Celsius, CelsiusPerSecond, Millis};
use benchward_core::window::Window;

/// The channel that steers: the first one, which sits on the board's top centre.
pub const CONTROL: &str = "tc1";

/// Longest that a stage may take, seconds; whoever hasn't arrived by then never does.
pub const STAGE_MAX_S: f64 = 1_800.0;

/// A recipe with the letter it has in the table.
#[derive(Debug, Clone)]
pub struct Named {
    /// `A`, `B` or `C`.
    pub letter: char,
    /// The recipe.
    pub recipe: Arc<Recipe>,
}

/// All of them.
pub fn all() -> Vec<Named> {
    let limit = Some(1.5);
    vec![
        named(
            'A',
            &[(50.0, 30.0, None), (75.0, 30.0, None), (100.0, 30.0, None)],
        ),
        named(
            'B',
            &[(100.0, 30.0, limit), (150.0, 30.0, limit), (180.0, 30.0, limit)],
        ),
        named('C', &[(60.0, 60.0, None), (120.0, 600.0, None)]),
    ]
}

/// The recipe of that letter.
pub fn of(letter: char) -> Option<Named> {
    all().into_iter().find(|named| named.letter == letter)
}

/// Stages as target in °C, dwell in seconds, ramp limit in °C/s.
fn named(letter: char, stages: &[(f64, f64, Option<f64>)]) -> Named {
    let stages = stages
        .iter()
        .map(|(target, dwell, ramp)| Stage {
            target: Celsius::constant(*target),
            ramp_max: ramp.and_then(|rate| CelsiusPerSecond::new(rate).ok()),
            dwell: Millis::from_secs_f64(*dwell),
            band: BAND_DEFAULT,
        })
        .collect();
    let recipe = Recipe {
        name: format!("recipe {letter}"),
        board: None,
        ceiling: None,
        control: ControlBy::Channel(CONTROL.into()),
        spread_max: None,
        board_mass: None,
        confirm_first_run: false,
        stages,
        cooldown: Cooldown::default(),
        window: Window::default(),
        absent_after: None,
        // The table has its own limit for a stage; a run that is too long is not what it is about.
        run_max: Some(Millis::from_secs(4 * 3_600)),
    };
    Named {
        letter,
        recipe: Arc::new(recipe),
    }
}
