//! Units of the car file: people write degrees, bar, °C and rpm; inside everything is SI.
//!
//! Each module is a serde `with` adapter, so a field `camber_rad` stands in the file as `camber_deg`.

/// Offset between °C and K.
pub(crate) const CELSIUS_ZERO_K: f64 = 273.15;

macro_rules! adapter {
    ($(#[$doc:meta])* $name:ident, $to_si:expr, $from_si:expr) => {
        $(#[$doc])*
        pub(crate) mod $name {
            use serde::{Deserialize, Deserializer, Serializer};

            pub(crate) fn to_si(x: f64) -> f64 {
                let convert: fn(f64) -> f64 = $to_si;
                convert(x)
            }
            pub(crate) fn from_si(x: f64) -> f64 {
                let convert: fn(f64) -> f64 = $from_si;
                convert(x)
            }
            pub(crate) fn serialize<S: Serializer>(x: &f64, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.serialize_f64(from_si(*x))
            }
            pub(crate) fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<f64, D::Error> {
                f64::deserialize(deserializer).map(to_si)
            }
        }
    };
}

adapter!(
    /// Degrees in the file, radians inside.
    degrees,
    f64::to_radians,
    f64::to_degrees
);
adapter!(
    /// °C in the file, kelvin inside.
    celsius,
    |c| c + 273.15,
    |k| k - 273.15
);
adapter!(
    /// Bar in the file, pascal inside.
    bar,
    |b| b * 1e5,
    |pa| pa / 1e5
);
adapter!(
    /// Revolutions per minute in the file, rad/s inside.
    rpm,
    |n| n * std::f64::consts::PI / 30.0,
    |w| w * 30.0 / std::f64::consts::PI
);

/// A pair of pressures, bar in the file, pascal inside.
pub(crate) mod bar_pair {
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub(crate) fn serialize<S: Serializer>(pair: &[f64; 2], serializer: S) -> Result<S::Ok, S::Error> {
        pair.map(super::bar::from_si).serialize(serializer)
    }
    pub(crate) fn deserialize<'de, D: Deserializer<'de>>(deserializer: D) -> Result<[f64; 2], D::Error> {
        <[f64; 2]>::deserialize(deserializer).map(|pair| pair.map(super::bar::to_si))
    }
}
