//! Units of files, and the factor and offset that turn them into SI.
//!
//! `si = (value + offset) * factor`, the offset being in the file's own unit: 0 °C is (0 + 273.15) K.
//! A symbol is matched without regard to blanks; case is kept where it carries meaning (`mPa` is no pressure that a tyre
//! has, but `Nm` and `nm` do differ) and folded as a last resort.

use std::fmt;

/// What kind of quantity a number is. Two units convert into one another only within one dimension.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
#[allow(missing_docs)]
pub enum Dimension {
    Time,
    Length,
    Speed,
    Acceleration,
    Angle,
    AngularRate,
    /// Share of a whole: pedals 0..1, slip, wear, force-feedback command.
    Ratio,
    Pressure,
    Temperature,
    Force,
    Torque,
    Mass,
    /// Litres of fuel and the like; becomes a mass only with a stated density.
    Volume,
    /// Plain counts: lap, gear.
    Count,
    /// 0 or 1.
    Flag,
}

impl Dimension {
    /// Symbol of the SI unit that values of this dimension are kept in.
    #[must_use]
    pub fn si_symbol(self) -> &'static str {
        match self {
            Self::Time => "s",
            Self::Length => "m",
            Self::Speed => "m/s",
            Self::Acceleration => "m/s2",
            Self::Angle => "rad",
            Self::AngularRate => "rad/s",
            Self::Ratio | Self::Count | Self::Flag => "-",
            Self::Pressure => "Pa",
            Self::Temperature => "K",
            Self::Force => "N",
            Self::Torque => "Nm",
            Self::Mass => "kg",
            Self::Volume => "m3",
        }
    }
}

impl fmt::Display for Dimension {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Time => "time",
            Self::Length => "length",
            Self::Speed => "speed",
            Self::Acceleration => "acceleration",
            Self::Angle => "angle",
            Self::AngularRate => "angular rate",
            Self::Ratio => "share",
            Self::Pressure => "pressure",
            Self::Temperature => "temperature",
            Self::Force => "force",
            Self::Torque => "torque",
            Self::Mass => "mass",
            Self::Volume => "volume",
            Self::Count => "count",
            Self::Flag => "flag",
        })
    }
}

/// A unit that a file may use.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// Symbol as this crate prints it, in plain ASCII.
    pub symbol: &'static str,
    /// Kind of quantity.
    pub dimension: Dimension,
    /// SI units per unit.
    pub factor: f64,
    /// Added to the file's value before the factor, in the file's unit. Only temperatures have one.
    pub offset: f64,
}

/// A unit symbol that is not in the table.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("unknown unit '{symbol}'; {}", self.hint())]
pub struct UnknownUnit {
    /// The symbol as found.
    pub symbol: String,
    /// Dimension that was wanted, when known.
    pub wanted: Option<Dimension>,
}

impl UnknownUnit {
    fn hint(&self) -> String {
        match self.wanted {
            Some(d) => format!(
                "known units of {d}: {}",
                units_of(d).map(|u| u.symbol).collect::<Vec<_>>().join(", ")
            ),
            None => "give the unit in a map file".to_owned(),
        }
    }
}

impl Unit {
    /// Finds a unit by its symbol, e.g. `km/h`, `deg/s`, `1/min`, `°C`.
    ///
    /// `wanted` settles symbols that stand for several quantities: `g` is an acceleration here, never a mass;
    /// `-`, the empty symbol and `1` fit a share, a count or a flag.
    ///
    /// # Errors
    /// [`UnknownUnit`] when the table has no such symbol for the wanted dimension.
    pub fn parse(symbol: &str, wanted: Option<Dimension>) -> Result<Self, UnknownUnit> {
        let clean = normalise(symbol);
        let fits = |u: &&(Unit, &[&str])| wanted.is_none_or(|d| u.0.dimension == d);
        let exact = |u: &&(Unit, &[&str])| u.0.symbol == clean || u.1.contains(&clean.as_str());
        let folded = |u: &&(Unit, &[&str])| {
            u.0.symbol.eq_ignore_ascii_case(&clean) || u.1.iter().any(|a| a.eq_ignore_ascii_case(&clean))
        };
        let found = TABLE.iter().filter(fits).find(exact).or_else(|| TABLE.iter().filter(fits).find(folded));
        found.map(|u| u.0).ok_or_else(|| UnknownUnit { symbol: symbol.to_owned(), wanted })
    }

    /// The SI unit of a dimension.
    #[must_use]
    pub fn si(dimension: Dimension) -> Self {
        Self { symbol: dimension.si_symbol(), dimension, factor: 1.0, offset: 0.0 }
    }

    /// Value in SI.
    #[must_use]
    pub fn to_si(self, value: f64) -> f64 {
        (value + self.offset) * self.factor
    }

    /// Value of this unit from SI.
    #[must_use]
    pub fn from_si(self, si: f64) -> f64 {
        si / self.factor - self.offset
    }
}

/// All units of a dimension.
pub fn units_of(dimension: Dimension) -> impl Iterator<Item = &'static Unit> {
    TABLE.iter().map(|(u, _)| u).filter(move |u| u.dimension == dimension)
}

/// Folds the spellings that differ only in typography: blanks, `²`, `·`, `º`/`˚`, `µ`.
fn normalise(symbol: &str) -> String {
    symbol
        .chars()
        .filter(|c| !c.is_whitespace())
        .filter_map(|c| match c {
            '²' => Some('2'),
            '³' => Some('3'),
            '·' | '⋅' | '*' | '^' => None,
            'º' | '˚' => Some('°'),
            '⁻' | '−' | '–' => Some('-'),
            _ => Some(c),
        })
        .collect()
}

const fn unit(symbol: &'static str, dimension: Dimension, factor: f64) -> Unit {
    Unit { symbol, dimension, factor, offset: 0.0 }
}

const fn shifted(symbol: &'static str, factor: f64, offset: f64) -> Unit {
    Unit { symbol, dimension: Dimension::Temperature, factor, offset }
}

use Dimension as D;
use std::f64::consts::PI;

const G: f64 = crate::STANDARD_GRAVITY_MPS2;
/// International pound \[kg\], exact. `[NIST-SP811]` appendix B.8.
const POUND: f64 = 0.453_592_37;
const INCH: f64 = 0.0254;

/// Factors are exact definitions from `[NIST-SP811]` appendix B and `[BIPM-SI]` tables 2, 4 and 8.
static TABLE: &[(Unit, &[&str])] = &[
    (unit("s", D::Time, 1.0), &["sec", "secs", "second", "seconds"]),
    (unit("ms", D::Time, 1e-3), &["msec", "millis", "milliseconds"]),
    (unit("us", D::Time, 1e-6), &["µs", "μs", "microseconds"]),
    (unit("ns", D::Time, 1e-9), &["nanoseconds"]),
    (unit("min", D::Time, 60.0), &["minutes"]),
    (unit("h", D::Time, 3600.0), &["hours"]),
    (unit("m", D::Length, 1.0), &["meter", "meters", "metre", "metres"]),
    (unit("mm", D::Length, 1e-3), &[]),
    (unit("cm", D::Length, 1e-2), &[]),
    (unit("km", D::Length, 1e3), &[]),
    (unit("in", D::Length, INCH), &["inch", "inches", "\""]),
    (unit("ft", D::Length, 0.3048), &["feet"]),
    (unit("mi", D::Length, 1609.344), &["mile", "miles"]),
    (unit("m/s", D::Speed, 1.0), &["mps", "ms-1"]),
    (unit("km/h", D::Speed, 1.0 / 3.6), &["kmh", "kph", "kmph", "kmh-1"]),
    (unit("mph", D::Speed, 0.44704), &["mi/h"]),
    (unit("mm/s", D::Speed, 1e-3), &["mmps"]),
    (unit("ft/s", D::Speed, 0.3048), &["fps"]),
    (unit("kn", D::Speed, 1852.0 / 3600.0), &["kt", "knot", "knots"]),
    (unit("m/s2", D::Acceleration, 1.0), &["mps2", "m/s/s", "ms-2"]),
    (unit("g", D::Acceleration, G), &["gn", "gs"]),
    (unit("rad", D::Angle, 1.0), &["radian", "radians"]),
    (unit("mrad", D::Angle, 1e-3), &[]),
    (unit("deg", D::Angle, PI / 180.0), &["°", "degree", "degrees"]),
    (unit("rev", D::Angle, 2.0 * PI), &["turn", "turns"]),
    (unit("rad/s", D::AngularRate, 1.0), &["radps", "rads-1"]),
    (unit("deg/s", D::AngularRate, PI / 180.0), &["°/s", "degps", "dps"]),
    (unit("1/min", D::AngularRate, 2.0 * PI / 60.0), &["rpm", "rev/min", "r/min", "min-1"]),
    (unit("Hz", D::AngularRate, 2.0 * PI), &["rev/s", "1/s"]),
    (unit("-", D::Ratio, 1.0), &["", "1", "ratio", "0..1", "0-1", "share"]),
    (unit("%", D::Ratio, 1e-2), &["percent", "pct"]),
    (unit("permille", D::Ratio, 1e-3), &["‰"]),
    (unit("Pa", D::Pressure, 1.0), &[]),
    (unit("hPa", D::Pressure, 1e2), &["mbar"]),
    (unit("kPa", D::Pressure, 1e3), &[]),
    (unit("MPa", D::Pressure, 1e6), &[]),
    (unit("bar", D::Pressure, 1e5), &[]),
    (unit("psi", D::Pressure, POUND * G / (INCH * INCH)), &["lbf/in2", "psig"]),
    (unit("K", D::Temperature, 1.0), &["kelvin"]),
    (shifted("degC", 1.0, 273.15), &["°C", "C", "celsius", "degrC"]),
    (shifted("degF", 5.0 / 9.0, 459.67), &["°F", "F", "fahrenheit"]),
    (unit("N", D::Force, 1.0), &["newton"]),
    (unit("kN", D::Force, 1e3), &[]),
    (unit("kgf", D::Force, G), &["kp"]),
    (unit("lbf", D::Force, POUND * G), &["lb"]),
    (unit("Nm", D::Torque, 1.0), &["newtonmetre"]),
    (unit("kNm", D::Torque, 1e3), &[]),
    (unit("lbfft", D::Torque, POUND * G * 0.3048), &["lb-ft", "lbft", "ft-lb"]),
    (unit("kg", D::Mass, 1.0), &[]),
    (unit("lb", D::Mass, POUND), &["lbs"]),
    (unit("m3", D::Volume, 1.0), &[]),
    (unit("l", D::Volume, 1e-3), &["L", "litre", "litres", "liter", "liters", "ltr"]),
    (unit("-", D::Count, 1.0), &["", "1", "count", "#", "no"]),
    (unit("-", D::Flag, 1.0), &["", "1", "bool", "flag", "0/1", "on/off"]),
];

#[cfg(test)]
mod tests {
    use super::*;

    fn si(symbol: &str, dimension: Dimension, value: f64) -> f64 {
        Unit::parse(symbol, Some(dimension)).unwrap().to_si(value)
    }

    /// `[NIST-SP811]` appendix B.8 and B.9, printed factors (seven digits; half a unit of the last one as tolerance).
    #[test]
    fn factors_agree_with_the_printed_table() {
        for (symbol, dimension, printed) in [
            ("psi", D::Pressure, 6.894_757e3),
            ("mph", D::Speed, 4.470_4e-1),
            ("km/h", D::Speed, 2.777_778e-1),
            ("kn", D::Speed, 5.144_444e-1),
            ("lbf", D::Force, 4.448_222),
            ("kgf", D::Force, 9.806_65),
            ("lb", D::Mass, 4.535_924e-1),
            ("ft", D::Length, 3.048e-1),
            ("mi", D::Length, 1.609_344e3),
            ("lbfft", D::Torque, 1.355_818),
            ("deg", D::Angle, 1.745_329e-2),
            ("rpm", D::AngularRate, 1.047_198e-1),
            ("bar", D::Pressure, 1e5),
        ] {
            let got = si(symbol, dimension, 1.0);
            assert!((got / printed - 1.0).abs() < 5e-7, "{symbol}: {got} against {printed}");
        }
    }

    /// `[NIST-SP811]` appendix B.8: T/K = t/°C + 273.15; T/K = (t/°F + 459.67)/1.8. Water boils at 212 °F.
    #[test]
    fn temperatures_have_their_zero_in_the_right_place() {
        assert!((si("°C", D::Temperature, 20.0) - 293.15).abs() < 1e-12);
        assert!((si("degF", D::Temperature, 212.0) - 373.15).abs() < 1e-9);
        assert!((Unit::parse("degF", None).unwrap().from_si(273.15) - 32.0).abs() < 1e-9);
    }

    #[test]
    fn spelling_does_not_matter_but_dimension_does() {
        assert_eq!(Unit::parse("m/s²", None).unwrap().symbol, "m/s2");
        assert_eq!(Unit::parse(" Km/H ", None).unwrap().symbol, "km/h");
        assert_eq!(Unit::parse("lb", Some(D::Force)).unwrap().symbol, "lbf");
        assert_eq!(Unit::parse("lb", Some(D::Mass)).unwrap().symbol, "lb");
        let wrong = Unit::parse("furlong", Some(D::Length)).unwrap_err();
        assert!(wrong.to_string().contains("known units of length: m, mm"), "{wrong}");
    }

    #[test]
    fn there_and_back_is_the_same_number() {
        for (u, _) in TABLE {
            for x in [-40.0, 0.0, 1.0, 123.456] {
                assert!((u.from_si(u.to_si(x)) - x).abs() < 1e-9, "{} {x}", u.symbol);
            }
        }
    }
}
