//! Delay between two signals of one drive.

use crate::stats::{finite, mean, median};

/// How late one signal follows another.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Delay {
    /// How much later the second signal shows the same \[s\]; negative when it leads.
    pub delay_s: f64,
    /// Correlation of the two at that delay \[-1..1\].
    pub correlation: f64,
}

/// A signal over its own clock: n stamps \[s\], strictly increasing, and n values; NaN where there is none.
#[derive(Debug, Clone, Copy)]
pub struct Signal<'a> {
    /// Stamps \[s\].
    pub time_s: &'a [f64],
    /// Values.
    pub values: &'a [f64],
}

/// Delay of `late` behind `early`, within `±longest_s`, by cross-correlation.
///
/// Both are read on one even grid at the faster of the two rates; the correlation at each whole shift is that of the
/// overlapping part, its sign left aside so that opposite sign conventions do not matter; a parabola through the best shift
/// and its neighbours gives the part of a step. Clocks may differ in rate, not in drift.
///
/// `smooth_s` above 0 takes out single wild samples (running median of five) and smooths both alike (a moving mean of this
/// length, twice), which moves neither in time: what is found then is the delay of manoeuvres that last as long, not that of
/// vibration, which filters of a log delay differently.
///
/// None with less than two seconds, or four times `longest_s`, in common, and for signals that stand still.
///
/// # Source
/// `[KnappCarter1976]` without prewhitening; the parabola is common practice.
#[must_use]
pub fn delay(early: Signal<'_>, late: Signal<'_>, longest_s: f64, smooth_s: f64) -> Option<Delay> {
    let step = |t: &[f64]| median(&t.windows(2).map(|w| w[1] - w[0]).collect::<Vec<_>>());
    let step_s = step(early.time_s).min(step(late.time_s));
    let from = early.time_s.first()?.max(*late.time_s.first()?);
    let to = early.time_s.last()?.min(*late.time_s.last()?);
    if step_s.is_nan() || step_s <= 0.0 || to - from < (4.0 * longest_s).max(2.0) {
        return None;
    }
    let n = ((to - from) / step_s).floor() as usize + 1;
    let grid: Vec<f64> = (0..n).map(|i| from + i as f64 * step_s).collect();
    let width = (smooth_s / step_s).round() as usize;
    let read = |s: Signal<'_>| {
        let values = on(s, &grid);
        if width > 1 {
            centred(without_spikes(&values)).map(|v| smooth(&smooth(&v, width), width))
        } else {
            centred(values)
        }
    };
    let (a, b) = (read(early)?, read(late)?);
    let most = (longest_s / step_s).ceil() as i64;
    let at: Vec<f64> = (-most..=most).map(|shift| correlation(&a, &b, shift)).collect();
    let best = (0..at.len()).max_by(|&i, &j| at[i].abs().total_cmp(&at[j].abs()))?;
    if !at[best].is_finite() || at[best] == 0.0 {
        return None;
    }
    let part = if best > 0 && best + 1 < at.len() {
        let (l, m, r) = (at[best - 1].abs(), at[best].abs(), at[best + 1].abs());
        let bend = l - 2.0 * m + r;
        if bend < 0.0 { 0.5 * (l - r) / bend } else { 0.0 }
    } else {
        0.0
    };
    Some(Delay { delay_s: (best as i64 - most) as f64 * step_s + part * step_s, correlation: at[best] })
}

/// Readings at increasing times, straight between the samples; NaN beside holes.
pub(crate) fn on(signal: Signal<'_>, times_s: &[f64]) -> Vec<f64> {
    let mut after = 0;
    let (t, v) = (signal.time_s, signal.values);
    let mut read = |at: f64| {
        while after < t.len() && t[after] < at {
            after += 1;
        }
        match after {
            i if i < t.len() && t[i] == at => v[i],
            0 => f64::NAN,
            i if i >= t.len() => f64::NAN,
            i => v[i - 1] + (v[i] - v[i - 1]) * (at - t[i - 1]) / (t[i] - t[i - 1]),
        }
    };
    times_s.iter().map(|&at| read(at)).collect()
}

/// Less the mean; holes become 0 and so weigh nothing. None for a signal that stands still.
fn centred(values: Vec<f64>) -> Option<Vec<f64>> {
    let known = finite(values.iter().copied());
    if known.len() * 2 < values.len() {
        return None;
    }
    let m = mean(&known);
    let out: Vec<f64> = values.into_iter().map(|v| if v.is_finite() { v - m } else { 0.0 }).collect();
    out.iter().any(|v| v.abs() > 1e-12).then_some(out)
}

/// Rate of change at a sample, by its neighbours; 0 beside holes.
pub(crate) fn rate(time_s: &[f64], v: &[f64], i: usize) -> f64 {
    let (a, b) = (i.saturating_sub(1), (i + 1).min(v.len() - 1));
    let r = (v[b] - v[a]) / (time_s[b] - time_s[a]);
    if r.is_finite() { r } else { 0.0 }
}

/// Which way a signal last moved faster than `least` per second: 1, −1, or 0 before it first did. Friction and play stay
/// where the last movement left them.
pub(crate) fn last_way(time_s: &[f64], v: &[f64], least: f64) -> Vec<f64> {
    let mut way = 0.0;
    (0..v.len())
        .map(|i| {
            let r = rate(time_s, v, i);
            if r.abs() > least {
                way = r.signum();
            }
            way
        })
        .collect()
}

/// Running median of five; fewer at the ends, and holes stay holes.
fn without_spikes(values: &[f64]) -> Vec<f64> {
    let n = values.len();
    let near = |i: usize| &values[i.saturating_sub(2)..(i + 3).min(n)];
    (0..n).map(|i| if values[i].is_finite() { median(near(i)) } else { f64::NAN }).collect()
}

/// Mean over a window centred at each sample, an odd number wide; narrower at the ends, on both sides alike.
fn smooth(values: &[f64], width: usize) -> Vec<f64> {
    let n = values.len();
    let mut sums = vec![0.0; n + 1];
    for i in 0..n {
        sums[i + 1] = sums[i] + values[i];
    }
    (0..n)
        .map(|i| {
            let reach = (width / 2).min(i).min(n - 1 - i);
            (sums[i + reach + 1] - sums[i - reach]) / (2 * reach + 1) as f64
        })
        .collect()
}

/// Correlation of `a[i]` with `b[i + shift]` over the overlap.
fn correlation(a: &[f64], b: &[f64], shift: i64) -> f64 {
    let n = a.len() as i64;
    let (from, to) = ((-shift).max(0) as usize, (n - shift.max(0)) as usize);
    let (mut ab, mut aa, mut bb) = (0.0, 0.0, 0.0);
    for i in from..to {
        let (x, y) = (a[i], b[(i as i64 + shift) as usize]);
        ab += x * y;
        aa += x * x;
        bb += y * y;
    }
    ab / (aa * bb).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Bounded and never quite periodic.
    fn tune(t: f64) -> f64 {
        (t * 2.1).sin() + 0.6 * (t * 5.3 + 1.0).sin() + 0.2 * (t * 13.7).sin()
    }

    proptest! {
        #[test]
        fn a_known_delay_is_found_below_a_sample(delay_s in -0.3..0.3f64, mirrored in any::<bool>(), smooth_s in 0.0..0.4f64) {
            let early_t: Vec<f64> = (0..1500).map(|i| f64::from(i) * 0.02).collect();
            let late_t: Vec<f64> = (0..1800).map(|i| f64::from(i) / 60.0 + 0.003).collect();
            let early: Vec<f64> = early_t.iter().map(|t| tune(*t)).collect();
            let sign = if mirrored { -2.0 } else { 1.0 };
            let late: Vec<f64> = late_t.iter().map(|t| sign * tune(t - delay_s) + 3.0).collect();
            let found = delay(
                Signal { time_s: &early_t, values: &early },
                Signal { time_s: &late_t, values: &late },
                0.5,
                smooth_s,
            ).unwrap();
            prop_assert!((found.delay_s - delay_s).abs() < 0.002, "{found:?} for {delay_s}");
            prop_assert!(found.correlation.abs() > 0.99);
        }
    }

    #[test]
    fn nothing_is_said_of_signals_that_stand_still_or_are_short() {
        let t: Vec<f64> = (0..500).map(|i| f64::from(i) * 0.02).collect();
        let (still, moves) = (vec![1.0; 500], t.iter().map(|t| tune(*t)).collect::<Vec<_>>());
        let s = |v| Signal { time_s: &t, values: v };
        assert_eq!(delay(s(&still), s(&moves), 0.5, 0.0), None);
        let short = Signal { time_s: &t[..40], values: &moves[..40] };
        assert_eq!(delay(short, s(&moves), 0.5, 0.0), None);
    }
}
