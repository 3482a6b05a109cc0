//! One field that is not simply a number.

use crate::number::{DecimalMark, leading_number};
use channels::Channel;

/// What a field says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Cell {
    Number(f64),
    /// Empty, or a word for 'no value'.
    Missing,
    Infinite,
    Text,
}

/// Reads a field, quotes and blanks already taken off.
pub(crate) fn read(content: &[u8], decimal: DecimalMark, channel: Channel) -> Cell {
    let content = content.trim_ascii();
    if let Some((value, used)) = leading_number(content, decimal.byte())
        && used == content.len()
    {
        return Cell::Number(value);
    }
    let Ok(text) = std::str::from_utf8(content) else { return Cell::Text };
    let word = text.to_ascii_lowercase();
    match word.as_str() {
        "" | "nan" | "-nan" | "+nan" | "null" | "none" | "na" | "n/a" | "#n/a" | "nil" | "-" | "--" | "?"
        | "nan(ind)" | "-nan(ind)" | "1.#qnan" | "-1.#ind" => return Cell::Missing,
        "inf" | "+inf" | "-inf" | "infinity" | "+infinity" | "-infinity" | "1.#inf" | "-1.#inf" | "∞"
        | "-∞" => {
            return Cell::Infinite;
        }
        "true" | "on" | "yes" => return Cell::Number(1.0),
        "false" | "off" | "no" => return Cell::Number(0.0),
        "n" | "neutral" if channel == Channel::Gear => return Cell::Number(0.0),
        "r" | "reverse" if channel == Channel::Gear => return Cell::Number(-1.0),
        _ => {}
    }
    if channel == Channel::Time
        && let Some(seconds) = clock(text, decimal).or_else(|| date_and_time(text, decimal))
    {
        return Cell::Number(seconds);
    }
    // Beyond the range of f64: all digits, but no finite value.
    let point = word.replace(decimal.byte() as char, ".");
    match point.parse::<f64>() {
        Ok(v) if v.is_infinite() => Cell::Infinite,
        _ => Cell::Text,
    }
}

/// Seconds of `h:mm:ss.sss` or `m:ss.sss`.
fn clock(text: &str, decimal: DecimalMark) -> Option<f64> {
    let parts: Vec<&str> = text.split(':').collect();
    let (hours, minutes, seconds) = match parts[..] {
        [m, s] => ("0", m, s),
        [h, m, s] => (h, m, s),
        _ => return None,
    };
    let whole = |s: &str| s.parse::<u32>().ok().map(f64::from);
    // Loggers write the seconds with either mark, whatever the other columns do.
    let mark = if seconds.contains(',') { b',' } else { b'.' };
    let mark = if seconds.contains(decimal.byte() as char) { decimal.byte() } else { mark };
    let (seconds, used) =
        leading_number(seconds.as_bytes(), mark).filter(|(s, _)| (0.0..60.0).contains(s))?;
    (used == parts[parts.len() - 1].len()).then_some(())?;
    Some(whole(hours)? * 3600.0 + whole(minutes)? * 60.0 + seconds)
}

/// Seconds since 1970 of `2026-01-31T12:00:00.5Z` or `2026-01-31 12:00:00,5` (ISO 8601, RFC 3339). Offsets from
/// universal time are taken as they are, since only differences count.
fn date_and_time(text: &str, decimal: DecimalMark) -> Option<f64> {
    let (date, time) = text.split_once(['T', 't', ' '])?;
    let mut parts = date.split('-').map(|p| p.parse::<i64>().ok());
    let (year, month, day) = (parts.next()??, parts.next()??, parts.next()??);
    if parts.next().is_some()
        || !(1..=12).contains(&month)
        || !(1..=31).contains(&day)
        || !(1..=9999).contains(&year)
    {
        return None;
    }
    let time = time.trim_end_matches(['Z', 'z']);
    let offset = time.rfind(['+', '-']).unwrap_or(time.len());
    Some(days_since_1970(year, month, day) as f64 * 86_400.0 + clock(&time[..offset], decimal)?)
}

/// Days from 1970-01-01 to a date of the Gregorian calendar: years that begin in March put the leap day at their end
/// `[ReingoldDershowitz2018]` ch. 2.
fn days_since_1970(year: i64, month: i64, day: i64) -> i64 {
    let (year, month) = if month > 2 { (year, month - 3) } else { (year - 1, month + 9) };
    let days_before_month = (153 * month + 2) / 5;
    365 * year + year / 4 - year / 100 + year / 400 + days_before_month + day - 1 - 719_468
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_have_their_meaning() {
        let speed = |s: &str| read(s.as_bytes(), DecimalMark::Point, Channel::Speed);
        assert_eq!(speed(" 12.5 "), Cell::Number(12.5));
        assert_eq!(speed(""), Cell::Missing);
        assert_eq!(speed("NaN"), Cell::Missing);
        assert_eq!(speed("-inf"), Cell::Infinite);
        assert_eq!(speed("1e999"), Cell::Infinite);
        assert_eq!(speed("true"), Cell::Number(1.0));
        assert_eq!(speed("R"), Cell::Text);
        assert_eq!(speed("1.2.3"), Cell::Text);
        assert_eq!(read(b"R", DecimalMark::Point, Channel::Gear), Cell::Number(-1.0));
        assert_eq!(read(b"\xB0", DecimalMark::Point, Channel::Gear), Cell::Text);
    }

    /// RFC 3339 section 5.8 and the well-known 1 000 000 000 s at 2001-09-09T01:46:40Z.
    #[test]
    fn dates_are_seconds_since_1970() {
        let time = |s: &str| read(s.as_bytes(), DecimalMark::Point, Channel::Time);
        assert_eq!(time("1970-01-01T00:00:00Z"), Cell::Number(0.0));
        assert_eq!(time("2001-09-09T01:46:40Z"), Cell::Number(1e9));
        assert_eq!(time("1985-04-12T23:20:50.52Z"), Cell::Number(482_196_050.52));
        assert_eq!(time("2001-09-09 01:46:40,5"), Cell::Number(1e9 + 0.5));
        assert_eq!(time("2001-09-09T01:46:40+02:00"), Cell::Number(1e9));
        assert_eq!(time("2000-02-29 00:00:00"), Cell::Number(951_782_400.0));
        assert_eq!(time("2001-13-09 01:46:40"), Cell::Text);
        assert_eq!(time("2001-09-09"), Cell::Text);
    }

    #[test]
    fn clock_times_are_seconds() {
        let time = |s: &str| read(s.as_bytes(), DecimalMark::Point, Channel::Time);
        assert_eq!(time("1:02.5"), Cell::Number(62.5));
        assert_eq!(time("12:00:01,25"), Cell::Number(43201.25));
        assert_eq!(time("1:75.0"), Cell::Text);
        assert_eq!(time("1:2:3:4"), Cell::Text);
        assert_eq!(read(b"0:01", DecimalMark::Point, Channel::Speed), Cell::Text);
    }
}
