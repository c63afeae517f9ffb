//! Payloads as bytes: what is written comes back, what is damaged is refused, and known bytes mean what the specification says.

use benchward_sparkplug::payload::{
    Cell, DataSet, DataSetValue, INBOUND_BYTES_MAX, MetaData, Metric, Parameter, ParameterContent, Payload,
    PropertyContent, PropertySet, PropertySetList, PropertyValue, Row, Template, Value,
};
use benchward_sparkplug::{EdgeNode, Input, Settings};
use proptest::collection::vec;
use proptest::option::of;
use proptest::prelude::*;

fn text() -> impl Strategy<Value = String> {
    "\\PC{0,12}"
}

/// Every number but NaN, which equals nothing.
fn double() -> impl Strategy<Value = f64> {
    prop::num::f64::ANY.prop_filter("equal to itself", |value| !value.is_nan())
}

fn float() -> impl Strategy<Value = f32> {
    prop::num::f32::ANY.prop_filter("equal to itself", |value| !value.is_nan())
}

fn properties() -> impl Strategy<Value = PropertySet> {
    let leaf = prop_oneof![
        any::<u32>().prop_map(PropertyContent::Int),
        any::<u64>().prop_map(PropertyContent::Long),
        float().prop_map(PropertyContent::Float),
        double().prop_map(PropertyContent::Double),
        any::<bool>().prop_map(PropertyContent::Boolean),
        text().prop_map(PropertyContent::String),
    ];
    let set = |content: BoxedStrategy<PropertyContent>| {
        let value =
            (of(any::<u32>()), of(any::<bool>()), of(content)).prop_map(|(of_type, is_null, value)| {
                PropertyValue {
                    r#type: of_type,
                    is_null,
                    value,
                }
            });
        vec((text(), value), 0..3).prop_map(|pairs| {
            let (keys, values) = pairs.into_iter().unzip();
            PropertySet { keys, values }
        })
    };
    let inner = set(leaf.clone().boxed()).boxed();
    let outer = prop_oneof![
        leaf,
        inner.clone().prop_map(PropertyContent::PropertySet),
        vec(inner, 0..2)
            .prop_map(|propertyset| PropertyContent::PropertySetList(PropertySetList { propertyset })),
    ];
    set(outer.boxed())
}

fn data_set() -> impl Strategy<Value = DataSet> {
    let cell = prop_oneof![
        any::<u32>().prop_map(Cell::Int),
        any::<u64>().prop_map(Cell::Long),
        float().prop_map(Cell::Float),
        double().prop_map(Cell::Double),
        any::<bool>().prop_map(Cell::Boolean),
        text().prop_map(Cell::String),
    ];
    let row =
        vec(of(cell).prop_map(|value| DataSetValue { value }), 0..3).prop_map(|elements| Row { elements });
    (
        of(any::<u64>()),
        vec(text(), 0..3),
        vec(any::<u32>(), 0..3),
        vec(row, 0..3),
    )
        .prop_map(|(num_of_columns, columns, types, rows)| DataSet {
            num_of_columns,
            columns,
            types,
            rows,
        })
}

fn metadata() -> impl Strategy<Value = MetaData> {
    (
        of(any::<bool>()),
        of(text()),
        of(any::<u64>()),
        of(any::<u64>()),
        of(text()),
    )
        .prop_map(|(is_multi_part, content_type, size, seq, description)| MetaData {
            is_multi_part,
            content_type,
            size,
            seq,
            description,
            ..MetaData::default()
        })
}

fn metric() -> impl Strategy<Value = Metric> {
    let simple = prop_oneof![
        any::<u32>().prop_map(Value::Int),
        any::<u64>().prop_map(Value::Long),
        float().prop_map(Value::Float),
        double().prop_map(Value::Double),
        any::<bool>().prop_map(Value::Boolean),
        text().prop_map(Value::String),
        vec(any::<u8>(), 0..20).prop_map(Value::Bytes),
        data_set().prop_map(Value::DataSet),
    ];
    let with = |value: BoxedStrategy<Value>| {
        (
            (of(text()), of(any::<u64>()), of(any::<u64>()), of(any::<u32>())),
            (of(any::<bool>()), of(any::<bool>()), of(any::<bool>())),
            of(metadata()),
            of(properties()),
            of(value),
        )
            .prop_map(
                |((name, alias, timestamp, datatype), flags, metadata, properties, value)| Metric {
                    name,
                    alias,
                    timestamp,
                    datatype,
                    is_historical: flags.0,
                    is_transient: flags.1,
                    is_null: flags.2,
                    metadata,
                    properties,
                    value,
                },
            )
    };
    let parameter =
        (of(text()), of(any::<u32>()), of(double())).prop_map(|(name, of_type, value)| Parameter {
            name,
            r#type: of_type,
            value: value.map(ParameterContent::Double),
        });
    let template = (
        of(text()),
        vec(with(simple.clone().boxed()), 0..2),
        vec(parameter, 0..2),
    )
        .prop_map(|(version, metrics, parameters)| {
            Value::Template(Template {
                version,
                metrics,
                parameters,
                ..Template::default()
            })
        });
    with(prop_oneof![8 => simple, 1 => template].boxed())
}

fn payload() -> impl Strategy<Value = Payload> {
    (
        of(any::<u64>()),
        vec(metric(), 0..4),
        of(any::<u64>()),
        of(text()),
        of(vec(any::<u8>(), 0..20)),
    )
        .prop_map(|(timestamp, metrics, seq, uuid, body)| Payload {
            timestamp,
            metrics,
            seq,
            uuid,
            body,
        })
}

proptest! {
    #[test]
    fn what_is_written_comes_back(payload in payload()) {
        prop_assert_eq!(Payload::read(&payload.bytes()), Ok(payload));
    }

    #[test]
    fn damaged_bytes_are_refused_or_read_and_nothing_else(
        payload in payload(),
        damage in vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
        cut in of(any::<prop::sample::Index>()),
    ) {
        let mut bytes = payload.bytes();
        for (at, byte) in damage {
            if !bytes.is_empty() {
                let at = at.index(bytes.len());
                bytes[at] = byte;
            }
        }
        if let Some(cut) = cut && !bytes.is_empty() {
            bytes.truncate(cut.index(bytes.len()));
        }
        let _ = Payload::read(&bytes);
        spoils_nothing(&bytes);
    }

    #[test]
    fn any_bytes_at_all_are_endured(bytes in vec(any::<u8>(), 0..200)) {
        let _ = Payload::read(&bytes);
        spoils_nothing(&bytes);
    }
}

/// An edge node that is waiting for its host gets it on every topic that it listens to.
fn spoils_nothing(bytes: &[u8]) {
    let mut node = EdgeNode::new(Settings {
        group: "rework".into(),
        node: "larkfield".into(),
        primary_host: Some("line-host".into()),
        aliases: false,
    });
    node.apply(1, Input::Opened);
    node.apply(1, Input::Connected);
    for topic in [
        "spBv1.0/rework/NCMD/larkfield",
        "spBv1.0/rework/DCMD/larkfield/bench-1",
        "spBv1.0/STATE/line-host",
    ] {
        node.apply(
            1,
            Input::Received {
                topic: topic.into(),
                payload: bytes.to_vec(),
            },
        );
    }
}

/// Bytes worked out by hand from the schema (specification, chapter 6) and the wire format of protocol buffers.
#[test]
fn known_bytes_mean_what_the_schema_says() {
    let bytes = [
        0x08, 0x88, 0x27, // 1 timestamp: 5000
        0x12, 0x14, // 2 metric of 20 bytes
        0x0a, 0x05, b'b', b'd', b'S', b'e', b'q', // 1 name
        0x18, 0x88, 0x27, // 3 timestamp: 5000
        0x20, 0x04, // 4 datatype: Int64
        0x28, 0x01, // 5 is_historical
        0x38, 0x00, // 7 is_null: false
        0x4a, 0x00, // 9 properties, empty
        0x58, 0x07, // 11 long_value: 7
        0x18, 0x03, // 3 seq: 3
    ];
    let expected = Payload {
        timestamp: Some(5_000),
        metrics: vec![Metric {
            name: Some("bdSeq".into()),
            timestamp: Some(5_000),
            datatype: Some(4),
            is_historical: Some(true),
            is_null: Some(false),
            properties: Some(PropertySet::default()),
            value: Some(Value::Long(7)),
            ..Metric::default()
        }],
        seq: Some(3),
        ..Payload::default()
    };
    assert_eq!(Payload::read(&bytes), Ok(expected.clone()));
    assert_eq!(expected.bytes(), bytes);
}

#[test]
fn types_of_a_table_are_read_packed_and_unpacked() {
    let table = |types: &[u8]| {
        let mut metric = vec![0x8a, 0x01, u8::try_from(types.len()).unwrap()];
        metric.extend(types);
        let mut payload = vec![0x12, u8::try_from(metric.len()).unwrap()];
        payload.extend(metric);
        match Payload::read(&payload).unwrap().metrics.remove(0).value {
            Some(Value::DataSet(table)) => table.types,
            other => panic!("{other:?}"),
        }
    };
    assert_eq!(table(&[0x18, 3, 0x18, 10]), [3, 10]);
    assert_eq!(table(&[0x1a, 2, 3, 10]), [3, 10]);
}

#[test]
fn fields_of_newer_schemas_are_passed_over() {
    let with_more = [0x08, 0x05, 0xf8, 0x3f, 0x01, 0x18, 0x02];
    let payload = Payload::read(&with_more).unwrap();
    assert_eq!((payload.timestamp, payload.seq), (Some(5), Some(2)));
}

#[test]
fn what_is_too_long_or_nested_without_end_is_refused() {
    let error = Payload::read(&vec![0; INBOUND_BYTES_MAX + 1]).unwrap_err();
    assert!(error.contains("65537 bytes, above the limit of 65536"), "{error}");
    // Templates in templates: a metric (2) with a template (18) that has a metric, and so on.
    let mut nested = Vec::new();
    for depth in 0..1_501_u32 {
        let tag: &[u8] = if depth % 2 == 0 { &[0x12] } else { &[0x92, 0x01] };
        let mut outer = tag.to_vec();
        let mut length = nested.len();
        while length >= 0x80 {
            outer.push(u8::try_from(length & 0x7f).unwrap() | 0x80);
            length >>= 7;
        }
        outer.push(u8::try_from(length).unwrap());
        outer.extend(&nested);
        nested = outer;
    }
    let error = Payload::read(&nested).unwrap_err();
    assert!(error.contains("recursion"), "{error}");
}
