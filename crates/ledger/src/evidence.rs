//! What was measured in both laps where an entry's time went.

use crate::cuts::Stretch;
use crate::pair::Pair;
use crate::pass::{PEDAL_USED, Pass};
use crate::{Both, Phase};
use channels::Channel;
use serde::Serialize;
use track::{Circuit, Corner};

/// A number of each lap; null in a lap where the thing did not happen (no braking, no lift).
pub type Reading = Both<Option<f64>>;

/// Numbers of both laps over the stretch of an entry, SI, places as abscissae on the circuit.
///
/// A field is null when a channel it needs is missing in one of the laps, or when the place it tells of belongs to
/// another entry. Each place of a corner is told once: by the stretch that holds the middle between the places of the two
/// laps, and by the stretch it begins or ends by nature (the brake point the approach) when that is no more than 5 m off.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Evidence {
    /// Speed where the stretch begins \[m/s\].
    pub speed_at_start_mps: Reading,
    /// Speed where it ends \[m/s\]; at the end of an exit this is the exit speed.
    pub speed_at_end_mps: Reading,
    /// Length of the stretch on the centre line over the time it took \[m/s\]; null in an empty stretch.
    pub mean_speed_mps: Option<Reading>,
    /// Length of the driven line over the stretch \[m\]; needs positions.
    pub driven_m: Option<Reading>,
    /// Where the brake came into use (5 %) \[m\].
    pub brake_onset_m: Option<Reading>,
    /// Where it was released for good (5 %) \[m\].
    pub brake_release_m: Option<Reading>,
    /// Highest brake within the stretch, 0..1.
    pub brake_peak: Option<Reading>,
    /// Distance within the stretch with neither pedal in use (5 %) \[m\].
    pub coasting_m: Option<Reading>,
    /// Where the steering into the corner began \[m\].
    pub turn_in_m: Option<Reading>,
    /// Lowest speed of the corner \[m/s\].
    pub minimum_speed_mps: Option<Reading>,
    /// Place of the lowest speed \[m\].
    pub minimum_speed_at_m: Option<Reading>,
    /// Place across the road at the apex of the circuit's corner \[m\], left of the centre line positive.
    pub offset_at_apex_m: Option<Reading>,
    /// Where the throttle was picked up again (10 %) \[m\].
    pub throttle_pickup_m: Option<Reading>,
    /// Where it was fully open (95 %) again \[m\].
    pub full_throttle_m: Option<Reading>,
    /// Throttle averaged over the distance, 0..1; on exit and straight.
    pub mean_throttle: Option<Reading>,
    /// Seconds on the straight that its first speed settled. On an exit: part of this entry's seconds. On the straight
    /// after it: counted there, and not in this entry. On the straight from the line: part of this entry's seconds, owed to
    /// the lap before.
    pub carried_s: Option<f64>,
    /// On a straight: speed of the lap less that of the reference at its end, beyond what the first speed settled \[m/s\].
    pub gained_along_mps: Option<f64>,
}

impl Evidence {
    /// Reads the stretch of both laps.
    ///
    /// `corner` holds the five stretches of its corner.
    pub(crate) fn read(
        circuit: &Circuit,
        pair: &Pair<'_>,
        corner: &[Stretch],
        stretch: &Stretch,
        passes: Both<&Pass>,
    ) -> Self {
        let (start, end) = (pair.speed_at(stretch.from_m), pair.speed_at(stretch.to_m));
        let length_m = stretch.to_m - stretch.from_m;
        let time_s = pair.time_at(stretch.to_m).zip(pair.time_at(stretch.from_m)).map(|(b, a)| b - a);
        let told = |home: Phase, channel: Channel, place: fn(&Pass) -> Option<f64>| {
            let places = passes.map(place);
            let here = !stretch.from_line
                && middle(places).map(|m| phase_of(corner, Some(home), m)) == Some(stretch.phase);
            (here && pair.channel(channel).is_some()).then_some(places)
        };
        let here = |s_m: f64| !stretch.from_line && phase_of(corner, None, s_m) == stretch.phase;
        let slowest_at = passes.map(|p| Some(p.minimum_speed_at_m));
        let slowest = middle(slowest_at).is_some_and(here);
        let at_apex = here(circuit.corners[stretch.corner].apex_m);
        let drives = matches!(stretch.phase, Phase::Exit | Phase::Straight);
        let pedals = Pedals::over(pair, stretch);
        Self {
            speed_at_start_mps: start.map(Some),
            speed_at_end_mps: end.map(Some),
            mean_speed_mps: (length_m > 0.0).then(|| time_s.map(|t| Some(length_m / t))),
            driven_m: driven_m(circuit, pair, stretch),
            brake_onset_m: told(Phase::Approach, Channel::Brake, |p| p.brake_onset_m),
            brake_release_m: told(Phase::Entry, Channel::Brake, |p| p.brake_release_m),
            brake_peak: pedals.brake_peak,
            coasting_m: pedals.coasting_m,
            turn_in_m: told(Phase::Entry, Channel::SteeringWheelAngle, |p| p.turn_in_m),
            minimum_speed_mps: slowest.then(|| passes.map(|p| Some(p.minimum_speed_mps))),
            minimum_speed_at_m: slowest.then_some(slowest_at),
            offset_at_apex_m: passes
                .map(|p| p.offset_at_apex_m)
                .present()
                .filter(|_| at_apex)
                .map(|o| o.map(Some)),
            throttle_pickup_m: told(Phase::Exit, Channel::Throttle, |p| p.throttle_pickup_m),
            full_throttle_m: told(Phase::Exit, Channel::Throttle, |p| p.full_throttle_m),
            mean_throttle: pedals.mean_throttle.filter(|_| drives),
            carried_s: None,
            gained_along_mps: None,
        }
    }

    /// How much further outside the corner the lap is at the apex than the reference \[m\].
    pub(crate) fn wider_at_apex_m(&self, corner: &Corner) -> Option<f64> {
        let inwards = match corner.direction {
            track::Direction::Left => 1.0,
            track::Direction::Right => -1.0,
        };
        Some(-inwards * self.offset_at_apex_m?.present()?.difference())
    }
}

/// How far outside its own stretch a place is still told there \[m\]: two samples at 50 Hz and 60 m/s, twice. Own choice.
const NEAR_M: f64 = 5.0;

/// Phase whose stretch tells of the place: `home` when its stretch is near enough, else the one it lies in, else the first
/// or the last.
fn phase_of(corner: &[Stretch], home: Option<Phase>, s_m: f64) -> Phase {
    let near = |s: &&Stretch| Some(s.phase) == home && s_m >= s.from_m - NEAR_M && s_m <= s.to_m + NEAR_M;
    let inside = |s: &&Stretch| (s.from_m..s.to_m).contains(&s_m);
    let before = corner.first().is_some_and(|s| s_m < s.from_m);
    let found = corner.iter().find(near).or_else(|| corner.iter().find(inside));
    found.map_or(if before { Phase::Approach } else { Phase::Straight }, |s| s.phase)
}

/// Middle between two places, or the only one.
fn middle(places: Reading) -> Option<f64> {
    places.present().map(Both::mean).or(places.lap).or(places.reference)
}

/// What the feet did over a stretch.
struct Pedals {
    brake_peak: Option<Reading>,
    coasting_m: Option<Reading>,
    mean_throttle: Option<Reading>,
}

impl Pedals {
    fn over(pair: &Pair<'_>, stretch: &Stretch) -> Self {
        let places: Vec<f64> = pair.places(stretch.from_m, stretch.to_m).collect();
        let along = |channel| {
            pair.channel(channel).map(|c| {
                c.map(|v| places.iter().map(|&s| crate::pair::at(pair.s_m(), v, s)).collect::<Vec<f64>>())
            })
        };
        let (brake, throttle) = (along(Channel::Brake), along(Channel::Throttle));
        let peak = |v: &Vec<f64>| v.iter().copied().filter(|x| x.is_finite()).reduce(f64::max);
        let mean = |v: &Vec<f64>| mean(&places, v);
        let off = |(b, t): (&Vec<f64>, &Vec<f64>)| {
            let idle = |(b, t): (&f64, &f64)| f64::from(u8::from(*b < PEDAL_USED && *t < PEDAL_USED));
            let idle: Vec<f64> = b.iter().zip(t).map(idle).collect();
            mean(&idle).map(|share| share * (stretch.to_m - stretch.from_m))
        };
        let both = brake.as_ref().zip(throttle.as_ref());
        let told = |r: Reading| r.present().map(|r| r.map(Some));
        Self {
            brake_peak: brake.as_ref().and_then(|b| told(b.as_ref().map(peak))),
            coasting_m: both.and_then(|(b, t)| told(b.as_ref().zip(t.as_ref()).map(off))),
            mean_throttle: throttle.as_ref().and_then(|t| told(t.as_ref().map(mean))),
        }
    }
}

/// Mean over distance; nothing when the stretch is empty or has a hole.
fn mean(places: &[f64], values: &[f64]) -> Option<f64> {
    let (first, last) = (places.first()?, places.last()?);
    let pieces = places.windows(2).zip(values.windows(2));
    let area: f64 = pieces.map(|(s, v)| 0.5 * (v[0] + v[1]) * (s[1] - s[0])).sum();
    Some(area / (last - first)).filter(|m| m.is_finite())
}

/// Length of the driven line: `∫ √((1 − nκ)² + n'²) ds` with offset `n` and curvature `κ` of the centre line.
fn driven_m(circuit: &Circuit, pair: &Pair<'_>, stretch: &Stretch) -> Option<Reading> {
    let places: Vec<f64> = pair.places(stretch.from_m, stretch.to_m).collect();
    let length = |offset_m: &Vec<f64>| {
        let n: Vec<f64> = places.iter().map(|&s| crate::pair::at(pair.s_m(), offset_m, s)).collect();
        let piece = |(s, n): (&[f64], &[f64])| {
            let ds = s[1] - s[0];
            let curvature_1pm = circuit.curvature(0.5 * (s[0] + s[1]));
            ((1.0 - 0.5 * (n[0] + n[1]) * curvature_1pm) * ds).hypot(n[1] - n[0])
        };
        Some(places.windows(2).zip(n.windows(2)).map(piece).sum::<f64>()).filter(|l| l.is_finite())
    };
    pair.laps.map(|l| length(&l.offset_m)).present().map(|r| r.map(Some))
}
