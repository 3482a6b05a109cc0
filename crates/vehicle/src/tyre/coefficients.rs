//! Coefficients of the Magic Formula, under their published names.

use serde::{Deserialize, Serialize};

use crate::error::{CarError, in_range};

/// Declares the coefficient struct once: name, default, meaning.
macro_rules! coefficients {
    ($($name:ident = $default:expr, $doc:literal;)*) => {
        /// Coefficients of the Magic Formula as in `[Pacejka2012]` §4.3.2, same names in lower case.
        ///
        /// All are dimensionless but `nominal_load_n`, `nominal_pressure_pa` and `unloaded_radius_m`. The
        /// defaults describe a passenger-car radial: pure-slip values of `[Pacejka2012]` table A3.1 without its
        /// shifts (so that a car runs straight), combined-slip and trail values from the same table from memory.
        #[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
        #[serde(deny_unknown_fields, default)]
        pub struct MagicFormula {
            /// Nominal load Fz0 \[N\], 200..30000.
            pub nominal_load_n: f64,
            /// Nominal gauge pressure p0 \[Pa\] (file: `nominal_pressure_bar`), 0.5..4 bar.
            #[serde(rename = "nominal_pressure_bar", with = "crate::units::bar")]
            pub nominal_pressure_pa: f64,
            /// Unloaded radius R0 \[m\], 0.1..1.
            pub unloaded_radius_m: f64,
            $(#[doc = $doc] pub $name: f64,)*
        }

        impl Default for MagicFormula {
            fn default() -> Self {
                Self {
                    nominal_load_n: 4000.0,
                    nominal_pressure_pa: 2.2e5,
                    unloaded_radius_m: 0.313,
                    $($name: $default,)*
                }
            }
        }

        impl MagicFormula {
            /// Every dimensionless coefficient with its name.
            fn named(&self) -> Vec<(&'static str, f64)> {
                vec![$((stringify!($name), self.$name),)*]
            }
        }
    };
}

coefficients! {
    pcx1 = 1.685, "Shape of Fx.";
    pdx1 = 1.210, "Longitudinal friction at nominal load.";
    pdx2 = -0.037, "Change of longitudinal friction with load.";
    pdx3 = 0.0, "Fall of longitudinal friction with camber squared \\[1/rad²\\].";
    pex1 = 0.344, "Curvature of Fx.";
    pex2 = 0.095, "Curvature of Fx, with load.";
    pex3 = -0.020, "Curvature of Fx, with load squared.";
    pex4 = 0.0, "Curvature of Fx, driving against braking.";
    pkx1 = 21.51, "Longitudinal slip stiffness over load.";
    pkx2 = -0.163, "Longitudinal slip stiffness, with load.";
    pkx3 = 0.245, "Longitudinal slip stiffness, exponent with load.";
    phx1 = 0.0, "Horizontal shift of Fx.";
    phx2 = 0.0, "Horizontal shift of Fx, with load.";
    pvx1 = 0.0, "Vertical shift of Fx.";
    pvx2 = 0.0, "Vertical shift of Fx, with load.";
    ppx1 = 0.0, "Slip stiffness with pressure.";
    ppx2 = 0.0, "Slip stiffness with pressure squared.";
    ppx3 = 0.0, "Longitudinal friction with pressure.";
    ppx4 = 0.0, "Longitudinal friction with pressure squared.";
    pcy1 = 1.193, "Shape of Fy.";
    pdy1 = -0.990, "Lateral friction at nominal load; its sign follows the source and cancels out.";
    pdy2 = 0.145, "Change of lateral friction with load.";
    pdy3 = 0.0, "Fall of lateral friction with camber squared \\[1/rad²\\].";
    pey1 = -1.003, "Curvature of Fy.";
    pey2 = -0.537, "Curvature of Fy, with load.";
    pey3 = 0.0, "Curvature of Fy, side to side.";
    pey4 = 0.0, "Curvature of Fy, side to side with camber.";
    pey5 = 0.0, "Curvature of Fy, with camber squared.";
    pky1 = -14.95, "Greatest cornering stiffness over nominal load; negative (force against slip).";
    pky2 = 2.130, "Load of the greatest cornering stiffness over nominal load.";
    pky3 = 0.0, "Cornering stiffness with camber.";
    pky4 = 2.0, "Shape of cornering stiffness over load.";
    pky5 = 0.0, "Load of the greatest stiffness, with camber squared.";
    pky6 = -0.92, "Camber stiffness over load; negative (force towards the lean).";
    pky7 = -0.24, "Camber stiffness, with load.";
    phy1 = 0.0, "Horizontal shift of Fy (ply steer).";
    phy2 = 0.0, "Horizontal shift of Fy, with load.";
    pvy1 = 0.0, "Vertical shift of Fy (conicity).";
    pvy2 = 0.0, "Vertical shift of Fy, with load.";
    pvy3 = -0.33, "Vertical shift of Fy, with camber.";
    pvy4 = 0.0, "Vertical shift of Fy, with camber and load.";
    ppy1 = 0.0, "Cornering stiffness with pressure.";
    ppy2 = 0.0, "Load of greatest cornering stiffness with pressure.";
    ppy3 = 0.0, "Lateral friction with pressure.";
    ppy4 = 0.0, "Lateral friction with pressure squared.";
    ppy5 = 0.0, "Camber stiffness with pressure.";
    rbx1 = 12.35, "Fall of Fx with slip angle.";
    rbx2 = -10.77, "Fall of Fx with slip angle, with slip ratio.";
    rbx3 = 0.0, "Fall of Fx with slip angle, with camber.";
    rcx1 = 1.092, "Shape of the fall of Fx.";
    rex1 = 0.0, "Curvature of the fall of Fx.";
    rex2 = 0.0, "Curvature of the fall of Fx, with load.";
    rhx1 = 0.0, "Shift of the fall of Fx.";
    rby1 = 6.461, "Fall of Fy with slip ratio.";
    rby2 = 4.196, "Fall of Fy with slip ratio, with slip angle.";
    rby3 = 0.0, "Shift of that slip angle.";
    rby4 = 0.0, "Fall of Fy with slip ratio, with camber.";
    rcy1 = 1.081, "Shape of the fall of Fy.";
    rey1 = 0.0, "Curvature of the fall of Fy.";
    rey2 = 0.0, "Curvature of the fall of Fy, with load.";
    rhy1 = 0.0, "Shift of the fall of Fy.";
    rhy2 = 0.0, "Shift of the fall of Fy, with load.";
    rvy1 = 0.0, "Fy made by slip ratio.";
    rvy2 = 0.0, "Fy made by slip ratio, with load.";
    rvy3 = 0.0, "Fy made by slip ratio, with camber.";
    rvy4 = 0.0, "Fy made by slip ratio, with slip angle.";
    rvy5 = 0.0, "Fy made by slip ratio, shape.";
    rvy6 = 0.0, "Fy made by slip ratio, stiffness.";
    qbz1 = 8.964, "Fall of pneumatic trail with slip angle.";
    qbz2 = -1.106, "Fall of trail, with load.";
    qbz3 = -0.842, "Fall of trail, with load squared.";
    qbz5 = 0.0, "Fall of trail, with camber.";
    qbz6 = 0.0, "Fall of trail, with camber squared.";
    qbz9 = 0.0, "Fall of the residual moment.";
    qbz10 = 0.0, "Fall of the residual moment, with By Cy.";
    qcz1 = 1.180, "Shape of the trail.";
    qdz1 = 0.100, "Trail over radius.";
    qdz2 = -0.001, "Trail, with load.";
    qdz3 = 0.0, "Trail, with camber.";
    qdz4 = 0.0, "Trail, with camber squared.";
    qdz6 = 0.0, "Residual moment.";
    qdz7 = 0.0, "Residual moment, with load.";
    qdz8 = 0.0, "Residual moment, with camber.";
    qdz9 = 0.0, "Residual moment, with camber and load.";
    qdz10 = 0.0, "Residual moment, with camber squared.";
    qdz11 = 0.0, "Residual moment, with camber squared and load.";
    qez1 = -1.609, "Curvature of the trail.";
    qez2 = -0.359, "Curvature of the trail, with load.";
    qez3 = 0.0, "Curvature of the trail, with load squared.";
    qez4 = 0.0, "Curvature of the trail, side to side.";
    qez5 = 0.0, "Curvature of the trail, side to side with camber.";
    qhz1 = 0.0, "Shift of the trail.";
    qhz2 = 0.0, "Shift of the trail, with load.";
    qhz3 = 0.0, "Shift of the trail, with camber.";
    qhz4 = 0.0, "Shift of the trail, with camber and load.";
    ppz1 = 0.0, "Trail with pressure.";
    ppz2 = 0.0, "Residual moment with pressure.";
    ssz1 = 0.0, "Arm of Fx over radius.";
    ssz2 = 0.0, "Arm of Fx, with Fy.";
    ssz3 = 0.0, "Arm of Fx, with camber.";
    ssz4 = 0.0, "Arm of Fx, with camber and load.";
}

/// Loads over nominal at which grip and stiffness must keep their sign; beyond, [`super::LoadedTyre`] holds the
/// coefficients.
pub(super) const LOAD_SPAN: (f64, f64) = (0.02, 3.0);

impl MagicFormula {
    /// Checks that every coefficient is a number and that grip and stiffness keep their sign over the loads a
    /// car sees. `path` is the place in the car file.
    ///
    /// # Errors
    /// [`CarError`] naming the coefficient.
    pub fn validate(&self, path: &str) -> Result<(), CarError> {
        in_range(&format!("{path}.nominal_load_n"), self.nominal_load_n, 200.0, 30_000.0)?;
        in_range(
            &format!("{path}.nominal_pressure_bar"),
            crate::units::bar::from_si(self.nominal_pressure_pa),
            0.5,
            4.0,
        )?;
        in_range(&format!("{path}.unloaded_radius_m"), self.unloaded_radius_m, 0.1, 1.0)?;
        for (name, value) in self.named() {
            in_range(&format!("{path}.{name}"), value, -200.0, 200.0)?;
        }
        in_range(&format!("{path}.pcx1"), self.pcx1, 0.5, 2.5)?;
        in_range(&format!("{path}.pcy1"), self.pcy1, 0.5, 2.5)?;
        in_range(&format!("{path}.pdx1"), self.pdx1, 0.05, 6.0)?;
        in_range(&format!("{path}.pky1"), self.pky1, -120.0, -1.0)?;
        in_range(&format!("{path}.pky2"), self.pky2, 0.2, 20.0)?;
        in_range(&format!("{path}.pky4"), self.pky4, 0.5, 3.0)?;
        in_range(&format!("{path}.pkx1"), self.pkx1, 1.0, 150.0)?;
        in_range(&format!("{path}.pdy1 (its size)"), self.pdy1.abs(), 0.05, 6.0)?;
        // Linear in load, so the end of the span tells.
        for (name, base, slope) in
            [("pdx2", self.pdx1, self.pdx2), ("pdy2", self.pdy1, self.pdy2), ("pkx2", self.pkx1, self.pkx2)]
        {
            for load in [LOAD_SPAN.0, 2.5] {
                let share = (base + slope * (load - 1.0)) / base;
                if share < 0.1 {
                    return Err(CarError::Impossible {
                        field: format!("{path}.{name}"),
                        reason: format!(
                            "{slope} leaves {:.0} % of the grip or stiffness at {load} times the nominal load \
                             ({} is {base}); bring it nearer to 0",
                            100.0 * share,
                            name.replace('2', "1"),
                        ),
                    });
                }
            }
        }
        Ok(())
    }
}
