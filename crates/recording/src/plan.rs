//! Which column becomes which channel, and how its numbers turn into SI.

use crate::error::ReadError;
use crate::map::{Entry, Map};
use crate::names::{Confidence, Guess, Heading, UnitFit, fit, near, recognise, scored};
use crate::report::{ColumnReport, Finding};
use channels::{Channel, Unit};
use std::collections::BTreeMap;

/// From the numbers of a file to SI: `factor · (scale · value + offset)`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Conversion {
    pub(crate) unit: Unit,
    scale: f64,
    offset: f64,
    factor: f64,
}

impl Conversion {
    pub(crate) fn of(unit: Unit) -> Self {
        Self { unit, scale: 1.0, offset: unit.offset, factor: unit.factor }
    }

    fn mapped(unit: Unit, entry: &Entry) -> Self {
        Self {
            unit,
            scale: entry.scale,
            offset: entry.offset + unit.offset,
            factor: entry.sign * unit.factor,
        }
    }

    pub(crate) fn apply(&self, values: &mut [f64]) {
        let Self { scale, offset, factor, .. } = *self;
        if (scale, offset) != (1.0, 0.0) {
            values.iter_mut().for_each(|v| *v = *v * scale + offset);
        }
        if factor != 1.0 {
            values.iter_mut().for_each(|v| *v *= factor);
        }
    }

    /// Back to the file's own number, for messages.
    pub(crate) fn raw(&self, si: f64) -> f64 {
        (si / self.factor - self.offset) / self.scale
    }
}

/// A column that is read.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Wanted {
    /// Index of the column in the file, from 0.
    pub(crate) column: usize,
    pub(crate) channel: Channel,
    pub(crate) conversion: Conversion,
    pub(crate) heading: String,
}

/// What is read from one table, and what is said about the rest.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Plan {
    /// Columns to read, in the file's order; `Channel::Time` among them when the table has a time column.
    pub(crate) wanted: Vec<Wanted>,
    pub(crate) columns: Vec<ColumnReport>,
    pub(crate) findings: Vec<Finding>,
}

impl Plan {
    /// Index of the time in `wanted`.
    pub(crate) fn time(&self) -> Option<usize> {
        self.wanted.iter().position(|w| w.channel == Channel::Time)
    }

    /// Number of channels besides the time.
    pub(crate) fn channels(&self) -> usize {
        self.wanted.iter().filter(|w| w.channel != Channel::Time).count()
    }
}

/// Columns whose names are held against the whole vocabulary.
const MOST_SCORED: usize = 2000;

/// Least confidence of a guess that is told for an unknown name.
const WORTH_A_WORD: f64 = 0.5;

enum Choice {
    Channel(Channel, Conversion),
    Left(Option<String>, Option<String>),
}

/// Decides over the columns of one table. `line` is where its header stands. Whether the map fits the file as a whole is
/// for [`check_map`].
///
/// # Errors
/// A map that does not fit the file, a unit that is not known, a time that is none.
pub(crate) fn plan(file: &str, line: u64, headings: &[Heading], map: &Map) -> Result<Plan, ReadError> {
    let mut findings = Vec::new();
    let ignored: Vec<bool> = headings.iter().map(|h| map.ignore.iter().any(|name| h.is(name))).collect();
    let mapped = mapped_columns(headings, map);
    let guesses: Vec<Option<Guess>> = headings
        .iter()
        .enumerate()
        .map(|(i, h)| (!ignored[i] && !mapped.contains_key(&i)).then(|| recognise(h)).flatten())
        .collect();
    let header = Header { file, line, headings, chosen: best_columns(&guesses, map), map };

    let mut wanted = Vec::new();
    let mut columns = Vec::new();
    for (i, heading) in headings.iter().enumerate() {
        let mut choices = Vec::new();
        // A thousand columns that nobody knows are not worth a thousand searches.
        let by_name = !ignored[i] && !mapped.contains_key(&i) && i < MOST_SCORED;
        let scored = if by_name { scored(heading) } else { Vec::new() };
        if let Some(entries) = mapped.get(&i) {
            for &(channel, entry) in entries {
                choices
                    .push(Choice::Channel(channel, mapped_conversion(file, heading, channel, entry, map)?));
            }
        } else if ignored[i] {
            choices.push(Choice::Left(heading.unit.clone(), Some("ignored by the map".to_owned())));
        } else if let Some(guess) = &guesses[i] {
            choices.push(guessed(&header, i, guess, &mut findings)?);
        } else {
            let near = scored.first().filter(|g| g.confidence >= WORTH_A_WORD);
            let near = near.map(|g| format!(" (perhaps {}?)", g.channel)).unwrap_or_default();
            let reason = format!("its name is not in the vocabulary; name it in a map to use it{near}");
            choices.push(Choice::Left(heading.unit.clone(), Some(reason)));
        }
        for choice in choices {
            let (unit, channel, reason) = match choice {
                Choice::Left(unit, reason) => (unit, None, reason),
                Choice::Channel(channel, conversion) => {
                    wanted.push(Wanted { column: i, channel, conversion, heading: heading.text.clone() });
                    (Some(conversion.unit.symbol.to_owned()), Some(channel), None)
                }
            };
            columns.push(ColumnReport {
                column: heading.text.clone(),
                unit,
                channel,
                reason,
                guesses: scored.clone(),
            });
        }
    }
    Ok(Plan { wanted, columns, findings })
}

/// Refuses a map that names columns the file does not have, or amends a channel that was not recognised.
///
/// # Errors
/// [`ReadError::NoSuchColumn`], [`ReadError::NothingForChannel`].
pub(crate) fn check_map(
    file: &str,
    headings: &[Heading],
    wanted: &[Channel],
    map: &Map,
) -> Result<(), ReadError> {
    for (&channel, entry) in &map.channels {
        match &entry.column {
            Some(column) if !headings.iter().any(|h| h.is(column)) => {
                let near =
                    match near(&column.to_lowercase(), headings.iter().map(|h| h.name.clone())).as_slice() {
                        [] => format!("the file has {}", list(headings)),
                        names => format!("did you mean '{}'?", names.join("' or '")),
                    };
                return Err(ReadError::NoSuchColumn {
                    file: file.to_owned(),
                    channel,
                    column: column.clone(),
                    near,
                });
            }
            None if !wanted.contains(&channel) => {
                return Err(ReadError::NothingForChannel {
                    file: file.to_owned(),
                    channel,
                    found: list(headings),
                });
            }
            _ => {}
        }
    }
    Ok(())
}

/// Headings for a message.
pub(crate) fn list(headings: &[Heading]) -> String {
    const SHOWN: usize = 12;
    let mut names: Vec<String> = headings.iter().take(SHOWN).map(|h| format!("'{}'", h.text)).collect();
    if headings.len() > SHOWN {
        names.push(format!("{} more", headings.len() - SHOWN));
    }
    names.join(", ")
}

fn mapped_columns<'m>(headings: &[Heading], map: &'m Map) -> BTreeMap<usize, Vec<(Channel, &'m Entry)>> {
    let mut mapped: BTreeMap<usize, Vec<(Channel, &Entry)>> = BTreeMap::new();
    for (&channel, entry) in &map.channels {
        let place = entry.column.as_ref().and_then(|name| headings.iter().position(|h| h.is(name)));
        if let Some(i) = place {
            mapped.entry(i).or_default().push((channel, entry));
        }
    }
    mapped
}

/// Of several columns for one channel the surer name wins, then the first; a column in a usable unit beats both.
fn best_columns(guesses: &[Option<Guess>], map: &Map) -> BTreeMap<Channel, usize> {
    let usable = |g: &Guess| match g.unit {
        UnitFit::Stated(_) | UnitFit::Assumed(_) => true,
        UnitFit::Volume(_) => map.fuel_density_kg_per_l.is_some(),
        _ => false,
    };
    let rank = |g: &Guess| (usable(g), g.confidence == Confidence::Vocabulary);
    let mut best: BTreeMap<Channel, usize> = BTreeMap::new();
    for (i, guess) in guesses.iter().enumerate().filter_map(|(i, g)| Some((i, g.as_ref()?))) {
        // A channel with its own column in the map needs no guess.
        if map.channels.get(&guess.channel).is_some_and(|e| e.column.is_some()) {
            continue;
        }
        let better =
            best.get(&guess.channel).and_then(|&b| guesses[b].as_ref()).is_none_or(|b| rank(guess) > rank(b));
        if better {
            best.insert(guess.channel, i);
        }
    }
    best
}

fn fuel_by_volume(unit: Unit, density_kg_per_l: f64) -> Unit {
    // The table gives m³ per unit; a litre is 1e-3 m³.
    Unit { factor: unit.factor * 1e3 * density_kg_per_l, ..unit }
}

fn mapped_conversion(
    file: &str,
    heading: &Heading,
    channel: Channel,
    entry: &Entry,
    map: &Map,
) -> Result<Conversion, ReadError> {
    let refuse = |reason: String| ReadError::MapUnit { file: file.to_owned(), channel, reason };
    // The map's unit, else the one of the heading by whatever spelling it has, else SI.
    let fitted = match (&entry.unit, &heading.unit) {
        (Some(unit), _) | (None, Some(unit)) => fit(channel, unit),
        (None, None) => match recognise(heading) {
            Some(g) if g.channel == channel => g.unit,
            _ => UnitFit::Assumed(Unit::si(channel.dimension())),
        },
    };
    let unit = match fitted {
        UnitFit::Stated(unit) | UnitFit::Assumed(unit) => unit,
        UnitFit::Volume(unit) => {
            fuel_by_volume(unit, map.fuel_density_kg_per_l.ok_or_else(|| refuse(NEEDS_DENSITY.to_owned()))?)
        }
        // `scale` is the radius: a rate of rotation times it is a speed.
        UnitFit::Rotation(unit) if entry.scale != 1.0 => unit,
        UnitFit::Rotation(_) => return Err(refuse(NEEDS_RADIUS.to_owned())),
        UnitFit::Other(unit) => {
            return Err(refuse(format!(
                "{} is a unit of {}, but {channel} is a {}; state the unit of the column, or use `scale` and its SI unit",
                unit.symbol,
                unit.dimension,
                channel.dimension()
            )));
        }
        UnitFit::Unknown(unknown) => return Err(refuse(unknown.to_string())),
    };
    Ok(Conversion::mapped(unit, entry))
}

const NEEDS_DENSITY: &str =
    "fuel by volume needs a density; state fuel_density_kg_per_l = 0.75 (or the right one) in a map";
const NEEDS_RADIUS: &str = "a rate of rotation needs the tyre's effective radius; state it in metres as `scale` in a map, with the unit of the rate";

/// A table whose columns are decided over.
struct Header<'a> {
    file: &'a str,
    line: u64,
    headings: &'a [Heading],
    /// The column that won each channel.
    chosen: BTreeMap<Channel, usize>,
    map: &'a Map,
}

/// What becomes of a column that was recognised by its name.
fn guessed(
    header: &Header<'_>,
    index: usize,
    guess: &Guess,
    findings: &mut Vec<Finding>,
) -> Result<Choice, ReadError> {
    let Header { file, line, headings, chosen, map } = header;
    let (line, heading) = (*line, &headings[index]);
    let channel = guess.channel;
    let used = map.channels.get(&channel).and_then(|e| e.column.clone());
    let used =
        used.or_else(|| chosen.get(&channel).filter(|&&i| i != index).map(|&i| headings[i].text.clone()));
    if let Some(used) = used {
        let by_map = map.channels.get(&channel).is_some_and(|e| e.column.is_some());
        if !by_map {
            findings.push(Finding::TwoColumns {
                channel,
                used: used.clone(),
                left_out: heading.text.clone(),
            });
        }
        return Ok(Choice::Left(heading.unit.clone(), Some(format!("{channel} is taken from '{used}'"))));
    }
    if let Some(entry) = map.channels.get(&channel) {
        return Ok(Choice::Channel(channel, mapped_conversion(file, heading, channel, entry, map)?));
    }
    let mut left_out = |reason: String| {
        findings.push(Finding::UnitMisfit { channel, column: heading.text.clone(), reason: reason.clone() });
        Ok(Choice::Left(heading.unit.clone(), Some(reason)))
    };
    match &guess.unit {
        UnitFit::Stated(unit) => Ok(Choice::Channel(channel, Conversion::of(*unit))),
        UnitFit::Assumed(unit) => {
            if !crate::names::is_pure_number(channel.dimension()) {
                findings.push(Finding::UnitAssumed {
                    channel,
                    column: heading.text.clone(),
                    unit: unit.symbol.to_owned(),
                });
            }
            Ok(Choice::Channel(channel, Conversion::of(*unit)))
        }
        UnitFit::Volume(unit) => match map.fuel_density_kg_per_l {
            Some(density) => Ok(Choice::Channel(channel, Conversion::of(fuel_by_volume(*unit, density)))),
            None => left_out(NEEDS_DENSITY.to_owned()),
        },
        UnitFit::Rotation(_) => left_out(NEEDS_RADIUS.to_owned()),
        UnitFit::Other(unit) if channel == Channel::Time => Err(ReadError::TimeUnit {
            file: (*file).to_owned(),
            line,
            column: index + 1,
            header: heading.text.clone(),
            unit: unit.symbol.to_owned(),
        }),
        UnitFit::Other(unit) => left_out(format!(
            "{} is a unit of {}, but {channel} is a {}; map the column to the channel that it is, or state its unit",
            unit.symbol,
            unit.dimension,
            channel.dimension()
        )),
        UnitFit::Unknown(unit) => Err(ReadError::UnknownUnit {
            file: (*file).to_owned(),
            line,
            column: index + 1,
            header: heading.text.clone(),
            channel,
            unit: unit.clone(),
        }),
    }
}
