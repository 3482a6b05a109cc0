//! The channel vocabulary.

use crate::Dimension;
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// A wheel of the car, seen from the driver's seat.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Wheel {
    /// Front left.
    Fl,
    /// Front right.
    Fr,
    /// Rear left.
    Rl,
    /// Rear right.
    Rr,
}

impl Wheel {
    /// All four, in the order of every file and struct of this project.
    pub const ALL: [Self; 4] = [Self::Fl, Self::Fr, Self::Rl, Self::Rr];

    /// Suffix in channel names.
    #[must_use]
    pub fn suffix(self) -> &'static str {
        match self {
            Self::Fl => "fl",
            Self::Fr => "fr",
            Self::Rl => "rl",
            Self::Rr => "rr",
        }
    }
}

/// How values between two samples are to be read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Interpolation {
    /// Straight line between neighbours.
    Linear,
    /// The earlier sample holds: counts and flags.
    Hold,
    /// Straight line along the shorter way round the circle: headings.
    Circular,
    /// Straight line, but a fall by more than half its range is a restart at the line, not a way back.
    Restarting,
}

macro_rules! vocabulary {
    (car { $( $variant:ident $name:literal $dim:ident $lo:literal..$hi:literal $interp:ident $text:literal; )* }
     wheels { $( $wvariant:ident $wname:literal $wdim:ident $wlo:literal..$whi:literal $wtext:literal; )* }) => {
        /// A quantity that a recording may hold, one per sample. The doc of each name is [`Channel::meaning`].
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        #[allow(missing_docs)]
        pub enum Channel { $( $variant, )* $( $wvariant(Wheel), )* }

        impl Channel {
            /// Every channel, wheels spelled out, in the order of the vocabulary.
            pub fn all() -> impl Iterator<Item = Self> {
                let singles = [$( Self::$variant, )*];
                let wheels = [$( Self::$wvariant as fn(Wheel) -> Self, )*];
                singles.into_iter().chain(wheels.into_iter().flat_map(|f| Wheel::ALL.into_iter().map(f)))
            }

            /// Name without the wheel, e.g. `tyre_pressure`.
            #[must_use]
            pub fn stem(self) -> &'static str {
                match self { $( Self::$variant => $name, )* $( Self::$wvariant(_) => $wname, )* }
            }

            /// The wheel, for channels that exist four times.
            #[must_use]
            pub fn wheel(self) -> Option<Wheel> {
                match self { $( Self::$wvariant(w) => Some(w), )* _ => None }
            }

            /// Kind of quantity; fixes the SI unit.
            #[must_use]
            pub fn dimension(self) -> Dimension {
                match self { $( Self::$variant => Dimension::$dim, )* $( Self::$wvariant(_) => Dimension::$wdim, )* }
            }

            /// Lowest and highest value \[SI\] that a car on a circuit could show. Wide on purpose: outside it a
            /// unit or a sign is wrong. Common practice, no source.
            #[must_use]
            pub fn plausible(self) -> (f64, f64) {
                match self { $( Self::$variant => ($lo, $hi), )* $( Self::$wvariant(_) => ($wlo, $whi), )* }
            }

            /// How to read values between samples.
            #[must_use]
            pub fn interpolation(self) -> Interpolation {
                match self { $( Self::$variant => Interpolation::$interp, )* _ => Interpolation::Linear }
            }

            /// What the channel means, with its sign.
            #[must_use]
            pub fn meaning(self) -> &'static str {
                match self { $( Self::$variant => $text, )* $( Self::$wvariant(_) => $wtext, )* }
            }
        }
    };
}

vocabulary! {
    car {
    Time "time" Time -1e12..1e12 Linear "since the start of the recording";
    Lap "lap" Count -1.0..10000.0 Hold "lap counter of the source; changes at the line";
    LapDistance "lap_distance" Length -1000.0..100000.0 Restarting "along the circuit since the line";
    Distance "distance" Length -1000.0..1e8 Linear "driven since the start of the recording";
    X "x" Length -1e7..1e7 Linear "position to the east, or along the source's first axis";
    Y "y" Length -1e7..1e7 Linear "position to the north, 90 degrees anticlockwise from x";
    Z "z" Length -1e4..1e4 Linear "height";
    Latitude "latitude" Angle -1.6..1.6 Linear "geodetic latitude, WGS 84";
    Longitude "longitude" Angle -3.2..3.2 Circular "geodetic longitude, WGS 84";
    Speed "speed" Speed -5.0..140.0 Linear "speed over ground of the centre of gravity";
    VelocityX "velocity_x" Speed -30.0..140.0 Linear "forward velocity in the car's frame";
    VelocityY "velocity_y" Speed -60.0..60.0 Linear "velocity to the left in the car's frame";
    AccelX "accel_x" Acceleration -100.0..100.0 Linear "forward acceleration without gravity; braking is negative";
    AccelY "accel_y" Acceleration -100.0..100.0 Linear "acceleration to the left without gravity; positive in a left turn";
    AccelZ "accel_z" Acceleration -200.0..200.0 Linear "upward acceleration without gravity";
    YawRate "yaw_rate" AngularRate -10.0..10.0 Linear "rotation to the left, seen from above";
    Heading "heading" Angle -1e4..1e4 Circular "anticlockwise from x";
    Roll "roll" Angle -1.6..1.6 Linear "positive with the right side down";
    Pitch "pitch" Angle -1.6..1.6 Linear "positive with the nose down";
    Sideslip "sideslip" Angle -3.2..3.2 Linear "direction of travel, anticlockwise from the car's x axis";
    Throttle "throttle" Ratio -0.05..1.05 Linear "0 released, 1 full, as it reaches the car";
    Brake "brake" Ratio -0.05..1.05 Linear "0 released, 1 full, as it reaches the car";
    Clutch "clutch" Ratio -0.05..1.05 Linear "0 engaged, 1 pedal down";
    ThrottleTravel "throttle_travel" Ratio -0.05..1.05 Linear "position of the throttle pedal";
    BrakeTravel "brake_travel" Ratio -0.05..1.05 Linear "position of the brake pedal";
    SteeringWheelAngle "steering_wheel_angle" Angle -25.0..25.0 Linear "wheel shown by the source; left positive";
    Gear "gear" Count -2.0..12.0 Hold "1 and up; 0 neutral, -1 reverse";
    BrakePressureFront "brake_pressure_front" Pressure -1e6..3e7 Linear "front brake line pressure, gauge";
    BrakePressureRear "brake_pressure_rear" Pressure -1e6..3e7 Linear "rear brake line pressure, gauge";
    BrakeForce "brake_force" Force -100.0..3000.0 Linear "force of the foot on the brake pedal";
    EngineSpeed "engine_speed" AngularRate -1.0..2500.0 Linear "crankshaft speed";
    RoadWheelAngle "road_wheel_angle" Angle -1.2..1.2 Linear "mean steer angle of the front wheels; left positive";
    Fuel "fuel" Mass -0.5..300.0 Linear "fuel on board";
    TractionControlActive "traction_control_active" Flag 0.0..1.0 Hold "1 while traction control takes power away";
    AntilockActive "antilock_active" Flag 0.0..1.0 Hold "1 while the anti-lock system releases a brake";
    BrakeBias "brake_bias" Ratio 0.0..1.0 Linear "front share of the brake force";
    ForceFeedbackCommand "force_feedback_command" Ratio -1.5..1.5 Linear "command to the wheelbase, -1 to 1; positive turns the wheel to the left";
    ForceFeedbackTorque "force_feedback_torque" Torque -60.0..60.0 Linear "torque at the wheel rim; positive turns the wheel to the left";
    WheelbaseAngle "wheelbase_angle" Angle -25.0..25.0 Linear "angle of the wheelbase's shaft; left positive";
    PedalRaw "pedal_raw" Ratio -0.05..1.05 Linear "brake pedal sensor before any scaling";
    AirTemp "air_temp" Temperature 220.0..340.0 Linear "air temperature";
    TrackTemp "track_temp" Temperature 220.0..360.0 Linear "road surface temperature";
    }
    wheels {
    WheelSpeed "wheel_speed" Speed -30.0..160.0 "rotation speed times effective radius";
    TyrePressure "tyre_pressure" Pressure 0.0..1e6 "inflation pressure, gauge";
    TyreCoreTemp "tyre_core_temp" Temperature 220.0..500.0 "temperature inside the carcass";
    TyreTempInner "tyre_temp_inner" Temperature 220.0..600.0 "tread surface, edge towards the middle of the car";
    TyreTempMiddle "tyre_temp_middle" Temperature 220.0..600.0 "tread surface, middle";
    TyreTempOuter "tyre_temp_outer" Temperature 220.0..600.0 "tread surface, edge away from the car";
    TyreWear "tyre_wear" Ratio 0.0..1.0 "0 new, 1 worn out";
    SlipRatio "slip_ratio" Ratio -2.0..20.0 "(wheel speed - ground speed) / ground speed; driving is positive";
    SlipAngle "slip_angle" Angle -1.6..1.6 "atan(lateral velocity / |forward velocity|) of the contact patch, left positive";
    TyreLoad "tyre_load" Force -1000.0..40000.0 "vertical load of the contact patch";
    BrakeTemp "brake_temp" Temperature 220.0..1600.0 "brake disc";
    DamperTravel "damper_travel" Length -0.3..0.3 "positive in bump, 0 at rest";
    DamperSpeed "damper_speed" Speed -5.0..5.0 "positive in bump";
    RideHeight "ride_height" Length -0.1..0.6 "floor above the road at the wheel";
    }
}

impl Channel {
    /// The vocabulary name: `speed`, `tyre_pressure_fl`.
    #[must_use]
    pub fn name(self) -> String {
        match self.wheel() {
            Some(w) => format!("{}_{}", self.stem(), w.suffix()),
            None => self.stem().to_owned(),
        }
    }

    /// The same channel on the other wheels and itself, for wheel channels.
    #[must_use]
    pub fn on(self, wheel: Wheel) -> Self {
        Self::all().find(|c| c.stem() == self.stem() && c.wheel() == Some(wheel)).unwrap_or(self)
    }

    /// Whether mirroring the drive left for right flips the sign of the value.
    #[must_use]
    pub fn is_lateral(self) -> bool {
        matches!(
            self,
            Self::Y
                | Self::VelocityY
                | Self::AccelY
                | Self::YawRate
                | Self::Heading
                | Self::Roll
                | Self::Sideslip
                | Self::SteeringWheelAngle
                | Self::RoadWheelAngle
                | Self::ForceFeedbackCommand
                | Self::ForceFeedbackTorque
                | Self::WheelbaseAngle
                | Self::SlipAngle(_)
        )
    }
}

impl fmt::Display for Channel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.name())
    }
}

/// A name outside the vocabulary.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{0}' is not a channel; `lapwright channels` lists the names")]
pub struct UnknownChannel(pub String);

impl FromStr for Channel {
    type Err = UnknownChannel;

    fn from_str(s: &str) -> Result<Self, Self::Err> {
        Self::all().find(|c| c.name() == s).ok_or_else(|| UnknownChannel(s.to_owned()))
    }
}

impl Serialize for Channel {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.name())
    }
}

impl<'de> Deserialize<'de> for Channel {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let name = String::deserialize(deserializer)?;
        name.parse().map_err(serde::de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeSet;

    #[test]
    fn every_name_is_its_own_and_reads_back() {
        let names: BTreeSet<_> = Channel::all().map(Channel::name).collect();
        assert_eq!(names.len(), Channel::all().count());
        for c in Channel::all() {
            assert_eq!(c.name().parse::<Channel>(), Ok(c));
        }
    }

    #[test]
    fn wheels_are_suffixed() {
        assert_eq!(Channel::TyrePressure(Wheel::Rl).name(), "tyre_pressure_rl");
        assert_eq!(Channel::TyrePressure(Wheel::Rl).on(Wheel::Fr), Channel::TyrePressure(Wheel::Fr));
    }

    #[test]
    fn ranges_are_in_order() {
        for c in Channel::all() {
            assert!(c.plausible().0 < c.plausible().1, "{c}");
        }
    }
}
