//! Source profiles: a map that knows its source again.
//!
//! [`Map::learned`] turns what an import recognised, with what the user stated and what the cross-checks settled, into a map
//! that names every column. Saved as TOML and handed to [`read_with`] next time, it is applied to files with the same
//! columns: no guess is made twice.

use crate::consistency::{self, Fix, FixKind};
use crate::map::{Entry, Map, SourceMark};
use crate::packed::{Counted, Packing};
use crate::report::{Finding, Format, Report};
use crate::store::Store;
use crate::{Progress, ReadError, Reading, Source, csv, has_store, mdf, names, parquet, read};
use channels::{Channel, Unit};
use std::collections::BTreeSet;

use std::io::Read;

/// Least share of columns in common for a profile to be applied. A source gains a column with an update now and then; two
/// sources share some names. Common practice, no source.
pub const PROFILE_FITS: f64 = 0.8;

impl Map {
    /// Name that the user gave to the source, for a map that is a source profile.
    #[must_use]
    pub fn source_name(&self) -> Option<&str> {
        self.source.as_ref().map(|s| s.name.as_str())
    }

    /// Share of columns that the profile's source and a file have in common, 0 to 1: columns in both over columns in
    /// either. 0 for a map that is no profile. Case does not matter.
    #[must_use]
    pub fn fits(&self, columns: &[String]) -> f64 {
        let Some(source) = &self.source else { return 0.0 };
        let set = |names: &[String]| names.iter().map(|n| n.trim().to_lowercase()).collect::<BTreeSet<_>>();
        let (a, b) = (set(&source.columns), set(columns));
        let either = a.union(&b).count();
        if either == 0 { 0.0 } else { a.intersection(&b).count() as f64 / either as f64 }
    }

    /// The map as a source profile: every column that an import with this map recognised, under a name for the source.
    #[must_use]
    pub fn learned(&self, name: &str, report: &Report) -> Self {
        let mut map = self.clone();
        for column in &report.columns {
            let Some(channel) = column.channel else { continue };
            // In MDF the master of a group is its time, whatever its name.
            if channel == Channel::Time && report.format == Format::Mdf4 {
                continue;
            }
            let entry = map.channels.entry(channel).or_default();
            if entry.column.is_none() {
                entry.column = Some(column.column.clone());
            }
            if entry.unit.is_none() {
                entry.unit = column.unit.clone().filter(|u| !u.is_empty());
            }
        }
        let mut columns: Vec<String> = report.columns.iter().map(|c| c.column.clone()).collect();
        columns.dedup();
        map.source = Some(SourceMark { name: name.to_owned(), columns });
        map
    }

    /// The map with fixes of the cross-checks, so that the next import has them. `report` is that of an import with this
    /// map.
    #[must_use]
    pub fn with_fixes(&self, fixes: &[Fix], report: &Report) -> Self {
        let mut map = self.clone();
        for fix in fixes {
            map.amend(fix, report);
        }
        map
    }

    fn amend(&mut self, fix: &Fix, report: &Report) {
        let column = |c: Channel| report.columns.iter().find(|r| r.channel == Some(c));
        let unit = |c: Channel| {
            let symbol = column(c).and_then(|r| r.unit.as_deref());
            let parsed = symbol.and_then(|s| Unit::parse(s, Some(c.dimension())).ok());
            parsed.unwrap_or(Unit::si(c.dimension()))
        };
        let channels: Vec<Channel> = match (&fix.change, fix.channel) {
            (FixKind::Mirror, _) => {
                Channel::all().filter(|c| c.is_lateral() && column(*c).is_some()).collect()
            }
            (FixKind::Unit { .. }, Channel::X) => {
                [Channel::X, Channel::Y, Channel::Z].into_iter().filter(|c| column(*c).is_some()).collect()
            }
            (_, c) => vec![c],
        };
        for c in channels {
            if let FixKind::LeaveOut = fix.change {
                self.channels.remove(&c);
                self.ignore.extend(column(c).map(|r| r.column.clone()));
                continue;
            }
            let unit = unit(c);
            let entry: &mut Entry = self.channels.entry(c).or_default();
            // value = sign · factor · (column · scale + offset + the unit's own offset)
            match fix.change {
                FixKind::Sign | FixKind::Mirror => entry.sign = -entry.sign,
                FixKind::Invert => {
                    entry.offset -= entry.sign / unit.factor;
                    entry.sign = -entry.sign;
                }
                FixKind::Unit { factor, .. } => {
                    entry.scale *= factor;
                    entry.offset *= factor;
                }
                FixKind::Offset { add } => entry.offset += entry.sign * add / unit.factor,
                FixKind::Delay { delay_s } => entry.delay_s += delay_s,
                FixKind::LeaveOut => {}
            }
        }
    }

    /// The map as the text of a TOML file, which [`Map::from_toml_str`] reads back as the same map.
    #[must_use]
    pub fn to_toml_string(&self) -> String {
        let mut top = toml::Table::new();
        let text = |s: &str| toml::Value::String(s.to_owned());
        if let Some(separator) = self.separator {
            let name = if separator == b'\t' { "tab".to_owned() } else { char::from(separator).to_string() };
            top.insert("separator".to_owned(), text(&name));
        }
        if let Some(comma) = self.decimal_comma {
            top.insert("decimal_mark".to_owned(), text(if comma { "," } else { "." }));
        }
        if !self.ignore.is_empty() {
            top.insert("ignore".to_owned(), self.ignore.iter().map(|s| text(s)).collect::<Vec<_>>().into());
        }
        if let Some(density) = self.fuel_density_kg_per_l {
            top.insert("fuel_density_kg_per_l".to_owned(), density.into());
        }
        if let Some(rate) = self.rate_hz {
            top.insert("rate_hz".to_owned(), rate.into());
        }
        if let Some(source) = &self.source {
            let mut table = toml::Table::new();
            table.insert("name".to_owned(), text(&source.name));
            table.insert(
                "columns".to_owned(),
                source.columns.iter().map(|s| text(s)).collect::<Vec<_>>().into(),
            );
            top.insert("source".to_owned(), table.into());
        }
        let mut channels = toml::Table::new();
        for (channel, entry) in &self.channels {
            let mut table = toml::Table::new();
            if let Some(column) = &entry.column {
                table.insert("column".to_owned(), text(column));
            }
            if let Some(unit) = &entry.unit {
                table.insert("unit".to_owned(), text(unit));
            }
            for (key, value, usual) in [
                ("sign", entry.sign, 1.0),
                ("scale", entry.scale, 1.0),
                ("offset", entry.offset, 0.0),
                ("delay_s", entry.delay_s, 0.0),
            ] {
                if value != usual {
                    table.insert(key.to_owned(), value.into());
                }
            }
            channels.insert(channel.name(), table.into());
        }
        if !channels.is_empty() {
            top.insert("channels".to_owned(), channels.into());
        }
        toml::to_string_pretty(&top).unwrap_or_default()
    }
}

/// The profile that fits a file best, if any fits by [`PROFILE_FITS`] or more; of equals the first.
#[must_use]
pub fn best_profile(profiles: &[Map], columns: &[String]) -> Option<usize> {
    let fits = |p: &Map| p.fits(columns);
    let best = profiles.iter().map(fits).fold(0.0, f64::max);
    if best < PROFILE_FITS {
        return None;
    }
    profiles.iter().position(|p| fits(p) == best)
}

/// Reads a recording with the source profile that fits it best, else without a map. Returns which one was applied.
///
/// # Errors
/// As [`read`].
pub fn read_with(
    source: Source<'_>,
    profiles: &[Map],
    progress: &mut dyn FnMut(Progress),
) -> Result<(Reading, Option<usize>), ReadError> {
    let applied = if profiles.is_empty() { None } else { best_profile(profiles, &headings(source)?) };
    let none = Map::default();
    let map = applied.and_then(|i| profiles.get(i)).unwrap_or(&none);
    Ok((read(source, map, progress)?, applied))
}

/// The headings of the columns of a file, as they stand there; only its beginning and its description are read.
///
/// # Errors
/// [`ReadError`] when the file is none that can be read.
pub fn headings(source: Source<'_>) -> Result<Vec<String>, ReadError> {
    let (name, head, input) = crate::begin(source)?;
    let text = |found: Vec<names::Heading>| found.into_iter().map(|h| h.text).collect();
    let failed = |e| ReadError::Read { file: name.clone(), offset: 0, source: e };
    let map = Map::default();
    let length = head.1;
    let head = head.0;
    if let Some(packing) = Packing::of(&head) {
        let packed: Box<dyn Read> = match input {
            crate::Input::Bytes(bytes) => Box::new(bytes),
            crate::Input::File(file) => Box::new(file),
        };
        let counted = Counted { reader: packed, count: std::rc::Rc::default() };
        let mut reader = packing.unpack(counted).map_err(failed)?;
        let mut inner = Vec::new();
        let _cut_off = reader.by_ref().take(csv::HEAD as u64).read_to_end(&mut inner);
        if has_store(&inner) {
            let mut bytes = inner.clone();
            reader.take(crate::LARGEST_UNPACKED).read_to_end(&mut bytes).map_err(failed)?;
            return of_store(&name, &inner, Store::Bytes(bytes.into())).map(text);
        }
        let about = csv::Input { file: &name, head: &inner, bytes_total: None, packed: true };
        return csv::headings(about, &inner[..], &map).map(text);
    }
    if has_store(&head) {
        let store = match input {
            crate::Input::File(file) => Store::of_file(file, length),
            crate::Input::Bytes(bytes) => Store::of_bytes(bytes),
        };
        return of_store(&name, &head, store).map(text);
    }
    let about = csv::Input { file: &name, head: &head, bytes_total: None, packed: false };
    csv::headings(about, &head[..], &map).map(text)
}

fn of_store(name: &str, head: &[u8], store: Store) -> Result<Vec<names::Heading>, ReadError> {
    if head.starts_with(parquet::MAGIC) {
        parquet::headings(name, store)
    } else {
        mdf::headings(name, head, store)
    }
}

/// Lowers the confidence of guesses whose values are not plausible.
pub(crate) fn weigh_values(report: &mut Report) {
    for issue in &report.issues {
        let Finding::Implausible { channel, column, outside, values, .. } = &issue.finding else { continue };
        let plausible = 1.0 - *outside as f64 / (*values).max(1) as f64;
        for c in report.columns.iter_mut().filter(|c| c.column == *column) {
            for g in c.guesses.iter_mut().filter(|g| g.channel == *channel) {
                g.confidence *= plausible;
            }
        }
    }
}

/// Takes the delays that the map states off the time stamps; each late channel gets a clock of its own.
pub(crate) fn take_delays(map: &Map, reading: &mut Reading) {
    for (&channel, entry) in map.channels.iter().filter(|(_, e)| e.delay_s != 0.0) {
        let fix = Fix { channel, change: FixKind::Delay { delay_s: entry.delay_s } };
        let Some(old) = reading.report.clocks.iter().position(|c| c.channels.contains(&channel)) else {
            continue;
        };
        if consistency::apply(&[fix], &mut reading.samples).is_ok() {
            let mut clock = reading.report.clocks[old].clone();
            clock.channels = vec![channel];
            for gap in &mut clock.gaps {
                gap.from_s -= entry.delay_s;
                gap.to_s -= entry.delay_s;
            }
            reading.report.clocks[old].channels.retain(|c| *c != channel);
            reading.report.clocks.push(clock);
        }
    }
}
