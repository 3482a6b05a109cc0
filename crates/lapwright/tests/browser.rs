//! Drives the desk of the real binary in a real browser: `lapwright demo --short`, as a person starts it.

mod common;
#[path = "../../desk/tests/driven/mod.rs"]
mod driven;

use std::io::{BufRead, BufReader};
use std::process::{Child, ExitCode, Stdio};

/// The program, ended with its owner.
struct Running(Child);

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn main() -> ExitCode {
    if std::env::args().any(|a| a == "--list") {
        return ExitCode::SUCCESS; // Asked by test runners what there is: one program, no parts.
    }
    let dir = tempfile::tempdir().expect("a folder for the demo");
    let mut demo = common::lapwright(dir.path());
    demo.args(["demo", "--short", "--no-open", "--port", "0"]).stdout(Stdio::piped());
    let mut running = Running(demo.spawn().expect("the program starts"));
    let out = running.0.stdout.take().expect("its output");
    let url = BufReader::new(out)
        .lines()
        .map_while(Result::ok)
        .find_map(|line| line.split_once("http://").map(|(_, rest)| format!("http://{rest}")))
        .expect("the program prints its address");
    driven::check(Some(url))
}
