//! Steady state: the trimmed car, its understeer gradient, its balance at the limit.
//!
//! A trim finds steering angle, sideslip angle and the slip ratios of both axles for which the tyres make the wanted
//! accelerations and yaw moment. Wheels of one axle get about the same torque (slip ratio in inverse proportion to
//! their slip stiffness). Newton's method with a line search; when that fails the target is approached in small
//! steps; either way the number of steps is bounded and the answer says how far off it is.
//!
//! # Source
//! `[ISO4138]` (constant radius), `[Milliken1995]` ch. 5 and 8 (gradients, yaw moment against lateral acceleration).

use crate::axle_grip::{AxleTyres, running_pressure_pa};
use crate::car::{Car, GRAVITY_MPS2};
use crate::envelope::AtSpeed;
use crate::ggv::{self, LimitingAxle, limit_point, lock_force_n};
use crate::loads::{LoadCase, Loads};
use crate::single_track::SingleTrack;
use crate::tyre::Side;
use crate::wheels::Wheels;

/// What the trimmed car is to do.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TrimTarget {
    /// Speed \[m/s\], above 0.5.
    pub speed_mps: f64,
    /// Tyre-made acceleration along the path \[m/s²\].
    pub accel_t_mps2: f64,
    /// Acceleration across the path, to the left \[m/s²\].
    pub accel_y_mps2: f64,
    /// Yaw moment left over \[N m\], 0 in steady cornering.
    pub yaw_moment_nm: f64,
}

/// A trimmed car.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Trim {
    /// Mean steering angle of the front wheels \[rad\].
    pub steer_rad: f64,
    /// Sideslip angle \[rad\].
    pub sideslip_rad: f64,
    /// Slip ratio of front and rear axle \[-\].
    pub slip_ratio: [f64; 2],
    /// Loads and attitude.
    pub loads: Loads,
    /// Tyre forces to the left in each wheel's axes \[N\].
    pub force_y_n: Wheels<f64>,
    /// Tyre forces forward in each wheel's axes \[N\].
    pub force_x_n: Wheels<f64>,
    /// Whether the target is met within 1e-4 m/s².
    pub converged: bool,
    /// How far the tyres miss the target \[m/s²\], yaw moment counted over mass and wheelbase.
    pub miss_mps2: f64,
}

/// Unknowns: steering angle, sideslip angle, front and rear slip ratio.
type Unknowns = [f64; 4];

/// Largest values a trim looks at.
const BOUNDS: Unknowns = [0.7, 0.5, 0.6, 0.6];
/// Largest change in one Newton step.
const STRIDE: Unknowns = [0.06, 0.05, 0.06, 0.06];

/// Everything worked out at one guess.
struct Guess {
    miss: [f64; 4],
    axle_force_y: [f64; 2],
    force_x: f64,
    fx: [f64; 4],
    fy: [f64; 4],
}

/// What stays the same while one target is sought.
struct Trimmer<'a> {
    car: &'a Car,
    mass: f64,
    a: f64,
    target: TrimTarget,
}

impl<'a> Trimmer<'a> {
    fn new(car: &'a Car, target: TrimTarget) -> Self {
        Self { car, mass: car.mass_kg(car.fuel.mass_kg), a: car.cg_to_front_axle_m(car.fuel.mass_kg), target }
    }

    /// Load case for the axle forces of the last guess.
    fn loads(&self, x: &Unknowns, last: Option<&Guess>) -> Loads {
        let t = &self.target;
        let mut case = LoadCase::level(self.car, t.speed_mps, [t.accel_t_mps2, t.accel_y_mps2]);
        let (s, c) = x[1].sin_cos();
        case.force_x_n = self.mass * (t.accel_t_mps2 * c - t.accel_y_mps2 * s);
        if let Some(guess) = last {
            // Half way, so that loads and forces settle instead of chasing each other at the limit.
            case.force_x_n = 0.5 * (case.force_x_n + guess.force_x);
            case.axle_force_y_n = [0, 1].map(|k| 0.5 * (case.axle_force_y_n[k] + guess.axle_force_y[k]));
        }
        Loads::settle(self.car, &case)
    }

    fn guess(&self, x: &Unknowns, loads: &Loads) -> Guess {
        let (car, t) = (self.car, &self.target);
        let l = car.body.wheelbase_m;
        let v = t.speed_mps.max(0.5);
        let rate = t.accel_y_mps2 / v;
        let [steer, sideslip, kf, kr] = *x;
        let (vx, vy) = (v * sideslip.cos(), v * sideslip.sin());
        let spread = car.steering.ackermann * car.front.track_m / (2.0 * l) * steer * steer;
        let angle = [
            steer + spread - car.front.toe_rad,
            steer - spread + car.front.toe_rad,
            -car.rear.toe_rad,
            car.rear.toe_rad,
        ];
        let load = loads.load_n.to_array();
        let camber = loads.inclination_rad.to_array();
        let tyre: [_; 4] = std::array::from_fn(|i| {
            let axle = if i < 2 { &car.front } else { &car.rear };
            let (side, left) = if i % 2 == 0 { (Side::Left, true) } else { (Side::Right, false) };
            axle.tyre.magic_formula.loaded(side, load[i], camber[i], running_pressure_pa(axle, left), 1.0)
        });
        let mut out =
            Guess { miss: [0.0; 4], axle_force_y: [0.0; 2], force_x: 0.0, fx: [0.0; 4], fy: [0.0; 4] };
        let mut moment = 0.0;
        let mut along = [0.0; 2];
        let mut stiffness = [0.0; 2];
        for i in 0..4 {
            let axle = if i < 2 { &car.front } else { &car.rear };
            let px = if i < 2 { self.a } else { self.a - l };
            let py = if i % 2 == 0 { 0.5 * axle.track_m } else { -0.5 * axle.track_m };
            let (s, c) = angle[i].sin_cos();
            let (bx, by) = (vx - rate * py, vy + rate * px);
            let (wx, wy) = (bx * c + by * s, by * c - bx * s);
            let pair = [tyre[i & 2].slip_stiffness_n(), tyre[(i & 2) + 1].slip_stiffness_n()];
            let kappa = if i < 2 { kf } else { kr } * 0.5 * (pair[0] + pair[1])
                / pair[i % 2].max(0.2 * (pair[0] + pair[1]));
            let f = tyre[i].forces(kappa, wy / wx.abs().max(0.1));
            out.fx[i] = f.fx_n;
            out.fy[i] = f.fy_n;
            along[i / 2] += f.fx_n;
            stiffness[i / 2] += 0.5 * tyre[i].slip_stiffness_n();
            let (fx, fy) = (f.fx_n * c - f.fy_n * s, f.fx_n * s + f.fy_n * c);
            out.force_x += fx;
            out.axle_force_y[i / 2] += fy;
            moment += px * fy - py * fx + f.mz_nm;
        }
        // A differential's friction drags the faster outer wheel and drives the inner one, at most until both turn
        // alike.
        let share = car.gearbox.driven.front_share();
        for (k, axle, driven) in [(0, &car.front, share > 0.0), (1, &car.rear, share < 1.0)] {
            if driven {
                let alike = stiffness[k] * axle.track_m * rate / v;
                let most = lock_force_n(car, k == 0, along[k]);
                moment -= 0.5 * axle.track_m * alike.clamp(-most, most);
            }
        }
        let (s, c) = sideslip.sin_cos();
        let wanted = [t.accel_t_mps2 * c - t.accel_y_mps2 * s, t.accel_t_mps2 * s + t.accel_y_mps2 * c];
        let front =
            if along[0] + along[1] < 0.0 { car.brakes.front_share } else { car.gearbox.driven.front_share() };
        out.miss = [
            out.force_x / self.mass - wanted[0],
            (out.axle_force_y[0] + out.axle_force_y[1]) / self.mass - wanted[1],
            (moment - t.yaw_moment_nm) / (self.mass * l),
            ((1.0 - front) * along[0] - front * along[1]) / self.mass,
        ];
        out
    }

    /// Newton's method from a start; the best point found and its miss.
    fn newton(&self, start: Unknowns) -> (Unknowns, Loads, Guess, f64) {
        let size = |g: &Guess| g.miss.iter().map(|m| m * m).sum::<f64>().sqrt();
        let mut x = start;
        let mut loads = self.loads(&x, None);
        let mut guess = self.guess(&x, &loads);
        let mut best = size(&guess);
        for _ in 0..40 {
            let mut jacobian = [[0.0; 4]; 4];
            for j in 0..4 {
                let mut moved = x;
                let h = 1e-5;
                moved[j] += h;
                let there = self.guess(&moved, &loads);
                for (i, row) in jacobian.iter_mut().enumerate() {
                    row[j] = (there.miss[i] - guess.miss[i]) / h;
                }
            }
            let Some(step) = solve4(jacobian, guess.miss.map(|m| -m)) else { break };
            let share = (0..4).map(|j| STRIDE[j] / step[j].abs().max(1e-12)).fold(1.0, f64::min);
            let mut taken = false;
            let mut factor = share;
            for _ in 0..7 {
                let next: Unknowns =
                    std::array::from_fn(|j| (x[j] + factor * step[j]).clamp(-BOUNDS[j], BOUNDS[j]));
                let trial = self.guess(&next, &loads);
                if size(&trial) < best * (1.0 - 1e-3 * factor) {
                    x = next;
                    guess = trial;
                    taken = true;
                    break;
                }
                factor *= 0.5;
            }
            // New loads for the new forces; they count in the miss.
            let settled = self.loads(&x, Some(&guess));
            let moved =
                (settled.load_n.fl - loads.load_n.fl).abs() + (settled.load_n.rr - loads.load_n.rr).abs();
            loads = settled;
            guess = self.guess(&x, &loads);
            best = size(&guess);
            if best < 1e-7 || (!taken && moved < 1e-3) {
                break;
            }
        }
        (x, loads, guess, best)
    }
}

/// Gaussian elimination for four unknowns; `None` when singular.
fn solve4(mut m: [[f64; 4]; 4], mut b: [f64; 4]) -> Option<[f64; 4]> {
    for k in 0..4 {
        let pivot = (k..4).max_by(|&i, &j| m[i][k].abs().total_cmp(&m[j][k].abs()))?;
        if m[pivot][k].abs() < 1e-9 {
            return None;
        }
        m.swap(k, pivot);
        b.swap(k, pivot);
        let row = m[k];
        for i in k + 1..4 {
            let factor = m[i][k] / row[k];
            for (target, from) in m[i][k..].iter_mut().zip(&row[k..]) {
                *target -= factor * from;
            }
            b[i] -= factor * b[k];
        }
    }
    for k in (0..4).rev() {
        for j in k + 1..4 {
            b[k] -= m[k][j] * b[j];
        }
        b[k] /= m[k][k];
    }
    Some(b)
}

/// Trims a car. `near` may hold the trim of a near target.
#[must_use]
pub fn trim(car: &Car, target: TrimTarget, near: Option<&Trim>) -> Trim {
    let whole = Trimmer::new(car, target);
    let start = near.map_or([0.0; 4], |t| [t.steer_rad, t.sideslip_rad, t.slip_ratio[0], t.slip_ratio[1]]);
    let mut found = whole.newton(start);
    if found.3 > 1e-4 {
        // In small steps from straight running.
        let mut x = [0.0; 4];
        for step in 1..=12 {
            let share = f64::from(step) / 12.0;
            let part = TrimTarget {
                accel_t_mps2: share * target.accel_t_mps2,
                accel_y_mps2: share * target.accel_y_mps2,
                yaw_moment_nm: share * target.yaw_moment_nm,
                ..target
            };
            x = Trimmer::new(car, part).newton(x).0;
        }
        let other = whole.newton(x);
        if other.3 < found.3 {
            found = other;
        }
    }
    let (x, loads, guess, miss) = found;
    Trim {
        steer_rad: x[0],
        sideslip_rad: x[1],
        slip_ratio: [x[2], x[3]],
        loads,
        force_y_n: Wheels::from_array(guess.fy),
        force_x_n: Wheels::from_array(guess.fx),
        converged: miss < 1e-4,
        miss_mps2: miss,
    }
}

/// The car as a linear single-track model at a speed \[m/s\]: stiffness of both axles at small slip under the loads
/// of straight running.
#[must_use]
pub fn linearised(car: &Car, speed_mps: f64) -> SingleTrack {
    let loads = Loads::settle(car, &LoadCase::level(car, speed_mps, [0.0, 0.0]));
    let [front, rear] = AxleTyres::of(car, &loads);
    let a = car.cg_to_front_axle_m(car.fuel.mass_kg);
    SingleTrack {
        mass_kg: car.mass_kg(car.fuel.mass_kg),
        yaw_inertia_kgm2: car.body.yaw_inertia(),
        a_m: a,
        b_m: car.body.wheelbase_m - a,
        front_npr: front.cornering_stiffness_npr(),
        rear_npr: rear.cornering_stiffness_npr(),
    }
}

/// One speed of a constant-radius run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RadiusPoint {
    /// Lateral acceleration \[m/s²\].
    pub accel_y_mps2: f64,
    /// Speed \[m/s\].
    pub speed_mps: f64,
    /// Mean steering angle of the front wheels \[rad\].
    pub steer_rad: f64,
    /// Sideslip angle \[rad\].
    pub sideslip_rad: f64,
    /// Roll \[rad\].
    pub roll_rad: f64,
}

/// A constant-radius run after `[ISO4138]`: left turn, steady speed, rising until the car cannot follow.
#[derive(Debug, Clone, PartialEq)]
pub struct ConstantRadius {
    /// Radius \[m\].
    pub radius_m: f64,
    /// Points, lateral acceleration rising.
    pub points: Vec<RadiusPoint>,
    /// Understeer gradient from 1 to 4 m/s² \[rad s²/m\]; `None` when fewer than three points lie there.
    pub linear_gradient: Option<f64>,
    /// Understeer gradient from 70 to 90 % of the largest lateral acceleration \[rad s²/m\].
    pub high_gradient: Option<f64>,
    /// Largest lateral acceleration the car could be trimmed at \[m/s²\].
    pub max_accel_y_mps2: f64,
}

/// Gradients in the unit of the trade: rad s²/m to degrees per g.
#[must_use]
pub fn degrees_per_g(gradient: f64) -> f64 {
    gradient.to_degrees() * GRAVITY_MPS2
}

/// Slope of a straight line through points by least squares; `None` below three points.
fn slope(points: impl Iterator<Item = (f64, f64)> + Clone) -> Option<f64> {
    let n = points.clone().count();
    if n < 3 {
        return None;
    }
    let (mx, my) = points.clone().fold((0.0, 0.0), |s, p| (s.0 + p.0, s.1 + p.1));
    let (mx, my) = (mx / n as f64, my / n as f64);
    let (xy, xx) =
        points.fold((0.0, 0.0), |s, p| (s.0 + (p.0 - mx) * (p.1 - my), s.1 + (p.0 - mx) * (p.0 - mx)));
    Some(xy / xx)
}

/// Runs the car round a circle \[m\], 10..1000, at rising speed.
#[must_use]
pub fn constant_radius(car: &Car, radius_m: f64) -> ConstantRadius {
    let radius_m = if radius_m.is_finite() { radius_m.clamp(10.0, 1000.0) } else { 100.0 };
    let mut points: Vec<RadiusPoint> = Vec::new();
    let mut near: Option<Trim> = None;
    let (mut ay, mut step) = (0.25, 0.25);
    while ay < 60.0 && step > 0.01 {
        let speed_mps = (ay * radius_m).sqrt();
        let target = TrimTarget {
            speed_mps,
            accel_t_mps2: drag(car, speed_mps).value,
            accel_y_mps2: ay,
            yaw_moment_nm: 0.0,
        };
        let trimmed = trim(car, target, near.as_ref());
        // A jump to the far side of a tyre's peak is no steady increase of speed.
        let jumped = near.is_some_and(|n| (n.steer_rad - trimmed.steer_rad).abs() > 0.08);
        if trimmed.converged && !jumped {
            points.push(RadiusPoint {
                accel_y_mps2: ay,
                speed_mps,
                steer_rad: trimmed.steer_rad,
                sideslip_rad: trimmed.sideslip_rad,
                roll_rad: trimmed.loads.roll_rad,
            });
            near = Some(trimmed);
            ay += step;
        } else {
            // The last converged one, then half the step.
            ay -= 0.5 * step;
            step *= 0.5;
        }
    }
    let max = points.last().map_or(0.0, |p| p.accel_y_mps2);
    let between = |low: f64, high: f64| {
        slope(
            points
                .iter()
                .filter(move |p| (low..=high).contains(&p.accel_y_mps2))
                .map(|p| (p.accel_y_mps2, p.steer_rad)),
        )
    };
    // Ackermann's angle L/R is the same at every point, so the slope of the steering angle is the gradient.
    ConstantRadius {
        radius_m,
        linear_gradient: between(1.0, 4.0),
        high_gradient: between(0.7 * max, 0.9 * max),
        max_accel_y_mps2: max,
        points,
    }
}

/// Deceleration by drag and rolling \[m/s²\].
fn drag(car: &Car, speed_mps: f64) -> AtSpeed {
    ggv::drag_deceleration(car, speed_mps)
}

/// Which axle gives up first in steady cornering, and by how much.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LimitBalance {
    /// Largest lateral acceleration at steady speed \[m/s²\].
    pub accel_y_mps2: f64,
    /// The axle that sets it.
    pub axle: LimitingAxle,
    /// What the rear could do over what the front can, less 1 \[-\]: positive understeers at the limit.
    pub front_deficit: f64,
}

/// Balance at the limit in a steady-speed corner at a speed \[m/s\].
#[must_use]
pub fn limit_balance(car: &Car, speed_mps: f64) -> LimitBalance {
    let push = drag(car, speed_mps).value;
    let mut point = limit_point(car, speed_mps, std::f64::consts::FRAC_PI_2, None);
    // Direction of steady speed: the drag is made up by the tyres.
    for _ in 0..4 {
        let theta = std::f64::consts::FRAC_PI_2 - (push / point.radius_mps2).min(0.9).asin();
        point = limit_point(car, speed_mps, theta, Some(&point));
    }
    let along = push.min(point.radius_mps2);
    LimitBalance {
        accel_y_mps2: (point.radius_mps2 * point.radius_mps2 - along * along).max(0.0).sqrt(),
        axle: point.axle,
        front_deficit: point.by_axle_mps2[1] / point.by_axle_mps2[0] - 1.0,
    }
}

/// One point of the yaw-moment diagram.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct YawMomentPoint {
    /// Steering angle \[rad\].
    pub steer_rad: f64,
    /// Sideslip angle \[rad\].
    pub sideslip_rad: f64,
    /// Lateral acceleration \[m/s²\].
    pub accel_y_mps2: f64,
    /// Yaw moment \[N m\].
    pub yaw_moment_nm: f64,
}

/// Yaw moment against lateral acceleration for all pairs of steering and sideslip angles at a speed \[m/s\], wheels
/// rolling freely.
///
/// Lateral acceleration, yaw rate and loads answer each other; 40 damped rounds settle them.
#[must_use]
pub fn yaw_moment_diagram(
    car: &Car,
    speed_mps: f64,
    steers_rad: &[f64],
    sideslips_rad: &[f64],
) -> Vec<YawMomentPoint> {
    let mut points = Vec::with_capacity(steers_rad.len() * sideslips_rad.len());
    for &sideslip_rad in sideslips_rad {
        for &steer_rad in steers_rad {
            let mut target =
                TrimTarget { speed_mps, accel_t_mps2: 0.0, accel_y_mps2: 0.0, yaw_moment_nm: 0.0 };
            let x = [steer_rad, sideslip_rad, 0.0, 0.0];
            let mut moment = 0.0;
            let mut last: Option<Guess> = None;
            for _ in 0..40 {
                let trimmer = Trimmer::new(car, target);
                let loads = trimmer.loads(&x, last.as_ref());
                let guess = trimmer.guess(&x, &loads);
                // Across the path: the body's forces turned by the sideslip angle.
                let (s, c) = sideslip_rad.sin_cos();
                let fy = guess.axle_force_y[0] + guess.axle_force_y[1];
                let ay = (fy * c - guess.force_x * s) / trimmer.mass;
                moment = guess.miss[2] * trimmer.mass * car.body.wheelbase_m;
                let change = ay - target.accel_y_mps2;
                target.accel_y_mps2 += 0.6 * change;
                last = Some(guess);
                if change.abs() < 1e-5 {
                    break;
                }
            }
            points.push(YawMomentPoint {
                steer_rad,
                sideslip_rad,
                accel_y_mps2: target.accel_y_mps2,
                yaw_moment_nm: moment,
            });
        }
    }
    points
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::simulation::{Controls, Road, Simulation, SimulationOptions};

    fn gt() -> Car {
        Car::from_toml_str(crate::examples::GT).unwrap()
    }

    /// Without camber, toe, roll steer and trail the gradient must be that of the closed form.
    #[test]
    fn understeer_gradient_meets_the_single_track_closed_form_for_small_slip() {
        let mut car = gt();
        car.aero.front_downforce_area_m2 = 0.0;
        car.aero.rear_downforce_area_m2 = 0.0;
        car.aero.drag_area_m2 = 0.05;
        car.body.cg_height_m = 0.06;
        for axle in [&mut car.front, &mut car.rear] {
            axle.toe_rad = 0.0;
            axle.camber_rad = 0.0;
            axle.camber_per_roll = 0.0;
            axle.roll_centre_height_m = 0.0;
            axle.tyre.rolling_resistance = 0.0;
            axle.tyre.magic_formula.qdz1 = 0.0;
            axle.tyre.magic_formula.qdz2 = 0.0;
        }
        let closed = linearised(&car, 15.0);
        let run = constant_radius(&car, 200.0);
        let near = run.points.iter().filter(|p| p.accel_y_mps2 <= 1.5);
        let k = slope(near.map(|p| (p.accel_y_mps2, p.steer_rad))).unwrap();
        let expected = closed.understeer_gradient();
        assert!((k - expected).abs() < 0.05 * expected.abs() + 2e-5, "{k} against {expected}");
    }

    #[test]
    fn a_trim_is_where_the_simulation_settles() {
        let car = gt();
        let options = SimulationOptions {
            roughness_m3: 0.0,
            tyre_temp_k: Some(343.15),
            cold_temp_k: Some(293.15),
            ..Default::default()
        };
        let mut simulation = Simulation::new(&car, options).unwrap();
        simulation.place(0.0, 0.0, 0.0, 30.0);
        let mut state = simulation.state();
        let mut held = 0.0;
        for _ in 0..6000 {
            held += 0.001 * (30.0 - state.speed_mps);
            let controls = Controls {
                throttle: (0.25 + 0.8 * (30.0 - state.speed_mps) + 0.5 * held).clamp(0.0, 1.0),
                steering_wheel_angle_rad: 0.45,
                ..Default::default()
            };
            simulation.step(&controls, &Road::default());
            state = simulation.state();
        }
        let target = TrimTarget {
            speed_mps: state.speed_mps,
            accel_t_mps2: drag(&car, state.speed_mps).value,
            accel_y_mps2: state.accel_y_mps2,
            yaw_moment_nm: 0.0,
        };
        let trimmed = trim(&car, target, None);
        assert!(trimmed.converged, "{trimmed:?}");
        let (want, got) = (state.road_wheel_angle_rad, trimmed.steer_rad);
        assert!((want - got).abs() < 0.04 * want, "steer {got} against {want}, ay {}", state.accel_y_mps2);
        assert!(
            (state.sideslip_rad - trimmed.sideslip_rad).abs() < 0.0015,
            "{} {}",
            state.sideslip_rad,
            trimmed.sideslip_rad
        );
    }

    #[test]
    fn a_trim_beyond_the_grip_ends_and_says_how_far_off_it_is() {
        let target =
            TrimTarget { speed_mps: 30.0, accel_t_mps2: -5.0, accel_y_mps2: 40.0, yaw_moment_nm: 0.0 };
        let trimmed = trim(&gt(), target, None);
        assert!(!trimmed.converged && trimmed.miss_mps2 > 5.0 && trimmed.miss_mps2.is_finite());
    }

    #[test]
    fn more_rear_bar_means_less_understeer_and_more_front_bar_more() {
        let base = limit_balance(&gt(), 40.0).front_deficit;
        let mut rear = gt();
        rear.rear.anti_roll_bar_nmprad *= 1.5;
        let mut front = gt();
        front.front.anti_roll_bar_nmprad *= 1.3;
        assert!(limit_balance(&rear, 40.0).front_deficit < base);
        assert!(limit_balance(&front, 40.0).front_deficit > base);
        let target =
            TrimTarget { speed_mps: 35.0, accel_t_mps2: 0.7, accel_y_mps2: 11.5, yaw_moment_nm: 0.0 };
        let steer = |car: &Car| trim(car, target, None).steer_rad;
        assert!(steer(&rear) < steer(&gt()) && steer(&front) > steer(&gt()));
    }

    #[test]
    fn the_yaw_moment_diagram_is_odd_and_crosses_zero_where_the_trim_is() {
        let car = gt();
        let angles = [-0.04, -0.02, 0.0, 0.02, 0.04];
        let points = yaw_moment_diagram(&car, 40.0, &angles, &angles);
        let n = points.len();
        for k in 0..n {
            let (p, q) = (&points[k], &points[n - 1 - k]);
            assert!((p.accel_y_mps2 + q.accel_y_mps2).abs() < 1e-3, "{p:?} {q:?}");
            assert!((p.yaw_moment_nm + q.yaw_moment_nm).abs() < 2.0, "{p:?} {q:?}");
        }
        let target = TrimTarget { speed_mps: 40.0, accel_t_mps2: 0.0, accel_y_mps2: 6.0, yaw_moment_nm: 0.0 };
        let t = trim(&car, target, None);
        let point = yaw_moment_diagram(&car, 40.0, &[t.steer_rad], &[t.sideslip_rad])[0];
        assert!((point.accel_y_mps2 - 6.0).abs() < 0.1, "{point:?}");
        assert!(point.yaw_moment_nm.abs() < 400.0, "{point:?}");
    }

    proptest::proptest! {
        #![proptest_config(proptest::prelude::ProptestConfig::with_cases(60))]

        /// Whatever is asked of it, a trim ends with numbers; what it calls converged adds up to the target.
        #[test]
        fn any_trim_ends_and_what_converged_adds_up(
            speed in 1.0..90.0_f64, along in -30.0..20.0_f64, across in -40.0..40.0_f64, moment in -8e3..8e3_f64,
        ) {
            let car = gt();
            let target = TrimTarget {
                speed_mps: speed, accel_t_mps2: along, accel_y_mps2: across, yaw_moment_nm: moment,
            };
            let t = trim(&car, target, None);
            proptest::prop_assert!(t.miss_mps2.is_finite() && t.steer_rad.is_finite() && t.loads.load_n.sum().is_finite());
            if t.converged {
                // Forces in the car's axes, wheel by wheel.
                let spread = car.steering.ackermann * car.front.track_m / (2.0 * car.body.wheelbase_m) * t.steer_rad.powi(2);
                let angle = [
                    t.steer_rad + spread - car.front.toe_rad,
                    t.steer_rad - spread + car.front.toe_rad,
                    -car.rear.toe_rad,
                    car.rear.toe_rad,
                ];
                let (x, y) = (t.force_x_n.to_array(), t.force_y_n.to_array());
                let fx: f64 = (0..4).map(|i| x[i] * angle[i].cos() - y[i] * angle[i].sin()).sum();
                let fy: f64 = (0..4).map(|i| x[i] * angle[i].sin() + y[i] * angle[i].cos()).sum();
                let (s, c) = t.sideslip_rad.sin_cos();
                let mass = car.mass_kg(car.fuel.mass_kg);
                proptest::prop_assert!(((fx * c + fy * s) / mass - along).abs() < 1e-3);
                proptest::prop_assert!(((fy * c - fx * s) / mass - across).abs() < 1e-3);
            }
        }
    }
}
