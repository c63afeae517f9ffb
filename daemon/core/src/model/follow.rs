//! How the other channels follow the control temperature: what the spread over a board comes from, and how hot a part gets.
//!
//! ```text
//!   Ti' = (Te + g (Tc - Te) - Ti) / t        Te = room + beta w, of the board model
//! ```
//!
//! `Tc` is the control temperature, `g` the channel's share of its excess over the surroundings in the end, `t` its lag. What
//! `g` leaves apart no dwell brings together: it comes from where on the bench a channel lies. What `t` leaves apart, a dwell does.
//! Both are fitted to the readings of a run, with the control temperature as it was read. First-order lag: lumped
//! capacitance (Incropera et al., *Fundamentals of Heat and Mass Transfer*, from memory); the composition is our own.

use std::sync::Arc;

use nalgebra::{DVector, SVector};

use super::fit::{Nudge, fit};
use super::learn::{Learned, Sample};
use super::{Model, State};
use crate::predict::Point;

/// One channel of a board.
#[derive(Debug, Clone, PartialEq)]
pub struct Follower {
    /// Its name.
    pub channel: Arc<str>,
    /// `g`: its excess over the surroundings as a share of the control temperature's, once all is settled.
    pub share: f64,
    /// `t`: its lag behind the control temperature, s.
    pub lag_s: f64,
    /// Root mean square of what that misses in the run that it was learned from, °C.
    pub rms: f64,
}

/// What the readings of a run make of a channel, one for each of the run's samples; `None` where it had none.
pub type Readings = [Option<f64>];

/// What is believed of a channel before: the logarithms of share and lag with their standard deviations.
const SHARE: (f64, f64) = (0.0, 0.3);
const LAG: (f64, f64) = (2.7, 0.8);
/// What a miss is measured in, °C: the shape is simpler than the board.
const MISS_CELSIUS: f64 = 1.0;
/// Independent readings a second, as for [`super::learn`].
const INDEPENDENT_PER_S: f64 = 0.3;
/// Fewest readings that say something.
const READINGS_MIN: usize = 60;
/// A channel that misses by more than this follows nothing, °C.
const RMS_MAX: f64 = 6.0;
const NUDGE: f64 = 1e-4;
const PATIENCE: usize = 30;

/// What may be wrong with a figure that is foretold, on both sides, °C, besides what is missed in the run that was learned from.
/// More than nine of ten figures stay within it on the tuning set of
/// `tests/control`, where a board is taped down once; another time a bead sits a little elsewhere.
const MARGIN_CELSIUS: f64 = 1.0;

impl Follower {
    /// What the channel reads `dt` seconds after `celsius`, while the control temperature is `control` and the surroundings are `around`.
    fn after(&self, celsius: f64, dt: f64, control: f64, around: f64) -> f64 {
        let towards = around + self.share * (control - around);
        towards + (celsius - towards) * (-dt / self.lag_s).exp()
    }

    /// How far off what is foretold of it may be, to either side, °C.
    pub fn margin(&self) -> f64 {
        MARGIN_CELSIUS + self.rms
    }
}

/// Learns how a channel follows what was steered by. `learned`: the board model of the same samples in a room of `room` °C.
///
/// Returns `None` if too few readings are there or they don't follow.
pub fn follow(
    learned: &Learned,
    room: f64,
    samples: &[Sample],
    channel: &Arc<str>,
    readings: &Readings,
) -> Option<Follower> {
    let around = surroundings(&Model::new(&learned.belief.mean, room), samples);
    let first = readings.iter().copied().flatten().next()?;
    let named = |parameters: &SVector<f64, 2>| Follower {
        channel: channel.clone(),
        share: parameters[0].clamp(-3.0, 3.0).exp(),
        lag_s: parameters[1].clamp(-3.0, 8.0).exp(),
        rms: f64::NAN,
    };
    let misses = |follower: &Follower| {
        let (mut celsius, mut before, mut began) = (first, f64::NAN, false);
        let mut misses = Vec::with_capacity(samples.len());
        for ((sample, read), around) in samples.iter().zip(readings).zip(&around) {
            if began {
                celsius = follower.after(celsius, sample.dt, f64::midpoint(before, sample.celsius), *around);
            }
            if let Some(read) = read {
                began = true;
                misses.push((sample.dt, celsius - read));
            }
            before = sample.celsius;
        }
        misses
    };
    let count = readings.iter().flatten().count();
    if count < READINGS_MIN {
        return None;
    }
    let residuals = |parameters: &SVector<f64, 2>| {
        let read = misses(&named(parameters))
            .into_iter()
            .map(|(dt, miss)| miss * (INDEPENDENT_PER_S * dt).sqrt() / MISS_CELSIUS);
        let believed = [SHARE, LAG]
            .into_iter()
            .zip(parameters.iter())
            .map(|((mean, sd), value)| (value - mean) / sd);
        DVector::from_iterator(count + 2, read.chain(believed))
    };
    let found = fit(
        residuals,
        SVector::from([SHARE.0, LAG.0]),
        Nudge::Fixed(NUDGE),
        PATIENCE,
    )?;
    let follower = named(&found.parameters);
    #[expect(clippy::cast_precision_loss, reason = "counts of readings are far below 2^52")]
    let mean = misses(&follower).iter().map(|(_, miss)| miss * miss).sum::<f64>() / count as f64;
    let rms = mean.sqrt();
    (rms <= RMS_MAX).then_some(Follower { rms, ..follower })
}

/// The surroundings at each sample, °C.
fn surroundings(model: &Model, samples: &[Sample]) -> Vec<f64> {
    let mut state = State::at_rest(model.room());
    samples
        .iter()
        .map(|sample| {
            state.warm_up(sample.dt, sample.heat);
            model.around(&state)
        })
        .collect()
}

/// What a channel does along a foretold curve of the control temperature, °C, a value for each of its points. `model`: of
/// the board, in the room of the curve; the board lies there with the first point's temperature.
pub fn foretell(follower: &Follower, model: &Model, curve: &[Point]) -> Vec<f64> {
    let Some(mut before) = curve.first().copied() else {
        return Vec::new();
    };
    let mut state = State::at_rest(model.room());
    let mut celsius = before.celsius;
    curve
        .iter()
        .map(|point| {
            let dt = point.at_s - before.at_s;
            state.warm_up(dt, before.heat);
            celsius = follower.after(
                celsius,
                dt,
                f64::midpoint(before.celsius, point.celsius),
                model.around(&state),
            );
            before = *point;
            celsius
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::Belief;
    use crate::model::learn::learn;

    /// Half a minute of full heat, two minutes of a third, and none for two: control temperature, and another channel that
    /// follows it by the equation above, in steps of a hundredth of a second.
    fn run(share: f64, lag_s: f64) -> (Vec<Sample>, Vec<Option<f64>>, f64) {
        const ROOM: f64 = 22.0;
        let belief = Belief::of_unknown_boards()[1];
        let model = Model::new(&belief.mean, ROOM);
        let (mut board, mut channel) = (State::at_rest(ROOM), ROOM);
        let (mut samples, mut readings) = (Vec::new(), Vec::new());
        for half in 0..600 {
            let heat = match half {
                0..60 => 1.0,
                60..300 => 0.33,
                _ => 0.0,
            };
            for _ in 0..50 {
                model.advance(&mut board, 0.01, heat);
                let around = model.around(&board);
                channel += 0.01 * (around + share * (board.reading - around) - channel) / lag_s;
            }
            samples.push(Sample {
                dt: if half == 0 { 0.0 } else { 0.5 },
                heat: if half == 0 { 0.0 } else { heat },
                celsius: board.reading,
            });
            readings.push((half % 7 != 3).then_some(channel));
        }
        (samples, readings, ROOM)
    }

    #[test]
    fn share_and_lag_of_a_channel_are_found() {
        for (share, lag_s) in [(0.7, 8.0), (0.9, 30.0), (1.15, 4.0)] {
            let (samples, readings, room) = run(share, lag_s);
            let learned = learn(&samples, room).expect("it was heated and it cooled");
            let found =
                follow(&learned, room, &samples, &"board-edge".into(), &readings).expect("it follows");
            assert!((found.share / share - 1.0).abs() < 0.03, "{share}: {found:?}");
            assert!((found.lag_s / lag_s - 1.0).abs() < 0.15, "{lag_s}: {found:?}");
            assert!(found.rms < 0.5, "{found:?}");
        }
    }

    #[test]
    fn what_does_not_follow_is_no_channel_of_the_board() {
        let (samples, readings, room) = run(0.9, 10.0);
        let learned = learn(&samples, room).expect("it was heated and it cooled");
        let follows = |readings: &Readings| follow(&learned, room, &samples, &"board-edge".into(), readings);
        let falls: Vec<Option<f64>> = samples.iter().map(|one| Some(60.0 - one.celsius)).collect();
        assert_eq!(follows(&falls), None);
        let few: Vec<Option<f64>> = readings.iter().take(40).copied().chain([None; 560]).collect();
        assert_eq!(follows(&few), None);
        assert_eq!(follows(&[None; 600]), None);
    }

    /// A board that is held: what is left is the share, what goes is the lag.
    #[test]
    fn a_dwell_takes_the_lag_and_leaves_the_share() {
        let model = Model::new(&Belief::of_unknown_boards()[1].mean, 22.0);
        let follower = Follower {
            channel: "board-edge".into(),
            share: 0.9,
            lag_s: 20.0,
            rms: 0.4,
        };
        let curve: Vec<Point> = (0..400)
            .map(|at| Point {
                at_s: f64::from(at),
                celsius: (22.0 + 2.0 * f64::from(at)).min(122.0),
                heat: 0.0,
            })
            .collect();
        let foretold = foretell(&follower, &model, &curve);
        assert_eq!(foretold.len(), curve.len());
        // On arrival: a ramp of 2 °C/s is followed by 0.9 of it, 20 s later, so far as 50 s of it settle that.
        let lagging = 22.0 + 0.9 * 2.0 * (50.0 - 20.0 * (1.0 - (-2.5_f64).exp()));
        assert!((foretold[50] - lagging).abs() < 0.5, "{} {lagging}", foretold[50]);
        assert!((foretold[399] - 112.0).abs() < 0.01, "{}", foretold[399]);
        assert!((follower.margin() - 1.4).abs() < 1e-9);
    }
}
