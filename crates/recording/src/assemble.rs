//! From the columns of a file to [`Samples`] and the report: clocks are cleaned, values are judged.
//!
//! The same for every format. A row is kept when its time stamp is a number and later than every kept one before it;
//! everything left out is counted and its first place is named.

use crate::error::{Place, ReadError};
use crate::in_order::in_order;
use crate::plan::{Conversion, Wanted};
use crate::report::{ClockReport, Finding, Gap, Issue};
use channels::{Channel, Origin, Samples, Unit, units_of};

/// The columns that were read from one table, in SI.
pub(crate) struct Table<'a> {
    pub(crate) rows: usize,
    pub(crate) columns: Vec<ReadColumn>,
    /// Rate that the user states for a table without a time column.
    pub(crate) rate_hz: Option<f64>,
    /// Place of a row (from 0) in the file.
    pub(crate) place: &'a (dyn Fn(usize) -> Place + Sync),
}

/// One column, NaN where the file has no finite number.
pub(crate) struct ReadColumn {
    pub(crate) wanted: Wanted,
    pub(crate) values: Vec<f64>,
    /// Fields without a value, and the row of the first.
    pub(crate) missing: Tally,
    /// Infinite values, and the row of the first.
    pub(crate) infinite: Tally,
}

impl ReadColumn {
    /// From the numbers of a file: counts what is not finite, then converts.
    pub(crate) fn of(wanted: Wanted, mut values: Vec<f64>) -> Self {
        let (mut missing, mut infinite) = (Tally::default(), Tally::default());
        let finite = values.iter().filter(|v| v.is_finite()).count();
        if finite == values.len() {
            wanted.conversion.apply(&mut values);
            return Self { wanted, values, missing, infinite };
        }
        for (row, v) in values.iter_mut().enumerate() {
            if v.is_infinite() {
                infinite.note(row);
                *v = f64::NAN;
            } else if v.is_nan() {
                missing.note(row);
            }
        }
        wanted.conversion.apply(&mut values);
        Self { wanted, values, missing, infinite }
    }
}

/// A count and where it began.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Tally {
    pub(crate) count: usize,
    pub(crate) first: usize,
}

impl Tally {
    pub(crate) fn note(&mut self, row: usize) {
        if self.count == 0 {
            self.first = row;
        }
        self.count += 1;
    }

    /// Adds the tally of later rows, which counted from `offset`.
    pub(crate) fn append(&mut self, later: Self, offset: usize) {
        if self.count == 0 {
            self.first = later.first + offset;
        }
        self.count += later.count;
    }
}

/// More rows out of order than this share are no slip of the logger but another file behind the first. Common practice,
/// no source.
const BACKWARDS_SHARE: f64 = 0.01;

/// A time that begins later than this does not count from the start of the recording but from midnight, from the start of
/// the computer or from 1970 \[s\]. Common practice, no source.
const OTHER_ORIGIN_S: f64 = 3600.0;

/// What is taken off all times of a file: nothing, or the first stamp of all where the source counts from elsewhere \[s\].
pub(crate) fn origin_s<'a, 't: 'a>(tables: impl Iterator<Item = &'a Table<'t>>) -> f64 {
    let first = |t: &Table<'_>| {
        let time = t.columns.iter().find(|c| c.wanted.channel == Channel::Time)?;
        time.values.iter().copied().find(|v| v.is_finite())
    };
    tables.filter_map(first).reduce(f64::min).filter(|t| t.abs() > OTHER_ORIGIN_S).unwrap_or(0.0)
}

/// Shorter tables are judged before a thread has started.
const WORTH_THREADS: usize = 20_000;

/// Adds one table to the samples, its times less `origin_s`.
///
/// # Errors
/// Time that runs backwards in more than a slip, or fewer than two usable stamps.
pub(crate) fn add_table(
    file: &str,
    table: Table<'_>,
    origin_s: f64,
    samples: &mut Samples,
    issues: &mut Vec<Issue>,
) -> Result<ClockReport, ReadError> {
    let Table { rows, mut columns, rate_hz, place } = table;
    let time = columns.iter().position(|c| c.wanted.channel == Channel::Time);
    let mut time_s = match (time, rate_hz) {
        (Some(i), _) => columns.remove(i).values,
        (None, Some(rate_hz)) => (0..rows).map(|i| i as f64 / rate_hz).collect(),
        (None, None) => Vec::new(),
    };
    let order = Order::of(&time_s);
    order.refuse_hopeless(file, rows, place)?;
    let mut clock = ClockReport {
        channels: columns.iter().map(|c| c.wanted.channel).collect(),
        stamps: order.kept,
        rate_hz: f64::NAN,
        origin_s,
        gaps: Vec::new(),
        lost: 0,
        repeats: order.repeats.count,
        backwards: order.backwards.count,
        unstamped: order.unstamped.count,
        jitter_ms: 0.0,
    };
    let keep = order.keep.as_deref();
    retain(&mut time_s, keep);
    if origin_s != 0.0 {
        time_s.iter_mut().for_each(|t| *t -= origin_s);
    }
    judge_clock(&time_s, &mut clock);
    let mut found = order.findings(place);
    found.extend(clock_findings(&clock));
    let judge = |column: &mut ReadColumn| {
        retain(&mut column.values, keep);
        judge_values(column, place)
    };
    if rows < WORTH_THREADS {
        found.extend(columns.iter_mut().flat_map(judge));
    } else {
        let mut tasks = columns.iter_mut();
        let take = |findings| {
            found.extend(findings);
            Ok::<_, ReadError>(())
        };
        in_order(|| Ok(tasks.next()), judge, take)?;
    }
    let id = samples.add_clock(time_s).map_err(|e| internal(file, &e))?;
    for column in columns {
        samples
            .insert(column.wanted.channel, id, column.values, Origin::Logged)
            .map_err(|e| internal(file, &e))?;
    }
    issues.extend(found.into_iter().map(Issue::from));
    Ok(clock)
}

/// The clock was cleaned and the columns are of one length; should that ever fail, say so instead of giving up.
fn internal(file: &str, error: &channels::SamplesError) -> ReadError {
    ReadError::Format {
        file: file.to_owned(),
        format: "recording",
        found: error.to_string(),
        advice: "This is a fault of the reader; please report it".to_owned(),
    }
}

fn retain(values: &mut Vec<f64>, keep: Option<&[bool]>) {
    if let Some(keep) = keep {
        let mut flags = keep.iter();
        values.retain(|_| flags.next().copied().unwrap_or(false));
    }
}

/// What is wrong with the order of the stamps.
struct Order {
    /// None: every row is kept.
    keep: Option<Vec<bool>>,
    kept: usize,
    repeats: Tally,
    backwards: Tally,
    unstamped: Tally,
    /// Time and time before of the first stamp that is out of order \[s\].
    fall_s: (f64, f64),
}

impl Order {
    fn of(time_s: &[f64]) -> Self {
        let clean = time_s.first().is_some_and(|t| t.is_finite()) && time_s.windows(2).all(|w| w[1] > w[0]);
        let mut order = Self {
            keep: None,
            kept: time_s.len(),
            repeats: Tally::default(),
            backwards: Tally::default(),
            unstamped: Tally::default(),
            fall_s: (f64::NAN, f64::NAN),
        };
        if clean && time_s.last().is_some_and(|t| t.is_finite()) {
            return order;
        }
        let mut last = f64::NEG_INFINITY;
        let mut keep = vec![false; time_s.len()];
        for (row, &t) in time_s.iter().enumerate() {
            if !t.is_finite() {
                order.unstamped.note(row);
            } else if t > last {
                keep[row] = true;
                last = t;
            } else if t == last {
                order.repeats.note(row);
            } else {
                if order.backwards.count == 0 {
                    order.fall_s = (t, last);
                }
                order.backwards.note(row);
            }
        }
        order.kept = keep.iter().filter(|&&k| k).count();
        order.keep = Some(keep);
        order
    }

    fn refuse_hopeless(
        &self,
        file: &str,
        rows: usize,
        place: &(dyn Fn(usize) -> Place + Sync),
    ) -> Result<(), ReadError> {
        if self.backwards.count as f64 > rows as f64 * BACKWARDS_SHARE {
            return Err(ReadError::TimeBackwards {
                file: file.to_owned(),
                place: place(self.backwards.first),
                time_s: self.fall_s.0,
                before_s: self.fall_s.1,
                rows: self.backwards.count,
            });
        }
        if self.kept < 2 {
            let advice = if self.unstamped.count > 0 {
                format!("{} has no time stamp; check the time column", place(self.unstamped.first))
            } else if self.repeats.count > 0 {
                format!(
                    "{} repeats the stamp before; does the time column count the time?",
                    place(self.repeats.first)
                )
            } else {
                "One sample is no drive; export a longer stretch".to_owned()
            };
            return Err(ReadError::TooFewSamples { file: file.to_owned(), stamps: self.kept, rows, advice });
        }
        Ok(())
    }

    fn findings(&self, place: &(dyn Fn(usize) -> Place + Sync)) -> Vec<Finding> {
        let first = |t: &Tally| place(t.first).to_string();
        let mut found = Vec::new();
        if self.repeats.count > 0 {
            found.push(Finding::Repeats { count: self.repeats.count, first: first(&self.repeats) });
        }
        if self.backwards.count > 0 {
            let (time_s, before_s) = self.fall_s;
            found.push(Finding::Backwards {
                count: self.backwards.count,
                first: first(&self.backwards),
                time_s,
                before_s,
            });
        }
        if self.unstamped.count > 0 {
            found.push(Finding::Unstamped { count: self.unstamped.count, first: first(&self.unstamped) });
        }
        found
    }
}

/// A gap is longer than half a step more than the median step, and longer than the clock's own unevenness explains: twice
/// the distance of the 95th percentile from the median. Common practice, no source.
const GAP_STEPS: f64 = 1.5;
const GAP_SPREADS: f64 = 2.0;
const SPREAD_QUANTILE: f64 = 0.95;

/// Steps that vary by more than this share of a step (root mean square) are worth a word. Common practice, no source.
const JITTER_SHARE: f64 = 0.05;

/// Rate, gaps and jitter of n >= 2 increasing stamps.
fn judge_clock(time_s: &[f64], clock: &mut ClockReport) {
    let steps: Vec<f64> = time_s.windows(2).map(|w| w[1] - w[0]).collect();
    let mut sorted = steps.clone();
    let mut quantile = |q: f64| {
        let rank = ((sorted.len() - 1) as f64 * q).round() as usize;
        *sorted.select_nth_unstable_by(rank, f64::total_cmp).1
    };
    let (median_s, high_s) = (quantile(0.5), quantile(SPREAD_QUANTILE));
    let longest_s = (GAP_STEPS * median_s).max(median_s + GAP_SPREADS * (high_s - median_s));
    // Stamps are rounded, so one step may not be the step: the mean of all is. A rounding more is no gap.
    let is_gap = |step: &f64| *step > longest_s * (1.0 + ROUNDING);
    let (even, total_s) = steps.iter().filter(|s| !is_gap(s)).fold((0.0, 0.0), |(n, t), s| (n + 1.0, t + s));
    let step_s = total_s / even;
    clock.rate_hz = 1.0 / step_s;
    let mut squares = 0.0;
    for (i, step) in steps.iter().enumerate() {
        if is_gap(step) {
            clock.gaps.push(Gap { from_s: time_s[i], to_s: time_s[i + 1] });
            clock.lost += ((step / step_s).round() as usize).saturating_sub(1);
        } else {
            squares += (step - step_s).powi(2);
        }
    }
    clock.jitter_ms = 1e3 * (squares / even).sqrt();
}

/// Differences of stamps carry the rounding of the stamps themselves.
const ROUNDING: f64 = 1e-6;

/// Rates that a recording of a drive may have \[Hz\]; outside it the unit of the time is wrong. Common practice, no source.
const SLOWEST_HZ: f64 = 0.9;
const FASTEST_HZ: f64 = 20_000.0;

fn clock_findings(clock: &ClockReport) -> Vec<Finding> {
    let mut found = Vec::new();
    let length = |g: &Gap| g.to_s - g.from_s;
    if let Some(longest) = clock.gaps.iter().copied().max_by(|a, b| length(a).total_cmp(&length(b))) {
        found.push(Finding::Gaps {
            count: clock.gaps.len(),
            lost: clock.lost,
            longest_s: length(&longest),
            from_s: longest.from_s,
        });
    }
    let step_ms = 1e3 / clock.rate_hz;
    if !(SLOWEST_HZ..=FASTEST_HZ).contains(&clock.rate_hz) {
        found.push(Finding::OddRate { rate_hz: clock.rate_hz, step_s: 1.0 / clock.rate_hz });
    }
    if clock.jitter_ms > JITTER_SHARE * step_ms {
        found.push(Finding::Jitter { jitter_ms: clock.jitter_ms, step_ms });
    }
    found
}

/// A pedal that moves, but never beyond this, was divided by a hundred once too often.
const PEDAL_IN_PERCENT_TWICE: f64 = 0.0101;

fn judge_values(column: &ReadColumn, place: &(dyn Fn(usize) -> Place + Sync)) -> Vec<Finding> {
    let Wanted { channel, conversion, heading, .. } = &column.wanted;
    let (channel, heading) = (*channel, || heading.clone());
    let mut found = Vec::new();
    let Tally { count, first } = column.missing;
    if count > 0 {
        found.push(Finding::Missing { channel, column: heading(), count, first: place(first).to_string() });
    }
    let Tally { count, first } = column.infinite;
    if count > 0 {
        found.push(Finding::Infinite { channel, column: heading(), count, first: place(first).to_string() });
    }
    let (low, high) = channel.plausible();
    let Some((least, most)) = range(&column.values) else { return found };
    let is_outside = |v: &&f64| **v < low || **v > high;
    let outside =
        if least < low || most > high { column.values.iter().filter(is_outside).count() } else { 0 };
    if outside > 0 {
        let (a, b) = (conversion.raw(least), conversion.raw(most));
        found.push(Finding::Implausible {
            channel,
            column: heading(),
            outside,
            values: column.values.iter().filter(|v| !v.is_nan()).count(),
            low,
            high,
            unit: channel.dimension().si_symbol().to_owned(),
            least: a.min(b),
            most: a.max(b),
            hint: other_unit(
                channel,
                conversion,
                a.min(b),
                a.max(b),
                outside as f64 / column.values.len() as f64,
            ),
        });
    }
    let pedal = matches!(
        channel,
        Channel::Throttle | Channel::Brake | Channel::ThrottleTravel | Channel::BrakeTravel
    );
    if pedal && conversion.unit.factor < 1.0 && most > 0.0 && most < PEDAL_IN_PERCENT_TWICE {
        found.push(Finding::NeverBeyondOnePercent { channel, column: heading(), most });
    }
    if least == most && column.values.len() > 1 {
        found.push(Finding::Constant {
            channel,
            column: heading(),
            value: conversion.raw(most),
            unit: conversion.unit.symbol.to_owned(),
        });
    }
    found
}

/// Least and greatest of the values that are there.
///
/// Eight lanes at once, which do not wait for one another; a comparison with NaN is false and changes nothing.
fn range(values: &[f64]) -> Option<(f64, f64)> {
    const LANES: usize = 8;
    let (mut least, mut most) = ([f64::INFINITY; LANES], [f64::NEG_INFINITY; LANES]);
    let mut put = |lane: usize, v: f64| {
        least[lane] = if v < least[lane] { v } else { least[lane] };
        most[lane] = if v > most[lane] { v } else { most[lane] };
    };
    let mut chunks = values.chunks_exact(LANES);
    for chunk in &mut chunks {
        (0..LANES).for_each(|i| put(i, chunk[i]));
    }
    chunks.remainder().iter().for_each(|&v| put(0, v));
    let (least, most) = (least.into_iter().reduce(f64::min)?, most.into_iter().reduce(f64::max)?);
    (least <= most).then_some((least, most))
}

/// Fewer values outside the range than this are spikes, not a wrong unit. Common practice, no source.
const SPIKES: f64 = 0.002;

/// Units in which files are commonly written, the commonest first. Common practice, no source.
const COMMON: &[&str] = &[
    "%", "degC", "deg", "km/h", "bar", "psi", "kPa", "mm", "mm/s", "1/min", "g", "m/s2", "deg/s", "degF",
    "mph", "rad/s", "rad",
];

/// What may explain values outside the range: units in which the numbers of the column would be plausible.
fn other_unit(channel: Channel, used: &Conversion, least: f64, most: f64, outside: f64) -> String {
    if outside < SPIKES {
        return "these look like spikes".to_owned();
    }
    let (low, high) = channel.plausible();
    let fits = |u: &&Unit| u.symbol != used.unit.symbol && u.to_si(least) >= low && u.to_si(most) <= high;
    let rank = |u: &&Unit| COMMON.iter().position(|c| *c == u.symbol);
    let mut units: Vec<&Unit> =
        units_of(channel.dimension()).filter(fits).filter(|u| rank(u).is_some()).collect();
    units.sort_by_key(rank);
    let symbols: Vec<&str> = units.iter().map(|u| u.symbol).take(3).collect();
    if symbols.is_empty() {
        "check what the column holds".to_owned()
    } else {
        format!("it would fit in {}: state the unit in a map if so", symbols.join(" or "))
    }
}
