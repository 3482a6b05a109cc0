//! The limit lap by three methods, checked and ready to show.
//!
//! * [`Method::Fixed`]: the quasi-steady-state lap on a given line ([`crate::fixed`]).
//! * [`Method::Curvature`]: the same on the minimum-curvature line ([`crate::curvature`]).
//! * [`Method::Time`]: line and speed found together, the fastest of all.
//!
//! The minimum-time solve starts from the minimum-curvature line; a solution kept as [`WarmStart`] makes the next
//! solve, with a changed car or step, a fraction of the work. Every lap carries a
//! [`Certificate`]: the lap driven again by an independent integration.

use std::time::Instant;

use serde::Serialize;
use vehicle::envelope::Envelope;

use crate::certificate::{self, Certificate, Plan, Violation};
use crate::circuit::{Circuit, CircuitError, Mesh};
use crate::curvature::{self, CurvatureLine};
use crate::fixed::{FixedLineError, Line, fixed_line};
use crate::geometry::ClosedCurve;
use crate::interior::{self, Settings};
use crate::mesh_error;
use crate::time::{NG, NU, NX, NZ, Point, Problem, TimeIterate};

/// Mesh step that is used when none is given \[m\].
pub const DEFAULT_STEP_M: f64 = 3.0;
/// Barrier at which a cold solve begins (tried from 0.01 to 1 on six circuits: fewest iterations).
const COLD_BARRIER: f64 = 0.1;
/// Barrier at which a solve from the solution of another car begins: with 2 % more mass 8 to 11 steps at any value
/// from 1e-4 to 3e-2, with 6 % less grip 45 at 1e-4 and 15 to 18 at 3e-2.
const WARM_BARRIER: f64 = 2e-2;
/// Barrier at the end: with five inequalities a node it leaves the lap slower than the optimum by
/// nodes·5·barrier/100 s, some 0.1 ms at 1700 nodes.
const LAST_BARRIER: f64 = 1e-6;
/// How a lap is found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Method {
    /// Quasi-steady-state lap on a given line.
    Fixed,
    /// Quasi-steady-state lap on the minimum-curvature line.
    Curvature,
    /// Minimum-time lap.
    Time,
}

/// Reasons why there is no lap.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LimitError {
    /// The circuit, or its width for this car.
    #[error(transparent)]
    Circuit(#[from] CircuitError),
    /// The line, or the car on it.
    #[error(transparent)]
    Line(#[from] FixedLineError),
    /// A given line is not a closed curve.
    #[error("line: {found} points, need at least 4 different ones, finite, each apart from the next")]
    NotACurve {
        /// Points given.
        found: usize,
    },
    /// A given line does not follow the circuit.
    #[error(
        "line: point {point} is {offset_m:.1} m from the centre line, and the line does not follow the circuit from there; \
         is it of the same circuit, closed and in driving direction?"
    )]
    OffCircuit {
        /// Point of the line's mesh, from 1.
        point: usize,
        /// Distance from the centre line \[m\].
        offset_m: f64,
    },
}

/// One node of a lap.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Sample {
    /// Distance along the centre line \[m\].
    pub s_m: f64,
    /// Position \[m\].
    pub x_m: f64,
    /// Position \[m\].
    pub y_m: f64,
    /// Offset from the centre line to the left \[m\].
    pub n_m: f64,
    /// Speed \[m/s\].
    pub speed_mps: f64,
    /// Acceleration of the car along its path \[m/s²\], drag included.
    pub accel_x: f64,
    /// Lateral acceleration \[m/s²\], positive to the left.
    pub accel_y: f64,
    /// Share of the tyres' grip in use \[-\].
    pub grip_share: f64,
    /// Time since the start line \[s\].
    pub time_s: f64,
}

/// A lap at the limit.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LimitLap {
    /// How it was found.
    pub method: Method,
    /// Lap time \[s\].
    pub lap_time_s: f64,
    /// Wall-clock time of meshing and solving \[ms\], without the certificate.
    pub solve_ms: f64,
    /// Newton steps; 0 for a fixed line.
    pub iterations: usize,
    /// Whether the optimality conditions are met. If not, the lap is the best feasible one found.
    pub converged: bool,
    /// Length of the centre line \[m\].
    pub length_m: f64,
    /// Length of the line driven \[m\].
    pub line_length_m: f64,
    /// Number of nodes.
    pub nodes: usize,
    /// ∫ curvature² along the line \[1/m\], for the minimum-curvature line.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub curvature_integral_radpm: Option<f64>,
    /// Lap time less that on an infinitely fine mesh \[s\], for the minimum-time lap: an estimate, good to a factor of
    /// two where it matters. Below 0 the mesh flatters.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mesh_error_s: Option<f64>,
    /// Largest violations on the certificate's drive; 0 where there is none.
    pub max_violation: Violation,
    /// The lap driven again; `None` when it was not asked for, or when the drive could not hold the line (then a warning
    /// says not to trust the lap).
    pub certificate: Option<Certificate>,
    /// What was mended or deserves a look.
    pub warnings: Vec<String>,
    /// The lap, node by node.
    pub samples: Vec<Sample>,
}

/// A solution to start the next solve from: any step, any car, the same or a similar circuit.
#[derive(Debug, Clone, PartialEq)]
pub struct WarmStart {
    iterate: TimeIterate,
    /// Place of each node as share of the lap, and the share it stands for.
    at: Vec<f64>,
    weight: Vec<f64>,
    /// What each interval's truncation takes off the lap time \[s\].
    errors_s: Vec<f64>,
}

impl WarmStart {
    fn new(mesh: &Mesh, iterate: TimeIterate, errors_s: Vec<f64>) -> Self {
        let share = |v: &[f64]| v.iter().map(|s| s / mesh.length_m).collect();
        Self { iterate, at: share(&mesh.s_m), weight: share(&mesh.weight_m), errors_s }
    }
}

/// A minimum-time lap and what is needed to solve the next one quickly.
#[derive(Debug, Clone, PartialEq)]
pub struct TimeSolution {
    /// The lap.
    pub lap: LimitLap,
    /// Start for a changed car; `None` when the solve did not converge.
    pub warm: Option<WarmStart>,
}

/// The quasi-steady-state lap on a line through points \[m\], or on the centre line when none is given.
///
/// # Errors
/// [`LimitError`] when the points are no closed curve, do not follow the circuit, or the car has no speed.
pub fn lap_on_line<E: Envelope + ?Sized>(
    circuit: &Circuit,
    envelope: &E,
    line_m: Option<(&[f64], &[f64])>,
    step_m: f64,
) -> Result<LimitLap, LimitError> {
    let clock = Instant::now();
    circuit.mesh(step_m)?;
    let own;
    let curve = match line_m {
        Some((x, y)) => {
            own = ClosedCurve::through(x, y).ok_or(LimitError::NotACurve { found: x.len() })?;
            &own
        }
        None => circuit.centre_line(),
    };
    let line = Line::on_curve(curve, step_m);
    let profile = fixed_line(envelope, &line)?;
    let solve_ms = clock.elapsed().as_secs_f64() * 1e3;

    let on_circuit = project(circuit, &line)?;
    let plan = Plan {
        s_m: on_circuit.iter().map(|p| p.0).collect(),
        offset_m: on_circuit.iter().map(|p| p.1).collect(),
        angle_rad: on_circuit.iter().map(|p| p.2).collect(),
        a_t: tyre_made(envelope, &profile.speed_mps, &profile.accel_x),
        a_y: profile.accel_y.clone(),
        speed_mps: profile.speed_mps.clone(),
    };
    let mut lap = LimitLap::empty(Method::Fixed, circuit);
    lap.lap_time_s = profile.lap_time_s;
    lap.solve_ms = solve_ms;
    lap.converged = true;
    lap.line_length_m = line.step_m.iter().sum();
    let places: Vec<(f64, f64)> = line.x_m.iter().copied().zip(line.y_m.iter().copied()).collect();
    Ok(lap.finish(circuit, envelope, &plan.starting_at_line(&places, &profile.time_s)))
}

/// The quasi-steady-state lap on the minimum-curvature line.
///
/// # Errors
/// [`LimitError`] when the car does not fit, the step makes no sense, or the car has no speed.
pub fn lap_on_minimum_curvature<E: Envelope + ?Sized>(
    circuit: &Circuit,
    envelope: &E,
    step_m: f64,
) -> Result<LimitLap, LimitError> {
    let clock = Instant::now();
    let mesh = circuit.mesh(step_m)?;
    let line = curvature::minimum_curvature_line(&mesh, envelope.width_m())?;
    let (plan, lap_time_s, time_s) = speeds_on(envelope, &mesh, &line)?;
    let mut lap = LimitLap::empty(Method::Curvature, circuit);
    lap.lap_time_s = lap_time_s;
    lap.solve_ms = clock.elapsed().as_secs_f64() * 1e3;
    lap.converged = line.converged;
    lap.iterations = line.iterations;
    lap.line_length_m = line.step_m.iter().sum();
    lap.curvature_integral_radpm = Some(line.integral_radpm);
    Ok(lap.finish(circuit, envelope, &Timed::on_mesh(plan, &mesh, time_s)))
}

/// The minimum-time lap on an even mesh; quicker when started from an earlier solution.
///
/// A solve that does not converge returns the best feasible lap found, with `converged` false and a warning.
///
/// # Errors
/// [`LimitError`] when the car does not fit, the step makes no sense, or the car has no speed.
pub fn minimum_time<E: Envelope + ?Sized>(
    circuit: &Circuit,
    envelope: &E,
    step_m: f64,
    warm: Option<&WarmStart>,
) -> Result<TimeSolution, LimitError> {
    let clock = Instant::now();
    on_mesh(circuit, envelope, &circuit.mesh(step_m)?, warm, Effort::CHECKED, clock)
}

/// As [`minimum_time`], without certificate, violations and mesh error: half the time of a warm solve, for re-solving in
/// numbers. Check the laps that are shown.
///
/// # Errors
/// As [`minimum_time`].
pub fn minimum_time_unchecked<E: Envelope + ?Sized>(
    circuit: &Circuit,
    envelope: &E,
    step_m: f64,
    warm: Option<&WarmStart>,
) -> Result<TimeSolution, LimitError> {
    let clock = Instant::now();
    on_mesh(
        circuit,
        envelope,
        &circuit.mesh(step_m)?,
        warm,
        Effort { check: false, ..Effort::CHECKED },
        clock,
    )
}

/// What a solve may take and whether it is checked.
#[derive(Clone, Copy)]
struct Effort {
    max_iterations: usize,
    check: bool,
}

impl Effort {
    const CHECKED: Self = Self { max_iterations: 150, check: true };
}

/// The minimum-time lap on a mesh that is made finer where that matters to the lap time.
///
/// Solves on an even mesh, estimates what each interval's truncation error does to the lap time (its defect against an accurate
/// integration, weighed by the multipliers), halves the intervals with the largest shares and solves again from there, until
/// the estimated error of the lap time is at most `max_error_s` or five rounds are done.
///
/// # Errors
/// As [`minimum_time`].
pub fn minimum_time_refined<E: Envelope + ?Sized>(
    circuit: &Circuit,
    envelope: &E,
    step_m: f64,
    max_error_s: f64,
    warm: Option<&WarmStart>,
) -> Result<TimeSolution, LimitError> {
    const ROUNDS: usize = 5;
    let clock = Instant::now();
    let mut solution = on_mesh(circuit, envelope, &circuit.mesh(step_m)?, warm, Effort::CHECKED, clock)?;
    let mut iterations = solution.lap.iterations;
    for _ in 0..ROUNDS {
        let Some(start) = &solution.warm else { break };
        let shares: Vec<f64> = start.errors_s.iter().map(|e| e.abs()).collect();
        if shares.iter().sum::<f64>() <= max_error_s {
            break;
        }
        // An interval may keep an even share of what is allowed; a mesh never grows tenfold.
        let allowed = max_error_s / shares.len() as f64;
        let length = circuit.length_m();
        let places: Vec<f64> = solution.lap.samples.iter().map(|s| s.s_m).collect();
        let mut finer = Vec::with_capacity(2 * places.len());
        for (k, &from) in places.iter().enumerate() {
            let to = places.get(k + 1).copied().unwrap_or(length);
            finer.push(from);
            if shares[k] > allowed && to - from > 0.2 {
                finer.push(0.5 * (from + to));
            }
        }
        if finer.len() == places.len() || finer.len() as f64 > 10.0 * length / step_m {
            break;
        }
        let next = on_mesh(
            circuit,
            envelope,
            &circuit.mesh_at(&finer),
            solution.warm.as_ref(),
            Effort::CHECKED,
            clock,
        )?;
        iterations += next.lap.iterations;
        if !next.lap.converged {
            break;
        }
        solution = next;
    }
    solution.lap.iterations = iterations;
    Ok(solution)
}

fn on_mesh<E: Envelope + ?Sized>(
    circuit: &Circuit,
    envelope: &E,
    mesh: &Mesh,
    warm: Option<&WarmStart>,
    effort: Effort,
    clock: Instant,
) -> Result<TimeSolution, LimitError> {
    let room = mesh.room(envelope.width_m())?;
    let problem = Problem { mesh, room: &room, envelope };

    let mut attempts = Attempts { iterations: 0, max_iterations: effort.max_iterations };
    let mut found = warm.and_then(|w| attempts.warm(&problem, w, WARM_BARRIER));
    if found.is_none() {
        found = attempts.cold(&problem)?;
    }
    let mut lap = LimitLap::empty(Method::Time, circuit);
    lap.iterations = attempts.iterations;
    let Some(iterate) = found else {
        // Best feasible lap at hand, driven in quasi-steady state.
        let step_m = mesh.length_m / mesh.len() as f64;
        let bent = lap_on_minimum_curvature(circuit, envelope, step_m)?;
        let centre = lap_on_line(circuit, envelope, None, step_m)?;
        let outside = centre.max_violation.border_m > bent.max_violation.border_m.max(0.05);
        let take_centre = !outside && centre.lap_time_s < bent.lap_time_s;
        let mut best = if take_centre { centre } else { bent };
        best.method = Method::Time;
        best.iterations = attempts.iterations;
        best.converged = false;
        best.solve_ms = clock.elapsed().as_secs_f64() * 1e3;
        best.warnings.push(format!(
            "the minimum-time solve did not converge in {} steps; this is the lap on the {} line, which is feasible and slower \
             than the limit; try another step, and look at the circuit's warnings",
            attempts.iterations,
            if take_centre { "centre" } else { "minimum-curvature" }
        ));
        return Ok(TimeSolution { lap: best, warm: None });
    };
    let (plan, time_s, line_length_m) = plan_of(&problem, &iterate);
    lap.lap_time_s = time_s.last().copied().unwrap_or(f64::NAN);
    lap.solve_ms = clock.elapsed().as_secs_f64() * 1e3;
    lap.converged = true;
    lap.line_length_m = line_length_m;
    let timed = Timed::on_mesh(plan, mesh, time_s);
    lap.samples(envelope, &timed);
    let mut errors_s = Vec::new();
    if effort.check {
        errors_s = mesh_error::interval_errors_s(circuit, &problem, &iterate);
        lap.mesh_error_s = Some(-errors_s.iter().sum::<f64>());
        lap.certify(circuit, envelope, &timed.plan);
    }
    Ok(TimeSolution { lap, warm: Some(WarmStart::new(mesh, iterate, errors_s)) })
}

/// Solves tried so far.
struct Attempts {
    iterations: usize,
    max_iterations: usize,
}

impl Attempts {
    fn cold<E: Envelope + ?Sized>(
        &mut self,
        problem: &Problem<'_, E>,
    ) -> Result<Option<TimeIterate>, LimitError> {
        for (slower, barrier) in [(0.97, COLD_BARRIER), (0.85, 1.0), (0.7, 10.0)] {
            let start = first_guess(problem, slower, barrier)?;
            if let Some(found) = self.run(problem, start, barrier) {
                return Ok(Some(found));
            }
        }
        Ok(None)
    }

    fn warm<E: Envelope + ?Sized>(
        &mut self,
        problem: &Problem<'_, E>,
        warm: &WarmStart,
        barrier: f64,
    ) -> Option<TimeIterate> {
        self.run(problem, transfer(problem, warm, barrier), barrier)
    }

    fn run<E: Envelope + ?Sized>(
        &mut self,
        problem: &Problem<'_, E>,
        mut iterate: TimeIterate,
        barrier: f64,
    ) -> Option<TimeIterate> {
        let settings = Settings {
            barrier_start: barrier,
            barrier_end: LAST_BARRIER,
            tolerance: 1e-5,
            max_iterations: self.max_iterations,
            barrier_per_residual: 0.01,
        };
        let outcome = interior::solve::<NX, NU, NZ, NG, _>(problem, &mut iterate, &settings);
        self.iterations += outcome.iterations;
        outcome.converged.then_some(iterate)
    }
}

/// Start of a cold solve: the minimum-curvature line, driven below its quasi-steady-state speeds.
fn first_guess<E: Envelope + ?Sized>(
    problem: &Problem<'_, E>,
    slower: f64,
    barrier: f64,
) -> Result<TimeIterate, LimitError> {
    let (mesh, envelope) = (problem.mesh, problem.envelope);
    let line = curvature::rough_curvature_line(mesh, problem.room);
    let (plan, ..) = speeds_on(envelope, mesh, &line)?;
    let z = (0..mesh.len())
        .map(|k| {
            let (low, high) = problem.room[k];
            let margin = 0.05 * (high - low);
            let speed = slower * plan.speed_mps[k];
            let a_x = plan.a_t[k] - envelope.drag(plan.speed_mps[k]).value;
            Point {
                offset: plan.offset_m[k].clamp(low + margin, high - margin),
                angle: plan.angle_rad[k],
                speed,
                a_t: slower * slower * a_x + envelope.drag(speed).value,
                a_y: speed * speed * line.curvature_radpm[k],
            }
            .scaled()
        })
        .collect();
    Ok(interior::cold_start(problem, z, barrier))
}

/// An earlier solution on another mesh or for another car, moved to where every product of slack and multiplier is
/// the barrier at least.
fn transfer<E: Envelope + ?Sized>(problem: &Problem<'_, E>, warm: &WarmStart, barrier: f64) -> TimeIterate {
    let (mesh, n, m) = (problem.mesh, problem.mesh.len(), warm.iterate.z.len());
    // Nodes of the earlier solution around a place, by a pointer that only moves on. Collocation multipliers belong to
    // the middle of an interval.
    let middle = |k: usize| {
        let end = if k + 1 < m { warm.at[k + 1] } else { warm.at[0] + 1.0 };
        0.5 * (warm.at[k] + end)
    };
    let middles: Vec<f64> = (0..m).map(middle).collect();
    let around = |places: &[f64], at: f64| {
        let high = places.partition_point(|p| *p <= at);
        let (low, high) = ((high + m - 1) % m, high % m);
        let span = (places[high] - places[low]).rem_euclid(1.0);
        let into = (at - places[low]).rem_euclid(1.0);
        (low, high, if span > 0.0 { (into / span).min(1.0) } else { 0.0 })
    };
    let mut out = TimeIterate {
        z: Vec::with_capacity(n),
        slack: Vec::with_capacity(n),
        dual: Vec::with_capacity(n),
        lambda: Vec::with_capacity(n),
        barrier,
    };
    let it = &warm.iterate;
    for k in 0..n {
        let here = mesh.s_m[k] / mesh.length_m;
        let (a, b, t) = around(&warm.at, here);
        let share =
            mesh.weight_m[k] / mesh.length_m / (warm.weight[a] + t * (warm.weight[b] - warm.weight[a]));
        out.z.push(std::array::from_fn(|j| it.z[a][j] + t * (it.z[b][j] - it.z[a][j])));
        let limits = interior::Stages::values(problem, k, &out.z[k]).limits;
        let mut slack = [0.0; NG];
        let mut dual = [0.0; NG];
        for j in 0..NG {
            let s = (-limits[j]).max(1e-8);
            // Multipliers are per node, so they go with what the node stands for.
            let y = share * (it.dual[a][j] + t * (it.dual[b][j] - it.dual[a][j]));
            // Both grow alike until their product is the barrier: the nearest such pair for small moves.
            let grow = 0.5 * (((s - y) * (s - y) + 4.0 * barrier).sqrt() - (s + y));
            (slack[j], dual[j]) = if grow > 0.0 { (s + grow, y + grow) } else { (s, y) };
        }
        out.slack.push(slack);
        out.dual.push(dual);
        let (a, b, t) = around(&middles, here + 0.5 * mesh.steps_m[k] / mesh.length_m);
        out.lambda.push(std::array::from_fn(|j| it.lambda[a][j] + t * (it.lambda[b][j] - it.lambda[a][j])));
    }
    out
}

/// Plan, time at each node and at the end, and line length of a solution.
fn plan_of<E: Envelope + ?Sized>(problem: &Problem<'_, E>, iterate: &TimeIterate) -> (Plan, Vec<f64>, f64) {
    let mesh = problem.mesh;
    let n = mesh.len();
    let points: Vec<Point> = iterate.z.iter().map(Point::from_scaled).collect();
    let along: Vec<f64> =
        (0..n).map(|k| (1.0 - points[k].offset * mesh.curvature_radpm[k]) / points[k].angle.cos()).collect();
    let mut time_s = Vec::with_capacity(n + 1);
    let (mut clock, mut length) = (0.0, 0.0);
    for k in 0..n {
        let next = (k + 1) % n;
        time_s.push(clock);
        clock += 0.5 * mesh.steps_m[k] * (along[k] / points[k].speed + along[next] / points[next].speed);
        length += 0.5 * mesh.steps_m[k] * (along[k] + along[next]);
    }
    time_s.push(clock);
    let plan = Plan {
        s_m: mesh.s_m.clone(),
        offset_m: points.iter().map(|p| p.offset).collect(),
        angle_rad: points.iter().map(|p| p.angle).collect(),
        speed_mps: points.iter().map(|p| p.speed).collect(),
        a_t: points.iter().map(|p| p.a_t).collect(),
        a_y: points.iter().map(|p| p.a_y).collect(),
    };
    (plan, time_s, length)
}

/// Quasi-steady-state speeds on a minimum-curvature line, with lap time and time at each node.
fn speeds_on<E: Envelope + ?Sized>(
    envelope: &E,
    mesh: &Mesh,
    line: &CurvatureLine,
) -> Result<(Plan, f64, Vec<f64>), LimitError> {
    let path = Line {
        step_m: line.step_m.clone(),
        curvature_radpm: line.curvature_radpm.clone(),
        x_m: Vec::new(),
        y_m: Vec::new(),
    };
    let profile = fixed_line(envelope, &path)?;
    let plan = Plan {
        s_m: mesh.s_m.clone(),
        offset_m: line.offset_m.clone(),
        angle_rad: line.angle_rad.clone(),
        a_t: tyre_made(envelope, &profile.speed_mps, &profile.accel_x),
        a_y: profile.accel_y,
        speed_mps: profile.speed_mps,
    };
    Ok((plan, profile.lap_time_s, profile.time_s))
}

fn tyre_made<E: Envelope + ?Sized>(envelope: &E, speed: &[f64], a_x: &[f64]) -> Vec<f64> {
    speed.iter().zip(a_x).map(|(v, a)| a + envelope.drag(*v).value).collect()
}

/// A plan with the position and time of each node.
struct Timed {
    plan: Plan,
    places: Vec<(f64, f64)>,
    time_s: Vec<f64>,
}

impl Timed {
    fn on_mesh(plan: Plan, mesh: &Mesh, time_s: Vec<f64>) -> Self {
        let places = (0..mesh.len()).map(|k| mesh.position(k, plan.offset_m[k])).collect();
        Self { plan, places, time_s }
    }
}

impl Plan {
    /// Rotates the nodes so that the first is the first one behind the start line.
    fn starting_at_line(self, places: &[(f64, f64)], time_s: &[f64]) -> Timed {
        let first = (0..self.s_m.len()).min_by(|a, b| self.s_m[*a].total_cmp(&self.s_m[*b])).unwrap_or(0);
        let turn = |v: &[f64]| -> Vec<f64> { v[first..].iter().chain(&v[..first]).copied().collect() };
        let places = places[first..].iter().chain(&places[..first]).copied().collect();
        let plan = Self {
            s_m: turn(&self.s_m),
            offset_m: turn(&self.offset_m),
            angle_rad: turn(&self.angle_rad),
            speed_mps: turn(&self.speed_mps),
            a_t: turn(&self.a_t),
            a_y: turn(&self.a_y),
        };
        Timed { plan, places, time_s: turn(time_s) }
    }
}

impl LimitLap {
    fn empty(method: Method, circuit: &Circuit) -> Self {
        Self {
            method,
            lap_time_s: f64::NAN,
            solve_ms: 0.0,
            iterations: 0,
            converged: false,
            length_m: circuit.length_m(),
            line_length_m: f64::NAN,
            nodes: 0,
            curvature_integral_radpm: None,
            mesh_error_s: None,
            max_violation: Violation::default(),
            certificate: None,
            warnings: circuit.mends().iter().map(ToString::to_string).collect(),
            samples: Vec::new(),
        }
    }

    /// With samples and certificate.
    fn finish<E: Envelope + ?Sized>(mut self, circuit: &Circuit, envelope: &E, timed: &Timed) -> Self {
        self.samples(envelope, timed);
        self.certify(circuit, envelope, &timed.plan);
        self
    }

    fn samples<E: Envelope + ?Sized>(&mut self, envelope: &E, timed: &Timed) {
        let plan = &timed.plan;
        self.nodes = plan.s_m.len();
        self.samples = (0..self.nodes)
            .map(|k| {
                let v = plan.speed_mps[k];
                Sample {
                    s_m: plan.s_m[k],
                    x_m: timed.places[k].0,
                    y_m: timed.places[k].1,
                    n_m: plan.offset_m[k],
                    speed_mps: v,
                    accel_x: plan.a_t[k] - envelope.drag(v).value,
                    accel_y: plan.a_y[k],
                    grip_share: envelope.usage(v, plan.a_t[k], plan.a_y[k]).value.max(0.0).sqrt(),
                    time_s: (timed.time_s[k] - timed.time_s[0]).rem_euclid(self.lap_time_s),
                }
            })
            .collect();
    }

    fn certify<E: Envelope + ?Sized>(&mut self, circuit: &Circuit, envelope: &E, plan: &Plan) {
        self.certificate = certificate::drive(circuit, envelope, plan);
        let told = match &self.certificate {
            Some(certificate) => {
                self.max_violation = certificate.violation;
                doubts(certificate, self.lap_time_s)
            }
            None => {
                Some("the check by independent integration lost the line: do not trust this lap".to_owned())
            }
        };
        self.warnings.extend(told.map(|told| format!("{told}; try a smaller step")));
    }
}

/// What a user should know when the drive differs from the plan by more than a mesh usually costs.
fn doubts(certificate: &Certificate, lap_time_s: f64) -> Option<String> {
    // Some three times what the open circuits show at 3 m (border 0.14 m, grip 7 %, time 0.02 %).
    const BORDER_M: f64 = 0.4;
    const GRIP_SHARE: f64 = 0.2;
    const TIME_SHARE: f64 = 1e-3;
    let Violation { border_m, grip_share } = certificate.violation;
    let late = certificate.lap_time_s / lap_time_s - 1.0;
    (border_m > BORDER_M || grip_share > GRIP_SHARE || late.abs() > TIME_SHARE).then(|| {
        format!(
            "driven again by independent integration the lap takes {:.3} s, leaves the borders by {border_m:.2} m and the \
             grip by {:.0} % at worst",
            certificate.lap_time_s,
            100.0 * grip_share
        )
    })
}

/// Distance along the centre line, offset and angle of every node of a line.
fn project(circuit: &Circuit, line: &Line) -> Result<Vec<(f64, f64, f64)>, LimitError> {
    let centre = circuit.centre_line();
    let (n, length) = (line.x_m.len(), circuit.length_m());
    let coarse = centre.evenly(((length / 5.0).ceil() as usize).max(50));
    let distance = |p: &crate::geometry::Place| (p.x_m - line.x_m[0]).hypot(p.y_m - line.y_m[0]);
    let nearest = coarse.iter().min_by(|a, b| distance(a).total_cmp(&distance(b)));
    let mut s = nearest.map_or(0.0, |p| p.s_m);
    let start = s;
    let mut out = Vec::with_capacity(n);
    for k in 0..n {
        if k > 0 {
            s += line.step_m[k - 1];
        }
        let mut place = centre.at(s);
        let mut along = f64::INFINITY;
        let mut offset = 0.0;
        for _ in 0..12 {
            let (sin, cos) = place.heading_rad.sin_cos();
            let (dx, dy) = (line.x_m[k] - place.x_m, line.y_m[k] - place.y_m);
            along = dx * cos + dy * sin;
            offset = dy * cos - dx * sin;
            if along.abs() < 1e-9 {
                break;
            }
            let stretch = (1.0 - offset * place.curvature_radpm).max(0.2);
            s += (along / stretch).clamp(-10.0, 10.0);
            place = centre.at(s);
        }
        let next = (k + 1) % n;
        let before = if k == 0 { n - 1 } else { k - 1 };
        let heading = (line.y_m[next] - line.y_m[before]).atan2(line.x_m[next] - line.x_m[before]);
        let angle = (heading - place.heading_rad).sin().atan2((heading - place.heading_rad).cos());
        if along.abs() > 0.1 || angle.abs() > 1.3 || offset.abs() > 200.0 {
            return Err(LimitError::OffCircuit { point: k + 1, offset_m: offset });
        }
        out.push((s.rem_euclid(length), offset, angle));
    }
    // One lap of the line is one lap of the circuit, and never goes back.
    let round = s - start + line.step_m[n - 1];
    let turns_back = (0..n).find(|k| {
        let ahead = (out[(k + 1) % n].0 - out[*k].0).rem_euclid(length);
        !(ahead > 0.0 && ahead < 0.5 * length)
    });
    if let Some(point) = turns_back {
        return Err(LimitError::OffCircuit { point: point + 1, offset_m: out[point].1 });
    }
    if (round / length - 1.0).abs() > 0.5 {
        return Err(LimitError::OffCircuit { point: n, offset_m: out[n - 1].1 });
    }
    Ok(out)
}

#[cfg(test)]
mod tests {
    use super::*;
    use vehicle::envelope::GripEllipse;

    #[test]
    fn a_solve_cut_short_says_so_and_returns_a_feasible_lap() {
        let circuit = Circuit::from_csv(include_str!("../testdata/knotfield.csv")).unwrap();
        let car = GripEllipse::from_toml_str(
            "[grip_ellipse]\nmass_kg = 1300\nmu_x = 1.6\nmu_y = 1.55\npower_w = 380e3\n",
        )
        .unwrap();
        let mesh = circuit.mesh(3.0).unwrap();
        let effort = Effort { max_iterations: 3, check: true };
        let cut = on_mesh(&circuit, &car, &mesh, None, effort, Instant::now()).unwrap();
        assert!(!cut.lap.converged && cut.warm.is_none());
        assert!(cut.lap.warnings.iter().any(|w| w.contains("did not converge")), "{:?}", cut.lap.warnings);
        let full = minimum_time(&circuit, &car, 3.0, None).unwrap().lap;
        let bent = lap_on_minimum_curvature(&circuit, &car, 3.0).unwrap();
        assert!(cut.lap.lap_time_s > full.lap_time_s && cut.lap.lap_time_s <= bent.lap_time_s);
        assert!(cut.lap.max_violation.border_m < 0.1 && cut.lap.max_violation.grip_share < 0.05);
    }

    #[test]
    fn an_unchecked_solve_gives_the_same_lap_without_certificate() {
        let circuit = Circuit::from_csv(include_str!("../testdata/knotfield.csv")).unwrap();
        let car = GripEllipse::from_toml_str(
            "[grip_ellipse]\nmass_kg = 1300\nmu_x = 1.6\nmu_y = 1.55\npower_w = 380e3\n",
        )
        .unwrap();
        let checked = minimum_time(&circuit, &car, 3.0, None).unwrap().lap;
        let quick = minimum_time_unchecked(&circuit, &car, 3.0, None).unwrap().lap;
        assert_eq!(quick.samples, checked.samples);
        assert!(quick.certificate.is_none() && checked.certificate.is_some());
    }
}
