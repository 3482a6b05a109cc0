//! What can make a recording unusable. Everything less is an [`Issue`](crate::Issue) in the report.

use channels::{Channel, UnknownUnit};
use std::fmt;

/// Where in a file something stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// Line of a text file, from 1.
    Line(u64),
    /// Row of a table, from 1.
    Row(u64),
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Line(n) => write!(f, "line {n}"),
            Self::Row(n) => write!(f, "row {n}"),
        }
    }
}

/// A recording of which nothing is usable, or a question that only the user can settle.
///
/// Each message says where, what was found, what was expected and what to do.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum ReadError {
    /// The file cannot be opened.
    #[error("{file}: cannot be opened ({source}); check the path and whether you may read it")]
    Open { file: String, source: std::io::Error },
    /// A folder, a pipe or a device.
    #[error("{file}: is not a file; name the recording itself")]
    NotAFile { file: String },
    /// Reading broke off.
    #[error(
        "{file}: reading failed at byte {offset} ({source}); copy the file to a sound disk and try again"
    )]
    Read { file: String, offset: u64, source: std::io::Error },
    /// No byte, or nothing but blank lines.
    #[error("{file}: is empty; expected a header line and rows of numbers. Export the recording again")]
    Empty { file: String },
    /// None of the known formats.
    #[error(
        "{file}: {found}; expected CSV text, Apache Parquet or ASAM MDF 4 (found by content, not by name). Export the recording in one of these"
    )]
    UnknownContent { file: String, found: String },
    /// Text, but no line that names the columns.
    #[error(
        "{file}: line {line}: found '{found}' where a header was expected, a line of column names such as 'Time [s],Speed [km/h]'. Add one as the first line"
    )]
    NoHeader { file: String, line: u64, found: String },
    /// A header and then nothing.
    #[error(
        "{file}: line {line}: the header has {columns} columns, but no row of numbers follows. Export the recording again"
    )]
    NoData { file: String, line: u64, columns: usize },
    /// No column that tells the time.
    #[error(
        "{file}: line {line}: no time column; expected one such as 'Time [s]', found {found}. Name it in a map: [channels.time] column = \"…\", unit = \"s\"; if the file has none, state its sampling rate: rate_hz = 100"
    )]
    NoTimeColumn { file: String, line: u64, found: String },
    /// Only the time was recognised.
    #[error(
        "{file}: line {line}: no column besides the time was recognised, found {found}. Name the columns in a map: [channels.speed] column = \"…\", unit = \"…\""
    )]
    NoChannel { file: String, line: u64, found: String },
    /// A row with too few or too many fields.
    #[error(
        "{file}: line {line}: found {found} fields, expected {expected} as in the header. Correct or delete the line"
    )]
    Ragged { file: String, line: u64, found: usize, expected: usize },
    /// Text in a column of numbers.
    #[error("{file}: {place}, column {column} ('{header}'): found '{found}', expected a number; {advice}")]
    NotANumber { file: String, place: Place, column: usize, header: String, found: String, advice: String },
    /// A recognised column in a unit that is not in the table.
    #[error(
        "{file}: line {line}, column {column} ('{header}'): {unit}. State a known unit in a map: [channels.{channel}] unit = \"…\", or leave the column out: ignore = [\"{header}\"]"
    )]
    UnknownUnit {
        file: String,
        line: u64,
        column: usize,
        header: String,
        channel: Channel,
        unit: UnknownUnit,
    },
    /// The time column has a unit that is no time.
    #[error(
        "{file}: line {line}, column {column} ('{header}'): the unit '{unit}' is no unit of time; expected s, ms, us, min or h. State it in a map: [channels.time] unit = \"…\""
    )]
    TimeUnit { file: String, line: u64, column: usize, header: String, unit: String },
    /// Too many rows are out of order to be a slip of the logger.
    #[error(
        "{file}: {place}: time runs backwards, {time_s} s after {before_s} s ({rows} rows are out of order). Split the file where the clock restarts, or sort it by time"
    )]
    TimeBackwards { file: String, place: Place, time_s: f64, before_s: f64, rows: usize },
    /// Fewer than two different time stamps.
    #[error("{file}: {stamps} usable time stamp(s) in {rows} row(s), expected at least 2. {advice}")]
    TooFewSamples { file: String, stamps: usize, rows: usize, advice: String },
    /// The map names a column that the file lacks.
    #[error(
        "{file}: the map takes {channel} from column '{column}', which is not there; {near}. Correct `column` in the map"
    )]
    NoSuchColumn { file: String, channel: Channel, column: String, near: String },
    /// The map gives signs or units to a channel that no column was recognised as.
    #[error(
        "{file}: the map describes {channel} without `column`, and no column was recognised as {channel}; found {found}. Add column = \"…\" to [channels.{channel}]"
    )]
    NothingForChannel { file: String, channel: Channel, found: String },
    /// The map's unit does not measure the channel.
    #[error("{file}: the map's unit for {channel}: {reason}")]
    MapUnit { file: String, channel: Channel, reason: String },
    /// Several files that cannot be laid on one time axis.
    #[error(
        "{file}: the files have no time in common: {found}. Give files of the same drive, with times that count from the same moment"
    )]
    NoCommonTime { file: String, found: String },
    /// A file of a known format that is damaged or uses a part of the format that is not read.
    #[error("{file}: {format} file: {found}. {advice}")]
    Format { file: String, format: &'static str, found: String, advice: String },
}
