//! Who is wrong: the smallest set of changes that makes the comparisons agree.
//!
//! A comparison only says that two quantities disagree. A channel is blamed when changing it settles more comparisons than
//! it spoils; of several that settle the same, the one that is more often wrong in practice. Changes are taken one after
//! the other, the one that settles most first.

use super::compare::{Node, Observation};
use channels::{Channel, Dimension};
use std::f64::consts::PI;

/// One change: the values of a node are wrong by a factor, or late.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Change {
    pub(super) node: Node,
    /// What the values must be divided by.
    pub(super) factor: f64,
    /// What a factor of units means: from, taken for.
    pub(super) units: Option<(&'static str, &'static str)>,
    /// How late the node is \[s\].
    pub(super) delay_s: f64,
    /// Indices of the comparisons that it settles.
    pub(super) settles: Vec<usize>,
    /// Other nodes whose change would have settled the same.
    pub(super) alternatives: Vec<Node>,
}

/// More changes than this mean that the comparisons cannot be trusted.
const MOST_CHANGES: usize = 8;

/// How far a node is trusted when the comparisons cannot tell; less is blamed first. Common practice, no source: positions
/// come whole or not at all, signs of accelerations and steering differ from source to source.
fn trust(node: Node) -> f64 {
    match node {
        Node::Position => 9.0,
        Node::Mirror => 7.0,
        Node::Sides => 2.0,
        Node::Wheels => 4.0,
        Node::One(c) => match c {
            Channel::Speed => 6.0,
            Channel::VelocityX | Channel::Heading => 5.0,
            Channel::YawRate => 4.0,
            Channel::AccelX | Channel::AccelY => 3.0,
            _ => 2.0,
        },
    }
}

/// Units that are taken for one another: the first, and what it is taken for; factor of the wrong value over the right.
fn unit_factors(dimension: Dimension) -> &'static [(&'static str, &'static str, f64)] {
    const DEG: f64 = 180.0 / PI;
    match dimension {
        Dimension::Speed => &[
            ("km/h", "m/s", 3.6),
            ("m/s", "km/h", 1.0 / 3.6),
            ("mph", "m/s", 1.0 / 0.44704),
            ("m/s", "mph", 0.44704),
            ("km/h", "mph", 1.609_344),
            ("mph", "km/h", 1.0 / 1.609_344),
        ],
        Dimension::Acceleration => &[
            ("g", "m/s2", 1.0 / channels::STANDARD_GRAVITY_MPS2),
            ("m/s2", "g", channels::STANDARD_GRAVITY_MPS2),
        ],
        Dimension::AngularRate => &[("deg/s", "rad/s", DEG), ("rad/s", "deg/s", 1.0 / DEG)],
        Dimension::Angle => &[("deg", "rad", DEG), ("rad", "deg", 1.0 / DEG)],
        Dimension::Length => &[
            ("mm", "m", 1e3),
            ("km", "m", 1e-3),
            ("cm", "m", 1e2),
            ("ft", "m", 1.0 / 0.3048),
            ("m", "ft", 0.3048),
        ],
        _ => &[],
    }
}

fn candidates(node: Node) -> Vec<(f64, Option<(&'static str, &'static str)>)> {
    let mut all = Vec::new();
    let dimension = match node {
        Node::One(c) => Some(c.dimension()),
        Node::Position => Some(Dimension::Length),
        Node::Wheels => Some(Dimension::Speed),
        Node::Mirror | Node::Sides => None,
    };
    // A position has no sign of its own.
    if node != Node::Position {
        all.push((-1.0, None));
    }
    for &(from, taken_for, factor) in dimension.map(unit_factors).unwrap_or_default() {
        all.push((factor, Some((from, taken_for))));
        if matches!(node, Node::One(_)) {
            all.push((-factor, Some((from, taken_for))));
        }
    }
    all
}

fn corrected(observation: &Observation, changes: &[Change]) -> f64 {
    let power = |node| observation.terms.iter().find(|(n, _)| *n == node).map_or(0, |(_, p)| *p);
    changes.iter().fold(observation.evidence.slope, |k, c| k / c.factor.powi(power(c.node)))
}

/// Whether the slope is one that nature allows; an unclear scale only has its sign judged.
fn agrees(observation: &Observation, changes: &[Change]) -> bool {
    let k = corrected(observation, changes);
    let (low, high) = observation.allowed;
    if !observation.scale_clear {
        return k > 0.0;
    }
    // Noise in the one or the other: the true slope lies between the two lines of regression, k r and k / r.
    let r = observation.evidence.correlation.abs();
    let level = observation.evidence.misfit < super::compare::LEVEL_MISFIT;
    let (least, most) = if level { (k, k) } else { (k * r, k / r) };
    k > 0.0 && least <= high && most >= low
}

fn on_time(observation: &Observation, changes: &[Change]) -> bool {
    let late = |node| changes.iter().filter(|c| c.node == node).map(|c| c.delay_s).sum::<f64>();
    let explained: f64 = observation.delays.iter().map(|(n, sign)| sign * late(*n)).sum();
    let (low, high) = observation.allowed_lag_s;
    (low..=high).contains(&(observation.evidence.lag_s - explained))
}

/// Wrong signs and units.
///
/// `signed` tells whether a node may be counted the other way at all: a speed that is positive is not.
pub(super) fn factors(observations: &[Observation], signed: &dyn Fn(Node) -> bool) -> Vec<Change> {
    let judged: Vec<usize> = (0..observations.len()).filter(|&i| observations[i].sign_clear).collect();
    settle(
        observations,
        &judged,
        |changes| {
            let mut nodes: Vec<Node> = judged
                .iter()
                .filter(|&&i| !agrees(&observations[i], changes))
                .flat_map(|&i| observations[i].terms.iter().map(|t| t.0))
                .collect();
            nodes.sort();
            nodes.dedup();
            nodes
                .into_iter()
                .flat_map(|node| {
                    candidates(node).into_iter().map(move |(factor, units)| (node, factor, units))
                })
                .filter(|&(node, factor, _)| factor > 0.0 || signed(node))
                .map(|(node, factor, units)| Change {
                    node,
                    factor,
                    units,
                    delay_s: 0.0,
                    settles: Vec::new(),
                    alternatives: Vec::new(),
                })
                .collect()
        },
        agrees,
    )
}

/// Delays \[s\].
pub(super) fn delays(observations: &[Observation]) -> Vec<Change> {
    let judged: Vec<usize> = (0..observations.len()).filter(|&i| observations[i].lag_clear).collect();
    let mut changes = settle(
        observations,
        &judged,
        |changes| {
            let mut all = Vec::new();
            for &i in judged.iter().filter(|&&i| !on_time(&observations[i], changes)) {
                let o = &observations[i];
                let middle = f64::midpoint(o.allowed_lag_s.0, o.allowed_lag_s.1);
                for &(node, sign) in &o.delays {
                    all.push(Change {
                        node,
                        factor: 1.0,
                        units: None,
                        delay_s: sign * (o.evidence.lag_s - middle),
                        settles: Vec::new(),
                        alternatives: Vec::new(),
                    });
                }
            }
            all
        },
        on_time,
    );
    // The delay is the one that the best of its comparisons shows, among those in which nature allows least.
    for change in &mut changes {
        let freedom = |o: &Observation| o.allowed_lag_s.1 - o.allowed_lag_s.0;
        let best = change.settles.iter().map(|&i| &observations[i]).min_by(|a, b| {
            let size = |o: &Observation| -o.evidence.correlation.abs();
            freedom(a).total_cmp(&freedom(b)).then(size(a).total_cmp(&size(b)))
        });
        if let Some(o) = best
            && let Some(&(_, sign)) = o.delays.iter().find(|(n, _)| *n == change.node)
        {
            let middle = f64::midpoint(o.allowed_lag_s.0, o.allowed_lag_s.1);
            change.delay_s = sign * (o.evidence.lag_s - middle);
        }
    }
    changes
}

fn settle(
    observations: &[Observation],
    judged: &[usize],
    candidates: impl Fn(&[Change]) -> Vec<Change>,
    good: impl Fn(&Observation, &[Change]) -> bool,
) -> Vec<Change> {
    let mut changes: Vec<Change> = Vec::new();
    while changes.len() < MOST_CHANGES {
        let before: Vec<bool> = judged.iter().map(|&i| good(&observations[i], &changes)).collect();
        let mut best: Option<(f64, f64, Change)> = None;
        for candidate in candidates(&changes) {
            // Twice the same node is once another factor.
            if changes.iter().any(|c| c.node == candidate.node) {
                continue;
            }
            let mut trial = changes.clone();
            trial.push(candidate.clone());
            let mut gain = 0.0;
            let mut settles = Vec::new();
            for (&i, &was) in judged.iter().zip(&before) {
                let weight = observations[i].evidence.correlation.powi(2).max(0.25);
                match (was, good(&observations[i], &trial)) {
                    (false, true) => {
                        gain += weight;
                        settles.push(i);
                    }
                    (true, false) => gain -= weight,
                    _ => {}
                }
            }
            if gain <= 1e-9 {
                continue;
            }
            let score = gain - 0.02 * trust(candidate.node);
            let (node, better) = (candidate.node, best.as_ref().is_none_or(|b| score > b.1));
            let as_good = best.as_ref().is_some_and(|b| (gain - b.0).abs() < 1e-9 && b.2.node != node);
            if better {
                let mut alternatives = Vec::new();
                if as_good && let Some((_, _, old)) = best.take() {
                    alternatives = old.alternatives;
                    alternatives.push(old.node);
                }
                best = Some((gain, score, Change { settles, alternatives, ..candidate }));
            } else if as_good
                && let Some((_, _, b)) = &mut best
                && !b.alternatives.contains(&node)
            {
                b.alternatives.push(node);
            }
        }
        let Some((_, _, change)) = best else { break };
        changes.push(change);
    }
    changes
}

/// Comparisons that no change settled.
pub(super) fn unsettled(observations: &[Observation], changes: &[Change]) -> Vec<usize> {
    (0..observations.len())
        .filter(|&i| observations[i].sign_clear && !agrees(&observations[i], changes))
        .collect()
}
