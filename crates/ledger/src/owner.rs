//! Whose an entry is: driver, car or rig, with the evidence for it.
//!
//! The pass that lost the time is the lap's when the entry is a loss, the reference's when it is a gain, so that exchanging
//! the laps changes no owner. Rules, the first that holds:
//!
//! 1. **Rig**, when in that very corner the losing pass had a rig fault that the other had not, or had less of: the force
//!    feedback at its ceiling for more than a fifth of the way from turn-in to the straight (causes of hands: minimum speed,
//!    line, pick-up, drive out); the brake at full before the pedal's end, or the pedal moving in a dead zone before
//!    the brake answers (causes of the brake).
//! 2. **Driver**, for what feet decide alone: brake point, coasting, lift, pick-up, gear.
//! 3. **Car**, when the losing pass used the grip that its own lap demonstrates (module `grip`): at least 95 % on average
//!    over the place of the cause. Understeer is named when it took more steering per curvature than the other pass by more
//!    than 8 %, oversteer when less by as much, or opposite lock.
//! 4. **Driver**, when grip was left unused there.
//! 5. **Unknown**, when no channel tells the grip in use, and for what is unexplained.
//!
//! The marks (a fifth, 95 %, 8 %) are common practice, no source.

use crate::account::{Driven, Ground};
use crate::cause::Cause;
use crate::{Both, pair};
use channels::Channel;
use serde::Serialize;
use std::fmt;
use track::LapTrace;

/// Whose it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Owner {
    /// How it was driven: grip was left unused, or feet decided.
    Driver,
    /// The car: the grip in use was all that it has shown.
    Car,
    /// Wheel or pedals kept the driver from it.
    Rig,
    /// Not enough channels to tell.
    Unknown,
}

impl fmt::Display for Owner {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Driver => "driver",
            Self::Car => "car",
            Self::Rig => "rig",
            Self::Unknown => "unknown",
        })
    }
}

/// An owner and why.
pub(crate) struct Owned {
    pub(crate) owner: Owner,
    pub(crate) reason: String,
}

/// Share of a stretch for which a rig fault must be there. Own choice: a fifth of a corner is felt, a kerb is not.
const CLIPPED_SHARE: f64 = 0.2;
/// How much more of a rig fault the losing pass must have. Own choice.
const CLEARLY_MORE: f64 = 0.1;
/// Command from which force feedback is at its ceiling; common practice, no source.
const CEILING: f64 = 0.995;
/// Grip in use from which a car is at what it has shown. Own choice: the noise of a g-g plot is a few per cent.
const AT_ENVELOPE: f64 = 0.95;
/// Steering beyond what the rotation asks for, as a share, that names the balance. Own choice.
const BALANCE: f64 = 0.08;
/// Road on each side of the slowest places in which the middle of a corner is judged \[m\]. Own choice: half a second.
const AROUND_SLOWEST_M: f64 = 15.0;
/// A brake at full while the pedal has not reached its end: out at least the first, travel below the second. Own choice.
const FULL_TOO_EARLY: (f64, f64) = (0.99, 0.95);
/// A brake at nothing while the pedal moves: out below the first, travel above the second. Own choice.
const DEAD: (f64, f64) = (0.01, 0.06);

pub(crate) fn decide(ground: &Ground<'_>, driven: &Driven<'_>, cause: Cause, seconds: f64) -> Owned {
    let owned = |owner, reason: String| Owned { owner, reason };
    if cause == Cause::Unexplained {
        return owned(Owner::Unknown, "no cause accounts for it".to_owned());
    }
    if let Some(reason) = rig(ground, driven, cause, seconds) {
        return owned(Owner::Rig, reason);
    }
    if matches!(
        cause,
        Cause::BrakePoint | Cause::Coasting | Cause::Lift | Cause::ThrottlePickup | Cause::Gear
    ) {
        return owned(Owner::Driver, "the feet decide it, and the rig shows no fault there".to_owned());
    }
    let (from_m, to_m) = place(driven, cause);
    let s = ground.pair.s_m();
    let grip = losing(ground.grip.as_ref(), seconds);
    let Some(in_use) = grip.as_ref().and_then(|g| g.between(s, from_m, to_m)) else {
        return owned(
            Owner::Unknown,
            "not enough channels to tell the grip in use: log accelerations or yaw rate".to_owned(),
        );
    };
    let percent = 100.0 * in_use;
    if in_use < AT_ENVELOPE {
        let reason = format!(
            "{percent:.0} % of the grip that this lap shows was in use from {from_m:.0} to {to_m:.0} m"
        );
        return owned(Owner::Driver, reason);
    }
    let balance = balance(ground, driven, seconds).unwrap_or("balance not told apart");
    owned(
        Owner::Car,
        format!(
            "{percent:.0} % of the grip that this lap shows was in use from {from_m:.0} to {to_m:.0} m; {balance}"
        ),
    )
}

fn losing<T>(both: Both<T>, seconds: f64) -> T {
    if seconds >= 0.0 { both.lap } else { both.reference }
}

fn gaining<T>(both: Both<T>, seconds: f64) -> T {
    if seconds >= 0.0 { both.reference } else { both.lap }
}

/// Where a cause uses grip.
fn place(driven: &Driven<'_>, cause: Cause) -> (f64, f64) {
    let stretch = |k: usize| (driven.stretches[k].from_m, driven.stretches[k].to_m);
    let slowest = driven.passes.map(|p| p.minimum_speed_at_m);
    match cause {
        Cause::BrakeEffort => stretch(0),
        Cause::Release => stretch(1),
        Cause::DriveOut => stretch(3),
        _ => (slowest.min() - AROUND_SLOWEST_M, slowest.max() + AROUND_SLOWEST_M),
    }
}

fn rig(ground: &Ground<'_>, driven: &Driven<'_>, cause: Cause, seconds: f64) -> Option<String> {
    let laps = ground.pair.laps;
    let share = |f: &dyn Fn(&LapTrace) -> Option<f64>| {
        let (mine, other) = (f(losing(laps, seconds))?, f(gaining(laps, seconds)).unwrap_or(0.0));
        (mine > CLIPPED_SHARE && mine > other + CLEARLY_MORE).then_some(mine)
    };
    let (turn_in_m, straight_m) = (driven.stretches[1].from_m, driven.stretches[4].from_m);
    let (brake_m, released_m) = (driven.stretches[0].from_m, driven.stretches[1].to_m);
    match cause {
        Cause::MinimumSpeed
        | Cause::LineDistance
        | Cause::LineRadius
        | Cause::ThrottlePickup
        | Cause::DriveOut => {
            let clipped = share(&|lap| {
                share_of(lap, turn_in_m, straight_m, &[Channel::ForceFeedbackCommand], |v| {
                    v[0].abs() >= CEILING
                })
            })?;
            Some(format!("force feedback at its ceiling for {:.0} % of the corner", 100.0 * clipped))
        }
        Cause::BrakePoint | Cause::BrakeEffort | Cause::Release => {
            let pedals = [Channel::Brake, Channel::BrakeTravel];
            let full = |lap: &LapTrace| {
                share_of(lap, brake_m, released_m, &pedals, |v| {
                    v[0] >= FULL_TOO_EARLY.0 && v[1] < FULL_TOO_EARLY.1
                })
            };
            if let Some(full) = share(&full) {
                return Some(format!(
                    "brake at full before the pedal's end for {:.0} % of the braking",
                    100.0 * full
                ));
            }
            let dead = |lap: &LapTrace| {
                share_of(lap, brake_m, released_m, &pedals, |v| v[0] < DEAD.0 && v[1] > DEAD.1)
            };
            let dead = share(&dead)?;
            Some(format!("brake pedal in its dead zone for {:.0} % of the way", 100.0 * dead))
        }
        _ => None,
    }
}

/// Share of the nodes between two places where `holds`; nothing when a channel is missing.
fn share_of(
    lap: &LapTrace,
    from_m: f64,
    to_m: f64,
    channels: &[Channel],
    holds: impl Fn(&[f64]) -> bool,
) -> Option<f64> {
    let columns: Option<Vec<&Vec<f64>>> = channels.iter().map(|c| lap.channels.get(c)).collect();
    let columns = columns?;
    let start = lap.s_m.partition_point(|&s| s < from_m);
    let nodes = start..lap.s_m.partition_point(|&s| s <= to_m).max(start);
    let all = nodes.len();
    let found = nodes.filter(|&i| holds(&columns.iter().map(|c| c[i]).collect::<Vec<f64>>())).count();
    (all > 0).then(|| found as f64 / all as f64)
}

/// Steering per curvature of the losing pass against the other's, in words.
fn balance(ground: &Ground<'_>, driven: &Driven<'_>, seconds: f64) -> Option<&'static str> {
    let steering = ground.pair.channel(Channel::SteeringWheelAngle)?;
    let s = ground.pair.s_m();
    let (from_m, to_m) = place(driven, Cause::MinimumSpeed);
    let lateral = ground.pair.channel(Channel::YawRate);
    let per_curvature = |lap: &[f64], v: &Vec<f64>, yaw: Option<&[f64]>| {
        let (mut wheel, mut bend) = (0.0, 0.0);
        for m in ground.pair.places(from_m, to_m) {
            wheel += pair::at(s, lap, m);
            bend += match yaw {
                Some(yaw) => pair::at(s, yaw, m) / pair::at(s, v, m),
                None => ground.circuit.curvature(m),
            };
        }
        wheel / bend
    };
    let speed = ground.pair.speed_mps.as_ref();
    let mine =
        per_curvature(losing(steering, seconds), losing(speed, seconds), lateral.map(|l| losing(l, seconds)));
    let other = per_curvature(
        gaining(steering, seconds),
        gaining(speed, seconds),
        lateral.map(|l| gaining(l, seconds)),
    );
    let ratio = mine / other;
    Some(if !ratio.is_finite() {
        "balance not told apart"
    } else if mine * other < 0.0 || ratio < 1.0 - BALANCE {
        "oversteer: less steering for the same bend than in the other lap"
    } else if ratio > 1.0 + BALANCE {
        "understeer: more steering for the same bend than in the other lap"
    } else {
        "balance as in the other lap"
    })
}
