//! Laps in closed form for tests and benchmarks: a closed curve with as many corners as wanted, speeds and lines that are
//! short sums of waves, pedals and steering that follow from them.

use channels::{Channel, Origin, Samples};
use std::collections::BTreeMap;
use std::f64::consts::TAU;
use track::{Circuit, CornerPhases, Lap, LapKind, LapTrace};

/// The curve `r = a (1 − 2 cos(n φ)/(n² − 1))` with `n` equal corners, run anticlockwise (`side = 1`) or mirrored
/// (`side = -1`), `length_m` long.
pub(crate) fn circuit(corners: usize, length_m: f64, side: f64) -> Circuit {
    let n = corners as f64;
    let radius = |phi: f64| 1.0 + 2.0 / (n * n - 1.0).max(1.0) * (n * phi + TAU / 2.0).cos();
    const FINE: usize = 20_000;
    let point = |phi: f64| [radius(phi) * phi.cos(), side * radius(phi) * phi.sin()];
    let fine: Vec<[f64; 2]> = (0..=FINE).map(|i| point(TAU * i as f64 / FINE as f64)).collect();
    let mut arc = vec![0.0];
    for w in fine.windows(2) {
        arc.push(arc[arc.len() - 1] + (w[1][0] - w[0][0]).hypot(w[1][1] - w[0][1]));
    }
    let scale = length_m / arc[FINE];
    let knots = (length_m / 2.0).round() as usize;
    let at = |i: usize| {
        let want = arc[FINE] * i as f64 / knots as f64;
        let j = arc.partition_point(|&a| a <= want).clamp(1, FINE);
        let w = (want - arc[j - 1]) / (arc[j] - arc[j - 1]);
        [0, 1].map(|k| scale * (fine[j - 1][k] + (fine[j][k] - fine[j - 1][k]) * w))
    };
    let points: Vec<[f64; 2]> = (0..knots).map(at).collect();
    let piece_m = length_m / n;
    let list: Vec<serde_json::Value> = (0..corners)
        .map(|i| {
            let apex_m = (i as f64 + 0.5) * piece_m;
            serde_json::json!({
                "name": format!("T{}", i + 1), "number": i + 1,
                "start_m": apex_m - 0.35 * piece_m, "turn_in_m": apex_m - 0.2 * piece_m, "apex_m": apex_m,
                "exit_m": apex_m + 0.2 * piece_m, "direction": if side > 0.0 { "left" } else { "right" },
                "radius_m": length_m / TAU / 3.0,
            })
        })
        .collect();
    let stored = serde_json::json!({
        "name": "Waves", "length_m": length_m, "corners": list,
        "x_m": points.iter().map(|p| p[0]).collect::<Vec<_>>(),
        "y_m": points.iter().map(|p| p[1]).collect::<Vec<_>>(),
    });
    serde_json::from_value(stored).expect("a closed smooth curve is a circuit")
}

/// A quantity around the lap: `mean + Σ amplitude · sin(2π (harmonic s/length + phase))`.
#[derive(Debug, Clone)]
pub(crate) struct Waves {
    pub(crate) mean: f64,
    /// Harmonic, amplitude, phase in turns.
    pub(crate) waves: Vec<(f64, f64, f64)>,
}

impl Waves {
    pub(crate) fn at(&self, turn: f64) -> f64 {
        self.mean + self.waves.iter().map(|(h, a, p)| a * (TAU * (h * turn + p)).sin()).sum::<f64>()
    }
}

/// A lap driven at `speed_mps` on the line `offset_m`.
///
/// Time is the integral of `1/v` by Simpson's rule. Pedals follow from the acceleration `a = v dv/ds`, steering from the
/// circuit's curvature.
pub(crate) fn lap(circuit: &Circuit, speed_mps: &Waves, offset_m: &Waves) -> LapTrace {
    let s_m = circuit.nodes_m();
    let length_m = circuit.length_m();
    let v = |s: f64| speed_mps.at(s / length_m);
    let mut time_s = vec![0.0];
    for w in s_m.windows(2) {
        let mean = (1.0 / v(w[0]) + 4.0 / v(0.5 * (w[0] + w[1])) + 1.0 / v(w[1])) / 6.0;
        time_s.push(time_s[time_s.len() - 1] + (w[1] - w[0]) * mean);
    }
    let channels = Channel::all()
        .filter_map(|c| {
            Some((c, s_m.iter().map(|&s| driven(circuit, speed_mps, c, s)).collect::<Option<Vec<f64>>>()?))
        })
        .collect();
    let offset_m = s_m.iter().map(|s| offset_m.at(s / length_m)).collect();
    LapTrace { s_m, time_s, offset_m, channels }
}

/// Speed along the centre line, pedals and steering of a drive at a place: what [`lap`] and [`log`] write down.
fn driven(circuit: &Circuit, speed_mps: &Waves, channel: Channel, s_m: f64) -> Option<f64> {
    let v = |s: f64| speed_mps.at(s / circuit.length_m());
    let accel = v(s_m) * (v(s_m + 0.5) - v(s_m - 0.5));
    match channel {
        Channel::Speed => Some(v(s_m)),
        Channel::Brake => Some((-accel / 12.0).clamp(0.0, 1.0)),
        Channel::Throttle => Some((accel / 4.0).clamp(0.0, 1.0)),
        Channel::SteeringWheelAngle => Some(13.0 * 2.7 * circuit.curvature(s_m)),
        _ => None,
    }
}

/// The drive of [`lap`], from 60 m before the line to 60 m after the next, logged at `rate_hz` with the first sample
/// `late_s` after the start.
#[cfg(test)]
pub(crate) fn log(
    circuit: &Circuit,
    speed_mps: &Waves,
    offset_m: &Waves,
    rate_hz: f64,
    late_s: f64,
) -> (Samples, Lap) {
    const STEP_M: f64 = 0.01;
    const BESIDE_M: f64 = 60.0;
    let length_m = circuit.length_m();
    let v = |s: f64| speed_mps.at(s / length_m);
    // Time at each hundredth of a metre, midpoint rule: below 1e-9 s a step.
    let steps = ((length_m + 2.0 * BESIDE_M) / STEP_M) as usize;
    let place = |i: usize| STEP_M * i as f64 - BESIDE_M;
    let mut times = vec![0.0];
    for i in 0..steps {
        times.push(times[i] + STEP_M / v(place(i) + 0.5 * STEP_M));
    }
    let time_at = |s: f64| {
        let i = ((s + BESIDE_M) / STEP_M) as usize;
        times[i] + (s - place(i)) / v(s)
    };
    let place_at = |t: f64| {
        let i = times.partition_point(|&x| x <= t) - 1;
        place(i) + (t - times[i]) * v(place(i))
    };
    let clock_s: Vec<f64> =
        (0..).map(|i| late_s + f64::from(i) / rate_hz).take_while(|&t| t < times[steps]).collect();
    let places: Vec<f64> = clock_s.iter().map(|&t| place_at(t)).collect();
    let mut samples = Samples::new();
    let clock = samples.add_clock(clock_s).expect("time runs");
    let mut put =
        |channel, values| samples.insert(channel, clock, values, Origin::Logged).expect("fits the clock");
    let point = |s: &f64| circuit.point_beside(*s, offset_m.at(s / length_m));
    put(Channel::X, places.iter().map(|s| point(s).0).collect());
    put(Channel::Y, places.iter().map(|s| point(s).1).collect());
    for channel in Channel::all() {
        if let Some(values) = places.iter().map(|&s| driven(circuit, speed_mps, channel, s)).collect() {
            put(channel, values);
        }
    }
    let (start_s, end_s) = (time_at(0.0), time_at(length_m));
    let lap_time_s = Some(end_s - start_s);
    let lap =
        Lap { number: 1, kind: LapKind::Timed, start_s, end_s, lap_time_s, valid: true, notes: Vec::new() };
    (samples, lap)
}

/// Phases that sit around each corner, moved by up to a tenth of a corner by `shift` (-1..1).
pub(crate) fn phases(circuit: &Circuit, shift: &dyn Fn(usize) -> f64) -> Vec<CornerPhases> {
    let piece_m = circuit.length_m() / circuit.corners.len() as f64;
    let corner = |(corner, c): (usize, &track::Corner)| {
        let at = |k: usize, share: f64| c.apex_m + piece_m * (share + 0.1 * shift(5 * corner + k));
        let mut places = [at(0, -0.35), at(1, -0.2), at(2, -0.05), at(3, 0.05), at(4, 0.25)];
        places.sort_by(f64::total_cmp);
        let [approach_m, entry_m, mid_m, exit_m, straight_m] = places;
        CornerPhases { corner, approach_m, entry_m, mid_m, exit_m, straight_m }
    };
    circuit.corners.iter().enumerate().map(corner).collect()
}

/// How one corner is driven, as distances \[m\] from its apex.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Feet {
    pub(crate) brake_m: f64,
    pub(crate) release_m: f64,
    pub(crate) throttle_m: f64,
    pub(crate) brake_peak: f64,
}

/// Slowest speed \[m/s\] and acceleration out of every corner \[m/s²\] of [`by_feet`].
pub(crate) const SLOWEST_MPS: f64 = 30.0;
pub(crate) const PULL_MPS2: f64 = 4.0;

impl Feet {
    pub(crate) const USUAL: Self =
        Self { brake_m: -100.0, release_m: -10.0, throttle_m: 5.0, brake_peak: 0.8 };
}

/// A lap in which v² is made of straight lines: it falls evenly while braking to [`SLOWEST_MPS`], stays, and grows by
/// `2 · PULL_MPS2` per metre on the throttle. Returned with its phases; the exits end 100 m after the apex. The lap begins
/// as if it left a corner at the line.
pub(crate) fn by_feet(circuit: &Circuit, feet: &[Feet]) -> (LapTrace, Vec<CornerPhases>) {
    let mut square = vec![(0.0, SLOWEST_MPS * SLOWEST_MPS)];
    let mut phases = Vec::new();
    for (corner, (c, f)) in circuit.corners.iter().zip(feet).enumerate() {
        let (from_m, from_square) = square[square.len() - 1];
        let on = |m: f64| c.apex_m + m;
        square.push((on(f.brake_m), from_square + 2.0 * PULL_MPS2 * (on(f.brake_m) - from_m)));
        square.push((on(f.release_m), SLOWEST_MPS * SLOWEST_MPS));
        square.push((on(f.throttle_m), SLOWEST_MPS * SLOWEST_MPS));
        phases.push(CornerPhases {
            corner,
            approach_m: on(f.brake_m),
            entry_m: on(-75.0),
            mid_m: on(f.release_m),
            exit_m: on(f.throttle_m),
            straight_m: on(100.0),
        });
    }
    let (from_m, from_square) = square[square.len() - 1];
    square.push((circuit.length_m(), from_square + 2.0 * PULL_MPS2 * (circuit.length_m() - from_m)));
    let speed = |s: f64| {
        let after = square.partition_point(|p| p.0 < s).clamp(1, square.len() - 1);
        let (a, b) = (square[after - 1], square[after]);
        (a.1 + (b.1 - a.1) * (s - a.0) / (b.0 - a.0)).sqrt()
    };
    let s_m = circuit.nodes_m();
    let mut time_s = vec![0.0];
    for w in s_m.windows(2) {
        // Exact where v² is a straight line; a tenth of a metre is lost at its corners at most.
        let tenth = |i: i32| w[0] + (w[1] - w[0]) * f64::from(i) / 10.0;
        let pieces = (0..10).map(|i| 0.2 * (w[1] - w[0]) / (speed(tenth(i)) + speed(tenth(i + 1))));
        time_s.push(time_s[time_s.len() - 1] + pieces.sum::<f64>());
    }
    let in_corner = |s: f64, f: &dyn Fn(&Feet, f64) -> f64| {
        let nearest =
            |a: &&track::Corner, b: &&track::Corner| (a.apex_m - s).abs().total_cmp(&(b.apex_m - s).abs());
        let c = circuit.corners.iter().min_by(nearest).expect("has corners");
        f(&feet[c.number - 1], s - c.apex_m)
    };
    // Pedals ramp over two metres, so that they pass 5 % a tenth of a metre from the place.
    let ramp = |m: f64| (0.5 * m).clamp(0.0, 1.0);
    let column = |f: &dyn Fn(f64) -> f64| s_m.iter().map(|&s| f(s)).collect::<Vec<f64>>();
    let brake = |s| in_corner(s, &|f, m| f.brake_peak * ramp(m - f.brake_m).min(ramp(f.release_m - m)));
    let throttle = |s| in_corner(s, &|f, m| ramp(f.brake_m - m).max(ramp(m - f.throttle_m)));
    let channels = BTreeMap::from([
        (Channel::Speed, column(&speed)),
        (Channel::Brake, column(&brake)),
        (Channel::Throttle, column(&throttle)),
        (Channel::SteeringWheelAngle, column(&|s| circuit.curvature(s))),
    ]);
    (LapTrace { offset_m: vec![0.0; s_m.len()], s_m, time_s, channels }, phases)
}
