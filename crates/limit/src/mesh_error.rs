//! What the mesh does to the lap time: each interval's truncation error, weighed by its multipliers.
//!
//! Over an interval the plan's states and controls are integrated accurately (Runge-Kutta, accelerations linear between the
//! nodes, the centre line's curvature from its spline). The state then misses the next node's by a defect `d`, and the time
//! differs from the trapezoid's. Had the collocation been exact, its constraints would have been shifted by that defect, and
//! by the meaning of a multiplier the optimal cost by `λᵀd`: a dual-weighted residual `[Becker2001]`. Likewise borders and grip,
//! which the plan keeps at its nodes only, are worth their excess between nodes times their multipliers. The sum
//! estimates the mesh error of the lap time, the shares say where a finer mesh is worth it.

use vehicle::envelope::Envelope;

use crate::circuit::Circuit;
use crate::time::{COST_SCALE, Point, Problem, SCALE, TimeIterate};

/// Runge-Kutta steps per interval.
const PARTS: usize = 4;

/// Per interval: lap time on an exact mesh less lap time on this one \[s\], to first order.
pub(crate) fn interval_errors_s<E: Envelope + ?Sized>(
    circuit: &Circuit,
    problem: &Problem<'_, E>,
    iterate: &TimeIterate,
) -> Vec<f64> {
    let mesh = problem.mesh;
    let n = mesh.len();
    let halves = 2 * PARTS;
    // Curvature at both ends and in the middle of every part; the end of the last one is the first node.
    let places = (0..n)
        .flat_map(|k| (0..halves).map(move |j| mesh.s_m[k] + mesh.steps_m[k] * j as f64 / halves as f64));
    let length = circuit.length_m();
    let places: Vec<f64> = places.map(|s| s.min(length)).collect();
    let fine = circuit.mesh_at(&places);
    let curvature = &fine.curvature_radpm;
    let half_width = 0.5 * problem.envelope.width_m();

    (0..n)
        .map(|k| {
            let next = (k + 1) % n;
            let (from, to) = (Point::from_scaled(&iterate.z[k]), Point::from_scaled(&iterate.z[next]));
            let h = mesh.steps_m[k] / PARTS as f64;
            let slope = |x: &[f64; 4], half: usize| {
                let t = half as f64 / halves as f64;
                let kappa = curvature[(k * halves + half) % curvature.len()];
                let q = 1.0 - x[1] * kappa;
                let tau = q / (x[3] * x[2].cos());
                let a_t = from.a_t + t * (to.a_t - from.a_t);
                let a_y = from.a_y + t * (to.a_y - from.a_y);
                let a_x = a_t - problem.envelope.drag(x[3]).value;
                [tau, q * x[2].tan(), a_y / x[3] * tau - kappa, a_x * tau]
            };
            let moved = |x: &[f64; 4], d: &[f64; 4], by: f64| -> [f64; 4] {
                std::array::from_fn(|i| x[i] + by * d[i])
            };
            let mut x = [0.0, from.offset, from.angle, from.speed];
            let mut excess = 0.0;
            for part in 0..PARTS {
                let k1 = slope(&x, 2 * part);
                let k2 = slope(&moved(&x, &k1, 0.5 * h), 2 * part + 1);
                let k3 = slope(&moved(&x, &k2, 0.5 * h), 2 * part + 1);
                let k4 = slope(&moved(&x, &k3, h), 2 * part + 2);
                for i in 0..4 {
                    x[i] += h / 6.0 * (k1[i] + 2.0 * (k2[i] + k3[i]) + k4[i]);
                }
                if part + 1 < PARTS {
                    let t = (part + 1) as f64 / PARTS as f64;
                    let at = k * halves + 2 * (part + 1);
                    let (low, high) = (half_width - fine.right_m[at], fine.left_m[at] - half_width);
                    let (a_t, a_y) = (from.a_t + t * (to.a_t - from.a_t), from.a_y + t * (to.a_y - from.a_y));
                    let beyond =
                        [x[1] - high, low - x[1], problem.envelope.usage(x[3], a_t, a_y).value - 1.0];
                    for (i, beyond) in beyond.into_iter().enumerate() {
                        let density = |k: usize| iterate.dual[k][i] / mesh.weight_m[k];
                        let (one, other) = (density(k), density(next));
                        // What is beyond has to be given up; room to spare is a gain only between nodes that both touch.
                        excess +=
                            h * beyond * if beyond > 0.0 { 0.5 * (one + other) } else { one.min(other) };
                    }
                }
            }
            let tau = |p: &Point, kappa: f64| (1.0 - p.offset * kappa) / (p.speed * p.angle.cos());
            let trapezoid = 0.5
                * mesh.steps_m[k]
                * (tau(&from, mesh.curvature_radpm[k]) + tau(&to, mesh.curvature_radpm[next]));
            let defect =
                [(to.offset - x[1]) / SCALE[0], (to.angle - x[2]) / SCALE[1], (to.speed - x[3]) / SCALE[2]];
            let worth: f64 = iterate.lambda[k].iter().zip(defect).map(|(l, d)| l * d).sum();
            x[0] - trapezoid + (worth + excess) / COST_SCALE
        })
        .collect()
}
