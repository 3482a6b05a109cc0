//! What users do with a library, through the public interface.

#![allow(clippy::unwrap_used)]

mod support;

use channels::{Channel, Samples};
use library::{Assignment, Library, LibraryError, slug};
use support::{assert_same, drive, lap, new};
use tempfile::TempDir;

fn empty() -> (TempDir, Library) {
    let dir = TempDir::new().unwrap();
    let library = Library::create_or_open(dir.path().join("laps")).unwrap();
    (dir, library)
}

fn names(library: &Library) -> Vec<String> {
    library.recordings().unwrap().into_iter().map(|r| r.name).collect()
}

fn sound(library: &Library) {
    let check = library.check(false).unwrap();
    assert!(check.findings.is_empty(), "{:#?}", check.findings);
}

#[test]
fn what_is_added_comes_back_bit_for_bit_and_after_closing() {
    let (dir, library) = empty();
    let samples = drive(600, 1);
    let entry = library.add(new("Evening Two"), &samples).unwrap();
    assert_eq!((entry.name.as_str(), entry.laps, entry.duration_s), ("evening-two", 3, 5.99));
    drop(library);
    let library = Library::open(dir.path().join("laps")).unwrap();
    assert_eq!(library.recording("evening-two").unwrap(), entry);
    assert_same(&samples, &library.samples("evening-two").unwrap());
    assert_eq!(library.report("evening-two").unwrap(), new("x").report_json);
    assert_eq!(library.truth("evening-two").unwrap(), None);
    let laps = library.laps().unwrap();
    assert_eq!(laps, library.laps_of("evening-two").unwrap());
    assert_eq!(library.lap("evening-two:1").unwrap(), laps[1]);
    assert_eq!((laps[1].start_s, laps[1].end_s), (1.005, 3.0));
    sound(&library);
}

#[test]
fn laps_have_the_json_that_users_see() {
    let (_dir, library) = empty();
    library.add(new("a"), &drive(600, 1)).unwrap();
    let json = serde_json::to_value(&library.laps().unwrap()[0]).unwrap();
    let expected = serde_json::json!({
        "id": "a:0", "recording": "a", "driver": "Learner", "car": "Brindle", "circuit": null, "lap_number": 0,
        "kind": "out", "lap_time_s": null, "valid": false, "notes": []
    });
    assert_eq!(json, expected);
}

#[test]
fn only_the_wanted_channels_are_read_on_all_clocks() {
    let (_dir, library) = empty();
    let samples = drive(600, 1);
    library.add(new("a"), &samples).unwrap();
    let some = library.samples_of("a", &[Channel::Gear, Channel::Throttle]).unwrap();
    assert_eq!(some.channels().collect::<Vec<_>>(), [Channel::Gear]);
    assert_eq!(some.clocks().count(), 2);
    assert_eq!(some.get(Channel::Gear).unwrap().values, samples.get(Channel::Gear).unwrap().values);
}

#[test]
fn the_same_source_twice_is_noticed_until_the_first_is_removed() {
    let (_dir, library) = empty();
    library.add(new("first"), &drive(600, 1)).unwrap();
    let again = library.add(new("second"), &drive(600, 1)).unwrap_err();
    assert!(matches!(&again, LibraryError::AlreadyImported { name, .. } if name == "first"), "{again}");
    library.remove("first").unwrap();
    library.add(new("second"), &drive(600, 1)).unwrap();
    let back = library.restore("first").unwrap_err();
    assert!(matches!(&back, LibraryError::AlreadyImported { name, .. } if name == "second"), "{back}");
    assert_eq!(names(&library), ["second"]);
    sound(&library);
}

#[test]
fn names_that_are_taken_get_a_number() {
    let (_dir, library) = empty();
    for seed in 0..3 {
        library.add(new("Evening"), &drive(100, seed)).unwrap();
    }
    assert_eq!(names(&library), ["evening", "evening-2", "evening-3"]);
    let taken = library.rename("evening", "EVENING 2").unwrap_err();
    assert!(matches!(&taken, LibraryError::NameTaken(n) if n == "evening-2"), "{taken}");
    sound(&library);
}

#[test]
fn renaming_keeps_everything_else() {
    let (_dir, library) = empty();
    let samples = drive(600, 1);
    let before = library.add(new("a"), &samples).unwrap();
    library.set_tags("a", &["wet", " wet ", "", "night"]).unwrap();
    let after = library.rename("a", "Übung (1)").unwrap();
    assert_eq!(after.name, "ubung-1");
    assert_eq!(after.tags.iter().collect::<Vec<_>>(), ["night", "wet"]);
    assert_eq!((after.imported_at, after.content_sha256), (before.imported_at, before.content_sha256));
    assert!(matches!(library.recording("a").unwrap_err(), LibraryError::NoRecording { .. }));
    assert_same(&samples, &library.samples("ubung-1").unwrap());
    assert_eq!(library.laps().unwrap()[1].id.to_string(), "ubung-1:1");
    assert!(library.folder_of("ubung-1").unwrap().is_dir() && !library.path().join("recordings/a").exists());
    sound(&library);
}

#[test]
fn driver_car_circuit_and_laps_can_be_set_afterwards() {
    let (_dir, library) = empty();
    let samples = drive(600, 1);
    library.add(new("a"), &samples).unwrap();
    let who = Assignment { driver: Some("Coach".into()), car: None, circuit: Some("Longmere".into()) };
    let entry = library.assign("a", who).unwrap();
    assert_eq!(
        (entry.driver.as_deref(), entry.car, entry.circuit.as_deref()),
        (Some("Coach"), None, Some("Longmere"))
    );
    library.set_laps("a", vec![lap(7, library::LapKind::In, 0.0, 2.0)]).unwrap();
    assert_eq!(library.laps().unwrap().iter().map(|l| l.id.to_string()).collect::<Vec<_>>(), ["a:7"]);
    assert_same(&samples, &library.samples("a").unwrap());
    sound(&library);
}

#[test]
fn notes_and_tags_reach_the_description_beside_the_samples() {
    let (_dir, library) = empty();
    library.add(new("a"), &drive(600, 1)).unwrap();
    assert_eq!(library.set_note("a", "new tyres").unwrap().note, "new tyres");
    library.set_tags("a", &["wet"]).unwrap();
    let text = std::fs::read_to_string(library.folder_of("a").unwrap().join("_recording.json")).unwrap();
    let json: serde_json::Value = serde_json::from_str(&text).unwrap();
    assert_eq!((&json["note"], &json["tags"]), (&"new tyres".into(), &serde_json::json!(["wet"])));
    sound(&library);
}

#[test]
fn removing_can_be_undone_until_the_trash_is_emptied() {
    let (_dir, library) = empty();
    let samples = drive(600, 1);
    let entry = library.add(new("a"), &samples).unwrap();
    library.remove("a").unwrap();
    assert!(names(&library).is_empty() && library.laps().unwrap().is_empty());
    assert_eq!(library.trash().unwrap()[0].recording, entry);
    assert_eq!(library.restore("a").unwrap(), entry);
    assert_same(&samples, &library.samples("a").unwrap());
    library.remove("a").unwrap();
    library.add(new("a"), &drive(600, 2)).unwrap();
    let taken = library.restore("a").unwrap_err();
    assert!(matches!(taken, LibraryError::NameTaken(_)), "{taken}");
    assert_eq!(library.empty_trash().unwrap(), 1);
    assert!(std::fs::read_dir(library.path().join("trash")).unwrap().next().is_none());
    assert!(matches!(library.restore("a").unwrap_err(), LibraryError::NotInTrash { .. }));
    assert_eq!(names(&library), ["a"]);
    sound(&library);
}

#[test]
fn car_files_are_kept_by_name() {
    let (_dir, library) = empty();
    assert_eq!(library.car("Brindle").unwrap(), None);
    library.put_car("Brindle", "name = 'old'").unwrap();
    library.put_car("Brindle", "name = 'new'").unwrap();
    assert_eq!(library.car("Brindle").unwrap().as_deref(), Some("name = 'new'"));
    assert_eq!(library.cars().unwrap(), ["Brindle"]);
}

#[test]
fn circuits_are_kept_by_name() {
    let (_dir, library) = empty();
    library.put_circuit("Longmere", r#"{"length_m": 1}"#).unwrap();
    library.put_circuit("Longmere", r#"{"length_m": 2.5}"#).unwrap();
    assert_eq!(library.circuit("Longmere").unwrap(), r#"{"length_m": 2.5}"#);
    assert_eq!(library.circuits().unwrap(), ["Longmere"]);
    let message = library.circuit("Shortmere").unwrap_err().to_string();
    assert!(message.contains("Shortmere") && message.contains("Longmere"), "{message}");
    library.remove_circuit("Longmere").unwrap();
    assert!(library.circuits().unwrap().is_empty());
}

#[test]
fn a_logged_time_is_not_mixed_up_with_the_clock() {
    let (_dir, library) = empty();
    let mut samples = Samples::new();
    let clock = samples.add_clock(vec![0.0, 1.0]).unwrap();
    samples.insert(Channel::Time, clock, vec![1e9, 1e9 + 1.0], channels::Origin::Logged).unwrap();
    samples.insert(Channel::Lap, clock, vec![4.0, 5.0], channels::Origin::Logged).unwrap();
    library.add(new("a"), &samples).unwrap();
    assert_same(&samples, &library.samples("a").unwrap());
}

#[test]
fn every_name_that_comes_back_is_a_slug() {
    let (_dir, library) = empty();
    for (seed, hint) in ["", "CON", "..", "a/b", "日本", "x".repeat(300).as_str()].into_iter().enumerate() {
        let entry = library.add(new(hint), &drive(20, seed as u64)).unwrap();
        assert_eq!(slug(&entry.name), entry.name);
    }
    sound(&library);
}
