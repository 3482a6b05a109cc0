//! The car: file, tyres, loads, grip envelope, steady state and transient simulation.

pub mod envelope;
mod error;

pub use error::CarError;
