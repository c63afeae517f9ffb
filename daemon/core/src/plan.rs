//! The plan: the recipe that takes a board to a temperature in the least time, from what is known of the board.
//!
//! Less time is lost by nothing than by stages in between: the board goes straight to its final target as fast as heat and ramp
//! limit allow, and stays there as long as it was asked to, or until the spread over it is small enough, if it gets so small
//! ([`Follower`]). What can't be had is said and not promised ([`Plan::said`]), and so is what the model doesn't know
//! ([`Plan::unknown`]): nothing follows from it for a part that no channel measured.

use std::fmt::Write as _;
use std::sync::Arc;

use crate::mistake::Mistakes;
use crate::model::follow::{Follower, foretell};
use crate::model::{BoardModel, Model};
use crate::predict::{self, Point, Prediction, Start, When};
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
    /// Time at the target, seconds; longer where the spread takes longer.
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
    /// What the channels do, in the order in which they are known; empty where the end of the dwell can't be foretold.
    pub channels: Vec<ChannelForetold>,
    /// Spread between them at the end of the dwell; `None` with fewer than two.
    pub spread: Option<Figure>,
    /// What becomes of the requirements that can be told of, a sentence each.
    pub said: Vec<String>,
    /// Requirements that this model can't tell anything of, a sentence each.
    pub unknown: Vec<String>,
}

/// A figure in degrees, and how far off it may be to either side: nine of ten are within that.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figure {
    /// °C.
    pub celsius: f64,
    /// °C.
    pub margin: f64,
}

impl Figure {
    /// The highest that is likely, °C.
    fn most(self) -> f64 {
        self.celsius + self.margin
    }
}

/// What is foretold of one channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelForetold {
    /// Its name.
    pub channel: Arc<str>,
    /// The highest that it gets to.
    pub hottest: Figure,
    /// At the end of the dwell.
    pub at_end: Figure,
}

/// Longest dwell that is looked at for a spread, seconds: what is there after half an hour stays.
const SOAK_S_MAX: f64 = 1_800.0;
/// Dwells are planned in steps of this, seconds.
const DWELL_STEP_S: f64 = 5.0;
/// Points of a curve are no farther apart, seconds: channels lag by seconds.
const POINTS_S: f64 = 2.0;

/// What everything is foretold from: the model with the other channels, and how the board lies there.
struct Knowledge<'a> {
    model: &'a BoardModel,
    followers: &'a [Follower],
    start: Start,
}

/// A recipe's likeliest curve with that of every channel.
struct Curves {
    control: Vec<Point>,
    channels: Vec<Vec<f64>>,
}

impl Knowledge<'_> {
    fn curves(&self, recipe: &Recipe, every_s: f64) -> Curves {
        let control = closer(&predict::curve(&self.start, recipe, every_s), every_s);
        let model = Model::new(&self.model.belief.mean, self.start.room());
        let channels = self
            .followers
            .iter()
            .map(|follower| foretell(follower, &model, &control))
            .collect();
        Curves { control, channels }
    }

    /// Spread between the channels at a point of their curves.
    fn spread(&self, curves: &Curves, at: usize) -> Option<Figure> {
        let read = || {
            curves
                .channels
                .iter()
                .zip(self.followers)
                .filter_map(|(curve, follower)| Some((*curve.get(at)?, follower.margin())))
        };
        let high = read().max_by(|one, other| one.0.total_cmp(&other.0))?;
        let low = read().min_by(|one, other| one.0.total_cmp(&other.0))?;
        (self.followers.len() > 1).then_some(Figure {
            celsius: high.0 - low.0,
            margin: high.1.hypot(low.1),
        })
    }

    /// The shortest dwell of at least what was asked for after which the spread is at most `limit`, s; else the smallest
    /// spread that any dwell leaves. `None`: nobody can say.
    fn soak(&self, asked: &Requirements, limit: f64) -> Result<Option<Result<f64, Figure>>, Mistakes> {
        let longest = Requirements {
            dwell_s: SOAK_S_MAX.max(asked.dwell_s),
            ..asked.clone()
        };
        let recipe = Recipe::parse("plan", &text(&self.model.board, &longest))?;
        let Some(arrival) = predict::predict(&self.start, &recipe)
            .stages
            .last()
            .and_then(|stage| stage.arrival.expected())
        else {
            return Ok(None);
        };
        let curves = self.curves(&recipe, POINTS_S);
        let mut least: Option<Figure> = None;
        for (at, point) in curves.control.iter().enumerate() {
            let dwelt = point.at_s - arrival.likely_s;
            if dwelt < asked.dwell_s || dwelt > longest.dwell_s {
                continue;
            }
            let Some(spread) = self.spread(&curves, at) else {
                break;
            };
            if spread.most() <= limit {
                let steps = (dwelt / DWELL_STEP_S).ceil() * DWELL_STEP_S;
                return Ok(Some(Ok(if dwelt < asked.dwell_s + DWELL_STEP_S {
                    asked.dwell_s
                } else {
                    steps
                })));
            }
            if least.is_none_or(|least| spread.celsius < least.celsius) {
                least = Some(spread);
            }
        }
        Ok(least.map(Err))
    }
}

/// Plans for a board that lies there with `celsius`. `followers`: its channels. `most`: share of the bench's full power that
/// a supply leaves it.
///
/// # Errors
/// What no recipe may have, with place, value and bound.
pub fn plan(
    model: &BoardModel,
    followers: &[Follower],
    celsius: f64,
    most: f64,
    requirements: &Requirements,
) -> Result<Plan, Mistakes> {
    let known = Knowledge {
        model,
        followers,
        start: Start::at_rest(model, celsius, most),
    };
    let mut asked = requirements.clone();
    let soak = match asked.spread_max.filter(|_| followers.len() > 1) {
        Some(limit) => known.soak(&asked, limit)?,
        None => None,
    };
    if let Some(Ok(dwell_s)) = soak {
        asked.dwell_s = dwell_s;
    }
    let text = text(&model.board, &asked);
    let recipe = Recipe::parse("plan", &text)?;
    let prediction = predict::before_start(model, celsius, &recipe, most);
    let length = prediction.safe.expected().map_or(3_600.0, |safe| safe.likely_s);
    // Finer than any screen.
    let curves = known.curves(&recipe, (length / 300.0).min(POINTS_S.max(length / 1_000.0)));
    let end = match prediction.heat_ends() {
        When::Expected(ends) => curves
            .control
            .iter()
            .rposition(|point| point.at_s <= ends.likely_s),
        When::Past | When::Open(_) => None,
    };
    let channels = end.map_or_else(Vec::new, |end| channels(followers, &curves, end));
    let spread = end.and_then(|end| known.spread(&curves, end));
    let said = said(requirements, &asked, soak, spread, &channels, known.start.room());
    Ok(Plan {
        unknown: unknown(requirements, spread.is_some(), &channels),
        recipe,
        text,
        prediction,
        curve: curves.control,
        channels,
        spread,
        said,
    })
}

/// The same curve with points on its straight lines, so that no two are farther apart than `every_s`: a dwell is foretold in few
/// steps.
fn closer(curve: &[Point], every_s: f64) -> Vec<Point> {
    let mut points: Vec<Point> = curve.first().copied().into_iter().collect();
    for pair in curve.windows(2) {
        let (from, to) = (pair[0], pair[1]);
        let steps = ((to.at_s - from.at_s) / every_s).ceil().clamp(1.0, 10_000.0);
        let mut step = 1.0;
        while step < steps {
            let share = step / steps;
            points.push(Point {
                at_s: from.at_s + share * (to.at_s - from.at_s),
                celsius: from.celsius + share * (to.celsius - from.celsius),
                heat: from.heat,
            });
            step += 1.0;
        }
        points.push(to);
    }
    points
}

fn channels(followers: &[Follower], curves: &Curves, end: usize) -> Vec<ChannelForetold> {
    followers
        .iter()
        .zip(&curves.channels)
        .map(|(follower, curve)| {
            let figure = |celsius| Figure {
                celsius,
                margin: follower.margin(),
            };
            ChannelForetold {
                channel: follower.channel.clone(),
                hottest: figure(curve.iter().copied().fold(f64::NEG_INFINITY, f64::max)),
                at_end: figure(curve.get(end).copied().unwrap_or(f64::NAN)),
            }
        })
        .collect()
}

/// `planned`: what the recipe has, where it differs from what was asked for.
fn said(
    asked: &Requirements,
    planned: &Requirements,
    soak: Option<Result<f64, Figure>>,
    spread: Option<Figure>,
    channels: &[ChannelForetold],
    room: f64,
) -> Vec<String> {
    let mut said = Vec::new();
    if let (Some(limit), Some(spread), Some(soak)) = (asked.spread_max, spread, soak) {
        said.push(match soak {
            Ok(_) => format!(
                "the spread comes to {:.1} °C at the end of the dwell (up to {:.1} °C), limit {} °C{}",
                spread.celsius,
                spread.most(),
                figure(limit),
                if planned.dwell_s > asked.dwell_s {
                    format!(
                        ": the dwell is {} s for that, and not {} s",
                        figure(planned.dwell_s),
                        figure(asked.dwell_s)
                    )
                } else {
                    String::new()
                }
            ),
            Err(least) => format!(
                "a spread of at most {} °C can't be promised: the smallest that is foretold, however long the board soaks, is \
                 {:.1} °C (up to {:.1} °C). What is left comes from where on the bench the channels lie",
                figure(limit),
                least.celsius,
                least.most()
            ),
        });
    }
    for (name, limit) in &asked.parts {
        let Some(part) = channels.iter().find(|channel| *channel.channel == **name) else {
            continue;
        };
        let gets = format!(
            "`{name}` gets to {:.1} °C (up to {:.1} °C), limit {} °C",
            part.hottest.celsius,
            part.hottest.most(),
            figure(*limit)
        );
        // In proportion: both are excesses over the room.
        let cooler = room
            + (limit - part.hottest.margin - room) / (part.hottest.celsius - room) * (asked.target - room);
        said.push(if part.hottest.most() <= *limit {
            gets
        } else if cooler > room + 10.0 {
            format!(
                "{gets}: that can't be promised; it would hold with a final temperature of {:.0} °C",
                cooler.floor()
            )
        } else {
            format!("{gets}: that can't be promised at any final temperature")
        });
    }
    said
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

/// `spread`: whether that of the board is foretold.
fn unknown(asked: &Requirements, spread: bool, channels: &[ChannelForetold]) -> Vec<String> {
    let mut unknown = Vec::new();
    if let Some(limit) = asked.spread_max.filter(|_| !spread) {
        unknown.push(format!(
            "whether the spread gets below {} °C can't be told: the run that the board was learned from shows fewer than two channels \
             that follow, or nobody can say when the dwell ends. The recipe holds the heat back while the spread is above",
            figure(limit)
        ));
    }
    let measured = |name: &str| channels.iter().any(|channel| &*channel.channel == name);
    for (name, limit) in asked.parts.iter().filter(|(name, _)| !measured(name)) {
        let kept = if part_ceiling(asked).is_some() {
            "the recipe's ceiling keeps it where a channel measures it"
        } else {
            "and so near the target no ceiling can keep it"
        };
        unknown.push(format!(
            "how hot `{name}` gets can't be told: no channel of that name was there in the run that the board was learned from; \
             {kept} (limit {} °C)",
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
        let plan = plan(&model(2.0), &[], 24.0, 1.0, &asked()).expect("it can be");
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
            plan(&model(rise), &[], 24.0, 1.0, &asked)
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
        let plan = plan(&model(2.0), &[], 24.0, 1.0, &long).expect("it can be");
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
            plan(&model(2.0), &[], 24.0, 1.0, &asked).expect("it can be")
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
            near.said.is_empty() && near.unknown[0].contains("no ceiling can keep it"),
            "{:?}",
            near.unknown
        );
        assert_eq!(near.recipe.ceiling, None);
    }

    fn follower(channel: &str, share: f64, lag_s: f64) -> Follower {
        Follower {
            channel: channel.into(),
            share,
            lag_s,
            rms: 0.25,
        }
    }

    #[test]
    fn a_spread_that_a_dwell_takes_away_gets_its_dwell_and_one_that_it_does_not_is_said() {
        let with = |share, limit| {
            let asked = Requirements {
                spread_max: Some(limit),
                ..asked()
            };
            let followers = [follower("board-top", 1.0, 0.5), follower("relay", share, 60.0)];
            plan(&model(2.0), &followers, 24.0, 1.0, &asked).expect("it can be")
        };
        // A ramp of 1.5 °C/s leaves a lag of 60 s far behind. With a margin of 1.25 °C each, 6 °C is 4.2 °C of spread.
        let soaked = with(1.0, 6.0);
        let dwell = soaked.recipe.stages[0].dwell.seconds();
        let spread = soaked.spread.expect("two channels");
        assert!((60.0..240.0).contains(&dwell), "{dwell}");
        assert!((3.6..4.3).contains(&spread.celsius), "{spread:?}");
        assert!(
            soaked.said[0].contains("limit 6 °C: the dwell is") && soaked.unknown.is_empty(),
            "{:?}",
            soaked.said
        );
        // The lag decays as e^(-t/60 s): a limit that lets 2.1 times as much pass comes 44 s sooner.
        let sooner = with(1.0, 10.6).recipe.stages[0].dwell.seconds();
        assert!((dwell - sooner - 44.0).abs() <= 15.0, "{dwell} {sooner}");
        let apart = with(0.85, 6.0);
        assert_eq!(
            apart.recipe.stages[0].dwell.seconds().to_bits(),
            30.0_f64.to_bits()
        );
        assert!(
            apart.said[0].starts_with("a spread of at most 6 °C can't be promised"),
            "{:?}",
            apart.said
        );
        // Enough from the start: what was asked for is what is planned.
        let wide = with(1.0, 90.0);
        assert_eq!(
            wide.recipe.stages[0].dwell.seconds().to_bits(),
            30.0_f64.to_bits()
        );
        assert!(wide.said[0].ends_with("limit 90 °C"), "{:?}", wide.said);
    }

    #[test]
    fn a_part_that_is_measured_is_promised_its_limit_or_not() {
        let with = |limit| {
            let asked = Requirements {
                parts: vec![("relay".into(), limit)],
                ..asked()
            };
            plan(&model(2.0), &[follower("relay", 1.1, 2.0)], 24.0, 1.0, &asked).expect("it can be")
        };
        let kept = with(140.0);
        assert!(
            kept.said[0].starts_with("`relay` gets to 129.") && kept.said[0].ends_with("limit 140 °C"),
            "{:?}",
            kept.said
        );
        assert_eq!((kept.spread, kept.unknown), (None, Vec::new()));
        let hot = with(125.0);
        // 24 + (125 - 1.25 - 24) / (129.6 - 24) x 96.
        assert!(
            hot.said[0].contains("can't be promised; it would hold with a final temperature of 11"),
            "{:?}",
            hot.said
        );
        assert!(with(30.0).said[0].ends_with("at any final temperature"));
    }

    #[test]
    fn less_of_the_supply_costs_time_and_how_much_is_said() {
        let with = |most| {
            plan(&model(2.0), &[], 24.0, most, &asked())
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
        let mistakes = plan(&model(2.0), &[], 24.0, 1.0, &asked).expect_err("too fast");
        assert!(
            mistakes.to_string().contains("ramp_celsius_per_s_max"),
            "{mistakes}"
        );
    }
}
