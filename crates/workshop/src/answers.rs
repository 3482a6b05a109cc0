//! What the workshop answers: the same serde values for `--json` and for the desk's API.

use ledger::Phase;
use library::{ChannelEntry, LapEntry, RecordingEntry};
use recording::consistency::{Applied, Contradiction};
use recording::derive::Derivation;
use recording::{Ability, Report};
use serde::Serialize;

/// What the library holds, recording by recording.
#[derive(Debug, Clone, Serialize)]
pub struct LibraryAnswer {
    /// Name of the library's folder.
    pub name: String,
    /// All recordings, newest drive first.
    pub recordings: Vec<RecordingEntry>,
}

/// What became of one file.
#[derive(Debug, Clone, Serialize)]
pub struct Imported {
    /// The recording as it is kept now.
    pub recording: RecordingEntry,
    /// Its laps.
    pub laps: Vec<LapEntry>,
    /// The circuit that the laps lie on; null when no lap was complete.
    pub circuit: Option<CircuitFound>,
    /// What the reader found in the file.
    pub report: Report,
    /// Source profile that was applied.
    pub profile: Option<String>,
    /// Channels that contradict one another.
    pub contradictions: Vec<Contradiction>,
    /// Signs that were turned.
    pub applied: Vec<Applied>,
    /// Channels that were computed from others.
    pub derived: Vec<Derivation>,
    /// What is to be known about laps and circuit, in sentences.
    pub notes: Vec<String>,
}

/// The channels of a recording and what can be done with them.
#[derive(Debug, Clone, Serialize)]
pub struct ChannelsAnswer {
    /// The channels.
    pub channels: Vec<ChannelEntry>,
    /// What each analysis can do with them, and what would unlock the rest.
    pub abilities: Vec<Ability>,
}

/// The circuit of an import.
#[derive(Debug, Clone, Serialize)]
pub struct CircuitFound {
    /// Its name.
    pub name: String,
    /// Length of its centre line \[m\].
    pub length_m: f64,
    /// Number of corners.
    pub corners: usize,
    /// Drawn from this recording, as opposed to known before.
    pub new: bool,
}

/// Two laps over the same circuit, node by node: the evidence behind a ledger.
#[derive(Debug, Clone, Serialize)]
pub struct Comparison {
    /// The circuit as a drawing.
    pub circuit: CircuitDrawing,
    /// n nodes along the centre line, from the line to the line \[m\].
    pub s_m: Vec<f64>,
    /// The lap.
    pub lap: LapColumns,
    /// What it is measured against.
    pub reference: LapColumns,
    /// Time lost since the line at each node \[s\]; positive when the lap is behind.
    pub gap_s: Vec<f64>,
    /// The stretches of the ledger, in driving order.
    pub phases: Vec<PhaseSpan>,
}

/// A circuit as a drawing, points at the nodes.
#[derive(Debug, Clone, Serialize)]
pub struct CircuitDrawing {
    /// Its name.
    pub name: String,
    /// Length of the centre line \[m\].
    pub length_m: f64,
    /// Centre line.
    pub map: Polyline,
    /// Borders, where known.
    pub borders: Option<Borders>,
}

/// Points \[m\].
#[derive(Debug, Clone, Serialize)]
pub struct Polyline {
    /// To the east, or along the source's first axis.
    pub x_m: Vec<f64>,
    /// 90 degrees anticlockwise from x.
    pub y_m: Vec<f64>,
}

/// Track borders, points at the nodes \[m\].
#[derive(Debug, Clone, Serialize)]
#[allow(missing_docs)]
pub struct Borders {
    pub left_x_m: Vec<f64>,
    pub left_y_m: Vec<f64>,
    pub right_x_m: Vec<f64>,
    pub right_y_m: Vec<f64>,
}

/// One lap, a value per node. A channel that was not logged is null.
#[derive(Debug, Clone, Serialize)]
pub struct LapColumns {
    /// `RECORDING:NUMBER`.
    pub id: String,
    /// Who drove.
    pub driver: Option<String>,
    /// Line to line \[s\].
    pub lap_time_s: f64,
    /// Since the line \[s\].
    pub time_s: Vec<f64>,
    /// Driven line \[m\].
    pub x_m: Vec<f64>,
    /// Driven line \[m\].
    pub y_m: Vec<f64>,
    /// Left of the centre line \[m\].
    pub offset_m: Vec<f64>,
    /// Speed over ground \[m/s\].
    pub speed_mps: Option<Vec<f64>>,
    /// Brake, 0 to 1.
    pub brake: Option<Vec<f64>>,
    /// Throttle, 0 to 1.
    pub throttle: Option<Vec<f64>>,
    /// Steering wheel, left positive \[rad\].
    pub steering_wheel_angle_rad: Option<Vec<f64>>,
    /// Gear.
    pub gear: Option<Vec<f64>>,
}

/// A stretch of the ledger.
#[derive(Debug, Clone, Serialize)]
pub struct PhaseSpan {
    /// Corner, `T1` and on.
    pub corner: String,
    /// Part of the way through it.
    pub phase: Phase,
    /// Where it begins \[m\].
    pub from_m: f64,
    /// Where it ends \[m\].
    pub to_m: f64,
}
