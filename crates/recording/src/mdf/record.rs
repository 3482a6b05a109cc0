//! Numbers out of records.

use super::blocks::{Damage, File, Result, damage};
use super::conversion::Rule;
use super::data::{Pieces, parts, unpack};
use crate::Progress;
use crate::in_order::in_order;
use crate::names::Heading;
use crate::plan::Wanted;
use std::collections::BTreeMap;

/// A group of channels that are written together.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Group {
    pub(crate) name: String,
    pub(crate) source: Source,
    /// Records that the file promises.
    pub(crate) cycles: u64,
    pub(crate) data_bytes: u32,
    pub(crate) invalid_bytes: u32,
    pub(crate) fields: Vec<Field>,
    /// The field that tells the time.
    pub(crate) master: Option<usize>,
}

/// Where the records of a group are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Source {
    pub(crate) data_group: usize,
    pub(crate) data_at: u64,
    /// Bytes of the number before each record that tells its group; 0 where there is only one group.
    pub(crate) id_size: u8,
    pub(crate) id: u64,
    /// Records are a length and that many bytes.
    pub(crate) variable_length: bool,
}

/// One channel in the records of its group.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Field {
    pub(crate) name: String,
    pub(crate) unit: String,
    pub(crate) number: Number,
    pub(crate) rule: Rule,
    /// Bit behind the data that marks the sample invalid.
    pub(crate) invalid_bit: Option<u32>,
}

impl Field {
    pub(crate) fn heading(&self) -> Heading {
        Heading::with_unit(&self.name, Some(self.unit.clone()))
    }
}

/// How the number of a channel is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Number {
    /// The number of the record.
    Index,
    F32 {
        at: usize,
        big_endian: bool,
    },
    F64 {
        at: usize,
        big_endian: bool,
    },
    F16 {
        at: usize,
        big_endian: bool,
    },
    /// `bytes` bytes from `at`, shifted right, of which `bits` count.
    Integer {
        at: usize,
        bytes: usize,
        shift: u32,
        bits: u32,
        signed: bool,
        big_endian: bool,
    },
    /// None, and why.
    None(&'static str),
}

impl Number {
    /// From the fields of a ##CN block; `record` is the length of the data in a record.
    pub(crate) fn of(
        kind: u8,
        data_type: u8,
        bit_offset: u8,
        byte_offset: u32,
        bits: u32,
        record: u32,
    ) -> Self {
        match kind {
            0 | 2 | 4 | 5 => {}
            3 | 6 => return Self::Index,
            _ => return Self::None("its values have no fixed length"),
        }
        let at = byte_offset as usize;
        let big_endian = matches!(data_type, 1 | 3 | 5);
        let number = match (data_type, bits, bit_offset) {
            (4 | 5, 16, 0) => Self::F16 { at, big_endian },
            (4 | 5, 32, 0) => Self::F32 { at, big_endian },
            (4 | 5, 64, 0) => Self::F64 { at, big_endian },
            (0..=3, 1..=64, 0..=7) => {
                let bytes = (u32::from(bit_offset) + bits).div_ceil(8) as usize;
                let signed = data_type >= 2;
                Self::Integer { at, bytes, shift: u32::from(bit_offset), bits, signed, big_endian }
            }
            (0..=5, ..) => return Self::None("its number has a width that is not read"),
            _ => return Self::None("it holds text or bytes"),
        };
        match number.end() <= record as usize {
            true => number,
            false => Self::None("it lies outside its record"),
        }
    }

    /// First byte behind the number.
    fn end(self) -> usize {
        match self {
            Self::F16 { at, .. } => at + 2,
            Self::F32 { at, .. } => at + 4,
            Self::F64 { at, .. } => at + 8,
            Self::Integer { at, bytes, .. } => at + bytes,
            Self::Index | Self::None(_) => 0,
        }
    }

    /// Appends the raw numbers of whole records; `first` is the number of the first record.
    fn append(self, records: &[u8], stride: usize, first: usize, out: &mut Vec<f64>) {
        let rows = records.chunks_exact(stride);
        match self {
            Self::Index => out.extend((first..first + rows.len()).map(|i| i as f64)),
            Self::F32 { at, big_endian: false } => {
                out.extend(rows.map(|r| f64::from(f32::from_le_bytes(array(r, at)))));
            }
            Self::F32 { at, big_endian: true } => {
                out.extend(rows.map(|r| f64::from(f32::from_be_bytes(array(r, at)))));
            }
            Self::F64 { at, big_endian: false } => out.extend(rows.map(|r| f64::from_le_bytes(array(r, at)))),
            Self::F64 { at, big_endian: true } => out.extend(rows.map(|r| f64::from_be_bytes(array(r, at)))),
            Self::F16 { at, big_endian } => out.extend(rows.map(|r| {
                let bytes = array(r, at);
                crate::number::half(if big_endian {
                    u16::from_be_bytes(bytes)
                } else {
                    u16::from_le_bytes(bytes)
                })
            })),
            Self::Integer { at, bytes: 1, shift: 0, bits: 8, signed: false, .. } => {
                out.extend(rows.map(|r| f64::from(r[at])));
            }
            Self::Integer { at, bytes: 2, shift: 0, bits: 16, signed: true, big_endian: false } => {
                out.extend(rows.map(|r| f64::from(i16::from_le_bytes(array(r, at)))));
            }
            Self::Integer { at, bytes: 4, shift: 0, bits: 32, signed: true, big_endian: false } => {
                out.extend(rows.map(|r| f64::from(i32::from_le_bytes(array(r, at)))));
            }
            Self::Integer { at, bytes, shift, bits, signed, big_endian } => out.extend(rows.map(|r| {
                let all = &r[at..at + bytes];
                let push = |v: u128, &b: &u8| (v << 8) | u128::from(b);
                let whole =
                    if big_endian { all.iter().fold(0, push) } else { all.iter().rev().fold(0, push) };
                let unused = 64 - bits;
                let value = ((whole >> shift) as u64) << unused;
                if signed { ((value as i64) >> unused) as f64 } else { (value >> unused) as f64 }
            })),
            Self::None(_) => out.extend(rows.map(|_| f64::NAN)),
        }
    }
}

/// Bytes of a record from `at`; that they are there was checked when the number was described.
fn array<const N: usize>(record: &[u8], at: usize) -> [u8; N] {
    let mut out = [0; N];
    out.copy_from_slice(&record[at..at + N]);
    out
}

/// What was read of one group.
#[derive(Debug, Clone, Default)]
pub(crate) struct Records {
    pub(crate) name: String,
    pub(crate) rows: usize,
    /// Physical values of each wanted channel.
    pub(crate) values: Vec<Vec<f64>>,
    /// Records that the file promises, when it does.
    pub(crate) promised: Option<u64>,
    /// Byte at which the file ends too early.
    pub(crate) cut_at: Option<u64>,
}

/// Records longer than this are none.
const LONGEST_RECORD: u64 = 64 << 20;

/// Groups whose records have no bytes have only computed channels; more of them than this are not believed.
const MOST_EMPTY_RECORDS: u64 = 1 << 26;

/// Values for which room is made before they are there.
const MOST_ROOM: u64 = 1 << 22;

/// Bytes of records that are taken apart at once: they stay in the cache while channel after channel is picked out.
const BATCH: usize = 256 << 10;

/// Reads the wanted channels of every group.
pub(crate) fn read(
    file: &File,
    groups: &[Group],
    wanted: &[Vec<Wanted>],
    progress: &mut dyn FnMut(Progress),
) -> Result<Vec<Records>> {
    let mut by_data_group: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (g, group) in groups.iter().enumerate() {
        by_data_group.entry(group.source.data_group).or_default().push(g);
    }
    let mut sections = Vec::new();
    for members in by_data_group.into_values() {
        if members.iter().any(|&g| !wanted[g].is_empty()) {
            let pieces = Pieces::of(file, groups[members[0]].source.data_at)?;
            sections.push((members, pieces));
        }
    }
    let bytes_total = Some(sections.iter().map(|s| s.1.size()).sum());
    let mut bytes_done = 0;
    let mut out: Vec<Records> = groups.iter().map(|_| Records::default()).collect();
    for (members, pieces) in sections {
        let mut sinks: Vec<Sink<'_>> = Vec::new();
        for &g in &members {
            sinks.push(Sink::new(&groups[g], &wanted[g], pieces.unpacked())?);
        }
        let mut section = Section::new(sinks)?;
        let mut tasks =
            pieces.pieces.iter().flat_map(|&p| parts(p).map(move |(from, length)| (p, from, length)));
        let store = &file.store;
        let unpack = |(piece, from, length)| (length, unpack(store, piece, from, length));
        in_order(
            || Ok(tasks.next()),
            unpack,
            |(length, records)| {
                section.take(records?)?;
                bytes_done += length;
                progress(Progress { bytes_done, bytes_total });
                Ok(())
            },
        )?;
        for (g, mut sink) in members.into_iter().zip(section.sinks) {
            sink.flush();
            let promised = (!file.unfinished).then_some(groups[g].cycles);
            out[g] = sink.into_records(promised, pieces.cut_at);
        }
    }
    Ok(out)
}

/// The records of one data group on their way to their groups.
struct Section<'g> {
    sinks: Vec<Sink<'g>>,
    id_size: usize,
    by_id: BTreeMap<u64, usize>,
    /// Beginning of a record whose end is in the next block.
    rest: Vec<u8>,
    /// Bytes taken so far, to name a place.
    taken: u64,
}

impl<'g> Section<'g> {
    fn new(sinks: Vec<Sink<'g>>) -> Result<Self> {
        let id_size = usize::from(sinks.first().map_or(0, |s| s.group.source.id_size));
        if !matches!(id_size, 0 | 1 | 2 | 4 | 8) {
            return damage(format!("record numbers of {id_size} bytes"));
        }
        if id_size == 0 && sinks.len() > 1 {
            return damage("several groups share their records, but nothing tells them apart");
        }
        let by_id = sinks.iter().enumerate().map(|(i, s)| (s.group.source.id, i)).collect();
        Ok(Self { sinks, id_size, by_id, rest: Vec::new(), taken: 0 })
    }

    fn take(&mut self, bytes: Vec<u8>) -> Result<()> {
        self.taken += bytes.len() as u64;
        let bytes = if self.rest.is_empty() {
            bytes
        } else {
            let mut joined = std::mem::take(&mut self.rest);
            joined.extend_from_slice(&bytes);
            joined
        };
        let used = if self.id_size == 0 { self.sorted(&bytes) } else { self.unsorted(&bytes)? };
        self.rest.extend_from_slice(&bytes[used..]);
        Ok(())
    }

    /// Records of one group, back to back; gives the bytes used.
    fn sorted(&mut self, bytes: &[u8]) -> usize {
        let Some(sink) = self.sinks.first_mut() else { return bytes.len() };
        if sink.stride == 0 {
            return bytes.len();
        }
        let whole = bytes.len() - bytes.len() % sink.stride;
        sink.records(&bytes[..whole]);
        whole
    }

    fn unsorted(&mut self, bytes: &[u8]) -> Result<usize> {
        let mut at = 0;
        loop {
            let Some(id) = bytes.get(at..at + self.id_size) else { return Ok(at) };
            let id = id.iter().rev().fold(0, |v, &b| (v << 8) | u64::from(b));
            let Some(&i) = self.by_id.get(&id) else {
                let place = self.taken - (bytes.len() - at) as u64;
                return damage(format!(
                    "byte {place} of the records belongs to group {id}, which is not described"
                ));
            };
            let sink = &mut self.sinks[i];
            let start = at + self.id_size;
            let length = if sink.group.source.variable_length {
                let Some(raw) = bytes.get(start..start + 4) else { return Ok(at) };
                4 + u32::from_le_bytes([raw[0], raw[1], raw[2], raw[3]]) as usize
            } else {
                sink.stride
            };
            if length as u64 > LONGEST_RECORD {
                return damage(format!("a record of {length} bytes"));
            }
            let Some(record) = bytes.get(start..start + length) else { return Ok(at) };
            if !sink.group.source.variable_length {
                sink.record(record);
            }
            at = start + length;
        }
    }
}

/// Takes the records of one group apart.
struct Sink<'g> {
    group: &'g Group,
    fields: Vec<&'g Field>,
    stride: usize,
    rows: usize,
    values: Vec<Vec<f64>>,
    pending: Vec<u8>,
}

impl<'g> Sink<'g> {
    fn new(group: &'g Group, wanted: &[Wanted], bytes: u64) -> Result<Self> {
        let stride = u64::from(group.data_bytes) + u64::from(group.invalid_bytes);
        if stride > LONGEST_RECORD {
            return damage(format!("the group '{}' has records of {stride} bytes", group.name));
        }
        let fields: Vec<&Field> = wanted.iter().map(|w| &group.fields[w.column]).collect();
        let mut sink = Self {
            group,
            values: vec![Vec::new(); fields.len()],
            fields,
            stride: stride as usize,
            rows: 0,
            pending: Vec::new(),
        };
        if stride == 0 && !sink.fields.is_empty() {
            sink.count_only()?;
        }
        let rows = bytes.checked_div(stride).unwrap_or(0).min(group.cycles).min(MOST_ROOM);
        for values in &mut sink.values {
            values.reserve(rows as usize);
        }
        Ok(sink)
    }

    /// Records without bytes: only their number counts.
    fn count_only(&mut self) -> Result<()> {
        if self.group.cycles > MOST_EMPTY_RECORDS {
            return Err(Damage(format!(
                "the group '{}' promises {} records without a byte",
                self.group.name, self.group.cycles
            )));
        }
        self.rows = self.group.cycles as usize;
        for values in &mut self.values {
            values.extend((0..self.rows).map(|i| i as f64));
        }
        Ok(())
    }

    fn record(&mut self, record: &[u8]) {
        if self.fields.is_empty() {
            return;
        }
        self.pending.extend_from_slice(record);
        if self.pending.len() >= BATCH {
            self.flush();
        }
    }

    fn flush(&mut self) {
        let pending = std::mem::take(&mut self.pending);
        if self.stride > 0 {
            self.records(&pending);
        }
        self.pending = pending;
        self.pending.clear();
    }

    /// Whole records.
    fn records(&mut self, records: &[u8]) {
        if self.fields.is_empty() {
            return;
        }
        let batch = (BATCH / self.stride).max(1) * self.stride;
        for records in records.chunks(batch) {
            for (field, values) in self.fields.iter().zip(&mut self.values) {
                field.number.append(records, self.stride, self.rows, values);
                if let Some(bit) = field.invalid_bit {
                    let at = self.group.data_bytes as usize + (bit / 8) as usize;
                    let new = values.len() - records.len() / self.stride;
                    for (v, r) in values[new..].iter_mut().zip(records.chunks_exact(self.stride)) {
                        if r.get(at).is_some_and(|b| b >> (bit % 8) & 1 == 1) {
                            *v = f64::NAN;
                        }
                    }
                }
            }
            self.rows += records.len() / self.stride;
        }
    }

    fn into_records(mut self, promised: Option<u64>, cut_at: Option<u64>) -> Records {
        // What stands behind the promised records is filling.
        let rows = promised.map_or(self.rows, |p| self.rows.min(usize::try_from(p).unwrap_or(usize::MAX)));
        for (field, values) in self.fields.iter().zip(&mut self.values) {
            values.truncate(rows);
            field.rule.apply(values);
        }
        Records { name: self.group.name.clone(), rows, values: self.values, promised, cut_at }
    }
}
