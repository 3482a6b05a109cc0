//! The whole way through the program, as a person at a terminal goes it.

mod common;

use common::{lapwright, run, shared, skipped};
use serde_json::Value;

fn number(value: &Value) -> f64 {
    value.as_f64().unwrap_or_else(|| panic!("a number, not {value}"))
}

/// Lap times of a truth file, by lap number.
fn true_times(name: &str) -> Option<Vec<(i64, f64)>> {
    let text =
        std::fs::read_to_string(shared()?.join("recordings").join(format!("{name}.truth.json"))).ok()?;
    let truth: Value = serde_json::from_str(&text).ok()?;
    let laps = truth["laps"].as_array()?.iter().filter(|l| l["kind"] == "timed");
    Some(laps.filter_map(|l| Some((l["lap"].as_i64()?, l["time_s"].as_f64()?))).collect())
}

/// Both dialects and Parquet of the shared recordings: lap times within 2 ms of their truth, through the binary.
#[test]
fn shared_recordings_give_their_true_lap_times() {
    let Some(shared) = shared() else { return skipped("shared_recordings_give_their_true_lap_times") };
    let dir = tempfile::tempdir().unwrap();
    let map = concat!(env!("CARGO_MANIFEST_DIR"), "/../recording/testdata/maps/y_right.toml");
    let files = [
        ("hollowmere-driver.csv", None),
        ("hollowmere-reference.parquet", None),
        ("hollowmere-feedback.parquet", None),
        ("hollowmere-understeer.parquet", None),
        ("varrenfold-second-dialect.csv", Some(map)),
    ];
    for (file, map) in files {
        let path = shared.join("recordings").join(file);
        let mut call = lapwright(dir.path());
        call.arg("import").arg(&path).arg("--json").args(map.map(|m| ["--map", m]).into_iter().flatten());
        let answer: Value = serde_json::from_str(&run(&mut call)).unwrap();
        let laps = answer[0]["laps"].as_array().unwrap();
        let truth = true_times(file.split('.').next().unwrap()).unwrap();
        assert!(!truth.is_empty(), "{file}");
        for (lap, time_s) in truth {
            let found =
                laps.iter().find(|l| l["lap_number"] == lap).unwrap_or_else(|| panic!("{file}: lap {lap}"));
            assert_eq!(found["kind"], "timed", "{file}: lap {lap}");
            let error_s = number(&found["lap_time_s"]) - time_s;
            assert!(error_s.abs() < 0.002, "{file}: lap {lap} is off by {error_s} s");
        }
    }
    // The four recordings of one circuit share it; the fifth has its own.
    let laps: Value = serde_json::from_str(&run(lapwright(dir.path()).args(["laps", "--json"]))).unwrap();
    let mut circuits: Vec<_> =
        laps.as_array().unwrap().iter().map(|l| l["circuit"].as_str().unwrap()).collect();
    circuits.sort_unstable();
    circuits.dedup();
    assert_eq!(circuits.len(), 2);

    let ids: Vec<&str> = laps
        .as_array()
        .unwrap()
        .iter()
        .filter(|l| l["kind"] == "timed")
        .filter_map(|l| l["id"].as_str())
        .collect();
    for lap in &ids {
        for reference in &ids {
            let same_circuit = lap.starts_with("varren") == reference.starts_with("varren");
            let mut call = lapwright(dir.path());
            call.args(["ledger", lap, "--against", reference, "--json"]);
            if !same_circuit {
                let out = call.output().unwrap();
                assert_eq!(out.status.code(), Some(2));
                assert!(String::from_utf8_lossy(&out.stderr).contains("only laps of one circuit"));
                continue;
            }
            let ledger: Value = serde_json::from_str(&run(&mut call)).unwrap();
            let gap_s = number(&ledger["gap_s"]);
            let times = |id: &str| {
                number(&laps.as_array().unwrap().iter().find(|l| l["id"] == id).unwrap()["lap_time_s"])
            };
            assert!((gap_s - (times(lap) - times(reference))).abs() < 1e-3, "{lap} {reference}");
            let entries = ledger["entries"].as_array().unwrap();
            let sum: f64 = entries.iter().map(|e| number(&e["seconds"])).sum();
            assert!((sum - gap_s).abs() < 1e-3, "{lap} against {reference}: {sum} is not {gap_s}");
            if lap == reference {
                assert!(entries.iter().all(|e| number(&e["seconds"]) == 0.0), "{lap} against itself");
            }
        }
    }
}

/// The first real, measured input: no lap column, laps from a line crossed on x and y; times from its README.
#[test]
fn measured_drives_give_the_lap_times_of_their_readme() {
    let Some(shared) = shared() else { return skipped("measured_drives_give_the_lap_times_of_their_readme") };
    let dir = tempfile::tempdir().unwrap();
    let map = concat!(env!("CARGO_MANIFEST_DIR"), "/../recording/testdata/maps/single_seater.toml");
    let gate = |x: f64, y: f64, dx: f64, dy: f64| format!("--line={x},{y},{}", dy.atan2(dx).to_degrees());
    for (file, line, times) in [
        ("road_course.csv", gate(-249.416, -154.351, -0.99746, -0.07122), [200.837, 158.423]),
        ("oval.csv", gate(-376.397, -61.758, -0.45270, -0.89166), [149.722, 133.339]),
    ] {
        let path = shared.join("datasets/race_car_track").join(file);
        let mut call = lapwright(dir.path());
        call.arg("import").arg(path).args(["--map", map, &line, "--json"]);
        let answer: Value = serde_json::from_str(&run(&mut call)).unwrap();
        let laps = answer[0]["laps"].as_array().unwrap();
        let found: Vec<f64> =
            laps.iter().filter(|l| l["kind"] == "timed").map(|l| number(&l["lap_time_s"])).collect();
        assert_eq!(found.len(), 2, "{file}: {found:?}");
        for (found, expected) in found.iter().zip(times) {
            assert!((found - expected).abs() < 0.01, "{file}: {found} s is not {expected} s");
        }
    }
}

/// What is done to a recording by name is told, and undone.
#[test]
fn a_library_is_looked_after_from_the_command_line() {
    let dir = tempfile::tempdir().unwrap();
    let call = |words: &[&str]| run(lapwright(dir.path()).args(words));
    std::fs::write(dir.path().join("a.csv"), "Time [s],Lap [-]\n0,0\n1,0\n2,1\n3,1\n4,2\n").unwrap();
    call(&["import", "a.csv"]);
    assert!(call(&["library", "rename", "a", "evening"]).contains("now 'evening'"));
    call(&["library", "tag", "evening", "wet", "night"]);
    call(&["library", "note", "evening", "new bars"]);
    let list: Value = serde_json::from_str(&call(&["library", "list", "--json"])).unwrap();
    assert_eq!(list["recordings"][0]["name"], "evening");
    assert_eq!(list["recordings"][0]["note"], "new bars");
    assert_eq!(list["recordings"][0]["tags"], serde_json::json!(["night", "wet"]));
    call(&["library", "remove", "evening"]);
    assert_eq!(call(&["laps", "--json"]).trim(), "[]");
    assert!(call(&["library", "trash"]).contains("evening"));
    call(&["library", "restore", "evening"]);
    assert!(call(&["laps"]).contains("evening:1"));
    assert!(call(&["library", "check"]).contains("All is as it was written."));

    // A file that somebody shortened is found and named; the exit code says so.
    let file = dir.path().join("library/recordings/evening/clock-0.parquet");
    let bytes = std::fs::read(&file).unwrap();
    std::fs::write(&file, &bytes[..bytes.len() / 2]).unwrap();
    let out = lapwright(dir.path()).args(["library", "check"]).output().unwrap();
    assert_eq!(out.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&out.stdout).contains("clock-0.parquet"));
}

/// A circle has its answers in closed form: the limit lap runs on its inner border at the grip limit.
#[test]
fn the_limit_lap_of_a_ring_is_the_one_on_paper() {
    let dir = tempfile::tempdir().unwrap();
    let mut circuit = String::from("x [m],y [m],width_left [m],width_right [m]\n");
    for i in 0..240 {
        let t = f64::from(i) / 240.0 * std::f64::consts::TAU;
        circuit += &format!("{},{},6,6\n", 50.0 * t.cos(), 50.0 * t.sin());
    }
    std::fs::write(dir.path().join("ring.csv"), circuit).unwrap();
    let car = "[grip_ellipse]\nmass_kg = 1300\nmu_x = 1.3\nmu_y = 1.3\npower_w = 1e6\nwidth_m = 2.0\n";
    std::fs::write(dir.path().join("car.toml"), car).unwrap();
    let words = ["limit", "--circuit", "ring.csv", "--car", "car.toml", "--json"];
    let lap: Value = serde_json::from_str(&run(lapwright(dir.path()).args(words))).unwrap();
    // Half width 6 m less half a car: the line has a radius of 45 m; v^2 = mu g R, T = 2 pi sqrt(R / (mu g)), with the
    // grip-ellipse car's own g of 9.81 m/s^2.
    let expected = std::f64::consts::TAU * (45.0_f64 / (1.3 * 9.81)).sqrt();
    let found = number(&lap["lap_time_s"]);
    assert!((found / expected - 1.0).abs() < 1e-3, "{found} s, on paper {expected} s");
    assert_eq!(lap["converged"], true);
    assert!(number(&lap["max_violation"]["border_m"]) < 0.01);
    assert!(lap["samples"].as_array().unwrap().len() > 90);

    let answer: Value = serde_json::from_str(&run(lapwright(dir.path()).args([
        "whatif",
        "car.toml",
        "--circuit",
        "ring.csv",
        "--json",
    ])))
    .unwrap();
    let levers = answer["levers"].as_array().unwrap();
    let grip = levers.iter().find(|l| l["lever"] == "lateral grip").unwrap();
    // T goes with mu^-1/2, so dT/dmu = -T / (2 mu).
    let slope = number(&grip["slope_s_per_unit"]);
    assert!((slope / (-expected / 2.6) - 1.0).abs() < 0.02, "{slope}");
}

/// The example cars are credible, and an impossible one is refused by its field.
#[test]
fn a_car_file_is_checked() {
    let dir = tempfile::tempdir().unwrap();
    let gt = concat!(env!("CARGO_MANIFEST_DIR"), "/../vehicle/cars/gt.toml");
    let report: Value =
        serde_json::from_str(&run(lapwright(dir.path()).args(["car", "check", gt, "--json"]))).unwrap();
    assert_eq!(report["ok"], true);
    let gradient = number(&report["understeer_gradient_deg_per_g"]);
    assert!((0.05..2.0).contains(&gradient), "{gradient} deg/g");
    let heavy = std::fs::read_to_string(gt).unwrap().replace("mass_kg = 1310.0", "mass_kg = -5.0");
    std::fs::write(dir.path().join("bad.toml"), heavy).unwrap();
    let out = lapwright(dir.path()).args(["car", "check", "bad.toml"]).output().unwrap();
    let message = String::from_utf8_lossy(&out.stderr).into_owned();
    assert_eq!(out.status.code(), Some(2));
    assert!(message.contains("bad.toml") && message.contains("body.mass_kg is -5"), "{message}");
}

/// The first look of the demo: what was planted is where the ledger finds time, and the limit lap is faster than anybody.
#[test]
fn the_demo_can_be_read_back_with_its_truth() {
    use std::io::{BufRead, BufReader};
    let dir = tempfile::tempdir().unwrap();
    let mut demo = lapwright(dir.path());
    demo.args(["demo", "--short", "--no-open", "--port", "0"]).stdout(std::process::Stdio::piped());
    let mut demo = demo.spawn().unwrap();
    let mut first = String::new();
    BufReader::new(demo.stdout.take().unwrap()).read_line(&mut first).unwrap();
    demo.kill().unwrap();
    demo.wait().unwrap();
    assert!(first.contains("http://127.0.0.1:"), "{first}");

    let laps: Value = serde_json::from_str(&run(lapwright(dir.path()).args(["laps", "--json"]))).unwrap();
    let timed: Vec<&Value> = laps.as_array().unwrap().iter().filter(|l| l["kind"] == "timed").collect();
    assert!(timed.len() >= 6, "{}", timed.len());
    let lap = timed.iter().find(|l| l["recording"] == "first-look").unwrap()["id"].as_str().unwrap();
    let ledger = |against: &str| -> Value {
        serde_json::from_str(&run(lapwright(dir.path()).args([
            "ledger",
            lap,
            "--against",
            against,
            "--json",
        ])))
        .unwrap()
    };
    let best = ledger("best");
    let gap_s = number(&best["gap_s"]);
    assert!(gap_s > 0.5, "the learner is {gap_s} s behind");
    for view in ["entries", "phases"] {
        let sum: f64 = best[view].as_array().unwrap().iter().map(|e| number(&e["seconds"])).sum();
        assert!((sum - gap_s).abs() < 1e-3, "{view}: {sum} is not {gap_s}");
    }
    assert!(best["entries"].as_array().unwrap().iter().all(|e| !e["sentence"].as_str().unwrap().is_empty()));
    let limit = ledger("limit");
    assert_eq!(limit["reference"], "limit");
    // Its pedals are computed, so no cause against it is sure.
    assert!(limit["entries"].as_array().unwrap().iter().all(|e| e["certainty"] == "open"));
    assert!(number(&limit["gap_s"]) > gap_s, "nobody is faster than the limit lap");
}

/// A small drive of two laps with everything an import looks at, `sign` being that of the lateral acceleration.
fn drive(sign: f64, pedal: &str) -> String {
    let mut text = format!("Time [s],Lap [-],Speed [m/s],Yaw rate [rad/s],Acceleration y [m/s2],{pedal}\n");
    for i in 0..6000 {
        let t = f64::from(i) * 0.02;
        let yaw_rate = 0.3 + 0.2 * (0.5 * t).sin();
        let speed = 30.0 + 5.0 * (0.2 * t).cos();
        let accel_y = sign * speed * yaw_rate;
        text += &format!("{t:.2},{},{speed:.5},{yaw_rate:.6},{accel_y:.5},0.5\n", i / 2500);
    }
    text
}

#[test]
fn a_flipped_sign_is_told_turned_when_asked_and_remembered_in_a_profile() {
    let dir = tempfile::tempdir().unwrap();
    let call = |words: &[&str]| run(lapwright(dir.path()).args(words));
    std::fs::write(dir.path().join("right.csv"), drive(1.0, "throttle")).unwrap();
    std::fs::write(dir.path().join("flipped.csv"), drive(-1.0, "throttle")).unwrap();
    std::fs::write(dir.path().join("next.csv"), drive(-1.0, "throttle").replace("0.5\n", "0.6\n")).unwrap();
    assert!(!call(&["import", "right.csv"]).contains("contradiction"));
    let told = call(&["import", "flipped.csv"]);
    assert!(told.contains("contradiction") && told.contains("--fix-signs"), "{told}");
    call(&["library", "remove", "flipped"]);
    let turned = call(&["import", "flipped.csv", "--fix-signs", "--save-profile", "my logger"]);
    assert!(turned.contains("turned: ") && !turned.contains("contradiction"), "{turned}");
    let next = call(&["import", "next.csv"]);
    assert!(next.contains("profile 'my logger'") && !next.contains("contradiction"), "{next}");
}

/// Laps go out and come back the same.
#[test]
fn what_is_exported_comes_back_the_same() {
    let dir = tempfile::tempdir().unwrap();
    let call = |words: &[&str]| run(lapwright(dir.path()).args(words));
    std::fs::write(dir.path().join("right.csv"), drive(1.0, "throttle")).unwrap();
    call(&["import", "right.csv"]);
    let timed = |recording: &str| -> f64 {
        let laps: Value = serde_json::from_str(&call(&["laps", "--recording", recording, "--json"])).unwrap();
        number(&laps.as_array().unwrap().iter().find(|l| l["kind"] == "timed").unwrap()["lap_time_s"])
    };
    let expected = timed("right");
    for file in ["whole.csv", "whole.parquet", "whole.mf4"] {
        call(&["export", "right", file]);
        call(&["import", file]);
        let name = file.replace("whole.", "back-");
        call(&["library", "rename", "whole", &name]);
        let found = timed(&name);
        assert!((found - expected).abs() < 1e-9, "{file}: {found} s is not {expected} s");
    }
    let channels: Value = serde_json::from_str(&call(&["channels", "right", "--json"])).unwrap();
    let ledger =
        channels["abilities"].as_array().unwrap().iter().find(|a| a["title"] == "time ledger").unwrap();
    assert_eq!(ledger["possible"], true);
    let out = lapwright(dir.path()).args(["export", "right", "whole.doc"]).output().unwrap();
    assert_eq!(out.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&out.stderr).contains(".parquet or .mf4"));
}

/// The stint with too much force feedback is found at the ceiling, with the share of its truth; a clean one is not.
#[test]
fn a_clipping_wheel_is_found_from_the_command_line() {
    let Some(shared) = shared() else { return skipped("a_clipping_wheel_is_found_from_the_command_line") };
    let dir = tempfile::tempdir().unwrap();
    for file in ["hollowmere-feedback", "hollowmere-reference"] {
        let path = shared.join("recordings").join(format!("{file}.parquet"));
        run(lapwright(dir.path()).arg("import").arg(path));
    }
    let forces = |name: &str| -> Value {
        serde_json::from_str(&run(lapwright(dir.path()).args(["rig", "forces", name, "--json"]))).unwrap()
    };
    assert_ne!(forces("hollowmere-feedback")["verdict"], "passed");
    assert_eq!(forces("hollowmere-reference")["verdict"], "passed");
    let told = run(lapwright(dir.path()).args(["rig", "forces", "hollowmere-feedback"]));
    assert!(told.contains("proof") && told.contains("caution"), "{told}");
    for check in ["pedals", "steering", "timing"] {
        assert!(!run(lapwright(dir.path()).args(["rig", check, "hollowmere-reference"])).trim().is_empty());
    }
}
