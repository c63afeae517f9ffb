//! The plan: the recipe that takes a board to a temperature in the least time, from what is known of the board.
//!
//! With one temperature known, less time is lost by nothing than by stages in between: the board goes straight to its final
//! target as fast as heat and ramp limit allow. What the model doesn't know is not planned but said ([`Plan::unknown`]):
//! it is one of the control temperature, so that neither the spread over the board nor the temperature of one of its parts
//! follows from it.

use std::fmt::Write as _;

use crate::mistake::Mistakes;
use crate::model::BoardModel;
use crate::predict::{self, Point, Prediction, Start};
use crate::recipe::Recipe;

/// What a recipe has to do.
#[derive(Debug, Clone, PartialEq)]
pub struct Requirements {
    /// What the recipe is called.
    pub name: String,
    /// Temperature that the board gets to, °C.
    pub target: f64,
    /// Fastest rise, °C/s; `None`: as fast as the bench can.
    pub ramp_max: Option<f64>,
    /// Time at the target, seconds.
    pub dwell_s: f64,
    /// Safe to handle below, °C; `None`: what recipes have that don't say.
    pub safe: Option<f64>,
    /// Largest spread at the end of the dwell, °C.
    pub spread_max: Option<f64>,
    /// Parts that must not get hotter than so many °C.
    pub parts: Vec<(String, f64)>,
}

/// What was planned.
#[derive(Debug, Clone, PartialEq)]
pub struct Plan {
    /// The recipe.
    pub recipe: Recipe,
    /// Its text, as it can be stored.
    pub text: String,
    /// What is foretold of it.
    pub prediction: Prediction,
    /// The likeliest curve.
    pub curve: Vec<Point>,
    /// Requirements that this model can't tell anything of, a sentence each.
    pub unknown: Vec<String>,
}

/// Plans for a board that lies there with `celsius`. `most`: share of the bench's full power that a supply leaves it.
///
/// # Errors
/// What no recipe may have, with place, value and bound.
pub fn plan(
    model: &BoardModel,
    celsius: f64,
    most: f64,
    requirements: &Requirements,
) -> Result<Plan, Mistakes> {
    let text = text(&model.board, requirements);
    let recipe = Recipe::parse("plan", &text)?;
    let prediction = predict::before_start(model, celsius, &recipe, most);
    let length = prediction.safe.expected().map_or(3_600.0, |safe| safe.likely_s);
    // Finer than any screen.
    let curve = predict::curve(&Start::at_rest(model, celsius, most), &recipe, length / 300.0);
    Ok(Plan {
        unknown: unknown(requirements),
        recipe,
        text,
        prediction,
        curve,
    })
}

/// A figure without a needless point: `150`, `1.5`.
fn figure(value: f64) -> String {
    format!("{}", (value * 1_000.0).round() / 1_000.0)
}

/// A string as TOML has it.
fn quoted(text: &str) -> String {
    toml::Value::String(text.into()).to_string()
}

fn text(board: &str, asked: &Requirements) -> String {
    let mut text = format!("recipe = {}\nboard = {}\n", quoted(&asked.name), quoted(board));
    if let Some(limit) = part_ceiling(asked) {
        let _ = writeln!(text, "ceiling_celsius = {}", figure(limit));
    }
    if let Some(spread) = asked.spread_max {
        let _ = writeln!(text, "spread_celsius_max = {}", figure(spread));
    }
    let _ = writeln!(text, "\n[[stage]]\ntarget_celsius = {}", figure(asked.target));
    if let Some(ramp) = asked.ramp_max {
        let _ = writeln!(text, "ramp_celsius_per_s_max = {}", figure(ramp));
    }
    let _ = writeln!(text, "dwell_s = {}", figure(asked.dwell_s));
    if let Some(safe) = asked.safe {
        let _ = writeln!(text, "\n[cooldown]\nsafe_celsius = {}", figure(safe));
    }
    text
}

/// The lowest limit of a part that leaves the board room to get to its target: as a ceiling it counts for every channel.
fn part_ceiling(asked: &Requirements) -> Option<f64> {
    asked
        .parts
        .iter()
        .map(|(_, limit)| *limit)
        .reduce(f64::min)
        .filter(|limit| *limit > asked.target + CEILING_ABOVE)
}

/// How far above its target a recipe's ceiling has to be, °C: an overshoot must not end the run.
const CEILING_ABOVE: f64 = 5.0;

fn unknown(asked: &Requirements) -> Vec<String> {
    let mut unknown = Vec::new();
    if let Some(spread) = asked.spread_max {
        unknown.push(format!(
            "whether the spread gets below {} °C can't be told: the model knows the control temperature only. The recipe holds the heat \
             back while it is above; what comes from the shape of the bench stays however long the board soaks, so watch the first run",
            figure(spread)
        ));
    }
    for (name, limit) in &asked.parts {
        let kept = if part_ceiling(asked).is_some() {
            "the recipe's ceiling keeps it where a channel measures it"
        } else {
            "and so near the target no ceiling can keep it"
        };
        unknown.push(format!(
            "how hot `{name}` gets can't be told: the model knows the control temperature only; {kept} (limit {} °C)",
            figure(*limit)
        ));
    }
    unknown
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{Belief, Parameter};
    use crate::predict::{Governs, When};
    use crate::units::Celsius;

    /// A ceramic bench that is known well: `rise` °C/s at full power.
    fn model(rise: f64) -> BoardModel {
        let mut belief = Belief::of_unknown_boards()[1];
        belief.mean[0] = Parameter::Rise.to_theta(rise);
        belief.sd *= 0.1;
        BoardModel {
            board: "AX-20 \"backplane\"".into(),
            revision: 1,
            learned_from: 7,
            belief,
            hottest: 180.0,
        }
    }

    fn asked() -> Requirements {
        Requirements {
            name: "AX-20 to 120".into(),
            target: 120.0,
            ramp_max: Some(1.5),
            dwell_s: 30.0,
            safe: Some(40.0),
            spread_max: None,
            parts: Vec::new(),
        }
    }

    #[test]
    fn the_recipe_is_what_was_asked_for_and_its_text_says_so() {
        let plan = plan(&model(2.0), 24.0, 1.0, &asked()).expect("it can be");
        assert_eq!(
            plan.text,
            "recipe = \"AX-20 to 120\"\nboard = 'AX-20 \"backplane\"'\n\n[[stage]]\ntarget_celsius = 120\n\
             ramp_celsius_per_s_max = 1.5\ndwell_s = 30\n\n[cooldown]\nsafe_celsius = 40\n"
        );
        assert_eq!(plan.recipe.board(), "AX-20 \"backplane\"");
        assert_eq!(plan.recipe.cooldown.safe, Celsius::constant(40.0));
        assert_eq!(plan.unknown, Vec::<String>::new());
        let last = plan.curve.last().expect("a curve");
        assert!(
            plan.curve.len() > 100 && (38.0..42.0).contains(&last.celsius),
            "{last:?}"
        );
    }

    #[test]
    fn what_governs_follows_from_bench_and_limit() {
        let governs = |rise, ramp_max| {
            let asked = Requirements { ramp_max, ..asked() };
            plan(&model(rise), 24.0, 1.0, &asked)
                .expect("it can be")
                .prediction
                .stages[0]
                .governs
        };
        assert_eq!(governs(3.0, Some(0.5)), Governs::RampLimit);
        assert_eq!(governs(2.0, None), Governs::ThermalMass);
        assert_eq!(governs(0.85, None), Governs::Power);
        let long = Requirements {
            dwell_s: 900.0,
            ..asked()
        };
        let plan = plan(&model(2.0), 24.0, 1.0, &long).expect("it can be");
        assert_eq!(plan.prediction.stages[0].governs, Governs::Dwell);
    }

    #[test]
    fn what_the_model_does_not_know_is_said() {
        let with = |target, parts: &[(&str, f64)], spread_max| {
            let asked = Requirements {
                target,
                spread_max,
                parts: parts
                    .iter()
                    .map(|(name, limit)| ((*name).into(), *limit))
                    .collect(),
                ..asked()
            };
            plan(&model(2.0), 24.0, 1.0, &asked).expect("it can be")
        };
        let spread = with(120.0, &[], Some(8.0));
        assert!(
            spread.unknown[0].contains("below 8 °C can't be told"),
            "{:?}",
            spread.unknown
        );
        assert!(spread.text.contains("spread_celsius_max = 8"));
        let part = with(120.0, &[("relay", 140.0), ("display", 150.0)], None);
        assert_eq!(part.unknown.len(), 2);
        assert_eq!(part.recipe.ceiling, Some(Celsius::constant(140.0)));
        let near = with(120.0, &[("relay", 122.0)], None);
        assert!(
            near.unknown[0].contains("no ceiling can keep it"),
            "{:?}",
            near.unknown
        );
        assert_eq!(near.recipe.ceiling, None);
    }

    #[test]
    fn less_of_the_supply_costs_time_and_how_much_is_said() {
        let with = |most| {
            plan(&model(2.0), 24.0, most, &asked())
                .expect("it can be")
                .prediction
        };
        let (all, half) = (with(1.0), with(0.6));
        assert_eq!(all.delay_s, None);
        let later = |prediction: &Prediction| match prediction.heat_ends() {
            When::Expected(ends) => ends.likely_s,
            open => panic!("{open:?}"),
        };
        let delay = half.delay_s.expect("both arrive");
        assert!(
            delay > 10.0 && (later(&half) - later(&all) - delay).abs() < 1e-6,
            "{delay}"
        );
    }

    #[test]
    fn what_no_recipe_may_have_is_a_mistake() {
        let asked = Requirements {
            ramp_max: Some(80.0),
            ..asked()
        };
        let mistakes = plan(&model(2.0), 24.0, 1.0, &asked).expect_err("too fast");
        assert!(
            mistakes.to_string().contains("ramp_celsius_per_s_max"),
            "{mistakes}"
        );
    }
}
