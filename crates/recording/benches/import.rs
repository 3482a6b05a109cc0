//! Import of text: a generated 100 MB recording with 40 channels.
//!
//! `cargo bench -p recording` prints MB/s. The file is kept in the target folder, so that `compare/pyarrow_csv.py` can read
//! the same one; see there for the ratio.

use recording::{Map, Source, read};
use std::fmt::Write as _;
use std::io::{BufWriter, Write};
use std::path::PathBuf;

fn main() {
    divan::main();
}

const MEGABYTES: usize = 100;

const SINGLES: &[(&str, f64, usize)] = &[
    // heading, size of the values, decimals
    ("Lap distance [m]", 5000.0, 2),
    ("Position x [m]", 900.0, 3),
    ("Position y [m]", 700.0, 3),
    ("Speed [km/h]", 250.0, 2),
    ("Acceleration x [m/s2]", 15.0, 3),
    ("Acceleration y [m/s2]", 20.0, 3),
    ("Yaw rate [deg/s]", 40.0, 3),
    ("Steering wheel [deg]", 180.0, 2),
    ("Throttle [%]", 100.0, 1),
    ("Brake [%]", 100.0, 1),
    ("Brake pressure front [bar]", 80.0, 2),
    ("Engine speed [1/min]", 8000.0, 0),
    ("Force feedback [-]", 1.0, 4),
    ("Fuel [kg]", 60.0, 3),
    ("Air temperature [degC]", 30.0, 1),
    ("Track temperature [degC]", 40.0, 1),
    ("Roll [deg]", 2.0, 3),
    ("Pitch [deg]", 2.0, 3),
    ("Road wheel angle [deg]", 15.0, 3),
];

const WHEELS: &[(&str, f64, usize)] = &[
    ("Wheel speed {} [km/h]", 250.0, 2),
    ("Tyre pressure {} [bar]", 2.0, 4),
    ("Tyre core {} [degC]", 90.0, 2),
    ("Damper travel {} [mm]", 40.0, 3),
    ("Brake disc {} [degC]", 600.0, 1),
];

/// Time and 39 channels, as a simulator writes them: fixed decimals, 100 Hz. The same on every machine.
fn generated() -> PathBuf {
    let path = PathBuf::from(env!("CARGO_TARGET_TMPDIR")).join("import-100mb.csv");
    if path.exists() {
        return path;
    }
    let mut columns: Vec<(String, f64, usize)> =
        SINGLES.iter().map(|(h, size, decimals)| ((*h).to_owned(), *size, *decimals)).collect();
    for (h, size, decimals) in WHEELS {
        columns.extend(["FL", "FR", "RL", "RR"].iter().map(|w| (h.replace("{}", w), *size, *decimals)));
    }
    let mut out = BufWriter::new(std::fs::File::create(&path).expect("the target folder takes a file"));
    let headings: Vec<&str> = columns.iter().map(|c| c.0.as_str()).collect();
    let mut line = format!("Time [s],{}\n", headings.join(","));
    let mut written = 0;
    let mut row = 0_u32;
    while written < MEGABYTES * 1_000_000 {
        out.write_all(line.as_bytes()).expect("the target folder takes a file");
        written += line.len();
        line.clear();
        let t = f64::from(row) * 0.01;
        let _ = write!(line, "{t:.3}");
        for (i, (_, size, decimals)) in columns.iter().enumerate() {
            let phase = t * (0.11 + 0.013 * i as f64) + i as f64;
            let _ = write!(line, ",{:.*}", *decimals, size * phase.sin());
        }
        line.push('\n');
        row += 1;
    }
    path
}

#[divan::bench(sample_count = 7, sample_size = 1)]
fn csv_from_disk(bencher: divan::Bencher<'_, '_>) {
    let path = generated();
    let bytes = std::fs::metadata(&path).map_or(0, |m| m.len());
    let map = Map::default();
    bencher.counter(divan::counter::BytesCount::new(bytes)).bench_local(|| {
        let reading = read(Source::File(&path), &map, &mut |_| {}).expect("the generated file is good");
        assert_eq!(reading.report.clocks[0].channels.len(), 39);
        reading
    });
}

#[divan::bench(sample_count = 7, sample_size = 1)]
fn csv_with_decimal_comma(bencher: divan::Bencher<'_, '_>) {
    let text = std::fs::read_to_string(generated()).expect("the generated file is text");
    let text = text.replace(',', ";").replace('.', ",");
    let map = Map::default();
    bencher
        .counter(divan::counter::BytesCount::new(text.len()))
        .bench_local(|| read(Source::Bytes { name: "comma", bytes: text.as_bytes() }, &map, &mut |_| {}));
}
