//! Text in columns: any common separator, decimal mark, encoding and line end, all found by content.

mod cell;
mod encoding;
mod layout;
mod rows;

use crate::assemble::{Table, add_table, origin_s};
use crate::error::ReadError;
use crate::names::Heading;
use crate::plan::{check_map, list, plan};
use crate::report::{Finding, Format, Issue, Report};
use crate::{Map, Progress, Reading};
use channels::{Channel, Samples};
use encoding::{Encoding, Text};
use std::io::Read;

/// First part of the file, from which the layout is found.
pub(crate) const HEAD: usize = 256 << 10;

/// What is known of a text file before it is read.
#[derive(Clone, Copy)]
pub(crate) struct Input<'a> {
    /// Name for messages.
    pub(crate) file: &'a str,
    /// Its first bytes, which the reader gives again.
    pub(crate) head: &'a [u8],
    pub(crate) bytes_total: Option<u64>,
    /// The reader unpacks, and may find the packed file damaged.
    pub(crate) packed: bool,
}

/// A text file whose layout is known.
struct Opened<R> {
    text: Text<R>,
    /// What is read of it so far.
    pending: Vec<u8>,
    layout: layout::Layout,
    encoding: Encoding,
}

fn open<R: Read>(input: Input<'_>, reader: R, map: &Map) -> Result<Opened<R>, ReadError> {
    let Input { file, head, packed, .. } = input;
    let encoding =
        Encoding::sniff(head).map_err(|found| ReadError::UnknownContent { file: file.to_owned(), found })?;
    let mut text = Text::new(reader, encoding);
    text.forgiving = packed;
    let mut pending = Vec::new();
    let failed = |source| ReadError::Read { file: file.to_owned(), offset: 0, source };
    let mut more = true;
    while more && pending.len() < HEAD {
        more = text.append(HEAD, &mut pending).map_err(failed)?;
    }
    if !pending.contains(&b'\n') && pending.contains(&b'\r') {
        text.cr_only = true;
        pending.iter_mut().filter(|b| **b == b'\r').for_each(|b| *b = b'\n');
    }
    let layout = layout::find(file, &pending, !more, encoding, map)?;
    Ok(Opened { text, pending, layout, encoding })
}

/// The headings of a text recording.
pub(crate) fn headings<R: Read>(input: Input<'_>, reader: R, map: &Map) -> Result<Vec<Heading>, ReadError> {
    open(input, reader, map).map(|opened| opened.layout.headings)
}

/// Reads a text recording.
pub(crate) fn read<R: Read>(
    input: Input<'_>,
    reader: R,
    map: &Map,
    progress: &mut dyn FnMut(Progress),
) -> Result<Reading, ReadError> {
    let Input { file, bytes_total, .. } = input;
    let Opened { mut text, mut pending, layout, encoding } = open(input, reader, map)?;
    let plan = plan(file, layout.header_line, &layout.headings, map)?;
    let wanted: Vec<Channel> = plan.wanted.iter().map(|w| w.channel).collect();
    check_map(file, &layout.headings, &wanted, map)?;
    let (line, found) = (layout.header_line, list(&layout.headings));
    if plan.time().is_none() && map.rate_hz.is_none() {
        return Err(ReadError::NoTimeColumn { file: file.to_owned(), line, found });
    }
    if plan.channels() == 0 {
        return Err(ReadError::NoChannel { file: file.to_owned(), line, found });
    }
    pending.drain(..layout.data_byte);
    let rows = rows::read(file, &mut text, pending, &layout, &plan.wanted, bytes_total, progress)?;
    if rows.rows == 0 {
        return Err(ReadError::NoData { file: file.to_owned(), line, columns: layout.headings.len() });
    }

    let mut issues: Vec<Issue> = plan.findings.into_iter().map(Issue::from).collect();
    if let Some((line, found)) = rows.cut_off {
        let expected = layout.headings.len();
        issues.push(Finding::CutOff { place: format!("line {line}"), found, expected }.into());
    }
    if let Some((at, error)) = &text.broken {
        issues.push(Finding::BrokenOff { at: *at, reason: error.to_string() }.into());
    }
    let mut samples = Samples::new();
    let place = rows.place();
    let count = rows.rows;
    let table = Table { rows: count, columns: rows.columns, rate_hz: map.rate_hz, place: &place };
    let origin_s = origin_s(std::iter::once(&table));
    let clock = add_table(file, table, origin_s, &mut samples, &mut issues)?;
    let mut metadata = layout.preamble;
    let separator =
        if layout.separator == b'\t' { "tab".to_owned() } else { (layout.separator as char).to_string() };
    metadata.insert("separator".to_owned(), separator);
    metadata.insert("decimal mark".to_owned(), (layout.decimal.byte() as char).to_string());
    metadata.insert("encoding".to_owned(), encoding.name().to_owned());
    let report = Report {
        source: file.to_owned(),
        format: Format::Csv,
        rows: count,
        columns: plan.columns,
        clocks: vec![clock],
        metadata,
        issues,
    };
    Ok(Reading { samples, report })
}
