//! Recordings that were compressed as a whole, with gzip `[RFC1952]` or Zstandard `[RFC8878]`.

use std::cell::Cell;
use std::io::{BufReader, Read};
use std::rc::Rc;

/// How a file is compressed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Packing {
    Gzip,
    Zstandard,
}

impl Packing {
    /// From the first bytes of a file.
    pub(crate) fn of(head: &[u8]) -> Option<Self> {
        match head {
            [0x1F, 0x8B, ..] => Some(Self::Gzip),
            [0x28, 0xB5, 0x2F, 0xFD, ..] => Some(Self::Zstandard),
            _ => None,
        }
    }

    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Gzip => "gzip",
            Self::Zstandard => "Zstandard",
        }
    }

    /// The unpacked bytes of `packed`, which may be several files packed one after the other.
    pub(crate) fn unpack<'a>(self, packed: impl Read + 'a) -> std::io::Result<Box<dyn Read + 'a>> {
        Ok(match self {
            Self::Gzip => Box::new(flate2::read::MultiGzDecoder::new(BufReader::new(packed))),
            Self::Zstandard => Box::new(zstd::Decoder::new(packed)?),
        })
    }
}

/// Counts the bytes that pass.
pub(crate) struct Counted<R> {
    pub(crate) reader: R,
    pub(crate) count: Rc<Cell<u64>>,
}

impl<R: Read> Read for Counted<R> {
    fn read(&mut self, out: &mut [u8]) -> std::io::Result<usize> {
        let n = self.reader.read(out)?;
        self.count.set(self.count.get() + n as u64);
        Ok(n)
    }
}
