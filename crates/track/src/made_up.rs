//! A made-up circuit and drives on it in closed form, for tests.

#![allow(clippy::unwrap_used)]

use crate::circuit::{CentrePoint, Circuit};
use channels::{Channel, Origin, Samples};
use std::f64::consts::TAU;

/// A loop of about 2.2 km with turns to both sides: `r = 300 + 70 cos 3θ + 40 sin 2θ`, starting at θ = 0.3.
pub(crate) fn place(theta: f64) -> [f64; 2] {
    let a = theta + 0.3;
    let r = 300.0 + 70.0 * (3.0 * a).cos() + 40.0 * (2.0 * a).sin();
    [r * a.cos(), r * a.sin()]
}

pub(crate) fn circuit() -> Circuit {
    circuit_of(place)
}

/// The same, seen in a mirror.
pub(crate) fn mirrored() -> Circuit {
    circuit_of(|t| {
        let [x, y] = place(t);
        [x, -y]
    })
}

fn circuit_of(at: impl Fn(f64) -> [f64; 2]) -> Circuit {
    let points: Vec<CentrePoint> = (0..1500)
        .map(|i| {
            let [x_m, y_m] = at(TAU * f64::from(i) / 1500.0);
            CentrePoint { x_m, y_m, width_left_m: 6.0, width_right_m: 6.0 }
        })
        .collect();
    Circuit::from_centre_line("made up", &points).unwrap()
}

/// A drive along the circuit: abscissa `s(t)` in closed form, with its derivative.
#[derive(Clone, Copy)]
pub(crate) struct Drive {
    pub(crate) begin_m: f64,
    pub(crate) speed_mps: f64,
    pub(crate) swing_mps: f64,
    pub(crate) offset_m: f64,
}

impl Drive {
    /// Abscissa and speed along the centre line.
    pub(crate) fn s(&self, t: f64) -> (f64, f64) {
        let w = TAU / 9.0;
        (
            self.begin_m + self.speed_mps * t - self.swing_mps / w * ((w * t).cos() - 1.0),
            self.speed_mps + self.swing_mps * (w * t).sin(),
        )
    }

    /// When `s` is reached, by bisection.
    pub(crate) fn time_at(&self, s: f64) -> f64 {
        let (mut a, mut b) = (0.0, 1e4);
        for _ in 0..200 {
            let m = 0.5 * (a + b);
            if self.s(m).0 < s { a = m } else { b = m }
        }
        0.5 * (a + b)
    }

    /// Logged at a rate: lap counter, lap distance, place, speed.
    pub(crate) fn logged(&self, circuit: &Circuit, rate_hz: f64, seconds: f64) -> Samples {
        let times: Vec<f64> = (0..(seconds * rate_hz) as usize).map(|i| i as f64 / rate_hz).collect();
        let length = circuit.length_m();
        let mut lists: [Vec<f64>; 5] = Default::default();
        for &t in &times {
            let (s, v) = self.s(t);
            let (x, y) = circuit.point_beside(s, self.offset_m);
            let row = [
                (s / length).floor(),
                s.rem_euclid(length),
                x,
                y,
                v * (1.0 - self.offset_m * circuit.curvature(s)),
            ];
            lists.iter_mut().zip(row).for_each(|(list, value)| list.push(value));
        }
        let mut samples = Samples::new();
        let clock = samples.add_clock(times).unwrap();
        let names = [Channel::Lap, Channel::LapDistance, Channel::X, Channel::Y, Channel::Speed];
        for (name, list) in names.into_iter().zip(lists) {
            samples.insert(name, clock, list, Origin::Logged).unwrap();
        }
        samples
    }
}

/// The samples from one time to another, and those that `keep` says.
pub(crate) fn cut(s: &Samples, drop: &[Channel], keep: impl Fn(f64) -> bool) -> Samples {
    let times = s.clocks().next().unwrap().1;
    let pick =
        |v: &[f64]| -> Vec<f64> { v.iter().zip(times).filter(|(_, t)| keep(**t)).map(|(v, _)| *v).collect() };
    let mut out = Samples::new();
    let clock = out.add_clock(pick(times)).unwrap();
    for c in s.channels().filter(|c| !drop.contains(c)) {
        out.insert(c, clock, pick(s.get(c).unwrap().values), Origin::Logged).unwrap();
    }
    out
}
