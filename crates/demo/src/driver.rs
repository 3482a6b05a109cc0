//! The driver: follows a plan with hands and feet that are quick, but human.
//!
//! *Steering.* The lateral acceleration that brings the car back to its line,
//! `a_y = V²·κ(s + V·τ) − ω²·e − 2ζω·V·sin χ` (offset error e, course error χ), becomes a road-wheel angle through what
//! the driver knows of the car ([`Feel::steer`]), is corrected by the yaw rate that is missing, and never asks the front
//! tyres for more slip than gives grip.
//!
//! *Pedals.* The acceleration of the plan a moment ahead plus a share of the speed error. Brake: pressed up to the
//! threshold at once, released as the plan trails off. Throttle: as much as the plan asks for, less when the car slides.
//!
//! Control acts at 100 Hz; scatter belongs to places ([`crate::noise`]).

use crate::feel::Feel;
use crate::line::Road;
use crate::noise::Wander;
use crate::plan::Plan;
use vehicle::simulation::{Controls, GearRequest, State};

/// Time between decisions of hands and feet \[s\].
pub(crate) const CONTROL_S: f64 = 0.01;

/// How a driver handles the car; what is not here is in [`crate::plan::GripUse`] and in the scatter of the plan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Hands {
    /// Standard deviation of unwanted steering, at the wheel \[rad\].
    pub(crate) steer_noise_rad: f64,
    /// Standard deviation of the wanted speed \[share\].
    pub(crate) speed_noise: f64,
    /// Standard deviation of the foot's travel on the brake \[0..1\].
    pub(crate) foot_noise: f64,
    /// How fast the brake goes down and comes up, the throttle down and up \[1/s\].
    pub(crate) brake_rates_ps: (f64, f64),
    pub(crate) throttle_rates_ps: (f64, f64),
}

/// What comes between feet and car.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pedal {
    /// Share of the travel at which the program takes the pedal as fully pressed.
    pub(crate) full_at: f64,
    /// Steps of the sensor over the whole travel; 0 is fine enough not to count.
    pub(crate) levels: u32,
}

impl Pedal {
    pub(crate) const HEALTHY: Self = Self { full_at: 1.0, levels: 0 };

    /// What the sensor says of a travel, before any scaling.
    pub(crate) fn senses(self, travel: f64) -> f64 {
        let levels = f64::from(self.levels);
        if self.levels == 0 { travel } else { (travel * levels).round() / levels }
    }

    /// What the car gets for a travel.
    fn reads(self, travel: f64) -> f64 {
        (self.senses(travel) / self.full_at).clamp(0.0, 1.0)
    }
}

/// What the driver does at one moment, and with what.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Action {
    pub(crate) steering_wheel_rad: f64,
    pub(crate) throttle: f64,
    /// As it reaches the car.
    pub(crate) brake: f64,
    /// Position of the brake pedal.
    pub(crate) brake_travel: f64,
    /// What its sensor says.
    pub(crate) brake_sensor: f64,
}

impl Action {
    /// The controls a share `w` of the way from `before` to this action.
    pub(crate) fn controls(&self, before: &Self, w: f64) -> Controls {
        let mix = |a: f64, b: f64| a + w * (b - a);
        Controls {
            throttle: mix(before.throttle, self.throttle),
            brake: mix(before.brake, self.brake),
            clutch: 0.0,
            steering_wheel_angle_rad: mix(before.steering_wheel_rad, self.steering_wheel_rad),
            gear: GearRequest::Automatic,
        }
    }
}

/// Where the car is on the road, and how the plan looks from there.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Place {
    /// Abscissa since the line of this lap \[m\].
    pub(crate) s_m: f64,
    /// Offset from the centre line \[m\].
    pub(crate) offset_m: f64,
    /// Distance along the centre line since the start of the stint \[m\]: the place of the scatter.
    pub(crate) stint_m: f64,
}

/// The driver's state from one moment to the next.
#[derive(Debug, Clone)]
pub(crate) struct Driver {
    pub(crate) hands: Hands,
    pub(crate) pedal: Pedal,
    pub(crate) seed: u64,
    action: Action,
    travel: f64,
    /// How numb the wheel is, 0..1: share of the last moments with force feedback at its ceiling.
    numb: f64,
}

/// Reading of a plan's column at an abscissa, linear.
fn read(column: &[f64], u: f64) -> f64 {
    let u = u.clamp(0.0, (column.len() - 1) as f64 - 1e-9);
    let i = u as usize;
    column[i] + u.fract() * (column[i + 1] - column[i])
}

/// Undamped frequency and damping of the return to the line \[rad/s\], \[-\].
const RETURN_RADPS: f64 = 3.2;
const RETURN_DAMPING: f64 = 0.85;
/// How far ahead hands and feet act \[s\].
const HANDS_AHEAD_S: f64 = 0.07;
const FEET_AHEAD_S: f64 = 0.07;
/// Rear slip over its peak from which the driver counters a slide, and over which the hands go all the way \[-\].
const CATCH_FROM: f64 = 0.9;
const CATCH_OVER: f64 = 0.6;
/// Fastest turn of the steering wheel \[rad/s\].
const HAND_SPEED_RADPS: f64 = 9.0;

impl Driver {
    pub(crate) fn new(hands: Hands, pedal: Pedal, seed: u64) -> Self {
        Self { hands, pedal, seed, action: Action::default(), travel: 0.0, numb: 0.0 }
    }

    fn wander(&self, stream: u64, knot_m: f64, at: Place) -> f64 {
        Wander { seed: self.seed, stream, knot_m }.at(at.stint_m)
    }

    /// Decides what to do for the next [`CONTROL_S`].
    pub(crate) fn act(&mut self, feel: &Feel, road: &Road, plan: &Plan, state: &State, at: Place) -> Action {
        let clipped = if state.force_feedback_command.abs() >= 0.999 { 1.0 } else { 0.0 };
        self.numb += (clipped - self.numb) * CONTROL_S / 0.25;
        let before = self.action;
        let (steer, slide) = self.steer(feel, road, plan, state, at);
        let wheel = steer * feel.ratio;
        let most = HAND_SPEED_RADPS * CONTROL_S;
        let steering_wheel_rad =
            before.steering_wheel_rad + (wheel - before.steering_wheel_rad).clamp(-most, most);
        let (throttle, brake) = self.feet(feel, road, plan, state, at, slide);
        let ramp = |from: f64, to: f64, (up, down): (f64, f64)| {
            from + (to - from).clamp(-down * CONTROL_S, up * CONTROL_S)
        };
        let throttle = ramp(before.throttle, throttle, self.hands.throttle_rates_ps);
        // The foot has learned the pedal half-way: it presses a short pedal too hard by the root of what is missing.
        let wanted = if brake > 0.0 {
            brake * self.pedal.full_at.sqrt() + self.hands.foot_noise * self.wander(13, 15.0, at)
        } else {
            0.0
        };
        self.travel = ramp(self.travel, wanted.clamp(0.0, 1.0), self.hands.brake_rates_ps);
        self.action = Action {
            steering_wheel_rad,
            throttle,
            brake: self.pedal.reads(self.travel),
            brake_travel: self.travel,
            brake_sensor: self.pedal.senses(self.travel),
        };
        self.action
    }

    /// Road-wheel angle \[rad\], and how far the car slides beyond what the driver wants \[0..\].
    fn steer(&self, feel: &Feel, road: &Road, plan: &Plan, state: &State, at: Place) -> (f64, f64) {
        let v = state.speed_mps.max(5.0);
        let u = at.s_m / road.step_m;
        let ahead = (at.s_m + v * HANDS_AHEAD_S) / road.step_m;
        let error = at.offset_m - read(&plan.path.offset_m, u);
        let course = state.heading_rad + state.sideslip_rad;
        let off = course - read(&plan.path.heading_rad, u);
        // The heading of the plan begins anew on each lap: compare on the circle.
        let off = off.sin().atan2(off.cos());
        let wanted = v * v * read(&plan.path.curvature_1pm, ahead)
            - RETURN_RADPS * RETURN_RADPS * error
            - 2.0 * RETURN_DAMPING * RETURN_RADPS * v * off.sin();
        let most = 1.02 * feel.grip(v);
        let wanted = wanted.clamp(-most, most);
        let missing = wanted / v - state.yaw_rate_radps;
        let shake =
            (1.0 + 2.0 * self.numb) * self.hands.steer_noise_rad / feel.ratio * self.wander(11, 22.0, at);
        let steer = feel.steer(v, wanted) + (1.2 * feel.wheelbase_m / v + 0.03) * missing + shake;
        // Direction in which the front axle moves: slip beyond the peak gives nothing more.
        let vx = state.velocity_x_mps.max(3.0);
        let front = (state.velocity_y_mps + feel.front_m * state.yaw_rate_radps) / vx;
        let rear = (state.velocity_y_mps - (feel.wheelbase_m - feel.front_m) * state.yaw_rate_radps) / vx;
        let slip = 1.1 * feel.front_peak_slip(v);
        let held = steer.clamp(front - slip, front + slip);
        let beyond_front = (steer - held).abs() / slip;
        // When the rear lets go, the front wheels are turned to where the car is going: no more yaw from them.
        let catching = ((rear.abs() / feel.rear_peak_slip(v) - CATCH_FROM) / CATCH_OVER).clamp(0.0, 1.0);
        (held + catching * (front - held), beyond_front + catching)
    }

    /// Throttle and brake at the car that the driver wants.
    fn feet(
        &self,
        feel: &Feel,
        road: &Road,
        plan: &Plan,
        state: &State,
        at: Place,
        slide: f64,
    ) -> (f64, f64) {
        let v = state.speed_mps;
        let u = (at.s_m + v * FEET_AHEAD_S) / road.step_m;
        let here = at.s_m / road.step_m;
        let noise = 1.0 + self.hands.speed_noise * self.wander(12, 45.0, at);
        // Numb hands leave a margin: our assumption, no source.
        let target = read(&plan.speed_mps, u) * noise * (1.0 - 0.012 * self.numb);
        let planned = read(&plan.accel_mps2, u);
        // The car will have gained or lost a little speed by then.
        let expected = v + state.accel_x_mps2.clamp(-25.0, 12.0) * FEET_AHEAD_S;
        let curvature = read(&plan.path.curvature_1pm, here);
        let outside = -(at.offset_m - read(&plan.path.offset_m, here)) * curvature.signum();
        let wide = if curvature.abs() > 1.0 / 300.0 { (outside - 0.6).max(0.0) } else { 0.0 };
        let wanted = planned + 2.5 * (target - expected) - 1.5 * wide;
        let tyre = wanted + feel.resistance(v);
        let station = (u.round().max(0.0) as usize).min(plan.throttle_open.len() - 1);
        let engine = feel.engine_brake(v, state.gear);
        let throttle = if plan.throttle_open[station] && tyre > -0.5 * engine {
            let share = ((tyre + engine) / (feel.full_drive(v, state.gear) + engine)).max(0.0);
            // Nearly everything is everything: nobody holds a pedal at nine tenths on a straight.
            let share = if share > 0.75 { 0.75 + 2.5 * (share - 0.75) } else { share };
            (share * (1.0 - 1.5 * slide).max(0.0)).min(1.0)
        } else {
            0.0
        };
        let brake =
            if plan.brake_open[station] && tyre < -engine - 0.8 { feel.brake(-tyre - engine) } else { 0.0 };
        let brake = brake * (1.0 - 0.7 * slide.min(1.0));
        (if brake > 0.0 { 0.0 } else { throttle }, brake)
    }
}
