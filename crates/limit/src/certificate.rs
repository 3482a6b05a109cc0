//! Certificates: a lap checked after the solve by driving it again, independently of the solver.
//!
//! The plan's accelerations, linear between its nodes, are applied to the equations of motion of a point mass in
//! the curvilinear coordinates of [`crate::limit_lap`], integrated by the classical Runge-Kutta method on a finer
//! mesh, with the centre line's curvature taken from its spline at every stage. Integrated open loop, the truncation error
//! of the plan would pile up over the lap, as a driver's would who never looks: so a follower corrects offset and
//! angle over some 15 m and speed over some 30 m. Its corrections count: grip and borders are checked on what
//! was really driven.
//!
//! The drive begins ahead of the start line, so that the timed lap is a flying one.

use serde::Serialize;
use vehicle::envelope::Envelope;

use crate::circuit::Circuit;

/// Distance over which the follower takes out a lateral error \[m\].
const LATERAL_REACH_M: f64 = 15.0;
/// Distance over which the follower takes out a speed error \[m\].
const SPEED_REACH_M: f64 = 30.0;
/// Drive ahead of the timed lap \[m\]: ten times the longer reach.
const RUN_UP_M: f64 = 300.0;
/// Finest step of the check \[m\]; never more than a quarter of the plan's.
const STEP_M: f64 = 0.75;

/// Largest violations found on the driven lap.
#[derive(Debug, Clone, Copy, PartialEq, Default, Serialize)]
pub struct Violation {
    /// How far the car's side was beyond a border \[m\].
    pub border_m: f64,
    /// Share of the grip, or of the drive, used beyond 1 \[-\].
    pub grip_share: f64,
}

/// What the independent drive found.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Certificate {
    /// Lap time of the drive \[s\].
    pub lap_time_s: f64,
    /// Largest violations.
    pub violation: Violation,
    /// Largest distance of the drive from the plan \[m\].
    pub off_plan_m: f64,
    /// Steps of the integration.
    pub steps: usize,
}

/// A lap as planned: at node distances along the centre line, growing from 0 or more to below its length.
#[derive(Debug, Clone, PartialEq, Default)]
pub(crate) struct Plan {
    pub(crate) s_m: Vec<f64>,
    pub(crate) offset_m: Vec<f64>,
    pub(crate) angle_rad: Vec<f64>,
    pub(crate) speed_mps: Vec<f64>,
    /// Tyre-made longitudinal acceleration.
    pub(crate) a_t: Vec<f64>,
    pub(crate) a_y: Vec<f64>,
}

/// Values of a plan at one place.
#[derive(Clone, Copy)]
struct Wanted {
    offset: f64,
    /// Direction of the path against the x axis.
    heading: f64,
    speed: f64,
    a_t: f64,
    a_y: f64,
}

/// A plan with what is needed to interpolate it: between nodes the path bends as its lateral acceleration says,
/// while the centre line may wriggle under it; so headings are interpolated, not angles to the centre line.
struct Path<'a> {
    plan: &'a Plan,
    length: f64,
    turning: f64,
    heading: Vec<f64>,
    /// d heading/ds and dn/ds at the nodes.
    bend: Vec<f64>,
    drift: Vec<f64>,
}

impl<'a> Path<'a> {
    fn new(circuit: &Circuit, plan: &'a Plan) -> Self {
        let centre = circuit.centre_line().at_sorted(plan.s_m.iter().copied());
        let shrink = |k: usize| 1.0 - plan.offset_m[k] * centre[k].curvature_radpm;
        let nodes = 0..plan.s_m.len();
        Self {
            plan,
            length: circuit.length_m(),
            turning: circuit.centre_line().total_turning_rad(),
            heading: nodes.clone().map(|k| centre[k].heading_rad + plan.angle_rad[k]).collect(),
            bend: nodes
                .clone()
                .map(|k| {
                    plan.a_y[k] / (plan.speed_mps[k] * plan.speed_mps[k]) * shrink(k)
                        / plan.angle_rad[k].cos()
                })
                .collect(),
            drift: nodes.map(|k| shrink(k) * plan.angle_rad[k].tan()).collect(),
        }
    }

    /// Values at a distance, 0 to the length, and the node before it; searched from node `from` on.
    fn at(&self, s: f64, from: usize) -> (Wanted, usize) {
        let plan = self.plan;
        let n = plan.s_m.len();
        let mut k = from;
        // Ahead of the first node the last interval is meant, which reaches over the start line.
        let ahead = s < plan.s_m[0];
        if ahead {
            k = n - 1;
        }
        while k + 1 < n && plan.s_m[k + 1] <= s {
            k += 1;
        }
        let last = k + 1 == n;
        let next = if last { 0 } else { k + 1 };
        let h = plan.s_m[next] + if last { self.length } else { 0.0 } - plan.s_m[k];
        let into = s + if ahead { self.length } else { 0.0 } - plan.s_m[k];
        let t = (into / h).clamp(0.0, 1.0);
        let mix = |v: &[f64]| v[k] + t * (v[next] - v[k]);
        let hermite = |v: &[f64], slope: &[f64], lap: f64| {
            let rise = v[next] + if last { lap } else { 0.0 } - v[k];
            let (a, b) = (slope[k] * h - rise, rise - slope[next] * h);
            v[k] + t * (rise + (1.0 - t) * (a * (1.0 - t) + b * t))
        };
        let wanted = Wanted {
            offset: hermite(&plan.offset_m, &self.drift, 0.0),
            // Ahead of the first node the last node's heading is a lap older than the place.
            heading: hermite(&self.heading, &self.bend, self.turning)
                - if ahead { self.turning } else { 0.0 },
            speed: mix(&plan.speed_mps),
            a_t: mix(&plan.a_t),
            a_y: mix(&plan.a_y),
        };
        (wanted, if ahead { 0 } else { k })
    }
}

/// Drives a plan (see the module). `None` when the drive loses the plan altogether.
pub(crate) fn drive<E: Envelope + ?Sized>(
    circuit: &Circuit,
    envelope: &E,
    plan: &Plan,
) -> Option<Certificate> {
    let length = circuit.length_m();
    let coarse = length / plan.s_m.len() as f64;
    let steps = (length / STEP_M.min(0.25 * coarse)).ceil() as usize;
    let h = length / steps as f64;
    // Geometry at both ends and in the middle of every step.
    let mesh = circuit.sample(2 * steps);
    let half_width = 0.5 * envelope.width_m();

    let path = Path::new(circuit, plan);
    let run_up = ((RUN_UP_M / h).ceil() as usize).min(steps);
    let first = (steps - run_up) % steps;
    let (wanted, mut node) = path.at(mesh.s_m[2 * first], 0);
    let mut state = [0.0, wanted.offset, wanted.heading - mesh.heading_rad[2 * first], wanted.speed];
    let mut certificate =
        Certificate { lap_time_s: 0.0, violation: Violation::default(), off_plan_m: 0.0, steps };
    let mut clock_start = 0.0;
    for count in 0..run_up + steps {
        let i = (first + count) % steps;
        if i == 0 {
            node = 0;
        }
        // Half a step at a time: geometry and plan at the begin, in the middle and at the end.
        let stage = |j: usize, node: usize| {
            let over = 2 * i + j == 2 * steps;
            let index = if over { 0 } else { 2 * i + j };
            let (mut wanted, k) = path.at(mesh.s_m[index], if over { 0 } else { node });
            wanted.heading -= mesh.heading_rad[index];
            (wanted, mesh.curvature_radpm[index], k)
        };
        let (begin, curvature, k) = stage(0, node);
        node = k;
        let (middle, middle_curvature, _) = stage(1, node);
        let (end, end_curvature, _) = stage(2, node);
        if count == run_up {
            clock_start = state[0];
        }
        if count >= run_up {
            let (a_t, a_y) = follow(&state, curvature, &begin);
            let low = half_width - mesh.right_m[2 * i];
            let high = mesh.left_m[2 * i] - half_width;
            let v = &mut certificate.violation;
            v.grip_share = v.grip_share.max(used(envelope, state[3], a_t, a_y) - 1.0);
            v.border_m = v.border_m.max(state[1] - high).max(low - state[1]);
            certificate.off_plan_m = certificate.off_plan_m.max((state[1] - begin.offset).abs());
        }
        let slope = |x: &[f64; 4], curvature: f64, wanted: &Wanted| {
            let (a_t, a_y) = follow(x, curvature, wanted);
            let q = 1.0 - x[1] * curvature;
            let tau = q / (x[3] * x[2].cos());
            [tau, q * x[2].tan(), a_y / x[3] * tau - curvature, (a_t - envelope.drag(x[3]).value) * tau]
        };
        let moved = |x: &[f64; 4], k: &[f64; 4], by: f64| std::array::from_fn(|j| x[j] + by * k[j]);
        let k1 = slope(&state, curvature, &begin);
        let k2 = slope(&moved(&state, &k1, 0.5 * h), middle_curvature, &middle);
        let k3 = slope(&moved(&state, &k2, 0.5 * h), middle_curvature, &middle);
        let k4 = slope(&moved(&state, &k3, h), end_curvature, &end);
        for j in 0..4 {
            state[j] += h / 6.0 * (k1[j] + 2.0 * (k2[j] + k3[j]) + k4[j]);
        }
        if !(state[3] > 0.5 && state[2].abs() < 1.5 && state.iter().all(|x| x.is_finite())) {
            return None;
        }
    }
    certificate.lap_time_s = state[0] - clock_start;
    Some(certificate)
}

/// Accelerations driven: the plan's, corrected for what the state is off. `wanted.heading` is relative to the centre
/// line here, as the state's angle is.
fn follow(x: &[f64; 4], curvature: f64, wanted: &Wanted) -> (f64, f64) {
    // Per metre of the car's own path; the centre line's metre is longer or shorter by 1 − nκ.
    let scale = (1.0 - x[1] * curvature).max(0.05);
    let (rate, v2) = (1.0 / LATERAL_REACH_M, x[3] * x[3]);
    let lateral = -rate * rate * (x[1] - wanted.offset) / scale - 2.0 * rate * (x[2] - wanted.heading);
    // The plan's lateral acceleration belongs to its speed: the curvature is what is kept.
    let a_y = wanted.a_y * v2 / (wanted.speed * wanted.speed) + v2 * lateral;
    (wanted.a_t + x[3] / SPEED_REACH_M * (wanted.speed - x[3]), a_y)
}

/// Share of grip or drive in use, whichever is larger.
pub(crate) fn used<E: Envelope + ?Sized>(envelope: &E, speed: f64, a_t: f64, a_y: f64) -> f64 {
    let grip = envelope.usage(speed, a_t, a_y).value.max(0.0).sqrt();
    envelope
        .drive_limits(speed)
        .iter()
        .filter(|limit| limit.value.is_finite() && limit.value > 0.0)
        .map(|limit| a_t / limit.value)
        .fold(grip, f64::max)
}
