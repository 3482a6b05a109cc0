//! Drives the page in a real browser over a made-up season: `cargo test -p desk --test browser`.
//!
//! `LAPWRIGHT_DESK_URL=http://127.0.0.1:PORT/` drives a desk that is running already.

mod driven;

use std::process::ExitCode;

fn main() -> ExitCode {
    if std::env::args().any(|a| a == "--list") {
        return ExitCode::SUCCESS; // Asked by test runners what there is: one program, no parts.
    }
    driven::check(std::env::var("LAPWRIGHT_DESK_URL").ok())
}
