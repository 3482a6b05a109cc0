//! Grip envelopes: what acceleration the tyres can make at each speed.
//!
//! Everything that plans a lap (fixed line, minimum time, the demo's driver) asks a car through the
//! [`Envelope`] trait and gets values with exact first and second derivatives, so that Newton-type solvers
//! need no differences. Two kinds implement it: [`GripEllipse`], a closed form, and
//! the g-g-V table, made from a full car file.
//!
//! Accelerations are *tyre-made*: what the contact patches push, so the car's own acceleration is
//! `a_x = a_t − drag(V)`. Axes are ISO 8855: `a_t` forward, `a_y` to the left.

use serde::{Deserialize, Serialize};

use crate::error::{CarError, in_range};

/// Standard gravity as the yardstick car defines it, rounded \[m/s²\].
pub const ELLIPSE_GRAVITY_MPS2: f64 = 9.81;

/// A quantity that depends on speed alone, with its derivatives.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct AtSpeed {
    /// The quantity itself \[m/s²\].
    pub value: f64,
    /// First derivative with respect to speed \[1/s\].
    pub d: f64,
    /// Second derivative with respect to speed \[1/m\].
    pub dd: f64,
}

impl AtSpeed {
    /// A limit that never binds.
    pub const UNBOUNDED: Self = Self { value: f64::INFINITY, d: 0.0, dd: 0.0 };
}

/// Share of the grip in use, squared: 0 at rest, 1 on the limit, with derivatives.
///
/// Derivatives are ordered (speed, a_t, a_y).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Usage {
    /// Squared share of the grip \[-\]; at most 1 inside the envelope. Its square root grows in proportion
    /// to the acceleration along a fixed direction.
    pub value: f64,
    /// Gradient.
    pub gradient: [f64; 3],
    /// Symmetric matrix of second derivatives.
    pub hessian: [[f64; 3]; 3],
}

/// The largest tyre-made accelerations of a car by speed.
pub trait Envelope: Sync {
    /// Squared share of grip at a speed \[m/s\] (above 0) and tyre-made accelerations \[m/s²\].
    ///
    /// Smooth in all arguments (twice differentiable but at `a_t = a_y = 0`); symmetric in `a_y`; for a fixed
    /// direction it grows with the square of the acceleration. The engine's power is not in it: see
    /// [`Envelope::drive_limits`].
    fn usage(&self, speed_mps: f64, a_t_mps2: f64, a_y_mps2: f64) -> Usage;

    /// Upper limits of the tyre-made forward acceleration; each must hold. Two smooth limits instead of one
    /// minimum with a kink. An absent one is [`AtSpeed::UNBOUNDED`].
    fn drive_limits(&self, speed_mps: f64) -> [AtSpeed; 2];

    /// Deceleration by air drag and rolling resistance \[m/s²\], positive.
    fn drag(&self, speed_mps: f64) -> AtSpeed;

    /// Width of the car \[m\]; half of it is kept clear of both borders.
    fn width_m(&self) -> f64;

    /// Least and largest tyre-made longitudinal acceleration \[m/s²\] at a lateral acceleration, drive limits
    /// included; `None` where the lateral acceleration alone is beyond the grip.
    ///
    /// When grip leaves room only for braking (never the case at `a_y` within the grip at `a_t = 0`), `None`.
    fn longitudinal_range(&self, speed_mps: f64, a_y_mps2: f64) -> Option<(f64, f64)> {
        if self.usage(speed_mps, 0.0, a_y_mps2).value > 1.0 {
            return None;
        }
        let [first, second] = self.drive_limits(speed_mps);
        let brake = edge(|a_t| self.usage(speed_mps, a_t, a_y_mps2).value, -1.0);
        let drive = edge(|a_t| self.usage(speed_mps, a_t, a_y_mps2).value, 1.0);
        Some((brake, drive.min(first.value).min(second.value)))
    }

    /// Largest lateral acceleration \[m/s²\] at a tyre-made longitudinal acceleration; 0 where even straight
    /// ahead is beyond the grip.
    fn max_lateral(&self, speed_mps: f64, a_t_mps2: f64) -> f64 {
        if self.usage(speed_mps, a_t_mps2, 0.0).value > 1.0 {
            return 0.0;
        }
        edge(|a_y| self.usage(speed_mps, a_t_mps2, a_y).value, 1.0)
    }
}

/// Where `usage` first reaches 1 going from 0 in the direction of `sign`: doubling, then bisection to 1e-12.
fn edge(usage: impl Fn(f64) -> f64, sign: f64) -> f64 {
    let (mut inside, mut outside) = (0.0, 1.0);
    while usage(sign * outside) < 1.0 && outside < 1e4 {
        inside = outside;
        outside *= 2.0;
    }
    for _ in 0..60 {
        let middle = 0.5 * (inside + outside);
        if usage(sign * middle) <= 1.0 {
            inside = middle;
        } else {
            outside = middle;
        }
    }
    sign * inside
}

/// The yardstick car: an ellipse of grip that grows with downforce, and a power limit.
///
/// ```text
/// gz  = g + ρ·A_down·V²/(2m),  g = 9.81 m/s²
/// a_t = a_x + ρ·A_drag·V²/(2m)
/// (a_t/(μx·gz))² + (a_y/(μy·gz))² ≤ 1,   a_t ≤ drive_share·μx·gz,   a_t ≤ P/(m·V)
/// ```
///
/// In a car file it is the table `[grip_ellipse]` ([`GripEllipse::from_toml_str`]).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GripEllipse {
    /// Mass with driver and fuel \[kg\], 50..20000.
    pub mass_kg: f64,
    /// Longitudinal friction \[-\], 0.05..10.
    pub mu_x: f64,
    /// Lateral friction \[-\], 0.05..10.
    pub mu_y: f64,
    /// Downforce coefficient times area \[m²\], 0..20.
    #[serde(default)]
    pub downforce_area_m2: f64,
    /// Drag coefficient times area \[m²\], 0..10.
    #[serde(default)]
    pub drag_area_m2: f64,
    /// Power at the wheels \[W\], 1e3..5e6.
    pub power_w: f64,
    /// Share of the longitudinal grip that the driven wheels reach \[-\], 0.05..1.
    #[serde(default = "one")]
    pub drive_share: f64,
    /// Width of the car \[m\], 0..4.
    #[serde(default = "two")]
    pub width_m: f64,
    /// Air density \[kg/m³\], 0.3..2.
    #[serde(default = "sea_level_density")]
    pub air_density_kgpm3: f64,
}

fn one() -> f64 {
    1.0
}
fn two() -> f64 {
    2.0
}
fn sea_level_density() -> f64 {
    1.2
}

/// What may stand beside `[grip_ellipse]` in its file.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct EllipseFile {
    #[serde(default)]
    #[expect(dead_code, reason = "accepted so that a file may be named")]
    name: Option<String>,
    grip_ellipse: GripEllipse,
}

impl GripEllipse {
    /// Reads the table `[grip_ellipse]` of a car file.
    ///
    /// # Errors
    /// [`CarError`] when the text is not TOML, a field is missing or unknown, or a value is out of range.
    pub fn from_toml_str(text: &str) -> Result<Self, CarError> {
        let file: EllipseFile = toml::from_str(text)?;
        file.grip_ellipse.validate()?;
        Ok(file.grip_ellipse)
    }

    /// Checks every field against its range.
    ///
    /// # Errors
    /// [`CarError::OutOfRange`] naming the first field that is off.
    pub fn validate(&self) -> Result<(), CarError> {
        in_range("grip_ellipse.mass_kg", self.mass_kg, 50.0, 20_000.0)?;
        in_range("grip_ellipse.mu_x", self.mu_x, 0.05, 10.0)?;
        in_range("grip_ellipse.mu_y", self.mu_y, 0.05, 10.0)?;
        in_range("grip_ellipse.downforce_area_m2", self.downforce_area_m2, 0.0, 20.0)?;
        in_range("grip_ellipse.drag_area_m2", self.drag_area_m2, 0.0, 10.0)?;
        in_range("grip_ellipse.power_w", self.power_w, 1e3, 5e6)?;
        in_range("grip_ellipse.drive_share", self.drive_share, 0.05, 1.0)?;
        in_range("grip_ellipse.width_m", self.width_m, 0.0, 4.0)?;
        in_range("grip_ellipse.air_density_kgpm3", self.air_density_kgpm3, 0.3, 2.0)
    }

    /// Wheel load per mass, `gz` \[m/s²\].
    #[must_use]
    pub fn load_per_mass(&self, speed_mps: f64) -> AtSpeed {
        let c = 0.5 * self.air_density_kgpm3 * self.downforce_area_m2 / self.mass_kg;
        AtSpeed {
            value: ELLIPSE_GRAVITY_MPS2 + c * speed_mps * speed_mps,
            d: 2.0 * c * speed_mps,
            dd: 2.0 * c,
        }
    }
}

impl Envelope for GripEllipse {
    fn usage(&self, speed_mps: f64, a_t_mps2: f64, a_y_mps2: f64) -> Usage {
        let gz = self.load_per_mass(speed_mps);
        let inv = 1.0 / gz.value;
        let (wx, wy) = ((self.mu_x * gz.value).powi(-2), (self.mu_y * gz.value).powi(-2));
        let value = wx * a_t_mps2 * a_t_mps2 + wy * a_y_mps2 * a_y_mps2;
        let (ut, uy) = (2.0 * wx * a_t_mps2, 2.0 * wy * a_y_mps2);
        let log_slope = gz.d * inv;
        let uv = -2.0 * value * log_slope;
        let uvv = value * (6.0 * log_slope * log_slope - 2.0 * gz.dd * inv);
        let (uvt, uvy) = (-2.0 * ut * log_slope, -2.0 * uy * log_slope);
        Usage {
            value,
            gradient: [uv, ut, uy],
            hessian: [[uvv, uvt, uvy], [uvt, 2.0 * wx, 0.0], [uvy, 0.0, 2.0 * wy]],
        }
    }

    fn drive_limits(&self, speed_mps: f64) -> [AtSpeed; 2] {
        let gz = self.load_per_mass(speed_mps);
        let k = self.drive_share * self.mu_x;
        let v = speed_mps.max(1e-3);
        let power = self.power_w / (self.mass_kg * v);
        [
            AtSpeed { value: k * gz.value, d: k * gz.d, dd: k * gz.dd },
            AtSpeed { value: power, d: -power / v, dd: 2.0 * power / (v * v) },
        ]
    }

    fn drag(&self, speed_mps: f64) -> AtSpeed {
        let c = 0.5 * self.air_density_kgpm3 * self.drag_area_m2 / self.mass_kg;
        AtSpeed { value: c * speed_mps * speed_mps, d: 2.0 * c * speed_mps, dd: 2.0 * c }
    }

    fn width_m(&self) -> f64 {
        self.width_m
    }

    fn longitudinal_range(&self, speed_mps: f64, a_y_mps2: f64) -> Option<(f64, f64)> {
        let gz = self.load_per_mass(speed_mps).value;
        let lateral = a_y_mps2 / (self.mu_y * gz);
        let left = 1.0 - lateral * lateral;
        if left < 0.0 {
            return None;
        }
        let grip = self.mu_x * gz * left.sqrt();
        let [traction, power] = self.drive_limits(speed_mps);
        Some((-grip, grip.min(traction.value).min(power.value)))
    }

    fn max_lateral(&self, speed_mps: f64, a_t_mps2: f64) -> f64 {
        let gz = self.load_per_mass(speed_mps).value;
        let longitudinal = a_t_mps2 / (self.mu_x * gz);
        self.mu_y * gz * (1.0 - longitudinal * longitudinal).max(0.0).sqrt()
    }
}

/// Compares exact derivatives of an envelope with central differences; shared by the tests of all kinds.
#[cfg(test)]
pub(crate) fn assert_derivatives(envelope: &dyn Envelope, v: f64, a_t: f64, a_y: f64, tolerance: f64) {
    let exact = envelope.usage(v, a_t, a_y);
    let steps = [1e-3, 1e-3, 1e-3];
    for i in 0..3 {
        let mut plus = [v, a_t, a_y];
        let mut minus = plus;
        plus[i] += steps[i];
        minus[i] -= steps[i];
        let up = envelope.usage(plus[0], plus[1], plus[2]);
        let down = envelope.usage(minus[0], minus[1], minus[2]);
        let slope = (up.value - down.value) / (2.0 * steps[i]);
        assert!(
            (slope - exact.gradient[i]).abs() < tolerance,
            "gradient {i} at V {v}, a_t {a_t}, a_y {a_y}: {} against {slope}",
            exact.gradient[i]
        );
        for j in 0..3 {
            let bend = (up.gradient[j] - down.gradient[j]) / (2.0 * steps[i]);
            assert!(
                (bend - exact.hessian[i][j]).abs() < tolerance,
                "hessian {i}{j} at V {v}, a_t {a_t}, a_y {a_y}: {} against {bend}",
                exact.hessian[i][j]
            );
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn yardstick() -> GripEllipse {
        GripEllipse {
            mass_kg: 1300.0,
            mu_x: 1.6,
            mu_y: 1.55,
            downforce_area_m2: 3.0,
            drag_area_m2: 1.1,
            power_w: 380e3,
            drive_share: 0.62,
            width_m: 2.0,
            air_density_kgpm3: 1.2,
        }
    }

    #[test]
    fn derivatives_of_the_ellipse_match_differences() {
        for (v, a_t, a_y) in [(10.0, 3.0, -8.0), (40.0, -12.0, 9.0), (80.0, 2.0, 20.0)] {
            assert_derivatives(&yardstick(), v, a_t, a_y, 1e-6);
        }
    }

    #[test]
    fn circle_speed_with_downforce_matches_the_closed_form() {
        // Circle R 50 m, mu 1.3, ClA 3, rho 1.2041, m 1300: V = sqrt(mu g R / (1 - mu rho A R / 2m)).
        let car = GripEllipse { mu_y: 1.3, air_density_kgpm3: 1.2041, ..yardstick() };
        let expected_mps: f64 = (1.3 * 9.81 * 50.0 / (1.0 - 1.3 * 1.2041 * 3.0 * 50.0 / 2600.0_f64)).sqrt();
        let a_y = car.max_lateral(expected_mps, 0.0);
        assert!((a_y - expected_mps * expected_mps / 50.0).abs() < 1e-9, "got {a_y}");
    }

    #[test]
    fn closed_range_agrees_with_the_search_every_envelope_inherits() {
        struct Plain(GripEllipse);
        impl Envelope for Plain {
            fn usage(&self, v: f64, t: f64, y: f64) -> Usage {
                self.0.usage(v, t, y)
            }
            fn drive_limits(&self, v: f64) -> [AtSpeed; 2] {
                self.0.drive_limits(v)
            }
            fn drag(&self, v: f64) -> AtSpeed {
                self.0.drag(v)
            }
            fn width_m(&self) -> f64 {
                self.0.width_m()
            }
        }
        let (closed, plain) = (yardstick(), Plain(yardstick()));
        for (v, a_y) in [(5.0, 0.0), (30.0, 12.0), (70.0, -20.0)] {
            let (low, high) = closed.longitudinal_range(v, a_y).unwrap();
            let (low2, high2) = plain.longitudinal_range(v, a_y).unwrap();
            assert!((low - low2).abs() < 1e-9 && (high - high2).abs() < 1e-9);
            assert!((closed.max_lateral(v, -5.0) - plain.max_lateral(v, -5.0)).abs() < 1e-9);
        }
        assert!(plain.longitudinal_range(10.0, 30.0).is_none());
    }

    #[test]
    fn a_field_out_of_range_is_named_with_value_and_range() {
        let text = "[grip_ellipse]\nmass_kg = -5\nmu_x = 1.6\nmu_y = 1.5\npower_w = 3e5\n";
        let message = GripEllipse::from_toml_str(text).unwrap_err().to_string();
        assert!(message.contains("grip_ellipse.mass_kg") && message.contains("-5"), "{message}");
        let unknown = "[grip_ellipse]\nmass_kg = 900\nmu_x = 1\nmu_y = 1\npower_w = 3e5\nmuu = 1\n";
        assert!(GripEllipse::from_toml_str(unknown).unwrap_err().to_string().contains("muu"));
    }
}
