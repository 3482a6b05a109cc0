//! Checks that the files are what the catalogue says, and repairs what can be repaired.

use crate::catalogue::{self, Unfinished};
use crate::error::io_error;
use crate::folder::{CATALOGUE, Folder, MANIFEST, RECORDINGS, TRASH, move_folder};
use crate::manifest::{Clock, Manifest};
use crate::{Digest, Library, LibraryError, entry, home, slug};
use rusqlite::{Connection, OpenFlags, params};
use serde::Serialize;
use std::collections::BTreeSet;
use std::fmt;
use std::fs::{self, File};
use std::io;
use std::path::{Path, PathBuf};

/// Something that is not as it should be.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[serde(tag = "finding", rename_all = "snake_case")]
pub enum Finding {
    /// The catalogue contradicts itself. Repaired by [`Library::rebuild`].
    Catalogue {
        /// What SQLite says.
        detail: String,
    },
    /// An interrupted step. Undone by the next program that is alone at work; a program that is at work now leaves
    /// such notes too.
    Unfinished {
        /// Folder concerned, relative to the library.
        path: String,
    },
    /// The folder of a recording is gone. The repair lists the recording in the trash.
    MissingRecording {
        /// The recording.
        recording: String,
    },
    /// The folder of a recording stands under another name. The repair moves it back.
    MovedRecording {
        /// The recording.
        recording: String,
        /// Where its folder stands, relative to the library.
        path: String,
    },
    /// A sample file is gone. Nothing here can repair it.
    MissingFile {
        /// The recording.
        recording: String,
        /// The file.
        file: String,
    },
    /// A sample file is not the one that was written. Nothing here can repair it.
    ChangedFile {
        /// The recording.
        recording: String,
        /// The file.
        file: String,
        /// What differs.
        detail: String,
    },
    /// The description in a recording's folder is missing or says something else than the catalogue. The repair writes
    /// it anew.
    StaleDescription {
        /// The recording.
        recording: String,
    },
    /// A whole recording that the catalogue does not know. The repair adds it.
    UnknownRecording {
        /// Its folder, relative to the library.
        path: String,
    },
    /// Something that is no recording, or one that cannot be added. Left alone.
    Stranger {
        /// Where, relative to the library.
        path: String,
        /// Why it is none.
        reason: String,
    },
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Catalogue { detail } => write!(
                f,
                "the catalogue contradicts itself: {detail}. Run `lapwright library check --rebuild`"
            ),
            Self::Unfinished { path } => write!(
                f,
                "a step on {path} is not finished: another program is at work, or was interrupted. It is undone as soon as no program is at work"
            ),
            Self::MissingRecording { recording } => write!(
                f,
                "the folder of recording '{recording}' is gone. Bring it back from a backup, or import the source again"
            ),
            Self::MovedRecording { recording, path } => {
                write!(f, "the folder of recording '{recording}' was moved to {path}")
            }
            Self::MissingFile { recording, file } => write!(
                f,
                "{file} of recording '{recording}' is gone. Bring it back from a backup, or remove the recording and import its source again"
            ),
            Self::ChangedFile { recording, file, detail } => write!(
                f,
                "{file} of recording '{recording}' is not the file that was written: {detail}. Bring it back from a backup, or remove the recording and import its source again"
            ),
            Self::StaleDescription { recording } => write!(
                f,
                "{MANIFEST} of recording '{recording}' is missing or older than what the catalogue says"
            ),
            Self::UnknownRecording { path } => {
                write!(f, "{path} holds a whole recording that the catalogue does not know")
            }
            Self::Stranger { path, reason } => {
                write!(
                    f,
                    "{path} is no recording of this library: {reason}. Move it elsewhere if it is not needed"
                )
            }
        }
    }
}

/// A finding and what became of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Found {
    /// The finding.
    #[serde(flatten)]
    pub finding: Finding,
    /// Whether it was repaired.
    pub repaired: bool,
    /// The finding as a sentence.
    pub sentence: String,
}

/// Outcome of a check.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize)]
pub struct Check {
    /// Kept recordings that were looked at.
    pub recordings: usize,
    /// Sample files that were read to their end.
    pub files: usize,
    /// Their size \[byte\].
    pub bytes: u64,
    /// What is not as it should be; empty when all is well.
    pub findings: Vec<Found>,
}

impl Check {
    /// Whether nothing is wrong, or nothing any more.
    #[must_use]
    pub fn is_sound(&self) -> bool {
        self.findings.iter().all(|f| f.repaired)
    }

    fn add(&mut self, finding: Finding, repaired: bool) {
        self.findings.push(Found { sentence: finding.to_string(), finding, repaired });
    }
}

impl Library {
    /// Reads every file of the library and compares it with what was written; with `repair`, sets right what can be.
    ///
    /// Sample files are never changed: a damaged one is reported.
    ///
    /// # Errors
    /// [`LibraryError`] when the check itself cannot go on. [`LibraryError::ReadOnly`] with `repair` in a library that
    /// cannot be changed.
    pub fn check(&self, repair: bool) -> Result<Check, LibraryError> {
        if repair {
            self.may_write()?;
        }
        self.clean_up();
        let _at_work = if repair { self.folder.at_work()? } else { None };
        let mut check = Check::default();
        for detail in self.ask(contradictions)? {
            check.add(Finding::Catalogue { detail }, false);
        }
        for step in self.ask(catalogue::unfinished)? {
            check.add(Finding::Unfinished { path: step.path }, false);
        }
        self.check_folders(repair, &mut check)?;
        for recording in self.recordings()? {
            check.recordings += 1;
            self.check_recording(&recording.name, repair, &mut check)?;
        }
        Ok(check)
    }

    /// Makes the catalogue of a library anew from the descriptions beside the samples. The damaged one is put aside in
    /// the same folder. What only the catalogue knew is lost, unless it can still be read: circuits and car files.
    ///
    /// # Errors
    /// [`LibraryError::Busy`] while a program is at work in the library; [`LibraryError`] as [`Library::open`].
    pub fn rebuild(dir: impl AsRef<Path>) -> Result<(Self, Check), LibraryError> {
        let dir = dir.as_ref();
        let folder = Folder::new(dir);
        if !folder.at(RECORDINGS).is_dir() {
            let found = format!("it has no folder '{RECORDINGS}'");
            return Err(LibraryError::NotALibrary { dir: dir.to_owned(), found });
        }
        match Self::open(dir) {
            Err(LibraryError::Damaged { .. } | LibraryError::Catalogue { .. }) => {}
            Ok(library) if library.ask(contradictions).is_ok_and(|c| c.is_empty()) => {
                let check = library.check(true)?;
                return Ok((library, check));
            }
            Ok(_) => {}
            Err(other) => return Err(other),
        }
        let circuits = salvaged(&folder, "SELECT name, json FROM circuit");
        let cars = salvaged(&folder, "SELECT name, toml FROM car");
        let alone = folder.alone().ok_or_else(|| LibraryError::Busy(dir.to_owned()))?;
        put_aside(&folder)?;
        drop(alone);
        let library = Self::connect(folder)?;
        let check = library.check(true)?;
        for (name, json) in circuits {
            // One that was damaged too is left behind.
            let _ = library.put_circuit(&name, &json);
        }
        for (name, toml) in cars {
            library.put_car(&name, &toml)?;
        }
        Ok((library, check))
    }

    /// Finds recordings without a folder and folders without a recording, in one look that no other process disturbs.
    fn check_folders(&self, repair: bool, check: &mut Check) -> Result<(), LibraryError> {
        if self.read_only {
            return self.compare_folders(&self.db(), false, check);
        }
        let mut found = Check::default();
        self.change_checked(|db| self.compare_folders(db, repair, &mut found))?;
        check.findings.append(&mut found.findings);
        Ok(())
    }

    fn compare_folders(&self, db: &Connection, repair: bool, check: &mut Check) -> Result<(), LibraryError> {
        let fail = |e| self.fail(e);
        let busy = catalogue::unfinished(db).map_err(fail)?;
        let kept = catalogue::names(db).map_err(fail)?;
        let folders = self.folders(RECORDINGS, &busy)?;
        let mut unknown: Vec<_> = folders.iter().filter(|f| !kept.contains(f)).cloned().collect();
        let is_busy = |name: &str| busy.iter().any(|u| u.undo_to.as_deref() == Some(&home(name)));
        for name in kept.iter().filter(|n| !folders.contains(n) && !is_busy(n)) {
            let id = self.find(db, name)?;
            let content = catalogue::entry(db, id).map_err(fail)?.content_sha256;
            let same = |f: &String| {
                Manifest::read(&self.folder.at(&home(f))).is_ok_and(|m| m.content_sha256 == content)
            };
            if let Some(i) = unknown.iter().position(same) {
                let path = home(&unknown.remove(i));
                let moved = || move_folder(&self.folder.at(&path), &self.folder.at(&home(name)));
                let repaired = repair && moved().is_ok();
                check.add(Finding::MovedRecording { recording: name.clone(), path }, repaired);
            } else {
                if repair {
                    let sql = "UPDATE recording SET removed_at = ?2 WHERE id = ?1";
                    db.execute(sql, params![id, catalogue::cell(entry::now())]).map_err(fail)?;
                }
                check.add(Finding::MissingRecording { recording: name.clone() }, repair);
            }
        }
        for name in unknown {
            let path = home(&name);
            match self.adoptable(db, &name) {
                Ok(manifest) => {
                    if repair {
                        catalogue::put(db, None, &manifest).map_err(fail)?;
                    }
                    check.add(Finding::UnknownRecording { path }, repair);
                }
                Err(reason) => check.add(Finding::Stranger { path, reason }, false),
            }
        }
        let removed = catalogue::removed(db).map_err(fail)?;
        let known: BTreeSet<_> = removed.iter().map(|(id, r)| format!("{id}-{}", r.recording.name)).collect();
        for name in self.folders(TRASH, &busy)?.into_iter().filter(|n| !known.contains(n)) {
            let reason = "the catalogue knows no removed recording of this id; move it to the recordings, under the name in its description, to get it back".to_owned();
            check.add(Finding::Stranger { path: format!("{TRASH}/{name}"), reason }, false);
        }
        Ok(())
    }

    /// Names in a folder of the library, without those that a program is at work on.
    fn folders(&self, inside: &str, busy: &[Unfinished]) -> Result<Vec<String>, LibraryError> {
        let dir = self.folder.at(inside);
        let name = |e: io::Result<fs::DirEntry>| Ok(e?.file_name().to_string_lossy().into_owned());
        let names = fs::read_dir(&dir).and_then(|d| d.map(name).collect::<io::Result<Vec<_>>>());
        let names = names.map_err(|e| io_error("read", &dir, e))?;
        let path = |n: &str| format!("{inside}/{n}");
        let mut names: Vec<_> =
            names.into_iter().filter(|n| !busy.iter().any(|b| b.path == path(n))).collect();
        names.sort();
        Ok(names)
    }

    /// The description of a folder that could become a recording, or why it cannot.
    fn adoptable(&self, db: &Connection, name: &str) -> Result<Manifest, String> {
        let dir = self.folder.at(&home(name));
        let manifest = Manifest::read(&dir)?;
        if manifest.name != name || slug(name) != name {
            return Err(format!("its description says that it is '{}'", manifest.name));
        }
        let twin =
            catalogue::same_content(db, &manifest.content_sha256.to_string()).map_err(|e| e.to_string())?;
        if let Some(twin) = twin {
            return Err(format!("it was made of the same source as '{}'", twin.name));
        }
        for clock in &manifest.clocks {
            difference(&dir.join(&clock.file), clock)
                .map_or(Ok(()), |d| Err(format!("its {}: {d}", clock.file)))?;
        }
        Ok(manifest)
    }

    fn check_recording(&self, name: &str, repair: bool, check: &mut Check) -> Result<(), LibraryError> {
        let look = self.ask_about(name, catalogue::manifest);
        // Removed or renamed since the list was made.
        let Ok(manifest) = look else { return Ok(()) };
        let dir = self.folder.at(&home(name));
        if !dir.is_dir() {
            return Ok(());
        }
        for clock in &manifest.clocks {
            let (recording, file) = (name.to_owned(), clock.file.clone());
            let path = dir.join(&file);
            if !path.is_file() {
                check.add(Finding::MissingFile { recording, file }, false);
                continue;
            }
            check.files += 1;
            check.bytes += clock.bytes;
            if let Some(detail) = difference(&path, clock) {
                check.add(Finding::ChangedFile { recording, file, detail }, false);
            }
        }
        if fs::read_to_string(dir.join(MANIFEST)).ok() != Some(manifest.to_json()?) {
            if repair {
                self.write_description(&manifest)?;
            }
            check.add(Finding::StaleDescription { recording: name.to_owned() }, repair);
        }
        Ok(())
    }
}

/// What distinguishes a file from the one that was written.
fn difference(path: &Path, clock: &Clock) -> Option<String> {
    match File::open(path).and_then(Digest::of_reader) {
        Err(e) => Some(format!("it cannot be read ({e})")),
        Ok((_, bytes)) if bytes != clock.bytes => {
            Some(format!("it has {bytes} bytes, {} were written", clock.bytes))
        }
        Ok((sha256, _)) if sha256 != clock.sha256 => Some("its content changed, its size did not".to_owned()),
        Ok(_) => None,
    }
}

/// What SQLite finds wrong with the catalogue.
fn contradictions(db: &Connection) -> catalogue::SqlResult<Vec<String>> {
    let mut found: Vec<String> =
        db.prepare("PRAGMA integrity_check(20)")?.query_map([], |r| r.get(0))?.collect::<Result<_, _>>()?;
    found.retain(|line| line != "ok");
    let lost = db.prepare("PRAGMA foreign_key_check")?.query_map([], |r| r.get::<_, String>(0))?.count();
    if lost > 0 {
        found.push(format!("{lost} rows belong to no recording"));
    }
    Ok(found)
}

/// Names and texts of a damaged catalogue, as far as they can be read.
fn salvaged(folder: &Folder, question: &str) -> Vec<(String, String)> {
    let read = || -> catalogue::SqlResult<Vec<(String, String)>> {
        let db = Connection::open_with_flags(folder.catalogue(), OpenFlags::SQLITE_OPEN_READ_WRITE)?;
        let mut texts = db.prepare(question)?;
        let rows = texts.query_map([], |r| Ok((r.get(0)?, r.get(1)?)))?;
        Ok(rows.map_while(Result::ok).collect())
    };
    read().unwrap_or_default()
}

/// Moves the files of a damaged catalogue out of the way.
fn put_aside(folder: &Folder) -> Result<(), LibraryError> {
    let stamp = entry::now().as_millisecond();
    for ending in ["", "-wal", "-shm"] {
        let from = folder.root().join(format!("{CATALOGUE}{ending}"));
        let to: PathBuf = folder.root().join(format!("catalogue-damaged-{stamp}.sqlite{ending}"));
        match fs::rename(&from, to) {
            Err(e) if e.kind() != io::ErrorKind::NotFound => return Err(io_error("move", &from, e)),
            _ => {}
        }
    }
    Ok(())
}
