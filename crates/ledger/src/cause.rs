//! Names of causes, in the order in which a corner is driven.

use serde::Serialize;
use std::fmt;

/// Why the time went.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// The throttle was closed where the other lap kept it open, without the brake.
    Lift,
    /// The whole braking lies earlier or later.
    BrakePoint,
    /// More or less deceleration before the release.
    BrakeEffort,
    /// The brake is let go earlier or later than the shift of the whole braking asks for.
    Release,
    /// Neither pedal in use between the brake and the throttle.
    Coasting,
    /// Less or more grip used at the slowest place, on a line of the same radius.
    MinimumSpeed,
    /// A longer or shorter way through the corner.
    LineDistance,
    /// A tighter or wider radius at the tightest place.
    LineRadius,
    /// The throttle comes later or earlier.
    ThrottlePickup,
    /// Another acceleration after the pick-up.
    DriveOut,
    /// Another gear on the way out.
    Gear,
    /// What no cause accounts for.
    Unexplained,
}

impl Cause {
    /// Its name in JSON, e.g. `brake_point`.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Lift => "lift",
            Self::BrakePoint => "brake_point",
            Self::BrakeEffort => "brake_effort",
            Self::Release => "release",
            Self::Coasting => "coasting",
            Self::MinimumSpeed => "minimum_speed",
            Self::LineDistance => "line_distance",
            Self::LineRadius => "line_radius",
            Self::ThrottlePickup => "throttle_pickup",
            Self::DriveOut => "drive_out",
            Self::Gear => "gear",
            Self::Unexplained => "unexplained",
        }
    }
}

impl fmt::Display for Cause {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}
