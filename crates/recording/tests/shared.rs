//! Recordings outside the repository, with known content: both dialects of text, Parquet, and measured drives.
// Helpers of tests say what must hold by unwrapping it, as tests do.
#![allow(clippy::unwrap_used)]

use channels::{Channel, Dimension, STANDARD_GRAVITY_MPS2, Unit, Wheel};
use recording::{Finding, Map, Reading, Source, read};
use std::io::Write;
use std::path::PathBuf;

/// The folder of shared data, or one line that it is not there.
fn shared(path: &str) -> Option<PathBuf> {
    let full = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../../shared")).join(path);
    if !full.exists() {
        let _ = writeln!(std::io::stderr(), "skipped: the shared data {path} is not there");
        return None;
    }
    Some(full)
}

fn example_map(name: &str) -> Map {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("testdata/maps").join(name);
    Map::from_toml_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

fn import(path: &str, map: &Map) -> Option<Reading> {
    let path = shared(path)?;
    let mut last = 0;
    let reading = read(Source::File(&path), map, &mut |p| {
        assert!(p.bytes_done >= last && p.bytes_total.is_some_and(|t| p.bytes_done <= t));
        last = p.bytes_done;
    });
    Some(reading.unwrap())
}

fn unit(symbol: &str, dimension: Dimension) -> Unit {
    Unit::parse(symbol, Some(dimension)).unwrap()
}

/// First and last value in the file's own numbers, read off the file by eye (`head`, `tail`).
fn assert_ends(reading: &Reading, channel: Channel, unit: Unit, first: f64, last: f64) {
    let v = reading.samples.get(channel).unwrap().values;
    let got = (unit.from_si(v[0]), unit.from_si(v[v.len() - 1]));
    let near = |a: f64, b: f64| (a - b).abs() <= 1e-9 * b.abs().max(1.0);
    assert!(near(got.0, first) && near(got.1, last), "{channel}: {got:?}, expected {first} and {last}");
}

#[test]
fn first_dialect_needs_no_map() {
    let Some(r) = import("recordings/hollowmere-driver.csv", &Map::default()) else { return };
    assert_eq!(r.report.rows, 14312);
    assert!(r.report.columns.iter().all(|c| c.channel.is_some() && c.reason.is_none()));
    let clock = &r.report.clocks[0];
    assert_eq!((clock.stamps, clock.gaps.len(), clock.repeats, clock.backwards), (14312, 0, 0, 0));
    assert!((clock.rate_hz - 50.0).abs() < 1e-6);
    let time = r.samples.get(Channel::Speed).unwrap().time_s;
    assert_eq!((time[0], time[time.len() - 1]), (0.0, 286.22));
    assert_ends(&r, Channel::Speed, unit("km/h", Dimension::Speed), 93.60, 221.34);
    assert_ends(&r, Channel::TyrePressure(Wheel::Rr), unit("bar", Dimension::Pressure), 1.6949, 1.7917);
    assert_ends(&r, Channel::EngineSpeed, unit("1/min", Dimension::AngularRate), 5915.0, 7414.0);
}

#[test]
fn second_dialect_needs_signs_radii_and_a_density() {
    let Some(r) = import("recordings/varrenfold-second-dialect.csv", &example_map("y_right.toml")) else {
        return;
    };
    assert!(r.report.columns.iter().all(|c| c.channel.is_some()), "{:?}", r.report.columns);
    let metadata = |k: &str| r.report.metadata.get(k).map(String::as_str);
    assert_eq!((metadata("separator"), metadata("decimal mark")), (Some(";"), Some(",")));
    // The first row: y 2,886 to the right, ay -0,0003 g to the right, 60,403 l of 0.745 kg/l, 78,77 rad/s on 0.330 m.
    let first = |c| r.samples.get(c).unwrap().values[0];
    assert_eq!(first(Channel::Y), -2.886);
    assert!((first(Channel::AccelY) - 0.0003 * STANDARD_GRAVITY_MPS2).abs() < 1e-12);
    assert!((first(Channel::AccelX) + 0.0530 * STANDARD_GRAVITY_MPS2).abs() < 1e-12);
    assert!((first(Channel::Fuel) - 60.403 * 0.745).abs() < 1e-9);
    assert!((first(Channel::WheelSpeed(Wheel::Fl)) - 78.77 * 0.330).abs() < 1e-9);
    assert_eq!(first(Channel::TyreCoreTemp(Wheel::Fl)), 327.1);
    // The radii of the map agree with the speed: within 1 % on the rolling front axle, 2 % on the driven rear one, which
    // slips under power.
    let speed = r.samples.get(Channel::Speed).unwrap().values;
    for w in Wheel::ALL {
        let wheel = r.samples.get(Channel::WheelSpeed(w)).unwrap().values;
        let mut ratio: Vec<f64> = wheel.iter().zip(speed).map(|(w, v)| w / v).collect();
        ratio.sort_by(f64::total_cmp);
        let median = ratio[ratio.len() / 2];
        assert!(
            (median - 1.0).abs() < if w.suffix().starts_with('f') { 0.01 } else { 0.02 },
            "{w:?}: {median}"
        );
    }
    // Lost samples and uneven steps are what its description says; both are told.
    let clock = &r.report.clocks[0];
    // 14 802 rows where an even 50 Hz clock has 14 856 over the same time.
    assert!((clock.rate_hz - 50.0).abs() < 0.1 && clock.jitter_ms > 1.0, "{clock:?}");
    assert_eq!((clock.stamps, clock.lost), (14802, 54));
    assert!(r.report.issues.iter().any(|i| matches!(i.finding, Finding::Gaps { .. })));
    assert!(r.report.issues.iter().any(|i| matches!(i.finding, Finding::Jitter { .. })));
}

/// The lateral signs of the second dialect agree with one another and with the path only because all are turned.
#[test]
fn second_dialect_turns_left_when_its_path_does() {
    let Some(r) = import("recordings/varrenfold-second-dialect.csv", &example_map("y_right.toml")) else {
        return;
    };
    let get = |c| r.samples.get(c).unwrap().values;
    let (x, y, yaw) = (get(Channel::X), get(Channel::Y), get(Channel::YawRate));
    let (steer, ay) = (get(Channel::SteeringWheelAngle), get(Channel::AccelY));
    let mut sums = [0.0; 3];
    for i in 1..x.len() - 1 {
        let (dx1, dy1) = (x[i] - x[i - 1], y[i] - y[i - 1]);
        let (dx2, dy2) = (x[i + 1] - x[i], y[i + 1] - y[i]);
        let turn = (dx1 * dy2 - dy1 * dx2).atan2(dx1 * dx2 + dy1 * dy2);
        for (sum, value) in sums.iter_mut().zip([yaw[i], steer[i], ay[i]]) {
            *sum += turn * value;
        }
    }
    assert!(sums.iter().all(|&s| s > 0.0), "{sums:?}");
}

#[test]
fn second_dialect_without_a_map_says_what_it_lacks() {
    let Some(r) = import("recordings/varrenfold-second-dialect.csv", &Map::default()) else { return };
    let reason = |column: &str| {
        r.report
            .columns
            .iter()
            .find(|c| c.column == column)
            .and_then(|c| c.reason.clone())
            .unwrap_or_default()
    };
    assert!(reason("fuel_l").contains("fuel_density_kg_per_l"));
    assert!(reason("w_fl_radps").contains("radius"));
    // Signs are not guessed.
    assert_eq!(r.samples.get(Channel::Y).unwrap().values[0], 2.886);
}

/// The same drive is not in both formats, so the Parquet values are compared with what `pyarrow` 26.0.1 read from the same
/// file: rows, and for a few columns the first, the 10 001st and the last value (`testdata/golden/parquet_reference.py`).
#[test]
fn parquet_agrees_with_another_reader() {
    let Some(r) = import("recordings/hollowmere-reference.parquet", &Map::default()) else { return };
    assert!(r.report.columns.iter().all(|c| c.channel.is_some()), "{:?}", r.report.columns);
    let golden = include_str!("../testdata/golden/parquet_reference.csv");
    let mut compared = 0;
    for line in golden.lines().filter(|l| !l.starts_with('#')) {
        let fields: Vec<&str> = line.split(',').collect();
        let [column, rows, numbers @ ..] = &fields[..] else { panic!("{line}") };
        assert_eq!(r.report.rows, rows.parse::<usize>().unwrap());
        let about = r.report.columns.iter().find(|c| c.column == *column).unwrap();
        let channel = about.channel.unwrap();
        let symbol = about.unit.as_deref().unwrap();
        let view = r.samples.get(if channel == Channel::Time { Channel::Speed } else { channel }).unwrap();
        let values = if channel == Channel::Time { view.time_s } else { view.values };
        for (row, expected) in [0, 10_000, values.len() - 1].into_iter().zip(numbers) {
            let expected = unit(symbol, channel.dimension()).to_si(expected.parse().unwrap());
            assert!(
                (values[row] - expected).abs() <= 1e-12 * expected.abs(),
                "{column} {row}: {} {expected}",
                values[row]
            );
            compared += 1;
        }
    }
    assert_eq!(compared, 3 * r.report.columns.len());
}

/// Measured drives: times since 1970 become times since the start, 0.04 s apart as their description says.
#[test]
fn measured_drives_start_at_zero() {
    for (file, rows, last_s) in [("road_course", 11900, 475.96), ("oval", 16791, 671.60)] {
        let Some(r) =
            import(&format!("datasets/race_car_track/{file}.csv"), &example_map("single_seater.toml"))
        else {
            return;
        };
        let clock = &r.report.clocks[0];
        assert_eq!((r.report.rows, clock.stamps, clock.gaps.len()), (rows, rows, 0));
        assert!((clock.rate_hz - 25.0).abs() < 1e-3);
        assert!(clock.origin_s > 1.6e9);
        let (start, end) = r.samples.span_s().unwrap();
        assert!(start == 0.0 && (end - last_s).abs() < 1e-3, "{file}: {start} to {end}");
        for c in [
            Channel::X,
            Channel::Y,
            Channel::VelocityX,
            Channel::Heading,
            Channel::YawRate,
            Channel::RoadWheelAngle,
        ] {
            assert!(r.samples.get(c).is_some(), "{file}: {c}");
        }
        // Its description doubts the unit of the roll angle on the road course only, and so must we.
        let doubted = r.report.issues.iter().any(|i| {
            matches!(&i.finding, Finding::Implausible { channel: Channel::Roll, hint, .. } if hint.contains("deg"))
        });
        assert_eq!(doubted, file == "road_course");
    }
}

/// 60 Hz with times rounded to milliseconds, as its description says; deflated and transposed.
#[test]
fn mdf_needs_no_map() {
    let Some(r) = import("recordings/varrenfold-reference.mf4", &Map::default()) else { return };
    let left_out: Vec<&str> =
        r.report.columns.iter().filter(|c| c.channel.is_none()).map(|c| c.column.as_str()).collect();
    assert!(left_out.is_empty(), "{left_out:?}");
    let clock = &r.report.clocks[0];
    assert!((clock.rate_hz - 60.0).abs() < 0.01 && clock.gaps.is_empty(), "{clock:?}");
    assert_eq!(r.report.rows, clock.stamps);
    let golden = include_str!("../testdata/golden/mdf_reference.csv");
    let mut compared = 0;
    for line in golden.lines().filter(|l| !l.starts_with('#')) {
        let fields: Vec<&str> = line.split(',').collect();
        let [column, rows, numbers @ ..] = &fields[..] else { panic!("{line}") };
        assert_eq!(r.report.rows, rows.parse::<usize>().unwrap());
        let about = r.report.columns.iter().find(|c| c.column == *column).unwrap();
        let (channel, symbol) = (about.channel.unwrap(), about.unit.as_deref().unwrap());
        let view = r.samples.get(channel).unwrap();
        for (row, expected) in [0, 10_000, view.values.len() - 1].into_iter().zip(numbers) {
            let expected = unit(symbol, channel.dimension()).to_si(expected.parse().unwrap());
            assert!((view.values[row] - expected).abs() <= 1e-12 * expected.abs(), "{column} {row}");
            compared += 1;
        }
    }
    assert_eq!(compared, 3 * (r.report.columns.len() - 1));
}

/// Their description: bus at a mean rate of 82.90 Hz with real jitter, inertial unit at a steady 104.4 Hz, position at 20 Hz.
#[test]
fn real_clocks_are_judged_as_described() {
    let map = Map::from_toml_str("[channels.accel_x]\ncolumn = 'accel_forward'\n").unwrap();
    let Some(r) = import("datasets/highway_can_60s/imu.csv", &map) else { return };
    let imu = &r.report.clocks[0];
    assert!((imu.rate_hz - 104.4).abs() < 0.5 && imu.gaps.is_empty() && imu.jitter_ms < 1.0, "{imu:?}");
    let Some(r) = import("datasets/highway_can_60s/speed.csv", &Map::default()) else { return };
    let bus = &r.report.clocks[0];
    assert!((bus.rate_hz - 82.90).abs() < 1.0 && bus.jitter_ms > 2.0, "{bus:?}");
    assert!(bus.gaps.len() < 20, "jitter is not loss: {} gaps", bus.gaps.len());
}

/// No time column; its description finds a step of 8.3 ms. Asked for, then taken.
#[test]
fn a_missing_time_is_made_from_the_rate() {
    let Some(path) = shared("datasets/simulated_handling/run.csv") else { return };
    let import = |map: &Map| read(Source::File(&path), map, &mut |_| {});
    let message = import(&Map::default()).unwrap_err().to_string();
    assert!(message.contains("no time column") && message.contains("rate_hz"), "{message}");
    let r = import(&Map::default().with_rate_hz(Some(120.0)).unwrap()).unwrap();
    assert!((r.report.clocks[0].rate_hz - 120.0).abs() < 1e-9);
    assert!(r.samples.get(Channel::VelocityX).is_some() && r.samples.get(Channel::RoadWheelAngle).is_some());
}
