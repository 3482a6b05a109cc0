//! Rules of the repository that a compiler does not check.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// All files below `dir` whose name ends in `ending`, vendored ones left out.
fn files(dir: &Path, ending: &str, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(dir).expect("a readable folder").flatten() {
        let path = entry.path();
        let name = entry.file_name();
        if path.is_dir() && name != "target" && name != "vendor" && name != "node_modules" {
            files(&path, ending, found);
        } else if path.to_string_lossy().ends_with(ending) {
            found.push(path);
        }
    }
}

/// Keys in back-quoted square brackets such as `[BIPM-SI]`: a capital, then letters, digits and dashes, with a digit or a
/// second capital somewhere, which tells them from links to items.
fn cited(text: &str) -> impl Iterator<Item = &str> {
    text.split("`[").skip(1).filter_map(|rest| rest.split_once("]`")).map(|(key, _)| key).filter(|key| {
        key.starts_with(|c: char| c.is_ascii_uppercase())
            && key.chars().all(|c| c.is_ascii_alphanumeric() || c == '-')
            && key.contains(|c: char| c.is_ascii_digit() || c == '-')
    })
}

#[test]
fn every_citation_key_is_in_the_references() {
    let references = fs::read_to_string(root().join("docs/references.md")).expect("docs/references.md");
    let known: BTreeSet<&str> =
        references.split("**[").skip(1).filter_map(|r| r.split_once("]**")).map(|(k, _)| k).collect();
    let mut sources = Vec::new();
    files(&root().join("crates"), ".rs", &mut sources);
    files(&root().join("docs"), ".md", &mut sources);
    assert!(sources.len() > 20, "only {} sources found", sources.len());
    let mut missing = Vec::new();
    for source in sources {
        let text = fs::read_to_string(&source).expect("UTF-8");
        missing.extend(
            cited(&text).filter(|k| !known.contains(k)).map(|k| format!("{}: [{k}]", source.display())),
        );
    }
    assert!(missing.is_empty(), "cited, but not in docs/references.md:\n{}", missing.join("\n"));
}
