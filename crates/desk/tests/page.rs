//! Checks of the page's files that need no browser: completeness, checksums, contrast; and its JavaScript tests.

#![allow(clippy::unwrap_used)] // Tests may say what must hold by unwrapping it, helpers of tests as well.

use desk::assets;
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("assets")
}

fn text(path: &str) -> String {
    let asset = assets().iter().find(|a| a.path == path).unwrap_or_else(|| panic!("{path} is not embedded"));
    String::from_utf8(asset.bytes.to_vec()).unwrap()
}

fn files_below(folder: &Path, prefix: &str, found: &mut BTreeSet<String>) {
    for entry in fs::read_dir(folder).unwrap() {
        let entry = entry.unwrap();
        let name = format!("{prefix}{}", entry.file_name().to_string_lossy());
        if entry.file_type().unwrap().is_dir() {
            files_below(&entry.path(), &format!("{name}/"), found);
        } else {
            found.insert(name);
        }
    }
}

#[test]
fn every_file_of_the_folder_is_embedded() {
    let mut found = BTreeSet::new();
    files_below(&folder(), "", &mut found);
    assert!(found.remove("index.html"));
    let embedded: BTreeSet<_> = assets().iter().map(|a| a.path.to_owned()).collect();
    assert_eq!(found, embedded);
}

#[test]
fn vendored_files_are_the_ones_of_their_packages() {
    let manifest = text("vendor/VENDOR.md");
    let mut listed = BTreeMap::new();
    for row in manifest.lines().filter(|line| line.starts_with("| `")) {
        let cells: Vec<_> =
            row.trim_matches('|').split('|').map(|cell| cell.trim().trim_matches('`')).collect();
        let [file, package, version, _, licence, digest] = cells[..] else { panic!("not six cells: {row}") };
        assert!(!package.is_empty() && version.starts_with(|c: char| c.is_ascii_digit()), "{row}");
        if let Some((_, named)) = licence.split_once('`') {
            let named = named.trim_end_matches('`');
            assert!(
                assets().iter().any(|a| a.path == format!("vendor/{named}")),
                "{file}: no licence {named}"
            );
        } else {
            assert!(file.ends_with(".LICENSE"), "{file} names no licence");
        }
        listed.insert(format!("vendor/{file}"), digest.to_owned());
    }
    let vendored = assets().iter().filter(|a| a.path.starts_with("vendor/") && a.path != "vendor/VENDOR.md");
    let actual: BTreeMap<_, _> = vendored
        .map(|a| {
            let digest: String = Sha256::digest(a.bytes).iter().map(|b| format!("{b:02x}")).collect();
            (a.path.to_owned(), digest)
        })
        .collect();
    assert_eq!(actual, listed);
}

/// What a module imports, as paths below `assets/`.
fn imports(path: &str) -> Vec<String> {
    let code = text(path);
    let mut found = Vec::new();
    for (start, _) in code.match_indices("from").chain(code.match_indices("import ")) {
        let rest = code[start..].trim_start_matches("from").trim_start_matches("import ").trim_start();
        let Some(quote) = rest.chars().next().filter(|c| *c == '\'' || *c == '"') else { continue };
        let Some(name) = rest[1..].split(quote).next() else { continue };
        if name == "preact" {
            found.push("vendor/preact.mjs".to_owned()); // By the import map.
            continue;
        }
        if !name.starts_with("./") && !name.starts_with("../") {
            continue; // Words in a text.
        }
        let mut parts: Vec<&str> = path.split('/').collect();
        parts.pop();
        for part in name.split('/') {
            match part {
                "." => {}
                ".." => drop(parts.pop()),
                part => parts.push(part),
            }
        }
        found.push(parts.join("/"));
    }
    found
}

#[test]
fn every_import_resolves_and_every_module_is_used() {
    let modules: BTreeSet<_> =
        assets().iter().map(|a| a.path).filter(|p| p.ends_with(".js") || p.ends_with(".mjs")).collect();
    let mut reached = BTreeSet::from(["desk.js".to_owned()]);
    let mut open = vec!["desk.js".to_owned()];
    while let Some(module) = open.pop() {
        for import in imports(&module) {
            assert!(modules.contains(import.as_str()), "{module} imports {import}, which is not there");
            if reached.insert(import.clone()) {
                open.push(import);
            }
        }
    }
    assert_eq!(reached, modules.iter().map(|m| (*m).to_owned()).collect());
}

#[test]
fn nothing_names_an_address_elsewhere() {
    for asset in assets().iter().filter(|a| !a.path.starts_with("vendor/")) {
        let text = String::from_utf8_lossy(asset.bytes);
        for (i, _) in text.match_indices("://") {
            let around =
                &text[text[..i].rfind(['"', '\'', ' ', '(']).map_or(0, |j| j + 1)..(i + 20).min(text.len())];
            assert!(around.starts_with("http://www.w3.org/"), "{}: {around}", asset.path);
        }
    }
}

type Colours = BTreeMap<String, [f64; 3]>;

/// The variables of the style sheet that are colours: by day, and by night with what stays from the day.
fn colours() -> (Colours, Colours) {
    let css = text("style.css");
    let read = |block: &str, into: &mut Colours| {
        for line in block.lines() {
            let Some((name, value)) = line.trim().split_once(": #") else { continue };
            let value = value.split(';').next().unwrap_or_default();
            assert!(value.len() == 6, "{line}: six hexadecimal digits");
            let part = |i: usize| f64::from(u8::from_str_radix(&value[i..i + 2], 16).unwrap()) / 255.0;
            into.insert(name.to_owned(), [part(0), part(2), part(4)]);
        }
    };
    let root = |from: &str| {
        let start = from.find(":root {").unwrap();
        from[start..].split('}').next().unwrap().to_owned()
    };
    let mut day = Colours::new();
    read(&root(&css), &mut day);
    let (_, dark) = css.split_once("@media (prefers-color-scheme: dark)").unwrap();
    let mut night = day.clone();
    read(&root(dark), &mut night);
    (day, night)
}

/// Contrast ratio of two sRGB colours, WCAG 2.2, "contrast ratio" and "relative luminance".
fn contrast(a: [f64; 3], b: [f64; 3]) -> f64 {
    let luminance = |c: [f64; 3]| {
        let linear = c.map(|v| if v <= 0.04045 { v / 12.92 } else { ((v + 0.055) / 1.055).powf(2.4) });
        0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    };
    let (a, b) = (luminance(a), luminance(b));
    (a.max(b) + 0.05) / (a.min(b) + 0.05)
}

/// The definition's own ends: black on white is 21 to 1, a colour on itself 1 to 1. Grey 0x767676 on white is the
/// textbook example of just enough for text, 4.54 to 1 (from memory).
#[test]
fn contrast_is_computed_as_defined() {
    assert!((contrast([0.0; 3], [1.0; 3]) - 21.0).abs() < 1e-9);
    assert!((contrast([0.4, 0.1, 0.7], [0.4, 0.1, 0.7]) - 1.0).abs() < 1e-9);
    assert!((contrast([f64::from(0x76) / 255.0; 3], [1.0; 3]) - 4.54).abs() < 0.005);
}

/// WCAG 2.2: 1.4.3 asks 4.5 to 1 for text, 1.4.11 asks 3 to 1 for lines that carry meaning.
#[test]
fn text_and_lines_have_enough_contrast_by_day_and_by_night() {
    let (day, night) = colours();
    for (name, c) in [("day", &day), ("night", &night)] {
        for ground in ["--paper", "--wash", "--band"] {
            for ink in ["--ink", "--soft"] {
                let ratio = contrast(c[ink], c[ground]);
                assert!(ratio >= 4.5, "{name}: {ink} on {ground} is {ratio:.2} to 1");
            }
        }
        // Lines are drawn on paper, and on the wash where the stretch is.
        for ground in ["--paper", "--wash"] {
            let lap = contrast(c["--lap"], c[ground]);
            assert!(lap >= 3.0, "{name}: this lap on {ground} is {lap:.2} to 1");
            // The reference is seen by its own colour or, where that is too light, by its edge.
            let reference =
                contrast(c["--reference"], c[ground]).max(contrast(c["--reference-edge"], c[ground]));
            assert!(reference >= 3.0, "{name}: the reference on {ground} is {reference:.2} to 1");
        }
    }
    // Okabe and Ito's blue and orange.
    assert_eq!(day["--lap"], [0.0, f64::from(0x72) / 255.0, f64::from(0xB2) / 255.0]);
    assert_eq!(day["--reference"], [f64::from(0xE6) / 255.0, f64::from(0x9F) / 255.0, 0.0]);
    assert_eq!((day["--lap"], day["--reference"]), (night["--lap"], night["--reference"]));
}

/// Pure functions of the page, tested where they run: needs Node 20 or newer, is skipped without.
#[test]
fn javascript_tests_pass() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
    let files = ["tests/js/stretch.test.mjs", "tests/js/words.test.mjs"];
    let run = Command::new("node").arg("--test").args(files).current_dir(folder).output();
    let output = match run {
        Ok(output) => output,
        Err(error) => {
            let _ = writeln!(
                std::io::stderr(),
                "JavaScript tests skipped: cannot run node ({error}); install Node 20 or newer"
            );
            return;
        }
    };
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(output.status.success(), "{said}\n{}", String::from_utf8_lossy(&output.stderr));
    assert!(said.contains("# fail 0") || said.contains("fail 0"), "{said}");
    assert!(!said.contains("# tests 0"), "{said}");
}
