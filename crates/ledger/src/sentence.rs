//! An entry in the words of a coach: who, where, what, how much, against what.
//!
//! A sentence names at most two things that were measured in both laps in that place. It prices none of them: which one
//! cost the time is a question for causes. Things are chosen by how far they exceed the difference that a coach would
//! mention, those that go with the seconds (later on the throttle, time lost) before those that leave it open or speak
//! against it; the latter follow a 'but'. Exchanging the laps turns each comparison round and keeps the choice.

use crate::cuts::Stretch;
use crate::evidence::{Evidence, Reading};
use crate::{Both, EQUAL_S, Phase};
use track::Corner;

/// A measured difference.
struct Fact {
    /// In units of the smallest difference worth a word.
    size: f64,
    /// +1 when such a difference usually costs the lap time, -1 when it saves time, 0 when it may do either.
    tends: f64,
    /// Verb first, to follow 'you'.
    text: String,
    /// Whether 'than the reference' completes it.
    compares: bool,
    /// A speed, that follows from what was done, here or before.
    follows: bool,
}

/// Least differences worth a word. Common practice, no source; lengths are two to four samples at 50 Hz and 50 m/s, what a
/// driver can aim for on a good day.
mod least {
    pub(super) const BRAKE_ONSET_M: f64 = 2.0;
    pub(super) const BRAKE_RELEASE_M: f64 = 3.0;
    pub(super) const BRAKE_PEAK: f64 = 0.08;
    pub(super) const COASTING_M: f64 = 4.0;
    /// More than for a pedal: steering builds up gradually, and where it begins is a matter of threshold.
    pub(super) const TURN_IN_M: f64 = 6.0;
    pub(super) const SPEED_MPS: f64 = 0.3;
    pub(super) const OFFSET_M: f64 = 0.5;
    pub(super) const PICKUP_M: f64 = 3.0;
    pub(super) const FULL_THROTTLE_M: f64 = 4.0;
    pub(super) const MEAN_THROTTLE: f64 = 0.04;
    pub(super) const DRIVEN_M: f64 = 1.0;
    /// Speeds at the ends and on average, which include what came from before.
    pub(super) const END_SPEED_MPS: f64 = 0.6;
    pub(super) const MEAN_SPEED_MPS: f64 = 0.9;
}

/// Weight of a fact that leaves open what it does to the time, and of one that speaks against it. Own choice: a
/// difference must be that much further above the least to be named instead of one that goes with the seconds.
const OPEN: f64 = 0.6;
const AGAINST: f64 = 0.3;
/// Weight of a speed against what feet and hands did. Own choice: a driver changes the latter.
const FOLLOWS: f64 = 0.5;

/// The sentence of an entry of `seconds`.
pub(crate) fn sentence(
    corner: &Corner,
    first: &Corner,
    stretch: &Stretch,
    seconds: f64,
    evidence: &Evidence,
) -> String {
    let place = place(corner, first, stretch, evidence);
    if seconds.abs() < EQUAL_S {
        return format!("{place}: level with the reference.");
    }
    let named = choose(facts(corner, stretch, evidence), seconds);
    let how_much = how_much(stretch, seconds, evidence.carried_s);
    match named {
        Some(named) => format!("{place}: you {named}; {how_much}."),
        None => format!("{place}: {how_much} against the reference, with no one difference that stands out."),
    }
}

fn place(corner: &Corner, first: &Corner, stretch: &Stretch, evidence: &Evidence) -> String {
    if stretch.from_line {
        return format!("From the line to {}", first.name);
    }
    let place = format!("{} {}", corner.name, stretch.phase);
    let carried = evidence.carried_s.is_some_and(|c| c.abs() >= EQUAL_S);
    if stretch.phase == Phase::Straight && carried { format!("{place}, exit speed aside") } else { place }
}

fn how_much(stretch: &Stretch, seconds: f64, carried_s: Option<f64>) -> String {
    /// Parts are told when both show in two decimals.
    const LEAST_PART_S: f64 = 0.01;
    let carried_s = carried_s.filter(|_| stretch.phase == Phase::Exit).unwrap_or(0.0);
    let here_s = seconds - carried_s;
    let total = amount(seconds);
    if carried_s.abs() < LEAST_PART_S {
        total
    } else if here_s.abs() < EQUAL_S {
        format!("{total}, all of it down the straight")
    } else if here_s.signum() == carried_s.signum() {
        format!("{total}, {:.2} s of it down the straight", carried_s.abs())
    } else if here_s.abs() < LEAST_PART_S {
        format!("{total}, down the straight")
    } else {
        format!("{total}: {} in the exit, {} down the straight", amount(here_s), amount(carried_s))
    }
}

fn amount(seconds: f64) -> String {
    format!("{:.2} s {}", seconds.abs(), if seconds > 0.0 { "lost" } else { "gained" })
}

/// At most two facts, put together; nothing when none goes with the seconds or leaves them open.
fn choose(facts: Vec<Fact>, seconds: f64) -> Option<String> {
    let agrees = |f: &Fact| f.tends * seconds.signum();
    let weight = |f: &Fact| {
        let agreement = match agrees(f) {
            a if a > 0.0 => 1.0,
            a if a < 0.0 => AGAINST,
            _ => OPEN,
        };
        f.size * agreement * if f.follows { FOLLOWS } else { 1.0 }
    };
    let (mut named, small): (Vec<Fact>, Vec<Fact>) = facts.into_iter().partition(|f| f.size >= 1.0);
    named.sort_by(|a, b| weight(b).total_cmp(&weight(a)));
    named.truncate(2);
    // A sentence that only speaks against its own number would puzzle: then a speed has to say it, however small.
    if named.iter().all(|f| agrees(f) < 0.0) {
        let speeds = small.into_iter().filter(|f| f.follows && agrees(f) > 0.0);
        named.truncate(1);
        named.push(speeds.max_by(|a, b| a.size.total_cmp(&b.size))?);
    }
    named.sort_by_key(|f| (agrees(f) < 0.0, f.follows));
    let mut text = String::new();
    for (i, fact) in named.iter().enumerate() {
        if i > 0 {
            text.push_str(if agrees(fact) < 0.0 { " but " } else { " and " });
        }
        text.push_str(&fact.text);
        if i == 0 && fact.compares {
            text.push_str(" than the reference");
        }
    }
    Some(text)
}

fn facts(corner: &Corner, stretch: &Stretch, evidence: &Evidence) -> Vec<Fact> {
    let mut facts = Facts::default();
    let e = evidence;
    facts.differ(e.brake_onset_m, least::BRAKE_ONSET_M, -1.0, |m, d| {
        format!("brake {m:.0} m {}", if d < 0.0 { "earlier" } else { "later" })
    });
    facts.only_one(
        e.brake_onset_m,
        1.0,
        "brake where the reference does not",
        "stay off the brake where the reference is on it",
    );
    facts.differ(e.brake_release_m, least::BRAKE_RELEASE_M, 0.0, |m, d| {
        format!("are off the brake {m:.0} m {}", if d < 0.0 { "sooner" } else { "later" })
    });
    facts.differ(e.brake_peak, least::BRAKE_PEAK, 0.0, |x, d| {
        format!("use {:.0} % {} of the brake pedal", 100.0 * x, if d < 0.0 { "less" } else { "more" })
    });
    if stretch.phase == Phase::Approach {
        // Further on it says again what release and pick-up say.
        facts.differ(e.coasting_m, least::COASTING_M, 1.0, |m, d| {
            format!("roll {m:.0} m {} off both pedals", if d < 0.0 { "less" } else { "more" })
        });
    }
    facts.differ(e.turn_in_m, least::TURN_IN_M, 0.0, |m, d| {
        format!("turn in {m:.0} m {}", if d < 0.0 { "earlier" } else { "later" })
    });
    facts.differ(e.minimum_speed_mps, least::SPEED_MPS, -1.0, |v, d| {
        format!("are {} at the slowest point", pace(v, d))
    });
    if let Some(wider_m) = e.wider_at_apex_m(corner) {
        facts.push(wider_m, least::OFFSET_M, 0.0, |m, d| {
            format!("pass the apex {m:.1} m {}", if d < 0.0 { "closer to the inside" } else { "wider" })
        });
    }
    facts.differ(e.driven_m, least::DRIVEN_M, 1.0, |m, d| {
        format!("drive {m:.1} m {}", if d < 0.0 { "less" } else { "further" })
    });
    facts.only_one(
        e.throttle_pickup_m,
        1.0,
        "lift where the reference stays on the throttle",
        "stay on the throttle where the reference lifts",
    );
    let pickup_stands_out = facts.throttle(e);
    if !pickup_stands_out {
        // Less throttle on average is what a late or slow pick-up means, not a second thing.
        facts.differ(e.mean_throttle, least::MEAN_THROTTLE, -1.0, |x, d| {
            format!("use {:.0} % {} throttle", 100.0 * x, if d < 0.0 { "less" } else { "more" })
        });
    }
    facts.speeds(stretch, e);
    facts.0
}

fn pace(speed_mps: f64, difference: f64) -> String {
    format!("{:.1} km/h {}", 3.6 * speed_mps, if difference < 0.0 { "slower" } else { "faster" })
}

#[derive(Default)]
struct Facts(Vec<Fact>);

impl Facts {
    /// A difference `d` of lap to reference; `text` gets its size and itself.
    fn push(&mut self, d: f64, least: f64, costs_when_positive: f64, text: impl Fn(f64, f64) -> String) {
        let tends = costs_when_positive * d.signum();
        self.0.push(Fact {
            size: d.abs() / least,
            tends,
            text: text(d.abs(), d),
            compares: true,
            follows: false,
        });
    }

    fn differ(
        &mut self,
        reading: Option<Reading>,
        least: f64,
        costs_when_positive: f64,
        text: impl Fn(f64, f64) -> String,
    ) {
        if let Some(both) = reading.and_then(Both::present) {
            self.push(both.difference(), least, costs_when_positive, text);
        }
    }

    /// Something that only one of the laps did.
    fn only_one(&mut self, reading: Option<Reading>, costs_when_done: f64, lap: &str, reference: &str) {
        /// As much as a clear difference of place. Own choice.
        const SIZE: f64 = 5.0;
        let (tends, text) = match reading {
            Some(Both { lap: Some(_), reference: None }) => (costs_when_done, lap),
            Some(Both { lap: None, reference: Some(_) }) => (-costs_when_done, reference),
            _ => return,
        };
        self.0.push(Fact { size: SIZE, tends, text: text.to_owned(), compares: false, follows: false });
    }

    /// Pick-up, and the way from there to full throttle; whether one of them stands out.
    fn throttle(&mut self, e: &Evidence) -> bool {
        let before = self.0.len();
        self.differ(e.throttle_pickup_m, least::PICKUP_M, 1.0, |m, d| {
            format!("pick up the throttle {m:.0} m {}", if d < 0.0 { "sooner" } else { "later" })
        });
        let ramp = |(full, pickup): (Option<f64>, Option<f64>)| Some(full? - pickup?);
        let ramps =
            e.full_throttle_m.zip(e.throttle_pickup_m).map(|(full, pickup)| full.zip(pickup).map(ramp));
        self.differ(ramps, least::FULL_THROTTLE_M, 1.0, |m, d| {
            format!("take {m:.0} m {} to full throttle", if d < 0.0 { "less" } else { "more" })
        });
        self.0[before..].iter().any(|f| f.size >= 1.0)
    }

    fn speeds(&mut self, stretch: &Stretch, e: &Evidence) {
        let before = self.0.len();
        let start = |verb| (Some(e.speed_at_start_mps), least::END_SPEED_MPS, verb);
        let (reading, least, verb) = match stretch.phase {
            Phase::Straight if stretch.from_line => start("cross the line"),
            Phase::Straight => {
                if let Some(gained) = e.gained_along_mps {
                    self.push(gained, least::SPEED_MPS, -1.0, |v, d| {
                        format!("gain {:.1} km/h {} along it", 3.6 * v, if d < 0.0 { "less" } else { "more" })
                    });
                }
                (None, least::END_SPEED_MPS, "")
            }
            Phase::Exit => (Some(e.speed_at_end_mps), least::END_SPEED_MPS, "leave"),
            Phase::Approach => start("arrive"),
            Phase::Entry => start("come to the turn-in"),
            Phase::MidCorner => start("come to mid-corner"),
        };
        self.differ(reading, least, -1.0, |v, d| format!("{verb} {}", pace(v, d)));
        if stretch.phase != Phase::Straight {
            self.differ(e.mean_speed_mps, least::MEAN_SPEED_MPS, -1.0, |v, d| {
                format!("are {} on average", pace(v, d))
            });
        }
        self.0[before..].iter_mut().for_each(|f| f.follows = true);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fact(size: f64, tends: f64, text: &str) -> Fact {
        Fact { size, tends, text: text.to_owned(), compares: true, follows: false }
    }

    fn speed(size: f64, tends: f64, text: &str) -> Fact {
        Fact { follows: true, ..fact(size, tends, text) }
    }

    fn words(facts: Vec<Fact>, seconds: f64) -> String {
        choose(facts, seconds).unwrap_or_default()
    }

    #[test]
    fn the_two_clearest_differences_are_named_what_was_done_before_what_follows() {
        let facts = || {
            vec![
                speed(9.0, 1.0, "leave slower"),
                fact(3.0, 1.0, "brake earlier"),
                fact(1.5, 1.0, "turn in earlier"),
                fact(0.9, 1.0, "drive further"),
            ]
        };
        assert_eq!(words(facts(), 0.2), "brake earlier than the reference and leave slower");
    }

    #[test]
    fn what_speaks_against_the_seconds_follows_a_but() {
        let facts =
            || vec![fact(20.0, -1.0, "brake later"), fact(2.0, 1.0, "are slower at the slowest point")];
        assert_eq!(words(facts(), 0.1), "are slower at the slowest point than the reference but brake later");
        assert_eq!(
            words(facts(), -0.1),
            "brake later than the reference but are slower at the slowest point"
        );
    }

    #[test]
    fn a_speed_however_small_stands_by_a_fact_that_speaks_against_the_seconds() {
        let facts = vec![fact(2.0, -1.0, "brake later"), speed(0.4, 1.0, "are slower on average")];
        assert_eq!(words(facts, 0.01), "are slower on average than the reference but brake later");
        assert_eq!(words(vec![fact(2.0, -1.0, "brake later")], 0.01), "");
    }

    #[test]
    fn parts_of_an_exit_are_told_when_they_show() {
        let stretch = Stretch { corner: 0, phase: Phase::Exit, from_m: 0.0, to_m: 1.0, from_line: false };
        let say = |seconds, carried_s| how_much(&stretch, seconds, carried_s);
        assert_eq!(say(0.14, Some(0.09)), "0.14 s lost, 0.09 s of it down the straight");
        assert_eq!(say(-0.14, Some(-0.138)), "0.14 s gained, all of it down the straight");
        assert_eq!(
            say(0.05, Some(0.07)),
            "0.05 s lost: 0.02 s gained in the exit, 0.07 s lost down the straight"
        );
        assert_eq!(say(0.02, Some(0.004)), "0.02 s lost");
        assert_eq!(say(0.02, None), "0.02 s lost");
    }
}
