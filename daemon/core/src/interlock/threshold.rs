//! The figures that interlocks act at, as they are shown: which, where each comes from, and how far it can be moved.
//!
//! Each condition says its own beside the constants that it uses, so that what is shown is what counts.

use super::HostLimits;
use crate::limits::{CEILING_MAX, CEILING_MIN, Ceiling, LimitFrom, LimitName};
use crate::units::{CelsiusPerSecond, Millis};

/// The limits that count at a station at one moment, and where each comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct InForce {
    /// The effective ceiling.
    pub ceiling: Ceiling,
    /// How long heat may be on without anybody confirming to be there.
    pub absent_after: (Millis, LimitFrom),
    /// How fast a channel may rise.
    pub rise_max: (CelsiusPerSecond, LimitFrom),
    /// How long its run may heat; `None` without a run.
    pub run_max: Option<(Millis, LimitFrom)>,
    pub(crate) host: HostLimits,
}

/// One figure that an interlock acts at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Threshold {
    /// What it bounds, such as `ceiling` or `confirmed after`.
    pub name: &'static str,
    /// The value in force, in `unit`.
    pub value: f64,
    /// A UCUM code; `1` for a count or a share.
    pub unit: &'static str,
    /// Where it comes from.
    pub from: LimitFrom,
    /// Lowest and highest that a safety role can set; `None`: nobody can.
    pub bounds: Option<[f64; 2]>,
}

impl Threshold {
    /// A figure that nobody moves.
    pub(super) const fn fixed(name: &'static str, value: f64, unit: &'static str) -> Self {
        Self {
            name,
            value,
            unit,
            from: LimitFrom::BuiltIn,
            bounds: None,
        }
    }

    /// A time that nobody moves.
    pub(super) fn time(name: &'static str, value: Millis) -> Self {
        Self::fixed(name, value.seconds(), "s")
    }

    /// The ceiling.
    pub(super) fn ceiling(ceiling: Ceiling) -> Self {
        Self {
            name: "ceiling",
            value: ceiling.celsius.degrees(),
            unit: "Cel",
            from: ceiling.from.into(),
            bounds: Some([CEILING_MIN.degrees(), CEILING_MAX.degrees()]),
        }
    }

    /// A limit of the lab.
    pub(super) fn moved(limit: LimitName, value: f64, from: LimitFrom) -> Self {
        Self {
            name: limit.text(),
            value,
            unit: limit.unit(),
            from,
            bounds: Some(limit.bounds()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::interlock::InterlockName;
    use crate::limits::Limits;
    use crate::units::Celsius;

    /// A limit that can be moved is shown at the interlock that acts on it, once; everything else is built in.
    #[test]
    fn each_limit_is_shown_at_one_interlock() {
        let limits = Limits::new(Celsius::constant(260.0), vec![None]);
        let in_force = InForce {
            ceiling: limits.effective(crate::id::StationId(0), None),
            absent_after: limits.absent_after(None),
            rise_max: limits.rise_max(),
            run_max: Some(limits.run_max(Millis::from_secs(600))),
            host: HostLimits::new(1),
        };
        let movable: Vec<(&str, &str)> = InterlockName::ALL
            .iter()
            .flat_map(|name| {
                name.thresholds(&in_force)
                    .into_iter()
                    .map(|one| (name.text(), one))
            })
            .filter(|(_, one)| one.bounds.is_some())
            .map(|(name, one)| (name, one.name))
            .collect();
        assert_eq!(
            movable,
            [
                ("over-temperature", "ceiling"),
                ("operator-absent", "absent-after"),
                ("rise-too-fast", "rise-max"),
                ("run-too-long", "run-max"),
            ]
        );
        for name in InterlockName::ALL {
            let figures = name.thresholds(&in_force);
            assert_eq!(
                figures.is_empty(),
                *name == InterlockName::Stop,
                "{name}: only a press of stop has no figure"
            );
            for one in figures {
                assert!(one.value.is_finite() && one.value > -1.0, "{name}: {}", one.name);
                assert!(
                    one.bounds.is_some() || one.from == LimitFrom::BuiltIn,
                    "{name}: {}",
                    one.name
                );
            }
        }
    }
}
