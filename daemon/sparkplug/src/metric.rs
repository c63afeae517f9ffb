//! What is told of a lab: metrics with value, unit and quality, of the edge node and of its devices.

use crate::payload::{self, DataType, PropertyContent, PropertySet, PropertyValue, Value};

/// Key of the property that says what a value is worth; the only one that the specification names (6.4.9).
pub const QUALITY: &str = "Quality";
/// Key of the property that holds the unit. The specification names none; this one is in common use.
pub const UNIT: &str = "engUnit";

/// What a value is worth, by the specification's numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quality {
    /// It can't be relied on: a sensor has failed, an input can't be read.
    Bad = 0,
    /// It is what was measured.
    Good = 192,
    /// It is old: nothing new has come.
    Stale = 500,
}

/// A value of its type, or none.
#[derive(Debug, Clone, PartialEq)]
pub enum Content {
    /// 32 bits, signed.
    Int32(Option<i32>),
    /// 64 bits, signed.
    Int64(Option<i64>),
    /// 64 bits, floating.
    Double(Option<f64>),
    /// Yes or no.
    Boolean(Option<bool>),
    /// Text.
    String(Option<String>),
}

impl Content {
    /// Its type.
    pub const fn datatype(&self) -> DataType {
        match self {
            Self::Int32(_) => DataType::Int32,
            Self::Int64(_) => DataType::Int64,
            Self::Double(_) => DataType::Double,
            Self::Boolean(_) => DataType::Boolean,
            Self::String(_) => DataType::String,
        }
    }

    /// Its wire form; none where there is no value. Negative numbers go as two's complement, in the field of their width.
    pub fn value(&self) -> Option<Value> {
        match self {
            Self::Int32(value) => value.map(|value| Value::Int(value.cast_unsigned())),
            Self::Int64(value) => value.map(|value| Value::Long(value.cast_unsigned())),
            // What is no number is no value: hosts keep numbers.
            Self::Double(value) => value.filter(|value| value.is_finite()).map(Value::Double),
            Self::Boolean(value) => value.map(Value::Boolean),
            Self::String(value) => value.clone().map(Value::String),
        }
    }
}

/// One thing that is told: something has a value.
#[derive(Debug, Clone, PartialEq)]
pub struct Metric {
    /// Its name; folders are separated by `/`.
    pub name: String,
    /// Its value.
    pub content: Content,
    /// What the value is worth. None: it is no measurement, and says nothing of it.
    pub quality: Option<Quality>,
    /// UCUM code of its unit.
    pub unit: Option<&'static str>,
    /// A number is told again once it is this far from what was told last.
    pub deadband: f64,
    /// And no sooner than after this time, ms. A changed quality doesn't wait.
    pub apart_ms: u64,
}

impl Metric {
    /// One without unit, quality and deadband.
    pub fn new(name: impl Into<String>, content: Content) -> Self {
        Self {
            name: name.into(),
            content,
            quality: None,
            unit: None,
            deadband: 0.0,
            apart_ms: 0,
        }
    }

    /// With a unit.
    #[must_use]
    pub fn unit(self, ucum: &'static str) -> Self {
        Self {
            unit: Some(ucum),
            ..self
        }
    }

    /// With a quality.
    #[must_use]
    pub fn quality(self, quality: Quality) -> Self {
        Self {
            quality: Some(quality),
            ..self
        }
    }

    /// With a deadband.
    #[must_use]
    pub fn deadband(self, deadband: f64) -> Self {
        Self { deadband, ..self }
    }

    /// At least so far apart.
    #[must_use]
    pub fn apart(self, apart_ms: u64) -> Self {
        Self { apart_ms, ..self }
    }

    /// Whether it has to be told again after `told` was, `since_ms` ago.
    pub fn moved(&self, told: &Self, since_ms: u64) -> bool {
        if self.quality != told.quality {
            return true;
        }
        if since_ms < self.apart_ms {
            return false;
        }
        match (&self.content, &told.content) {
            (Content::Double(Some(now)), Content::Double(Some(before))) if self.deadband > 0.0 => {
                (now - before).abs() >= self.deadband
            }
            (now, before) => now.value() != before.value(),
        }
    }

    /// Its wire form in a birth: everything there is to know.
    pub(crate) fn born(&self, at_ms: u64, alias: Option<u64>) -> payload::Metric {
        let mut metric = self.wire(at_ms);
        metric.name = Some(self.name.clone());
        metric.alias = alias;
        metric.datatype = Some(self.content.datatype().number());
        if let Some(unit) = self.unit {
            let properties = metric.properties.get_or_insert_default();
            properties.keys.push(UNIT.into());
            properties.values.push(PropertyValue {
                r#type: Some(DataType::String.number()),
                is_null: None,
                value: Some(PropertyContent::String(unit.into())),
            });
        }
        metric
    }

    /// Its wire form in data. `alias`: in place of name and datatype, for hosts that want it short.
    pub(crate) fn data(&self, at_ms: u64, alias: Option<u64>) -> payload::Metric {
        let mut metric = self.wire(at_ms);
        if alias.is_some() {
            metric.alias = alias;
        } else {
            metric.name = Some(self.name.clone());
            metric.datatype = Some(self.content.datatype().number());
        }
        metric
    }

    /// What births and data share.
    fn wire(&self, at_ms: u64) -> payload::Metric {
        let value = self.content.value();
        payload::Metric {
            timestamp: Some(at_ms),
            is_null: value.is_none().then_some(true),
            value,
            properties: self.quality.map(|quality| PropertySet {
                keys: vec![QUALITY.into()],
                values: vec![PropertyValue {
                    r#type: Some(DataType::Int32.number()),
                    is_null: None,
                    value: Some(PropertyContent::Int(quality as u32)),
                }],
            }),
            ..payload::Metric::default()
        }
    }
}

/// What a lab is like at one moment.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Picture {
    /// Metrics of the edge node itself.
    pub node: Vec<Metric>,
    /// Its devices.
    pub devices: Vec<Device>,
}

/// One device.
#[derive(Debug, Clone, PartialEq)]
pub struct Device {
    /// Its name.
    pub name: String,
    /// Whether it can be reached.
    pub here: bool,
    /// Its metrics.
    pub metrics: Vec<Metric>,
}

/// A metric as it was told last.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Told {
    pub(crate) metric: Metric,
    /// When, ms since 1970.
    pub(crate) at_ms: u64,
}

impl Told {
    pub(crate) fn all(metrics: &[Metric], at_ms: u64) -> Vec<Self> {
        let one = |metric: &Metric| Self {
            metric: metric.clone(),
            at_ms,
        };
        metrics.iter().map(one).collect()
    }
}

/// Whether metrics have the names and types of those that were told, so that their births serve them.
pub(crate) fn same_kind(one: &[Metric], other: &[Told]) -> bool {
    let kind = |metric: &Metric| (metric.content.datatype(), metric.unit);
    one.len() == other.len()
        && one
            .iter()
            .zip(other)
            .all(|(one, Told { metric, .. })| one.name == metric.name && kind(one) == kind(metric))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn negative_numbers_go_into_the_field_of_their_width() {
        assert_eq!(Content::Int32(Some(-2)).value(), Some(Value::Int(0xffff_fffe)));
        assert_eq!(
            Content::Int64(Some(-2)).value(),
            Some(Value::Long(0xffff_ffff_ffff_fffe))
        );
    }

    #[test]
    fn no_value_is_null_and_never_a_number() {
        for content in [
            Content::Double(None),
            Content::Double(Some(f64::NAN)),
            Content::Double(Some(f64::INFINITY)),
            Content::String(None),
        ] {
            let metric = Metric::new("x", content).data(5, None);
            assert_eq!((metric.is_null, metric.value), (Some(true), None));
        }
    }

    #[test]
    fn a_number_is_told_again_past_its_deadband_or_with_another_quality() {
        let at = |celsius, quality| {
            Metric::new("Channel/board-top", Content::Double(celsius))
                .unit("Cel")
                .quality(quality)
                .deadband(0.125)
        };
        let told = at(Some(100.0), Quality::Good);
        assert!(!at(Some(100.0625), Quality::Good).moved(&told, 0));
        assert!(at(Some(100.125), Quality::Good).moved(&told, 0));
        assert!(at(Some(99.875), Quality::Good).moved(&told, 0));
        assert!(at(Some(100.0), Quality::Stale).moved(&told, 0));
        assert!(at(None, Quality::Good).moved(&told, 0));
        let paced = |celsius, quality| at(celsius, quality).apart(1_000);
        assert!(!paced(Some(150.0), Quality::Good).moved(&told, 999));
        assert!(paced(Some(150.0), Quality::Good).moved(&told, 1_000));
        assert!(
            paced(Some(150.0), Quality::Bad).moved(&told, 0),
            "that doesn't wait"
        );
        assert!(
            Metric::new("x", Content::Int32(Some(1))).moved(&Metric::new("x", Content::Int32(Some(2))), 0)
        );
    }

    #[test]
    fn quality_is_an_int32_and_the_unit_a_text() {
        let metric = Metric::new("Channel/board-top", Content::Double(Some(20.0)))
            .unit("Cel")
            .quality(Quality::Stale)
            .born(5, None);
        let properties = metric.properties.expect("it has two");
        assert_eq!(properties.keys, ["Quality", "engUnit"]);
        let is = |at: usize| (properties.values[at].r#type, properties.values[at].value.clone());
        assert_eq!(is(0), (Some(3), Some(PropertyContent::Int(500))));
        assert_eq!(is(1), (Some(12), Some(PropertyContent::String("Cel".into()))));
    }
}
