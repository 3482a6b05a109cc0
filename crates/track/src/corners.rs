//! Corners from curvature.
//!
//! A corner is a stretch that turns to one side: its curvature rises above [`ON_1PM`], it is followed down to
//! [`OFF_1PM`] on both sides, and the heading changes by at least [`LEAST_TURN_RAD`]. A stretch with two peaks is two
//! corners when the line nearly straightens between them ([`VALLEY_SHARE`]), so that a long corner with two apexes stays
//! one and two corners of the same side in a row stay two. A change of side always ends a corner.

use crate::circuit::{Circuit, Corner, Direction};

/// Tighter than this makes a corner \[1/m\]: a radius of 500 m, 0.5 g at 50 m/s. Common practice, no source.
const ON_1PM: f64 = 1.0 / 500.0;
/// Begin and end of a corner \[1/m\]: half the threshold, so that a corner does not flicker.
const OFF_1PM: f64 = 1.0 / 1000.0;
/// Least change of heading \[rad\]: 10 degrees. A lane's width of drift on a straight stays below 5.
const LEAST_TURN_RAD: f64 = 10.0 * std::f64::consts::PI / 180.0;
/// Two peaks are two corners when the curvature between them falls below this share of the lower one.
const VALLEY_SHARE: f64 = 0.4;
/// Spread of the smoothing of curvature \[m\]: a car's length or two; steering corrections are shorter.
const SPREAD_M: f64 = 8.0;
/// The corner begins and ends where its curvature is this share of its peak, but at least [`OFF_1PM`]: a tight corner does
/// not begin with the drift across the straight before it.
const EDGE_SHARE: f64 = 0.12;
/// The apex is the middle of what is tighter than this share of the peak: steady on a long arc, exact on a sharp one.
const APEX_SHARE: f64 = 0.8;

/// Curvature at the nodes (without the last, which is the first), smoothed.
fn smoothed(circuit: &Circuit) -> (f64, Vec<f64>) {
    let mut nodes = circuit.nodes_m();
    nodes.pop();
    let step = circuit.length_m() / nodes.len() as f64;
    let raw: Vec<f64> = nodes.iter().map(|&s| circuit.curvature(s)).collect();
    let reach = (3.0 * SPREAD_M / step).ceil() as usize;
    let weight = |k: usize| (-0.5 * (k as f64 * step / SPREAD_M).powi(2)).exp();
    let total: f64 = weight(0) + 2.0 * (1..=reach).map(weight).sum::<f64>();
    let n = raw.len();
    let at = |i: usize| {
        let sides = (1..=reach).map(|k| weight(k) * (raw[(i + k) % n] + raw[(i + n * (1 + k / n) - k) % n]));
        (raw[i] + sides.sum::<f64>()) / total
    };
    (step, (0..n).map(at).collect())
}

/// All corners, numbered from the line.
pub(crate) fn find(circuit: &Circuit) -> Vec<Corner> {
    let (step, k) = smoothed(circuit);
    let n = k.len();
    // Begin at the straightest node, so that no corner is cut.
    let origin = (0..n).min_by(|&a, &b| k[a].abs().total_cmp(&k[b].abs())).unwrap_or(0);
    let at = |i: usize| k[(origin + i) % n];
    let mut parts = Vec::new();
    let mut i = 0;
    while i < n {
        let side = at(i).signum();
        let begin = i;
        while i < n && at(i) * side > OFF_1PM {
            i += 1;
        }
        if i > begin {
            split(&at, begin, i, &mut parts);
        } else {
            i += 1;
        }
    }
    let mut corners: Vec<Corner> = parts
        .into_iter()
        .filter_map(|(a, b)| corner(&at, a, b, step))
        .map(|c| shifted(c, origin as f64 * step, circuit.length_m()))
        .collect();
    corners.sort_by(|a, b| a.apex_m.total_cmp(&b.apex_m));
    for (i, c) in corners.iter_mut().enumerate() {
        c.number = i + 1;
        c.name = format!("T{}", i + 1);
    }
    corners
}

/// Cuts a stretch at its deepest valley between two peaks, again and again.
fn split(at: &impl Fn(usize) -> f64, begin: usize, end: usize, parts: &mut Vec<(usize, usize)>) {
    let size = |i: usize| at(i).abs();
    let n = end - begin;
    let (mut left, mut right) = (vec![0.0_f64; n], vec![0.0_f64; n]);
    for j in 0..n {
        left[j] = size(begin + j).max(if j > 0 { left[j - 1] } else { 0.0 });
    }
    for j in (0..n).rev() {
        right[j] = size(begin + j).max(if j + 1 < n { right[j + 1] } else { 0.0 });
    }
    let valley = (begin..end)
        .map(|i| (i, size(i) / left[i - begin].min(right[i - begin])))
        .min_by(|a, b| a.1.total_cmp(&b.1));
    match valley {
        Some((i, depth)) if depth < VALLEY_SHARE => {
            split(at, begin, i, parts);
            split(at, i, end, parts);
        }
        _ => parts.push((begin, end)),
    }
}

fn corner(at: &impl Fn(usize) -> f64, begin: usize, end: usize, step: f64) -> Option<Corner> {
    let size = |i: usize| at(i).abs();
    let peak = (begin..end).map(size).fold(0.0, f64::max);
    let turn: f64 = (begin..end).map(|i| size(i) * step).sum();
    if peak < ON_1PM || turn < LEAST_TURN_RAD {
        return None;
    }
    let tight: Vec<usize> = (begin..end).filter(|&i| size(i) >= APEX_SHARE * peak).collect();
    let apex = 0.5 * (tight.first()? + tight.last()?) as f64;
    // Where the level is passed between two nodes, outwards from the apex.
    let level = OFF_1PM.max(EDGE_SHARE * peak);
    let edge = |inside: usize, outside: usize| {
        let (a, b) = (size(inside), size(outside) * (at(outside) * at(inside)).signum());
        let w = if a > level && b < level { (a - level) / (a - b) } else { 0.0 };
        inside as f64 + (outside as f64 - inside as f64) * w
    };
    let inner = (begin..*tight.first()?).rev().take_while(|&i| size(i) > level).last().unwrap_or(tight[0]);
    let outer = (*tight.last()?..end).take_while(|&i| size(i) > level).last()?;
    let first = if inner == 0 { 0.0 } else { edge(inner, inner - 1) };
    let last = edge(outer, outer + 1);
    Some(Corner {
        name: String::new(),
        number: 0,
        start_m: first * step,
        turn_in_m: first * step,
        apex_m: apex * step,
        exit_m: last * step,
        direction: if at(tight[0]) > 0.0 { Direction::Left } else { Direction::Right },
        radius_m: 1.0 / peak,
    })
}

/// Moves a corner along by `by_m` and brings its apex into the lap.
fn shifted(c: Corner, by_m: f64, length_m: f64) -> Corner {
    let apex_m = (c.apex_m + by_m).rem_euclid(length_m);
    let by_m = apex_m - c.apex_m;
    Corner {
        start_m: to_millimetre(c.start_m + by_m),
        turn_in_m: to_millimetre(c.turn_in_m + by_m),
        apex_m: to_millimetre(apex_m),
        exit_m: to_millimetre(c.exit_m + by_m),
        radius_m: to_millimetre(c.radius_m),
        ..c
    }
}

pub(crate) fn to_millimetre(v: f64) -> f64 {
    (v * 1e3).round() / 1e3
}
