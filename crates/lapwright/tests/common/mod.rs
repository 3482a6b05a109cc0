//! Calls of the binary, and where shared data lies.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

/// The program, on a library in `dir`, without a home of its own.
pub(crate) fn lapwright(dir: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_lapwright"));
    command.current_dir(dir).env("LAPWRIGHT_LIBRARY", dir.join("library"));
    command
}

/// Output of a call that must succeed.
#[allow(dead_code, reason = "not every test needs it")]
pub(crate) fn run(command: &mut Command) -> String {
    let out = command.output().expect("the program starts");
    let stderr = String::from_utf8_lossy(&out.stderr);
    assert!(out.status.success(), "{command:?} ended with {}: {stderr}", out.status);
    String::from_utf8(out.stdout).expect("UTF-8")
}

/// The folder of shared test data, which is not part of the repository.
#[allow(dead_code, reason = "not every test needs it")]
pub(crate) fn shared() -> Option<PathBuf> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../shared");
    path.join("recordings").is_dir().then_some(path)
}

/// Says on standard error, past the test harness, that a test had no data.
#[allow(dead_code, reason = "not every test needs it")]
pub(crate) fn skipped(test: &str) {
    let _ = writeln!(
        std::io::stderr(),
        "{test}: skipped, the shared test data is not here (../shared/recordings)"
    );
}

/// A line on standard error, past the test harness.
#[allow(dead_code, reason = "not every test needs it")]
pub(crate) fn note(line: &str) {
    let _ = writeln!(std::io::stderr(), "{line}");
}
