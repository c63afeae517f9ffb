//! A run's readings as Apache Parquet: the columns of the CSV with their types, and what is known of the run in the file's metadata.
//!
//! `time` is a UTC timestamp of milliseconds, temperatures are doubles to the bit, null without a good reading; `stage` and `target_celsius` are null where
//! there is none. Pages are coded by dictionary and not compressed: readings on a converter's grid get small by that alone, and every
//! reader of the format takes them.

use std::error::Error as _;
use std::io::{self, Write};
use std::sync::Arc;

use benchward_archive::export::{Exported, elapsed_s};
use benchward_archive::{Recording, RunRecord, Scan};
use parquet::basic::{Encoding, LogicalType, Repetition, TimeUnit, Type as Physical};
use parquet::data_type::{ByteArray, ByteArrayType, DataType, DoubleType, Int32Type, Int64Type};
use parquet::errors::ParquetError;
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::types::{ColumnPath, Type, TypePtr};

/// Rows of a group, at least, but for the last: a few megabytes of memory, and the three hours that most runs stay under are one group.
const ROWS_A_GROUP: usize = 100_000;

pub(super) fn write(
    mut run: Recording,
    facts: Vec<(&'static str, String)>,
    out: &mut (impl Write + Send),
) -> io::Result<Exported> {
    written(&mut run, facts, out).map_err(|error| match error {
        // What it wrote to failed: who asked tells that apart.
        ParquetError::External(cause) if cause.is::<io::Error>() => *cause
            .downcast()
            .unwrap_or_else(|cause| Box::new(io::Error::other(cause))),
        other => match other.source() {
            Some(cause) => io::Error::other(format!("{other}: {cause}")),
            None => io::Error::other(other),
        },
    })
}

fn written(
    run: &mut Recording,
    facts: Vec<(&'static str, String)>,
    out: &mut (impl Write + Send),
) -> Result<Exported, ParquetError> {
    let properties = WriterProperties::builder()
        .set_created_by(concat!("benchward ", env!("CARGO_PKG_VERSION")).into())
        // Nearly as many times as rows: a dictionary of them would be larger than they are.
        .set_column_dictionary_enabled(ColumnPath::from("time"), false)
        .set_column_encoding(ColumnPath::from("time"), Encoding::DELTA_BINARY_PACKED)
        .set_column_dictionary_enabled(ColumnPath::from("elapsed_s"), false)
        .set_key_value_metadata(Some(
            facts
                .into_iter()
                .map(|(key, value)| KeyValue::new(format!("benchward.{key}"), value))
                .collect(),
        ))
        .build();
    let mut writer = SerializedFileWriter::new(out, schema(run.channels())?, Arc::new(properties))?;
    let mut exported = Exported {
        rows: 0,
        damage: Vec::new(),
    };
    let mut rows: Vec<Scan> = Vec::new();
    loop {
        let block = run.next_block();
        let over = block.is_none();
        match block {
            Some(Ok(block)) => rows.extend(block.scans),
            Some(Err(damage)) => exported.damage.push(damage),
            None => {}
        }
        if rows.len() >= ROWS_A_GROUP || (over && !rows.is_empty()) {
            group(&mut writer, run, &rows)?;
            exported.rows += rows.len() as u64;
            rows.clear();
        }
        if over {
            writer.close()?;
            return Ok(exported);
        }
    }
}

fn schema(channels: &[String]) -> Result<TypePtr, ParquetError> {
    let column = |name: &str, repetition, physical, logical| {
        Type::primitive_type_builder(name, physical)
            .with_repetition(repetition)
            .with_logical_type(logical)
            .build()
            .map(Arc::new)
    };
    let (always, at_times) = (Repetition::REQUIRED, Repetition::OPTIONAL);
    let text = || Some(LogicalType::String);
    let time = LogicalType::timestamp(true, TimeUnit::MILLIS);
    let mut columns = vec![
        column("time", always, Physical::INT64, Some(time))?,
        column("elapsed_s", always, Physical::DOUBLE, None)?,
    ];
    for name in channels {
        let name = format!("{name}_celsius");
        columns.push(column(&name, at_times, Physical::DOUBLE, None)?);
    }
    columns.extend([
        column("heat", always, Physical::DOUBLE, None)?,
        column("phase", always, Physical::BYTE_ARRAY, text())?,
        column("stage", at_times, Physical::INT32, None)?,
        column("target_celsius", at_times, Physical::DOUBLE, None)?,
    ]);
    for name in channels {
        let name = format!("{name}_quality");
        columns.push(column(&name, always, Physical::BYTE_ARRAY, text())?);
    }
    Type::group_type_builder("run")
        .with_fields(columns)
        .build()
        .map(Arc::new)
}

/// Rows as a group: a column after the other, in the order of the schema.
fn group(
    writer: &mut SerializedFileWriter<impl Write + Send>,
    run: &Recording,
    rows: &[Scan],
) -> Result<(), ParquetError> {
    let record: &RunRecord = run.record();
    let channels = 0..run.channels().len();
    let mut group = writer.next_row_group()?;
    always::<Int64Type, _>(&mut group, rows.iter().map(|row| row.at.0))?;
    always::<DoubleType, _>(&mut group, rows.iter().map(|row| elapsed_s(record, row)))?;
    for channel in channels.clone() {
        at_times::<DoubleType, _>(&mut group, rows.iter().map(|row| row.values[channel].celsius()))?;
    }
    always::<DoubleType, _>(&mut group, rows.iter().map(|row| row.heat))?;
    always::<ByteArrayType, _>(
        &mut group,
        rows.iter().map(|row| ByteArray::from(row.phase.name())),
    )?;
    at_times::<Int32Type, _>(&mut group, rows.iter().map(|row| row.stage.map(i32::from)))?;
    at_times::<DoubleType, _>(&mut group, rows.iter().map(|row| row.target_celsius))?;
    for channel in channels {
        let qualities = rows
            .iter()
            .map(|row| ByteArray::from(row.values[channel].quality()));
        always::<ByteArrayType, _>(&mut group, qualities)?;
    }
    group.close()?;
    Ok(())
}

/// A column with a value in each row.
fn always<T: DataType, W: Write + Send>(
    group: &mut SerializedRowGroupWriter<'_, W>,
    values: impl Iterator<Item = T::T>,
) -> Result<(), ParquetError> {
    column::<T, W>(group, &values.collect::<Vec<_>>(), None)
}

/// A column with a value in some rows.
fn at_times<T: DataType, W: Write + Send>(
    group: &mut SerializedRowGroupWriter<'_, W>,
    values: impl Iterator<Item = Option<T::T>>,
) -> Result<(), ParquetError> {
    let (mut there, mut levels) = (Vec::new(), Vec::new());
    for value in values {
        levels.push(i16::from(value.is_some()));
        there.extend(value);
    }
    column::<T, W>(group, &there, Some(&levels))
}

fn column<T: DataType, W: Write + Send>(
    group: &mut SerializedRowGroupWriter<'_, W>,
    values: &[T::T],
    levels: Option<&[i16]>,
) -> Result<(), ParquetError> {
    let mut column = group
        .next_column()?
        .ok_or_else(|| ParquetError::General("more columns than the schema has".into()))?;
    column.typed::<T>().write_batch(values, levels, None)?;
    column.close()
}
