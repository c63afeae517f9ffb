//! Learning: the board model that explains a run best.
//!
//! Every recorded row of the run counts, cool-down included. The model is simulated open loop with the heat that
//! was granted, and its parameters are moved ([`super::fit`]) until the readings are explained best, what was believed
//! before counting as one more observation of each. It is done once for each way in which benches are heated, and the
//! best explanation stays.

use std::fmt;

use nalgebra::DVector;

use super::fit::{Fit, Nudge, fit};
use super::{Belief, Model, PARAMETERS, Parameter, State, Theta};

/// Heat in force from the sample before, and the control temperature at the end of it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Sample {
    /// Seconds since the sample before; 0 for the first.
    pub dt: f64,
    /// Share of full power, 0 to 1.
    pub heat: f64,
    /// °C.
    pub celsius: f64,
}

/// What a run said of its board.
#[derive(Debug, Clone, PartialEq)]
pub struct Learned {
    /// The parameters with their standard errors; never smaller than [`SD_MIN`], since a board is never quite the same
    /// twice.
    pub belief: Belief,
    /// Root mean square of what the model misses, °C.
    pub rms: f64,
    /// The largest miss, °C.
    pub worst: f64,
    /// Highest reading, °C: above it nothing was seen.
    pub hottest: f64,
    /// Which parameters the run determined; the others are as they were believed.
    pub determined: Vec<Parameter>,
}

/// Smallest standard deviation that is kept of a parameter, in logarithms: the same board lies elsewhere next time,
/// the mains and the air differ.
pub const SD_MIN: f64 = 0.12;

/// Why nothing can be learned from a run, and what kind of run would tell.
#[derive(Debug, Clone, PartialEq)]
pub enum NothingLearned {
    /// There are too few readings: so many, of so many.
    Short {
        /// Readings with a control temperature.
        samples: usize,
        /// How many there have to be.
        needed: usize,
    },
    /// The whole run was without heat.
    NoHeat,
    /// The board was hardly warmed, °C.
    NoRise {
        /// Highest reading above the first.
        rise: f64,
    },
    /// These parameters can't be told from this run.
    Unsupported(Vec<Parameter>),
    /// No parameters explain the readings: they miss by that much, °C (root mean square).
    Unexplained {
        /// Root mean square of the best explanation.
        rms: f64,
    },
}

/// Fewest readings, spaced half a second or more.
const SAMPLES_MIN: usize = 60;
/// Smallest rise that tells anything over noise and drafts, °C.
const RISE_MIN: f64 = 10.0;
/// A model that misses by more than this explains nothing, °C.
const RMS_MAX: f64 = 6.0;
/// What a miss is measured in; see `control::adapt`.
const MISS_CELSIUS: f64 = 0.2;
const MISS_SHARE: f64 = 0.01;
/// Independent readings a second: misses of a simulation last for seconds.
const INDEPENDENT_PER_S: f64 = 0.3;
/// A run determines a parameter if its standard error is below this share of what was believed: as much said by the run
/// as by the belief (1/√2).
const DETERMINED: f64 = 0.7;
/// How far a parameter's logarithm is moved for its slope: far enough to rise over the rounding of a simulation.
const NUDGE: f64 = 1e-4;
/// Simulations for each parameter before a fit takes what it has.
const PATIENCE: usize = 30;

impl fmt::Display for NothingLearned {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Short { samples, needed } => write!(
                f,
                "the run has {samples} readings that can be used, at least {needed} are needed: let a run heat for a minute"
            ),
            Self::NoHeat => write!(
                f,
                "no heat was given in the whole run, and it doesn't show {}",
                Parameter::Rise.excitation()
            ),
            Self::NoRise { rise } => write!(
                f,
                "the board rose by {rise:.1} °C, at least {RISE_MIN} °C are needed: learn from a run that reaches a target"
            ),
            Self::Unsupported(parameters) => {
                let missing: Vec<_> = parameters
                    .iter()
                    .map(|parameter| parameter.excitation())
                    .collect();
                write!(f, "the run doesn't show {}", missing.join("; nor "))
            }
            Self::Unexplained { rms } => write!(
                f,
                "no board explains the readings, the best misses by {rms:.1} °C (root mean square), at most {RMS_MAX} °C are allowed: look \
                 for a sensor that came off, or a door that stood open"
            ),
        }
    }
}

impl std::error::Error for NothingLearned {}

impl Parameter {
    /// What it says, and which part of a run shows it.
    pub const fn excitation(self) -> &'static str {
        match self {
            Self::Rise => "how fast full power warms the board: it takes a ramp at more than half heat",
            Self::HeaterLag => {
                "how long the heater goes on warming: it takes a time without heat while the board is hot"
            }
            Self::Loss => "how fast the board cools: keep recording until it is safe to handle",
            Self::SensorLag => "the lag of the sensor: it takes a ramp with several readings a second",
            Self::WarmUp => "how the bench warms up: it takes a run of ten minutes",
            Self::SlowShare | Self::SlowLag => "the slow part of the board: it takes a dwell",
            Self::Radiant => "how the heater radiates: it takes heat at several powers",
        }
    }
}

/// The open-loop simulation of one set of samples, and what was believed of the board before.
struct Explanation<'a> {
    samples: &'a [Sample],
    room: f64,
    prior: &'a Belief,
}

impl Explanation<'_> {
    fn weight(&self, sample: &Sample) -> f64 {
        let sd = MISS_CELSIUS + MISS_SHARE * (sample.celsius - self.samples[0].celsius).abs();
        (INDEPENDENT_PER_S * sample.dt).sqrt() / sd
    }

    /// A factor of a thousand from what was believed is no board; the bound only keeps the powers finite.
    fn bounded(&self, theta: &Theta) -> Theta {
        Theta::from_fn(|at, _| theta[at].clamp(self.prior.mean[at] - 7.0, self.prior.mean[at] + 7.0))
    }

    /// Misses in °C.
    fn misses(&self, theta: &Theta) -> Vec<f64> {
        let model = Model::new(&self.bounded(theta), self.room);
        let mut state = State::at_rest(self.samples[0].celsius);
        self.samples
            .iter()
            .map(|sample| {
                if sample.dt > 0.0 {
                    model.advance(&mut state, sample.dt, sample.heat);
                }
                state.reading - sample.celsius
            })
            .collect()
    }

    /// Misses in their standard deviation, then the parameters' distances from what was believed in theirs.
    fn residuals(&self, theta: &Theta) -> DVector<f64> {
        let misses = self.misses(theta);
        let readings = misses
            .iter()
            .zip(self.samples)
            .map(|(miss, sample)| miss * self.weight(sample));
        let beliefs = (0..PARAMETERS).map(|at| (theta[at] - self.prior.mean[at]) / self.prior.sd[at]);
        DVector::from_iterator(self.samples.len() + PARAMETERS, readings.chain(beliefs))
    }
}

/// The board model that explains `samples` best in a room of `room` °C.
///
/// Takes time in proportion to the length of the run: some hundred simulations of it.
///
/// # Errors
/// If the run says too little of the board, with what would say more.
pub fn learn(samples: &[Sample], room: f64) -> Result<Learned, NothingLearned> {
    if samples.len() < SAMPLES_MIN {
        return Err(NothingLearned::Short {
            samples: samples.len(),
            needed: SAMPLES_MIN,
        });
    }
    if !samples.iter().any(|sample| sample.heat > 0.0) {
        return Err(NothingLearned::NoHeat);
    }
    let rise = samples
        .iter()
        .map(|sample| sample.celsius - samples[0].celsius)
        .fold(0.0, f64::max);
    if rise < RISE_MIN {
        return Err(NothingLearned::NoRise { rise });
    }
    let mut best: Option<(Fit<PARAMETERS>, Belief)> = None;
    for prior in Belief::of_unknown_boards() {
        let explanation = Explanation {
            samples,
            room,
            prior: &prior,
        };
        let found = fit(
            |theta| explanation.residuals(theta),
            prior.mean,
            Nudge::Fixed(NUDGE),
            PATIENCE,
        );
        if let Some(found) = found
            && best
                .as_ref()
                .is_none_or(|(least, _)| found.sum_of_squares < least.sum_of_squares)
        {
            best = Some((found, prior));
        }
    }
    let Some((found, prior)) = best else {
        return Err(NothingLearned::Unexplained { rms: f64::NAN });
    };
    let explanation = Explanation {
        samples,
        room,
        prior: &prior,
    };
    let theta = explanation.bounded(&found.parameters);
    let misses = explanation.misses(&theta);
    #[expect(clippy::cast_precision_loss, reason = "counts of readings are far below 2^52")]
    let rms = (misses.iter().map(|miss| miss * miss).sum::<f64>() / misses.len() as f64).sqrt();
    let worst = misses.iter().fold(0.0_f64, |worst, miss| worst.max(miss.abs()));
    if rms.is_nan() || rms > RMS_MAX {
        return Err(NothingLearned::Unexplained { rms });
    }
    let Some(sd) = found.standard_errors() else {
        return Err(NothingLearned::Unexplained { rms });
    };
    let determined: Vec<_> = Parameter::ALL
        .into_iter()
        .filter(|parameter| sd[*parameter as usize] < DETERMINED * prior.sd[*parameter as usize])
        .collect();
    // The one parameter of which nobody can believe anything that helps: the others are known well enough by the kind of heater.
    if !determined.contains(&Parameter::Rise) {
        return Err(NothingLearned::Unsupported(vec![Parameter::Rise]));
    }
    Ok(Learned {
        belief: Belief {
            mean: theta,
            sd: sd.map(|sd| sd.max(SD_MIN)),
        },
        rms,
        worst,
        hottest: samples[0].celsius + rise,
        determined,
    })
}
