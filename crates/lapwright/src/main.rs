//! The command line: `lapwright`.
//!
//! Every command that answers something takes `--json` and then prints exactly the value that the desk's API serves.
//! Exit codes: 0 done, 2 the call or its input was wrong, 1 anything else.
#![allow(clippy::print_stdout, clippy::print_stderr, reason = "a command line prints")]

mod args;
mod books;
mod commands;
mod print;
mod progress;

use clap::Parser;
use std::process::ExitCode;

fn main() -> ExitCode {
    let arguments = args::Arguments::parse();
    match commands::run(arguments.command) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) if is_closed_pipe(&error) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("lapwright: {}", print::error(&error));
            ExitCode::from(if commands::is_users_mistake(&error) { 2 } else { 1 })
        }
    }
}

/// `lapwright laps | head`: the reader has seen enough.
fn is_closed_pipe(error: &anyhow::Error) -> bool {
    let mut causes = error.chain().filter_map(|c| c.downcast_ref::<std::io::Error>());
    causes.any(|e| e.kind() == std::io::ErrorKind::BrokenPipe)
}
