//! Files that are no recordings, and maps that do not fit: each gets its message, with place, finding and advice.
// Helpers of tests say what must hold by unwrapping it, as tests do.
#![allow(clippy::unwrap_used)]

use recording::{Finding, Format, Map, Reading, Source, read};
use std::io::Write;
use std::path::Path;

fn import(bytes: &[u8], map: &str) -> Result<Reading, String> {
    let map = Map::from_toml_str(map).map_err(|e| e.to_string())?;
    read(Source::Bytes { name: "bad.csv", bytes }, &map, &mut |_| {}).map_err(|e| e.to_string())
}

const HEAD: &str = "Time [s],Speed [km/h],Gear [-]\n";
const ROWS: &str = "0.00,36,1\n0.02,37,1\n0.04,38,2\n";

/// Content, map, and what the message must hold.
#[allow(clippy::type_complexity)]
fn table() -> Vec<(&'static str, Vec<u8>, &'static str, &'static [&'static str])> {
    let text = |body: &str| body.as_bytes().to_vec();
    let headed = |body: &str| format!("{HEAD}{body}").into_bytes();
    let named = |head: &str| format!("{head}\n{ROWS}").into_bytes();
    vec![
        ("empty", text(""), "", &["is empty", "Export"]),
        ("blank lines", text("\n\r\n  \n"), "", &["is empty"]),
        ("byte-order mark only", text("\u{feff}"), "", &["is empty"]),
        (
            "binary",
            vec![0x4d, 0x5a, 0x90, 0, 3, 0, 0, 0],
            "",
            &["4d 5a 90", "CSV text, Apache Parquet or ASAM MDF 4"],
        ),
        (
            "control characters",
            b"Time [s],\x01\x02\n0,1\n".to_vec(),
            "",
            &["neither text nor a known binary format"],
        ),
        ("zeros", vec![0; 5000], "", &["nothing but zeros"]),
        ("spreadsheet", b"PK\x03\x04rest".to_vec(), "", &["spreadsheet", "save the sheet as CSV"]),
        ("compressed in another way", b"BZh91AY&SY".to_vec(), "", &["compressed", "unpack it first"]),
        ("gzip stub", vec![0x1f, 0x8b, 8, 0], "", &["reading failed"]),
        ("gzip of nothing", gzip(b""), "", &["is empty"]),
        (
            "gzip of prose",
            gzip(
                b"Dear diary
today was fast
",
            ),
            "",
            &["line 1", "'Dear diary'"],
        ),
        ("Zstandard stub", vec![0x28, 0xb5, 0x2f, 0xfd, 1, 2], "", &["reading failed"]),
        ("database", b"SQLite format 3\0....".to_vec(), "", &["database"]),
        (
            "no header",
            text("0.00,36,1\n0.02,37,1\n"),
            "",
            &["line 1", "'0.00,36,1'", "header was expected", "Time [s],Speed [km/h]"],
        ),
        (
            "numbers of many digits only",
            text("-364.960,-6.891\n-365.319,-7.824\n"),
            "",
            &["line 1", "header was expected"],
        ),
        ("prose", text("Dear diary\ntoday was fast\n"), "", &["line 1", "'Dear diary'", "header"]),
        ("header only", text("Time [s],Speed [km/h],Gear [-]\n"), "", &["line 1", "3 columns", "no row"]),
        ("header without line end", text("Time [s],Speed [km/h]"), "", &["line 1", "2 columns", "no row"]),
        ("header and blank lines", text("Time [s],Speed [km/h]\n\n\n"), "", &["no row"]),
        (
            "short row",
            headed("0.00,36,1\n0.02,37\n0.04,38,2\n"),
            "",
            &["line 3", "found 2 fields", "expected 3", "Correct or delete"],
        ),
        (
            "long row",
            headed("0.00,36,1\n0.02,37,1,9\n0.04,38,2\n"),
            "",
            &["line 3", "found 4 fields", "expected 3"],
        ),
        (
            "text for a number",
            headed("0.00,36,1\n0.02,fast,1\n"),
            "",
            &[
                "line 3, column 2 ('Speed [km/h]')",
                "found 'fast'",
                "expected a number",
                "ignore = [\"Speed [km/h]\"]",
            ],
        ),
        (
            "text in the first row",
            headed("0.00,fast,1\n0.02,37,1\n0.04,38,1\n"),
            "",
            &["line 2, column 2", "found 'fast'"],
        ),
        (
            "only text below the header",
            headed("a,b,c\n0.02,37,1\n0.04,38,1\n"),
            "",
            &["line 2, column 1", "found 'a'"],
        ),
        (
            "two numbers in a field",
            headed("0.00,36 37,1\n0.02,37,1\n"),
            "",
            &["line 2, column 2", "found '36 37'"],
        ),
        ("text after a quoted number", headed("0.00,\"36\"x,1\n0.02,37,1\n"), "", &["found '36x'"]),
        (
            "decimal mark of the map is wrong",
            text("t;v\n0,0;1,5\n0,1;1,6\n"),
            "decimal_mark = '.'",
            &["line 2, column 1", "'0,0'"],
        ),
        (
            "decimal mark changes",
            text("t;v\n0.0;1.5\n0.1;1,6\n"),
            "",
            &["line 3, column 2", "'1,6'", "decimal_mark = \",\""],
        ),
        (
            "unknown unit",
            named("Time [s],Speed [furlong/h],Gear [-]"),
            "",
            &[
                "line 1, column 2 ('Speed [furlong/h]')",
                "unknown unit 'furlong/h'",
                "known units of speed: m/s, km/h",
                "[channels.speed] unit",
            ],
        ),
        (
            "unit of time unknown",
            named("Time [fortnight],Speed [km/h],Gear [-]"),
            "",
            &["column 1", "unknown unit 'fortnight'"],
        ),
        (
            "unit of time is none",
            named("Time [km],Speed [km/h],Gear [-]"),
            "",
            &["column 1 ('Time [km]')", "'km' is no unit of time", "[channels.time] unit"],
        ),
        (
            "no time",
            named("Tempo,Speed [km/h],Gear [-]"),
            "",
            &["no time column", "'Tempo', 'Speed [km/h]', 'Gear [-]'", "[channels.time] column"],
        ),
        ("time ignored", headed(ROWS), "ignore = ['Time [s]']", &["no time column"]),
        ("only time", named("Time [s],Foo,Bar"), "", &["no column besides the time", "'Foo'"]),
        ("one sample", headed("0.00,36,1\n"), "", &["1 usable time stamp", "at least 2"]),
        (
            "time stands still",
            headed("5,36,1\n5,37,1\n5,38,1\n"),
            "",
            &["1 usable time stamp", "line 3 repeats"],
        ),
        (
            "no stamp at all",
            headed(",36,1\n,37,1\n,38,1\n"),
            "",
            &["0 usable time stamp", "line 2 has no time stamp"],
        ),
        (
            "time runs backwards",
            headed("3,36,1\n2,37,1\n1,38,1\n"),
            "",
            &["line 3", "2 s after 3 s", "2 rows", "Split the file"],
        ),
        (
            "clock restarts",
            headed("0,36,1\n1,37,1\n2,38,1\n0,36,1\n1,36,1\n2,37,1\n"),
            "",
            &["line 5", "0 s after 2 s", "2 rows"],
        ),
        (
            "map: column is not there",
            headed(ROWS),
            "[channels.speed]\ncolumn = 'Sped'",
            &["speed from column 'Sped'", "not there", "did you mean 'Speed'"],
        ),
        (
            "map: nothing to amend",
            headed(ROWS),
            "[channels.accel_y]\nsign = -1",
            &["accel_y without `column`", "'Speed [km/h]'", "[channels.accel_y]"],
        ),
        (
            "map: unit of another kind",
            headed(ROWS),
            "[channels.speed]\nunit = 'bar'",
            &["the map's unit for speed", "bar is a unit of pressure"],
        ),
        (
            "map: unknown unit",
            headed(ROWS),
            "[channels.speed]\nunit = 'knoten'",
            &["unknown unit 'knoten'", "km/h"],
        ),
        (
            "map: litres without density",
            named("Time [s],Fuel [l],Gear [-]"),
            "[channels.fuel]\nscale = 2",
            &["fuel_density_kg_per_l"],
        ),
        (
            "map: rotation without radius",
            named("Time [s],w_fl_radps,Gear [-]"),
            "[channels.wheel_speed_fl]\nsign = -1",
            &["radius"],
        ),
        (
            "separator of the map is wrong",
            headed(ROWS),
            "separator = ';'",
            &["line 1", "header was expected"],
        ),
        (
            "Parquet cut off",
            b"PAR1\x15\x04\x15".to_vec(),
            "",
            &["Parquet file", "export the recording again"],
        ),
        ("Parquet without footer", b"PAR1aaaaaaaaaaaaaaaaaaaaaaaaaaaaaaPAR1".to_vec(), "", &["Parquet file"]),
        ("Parquet promises too much", b"PAR1\x00\x00\xff\xff\xff\x7fPAR1".to_vec(), "", &["Parquet file"]),
        (
            "an archive of another kind",
            b"7z\xBC\xAF\x27\x1Crest".to_vec(),
            "",
            &["compressed", "gzip and Zstandard are"],
        ),
        ("compressed in a third way", b"\xFD7zXZ\0rest".to_vec(), "", &["unpack it first"]),
        ("gzip of bytes that are no text", gzip(&[0, 1, 2, 3, 4, 5]), "", &["00 01 02 03"]),
        ("gzip of half a header", gzip(b"Time [s],Spe"), "", &["2 columns", "no row"]),
        ("gzip of Parquet that is none", gzip(b"PAR1nothing"), "", &["Parquet file"]),
        ("UTF-16 header only", utf16("Time [s],Speed [km/h]\n"), "", &["2 columns", "no row"]),
        (
            "UTF-16 with a text for a number",
            utf16("Time [s],Speed [km/h]\n0,36\n1,quick\n"),
            "",
            &["line 3, column 2", "found 'quick'"],
        ),
        (
            "a page of the web",
            text("<!DOCTYPE html>\n<html><body>404</body></html>\n"),
            "",
            &["line 1", "header"],
        ),
        (
            "an object of another notation",
            text("{\"time\": [0, 1], \"speed\": [1, 2]}\n"),
            "",
            &["header was expected"],
        ),
        ("three rows of numbers", text("1,2\n3,4\n5,6\n"), "", &["header was expected"]),
        (
            "two time stamps in a field",
            headed("0.00 0.01,36,1\n0.02,37,1\n"),
            "",
            &["line 2, column 1", "'0.00 0.01'"],
        ),
        (
            "a clock of hours and words",
            headed("noon,36,1\none,37,1\n"),
            "",
            &["line 2, column 1", "found 'noon'"],
        ),
        (
            "a number that is too much",
            headed("0.00,36,1\n0.02,12e,1\n"),
            "",
            &["line 3, column 2", "found '12e'"],
        ),
        ("a number with two signs", headed("0.00,--36,1\n0.02,37,1\n"), "", &["line 2, column 2", "'--36'"]),
        (
            "a number with two marks",
            headed("0.00,3.6.1,1\n0.02,37,1\n"),
            "",
            &["line 2, column 2", "'3.6.1'"],
        ),
        ("a hexadecimal number", headed("0.00,0x24,1\n0.02,37,1\n"), "", &["line 2, column 2", "'0x24'"]),
        ("infinite time only", headed("inf,36,1\ninf,37,1\n"), "", &["0 usable time stamp"]),
        (
            "a rate without rows",
            named("Speed [km/h],Gear [-]").into_iter().take(22).collect(),
            "rate_hz = 50",
            &["no row"],
        ),
        (
            "everything ignored",
            headed(ROWS),
            "ignore = ['Speed [km/h]', 'Gear [-]']",
            &["no column besides the time"],
        ),
        (
            "map: two channels from a column that is not there",
            headed(ROWS),
            "[channels.x]\ncolumn = 'Gears'\n[channels.y]\ncolumn = 'Gears'",
            &["x from column 'Gears'", "did you mean 'Gear'"],
        ),
        (
            "map: time in a unit of length",
            headed(ROWS),
            "[channels.time]\nunit = 'm'",
            &["the map's unit for time", "m is a unit of length"],
        ),
        (
            "map: a column far from all",
            headed(ROWS),
            "[channels.x]\ncolumn = 'qqqqqqqqqq'",
            &["not there", "the file has 'Time [s]'"],
        ),
        (
            "MDF of an old version",
            b"MDF     3.30    ".to_vec(),
            "",
            &["version '3.30'", "export the recording as MDF 4"],
        ),
        ("MDF of no version", b"MDF     ".to_vec(), "", &["MDF file: version ''"]),
        (
            "MDF cut in its identification",
            MDF[..40].to_vec(),
            "",
            &["MDF file", "byte 64", "end of the file at byte 40"],
        ),
        ("MDF cut in its header", MDF[..100].to_vec(), "", &["beyond the end of the file at byte 100"]),
        (
            "MDF with a link into nothing",
            patched(64 + 24, &u64::MAX.to_le_bytes()),
            "",
            &["MDF file", "beyond the end"],
        ),
        (
            "MDF with a link to itself",
            patched(64 + 24, &64_u64.to_le_bytes()),
            "",
            &["found ##HD at byte 64, expected ##DG"],
        ),
        (
            "MDF with a link between blocks",
            patched(64 + 24, &3_u64.to_le_bytes()),
            "",
            &["no block begins at byte 3"],
        ),
        (
            "MDF with a block of all links",
            patched(64 + 16, &u64::MAX.to_le_bytes()),
            "",
            &["##HD at byte 64 has 18446744073709551615 links"],
        ),
        (
            "MDF with an endless block",
            patched(64 + 8, &(1_u64 << 60).to_le_bytes()),
            "",
            &["##HD at byte 64 claims 1152921504606846976 bytes"],
        ),
        ("MDF without groups", patched(64 + 24, &[0; 8]), "", &["no time column"]),
    ]
}

const MDF: &[u8] = include_bytes!("../testdata/mdf/plain.mf4");

/// A sound MDF file with some bytes changed.
fn patched(at: usize, bytes: &[u8]) -> Vec<u8> {
    let mut file = MDF.to_vec();
    file[at..at + bytes.len()].copy_from_slice(bytes);
    file
}

/// Least significant byte first, with its mark.
fn utf16(text: &str) -> Vec<u8> {
    std::iter::once(0xFEFF).chain(text.encode_utf16()).flat_map(u16::to_le_bytes).collect()
}

#[test]
fn every_bad_file_gets_its_message() {
    assert!(table().len() >= 75, "{}", table().len());
    for (name, bytes, map, parts) in table() {
        let message = match import(&bytes, map) {
            Err(message) => message,
            Ok(r) => panic!("{name}: was read: {:?}", r.report),
        };
        for part in parts {
            assert!(message.contains(part), "{name}: '{part}' is missing in: {message}");
        }
        assert!(message.starts_with("bad.csv: "), "{name}: no file in: {message}");
    }
}

#[test]
fn a_folder_and_a_missing_file_are_told_apart() {
    let read = |path: &str| {
        read(Source::File(Path::new(path)), &Map::default(), &mut |_| {}).unwrap_err().to_string()
    };
    let folder = read(env!("CARGO_MANIFEST_DIR"));
    assert!(folder.contains("is not a file"), "{folder}");
    let missing = read("no-such-recording.csv");
    assert!(missing.contains("no-such-recording.csv: cannot be opened"), "{missing}");
}

fn findings(body: &str) -> Vec<String> {
    let text = format!("{HEAD}{body}");
    import(text.as_bytes(), "").unwrap().report.issues.into_iter().map(|i| i.sentence).collect()
}

/// Damage that leaves the rest usable is told, not refused.
#[test]
fn small_damage_is_reported_and_survived() {
    let steady: String =
        (0..200).map(|i| format!("{:.2},{},{}\n", f64::from(i) * 0.02, 36 + i, i % 3)).collect();
    assert_eq!(findings(&steady), Vec::<String>::new());
    for (body, parts) in [
        (format!("{steady}3.98,1,1\n3.98,1,1\n4.00,240,1\n"), &["2 rows repeat", "line 202"][..]),
        (
            format!("{steady}1.00,1,1\n4.00,240,1\n"),
            &["backwards in 1 row (first in line 202, 1.000 s after 3.980 s)"],
        ),
        (format!("{steady}nan,1,1\n4.00,240,1\n"), &["1 row has no time stamp (first in line 202)"]),
        (
            format!("{steady}4.00,NaN,1\n4.02,,1\n"),
            &["speed", "'Speed [km/h]' has 2 fields without a value", "line 202"],
        ),
        (format!("{steady}4.00,inf,1\n4.02,-Infinity,1\n"), &["2 infinite values (first in line 202)"]),
        (
            format!("{steady}5.00,240,1\n5.02,241,1\n"),
            &["1 stretch without samples, 50 samples lost", "1.020 s from 3.980 s on"],
        ),
        (
            format!("{steady}4.00,24"),
            &["line 202: the file ends in the middle of the row, with 2 of 3 fields"],
        ),
        (format!("{steady}4.00,3600,1\n"), &["1 of 201 values are outside -5.0000 to 140.0000 m/s"]),
        (
            (0..99).map(|i| format!("{},{},1\n", i * 20, i)).collect(),
            &["comes out as 0.0500 Hz", "unit = \"ms\""],
        ),
        (
            (0..99).map(|i| format!("{:.2},50,{}\n", f64::from(i) * 0.02, i % 3)).collect(),
            &["'Speed [km/h]' is 50 km/h throughout"],
        ),
    ] {
        let found = findings(&body).join(" | ");
        for part in parts {
            assert!(found.contains(part), "'{part}' is missing in: {found}");
        }
    }
}

#[test]
fn kept_rows_keep_their_values() {
    let body = "0,36,1\n1,37,1\n1,99,1\n0.5,99,1\n,99,1\n2,38,2\n".to_owned()
        + &(3..500).map(|i| format!("{i},36,3\n")).collect::<String>();
    let r = import(format!("{HEAD}{body}").as_bytes(), "").unwrap();
    let speed = r.samples.get(channels::Channel::Speed).unwrap();
    assert_eq!(&speed.time_s[..4], &[0.0, 1.0, 2.0, 3.0]);
    assert!(speed.values[..3].iter().zip([36.0, 37.0, 38.0]).all(|(v, kmh)| (v - kmh / 3.6).abs() < 1e-12));
    let clock = &r.report.clocks[0];
    assert_eq!((clock.stamps, clock.repeats, clock.backwards, clock.unstamped), (500, 1, 1, 1));
}

#[test]
fn units_in_doubt_are_named() {
    let rows: String = (0..100).map(|i| format!("{:.2},{},{}\n", f64::from(i) * 0.02, i, i * 3)).collect();
    for (head, part) in [
        ("Time [s],Throttle,Speed [km/h]", "it would fit in %"),
        ("Time [s],Tyre core FL,Speed [km/h]", "it would fit in degC"),
        ("Time [s],Throttle [%],Speed [m/s]", "it would fit in km/h"),
    ] {
        let r = import(format!("{head}\n{rows}").as_bytes(), "").unwrap();
        let found: Vec<String> = r.report.issues.into_iter().map(|i| i.sentence).collect();
        assert!(found.join(" | ").contains(part), "{head}: '{part}' is missing in {found:?}");
    }
    let small: String =
        (0..100).map(|i| format!("{:.2},{:.2}\n", f64::from(i) * 0.02, f64::from(i) / 99.0)).collect();
    let r = import(format!("Time [s],Brake [%]\n{small}").as_bytes(), "").unwrap();
    assert!(r.report.issues.iter().any(|i| matches!(i.finding, Finding::NeverBeyondOnePercent { .. })));
}

#[test]
fn layouts_in_use_are_read() {
    let utf16 = |s: &str| s.encode_utf16().flat_map(u16::to_le_bytes).collect::<Vec<u8>>();
    let degrees = "Time [s];Air temperature [°C]\r\n0,0;20,5\r\n0,1;21,0\r\n";
    let tyre = channels::Channel::AirTemp;
    for (name, bytes, channel, value) in [
        ("UTF-8", degrees.as_bytes().to_vec(), tyre, 293.65),
        ("UTF-8 with mark", format!("\u{feff}{degrees}").into_bytes(), tyre, 293.65),
        ("UTF-16", utf16(&format!("\u{feff}{degrees}")), tyre, 293.65),
        ("UTF-16 without mark", utf16(degrees), tyre, 293.65),
        ("Latin-1", degrees.chars().map(|c| c as u8).collect(), tyre, 293.65),
        ("tabs", degrees.replace(';', "\t").into_bytes(), tyre, 293.65),
        ("old line ends", degrees.replace("\r\n", "\r").into_bytes(), tyre, 293.65),
        (
            "quoted with commas",
            b"\"Time [s]\",\"Air temperature [degC]\"\n\"0,0\",\"20,5\"\n\"0,1\",\"21,0\"\n".to_vec(),
            tyre,
            293.65,
        ),
        (
            "units in a second line",
            b"Time,Air temperature\ns,degC\n0.0,20.5\n0.1,21.0\n".to_vec(),
            tyre,
            293.65,
        ),
        (
            "bracketed units in a second line",
            b"Time,Air temperature\n[s],[degC]\n0.0,20.5\n0.1,21.0\n".to_vec(),
            tyre,
            293.65,
        ),
        (
            "preamble",
            b"Driver: nobody\nVenue,somewhere\n\nTime [s],Air temp [degC]\n0,20.5\n1,21\n".to_vec(),
            tyre,
            293.65,
        ),
        (
            "comments",
            b"# made by hand\n# Time [s],Air temp [degC]\n0,20.5\n# pause\n1,21\n".to_vec(),
            tyre,
            293.65,
        ),
        ("trailing separators", b"Time [s],Air temp [degC],\n0,20.5,\n1,21,\n".to_vec(), tyre, 293.65),
        (
            "trailing separators in rows only",
            b"Time [s],Air temp [degC]\n0,20.5,\n1,21,\n".to_vec(),
            tyre,
            293.65,
        ),
        ("blanks", b"Time [s] , Air temp [degC]\n 0 , 20.5\n 1 , 21 \n".to_vec(), tyre, 293.65),
        (
            "text beside numbers",
            b"Time [s],Driver,Air temp [degC]\n0,\"N. N., Jr.\",20.5\n1,\"two\nlines\",21\n2,x,21\n".to_vec(),
            tyre,
            293.65,
        ),
        (
            "zeros at the end",
            b"Time [s],Air temp [degC]\n0,20.5\n1,21\n\0\0\0\0\0\0\0".to_vec(),
            tyre,
            293.65,
        ),
        ("clock time", b"Time,Air temp [degC]\n1:00:00.5,20.5\n1:00:01.5,21\n".to_vec(), tyre, 293.65),
    ] {
        let r = import(&bytes, "").unwrap_or_else(|e| panic!("{name}: {e}"));
        assert_eq!(r.report.format, Format::Csv);
        let values = r.samples.get(channel).unwrap_or_else(|| panic!("{name}: {:?}", r.report)).values;
        assert!((values[0] - value).abs() < 1e-9 && (values[1] - 294.15).abs() < 1e-9, "{name}: {values:?}");
    }
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::default());
    encoder.write_all(bytes).unwrap();
    encoder.finish().unwrap()
}

#[test]
fn compressed_files_are_unpacked_as_they_are_read() {
    let rows: String =
        (0..2000).map(|i| format!("{:.2},{},{}\n", f64::from(i) * 0.02, i % 97, i % 3)).collect();
    let text = format!("{HEAD}{rows}").into_bytes();
    let plain = import(&text, "").unwrap();
    let packed = gzip(&text);
    let two = text.split_at(text.len() / 2);
    for (name, bytes) in [
        ("gzip", packed.clone()),
        ("two gzip members", [gzip(two.0), gzip(two.1)].concat()),
        ("Zstandard", zstd::encode_all(&text[..], 3).unwrap()),
    ] {
        let r = import(&bytes, "").unwrap_or_else(|e| panic!("{name}: {e}"));
        assert_eq!(r.samples, plain.samples, "{name}");
        assert!(r.report.metadata.contains_key("compression"));
    }
    let types = include_bytes!("../testdata/golden/parquet_types.parquet");
    // As text, since NaN differs from itself.
    let shown = |bytes: &[u8]| format!("{:?}", import(bytes, "").unwrap().samples);
    assert_eq!(shown(&gzip(types)), shown(types));
    // Cut off: the rows that are whole are kept, and the break is told.
    let r = import(&packed[..packed.len() / 2], "").unwrap();
    assert!(r.report.rows > 100 && r.report.rows < 2000);
    assert!(
        r.report.issues.iter().any(|i| matches!(i.finding, Finding::BrokenOff { .. })),
        "{:?}",
        r.report.issues
    );
}

/// Blank lines by the million take no memory and no time worth a word.
#[test]
fn blank_lines_are_nothing() {
    let mut text = b"Time [s],Air temp [degC]\n0,20.5\n".to_vec();
    text.resize(text.len() + 3_000_000, b'\n');
    text.extend_from_slice(b"1,21\n2,x\n");
    let message = import(&text, "").unwrap_err();
    assert!(message.contains("line 3000004, column 2"), "{message}");
}

#[test]
fn a_preamble_becomes_metadata() {
    let text = b"Driver: nobody\nVenue,somewhere\n\nTime [s],Air temp [degC]\n0,20.5\n1,21\n";
    let metadata = import(text, "").unwrap().report.metadata;
    assert_eq!(metadata.get("Driver").map(String::as_str), Some("nobody"));
    assert_eq!(metadata.get("Venue").map(String::as_str), Some("somewhere"));
}

#[test]
fn the_report_reads_as_json() {
    let r = import(format!("{HEAD}0,36,1\n0.02,36,1\n").as_bytes(), "").unwrap();
    let json = serde_json::to_value(&r.report).unwrap();
    assert_eq!(json["format"], "csv");
    assert_eq!(json["columns"][1]["channel"], "speed");
    assert_eq!(json["columns"][1]["unit"], "km/h");
    assert_eq!(json["clocks"][0]["stamps"], 2);
    assert_eq!(json["issues"][0]["kind"], "constant");
    assert!(json["issues"][0]["sentence"].as_str().unwrap().contains("throughout"));
}
