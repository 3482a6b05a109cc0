//! What was planted in a recording, and what it cost.
//!
//! A fault is priced by simulating again without it: same car, same day, same human scatter at the same places. A
//! fault of one corner is priced lap by lap: the drive is taken up shortly before its first effect and driven on
//! without the fault until speed and place are those of the recorded drive again. A fault that acts everywhere (car,
//! rig, a tired driver) is priced by driving the whole stint again. Seconds are positive when the fault loses time.

use crate::faults::{CarFault, DriverFault, Owner, RigFault};
use serde::{Deserialize, Serialize};
use track::Direction;

/// Everything that is known of a recording because it was made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Truth {
    /// Name of the recording.
    pub recording: String,
    /// Name of the circuit.
    pub circuit: String,
    /// Seed of the human scatter.
    pub seed: u64,
    /// Samples per second of the fast channels.
    pub rate_hz: f64,
    /// All laps in driving order, the out-lap first.
    pub laps: Vec<TrueLap>,
    /// Corners in driving order, from the plan of this driver without faults.
    pub corners: Vec<TrueCorner>,
    /// The faults and their costs.
    pub planted: Vec<Planted>,
    /// Times of the timed laps of the same stint driven without any of the faults \[s\].
    pub lap_times_without_faults_s: Vec<f64>,
    /// Lap times less those \[s\], per timed lap.
    pub total_cost_s_per_lap: Vec<f64>,
    /// Their mean \[s\].
    pub total_cost_s_mean: f64,
    /// Mean cost of all faults by section \[s\]; one per corner. The sum is the mean over the laps' sections.
    pub total_cost_by_section_s: Vec<f64>,
    /// The car as it was driven.
    pub car: TrueCar,
    /// The rig as it was.
    pub rig: TrueRig,
    /// What was done in each corner of each timed lap.
    pub driven: Vec<Vec<DrivenCorner>>,
}

/// Kind of a lap.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum TrueLapKind {
    /// From a rolling start beyond the line to the line.
    Out,
    /// From line to line.
    Timed,
    /// Broken off.
    Incomplete,
}

/// A lap.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct TrueLap {
    /// Lap counter of the recording; 0 is the out-lap.
    pub lap: u32,
    /// Kind.
    pub kind: TrueLapKind,
    /// Time on the recording's clock when it began \[s\].
    pub start_s: f64,
    /// Lap time \[s\]; none unless timed.
    pub lap_time_s: Option<f64>,
    /// Farthest that a wheel was beyond a border \[m\].
    pub off_track_m: f64,
}

/// A corner; places are on the centre line, from the start line \[m\].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrueCorner {
    /// From 1 in driving order.
    pub number: usize,
    /// Its name.
    pub name: String,
    /// Side to which it turns.
    pub direction: Direction,
    /// Begin of its section: faults of this corner show from here on \[m\].
    pub section_begin_m: f64,
    /// Where braking begins; none when it is taken without \[m\].
    pub brake_on_m: Option<f64>,
    /// Where the wheel turns \[m\].
    pub turn_in_m: f64,
    /// Closest to the inner border \[m\].
    pub apex_m: f64,
    /// Lowest speed \[m\].
    pub slowest_m: f64,
    /// Where the throttle goes down again \[m\].
    pub throttle_pickup_m: f64,
    /// Where the wheel is nearly straight again \[m\].
    pub exit_m: f64,
}

/// What can be planted.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(untagged)]
pub enum Fault {
    /// In the driver.
    Driver(DriverFault),
    /// In the car.
    Car(CarFault),
    /// In the rig.
    Rig(RigFault),
}

/// A planted fault and its cost.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Planted {
    /// Whose it is.
    pub owner: Owner,
    /// Number of the corner, from 1; none when it acts everywhere.
    pub corner: Option<usize>,
    /// What, and how much.
    pub fault: Fault,
    /// Cost \[s\] per timed lap.
    pub cost_s_per_lap: Vec<f64>,
    /// Their mean \[s\].
    pub cost_s_mean: f64,
    /// Mean cost \[s\] within the corner's own section; the rest shows further on. None when it acts everywhere.
    pub cost_s_in_own_section: Option<f64>,
}

/// What the analyses may find out about the car.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrueCar {
    /// Its name.
    pub name: String,
    /// Wheelbase \[m\].
    pub wheelbase_m: f64,
    /// Centre of gravity behind the front axle, without fuel \[m\].
    pub front_axle_to_cg_m: f64,
    /// Mass with driver, without fuel \[kg\].
    pub mass_kg: f64,
    /// Height of the centre of gravity \[m\].
    pub cg_height_m: f64,
    /// Steering wheel over road wheel \[-\].
    pub steering_ratio: f64,
    /// Front share of the roll stiffness \[-\].
    pub front_roll_share: f64,
    /// Front share of the brake torque \[-\].
    pub brake_bias_front: f64,
    /// Rear wing \[rad\].
    pub wing_rad: f64,
    /// Cold gauge pressures fl, fr, rl, rr \[Pa\].
    pub cold_pressure_pa: [f64; 4],
}

/// What the analyses may find out about the rig.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct TrueRig {
    /// Gain of the force feedback \[-\].
    pub force_feedback_gain: f64,
    /// Torque at the steering wheel that is full command at gain 1 \[N m\].
    pub full_scale_nm: f64,
    /// Share of the timed laps with the command at its ceiling \[0..1\].
    pub share_of_time_clipped: f64,
    /// Highest gain that would not have clipped on the timed laps \[-\].
    pub highest_gain_without_clipping: f64,
    /// Steering wheel as shown over the shaft's angle \[-\].
    pub steering_shown_over_true: f64,
    /// Share of the brake pedal's travel at which it reads full \[0..1\].
    pub brake_full_at: f64,
    /// Steps of the brake pedal; 0 is fine enough not to count.
    pub brake_levels: u32,
}

/// What was done in a corner on one lap; places on the centre line \[m\].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DrivenCorner {
    /// Number of the corner, from 1.
    pub corner: usize,
    /// Lowest speed \[m/s\].
    pub lowest_speed_mps: f64,
    /// Where \[m\].
    pub lowest_speed_at_m: f64,
    /// Where the brake first exceeded 4 % \[m\].
    pub brake_on_m: Option<f64>,
    /// Where it was last above that \[m\].
    pub brake_off_m: Option<f64>,
    /// Highest brake at the car \[0..1\].
    pub brake_peak: f64,
    /// Where, after the slowest point, the throttle first exceeded 10 % \[m\].
    pub throttle_on_m: Option<f64>,
    /// Where it reached 98 % \[m\].
    pub throttle_full_m: Option<f64>,
}
