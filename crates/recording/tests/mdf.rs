//! MDF 4 files against asammdf, which read the same ones (`testdata/mdf/make.py`), and damaged ones.

// Helpers of tests say what must hold by unwrapping it, as tests do.
#![allow(clippy::unwrap_used)]

use channels::{Channel, Wheel};
use proptest::prelude::*;
use recording::{Finding, Format, Map, ReadError, Reading, Source, read};

const PLAIN: &[u8] = include_bytes!("../testdata/mdf/plain.mf4");
const DEFLATED: &[u8] = include_bytes!("../testdata/mdf/deflated.mf4");
const TRANSPOSED: &[u8] = include_bytes!("../testdata/mdf/transposed.mf4");
const UNSORTED: &[u8] = include_bytes!("../testdata/mdf/unsorted.mf4");
const UNFINISHED: &[u8] = include_bytes!("../testdata/mdf/unfinished.mf4");

fn import(bytes: &[u8]) -> Result<Reading, ReadError> {
    read(Source::Bytes { name: "m.mf4", bytes }, &Map::default(), &mut |_| {})
}

/// Units of the files are SI, so that the numbers must agree to the last bit; only the rational conversion and tables may
/// round differently by one operation.
#[test]
fn every_value_agrees_with_another_reader() {
    let files =
        [("plain", PLAIN), ("deflated", DEFLATED), ("transposed", TRANSPOSED), ("unsorted", UNSORTED)];
    let mut compared = 0;
    for (name, bytes) in files {
        let r = import(bytes).unwrap();
        assert_eq!(r.report.format, Format::Mdf4);
        let expected = include_str!("../testdata/mdf/expected.csv");
        let lines = expected.lines().filter_map(|l| l.strip_prefix(&format!("{name},")));
        for line in lines {
            let (channel, numbers) = line.split_once(',').unwrap();
            let channel: Channel = channel.parse().unwrap();
            let numbers: Vec<f64> = numbers.split(',').map(|n| n.parse().unwrap()).collect();
            let view = r.samples.get(channel).unwrap_or_else(|| panic!("{name}: {channel}: {:?}", r.report));
            assert_eq!(view.values.len() * 2, numbers.len(), "{name}: {channel}");
            let ulps =
                if matches!(channel, Channel::EngineSpeed | Channel::AirTemp) { f64::EPSILON } else { 0.0 };
            for (i, pair) in numbers.chunks_exact(2).enumerate() {
                let (t, v) = (view.time_s[i], view.values[i]);
                let same = (v - pair[1]).abs() <= ulps * pair[1].abs() || (v.is_nan() && pair[1].is_nan());
                assert!(t == pair[0] && same, "{name}: {channel} {i}: {t} {v}, expected {pair:?}");
                compared += 1;
            }
        }
    }
    // 10 fast and 2 slow channels in three files; 2 of 90 and 2 of 60 records in the unsorted one.
    assert_eq!(compared, 3 * (10 * 200 + 2 * 40) + 2 * 90 + 2 * 60);
}

#[test]
fn groups_keep_their_clocks() {
    let r = import(TRANSPOSED).unwrap();
    let rates: Vec<i64> = r.report.clocks.iter().map(|c| c.rate_hz.round() as i64).collect();
    assert_eq!(rates, [100, 20]);
    assert_eq!(r.report.clocks[1].channels, [Channel::TyreCoreTemp(Wheel::Fl), Channel::Fuel]);
    assert!(
        r.report
            .issues
            .iter()
            .any(|i| matches!(i.finding, Finding::TwoColumns { channel: Channel::Speed, .. }))
    );
    let comment = r.report.columns.iter().find(|c| c.column == "comment").unwrap();
    assert!(comment.channel.is_none() && comment.reason.is_some());
}

#[test]
fn the_file_tells_about_itself() {
    let metadata = import(UNSORTED).unwrap().report.metadata;
    let get = |k: &str| metadata.get(k).map(String::as_str);
    assert_eq!(get("venue"), Some("nowhere & around"));
    assert_eq!(get("comment"), Some("by hand"));
    assert_eq!(get("started at, Unix time [s]"), Some("1767323045.250"));
}

#[test]
fn an_unfinished_file_gives_its_whole_records() {
    let r = import(UNFINISHED).unwrap();
    let speed = r.samples.get(Channel::Speed).unwrap();
    assert_eq!(speed.values.len(), 40);
    assert_eq!((speed.time_s[39], speed.values[39]), (39.0 * 0.02, 29.5));
}

#[test]
fn invalid_samples_are_missing() {
    let r = import(UNSORTED).unwrap();
    let y = r.samples.get(Channel::Y).unwrap().values;
    assert_eq!(y.iter().filter(|v| v.is_nan()).count(), 6);
    let told = r
        .report
        .issues
        .iter()
        .any(|i| matches!(i.finding, Finding::Missing { channel: Channel::Y, count: 6, .. }));
    assert!(told, "{:?}", r.report.issues);
}

/// Position of the first block of a kind.
fn find(bytes: &[u8], id: &[u8]) -> usize {
    bytes.windows(id.len()).position(|w| w == id).unwrap()
}

fn patched(bytes: &[u8], at: usize, value: u64) -> Vec<u8> {
    let mut bytes = bytes.to_vec();
    bytes[at..at + 8].copy_from_slice(&value.to_le_bytes());
    bytes
}

/// What a file promises is not believed.
#[test]
fn lies_are_found_out() {
    let message = |bytes: &[u8]| match import(bytes) {
        Err(e) => e.to_string(),
        Ok(r) => r.report.issues.iter().map(|i| i.sentence.clone()).collect::<Vec<_>>().join(" | "),
    };
    let dz = find(TRANSPOSED, b"##DZ");
    let cg = find(PLAIN, b"##CG");
    let cn = find(PLAIN, b"##CN");
    for (name, bytes, part) in [
        (
            "a dz of a terabyte",
            patched(TRANSPOSED, dz + 32, 1 << 40),
            "claims to unpack to 1099511627776 bytes",
        ),
        ("a dz of another size", patched(TRANSPOSED, dz + 32, 5000), "does not unpack to its 5000 bytes"),
        (
            "more records than there are",
            patched(PLAIN, cg + 24 + 48 + 8, 1_000_000_000_000),
            "of 1000000000000 records",
        ),
        ("a block beyond the end", patched(PLAIN, 64 + 24, 1 << 50), "beyond the end of the file"),
        ("links for ever", patched(PLAIN, cn + 16, 1 << 60), "links"),
        ("a chain that bites its tail", patched(PLAIN, cn + 24, cn as u64), "linked twice"),
        ("a link to something else", patched(PLAIN, 64 + 24, cn as u64), "found ##CN"),
        ("an old version", [b"MDF     3.30    ", &PLAIN[16..]].concat(), "version '3.30'"),
        ("a stub", PLAIN[..40].to_vec(), "beyond the end of the file"),
    ] {
        let message = message(&bytes);
        assert!(message.contains(part), "{name}: '{part}' is missing in: {message}");
    }
}

/// Records cut off at the end of the file: what is whole is kept, and the cut is named.
#[test]
fn a_cut_file_gives_what_is_whole() {
    // The blocks of description of this file stand before its records.
    let dt = find(UNFINISHED, b"##DT");
    let mut whole = UNFINISHED.to_vec();
    whole[..8].copy_from_slice(b"MDF     ");
    let whole = patched(&whole, dt + 8, 24 + 40 * 12);
    let cg = find(&whole, b"##CG");
    let whole = patched(&whole, cg + 24 + 48 + 8, 40);
    assert_eq!(import(&whole).unwrap().samples.get(Channel::Speed).unwrap().values.len(), 40);
    let cut = &whole[..dt + 24 + 25 * 12 + 7];
    let r = import(cut).unwrap();
    assert_eq!(r.samples.get(Channel::Speed).unwrap().values.len(), 25);
    let told = format!("has 25 of 40 records (the file ends at byte {})", cut.len());
    assert!(r.report.issues.iter().any(|i| i.sentence.contains(&told)), "{:?}", r.report.issues);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(600))]

    #[test]
    fn damage_gets_an_answer(
        which in 0_usize..4,
        hits in proptest::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
        cut in any::<prop::sample::Index>(),
    ) {
        let good = [PLAIN, TRANSPOSED, UNSORTED, UNFINISHED][which];
        let mut bytes = good.to_vec();
        for (at, value) in &hits {
            let at = at.index(bytes.len());
            bytes[at] = *value;
        }
        let _ = import(&bytes);
        let _ = import(&good[..cut.index(good.len())]);
    }

    /// Damage where it hurts: in lengths, links and counts.
    #[test]
    fn damaged_blocks_get_an_answer(
        which in 0_usize..3,
        block in any::<prop::sample::Index>(),
        word in 0_usize..14,
        value in prop_oneof![any::<u64>(), 0_u64..2000, Just(u64::MAX), Just(1 << 40)],
    ) {
        let good = [PLAIN, TRANSPOSED, UNSORTED][which];
        let starts: Vec<usize> =
            good.windows(2).enumerate().filter(|(i, w)| *w == b"##" && i % 8 == 0).map(|(i, _)| i).collect();
        let at = starts[block.index(starts.len())] + 8 + 8 * word;
        if at + 8 <= good.len() {
            let _ = import(&patched(good, at, value));
        }
    }
}
