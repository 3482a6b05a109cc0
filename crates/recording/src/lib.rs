//! Recordings of drives, from files of any source, as channels in SI and ISO 8855.
//!
//! [`read`] finds the format by content, recognises the columns by name and unit, converts them once, and tells in a
//! [`Report`] what it recognised, what it left out and why, and what is odd about the data. What the file does not say, or
//! says in its own way, is stated by the user in a [`Map`]. Axes are never guessed: a source that counts y to the right
//! needs `sign = -1` in its map.
//!
//! ```
//! use channels::Channel;
//! use recording::{Map, Source, read};
//!
//! let text = b"Time [s],Speed [km/h]\n0.00,36\n0.02,36.9\n";
//! let source = Source::Bytes { name: "drive.csv", bytes: text };
//! let reading = read(source, &Map::default(), &mut |_| {})?;
//! assert_eq!(reading.samples.get(Channel::Speed).map(|v| v.values[0]), Some(10.0));
//! assert!((reading.report.clocks[0].rate_hz - 50.0).abs() < 1e-9);
//! # Ok::<(), recording::ReadError>(())
//! ```
//!
//! Memory: a few blocks of the file, and eight bytes for each value of a recognised channel.

pub mod abilities;
mod assemble;
pub mod consistency;
mod csv;
pub mod derive;
mod error;
pub mod export;
mod geodesy;
mod in_order;
mod map;
mod mdf;
mod names;
mod number;
mod packed;
mod parquet;
mod plan;
mod profile;
mod report;
mod store;
mod together;

pub use abilities::{Ability, Analysis, abilities};
pub use error::{Place, ReadError};
pub use geodesy::LocalPlane;
pub use map::{Map, MapError};
pub use profile::{PROFILE_FITS, best_profile, headings, read_with};
pub use report::{ClockReport, ColumnReport, Finding, Format, Gap, Guess, Issue, Report};
pub use together::read_together;

use channels::Samples;
use packed::{Counted, Packing};
use std::cell::Cell;
use std::fs::File;
use std::io::{Read, Seek};
use std::path::Path;
use std::rc::Rc;
use store::Store;

/// Where a recording comes from.
#[derive(Debug, Clone, Copy)]
pub enum Source<'a> {
    /// A file.
    File(&'a Path),
    /// The content of a file that is in memory, with a name for messages.
    Bytes {
        /// Name for messages and the report.
        name: &'a str,
        /// Content.
        bytes: &'a [u8],
    },
}

/// How far reading has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Progress {
    /// Bytes of the file that are read.
    pub bytes_done: u64,
    /// Size of the file, when known.
    pub bytes_total: Option<u64>,
}

/// A recording and what is to be said about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// The channels.
    pub samples: Samples,
    /// What was found.
    pub report: Report,
}

/// Reads a recording.
///
/// Rows that are damaged in a small way are left out and reported; the progress callback is called about once a megabyte.
///
/// # Errors
/// [`ReadError`] when nothing is usable, or when only the user can tell what a column means.
pub fn read(source: Source<'_>, map: &Map, progress: &mut dyn FnMut(Progress)) -> Result<Reading, ReadError> {
    let mut reading = read_logged(source, map, progress)?;
    profile::weigh_values(&mut reading.report);
    profile::take_delays(map, &mut reading);
    Ok(reading)
}

fn read_logged(
    source: Source<'_>,
    map: &Map,
    progress: &mut dyn FnMut(Progress),
) -> Result<Reading, ReadError> {
    let (name, (head, bytes_total), input) = begin(source)?;
    by_content(&name, &head, input, bytes_total, map, progress)
}

/// Opens a source: its name, its first bytes and its size, and itself, at its beginning.
#[allow(clippy::type_complexity)]
fn begin(source: Source<'_>) -> Result<(String, (Vec<u8>, u64), Input<'_>), ReadError> {
    let (name, (head, bytes_total), input) = opened(source)?;
    if head.is_empty() {
        return Err(ReadError::Empty { file: name });
    }
    if let Some(found) = known_but_unread(&head) {
        return Err(ReadError::UnknownContent { file: name, found: found.to_owned() });
    }
    Ok((name, (head, bytes_total), input))
}

#[allow(clippy::type_complexity)]
fn opened(source: Source<'_>) -> Result<(String, (Vec<u8>, u64), Input<'_>), ReadError> {
    match source {
        Source::Bytes { name, bytes } => {
            let head = bytes[..bytes.len().min(csv::HEAD)].to_vec();
            Ok((name.to_owned(), (head, bytes.len() as u64), Input::Bytes(bytes)))
        }
        Source::File(path) => {
            let name = path.display().to_string();
            let failed = |source| ReadError::Open { file: name.clone(), source };
            let about = std::fs::metadata(path).map_err(failed)?;
            if !about.is_file() {
                return Err(ReadError::NotAFile { file: name });
            }
            let mut file = File::open(path).map_err(failed)?;
            let mut head = Vec::new();
            file.by_ref().take(csv::HEAD as u64).read_to_end(&mut head).map_err(failed)?;
            file.rewind().map_err(failed)?;
            Ok((name, (head, about.len()), Input::File(file)))
        }
    }
}

enum Input<'a> {
    Bytes(&'a [u8]),
    File(File),
}

fn by_content(
    name: &str,
    head: &[u8],
    input: Input<'_>,
    bytes_total: u64,
    map: &Map,
    progress: &mut dyn FnMut(Progress),
) -> Result<Reading, ReadError> {
    if let Some(packing) = Packing::of(head) {
        return match input {
            Input::Bytes(bytes) => unpacked(name, packing, bytes, bytes_total, map, progress),
            Input::File(file) => unpacked(name, packing, file, bytes_total, map, progress),
        };
    }
    if has_store(head) {
        let store = match input {
            Input::File(file) => Store::of_file(file, bytes_total),
            Input::Bytes(bytes) => Store::of_bytes(bytes),
        };
        return from_store(name, head, store, bytes_total, map, progress);
    }
    let text = csv::Input { file: name, head, bytes_total: Some(bytes_total), packed: false };
    match input {
        Input::Bytes(bytes) => csv::read(text, bytes, map, progress),
        Input::File(file) => csv::read(text, file, map, progress),
    }
}

/// Whether the format needs its file at random.
fn has_store(head: &[u8]) -> bool {
    head.starts_with(parquet::MAGIC) || mdf::MAGIC.iter().any(|magic| head.starts_with(magic))
}

fn from_store(
    name: &str,
    head: &[u8],
    store: Store,
    bytes_total: u64,
    map: &Map,
    progress: &mut dyn FnMut(Progress),
) -> Result<Reading, ReadError> {
    if head.starts_with(parquet::MAGIC) {
        parquet::read(name, store, bytes_total, map, progress)
    } else {
        mdf::read(name, head, store, map, progress)
    }
}

/// A packed file of a format that is not text is unpacked in memory up to this size.
const LARGEST_UNPACKED: u64 = 1 << 30;

/// A file that is compressed as a whole: text is unpacked as it is read, other formats in memory.
fn unpacked(
    name: &str,
    packing: Packing,
    packed: impl Read,
    bytes_total: u64,
    map: &Map,
    progress: &mut dyn FnMut(Progress),
) -> Result<Reading, ReadError> {
    let failed = |source, offset| ReadError::Read { file: name.to_owned(), offset, source };
    let count = Rc::new(Cell::new(0));
    let packed = Counted { reader: packed, count: Rc::clone(&count) };
    let mut reader = packing.unpack(packed).map_err(|e| failed(e, 0))?;
    let mut head = Vec::new();
    let first = reader.by_ref().take(csv::HEAD as u64).read_to_end(&mut head);
    if head.is_empty() {
        first.map_err(|e| failed(e, count.get()))?;
        return Err(ReadError::Empty { file: name.to_owned() });
    }
    // Progress counts the bytes that lie on the disk.
    let progress = &mut |_| progress(Progress { bytes_done: count.get(), bytes_total: Some(bytes_total) });
    let mut reading = if has_store(&head) {
        let mut bytes = head.clone();
        reader.take(LARGEST_UNPACKED).read_to_end(&mut bytes).map_err(|e| failed(e, count.get()))?;
        if bytes.len() as u64 >= LARGEST_UNPACKED {
            let found = format!("is compressed with {} and very large; unpack it first", packing.name());
            return Err(ReadError::UnknownContent { file: name.to_owned(), found });
        }
        let length = bytes.len() as u64;
        from_store(name, &head, Store::Bytes(bytes.into()), length, map, progress)?
    } else {
        let text = csv::Input { file: name, head: &head, bytes_total: None, packed: true };
        csv::read(text, (&head[..]).chain(reader), map, progress)?
    };
    reading.report.metadata.insert("compression".to_owned(), packing.name().to_owned());
    Ok(reading)
}

/// Formats that users try, by their first bytes.
fn known_but_unread(head: &[u8]) -> Option<&'static str> {
    let begins = |magic: &[u8]| head.starts_with(magic);
    if begins(b"PK\x03\x04") {
        Some("is a ZIP archive or a spreadsheet; unpack it, or save the sheet as CSV")
    } else if begins(b"BZh") || begins(b"\xFD7zXZ\0") || begins(b"7z\xBC\xAF\x27\x1C") {
        Some("is compressed in a way that is not read (gzip and Zstandard are); unpack it first")
    } else if begins(b"SQLite format 3\0") {
        Some("is a database")
    } else {
        None
    }
}
