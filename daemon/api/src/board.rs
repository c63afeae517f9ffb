//! Board models between the archive, which keeps them in units that people read, and the core, which takes logarithms.
//!
//! What comes back from the archive is checked before it steers heat: every parameter is there once, finite and within
//! what a board and a bench can be.

use std::sync::Arc;

use benchward_archive as archive;
use benchward_core::model::follow::Follower;
use benchward_core::model::learn::{Learned, NothingLearned};
use benchward_core::model::{Belief, BoardModel, PARAMETERS, Parameter, Theta};

/// The word of a parameter in files, in JSON and on screens, and the values that are taken.
///
/// The bounds are wider than any bench (our own judgement, no source): they keep out what a slip or a damaged file
/// makes of a figure, and what a fit makes of a run that tells nothing.
const fn known(parameter: Parameter) -> (&'static str, f64, f64) {
    match parameter {
        Parameter::Rise => ("rise_celsius_per_s", 0.001, 100.0),
        Parameter::HeaterLag => ("heater_lag_s", 0.01, 5_000.0),
        Parameter::Loss => ("loss_per_s", 1e-6, 10.0),
        Parameter::SensorLag => ("sensor_lag_s", 0.001, 1_000.0),
        Parameter::WarmUp => ("warm_up_celsius", 0.01, 2_000.0),
        Parameter::SlowShare => ("slow_share", 1e-4, 300.0),
        Parameter::SlowLag => ("slow_lag_s", 0.01, 50_000.0),
        Parameter::Radiant => ("radiant_share", 1e-5, 0.999_99),
    }
}

/// Smallest standard deviation that is taken, in logarithms: nobody knows a board that well, and a control that
/// believes so doesn't learn any more. `learn` never gives less than 0.12.
const SD_MIN: f64 = 0.05;
/// The largest: a factor of 20, which is no knowledge at all.
const SD_MAX: f64 = 3.0;

/// Up to where a board is taken to be known where its model doesn't say, °C: what a preheat usually reaches.
const HOTTEST_UNKNOWN: f64 = 100.0;

/// The word of a parameter, with its unit: `rise_celsius_per_s`.
pub const fn word(parameter: Parameter) -> &'static str {
    known(parameter).0
}

/// The parameter of a word.
pub fn parameter(word: &str) -> Option<Parameter> {
    Parameter::ALL.into_iter().find(|one| self::word(*one) == word)
}

/// What the run doesn't show of a parameter, and which one would.
pub fn what_would_show(parameter: Parameter) -> String {
    NothingLearned::Unsupported(vec![parameter]).to_string()
}

/// How much a value moves with its place in [`Theta`].
fn slope(parameter: Parameter, theta: f64) -> f64 {
    const NUDGE: f64 = 1e-4;
    (parameter.value(theta + NUDGE) - parameter.value(theta - NUDGE)) / (2.0 * NUDGE)
}

/// The parameters of what was learned, in their own units.
pub fn parameters(learned: &Learned) -> Vec<archive::ParameterRecord> {
    (0..PARAMETERS)
        .map(|at| {
            let one = Parameter::ALL[at];
            let theta = learned.belief.mean[at];
            archive::ParameterRecord {
                name: word(one).into(),
                value: one.value(theta),
                standard_error: slope(one, theta) * learned.belief.sd[at],
                determined: learned.determined.contains(&one),
            }
        })
        .collect()
}

/// The channels as they are kept.
pub fn channels(followers: &[Follower]) -> Vec<archive::FollowerRecord> {
    followers
        .iter()
        .map(|follower| archive::FollowerRecord {
            channel: follower.channel.to_string(),
            share: follower.share,
            lag_s: follower.lag_s,
            rms_celsius: follower.rms,
        })
        .collect()
}

/// The channels as the core takes them, without those whose figures no channel has.
pub fn followers(kept: &archive::BoardModel) -> Vec<Follower> {
    let sound = |one: &&archive::FollowerRecord| {
        (0.01..=100.0).contains(&one.share)
            && (0.01..=10_000.0).contains(&one.lag_s)
            && (0.0..=100.0).contains(&one.rms_celsius)
    };
    kept.record
        .channels
        .iter()
        .filter(sound)
        .map(|one| Follower {
            channel: Arc::from(&*one.channel),
            share: one.share,
            lag_s: one.lag_s,
            rms: one.rms_celsius,
        })
        .collect()
}

/// The model as the core takes it.
///
/// # Errors
/// Which parameter is missing, unknown or out of bounds, with value and bound, in words.
pub fn model(kept: &archive::BoardModel) -> Result<BoardModel, String> {
    let record = &kept.record;
    let place = format!(
        "revision {} of the board model \"{}\" at {}",
        kept.revision, record.board, record.station
    );
    if record.schema != archive::BoardModelRecord::SCHEMA {
        return Err(format!(
            "{place} has schema {}, this version reads {}: learn it again",
            record.schema,
            archive::BoardModelRecord::SCHEMA
        ));
    }
    if let Some(unknown) = record
        .parameters
        .iter()
        .find(|one| parameter(&one.name).is_none())
    {
        return Err(format!(
            "{place} has a parameter `{}` that this version doesn't know: learn it again",
            unknown.name
        ));
    }
    let (mut mean, mut sd) = (Theta::zeros(), Theta::zeros());
    for (at, one) in Parameter::ALL.into_iter().enumerate() {
        let (word, low, high) = known(one);
        let mut found = record.parameters.iter().filter(|kept| kept.name == word);
        let (Some(figure), None) = (found.next(), found.next()) else {
            return Err(format!(
                "{place} doesn't have `{word}` exactly once: learn it again"
            ));
        };
        // Written so that what is no number is out of bounds too.
        if !(figure.value >= low && figure.value <= high) {
            return Err(format!(
                "{place}: `{word}` is {}, outside {low} to {high}: learn it again",
                figure.value
            ));
        }
        mean[at] = one.to_theta(figure.value);
        sd[at] = figure.standard_error / slope(one, mean[at]);
        if !(sd[at] >= SD_MIN && sd[at] <= SD_MAX) {
            return Err(format!(
                "{place}: the standard error of `{word}` is {}, outside {} to {}: learn it again",
                figure.standard_error,
                SD_MIN * slope(one, mean[at]),
                SD_MAX * slope(one, mean[at])
            ));
        }
    }
    Ok(BoardModel {
        board: Arc::from(&*record.board),
        revision: kept.revision,
        learned_from: record.run,
        belief: Belief { mean, sd },
        hottest: record.hottest_celsius.unwrap_or(HOTTEST_UNKNOWN),
    })
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    pub(crate) fn kept() -> archive::BoardModel {
        let belief = Belief::of_unknown_boards()[1];
        let learned = Learned {
            belief,
            rms: 0.4,
            worst: 1.2,
            hottest: 100.0,
            determined: vec![Parameter::Rise, Parameter::HeaterLag],
        };
        archive::BoardModel {
            revision: 3,
            record: archive::BoardModelRecord {
                schema: 1,
                board: "AX-20 backplane".into(),
                station: "bench-1".into(),
                run: 7,
                serial: "AX20-0001".into(),
                by: "proc1".into(),
                room_celsius: 24.0,
                readings: 1_200,
                rms_celsius: learned.rms,
                worst_celsius: learned.worst,
                parameters: parameters(&learned),
                ..archive::BoardModelRecord::default()
            },
        }
    }

    #[test]
    fn what_was_learned_comes_back_as_it_was() {
        let belief = Belief::of_unknown_boards()[1];
        let kept = kept();
        let rise = &kept.record.parameters[0];
        assert_eq!((&*rise.name, rise.determined), ("rise_celsius_per_s", true));
        assert!((rise.value - 1.3).abs() < 1e-9 && (rise.standard_error - 0.91).abs() < 1e-6);
        // 0.85 is a share: its standard error can't be a multiple of it.
        let radiant = &kept.record.parameters[7];
        assert!(
            (radiant.value - 0.85).abs() < 1e-9 && (radiant.standard_error - 0.85 * 0.15 * 0.7).abs() < 1e-6
        );
        let model = model(&kept).expect("it is right");
        assert_eq!(
            (&*model.board, model.revision, model.learned_from),
            ("AX-20 backplane", 3, 7)
        );
        assert!((model.belief.mean - belief.mean).norm() < 1e-9);
        assert!((model.belief.sd - belief.sd).norm() < 1e-6);
    }

    #[test]
    fn what_is_no_board_is_refused_with_place_value_and_bound() {
        let refused = |change: &dyn Fn(&mut archive::BoardModelRecord)| {
            let mut kept = kept();
            change(&mut kept.record);
            model(&kept).expect_err("it is wrong")
        };
        let place = "revision 3 of the board model \"AX-20 backplane\" at bench-1";
        for (said, change) in [
            (
                ": `rise_celsius_per_s` is 1300, outside 0.001 to 100: learn it again",
                &(|record: &mut archive::BoardModelRecord| record.parameters[0].value = 1_300.0)
                    as &dyn Fn(&mut archive::BoardModelRecord),
            ),
            (": `heater_lag_s` is NaN", &|record| {
                record.parameters[1].value = f64::NAN;
            }),
            (": `loss_per_s` is -0.1", &|record| {
                record.parameters[2].value = -0.1;
            }),
            (": `radiant_share` is 1,", &|record| {
                record.parameters[7].value = 1.0;
            }),
            (": the standard error of `slow_lag_s` is 0,", &|record| {
                record.parameters[6].standard_error = 0.0;
            }),
            (": the standard error of `slow_lag_s` is inf", &|record| {
                record.parameters[6].standard_error = f64::INFINITY;
            }),
            (" doesn't have `slow_share` exactly once", &|record| {
                record.parameters.remove(5);
            }),
            (" doesn't have `sensor_lag_s` exactly once", &|record| {
                let again = record.parameters[3].clone();
                record.parameters.push(again);
            }),
            (" has a parameter `mass_g`", &|record| {
                record.parameters[0].name = "mass_g".into();
            }),
            (" has schema 2, this version reads 1", &|record| record.schema = 2),
        ] {
            let text = refused(change);
            assert!(text.starts_with(&format!("{place}{said}")), "{text}");
        }
    }
}
