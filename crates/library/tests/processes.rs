//! A library under several processes: killed at any moment, at work at once, without the right to write, without room.
//!
//! The binary starts itself: with `LIBRARY_CHILD` set it does the named job on the library in `LIBRARY_DIR`, else it runs
//! the cases below. An argument picks cases by a part of their name.

// Printing is how the child reports, and how a test without harness does.
#![allow(clippy::unwrap_used, clippy::print_stdout)]

mod support;

use library::{Finding, Library, LibraryError};
use std::collections::BTreeMap;
use std::env;
use std::io::{self, Read, Write};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use support::{assert_same, drive, new};
use tempfile::TempDir;

const CASES: &[(&str, fn())] = &[
    ("killed_at_any_moment_keeps_what_was_acknowledged_and_nothing_half", killed),
    ("several_processes_at_once_do_not_disturb_one_another", at_once),
    #[cfg(unix)]
    ("without_the_right_to_write_a_library_can_be_read", read_only),
    #[cfg(unix)]
    ("without_room_an_import_leaves_nothing", no_room),
];

fn main() {
    if let Ok(job) = env::var("LIBRARY_CHILD") {
        let dir = env::var("LIBRARY_DIR").unwrap();
        let seed = env::var("LIBRARY_SEED").unwrap().parse().unwrap();
        return child(&job, Path::new(&dir), seed);
    }
    let words: Vec<String> = env::args().skip(1).collect();
    let picks: Vec<_> = words.iter().filter(|w| !w.starts_with('-')).collect();
    let picked = CASES.iter().filter(|(name, _)| picks.is_empty() || picks.iter().any(|p| name.contains(*p)));
    for (name, case) in picked {
        if words.iter().any(|w| w == "--list") {
            println!("{name}: test");
            continue;
        }
        let started = Instant::now();
        case();
        println!("test {name} ... ok ({:.1} s)", started.elapsed().as_secs_f64());
    }
}

fn start(exe: &Path, job: &str, dir: &Path, seed: u64) -> Command {
    let mut command = Command::new(exe);
    command.env("LIBRARY_CHILD", job).env("LIBRARY_DIR", dir).env("LIBRARY_SEED", seed.to_string());
    command.stdout(Stdio::piped());
    command
}

fn child(job: &str, dir: &Path, seed: u64) {
    match job {
        "change" => change_for_ever(dir, seed),
        "add" => add_some(dir, seed),
        "read_only" => report_what_a_reader_sees(dir),
        "no_room" => {
            let library = Library::open(dir).unwrap();
            println!("{}", library.add(new("large"), &drive(60_000, 5)).unwrap_err());
        }
        other => panic!("no job {other}"),
    }
}

/// Small numbers that look random; a kept seed makes a failure come again (apart from the moments of the kills).
struct Dice(u64);

impl Dice {
    /// One of `0..sides`. SplitMix64 `[Steele2014]`.
    fn roll(&mut self, sides: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        (z ^ (z >> 31)) % sides
    }
}

/// What a library holds: seeds by name, kept and removed.
#[derive(Debug, Clone, PartialEq, Default)]
struct State {
    kept: BTreeMap<String, u64>,
    trash: BTreeMap<String, u64>,
}

impl State {
    fn of(library: &Library) -> Self {
        let seed = |note: &str| note.split(' ').next().unwrap().parse().unwrap();
        let kept = library.recordings().unwrap().into_iter().map(|r| (r.name, seed(&r.note))).collect();
        let trash = library.trash().unwrap();
        let trash = trash.into_iter().map(|r| (r.recording.name, seed(&r.recording.note))).collect();
        Self { kept, trash }
    }

    /// Follows one step as the child prints it.
    fn follow(&mut self, step: &str) {
        match step.split(' ').collect::<Vec<_>>()[..] {
            ["add", seed] => drop(self.kept.insert(format!("drive-{seed}"), seed.parse().unwrap())),
            ["rename", old, new] => {
                let seed = self.kept.remove(old).unwrap();
                self.kept.insert(new.to_owned(), seed);
            }
            ["remove", name] => {
                let seed = self.kept.remove(name).unwrap();
                self.trash.insert(name.to_owned(), seed);
            }
            ["restore", name] => {
                let seed = self.trash.remove(name).unwrap();
                self.kept.insert(name.to_owned(), seed);
            }
            ["note", _] => {}
            ["empty"] => self.trash.clear(),
            _ => panic!("the child printed '{step}'"),
        }
    }
}

const ROWS: usize = 300;

/// Changes a library until it is killed. Prints `try STEP` before each step and `did STEP` once it is acknowledged.
fn change_for_ever(dir: &Path, seed: u64) {
    let library = Library::create_or_open(dir).unwrap();
    let mut dice = Dice(seed);
    let say = |word: &str, step: &str| {
        println!("{word} {step}");
        io::stdout().flush().unwrap();
    };
    for turn in 0.. {
        let state = State::of(&library);
        let pick = |names: &BTreeMap<String, u64>, dice: &mut Dice| {
            names.keys().nth(dice.roll(names.len().max(1) as u64) as usize).cloned()
        };
        let name = pick(&state.kept, &mut dice);
        let step = match (dice.roll(10), name) {
            (0..=1, Some(name)) => format!("rename {name} {name}-r"),
            (2..=3, Some(name)) => format!("remove {name}"),
            (4, Some(name)) => format!("note {name}"),
            (5, _) if !state.trash.is_empty() => {
                format!("restore {}", pick(&state.trash, &mut dice).unwrap())
            }
            (6, _) if !state.trash.is_empty() => "empty".to_owned(),
            (_, Some(name)) if state.kept.len() > 6 => format!("remove {name}"),
            _ => format!("add {}", seed * 1000 + turn),
        };
        say("try", &step);
        match step.split(' ').collect::<Vec<_>>()[..] {
            ["add", seed] => {
                let mut recording = new(&format!("drive-{seed}"));
                recording.note = seed.to_owned();
                library.add(recording, &drive(ROWS, seed.parse().unwrap())).map(drop).unwrap();
            }
            ["rename", old, new] => drop(library.rename(old, new).unwrap()),
            ["remove", name] => library.remove(name).unwrap(),
            ["restore", name] => drop(library.restore(name).unwrap()),
            ["note", name] => drop(library.set_note(name, &format!("{} again", state.kept[name])).unwrap()),
            _ => drop(library.empty_trash().unwrap()),
        }
        say("did", &step);
    }
}

fn killed() {
    const KILLS: u64 = 200;
    let exe = env::current_exe().unwrap();
    let dir = TempDir::new().unwrap();
    let at = dir.path().join("laps");
    let mut dice = Dice(7);
    let mut state = State::default();
    let (mut acknowledged, mut in_the_middle, mut came_true) = (0, 0, 0);
    // Latest moment of a kill; follows the speed of the machine so that about every second child gets something done.
    let mut latest_us: f64 = 60_000.0;
    for round in 1..=KILLS {
        let mut child = start(&exe, "change", &at, round).spawn().unwrap();
        std::thread::sleep(Duration::from_micros(dice.roll(latest_us as u64)));
        let said = end(&mut child);

        let before = acknowledged;
        let mut pending = None;
        for line in said.split_terminator('\n') {
            match line.split_once(' ') {
                Some(("try", step)) => pending = Some(step.to_owned()),
                Some(("did", step)) => {
                    state.follow(step);
                    acknowledged += 1;
                    pending = None;
                }
                _ => panic!("the child printed '{line}'"),
            }
        }
        latest_us = (latest_us * if acknowledged > before { 0.9 } else { 1.1 }).min(2e6);
        // A kill may come before the folder is made.
        let library = Library::create_or_open(&at).unwrap();
        let found = State::of(&library);
        if let Some(step) = &pending {
            in_the_middle += 1;
            let mut after = state.clone();
            after.follow(step);
            if found == after {
                came_true += 1;
                state = after;
            }
        }
        assert_eq!(found, state, "round {round}, pending {pending:?}");
        let check = library.check(true).unwrap();
        let noted = pending.as_deref().is_some_and(|p| p.starts_with("note"));
        let harmless = |f: &Finding| noted && matches!(f, Finding::StaleDescription { .. });
        assert!(check.findings.iter().all(|f| harmless(&f.finding)), "round {round}: {:#?}", check.findings);
        assert_eq!(check.recordings, found.kept.len());
        assert_eq!(std::fs::read_dir(at.join("staging")).unwrap().count(), 0, "round {round}");
        if round % 20 == 0 || round == KILLS {
            for (name, seed) in &found.kept {
                assert_same(&drive(ROWS, *seed), &library.samples(name).unwrap());
            }
        }
    }
    println!(
        "{KILLS} kills, {acknowledged} steps acknowledged, {in_the_middle} kills within a step, {came_true} of those done"
    );
    assert!(acknowledged > KILLS / 10 && in_the_middle > KILLS / 10, "the kills came at the wrong moments");
}

/// Kills a child and returns what it printed, without a line that it had not finished.
fn end(child: &mut Child) -> String {
    child.kill().unwrap();
    let mut said = String::new();
    child.stdout.take().unwrap().read_to_string(&mut said).unwrap();
    let status = child.wait().unwrap();
    assert_ne!(status.code(), Some(101), "the child panicked before it was killed");
    said.truncate(said.rfind('\n').map_or(0, |i| i + 1));
    said
}

const EACH: u64 = 12;

/// Adds recordings of its own and one that every process tries to add.
fn add_some(dir: &Path, seed: u64) {
    let library = Library::create_or_open(dir).unwrap();
    for turn in 0..EACH {
        library.add(new("evening"), &drive(ROWS, seed * 100 + turn)).unwrap();
        if turn == EACH / 2 {
            match library.add(new("shared"), &drive(ROWS, 1)) {
                Ok(_) => println!("first"),
                Err(LibraryError::AlreadyImported { name, .. }) => {
                    assert!(name.starts_with("shared"), "{name}");
                }
                Err(e) => panic!("{e}"),
            }
        }
    }
}

fn at_once() {
    const PROCESSES: u64 = 4;
    let exe = env::current_exe().unwrap();
    let dir = TempDir::new().unwrap();
    let at = dir.path().join("laps");
    let mut children: Vec<_> = (1..=PROCESSES).map(|s| start(&exe, "add", &at, s).spawn().unwrap()).collect();
    let library = Library::create_or_open(&at).unwrap();
    loop {
        let done = children.iter_mut().all(|c| c.try_wait().unwrap().is_some());
        let recordings = library.recordings().unwrap();
        for recording in &recordings {
            assert_eq!(library.laps_of(&recording.name).unwrap().len(), 3);
        }
        if let Some(last) = recordings.last() {
            assert_eq!(library.samples(&last.name).unwrap().clocks().next().unwrap().1.len(), ROWS);
        }
        if done {
            break;
        }
    }
    let mut firsts = 0;
    for child in children {
        let done = child.wait_with_output().unwrap();
        assert!(done.status.success());
        firsts += String::from_utf8(done.stdout).unwrap().lines().count();
    }
    assert_eq!((firsts, library.recordings().unwrap().len() as u64), (1, PROCESSES * EACH + 1));
    let check = library.check(false).unwrap();
    assert!(check.findings.is_empty(), "{:#?}", check.findings);
}

fn report_what_a_reader_sees(dir: &Path) {
    let library = Library::open(dir).unwrap();
    assert!(library.is_read_only());
    assert_same(&drive(ROWS, 1), &library.samples("a").unwrap());
    assert_eq!(library.laps().unwrap().len(), 3);
    assert!(library.check(false).unwrap().findings.is_empty());
    let add = library.add(new("b"), &drive(ROWS, 2)).unwrap_err();
    let errors = [
        add,
        library.remove("a").unwrap_err(),
        library.rename("a", "b").unwrap_err(),
        library.set_note("a", "").unwrap_err(),
        library.put_circuit("c", "{}").unwrap_err(),
        library.check(true).unwrap_err(),
    ];
    assert!(errors.iter().all(|e| matches!(e, LibraryError::ReadOnly(_))), "{errors:?}");
    println!("{}", errors[0]);
    println!("{}", Library::create_or_open(dir.join("new")).unwrap_err());
}

/// As an ordinary user: root may write everywhere.
#[cfg(unix)]
fn read_only() {
    use std::os::unix::fs::{MetadataExt, PermissionsExt};
    use std::os::unix::process::CommandExt;
    let dir = TempDir::new().unwrap();
    let allow =
        |path: &Path, mode| std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).unwrap();
    // Names that an address of the catalogue must escape.
    let at = dir.path().join("laps #1? 100%");
    Library::create_or_open(&at).unwrap().add(new("a"), &drive(ROWS, 1)).unwrap();
    let exe = dir.path().join("child");
    std::fs::copy(env::current_exe().unwrap(), &exe).unwrap();
    allow(dir.path(), 0o755);
    allow(&exe, 0o755);
    allow(&at, 0o555);
    for file in std::fs::read_dir(&at).unwrap() {
        let file = file.unwrap().path();
        allow(&file, if file.is_dir() { 0o555 } else { 0o444 });
    }
    let mut command = start(&exe, "read_only", &at, 0);
    if std::fs::metadata(&at).unwrap().uid() == 0 {
        // "nobody", by long custom.
        command.uid(65534).gid(65534);
    }
    let done = command.output().unwrap();
    allow(&at, 0o755);
    assert!(done.status.success());
    let said = String::from_utf8(done.stdout).unwrap();
    let lines: Vec<_> = said.lines().collect();
    assert!(
        lines[0].contains("laps #1? 100%")
            && lines[0].contains("read-only")
            && lines[0].contains("--library")
    );
    assert!(lines[1].contains("new") && lines[1].contains("Check the rights"), "{}", lines[1]);
}

/// Files may only be so large, as if the disk were full.
#[cfg(unix)]
fn no_room() {
    let dir = TempDir::new().unwrap();
    let at = dir.path().join("laps");
    let library = Library::create_or_open(&at).unwrap();
    library.add(new("small"), &drive(ROWS, 1)).unwrap();
    let before = State { kept: [("small".to_owned(), 1)].into(), ..State::default() };
    // In blocks of 512 bytes; the catalogue has room, the samples have not.
    let script = "trap '' XFSZ; ulimit -f 400; exec \"$0\"";
    let mut command = start(Path::new("sh"), "no_room", &at, 0);
    let done = command.args(["-c", script]).arg(env::current_exe().unwrap()).output().unwrap();
    assert!(done.status.success());
    let said = String::from_utf8(done.stdout).unwrap();
    assert!(said.starts_with("cannot write") && said.contains("clock-0.parquet"), "{said}");
    library.set_note("small", "1").unwrap();
    assert_eq!(State::of(&library), before);
    assert!(library.check(false).unwrap().findings.is_empty());
    for inside in ["staging", "recordings/large"] {
        assert_eq!(std::fs::read_dir(at.join(inside)).map_or(0, Iterator::count), 0, "{inside}");
    }
}
