//! Sample files: one Parquet file per clock, a row per time stamp.
//!
//! Columns, the same for every file so that one glob reads them all:
//!
//! | column | type | content |
//! |---|---|---|
//! | `recording` | string | name of the recording |
//! | `driver`, `car`, `circuit` | string, null if unknown | who drove what, and where |
//! | `lap` | int32, null outside laps | number of the lap with `start <= time < end` |
//! | `lap_kind` | string, null outside laps | timed, out, in or incomplete |
//! | `time [s]` | double | time stamp |
//! | `channel [unit]` | double, null where nothing was logged | value in SI, ISO 8855 |
//!
//! Doubles keep every bit, except that all NaN are one: null. Columns with few different values get a dictionary.
//! Of the others, some pack better with their bytes split by significance (full-precision signals), some as they are
//! (values rounded to a few decimals); a stretch of each column is tried both ways. zstd on top. Every column carries
//! statistics. `[Parquet]` describes the format. The writer states the range of doubles in IEEE 754 total order; engines
//! that do not know it yet skip by `recording` and `lap` only.

use crate::digest::Hashing;
use crate::entry::ChannelEntry;
use crate::error::{io_error, read_error, write_error};
use crate::manifest::Clock;
use crate::{Assignment, Digest, LibraryError, StoredLap};
use channels::{Channel, ClockId, Samples};
use parquet::basic::{
    Compression, ConvertedType, Encoding, LogicalType, Repetition, Type as Physical, ZstdLevel,
};
use parquet::column::reader::get_typed_column_reader;
use parquet::data_type::{ByteArray, ByteArrayType, DataType, DoubleType, Int32Type};
use parquet::errors::{ParquetError, Result as ParquetResult};
use parquet::file::properties::{EnabledStatistics, WriterProperties};
use parquet::file::reader::{FileReader, SerializedFileReader};
use parquet::file::writer::{SerializedFileWriter, SerializedRowGroupWriter};
use parquet::schema::types::{ColumnPath, Type, TypePtr};
use std::collections::HashSet;
use std::fs::File;
use std::io::{self, Write};
use std::path::Path;
use std::sync::Arc;

/// Header of the time stamps.
const TIME: &str = "time [s]";

/// Rows of one row group. About 20 minutes at 100 Hz: small enough to skip and to hold, large enough to pack.
const GROUP_ROWS: usize = 1 << 17;

/// Header of a channel: `name [unit]`. A logged time that is not the clock gets a name of its own.
fn header(channel: Channel) -> String {
    let unit = channel.dimension().si_symbol();
    match channel {
        Channel::Time => format!("logged_time [{unit}]"),
        _ => format!("{channel} [{unit}]"),
    }
}

/// What the constant columns of a file say.
pub(crate) struct Label<'a> {
    pub(crate) recording: &'a str,
    pub(crate) assignment: &'a Assignment,
    pub(crate) laps: &'a [StoredLap],
}

/// Writes all clocks of a recording into new files of a folder, and makes them last.
pub(crate) fn write_recording(
    dir: &Path,
    samples: &Samples,
    label: &Label<'_>,
) -> Result<(Vec<Clock>, Vec<ChannelEntry>), LibraryError> {
    let write = |(clock, time_s): (ClockId, &[f64])| {
        let file = format!("clock-{}.parquet", clock.0);
        let path = dir.join(&file);
        let to = File::create_new(&path).map_err(|e| io_error("write", &path, e))?;
        let (to, (sha256, bytes)) =
            write_columns(to, samples, clock, label).map_err(|e| write_error(&path, e))?;
        to.sync_all().map_err(|e| io_error("write", &path, e))?;
        Ok(Clock { file, rows: time_s.len(), bytes, sha256 })
    };
    let clocks = samples.clocks().map(write).collect::<Result<_, _>>()?;
    let entry = |channel| {
        let (clock, view) = (samples.clock_of(channel)?, samples.get(channel)?);
        Some(ChannelEntry { channel, clock: clock.0, origin: view.origin })
    };
    Ok((clocks, samples.channels().filter_map(entry).collect()))
}

fn write_columns<W: Write + Send>(
    to: W,
    samples: &Samples,
    clock: ClockId,
    label: &Label<'_>,
) -> ParquetResult<(W, (Digest, u64))> {
    let time_s = samples.clocks().find(|c| c.0 == clock).map_or(&[][..], |c| c.1);
    let signals: Vec<(Channel, &[f64])> = samples
        .channels()
        .filter(|&c| samples.clock_of(c) == Some(clock))
        .filter_map(|c| Some((c, samples.get(c)?.values)))
        .collect();
    let channels: Vec<Channel> = signals.iter().map(|s| s.0).collect();
    let laps = laps_of_rows(time_s, label.laps);

    let mut hashing = Hashing::new(to);
    let mut writer =
        SerializedFileWriter::new(&mut hashing, schema(&channels)?, properties(time_s, &signals)?)?;
    for from in (0..time_s.len()).step_by(GROUP_ROWS) {
        let rows = from..(from + GROUP_ROWS).min(time_s.len());
        let mut group = writer.next_row_group()?;
        constant(&mut group, Some(label.recording), rows.len(), Repetition::REQUIRED)?;
        let who = label.assignment;
        for text in [&who.driver, &who.car, &who.circuit] {
            constant(&mut group, text.as_deref(), rows.len(), Repetition::OPTIONAL)?;
        }
        let lap = |i: &usize| laps[*i].map(|l| l.number);
        optional::<Int32Type>(&mut group, rows.clone().map(|i| lap(&i)))?;
        let kind = |i: usize| laps[i].map(|l| ByteArray::from(l.kind.as_str()));
        optional::<ByteArrayType>(&mut group, rows.clone().map(kind))?;
        column::<DoubleType>(&mut group, &time_s[rows.clone()], None)?;
        for (_, values) in &signals {
            let values = values[rows.clone()].iter();
            optional::<DoubleType>(&mut group, values.map(|v| Some(*v).filter(|v| !v.is_nan())))?;
        }
        group.close()?;
    }
    writer.finish()?;
    // Not into_inner, which forgets why a last write failed.
    drop(writer);
    let passed = hashing.finish();
    Ok((hashing.into_inner(), passed))
}

/// The lap of each row. Later laps win where two overlap.
fn laps_of_rows<'a>(time_s: &[f64], laps: &'a [StoredLap]) -> Vec<Option<&'a StoredLap>> {
    let mut rows = vec![None; time_s.len()];
    for lap in laps {
        let from = time_s.partition_point(|&t| t < lap.start_s);
        let to = time_s.partition_point(|&t| t < lap.end_s).max(from);
        rows[from..to].fill(Some(lap));
    }
    rows
}

fn schema(channels: &[Channel]) -> ParquetResult<TypePtr> {
    let field = |name: &str, physical, repetition| {
        let text = physical == Physical::BYTE_ARRAY;
        Type::primitive_type_builder(name, physical)
            .with_repetition(repetition)
            .with_logical_type(text.then_some(LogicalType::String))
            .with_converted_type(if text { ConvertedType::UTF8 } else { ConvertedType::NONE })
            .build()
            .map(Arc::new)
    };
    let mut fields = vec![field("recording", Physical::BYTE_ARRAY, Repetition::REQUIRED)?];
    for name in ["driver", "car", "circuit"] {
        fields.push(field(name, Physical::BYTE_ARRAY, Repetition::OPTIONAL)?);
    }
    fields.push(field("lap", Physical::INT32, Repetition::OPTIONAL)?);
    fields.push(field("lap_kind", Physical::BYTE_ARRAY, Repetition::OPTIONAL)?);
    fields.push(field(TIME, Physical::DOUBLE, Repetition::REQUIRED)?);
    for &channel in channels {
        fields.push(field(&header(channel), Physical::DOUBLE, Repetition::OPTIONAL)?);
    }
    Type::group_type_builder("samples").with_fields(fields).build().map(Arc::new)
}

fn properties(time_s: &[f64], signals: &[(Channel, &[f64])]) -> ParquetResult<Arc<WriterProperties>> {
    let mut properties = WriterProperties::builder()
        .set_created_by(concat!("lapwright ", env!("CARGO_PKG_VERSION")).to_owned())
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(ZSTD_LEVEL)?))
        .set_statistics_enabled(EnabledStatistics::Page);
    let columns = signals.iter().map(|&(channel, values)| (header(channel), values));
    for (name, values) in std::iter::once((TIME.to_owned(), time_s)).chain(columns) {
        let name = ColumnPath::from(name);
        properties = match Packing::of(values) {
            Packing::Dictionary => properties.set_column_dictionary_enabled(name, true),
            Packing::Split => properties
                .set_column_dictionary_enabled(name.clone(), false)
                .set_column_encoding(name, Encoding::BYTE_STREAM_SPLIT),
            Packing::Plain => properties
                .set_column_dictionary_enabled(name.clone(), false)
                .set_column_encoding(name, Encoding::PLAIN),
        };
    }
    Ok(Arc::new(properties.build()))
}

/// Fast; higher levels gain a few percent only (measured on recordings of 10 to 66 channels).
const ZSTD_LEVEL: i32 = 1;

/// Encoding of a column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Packing {
    Dictionary,
    Plain,
    Split,
}

impl Packing {
    /// A dictionary up to so many different values: gears, flags, counts. With more, one of the others was smaller on
    /// nearly all measured columns.
    const DISTINCT: usize = 256;
    /// Length of the stretch that is tried. On six recordings the choice then costs at most 14 % against the best of
    /// all three for every column; four times the length gains nothing.
    const TRIED: usize = 4096;

    fn of(values: &[f64]) -> Self {
        let mut distinct = HashSet::new();
        let many = values.iter().any(|v| distinct.insert(v.to_bits()) && distinct.len() > Self::DISTINCT);
        if !many {
            return Self::Dictionary;
        }
        let from = values.len().saturating_sub(Self::TRIED) / 2;
        let tried = &values[from..(from + Self::TRIED).min(values.len())];
        let present: Vec<[u8; 8]> = tried.iter().filter(|v| !v.is_nan()).map(|v| v.to_le_bytes()).collect();
        let split: Vec<u8> = (0..8).flat_map(|byte| present.iter().map(move |v| v[byte])).collect();
        let size = |bytes: &[u8]| zstd::bulk::compress(bytes, ZSTD_LEVEL).map_or(usize::MAX, |c| c.len());
        if size(&split) < size(present.as_flattened()) { Self::Split } else { Self::Plain }
    }
}

fn column<T: DataType>(
    group: &mut SerializedRowGroupWriter<'_, impl Write + Send>,
    values: &[T::T],
    defined: Option<&[i16]>,
) -> ParquetResult<()> {
    let missing = || ParquetError::General("more columns than the schema has".to_owned());
    let mut column = group.next_column()?.ok_or_else(missing)?;
    column.typed::<T>().write_batch(values, defined, None)?;
    column.close()
}

fn optional<T: DataType>(
    group: &mut SerializedRowGroupWriter<'_, impl Write + Send>,
    values: impl ExactSizeIterator<Item = Option<T::T>>,
) -> ParquetResult<()> {
    let mut defined = Vec::with_capacity(values.len());
    let mut present = Vec::with_capacity(values.len());
    for value in values {
        defined.push(i16::from(value.is_some()));
        present.extend(value);
    }
    column::<T>(group, &present, Some(&defined))
}

fn constant(
    group: &mut SerializedRowGroupWriter<'_, impl Write + Send>,
    text: Option<&str>,
    rows: usize,
    repetition: Repetition,
) -> ParquetResult<()> {
    let values = vec![ByteArray::from(text.unwrap_or_default()); if text.is_some() { rows } else { 0 }];
    let defined = (repetition == Repetition::OPTIONAL).then(|| vec![i16::from(text.is_some()); rows]);
    column::<ByteArrayType>(group, &values, defined.as_deref())
}

/// Reads the clocks of a recording with the wanted channels.
pub(crate) fn read_recording(
    dir: &Path,
    clocks: &[Clock],
    wanted: &[ChannelEntry],
) -> Result<Samples, LibraryError> {
    let mut samples = Samples::new();
    for (i, clock) in clocks.iter().enumerate() {
        let own: Vec<_> = wanted.iter().filter(|c| c.clock == i).copied().collect();
        read_clock(&dir.join(&clock.file), clock.rows, &own, &mut samples)?;
    }
    Ok(samples)
}

/// Reads one clock of a recording, with those of its channels that are wanted, and adds both to `samples`.
fn read_clock(
    path: &Path,
    rows: usize,
    wanted: &[ChannelEntry],
    samples: &mut Samples,
) -> Result<(), LibraryError> {
    let file = File::open(path).map_err(|e| match e.kind() {
        io::ErrorKind::NotFound => LibraryError::MissingFile(path.to_owned()),
        _ => io_error("read", path, e),
    })?;
    let damaged = |detail: String| LibraryError::DamagedFile { path: path.to_owned(), detail };
    let reader = SerializedFileReader::new(file).map_err(|e| read_error(path, &e))?;
    let found = reader.metadata().file_metadata().num_rows();
    if found != rows as i64 {
        return Err(damaged(format!("it has {found} rows, the catalogue says {rows}")));
    }
    let time_s = read_column(&reader, TIME, rows).map_err(|e| read_error(path, &e))?;
    let clock = samples.add_clock(time_s).map_err(|e| damaged(e.to_string()))?;
    for entry in wanted {
        let values = read_column(&reader, &header(entry.channel), rows).map_err(|e| read_error(path, &e))?;
        samples.insert(entry.channel, clock, values, entry.origin).map_err(|e| damaged(e.to_string()))?;
    }
    Ok(())
}

/// All values of a column of doubles, NaN for null.
fn read_column(reader: &SerializedFileReader<File>, name: &str, rows: usize) -> ParquetResult<Vec<f64>> {
    let schema = reader.metadata().file_metadata().schema_descr();
    let index = (0..schema.num_columns()).find(|&i| schema.column(i).path().parts() == [name]);
    let index = index.ok_or_else(|| ParquetError::General(format!("it has no column '{name}'")))?;
    if schema.column(index).physical_type() != Physical::DOUBLE {
        return Err(ParquetError::General(format!("its column '{name}' does not hold doubles")));
    }
    let mut values = Vec::with_capacity(rows.min(1 << 24));
    let (mut present, mut defined) = (Vec::new(), Vec::new());
    for group in 0..reader.num_row_groups() {
        let group = reader.get_row_group(group)?;
        let mut column = get_typed_column_reader::<DoubleType>(group.get_column_reader(index)?);
        loop {
            present.clear();
            defined.clear();
            let (read, ..) = column.read_records(GROUP_ROWS, Some(&mut defined), None, &mut present)?;
            if read == 0 {
                break;
            }
            if present.len() == read {
                values.extend_from_slice(&present);
            } else {
                let mut next = present.iter().copied();
                let value = |d: &i16| if *d == 0 { f64::NAN } else { next.next().unwrap_or(f64::NAN) };
                values.extend(defined.iter().map(value));
            }
        }
    }
    if values.len() != rows {
        let detail = format!("its column '{name}' has {} values, {rows} were expected", values.len());
        return Err(ParquetError::General(detail));
    }
    Ok(values)
}

#[cfg(test)]
mod tests {
    use super::*;
    use channels::Origin;

    /// Takes so many bytes, then says that the disk is full.
    struct Full(usize);

    impl Write for Full {
        fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
            match self.0.min(buf.len()) {
                0 => Err(io::ErrorKind::StorageFull.into()),
                n => {
                    self.0 -= n;
                    Ok(n)
                }
            }
        }

        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    fn some() -> (Samples, ClockId) {
        let mut samples = Samples::new();
        let clock = samples.add_clock((0..2000).map(f64::from).collect()).unwrap();
        let speed = (0..2000).map(|i| f64::from(i).sin()).collect();
        samples.insert(Channel::Speed, clock, speed, Origin::Logged).unwrap();
        (samples, clock)
    }

    #[test]
    fn a_full_disk_is_named_wherever_in_the_file_it_comes() {
        let (samples, clock) = some();
        let label = Label { recording: "a", assignment: &Assignment::default(), laps: &[] };
        let path = Path::new("clock-0.parquet");
        let whole = write_columns(Vec::new(), &samples, clock, &label).map(|w| w.0.len()).unwrap();
        for room in (0..whole).step_by(whole / 37) {
            let error = write_columns(Full(room), &samples, clock, &label).map(drop).unwrap_err();
            let error = write_error(path, error);
            assert!(matches!(error, LibraryError::NoSpace(_)), "{room} of {whole} bytes: {error}");
        }
        assert!(write_columns(Full(whole), &samples, clock, &label).is_ok());
    }

    #[test]
    fn rows_belong_to_the_lap_that_starts_with_them() {
        let lap = |number, start_s, end_s| StoredLap {
            number,
            kind: crate::LapKind::Timed,
            start_s,
            end_s,
            lap_time_s: None,
            valid: true,
            notes: Vec::new(),
        };
        let laps = [lap(1, 0.5, 2.0), lap(2, 2.0, 3.5), lap(3, 9.0, 9.0)];
        let rows = laps_of_rows(&[0.0, 1.0, 2.0, 3.0, 4.0], &laps);
        let numbers: Vec<_> = rows.iter().map(|l| l.map(|l| l.number)).collect();
        assert_eq!(numbers, [None, Some(1), Some(2), Some(2), None]);
    }

    #[test]
    fn columns_are_packed_by_what_they_hold() {
        let column = |f: fn(f64) -> f64| (0..9000).map(|i| f(f64::from(i) * 0.01)).collect::<Vec<_>>();
        for (values, packing) in [
            (column(|t| (t / 20.0).floor()), Packing::Dictionary),
            (column(|_| f64::NAN), Packing::Dictionary),
            (Vec::new(), Packing::Dictionary),
            // As a text file gives it: two decimals.
            (column(|t| (5000.0 * (t * 0.7).sin()).round() / 100.0), Packing::Plain),
            (column(|t| 50.0 * (t * 0.7).sin()), Packing::Split),
        ] {
            assert_eq!(Packing::of(&values), packing, "{:?}", &values.get(..3));
        }
    }

    #[test]
    fn headers_say_name_and_unit_and_are_all_different() {
        assert_eq!(header(Channel::AccelX), "accel_x [m/s2]");
        assert_eq!(header(Channel::Lap), "lap [-]");
        let all: std::collections::BTreeSet<_> = Channel::all().map(header).collect();
        assert_eq!(all.len(), Channel::all().count());
        assert!(!all.contains(TIME));
    }
}
