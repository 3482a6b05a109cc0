//! Interior-point method for periodic optimal-control problems on a line of nodes.
//!
//! ```text
//! minimise    Σ cost_k(z_k)                                   z_k = (x_k, u_k), k = 0..n-1, periodic
//! subject to  x_{k+1} − x_k − drift_k − h_k/2·(f_k(z_k) + f_{k+1}(z_{k+1})) = 0    (trapezoidal collocation)
//!             g_k(z_k) ≤ 0
//! ```
//!
//! Primal-dual barrier method with slacks, exact second derivatives, inertia correction and a filter line search
//! with second-order correction, after `[Wachter2006]`. What is special is the linear algebra: with
//! `p_k = (I + h_k/2 F_k)Δz_k − c_k`, the quantity that node `k` hands to node `k+1`, each Newton system is a
//! linear-quadratic problem in `(p, u)`, so one backward (Riccati) and one forward sweep over small fixed-size blocks
//! solve it. Closing the lap adds the unknown start `θ = p_{−1}` and the multiplier `ν` of `p_{n−1} = θ`,
//! carried along as columns and solved for at the end. Work and memory grow linearly with the nodes.
//! By Sylvester's law the signs of the pivots give the inertia of the whole system.

#![expect(
    clippy::needless_range_loop,
    clippy::manual_memcpy,
    reason = "index notation, as in the equations; several arrays run in step"
)]

use crate::small::{self, Mat, Vector};

/// Values of one node.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Values<const NX: usize, const NG: usize> {
    /// Cost, weight of the node included.
    pub(crate) cost: f64,
    /// Right-hand side of `dx/ds = f`.
    pub(crate) rate: Vector<NX>,
    /// Inequalities, at most 0 when held.
    pub(crate) limits: Vector<NG>,
}

/// Values and derivatives of one node.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Derivatives<const NX: usize, const NZ: usize, const NG: usize> {
    pub(crate) values: Values<NX, NG>,
    /// Gradient of the cost.
    pub(crate) cost: Vector<NZ>,
    /// Jacobian of the right-hand side.
    pub(crate) rate: Mat<NX, NZ>,
    /// Jacobian of the inequalities.
    pub(crate) limits: Mat<NG, NZ>,
    /// Second derivatives of `cost + weightsᵀ·rate + multipliersᵀ·limits`.
    pub(crate) hessian: Mat<NZ, NZ>,
}

/// A periodic problem, node by node; all in scaled variables of size about 1.
pub(crate) trait Stages<const NX: usize, const NZ: usize, const NG: usize> {
    /// Number of nodes.
    fn len(&self) -> usize;
    /// Distance from node `k` to the next.
    fn step(&self, k: usize) -> f64;
    /// Known change of the state from node `k` to the next, beyond the collocated one.
    fn drift(&self, k: usize) -> Vector<NX>;
    /// Values at a node.
    fn values(&self, k: usize, z: &Vector<NZ>) -> Values<NX, NG>;
    /// Values and derivatives at a node, with the weights of rate and limits in the Hessian.
    fn derivatives(
        &self,
        k: usize,
        z: &Vector<NZ>,
        rate_weights: &Vector<NX>,
        limit_weights: &Vector<NG>,
    ) -> Derivatives<NX, NZ, NG>;
    /// Weights of `½·weight·(z_{k+1} − z_k)²`, added to the cost: keeps neighbouring controls from alternating where
    /// nothing else decides, since the trapezoid sees their mean only.
    fn calm(&self) -> Vector<NZ>;
    /// Longest step, at most 1, along `dz` that keeps the node's functions defined.
    fn longest_step(&self, k: usize, z: &Vector<NZ>, dz: &Vector<NZ>) -> f64;
}

/// Primal and dual variables: the result of a solve and the start of the next.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Iterate<const NX: usize, const NZ: usize, const NG: usize> {
    /// States and controls per node.
    pub(crate) z: Vec<Vector<NZ>>,
    /// Slacks of the inequalities, positive.
    pub(crate) slack: Vec<Vector<NG>>,
    /// Multipliers of the inequalities, positive.
    pub(crate) dual: Vec<Vector<NG>>,
    /// Multipliers of the collocation from each node to the next.
    pub(crate) lambda: Vec<Vector<NX>>,
    /// Barrier parameter reached.
    pub(crate) barrier: f64,
}

/// When to stop and where to start.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Settings {
    /// First barrier parameter.
    pub(crate) barrier_start: f64,
    /// Last barrier parameter.
    pub(crate) barrier_end: f64,
    /// Largest residual of the scaled optimality conditions.
    pub(crate) tolerance: f64,
    /// Most iterations.
    pub(crate) max_iterations: usize,
    /// Least barrier of a predictor-corrector step, per mean residual of the other conditions: more is safer and slower.
    pub(crate) barrier_per_residual: f64,
}

/// How a solve ended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Outcome {
    pub(crate) converged: bool,
    pub(crate) iterations: usize,
    /// Cost at the end.
    pub(crate) cost: f64,
    /// Largest violation of collocation and inequalities.
    pub(crate) infeasibility: f64,
}

/// Sufficient decrease of the barrier function, share of its slope `[Wachter2006]`, eta_phi.
const ARMIJO: f64 = 1e-4;
/// Margins of the filter `[Wachter2006]`, gamma_theta and gamma_phi.
const FILTER_MARGIN: f64 = 1e-5;
/// How near a slack may go to its boundary in one step, at least `[Wachter2006]`, tau_min.
const TO_BOUNDARY: f64 = 0.99;
/// Barrier subproblem is solved to this many times the barrier `[Wachter2006]`, kappa_epsilon.
const SUBPROBLEM: f64 = 10.0;

/// Times that predictor-corrector steps may fail before the monotone mode is kept to the end.
const MAX_FALLBACKS: usize = 3;
/// Sweeps that make good the calming term's stand-in Hessian: without any the six open circuits take 23 to 29 steps, with
/// one 18 to 22, with two 17 to 21, with eight the same.
const COUPLING_SWEEPS: usize = 2;

/// One node's part of the factorised Newton system.
#[derive(Clone, Copy)]
struct Factor<const NX: usize, const NU: usize, const NZ: usize> {
    /// State step from (p, u): Δx = from_p·p + from_u·u.
    from_p: Mat<NX, NX>,
    from_u: Mat<NX, NU>,
    /// Next p from (p, u): a·p + b·u − c.
    a: Mat<NX, NX>,
    b: Mat<NX, NU>,
    /// Cost to go after this node, as function of p handed on: ½pᵀPp + pᵀGν.
    p_next: Mat<NX, NX>,
    g_next: Mat<NX, NX>,
    /// u = gain·p + gain_end·ν + feed.
    gain: Mat<NU, NX>,
    gain_end: Mat<NU, NX>,
    /// −(Quu)⁻¹.
    minus_inverse: Mat<NU, NU>,
    /// Q_xu.
    cross: Mat<NX, NU>,
    feed: Vector<NU>,
    q_next: Vector<NX>,
}

struct Work<const NX: usize, const NU: usize, const NZ: usize, const NG: usize> {
    nodes: Vec<Derivatives<NX, NZ, NG>>,
    hessians: Vec<Mat<NZ, NZ>>,
    gradients: Vec<Vector<NZ>>,
    gaps: Vec<Vector<NX>>,
    factors: Vec<Factor<NX, NU, NZ>>,
    first: (Mat<NX, NX>, Mat<NX, NX>, Mat<NX, NX>),
    dz: Vec<Vector<NZ>>,
    lambda: Vec<Vector<NX>>,
    /// Wanted products of slack and multiplier.
    targets: Vec<Vector<NG>>,
    ds: Vec<Vector<NG>>,
    /// Part of the gradients that stands for the neighbours' coupling by the calming term.
    applied: Vec<Vector<NU>>,
    dy: Vec<Vector<NG>>,
}

/// Solves a problem from an iterate, which it updates.
///
/// The constants are: states, controls, both together, inequalities.
pub(crate) fn solve<const NX: usize, const NU: usize, const NZ: usize, const NG: usize, S>(
    problem: &S,
    iterate: &mut Iterate<NX, NZ, NG>,
    settings: &Settings,
) -> Outcome
where
    S: Stages<NX, NZ, NG>,
{
    Solver::<NX, NU, NZ, NG, S>::new(problem).run(iterate, settings)
}

/// A start from states and controls alone: slacks from the inequalities, duals on the central path.
pub(crate) fn cold_start<const NX: usize, const NZ: usize, const NG: usize, S>(
    problem: &S,
    z: Vec<Vector<NZ>>,
    barrier: f64,
) -> Iterate<NX, NZ, NG>
where
    S: Stages<NX, NZ, NG>,
{
    let mut slack = Vec::with_capacity(z.len());
    let mut dual = Vec::with_capacity(z.len());
    for (k, node) in z.iter().enumerate() {
        let limits = problem.values(k, node).limits;
        let s = limits.map(|g| (-g).max(1e-2));
        slack.push(s);
        dual.push(s.map(|s| barrier / s));
    }
    let lambda = vec![[0.0; NX]; z.len()];
    Iterate { z, slack, dual, lambda, barrier }
}

struct Solver<'a, const NX: usize, const NU: usize, const NZ: usize, const NG: usize, S> {
    problem: &'a S,
    work: Work<NX, NU, NZ, NG>,
    /// Pairs of infeasibility and barrier function that no later point may be worse than in both.
    filter: Vec<(f64, f64)>,
    last_regularisation: f64,
}

/// Infeasibility (1-norm), its largest entry, and barrier function at a point.
#[derive(Clone, Copy)]
struct Merit {
    infeasibility: f64,
    barrier: f64,
}

impl<'a, const NX: usize, const NU: usize, const NZ: usize, const NG: usize, S> Solver<'a, NX, NU, NZ, NG, S>
where
    S: Stages<NX, NZ, NG>,
{
    fn new(problem: &'a S) -> Self {
        const { assert!(NX + NU == NZ && NX <= small::MAX_STATES) };
        let n = problem.len();
        Self {
            problem,
            work: Work {
                nodes: Vec::with_capacity(n),
                hessians: vec![[[0.0; NZ]; NZ]; n],
                gradients: vec![[0.0; NZ]; n],
                gaps: vec![[0.0; NX]; n],
                factors: Vec::with_capacity(n),
                first: ([[0.0; NX]; NX], [[0.0; NX]; NX], [[0.0; NX]; NX]),
                dz: vec![[0.0; NZ]; n],
                lambda: vec![[0.0; NX]; n],
                targets: vec![[0.0; NG]; n],
                ds: vec![[0.0; NG]; n],
                applied: vec![[0.0; NU]; n],
                dy: vec![[0.0; NG]; n],
            },
            filter: Vec::new(),
            last_regularisation: 0.0,
        }
    }

    fn before(&self, k: usize) -> usize {
        if k == 0 { self.problem.len() - 1 } else { k - 1 }
    }

    fn after(&self, k: usize) -> usize {
        if k + 1 == self.problem.len() { 0 } else { k + 1 }
    }

    fn run(&mut self, it: &mut Iterate<NX, NZ, NG>, settings: &Settings) -> Outcome {
        let mut outcome =
            Outcome { converged: false, iterations: 0, cost: f64::NAN, infeasibility: f64::NAN };
        // `Some(barrier)` in the monotone mode with line search, `None` while predictor-corrector steps get on.
        let mut fixed_barrier: Option<f64> = None;
        let mut recent = Recent::default();
        let mut before_step = it.clone();
        let (mut fallbacks, mut steps_fixed, mut back_to_free) = (0, 0, false);
        let mut stalls = 0;
        for iteration in 0..=settings.max_iterations {
            self.evaluate(it);
            let mut errors = self.errors(it);
            if fixed_barrier.is_none() && !recent.accepts(errors.mean) {
                it.clone_from(&before_step);
                self.evaluate(it);
                errors = self.errors(it);
                fixed_barrier = Some((0.8 * mean_product(it)).max(settings.barrier_end));
                fallbacks += 1;
                self.filter.clear();
            }
            outcome.iterations = iteration;
            outcome.cost = self.work.nodes.iter().map(|n| n.values.cost).sum();
            outcome.infeasibility = errors.primal;
            if errors.dual.max(errors.primal) <= settings.tolerance
                && errors.largest_product <= SUBPROBLEM * settings.barrier_end
            {
                outcome.converged = true;
                break;
            }
            if iteration == settings.max_iterations {
                break;
            }
            if let Some(barrier) = &mut fixed_barrier {
                let solved =
                    |b: f64| errors.dual.max(errors.primal).max(complementarity(it, b)) <= SUBPROBLEM * b;
                let begun = fallbacks;
                while *barrier > settings.barrier_end && solved(*barrier) {
                    *barrier = (0.2 * *barrier).min(barrier.powf(1.5)).max(settings.barrier_end);
                    self.filter.clear();
                    back_to_free = begun <= MAX_FALLBACKS && steps_fixed > 0;
                }
                if std::mem::take(&mut back_to_free) {
                    fixed_barrier = None;
                    recent = Recent::default();
                    recent.accepts(errors.mean);
                }
            }
            self.assemble_hessian(it);
            if !self.factorise_with_inertia() {
                break;
            }
            match fixed_barrier {
                None => {
                    before_step.clone_from(it);
                    steps_fixed = 0;
                    self.predictor_corrector(it, &errors, settings);
                }
                Some(barrier) => {
                    steps_fixed += 1;
                    if !self.line_search_step(it, barrier, &mut stalls) {
                        break;
                    }
                }
            }
        }
        it.barrier = mean_product(it);
        outcome
    }

    /// Functions and derivatives at the iterate, and the collocation gaps.
    fn evaluate(&mut self, it: &Iterate<NX, NZ, NG>) {
        let n = self.problem.len();
        self.work.nodes.clear();
        for k in 0..n {
            let (h0, h1) = (self.problem.step(self.before(k)), self.problem.step(k));
            let (l0, l1) = (&it.lambda[self.before(k)], &it.lambda[k]);
            // Collocation enters the Lagrangian as −λᵀ·h/2·f on both sides of the node.
            let weights = std::array::from_fn(|i| -0.5 * (h0 * l0[i] + h1 * l1[i]));
            self.work.nodes.push(self.problem.derivatives(k, &it.z[k], &weights, &it.dual[k]));
        }
        // The calming term couples neighbours. Its gradient is exact; its Hessian, with −weight beside 2·weight, is
        // replaced by the diagonal 4·weight: exact for alternating controls, which it is meant for. So the blocks stay as
        // they are; `couple_neighbours` makes good the rest.
        let calm = self.problem.calm();
        for k in 0..n {
            let (z, z0, z1) = (&it.z[k], &it.z[self.before(k)], &it.z[self.after(k)]);
            let node = &mut self.work.nodes[k];
            for j in 0..NZ {
                let ahead = z1[j] - z[j];
                node.values.cost += 0.5 * calm[j] * ahead * ahead;
                node.cost[j] += calm[j] * (z[j] - z0[j] - ahead);
                node.hessian[j][j] += 4.0 * calm[j];
            }
        }
        for k in 0..n {
            let next = self.after(k);
            self.work.gaps[k] = self.gap(
                k,
                &it.z[k],
                &it.z[next],
                &self.work.nodes[k].values.rate,
                &self.work.nodes[next].values.rate,
            );
        }
    }

    fn gap(
        &self,
        k: usize,
        z0: &Vector<NZ>,
        z1: &Vector<NZ>,
        f0: &Vector<NX>,
        f1: &Vector<NX>,
    ) -> Vector<NX> {
        let half = 0.5 * self.problem.step(k);
        let drift = self.problem.drift(k);
        std::array::from_fn(|i| z1[i] - z0[i] - drift[i] - half * (f0[i] + f1[i]))
    }

    /// Residuals of the optimality conditions.
    fn errors(&self, it: &Iterate<NX, NZ, NG>) -> Errors {
        let (mut dual, mut primal, mut product) = (0.0_f64, 0.0_f64, 0.0_f64);
        let mut sum = 0.0;
        for k in 0..self.problem.len() {
            let node = &self.work.nodes[k];
            let before = self.before(k);
            let (h0, h1) = (self.problem.step(before), self.problem.step(k));
            let (l0, l1) = (&it.lambda[before], &it.lambda[k]);
            for j in 0..NZ {
                let mut r = node.cost[j];
                for i in 0..NG {
                    r += node.limits[i][j] * it.dual[k][i];
                }
                for i in 0..NX {
                    r -= 0.5 * (h0 * l0[i] + h1 * l1[i]) * node.rate[i][j];
                }
                if j < NX {
                    r += l0[j] - l1[j];
                }
                dual = dual.max(r.abs());
                sum += r.abs();
            }
            for i in 0..NX {
                let gap = self.work.gaps[k][i].abs();
                primal = primal.max(gap);
                sum += gap;
            }
            for i in 0..NG {
                let open = (node.values.limits[i] + it.slack[k][i]).abs();
                primal = primal.max(open);
                product = product.max(it.slack[k][i] * it.dual[k][i]);
                sum += open + it.slack[k][i] * it.dual[k][i];
            }
        }
        Errors { dual, primal, largest_product: product, mean: sum / self.problem.len() as f64 }
    }

    /// Direction towards `slack·multiplier = targets` with the factorised matrix, coupled in some sweeps: fills dz, ds, dy and returns
    /// the longest primal and dual steps that keep the share `boundary` off the bounds.
    fn direction(&mut self, it: &Iterate<NX, NZ, NG>, boundary: f64, sweeps: usize) -> (f64, f64) {
        self.assemble_gradient(it);
        self.back_substitute();
        let calm = self.problem.calm() != [0.0; NZ];
        for _ in 0..if calm { sweeps } else { 0 } {
            self.couple_neighbours();
            self.back_substitute();
        }
        let (mut longest, mut longest_dual) = (1.0_f64, 1.0_f64);
        for k in 0..self.problem.len() {
            let node = &self.work.nodes[k];
            let dz = &self.work.dz[k];
            longest = longest.min(self.problem.longest_step(k, &it.z[k], dz));
            for i in 0..NG {
                let (s, y) = (it.slack[k][i], it.dual[k][i]);
                let ds = -(node.values.limits[i] + s) - small::dot(&node.limits[i], dz);
                let dy = (self.work.targets[k][i] - s * y - y * ds) / s;
                if ds < -boundary * s {
                    longest = longest.min(-boundary * s / ds);
                }
                if dy < -boundary * y {
                    longest_dual = longest_dual.min(-boundary * y / dy);
                }
                self.work.ds[k][i] = ds;
                self.work.dy[k][i] = dy;
            }
        }
        (longest, longest_dual)
    }

    /// Moves what the diagonal stand-in lacks of the calming term's Hessian, for the step at hand, to the right-hand
    /// side: one sweep of a fixed-point iteration towards the exact Newton step.
    fn couple_neighbours(&mut self) {
        let calm = self.problem.calm();
        for k in 0..self.problem.len() {
            let (b, a) = (self.before(k), self.after(k));
            for j in NX..NZ {
                let d = &self.work.dz;
                let lack = calm[j] * (-2.0 * d[k][j] - d[b][j] - d[a][j]);
                self.work.gradients[k][j] += lack - self.work.applied[k][j - NX];
                self.work.applied[k][j - NX] = lack;
            }
        }
    }

    /// Predictor-corrector step `[Mehrotra1992]`: the barrier follows from how far the step for barrier 0 gets, and the
    /// second-order term of the products is corrected for. No line search; the caller watches the residuals.
    fn predictor_corrector(&mut self, it: &mut Iterate<NX, NZ, NG>, errors: &Errors, settings: &Settings) {
        let n = self.problem.len();
        self.work.targets.fill([0.0; NG]);
        let (ahead, ahead_dual) = self.direction(it, 1.0, 0);
        let now = mean_product(it);
        let mut then = 0.0;
        for k in 0..n {
            for i in 0..NG {
                then += (it.slack[k][i] + ahead * self.work.ds[k][i])
                    * (it.dual[k][i] + ahead_dual * self.work.dy[k][i]);
            }
        }
        then /= (n * NG) as f64;
        let centring = (then / now).clamp(0.0, 1.0).powi(3);
        // The barrier must not run ahead of the other residuals: its curvature is what keeps the steps in bounds.
        let rest = errors.mean - now * NG as f64;
        let barrier =
            (centring * now).max((settings.barrier_per_residual * rest).min(now)).max(settings.barrier_end);
        for k in 0..n {
            for i in 0..NG {
                // Bounded, since the term is only worth something where both steps are near to full.
                let second = (self.work.ds[k][i] * self.work.dy[k][i]).clamp(-now, now);
                self.work.targets[k][i] = barrier - second;
            }
        }
        let boundary = TO_BOUNDARY.max(1.0 - barrier);
        let (length, length_dual) = self.direction(it, boundary, COUPLING_SWEEPS);
        for k in 0..n {
            for j in 0..NZ {
                it.z[k][j] += length * self.work.dz[k][j];
            }
            for i in 0..NX {
                it.lambda[k][i] += length * (self.work.lambda[k][i] - it.lambda[k][i]);
            }
            for i in 0..NG {
                it.slack[k][i] += length * self.work.ds[k][i];
                let central = barrier / it.slack[k][i];
                it.dual[k][i] =
                    (it.dual[k][i] + length_dual * self.work.dy[k][i]).clamp(1e-10 * central, 1e10 * central);
            }
        }
    }

    /// One Newton step for a fixed barrier with filter line search. `false` when no step can be found.
    fn line_search_step(&mut self, it: &mut Iterate<NX, NZ, NG>, barrier: f64, stalls: &mut usize) -> bool {
        let n = self.problem.len();
        self.work.targets.fill([barrier; NG]);
        let boundary = TO_BOUNDARY.max(1.0 - barrier);
        let (longest, longest_dual) = self.direction(it, boundary, COUPLING_SWEEPS);
        let mut slope = 0.0;
        for k in 0..n {
            slope += small::dot(&self.work.nodes[k].cost, &self.work.dz[k]);
            for i in 0..NG {
                slope -= barrier * self.work.ds[k][i] / it.slack[k][i];
            }
        }
        let start = self.merit(&it.z, &it.slack, barrier);
        let mut trial_z = it.z.clone();
        let mut trial_slack = it.slack.clone();
        let mut length = longest;
        let mut accepted = false;
        for attempt in 0..30 {
            self.moved(it, length, &mut trial_z, &mut trial_slack);
            let trial = self.merit(&trial_z, &trial_slack, barrier);
            if self.acceptable(start, trial, slope, length) {
                accepted = true;
            } else if attempt == 0 && trial.infeasibility >= start.infeasibility {
                let begin = (start, slope, longest);
                accepted = self.correct(it, barrier, boundary, begin, &mut trial_z, &mut trial_slack);
            }
            if accepted {
                break;
            }
            length *= 0.5;
        }
        if !accepted {
            // In place of a restoration phase: a short step anyway, more regular, and the filter afresh.
            *stalls += 1;
            if *stalls > 4 {
                return false;
            }
            self.filter.clear();
            self.last_regularisation = (self.last_regularisation * 8.0).max(1e-4);
            length = 0.1 * longest;
            self.moved(it, length, &mut trial_z, &mut trial_slack);
        }
        std::mem::swap(&mut it.z, &mut trial_z);
        std::mem::swap(&mut it.slack, &mut trial_slack);
        for k in 0..n {
            for i in 0..NX {
                it.lambda[k][i] += length * (self.work.lambda[k][i] - it.lambda[k][i]);
            }
            for i in 0..NG {
                let central = barrier / it.slack[k][i];
                it.dual[k][i] = (it.dual[k][i] + longest_dual * self.work.dy[k][i])
                    .clamp(1e-10 * central, 1e10 * central);
            }
        }
        true
    }

    fn moved(&self, it: &Iterate<NX, NZ, NG>, length: f64, z: &mut [Vector<NZ>], slack: &mut [Vector<NG>]) {
        for k in 0..self.problem.len() {
            for j in 0..NZ {
                z[k][j] = it.z[k][j] + length * self.work.dz[k][j];
            }
            for i in 0..NG {
                slack[k][i] = it.slack[k][i] + length * self.work.ds[k][i];
            }
        }
    }

    /// Second-order correction: the step again, with the gaps left by the full step added to the gaps.
    fn correct(
        &mut self,
        it: &Iterate<NX, NZ, NG>,
        barrier: f64,
        boundary: f64,
        (start, slope, longest): (Merit, f64, f64),
        trial_z: &mut [Vector<NZ>],
        trial_slack: &mut [Vector<NG>],
    ) -> bool {
        let n = self.problem.len();
        let mut left = vec![[0.0; NG]; n];
        let values: Vec<Values<NX, NG>> = (0..n).map(|k| self.problem.values(k, &trial_z[k])).collect();
        let saved = (self.work.gaps.clone(), self.work.dz.clone(), self.work.lambda.clone());
        for k in 0..n {
            let next = self.after(k);
            let gap = self.gap(k, &trial_z[k], &trial_z[next], &values[k].rate, &values[next].rate);
            for i in 0..NX {
                self.work.gaps[k][i] = longest * self.work.gaps[k][i] + gap[i];
            }
            let node = &self.work.nodes[k];
            for i in 0..NG {
                let (s, y) = (it.slack[k][i], it.dual[k][i]);
                left[k][i] = longest * (node.values.limits[i] + s) + values[k].limits[i] + trial_slack[k][i];
                let pull = barrier / s + y / s * left[k][i];
                let pull_before = barrier / s + y / s * (node.values.limits[i] + s);
                for j in 0..NZ {
                    self.work.gradients[k][j] += node.limits[i][j] * (pull - pull_before);
                }
            }
        }
        self.back_substitute();
        let mut length = 1.0_f64;
        let mut ds = vec![[0.0; NG]; n];
        for k in 0..n {
            length = length.min(self.problem.longest_step(k, &it.z[k], &self.work.dz[k]));
            for i in 0..NG {
                let s = it.slack[k][i];
                ds[k][i] = -left[k][i] - small::dot(&self.work.nodes[k].limits[i], &self.work.dz[k]);
                if ds[k][i] < -boundary * s {
                    length = length.min(-boundary * s / ds[k][i]);
                }
            }
        }
        for k in 0..n {
            for j in 0..NZ {
                trial_z[k][j] = it.z[k][j] + length * self.work.dz[k][j];
            }
            for i in 0..NG {
                trial_slack[k][i] = it.slack[k][i] + length * ds[k][i];
            }
        }
        let trial = self.merit(trial_z, trial_slack, barrier);
        let accepted = self.acceptable(start, trial, slope, longest);
        let gaps;
        (gaps, self.work.dz, self.work.lambda) = saved;
        self.work.gaps = gaps;
        accepted
    }

    fn merit(&self, z: &[Vector<NZ>], slack: &[Vector<NG>], barrier: f64) -> Merit {
        let n = self.problem.len();
        let first = self.problem.values(0, &z[0]);
        let mut here = first;
        let calm = self.problem.calm();
        let mut merit = Merit { infeasibility: 0.0, barrier: 0.0 };
        for k in 0..n {
            let next = self.after(k);
            let there = if next == 0 { first } else { self.problem.values(next, &z[next]) };
            merit.barrier += here.cost;
            for j in 0..NZ {
                let ahead = z[next][j] - z[k][j];
                merit.barrier += 0.5 * calm[j] * ahead * ahead;
            }
            let gap = self.gap(k, &z[k], &z[next], &here.rate, &there.rate);
            for g in gap {
                merit.infeasibility += g.abs();
            }
            // One logarithm for all slacks of a node.
            let mut product = 1.0;
            for i in 0..NG {
                merit.infeasibility += (here.limits[i] + slack[k][i]).abs();
                product *= slack[k][i];
            }
            merit.barrier -= barrier * product.ln();
            here = there;
        }
        merit
    }

    /// Filter line search: progress in infeasibility or in the barrier function, or descent proper.
    fn acceptable(&mut self, start: Merit, trial: Merit, slope: f64, length: f64) -> bool {
        if !(trial.infeasibility.is_finite() && trial.barrier.is_finite()) {
            return false;
        }
        let dominated =
            self.filter.iter().any(|(theta, phi)| trial.infeasibility >= *theta && trial.barrier >= *phi);
        if dominated || trial.infeasibility > 1e4 * start.infeasibility.max(1.0) {
            return false;
        }
        // Room for rounding in sums over thousands of nodes.
        let rounding = 1e-12 * start.barrier.abs().max(1.0);
        let descent = slope < 0.0 && length * (-slope).powf(2.3) > start.infeasibility.powf(1.1);
        if descent && start.infeasibility < 1e-4 * 1.0_f64.max(start.infeasibility) {
            return trial.barrier <= start.barrier + ARMIJO * length * slope + rounding;
        }
        let better = trial.infeasibility <= (1.0 - FILTER_MARGIN) * start.infeasibility
            || trial.barrier <= start.barrier - FILTER_MARGIN * start.infeasibility + rounding;
        if better {
            self.filter.push((
                (1.0 - FILTER_MARGIN) * start.infeasibility,
                start.barrier - FILTER_MARGIN * start.infeasibility,
            ));
        }
        better
    }

    /// Hessians with the inequalities condensed into them.
    fn assemble_hessian(&mut self, it: &Iterate<NX, NZ, NG>) {
        for k in 0..self.problem.len() {
            let node = &self.work.nodes[k];
            let mut hessian = node.hessian;
            for i in 0..NG {
                let row = &node.limits[i];
                let sigma = it.dual[k][i] / it.slack[k][i];
                for a in 0..NZ {
                    let scaled = sigma * row[a];
                    for b in 0..NZ {
                        hessian[a][b] += scaled * row[b];
                    }
                }
            }
            self.work.hessians[k] = hessian;
        }
    }

    /// Gradients with the inequalities condensed into them, for the wanted products.
    fn assemble_gradient(&mut self, it: &Iterate<NX, NZ, NG>) {
        for k in 0..self.problem.len() {
            let node = &self.work.nodes[k];
            let mut gradient = node.cost;
            for i in 0..NG {
                let (s, y) = (it.slack[k][i], it.dual[k][i]);
                let pull = (self.work.targets[k][i] + y * (node.values.limits[i] + s)) / s;
                for a in 0..NZ {
                    gradient[a] += node.limits[i][a] * pull;
                }
            }
            self.work.gradients[k] = gradient;
            self.work.applied[k] = [0.0; NU];
        }
    }

    /// Factorises, adding to the diagonal until the inertia is that of a minimum.
    fn factorise_with_inertia(&mut self) -> bool {
        if self.factorise(0.0) {
            return true;
        }
        let mut delta =
            if self.last_regularisation == 0.0 { 1e-4 } else { (self.last_regularisation / 3.0).max(1e-10) };
        for _ in 0..40 {
            if self.factorise(delta) {
                self.last_regularisation = delta;
                return true;
            }
            delta *= if self.last_regularisation == 0.0 { 30.0 } else { 8.0 };
            if delta > 1e12 {
                return false;
            }
        }
        false
    }

    /// Backward sweep over the matrices. `false` when the inertia is wrong.
    fn factorise(&mut self, delta: f64) -> bool {
        let n = self.problem.len();
        let mut p = [[0.0; NX]; NX];
        let mut g = small::identity::<NX>();
        let mut s = [[0.0; NX]; NX];
        let mut negative = 0;
        let mut factors = std::mem::take(&mut self.work.factors);
        factors.clear();
        for k in (0..n).rev() {
            let Some((factor, p_before, g_before)) =
                self.factorise_node(k, delta, &p, &g, &mut s, &mut negative)
            else {
                self.work.factors = factors;
                return false;
            };
            factors.push(factor);
            (p, g) = (p_before, g_before);
        }
        factors.reverse();
        self.work.factors = factors;
        self.work.first = (p, g, s);
        // By Sylvester's law pivots of the wrong sign in the open stretch may be made good by the closure.
        small::closing_negatives(&p, &g, &s).is_some_and(|n| n + negative == small::MAX_STATES)
    }

    #[inline]
    fn factorise_node(
        &self,
        k: usize,
        delta: f64,
        p: &Mat<NX, NX>,
        g: &Mat<NX, NX>,
        s: &mut Mat<NX, NX>,
        negative: &mut usize,
    ) -> Option<(Factor<NX, NU, NZ>, Mat<NX, NX>, Mat<NX, NX>)> {
        let (h0, h1) = (0.5 * self.problem.step(self.before(k)), 0.5 * self.problem.step(k));
        let rate = &self.work.nodes[k].rate;
        let d: Mat<NX, NX> = small::fill(|i, j| f64::from(u8::from(i == j)) - h0 * rate[i][j]);
        let from_p = small::inverse(&d)?;
        let f_u: Mat<NX, NU> = small::fill(|i, j| rate[i][NX + j]);
        let from_u: Mat<NX, NU> = small::scale(h0, &small::mul(&from_p, &f_u));
        let through: Mat<NX, NX> = small::fill(|i, j| f64::from(u8::from(i == j)) + h1 * rate[i][j]);
        let a = small::mul(&through, &from_p);
        let b: Mat<NX, NU> = small::add(&small::mul(&through, &from_u), &small::scale(h1, &f_u));

        // Cost in (p, u): the node's own through Δz = T(p, u), and the cost to go.
        let full = &self.work.hessians[k];
        let h_xx: Mat<NX, NX> = small::fill(|i, j| full[i][j] + if i == j { delta } else { 0.0 });
        let h_xu: Mat<NX, NU> = small::fill(|i, j| full[i][NX + j]);
        let h_uu: Mat<NU, NU> = small::fill(|i, j| full[NX + i][NX + j] + if i == j { delta } else { 0.0 });
        let hx_p = small::mul(&h_xx, &from_p);
        let hx_u = small::add(&small::mul(&h_xx, &from_u), &h_xu);
        let pa = small::mul(p, &a);
        let pb = small::mul(p, &b);
        let q_xx = small::add(&small::mul_t(&from_p, &hx_p), &small::mul_t(&a, &pa));
        let q_xu: Mat<NX, NU> = small::add(&small::mul_t(&from_p, &hx_u), &small::mul_t(&a, &pb));
        let q_uu: Mat<NU, NU> = small::add(
            &small::add(&small::mul_t(&from_u, &hx_u), &small::mul_t(&h_xu, &from_u)),
            &small::add(&h_uu, &small::mul_t(&b, &pb)),
        );
        let (inverse, negative_here) = small::inverse_symmetric(&q_uu)?;
        *negative += negative_here;
        let minus_inverse = small::scale(-1.0, &inverse);
        let q_ux: Mat<NU, NX> = small::transpose(&q_xu);
        let gain = small::mul(&minus_inverse, &q_ux);
        let q_ue: Mat<NU, NX> = small::mul_t(&b, g);
        let gain_end = small::mul(&minus_inverse, &q_ue);
        let mut p_before = small::add(&q_xx, &small::mul(&q_xu, &gain));
        small::symmetrise(&mut p_before);
        let g_before = small::add(&small::mul_t(&a, g), &small::mul(&q_xu, &gain_end));
        *s = small::add(s, &small::mul_t(&q_ue, &gain_end));
        let factor = Factor {
            from_p,
            from_u,
            a,
            b,
            p_next: *p,
            g_next: *g,
            gain,
            gain_end,
            minus_inverse,
            cross: q_xu,
            feed: [0.0; NU],
            q_next: [0.0; NX],
        };
        Some((factor, p_before, g_before))
    }

    /// Sweeps with the vectors: step of all variables, and new multipliers of the collocation.
    fn back_substitute(&mut self) {
        let n = self.problem.len();
        let mut q = [0.0; NX];
        let mut end = [0.0; NX];
        for k in (0..n).rev() {
            let factor = &mut self.work.factors[k];
            let gap = &self.work.gaps[k];
            let full = &self.work.gradients[k];
            let r_x: Vector<NX> = std::array::from_fn(|i| full[i]);
            factor.q_next = q;
            // Gradient of the cost to go where p is handed on, at −gap.
            let mut at_next = q;
            for i in 0..NX {
                for j in 0..NX {
                    at_next[i] -= factor.p_next[i][j] * gap[j];
                    end[i] -= factor.g_next[j][i] * gap[j];
                }
            }
            let mut q_u: Vector<NU> = std::array::from_fn(|i| full[NX + i]);
            small::add_mul_t(&mut q_u, &factor.from_u, &r_x);
            small::add_mul_t(&mut q_u, &factor.b, &at_next);
            factor.feed = small::mul_vec(&factor.minus_inverse, &q_u);
            // end += (Bᵀ G)ᵀ feed
            let bf = small::mul_vec(&factor.b, &factor.feed);
            small::add_mul_t(&mut end, &factor.g_next, &bf);
            let mut before = small::mul_vec(&factor.cross, &factor.feed);
            small::add_mul_t(&mut before, &factor.from_p, &r_x);
            small::add_mul_t(&mut before, &factor.a, &at_next);
            q = before;
        }
        let (p0, g0, s0) = &self.work.first;
        let (start, nu) = small::closing_solution(p0, g0, s0, &q, &end);
        let mut p = start;
        for k in 0..n {
            let factor = &self.work.factors[k];
            let mut u = factor.feed;
            small::add_mul(&mut u, &factor.gain, &p);
            small::add_mul(&mut u, &factor.gain_end, &nu);
            let mut x = small::mul_vec(&factor.from_p, &p);
            small::add_mul(&mut x, &factor.from_u, &u);
            for i in 0..NX {
                self.work.dz[k][i] = x[i];
            }
            for i in 0..NU {
                self.work.dz[k][NX + i] = u[i];
            }
            let mut next = self.work.gaps[k].map(|c| -c);
            small::add_mul(&mut next, &factor.a, &p);
            small::add_mul(&mut next, &factor.b, &u);
            p = next;
            let mut slope = factor.q_next;
            small::add_mul(&mut slope, &factor.p_next, &p);
            small::add_mul(&mut slope, &factor.g_next, &nu);
            self.work.lambda[k] = slope.map(|v| -v);
        }
    }
}

/// Mean of `slack·dual`, the barrier an iterate stands for.
fn mean_product<const NX: usize, const NZ: usize, const NG: usize>(it: &Iterate<NX, NZ, NG>) -> f64 {
    let sum: f64 = it.slack.iter().zip(&it.dual).map(|(s, y)| small::dot(s, y)).sum();
    sum / (it.slack.len() * NG) as f64
}

/// Residuals: largest entries by kind, and the mean of all per node.
#[derive(Clone, Copy)]
struct Errors {
    dual: f64,
    primal: f64,
    largest_product: f64,
    mean: f64,
}

/// The last residuals of steps taken without line search: each new one has to be below the largest of four
/// (as in `[Nocedal2009]`).
#[derive(Default)]
struct Recent {
    values: Vec<f64>,
}

impl Recent {
    fn accepts(&mut self, error: f64) -> bool {
        let reference = self.values.iter().rev().take(4).copied().fold(0.0, f64::max);
        let better = self.values.is_empty() || error < 0.9999 * reference;
        if better {
            self.values.push(error);
        }
        better
    }
}

/// Largest miss of `slack·dual = barrier`.
fn complementarity<const NX: usize, const NZ: usize, const NG: usize>(
    it: &Iterate<NX, NZ, NG>,
    barrier: f64,
) -> f64 {
    it.slack
        .iter()
        .flatten()
        .zip(it.dual.iter().flatten())
        .map(|(s, y)| (s * y - barrier).abs())
        .fold(0.0, f64::max)
}
