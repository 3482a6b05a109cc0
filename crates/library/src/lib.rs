//! What is kept: recordings, their laps and the circuits they were driven on.
//!
//! A library is a folder. Its catalogue is an SQLite file; samples lie beside it in Parquet files, one per clock, in a
//! layout that any Parquet engine can query as a whole (`docs/library.md` shows how).
//!
//! ```text
//! LIBRARY/catalogue.sqlite                    what is known about every recording, and the circuits
//! LIBRARY/recordings/NAME/clock-0.parquet     samples, SI and ISO 8855
//! LIBRARY/recordings/NAME/_recording.json     the same knowledge about this one, to make a lost catalogue anew
//! LIBRARY/trash/ID-NAME/…                     removed recordings, until the trash is emptied
//! LIBRARY/staging/                            half-written things; empty unless a program is at work
//! ```
//!
//! Invariants, at every moment, also after a power cut or `kill -9`:
//!
//! * what was acknowledged is there, whole; what was not is not there at all once the library is opened again;
//! * a source is kept once: the SHA-256 of its content is unique;
//! * names are unique and safe on every file system (see [`slug`]).
//!
//! How: every step on the files is first noted in the catalogue together with its undo, then done under `staging/`
//! and moved into place by one rename, then committed together with the removal of the note. Notes that are left when
//! no program is at work (an operating-system lock tells) are undone. Any number of processes may use a library at the
//! same time. It should lie on a local disk: SQLite's log needs shared memory, which network drives do not give.
//!
//! Keys such as `[FIPS180-4]` resolve in `docs/references.md`.

mod catalogue;
mod check;
mod columns;
mod digest;
mod entry;
mod error;
mod folder;
mod keep;
mod manifest;
mod slug;

pub use check::{Check, Finding, Found};
pub use digest::{BadDigest, Digest};
pub use entry::{
    Assignment, ChannelEntry, LapEntry, LapId, LapKind, NewRecording, RecordingEntry, RemovedEntry,
    StoredLap, UnknownLapKind,
};
pub use error::LibraryError;
pub use jiff::Timestamp;
pub use slug::slug;

use catalogue::SqlResult;
use channels::{Channel, Samples};
use error::{catalogue_error, io_error};
use folder::{CATALOGUE, Folder, RECORDINGS};
use rusqlite::{Connection, OptionalExtension, params};
use serde_json::value::RawValue;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

/// A library that is open. May be shared between threads; files are read and written in parallel, the catalogue in
/// turns.
#[derive(Debug)]
pub struct Library {
    folder: Folder,
    db: Mutex<Connection>,
    read_only: bool,
}

impl Library {
    /// Opens the library in a folder, and makes it where the folder is empty or missing.
    ///
    /// # Errors
    /// [`LibraryError`] when the path is a file, the folder holds something else, the library is from a newer version,
    /// or nothing can be written there.
    pub fn create_or_open(dir: impl AsRef<Path>) -> Result<Self, LibraryError> {
        let dir = dir.as_ref();
        fs::create_dir_all(dir).or_else(|e| match fs::metadata(dir) {
            Ok(found) if found.is_file() => Err(LibraryError::NotAFolder(dir.to_owned())),
            Ok(_) => Ok(()),
            Err(_) => Err(io_error("create", dir, e)),
        })?;
        let folder = Folder::new(dir);
        if folder.catalogue().is_dir() {
            let found = format!("its {CATALOGUE} is a folder");
            return Err(LibraryError::NotALibrary { dir: dir.to_owned(), found });
        }
        if !folder.catalogue().exists() {
            let strangers = folder.strangers().map_err(|e| io_error("read", dir, e))?;
            if let Some(one) = strangers.first() {
                let found = format!("it holds other things, '{one}' for one");
                return Err(LibraryError::NotALibrary { dir: dir.to_owned(), found });
            }
            refuse_orphans(&folder)?;
        }
        Self::connect(folder)
    }

    /// Opens the library in a folder. A library that cannot be written can still be read.
    ///
    /// # Errors
    /// [`LibraryError`] when there is none, when it is from a newer version, or when its catalogue is damaged.
    pub fn open(dir: impl AsRef<Path>) -> Result<Self, LibraryError> {
        let dir = dir.as_ref();
        match fs::metadata(dir) {
            Ok(found) if !found.is_dir() => return Err(LibraryError::NotAFolder(dir.to_owned())),
            Ok(_) => {}
            Err(e) if e.kind() == io::ErrorKind::NotFound => {
                return Err(LibraryError::NoLibrary(dir.to_owned()));
            }
            Err(e) => return Err(io_error("open", dir, e)),
        }
        let folder = Folder::new(dir);
        if !folder.catalogue().is_file() {
            refuse_orphans(&folder)?;
            let found = format!("it has no {CATALOGUE}");
            return Err(LibraryError::NotALibrary { dir: dir.to_owned(), found });
        }
        Self::connect(folder)
    }

    fn connect(folder: Folder) -> Result<Self, LibraryError> {
        let writable = catalogue::open(&folder).and_then(|db| {
            // SQLite hands out a read-only connection when it may not write the file.
            let read_only = db.is_readonly("main").map_err(|e| catalogue_error(folder.root(), e))?;
            if read_only { Err(LibraryError::ReadOnly(folder.root().to_owned())) } else { Ok(db) }
        });
        let furnished = writable.and_then(|db| {
            folder.furnish()?;
            drop(folder.at_work()?);
            Ok(db)
        });
        let (db, read_only) = match furnished {
            Ok(db) => (db, false),
            Err(e) if means_read_only(&e) => match catalogue::open_read_only(&folder) {
                Ok(db) => (db, true),
                // Neither way: the cause is the one that the first try met, or that nothing can be made here.
                Err(LibraryError::Catalogue { .. }) if folder.can_write() => return Err(e),
                Err(LibraryError::Catalogue { .. }) => {
                    return Err(LibraryError::ReadOnly(folder.root().to_owned()));
                }
                Err(other) => return Err(other),
            },
            Err(e) => return Err(e),
        };
        let library = Self { folder, db: Mutex::new(db), read_only };
        library.clean_up();
        Ok(library)
    }

    /// The folder.
    #[must_use]
    pub fn path(&self) -> &Path {
        self.folder.root()
    }

    /// Name of the folder, to show.
    #[must_use]
    pub fn name(&self) -> String {
        let full = fs::canonicalize(self.path()).unwrap_or_else(|_| self.path().to_owned());
        full.file_name().map_or_else(|| full.display().to_string(), |n| n.to_string_lossy().into_owned())
    }

    /// Whether nothing can be written.
    #[must_use]
    pub fn is_read_only(&self) -> bool {
        self.read_only
    }

    /// All recordings, in the order of their import.
    ///
    /// # Errors
    /// [`LibraryError`] when the catalogue cannot be read; so for all questions below.
    pub fn recordings(&self) -> Result<Vec<RecordingEntry>, LibraryError> {
        self.ask(catalogue::recordings)
    }

    /// One recording.
    ///
    /// # Errors
    /// [`LibraryError::NoRecording`] with the nearest name.
    pub fn recording(&self, name: &str) -> Result<RecordingEntry, LibraryError> {
        self.ask_about(name, catalogue::entry)
    }

    /// The recording made of a source with this content, if the library has one.
    ///
    /// # Errors
    /// [`LibraryError`] when the catalogue cannot be read.
    pub fn recording_of_content(&self, content: Digest) -> Result<Option<RecordingEntry>, LibraryError> {
        self.ask(|db| catalogue::same_content(db, &content.to_string()))
    }

    /// All laps, in the order of their recordings, then by start.
    ///
    /// # Errors
    /// [`LibraryError`] when the catalogue cannot be read.
    pub fn laps(&self) -> Result<Vec<LapEntry>, LibraryError> {
        self.ask(catalogue::laps)
    }

    /// Laps of one recording, by start.
    ///
    /// # Errors
    /// [`LibraryError::NoRecording`].
    pub fn laps_of(&self, name: &str) -> Result<Vec<LapEntry>, LibraryError> {
        self.ask_about(name, catalogue::laps_of)
    }

    /// One lap by its id, `RECORDING:LAP`.
    ///
    /// # Errors
    /// [`LibraryError::BadLapId`], [`LibraryError::NoRecording`], [`LibraryError::NoLap`] with those that are there.
    pub fn lap(&self, id: &str) -> Result<LapEntry, LibraryError> {
        let wanted: LapId = id.parse()?;
        let laps = self.laps_of(&wanted.recording)?;
        let numbers: Vec<_> = laps.iter().map(|l| l.lap_number).collect();
        laps.into_iter().find(|l| l.id == wanted).ok_or_else(|| LibraryError::NoLap {
            id: id.to_owned(),
            recording: wanted.recording,
            laps: in_words(&numbers),
        })
    }

    /// Channels of one recording, without their values.
    ///
    /// # Errors
    /// [`LibraryError::NoRecording`].
    pub fn channels_of(&self, name: &str) -> Result<Vec<ChannelEntry>, LibraryError> {
        self.ask_about(name, catalogue::channels_of)
    }

    /// All samples of one recording, bit for bit as they were given.
    ///
    /// # Errors
    /// [`LibraryError::NoRecording`], [`LibraryError::MissingFile`], [`LibraryError::DamagedFile`].
    pub fn samples(&self, name: &str) -> Result<Samples, LibraryError> {
        self.read_samples(name, None)
    }

    /// Only some channels of one recording, on all its clocks. A channel that the recording does not have is not in
    /// the answer; the analysis that needs it says so.
    ///
    /// # Errors
    /// As [`Library::samples`].
    pub fn samples_of(&self, name: &str, channels: &[Channel]) -> Result<Samples, LibraryError> {
        self.read_samples(name, Some(channels))
    }

    fn read_samples(&self, name: &str, only: Option<&[Channel]>) -> Result<Samples, LibraryError> {
        // A folder is out of place for some microseconds while its recording is renamed.
        let mut tries = 5;
        loop {
            tries -= 1;
            let (clocks, mut channels) = self.ask_about(name, |db, id| {
                Ok((catalogue::clocks_of(db, id)?, catalogue::channels_of(db, id)?))
            })?;
            channels.retain(|c| only.is_none_or(|o| o.contains(&c.channel)));
            match columns::read_recording(&self.folder.at(&home(name)), &clocks, &channels) {
                Err(LibraryError::MissingFile(_)) if tries > 0 => {
                    std::thread::sleep(Duration::from_millis(20));
                }
                done => return done,
            }
        }
    }

    /// Folder of the sample files of one recording.
    ///
    /// # Errors
    /// [`LibraryError::NoRecording`].
    pub fn folder_of(&self, name: &str) -> Result<PathBuf, LibraryError> {
        self.ask_about(name, |_, _| Ok(self.folder.at(&home(name))))
    }

    /// What the reader said about the source: the JSON given to [`Library::add`].
    ///
    /// # Errors
    /// [`LibraryError::NoRecording`].
    pub fn report(&self, name: &str) -> Result<String, LibraryError> {
        let sql = "SELECT report FROM recording WHERE id = ?1";
        self.ask_about(name, |db, id| db.query_row(sql, [id], |r| r.get(0)))
    }

    /// Planted truth of a made-up drive: the JSON given to [`Library::add`].
    ///
    /// # Errors
    /// [`LibraryError::NoRecording`].
    pub fn truth(&self, name: &str) -> Result<Option<String>, LibraryError> {
        let sql = "SELECT truth FROM recording WHERE id = ?1";
        self.ask_about(name, |db, id| db.query_row(sql, [id], |r| r.get(0)))
    }

    /// Keeps or replaces a circuit: a name and JSON.
    ///
    /// # Errors
    /// [`LibraryError::BadJson`], [`LibraryError::ReadOnly`].
    pub fn put_circuit(&self, name: &str, json: &str) -> Result<(), LibraryError> {
        let json = raw_json("circuit", json.to_owned())?;
        let sql = "INSERT INTO circuit VALUES (?1, ?2, ?3) ON CONFLICT (name) DO UPDATE SET json = ?2, changed_at = ?3";
        self.change(|db| db.execute(sql, params![name, json.get(), catalogue::cell(entry::now())]).map(drop))
    }

    /// JSON of a circuit.
    ///
    /// # Errors
    /// [`LibraryError::NoCircuit`] with those that are there.
    pub fn circuit(&self, name: &str) -> Result<String, LibraryError> {
        let sql = "SELECT json FROM circuit WHERE name = ?1";
        let found = self.ask(|db| db.query_row(sql, [name], |r| r.get(0)).optional())?;
        match found {
            Some(json) => Ok(json),
            None => Err(LibraryError::NoCircuit { name: name.to_owned(), known: self.circuits()? }),
        }
    }

    /// Names of the circuits.
    ///
    /// # Errors
    /// [`LibraryError`] when the catalogue cannot be read.
    pub fn circuits(&self) -> Result<Vec<String>, LibraryError> {
        self.ask(|db| {
            db.prepare("SELECT name FROM circuit ORDER BY name")?.query_map([], |r| r.get(0))?.collect()
        })
    }

    /// Keeps or replaces the car file of a car, by the name that recordings give it.
    ///
    /// # Errors
    /// [`LibraryError::ReadOnly`].
    pub fn put_car(&self, name: &str, toml: &str) -> Result<(), LibraryError> {
        let sql =
            "INSERT INTO car VALUES (?1, ?2, ?3) ON CONFLICT (name) DO UPDATE SET toml = ?2, changed_at = ?3";
        self.change(|db| db.execute(sql, params![name, toml, entry::now().to_string()]).map(drop))
    }

    /// The car file of a car, as it was given; none when the library has none for this name.
    ///
    /// # Errors
    /// [`LibraryError`] when the catalogue cannot be read.
    pub fn car(&self, name: &str) -> Result<Option<String>, LibraryError> {
        self.ask(|db| db.query_row("SELECT toml FROM car WHERE name = ?1", [name], |r| r.get(0)).optional())
    }

    /// Names of the cars with a car file.
    ///
    /// # Errors
    /// [`LibraryError`] when the catalogue cannot be read.
    pub fn cars(&self) -> Result<Vec<String>, LibraryError> {
        self.ask(|db| {
            db.prepare("SELECT name FROM car ORDER BY name")?.query_map([], |r| r.get(0))?.collect()
        })
    }

    /// Forgets a circuit.
    ///
    /// # Errors
    /// [`LibraryError::NoCircuit`], [`LibraryError::ReadOnly`].
    pub fn remove_circuit(&self, name: &str) -> Result<(), LibraryError> {
        let gone = self.change(|db| db.execute("DELETE FROM circuit WHERE name = ?1", [name]))?;
        if gone == 0 {
            return Err(LibraryError::NoCircuit { name: name.to_owned(), known: self.circuits()? });
        }
        Ok(())
    }

    fn db(&self) -> MutexGuard<'_, Connection> {
        // A panic between two statements leaves no half state: SQLite rolls back.
        self.db.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn fail(&self, e: rusqlite::Error) -> LibraryError {
        catalogue_error(self.path(), e)
    }

    fn ask<T>(&self, question: impl FnOnce(&Connection) -> SqlResult<T>) -> Result<T, LibraryError> {
        question(&self.db()).map_err(|e| self.fail(e))
    }

    /// Asks about one recording in one consistent look.
    fn ask_about<T>(
        &self,
        name: &str,
        question: impl FnOnce(&Connection, i64) -> SqlResult<T>,
    ) -> Result<T, LibraryError> {
        let mut db = self.db();
        let look = db.transaction().map_err(|e| self.fail(e))?;
        let id = self.find(&look, name)?;
        question(&look, id).map_err(|e| self.fail(e))
    }

    fn find(&self, db: &Connection, name: &str) -> Result<i64, LibraryError> {
        match catalogue::find(db, name).map_err(|e| self.fail(e))? {
            Some(id) => Ok(id),
            None => {
                let names = catalogue::names(db).map_err(|e| self.fail(e))?;
                Err(LibraryError::NoRecording { name: name.to_owned(), nearest: slug::nearest(name, names) })
            }
        }
    }

    /// Changes the catalogue alone: all or nothing.
    fn change<T>(&self, work: impl FnOnce(&Connection) -> SqlResult<T>) -> Result<T, LibraryError> {
        self.may_write()?;
        let mut db = self.db();
        let change = catalogue::begin(&mut db).map_err(|e| self.fail(e))?;
        let done = work(&change).map_err(|e| self.fail(e))?;
        change.commit().map_err(|e| self.fail(e))?;
        Ok(done)
    }

    fn may_write(&self) -> Result<(), LibraryError> {
        if self.read_only { Err(LibraryError::ReadOnly(self.path().to_owned())) } else { Ok(()) }
    }
}

/// Path of a kept recording, relative to the library.
fn home(name: &str) -> String {
    format!("{RECORDINGS}/{name}")
}

/// A folder with recordings but without a catalogue has lost it; a new, empty one would hide them.
fn refuse_orphans(folder: &Folder) -> Result<(), LibraryError> {
    let recordings = folder.at(RECORDINGS);
    match fs::read_dir(&recordings).map(|mut d| d.next().is_some()) {
        Ok(true) if !folder.catalogue().exists() => {
            let detail = format!("{CATALOGUE} is missing");
            Err(LibraryError::Damaged { dir: folder.root().to_owned(), detail })
        }
        _ => Ok(()),
    }
}

/// Whether an error on opening for writing leaves hope for reading.
fn means_read_only(error: &LibraryError) -> bool {
    match error {
        LibraryError::ReadOnly(_) => true,
        LibraryError::Io { source, .. } => source.kind() == io::ErrorKind::PermissionDenied,
        // SQLite cannot make its log in a read-only folder.
        LibraryError::Catalogue { source, .. } => {
            source.sqlite_error_code() == Some(rusqlite::ErrorCode::CannotOpen)
        }
        _ => false,
    }
}

fn raw_json(what: &'static str, text: String) -> Result<Box<RawValue>, LibraryError> {
    RawValue::from_string(text).map_err(|source| LibraryError::BadJson { what, source })
}

/// `laps 0 to 8`, `lap 3`, `no laps`.
fn in_words(numbers: &[i32]) -> String {
    match (numbers.iter().min(), numbers.iter().max()) {
        (Some(a), Some(b)) if a == b => format!("lap {a} only"),
        (Some(a), Some(b)) if i64::from(*b) - i64::from(*a) + 1 == numbers.len() as i64 => {
            format!("laps {a} to {b}")
        }
        (Some(_), Some(_)) => {
            format!("laps {}", numbers.iter().map(i32::to_string).collect::<Vec<_>>().join(", "))
        }
        _ => "no laps".to_owned(),
    }
}
