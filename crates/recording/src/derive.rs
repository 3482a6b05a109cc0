//! Channels that were not logged but follow from those that were.
//!
//! [`fill`] adds what is missing, marks it [`Origin::Derived`], and tells from what. Nothing logged is replaced. Gaps stay
//! gaps: no value is made across a stretch of more than [`GAP_S`] without samples, except by integration, which starts anew
//! behind it.

use crate::consistency::fresh_rows;
use crate::geodesy::LocalPlane;
use channels::{Channel, Origin, Samples, Wheel};
use serde::Serialize;
use std::collections::BTreeSet;
use std::f64::consts::PI;

/// Longest step over which a slope is taken \[s\]. Common practice, no source.
pub const GAP_S: f64 = 0.5;

/// Half the window of a slope \[s\]: 0.2 s in all damps the last digit of a speed in km/h at 50 Hz to 0.1 m/s² and
/// passes the motion of a car (up to some 2 Hz). Common practice, no source.
const HALF_WINDOW_S: f64 = 0.1;

/// Below this speed the direction of a path is noise, and the heading is kept \[m/s\]. Common practice, no source.
const SLOW_MPS: f64 = 2.0;

/// One way to get a channel from others.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum Rule {
    SpeedFromVelocities,
    PositionFromGlobe,
    SpeedFromPositions,
    SpeedFromWheels,
    SpeedFromForwardVelocity,
    YawRateFromHeading,
    HeadingFromPositions,
    YawRateFromPositions,
    AccelYFromPath,
    AccelYFromYawRate,
    AccelXFromSpeed,
    PositionFromMotion,
    DistanceFromSpeed,
}

impl Rule {
    /// In the order in which they are tried: the surest way to each channel first.
    pub const ALL: [Self; 13] = [
        Self::SpeedFromVelocities,
        Self::PositionFromGlobe,
        Self::SpeedFromPositions,
        Self::SpeedFromWheels,
        Self::SpeedFromForwardVelocity,
        Self::YawRateFromHeading,
        Self::AccelYFromPath,
        Self::PositionFromMotion,
        Self::HeadingFromPositions,
        Self::YawRateFromPositions,
        Self::AccelYFromYawRate,
        Self::AccelXFromSpeed,
        Self::DistanceFromSpeed,
    ];

    /// What it gives.
    #[must_use]
    pub fn gives(self) -> &'static [Channel] {
        match self {
            Self::SpeedFromVelocities
            | Self::SpeedFromPositions
            | Self::SpeedFromWheels
            | Self::SpeedFromForwardVelocity => &[Channel::Speed],
            Self::PositionFromGlobe | Self::PositionFromMotion => &[Channel::X, Channel::Y],
            Self::YawRateFromHeading | Self::YawRateFromPositions => &[Channel::YawRate],
            Self::HeadingFromPositions => &[Channel::Heading],
            Self::AccelYFromPath | Self::AccelYFromYawRate => &[Channel::AccelY],
            Self::AccelXFromSpeed => &[Channel::AccelX],
            Self::DistanceFromSpeed => &[Channel::Distance],
        }
    }

    /// What it needs, all of it.
    #[must_use]
    pub fn needs(self) -> &'static [Channel] {
        match self {
            Self::SpeedFromVelocities => &[Channel::VelocityX, Channel::VelocityY],
            Self::PositionFromGlobe => &[Channel::Latitude, Channel::Longitude],
            Self::SpeedFromPositions | Self::HeadingFromPositions | Self::YawRateFromPositions => {
                &[Channel::X, Channel::Y]
            }
            Self::AccelYFromPath => &[Channel::X, Channel::Y, Channel::Speed],
            Self::SpeedFromWheels => {
                const W: [Channel; 4] = [
                    Channel::WheelSpeed(Wheel::Fl),
                    Channel::WheelSpeed(Wheel::Fr),
                    Channel::WheelSpeed(Wheel::Rl),
                    Channel::WheelSpeed(Wheel::Rr),
                ];
                &W
            }
            Self::SpeedFromForwardVelocity => &[Channel::VelocityX],
            Self::YawRateFromHeading => &[Channel::Heading],
            Self::AccelYFromYawRate | Self::PositionFromMotion => &[Channel::YawRate, Channel::Speed],
            Self::AccelXFromSpeed | Self::DistanceFromSpeed => &[Channel::Speed],
        }
    }

    /// How it is done, and what that costs.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::SpeedFromVelocities => "speed is the root of the squared velocities",
            Self::PositionFromGlobe => {
                "x points east and y north on the plane that touches WGS 84 at the first fix; repeats of held fixes are left out"
            }
            Self::SpeedFromPositions => "speed is the slope of the position over 0.2 s",
            Self::SpeedFromWheels => {
                "speed is the mean of the two middle wheel speeds; it is some per cent off while wheels slip"
            }
            Self::SpeedFromForwardVelocity => "speed is the forward velocity; sideways motion is not in it",
            Self::YawRateFromHeading => "yaw rate is the slope of the heading over 0.2 s",
            Self::HeadingFromPositions => {
                "heading is the direction of the path, kept while the car is slower than 2 m/s; the sideslip angle is taken for zero"
            }
            Self::YawRateFromPositions => {
                "yaw rate is the turning of the path over 0.2 s; the sideslip angle is taken for constant"
            }
            Self::AccelYFromPath => {
                "lateral acceleration is the turning of the path over 0.2 s times speed, across the path"
            }
            Self::AccelYFromYawRate => {
                "lateral acceleration is yaw rate times speed; a car that is about to slide or catch itself has some more or less"
            }
            Self::AccelXFromSpeed => "forward acceleration is the slope of the speed over 0.2 s",
            Self::PositionFromMotion => {
                "the position is integrated from speed and yaw rate, from the origin along x; it drifts, and laps close only once a circuit closes them"
            }
            Self::DistanceFromSpeed => "distance is the integral of the speed",
        }
    }

    /// Wheels slip and forward velocity is not all: others come first, and positions are no help where they are held.
    fn applies(self, samples: &Samples) -> bool {
        let here = |c: &Channel| samples.clock_of(*c).is_some();
        let one_clock = |a, b| samples.clock_of(a) == samples.clock_of(b);
        self.gives().iter().all(|c| !here(c))
            && self.needs().iter().all(here)
            && match self {
                Self::PositionFromGlobe => one_clock(Channel::Latitude, Channel::Longitude),
                Self::SpeedFromPositions | Self::HeadingFromPositions | Self::YawRateFromPositions => {
                    one_clock(Channel::X, Channel::Y)
                }
                // Satellite fixes are too coarse to be differentiated twice.
                Self::AccelYFromPath => {
                    let logged = samples.get(Channel::X).is_some_and(|x| {
                        x.origin == Origin::Logged && x.values.len() * 3 < 5 * path_rows(samples).len()
                    });
                    logged && one_clock(Channel::X, Channel::Y)
                }
                _ => true,
            }
    }

    /// Time stamps \[s\] and the values of each channel that it gives.
    fn compute(self, samples: &Samples) -> Option<(Vec<f64>, Vec<Vec<f64>>)> {
        let get = |c| samples.get(c);
        match self {
            Self::SpeedFromVelocities => {
                let (a, b) = (get(Channel::VelocityX)?, get(Channel::VelocityY)?);
                let b = b.on(a.time_s);
                Some((a.time_s.to_vec(), vec![pairs(a.values, &b, f64::hypot)]))
            }
            Self::SpeedFromForwardVelocity => {
                let v = get(Channel::VelocityX)?;
                Some((v.time_s.to_vec(), vec![v.values.iter().map(|v| v.abs()).collect()]))
            }
            Self::SpeedFromWheels => {
                let first = get(Channel::WheelSpeed(Wheel::Fl))?;
                let time = first.time_s.to_vec();
                let wheels = Wheel::ALL.map(|w| get(Channel::WheelSpeed(w)).map(|v| v.on(&time)));
                let speed = (0..time.len())
                    .map(|i| {
                        let mut v: Vec<f64> = wheels.iter().flatten().map(|w| w[i]).collect();
                        if v.len() < 4 || v.iter().any(|x| x.is_nan()) {
                            return f64::NAN;
                        }
                        v.sort_by(f64::total_cmp);
                        f64::midpoint(v[1], v[2])
                    })
                    .collect();
                Some((time, vec![speed]))
            }
            Self::PositionFromGlobe => {
                let (lat, lon) = (get(Channel::Latitude)?, get(Channel::Longitude)?);
                let rows: Vec<usize> = fresh_rows(lat.values, lon.values)
                    .into_iter()
                    .filter(|&i| (lat.values[i] + lon.values[i]).is_finite())
                    .collect();
                let &first = rows.first()?;
                let plane = LocalPlane::at(lat.values[first], lon.values[first]);
                let (x, y) = rows.iter().map(|&i| plane.xy_m(lat.values[i], lon.values[i])).unzip();
                Some((rows.iter().map(|&i| lat.time_s[i]).collect(), vec![x, y]))
            }
            Self::SpeedFromPositions => {
                let path = Path::of(samples)?;
                let speed = pairs(&path.dx, &path.dy, f64::hypot);
                Some((path.time_s, vec![speed]))
            }
            Self::HeadingFromPositions => {
                let path = Path::of(samples)?;
                let mut last = f64::NAN;
                let heading = path
                    .dx
                    .iter()
                    .zip(&path.dy)
                    .map(|(dx, dy)| {
                        if dx.hypot(*dy) > SLOW_MPS {
                            last = dy.atan2(*dx);
                        }
                        // A gap stays a gap.
                        if dx.is_nan() { f64::NAN } else { last }
                    })
                    .collect();
                Some((path.time_s, vec![heading]))
            }
            Self::AccelYFromPath => {
                let path = Path::of(samples)?;
                let speed = get(Channel::Speed)?.on(&path.time_s);
                let rate = path.turning();
                Some((path.time_s, vec![pairs(&rate, &speed, |r, v| r * v)]))
            }
            Self::YawRateFromPositions => {
                let path = Path::of(samples)?;
                let rate = path.turning();
                Some((path.time_s, vec![rate]))
            }
            Self::YawRateFromHeading => {
                let v = get(Channel::Heading)?;
                Some((v.time_s.to_vec(), vec![slope(v.time_s, &unwrapped(v.values))]))
            }
            Self::AccelYFromYawRate => {
                let (r, v) = (get(Channel::YawRate)?, get(Channel::Speed)?);
                let v = v.on(r.time_s);
                Some((r.time_s.to_vec(), vec![pairs(r.values, &v, |r, v| r * v)]))
            }
            Self::AccelXFromSpeed => {
                let v = get(Channel::Speed)?;
                Some((v.time_s.to_vec(), vec![slope(v.time_s, v.values)]))
            }
            Self::DistanceFromSpeed => {
                let v = get(Channel::Speed)?;
                Some((v.time_s.to_vec(), vec![integral(v.time_s, v.values)]))
            }
            Self::PositionFromMotion => {
                let (v, r) = (get(Channel::Speed)?, get(Channel::YawRate)?);
                let (x, y) = positions(v.time_s, v.values, &r.on(v.time_s));
                Some((v.time_s.to_vec(), vec![x, y]))
            }
        }
    }
}

/// A channel that was added.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Derivation {
    /// The rule.
    pub rule: Rule,
    /// What was added.
    pub channels: Vec<Channel>,
    /// What it was computed from.
    pub from: Vec<Channel>,
    /// How, for reading.
    pub sentence: String,
}

/// Adds every channel that is missing and follows from others; see [`Rule`] for each way. Returns what was added, in
/// the order in which it was computed: later ones may rest on earlier ones.
pub fn fill(samples: &mut Samples) -> Vec<Derivation> {
    let mut added = Vec::new();
    for rule in Rule::ALL {
        if !rule.applies(samples) {
            continue;
        }
        let Some((time_s, values)) = rule.compute(samples) else { continue };
        let usable = values.iter().all(|v| v.iter().any(|x| x.is_finite()));
        if !usable || time_s.len() < 2 {
            continue;
        }
        let existing = samples.clocks().find(|(_, t)| *t == time_s.as_slice()).map(|(id, _)| id);
        let Some(clock) = existing.or_else(|| samples.add_clock(time_s).ok()) else { continue };
        let inserted = rule
            .gives()
            .iter()
            .zip(values)
            .all(|(&channel, values)| samples.insert(channel, clock, values, Origin::Derived).is_ok());
        if inserted {
            added.push(Derivation {
                rule,
                channels: rule.gives().to_vec(),
                from: rule.needs().to_vec(),
                sentence: rule.text().to_owned(),
            });
        }
    }
    added
}

/// The channels that [`fill`] could add to a recording that has these.
#[must_use]
pub fn derivable(logged: &BTreeSet<Channel>) -> BTreeSet<Channel> {
    let mut all = logged.clone();
    for rule in Rule::ALL {
        if rule.needs().iter().all(|c| all.contains(c)) {
            all.extend(rule.gives());
        }
    }
    all.difference(logged).copied().collect()
}

/// Positions \[m\] from speed \[m/s\] and yaw rate \[rad/s\] at n increasing times \[s\], from the origin along x.
///
/// Each step is the chord of an arc: heading by the trapezoidal rule, and the way at the mean heading of the step. Missing
/// values are read as no motion, so that a drive goes on behind them; the drift is the caller's to close.
#[must_use]
pub fn positions(time_s: &[f64], speed_mps: &[f64], yaw_rate_radps: &[f64]) -> (Vec<f64>, Vec<f64>) {
    let (mut x, mut y, mut heading) = (0.0, 0.0, 0.0);
    let n = time_s.len().min(speed_mps.len()).min(yaw_rate_radps.len());
    let known = |v: f64| if v.is_finite() { v } else { 0.0 };
    (0..n)
        .map(|i| {
            if i > 0 {
                let step_s = time_s[i] - time_s[i - 1];
                let turn = step_s * f64::midpoint(known(yaw_rate_radps[i - 1]), known(yaw_rate_radps[i]));
                let way = step_s * f64::midpoint(known(speed_mps[i - 1]), known(speed_mps[i]));
                // Chord of the arc, from its middle direction.
                let half = turn / 2.0;
                let chord = if half.abs() < 1e-6 { way } else { way * half.sin() / half };
                x += chord * (heading + half).cos();
                y += chord * (heading + half).sin();
                heading += turn;
            }
            (x, y)
        })
        .unzip()
}

/// Rows with a new position.
fn path_rows(samples: &Samples) -> Vec<usize> {
    match (samples.get(Channel::X), samples.get(Channel::Y)) {
        (Some(x), Some(y)) => fresh_rows(x.values, y.values),
        _ => Vec::new(),
    }
}

/// Slopes of a path on the clock of its positions.
struct Path {
    time_s: Vec<f64>,
    dx: Vec<f64>,
    dy: Vec<f64>,
}

impl Path {
    fn of(samples: &Samples) -> Option<Self> {
        let (x, y) = (samples.get(Channel::X)?, samples.get(Channel::Y)?);
        let rows: Vec<usize> = fresh_rows(x.values, y.values)
            .into_iter()
            .filter(|&i| (x.values[i] + y.values[i]).is_finite())
            .collect();
        // Held positions move in jumps: their slope is that of the fixes. At rest all rows are the same, and stay.
        let held = rows.len() * 5 < x.values.len() * 3;
        let take = |v: &[f64]| rows.iter().map(|&i| v[i]).collect::<Vec<f64>>();
        let (time_s, xs, ys) = if held {
            (take(x.time_s), take(x.values), take(y.values))
        } else {
            (x.time_s.to_vec(), x.values.to_vec(), y.values.to_vec())
        };
        let (dx, dy) = (slope(&time_s, &xs), slope(&time_s, &ys));
        Some(Self { time_s, dx, dy })
    }

    /// Turning of the path \[rad/s\]; zero at rest.
    fn turning(&self) -> Vec<f64> {
        let course =
            pairs(&self.dy, &self.dx, |dy, dx| if dx.hypot(dy) > SLOW_MPS { dy.atan2(dx) } else { f64::NAN });
        let rate = slope(&self.time_s, &unwrapped(&course));
        let speed = pairs(&self.dx, &self.dy, f64::hypot);
        pairs(&rate, &speed, |r, v| if v < SLOW_MPS { 0.0 } else { r })
    }
}

fn pairs(a: &[f64], b: &[f64], f: impl Fn(f64, f64) -> f64) -> Vec<f64> {
    a.iter().zip(b).map(|(&a, &b)| f(a, b)).collect()
}

/// Angles \[rad\] without jumps.
fn unwrapped(angle: &[f64]) -> Vec<f64> {
    let (mut turns, mut last) = (0.0, f64::NAN);
    angle
        .iter()
        .map(|&a| {
            if a.is_finite() {
                if last.is_finite() {
                    turns -= ((a - last) / (2.0 * PI)).round() * 2.0 * PI;
                }
                last = a;
            }
            a + turns
        })
        .collect()
}

/// Slope of the least-squares line through the samples within [`HALF_WINDOW_S`], at least one on either side where
/// there is one; NaN where there is none within [`GAP_S`].
fn slope(time_s: &[f64], values: &[f64]) -> Vec<f64> {
    let n = time_s.len();
    let (mut from, mut to) = (0, 0);
    (0..n)
        .map(|i| {
            let t = time_s[i];
            // Stamps carry a rounding: half a microsecond more is the same window.
            while time_s[from] < t - HALF_WINDOW_S - 5e-7 {
                from += 1;
            }
            to = to.max(i);
            while to + 1 < n && time_s[to + 1] <= t + HALF_WINDOW_S + 5e-7 {
                to += 1;
            }
            let near = |j: usize| (time_s[j] - t).abs() < GAP_S;
            let first = if from == i && i > 0 && near(i - 1) { i - 1 } else { from };
            let last = if to == i && i + 1 < n && near(i + 1) { i + 1 } else { to };
            line_slope(&time_s[first..=last], &values[first..=last], t)
        })
        .collect()
}

fn line_slope(time_s: &[f64], values: &[f64], at_s: f64) -> f64 {
    let n = time_s.len() as f64;
    let t = |j: usize| time_s[j] - at_s;
    let mean_t = (0..time_s.len()).map(t).sum::<f64>() / n;
    let mean_v = values.iter().sum::<f64>() / n;
    let (mut up, mut down) = (0.0, 0.0);
    for (j, v) in values.iter().enumerate() {
        up += (t(j) - mean_t) * (v - mean_v);
        down += (t(j) - mean_t).powi(2);
    }
    if down > 0.0 { up / down } else { f64::NAN }
}

/// Integral by the trapezoidal rule; steps next to a missing value add nothing.
fn integral(time_s: &[f64], values: &[f64]) -> Vec<f64> {
    let mut sum = 0.0;
    (0..time_s.len())
        .map(|i| {
            if i > 0 {
                let step = (time_s[i] - time_s[i - 1]) * f64::midpoint(values[i - 1], values[i]);
                sum += if step.is_finite() { step } else { 0.0 };
            }
            sum
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Closed form: constant speed and yaw rate are a circle of radius v / r, however coarse the steps.
    #[test]
    fn a_circle_closes() {
        let (v, r) = (20.0, 0.4);
        let turn_s = 2.0 * PI / r;
        for n in [9, 100, 1001] {
            let time: Vec<f64> = (0..n).map(|i| turn_s * i as f64 / (n - 1) as f64).collect();
            let (x, y) = positions(&time, &vec![v; n], &vec![r; n]);
            for (x, y) in x.iter().zip(&y) {
                assert!((x.hypot(y - v / r) - v / r).abs() < 1e-9, "{x} {y}");
            }
            assert!(x[n - 1].hypot(y[n - 1]) < 1e-9);
        }
    }

    #[test]
    fn slopes_of_a_line_are_exact_at_any_rate_and_at_the_ends() {
        for time in [vec![0.0, 0.01, 0.03, 0.035, 0.05, 0.2], vec![0.0, 0.3, 0.6, 0.9]] {
            let values: Vec<f64> = time.iter().map(|t| 3.0 - 7.0 * t).collect();
            assert!(slope(&time, &values).iter().all(|s| (s + 7.0).abs() < 1e-9));
        }
        // Nothing is made across a gap.
        let s = slope(&[0.0, 5.0, 5.02], &[0.0, 1.0, 1.0]);
        assert!(s[0].is_nan() && s[1].abs() < 1e-12);
    }

    #[test]
    fn angles_go_on_where_they_wrap() {
        let turning: Vec<f64> = (0..100).map(|i| 0.3 * f64::from(i)).collect();
        let wrapped: Vec<f64> = turning.iter().map(|a| (a + PI).rem_euclid(2.0 * PI) - PI).collect();
        for (a, b) in unwrapped(&wrapped).iter().zip(&turning) {
            assert!((a - b).abs() < 1e-9);
        }
    }
}
