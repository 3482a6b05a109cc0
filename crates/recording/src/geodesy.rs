//! Latitude and longitude as local metres.

use std::f64::consts::PI;

/// Semi-major axis \[m\] and flattening of WGS 84, defined. `[NGA-WGS84]` table 3.1.
const A_M: f64 = 6_378_137.0;
const FLATTENING: f64 = 1.0 / 298.257_223_563;

/// Radii of curvature of WGS 84 at a latitude \[rad\]: along the meridian and across it \[m\].
///
/// ```text
/// M = a (1 − e²) / (1 − e² sin² φ)^(3/2)      N = a / (1 − e² sin² φ)^(1/2)
/// ```
///
/// # Source
/// `[NGA-WGS84]` for the ellipsoid; the radii are standard geometry of an ellipse, from memory, checked against
/// `geographiclib` (see the tests).
fn radii_m(latitude_rad: f64) -> (f64, f64) {
    let e2 = FLATTENING * (2.0 - FLATTENING);
    let w2 = 1.0 - e2 * latitude_rad.sin().powi(2);
    (A_M * (1.0 - e2) / (w2 * w2.sqrt()), A_M / w2.sqrt())
}

/// A plane that touches the ellipsoid at one point: x to the east, y to the north.
///
/// Equirectangular with the radii of the point: exact along its parallel and meridian to first order. At 10 km from the
/// point a distance is wrong by about 0.1 % at middle latitudes; a circuit lies well within that.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LocalPlane {
    latitude_rad: f64,
    longitude_rad: f64,
    north_m_per_rad: f64,
    east_m_per_rad: f64,
}

impl LocalPlane {
    /// Plane that touches at a latitude and longitude \[rad\].
    #[must_use]
    pub fn at(latitude_rad: f64, longitude_rad: f64) -> Self {
        let (meridian_m, normal_m) = radii_m(latitude_rad);
        Self {
            latitude_rad,
            longitude_rad,
            north_m_per_rad: meridian_m,
            east_m_per_rad: normal_m * latitude_rad.cos(),
        }
    }

    /// East and north of the point \[m\].
    #[must_use]
    pub fn xy_m(self, latitude_rad: f64, longitude_rad: f64) -> (f64, f64) {
        // The shorter way round, for circuits near the antimeridian.
        let east = (longitude_rad - self.longitude_rad + PI).rem_euclid(2.0 * PI) - PI;
        (east * self.east_m_per_rad, (latitude_rad - self.latitude_rad) * self.north_m_per_rad)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `geographiclib` (WGS 84): metres per degree of latitude and longitude at 45°: 111131.778 and 78846.335, over one
    /// degree centred there for the latitude.
    #[test]
    fn metres_per_degree_agree_with_a_geodetic_library() {
        let plane = LocalPlane::at(45_f64.to_radians(), 0.0);
        let (x, _) = plane.xy_m(45_f64.to_radians(), 1_f64.to_radians());
        let (_, north) = plane.xy_m(45.5_f64.to_radians(), 0.0);
        let (_, south) = plane.xy_m(44.5_f64.to_radians(), 0.0);
        assert!((x - 78_846.335).abs() < 0.6, "{x}");
        assert!((north - south - 111_131.778).abs() < 0.6, "{}", north - south);
    }

    #[test]
    fn the_antimeridian_is_no_edge() {
        let plane = LocalPlane::at(0.0, 179.9_f64.to_radians());
        let (x, _) = plane.xy_m(0.0, -179.9_f64.to_radians());
        assert!((x - 0.2 * 111_319.49).abs() < 1.0, "{x}");
    }
}
