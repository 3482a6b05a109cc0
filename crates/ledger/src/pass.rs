//! One lap through one corner, as numbers.

use crate::pair::at;
use channels::Channel;
use std::ops::Range;
use track::{Corner, CornerPhases, LapTrace};

/// Pedal above this share is in use. Common practice, no source: above the noise and play of a pedal at rest.
pub(crate) const PEDAL_USED: f64 = 0.05;
/// Throttle from this share on pulls: the pick-up of the phases, so that evidence and cuts mean the same place. Common
/// practice, no source.
const THROTTLE_PULLS: f64 = 0.10;
/// A throttle let go again sooner than this \[s\] only matched the engine to a gear. Common practice, no source.
const BLIP_S: f64 = 0.3;
/// Share of the peak from which the brake is being released. Common practice, no source.
const NEAR_PEAK: f64 = 0.9;
/// Throttle above this share is full throttle. Common practice, no source.
pub(crate) const FULL_THROTTLE: f64 = 0.95;

/// What a lap did in a corner. Places are abscissae \[m\]; `None` where it did not happen or the channel is missing.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pass {
    /// Brake first in use.
    pub(crate) brake_onset_m: Option<f64>,
    /// Brake last in use.
    pub(crate) brake_release_m: Option<f64>,
    /// Where the brake was last near its peak (90 %): the release begins.
    pub(crate) release_start_m: Option<f64>,
    /// Distance between release and pick-up with neither pedal in use \[m\]; needs both pedals.
    pub(crate) rolling_m: Option<f64>,
    /// Lowest throttle on the way in, 0..1.
    pub(crate) least_throttle: Option<f64>,
    /// Begin of the entry: of steering, or the circuit's turn-in when steering was not logged.
    pub(crate) entry_m: f64,
    /// Begin of steering into the corner.
    pub(crate) turn_in_m: Option<f64>,
    pub(crate) minimum_speed_mps: f64,
    pub(crate) minimum_speed_at_m: f64,
    /// Place across the road at the corner's apex \[m\], left of the centre line positive.
    pub(crate) offset_at_apex_m: Option<f64>,
    /// Throttle in use again after the brake, or after its lowest where the car was not braked.
    pub(crate) throttle_pickup_m: Option<f64>,
    /// First full throttle after the pick-up.
    pub(crate) full_throttle_m: Option<f64>,
}

impl Pass {
    /// Reads the pass off the lap between the straight before and the next approach.
    ///
    /// `from_m` is where the lap's straight before this corner began, `next_m` where its next approach begins.
    pub(crate) fn measure(
        lap: &LapTrace,
        speed_mps: &[f64],
        corner: &Corner,
        phases: &CornerPhases,
        from_m: f64,
        next_m: f64,
    ) -> Self {
        let nodes = |from_m: f64, to_m: f64| {
            let start = lap.s_m.partition_point(|&s| s < from_m);
            start..lap.s_m.partition_point(|&s| s <= to_m).max(start)
        };
        let column = |c| lap.channels.get(&c).map(Vec::as_slice);
        let (whole, inside) = (nodes(from_m, phases.straight_m), nodes(phases.approach_m, phases.straight_m));

        let brake = column(Channel::Brake).and_then(|b| in_use(&lap.s_m, b, whole.clone()));
        let slowest = lowest(speed_mps, inside.clone()).unwrap_or(inside.start.min(speed_mps.len() - 1));
        let throttle = column(Channel::Throttle);
        let lifted =
            throttle.and_then(|t| lowest(t, inside).filter(|&i| t[i] < FULL_THROTTLE).map(|i| (t, i)));
        let pickup = lifted.and_then(|(t, lowest)| {
            let from = brake.map_or(lowest, |(_, release)| lap.s_m.partition_point(|&s| s < release));
            pickup_m(lap, t, whole.start, from, nodes(from_m, next_m).end)
        });
        let full = pickup.zip(throttle).and_then(|(pickup_m, t)| {
            let after = nodes(pickup_m, next_m);
            rise(&lap.s_m, t, after.start.saturating_sub(1)..after.end, FULL_THROTTLE)
        });
        let offset = at(&lap.s_m, &lap.offset_m, corner.apex_m);
        let release_start_m = column(Channel::Brake).zip(brake).map(|(b, (onset_m, release_m))| {
            let braking = nodes(onset_m, release_m);
            let peak = braking.clone().map(|i| b[i]).fold(0.0, f64::max);
            let near = braking.rev().find(|&i| b[i] >= NEAR_PEAK * peak);
            near.map_or(onset_m, |i| lap.s_m[i])
        });
        let rolling_m = column(Channel::Brake).zip(throttle).zip(brake.zip(pickup)).map(
            |((b, t), ((_, release_m), pickup_m))| {
                let off = |&i: &usize| b[i] < PEDAL_USED && t[i] < PEDAL_USED;
                let between = nodes(release_m, pickup_m.max(release_m));
                let pieces = between.filter(off).filter(|&i| i + 1 < lap.s_m.len());
                pieces.map(|i| lap.s_m[i + 1] - lap.s_m[i]).sum::<f64>()
            },
        );
        Self {
            entry_m: phases.entry_m,
            release_start_m,
            rolling_m,
            least_throttle: lifted.map(|(t, i)| t[i]),
            brake_onset_m: brake.map(|b| b.0),
            brake_release_m: brake.map(|b| b.1),
            turn_in_m: column(Channel::SteeringWheelAngle).map(|_| phases.entry_m),
            minimum_speed_mps: speed_mps[slowest],
            minimum_speed_at_m: lap.s_m[slowest],
            offset_at_apex_m: Some(offset).filter(|o| o.is_finite()),
            throttle_pickup_m: pickup,
            full_throttle_m: full,
        }
    }
}

/// Index of the lowest value, NaN left out.
fn lowest(values: &[f64], range: Range<usize>) -> Option<usize> {
    range.filter(|&i| values[i].is_finite()).min_by(|&a, &b| values[a].total_cmp(&values[b]))
}

/// First rise above [`PEDAL_USED`] and last fall below it; the ends of the range where it is in use there already.
fn in_use(s_m: &[f64], pedal: &[f64], range: Range<usize>) -> Option<(f64, f64)> {
    let used = |&i: &usize| pedal[i] >= PEDAL_USED;
    let (first, last) = (range.clone().find(used)?, range.clone().rev().find(used)?);
    let onset = if first > range.start { crossing(s_m, pedal, first - 1, PEDAL_USED) } else { s_m[first] };
    let release = if last + 1 < range.end { crossing(s_m, pedal, last, PEDAL_USED) } else { s_m[last] };
    Some((onset, release))
}

/// Where the throttle comes into use for good around node `from`: the rise that leads to it when it pulls there already
/// (feet overlap), else the first rise after it. A blip for a lower gear is let go again within [`BLIP_S`].
fn pickup_m(lap: &LapTrace, throttle: &[f64], first: usize, from: usize, end: usize) -> Option<f64> {
    let (s_m, time_s) = (&lap.s_m, &lap.time_s);
    let pulls = |i: &usize| throttle[*i] >= THROTTLE_PULLS;
    let lasts = |i: &usize| (*i..end).take_while(|&j| time_s[j] < time_s[*i] + BLIP_S).all(|j| pulls(&j));
    let pulling = (from..end).find(|i| pulls(i) && lasts(i))?;
    let closed = (first..pulling).rev().find(|i| !pulls(i));
    Some(closed.map_or(s_m[pulling], |i| crossing(s_m, throttle, i, THROTTLE_PULLS)))
}

/// First place in the range of nodes where the value rises to `level`; its begin when it is there already.
fn rise(s_m: &[f64], values: &[f64], range: Range<usize>, level: f64) -> Option<f64> {
    let reached = range.clone().find(|&i| values[i] >= level)?;
    Some(if reached > range.start { crossing(s_m, values, reached - 1, level) } else { s_m[reached] })
}

/// Where the straight line from node `i` to the next passes `level`; the later node beside a hole.
fn crossing(s_m: &[f64], values: &[f64], i: usize, level: f64) -> f64 {
    let w = (level - values[i]) / (values[i + 1] - values[i]);
    if w.is_finite() { s_m[i] + (s_m[i + 1] - s_m[i]) * w.clamp(0.0, 1.0) } else { s_m[i + 1] }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::BTreeMap;
    use track::Direction;

    const CORNER_M: [f64; 2] = [100.0, 200.0];

    /// A pass through one corner, apex at 150 m, with pedals given as corner points (place, value) of straight lines.
    fn pass(brake: &[(f64, f64)], throttle: &[(f64, f64)]) -> Pass {
        let s_m: Vec<f64> = (0..=300).map(f64::from).collect();
        let lines = |points: &[(f64, f64)]| {
            let (x, y): (Vec<f64>, Vec<f64>) = points.iter().copied().unzip();
            s_m.iter().map(|&s| at(&x, &y, s)).collect::<Vec<f64>>()
        };
        let speed_mps: Vec<f64> = s_m.iter().map(|s| 30.0 + 0.1 * (s - 150.0).abs()).collect();
        let mut channels = BTreeMap::from([(Channel::Speed, speed_mps.clone())]);
        for (channel, points) in [(Channel::Brake, brake), (Channel::Throttle, throttle)] {
            if !points.is_empty() {
                channels.insert(channel, lines(points));
            }
        }
        let lap = LapTrace { time_s: s_m.clone(), offset_m: vec![0.0; s_m.len()], s_m, channels };
        let [turn_in_m, exit_m] = CORNER_M;
        let corner = Corner {
            name: "T1".to_owned(),
            number: 1,
            start_m: turn_in_m,
            turn_in_m,
            apex_m: 150.0,
            exit_m,
            direction: Direction::Left,
            radius_m: 50.0,
        };
        let phases = CornerPhases {
            corner: 0,
            approach_m: 80.0,
            entry_m: 100.0,
            mid_m: 140.0,
            exit_m: 155.0,
            straight_m: 200.0,
        };
        Pass::measure(&lap, &speed_mps, &corner, &phases, 0.0, 280.0)
    }

    fn near(found: Option<f64>, wanted: f64) -> bool {
        found.is_some_and(|f| (f - wanted).abs() < 1e-9)
    }

    /// Lines over 10 m: 5 % of 0..0.8 is reached 0.625 m after the foot, 10 % of 0..1 after 1 m, 95 % after 9.5 m.
    #[test]
    fn places_are_where_the_lines_pass_their_levels() {
        let p = pass(
            &[(80.0, 0.0), (90.0, 0.8), (130.0, 0.8), (140.0, 0.0)],
            &[(60.0, 1.0), (70.0, 0.0), (155.0, 0.0), (165.0, 1.0)],
        );
        assert!(near(p.brake_onset_m, 80.625) && near(p.brake_release_m, 139.375), "{p:?}");
        assert!(near(p.throttle_pickup_m, 156.0) && near(p.full_throttle_m, 164.5), "{p:?}");
        assert_eq!((p.minimum_speed_mps, p.minimum_speed_at_m), (30.0, 150.0));
    }

    #[test]
    fn a_blip_of_the_throttle_while_braking_is_no_pick_up() {
        let brake = [(80.0, 0.0), (90.0, 0.8), (130.0, 0.8), (140.0, 0.0)];
        let blip = [(70.0, 0.0), (100.0, 0.0), (102.0, 0.6), (104.0, 0.0), (155.0, 0.0), (165.0, 1.0)];
        assert!(near(pass(&brake, &blip).throttle_pickup_m, 156.0));
    }

    #[test]
    fn feet_that_overlap_pick_up_before_the_release() {
        let brake = [(80.0, 0.0), (90.0, 0.8), (130.0, 0.8), (160.0, 0.0)];
        let throttle = [(70.0, 0.0), (150.0, 0.0), (160.0, 1.0)];
        assert!(near(pass(&brake, &throttle).throttle_pickup_m, 151.0));
    }

    #[test]
    fn a_corner_taken_flat_has_neither_brake_nor_pick_up() {
        let p = pass(&[(0.0, 0.0), (300.0, 0.0)], &[(0.0, 1.0), (300.0, 1.0)]);
        assert_eq!(
            (p.brake_onset_m, p.brake_release_m, p.throttle_pickup_m, p.full_throttle_m),
            (None, None, None, None)
        );
    }

    #[test]
    fn missing_channels_leave_their_places_open() {
        let p = pass(&[], &[]);
        assert_eq!((p.brake_onset_m, p.throttle_pickup_m, p.turn_in_m), (None, None, None));
    }
}
