//! Looking after what the library holds.

use crate::{Check, RecordingEntry, RemovedEntry, Workshop, WorkshopError};
use library::Library;
use std::path::Path;

impl Workshop {
    /// Reads every file and compares it with what was written. Sets right what can be, unless nothing may be written.
    ///
    /// # Errors
    /// [`WorkshopError::Library`] when the check itself cannot go on.
    pub fn check(&self) -> Result<Check, WorkshopError> {
        Ok(self.library.check(!self.library.is_read_only())?)
    }

    /// Makes the catalogue of a library anew from the descriptions beside the samples.
    ///
    /// # Errors
    /// [`WorkshopError::Library`] while a program is at work in the library, or when there is none.
    pub fn rebuild(folder: &Path) -> Result<Check, WorkshopError> {
        Ok(Library::rebuild(folder)?.1)
    }

    /// Gives a recording another name.
    ///
    /// # Errors
    /// [`WorkshopError::Library`] when there is no such recording, or the name is taken.
    pub fn rename(&self, recording: &str, name: &str) -> Result<RecordingEntry, WorkshopError> {
        Ok(self.library.rename(recording, name)?)
    }

    /// Writes a note beside a recording.
    ///
    /// # Errors
    /// [`WorkshopError::Library`] when there is no such recording.
    pub fn set_note(&self, recording: &str, note: &str) -> Result<RecordingEntry, WorkshopError> {
        Ok(self.library.set_note(recording, note)?)
    }

    /// Replaces the tags of a recording.
    ///
    /// # Errors
    /// [`WorkshopError::Library`] when there is no such recording.
    pub fn set_tags(&self, recording: &str, tags: &[String]) -> Result<RecordingEntry, WorkshopError> {
        Ok(self.library.set_tags(recording, tags)?)
    }

    /// Moves a recording to the trash.
    ///
    /// # Errors
    /// [`WorkshopError::Library`] when there is no such recording.
    pub fn remove(&self, recording: &str) -> Result<(), WorkshopError> {
        Ok(self.library.remove(recording)?)
    }

    /// Brings a removed recording back.
    ///
    /// # Errors
    /// [`WorkshopError::Library`] when the trash has none of this name.
    pub fn restore(&self, recording: &str) -> Result<RecordingEntry, WorkshopError> {
        Ok(self.library.restore(recording)?)
    }

    /// What is in the trash.
    ///
    /// # Errors
    /// [`WorkshopError::Library`] when the catalogue cannot be read.
    pub fn trash(&self) -> Result<Vec<RemovedEntry>, WorkshopError> {
        Ok(self.library.trash()?)
    }
}
