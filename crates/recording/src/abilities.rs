//! What each analysis can do with a recording, and which channel would unlock the rest.
//!
//! A table, kept beside the vocabulary of the readers so that a recording can be judged before it is stored. A channel that
//! [`derive`](crate::derive) can make counts as there, and is named as derived.

use crate::derive::derivable;
use channels::{Channel, Samples, Wheel};
use serde::Serialize;
use std::collections::BTreeSet;

/// What can be asked of a recording.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Analysis {
    /// Splitting the recording into laps.
    Laps,
    /// Centre line, corners and phases.
    Circuit,
    /// The time ledger: gap over corners and phases.
    Ledger,
    /// Causes of its entries in sentences, with evidence.
    Causes,
    /// The reachable lap from the driver's own grip.
    ReachableLap,
    /// Understeer and oversteer by phase.
    Balance,
    /// Pressures, temperatures and camber.
    Tyres,
    /// Damper speeds, spectra and bottoming.
    Dampers,
    /// Heating and cooling of the discs.
    BrakeTemperatures,
    /// Ceiling, headroom and small forces of the wheelbase.
    ForceFeedback,
    /// Noise, dead zone, saturation and repeatability of the pedals.
    Pedals,
    /// Steered against shown angle, lock match.
    SteeringMatch,
    /// Share of the apexes that are in view.
    View,
    /// Pace, spread, learning and trials.
    Practice,
}

/// Channels of which all are needed.
type All = &'static [Channel];

/// One need: any of these sets will do.
struct Need {
    any_of: &'static [All],
    purpose: &'static str,
}

struct Row {
    analysis: Analysis,
    title: &'static str,
    needs: &'static [Need],
    /// Channels that make it better, and how.
    better: &'static [Need],
}

/// The four wheels of a channel, as a constant.
macro_rules! four {
    ($channel:ident) => {
        &[
            Channel::$channel(Wheel::Fl),
            Channel::$channel(Wheel::Fr),
            Channel::$channel(Wheel::Rl),
            Channel::$channel(Wheel::Rr),
        ]
    };
}

const fn need(any_of: &'static [All], purpose: &'static str) -> Need {
    Need { any_of, purpose }
}

use Channel as C;

const PLACE: Need = need(&[&[C::X, C::Y], &[C::Latitude, C::Longitude]], "place the car on the circuit");
const SPEED: Need = need(&[&[C::Speed]], "know how fast the car is");
const BRAKING: Need =
    need(&[&[C::Brake], &[C::BrakeTravel], &[C::BrakePressureFront]], "see where and how the driver brakes");
const THROTTLE: Need = need(&[&[C::Throttle], &[C::ThrottleTravel]], "see lifting and the throttle pick-up");
const STEERING: Need =
    need(&[&[C::SteeringWheelAngle], &[C::RoadWheelAngle]], "see what the driver asks of the front axle");

/// The needs of every analysis. They follow from the computations; what makes one better is common practice, no source.
static TABLE: &[Row] = &[
    Row {
        analysis: Analysis::Laps,
        title: "laps",
        needs: &[need(
            &[&[C::Lap], &[C::LapDistance], &[C::X, C::Y]],
            "find the line: a lap counter, the distance along the lap, or positions and a line",
        )],
        better: &[
            need(&[&[C::Lap]], "agree with the source on lap numbers"),
            need(&[&[C::LapDistance], &[C::X, C::Y]], "interpolate the crossing below a sample"),
        ],
    },
    Row {
        analysis: Analysis::Circuit,
        title: "circuit, corners and phases",
        needs: &[PLACE, SPEED],
        better: &[
            need(&[&[C::LapDistance]], "close the laps on the source's own distance"),
            BRAKING,
            THROTTLE,
            STEERING,
        ],
    },
    Row {
        analysis: Analysis::Ledger,
        title: "time ledger",
        needs: &[PLACE, SPEED],
        better: &[BRAKING, THROTTLE, STEERING],
    },
    Row {
        analysis: Analysis::Causes,
        title: "causes in sentences",
        needs: &[PLACE, SPEED, BRAKING, THROTTLE],
        better: &[
            STEERING,
            need(&[&[C::Gear]], "tell a wrong gear from a late throttle"),
            need(&[&[C::ForceFeedbackCommand]], "see whether the rig owns a loss"),
            need(&[&[C::TractionControlActive, C::AntilockActive]], "see where the aids take over"),
        ],
    },
    Row {
        analysis: Analysis::ReachableLap,
        title: "reachable lap",
        needs: &[PLACE, SPEED, need(&[&[C::AccelX, C::AccelY]], "know the grip that was used")],
        better: &[need(&[&[C::Gear, C::EngineSpeed]], "tell the limit of the engine from that of the tyres")],
    },
    Row {
        analysis: Analysis::Balance,
        title: "balance",
        needs: &[STEERING, need(&[&[C::YawRate]], "see how the car turns"), SPEED],
        better: &[
            need(&[&[C::AccelY]], "give the understeer gradient over lateral acceleration"),
            need(&[&[C::RoadWheelAngle]], "need no estimate of the steering ratio"),
            need(&[&[C::Sideslip], &[C::VelocityX, C::VelocityY]], "tell a sliding rear from a turning car"),
            THROTTLE,
            BRAKING,
        ],
    },
    Row {
        analysis: Analysis::Tyres,
        title: "tyres",
        needs: &[need(
            &[four!(TyrePressure), four!(TyreCoreTemp), four!(TyreTempMiddle)],
            "see the state of the tyres",
        )],
        better: &[
            need(&[four!(TyrePressure)], "find the cold pressure for a wanted hot one"),
            need(&[four!(TyreCoreTemp)], "apply the gas law to the air in the tyre"),
            need(
                &[&[C::TyreTempInner(Wheel::Fl), C::TyreTempOuter(Wheel::Fl)]],
                "judge camber by the spread over the tread",
            ),
            need(&[&[C::AirTemp, C::TrackTemp]], "carry pressures to another day"),
            need(&[four!(TyreWear)], "follow the wear over a stint"),
        ],
    },
    Row {
        analysis: Analysis::Dampers,
        title: "dampers",
        needs: &[need(&[four!(DamperTravel), four!(DamperSpeed)], "see the motion of the wheels")],
        better: &[
            need(&[four!(DamperSpeed)], "need no differentiation of the travel"),
            need(&[four!(RideHeight)], "place bottoming on the map"),
            PLACE,
        ],
    },
    Row {
        analysis: Analysis::BrakeTemperatures,
        title: "brake temperatures",
        needs: &[need(&[four!(BrakeTemp)], "see the discs heat and cool"), SPEED],
        better: &[
            need(&[&[C::BrakePressureFront, C::BrakePressureRear]], "share the heat between the axles"),
            need(&[&[C::AirTemp]], "know what they cool towards"),
        ],
    },
    Row {
        analysis: Analysis::ForceFeedback,
        title: "force feedback",
        needs: &[need(&[&[C::ForceFeedbackCommand]], "see the command to the wheelbase")],
        better: &[
            need(&[&[C::SteeringWheelAngle, C::AccelY, C::Speed]], "see what the command follows"),
            need(&[&[C::ForceFeedbackTorque]], "compare the command with the torque"),
            PLACE,
        ],
    },
    Row {
        analysis: Analysis::Pedals,
        title: "pedals",
        needs: &[need(
            &[&[C::Brake], &[C::BrakeTravel], &[C::Throttle], &[C::ThrottleTravel], &[C::PedalRaw]],
            "see the pedals",
        )],
        better: &[
            need(&[&[C::BrakeTravel, C::ThrottleTravel]], "see the feet, not what the aids make of them"),
            need(&[&[C::PedalRaw]], "judge noise and resolution of the sensor"),
            need(&[&[C::BrakeForce]], "set the force scale of a load cell"),
        ],
    },
    Row {
        analysis: Analysis::SteeringMatch,
        title: "steering match",
        needs: &[
            need(&[&[C::WheelbaseAngle]], "know the angle of the wheel in the driver's hands"),
            need(&[&[C::SteeringWheelAngle]], "know the angle that the source shows"),
        ],
        better: &[],
    },
    Row {
        analysis: Analysis::View,
        title: "view",
        needs: &[PLACE],
        better: &[need(&[&[C::Heading]], "know where the car looks, sliding or not")],
    },
    Row {
        analysis: Analysis::Practice,
        title: "stints, practice and trials",
        needs: &[need(&[&[C::Lap], &[C::LapDistance], &[C::X, C::Y]], "find the laps")],
        better: &[
            need(&[&[C::Fuel]], "take the weight of the fuel out of a comparison"),
            need(&[&[C::AirTemp, C::TrackTemp]], "take the day out of a comparison"),
            BRAKING,
        ],
    },
];

/// A need that the recording does not meet.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Missing {
    /// Sets of channels, any one of which would do; only those that are not there.
    pub any_of: Vec<Vec<Channel>>,
    /// What for, completing 'to …'.
    pub purpose: &'static str,
}

/// What one analysis can do with a recording.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ability {
    /// The analysis.
    pub analysis: Analysis,
    /// The same for reading.
    pub title: &'static str,
    /// Whether it can be done.
    pub possible: bool,
    /// Channels that it needs and that must be derived from others.
    pub derived: Vec<Channel>,
    /// What keeps it from being done.
    pub missing: Vec<Missing>,
    /// What would make it better.
    pub better_with: Vec<Missing>,
}

impl std::fmt::Display for Ability {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let list = |m: &Missing| {
            let sets: Vec<String> = m.any_of.iter().map(|s| set_text(s)).collect();
            format!("{} to {}", sets.join(" or "), m.purpose)
        };
        write!(f, "{}: ", self.title)?;
        if !self.possible {
            let missing: Vec<String> = self.missing.iter().map(list).collect();
            return write!(f, "not possible; it needs {}", missing.join("; "));
        }
        f.write_str("possible")?;
        if !self.derived.is_empty() {
            write!(f, ", with {} derived from other channels", set_text(&self.derived))?;
        }
        if !self.better_with.is_empty() {
            let better: Vec<String> = self.better_with.iter().map(list).collect();
            write!(f, "; better with {}", better.join("; "))?;
        }
        Ok(())
    }
}

/// `a, b and c`, four wheels of one quantity as one.
fn set_text(set: &[Channel]) -> String {
    let mut names: Vec<String> = Vec::new();
    for c in set {
        let all_four = c.wheel().is_some() && Wheel::ALL.iter().all(|&w| set.contains(&c.on(w)));
        let name = if all_four { format!("{} of all wheels", c.stem()) } else { c.name() };
        if !names.contains(&name) {
            names.push(name);
        }
    }
    match names.as_slice() {
        [first @ .., last] if !first.is_empty() => format!("{} and {last}", first.join(", ")),
        _ => names.concat(),
    }
}

/// What every analysis can do with a recording, in the order of the table.
#[must_use]
pub fn abilities(samples: &Samples) -> Vec<Ability> {
    abilities_of(&samples.channels().collect())
}

/// The same for a list of channels.
#[must_use]
pub fn abilities_of(here: &BTreeSet<Channel>) -> Vec<Ability> {
    let derivable = derivable(here);
    let there = |c: &Channel| here.contains(c) || derivable.contains(c);
    let unmet = |n: &Need| {
        let any_of: Vec<Vec<Channel>> =
            n.any_of.iter().map(|set| set.iter().copied().filter(|c| !there(c)).collect()).collect();
        let met = any_of.iter().any(Vec::is_empty);
        (!met).then_some(Missing { any_of, purpose: n.purpose })
    };
    TABLE
        .iter()
        .map(|row| {
            let missing: Vec<Missing> = row.needs.iter().filter_map(unmet).collect();
            let mut derived: Vec<Channel> = Vec::new();
            for n in row.needs {
                // The way that takes least derivation is the one that is gone.
                let way = n.any_of.iter().filter(|set| set.iter().all(there));
                let made = |set: &&All| set.iter().filter(|c| !here.contains(c)).count();
                if let Some(set) = way.min_by_key(made) {
                    derived.extend(set.iter().filter(|c| !here.contains(c)));
                }
            }
            derived.sort();
            derived.dedup();
            Ability {
                analysis: row.analysis,
                title: row.title,
                possible: missing.is_empty(),
                derived,
                missing,
                better_with: row.better.iter().filter_map(unmet).collect(),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(names: &[Channel]) -> Vec<Ability> {
        abilities_of(&names.iter().copied().collect())
    }

    fn possible(all: &[Ability]) -> Vec<Analysis> {
        all.iter().filter(|a| a.possible).map(|a| a.analysis).collect()
    }

    #[test]
    fn everything_is_possible_with_every_channel_and_nothing_without_any() {
        let all: Vec<Channel> = Channel::all().collect();
        for a in of(&all) {
            assert!(a.possible && a.derived.is_empty() && a.better_with.is_empty(), "{a}");
        }
        for a in of(&[]) {
            assert!(!a.possible && !a.missing.is_empty(), "{a}");
        }
    }

    /// A source that logs only speed, yaw rate, pedals and a lap counter still gets a ledger.
    #[test]
    fn positions_may_be_derived() {
        let all = of(&[C::Speed, C::YawRate, C::Throttle, C::Brake, C::Lap]);
        let ledger = all.iter().find(|a| a.analysis == Analysis::Ledger).unwrap();
        assert!(ledger.possible);
        assert_eq!(ledger.derived, [C::X, C::Y]);
        assert!(ledger.to_string().contains("x and y derived"), "{ledger}");
        assert!(possible(&all).contains(&Analysis::ReachableLap));
        assert!(!possible(&all).contains(&Analysis::Balance));
    }

    #[test]
    fn a_missing_channel_is_named_with_its_purpose() {
        let all = of(&[C::Speed, C::X, C::Y]);
        let text: Vec<String> = all.iter().map(ToString::to_string).collect();
        let line = |title: &str| text.iter().find(|t| t.starts_with(title)).unwrap();
        assert!(
            line("dampers").contains("damper_travel of all wheels or damper_speed of all wheels"),
            "{text:?}"
        );
        assert!(
            line("balance")
                .contains("needs steering_wheel_angle or road_wheel_angle to see what the driver asks")
        );
        assert!(line("time ledger").contains("better with brake or brake_travel"), "{text:?}");
    }

    /// Adding a channel never takes an analysis away.
    #[test]
    fn a_channel_more_is_never_worse() {
        let mut here = BTreeSet::new();
        let mut before = 0;
        for c in Channel::all() {
            here.insert(c);
            let now = abilities_of(&here).iter().filter(|a| a.possible).count();
            assert!(now >= before, "{c}");
            before = now;
        }
    }
}
