//! What is wrong with a folder or with what is given, and the words for it.

#![allow(clippy::unwrap_used)]

mod support;

use channels::Samples;
use library::{Finding, Library, LibraryError, NewRecording};
use rusqlite::Connection;
use std::fs;
use std::path::{Path, PathBuf};
use support::{assert_same, drive, lap, new};
use tempfile::TempDir;

fn with_one() -> (TempDir, PathBuf) {
    let dir = TempDir::new().unwrap();
    let at = dir.path().join("laps");
    let library = Library::create_or_open(&at).unwrap();
    library.add(new("a"), &drive(600, 1)).unwrap();
    library.put_circuit("Longmere", "{}").unwrap();
    (dir, at)
}

fn catalogue(at: &Path) -> Connection {
    Connection::open(at.join("catalogue.sqlite")).unwrap()
}

/// A case, what is done to an empty folder, the words on opening the path it returns, and those on creating there.
type FolderCase =
    (&'static str, fn(&Path) -> PathBuf, &'static [&'static str], Option<&'static [&'static str]>);

/// A case, what is done to a sample file, the words on reading it, and those on checking it.
type FileCase = (&'static str, fn(&Path), &'static [&'static str], &'static str);

const FOLDERS: &[FolderCase] = &[
    ("missing", |d| d.join("none"), &["none", "does not exist", "import a recording"], None),
    (
        "a file",
        |d| {
            fs::write(d.join("file"), "x").unwrap();
            d.join("file")
        },
        &["file is a file", "a library is a folder"],
        Some(&["file is a file"]),
    ),
    (
        "below a file",
        |d| {
            fs::write(d.join("file"), "x").unwrap();
            d.join("file").join("laps")
        },
        &["laps"],
        Some(&["cannot create", "laps"]),
    ),
    ("empty", Path::to_owned, &["is not a library", "no catalogue.sqlite"], None),
    (
        "a folder of something else",
        |d| {
            fs::write(d.join("holiday.jpg"), "x").unwrap();
            d.to_owned()
        },
        &["is not a library", "no catalogue.sqlite"],
        Some(&["holiday.jpg", "empty or new folder"]),
    ),
    (
        "somebody else's database",
        |d| {
            catalogue(d).execute_batch("CREATE TABLE pictures (id)").unwrap();
            d.to_owned()
        },
        &["is not a library", "made by another program"],
        Some(&["made by another program"]),
    ),
    (
        "somebody else's marked database",
        |d| {
            catalogue(d).execute_batch("PRAGMA application_id = 7; PRAGMA user_version = 99").unwrap();
            d.to_owned()
        },
        &["made by another program"],
        Some(&["made by another program"]),
    ),
    (
        "no database at all",
        |d| {
            fs::write(d.join("catalogue.sqlite"), "nothing of the kind ".repeat(99)).unwrap();
            d.to_owned()
        },
        &["catalogue", "is damaged", "--rebuild"],
        Some(&["is damaged"]),
    ),
    (
        "a catalogue that is a folder",
        |d| {
            fs::create_dir(d.join("catalogue.sqlite")).unwrap();
            d.to_owned()
        },
        &["is not a library", "no catalogue.sqlite"],
        Some(&["catalogue"]),
    ),
    (
        "a lost catalogue",
        |d| {
            fs::create_dir_all(d.join("recordings/evening")).unwrap();
            d.to_owned()
        },
        &["catalogue.sqlite is missing", "--rebuild"],
        Some(&["catalogue.sqlite is missing", "--rebuild"]),
    ),
];

#[test]
fn folders_that_are_no_library_are_refused_in_words_and_left_as_they_are() {
    for (case, spoil, on_open, on_create) in FOLDERS {
        let dir = TempDir::new().unwrap();
        let at = spoil(dir.path());
        let before = listing(dir.path());
        let mut outcomes = vec![(Library::open(&at), on_open)];
        outcomes.extend(on_create.as_ref().map(|words| (Library::create_or_open(&at), words)));
        for (outcome, words) in outcomes {
            let message = outcome.map(drop).unwrap_err().to_string();
            for word in *words {
                assert!(message.contains(word), "{case}: '{word}' is not in: {message}");
            }
        }
        assert_eq!(listing(dir.path()), before, "{case}");
    }
}

fn listing(dir: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    let mut all = Vec::new();
    for entry in fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            all.push((path.clone(), Vec::new()));
            all.extend(listing(&path));
        } else {
            all.push((path.clone(), fs::read(&path).unwrap()));
        }
    }
    all.sort();
    all
}

#[test]
fn a_library_from_a_newer_version_is_refused_and_not_touched() {
    let (_dir, at) = with_one();
    catalogue(&at).pragma_update(None, "user_version", 1000).unwrap();
    for outcome in [Library::open(&at), Library::create_or_open(&at)] {
        let error = outcome.unwrap_err();
        assert!(matches!(error, LibraryError::Newer { found: 1000, .. }), "{error}");
        let message = error.to_string();
        for word in ["newer version", "1000", "Update the program"] {
            assert!(message.contains(word), "{message}");
        }
    }
    let version: i64 = catalogue(&at).query_row("PRAGMA user_version", [], |r| r.get(0)).unwrap();
    assert_eq!(version, 1000);
}

#[test]
fn a_catalogue_whose_making_was_interrupted_is_made_again() {
    let dir = TempDir::new().unwrap();
    fs::write(dir.path().join("catalogue.sqlite"), "").unwrap();
    assert!(Library::open(dir.path()).unwrap().recordings().unwrap().is_empty());
}

#[test]
fn recordings_that_cannot_be_kept_leave_nothing() {
    let (_dir, at) = with_one();
    let library = Library::open(&at).unwrap();
    let mut no_stamps = Samples::new();
    no_stamps.add_clock(Vec::new()).unwrap();
    let ok = drive(100, 2);
    let but = |change: fn(&mut NewRecording)| {
        let mut recording = new("b");
        change(&mut recording);
        recording
    };
    let cases: [(NewRecording, &Samples, &[&str]); 7] = [
        (but(|_| ()), &Samples::new(), &["nothing to keep", "b.csv"]),
        (but(|_| ()), &no_stamps, &["nothing to keep"]),
        (but(|r| r.report_json = "{".into()), &ok, &["report", "not valid JSON", "column"]),
        (but(|r| r.report_json = String::new()), &ok, &["report", "not valid JSON"]),
        (but(|r| r.truth_json = Some("{'a'}".into())), &ok, &["truth", "not valid JSON"]),
        (but(|r| r.laps.push(r.laps[0].clone())), &ok, &["two laps", "number 0"]),
        (but(|r| r.laps = vec![lap(3, library::LapKind::In, 5.0, 4.0)]), &ok, &["lap 3", "from 5 s to 4 s"]),
    ];
    let before = listing(&at.join("recordings"));
    for (recording, samples, words) in cases {
        let message = library.add(recording, samples).unwrap_err().to_string();
        for word in words {
            assert!(message.contains(word), "'{word}' is not in: {message}");
        }
    }
    assert_eq!(listing(&at.join("recordings")), before);
    assert_eq!((library.recordings().unwrap().len(), listing(&at.join("staging")).len()), (1, 0));
}

#[test]
fn questions_about_what_is_not_there_name_what_is() {
    let (_dir, at) = with_one();
    let library = Library::open(&at).unwrap();
    let empty = TempDir::new().unwrap();
    let empty = Library::create_or_open(empty.path().join("laps")).unwrap();
    let cases: [(LibraryError, &[&str]); 14] = [
        (library.recording("b").unwrap_err(), &["no recording 'b'", "nearest name is 'a'"]),
        (library.samples("b").unwrap_err(), &["no recording 'b'"]),
        (library.report("b").unwrap_err(), &["no recording 'b'"]),
        (library.laps_of("b").unwrap_err(), &["no recording 'b'"]),
        (library.remove("b").unwrap_err(), &["no recording 'b'"]),
        (library.rename("b", "c").unwrap_err(), &["no recording 'b'"]),
        (library.set_note("b", "c").unwrap_err(), &["no recording 'b'"]),
        (library.rename("a", " ?! ").unwrap_err(), &["no letter or digit"]),
        (library.restore("a").unwrap_err(), &["no removed recording 'a'", "there is none"]),
        (library.lap("a").unwrap_err(), &["'a' is not a lap id", "RECORDING:LAP"]),
        (library.lap("a:9").unwrap_err(), &["no lap 'a:9'", "'a' has laps 0 to 2"]),
        (library.lap("b:0").unwrap_err(), &["no recording 'b'"]),
        (library.circuit("x").unwrap_err(), &["no circuit 'x'", "Longmere"]),
        (empty.recording("a").unwrap_err(), &["no recording 'a'", "import a recording first"]),
    ];
    for (error, words) in cases {
        for word in words {
            assert!(error.to_string().contains(word), "'{word}' is not in: {error}");
        }
    }
    assert!(matches!(
        library.put_circuit("x", "{,}").unwrap_err(),
        LibraryError::BadJson { what: "circuit", .. }
    ));
}

const FILES: &[FileCase] = &[
    ("deleted", |f| fs::remove_file(f).unwrap(), &["missing", "library check"], "is gone"),
    ("emptied", |f| fs::write(f, "").unwrap(), &["damaged"], "it has 0 bytes"),
    (
        "cut short",
        |f| {
            let bytes = fs::read(f).unwrap();
            fs::write(f, &bytes[..bytes.len() / 2]).unwrap();
        },
        &["damaged"],
        "bytes, ",
    ),
    ("replaced", |f| fs::write(f, "time [s]\n0\n1\n").unwrap(), &["damaged"], "it has 13 bytes"),
    (
        "replaced by that of another recording",
        |f| {
            let dir = TempDir::new().unwrap();
            let other = Library::create_or_open(dir.path()).unwrap();
            other.add(new("b"), &drive(500, 2)).unwrap();
            fs::copy(other.folder_of("b").unwrap().join("clock-0.parquet"), f).unwrap();
        },
        &["it has 500 rows, the catalogue says 600"],
        "bytes, ",
    ),
];

#[test]
fn files_that_were_damaged_are_named_and_the_rest_is_read() {
    for (case, spoil, on_read, on_check) in FILES {
        let (_dir, at) = with_one();
        let library = Library::open(&at).unwrap();
        library.add(new("whole"), &drive(300, 3)).unwrap();
        let file = library.folder_of("a").unwrap().join("clock-0.parquet");
        spoil(&file);
        let message = library.samples("a").unwrap_err().to_string();
        assert!(message.contains("clock-0.parquet"), "{case}: {message}");
        for word in *on_read {
            assert!(message.contains(word), "{case}: '{word}' is not in: {message}");
        }
        let check = library.check(true).unwrap();
        assert!(!check.is_sound() && check.findings.len() == 1, "{case}: {:#?}", check.findings);
        let sentence = &check.findings[0].sentence;
        assert!(sentence.contains(on_check) && sentence.contains("'a'"), "{case}: {sentence}");
        assert_same(&drive(300, 3), &library.samples("whole").unwrap());
    }
}

#[test]
fn one_flipped_bit_is_found() {
    let (_dir, at) = with_one();
    let library = Library::open(&at).unwrap();
    let file = library.folder_of("a").unwrap().join("clock-1.parquet");
    let mut bytes = fs::read(&file).unwrap();
    bytes[100] ^= 4;
    fs::write(&file, bytes).unwrap();
    let found = library.check(false).unwrap().findings;
    assert!(
        matches!(&found[0].finding, Finding::ChangedFile { file, .. } if file == "clock-1.parquet"),
        "{found:?}"
    );
    assert!(found[0].sentence.contains("content changed"), "{}", found[0].sentence);
}

#[test]
fn a_check_repairs_what_was_moved_lost_or_brought_in() {
    let (_dir, at) = with_one();
    let library = Library::open(&at).unwrap();
    for (name, seed) in [("moved", 2), ("lost", 3), ("stale", 4)] {
        library.add(new(name), &drive(300, seed)).unwrap();
    }
    let elsewhere = TempDir::new().unwrap();
    let other = Library::create_or_open(elsewhere.path()).unwrap();
    other.add(new("guest"), &drive(300, 5)).unwrap();
    other.add(new("copy"), &drive(600, 1)).unwrap();

    let recordings = at.join("recordings");
    fs::rename(recordings.join("moved"), recordings.join("somewhere")).unwrap();
    fs::remove_dir_all(recordings.join("lost")).unwrap();
    fs::write(recordings.join("stale/_recording.json"), "{}").unwrap();
    for name in ["guest", "copy"] {
        fs::create_dir(recordings.join(name)).unwrap();
        for file in fs::read_dir(other.folder_of(name).unwrap()).unwrap() {
            let file = file.unwrap();
            fs::copy(file.path(), recordings.join(name).join(file.file_name())).unwrap();
        }
    }
    fs::write(recordings.join("notes.txt"), "x").unwrap();

    let outcome = |repair| {
        let check = library.check(repair).unwrap();
        let mut found: Vec<_> = check.findings.iter().map(|f| (f.sentence.clone(), f.repaired)).collect();
        found.sort();
        found
    };
    let looked = outcome(false);
    assert!(looked.iter().all(|f| !f.1));
    let words = [
        "'lost' is gone",
        "'stale' is missing or older",
        "copy is no recording",
        "guest holds a whole",
        "notes.txt is no recording",
        "'moved' was moved to recordings/somewhere",
    ];
    assert_eq!(looked.len(), words.len(), "{looked:#?}");
    for word in words {
        assert!(looked.iter().any(|f| f.0.contains(word)), "'{word}' is not in: {looked:#?}");
    }
    let repaired = outcome(true);
    let left: Vec<_> = repaired.iter().filter(|f| !f.1).collect();
    assert_eq!(left.len(), 2, "{left:#?}");
    assert!(left[0].0.contains("same source as 'a'") && left[1].0.contains("notes.txt"), "{left:#?}");

    let names: Vec<_> = library.recordings().unwrap().into_iter().map(|r| r.name).collect();
    assert_eq!(names, ["a", "moved", "stale", "guest"]);
    assert_same(&drive(300, 2), &library.samples("moved").unwrap());
    assert_same(&drive(300, 5), &library.samples("guest").unwrap());
    assert_eq!(library.trash().unwrap()[0].recording.name, "lost");
    assert_eq!(outcome(true).len(), 2);
}

#[test]
fn a_lost_or_damaged_catalogue_is_made_anew_from_the_recordings() {
    for damage in ["deleted", "overwritten", "page zeroed"] {
        let (_dir, at) = with_one();
        let library = Library::open(&at).unwrap();
        library.set_tags("a", &["wet"]).unwrap();
        library.rename("a", "b").unwrap();
        let (entry, laps, report) =
            (library.recording("b").unwrap(), library.laps().unwrap(), library.report("b").unwrap());
        drop(library);
        let file = at.join("catalogue.sqlite");
        match damage {
            "deleted" => fs::remove_file(&file).unwrap(),
            "overwritten" => fs::write(&file, "x".repeat(9999)).unwrap(),
            _ => {
                let mut bytes = fs::read(&file).unwrap();
                let pages = bytes.len() / 4096;
                bytes[4096..4096 * pages.min(4)].fill(0);
                fs::write(&file, bytes).unwrap();
            }
        }
        let (library, check) = Library::rebuild(&at).unwrap();
        assert!(check.is_sound(), "{damage}: {check:#?}");
        assert_eq!(library.recording("b").unwrap(), entry, "{damage}");
        assert_eq!(library.laps().unwrap(), laps, "{damage}");
        assert_eq!(library.report("b").unwrap(), report, "{damage}");
        assert_same(&drive(600, 1), &library.samples("b").unwrap());
        assert!(Library::open(&at).unwrap().check(false).unwrap().findings.is_empty(), "{damage}");
    }
}
