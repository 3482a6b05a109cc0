//! What can be planted: faults of the driver by corner, of the car and of the rig.

use serde::{Deserialize, Serialize};

/// Who owns a fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Owner {
    /// How it is driven.
    Driver,
    /// How the car is set up.
    Car,
    /// Wheel, pedals and what the program makes of them.
    Rig,
}

/// A habit of the driver.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "snake_case")]
pub enum DriverFault {
    /// Begins to brake this much too early \[m\], with the usual effort, and lets go earlier.
    BrakesEarly {
        /// Distance \[m\].
        size_m: f64,
    },
    /// Brakes with less than the usual effort, and so begins earlier.
    BrakesSoftly {
        /// Share of the effort that is missing \[0..1\].
        share: f64,
    },
    /// Is off the brake when the wheel begins to turn.
    NoTrailBraking,
    /// Rolls with both pedals up before the throttle.
    Coasts {
        /// Distance \[m\].
        size_m: f64,
    },
    /// Goes through the middle below what the tyres hold.
    SlowMidCorner {
        /// Share of the speed that is missing \[0..1\].
        share: f64,
    },
    /// Goes on the throttle too late.
    LateThrottle {
        /// Distance \[m\].
        size_m: f64,
    },
    /// Stays away from the inner border at the apex.
    WideOfApex {
        /// Distance \[m\].
        size_m: f64,
    },
    /// Turns in before the place that the line asks for, and runs wide at the exit.
    EarlyTurnIn {
        /// Distance \[m\].
        size_m: f64,
    },
    /// Brake point, speed and throttle scatter more than elsewhere.
    Inconsistent {
        /// Times the usual scatter.
        factor: f64,
    },
    /// From a lap on, loses grip use with every lap and scatters more; in all corners.
    Tired {
        /// First lap on which it shows, 1 = first timed lap.
        from_lap: u32,
        /// Share of the grip use lost per lap \[0..1\].
        share_per_lap: f64,
    },
}

/// A change of the car away from its healthy setup.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "snake_case")]
pub enum CarFault {
    /// Front share of roll stiffness, moved by this much between the bars \[-\]; positive understeers.
    RollBalance {
        /// Added to the front share.
        front_share: f64,
    },
    /// Toe added to both front wheels \[rad\], positive toe-in.
    FrontToe {
        /// Angle \[rad\].
        size_rad: f64,
    },
    /// Toe added to both rear wheels \[rad\], positive toe-in.
    RearToe {
        /// Angle \[rad\].
        size_rad: f64,
    },
    /// Front share of the brake torque, moved by this much \[-\].
    BrakeBias {
        /// Added to the front share.
        front_share: f64,
    },
    /// Rear wing, turned by this much \[rad\]; positive is more wing.
    Wing {
        /// Angle \[rad\].
        size_rad: f64,
    },
    /// Cold pressure of one tyre, changed by this much \[Pa\].
    Pressure {
        /// The wheel, 0..4 in the order fl, fr, rl, rr.
        wheel: usize,
        /// Gauge pressure added \[Pa\].
        size_pa: f64,
    },
    /// Camber added to both front wheels \[rad\]; negative leans further in.
    FrontCamber {
        /// Angle \[rad\].
        size_rad: f64,
    },
    /// All damper rates of the front axle times this.
    FrontDamper {
        /// Factor.
        factor: f64,
    },
    /// Ride height added on the rear axle \[m\].
    RearRideHeight {
        /// Height \[m\].
        size_m: f64,
    },
    /// Ride height added on both axles \[m\].
    RideHeight {
        /// Height \[m\].
        size_m: f64,
    },
    /// Opening of all brake ducts, changed by this much \[-\].
    Ducts {
        /// Added to the opening.
        opening: f64,
    },
}

/// A fault between the driver's hands and feet and the program.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "what", rename_all = "snake_case")]
pub enum RigFault {
    /// Force-feedback gain times this; above the headroom it clips and hides the loaded corners from the hands.
    ForceFeedbackGain {
        /// Factor on the healthy gain.
        factor: f64,
    },
    /// The wheel shown by the program turns this many times the wheelbase's shaft.
    SteeringMismatch {
        /// Shown over true.
        factor: f64,
    },
    /// The brake pedal reports full from this share of its travel on.
    BrakeSaturates {
        /// Share of the travel \[0..1\].
        at: f64,
    },
    /// The brake pedal reports only this many steps.
    BrakeCoarse {
        /// Steps from released to full.
        levels: u32,
    },
}
