//! From a file to a recording of the library with laps on a circuit: all or nothing.

use crate::{CircuitFound, Imported, Workshop, WorkshopError};
use channels::Samples;
use library::{NewRecording, StoredLap};
use recording::{Map, Progress, Reading, Source, consistency, derive};
use std::path::Path;
use track::trace::lap_trace;
use track::{Circuit, Lap, LapKind, LapOptions, Line, laps};

/// What the user says about a recording.
#[derive(Debug, Clone, Default)]
pub struct ImportOptions {
    /// Which column is which channel; without one, the profile of the source is used if the library knows it.
    pub map: Option<Map>,
    /// Who drove.
    pub driver: Option<String>,
    /// Which car.
    pub car: Option<String>,
    /// Which circuit; found by its shape when none is given.
    pub circuit: Option<String>,
    /// Start line, where laps are not numbered.
    pub line: Option<Line>,
    /// Whether signs that contradict the rest of the recording are turned.
    pub fix_signs: bool,
    /// Name to keep what was learned of the source by, for its next files.
    pub profile: Option<String>,
}

/// Reads a map file.
///
/// # Errors
/// [`WorkshopError::MapFile`] or [`WorkshopError::Map`].
pub fn read_map(path: &Path) -> Result<Map, WorkshopError> {
    let file = path.display().to_string();
    let text = std::fs::read_to_string(path)
        .map_err(|source| WorkshopError::MapFile { file: file.clone(), source })?;
    Map::from_toml_str(&text).map_err(|source| WorkshopError::Map { file, source })
}

/// Folder of source profiles, in that of the library.
const PROFILES: &str = "profiles";

/// Laps of a recording on a circuit, before anything is kept.
pub(crate) struct Placed {
    pub(crate) laps: Vec<Lap>,
    pub(crate) circuit: Option<(Circuit, bool)>,
    pub(crate) notes: Vec<String>,
}

impl Workshop {
    /// Reads a recording, finds its laps and circuit, and keeps it.
    ///
    /// # Errors
    /// [`WorkshopError`]; the library is unchanged then.
    pub fn import(
        &self,
        path: &Path,
        options: &ImportOptions,
        progress: &mut dyn FnMut(Progress),
    ) -> Result<Imported, WorkshopError> {
        let source = Source::File(path);
        let (reading, map) = match &options.map {
            Some(map) => (recording::read(source, map, progress)?, map.clone()),
            None => {
                let profiles = self.profiles()?;
                let (reading, fits) = recording::read_with(source, &profiles, progress)?;
                (reading, fits.and_then(|i| profiles.get(i)).cloned().unwrap_or_default())
            }
        };
        self.keep_reading(&[path], reading, &map, options)
    }

    /// Reads several files of one drive, each with clocks of its own, as one recording, and keeps it under the name of the
    /// first.
    ///
    /// # Errors
    /// As [`Workshop::import`].
    pub fn import_together(
        &self,
        paths: &[&Path],
        options: &ImportOptions,
        progress: &mut dyn FnMut(Progress),
    ) -> Result<Imported, WorkshopError> {
        let sources: Vec<_> = paths.iter().map(|p| Source::File(p)).collect();
        let map = options.map.clone().unwrap_or_default();
        let reading = recording::read_together(&sources, &map, progress)?;
        self.keep_reading(paths, reading, &map, options)
    }

    fn keep_reading(
        &self,
        paths: &[&Path],
        mut reading: Reading,
        map: &Map,
        options: &ImportOptions,
    ) -> Result<Imported, WorkshopError> {
        let named = |p: &Path| p.display().to_string();
        let file = paths.iter().map(|p| named(p)).collect::<Vec<_>>().join(" + ");
        let found = consistency::check(&reading.samples);
        let applied = if options.fix_signs {
            consistency::apply(&found.sign_fixes(), &mut reading.samples)
                .map_err(|source| WorkshopError::Fix { file: file.clone(), source })?
        } else {
            Vec::new()
        };
        let derived = derive::fill(&mut reading.samples);
        let digest = |p: &&Path| {
            let failed = |source| WorkshopError::Read(recording::ReadError::Open { file: named(p), source });
            library::Digest::of_file(p).map_err(failed)
        };
        let content = match paths {
            [one] => digest(one)?,
            _ => {
                let parts: Vec<_> = paths.iter().map(digest).collect::<Result<_, _>>()?;
                let text: Vec<_> = parts.iter().map(ToString::to_string).collect();
                library::Digest::of_bytes(text.join(" ").as_bytes())
            }
        };
        let placed = self.place(&file, &reading.samples, options)?;
        let stem = paths.first().and_then(|p| p.file_stem());
        let name_hint = stem.map_or_else(|| file.clone(), |s| s.to_string_lossy().into_owned());
        let names: Vec<_> = paths.iter().filter_map(|p| p.file_name()).map(|n| n.to_string_lossy()).collect();
        let new = NewRecording {
            name_hint,
            driver: options.driver.clone(),
            car: options.car.clone(),
            circuit: placed.circuit.as_ref().map(|(c, _)| c.name.clone()).or_else(|| options.circuit.clone()),
            source_name: names.join(" + "),
            content_sha256: Some(content),
            recorded_at: None,
            note: String::new(),
            report_json: serde_json::to_string(&reading.report)?,
            truth_json: None,
            laps: placed.laps.iter().map(stored).collect(),
        };
        let recording = self.library.add(new, &reading.samples)?;
        let circuit = self.keep_circuit(placed.circuit)?;
        let laps = self.library.laps_of(&recording.name)?;
        let profile = map.source_name().map(str::to_owned);
        if let Some(name) = &options.profile {
            let fixes = if options.fix_signs { found.sign_fixes() } else { Vec::new() };
            self.keep_profile(name, &map.learned(name, &reading.report).with_fixes(&fixes, &reading.report))?;
        }
        Ok(Imported {
            recording,
            laps,
            circuit,
            report: reading.report,
            profile,
            contradictions: found.contradictions,
            applied,
            derived,
            notes: placed.notes,
        })
    }

    /// Source profiles of the library, by name.
    fn profiles(&self) -> Result<Vec<Map>, WorkshopError> {
        let folder = self.library.path().join(PROFILES);
        let Ok(entries) = std::fs::read_dir(&folder) else { return Ok(Vec::new()) };
        let mut files: Vec<_> = entries.flatten().map(|e| e.path()).collect();
        files.retain(|f| f.extension().is_some_and(|e| e == "toml"));
        files.sort();
        files.iter().map(|f| read_map(f)).collect()
    }

    /// Keeps a source profile as a TOML file that its owner can read and change.
    fn keep_profile(&self, name: &str, profile: &Map) -> Result<(), WorkshopError> {
        let folder = self.library.path().join(PROFILES);
        let path = folder.join(format!("{}.toml", library::slug(name)));
        let failed = |source| WorkshopError::Profile { file: path.display().to_string(), source };
        std::fs::create_dir_all(&folder).map_err(failed)?;
        // Written beside and moved into place: a profile is whole or not there.
        let half = path.with_extension("half");
        std::fs::write(&half, profile.to_toml_string()).map_err(failed)?;
        std::fs::rename(&half, &path).map_err(failed)
    }

    /// Keeps a circuit that is new. After the recording: a circuit without one is harmless, the other way round it would
    /// claim a place that nobody drove.
    pub(crate) fn keep_circuit(
        &self,
        circuit: Option<(Circuit, bool)>,
    ) -> Result<Option<CircuitFound>, WorkshopError> {
        let Some((circuit, new)) = circuit else { return Ok(None) };
        if new {
            self.library.put_circuit(&circuit.name, &serde_json::to_string(&circuit)?)?;
        }
        Ok(Some(CircuitFound {
            length_m: circuit.length_m(),
            corners: circuit.corners.len(),
            name: circuit.name,
            new,
        }))
    }

    /// Finds laps and circuit of samples.
    fn place(&self, file: &str, samples: &Samples, options: &ImportOptions) -> Result<Placed, WorkshopError> {
        let split = |circuit: Option<&Circuit>| {
            laps::split(samples, &LapOptions { line: options.line, circuit })
                .map_err(|source| WorkshopError::Laps { file: file.to_owned(), source })
        };
        let first = split(None)?;
        let known = match &options.circuit {
            Some(name) if self.library.circuits()?.contains(name) => Some(self.circuit(name)?),
            Some(_) => None,
            None => self.circuit_by_shape(samples, &first)?,
        };
        if let Some(circuit) = known {
            let laps = split(Some(&circuit))?;
            if let Some(lap) = laps.iter().find(|l| l.kind == LapKind::Timed) {
                // A name that was given is a claim; it is checked before it is kept.
                lap_trace(samples, lap, &circuit)
                    .map_err(|source| WorkshopError::NotThere { file: file.to_owned(), source })?;
            }
            return Ok(Placed { laps, circuit: Some((circuit, false)), notes: Vec::new() });
        }
        let name = match &options.circuit {
            Some(name) => name.clone(),
            None => self.unused_circuit_name()?,
        };
        match Circuit::from_laps(&name, samples, &first) {
            // The circuit knows the line better than the first look did.
            Ok(circuit) => {
                Ok(Placed { laps: split(Some(&circuit))?, circuit: Some((circuit, true)), notes: Vec::new() })
            }
            Err(reason) => Ok(Placed {
                laps: first,
                circuit: None,
                notes: vec![format!("no circuit could be drawn, so no ledger can be made: {reason}")],
            }),
        }
    }
}

/// A lap as the library keeps it.
pub(crate) fn stored(lap: &Lap) -> StoredLap {
    StoredLap {
        number: lap.number,
        kind: match lap.kind {
            LapKind::Timed => library::LapKind::Timed,
            LapKind::Out => library::LapKind::Out,
            LapKind::In => library::LapKind::In,
            LapKind::Incomplete => library::LapKind::Incomplete,
        },
        start_s: lap.start_s,
        end_s: lap.end_s,
        lap_time_s: lap.lap_time_s,
        valid: lap.valid,
        notes: lap.notes.clone(),
    }
}

/// A lap of the library as the analyses see it.
pub(crate) fn as_lap(lap: &library::LapEntry) -> Lap {
    Lap {
        number: lap.lap_number,
        kind: match lap.kind {
            library::LapKind::Timed => LapKind::Timed,
            library::LapKind::Out => LapKind::Out,
            library::LapKind::In => LapKind::In,
            library::LapKind::Incomplete => LapKind::Incomplete,
        },
        start_s: lap.start_s,
        end_s: lap.end_s,
        lap_time_s: lap.lap_time_s,
        valid: lap.valid,
        notes: lap.notes.clone(),
    }
}
