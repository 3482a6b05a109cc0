//! Units of columns from the Arrow schema that many writers leave in a Parquet file.
//!
//! The schema stands in the file's metadata under `ARROW:schema`: base64 of an encapsulated message
//! `[ArrowFormat]` ("Serialization and Interprocess Communication"), a FlatBuffers table `[FlatBuffers]`. Only names,
//! custom metadata and units of time are taken; a table that is damaged gives nothing.

/// What the schema says about one column beyond its name.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Field {
    pub(crate) name: String,
    /// Custom metadata.
    pub(crate) metadata: Vec<(String, String)>,
    /// Unit of a duration, which Parquet itself cannot express.
    pub(crate) duration: Option<&'static str>,
}

impl Field {
    /// The unit in the metadata, under any of its usual keys.
    pub(crate) fn unit(&self) -> Option<String> {
        let is_unit = |k: &str| matches!(k.to_lowercase().as_str(), "unit" | "units" | "uom");
        self.metadata.iter().find(|(k, _)| is_unit(k)).map(|(_, v)| v.clone())
    }
}

/// Fields of the schema in base64; none when it cannot be read.
pub(crate) fn fields(base64: &str) -> Vec<Field> {
    base64_bytes(base64).and_then(|bytes| schema_fields(&bytes)).unwrap_or_default()
}

/// Standard alphabet with padding `[RFC4648]` section 4.
fn base64_bytes(text: &str) -> Option<Vec<u8>> {
    let mut out = Vec::with_capacity(text.len() / 4 * 3);
    let (mut bits, mut held) = (0_u32, 0);
    for b in text.bytes().take_while(|&b| b != b'=') {
        let value = match b {
            b'A'..=b'Z' => b - b'A',
            b'a'..=b'z' => b - b'a' + 26,
            b'0'..=b'9' => b - b'0' + 52,
            b'+' => 62,
            b'/' => 63,
            b'\r' | b'\n' => continue,
            _ => return None,
        };
        bits = (bits << 6) | u32::from(value);
        held += 6;
        if held >= 8 {
            held -= 8;
            out.push((bits >> held) as u8);
        }
    }
    Some(out)
}

/// More columns or metadata than this are no recording.
const MOST_ENTRIES: usize = 100_000;

fn schema_fields(message: &[u8]) -> Option<Vec<Field>> {
    // Continuation mark and length, then the table; old writers leave the mark out.
    let start = if message.starts_with(&[0xFF; 4]) { 8 } else { 4 };
    let buffer = message.get(start..)?;
    let root = Table::root(buffer)?;
    let schema = root.table(2)?;
    let mut fields = Vec::new();
    for field in schema.tables(1)? {
        let field = field?;
        // Type 18 is a duration; its unit defaults to milliseconds.
        let duration = (field.byte(2) == Some(18)).then(|| match field.table(3).and_then(|t| t.short(0)) {
            Some(0) => "s",
            Some(2) => "us",
            Some(3) => "ns",
            _ => "ms",
        });
        let mut metadata = Vec::new();
        if let Some(entries) = field.tables(6) {
            for entry in entries {
                let entry = entry?;
                metadata.extend(entry.text(0).zip(entry.text(1)));
            }
        }
        fields.push(Field { name: field.text(0)?, metadata, duration });
    }
    Some(fields)
}

/// A FlatBuffers table, every access bounds-checked.
#[derive(Clone, Copy)]
struct Table<'a> {
    buffer: &'a [u8],
    at: usize,
}

fn u16_at(buffer: &[u8], at: usize) -> Option<usize> {
    Some(usize::from(u16::from_le_bytes(buffer.get(at..at.checked_add(2)?)?.try_into().ok()?)))
}

fn u32_at(buffer: &[u8], at: usize) -> Option<usize> {
    usize::try_from(u32::from_le_bytes(buffer.get(at..at.checked_add(4)?)?.try_into().ok()?)).ok()
}

impl<'a> Table<'a> {
    fn root(buffer: &'a [u8]) -> Option<Self> {
        Some(Self { buffer, at: u32_at(buffer, 0)? })
    }

    /// Where field `n` stands; none when it has its default.
    fn field(self, n: usize) -> Option<usize> {
        let back = i32::from_le_bytes(self.buffer.get(self.at..self.at.checked_add(4)?)?.try_into().ok()?);
        let vtable = usize::try_from(i64::try_from(self.at).ok()? - i64::from(back)).ok()?;
        let slot = 4 + 2 * n;
        (slot + 2 <= u16_at(self.buffer, vtable)?).then_some(())?;
        let offset = u16_at(self.buffer, vtable + slot)?;
        (offset != 0).then(|| self.at + offset)
    }

    fn follow(self, at: usize) -> Option<usize> {
        at.checked_add(u32_at(self.buffer, at)?)
    }

    fn table(self, n: usize) -> Option<Self> {
        Some(Self { at: self.follow(self.field(n)?)?, ..self })
    }

    fn tables(self, n: usize) -> Option<impl Iterator<Item = Option<Self>>> {
        let vector = self.follow(self.field(n)?)?;
        let count = u32_at(self.buffer, vector)?;
        (count <= MOST_ENTRIES)
            .then(|| (0..count).map(move |i| Some(Self { at: self.follow(vector + 4 + 4 * i)?, ..self })))
    }

    fn byte(self, n: usize) -> Option<u8> {
        self.buffer.get(self.field(n)?).copied()
    }

    fn short(self, n: usize) -> Option<usize> {
        u16_at(self.buffer, self.field(n)?)
    }

    fn text(self, n: usize) -> Option<String> {
        let at = self.follow(self.field(n)?)?;
        let length = u32_at(self.buffer, at)?;
        let bytes = self.buffer.get(at + 4..(at + 4).checked_add(length)?)?;
        Some(String::from_utf8_lossy(bytes).into_owned())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// `[RFC4648]` section 10, test vectors.
    #[test]
    fn base64_agrees_with_its_test_vectors() {
        for (text, bytes) in
            [("", ""), ("Zg==", "f"), ("Zm8=", "fo"), ("Zm9v", "foo"), ("Zm9vYmFy", "foobar")]
        {
            assert_eq!(base64_bytes(text).unwrap(), bytes.as_bytes());
        }
        assert_eq!(base64_bytes("Z*"), None);
    }

    proptest! {
        #[test]
        fn damaged_schemas_give_nothing(bytes in proptest::collection::vec(any::<u8>(), 0..200)) {
            let _ = schema_fields(&bytes);
        }
    }
}
