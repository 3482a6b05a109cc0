//! What each command does.

mod library;
mod limits;
mod rig;

use crate::args::{Channels, Command, Desk, Export, GateWords, Import, Laps, Ledger, Where};
use crate::books::OpenBooks;
use crate::{print, progress};
use anyhow::{Result, anyhow};
use channels::Channel;
use serde::Serialize;
use std::io::{IsTerminal, Write};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use workshop::{Extent, Fault, ImportOptions, Imported, Line, Workshop, WorkshopError};

/// Reach of a line given by hand to each side \[m\]. Common practice, no source: wider than pit lane and road together.
const LINE_REACH_M: f64 = 25.0;
/// Seed of the demo: any number makes a season, one number makes everybody's the same.
const DEMO_SEED: u64 = 7;
/// Where sentences of the ledger begin: behind seconds and owner \[characters\].
const SENTENCE_INDENT: usize = 19;
/// Width of sentences on a terminal \[characters\].
const SENTENCE_WIDTH: usize = 75;

pub(crate) fn run(command: Command) -> Result<()> {
    match command {
        Command::Import(a) => import(&a),
        Command::Laps(a) => laps(&a),
        Command::Ledger(a) => ledger(&a),
        Command::Channels(a) => channels(&a),
        Command::Export(a) => export(&a),
        Command::Library(a) => library::run(&a),
        Command::Rig(a) => rig::run(&a),
        Command::Car(a) => limits::car(&a),
        Command::Circuit(a) => limits::circuit(&a),
        Command::Limit(a) => limits::limit(&a),
        Command::Whatif(a) => limits::what_if(&a),
        Command::Desk(a) => {
            let workshop = Workshop::open(&folder(&a.place, "library")?)?;
            show(desk::Desk::open(a.port)?, &a, workshop)
        }
        Command::Demo(a) => {
            let workshop = Workshop::create_or_open(&folder(&a.desk.place, "demo")?)?;
            // Before the season is simulated: a port in use should not cost a wait.
            let desk = desk::Desk::open(a.desk.port)?;
            build_demo(&workshop, if a.short { Extent::FirstLook } else { Extent::Season })?;
            show(desk, &a.desk, workshop)
        }
    }
}

/// Whether the call or its input was wrong, as opposed to the machine or the program.
pub(crate) fn is_users_mistake(error: &anyhow::Error) -> bool {
    if let Some(e) = error.downcast_ref::<WorkshopError>() {
        return e.fault() != Fault::Internal;
    }
    error.downcast_ref::<desk::ServeError>().is_some_and(|e| !matches!(e, desk::ServeError::Run(_)))
}

/// The folder that was named, or one in the user's data folder.
fn folder(place: &Where, default: &str) -> Result<PathBuf> {
    if let Some(dir) = &place.library {
        return Ok(dir.clone());
    }
    let home = directories::ProjectDirs::from("", "", "lapwright").ok_or_else(|| {
        anyhow!("this user has no home folder to keep a library in; name a folder with --library")
    })?;
    Ok(home.data_dir().join(default))
}

fn json(value: &impl Serialize) -> Result<()> {
    let mut out = std::io::stdout().lock();
    serde_json::to_writer_pretty(&mut out, value)?;
    writeln!(out)?;
    Ok(())
}

fn text(text: &str) -> Result<()> {
    writeln!(std::io::stdout().lock(), "{text}")?;
    Ok(())
}

fn import(a: &Import) -> Result<()> {
    let workshop = Workshop::create_or_open(&folder(&a.place, "library")?)?;
    let map = a.map.as_deref().map(workshop::read_map).transpose()?;
    let map = if a.rate.is_some() {
        let rated = map.unwrap_or_default().with_rate_hz(a.rate);
        Some(rated.map_err(|source| WorkshopError::Map { file: "--rate".to_owned(), source })?)
    } else {
        map
    };
    let options = ImportOptions {
        map,
        fix_signs: a.fix_signs,
        profile: a.save_profile.clone(),
        driver: a.driver.clone(),
        car: a.car.clone(),
        circuit: a.circuit.clone(),
        line: a.line.map(|GateWords { x_m, y_m, heading_rad }| Line {
            x_m,
            y_m,
            heading_rad,
            half_width_m: LINE_REACH_M,
        }),
    };
    let files: Vec<&Path> = a.files.iter().map(PathBuf::as_path).collect();
    let (mut done, mut refused) = (Vec::new(), Vec::new());
    // Recordings are independent of each other: one that is refused does not keep the others out.
    for files in files.chunks(if a.together { files.len() } else { 1 }) {
        let bar =
            progress::bytes(&files.iter().map(|f| f.display().to_string()).collect::<Vec<_>>().join(" + "));
        let mut told = |p: workshop::Progress| {
            if let Some(total) = p.bytes_total {
                bar.set_length(total);
            }
            bar.set_position(p.bytes_done);
        };
        let imported = match files {
            [file] => workshop.import(file, &options, &mut told),
            _ => workshop.import_together(files, &options, &mut told),
        };
        bar.finish_and_clear();
        match imported {
            Ok(imported) if a.json.json => done.push(imported),
            Ok(imported) => text(&import_report(&imported))?,
            Err(error) => refused.push(error),
        }
    }
    if a.json.json {
        json(&done)?;
    }
    let Some(last) = refused.pop() else { return Ok(()) };
    for error in refused {
        eprintln!("lapwright: {error}");
    }
    Err(last.into())
}

fn import_report(i: &Imported) -> String {
    let r = &i.recording;
    let report = &i.report;
    let used = report.columns.iter().filter(|c| c.channel.is_some()).count();
    let mut lines = vec![format!("{}: kept as '{}'", r.source, r.name)];
    for clock in &report.clocks {
        lines.push(format!(
            "  {} samples at {:.4} Hz over {}",
            clock.stamps,
            clock.rate_hz,
            print::lap_time(Some(r.duration_s))
        ));
    }
    lines.push(format!("  {used} of {} columns are channels", report.columns.len()));
    for column in &report.columns {
        let unit = column.unit.as_deref().filter(|u| !matches!(*u, "" | "-"));
        let unit = unit.map_or_else(String::new, |u| format!(" in {u}"));
        let became = match (&column.channel, &column.reason) {
            (Some(channel), _) => format!("is {channel}{unit}"),
            (None, Some(reason)) => format!("is left out: {reason}"),
            (None, None) => "is left out".to_owned(),
        };
        lines.push(format!("    {:<32} {became}", format!("'{}'", column.column)));
    }
    // What was left out is said above.
    let misfit = |i: &&workshop::Issue| !matches!(i.finding, workshop::Finding::UnitMisfit { .. });
    lines.extend(report.issues.iter().filter(misfit).map(|issue| format!("  {}", issue.sentence)));
    if let Some(profile) = &i.profile {
        lines.push(format!("  read with the profile '{profile}'"));
    }
    lines.extend(i.derived.iter().map(|d| format!("  derived: {}", d.sentence)));
    lines.extend(i.applied.iter().map(|a| format!("  turned: {}", a.sentence)));
    for c in i.contradictions.iter().filter(|c| !i.applied.iter().any(|a| c.fix.as_ref() == Some(&a.fix))) {
        let fix =
            if c.fix.as_ref().is_some_and(workshop::Fix::is_sign) { "; --fix-signs turns it" } else { "" };
        lines.push(format!("  contradiction: {}{fix}", c.sentence));
    }
    if let Some(c) = &i.circuit {
        let how = if c.new { "drawn from this recording" } else { "known already" };
        lines.push(format!("  circuit '{}', {:.0} m, {} corners, {how}", c.name, c.length_m, c.corners));
    }
    lines.extend(i.notes.iter().map(|note| format!("  {note}")));
    for lap in &i.laps {
        let notes = if lap.notes.is_empty() { String::new() } else { format!("  {}", lap.notes.join("; ")) };
        lines.push(format!(
            "  lap {:>3}  {:<10}  {}{notes}",
            lap.lap_number,
            lap.kind,
            print::lap_time(lap.lap_time_s)
        ));
    }
    lines.join("\n")
}

fn laps(a: &Laps) -> Result<()> {
    let laps = Workshop::open(&folder(&a.place, "library")?)?.laps(a.recording.as_deref())?;
    if a.json.json {
        return json(&laps);
    }
    if laps.is_empty() {
        return text("The library has no laps yet. Bring some in with `lapwright import FILE`.");
    }
    let word = |w: &Option<String>| w.clone().unwrap_or_else(|| "-".to_owned());
    let rows: Vec<_> = laps
        .iter()
        .map(|l| {
            vec![
                l.id.to_string(),
                l.kind.to_string(),
                print::lap_time(l.lap_time_s),
                if l.valid { "yes" } else { "no" }.to_owned(),
                word(&l.driver),
                word(&l.car),
                word(&l.circuit),
                l.notes.join("; "),
            ]
        })
        .collect();
    text(&print::table(&["lap", "kind", "time", "counts", "driver", "car", "circuit", "notes"], &rows))
}

fn ledger(a: &Ledger) -> Result<()> {
    let ledger = Workshop::open(&folder(&a.place, "library")?)?.ledger(&a.lap, &a.against)?;
    if a.json.json {
        return json(&ledger);
    }
    let mut lines = vec![format!("{} against {}", ledger.lap, ledger.reference), String::new()];
    let (mut entries, level): (Vec<_>, Vec<_>) =
        ledger.entries.iter().partition(|e| e.seconds.abs() >= workshop::EQUAL_S);
    entries.sort_by(|a, b| b.seconds.total_cmp(&a.seconds));
    for e in &entries {
        let owner = e.owner.map_or_else(String::new, |o| o.to_string());
        let sentence = print::folded(&e.sentence, SENTENCE_WIDTH, SENTENCE_INDENT);
        lines.push(format!("{:>8}  {owner:<7}  {sentence}", print::seconds(e.seconds)));
    }
    if !level.is_empty() {
        let rest: f64 = level.iter().map(|e| e.seconds).sum();
        let count = match level.len() {
            1 => "one more entry".to_owned(),
            n => format!("{n} more entries"),
        };
        lines.push(format!(
            "{:>8}  {count}, level within {} s each",
            print::seconds(rest),
            workshop::EQUAL_S
        ));
    }
    let sum: f64 = ledger.entries.iter().map(|e| e.seconds).sum();
    lines.push("-".repeat(8));
    lines.push(format!("{:>8}  sum; the gap is {} s", print::seconds(sum), print::seconds(ledger.gap_s)));
    text(&lines.join("\n"))
}

/// A line of `channels --json`.
#[derive(Serialize)]
struct ChannelLine {
    channel: Channel,
    unit: &'static str,
    meaning: &'static str,
}

fn channels(a: &Channels) -> Result<()> {
    if let Some(name) = &a.recording {
        let answer = Workshop::open(&folder(&a.place, "library")?)?.channels_of(name)?;
        if a.json.json {
            return json(&answer);
        }
        let origin = |c: &workshop::ChannelEntry| match c.origin {
            channels::Origin::Logged => "",
            channels::Origin::Derived => "derived",
        };
        let row = |c: &workshop::ChannelEntry| {
            let unit = c.channel.dimension().si_symbol().to_owned();
            vec![c.channel.to_string(), unit, origin(c).to_owned(), c.channel.meaning().to_owned()]
        };
        let rows: Vec<_> = answer.channels.iter().map(row).collect();
        text(&print::table(&["channel", "unit", "", "meaning"], &rows))?;
        text("")?;
        for ability in &answer.abilities {
            text(&print::folded(&ability.to_string(), SENTENCE_WIDTH, 2))?;
        }
        return Ok(());
    }
    let line = |channel: Channel| ChannelLine {
        channel,
        unit: channel.dimension().si_symbol(),
        meaning: channel.meaning(),
    };
    let lines: Vec<_> = Channel::all().map(line).collect();
    if a.json.json {
        return json(&lines);
    }
    let rows: Vec<_> =
        lines.iter().map(|l| vec![l.channel.to_string(), l.unit.to_owned(), l.meaning.to_owned()]).collect();
    text(&print::table(&["channel", "unit", "meaning"], &rows))
}

fn export(a: &Export) -> Result<()> {
    let workshop = Workshop::open(&folder(&a.place, "library")?)?;
    let written = workshop.export(&a.what, &a.to, a.daily_units)?;
    if a.json.json {
        return json(&written);
    }
    text(&format!("{}: {} rows, {} channels", written.file, written.rows, written.channels.len()))
}

fn build_demo(workshop: &Workshop, extent: Extent) -> Result<()> {
    let bar = progress::steps("simulating the season");
    let built = workshop.build_demo(extent, DEMO_SEED, &|p| {
        bar.set_length(p.total as u64);
        bar.set_position(p.done as u64);
    });
    bar.finish_and_clear();
    Ok(built?)
}

/// Prints the address, opens the browser when wanted, and serves until Ctrl-C.
fn show(desk: desk::Desk, a: &Desk, workshop: Workshop) -> Result<()> {
    let url = desk.url();
    text(&format!("The desk is open at {url}"))?;
    if std::io::stdout().is_terminal() {
        text("Press Ctrl-C to close it.")?;
    }
    if !a.no_open && open::that_detached(&url).is_err() {
        eprintln!("lapwright: no browser could be opened; open the address above yourself");
    }
    desk.serve(Arc::new(OpenBooks(workshop)))?;
    Ok(())
}
