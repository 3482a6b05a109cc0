//! What can be wrong with a car file.

/// Reasons to refuse a car file.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CarError {
    /// Not TOML, a field is missing, misspelt or of the wrong kind; the message holds line and column.
    #[error("car file: {0}")]
    Toml(String),
    /// A number outside its allowed range, or not a number.
    #[error("car file: {field} is {value}, must be between {min} and {max}")]
    OutOfRange {
        /// Dotted path of the field as it stands in the file.
        field: String,
        /// What was found, in the file's unit.
        value: f64,
        /// Least allowed value.
        min: f64,
        /// Largest allowed value.
        max: f64,
    },
    /// Fields that are fine alone and impossible together.
    #[error("car file: {field}: {reason}")]
    Impossible {
        /// Dotted path of the field that should be changed first.
        field: String,
        /// What is impossible about it, with values.
        reason: String,
    },
}

impl From<toml::de::Error> for CarError {
    fn from(error: toml::de::Error) -> Self {
        Self::Toml(error.to_string().trim_end().to_owned())
    }
}

/// Refuses a value that is not finite or outside `min..=max`.
pub(crate) fn in_range(field: &str, value: f64, min: f64, max: f64) -> Result<(), CarError> {
    if value.is_finite() && (min..=max).contains(&value) {
        return Ok(());
    }
    Err(CarError::OutOfRange { field: field.to_owned(), value, min, max })
}
