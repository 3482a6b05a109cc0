//! A car file of either kind: a full car, or the grip-ellipse yardstick.

use crate::car::Car;
use crate::envelope::{Envelope, GripEllipse};
use crate::error::CarError;
use crate::ggv::{GgvOptions, GgvTable};

/// What a car file holds.
#[derive(Debug, Clone, PartialEq)]
pub enum CarFile {
    /// A full car.
    Car(Box<Car>),
    /// `[grip_ellipse]`: the yardstick of lap-time checks.
    GripEllipse(GripEllipse),
}

impl CarFile {
    /// Reads a car file of either kind; one with the table `[grip_ellipse]` is the yardstick.
    ///
    /// # Errors
    /// [`CarError`] naming the field or the line that is wrong.
    pub fn from_toml_str(text: &str) -> Result<Self, CarError> {
        let table: toml::Table = toml::from_str(text)?;
        if !table.contains_key("grip_ellipse") {
            return Car::from_toml_str(text).map(|car| Self::Car(Box::new(car)));
        }
        if let Some(other) = table.keys().find(|key| !matches!(key.as_str(), "grip_ellipse" | "name")) {
            return Err(CarError::Impossible {
                field: "grip_ellipse".to_owned(),
                reason: format!("stands beside [{other}]; a file holds either a full car or [grip_ellipse]"),
            });
        }
        GripEllipse::from_toml_str(text).map(Self::GripEllipse)
    }

    /// The envelope that lap planners ask; a full car's table is worked out here (some 0.1 s).
    #[must_use]
    pub fn envelope(&self, options: &GgvOptions) -> Box<dyn Envelope + Send> {
        match self {
            Self::Car(car) => Box::new(GgvTable::new(car, options)),
            Self::GripEllipse(ellipse) => Box::new(*ellipse),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn either_kind_is_read_and_a_mixture_refused() {
        let ellipse = "name = \"yardstick\"\n[grip_ellipse]\nmass_kg = 1300\nmu_x = 1.6\nmu_y = 1.55\npower_w = 3.8e5\n";
        assert!(matches!(CarFile::from_toml_str(ellipse), Ok(CarFile::GripEllipse(_))));
        assert!(matches!(CarFile::from_toml_str(crate::examples::GT), Ok(CarFile::Car(_))));
        let both = format!("{ellipse}[body]\nmass_kg = 1000\n");
        let message = CarFile::from_toml_str(&both).unwrap_err().to_string();
        assert!(message.contains("either a full car or [grip_ellipse]"), "{message}");
        assert!(CarFile::from_toml_str("not a car").is_err());
        let small = GgvOptions { speeds: 5, directions: 16, ..Default::default() };
        for text in [ellipse, crate::examples::TOURING] {
            let envelope = CarFile::from_toml_str(text).unwrap().envelope(&small);
            assert!((9.0..20.0).contains(&envelope.max_lateral(20.0, 0.0)));
        }
    }
}
