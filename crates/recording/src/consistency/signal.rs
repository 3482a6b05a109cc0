//! Series on one even grid: smoothing, slopes and the best lag between two of them.
//!
//! NaN marks what is not known; everything computed from it is NaN too, and comparisons leave it out.

use channels::{Samples, View};
use std::f64::consts::PI;

/// Step of the grid \[s\]. Fine enough for a lag of a few hundredths, which is interpolated between steps.
pub(super) const STEP_S: f64 = 0.04;

/// Half the window over which slopes are taken and values are averaged, in steps: 0.48 s in all, long against the noise of
/// a sensor, short against a corner.
pub(super) const HALF: usize = 6;

/// Half the chord from which the direction of travel is taken, in steps.
pub(super) const CHORD: usize = 5;

/// Longest lag that is looked for \[s\].
const LONGEST_LAG_S: f64 = 2.4;

/// A stretch without samples that is not bridged \[s\].
const GAP_S: f64 = 0.5;

/// Least that two series must have in common \[s\].
const LEAST_S: f64 = 10.0;

/// Even time stamps over the whole recording.
pub(super) fn grid(samples: &Samples) -> Vec<f64> {
    let Some((from_s, to_s)) = samples.span_s() else { return Vec::new() };
    let steps = ((to_s - from_s) / STEP_S).floor();
    // A recording of a week is no drive, and a clock in a wrong unit must not fill the memory.
    if !(0.0..=1.5e7).contains(&steps) {
        return Vec::new();
    }
    (0..=steps as usize).map(|i| from_s + i as f64 * STEP_S).collect()
}

/// A channel on the grid; gaps stay gaps.
pub(super) fn on(view: View<'_>, grid: &[f64]) -> Vec<f64> {
    let mut values = view.on(grid);
    let mut after = 0;
    for (value, &t) in values.iter_mut().zip(grid) {
        while after < view.time_s.len() && view.time_s[after] < t {
            after += 1;
        }
        let in_gap = after > 0
            && view.time_s.get(after).is_some_and(|&next| next > t && next - view.time_s[after - 1] > GAP_S);
        if in_gap {
            *value = f64::NAN;
        }
    }
    values
}

/// Value by value.
pub(super) fn zip(a: &[f64], b: &[f64], f: impl Fn(f64, f64) -> f64) -> Vec<f64> {
    a.iter().zip(b).map(|(&a, &b)| f(a, b)).collect()
}

/// `f(value half a window earlier, value half a window later)`.
pub(super) fn across(v: &[f64], half: usize, f: impl Fn(f64, f64) -> f64) -> Vec<f64> {
    let n = v.len();
    (0..n).map(|i| if i < half || i + half >= n { f64::NAN } else { f(v[i - half], v[i + half]) }).collect()
}

/// Mean slope over a window \[1/s\].
pub(super) fn slope(v: &[f64], half: usize) -> Vec<f64> {
    across(v, half, |a, b| (b - a) / (2.0 * half as f64 * STEP_S))
}

/// Mean slope of an angle over a window \[rad/s\], the shorter way round.
pub(super) fn turning(v: &[f64], half: usize) -> Vec<f64> {
    across(v, half, |a, b| wrapped(b - a) / (2.0 * half as f64 * STEP_S))
}

/// Mean over a window by the trapezoidal rule: what [`slope`] does to the integral of `v`.
pub(super) fn mean(v: &[f64], half: usize) -> Vec<f64> {
    let mut sums = Vec::with_capacity(v.len() + 1);
    let mut holes = Vec::with_capacity(v.len() + 1);
    let (mut sum, mut count) = (0.0, 0_usize);
    sums.push(0.0);
    holes.push(0);
    for &x in v {
        if x.is_finite() {
            sum += x;
        } else {
            count += 1;
        }
        sums.push(sum);
        holes.push(count);
    }
    let n = v.len();
    (0..n)
        .map(|i| {
            if i < half || i + half >= n || holes[i + half + 1] != holes[i - half] {
                return f64::NAN;
            }
            let ends = 0.5 * (v[i - half] + v[i + half]);
            (sums[i + half + 1] - sums[i - half] - ends) / (2 * half) as f64
        })
        .collect()
}

/// Angle brought to (-pi, pi].
pub(super) fn wrapped(angle: f64) -> f64 {
    let r = angle.rem_euclid(2.0 * PI);
    if r > PI { r - 2.0 * PI } else { r }
}

/// How two series agree.
#[derive(Debug, Clone, Copy)]
pub(super) struct Match {
    /// How far the tested series runs behind \[s\].
    pub(super) lag_s: f64,
    /// Correlation once the lag is taken out; negative when they run against one another.
    pub(super) correlation: f64,
    /// Correlation as they stand.
    pub(super) in_place: f64,
    /// Tested per reference once the lag is taken out.
    pub(super) slope: f64,
    /// Root mean square of the tested series less slope times the reference, over that of the reference times slope.
    pub(super) misfit: f64,
    /// Standard deviation of the reference.
    pub(super) spread: f64,
    /// What they have in common \[s\].
    pub(super) seconds: f64,
}

/// Sums over the pairs that both series have.
#[derive(Default)]
struct Sums {
    n: f64,
    t: f64,
    r: f64,
    tt: f64,
    rr: f64,
    tr: f64,
}

impl Sums {
    fn of(tested: &[f64], reference: &[f64], lag: isize) -> Self {
        let mut s = Self::default();
        let shifted = |i: usize| i.checked_add_signed(lag).and_then(|j| tested.get(j));
        for (i, &r) in reference.iter().enumerate() {
            let Some(&t) = shifted(i) else { continue };
            let both = t + r;
            if both.is_finite() {
                s.n += 1.0;
                s.t += t;
                s.r += r;
                s.tt += t * t;
                s.rr += r * r;
                s.tr += t * r;
            }
        }
        s
    }

    fn variances(&self) -> (f64, f64, f64) {
        let (mt, mr) = (self.t / self.n, self.r / self.n);
        (self.tt / self.n - mt * mt, self.rr / self.n - mr * mr, self.tr / self.n - mt * mr)
    }

    fn correlation(&self) -> f64 {
        let (vt, vr, c) = self.variances();
        if vt > 0.0 && vr > 0.0 { c / (vt * vr).sqrt() } else { 0.0 }
    }
}

/// How the slope of a comparison is taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum By {
    /// Ratio of the standard deviations with the sign of the correlation: unlike the least-squares slope it is not pulled
    /// towards zero by noise in the reference.
    Spread,
    /// Least squares through the origin, for two series of one sign.
    Level,
}

/// Finds the lag at which two series agree best, by the greatest size of the correlation.
pub(super) fn matched(tested: &[f64], reference: &[f64], by: By) -> Option<Match> {
    let most = (LONGEST_LAG_S / STEP_S).round() as isize;
    let least = LEAST_S / STEP_S;
    let in_place = Sums::of(tested, reference, 0);
    if in_place.n < least {
        return None;
    }
    let at = |lag: isize| {
        let s = Sums::of(tested, reference, lag);
        if s.n < least { 0.0 } else { s.correlation() }
    };
    let all: Vec<f64> = (-most..=most).map(at).collect();
    let best = all.iter().enumerate().max_by(|a, b| a.1.abs().total_cmp(&b.1.abs())).map_or(0, |(i, _)| i);
    let lag = best as isize - most;
    let s = Sums::of(tested, reference, lag);
    let (vt, vr, _) = s.variances();
    let correlation = all[best];
    let slope = match by {
        By::Spread => correlation.signum() * (vt / vr).sqrt(),
        By::Level => s.tr / s.rr,
    };
    let residual = s.tt - 2.0 * slope * s.tr + slope * slope * s.rr;
    let parabola = || {
        let (a, b, c) = (all.get(best.checked_sub(1)?)?.abs(), all[best].abs(), all.get(best + 1)?.abs());
        let curve = a - 2.0 * b + c;
        (curve < 0.0).then(|| 0.5 * (a - c) / curve)
    };
    Some(Match {
        lag_s: (lag as f64 + parabola().unwrap_or(0.0)) * STEP_S,
        correlation,
        in_place: in_place.correlation(),
        slope,
        misfit: (residual.max(0.0) / (slope * slope * s.rr)).sqrt(),
        spread: vr.max(0.0).sqrt(),
        seconds: s.n * STEP_S,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wave(shift_s: f64) -> Vec<f64> {
        (0..2000)
            .map(|i| {
                let t = f64::from(i) * STEP_S - shift_s;
                (0.9 * t).sin() + 0.6 * (2.3 * t + 1.0).sin()
            })
            .collect()
    }

    /// Closed form: a shifted series has exactly the shift as its lag, between the steps as well.
    #[test]
    fn a_shift_is_found_to_a_few_milliseconds() {
        for shift in [-0.5, -0.09, 0.0, 0.05, 0.38, 1.27] {
            let m = matched(&wave(shift), &wave(0.0), By::Spread).unwrap();
            assert!((m.lag_s - shift).abs() < 0.003, "{shift}: {m:?}");
            assert!(m.correlation > 0.999 && (m.slope - 1.0).abs() < 0.01, "{m:?}");
        }
    }

    #[test]
    fn a_mean_is_the_slope_of_the_integral() {
        // v = 3t², its integral t³.
        let t: Vec<f64> = (0..200).map(|i| f64::from(i) * STEP_S).collect();
        let v: Vec<f64> = t.iter().map(|t| 3.0 * t * t).collect();
        let integral: Vec<f64> = t.iter().map(|t| t.powi(3)).collect();
        let (a, b) = (mean(&v, HALF), slope(&integral, HALF));
        for i in HALF..200 - HALF {
            // Trapezoidal error of a parabola: step² / 12 · v''.
            assert!((a[i] - b[i]).abs() < STEP_S * STEP_S / 12.0 * 6.0 + 1e-9);
        }
        assert!(a[0].is_nan() && a[199].is_nan());
    }

    #[test]
    fn a_hole_spreads_over_its_window_only() {
        let mut v = vec![1.0; 100];
        v[50] = f64::NAN;
        let m = mean(&v, HALF);
        assert_eq!(m.iter().filter(|x| x.is_nan()).count(), 2 * HALF + 1 + 2 * HALF);
        assert_eq!(m[20], 1.0);
    }
}
