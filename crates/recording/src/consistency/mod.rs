//! Physical cross-checks: what names and units cannot settle, motion can.
//!
//! A car that moves ties its channels together: speed is the slope of the position, acceleration the slope of the speed,
//! yaw rate times speed the lateral acceleration, the steered wheel turns the car, the brake slows it, the outer wheels go
//! further. [`check`] holds all pairs that a recording has against one another, finds which single channel would settle
//! what does not fit, and says so with its evidence and a [`Fix`]. Nothing is changed until [`apply`] is asked to.
//!
//! What it can find: axes that are counted the other way, a recording that is mirrored as a whole (by its outer wheels),
//! units taken for others, channels that run late, channels that follow nothing, positions that are held between fixes,
//! gravity in an acceleration, a sensor that is not level, a heading counted from another axis or the other way.
//!
//! What it cannot: a mirrored recording without wheel speeds, and who is right when only two channels disagree; then the
//! one that is more often wrong in practice is named, and the other as an alternative. It needs ten seconds of driving.

mod compare;
mod fix;
mod settle;
mod signal;

pub(crate) use compare::fresh as fresh_rows;
pub use fix::{Applied, FixError, apply};

use channels::{Channel, Dimension, STANDARD_GRAVITY_MPS2, Samples, Wheel};
use compare::{Drive, Node, Observation, fresh};
use serde::Serialize;
use settle::Change;
use std::f64::consts::PI;

/// Two quantities that must agree.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum Comparison {
    SpeedAndPath,
    ForwardVelocityAndSpeed,
    AccelXAndSpeed,
    AccelYAndYawRate,
    AccelYAndPath,
    YawRateAndPath,
    YawRateAndHeading,
    HeadingAndPath,
    HeadingAndCourse,
    SteeringAndYawRate,
    SteeringAndPath,
    BrakeAndSpeed,
    BrakeAndAccelX,
    LapDistanceAndSpeed,
    DistanceAndSpeed,
    WheelSpeedAndSpeed,
    OuterWheels,
    NewPositions,
    MeanAcceleration,
}

impl Comparison {
    /// What was compared, for reading.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Self::SpeedAndPath => "speed against the slope of the position",
            Self::ForwardVelocityAndSpeed => "forward velocity against speed",
            Self::AccelXAndSpeed => "integrated forward acceleration against speed",
            Self::AccelYAndYawRate => "lateral acceleration against yaw rate times speed",
            Self::AccelYAndPath => {
                "lateral acceleration against the curvature of the path times speed squared"
            }
            Self::YawRateAndPath => "yaw rate against the turning of the path",
            Self::YawRateAndHeading => "yaw rate against the slope of the heading",
            Self::HeadingAndPath => "slope of the heading against the turning of the path",
            Self::HeadingAndCourse => "heading against the direction of the path",
            Self::SteeringAndYawRate => "steering against yaw rate over speed",
            Self::SteeringAndPath => "steering against the curvature of the path",
            Self::BrakeAndSpeed => "brake against the loss of speed",
            Self::BrakeAndAccelX => "brake against deceleration",
            Self::LapDistanceAndSpeed => "distance along the lap against integrated speed",
            Self::DistanceAndSpeed => "distance driven against integrated speed",
            Self::WheelSpeedAndSpeed => "wheel speed against speed",
            Self::OuterWheels => "speed difference of right and left wheel against yaw rate",
            Self::NewPositions => "rows with a new position against all rows",
            Self::MeanAcceleration => "mean acceleration over the whole drive against zero",
        }
    }
}

/// The numbers behind a finding.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Evidence {
    /// Tested per reference, once the lag is taken out; 1 where both are the same quantity. For steering it is a length
    /// \[m\] (wheelbase times ratio), for the outer wheels the track width \[m\].
    pub slope: f64,
    /// Correlation once the lag is taken out, -1 to 1.
    pub correlation: f64,
    /// Correlation as they stand.
    pub correlation_in_place: f64,
    /// How far the tested channel runs behind the reference \[s\].
    pub lag_s: f64,
    /// Root mean square of what is left, over that of the reference.
    pub misfit: f64,
    /// Standard deviation of the reference \[its SI unit\].
    pub spread: f64,
    /// Driving that was compared \[s\].
    pub seconds: f64,
}

/// One comparison with its result.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Compared {
    /// What was compared.
    pub comparison: Comparison,
    /// The channel that was judged.
    pub tested: Channel,
    /// The channels that the other side comes from.
    pub reference: Vec<Channel>,
    /// The numbers.
    pub evidence: Evidence,
    /// Whether the numbers are clear enough to judge the sign.
    pub clear: bool,
}

/// What is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Kind {
    /// Counted the other way.
    Sign,
    /// Everything lateral is counted the other way, or left and right wheels are swapped.
    Mirrored,
    /// In another unit than it was read in.
    Unit,
    /// Runs late or early.
    Delay,
    /// Follows nothing that it should follow.
    Useless,
    /// Positions are held between fixes.
    Held,
    /// An acceleration holds a constant share of gravity: the sensor is not level, or gravity is part of it.
    Gravity,
    /// Counted from another axis.
    Offset,
    /// Two quantities disagree, and no single change settles it.
    Unsettled,
}

/// What would settle a contradiction.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Fix {
    /// The channel to change. For positions, the channel that is turned or scaled.
    pub channel: Channel,
    /// The change.
    pub change: FixKind,
}

/// A change to the values of a channel.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum FixKind {
    /// Times -1.
    Sign,
    /// 1 less the value: a pedal that counts from the floor up.
    Invert,
    /// Every lateral channel times -1.
    Mirror,
    /// Read in another unit: times the factor. `x` scales `y` and `z` with it.
    Unit {
        /// What the values are multiplied by.
        factor: f64,
        /// The unit that the column seems to be in.
        unit: &'static str,
        /// The unit that it was read in, or one that does the same.
        read_as: &'static str,
    },
    /// Added \[SI\].
    Offset {
        /// The summand.
        add: f64,
    },
    /// Taken so much earlier \[s\].
    Delay {
        /// How late the channel is.
        delay_s: f64,
    },
    /// Not used; derived from others where that can be done.
    LeaveOut,
}

impl Fix {
    /// Whether only signs are touched: what `--fix-signs` applies.
    #[must_use]
    pub fn is_sign(&self) -> bool {
        matches!(self.change, FixKind::Sign | FixKind::Invert | FixKind::Mirror)
    }
}

/// A contradiction, with its evidence and what would settle it.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Contradiction {
    /// What is wrong.
    pub kind: Kind,
    /// The channels that are blamed.
    pub channels: Vec<Channel>,
    /// Channels that could be to blame as well, as far as the recording tells.
    pub alternatives: Vec<Channel>,
    /// The comparisons that say so, the clearest first.
    pub compared: Vec<Compared>,
    /// The same for reading.
    pub sentence: String,
    /// What would settle it.
    pub fix: Option<Fix>,
}

/// What the cross-checks found.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Consistency {
    /// Every comparison that the recording allows.
    pub compared: Vec<Compared>,
    /// What does not fit.
    pub contradictions: Vec<Contradiction>,
}

impl Consistency {
    /// The fixes that only touch signs.
    #[must_use]
    pub fn sign_fixes(&self) -> Vec<Fix> {
        self.fixes().into_iter().filter(Fix::is_sign).collect()
    }

    /// Every fix.
    #[must_use]
    pub fn fixes(&self) -> Vec<Fix> {
        self.contradictions.iter().filter_map(|c| c.fix.clone()).collect()
    }
}

/// A lag as long as this is no transport of a message but a filter, and a filter cannot be shifted away \[s\]. Common
/// practice, no source.
const FILTERED_S: f64 = 0.8;

/// Best correlation that a channel must reach with what it has to follow. Common practice, no source.
const FOLLOWS: f64 = 0.6;

/// Holds all channels of a recording against one another.
#[must_use]
pub fn check(samples: &Samples) -> Consistency {
    let drive = Drive::of(samples);
    let positions = drive.position_channels();
    let mut observations = drive.observations();
    let compared = observations.iter().map(Compared::from).collect();
    let mut contradictions = useless(&mut observations);
    let factors = settle::factors(&observations, &|node| may_be_negative(node, samples));
    contradictions.extend(factors.iter().map(|c| blamed(c, &observations, &positions)));
    for i in settle::unsettled(&observations, &factors) {
        contradictions.push(open(&observations[i]));
    }
    let delays = settle::delays(&observations);
    contradictions.extend(delays.iter().map(|c| late(c, &observations, &positions)));
    contradictions.extend(heading(&drive, &factors));
    contradictions.extend(held(samples));
    // A constant part is judged once signs and units are settled.
    let mut settled = samples.clone();
    let fixes: Vec<Fix> = contradictions.iter().filter_map(|c| c.fix.clone()).collect();
    contradictions.extend(gravity(apply(&fixes, &mut settled).map_or(samples, |_| &settled)));
    Consistency { compared, contradictions }
}

/// Speeds, distances and positions that are positive are not counted the other way.
fn may_be_negative(node: Node, samples: &Samples) -> bool {
    let channel = match node {
        Node::One(c) if matches!(c.dimension(), Dimension::Speed | Dimension::Length) => c,
        Node::Wheels => Channel::WheelSpeed(Wheel::Fl),
        _ => return true,
    };
    let values = samples.get(channel).map_or(&[][..], |v| v.values);
    values.iter().filter(|v| v.is_finite()).sum::<f64>() < 0.0
}

impl From<&Observation> for Compared {
    fn from(o: &Observation) -> Self {
        Self {
            comparison: o.comparison,
            tested: o.tested,
            reference: o.reference.clone(),
            evidence: o.evidence,
            clear: o.sign_clear,
        }
    }
}

fn names(channels: &[Channel]) -> String {
    let names: Vec<String> = channels.iter().map(|c| c.name()).collect();
    match names.as_slice() {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

fn plural<'a>(channels: &[Channel], one: &'a str, more: &'a str) -> &'a str {
    if channels.len() > 1 { more } else { one }
}

/// Takes out channels that follow nothing, with all their comparisons.
fn useless(observations: &mut Vec<Observation>) -> Vec<Contradiction> {
    let lost = |o: &Observation| {
        let e = &o.evidence;
        o.must_follow && (e.correlation.abs() < FOLLOWS || e.lag_s > FILTERED_S)
    };
    let mut found: Vec<Contradiction> = Vec::new();
    let mut channels: Vec<Channel> = observations.iter().filter(|o| lost(o)).map(|o| o.tested).collect();
    channels.sort();
    channels.dedup();
    for channel in channels {
        let with = |o: &&Observation| o.tested == channel && o.must_follow;
        let sound = |o: &Observation| !lost(o) && o.scale_clear;
        // It is not useless when it agrees well with anything.
        if observations.iter().any(|o| sound(o) && (o.tested == channel || o.reference.contains(&channel))) {
            continue;
        }
        // And what it fails to follow must be confirmed by somebody else.
        let confirmed = observations.iter().filter(with).any(|o| {
            o.reference.iter().any(|r| {
                observations
                    .iter()
                    .any(|p| p.tested != channel && sound(p) && (p.tested == *r || p.reference.contains(r)))
            })
        });
        if !confirmed {
            continue;
        }
        let compared: Vec<Compared> = observations.iter().filter(with).map(Compared::from).collect();
        let Some(Compared { comparison, evidence: e, .. }) = compared.first() else { continue };
        let sentence = if e.lag_s > FILTERED_S && e.correlation.abs() >= FOLLOWS {
            format!(
                "{channel} is of no use: {} gives their best agreement only {:.2} s late (correlation {:.2}, {:.2} in place), so it is heavily filtered; leave it out and derive it from the others",
                comparison.text(),
                e.lag_s,
                e.correlation,
                e.correlation_in_place
            )
        } else {
            format!(
                "{channel} is of no use: {} gives a correlation of {:.2} at best ({:.2} in place) over {:.0} s of driving; leave it out and derive it from the others",
                comparison.text(),
                e.correlation,
                e.correlation_in_place,
                e.seconds
            )
        };
        found.push(Contradiction {
            kind: Kind::Useless,
            channels: vec![channel],
            alternatives: Vec::new(),
            compared,
            sentence,
            fix: Some(Fix { channel, change: FixKind::LeaveOut }),
        });
        observations.retain(|o| o.tested != channel && !o.reference.contains(&channel));
    }
    found
}

/// Channels of a node; `positions` are those of the path.
fn channels_of(node: Node, positions: &[Channel]) -> Vec<Channel> {
    match node {
        Node::One(c) => vec![c],
        Node::Position => positions.to_vec(),
        Node::Mirror => vec![Channel::Y],
        Node::Wheels => Wheel::ALL.map(Channel::WheelSpeed).to_vec(),
        Node::Sides => Channel::all().filter(|c| c.is_lateral()).collect(),
    }
}

/// The comparisons that a change settles, the clearest first.
fn settled(change: &Change, observations: &[Observation]) -> Vec<Compared> {
    let mut compared: Vec<Compared> =
        change.settles.iter().filter_map(|&i| observations.get(i)).map(Compared::from).collect();
    let size = |c: &Compared| c.evidence.correlation.abs();
    compared.sort_by(|a, b| size(b).total_cmp(&size(a)));
    compared
}

fn listed(compared: &[Compared]) -> String {
    let one = |c: &Compared| {
        format!(
            "{} (slope {:.3}, correlation {:.3})",
            c.comparison.text(),
            c.evidence.slope,
            c.evidence.correlation
        )
    };
    compared.iter().take(3).map(one).collect::<Vec<_>>().join("; ")
}

fn blamed(change: &Change, observations: &[Observation], positions: &[Channel]) -> Contradiction {
    let compared = settled(change, observations);
    let channels = channels_of(change.node, positions);
    let alternatives: Vec<Channel> =
        change.alternatives.iter().flat_map(|&n| channels_of(n, positions)).collect();
    let evidence = listed(&compared);
    let or = match alternatives.as_slice() {
        [] => String::new(),
        others => {
            format!(", unless {} {} wrong instead", names(others), plural(others, "is", "are"))
        }
    };
    let turned = if change.factor < 0.0 { " and counted the other way" } else { "" };
    let first = channels.first().copied().unwrap_or(Channel::Time);
    let (kind, fix, claim) = match (change.node, change.units) {
        (Node::Sides, _) => (
            Kind::Mirrored,
            FixKind::Mirror,
            "everything lateral is positive to the right, or the left and right wheels are swapped: the wheels on the inside of the turn go faster".to_owned(),
        ),
        (Node::Mirror, _) => (
            Kind::Sign,
            FixKind::Sign,
            "the path turns against the other channels: y (or x) is counted the other way".to_owned(),
        ),
        (Node::One(Channel::Brake), None) => {
            (Kind::Sign, FixKind::Invert, format!("{first} counts the other way: it is high when released"))
        }
        (_, None) => (Kind::Sign, FixKind::Sign, format!("{first} is counted the other way")),
        (_, Some((unit, read_as))) => (
            Kind::Unit,
            FixKind::Unit { factor: 1.0 / change.factor, unit, read_as },
            format!(
                "{} {} to be in {unit}, not in {read_as}{turned}",
                names(&channels),
                plural(&channels, "seems", "seem")
            ),
        ),
    };
    Contradiction {
        kind,
        sentence: format!("{claim}{or}. Evidence: {evidence}"),
        channels,
        alternatives,
        compared,
        fix: Some(Fix { channel: first, change: fix }),
    }
}

fn open(o: &Observation) -> Contradiction {
    let compared = Compared::from(o);
    let sentence = format!(
        "{} does not fit {}: {} and no single change of a sign or unit settles it",
        o.tested,
        names(&o.reference),
        listed(std::slice::from_ref(&compared)),
    );
    Contradiction {
        kind: Kind::Unsettled,
        channels: vec![o.tested],
        alternatives: o.reference.clone(),
        compared: vec![compared],
        sentence,
        fix: None,
    }
}

fn late(change: &Change, observations: &[Observation], positions: &[Channel]) -> Contradiction {
    let compared = settled(change, observations);
    let channels = channels_of(change.node, positions);
    let first = channels.first().copied().unwrap_or(Channel::Time);
    let alternatives: Vec<Channel> =
        change.alternatives.iter().flat_map(|&n| channels_of(n, positions)).collect();
    let or = match alternatives.as_slice() {
        [] => String::new(),
        others => format!(
            ", unless {} {} {} instead",
            names(others),
            plural(others, "runs", "run"),
            if change.delay_s > 0.0 { "early" } else { "late" }
        ),
    };
    let best = compared.first().map_or_else(String::new, |c| {
        format!(
            "{}: the correlation is {:.3} with the shift and {:.3} in place",
            c.comparison.text(),
            c.evidence.correlation,
            c.evidence.correlation_in_place
        )
    });
    Contradiction {
        kind: Kind::Delay,
        sentence: format!(
            "{} {} {} by {:.2} s{or}. Evidence: {best}",
            names(&channels),
            plural(&channels, "runs", "run"),
            if change.delay_s > 0.0 { "late" } else { "early" },
            change.delay_s.abs()
        ),
        channels,
        alternatives,
        compared,
        fix: Some(Fix { channel: first, change: FixKind::Delay { delay_s: change.delay_s } }),
    }
}

/// A heading that keeps an angle to the path, or runs against it. Least steadiness of that angle, 0 to 1.
const STEADY: f64 = 0.9;

fn heading(drive: &Drive<'_>, factors: &[Change]) -> Option<Contradiction> {
    let (path, heading) = (drive.path.as_ref()?, drive.heading()?);
    let (same, angle, steady) = compare::heading_offset(&path.course, &heading);
    let mirrored = factors.iter().any(|c| c.node == Node::Mirror);
    // Where it runs against the path, the sign of one of the two has been named already.
    let turn = compare::quarter_turn(angle)?;
    if steady < STEADY || turn == 0.0 || mirrored {
        return None;
    }
    let count = path.course.iter().filter(|c| c.is_finite()).count() as f64 * signal::STEP_S;
    let evidence = Evidence {
        slope: if same { 1.0 } else { -1.0 },
        correlation: steady,
        correlation_in_place: steady,
        lag_s: 0.0,
        misfit: 0.0,
        spread: angle,
        seconds: count,
    };
    let from = if same { "" } else { ", after its sign is changed (a compass counts clockwise from north)" };
    Some(Contradiction {
        kind: Kind::Offset,
        channels: vec![Channel::Heading],
        alternatives: vec![Channel::X, Channel::Y],
        compared: vec![Compared {
            comparison: Comparison::HeadingAndCourse,
            tested: Channel::Heading,
            reference: vec![Channel::X, Channel::Y],
            evidence,
            clear: true,
        }],
        sentence: format!(
            "heading is counted from another axis than x: it stands {:.0} degrees from the direction of the path{from}",
            angle.abs() * 180.0 / PI
        ),
        fix: Some(Fix { channel: Channel::Heading, change: FixKind::Offset { add: turn } }),
    })
}

/// Share of rows with a new position below which positions are held, not logged. A car at speed never stands twice in one
/// place; coarse rounding is told apart by the spread of the run lengths. Common practice, no source.
const NEW_ROWS: f64 = 0.6;

fn held(samples: &Samples) -> Option<Contradiction> {
    let pairs = [(Channel::X, Channel::Y), (Channel::Latitude, Channel::Longitude)];
    pairs.into_iter().find_map(|(a, b)| {
        let (va, vb) = (samples.get(a)?, samples.get(b)?);
        if samples.clock_of(a)? != samples.clock_of(b)? {
            return None;
        }
        let speed = samples.get(Channel::Speed).or_else(|| samples.get(Channel::VelocityX));
        let moves = |t: f64| speed.is_none_or(|s| s.at(t).abs() > 3.0);
        let new = fresh(va.values, vb.values);
        // Runs that lie in one stretch of driving.
        let runs: Vec<f64> = new
            .windows(2)
            .filter(|w| moves(va.time_s[w[0]]) && va.time_s[w[1]] - va.time_s[w[0]] < 1.5)
            .map(|w| (w[1] - w[0]) as f64)
            .collect();
        if runs.len() < 20 {
            return None;
        }
        let mean = runs.iter().sum::<f64>() / runs.len() as f64;
        let times: f64 = new
            .windows(2)
            .map(|w| va.time_s[w[1]] - va.time_s[w[0]])
            .zip(new.windows(2).map(|w| moves(va.time_s[w[0]])))
            .filter(|(d, m)| *m && *d < 1.5)
            .map(|(d, _)| d)
            .sum();
        if 1.0 / mean > NEW_ROWS {
            return None;
        }
        let rate_hz = runs.len() as f64 / times;
        let evidence = Evidence {
            slope: 1.0 / mean,
            correlation: 1.0,
            correlation_in_place: 1.0,
            lag_s: 0.0,
            misfit: 0.0,
            spread: 0.0,
            seconds: times,
        };
        Some(Contradiction {
            kind: Kind::Held,
            channels: vec![a, b],
            alternatives: Vec::new(),
            compared: vec![Compared {
                comparison: Comparison::NewPositions,
                tested: a,
                reference: vec![b],
                evidence,
                clear: true,
            }],
            sentence: format!(
                "{a} and {b} are held between fixes: {:.1} % of the rows bring a new one, {rate_hz:.1} a second; what lies between is interpolated, and nothing finer can be read from them",
                100.0 / mean
            ),
            fix: None,
        })
    })
}

/// Constant part of an acceleration that is worth a word, as an angle of tilt \[rad\]: 3 degrees, more than a road leans
/// on average. Common practice, no source.
const TILT_RAD: f64 = 3.0 * PI / 180.0;

fn gravity(samples: &Samples) -> Vec<Contradiction> {
    let mut found = Vec::new();
    for channel in [Channel::AccelX, Channel::AccelY, Channel::AccelZ] {
        let Some(view) = samples.get(channel) else { continue };
        let (mean, seconds) = match constant_part(samples, channel) {
            Some(part) => part,
            None => continue,
        };
        let share = mean / STANDARD_GRAVITY_MPS2;
        let vertical = channel == Channel::AccelZ;
        let limit = if vertical { 0.5 } else { TILT_RAD.sin() };
        if share.abs() < limit {
            continue;
        }
        let sentence = if vertical {
            format!(
                "accel_z holds gravity: its mean is {mean:.2} m/s2 where it should be zero{}",
                if mean < 0.0 {
                    ", and it seems to count downwards or to hold the pull instead of the push"
                } else {
                    ""
                }
            )
        } else {
            format!(
                "{channel} stands at {mean:.2} m/s2 where it should be zero: the sensor is tilted by about {:.0} degrees {}, or has an offset",
                share.clamp(-1.0, 1.0).asin().abs() * 180.0 / PI,
                if channel == Channel::AccelX { "in pitch" } else { "in roll" }
            )
        };
        let evidence = Evidence {
            slope: share,
            correlation: 1.0,
            correlation_in_place: 1.0,
            lag_s: 0.0,
            misfit: 0.0,
            spread: mean,
            seconds,
        };
        found.push(Contradiction {
            kind: Kind::Gravity,
            channels: vec![channel],
            alternatives: Vec::new(),
            compared: vec![Compared {
                comparison: Comparison::MeanAcceleration,
                tested: view.channel,
                reference: Vec::new(),
                evidence,
                clear: true,
            }],
            sentence,
            fix: Some(Fix { channel, change: FixKind::Offset { add: -mean } }),
        });
    }
    found
}

/// What an acceleration shows over and above the motion \[m/s²\], and over how long \[s\].
///
/// Forwards the change of speed is taken off, sideways yaw rate times speed where both are there: a circuit turns one way.
fn constant_part(samples: &Samples, channel: Channel) -> Option<(f64, f64)> {
    let view = samples.get(channel)?;
    let (mut sum, mut seconds) = (0.0, 0.0);
    for i in 1..view.values.len() {
        let step_s = view.time_s[i] - view.time_s[i - 1];
        let value = f64::midpoint(view.values[i], view.values[i - 1]);
        if step_s < 0.5 && value.is_finite() {
            sum += value * step_s;
            seconds += step_s;
        }
    }
    if seconds < 10.0 {
        return None;
    }
    let speed = samples.get(Channel::Speed).or_else(|| samples.get(Channel::VelocityX));
    let motion = match channel {
        Channel::AccelX => {
            let values = speed?.values;
            let first = values.iter().find(|v| v.is_finite())?;
            (values.iter().rev().find(|v| v.is_finite())? - first) / seconds
        }
        Channel::AccelY => {
            // Without a yaw rate a circuit that turns one way cannot be told from a tilt.
            let (speed, yaw) = (speed?, samples.get(Channel::YawRate)?);
            let speed = speed.on(yaw.time_s);
            let turn: Vec<f64> =
                speed.iter().zip(yaw.values).map(|(v, r)| v * r).filter(|x| x.is_finite()).collect();
            let mean = turn.iter().sum::<f64>() / turn.len().max(1) as f64;
            // Whatever the signs are said to be: the size of the mean turn is the least that is in doubt.
            let rest = sum / seconds;
            return Some((
                if (rest - mean).abs() < (rest + mean).abs() { rest - mean } else { rest + mean },
                seconds,
            ));
        }
        _ => 0.0,
    };
    Some((sum / seconds - motion, seconds))
}
