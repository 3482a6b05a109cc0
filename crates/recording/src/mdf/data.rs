//! The records of a data group as one stream of bytes, whatever blocks they are spread over `[ASAM-MDF4]`: one ##DT,
//! lists (##DL, ##HL), deflated and transposed blocks (##DZ).

use super::blocks::{BlockHeader, File, Result, bytes, damage, u64_at};
use crate::store::Store;
use flate2::read::ZlibDecoder;
use std::io::Read;

/// One stretch of records.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Piece {
    /// As it stands in the file.
    Plain { at: u64, length: u64 },
    /// Deflated; `columns` when transposed before.
    Zipped { at: u64, length: u64, original: u64, columns: Option<u32> },
}

impl Piece {
    /// Bytes in the file.
    pub(crate) fn size(self) -> u64 {
        match self {
            Self::Plain { length, .. } | Self::Zipped { length, .. } => length,
        }
    }
}

/// The pieces of a data section, and the byte where the file ends before they do.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(crate) struct Pieces {
    pub(crate) pieces: Vec<Piece>,
    pub(crate) cut_at: Option<u64>,
}

/// Plain pieces are read in parts of this size.
const PART: u64 = 1 << 20;

/// Deflate cannot do better than this: 258 bytes from two bits. `[RFC1951]`
const BEST_RATIO: u64 = 1032;

/// A deflated block is meant to hold 4 MB; this is far beyond.
const LARGEST_ZIPPED: u64 = 1 << 30;

impl Pieces {
    pub(crate) fn of(file: &File, at: u64) -> Result<Self> {
        let mut found = Self::default();
        if at == 0 {
            return Ok(found);
        }
        let header = file.header(at)?;
        match &header.id {
            b"DL" => found.list(file, at)?,
            b"HL" => found.list(file, file.block(at, b"HL")?.link(0))?,
            _ => {
                found.block(file, header)?;
            }
        }
        Ok(found)
    }

    fn list(&mut self, file: &File, first: u64) -> Result<()> {
        let mut at = first;
        while at != 0 {
            if at >= file.length() {
                self.cut_at.get_or_insert(file.length());
                return Ok(());
            }
            file.visit(at)?;
            let list = file.block(at, b"DL")?;
            for &link in list.links.iter().skip(1).filter(|&&l| l != 0) {
                if link >= file.length() {
                    self.cut_at.get_or_insert(file.length());
                    return Ok(());
                }
                file.visit(link)?;
                if !self.block(file, file.header(link)?)? {
                    return Ok(());
                }
            }
            at = list.link(0);
        }
        Ok(())
    }

    /// Adds a data block; false when the file ends within it.
    fn block(&mut self, file: &File, header: BlockHeader) -> Result<bool> {
        let (at, end) = (header.data_at(), file.length());
        match &header.id {
            b"DT" | b"SD" | b"RD" => {
                // A logger that was switched off has not written the length of its last block.
                let open = file.unfinished && header.data_length() == 0;
                let length = if open { end.saturating_sub(at) } else { header.data_length() };
                let there = end.saturating_sub(at).min(length);
                self.pieces.push(Piece::Plain { at, length: there });
                if there < length {
                    self.cut_at.get_or_insert(end);
                }
                Ok(there == length)
            }
            b"DZ" => {
                let mut raw = [0; 24];
                file.bytes(at, &mut raw)?;
                let [_, _, kind, ..] = raw;
                let columns = u32::from_le_bytes([raw[4], raw[5], raw[6], raw[7]]);
                let (original, length) = (u64_at(&raw, 8)?, u64_at(&raw, 16)?);
                let columns = match kind {
                    0 => None,
                    1 => Some(columns),
                    n => {
                        return damage(format!(
                            "##DZ at byte {} is compressed in way {n}, which is not read",
                            header.at
                        ));
                    }
                };
                if length.checked_add(24).is_none_or(|l| l > header.data_length()) {
                    return damage(format!(
                        "##DZ at byte {} claims {length} bytes in a shorter block",
                        header.at
                    ));
                }
                if original > LARGEST_ZIPPED
                    || original > length.saturating_mul(BEST_RATIO).saturating_add(64)
                {
                    return damage(format!(
                        "##DZ at byte {} claims to unpack to {original} bytes",
                        header.at
                    ));
                }
                if at + 24 + length > end {
                    self.cut_at.get_or_insert(end);
                    return Ok(false);
                }
                self.pieces.push(Piece::Zipped { at: at + 24, length, original, columns });
                Ok(true)
            }
            b"LD" => damage("its records are stored by columns (##LD), which is not read"),
            _ => damage(format!("found {} at byte {}, expected records", header.name(), header.at)),
        }
    }

    pub(crate) fn size(&self) -> u64 {
        self.pieces.iter().map(|p| p.size()).sum()
    }

    /// Bytes of records that the pieces promise to hold.
    pub(crate) fn unpacked(&self) -> u64 {
        let original = |p: &Piece| match *p {
            Piece::Plain { length, .. } => length,
            Piece::Zipped { original, .. } => original,
        };
        self.pieces.iter().map(original).fold(0, u64::saturating_add)
    }
}

/// The parts of a piece that are read at once: position in it and length.
pub(crate) fn parts(piece: Piece) -> impl Iterator<Item = (u64, u64)> {
    let step = match piece {
        Piece::Plain { .. } => PART,
        Piece::Zipped { length, .. } => length.max(1),
    };
    (0..piece.size().div_ceil(step)).map(move |i| (i * step, step.min(piece.size() - i * step)))
}

/// One part of a piece, unpacked.
pub(crate) fn unpack(store: &Store, piece: Piece, from: u64, length: u64) -> Result<Vec<u8>> {
    let read = |at: u64| {
        let mut raw = vec![0; length as usize];
        bytes(store, at + from, &mut raw).map(|()| raw)
    };
    match piece {
        Piece::Plain { at, .. } => read(at),
        Piece::Zipped { at, original, columns, .. } => {
            let raw = read(at)?;
            let mut out = Vec::with_capacity(original as usize);
            let unpacked = ZlibDecoder::new(&raw[..]).take(original).read_to_end(&mut out);
            if unpacked.is_err() || out.len() as u64 != original {
                return damage(format!(
                    "the packed block at byte {at} does not unpack to its {original} bytes"
                ));
            }
            Ok(match columns {
                Some(columns) => rows_first(&out, columns as usize),
                None => out,
            })
        }
    }
}

/// Turns columns of bytes back into rows; what is left over after whole rows was not turned.
fn rows_first(columns_first: &[u8], columns: usize) -> Vec<u8> {
    // Rows of a tile stay in the nearest cache while its columns are gathered.
    const TILE: usize = 64;
    let rows = columns_first.len().checked_div(columns).unwrap_or(0);
    let mut out = columns_first.to_vec();
    for tile in (0..rows).step_by(TILE) {
        let end = (tile + TILE).min(rows);
        for column in 0..columns {
            let from = &columns_first[column * rows + tile..column * rows + end];
            for (row, &byte) in (tile..end).zip(from) {
                out[row * columns + column] = byte;
            }
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_of_bytes_become_rows() {
        assert_eq!(rows_first(b"adgbehcfiX", 3), b"abcdefghiX");
        assert_eq!(rows_first(b"abc", 0), b"abc");
        assert_eq!(rows_first(b"abc", 7), b"abc");
        let rows: Vec<u8> = (0..1000_u32).map(|i| i as u8).collect();
        let turned: Vec<u8> = (0..10).flat_map(|c| (0..100).map(move |r| (r * 10 + c) as u8)).collect();
        assert_eq!(rows_first(&turned, 10), rows);
    }
}
