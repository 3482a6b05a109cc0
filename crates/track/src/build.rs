//! Making a circuit: from driven laps, from a centre-line file, or by dead reckoning.

use crate::circuit::{
    Borders, CentrePoint, Circuit, CircuitError, FEWEST_POINTS, SHORTEST_M, SourceDistance,
};
use crate::laps::{Lap, LapKind};
use crate::path::{self, Path, median};
use crate::projection::{Projected, Projector};
use crate::spline::ClosedCurve;
use crate::trace::{self, LapTrace};
use crate::{corners, phases};
use channels::{Channel, Samples, View};

/// Distance between the knots of a circuit \[m\]: a tenth of the tightest hairpin's arc, so that its curvature is resolved.
const KNOT_SPACING_M: f64 = 2.0;
/// Waves of this length are halved in a driven line \[m\]. A hairpin of 10 m radius (62.8 m round) is moved by 1 % of its
/// radius, noise of single samples goes.
const DRIVEN_HALF_WAVE_M: f64 = 20.0;
/// Waves of this length are halved in a centre-line file \[m\]: it is smooth but rounded.
const FILE_HALF_WAVE_M: f64 = 10.0;
/// Places nearer than this to the one before are passed over \[m\]: rounding would bend the line.
const LEAST_STEP_M: f64 = 0.5;
/// Ends of a lap further apart than this are no closed lap \[m\]: wider than any circuit.
const LARGEST_GAP_M: f64 = 40.0;
/// The two ends of one lap are led together over this distance \[m\].
const BLEND_M: f64 = 75.0;
/// Laps that are this close to the middle of all count towards the line \[m\]: half a car's width.
const NEAR_MIDDLE_M: f64 = 1.0;
/// More laps than this add nothing to the line.
const MOST_LAPS: usize = 12;

impl Circuit {
    /// Circuit from timed laps: the middle of the driven lines (median over the laps, so a lap off line does not pull it),
    /// smoothed, closed, over arc length, with s = 0 where the laps' line was crossed.
    ///
    /// Valid laps are taken where there are any. Without positions, speed and yaw rate (or lateral acceleration) are
    /// integrated and the loop is closed by spreading what is missing: a map with the right shape, in a frame of its own.
    ///
    /// # Errors
    /// [`CircuitError`] for no timed lap, missing channels, and a lap that does not close.
    pub fn from_laps(name: &str, samples: &Samples, laps: &[Lap]) -> Result<Self, CircuitError> {
        let timed: Vec<&Lap> = laps.iter().filter(|l| l.kind == LapKind::Timed).collect();
        let valid: Vec<&Lap> = timed.iter().copied().filter(|l| l.valid).collect();
        let mut used = if valid.is_empty() { timed.clone() } else { valid };
        if used.is_empty() {
            return Err(CircuitError::NoLap { laps: laps.len(), timed: timed.len() });
        }
        // The laps nearest to the usual pace: slow laps are off the line.
        let usual_s = median(used.iter().filter_map(|l| l.lap_time_s)).unwrap_or(0.0);
        let away = |l: &Lap| (l.end_s - l.start_s - usual_s).abs();
        used.sort_by(|a, b| away(a).total_cmp(&away(b)));
        used.truncate(MOST_LAPS);
        let line = match Path::of(samples) {
            Some(path) => driven_line(&path, &used)?,
            None => reckoned_line(samples, &used)?,
        };
        let mut circuit = assemble(name, &line, None);
        let traces: Vec<_> =
            used.iter().take(5).filter_map(|l| trace::lap_trace(samples, l, &circuit).ok()).collect();
        circuit.place_braking(&traces);
        circuit.source = source_distance(&traces);
        Ok(circuit)
    }

    /// Circuit from the points of a centre-line file in driving order, the first on the start line, the last joining the
    /// first.
    ///
    /// # Errors
    /// [`CircuitError`] for bad or too few points, and points that do not close.
    pub fn from_centre_line(name: &str, points: &[CentrePoint]) -> Result<Self, CircuitError> {
        for (i, p) in points.iter().enumerate() {
            let bad = |what| Err(CircuitError::Point { index: i + 1, what });
            if !(p.x_m.is_finite() && p.y_m.is_finite()) {
                return bad("a coordinate that is not a number");
            }
            if p.width_left_m < 0.0 || p.width_right_m < 0.0 {
                return bad("a width below 0");
            }
        }
        let mut kept: Vec<CentrePoint> = Vec::with_capacity(points.len());
        let apart = |a: &CentrePoint, b: &CentrePoint| (a.x_m - b.x_m).hypot(a.y_m - b.y_m);
        for p in points {
            if kept.last().is_none_or(|q| apart(p, q) >= 0.1) {
                kept.push(*p);
            }
        }
        // Files repeat the first point at the end, or do not.
        while kept.len() > 1 && apart(&kept[0], &kept[kept.len() - 1]) < 0.1 {
            kept.pop();
        }
        let places: Vec<[f64; 2]> = kept.iter().map(|p| [p.x_m, p.y_m]).collect();
        check_size(&places)?;
        let steps: Vec<f64> = kept.windows(2).map(|w| apart(&w[0], &w[1])).collect();
        let gap_m = apart(&kept[0], &kept[kept.len() - 1]);
        if gap_m > LARGEST_GAP_M.max(3.0 * steps.iter().copied().fold(0.0, f64::max)) {
            return Err(CircuitError::Open { gap_m, length_m: steps.iter().sum() });
        }
        let curve = smooth(&places, FILE_HALF_WAVE_M)?;
        let line = even(&curve, 0.0)?;
        let borders = kept.iter().all(|p| p.width_left_m.is_finite() && p.width_right_m.is_finite());
        let borders = borders.then(|| borders_along(&curve, &kept, line.points().len()));
        Ok(assemble(name, &line, borders))
    }

    /// Sets `start_m` of each corner to where most laps began to brake for it.
    fn place_braking(&mut self, traces: &[LapTrace]) {
        let starts: Vec<Option<f64>> = (0..self.corners.len())
            .map(|i| {
                let onsets: Vec<f64> =
                    traces.iter().filter_map(|t| phases::brake_onset(self, t, i)).collect();
                median(onsets.iter().copied()).filter(|_| 2 * onsets.len() > traces.len())
            })
            .collect();
        for (corner, onset) in self.corners.iter_mut().zip(starts) {
            let start_m = onset.map_or(corner.turn_in_m, |s| s.min(corner.turn_in_m));
            corner.start_m = corners::to_millimetre(start_m);
        }
    }
}

/// Median lap distance of the laps about every ten metres. At the line it is 0 by definition; what it is just before is
/// carried on from the last reading.
fn source_distance(traces: &[LapTrace]) -> Option<SourceDistance> {
    const STRIDE: usize = 10;
    let s = &traces.first()?.s_m;
    let shown: Vec<&Vec<f64>> = traces.iter().filter_map(|t| t.channels.get(&Channel::LapDistance)).collect();
    let pieces = (s.len() - 1) / STRIDE;
    let length_m = *s.last()?;
    let reading = |s_m: f64| {
        // Between the nodes around: even pieces do not fall onto nodes.
        let r = s_m / length_m * (s.len() - 1) as f64;
        let (i, w) = (r as usize, r.fract());
        median(shown.iter().map(|v| v[i] + (v[i + 1] - v[i]) * w))
    };
    let mut table = vec![0.0];
    for k in 1..pieces {
        table.push((reading(length_m * k as f64 / pieces as f64)? * 100.0).round() / 100.0);
    }
    let before = length_m - 5.0;
    let last = reading(before)? + 5.0;
    table.push((last * 100.0).round() / 100.0);
    table.windows(2).all(|w| w[1] > w[0]).then_some(SourceDistance(table))
}

/// Puts line, borders and corners together. Coordinates are kept to the micrometre and corners to the millimetre: few
/// enough digits that a stored circuit reads back as the very same.
fn assemble(name: &str, line: &ClosedCurve, borders: Option<Borders>) -> Circuit {
    let round = |v: f64| (v * 1e6).round() / 1e6;
    let points: Vec<[f64; 2]> = line.points().into_iter().map(|[x, y]| [round(x), round(y)]).collect();
    let n = points.len();
    let length_m = round(line.period());
    let knots: Vec<f64> = (0..n).map(|i| length_m * i as f64 / n as f64).collect();
    // The knots were a valid ring before they were rounded to far less than their distance.
    let line = ClosedCurve::interpolate(&knots, length_m, &points).unwrap_or_else(|_| line.clone());
    let mut circuit = Circuit { name: name.to_owned(), corners: Vec::new(), line, borders, source: None };
    circuit.corners = corners::find(&circuit);
    circuit
}

fn check_size(places: &[[f64; 2]]) -> Result<(), CircuitError> {
    let length_m: f64 = places.windows(2).map(|w| (w[1][0] - w[0][0]).hypot(w[1][1] - w[0][1])).sum();
    if places.len() < FEWEST_POINTS || length_m < SHORTEST_M {
        return Err(CircuitError::TooShort { points: places.len(), length_m });
    }
    Ok(())
}

fn smooth(places: &[[f64; 2]], half_wave_m: f64) -> Result<ClosedCurve, CircuitError> {
    check_size(places)?;
    ClosedCurve::smooth_through(places, half_wave_m).map_err(CircuitError::Smoothing)
}

/// The curve over arc length from parameter `start` on.
fn even(curve: &ClosedCurve, start: f64) -> Result<ClosedCurve, CircuitError> {
    let pieces = |c: &ClosedCurve| (c.length_m() / KNOT_SPACING_M).ceil() as usize;
    curve
        .by_arc_length(start, pieces(curve))
        // Once more: the new curve is shorter than the old by the cut corners between its knots.
        .and_then(|c| c.by_arc_length(0.0, pieces(&c)))
        .map_err(CircuitError::Smoothing)
}

/// Widths of the file at the knots of the line: read at the file's point nearest along the curve, which keeps its order.
fn borders_along(curve: &ClosedCurve, points: &[CentrePoint], n: usize) -> Borders {
    let arcs = curve.arc_lengths_m();
    let length = arcs[arcs.len() - 1];
    let read = |width: &dyn Fn(&CentrePoint) -> f64| {
        let mut k = 0;
        (0..n)
            .map(|i| {
                let s = length * i as f64 / n as f64;
                while k + 1 < points.len() && arcs[k + 1] <= s {
                    k += 1;
                }
                let w = ((s - arcs[k]) / (arcs[k + 1] - arcs[k])).clamp(0.0, 1.0);
                let (a, b) = (width(&points[k]), width(&points[(k + 1) % points.len()]));
                ((a + (b - a) * w) * 1e3).round() / 1e3
            })
            .collect()
    };
    Borders { left_m: read(&|p| p.width_left_m), right_m: read(&|p| p.width_right_m) }
}

/// Places of one lap from line to line, thinned, its ends led together.
fn closed_places(path: &Path, lap: &Lap) -> Result<Vec<[f64; 2]>, CircuitError> {
    let mut places = Vec::new();
    places.extend(path.curved_at(lap.start_s));
    places.extend(path.between(lap.start_s, lap.end_s).map(|i| path.place(i)));
    places.extend(path.curved_at(lap.end_s));
    check_size(&places)?;
    let (first, last) = (places[0], places[places.len() - 1]);
    let mut kept = vec![first];
    let mut along = vec![0.0];
    let mut sum = 0.0;
    for p in &places[1..] {
        let q = kept[kept.len() - 1];
        let step = (p[0] - q[0]).hypot(p[1] - q[1]);
        if step >= LEAST_STEP_M {
            sum += step;
            kept.push(*p);
            along.push(sum);
        }
    }
    let gap = [last[0] - first[0], last[1] - first[1]];
    if gap[0].hypot(gap[1]) > LARGEST_GAP_M {
        return Err(CircuitError::NotClosed {
            from_s: lap.start_s,
            gap_m: gap[0].hypot(gap[1]),
            length_m: sum,
        });
    }
    let blend_m = BLEND_M.min(sum / 8.0);
    for (p, s) in kept.iter_mut().zip(&along) {
        // Half the gap at either end, faded out smoothly.
        let fade = |d: f64| {
            let w = (1.0 - d / blend_m).max(0.0);
            0.5 * w * w * (3.0 - 2.0 * w)
        };
        let share = fade(*s) - fade(sum - s);
        *p = [p[0] + gap[0] * share, p[1] + gap[1] * share];
    }
    // Both ends are one place now.
    while kept.len() > 1 {
        let q = kept[kept.len() - 1];
        if (q[0] - kept[0][0]).hypot(q[1] - kept[0][1]) >= LEAST_STEP_M {
            break;
        }
        kept.pop();
    }
    Ok(kept)
}

/// Middle of the driven lines.
fn driven_line(path: &Path, laps: &[&Lap]) -> Result<ClosedCurve, CircuitError> {
    let mut closed = Vec::new();
    let mut refused = None;
    for lap in laps {
        match closed_places(path, lap) {
            Ok(places) => closed.push((*lap, places)),
            Err(e) => refused = Some(e),
        }
    }
    let Some((_, base)) = closed.first() else {
        return Err(refused.unwrap_or(CircuitError::NoLap { laps: laps.len(), timed: laps.len() }));
    };
    let base = even(&smooth(base, DRIVEN_HALF_WAVE_M)?, 0.0)?;
    let frame = Circuit { name: String::new(), corners: Vec::new(), line: base, borders: None, source: None };
    let projector = Projector::new(&frame);
    let n = frame.line.points().len();
    let length = frame.length_m();
    let offsets: Vec<Vec<f64>> = closed
        .iter()
        .map(|(_, places)| {
            let order: Vec<f64> = (0..places.len()).map(|i| i as f64 * 1e-3).collect();
            offsets_at(&projector.follow(&order, places, Some(0.0)), length, n)
        })
        .collect();
    let middle: Vec<[f64; 2]> = (0..n)
        .map(|i| {
            let here: Vec<f64> = offsets.iter().map(|o| o[i]).filter(|o| o.is_finite()).collect();
            let centre = median(here.iter().copied()).unwrap_or(0.0);
            let near = here.iter().filter(|o| (**o - centre).abs() <= NEAR_MIDDLE_M);
            let (sum, count) = near.fold((0.0, 0), |(s, c), o| (s + o, c + 1));
            let offset = if count > 0 { sum / f64::from(count) } else { centre };
            let (x, y) = frame.point_beside(length * i as f64 / n as f64, offset);
            [x, y]
        })
        .collect();
    let curve = even(&smooth(&middle, DRIVEN_HALF_WAVE_M)?, 0.0)?;
    // s = 0 where the laps crossed their line, on average.
    let placed =
        Circuit { name: String::new(), corners: Vec::new(), line: curve, borders: None, source: None };
    let projector = Projector::new(&placed);
    let length = placed.length_m();
    let crossings =
        closed.iter().flat_map(|(lap, _)| [path.curved_at(lap.start_s), path.curved_at(lap.end_s)]);
    let signed = |s: f64| if s > 0.5 * length { s - length } else { s };
    let line_m = median(crossings.flatten().map(|p| signed(projector.nearest(p).s_m))).unwrap_or(0.0);
    even(&placed.line, line_m)
}

/// Offsets of a followed lap at `n` even abscissae, straight between its places; NaN where it did not come by.
fn offsets_at(followed: &[Projected], length: f64, n: usize) -> Vec<f64> {
    let mut out = vec![f64::NAN; n];
    for w in followed.windows(2) {
        let (a, b) = (w[0], w[1]);
        let node = |s: f64| s / length * n as f64;
        if b.s_m <= a.s_m || b.s_m - a.s_m > 0.5 * length {
            continue;
        }
        for i in node(a.s_m).ceil() as i64..=node(b.s_m).floor() as i64 {
            let s = length * i as f64 / n as f64;
            let w = (s - a.s_m) / (b.s_m - a.s_m);
            out[i.rem_euclid(n as i64) as usize] = a.offset_m + (b.offset_m - a.offset_m) * w;
        }
    }
    // The closing piece of a thinned lap has no end of its own.
    let first = out.iter().position(|o| o.is_finite()).unwrap_or(0);
    let mut last = out[first];
    for k in 0..n {
        let o = &mut out[(first + k) % n];
        if o.is_finite() {
            last = *o;
        } else {
            *o = last;
        }
    }
    out
}

/// Line by dead reckoning, averaged over the laps.
///
/// Each lap gives its length `∫v dt` and its curvature `ψ̇ / v` over the share of the lap. The median curvature is
/// integrated to heading and place. The heading must come round by a whole turn (or none, for a figure of eight): its
/// error, a gyroscope's offset, is spread evenly; so is what the place is short of closing.
fn reckoned_line(samples: &Samples, laps: &[&Lap]) -> Result<ClosedCurve, CircuitError> {
    const PURPOSE: &str = "draw the circuit without positions";
    let speed = match path::speed(samples) {
        Some(v) => v,
        None => samples.require(Channel::Speed, PURPOSE)?,
    };
    let yaw = samples.get(Channel::YawRate);
    let lateral = samples.get(Channel::AccelY);
    let turning = match (yaw, lateral) {
        (Some(v), _) | (None, Some(v)) => v,
        (None, None) => samples.require(Channel::YawRate, PURPOSE)?,
    };
    let reckoned: Vec<(f64, Vec<f64>)> = laps.iter().filter_map(|l| curvatures(speed, turning, l)).collect();
    let length_m = median(reckoned.iter().map(|r| r.0)).unwrap_or(0.0);
    if length_m < SHORTEST_M {
        return Err(CircuitError::TooShort { points: reckoned.len(), length_m });
    }
    let n = RECKONED_NODES;
    let ds = length_m / n as f64;
    let curvature: Vec<f64> = (0..n)
        .map(|i| median(reckoned.iter().map(|(own_m, k)| k[i] * own_m / length_m)).unwrap_or(0.0))
        .collect();
    let turned: f64 = curvature.iter().map(|k| k * ds).sum();
    let whole = (turned / std::f64::consts::TAU).round() * std::f64::consts::TAU;
    let offset = (whole - turned) / length_m;
    let (mut heading, mut x, mut y) = (0.0_f64, 0.0, 0.0);
    let mut places = Vec::with_capacity(n);
    for k in &curvature {
        places.push([x, y]);
        let turn = (k + offset) * ds;
        let (sin, cos) = (heading + 0.5 * turn).sin_cos();
        (x, y, heading) = (x + ds * cos, y + ds * sin, heading + turn);
    }
    let gap_m = x.hypot(y);
    if gap_m > 0.2 * length_m {
        return Err(CircuitError::NotClosed { from_s: laps[0].start_s, gap_m, length_m });
    }
    for (i, p) in places.iter_mut().enumerate() {
        let share = i as f64 / n as f64;
        *p = [p[0] - x * share, p[1] - y * share];
    }
    even(&smooth(&places, DRIVEN_HALF_WAVE_M)?, 0.0)
}

/// Nodes of a dead-reckoned lap: a few metres on a long circuit, shorter than a corner on any.
const RECKONED_NODES: usize = 2000;

/// Length of a lap \[m\] and its mean curvature \[1/m\] between even shares of it.
fn curvatures(speed: View<'_>, turning: View<'_>, lap: &Lap) -> Option<(f64, Vec<f64>)> {
    let part = speed.between(lap.start_s, lap.end_s);
    let turn = turning.on(part.time_s);
    let by_accel = turning.channel == Channel::AccelY;
    let (mut distance, mut heading) = (vec![0.0], vec![0.0]);
    let mut before: Option<(f64, f64, f64)> = None;
    for ((&t, &v), &w) in part.time_s.iter().zip(part.values).zip(&turn) {
        let rate = if by_accel { w / v.max(3.0) } else { w };
        if !(v.is_finite() && rate.is_finite()) {
            continue;
        }
        let (t0, v0, w0) = before.unwrap_or((lap.start_s, v, rate));
        distance.push(distance[distance.len() - 1] + 0.5 * (v.max(0.0) + v0.max(0.0)) * (t - t0));
        heading.push(heading[heading.len() - 1] + 0.5 * (rate + w0) * (t - t0));
        before = Some((t, v, rate));
    }
    let (t, v, w) = before?;
    distance.push(distance[distance.len() - 1] + v.max(0.0) * (lap.end_s - t));
    heading.push(heading[heading.len() - 1] + w * (lap.end_s - t));
    let total = *distance.last()?;
    if total < SHORTEST_M {
        return None;
    }
    let mut k = 0;
    let mut heading_at = |s: f64| {
        while k + 2 < distance.len() && distance[k + 1] < s {
            k += 1;
        }
        let h = distance[k + 1] - distance[k];
        let w = if h > 0.0 { (s - distance[k]) / h } else { 0.0 };
        heading[k] + (heading[k + 1] - heading[k]) * w.clamp(0.0, 1.0)
    };
    let ds = total / RECKONED_NODES as f64;
    let at: Vec<f64> = (0..=RECKONED_NODES).map(|i| heading_at(i as f64 * ds)).collect();
    Some((total, at.windows(2).map(|w| (w[1] - w[0]) / ds).collect()))
}
