//! Closed curves in the plane: smoothing, periodic cubic splines, arc length, heading and curvature.
//!
//! A closed curve is a periodic cubic spline of both coordinates over the accumulated chord, so position is
//! twice continuously differentiable; heading and curvature are its analytic derivatives, arc length is
//! Gauss-Legendre quadrature. Curvature and heading follow ISO 8855: positive in a left turn.
//!
//! Nothing in here knows about cars or circuits.

/// Weight of the squared third difference in [`smooth`]: takes out the rounding and drawing noise of points
/// some 5 m apart, and moves such points by centimetres (value of the reference problem; no other source).
pub const SMOOTHING_WEIGHT: f64 = 0.01;

/// Nodes and weights of Gauss-Legendre quadrature with 5 points on \[-1, 1\], exact for degree 9.
const GAUSS_5: [(f64, f64); 5] = [
    (0.0, 0.568_888_888_888_888_9),
    (0.538_469_310_105_683_1, 0.478_628_670_499_366_47),
    (-0.538_469_310_105_683_1, 0.478_628_670_499_366_47),
    (0.906_179_845_938_664, 0.236_926_885_056_189_08),
    (-0.906_179_845_938_664, 0.236_926_885_056_189_08),
];

/// Smooths one coordinate of closed, ordered points: `argmin |z − p|² + weight·|D₃ z|²`, with the periodic
/// third difference `D₃`.
///
/// The matrix `I + weight·D₃ᵀD₃` has all eigenvalues in `1..=1 + 64·weight`, so conjugate gradients are
/// exact to rounding after some twenty steps, and need no periodic band solver.
#[must_use]
pub fn smooth(points: &[f64], weight: f64) -> Vec<f64> {
    let n = points.len();
    if n < 4 {
        return points.to_vec();
    }
    let third = |z: &[f64]| -> Vec<f64> {
        (0..n).map(|i| z[(i + 3) % n] - 3.0 * z[(i + 2) % n] + 3.0 * z[(i + 1) % n] - z[i]).collect()
    };
    let apply = |z: &[f64]| -> Vec<f64> {
        let d = third(z);
        (0..n)
            .map(|i| {
                let transposed =
                    d[(i + n - 3) % n] - 3.0 * d[(i + n - 2) % n] + 3.0 * d[(i + n - 1) % n] - d[i];
                z[i] + weight * transposed
            })
            .collect()
    };
    let dot = |a: &[f64], b: &[f64]| -> f64 { a.iter().zip(b).map(|(x, y)| x * y).sum() };

    let mut z = points.to_vec();
    let mut residual: Vec<f64> = apply(&z).iter().zip(points).map(|(az, p)| p - az).collect();
    let mut direction = residual.clone();
    let mut rr = dot(&residual, &residual);
    let enough = 1e-28 * dot(points, points).max(f64::MIN_POSITIVE);
    for _ in 0..200 {
        if rr <= enough {
            break;
        }
        let applied = apply(&direction);
        let alpha = rr / dot(&direction, &applied);
        for i in 0..n {
            z[i] += alpha * direction[i];
            residual[i] -= alpha * applied[i];
        }
        let next = dot(&residual, &residual);
        for i in 0..n {
            direction[i] = residual[i] + next / rr * direction[i];
        }
        rr = next;
    }
    z
}

/// Slopes at the knots of the periodic cubic spline through `values`, with `steps[i]` from knot i to i+1.
fn periodic_spline_slopes(values: &[f64], steps: &[f64]) -> Vec<f64> {
    let n = values.len();
    let before = |i: usize| (i + n - 1) % n;
    // Continuity of the second derivative at knot i:
    // m[i-1]/h[i-1] + 2 m[i] (1/h[i-1] + 1/h[i]) + m[i+1]/h[i] = 3 (dy[i-1]/h[i-1]² + dy[i]/h[i]²).
    let secant = |i: usize| (values[(i + 1) % n] - values[i]) / steps[i];
    let right: Vec<f64> =
        (0..n).map(|i| 3.0 * (secant(before(i)) / steps[before(i)] + secant(i) / steps[i])).collect();
    let diagonal: Vec<f64> = (0..n).map(|i| 2.0 * (1.0 / steps[before(i)] + 1.0 / steps[i])).collect();
    let off: Vec<f64> = steps.iter().map(|h| 1.0 / h).collect();
    solve_cyclic_tridiagonal(&diagonal, &off, &right)
}

/// Solves a symmetric cyclic tridiagonal system; `off[i]` couples i and i+1 (the last one couples n-1 and 0).
/// Diagonally dominant systems only. Sherman-Morrison on top of the Thomas algorithm.
fn solve_cyclic_tridiagonal(diagonal: &[f64], off: &[f64], right: &[f64]) -> Vec<f64> {
    let n = diagonal.len();
    let corner = off[n - 1];
    let gamma = -diagonal[0];
    let mut d = diagonal.to_vec();
    d[0] -= gamma;
    d[n - 1] -= corner * corner / gamma;
    let mut u = vec![0.0; n];
    u[0] = gamma;
    u[n - 1] = corner;
    let (mut x, mut q) = (right.to_vec(), u);
    for i in 1..n {
        let w = off[i - 1] / d[i - 1];
        d[i] -= w * off[i - 1];
        x[i] -= w * x[i - 1];
        q[i] -= w * q[i - 1];
    }
    x[n - 1] /= d[n - 1];
    q[n - 1] /= d[n - 1];
    for i in (0..n - 1).rev() {
        x[i] = (x[i] - off[i] * x[i + 1]) / d[i];
        q[i] = (q[i] - off[i] * q[i + 1]) / d[i];
    }
    let ratio = corner / gamma;
    let factor = (x[0] + ratio * x[n - 1]) / (1.0 + q[0] + ratio * q[n - 1]);
    for i in 0..n {
        x[i] -= factor * q[i];
    }
    x
}

/// One place on a curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Place {
    /// Distance along the curve \[m\].
    pub s_m: f64,
    /// Position \[m\].
    pub x_m: f64,
    /// Position \[m\].
    pub y_m: f64,
    /// Direction of travel against the x axis \[rad\], not wrapped: it grows through whole turns.
    pub heading_rad: f64,
    /// Curvature \[1/m\], positive in a left turn.
    pub curvature_radpm: f64,
    /// Segment of the given points in which the place lies.
    pub segment: usize,
    /// Place within the segment in terms of the chord, 0..1.
    pub fraction: f64,
}

/// A closed smooth curve through points.
#[derive(Debug, Clone, PartialEq)]
pub struct ClosedCurve {
    x: Vec<f64>,
    y: Vec<f64>,
    dx: Vec<f64>,
    dy: Vec<f64>,
    chord: Vec<f64>,
    /// Distance at each knot, and the length last: n + 1 values.
    s: Vec<f64>,
    /// Unwrapped heading at each knot, and that of the first knot after one lap last: n + 1 values.
    heading: Vec<f64>,
}

impl ClosedCurve {
    /// Periodic cubic spline through points \[m\] in driving direction, the first not repeated at the end.
    ///
    /// `None` with fewer than four points, values that are not finite, or neighbours at the same place.
    #[must_use]
    pub fn through(x_m: &[f64], y_m: &[f64]) -> Option<Self> {
        let n = x_m.len();
        if n < 4 || y_m.len() != n {
            return None;
        }
        let chord: Vec<f64> =
            (0..n).map(|i| (x_m[(i + 1) % n] - x_m[i]).hypot(y_m[(i + 1) % n] - y_m[i])).collect();
        if !chord.iter().all(|c| c.is_finite() && *c > 0.0) {
            return None;
        }
        let dx = periodic_spline_slopes(x_m, &chord);
        let dy = periodic_spline_slopes(y_m, &chord);
        let mut curve = Self {
            x: x_m.to_vec(),
            y: y_m.to_vec(),
            dx,
            dy,
            chord,
            s: Vec::with_capacity(n + 1),
            heading: Vec::with_capacity(n + 1),
        };
        let (mut s, mut heading) = (0.0, curve.dy[0].atan2(curve.dx[0]));
        for i in 0..n {
            curve.s.push(s);
            curve.heading.push(heading);
            s += curve.arc(i, 0.0, 1.0);
            // Turning of the tangent in pieces well below half a turn, so that none is missed.
            let mut before = curve.tangent(i, 0.0);
            for piece in 1..=4 {
                let after = curve.tangent(i, f64::from(piece) / 4.0);
                heading += turning(before, after);
                before = after;
            }
        }
        curve.s.push(s);
        curve.heading.push(heading);
        Some(curve)
    }

    /// Length of one lap \[m\].
    #[must_use]
    pub fn length_m(&self) -> f64 {
        self.s[self.x.len()]
    }

    /// Heading after one lap less heading before it \[rad\]: a full turn, or none on a figure of eight.
    #[must_use]
    pub fn total_turning_rad(&self) -> f64 {
        self.heading[self.x.len()] - self.heading[0]
    }

    /// Distances \[m\] of the given points along the curve.
    #[must_use]
    pub fn knots_m(&self) -> &[f64] {
        &self.s[..self.x.len()]
    }

    /// The place at a distance \[m\], taken modulo the length.
    #[must_use]
    pub fn at(&self, s_m: f64) -> Place {
        let s = s_m.rem_euclid(self.length_m());
        let segment = self.s.partition_point(|&knot| knot <= s).clamp(1, self.x.len()) - 1;
        self.place(segment, s)
    }

    /// Places at distances \[m\] that grow from 0 to below the length; faster than [`Self::at`] one by one.
    #[must_use]
    pub fn at_sorted(&self, distances_m: impl IntoIterator<Item = f64>) -> Vec<Place> {
        let mut segment = 0;
        let last = self.x.len() - 1;
        distances_m
            .into_iter()
            .map(|s| {
                while segment < last && self.s[segment + 1] <= s {
                    segment += 1;
                }
                self.place(segment, s)
            })
            .collect()
    }

    /// `count` places, equally far apart, from the first point on.
    #[must_use]
    pub fn evenly(&self, count: usize) -> Vec<Place> {
        let step = self.length_m() / count as f64;
        self.at_sorted((0..count).map(|k| k as f64 * step))
    }

    fn place(&self, segment: usize, s: f64) -> Place {
        let goal = s - self.s[segment];
        let whole = self.s[segment + 1] - self.s[segment];
        // Newton on the arc length; its derivative is the speed along the spline.
        let mut t = (goal / whole).clamp(0.0, 1.0);
        let mut done = self.arc(segment, 0.0, t);
        for _ in 0..8 {
            let miss = goal - done;
            if miss.abs() <= 1e-12 * whole.max(1.0) {
                break;
            }
            let (vx, vy) = self.tangent(segment, t);
            let next = (t + miss / (vx.hypot(vy) * self.chord[segment])).clamp(0.0, 1.0);
            done += self.arc(segment, t, next);
            if next == t {
                break;
            }
            t = next;
        }
        let (x, y) = self.position(segment, t);
        let tangent = self.tangent(segment, t);
        let (ax, ay) = self.second(segment, t);
        let speed = tangent.0.hypot(tangent.1);
        Place {
            s_m: s,
            x_m: x,
            y_m: y,
            heading_rad: self.heading[segment] + turning(self.tangent(segment, 0.0), tangent),
            curvature_radpm: (tangent.0 * ay - tangent.1 * ax) / (speed * speed * speed),
            segment,
            fraction: t,
        }
    }

    /// Arc length within a segment between two fractions of its chord.
    fn arc(&self, segment: usize, from: f64, to: f64) -> f64 {
        let (middle, half) = (0.5 * (from + to), 0.5 * (to - from));
        let sum: f64 = GAUSS_5
            .iter()
            .map(|(node, weight)| {
                let (vx, vy) = self.tangent(segment, middle + half * node);
                weight * vx.hypot(vy)
            })
            .sum();
        sum * half * self.chord[segment]
    }

    fn position(&self, i: usize, t: f64) -> (f64, f64) {
        let j = (i + 1) % self.x.len();
        let h = self.chord[i];
        let one = |p: &[f64], m: &[f64]| {
            let d = p[j] - p[i];
            let (a, b) = (m[i] * h - d, d - m[j] * h);
            p[i] + t * (d + (1.0 - t) * (a * (1.0 - t) + b * t))
        };
        (one(&self.x, &self.dx), one(&self.y, &self.dy))
    }

    /// First derivative with respect to the chord.
    fn tangent(&self, i: usize, t: f64) -> (f64, f64) {
        let j = (i + 1) % self.x.len();
        let h = self.chord[i];
        let one = |p: &[f64], m: &[f64]| {
            let secant = (p[j] - p[i]) / h;
            m[i] * (1.0 - t) * (1.0 - 3.0 * t) + m[j] * t * (3.0 * t - 2.0) + 6.0 * t * (1.0 - t) * secant
        };
        (one(&self.x, &self.dx), one(&self.y, &self.dy))
    }

    /// Second derivative with respect to the chord.
    fn second(&self, i: usize, t: f64) -> (f64, f64) {
        let j = (i + 1) % self.x.len();
        let h = self.chord[i];
        let one = |p: &[f64], m: &[f64]| {
            let secant = (p[j] - p[i]) / h;
            (m[i] * (6.0 * t - 4.0) + m[j] * (6.0 * t - 2.0) + (6.0 - 12.0 * t) * secant) / h
        };
        (one(&self.x, &self.dx), one(&self.y, &self.dy))
    }
}

/// Angle \[rad\] from one direction to another, in -π..π.
fn turning(from: (f64, f64), to: (f64, f64)) -> f64 {
    (from.0 * to.1 - from.1 * to.0).atan2(from.0 * to.0 + from.1 * to.1)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    fn ellipse(n: usize) -> (Vec<f64>, Vec<f64>) {
        (0..n)
            .map(|i| {
                let t = TAU * i as f64 / n as f64;
                (200.0 * t.cos(), 100.0 * t.sin())
            })
            .unzip()
    }

    #[test]
    fn perimeter_of_the_ellipse_matches_the_elliptic_integral() {
        // Half axes 200 m and 100 m: 4·200·E(3/4) = 968.844822 m (scipy.special.ellipe).
        let (x, y) = ellipse(400);
        let curve = ClosedCurve::through(&x, &y).unwrap();
        assert!((curve.length_m() - 968.844_822).abs() < 1e-5, "got {}", curve.length_m());
        assert!((curve.total_turning_rad() - TAU).abs() < 1e-9);
    }

    #[test]
    fn curvature_of_the_ellipse_matches_the_closed_form() {
        let (x, y) = ellipse(400);
        let curve = ClosedCurve::through(&x, &y).unwrap();
        for place in curve.evenly(977) {
            let (cos, sin) = (place.x_m / 200.0, place.y_m / 100.0);
            let expected = 200.0 * 100.0 / (4e4 * sin * sin + 1e4 * cos * cos).powf(1.5);
            assert!((place.curvature_radpm / expected - 1.0).abs() < 1e-3, "at {place:?}: {expected}");
        }
    }

    #[test]
    fn smoothing_solves_its_normal_equations() {
        // (I + w D₃ᵀD₃) z = p, checked by the weak form against every unit vector through the energy:
        // the minimiser's energy is below that of any nudged neighbour.
        let p: Vec<f64> = (0..30).map(|i| (f64::from(i) * 0.7).sin() + 0.3 * f64::from(i * i % 7)).collect();
        let energy = |z: &[f64]| -> f64 {
            let n = z.len();
            let fit: f64 = z.iter().zip(&p).map(|(a, b)| (a - b) * (a - b)).sum();
            let rough: f64 = (0..n)
                .map(|i| z[(i + 3) % n] - 3.0 * z[(i + 2) % n] + 3.0 * z[(i + 1) % n] - z[i])
                .map(|d| d * d)
                .sum();
            fit + SMOOTHING_WEIGHT * rough
        };
        let z = smooth(&p, SMOOTHING_WEIGHT);
        for i in 0..p.len() {
            for nudge in [1e-4, -1e-4] {
                let mut other = z.clone();
                other[i] += nudge;
                assert!(energy(&other) > energy(&z));
            }
        }
    }

    #[test]
    fn unequal_knots_on_a_circle_keep_its_radius() {
        let angles: Vec<f64> =
            (0..90).map(|i| TAU * (f64::from(i) + 0.3 * f64::from(i % 3)) / 90.0).collect();
        let x: Vec<f64> = angles.iter().map(|a| 50.0 * a.cos()).collect();
        let y: Vec<f64> = angles.iter().map(|a| 50.0 * a.sin()).collect();
        let curve = ClosedCurve::through(&x, &y).unwrap();
        for place in curve.evenly(300) {
            assert!((place.curvature_radpm - 0.02).abs() < 2e-5, "{place:?}");
        }
    }

    #[test]
    fn distance_along_the_curve_is_what_was_asked_for() {
        let (x, y) = ellipse(40);
        let curve = ClosedCurve::through(&x, &y).unwrap();
        let places = curve.evenly(4000);
        let polygon: f64 = (0..4000)
            .map(|i| {
                let (a, b) = (&places[i], &places[(i + 1) % 4000]);
                (b.x_m - a.x_m).hypot(b.y_m - a.y_m)
            })
            .sum();
        assert!((polygon - curve.length_m()).abs() < 1e-3);
        let single = curve.at(123.4);
        assert!((single.s_m - 123.4).abs() < 1e-12);
    }
}
