//! Made-up drives for the tests.

// Each test binary uses a part; they say what must hold by unwrapping it.
#![allow(dead_code, clippy::unwrap_used)]

use channels::{Channel, Origin, Samples, Wheel};
use library::{LapKind, NewRecording, StoredLap};

/// Samples on two clocks: `rows` at 100 Hz and a tenth of them at 10 Hz. The seed is in every value.
pub(crate) fn drive(rows: usize, seed: u64) -> Samples {
    let mut samples = Samples::new();
    let s = seed as f64;
    let fast = samples.add_clock((0..rows).map(|i| i as f64 / 100.0).collect()).unwrap();
    let slow = samples.add_clock((0..rows / 10).map(|i| i as f64 / 10.0 + 0.003).collect()).unwrap();
    let wave = |i: usize, k: f64| 40.0 + 30.0 * (i as f64 / 100.0 * k + s).sin();
    let mut put = |channel, clock, values, origin| samples.insert(channel, clock, values, origin).unwrap();
    put(Channel::Speed, fast, (0..rows).map(|i| wave(i, 0.3)).collect(), Origin::Logged);
    put(Channel::Gear, fast, (0..rows).map(|i| (i / 50 % 6) as f64).collect(), Origin::Logged);
    let hole = |i: usize| if i.is_multiple_of(7) { f64::NAN } else { wave(i, 1.1) };
    put(Channel::Brake, fast, (0..rows).map(hole).collect(), Origin::Logged);
    put(Channel::AccelY, fast, (0..rows).map(|i| wave(i, 0.7)).collect(), Origin::Derived);
    let warm = |i: usize| 350.0 + s + i as f64 * 1e-3;
    put(Channel::TyreCoreTemp(Wheel::Fl), slow, (0..rows / 10).map(warm).collect(), Origin::Logged);
    samples
}

pub(crate) fn lap(number: i32, kind: LapKind, start_s: f64, end_s: f64) -> StoredLap {
    let lap_time_s = (kind == LapKind::Timed).then_some(end_s - start_s);
    StoredLap { number, kind, start_s, end_s, lap_time_s, valid: lap_time_s.is_some(), notes: Vec::new() }
}

pub(crate) fn new(name: &str) -> NewRecording {
    NewRecording {
        name_hint: name.to_owned(),
        driver: Some("Learner".to_owned()),
        car: Some("Brindle".to_owned()),
        circuit: None,
        source_name: format!("{name}.csv"),
        content_sha256: None,
        recorded_at: Some("2031-05-04T18:30:00Z".parse().unwrap()),
        note: "dry".to_owned(),
        report_json: r#"{"rows": 600, "issues": [], "format": "csv"}"#.to_owned(),
        truth_json: None,
        laps: vec![
            lap(0, LapKind::Out, 0.0, 1.005),
            lap(1, LapKind::Timed, 1.005, 3.0),
            lap(2, LapKind::Incomplete, 3.0, 5.0),
        ],
    }
}

/// Same clocks, channels, origins, and values to the last bit.
pub(crate) fn assert_same(a: &Samples, b: &Samples) {
    let bits =
        |v: &[f64]| v.iter().map(|v| if v.is_nan() { u64::MAX } else { v.to_bits() }).collect::<Vec<_>>();
    assert_eq!(a.clocks().count(), b.clocks().count());
    for (x, y) in a.clocks().zip(b.clocks()) {
        assert_eq!(bits(x.1), bits(y.1), "stamps of clock {}", x.0.0);
    }
    assert!(a.channels().eq(b.channels()), "{:?}", b.channels().collect::<Vec<_>>());
    for c in a.channels() {
        let (x, y) = (a.get(c).unwrap(), b.get(c).unwrap());
        assert_eq!(a.clock_of(c), b.clock_of(c), "clock of {c}");
        assert_eq!((x.origin, bits(x.values)), (y.origin, bits(y.values)), "{c}");
    }
}
