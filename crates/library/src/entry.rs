//! What goes in and what comes out: recordings, laps, circuits.

use crate::{Digest, LibraryError};
use channels::{Channel, Origin};
use jiff::{Timestamp, Unit};
use serde::{Deserialize, Serialize};
use std::collections::BTreeSet;
use std::fmt;
use std::str::FromStr;

/// Kind of a lap.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum LapKind {
    /// From line to line at speed; has a time.
    Timed,
    /// Leaves the pits or a standstill.
    Out,
    /// Ends in the pits or at a standstill.
    In,
    /// The recording begins or ends within it.
    Incomplete,
}

impl LapKind {
    const ALL: [Self; 4] = [Self::Timed, Self::Out, Self::In, Self::Incomplete];

    /// Word in files and JSON.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Timed => "timed",
            Self::Out => "out",
            Self::In => "in",
            Self::Incomplete => "incomplete",
        }
    }
}

impl fmt::Display for LapKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.as_str())
    }
}

/// A word that names no kind of lap.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{0}' is not a kind of lap: timed, out, in or incomplete was expected")]
pub struct UnknownLapKind(pub String);

impl FromStr for LapKind {
    type Err = UnknownLapKind;

    fn from_str(s: &str) -> Result<Self, UnknownLapKind> {
        Self::ALL.into_iter().find(|k| k.as_str() == s).ok_or_else(|| UnknownLapKind(s.to_owned()))
    }
}

/// A lap of a recording, as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StoredLap {
    /// Number, unique within the recording.
    pub number: i32,
    /// Kind.
    pub kind: LapKind,
    /// Start on the recording's clock \[s\].
    pub start_s: f64,
    /// End on the recording's clock \[s\], not before the start. A sample at the end belongs to the next lap.
    pub end_s: f64,
    /// Lap time \[s\], where the lap has one.
    pub lap_time_s: Option<f64>,
    /// Whether it may be compared with others.
    pub valid: bool,
    /// What is special about it, in words.
    pub notes: Vec<String>,
}

/// A recording on its way into the library.
#[derive(Debug, Clone, PartialEq)]
pub struct NewRecording {
    /// Text that the name is made of, e.g. the source's file name without its ending. See [`crate::slug`].
    pub name_hint: String,
    /// Driver, if known.
    pub driver: Option<String>,
    /// Car, if known.
    pub car: Option<String>,
    /// Circuit, if known.
    pub circuit: Option<String>,
    /// Name of the source, e.g. its file name.
    pub source_name: String,
    /// Fingerprint of the source; without one, that of the samples is taken.
    pub content_sha256: Option<Digest>,
    /// When it was driven, if known.
    pub recorded_at: Option<Timestamp>,
    /// Free text.
    pub note: String,
    /// What the reader said about the source: JSON, kept as it is.
    pub report_json: String,
    /// Planted truth of a made-up drive: JSON, kept as it is.
    pub truth_json: Option<String>,
    /// Laps.
    pub laps: Vec<StoredLap>,
}

/// A recording of the library.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RecordingEntry {
    /// Unique name, a [`crate::slug`].
    pub name: String,
    /// Driver, if known.
    pub driver: Option<String>,
    /// Car, if known.
    pub car: Option<String>,
    /// Circuit, if known.
    pub circuit: Option<String>,
    /// Name of the source.
    pub source: String,
    /// Fingerprint of the source.
    pub content_sha256: Digest,
    /// When it was driven (RFC 3339), if known.
    pub recorded_at: Option<Timestamp>,
    /// When it was imported (RFC 3339).
    pub imported_at: Timestamp,
    /// First time stamp \[s\].
    pub from_s: f64,
    /// Last time stamp minus the first \[s\].
    pub duration_s: f64,
    /// Number of laps.
    pub laps: usize,
    /// Free text.
    pub note: String,
    /// Tags, sorted.
    pub tags: BTreeSet<String>,
    /// Size of its files \[byte\].
    pub bytes: u64,
}

/// A recording in the trash.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RemovedEntry {
    /// What it was.
    #[serde(flatten)]
    pub recording: RecordingEntry,
    /// When it was removed (RFC 3339).
    pub removed_at: Timestamp,
}

/// A lap of the library.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LapEntry {
    /// `RECORDING:LAP`.
    pub id: LapId,
    /// Its recording.
    pub recording: String,
    /// Driver of the recording.
    pub driver: Option<String>,
    /// Car of the recording.
    pub car: Option<String>,
    /// Circuit of the recording.
    pub circuit: Option<String>,
    /// Number within the recording.
    pub lap_number: i32,
    /// Kind.
    pub kind: LapKind,
    /// Lap time \[s\], where the lap has one.
    pub lap_time_s: Option<f64>,
    /// Whether it may be compared with others.
    pub valid: bool,
    /// What is special about it, in words.
    pub notes: Vec<String>,
    /// Start on the recording's clock \[s\]. Not part of the JSON that users see.
    #[serde(skip)]
    pub start_s: f64,
    /// End on the recording's clock \[s\]. Not part of the JSON that users see.
    #[serde(skip)]
    pub end_s: f64,
}

/// Who drove what, and where. Part of every row of the sample files.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
pub struct Assignment {
    /// Driver, if known.
    pub driver: Option<String>,
    /// Car, if known.
    pub car: Option<String>,
    /// Circuit, if known.
    pub circuit: Option<String>,
}

/// A channel of a recording, without its values.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct ChannelEntry {
    /// The channel.
    pub channel: Channel,
    /// Number of its clock.
    pub clock: usize,
    /// Logged or derived.
    pub origin: Origin,
}

/// Name of a lap: `RECORDING:LAP`, e.g. `evening-two:3`.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct LapId {
    /// Name of the recording.
    pub recording: String,
    /// Number of the lap.
    pub number: i32,
}

impl fmt::Display for LapId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&format!("{}:{}", self.recording, self.number))
    }
}

impl FromStr for LapId {
    type Err = LibraryError;

    fn from_str(s: &str) -> Result<Self, LibraryError> {
        let parts = s.trim().rsplit_once(':');
        parts
            .and_then(|(r, n)| Some(Self { recording: r.to_owned(), number: n.parse().ok()? }))
            .filter(|id| !id.recording.is_empty())
            .ok_or_else(|| LibraryError::BadLapId(s.to_owned()))
    }
}

impl Serialize for LapId {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for LapId {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer)?.parse().map_err(serde::de::Error::custom)
    }
}

/// The time, to the millisecond.
pub(crate) fn now() -> Timestamp {
    let now = Timestamp::now();
    now.round(Unit::Millisecond).unwrap_or(now)
}

/// Laps that can be told apart and have a place in time.
pub(crate) fn checked_laps(laps: &[StoredLap]) -> Result<(), LibraryError> {
    let mut numbers = BTreeSet::new();
    for lap in laps {
        let n = lap.number;
        let bad = |what: String| Err(LibraryError::BadLaps(what));
        if !numbers.insert(n) {
            return bad(format!("two laps have the number {n}; give each lap of a recording its own"));
        }
        if !(lap.start_s.is_finite() && lap.end_s.is_finite() && lap.end_s >= lap.start_s) {
            return bad(format!(
                "lap {n} runs from {} s to {} s; a finite start and an end not before it were expected",
                lap.start_s, lap.end_s
            ));
        }
        if let Some(t) = lap.lap_time_s.filter(|t| !(t.is_finite() && *t > 0.0)) {
            return bad(format!("lap {n} has a lap time of {t} s; a positive number or none was expected"));
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lap_ids_read_as_they_print() {
        let id = LapId { recording: "evening-two".into(), number: 3 };
        assert_eq!(id.to_string(), "evening-two:3");
        assert_eq!("evening-two:3".parse::<LapId>().unwrap(), id);
        for bad in ["", ":", ":3", "evening-two", "evening-two:", "evening-two:three", "a:1.5"] {
            let message = bad.parse::<LapId>().unwrap_err().to_string();
            assert!(message.contains("RECORDING:LAP"), "{message}");
        }
    }

    #[test]
    fn kinds_read_as_they_print_and_as_json() {
        for kind in LapKind::ALL {
            assert_eq!(kind.to_string().parse(), Ok(kind));
            assert_eq!(serde_json::to_string(&kind).unwrap(), format!("\"{kind}\""));
        }
    }

    #[test]
    fn laps_that_contradict_are_refused_with_their_number() {
        let lap = |number, start_s, end_s, lap_time_s| StoredLap {
            number,
            kind: LapKind::Timed,
            start_s,
            end_s,
            lap_time_s,
            valid: true,
            notes: vec![],
        };
        assert!(checked_laps(&[lap(1, 0.0, 1.0, Some(1.0)), lap(2, 1.0, 1.0, None)]).is_ok());
        for (bad, found) in [
            (vec![lap(4, 0.0, 1.0, None), lap(4, 1.0, 2.0, None)], "number 4"),
            (vec![lap(5, 2.0, 1.0, None)], "lap 5 runs"),
            (vec![lap(6, f64::NAN, 1.0, None)], "lap 6 runs"),
            (vec![lap(7, 0.0, 1.0, Some(-1.0))], "lap 7 has a lap time"),
            (vec![lap(8, 0.0, 1.0, Some(f64::INFINITY))], "lap 8 has a lap time"),
        ] {
            let message = checked_laps(&bad).unwrap_err().to_string();
            assert!(message.contains(found), "{message}");
        }
    }
}
