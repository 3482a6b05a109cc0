//! Source profiles: written, read back, found again and applied, with fixes in them.
// Helpers of tests say what must hold by unwrapping it, as tests do.
#![allow(clippy::unwrap_used)]

use channels::{Channel, Wheel};
use proptest::prelude::*;
use recording::consistency::check;
use recording::{Map, Source, best_profile, headings, read, read_with};
use std::io::Write;
use std::path::PathBuf;

fn shared(path: &str) -> Option<PathBuf> {
    let full = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../../shared")).join(path);
    if !full.exists() {
        let _ = writeln!(std::io::stderr(), "skipped: the shared data {path} is not there");
        return None;
    }
    Some(full)
}

fn example_map(name: &str) -> Map {
    if name.is_empty() {
        return Map::default();
    }
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("testdata/maps").join(name);
    Map::from_toml_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

fn saved(map: &Map) -> Map {
    Map::from_toml_str(&map.to_toml_string()).unwrap()
}

/// Every source is known again by its columns, and read the same with nothing left to guess.
#[test]
fn a_saved_profile_reads_the_same() {
    let mut profiles = Vec::new();
    let mut readings = Vec::new();
    for (file, map) in [
        ("recordings/hollowmere-reference.parquet", ""),
        ("recordings/hollowmere-driver.csv", ""),
        ("recordings/varrenfold-reference.mf4", ""),
        ("recordings/varrenfold-second-dialect.csv", "y_right.toml"),
        ("datasets/race_car_track/oval.csv", "single_seater.toml"),
        ("datasets/street_drive_50hz/drive.csv", "street_drive.toml"),
    ] {
        let Some(path) = shared(file) else { return };
        let map = example_map(map);
        let reading = read(Source::File(&path), &map, &mut |_| {}).unwrap();
        let profile = map.learned(file, &reading.report);
        assert_eq!(saved(&profile), profile, "{}", profile.to_toml_string());
        profiles.push(saved(&profile));
        readings.push((path, reading));
    }
    for (i, (path, first)) in readings.iter().enumerate() {
        let columns = headings(Source::File(path)).unwrap();
        let best = best_profile(&profiles, &columns).unwrap();
        // Parquet and MDF have the same columns but for the time; either profile will do for them.
        assert!(best == i || profiles[best].fits(&columns) >= profiles[i].fits(&columns));
        let (again, applied) = read_with(Source::File(path), &profiles[i..=i], &mut |_| {}).unwrap();
        assert_eq!(applied, Some(0), "{}", path.display());
        // Bit by bit, but for stretches without values, which differ from themselves.
        for c in first.samples.channels() {
            let (a, b) = (first.samples.get(c).unwrap(), again.samples.get(c).unwrap());
            let bits = |v: &[f64]| v.iter().map(|x| x.to_bits()).collect::<Vec<_>>();
            assert!(bits(a.values) == bits(b.values) && a.time_s == b.time_s, "{}: {c}", path.display());
        }
    }
    // The four kinds of source are not taken for one another.
    let fits = |i: usize, j: usize| profiles[i].fits(&headings(Source::File(&readings[j].0)).unwrap());
    assert!(fits(1, 3) < 0.2 && fits(3, 1) < 0.2 && fits(4, 5) < 0.2);
}

#[test]
fn a_profile_is_applied_to_a_file_with_one_column_more() {
    let old = "t;v;ay_g;lap;brk;thr;gear\n0,0;10;0,1;0;0;1;2\n0,1;11;0,1;0;0;1;2\n".to_owned();
    let new = old.replace("gear", "gear;temp").replace(";2\n", ";2;20\n");
    let map = Map::from_toml_str("decimal_mark = ','\n[channels.accel_y]\nsign = -1\n").unwrap();
    let bytes = |text| Source::Bytes { name: "d", bytes: text };
    let first = read(bytes(old.as_bytes()), &map, &mut |_| {}).unwrap();
    let profile = saved(&map.learned("my logger", &first.report));
    assert_eq!(profile.source_name(), Some("my logger"));
    let (reading, applied) =
        read_with(bytes(new.as_bytes()), std::slice::from_ref(&profile), &mut |_| {}).unwrap();
    assert_eq!(applied, Some(0));
    assert!(reading.samples.get(Channel::AccelY).unwrap().values[0] < 0.0);
    // Another source is left to the usual recognition.
    let other = b"Time [s],Speed [km/h]\n0,36\n1,36\n";
    let (_, applied) = read_with(bytes(other), &[profile], &mut |_| {}).unwrap();
    assert_eq!(applied, None);
}

/// What the cross-checks settled is written into the profile, and the next import is sound.
#[test]
fn fixes_are_kept_in_the_profile() {
    let wheels = "[channels.wheel_speed_fl]\nscale = 0.330\n[channels.wheel_speed_fr]\nscale = 0.330\n";
    for (file, map) in [
        ("recordings/varrenfold-second-dialect.csv", Map::from_toml_str(wheels).unwrap()),
        ("datasets/race_car_track/road_course.csv", example_map("single_seater.toml")),
    ] {
        let Some(path) = shared(file) else { return };
        let first = read(Source::File(&path), &map, &mut |_| {}).unwrap();
        let found = check(&first.samples);
        assert!(!found.contradictions.is_empty());
        let map = saved(&map.learned("source", &first.report).with_fixes(&found.fixes(), &first.report));
        let again = read(Source::File(&path), &map, &mut |_| {}).unwrap();
        let left = check(&again.samples).contradictions;
        assert!(left.is_empty(), "{file}: {:?}\n{}", left, map.to_toml_string());
        // Each clock of the samples has its report.
        assert_eq!(again.samples.clocks().count(), again.report.clocks.len());
    }
}

/// Each kind of fix does in the map what it does to the samples.
#[test]
fn a_fix_in_the_map_equals_a_fix_of_the_samples() {
    use recording::consistency::{Fix, FixKind, apply};
    let text = b"Time [s],Speed [km/h],Brake [%],Air temperature [degC],Yaw rate [deg/s]\n0,36,10,20,1\n0.1,72,30,21,2\n0.2,36,0,22,3\n";
    let source = Source::Bytes { name: "d", bytes: text };
    let map = Map::from_toml_str("[channels.brake]\nscale = 0.5\noffset = 3\nsign = -1").unwrap();
    let first = read(source, &map, &mut |_| {}).unwrap();
    let fix = |channel, change| Fix { channel, change };
    let fixes = [
        fix(Channel::Brake, FixKind::Invert),
        fix(Channel::YawRate, FixKind::Sign),
        fix(Channel::Speed, FixKind::Unit { factor: 1.609_344, unit: "mph", read_as: "km/h" }),
        fix(Channel::AirTemp, FixKind::Offset { add: -2.5 }),
        fix(Channel::Brake, FixKind::Offset { add: 0.125 }),
        fix(Channel::YawRate, FixKind::Delay { delay_s: 0.25 }),
    ];
    let mut samples = first.samples.clone();
    apply(&fixes, &mut samples).unwrap();
    let again = read(source, &saved(&map.with_fixes(&fixes, &first.report)), &mut |_| {}).unwrap().samples;
    for c in samples.channels() {
        let (a, b) = (samples.get(c).unwrap(), again.get(c).unwrap());
        assert_eq!(a.time_s, b.time_s, "{c}");
        for (a, b) in a.values.iter().zip(b.values) {
            assert!((a - b).abs() <= 1e-12 * a.abs().max(1.0), "{c}: {a} {b}");
        }
    }
    let without = map.with_fixes(&[fix(Channel::Brake, FixKind::LeaveOut)], &first.report);
    assert!(read(source, &saved(&without), &mut |_| {}).unwrap().samples.get(Channel::Brake).is_none());
}

/// A guess is told with its runner-up, and loses confidence by what its values say.
#[test]
fn a_guess_comes_with_its_confidence() {
    let text = b"Time [s],Speed [km/h],Stering wheel [deg],Throttle\n0,36,1,0\n1,72,2,50\n2,36,2,100\n";
    let report = read(Source::Bytes { name: "d", bytes: text }, &Map::default(), &mut |_| {}).unwrap().report;
    let guesses = |i: usize| &report.columns[i].guesses;
    assert_eq!((guesses(1)[0].channel, guesses(1)[0].confidence), (Channel::Speed, 1.0));
    // Not recognised, but told.
    assert_eq!(report.columns[2].channel, None);
    assert_eq!(guesses(2)[0].channel, Channel::SteeringWheelAngle);
    assert!(report.columns[2].reason.as_ref().unwrap().contains("perhaps steering_wheel_angle?"));
    // Two of three values are no share of a pedal.
    assert!((guesses(3)[0].confidence - 1.0 / 3.0).abs() < 1e-12, "{:?}", guesses(3));
}

proptest! {
    /// Any map is the same after writing and reading.
    #[test]
    fn maps_survive_writing(
        columns in prop::collection::vec("[ -~äµ²°\"\\\\]{1,20}", 1..8),
        numbers in prop::collection::vec((-1e6..1e6_f64, -5.0..5.0_f64), 8),
        sign in prop::collection::vec(any::<bool>(), 8),
        rate in prop::option::of(0.1..1e5_f64),
    ) {
        let wheel = Channel::all().filter(|c| c.wheel() != Some(Wheel::Rr));
        let mut toml = toml::Table::new();
        let mut channels = toml::Table::new();
        for (i, (channel, column)) in wheel.zip(&columns).enumerate() {
            let mut entry = toml::Table::new();
            entry.insert("column".into(), column.clone().into());
            entry.insert("scale".into(), if numbers[i].0 == 0.0 { 1.0 } else { numbers[i].0 }.into());
            entry.insert("offset".into(), numbers[i].1.into());
            entry.insert("delay_s".into(), numbers[i].1.into());
            entry.insert("sign".into(), if sign[i] { 1.0 } else { -1.0 }.into());
            channels.insert(channel.name(), entry.into());
        }
        toml.insert("channels".into(), channels.into());
        toml.insert("ignore".into(), columns.clone().into());
        let map = Map::from_toml_str(&toml::to_string(&toml).unwrap()).unwrap().with_rate_hz(rate).unwrap();
        prop_assert_eq!(saved(&map), map);
    }
}
