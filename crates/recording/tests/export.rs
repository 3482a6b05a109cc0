//! Exported files, read back by us to the last bit, and by other libraries where Python is there.
// Helpers of tests say what must hold by unwrapping it, as tests do.
#![allow(clippy::unwrap_used)]

use channels::{Channel, Origin, Samples, Wheel};
use proptest::prelude::*;
use recording::export::{Export, LapSpan, Units, export};
use recording::{Format, Map, Source, read};
use std::io::Write;
use std::path::PathBuf;
use std::process::Command;

const FORMATS: [Format; 3] = [Format::Csv, Format::Parquet, Format::Mdf4];

fn written(samples: &Samples, what: &Export<'_>, format: Format) -> Vec<u8> {
    let mut out = Vec::new();
    export(samples, what, format, &mut out).unwrap();
    out
}

fn read_back(bytes: &[u8]) -> recording::Reading {
    read(Source::Bytes { name: "exported", bytes }, &Map::default(), &mut |_| {}).unwrap()
}

/// Two clocks; holes, and numbers that only their shortest text tells apart.
fn odd() -> Samples {
    let mut s = Samples::new();
    let fast = s.add_clock(vec![0.1, 0.2, 0.30000000000000004, 0.4, 0.5]).unwrap();
    let slow = s.add_clock(vec![0.2, 0.35, 0.7]).unwrap();
    let n = f64::NAN;
    let mut put = |c, clock, v: &[f64]| s.insert(c, clock, v.to_vec(), Origin::Logged).unwrap();
    put(Channel::Speed, fast, &[0.1 + 0.2, n, 5e-324, 1e22, -0.0]);
    put(Channel::YawRate, fast, &[1.0 / 3.0, 2.0 / 3.0, -1e-7, std::f64::consts::PI, n]);
    put(Channel::TyrePressure(Wheel::Rl), slow, &[n, 170_000.123_456_789, 1.7e5]);
    s
}

fn assert_same(a: &Samples, b: &Samples, what: &str) {
    let names = |s: &Samples| s.channels().collect::<Vec<_>>();
    assert_eq!(names(a), names(b), "{what}");
    for c in a.channels() {
        let known = |s: &Samples| {
            let v = s.get(c).unwrap();
            let pairs = v.time_s.iter().zip(v.values).filter(|(_, v)| !v.is_nan());
            pairs.map(|(t, v)| (t.to_bits(), v.to_bits())).collect::<Vec<_>>()
        };
        assert!(known(a) == known(b), "{what}: {c}");
    }
}

#[test]
fn every_number_comes_back_to_the_last_bit() {
    let odd = odd();
    for format in FORMATS {
        let r = read_back(&written(&odd, &Export::default(), format));
        assert_eq!(r.report.format, format);
        assert_same(&r.samples, &odd, &format.to_string());
        // One table, or a group for every clock.
        assert_eq!(r.report.clocks.len(), if format == Format::Mdf4 { 2 } else { 1 });
    }
}

#[test]
fn headers_state_name_and_unit() {
    let text = String::from_utf8(written(&odd(), &Export::default(), Format::Csv)).unwrap();
    let mut lines = text.lines();
    assert_eq!(lines.next(), Some("time [s],speed [m/s],yaw_rate [rad/s],tyre_pressure_rl [Pa]"));
    assert_eq!(lines.next(), Some("0.1,0.30000000000000004,0.3333333333333333,"));
    let daily = Export { units: Units::Daily, ..Export::default() };
    let text = String::from_utf8(written(&odd(), &daily, Format::Csv)).unwrap();
    assert!(text.starts_with("time [s],speed [km/h],yaw_rate [deg/s],tyre_pressure_rl [bar]\n"), "{text}");
}

#[test]
fn a_lap_is_cut_out_and_numbered() {
    let laps = [LapSpan { number: 3, from_s: 0.15, to_s: 0.4 }];
    let what = Export { span_s: Some((0.2, 0.4)), laps: &laps, ..Export::default() };
    for format in FORMATS {
        let r = read_back(&written(&odd(), &what, format));
        let lap = r.samples.get(Channel::Lap).unwrap();
        let known: Vec<(f64, f64)> =
            lap.time_s.iter().copied().zip(lap.values.iter().copied()).filter(|p| !p.1.is_nan()).collect();
        assert_eq!(known, [(0.2, 3.0), (0.30000000000000004, 3.0)], "{format}");
    }
    let only = [Channel::YawRate];
    let what = Export { channels: Some(&only), ..Export::default() };
    assert_eq!(
        read_back(&written(&odd(), &what, Format::Parquet)).samples.channels().collect::<Vec<_>>(),
        only
    );
}

#[test]
fn metadata_goes_with_the_file() {
    let metadata = [("driver <1>".to_owned(), "A & \"B\"".to_owned())].into();
    let what = Export { metadata, ..Export::default() };
    for format in [Format::Parquet, Format::Mdf4] {
        let report = read_back(&written(&odd(), &what, format)).report;
        assert_eq!(report.metadata.get("driver <1>").map(String::as_str), Some("A & \"B\""), "{format}");
    }
}

#[test]
fn nothing_to_write_is_said() {
    let message =
        |what: &Export<'_>| export(&odd(), what, Format::Csv, &mut Vec::new()).unwrap_err().to_string();
    let only = [Channel::Fuel];
    assert!(
        message(&Export { channels: Some(&only), ..Export::default() }).contains("none of the channels fuel")
    );
    let m = message(&Export { span_s: Some((5.0, 6.0)), ..Export::default() });
    assert!(m.contains("between 5.000 s and 6.000 s") && m.contains("spans 0.100 s to 0.700 s"), "{m}");
    struct Full;
    impl Write for Full {
        fn write(&mut self, _: &[u8]) -> std::io::Result<usize> {
            Err(std::io::Error::new(std::io::ErrorKind::StorageFull, "no space left"))
        }
        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }
    for format in FORMATS {
        let e = export(&odd(), &Export::default(), format, &mut Full).unwrap_err().to_string();
        assert!(e.contains("no space left"), "{format}: {e}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Any finite numbers on any clock.
    #[test]
    fn any_recording_comes_back(
        steps in prop::collection::vec(1e-3..1.0_f64, 2..40),
        start in -100.0..100.0_f64,
        raw in prop::collection::vec(prop::num::f64::NORMAL | prop::num::f64::ZERO | prop::num::f64::SUBNORMAL, 40),
        daily in any::<bool>(),
    ) {
        let mut time = vec![start];
        time.extend(steps.iter().scan(start, |t, s| { *t += s; Some(*t) }));
        let n = time.len();
        let mut samples = Samples::new();
        let clock = samples.add_clock(time).unwrap();
        let values: Vec<f64> = raw.iter().cycle().take(n).copied().collect();
        for c in [Channel::X, Channel::BrakeTemp(Wheel::Fr)] {
            samples.insert(c, clock, values.clone(), Origin::Logged).unwrap();
        }
        for format in FORMATS {
            let units = if daily { Units::Daily } else { Units::Si };
            let back = read_back(&written(&samples, &Export { units, ..Export::default() }, format)).samples;
            if daily {
                for (a, b) in values.iter().zip(back.get(Channel::BrakeTemp(Wheel::Fr)).unwrap().values) {
                    prop_assert!((a - b).abs() <= 4.0 * f64::EPSILON * a.abs().max(273.15), "{} {}", a, b);
                }
            } else {
                assert_same(&back, &samples, &format.to_string());
            }
        }
    }
}

fn shared(path: &str) -> Option<PathBuf> {
    let full = PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/../../../shared")).join(path);
    if !full.exists() {
        let _ = writeln!(std::io::stderr(), "skipped: the shared data {path} is not there");
        return None;
    }
    Some(full)
}

/// A whole recording with all channels: ours, then `asammdf` and `pyarrow`, by way of `testdata/export/check.py`. Python is
/// the one on the path; the test is skipped where it or the libraries are missing.
#[test]
fn other_libraries_read_the_same_numbers() {
    let Some(path) = shared("recordings/hollowmere-feedback.parquet") else { return };
    let samples = read(Source::File(&path), &Map::default(), &mut |_| {}).unwrap().samples;
    for format in FORMATS {
        assert_same(
            &read_back(&written(&samples, &Export::default(), format)).samples,
            &samples,
            &format.to_string(),
        );
    }
    let there = Command::new("python3").args(["-c", "import asammdf, pyarrow"]).output();
    if !there.is_ok_and(|o| o.status.success()) {
        let _ = writeln!(std::io::stderr(), "skipped: python3 with asammdf and pyarrow is not there");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir(folder.path().join("expected")).unwrap();
    let put = |name: &str, values: &[f64]| {
        let bytes: Vec<u8> = values.iter().flat_map(|v| v.to_le_bytes()).collect();
        std::fs::write(folder.path().join("expected").join(format!("{name}.f64")), bytes).unwrap();
    };
    let mut numbers = 0;
    for c in samples.channels() {
        let view = samples.get(c).unwrap();
        put("time", view.time_s);
        put(&c.name(), view.values);
        numbers += view.values.len();
    }
    let rows = samples.get(Channel::Speed).unwrap().values.len();
    for (format, end) in FORMATS.into_iter().zip(["csv", "parquet", "mf4"]) {
        std::fs::write(
            folder.path().join(format!("drive.{end}")),
            written(&samples, &Export::default(), format),
        )
        .unwrap();
    }
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/testdata/export/check.py");
    let out = Command::new("python3").arg(script).arg(folder.path()).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    // Two tables with a time column, and the time of every channel in MDF.
    let agreed: usize = String::from_utf8_lossy(&out.stdout).trim().parse().unwrap();
    assert_eq!(agreed, 2 * (numbers + rows) + 2 * numbers);
}
