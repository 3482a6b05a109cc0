//! Places as abscissa and offset on a circuit: `P = p(s) + n · (unit normal to the left at s)`.
//!
//! The foot of the perpendicular solves `(P − p(s)) · p'(s) = 0` by Newton's method. It is unique only near the line, so
//! a drive is followed from place to place: each foot is looked for just ahead of the last one. Stretches that run close
//! to each other, or cross, are told apart that way.

use crate::Circuit;

/// A place on the circuit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Projected {
    /// Abscissa \[m\]. Of a followed drive it runs on over the line, lap after lap, and may fall when the car goes back.
    pub s_m: f64,
    /// To the left of the centre line \[m\].
    pub offset_m: f64,
}

/// Finds abscissa and offset of places.
#[derive(Debug, Clone)]
pub struct Projector<'a> {
    circuit: &'a Circuit,
    nodes: Vec<(f64, [f64; 2])>,
}

/// Further beside the line than this, the car may have been lost \[m\]: wider than a circuit with its run-off.
const LOST_M: f64 = 60.0;

impl<'a> Projector<'a> {
    /// Prepares a circuit.
    #[must_use]
    pub fn new(circuit: &'a Circuit) -> Self {
        let n = circuit.line().points().len();
        let s = |i: usize| circuit.length_m() * i as f64 / n as f64;
        let nodes = circuit.line().points().into_iter().enumerate().map(|(i, p)| (s(i), p)).collect();
        Self { circuit, nodes }
    }

    /// Nearest place of the whole circuit; abscissa in `[0, length)`.
    #[must_use]
    pub fn nearest(&self, place: [f64; 2]) -> Projected {
        self.nearest_if(place, |_| true)
    }

    fn nearest_if(&self, place: [f64; 2], fits: impl Fn(f64) -> bool) -> Projected {
        let from = self
            .nodes
            .iter()
            .filter(|(s, _)| fits(*s))
            .min_by(|a, b| distance2(a.1, place).total_cmp(&distance2(b.1, place)))
            .map_or(0.0, |n| n.0);
        let found = self.newton(place, from, 3.0).unwrap_or_else(|| self.measured(place, from));
        let s_m = found.s_m.rem_euclid(self.circuit.length_m());
        // A hair before the line, the remainder rounds to the length itself.
        Projected { s_m: if s_m < self.circuit.length_m() { s_m } else { 0.0 }, ..found }
    }

    /// Follows a drive of places at increasing times \[s\]. `start_m` is the abscissa it begins at, if known; otherwise the
    /// nearest place with a fitting direction of travel.
    ///
    /// The result has one entry per place. Abscissae run on continuously: a lap from line to line goes from 0 to the
    /// length. After a hole or a jump the drive is picked up at the nearest place ahead.
    #[must_use]
    pub fn follow(&self, time_s: &[f64], places: &[[f64; 2]], start_m: Option<f64>) -> Vec<Projected> {
        let Some(&first) = places.first() else { return Vec::new() };
        let mut last = match start_m {
            Some(s) => self.ahead(first, s, 30.0, 30.0),
            None => self.first(places),
        };
        let mut out = Vec::with_capacity(places.len());
        out.push(last);
        for i in 1..places.len().min(time_s.len()) {
            let step_m = distance2(places[i - 1], places[i]).sqrt();
            let hole_s = time_s[i] - time_s[i - 1];
            last = self.next(places[i], last, step_m, hole_s);
            out.push(last);
        }
        out
    }

    fn first(&self, places: &[[f64; 2]]) -> Projected {
        let first = places[0];
        let moved = places.iter().find(|p| distance2(**p, first) > 4.0);
        let Some(ahead) = moved else { return self.nearest(first) };
        let course = (ahead[1] - first[1]).atan2(ahead[0] - first[0]);
        self.nearest_if(first, |s| (self.circuit.heading(s) - course).cos() > 0.3)
    }

    fn next(&self, place: [f64; 2], last: Projected, step_m: f64, hole_s: f64) -> Projected {
        // Inside of a bend the foot runs ahead of the car, by at most 1 / (1 - n k).
        let k = self.circuit.curvature(last.s_m);
        let stretch = 1.0 / (1.0 - last.offset_m * k).max(0.2);
        let back_m = step_m + 2.0;
        let mut ahead_m = 2.0 * step_m * stretch + 3.0;
        if hole_s > 0.5 {
            // In a hole the road may wind while its ends stay close.
            ahead_m += 60.0 * hole_s;
        }
        let guess = last.s_m + step_m * stretch;
        let close = |p: &Projected| {
            p.s_m > last.s_m - back_m
                && p.s_m < last.s_m + ahead_m
                && (p.offset_m - last.offset_m).abs() <= 1.5 * step_m + 1.0
        };
        let found = self
            .newton(place, guess, ahead_m)
            .filter(close)
            .unwrap_or_else(|| self.ahead(place, last.s_m, back_m, ahead_m));
        if found.offset_m.abs() > LOST_M {
            let anew = self.nearest(place);
            if anew.offset_m.abs() < 0.5 * found.offset_m.abs() {
                let length = self.circuit.length_m();
                let on = last.s_m - 0.5 * length;
                return Projected { s_m: on + (anew.s_m - on).rem_euclid(length), ..anew };
            }
        }
        found
    }

    /// Nearest place within a window, by scan and refinement.
    fn ahead(&self, place: [f64; 2], s_m: f64, back_m: f64, ahead_m: f64) -> Projected {
        let pieces = ((back_m + ahead_m) / 1.0).ceil().max(2.0);
        let step = (back_m + ahead_m) / pieces;
        let best = (0..=pieces as usize)
            .map(|i| s_m - back_m + step * i as f64)
            .min_by(|&a, &b| {
                distance2(self.circuit.line().at(a).p, place)
                    .total_cmp(&distance2(self.circuit.line().at(b).p, place))
            })
            .unwrap_or(s_m);
        self.newton(place, best, 1.5 * step).unwrap_or_else(|| self.measured(place, best))
    }

    /// Newton's method from a guess; none when it leaves `reach_m` or the place lies beyond the centre of curvature.
    fn newton(&self, place: [f64; 2], guess_m: f64, reach_m: f64) -> Option<Projected> {
        let mut s = guess_m;
        for _ in 0..10 {
            let at = self.circuit.line().at(s);
            let d = [place[0] - at.p[0], place[1] - at.p[1]];
            let along = d[0] * at.d1[0] + d[1] * at.d1[1];
            let speed2 = at.d1[0] * at.d1[0] + at.d1[1] * at.d1[1];
            let slope = speed2 - (d[0] * at.d2[0] + d[1] * at.d2[1]);
            if slope <= 0.05 * speed2 {
                return None;
            }
            let step = along / slope;
            s += step;
            if (s - guess_m).abs() > reach_m {
                return None;
            }
            if step.abs() < 1e-5 {
                // Newton's error falls with its square: after this step it is below a nanometre, as is the offset's.
                let offset_m = (at.d1[0] * d[1] - at.d1[1] * d[0]) / speed2.sqrt();
                return Some(Projected { s_m: s, offset_m });
            }
        }
        None
    }

    /// Offset of a place seen from an abscissa, whether or not that is the foot: the distance, with the side's sign.
    fn measured(&self, place: [f64; 2], s_m: f64) -> Projected {
        let at = self.circuit.line().at(s_m);
        let d = [place[0] - at.p[0], place[1] - at.p[1]];
        let side = at.d1[0] * d[1] - at.d1[1] * d[0];
        Projected { s_m, offset_m: d[0].hypot(d[1]).copysign(side) }
    }
}

fn distance2(a: [f64; 2], b: [f64; 2]) -> f64 {
    (a[0] - b[0]).powi(2) + (a[1] - b[1]).powi(2)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::circuit::CentrePoint;
    use crate::made_up;
    use proptest::prelude::*;

    proptest! {
        /// A place at (s, n) has abscissa s and offset n, as long as n stays inside the bend.
        #[test]
        fn a_place_has_the_abscissa_and_offset_it_was_made_from(share in 0.0..1.0_f64, offset in -15.0..15.0_f64) {
            let c = made_up::circuit();
            let s = share * c.length_m();
            let (x, y) = c.point_beside(s, offset);
            let got = Projector::new(&c).nearest([x, y]);
            let apart = (got.s_m - s).abs();
            prop_assert!(apart.min(c.length_m() - apart) < 1e-6, "{got:?} for {s}, {offset}");
            prop_assert!((got.offset_m - offset).abs() < 1e-6);
        }

        /// Followed at any rate, a drive of several laps keeps its abscissa.
        #[test]
        fn a_drive_is_followed_at_any_rate(rate in 10.0..200.0_f64, speed in 15.0..60.0_f64, offset in -7.0..7.0_f64) {
            let c = made_up::circuit();
            let n = (2.5 * c.length_m() / speed * rate) as usize;
            let t: Vec<f64> = (0..n).map(|i| i as f64 / rate).collect();
            let places: Vec<[f64; 2]> = t.iter().map(|t| { let (x, y) = c.point_beside(20.0 + speed * t, offset); [x, y] }).collect();
            let followed = Projector::new(&c).follow(&t, &places, None);
            for (p, t) in followed.iter().zip(&t) {
                prop_assert!((p.s_m - 20.0 - speed * t).abs() < 1e-6 && (p.offset_m - offset).abs() < 1e-6, "{p:?} at {t} s");
            }
        }
    }

    fn closed(points: impl Iterator<Item = [f64; 2]>) -> Circuit {
        let points: Vec<_> = points
            .map(|[x_m, y_m]| CentrePoint { x_m, y_m, width_left_m: f64::NAN, width_right_m: f64::NAN })
            .collect();
        Circuit::from_centre_line("test", &points).unwrap()
    }

    fn follows(c: &Circuit, offset: f64) {
        let t: Vec<f64> = (0..(c.length_m() / 0.8) as usize).map(|i| f64::from(i as u32) * 0.02).collect();
        let places: Vec<[f64; 2]> = t
            .iter()
            .map(|t| {
                let (x, y) = c.point_beside(20.0 + 40.0 * t, offset);
                [x, y]
            })
            .collect();
        let mut followed = Projector::new(c).follow(&t, &places, None);
        followed.push(Projected { s_m: f64::INFINITY, offset_m: 0.0 });
        for (w, t) in followed.windows(2).zip(&t) {
            assert!((w[0].s_m - 20.0 - 40.0 * t).abs() < 1e-5, "{:?} after {} m", w[0], 40.0 * t);
            assert!(w[1].s_m > w[0].s_m);
        }
    }

    #[test]
    fn a_figure_of_eight_is_followed_through_its_crossing() {
        let angle = |i: i32| std::f64::consts::TAU * (f64::from(i) + 0.25) / 800.0;
        let c = closed((0..800).map(|i| [300.0 * angle(i).sin(), 150.0 * (2.0 * angle(i)).sin()]));
        follows(&c, 3.0);
        follows(&c, -3.0);
    }

    #[test]
    fn out_and_back_stretches_eight_metres_apart_are_kept_apart() {
        // A dumb-bell: two stretches of some 200 m, 8 m apart, between loops of 12.5 m radius at the tips.
        let points = (0..1000).map(|i| {
            let (sin, cos) = (std::f64::consts::TAU * f64::from(i) / 1000.0).sin_cos();
            [200.0 * cos, sin * (4.0 + 46.0 * cos.powi(6))]
        });
        let c = closed(points);
        follows(&c, 3.0);
        follows(&c, -3.5);
    }
}
