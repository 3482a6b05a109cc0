//! Whatever samples go in come out, to the last bit; and a general engine reads them.

#![allow(clippy::unwrap_used)]

mod support;

use channels::{Channel, Origin, Samples};
use library::Library;
use proptest::prelude::*;
use std::env;
use std::io::Write;
use std::path::Path;
use std::process::Command;
use support::{assert_same, drive, new};
use tempfile::TempDir;

/// Any double, with those that formats get wrong more often than by chance.
fn value() -> impl Strategy<Value = f64> {
    prop_oneof![
        3 => any::<u64>().prop_map(f64::from_bits),
        2 => (-8..8_i32).prop_map(f64::from),
        1 => prop::sample::select(vec![
            0.0, -0.0, f64::NAN, f64::INFINITY, f64::NEG_INFINITY, f64::MIN_POSITIVE, 5e-324, f64::MAX, f64::MIN,
        ]),
    ]
}

fn stamps() -> impl Strategy<Value = Vec<f64>> {
    prop::collection::vec(-1e9..1e9_f64, 0..200).prop_map(|mut t| {
        t.sort_by(f64::total_cmp);
        t.dedup();
        t
    })
}

fn samples() -> impl Strategy<Value = Samples> {
    let all: Vec<Channel> = Channel::all().collect();
    let clocks = prop::collection::vec(stamps(), 1..4);
    let signals =
        prop::collection::vec((prop::sample::select(all), any::<prop::sample::Index>(), any::<bool>()), 0..8);
    (clocks, signals, prop::collection::vec(value(), 1..300)).prop_map(|(clocks, signals, values)| {
        let mut samples = Samples::new();
        let ids: Vec<_> = clocks.iter().map(|t| samples.add_clock(t.clone()).unwrap()).collect();
        for (k, (channel, clock, derived)) in signals.into_iter().enumerate() {
            let clock = clock.index(ids.len());
            let n = clocks[clock].len();
            let column = values.iter().cycle().skip(k * 7).take(n).copied().collect();
            let origin = if derived { Origin::Derived } else { Origin::Logged };
            samples.insert(channel, ids[clock], column, origin).unwrap();
        }
        samples
    })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn any_samples_come_back_bit_for_bit(samples in samples()) {
        let dir = TempDir::new().unwrap();
        let library = Library::create_or_open(dir.path()).unwrap();
        match samples.span_s() {
            None => prop_assert!(library.add(new("a"), &samples).is_err()),
            Some(_) => {
                library.add(new("a"), &samples).unwrap();
                assert_same(&samples, &library.samples("a").unwrap());
                prop_assert!(library.check(false).unwrap().findings.is_empty());
            }
        }
    }
}

#[test]
fn more_rows_than_one_row_group_holds_come_back_in_order() {
    let dir = TempDir::new().unwrap();
    let library = Library::create_or_open(dir.path()).unwrap();
    let samples = drive((1 << 17) * 2 + 3, 1);
    library.add(new("long"), &samples).unwrap();
    assert_same(&samples, &library.samples("long").unwrap());
}

/// A Python with pyarrow: the one that `LAPWRIGHT_PYTHON` names, or one on the path.
fn python() -> Option<String> {
    let named = env::var("LAPWRIGHT_PYTHON").ok();
    let some = named.into_iter().chain(["python3", "python"].map(str::to_owned));
    let has = |p: &String| {
        let import = Command::new(p).args(["-c", "import pyarrow.dataset, pyarrow.compute"]).output();
        import.is_ok_and(|o| o.status.success())
    };
    some.into_iter().find(has)
}

/// Reads the whole library in one glob, counts rows per recording and lap, and prints sums and bits of one column.
const READ: &str = r#"
import glob, json, math, struct, sys
import pyarrow as pa, pyarrow.dataset as ds, pyarrow.parquet as pq
files = sorted(glob.glob(sys.argv[1] + "/recordings/*/clock-0.parquet"))
schema = pa.unify_schemas([pq.read_schema(f) for f in files])
table = ds.dataset(files, schema=schema).to_table()
keys = ["recording", "driver", "lap", "lap_kind"]
count = table.group_by(keys).aggregate([("time [s]", "count")]).to_pylist()
speed = ds.dataset(sys.argv[1] + "/recordings").to_table(filter=ds.field("recording") == "one").column("speed [m/s]")
bits = [struct.unpack("<Q", struct.pack("<d", v))[0] for v in speed.to_pylist() if v is not None]
brake = table.filter(ds.field("recording") == "one").column("brake [-]")
stats = pq.ParquetFile(files[0]).metadata.row_group(0)
names = {stats.column(i).path_in_schema: stats.column(i) for i in range(stats.num_columns)}
print(json.dumps({
    "count": sorted([[r[k] for k in keys] + [r["time [s]_count"]] for r in count], key=str),
    "bits": bits, "brake_nulls": brake.null_count,
    "ranges": [[names[n].statistics.min, names[n].statistics.max] for n in ("recording", "lap")],
    "dictionary": names["gear [-]"].has_dictionary_page, "compression": names["gear [-]"].compression,
}))
"#;

/// Outside check: `pyarrow` is a reader of the format that shares nothing with ours.
#[test]
fn a_general_engine_reads_the_whole_library_in_one_glob() {
    let Some(python) = python() else {
        writeln!(
            std::io::stderr(),
            "skipped: no Python with pyarrow found; name one in LAPWRIGHT_PYTHON to read the files from outside"
        )
        .unwrap();
        return;
    };
    let dir = TempDir::new().unwrap();
    let library = Library::create_or_open(dir.path()).unwrap();
    let samples = drive(600, 1);
    library.add(new("one"), &samples).unwrap();
    let mut other = Samples::new();
    let clock = other.add_clock((0..50).map(|i| f64::from(i) * 0.02).collect()).unwrap();
    other.insert(Channel::Throttle, clock, vec![1.0; 50], Origin::Logged).unwrap();
    let mut two = new("two");
    two.driver = None;
    two.laps.clear();
    library.add(two, &other).unwrap();
    library.rename("two", "Second").unwrap();

    let said = Command::new(python).args(["-c", READ]).arg(as_text(dir.path())).output().unwrap();
    assert!(said.status.success(), "{}", String::from_utf8_lossy(&said.stderr));
    let json: serde_json::Value = serde_json::from_slice(&said.stdout).unwrap();
    // 0 to 5.99 s at 100 Hz; laps end at 1.005 s, 3 s and 5 s, and the rest belongs to none.
    let expected = serde_json::json!([
        ["one", "Learner", 0, "out", 101],
        ["one", "Learner", 1, "timed", 199],
        ["one", "Learner", 2, "incomplete", 200],
        ["one", "Learner", null, null, 100],
        ["second", null, null, null, 50],
    ]);
    assert_eq!(json["count"], expected);
    let speed = samples.get(Channel::Speed).unwrap().values;
    assert_eq!(json["bits"], serde_json::json!(speed.iter().map(|v| v.to_bits()).collect::<Vec<_>>()));
    // Every seventh of 600 is a hole.
    assert_eq!(json["brake_nulls"], 86);
    assert_eq!(json["ranges"], serde_json::json!([["one", "one"], [0, 2]]));
    assert_eq!((&json["dictionary"], &json["compression"]), (&true.into(), &"ZSTD".into()));
}

fn as_text(path: &Path) -> String {
    path.display().to_string()
}
