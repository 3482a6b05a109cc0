//! The blocks of an MDF 4 file `[ASAM-MDF4]`, every access checked against the size of the file.
//!
//! A block is a header of 24 bytes (`##` and two letters, length, number of links), the links (positions of other blocks)
//! and its data, all little-endian.

use crate::store::Store;
use ::parquet::file::reader::Length;
use std::cell::RefCell;
use std::collections::HashSet;

/// What is wrong with a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Damage(pub(crate) String);

pub(crate) type Result<T> = std::result::Result<T, Damage>;

pub(crate) fn damage<T>(text: impl Into<String>) -> Result<T> {
    Err(Damage(text.into()))
}

const HEADER: u64 = 24;

/// Blocks of description are short; only data blocks are longer, and those are not read through [`File::block`].
const LONGEST: u64 = 16 << 20;

/// More blocks of description than this are no recording but a loop or an attack.
const MOST_BLOCKS: usize = 2_000_000;

/// An open file.
pub(crate) struct File {
    pub(crate) store: Store,
    /// Positions of the blocks in chains, to find a chain that bites its tail.
    visited: RefCell<HashSet<u64>>,
    /// The writer stopped without putting things in order.
    pub(crate) unfinished: bool,
}

/// Kind, place and size of a block.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct BlockHeader {
    pub(crate) id: [u8; 2],
    pub(crate) at: u64,
    /// Whole length with header.
    pub(crate) length: u64,
    pub(crate) links: u64,
}

impl BlockHeader {
    /// First byte behind the links.
    pub(crate) fn data_at(self) -> u64 {
        self.at + HEADER + 8 * self.links
    }

    /// Bytes behind the links.
    pub(crate) fn data_length(self) -> u64 {
        self.length - HEADER - 8 * self.links
    }

    pub(crate) fn name(self) -> String {
        format!("##{}", self.id.escape_ascii())
    }
}

/// A block of description, whole.
#[derive(Debug, Clone)]
pub(crate) struct Block {
    pub(crate) header: BlockHeader,
    pub(crate) links: Vec<u64>,
    pub(crate) data: Vec<u8>,
}

impl File {
    pub(crate) fn new(store: Store, unfinished: bool) -> Self {
        Self { store, visited: RefCell::default(), unfinished }
    }

    pub(crate) fn length(&self) -> u64 {
        self.store.len()
    }

    /// `out.len()` bytes at a position.
    pub(crate) fn bytes(&self, at: u64, out: &mut [u8]) -> Result<()> {
        bytes(&self.store, at, out)
    }

    pub(crate) fn header(&self, at: u64) -> Result<BlockHeader> {
        let mut raw = [0; HEADER as usize];
        self.bytes(at, &mut raw)?;
        let [b'#', b'#', a, b, ..] = raw else {
            return damage(format!("no block begins at byte {at}, where a link points"));
        };
        let length = u64_at(&raw, 8)?;
        let links = u64_at(&raw, 16)?;
        let header = BlockHeader { id: [a, b], at, length, links };
        let fits = links.checked_mul(8).and_then(|l| l.checked_add(HEADER)).is_some_and(|l| l <= length);
        if !fits {
            return damage(format!("{} at byte {at} has {links} links in {length} bytes", header.name()));
        }
        Ok(header)
    }

    /// A block of description of the expected kind.
    pub(crate) fn block(&self, at: u64, id: &[u8; 2]) -> Result<Block> {
        let header = self.header(at)?;
        if header.id != *id {
            return damage(format!("found {} at byte {at}, expected ##{}", header.name(), id.escape_ascii()));
        }
        if header.length > LONGEST {
            return damage(format!("{} at byte {at} claims {} bytes", header.name(), header.length));
        }
        let mut raw = vec![0; (header.length - HEADER) as usize];
        self.bytes(at + HEADER, &mut raw)?;
        let data = raw.split_off(8 * header.links as usize);
        let links = raw.chunks_exact(8).map(|c| u64_at(c, 0)).collect::<Result<_>>()?;
        Ok(Block { header, links, data })
    }

    /// The blocks of a chain, each linking to the next by its link `next`.
    pub(crate) fn chain(&self, first: u64, id: &[u8; 2], next: usize) -> Result<Vec<Block>> {
        let mut blocks = Vec::new();
        let mut at = first;
        while at != 0 {
            self.visit(at)?;
            let block = self.block(at, id)?;
            at = block.link(next);
            blocks.push(block);
        }
        Ok(blocks)
    }

    /// Notes a block of a chain; a second visit is a loop.
    pub(crate) fn visit(&self, at: u64) -> Result<()> {
        let mut visited = self.visited.borrow_mut();
        if !visited.insert(at) {
            return damage(format!("the block at byte {at} is linked twice"));
        }
        if visited.len() > MOST_BLOCKS {
            return damage(format!("it has more than {MOST_BLOCKS} blocks"));
        }
        Ok(())
    }

    /// Text of a ##TX or ##MD block; empty when there is none.
    pub(crate) fn text(&self, at: u64) -> Result<String> {
        if at == 0 {
            return Ok(String::new());
        }
        let id = self.header(at)?.id;
        if id != *b"TX" && id != *b"MD" {
            return damage(format!("found ##{} at byte {at}, expected a text", id.escape_ascii()));
        }
        let block = self.block(at, &id)?;
        let end = memchr::memchr(0, &block.data).unwrap_or(block.data.len());
        let text = String::from_utf8_lossy(&block.data[..end]);
        Ok(if id == *b"MD" { tag_text(&text).unwrap_or_default() } else { text.trim().to_owned() })
    }

    /// XML of a ##MD block, as it stands; empty for anything else.
    pub(crate) fn xml(&self, at: u64) -> String {
        let block = if at == 0 { None } else { self.block(at, b"MD").ok() };
        block.map(|b| String::from_utf8_lossy(&b.data).trim_end_matches('\0').to_owned()).unwrap_or_default()
    }
}

/// `out.len()` bytes at a position of a file.
pub(crate) fn bytes(store: &Store, at: u64, out: &mut [u8]) -> Result<()> {
    let end = at.checked_add(out.len() as u64);
    if end.is_none_or(|end| end > store.len()) {
        return damage(format!(
            "{} bytes at byte {at} lie beyond the end of the file at byte {}",
            out.len(),
            store.len()
        ));
    }
    store.fill(at, out).map_err(|e| Damage(format!("reading failed at byte {at}: {e}")))
}

impl Block {
    /// A link; zero where the block has none.
    pub(crate) fn link(&self, n: usize) -> u64 {
        self.links.get(n).copied().unwrap_or(0)
    }

    pub(crate) fn u8(&self, at: usize) -> Result<u8> {
        self.data.get(at).copied().ok_or_else(|| self.short(at))
    }

    pub(crate) fn u16(&self, at: usize) -> Result<u16> {
        self.take(at).map(u16::from_le_bytes)
    }

    pub(crate) fn u32(&self, at: usize) -> Result<u32> {
        self.take(at).map(u32::from_le_bytes)
    }

    pub(crate) fn u64(&self, at: usize) -> Result<u64> {
        self.take(at).map(u64::from_le_bytes)
    }

    pub(crate) fn f64(&self, at: usize) -> Result<f64> {
        self.take(at).map(f64::from_le_bytes)
    }

    fn take<const N: usize>(&self, at: usize) -> Result<[u8; N]> {
        let bytes = self.data.get(at..at + N).and_then(|b| b.try_into().ok());
        bytes.ok_or_else(|| self.short(at))
    }

    fn short(&self, at: usize) -> Damage {
        Damage(format!(
            "{} at byte {} ends after {} bytes of data, expected more than {at}",
            self.header.name(),
            self.header.at,
            self.data.len()
        ))
    }
}

pub(crate) fn u64_at(bytes: &[u8], at: usize) -> Result<u64> {
    let taken: Option<[u8; 8]> = bytes.get(at..at + 8).and_then(|b| b.try_into().ok());
    taken.map(u64::from_le_bytes).ok_or_else(|| Damage("a block is too short".to_owned()))
}

/// Content of the first `<TX>` of a comment.
fn tag_text(xml: &str) -> Option<String> {
    let (_, rest) = xml.split_once("<TX>")?;
    let (text, _) = rest.split_once("</TX>")?;
    Some(unescape(text.trim()))
}

/// Names and values of `<e name="…">…</e>` and the free text of a comment.
pub(crate) fn properties(xml: &str) -> Vec<(String, String)> {
    let mut found: Vec<(String, String)> = Vec::new();
    for part in xml.split("<e ").skip(1) {
        let name = part.split_once("name=\"").and_then(|(_, r)| r.split_once('"')).map(|(n, _)| n);
        let value = part.split_once('>').and_then(|(_, r)| r.split_once("</e>")).map(|(v, _)| v);
        if let (Some(name), Some(value)) = (name, value) {
            found.push((unescape(name), unescape(value.trim())));
        }
    }
    found.extend(tag_text(xml).map(|t| ("comment".to_owned(), t)));
    found.retain(|(k, v)| !k.is_empty() && !v.is_empty());
    found
}

fn unescape(text: &str) -> String {
    text.replace("&lt;", "<")
        .replace("&gt;", ">")
        .replace("&quot;", "\"")
        .replace("&apos;", "'")
        .replace("&amp;", "&")
}
