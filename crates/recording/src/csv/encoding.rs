//! Bytes of a text file to bytes that read as ASCII where it matters.
//!
//! Numbers, separators and line ends are ASCII in UTF-8 and in Latin-1, so their bodies pass through untouched; only the
//! headings are decoded. UTF-16 is turned into UTF-8 block by block.

use encoding_rs::{CoderResult, Decoder, UTF_8, UTF_16BE, UTF_16LE, WINDOWS_1252};
use std::borrow::Cow;
use std::io::Read;

/// How the text is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Encoding {
    Utf8 {
        bom: bool,
    },
    /// With the printable characters that Windows adds.
    Latin1,
    Utf16 {
        little_endian: bool,
        bom: bool,
    },
}

impl Encoding {
    /// Finds the encoding from the first bytes of a file; what they are instead when they are no text.
    pub(crate) fn sniff(head: &[u8]) -> Result<Self, String> {
        match head {
            [0xEF, 0xBB, 0xBF, ..] => return Ok(Self::Utf8 { bom: true }),
            [0xFF, 0xFE, ..] => return Ok(Self::Utf16 { little_endian: true, bom: true }),
            [0xFE, 0xFF, ..] => return Ok(Self::Utf16 { little_endian: false, bom: true }),
            _ => {}
        }
        // Zeros at the end are room that a logger had set aside.
        let head = &head[..head.iter().rposition(|&b| b != 0).map_or(0, |i| i + 1)];
        if head.is_empty() {
            return Err("holds nothing but zeros".to_owned());
        }
        let nul = |parity: usize| head.iter().take(2000).skip(parity).step_by(2).filter(|&&b| b == 0).count();
        let (even, odd) = (nul(0), nul(1));
        let halves = head.len().min(2000) / 2;
        // Headings are mostly ASCII: every other byte of UTF-16 is zero, and none of the others.
        if even + odd > 0 {
            return match (even, odd) {
                (0, o) if 10 * o > 7 * halves => Ok(Self::Utf16 { little_endian: true, bom: false }),
                (e, 0) if 10 * e > 7 * halves => Ok(Self::Utf16 { little_endian: false, bom: false }),
                _ => Err(binary(head)),
            };
        }
        let control =
            head.iter().filter(|&&b| b < 0x20 && !matches!(b, b'\t' | b'\n' | b'\r' | 0x0C | 0x1A)).count();
        if control > 0 {
            return Err(binary(head));
        }
        match std::str::from_utf8(head) {
            Ok(_) => Ok(Self::Utf8 { bom: false }),
            // Cut within a character at the end of the block.
            Err(e) if e.error_len().is_none() => Ok(Self::Utf8 { bom: false }),
            Err(_) => Ok(Self::Latin1),
        }
    }

    pub(crate) fn name(self) -> &'static str {
        match self {
            Self::Utf8 { .. } => "UTF-8",
            Self::Latin1 => "Latin-1",
            Self::Utf16 { little_endian: true, .. } => "UTF-16 LE",
            Self::Utf16 { little_endian: false, .. } => "UTF-16 BE",
        }
    }

    /// Characters of a part of the body.
    pub(crate) fn text(self, body: &[u8]) -> Cow<'_, str> {
        match self {
            Self::Latin1 => WINDOWS_1252.decode_without_bom_handling(body).0,
            Self::Utf8 { .. } | Self::Utf16 { .. } => String::from_utf8_lossy(body),
        }
    }
}

fn binary(head: &[u8]) -> String {
    let shown: Vec<String> = head.iter().take(8).map(|b| format!("{b:02x}")).collect();
    format!("is neither text nor a known binary format (it begins with the bytes {})", shown.join(" "))
}

/// A text file as blocks of ASCII-compatible bytes with `\n` or `\r\n` at line ends.
pub(crate) struct Text<R> {
    reader: R,
    decoder: Option<Decoder>,
    /// Bytes of the byte-order mark still to be taken off.
    skip: usize,
    /// Lines end in a lone carriage return.
    pub(crate) cr_only: bool,
    raw: Vec<u8>,
    /// Bytes of the file that are behind us.
    pub(crate) bytes_done: u64,
    ended: bool,
    /// An error ends the text instead of refusing it: what was unpacked before it is whole.
    pub(crate) forgiving: bool,
    /// Bytes before the error, and the error.
    pub(crate) broken: Option<(u64, std::io::Error)>,
}

impl<R: Read> Text<R> {
    pub(crate) fn new(reader: R, encoding: Encoding) -> Self {
        let (decoder, skip) = match encoding {
            Encoding::Utf8 { bom } => (None, if bom { 3 } else { 0 }),
            Encoding::Latin1 => (None, 0),
            Encoding::Utf16 { little_endian, bom } => {
                let encoding = if little_endian { UTF_16LE } else { UTF_16BE };
                (Some(encoding.new_decoder_without_bom_handling()), if bom { 2 } else { 0 })
            }
        };
        debug_assert!(UTF_8.is_ascii_compatible() && WINDOWS_1252.is_ascii_compatible());
        Self {
            reader,
            decoder,
            skip,
            cr_only: false,
            raw: Vec::new(),
            bytes_done: 0,
            ended: false,
            forgiving: false,
            broken: None,
        }
    }

    /// Appends about `size` bytes to `out`; false when the file has ended.
    pub(crate) fn append(&mut self, size: usize, out: &mut Vec<u8>) -> std::io::Result<bool> {
        if self.ended {
            return Ok(false);
        }
        if self.skip > 0 {
            let mut mark = vec![0; self.skip];
            self.reader.read_exact(&mut mark)?;
            self.bytes_done += self.skip as u64;
            self.skip = 0;
        }
        let start = out.len();
        let into = if self.decoder.is_some() { &mut self.raw } else { &mut *out };
        let before = into.len();
        let ended = match self.reader.by_ref().take(size as u64).read_to_end(into) {
            Ok(read) => read < size,
            Err(error) if self.forgiving => {
                let at = self.bytes_done + (into.len() - before) as u64;
                self.broken = Some((at, error));
                true
            }
            Err(error) => return Err(error),
        };
        self.bytes_done += (into.len() - before) as u64;
        self.ended = ended;
        if let Some(decoder) = &mut self.decoder {
            decode(decoder, &self.raw, ended, out);
            self.raw.clear();
        }
        if self.cr_only {
            out[start..].iter_mut().filter(|b| **b == b'\r').for_each(|b| *b = b'\n');
        }
        Ok(true)
    }
}

fn decode(decoder: &mut Decoder, mut raw: &[u8], last: bool, out: &mut Vec<u8>) {
    let mut buffer = vec![0; 64 * 1024];
    loop {
        let (result, read, written, _) = decoder.decode_to_utf8(raw, &mut buffer, last);
        out.extend_from_slice(&buffer[..written]);
        raw = &raw[read..];
        if result == CoderResult::InputEmpty {
            return;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn encodings_are_told_apart_by_content() {
        let utf16 = |s: &str| s.encode_utf16().flat_map(u16::to_le_bytes).collect::<Vec<u8>>();
        let big = |s: &str| s.encode_utf16().flat_map(u16::to_be_bytes).collect::<Vec<u8>>();
        let header = "Time [s],Temp [°C]\n0,1\n";
        for (bytes, name) in [
            (header.as_bytes().to_vec(), "UTF-8"),
            ([b"\xEF\xBB\xBF".to_vec(), header.into()].concat(), "UTF-8"),
            (utf16(header), "UTF-16 LE"),
            (utf16(&format!("\u{feff}{header}")), "UTF-16 LE"),
            (big(header), "UTF-16 BE"),
            (b"Time [s],Temp [\xB0C]\n".to_vec(), "Latin-1"),
            ("Zeit [s],Temp [°".as_bytes()[..17].to_vec(), "UTF-8"),
        ] {
            assert_eq!(Encoding::sniff(&bytes).map(Encoding::name), Ok(name), "{bytes:?}");
        }
        assert!(Encoding::sniff(&[0x4d, 0x5a, 0x90, 0x00, 0x03]).unwrap_err().contains("4d 5a 90 00 03"));
    }

    #[test]
    fn utf16_arrives_as_utf8_across_blocks() {
        let text = "a°b\u{1F3C1}c\n".repeat(1000);
        let bytes: Vec<u8> = text.encode_utf16().flat_map(u16::to_le_bytes).collect();
        let mut source = Text::new(&bytes[..], Encoding::Utf16 { little_endian: true, bom: false });
        let mut out = Vec::new();
        while source.append(7, &mut out).unwrap() {}
        assert_eq!(String::from_utf8(out).unwrap(), text);
    }
}
