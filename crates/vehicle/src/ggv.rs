//! The g-g-V table: a full car's grip envelope by speed and direction, smooth between its points.
//!
//! At each speed V and direction θ of the tyre-made acceleration the largest size ρ is found for which both axles can
//! do their part: lateral force shared so that no yaw moment is left over, longitudinal force by brake bias or by the
//! driven axle, loads in balance with the very acceleration. The first axle at its limit sets it.
//!
//! Between the points `w = 1/ρ²` is a bicubic spline in (V, θ), twice differentiable: the usage is
//! `u = (a_t² + a_y²)·w(V, θ)`. An ellipse has a smooth w, so the spline follows real envelopes closely.
//!
//! # Source
//! The idea of the diagram `[Milliken1995]` ch. 9; splines `[deBoor2001]`.

use crate::axle_grip::{AxleTyres, Grip};
use crate::car::{AIR_DENSITY_KGPM3, Car, Differential, GRAVITY_MPS2};
use crate::envelope::{AtSpeed, Envelope, Usage};
use crate::loads::{LoadCase, Loads};

/// How fine a table is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct GgvOptions {
    /// Speeds from 0 to the largest, at least 4.
    pub speeds: usize,
    /// Directions round the circle, an even number of at least 16.
    pub directions: usize,
    /// Largest speed \[m/s\]; `None`: 1.1 times the top speed.
    pub max_speed_mps: Option<f64>,
    /// Grip of the surface \[-\], 1 for the dry track; scales the envelope.
    pub grip: f64,
}

impl Default for GgvOptions {
    fn default() -> Self {
        Self { speeds: 40, directions: 72, max_speed_mps: None, grip: 1.0 }
    }
}

/// Slip stiffness left to a tyre that corners near its limit. Common practice, no source.
const CORNERING_SLIP_STIFFNESS: f64 = 0.4;

/// Which axle is at its limit first.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum LimitingAxle {
    /// The front: the car runs wide.
    Front,
    /// The rear: the car turns in on itself.
    Rear,
}

/// A car's envelope as a table with smooth interpolation.
#[derive(Debug, Clone, PartialEq)]
pub struct GgvTable {
    speed_step_mps: f64,
    speeds: usize,
    directions: usize,
    /// Radii ρ \[m/s²\] at the points, by speed then direction.
    radius_mps2: Vec<f64>,
    limiting: Vec<LimitingAxle>,
    /// B-spline coefficients of w, `(speeds + 2) × directions`.
    coefficients: Vec<f64>,
    drive: Spline,
    drag: [f64; 2],
    width_m: f64,
}

/// One solved point of an envelope.
#[derive(Debug, Clone, Copy)]
pub(crate) struct LimitPoint {
    pub(crate) radius_mps2: f64,
    pub(crate) axle: LimitingAxle,
    /// Size that front and rear axle alone would allow \[m/s²\].
    pub(crate) by_axle_mps2: [f64; 2],
    /// Steering angle \[rad\], sideslip angle \[rad\], yaw moment of left-right differences over acceleration.
    attitude: [f64; 3],
    starts: [Option<Grip>; 2],
}

/// Largest tyre-made acceleration in direction θ \[rad\] (0 forward, π/2 left).
pub(crate) fn limit_point(
    car: &Car,
    speed_mps: f64,
    theta_rad: f64,
    near: Option<&LimitPoint>,
) -> LimitPoint {
    let mass = car.mass_kg(car.fuel.mass_kg);
    let l = car.body.wheelbase_m;
    let a = car.cg_to_front_axle_m(car.fuel.mass_kg);
    let b = l - a;
    let driven = [car.gearbox.driven.front_share() > 0.0, car.gearbox.driven.front_share() < 1.0];
    let lock = (0.5 * car.steering.lock_rad / car.steering.ratio).min(0.6);
    let mut radius = near.map_or(12.0, |p| p.radius_mps2);
    let mut starts = near.map_or([None; 2], |p| p.starts);
    // Steering angle, sideslip angle, and the yaw moment of left-right differences over the acceleration.
    let [mut steer, mut sideslip, mut moment] = near.map_or([0.0; 3], |p| p.attitude);
    let mut by_axle = [f64::INFINITY; 2];
    let mut loads: Option<Loads> = None;
    let mut last: Option<(f64, f64)> = None;
    for round in 0..24 {
        // Demands of a unit acceleration, in the car's axes.
        let (sin_p, cos_p) = (theta_rad + sideslip).sin_cos();
        let (along, across) = (mass * cos_p, mass * sin_p);
        let side = [(across * b - moment) / l, (across * a + moment) / l];
        let (sin_s, cos_s) = steer.sin_cos();
        // What the wheels push along themselves: also what the steered front's lateral force takes away.
        let needed = along + side[0] * sin_s / cos_s;
        let front = if needed < 0.0 { car.brakes.front_share } else { car.gearbox.driven.front_share() };
        let push = needed / (front / cos_s + 1.0 - front);
        let wheel =
            [(front * push, (side[0] - front * push * sin_s) / cos_s), ((1.0 - front) * push, side[1])];
        let mut case = LoadCase::level(car, speed_mps, [0.0; 2]);
        case.force_x_n = radius * along;
        case.axle_force_y_n = side.map(|f| radius * f);
        let settled = Loads::settle_near(car, &case, loads.as_ref());
        let axles = AxleTyres::of(car, &settled);
        loads = Some(settled);
        for k in 0..2 {
            let size = wheel[k].0.hypot(wheel[k].1);
            if size < 1e-6 * mass {
                by_axle[k] = f64::INFINITY;
                starts[k] = None;
                continue;
            }
            let grip = axles[k].most(wheel[k].1.atan2(wheel[k].0), starts[k].as_ref());
            by_axle[k] = grip.force_n / size;
            starts[k] = Some(grip);
        }
        let next = by_axle[0].min(by_axle[1]).clamp(0.05, 200.0);
        // Path curvature [1/m]; no car turns tighter than its lock lets it.
        let turn = next * theta_rad.sin() / (speed_mps * speed_mps).max(1.0);
        let turn = turn.clamp(-lock / l, lock / l);
        let mut slip = [0.0; 2];
        let mut new_moment = 0.0;
        for (k, axle) in [&car.front, &car.rear].into_iter().enumerate() {
            if let Some(grip) = &starts[k] {
                // An axle below its limit slips less: inverse of 2x/(1+x²), which peaks at 1 like a tyre.
                let share = (next / by_axle[k]).clamp(0.0, 1.0);
                let x =
                    if share < 1e-6 { 0.0 } else { (1.0 - (1.0 - share * share).max(0.0).sqrt()) / share };
                slip[k] = (x * grip.tan_slip_angle).atan();
                let (s, c) = if k == 0 { (sin_s, cos_s) } else { (0.0, 1.0) };
                // Brakes and differential give both wheels the same torque while there is grip for it; only when
                // the axle works mostly forward or back does the common slip, and so the difference, take over.
                let (fx, fy) = wheel[k];
                let evened = fx * fx / (fx * fx + fy * fy);
                let mut along = grip.difference_n[0] * evened;
                if driven[k] && fx > -1e-9 * mass {
                    // The differential's friction helps the slower wheel: the inner one on its shorter way, until
                    // drive makes the light inner wheel slip more than that.
                    let most = lock_force_n(car, k == 0, next * fx);
                    let stiffness =
                        axles[k].slip_stiffness_n().map(|n| CORNERING_SLIP_STIFFNESS * n.max(1e3));
                    let way = axle.track_m * turn.abs();
                    let slip = 0.5 * next * fx * (1.0 / stiffness[0] - 1.0 / stiffness[1]).abs();
                    let inner_slower = (way - slip) / (way + slip + 1e-6);
                    along = along.clamp(-most, most) - most * (1.0 - evened) * inner_slower * theta_rad.sin();
                }
                let difference = along * c - grip.difference_n[1] * s;
                new_moment += 0.5 * axle.track_m * difference * share / next;
            }
        }
        let new_steer = (l * turn + slip[0] - slip[1]).clamp(-lock, lock);
        let new_sideslip = (b * turn - slip[1]).clamp(-0.3, 0.3);
        // Radians, and metres of arm: each is worth less than a tenth of a per cent of the radius.
        let done = (next - radius).abs() < 2e-5 * radius
            && (new_steer - steer).abs() < 2e-4
            && (new_sideslip - sideslip).abs() < 2e-4
            && (new_moment - moment).abs() < 5e-4 * mass;
        // More acceleration takes load off one axle and so lowers what it allows: a root of `next − radius`, which
        // falls with the radius, by secants. Plain repetition would swing where an axle is nearly empty.
        let surplus = next - radius;
        let slope = match last {
            Some((r, s)) if (radius - r).abs() > 1e-9 * radius => {
                ((surplus - s) / (radius - r)).clamp(-8.0, -0.6)
            }
            _ => -1.2,
        };
        last = Some((radius, surplus));
        radius += (-surplus / slope).clamp(-0.3 * radius, 0.3 * radius);
        // Later rounds are damped, so that a pair of rounds that answer each other settles in between.
        let gain = if round < 5 { 1.0 } else { 0.5 };
        steer += gain * (new_steer - steer);
        sideslip += gain * (new_sideslip - sideslip);
        moment += gain * (new_moment - moment);
        if done {
            break;
        }
    }
    let axle = if by_axle[0] <= by_axle[1] { LimitingAxle::Front } else { LimitingAxle::Rear };
    LimitPoint {
        radius_mps2: radius,
        axle,
        by_axle_mps2: by_axle,
        starts,
        attitude: [steer, sideslip, moment],
    }
}

/// Largest difference of the two wheels' driving forces \[N\] that a differential lets the slower wheel have over the
/// faster one, at an axle force \[N\].
pub(crate) fn lock_force_n(car: &Car, front: bool, force_n: f64) -> f64 {
    let axle = if front { &car.front } else { &car.rear };
    match car.differential {
        Differential::Open => 0.0,
        Differential::Locked => force_n.abs(),
        Differential::LimitedSlip { preload_nm, power_ramp, coast_ramp } => {
            let ramp = if force_n >= 0.0 { power_ramp } else { coast_ramp };
            preload_nm / axle.tyre.magic_formula.unloaded_radius_m + ramp * force_n.abs()
        }
    }
}

/// Force that the engine can bring to the road at a speed \[N\], in the best gear; traction not counted.
#[must_use]
pub fn drive_force_n(car: &Car, speed_mps: f64) -> f64 {
    let front = car.gearbox.driven.front_share();
    let radius = |axle: &crate::car::Axle| {
        let f = &axle.tyre.magic_formula;
        f.unloaded_radius_m - f.nominal_load_n / (3.0 * axle.tyre.vertical_stiffness_npm)
    };
    let radius = front * radius(&car.front) + (1.0 - front) * radius(&car.rear);
    car.gearbox
        .ratios
        .iter()
        .enumerate()
        .map(|(i, ratio)| {
            let ratio = ratio * car.gearbox.final_drive;
            let engine = speed_mps / radius * ratio;
            // Beyond the limiter nothing; a little room lets the force fall instead of jump.
            let room =
                ((1.02 * car.engine.limit_radps - engine) / (0.02 * car.engine.limit_radps)).clamp(0.0, 1.0);
            // Below idle the clutch slips in the lowest gear.
            let engine = if i == 0 { engine.max(1.5 * car.engine.idle_radps) } else { engine };
            if engine < car.engine.idle_radps {
                return 0.0;
            }
            room * car.engine.full_torque_nm(engine) * ratio * car.gearbox.efficiency / radius
        })
        .fold(0.0, f64::max)
}

/// Drag and rolling resistance over mass as `c0 + c2 V²` \[m/s²\].
fn drag_terms(car: &Car) -> [f64; 2] {
    let mass = car.mass_kg(car.fuel.mass_kg);
    let half = 0.5 * AIR_DENSITY_KGPM3 / mass;
    let roll = 0.5 * (car.front.tyre.rolling_resistance + car.rear.tyre.rolling_resistance);
    let heights = [car.aero.front_design_height_m, car.aero.rear_design_height_m];
    let downforce: f64 = car.aero.downforce_areas_m2(heights[0], heights[1]).iter().sum();
    [roll * GRAVITY_MPS2, half * (car.drag_area_m2() + roll * downforce)]
}

/// Deceleration by drag and rolling resistance, downforce at design heights.
pub(crate) fn drag_deceleration(car: &Car, speed_mps: f64) -> AtSpeed {
    let [c0, c2] = drag_terms(car);
    AtSpeed { value: c0 + c2 * speed_mps * speed_mps, d: 2.0 * c2 * speed_mps, dd: 2.0 * c2 }
}

/// Speed at which drive and drag meet \[m/s\], on the level in still standard air.
#[must_use]
pub fn top_speed_mps(car: &Car) -> f64 {
    let mass = car.mass_kg(car.fuel.mass_kg);
    let [c0, c2] = drag_terms(car);
    let surplus = |v: f64| drive_force_n(car, v) / mass - c0 - c2 * v * v;
    // The last speed with a surplus, looking down from a speed no car reaches, then bisection.
    let mut high = 150.0;
    while high > 1.0 && surplus(high - 0.5) < 0.0 {
        high -= 0.5;
    }
    let mut low = (high - 0.5).max(0.0);
    for _ in 0..40 {
        let middle = 0.5 * (low + high);
        if surplus(middle) > 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
}

impl GgvTable {
    /// Works the table out.
    #[must_use]
    pub fn new(car: &Car, options: &GgvOptions) -> Self {
        let speeds = options.speeds.max(4);
        let directions = (options.directions.max(16) / 2) * 2;
        let top = top_speed_mps(car);
        let max_speed = options.max_speed_mps.filter(|v| v.is_finite() && *v > 1.0).unwrap_or(1.1 * top);
        let speed_step_mps = max_speed / (speeds - 1) as f64;
        let grip = if options.grip.is_finite() { options.grip.clamp(0.05, 3.0) } else { 1.0 };
        let half = directions / 2;
        let lopsided = car_is_lopsided(car);
        // One direction at all speeds, each from the speed before. Left and right are alike but for the pressures, and
        // of those the mean counts.
        let column = |j: usize| -> Vec<(f64, LimitingAxle)> {
            let theta = std::f64::consts::TAU * j as f64 / directions as f64;
            let (mut left, mut right) = (None, None);
            (0..speeds)
                .map(|i| {
                    let speed = speed_step_mps * i as f64;
                    let point = *left.insert(limit_point(car, speed, theta, left.as_ref()));
                    if lopsided && j > 0 && j < half {
                        let other = *right.insert(limit_point(car, speed, -theta, right.as_ref()));
                        (0.5 * (point.radius_mps2 + other.radius_mps2), point.axle)
                    } else {
                        (point.radius_mps2, point.axle)
                    }
                })
                .collect()
        };
        // Columns know nothing of each other, so the table is the same however many threads share them.
        let threads = std::thread::available_parallelism().map_or(1, usize::from).min(8);
        let columns: Vec<Vec<(f64, LimitingAxle)>> = std::thread::scope(|scope| {
            let column = &column;
            let workers: Vec<_> = (0..threads)
                .map(|t| scope.spawn(move || (t..=half).step_by(threads).map(column).collect::<Vec<_>>()))
                .collect();
            let mut parts: Vec<_> = workers
                .into_iter()
                .enumerate()
                .map(|(t, worker)| {
                    // A worker that died is done again here, so that its panic, if any, has this caller's stack.
                    worker
                        .join()
                        .unwrap_or_else(|_| (t..=half).step_by(threads).map(column).collect())
                        .into_iter()
                })
                .collect();
            (0..=half).filter_map(|j| parts[j % threads].next()).collect()
        });
        let mut radius_mps2 = vec![0.0; speeds * directions];
        let mut limiting = vec![LimitingAxle::Front; speeds * directions];
        for (j, column) in columns.iter().enumerate() {
            for (i, &(radius, axle)) in column.iter().enumerate() {
                for k in [j, (directions - j) % directions] {
                    radius_mps2[i * directions + k] = grip * radius;
                    limiting[i * directions + k] = axle;
                }
            }
        }
        let w: Vec<f64> = radius_mps2.iter().map(|r| 1.0 / (r * r)).collect();
        let coefficients = surface_coefficients(&w, speeds, directions);
        let mass = car.mass_kg(car.fuel.mass_kg);
        let nodes = 64;
        let drive_step = max_speed / f64::from(nodes - 1);
        let force: Vec<f64> =
            (0..nodes).map(|i| drive_force_n(car, drive_step * f64::from(i)) / mass).collect();
        Self {
            speed_step_mps,
            speeds,
            directions,
            radius_mps2,
            limiting,
            coefficients,
            drive: Spline::natural(drive_step, &force),
            drag: drag_terms(car),
            width_m: car.body.width_m,
        }
    }

    /// Speeds of the table \[m/s\].
    pub fn speeds_mps(&self) -> impl Iterator<Item = f64> + '_ {
        (0..self.speeds).map(|i| self.speed_step_mps * i as f64)
    }

    /// Directions of the table \[rad\], 0 forward, π/2 to the left.
    pub fn directions_rad(&self) -> impl Iterator<Item = f64> + '_ {
        (0..self.directions).map(|j| std::f64::consts::TAU * j as f64 / self.directions as f64)
    }

    /// Largest acceleration \[m/s²\] at a point of the table, and the axle that sets it; `None` outside.
    #[must_use]
    pub fn at_point(&self, speed: usize, direction: usize) -> Option<(f64, LimitingAxle)> {
        (speed < self.speeds && direction < self.directions).then(|| {
            let k = speed * self.directions + direction;
            (self.radius_mps2[k], self.limiting[k])
        })
    }

    /// w and its derivatives: value, V, θ, VV, Vθ, θθ.
    fn surface(&self, speed_mps: f64, theta_rad: f64) -> [f64; 6] {
        let last = (self.speeds - 1) as f64;
        let x = (speed_mps / self.speed_step_mps).clamp(0.0, last);
        let beyond = speed_mps / self.speed_step_mps - x;
        let i = (x as usize).min(self.speeds - 2);
        let bv = basis(x - i as f64);
        let step = std::f64::consts::TAU / self.directions as f64;
        let y = (theta_rad / step).rem_euclid(self.directions as f64);
        let j = (y as usize).min(self.directions - 1);
        let bt = basis(y - j as f64);
        let mut out = [0.0; 6];
        for (p, &[v, dv, ddv]) in bv.iter().enumerate() {
            let row = (i + p) * self.directions;
            let mut sum = [0.0; 3];
            for (q, b) in bt.iter().enumerate() {
                let c = self.coefficients[row + (j + q + self.directions - 1) % self.directions];
                for (s, b) in sum.iter_mut().zip(b) {
                    *s += c * b;
                }
            }
            out[0] += v * sum[0];
            out[1] += dv * sum[0];
            out[2] += v * sum[1];
            out[3] += ddv * sum[0];
            out[4] += dv * sum[1];
            out[5] += v * sum[2];
        }
        if beyond != 0.0 {
            // Straight on beyond the ends; there the second derivative over V is 0 (natural spline).
            out[0] += beyond * out[1];
            out[2] += beyond * out[4];
            out[3] = 0.0;
        }
        let (iv, it) = (1.0 / self.speed_step_mps, 1.0 / step);
        [out[0].max(1e-6), out[1] * iv, out[2] * it, out[3] * iv * iv, out[4] * iv * it, out[5] * it * it]
    }
}

/// Whether left and right differ.
fn car_is_lopsided(car: &Car) -> bool {
    [car.front.cold_pressure_pa, car.rear.cold_pressure_pa].iter().any(|[l, r]| (l - r).abs() > 1.0)
}

/// Uniform cubic B-spline: the four basis functions at `t` in 0..1 with first and second derivatives.
#[inline]
fn basis(t: f64) -> [[f64; 3]; 4] {
    let u = 1.0 - t;
    [
        [u * u * u / 6.0, -0.5 * u * u, u],
        [(3.0 * t * t * t - 6.0 * t * t + 4.0) / 6.0, 1.5 * t * t - 2.0 * t, 3.0 * t - 2.0],
        [(3.0 * u * u * u - 6.0 * u * u + 4.0) / 6.0, -1.5 * u * u + 2.0 * u, 3.0 * u - 2.0],
        [t * t * t / 6.0, 0.5 * t * t, t],
    ]
}

/// Coefficients of the interpolating surface: natural over speed, periodic over direction.
fn surface_coefficients(w: &[f64], speeds: usize, directions: usize) -> Vec<f64> {
    let mut across = vec![0.0; speeds * directions];
    for i in 0..speeds {
        let row = periodic_coefficients(&w[i * directions..(i + 1) * directions]);
        across[i * directions..(i + 1) * directions].copy_from_slice(&row);
    }
    let mut out = vec![0.0; (speeds + 2) * directions];
    let mut column = vec![0.0; speeds];
    for j in 0..directions {
        for i in 0..speeds {
            column[i] = across[i * directions + j];
        }
        for (i, c) in natural_coefficients(&column).into_iter().enumerate() {
            out[i * directions + j] = c;
        }
    }
    out
}

/// Solves `(c[i−1] + 4 c[i] + c[i+1])/6 = y[i]` with c bent to zero curvature at both ends; n + 2 coefficients.
fn natural_coefficients(y: &[f64]) -> Vec<f64> {
    let n = y.len();
    // Zero second derivative at the ends makes the end coefficients the end values.
    let mut c = vec![0.0; n + 2];
    c[1] = y[0];
    c[n] = y[n - 1];
    // Thomas algorithm on the inner ones.
    let inner = n - 2;
    let mut factor = vec![0.0; inner];
    let mut right = vec![0.0; inner];
    for k in 0..inner {
        let mut rhs = 6.0 * y[k + 1];
        if k == 0 {
            rhs -= c[1];
        }
        if k == inner - 1 {
            rhs -= c[n];
        }
        let before = if k == 0 { (0.0, 0.0) } else { (factor[k - 1], right[k - 1]) };
        let pivot = 4.0 - before.0;
        factor[k] = 1.0 / pivot;
        right[k] = (rhs - before.1) / pivot;
    }
    for k in (0..inner).rev() {
        let after = if k + 1 < inner { c[k + 3] * factor[k] } else { 0.0 };
        c[k + 2] = right[k] - after;
    }
    c[0] = 2.0 * c[1] - c[2];
    c[n + 1] = 2.0 * c[n] - c[n - 1];
    c
}

/// Solves the periodic system of the same kind by the Sherman–Morrison formula.
fn periodic_coefficients(y: &[f64]) -> Vec<f64> {
    let n = y.len();
    let gamma = -4.0;
    let solve = |rhs: &[f64]| {
        let mut c = vec![0.0; n];
        let mut factor = vec![0.0; n];
        for k in 0..n {
            let diagonal = match k {
                0 => 4.0 - gamma,
                _ if k == n - 1 => 4.0 - 1.0 / gamma,
                _ => 4.0,
            };
            let (f, r) = if k == 0 { (0.0, 0.0) } else { (factor[k - 1], c[k - 1]) };
            let pivot = diagonal - f;
            factor[k] = 1.0 / pivot;
            c[k] = (rhs[k] - r) / pivot;
        }
        for k in (0..n - 1).rev() {
            c[k] -= factor[k] * c[k + 1];
        }
        c
    };
    let rhs: Vec<f64> = y.iter().map(|v| 6.0 * v).collect();
    let mut corner = vec![0.0; n];
    corner[0] = gamma;
    corner[n - 1] = 1.0;
    let (x, z) = (solve(&rhs), solve(&corner));
    let share = (x[0] + x[n - 1] / gamma) / (1.0 + z[0] + z[n - 1] / gamma);
    x.iter().zip(&z).map(|(x, z)| x - share * z).collect()
}

/// A natural cubic spline over speed from 0, straight beyond its end.
#[derive(Debug, Clone, PartialEq)]
struct Spline {
    step: f64,
    coefficients: Vec<f64>,
}

impl Spline {
    fn natural(step: f64, y: &[f64]) -> Self {
        Self { step, coefficients: natural_coefficients(y) }
    }

    fn at(&self, speed_mps: f64) -> AtSpeed {
        let n = self.coefficients.len() - 2;
        let x = (speed_mps / self.step).clamp(0.0, (n - 1) as f64);
        let beyond = speed_mps / self.step - x;
        let i = (x as usize).min(n - 2);
        let mut out = [0.0; 3];
        for (b, c) in basis(x - i as f64).iter().zip(&self.coefficients[i..]) {
            for (o, b) in out.iter_mut().zip(b) {
                *o += b * c;
            }
        }
        if beyond != 0.0 {
            out[0] += beyond * out[1];
            out[2] = 0.0;
        }
        AtSpeed { value: out[0], d: out[1] / self.step, dd: out[2] / (self.step * self.step) }
    }
}

impl Envelope for GgvTable {
    fn usage(&self, speed_mps: f64, a_t_mps2: f64, a_y_mps2: f64) -> Usage {
        let (t, y) = (a_t_mps2, a_y_mps2);
        let square = t * t + y * y;
        let [w, wv, wa, wvv, wva, waa] = self.surface(speed_mps, y.atan2(t));
        // At rest the second derivatives depend on the direction one leaves in: forward is taken.
        let (tt, ty, yy) =
            if square > 1e-12 { (t * t / square, t * y / square, y * y / square) } else { (1.0, 0.0, 0.0) };
        let utt = 2.0 * w - 2.0 * ty * wa + yy * waa;
        let uty = 2.0 * tt * wa - ty * waa - wa;
        let uyy = 2.0 * w + 2.0 * ty * wa + tt * waa;
        let (uvt, uvy) = (2.0 * t * wv - y * wva, 2.0 * y * wv + t * wva);
        Usage {
            value: square * w,
            gradient: [square * wv, 2.0 * t * w - y * wa, 2.0 * y * w + t * wa],
            hessian: [[square * wvv, uvt, uvy], [uvt, utt, uty], [uvy, uty, uyy]],
        }
    }

    fn drive_limits(&self, speed_mps: f64) -> [AtSpeed; 2] {
        [self.drive.at(speed_mps), AtSpeed::UNBOUNDED]
    }

    fn drag(&self, speed_mps: f64) -> AtSpeed {
        let [c0, c2] = self.drag;
        AtSpeed { value: c0 + c2 * speed_mps * speed_mps, d: 2.0 * c2 * speed_mps, dd: 2.0 * c2 }
    }

    fn width_m(&self) -> f64 {
        self.width_m
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::envelope::assert_derivatives;

    fn table() -> GgvTable {
        GgvTable::new(&Car::from_toml_str(crate::examples::GT).unwrap(), &GgvOptions::default())
    }

    #[test]
    fn derivatives_of_the_table_match_differences() {
        let table = table();
        for (v, a_t, a_y) in [(11.0, 3.0, -8.0), (43.3, -12.0, 9.0), (70.0, 2.0, 14.0), (30.1, -0.4, -13.0)] {
            assert_derivatives(&table, v, a_t, a_y, 2e-5);
        }
    }

    #[test]
    fn the_surface_passes_through_the_points() {
        let table = table();
        for (i, v) in table.speeds_mps().enumerate().step_by(7) {
            for (j, theta) in table.directions_rad().enumerate().step_by(5) {
                let (radius, _) = table.at_point(i, j).unwrap();
                let u = table.usage(v, radius * theta.cos(), radius * theta.sin()).value;
                assert!((u - 1.0).abs() < 1e-9, "{u} at V {v}, θ {theta}");
            }
        }
    }

    /// Between the points, solved from nothing instead of from a neighbour: most within 3e-4, where the limiting axle
    /// changes (a kink) within 2 %.
    #[test]
    fn between_the_points_the_table_follows_the_car() {
        for (name, text) in crate::examples::ALL {
            let car = Car::from_toml_str(text).unwrap();
            let table = GgvTable::new(&car, &GgvOptions::default());
            let mut off: Vec<f64> = (0..300)
                .map(|k| {
                    let k = f64::from(k);
                    let v = 2.0 + 70.0 * (0.618_034 * k).fract();
                    let theta = std::f64::consts::PI * (0.324_718 * k).fract();
                    let exact = limit_point(&car, v, theta, None).radius_mps2;
                    let u = table.usage(v, exact * theta.cos(), exact * theta.sin()).value;
                    (u.sqrt() - 1.0).abs()
                })
                .collect();
            off.sort_by(f64::total_cmp);
            assert!(
                off[299] < 0.02 && off[200] < 3e-4,
                "{name}: worst {}, two thirds {}",
                off[299],
                off[200]
            );
        }
    }

    #[test]
    fn soft_tyres_on_one_side_change_the_envelope_a_little_and_keeps_it_symmetric() {
        let mut car = Car::from_toml_str(crate::examples::GT).unwrap();
        let options = GgvOptions { speeds: 6, directions: 16, ..Default::default() };
        let even = GgvTable::new(&car, &options);
        car.front.cold_pressure_pa[0] -= 0.4e5;
        car.rear.cold_pressure_pa[0] -= 0.4e5;
        let odd = GgvTable::new(&car, &options);
        let (a, b) = (even.max_lateral(30.0, 0.0), odd.max_lateral(30.0, 0.0));
        assert!(b < a && b > 0.95 * a, "{b} against {a}");
        let side = |y| odd.usage(30.0, -3.0, y).value;
        assert!((side(7.0) - side(-7.0)).abs() < 1e-12);
    }

    #[test]
    fn grip_grows_with_speed_and_braking_uses_all_wheels() {
        let table = table();
        let lateral = |v| table.max_lateral(v, 0.0) / GRAVITY_MPS2;
        assert!((1.2..1.5).contains(&lateral(20.0)), "{}", lateral(20.0));
        assert!((1.5..2.0).contains(&lateral(70.0)), "{}", lateral(70.0));
        let (brake, drive) = table.longitudinal_range(30.0, 0.0).unwrap();
        assert!(brake < -11.0 && drive > 4.0 && drive < 0.8 * -brake, "{brake} {drive}");
    }
}
