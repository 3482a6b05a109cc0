//! Serves the page over a made-up season, to look at it without a library: `cargo run -p desk --example specimen`.
//!
//! `cargo run -p desk --example specimen -- 8417` takes that port, `-- 8417 empty` shows the page of an empty library.

#[path = "../tests/fixture/mod.rs"]
mod fixture;

use std::io::Write;
use std::sync::Arc;

fn main() -> anyhow::Result<()> {
    let mut words = std::env::args().skip(1);
    let port = words.next().map_or(Ok(0), |word| word.parse())?;
    let desk = desk::Desk::open(port)?;
    writeln!(std::io::stdout(), "{}", desk.url())?;
    if words.next().as_deref() == Some("empty") {
        desk.serve(Arc::new(fixture::Empty))?;
    } else {
        desk.serve(Arc::new(fixture::Season::new()))?;
    }
    Ok(())
}
