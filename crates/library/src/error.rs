//! What can go wrong, in words that say where and what to do.

use crate::{Timestamp, catalogue::SCHEMA_VERSION};
use parquet::errors::ParquetError;
use std::error::Error;
use std::io;
use std::path::{Path, PathBuf};

/// A library that cannot be opened, or a step that was refused or failed. Nothing is changed when one is returned.
#[derive(Debug, thiserror::Error)]
pub enum LibraryError {
    /// The folder does not exist.
    #[error("there is no library at {}: the folder does not exist. Check --library, or import a recording to create it", .0.display())]
    NoLibrary(PathBuf),
    /// The path is a file.
    #[error("{} is a file, a library is a folder. Give the folder that holds {}", .0.display(), crate::folder::CATALOGUE)]
    NotAFolder(PathBuf),
    /// The folder holds something else.
    #[error("{} is not a library: {found}. Give the folder of a library, or an empty or new folder to create one", dir.display())]
    NotALibrary {
        /// The folder.
        dir: PathBuf,
        /// What stands there.
        found: String,
    },
    /// A later version of the program wrote the library.
    #[error(
        "the library at {} is from a newer version of this program (catalogue version {found}, this program knows up to {}). Update the program, or choose another folder with --library",
        dir.display(), SCHEMA_VERSION
    )]
    Newer {
        /// The folder.
        dir: PathBuf,
        /// Its catalogue version.
        found: i64,
    },
    /// The catalogue cannot be read, or is gone while recordings are there.
    #[error("the catalogue of the library at {} is damaged: {detail}. The recordings themselves are kept beside it: run `lapwright library check --rebuild` to make a new catalogue from them", dir.display())]
    Damaged {
        /// The folder.
        dir: PathBuf,
        /// What is wrong.
        detail: String,
    },
    /// Nothing can be written into the folder.
    #[error("the library at {} cannot be changed: the folder is read-only for this user. Ask for write access, or choose another folder with --library", .0.display())]
    ReadOnly(PathBuf),
    /// Another process held the catalogue for too long.
    #[error("the library at {} is busy: another program has been writing to it for {} s. Close the other program, or try again", .0.display(), crate::catalogue::PATIENCE.as_secs())]
    Busy(PathBuf),
    /// The disk or quota is full.
    #[error("no room left on the disk while writing {}. Nothing was imported or changed. Free some space, or choose another folder with --library", .0.display())]
    NoSpace(PathBuf),
    /// Any other failure of the file system.
    #[error("cannot {action} {}: {source}. {}", path.display(), hint(source))]
    Io {
        /// What was tried, completing 'cannot …'.
        action: &'static str,
        /// File or folder.
        path: PathBuf,
        /// The cause.
        source: io::Error,
    },
    /// The same source is in the library.
    #[error(
        "this file is already in the library: it was imported as '{name}' ({source_name}) on {imported_at}. To import it again, remove '{name}' first"
    )]
    AlreadyImported {
        /// The recording made of it.
        name: String,
        /// Name of the source then.
        source_name: String,
        /// When.
        imported_at: Timestamp,
    },
    /// Another recording has the name.
    #[error("the name '{0}' is taken by another recording. Choose another name, or rename that one first")]
    NameTaken(String),
    /// Another process is at work on the recording.
    #[error("recording '{0}' is being changed by another program. Try again when that is done")]
    BeingChanged(String),
    /// Nothing of the wanted name can stand in a file name.
    #[error(
        "'{0}' has no letter or digit to make a name of. Use letters, digits and hyphens, e.g. evening-two"
    )]
    BadName(String),
    /// No recording of this name.
    #[error("there is no recording '{name}' in the library{}", .nearest.as_ref().map_or_else(|| ". It is empty: import a recording first".to_owned(), |n| format!("; the nearest name is '{n}'")))]
    NoRecording {
        /// The name as asked for.
        name: String,
        /// The most similar name in the library.
        nearest: Option<String>,
    },
    /// The recording exists, the lap does not.
    #[error("there is no lap '{id}': recording '{recording}' has {laps}")]
    NoLap {
        /// The id as asked for.
        id: String,
        /// The recording.
        recording: String,
        /// Its laps, in words.
        laps: String,
    },
    /// Not a lap id.
    #[error(
        "'{0}' is not a lap id. A lap is named RECORDING:LAP, e.g. evening-two:3; `lapwright laps` lists them"
    )]
    BadLapId(String),
    /// Laps that contradict one another.
    #[error("the laps cannot be kept: {0}")]
    BadLaps(String),
    /// A recording without a single sample.
    #[error("there is nothing to keep: '{0}' has no sample")]
    NoSamples(String),
    /// No circuit of this name.
    #[error("there is no circuit '{name}' in the library{}", listed(.known))]
    NoCircuit {
        /// The name as asked for.
        name: String,
        /// Those that are there.
        known: Vec<String>,
    },
    /// Text given as JSON that is none.
    #[error("the {what} is not valid JSON: {source}")]
    BadJson {
        /// Which text.
        what: &'static str,
        /// Where it stops being JSON.
        source: serde_json::Error,
    },
    /// Nothing in the trash has this name.
    #[error("there is no removed recording '{name}'{}", listed(.known))]
    NotInTrash {
        /// The name as asked for.
        name: String,
        /// Those that are there.
        known: Vec<String>,
    },
    /// A file of a recording is gone.
    #[error("{} is missing: it was moved or deleted outside the program. Run `lapwright library check`, then restore it from a backup or import the source again", .0.display())]
    MissingFile(PathBuf),
    /// A file of a recording cannot be read.
    #[error("{} is damaged: {detail}. Run `lapwright library check`, then restore it from a backup or import the source again", path.display())]
    DamagedFile {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        detail: String,
    },
    /// The catalogue refused a step for a reason of its own.
    #[error("the catalogue of the library at {} refused a step: {source}. Run `lapwright library check`", dir.display())]
    Catalogue {
        /// The folder.
        dir: PathBuf,
        /// The cause.
        source: rusqlite::Error,
    },
}

fn listed(names: &[String]) -> String {
    if names.is_empty() { "; there is none".to_owned() } else { format!("; there are: {}", names.join(", ")) }
}

/// What to do about a failure of the file system.
fn hint(error: &io::Error) -> &'static str {
    match error.kind() {
        io::ErrorKind::PermissionDenied => {
            "Check the rights of the folder, and close programs that use its files"
        }
        io::ErrorKind::NotFound => "Check that the folder is still there and the drive is connected",
        io::ErrorKind::AlreadyExists => "Move what stands there out of the way",
        _ => "Check the drive, then try again",
    }
}

/// Says what an I/O error means for a file of a library.
pub(crate) fn io_error(action: &'static str, path: &Path, source: io::Error) -> LibraryError {
    match source.kind() {
        io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => LibraryError::NoSpace(path.to_owned()),
        io::ErrorKind::ReadOnlyFilesystem => LibraryError::ReadOnly(path.to_owned()),
        _ => LibraryError::Io { action, path: path.to_owned(), source },
    }
}

/// Says what a failure of the Parquet writer means: the I/O error inside, where there is one.
pub(crate) fn write_error(path: &Path, error: ParquetError) -> LibraryError {
    let source = match error {
        ParquetError::External(inner) => match inner.downcast::<io::Error>() {
            Ok(io) => *io,
            Err(other) => io::Error::other(other),
        },
        other => io::Error::other(other),
    };
    io_error("write", path, source)
}

/// Says what a failure of the Parquet reader means: a damaged file unless the disk itself failed.
pub(crate) fn read_error(path: &Path, error: &ParquetError) -> LibraryError {
    let io = error.source().and_then(|s| s.downcast_ref::<io::Error>());
    match io.filter(|e| e.kind() != io::ErrorKind::UnexpectedEof) {
        Some(io) => io_error("read", path, io::Error::new(io.kind(), io.to_string())),
        None => LibraryError::DamagedFile { path: path.to_owned(), detail: error.to_string() },
    }
}

/// Says what a failure of SQLite means for the library in `dir`.
pub(crate) fn catalogue_error(dir: &Path, source: rusqlite::Error) -> LibraryError {
    use rusqlite::ErrorCode as Code;
    let dir = dir.to_owned();
    match source.sqlite_error_code() {
        Some(Code::DiskFull) => LibraryError::NoSpace(dir),
        Some(Code::ReadOnly | Code::PermissionDenied) => LibraryError::ReadOnly(dir),
        Some(Code::DatabaseBusy | Code::DatabaseLocked) => LibraryError::Busy(dir),
        Some(Code::DatabaseCorrupt | Code::NotADatabase) => {
            LibraryError::Damaged { dir, detail: source.to_string() }
        }
        _ => LibraryError::Catalogue { dir, source },
    }
}
