//! Recordings and laps written out: CSV, Parquet and MDF 4, as other programs read them.
//!
//! Columns are named `name [unit]` by the vocabulary (in MDF the unit stands beside the name), time first. In SI every number
//! is written so that it reads back to the last bit; in the units of daily use it is what the conversion of the unit makes of
//! it. Times are those of the recording. A value that was not logged is an empty field, a null or a NaN.
//!
//! MDF keeps every clock as a group of its own. CSV and Parquet are one table: its rows are the stamps of all clocks, and a
//! channel has values only at the stamps of its own clock.

mod mdf;
mod parquet;

use crate::report::Format;
use channels::{Channel, Dimension, Samples, Unit};
use std::collections::BTreeMap;
use std::io::{BufWriter, Write};

/// Units of an export.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Units {
    /// SI: exact.
    #[default]
    Si,
    /// Those of daily use: km/h, deg, bar, degC, %, 1/min.
    Daily,
}

/// A lap, for recordings that do not have the channel `lap` themselves.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LapSpan {
    /// Its number.
    pub number: i32,
    /// First crossing of the line \[s\].
    pub from_s: f64,
    /// Second crossing of the line \[s\].
    pub to_s: f64,
}

/// What is written.
#[derive(Debug, Clone, Default)]
pub struct Export<'a> {
    /// Only samples with stamps in this range \[s\]; all when none.
    pub span_s: Option<(f64, f64)>,
    /// Only these channels; all when none.
    pub channels: Option<&'a [Channel]>,
    /// Units.
    pub units: Units,
    /// Laps that become the channel `lap` where the recording has none. Samples between laps have no lap.
    pub laps: &'a [LapSpan],
    /// What the file says about itself.
    pub metadata: BTreeMap<String, String>,
}

/// What was written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Exported {
    /// Rows, over all groups.
    pub rows: usize,
    /// Channels, in the order of the columns.
    pub channels: Vec<Channel>,
}

/// An export that cannot be written.
#[derive(Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum ExportError {
    /// None of the wanted channels is there.
    #[error(
        "there is nothing to write: the recording has none of the channels {wanted}. Leave the list out to write all"
    )]
    NoChannel { wanted: String },
    /// No sample in the range.
    #[error(
        "there is no sample between {from_s:.3} s and {to_s:.3} s; the recording spans {first_s:.3} s to {last_s:.3} s"
    )]
    NoSamples { from_s: f64, to_s: f64, first_s: f64, last_s: f64 },
    /// The disk is full, or the file cannot be written.
    #[error("writing failed ({0}); check the disk and whether you may write there")]
    Write(#[from] std::io::Error),
    /// The Parquet library refuses.
    #[error("the Parquet file cannot be written ({0})")]
    Parquet(String),
}

/// One group of columns that share their stamps.
struct Table {
    time_s: Vec<f64>,
    columns: Vec<Column>,
}

struct Column {
    channel: Channel,
    unit: Unit,
    values: Vec<f64>,
}

impl Column {
    fn heading(&self) -> String {
        format!("{} [{}]", self.channel, self.unit.symbol)
    }
}

/// The unit of daily use of a channel. Common practice, no source.
fn daily(channel: Channel) -> Unit {
    let symbol = match (channel, channel.dimension()) {
        (Channel::EngineSpeed, _) => "1/min",
        (Channel::DamperTravel(_) | Channel::RideHeight(_), _) => "mm",
        (Channel::DamperSpeed(_), _) => "mm/s",
        (Channel::ForceFeedbackCommand | Channel::SlipRatio(_), _) => "-",
        (_, Dimension::Speed) => "km/h",
        (_, Dimension::Angle) => "deg",
        (_, Dimension::AngularRate) => "deg/s",
        (_, Dimension::Pressure) => "bar",
        (_, Dimension::Temperature) => "degC",
        (_, Dimension::Ratio) => "%",
        _ => return Unit::si(channel.dimension()),
    };
    Unit::parse(symbol, Some(channel.dimension())).unwrap_or(Unit::si(channel.dimension()))
}

/// Writes a recording or a part of it.
///
/// # Errors
/// [`ExportError`] when there is nothing to write or writing fails; what was written by then is of no use.
pub fn export(
    samples: &Samples,
    what: &Export<'_>,
    format: Format,
    out: &mut (impl Write + Send),
) -> Result<Exported, ExportError> {
    let tables = tables(samples, what)?;
    let channels: Vec<Channel> = tables.iter().flat_map(|t| t.columns.iter().map(|c| c.channel)).collect();
    let mut out = BufWriter::new(out);
    let rows = match format {
        Format::Csv => {
            let table = joined(tables);
            csv(&table, &mut out)?;
            table.time_s.len()
        }
        Format::Parquet => {
            let table = joined(tables);
            parquet::write(&table, &what.metadata, &mut out)?;
            table.time_s.len()
        }
        Format::Mdf4 => {
            mdf::write(&tables, &what.metadata, &mut out)?;
            tables.iter().map(|t| t.time_s.len()).sum()
        }
    };
    out.flush()?;
    Ok(Exported { rows, channels })
}

/// The wanted part of every clock.
fn tables(samples: &Samples, what: &Export<'_>) -> Result<Vec<Table>, ExportError> {
    let wanted = |c: Channel| what.channels.is_none_or(|list| list.contains(&c));
    let has_lap = samples.clock_of(Channel::Lap).is_some();
    let any = samples.channels().any(wanted);
    if !any {
        let names: Vec<String> = what.channels.unwrap_or_default().iter().map(|c| c.name()).collect();
        return Err(ExportError::NoChannel { wanted: names.join(", ") });
    }
    let (first_s, last_s) = samples.span_s().unwrap_or((0.0, 0.0));
    let (from_s, to_s) = what.span_s.unwrap_or((first_s, last_s));
    let unit_of = |channel: Channel| match what.units {
        Units::Si => Unit::si(channel.dimension()),
        Units::Daily => daily(channel),
    };
    let mut tables = Vec::new();
    for (clock, time_s) in samples.clocks() {
        let from = time_s.partition_point(|&t| t < from_s);
        let to = time_s.partition_point(|&t| t <= to_s).max(from);
        let mut columns: Vec<Column> = samples
            .channels()
            .filter(|&c| wanted(c) && samples.clock_of(c) == Some(clock))
            .filter_map(|c| Some((c, samples.get(c)?)))
            .map(|(channel, view)| {
                let unit = unit_of(channel);
                let si = &view.values[from..to];
                // SI goes through no arithmetic.
                let values = match what.units {
                    Units::Si => si.to_vec(),
                    Units::Daily => si.iter().map(|&v| unit.from_si(v)).collect(),
                };
                Column { channel, unit, values }
            })
            .collect();
        if columns.is_empty() || from == to {
            continue;
        }
        let time_s = time_s[from..to].to_vec();
        if !has_lap && !what.laps.is_empty() && wanted(Channel::Lap) && tables.is_empty() {
            let number = |t: f64| what.laps.iter().find(|l| t >= l.from_s && t < l.to_s);
            let values =
                time_s.iter().map(|&t| number(t).map_or(f64::NAN, |l| f64::from(l.number))).collect();
            columns.insert(0, Column { channel: Channel::Lap, unit: unit_of(Channel::Lap), values });
        }
        tables.push(Table { time_s, columns });
    }
    if tables.is_empty() {
        return Err(ExportError::NoSamples { from_s, to_s, first_s, last_s });
    }
    Ok(tables)
}

/// All groups as one: the stamps of all, each channel at its own.
fn joined(mut tables: Vec<Table>) -> Table {
    if tables.len() == 1
        && let Some(only) = tables.pop()
    {
        return only;
    }
    let mut time_s: Vec<f64> = tables.iter().flat_map(|t| t.time_s.iter().copied()).collect();
    time_s.sort_by(f64::total_cmp);
    time_s.dedup();
    let mut columns = Vec::new();
    for table in tables {
        let mut rows = Vec::with_capacity(table.time_s.len());
        let mut at = 0;
        for t in &table.time_s {
            while time_s[at] < *t {
                at += 1;
            }
            rows.push(at);
        }
        for column in table.columns {
            let mut values = vec![f64::NAN; time_s.len()];
            for (&row, v) in rows.iter().zip(&column.values) {
                values[row] = *v;
            }
            columns.push(Column { values, ..column });
        }
    }
    Table { time_s, columns }
}

/// The shortest text of each number that reads back as the same number.
fn csv(table: &Table, out: &mut impl Write) -> Result<(), ExportError> {
    write!(out, "time [s]")?;
    for column in &table.columns {
        write!(out, ",{}", column.heading())?;
    }
    writeln!(out)?;
    for (row, t) in table.time_s.iter().enumerate() {
        write!(out, "{t}")?;
        for column in &table.columns {
            let v = column.values[row];
            if v.is_nan() { write!(out, ",")? } else { write!(out, ",{v}")? }
        }
        writeln!(out)?;
    }
    Ok(())
}
