//! The time ledger: where the gap between a lap and its reference went, in rows that add up to it.
//!
//! With `t(s)` of both laps at the same places `s` of one circuit, `D(s) = t_lap(s) − t_ref(s)` is the running gap. The lap
//! is cut at places common to both laps (the rules are in `cuts`), five phases per corner, and an entry is the gap that
//! arises between two cuts `a` and `b`:
//!
//! ```text
//! seconds = D(b) − D(a),      Σ seconds = D(length) − D(0) = gap
//! ```
//!
//! Nothing is estimated in that sum, so it holds for every pair of laps, to rounding. Between nodes `D` is a straight line.
//!
//! **Exits and straights.** What the speed at the end of an exit settles for the straight after it is moved from the
//! straight's entry to the exit's, by the method in `carry`; the sum of the two is untouched.
//!
//! **Around the line.** The straight after the last corner is cut in two by the line. Its part before the line belongs to
//! the last corner of this lap. Its part after the line is the first entry of the ledger; it carries what the exit of the
//! lap before settled, and nothing is moved from it.
//!
//! **Exchanging the laps** turns every sign and nothing else, exactly: cuts and the law of `carry` are symmetric, and every
//! difference is formed once. A lap against itself gives zeros.
//!
//! **Causes.** The phases say where the time went. Why it went is said by the entries: in each corner the causes in which the
//! two passes differ are players of a game (module `game`) whose value is the time that a counterfactual speed profile saves,
//! shared by the Shapley value ([`shapley`]); what the profiles leave is an entry of its own, *unexplained*. Entries so sum to
//! the corner's phases and to the gap exactly. Each has an owner with the reason (module `owner`), an interval and a
//! certainty (module `account`). [`corner_passes`] gives the numbers of a single lap.
//!
//! **Other sampling rates** move a phase by what they move the times at the nodes, and by `|dD/ds|` times what they move
//! the cuts: about 1.5 ms per metre where one lap is at 34 and the other at 36 m/s. A sample at 50 Hz and 36 m/s is 0.7 m.
//! They move the larger causes by less than 0.02 s in the median over pairs, as `examples/confusion.rs` prints.
//!
//! Signs: positive seconds are lost by the lap.

mod account;
mod both;
mod carry;
mod cause;
mod corner_pass;
mod cuts;
mod error;
mod evidence;
mod game;
mod grip;
mod line;
mod owner;
mod pair;
mod pass;
mod sentence;
pub mod shapley;
mod side;
mod words;

pub use account::{Certainty, Interval};
pub use both::Both;
pub use cause::Cause;
pub use corner_pass::{CornerPass, Measured, corner_passes};
pub use error::{Column, LedgerError, Side};
pub use evidence::{Evidence, Reading};
pub use owner::Owner;

use account::{Driven, Ground};
use carry::{Carried, Drive};
use cuts::Stretch;
use pair::Pair;
use pass::Pass;
use serde::Serialize;
use std::fmt;
use track::{Circuit, Corner, CornerPhases, LapTrace};

/// Entries smaller than this \[s\] are worded as equal. Half a hundredth: what a sentence rounds to.
pub const EQUAL_S: f64 = 0.005;
/// The laps' nodes reach from the line to the line within this \[m\]. Own choice: well above rounding, well below what
/// matters.
const WHOLE_LAP_M: f64 = 1e-3;

/// Part of the way through a corner, in the order of driving.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Phase {
    /// From the brake point, or the lift, to the turn-in.
    Approach,
    /// From the turn-in until the brake is released.
    Entry,
    /// From there to the throttle.
    MidCorner,
    /// From the throttle until the car pulls straight.
    Exit,
    /// From there to the next approach.
    Straight,
}

impl Phase {
    /// All five, in order.
    pub const ALL: [Self; 5] = [Self::Approach, Self::Entry, Self::MidCorner, Self::Exit, Self::Straight];
}

impl fmt::Display for Phase {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Approach => "approach",
            Self::Entry => "entry",
            Self::MidCorner => "mid-corner",
            Self::Exit => "exit",
            Self::Straight => "straight",
        })
    }
}

/// A row of the ledger: what one cause lost in one corner.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Entry {
    /// Name of the corner, e.g. `T5`.
    pub corner: String,
    /// Phase of that corner in which the cause acts.
    pub phase: Phase,
    /// Why the time went.
    pub cause: Option<Cause>,
    /// Whose it is.
    pub owner: Option<Owner>,
    /// Seconds lost (positive) or gained by the lap.
    pub seconds: f64,
    /// Between which seconds the entry lies: causes that overlap, and what the profiles leave unexplained.
    pub interval: Interval,
    /// How surely the cause is there.
    pub certainty: Certainty,
    /// Begin of the stretch in which the cause acts \[m\].
    pub from_m: f64,
    /// Its end \[m\], not before its begin. What it costs may show further on.
    pub to_m: f64,
    /// The entry in words.
    pub sentence: String,
    /// Why the owner owns it.
    pub owner_reason: String,
    /// What was measured in the stretch.
    pub evidence: Evidence,
}

/// What was lost in one phase, whatever the cause.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PhaseEntry {
    /// Name of the corner, e.g. `T5`.
    pub corner: String,
    /// Phase of that corner.
    pub phase: Phase,
    /// Seconds lost (positive) or gained by the lap.
    pub seconds: f64,
    /// Begin of the stretch \[m\].
    pub from_m: f64,
    /// End of the stretch \[m\], not before its begin.
    pub to_m: f64,
    /// The phase in words.
    pub sentence: String,
    /// What was measured there.
    pub evidence: Evidence,
}

/// The gap between two laps, entry by entry.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Ledger {
    /// The lap that is explained, as named by the caller.
    pub lap: String,
    /// The lap it is measured against, as named by the caller.
    pub reference: String,
    /// Lap time less reference time \[s\]; the sum of all entries, and of all phases.
    pub gap_s: f64,
    /// Corners of the circuit.
    pub corners: Vec<Corner>,
    /// Entries by cause in the order of driving: the straight from the line when there is one, then for each corner its
    /// causes and what they leave unexplained.
    pub entries: Vec<Entry>,
    /// The same gap by phase: the straight from the line when there is one, then five per corner, end to end.
    pub phases: Vec<PhaseEntry>,
}

/// Draws up the ledger of `lap` against `reference`, two laps on the nodes of `circuit`; `names` are theirs.
///
/// Needs no channel but place and time. Speed, pedals, steering and positions make evidence and sentences fuller.
///
/// # Errors
/// [`LedgerError`] when a lap is empty, ragged or does not run forward in time, when the two do not share their nodes or do not
/// lie on this circuit, and when the circuit has no corners.
pub fn ledger(
    circuit: &Circuit,
    lap: &LapTrace,
    reference: &LapTrace,
    names: Both<&str>,
) -> Result<Ledger, LedgerError> {
    let pair = on_circuit(circuit, lap, reference)?;
    let phases = pair.laps.map(|l| track::phases::phases(circuit, l));
    Ok(draw_up(circuit, &pair, phases.as_ref().map(Vec::as_slice), names))
}

/// Time of `lap` less that of `reference` at each node \[s\].
///
/// # Errors
/// [`LedgerError`] when a lap is empty, ragged or does not run forward in time, or when the two do not share their nodes.
pub fn running_gap(lap: &LapTrace, reference: &LapTrace) -> Result<Vec<f64>, LedgerError> {
    Pair::new(lap, reference).map(|pair| pair.gap_s)
}

fn on_circuit<'a>(
    circuit: &Circuit,
    lap: &'a LapTrace,
    reference: &'a LapTrace,
) -> Result<Pair<'a>, LedgerError> {
    let pair = Pair::new(lap, reference)?;
    let (from_m, to_m) = (pair.s_m()[0], pair.s_m()[pair.s_m().len() - 1]);
    let (length_m, name) = (circuit.length_m(), circuit.name.clone());
    if from_m.abs() > WHOLE_LAP_M || (to_m - length_m).abs() > WHOLE_LAP_M {
        return Err(LedgerError::Circuit { circuit: name, length_m, from_m, to_m });
    }
    if circuit.corners.is_empty() {
        return Err(LedgerError::NoCorners { circuit: name });
    }
    Ok(pair)
}

fn draw_up(circuit: &Circuit, pair: &Pair<'_>, phases: Both<&[CornerPhases]>, names: Both<&str>) -> Ledger {
    let end_m = pair.s_m()[pair.s_m().len() - 1];
    let stretches = cuts::stretches(phases.lap, phases.reference, end_m);
    let straights: Vec<_> =
        stretches.iter().filter(|s| s.phase == Phase::Straight).map(|s| (s.from_m, s.to_m)).collect();
    let drive = Drive::fit(pair, &straights);
    let passes = phases
        .zip(pair.laps)
        .zip(pair.speed_mps.as_ref())
        .map(|((phases, lap), speed_mps)| passes(circuit, lap, speed_mps, phases));
    let settled: Vec<Option<Carried>> = stretches
        .iter()
        .map(|s| (s.phase == Phase::Straight).then(|| drive.carried(pair, s.from_m, s.to_m)))
        .collect();
    let entry = |(i, stretch): (usize, &Stretch)| {
        let of_corner =
            &stretches[stretches.len() - Phase::ALL.len() * (circuit.corners.len() - stretch.corner)..];
        let passes = passes.as_ref().map(|p| &p[stretch.corner]);
        let mut evidence = Evidence::read(circuit, pair, &of_corner[..Phase::ALL.len()], stretch, passes);
        let mut seconds = pair.gap_at(stretch.to_m) - pair.gap_at(stretch.from_m);
        if let Some(carried) = settled[i] {
            let end_mps = pair.speed_at(stretch.to_m).difference();
            evidence.carried_s = Some(carried.seconds);
            evidence.gained_along_mps = Some(end_mps - carried.end_speed_mps);
            if !stretch.from_line {
                seconds -= carried.seconds;
            }
        } else if stretch.phase == Phase::Exit
            && let Some(carried) = settled.get(i + 1).copied().flatten()
        {
            evidence.carried_s = Some(carried.seconds);
            seconds += carried.seconds;
        }
        let corner = &circuit.corners[stretch.corner];
        PhaseEntry {
            corner: corner.name.clone(),
            phase: stretch.phase,
            // Adding zero turns -0 into 0.
            seconds: seconds + 0.0,
            from_m: stretch.from_m,
            to_m: stretch.to_m,
            sentence: sentence::sentence(corner, &circuit.corners[0], stretch, seconds, &evidence),
            evidence,
        }
    };
    let phases: Vec<PhaseEntry> = stretches.iter().enumerate().map(entry).collect();
    let ground = Ground::survey(circuit, pair);
    let first = stretches.len() - Phase::ALL.len() * circuit.corners.len();
    let mut entries: Vec<Entry> = phases[..first].iter().map(account::from_line).collect();
    for (i, corner) in circuit.corners.iter().enumerate() {
        let here = first + Phase::ALL.len() * i..first + Phase::ALL.len() * (i + 1);
        let stretches = &stretches[here.clone()];
        let straight = &stretches[Phase::Straight as usize];
        entries.extend(ground.entries(&Driven {
            corner,
            stretches,
            phases: &phases[here],
            passes: passes.as_ref().map(|p| &p[i]),
            carry_spm: drive.price_spm(pair, straight.from_m, straight.to_m),
        }));
    }
    Ledger {
        lap: names.lap.to_owned(),
        reference: names.reference.to_owned(),
        gap_s: pair.gap_at(end_m) - pair.gap_at(pair.s_m()[0]) + 0.0,
        corners: circuit.corners.clone(),
        entries,
        phases,
    }
}

fn passes(circuit: &Circuit, lap: &LapTrace, speed_mps: &[f64], phases: &[CornerPhases]) -> Vec<Pass> {
    let end_m = lap.s_m[lap.s_m.len() - 1];
    let pass = |i: usize| {
        let from_m = if i == 0 { 0.0 } else { phases[i - 1].straight_m };
        let next_m = phases.get(i + 1).map_or(end_m, |p| p.approach_m);
        Pass::measure(lap, speed_mps, &circuit.corners[i], &phases[i], from_m, next_m)
    };
    (0..phases.len()).map(pass).collect()
}

#[cfg(test)]
mod synthetic;

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use synthetic::{Feet, Waves};

    const CORNERS: usize = 4;
    const LENGTH_M: f64 = 1500.0;

    /// A lap and its phases.
    type Driven = (LapTrace, Vec<CornerPhases>);

    fn draw(circuit: &Circuit, lap: &Driven, reference: &Driven) -> Ledger {
        let pair = on_circuit(circuit, &lap.0, &reference.0).unwrap();
        draw_up(
            circuit,
            &pair,
            Both { lap: &lap.1, reference: &reference.1 },
            Both { lap: "a", reference: "b" },
        )
    }

    fn waves(mean: f64, most: f64, harmonics: std::ops::Range<u32>) -> impl Strategy<Value = Waves> {
        let wave = (harmonics, -most..most, 0.0..1.0_f64).prop_map(|(h, a, p)| (f64::from(h), a, p));
        prop::collection::vec(wave, 1..5).prop_map(move |waves| Waves { mean, waves })
    }

    /// Speed, line and shifts of the phases: all that a lap is made from.
    fn drive() -> impl Strategy<Value = (Waves, Waves, Vec<f64>)> {
        (waves(45.0, 6.0, 1..12), waves(0.0, 1.0, 1..9), prop::collection::vec(-1.0..1.0_f64, 5 * CORNERS))
    }

    fn driven(circuit: &Circuit, (speed, line, shifts): &(Waves, Waves, Vec<f64>)) -> Driven {
        (synthetic::lap(circuit, speed, line), synthetic::phases(circuit, &|k| shifts[k]))
    }

    fn swapped(e: &Evidence) -> serde_json::Value {
        fn turn(v: &serde_json::Value) -> serde_json::Value {
            match v {
                serde_json::Value::Object(m) if m.contains_key("lap") => {
                    serde_json::json!({"lap": m["reference"], "reference": m["lap"]})
                }
                serde_json::Value::Object(m) => m.iter().map(|(k, v)| (k.clone(), turn(v))).collect(),
                serde_json::Value::Number(n) => serde_json::json!(-n.as_f64().unwrap() + 0.0),
                other => other.clone(),
            }
        }
        turn(&serde_json::to_value(e).unwrap())
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]

        #[test]
        fn entries_sum_to_the_gap((a, b) in (drive(), drive())) {
            let c = synthetic::circuit(CORNERS, LENGTH_M, 1.0);
            let (a, b) = (driven(&c, &a), driven(&c, &b));
            let l = draw(&c, &a, &b);
            let times = [&a, &b].map(|d| *d.0.time_s.last().unwrap());
            prop_assert_eq!(l.gap_s, times[0] - times[1]);
            prop_assert!((l.phases.iter().map(|e| e.seconds).sum::<f64>() - l.gap_s).abs() < 1e-9);
            prop_assert!(l.phases.windows(2).all(|w| w[0].to_m == w[1].from_m));
            prop_assert_eq!(l.phases.last().unwrap().to_m, *a.0.s_m.last().unwrap());
        }

        #[test]
        fn causes_sum_to_the_gap_and_corner_by_corner_to_its_phases((a, b) in (drive(), drive())) {
            let c = synthetic::circuit(CORNERS, LENGTH_M, 1.0);
            let l = draw(&c, &driven(&c, &a), &driven(&c, &b));
            prop_assert!((l.entries.iter().map(|e| e.seconds).sum::<f64>() - l.gap_s).abs() < 1e-9);
            for corner in &c.corners {
                let entries: f64 = l.entries.iter().filter(|e| e.corner == corner.name).map(|e| e.seconds).sum();
                let phases: f64 = l.phases.iter().filter(|e| e.corner == corner.name).map(|e| e.seconds).sum();
                prop_assert!((entries - phases).abs() < 1e-9, "{}: {} for {}", corner.name, entries, phases);
            }
            for e in &l.entries {
                prop_assert!(e.interval.lo <= e.seconds && e.seconds <= e.interval.hi);
                prop_assert!(e.from_m <= e.to_m);
            }
        }

        #[test]
        fn exchanging_the_laps_turns_every_cause_and_keeps_its_owner((a, b) in (drive(), drive())) {
            let c = synthetic::circuit(CORNERS, LENGTH_M, 1.0);
            let (a, b) = (driven(&c, &a), driven(&c, &b));
            let (one, other) = (draw(&c, &a, &b), draw(&c, &b, &a));
            prop_assert_eq!(one.entries.len(), other.entries.len());
            for (x, y) in one.entries.iter().zip(&other.entries) {
                prop_assert_eq!(x.seconds, -y.seconds);
                prop_assert_eq!((x.interval.lo, x.interval.hi), (-y.interval.hi, -y.interval.lo));
                prop_assert_eq!((x.from_m, x.to_m, x.cause, x.certainty), (y.from_m, y.to_m, y.cause, y.certainty));
                // A level entry says nothing of who lost it.
                if x.seconds != 0.0 {
                    prop_assert_eq!(x.owner, y.owner);
                }
            }
        }

        #[test]
        fn a_lap_against_itself_has_no_cause(a in drive()) {
            let c = synthetic::circuit(CORNERS, LENGTH_M, 1.0);
            let a = driven(&c, &a);
            for e in &draw(&c, &a, &a).entries {
                prop_assert_eq!(e.cause, Some(Cause::Unexplained));
                prop_assert_eq!(format!("{}", e.seconds), "0");
                prop_assert!(e.sentence.ends_with(": level with the reference."), "{}", e.sentence);
            }
        }

        #[test]
        fn a_mirrored_drive_has_the_same_causes((a, b) in (drive(), drive())) {
            let (c, m) = (synthetic::circuit(CORNERS, LENGTH_M, 1.0), synthetic::circuit(CORNERS, LENGTH_M, -1.0));
            let mirror = |d: &(Waves, Waves, Vec<f64>)| {
                let line = Waves { mean: -d.1.mean, waves: d.1.waves.iter().map(|&(h, a, p)| (h, -a, p)).collect() };
                driven(&m, &(d.0.clone(), line, d.2.clone()))
            };
            let (left, right) = (draw(&c, &driven(&c, &a), &driven(&c, &b)), draw(&m, &mirror(&a), &mirror(&b)));
            // Rounding may carry a cause over the mark below which it is left to the rest.
            let seconds = |l: &Ledger, corner: &str, cause| -> f64 {
                l.entries.iter().filter(|e| e.corner == corner && e.cause == Some(cause)).map(|e| e.seconds).sum()
            };
            for e in left.entries.iter().filter(|e| e.seconds.abs() > 1.001 * EQUAL_S && e.cause != Some(Cause::Unexplained)) {
                let cause = e.cause.unwrap();
                let (l, r) = (seconds(&left, &e.corner, cause), seconds(&right, &e.corner, cause));
                prop_assert!((l - r).abs() < 1e-6, "{} {}: {} and {}", e.corner, cause, l, r);
            }
        }

        #[test]
        fn exchanging_the_laps_turns_every_sign_and_nothing_else((a, b) in (drive(), drive())) {
            let c = synthetic::circuit(CORNERS, LENGTH_M, 1.0);
            let (a, b) = (driven(&c, &a), driven(&c, &b));
            let (one, other) = (draw(&c, &a, &b), draw(&c, &b, &a));
            prop_assert_eq!(one.gap_s, -other.gap_s);
            for (x, y) in one.phases.iter().zip(&other.phases) {
                prop_assert_eq!(x.seconds, -y.seconds);
                prop_assert_eq!((x.from_m, x.to_m), (y.from_m, y.to_m));
                prop_assert_eq!(swapped(&x.evidence), serde_json::to_value(y.evidence).unwrap());
                let turned = x.sentence.replace("lost", "#").replace("gained", "lost").replace('#', "gained");
                let amounts = |s: &str| s.rsplit(';').next().unwrap().to_owned();
                prop_assert_eq!(amounts(&turned), amounts(&y.sentence));
            }
        }

        #[test]
        fn a_lap_against_itself_is_all_zeros(a in drive()) {
            let c = synthetic::circuit(CORNERS, LENGTH_M, 1.0);
            let a = driven(&c, &a);
            let l = draw(&c, &a, &a);
            prop_assert_eq!(format!("{}", l.gap_s), "0");
            for e in &l.phases {
                prop_assert_eq!(format!("{}", e.seconds), "0");
                prop_assert!(e.sentence.ends_with(": level with the reference."), "{}", e.sentence);
                prop_assert!(e.evidence.carried_s.is_none_or(|c| c == 0.0 && c.is_sign_positive()));
            }
        }

        #[test]
        fn a_mirrored_drive_has_the_same_account((a, b) in (drive(), drive())) {
            let (c, m) = (synthetic::circuit(CORNERS, LENGTH_M, 1.0), synthetic::circuit(CORNERS, LENGTH_M, -1.0));
            let mirror = |d: &(Waves, Waves, Vec<f64>)| {
                let line = Waves { mean: -d.1.mean, waves: d.1.waves.iter().map(|&(h, a, p)| (h, -a, p)).collect() };
                driven(&m, &(d.0.clone(), line, d.2.clone()))
            };
            let (left, right) = (draw(&c, &driven(&c, &a), &driven(&c, &b)), draw(&m, &mirror(&a), &mirror(&b)));
            for (x, y) in left.phases.iter().zip(&right.phases) {
                prop_assert_eq!(x.seconds, y.seconds);
                prop_assert_eq!(&x.sentence, &y.sentence);
                let flipped = y.evidence.offset_at_apex_m.map(|o| o.map(|o| o.map(|o| -o)));
                prop_assert_eq!(x.evidence.offset_at_apex_m, flipped);
                let (n, o) = (x.evidence.driven_m.unwrap(), y.evidence.driven_m.unwrap());
                prop_assert!((n.lap.unwrap() - o.lap.unwrap()).abs() < 1e-6);
            }
        }
    }

    /// T2 driven as given, all other corners as usual, against a lap with all corners as usual.
    fn against_usual(t2: Feet) -> (Circuit, Ledger) {
        let c = synthetic::circuit(CORNERS, LENGTH_M, 1.0);
        let usual = [Feet::USUAL; CORNERS];
        let mut feet = usual;
        feet[1] = t2;
        let ledger = draw(&c, &synthetic::by_feet(&c, &feet), &synthetic::by_feet(&c, &usual));
        (c, ledger)
    }

    fn entry<'a>(ledger: &'a Ledger, corner: &str, phase: Phase) -> &'a PhaseEntry {
        ledger.phases.iter().find(|e| e.corner == corner && e.phase == phase && e.from_m > 0.0).unwrap()
    }

    fn sum_of(ledger: &Ledger, corner: &str) -> f64 {
        ledger.entries.iter().filter(|e| e.corner == corner).map(|e| e.seconds).sum()
    }

    /// Time over 270 m that begin at 30 m/s and 4 m/s² after `wait_m` more metres at 30 m/s: closed form.
    fn exit_time_s(wait_m: f64) -> f64 {
        let (v0, a) = (synthetic::SLOWEST_MPS, synthetic::PULL_MPS2);
        wait_m / v0 + ((v0 * v0 + 2.0 * a * (270.0 - wait_m)).sqrt() - v0) / a
    }

    /// Both brake evenly from 55 to 30 m/s, one 6 m before the other, and roll at 30 m/s to the same throttle pick-up.
    #[test]
    fn braking_early_is_lost_between_brake_point_and_throttle() {
        let early = Feet { brake_m: -106.0, release_m: -19.0, ..Feet::USUAL };
        let (_, l) = against_usual(early);
        // Time from 106 m before the apex to 5 m after it, piece by piece: 2 d/(v0 + v1).
        let v = |m: f64| (900.0 + 8.0 * (270.0 - m)).sqrt();
        let lap = 2.0 * 87.0 / (v(6.0) + 30.0) + 24.0 / 30.0;
        let reference = 2.0 * 6.0 / (v(6.0) + v(0.0)) + 2.0 * 90.0 / (v(0.0) + 30.0) + 15.0 / 30.0;
        // The straight before T2 begins at T1's throttle, 270 m before the usual brake point.
        assert!(
            (sum_of(&l, "T2") - (lap - reference)).abs() < 2e-4,
            "{} {}",
            sum_of(&l, "T2"),
            lap - reference
        );
        assert!((l.gap_s - (lap - reference)).abs() < 2e-4);
        for other in ["T1", "T3", "T4"] {
            assert!(sum_of(&l, other).abs() < 1e-4);
        }
        let approach = entry(&l, "T2", Phase::Approach);
        assert!(
            approach.sentence.starts_with("T2 approach: you brake 6 m earlier than the reference"),
            "{}",
            approach.sentence
        );
        assert!(approach.sentence.ends_with(" s lost."), "{}", approach.sentence);
        let entry = entry(&l, "T2", Phase::Entry);
        assert!(
            entry.sentence.contains("are off the brake 9 m sooner than the reference"),
            "{}",
            entry.sentence
        );
        let release = entry.evidence.brake_release_m.and_then(Both::present).unwrap();
        assert!((release.difference() + 9.0).abs() < 0.2);
    }

    #[test]
    fn a_late_throttle_is_booked_to_the_exit_down_to_the_next_brake_point() {
        let (_, l) = against_usual(Feet { throttle_m: 23.0, ..Feet::USUAL });
        let lost_s = exit_time_s(18.0) - exit_time_s(0.0);
        let exit = entry(&l, "T2", Phase::Exit);
        let straight = entry(&l, "T2", Phase::Straight);
        assert!((exit.seconds - lost_s).abs() < 1e-3, "{} of {lost_s}", exit.seconds);
        assert!(straight.seconds.abs() < 1e-3, "{}", straight.seconds);
        assert_eq!(exit.evidence.carried_s, straight.evidence.carried_s);
        let carried_s = exit.evidence.carried_s.unwrap();
        // 95 m and 77 m of 4 m/s² from 30 m/s.
        let slower_kmh = 3.6 * ((900.0_f64 + 8.0 * 95.0).sqrt() - (900.0_f64 + 8.0 * 77.0).sqrt());
        assert_eq!(
            exit.sentence,
            format!(
                "T2 exit: you pick up the throttle 18 m later than the reference and leave {slower_kmh:.1} km/h slower; \
                 {lost_s:.2} s lost, {carried_s:.2} s of it down the straight."
            )
        );
        assert_eq!(straight.sentence, "T2 straight, exit speed aside: level with the reference.");
    }

    fn cause_s(l: &Ledger, corner: &str, cause: Cause) -> f64 {
        l.entries.iter().filter(|e| e.corner == corner && e.cause == Some(cause)).map(|e| e.seconds).sum()
    }

    /// Braking 16 m early with the usual effort and rolling the rest at 30 m/s: the corner's loss in closed form is that of
    /// the phases, and all of it is the brake point's.
    #[test]
    fn an_early_brake_point_is_the_cause_of_its_whole_loss() {
        let (_, l) = against_usual(Feet { brake_m: -116.0, release_m: -10.0, ..Feet::USUAL });
        let loss_s = sum_of(&l, "T2");
        let found_s = cause_s(&l, "T2", Cause::BrakePoint) + cause_s(&l, "T2", Cause::BrakeEffort);
        assert!(loss_s > 0.1 && (found_s / loss_s - 1.0).abs() < 0.1, "{found_s} of {loss_s}");
        let brake =
            l.entries.iter().find(|e| e.corner == "T2" && e.cause == Some(Cause::BrakePoint)).unwrap();
        assert!(
            brake.sentence.starts_with("You brake 16 m earlier than the reference at T2: "),
            "{}",
            brake.sentence
        );
        assert!((brake.phase, brake.owner) == (Phase::Approach, Some(Owner::Driver)));
    }

    #[test]
    fn a_late_throttle_is_the_cause_of_its_whole_loss() {
        let (_, l) = against_usual(Feet { throttle_m: 23.0, ..Feet::USUAL });
        let (loss_s, found_s) = (sum_of(&l, "T2"), cause_s(&l, "T2", Cause::ThrottlePickup));
        assert!((found_s / loss_s - 1.0).abs() < 0.03, "{found_s} of {loss_s}");
        let entry = l.entries.iter().find(|e| e.cause == Some(Cause::ThrottlePickup)).unwrap();
        assert!(
            entry.sentence.starts_with("You pick up the throttle 18 m later than the reference at T2: "),
            "{}",
            entry.sentence
        );
        assert!(entry.interval.lo > 0.0 && entry.certainty == Certainty::Sure);
    }

    /// The same brake point, but down to 30 m/s 40 m sooner, and both feet up from there.
    #[test]
    fn braking_done_too_soon_and_rolling_on_is_coasting() {
        let (_, l) = against_usual(Feet { release_m: -50.0, ..Feet::USUAL });
        let (loss_s, found_s) = (sum_of(&l, "T2"), cause_s(&l, "T2", Cause::Coasting));
        assert!(
            loss_s > 0.1 && (found_s / loss_s - 1.0).abs() < 0.1,
            "{found_s} of {loss_s}: {:?}",
            l.entries
        );
    }

    #[test]
    fn a_gain_is_worded_as_a_gain() {
        let (_, l) = against_usual(Feet { throttle_m: -5.0, ..Feet::USUAL });
        let exit = entry(&l, "T2", Phase::Exit);
        assert!(exit.seconds < -0.05);
        assert!(
            exit.sentence.contains("10 m sooner") && exit.sentence.contains(" s gained, "),
            "{}",
            exit.sentence
        );
    }

    #[test]
    fn without_channels_the_account_stands_and_the_evidence_is_null() {
        let c = synthetic::circuit(CORNERS, LENGTH_M, 1.0);
        let usual = [Feet::USUAL; CORNERS];
        let mut feet = usual;
        feet[1].throttle_m = 23.0;
        let (lap, reference) = (synthetic::by_feet(&c, &feet), synthetic::by_feet(&c, &usual));
        let bare = |d: &Driven| {
            let mut trace = d.0.clone();
            trace.channels.clear();
            trace.offset_m.fill(f64::NAN);
            (trace, d.1.clone())
        };
        let (full, poor) = (draw(&c, &lap, &reference), draw(&c, &bare(&lap), &bare(&reference)));
        for (f, p) in full.phases.iter().zip(&poor.phases) {
            assert!((f.seconds - p.seconds).abs() < 2e-3, "{} against {}", f.sentence, p.sentence);
            let e = serde_json::to_value(p.evidence).unwrap();
            for field in
                ["brake_onset_m", "brake_peak", "coasting_m", "turn_in_m", "throttle_pickup_m", "driven_m"]
            {
                assert!(e[field].is_null(), "{field}: {}", e[field]);
            }
            assert!(e["speed_at_end_mps"]["lap"].is_f64());
        }
        assert!(poor.phases.iter().any(|e| e.sentence.contains("km/h slower than the reference")));
    }

    #[test]
    fn laps_that_cannot_be_compared_are_refused_with_the_reason() {
        let (c, other) = (synthetic::circuit(4, 1500.0, 1.0), synthetic::circuit(5, 1800.0, 1.0));
        let speed = Waves { mean: 40.0, waves: Vec::new() };
        let line = Waves { mean: 0.0, waves: Vec::new() };
        let (lap, foreign) = (synthetic::lap(&c, &speed, &line), synthetic::lap(&other, &speed, &line));
        let names = Both { lap: "a", reference: "b" };
        let says = |r: Result<Ledger, LedgerError>, part: &str| {
            let message = r.unwrap_err().to_string();
            assert!(message.contains(part), "{message}");
        };
        says(
            ledger(&c, &lap, &foreign, names),
            "1501 places over 1500.0 m and the reference 1801 over 1800.0 m",
        );
        says(ledger(&other, &lap, &lap, names), "circuit 'Waves' is 1800.0 m round");
        let empty = LapTrace { s_m: vec![], time_s: vec![], offset_m: vec![], channels: Default::default() };
        says(ledger(&c, &empty, &lap, names), "the lap has 0 places");
        says(ledger(&c, &lap, &empty, names), "the reference has 0 places");
        let mut back = lap.clone();
        back.time_s[700] = back.time_s[699];
        says(ledger(&c, &back, &lap, names), "time of the lap goes from");
        back.time_s[700] = f64::NAN;
        says(ledger(&c, &lap, &back, names), "to NaN s at 700.0 m");
        let mut astray = lap.clone();
        astray.s_m[5] = 3.0;
        says(ledger(&c, &astray, &lap, names), "place 5 of the lap is 3 m after 4 m");
        let mut ragged = lap.clone();
        ragged.channels.insert(channels::Channel::Brake, vec![0.0; 3]);
        says(ledger(&c, &ragged, &lap, names), "3 values of brake");
        let mut oval = c.clone();
        oval.corners.clear();
        says(ledger(&oval, &lap, &lap, names), "no corners");
        assert!(running_gap(&lap, &foreign).is_err());
    }

    #[test]
    fn the_running_gap_ends_at_the_gap() {
        let c = synthetic::circuit(4, 1500.0, 1.0);
        let line = Waves { mean: 0.0, waves: Vec::new() };
        let at = |mean| synthetic::lap(&c, &Waves { mean, waves: Vec::new() }, &line);
        let gap = running_gap(&at(40.0), &at(50.0)).unwrap();
        assert_eq!((gap.len(), gap[0]), (1501, 0.0));
        assert!((gap[1500] - 1500.0 / 200.0).abs() < 1e-9 && (gap[750] - 750.0 / 200.0).abs() < 1e-9);
    }

    /// Two drives in closed form, each logged at four rates and begun at another fraction of a sample, laid over the
    /// circuit and accounted for: entries agree with those at 200 Hz.
    #[test]
    fn the_same_drives_at_other_rates_give_the_same_entries() {
        let c = synthetic::circuit(6, 3000.0, 1.0);
        let speed =
            |mean, amplitude, phase| Waves { mean, waves: vec![(6.0, amplitude, phase), (2.0, 3.0, 0.1)] };
        let line = |phase| Waves { mean: 0.3, waves: vec![(6.0, 1.5, phase), (1.0, 0.5, 0.4)] };
        let at = |rate_hz: f64| {
            let trace = |(speed, line, late): (Waves, Waves, f64)| {
                let (samples, lap) = synthetic::log(&c, &speed, &line, rate_hz, late / rate_hz);
                track::trace::lap_trace(&samples, &lap, &c).unwrap()
            };
            let lap = trace((speed(44.0, 12.0, 0.27), line(0.2), 0.3));
            let reference = trace((speed(45.0, 13.0, 0.25), line(0.3), 0.8));
            ledger(&c, &lap, &reference, Both { lap: "a", reference: "b" }).unwrap()
        };
        let fine = at(200.0);
        assert!(fine.phases.iter().any(|e| e.seconds > 0.05));
        for rate_hz in [100.0, 60.0, 50.0] {
            let coarse = at(rate_hz);
            assert!((coarse.gap_s - fine.gap_s).abs() < 1e-6);
            for (f, c) in fine.phases.iter().zip(&coarse.phases) {
                let off_s = c.seconds - f.seconds;
                assert!(
                    off_s.abs() < 0.005,
                    "{rate_hz} Hz: {off_s:+.4} s in {} {}: {} {}",
                    f.corner,
                    f.phase,
                    f.sentence,
                    c.sentence
                );
            }
        }
    }
}
