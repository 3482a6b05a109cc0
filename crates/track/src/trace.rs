//! A lap over the common coordinate of its circuit.

use channels::{Channel, MissingChannel};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Why a lap has no trace on a circuit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TraceError {
    /// The lap is not timed.
    #[error("lap {0} is not timed from line to line and cannot be laid over others; choose a timed lap")]
    NotTimed(i32),
    /// Nothing to tell the place from.
    #[error("lap {number} cannot be placed on the circuit without x, y or lap_distance: {source}")]
    Missing {
        /// Number of the lap.
        number: i32,
        /// The channel that would help.
        source: MissingChannel,
    },
    /// Fewer than two samples in the lap.
    #[error("lap {number} holds {samples} sample(s) with a place; at least {FEWEST_SAMPLES} are needed")]
    TooFew {
        /// Number of the lap.
        number: i32,
        /// Samples with a place.
        samples: usize,
    },
    /// Positions that do not belong to this circuit.
    #[error(
        "lap {number} is not a lap of '{circuit}': {time_s:.1} s into the recording it is {off_m:.0} m beside the line \
         (at {s_m:.0} m). Was another circuit driven, or are the positions in another frame?"
    )]
    OtherCircuit {
        /// Number of the lap.
        number: i32,
        /// Name of the circuit.
        circuit: String,
        /// Where it was noticed \[s\].
        time_s: f64,
        /// Abscissa there \[m\].
        s_m: f64,
        /// Distance from the centre line \[m\].
        off_m: f64,
    },
    /// The distance driven does not fit the circuit.
    #[error(
        "lap {number} is {lap_m:.0} m long by {channel}, but '{circuit}' is {circuit_m:.0} m; was another circuit driven, \
         or is {channel} in another unit?"
    )]
    OtherLength {
        /// Number of the lap.
        number: i32,
        /// Length of the lap \[m\].
        lap_m: f64,
        /// Channel it was taken from.
        channel: Channel,
        /// Name of the circuit.
        circuit: String,
        /// Its length \[m\].
        circuit_m: f64,
    },
    /// The car never moved.
    #[error("lap {0} has no speed above walking pace, so it has no distance; choose another lap")]
    Standing(i32),
}

/// Fewest samples with a place that make a trace.
pub(crate) const FEWEST_SAMPLES: usize = 10;

/// A lap at the nodes of its circuit ([`Circuit::nodes_m`](crate::Circuit::nodes_m)); all lists have one value per node.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LapTrace {
    /// Abscissa \[m\]: even, from 0 to the length of the circuit, the same for every lap of the circuit.
    pub s_m: Vec<f64>,
    /// Time since the line \[s\]: strictly increasing, exactly 0 first and the lap time last.
    pub time_s: Vec<f64>,
    /// Driven line, to the left of the centre line \[m\]; NaN where the recording has no positions.
    pub offset_m: Vec<f64>,
    /// Readings \[SI\] at the nodes; NaN in holes of the recording.
    pub channels: BTreeMap<Channel, Vec<f64>>,
}
