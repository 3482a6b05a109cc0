//! Minimum-time lap: line and speed together.
//!
//! Along the centre line with curvature `κ`, with offset `n` to the left, angle `χ` to it and speed `V`,
//!
//! ```text
//! dt/ds = (1 − nκ)/(V cos χ) = τ
//! dn/ds = (1 − nκ) tan χ,   dχ/ds = (a_y/V) τ − κ,   dV/ds = (a_t − drag(V)) τ
//! ```
//!
//! inside the envelope and the borders, periodic: a point mass whose grip is the car's, sideslip and yaw transients
//! left out. Trapezoidal collocation at the mesh's nodes; κ is integrated exactly, as the change of heading.

use vehicle::envelope::{AtSpeed, Envelope};

use crate::circuit::Mesh;
use crate::curvature::angle_step;
use crate::interior::{Derivatives, Iterate, Stages, Values};
use crate::small::Vector;

pub(crate) const NX: usize = 3;
pub(crate) const NU: usize = 2;
pub(crate) const NZ: usize = 5;
pub(crate) const NG: usize = 5;

/// Sizes of (n \[m\], χ \[rad\], V \[m/s\], a_t \[m/s²\], a_y \[m/s²\]) that the solver sees as 1.
pub(crate) const SCALE: [f64; NZ] = [1.0, 0.1, 10.0, 10.0, 10.0];
/// Cost seen by the solver per second: it brings the multipliers near 1.
pub(crate) const COST_SCALE: f64 = 100.0;
/// Acceleration \[m/s²\] that the drive limits are measured by.
const DRIVE_SCALE: f64 = 10.0;
/// Weight \[s\] of the squared differences of neighbouring accelerations, in units of 10 m/s²: keeps controls from
/// alternating. Some 1e-4 s of the lap time goes for it at most, and it is not counted in.
const CALM_S: f64 = 3e-6;
/// Value of an inequality that never binds.
const NEVER: f64 = -1.0;

pub(crate) type TimeIterate = Iterate<NX, NZ, NG>;

/// The problem of one car on one circuit.
pub(crate) struct Problem<'a, E: ?Sized> {
    pub(crate) mesh: &'a Mesh,
    pub(crate) room: &'a [(f64, f64)],
    pub(crate) envelope: &'a E,
}

/// Physical values of a node.
#[derive(Clone, Copy)]
pub(crate) struct Point {
    pub(crate) offset: f64,
    pub(crate) angle: f64,
    pub(crate) speed: f64,
    pub(crate) a_t: f64,
    pub(crate) a_y: f64,
}

impl Point {
    #[inline]
    pub(crate) fn from_scaled(z: &Vector<NZ>) -> Self {
        Self {
            offset: z[0] * SCALE[0],
            angle: z[1] * SCALE[1],
            speed: z[2] * SCALE[2],
            a_t: z[3] * SCALE[3],
            a_y: z[4] * SCALE[4],
        }
    }

    pub(crate) fn scaled(self) -> Vector<NZ> {
        [
            self.offset / SCALE[0],
            self.angle / SCALE[1],
            self.speed / SCALE[2],
            self.a_t / SCALE[3],
            self.a_y / SCALE[4],
        ]
    }
}

impl<E: Envelope + ?Sized> Stages<NX, NZ, NG> for Problem<'_, E> {
    fn len(&self) -> usize {
        self.mesh.len()
    }

    #[inline]
    fn step(&self, k: usize) -> f64 {
        self.mesh.steps_m[k]
    }

    #[inline]
    fn drift(&self, k: usize) -> Vector<NX> {
        [0.0, -self.mesh.heading_change_rad(k) / SCALE[1], 0.0]
    }

    fn values(&self, k: usize, z: &Vector<NZ>) -> Values<NX, NG> {
        let p = Point::from_scaled(z);
        let q = 1.0 - p.offset * self.mesh.curvature_radpm[k];
        let (sin, cos) = p.angle.sin_cos();
        let tau = q / (p.speed * cos);
        let usage = self.envelope.usage(p.speed, p.a_t, p.a_y).value;
        let drag = self.envelope.drag(p.speed).value;
        Values {
            cost: COST_SCALE * self.mesh.weight_m[k] * tau,
            rate: [
                q * sin / cos / SCALE[0],
                p.a_y / p.speed * tau / SCALE[1],
                (p.a_t - drag) * tau / SCALE[2],
            ],
            limits: self.limits(k, &p, usage, &self.envelope.drive_limits(p.speed)),
        }
    }

    fn derivatives(
        &self,
        k: usize,
        z: &Vector<NZ>,
        rate_weights: &Vector<NX>,
        limit_weights: &Vector<NG>,
    ) -> Derivatives<NX, NZ, NG> {
        let p = Point::from_scaled(z);
        let kappa = self.mesh.curvature_radpm[k];
        let q = 1.0 - p.offset * kappa;
        let (sin, cos) = p.angle.sin_cos();
        let tan = sin / cos;
        let sec2 = 1.0 + tan * tan;
        let inv_v = 1.0 / p.speed;
        let usage = self.envelope.usage(p.speed, p.a_t, p.a_y);
        let drag = self.envelope.drag(p.speed);
        let drive = self.envelope.drive_limits(p.speed);
        let a_x = p.a_t - drag.value;

        // τ by (n, χ, V), and σ = τ/V.
        let tau = q * inv_v / cos;
        let t_n = -kappa * inv_v / cos;
        let t_c = tau * tan;
        let t_v = -tau * inv_v;
        let t_nc = t_n * tan;
        let t_nv = -t_n * inv_v;
        let t_cc = tau * (1.0 + 2.0 * tan * tan);
        let t_cv = -t_c * inv_v;
        let t_vv = 2.0 * tau * inv_v * inv_v;
        let sigma = tau * inv_v;
        let s_n = t_n * inv_v;
        let s_c = sigma * tan;
        let s_v = -2.0 * sigma * inv_v;

        let weight = COST_SCALE * self.mesh.weight_m[k];
        let [w0, w1, w2] =
            [rate_weights[0] / SCALE[0], rate_weights[1] / SCALE[1], rate_weights[2] / SCALE[2]];
        let [_, _, y_usage, y1, y2] = *limit_weights;
        // Everything proportional to τ, with a factor that does not depend on (n, χ, V).
        let by_tau = weight + w2 * a_x;
        let by_sigma = w1 * p.a_y;
        let u = &usage.hessian;

        let nc = by_tau * t_nc + by_sigma * s_n * tan - w0 * kappa * sec2;
        let nv = by_tau * t_nv - 2.0 * by_sigma * s_n * inv_v - w2 * drag.d * t_n;
        let cc = by_tau * t_cc + by_sigma * sigma * (1.0 + 2.0 * tan * tan) + w0 * 2.0 * q * sec2 * tan;
        let cv = by_tau * t_cv - 2.0 * by_sigma * s_c * inv_v - w2 * drag.d * t_c;
        let vv = by_tau * t_vv + 6.0 * by_sigma * sigma * inv_v * inv_v
            - w2 * (2.0 * drag.d * t_v + drag.dd * tau)
            + y_usage * u[0][0]
            - (y1 * bend(&drive[0]) + y2 * bend(&drive[1])) / DRIVE_SCALE;
        let (n_t, c_t, v_t) = (w2 * t_n, w2 * t_c, w2 * t_v + y_usage * u[0][1]);
        let (n_y, c_y, v_y) = (w1 * s_n, w1 * s_c, w1 * s_v + y_usage * u[0][2]);
        let (u_tt, u_ty, u_yy) = convex(u[1][1], u[1][2], u[2][2]);
        let (tt, ty, yy) = (y_usage * u_tt, y_usage * u_ty, y_usage * u_yy);
        let raw = [
            [0.0, nc, nv, n_t, n_y],
            [nc, cc, cv, c_t, c_y],
            [nv, cv, vv, v_t, v_y],
            [n_t, c_t, v_t, tt, ty],
            [n_y, c_y, v_y, ty, yy],
        ];
        let g = &usage.gradient;
        let drive_row = |limit: &AtSpeed| {
            if limit.value.is_finite() {
                [0.0, 0.0, -limit.d * SCALE[2] / DRIVE_SCALE, SCALE[3] / DRIVE_SCALE, 0.0]
            } else {
                [0.0; NZ]
            }
        };
        Derivatives {
            values: Values {
                cost: weight * tau,
                rate: [q * tan / SCALE[0], p.a_y * sigma / SCALE[1], a_x * tau / SCALE[2]],
                limits: self.limits(k, &p, usage.value, &drive),
            },
            cost: [weight * t_n * SCALE[0], weight * t_c * SCALE[1], weight * t_v * SCALE[2], 0.0, 0.0],
            rate: [
                [-kappa * tan, q * sec2 * SCALE[1] / SCALE[0], 0.0, 0.0, 0.0],
                [
                    p.a_y * s_n * SCALE[0] / SCALE[1],
                    p.a_y * s_c,
                    p.a_y * s_v * SCALE[2] / SCALE[1],
                    0.0,
                    sigma * SCALE[4] / SCALE[1],
                ],
                [
                    a_x * t_n * SCALE[0] / SCALE[2],
                    a_x * t_c * SCALE[1] / SCALE[2],
                    a_x * t_v - drag.d * tau,
                    tau * SCALE[3] / SCALE[2],
                    0.0,
                ],
            ],
            limits: [
                [SCALE[0], 0.0, 0.0, 0.0, 0.0],
                [-SCALE[0], 0.0, 0.0, 0.0, 0.0],
                [0.0, 0.0, g[0] * SCALE[2], g[1] * SCALE[3], g[2] * SCALE[4]],
                drive_row(&drive[0]),
                drive_row(&drive[1]),
            ],
            hessian: std::array::from_fn(|i| std::array::from_fn(|j| raw[i][j] * SCALE[i] * SCALE[j])),
        }
    }

    fn calm(&self) -> Vector<NZ> {
        let weight = 2.0 * COST_SCALE * CALM_S;
        [0.0, 0.0, 0.0, weight, weight]
    }

    fn longest_step(&self, _: usize, z: &Vector<NZ>, dz: &Vector<NZ>) -> f64 {
        // Speed may fall by two thirds at most in one step, so that it stays above 0.
        let slower = if dz[2] < 0.0 { -0.67 * z[2] / dz[2] } else { 1.0 };
        slower.min(angle_step(z[1] * SCALE[1], dz[1] * SCALE[1])).min(1.0)
    }
}

impl<E: Envelope + ?Sized> Problem<'_, E> {
    #[inline]
    fn limits(&self, k: usize, p: &Point, usage: f64, drive: &[AtSpeed; 2]) -> Vector<NG> {
        let (low, high) = self.room[k];
        let spare = |limit: &AtSpeed| {
            if limit.value.is_finite() { (p.a_t - limit.value) / DRIVE_SCALE } else { NEVER }
        };
        [p.offset - high, low - p.offset, usage - 1.0, spare(&drive[0]), spare(&drive[1])]
    }
}

/// Positive semidefinite part of a symmetric matrix, by its upper triangle.
///
/// Envelopes of full cars have dents (an axle that gives up early under trail braking). There the best use of the grip
/// would be to flicker between both sides of the dent, which no driver does; taking the convex part of the curvature
/// keeps Newton's method on the steady solution. Where the envelope is convex nothing changes.
#[inline]
fn convex(a: f64, b: f64, c: f64) -> (f64, f64, f64) {
    let (mean, half) = (0.5 * (a + c), 0.5 * (a - c));
    let radius = half.hypot(b);
    if mean >= radius {
        return (a, b, c);
    }
    let large = (mean + radius).max(0.0);
    if radius <= 0.0 {
        return (large, 0.0, large);
    }
    // large·vvᵀ with vvᵀ = (I + [half, b; b, −half]/radius)/2.
    (0.5 * large * (1.0 + half / radius), 0.5 * large * b / radius, 0.5 * large * (1.0 - half / radius))
}

fn bend(limit: &AtSpeed) -> f64 {
    if limit.value.is_finite() { limit.dd } else { 0.0 }
}
