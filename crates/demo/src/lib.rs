//! A made-up world to learn in: circuit, car and drivers, simulated, with planted faults and their truth.
//!
//! ```text
//! layout  segments, closed exactly ─► line   stations, racing line, path ─► plan    line and speed of one lap
//! faults  what can be planted ────────────────────────────────────────────► plan, car, rig
//! driver  hands and feet on the plan ─► stint  the transient simulation, lap after lap ─► record   channels
//! price   the same stint without a fault ─► truth   what each fault costs
//! season  who drives when, with what
//! ```
//!
//! Nothing is drawn by hand: every channel comes out of [`vehicle::simulation`], driven by pedals and steering wheel.
//! All is decided by the seed: the same seed gives the same bits, on any number of threads, as far as the platform's
//! mathematical functions agree. SI and ISO 8855.
//!
//! ```
//! let look = demo::first_look(1, &|_| {})?;
//! let learner = &look.recordings[1];
//! assert_eq!(learner.role, demo::Role::Learner);
//! assert!(learner.truth.planted.iter().all(|fault| fault.cost_s_mean > 0.0));
//! # Ok::<(), demo::DemoError>(())
//! ```

mod driver;
pub mod faults;
mod feel;
pub mod layout;
mod line;
mod noise;
mod plan;
mod price;
mod record;
mod season;
mod stint;
pub mod truth;

pub use layout::Layout;
pub use season::{Progress, Recording, Role, Season, away_day, first_look, season};
pub use truth::Truth;

/// Why the demo could not be made.
#[derive(Debug, thiserror::Error)]
pub enum DemoError {
    /// The circuit's drawing does not close.
    #[error("the demo's circuit: {0}")]
    Layout(#[from] layout::LayoutError),
    /// The racing line does not fit between the borders.
    #[error("the demo's racing line: {0}")]
    Line(#[from] limit::CircuitError),
    /// The car is impossible.
    #[error("the demo's car: {0}")]
    Car(#[from] vehicle::CarError),
    /// The driver left the road and did not come back.
    #[error("the demo's driver lost the car on lap {lap} at {at_m:.0} m; make the demo with another seed")]
    Lost {
        /// Lap, 0 is the out-lap.
        lap: u32,
        /// Place \[m\].
        at_m: f64,
    },
    /// Samples that cannot be held.
    #[error("the demo's recording: {0}")]
    Samples(#[from] channels::SamplesError),
}
