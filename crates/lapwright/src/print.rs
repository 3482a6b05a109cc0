//! Answers as text.

use std::fmt::Write as _;

/// The whole chain of an error on one line; a cause that only repeats its parent is left out.
pub(crate) fn error(error: &anyhow::Error) -> String {
    let mut text = error.to_string();
    for cause in error.chain().skip(1).map(ToString::to_string) {
        if !text.contains(&cause) {
            let _ = write!(text, ": {cause}");
        }
    }
    text
}

/// A lap time \[s\] as a driver reads it: `1:32.457`, `58.210`.
pub(crate) fn lap_time(seconds: Option<f64>) -> String {
    let Some(seconds) = seconds else { return "-".to_owned() };
    // Round first: 59.9996 s is a minute, not 60.000.
    let ms = (seconds * 1000.0).round() as u64;
    match ms / 60_000 {
        0 => format!("{}.{:03}", ms / 1000, ms % 1000),
        minutes => format!("{minutes}:{:02}.{:03}", ms / 1000 % 60, ms % 1000),
    }
}

/// A difference \[s\] with its sign and three decimals; zero has none.
pub(crate) fn seconds(seconds: f64) -> String {
    let text = format!("{seconds:+.3}");
    if text[1..].chars().all(|c| c == '0' || c == '.') { text[1..].to_owned() } else { text }
}

/// Rows as columns that line up; the widths are those of the widest cell. The last column is not padded.
pub(crate) fn table(head: &[&str], rows: &[Vec<String>]) -> String {
    let wide = |s: &str| s.chars().count();
    let mut widths: Vec<usize> = head.iter().map(|h| wide(h)).collect();
    for row in rows {
        for (w, cell) in widths.iter_mut().zip(row) {
            *w = (*w).max(wide(cell));
        }
    }
    let line = |cells: &[&str]| {
        let padded: Vec<String> =
            cells.iter().zip(&widths).map(|(c, &w)| format!("{c}{}", " ".repeat(w - wide(c)))).collect();
        padded.join("  ").trim_end().to_owned()
    };
    let mut text = line(head);
    for row in rows {
        text.push('\n');
        text += &line(&row.iter().map(String::as_str).collect::<Vec<_>>());
    }
    text
}

/// Text folded at `width` characters, every line after the first one indented by `indent` blanks.
pub(crate) fn folded(text: &str, width: usize, indent: usize) -> String {
    let mut out = String::new();
    let mut column = 0;
    for word in text.split_whitespace() {
        let length = word.chars().count();
        if column > 0 && column + 1 + length > width {
            out.push('\n');
            out += &" ".repeat(indent);
            column = 0;
        } else if column > 0 {
            out.push(' ');
            column += 1;
        }
        out += word;
        column += length;
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lap_times_read_like_a_timing_screen() {
        assert_eq!(lap_time(Some(92.4567)), "1:32.457");
        assert_eq!(lap_time(Some(59.9996)), "1:00.000");
        assert_eq!(lap_time(Some(58.21)), "58.210");
        assert_eq!(lap_time(None), "-");
    }

    #[test]
    fn zero_has_no_sign() {
        assert_eq!(seconds(-0.0001), "0.000");
        assert_eq!(seconds(0.0), "0.000");
        assert_eq!(seconds(-0.012), "-0.012");
        assert_eq!(seconds(1.5), "+1.500");
    }

    #[test]
    fn columns_line_up() {
        let t = table(&["lap", "time"], &[vec!["a:10".into(), "1".into()], vec!["b".into(), "22".into()]]);
        assert_eq!(t, "lap   time\na:10  1\nb     22");
    }

    #[test]
    fn long_sentences_fold_between_words() {
        assert_eq!(folded("one two three", 7, 2), "one two\n  three");
    }
}
