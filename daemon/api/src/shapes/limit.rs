//! Limits in force, where each comes from, and where the interlocks stand that act at them.

use benchward_core as core;
use benchward_core::interlock;
use serde::{Deserialize, Serialize};

/// `benchward limit show`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Limits {
    /// [`super::SCHEMA`].
    pub schema: u32,
    /// The lab's ceiling.
    pub ceiling_celsius: f64,
    /// What can be set: lowest, highest.
    pub ceiling_bounds_celsius: [f64; 2],
    /// Limit of operator absence.
    pub absent_after_s: f64,
    /// Limits of the whole lab beside the ceiling.
    #[serde(default)]
    pub limits: Vec<LabLimit>,
    /// Each station's.
    pub stations: Vec<StationLimits>,
}

/// A limit of the whole lab that a safety role moves.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LabLimit {
    /// `absent-after`, `rise-max` or `run-max`.
    pub limit: String,
    /// What counts where no recipe says less; null: what each run's recipe or plan says.
    pub value: Option<f64>,
    /// UCUM code: `s`, `Cel/s`.
    pub unit: String,
    /// `the lab`: a safety role set it; `the configuration`, `built in`, `the recipe`.
    pub from: String,
    /// What can be set: lowest, highest.
    pub bounds: [f64; 2],
}

/// Limits of one station.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StationLimits {
    /// The station.
    pub station: String,
    /// Its own ceiling.
    pub ceiling_celsius: Option<f64>,
    /// What counts now.
    pub effective_celsius: f64,
    /// Who set what counts now.
    pub from: String,
    /// What is less safe here than usual.
    #[serde(default)]
    pub cautions: Vec<String>,
    /// Its interlocks, in the order of the manual.
    #[serde(default)]
    pub interlocks: Vec<InterlockLimits>,
}

/// One interlock of one station.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct InterlockLimits {
    /// Its name.
    pub interlock: String,
    /// `clear`, `warning`, `tripped` or `acknowledged`.
    pub standing: String,
    /// What it says; empty while clear.
    pub text: String,
    /// The figures that it acts at.
    pub thresholds: Vec<Threshold>,
}

/// A figure that an interlock acts at.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Threshold {
    /// What it bounds.
    pub name: String,
    /// The value in force.
    pub value: f64,
    /// UCUM code; `1` for a count or a share.
    pub unit: String,
    /// `built in`, `the configuration`, `the lab`, `the station` or `the recipe`.
    pub from: String,
    /// What a safety role can set: lowest, highest; null: nobody can.
    pub bounds: Option<[f64; 2]>,
}

impl From<&interlock::Threshold> for Threshold {
    fn from(threshold: &interlock::Threshold) -> Self {
        Self {
            name: threshold.name.into(),
            value: super::thousandths(threshold.value),
            unit: threshold.unit.into(),
            from: threshold.from.to_string(),
            bounds: threshold.bounds,
        }
    }
}

impl Limits {
    /// The shape of a lab's limits.
    pub fn new(view: &core::LabView) -> Self {
        let lab = |limit: core::LimitName| {
            let (value, from) = view.limit(limit);
            LabLimit {
                limit: limit.text().into(),
                value,
                unit: limit.unit().into(),
                from: from.to_string(),
                bounds: limit.bounds(),
            }
        };
        Self {
            schema: super::SCHEMA,
            ceiling_celsius: view.ceiling.degrees(),
            ceiling_bounds_celsius: [core::CEILING_MIN.degrees(), core::CEILING_MAX.degrees()],
            absent_after_s: view.limit(core::LimitName::AbsentAfter).0.unwrap_or_default(),
            limits: core::LimitName::ALL.into_iter().map(lab).collect(),
            stations: view
                .stations
                .iter()
                .map(|station| StationLimits {
                    station: station.name.to_string(),
                    ceiling_celsius: station.own_ceiling.map(core::units::Celsius::degrees),
                    effective_celsius: station.ceiling.celsius.degrees(),
                    from: station.ceiling.from.to_string(),
                    cautions: station.cautions.clone(),
                    interlocks: station
                        .interlocks
                        .iter()
                        .map(|interlock| InterlockLimits {
                            interlock: interlock.name.text().into(),
                            standing: interlock.standing.into(),
                            text: interlock.text.clone(),
                            thresholds: interlock
                                .name
                                .thresholds(&station.in_force)
                                .iter()
                                .map(Threshold::from)
                                .collect(),
                        })
                        .collect(),
                })
                .collect(),
        }
    }
}
