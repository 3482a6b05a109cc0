//! A user's map from the columns of a source to the channel vocabulary.

use crate::names::near_channels;
use channels::Channel;
use serde::Deserialize;
use std::collections::BTreeMap;

/// What the user states about a source: which column is which channel, in which unit and with which sign.
///
/// Only what the file does not say by itself needs a line. A channel without `column` amends the column that was
/// recognised as that channel. The value of a channel is
///
/// ```text
/// sign · unit(column · scale + offset)
/// ```
///
/// with `scale` and `offset` in the stated unit, and `unit` its conversion into SI.
///
/// # Example
/// ```
/// let map = recording::Map::from_toml_str(r#"
///     separator = ";"
///     decimal_mark = ","
///     ignore = ["comment"]
///     fuel_density_kg_per_l = 0.745
///
///     [channels.accel_y]
///     column = "ay_g"
///     unit = "g"
///     sign = -1          # the source counts to the right
/// "#)?;
/// # Ok::<(), recording::MapError>(())
/// ```
///
/// Every key is described in `docs/map-file.md`.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Map {
    pub(crate) separator: Option<u8>,
    pub(crate) decimal_comma: Option<bool>,
    pub(crate) ignore: Vec<String>,
    pub(crate) fuel_density_kg_per_l: Option<f64>,
    pub(crate) rate_hz: Option<f64>,
    pub(crate) channels: BTreeMap<Channel, Entry>,
    pub(crate) source: Option<SourceMark>,
}

/// By what a source is known again: its name for the user, and the columns it writes.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct SourceMark {
    pub(crate) name: String,
    pub(crate) columns: Vec<String>,
}

/// What the map says about one channel.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Entry {
    pub(crate) column: Option<String>,
    pub(crate) unit: Option<String>,
    #[serde(default = "one")]
    pub(crate) sign: f64,
    #[serde(default = "one")]
    pub(crate) scale: f64,
    #[serde(default)]
    pub(crate) offset: f64,
    /// How late the channel runs \[s\]; taken off its time stamps.
    #[serde(default)]
    pub(crate) delay_s: f64,
}

impl Default for Entry {
    fn default() -> Self {
        Self { column: None, unit: None, sign: 1.0, scale: 1.0, offset: 0.0, delay_s: 0.0 }
    }
}

fn one() -> f64 {
    1.0
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawMap {
    separator: Option<String>,
    decimal_mark: Option<String>,
    #[serde(default)]
    ignore: Vec<String>,
    fuel_density_kg_per_l: Option<f64>,
    rate_hz: Option<f64>,
    source: Option<SourceMark>,
    #[serde(default)]
    channels: BTreeMap<String, Entry>,
}

/// A map file that cannot be used.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[allow(missing_docs)]
pub enum MapError {
    /// Not TOML, an unknown field, or a field of the wrong type; the text names field and line.
    #[error("map file: {message}")]
    Toml { message: String },
    /// A channel that is not in the vocabulary.
    #[error("map file: [channels.{found}]: there is no channel '{found}'; {near}")]
    UnknownChannel { found: String, near: String },
    /// A value out of range.
    #[error("map file: {field}: found {found}, expected {expected}")]
    Value { field: String, found: String, expected: &'static str },
}

impl Map {
    /// Reads a map from the text of a TOML file.
    ///
    /// # Errors
    /// [`MapError`], naming the field.
    pub fn from_toml_str(text: &str) -> Result<Self, MapError> {
        let text = text.strip_prefix('\u{feff}').unwrap_or(text);
        let raw: RawMap = toml::from_str(text)
            .map_err(|e| MapError::Toml { message: e.to_string().trim_end().to_owned() })?;
        let value = |field: &str, found: String, expected| MapError::Value {
            field: field.to_owned(),
            found,
            expected,
        };
        let separator = match raw.separator.as_deref() {
            None => None,
            Some("tab") => Some(b'\t'),
            Some(s) if s.len() == 1 && matches!(s.as_bytes()[0], b',' | b';' | b'\t' | b'|' | b':') => {
                Some(s.as_bytes()[0])
            }
            Some(s) => {
                return Err(value("separator", format!("'{s}'"), "one of ',', ';', '|', ':' or 'tab'"));
            }
        };
        let decimal_comma = match raw.decimal_mark.as_deref() {
            None => None,
            Some(".") => Some(false),
            Some(",") => Some(true),
            Some(s) => return Err(value("decimal_mark", format!("'{s}'"), "'.' or ','")),
        };
        if let Some(d) = raw.fuel_density_kg_per_l.filter(|d| !(0.3..=1.5).contains(d)) {
            return Err(value(
                "fuel_density_kg_per_l",
                d.to_string(),
                "kilograms per litre, 0.3 to 1.5 (petrol has about 0.75)",
            ));
        }
        let mut channels = BTreeMap::new();
        for (name, entry) in raw.channels {
            let channel: Channel = name.parse().map_err(|_| {
                let near = near_channels(&name);
                let near = match near.as_slice() {
                    [] => "`lapwright channels` lists the names".to_owned(),
                    names => format!("did you mean {}?", names.join(" or ")),
                };
                MapError::UnknownChannel { found: name.clone(), near }
            })?;
            let field = |key: &str| format!("[channels.{channel}] {key}");
            if entry.sign.abs() != 1.0 {
                return Err(value(&field("sign"), entry.sign.to_string(), "1 or -1"));
            }
            if !entry.scale.is_finite() || entry.scale == 0.0 {
                return Err(value(&field("scale"), entry.scale.to_string(), "a number other than 0"));
            }
            if !entry.offset.is_finite() {
                return Err(value(&field("offset"), entry.offset.to_string(), "a finite number"));
            }
            // Later than that is another drive.
            if !(-60.0..=60.0).contains(&entry.delay_s) {
                return Err(value(&field("delay_s"), entry.delay_s.to_string(), "seconds, -60 to 60"));
            }
            channels.insert(channel, entry);
        }
        Self {
            separator,
            decimal_comma,
            ignore: raw.ignore,
            fuel_density_kg_per_l: raw.fuel_density_kg_per_l,
            rate_hz: None,
            channels,
            source: raw.source,
        }
        .with_rate_hz(raw.rate_hz)
    }

    /// The same map with the sampling rate \[Hz\] of a file that has no time column; none leaves it as it is. A file that
    /// has a time column keeps it.
    ///
    /// # Errors
    /// [`MapError::Value`] unless the rate is a number from 0.1 to 1 000 000.
    pub fn with_rate_hz(mut self, rate_hz: Option<f64>) -> Result<Self, MapError> {
        if let Some(rate) = rate_hz {
            if !(0.1..=1e6).contains(&rate) {
                let expected = "samples per second, 0.1 to 1000000";
                return Err(MapError::Value {
                    field: "rate_hz".to_owned(),
                    found: rate.to_string(),
                    expected,
                });
            }
            self.rate_hz = rate_hz;
        }
        Ok(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn wrong_maps_are_told_what_is_wrong() {
        for (toml, parts) in [
            ("separater = ';'", &["separater", "separator", "line 1"][..]),
            ("separator = 'x'", &["separator: found 'x'", "'tab'"]),
            ("decimal_mark = ';'", &["decimal_mark: found ';'"]),
            ("fuel_density_kg_per_l = 745", &["fuel_density_kg_per_l: found 745"]),
            ("rate_hz = 0", &["rate_hz: found 0", "samples per second"]),
            ("[channels.sped]\nunit = 'm/s'", &["no channel 'sped'", "did you mean speed"]),
            ("[channels.qqqqqqqqqqq]", &["no channel 'qqqqqqqqqqq'", "lapwright channels"]),
            ("[channels.speed]\nunits = 'm/s'", &["units", "unit", "line 2"]),
            ("[channels.speed]\nsign = 2", &["[channels.speed] sign: found 2, expected 1 or -1"]),
            ("[channels.speed]\nscale = 0", &["[channels.speed] scale"]),
            ("[channels.speed]\noffset = inf", &["[channels.speed] offset"]),
            ("[channels.speed]\ncolumn = 3", &["line 2", "string"]),
            ("channels = [", &["line 1"]),
        ] {
            let message = Map::from_toml_str(toml).unwrap_err().to_string();
            for part in parts {
                assert!(message.contains(part), "{toml}: '{part}' is missing in: {message}");
            }
        }
    }

    #[test]
    fn an_empty_map_says_nothing() {
        assert_eq!(Map::from_toml_str("").unwrap(), Map::default());
    }
}
