//! Apache Parquet: one row per sample, one flat column per channel, headings as in text files.
//!
//! Any numeric type is read: booleans, integers with and without sign, 16 to 64 bit floats, decimals, and the types of time
//! (as seconds). A unit may stand in the name or in the metadata of the field.

mod arrow_schema;

use crate::assemble::{ReadColumn, Table, add_table, origin_s};
use crate::error::{Place, ReadError};
use crate::in_order::in_order;
use crate::names::Heading;
use crate::number;
use crate::plan::{Wanted, check_map, list, plan};
use crate::report::{Finding, Format, Issue, Report};
use crate::store::Store;
use crate::{Map, Progress, Reading};
use ::parquet::basic::{ConvertedType, LogicalType, TimeUnit, Type as Physical};
use ::parquet::column::reader::{ColumnReader, ColumnReaderImpl};
use ::parquet::data_type::{DataType, FixedLenByteArray};
use ::parquet::errors::ParquetError;
use ::parquet::file::metadata::KeyValue;
use ::parquet::file::reader::{FileReader, SerializedFileReader};
use ::parquet::schema::types::{ColumnDescriptor, SchemaDescriptor};
use channels::{Channel, Samples};
use std::panic::{AssertUnwindSafe, catch_unwind};

/// First and last bytes of every file.
pub(crate) const MAGIC: &[u8] = b"PAR1";

pub(crate) fn read(
    file: &str,
    store: Store,
    bytes_total: u64,
    map: &Map,
    progress: &mut dyn FnMut(Progress),
) -> Result<Reading, ReadError> {
    let damaged = |e: &ParquetError| damaged(file, &e.to_string());
    let reader = SerializedFileReader::new(store).map_err(|e| damaged(&e))?;
    let about = reader.metadata().file_metadata();
    let schema = about.schema_descr();
    let pairs = about.key_value_metadata().map_or(&[][..], Vec::as_slice);
    let arrow = arrow_fields(about.key_value_metadata());

    let numbers: Vec<Option<Numbers>> = schema.columns().iter().map(|c| Numbers::of(c)).collect();
    let headings = headings_of(schema, &numbers, &arrow);
    let mut plan = plan(file, 1, &headings, map)?;
    let wanted: Vec<Channel> = plan.wanted.iter().map(|w| w.channel).collect();
    check_map(file, &headings, &wanted, map)?;
    for w in plan.wanted.iter().filter(|w| numbers[w.column].is_none()) {
        let reason = "the column holds no numbers".to_owned();
        for c in plan.columns.iter_mut().filter(|c| c.channel == Some(w.channel)) {
            (c.channel, c.reason) = (None, Some(reason.clone()));
        }
        plan.findings.push(Finding::UnitMisfit { channel: w.channel, column: w.heading.clone(), reason });
    }
    plan.wanted.retain(|w| numbers[w.column].is_some());
    if plan.time().is_none() && map.rate_hz.is_none() {
        return Err(ReadError::NoTimeColumn { file: file.to_owned(), line: 1, found: list(&headings) });
    }
    if plan.channels() == 0 {
        return Err(ReadError::NoChannel { file: file.to_owned(), line: 1, found: list(&headings) });
    }
    let columns = columns(file, &reader, &plan.wanted, &numbers, bytes_total, progress)?;
    let rows = columns.first().map_or(0, |c| c.values.len());
    if rows == 0 {
        return Err(ReadError::NoData { file: file.to_owned(), line: 1, columns: headings.len() });
    }
    if let Some(short) = columns.iter().find(|c| c.values.len() != rows) {
        let found = format!(
            "column '{}' has {} values, the first has {rows}",
            short.wanted.heading,
            short.values.len()
        );
        return Err(self::damaged(file, &found));
    }

    let mut issues: Vec<Issue> = plan.findings.into_iter().map(Issue::from).collect();
    let mut samples = Samples::new();
    let table = Table { rows, columns, rate_hz: map.rate_hz, place: &|row| Place::Row(row as u64 + 1) };
    let origin_s = origin_s(std::iter::once(&table));
    let clock = add_table(file, table, origin_s, &mut samples, &mut issues)?;
    let metadata = pairs
        .iter()
        .filter(|p| p.key != ARROW_SCHEMA && p.key != "pandas")
        .filter_map(|p| Some((p.key.clone(), p.value.clone()?)))
        .collect();
    let report = Report {
        source: file.to_owned(),
        format: Format::Parquet,
        rows,
        columns: plan.columns,
        clocks: vec![clock],
        metadata,
        issues,
    };
    Ok(Reading { samples, report })
}

/// The headings of a Parquet file.
pub(crate) fn headings(file: &str, store: Store) -> Result<Vec<Heading>, ReadError> {
    let reader = SerializedFileReader::new(store).map_err(|e| damaged(file, &e.to_string()))?;
    let about = reader.metadata().file_metadata();
    let schema = about.schema_descr();
    let numbers: Vec<Option<Numbers>> = schema.columns().iter().map(|c| Numbers::of(c)).collect();
    Ok(headings_of(schema, &numbers, &arrow_fields(about.key_value_metadata())))
}

fn arrow_fields(pairs: Option<&Vec<KeyValue>>) -> Vec<arrow_schema::Field> {
    let arrow = pairs.into_iter().flatten().find(|p| p.key == ARROW_SCHEMA).and_then(|p| p.value.as_deref());
    arrow.map(arrow_schema::fields).unwrap_or_default()
}

fn headings_of(
    schema: &SchemaDescriptor,
    numbers: &[Option<Numbers>],
    arrow: &[arrow_schema::Field],
) -> Vec<Heading> {
    let mut headings = Vec::new();
    for (column, numbers) in schema.columns().iter().zip(numbers) {
        let name = column.path().parts().join(".");
        let field = arrow.iter().find(|f| f.name == name);
        let seconds = numbers.as_ref().is_some_and(|n| n.is_time);
        // The type settles the unit of a time, whatever its name says.
        let unit = if seconds {
            Some("s".to_owned())
        } else {
            field.and_then(|f| f.duration.map(str::to_owned).or_else(|| f.unit()))
        };
        let mut heading = Heading::with_unit(&name, unit);
        if seconds {
            heading.unit = Some("s".to_owned());
        }
        headings.push(heading);
    }
    headings
}

const ARROW_SCHEMA: &str = "ARROW:schema";

fn damaged(file: &str, found: &str) -> ReadError {
    ReadError::Format {
        file: file.to_owned(),
        format: "Parquet",
        found: found.to_owned(),
        advice: "The file is damaged or cut off; export the recording again".to_owned(),
    }
}

/// How the values of a column become numbers.
#[derive(Debug, Clone, PartialEq)]
struct Numbers {
    /// Number is the stored value over this.
    divisor: f64,
    unsigned: bool,
    /// Two bytes that are a float, not an integer.
    half: bool,
    /// Becomes seconds.
    is_time: bool,
}

impl Numbers {
    /// None for text, lists and whatever else is no number.
    fn of(column: &ColumnDescriptor) -> Option<Self> {
        if column.max_rep_level() > 0 || column.max_def_level() > 1 {
            return None;
        }
        let plain = Self { divisor: 1.0, unsigned: false, half: false, is_time: false };
        let decimal = |scale: i32| Some(Self { divisor: 10_f64.powi(scale), ..plain.clone() });
        let time = |per_second: f64| Some(Self { divisor: per_second, is_time: true, ..plain.clone() });
        let per_second = |unit: &TimeUnit| match unit {
            TimeUnit::MILLIS => 1e3,
            TimeUnit::MICROS => 1e6,
            TimeUnit::NANOS => 1e9,
        };
        let bytes = matches!(column.physical_type(), Physical::BYTE_ARRAY | Physical::FIXED_LEN_BYTE_ARRAY);
        match column.logical_type_ref() {
            Some(LogicalType::Decimal(d)) => return decimal(d.scale),
            Some(LogicalType::Timestamp(t)) => return time(per_second(&t.unit)),
            Some(LogicalType::Time(t)) => return time(per_second(&t.unit)),
            Some(LogicalType::Float16) => return Some(Self { half: true, ..plain }),
            Some(LogicalType::Integer(i)) => return Some(Self { unsigned: !i.is_signed, ..plain }),
            Some(_) => return None,
            None => {}
        }
        match column.converted_type() {
            ConvertedType::DECIMAL => decimal(column.type_scale()),
            ConvertedType::TIMESTAMP_MILLIS | ConvertedType::TIME_MILLIS => time(1e3),
            ConvertedType::TIMESTAMP_MICROS | ConvertedType::TIME_MICROS => time(1e6),
            ConvertedType::UINT_8
            | ConvertedType::UINT_16
            | ConvertedType::UINT_32
            | ConvertedType::UINT_64 => Some(Self { unsigned: true, ..plain }),
            ConvertedType::INT_8 | ConvertedType::INT_16 | ConvertedType::INT_32 | ConvertedType::INT_64 => {
                Some(plain)
            }
            ConvertedType::NONE if column.physical_type() == Physical::INT96 => time(1e9),
            ConvertedType::NONE if !bytes => Some(plain),
            _ => None,
        }
    }

    fn int32(&self, v: i32) -> f64 {
        if self.unsigned { f64::from(v as u32) / self.divisor } else { f64::from(v) / self.divisor }
    }

    fn int64(&self, v: i64) -> f64 {
        if self.unsigned { v as u64 as f64 / self.divisor } else { v as f64 / self.divisor }
    }

    fn bytes(&self, b: &[u8]) -> f64 {
        match (self.half, b) {
            (true, [low, high]) => number::half(u16::from_le_bytes([*low, *high])),
            (true, _) => f64::NAN,
            (false, _) => decimal(b) / self.divisor,
        }
    }
}

/// A whole number in two's complement, most significant byte first.
fn decimal(bytes: &[u8]) -> f64 {
    let Some(&first) = bytes.first() else { return f64::NAN };
    if bytes.len() <= 16 {
        let start = if first & 0x80 == 0 { 0 } else { -1 };
        return bytes.iter().fold(start, |v: i128, &b| (v << 8) | i128::from(b)) as f64;
    }
    let start = if first & 0x80 == 0 { 0.0 } else { -1.0 };
    bytes.iter().fold(start, |v, &b| v * 256.0 + f64::from(b))
}

/// Reads the wanted columns, several at a time.
fn columns(
    file: &str,
    reader: &dyn FileReader,
    wanted: &[Wanted],
    numbers: &[Option<Numbers>],
    bytes_total: u64,
    progress: &mut dyn FnMut(Progress),
) -> Result<Vec<ReadColumn>, ReadError> {
    let mut tasks = wanted.iter().filter_map(|w| Some((w, numbers[w.column].as_ref()?)));
    let mut columns = Vec::with_capacity(wanted.len());
    let work = |(w, n): (&Wanted, &Numbers)| {
        // The library checks less than it should: damage may make it give up.
        let read = catch_unwind(AssertUnwindSafe(|| column(reader, w, n)));
        read.unwrap_or_else(|_| Err(ParquetError::General(format!("the values of column '{}'", w.heading))))
    };
    let take = |column: Result<ReadColumn, ParquetError>| {
        columns.push(column.map_err(|e| damaged(file, &e.to_string()))?);
        let share = columns.len() as f64 / wanted.len() as f64;
        progress(Progress {
            bytes_done: (bytes_total as f64 * share) as u64,
            bytes_total: Some(bytes_total),
        });
        Ok(())
    };
    in_order(|| Ok(tasks.next()), work, take)?;
    Ok(columns)
}

/// Values that are decoded at once; the count that a damaged file promises is not believed.
const BATCH: usize = 1 << 16;

fn column(reader: &dyn FileReader, wanted: &Wanted, numbers: &Numbers) -> Result<ReadColumn, ParquetError> {
    let mut out = Vec::new();
    for group in 0..reader.num_row_groups() {
        let n = numbers;
        match reader.get_row_group(group)?.get_column_reader(wanted.column)? {
            ColumnReader::BoolColumnReader(r) => values(r, &mut out, |v| f64::from(u8::from(*v)))?,
            ColumnReader::Int32ColumnReader(r) => values(r, &mut out, |v| n.int32(*v))?,
            ColumnReader::Int64ColumnReader(r) => values(r, &mut out, |v| n.int64(*v))?,
            ColumnReader::Int96ColumnReader(r) => values(r, &mut out, |v| v.to_nanos() as f64 / n.divisor)?,
            ColumnReader::FloatColumnReader(r) => values(r, &mut out, |v| f64::from(*v))?,
            ColumnReader::DoubleColumnReader(r) => values(r, &mut out, |v| *v)?,
            ColumnReader::ByteArrayColumnReader(r) => values(r, &mut out, |v| n.bytes(v.data()))?,
            ColumnReader::FixedLenByteArrayColumnReader(r) => {
                values(r, &mut out, |v: &FixedLenByteArray| n.bytes(v.data()))?;
            }
        }
    }
    Ok(ReadColumn::of(wanted.clone(), out))
}

fn values<T: DataType>(
    mut reader: ColumnReaderImpl<T>,
    out: &mut Vec<f64>,
    number: impl Fn(&T::T) -> f64,
) -> Result<(), ParquetError> {
    let (mut levels, mut batch) = (Vec::new(), Vec::new());
    loop {
        levels.clear();
        batch.clear();
        let (records, read, _) = reader.read_records(BATCH, Some(&mut levels), None, &mut batch)?;
        if records == 0 {
            return Ok(());
        }
        if read == records {
            out.extend(batch.iter().map(&number));
        } else {
            let mut batch = batch.iter();
            let present = levels.iter().map(|&l| if l == 0 { None } else { batch.next() });
            out.extend(present.map(|v| v.map_or(f64::NAN, &number)));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn decimals_are_whole_numbers_of_any_length() {
        assert_eq!(decimal(&[0x01, 0x00]), 256.0);
        assert_eq!(decimal(&[0xFF]), -1.0);
        assert_eq!(decimal(&[0x80, 0x00]), -32768.0);
        let mut long = [0xFF; 20];
        long[19] = 0xFE;
        assert_eq!(decimal(&long), -2.0);
        assert!(decimal(&[]).is_nan());
    }
}
