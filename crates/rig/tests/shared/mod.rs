//! Recordings and circuits beside the repository.

#![allow(
    clippy::unwrap_used,
    dead_code,
    reason = "helpers of tests may say what must hold; not every test uses all"
)]

use channels::Samples;
use recording::{Map, Source, read};
use std::io::Write;
use std::path::{Path, PathBuf};
use track::{CentrePoint, Circuit};

/// A folder of the shared data, or a clear line that the test is skipped.
pub(crate) fn folder(name: &str) -> Option<PathBuf> {
    let folder = Path::new(concat!(env!("CARGO_MANIFEST_DIR"), "/../../../shared")).join(name);
    if !folder.is_dir() {
        let _ = writeln!(std::io::stderr(), "skipped: no folder {}", folder.display());
        return None;
    }
    Some(folder)
}

pub(crate) fn samples(folder: &Path, file: &str) -> Samples {
    read(Source::File(&folder.join(file)), &Map::default(), &mut |_| {}).unwrap().samples
}

pub(crate) fn truth(folder: &Path, name: &str) -> serde_json::Value {
    serde_json::from_str(&std::fs::read_to_string(folder.join(format!("{name}.truth.json"))).unwrap())
        .unwrap()
}

pub(crate) fn circuit(folder: &Path, name: &str) -> Circuit {
    let text = std::fs::read_to_string(folder.join(format!("circuits/{name}.csv"))).unwrap();
    let point = |line: &str| {
        let v: Vec<f64> = line.split(',').map(|x| x.parse().unwrap()).collect();
        CentrePoint { x_m: v[0], y_m: v[1], width_left_m: v[2], width_right_m: v[3] }
    };
    let points: Vec<CentrePoint> = text.lines().skip(1).map(point).collect();
    Circuit::from_centre_line(name, &points).unwrap()
}
