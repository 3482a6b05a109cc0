//! Every numeric type of Parquet, written by pyarrow (`testdata/golden/parquet_types.py`, pyarrow 26.0.1).
// Helpers of tests say what must hold by unwrapping it, as tests do.
#![allow(clippy::unwrap_used)]

use channels::Channel;
use recording::{Format, Map, Source, read};

#[test]
fn every_numeric_type_becomes_numbers() {
    let bytes = include_bytes!("../testdata/golden/parquet_types.parquet");
    let r = read(Source::Bytes { name: "types", bytes }, &Map::default(), &mut |_| {}).unwrap();
    assert_eq!((r.report.format, r.report.rows), (Format::Parquet, 4));
    assert_eq!(r.report.metadata.get("venue").map(String::as_str), Some("nowhere"));
    let get = |c| r.samples.get(c).unwrap_or_else(|| panic!("{c}: {:?}", r.report.columns)).values.to_vec();
    let same = |c, expected: [f64; 4]| {
        for (got, expected) in get(c).iter().zip(expected) {
            let equal = (got - expected).abs() <= 1e-12 * expected.abs().max(1.0);
            assert!(equal || (got.is_nan() && expected.is_nan()), "{c}: {:?}, expected {expected}", get(c));
        }
    };
    let nan = f64::NAN;
    same(Channel::Lap, [0.0, 0.0, 1.0, 255.0]);
    same(Channel::Gear, [-1.0, 0.0, 1.0, 2.0]);
    same(Channel::Speed, [10.0, nan, nan, 20.0]);
    same(Channel::X, [1.5, nan, -2.5, 1e-3]);
    same(Channel::Y, [0.5, -2.0, 65504.0, 0.0]);
    same(Channel::Throttle, [0.125, 0.0, 1.0, 0.99999]);
    same(Channel::Brake, [0.125, nan, 1.0, -0.00001]);
    same(Channel::AntilockActive, [0.0, 1.0, nan, 1.0]);
    let rpm = std::f64::consts::PI / 30.0;
    same(Channel::EngineSpeed, [900.0 * rpm, 65535.0 * rpm, 7000.0 * rpm, 0.0]);
    same(Channel::Fuel, [45.0, 44.0, 43.0, 42.0]);
    same(Channel::Distance, [4_294_967.295, 0.0, 0.001, 0.002]);
    same(Channel::BrakeBias, [0.5, 0.501, 0.502, 0.503]);
    // The stamp counts from 1970; the recording from its start.
    let clock = &r.report.clocks[0];
    assert!((clock.origin_s - 1_767_323_045.25).abs() < 1e-6, "{}", clock.origin_s);
    let time = r.samples.get(Channel::Speed).unwrap().time_s;
    assert!(time.iter().zip([0.0, 0.02, 0.04, 0.06]).all(|(t, e)| (t - e).abs() < 1e-6), "{time:?}");
    for (column, part) in
        [("Driver", "not in the vocabulary"), ("Roll", "no numbers"), ("Pitch.list.element", "")]
    {
        let about = r.report.columns.iter().find(|c| c.column == column).unwrap();
        assert!(about.channel.is_none() && about.reason.as_deref().unwrap().contains(part), "{about:?}");
    }
    let told = |part: &str| r.report.issues.iter().any(|i| i.sentence.contains(part));
    assert!(told("'Speed' has 2 fields without a value (first in row 2)"));
    assert!(told("'Position x [m]' has 1 infinite values (first in row 2)"));
}
