//! Tyres: forces by the Magic Formula, gas, heat, and what ties them together in a car file.

pub mod bakker1987;
mod coefficients;
mod magic_formula;

pub use coefficients::MagicFormula;
pub use magic_formula::{Forces, LoadedTyre, Side};
