//! Tables as Apache Parquet: one row group for each batch of visits that is handed in, text in dictionaries.
//!
//! Written with the column writers of the Rust implementation, without its Arrow part, which would double what is built. `started` is a timestamp in
//! microseconds of UTC; bounds are optional; all else is required.

use std::io::Write;
use std::sync::Arc;

use parquet::column::writer::ColumnWriter;
use parquet::data_type::{ByteArray, ByteArrayType, DoubleType, Int64Type};
use parquet::file::properties::WriterProperties;
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::parser::parse_message_type;

use super::{COLUMNS, Cell, Rows, cells};

/// Why no file could be written.
#[derive(Debug, thiserror::Error)]
pub enum ParquetError {
    /// The history could not be read, in its words.
    #[error("{0}")]
    Source(String),
    /// It could not be written.
    #[error("writing the Parquet file: {0}")]
    Write(#[from] parquet::errors::ParquetError),
}

fn schema() -> String {
    let column = |name: &&str| match *name {
        "started" => "required int64 started (timestamp(micros,true));".to_owned(),
        "value" => "required double value;".to_owned(),
        "low" | "high" => format!("optional double {name};"),
        "samples" => "required int64 samples;".to_owned(),
        name => format!("required binary {name} (utf8);"),
    };
    format!("message readings {{ {} }}", COLUMNS.iter().map(column).collect::<Vec<_>>().join(" "))
}

/// Writes all batches; each is asked for when the one before is written, so that a year needs no more memory than one of them.
///
/// # Errors
/// When a batch can't be had or the file can't be written.
pub fn parquet<W: Write + Send>(out: W, batches: impl Iterator<Item = Result<Vec<Rows>, String>>) -> Result<W, ParquetError> {
    let schema = Arc::new(parse_message_type(&schema())?);
    let mut file = SerializedFileWriter::new(out, schema, Arc::new(WriterProperties::builder().build()))?;
    for batch in batches {
        let batch = batch.map_err(ParquetError::Source)?;
        let rows: Vec<([Cell; 18], i64)> = batch
            .iter()
            .flat_map(|rows| rows.readings.iter().map(|kept| (cells(&rows.visit, kept), rows.visit.started.as_microsecond())))
            .collect();
        if rows.is_empty() {
            continue;
        }
        let mut group = file.next_row_group()?;
        for (place, name) in COLUMNS.iter().enumerate() {
            column(&mut group, place, name, &rows)?;
        }
        group.close()?;
    }
    Ok(file.into_inner()?)
}

fn column<W: Write + Send>(
    group: &mut SerializedRowGroupWriter<'_, W>,
    place: usize,
    name: &str,
    rows: &[([Cell; 18], i64)],
) -> Result<(), ParquetError> {
    let Some(mut writer) = group.next_column()? else { return Ok(()) };
    match writer.untyped() {
        ColumnWriter::Int64ColumnWriter(_) => {
            let number = |(cells, started): &([Cell; 18], i64)| match &cells[place] {
                Cell::Count(count) => i64::try_from(*count).unwrap_or(i64::MAX),
                _ => *started,
            };
            let values: Vec<i64> = rows.iter().map(number).collect();
            writer.typed::<Int64Type>().write_batch(&values, None, None)?;
        }
        ColumnWriter::DoubleColumnWriter(_) => {
            let number = |(cells, _): &([Cell; 18], i64)| match cells[place] {
                Cell::Number(number) => number,
                _ => None,
            };
            let values: Vec<f64> = rows.iter().filter_map(number).collect();
            let levels: Vec<i16> = rows.iter().map(|row| i16::from(number(row).is_some())).collect();
            let levels = ["low", "high"].contains(&name).then_some(&levels[..]);
            writer.typed::<DoubleType>().write_batch(&values, levels, None)?;
        }
        _ => {
            let text = |(cells, _): &([Cell; 18], i64)| match &cells[place] {
                Cell::Text(text) => ByteArray::from(text.as_str()),
                _ => ByteArray::from(""),
            };
            let values: Vec<ByteArray> = rows.iter().map(text).collect();
            writer.typed::<ByteArrayType>().write_batch(&values, None, None)?;
        }
    }
    writer.close()?;
    Ok(())
}
