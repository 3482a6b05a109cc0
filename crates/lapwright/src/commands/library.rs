//! `lapwright library …`: looking after what is kept.

use super::{folder, json, text};
use crate::args::{Library, LibraryTask};
use crate::print;
use anyhow::Result;
use serde_json::json;
use workshop::{Check, RecordingEntry, Workshop};

pub(crate) fn run(a: &Library) -> Result<()> {
    let folder = folder(&a.place, "library")?;
    if let LibraryTask::Check { rebuild: true } = a.task {
        return checked(a, &Workshop::rebuild(&folder)?);
    }
    let workshop = Workshop::open(&folder)?;
    match &a.task {
        LibraryTask::List => {
            let answer = workshop.library()?;
            if a.json.json { json(&answer) } else { list(&answer.recordings) }
        }
        LibraryTask::Check { .. } => checked(a, &workshop.check()?),
        LibraryTask::Rename { recording, name } => {
            done(a, &workshop.rename(recording, name)?, &format!("'{recording}' is now '{name}'"))
        }
        LibraryTask::Note { recording, text } => {
            done(a, &workshop.set_note(recording, text)?, &format!("the note of '{recording}' is written"))
        }
        LibraryTask::Tag { recording, tags } => done(
            a,
            &workshop.set_tags(recording, tags)?,
            &format!("'{recording}' is tagged: {}", tags.join(", ")),
        ),
        LibraryTask::Remove { recording } => {
            workshop.remove(recording)?;
            let told = format!(
                "'{recording}' is in the trash; `lapwright library restore {recording}` brings it back"
            );
            if a.json.json { json(&json!({ "removed": recording })) } else { text(&told) }
        }
        LibraryTask::Restore { recording } => {
            done(a, &workshop.restore(recording)?, &format!("'{recording}' is back"))
        }
        LibraryTask::Trash => {
            let trash = workshop.trash()?;
            if a.json.json {
                return json(&trash);
            }
            let rows: Vec<_> =
                trash.iter().map(|t| vec![t.recording.name.clone(), t.removed_at.to_string()]).collect();
            text(&print::table(&["recording", "removed"], &rows))
        }
    }
}

fn done(a: &Library, entry: &RecordingEntry, told: &str) -> Result<()> {
    if a.json.json { json(entry) } else { text(told) }
}

fn list(recordings: &[RecordingEntry]) -> Result<()> {
    if recordings.is_empty() {
        return text("The library is empty. Bring recordings in with `lapwright import FILE`.");
    }
    let word = |w: &Option<String>| w.clone().unwrap_or_else(|| "-".to_owned());
    let row = |r: &RecordingEntry| {
        let tags: Vec<&str> = r.tags.iter().map(String::as_str).collect();
        vec![
            r.name.clone(),
            r.laps.to_string(),
            print::lap_time(Some(r.duration_s)),
            word(&r.driver),
            word(&r.car),
            word(&r.circuit),
            tags.join(", "),
            r.note.clone(),
        ]
    };
    let rows: Vec<_> = recordings.iter().map(row).collect();
    text(&print::table(&["recording", "laps", "length", "driver", "car", "circuit", "tags", "note"], &rows))
}

/// What a check found. A library that is not sound afterwards is not a success.
fn checked(a: &Library, check: &Check) -> Result<()> {
    if a.json.json {
        json(check)?;
    } else {
        let megabytes = check.bytes as f64 / 1e6;
        text(&format!(
            "{} recordings, {} sample files, {megabytes:.1} MB read",
            check.recordings, check.files
        ))?;
        for found in &check.findings {
            text(&format!("  {}{}", found.sentence, if found.repaired { " (repaired)" } else { "" }))?;
        }
        if check.findings.is_empty() {
            text("All is as it was written.")?;
        }
    }
    anyhow::ensure!(check.is_sound(), "the library is not sound; see the findings above");
    Ok(())
}
