//! Invented cars to start from, also the cars of the demo. Each is a car file.

/// Closed GT-class car with wing, rear-wheel drive, traction control and anti-lock.
pub const GT: &str = include_str!("../cars/gt.toml");
/// Touring car with front-wheel drive and little downforce.
pub const TOURING: &str = include_str!("../cars/touring.toml");
/// Open single-seater with much downforce that depends on ride height.
pub const SINGLE_SEATER: &str = include_str!("../cars/single_seater.toml");

/// All examples with a short name.
pub const ALL: [(&str, &str); 3] = [("gt", GT), ("touring", TOURING), ("single_seater", SINGLE_SEATER)];
