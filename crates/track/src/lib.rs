//! Where a car was on a circuit: laps, the circuit's line and corners, a lap over the common coordinate, phases.
//!
//! * [`laps::split`] finds the laps of a recording and when the line was crossed, well below a sample.
//! * [`Circuit`] is a smooth closed line over arc length, s = 0 at the start line, with corners T1..Tn.
//! * [`trace::LapTrace`] is a lap at the circuit's nodes: time, offset and every channel.
//! * [`phases::CornerPhases`] tells where approach, entry, mid-corner, exit and straight began.
//!
//! Everything is a pure function of [`channels::Samples`]; SI and ISO 8855 (curvature, offsets and headings are positive
//! to the left). Keys such as `[GreenSilverman1994]` resolve in `docs/references.md`.

mod build;
mod circuit;
mod corners;
mod crossing;
pub mod laps;
#[cfg(test)]
mod made_up;
mod path;
pub mod phases;
pub mod projection;
pub mod spline;
pub mod trace;

pub use circuit::{CentrePoint, Circuit, CircuitError, Corner, Direction};
pub use laps::{Lap, LapError, LapKind, LapOptions, Line};
pub use phases::CornerPhases;
pub use trace::{LapTrace, TraceError};
