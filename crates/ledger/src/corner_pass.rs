//! Corner passes as numbers: what a lap did in each corner, each number with its uncertainty.
//!
//! **Uncertainty** is one standard deviation, from the time `Δt` between samples alone: noise and offsets of sensors are
//! outside. An event that happened somewhere between two samples is uniform over the distance driven between them, so its
//! place has `v Δt/√12`. A difference of two such places has both, added in squares; a mean over a stretch moves by what its
//! ends differ from it, times their part of the stretch; a peak between samples by the slope of its channel times `Δt/√12`.
//! Straight lines between samples usually do better than that.
//!
//! A number is none when its channel is missing or the thing did not happen. Needs speed (or just places and times);
//! pedals, steering, accelerations and gear each add theirs.

use crate::grip::Grip;
use crate::pair::{at, speed_of};
use crate::pass::Pass;
use crate::{LedgerError, line};
use channels::Channel;
use serde::Serialize;
use track::{Circuit, Corner, CornerPhases, Direction, LapTrace};

/// A turn of the wheel back by at least this much \[rad\] is a correction: 2 degrees. Common practice, no source.
const CORRECTION_RAD: f64 = 0.035;
/// Throttle fallen by this share from its highest since the pick-up is a lift. Common practice, no source.
const LIFT: f64 = 0.15;

/// A number and one standard deviation of it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Measured {
    /// The number, in the unit of its field.
    pub value: f64,
    /// Standard deviation from the sample rate, same unit.
    pub sd: f64,
}

/// One lap through one corner. Places are abscissae \[m\].
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CornerPass {
    /// Name of the corner.
    pub corner: String,
    /// Where the brake came into use (5 %).
    pub brake_onset_m: Option<Measured>,
    /// From there to the turn-in of this lap \[m\].
    pub onset_to_turn_in_m: Option<Measured>,
    /// From there to the circuit's own turn-in, a marker that stays \[m\].
    pub onset_to_marker_m: Option<Measured>,
    /// Largest deceleration while braking \[m/s²\], positive.
    pub peak_deceleration_mps2: Option<Measured>,
    /// Deceleration from onset to the end of the release, speed lost over time \[m/s²\], positive.
    pub mean_deceleration_mps2: Option<Measured>,
    /// From onset to 90 % of the brake's peak \[s\].
    pub brake_rise_s: Option<Measured>,
    /// Where the brake was last within 10 % of its peak.
    pub release_start_m: Option<Measured>,
    /// Where it was released for good (5 %).
    pub release_end_m: Option<Measured>,
    /// How the brake falls as lateral acceleration grows: mean over the release of brake over its peak plus lateral
    /// acceleration over the corner's peak, less 1. Near 0.27 along a circle of grip, 0 along its chord, negative when the
    /// brake is gone before the car turns.
    pub release_shape: Option<Measured>,
    /// From turn-in to the end of the release, 0 when the brake was off before \[m\].
    pub trail_m: Option<Measured>,
    /// With neither pedal in use between release and pick-up \[m\].
    pub coasting_m: Option<Measured>,
    /// Where steering into the corner began.
    pub turn_in_m: Option<Measured>,
    /// Root mean square of the wheel's rate from turn-in to the corner's exit \[rad/s\]; lower is calmer.
    pub steering_rate_radps: Option<f64>,
    /// Turns of the wheel back by 2 degrees or more on the way in and forth on the way out.
    pub steering_corrections: Option<usize>,
    /// Lowest speed \[m/s\].
    pub minimum_speed_mps: Measured,
    /// Where.
    pub minimum_speed_at_m: Measured,
    /// Where the car came closest to the inside.
    pub apex_m: Option<Measured>,
    /// How far the centre of the car stayed from the inner border there \[m\]; needs borders.
    pub apex_to_border_m: Option<f64>,
    /// Where the throttle was picked up for good (10 %).
    pub throttle_pickup_m: Option<Measured>,
    /// Where it was fully open (95 %).
    pub full_throttle_m: Option<Measured>,
    /// Lifts by 15 % or more between pick-up and the end of the exit.
    pub lifts: Option<usize>,
    /// Speed at the circuit's end of the corner \[m/s\].
    pub exit_speed_mps: Measured,
    /// Gear at the lowest speed.
    pub gear: Option<i32>,
    /// From the leftmost to the rightmost place of the centre of the car between approach and exit \[m\].
    pub width_used_m: Option<f64>,
    /// That over the road's least width there \[0..1\]; the car's own width is not counted. Needs borders.
    pub width_share: Option<f64>,
    /// Length of the driven line between the circuit's begin and end of the corner \[m\].
    pub path_m: Option<f64>,
    /// Tightest radius of the driven line, over 24 m \[m\].
    pub tightest_radius_m: Option<f64>,
    /// Mean grip in use over what the lap shows at such speeds \[-\], from turn-in to release.
    pub grip_entry: Option<f64>,
    /// The same from release to pick-up.
    pub grip_mid_corner: Option<f64>,
    /// The same from pick-up to the end of the exit.
    pub grip_exit: Option<f64>,
}

/// The passes of a lap through all corners of its circuit, in order; `sample_s` is the time between the samples that the
/// lap was laid over the circuit from \[s\], 0 when it does not matter.
///
/// # Errors
/// [`LedgerError`] when the lap is empty, ragged, does not run forward in time or does not lie on this circuit, and when the
/// circuit has no corners.
pub fn corner_passes(
    circuit: &Circuit,
    lap: &LapTrace,
    sample_s: f64,
) -> Result<Vec<CornerPass>, LedgerError> {
    crate::on_circuit(circuit, lap, lap)?;
    let speed_mps = speed_of(lap);
    let phases = track::phases::phases(circuit, lap);
    let passes = crate::passes(circuit, lap, &speed_mps, &phases);
    let bends = line::circuit_curvature(circuit, lap);
    let columns = Columns {
        circuit,
        lap,
        sample_s: sample_s.max(0.0),
        driven_m: line::driven_m(&bends, lap),
        curvature_1pm: [line::Source::Positions, line::Source::Acceleration, line::Source::YawRate]
            .into_iter()
            .find_map(|s| line::curvature(&bends, lap, &speed_mps, s)),
        grip: Grip::of(lap, &speed_mps),
        speed_mps,
    };
    let all = circuit.corners.iter().zip(&phases).zip(&passes);
    Ok(all.map(|((corner, phases), pass)| columns.measure(corner, phases, pass)).collect())
}

struct Columns<'a> {
    circuit: &'a Circuit,
    lap: &'a LapTrace,
    speed_mps: Vec<f64>,
    sample_s: f64,
    driven_m: Option<Vec<f64>>,
    curvature_1pm: Option<Vec<f64>>,
    grip: Option<Grip>,
}

impl Columns<'_> {
    fn measure(&self, corner: &Corner, phases: &CornerPhases, pass: &Pass) -> CornerPass {
        let place = |m: f64| Measured { value: m, sd: self.place_sd(m) };
        let between = |from: Option<f64>, to: f64| {
            from.map(|from| Measured { value: to - from, sd: self.place_sd(from).hypot(self.place_sd(to)) })
        };
        let braking = pass.brake_onset_m.zip(pass.brake_release_m);
        let s = &self.lap.s_m;
        let offsets = self.over(&self.lap.offset_m, phases.approach_m, corner.exit_m);
        let width_used_m = spread(offsets);
        let apex = self.apex(corner);
        CornerPass {
            corner: corner.name.clone(),
            brake_onset_m: pass.brake_onset_m.map(place),
            onset_to_turn_in_m: between(pass.brake_onset_m, phases.entry_m),
            onset_to_marker_m: pass
                .brake_onset_m
                .map(|m| Measured { value: corner.turn_in_m - m, sd: self.place_sd(m) }),
            peak_deceleration_mps2: braking.and_then(|(from, to)| self.peak_deceleration(from, to)),
            mean_deceleration_mps2: braking.and_then(|(from, to)| self.mean_deceleration(from, to)),
            brake_rise_s: pass.brake_onset_m.and_then(|m| self.brake_rise(m, pass)),
            release_start_m: pass.release_start_m.map(place),
            release_end_m: pass.brake_release_m.map(place),
            release_shape: self.release_shape(corner, pass),
            trail_m: pass.brake_release_m.map(|m| Measured {
                value: (m - phases.entry_m).max(0.0),
                sd: self.place_sd(m).hypot(self.place_sd(phases.entry_m)),
            }),
            coasting_m: pass.rolling_m.map(|m| {
                let ends = [pass.brake_release_m, pass.throttle_pickup_m];
                let sd = ends.iter().flatten().map(|&e| self.place_sd(e)).fold(0.0, f64::hypot);
                Measured { value: m, sd }
            }),
            turn_in_m: pass.turn_in_m.map(place),
            steering_rate_radps: self.steering_rate(phases.entry_m, corner.exit_m),
            steering_corrections: self.corrections(corner, phases),
            minimum_speed_mps: Measured {
                value: pass.minimum_speed_mps,
                sd: self.slope_per_s(&self.speed_mps, pass.minimum_speed_at_m) * self.sample_s
                    / 12_f64.sqrt(),
            },
            minimum_speed_at_m: place(pass.minimum_speed_at_m),
            apex_m: apex.map(place),
            apex_to_border_m: apex.and_then(|m| self.to_border(corner, m)),
            throttle_pickup_m: pass.throttle_pickup_m.map(place),
            full_throttle_m: pass.full_throttle_m.map(place),
            lifts: pass.throttle_pickup_m.and_then(|m| self.lifts(m, phases.straight_m)),
            exit_speed_mps: Measured {
                value: at(s, &self.speed_mps, corner.exit_m),
                // Both the sample before and the one after hold it to a fraction of their difference.
                sd: self.slope_per_s(&self.speed_mps, corner.exit_m) * self.sample_s / 12_f64.sqrt(),
            },
            gear: self
                .column(Channel::Gear)
                .map(|g| g[s.partition_point(|&x| x < pass.minimum_speed_at_m).min(s.len() - 1)])
                .filter(|g| g.is_finite())
                .map(|g| g.round() as i32),
            width_used_m,
            width_share: width_used_m
                .and_then(|w| Some(w / self.least_width(phases.approach_m, corner.exit_m)?)),
            path_m: self.driven_m.as_ref().map(|d| at(s, d, corner.exit_m) - at(s, d, corner.start_m)),
            tightest_radius_m: self
                .curvature_1pm
                .as_ref()
                .and_then(|k| line::tightest(s, k, corner.direction, phases.entry_m, corner.exit_m))
                .map(f64::recip),
            grip_entry: self.grip(phases.entry_m, phases.mid_m),
            grip_mid_corner: self.grip(phases.mid_m, phases.exit_m),
            grip_exit: self.grip(phases.exit_m, phases.straight_m),
        }
    }

    fn column(&self, channel: Channel) -> Option<&[f64]> {
        self.lap.channels.get(&channel).map(Vec::as_slice)
    }

    fn nodes(&self, from_m: f64, to_m: f64) -> std::ops::Range<usize> {
        let start = self.lap.s_m.partition_point(|&s| s < from_m);
        start..self.lap.s_m.partition_point(|&s| s <= to_m).max(start)
    }

    fn over<'b>(&self, column: &'b [f64], from_m: f64, to_m: f64) -> &'b [f64] {
        &column[self.nodes(from_m, to_m)]
    }

    /// Standard deviation of a place between two samples \[m\].
    fn place_sd(&self, m: f64) -> f64 {
        at(&self.lap.s_m, &self.speed_mps, m) * self.sample_s / 12_f64.sqrt()
    }

    /// Change of a column per second across the neighbouring nodes, without its sign.
    fn slope_per_s(&self, column: &[f64], m: f64) -> f64 {
        let i = self.lap.s_m.partition_point(|&s| s < m).clamp(1, column.len() - 2);
        let slope = (column[i + 1] - column[i - 1]) / (self.lap.time_s[i + 1] - self.lap.time_s[i - 1]);
        if slope.is_finite() { slope.abs() } else { 0.0 }
    }

    fn peak_deceleration(&self, from_m: f64, to_m: f64) -> Option<Measured> {
        let slowing: Vec<f64> = match self.column(Channel::AccelX) {
            Some(a) => a.iter().map(|a| -a).collect(),
            None => crate::grip::slope(&self.lap.s_m, &self.speed_mps).iter().map(|a| -a).collect(),
        };
        let nodes = self.nodes(from_m, to_m).filter(|&i| slowing[i].is_finite());
        let peak = nodes.max_by(|&a, &b| slowing[a].total_cmp(&slowing[b]))?;
        let sd = self.slope_per_s(&slowing, self.lap.s_m[peak]) * self.sample_s / 12_f64.sqrt();
        Some(Measured { value: slowing[peak], sd })
    }

    fn mean_deceleration(&self, from_m: f64, to_m: f64) -> Option<Measured> {
        let s = &self.lap.s_m;
        let time_s = at(s, &self.lap.time_s, to_m) - at(s, &self.lap.time_s, from_m);
        let lost_mps = at(s, &self.speed_mps, from_m) - at(s, &self.speed_mps, to_m);
        let value = lost_mps / time_s;
        // Both ends lie somewhere within a sample, where the car slows less than on average.
        let sd = value.abs() * (2.0 / 12.0_f64).sqrt() * self.sample_s / time_s;
        (time_s > 0.0).then_some(Measured { value, sd })
    }

    fn brake_rise(&self, onset_m: f64, pass: &Pass) -> Option<Measured> {
        let brake = self.column(Channel::Brake)?;
        let s = &self.lap.s_m;
        let nodes = self.nodes(onset_m, pass.brake_release_m?);
        let peak = brake[nodes.clone()].iter().copied().fold(0.0, f64::max);
        let risen = nodes.clone().find(|&i| brake[i] >= 0.9 * peak)?;
        let value = self.lap.time_s[risen] - at(s, &self.lap.time_s, onset_m);
        Some(Measured { value, sd: self.sample_s / 6_f64.sqrt() })
    }

    fn release_shape(&self, corner: &Corner, pass: &Pass) -> Option<Measured> {
        let (from_m, to_m) = (pass.release_start_m?, pass.brake_release_m?);
        let brake = self.column(Channel::Brake)?;
        let lateral: Vec<f64> = match (self.column(Channel::AccelY), self.column(Channel::YawRate)) {
            (Some(a), _) => a.iter().map(|a| a.abs()).collect(),
            (None, Some(r)) => r.iter().zip(&self.speed_mps).map(|(r, v)| (r * v).abs()).collect(),
            (None, None) => return None,
        };
        let most = |v: &[f64]| v.iter().copied().filter(|x| x.is_finite()).fold(0.0, f64::max);
        let peak = most(self.over(brake, pass.brake_onset_m?, to_m));
        let turning = most(self.over(&lateral, from_m, corner.exit_m));
        let nodes = self.nodes(from_m, to_m);
        let count = nodes.len() as f64;
        if nodes.is_empty() || peak <= 0.0 || turning <= 0.0 {
            return None;
        }
        let part = |i: usize| brake[i] / peak + lateral[i] / turning;
        let value = nodes.clone().map(part).sum::<f64>() / count - 1.0;
        let ends = part(nodes.start).max(part(nodes.end - 1)) - 1.0 - value;
        let sd = ends.abs() * self.place_sd(to_m) * 2_f64.sqrt() / (to_m - from_m).max(1.0);
        value.is_finite().then_some(Measured { value, sd })
    }

    fn steering_rate(&self, from_m: f64, to_m: f64) -> Option<f64> {
        let wheel = self.column(Channel::SteeringWheelAngle)?;
        let nodes = self.nodes(from_m, to_m);
        let time_s = &self.lap.time_s;
        let (mut squares, mut seconds) = (0.0, 0.0);
        for i in nodes.filter(|&i| i + 1 < wheel.len()) {
            let dt = time_s[i + 1] - time_s[i];
            squares += (wheel[i + 1] - wheel[i]).powi(2) / dt;
            seconds += dt;
        }
        (seconds > 0.0).then(|| (squares / seconds).sqrt()).filter(|r| r.is_finite())
    }

    /// Reversals of the wheel against its way: back while turning in up to its largest angle, forth while unwinding.
    fn corrections(&self, corner: &Corner, phases: &CornerPhases) -> Option<usize> {
        let wheel = self.column(Channel::SteeringWheelAngle)?;
        let side = side(corner.direction);
        let turned: Vec<f64> =
            self.over(wheel, phases.entry_m, corner.exit_m).iter().map(|w| side * w).collect();
        let most = (0..turned.len()).max_by(|&a, &b| turned[a].total_cmp(&turned[b]))?;
        let out: Vec<f64> = turned[most..].iter().rev().copied().collect();
        Some(reversals(&turned[..=most], CORRECTION_RAD) + reversals(&out, CORRECTION_RAD))
    }

    /// Where the car is farthest to the inside between turn-in and exit.
    fn apex(&self, corner: &Corner) -> Option<f64> {
        let side = side(corner.direction);
        let n = &self.lap.offset_m;
        let nodes = self.nodes(corner.turn_in_m, corner.exit_m).filter(|&i| n[i].is_finite());
        nodes.max_by(|&a, &b| (side * n[a]).total_cmp(&(side * n[b]))).map(|i| self.lap.s_m[i])
    }

    fn to_border(&self, corner: &Corner, m: f64) -> Option<f64> {
        let (left_m, right_m) = self.circuit.widths(m)?;
        let n = at(&self.lap.s_m, &self.lap.offset_m, m);
        Some(match corner.direction {
            Direction::Left => left_m - n,
            Direction::Right => right_m + n,
        })
    }

    fn least_width(&self, from_m: f64, to_m: f64) -> Option<f64> {
        let widths = self.nodes(from_m, to_m).map(|i| self.circuit.widths(self.lap.s_m[i]));
        widths
            .map(|w| w.map(|(l, r)| l + r))
            .try_fold(f64::INFINITY, |a, w| Some(a.min(w?)))
            .filter(|w| w.is_finite())
    }

    fn lifts(&self, from_m: f64, to_m: f64) -> Option<usize> {
        let throttle = self.column(Channel::Throttle)?;
        Some(reversals(self.over(throttle, from_m, to_m), LIFT))
    }

    fn grip(&self, from_m: f64, to_m: f64) -> Option<f64> {
        self.grip.as_ref()?.between(&self.lap.s_m, from_m, to_m)
    }
}

fn side(direction: Direction) -> f64 {
    match direction {
        Direction::Left => 1.0,
        Direction::Right => -1.0,
    }
}

fn spread(values: &[f64]) -> Option<f64> {
    let known = values.iter().copied().filter(|v| v.is_finite());
    let (low, high) = known.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), v| (l.min(v), h.max(v)));
    (high >= low).then_some(high - low)
}

/// How often a rising column falls by `least` or more from its highest since the last such fall.
fn reversals(values: &[f64], least: f64) -> usize {
    let (mut high, mut low, mut falling, mut count) = (f64::NEG_INFINITY, f64::INFINITY, false, 0);
    for &v in values.iter().filter(|v| v.is_finite()) {
        if falling {
            low = low.min(v);
            if v >= low + least {
                (falling, high) = (false, v);
            }
        } else {
            high = high.max(v);
            if v <= high - least {
                (falling, low) = (true, v);
                count += 1;
            }
        }
    }
    count
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::synthetic::{self, Feet};

    const SAMPLE_S: f64 = 0.02;

    fn passes(feet: Feet) -> Vec<CornerPass> {
        let c = synthetic::circuit(4, 1500.0, 1.0);
        corner_passes(&c, &synthetic::by_feet(&c, &[feet; 4]).0, SAMPLE_S).unwrap()
    }

    /// The lap of straight lines in v²: from the brake point 100 m before the apex, evenly down to 30 m/s at 10 m before it,
    /// at 30 m/s to 5 m behind it, then 4 m/s². Pedals ramp over two metres.
    #[test]
    fn a_lap_in_closed_form_gives_its_own_numbers() {
        let p = &passes(Feet::USUAL)[1];
        let apex_m = 1500.0 * 1.5 / 4.0;
        let near = |m: Option<Measured>, want: f64, within: f64| {
            let m = m.unwrap();
            assert!((m.value - want).abs() < within, "{m:?}, wanted {want}");
        };
        near(p.brake_onset_m, apex_m - 100.0, 0.6);
        near(p.release_end_m, apex_m - 10.0, 0.6);
        near(p.throttle_pickup_m, apex_m + 5.0, 0.6);
        near(p.coasting_m, 15.0, 1.6);
        // 375 m from pick-up to pick-up, 270 of them under 4 m/s².
        let top = (900.0_f64 + 8.0 * 270.0).sqrt();
        let even = (top * top - 900.0) / 180.0;
        near(p.peak_deceleration_mps2, even, 0.05 * even);
        near(p.mean_deceleration_mps2, even, 0.05 * even);
        assert!((p.minimum_speed_mps.value - 30.0).abs() < 0.01, "{:?}", p.minimum_speed_mps);
        assert_eq!((p.lifts, p.steering_corrections.map(|c| c > 3)), (Some(0), Some(false)));
        let exit = at_4(apex_m, p.exit_speed_mps.value);
        assert!(exit.abs() < 0.05, "{exit}");
        // 20 ms at about 30 m/s: 0.17 m.
        let sd = p.throttle_pickup_m.unwrap().sd;
        assert!((sd - 30.0 * SAMPLE_S / 12_f64.sqrt()).abs() < 0.02, "{sd}");
        assert!(p.brake_onset_m.unwrap().sd > sd);
    }

    /// Speed at the circuit's exit, 75 m behind the apex, less that of 70 m under 4 m/s².
    fn at_4(_apex_m: f64, exit_mps: f64) -> f64 {
        exit_mps - (900.0_f64 + 8.0 * 70.0).sqrt()
    }

    #[test]
    fn braking_sixteen_metres_earlier_moves_the_onset_by_sixteen_metres() {
        let usual = passes(Feet::USUAL);
        let early = passes(Feet { brake_m: -116.0, ..Feet::USUAL });
        let moved = |f: fn(&CornerPass) -> Option<Measured>| {
            f(&early[2]).unwrap().value - f(&usual[2]).unwrap().value
        };
        assert!((moved(|p| p.brake_onset_m) + 16.0).abs() < 0.5);
        assert!((moved(|p| p.onset_to_marker_m) - 16.0).abs() < 0.5);
        assert!(moved(|p| p.throttle_pickup_m).abs() < 1e-9);
        assert!(moved(|p| p.mean_deceleration_mps2) < -1.0);
    }

    #[test]
    fn an_exact_clock_leaves_no_uncertainty_and_a_bare_lap_no_pedals() {
        let c = synthetic::circuit(4, 1500.0, 1.0);
        let (mut lap, _) = synthetic::by_feet(&c, &[Feet::USUAL; 4]);
        let exact = corner_passes(&c, &lap, 0.0).unwrap();
        assert!(exact.iter().all(|p| p.minimum_speed_at_m.sd == 0.0 && p.brake_onset_m.unwrap().sd == 0.0));
        lap.channels.clear();
        let bare = corner_passes(&c, &lap, SAMPLE_S).unwrap();
        let p = serde_json::to_value(&bare[0]).unwrap();
        for field in
            ["brake_onset_m", "coasting_m", "turn_in_m", "gear", "lifts", "grip_entry", "release_shape"]
        {
            assert!(p[field].is_null(), "{field}: {}", p[field]);
        }
        assert!(p["minimum_speed_mps"]["value"].is_f64());
    }

    #[test]
    fn reversals_count_falls_from_the_highest() {
        assert_eq!(reversals(&[0.0, 0.5, 0.45, 0.9, 0.6, 0.95, 0.94, 0.5], 0.1), 2);
        assert_eq!(reversals(&[0.0, 0.3, 0.3, 1.0], 0.1), 0);
        assert_eq!(reversals(&[], 0.1), 0);
    }
}
