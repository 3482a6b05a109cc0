//! What keeps two laps from being accounted for.

use channels::Channel;
use std::fmt;

/// One of the two laps of a pair.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Side {
    /// The lap that is explained.
    Lap,
    /// The lap it is measured against.
    Reference,
}

impl fmt::Display for Side {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Lap => "the lap",
            Self::Reference => "the reference",
        })
    }
}

/// Two laps that no ledger can be drawn up for.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LedgerError {
    /// Fewer than two places along the circuit.
    #[error(
        "{side} has {nodes} places along the circuit, a lap needs at least 2: project a whole lap onto it"
    )]
    Empty {
        /// Which lap.
        side: Side,
        /// Nodes found.
        nodes: usize,
    },
    /// A column of a lap has another length than its nodes.
    #[error(
        "{side} has {nodes} places along the circuit but {values} values of {column}: \
         project the lap onto the circuit again"
    )]
    Ragged {
        /// Which lap.
        side: Side,
        /// Column that does not fit.
        column: Column,
        /// Nodes of the lap.
        nodes: usize,
        /// Values found.
        values: usize,
    },
    /// A node of a lap is not a number, or not ahead of the one before.
    #[error(
        "place {node} of {side} is {s_m} m after {before_m} m: places must grow along the circuit; \
         project the lap onto the circuit again"
    )]
    Place {
        /// Which lap.
        side: Side,
        /// Index of the node.
        node: usize,
        /// Node before \[m\].
        before_m: f64,
        /// Node found \[m\].
        s_m: f64,
    },
    /// Time along the lap is not a number, or stands still or runs back.
    #[error(
        "time of {side} goes from {before_s} s to {time_s} s at {s_m:.1} m: it must grow from place to place; \
         project the lap onto the circuit again or leave it out"
    )]
    Time {
        /// Which lap.
        side: Side,
        /// Place \[m\].
        s_m: f64,
        /// Time one node before \[s\].
        before_s: f64,
        /// Time found \[s\].
        time_s: f64,
    },
    /// The two laps do not share their nodes.
    #[error(
        "the lap has {lap} places over {lap_m:.1} m and the reference {reference} over {reference_m:.1} m: \
         they do not lie on the same places of one circuit; project both onto it"
    )]
    Nodes {
        /// Nodes of the lap.
        lap: usize,
        /// Length of the lap \[m\].
        lap_m: f64,
        /// Nodes of the reference.
        reference: usize,
        /// Length of the reference \[m\].
        reference_m: f64,
    },
    /// The laps are longer or shorter than the circuit.
    #[error(
        "the laps run from {from_m:.1} m to {to_m:.1} m, but circuit '{circuit}' is {length_m:.1} m round: \
         project the laps onto this circuit first"
    )]
    Circuit {
        /// Name of the circuit.
        circuit: String,
        /// Its length \[m\].
        length_m: f64,
        /// First node of the laps \[m\].
        from_m: f64,
        /// Last node of the laps \[m\].
        to_m: f64,
    },
    /// There is nothing to split by.
    #[error(
        "circuit '{circuit}' has no corners, so the gap cannot be split by corner: learn it again from full laps"
    )]
    NoCorners {
        /// Name of the circuit.
        circuit: String,
    },
}

/// A column of a lap along the circuit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Column {
    /// Time since the line.
    Time,
    /// Place across the road.
    Offset,
    /// A logged or derived channel.
    Channel(Channel),
}

impl fmt::Display for Column {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Time => f.write_str("time"),
            Self::Offset => f.write_str("offset"),
            Self::Channel(channel) => channel.fmt(f),
        }
    }
}
