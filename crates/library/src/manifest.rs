//! The description that lies beside the sample files of a recording: all that the catalogue knows about it, so that
//! the catalogue can be made anew, and so that a folder that is copied elsewhere still says what it is.

use crate::entry::{ChannelEntry, StoredLap};
use crate::folder::MANIFEST;
use crate::{Digest, LibraryError};
use jiff::Timestamp;
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;
use std::collections::BTreeSet;
use std::fs;
use std::path::Path;

/// A sample file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct Clock {
    pub(crate) file: String,
    pub(crate) rows: usize,
    pub(crate) bytes: u64,
    pub(crate) sha256: Digest,
}

/// A recording, without its samples.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(crate) struct Manifest {
    pub(crate) format: u32,
    pub(crate) name: String,
    pub(crate) driver: Option<String>,
    pub(crate) car: Option<String>,
    pub(crate) circuit: Option<String>,
    pub(crate) source: String,
    pub(crate) content_sha256: Digest,
    pub(crate) recorded_at: Option<Timestamp>,
    pub(crate) imported_at: Timestamp,
    pub(crate) from_s: f64,
    pub(crate) to_s: f64,
    pub(crate) note: String,
    pub(crate) tags: BTreeSet<String>,
    pub(crate) laps: Vec<StoredLap>,
    pub(crate) clocks: Vec<Clock>,
    pub(crate) channels: Vec<ChannelEntry>,
    pub(crate) report: Box<RawValue>,
    pub(crate) truth: Option<Box<RawValue>>,
}

impl Manifest {
    /// Version of the description that this program writes.
    pub(crate) const FORMAT: u32 = 1;

    /// Reads the description in a recording's folder; in words why there is none.
    pub(crate) fn read(dir: &Path) -> Result<Self, String> {
        let text = fs::read_to_string(dir.join(MANIFEST))
            .map_err(|e| format!("its {MANIFEST} cannot be read: {e}"))?;
        let manifest: Self =
            serde_json::from_str(&text).map_err(|e| format!("its {MANIFEST} is damaged: {e}"))?;
        if manifest.format > Self::FORMAT {
            return Err(format!("its {MANIFEST} is from a newer version of this program"));
        }
        crate::entry::checked_laps(&manifest.laps).map_err(|e| e.to_string())?;
        let clocks = manifest.clocks.len();
        if manifest.channels.iter().any(|c| c.clock >= clocks) {
            return Err(format!("its {MANIFEST} names a clock that has no file"));
        }
        Ok(manifest)
    }

    pub(crate) fn to_json(&self) -> Result<String, LibraryError> {
        serde_json::to_string_pretty(self)
            .map_err(|source| LibraryError::BadJson { what: "description", source })
    }
}
