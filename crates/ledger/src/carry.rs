//! What a slow exit costs on the straight after it.
//!
//! Two cars leave a corner at the cut `c` with speeds `v₁` (lap) and `v₂` (reference) and reach the next approach at `e`.
//! Part of the time between them on the straight was settled at `c`: it would be there if both were driven alike from
//! `c` on. To find it, let both cars pull with one law of acceleration per distance,
//!
//! ```text
//! u u' = f(u) + r(s),      f(u) = a₀ + p/u − k u²
//! ```
//!
//! `p` is power over mass, `k` drag over mass, and `r(s)` whatever else both met on average there: slope, gear changes,
//! a lift. Write `Δ = u₁² − u₂²` and take half the sum of the squares from the laps, `V² = (v₁² + v₂²)/2`, so that `r`
//! need not be known. Subtracting the two laws, with `p/u₁ − p/u₂ ≈ −p Δ/(2 V³)` to first order in `Δ/V²`:
//!
//! ```text
//! Δ' = −λ Δ,   λ(s) = p/V³ + 2k,        Δ(c) = v₁²(c) − v₂²(c)
//! u₁² = V² + Δ/2,   u₂² = V² − Δ/2
//! carried = ∫ (1/u₁ − 1/u₂) ds  over [c, e]
//! ```
//!
//! `carried` is booked to the exit. What is left of the straight (more or less power used, a tow, a lift, another line)
//! stays with the straight. Under constant acceleration `p = k = 0`, `Δ` lasts, and for two cars that really differ in
//! nothing but their exit speed the straight's own entry is zero. With power and drag the faster car gives part of its lead
//! back, as it does on the road: at constant power `Δ` falls as `1/V`, near top speed it dies away.
//!
//! `a₀, p, k ≥ 0` are fitted by least squares to the energy gained per 20 m at full throttle on all straights of both
//! laps (see [`Drive::fit`]); too little of that, and `p = k = 0` stands. `V²`, `p` and `k` are the same whichever lap is
//! called the reference and `Δ` changes its sign, so the seconds carried do so exactly.
//!
//! Where this stops holding: differences that are not small against the speed itself (`|Δ| ≤ 1.5 V²` is enforced, a car
//! that stands still on the straight is not a matter of its exit), cars of different power, and hills steep enough to be
//! taken for drag.

use crate::Both;
use crate::pair::Pair;
use channels::Channel;

/// Energy is counted over this length \[m\]: long against noise in the speed (0.1 m/s over 20 m is 5 % of the work at
/// 4 m/s² and 40 m/s), short against a straight. Own choice.
const STEP_M: f64 = 20.0;
/// Throttle from which the engine gives what it has \[0..1\]. Common practice, no source.
const FULL_THROTTLE: f64 = 0.95;
/// Least distance at full throttle \[m\] and least span of speed \[m/s\] to tell power from drag. Own choice: ten steps, and
/// a span over which constant power changes the acceleration by a quarter at 40 m/s.
const LEAST_FULL_THROTTLE_M: f64 = 200.0;
const LEAST_SPAN_MPS: f64 = 10.0;

/// How the acceleration of the pair's car falls with speed.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Drive {
    /// Power over mass `p` \[m²/s³\], not negative.
    pub(crate) power_m2ps3: f64,
    /// Drag over mass `k` \[1/m\], not negative.
    pub(crate) drag_per_m: f64,
}

/// What was settled at the start of a straight.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(crate) struct Carried {
    /// Seconds lost (positive) by the lap until the end of the straight.
    pub(crate) seconds: f64,
    /// Speed of the lap less that of the reference at the end, as far as it was settled at the start \[m/s\].
    pub(crate) end_speed_mps: f64,
}

impl Drive {
    /// Fits the law to the straights `(from_m, to_m)` of both laps.
    ///
    /// Each step of 20 m at full throttle (or while gaining speed, when the throttle was not logged) gives one equation
    ///
    /// ```text
    /// (v²(b) − v²(a))/2 = a₀ (b − a) + p ∫ds/v − k ∫v² ds
    /// ```
    ///
    /// solved by least squares under `a₀, p, k ≥ 0`.
    pub(crate) fn fit(pair: &Pair<'_>, straights: &[(f64, f64)]) -> Self {
        let throttle = pair.channel(Channel::Throttle);
        let throttle = Both { lap: throttle.map(|t| t.lap), reference: throttle.map(|t| t.reference) };
        let of = |(speed_mps, throttle): (&Vec<f64>, Option<&[f64]>)| {
            Sums::of(pair.s_m(), speed_mps, throttle, straights)
        };
        let sums = pair.speed_mps.as_ref().zip(throttle).map(of);
        let sums = sums.lap.plus(sums.reference);
        if sums.length_m < LEAST_FULL_THROTTLE_M || sums.fastest_mps - sums.slowest_mps < LEAST_SPAN_MPS {
            return Self::default();
        }
        let [_, power_m2ps3, drag_per_m] = sums.solve();
        Self { power_m2ps3, drag_per_m }
    }

    /// Seconds on the straight per `u = v²` at its begin \[s per m²/s²\], to first order; not positive.
    pub(crate) fn price_spm(self, pair: &Pair<'_>, from_m: f64, to_m: f64) -> f64 {
        let (mut seconds, mut left) = (0.0, 1.0_f64);
        let mut before: Option<(f64, f64, f64)> = None;
        for s_m in pair.places(from_m, to_m) {
            let cube = pair.speed_at(s_m).map(|v| v * v).mean().powf(1.5);
            let fade_per_m = self.power_m2ps3 / cube + 2.0 * self.drag_per_m;
            if let Some((at_m, faded, slope)) = before {
                let step_m = s_m - at_m;
                left *= (-0.5 * (faded + fade_per_m) * step_m).exp();
                seconds -= 0.5 * (slope + left / (2.0 * cube)) * step_m;
            }
            before = Some((s_m, fade_per_m, left / (2.0 * cube)));
        }
        seconds
    }

    /// Seconds and end speed that were settled at `from_m` for the straight that ends at `to_m`.
    pub(crate) fn carried(self, pair: &Pair<'_>, from_m: f64, to_m: f64) -> Carried {
        let mut carried = Carried::default();
        let mut before: Option<Step> = None;
        for s_m in pair.places(from_m, to_m) {
            let v = pair.speed_at(s_m).map(|v| v * v);
            let (mean_square, difference) = (v.mean(), v.difference());
            let fade_per_m = self.power_m2ps3 / mean_square.powf(1.5) + 2.0 * self.drag_per_m;
            let delta = before
                .map_or(difference, |b| b.delta * (-0.5 * (b.fade_per_m + fade_per_m) * (s_m - b.s_m)).exp());
            let half = (0.5 * delta).clamp(-0.75 * mean_square, 0.75 * mean_square);
            let u = Both { lap: mean_square + half, reference: mean_square - half }.map(f64::sqrt);
            let slower_spm = u.map(f64::recip).difference();
            if let Some(b) = before {
                carried.seconds += 0.5 * (b.slower_spm + slower_spm) * (s_m - b.s_m);
            }
            carried.end_speed_mps = u.difference();
            before = Some(Step { s_m, delta, fade_per_m, slower_spm });
        }
        carried
    }
}

/// State of the march along a straight.
#[derive(Clone, Copy)]
struct Step {
    s_m: f64,
    delta: f64,
    fade_per_m: f64,
    slower_spm: f64,
}

/// Normal equations of the fit.
#[derive(Debug, Clone, Copy)]
struct Sums {
    normal: [[f64; 3]; 3],
    right: [f64; 3],
    length_m: f64,
    slowest_mps: f64,
    fastest_mps: f64,
}

impl Sums {
    const EMPTY: Self = Self {
        normal: [[0.0; 3]; 3],
        right: [0.0; 3],
        length_m: 0.0,
        slowest_mps: f64::INFINITY,
        fastest_mps: f64::NEG_INFINITY,
    };

    /// Equations of one lap: whole steps within stretches where the engine gives what it has.
    fn of(s_m: &[f64], speed_mps: &[f64], throttle: Option<&[f64]>, straights: &[(f64, f64)]) -> Self {
        let pulls = |i: usize| match throttle {
            Some(t) => t[i].min(t[i + 1]) >= FULL_THROTTLE,
            None => speed_mps[i + 1] > speed_mps[i],
        };
        let mut sums = Self::EMPTY;
        for &(from_m, to_m) in straights {
            let first = s_m.partition_point(|&s| s < from_m);
            let (mut start, mut x) = (first, [0.0; 3]);
            for i in first..s_m.partition_point(|&s| s <= to_m).saturating_sub(1) {
                if !pulls(i) {
                    (start, x) = (i + 1, [0.0; 3]);
                    continue;
                }
                let (ds, v0, v1) = (s_m[i + 1] - s_m[i], speed_mps[i], speed_mps[i + 1]);
                x[0] += ds;
                x[1] += 0.5 * ds * (1.0 / v0 + 1.0 / v1);
                x[2] -= 0.5 * ds * (v0 * v0 + v1 * v1);
                if x[0] >= STEP_M {
                    sums.add(x, speed_mps[start], v1);
                    (start, x) = (i + 1, [0.0; 3]);
                }
            }
        }
        sums
    }

    fn add(&mut self, x: [f64; 3], v0: f64, v1: f64) {
        let work = 0.5 * (v1 * v1 - v0 * v0);
        for (row, &a) in x.iter().enumerate() {
            self.right[row] += a * work;
            for (column, &b) in x.iter().enumerate() {
                self.normal[row][column] += a * b;
            }
        }
        self.length_m += x[0];
        self.slowest_mps = self.slowest_mps.min(v0.min(v1));
        self.fastest_mps = self.fastest_mps.max(v0.max(v1));
    }

    fn plus(self, other: Self) -> Self {
        let row = |r: usize| [0, 1, 2].map(|c| self.normal[r][c] + other.normal[r][c]);
        Self {
            normal: [row(0), row(1), row(2)],
            right: [0, 1, 2].map(|r| self.right[r] + other.right[r]),
            length_m: self.length_m + other.length_m,
            slowest_mps: self.slowest_mps.min(other.slowest_mps),
            fastest_mps: self.fastest_mps.max(other.fastest_mps),
        }
    }

    /// Coefficients that explain most and are not negative.
    ///
    /// With three of them every subset can be tried: the solution under constraints is the plain least-squares solution
    /// over the coefficients that are not zero, hence the best of those subsets whose solution is not negative.
    ///
    /// # Source
    /// `[LawsonHanson1974]` ch. 23, for the conditions that make it the solution.
    fn solve(&self) -> [f64; 3] {
        let explained = |x: &[f64; 3]| x.iter().zip(&self.right).map(|(a, b)| a * b).sum::<f64>();
        let mut best = [0.0; 3];
        for subset in [
            [true, false, false],
            [false, true, false],
            [false, false, true],
            [true, true, false],
            [true, false, true],
            [false, true, true],
            [true, true, true],
        ] {
            let Some(x) = self.least_squares(subset) else { continue };
            if x.iter().all(|&c| c >= 0.0) && explained(&x) > explained(&best) {
                best = x;
            }
        }
        best
    }

    /// Least squares over a subset, the other coefficients zero; `None` where the data cannot tell them apart.
    fn least_squares(&self, subset: [bool; 3]) -> Option<[f64; 3]> {
        /// Least share of a column that the others must leave unexplained. Own choice: well above rounding.
        const LEAST_PIVOT: f64 = 1e-8;
        let on: Vec<usize> = (0..3).filter(|&i| subset[i]).collect();
        // Columns are scaled to length one: they differ by six orders of magnitude.
        let scale = [0, 1, 2].map(|i: usize| self.normal[i][i].sqrt());
        let n = on.len();
        let mut m: Vec<Vec<f64>> = on
            .iter()
            .map(|&r| {
                let mut row: Vec<f64> =
                    on.iter().map(|&c| self.normal[r][c] / (scale[r] * scale[c])).collect();
                row.push(self.right[r] / scale[r]);
                row
            })
            .collect();
        for k in 0..n {
            if m[k][k] < LEAST_PIVOT {
                return None;
            }
            for r in 0..n {
                let factor = m[r][k] / m[k][k];
                if r != k {
                    let pivot = m[k].clone();
                    m[r].iter_mut().zip(&pivot).for_each(|(a, p)| *a -= factor * p);
                }
            }
        }
        let mut x = [0.0; 3];
        for (k, &i) in on.iter().enumerate() {
            x[i] = m[k][n] / m[k][k] / scale[i];
        }
        Some(x)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;
    use track::LapTrace;

    /// A run over 500 m from `v0` under the acceleration `a(v)`, by the classical Runge-Kutta rule over distance in steps of
    /// 1/20 m, after 50 m at constant speed.
    fn run(v0: f64, a: impl Fn(f64) -> f64) -> LapTrace {
        const PER_M: usize = 20;
        let h = 1.0 / PER_M as f64;
        // State: speed and time over distance, v' = a/v, t' = 1/v.
        let slope = |v: f64| (a(v) / v, 1.0 / v);
        let mut speed = vec![v0; 51];
        let mut time_s: Vec<f64> = (0..=50).map(|i| f64::from(i) / v0).collect();
        let (mut v, mut t) = (v0, time_s[50]);
        for i in 1..=500 * PER_M {
            let k1 = slope(v);
            let k2 = slope(v + 0.5 * h * k1.0);
            let k3 = slope(v + 0.5 * h * k2.0);
            let k4 = slope(v + h * k3.0);
            t += h / 6.0 * (k1.1 + 2.0 * k2.1 + 2.0 * k3.1 + k4.1);
            v += h / 6.0 * (k1.0 + 2.0 * k2.0 + 2.0 * k3.0 + k4.0);
            if i % PER_M == 0 {
                speed.push(v);
                time_s.push(t);
            }
        }
        let s_m: Vec<f64> = (0..speed.len()).map(|i| i as f64).collect();
        let throttle = vec![1.0; s_m.len()];
        LapTrace {
            offset_m: vec![0.0; s_m.len()],
            s_m,
            time_s,
            channels: BTreeMap::from([(Channel::Speed, speed), (Channel::Throttle, throttle)]),
        }
    }

    /// Law found, seconds carried and seconds lost from 50 m to 550 m.
    fn account(lap: &LapTrace, reference: &LapTrace) -> (Drive, f64, f64) {
        let pair = Pair::new(lap, reference).unwrap();
        let drive = Drive::fit(&pair, &[(50.0, 550.0)]);
        let lost_s = pair.gap_at(550.0) - pair.gap_at(50.0);
        (drive, drive.carried(&pair, 50.0, 550.0).seconds, lost_s)
    }

    /// Closed form: t = (√(v0² + 2 a d) − v0)/a; from 30 m/s 10.0 s, from 31 m/s 0.141408 s less.
    #[test]
    fn an_exit_one_metre_per_second_faster_pays_on_the_whole_straight() {
        let (slow, fast) = (run(30.0, |_| 4.0), run(31.0, |_| 4.0));
        assert!((slow.time_s[550] - slow.time_s[50] - 10.0).abs() < 1e-6);
        let (drive, carried_s, lost_s) = account(&slow, &fast);
        assert!(drive.power_m2ps3 < 1e-3 && drive.drag_per_m < 1e-9, "{drive:?}");
        assert!((lost_s - 0.141_408).abs() < 1e-6, "{lost_s}");
        assert!((carried_s - 0.141_408).abs() < 5e-6, "{carried_s}");
        assert_eq!(account(&fast, &slow).1, -carried_s);
    }

    /// At constant power over mass p, v³ = v0³ + 3 p d: two cars that differ in their exit speed only owe the straight
    /// nothing. 300 kW and 1300 kg.
    #[test]
    fn constant_power_is_told_from_constant_acceleration() {
        let p = 300e3 / 1300.0;
        let (slow, fast) = (run(30.0, |v| p / v), run(31.0, |v| p / v));
        let (drive, carried_s, lost_s) = account(&slow, &fast);
        assert!((drive.power_m2ps3 / p - 1.0).abs() < 1e-3, "{drive:?}");
        assert!((carried_s / lost_s - 1.0).abs() < 2e-3, "{carried_s} of {lost_s}");
        // Without the law the difference of v² would last, and a fifth more be booked than was lost.
        let pair = Pair::new(&slow, &fast).unwrap();
        assert!(Drive::default().carried(&pair, 50.0, 550.0).seconds > 1.2 * lost_s);
    }

    /// The car of the straight-line checks: 300 kW, 1300 kg, drag ½·1.2041·0.9 N per (m/s)².
    #[test]
    fn drag_takes_part_of_the_lead_back() {
        let (p, k) = (300e3 / 1300.0, 0.5 * 1.2041 * 0.9 / 1300.0);
        let a = |v: f64| p / v - k * v * v;
        let (slow, fast) = (run(40.0, a), run(43.0, a));
        let (drive, carried_s, lost_s) = account(&slow, &fast);
        assert!((drive.drag_per_m / k - 1.0).abs() < 0.01, "{drive:?}, k {k}");
        assert!((carried_s / lost_s - 1.0).abs() < 2e-3, "{carried_s} of {lost_s}");
    }

    #[test]
    fn less_power_stays_with_the_straight() {
        let (p, less) = (300e3 / 1300.0, 280e3 / 1300.0);
        let (slow, fast) = (run(30.0, |v| less / v), run(30.0, |v| p / v));
        let (_, carried_s, lost_s) = account(&slow, &fast);
        assert_eq!(carried_s, 0.0);
        assert!(lost_s > 0.05);
    }

    #[test]
    fn a_car_that_nearly_stops_on_the_straight_carries_a_finite_time() {
        let fast = run(40.0, |_| 0.5);
        let mut stopped = fast.clone();
        for (i, t) in stopped.time_s.iter_mut().enumerate().skip(300) {
            *t += 30.0 + (i - 300) as f64;
        }
        stopped.channels.remove(&Channel::Speed);
        let (_, carried_s, lost_s) = account(&stopped, &fast);
        assert!(carried_s.abs() < 0.1 && lost_s > 200.0, "{carried_s} of {lost_s}");
    }
}
