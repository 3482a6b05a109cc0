//! Quasi-steady-state lap on a given line: the fastest speeds along a path under an envelope.
//!
//! In `z = V²` the equation of motion along the path is `dz/ds = 2 a_x`, with `a_y = z·κ`. The highest speed
//! that the grip allows at each node bounds `z` from above; integrating backwards with the hardest braking and
//! forwards with the hardest drive, round the lap until nothing changes, gives the largest periodic profile
//! below the bound (the phase-plane method, `[Bobrow1985]`). Steps are implicit and of second order, and exact for
//! the root law by which acceleration grows behind an apex.
//!
//! The grip limit is taken at tyre-made `a_t = 0`, where it is widest, so a car that slows down by drag alone may
//! touch it; a steady corner with drag settles below it by itself, because drive and lateral force share the grip.
//!
//! The car follows the path exactly and without transients; line and mesh are not changed.

use std::cell::Cell;

use serde::Serialize;
use vehicle::envelope::Envelope;

use crate::geometry::ClosedCurve;

/// Highest speed considered \[m/s\]: a car without any limit ends here.
const MAX_SPEED_MPS: f64 = 400.0;

/// Square of the lowest speed considered \[m²/s²\]: keeps times finite on lines that demand a standstill.
const SLOWEST_SQUARE: f64 = 1e-4;

/// Weight of the slope in the middle of a step against the mean of both ends. Behind an apex the slope grows with the
/// root of the distance: the integral of √x over 0..1 is 2/3, the middle gives 0.707, the ends 0.5, and this mixture
/// 2/3; any mixture is of second order where the slope is smooth.
const MIDDLE_SHARE: f64 = 0.804_737_854_124_365;

/// Reasons why a line has no speed profile.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FixedLineError {
    /// Steps and curvatures do not belong together.
    #[error("line has {steps} steps and {curvatures} curvatures, expected the same number, at least 3")]
    Lengths {
        /// Number of steps.
        steps: usize,
        /// Number of curvatures.
        curvatures: usize,
    },
    /// A value that makes no sense.
    #[error("line: node {node}: {quantity} is {found}, expected a finite number{expected}")]
    Value {
        /// Node, from 0.
        node: usize,
        /// What it is.
        quantity: &'static str,
        /// Value found.
        found: f64,
        /// Anything more expected.
        expected: &'static str,
    },
    /// The car cannot keep moving: drag is beyond drive at every speed.
    #[error("the car's drive never exceeds its drag, so it has no speed; check power and drag area")]
    NoDrive,
}

/// Speeds of a lap on a closed line; all arrays have one value per node.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct SpeedProfile {
    /// Lap time \[s\].
    pub lap_time_s: f64,
    /// Time at each node \[s\], 0 at the first.
    pub time_s: Vec<f64>,
    /// Speed \[m/s\].
    pub speed_mps: Vec<f64>,
    /// Acceleration of the car along the line \[m/s²\], drag included, the mean of the steps before and after.
    pub accel_x: Vec<f64>,
    /// Lateral acceleration \[m/s²\], positive to the left.
    pub accel_y: Vec<f64>,
}

/// A closed line at nodes: what [`fixed_line`] needs.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Distance from each node to the next \[m\]; the last one leads back to the first node.
    pub step_m: Vec<f64>,
    /// Curvature at each node \[1/m\], positive to the left.
    pub curvature_radpm: Vec<f64>,
    /// Position of each node \[m\].
    pub x_m: Vec<f64>,
    /// Position of each node \[m\].
    pub y_m: Vec<f64>,
}

impl Line {
    /// Nodes at most about `step_m` apart on a curve, such that every apex (peak of the curvature's size) is a node: the
    /// slowest places are met exactly, whatever the step.
    ///
    /// A cubic spline's curvature is nearly linear between its points and peaks at them, so each stretch between points
    /// is divided evenly. Where points are closer than half a step, nodes are even and apexes are searched.
    #[must_use]
    pub fn on_curve(curve: &ClosedCurve, step_m: f64) -> Self {
        let knots = curve.knots_m();
        if curve.length_m() / knots.len() as f64 >= 0.5 * step_m {
            return Self::at(curve, &divided(knots, curve.length_m(), step_m));
        }
        Self::at(curve, &even_with_apexes(curve, step_m))
    }

    fn at(curve: &ClosedCurve, distances: &[f64]) -> Self {
        let places = curve.at_sorted(distances.iter().copied());
        let n = places.len();
        let next = |k: usize| if k + 1 < n { places[k + 1].s_m } else { places[0].s_m + curve.length_m() };
        Self {
            step_m: (0..n).map(|k| next(k) - places[k].s_m).collect(),
            curvature_radpm: places.iter().map(|p| p.curvature_radpm).collect(),
            x_m: places.iter().map(|p| p.x_m).collect(),
            y_m: places.iter().map(|p| p.y_m).collect(),
        }
    }
}

/// Distances of points with the stretches between them divided into steps of at most `step_m`.
fn divided(knots: &[f64], length: f64, step_m: f64) -> Vec<f64> {
    let mut distances = Vec::with_capacity(2 * knots.len());
    for (i, &from) in knots.iter().enumerate() {
        let to = knots.get(i + 1).copied().unwrap_or(length);
        let parts = ((to - from) / step_m).ceil().max(1.0);
        for part in 0..parts as usize {
            distances.push(from + (to - from) * part as f64 / parts);
        }
    }
    distances
}

/// Even distances, of which those next to an apex are moved onto it.
fn even_with_apexes(curve: &ClosedCurve, step_m: f64) -> Vec<f64> {
    let length = curve.length_m();
    let count = (length / step_m).round().max(8.0) as usize;
    let step = length / count as f64;
    let even = curve.evenly(count);
    let size = |k: usize| even[k % count].curvature_radpm.abs();
    let mut distances: Vec<f64> = Vec::with_capacity(count);
    for (k, place) in even.iter().enumerate() {
        let (before, here, after) = (size(k + count - 1), size(k), size(k + 1));
        let apex = k > 0 && here > before && here >= after;
        let at = if apex { peak(curve, place.s_m - step, place.s_m + step) } else { place.s_m };
        if at < length && distances.last().is_none_or(|last| at > last + 1e-3 * step) {
            distances.push(at);
        }
    }
    distances
}

/// Place of the largest size of curvature within an interval, by golden-section search.
fn peak(curve: &ClosedCurve, from: f64, to: f64) -> f64 {
    const GOLDEN: f64 = 0.618_033_988_749_894_9;
    let size = |s: f64| curve.at(s).curvature_radpm.abs();
    let (mut a, mut b) = (from, to);
    let (mut c, mut d) = (b - GOLDEN * (b - a), a + GOLDEN * (b - a));
    let (mut at_c, mut at_d) = (size(c), size(d));
    for _ in 0..16 {
        if at_c > at_d {
            (b, d, at_d) = (d, c, at_c);
            c = b - GOLDEN * (b - a);
            at_c = size(c);
        } else {
            (a, c, at_c) = (c, d, at_d);
            d = a + GOLDEN * (b - a);
            at_d = size(d);
        }
    }
    0.5 * (a + b)
}

/// The quasi-steady-state flying lap on a closed line (see the module).
///
/// # Errors
/// [`FixedLineError`] for arrays that do not match, values that are not finite, steps that are not positive, or a
/// car whose drive never exceeds its drag.
///
/// # Source
/// `[Bobrow1985]` for the phase plane; the envelope is the caller's.
pub fn fixed_line<E: Envelope + ?Sized>(envelope: &E, line: &Line) -> Result<SpeedProfile, FixedLineError> {
    check(&line.step_m, &line.curvature_radpm)?;
    let squares = fastest_squares(envelope, &line.step_m, &line.curvature_radpm)?;
    Ok(profile(&squares, &line.step_m, &line.curvature_radpm))
}

fn check(steps: &[f64], curvatures: &[f64]) -> Result<(), FixedLineError> {
    if steps.len() != curvatures.len() || steps.len() < 3 {
        return Err(FixedLineError::Lengths { steps: steps.len(), curvatures: curvatures.len() });
    }
    for (node, (&step, &curvature)) in steps.iter().zip(curvatures).enumerate() {
        if !(step.is_finite() && step > 0.0) {
            return Err(FixedLineError::Value {
                node,
                quantity: "step",
                found: step,
                expected: " above 0 m",
            });
        }
        if !curvature.is_finite() {
            return Err(FixedLineError::Value {
                node,
                quantity: "curvature",
                found: curvature,
                expected: "",
            });
        }
    }
    Ok(())
}

/// Squared speeds \[m²/s²\] of the fastest lap.
fn fastest_squares<E: Envelope + ?Sized>(
    envelope: &E,
    steps: &[f64],
    curvatures: &[f64],
) -> Result<Vec<f64>, FixedLineError> {
    let n = steps.len();
    let top = top_speed(envelope).ok_or(FixedLineError::NoDrive)?;
    let mut limit = Vec::with_capacity(n);
    let mut guess = top;
    for &curvature in curvatures {
        guess = cornering_speed(envelope, curvature.abs(), top, guess);
        limit.push((guess * guess).max(SLOWEST_SQUARE));
    }
    let start = (0..n).min_by(|a, b| limit[*a].total_cmp(&limit[*b])).unwrap_or(0);

    // 2·a_x at a curvature, braking or driving as hard as the lateral force leaves room for.
    let guess = Cell::new(1.0);
    let slope = |z: f64, curvature: f64, drive: bool| -> f64 {
        let v = z.sqrt();
        2.0 * (hardest(envelope, v, z * curvature, drive, &guess) - envelope.drag(v).value)
    };
    // z at the other end of the step between nodes k and k + 1, implicit.
    let across = |z: f64, k: usize, drive: bool, bound: f64| {
        let next = if k + 1 == n { 0 } else { k + 1 };
        let (here, there) =
            if drive { (curvatures[k], curvatures[next]) } else { (curvatures[next], curvatures[k]) };
        let signed = if drive { steps[k] } else { -steps[k] };
        let at_here = slope(z, here, drive);
        let mut other = (z + signed * at_here).max(SLOWEST_SQUARE).min(bound);
        for _ in 0..6 {
            let middle = slope(0.5 * (z + other), 0.5 * (here + there), drive);
            let ends = 0.5 * (at_here + slope(other, there, drive));
            let next = (z + signed * (MIDDLE_SHARE * middle + (1.0 - MIDDLE_SHARE) * ends))
                .clamp(SLOWEST_SQUARE, bound);
            let change = (next - other).abs();
            other = next;
            if change < 1e-6 * other {
                break;
            }
        }
        other
    };
    let mut z = limit.clone();
    // Backwards: the fastest square at k from which k + 1 can be reached by braking.
    sweep(&mut z, start, false, |z_next, k, _| across(z_next, k, false, limit[k]));
    let reachable = z.clone();
    sweep(&mut z, start, true, |z_before, next, before| across(z_before, before, true, reachable[next]));
    Ok(z)
}

/// Hardest drive, or braking (negative), that the lateral force leaves room for; 0 beyond the grip.
///
/// Newton's method on the usage as a function of the square of `a_t`, which hits an ellipse in one step; `guess` is the
/// result of the place before. Where a drive limit leaves grip to spare nothing has to be searched.
fn hardest<E: Envelope + ?Sized>(envelope: &E, v: f64, a_y: f64, drive: bool, guess: &Cell<f64>) -> f64 {
    let sign = if drive { 1.0 } else { -1.0 };
    let limit = if drive {
        let [first, second] = envelope.drive_limits(v);
        first.value.min(second.value)
    } else {
        f64::INFINITY
    };
    if limit < f64::INFINITY && envelope.usage(v, limit, a_y).value <= 1.0 {
        return limit;
    }
    let (mut inside, mut outside) = (0.0, limit);
    let mut a = guess.get().min(limit);
    for _ in 0..60 {
        let usage = envelope.usage(v, sign * a, a_y);
        let excess = usage.value - 1.0;
        if excess.abs() < 1e-9 {
            break;
        }
        if excess > 0.0 {
            outside = a;
        } else {
            inside = a;
        }
        let square = a * a - 2.0 * a * excess / (sign * usage.gradient[1]);
        let next = if square > inside * inside && square < outside * outside {
            square.sqrt()
        } else if inside == 0.0 && envelope.usage(v, 0.0, a_y).value >= 1.0 {
            return 0.0;
        } else if outside.is_finite() {
            0.5 * (inside + outside)
        } else {
            2.0 * a + 1.0
        };
        // The error of a Newton step is the square of its length.
        let done = (next - a).abs() <= 1e-4 * a;
        a = next;
        if done || a > 1e5 {
            break;
        }
    }
    guess.set(a.max(1e-3));
    sign * a
}

/// Runs `step(value at the node just left, node, node just left)` round the lap until nothing gets lower.
fn sweep(z: &mut [f64], start: usize, forward: bool, step: impl Fn(f64, usize, usize) -> f64) {
    let n = z.len();
    let mut from = start;
    // A second lap settles what the first began with; a few more cost nothing when it has settled.
    for count in 0..4 * n {
        let to = if forward { (from + 1) % n } else { (from + n - 1) % n };
        let new = step(z[from], to, from).min(z[to]);
        let settled = count >= n && z[to] - new <= 1e-12 * z[to];
        z[to] = new;
        if settled {
            break;
        }
        from = to;
    }
}

/// Highest steady speed on a straight \[m/s\]; `None` when drive never exceeds drag.
pub(crate) fn top_speed<E: Envelope + ?Sized>(envelope: &E) -> Option<f64> {
    let spare = |v: f64| {
        let drive = envelope.longitudinal_range(v, 0.0).map_or(0.0, |range| range.1);
        drive - envelope.drag(v).value
    };
    if spare(MAX_SPEED_MPS) >= 0.0 {
        return Some(MAX_SPEED_MPS);
    }
    // The last speed with drive to spare, from above: scan, then bisect.
    let mut low = (1..80).rev().map(|i| f64::from(i) * MAX_SPEED_MPS / 80.0).find(|v| spare(*v) > 0.0)?;
    let mut high = low + MAX_SPEED_MPS / 80.0;
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if spare(middle) > 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some(low)
}

/// Highest speed \[m/s\], at most `top`, at which the grip holds the car on a curvature without longitudinal force.
///
/// Safeguarded Newton on `ln usage = 0`, started at the neighbour's speed.
pub(crate) fn cornering_speed<E: Envelope + ?Sized>(
    envelope: &E,
    curvature: f64,
    top: f64,
    guess: f64,
) -> f64 {
    if envelope.usage(top, 0.0, top * top * curvature).value <= 1.0 {
        return top;
    }
    let (mut low, mut high) = (0.0, top);
    let mut v = guess.clamp(0.05 * top, 0.999 * top);
    for _ in 0..60 {
        let usage = envelope.usage(v, 0.0, v * v * curvature);
        let excess = usage.value.max(1e-300).ln();
        if excess > 0.0 {
            high = v;
        } else {
            low = v;
        }
        if excess.abs() < 1e-13 || high - low < 1e-12 * high {
            break;
        }
        let slope =
            (usage.gradient[0] + usage.gradient[2] * 2.0 * v * curvature) * v / usage.value.max(1e-300);
        // Newton in ln v: usage is close to a power of the speed.
        let next = v * (-excess / slope).clamp(-1.0, 1.0).exp();
        v = if next.is_finite() && next > low && next < high { next } else { 0.5 * (low + high) };
    }
    v
}

fn profile(squares: &[f64], steps: &[f64], curvatures: &[f64]) -> SpeedProfile {
    let n = squares.len();
    let speed_mps: Vec<f64> = squares.iter().map(|z| z.sqrt()).collect();
    let mut time_s = Vec::with_capacity(n);
    let mut clock = 0.0;
    let mut step_accel = Vec::with_capacity(n);
    for k in 0..n {
        let next = (k + 1) % n;
        time_s.push(clock);
        // Exact for the constant acceleration within a step.
        clock += 2.0 * steps[k] / (speed_mps[k] + speed_mps[next]);
        step_accel.push((squares[next] - squares[k]) / (2.0 * steps[k]));
    }
    let accel_x = (0..n).map(|k| 0.5 * (step_accel[(k + n - 1) % n] + step_accel[k])).collect();
    let accel_y = (0..n).map(|k| squares[k] * curvatures[k]).collect();
    SpeedProfile { lap_time_s: clock, time_s, speed_mps, accel_x, accel_y }
}
