//! Laps back out as files of open formats.

use crate::{Workshop, WorkshopError};
use library::LapId;
use recording::Format;
use recording::export::{Export, LapSpan, Units, export};
use std::collections::BTreeMap;
use std::fs::File;
use std::path::Path;

/// What was written.
#[derive(Debug, Clone, serde::Serialize)]
pub struct Exported {
    /// The file.
    pub file: String,
    /// Rows, over all groups.
    pub rows: usize,
    /// Channels.
    pub channels: Vec<channels::Channel>,
}

impl Workshop {
    /// Writes a recording, or one lap of it (`RECORDING:LAP`), as CSV, Parquet or MDF 4, by the ending of the file's name.
    ///
    /// # Errors
    /// [`WorkshopError`] when there is no such recording or lap, the ending is none of these, or the file cannot be written;
    /// an existing file is not touched before everything is there.
    pub fn export(&self, what: &str, to: &Path, daily_units: bool) -> Result<Exported, WorkshopError> {
        let file = to.display().to_string();
        let ending = to.extension().map(|e| e.to_string_lossy().to_lowercase());
        let format = match ending.as_deref() {
            Some("csv") => Format::Csv,
            Some("parquet") => Format::Parquet,
            Some("mf4") => Format::Mdf4,
            _ => return Err(WorkshopError::ExportEnding(file)),
        };
        let (recording, span_s) = match what.parse::<LapId>() {
            Ok(id) => {
                let lap = self.library.lap(what)?;
                (id.recording, Some((lap.start_s, lap.end_s)))
            }
            Err(_) => (what.to_owned(), None),
        };
        let samples = self.library.samples(&recording)?;
        let entry = self.library.recording(&recording)?;
        let laps = self.library.laps_of(&recording)?;
        let laps: Vec<_> =
            laps.iter().map(|l| LapSpan { number: l.lap_number, from_s: l.start_s, to_s: l.end_s }).collect();
        let known = [
            ("recording", Some(recording)),
            ("driver", entry.driver),
            ("car", entry.car),
            ("circuit", entry.circuit),
        ];
        let metadata: BTreeMap<String, String> =
            known.into_iter().filter_map(|(k, v)| Some((k.to_owned(), v?))).collect();
        let units = if daily_units { Units::Daily } else { Units::Si };
        let options = Export { span_s, units, laps: &laps, metadata, ..Export::default() };
        let failed = |source| WorkshopError::ExportFile { file: file.clone(), source };
        let half = to.with_extension("half");
        let mut out = File::create(&half).map_err(failed)?;
        let written = export(&samples, &options, format, &mut out)
            .map_err(|source| WorkshopError::Export { file: file.clone(), source });
        let moved = written.and_then(|w| std::fs::rename(&half, to).map_err(failed).map(|()| w));
        if moved.is_err() {
            let _ = std::fs::remove_file(&half);
        }
        let written = moved?;
        Ok(Exported { file, rows: written.rows, channels: written.channels })
    }
}
