//! A cause in the words of a coach: what you do, where, and what it costs.

use crate::account::Driven;
use crate::cause::Cause;
use crate::evidence::Reading;
use crate::{Both, EQUAL_S, Phase};

/// The sentence of an entry, e.g. `You brake 16 m earlier than the reference at T1: 0.17 s lost.`
pub(crate) fn sentence(driven: &Driven<'_>, cause: Cause, seconds: f64) -> String {
    let corner = &driven.corner.name;
    let amount = if seconds.abs() < EQUAL_S {
        "next to nothing".to_owned()
    } else {
        format!("{:.2} s {}", seconds.abs(), if seconds > 0.0 { "lost" } else { "gained" })
    };
    if cause == Cause::Unexplained {
        return if seconds.abs() < EQUAL_S {
            format!("The rest of {corner}: level with the reference.")
        } else {
            format!("The rest of {corner}, with no cause that stands out: {amount}.")
        };
    }
    format!("You {} at {corner}: {amount}.", what(driven, cause, seconds))
}

fn what(driven: &Driven<'_>, cause: Cause, seconds: f64) -> String {
    let passes = driven.passes;
    let loses = seconds > 0.0;
    let places = |f: fn(&crate::pass::Pass) -> Option<f64>| passes.map(f);
    match cause {
        Cause::BrakePoint => match places(|p| p.brake_onset_m) {
            Both { lap: Some(_), reference: None } => "brake where the reference does not".to_owned(),
            Both { lap: None, reference: Some(_) } => {
                "stay off the brake where the reference is on it".to_owned()
            }
            onset => apart(onset, 1.0, "brake", ["earlier", "later"]).unwrap_or_else(|| {
                pick(loses, "slow down earlier than the reference", "slow down later than the reference")
            }),
        },
        Cause::BrakeEffort => {
            let peak = driven.evidence(Phase::Approach).brake_peak.and_then(Both::present);
            let word = pick(loses, "brake less hard than the reference", "brake harder than the reference");
            match peak.filter(|p| p.difference().abs() >= 0.02) {
                Some(p) => {
                    format!("{word} (peak {:.0} % against {:.0} %)", 100.0 * p.lap, 100.0 * p.reference)
                }
                None => word,
            }
        }
        Cause::Release => release(driven, loses),
        Cause::Coasting => rolled(driven, loses),
        Cause::MinimumSpeed => {
            let v = passes.map(|p| p.minimum_speed_mps).difference();
            let word = if loses { "slower" } else { "faster" };
            if (v < 0.0) == loses && v.abs() >= 0.1 {
                format!("are {:.1} km/h {word} at the slowest point than the reference", 3.6 * v.abs())
            } else {
                pick(
                    loses,
                    "use less grip in mid-corner than the reference",
                    "use more grip in mid-corner than the reference",
                )
            }
        }
        Cause::LineDistance => {
            pick(loses, "drive a longer way than the reference", "drive a shorter way than the reference")
        }
        Cause::LineRadius => {
            let inwards = match driven.corner.direction {
                track::Direction::Left => -1.0,
                track::Direction::Right => 1.0,
            };
            let word =
                pick(loses, "turn tighter than the reference", "drive a wider radius than the reference");
            match passes.map(|p| p.offset_at_apex_m).present().map(|o| inwards * o.difference()) {
                Some(wider_m) if wider_m.abs() >= 0.3 => format!(
                    "{word} and pass the apex {:.1} m {}",
                    wider_m.abs(),
                    if wider_m > 0.0 { "wider" } else { "closer to the inside" }
                ),
                _ => word,
            }
        }
        Cause::ThrottlePickup => {
            apart(places(|p| p.throttle_pickup_m), 1.0, "pick up the throttle", ["sooner", "later"])
                .filter(|t| t.contains("later") == loses)
                .unwrap_or_else(|| {
                    pick(loses, "gain speed later than the reference", "gain speed sooner than the reference")
                })
        }
        Cause::DriveOut => {
            let full = places(|p| p.full_throttle_m);
            let word = pick(
                loses,
                "gain less speed on the way out than the reference",
                "gain more speed on the way out than the reference",
            );
            match full.present().map(Both::difference).filter(|d| (*d > 0.0) == loses && d.abs() >= 3.0) {
                Some(d) => format!(
                    "{word}, at full throttle {:.0} m {}",
                    d.abs(),
                    if d > 0.0 { "later" } else { "sooner" }
                ),
                None => word,
            }
        }
        Cause::Gear => pick(
            loses,
            "drive out in a gear that pulls less than the reference's",
            "drive out in a gear that pulls better than the reference's",
        ),
        Cause::Lift => pick(loses, "lift more than the reference", "lift less than the reference"),
        Cause::Unexplained => String::new(),
    }
}

fn pick(loses: bool, loss: &str, gain: &str) -> String {
    if loses { loss } else { gain }.to_owned()
}

/// "brake 16 m earlier than the reference".
fn apart(places: Reading, least_m: f64, verb: &str, words: [&str; 2]) -> Option<String> {
    let d = places.present()?.difference();
    let word = if d < 0.0 { words[0] } else { words[1] };
    (d.abs() >= least_m).then(|| format!("{verb} {:.0} m {word} than the reference", d.abs()))
}

fn release(driven: &Driven<'_>, loses: bool) -> String {
    /// A release shorter than this share of the reference's is one go. Own choice.
    const ONE_GO: f64 = 0.6;
    let length = driven.passes.map(|p| Some(p.brake_release_m? - p.release_start_m?));
    let ends = driven.passes.map(|p| p.brake_release_m).present().map(Both::difference);
    let sooner = ends.filter(|d| d.abs() >= 1.0).map_or(String::new(), |d| {
        format!(", {:.0} m {} than the reference", d.abs(), if d < 0.0 { "sooner" } else { "later" })
    });
    match length.present() {
        Some(l) if loses && l.lap < ONE_GO * l.reference => format!("release the brake in one go{sooner}"),
        _ if sooner.is_empty() => pick(
            loses,
            "release the brake in another way than the reference",
            "release the brake better than the reference",
        ),
        _ => format!("are off the brake{}", sooner.trim_start_matches(',')),
    }
}

fn rolled(driven: &Driven<'_>, loses: bool) -> String {
    match driven.passes.map(|p| p.rolling_m).present() {
        Some(r) if r.difference().abs() >= 1.0 => format!(
            "roll {:.0} m with neither pedal, {:.0} m {} than the reference",
            r.lap,
            r.difference().abs(),
            if r.difference() > 0.0 { "more" } else { "less" }
        ),
        _ => pick(loses, "roll longer than the reference", "roll less than the reference"),
    }
}
