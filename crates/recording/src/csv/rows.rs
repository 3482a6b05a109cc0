//! The rows of a text file, block by block, on all cores.
//!
//! The reading thread cuts the text into blocks of whole rows; workers turn a block into columns of SI numbers; the blocks
//! are put together in their order. Memory: a few blocks, and the columns themselves.

use super::cell::{self, Cell};
use super::encoding::Text;
use super::layout::{Layout, excerpt, field};
use crate::Progress;
use crate::assemble::{ReadColumn, Tally};
use crate::error::{Place, ReadError};
use crate::in_order::in_order;
use crate::number::leading_number;
use crate::plan::Wanted;
use channels::Channel;
use std::cell::RefCell;
use std::io::Read;

/// Bytes that a worker takes at once: block and columns stay in its cache.
const BLOCK: usize = 1 << 20;

/// A row longer than this has an open quote or is no text.
const LONGEST_ROW: usize = 16 << 20;

/// Whole rows of text.
struct Block {
    bytes: Vec<u8>,
    /// Line of its first byte.
    line: u64,
    /// The file ends with it, and its last row had no line end.
    open_end: bool,
}

/// The columns of a block.
struct Columns {
    rows: usize,
    /// One column after the other, each `stride` long.
    data: Vec<f64>,
    stride: usize,
    missing: Vec<Tally>,
    infinite: Vec<Tally>,
    /// Row and line wherever the line is not the one after the row before's.
    jumps: Vec<(usize, u64)>,
    error: Option<RowError>,
    cut_off: Option<(u64, usize)>,
    /// The block's buffer, to be used again.
    bytes: Vec<u8>,
}

enum RowError {
    Ragged { line: u64, found: usize },
    Text { line: u64, column: usize, found: Vec<u8> },
}

/// What the rows hold.
pub(crate) struct Rows {
    pub(crate) rows: usize,
    pub(crate) columns: Vec<ReadColumn>,
    jumps: Vec<(usize, u64)>,
    /// Line and fields of a last row that ends early.
    pub(crate) cut_off: Option<(u64, usize)>,
}

impl Rows {
    /// Line of a row.
    pub(crate) fn place(&self) -> impl Fn(usize) -> Place + use<> {
        let jumps = self.jumps.clone();
        move |row| {
            let i = jumps.partition_point(|&(r, _)| r <= row);
            let (r, line) = i.checked_sub(1).map_or((0, 1), |i| jumps[i]);
            Place::Line(line + (row - r) as u64)
        }
    }
}

/// What a worker needs to know.
struct Parser<'a> {
    layout: &'a Layout,
    wanted: &'a [Wanted],
    /// Per column of the file, the wanted column that takes it.
    slots: Vec<Option<usize>>,
    /// Wanted columns that share a column of the file: from, to.
    copies: Vec<(usize, usize)>,
}

/// Reads all rows.
pub(crate) fn read<R: Read>(
    file: &str,
    text: &mut Text<R>,
    mut pending: Vec<u8>,
    layout: &Layout,
    wanted: &[Wanted],
    bytes_total: Option<u64>,
    progress: &mut dyn FnMut(Progress),
) -> Result<Rows, ReadError> {
    let parser = Parser::new(layout, wanted);
    let all = RefCell::new(Gathered::new(wanted.len()));
    let mut line = layout.data_line;
    let mut more = true;
    let next = || {
        let cut = loop {
            if more && pending.len() < BLOCK {
                more = append(file, text, BLOCK, &mut pending)?;
            }
            let cut = if more { last_row_end(&pending) } else { pending.len() };
            if cut > 0 || !more {
                break cut;
            }
            if pending.len() > LONGEST_ROW {
                return Err(endless(file, line));
            }
            more = append(file, text, pending.len().max(BLOCK), &mut pending)?;
        };
        if cut == 0 {
            return Ok(None);
        }
        let mut all = all.borrow_mut();
        let mut rest = all.spare.pop().unwrap_or_default();
        rest.clear();
        rest.extend_from_slice(&pending[cut..]);
        pending.truncate(cut);
        let open_end = !more && pending.last().is_some_and(|&b| b != b'\n');
        if open_end {
            pending.push(b'\n');
        }
        let block = Block { bytes: std::mem::replace(&mut pending, rest), line, open_end };
        all.expect(text.bytes_done, bytes_total, &block);
        line += memchr::memchr_iter(b'\n', &block.bytes).count() as u64;
        progress(Progress { bytes_done: text.bytes_done, bytes_total });
        Ok(Some(block))
    };
    let take = |columns| match all.borrow_mut().add(columns) {
        Some(error) => Err(row_error(file, error, layout, wanted)),
        None => Ok(()),
    };
    in_order(next, |block| parser.columns(block), take)?;
    Ok(all.into_inner().into_rows(wanted))
}

fn append<R: Read>(
    file: &str,
    text: &mut Text<R>,
    size: usize,
    out: &mut Vec<u8>,
) -> Result<bool, ReadError> {
    let failed = |source, offset| ReadError::Read { file: file.to_owned(), offset, source };
    text.append(size, out).map_err(|e| failed(e, text.bytes_done))
}

fn endless(file: &str, line: u64) -> ReadError {
    ReadError::Format {
        file: file.to_owned(),
        format: "CSV",
        found: format!("the row at line {line} does not end within {} MB", LONGEST_ROW >> 20),
        advice: "A quote is probably opened and never closed; correct the line".to_owned(),
    }
}

/// Index behind the last row that is whole: the last line end that is not within quotes.
fn last_row_end(bytes: &[u8]) -> usize {
    if memchr::memchr(b'"', bytes).is_none() {
        return memchr::memrchr(b'\n', bytes).map_or(0, |i| i + 1);
    }
    let (mut end, mut quoted) = (0, false);
    for i in memchr::memchr2_iter(b'"', b'\n', bytes) {
        if bytes[i] == b'"' {
            quoted = !quoted;
        } else if !quoted {
            end = i + 1;
        }
    }
    end
}

impl<'a> Parser<'a> {
    fn new(layout: &'a Layout, wanted: &'a [Wanted]) -> Self {
        let mut slots = vec![None; layout.headings.len()];
        let mut copies = Vec::new();
        for (to, w) in wanted.iter().enumerate() {
            match slots[w.column] {
                None => slots[w.column] = Some(to),
                Some(from) => copies.push((from, to)),
            }
        }
        Self { layout, wanted, slots, copies }
    }

    /// One block of rows, into columns in SI.
    fn columns(&self, block: Block) -> Columns {
        // As many rows as line ends, but no more than there are separators for: blank lines take no room.
        let least_row = (self.layout.headings.len() - 1).max(1);
        let stride = memchr::memchr_iter(b'\n', &block.bytes).count().min(block.bytes.len() / least_row + 1);
        let n = self.wanted.len();
        let mut out = Columns {
            rows: 0,
            data: vec![f64::NAN; n * stride],
            stride,
            missing: vec![Tally::default(); n],
            infinite: vec![Tally::default(); n],
            jumps: Vec::new(),
            error: None,
            cut_off: None,
            bytes: Vec::new(),
        };
        self.rows(&block, &mut out);
        for &(from, to) in &self.copies {
            out.data.copy_within(from * stride..from * stride + out.rows, to * stride);
            out.missing[to] = out.missing[from];
            out.infinite[to] = out.infinite[from];
        }
        for (i, w) in self.wanted.iter().enumerate() {
            w.conversion.apply(&mut out.data[i * stride..i * stride + out.rows]);
        }
        out.bytes = block.bytes;
        out
    }

    fn rows(&self, block: &Block, out: &mut Columns) {
        let bytes = &block.bytes[..];
        let quotes = memchr::memchr(b'"', bytes).is_some();
        let last_row = match block.open_end {
            true => memchr::memrchr(b'\n', &bytes[..bytes.len() - 1]).map_or(0, |i| i + 1),
            false => usize::MAX,
        };
        let mut tallies = None;
        let (mut at, mut line, mut expected) = (0, block.line, 0);
        while at < bytes.len() {
            if is_no_row(&bytes[at..]) {
                at = memchr::memchr(b'\n', &bytes[at..]).map_or(bytes.len(), |i| at + i + 1);
                line += 1;
                continue;
            }
            if line != expected {
                out.jumps.push((out.rows, line));
            }
            if at == last_row {
                tallies = Some((out.missing.clone(), out.infinite.clone()));
            }
            let start = at;
            let error = match self.row(bytes, &mut at, line, out) {
                Ok(ending) if self.fits(ending) => {
                    out.rows += 1;
                    expected = line + 1;
                    line +=
                        if quotes { memchr::memchr_iter(b'\n', &bytes[start..at]).count() as u64 } else { 1 };
                    continue;
                }
                Ok(ending) => RowError::Ragged { line, found: ending.fields },
                Err(error) => error,
            };
            // A logger that was switched off leaves half a row behind.
            match (tallies, error) {
                (Some(before), error @ (RowError::Ragged { .. } | RowError::Text { .. }))
                    if self.is_short(&error) =>
                {
                    (out.missing, out.infinite) = before;
                    let found = match error {
                        RowError::Ragged { found, .. } => found,
                        RowError::Text { column, .. } => column,
                    };
                    out.cut_off = Some((line, found));
                }
                (_, error) => out.error = Some(error),
            }
            return;
        }
    }

    /// Fewer fields than the header, or stopped within the last number.
    fn is_short(&self, error: &RowError) -> bool {
        let n = self.layout.headings.len();
        match error {
            RowError::Ragged { found, .. } => *found < n,
            RowError::Text { column, found, .. } => {
                *column == n && matches!(found[..], [b'-' | b'+'] | [.., b'e' | b'E' | b'-' | b'+'])
            }
        }
    }

    /// The header's number of fields; a separator more or less at the very end is a habit of some writers.
    fn fits(&self, ending: Ending) -> bool {
        let n = self.layout.headings.len();
        let nameless = self.layout.headings.last().is_some_and(|h| h.text.is_empty());
        ending.fields == n
            || (ending.fields == n + 1 && ending.last_is_empty)
            || (ending.fields + 1 == n && nameless)
    }

    /// Parses the row at `at` and moves behind it.
    fn row(&self, bytes: &[u8], at: &mut usize, line: u64, out: &mut Columns) -> Result<Ending, RowError> {
        let (separator, decimal) = (self.layout.separator, self.layout.decimal);
        let mark = decimal.byte();
        let (row, stride) = (out.rows, out.stride);
        let mut column = 0;
        let mut pos = *at;
        loop {
            let first = pos;
            if let Some(&Some(to)) = self.slots.get(column) {
                let rest = &bytes[pos..];
                match leading_number(rest, mark) {
                    Some((value, used)) if is_end(rest, used, separator) => {
                        out.data[to * stride + row] = value;
                        pos += used;
                    }
                    _ => {
                        let (content, end) = field(bytes, pos, separator);
                        match cell::read(&content, decimal, self.wanted[to].channel) {
                            Cell::Number(value) => out.data[to * stride + row] = value,
                            Cell::Missing => out.missing[to].note(row),
                            Cell::Infinite => out.infinite[to].note(row),
                            Cell::Text => {
                                return Err(RowError::Text {
                                    line,
                                    column: column + 1,
                                    found: content.into_owned(),
                                });
                            }
                        }
                        pos = end;
                    }
                }
            } else if bytes.get(pos) == Some(&b'"') {
                pos = field(bytes, pos, separator).1;
            } else {
                pos = memchr::memchr2(separator, b'\n', &bytes[pos..]).map_or(bytes.len(), |i| pos + i);
            }
            column += 1;
            match bytes.get(pos) {
                Some(&b) if b == separator => pos += 1,
                end => {
                    let empty = bytes[first..pos].trim_ascii().is_empty();
                    *at = match end {
                        Some(b'\r') => pos + 2,
                        _ => pos + 1,
                    }
                    .min(bytes.len());
                    return Ok(Ending { fields: column, last_is_empty: empty });
                }
            }
        }
    }
}

/// How a row ended.
#[derive(Clone, Copy)]
struct Ending {
    fields: usize,
    last_is_empty: bool,
}

/// Whether a field of `rest` ends at `used`.
#[inline]
fn is_end(rest: &[u8], used: usize, separator: u8) -> bool {
    match rest.get(used) {
        Some(&b) => b == separator || b == b'\n' || (b == b'\r' && rest.get(used + 1) == Some(&b'\n')),
        None => true,
    }
}

/// Blank lines, comments, the end mark of old systems, and the zeros that a logger leaves when it loses power.
fn is_no_row(rest: &[u8]) -> bool {
    match rest[0] {
        b'\n' | b'#' | 0x1A | 0 => true,
        b'\r' | b' ' => {
            let end = memchr::memchr(b'\n', rest).unwrap_or(rest.len());
            rest[..end].trim_ascii().is_empty()
        }
        _ => false,
    }
}

/// Blocks put together.
struct Gathered {
    columns: Vec<Vec<f64>>,
    missing: Vec<Tally>,
    infinite: Vec<Tally>,
    rows: usize,
    jumps: Vec<(usize, u64)>,
    cut_off: Option<(u64, usize)>,
    /// Buffers of blocks that are done.
    spare: Vec<Vec<u8>>,
}

impl Gathered {
    fn new(n: usize) -> Self {
        Self {
            columns: vec![Vec::new(); n],
            missing: vec![Tally::default(); n],
            infinite: vec![Tally::default(); n],
            rows: 0,
            jumps: Vec::new(),
            cut_off: None,
            spare: Vec::new(),
        }
    }

    /// Makes room for as many rows as the file has if it goes on like its first block.
    fn expect(&mut self, bytes_done: u64, bytes_total: Option<u64>, first: &Block) {
        if self.columns.first().is_none_or(|c| c.capacity() > 0) {
            return;
        }
        let rows = memchr::memchr_iter(b'\n', &first.bytes).count() as f64;
        let total = bytes_total.unwrap_or(bytes_done).max(first.bytes.len() as u64) as f64;
        let guess = rows * (total / first.bytes.len().max(1) as f64) * ROOM;
        for column in &mut self.columns {
            column.reserve(guess as usize);
        }
    }

    /// Adds the next block; gives what is wrong with one of its rows.
    fn add(&mut self, mut block: Columns) -> Option<RowError> {
        self.spare.push(std::mem::take(&mut block.bytes));
        for (i, column) in self.columns.iter_mut().enumerate() {
            column.extend_from_slice(&block.data[i * block.stride..i * block.stride + block.rows]);
            self.missing[i].append(block.missing[i], self.rows);
            self.infinite[i].append(block.infinite[i], self.rows);
        }
        self.jumps.extend(block.jumps.iter().map(|&(row, line)| (row + self.rows, line)));
        self.rows += block.rows;
        self.cut_off = block.cut_off;
        block.error
    }

    fn into_rows(self, wanted: &[Wanted]) -> Rows {
        let tallies = self.missing.into_iter().zip(self.infinite);
        let columns = wanted.iter().cloned().zip(self.columns).zip(tallies);
        let columns = columns
            .map(|((wanted, values), (missing, infinite))| ReadColumn { wanted, values, missing, infinite })
            .collect();
        Rows { rows: self.rows, columns, jumps: self.jumps, cut_off: self.cut_off }
    }
}

/// Room for rows that are a little shorter than those of the first block.
const ROOM: f64 = 1.05;

fn row_error(file: &str, error: RowError, layout: &Layout, wanted: &[Wanted]) -> ReadError {
    let file = file.to_owned();
    match error {
        RowError::Ragged { line, found } => {
            ReadError::Ragged { file, line, found, expected: layout.headings.len() }
        }
        RowError::Text { line, column, found } => {
            let header = layout.headings[column - 1].text.clone();
            let channel = wanted.iter().find(|w| w.column == column - 1).map(|w| w.channel);
            let other = layout.decimal.other();
            let is_other = leading_number(&found, other.byte()).is_some_and(|(_, used)| used == found.len());
            let advice = if is_other {
                format!(
                    "the decimal mark is taken to be '{}'; state the right one in a map: decimal_mark = \"{}\"",
                    layout.decimal.byte() as char,
                    other.byte() as char
                )
            } else {
                format!("correct the field, or leave the column out with a map: ignore = [\"{header}\"]")
            };
            let advice = match channel {
                Some(Channel::Time) => "correct the field, or name the right time column in a map: [channels.time] column = \"…\"".to_owned(),
                _ => advice,
            };
            let found = excerpt(&layout.encoding.text(&found));
            ReadError::NotANumber { file, place: Place::Line(line), column, header, found, advice }
        }
    }
}
