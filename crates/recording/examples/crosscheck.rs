//! Prints what the physical cross-checks say: `cargo run -p recording --example crosscheck -- FILE [MAP]`.

use recording::{Map, Source, consistency, read};
use std::io::Write;
use std::path::PathBuf;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args_os().skip(1).map(PathBuf::from);
    let file = arguments.next().ok_or("usage: crosscheck FILE [MAP]")?;
    let map = arguments.next().map(std::fs::read_to_string).transpose()?;
    let map = Map::from_toml_str(map.as_deref().unwrap_or(""))?;
    let reading = read(Source::File(&file), &map, &mut |_| {})?;
    let start = std::time::Instant::now();
    let found = consistency::check(&reading.samples);
    let seconds = start.elapsed().as_secs_f64();
    let mut out = std::io::stdout().lock();
    writeln!(out, "{}: {} comparisons in {seconds:.3} s", file.display(), found.compared.len())?;
    for c in &found.compared {
        let e = c.evidence;
        writeln!(
            out,
            "  {:<22} {:<70} slope {:>8.3} correlation {:>6.3} ({:>6.3} in place) lag {:>6.3} s misfit {:.3} spread {:.3} {:.0} s",
            c.tested,
            c.comparison.text(),
            e.slope,
            e.correlation,
            e.correlation_in_place,
            e.lag_s,
            e.misfit,
            e.spread,
            e.seconds
        )?;
    }
    for c in &found.contradictions {
        writeln!(out, "* {:?}: {}\n    {:?}", c.kind, c.sentence, c.fix)?;
    }
    Ok(())
}
