//! The use cases: what a person asks of the program, answered once for the command line and the desk.
//!
//! A [`Workshop`] is an open library together with the knowledge of how laps, circuits and ledgers follow from its
//! recordings. Every answer is a serde value that `--json` prints and the desk's API serves, so the two cannot differ.

mod answers;
mod circuits;
mod compare;
mod error;
mod export;
mod import;
mod keeping;
mod limits;
mod rig_check;
mod season;

pub use answers::{
    Borders, ChannelsAnswer, CircuitDrawing, CircuitFound, Comparison, Imported, LapColumns, LibraryAnswer,
    PhaseSpan, Polyline,
};
pub use error::{Fault, WorkshopError};
pub use export::Exported;
pub use import::{ImportOptions, read_map};
pub use ledger::{EQUAL_S, Ledger};
pub use library::{ChannelEntry, Check, LapEntry, RecordingEntry, RemovedEntry};
pub use limits::{
    CornerShare, LeverAnswer, LimitLap, LimitOptions, Method, WhatIf, check_car, limit_circuit, limit_lap,
    what_if,
};
pub use recording::consistency::Fix;
pub use recording::{Finding, Issue, Map, Progress, Report};
pub use rig::forces::{Drive, ForceOptions};
pub use rig::pedals::PedalOptions;
pub use rig::steering::SteeringOptions;
pub use rig::{Outcome, Verdict};
pub use season::{Extent, SeasonProgress};
pub use track::Line;
pub use vehicle::check::CarReport;

use channels::Origin;
use compare::Traces;
use library::Library;
use std::path::Path;

/// An open library, and what can be done with it. May be shared between threads.
#[derive(Debug)]
pub struct Workshop {
    library: Library,
    traces: Traces,
}

impl Workshop {
    /// Opens the library in a folder.
    ///
    /// # Errors
    /// [`WorkshopError::Library`] when there is none, or it cannot be used.
    pub fn open(folder: &Path) -> Result<Self, WorkshopError> {
        Ok(Self::of(Library::open(folder)?))
    }

    /// Opens the library in a folder; makes it where there is none.
    ///
    /// # Errors
    /// [`WorkshopError::Library`] when the folder holds something else or cannot be written.
    pub fn create_or_open(folder: &Path) -> Result<Self, WorkshopError> {
        Ok(Self::of(Library::create_or_open(folder)?))
    }

    fn of(library: Library) -> Self {
        Self { library, traces: Traces::default() }
    }

    /// What the library holds.
    ///
    /// # Errors
    /// [`WorkshopError::Library`] when the catalogue cannot be read.
    pub fn library(&self) -> Result<LibraryAnswer, WorkshopError> {
        let mut recordings = self.library.recordings()?;
        recordings.sort_by_key(|r| std::cmp::Reverse(r.recorded_at.unwrap_or(r.imported_at)));
        Ok(LibraryAnswer { name: self.library.name(), recordings })
    }

    /// All laps, or those of one recording.
    ///
    /// # Errors
    /// [`WorkshopError::Library`] when there is no such recording.
    pub fn laps(&self, recording: Option<&str>) -> Result<Vec<LapEntry>, WorkshopError> {
        Ok(match recording {
            Some(name) => self.library.laps_of(name)?,
            None => self.library.laps()?,
        })
    }

    /// The channels that a recording has, and what can be done with them.
    ///
    /// # Errors
    /// [`WorkshopError::Library`] when there is no such recording.
    pub fn channels_of(&self, recording: &str) -> Result<ChannelsAnswer, WorkshopError> {
        let channels = self.library.channels_of(recording)?;
        // A derived channel is no proof of what was logged.
        let logged = channels.iter().filter(|c| c.origin == Origin::Logged).map(|c| c.channel).collect();
        Ok(ChannelsAnswer { abilities: recording::abilities::abilities_of(&logged), channels })
    }
}
