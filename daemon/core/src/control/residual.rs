//! What is seen beside what should be seen: a watch on the model's own forecasts.
//!
//! A model that learns from every reading learns a fault as well. So the watch has a model of its own, which is
//! some time old: the one from before the run, and then the one that the control believed in
//! [`RENEW_S`] to twice that ago, so that what is being looked for can't have shaped it.
//!
//! Every second this model is rolled forward from where its filter knew the board to be 3, 8 and 20 s ago, with the heat
//! that was there and without looking at the readings. A reading that falls short of that has one of two kinds of
//! reason. A draft or a sag of the mains takes heat away, and no more of it than such things can; a bead that comes
//! off shows a fall that no board can do. So there are two limits. Past the first there is *doubt*: heat holds back, the
//! readings are not learned from, and the forecast goes on without them. Past the second, which is the first and all that a
//! strong draft and a sag could have taken since, the bead is *off*.
//!
//! Doubt ends when the readings have been those of a board for some seconds: forecasts from what the filter makes of
//! them meet them again. A draft ends like that. A bead that peels slowly doesn't, and one that is half off raises doubt
//! again with the next heat, so that doubt can't last for ever: after [`DOUBT_S_MAX`] of it in a few minutes it is *off* too.
//!
//! Only boards with a model are watched. One that was made on the way explains what it has seen, and is far off where it has not
//! been: of a new board on a bench that is hot from the last one it forecasts anything. Such runs have their guard.
//!
//! Form: parity relations over several horizons (Gertler, *Fault Detection and Diagnosis in Engineering Systems*, 1998;
//! from memory). The figures are from simulated benches.

use std::collections::VecDeque;

use super::filter::Filter;
use crate::model::{Model, State};

/// Forecasts, in seconds.
const HORIZONS: [f64; 3] = [3.0, 8.0, 20.0];
/// Time between two looks at forecasts, seconds. What is compared is the mean of the readings in between.
const LOOK_S: f64 = 1.0;
/// The first limit, °C: several times a reading's noise, and more with time and with how fast the board is, since
/// the model is simpler than the board.
const SHORT_CELSIUS: f64 = 1.4;
const SHORT_PER_RISE: f64 = 0.1;
/// How much further both limits are for a model that isn't sure of itself.
const SLACK: f64 = 3.0;
/// What a sag of 15 % takes from the heat (its square), and what a draft adds to the loss: half as much convection
/// again as there is loss, and a room that is some degrees cooler.
const SAG: f64 = 0.28;
const DRAFT: f64 = 1.2;
/// Readings are those of a board again if forecasts from what they say meet them within this share of the first
/// limit, for so many seconds.
const WELL: f64 = 0.6;
const WELL_S: f64 = 5.0;
/// Longest doubt, seconds. Drafts of half a minute end within it.
const DOUBT_S_MAX: f64 = 45.0;
/// Doubt that is over begins to be forgotten after this time, seconds: what comes back sooner adds up.
const AGAIN_S: f64 = 20.0;
/// From so far above its target on, °C, a reading doesn't ask for heat, however much it may be wrong.
pub(super) const ABOVE: f64 = 2.0;
/// Age at which what the control believes is taken over, seconds.
const RENEW_S: f64 = 20.0;
/// How fast doubt that is over is forgotten: seconds of it in a second.
const FORGET: f64 = 0.1;

/// Where the board was thought to be, and for how long it got what heat from there.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Step {
    from: State,
    dt: f64,
    heat: f64,
}

/// How far a reading is from its forecast.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Off {
    /// Reading less forecast, °C.
    pub(crate) celsius: f64,
    /// How far it may be below, °C; positive.
    pub(crate) limit: f64,
    /// Length of the forecast, seconds.
    pub(crate) horizon_s: f64,
    /// Whether it is past what doubt allows for.
    pub(crate) detached: bool,
}

/// A forecast that goes on while there is doubt.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Doubting {
    at: State,
    first: f64,
    second: f64,
    horizon_s: f64,
    /// How long there has been doubt, and for how long now the readings have been those of a board, seconds.
    lasts_s: f64,
    well_s: f64,
}

/// Sums over the time since the last look.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
struct Second {
    passed: f64,
    heat: f64,
    readings: f64,
    times: f64,
    count: f64,
}

impl Second {
    fn add(&mut self, dt: f64, heat: f64, celsius: f64) {
        self.passed += dt;
        self.heat += heat * dt;
        self.readings += celsius;
        self.times += self.passed;
        self.count += 1.0;
    }

    /// The mean of its readings, °C.
    fn celsius(&self) -> f64 {
        self.readings / self.count
    }

    /// How long ago that was on the average, seconds.
    fn ago(&self) -> f64 {
        self.passed - self.times / self.count
    }
}

/// A model, its filter, and where it went.
#[derive(Debug, Clone, PartialEq)]
struct Track {
    model: Model,
    filter: Filter,
    /// The filter's way through as many seconds as the longest forecast takes.
    path: VecDeque<Step>,
    /// How much further the limits are.
    slack: f64,
}

impl Track {
    fn new(model: &Model, filter: &Filter, unsure: f64) -> Self {
        Self {
            model: *model,
            filter: filter.clone(),
            path: VecDeque::new(),
            slack: 1.0 + SLACK * unsure,
        }
    }

    fn saw(&mut self, dt: f64, heat: f64, celsius: f64) {
        let from = self.filter.state;
        self.filter.predict_alone(&self.model, dt, heat);
        self.filter.correct(celsius);
        self.path.push_back(Step { from, dt, heat });
        let mut length: f64 = self.path.iter().map(|step| step.dt).sum();
        while let Some(oldest) = self.path.front()
            && length - oldest.dt >= HORIZONS[2] - 1e-6
        {
            length -= oldest.dt;
            self.path.pop_front();
        }
    }
}

/// The watch on one explanation of the readings.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Watch {
    /// What is forecast with, and what will be.
    now: Track,
    next: Option<Track>,
    next_age_s: f64,
    second: Second,
    /// Seconds until it may speak.
    settles_s: f64,
    doubting: Option<Doubting>,
    /// Time of doubt lately, and how long there has been none since, seconds.
    doubted_s: f64,
    calm_s: f64,
    off: Option<Off>,
}

impl Watch {
    /// One that keeps silent for the first `settles_s` seconds, with a model, its filter, and how unsure it is: standard
    /// deviation of the logarithm of how far the board rises.
    pub(super) fn new(model: &Model, filter: &Filter, unsure: f64, settles_s: f64) -> Self {
        Self {
            now: Track::new(model, filter, unsure),
            next: None,
            next_age_s: 0.0,
            second: Second::default(),
            settles_s,
            doubting: None,
            doubted_s: 0.0,
            calm_s: f64::INFINITY,
            off: None,
        }
    }

    /// Whatever was wrong has been mended: forecasts from before count no more.
    pub(super) fn forget(&mut self, settles_s: f64) {
        for track in std::iter::once(&mut self.now).chain(&mut self.next) {
            track.path.clear();
        }
        (self.doubting, self.off) = (None, None);
        (self.doubted_s, self.calm_s, self.settles_s) = (0.0, f64::INFINITY, settles_s);
        self.second = Second::default();
    }

    /// What it has to say now.
    pub(super) fn off(&self) -> Option<Off> {
        self.off
    }

    /// What the control believes in now.
    pub(super) fn believed(&mut self, model: &Model, filter: &Filter, unsure: f64) {
        if self.off.is_some() {
            return;
        }
        match &self.next {
            Some(_) if self.next_age_s < RENEW_S => return,
            Some(next) => self.now = next.clone(),
            None => {}
        }
        self.next = Some(Track::new(model, filter, unsure));
        self.next_age_s = 0.0;
    }

    /// `heat` for `dt` seconds, and `celsius` read at the end of it. `target`: where it is to be, if heat may be on. Far above
    /// it there is no heat that a wrong reading could cause, and a board that cools may do so faster than a model
    /// says that was learned while it was heated: no forecast begins there.
    pub(super) fn saw(&mut self, dt: f64, heat: f64, celsius: f64, target: Option<f64>) {
        for track in std::iter::once(&mut self.now).chain(&mut self.next) {
            track.saw(dt, heat, celsius);
        }
        self.next_age_s += dt;
        self.second.add(dt, heat, celsius);
        if self.second.passed >= LOOK_S - 1e-6 {
            let second = std::mem::take(&mut self.second);
            self.settles_s -= second.passed;
            self.off = None;
            if target.is_none_or(|target| second.celsius() > target + ABOVE) {
                self.doubting = None;
                for track in std::iter::once(&mut self.now).chain(&mut self.next) {
                    track.path.clear();
                }
            } else if self.settles_s <= 0.0 {
                let track = self.now.clone();
                self.look(&track, &second);
            }
        }
    }

    fn look(&mut self, track: &Track, second: &Second) {
        if let Some(off) = sinks(track, second) {
            self.off = Some(off);
            return;
        }
        if let Some(mut doubting) = self.doubting.take() {
            self.doubted_s += second.passed;
            self.calm_s = 0.0;
            let off = doubting.goes_on(track, second);
            let detached = off.detached || self.doubted_s > DOUBT_S_MAX;
            let lasts_s = doubting.lasts_s;
            let mut fresh = forecasts(track, second)
                .filter(|forecast| forecast.horizon_s <= lasts_s + 1e-6)
                .peekable();
            let well = fresh.peek().is_some() && fresh.all(|one| -one.celsius < WELL * one.first);
            doubting.well_s = if well {
                doubting.well_s + second.passed
            } else {
                0.0
            };
            if doubting.well_s < WELL_S || detached {
                self.off = Some(Off { detached, ..off });
                self.doubting = Some(doubting);
            }
            return;
        }
        self.calm_s += second.passed;
        if self.calm_s > AGAIN_S {
            self.doubted_s = (self.doubted_s - FORGET * second.passed).max(0.0);
        }
        let worst = forecasts(track, second)
            .filter(|forecast| -forecast.celsius > forecast.first)
            .max_by(|one, other| (-one.celsius / one.second).total_cmp(&(-other.celsius / other.second)));
        if let Some(worst) = worst {
            self.off = Some(Off::new(
                worst.celsius,
                worst.first,
                worst.second,
                worst.horizon_s,
            ));
            self.doubting = Some(Doubting {
                at: worst.at,
                first: worst.first,
                second: worst.second,
                horizon_s: worst.horizon_s,
                lasts_s: 0.0,
                well_s: 0.0,
            });
        }
    }
}

impl Off {
    fn new(celsius: f64, first: f64, second: f64, horizon_s: f64) -> Self {
        let detached = -celsius > second;
        Self {
            celsius,
            limit: if detached { second } else { first },
            horizon_s,
            detached,
        }
    }
}

impl Doubting {
    /// The forecast goes on through a second, without looking at its readings.
    fn goes_on(&mut self, track: &Track, second: &Second) -> Off {
        let before = self.at.reading;
        let step = Step {
            from: self.at,
            dt: second.passed,
            heat: second.heat / second.passed,
        };
        self.second += track.slack * taken(&track.model, &mut self.at, &step);
        self.horizon_s += second.passed;
        self.lasts_s += second.passed;
        let expected = self.at.reading + (before - self.at.reading) * second.ago() / second.passed;
        Off::new(
            second.celsius() - expected,
            self.first,
            self.second,
            self.horizon_s,
        )
    }
}

/// A forecast beside what came.
#[derive(Debug, Clone, Copy)]
struct Forecast {
    at: State,
    /// Mean reading less forecast of it.
    celsius: f64,
    first: f64,
    second: f64,
    horizon_s: f64,
}

/// Forecasts over each horizon that the path is long enough for.
fn forecasts<'a>(track: &'a Track, second: &'a Second) -> impl Iterator<Item = Forecast> + 'a {
    let Track {
        model, path, slack, ..
    } = track;
    HORIZONS.into_iter().filter_map(move |horizon| {
        let (mut length, mut first) = (0.0, path.len());
        while first > 0 && length < horizon - 1e-6 {
            first -= 1;
            length += path[first].dt;
        }
        if length < horizon - 1e-6 {
            return None;
        }
        let mut at = path[first].from;
        // What is compared with the readings: the forecast at the time that their mean stands for.
        let (mut may, mut left, mut expected) = (0.0, length, at.reading);
        for step in path.iter().skip(first) {
            let before = at.reading;
            may += taken(model, &mut at, step);
            if left > second.ago() {
                let share = ((left - second.ago()) / step.dt).min(1.0);
                expected = before + (at.reading - before) * share;
            }
            left -= step.dt;
        }
        let limit = SHORT_CELSIUS * (1.0 + SHORT_PER_RISE * model.rise * length) * slack;
        Some(Forecast {
            at,
            celsius: second.celsius() - expected,
            first: limit,
            second: limit + slack * may,
            horizon_s: length,
        })
    })
}

/// Whether the filter has come to believe in a disturbance that no draft and no sag make: a reading that stopped following
/// the heat is explained like that sooner or later, and forecasts meet it again.
fn sinks(track: &Track, second: &Second) -> Option<Off> {
    let longest = forecasts(track, second).find(|forecast| forecast.horizon_s >= HORIZONS[2] - 1e-6)?;
    let taken = track.filter.state.disturbance * longest.horizon_s;
    (-taken > longest.second).then(|| Off::new(taken, longest.first, longest.second, longest.horizon_s))
}

/// Rolls the state through a step. Returns how many degrees a sag and a draft could have taken from the board in it.
fn taken(model: &Model, at: &mut State, step: &Step) -> f64 {
    let (gains, loses) = model.flows(at);
    model.advance(at, step.dt, step.heat);
    step.dt * (SAG * gains.max(0.0) + DRAFT * loses.max(0.0))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::control::filter::{Family, Filter};
    use crate::model::Belief;

    /// A board under a lamp, watched by a model that knows it exactly, for `warm_s` seconds at half power; then `reading` says
    /// what is read of the board and of the time since, and `weather` what the world is like. Returns what the watch said,
    /// second by second. As in a run, there is no heat while it says something.
    fn watched(
        warm_s: u32,
        seconds: u32,
        weather: impl Fn(f64) -> Model,
        reading: impl Fn(f64, f64) -> f64,
    ) -> Vec<Option<Off>> {
        const DT: f64 = 0.25;
        let belief = Belief::of_unknown_boards()[0];
        let family = Family::new(&belief.mean, &belief, 24.0);
        let mut world = State::at_rest(24.0);
        let mut filter = Filter::around(State::at_rest(24.0));
        let mut watch = Watch::new(&family.model, &filter, 0.0, 5.0);
        let mut said = Vec::new();
        let mut heat = 0.5;
        for step in 0..4 * (warm_s + seconds) {
            let since = f64::from(step) * DT - f64::from(warm_s);
            if since < 0.0 {
                family.model.advance(&mut world, DT, heat);
            } else {
                weather(since).advance(&mut world, DT, heat);
            }
            let celsius = if since < 0.0 {
                world.reading
            } else {
                reading(world.reading, since)
            };
            filter.predict(&family, DT, heat);
            filter.correct(celsius);
            watch.saw(DT, heat, celsius, Some(200.0));
            watch.believed(&family.model, &filter, 0.0);
            heat = if watch.off().is_some() { 0.0 } else { 0.5 };
            if since < 0.0 {
                assert_eq!(watch.off(), None, "before anything happened");
            } else if step % 4 == 3 {
                said.push(watch.off());
            }
        }
        said
    }

    fn known() -> Model {
        Model::new(&Belief::of_unknown_boards()[0].mean, 24.0)
    }

    /// The same board in a draft: two and a half times the convection, which is about half of its loss.
    fn draft() -> Model {
        let mut theta = Belief::of_unknown_boards()[0].mean;
        theta[2] += (0.55_f64 * 2.5 + 0.45).ln();
        Model::new(&theta, 21.0)
    }

    fn detached_after(said: &[Option<Off>]) -> Option<usize> {
        said.iter()
            .position(|said| said.is_some_and(|off| off.detached))
            .map(|at| at + 1)
    }

    /// A bead that comes off towards air of 30 °C with this time constant.
    fn peels(tau_s: f64) -> impl Fn(f64, f64) -> f64 {
        move |board, since| 30.0 + (board - 30.0) * (-since / tau_s).exp()
    }

    #[test]
    fn a_board_that_does_what_it_should_raises_no_doubt() {
        let said = watched(40, 120, |_| known(), |board, _| board);
        assert!(said.iter().all(Option::is_none), "{said:?}");
    }

    #[test]
    fn a_bead_that_comes_off_is_found_however_slowly() {
        for (tau_s, within) in [(0.5, 3), (2.0, 4), (8.0, 8), (20.0, 50)] {
            let said = watched(40, 90, |_| known(), peels(tau_s));
            let found = detached_after(&said);
            assert!(
                found.is_some_and(|seconds| seconds <= within),
                "peeling over {tau_s} s: {found:?}, {said:?}"
            );
            let doubt = said.iter().position(Option::is_some);
            assert!(doubt.is_some_and(|at| at <= 8), "heat held after {doubt:?} s");
        }
    }

    #[test]
    fn a_draft_of_half_a_minute_raises_doubt_that_ends() {
        let weather = |since: f64| if since < 30.0 { draft() } else { known() };
        let said = watched(400, 120, weather, |board, _| board);
        assert_eq!(detached_after(&said), None, "{said:?}");
        assert!(
            said.iter().any(Option::is_some),
            "no doubt: the draft tests nothing"
        );
        assert!(said[70..].iter().all(Option::is_none), "{said:?}");
    }

    #[test]
    fn a_bead_that_is_half_off_is_found_at_once() {
        let said = watched(40, 60, |_| known(), |board, _| 30.0 + 0.6 * (board - 30.0));
        let found = detached_after(&said);
        assert!(found.is_some_and(|seconds| seconds <= 4), "{found:?}, {said:?}");
    }

    #[test]
    fn a_reading_that_stands_still_is_found() {
        let said = watched(40, 150, |_| known(), |_, _| 45.0);
        assert!(detached_after(&said).is_some(), "{said:?}");
        assert!(
            said.iter().take(8).any(Option::is_some),
            "heat goes on for too long: {said:?}"
        );
    }
}
