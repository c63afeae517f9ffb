use super::*;
use crate::model::{Belief, Parameter};
use crate::recipe::{Cooldown, Stage};
use crate::units::{Celsius, CelsiusDelta, CelsiusPerSecond, Millis};

/// A board whose course is known in closed form: a quick element without radiation, next to no loss of its own, no slow
/// part, a bench that doesn't warm up, a quick sensor.
///
/// With the element's balance `u = ½ (Th - Tc)/220 + ½ (Th - Te)/220` the board gets `u - (Tc - Te)/440`, so that it
/// follows `Tc' = K u - K/440 (Tc - Te)`: a first-order step towards `Te + 440 u` with the time constant `440/K`.
fn simple() -> [f64; PARAMETERS] {
    [0.44, 0.5, 1e-6, 0.2, 0.01, 1e-4, 40.0, 1e-5]
}

fn model(values: [f64; PARAMETERS], sd: f64) -> BoardModel {
    BoardModel {
        board: "AX-20 backplane".into(),
        revision: 1,
        learned_from: 1,
        hottest: 1_000.0,
        belief: Belief {
            mean: Theta::from_fn(|at, _| Parameter::ALL[at].to_theta(values[at])),
            sd: Theta::repeat(sd),
        },
    }
}

fn recipe(stages: &[(f64, f64, Option<f64>)], safe: f64) -> Recipe {
    let mut recipe = Recipe::parse(
        "test",
        "recipe = \"AX-20 preheat\"\n[[stage]]\ntarget_celsius = 100\ndwell_s = 60\n",
    )
    .expect("it is right");
    recipe.stages = stages
        .iter()
        .map(|(target, dwell, ramp)| Stage {
            target: Celsius::constant(*target),
            ramp_max: ramp.map(|rate| CelsiusPerSecond::new(rate).expect("a rate")),
            dwell: Millis::from_secs_f64(*dwell),
            band: CelsiusDelta::constant(2.0),
        })
        .collect();
    recipe.cooldown = Cooldown {
        safe: Celsius::constant(safe),
        fall_max: None,
    };
    recipe
}

/// Predicted from 20 °C in a room of 20 °C with all the heat.
fn predicted(values: [f64; PARAMETERS], sd: f64, recipe: &Recipe) -> Prediction {
    predict(&Start::at_rest(&model(values, sd), 20.0, 1.0), recipe)
}

fn likely(when: When) -> f64 {
    when.expected()
        .unwrap_or_else(|| panic!("{when:?} is no moment"))
        .likely_s
}

/// Seconds of a first-order step until `rise` of `most` °C.
fn step_s(rise: f64, most: f64, time_constant: f64) -> f64 {
    -time_constant * (1.0 - rise / most).ln()
}

/// That it takes readings and decisions until there is heat at all.
const BEGINS_S: f64 = 1.2;

fn near(found: f64, expected: f64, share: f64) {
    assert!(
        (found / expected - 1.0).abs() <= share,
        "{found} isn't {expected} within {share}"
    );
}

#[test]
fn a_ramp_at_full_heat_is_a_first_order_step() {
    for (target, rise) in [(60.0, 38.0), (120.0, 98.0), (220.0, 198.0)] {
        let prediction = predicted(simple(), 0.01, &recipe(&[(target, 30.0, None)], 45.0));
        let stage = prediction.stages[0];
        near(
            likely(stage.arrival),
            step_s(rise, 440.0, 1_000.0) + BEGINS_S,
            0.01,
        );
        near(likely(stage.end) - likely(stage.arrival), 30.0, 1e-6);
        assert_eq!(prediction.heat_ends(), stage.end);
    }
}

#[test]
fn less_heat_by_a_supply_is_a_lower_step() {
    let start = Start::at_rest(&model(simple(), 0.01), 20.0, 0.5);
    let prediction = predict(&start, &recipe(&[(120.0, 30.0, None)], 45.0));
    near(
        likely(prediction.stages[0].arrival),
        step_s(98.0, 220.0, 1_000.0) + BEGINS_S,
        0.01,
    );
    assert!((prediction.most - 0.5).abs() < 1e-12);
}

#[test]
fn a_ramp_limit_is_a_straight_line() {
    let prediction = predicted(simple(), 0.01, &recipe(&[(120.0, 30.0, Some(0.2))], 45.0));
    let stage = prediction.stages[0];
    // The element is asked to follow within two seconds.
    near(likely(stage.arrival), 98.0 / 0.2 + BEGINS_S + 4.0, 0.005);
    assert_eq!(stage.governs, Governs::RampLimit);
}

#[test]
fn stages_follow_each_other() {
    let two = predicted(
        simple(),
        0.01,
        &recipe(&[(70.0, 40.0, None), (120.0, 600.0, None)], 45.0),
    );
    let begins = likely(two.stages[0].end);
    // From 70 °C, 50 above the room, to 118 °C.
    let way = step_s(98.0, 440.0, 1_000.0) - step_s(50.0, 440.0, 1_000.0);
    near(likely(two.stages[1].arrival) - begins, way + BEGINS_S, 0.02);
    assert_eq!(two.stages[1].governs, Governs::Dwell);
    // 100 °C above the room of 440: that share of the heat holds it.
    near(two.stages[1].holding, 100.0 / 440.0, 0.01);
}

#[test]
fn lumped_cooling_takes_its_logarithm() {
    // Around 350 K the loss is linear in the excess with the rate `loss`, and the element gives nothing.
    let mut values = simple();
    (values[0], values[2]) = (0.001, 0.002);
    let mut start = Start::at_rest(&model(values, 0.01), 84.85, 1.0);
    (start.room, start.room_sd) = (68.85, 0.1);
    start.place = Place::Cooling;
    let prediction = predict(&start, &recipe(&[(100.0, 30.0, None)], 76.85));
    // 2 s below it are asked for.
    near(
        likely(prediction.safe),
        2.0_f64.ln() / 0.002 + 2.0 + BEGINS_S,
        0.01,
    );
    assert_eq!(prediction.stages[0].end, When::Past);
}

#[test]
fn a_room_as_warm_as_safe_leaves_it_open() {
    let mut start = Start::at_rest(&model(simple(), 0.01), 84.85, 1.0);
    start.room = 46.0;
    start.place = Place::Cooling;
    let prediction = predict(&start, &recipe(&[(100.0, 30.0, None)], 45.0));
    assert_eq!(prediction.safe, When::Open(Open::WarmRoom));
}

#[test]
fn what_the_bench_cannot_reach_is_said_and_nothing_after_it_is_promised() {
    let prediction = predicted(
        simple(),
        0.01,
        &recipe(
            &[(100.0, 30.0, None), (480.0, 30.0, None), (500.0, 30.0, None)],
            45.0,
        ),
    );
    assert!(prediction.stages[0].end.expected().is_some());
    let When::Open(Open::Unreachable { stage: 1, stays_at }) = prediction.stages[1].arrival else {
        panic!("{:?}", prediction.stages[1]);
    };
    assert!((440.0..460.5).contains(&stays_at), "{stays_at}");
    assert_eq!(prediction.stages[2].arrival, prediction.stages[1].arrival);
    assert_eq!(prediction.safe, prediction.stages[1].end);
}

#[test]
fn near_the_power_limit_there_is_no_point_estimate() {
    // 400 of 440 °C.
    let prediction = predicted(simple(), 0.01, &recipe(&[(420.0, 30.0, None)], 45.0));
    let When::Open(Open::NearPowerLimit { stage: 0, holding }) = prediction.stages[0].arrival else {
        panic!("{:?}", prediction.stages[0]);
    };
    near(holding, 400.0 / 440.0, 0.01);
}

#[test]
fn the_range_is_as_wide_as_the_parameter_makes_it() {
    let recipe = recipe(&[(120.0, 30.0, None)], 45.0);
    let range = |start: &Start| {
        let expected = predict(start, &recipe).stages[0]
            .arrival
            .expected()
            .expect("it is reached");
        (
            (expected.likely_s / expected.earliest_s).ln(),
            (expected.latest_s / expected.likely_s).ln(),
        )
    };
    let mut start = Start::at_rest(&model(simple(), 0.0), 20.0, 1.0);
    let floor = range(&start);
    // All times go with 1/K, which is the only thing that is uncertain here.
    start.directions[0][0] = 0.1;
    let (earlier, later) = range(&start);
    for (side, floor) in [(earlier, floor.0), (later, floor.1)] {
        near(side, (floor * floor + (1.645_f64 * 0.1).powi(2)).sqrt(), 0.02);
    }
    assert!(floor.0 > 0.03 && floor.1 < 0.06, "{floor:?}");
    // A board that nobody has seen is less certain by this, whatever its parameters.
    start.directions[0][0] = 0.0;
    start.unseen = UNSEEN_SD;
    let (earlier, later) = range(&start);
    for (side, floor) in [(earlier, floor.0), (later, floor.1)] {
        near(side, (floor * floor + (1.645 * UNSEEN_SD).powi(2)).sqrt(), 0.02);
    }
}

#[test]
fn where_too_little_is_known_nothing_is_promised() {
    let prediction = predicted(simple(), 1.0, &recipe(&[(120.0, 30.0, None)], 45.0));
    assert_eq!(prediction.stages[0].arrival, When::Open(Open::Unknown));
    assert_eq!(prediction.safe, When::Open(Open::Unknown));
}

#[test]
fn a_day_of_dwell_costs_no_more_than_an_hour() {
    let steps = |dwell_s: f64| {
        let recipe = recipe(&[(100.0, dwell_s, None)], 45.0);
        let start = Start::at_rest(&model(simple(), 0.01), 20.0, 1.0);
        let mut forecast = Forecast::new(start, &recipe);
        let mut pieces = 0_usize;
        let prediction = loop {
            pieces += 1;
            if let Some(prediction) = forecast.work(&recipe, 100) {
                break prediction;
            }
        };
        let stage = prediction.stages[0];
        near(likely(stage.end) - likely(stage.arrival), dwell_s, 1e-6);
        pieces
    };
    let (hour, day) = (steps(3_600.0), steps(86_400.0));
    assert!(day.abs_diff(hour) <= 25, "{hour} and {day} pieces");
}

#[test]
fn in_the_middle_of_a_dwell_the_rest_of_it_is_left() {
    let recipe = recipe(&[(100.0, 30.0, None), (120.0, 60.0, None)], 45.0);
    let mut start = Start::at_rest(&model(simple(), 0.01), 20.0, 1.0);
    start.state = State::at_rest(120.0);
    start.place = Place::Dwell(1, 45.0);
    start.fresh = false;
    let prediction = predict(&start, &recipe);
    assert_eq!(prediction.stages[0].end, When::Past);
    assert_eq!(prediction.stages[1].arrival, When::Past);
    near(likely(prediction.stages[1].end), 15.0, 1e-6);
}

#[test]
fn the_curve_goes_through_what_is_predicted() {
    let recipe = recipe(&[(120.0, 30.0, None)], 45.0);
    let start = Start::at_rest(&model(simple(), 0.01), 20.0, 1.0);
    let curve = curve(&start, &recipe, 1.0);
    let prediction = predict(&start, &recipe);
    let first = curve
        .iter()
        .find(|point| point.celsius >= 118.0)
        .expect("it gets there");
    assert!((first.at_s - likely(prediction.stages[0].arrival)).abs() < 2.0);
    let last = curve.last().expect("there are points");
    assert!((last.at_s - likely(prediction.safe)).abs() < 8.0 && last.celsius < 46.0);
    assert!(curve.windows(2).all(|two| two[1].at_s - two[0].at_s >= 1.0));
}
