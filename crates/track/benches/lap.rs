//! A 100 s lap at 100 Hz: telling laps, building the circuit, laying a lap over it, its phases.
//!
//! Input: a drive in closed form round a circuit of about 4.5 km, four laps, seven channels.

use channels::{Channel, Origin, Samples};
use std::f64::consts::TAU;
use track::phases::phases;
use track::trace::lap_trace;
use track::{Circuit, Lap, LapKind, LapOptions, laps};

fn main() {
    divan::main();
}

fn drive() -> Samples {
    let n = 43_000;
    let times: Vec<f64> = (0..n).map(|i| f64::from(i) * 0.01).collect();
    // r = 600 + 140 cos 3a + 80 sin 2a; a runs on at a rate that keeps a lap near 100 s.
    let angle = |t: f64| TAU * (t / 100.0 + 0.02 * (TAU * t / 20.0).sin()) - 0.2;
    let place = |t: f64| {
        let a = angle(t);
        let r = 600.0 + 140.0 * (3.0 * a).cos() + 80.0 * (2.0 * a).sin() + 0.5 * (t * 0.7).sin();
        [r * a.cos(), r * a.sin()]
    };
    let mut s = Samples::new();
    let clock = s.add_clock(times.clone()).expect("times increase");
    let mut put = |c: Channel, f: &dyn Fn(f64) -> f64| {
        s.insert(c, clock, times.iter().map(|t| f(*t)).collect(), Origin::Logged)
            .expect("one value per stamp");
    };
    let speed = |t: f64| {
        let ([x0, y0], [x1, y1]) = (place(t - 1e-4), place(t + 1e-4));
        (x1 - x0).hypot(y1 - y0) / 2e-4
    };
    put(Channel::Lap, &|t| (angle(t) / TAU).floor() + 1.0);
    put(Channel::X, &|t| place(t)[0]);
    put(Channel::Y, &|t| place(t)[1]);
    put(Channel::Speed, &speed);
    put(Channel::Brake, &|t| (-0.05 * (speed(t + 0.1) - speed(t)) * 10.0).clamp(0.0, 1.0));
    put(Channel::Throttle, &|t| (0.05 * (speed(t + 0.1) - speed(t)) * 10.0).clamp(0.0, 1.0));
    put(Channel::SteeringWheelAngle, &|t| 2.0 * (3.0 * angle(t)).cos());
    s
}

fn prepared() -> (Samples, Vec<Lap>, Circuit) {
    let s = drive();
    let laps = laps::split(&s, &LapOptions::default()).expect("laps");
    let circuit = Circuit::from_laps("bench", &s, &laps).expect("circuit");
    (s, laps, circuit)
}

#[divan::bench]
fn split(bencher: divan::Bencher<'_, '_>) {
    let s = drive();
    bencher.bench(|| laps::split(&s, &LapOptions::default()));
}

#[divan::bench]
fn circuit_from_four_laps(bencher: divan::Bencher<'_, '_>) {
    let (s, laps, _) = prepared();
    bencher.bench(|| Circuit::from_laps("bench", &s, &laps));
}

#[divan::bench]
fn trace_of_one_lap(bencher: divan::Bencher<'_, '_>) {
    let (s, laps, circuit) = prepared();
    let lap = laps.into_iter().find(|l| l.kind == LapKind::Timed).expect("a timed lap");
    bencher.bench(|| lap_trace(&s, &lap, &circuit));
}

#[divan::bench]
fn phases_of_one_lap(bencher: divan::Bencher<'_, '_>) {
    let (s, laps, circuit) = prepared();
    let lap = laps.into_iter().find(|l| l.kind == LapKind::Timed).expect("a timed lap");
    let trace = lap_trace(&s, &lap, &circuit).expect("a trace");
    bencher.bench(|| phases(&circuit, &trace));
}
