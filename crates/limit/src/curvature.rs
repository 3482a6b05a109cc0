//! Minimum-curvature line: the line inside the borders with the least integral of its squared curvature.
//!
//! Exact, not linearised: offset `n` to the left of the centre line, angle `χ` to it and the line's own curvature
//! `k` obey, along the centre line with curvature `κ`,
//!
//! ```text
//! dn/ds = (1 − nκ) tan χ,    dχ/ds = k (1 − nκ)/cos χ − κ,    minimise ∫ k² (1 − nκ)/cos χ ds
//! ```
//!
//! with trapezoidal collocation at the mesh's nodes; κ is integrated exactly, as the change of heading.

use crate::circuit::{CircuitError, Mesh};
use crate::interior::{self, Derivatives, Iterate, Settings, Stages, Values};
use crate::small::Vector;

const NX: usize = 2;
const NU: usize = 1;
const NZ: usize = 3;
const NG: usize = 2;

/// Sizes of (n \[m\], χ \[rad\], k \[1/m\]) that the solver sees as 1.
const SCALE: [f64; NZ] = [1.0, 0.1, 0.02];
/// Cost seen by the solver per unit of ∫k² ds \[m\].
const COST_SCALE: f64 = 1e3;
/// Weight of the squared curvature itself per node, which keeps neighbouring curvatures from alternating (the trapezoid
/// sees their mean only). Relative to the integral it weighs 1e-5 a node.
const CALM: f64 = 1e-5;

/// A line along a circuit, one value per node of its mesh.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct CurvatureLine {
    /// Offset from the centre line to the left \[m\].
    pub offset_m: Vec<f64>,
    /// Angle of the line to the centre line \[rad\], positive to the left.
    pub angle_rad: Vec<f64>,
    /// Curvature of the line \[1/m\], positive to the left.
    pub curvature_radpm: Vec<f64>,
    /// Distance along the line from each node to the next \[m\].
    pub step_m: Vec<f64>,
    /// ∫ curvature² along the line \[1/m\].
    pub integral_radpm: f64,
    /// Whether the optimality conditions are met.
    pub converged: bool,
    /// Newton steps taken.
    pub iterations: usize,
}

struct Problem<'a> {
    mesh: &'a Mesh,
    room: &'a [(f64, f64)],
}

impl Stages<NX, NZ, NG> for Problem<'_> {
    fn len(&self) -> usize {
        self.mesh.len()
    }

    fn step(&self, k: usize) -> f64 {
        self.mesh.steps_m[k]
    }

    fn drift(&self, k: usize) -> Vector<NX> {
        [0.0, -self.mesh.heading_change_rad(k) / SCALE[1]]
    }

    fn values(&self, k: usize, z: &Vector<NZ>) -> Values<NX, NG> {
        let (n, chi, curvature) = (z[0] * SCALE[0], z[1] * SCALE[1], z[2] * SCALE[2]);
        let q = 1.0 - n * self.mesh.curvature_radpm[k];
        let (sin, cos) = chi.sin_cos();
        let along = q / cos;
        let (low, high) = self.room[k];
        Values {
            cost: COST_SCALE * self.mesh.weight_m[k] * curvature * curvature * (along + CALM),
            rate: [q * sin / cos / SCALE[0], curvature * along / SCALE[1]],
            limits: [n - high, low - n],
        }
    }

    fn derivatives(
        &self,
        k: usize,
        z: &Vector<NZ>,
        rate_weights: &Vector<NX>,
        _: &Vector<NG>,
    ) -> Derivatives<NX, NZ, NG> {
        let (n, chi, curvature) = (z[0] * SCALE[0], z[1] * SCALE[1], z[2] * SCALE[2]);
        let kappa = self.mesh.curvature_radpm[k];
        let q = 1.0 - n * kappa;
        let (sin, cos) = chi.sin_cos();
        let tan = sin / cos;
        let sec2 = 1.0 + tan * tan;
        // along = q/cos and its derivatives by n and χ.
        let along = q / cos;
        let along_n = -kappa / cos;
        let along_c = along * tan;
        let along_nc = along_n * tan;
        let along_cc = along * (1.0 + 2.0 * tan * tan);
        let (low, high) = self.room[k];

        let w = COST_SCALE * self.mesh.weight_m[k];
        let square = curvature * curvature;
        let [w0, w1] = [rate_weights[0] / SCALE[0], rate_weights[1] / SCALE[1]];
        let both = w * square + w1 * curvature;
        let hessian_nc = both * along_nc + w0 * (-kappa * sec2);
        let hessian_cc = both * along_cc + w0 * 2.0 * q * sec2 * tan;
        let link = 2.0 * w * curvature + w1;
        let raw = [
            [0.0, hessian_nc, link * along_n],
            [hessian_nc, hessian_cc, link * along_c],
            [link * along_n, link * along_c, 2.0 * w * (along + CALM)],
        ];
        Derivatives {
            values: Values {
                cost: w * square * (along + CALM),
                rate: [q * tan / SCALE[0], curvature * along / SCALE[1]],
                limits: [n - high, low - n],
            },
            cost: [
                w * square * along_n * SCALE[0],
                w * square * along_c * SCALE[1],
                2.0 * w * curvature * (along + CALM) * SCALE[2],
            ],
            rate: [
                [-kappa * tan, q * sec2 * SCALE[1] / SCALE[0], 0.0],
                [curvature * along_n * SCALE[0] / SCALE[1], curvature * along_c, along * SCALE[2] / SCALE[1]],
            ],
            limits: [[SCALE[0], 0.0, 0.0], [-SCALE[0], 0.0, 0.0]],
            hessian: std::array::from_fn(|i| std::array::from_fn(|j| raw[i][j] * SCALE[i] * SCALE[j])),
        }
    }

    fn calm(&self) -> Vector<NZ> {
        [0.0; NZ]
    }

    fn longest_step(&self, _: usize, z: &Vector<NZ>, dz: &Vector<NZ>) -> f64 {
        angle_step(z[1] * SCALE[1], dz[1] * SCALE[1])
    }
}

/// Longest step that keeps an angle within ±1.4 rad and moves it by at most 0.6 rad.
pub(crate) fn angle_step(chi: f64, change: f64) -> f64 {
    const MOST: f64 = 1.4;
    let room = if change > 0.0 { MOST - chi } else { MOST + chi };
    (0.6_f64.min(0.9 * room.max(0.0)) / change.abs().max(1e-12)).min(1.0)
}

/// The minimum-curvature line of a car of a given width \[m\] (see the module).
///
/// # Errors
/// [`CircuitError::TooNarrow`] where the car does not fit. A line that is not converged says so in
/// [`CurvatureLine::converged`].
pub fn minimum_curvature_line(mesh: &Mesh, car_width_m: f64) -> Result<CurvatureLine, CircuitError> {
    Ok(within(mesh, &mesh.room(car_width_m)?, 1e-7, 1e-6))
}

/// The line to some per cent of the integral: a start for the minimum-time solve.
pub(crate) fn rough_curvature_line(mesh: &Mesh, room: &[(f64, f64)]) -> CurvatureLine {
    within(mesh, room, 1e-3, 1e-2)
}

fn within(mesh: &Mesh, room: &[(f64, f64)], barrier_end: f64, tolerance: f64) -> CurvatureLine {
    let problem = Problem { mesh, room };
    let z = (0..mesh.len())
        .map(|k| {
            let (low, high) = room[k];
            let n = 0.0_f64.clamp(low + 0.1 * (high - low), high - 0.1 * (high - low));
            let q = 1.0 - n * mesh.curvature_radpm[k];
            [n / SCALE[0], 0.0, mesh.curvature_radpm[k] / q / SCALE[2]]
        })
        .collect();
    let mut iterate: Iterate<NX, NZ, NG> = interior::cold_start(&problem, z, 0.1);
    let settings = Settings {
        barrier_start: 0.1,
        barrier_end,
        tolerance,
        max_iterations: 200,
        barrier_per_residual: 0.2,
    };
    let outcome = interior::solve::<NX, NU, NZ, NG, _>(&problem, &mut iterate, &settings);
    line(mesh, &iterate, outcome)
}

fn line(mesh: &Mesh, iterate: &Iterate<NX, NZ, NG>, outcome: interior::Outcome) -> CurvatureLine {
    let n = mesh.len();
    let along: Vec<f64> = (0..n)
        .map(|k| {
            let z = &iterate.z[k];
            (1.0 - z[0] * SCALE[0] * mesh.curvature_radpm[k]) / (z[1] * SCALE[1]).cos()
        })
        .collect();
    let curvature_radpm: Vec<f64> = iterate.z.iter().map(|z| z[2] * SCALE[2]).collect();
    CurvatureLine {
        offset_m: iterate.z.iter().map(|z| z[0] * SCALE[0]).collect(),
        angle_rad: iterate.z.iter().map(|z| z[1] * SCALE[1]).collect(),
        step_m: (0..n).map(|k| 0.5 * mesh.steps_m[k] * (along[k] + along[(k + 1) % n])).collect(),
        // Curvature is linear between nodes, so its square integrates to the mean of three products.
        integral_radpm: (0..n)
            .map(|k| {
                let (a, b) = (curvature_radpm[k], curvature_radpm[(k + 1) % n]);
                0.5 * mesh.steps_m[k] * (along[k] + along[(k + 1) % n]) * (a * a + a * b + b * b) / 3.0
            })
            .sum(),
        curvature_radpm,
        converged: outcome.converged,
        iterations: outcome.iterations,
    }
}
