//! One flat table of doubles, Zstandard-compressed; nulls where nothing was logged.

use super::{ExportError, Table};
use ::parquet::basic::{Compression, Repetition, Type as Physical, ZstdLevel};
use ::parquet::data_type::DoubleType;
use ::parquet::errors::ParquetError;
use ::parquet::file::metadata::KeyValue;
use ::parquet::file::properties::WriterProperties;
use ::parquet::file::writer::SerializedFileWriter;
use ::parquet::schema::types::Type;
use std::collections::BTreeMap;
use std::io::Write;
use std::sync::Arc;

/// Rows of a row group: some eight megabytes a column.
const GROUP: usize = 1 << 20;

pub(super) fn write(
    table: &Table,
    metadata: &BTreeMap<String, String>,
    out: &mut (impl Write + Send),
) -> Result<(), ExportError> {
    let failed = |e: ParquetError| ExportError::Parquet(e.to_string());
    let field = |name: &str, repetition| {
        Type::primitive_type_builder(name, Physical::DOUBLE).with_repetition(repetition).build().map(Arc::new)
    };
    let mut fields = vec![field("time [s]", Repetition::REQUIRED).map_err(failed)?];
    for column in &table.columns {
        fields.push(field(&column.heading(), Repetition::OPTIONAL).map_err(failed)?);
    }
    let schema = Type::group_type_builder("recording").with_fields(fields).build().map_err(failed)?;
    let pairs: Vec<KeyValue> = metadata.iter().map(|(k, v)| KeyValue::new(k.clone(), v.clone())).collect();
    let properties = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::default()))
        .set_key_value_metadata((!pairs.is_empty()).then_some(pairs))
        .build();
    let mut file = SerializedFileWriter::new(out, Arc::new(schema), Arc::new(properties)).map_err(failed)?;
    for from in (0..table.time_s.len()).step_by(GROUP) {
        let to = (from + GROUP).min(table.time_s.len());
        let mut group = file.next_row_group().map_err(failed)?;
        let mut columns = table.columns.iter();
        let mut first = true;
        while let Some(mut writer) = group.next_column().map_err(failed)? {
            if std::mem::take(&mut first) {
                writer
                    .typed::<DoubleType>()
                    .write_batch(&table.time_s[from..to], None, None)
                    .map_err(failed)?;
            } else if let Some(column) = columns.next() {
                let values = &column.values[from..to];
                let levels: Vec<i16> = values.iter().map(|v| i16::from(!v.is_nan())).collect();
                let there: Vec<f64> = values.iter().copied().filter(|v| !v.is_nan()).collect();
                writer.typed::<DoubleType>().write_batch(&there, Some(&levels), None).map_err(failed)?;
            }
            writer.close().map_err(failed)?;
        }
        group.close().map_err(failed)?;
    }
    file.close().map_err(failed)?;
    Ok(())
}
