//! A made-up world to learn in: circuit, car and drivers, simulated, with planted faults and their truth.

pub mod layout;

pub use layout::{CentrePoint, Layout};
