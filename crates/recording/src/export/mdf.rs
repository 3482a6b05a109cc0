//! ASAM MDF 4.10 `[ASAM-MDF4]`: a data group for every clock, sorted, its records of doubles in one plain ##DT block.
//!
//! Layout: ##ID, ##HD, ##FH with its comment, the records, then the description, whose blocks link backwards.

use super::{ExportError, Table};
use std::collections::BTreeMap;
use std::io::Write;

/// Bytes of the identification block.
const ID: u64 = 64;
/// Id, reserved, length and number of links of every block.
const HEADER: u64 = 24;

/// One block: links, then data, padded to eight bytes. The length field does not count the padding.
fn block(id: &[u8; 2], links: &[u64], data: &[u8]) -> Vec<u8> {
    let length = HEADER + 8 * links.len() as u64 + data.len() as u64;
    let mut out = Vec::with_capacity(length.next_multiple_of(8) as usize);
    out.extend(b"##");
    out.extend(id);
    out.extend([0; 4]);
    out.extend(length.to_le_bytes());
    out.extend((links.len() as u64).to_le_bytes());
    links.iter().for_each(|l| out.extend(l.to_le_bytes()));
    out.extend(data);
    out.resize(out.len().next_multiple_of(8), 0);
    out
}

/// Text with its closing zero.
fn text(id: &[u8; 2], content: &str) -> Vec<u8> {
    let mut data = content.replace('\0', "").into_bytes();
    data.push(0);
    block(id, &[], &data)
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// Blocks behind one another; each knows its place.
struct Blocks {
    base: u64,
    bytes: Vec<u8>,
}

impl Blocks {
    fn put(&mut self, block: &[u8]) -> u64 {
        let at = self.base + self.bytes.len() as u64;
        self.bytes.extend(block);
        at
    }
}

pub(super) fn write(
    tables: &[Table],
    metadata: &BTreeMap<String, String>,
    out: &mut impl Write,
) -> Result<(), ExportError> {
    let header_length = HEADER + 6 * 8 + 32;
    let mut front = Blocks { base: ID + header_length, bytes: Vec::new() };
    let tool = "<FHcomment><TX>Written by Lapwright.</TX><tool_id>lapwright</tool_id><tool_vendor>lapwright</tool_vendor><tool_version>0.1.0</tool_version></FHcomment>"
        .replace("0.1.0", env!("CARGO_PKG_VERSION"));
    let tool = front.put(&text(b"MD", &tool));
    let history = front.put(&block(b"FH", &[0, tool], &[0; 16]));
    let comment = if metadata.is_empty() {
        0
    } else {
        let entries: String =
            metadata.iter().map(|(k, v)| format!("<e name=\"{}\">{}</e>", escaped(k), escaped(v))).collect();
        front.put(&text(
            b"MD",
            &format!("<HDcomment><TX></TX><common_properties>{entries}</common_properties></HDcomment>"),
        ))
    };

    let record = |t: &Table| 8 * (1 + t.columns.len() as u64);
    let data_length = |t: &Table| HEADER + record(t) * t.time_s.len() as u64;
    let mut at = front.base + front.bytes.len() as u64;
    let mut data_at = Vec::with_capacity(tables.len());
    for table in tables {
        data_at.push(at);
        // Records of doubles keep the next block on a multiple of eight.
        at += data_length(table);
    }
    let mut back = Blocks { base: at, bytes: Vec::new() };
    let mut next_group = 0;
    for (table, data) in tables.iter().zip(data_at).rev() {
        next_group = describe(table, record(table) as u32, data, next_group, &mut back);
    }

    let mut id = [0; ID as usize];
    id[..8].copy_from_slice(b"MDF     ");
    id[8..16].copy_from_slice(b"4.10    ");
    id[16..24].copy_from_slice(b"lapwrigh");
    id[28..30].copy_from_slice(&410_u16.to_le_bytes());
    out.write_all(&id)?;
    // Start time unknown: zero, and the rest of the block says nothing either.
    out.write_all(&block(b"HD", &[next_group, history, 0, 0, 0, comment], &[0; 32]))?;
    out.write_all(&front.bytes)?;
    for table in tables {
        out.write_all(b"##DT\0\0\0\0")?;
        out.write_all(&data_length(table).to_le_bytes())?;
        out.write_all(&0_u64.to_le_bytes())?;
        for (row, t) in table.time_s.iter().enumerate() {
            out.write_all(&t.to_le_bytes())?;
            for column in &table.columns {
                out.write_all(&column.values[row].to_le_bytes())?;
            }
        }
    }
    out.write_all(&back.bytes)?;
    Ok(())
}

/// The blocks of one group; gives the place of its ##DG.
fn describe(table: &Table, record_bytes: u32, data_at: u64, next_group: u64, out: &mut Blocks) -> u64 {
    let mut next = 0;
    for (i, column) in table.columns.iter().enumerate().rev() {
        let name = out.put(&text(b"TX", &column.channel.name()));
        let unit = out.put(&text(b"TX", column.unit.symbol));
        let offset = 8 * (1 + i as u32);
        next = out.put(&channel(next, name, unit, 0, 0, offset));
    }
    let name = out.put(&text(b"TX", "time"));
    let unit = out.put(&text(b"TX", "s"));
    // Type 2 is a master, synchronisation 1 is time.
    let first = out.put(&channel(next, name, unit, 2, 1, 0));
    let mut data = Vec::with_capacity(32);
    data.extend(0_u64.to_le_bytes());
    data.extend((table.time_s.len() as u64).to_le_bytes());
    // Flags, path separator, reserved.
    data.extend([0; 8]);
    data.extend(record_bytes.to_le_bytes());
    data.extend(0_u32.to_le_bytes());
    let group = out.put(&block(b"CG", &[0, first, 0, 0, 0, 0], &data));
    // No record id: the group is sorted.
    out.put(&block(b"DG", &[next_group, group, data_at, 0], &[0; 8]))
}

fn channel(next: u64, name: u64, unit: u64, kind: u8, sync: u8, byte_offset: u32) -> Vec<u8> {
    /// IEEE 754, least significant byte first.
    const FLOAT: u8 = 4;
    let mut data = Vec::with_capacity(72);
    data.extend([kind, sync, FLOAT, 0]);
    data.extend(byte_offset.to_le_bytes());
    data.extend(64_u32.to_le_bytes());
    // Flags, place of the invalidation bit; precision, reserved, attachments; three ranges that are not given.
    data.resize(72, 0);
    block(b"CN", &[next, 0, name, 0, 0, 0, unit, 0], &data)
}
