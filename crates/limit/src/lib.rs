//! The limit lap: what a car can do on a circuit.

pub mod circuit;
pub mod fixed;
pub mod geometry;

pub use circuit::{Circuit, CircuitError, Mend, Mesh};
pub use fixed::{FixedLineError, Line, SpeedProfile, fixed_line};
