//! The car: file, tyres, loads, grip envelope, steady state and transient simulation.
//!
//! ```text
//! car file (TOML) ─► car_file::CarFile ─┬► car::Car ─┬► simulation::Simulation  a driver's pedals in, 1 kHz states out
//!                                       │            ├► steady                  trim, ISO 4138, limit balance
//!                                       │            ├► ggv::GgvTable ─┐        envelope of the full car
//!                                       │            └► check::check   │        the report of `car check`
//!                                       └► envelope::GripEllipse ──────┴► envelope::Envelope  what lap planners ask
//! ```
//!
//! | module | what it answers |
//! |---|---|
//! | [`car`], [`examples`] | what a car is; three invented ones |
//! | [`tyre`] | forces of a tyre at load, camber, pressure, slip |
//! | [`loads`] | what each wheel carries |
//! | [`axle_grip`] | the most an axle can push in a direction |
//! | [`envelope`], [`ggv`] | the most the car can do at each speed, with derivatives |
//! | [`steady`] | trim, understeer gradient, balance, yaw moment |
//! | [`single_track`] | closed forms of the linear car |
//! | [`simulation`] | the car being driven |
//! | [`road_roughness`] | ISO 8608 roads |
//! | [`check`] | is this car file credible |
//!
//! Everything is a pure function of its arguments; no files are read here. Axes are ISO 8855 (x forward, y left,
//! z up; left turn, left steer and yaw to the left positive), units SI, kelvin and pascal.
//!
//! ```
//! use vehicle::car::Car;
//! use vehicle::simulation::{Controls, Road, Simulation, SimulationOptions};
//!
//! let car = Car::from_toml_str(vehicle::examples::GT)?;
//! let mut simulation = Simulation::new(&car, SimulationOptions::default())?;
//! simulation.place(0.0, 0.0, 0.0, 30.0);
//! for _ in 0..1000 {
//!     simulation.step(&Controls { throttle: 0.6, steering_wheel_angle_rad: 0.3, ..Default::default() }, &Road::default());
//! }
//! let state = simulation.state();
//! assert!(state.yaw_rate_radps > 0.0 && state.wheels.fr.load_n > state.wheels.fl.load_n);
//! # Ok::<(), vehicle::CarError>(())
//! ```

pub mod axle_grip;
pub mod car;
pub mod car_file;
pub mod check;
pub mod envelope;
mod error;
pub mod examples;
pub mod ggv;
pub mod loads;
pub mod road_roughness;
pub mod simulation;
pub mod single_track;
pub mod steady;
pub mod tyre;
mod units;
pub mod wheels;

pub use error::CarError;
