//! The Magic Formula in its first published form, `[Bakker1987]`.
//!
//! Kept as the simplest printed formula with printed coefficients; nothing in a car file uses it.

/// Coefficients of one force: `y = D sin(C atan(B φ))`, `φ = (1−E) x + (E/B) atan(B x)`.
///
/// Loads in kN; slip angle in degrees or slip ratio in percent, as printed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coefficients {
    /// Shape factor C \[-\].
    pub shape: f64,
    /// `D = a1 Fz² + a2 Fz` \[N\].
    pub peak: [f64; 2],
    /// How the stiffness BCD follows load.
    pub stiffness: Stiffness,
    /// `E = a6 Fz² + a7 Fz + a8`.
    pub curvature: [f64; 3],
}

/// Stiffness BCD of a force over load (kN).
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Stiffness {
    /// Lateral: `a3 sin(a4 atan(a5 Fz))` \[N/deg\].
    Lateral([f64; 3]),
    /// Longitudinal: `(a3 Fz² + a4 Fz)/exp(a5 Fz)` \[N/%\].
    Longitudinal([f64; 3]),
}

impl Coefficients {
    /// Force \[N\] at a load \[kN\] and a slip (degrees or percent).
    #[must_use]
    pub fn force_n(&self, load_kn: f64, slip: f64) -> f64 {
        let f = load_kn;
        let d = self.peak[0] * f * f + self.peak[1] * f;
        let bcd = match self.stiffness {
            Stiffness::Lateral([a3, a4, a5]) => a3 * (a4 * (a5 * f).atan()).sin(),
            Stiffness::Longitudinal([a3, a4, a5]) => (a3 * f * f + a4 * f) / (a5 * f).exp(),
        };
        let b = bcd / (self.shape * d);
        let e = self.curvature[0] * f * f + self.curvature[1] * f + self.curvature[2];
        let phi = (1.0 - e) * slip + e / b * (b * slip).atan();
        d * (self.shape * (b * phi).atan()).sin()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Coefficients as published in `[Bakker1987]` (via an open code), values recomputed independently.
    #[test]
    fn first_magic_formula_matches_published_coefficients() {
        let lateral = Coefficients {
            shape: 1.30,
            peak: [-22.1, 1011.0],
            stiffness: Stiffness::Lateral([1078.0, 1.82, 0.208]),
            curvature: [0.0, -0.354, 0.707],
        };
        for (load, slip, expected) in [
            (4.0, 1.0, 1009.38),
            (4.0, 2.0, 1911.06),
            (4.0, 4.0, 3096.61),
            (4.0, 8.0, 3676.79),
            (4.0, 12.0, 3666.69),
            (2.0, 4.0, 1722.54),
            (6.0, 4.0, 3833.10),
        ] {
            let got = lateral.force_n(load, slip);
            assert!((got - expected).abs() < 0.01, "Fy({load} kN, {slip}°) {got} against {expected}");
        }
        let longitudinal = Coefficients {
            shape: 1.65,
            peak: [-21.3, 1144.0],
            stiffness: Stiffness::Longitudinal([49.6, 226.0, 0.069]),
            curvature: [-0.006, 0.056, 0.486],
        };
        for (slip, expected) in
            [(2.0, 2281.77), (5.0, 3823.68), (10.0, 4234.44), (20.0, 4014.76), (40.0, 3522.53)]
        {
            let got = longitudinal.force_n(4.0, slip);
            assert!((got - expected).abs() < 0.01, "Fx({slip} %) {got} against {expected}");
        }
    }
}
