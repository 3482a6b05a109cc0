//! What every reader must stand: any bytes, and whatever is done with what was read of them.

use recording::{Map, Source, consistency, derive, headings, read};

/// Reads, cross-checks, derives; nothing may panic, hang or fill the memory.
pub fn import(bytes: &[u8], map: &Map) {
    let source = Source::Bytes { name: "fuzz", bytes };
    let _refused = headings(source);
    let Ok(mut reading) = read(source, map, &mut |_| {}) else { return };
    let report = &reading.report;
    assert_eq!(reading.samples.clocks().count(), report.clocks.len());
    let found = consistency::check(&reading.samples);
    let _amended = map.learned("fuzz", report).with_fixes(&found.fixes(), report).to_toml_string();
    let _refused = consistency::apply(&found.fixes(), &mut reading.samples);
    derive::fill(&mut reading.samples);
}
