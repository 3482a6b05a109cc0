//! The car file: a TOML text that describes one car.
//!
//! Every field with unit, range and default is in `docs/car-file.md`. Units are converted once, while reading:
//! degrees, bar, °C and rpm in the file become rad, Pa, K and rad/s here. A setup change is a change of these
//! fields; [`Car::validate`] says whether the result is still a car.

use serde::{Deserialize, Serialize};

use crate::error::{CarError, in_range};
use crate::tyre::MagicFormula;
use crate::units;

/// Standard gravity \[m/s²\].
pub const GRAVITY_MPS2: f64 = 9.80665;
/// Dry air at 20 °C and 101325 Pa \[kg/m³\]: the air of steady-state results.
pub const AIR_DENSITY_KGPM3: f64 = 1.2041;

/// One car.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Car {
    /// What to call it.
    #[serde(default)]
    pub name: String,
    /// Mass and main dimensions.
    pub body: Body,
    /// Downforce and drag.
    #[serde(default)]
    pub aero: Aero,
    /// Front axle.
    pub front: Axle,
    /// Rear axle.
    pub rear: Axle,
    /// From the steering wheel to the road wheels.
    pub steering: Steering,
    /// Pedal, bias and assistance live here; discs belong to the axles.
    pub brakes: Brakes,
    /// Engine.
    pub engine: Engine,
    /// Gears and what they drive.
    pub gearbox: Gearbox,
    /// Differential of each driven axle.
    #[serde(default)]
    pub differential: Differential,
    /// Fuel.
    #[serde(default)]
    pub fuel: Fuel,
    /// Traction control and anti-lock.
    #[serde(default)]
    pub assists: Assists,
}

/// Mass and main dimensions.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Body {
    /// Mass with driver, without fuel \[kg\], 150..5000.
    pub mass_kg: f64,
    /// Wheelbase \[m\], 1..5.
    pub wheelbase_m: f64,
    /// Centre of gravity (without fuel) behind the front axle \[m\], inside the wheelbase.
    pub front_axle_to_cg_m: f64,
    /// Height of the centre of gravity \[m\], 0.05..1.5.
    pub cg_height_m: f64,
    /// Overall width \[m\], 0.5..3; default 1.9.
    #[serde(default = "default_width")]
    pub width_m: f64,
    /// Yaw inertia \[kg m²\]; default mass times front and rear distance to the centre of gravity.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub yaw_inertia_kgm2: Option<f64>,
    /// Roll inertia of the body \[kg m²\]; default mass times (0.3 of the mean track) squared.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub roll_inertia_kgm2: Option<f64>,
    /// Pitch inertia of the body \[kg m²\]; default 0.9 of the yaw inertia.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pitch_inertia_kgm2: Option<f64>,
    /// Share of the pitch moment that the links take instead of the springs \[-\], 0..0.9; default 0.2.
    #[serde(default = "default_anti_pitch")]
    pub anti_pitch: f64,
}

/// Downforce and drag as coefficient times area: force = ½ ρ V² · area.
///
/// ```text
/// A_f = front_downforce_area + front_per_front_height·(h_f − h_f0) + front_per_rear_height·(h_r − h_r0)
/// A_r = rear_downforce_area  + rear_per_front_height·(h_f − h_f0)  + rear_per_rear_height·(h_r − h_r0)
///       + rear_wing_downforce·(wing − wing_0)
/// A_d = drag_area + wing_drag·(wing − wing_0) + duct_drag_area·(mean duct opening)
/// ```
///
/// with heights limited to `height_range` around the design heights h0.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Aero {
    /// Drag area \[m²\] at design wing and closed ducts, 0.05..5; default 0.75.
    pub drag_area_m2: f64,
    /// Front downforce area \[m²\] at design heights, −1..6; default 0.
    pub front_downforce_area_m2: f64,
    /// Rear downforce area \[m²\] at design heights and wing, −1..8; default 0.
    pub rear_downforce_area_m2: f64,
    /// Front ride height at which these hold, at speed \[m\], 0..0.5; default 0.06.
    pub front_design_height_m: f64,
    /// Rear ride height at which these hold, at speed \[m\], 0..0.5; default 0.08.
    pub rear_design_height_m: f64,
    /// Front area per metre of front height \[m²/m\], −60..60; default 0. Negative: lower makes more.
    pub front_per_front_height_m: f64,
    /// Front area per metre of rear height \[m²/m\], −60..60; default 0. Positive: rake helps the front.
    pub front_per_rear_height_m: f64,
    /// Rear area per metre of front height \[m²/m\], −60..60; default 0.
    pub rear_per_front_height_m: f64,
    /// Rear area per metre of rear height \[m²/m\], −60..60; default 0.
    pub rear_per_rear_height_m: f64,
    /// Heights count up to this far from the design heights \[m\], 0.001..0.2; default 0.03.
    pub height_range_m: f64,
    /// Rear wing setting \[rad\] (file: `wing_deg`), −30..60°; default 0.
    #[serde(rename = "wing_deg", with = "units::degrees")]
    pub wing_rad: f64,
    /// Rear wing setting at which the areas hold \[rad\] (file: `design_wing_deg`), −30..60°; default 0.
    #[serde(rename = "design_wing_deg", with = "units::degrees")]
    pub design_wing_rad: f64,
    /// Rear downforce area per degree of wing \[m²/°\], −1..1; default 0.
    pub rear_downforce_per_wing_deg: f64,
    /// Front downforce area per degree of wing \[m²/°\], −1..1; default 0. Negative: the wing lifts the nose.
    pub front_downforce_per_wing_deg: f64,
    /// Drag area per degree of wing \[m²/°\], −0.5..0.5; default 0.
    pub drag_per_wing_deg: f64,
    /// Drag area that fully open brake ducts add \[m²\], 0..0.3; default 0.02.
    pub duct_drag_area_m2: f64,
}

impl Default for Aero {
    fn default() -> Self {
        Self {
            drag_area_m2: 0.75,
            front_downforce_area_m2: 0.0,
            rear_downforce_area_m2: 0.0,
            front_design_height_m: 0.06,
            rear_design_height_m: 0.08,
            front_per_front_height_m: 0.0,
            front_per_rear_height_m: 0.0,
            rear_per_front_height_m: 0.0,
            rear_per_rear_height_m: 0.0,
            height_range_m: 0.03,
            wing_rad: 0.0,
            design_wing_rad: 0.0,
            rear_downforce_per_wing_deg: 0.0,
            front_downforce_per_wing_deg: 0.0,
            drag_per_wing_deg: 0.0,
            duct_drag_area_m2: 0.02,
        }
    }
}

/// One axle with its suspension, brakes and tyres.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Axle {
    /// Track width \[m\], 0.5..2.5.
    pub track_m: f64,
    /// Spring rate at the wheel \[N/m\], 5e3..1e6, each side.
    pub wheel_rate_npm: f64,
    /// Roll stiffness of the anti-roll bar \[N m/rad\], 0..1e6; default 0.
    #[serde(default)]
    pub anti_roll_bar_nmprad: f64,
    /// Height of the roll centre \[m\], −0.2..0.6; default 0.03.
    #[serde(default = "default_roll_centre")]
    pub roll_centre_height_m: f64,
    /// Damper, at the wheel.
    #[serde(default)]
    pub damper: Damper,
    /// Wheel, tyre, hub and disc of one side \[kg\], 5..150; default 40.
    #[serde(default = "default_unsprung")]
    pub unsprung_mass_kg: f64,
    /// Ride height at rest \[m\], 0.005..0.5.
    pub ride_height_m: f64,
    /// Compression travel from rest to the bump stop \[m\], 0.003..0.3; default 0.04.
    #[serde(default = "default_travel")]
    pub bump_travel_m: f64,
    /// Rate of the bump stop \[N/m\], 0..2e6; default 3e5.
    #[serde(default = "default_stop")]
    pub bump_stop_npm: f64,
    /// Static camber \[rad\] (file: `camber_deg`), negative with the top inwards, −8..4°; default 0.
    #[serde(default, rename = "camber_deg", with = "units::degrees")]
    pub camber_rad: f64,
    /// Camber that each radian of roll takes away from the outer wheel \[-\], 0..1.2; default 0.6.
    #[serde(default = "default_roll_camber")]
    pub camber_per_roll: f64,
    /// Toe of each wheel \[rad\] (file: `toe_deg`), positive toe-in, −2..2°; default 0.
    #[serde(default, rename = "toe_deg", with = "units::degrees")]
    pub toe_rad: f64,
    /// Spin inertia of one wheel \[kg m²\], 0.1..20; default 1.1.
    #[serde(default = "default_wheel_inertia")]
    pub wheel_inertia_kgm2: f64,
    /// Cold gauge pressure, left and right \[Pa\] (file: `cold_pressure_bar = [1.5, 1.5]`), 0.3..5 bar.
    #[serde(rename = "cold_pressure_bar", with = "units::bar_pair")]
    pub cold_pressure_pa: [f64; 2],
    /// Brake disc of one side.
    #[serde(default)]
    pub disc: Disc,
    /// Tyre.
    #[serde(default)]
    pub tyre: Tyre,
}

/// Damper seen at the wheel: force grows with `slow` up to the knee and with `fast` beyond it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Damper {
    /// Compression below the knee \[N s/m\], 0..50000; default 5000.
    pub bump_slow_nspm: f64,
    /// Compression above the knee \[N s/m\], 0..50000; default 2500.
    pub bump_fast_nspm: f64,
    /// Extension below the knee \[N s/m\], 0..50000; default 7500.
    pub rebound_slow_nspm: f64,
    /// Extension above the knee \[N s/m\], 0..50000; default 4000.
    pub rebound_fast_nspm: f64,
    /// Speed of the knee \[m/s\], 0.005..1; default 0.05.
    pub knee_mps: f64,
}

impl Default for Damper {
    fn default() -> Self {
        Self {
            bump_slow_nspm: 5000.0,
            bump_fast_nspm: 2500.0,
            rebound_slow_nspm: 7500.0,
            rebound_fast_nspm: 4000.0,
            knee_mps: 0.05,
        }
    }
}

impl Damper {
    /// Force over speed \[N s/m\] at a compression speed \[m/s\] (positive in bump).
    #[must_use]
    #[inline]
    pub fn secant_nspm(&self, speed_mps: f64) -> f64 {
        let (slow, fast) = if speed_mps >= 0.0 {
            (self.bump_slow_nspm, self.bump_fast_nspm)
        } else {
            (self.rebound_slow_nspm, self.rebound_fast_nspm)
        };
        let size = speed_mps.abs();
        if size <= self.knee_mps { slow } else { fast + (slow - fast) * self.knee_mps / size }
    }
}

/// Brake disc of one wheel and the pad on it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Disc {
    /// Mass \[kg\], 0.3..40; default 9.
    pub mass_kg: f64,
    /// Specific heat \[J/(kg K)\], 300..2500; default 500.
    pub specific_heat_jpkgk: f64,
    /// Area that radiates \[m²\], 0..2; default 0.16.
    pub radiating_area_m2: f64,
    /// Heat given off to still air \[W/K\], 0..200; default 5.
    pub still_cooling_wpk: f64,
    /// Heat given off per speed with closed duct \[W/K per m/s\], 0..20; default 0.5.
    pub closed_duct_cooling_wspkm: f64,
    /// More of it with the duct fully open \[W/K per m/s\], 0..20; default 1.1.
    pub open_duct_cooling_wspkm: f64,
    /// Duct opening \[-\], 0 closed..1 open; default 0.5.
    pub duct_opening: f64,
    /// Below this the pads bite less \[K\] (file: `working_temp_c`), 0..800 °C; default 150.
    #[serde(rename = "working_temp_c", with = "units::celsius")]
    pub working_temp_k: f64,
    /// Share of the friction left in a disc at 20 °C \[-\], 0.1..1; default 0.85.
    pub cold_friction: f64,
    /// Above this the pads fade \[K\] (file: `fade_temp_c`), above `working_temp_c`..2000 °C; default 650.
    #[serde(rename = "fade_temp_c", with = "units::celsius")]
    pub fade_temp_k: f64,
    /// Friction lost per 100 K above that \[-\], 0..1; default 0.12.
    pub fade_per_100k: f64,
}

impl Default for Disc {
    fn default() -> Self {
        Self {
            mass_kg: 9.0,
            specific_heat_jpkgk: 500.0,
            radiating_area_m2: 0.16,
            still_cooling_wpk: 5.0,
            closed_duct_cooling_wspkm: 0.5,
            open_duct_cooling_wspkm: 1.1,
            duct_opening: 0.5,
            working_temp_k: 150.0 + units::CELSIUS_ZERO_K,
            cold_friction: 0.85,
            fade_temp_k: 650.0 + units::CELSIUS_ZERO_K,
            fade_per_100k: 0.12,
        }
    }
}

impl Disc {
    /// Heat given off per kelvin over the air \[W/K\] at a speed \[m/s\], radiation not included.
    #[must_use]
    pub fn cooling_wpk(&self, speed_mps: f64) -> f64 {
        self.still_cooling_wpk
            + (self.closed_duct_cooling_wspkm + self.open_duct_cooling_wspkm * self.duct_opening) * speed_mps
    }

    /// Friction of the pads over their best \[-\] at a disc temperature \[K\].
    #[must_use]
    pub fn friction(&self, temp_k: f64) -> f64 {
        if temp_k < self.working_temp_k {
            let cold_k = 20.0 + units::CELSIUS_ZERO_K;
            let span = (self.working_temp_k - cold_k).max(1.0);
            let share = ((temp_k - cold_k) / span).clamp(0.0, 1.0);
            self.cold_friction + (1.0 - self.cold_friction) * share
        } else {
            (1.0 - self.fade_per_100k * (temp_k - self.fade_temp_k).max(0.0) / 100.0).max(0.2)
        }
    }
}

/// A tyre beyond its force formula: springs, lag, heat and wear.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Tyre {
    /// Force formula.
    pub magic_formula: MagicFormula,
    /// Vertical stiffness at nominal pressure \[N/m\], 5e4..8e5; default 2.5e5.
    pub vertical_stiffness_npm: f64,
    /// Relaxation length sideways at nominal load \[m\], 0.05..2; default 0.35.
    pub lateral_relaxation_m: f64,
    /// Relaxation length in driving direction at nominal load \[m\], 0.05..2; default 0.15.
    pub longitudinal_relaxation_m: f64,
    /// Rolling resistance over load \[-\], 0..0.1; default 0.014.
    pub rolling_resistance: f64,
    /// Tread temperature of the best grip \[K\] (file: `best_temp_c`), 20..160 °C; default 85.
    #[serde(rename = "best_temp_c", with = "units::celsius")]
    pub best_temp_k: f64,
    /// Grip lost at 50 K away from that \[-\], 0..0.6; default 0.10; in proportion to the square, at most 0.4.
    pub grip_loss_50k: f64,
    /// Heat capacity of the tread, all three strips \[J/K\], 500..30000; default 5000.
    pub tread_capacity_jpk: f64,
    /// Heat capacity of carcass, gas and rim \[J/K\], 2000..100000; default 11000.
    pub core_capacity_jpk: f64,
    /// Conductance between tread and core \[W/K\], 1..500; default 60.
    pub tread_core_wpk: f64,
    /// Conductance from tread to still air \[W/K\], 0..100; default 8.
    pub tread_air_wpk: f64,
    /// More of it per speed \[W/K per m/s\], 0..10; default 1.0.
    pub tread_air_wspkm: f64,
    /// Conductance from tread to road when rolling \[W/K\], 0..500; default 45.
    pub tread_road_wpk: f64,
    /// Conductance from core to air \[W/K\], 0..100; default 9.
    pub core_air_wpk: f64,
    /// Share of the rubbing power that heats the tread \[-\], 0.1..1; default 0.55.
    pub heat_share: f64,
    /// Share of the tread heat that moves to the inner strip per radian of negative inclination \[1/rad\],
    /// 0..20; default 2.6.
    pub camber_heat_shift_prad: f64,
    /// Share of it that moves to the middle strip per relative over-pressure \[-\], 0..5; default 0.8.
    pub pressure_heat_shift: f64,
    /// Rubbing energy that wears the tread to the end \[J\], 1e7..1e11; default 3e8.
    pub wear_energy_j: f64,
    /// Grip lost by a tread worn to the end \[-\], 0..0.8; default 0.15.
    pub wear_grip_loss: f64,
}

impl Default for Tyre {
    fn default() -> Self {
        Self {
            magic_formula: MagicFormula::default(),
            vertical_stiffness_npm: 2.5e5,
            lateral_relaxation_m: 0.35,
            longitudinal_relaxation_m: 0.15,
            rolling_resistance: 0.014,
            best_temp_k: 85.0 + units::CELSIUS_ZERO_K,
            grip_loss_50k: 0.10,
            tread_capacity_jpk: 5000.0,
            core_capacity_jpk: 11_000.0,
            tread_core_wpk: 60.0,
            tread_air_wpk: 8.0,
            tread_air_wspkm: 1.0,
            tread_road_wpk: 45.0,
            core_air_wpk: 9.0,
            heat_share: 0.55,
            camber_heat_shift_prad: 2.6,
            pressure_heat_shift: 0.8,
            wear_energy_j: 3e8,
            wear_grip_loss: 0.15,
        }
    }
}

impl Tyre {
    /// Grip factor by tread temperature \[K\] and wear \[0..1\], 1 at best.
    #[must_use]
    pub fn grip(&self, tread_temp_k: f64, wear: f64) -> f64 {
        let away = (tread_temp_k - self.best_temp_k) / 50.0;
        (1.0 - (self.grip_loss_50k * away * away).min(0.4))
            * (1.0 - self.wear_grip_loss * wear.clamp(0.0, 1.0))
    }
}

/// From the steering wheel to the road wheels and back to the hands.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Steering {
    /// Steering-wheel angle over mean road-wheel angle \[-\], 2..40.
    pub ratio: f64,
    /// From stop to stop at the steering wheel \[rad\] (file: `lock_deg`), 60..1500°; default 540.
    #[serde(rename = "lock_deg", with = "units::degrees", default = "default_lock")]
    pub lock_rad: f64,
    /// Share of the Ackermann difference between the wheels \[-\], −1..1.5; default 0.5.
    #[serde(default = "default_ackermann")]
    pub ackermann: f64,
    /// Trail of the steering axis at the ground \[m\], −0.02..0.2; default 0.025.
    #[serde(default = "default_trail")]
    pub mechanical_trail_m: f64,
    /// Share of the torque that the assistance takes \[-\], 0..0.95; default 0.6.
    #[serde(default = "default_assist")]
    pub assist: f64,
    /// Friction torque at the steering wheel \[N m\], 0..10; default 0.4.
    #[serde(default = "default_steer_friction")]
    pub friction_nm: f64,
    /// Steering-wheel torque that is full force feedback at gain 1 \[N m\], 0.5..100; default 16.
    #[serde(default = "default_full_scale")]
    pub force_feedback_full_scale_nm: f64,
    /// Force-feedback gain \[-\], 0.05..5; default 1.
    #[serde(default = "default_gain")]
    pub force_feedback_gain: f64,
}

/// Brake system.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Brakes {
    /// Torque of all four brakes together at full pedal, warm pads \[N m\], 100..50000.
    pub max_torque_nm: f64,
    /// Share of the front axle \[-\], 0.2..0.9.
    pub front_share: f64,
    /// Mean line pressure at full pedal \[Pa\] (file: `full_pressure_bar`), 5..250 bar; default 90.
    #[serde(rename = "full_pressure_bar", with = "units::bar", default = "default_line")]
    pub full_pressure_pa: f64,
    /// Time lag of the line pressure \[s\], 0.001..0.5; default 0.02.
    #[serde(default = "default_brake_lag")]
    pub lag_s: f64,
}

/// A point of the torque curve; in the file `[rpm, N m]`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(from = "[f64; 2]", into = "[f64; 2]")]
pub struct TorquePoint {
    /// Engine speed \[rad/s\].
    pub speed_radps: f64,
    /// Full-throttle torque \[N m\].
    pub torque_nm: f64,
}

impl From<[f64; 2]> for TorquePoint {
    fn from([rpm, torque_nm]: [f64; 2]) -> Self {
        Self { speed_radps: units::rpm::to_si(rpm), torque_nm }
    }
}

impl From<TorquePoint> for [f64; 2] {
    fn from(point: TorquePoint) -> Self {
        [units::rpm::from_si(point.speed_radps), point.torque_nm]
    }
}

/// Engine.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Engine {
    /// Full-throttle torque by engine speed, `[[rpm, N m], …]`, at least two points, speeds rising.
    pub torque_curve: Vec<TorquePoint>,
    /// Idle speed \[rad/s\] (file: `idle_rpm`), 300..5000 rpm; default 1000.
    #[serde(rename = "idle_rpm", with = "units::rpm", default = "default_idle")]
    pub idle_radps: f64,
    /// Speed limiter \[rad/s\] (file: `limit_rpm`), above idle, at most 25000 rpm.
    #[serde(rename = "limit_rpm", with = "units::rpm")]
    pub limit_radps: f64,
    /// Inertia with flywheel \[kg m²\], 0.005..3; default 0.12.
    #[serde(default = "default_engine_inertia")]
    pub inertia_kgm2: f64,
    /// Torque it takes to turn the closed engine at the limit \[N m\], 0..1000; default 70; half of it at rest.
    #[serde(default = "default_engine_drag")]
    pub drag_torque_nm: f64,
}

impl Engine {
    /// Full-throttle torque \[N m\] at an engine speed \[rad/s\], linear between points, the end values beyond.
    #[must_use]
    pub fn full_torque_nm(&self, speed_radps: f64) -> f64 {
        let curve = &self.torque_curve;
        let after = curve.partition_point(|p| p.speed_radps <= speed_radps);
        let Some(high) = curve.get(after) else { return curve.last().map_or(0.0, |p| p.torque_nm) };
        let Some(low) = after.checked_sub(1).and_then(|i| curve.get(i)) else { return high.torque_nm };
        let share = (speed_radps - low.speed_radps) / (high.speed_radps - low.speed_radps);
        low.torque_nm + share * (high.torque_nm - low.torque_nm)
    }

    /// Torque the closed engine takes \[N m\], positive, at an engine speed \[rad/s\].
    #[must_use]
    pub fn closed_torque_nm(&self, speed_radps: f64) -> f64 {
        self.drag_torque_nm * (0.5 + 0.5 * (speed_radps / self.limit_radps).clamp(0.0, 1.2))
    }
}

/// Which wheels the gearbox drives.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Driven {
    /// Front wheels.
    Front,
    /// Rear wheels.
    Rear,
    /// All wheels through a centre differential of fixed torque split.
    All {
        /// Share of the torque that the front gets \[-\], 0.02..0.98.
        front_share: f64,
    },
}

impl Driven {
    /// Share of the torque that the front axle gets \[-\].
    #[must_use]
    pub fn front_share(self) -> f64 {
        match self {
            Self::Front => 1.0,
            Self::Rear => 0.0,
            Self::All { front_share } => front_share,
        }
    }
}

/// Gears and what they drive.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Gearbox {
    /// Ratios of the forward gears, falling, 0.2..8; 1 to 12 of them.
    pub ratios: Vec<f64>,
    /// Final drive ratio \[-\], 0.5..12.
    pub final_drive: f64,
    /// Time without drive during a shift \[s\], 0..2; default 0.06.
    #[serde(default = "default_shift")]
    pub shift_time_s: f64,
    /// Share of the engine's torque that reaches the wheels \[-\], 0.5..1; default 0.93.
    #[serde(default = "default_efficiency")]
    pub efficiency: f64,
    /// `"front"`, `"rear"` or `{ all = { front_share = 0.4 } }`.
    pub driven: Driven,
}

/// Differential of each driven axle.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, Default)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
pub enum Differential {
    /// Equal torque to both wheels; the default.
    #[default]
    Open,
    /// Equal speed of both wheels.
    Locked,
    /// Friction between the wheels: preload, and a share of the axle torque by ramp.
    LimitedSlip {
        /// Friction torque without drive \[N m\], 0..2000.
        preload_nm: f64,
        /// Friction over axle torque when driving \[-\], 0..0.95.
        power_ramp: f64,
        /// Friction over axle torque when the engine brakes \[-\], 0..0.95.
        coast_ramp: f64,
    },
}

/// Fuel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Fuel {
    /// Fuel aboard at the start \[kg\], 0..`capacity_kg`; default 40.
    pub mass_kg: f64,
    /// Tank \[kg\], 0..500; default 90.
    pub capacity_kg: f64,
    /// Tank behind the centre of gravity \[m\], −3..3; default 0.3.
    pub behind_cg_m: f64,
    /// Fuel per work of the engine \[kg/MJ\], 0.01..0.3; default 0.075.
    pub use_kgpmj: f64,
    /// Fuel at idle \[kg/s\], 0..0.01; default 0.0003.
    pub idle_kgps: f64,
}

impl Default for Fuel {
    fn default() -> Self {
        Self { mass_kg: 40.0, capacity_kg: 90.0, behind_cg_m: 0.3, use_kgpmj: 0.075, idle_kgps: 3e-4 }
    }
}

/// Traction control and anti-lock: level 0 is off, 1 lets the wheels slip most, 10 least.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, Default)]
#[serde(deny_unknown_fields, default)]
pub struct Assists {
    /// Traction control, 0..10; default 0.
    pub traction_control: f64,
    /// Anti-lock, 0..10; default 0.
    pub antilock: f64,
}

impl Assists {
    /// Slip ratio that a level holds \[-\]: 0.21 at level 1 to 0.06 at level 10; `None` when off.
    #[must_use]
    pub fn slip_target(level: f64) -> Option<f64> {
        (level >= 0.5).then(|| 0.21 - (level - 1.0) * (0.15 / 9.0))
    }
}

fn default_width() -> f64 {
    1.9
}
fn default_anti_pitch() -> f64 {
    0.2
}
fn default_roll_centre() -> f64 {
    0.03
}
fn default_unsprung() -> f64 {
    40.0
}
fn default_travel() -> f64 {
    0.04
}
fn default_stop() -> f64 {
    3e5
}
fn default_roll_camber() -> f64 {
    0.6
}
fn default_wheel_inertia() -> f64 {
    1.1
}
fn default_lock() -> f64 {
    540_f64.to_radians()
}
fn default_ackermann() -> f64 {
    0.5
}
fn default_trail() -> f64 {
    0.025
}
fn default_assist() -> f64 {
    0.6
}
fn default_steer_friction() -> f64 {
    0.4
}
fn default_full_scale() -> f64 {
    16.0
}
fn default_gain() -> f64 {
    1.0
}
fn default_line() -> f64 {
    90e5
}
fn default_brake_lag() -> f64 {
    0.02
}
fn default_idle() -> f64 {
    units::rpm::to_si(1000.0)
}
fn default_engine_inertia() -> f64 {
    0.12
}
fn default_engine_drag() -> f64 {
    70.0
}
fn default_shift() -> f64 {
    0.06
}
fn default_efficiency() -> f64 {
    0.93
}

impl Car {
    /// Reads and checks a car file.
    ///
    /// # Errors
    /// [`CarError`] when the text is not TOML, a field is missing, unknown or out of range, or fields make an
    /// impossible car together.
    pub fn from_toml_str(text: &str) -> Result<Self, CarError> {
        let car: Self = toml::from_str(text)?;
        car.validate()?;
        Ok(car)
    }

    /// The car as a file that [`Car::from_toml_str`] reads back.
    ///
    /// # Errors
    /// [`CarError::Toml`] when a value cannot be written (not a number).
    pub fn to_toml_string(&self) -> Result<String, CarError> {
        toml::to_string(self).map_err(|error| CarError::Toml(error.to_string()))
    }

    /// Checks every field against its range and the fields against each other.
    ///
    /// # Errors
    /// [`CarError`] naming the first field that is off, with its value in the file's unit.
    pub fn validate(&self) -> Result<(), CarError> {
        self.body.validate()?;
        self.aero.validate()?;
        self.front.validate("front")?;
        self.rear.validate("rear")?;
        self.steering.validate()?;
        let b = &self.brakes;
        in_range("brakes.max_torque_nm", b.max_torque_nm, 100.0, 50_000.0)?;
        in_range("brakes.front_share", b.front_share, 0.2, 0.9)?;
        in_range("brakes.full_pressure_bar", units::bar::from_si(b.full_pressure_pa), 5.0, 250.0)?;
        in_range("brakes.lag_s", b.lag_s, 0.001, 0.5)?;
        self.engine.validate()?;
        self.gearbox.validate()?;
        if let Differential::LimitedSlip { preload_nm, power_ramp, coast_ramp } = self.differential {
            in_range("differential.preload_nm", preload_nm, 0.0, 2000.0)?;
            in_range("differential.power_ramp", power_ramp, 0.0, 0.95)?;
            in_range("differential.coast_ramp", coast_ramp, 0.0, 0.95)?;
        }
        let f = &self.fuel;
        in_range("fuel.capacity_kg", f.capacity_kg, 0.0, 500.0)?;
        in_range("fuel.mass_kg", f.mass_kg, 0.0, f.capacity_kg)?;
        in_range("fuel.behind_cg_m", f.behind_cg_m, -3.0, 3.0)?;
        in_range("fuel.use_kgpmj", f.use_kgpmj, 0.01, 0.3)?;
        in_range("fuel.idle_kgps", f.idle_kgps, 0.0, 0.01)?;
        in_range("assists.traction_control", self.assists.traction_control, 0.0, 10.0)?;
        in_range("assists.antilock", self.assists.antilock, 0.0, 10.0)?;
        let unsprung = 2.0 * (self.front.unsprung_mass_kg + self.rear.unsprung_mass_kg);
        if unsprung > 0.6 * self.body.mass_kg {
            return Err(impossible(
                "front.unsprung_mass_kg",
                format!("the four wheels weigh {unsprung} kg of {} kg", self.body.mass_kg),
            ));
        }
        let cg = self.cg_to_front_axle_m(self.fuel.mass_kg);
        if !(0.05..self.body.wheelbase_m - 0.05).contains(&cg) {
            return Err(impossible(
                "fuel.behind_cg_m",
                format!(
                    "with its fuel the car's centre of gravity is {cg:.3} m behind the front axle, outside the wheelbase"
                ),
            ));
        }
        Ok(())
    }

    /// Mass with a fuel load \[kg\].
    #[must_use]
    pub fn mass_kg(&self, fuel_kg: f64) -> f64 {
        self.body.mass_kg + fuel_kg
    }

    /// Centre of gravity behind the front axle \[m\] with a fuel load \[kg\].
    #[must_use]
    pub fn cg_to_front_axle_m(&self, fuel_kg: f64) -> f64 {
        self.body.front_axle_to_cg_m + fuel_kg * self.fuel.behind_cg_m / self.mass_kg(fuel_kg)
    }

    /// Roll stiffness of an axle \[N m/rad\] from springs and bar, tyres not included.
    #[must_use]
    pub fn roll_stiffness_nmprad(axle: &Axle) -> f64 {
        0.5 * axle.wheel_rate_npm * axle.track_m * axle.track_m + axle.anti_roll_bar_nmprad
    }
}

fn impossible(field: &str, reason: String) -> CarError {
    CarError::Impossible { field: field.to_owned(), reason }
}

impl Body {
    /// Yaw inertia \[kg m²\], given or estimated.
    #[must_use]
    pub fn yaw_inertia(&self) -> f64 {
        self.yaw_inertia_kgm2
            .unwrap_or(self.mass_kg * self.front_axle_to_cg_m * (self.wheelbase_m - self.front_axle_to_cg_m))
    }

    fn validate(&self) -> Result<(), CarError> {
        in_range("body.mass_kg", self.mass_kg, 150.0, 5000.0)?;
        in_range("body.wheelbase_m", self.wheelbase_m, 1.0, 5.0)?;
        in_range(
            "body.front_axle_to_cg_m",
            self.front_axle_to_cg_m,
            0.1 * self.wheelbase_m,
            0.9 * self.wheelbase_m,
        )?;
        in_range("body.cg_height_m", self.cg_height_m, 0.05, 1.5)?;
        in_range("body.width_m", self.width_m, 0.5, 3.0)?;
        in_range("body.anti_pitch", self.anti_pitch, 0.0, 0.9)?;
        for (name, value) in [
            ("body.yaw_inertia_kgm2", self.yaw_inertia_kgm2),
            ("body.roll_inertia_kgm2", self.roll_inertia_kgm2),
            ("body.pitch_inertia_kgm2", self.pitch_inertia_kgm2),
        ] {
            if let Some(value) = value {
                in_range(name, value, 0.01 * self.mass_kg, 5.0 * self.mass_kg)?;
            }
        }
        Ok(())
    }
}

impl Aero {
    fn validate(&self) -> Result<(), CarError> {
        in_range("aero.drag_area_m2", self.drag_area_m2, 0.05, 5.0)?;
        in_range("aero.front_downforce_area_m2", self.front_downforce_area_m2, -1.0, 6.0)?;
        in_range("aero.rear_downforce_area_m2", self.rear_downforce_area_m2, -1.0, 8.0)?;
        in_range("aero.front_design_height_m", self.front_design_height_m, 0.0, 0.5)?;
        in_range("aero.rear_design_height_m", self.rear_design_height_m, 0.0, 0.5)?;
        in_range("aero.front_per_front_height_m", self.front_per_front_height_m, -60.0, 60.0)?;
        in_range("aero.front_per_rear_height_m", self.front_per_rear_height_m, -60.0, 60.0)?;
        in_range("aero.rear_per_front_height_m", self.rear_per_front_height_m, -60.0, 60.0)?;
        in_range("aero.rear_per_rear_height_m", self.rear_per_rear_height_m, -60.0, 60.0)?;
        in_range("aero.height_range_m", self.height_range_m, 0.001, 0.2)?;
        in_range("aero.wing_deg", self.wing_rad.to_degrees(), -30.0, 60.0)?;
        in_range("aero.design_wing_deg", self.design_wing_rad.to_degrees(), -30.0, 60.0)?;
        in_range("aero.rear_downforce_per_wing_deg", self.rear_downforce_per_wing_deg, -1.0, 1.0)?;
        in_range("aero.front_downforce_per_wing_deg", self.front_downforce_per_wing_deg, -1.0, 1.0)?;
        in_range("aero.drag_per_wing_deg", self.drag_per_wing_deg, -0.5, 0.5)?;
        in_range("aero.duct_drag_area_m2", self.duct_drag_area_m2, 0.0, 0.3)?;
        let drag = self.drag_area_m2 + self.wing_deg_off() * self.drag_per_wing_deg;
        if drag < 0.02 {
            return Err(impossible(
                "aero.drag_per_wing_deg",
                format!("the wing as set leaves a drag area of {drag:.3} m²; at least 0.02 is needed"),
            ));
        }
        Ok(())
    }

    /// Wing setting over its design value \[°\].
    fn wing_deg_off(&self) -> f64 {
        (self.wing_rad - self.design_wing_rad).to_degrees()
    }

    /// Front and rear downforce areas \[m²\] at front and rear ride heights \[m\].
    #[must_use]
    pub fn downforce_areas_m2(&self, front_height_m: f64, rear_height_m: f64) -> [f64; 2] {
        let range = self.height_range_m;
        let hf = (front_height_m - self.front_design_height_m).clamp(-range, range);
        let hr = (rear_height_m - self.rear_design_height_m).clamp(-range, range);
        let wing = self.wing_deg_off();
        [
            self.front_downforce_area_m2
                + self.front_per_front_height_m * hf
                + self.front_per_rear_height_m * hr
                + self.front_downforce_per_wing_deg * wing,
            self.rear_downforce_area_m2
                + self.rear_per_front_height_m * hf
                + self.rear_per_rear_height_m * hr
                + self.rear_downforce_per_wing_deg * wing,
        ]
    }
}

impl Car {
    /// Drag area \[m²\] as set up: body, wing and ducts.
    #[must_use]
    pub fn drag_area_m2(&self) -> f64 {
        let duct = 0.5 * (self.front.disc.duct_opening + self.rear.disc.duct_opening);
        self.aero.drag_area_m2
            + self.aero.drag_per_wing_deg * self.aero.wing_deg_off()
            + self.aero.duct_drag_area_m2 * duct
    }
}

impl Axle {
    fn validate(&self, path: &str) -> Result<(), CarError> {
        let check =
            |name: &str, value: f64, min: f64, max: f64| in_range(&format!("{path}.{name}"), value, min, max);
        check("track_m", self.track_m, 0.5, 2.5)?;
        check("wheel_rate_npm", self.wheel_rate_npm, 5e3, 1e6)?;
        check("anti_roll_bar_nmprad", self.anti_roll_bar_nmprad, 0.0, 1e6)?;
        check("roll_centre_height_m", self.roll_centre_height_m, -0.2, 0.6)?;
        check("damper.bump_slow_nspm", self.damper.bump_slow_nspm, 0.0, 5e4)?;
        check("damper.bump_fast_nspm", self.damper.bump_fast_nspm, 0.0, 5e4)?;
        check("damper.rebound_slow_nspm", self.damper.rebound_slow_nspm, 0.0, 5e4)?;
        check("damper.rebound_fast_nspm", self.damper.rebound_fast_nspm, 0.0, 5e4)?;
        check("damper.knee_mps", self.damper.knee_mps, 0.005, 1.0)?;
        check("unsprung_mass_kg", self.unsprung_mass_kg, 5.0, 150.0)?;
        check("ride_height_m", self.ride_height_m, 0.005, 0.5)?;
        check("bump_travel_m", self.bump_travel_m, 0.003, 0.3)?;
        check("bump_stop_npm", self.bump_stop_npm, 0.0, 2e6)?;
        check("camber_deg", self.camber_rad.to_degrees(), -8.0, 4.0)?;
        check("camber_per_roll", self.camber_per_roll, 0.0, 1.2)?;
        check("toe_deg", self.toe_rad.to_degrees(), -2.0, 2.0)?;
        check("wheel_inertia_kgm2", self.wheel_inertia_kgm2, 0.1, 20.0)?;
        for pressure in self.cold_pressure_pa {
            check("cold_pressure_bar", units::bar::from_si(pressure), 0.3, 5.0)?;
        }
        let d = &self.disc;
        check("disc.mass_kg", d.mass_kg, 0.3, 40.0)?;
        check("disc.specific_heat_jpkgk", d.specific_heat_jpkgk, 300.0, 2500.0)?;
        check("disc.radiating_area_m2", d.radiating_area_m2, 0.0, 2.0)?;
        check("disc.still_cooling_wpk", d.still_cooling_wpk, 0.0, 200.0)?;
        check("disc.closed_duct_cooling_wspkm", d.closed_duct_cooling_wspkm, 0.0, 20.0)?;
        check("disc.open_duct_cooling_wspkm", d.open_duct_cooling_wspkm, 0.0, 20.0)?;
        check("disc.duct_opening", d.duct_opening, 0.0, 1.0)?;
        let celsius = units::celsius::from_si;
        check("disc.working_temp_c", celsius(d.working_temp_k), 0.0, 800.0)?;
        check("disc.cold_friction", d.cold_friction, 0.1, 1.0)?;
        check("disc.fade_temp_c", celsius(d.fade_temp_k), celsius(d.working_temp_k), 2000.0)?;
        check("disc.fade_per_100k", d.fade_per_100k, 0.0, 1.0)?;
        let t = &self.tyre;
        t.magic_formula.validate(&format!("{path}.tyre.magic_formula"))?;
        check("tyre.vertical_stiffness_npm", t.vertical_stiffness_npm, 5e4, 8e5)?;
        check("tyre.lateral_relaxation_m", t.lateral_relaxation_m, 0.05, 2.0)?;
        check("tyre.longitudinal_relaxation_m", t.longitudinal_relaxation_m, 0.05, 2.0)?;
        check("tyre.rolling_resistance", t.rolling_resistance, 0.0, 0.1)?;
        check("tyre.best_temp_c", celsius(t.best_temp_k), 20.0, 160.0)?;
        check("tyre.grip_loss_50k", t.grip_loss_50k, 0.0, 0.6)?;
        check("tyre.tread_capacity_jpk", t.tread_capacity_jpk, 500.0, 3e4)?;
        check("tyre.core_capacity_jpk", t.core_capacity_jpk, 2000.0, 1e5)?;
        check("tyre.tread_core_wpk", t.tread_core_wpk, 1.0, 500.0)?;
        check("tyre.tread_air_wpk", t.tread_air_wpk, 0.0, 100.0)?;
        check("tyre.tread_air_wspkm", t.tread_air_wspkm, 0.0, 10.0)?;
        check("tyre.tread_road_wpk", t.tread_road_wpk, 0.0, 500.0)?;
        check("tyre.core_air_wpk", t.core_air_wpk, 0.0, 100.0)?;
        check("tyre.heat_share", t.heat_share, 0.1, 1.0)?;
        check("tyre.camber_heat_shift_prad", t.camber_heat_shift_prad, 0.0, 20.0)?;
        check("tyre.pressure_heat_shift", t.pressure_heat_shift, 0.0, 5.0)?;
        check("tyre.wear_energy_j", t.wear_energy_j, 1e7, 1e11)?;
        check("tyre.wear_grip_loss", t.wear_grip_loss, 0.0, 0.8)
    }
}

impl Steering {
    fn validate(&self) -> Result<(), CarError> {
        in_range("steering.ratio", self.ratio, 2.0, 40.0)?;
        in_range("steering.lock_deg", self.lock_rad.to_degrees(), 60.0, 1500.0)?;
        in_range("steering.ackermann", self.ackermann, -1.0, 1.5)?;
        in_range("steering.mechanical_trail_m", self.mechanical_trail_m, -0.02, 0.2)?;
        in_range("steering.assist", self.assist, 0.0, 0.95)?;
        in_range("steering.friction_nm", self.friction_nm, 0.0, 10.0)?;
        in_range("steering.force_feedback_full_scale_nm", self.force_feedback_full_scale_nm, 0.5, 100.0)?;
        in_range("steering.force_feedback_gain", self.force_feedback_gain, 0.05, 5.0)?;
        let wheel_deg = (0.5 * self.lock_rad / self.ratio).to_degrees();
        if wheel_deg > 60.0 {
            return Err(impossible(
                "steering.lock_deg",
                format!(
                    "full lock turns the road wheels by {wheel_deg:.0}°, at most 60° is possible; raise ratio or lower lock_deg"
                ),
            ));
        }
        Ok(())
    }
}

impl Engine {
    fn validate(&self) -> Result<(), CarError> {
        let rpm = units::rpm::from_si;
        in_range("engine.idle_rpm", rpm(self.idle_radps), 300.0, 5000.0)?;
        in_range("engine.limit_rpm", rpm(self.limit_radps), rpm(self.idle_radps) + 500.0, 25_000.0)?;
        in_range("engine.inertia_kgm2", self.inertia_kgm2, 0.005, 3.0)?;
        in_range("engine.drag_torque_nm", self.drag_torque_nm, 0.0, 1000.0)?;
        if self.torque_curve.len() < 2 {
            return Err(impossible(
                "engine.torque_curve",
                format!("has {} points, at least two [rpm, N m] pairs are needed", self.torque_curve.len()),
            ));
        }
        for (i, point) in self.torque_curve.iter().enumerate() {
            in_range(&format!("engine.torque_curve[{i}] rpm"), rpm(point.speed_radps), 0.0, 30_000.0)?;
            in_range(&format!("engine.torque_curve[{i}] N m"), point.torque_nm, 0.0, 5000.0)?;
        }
        for (i, pair) in self.torque_curve.windows(2).enumerate() {
            if pair[1].speed_radps <= pair[0].speed_radps {
                return Err(impossible(
                    "engine.torque_curve",
                    format!(
                        "point {} at {:.0} rpm follows {:.0} rpm; speeds must rise",
                        i + 1,
                        rpm(pair[1].speed_radps),
                        rpm(pair[0].speed_radps)
                    ),
                ));
            }
        }
        if self.torque_curve.iter().all(|p| p.torque_nm <= 0.0) {
            return Err(impossible("engine.torque_curve", "has no point with torque above 0".to_owned()));
        }
        Ok(())
    }
}

impl Gearbox {
    fn validate(&self) -> Result<(), CarError> {
        if self.ratios.is_empty() || self.ratios.len() > 12 {
            return Err(impossible(
                "gearbox.ratios",
                format!("has {} gears, must have 1 to 12", self.ratios.len()),
            ));
        }
        for (i, &ratio) in self.ratios.iter().enumerate() {
            in_range(&format!("gearbox.ratios[{i}]"), ratio, 0.2, 8.0)?;
        }
        for (i, pair) in self.ratios.windows(2).enumerate() {
            if pair[1] >= pair[0] {
                return Err(impossible(
                    "gearbox.ratios",
                    format!("gear {} has {} after {}; ratios must fall", i + 2, pair[1], pair[0]),
                ));
            }
        }
        in_range("gearbox.final_drive", self.final_drive, 0.5, 12.0)?;
        in_range("gearbox.shift_time_s", self.shift_time_s, 0.0, 2.0)?;
        in_range("gearbox.efficiency", self.efficiency, 0.5, 1.0)?;
        if let Driven::All { front_share } = self.driven {
            in_range("gearbox.driven.all.front_share", front_share, 0.02, 0.98)?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_examples_are_cars_and_survive_being_written_and_read() {
        for (name, text) in crate::examples::ALL {
            let car = Car::from_toml_str(text).unwrap_or_else(|error| panic!("{name}: {error}"));
            let again = Car::from_toml_str(&car.to_toml_string().unwrap()).unwrap();
            assert_eq!(car.gearbox, again.gearbox);
            assert!((car.front.camber_rad - again.front.camber_rad).abs() < 1e-12);
            assert!((car.rear.cold_pressure_pa[0] - again.rear.cold_pressure_pa[0]).abs() < 1e-6);
            assert!((car.engine.limit_radps - again.engine.limit_radps).abs() < 1e-9);
        }
    }

    /// Every key of a written car stands in the page; of the Magic Formula's, whose names are published, the ends of
    /// their runs do.
    #[test]
    fn every_field_is_documented() {
        let page = include_str!("../../../docs/car-file.md");
        for (_, text) in crate::examples::ALL {
            let mut formula = false;
            for line in Car::from_toml_str(text).unwrap().to_toml_string().unwrap().lines() {
                if line.starts_with('[') {
                    formula = line.contains("magic_formula");
                }
                let Some((key, _)) = line.split_once(" = ") else { continue };
                if !formula && !key.starts_with(['[', ' ']) {
                    assert!(page.contains(&format!("`{key}")), "{key} is missing in docs/car-file.md");
                }
            }
        }
    }

    #[test]
    fn units_of_the_file_become_si() {
        let car = Car::from_toml_str(crate::examples::GT).unwrap();
        assert!((car.front.camber_rad + 3.6_f64.to_radians()).abs() < 1e-12);
        assert!((car.front.cold_pressure_pa[0] - 1.42e5).abs() < 1e-6);
        assert!((car.engine.limit_radps - 7900.0 * std::f64::consts::PI / 30.0).abs() < 1e-9);
        assert!((car.front.tyre.best_temp_k - 358.15).abs() < 1e-9);
    }

    /// Each impossible car is refused with the field and the reason.
    #[test]
    fn impossible_cars_are_refused_with_field_and_reason() {
        let cases = [
            ("mass_kg = 1310.0", "mass_kg = -1310.0", "body.mass_kg", "-1310"),
            ("front_axle_to_cg_m = 1.38", "front_axle_to_cg_m = 3.0", "body.front_axle_to_cg_m", "3"),
            ("ratios = [2.92, 2.16,", "ratios = [2.16, 2.92,", "gearbox.ratios", "must fall"),
            ("limit_rpm = 7900.0", "limit_rpm = 900.0", "engine.limit_rpm", "900"),
            ("pdy2 = 0.22", "pdy2 = 1.22", "front.tyre.magic_formula.pdy2", "grip"),
            ("camber_deg = -3.6", "camber_deg = -36.0", "front.camber_deg", "-36"),
            ("front_share = 0.63", "front_share = 63", "brakes.front_share", "63"),
            (
                "cold_pressure_bar = [1.42, 1.42]",
                "cold_pressure_bar = [1.42, 142.0]",
                "cold_pressure_bar",
                "142",
            ),
            ("duct_opening = 0.5", "duct_opening = 50", "disc.duct_opening", "50"),
            ("mass_kg = 50.0", "mass_kg = 150.0", "fuel.mass_kg", "90"),
            ("ratio = 13.5", "ratio = 3.5", "steering.lock_deg", "road wheels"),
            ("wheelbase_m = 2.70", "wheelbase_m = nan", "body.wheelbase_m", "NaN"),
        ];
        for (from, to, field, reason) in cases {
            assert!(crate::examples::GT.contains(from), "{from} is not in the file");
            let text = crate::examples::GT.replacen(from, to, 1);
            let message = Car::from_toml_str(&text).unwrap_err().to_string();
            assert!(message.contains(field) && message.contains(reason), "{to}: {message}");
        }
        let start = crate::examples::GT.find("torque_curve").unwrap();
        let end = start + crate::examples::GT[start..].find("\n]").unwrap() + 2;
        let empty = crate::examples::GT.replace(&crate::examples::GT[start..end], "torque_curve = []");
        assert!(Car::from_toml_str(&empty).unwrap_err().to_string().contains("engine.torque_curve"));
        let unknown = crate::examples::GT.replacen("[body]", "[body]\nmas_kg = 1.0", 1);
        assert!(Car::from_toml_str(&unknown).unwrap_err().to_string().contains("mas_kg"));
        assert!(Car::from_toml_str("name = ").is_err());
    }
}
