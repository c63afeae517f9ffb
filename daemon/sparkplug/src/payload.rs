//! Sparkplug B payloads as protocol buffers (proto2), written by hand for `prost`: no compiler at build time, and every field
//! of the published schema, so that what others send is decoded whole.
//!
//! Source: Eclipse Sparkplug Specification 3.0.0 (ISO/IEC 20237), chapter 6, package `org.eclipse.tahu.protobuf`. Field numbers
//! and types are the schema's; a field that is absent is `None`.

use prost::Message as _;

/// Most bytes that a message from outside may have. A rebirth request has some thirty.
pub const INBOUND_BYTES_MAX: usize = 64 * 1024;

/// What a message carries.
#[derive(Clone, PartialEq, prost::Message)]
pub struct Payload {
    /// When it was sent, ms since 1970, UTC.
    #[prost(uint64, optional, tag = "1")]
    pub timestamp: Option<u64>,
    /// Its metrics.
    #[prost(message, repeated, tag = "2")]
    pub metrics: Vec<Metric>,
    /// Its number in the session, 0 to 255; a death by will has none.
    #[prost(uint64, optional, tag = "3")]
    pub seq: Option<u64>,
    /// Names a schema for `body`.
    #[prost(string, optional, tag = "4")]
    pub uuid: Option<String>,
    /// Anything.
    #[prost(bytes = "vec", optional, tag = "5")]
    pub body: Option<Vec<u8>>,
}

impl Payload {
    /// Reads a message from outside.
    ///
    /// # Errors
    /// What is wrong with it, in words: too long, or no payload.
    pub fn read(bytes: &[u8]) -> Result<Self, String> {
        if bytes.len() > INBOUND_BYTES_MAX {
            return Err(format!(
                "{} bytes, above the limit of {INBOUND_BYTES_MAX}",
                bytes.len()
            ));
        }
        Self::decode(bytes).map_err(|error| format!("no Sparkplug payload: {error}"))
    }

    /// Its bytes.
    pub fn bytes(&self) -> Vec<u8> {
        self.encode_to_vec()
    }
}

/// One value with its name and what belongs to it.
#[derive(Clone, PartialEq, prost::Message)]
pub struct Metric {
    /// Its name.
    #[prost(string, optional, tag = "1")]
    pub name: Option<String>,
    /// A number in place of its name.
    #[prost(uint64, optional, tag = "2")]
    pub alias: Option<u64>,
    /// When the value was so, ms since 1970, UTC.
    #[prost(uint64, optional, tag = "3")]
    pub timestamp: Option<u64>,
    /// [`DataType`] as a number.
    #[prost(uint32, optional, tag = "4")]
    pub datatype: Option<u32>,
    /// It isn't the newest value: it was kept and is sent late.
    #[prost(bool, optional, tag = "5")]
    pub is_historical: Option<bool>,
    /// It isn't to be kept.
    #[prost(bool, optional, tag = "6")]
    pub is_transient: Option<bool>,
    /// There is no value.
    #[prost(bool, optional, tag = "7")]
    pub is_null: Option<bool>,
    /// About files and parts.
    #[prost(message, optional, tag = "8")]
    pub metadata: Option<MetaData>,
    /// What else there is to know.
    #[prost(message, optional, tag = "9")]
    pub properties: Option<PropertySet>,
    /// The value.
    #[prost(oneof = "Value", tags = "10, 11, 12, 13, 14, 15, 16, 17, 18, 19")]
    pub value: Option<Value>,
}

/// A metric's value. Which one a datatype takes: [`DataType`].
#[derive(Clone, PartialEq, prost::Oneof)]
pub enum Value {
    /// Integers of up to 32 bits; negative ones as two's complement.
    #[prost(uint32, tag = "10")]
    Int(u32),
    /// Integers of 64 bits and times; negative ones as two's complement.
    #[prost(uint64, tag = "11")]
    Long(u64),
    /// 32 bits.
    #[prost(float, tag = "12")]
    Float(f32),
    /// 64 bits.
    #[prost(double, tag = "13")]
    Double(f64),
    /// Yes or no.
    #[prost(bool, tag = "14")]
    Boolean(bool),
    /// Text.
    #[prost(string, tag = "15")]
    String(String),
    /// Bytes, files, arrays.
    #[prost(bytes = "vec", tag = "16")]
    Bytes(Vec<u8>),
    /// A table.
    #[prost(message, tag = "17")]
    DataSet(DataSet),
    /// Metrics that belong together.
    #[prost(message, tag = "18")]
    Template(Template),
    /// Kept for extensions.
    #[prost(message, tag = "19")]
    Extension(Extension),
}

/// A value of somebody's own kind; its fields are passed over.
#[derive(Clone, PartialEq, prost::Message)]
pub struct Extension {}

/// Properties of a metric: as many keys as values.
#[derive(Clone, PartialEq, prost::Message)]
pub struct PropertySet {
    /// Their names.
    #[prost(string, repeated, tag = "1")]
    pub keys: Vec<String>,
    /// Their values, in the same order.
    #[prost(message, repeated, tag = "2")]
    pub values: Vec<PropertyValue>,
}

/// One property's value.
#[derive(Clone, PartialEq, prost::Message)]
pub struct PropertyValue {
    /// [`DataType`] as a number.
    #[prost(uint32, optional, tag = "1")]
    pub r#type: Option<u32>,
    /// There is no value.
    #[prost(bool, optional, tag = "2")]
    pub is_null: Option<bool>,
    /// The value.
    #[prost(oneof = "PropertyContent", tags = "3, 4, 5, 6, 7, 8, 9, 10, 11")]
    pub value: Option<PropertyContent>,
}

/// What a property holds.
#[derive(Clone, PartialEq, prost::Oneof)]
pub enum PropertyContent {
    /// Integers of up to 32 bits.
    #[prost(uint32, tag = "3")]
    Int(u32),
    /// Integers of 64 bits and times.
    #[prost(uint64, tag = "4")]
    Long(u64),
    /// 32 bits.
    #[prost(float, tag = "5")]
    Float(f32),
    /// 64 bits.
    #[prost(double, tag = "6")]
    Double(f64),
    /// Yes or no.
    #[prost(bool, tag = "7")]
    Boolean(bool),
    /// Text.
    #[prost(string, tag = "8")]
    String(String),
    /// Properties of a property.
    #[prost(message, tag = "9")]
    PropertySet(PropertySet),
    /// Several of them.
    #[prost(message, tag = "10")]
    PropertySetList(PropertySetList),
    /// Kept for extensions.
    #[prost(message, tag = "11")]
    Extension(Extension),
}

/// Several sets of properties.
#[derive(Clone, PartialEq, prost::Message)]
pub struct PropertySetList {
    /// The sets.
    #[prost(message, repeated, tag = "1")]
    pub propertyset: Vec<PropertySet>,
}

/// About files and messages in parts.
#[derive(Clone, PartialEq, prost::Message)]
#[expect(
    missing_docs,
    reason = "the schema's own names, none of which this edge node sends"
)]
pub struct MetaData {
    #[prost(bool, optional, tag = "1")]
    pub is_multi_part: Option<bool>,
    #[prost(string, optional, tag = "2")]
    pub content_type: Option<String>,
    #[prost(uint64, optional, tag = "3")]
    pub size: Option<u64>,
    #[prost(uint64, optional, tag = "4")]
    pub seq: Option<u64>,
    #[prost(string, optional, tag = "5")]
    pub file_name: Option<String>,
    #[prost(string, optional, tag = "6")]
    pub file_type: Option<String>,
    #[prost(string, optional, tag = "7")]
    pub md5: Option<String>,
    #[prost(string, optional, tag = "8")]
    pub description: Option<String>,
}

/// A table.
#[derive(Clone, PartialEq, prost::Message)]
#[expect(
    missing_docs,
    reason = "the schema's own names, none of which this edge node sends"
)]
pub struct DataSet {
    #[prost(uint64, optional, tag = "1")]
    pub num_of_columns: Option<u64>,
    #[prost(string, repeated, tag = "2")]
    pub columns: Vec<String>,
    /// proto2 writes them unpacked; a reader takes both.
    #[prost(uint32, repeated, packed = "false", tag = "3")]
    pub types: Vec<u32>,
    #[prost(message, repeated, tag = "4")]
    pub rows: Vec<Row>,
}

/// A row of a table.
#[derive(Clone, PartialEq, prost::Message)]
#[expect(
    missing_docs,
    reason = "the schema's own names, none of which this edge node sends"
)]
pub struct Row {
    #[prost(message, repeated, tag = "1")]
    pub elements: Vec<DataSetValue>,
}

/// A cell of a table.
#[derive(Clone, PartialEq, prost::Message)]
#[expect(
    missing_docs,
    reason = "the schema's own names, none of which this edge node sends"
)]
pub struct DataSetValue {
    #[prost(oneof = "Cell", tags = "1, 2, 3, 4, 5, 6, 7")]
    pub value: Option<Cell>,
}

/// What a cell holds.
#[derive(Clone, PartialEq, prost::Oneof)]
#[expect(
    missing_docs,
    reason = "the schema's own names, none of which this edge node sends"
)]
pub enum Cell {
    #[prost(uint32, tag = "1")]
    Int(u32),
    #[prost(uint64, tag = "2")]
    Long(u64),
    #[prost(float, tag = "3")]
    Float(f32),
    #[prost(double, tag = "4")]
    Double(f64),
    #[prost(bool, tag = "5")]
    Boolean(bool),
    #[prost(string, tag = "6")]
    String(String),
    #[prost(message, tag = "7")]
    Extension(Extension),
}

/// Metrics that belong together.
#[derive(Clone, PartialEq, prost::Message)]
#[expect(
    missing_docs,
    reason = "the schema's own names, none of which this edge node sends"
)]
pub struct Template {
    #[prost(string, optional, tag = "1")]
    pub version: Option<String>,
    #[prost(message, repeated, tag = "2")]
    pub metrics: Vec<Metric>,
    #[prost(message, repeated, tag = "3")]
    pub parameters: Vec<Parameter>,
    #[prost(string, optional, tag = "4")]
    pub template_ref: Option<String>,
    #[prost(bool, optional, tag = "5")]
    pub is_definition: Option<bool>,
}

/// A parameter of a template.
#[derive(Clone, PartialEq, prost::Message)]
#[expect(
    missing_docs,
    reason = "the schema's own names, none of which this edge node sends"
)]
pub struct Parameter {
    #[prost(string, optional, tag = "1")]
    pub name: Option<String>,
    #[prost(uint32, optional, tag = "2")]
    pub r#type: Option<u32>,
    #[prost(oneof = "ParameterContent", tags = "3, 4, 5, 6, 7, 8, 9")]
    pub value: Option<ParameterContent>,
}

/// What a parameter holds.
#[derive(Clone, PartialEq, prost::Oneof)]
#[expect(
    missing_docs,
    reason = "the schema's own names, none of which this edge node sends"
)]
pub enum ParameterContent {
    #[prost(uint32, tag = "3")]
    Int(u32),
    #[prost(uint64, tag = "4")]
    Long(u64),
    #[prost(float, tag = "5")]
    Float(f32),
    #[prost(double, tag = "6")]
    Double(f64),
    #[prost(bool, tag = "7")]
    Boolean(bool),
    #[prost(string, tag = "8")]
    String(String),
    #[prost(message, tag = "9")]
    Extension(Extension),
}

/// The datatypes that this edge node sends, by their numbers in the specification (6.4.16).
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum DataType {
    /// [`Value::Int`].
    Int32 = 3,
    /// [`Value::Long`].
    Int64 = 4,
    /// [`Value::Double`].
    Double = 10,
    /// [`Value::Boolean`].
    Boolean = 11,
    /// [`Value::String`].
    String = 12,
}

impl DataType {
    /// Its number.
    pub const fn number(self) -> u32 {
        self as u32
    }
}
