//! Prints what an import would find: `cargo run -p recording --example inspect -- FILE [MAP]`.

use recording::{Map, Source, read};
use std::io::Write;
use std::path::PathBuf;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args_os().skip(1).map(PathBuf::from);
    let file = arguments.next().ok_or("usage: inspect FILE [MAP]")?;
    let map = arguments.next().map(std::fs::read_to_string).transpose()?;
    let map = Map::from_toml_str(map.as_deref().unwrap_or(""))?;
    let start = std::time::Instant::now();
    let reading = match read(Source::File(&file), &map, &mut |_| {}) {
        Ok(reading) => reading,
        Err(e) => {
            writeln!(std::io::stderr(), "{e}")?;
            std::process::exit(2);
        }
    };
    let seconds = start.elapsed().as_secs_f64();
    let report = reading.report;
    let mut out = std::io::stdout().lock();
    writeln!(out, "{}: {}, {} rows, read in {seconds:.3} s", report.source, report.format, report.rows)?;
    for c in report.columns {
        let channel = c.channel.map_or_else(|| "-".to_owned(), channels::Channel::name);
        let [unit, reason] = [c.unit, c.reason].map(Option::unwrap_or_default);
        writeln!(out, "  {:<32} {channel:<24} {unit:<8} {reason}", c.column)?;
    }
    for c in report.clocks {
        writeln!(
            out,
            "{} channels, {} stamps, {:.3} Hz, jitter {:.2} ms, {} gaps, {} lost, origin {}",
            c.channels.len(),
            c.stamps,
            c.rate_hz,
            c.jitter_ms,
            c.gaps.len(),
            c.lost,
            c.origin_s
        )?;
    }
    writeln!(out, "{:?}", report.metadata)?;
    for issue in report.issues {
        writeln!(out, "! {}", issue.sentence)?;
    }
    Ok(())
}
