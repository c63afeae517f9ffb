//! The board model against published physics: with everything but one store of heat switched off by its parameters, what is left has to be
//! Newton's cooling and the first-order step; and with everything on, heat flows from hot to cold. Sources of the
//! files: tests/published/README.md.
//!
//! # Tolerances
//!
//! Steps of the midpoint rule are each wrong by `(h/tau)³ / 6` of what is left to change, so that after a time `t` the share
//! `h² t / 6 tau³` is wrong. The board's loss has a radiant part that no parameter switches off and that is linear at 350 K; the
//! board is therefore tested with differences so small, [`SMALL`] of the published ones, around 350 K, that it
//! bends by `1.5 x difference / 350 K` only.

use benchward_core::model::{Belief, Model, PARAMETERS, Parameter, STEP_S, State, Theta};
use proptest::prelude::*;

/// Where the radiant part of the loss is linear, °C.
const LINEAR_AT: f64 = 350.0 - 273.15;
/// Share of the published differences that the board is tested with.
const SMALL: f64 = 1e-5;
/// Stefan-Boltzmann constant, W/(m²K⁴). Source: CODATA 2018, exact in the SI.
const STEFAN_BOLTZMANN: f64 = 5.670_374_419e-8;

fn number(field: &str) -> f64 {
    field.parse().unwrap_or_else(|error| panic!("{field}: {error}"))
}

fn rows(csv: &'static str) -> impl Iterator<Item = Vec<&'static str>> {
    csv.lines().skip(1).map(|line| line.split(',').collect())
}

/// Parameters with no radiation, no warm-up, no slow part, no rise and no loss, but for `on`.
fn only(on: &[(Parameter, f64)]) -> Theta {
    Theta::from_fn(|at, _| {
        let parameter = Parameter::ALL[at];
        let off = match parameter {
            // Lags that matter to nothing else; times have to stay above zero.
            Parameter::HeaterLag | Parameter::SensorLag | Parameter::SlowLag => 5.0,
            _ => 0.0,
        };
        let value = on
            .iter()
            .find(|(of, _)| *of == parameter)
            .map_or(off, |(_, value)| *value);
        parameter.to_theta(value)
    })
}

/// One published case of a lump that comes to the temperature around it.
struct Cooling {
    case: &'static str,
    tau: f64,
    start: f64,
    around: f64,
    end: f64,
    time: f64,
    last_digit: f64,
}

fn coolings() -> Vec<Cooling> {
    rows(include_str!("published/lumped_cooling.csv"))
        .map(|row| Cooling {
            case: row[0],
            tau: number(row[1]),
            start: number(row[2]),
            around: number(row[3]),
            end: number(row[4]),
            time: number(row[5]),
            last_digit: number(row[6]),
        })
        .collect()
}

impl Cooling {
    /// Lets `excess` of a model fall (or rise) from the start, and compares the time it takes to the end. All differences are
    /// multiplied by `scale`.
    fn check(
        &self,
        what: &str,
        scale: f64,
        model: &Model,
        state: &mut State,
        excess: impl Fn(&State) -> f64,
    ) {
        let target = (self.end - self.around) * scale;
        // Fine steps: what is left of the tolerance is then the printed digit.
        let step = STEP_S.min(self.tau / 50.0);
        let mut steps = 0_u32;
        let mut before = excess(state);
        let time = loop {
            model.advance(state, step, 0.0);
            let now = excess(state);
            if now.abs() <= target.abs() {
                // Between two steps an exponential.
                let share = (before / target).ln() / (before / now).ln();
                break step * (f64::from(steps) + share);
            }
            assert!(steps < 1_000_000, "{}: {what} never gets there", self.case);
            before = now;
            steps += 1;
        };
        let integration = (step / self.tau).powi(2) / 6.0 * self.time;
        let bend = if scale < 1.0 {
            1.5 * (self.start - self.around).abs() * scale / 350.0 * self.tau
        } else {
            0.0
        };
        assert!(
            (time - self.time).abs() <= self.last_digit + integration + bend,
            "{}: {what} takes {time} s, published {} s",
            self.case,
            self.time
        );
    }
}

#[test]
fn a_board_without_heat_cools_by_newtons_law() {
    for case in coolings() {
        let model = Model::new(&only(&[(Parameter::Loss, 1.0 / case.tau)]), LINEAR_AT);
        let mut state = State::at_rest(LINEAR_AT + SMALL * (case.start - case.around));
        case.check("the board", SMALL, &model, &mut state, |state| {
            state.board - LINEAR_AT
        });
    }
}

#[test]
fn an_element_without_radiation_cools_by_newtons_law() {
    let mut checked = 0;
    // The model holds lags to what heaters have, 0.5 to 200 s.
    for case in coolings().into_iter().filter(|case| case.tau <= 200.0) {
        let model = Model::new(&only(&[(Parameter::HeaterLag, case.tau)]), case.around);
        let mut state = State {
            element: case.start,
            ..State::at_rest(case.around)
        };
        case.check("the element", 1.0, &model, &mut state, |state| {
            state.element - case.around
        });
        checked += 1;
    }
    assert_eq!(checked, 2);
}

/// The bead of a thermocouple that is put into hot gas.
#[test]
fn a_reading_follows_as_a_bead_in_gas() {
    let case = coolings()
        .into_iter()
        .find(|case| case.case == "bead")
        .expect("the case");
    let model = Model::new(&only(&[(Parameter::SensorLag, case.tau)]), case.around);
    let mut state = State {
        reading: case.start,
        ..State::at_rest(case.around)
    };
    case.check("the reading", 1.0, &model, &mut state, |state| {
        state.reading - case.around
    });
}

/// Lets every published step act on a model after its dead time, but for time constants beyond `tau_max`.
///
/// `drive`: from the time constant and the whole change, the model, its state before and with the step, and the heat.
/// `share`: how much of the whole change a state has made, 0 to 1. `bend`: what the model bends by at that change. Returns how many
/// points were compared.
fn step_responses(
    tau_max: f64,
    drive: impl Fn(f64, f64) -> (Model, State, State, f64),
    share: impl Fn(&State, f64) -> f64,
    bend: impl Fn(f64) -> f64,
) -> usize {
    let mut checked = 0;
    for row in rows(include_str!("published/fopdt_points.csv")) {
        let [gain, tau, dead, step, time, response] = std::array::from_fn(|at| number(row[at]));
        if tau > tau_max {
            continue;
        }
        let all = gain * step;
        let (model, off, on, heat) = drive(tau, all);
        let mut state = off;
        model.advance(&mut state, dead.min(time), 0.0);
        assert_eq!(state, off, "nothing acts before the dead time is over");
        if time > dead {
            state = on;
            model.advance(&mut state, time - dead, heat);
        }
        let ours = share(&state, all);
        // `(t / tau) exp(-t / tau)` is 1/e at most; a step's error has one step less to decay.
        let integration = (STEP_S / tau).powi(2) / 6.0 * (STEP_S / tau - 1.0).exp();
        let tolerance = integration + 1e-6 / all + bend(all);
        assert!(
            (ours - response / all).abs() <= tolerance,
            "{row:?}: {ours} of the step, published {}, tolerance {tolerance}",
            response / all
        );
        checked += 1;
    }
    checked
}

/// The disturbance is a step of warmth into the board.
#[test]
fn a_board_that_is_warmed_evenly_steps_by_the_first_order() {
    let checked = step_responses(
        f64::INFINITY,
        |tau, all| {
            let off = State::at_rest(LINEAR_AT);
            let on = State {
                disturbance: SMALL * all / tau,
                ..off
            };
            let theta = only(&[(Parameter::Loss, 1.0 / tau)]);
            (Model::new(&theta, LINEAR_AT), off, on, 0.0)
        },
        |state, all| (state.board - LINEAR_AT) / (SMALL * all),
        |all| 1.5 * SMALL * all / 350.0,
    );
    assert_eq!(checked, 20);
}

/// Full power ends at the temperature difference that the flow is scaled by: 320 °C less 100 °C.
#[test]
fn an_element_without_radiation_steps_by_the_first_order() {
    let checked = step_responses(
        200.0,
        |tau, _| {
            let off = State::at_rest(25.0);
            let theta = only(&[(Parameter::HeaterLag, tau)]);
            (Model::new(&theta, 25.0), off, off, 0.8)
        },
        |state, _| (state.element - 25.0) / (0.8 * 220.0),
        |_| 0.0,
    );
    assert_eq!(checked, 15);
}

/// Two flows go by the fourth power: from the board to its surroundings, and from a wholly radiant element to the board.
#[test]
fn radiation_goes_as_stefan_and_boltzmann_say() {
    let mut scale = None;
    for row in rows(include_str!("published/radiation_points.csv")) {
        let [emissivity, surface, around, flux] = std::array::from_fn(|at| number(row[at]));
        let black = flux / emissivity;
        // Last printed digit of the flux.
        let tolerance = 1e-4 / flux;

        let rate = 0.01;
        let model = Model::new(&only(&[(Parameter::Loss, rate)]), around);
        let given = -model.slope(&State::at_rest(surface), 0.0) / rate;
        let radiant = (given - 0.55 * (surface - around)) / 0.45;
        let published = black / (4.0 * STEFAN_BOLTZMANN * 350.0_f64.powi(3));
        assert!(
            (radiant / published - 1.0).abs() < tolerance,
            "board at {surface} °C: {radiant}, published {published}"
        );

        let model = Model::new(
            &only(&[(Parameter::Rise, 1.0), (Parameter::Radiant, 1.0)]),
            around,
        );
        let state = State {
            element: surface,
            ..State::at_rest(around)
        };
        let ratio = model.slope(&state, 0.0) / black;
        let scale = *scale.get_or_insert(ratio);
        assert!(
            (ratio / scale - 1.0).abs() < 2.0 * tolerance.max(1e-6),
            "element at {surface} °C: {ratio} of the published flux, elsewhere {scale}"
        );
    }
    assert!(scale.is_some());
}

/// A board on a bench: one of the four ways of heating, every parameter within two standard deviations of what is believed of
/// it; and the room.
fn boards() -> impl Strategy<Value = (Theta, f64)> {
    let kinds = Belief::of_unknown_boards();
    (
        0..kinds.len(),
        prop::array::uniform8(-2.0..2.0_f64),
        10.0..40.0_f64,
    )
        .prop_map(move |(kind, off, room)| {
            let Belief { mean, sd } = kinds[kind];
            (Theta::from_fn(|at, _| mean[at] + off[at] * sd[at]), room)
        })
}

/// A state of a bench in the middle of something, in no equilibrium.
fn states() -> impl Strategy<Value = State> {
    (
        10.0..500.0_f64,
        10.0..300.0_f64,
        10.0..300.0_f64,
        10.0..300.0_f64,
        0.0..1.0_f64,
    )
        .prop_map(|(element, board, reading, slow, warm)| State {
            element,
            board,
            reading,
            warm,
            slow,
            disturbance: 0.0,
        })
}

const _: () = assert!(PARAMETERS == 8, "`boards` draws eight");

proptest! {
    // A failure prints what it takes to repeat it.
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(256) })]

    #[test]
    fn without_heat_nothing_moves_at_room_temperature((theta, room) in boards(), steps in prop::collection::vec(0.01..20.0_f64, 1..30)) {
        let model = Model::new(&theta, room);
        let mut state = State::at_rest(room);
        for dt in steps {
            model.advance(&mut state, dt, 0.0);
            prop_assert_eq!(state, State::at_rest(room));
        }
    }

    #[test]
    fn without_heat_nothing_gets_hotter_than_the_hottest_part(
        (theta, room) in boards(),
        start in states(),
        steps in prop::collection::vec(0.05..5.0_f64, 1..60),
    ) {
        let model = Model::new(&theta, room);
        // Parameters are logarithms here; the bench's warmth counts as a part.
        let surroundings = room + theta[Parameter::WarmUp as usize].exp() * start.warm;
        let parts = |state: &State| [state.element, state.board, state.reading, state.slow];
        let mut hottest = parts(&start).into_iter().fold(surroundings, f64::max);
        let mut state = start;
        for dt in steps {
            model.advance(&mut state, dt, 0.0);
            for part in parts(&state) {
                prop_assert!(part <= hottest + 1e-9, "{part} °C from {hottest} °C: {state:?}");
            }
            hottest = parts(&state).into_iter().fold(surroundings, f64::max);
        }
    }

    #[test]
    fn more_heat_never_makes_a_board_colder(
        (theta, room) in boards(),
        start in states(),
        holds in prop::collection::vec((0.05..20.0_f64, 0.0..1.0_f64, 0.0..1.0_f64), 1..40),
    ) {
        let model = Model::new(&theta, room);
        let (mut less, mut more) = (start, start);
        for (dt, heat, share) in holds {
            model.advance(&mut less, dt, heat * share);
            model.advance(&mut more, dt, heat);
            prop_assert!(more.board >= less.board - 1e-9, "{more:?}, with less heat {less:?}");
            prop_assert!(more.reading >= less.reading - 1e-9, "{more:?}, with less heat {less:?}");
        }
    }
}
