//! The phases of each corner, as one lap drove them.

use crate::circuit::{Circuit, Corner, Direction};
use crate::trace::LapTrace;
use channels::Channel;
use serde::{Deserialize, Serialize};

/// Where the phases of one corner begin, for one lap. `0 ≤ approach ≤ entry ≤ mid ≤ exit ≤ straight ≤ length`, and the
/// straight ends no later than the approach to the next corner begins.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CornerPhases {
    /// Index into the circuit's corners.
    pub corner: usize,
    /// Approach: brake onset or lift \[m\].
    pub approach_m: f64,
    /// Entry: turn-in \[m\].
    pub entry_m: f64,
    /// Mid-corner: brake released, near the slowest place \[m\].
    pub mid_m: f64,
    /// Exit: throttle picked up \[m\].
    pub exit_m: f64,
    /// Straight: full throttle and the wheel straight again, until the approach to the next corner \[m\].
    pub straight_m: f64,
}

/// Pedal pressed \[0..1\]: more than sensor noise and idle contact. Common practice, no source.
const BRAKE_ON: f64 = 0.05;
/// Pedal released: lower than pressed, so that it does not flicker.
const BRAKE_OFF: f64 = 0.03;
/// Throttle taken up after the corner's middle.
const THROTTLE_ON: f64 = 0.10;
/// Lift: the throttle falls below this where it was full before.
const LIFT: f64 = 0.90;
/// Full throttle for a driver who is done with the corner.
const THROTTLE_FULL: f64 = 0.95;
/// The wheel bends the car again or no more: share of the largest angle in the corner.
const STEER_SHARE: f64 = 0.15;

/// Phases of every corner of a circuit, as driven in one lap.
///
/// Boundaries are where a channel passes its threshold, interpolated between the nodes, with hysteresis:
///
/// * approach: brake onset before the apex, or else the lift, or else the turn-in;
/// * entry: the steering wheel (else the lateral acceleration, else the yaw rate) reaches 15 % of its largest value
///   in the corner, in the corner's direction; else the circuit's turn-in;
/// * mid-corner: the brake is released; else the slowest place; else midway from entry to apex;
/// * exit: the throttle is picked up for good after that; else the apex, or the slowest place if it is later;
/// * straight: throttle full and the wheel back under that share; else the circuit's end of the corner.
///
/// A missing pedal or steering channel leaves the geometric or speed-based fallback of its boundary.
#[must_use]
pub fn phases(circuit: &Circuit, lap: &LapTrace) -> Vec<CornerPhases> {
    let length = circuit.length_m();
    let mut out: Vec<CornerPhases> =
        (0..circuit.corners.len()).map(|i| Reader::new(circuit, lap, i).phases()).collect();
    // Within the lap, and each corner after the one before.
    let mut floor = 0.0;
    for (i, p) in out.iter_mut().enumerate() {
        let next_apex = circuit.corners.get(i + 1).map_or(length, |c| c.apex_m);
        for b in [&mut p.approach_m, &mut p.entry_m, &mut p.mid_m, &mut p.exit_m, &mut p.straight_m] {
            *b = b.clamp(floor, next_apex.max(floor));
            floor = *b;
        }
    }
    out
}

/// Where a lap begins to brake for a corner \[m\]; none when it does not, or has no brake channel.
pub(crate) fn brake_onset(circuit: &Circuit, lap: &LapTrace, corner: usize) -> Option<f64> {
    Reader::new(circuit, lap, corner).brake_onset()
}

/// One corner of one lap.
struct Reader<'a> {
    lap: &'a LapTrace,
    corner: &'a Corner,
    index: usize,
    /// Nodes: the apex, and how far back and ahead this corner may reach.
    first: usize,
    apex: usize,
    last: usize,
}

impl<'a> Reader<'a> {
    fn new(circuit: &'a Circuit, lap: &'a LapTrace, index: usize) -> Self {
        let corner = &circuit.corners[index];
        let end = lap.s_m.len().saturating_sub(1);
        let node = |s: f64| lap.s_m.partition_point(|&x| x < s).min(end);
        // Back to the middle of the corner before: one may brake for this corner while leaving that one.
        let before = index.checked_sub(1).map_or(0.0, |i| circuit.corners[i].apex_m);
        let after = circuit.corners.get(index + 1).map_or(circuit.length_m(), |c| c.apex_m);
        Self { lap, corner, index, first: node(before), apex: node(corner.apex_m), last: node(after) }
    }

    fn channel(&self, c: Channel) -> Option<&'a [f64]> {
        let v = self.lap.channels.get(&c)?;
        v[self.first..=self.last].iter().any(|x| x.is_finite()).then_some(v.as_slice())
    }

    fn brake(&self) -> Option<&'a [f64]> {
        self.channel(Channel::Brake).or_else(|| self.channel(Channel::BrakeTravel))
    }

    fn throttle(&self) -> Option<&'a [f64]> {
        self.channel(Channel::Throttle).or_else(|| self.channel(Channel::ThrottleTravel))
    }

    fn speed(&self) -> Option<&'a [f64]> {
        self.channel(Channel::Speed).or_else(|| self.channel(Channel::VelocityX))
    }

    /// Turning of the car towards the corner's side, whichever channel tells.
    fn turning(&self) -> Option<Vec<f64>> {
        let side = if self.corner.direction == Direction::Left { 1.0 } else { -1.0 };
        let v = [Channel::SteeringWheelAngle, Channel::RoadWheelAngle, Channel::AccelY, Channel::YawRate]
            .into_iter()
            .find_map(|c| self.channel(c))?;
        Some(v.iter().map(|x| x * side).collect())
    }

    /// Abscissa where `v` passes `level` between nodes i and i + 1.
    fn pass(&self, v: &[f64], i: usize, level: f64) -> f64 {
        let (a, b) = (v[i], v[i + 1]);
        let w = if a.is_finite() && b.is_finite() && a != b {
            ((level - a) / (b - a)).clamp(0.0, 1.0)
        } else {
            0.5
        };
        self.lap.s_m[i] + (self.lap.s_m[i + 1] - self.lap.s_m[i]) * w
    }

    /// Nodes of the brake application for this corner: begin (node before the rise) and end (last pressed node).
    fn braking(&self) -> Option<(usize, usize)> {
        let brake = self.brake()?;
        // The last press that begins before the apex, followed back through short releases of the same approach.
        let until = self.node_of_slowest().max(self.apex).min(self.last);
        let mut pressed = (self.first..=until).rev().find(|&i| brake[i] > BRAKE_ON)?;
        let end = (pressed..self.last).take_while(|&i| brake[i] > BRAKE_OFF).last().unwrap_or(pressed);
        loop {
            let rise = (self.first..pressed).rev().find(|&i| brake[i] <= BRAKE_OFF || brake[i].is_nan());
            let Some(rise) = rise else { return Some((self.first, end)) };
            let again_from = self.lap.s_m[rise] - SAME_BRAKING_M;
            let again = (self.first..rise)
                .rev()
                .take_while(|&i| self.lap.s_m[i] > again_from)
                .find(|&i| brake[i] > BRAKE_ON);
            match again {
                Some(i) => pressed = i,
                None => return Some((rise, end)),
            }
        }
    }

    fn brake_onset(&self) -> Option<f64> {
        let brake = self.brake()?;
        let (rise, end) = self.braking()?;
        if rise == self.first && brake[rise] > BRAKE_OFF {
            // Braking since before this stretch: for the first corner it began before the line.
            return (self.index == 0).then(|| self.onset_before_line(brake)).flatten();
        }
        // Passing the upper threshold, seen from the foot of the rise.
        (rise..end.max(rise + 1)).find(|&i| brake[i + 1] > BRAKE_ON).map(|i| self.pass(brake, i, BRAKE_ON))
    }

    /// Onset at the end of the lap, as a negative abscissa: the lap before braked much the same.
    fn onset_before_line(&self, brake: &[f64]) -> Option<f64> {
        let n = brake.len();
        let i = (0..n - 1).rev().take_while(|&i| brake[i + 1] > BRAKE_OFF).find(|&i| brake[i] <= BRAKE_ON)?;
        Some(self.pass(brake, i, BRAKE_ON) - self.lap.s_m[n - 1])
    }

    fn node_of_slowest(&self) -> usize {
        let Some(v) = self.speed() else { return self.apex };
        let node = |s: f64| self.lap.s_m.partition_point(|&x| x < s);
        let (from, to) =
            (node(self.corner.turn_in_m).max(self.first), node(self.corner.exit_m).min(self.last));
        (from..=to.max(from))
            .filter(|&i| v[i].is_finite())
            .min_by(|&a, &b| v[a].total_cmp(&v[b]))
            .unwrap_or(self.apex)
    }

    fn phases(&self) -> CornerPhases {
        let s = &self.lap.s_m;
        let corner = self.corner;
        let slowest = self.node_of_slowest();
        let turning = self.turning();
        let braking = self.braking();

        let entry_m = turning.as_deref().and_then(|t| self.turn_in(t)).unwrap_or(corner.turn_in_m);
        // A corner taken flat has no slowest place of its own: its speed just goes on falling or rising.
        let inside = s[slowest] > entry_m + 2.0 && s[slowest] < corner.exit_m - 2.0;
        let approach_m = self
            .brake_onset()
            .or_else(|| self.lift(entry_m))
            .unwrap_or_else(|| entry_m.min(corner.start_m))
            .min(entry_m);
        let released = self.brake().zip(braking).and_then(|(b, (_, end))| {
            (end < self.last).then(|| self.pass(b, end, BRAKE_OFF)).filter(|m| *m > entry_m)
        });
        let latest_m = if inside { s[slowest].max(corner.apex_m) } else { corner.apex_m };
        let mid_m = released
            .unwrap_or(if inside { s[slowest] } else { 0.5 * (entry_m + corner.apex_m) })
            .clamp(entry_m, latest_m.max(entry_m));
        let exit_m = self.pick_up(mid_m).unwrap_or(latest_m).max(mid_m);
        let straight_m = self.straight(turning.as_deref(), exit_m).unwrap_or(corner.exit_m).max(exit_m);
        CornerPhases { corner: self.index, approach_m, entry_m, mid_m, exit_m, straight_m }
    }

    /// Last rise of the turning through its share of the corner's largest, before that largest.
    fn turn_in(&self, turning: &[f64]) -> Option<f64> {
        let (most, level) = self.largest(turning)?;
        let i = (self.first..most).rev().find(|&i| turning[i] < level)?;
        Some(self.pass(turning, i, level))
    }

    /// Node and share of the largest turning between turn-in and exit of the circuit's corner.
    fn largest(&self, turning: &[f64]) -> Option<(usize, f64)> {
        let node = |s: f64| self.lap.s_m.partition_point(|&x| x < s);
        let (from, to) =
            (node(self.corner.turn_in_m).max(self.first), node(self.corner.apex_m + 10.0).min(self.last));
        let most = (from..=to.max(from))
            .filter(|&i| turning[i].is_finite())
            .max_by(|&a, &b| turning[a].total_cmp(&turning[b]))?;
        (turning[most] > 0.0).then(|| (most, STEER_SHARE * turning[most]))
    }

    /// Lift from full throttle before the apex.
    fn lift(&self, entry_m: f64) -> Option<f64> {
        let throttle = self.throttle()?;
        let i = (self.first..self.apex).rev().find(|&i| throttle[i] >= LIFT && throttle[i + 1] < LIFT)?;
        Some(self.pass(throttle, i, LIFT)).filter(|m| *m < entry_m)
    }

    /// The throttle is taken up and not let go again before full throttle.
    fn pick_up(&self, mid_m: f64) -> Option<f64> {
        let throttle = self.throttle()?;
        let from = self.lap.s_m.partition_point(|&x| x < mid_m).saturating_sub(1).min(self.last);
        let until = self.last;
        let full = (from..=until).find(|&i| throttle[i] >= THROTTLE_FULL).unwrap_or(until);
        let i = (from..full).rev().find(|&i| throttle[i] < THROTTLE_ON)?;
        (i < until).then(|| self.pass(throttle, i, THROTTLE_ON))
    }

    /// Full throttle and the wheel back: whichever comes later, no later than the circuit's end of the corner by far.
    fn straight(&self, turning: Option<&[f64]>, exit_m: f64) -> Option<f64> {
        let s = &self.lap.s_m;
        let from = s.partition_point(|&x| x < exit_m).saturating_sub(1).min(self.last);
        let full = self.throttle().and_then(|t| {
            let i = (from..self.last).find(|&i| t[i + 1] >= THROTTLE_FULL)?;
            Some(if t[i] >= THROTTLE_FULL { exit_m } else { self.pass(t, i, THROTTLE_FULL) })
        });
        let unwound = turning.and_then(|t| {
            let (most, level) = self.largest(t)?;
            let i = (most.max(from)..self.last).find(|&i| t[i] >= level && t[i + 1] < level)?;
            Some(self.pass(t, i, level))
        });
        let at = match (full, unwound) {
            (Some(a), Some(b)) => a.max(b),
            // Without steering, the road says when it is straight.
            (Some(a), None) => a.max(self.corner.exit_m),
            (None, b) => b?,
        };
        Some(at)
    }
}

/// Two presses nearer than this belong to one braking \[m\]: a bump or a gear change between them.
const SAME_BRAKING_M: f64 = 15.0;

#[cfg(test)]
mod tests {
    use super::*;
    use crate::made_up;
    use crate::trace::lap_trace;
    use crate::{LapKind, LapOptions, laps};
    use channels::{Origin, Samples};

    const DRIVE: made_up::Drive =
        made_up::Drive { begin_m: 1500.0, speed_mps: 45.0, swing_mps: 8.0, offset_m: 1.5 };

    fn trace(circuit: &Circuit, samples: &Samples) -> LapTrace {
        let laps = laps::split(samples, &LapOptions::default()).unwrap();
        lap_trace(samples, laps.iter().find(|l| l.kind == LapKind::Timed).unwrap(), circuit).unwrap()
    }

    /// Steering and pedals made from the road ahead: the wheel follows curvature, the brake precedes it.
    fn driven(circuit: &Circuit, side: f64) -> Samples {
        let drive = made_up::Drive { offset_m: DRIVE.offset_m * side, ..DRIVE };
        let mut s = drive.logged(circuit, 100.0, 110.0);
        let times: Vec<f64> = s.clocks().next().unwrap().1.to_vec();
        let clock = s.clock_of(Channel::Speed).unwrap();
        let k = |m: f64| circuit.curvature(m);
        let read = |f: &dyn Fn(f64) -> f64| -> Vec<f64> { times.iter().map(|t| f(drive.s(*t).0)).collect() };
        s.insert(Channel::SteeringWheelAngle, clock, read(&|m| 40.0 * k(m + 5.0)), Origin::Logged).unwrap();
        let brake = read(&|m| ((k(m + 60.0).abs() - k(m + 20.0).abs()) * 150.0).clamp(0.0, 1.0));
        let throttle = brake.iter().map(|b| if *b > 0.0 { 0.0 } else { 1.0 }).collect();
        s.insert(Channel::Brake, clock, brake, Origin::Logged).unwrap();
        s.insert(Channel::Throttle, clock, throttle, Origin::Logged).unwrap();
        s
    }

    #[test]
    fn a_mirrored_track_flips_lateral_signs_only() {
        let (c, m) = (made_up::circuit(), made_up::mirrored());
        assert!((c.length_m() - m.length_m()).abs() < 1e-6);
        assert!(c.corners.len() >= 4);
        assert_eq!(c.corners.len(), m.corners.len());
        for (a, b) in c.corners.iter().zip(&m.corners) {
            assert_ne!(a.direction, b.direction);
            for (p, q) in [
                (a.turn_in_m, b.turn_in_m),
                (a.apex_m, b.apex_m),
                (a.exit_m, b.exit_m),
                (a.radius_m, b.radius_m),
            ] {
                assert!((p - q).abs() < 0.01, "{a:?} {b:?}");
            }
        }
        let (t, u) = (trace(&c, &driven(&c, 1.0)), trace(&m, &driven(&m, -1.0)));
        for (a, b) in t.time_s.iter().zip(&u.time_s) {
            assert!((a - b).abs() < 1e-6);
        }
        for (a, b) in t.offset_m.iter().zip(&u.offset_m) {
            assert!((a + b).abs() < 1e-6);
        }
        for (p, q) in phases(&c, &t).iter().zip(&phases(&m, &u)) {
            for (p, q) in all(p).iter().zip(all(q)) {
                assert!((p - q).abs() < 0.01, "{p} {q}");
            }
        }
    }

    fn all(p: &CornerPhases) -> [f64; 5] {
        [p.approach_m, p.entry_m, p.mid_m, p.exit_m, p.straight_m]
    }

    /// With any channel missing: inside the lap, in order, one corner after the other.
    #[test]
    fn phases_are_in_order_whatever_is_missing() {
        let c = made_up::circuit();
        let full = trace(&c, &driven(&c, 1.0));
        let optional = [Channel::Brake, Channel::Throttle, Channel::SteeringWheelAngle, Channel::Speed];
        for mask in 0..16_u32 {
            let mut t = full.clone();
            t.channels
                .retain(|k, _| !optional.iter().enumerate().any(|(i, o)| o == k && mask & (1 << i) != 0));
            let list = phases(&c, &t);
            assert_eq!(list.len(), c.corners.len());
            let mut last = 0.0;
            for b in list.iter().flat_map(all) {
                assert!(b >= last && b <= c.length_m(), "mask {mask}: {list:?}");
                last = b;
            }
            for (p, k) in list.iter().zip(&c.corners) {
                assert!(p.mid_m < k.exit_m && p.exit_m > k.turn_in_m, "mask {mask}: {p:?} {k:?}");
            }
        }
    }

    #[test]
    fn a_ramp_is_passed_where_it_reaches_the_threshold() {
        let c = made_up::circuit();
        let mut t = trace(&c, &driven(&c, 1.0));
        let corner = &c.corners[1];
        let onset = corner.turn_in_m - 30.37;
        let brake = t
            .s_m
            .iter()
            .map(|s| ((s - onset) * 0.1 + BRAKE_ON).clamp(0.0, 1.0) * f64::from(*s < corner.apex_m));
        t.channels.insert(Channel::Brake, brake.collect());
        // Without steering the entry is the circuit's turn-in.
        t.channels.remove(&Channel::SteeringWheelAngle);
        assert!((brake_onset(&c, &t, 1).unwrap() - onset).abs() < 1e-9);
        assert!((phases(&c, &t)[1].approach_m - onset).abs() < 1e-9);
    }
}
