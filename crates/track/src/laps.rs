//! Laps of a recording, with the line's crossing times between the samples.

use channels::MissingChannel;
use serde::{Deserialize, Serialize};

use crate::Circuit;

/// Why no lap could be told.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LapError {
    /// Less than two samples.
    #[error("the recording has {0} sample(s); at least two are needed to tell a lap")]
    TooShort(usize),
    /// Nothing that tells where a lap ends.
    #[error(
        "nothing tells where a lap begins: the recording has neither a lap counter (lap), nor a lap distance (lap_distance), \
         nor positions (x, y). Log one of them, or map a column to it with --map"
    )]
    NoSource,
    /// A channel is missing for what was asked.
    #[error(transparent)]
    Missing(#[from] MissingChannel),
    /// The given line was never crossed.
    #[error(
        "the line at x {x_m:.1} m, y {y_m:.1} m is never crossed in its direction: the drive passes it at {nearest_m:.1} m \
         at best. Check the point, the direction and the unit"
    )]
    LineNotCrossed {
        /// Place of the line \[m\].
        x_m: f64,
        /// Place of the line \[m\].
        y_m: f64,
        /// Smallest distance between the drive and the point \[m\].
        nearest_m: f64,
    },
    /// A line without place or direction.
    #[error("the line needs a finite point, a direction and a half width above 0 m")]
    BadLine,
}

/// A gate across the road: laps are counted where the car passes it in its direction.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// Place of the gate \[m\].
    pub x_m: f64,
    /// Place of the gate \[m\].
    pub y_m: f64,
    /// Driving direction across it \[rad\], anticlockwise from x.
    pub heading_rad: f64,
    /// Reach of the gate to each side \[m\].
    pub half_width_m: f64,
}

/// What is known before the laps are told.
#[derive(Debug, Clone, Copy, Default)]
pub struct LapOptions<'a> {
    /// A line to cross on x, y; it goes before all other sources.
    pub line: Option<Line>,
    /// The circuit: its start line, its length, and its borders for laps off the track.
    pub circuit: Option<&'a Circuit>,
}

/// What a lap is good for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum LapKind {
    /// From line to line without a stop in the pits.
    Timed,
    /// From a start elsewhere, or out of the pits, to the line.
    Out,
    /// From the line to a stop.
    In,
    /// Begins or ends in the middle of the drive.
    Incomplete,
}

/// A lap of a recording.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Lap {
    /// Number the source counts it by; counted from 0 for what lies before the first line where the source counts none.
    pub number: i32,
    /// What it is good for.
    pub kind: LapKind,
    /// Crossing of the line, or begin of the part \[s, clock of the recording\].
    pub start_s: f64,
    /// Crossing of the line, or end of the part \[s, clock of the recording\].
    pub end_s: f64,
    /// From line to line \[s\]; none unless timed.
    pub lap_time_s: Option<f64>,
    /// Whether the lap counts: timed, on the track, without stop, jump or a hole that a corner fits in.
    pub valid: bool,
    /// Sentences on what is special about it, empty for a plain lap.
    pub notes: Vec<String>,
}
