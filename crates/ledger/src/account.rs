//! From priced causes to entries: what each cause lost where, whose it is, how sure that is, and in which words.
//!
//! Causes below [`LEAST_S`] are left to the corner's unexplained rest, which so stays honest and short. The interval of an
//! entry is half the range of what its cause adds to the coalitions (where that is wide, causes cannot be told apart),
//! the share of the unexplained that may be its own (in proportion to the seconds), and [`RESOLUTION_S`], added up.

use crate::cause::Cause;
use crate::cuts::Stretch;
use crate::evidence::Evidence;
use crate::game::{Priced, Section};
use crate::grip::Grip;
use crate::line::{self, Source};
use crate::owner::{self, Owner};
use crate::pair::Pair;
use crate::pass::Pass;
use crate::{Both, EQUAL_S, Entry, Phase, PhaseEntry, words};
use channels::Channel;
use serde::Serialize;
use track::{Circuit, Corner};

/// What another logging rate moves a cause by \[s\]: the typical difference between 100 and 50 Hz on simulated drives.
pub(crate) const RESOLUTION_S: f64 = 0.004;

/// Between which seconds an entry lies.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Interval {
    /// Lower end \[s\].
    pub lo: f64,
    /// Upper end \[s\].
    pub hi: f64,
}

/// Causes smaller than this \[s\] are no entries of their own. Well below what is worth a word, so that a cause which another
/// logging rate carries over the mark moves an entry by no more than this.
const LEAST_S: f64 = 0.002;

/// How surely a cause is there, and whose it is. Car and rig are named by rules of thumb, so their entries are never sure.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Certainty {
    /// Its interval holds zero, or the channels that tell it from other causes are missing.
    Open,
    /// The interval does not hold zero.
    Likely,
    /// The seconds are more than twice the half width of the interval, and neither car nor rig is named.
    Sure,
}

/// Columns that the causes need, once per pair.
pub(crate) struct Ground<'a> {
    pub(crate) circuit: &'a Circuit,
    pub(crate) pair: &'a Pair<'a>,
    square: Both<Vec<f64>>,
    driven_m: Both<Vec<f64>>,
    curvature_1pm: Option<Both<Vec<f64>>>,
    pub(crate) grip: Both<Option<Grip>>,
    gear: Option<Both<&'a [f64]>>,
    brake_known: bool,
    throttle_known: bool,
    /// The reference is the slower lap: prices are computed the other way round.
    turned: bool,
}

/// A corner as the first form of the ledger left it.
pub(crate) struct Driven<'a> {
    pub(crate) corner: &'a Corner,
    /// Its five stretches, their entries and their evidence.
    pub(crate) stretches: &'a [Stretch],
    pub(crate) phases: &'a [PhaseEntry],
    pub(crate) passes: Both<&'a Pass>,
    /// Price of the exit's end on the straight.
    pub(crate) carry_spm: f64,
}

impl<'a> Ground<'a> {
    pub(crate) fn survey(circuit: &'a Circuit, pair: &'a Pair<'a>) -> Self {
        let times = pair.laps.map(|l| &l.time_s);
        let last = times.map(|t| t[t.len() - 1]);
        // The slower lap first; laps of the same time by the first place where they part.
        let apart = pair.gap_s.iter().find(|g| **g != 0.0).copied().unwrap_or(0.0);
        let turned = last.lap < last.reference || (last.lap == last.reference && apart < 0.0);
        let bends = line::circuit_curvature(circuit, pair.laps.reference);
        let logged = pair.channel(Channel::Speed).is_some();
        let driven_m = pair.laps.map(|l| logged.then(|| line::driven_m(&bends, l)).flatten()).present();
        // The line as it lies and the bend that the car felt on it: two readings with errors of their own, so their mean.
        let read = |source| {
            let curvature = |(lap, v): (_, &Vec<f64>)| line::curvature(&bends, lap, v, source);
            pair.laps.zip(pair.speed_mps.as_ref()).map(curvature).present()
        };
        let felt = read(Source::Acceleration).or_else(|| read(Source::YawRate));
        let curvature_1pm = match (read(Source::Positions), felt) {
            (Some(lies), Some(felt)) => Some(lies.zip(felt).map(|(a, b)| line::mean(a, &b))),
            (lies, felt) => lies.or(felt),
        };
        Self {
            circuit,
            pair,
            square: pair.speed_mps.as_ref().map(|v| v.iter().map(|v| v * v).collect()),
            driven_m: driven_m
                .unwrap_or_else(|| Both { lap: pair.s_m().to_vec(), reference: pair.s_m().to_vec() }),
            curvature_1pm,
            grip: pair.laps.zip(pair.speed_mps.as_ref()).map(|(lap, v)| Grip::of(lap, v)),
            gear: pair.channel(Channel::Gear),
            brake_known: pair.channel(Channel::Brake).is_some(),
            throttle_known: pair.channel(Channel::Throttle).is_some(),
            turned,
        }
    }

    /// Prices of a corner's causes, the lap against the reference.
    fn price(&self, driven: &Driven<'_>) -> Vec<Priced> {
        let s = self.pair.s_m();
        let (begin_m, exit_end_m) = (driven.stretches[0].from_m, driven.stretches[4].from_m);
        let end_m = driven.stretches[4].to_m;
        // One node more at each side, so that the ends lie between nodes.
        let from = s.partition_point(|&x| x < begin_m).saturating_sub(1);
        let to = (s.partition_point(|&x| x <= end_m) + 1).min(s.len());
        let slowest = driven.passes.map(|p| p.minimum_speed_at_m);
        let tightest = |k: &Vec<f64>| {
            let (from_m, to_m) = (driven.stretches[1].from_m, slowest.max() + 10.0);
            line::tightest(s, k, driven.corner.direction, from_m, to_m)
        };
        let gear =
            self.gear.map(|g| g.zip(slowest).map(|(g, m)| g[s.partition_point(|&x| x < m).min(s.len() - 1)]));
        fn turn<T>(turned: bool, b: Both<T>) -> Both<T> {
            if turned { Both { lap: b.reference, reference: b.lap } } else { b }
        }
        let section = Section {
            s_m: &s[from..to],
            square: turn(self.turned, self.square.as_ref().map(|u| &u[from..to])),
            driven_m: turn(self.turned, self.driven_m.as_ref().map(|d| &d[from..to])),
            passes: turn(self.turned, driven.passes),
            begin_m,
            exit_end_m,
            tightest_1pm: self
                .curvature_1pm
                .as_ref()
                .and_then(|k| turn(self.turned, k.as_ref()).map(tightest).present()),
            carry_spm: driven.carry_spm,
            gear: gear.map(|g| turn(self.turned, g)),
            brake_known: self.brake_known,
        };
        let mut priced = section.price();
        if self.turned {
            for p in &mut priced {
                *p = Priced { seconds: -p.seconds, least: -p.most, most: -p.least, ..*p };
            }
        }
        priced
    }

    /// Entries of a corner; their sum is the sum of its phases.
    pub(crate) fn entries(&self, driven: &Driven<'_>) -> Vec<Entry> {
        let loss_s: f64 = driven.phases.iter().map(|p| p.seconds).sum();
        let priced = self.price(driven);
        let mut kept: Vec<Priced> =
            priced.into_iter().filter(|p| p.seconds.abs() >= LEAST_S && p.seconds.is_finite()).collect();
        kept.sort_by_key(|p| p.cause);
        let told_s: f64 = kept.iter().map(|p| p.seconds).sum();
        let rest_s = loss_s - told_s + 0.0;
        let size_s: f64 = kept.iter().map(|p| p.seconds.abs()).sum();
        let half = |p: &Priced| {
            0.5 * (p.most - p.least) + rest_s.abs() * p.seconds.abs() / size_s.max(EQUAL_S) + RESOLUTION_S
        };
        let mut entries: Vec<Entry> =
            kept.iter().map(|p| self.entry(driven, p.cause, p.seconds, half(p))).collect();
        let rest_half = kept.iter().map(|p| half(p).powi(2)).sum::<f64>().sqrt().max(RESOLUTION_S);
        entries.push(self.entry(driven, Cause::Unexplained, rest_s, rest_half));
        entries
    }

    fn entry(&self, driven: &Driven<'_>, cause: Cause, seconds: f64, half_s: f64) -> Entry {
        let phase = phase_of(cause, driven.phases);
        let of_phase = &driven.phases[phase as usize];
        let owned = owner::decide(self, driven, cause, seconds);
        let told = match cause {
            Cause::Release | Cause::BrakePoint | Cause::BrakeEffort => self.brake_known,
            Cause::Coasting | Cause::Lift => self.brake_known && self.throttle_known,
            Cause::ThrottlePickup | Cause::DriveOut => self.throttle_known,
            Cause::MinimumSpeed | Cause::LineRadius => self.curvature_1pm.is_some(),
            Cause::LineDistance | Cause::Gear => true,
            Cause::Unexplained => false,
        };
        let certainty = if !told || seconds.abs() <= half_s {
            Certainty::Open
        } else if seconds.abs() <= 2.0 * half_s || matches!(owned.owner, Owner::Car | Owner::Rig) {
            Certainty::Likely
        } else {
            Certainty::Sure
        };
        let (from_m, to_m) = if cause == Cause::Unexplained {
            (driven.stretches[0].from_m, driven.stretches[4].to_m)
        } else {
            (of_phase.from_m, of_phase.to_m)
        };
        Entry {
            corner: driven.corner.name.clone(),
            phase,
            cause: Some(cause),
            owner: Some(owned.owner),
            seconds,
            interval: Interval { lo: seconds - half_s, hi: seconds + half_s },
            certainty,
            from_m,
            to_m,
            sentence: words::sentence(driven, cause, seconds),
            owner_reason: owned.reason,
            evidence: of_phase.evidence,
        }
    }
}

/// The straight from the line to the first corner: what the lap before settled, and no cause of this lap's corners.
pub(crate) fn from_line(phase: &PhaseEntry) -> Entry {
    Entry {
        corner: phase.corner.clone(),
        phase: Phase::Straight,
        cause: Some(Cause::Unexplained),
        owner: Some(Owner::Unknown),
        seconds: phase.seconds,
        interval: Interval { lo: phase.seconds - RESOLUTION_S, hi: phase.seconds + RESOLUTION_S },
        certainty: Certainty::Open,
        from_m: phase.from_m,
        to_m: phase.to_m,
        sentence: phase.sentence.clone(),
        owner_reason: "before the first corner the lap before still counts".to_owned(),
        evidence: phase.evidence,
    }
}

/// The phase in which a cause acts; that of the unexplained is the one with the largest seconds.
fn phase_of(cause: Cause, phases: &[PhaseEntry]) -> Phase {
    match cause {
        Cause::BrakePoint | Cause::BrakeEffort | Cause::Lift => Phase::Approach,
        Cause::Release => Phase::Entry,
        Cause::Coasting | Cause::MinimumSpeed | Cause::LineDistance | Cause::LineRadius => Phase::MidCorner,
        Cause::ThrottlePickup | Cause::DriveOut | Cause::Gear => Phase::Exit,
        Cause::Unexplained => phases
            .iter()
            .max_by(|a, b| a.seconds.abs().total_cmp(&b.seconds.abs()))
            .map_or(Phase::Straight, |p| p.phase),
    }
}

/// Evidence of a phase of the corner.
impl Driven<'_> {
    pub(crate) fn evidence(&self, phase: Phase) -> &Evidence {
        &self.phases[phase as usize].evidence
    }
}
