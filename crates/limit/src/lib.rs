//! The limit lap: how fast a car can go round a circuit, and on which line.
//!
//! Three methods, one answer ([`LimitLap`]): the quasi-steady-state lap on a given line ([`lap_on_line`]), on the
//! minimum-curvature line ([`lap_on_minimum_curvature`]), and the minimum-time lap, which finds line and speed together
//! ([`minimum_time`]). A car is any [`vehicle::envelope::Envelope`]; a circuit is read and checked by [`Circuit`].
//! Every lap is driven again by an independent integration ([`Certificate`]).
//!
//! ```
//! use limit::{Circuit, minimum_time};
//! use vehicle::envelope::GripEllipse;
//!
//! let mut file = String::from("x [m],y [m],width_left [m],width_right [m]\n");
//! for i in 0..80 {
//!     let t = std::f64::consts::TAU * f64::from(i) / 80.0;
//!     file += &format!("{},{},5,5\n", 90.0 * t.cos(), 60.0 * t.sin());
//! }
//! let circuit = Circuit::from_csv(&file)?;
//! let car = GripEllipse::from_toml_str(
//!     "[grip_ellipse]\nmass_kg = 1300\nmu_x = 1.6\nmu_y = 1.55\npower_w = 380e3\n",
//! )?;
//! let first = minimum_time(&circuit, &car, 3.0, None)?;
//! assert!(first.lap.converged);
//! // A changed car starts from the solution before.
//! let heavier = vehicle::envelope::GripEllipse { mass_kg: 1320.0, ..car };
//! let second = minimum_time(&circuit, &heavier, 3.0, first.warm.as_ref())?;
//! assert!(second.lap.lap_time_s > first.lap.lap_time_s);
//! # Ok::<(), Box<dyn std::error::Error>>(())
//! ```

mod certificate;
pub mod circuit;
pub mod curvature;
pub mod fixed;
pub mod geometry;
mod interior;
pub mod limit_lap;
mod mesh_error;
mod small;
mod time;

pub use certificate::{Certificate, Violation};
pub use circuit::{Circuit, CircuitError, Mend, Mesh};
pub use curvature::{CurvatureLine, minimum_curvature_line};
pub use fixed::{FixedLineError, Line, SpeedProfile, fixed_line};
pub use limit_lap::{
    DEFAULT_STEP_M, LimitError, LimitLap, Method, Sample, TimeSolution, WarmStart, lap_on_line,
    lap_on_minimum_curvature, minimum_time, minimum_time_refined, minimum_time_unchecked,
};
