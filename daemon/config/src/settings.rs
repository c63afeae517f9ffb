//! A driver's settings, from TOML to the JSON that goes to the driver.

use benchward_core::mistake::Collector;
use serde_json::{Map, Value};
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Most that settings take as JSON, bytes. They travel on one line of the driver protocol, which has 64 KiB
/// and some words around them.
const JSON_BYTES_MAX: usize = 60 * 1024;

/// The settings as a JSON object; mistakes are noted and leave a `null` behind.
///
/// A date or time becomes text. What JSON doesn't have (`nan`, `inf`, whole numbers beyond 64 bits) is a mistake.
pub(crate) fn json(
    collector: &mut Collector<'_>,
    table: &DeTable<'_>,
    span: std::ops::Range<usize>,
) -> Value {
    let settings = object(collector, table);
    let bytes = settings.to_string().len();
    if bytes > JSON_BYTES_MAX {
        collector.add(
            span,
            format!("the settings take {bytes} bytes as JSON, above the limit of {JSON_BYTES_MAX}"),
            "put the bulk into a file and its path into the settings",
        );
    }
    settings
}

fn object(collector: &mut Collector<'_>, table: &DeTable<'_>) -> Value {
    let entries = table
        .iter()
        .map(|(key, value)| (key.get_ref().to_string(), converted(collector, value)));
    Value::Object(entries.collect::<Map<_, _>>())
}

fn converted(collector: &mut Collector<'_>, value: &Spanned<DeValue<'_>>) -> Value {
    match value.get_ref() {
        DeValue::String(text) => Value::from(text.as_ref()),
        DeValue::Boolean(flag) => Value::from(*flag),
        DeValue::Datetime(moment) => Value::from(moment.to_string()),
        DeValue::Array(array) => array.iter().map(|value| converted(collector, value)).collect(),
        DeValue::Table(table) => object(collector, table),
        DeValue::Integer(integer) => match i64::from_str_radix(integer.as_str(), integer.radix()) {
            Ok(number) => Value::from(number),
            Err(_) => unfit(collector, value, "doesn't fit into 64 bits"),
        },
        DeValue::Float(float) => {
            let number = float.as_str().parse().ok().and_then(serde_json::Number::from_f64);
            number.map_or_else(
                || unfit(collector, value, "is not a finite number, and JSON has no other"),
                Value::from,
            )
        }
    }
}

fn unfit(collector: &mut Collector<'_>, value: &Spanned<DeValue<'_>>, why: &str) -> Value {
    let written = collector.quoted(&value.span());
    collector.add(
        value.span(),
        format!("{written} {why}"),
        "write a number the driver can take, or text in quotes",
    );
    Value::Null
}
