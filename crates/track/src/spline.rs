//! Periodic cubic splines: through given values, or smoothed, in O(n).
//!
//! Model, after `[GreenSilverman1994]` ch. 2 with the ends joined: for knots `u_i` with spacing `h_i`, values `g_i` and
//! second derivatives `γ_i`, a cubic spline satisfies `R γ = Qᵀ g`. The smoothing spline minimises
//!
//! ```text
//! Σ w_i (y_i − g(u_i))² + λ ∫ g''(u)² du,   solved by   (R + λ Qᵀ W⁻¹ Q) γ = Qᵀ y,   g = y − λ W⁻¹ Q γ
//! ```
//!
//! Both matrices are symmetric, positive definite and cyclic with five diagonals. The last two unknowns are bordered off,
//! so that the rest is a plain band (LDLᵀ without fill) and a 2×2 Schur complement closes the ring.
//!
//! With weights equal to the spacing of the knots, a wave of length `Λ` comes out with half its amplitude for
//! `λ = (Λ / 2π)⁴`: see [`lambda_for_half_wave_m`].

use std::f64::consts::PI;

/// Fewest knots of a periodic spline: below, the five diagonals would overlap.
pub const FEWEST_KNOTS: usize = 5;

/// Knots or values that no periodic spline goes through.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SplineError {
    /// Too few knots.
    #[error("a closed spline needs at least {FEWEST_KNOTS} points, {0} were given")]
    TooFew(usize),
    /// Knots and values differ in number.
    #[error("{knots} knots were given {values} values; there must be one value per knot")]
    Length {
        /// Number of knots.
        knots: usize,
        /// Number of values or weights.
        values: usize,
    },
    /// A knot is not after the one before, or the period ends before the last knot.
    #[error("knots must increase and stay within one period: knot {0} does not")]
    Knots(usize),
    /// A value or weight is not finite, or a weight not positive.
    #[error("value {0} is not a number, or its weight is not above 0")]
    Value(usize),
    /// The smoothing parameter is negative or not a number.
    #[error("the smoothing parameter is {0}, must be 0 or more")]
    Lambda(f64),
}

/// Smoothing parameter \[m³ for weights in m\] that halves waves of the given length \[m\].
///
/// For values on a fine even grid with weights equal to the spacing, the smoothing spline multiplies a wave of length Λ
/// by `1 / (1 + λ (2π/Λ)⁴)` (`[Silverman1984]`, the equivalent kernel of the smoothing spline).
#[must_use]
pub fn lambda_for_half_wave_m(half_wave_m: f64) -> f64 {
    (half_wave_m / (2.0 * PI)).powi(4)
}

/// A periodic cubic spline of one variable.
#[derive(Debug, Clone, PartialEq)]
pub struct PeriodicSpline {
    knots: Vec<f64>,
    period: f64,
    values: Vec<f64>,
    second: Vec<f64>,
}

impl PeriodicSpline {
    /// Spline through one value per knot; the value at `knots[0] + period` is the first one.
    ///
    /// # Errors
    /// [`SplineError`] for fewer than [`FEWEST_KNOTS`] knots, knots that do not increase, or values that are no numbers.
    pub fn interpolate(knots: &[f64], period: f64, values: &[f64]) -> Result<Self, SplineError> {
        let ring = Ring::new(knots, period)?;
        ring.check(values, f64::is_finite)?;
        let second = ring.stiffness().solve(ring.second_differences(values));
        Ok(Self { knots: knots.to_vec(), period, values: values.to_vec(), second })
    }

    /// Smoothing spline with weight `weights[i]` (1/variance, or the spacing) on each value and penalty `lambda` on the
    /// integral of the squared second derivative; `lambda` 0 interpolates.
    ///
    /// # Errors
    /// As [`PeriodicSpline::interpolate`], and for a weight that is not positive or a negative `lambda`.
    pub fn smooth(
        knots: &[f64],
        period: f64,
        values: &[f64],
        weights: &[f64],
        lambda: f64,
    ) -> Result<Self, SplineError> {
        let smoother = Smoother::new(knots, period, weights, lambda)?;
        let (values, second) = smoother.apply(values)?;
        Ok(Self { knots: knots.to_vec(), period, values, second })
    }

    /// Length of one period, in the unit of the knots.
    #[must_use]
    pub fn period(&self) -> f64 {
        self.period
    }

    /// Values at the knots.
    #[must_use]
    pub fn values(&self) -> &[f64] {
        &self.values
    }

    /// Value, first and second derivative at `u`; any `u`, wrapped into the period.
    #[must_use]
    pub fn at(&self, u: f64) -> [f64; 3] {
        let place = Place::find(&self.knots, self.period, u);
        self.read(&place)
    }

    fn read(&self, p: &Place) -> [f64; 3] {
        let (g0, g1) = (self.values[p.left], self.values[p.right]);
        let (m0, m1) = (self.second[p.left], self.second[p.right]);
        let (h, b) = (p.h, p.w);
        let a = 1.0 - b;
        let value = a * g0 + b * g1 + ((a * a * a - a) * m0 + (b * b * b - b) * m1) * h * h / 6.0;
        let first = (g1 - g0) / h + ((1.0 - 3.0 * a * a) * m0 + (3.0 * b * b - 1.0) * m1) * h / 6.0;
        [value, first, a * m0 + b * m1]
    }
}

/// The smoothing of several value lists on the same knots and weights, factorised once.
#[derive(Debug, Clone)]
pub struct Smoother {
    ring: Ring,
    inverse_weights: Vec<f64>,
    lambda: f64,
    system: Factor,
}

impl Smoother {
    /// Factorises `R + λ Qᵀ W⁻¹ Q`.
    ///
    /// # Errors
    /// As [`PeriodicSpline::smooth`].
    pub fn new(knots: &[f64], period: f64, weights: &[f64], lambda: f64) -> Result<Self, SplineError> {
        let ring = Ring::new(knots, period)?;
        ring.check(weights, |w| w.is_finite() && w > 0.0)?;
        if !(lambda >= 0.0 && lambda.is_finite()) {
            return Err(SplineError::Lambda(lambda));
        }
        let inverse_weights: Vec<f64> = weights.iter().map(|w| 1.0 / w).collect();
        let system = ring.penalised(&inverse_weights, lambda).factor();
        Ok(Self { ring, inverse_weights, lambda, system })
    }

    /// Smoothed values at the knots and their second derivatives.
    ///
    /// # Errors
    /// [`SplineError::Length`] or [`SplineError::Value`].
    pub fn apply(&self, values: &[f64]) -> Result<(Vec<f64>, Vec<f64>), SplineError> {
        self.ring.check(values, f64::is_finite)?;
        let second = self.system.solve(self.ring.second_differences(values));
        // Q is the transpose of the second difference: the same stencil, since both are symmetric around the ring.
        let residual = self.ring.second_differences(&second);
        let smoothed = values
            .iter()
            .zip(&residual)
            .zip(&self.inverse_weights)
            .map(|((y, r), w)| y - self.lambda * w * r)
            .collect();
        Ok((smoothed, second))
    }
}

/// A closed plane curve, both coordinates periodic splines over the same knots.
#[derive(Debug, Clone, PartialEq)]
pub struct ClosedCurve {
    x: PeriodicSpline,
    y: PeriodicSpline,
}

/// Place, tangent and second derivative of a plane curve at one parameter.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurvePoint {
    /// Place \[m\].
    pub p: [f64; 2],
    /// First derivative by the parameter.
    pub d1: [f64; 2],
    /// Second derivative by the parameter.
    pub d2: [f64; 2],
}

impl CurvePoint {
    /// Curvature \[1/m\], positive to the left: `(x' y'' − y' x'') / |p'|³`.
    #[must_use]
    pub fn curvature_1pm(&self) -> f64 {
        let [x1, y1] = self.d1;
        (x1 * self.d2[1] - y1 * self.d2[0]) / x1.hypot(y1).powi(3)
    }

    /// Direction of the tangent \[rad\], anticlockwise from x, in (-π, π].
    #[must_use]
    pub fn heading_rad(&self) -> f64 {
        self.d1[1].atan2(self.d1[0])
    }
}

impl ClosedCurve {
    /// Closed curve through points at the given knots.
    ///
    /// # Errors
    /// [`SplineError`].
    pub fn interpolate(knots: &[f64], period: f64, points: &[[f64; 2]]) -> Result<Self, SplineError> {
        let [x, y] = columns(points);
        Ok(Self {
            x: PeriodicSpline::interpolate(knots, period, &x)?,
            y: PeriodicSpline::interpolate(knots, period, &y)?,
        })
    }

    /// Smoothed closed curve over the chord length of `points` (the last point joins the first), halving waves of
    /// `half_wave_m` \[m\].
    ///
    /// # Errors
    /// [`SplineError`]; two equal neighbours are [`SplineError::Knots`].
    pub fn smooth_through(points: &[[f64; 2]], half_wave_m: f64) -> Result<Self, SplineError> {
        let (knots, period) = chord_knots(points);
        let n = knots.len();
        let gap = |i: usize| if i + 1 < n { knots[i + 1] - knots[i] } else { knots[0] + period - knots[i] };
        let weights: Vec<f64> = (0..n).map(|i| 0.5 * (gap(i) + gap((i + n - 1) % n))).collect();
        let [x, y] = columns(points);
        let smoother = Smoother::new(&knots, period, &weights, lambda_for_half_wave_m(half_wave_m))?;
        let spline = |v: &[f64]| -> Result<PeriodicSpline, SplineError> {
            let (values, second) = smoother.apply(v)?;
            Ok(PeriodicSpline { knots: knots.clone(), period, values, second })
        };
        Ok(Self { x: spline(&x)?, y: spline(&y)? })
    }

    /// Place and derivatives at parameter `u`, any `u`.
    #[must_use]
    pub fn at(&self, u: f64) -> CurvePoint {
        let place = Place::find(&self.x.knots, self.x.period, u);
        let ([x, x1, x2], [y, y1, y2]) = (self.x.read(&place), self.y.read(&place));
        CurvePoint { p: [x, y], d1: [x1, y1], d2: [x2, y2] }
    }

    /// Range of the parameter.
    #[must_use]
    pub fn period(&self) -> f64 {
        self.x.period
    }

    /// Points at the knots.
    #[must_use]
    pub fn points(&self) -> Vec<[f64; 2]> {
        self.x.values.iter().zip(&self.y.values).map(|(&x, &y)| [x, y]).collect()
    }

    /// Arc length \[m\] from the first knot to each knot and, last, all the way round: n + 1 values. Gauss-Legendre with
    /// three points a piece.
    #[must_use]
    pub fn arc_lengths_m(&self) -> Vec<f64> {
        let knots = &self.x.knots;
        let mut sum = 0.0;
        let mut out = vec![0.0];
        for i in 0..knots.len() {
            let end = knots.get(i + 1).copied().unwrap_or(knots[0] + self.x.period);
            sum += self.arc_m(knots[i], end);
            out.push(sum);
        }
        out
    }

    /// Length of the whole curve \[m\].
    #[must_use]
    pub fn length_m(&self) -> f64 {
        self.arc_lengths_m().last().copied().unwrap_or(0.0)
    }

    fn arc_m(&self, from: f64, to: f64) -> f64 {
        // Nodes and weights of the three-point rule: ±√(3/5), 5/9 and 8/9.
        let (mid, half, r) = (0.5 * (from + to), 0.5 * (to - from), 0.6_f64.sqrt());
        let speed = |u: f64| {
            let [a, b] = self.at(u).d1;
            a.hypot(b)
        };
        half * (5.0 * speed(mid - half * r) + 8.0 * speed(mid) + 5.0 * speed(mid + half * r)) / 9.0
    }

    /// The same curve over arc length: `n` points at equal arc length from parameter `start` on, so that the parameter of
    /// the result is the distance along it.
    ///
    /// # Errors
    /// [`SplineError::TooFew`] for `n` below [`FEWEST_KNOTS`].
    pub fn by_arc_length(&self, start: f64, n: usize) -> Result<Self, SplineError> {
        let arcs = self.arc_lengths_m();
        let length = self.length_m();
        let knots = &self.x.knots;
        let place = Place::find(knots, self.x.period, start);
        let start = knots[place.left] + place.w * place.h;
        let from_m = arcs[place.left] + self.arc_m(knots[place.left], start);
        let points: Vec<[f64; 2]> = (0..n)
            .map(|k| {
                let want = (from_m + length * k as f64 / n as f64).rem_euclid(length);
                self.at(self.at_arc(&arcs, want)).p
            })
            .collect();
        let uniform: Vec<f64> = (0..n).map(|k| length * k as f64 / n as f64).collect();
        Self::interpolate(&uniform, length, &points)
    }

    /// Parameter at arc length `want` \[m\] in `[0, length)`.
    fn at_arc(&self, arcs: &[f64], want: f64) -> f64 {
        let knots = &self.x.knots;
        let i = arcs.partition_point(|&a| a <= want).clamp(1, knots.len()) - 1;
        let end = knots.get(i + 1).copied().unwrap_or(knots[0] + self.x.period);
        let mut u = knots[i] + (end - knots[i]) * (want - arcs[i]) / (arcs[i + 1] - arcs[i]);
        for _ in 0..3 {
            let [a, b] = self.at(u).d1;
            u = (u - (arcs[i] + self.arc_m(knots[i], u) - want) / a.hypot(b)).clamp(knots[i], end);
        }
        u
    }
}

fn columns(points: &[[f64; 2]]) -> [Vec<f64>; 2] {
    [points.iter().map(|p| p[0]).collect(), points.iter().map(|p| p[1]).collect()]
}

/// Chord length up to each point, and all the way round.
fn chord_knots(points: &[[f64; 2]]) -> (Vec<f64>, f64) {
    let mut knots = Vec::with_capacity(points.len());
    let mut sum = 0.0;
    for (i, p) in points.iter().enumerate() {
        knots.push(sum);
        let q = points[(i + 1) % points.len()];
        sum += (q[0] - p[0]).hypot(q[1] - p[1]);
    }
    (knots, sum)
}

/// The piece of a periodic spline that holds a parameter.
struct Place {
    left: usize,
    right: usize,
    /// Length of the piece.
    h: f64,
    /// 0 at the left knot, 1 at the right one.
    w: f64,
}

impl Place {
    fn find(knots: &[f64], period: f64, u: f64) -> Self {
        let n = knots.len();
        let r = (u - knots[0]).rem_euclid(period);
        // Right at once for even knots, which is what most callers have.
        let guess = ((r / period * n as f64) as usize).min(n - 1);
        let end = |i: usize| if i + 1 < n { knots[i + 1] - knots[0] } else { period };
        let left = if knots[guess] - knots[0] <= r && r < end(guess) {
            guess
        } else {
            knots.partition_point(|&k| k - knots[0] <= r).max(1) - 1
        };
        let h = end(left) - (knots[left] - knots[0]);
        Self { left, right: (left + 1) % n, h, w: (r - (knots[left] - knots[0])) / h }
    }
}

/// Spacing of the knots around the ring; `h[i]` lies between knot i and the next.
#[derive(Debug, Clone)]
struct Ring {
    h: Vec<f64>,
}

impl Ring {
    fn new(knots: &[f64], period: f64) -> Result<Self, SplineError> {
        let n = knots.len();
        if n < FEWEST_KNOTS {
            return Err(SplineError::TooFew(n));
        }
        let h: Vec<f64> = (0..n)
            .map(|i| if i + 1 < n { knots[i + 1] - knots[i] } else { knots[0] + period - knots[i] })
            .collect();
        match h.iter().position(|&h| !(h > 0.0 && h.is_finite())) {
            Some(bad) => Err(SplineError::Knots(bad)),
            None => Ok(Self { h }),
        }
    }

    fn check(&self, values: &[f64], good: impl Fn(f64) -> bool) -> Result<(), SplineError> {
        if values.len() != self.h.len() {
            return Err(SplineError::Length { knots: self.h.len(), values: values.len() });
        }
        values.iter().position(|&v| !good(v)).map_or(Ok(()), |bad| Err(SplineError::Value(bad)))
    }

    /// `Qᵀ v`.
    fn second_differences(&self, v: &[f64]) -> Vec<f64> {
        let n = v.len();
        (0..n)
            .map(|i| {
                let (before, after) = ((i + n - 1) % n, (i + 1) % n);
                (v[after] - v[i]) / self.h[i] - (v[i] - v[before]) / self.h[before]
            })
            .collect()
    }

    /// `R`.
    fn matrix(&self) -> Cyclic {
        let n = self.h.len();
        Cyclic {
            d: (0..n).map(|i| (self.h[(i + n - 1) % n] + self.h[i]) / 3.0).collect(),
            e: self.h.iter().map(|h| h / 6.0).collect(),
            f: vec![0.0; n],
        }
    }

    fn stiffness(&self) -> Factor {
        self.matrix().factor()
    }

    /// `R + λ Qᵀ W⁻¹ Q`.
    fn penalised(&self, inverse_weights: &[f64], lambda: f64) -> Cyclic {
        let n = self.h.len();
        let mut m = self.matrix();
        let r = |i: usize| 1.0 / self.h[i % n];
        let v = |i: usize| lambda * inverse_weights[i % n];
        for j in 0..n {
            let before = j + n - 1;
            let (c0, c1) = (r(before) + r(j), r(j) + r(j + 1));
            m.d[j] += v(before) * r(before).powi(2) + v(j) * c0 * c0 + v(j + 1) * r(j).powi(2);
            m.e[j] -= (v(j) * c0 + v(j + 1) * c1) * r(j);
            m.f[j] += v(j + 1) * r(j) * r(j + 1);
        }
        m
    }
}

/// Symmetric cyclic matrix with five diagonals: `d[i]` at (i, i), `e[i]` at (i, i+1), `f[i]` at (i, i+2).
struct Cyclic {
    d: Vec<f64>,
    e: Vec<f64>,
    f: Vec<f64>,
}

/// `LDLᵀ` of all but the last two rows, and what closes the ring.
#[derive(Debug, Clone)]
struct Factor {
    d: Vec<f64>,
    l1: Vec<f64>,
    l2: Vec<f64>,
    /// The last two columns, and the band's solution for them.
    border: [Vec<f64>; 2],
    z: [Vec<f64>; 2],
    schur: [[f64; 2]; 2],
}

impl Cyclic {
    fn factor(&self) -> Factor {
        let m = self.d.len() - 2;
        let (mut d, mut l1, mut l2) = (self.d[..m].to_vec(), vec![0.0; m], vec![0.0; m]);
        // l1[i] couples row i to i-1, l2[i] to i-2.
        for i in 0..m {
            if i >= 2 {
                l2[i] = self.f[i - 2] / d[i - 2];
            }
            if i >= 1 {
                let carried = if i >= 2 { l2[i] * d[i - 2] * l1[i - 1] } else { 0.0 };
                l1[i] = (self.e[i - 1] - carried) / d[i - 1];
                d[i] -= l1[i] * l1[i] * d[i - 1];
            }
            if i >= 2 {
                d[i] -= l2[i] * l2[i] * d[i - 2];
            }
        }
        let mut border = [vec![0.0; m], vec![0.0; m]];
        border[0][m - 2] += self.f[m - 2];
        border[0][m - 1] += self.e[m - 1];
        border[0][0] += self.f[m];
        border[1][m - 1] += self.f[m - 1];
        border[1][0] += self.e[m + 1];
        border[1][1] += self.f[m + 1];
        let corner = [[self.d[m], self.e[m]], [self.e[m], self.d[m + 1]]];
        let mut factor = Factor { d, l1, l2, z: border.clone(), border, schur: corner };
        for k in 0..2 {
            let column = std::mem::take(&mut factor.z[k]);
            factor.z[k] = factor.band(column);
        }
        for (i, row) in corner.iter().enumerate() {
            for (j, c) in row.iter().enumerate() {
                factor.schur[i][j] = c - dot(&factor.border[i], &factor.z[j]);
            }
        }
        factor
    }
}

impl Factor {
    fn band(&self, mut b: Vec<f64>) -> Vec<f64> {
        let m = b.len();
        for i in 1..m {
            b[i] -= self.l1[i] * b[i - 1];
            if i >= 2 {
                b[i] -= self.l2[i] * b[i - 2];
            }
        }
        for (v, d) in b.iter_mut().zip(&self.d) {
            *v /= d;
        }
        for i in (0..m - 1).rev() {
            b[i] -= self.l1[i + 1] * b[i + 1];
            if i + 2 < m {
                b[i] -= self.l2[i + 2] * b[i + 2];
            }
        }
        b
    }

    fn solve(&self, mut b: Vec<f64>) -> Vec<f64> {
        let tail = b.split_off(self.d.len());
        let mut x = self.band(b);
        let r = [tail[0] - dot(&self.border[0], &x), tail[1] - dot(&self.border[1], &x)];
        let [[a, c], [c2, d]] = self.schur;
        let det = a * d - c * c2;
        let last = [(r[0] * d - c * r[1]) / det, (a * r[1] - c2 * r[0]) / det];
        for (i, v) in x.iter_mut().enumerate() {
            *v -= self.z[0][i] * last[0] + self.z[1][i] * last[1];
        }
        x.extend(last);
        x
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use serde_json::Value;

    fn golden() -> Value {
        serde_json::from_str(include_str!("../testdata/spline/golden.json")).unwrap()
    }

    fn list(v: &Value) -> Vec<f64> {
        v.as_array().unwrap().iter().map(|x| x.as_f64().unwrap()).collect()
    }

    fn agrees(spline: &PeriodicSpline, u: &[f64], want: &Value, tolerance: f64) {
        for d in 0..3 {
            for (u, w) in u.iter().zip(list(&want[d])) {
                let got = spline.at(*u)[d];
                assert!((got - w).abs() < tolerance, "derivative {d} at {u}: {got}, SciPy {w}");
            }
        }
    }

    /// SciPy `CubicSpline(bc_type='periodic')`, testdata/spline/make.py.
    #[test]
    fn interpolation_agrees_with_scipy() {
        let g = golden();
        let s = PeriodicSpline::interpolate(&list(&g["knots"]), 30.0, &list(&g["values"])).unwrap();
        agrees(&s, &list(&g["u"]), &g["interpolate"], 1e-11);
    }

    /// SciPy `make_smoothing_spline` on nine periods, testdata/spline/make.py.
    #[test]
    fn smoothing_agrees_with_scipy() {
        let g = golden();
        for case in g["smooth"].as_array().unwrap() {
            let lambda = case["lambda"].as_f64().unwrap();
            let s = PeriodicSpline::smooth(
                &list(&g["knots"]),
                30.0,
                &list(&g["values"]),
                &list(&g["weights"]),
                lambda,
            )
            .unwrap();
            agrees(&s, &list(&g["u"]), &case["at"], 1e-9);
        }
    }

    fn circle(radius_m: f64, n: usize) -> Vec<[f64; 2]> {
        (0..n)
            .map(|i| {
                let a = 2.0 * PI * i as f64 / n as f64;
                [radius_m * a.cos(), radius_m * a.sin()]
            })
            .collect()
    }

    /// Closed form: curvature 1/R, length 2πR; the error of an even cubic spline falls with the fourth (place) and second
    /// (curvature) power of the spacing.
    #[test]
    fn a_circle_has_its_curvature_and_length() {
        let r = 40.0;
        let mut errors = Vec::new();
        for n in [64, 128] {
            let (knots, period) = chord_knots(&circle(r, n));
            let c = ClosedCurve::interpolate(&knots, period, &circle(r, n))
                .unwrap()
                .by_arc_length(0.0, n)
                .unwrap();
            let worst = (0..1000)
                .map(|i| (c.at(c.period() * f64::from(i) / 1000.0).curvature_1pm() * r - 1.0).abs())
                .fold(0.0, f64::max);
            errors.push(worst);
            assert!((c.period() / (2.0 * PI * r) - 1.0).abs() < 1e-6, "{}", c.period());
        }
        assert!(errors[1] < 3e-4, "{errors:?}");
        assert!(errors[0] / errors[1] > 3.5, "second order in the spacing: {errors:?}");
    }

    /// Equivalent kernel: λ = (Λ/2π)⁴ takes a circle of circumference Λ·k to 1/(1 + k⁻⁴) of its radius.
    #[test]
    fn a_wave_of_the_half_wave_length_is_halved() {
        let n = 400;
        let r = 1.0 / (2.0 * PI); // circumference 1
        for (half_wave, share) in [(1.0, 0.5), (0.5, 1.0 / (1.0 + 0.5_f64.powi(4)))] {
            let c = ClosedCurve::smooth_through(&circle(r, n), half_wave).unwrap();
            let [x, y] = c.at(0.3).p;
            assert!((x.hypot(y) / r - share).abs() < 1e-3, "{half_wave}: {}", x.hypot(y) / r);
        }
    }

    /// Half axes 200 and 100 m: perimeter 968.844822 m (complete elliptic integral, `scipy.special.ellipe`).
    #[test]
    fn an_ellipse_has_its_perimeter() {
        let points: Vec<_> = circle(1.0, 485).iter().map(|p| [200.0 * p[0], 100.0 * p[1]]).collect();
        let (knots, period) = chord_knots(&points);
        let c = ClosedCurve::interpolate(&knots, period, &points).unwrap();
        assert!((c.length_m() - 968.844_822).abs() < 2e-6, "{}", c.length_m());
        let even = c.by_arc_length(12.0, 485).unwrap();
        for i in 0..485 {
            let [a, b] = even.at(even.period() * f64::from(i) / 485.0 + 0.7).d1;
            assert!((a.hypot(b) - 1.0).abs() < 1e-5, "the parameter is arc length: |p'| = {}", a.hypot(b));
        }
    }

    /// Clothoid: curvature grows linearly with arc length, κ = s/A². Place by Simpson's rule on its definition.
    #[test]
    fn a_clothoid_has_linear_curvature() {
        let a2 = 60.0 * 60.0;
        let ds = 0.01;
        let mut points = vec![[0.0, 0.0]];
        let (mut x, mut y) = (0.0, 0.0);
        for i in 0..12_000 {
            let angle = |s: f64| s * s / (2.0 * a2);
            let (s0, s1) = (f64::from(i) * ds, f64::from(i + 1) * ds);
            let simpson = |f: fn(f64) -> f64| {
                ds / 6.0 * (f(angle(s0)) + 4.0 * f(angle(0.5 * (s0 + s1))) + f(angle(s1)))
            };
            x += simpson(f64::cos);
            y += simpson(f64::sin);
            if (i + 1) % 200 == 0 {
                points.push([x, y]);
            }
        }
        // Closed by an arc far away: a spline forgets its neighbours within a few knots.
        let (n, end) = (points.len(), 120.0_f64);
        for k in 1..40 {
            let a = PI * f64::from(k) / 40.0;
            let w = 0.5 * (1.0 - a.cos());
            points.push([x * (1.0 - w) - 60.0 * a.sin(), y * (1.0 - w) + 40.0 * a.sin()]);
        }
        let (knots, period) = chord_knots(&points);
        let c = ClosedCurve::interpolate(&knots, period, &points).unwrap();
        let arcs = c.arc_lengths_m();
        assert!((arcs[n - 1] - end).abs() < 1e-2);
        let inside = 20..n - 20;
        let base = arcs[20] - 40.0;
        assert!(base.abs() < 1e-2);
        for i in inside {
            let want = 2.0 * i as f64 / a2;
            let got = c.at(knots[i]).curvature_1pm();
            assert!((got - want).abs() < 1e-5, "at {} m: {got}, closed form {want}", 2 * i);
        }
    }

    #[test]
    fn bad_knots_are_refused() {
        let five = [0.0, 1.0, 2.0, 3.0, 4.0];
        let e = |k: &[f64], p, v: &[f64]| PeriodicSpline::interpolate(k, p, v).unwrap_err();
        assert_eq!(e(&five[..4], 5.0, &five[..4]), SplineError::TooFew(4));
        assert_eq!(e(&five, 4.0, &five), SplineError::Knots(4));
        assert_eq!(e(&[0.0, 1.0, 1.0, 3.0, 4.0], 5.0, &five), SplineError::Knots(1));
        assert_eq!(e(&five, 5.0, &[0.0, f64::NAN, 0.0, 0.0, 0.0]), SplineError::Value(1));
        assert_eq!(e(&five, 5.0, &five[..3]), SplineError::Length { knots: 5, values: 3 });
    }

    proptest! {
        /// The ring has no seam: shifting the first knot changes nothing.
        #[test]
        fn the_seam_does_not_matter(
            values in prop::collection::vec(-10.0..10.0_f64, 7..40), shift in 0_usize..40, lambda in 0.0..5.0_f64,
        ) {
            let n = values.len();
            let shift = shift % n;
            let knots: Vec<f64> = (0..n).map(|i| i as f64 + 0.3 * (i as f64).sin()).collect();
            let turned: Vec<f64> = (0..n).map(|i| knots[(i + shift) % n] + if i + shift < n { 0.0 } else { n as f64 }).collect();
            let values_turned: Vec<f64> = (0..n).map(|i| values[(i + shift) % n]).collect();
            let ones = vec![1.0; n];
            let a = PeriodicSpline::smooth(&knots, n as f64, &values, &ones, lambda).unwrap();
            let b = PeriodicSpline::smooth(&turned, n as f64, &values_turned, &ones, lambda).unwrap();
            for i in 0..50 {
                let u = f64::from(i) * 0.37 * n as f64 / 10.0 - 3.0;
                for d in 0..3 {
                    prop_assert!((a.at(u)[d] - b.at(u)[d]).abs() < 1e-8);
                }
            }
        }
    }
}
