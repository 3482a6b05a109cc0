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
use std::io::{ErrorKind, Write};
use std::process::ExitCode;

fn main() -> ExitCode {
    let arguments = args::Arguments::parse();
    match commands::run(arguments.command) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) if is_closed_pipe(&error) => ExitCode::SUCCESS,
        Err(error) => {
            // Standard error may be closed too; then there is nobody left to tell.
            let _ = writeln!(std::io::stderr(), "lapwright: {}", print::error(&error));
            ExitCode::from(if commands::is_users_mistake(&error) { 2 } else { 1 })
        }
    }
}

/// `lapwright laps | head`: the reader has seen enough.
fn is_closed_pipe(error: &anyhow::Error) -> bool {
    let kind = |cause: &(dyn std::error::Error + 'static)| {
        let written = cause.downcast_ref::<std::io::Error>().map(std::io::Error::kind);
        written
            .or_else(|| cause.downcast_ref::<serde_json::Error>().and_then(serde_json::Error::io_error_kind))
    };
    error.chain().any(|cause| kind(cause) == Some(ErrorKind::BrokenPipe))
}
