//! Pedals: do they reach both ends, quietly, finely and the same way each time?
//!
//! Up to three signals of one pedal are compared: the sensor or travel, the force of the foot, and what reaches the car.
//! The curve from travel to car is read as
//!
//! ```text
//! out = (travel − dead)/(full − dead), held in 0..1
//! ```
//!
//! with `dead` and `full` found by robust regressions near either end, so a curve that bends between them does no harm.

use crate::regression::robust;
use crate::signal::{Signal, last_way, on, rate};
use crate::stats::{finite, largest, mean, median, quantile, robust_sd, sd};
use crate::{Answer, Caution, Finding, Outcome, Unlock, Verdict};
use channels::{Channel, STANDARD_GRAVITY_MPS2, Samples};
use serde::{Deserialize, Serialize};

/// Which pedal.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PedalKind {
    /// The right one.
    Throttle,
    /// The middle one.
    Brake,
}

/// One pedal over time, from a recording or a calibration: n samples each; NaN where nothing was logged.
#[derive(Debug, Clone, PartialEq)]
pub struct PedalTrace {
    /// Which.
    pub kind: PedalKind,
    /// Stamps \[s\], strictly increasing.
    pub time_s: Vec<f64>,
    /// What reaches the car \[0..1\].
    pub out: Vec<f64>,
    /// Position of the pedal \[0..1\]; none when not logged.
    pub travel: Option<Vec<f64>>,
    /// Sensor before any scaling \[0..1\]; none when not logged.
    pub raw: Option<Vec<f64>>,
    /// Force of the foot \[N\]; none when not logged.
    pub force_n: Option<Vec<f64>>,
    /// Lap distance \[m\], to compare presses at one place; none when not logged.
    pub place_m: Option<Vec<f64>>,
}

/// What is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PedalOptions {
    /// Share of the pedal's range at which threshold braking is to sit \[0.3..1\].
    pub threshold_at: f64,
    /// Force that the load cell can take \[N\].
    pub cell_limit_n: f64,
}

impl Default for PedalOptions {
    fn default() -> Self {
        // Common practice, no source: load cells take up to about 130 kgf; threshold braking well inside the range.
        Self { threshold_at: 0.8, cell_limit_n: 130.0 * STANDARD_GRAVITY_MPS2 }
    }
}

/// Input that makes no sense.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum PedalError {
    /// A number outside its range.
    #[error("{name} is {value}; expected {expected}")]
    Option {
        /// Which.
        name: &'static str,
        /// Its value.
        value: f64,
        /// What fits.
        expected: &'static str,
    },
    /// Columns that do not match.
    #[error("the {column} of the pedal has {values} values for {stamps} time stamps; every row needs both")]
    Length {
        /// Which column.
        column: &'static str,
        /// Its values.
        values: usize,
        /// Time stamps.
        stamps: usize,
    },
    /// Values that are no shares.
    #[error(
        "the {column} of the pedal reaches {found:.1}, expected 0 to 1; is it in per cent or in counts? State its unit in the map"
    )]
    Range {
        /// Which column.
        column: &'static str,
        /// Largest value.
        found: f64,
    },
}

/// The curve from travel to car.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TravelCurve {
    /// Travel below which nothing reaches the car \[0..1\].
    pub dead_zone: f64,
    /// Travel from which the car gets everything \[0..1\]; 1 when the whole travel counts.
    pub full_at: f64,
    /// Difference of travel between pressing and releasing, for one value at the car \[0..1\].
    pub hysteresis: f64,
    /// Middle size of what the curve leaves \[0..1\].
    pub scatter: f64,
}

/// How fine the pedal is.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Resolution {
    /// Steps from nothing to everything \[-\]; none when finer than what can be told from the recording.
    pub steps: Option<f64>,
    /// Bits that are left of it after steps and noise \[bit\].
    pub effective_bits: f64,
}

/// Presses of the pedal.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Presses {
    /// Number of presses beyond a fifth.
    pub count: usize,
    /// Robust standard deviation of the peak between presses at one place \[0..1\]; none with too few.
    pub peak_spread: Option<f64>,
    /// Robust standard deviation of the time from peak to nothing, between presses at one place, over its median; none with
    /// too few.
    pub release_spread: Option<f64>,
    /// Median time from 10 to 90 % of the peak \[s\].
    pub rise_s: f64,
    /// Median time from 90 to 10 % of the peak \[s\].
    pub fall_s: f64,
}

/// Force of the foot.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct FootForce {
    /// Force at threshold braking, the upper quartile of the peaks \[N\].
    pub threshold_n: f64,
    /// Force that is full now \[N\]; none when it cannot be told.
    pub full_n: Option<f64>,
    /// Force to set as full, so that threshold braking sits where it was asked for \[N\].
    pub full_to_set_n: f64,
    /// Whether that is within what the load cell takes.
    pub within_cell: bool,
}

/// Flex: travel against force.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Flex {
    /// Travel per force where the pedal is hard pressed \[1/N\].
    pub travel_per_n: f64,
    /// Travel that pressing and releasing differ by at one force \[0..1\].
    pub lost_travel: f64,
    /// Travel at rest after hard presses less that before \[0..1\]: a mount that creeps.
    pub creep: f64,
}

/// Numbers of one pedal.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pedal {
    /// Which.
    pub kind: PedalKind,
    /// Standard deviation of the sensor with the pedal released \[0..1\].
    pub rest_noise: f64,
    /// Where the sensor stands then \[0..1\].
    pub rest_level: f64,
    /// How fine it is.
    pub resolution: Resolution,
    /// Curve from travel to car; none without travel.
    pub curve: Option<TravelCurve>,
    /// Share of the driving with the car's value at full \[0..1\].
    pub at_full_share: f64,
    /// Largest value at the car \[0..1\].
    pub largest: f64,
    /// Share of the time with the other pedal well down on which this one was not at 0 \[0..1\].
    pub dragging_share: f64,
    /// Value that it drags at then \[0..1\].
    pub dragging: f64,
    /// Back and forth on held pedal, per second \[1/s\].
    pub chatter_ps: f64,
    /// Presses.
    pub presses: Option<Presses>,
    /// Force of the foot; none without.
    pub force: Option<FootForce>,
    /// Flex; none without force and travel.
    pub flex: Option<Flex>,
}

/// Numbers of the pedal check.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pedals {
    /// Pedals that were logged.
    pub pedals: Vec<Pedal>,
}

/// Fewest samples that say something.
const FEWEST: usize = 200;
/// A pedal that is pressed.
const PRESSED: f64 = 0.2;
/// A pedal that is released.
const RELEASED: f64 = 0.02;

/// Checks the pedals of a recording.
///
/// # Errors
/// [`PedalError`] for options out of range and values that are no shares.
pub fn pedals(samples: &Samples, options: &PedalOptions) -> Result<Outcome<Pedals>, PedalError> {
    let read = |c: Channel, t: &[f64]| samples.get(c).map(|v| v.on(t));
    let trace = |kind, out: Channel, travel, raw: Option<Channel>, force: Option<Channel>| {
        let view = samples.get(out)?;
        let t = view.time_s.to_vec();
        Some(PedalTrace {
            kind,
            out: view.values.to_vec(),
            travel: read(travel, &t),
            raw: raw.and_then(|c| read(c, &t)),
            force_n: force.and_then(|c| read(c, &t)),
            place_m: read(Channel::LapDistance, &t),
            time_s: t,
        })
    };
    let brake = trace(
        PedalKind::Brake,
        Channel::Brake,
        Channel::BrakeTravel,
        Some(Channel::PedalRaw),
        Some(Channel::BrakeForce),
    );
    let throttle = trace(PedalKind::Throttle, Channel::Throttle, Channel::ThrottleTravel, None, None);
    if brake.is_none() && throttle.is_none() {
        return Ok(Outcome::missing(
            &[Channel::Throttle, Channel::Brake],
            "without either there is no pedal to check",
        ));
    }
    let traces: Vec<&PedalTrace> = [&brake, &throttle].into_iter().flatten().collect();
    if traces.iter().all(|t| t.time_s.len() < FEWEST) {
        return Ok(Outcome::too_little(format!(
            "The pedals have fewer than {FEWEST} samples: drive a lap, or press each pedal ten times."
        )));
    }
    let mut checked = Vec::new();
    for trace in &traces {
        let other = traces.iter().find(|t| t.kind != trace.kind);
        checked.push(pedal(trace, other.copied(), options)?);
    }
    let mut unlocks = Vec::new();
    for (channel, adds) in [
        (Channel::BrakeTravel, "dead zones, saturation and hysteresis of the brake"),
        (Channel::ThrottleTravel, "dead zones, saturation and hysteresis of the throttle"),
        (Channel::PedalRaw, "noise and resolution of the brake's sensor"),
        (Channel::BrakeForce, "the force to set for the load cell, and the flex of the mount"),
    ] {
        if samples.get(channel).is_none() {
            unlocks.push(Unlock::new(channel, adds));
        }
    }
    Ok(Outcome::Answered(answer(checked, options, unlocks)))
}

/// Answer over pedals that were checked one by one, such as those of calibrations.
#[must_use]
pub fn answer(pedals: Vec<Pedal>, options: &PedalOptions, unlocks: Vec<Unlock>) -> Answer<Pedals> {
    let findings = pedals.iter().flat_map(|p| findings(p, options)).collect();
    let cautions = [Caution::HeavyPedals, Caution::SimulatorsOnly];
    Answer::new(Pedals { pedals }, findings, &cautions, unlocks)
}

/// Measures one pedal; `other` tells when this one should be released.
///
/// # Errors
/// As [`pedals`], and for columns of different length.
pub fn pedal(
    trace: &PedalTrace,
    other: Option<&PedalTrace>,
    options: &PedalOptions,
) -> Result<Pedal, PedalError> {
    check(trace, options)?;
    let t = trace;
    let known: Vec<usize> = (0..t.time_s.len()).filter(|&i| t.out[i].is_finite()).collect();
    let out: Vec<f64> = known.iter().map(|&i| t.out[i]).collect();
    let sensor = t.raw.as_ref().or(t.travel.as_ref()).unwrap_or(&t.out);
    // Released: the car gets nothing, and has not for a moment.
    let rest: Vec<f64> = finite(
        known
            .iter()
            .filter(|&&i| i > 5 && t.out[i - 5..=i].iter().all(|o| *o < RELEASED))
            .map(|&i| sensor[i]),
    );
    // A dead zone may hide a foot that rests on the pedal: the lower half tells the sensor's own place.
    let low = quantile(&rest, 0.5);
    let still: Vec<f64> =
        rest.iter().copied().filter(|r| *r <= low + (low - quantile(&rest, 0.01))).collect();
    let rest_noise = if still.len() > 20 { robust_sd(&still) } else { 0.0 };
    let curve = t.travel.as_ref().or(t.raw.as_ref()).and_then(|x| travel_curve(&t.time_s, x, &t.out));
    let top = largest(out.iter().copied());
    let at_full = out.iter().filter(|o| **o >= 0.999).count() as f64 / out.len().max(1) as f64;
    let down: Vec<f64> = other.map_or_else(Vec::new, |o| {
        let pressed = on(Signal { time_s: &o.time_s, values: &o.out }, &t.time_s);
        known.iter().filter(|&&i| pressed[i] > 0.5).map(|&i| t.out[i]).collect()
    });
    let drags: Vec<f64> = down.iter().copied().filter(|o| *o > 0.002).collect();
    Ok(Pedal {
        kind: t.kind,
        rest_noise,
        rest_level: if still.is_empty() { 0.0 } else { median(&still) },
        resolution: resolution(&out, curve.as_ref(), rest_noise),
        curve,
        at_full_share: at_full,
        largest: top,
        dragging_share: if down.is_empty() { 0.0 } else { drags.len() as f64 / down.len() as f64 },
        dragging: if drags.is_empty() { 0.0 } else { median(&drags) },
        chatter_ps: chatter(&t.time_s, &t.out),
        presses: presses(t),
        force: t.force_n.as_ref().and_then(|f| foot_force(t, f, options)),
        flex: t.force_n.as_ref().zip(t.travel.as_ref()).and_then(|(f, x)| flex(&t.time_s, f, x)),
    })
}

fn check(t: &PedalTrace, options: &PedalOptions) -> Result<(), PedalError> {
    if !(0.3..=1.0).contains(&options.threshold_at) {
        return Err(PedalError::Option {
            name: "the share for threshold braking",
            value: options.threshold_at,
            expected: "0.3 to 1",
        });
    }
    if !(50.0..=5000.0).contains(&options.cell_limit_n) {
        return Err(PedalError::Option {
            name: "the limit of the load cell",
            value: options.cell_limit_n,
            expected: "50 N to 5000 N (130 kgf is 1275 N)",
        });
    }
    let columns = [("travel", &t.travel), ("sensor", &t.raw), ("force", &t.force_n), ("place", &t.place_m)];
    let stamps = t.time_s.len();
    let lengths =
        columns.iter().filter_map(|(n, c)| Some((*n, c.as_ref()?.len()))).chain([("value", t.out.len())]);
    if let Some((column, values)) = lengths.into_iter().find(|(_, n)| *n != stamps) {
        return Err(PedalError::Length { column, values, stamps });
    }
    let shares = [("value", Some(&t.out)), ("travel", t.travel.as_ref()), ("sensor", t.raw.as_ref())];
    for (column, values) in shares {
        let found = largest(values.into_iter().flatten().copied());
        if found > 1.5 {
            return Err(PedalError::Range { column, found });
        }
    }
    Ok(())
}

/// Part of the curve next to each end that is taken as straight \[share of the car's value\].
const NEAR_END: (f64, f64) = (0.03, 0.45);

/// Rows for the regressions, at most: more do not make the ends any surer.
const MOST_ROWS: usize = 4000;

/// Ends of the travel, and what pressing and releasing differ by.
fn travel_curve(time_s: &[f64], travel: &[f64], out: &[f64]) -> Option<TravelCurve> {
    let way = last_way(time_s, travel, 0.2);
    // Where the line through one part of the curve reaches `end`.
    let reach = |from: f64, to: f64, end: f64| {
        let inside: Vec<usize> =
            (0..out.len()).filter(|&i| out[i] > from && out[i] < to && travel[i].is_finite()).collect();
        let inside: Vec<usize> =
            inside.iter().copied().step_by(inside.len().div_ceil(MOST_ROWS).max(1)).collect();
        let x: Vec<f64> = inside.iter().map(|&i| travel[i]).collect();
        let rate: Vec<f64> = inside.iter().map(|&i| rate(time_s, travel, i)).collect();
        let side: Vec<f64> = inside.iter().map(|&i| way[i]).collect();
        let y: Vec<f64> = inside.iter().map(|&i| out[i]).collect();
        if x.len() < 20 {
            return None;
        }
        let ones = vec![1.0; x.len()];
        let fit = robust(&[ones.clone(), x.clone(), rate, side], &y);
        // A pedal that only ever moves one way, or holds, has no direction to tell apart.
        let (fit, play) = match fit {
            Some(f) => {
                let play = f.coefficients[3];
                (f, play)
            }
            None => (robust(&[ones, x], &y)?, 0.0),
        };
        let (a, b) = (fit.coefficients[0], fit.coefficients[1]);
        (b > 0.1).then_some(((end - a) / b, -2.0 * play / b, fit.residual_sd))
    };
    let (low, high) = NEAR_END;
    let near_zero = reach(low, high, 0.0);
    let near_full = reach(1.0 - high, 1.0 - low, 1.0).or_else(|| reach(low, 1.0 - low, 1.0));
    let (dead_zone, hysteresis, scatter) = near_zero.or_else(|| reach(low, 1.0 - low, 0.0))?;
    let (full_at, ..) = near_full?;
    Some(TravelCurve {
        dead_zone: dead_zone.max(0.0),
        full_at: full_at.min(1.0),
        hysteresis: hysteresis.max(0.0),
        scatter,
    })
}

/// Finest step that a recording is trusted to show; files keep four digits.
const FINEST_STEP: f64 = 2e-4;

/// Steps of the pedal over its whole travel, and bits that are left.
///
/// The step is the spacing of the levels that the car gets: values of a coarse pedal repeat, and lie on an even comb whose
/// pitch is found from the smallest spacing between levels and refined over the whole comb.
fn resolution(out: &[f64], curve: Option<&TravelCurve>, noise: f64) -> Resolution {
    let gain = curve.map_or(1.0, |c| 1.0 / (c.full_at - c.dead_zone).max(1e-3));
    let step = comb(out).map(|s| s / gain);
    // Uniform error of half a step each way: step²/12. `[Bennett1948]`
    let spread = (noise * noise + step.unwrap_or(FINEST_STEP).powi(2) / 12.0).sqrt();
    let range = curve.map_or(1.0, |c| (c.full_at - c.dead_zone).clamp(1e-3, 1.0));
    Resolution { steps: step.map(|s| 1.0 / s), effective_bits: (range / (spread * 12f64.sqrt())).log2() }
}

/// Pitch of the comb that values lie on; none when they lie on none coarser than [`FINEST_STEP`].
fn comb(values: &[f64]) -> Option<f64> {
    let mut levels: Vec<f64> = values.iter().copied().filter(|v| *v > 1e-4 && *v < 0.9995).collect();
    levels.sort_unstable_by(f64::total_cmp);
    let n = levels.len();
    levels.dedup_by(|a, b| (*a - *b).abs() < 0.25 * FINEST_STEP);
    // A fine signal hardly repeats a value; a comb of k levels does as soon as there are more samples than levels.
    if levels.len() < 4 || n < 3 * levels.len() {
        return None;
    }
    let gaps: Vec<f64> = levels.windows(2).map(|w| w[1] - w[0]).collect();
    let mut pitch = quantile(&gaps, 0.05);
    if pitch < 2.0 * FINEST_STEP {
        return None;
    }
    // Least squares through the origin over the numbers of the levels, from the near ones to the far ones.
    for reach in [0.1, 0.3, 1.1] {
        let near: Vec<f64> = levels.iter().copied().filter(|l| *l <= reach).collect();
        let near = if near.len() < 4 { levels[..4.min(levels.len())].to_vec() } else { near };
        let number: Vec<f64> = near.iter().map(|l| (l / pitch).round()).collect();
        let square: f64 = number.iter().map(|k| k * k).sum();
        pitch = number.iter().zip(&near).map(|(k, l)| k * l).sum::<f64>() / square;
    }
    let off: Vec<f64> = levels.iter().map(|l| (l / pitch - (l / pitch).round()).abs()).collect();
    (median(&off) < 0.1).then_some(pitch)
}

/// Reversals larger than a hundredth within a tenth of a second, per second of pressed pedal.
fn chatter(time_s: &[f64], out: &[f64]) -> f64 {
    let mut turns: Vec<f64> = Vec::new();
    let (mut extreme, mut rising, mut pressed_s) = (f64::NAN, None, 0.0);
    for i in 1..out.len() {
        if out[i].is_nan() || out[i] <= 0.05 {
            (extreme, rising) = (f64::NAN, None);
            continue;
        }
        pressed_s += (time_s[i] - time_s[i - 1]).min(0.1);
        let up = out[i] > extreme;
        match rising {
            None => {
                if extreme.is_nan() {
                    extreme = out[i];
                } else if (out[i] - extreme).abs() > 0.01 {
                    rising = Some(up);
                    extreme = out[i];
                }
            }
            Some(r) if r == up => extreme = out[i],
            Some(_) if (out[i] - extreme).abs() > 0.01 => {
                turns.push(time_s[i]);
                rising = Some(up);
                extreme = out[i];
            }
            Some(_) => {}
        }
    }
    let quick = turns.windows(2).filter(|w| w[1] - w[0] < 0.1).count();
    if pressed_s > 1.0 { quick as f64 / pressed_s } else { 0.0 }
}

/// A press: indices of begin, peak and end.
#[derive(Debug, Clone, Copy)]
struct Press {
    begin: usize,
    peak: usize,
    end: usize,
}

fn find_presses(values: &[f64], floor: f64, height: f64) -> Vec<Press> {
    let mut found = Vec::new();
    let mut begin = None;
    for i in 0..values.len() {
        let down = values[i] > floor;
        match (begin, down) {
            (None, true) => begin = Some(i),
            (Some(b), false) => {
                let peak = (b..i).max_by(|&x, &y| values[x].total_cmp(&values[y])).unwrap_or(b);
                if values[peak] > height {
                    found.push(Press { begin: b.saturating_sub(1), peak, end: i });
                }
                begin = None;
            }
            _ => {}
        }
    }
    found
}

impl Press {
    /// Seconds from one share of the peak to another on the way up (`from` < `to`) or down.
    fn passes(self, time_s: &[f64], v: &[f64], from: f64, to: f64) -> f64 {
        let peak = v[self.peak];
        let crossing = |level: f64, range: std::ops::Range<usize>| {
            range
                .filter(|&i| (v[i] - level) * (v[i + 1] - level) <= 0.0 && v[i] != v[i + 1])
                .map(|i| time_s[i] + (time_s[i + 1] - time_s[i]) * (level - v[i]) / (v[i + 1] - v[i]))
                .next()
        };
        let range = if from < to { self.begin..self.peak } else { self.peak..self.end };
        match (crossing(from * peak, range.clone()), crossing(to * peak, range)) {
            (Some(a), Some(b)) => b - a,
            _ => f64::NAN,
        }
    }
}

/// Presses begun within this of one another are at one place \[m\]; common practice, no source.
const PLACE_M: f64 = 40.0;

fn presses(t: &PedalTrace) -> Option<Presses> {
    let all = find_presses(&t.out, RELEASED, PRESSED);
    if all.is_empty() {
        return None;
    }
    let of = |f: &dyn Fn(&Press) -> f64| all.iter().map(f).collect::<Vec<f64>>();
    let (mut peaks, mut releases) = (Vec::new(), Vec::new());
    if let Some(place) = &t.place_m {
        let mut by_place: Vec<&Press> = all.iter().filter(|p| place[p.begin].is_finite()).collect();
        by_place.sort_by(|a, b| place[a.begin].total_cmp(&place[b.begin]));
        for group in by_place.chunk_by(|a, b| place[b.begin] - place[a.begin] < PLACE_M) {
            if group.len() < 2 {
                continue;
            }
            let peak: Vec<f64> = group.iter().map(|p| t.out[p.peak]).collect();
            let release: Vec<f64> = finite(group.iter().map(|p| p.passes(&t.time_s, &t.out, 0.9, 0.1)));
            // Two values differ by √2 standard deviations; a group of n frees n/(n − 1).
            let free = (group.len() as f64 / (group.len() as f64 - 1.0)).sqrt();
            let m = median(&peak);
            peaks.extend(peak.iter().map(|p| free * (p - m)));
            let m = median(&release);
            releases.extend(release.iter().filter(|_| m > 0.0).map(|r| free * (r - m) / m));
        }
    }
    Some(Presses {
        count: all.len(),
        peak_spread: (peaks.len() >= 6).then(|| robust_sd(&peaks)),
        release_spread: (releases.len() >= 6).then(|| robust_sd(&releases)),
        rise_s: median(&of(&|p| p.passes(&t.time_s, &t.out, 0.1, 0.9))),
        fall_s: median(&of(&|p| p.passes(&t.time_s, &t.out, 0.9, 0.1))),
    })
}

fn foot_force(t: &PedalTrace, force_n: &[f64], options: &PedalOptions) -> Option<FootForce> {
    let presses = find_presses(&t.out, RELEASED, PRESSED);
    let peak = |p: &Press| largest(force_n[p.begin..=p.end].iter().copied());
    let threshold_n = quantile(&presses.iter().map(peak).collect::<Vec<_>>(), 0.75);
    if !threshold_n.is_finite() || threshold_n <= 0.0 {
        return None;
    }
    let full_n = travel_curve(
        &t.time_s,
        &force_n.iter().map(|f| f / options.cell_limit_n).collect::<Vec<_>>(),
        &t.out,
    )
    .map(|c| c.full_at * options.cell_limit_n);
    let full_to_set_n = threshold_n / options.threshold_at;
    Some(FootForce { threshold_n, full_n, full_to_set_n, within_cell: full_to_set_n <= options.cell_limit_n })
}

/// Travel against force in the upper half of the force, with the direction told apart.
fn flex(time_s: &[f64], force_n: &[f64], travel: &[f64]) -> Option<Flex> {
    let top = quantile(force_n, 0.999);
    if top.is_nan() || top <= 20.0 {
        return None;
    }
    let hard: Vec<usize> = (0..force_n.len())
        .filter(|&i| force_n[i] > 0.4 * top && force_n[i].is_finite() && travel[i].is_finite())
        .collect();
    let x: Vec<f64> = hard.iter().map(|&i| force_n[i] / top).collect();
    let way = last_way(time_s, force_n, 0.2 * top);
    let side: Vec<f64> = hard.iter().map(|&i| way[i]).collect();
    let y: Vec<f64> = hard.iter().map(|&i| travel[i]).collect();
    let fit = robust(&[vec![1.0; x.len()], x, side], &y)?;
    let rest: Vec<f64> = (0..force_n.len()).filter(|&i| force_n[i] < 0.02 * top).map(|i| travel[i]).collect();
    let part = rest.len() / 5;
    let creep = if part >= 10 { median(&rest[rest.len() - part..]) - median(&rest[..part]) } else { 0.0 };
    Some(Flex {
        travel_per_n: fit.coefficients[1] / top,
        lost_travel: (2.0 * fit.coefficients[2]).abs(),
        creep,
    })
}

/// Ten presses to one target, guided: how well did the foot find it?
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct TenPresses {
    /// Held level of each press, the median of its middle \[as the values\].
    pub levels: Vec<f64>,
    /// Level of the median press over the target, less 1 \[-\].
    pub bias: f64,
    /// Robust standard deviation of the levels over the target \[-\].
    pub spread: f64,
    /// Median wobble while holding, over the target \[-\].
    pub wobble: f64,
    /// Robust standard deviation of the release times over their median \[-\]; how alike the releases are.
    pub release_spread: f64,
    /// 0 to 100: 40 points for spread, 25 for bias, 15 for wobble, 20 for releases, each falling straight to 0 at 15 %, 15 %,
    /// 10 % and 60 %. Our own scale, for comparing with oneself.
    pub score: f64,
}

/// Why a ten-press test has no score.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TenPressError {
    /// Not ten of them.
    #[error(
        "the test shows {found} presses beyond half the target; ten are needed: press, hold for two seconds, let go altogether, ten times"
    )]
    Count {
        /// Presses found.
        found: usize,
    },
    /// A target that is none.
    #[error("the target is {0}; expected a number above 0, in the unit of the values")]
    Target(f64),
    /// Columns that do not match.
    #[error("the test has {values} values for {stamps} time stamps")]
    Length {
        /// Values.
        values: usize,
        /// Stamps.
        stamps: usize,
    },
}

/// Scores ten presses to a target, by position or by force; more than ten are read from the last.
///
/// # Errors
/// [`TenPressError`] for fewer than ten presses, and input that does not match.
pub fn ten_presses(time_s: &[f64], values: &[f64], target: f64) -> Result<TenPresses, TenPressError> {
    if time_s.len() != values.len() {
        return Err(TenPressError::Length { values: values.len(), stamps: time_s.len() });
    }
    if !(target.is_finite() && target > 0.0) {
        return Err(TenPressError::Target(target));
    }
    let found = find_presses(values, 0.1 * target, 0.5 * target);
    if found.len() < 10 {
        return Err(TenPressError::Count { found: found.len() });
    }
    let ten = &found[found.len() - 10..];
    let held = |p: &Press| {
        let n = p.end - p.begin;
        finite(values[p.begin + n * 3 / 10..p.begin + n * 7 / 10 + 1].iter().copied())
    };
    let levels: Vec<f64> = ten.iter().map(|p| median(&held(p))).collect();
    let wobble = median(&ten.iter().map(|p| robust_sd(&held(p))).collect::<Vec<_>>()) / target;
    let releases = finite(ten.iter().map(|p| p.passes(time_s, values, 0.9, 0.2)));
    let (bias, spread) = (median(&levels) / target - 1.0, robust_sd(&levels) / target);
    let release_spread = if releases.len() >= 5 { robust_sd(&releases) / median(&releases) } else { 1.0 };
    let points = |most: f64, error: f64, nothing_at: f64| most * (1.0 - error.abs() / nothing_at).max(0.0);
    let score = points(40.0, spread, 0.15)
        + points(25.0, bias, 0.15)
        + points(15.0, wobble, 0.10)
        + points(20.0, release_spread, 0.60);
    Ok(TenPresses { levels, bias, spread, wobble, release_spread, score })
}

/// What a pedal may be without harm. Common practice, no source.
mod allowed {
    /// Dead zone and missing travel \[share\].
    pub(super) const END: f64 = 0.03;
    /// Saturation that spoils threshold braking \[share of travel that is left\].
    pub(super) const FULL_AT_STOP: f64 = 0.7;
    /// Effective bits.
    pub(super) const BITS: f64 = 8.5;
    /// Place of threshold braking in the range of the pedal \[share\].
    pub(super) const THRESHOLD: std::ops::RangeInclusive<f64> = 0.4..=0.95;
    /// Noise at rest \[share\].
    pub(super) const NOISE: f64 = 0.005;
    /// Difference of pressing and releasing \[share\].
    pub(super) const HYSTERESIS: f64 = 0.04;
    /// Reversals a second.
    pub(super) const CHATTER_PS: f64 = 1.0;
    /// Share of the time a pedal may drag.
    pub(super) const DRAG: f64 = 0.02;
    /// Robust spread of peaks at one place.
    pub(super) const SPREAD: f64 = 0.08;
}

fn findings(p: &Pedal, options: &PedalOptions) -> Vec<Finding> {
    let percent = |x: f64| 100.0 * x;
    let name = match p.kind {
        PedalKind::Throttle => "throttle",
        PedalKind::Brake => "brake",
    };
    let lap = "Check again with a lap: the number must be within its range.";
    let mut found = Vec::new();
    let mut fault = |verdict, sentence: String, why: &str, change: String| {
        found.push(Finding::fault(verdict, sentence, why, change, lap));
    };
    if let Some(c) = p.curve {
        if c.full_at < 1.0 - allowed::END {
            fault(
                if c.full_at < allowed::FULL_AT_STOP { Verdict::Stop } else { Verdict::Improve },
                format!("The {name} is full from {:.0} % of its travel on.", percent(c.full_at)),
                "The last part of the travel does nothing, and what is left is too quick: wheels lock, the release is a switch.",
                format!(
                    "Set the end of the {name}'s range to {:.0} % of what it is: calibrate with the pedal fully down.",
                    percent(1.0 / c.full_at)
                ),
            );
        }
        if c.dead_zone > allowed::END {
            fault(
                if c.dead_zone > 0.15 { Verdict::Stop } else { Verdict::Improve },
                format!("The first {:.1} % of the {name} do nothing.", percent(c.dead_zone)),
                "The last of the release, where trail braking turns the car, is cut off; every application comes late.",
                format!(
                    "Calibrate the {name} released, and set its dead zone just above the noise at rest of {:.2} %.",
                    percent(p.rest_noise)
                ),
            );
        }
        if c.hysteresis > allowed::HYSTERESIS {
            fault(
                Verdict::Improve,
                format!(
                    "Pressing and releasing the {name} differ by {:.1} % of its travel.",
                    percent(c.hysteresis)
                ),
                "The foot cannot learn a place that moves.",
                "Clean and grease the pedal's bearings, and check the elastomer.".to_owned(),
            );
        }
    }
    if p.resolution.effective_bits < allowed::BITS {
        let steps = p.resolution.steps.map_or_else(String::new, |s| format!(", {s:.0} steps"));
        fault(
            if p.resolution.effective_bits < 6.0 { Verdict::Stop } else { Verdict::Improve },
            format!("The {name} resolves {:.1} bits{steps}.", p.resolution.effective_bits),
            "The finest change of the foot is a jump at the car: threshold braking and throttle in mid-corner come in steps.",
            "Raise the resolution in the pedal's program, use its whole range, or replace the sensor or its converter.".to_owned(),
        );
    }
    if p.rest_noise > allowed::NOISE {
        fault(
            Verdict::Improve,
            format!("At rest the {name} trembles by {:.2} %.", percent(p.rest_noise)),
            "Noise drags the brake on straights, or forces a dead zone that cuts the release.",
            "Clean or replace the sensor, keep its cable away from the wheelbase's, and use a shielded one."
                .to_owned(),
        );
    }
    if p.chatter_ps > allowed::CHATTER_PS {
        fault(
            Verdict::Improve,
            format!("The pressed {name} goes back and forth {:.1} times a second.", p.chatter_ps),
            "Chatter unsettles the tyres just where they are at their limit.",
            "Check the sensor and its mount; if the foot trembles, lower the force at full.".to_owned(),
        );
    }
    if p.kind == PedalKind::Throttle && p.largest < 0.985 && p.largest > 0.3 {
        fault(
            Verdict::Stop,
            format!("The throttle never passes {:.1} %.", percent(p.largest)),
            "Every straight is driven without full power: tenths on every lap.",
            format!(
                "Calibrate with the pedal fully down; its end must be at {:.0} % of the present range.",
                percent(p.largest)
            ),
        );
    }
    if p.dragging_share > allowed::DRAG && p.dragging > 0.003 && p.kind == PedalKind::Brake {
        fault(
            if p.dragging > 0.02 { Verdict::Stop } else { Verdict::Improve },
            format!(
                "The brake stays at {:.1} % for {:.0} % of the time on the throttle.",
                percent(p.dragging),
                percent(p.dragging_share)
            ),
            "It brakes on the straights and heats discs and tyres: time is lost everywhere, and looks like a slow car.",
            format!(
                "Set a dead zone of {:.1} % at the beginning of the brake, or lift the foot: a heel rest helps.",
                percent(1.5 * p.dragging)
            ),
        );
    }
    if let Some(s) =
        p.presses.and_then(|s| s.peak_spread).filter(|s| *s > allowed::SPREAD && p.kind == PedalKind::Brake)
    {
        fault(
            Verdict::Improve,
            format!("Peaks of the brake at one place scatter by {:.1} %.", percent(s)),
            "A brake point is worth no more than the peak that follows it.",
            "Brake by force: a stiffer elastomer and the force scale below; then ten presses a day to one target.".to_owned(),
        );
    }
    if let Some(f) = p.force {
        let kgf = |n: f64| n / STANDARD_GRAVITY_MPS2;
        let off = f.full_n.map(|n| n / f.full_to_set_n - 1.0);
        if !f.within_cell {
            fault(
                Verdict::Improve,
                format!(
                    "Threshold braking takes {:.0} kgf; at {:.0} % of the range full would be {:.0} kgf, more than the cell takes.",
                    kgf(f.threshold_n),
                    percent(options.threshold_at),
                    kgf(f.full_to_set_n)
                ),
                "A cell beyond its range reads flat and can break; so can a frame.",
                "Brake with less force: a softer elastomer, or a higher brake pressure in the car's setup."
                    .to_owned(),
            );
        } else if let Some(off) =
            off.filter(|o| !allowed::THRESHOLD.contains(&(options.threshold_at / (1.0 + o))))
        {
            fault(
                Verdict::Improve,
                format!(
                    "Full brake is at {:.0} kgf; with threshold braking at {:.0} kgf it sits {} than wanted.",
                    kgf(f.full_to_set_n * (1.0 + off)),
                    kgf(f.threshold_n),
                    if off > 0.0 { "lower in the range" } else { "higher in the range" }
                ),
                "Threshold braking well inside the range leaves room above for mistakes and fineness below for the release.",
                format!("Set full brake to {:.0} kgf.", kgf(f.full_to_set_n)),
            );
        }
    }
    if let Some(x) = p.flex.filter(|x| x.lost_travel > 0.05 || x.creep.abs() > 0.02) {
        fault(
            Verdict::Improve,
            format!(
                "The mount of the {name} gives: {:.1} % of travel between pressing and releasing, {:.1} % left behind.",
                percent(x.lost_travel),
                percent(x.creep)
            ),
            "A pedal that moves with its frame has another force at the same place each lap.",
            "Bolt the pedal to a stiff frame, and the frame to the seat.".to_owned(),
        );
    }
    if found.is_empty() {
        found.push(Finding::passed(
            format!(
                "The {name} reaches both ends, quietly and finely ({:.1} bits).",
                p.resolution.effective_bits
            ),
            "What the foot does reaches the car.",
        ));
    }
    found
}

/// Mean and standard deviation of what a recorded pedal does when nobody touches it: for a calibration at rest.
#[must_use]
pub fn rest(values: &[f64]) -> Option<(f64, f64)> {
    let known = finite(values.iter().copied());
    (known.len() >= 20).then(|| (mean(&known), sd(&known)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// A foot that presses again and again, to heights that differ.
    fn foot(t: f64) -> f64 {
        let k = (t / 4.0).floor();
        let height = 0.55 + 0.44 * (k * 2.4).sin().abs();
        let u = t - 4.0 * k;
        height * (u / 0.3).min(1.0).min(((2.2 - u) / 1.1).max(0.0))
    }

    fn noise(i: usize) -> f64 {
        let x = (i as f64 * 12.9898).sin() * 43758.5453;
        2.0 * (x - x.floor()) - 1.0
    }

    fn trace(car: impl Fn(f64) -> f64) -> PedalTrace {
        let time_s: Vec<f64> = (0..12_000).map(|i| i as f64 * 0.01).collect();
        let travel: Vec<f64> = time_s.iter().map(|t| foot(*t)).collect();
        PedalTrace {
            kind: PedalKind::Brake,
            out: travel.iter().map(|x| car(*x)).collect(),
            travel: Some(travel),
            raw: None,
            force_n: None,
            place_m: None,
            time_s,
        }
    }

    fn measured(t: &PedalTrace) -> Pedal {
        pedal(t, None, &PedalOptions::default()).unwrap()
    }

    proptest! {
        #![proptest_config(ProptestConfig { cases: 40, ..ProptestConfig::default() })]
        #[test]
        fn both_ends_of_the_travel_are_found(dead in 0.0..0.2f64, full in 0.6..1.0f64) {
            let p = measured(&trace(|x| ((x - dead) / (full - dead)).clamp(0.0, 1.0)));
            let c = p.curve.unwrap();
            prop_assert!((c.dead_zone - dead).abs() < 0.005, "{c:?} for {dead}");
            prop_assert!((c.full_at / full - 1.0).abs() < 0.01, "{c:?} for {full}");
        }

        #[test]
        fn the_steps_of_a_coarse_pedal_are_counted(levels in 30u32..400, full in 0.6..1.0f64) {
            let levels = f64::from(levels);
            let t = trace(|x| ((x * levels).round() / levels / full).clamp(0.0, 1.0));
            let p = measured(&t);
            let steps = p.resolution.steps.unwrap();
            prop_assert!((steps / levels - 1.0).abs() < 0.02, "{steps} for {levels}, {:?}", p.curve);
        }
    }

    #[test]
    fn a_fine_pedal_has_no_steps_and_passes() {
        let p = measured(&trace(|x| x));
        assert_eq!(p.resolution.steps, None);
        let a = answer(vec![p], &PedalOptions::default(), Vec::new());
        assert_eq!(a.verdict, Verdict::Passed, "{:?}", a.findings);
    }

    #[test]
    fn noise_at_rest_and_eight_bits_are_found() {
        let mut t = trace(|x| (x * 255.0).round() / 255.0);
        t.raw = Some((0..t.time_s.len()).map(|i| 0.01 + 0.004 * noise(i) + t.out[i]).collect());
        let p = measured(&t);
        // Even noise of ±0.004: standard deviation 0.004/√3, seen through the median absolute deviation 0.002·1.4826.
        assert!((p.rest_noise - 0.002 * 1.4826).abs() < 3e-4, "{}", p.rest_noise);
        assert!((p.rest_level - 0.01).abs() < 0.002, "{}", p.rest_level);
        assert!((p.resolution.steps.unwrap() - 255.0).abs() < 1.0, "{:?}", p.resolution);
        assert!(p.resolution.effective_bits < 8.0);
    }

    #[test]
    fn hysteresis_is_told_from_the_curve() {
        let mut t = trace(|x| x);
        let travel = t.travel.clone().unwrap();
        let mut held = 0.0_f64;
        t.out = travel
            .iter()
            .map(|x| {
                held = held.clamp(x - 0.03, x + 0.03);
                held.max(0.0)
            })
            .collect();
        let c = measured(&t).curve.unwrap();
        assert!((c.hysteresis - 0.06).abs() < 0.01, "{c:?}");
    }

    #[test]
    fn a_throttle_that_never_opens_and_a_brake_that_drags_stop_the_check() {
        let mut throttle = trace(|x| 0.93 * (1.2 * x).min(1.0));
        throttle.kind = PedalKind::Throttle;
        let mut brake = trace(|_| 0.0);
        brake.out = throttle.out.iter().map(|o| if *o > 0.3 { 0.025 } else { 0.5 }).collect();
        brake.travel = None;
        throttle.travel = None;
        let options = PedalOptions::default();
        let b = pedal(&brake, Some(&throttle), &options).unwrap();
        let t = pedal(&throttle, Some(&brake), &options).unwrap();
        assert!((b.dragging - 0.025).abs() < 1e-9 && b.dragging_share > 0.9);
        assert!((t.largest - 0.93).abs() < 1e-9);
        let a = answer(vec![b, t], &options, Vec::new());
        assert_eq!(a.findings.iter().filter(|f| f.verdict == Verdict::Stop).count(), 2, "{:?}", a.findings);
    }

    #[test]
    fn the_force_scale_puts_threshold_braking_where_it_was_asked_for() {
        let mut t = trace(|x| x);
        t.force_n = t.travel.as_ref().map(|v| v.iter().map(|x| 800.0 * x).collect());
        let f = measured(&t).force.unwrap();
        assert!((f.full_n.unwrap() / 800.0 - 1.0).abs() < 0.01, "{f:?}");
        assert!((f.full_to_set_n * 0.8 - f.threshold_n).abs() < 1e-9 && f.within_cell);
        let weak = PedalOptions { cell_limit_n: 400.0, ..PedalOptions::default() };
        assert!(!pedal(&t, None, &weak).unwrap().force.unwrap().within_cell);
    }

    #[test]
    fn a_mount_that_gives_shows_in_force_against_travel() {
        let mut t = trace(|x| x);
        let travel = t.travel.clone().unwrap();
        let mut held = 0.0_f64;
        // The load cell feels the foot only once the mount has given 4 % of travel.
        let force: Vec<f64> = travel
            .iter()
            .map(|x| {
                held = held.clamp(x - 0.04, x + 0.04);
                1000.0 * held.max(0.0)
            })
            .collect();
        t.force_n = Some(force);
        let x = measured(&t).flex.unwrap();
        assert!((x.lost_travel - 0.08).abs() < 0.02, "{x:?}");
    }

    #[test]
    fn chatter_is_counted_and_a_calm_foot_has_none() {
        assert_eq!(measured(&trace(|x| x)).chatter_ps, 0.0);
        let mut t = trace(|x| x);
        for i in (0..t.out.len()).step_by(4) {
            t.out[i] = (t.out[i] - 0.03).max(0.0);
        }
        assert!(measured(&t).chatter_ps > 5.0);
    }

    #[test]
    fn ten_even_presses_score_high_and_uneven_ones_low() {
        let press = |scatter: f64| {
            let t: Vec<f64> = (0..4000).map(|i| f64::from(i) * 0.01).collect();
            let v: Vec<f64> = t
                .iter()
                .map(|t| {
                    let k = (t / 4.0).floor();
                    let u = t - 4.0 * k - 0.5;
                    let level = 0.7 * (1.0 + scatter * (k * 1.7).sin());
                    let shape = (u / 0.2).clamp(0.0, 1.0).min(((2.5 - u) / 0.4).clamp(0.0, 1.0));
                    level * shape
                })
                .collect();
            ten_presses(&t, &v, 0.7)
        };
        let (even, uneven) = (press(0.0).unwrap(), press(0.15).unwrap());
        assert!(even.score > 99.0 && even.levels.len() == 10, "{even:?}");
        assert!(uneven.score < 65.0 && uneven.spread > 0.1, "{uneven:?}");
        let t: Vec<f64> = (0..100).map(f64::from).collect();
        assert_eq!(ten_presses(&t, &[0.0; 100], 0.7), Err(TenPressError::Count { found: 0 }));
        assert_eq!(ten_presses(&t, &t, -1.0), Err(TenPressError::Target(-1.0)));
        assert!(matches!(ten_presses(&t, &t[1..], 1.0), Err(TenPressError::Length { .. })));
    }

    #[test]
    fn other_units_and_bad_options_are_refused() {
        let mut t = trace(|x| 100.0 * x);
        let e = pedal(&t, None, &PedalOptions::default()).unwrap_err();
        assert!(e.to_string().contains("per cent"), "{e}");
        t.out.pop();
        assert!(matches!(pedal(&t, None, &PedalOptions::default()), Err(PedalError::Length { .. })));
        let odd = PedalOptions { threshold_at: 0.1, ..PedalOptions::default() };
        assert!(matches!(pedals(&Samples::new(), &odd), Ok(Outcome::NotEnough { .. })));
        assert!(matches!(pedal(&trace(|x| x), None, &odd), Err(PedalError::Option { .. })));
    }
}
