//! The limit lap: what a car can do on a circuit.

pub mod circuit;
pub mod curvature;
pub mod fixed;
pub mod geometry;
mod interior;
mod small;

pub use circuit::{Circuit, CircuitError, Mend, Mesh};
pub use curvature::{CurvatureLine, minimum_curvature_line};
pub use fixed::{FixedLineError, Line, SpeedProfile, fixed_line};
