//! Several files of one drive.
// Helpers of tests say what must hold by unwrapping it, as tests do.
#![allow(clippy::unwrap_used)]

use channels::Channel;
use recording::consistency::{Kind, check};
use recording::{Finding, Map, Reading, Source, read_together};
use std::io::Write;
use std::path::PathBuf;

fn join(files: &[(&str, &str)], map: &str) -> Result<Reading, String> {
    let sources: Vec<Source<'_>> =
        files.iter().map(|(name, text)| Source::Bytes { name, bytes: text.as_bytes() }).collect();
    let map = Map::from_toml_str(map).unwrap();
    let mut last = 0;
    read_together(&sources, &map, &mut |p| {
        assert!(p.bytes_done >= last && p.bytes_total.is_some_and(|t| p.bytes_done <= t));
        last = p.bytes_done;
    })
    .map_err(|e| e.to_string())
}

const BUS: &str = "Time [s],Speed [m/s]\n5000.00,10\n5000.02,11\n5000.04,12\n5000.06,13\n";
const UNIT: &str = "Time [s],Yaw rate [rad/s],Speed [m/s]\n5000.01,0.1,1\n5000.02,0.2,1\n5000.03,0.3,1\n";

/// Stamps keep their distance across the files, to the rounding of the sums.
#[test]
fn files_are_laid_on_one_axis() {
    let r = join(&[("bus.csv", BUS), ("unit.csv", UNIT)], "").unwrap();
    let (speed, yaw) = (r.samples.get(Channel::Speed).unwrap(), r.samples.get(Channel::YawRate).unwrap());
    assert_eq!((speed.time_s[0], speed.values.len(), yaw.values.len()), (0.0, 4, 3));
    assert!((yaw.time_s[0] - 0.01).abs() < 1e-9 && (yaw.at(0.015) - 0.15).abs() < 1e-6);
    assert_eq!(r.report.rows, 7);
    assert_eq!(r.report.clocks.len(), 2);
    assert!(r.report.clocks.iter().all(|c| c.origin_s == 5000.0));
    assert_eq!(r.report.clocks[1].channels, [Channel::YawRate]);
    // The first file's speed is used, and it is said.
    assert!(r.report.issues.iter().any(|i| matches!(&i.finding,
        Finding::TwoFiles { channel: Channel::Speed, left_out, .. } if left_out == "unit.csv")));
    assert!(r.report.issues.iter().all(|i| !i.sentence.is_empty()));
}

#[test]
fn one_map_serves_all_files() {
    let map = "[channels.yaw_rate]\nsign = -1\n[channels.speed]\ncolumn = 'Speed'\nunit = 'km/h'\n";
    let r = join(&[("bus.csv", BUS), ("unit.csv", "t,yaw_rate\n5000.01,1\n5000.02,2\n")], map).unwrap();
    assert_eq!(r.samples.get(Channel::YawRate).unwrap().values, [-1.0, -2.0]);
    assert_eq!(r.samples.get(Channel::Speed).unwrap().values[0], 10.0 / 3.6);
    let wrong = "[channels.yaw_rate]\ncolumn = 'gyro'\n";
    let message = join(&[("bus.csv", BUS), ("unit.csv", UNIT)], wrong).unwrap_err();
    assert!(message.contains("'gyro'") && message.contains("bus.csv + unit.csv"), "{message}");
}

#[test]
fn files_that_do_not_belong_together_are_refused() {
    let early = "Time [s],Yaw rate [rad/s]\n0.01,0.1\n0.02,0.2\n";
    let message = join(&[("bus.csv", BUS), ("unit.csv", early)], "").unwrap_err();
    assert!(message.contains("unit.csv starts near zero, bus.csv does not"), "{message}");
    let other_day = "Time [s],Yaw rate [rad/s]\n9000.01,0.1\n9000.02,0.2\n";
    let message = join(&[("bus.csv", BUS), ("unit.csv", other_day)], "").unwrap_err();
    assert!(message.contains("4000.010 s, after another has ended at 0.060 s"), "{message}");
    // Without a statement of their start they are taken to start together, and it is said.
    let a = "Time [s],Speed [m/s]\n0.0,1\n0.1,2\n";
    let r = join(&[("a.csv", a), ("b.csv", early)], "").unwrap();
    assert!(r.report.issues.iter().any(|i| i.finding == Finding::StartedTogether { files: 2 }));
    // A file without anything of ours is named, not fatal.
    let r = join(&[("a.csv", a), ("b.csv", early), ("c.csv", "t,qqq\n0.0,1\n0.1,2\n")], "").unwrap();
    assert!(r.report.issues.iter().any(|i| i.finding == Finding::FileLeftOut { file: "c.csv".into() }));
}

/// Its description: bus at a mean rate of 82.90 Hz with steps from 0.12 to 28.7 ms, inertial unit at a steady 104.4 Hz.
#[test]
fn a_measured_drive_of_three_files_is_one_recording() {
    let folder =
        PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../../shared/datasets/highway_can_60s"));
    if !folder.exists() {
        let _ = writeln!(std::io::stderr(), "skipped: the shared data highway_can_60s is not there");
        return;
    }
    let maps = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("testdata/maps/highway.toml");
    let map = Map::from_toml_str(&std::fs::read_to_string(maps).unwrap()).unwrap();
    let paths = ["speed.csv", "steering.csv", "imu.csv", "pose.csv"].map(|f| folder.join(f));
    let sources: Vec<Source<'_>> = paths.iter().map(|p| Source::File(p)).collect();
    let r = read_together(&sources, &map, &mut |_| {}).unwrap();
    assert_eq!((r.report.rows, r.samples.clocks().count()), (4974 + 4974 + 6256, 3));
    let rate = |i: usize| r.report.clocks[i].rate_hz;
    assert!((rate(0) - 82.9).abs() < 1.0 && (rate(1) - 82.9).abs() < 1.0 && (rate(2) - 104.4).abs() < 0.5);
    let jittery = r.report.issues.iter().filter(|i| matches!(i.finding, Finding::Jitter { .. })).count();
    assert_eq!(jittery, 2, "the bus is uneven, the inertial unit is not");
    // First stamps of the files, as they stand there: 46408.580034 imu, 46408.584959 steering, 46408.589503 speed.
    let first = |c| r.samples.get(c).unwrap().time_s[0];
    assert!(
        (first(Channel::Speed) - first(Channel::AccelX) - (46_408.589_502_843_33 - 46_408.580_034_294)).abs()
            < 1e-6
    );
    // Earth-centred positions are no channel of ours.
    assert!(
        r.report
            .issues
            .iter()
            .any(|i| matches!(&i.finding, Finding::FileLeftOut { file } if file.ends_with("pose.csv")))
    );
    let found = check(&r.samples).contradictions;
    let other: Vec<&str> =
        found.iter().filter(|c| c.kind != Kind::Gravity).map(|c| c.sentence.as_str()).collect();
    assert!(other.is_empty(), "{other:?}");
    // It measures gravity, as every accelerometer does.
    assert!(found.iter().any(|c| c.channels == [Channel::AccelZ]), "{found:?}");
}
