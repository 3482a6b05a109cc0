//! What a person can get wrong at a terminal: exit code 2, a message that says what to do, nothing half-written.

mod common;

use common::{lapwright, run};
use std::fs;
use std::path::Path;
use std::process::Command;

/// Standard error of a call that must be refused as the user's mistake.
fn refused(command: &mut Command) -> String {
    let out = command.output().expect("the program starts");
    let stderr = String::from_utf8_lossy(&out.stderr).into_owned();
    assert_eq!(out.status.code(), Some(2), "{command:?}: {stderr}");
    assert!(out.stdout.is_empty(), "{command:?} printed an answer too");
    stderr
}

/// Nothing was kept, and nothing lies about.
fn assert_untouched(dir: &Path) {
    assert_eq!(run(lapwright(dir).args(["laps", "--json"])).trim(), "[]");
    for folder in ["recordings", "staging"] {
        let left = fs::read_dir(dir.join("library").join(folder)).map_or(0, Iterator::count);
        assert_eq!(left, 0, "{folder} is not empty");
    }
}

const HEADER: &str = "Time [s],Lap [-],Speed [km/h]\n";

#[test]
fn files_that_are_no_recording_are_refused_with_what_to_do() {
    let cases: &[(&str, &[u8], &[&str])] = &[
        ("empty.csv", b"", &["empty.csv", "is empty", "Export the recording again"]),
        ("blank.csv", b"\n\n  \n", &["is empty"]),
        ("picture.csv", b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\0\0", &["expected CSV text"]),
        ("no-header.csv", b"0,1,2\n0.1,1,2\n0.2,1,2\n", &["line 1", "header was expected"]),
        ("no-data.csv", HEADER.as_bytes(), &["3 columns", "no row of numbers"]),
        ("ragged.csv", b"Time [s],Speed [km/h]\n0,1\n0.1,1,9\n0.2,2\n", &["line 3", "3", "2"]),
        ("text.csv", b"Time [s],Speed [km/h]\n0,1\n0.1,fast\n0.2,2\n", &["line 3", "fast", "Speed [km/h]"]),
        ("unit.csv", b"Time [s],Speed [furlong/h]\n0,1\n0.1,2\n", &["furlong/h", "known units of speed"]),
        ("no-time.csv", b"Lap [-],Speed [km/h]\n0,1\n0,2\n", &["no time column", "[channels.time]"]),
        ("one.csv", b"Time [s],Speed [km/h]\n0,1\n", &["one"]),
        ("backwards.csv", b"Time [s],Speed [km/h]\n9,1\n8,2\n7,1\n6,2\n5,2\n4,1\n", &["backwards"]),
        (
            "no-laps.csv",
            b"Time [s],Speed [km/h]\n0,1\n0.1,2\n0.2,3\n",
            &["nothing tells where a lap begins", "--map"],
        ),
    ];
    let dir = tempfile::tempdir().unwrap();
    for (name, bytes, parts) in cases {
        fs::write(dir.path().join(name), bytes).unwrap();
        let message = refused(lapwright(dir.path()).args(["import", name]));
        for part in *parts {
            assert!(message.contains(part), "{name}: '{part}' is missing in: {message}");
        }
        assert!(message.contains(name), "{name} is not named in: {message}");
        assert_untouched(dir.path());
    }
}

#[test]
fn numbers_that_are_none_are_read_as_missing_and_counted() {
    let dir = tempfile::tempdir().unwrap();
    let mut text = String::from("Time [s],Lap [-],Lap distance [m],Speed [km/h]\n");
    for i in 0..200 {
        let speed = match i {
            20 => "NaN",
            40 => "inf",
            _ => "100",
        };
        text += &format!("{:.2},{},{:.2},{speed}\n", f64::from(i) * 0.1, i / 90, f64::from(i % 90) * 2.8);
    }
    fs::write(dir.path().join("holes.csv"), text).unwrap();
    let report = run(lapwright(dir.path()).args(["import", "holes.csv"]));
    assert!(report.contains("1 infinite value") && report.contains("without a value"), "{report}");
}

#[test]
fn paths_that_are_no_file_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    fs::create_dir(dir.path().join("folder")).unwrap();
    assert!(refused(lapwright(dir.path()).args(["import", "folder"])).contains("is not a file"));
    assert!(refused(lapwright(dir.path()).args(["import", "nowhere.csv"])).contains("check the path"));
    fs::write(dir.path().join("bad.toml"), "[channels.sped]\ncolumn = \"v\"\n").unwrap();
    let message = refused(lapwright(dir.path()).args(["import", "x.csv", "--map", "bad.toml"]));
    assert!(message.contains("bad.toml") && message.contains("speed"), "{message}");
    assert_untouched(dir.path());
}

#[test]
fn a_second_import_of_the_same_file_is_noticed() {
    let dir = tempfile::tempdir().unwrap();
    let text = "Time [s],Lap [-]\n0,0\n1,0\n2,1\n3,1\n4,2\n";
    fs::write(dir.path().join("a.csv"), text).unwrap();
    fs::write(dir.path().join("b.csv"), text).unwrap();
    run(lapwright(dir.path()).args(["import", "a.csv"]));
    let message = refused(lapwright(dir.path()).args(["import", "b.csv"]));
    assert!(message.contains("already in the library") && message.contains("'a'"), "{message}");
    // Of several files the sound ones are kept.
    fs::write(dir.path().join("c.csv"), "Time [s],Lap [-]\n0,0\n1,0\n2,1\n3,1\n5,2\n").unwrap();
    refused_with_output(lapwright(dir.path()).args(["import", "b.csv", "c.csv"]));
    assert!(run(lapwright(dir.path()).arg("laps")).contains("c:1"));
}

fn refused_with_output(command: &mut Command) {
    assert_eq!(command.output().expect("the program starts").status.code(), Some(2));
}

#[test]
fn laps_that_do_not_exist_are_refused_with_those_that_do() {
    let dir = tempfile::tempdir().unwrap();
    let message = refused(lapwright(dir.path()).args(["ledger", "a:1"]));
    assert!(message.contains("no library") && message.contains("--library"), "{message}");
    fs::write(dir.path().join("a.csv"), "Time [s],Lap [-]\n0,0\n1,0\n2,1\n3,1\n4,2\n").unwrap();
    run(lapwright(dir.path()).args(["import", "a.csv"]));
    for (lap, part) in [
        ("a:9", "has laps 0 to 2"),
        ("b:1", "the nearest name is 'a'"),
        ("a", "RECORDING:LAP"),
        ("a:0", "out-lap"),
        ("a:1", "no circuit"),
    ] {
        let message = refused(lapwright(dir.path()).args(["ledger", lap, "--against", "a:1"]));
        assert!(message.contains(part), "{lap}: {message}");
    }
}

#[test]
fn a_library_of_a_newer_version_is_left_alone() {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("a.csv"), "Time [s],Lap [-]\n0,0\n1,0\n2,1\n3,1\n4,2\n").unwrap();
    run(lapwright(dir.path()).args(["import", "a.csv"]));
    let catalogue = dir.path().join("library/catalogue.sqlite");
    rusqlite::Connection::open(&catalogue).unwrap().pragma_update(None, "user_version", 9999).unwrap();
    let message = refused(lapwright(dir.path()).arg("laps"));
    assert!(message.contains("newer version") && message.contains("Update the program"), "{message}");
}

#[test]
fn places_that_cannot_hold_a_library_are_refused() {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("library"), "a file").unwrap();
    fs::write(dir.path().join("a.csv"), "Time [s],Lap [-]\n0,0\n1,0\n2,1\n3,1\n4,2\n").unwrap();
    let message = refused(lapwright(dir.path()).args(["import", "a.csv"]));
    assert!(message.contains("is a file, a library is a folder"), "{message}");

    let other = dir.path().join("other");
    fs::create_dir(&other).unwrap();
    fs::write(other.join("letter.txt"), "not a library").unwrap();
    let message = refused(lapwright(dir.path()).args(["import", "a.csv", "--library", "other"]));
    assert!(message.contains("is not a library"), "{message}");

    let locked = dir.path().join("locked");
    fs::create_dir(&locked).unwrap();
    let mut rights = fs::metadata(&locked).unwrap().permissions();
    rights.set_readonly(true);
    fs::set_permissions(&locked, rights.clone()).unwrap();
    if fs::write(locked.join("probe"), "x").is_ok() {
        common::note("read-only folder: skipped, this user may write everywhere");
        return;
    }
    let message = refused(lapwright(dir.path()).args(["import", "a.csv", "--library", "locked/library"]));
    assert!(message.contains("locked"), "{message}");
}

#[test]
fn a_port_in_use_is_named_with_the_way_out() {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("a.csv"), "Time [s],Lap [-]\n0,0\n1,0\n2,1\n3,1\n4,2\n").unwrap();
    run(lapwright(dir.path()).args(["import", "a.csv"]));
    let taken = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let port = taken.local_addr().unwrap().port().to_string();
    let message = refused(lapwright(dir.path()).args(["desk", "--no-open", "--port", &port]));
    assert!(message.contains(&port) && message.contains("--port 0"), "{message}");
    // The demo does not mix with drives of one's own.
    let message = refused(lapwright(dir.path()).args(["demo", "--no-open", "--port", "0"]));
    assert!(message.contains("recordings of your own") && message.contains("--library"), "{message}");
}

#[test]
fn words_of_the_call_are_checked() {
    let dir = tempfile::tempdir().unwrap();
    assert!(refused(lapwright(dir.path()).args(["import", "a.csv", "--line=1,2"])).contains("X,Y,HEADING"));
    assert!(refused(lapwright(dir.path()).arg("import")).contains("FILE"));
    assert!(refused(lapwright(dir.path()).arg("brew")).contains("brew"));
}
