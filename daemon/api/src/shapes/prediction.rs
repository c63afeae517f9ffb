//! What is foretold of a run, and what was planned.

use benchward_archive as archive;
use benchward_archive::Wall;
use benchward_core::plan::{Figure, Plan};
use benchward_core::predict::{self, Open, When};
use serde::{Deserialize, Serialize};

use super::{SCHEMA, thousandths};

/// A moment that is foretold. All times are null where it is over or where nobody can say; `text` says why then.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Moment {
    /// The likeliest; null in a plan, which has no beginning yet.
    pub at: Option<String>,
    /// Not before.
    pub earliest: Option<String>,
    /// Not after.
    pub latest: Option<String>,
    /// The likeliest, from the beginning of the prediction.
    pub likely_s: Option<f64>,
    /// Not before.
    pub earliest_s: Option<f64>,
    /// Not after.
    pub latest_s: Option<f64>,
    /// Whether it is over.
    pub past: bool,
    /// Why there is no time; empty where there is one or it is over.
    pub text: String,
}

/// What is foretold of a stage.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StagePrediction {
    /// Counted from 1.
    pub stage: u16,
    /// Its target.
    pub target_celsius: f64,
    /// When that is reached.
    pub arrival: Moment,
    /// When its dwell is over.
    pub end: Moment,
    /// What its length depends on most: `dwell`, `ramp limit`, `power` or `thermal mass`.
    pub governs: String,
    /// Share of the heat there is that holds its target.
    pub holding: f64,
}

/// What is foretold of a run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Prediction {
    /// What its seconds count from; null in a plan.
    pub from: Option<String>,
    /// Every stage.
    pub stages: Vec<StagePrediction>,
    /// When the last dwell is over.
    pub heat_ends: Moment,
    /// When the board is safe to handle.
    pub safe: Moment,
    /// Share of the bench's full power that was reckoned with: what others on its supply leave it.
    pub supply_share: f64,
    /// By how much it takes longer for that; null where it has all of it, or where nobody can say.
    pub supply_delay_s: Option<f64>,
    /// Share of runs that the ranges are meant to hold.
    pub range_holds: f64,
}

impl Prediction {
    /// Where a run's record has what was foretold before its start: its key in [`archive::RunRecord::more`].
    pub const KEY: &str = "prediction";

    /// `from`: the wall time that it counts from.
    pub fn new(foretold: &predict::Prediction, from: Option<Wall>) -> Self {
        let targets: Vec<f64> = foretold
            .stages
            .iter()
            .map(|stage| stage.target.degrees())
            .collect();
        let moment = |when: &When| {
            let mut moment = Moment::new(when, from, &targets);
            if foretold.most < 0.999 && !moment.text.is_empty() {
                // It may be the supply and not the bench that is too weak.
                let share = 100.0 * foretold.most;
                moment.text = format!(
                    "{} (reckoned with the {share:.0} % of its power that others on its supply leave it now)",
                    moment.text
                );
            }
            moment
        };
        Self {
            from: from.map(|from| from.to_string()),
            stages: (1..)
                .zip(&foretold.stages)
                .map(|(number, stage)| StagePrediction {
                    stage: number,
                    target_celsius: thousandths(stage.target.degrees()),
                    arrival: moment(&stage.arrival),
                    end: moment(&stage.end),
                    governs: stage.governs.text().into(),
                    holding: thousandths(stage.holding),
                })
                .collect(),
            heat_ends: moment(&foretold.heat_ends()),
            safe: moment(&foretold.safe),
            supply_share: thousandths(foretold.most),
            supply_delay_s: foretold.delay_s.map(thousandths),
            range_holds: predict::RANGE_HOLDS,
        }
    }

    /// The same where a run has gone on since: what has come is over. `stage`: which it is at, counted from 1; `heats` and
    /// `dwells`: whether it does.
    pub(super) fn gone_on(mut self, stage: u16, heats: bool, dwells: bool) -> Self {
        let past = || Moment {
            past: true,
            ..Moment::default()
        };
        for one in &mut self.stages {
            if one.stage < stage || !heats {
                (one.arrival, one.end) = (past(), past());
            } else if one.stage == stage && dwells {
                one.arrival = past();
            }
        }
        if !heats {
            self.heat_ends = past();
        }
        self
    }

    pub(super) fn of(record: &archive::RunRecord) -> Option<Self> {
        Self::deserialize(record.more.get(Self::KEY)?).ok()
    }
}

impl Moment {
    fn new(when: &When, from: Option<Wall>, targets: &[f64]) -> Self {
        match when {
            When::Past => Self {
                past: true,
                ..Self::default()
            },
            When::Open(why) => Self {
                text: words(why, targets),
                ..Self::default()
            },
            When::Expected(expected) => {
                let wall = |seconds: f64| {
                    #[expect(clippy::cast_possible_truncation, reason = "a day of milliseconds fits")]
                    from.map(|from| Wall(from.0 + (seconds * 1_000.0).round() as i64).to_string())
                };
                Self {
                    at: wall(expected.likely_s),
                    earliest: wall(expected.earliest_s),
                    latest: wall(expected.latest_s),
                    likely_s: Some(thousandths(expected.likely_s)),
                    earliest_s: Some(thousandths(expected.earliest_s)),
                    latest_s: Some(thousandths(expected.latest_s)),
                    past: false,
                    text: String::new(),
                }
            }
        }
    }
}

/// Why nobody can say.
fn words(why: &Open, targets: &[f64]) -> String {
    let target = |stage: usize| targets.get(stage).copied().unwrap_or(f64::NAN);
    match *why {
        Open::Unreachable { stage, stays_at } => format!(
            "stage {}: this bench doesn't get the board to {:.0} °C, it stays at about {stays_at:.0} °C; take a lower target or a \
             stronger bench",
            stage + 1,
            target(stage)
        ),
        Open::NearPowerLimit { stage, holding } => format!(
            "stage {}: holding {:.0} °C takes about {:.0} % of the heat there is; so near the bench's limit nobody can say when it \
             is reached",
            stage + 1,
            target(stage),
            holding * 100.0
        ),
        Open::Unknown => "too little is known of this board to say".into(),
        Open::WarmRoom => "the room is about as warm as what counts as safe".into(),
    }
}

/// `benchward board plan`: what is asked for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlanRequest {
    /// The kind of board.
    pub board: String,
    /// The station.
    pub station: String,
    /// What the recipe is called.
    pub recipe: String,
    /// Temperature that the board gets to.
    pub target_celsius: f64,
    /// Fastest rise.
    pub ramp_celsius_per_s_max: Option<f64>,
    /// Time at the target.
    pub dwell_s: f64,
    /// Safe to handle below.
    pub safe_celsius: Option<f64>,
    /// Largest spread at the end of the dwell.
    pub spread_celsius_max: Option<f64>,
    /// Hottest that parts may get: name and °C.
    pub parts: Vec<(String, f64)>,
    /// Temperature of the board before; null: what a cool room has.
    pub start_celsius: Option<f64>,
    /// Share of the bench's full power, above 0 to 1; null: all of it.
    pub supply_share: Option<f64>,
}

/// `benchward board plan`: what came of it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BoardPlan {
    /// [`SCHEMA`].
    pub schema: u32,
    /// The kind of board.
    pub board: String,
    /// The station.
    pub station: String,
    /// Revision of the board model that it rests on.
    pub model_revision: u32,
    /// The recipe's name.
    pub recipe: String,
    /// Its text.
    pub text: String,
    /// What is foretold of it.
    pub prediction: Prediction,
    /// The likeliest curve.
    pub curve: Vec<CurvePoint>,
    /// What the channels do; empty where nobody can say.
    #[serde(default)]
    pub channels: Vec<PlannedChannel>,
    /// Spread between them at the end of the dwell; null: nobody can say.
    #[serde(default)]
    pub spread: Option<PlannedFigure>,
    /// What becomes of what was asked for, a sentence each.
    #[serde(default)]
    pub said: Vec<String>,
    /// What was asked for and can't be told, a sentence each.
    pub unknown: Vec<String>,
    /// The revision under which it was stored; null: it wasn't.
    pub revision: Option<u32>,
}

/// What is foretold of one channel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlannedChannel {
    /// Its name.
    pub channel: String,
    /// The highest that it gets to.
    pub hottest: PlannedFigure,
    /// At the end of the dwell.
    pub at_end: PlannedFigure,
}

/// A temperature, and how far off it may be to either side.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PlannedFigure {
    /// The likeliest.
    pub celsius: f64,
    /// Nine of ten are within it.
    pub margin_celsius: f64,
}

impl From<Figure> for PlannedFigure {
    fn from(figure: Figure) -> Self {
        Self {
            celsius: thousandths(figure.celsius),
            margin_celsius: thousandths(figure.margin),
        }
    }
}

/// A point of a curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CurvePoint {
    /// From the start.
    pub at_s: f64,
    /// Control temperature.
    pub celsius: f64,
    /// Heat, 0 to 1.
    pub heat: f64,
}

impl BoardPlan {
    /// `model_revision`: of the board model at `station`.
    pub fn new(plan: &Plan, station: &str, model_revision: u32) -> Self {
        Self {
            schema: SCHEMA,
            board: plan.recipe.board().into(),
            station: station.into(),
            model_revision,
            recipe: plan.recipe.name.clone(),
            text: plan.text.clone(),
            prediction: Prediction::new(&plan.prediction, None),
            curve: plan
                .curve
                .iter()
                .map(|point| CurvePoint {
                    at_s: thousandths(point.at_s),
                    celsius: thousandths(point.celsius),
                    heat: thousandths(point.heat),
                })
                .collect(),
            channels: plan
                .channels
                .iter()
                .map(|one| PlannedChannel {
                    channel: one.channel.to_string(),
                    hottest: one.hottest.into(),
                    at_end: one.at_end.into(),
                })
                .collect(),
            spread: plan.spread.map(PlannedFigure::from),
            said: plan.said.clone(),
            unknown: plan.unknown.clone(),
            revision: None,
        }
    }
}

#[cfg(test)]
mod tests {
    use benchward_core::predict::{Expected, Governs};
    use benchward_core::units::Celsius;

    use super::*;

    fn foretold() -> predict::Prediction {
        let stage = |arrival, end| predict::StagePrediction {
            target: Celsius::new(180.0).expect("a temperature"),
            arrival,
            end,
            governs: Governs::ThermalMass,
            holding: 0.9,
        };
        let open = When::Open(Open::NearPowerLimit {
            stage: 1,
            holding: 0.9,
        });
        let at = |likely_s: f64| {
            When::Expected(Expected {
                likely_s,
                earliest_s: likely_s - 4.0,
                latest_s: likely_s + 6.0,
            })
        };
        predict::Prediction {
            stages: vec![stage(at(60.0), at(90.0)), stage(open, open)],
            safe: open,
            most: 0.5,
            delay_s: None,
        }
    }

    #[test]
    fn moments_are_wall_time_and_seconds_or_say_why_not() {
        let from: Wall = "2026-11-25T13:46:33.120Z".parse().expect("a time");
        let shape = Prediction::new(&foretold(), Some(from));
        let arrival = &shape.stages[0].arrival;
        assert_eq!(arrival.at.as_deref(), Some("2026-11-25T13:47:33.120Z"));
        assert_eq!(arrival.latest.as_deref(), Some("2026-11-25T13:47:39.120Z"));
        assert_eq!((arrival.earliest_s, arrival.likely_s), (Some(56.0), Some(60.0)));
        let open = &shape.stages[1].arrival;
        assert_eq!((&open.at, open.likely_s, open.past), (&None, None, false));
        assert!(
            open.text.starts_with("stage 2: holding 180 °C takes about 90 %"),
            "{}",
            open.text
        );
        assert!(
            open.text
                .ends_with("(reckoned with the 50 % of its power that others on its supply leave it now)"),
            "{}",
            open.text
        );
        assert_eq!(shape.safe.text, open.text);
        let text = serde_json::to_string(&shape).expect("JSON");
        assert_eq!(serde_json::from_str::<Prediction>(&text).expect("it"), shape);
    }

    #[test]
    fn what_has_come_is_over() {
        let past = |stage, heats, dwells| {
            let shape = Prediction::new(&foretold(), None).gone_on(stage, heats, dwells);
            let moments = shape.stages.iter().flat_map(|one| [&one.arrival, &one.end]);
            let past: Vec<bool> = moments.map(|moment| moment.past).collect();
            (past, shape.heat_ends.past)
        };
        assert_eq!(past(1, true, false), (vec![false; 4], false));
        assert_eq!(past(1, true, true), (vec![true, false, false, false], false));
        assert_eq!(past(2, true, false), (vec![true, true, false, false], false));
        assert_eq!(past(2, false, false), (vec![true; 4], true));
    }
}
