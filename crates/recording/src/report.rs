//! What an import found, in numbers and in sentences.

use channels::Channel;
use serde::Serialize;
use std::collections::BTreeMap;
use std::fmt;

/// Formats that can be read; each is found by content.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Format {
    /// Text in columns.
    Csv,
    /// Apache Parquet.
    Parquet,
    /// ASAM MDF 4.
    Mdf4,
}

impl fmt::Display for Format {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Csv => "CSV",
            Self::Parquet => "Parquet",
            Self::Mdf4 => "MDF 4",
        })
    }
}

/// Everything that an import found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Report {
    /// Name of the file, or of the bytes.
    pub source: String,
    /// Format of the content.
    pub format: Format,
    /// Rows in the file, before any were left out.
    pub rows: usize,
    /// Every column of the file, in its order.
    pub columns: Vec<ColumnReport>,
    /// Every clock, in the order of [`Samples::clocks`](channels::Samples::clocks).
    pub clocks: Vec<ClockReport>,
    /// What the file says about itself, and how it was written (separator, decimal mark, encoding).
    pub metadata: BTreeMap<String, String>,
    /// What the user should know.
    pub issues: Vec<Issue>,
}

/// What became of one column.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ColumnReport {
    /// Header as it stands in the file.
    pub column: String,
    /// Unit that the values were read in; none when the column was left out without a unit.
    pub unit: Option<String>,
    /// The channel it became, if any.
    pub channel: Option<Channel>,
    /// Why it was left out.
    pub reason: Option<String>,
    /// What the name and the unit say by themselves, at most two, the best first: the guess and the runner-up. Empty where
    /// a map decides or nothing is near.
    pub guesses: Vec<Guess>,
}

/// A channel that a column may be.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Guess {
    /// The channel.
    pub channel: Channel,
    /// How sure it is, 0 to 1: name, unit and the share of plausible values multiplied.
    pub confidence: f64,
}

/// One clock of the recording.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ClockReport {
    /// The channels on it.
    pub channels: Vec<Channel>,
    /// Time stamps that are kept.
    pub stamps: usize,
    /// One over the mean step, gaps aside \[Hz\].
    pub rate_hz: f64,
    /// Taken off the file's time so that the recording starts near zero \[s\]; a Unix time when the file has one.
    pub origin_s: f64,
    /// Stretches without samples.
    pub gaps: Vec<Gap>,
    /// Samples that the gaps would have held at the sampling rate.
    pub lost: usize,
    /// Rows left out because their stamp repeats the one before.
    pub repeats: usize,
    /// Rows left out because their stamp is earlier than one before.
    pub backwards: usize,
    /// Rows left out because they have no stamp.
    pub unstamped: usize,
    /// Root mean square of step minus mean step, gaps aside \[ms\].
    pub jitter_ms: f64,
}

/// A stretch without samples.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Gap {
    /// Last stamp before it \[s\].
    pub from_s: f64,
    /// First stamp after it \[s\].
    pub to_s: f64,
}

/// Something that the user should know, as a value and as a sentence.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Issue {
    /// The value.
    #[serde(flatten)]
    pub finding: Finding,
    /// The same for reading: what, where, and what to do where something can be done.
    pub sentence: String,
}

impl From<Finding> for Issue {
    fn from(finding: Finding) -> Self {
        Self { sentence: finding.to_string(), finding }
    }
}

/// What can be odd about a recording that is still usable. `line` counts lines of text, or rows of a table, from 1.
#[derive(Debug, Clone, PartialEq, Serialize, thiserror::Error)]
#[serde(tag = "kind", rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum Finding {
    /// The header states no unit.
    #[error("{channel}: column '{column}' states no unit; {unit} is assumed")]
    UnitAssumed { channel: Channel, column: String, unit: String },
    /// Values outside what a car can show.
    #[error(
        "{channel}: {outside} of {values} values are outside {low:.4} to {high:.4} {unit} (column '{column}' spans {least:.4} to {most:.4} in its own unit); {hint}"
    )]
    Implausible {
        channel: Channel,
        column: String,
        outside: usize,
        values: usize,
        low: f64,
        high: f64,
        unit: String,
        least: f64,
        most: f64,
        hint: String,
    },
    /// A pedal that never gets beyond a hundredth.
    #[error(
        "{channel}: column '{column}' never exceeds {most:.4} of full travel; if it counts from 0 to 1, state unit = \"-\" in a map"
    )]
    NeverBeyondOnePercent { channel: Channel, column: String, most: f64 },
    /// The same value throughout.
    #[error("{channel}: column '{column}' is {value} {unit} throughout")]
    Constant { channel: Channel, column: String, value: f64, unit: String },
    /// Fields that are empty or say that there is no value.
    #[error(
        "{channel}: column '{column}' has {count} fields without a value (first in {first}); they are read as missing"
    )]
    Missing { channel: Channel, column: String, count: usize, first: String },
    /// Infinite values.
    #[error(
        "{channel}: column '{column}' has {count} infinite values (first in {first}); they are read as missing"
    )]
    Infinite { channel: Channel, column: String, count: usize, first: String },
    /// Stretches without samples.
    #[error("{} without samples, {lost} samples lost in all; the longest takes {longest_s:.3} s from {from_s:.3} s on", counted(*count, "stretch", "stretches"))]
    Gaps { count: usize, lost: usize, longest_s: f64, from_s: f64 },
    /// Steps vary a lot.
    #[error("the clock is uneven: steps vary by {jitter_ms:.1} ms around {step_ms:.1} ms")]
    Jitter { jitter_ms: f64, step_ms: f64 },
    /// A rate that no recording of a drive has.
    #[error(
        "time: the sampling rate comes out as {rate_hz:.4} Hz, a step of {step_s:.6} s; is the time in another unit? State it in a map: [channels.time] unit = \"ms\""
    )]
    OddRate { rate_hz: f64, step_s: f64 },
    /// Repeated stamps.
    #[error("{} the time stamp of the row before (first in {first}); only the first of each is kept", counted(*count, "row repeats", "rows repeat"))]
    Repeats { count: usize, first: String },
    /// Stamps out of order.
    #[error("time runs backwards in {} (first in {first}, {time_s:.3} s after {before_s:.3} s); they are left out", counted(*count, "row", "rows"))]
    Backwards { count: usize, first: String, time_s: f64, before_s: f64 },
    /// Rows without a stamp.
    #[error("{} no time stamp (first in {first}) and left out", counted(*count, "row has", "rows have"))]
    Unstamped { count: usize, first: String },
    /// The last line ends early.
    #[error(
        "{place}: the file ends in the middle of the row, with {found} of {expected} fields; the row is left out"
    )]
    CutOff { place: String, found: usize, expected: usize },
    /// A compressed file is damaged or cut off.
    #[error("the compressed file breaks off after {at} unpacked bytes ({reason}); the rows before are kept")]
    BrokenOff { at: u64, reason: String },
    /// A group of channels has fewer records than its description says.
    #[error("the group of channels '{group}' has {found} of {promised} records{}; what is there is kept", cut_at.map_or(String::new(), |b| format!(" (the file ends at byte {b})")))]
    RecordsMissing { group: String, found: usize, promised: u64, cut_at: Option<u64> },
    /// A group of channels cannot be used.
    #[error("the group of channels '{group}' is left out with {}: {reason}", listed(channels))]
    GroupLeftOut { group: String, channels: Vec<Channel>, reason: String },
    /// Two columns for one channel.
    #[error(
        "{channel}: both '{used}' and '{left_out}' fit; '{used}' is used. Name the right one in a map: [channels.{channel}] column = \"…\""
    )]
    TwoColumns { channel: Channel, used: String, left_out: String },
    /// Of several files, one without a channel.
    #[error("{file} is left out: none of its columns was recognised; name them in a map to use them")]
    FileLeftOut { file: String },
    /// Several files whose times all start near zero.
    #[error(
        "the {files} files do not say when they start; they are taken to start together. If they do not, the cross-checks show the delay"
    )]
    StartedTogether { files: usize },
    /// Two files for one channel.
    #[error("{channel}: both {used} and {left_out} have it; {used} is used")]
    TwoFiles { channel: Channel, used: String, left_out: String },
    /// A known name in a unit of another kind.
    #[error("{channel}: column '{column}' is left out: {reason}")]
    UnitMisfit { channel: Channel, column: String, reason: String },
}

fn listed(channels: &[Channel]) -> String {
    channels.iter().map(|c| c.name()).collect::<Vec<_>>().join(", ")
}

fn counted(count: usize, one: &str, many: &str) -> String {
    format!("{count} {}", if count == 1 { one } else { many })
}
