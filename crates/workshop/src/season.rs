//! The demo library: an invented season, simulated and kept like any import, its truth beside it.

use crate::import::stored;
use crate::{Workshop, WorkshopError};
use demo::{Recording, Season};
use library::{Digest, NewRecording, Timestamp};
use track::{Circuit, LapOptions, laps};

/// How much of the season is made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Extent {
    /// All days.
    Season,
    /// A stint of the coach and one of the learner.
    FirstLook,
}

impl Extent {
    fn word(self) -> &'static str {
        match self {
            Self::Season => "season",
            Self::FirstLook => "first look",
        }
    }
}

/// How far the season has come.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct SeasonProgress {
    /// Simulations that are done.
    pub done: usize,
    /// Simulations in all.
    pub total: usize,
    /// Recording that the last one belongs to.
    pub recording: String,
}

/// How sources of the demo begin.
const SOURCE: &str = "demo, ";

impl Workshop {
    /// Fills the library with the demo, unless it holds it already. An unfinished or outdated demo is made anew.
    /// `progress` is called from several threads.
    ///
    /// # Errors
    /// [`WorkshopError::NotADemo`] when the library holds anything else.
    pub fn build_demo(
        &self,
        extent: Extent,
        seed: u64,
        progress: &(dyn Fn(SeasonProgress) + Sync),
    ) -> Result<(), WorkshopError> {
        let source = format!("{SOURCE}{} {seed}, version {}", extent.word(), env!("CARGO_PKG_VERSION"));
        let kept = self.library.recordings()?;
        if let Some(own) = kept.iter().find(|r| !r.source.starts_with(SOURCE)) {
            return Err(WorkshopError::NotADemo {
                folder: self.library.path().display().to_string(),
                example: own.name.clone(),
            });
        }
        // The circuit is kept last: it says that all recordings are there.
        if !kept.is_empty() && kept.iter().all(|r| r.source == source) && !self.library.circuits()?.is_empty()
        {
            return Ok(());
        }
        for name in self.library.circuits()? {
            self.library.remove_circuit(&name)?;
        }
        for old in kept {
            self.library.remove(&old.name)?;
        }
        self.library.empty_trash()?;

        let told = |p: demo::Progress| {
            progress(SeasonProgress { done: p.done, total: p.total, recording: p.recording });
        };
        let season = match extent {
            Extent::Season => demo::season(seed, &told),
            Extent::FirstLook => demo::first_look(seed, &told),
        }?;
        let circuit = circuit(&season)?;
        for recording in &season.recordings {
            self.keep(recording, &circuit, &source)?;
        }
        if let Some(first) = season.recordings.first() {
            let toml = season.car.to_toml_string().map_err(demo::DemoError::Car)?;
            self.library.put_car(&first.car, &toml)?;
        }
        self.library.put_circuit(&circuit.name, &serde_json::to_string(&circuit)?)?;
        Ok(())
    }

    fn keep(&self, recording: &Recording, circuit: &Circuit, source: &str) -> Result<(), WorkshopError> {
        let options = LapOptions { line: None, circuit: Some(circuit) };
        let laps = laps::split(&recording.samples, &options)
            .map_err(|source| WorkshopError::Laps { file: recording.name.clone(), source })?;
        let new = NewRecording {
            name_hint: recording.name.clone(),
            driver: Some(recording.driver.clone()),
            car: Some(recording.car.clone()),
            circuit: Some(circuit.name.clone()),
            source_name: source.to_owned(),
            content_sha256: Some(Digest::of_bytes(format!("{source}: {}", recording.name).as_bytes())),
            // The story has no time zone; its clock is read as UTC.
            recorded_at: format!("{}Z", recording.recorded_at).parse::<Timestamp>().ok(),
            note: recording.note.clone(),
            report_json: "{}".to_owned(),
            truth_json: Some(serde_json::to_string(&recording.truth)?),
            laps: laps.iter().map(stored).collect(),
        };
        self.library.add(new, &recording.samples)?;
        Ok(())
    }

    /// What was planted in a recording of the demo, as JSON; none for a drive that is not made up.
    ///
    /// # Errors
    /// [`WorkshopError::Library`] when there is no such recording.
    pub fn truth(&self, recording: &str) -> Result<Option<String>, WorkshopError> {
        Ok(self.library.truth(recording)?)
    }
}

/// The season's circuit with its borders.
fn circuit(season: &Season) -> Result<Circuit, WorkshopError> {
    Circuit::from_centre_line(season.circuit.name(), &season.centre_line)
        .map_err(|source| WorkshopError::Circuit { file: "demo".to_owned(), source })
}
