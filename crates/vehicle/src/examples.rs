//! Invented cars to start from, also the cars of the demo.

/// Closed GT-class car with wing, rear-wheel drive, traction control and anti-lock.
pub const GT: &str = include_str!("../cars/gt.toml");
