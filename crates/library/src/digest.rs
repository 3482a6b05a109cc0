//! Fingerprints: SHA-256 of a source, of samples, of a stored file.

use channels::{Origin, Samples};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use sha2::{Digest as _, Sha256};
use std::fmt;
use std::fs::File;
use std::io::{self, Read, Write};
use std::path::Path;
use std::str::FromStr;

/// A SHA-256 value; printed and kept as 64 lower-case hexadecimal digits.
///
/// # Source
/// `[FIPS180-4]`.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Digest([u8; 32]);

/// Text that is no SHA-256 value.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{0}' is not a SHA-256 value: 64 hexadecimal digits were expected")]
pub struct BadDigest(pub String);

impl Digest {
    /// Of bytes in memory.
    #[must_use]
    pub fn of_bytes(bytes: &[u8]) -> Self {
        Self(Sha256::digest(bytes).into())
    }

    /// Of a file, read as a stream.
    ///
    /// # Errors
    /// Whatever the file system says.
    pub fn of_file(path: &Path) -> io::Result<Self> {
        Ok(Self::of_reader(File::open(path)?)?.0)
    }

    /// Of all that a reader gives, with the number of bytes.
    pub(crate) fn of_reader(mut reader: impl Read) -> io::Result<(Self, u64)> {
        let mut to = Hashing::new(io::sink());
        let bytes = io::copy(&mut reader, &mut to)?;
        Ok((to.finish().0, bytes))
    }

    /// Of samples: what is the same to the last bit has the same value. For drives that come from no file.
    #[must_use]
    pub fn of_samples(samples: &Samples) -> Self {
        let mut hash = Sha256::new();
        let mut text = |tag: &str, values: &[f64]| {
            hash.update(tag.as_bytes());
            hash.update((values.len() as u64).to_le_bytes());
            values.iter().for_each(|v| hash.update(v.to_bits().to_le_bytes()));
        };
        for (id, stamps) in samples.clocks() {
            text(&format!("clock {}\n", id.0), stamps);
        }
        for channel in samples.channels() {
            if let (Some(view), Some(clock)) = (samples.get(channel), samples.clock_of(channel)) {
                let origin = if view.origin == Origin::Derived { "derived" } else { "logged" };
                text(&format!("{channel} {} {origin}\n", clock.0), view.values);
            }
        }
        Self(hash.finalize().into())
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|b| write!(f, "{b:02x}"))
    }
}

impl FromStr for Digest {
    type Err = BadDigest;

    fn from_str(s: &str) -> Result<Self, BadDigest> {
        let bad = || BadDigest(s.to_owned());
        if s.len() != 64 || !s.bytes().all(|b| b.is_ascii_hexdigit()) {
            return Err(bad());
        }
        let mut bytes = [0; 32];
        for (i, byte) in bytes.iter_mut().enumerate() {
            *byte = u8::from_str_radix(&s[2 * i..2 * i + 2], 16).map_err(|_| bad())?;
        }
        Ok(Self(bytes))
    }
}

impl Serialize for Digest {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Digest {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
    }
}

/// A writer that fingerprints and counts what passes through it.
pub(crate) struct Hashing<W> {
    inner: W,
    hash: Sha256,
    bytes: u64,
}

impl<W: Write> Hashing<W> {
    pub(crate) fn new(inner: W) -> Self {
        Self { inner, hash: Sha256::new(), bytes: 0 }
    }

    pub(crate) fn into_inner(self) -> W {
        self.inner
    }

    /// Fingerprint and number of the bytes that passed.
    pub(crate) fn finish(&self) -> (Digest, u64) {
        (Digest(self.hash.clone().finalize().into()), self.bytes)
    }
}

impl<W: Write> Write for Hashing<W> {
    fn write(&mut self, buf: &[u8]) -> io::Result<usize> {
        let n = self.inner.write(buf)?;
        self.hash.update(&buf[..n]);
        self.bytes += n as u64;
        Ok(n)
    }

    fn flush(&mut self) -> io::Result<()> {
        self.inner.flush()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `[FIPS180-4]`, published example: SHA-256 of "abc".
    #[test]
    fn published_example() {
        let text = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
        let digest = Digest::of_bytes(b"abc");
        assert_eq!(digest.to_string(), text);
        assert_eq!(text.parse(), Ok(digest));
        assert_eq!(Digest::of_reader(&b"abc"[..]).unwrap(), (digest, 3));
    }

    #[test]
    fn other_text_is_refused() {
        for bad in ["", "abc", &"g".repeat(64), &"é".repeat(32), &"0".repeat(65)] {
            assert!(bad.parse::<Digest>().is_err(), "{bad}");
        }
    }

    #[test]
    fn one_changed_bit_of_the_samples_shows() {
        let make = |v: f64| {
            let mut s = Samples::new();
            let c = s.add_clock(vec![0.0, 1.0]).unwrap();
            s.insert(channels::Channel::Speed, c, vec![1.0, v], Origin::Logged).unwrap();
            Digest::of_samples(&s)
        };
        assert_eq!(make(2.0), make(2.0));
        assert_ne!(make(2.0), make(2.0_f64.next_up()));
        assert_ne!(make(0.0), make(-0.0));
    }
}
