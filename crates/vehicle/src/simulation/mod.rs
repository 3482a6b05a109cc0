//! The transient simulation: a car driven by pedals and steering wheel, at 1 kHz.
//!
//! ```text
//! plane      m (v̇x − r vy) = ΣFx − drag − m g sin(grade)      m (v̇y + r vx) = ΣFy − m g sin(bank)
//!            Iz ṙ = Σ(x Fy − y Fx + Mz)
//! ride       heave, pitch, roll of the body on springs, bars, dampers and stops; four unsprung masses on
//!            tyre springs over an ISO 8608 road; roll centres and anti-pitch links carry their share at once
//! tyres      Magic Formula on slips that follow by relaxation: u̇ = −V_sx − |V_x| u/σκ, v̇ = V_sy − |V_x| v/σα
//! driveline  engine – clutch – gearbox – differential(s) – four wheels, friction parts solved as impulses
//! slow       tread strips, core, gas pressure, wear, discs, fuel (every 10 ms)
//! ```
//!
//! Semi-implicit Euler; friction (brakes, clutch, differential) never overshoots, dampers and slip are implicit in
//! their own rate, and what is left is bounded, so that any pedals and any steering give finite numbers. Left out:
//! suspension compliance, gyroscopic moments, aerodynamic side force.
//!
//! # Source
//! Plane and tyre lag `[Pacejka2012]` ch. 1, 7, 8; ride model `[Rajamani2012]` ch. 10; loads
//! `[Milliken1995]` ch. 18. The thermal model is common practice without a source.

mod driveline;
mod ride;
mod slow;
mod tyres;

use crate::car::{Car, GRAVITY_MPS2};
use crate::error::{CarError, in_range};
use crate::road_roughness::{RoadClass, RoadProfile};
use crate::wheels::Wheels;
use driveline::Driveline;
use ride::{Ride, RideInput};
use slow::Slow;
use tyres::Tyres;

/// How to simulate: surroundings, start and step.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SimulationOptions {
    /// Seed of the road profile.
    pub seed: u64,
    /// Step \[s\], 0.0002..0.002.
    pub step_s: f64,
    /// Roughness Gd(n0) \[m³\] ([`RoadClass::density_m3`]), 0 for a flat road, up to class E.
    pub roughness_m3: f64,
    /// Length after which the roughness repeats \[m\]; give the lap length to have the same bumps every lap.
    pub roughness_length_m: f64,
    /// Air \[K\], 223..333. Tyres are inflated cold at this temperature unless `cold_temp_k` says otherwise.
    pub air_temp_k: f64,
    /// Road surface \[K\], 223..353.
    pub track_temp_k: f64,
    /// Air pressure \[Pa\], 5e4..1.1e5.
    pub air_pressure_pa: f64,
    /// Temperature at which the cold pressures were set \[K\]; `None`: the air's.
    pub cold_temp_k: Option<f64>,
    /// Tread and core at the start \[K\]; `None`: the air's (no tyre heating).
    pub tyre_temp_k: Option<f64>,
    /// Discs at the start \[K\]; `None`: the air's.
    pub disc_temp_k: Option<f64>,
    /// Fuel at the start \[kg\]; `None`: as in the car file.
    pub fuel_kg: Option<f64>,
}

impl Default for SimulationOptions {
    fn default() -> Self {
        Self {
            seed: 1,
            step_s: 0.001,
            roughness_m3: 0.25 * RoadClass::A.density_m3(),
            roughness_length_m: 4000.0,
            air_temp_k: 295.15,
            track_temp_k: 303.15,
            air_pressure_pa: 101_325.0,
            cold_temp_k: None,
            tyre_temp_k: None,
            disc_temp_k: None,
            fuel_kg: None,
        }
    }
}

/// Which gear is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum GearRequest {
    /// The box chooses: up where the next gear pulls more, down when braking.
    #[default]
    Automatic,
    /// This gear (1 is the lowest, 0 neutral); a gear that would over-rev the engine is refused until it fits.
    Gear(u8),
}

/// What the driver does.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Controls {
    /// Throttle \[-\], 0..1.
    pub throttle: f64,
    /// Brake \[-\], 0..1.
    pub brake: f64,
    /// Clutch \[-\], 0 released..1 pressed. Pulling away and shifting need none.
    pub clutch: f64,
    /// Steering-wheel angle \[rad\], positive to the left; limited to the lock.
    pub steering_wheel_angle_rad: f64,
    /// Gear.
    pub gear: GearRequest,
}

/// The road under the car.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Road {
    /// Slope along the car \[rad\], positive uphill.
    pub grade_rad: f64,
    /// Banking \[rad\], positive with the left side higher (helps a right turn).
    pub bank_rad: f64,
    /// Vertical curvature \[1/m\], positive in a dip (adds load).
    pub vertical_curvature_pm: f64,
    /// Grip of the surface at each wheel \[-\], 1 for the dry track; grass about 0.4.
    pub grip: Wheels<f64>,
    /// Height of the surface under each wheel over the track \[m\] (kerbs), on top of the roughness.
    pub height_m: Wheels<f64>,
    /// Place along the lap \[m\] for the roughness; `None`: the distance driven.
    pub station_m: Option<f64>,
}

impl Default for Road {
    fn default() -> Self {
        Self {
            grade_rad: 0.0,
            bank_rad: 0.0,
            vertical_curvature_pm: 0.0,
            grip: Wheels::splat(1.0),
            height_m: Wheels::splat(0.0),
            station_m: None,
        }
    }
}

/// One wheel at one moment.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct WheelState {
    /// Spin \[rad/s\].
    pub speed_radps: f64,
    /// Spin times effective radius \[m/s\].
    pub wheel_speed_mps: f64,
    /// Slip ratio \[-\], positive driving; follows by relaxation.
    pub slip_ratio: f64,
    /// Slip angle \[rad\], ISO: positive when the patch slides to the left, so negative in a left turn.
    pub slip_angle_rad: f64,
    /// Load on the road \[N\].
    pub load_n: f64,
    /// Tyre force forward, in the wheel's axes \[N\].
    pub force_x_n: f64,
    /// Tyre force to the left, in the wheel's axes \[N\].
    pub force_y_n: f64,
    /// Gauge pressure \[Pa\].
    pub tyre_pressure_pa: f64,
    /// Carcass and gas \[K\].
    pub tyre_core_temp_k: f64,
    /// Tread strip towards the car \[K\].
    pub tyre_temp_inner_k: f64,
    /// Middle tread strip \[K\].
    pub tyre_temp_middle_k: f64,
    /// Tread strip away from the car \[K\].
    pub tyre_temp_outer_k: f64,
    /// Worn share of the tread \[-\], 0 new..1.
    pub tyre_wear: f64,
    /// Disc \[K\].
    pub brake_temp_k: f64,
    /// Compression from rest \[m\], positive in bump.
    pub damper_travel_m: f64,
    /// Compression speed \[m/s\], positive in bump.
    pub damper_speed_mps: f64,
    /// Floor over road at this corner \[m\].
    pub ride_height_m: f64,
}

/// The car at one moment: everything a recording can hold.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct State {
    /// Time since the start \[s\].
    pub time_s: f64,
    /// Distance driven \[m\].
    pub distance_m: f64,
    /// Centre of gravity, east or whatever the caller's x is \[m\].
    pub x_m: f64,
    /// Centre of gravity, to the left of x \[m\].
    pub y_m: f64,
    /// Heading \[rad\] from x, positive to the left, not wrapped.
    pub heading_rad: f64,
    /// Speed of the centre of gravity \[m/s\].
    pub speed_mps: f64,
    /// Forward velocity in the car's axes \[m/s\].
    pub velocity_x_mps: f64,
    /// Leftward velocity in the car's axes \[m/s\].
    pub velocity_y_mps: f64,
    /// Yaw rate \[rad/s\].
    pub yaw_rate_radps: f64,
    /// Forward acceleration without gravity \[m/s²\].
    pub accel_x_mps2: f64,
    /// Leftward acceleration without gravity \[m/s²\].
    pub accel_y_mps2: f64,
    /// Upward acceleration of the body without gravity \[m/s²\].
    pub accel_z_mps2: f64,
    /// Roll of the body against the road \[rad\], positive right side down.
    pub roll_rad: f64,
    /// Pitch of the body against the road \[rad\], positive nose down.
    pub pitch_rad: f64,
    /// Sideslip angle \[rad\], positive when moving to the left of the nose.
    pub sideslip_rad: f64,
    /// Gear, 0 neutral (also during a shift the new gear).
    pub gear: u8,
    /// Engine \[rad/s\].
    pub engine_speed_radps: f64,
    /// Mean steering angle of the front wheels without toe \[rad\].
    pub road_wheel_angle_rad: f64,
    /// Steering wheel after its stops \[rad\].
    pub steering_wheel_angle_rad: f64,
    /// Front line pressure \[Pa\].
    pub brake_pressure_front_pa: f64,
    /// Rear line pressure \[Pa\].
    pub brake_pressure_rear_pa: f64,
    /// Fuel \[kg\].
    pub fuel_kg: f64,
    /// Share of the engine torque that traction control takes away \[-\].
    pub traction_control_active: f64,
    /// Largest share of a brake's torque that anti-lock takes away \[-\].
    pub antilock_active: f64,
    /// Torque on the driver's hands, as the car makes it \[N m\], positive to the left (negative in a left turn).
    pub force_feedback_torque_nm: f64,
    /// What a wheelbase is told \[-\], −1..1: the torque over its full scale times gain, cut at 1.
    pub force_feedback_command: f64,
    /// Wheels.
    pub wheels: Wheels<WheelState>,
}

/// A car being driven.
#[derive(Debug, Clone)]
pub struct Simulation {
    car: Car,
    options: SimulationOptions,
    profile: RoadProfile,
    mass_kg: f64,
    yaw_inertia_kgm2: f64,
    /// Wheel positions from the centre of gravity \[m\], x forward, y left.
    corner_m: [[f64; 2]; 4],
    steps: u64,
    x_m: f64,
    y_m: f64,
    heading_rad: f64,
    vx: f64,
    vy: f64,
    yaw_rate: f64,
    accel: [f64; 3],
    distance_m: f64,
    steering_rad: f64,
    steering_rate: f64,
    road_wheel_rad: f64,
    steer_torque_nm: f64,
    station_m: f64,
    ride: Ride,
    tyres: Tyres,
    driveline: Driveline,
    slow: Slow,
}

/// A finite number inside limits, or the fallback: controls come from anywhere.
#[inline]
fn sane(x: f64, min: f64, max: f64, fallback: f64) -> f64 {
    if x.is_finite() { x.clamp(min, max) } else { fallback }
}

impl Simulation {
    /// A car at rest at the origin, heading along x.
    ///
    /// # Errors
    /// [`CarError`] when the car is impossible or an option is out of range.
    pub fn new(car: &Car, options: SimulationOptions) -> Result<Self, CarError> {
        car.validate()?;
        options.validate(car)?;
        let fuel_kg = options.fuel_kg.unwrap_or(car.fuel.mass_kg);
        let slow = Slow::new(car, &options, fuel_kg);
        let mut simulation = Self {
            profile: RoadProfile::generate(options.seed, options.roughness_m3, options.roughness_length_m),
            mass_kg: 0.0,
            yaw_inertia_kgm2: 0.0,
            corner_m: [[0.0; 2]; 4],
            steps: 0,
            x_m: 0.0,
            y_m: 0.0,
            heading_rad: 0.0,
            vx: 0.0,
            vy: 0.0,
            yaw_rate: 0.0,
            accel: [0.0; 3],
            distance_m: 0.0,
            steering_rad: 0.0,
            steering_rate: 0.0,
            road_wheel_rad: 0.0,
            steer_torque_nm: 0.0,
            station_m: 0.0,
            ride: Ride::new(car, fuel_kg),
            tyres: Tyres::new(car),
            driveline: Driveline::new(car),
            slow,
            options,
            car: car.clone(),
        };
        simulation.weigh();
        Ok(simulation)
    }

    /// The car that is driven.
    #[must_use]
    pub fn car(&self) -> &Car {
        &self.car
    }

    /// Mass, inertia and wheel positions for the fuel aboard.
    fn weigh(&mut self) {
        let fuel = self.slow.fuel_kg;
        self.mass_kg = self.car.mass_kg(fuel);
        self.yaw_inertia_kgm2 = self.car.body.yaw_inertia() + fuel * self.car.fuel.behind_cg_m.powi(2);
        let a = self.car.cg_to_front_axle_m(fuel);
        let b = self.car.body.wheelbase_m - a;
        let (tf, tr) = (0.5 * self.car.front.track_m, 0.5 * self.car.rear.track_m);
        self.corner_m = [[a, tf], [a, -tf], [-b, tr], [-b, -tr]];
        self.ride.weigh(&self.car, fuel);
    }

    /// Puts the car down: position \[m\], heading \[rad\], speed \[m/s\] straight ahead, in a gear that fits.
    /// Temperatures, wear and fuel stay.
    pub fn place(&mut self, x_m: f64, y_m: f64, heading_rad: f64, speed_mps: f64) {
        self.x_m = sane(x_m, -1e7, 1e7, 0.0);
        self.y_m = sane(y_m, -1e7, 1e7, 0.0);
        self.heading_rad = sane(heading_rad, -1e6, 1e6, 0.0);
        self.vx = sane(speed_mps, 0.0, 140.0, 0.0);
        self.vy = 0.0;
        self.yaw_rate = 0.0;
        self.accel = [0.0; 3];
        self.ride = Ride::new(&self.car, self.slow.fuel_kg);
        self.ride.settle_under(self.downforce_n());
        self.tyres = Tyres::new(&self.car);
        self.driveline.place(&self.car, self.vx);
    }

    /// Front and rear downforce \[N\] at the present speed and ride heights.
    fn downforce_n(&self) -> [f64; 2] {
        let q = 0.5 * self.options.air_density_kgpm3() * self.vx * self.vx;
        let [front, rear] = self.ride.axle_heights_m();
        self.car.aero.downforce_areas_m2(front, rear).map(|area| q * area)
    }

    /// One step of [`SimulationOptions::step_s`]. Controls outside their range are limited, and what is not a
    /// number counts as 0 (1 for grip).
    pub fn step(&mut self, controls: &Controls, road: &Road) {
        let dt = self.options.step_s;
        let half_lock = 0.5 * self.car.steering.lock_rad;
        let steering = sane(controls.steering_wheel_angle_rad, -half_lock, half_lock, 0.0);
        self.steering_rate +=
            ((steering - self.steering_rad) / dt - self.steering_rate) * (dt / 0.01).min(1.0);
        self.steering_rad = steering;
        let grade = sane(road.grade_rad, -0.6, 0.6, 0.0);
        let bank = sane(road.bank_rad, -0.8, 0.8, 0.0);
        let grip = road.grip.to_array().map(|g| sane(g, 0.05, 3.0, 1.0));

        // Steering: mean angle, Ackermann difference, toe.
        let mean = steering / self.car.steering.ratio;
        self.road_wheel_rad = mean;
        let spread = self.car.steering.ackermann * self.car.front.track_m / (2.0 * self.car.body.wheelbase_m)
            * mean
            * mean;
        let (toe_f, toe_r) = (self.car.front.toe_rad, self.car.rear.toe_rad);
        let steer = [mean + spread - toe_f, mean - spread + toe_f, -toe_r, toe_r];

        // Tyres.
        let load = self.ride.loads_n();
        let camber = self.ride.inclinations_rad(&self.car);
        let (vx, vy, r) = (self.vx, self.vy, self.yaw_rate);
        let mut force = [0.0_f64; 2];
        let mut yaw_moment = 0.0;
        let mut axle_fy = [0.0; 2];
        let mut kingpin = 0.0;
        let mut sin_cos = [(0.0, 1.0); 4];
        for i in 0..4 {
            let [x, y] = self.corner_m[i];
            let (s, c) = if steer[i] == 0.0 { (0.0, 1.0) } else { steer[i].sin_cos() };
            sin_cos[i] = (s, c);
            let (bx, by) = (vx - r * y, vy + r * x);
            let velocity = [bx * c + by * s, by * c - bx * s];
            let f = self.tyres.step(
                i,
                &tyres::Contact {
                    load_n: load[i],
                    inclination_rad: camber[i],
                    pressure_pa: self.slow.pressure_pa[i],
                    grip: grip[i] * self.slow.grip[i],
                    velocity_mps: velocity,
                    spin_radps: self.driveline.spin[i],
                },
                dt,
            );
            let (fx, fy) = (f.fx_n * c - f.fy_n * s, f.fx_n * s + f.fy_n * c);
            force[0] += fx;
            force[1] += fy;
            axle_fy[i / 2] += fy;
            yaw_moment += x * fy - y * fx + f.mz_nm;
            if i < 2 {
                kingpin += f.mz_nm - f.fy_n * self.car.steering.mechanical_trail_m;
            }
        }

        // Driver's hands.
        let s = &self.car.steering;
        self.steer_torque_nm =
            kingpin / s.ratio * (1.0 - s.assist) - s.friction_nm * (self.steering_rate / 0.3).tanh();

        // Pedals and wheels.
        self.driveline.step(
            &self.car,
            controls,
            &driveline::WheelInput {
                force_x_n: self.tyres.force.map(|f| f.fx_n),
                load_n: load,
                radius_m: self.tyres.radius_m,
                slip_ratio: self.tyres.slip_ratio,
                speed_mps: self.vx,
                friction: self.slow.pad_friction,
                fuel: self.slow.fuel_kg > 0.0,
            },
            dt,
        );
        self.slow.gather(&self.tyres, &self.driveline, dt);

        // Plane.
        let speed = vx.hypot(vy);
        let drag = 0.5 * self.options.air_density_kgpm3() * self.car.drag_area_m2() * speed;
        let total = [force[0] - drag * vx, force[1] - drag * vy];
        let pull = [-GRAVITY_MPS2 * grade.sin(), -GRAVITY_MPS2 * bank.sin()];
        let ax = total[0] / self.mass_kg + pull[0];
        let ay = total[1] / self.mass_kg + pull[1];
        // The Coriolis part turns the velocity exactly, so that it makes no energy.
        let (ds, dc) = (r * dt).sin_cos();
        let (nx, ny) = (vx + ax * dt, vy + ay * dt);
        self.vx = sane(nx * dc + ny * ds, -150.0, 150.0, 0.0);
        self.vy = sane(ny * dc - nx * ds, -150.0, 150.0, 0.0);
        self.yaw_rate = sane(r + yaw_moment / self.yaw_inertia_kgm2 * dt, -15.0, 15.0, 0.0);
        self.heading_rad += self.yaw_rate * dt;
        let (sh, ch) = self.heading_rad.sin_cos();
        self.x_m += (self.vx * ch - self.vy * sh) * dt;
        self.y_m += (self.vx * sh + self.vy * ch) * dt;
        self.distance_m += speed * dt;

        // Ride.
        let normal = GRAVITY_MPS2 * grade.cos() * bank.cos()
            + sane(road.vertical_curvature_pm, -0.2, 0.2, 0.0) * vx * vx
            - vx * r * bank.tan();
        let station = road.station_m.filter(|s| s.is_finite()).unwrap_or(self.distance_m);
        self.station_m = station;
        let [front, rear] =
            [self.profile.at(station + self.corner_m[0][0]), self.profile.at(station + self.corner_m[2][0])];
        let kerb = road.height_m.to_array().map(|h| sane(h, -0.5, 0.5, 0.0));
        let az = self.ride.step(
            &self.car,
            &RideInput {
                corner_m: self.corner_m,
                road_m: [front[0] + kerb[0], front[1] + kerb[1], rear[0] + kerb[2], rear[1] + kerb[3]],
                force_x_n: force[0],
                axle_force_y_n: axle_fy,
                downforce_n: self.downforce_n(),
                normal_mps2: normal.clamp(0.0, 60.0),
            },
            dt,
        );
        self.accel = [ax, ay, az];

        self.steps += 1;
        if self.steps.is_multiple_of(slow::EVERY) {
            self.slow.step(&self.car, &self.options, &self.tyres, speed, camber);
            if self.steps.is_multiple_of(slow::EVERY * 100) {
                self.weigh();
            }
        }
    }

    /// The present state.
    #[must_use]
    pub fn state(&self) -> State {
        let speed = self.vx.hypot(self.vy);
        let [pf, pr] = self.driveline.line_pressure_pa(&self.car);
        let steering = &self.car.steering;
        let command =
            steering.force_feedback_gain * self.steer_torque_nm / steering.force_feedback_full_scale_nm;
        let heights = self.ride.corner_heights_m();
        let wheel = |i: usize| WheelState {
            speed_radps: self.driveline.spin[i],
            wheel_speed_mps: self.driveline.spin[i] * self.tyres.radius_m[i],
            slip_ratio: self.tyres.slip_ratio[i],
            slip_angle_rad: self.tyres.tan_slip_angle[i].atan(),
            load_n: self.tyres.load_n[i],
            force_x_n: self.tyres.force[i].fx_n,
            force_y_n: self.tyres.force[i].fy_n,
            tyre_pressure_pa: self.slow.pressure_pa[i],
            tyre_core_temp_k: self.slow.core_k[i],
            tyre_temp_inner_k: self.slow.tread_k[i][0],
            tyre_temp_middle_k: self.slow.tread_k[i][1],
            tyre_temp_outer_k: self.slow.tread_k[i][2],
            tyre_wear: self.slow.wear[i],
            brake_temp_k: self.slow.disc_k[i],
            damper_travel_m: self.ride.compression_m[i],
            damper_speed_mps: self.ride.compression_mps[i],
            ride_height_m: heights[i],
        };
        State {
            time_s: self.steps as f64 * self.options.step_s,
            distance_m: self.distance_m,
            x_m: self.x_m,
            y_m: self.y_m,
            heading_rad: self.heading_rad,
            speed_mps: speed,
            velocity_x_mps: self.vx,
            velocity_y_mps: self.vy,
            yaw_rate_radps: self.yaw_rate,
            accel_x_mps2: self.accel[0],
            accel_y_mps2: self.accel[1],
            accel_z_mps2: self.accel[2],
            roll_rad: self.ride.roll(),
            pitch_rad: self.ride.pitch(),
            sideslip_rad: if speed > 0.5 { self.vy.atan2(self.vx) } else { 0.0 },
            gear: self.driveline.gear,
            engine_speed_radps: self.driveline.engine,
            road_wheel_angle_rad: self.road_wheel_rad,
            steering_wheel_angle_rad: self.steering_rad,
            brake_pressure_front_pa: pf,
            brake_pressure_rear_pa: pr,
            fuel_kg: self.slow.fuel_kg,
            traction_control_active: self.driveline.traction_cut,
            antilock_active: self.driveline.antilock_cut(),
            force_feedback_torque_nm: self.steer_torque_nm,
            force_feedback_command: command.clamp(-1.0, 1.0),
            wheels: Wheels::from_array([wheel(0), wheel(1), wheel(2), wheel(3)]),
        }
    }
}

/// Specific gas constant of dry air \[J/(kg K)\]; handbook value, from memory.
const DRY_AIR_JPKGK: f64 = 287.05;

impl SimulationOptions {
    /// Density of the air \[kg/m³\], dry.
    #[must_use]
    pub fn air_density_kgpm3(&self) -> f64 {
        self.air_pressure_pa / (DRY_AIR_JPKGK * self.air_temp_k)
    }

    fn validate(&self, car: &Car) -> Result<(), CarError> {
        in_range("options.step_s", self.step_s, 2e-4, 2e-3)?;
        in_range("options.roughness_m3", self.roughness_m3, 0.0, RoadClass::E.density_m3())?;
        in_range("options.roughness_length_m", self.roughness_length_m, 10.0, 1e5)?;
        in_range("options.air_temp_k", self.air_temp_k, 223.0, 333.0)?;
        in_range("options.track_temp_k", self.track_temp_k, 223.0, 353.0)?;
        in_range("options.air_pressure_pa", self.air_pressure_pa, 5e4, 1.1e5)?;
        in_range("options.cold_temp_k", self.cold_temp_k.unwrap_or(290.0), 223.0, 420.0)?;
        in_range("options.tyre_temp_k", self.tyre_temp_k.unwrap_or(290.0), 223.0, 450.0)?;
        in_range("options.disc_temp_k", self.disc_temp_k.unwrap_or(290.0), 223.0, 1300.0)?;
        in_range("options.fuel_kg", self.fuel_kg.unwrap_or(0.0), 0.0, car.fuel.capacity_kg)
    }
}

#[cfg(test)]
mod tests;
