//! The comparisons: which two quantities must agree, how well, and what they would show if one of them were wrong.

use super::signal::{self, By, CHORD, HALF, Match, across, matched, mean, slope, turning, zip};
use super::{Comparison, Evidence};
use crate::geodesy::LocalPlane;
use channels::{Channel, Samples, Wheel};
use std::f64::consts::{FRAC_PI_2, PI};

/// What may be wrong: a channel, or something that several channels share.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Node {
    One(Channel),
    /// Unit of the positions.
    Position,
    /// Handedness of the positions: x or y is counted the other way.
    Mirror,
    /// All four wheel speeds at once.
    Wheels,
    /// Left and right, for the car as a whole.
    Sides,
}

/// Two quantities held against one another.
#[derive(Debug, Clone)]
pub(super) struct Observation {
    pub(super) comparison: Comparison,
    /// The channel that is judged.
    pub(super) tested: Channel,
    /// Channels that the other side is computed from.
    pub(super) reference: Vec<Channel>,
    pub(super) evidence: Evidence,
    /// Least and greatest tested / reference that nature allows.
    pub(super) allowed: (f64, f64),
    /// Least and greatest lag that nature allows \[s\].
    pub(super) allowed_lag_s: (f64, f64),
    /// Factors that the slope is proportional to: what is wrong by f changes it by f to this power.
    pub(super) terms: Vec<(Node, i32)>,
    /// What a delay of the node adds to the lag.
    pub(super) delays: Vec<(Node, f64)>,
    /// How well the sign, the scale and the lag are known.
    pub(super) sign_clear: bool,
    pub(super) scale_clear: bool,
    pub(super) lag_clear: bool,
    /// The reference moves enough that a sound channel had to follow it.
    pub(super) must_follow: bool,
}

/// Least correlation for a sign, a scale and a lag to be believed. Measured on the recordings of the tests, where sound
/// channels reach 0.9 and more and a useless one stays below.
const SIGN: f64 = 0.5;
const SCALE: f64 = 0.9;
const LAG: f64 = 0.8;

/// Correlation that taking out a lag must gain: less is the width of the peak, not a delay.
const LAG_GAIN: f64 = 0.002;

/// Series of one sign agree in scale when they differ by less than this share. Common practice, no source.
pub(super) const LEVEL_MISFIT: f64 = 0.3;

/// Slowest driving from which directions and curvatures are taken \[m/s\]. Common practice, no source.
const MOVING_MPS: f64 = 3.0;
const BRISK_MPS: f64 = 6.0;

/// Series that several comparisons need.
pub(super) struct Drive<'a> {
    samples: &'a Samples,
    grid: Vec<f64>,
    pub(super) path: Option<Path>,
    speed: Option<(Channel, Vec<f64>)>,
    yaw_rate: Option<Vec<f64>>,
}

/// What the positions say.
pub(super) struct Path {
    /// Positions come from latitude and longitude.
    globe: bool,
    /// Speed along the chord \[m/s\].
    speed: Vec<f64>,
    /// Direction of travel \[rad\], NaN when slow.
    pub(super) course: Vec<f64>,
    /// Its rate \[rad/s\].
    turning: Vec<f64>,
    /// Half the chord, in steps.
    chord: usize,
}

/// Half the chord for satellite fixes, which are coarse and noisy to a decimetre: 0.96 s in all.
const GLOBE_CHORD: usize = 12;

/// Rows at which a pair of channels brings something new, and the share of the rows that are.
pub(crate) fn fresh(a: &[f64], b: &[f64]) -> Vec<usize> {
    let n = a.len().min(b.len());
    (0..n).filter(|&i| i == 0 || a[i] != a[i - 1] || b[i] != b[i - 1]).collect()
}

/// Positions \[m\] with their time stamps.
struct Fixes {
    globe: bool,
    time_s: Vec<f64>,
    x: Vec<f64>,
    y: Vec<f64>,
}

/// The positions of a recording, repeats of held values left out.
fn positions(samples: &Samples) -> Option<Fixes> {
    let pair = |a, b| {
        let same = samples.clock_of(a)? == samples.clock_of(b)?;
        if same { Some((samples.get(a)?, samples.get(b)?)) } else { None }
    };
    let (globe, a, b) = match pair(Channel::X, Channel::Y) {
        Some((x, y)) => (false, x, y),
        None => {
            let (lat, lon) = pair(Channel::Latitude, Channel::Longitude)?;
            (true, lon, lat)
        }
    };
    let rows: Vec<usize> =
        fresh(a.values, b.values).into_iter().filter(|&i| (a.values[i] + b.values[i]).is_finite()).collect();
    let take = |v: &[f64]| rows.iter().map(|&i| v[i]).collect::<Vec<f64>>();
    let (time_s, mut x, mut y) = (take(a.time_s), take(a.values), take(b.values));
    if globe {
        let plane = LocalPlane::at(*y.first()?, *x.first()?);
        for (x, y) in x.iter_mut().zip(&mut y) {
            (*x, *y) = plane.xy_m(*y, *x);
        }
    }
    Some(Fixes { globe, time_s, x, y })
}

/// A straight line between fixes is not drawn over a longer pause \[s\].
const FIX_GAP_S: f64 = 1.5;

fn along(time: &[f64], values: &[f64], grid: &[f64]) -> Vec<f64> {
    let mut after = 0;
    grid.iter()
        .map(|&t| {
            while after < time.len() && time[after] < t {
                after += 1;
            }
            if after == 0 || after >= time.len() || time[after] - time[after - 1] > FIX_GAP_S {
                return f64::NAN;
            }
            let share = (t - time[after - 1]) / (time[after] - time[after - 1]);
            values[after - 1] + share * (values[after] - values[after - 1])
        })
        .collect()
}

impl<'a> Drive<'a> {
    pub(super) fn of(samples: &'a Samples) -> Self {
        let grid = signal::grid(samples);
        let series = |c| samples.get(c).map(|v| signal::on(v, &grid));
        let logged_speed =
            [Channel::Speed, Channel::VelocityX].into_iter().find_map(|c| series(c).map(|v| (c, v)));
        let path = positions(samples).map(|Fixes { globe, time_s, x, y }| {
            let (x, y) = (along(&time_s, &x, &grid), along(&time_s, &y, &grid));
            let chord = if globe { GLOBE_CHORD } else { CHORD };
            let length_s = 2.0 * chord as f64 * signal::STEP_S;
            let (dx, dy) = (across(&x, chord, |a, b| b - a), across(&y, chord, |a, b| b - a));
            let speed = zip(&dx, &dy, |dx, dy| dx.hypot(dy) / length_s);
            // The logged speed says whether the car moves: positions in kilometres seem to stand still.
            let logged = logged_speed.as_ref().map_or(&speed, |(_, v)| v);
            let course = moving(&zip(&dy, &dx, f64::atan2), logged, MOVING_MPS);
            let turning = turning(&course, HALF);
            Path { globe, speed, course, turning, chord }
        });
        let yaw_rate = series(Channel::YawRate);
        Self { samples, grid, path, speed: logged_speed, yaw_rate }
    }

    fn series(&self, channel: Channel) -> Option<Vec<f64>> {
        self.samples.get(channel).map(|v| signal::on(v, &self.grid))
    }

    pub(super) fn heading(&self) -> Option<Vec<f64>> {
        self.series(Channel::Heading)
    }

    /// Every comparison that the channels allow.
    pub(super) fn observations(&self) -> Vec<Observation> {
        let mut all = Vec::new();
        all.extend(self.speeds());
        all.extend(self.accelerations());
        all.extend(self.turns());
        all.extend(self.steering());
        all.extend(self.brakes());
        all.extend(self.distances());
        all.extend(self.wheels());
        all
    }

    /// Channels of the path.
    pub(super) fn position_channels(&self) -> Vec<Channel> {
        match &self.path {
            Some(p) if p.globe => vec![Channel::Latitude, Channel::Longitude],
            _ => vec![Channel::X, Channel::Y],
        }
    }

    /// Handedness of the globe is not in doubt.
    fn mirror(&self) -> Vec<(Node, i32)> {
        match &self.path {
            Some(p) if !p.globe => vec![(Node::Mirror, 1)],
            _ => Vec::new(),
        }
    }

    fn speeds(&self) -> Vec<Observation> {
        let mut all = Vec::new();
        if let (Some(path), Some((channel, speed))) = (&self.path, &self.speed) {
            let m = matched(&mean(speed, path.chord), &moving(&path.speed, speed, 1.0), By::Level);
            let mut terms = vec![(Node::One(*channel), 1)];
            terms.extend((!path.globe).then_some((Node::Position, -1)));
            all.extend(m.map(|m| {
                observe(Comparison::SpeedAndPath, *channel, &self.position_channels(), m)
                    .scale(terms, (0.85, 1.18))
                    .lag((-0.15, 0.15), vec![(Node::One(*channel), 1.0), (Node::Position, -1.0)])
                    .level()
            }));
        }
        if let (Some((Channel::Speed, speed)), Some(forward)) = (&self.speed, self.series(Channel::VelocityX))
        {
            let m = matched(&forward, &moving(speed, speed, 1.0), By::Level);
            all.extend(m.map(|m| {
                let (tested, speed) = (Node::One(Channel::VelocityX), Node::One(Channel::Speed));
                observe(Comparison::ForwardVelocityAndSpeed, Channel::VelocityX, &[Channel::Speed], m)
                    .scale(vec![(tested, 1), (speed, -1)], (0.85, 1.1))
                    .lag((-0.15, 0.15), vec![(tested, 1.0), (speed, -1.0)])
                    .level()
            }));
        }
        all
    }

    fn accelerations(&self) -> Vec<Observation> {
        let mut all = Vec::new();
        let Some((channel, speed)) = &self.speed else { return all };
        if let Some(accel) = self.series(Channel::AccelX) {
            all.extend(matched(&mean(&accel, HALF), &slope(speed, HALF), By::Spread).map(|m| {
                let (tested, speed) = (Node::One(Channel::AccelX), Node::One(*channel));
                observe(Comparison::AccelXAndSpeed, Channel::AccelX, &[*channel], m)
                    .scale(vec![(tested, 1), (speed, -1)], (0.65, 1.5))
                    .lag((-0.2, 0.2), vec![(tested, 1.0), (speed, -1.0)])
                    .follows(0.5)
            }));
        }
        if let (Some(accel), Some(yaw)) = (self.series(Channel::AccelY), &self.yaw_rate) {
            let reference = mean(&moving(&zip(yaw, speed, |r, v| r * v), speed, MOVING_MPS), HALF);
            all.extend(matched(&mean(&accel, HALF), &reference, By::Spread).map(|m| {
                let (tested, yaw) = (Node::One(Channel::AccelY), Node::One(Channel::YawRate));
                observe(Comparison::AccelYAndYawRate, Channel::AccelY, &[Channel::YawRate, *channel], m)
                    .scale(vec![(tested, 1), (yaw, -1), (Node::One(*channel), -1)], (0.7, 1.4))
                    .lag((-0.2, 0.2), vec![(tested, 1.0), (yaw, -1.0)])
                    .follows(0.8)
            }));
        }
        if let (Some(accel), Some(path)) = (self.series(Channel::AccelY), &self.path) {
            let reference = zip(&path.turning, &path.speed, |r, v| r * v);
            all.extend(matched(&mean(&mean(&accel, HALF), path.chord), &reference, By::Spread).map(|m| {
                let tested = Node::One(Channel::AccelY);
                let mut terms = vec![(tested, 1)];
                terms.extend(self.mirror());
                terms.extend((!path.globe).then_some((Node::Position, -1)));
                observe(Comparison::AccelYAndPath, Channel::AccelY, &self.position_channels(), m)
                    .scale(terms, (0.65, 1.5))
                    .lag((-0.2, 0.2), vec![(tested, 1.0), (Node::Position, -1.0)])
                    .follows(0.8)
            }));
        }
        all
    }

    fn turns(&self) -> Vec<Observation> {
        let mut all = Vec::new();
        // At rest a heading wanders.
        let standing = self.speed.as_ref().map(|(_, speed)| speed).or(self.path.as_ref().map(|p| &p.speed));
        let heading_rate = self.heading().map(|h| turning(&h, HALF));
        let heading_rate = match (heading_rate, standing) {
            (Some(rate), Some(speed)) => Some(moving(&rate, speed, MOVING_MPS)),
            (rate, _) => rate,
        };
        let (yaw_node, heading_node) = (Node::One(Channel::YawRate), Node::One(Channel::Heading));
        if let (Some(yaw), Some(path)) = (&self.yaw_rate, &self.path) {
            all.extend(matched(&mean(&mean(yaw, HALF), path.chord), &path.turning, By::Spread).map(|m| {
                let mut terms = vec![(yaw_node, 1)];
                terms.extend(self.mirror());
                observe(Comparison::YawRateAndPath, Channel::YawRate, &self.position_channels(), m)
                    .scale(terms, (0.75, 1.33))
                    .lag((-0.15, 0.15), vec![(yaw_node, 1.0), (Node::Position, -1.0)])
                    .follows(0.05)
            }));
        }
        if let (Some(yaw), Some(rate)) = (&self.yaw_rate, &heading_rate) {
            all.extend(matched(&mean(yaw, HALF), rate, By::Spread).map(|m| {
                observe(Comparison::YawRateAndHeading, Channel::YawRate, &[Channel::Heading], m)
                    .scale(vec![(yaw_node, 1), (heading_node, -1)], (0.75, 1.33))
                    .lag((-0.15, 0.15), vec![(yaw_node, 1.0), (heading_node, -1.0)])
                    .follows(0.05)
            }));
        }
        if let (Some(rate), Some(path)) = (&heading_rate, &self.path) {
            all.extend(matched(&mean(rate, path.chord), &path.turning, By::Spread).map(|m| {
                let mut terms = vec![(heading_node, 1)];
                terms.extend(self.mirror());
                observe(Comparison::HeadingAndPath, Channel::Heading, &self.position_channels(), m)
                    .scale(terms, (0.75, 1.33))
                    .lag((-0.15, 0.15), vec![(heading_node, 1.0), (Node::Position, -1.0)])
                    .follows(0.05)
            }));
        }
        all
    }

    fn steering(&self) -> Vec<Observation> {
        let mut all = Vec::new();
        // Steer angle over curvature: the wheelbase at the road wheels, times the ratio at the steering wheel. A car that
        // slides shows less of it. Common practice, no source.
        for (channel, allowed) in
            [(Channel::SteeringWheelAngle, (6.0, 160.0)), (Channel::RoadWheelAngle, (1.2, 7.0))]
        {
            let Some(angle) = self.series(channel) else { continue };
            let node = Node::One(channel);
            if let (Some(yaw), Some((speed_channel, speed))) = (&self.yaw_rate, &self.speed) {
                let curvature = moving(&zip(yaw, speed, |r, v| r / v), speed, BRISK_MPS);
                all.extend(matched(&mean(&angle, HALF), &mean(&curvature, HALF), By::Spread).map(|m| {
                    let (yaw, speed) = (Node::One(Channel::YawRate), Node::One(*speed_channel));
                    observe(Comparison::SteeringAndYawRate, channel, &[Channel::YawRate, *speed_channel], m)
                        .scale(vec![(node, 1), (yaw, -1), (speed, 1)], allowed)
                        .lag((-0.4, 0.12), vec![(node, 1.0), (yaw, -1.0)])
                }));
            }
            if let Some(path) = &self.path {
                let logged = self.speed.as_ref().map_or(&path.speed, |(_, v)| v);
                let curvature = moving(&zip(&path.turning, &path.speed, |r, v| r / v), logged, BRISK_MPS);
                all.extend(matched(&mean(&mean(&angle, HALF), path.chord), &curvature, By::Spread).map(
                    |m| {
                        let mut terms = vec![(node, 1)];
                        terms.extend(self.mirror());
                        terms.extend((!path.globe).then_some((Node::Position, 1)));
                        observe(Comparison::SteeringAndPath, channel, &self.position_channels(), m)
                            .scale(terms, allowed)
                            .lag((-0.4, 0.12), vec![(node, 1.0), (Node::Position, -1.0)])
                    },
                ));
            }
        }
        all
    }

    fn brakes(&self) -> Vec<Observation> {
        let mut all = Vec::new();
        let brakes = [Channel::Brake, Channel::BrakePressureFront];
        let Some((channel, brake)) = brakes.into_iter().find_map(|c| Some((c, self.series(c)?))) else {
            return all;
        };
        let (tested, brake) = (Node::One(channel), mean(&brake, HALF));
        let any = (1e-12, f64::INFINITY);
        let slowing = |v: &[f64]| v.iter().map(|a| -a).collect::<Vec<f64>>();
        if let Some((speed_channel, speed)) = &self.speed {
            let reference = moving(&slowing(&slope(speed, HALF)), speed, MOVING_MPS);
            all.extend(matched(&brake, &reference, By::Spread).map(|m| {
                observe(Comparison::BrakeAndSpeed, channel, &[*speed_channel], m)
                    .scale(vec![(tested, 1), (Node::One(*speed_channel), -1)], any)
            }));
        }
        if let Some(accel) = self.series(Channel::AccelX) {
            all.extend(matched(&brake, &slowing(&mean(&accel, HALF)), By::Spread).map(|m| {
                observe(Comparison::BrakeAndAccelX, channel, &[Channel::AccelX], m)
                    .scale(vec![(tested, 1), (Node::One(Channel::AccelX), -1)], any)
            }));
        }
        all
    }

    fn distances(&self) -> Vec<Observation> {
        let Some((speed_channel, speed)) = &self.speed else { return Vec::new() };
        // A lap is shorter or longer than the centre line by its line; the distance driven is not.
        [
            (Channel::LapDistance, Comparison::LapDistanceAndSpeed, (0.85, 1.18)),
            (Channel::Distance, Comparison::DistanceAndSpeed, (0.9, 1.11)),
        ]
        .into_iter()
        .filter_map(|(channel, comparison, allowed)| {
            let rate = slope(&self.series(channel)?, HALF);
            // The fall at the line is no motion: it is far faster than the car ever is, whatever the unit.
            let mut sizes: Vec<f64> = rate.iter().map(|r| r.abs()).filter(|r| r.is_finite()).collect();
            let middle = sizes.len() / 2;
            let usual =
                if sizes.is_empty() { 0.0 } else { *sizes.select_nth_unstable_by(middle, f64::total_cmp).1 };
            let rate: Vec<f64> =
                rate.into_iter().map(|r| if r < -5.0 * usual { f64::NAN } else { r }).collect();
            let m = matched(&rate, &mean(&moving(speed, speed, 1.0), HALF), By::Level)?;
            let (tested, speed) = (Node::One(channel), Node::One(*speed_channel));
            Some(
                observe(comparison, channel, &[*speed_channel], m)
                    .scale(vec![(tested, 1), (speed, -1)], allowed)
                    .lag((-0.2, 0.2), vec![(tested, 1.0), (speed, -1.0)])
                    .level(),
            )
        })
        .collect()
    }

    fn wheels(&self) -> Vec<Observation> {
        let mut all = Vec::new();
        let wheels: Vec<(Wheel, Vec<f64>)> =
            Wheel::ALL.into_iter().filter_map(|w| Some((w, self.series(Channel::WheelSpeed(w))?))).collect();
        if let Some((speed_channel, speed)) = &self.speed {
            let reference = moving(speed, speed, MOVING_MPS);
            for (wheel, rotation) in &wheels {
                let channel = Channel::WheelSpeed(*wheel);
                all.extend(matched(rotation, &reference, By::Level).map(|m| {
                    let (tested, speed) = (Node::One(channel), Node::One(*speed_channel));
                    observe(Comparison::WheelSpeedAndSpeed, channel, &[*speed_channel], m)
                        .scale(vec![(tested, 1), (Node::Wheels, 1), (speed, -1)], (0.9, 1.11))
                        .lag((-0.2, 0.2), vec![(tested, 1.0), (speed, -1.0)])
                        .level()
                }));
            }
        }
        let side = |a: Wheel, b: Wheel| {
            let get = |w| wheels.iter().find(|(x, _)| *x == w).map(|(_, v)| v);
            Some(zip(get(b)?, get(a)?, |right, left| right - left))
        };
        // The front wheels are steered but not driven; the driven axle may be locked.
        if let (Some(difference), Some(yaw), Some((_, speed))) =
            (side(Wheel::Fl, Wheel::Fr).or_else(|| side(Wheel::Rl, Wheel::Rr)), &self.yaw_rate, &self.speed)
        {
            let reference = mean(&moving(yaw, speed, MOVING_MPS), HALF);
            all.extend(matched(&mean(&difference, HALF), &reference, By::Spread).map(|m| {
                let wheel = Channel::WheelSpeed(Wheel::Fl);
                observe(Comparison::OuterWheels, Channel::YawRate, &[wheel, wheel.on(Wheel::Fr)], m)
                    .scale(vec![(Node::Sides, 1), (Node::One(Channel::YawRate), -1)], (0.0, f64::INFINITY))
                    .sign_only()
            }));
        }
        all
    }
}

/// Only where the car is faster than `least` \[m/s\].
fn moving(values: &[f64], speed: &[f64], least: f64) -> Vec<f64> {
    zip(values, speed, |x, v| if v.abs() > least { x } else { f64::NAN })
}

fn observe(comparison: Comparison, tested: Channel, reference: &[Channel], m: Match) -> Observation {
    let size = m.correlation.abs();
    Observation {
        comparison,
        tested,
        reference: reference.to_vec(),
        evidence: Evidence {
            slope: m.slope,
            correlation: m.correlation,
            correlation_in_place: m.in_place,
            lag_s: m.lag_s,
            misfit: m.misfit,
            spread: m.spread,
            seconds: m.seconds,
        },
        allowed: (0.0, f64::INFINITY),
        allowed_lag_s: (f64::NEG_INFINITY, f64::INFINITY),
        terms: Vec::new(),
        delays: Vec::new(),
        sign_clear: size > SIGN,
        scale_clear: size > SCALE,
        lag_clear: false,
        must_follow: false,
    }
}

impl Observation {
    fn scale(mut self, terms: Vec<(Node, i32)>, allowed: (f64, f64)) -> Self {
        (self.terms, self.allowed) = (terms, allowed);
        self
    }

    fn lag(mut self, allowed_s: (f64, f64), delays: Vec<(Node, f64)>) -> Self {
        let e = &self.evidence;
        self.lag_clear = e.correlation.abs() > LAG
            && e.correlation.abs() - e.correlation_in_place.abs() > LAG_GAIN
            || e.correlation.abs() > LAG && e.lag_s.abs() < 0.1;
        (self.allowed_lag_s, self.delays) = (allowed_s, delays);
        self
    }

    /// Both are of one sign: even without any change of speed their ratio is known.
    fn level(mut self) -> Self {
        let clear = self.evidence.misfit < LEVEL_MISFIT;
        self.sign_clear = clear;
        self.scale_clear = clear;
        self
    }

    fn sign_only(mut self) -> Self {
        self.scale_clear = false;
        self
    }

    /// A sound channel must follow a reference that moves by so much.
    fn follows(mut self, spread: f64) -> Self {
        self.must_follow = self.evidence.spread > spread;
        self
    }
}

/// How the heading stands to the course: both turn the same way, or against one another; the angle between them \[rad\],
/// and how steady it is (0 to 1).
pub(super) fn heading_offset(course: &[f64], heading: &[f64]) -> (bool, f64, f64) {
    let steady = |sign: f64| {
        let (mut n, mut c, mut s) = (0.0, 0.0, 0.0);
        for (a, h) in course.iter().zip(heading) {
            let d = a + sign * h;
            if d.is_finite() {
                n += 1.0;
                c += d.cos();
                s += d.sin();
            }
        }
        (c.hypot(s) / f64::max(n, 1.0), s.atan2(c))
    };
    let (same, against) = (steady(-1.0), steady(1.0));
    if same.0 >= against.0 { (true, same.1, same.0) } else { (false, against.1, against.0) }
}

/// The nearest multiple of a quarter turn, if the angle is within ten degrees of one: axes are a quarter turn apart, a
/// sensor that was put in askew is not.
pub(super) fn quarter_turn(angle: f64) -> Option<f64> {
    let quarter = (angle / FRAC_PI_2).round() * FRAC_PI_2;
    ((angle - quarter).abs() < PI / 18.0).then_some(quarter)
}
