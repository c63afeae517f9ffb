//! Adaptation: while a run goes on, the belief about the board is fitted to everything that the run has shown.
//!
//! The whole history is simulated open loop and the parameters are moved by Gauss-Newton steps towards the most
//! likely ones, the belief at the start counting as so many readings more. A filter that carries parameters as states
//! would do it in less time, and forgets where it went wrong: this one can think again.
//!
//! A pass over an hour of history takes longer than a decision may. So it is cut up: each decision does
//! [`Adaptation::work`] for so many steps of the model, first the fit, then a filter that runs through the history
//! with the new parameters until it has caught up, and only then are both exchanged for the old ones.

use nalgebra::SMatrix;

use super::filter::{Began, Family, Filter};
use crate::model::{Belief, Model, PARAMETERS, STEP_S, State, Theta};

type Square = SMatrix<f64, PARAMETERS, PARAMETERS>;

/// Most samples that are kept; past it, pairs are merged and samples are twice as long from then on.
const SAMPLES_MAX: usize = 2_048;
/// How far open-loop simulations miss the readings of a board whose parameters are right: noise, °C, and a share of
/// how far the board has warmed, since the model is simpler than the board and drafts come and go.
const MISS_CELSIUS: f64 = 0.2;
const MISS_SHARE: f64 = 0.01;
/// Where the board drifted as the run began, how far the bench that it drifted by is known, in seconds of that drift.
const MISS_DRIFT_S: f64 = 2.0;
/// Independent readings a second of such a simulation: its misses last for seconds.
const INDEPENDENT_PER_S: f64 = 1.0;
/// Longest step of one pass, in logarithms: nearly a factor of two.
const STEP_MAX: f64 = 0.6;
/// Least and greatest damping of a step, as a share of the curvature.
const DAMPING_MIN: f64 = 1e-3;
const DAMPING_MAX: f64 = 1e3;
/// How far parameters may go from what was believed at first, in standard deviations.
const BOUND: f64 = 3.0;
/// Steps of the model that a decision may spend on this, for all hypotheses together.
const WORK: usize = 3_000;

/// Heat and the reading at its end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Sample {
    pub(super) dt: f64,
    pub(super) heat: f64,
    pub(super) celsius: f64,
}

/// The belief at the start, what was seen, and the belief now.
#[derive(Debug, Clone)]
pub(super) struct Adaptation {
    prior: Belief,
    room: f64,
    began: Began,
    pub(super) theta: Theta,
    pub(super) covariance: Square,
    history: Vec<Sample>,
    interval: f64,
    growing: Sample,
    /// How badly the likeliest parameters explain what was seen, prior included.
    pub(super) cost: f64,
    damping: f64,
    job: Job,
}

#[derive(Debug, Clone)]
enum Job {
    /// Goes through the history with the parameters and their neighbours.
    Fit(Box<Fit>),
    /// Goes through the same samples with the parameters that came out, to see whether they are better.
    Check(Box<Check>),
    /// They are: goes through everything with a filter on them.
    Replay(Box<Replay>),
}

#[derive(Debug, Clone)]
struct Fit {
    at: usize,
    family: Family,
    began: Began,
    state: State,
    neighbours: [State; PARAMETERS],
    normal: Square,
    pull: Theta,
    cost: f64,
}

#[derive(Debug, Clone)]
struct Check {
    fit: Fit,
    at: usize,
    theta: Theta,
    covariance: Square,
    model: Model,
    state: State,
    cost: f64,
}

#[derive(Debug, Clone)]
struct Replay {
    at: usize,
    theta: Theta,
    covariance: Square,
    family: Family,
    filter: Filter,
}

/// The new belief and the filter that goes with it.
pub(super) struct Adapted {
    pub(super) family: Family,
    pub(super) filter: Filter,
}

impl Adaptation {
    pub(super) fn new(prior: Belief, began: Began) -> Self {
        let room = began.room();
        Self {
            prior,
            room,
            began,
            theta: prior.mean,
            covariance: Square::from_diagonal(&prior.sd.component_mul(&prior.sd)),
            history: Vec::new(),
            interval: STEP_S,
            growing: Sample {
                dt: 0.0,
                heat: 0.0,
                celsius: began.celsius,
            },
            cost: 0.0,
            damping: DAMPING_MIN,
            job: Job::Fit(Box::new(Fit::new(&prior.mean, &prior, room, began))),
        }
    }

    /// Takes in `heat` for `dt` seconds and the reading at the end of it.
    pub(super) fn saw(&mut self, dt: f64, heat: f64, celsius: f64) {
        let growing = &mut self.growing;
        growing.heat += heat * dt;
        growing.dt += dt;
        growing.celsius = celsius;
        if growing.dt < self.interval - 1e-6 {
            return;
        }
        let sample = Sample {
            heat: growing.heat / growing.dt,
            ..*growing
        };
        *growing = Sample {
            dt: 0.0,
            heat: 0.0,
            celsius,
        };
        self.history.push(sample);
        if self.history.len() >= SAMPLES_MAX {
            self.halve();
        }
    }

    /// Merges pairs of samples; what was being worked on starts anew.
    fn halve(&mut self) {
        self.history = self
            .history
            .chunks(2)
            .map(|pair| {
                let dt: f64 = pair.iter().map(|sample| sample.dt).sum();
                Sample {
                    dt,
                    heat: pair.iter().map(|sample| sample.heat * sample.dt).sum::<f64>() / dt,
                    celsius: pair[pair.len() - 1].celsius,
                }
            })
            .collect();
        self.interval *= 2.0;
        self.job = self.next_fit();
    }

    fn try_step(&self, fit: Fit) -> Job {
        let (theta, covariance) = fit.solve(&self.theta, &self.prior, self.damping);
        let model = Model::new(&theta, self.room);
        Job::Check(Box::new(Check {
            at: 0,
            model,
            state: self.began.state(&model),
            theta,
            covariance,
            cost: 0.0,
            fit,
        }))
    }

    fn next_fit(&self) -> Job {
        Job::Fit(Box::new(Fit::new(
            &self.theta,
            &self.prior,
            self.room,
            self.began,
        )))
    }

    /// Standard deviation of what depends on the parameters like this.
    pub(super) fn doubt(&self, sensitivity: &Theta) -> f64 {
        sensitivity.dot(&(self.covariance * sensitivity)).max(0.0).sqrt()
    }

    /// Does some of the work, as one of `sharing` that share what a decision may spend. Returns the new belief once
    /// there is one.
    pub(super) fn work(&mut self, sharing: usize) -> Option<Adapted> {
        let mut left = WORK / sharing;
        loop {
            match &mut self.job {
                Job::Fit(fit) => {
                    while fit.at < self.history.len() {
                        let sample = self.history[fit.at];
                        let cost = fit.take(&sample);
                        if left < cost {
                            return None;
                        }
                        left -= cost;
                    }
                    if fit.at < 4 {
                        return None;
                    }
                    let fit = fit.as_ref().clone();
                    self.job = self.try_step(fit);
                }
                Job::Check(check) => {
                    while check.at < check.fit.at {
                        let sample = self.history[check.at];
                        check.at += 1;
                        check.model.advance(&mut check.state, sample.dt, sample.heat);
                        check.cost += check.fit.cost_of(&sample, check.state.reading);
                        let cost = steps(sample.dt);
                        if left < cost {
                            return None;
                        }
                        left -= cost;
                    }
                    let before = check.fit.cost + self.prior.cost(&self.theta);
                    let after = check.cost + self.prior.cost(&check.theta);
                    self.cost = before.min(after);
                    if after <= before {
                        self.damping = (self.damping / 5.0).max(DAMPING_MIN);
                        let family = Family::new(&check.theta, &self.prior, self.room);
                        self.job = Job::Replay(Box::new(Replay {
                            at: 0,
                            theta: check.theta,
                            covariance: check.covariance,
                            filter: Filter::beginning(&family, self.began),
                            family,
                        }));
                    } else if self.damping < DAMPING_MAX {
                        self.damping *= 5.0;
                        let fit = check.fit.clone();
                        self.job = self.try_step(fit);
                    } else {
                        // Nothing is better than what is there: look again when more has been seen.
                        self.damping = DAMPING_MIN;
                        self.job = self.next_fit();
                        return None;
                    }
                }
                Job::Replay(replay) => {
                    while replay.at < self.history.len() {
                        let sample = self.history[replay.at];
                        replay.at += 1;
                        replay.filter.predict(&replay.family, sample.dt, sample.heat);
                        replay.filter.correct(sample.celsius);
                        let cost = 15 * steps(sample.dt);
                        if left < cost {
                            return None;
                        }
                        left -= cost;
                    }
                    // What has been seen since the last whole sample.
                    if self.growing.dt > 0.0 {
                        let heat = self.growing.heat / self.growing.dt;
                        replay.filter.predict(&replay.family, self.growing.dt, heat);
                        replay.filter.correct(self.growing.celsius);
                    }
                    self.theta = replay.theta;
                    self.covariance = replay.covariance;
                    let adapted = Adapted {
                        family: replay.family.clone(),
                        filter: replay.filter.clone(),
                    };
                    self.job = self.next_fit();
                    return Some(adapted);
                }
            }
        }
    }
}

/// Steps of the model in that time.
fn steps(dt: f64) -> usize {
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a small count"
    )]
    let steps = (dt / STEP_S).ceil().max(1.0) as usize;
    steps
}

/// Kept to what boards and benches are. Without that, a board that cools on a bench that is hot from the last one is
/// explained by one that follows its surroundings at once and that no heat moves, and gets none.
fn within(theta: &Theta, prior: &Belief) -> Theta {
    Theta::from_fn(|at, _| {
        let room = BOUND * prior.sd[at];
        theta[at].clamp(prior.mean[at] - room, prior.mean[at] + room)
    })
}

impl Fit {
    fn new(theta: &Theta, belief: &Belief, room: f64, began: Began) -> Self {
        let family = Family::new(theta, belief, room);
        Self {
            at: 0,
            began,
            state: began.state(&family.model),
            neighbours: std::array::from_fn(|at| began.state(&family.neighbours[at])),
            family,
            normal: Square::zeros(),
            pull: Theta::zeros(),
            cost: 0.0,
        }
    }

    /// Goes on by one sample. Returns what it cost in steps of the model.
    fn take(&mut self, sample: &Sample) -> usize {
        self.at += 1;
        self.family.model.advance(&mut self.state, sample.dt, sample.heat);
        for (model, state) in self.family.neighbours.iter().zip(&mut self.neighbours) {
            model.advance(state, sample.dt, sample.heat);
        }
        let nominal = self.state.reading;
        let slope = Theta::from_fn(|at, _| (self.neighbours[at].reading - nominal) / self.family.nudges[at]);
        let weight = self.weight(sample);
        let miss = sample.celsius - nominal;
        self.cost += weight * miss * miss;
        self.pull += slope * (weight * miss);
        self.normal += slope * slope.transpose() * weight;
        (PARAMETERS + 1) * steps(sample.dt)
    }

    fn weight(&self, sample: &Sample) -> f64 {
        let warmed = (sample.celsius - self.began.celsius).abs();
        let sd = MISS_CELSIUS + MISS_SHARE * warmed + MISS_DRIFT_S * self.began.drift;
        INDEPENDENT_PER_S * sample.dt / (sd * sd)
    }

    fn cost_of(&self, sample: &Sample, reading: f64) -> f64 {
        let miss = sample.celsius - reading;
        self.weight(sample) * miss * miss
    }

    /// The next parameters and their covariance.
    fn solve(&self, theta: &Theta, prior: &Belief, damping: f64) -> (Theta, Square) {
        let certainty = prior.sd.map(|sd| 1.0 / (sd * sd));
        let normal = self.normal + Square::from_diagonal(&certainty);
        let pull = self.pull + certainty.component_mul(&(prior.mean - theta));
        let damped = normal + Square::from_diagonal(&(normal.diagonal() * damping));
        let unmoved = || (*theta, Square::from_diagonal(&prior.sd.component_mul(&prior.sd)));
        let (Some(cholesky), Some(damped)) = (normal.cholesky(), damped.cholesky()) else {
            return unmoved();
        };
        let mut step = damped.solve(&pull);
        let longest = step.amax();
        if longest > STEP_MAX {
            step *= STEP_MAX / longest;
        }
        let covariance = cholesky.inverse();
        if !(step.sum() + covariance.sum()).is_finite() {
            return unmoved();
        }
        (within(&(theta + step), prior), covariance)
    }
}
