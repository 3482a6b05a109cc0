//! The shared recordings. Those in the first dialect come through the product's reader; for the others, which need a map, a
//! plain table with the columns of these tests will do.
#![allow(dead_code, clippy::unwrap_used)]

use channels::{Channel, Origin, Samples};
use recording::{Map, Source, read};
use std::io::Write as _;
use std::path::{Path, PathBuf};

/// The folder of shared data, or a line that says it is not there.
pub(crate) fn shared(part: &str) -> Option<PathBuf> {
    let folder = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../../../shared")).join(part);
    if folder.exists() {
        return Some(folder);
    }
    let _ = writeln!(std::io::stderr(), "skipped: shared data '{part}' is not there");
    None
}

/// Column of dialect 2, channel, factor to SI; y to the right.
const DIALECT_2: &[(&str, Channel, f64)] = &[
    ("lap", Channel::Lap, 1.0),
    ("x", Channel::X, 1.0),
    ("y", Channel::Y, -1.0),
    ("v_mps", Channel::Speed, 1.0),
    ("ay_g", Channel::AccelY, -9.80665),
    ("yawrate_radps", Channel::YawRate, -1.0),
    ("swa_rad", Channel::SteeringWheelAngle, -1.0),
    ("thr", Channel::Throttle, 1.0),
    ("brk", Channel::Brake, 1.0),
];

/// The real drives.
const REAL: &[(&str, Channel, f64)] = &[
    ("x(m)", Channel::X, 1.0),
    ("y(m)", Channel::Y, 1.0),
    ("vx(m/s)", Channel::Speed, 1.0),
    ("omega(rad/s)", Channel::YawRate, 1.0),
    ("delta(rad)", Channel::RoadWheelAngle, 1.0),
];

/// A recording by its file name.
pub(crate) fn recording(folder: &Path, file: &str) -> Samples {
    let path = folder.join(file);
    if file.starts_with("hollowmere") {
        return read(Source::File(&path), &Map::default(), &mut |_| {}).unwrap().samples;
    }
    let text = std::fs::read_to_string(&path).unwrap();
    if file.contains("second-dialect") {
        table(&text.replace(',', "."), ';', "t", DIALECT_2)
    } else {
        table(text.trim_start_matches("# "), ',', "time(s)", REAL)
    }
}

fn table(text: &str, separator: char, time: &str, columns: &[(&str, Channel, f64)]) -> Samples {
    let mut lines = text.lines();
    let header: Vec<&str> = lines.next().unwrap().split(separator).map(str::trim).collect();
    let rows: Vec<Vec<f64>> =
        lines.map(|l| l.split(separator).map(|v| v.trim().parse().unwrap_or(f64::NAN)).collect()).collect();
    samples(&header, &rows, time, columns)
}

fn samples(header: &[&str], rows: &[Vec<f64>], time: &str, columns: &[(&str, Channel, f64)]) -> Samples {
    let index =
        |name: &str| header.iter().position(|h| *h == name).unwrap_or_else(|| panic!("no column {name}"));
    let column = |name: &str, factor: f64| -> Vec<f64> {
        let i = index(name);
        rows.iter().map(|r| r[i] * factor).collect()
    };
    let mut s = Samples::new();
    let mut t = column(time, 1.0);
    let t0 = t[0];
    if t0 > 1e6 {
        t.iter_mut().for_each(|t| *t -= t0);
    }
    let clock = s.add_clock(t).unwrap();
    for (name, channel, factor) in columns {
        s.insert(*channel, clock, column(name, *factor), Origin::Logged).unwrap();
    }
    s
}

/// Copy without some channels.
pub(crate) fn without(s: &Samples, dropped: &[Channel]) -> Samples {
    let mut out = Samples::new();
    let clock = out.add_clock(s.clocks().next().unwrap().1.to_vec()).unwrap();
    for c in s.channels().filter(|c| !dropped.contains(c)) {
        out.insert(c, clock, s.get(c).unwrap().values.to_vec(), Origin::Logged).unwrap();
    }
    out
}

/// Copy with every n-th sample.
pub(crate) fn every(s: &Samples, n: usize) -> Samples {
    let pick = |v: &[f64]| -> Vec<f64> { v.iter().copied().step_by(n).collect() };
    let mut out = Samples::new();
    let clock = out.add_clock(pick(s.clocks().next().unwrap().1)).unwrap();
    for c in s.channels() {
        out.insert(c, clock, pick(s.get(c).unwrap().values), Origin::Logged).unwrap();
    }
    out
}
