//! Logging: the channels that a recording of the demo holds.
//!
//! Fast channels (motion, driver, wheels, dampers) on one clock, slow ones (temperatures, pressures, fuel) on another
//! at 10 Hz, as a program would log them.

use crate::faults::RigFault;
use crate::noise::normal;
use crate::stint::{Run, Setting};
use channels::{Channel, Origin, Samples, SamplesError, Wheel};

/// Control steps per sample of the slow clock: 10 Hz.
const SLOW: usize = 10;
/// Force of the foot at full travel \[N\]. Common practice for a load cell, no source.
const FULL_PEDAL_N: f64 = 800.0;
/// Standard deviation of the brake sensor's noise \[-\], and where it stands with the pedal released: a 12-bit converter
/// with a step or two of noise. Common practice, no source.
const SENSOR_NOISE: f64 = 0.0006;
const SENSOR_REST: f64 = 0.003;

/// What the log keeps of a clock: channels in a fixed order, values row by row.
#[derive(Debug, Clone, Default)]
struct Table {
    channels: Vec<Channel>,
    time_s: Vec<f64>,
    rows: Vec<f64>,
}

impl Table {
    fn push(&mut self, time_s: f64, row: impl IntoIterator<Item = (Channel, f64)>) {
        let first = self.time_s.is_empty();
        self.time_s.push(time_s);
        for (channel, value) in row {
            if first {
                self.channels.push(channel);
            }
            self.rows.push(value);
        }
    }

    fn into_samples(self, samples: &mut Samples) -> Result<(), SamplesError> {
        let width = self.channels.len();
        let clock = samples.add_clock(self.time_s)?;
        for (k, channel) in self.channels.iter().enumerate() {
            let values = self.rows.iter().skip(k).step_by(width).copied().collect();
            samples.insert(*channel, clock, values, Origin::Logged)?;
        }
        Ok(())
    }
}

/// A log being written.
#[derive(Debug, Clone)]
pub(crate) struct Log {
    seed: u64,
    every: usize,
    step: usize,
    shown_over_true: f64,
    air_temp_k: f64,
    track_temp_k: f64,
    fast: Table,
    slow: Table,
}

impl Log {
    /// `rate_hz` is 100 divided by a whole number.
    pub(crate) fn new(rate_hz: u32, setting: &Setting) -> Self {
        let shown_over_true = setting.rig_faults.iter().fold(1.0, |f, fault| match fault {
            RigFault::SteeringMismatch { factor } => f * factor,
            _ => f,
        });
        Self {
            seed: setting.seed,
            every: (100 / rate_hz.clamp(1, 100)) as usize,
            step: 0,
            shown_over_true,
            air_temp_k: setting.air_temp_k,
            track_temp_k: setting.track_temp_k,
            fast: Table::default(),
            slow: Table::default(),
        }
    }

    /// Writes the present moment when its turn has come.
    pub(crate) fn write(&mut self, run: &Run<'_>) {
        if self.step.is_multiple_of(self.every) {
            self.fast.push(run.time_s(), fast_row(run, self.shown_over_true, self.sensor_noise()));
        }
        if self.step.is_multiple_of(SLOW) {
            let fuel = [
                (Channel::Fuel, run.state.fuel_kg),
                (Channel::AirTemp, self.air_temp_k),
                (Channel::TrackTemp, self.track_temp_k),
            ];
            self.slow.push(run.time_s(), fuel.into_iter().chain(slow_row(run)));
        }
        self.step += 1;
    }

    /// Rest position and noise of the brake sensor at this moment.
    fn sensor_noise(&self) -> f64 {
        SENSOR_REST + SENSOR_NOISE * normal(self.seed, 31, self.step as i64, 0)
    }

    pub(crate) fn into_samples(self) -> Result<Samples, SamplesError> {
        let mut samples = Samples::new();
        self.fast.into_samples(&mut samples)?;
        self.slow.into_samples(&mut samples)?;
        Ok(samples)
    }
}

fn flag(active: f64) -> f64 {
    f64::from(u8::from(active > 0.02))
}

fn fast_row(run: &Run<'_>, shown_over_true: f64, noise: f64) -> impl Iterator<Item = (Channel, f64)> {
    let (state, action) = (run.state, run.action());
    let car = [
        (Channel::Lap, f64::from(run.lap)),
        (Channel::LapDistance, run.lap_m()),
        (Channel::Distance, state.distance_m),
        (Channel::X, state.x_m),
        (Channel::Y, state.y_m),
        (Channel::Speed, state.speed_mps),
        (Channel::AccelX, state.accel_x_mps2),
        (Channel::AccelY, state.accel_y_mps2),
        (Channel::AccelZ, state.accel_z_mps2),
        (Channel::YawRate, state.yaw_rate_radps),
        (Channel::Heading, state.heading_rad),
        (Channel::Roll, state.roll_rad),
        (Channel::Pitch, state.pitch_rad),
        (Channel::Sideslip, state.sideslip_rad),
        (Channel::Throttle, action.throttle),
        (Channel::Brake, action.brake),
        (Channel::BrakeTravel, action.brake_travel),
        (Channel::BrakeForce, action.brake_travel * FULL_PEDAL_N),
        (Channel::PedalRaw, (action.brake_sensor + noise).clamp(0.0, 1.0)),
        (Channel::SteeringWheelAngle, state.steering_wheel_angle_rad),
        (Channel::WheelbaseAngle, state.steering_wheel_angle_rad / shown_over_true),
        (Channel::RoadWheelAngle, state.road_wheel_angle_rad),
        (Channel::Gear, f64::from(state.gear)),
        (Channel::EngineSpeed, state.engine_speed_radps),
        (Channel::BrakePressureFront, state.brake_pressure_front_pa),
        (Channel::BrakePressureRear, state.brake_pressure_rear_pa),
        (Channel::TractionControlActive, flag(state.traction_control_active)),
        (Channel::AntilockActive, flag(state.antilock_active)),
        (Channel::ForceFeedbackCommand, state.force_feedback_command),
        (Channel::ForceFeedbackTorque, state.force_feedback_torque_nm),
    ];
    let wheels = state.wheels.to_array();
    car.into_iter().chain(Wheel::ALL.into_iter().zip(wheels).flat_map(|(w, s)| {
        [
            (Channel::WheelSpeed(w), s.wheel_speed_mps),
            (Channel::DamperTravel(w), s.damper_travel_m),
            (Channel::DamperSpeed(w), s.damper_speed_mps),
            (Channel::RideHeight(w), s.ride_height_m),
        ]
    }))
}

fn slow_row(run: &Run<'_>) -> impl Iterator<Item = (Channel, f64)> {
    let wheels = run.state.wheels.to_array();
    Wheel::ALL.into_iter().zip(wheels).flat_map(|(w, s)| {
        [
            (Channel::TyrePressure(w), s.tyre_pressure_pa),
            (Channel::TyreCoreTemp(w), s.tyre_core_temp_k),
            (Channel::TyreTempInner(w), s.tyre_temp_inner_k),
            (Channel::TyreTempMiddle(w), s.tyre_temp_middle_k),
            (Channel::TyreTempOuter(w), s.tyre_temp_outer_k),
            (Channel::TyreWear(w), s.tyre_wear),
            (Channel::BrakeTemp(w), s.brake_temp_k),
        ]
    })
}
