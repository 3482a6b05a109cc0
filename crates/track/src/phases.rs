//! The phases of each corner, as one lap drove them.

use serde::{Deserialize, Serialize};

/// Where the phases of one corner begin, for one lap. `0 ≤ approach ≤ entry ≤ mid ≤ exit ≤ straight ≤ length`, and the
/// straight ends no later than the approach to the next corner begins.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CornerPhases {
    /// Index into the circuit's corners.
    pub corner: usize,
    /// Approach: brake onset or lift \[m\].
    pub approach_m: f64,
    /// Entry: turn-in \[m\].
    pub entry_m: f64,
    /// Mid-corner: brake released, near the slowest place \[m\].
    pub mid_m: f64,
    /// Exit: throttle picked up \[m\].
    pub exit_m: f64,
    /// Straight: full throttle and the wheel straight again, until the approach to the next corner \[m\].
    pub straight_m: f64,
}
