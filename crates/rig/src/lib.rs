//! Rig check: does the rig tell the truth, before anybody blames the driver?
//!
//! | module | question |
//! |---|---|
//! | [`forces`] | does the force feedback clip, and which gain keeps the loaded corners under the ceiling? |
//! | [`motor`] | does the motor answer in proportion, and which table makes it so? |
//! | [`pedals`] | do the pedals reach both ends, quietly, finely and the same way each time? |
//! | [`steering`] | does the wheel on the screen turn as the wheel in the hands does, and when? |
//! | [`view`] | which angles does the screen fill, and how many apexes are in view at turn-in? |
//! | [`timing`] | do samples come evenly, and how late does an input arrive? |
//!
//! Every check is a pure function and returns an [`Outcome`]: an [`Answer`] with a verdict, numbers and sentences, or the
//! channels that would unlock it. Input that makes no sense is an error of the module. SI and ISO 8855 throughout; keys
//! such as `[Tobin1958]` resolve in `docs/references.md`.

mod answer;
pub mod forces;
pub mod isotonic;
pub mod motor;
pub mod pedals;
mod regression;
pub mod signal;
mod stats;
pub mod steering;
pub mod timing;
pub mod view;

pub use answer::{Answer, Caution, Finding, Outcome, Unlock, Verdict};
