//! Engine, clutch, gearbox, differentials, brakes: everything that turns.
//!
//! Friction elements (clutch, differential, brakes) are solved as impulses: the torque that would bring both sides
//! to one speed within the step, cut at what the element can carry. So none overshoots, and sticking needs no mode.

use super::{Controls, GearRequest, sane};
use crate::car::{Assists, Car, Differential};

/// Clutch torque over the engine's greatest torque; common practice.
const CLUTCH_RESERVE: f64 = 1.6;
/// Engine speed of a start at full throttle over the limit, and the speed at which the clutch is home \[m/s\]; common
/// practice.
const START_SPEED: f64 = 0.55;
const START_UNTIL_MPS: f64 = 9.0;
/// Least time between two shifts of the automatic \[s\].
const SHIFT_PAUSE_S: f64 = 0.20;
/// How fast anti-lock gives a brake free and lets it back \[1/s\]; common practice.
const ANTILOCK_RATE_PS: [f64; 2] = [25.0, 6.0];

/// What the wheels meet in one step.
#[derive(Debug, Clone, Copy)]
pub(super) struct WheelInput {
    pub(super) force_x_n: [f64; 4],
    pub(super) load_n: [f64; 4],
    pub(super) radius_m: [f64; 4],
    pub(super) slip_ratio: [f64; 4],
    pub(super) speed_mps: f64,
    /// Friction of the pads over their best.
    pub(super) friction: [f64; 4],
    /// Whether there is fuel left.
    pub(super) fuel: bool,
}

#[derive(Debug, Clone)]
pub(super) struct Driveline {
    /// Wheel spins \[rad/s\].
    pub(super) spin: [f64; 4],
    /// Engine \[rad/s\].
    pub(super) engine: f64,
    pub(super) gear: u8,
    pub(super) traction_cut: f64,
    /// Line pressure as a share of full pedal.
    line: f64,
    antilock_keep: [f64; 4],
    drive_torque_nm: [f64; 4],
    /// Brake torque of the last step \[N m\], against the spin.
    pub(super) brake_torque_nm: [f64; 4],
    /// Work rate of the engine \[W\], positive part.
    pub(super) engine_power_w: f64,
    shift_left_s: f64,
    since_shift_s: f64,
    clutch_capacity_nm: f64,
    /// Engine speed at which the automatic leaves each gear \[rad/s\].
    shift_up_radps: Vec<f64>,
    ratios: Vec<f64>,
}

impl Driveline {
    pub(super) fn new(car: &Car) -> Self {
        let peak = car.engine.torque_curve.iter().map(|p| p.torque_nm).fold(0.0, f64::max);
        let ratios: Vec<f64> = car.gearbox.ratios.iter().map(|r| r * car.gearbox.final_drive).collect();
        Self {
            spin: [0.0; 4],
            engine: car.engine.idle_radps,
            gear: 1,
            traction_cut: 0.0,
            line: 0.0,
            antilock_keep: [1.0; 4],
            drive_torque_nm: [0.0; 4],
            brake_torque_nm: [0.0; 4],
            engine_power_w: 0.0,
            shift_left_s: 0.0,
            since_shift_s: 1.0,
            clutch_capacity_nm: CLUTCH_RESERVE * peak.max(car.engine.drag_torque_nm),
            shift_up_radps: shift_up_speeds(car),
            ratios,
        }
    }

    /// Front and rear line pressure \[Pa\]: a balance bar shares the pedal's effort.
    pub(super) fn line_pressure_pa(&self, car: &Car) -> [f64; 2] {
        let both = 2.0 * car.brakes.full_pressure_pa * self.line;
        [both * car.brakes.front_share, both * (1.0 - car.brakes.front_share)]
    }

    pub(super) fn antilock_cut(&self) -> f64 {
        1.0 - self.antilock_keep.iter().copied().fold(1.0, f64::min)
    }

    /// Rolling freely at a speed \[m/s\] in the lowest gear that leaves a reserve.
    pub(super) fn place(&mut self, car: &Car, speed_mps: f64) {
        for (i, spin) in self.spin.iter_mut().enumerate() {
            let axle = if i < 2 { &car.front } else { &car.rear };
            let tyre = &axle.tyre;
            let deflection = tyre.magic_formula.nominal_load_n / (3.0 * tyre.vertical_stiffness_npm);
            *spin = speed_mps / (tyre.magic_formula.unloaded_radius_m - deflection);
        }
        let out = self.output_speed(car);
        let fit = self.ratios.iter().position(|r| r * out < 0.92 * car.engine.limit_radps);
        self.gear = fit.map_or(self.ratios.len(), |i| i + 1) as u8;
        self.engine = (out * self.ratio()).max(car.engine.idle_radps);
        self.line = 0.0;
        self.antilock_keep = [1.0; 4];
        self.traction_cut = 0.0;
        self.drive_torque_nm = [0.0; 4];
        self.brake_torque_nm = [0.0; 4];
        self.shift_left_s = 0.0;
        self.since_shift_s = 1.0;
    }

    /// Ratio of the engaged gear with final drive; 0 in neutral.
    fn ratio(&self) -> f64 {
        self.gear.checked_sub(1).and_then(|i| self.ratios.get(usize::from(i))).copied().unwrap_or(0.0)
    }

    /// Speed at the gearbox output, before the final drive's ratio is counted \[rad/s\].
    fn output_speed(&self, car: &Car) -> f64 {
        let front = car.gearbox.driven.front_share();
        0.5 * (front * (self.spin[0] + self.spin[1]) + (1.0 - front) * (self.spin[2] + self.spin[3]))
    }

    /// Chooses or accepts a gear and starts the shift.
    fn shift(&mut self, car: &Car, request: GearRequest, throttle: f64, brake: f64, slipping: bool) {
        let out = self.output_speed(car).max(0.0);
        let limit = car.engine.limit_radps;
        let top = self.ratios.len();
        let now = usize::from(self.gear);
        let wanted = match request {
            GearRequest::Gear(gear) => {
                let gear = usize::from(gear).min(top);
                let over = gear > 0 && self.ratios[gear - 1] * out > 1.02 * limit;
                if over && gear < now { now } else { gear }
            }
            GearRequest::Automatic => {
                let now = now.max(1);
                let speed = self.ratios[now - 1] * out;
                if self.since_shift_s < SHIFT_PAUSE_S + car.gearbox.shift_time_s {
                    now
                } else if now < top && speed > self.shift_up_radps[now - 1] && !slipping {
                    now + 1
                } else if now > 1 {
                    let lower = self.ratios[now - 2] * out;
                    // Common practice: braking takes gears early for the exit, coasting late.
                    let below = if brake > 0.05 {
                        0.86 * limit
                    } else if throttle > 0.5 {
                        (0.90 * self.shift_up_radps[now - 2]).min(0.88 * limit)
                    } else {
                        0.55 * limit
                    };
                    if lower < below { now - 1 } else { now }
                } else {
                    now
                }
            }
        };
        if wanted != now {
            self.gear = wanted as u8;
            self.shift_left_s = car.gearbox.shift_time_s;
            self.since_shift_s = 0.0;
        }
    }

    /// One step of engine, clutch, differentials and brakes.
    #[inline]
    pub(super) fn step(&mut self, car: &Car, controls: &Controls, input: &WheelInput, dt: f64) {
        let throttle = sane(controls.throttle, 0.0, 1.0, 0.0);
        let brake = sane(controls.brake, 0.0, 1.0, 0.0);
        let pedal_free = 1.0 - sane(controls.clutch, 0.0, 1.0, 0.0);
        let front = car.gearbox.driven.front_share();
        let shares = [front, 1.0 - front];
        let driven = [front > 0.0, front < 1.0];

        // Traction control: cut in proportion to the excess slip, with the lag of an engine.
        let most_slip = (0..4).filter(|&i| driven[i / 2]).map(|i| input.slip_ratio[i]).fold(0.0, f64::max);
        let cut = match Assists::slip_target(car.assists.traction_control) {
            Some(target) if throttle > 0.0 => (10.0 * (most_slip - target)).clamp(0.0, 1.0),
            _ => 0.0,
        };
        self.traction_cut += (cut - self.traction_cut) * (dt / 0.03).min(1.0);
        if self.traction_cut < 1e-3 && cut == 0.0 {
            self.traction_cut = 0.0;
        }

        self.since_shift_s += dt;
        self.shift(car, controls.gear, throttle, brake, most_slip > 0.3);
        let shifting = self.shift_left_s > 0.0;
        self.shift_left_s = (self.shift_left_s - dt).max(0.0);
        let ratio = self.ratio();

        // Engine.
        let e = &car.engine;
        let fuelled = input.fuel && self.engine < e.limit_radps && !shifting;
        let pull = if fuelled { throttle * (1.0 - self.traction_cut) } else { 0.0 };
        let mut engine_nm =
            pull * e.full_torque_nm(self.engine) - (1.0 - pull) * e.closed_torque_nm(self.engine);
        if input.fuel && self.engine < 1.1 * e.idle_radps {
            // Idle control: closes the gap within about a tenth of a second.
            engine_nm += ((e.idle_radps - self.engine) * e.inertia_kgm2 / 0.1
                + e.closed_torque_nm(self.engine))
            .clamp(0.0, 0.5 * self.clutch_capacity_nm);
        }
        self.engine_power_w = (engine_nm * self.engine).max(0.0);
        let mut engine_free = self.engine + engine_nm / e.inertia_kgm2 * dt;

        // Brakes, solved against the torque of tyres and of the last step's drive.
        self.line += (brake - self.line) * (dt / car.brakes.lag_s).min(1.0);
        let per_wheel = 0.5 * car.brakes.max_torque_nm * self.line;
        let brake_share = [car.brakes.front_share, 1.0 - car.brakes.front_share];
        let antilock =
            Assists::slip_target(car.assists.antilock).filter(|_| brake > 0.02 && input.speed_mps > 2.0);
        let mut torque = [0.0; 4];
        for i in 0..4 {
            let axle = if i < 2 { &car.front } else { &car.rear };
            let keep = &mut self.antilock_keep[i];
            match antilock {
                Some(target) => {
                    let excess = -input.slip_ratio[i] - target;
                    let rate = if excess > 0.0 {
                        -ANTILOCK_RATE_PS[0] * (excess / target).min(2.0)
                    } else {
                        ANTILOCK_RATE_PS[1] * (-excess / target).min(1.0)
                    };
                    *keep = (*keep + rate * dt).clamp(0.02, 1.0);
                }
                None => *keep = (*keep + 4.0 * ANTILOCK_RATE_PS[1] * dt).min(1.0),
            }
            let pads = per_wheel * brake_share[i / 2] * *keep * input.friction[i];
            let rolling = axle.tyre.rolling_resistance * input.load_n[i] * input.radius_m[i];
            let inertia = axle.wheel_inertia_kgm2;
            let tyre = -input.force_x_n[i] * input.radius_m[i];
            let free = self.spin[i] + (tyre + self.drive_torque_nm[i]) / inertia * dt;
            let hold = (free * inertia / dt).clamp(-(pads + rolling), pads + rolling);
            self.brake_torque_nm[i] = hold * pads / (pads + rolling).max(1e-9);
            torque[i] = tyre - hold;
        }

        // Clutch: engine against the mean of the driven wheels.
        let inertias = [car.front.wheel_inertia_kgm2, car.rear.wheel_inertia_kgm2];
        let mut axle_nm = [0.0; 2];
        if ratio > 0.0 && !shifting {
            let mut out_free = 0.0;
            let mut out_yield = 0.0;
            for k in 0..2 {
                let mean = 0.5 * (self.spin[2 * k] + self.spin[2 * k + 1]);
                let push = (torque[2 * k] + torque[2 * k + 1]) / (2.0 * inertias[k]);
                out_free += shares[k] * (mean + push * dt);
                out_yield += shares[k] * shares[k] / (2.0 * inertias[k]);
            }
            let efficiency = car.gearbox.efficiency;
            let meet = (engine_free - ratio * out_free)
                / (dt * (1.0 / e.inertia_kgm2 + ratio * ratio * efficiency * out_yield));
            // Pulling away and not stalling: the clutch bites as the engine rises over idle, or, from rest with the
            // throttle open, over a starting speed.
            let start = if self.gear == 1 {
                throttle * (1.0 - input.speed_mps.abs() / START_UNTIL_MPS).max(0.0)
            } else {
                0.0
            };
            let from = e.idle_radps + start * (START_SPEED * e.limit_radps - e.idle_radps).max(0.0);
            let bite = ((self.engine / from - 0.9) / (0.6 - 0.45 * start)).clamp(0.0, 1.0);
            let capacity = self.clutch_capacity_nm * pedal_free * bite;
            let clutch_nm = meet.clamp(-capacity, capacity);
            engine_free -= clutch_nm / e.inertia_kgm2 * dt;
            axle_nm = shares.map(|share| share * clutch_nm * ratio * efficiency);
        } else if ratio > 0.0 {
            // During the shift the box brings the engine to the new gear's speed.
            let wanted = (ratio * self.output_speed(car)).clamp(e.idle_radps, e.limit_radps);
            let quick = (3.0 * dt / car.gearbox.shift_time_s.max(dt)).min(1.0);
            engine_free = self.engine + (wanted - self.engine) * quick;
        }
        self.engine = engine_free.clamp(0.2 * e.idle_radps, 1.25 * e.limit_radps);

        // Differentials and wheels.
        for k in 0..2 {
            let (left, right) = (2 * k, 2 * k + 1);
            let half = 0.5 * axle_nm[k];
            let inertia = inertias[k];
            let free = [left, right].map(|i| self.spin[i] + (torque[i] + half) / inertia * dt);
            let level = 0.5 * (free[0] - free[1]) * inertia / dt;
            let lock = match car.differential {
                _ if !driven[k] => 0.0,
                Differential::Open => 0.0,
                Differential::Locked => level,
                Differential::LimitedSlip { preload_nm, power_ramp, coast_ramp } => {
                    let ramp = if axle_nm[k] >= 0.0 { power_ramp } else { coast_ramp };
                    let most = 0.5 * (preload_nm + ramp * axle_nm[k].abs());
                    level.clamp(-most, most)
                }
            };
            self.drive_torque_nm[left] = half - lock;
            self.drive_torque_nm[right] = half + lock;
            self.spin[left] = (free[0] - lock / inertia * dt).clamp(-500.0, 700.0);
            self.spin[right] = (free[1] + lock / inertia * dt).clamp(-500.0, 700.0);
        }
    }
}

/// For each gear but the last, the engine speed from which the next gear pulls more; at most just below the limit.
fn shift_up_speeds(car: &Car) -> Vec<f64> {
    let (e, ratios) = (&car.engine, &car.gearbox.ratios);
    let last = 0.985 * e.limit_radps;
    ratios
        .windows(2)
        .map(|pair| {
            let drop = pair[1] / pair[0];
            let points = 200;
            (0..points)
                .map(|i| e.limit_radps * (0.5 + 0.5 * f64::from(i) / f64::from(points)))
                .find(|&w| w < last && e.full_torque_nm(w * drop) * drop > e.full_torque_nm(w))
                .unwrap_or(last)
        })
        .collect()
}
