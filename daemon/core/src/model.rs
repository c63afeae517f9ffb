//! The board model: the few numbers that say how a board on a station takes and loses heat.
//!
//! A grey box: an energy balance with as few states as explain what a thermocouple shows, and parameters that
//! are found from a run ([`learn`]). It stands for heater, board and sensor together, so that it belongs to one
//! kind of board on one station.
//!
//! ```text
//!   heat u ──> element Th ──E(Th, Tc)──> board Tc ──lag──> reading Tm
//!                  │                       │  ^
//!             surroundings Te <────────────┘  └──> slow part of the board Tp
//! ```
//!
//! The flow out of the element is scaled so that it is 1 at full power in the steady state with everything
//! around it at 100 °C. A share `f` of it is radiation:
//!
//! ```text
//!   E(Th, Tx, f) = f (Th⁴ - Tx⁴) / (Tf⁴ - 373.15⁴) + (1 - f) (Th - Tx) / (Tf - 373.15)        kelvin
//!   lag·s Th' = u - ½ E(Th, Tc, f) - ½ E(Th, Te, ½ f)       s = ∂E/∂Th where E = 0.4 and Tx = 100 °C
//!   Tc' = K E(Th, Tc, f) - a [0.55 (Tc - Te) + 0.45 (Tc⁴ - Te⁴) / (4·350³)] + d + g (Tp - Tc) / tp
//!   Tm' = (Tc - Tm) / tm
//!   Tp' = (Tc - Tp) / tp
//!   w'  = (u - w) / 500 s,   Te = room + beta w
//! ```
//!
//! The second, half as radiant loss of the element lets its efficiency fall with power, as it does on real
//! lamps; without it, a model fitted at 60 % power says wrongly when full power arrives. The radiant part of the
//! board's own loss is linear at 350 K, so that `a` keeps its meaning.
//!
//! Sources of the terms: lumped capacitance, Stefan-Boltzmann exchange with large surroundings (Incropera et al.,
//! *Fundamentals of Heat and Mass Transfer*, from memory); the composition is our own.

pub mod fit;
pub mod follow;
pub mod learn;

use std::sync::Arc;

use nalgebra::SVector;

/// How many parameters there are.
pub const PARAMETERS: usize = 8;

/// Logarithms of the parameters (of `f`: its logit), in the order of [`Parameter::ALL`]. Fits work on these, so that
/// every parameter keeps its sign and a step means a share.
pub type Theta = SVector<f64, PARAMETERS>;

/// The parameters by name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Parameter {
    /// `K`: how fast full power warms the board, °C/s.
    Rise,
    /// `lag`: time constant of the element at 40 % power, s.
    HeaterLag,
    /// `a`: rate at which the board loses its excess over the surroundings, 1/s.
    Loss,
    /// `tm`: lag of the reading behind the board, s.
    SensorLag,
    /// `beta`: how much full power warms the surroundings in the end, °C.
    WarmUp,
    /// `g`: heat capacity of the slow part as a share of the board's.
    SlowShare,
    /// `tp`: time constant of the slow part, s.
    SlowLag,
    /// `f`: share of the element's heat that goes by radiation, 0 to 1.
    Radiant,
}

impl Parameter {
    /// Every parameter, in the order of [`Theta`].
    pub const ALL: [Self; PARAMETERS] = [
        Self::Rise,
        Self::HeaterLag,
        Self::Loss,
        Self::SensorLag,
        Self::WarmUp,
        Self::SlowShare,
        Self::SlowLag,
        Self::Radiant,
    ];

    /// The value in its own unit that `theta` stands for.
    pub fn value(self, theta: f64) -> f64 {
        match self {
            Self::Radiant => 1.0 / (1.0 + (-theta).exp()),
            _ => theta.exp(),
        }
    }

    /// Its place in [`Theta`] for a value in its own unit.
    pub fn to_theta(self, value: f64) -> f64 {
        match self {
            Self::Radiant => (value / (1.0 - value)).ln(),
            _ => value.ln(),
        }
    }
}

/// What is believed of the parameters before or after a run: a normal distribution of [`Theta`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Belief {
    /// The most likely values.
    pub mean: Theta,
    /// Their standard deviations.
    pub sd: Theta,
}

impl Belief {
    /// What may be believed of a board and a bench that nobody has seen: one belief for each way in which benches
    /// are heated. They are too different for one: a lamp shows its whole power within seconds, and what a thick plate
    /// shows in that time would be a heavy board under a lamp.
    pub fn of_unknown_boards() -> Vec<Self> {
        // Element's lag, s, and share of radiation, each with its standard deviation in logarithms.
        let kinds = [
            (3.7, 0.5, 0.92, 0.7),  // quartz lamps
            (13.0, 0.4, 0.85, 0.7), // ceramic radiators
            (42.0, 0.4, 0.2, 0.8),  // hot plates
            (4.0, 0.5, 0.05, 0.8),  // hot air
        ];
        kinds
            .into_iter()
            .map(|(lag, lag_sd, radiant, radiant_sd)| {
                let mean = [1.3, lag, 0.006, 3.5, 12.0, 0.2, 40.0, radiant];
                Self {
                    mean: Theta::from_fn(|at, _| Parameter::ALL[at].to_theta(mean[at])),
                    sd: Theta::from([0.7, lag_sd, 0.5, 0.5, 0.6, 0.5, 0.4, radiant_sd]),
                }
            })
            .collect()
    }
}

impl Belief {
    /// How unlikely parameters are: squared distance from the mean in standard deviations.
    pub(crate) fn cost(&self, theta: &Theta) -> f64 {
        (theta - self.mean).component_div(&self.sd).norm_squared()
    }
}

/// A board model as it is kept: what was learned of one kind of board on one station.
#[derive(Debug, Clone, PartialEq)]
pub struct BoardModel {
    /// The kind of board.
    pub board: Arc<str>,
    /// Its revision.
    pub revision: u32,
    /// Number of the run that it was learned from.
    pub learned_from: u64,
    /// The parameters.
    pub belief: Belief,
    /// Highest control temperature of that run, °C: above it nothing was seen of this board.
    pub hottest: f64,
}

/// Absolute zero below 0 °C.
const KELVIN: f64 = 273.15;
/// What the flow out of the element is scaled at.
const AROUND: f64 = 100.0 + KELVIN;
/// Time constant of the bench's warm-up, seconds.
const WARM_UP_S: f64 = 500.0;
/// Share of the board's loss that is radiation at 350 K.
const RADIANT_LOSS: f64 = 0.45;
/// Lag of a taped bead behind the board under it, seconds (0.3 to 2; common practice, no source). What a reading lags more
/// than that is the way of the heat through the board.
const BEAD_LAG_S: f64 = 1.2;
/// Longest step of the integration, seconds.
pub const STEP_S: f64 = 0.5;

/// Temperatures of the model, °C, and how far the bench has warmed up (0 to 1).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct State {
    /// Element.
    pub element: f64,
    /// Board.
    pub board: f64,
    /// Reading.
    pub reading: f64,
    /// Warm-up of the bench: mean heat of the last minutes.
    pub warm: f64,
    /// Slow part of the board.
    pub slow: f64,
    /// Disturbance: what warms or cools the board beyond the model, °C/s.
    pub disturbance: f64,
}

impl State {
    /// Everything at one temperature, nothing warmed up.
    pub const fn at_rest(celsius: f64) -> Self {
        Self {
            element: celsius,
            board: celsius,
            reading: celsius,
            warm: 0.0,
            slow: celsius,
            disturbance: 0.0,
        }
    }

    /// Lets `dt` seconds of `heat` warm the bench, and nothing else.
    pub(crate) fn warm_up(&mut self, dt: f64, heat: f64) {
        self.warm += (heat - self.warm) * (1.0 - (-dt / WARM_UP_S).exp());
    }
}

/// A model with its constants worked out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Model {
    room: f64,
    pub(crate) rise: f64,
    pub(crate) heater_lag: f64,
    pub(crate) loss: f64,
    pub(crate) sensor_lag: f64,
    /// How much of that lag is the bead's own, 0 to 1.
    bead_share: f64,
    warm_up_celsius: f64,
    slow_share: f64,
    pub(crate) slow_lag: f64,
    /// Factors of the flow to the board: by fourth powers, and linear.
    to_board: Flow,
    /// The same of the loss to the surroundings.
    to_room: Flow,
    /// 1 / (lag s).
    element_rate: f64,
    /// How much less of the element's heat a board takes for each degree above a temperature, see [`Self::fading`].
    fade: (f64, f64),
}

/// A flow between two temperatures: `fourth (a⁴ - b⁴) + linear (a - b)`, kelvin.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Flow {
    fourth: f64,
    linear: f64,
}

impl Flow {
    /// A flow that is 1 between `full` and [`AROUND`], a share `radiant` of it by radiation.
    fn new(radiant: f64, full: f64) -> Self {
        Self {
            fourth: radiant / (fourth(full) - fourth(AROUND)),
            linear: (1.0 - radiant) / (full - AROUND),
        }
    }

    fn between(self, from: f64, to: f64) -> f64 {
        self.fourth * (fourth(from) - fourth(to)) + self.linear * (from - to)
    }

    fn slope(self, at: f64) -> f64 {
        4.0 * self.fourth * at * at * at + self.linear
    }
}

fn fourth(kelvin: f64) -> f64 {
    let square = kelvin * kelvin;
    square * square
}

impl Model {
    /// The model of these parameters in a room of `room` °C.
    pub fn new(theta: &Theta, room: f64) -> Self {
        let value = |at: usize| Parameter::ALL[at].value(theta[at]);
        let radiant = value(7);
        // The more of it is radiation, the hotter an element has to be for its power: from a hot plate at about
        // 320 °C to a lamp's filament, of which the equivalent here is 650 °C.
        let full = KELVIN + 320.0 + 350.0 * radiant.powi(3);
        let to_board = Flow::new(radiant, full);
        let to_room = Flow::new(0.5 * radiant, full);
        // Newton's rule on a convex rising function, from above: it can't overshoot.
        let mut at_40 = full;
        for _ in 0..6 {
            at_40 -= (to_board.between(at_40, AROUND) - 0.4) / to_board.slope(at_40);
        }
        let heater_lag = value(1).clamp(0.5, 200.0);
        let sensor_lag = value(3).clamp(0.2, 8.0);
        Self {
            room,
            rise: value(0),
            heater_lag,
            loss: value(2),
            sensor_lag,
            bead_share: (BEAD_LAG_S / sensor_lag).min(1.0),
            warm_up_celsius: value(4),
            slow_share: value(5),
            slow_lag: value(6).clamp(5.0, 1000.0),
            to_board,
            to_room,
            element_rate: 1.0 / (heater_lag * to_board.slope(at_40)),
            fade: (0.0, 0.0),
        }
    }

    /// The same for boards hotter than `above` °C, where the board takes a share `by` less for each 100 degrees more. What
    /// was learned from a cooler run is a little too good to be true there: the hotter a board is, the more of it is hotter
    /// than where it is measured, and the less it takes.
    pub(crate) fn fading(mut self, above: f64, by: f64) -> Self {
        self.fade = (above, by / 100.0);
        self
    }

    /// What the board takes from the element and what it loses to its surroundings, °C/s.
    pub(crate) fn flows(&self, state: &State) -> (f64, f64) {
        let around = self.around(state);
        let flow = self
            .to_board
            .between(state.element + KELVIN, state.board + KELVIN);
        (self.rise * flow, self.loss_to(state.board, around))
    }

    fn loss_to(&self, board: f64, around: f64) -> f64 {
        self.loss
            * ((1.0 - RADIANT_LOSS) * (board - around)
                + RADIANT_LOSS * (fourth(board + KELVIN) - fourth(around + KELVIN))
                    / (4.0 * 350.0 * 350.0 * 350.0))
    }

    /// How fast element and board warm, °C/s.
    fn rates(&self, state: &State, heat: f64) -> (f64, f64) {
        let around = self.around(state);
        let (element, board, surroundings) = (state.element + KELVIN, state.board + KELVIN, around + KELVIN);
        let flow = self.to_board.between(element, board);
        let wasted = self.to_room.between(element, surroundings);
        let element_rate = self.element_rate * (heat - 0.5 * flow - 0.5 * wasted);
        let loss = self.loss_to(state.board, around);
        let board_rate = self.rise * self.kept(state) * flow - loss
            + state.disturbance
            + self.slow_share * (state.slow - state.board) / self.slow_lag;
        (element_rate, board_rate)
    }

    /// Temperature of the board where it is measured, °C: less far behind the board that takes the heat than the reading is.
    pub(crate) fn site(&self, state: &State) -> f64 {
        state.reading + self.bead_share * (state.board - state.reading)
    }

    /// The surroundings of the board, °C.
    pub(crate) fn around(&self, state: &State) -> f64 {
        self.room + self.warm_up_celsius * state.warm
    }

    /// What is taken for the room, °C.
    pub(crate) const fn room(&self) -> f64 {
        self.room
    }

    /// What is left of the flow on a board that hot.
    fn kept(&self, state: &State) -> f64 {
        let (above, by) = self.fade;
        (1.0 - by * (state.board - above).max(0.0)).max(0.2)
    }

    /// What the board takes from the element now, as a share of the flow at full power.
    pub(crate) fn flow(&self, state: &State) -> f64 {
        self.to_board
            .between(state.element + KELVIN, state.board + KELVIN)
    }

    /// The flow with which the board warms by `rate` °C/s.
    pub(crate) fn flow_for(&self, state: &State, rate: f64) -> f64 {
        let rise = self.rise * self.kept(state);
        let without = self.rates(state, 0.0).1 - rise * self.flow(state);
        (rate - without) / rise
    }

    /// Temperature of the element, °C, that gives the board this flow.
    pub(crate) fn element_for(&self, state: &State, flow: f64) -> f64 {
        let board = state.board + KELVIN;
        // Newton's rule from above on a rising convex function. No flow is asked for that an element at absolute zero
        // couldn't take.
        let mut at = (board + 100.0).max(state.element + KELVIN).max(KELVIN + 600.0);
        for _ in 0..6 {
            at -= (self.to_board.between(at, board) - flow) / self.to_board.slope(at);
            at = at.clamp(100.0, 3_000.0);
        }
        at - KELVIN
    }

    /// What `reading` °C that rises by `drift` °C/s without any heat says of the rest: the element is as warm as that takes.
    /// Zero: everything is at rest.
    pub(crate) fn drifting(&self, reading: f64, drift: f64) -> State {
        let rest = State::at_rest(reading);
        if drift <= 0.0 {
            return rest;
        }
        let state = State {
            board: reading + drift * self.sensor_lag,
            ..rest
        };
        let element = self.element_for(&state, self.flow_for(&state, drift));
        State {
            element: element.max(state.board),
            ..state
        }
    }

    /// Heat that warms the element by `rate` °C/s.
    pub(crate) fn heat_for(&self, state: &State, rate: f64) -> f64 {
        (rate - self.rates(state, 0.0).0) / self.element_rate
    }

    /// Time constant of the element as hot as it is now, seconds.
    pub(crate) fn element_lag(&self, state: &State) -> f64 {
        let at = state.element.max(0.0) + KELVIN;
        1.0 / (self.element_rate * 0.5 * (self.to_board.slope(at) + self.to_room.slope(at)))
    }

    /// Lets `dt` seconds pass in which the board is held where it is, however long: the element gives what the board
    /// loses, the rest settles. Returns the heat that it took at the end.
    pub(crate) fn hold(&self, state: &mut State, dt: f64) -> f64 {
        state.reading = state.board;
        state.slow += (state.board - state.slow) * (1.0 - (-dt / self.slow_lag).exp());
        state.element = self.element_for(state, self.flow_for(state, 0.0));
        let heat = self.heat_for(state, 0.0).clamp(0.0, 1.0);
        state.warm_up(dt, heat);
        heat
    }

    /// How fast the board warms now, °C/s.
    pub fn slope(&self, state: &State, heat: f64) -> f64 {
        self.rates(state, heat).1
    }

    /// Lets `dt` seconds pass with `heat`, 0 to 1.
    pub fn advance(&self, state: &mut State, dt: f64, heat: f64) {
        // A quick element wants shorter steps than the rest: at full power its lag is about half of that at 40 %.
        let longest = STEP_S.min(0.5 * self.heater_lag);
        let steps = (dt / longest).ceil().max(1.0);
        let each = dt / steps;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a small count"
        )]
        for _ in 0..steps as usize {
            self.step(state, each, heat);
        }
    }

    /// Lets `dt` seconds pass without heat, which has no edges that would want short steps: in one step where the
    /// element is slow enough.
    pub(crate) fn coast(&self, state: &mut State, dt: f64) {
        if dt <= 0.5 * self.heater_lag {
            self.step(state, dt, 0.0);
        } else {
            self.advance(state, dt, 0.0);
        }
    }

    /// One step by the midpoint rule.
    pub(crate) fn step(&self, state: &mut State, dt: f64, heat: f64) {
        let (element_rate, board_rate) = self.rates(state, heat);
        let half = 0.5 * dt;
        let middle = State {
            element: state.element + half * element_rate,
            board: state.board + half * board_rate,
            slow: state.slow + half * (state.board - state.slow) / self.slow_lag,
            ..*state
        };
        let (element_rate, board_rate) = self.rates(&middle, heat);
        // Bounds that no bench comes near: what a wild estimate is carried to must stay a number.
        state.element = (state.element + dt * element_rate).clamp(-200.0, 3000.0);
        state.board = (state.board + dt * board_rate).clamp(-200.0, 3000.0);
        state.slow += dt * (middle.board - middle.slow) / self.slow_lag;
        state.warm += dt * (heat - state.warm) / WARM_UP_S;
        // The reading follows the board by an exact first-order lag: steps may be long beside it.
        let keep = (-dt / self.sensor_lag).exp();
        state.reading = middle.board + (state.reading - middle.board) * keep;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_bead_is_behind_its_place_on_the_board_by_its_own_lag_and_no_more() {
        let unknown = Belief::of_unknown_boards()[0].mean;
        let state = State {
            board: 100.0,
            reading: 90.0,
            ..State::at_rest(80.0)
        };
        // In a steady rise what lags by `tm` seconds is `tm` times the rise below: all of 10 °C in 1 s, or in twice a bead's lag.
        for (lag, site) in [(1.0, 100.0), (BEAD_LAG_S, 100.0), (2.0 * BEAD_LAG_S, 95.0)] {
            let mut theta = unknown;
            theta[3] = Parameter::SensorLag.to_theta(lag);
            let found = Model::new(&theta, 25.0).site(&state);
            assert!(
                (found - site).abs() < 1e-9,
                "lag {lag} s: {found} °C instead of {site} °C"
            );
        }
    }

    /// Lamps, radiators, plates and air: the reading goes on as it was seen to, and what brings it there is warmer than the board.
    #[test]
    fn what_drifts_is_warmed_by_its_element() {
        for belief in Belief::of_unknown_boards() {
            let model = Model::new(&belief.mean, 20.0);
            for drift in [0.1, 0.3, 1.0] {
                let start = model.drifting(30.0, drift);
                assert!(start.element > start.board && start.board > 30.0);
                assert!((model.slope(&start, 0.0) - drift).abs() < 1e-6);
                let mut state = start;
                model.advance(&mut state, 0.25, 0.0);
                let rate = (state.reading - 30.0) / 0.25;
                assert!((rate / drift - 1.0).abs() < 0.1, "{drift} °C/s: {rate} °C/s");
            }
            assert_eq!(model.drifting(30.0, 0.0), State::at_rest(30.0));
        }
    }
}
