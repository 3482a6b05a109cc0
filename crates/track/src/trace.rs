//! A lap over the common coordinate of its circuit.

use crate::path::{self, Path, median};
use crate::projection::{Projected, Projector};
use crate::{Circuit, Lap};
use channels::{Channel, MissingChannel, Samples, View};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// Why a lap has no trace on a circuit.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum TraceError {
    /// The lap is not timed.
    #[error("lap {0} is not timed from line to line and cannot be laid over others; choose a timed lap")]
    NotTimed(i32),
    /// Nothing to tell the place from.
    #[error("lap {number} cannot be placed on the circuit without x, y or lap_distance: {source}")]
    Missing {
        /// Number of the lap.
        number: i32,
        /// The channel that would help.
        source: MissingChannel,
    },
    /// Fewer than two samples in the lap.
    #[error("lap {number} holds {samples} sample(s) with a place; at least {FEWEST_SAMPLES} are needed")]
    TooFew {
        /// Number of the lap.
        number: i32,
        /// Samples with a place.
        samples: usize,
    },
    /// Positions that do not belong to this circuit.
    #[error(
        "lap {number} is not a lap of '{circuit}': {time_s:.1} s into the recording it is {off_m:.0} m beside the line \
         (at {s_m:.0} m). Was another circuit driven, or are the positions in another frame?"
    )]
    OtherCircuit {
        /// Number of the lap.
        number: i32,
        /// Name of the circuit.
        circuit: String,
        /// Where it was noticed \[s\].
        time_s: f64,
        /// Abscissa there \[m\].
        s_m: f64,
        /// Distance from the centre line \[m\].
        off_m: f64,
    },
    /// The lap was counted at another line than the circuit's.
    #[error(
        "lap {number} begins at {at_m:.0} m of '{circuit}', not at its start line; split the recording's laps at the circuit's line"
    )]
    OtherLine {
        /// Number of the lap.
        number: i32,
        /// Abscissa at its begin \[m\].
        at_m: f64,
        /// Name of the circuit.
        circuit: String,
    },
    /// The lap does not go once round.
    #[error(
        "lap {number} reaches {reached_m:.0} m of a circuit of {circuit_m:.0} m: it takes a short cut, goes round more than once, or jumps"
    )]
    NotRound {
        /// Number of the lap.
        number: i32,
        /// Abscissa at its end, running on from its begin \[m\].
        reached_m: f64,
        /// Length of the circuit \[m\].
        circuit_m: f64,
    },
    /// The distance driven does not fit the circuit.
    #[error(
        "lap {number} is {lap_m:.0} m long by {channel}, but '{circuit}' is {circuit_m:.0} m; was another circuit driven, \
         or is {channel} in another unit?"
    )]
    OtherLength {
        /// Number of the lap.
        number: i32,
        /// Length of the lap \[m\].
        lap_m: f64,
        /// Channel it was taken from.
        channel: Channel,
        /// Name of the circuit.
        circuit: String,
        /// Its length \[m\].
        circuit_m: f64,
    },
    /// The car never moved.
    #[error("lap {0} has no speed above walking pace, so it has no distance; choose another lap")]
    Standing(i32),
}

/// Fewest samples with a place that make a trace.
pub(crate) const FEWEST_SAMPLES: usize = 10;

/// A lap at the nodes of its circuit ([`Circuit::nodes_m`](crate::Circuit::nodes_m)); all lists have one value per node.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LapTrace {
    /// Abscissa \[m\]: even, from 0 to the length of the circuit, the same for every lap of the circuit.
    pub s_m: Vec<f64>,
    /// Time since the line \[s\]: strictly increasing, exactly 0 first and the lap time last.
    pub time_s: Vec<f64>,
    /// Driven line, to the left of the centre line \[m\]; NaN where the recording has no positions.
    pub offset_m: Vec<f64>,
    /// Readings \[SI\] at the nodes; NaN in holes of the recording.
    pub channels: BTreeMap<Channel, Vec<f64>>,
}

/// A lap that begins further from the circuit's line than this was counted at another line \[m\].
const OTHER_LINE_M: f64 = 25.0;
/// Beside the line by more than this for half of the lap, it is another circuit \[m\].
const OTHER_CIRCUIT_M: f64 = 30.0;
/// Lap distances and driven distances differ from the circuit's length by less than this share: inner and outer line of
/// a short circuit, and wheel speeds that read high.
const LENGTH_PLAY: f64 = 0.1;
/// Lap distances whose length agrees by this share are counted along the same line.
const SAME_SOURCE: f64 = 0.002;
/// Time stamps outside the samples by up to this are read at the nearest sample \[s\]: the line may lie just outside.
const EDGE_S: f64 = 0.15;
/// Below this a lap has no distance \[m/s\].
const WALKING_MPS: f64 = 2.0;

/// Lays a timed lap over the nodes of its circuit.
///
/// Abscissae come from positions projected onto the line; without positions from the lap distance, by the table of the
/// circuit where it has one ([`Circuit::lap_distance`]), and without that from integrated speed, both scaled to the
/// circuit's length. Between samples, time over abscissa is a monotone cubic with
/// slopes `dt/ds = 1/ṡ` from the logged speed (`[FritschCarlson1980]` limits the slopes), so the logging rate hardly
/// matters. Where the car goes back, the first passage counts. A steady distance between the circuit's line and the
/// recording's own (sub-metre) is spread over the lap, so that time is 0 at the first node and the lap time at the last.
///
/// # Errors
/// [`TraceError`]: not timed, no place, too few samples, another circuit or another line.
pub fn lap_trace(samples: &Samples, lap: &Lap, circuit: &Circuit) -> Result<LapTrace, TraceError> {
    let lap_time_s = lap.lap_time_s.filter(|t| *t > 0.0).ok_or(TraceError::NotTimed(lap.number))?;
    // Some samples beyond both ends, to tell the place at the line.
    let mut drive = match Path::part(samples, lap.start_s - 1.0, lap.end_s + 1.0) {
        Some(path) => by_position(&path, lap, circuit)?,
        None => match samples.get(Channel::LapDistance) {
            Some(distance) => by_lap_distance(distance, lap, circuit)?,
            None => by_speed(samples, lap, circuit)?,
        },
    };
    drive.keep_first_passages(lap_time_s, circuit.length_m());
    if drive.time_s.len() < FEWEST_SAMPLES {
        return Err(TraceError::TooFew { number: lap.number, samples: drive.time_s.len() });
    }
    let s_m = circuit.nodes_m();
    let (time_s, offset_m) = drive.at_nodes(&s_m, path::speed(samples), lap.start_s);
    let clock: Vec<f64> = time_s.iter().map(|t| lap.start_s + t).collect();
    let channels = samples
        .channels()
        .filter(|c| *c != Channel::Time)
        .filter_map(|c| samples.get(c))
        .map(|view| (view.channel, readings(view, &clock)))
        .collect();
    Ok(LapTrace { s_m, time_s, offset_m, channels })
}

fn readings(view: View<'_>, clock: &[f64]) -> Vec<f64> {
    let (Some(&first), Some(&last)) = (view.time_s.first(), view.time_s.last()) else {
        return vec![f64::NAN; clock.len()];
    };
    let inside = |t: f64| if t > first - EDGE_S && t < last + EDGE_S { t.clamp(first, last) } else { t };
    view.on(&clock.iter().map(|&t| inside(t)).collect::<Vec<_>>())
}

/// Samples of a lap: time since the line, abscissa, offset.
struct Driven {
    time_s: Vec<f64>,
    s_m: Vec<f64>,
    offset_m: Vec<f64>,
}

fn by_position(path: &Path, lap: &Lap, circuit: &Circuit) -> Result<Driven, TraceError> {
    let range = path.between(lap.start_s, lap.end_s);
    let (mut time, mut places) = (Vec::with_capacity(range.len() + 2), Vec::with_capacity(range.len() + 2));
    let mut push = |t: f64, p: [f64; 2]| {
        if time.last().is_none_or(|&last| t > last) {
            time.push(t);
            places.push(p);
        }
    };
    if let Some(p) = path.curved_at(lap.start_s) {
        push(lap.start_s, p);
    }
    range.clone().for_each(|i| push(path.time_s[i], path.place(i)));
    if let Some(p) = path.curved_at(lap.end_s) {
        push(lap.end_s, p);
    }
    let (Some(&first_s), Some(&last_s)) = (time.first(), time.last()) else {
        return Err(TraceError::TooFew { number: lap.number, samples: 0 });
    };
    let projector = Projector::new(circuit);
    let from = projector.nearest(places[0]);
    let other = |p: &Projected, time_s: f64| TraceError::OtherCircuit {
        number: lap.number,
        circuit: circuit.name.clone(),
        time_s,
        s_m: p.s_m,
        off_m: p.offset_m.abs(),
    };
    if from.offset_m.abs() > OTHER_CIRCUIT_M {
        return Err(other(&from, first_s));
    }
    let followed = projector.follow(&time, &places, Some(0.0));
    let off_m = median(followed.iter().map(|p| p.offset_m.abs())).unwrap_or(0.0);
    if off_m > OTHER_CIRCUIT_M {
        let worst = (0..followed.len())
            .max_by(|&a, &b| followed[a].offset_m.abs().total_cmp(&followed[b].offset_m.abs()));
        let worst = worst.unwrap_or(0);
        return Err(other(&followed[worst], time[worst]));
    }
    let length = circuit.length_m();
    // What the line of the recording lies past the circuit's, at both ends. Ends just outside the samples stay as they are.
    let near = |t: f64, edge: f64| (t - edge).abs() < 1e-9;
    let start_m = if near(first_s, lap.start_s) { followed[0].s_m } else { 0.0 };
    let end_m = if near(last_s, lap.end_s) { followed[followed.len() - 1].s_m - length } else { start_m };
    if start_m.abs() > OTHER_LINE_M || followed[0].offset_m.abs() > OTHER_CIRCUIT_M {
        return Err(TraceError::OtherLine {
            number: lap.number,
            at_m: from.s_m,
            circuit: circuit.name.clone(),
        });
    }
    if end_m.abs() > OTHER_LINE_M {
        return Err(TraceError::NotRound {
            number: lap.number,
            reached_m: length + end_m,
            circuit_m: length,
        });
    }
    let shift = |s: f64| start_m + (end_m - start_m) * (s / length);
    Ok(Driven {
        time_s: time.iter().map(|t| t - lap.start_s).collect(),
        s_m: followed.iter().map(|p| p.s_m - shift(p.s_m)).collect(),
        offset_m: followed.iter().map(|p| p.offset_m).collect(),
    })
}

fn by_lap_distance(distance: View<'_>, lap: &Lap, circuit: &Circuit) -> Result<Driven, TraceError> {
    let part = distance.between(lap.start_s, lap.end_s);
    let mut drive = Driven { time_s: Vec::new(), s_m: Vec::new(), offset_m: Vec::new() };
    let n = part.values.len();
    for (i, (&t, &d)) in part.time_s.iter().zip(part.values).enumerate() {
        // A source that restarts a sample late or early leaves half a lap of error at the very ends.
        let seam =
            (i < n / 4 && d > 0.75 * circuit.length_m()) || (i > n - n / 4 && d < 0.25 * circuit.length_m());
        if d.is_finite() && !seam {
            drive.time_s.push(t - lap.start_s);
            drive.s_m.push(d);
        }
    }
    let k = drive.s_m.len();
    if k < FEWEST_SAMPLES {
        return Err(TraceError::TooFew { number: lap.number, samples: k });
    }
    let pace = (drive.s_m[k - 1] - drive.s_m[k - 5]) / (drive.time_s[k - 1] - drive.time_s[k - 5]);
    let lap_m = drive.s_m[k - 1] + pace * (lap.end_s - lap.start_s - drive.time_s[k - 1]);
    let scale = fitting(lap, circuit, lap_m, Channel::LapDistance)?;
    match circuit.source.as_ref().filter(|t| (t.length_m() / lap_m - 1.0).abs() < SAME_SOURCE) {
        Some(table) => drive.s_m.iter_mut().for_each(|s| *s = table.abscissa(*s, circuit.length_m())),
        None => drive.s_m.iter_mut().for_each(|s| *s *= scale),
    }
    Ok(drive.without_offsets())
}

fn by_speed(samples: &Samples, lap: &Lap, circuit: &Circuit) -> Result<Driven, TraceError> {
    let Some(speed) = path::speed(samples) else {
        let source = MissingChannel { channel: Channel::Speed, purpose: "place the lap on the circuit" };
        return Err(TraceError::Missing { number: lap.number, source });
    };
    let mut time = vec![lap.start_s];
    time.extend(
        speed.between(lap.start_s, lap.end_s).time_s.iter().filter(|&&t| t > lap.start_s && t < lap.end_s),
    );
    time.push(lap.end_s);
    let v = readings(speed, &time);
    let mut drive = Driven { time_s: vec![0.0], s_m: vec![0.0], offset_m: Vec::new() };
    let mut sum = 0.0;
    let mut before = (time[0], v[0].max(0.0));
    for (&t, &v) in time.iter().zip(&v).skip(1).filter(|(_, v)| v.is_finite()) {
        let v = v.max(0.0);
        let first = if before.1.is_finite() { before.1 } else { v };
        sum += 0.5 * (first + v) * (t - before.0);
        before = (t, v);
        drive.time_s.push(t - lap.start_s);
        drive.s_m.push(sum);
    }
    if sum < WALKING_MPS * (lap.end_s - lap.start_s) {
        return Err(TraceError::Standing(lap.number));
    }
    let scale = fitting(lap, circuit, sum, speed.channel)?;
    drive.s_m.iter_mut().for_each(|s| *s *= scale);
    Ok(drive.without_offsets())
}

/// What brings a distance to the circuit's length.
fn fitting(lap: &Lap, circuit: &Circuit, lap_m: f64, channel: Channel) -> Result<f64, TraceError> {
    let scale = circuit.length_m() / lap_m;
    if (scale - 1.0).abs() <= LENGTH_PLAY {
        return Ok(scale);
    }
    Err(TraceError::OtherLength {
        number: lap.number,
        lap_m,
        channel,
        circuit: circuit.name.clone(),
        circuit_m: circuit.length_m(),
    })
}

impl Driven {
    fn without_offsets(mut self) -> Self {
        self.offset_m = vec![f64::NAN; self.s_m.len()];
        self
    }

    /// Leaves only samples that reach further than all before, strictly inside the lap, and adds its two ends.
    fn keep_first_passages(&mut self, lap_time_s: f64, length_m: f64) {
        const LEAST_STEP_M: f64 = 1e-3;
        let n = self.s_m.len();
        let (first_offset, last_offset) = (self.offset_m.first().copied(), self.offset_m.last().copied());
        let mut kept =
            Driven { time_s: vec![0.0], s_m: vec![0.0], offset_m: vec![first_offset.unwrap_or(f64::NAN)] };
        let (mut t0, mut s0) = (0.0, 0.0);
        for i in 0..n {
            let (t, s) = (self.time_s[i], self.s_m[i]);
            let ahead = s > s0 + LEAST_STEP_M && s < length_m - LEAST_STEP_M;
            if ahead && t > t0 && t < lap_time_s {
                kept.time_s.push(t);
                kept.s_m.push(s);
                kept.offset_m.push(self.offset_m[i]);
                (t0, s0) = (t, s);
            }
        }
        kept.time_s.push(lap_time_s);
        kept.s_m.push(length_m);
        kept.offset_m.push(last_offset.unwrap_or(f64::NAN));
        *self = kept;
    }

    /// Time and offset at the nodes.
    fn at_nodes(&self, nodes: &[f64], speed: Option<View<'_>>, start_s: f64) -> (Vec<f64>, Vec<f64>) {
        let slopes = self.slopes(speed, start_s);
        let (t, s) = (&self.time_s, &self.s_m);
        let last = s.len() - 1;
        let mut k = 0;
        let mut time = Vec::with_capacity(nodes.len());
        let mut offset = Vec::with_capacity(nodes.len());
        for &node in nodes {
            while k + 1 < last && s[k + 1] <= node {
                k += 1;
            }
            let h = s[k + 1] - s[k];
            let w = ((node - s[k]) / h).clamp(0.0, 1.0);
            let (w2, w3) = (w * w, w * w * w);
            let rise = t[k + 1] - t[k];
            // Cubic Hermite form, written from the left end so that w = 0 is exact.
            time.push(
                t[k] + rise * (3.0 * w2 - 2.0 * w3)
                    + h * (slopes[k] * (w - 2.0 * w2 + w3) + slopes[k + 1] * (w3 - w2)),
            );
            offset.push(self.offset_m[k] + (self.offset_m[k + 1] - self.offset_m[k]) * w);
        }
        if let (Some(first), Some(end)) = (time.first_mut(), t.first()) {
            *first = *end;
        }
        if let (Some(final_), Some(end)) = (time.last_mut(), t.last()) {
            *final_ = *end;
        }
        (time, offset)
    }

    /// `dt/ds` at each sample, limited so that time stays monotone between them.
    fn slopes(&self, speed: Option<View<'_>>, start_s: f64) -> Vec<f64> {
        let (t, s) = (&self.time_s, &self.s_m);
        let n = t.len();
        let clock: Vec<f64> = t.iter().map(|t| start_s + t).collect();
        let v = speed.map_or_else(|| vec![f64::NAN; n], |view| readings(view, &clock));
        let secant = |i: usize| (t[i + 1] - t[i]) / (s[i + 1] - s[i]);
        (0..n)
            .map(|i| {
                let (a, b) = (i.saturating_sub(1), (i + 1).min(n - 1));
                // Distance along the line over distance driven, from the neighbours: 1/(1 - n k), and the scale of s.
                let driven: f64 = (a..b).map(|k| 0.5 * (v[k] + v[k + 1]) * (t[k + 1] - t[k])).sum();
                let by_speed = driven / ((s[b] - s[a]) * v[i]);
                let slope = if by_speed.is_finite() && by_speed > 0.0 && v[i] > WALKING_MPS {
                    by_speed
                } else if i == 0 || i == n - 1 {
                    secant(a.min(n - 2))
                } else {
                    let (h0, h1) = (s[i] - s[a], s[b] - s[i]);
                    (secant(a) * h1 + secant(i) * h0) / (h0 + h1)
                };
                let steepest = [i.checked_sub(1), (i + 1 < n).then_some(i)]
                    .into_iter()
                    .flatten()
                    .map(secant)
                    .fold(f64::INFINITY, f64::min);
                slope.min(3.0 * steepest)
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::laps::{LapKind, LapOptions, split};
    use crate::made_up::{self, cut};
    use proptest::prelude::*;

    fn timed(samples: &Samples) -> Vec<Lap> {
        let laps = split(samples, &LapOptions::default()).unwrap();
        laps.into_iter().filter(|l| l.kind == LapKind::Timed).collect()
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(24))]

        /// Against the closed form of the drive: lap time, time at every node, offset; from 10 to 200 Hz.
        #[test]
        fn resampling_keeps_lap_time_and_node_times(
            rate in 10.0..200.0_f64, speed in 25.0..60.0_f64, swing in 0.0..15.0_f64, offset in -5.0..5.0_f64,
        ) {
            let c = made_up::circuit();
            let drive = made_up::Drive { begin_m: 700.0, speed_mps: speed, swing_mps: swing, offset_m: offset };
            let samples = drive.logged(&c, rate, 2.2 * c.length_m() / speed);
            let laps = timed(&samples);
            prop_assert_eq!(laps.len(), 1);
            let begin = drive.time_at(c.length_m());
            let lap_time = drive.time_at(2.0 * c.length_m()) - begin;
            prop_assert!((laps[0].lap_time_s.unwrap() - lap_time).abs() < 1e-3, "{:?} for {lap_time} s", laps[0]);
            let trace = lap_trace(&samples, &laps[0], &c).unwrap();
            prop_assert_eq!(trace.time_s[0], 0.0);
            prop_assert_eq!(trace.time_s[trace.time_s.len() - 1], laps[0].lap_time_s.unwrap());
            for (i, s) in trace.s_m.iter().enumerate() {
                let want = drive.time_at(c.length_m() + s) - begin;
                prop_assert!((trace.time_s[i] - want).abs() < 1.5e-3, "{} s at {s} m, closed form {want} s", trace.time_s[i]);
                prop_assert!((trace.offset_m[i] - offset).abs() < 0.01);
            }
            prop_assert!(trace.time_s.windows(2).all(|w| w[1] > w[0]));
        }
    }

    const DRIVE: made_up::Drive =
        made_up::Drive { begin_m: 1500.0, speed_mps: 45.0, swing_mps: 8.0, offset_m: 1.0 };

    #[test]
    fn without_positions_lap_distance_and_then_speed_place_the_lap() {
        let c = made_up::circuit();
        let samples = DRIVE.logged(&c, 50.0, 100.0);
        let full = lap_trace(&samples, &timed(&samples)[0], &c).unwrap();
        for (dropped, tolerance_s) in [
            (&[Channel::X, Channel::Y][..], 1e-3),
            // Speed on a line beside the centre line: longer in right turns, shorter in left ones.
            (&[Channel::X, Channel::Y, Channel::LapDistance], 0.1),
        ] {
            let blind = cut(&samples, dropped, |_| true);
            let t = lap_trace(&blind, &timed(&samples)[0], &c).unwrap();
            let worst = t.time_s.iter().zip(&full.time_s).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
            assert!(worst < tolerance_s, "{dropped:?}: {worst} s");
            assert!(t.offset_m.iter().all(|o| o.is_nan()));
        }
    }

    #[test]
    fn a_hole_of_a_second_leaves_time_monotone_and_the_rest_untouched() {
        let c = made_up::circuit();
        let samples = DRIVE.logged(&c, 50.0, 100.0);
        let lap = &timed(&samples)[0];
        let hole = lap.start_s + 20.0..lap.start_s + 21.0;
        let holed = lap_trace(&cut(&samples, &[], |t| !hole.contains(&t)), lap, &c).unwrap();
        let full = lap_trace(&samples, lap, &c).unwrap();
        for (a, b) in holed.time_s.iter().zip(&full.time_s) {
            let inside = *b > 19.5 && *b < 21.5;
            assert!((a - b).abs() < if inside { 0.02 } else { 1e-6 }, "{a} {b}");
        }
        assert!(holed.time_s.windows(2).all(|w| w[1] > w[0]));
    }

    #[test]
    fn a_lap_that_is_not_timed_or_stands_is_refused() {
        let c = made_up::circuit();
        let samples = DRIVE.logged(&c, 50.0, 100.0);
        let laps = split(&samples, &LapOptions::default()).unwrap();
        assert_eq!(lap_trace(&samples, &laps[0], &c), Err(TraceError::NotTimed(0)));
        let mut still = Samples::new();
        let clock = still.add_clock((0..1000).map(|i| f64::from(i) * 0.1).collect()).unwrap();
        still.insert(Channel::Speed, clock, vec![0.0; 1000], channels::Origin::Logged).unwrap();
        let lap = Lap { start_s: 1.0, end_s: 90.0, lap_time_s: Some(89.0), ..timed(&samples)[0].clone() };
        assert_eq!(lap_trace(&still, &lap, &c), Err(TraceError::Standing(lap.number)));
        let nothing = cut(&still, &[Channel::Speed], |_| true);
        assert!(matches!(lap_trace(&nothing, &lap, &c), Err(TraceError::Missing { .. })));
    }

    #[test]
    fn a_lap_counted_at_another_line_is_told_where() {
        let c = made_up::circuit();
        let samples = DRIVE.logged(&c, 50.0, 150.0);
        let lap = &timed(&samples)[0];
        let later = Lap { start_s: lap.start_s + 10.0, end_s: lap.end_s + 10.0, ..lap.clone() };
        match lap_trace(&samples, &later, &c) {
            Err(TraceError::OtherLine { at_m, .. }) => assert!(at_m > 300.0, "{at_m}"),
            other => panic!("{other:?}"),
        }
        let short = Lap { end_s: lap.end_s - 5.0, ..lap.clone() };
        assert!(matches!(lap_trace(&samples, &short, &c), Err(TraceError::NotRound { .. })));
    }
}
