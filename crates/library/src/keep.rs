//! Steps that change the files: import, rename, remove, restore. Each is all or nothing.

use crate::catalogue::{self, Unfinished};
use crate::columns::{self, Label};
use crate::entry::{self, checked_laps};
use crate::error::io_error;
use crate::folder::{MANIFEST, STAGING, TRASH, delete_folder, move_folder, sync_folder, write_file};
use crate::manifest::Manifest;
use crate::{
    Assignment, Digest, Library, LibraryError, NewRecording, RecordingEntry, RemovedEntry, StoredLap, home,
    raw_json, slug,
};
use channels::Samples;
use rusqlite::{Connection, params};
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

/// A step to note: delete `path` if it fails.
fn delete(path: &str) -> Unfinished {
    Unfinished { path: path.to_owned(), undo_to: None }
}

/// A step to note: move `path` back to `undo_to` if it fails.
fn move_back(path: &str, undo_to: &str) -> Unfinished {
    Unfinished { path: path.to_owned(), undo_to: Some(undo_to.to_owned()) }
}

fn bin(id: i64, name: &str) -> String {
    format!("{TRASH}/{id}-{name}")
}

impl Library {
    /// Keeps a recording: all or nothing, and for good once it returns.
    ///
    /// The name is made of the hint; where another recording has it, a number is added.
    ///
    /// # Errors
    /// [`LibraryError::AlreadyImported`] when a recording of the same content is there, [`LibraryError::NoSamples`],
    /// [`LibraryError::BadLaps`], [`LibraryError::BadJson`], [`LibraryError::ReadOnly`], [`LibraryError::NoSpace`].
    pub fn add(&self, new: NewRecording, samples: &Samples) -> Result<RecordingEntry, LibraryError> {
        self.may_write()?;
        checked_laps(&new.laps)?;
        let (from_s, to_s) =
            samples.span_s().ok_or_else(|| LibraryError::NoSamples(new.source_name.clone()))?;
        let mut manifest = Manifest {
            format: Manifest::FORMAT,
            name: String::new(),
            driver: new.driver,
            car: new.car,
            circuit: new.circuit,
            source: new.source_name,
            content_sha256: new.content_sha256.unwrap_or_else(|| Digest::of_samples(samples)),
            recorded_at: new.recorded_at,
            imported_at: entry::now(),
            from_s,
            to_s,
            note: new.note,
            tags: BTreeSet::new(),
            laps: new.laps,
            clocks: Vec::new(),
            channels: Vec::new(),
            report: raw_json("report", new.report_json)?,
            truth: new.truth_json.map(|t| raw_json("truth", t)).transpose()?,
        };
        self.clean_up();
        let _at_work = self.folder.at_work()?;
        let steps = self.change_checked(|db| {
            self.refuse_twice(db, manifest.content_sha256)?;
            manifest.name = self.free_name(db, &new.name_hint)?;
            let steps = vec![delete(&home(&manifest.name)), delete(&format!("{STAGING}/{}", manifest.name))];
            self.note(db, &steps)?;
            Ok(steps)
        })?;
        self.or_undo(&steps, || {
            let staged = self.folder.at(&steps[1].path);
            stage(&staged, &mut manifest, samples)?;
            self.change_checked(|db| {
                // Another process may have imported the same file meanwhile.
                self.refuse_twice(db, manifest.content_sha256)?;
                move_folder(&staged, &self.folder.at(&steps[0].path))?;
                let kept = || {
                    let id = catalogue::put(db, None, &manifest)?;
                    steps.iter().try_for_each(|s| catalogue::finished(db, &s.path))?;
                    catalogue::entry(db, id)
                };
                kept().map_err(|e| self.fail(e))
            })
        })
    }

    /// Gives a recording another name, made of `new_name` as [`slug`] does. Its sample files are written anew, since they carry
    /// the name.
    ///
    /// # Errors
    /// [`LibraryError::NameTaken`], [`LibraryError::BadName`], [`LibraryError::NoRecording`] and those of
    /// [`Library::add`].
    pub fn rename(&self, name: &str, new_name: &str) -> Result<RecordingEntry, LibraryError> {
        let new = Some(slug(new_name)).filter(|s| !s.is_empty());
        let new = new.ok_or_else(|| LibraryError::BadName(new_name.to_owned()))?;
        if new == name {
            return self.recording(name);
        }
        self.rewrite(name, |m| m.name = new)
    }

    /// Says who drove what, and where. The sample files are written anew.
    ///
    /// # Errors
    /// [`LibraryError::NoRecording`] and those of [`Library::add`].
    pub fn assign(&self, name: &str, to: Assignment) -> Result<RecordingEntry, LibraryError> {
        self.rewrite(name, |m| (m.driver, m.car, m.circuit) = (to.driver, to.car, to.circuit))
    }

    /// Replaces the laps, e.g. when the line of the circuit became known. The sample files are written anew.
    ///
    /// # Errors
    /// [`LibraryError::NoRecording`] and those of [`Library::add`].
    pub fn set_laps(&self, name: &str, laps: Vec<StoredLap>) -> Result<RecordingEntry, LibraryError> {
        checked_laps(&laps)?;
        self.rewrite(name, |m| m.laps = laps)
    }

    /// Writes the files of a recording anew with another label, and swaps them in.
    fn rewrite(&self, name: &str, edit: impl FnOnce(&mut Manifest)) -> Result<RecordingEntry, LibraryError> {
        self.may_write()?;
        self.clean_up();
        let _at_work = self.folder.at_work()?;
        let (id, mut manifest, steps) = self.change_checked(|db| {
            let id = self.find(db, name)?;
            self.refuse_changing(db, name)?;
            let mut manifest = catalogue::manifest(db, id).map_err(|e| self.fail(e))?;
            edit(&mut manifest);
            let mut steps = vec![
                delete(&format!("{STAGING}/{id}-new")),
                move_back(&format!("{STAGING}/{id}-old"), &home(name)),
            ];
            if manifest.name != name {
                self.refuse_taken(db, &manifest.name)?;
                steps.push(delete(&home(&manifest.name)));
            }
            self.note(db, &steps)?;
            Ok((id, manifest, steps))
        })?;
        let [new, old] = [0, 1].map(|i| self.folder.at(&steps[i].path));
        let entry = self.or_undo(&steps, || {
            let samples = self.samples(name)?;
            stage(&new, &mut manifest, &samples)?;
            self.change_checked(|db| {
                delete_folder(&old)?;
                move_folder(&self.folder.at(&home(name)), &old)?;
                move_folder(&new, &self.folder.at(&home(&manifest.name)))?;
                let swapped = || {
                    catalogue::put(db, Some(id), &manifest)?;
                    steps.iter().try_for_each(|s| catalogue::finished(db, &s.path))?;
                    catalogue::note_unfinished(db, &steps[1].path, None)?;
                    catalogue::entry(db, id)
                };
                swapped().map_err(|e| self.fail(e))
            })
        })?;
        self.undo(&[delete(&steps[1].path)]);
        Ok(entry)
    }

    /// Replaces the note.
    ///
    /// # Errors
    /// [`LibraryError::NoRecording`], [`LibraryError::ReadOnly`].
    pub fn set_note(&self, name: &str, note: &str) -> Result<RecordingEntry, LibraryError> {
        self.describe(name, |db, id| {
            db.execute("UPDATE recording SET note = ?2 WHERE id = ?1", params![id, note]).map(drop)
        })
    }

    /// Replaces the tags. Blanks around them are cut, empty ones left out.
    ///
    /// # Errors
    /// [`LibraryError::NoRecording`], [`LibraryError::ReadOnly`].
    pub fn set_tags<T: AsRef<str>>(&self, name: &str, tags: &[T]) -> Result<RecordingEntry, LibraryError> {
        let tags = tags.iter().map(|t| t.as_ref().trim().to_owned()).filter(|t| !t.is_empty()).collect();
        self.describe(name, |db, id| catalogue::put_tags(db, id, &tags))
    }

    /// Changes what is said about a recording, in the catalogue and in its folder. Should the power fail between the
    /// two, the catalogue counts, and [`Library::check`] writes the other anew.
    fn describe(
        &self,
        name: &str,
        edit: impl FnOnce(&Connection, i64) -> catalogue::SqlResult<()>,
    ) -> Result<RecordingEntry, LibraryError> {
        self.may_write()?;
        let _at_work = self.folder.at_work()?;
        self.change_checked(|db| {
            let id = self.find(db, name)?;
            self.refuse_changing(db, name)?;
            edit(db, id).map_err(|e| self.fail(e))?;
            let manifest = catalogue::manifest(db, id).map_err(|e| self.fail(e))?;
            self.write_description(&manifest)?;
            catalogue::entry(db, id).map_err(|e| self.fail(e))
        })
    }

    /// Replaces the description in a recording's folder; skipped where the folder is gone.
    pub(crate) fn write_description(&self, manifest: &Manifest) -> Result<(), LibraryError> {
        let dir = self.folder.at(&home(&manifest.name));
        if !dir.is_dir() {
            return Ok(());
        }
        let fresh = self.folder.at(&format!("{STAGING}/{}.json", manifest.name));
        match fs::remove_file(&fresh) {
            Err(e) if e.kind() != std::io::ErrorKind::NotFound => return Err(io_error("delete", &fresh, e)),
            _ => {}
        }
        write_file(&fresh, manifest.to_json()?.as_bytes())?;
        let to = dir.join(MANIFEST);
        fs::rename(&fresh, &to).map_err(|e| io_error("write", &to, e))?;
        sync_folder(&dir)
    }

    /// Puts a recording into the trash. [`Library::restore`] undoes it.
    ///
    /// # Errors
    /// [`LibraryError::NoRecording`], [`LibraryError::ReadOnly`], [`LibraryError::Io`] when another program holds its
    /// files.
    pub fn remove(&self, name: &str) -> Result<(), LibraryError> {
        self.may_write()?;
        self.clean_up();
        let _at_work = self.folder.at_work()?;
        let (id, steps) = self.change_checked(|db| {
            let id = self.find(db, name)?;
            self.refuse_changing(db, name)?;
            let steps = vec![move_back(&bin(id, name), &home(name))];
            self.note(db, &steps)?;
            Ok((id, steps))
        })?;
        self.or_undo(&steps, || {
            self.change_checked(|db| {
                let from = self.folder.at(&home(name));
                // What was deleted by hand can still be taken out of the catalogue.
                if from.exists() {
                    move_folder(&from, &self.folder.at(&steps[0].path))?;
                }
                let sql = "UPDATE recording SET removed_at = ?2 WHERE id = ?1";
                let removed = db.execute(sql, params![id, catalogue::cell(entry::now())]);
                removed.and_then(|_| catalogue::finished(db, &steps[0].path)).map_err(|e| self.fail(e))
            })
        })
    }

    /// Removed recordings, the latest first.
    ///
    /// # Errors
    /// [`LibraryError`] when the catalogue cannot be read.
    pub fn trash(&self) -> Result<Vec<RemovedEntry>, LibraryError> {
        Ok(self.ask(catalogue::removed)?.into_iter().map(|r| r.1).collect())
    }

    /// Takes the recording that was last removed under this name out of the trash.
    ///
    /// # Errors
    /// [`LibraryError::NotInTrash`], [`LibraryError::NameTaken`], [`LibraryError::AlreadyImported`] when its source was
    /// imported again meanwhile.
    pub fn restore(&self, name: &str) -> Result<RecordingEntry, LibraryError> {
        self.may_write()?;
        self.clean_up();
        let _at_work = self.folder.at_work()?;
        let (id, steps) = self.change_checked(|db| {
            let removed = catalogue::removed(db).map_err(|e| self.fail(e))?;
            let found = removed.iter().find(|(_, r)| r.recording.name == name);
            let (id, entry) = found.ok_or_else(|| LibraryError::NotInTrash {
                name: name.to_owned(),
                known: removed.iter().map(|r| r.1.recording.name.clone()).collect(),
            })?;
            self.refuse_twice(db, entry.recording.content_sha256)?;
            self.refuse_taken(db, name)?;
            let steps = vec![move_back(&home(name), &bin(*id, name))];
            self.note(db, &steps)?;
            Ok((*id, steps))
        })?;
        self.or_undo(&steps, || {
            self.change_checked(|db| {
                let from = self.folder.at(&bin(id, name));
                if from.exists() {
                    move_folder(&from, &self.folder.at(&home(name)))?;
                }
                let restored = || {
                    db.execute("UPDATE recording SET removed_at = NULL WHERE id = ?1", [id])?;
                    catalogue::finished(db, &steps[0].path)?;
                    catalogue::entry(db, id)
                };
                restored().map_err(|e| self.fail(e))
            })
        })
    }

    /// Deletes what is in the trash, for good. Returns the number of recordings.
    ///
    /// # Errors
    /// [`LibraryError::ReadOnly`], [`LibraryError::Busy`].
    pub fn empty_trash(&self) -> Result<usize, LibraryError> {
        self.may_write()?;
        let _at_work = self.folder.at_work()?;
        let steps = self.change_checked(|db| {
            let all = catalogue::removed(db).map_err(|e| self.fail(e))?;
            let steps: Vec<_> = all.iter().map(|(id, r)| delete(&bin(*id, &r.recording.name))).collect();
            // One that is on its way back into the library is left alone.
            let busy = catalogue::unfinished(db).map_err(|e| self.fail(e))?;
            let free = |s: &Unfinished| {
                !busy.iter().any(|b| b.path == s.path || b.undo_to.as_ref() == Some(&s.path))
            };
            let gone: Vec<_> = all.iter().zip(steps).filter(|(_, s)| free(s)).collect();
            for ((id, _), step) in &gone {
                db.execute("DELETE FROM recording WHERE id = ?1", [id]).map_err(|e| self.fail(e))?;
                self.note(db, std::slice::from_ref(step))?;
            }
            Ok(gone.into_iter().map(|g| g.1).collect::<Vec<_>>())
        })?;
        self.undo(&steps);
        Ok(steps.len())
    }

    /// Changes the catalogue: all or nothing, whatever kind of error the work ends with.
    pub(crate) fn change_checked<T>(
        &self,
        work: impl FnOnce(&Connection) -> Result<T, LibraryError>,
    ) -> Result<T, LibraryError> {
        let mut db = self.db();
        let change = catalogue::begin(&mut db).map_err(|e| self.fail(e))?;
        let done = work(&change)?;
        change.commit().map_err(|e| self.fail(e))?;
        Ok(done)
    }

    fn note(&self, db: &Connection, steps: &[Unfinished]) -> Result<(), LibraryError> {
        let note = |s: &Unfinished| catalogue::note_unfinished(db, &s.path, s.undo_to.as_deref());
        steps.iter().try_for_each(note).map_err(|e| self.fail(e))
    }

    fn refuse_twice(&self, db: &Connection, content: Digest) -> Result<(), LibraryError> {
        match catalogue::same_content(db, &content.to_string()).map_err(|e| self.fail(e))? {
            None => Ok(()),
            Some(RecordingEntry { name, source, imported_at, .. }) => {
                Err(LibraryError::AlreadyImported { name, source_name: source, imported_at })
            }
        }
    }

    fn refuse_taken(&self, db: &Connection, name: &str) -> Result<(), LibraryError> {
        let taken = catalogue::is_taken(db, name).map_err(|e| self.fail(e))?;
        if taken || self.folder.at(&home(name)).exists() {
            return Err(LibraryError::NameTaken(name.to_owned()));
        }
        Ok(())
    }

    fn refuse_changing(&self, db: &Connection, name: &str) -> Result<(), LibraryError> {
        if catalogue::is_changing(db, name).map_err(|e| self.fail(e))? {
            return Err(LibraryError::BeingChanged(name.to_owned()));
        }
        Ok(())
    }

    fn free_name(&self, db: &Connection, hint: &str) -> Result<String, LibraryError> {
        for name in slug::candidates(hint) {
            match self.refuse_taken(db, &name) {
                Ok(()) => return Ok(name),
                Err(LibraryError::NameTaken(_)) => {}
                Err(e) => return Err(e),
            }
        }
        Err(LibraryError::NameTaken(slug(hint)))
    }

    fn or_undo<T>(
        &self,
        steps: &[Unfinished],
        work: impl FnOnce() -> Result<T, LibraryError>,
    ) -> Result<T, LibraryError> {
        work().inspect_err(|_| self.undo(steps))
    }

    /// Undoes steps that are noted and not done. One that cannot be undone now (another program holds the file, the
    /// disk is gone) stays noted for the next [`Library::clean_up`], so no error is lost.
    fn undo(&self, steps: &[Unfinished]) {
        for step in steps {
            let path = self.folder.at(&step.path);
            let undone = match &step.undo_to {
                None => delete_folder(&path),
                Some(_) if !path.exists() => Ok(()),
                Some(to) => {
                    let to = self.folder.at(to);
                    delete_folder(&to).and_then(|()| move_folder(&path, &to))
                }
            };
            if undone.is_ok() {
                // Failing here, the note stays, and undoing it again does nothing.
                let _ = self.change(|db| catalogue::finished(db, &step.path));
            }
        }
    }

    /// Undoes what interrupted programs left. Does nothing while another process is at work: it cleans up later.
    pub(crate) fn clean_up(&self) {
        if self.read_only {
            return;
        }
        let Some(_alone) = self.folder.alone() else { return };
        if let Ok(steps) = self.ask(catalogue::unfinished) {
            self.undo(&steps);
            let kept = self.ask(catalogue::unfinished).is_ok_and(|left| left.is_empty());
            // With nothing noted, staging holds nothing that anybody misses.
            let stale = fs::read_dir(self.folder.at(STAGING)).ok().filter(|_| kept);
            for stale in stale.into_iter().flatten().flatten() {
                let path = stale.path();
                let _ = if path.is_dir() { fs::remove_dir_all(&path) } else { fs::remove_file(&path) };
            }
        }
    }
}

/// Writes the files of a recording into a new folder, and completes the description by what was written.
fn stage(dir: &Path, manifest: &mut Manifest, samples: &Samples) -> Result<(), LibraryError> {
    delete_folder(dir)?;
    fs::create_dir(dir).map_err(|e| io_error("create", dir, e))?;
    let assignment = Assignment {
        driver: manifest.driver.clone(),
        car: manifest.car.clone(),
        circuit: manifest.circuit.clone(),
    };
    let label = Label { recording: &manifest.name, assignment: &assignment, laps: &manifest.laps };
    (manifest.clocks, manifest.channels) = columns::write_recording(dir, samples, &label)?;
    write_file(&dir.join(MANIFEST), manifest.to_json()?.as_bytes())?;
    sync_folder(dir)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::folder::RECORDINGS;
    use channels::{Channel, Origin};
    use tempfile::TempDir;

    fn drive(seed: f64) -> Samples {
        let mut samples = Samples::new();
        let clock = samples.add_clock(vec![0.0, 1.0]).unwrap();
        samples.insert(Channel::Speed, clock, vec![1.0, seed], Origin::Logged).unwrap();
        samples
    }

    fn new(name: &str) -> NewRecording {
        NewRecording {
            name_hint: name.to_owned(),
            driver: None,
            car: None,
            circuit: None,
            source_name: name.to_owned(),
            content_sha256: None,
            recorded_at: None,
            note: String::new(),
            report_json: format!("[\"{}\"]", "x".repeat(20_000)),
            truth_json: None,
            laps: Vec::new(),
        }
    }

    fn count(library: &Library, inside: &str) -> usize {
        fs::read_dir(library.path().join(inside)).map_or(0, Iterator::count)
    }

    /// The samples are in place by then; they must go again.
    #[test]
    fn a_catalogue_without_room_takes_the_samples_back() {
        let dir = TempDir::new().unwrap();
        let library = Library::create_or_open(dir.path()).unwrap();
        library.add(new("a"), &drive(1.0)).unwrap();
        let pages: i64 = library.ask(|db| db.query_row("PRAGMA page_count", [], |r| r.get(0))).unwrap();
        library.ask(|db| db.pragma_update(None, "max_page_count", pages + 1)).unwrap();
        let error = library.add(new("b"), &drive(2.0)).unwrap_err();
        assert!(matches!(error, LibraryError::NoSpace(_)), "{error}");
        assert_eq!((count(&library, RECORDINGS), count(&library, STAGING)), (1, 0));
        assert!(library.ask(catalogue::unfinished).unwrap().is_empty());
        library.ask(|db| db.pragma_update(None, "max_page_count", 1_000_000)).unwrap();
        assert_eq!(library.add(new("b"), &drive(2.0)).unwrap().name, "b");
    }

    #[test]
    fn while_another_program_is_at_work_its_steps_are_left_alone() {
        let dir = TempDir::new().unwrap();
        let library = Library::create_or_open(dir.path()).unwrap();
        let other = library.folder.at_work().unwrap();
        let step = delete(&home("half"));
        library.change_checked(|db| library.note(db, std::slice::from_ref(&step))).unwrap();
        fs::create_dir(library.folder.at(&step.path)).unwrap();
        assert_eq!(library.add(new("half"), &drive(1.0)).unwrap().name, "half-2");
        assert!(Library::open(dir.path()).is_ok() && library.folder.at(&step.path).is_dir());
        drop(other);
        assert!(Library::open(dir.path()).is_ok() && !library.folder.at(&step.path).exists());
        assert!(library.ask(catalogue::unfinished).unwrap().is_empty());
    }
}
