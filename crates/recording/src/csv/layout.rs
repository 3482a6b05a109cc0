//! Finds separator, decimal mark, header, units and first row of a text file from its first lines.

use super::encoding::Encoding;
use crate::error::ReadError;
use crate::map::Map;
use crate::names::{Heading, recognise};
use crate::number::{DecimalMark, leading_number};
use channels::Unit;
use std::borrow::Cow;
use std::collections::BTreeMap;

/// How the columns of a text file are laid out.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Layout {
    pub(crate) encoding: Encoding,
    pub(crate) separator: u8,
    pub(crate) decimal: DecimalMark,
    pub(crate) headings: Vec<Heading>,
    /// Line of the header, from 1.
    pub(crate) header_line: u64,
    /// Line and byte of the first row behind header and units.
    pub(crate) data_line: u64,
    pub(crate) data_byte: usize,
    /// Lines above the header that say something.
    pub(crate) preamble: BTreeMap<String, String>,
}

/// Lines that are looked at. A preamble is shorter; later rows tell nothing new about the layout.
const LINES: usize = 250;

struct Line<'a> {
    number: u64,
    text: &'a [u8],
    /// First byte behind the line and its end.
    next: usize,
}

/// Finds the layout in the first bytes of the body, whose last line may be cut off unless `whole`.
pub(crate) fn find(
    file: &str,
    head: &[u8],
    whole: bool,
    encoding: Encoding,
    map: &Map,
) -> Result<Layout, ReadError> {
    let decode = |bytes: &[u8]| encoding.text(bytes).into_owned();
    let lines = lines(head, whole);
    let Some(first) = lines.iter().find(|l| !is_blank(l.text)) else {
        return Err(if whole {
            ReadError::Empty { file: file.to_owned() }
        } else {
            ReadError::NoHeader { file: file.to_owned(), line: 1, found: "nothing but blanks".to_owned() }
        });
    };
    let best = candidates(map)
        .filter_map(|(separator, decimal)| Reading::of(&lines, separator, decimal, &decode))
        // The earlier candidate wins a tie.
        .reduce(|best, r| if r.score() > best.score() { r } else { best });
    let excerpt = || excerpt(&decode(first.text));
    let Some(best) = best else {
        return Err(ReadError::NoHeader { file: file.to_owned(), line: first.number, found: excerpt() });
    };
    best.into_layout(file, &lines, encoding, &excerpt())
}

fn candidates(map: &Map) -> impl Iterator<Item = (u8, DecimalMark)> {
    let separators = map.separator.map_or(vec![b',', b';', b'\t', b'|'], |s| vec![s]);
    let marks = match map.decimal_comma {
        Some(true) => vec![DecimalMark::Comma],
        Some(false) => vec![DecimalMark::Point],
        None => vec![DecimalMark::Point, DecimalMark::Comma],
    };
    separators.into_iter().flat_map(move |s| marks.clone().into_iter().map(move |m| (s, m)))
}

/// The first lines as one separator and decimal mark read them.
struct Reading {
    separator: u8,
    decimal: DecimalMark,
    /// Index of the header among the lines, its headings, and the index of a line of units.
    header: Option<(usize, Vec<Heading>, Option<usize>)>,
    /// Index of the first row of numbers and its number of fields.
    data: Option<(usize, usize)>,
    recognised: usize,
    numbers: usize,
    fields: usize,
}

impl Reading {
    fn score(&self) -> (bool, bool, usize, usize, usize) {
        (
            self.header.is_some() && self.data.is_some(),
            self.header.is_some(),
            self.recognised,
            self.numbers,
            self.fields,
        )
    }

    fn of(
        lines: &[Line<'_>],
        separator: u8,
        decimal: DecimalMark,
        decode: &dyn Fn(&[u8]) -> String,
    ) -> Option<Self> {
        let kinds: Vec<Kinds> = lines.iter().map(|l| Kinds::of(l.text, separator, decimal)).collect();
        let mut counts: BTreeMap<usize, usize> = BTreeMap::new();
        for k in kinds.iter().filter(|k| k.is_row()) {
            *counts.entry(k.fields).or_default() += 1;
        }
        let fields = counts.iter().max_by_key(|(fields, n)| (**n, **fields)).map(|(fields, _)| *fields);
        let data =
            fields.and_then(|f| kinds.iter().position(|k| k.is_row() && k.fields == f).map(|i| (i, f)));
        let data = data.filter(|&(_, f)| f > 1);
        let end = data.map_or(lines.len(), |(i, _)| i);
        let headings = |i: usize| headings(lines[i].text, separator, decode);
        let mut header: Option<(usize, Vec<Heading>, usize)> = None;
        for i in (0..end).filter(|&i| kinds[i].is_header()) {
            let names = headings(i);
            let known = names.iter().filter(|h| recognise(h).is_some()).count();
            // The line with the most known names; of those with none, the last, provided it fits the rows.
            let fits = data.is_none_or(|(_, f)| f == kinds[i].fields);
            if header.as_ref().is_none_or(|(_, _, k)| known > *k || (known == *k && known == 0 && fits)) {
                header = Some((i, names, known));
            }
        }
        let recognised = header.as_ref().map_or(0, |h| h.2);
        let header = header.map(|(i, mut names, _)| {
            let units = (i + 1..end).find(|&j| !is_blank(lines[j].text));
            let units = units.filter(|&j| kinds[j].fields == names.len());
            let units = units.and_then(|j| Some((j, unit_line(&headings(j))?)));
            if let Some((_, units)) = &units {
                for (name, unit) in names.iter_mut().zip(units) {
                    *name = Heading::with_unit(&name.text, unit.clone());
                }
            }
            (i, names, units.map(|(j, _)| j))
        });
        if header.is_none() && data.is_none() {
            return None;
        }
        let numbers = kinds.iter().map(|k| k.numbers).sum();
        Some(Self { separator, decimal, header, data, recognised, numbers, fields: fields.unwrap_or(0) })
    }

    fn into_layout(
        self,
        file: &str,
        lines: &[Line<'_>],
        encoding: Encoding,
        excerpt: &str,
    ) -> Result<Layout, ReadError> {
        let file = file.to_owned();
        let Some((at, headings, units)) = self.header else {
            let line = self.data.map_or(1, |(i, _)| lines[i].number);
            return Err(ReadError::NoHeader { file, line, found: excerpt.to_owned() });
        };
        let behind = units.unwrap_or(at);
        let header_line = lines[at].number;
        if !lines[behind + 1..].iter().any(|l| !is_blank(l.text)) {
            // A lone line of text is a header only if it names something.
            return Err(if self.recognised > 0 {
                ReadError::NoData { file, line: header_line, columns: headings.len() }
            } else {
                ReadError::NoHeader { file, line: header_line, found: excerpt.to_owned() }
            });
        }
        let mut preamble = BTreeMap::new();
        for line in &lines[..at] {
            let text = encoding.text(line.text);
            let text = text.trim_start_matches(['#', '%', ' ']).trim();
            let cut = text.find([':', '=', self.separator as char]);
            if let Some((key, value)) = cut.map(|i| (&text[..i], &text[i + 1..])) {
                let clean = |s: &str| s.trim_matches(['"', ' ', self.separator as char]).to_owned();
                if !clean(key).is_empty() && !clean(value).is_empty() {
                    preamble.insert(clean(key), clean(value));
                }
            }
        }
        Ok(Layout {
            encoding,
            separator: self.separator,
            decimal: self.decimal,
            headings,
            header_line,
            data_line: lines[behind].number + 1,
            data_byte: lines[behind].next,
            preamble,
        })
    }
}

/// What the fields of a line are.
struct Kinds {
    fields: usize,
    numbers: usize,
    texts: usize,
    /// Texts that are numbers with the other decimal mark.
    other_numbers: usize,
}

impl Kinds {
    fn of(line: &[u8], separator: u8, decimal: DecimalMark) -> Self {
        let mut kinds = Self { fields: 0, numbers: 0, texts: 0, other_numbers: 0 };
        for field in fields(line, separator) {
            kinds.fields += 1;
            let field = field.trim_ascii();
            if field.is_empty() {
                continue;
            }
            let is_number = |mark: DecimalMark| {
                leading_number(field, mark.byte()).is_some_and(|(_, used)| used == field.len())
            };
            let here = is_number(decimal);
            kinds.numbers += usize::from(here);
            kinds.texts += usize::from(!here);
            kinds.other_numbers += usize::from(!here && is_number(decimal.other()));
        }
        kinds
    }

    /// Names only, and more than one.
    fn is_header(&self) -> bool {
        self.numbers == 0 && self.other_numbers == 0 && self.texts > 0 && self.fields > 1
    }

    /// At least as many numbers as words: flags, names and places may stand beside the channels.
    fn is_row(&self) -> bool {
        self.numbers > 0 && self.numbers >= self.texts
    }
}

fn headings(line: &[u8], separator: u8, decode: &dyn Fn(&[u8]) -> String) -> Vec<Heading> {
    let line = line.strip_prefix(b"//").unwrap_or(line);
    let comment = line.iter().take_while(|b| matches!(b, b'#' | b'%' | b' ')).count();
    fields(&line[comment..], separator).map(|f| Heading::new(&decode(&f))).collect()
}

/// The fields of a line read as units: `s`, `[km/h]`, empty. None when one of them is no unit.
fn unit_line(fields: &[Heading]) -> Option<Vec<Option<String>>> {
    let units: Option<Vec<Option<String>>> = fields
        .iter()
        .map(|h| {
            let text = h.text.trim_matches(['[', ']', '(', ')', '{', '}', ' ']);
            if text.is_empty() {
                return Some(None);
            }
            Unit::parse(text, None).ok().map(|_| Some(text.to_owned()))
        })
        .collect();
    units.filter(|u| u.iter().any(Option::is_some))
}

/// Fields of one line, quotes taken off.
pub(crate) fn fields(line: &[u8], separator: u8) -> impl Iterator<Item = Cow<'_, [u8]>> {
    let mut at = Some(0);
    std::iter::from_fn(move || {
        let start = at?;
        let (field, end) = field(line, start, separator);
        at = (end < line.len() && line[end] == separator).then_some(end + 1);
        Some(field)
    })
}

/// The field that begins at `start`, blanks and quotes taken off, and the index of the separator or line end behind it.
///
/// A quoted field may hold separators, line ends and doubled quotes (RFC 4180); what follows its closing quote belongs to
/// the field as it stands.
pub(crate) fn field(bytes: &[u8], start: usize, separator: u8) -> (Cow<'_, [u8]>, usize) {
    let blanks =
        bytes[start..].iter().take_while(|&&b| b == b' ' || (b == b'\t' && separator != b'\t')).count();
    let first = start + blanks;
    if bytes.get(first) != Some(&b'"') {
        let end = memchr::memchr2(separator, b'\n', &bytes[first..]).map_or(bytes.len(), |i| first + i);
        return (Cow::Borrowed(bytes[first..end].trim_ascii_end()), trim_return(bytes, first, end));
    }
    let mut content = Vec::new();
    let mut at = first + 1;
    loop {
        let Some(quote) = memchr::memchr(b'"', &bytes[at..]).map(|i| at + i) else {
            content.extend_from_slice(&bytes[at..]);
            return (Cow::Owned(content), bytes.len());
        };
        content.extend_from_slice(&bytes[at..quote]);
        at = quote + 1;
        if bytes.get(at) != Some(&b'"') {
            break;
        }
        content.push(b'"');
        at += 1;
    }
    let end = memchr::memchr2(separator, b'\n', &bytes[at..]).map_or(bytes.len(), |i| at + i);
    content.extend_from_slice(bytes[at..end].trim_ascii_end());
    (Cow::Owned(content), trim_return(bytes, at, end))
}

/// `end`, or the carriage return before it when the line ends there.
fn trim_return(bytes: &[u8], first: usize, end: usize) -> usize {
    let line_end = bytes.get(end).is_none_or(|&b| b == b'\n');
    if line_end && end > first && bytes[end - 1] == b'\r' { end - 1 } else { end }
}

fn is_blank(line: &[u8]) -> bool {
    line.iter().all(u8::is_ascii_whitespace)
}

fn lines(head: &[u8], whole: bool) -> Vec<Line<'_>> {
    let mut lines = Vec::new();
    let (mut at, mut number) = (0, 1);
    while at < head.len() && lines.len() < LINES {
        let end = memchr::memchr(b'\n', &head[at..]).map(|i| at + i);
        if end.is_none() && !whole && number > 1 {
            break;
        }
        let end = end.unwrap_or(head.len());
        let text = &head[at..end];
        let text = text.strip_suffix(b"\r").unwrap_or(text);
        let next = (end + 1).min(head.len());
        lines.push(Line { number, text, next });
        at = next;
        number += 1;
    }
    lines
}

/// The beginning of a text for a message.
pub(crate) fn excerpt(text: &str) -> String {
    const SHOWN: usize = 40;
    let clean: String = text.trim().chars().map(|c| if c.is_control() { ' ' } else { c }).collect();
    if clean.chars().count() > SHOWN {
        format!("{}…", clean.chars().take(SHOWN).collect::<String>())
    } else {
        clean
    }
}
