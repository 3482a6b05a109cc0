//! Whatever the bytes, the reader answers; whatever the dialect, the numbers come back to the last bit.
// Helpers of tests say what must hold by unwrapping it, as tests do.
#![allow(clippy::unwrap_used)]

use channels::Channel;
use proptest::prelude::*;
use recording::{Map, Source, read};

fn import(bytes: &[u8]) -> Result<recording::Reading, recording::ReadError> {
    read(Source::Bytes { name: "p", bytes }, &Map::default(), &mut |_| {})
}

/// A way to write a table.
#[derive(Debug, Clone)]
struct Dialect {
    separator: char,
    comma: bool,
    quoted: bool,
    line_end: &'static str,
    final_end: bool,
    encoding: u8,
}

fn dialect() -> impl Strategy<Value = Dialect> {
    let separator = prop_oneof![Just(','), Just(';'), Just('\t'), Just('|')];
    let line_end = prop_oneof![Just("\n"), Just("\r\n"), Just("\r")];
    (separator, any::<bool>(), any::<bool>(), line_end, any::<bool>(), 0_u8..4).prop_map(
        |(separator, comma, quoted, line_end, final_end, encoding)| Dialect {
            separator,
            comma,
            // A comma for both needs quotes, as any writer knows.
            quoted: quoted || (comma && separator == ','),
            line_end,
            final_end,
            encoding,
        },
    )
}

impl Dialect {
    fn write(&self, header: &[&str], rows: &[Vec<f64>]) -> Vec<u8> {
        let quote = |s: String| if self.quoted { format!("\"{s}\"") } else { s };
        let number = |v: &f64| {
            let s = format!("{v:?}");
            quote(if self.comma { s.replace('.', ",") } else { s })
        };
        let mut lines = vec![header.iter().map(|h| quote((*h).to_owned())).collect::<Vec<_>>()];
        lines.extend(rows.iter().map(|r| r.iter().map(number).collect()));
        let separator = self.separator.to_string();
        let mut text = lines.iter().map(|l| l.join(&separator)).collect::<Vec<_>>().join(self.line_end);
        if self.final_end {
            text += self.line_end;
        }
        match self.encoding {
            0 => text.into_bytes(),
            1 => format!("\u{feff}{text}").into_bytes(),
            2 => format!("\u{feff}{text}").encode_utf16().flat_map(u16::to_le_bytes).collect(),
            _ => text.encode_utf16().flat_map(u16::to_be_bytes).collect(),
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn written_numbers_come_back_to_the_last_bit(
        dialect in dialect(),
        // Plausible sizes, any digits.
        values in proptest::collection::vec((-1e3_f64..1e3, -1e3_f64..1e3), 2..60),
    ) {
        let rows: Vec<Vec<f64>> =
            values.iter().enumerate().map(|(i, (a, b))| vec![0.5 + i as f64 * 0.02, *a, *b]).collect();
        let bytes = dialect.write(&["Time [s]", "Position x [m]", "Position y [m]"], &rows);
        let reading = import(&bytes).map_err(|e| TestCaseError::fail(e.to_string()))?;
        let x = reading.samples.get(Channel::X).unwrap();
        let y = reading.samples.get(Channel::Y).unwrap();
        let back: Vec<Vec<f64>> =
            x.time_s.iter().zip(x.values).zip(y.values).map(|((t, x), y)| vec![*t, *x, *y]).collect();
        prop_assert_eq!(back, rows);
    }

    #[test]
    fn any_bytes_get_an_answer(bytes in proptest::collection::vec(any::<u8>(), 0..600)) {
        let _ = import(&bytes);
    }

    #[test]
    fn any_text_gets_an_answer(text in "[ -~\\n\\r\\t\",;.0-9eE+-]{0,400}") {
        let _ = import(text.as_bytes());
        let _ = import(format!("Time [s],Speed [km/h]\n{text}").as_bytes());
        let _ = Map::from_toml_str(&text);
    }

    /// A cut at any byte of a good file: a reading of the whole rows, or a message.
    #[test]
    fn cut_files_give_what_is_whole(cut in 0_usize..3000, dialect in dialect()) {
        let rows: Vec<Vec<f64>> = (0..60).map(|i| vec![f64::from(i) * 0.02, f64::from(i) + 0.25, f64::from(i) * 1.5]).collect();
        let bytes = dialect.write(&["Time [s]", "Position x [m]", "Position y [m]"], &rows);
        if let Ok(reading) = import(&bytes[..cut.min(bytes.len())]) {
            let x = reading.samples.get(Channel::X).unwrap();
            // All but the last row are as written; the last may be a number cut short.
            let whole = x.values.len() - 1;
            prop_assert!(x.values[..whole].iter().zip(&rows).all(|(v, r)| *v == r[1]));
        }
    }

    #[test]
    fn damaged_parquet_gets_an_answer(at in 0_usize..2000, value in any::<u8>(), cut in 0_usize..2000) {
        let good = include_bytes!("../testdata/golden/parquet_types.parquet");
        let mut bytes = good.to_vec();
        let n = bytes.len();
        bytes[at % n] = value;
        let _ = import(&bytes);
        let _ = import(&good[..cut % n]);
    }
}
