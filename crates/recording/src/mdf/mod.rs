//! ASAM MDF 4 `[ASAM-MDF4]`: binary recordings of measuring systems.
//!
//! Read here: sorted and unsorted groups, lists, deflated and transposed blocks, integers and floats of any width and byte
//! order, linear, rational and table conversions, invalid samples, files that were never finished. Each group of channels
//! keeps its own clock, its time master. Left out with a reason: arrays, texts, formulas, groups without a time.
//!
//! Nothing a file promises is believed: links and lengths are checked against the file, chains against loops, unpacked sizes
//! against what deflate can do.

mod blocks;
mod conversion;
mod data;
mod record;

use crate::assemble::{ReadColumn, Table, add_table, origin_s};
use crate::error::{Place, ReadError};
use crate::names::Heading;
use crate::plan::{Conversion, Wanted, check_map, list, plan};
use crate::report::{ColumnReport, Finding, Format, Issue, Report};
use crate::store::Store;
use crate::{Map, Progress, Reading};
use blocks::{Damage, File, properties};
use channels::{Channel, Dimension, Samples, Unit};
use conversion::Rule;
use record::{Field, Group, Number, Source};
use std::collections::BTreeMap;

/// First bytes of a finished file, and of one that was not finished.
pub(crate) const MAGIC: [&[u8]; 2] = [b"MDF     ", b"UnFinMF "];

/// A file whose groups are known.
struct Opened {
    mdf: File,
    groups: Vec<Group>,
    metadata: BTreeMap<String, String>,
    /// Group and field of each heading.
    places: Vec<(usize, usize)>,
    headings: Vec<Heading>,
}

fn damaged(file: &str, d: Damage) -> ReadError {
    ReadError::Format {
        file: file.to_owned(),
        format: "MDF",
        found: d.0,
        advice: "The file is damaged, cut off or uses a rare part of the format; export the recording again, or as CSV or Parquet".to_owned(),
    }
}

fn open(file: &str, head: &[u8], store: Store) -> Result<Opened, ReadError> {
    let version = head.get(8..16).map(|v| String::from_utf8_lossy(v).trim_matches(['\0', ' ']).to_owned());
    let version = version.unwrap_or_default();
    if !version.starts_with('4') {
        return Err(ReadError::Format {
            file: file.to_owned(),
            format: "MDF",
            found: format!("version '{version}'"),
            advice: "Version 4 is read; export the recording as MDF 4, CSV or Parquet".to_owned(),
        });
    }
    let mdf = File::new(store, head.starts_with(MAGIC[1]));
    let (groups, mut metadata) = describe(&mdf).map_err(|d| damaged(file, d))?;
    metadata.insert("MDF version".to_owned(), version);

    // All groups are planned as one table, so that a channel that is in two groups is taken once.
    let places: Vec<(usize, usize)> = groups
        .iter()
        .enumerate()
        .flat_map(|(g, group)| (0..group.fields.len()).map(move |f| (g, f)))
        .filter(|&(g, f)| Some(f) != groups[g].master)
        .collect();
    let headings: Vec<Heading> = places.iter().map(|&(g, f)| groups[g].fields[f].heading()).collect();
    Ok(Opened { mdf, groups, metadata, places, headings })
}

/// The headings of an MDF file.
pub(crate) fn headings(file: &str, head: &[u8], store: Store) -> Result<Vec<Heading>, ReadError> {
    open(file, head, store).map(|opened| opened.headings)
}

pub(crate) fn read(
    file: &str,
    head: &[u8],
    store: Store,
    map: &Map,
    progress: &mut dyn FnMut(Progress),
) -> Result<Reading, ReadError> {
    let Opened { mdf, groups, metadata, places, headings } = open(file, head, store)?;
    let damaged = |d| damaged(file, d);
    let mut plan = plan(file, 1, &headings, map)?;
    let mut findings = std::mem::take(&mut plan.findings);
    let mut wanted_in: Vec<Vec<Wanted>> = groups.iter().map(|_| Vec::new()).collect();
    for w in &plan.wanted {
        let (g, f) = places[w.column];
        let reason = match (&groups[g].fields[f].number, groups[g].master) {
            _ if w.channel == Channel::Time => Some("the master channel of its group is the time".to_owned()),
            (_, None) => Some("its group of channels has no time".to_owned()),
            (Number::None(reason), _) => Some((*reason).to_owned()),
            _ => None,
        };
        let Some(reason) = reason else {
            wanted_in[g].push(Wanted { column: f, ..w.clone() });
            continue;
        };
        for c in plan.columns.iter_mut().filter(|c| c.channel == Some(w.channel)) {
            (c.channel, c.reason) = (None, Some(reason.clone()));
        }
        if w.channel != Channel::Time {
            findings.push(Finding::UnitMisfit { channel: w.channel, column: w.heading.clone(), reason });
        }
    }
    let mut known: Vec<Channel> = plan.wanted.iter().map(|w| w.channel).collect();
    known.push(Channel::Time);
    check_map(file, &headings, &known, map)?;
    if groups.iter().all(|g| g.master.is_none()) {
        return Err(ReadError::NoTimeColumn { file: file.to_owned(), line: 1, found: list(&headings) });
    }
    if wanted_in.iter().all(Vec::is_empty) {
        return Err(ReadError::NoChannel { file: file.to_owned(), line: 1, found: list(&headings) });
    }
    for (group, wanted) in groups.iter().zip(&mut wanted_in) {
        if let (Some(master), false) = (group.master, wanted.is_empty()) {
            let field = &group.fields[master];
            let unit = Unit::parse(&field.unit, Some(Dimension::Time)).unwrap_or(Unit::si(Dimension::Time));
            let conversion = Conversion::of(unit);
            wanted.push(Wanted {
                column: master,
                channel: Channel::Time,
                conversion,
                heading: field.name.clone(),
            });
        }
    }

    let read = record::read(&mdf, &groups, &wanted_in, progress).map_err(damaged)?;
    let mut columns: Vec<ColumnReport> = groups
        .iter()
        .filter_map(|g| g.master.map(|m| &g.fields[m]))
        .map(|f| ColumnReport {
            column: f.name.clone(),
            unit: Some("s".to_owned()),
            channel: Some(Channel::Time),
            reason: None,
            guesses: Vec::new(),
        })
        .collect();
    columns.extend(plan.columns);
    let tables = read.into_iter().zip(wanted_in).filter(|(_, w)| !w.is_empty());
    let tables: Vec<(record::Records, Vec<Wanted>)> = tables.collect();
    assemble(file, tables, columns, metadata, findings)
}

fn assemble(
    file: &str,
    tables: Vec<(record::Records, Vec<Wanted>)>,
    columns: Vec<ColumnReport>,
    metadata: BTreeMap<String, String>,
    findings: Vec<Finding>,
) -> Result<Reading, ReadError> {
    let mut issues: Vec<Issue> = findings.into_iter().map(Issue::from).collect();
    let mut samples = Samples::new();
    let mut clocks = Vec::new();
    let mut first_error = None;
    let mut rows = 0;
    let mut read_tables = Vec::new();
    for (records, wanted) in tables {
        if let Some(promised) = records.promised.filter(|&p| p > records.rows as u64) {
            issues.push(
                Finding::RecordsMissing {
                    group: records.name.clone(),
                    found: records.rows,
                    promised,
                    cut_at: records.cut_at,
                }
                .into(),
            );
        }
        rows += records.rows;
        let columns = wanted.into_iter().zip(records.values).map(|(w, v)| ReadColumn::of(w, v)).collect();
        read_tables.push((
            records.name,
            Table { rows: records.rows, columns, rate_hz: None, place: &|row| Place::Row(row as u64 + 1) },
        ));
    }
    let origin_s = origin_s(read_tables.iter().map(|t| &t.1));
    for (name, table) in read_tables {
        let channels =
            table.columns.iter().map(|c| c.wanted.channel).filter(|c| *c != Channel::Time).collect();
        match add_table(file, table, origin_s, &mut samples, &mut issues) {
            Ok(clock) => clocks.push(clock),
            Err(e) => {
                issues.push(Finding::GroupLeftOut { group: name, channels, reason: e.to_string() }.into());
                first_error.get_or_insert(e);
            }
        }
    }
    match (first_error, clocks.is_empty()) {
        (Some(e), true) => return Err(e),
        (None, true) => {
            return Err(ReadError::NoData { file: file.to_owned(), line: 1, columns: columns.len() });
        }
        _ => {}
    }
    let report =
        Report { source: file.to_owned(), format: Format::Mdf4, rows, columns, clocks, metadata, issues };
    Ok(Reading { samples, report })
}

/// Groups of channels, and what the file says about itself.
fn describe(mdf: &File) -> blocks::Result<(Vec<Group>, BTreeMap<String, String>)> {
    let header = mdf.block(64, b"HD")?;
    let mut metadata: BTreeMap<String, String> = properties(&mdf.xml(header.link(5))).into_iter().collect();
    let start_ns = header.u64(0)?;
    if start_ns > 0 {
        metadata.insert("started at, Unix time [s]".to_owned(), format!("{:.3}", start_ns as f64 / 1e9));
    }
    let mut groups = Vec::new();
    for (data_group, dg) in mdf.chain(header.link(0), b"DG", 0)?.into_iter().enumerate() {
        let id_size = dg.u8(0)?;
        for cg in mdf.chain(dg.link(1), b"CG", 0)? {
            let flags = cg.u16(16)?;
            let source = Source {
                data_group,
                data_at: dg.link(2),
                id_size,
                id: cg.u64(0)?,
                variable_length: flags & 1 != 0,
            };
            let mut group = Group {
                name: mdf.text(cg.link(2))?,
                source,
                cycles: cg.u64(8)?,
                data_bytes: cg.u32(24)?,
                invalid_bytes: cg.u32(28)?,
                fields: Vec::new(),
                master: None,
            };
            if !group.source.variable_length {
                fields(mdf, cg.link(1), "", &mut group)?;
            }
            groups.push(group);
        }
    }
    Ok((groups, metadata))
}

/// The channels of a chain, members of structures too.
fn fields(mdf: &File, first: u64, within: &str, group: &mut Group) -> blocks::Result<()> {
    for cn in mdf.chain(first, b"CN", 0)? {
        let name = mdf.text(cn.link(2))?;
        let name = if within.is_empty() { name } else { format!("{within}.{name}") };
        let (kind, sync, data_type) = (cn.u8(0)?, cn.u8(1)?, cn.u8(2)?);
        let whole_numbers = data_type < 4;
        let (rule, rule_unit) = conversion::read(mdf, cn.link(4), whole_numbers)?;
        let unit = mdf.text(cn.link(6))?;
        let composition = cn.link(1);
        let array = composition != 0 && mdf.header(composition)?.id != *b"CN";
        let flags = cn.u32(12)?;
        let invalid_bit = (flags & 2 != 0).then_some(cn.u32(16)?);
        let mut number = Number::of(kind, data_type, cn.u8(3)?, cn.u32(4)?, cn.u32(8)?, group.data_bytes);
        if array {
            number = Number::None("it is an array");
        } else if flags & 1 != 0 {
            number = Number::None("all its values are marked invalid");
        } else if let Rule::NoNumber(reason) = rule {
            number = Number::None(reason);
        }
        // Types 2 and 3 are masters; synchronisation 1 is time.
        if matches!(kind, 2 | 3) && sync == 1 && group.master.is_none() && !matches!(number, Number::None(_))
        {
            group.master = Some(group.fields.len());
        }
        group.fields.push(Field {
            name: name.clone(),
            unit: if unit.is_empty() { rule_unit } else { unit },
            number,
            rule,
            invalid_bit,
        });
        if composition != 0 && !array {
            fields(mdf, composition, &name, group)?;
        }
    }
    Ok(())
}
