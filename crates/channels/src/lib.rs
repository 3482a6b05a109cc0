//! Quantities of a recorded drive: what a channel means, in which unit, with which sign.
//!
//! Everything behind this crate's types is SI (m, s, kg, N, Pa, K, rad) in ISO 8855 axes: x forward, y left, z up,
//! right-handed. Steering, yaw rate and lateral acceleration are positive in a left turn; braking is a negative
//! `accel_x`. Files are converted once, at the edge, with [`Unit`]; pages convert back once, when they print.
//!
//! * [`Channel`] is the vocabulary: a closed set of names with dimension, meaning and plausible range.
//! * [`Unit`] turns a value of a file into SI.
//! * [`Samples`] holds the channels of one recording in memory, each on the clock it was logged with.
//!
//! The crate does no input or output and knows no file format.

mod channel;
mod samples;
mod spelling;
mod unit;

pub use channel::{Channel, Interpolation, Wheel};
pub use samples::{ClockId, MissingChannel, Origin, Samples, SamplesError, View};
pub use spelling::edit_distance;
pub use unit::{Dimension, Unit, UnknownUnit, units_of};

/// Standard acceleration of free fall \[m/s²\], exact.
///
/// # Source
/// `[BIPM-SI]` appendix 4; 3rd CGPM (1901).
pub const STANDARD_GRAVITY_MPS2: f64 = 9.80665;

/// Standard atmosphere \[Pa\], exact: the ambient pressure that is assumed where none was logged.
///
/// # Source
/// `[BIPM-SI]`; 10th CGPM (1954), resolution 4.
pub const STANDARD_ATMOSPHERE_PA: f64 = 101_325.0;
