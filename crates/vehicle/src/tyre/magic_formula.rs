//! The Magic Formula: pure and combined slip with load, camber and pressure.
//!
//! Equation numbers are those of `[Pacejka2012]` §4.3.2 (4.E1 to 4.E78); turn slip is left out (all ζ = 1) and
//! of the scaling factors only λ*μ is kept, as grip. Signs are ISO: slip angle positive when the contact patch
//! slides to the left, `α* = V_y/|V_x|`, slip ratio `κ = −V_sx/|V_x|` positive when driving, inclination γ
//! positive when the top leans to the right.
//!
//! Holds for moderate camber (below about 10°) and for loads in the measured range; beyond 3 times the nominal
//! load the coefficients are held so that grip keeps its sign.

use super::coefficients::{LOAD_SPAN, MagicFormula};

/// Which side of the car a tyre stands on: a left tyre is a mirrored right one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Mirrored.
    Left,
    /// As measured.
    Right,
}

/// Forces and moment that the road exerts on one tyre, in its own axes.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Forces {
    /// Longitudinal force \[N\], positive driving.
    pub fx_n: f64,
    /// Lateral force \[N\], positive to the left.
    pub fy_n: f64,
    /// Moment about the vertical \[N m\], positive to the left (an aligning moment opposes the slip angle's
    /// force: negative in a left turn).
    pub mz_nm: f64,
}

/// A tyre at one load, camber, pressure and grip: everything that does not depend on slip, worked out once.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LoadedTyre {
    mirror: f64,
    load_n: f64,
    // Longitudinal.
    cx: f64,
    dx: f64,
    ex: f64,
    ex_side: f64,
    kx: f64,
    bx: f64,
    shx: f64,
    svx: f64,
    // Lateral.
    cy: f64,
    dy: f64,
    ey: f64,
    ey_side: f64,
    ky: f64,
    by: f64,
    shy: f64,
    svy: f64,
    // Combined.
    bxa0: f64,
    rbx2: f64,
    cxa: f64,
    exa: f64,
    shxa: f64,
    byk0: f64,
    rby2: f64,
    rby3: f64,
    cyk: f64,
    eyk: f64,
    shyk: f64,
    dvyk0: f64,
    rvy4: f64,
    rvy5: f64,
    rvy6: f64,
    // Moment.
    bt: f64,
    ct: f64,
    dt: f64,
    et: f64,
    et_side: f64,
    sht: f64,
    br: f64,
    dr: f64,
    shf: f64,
    s0: f64,
    s_fy: f64,
}

/// `x − E (x − atan x)` with `x` = B times slip, the inner part of every formula here; E is kept at most 1.
#[inline]
fn bend(x: f64, e: f64) -> f64 {
    if e == 0.0 { x } else { x - e * (x - x.atan()) }
}

/// cos(atan z) and sin(atan z) without trigonometry.
#[inline]
fn cos_atan(z: f64) -> f64 {
    1.0 / (1.0 + z * z).sqrt()
}

impl MagicFormula {
    /// The tyre under a load \[N\], inclination \[rad\], gauge pressure \[Pa\] and grip factor λ*μ \[-\].
    ///
    /// A load below 1 N makes no force.
    #[must_use]
    pub fn loaded(
        &self,
        side: Side,
        load_n: f64,
        inclination_rad: f64,
        pressure_pa: f64,
        grip: f64,
    ) -> LoadedTyre {
        let c = self;
        let mirror = match side {
            Side::Left => -1.0,
            Side::Right => 1.0,
        };
        let fz = load_n.max(1.0);
        let fz0 = c.nominal_load_n;
        let share = (fz / fz0).clamp(LOAD_SPAN.0, LOAD_SPAN.1);
        let d = share - 1.0; // dfz, 4.E2a
        let dp = (pressure_pa - c.nominal_pressure_pa) / c.nominal_pressure_pa; // dpi, 4.E2b
        let g = mirror * inclination_rad.clamp(-0.3, 0.3);
        let (g_abs, g2) = (g.abs(), g * g);
        let grip = grip.max(0.01);
        let digressive = 10.0 * grip / (1.0 + 9.0 * grip); // λ'μ, 4.E8

        // Longitudinal, 4.E11 to 4.E18.
        let mux = floor_share(c.pdx1 + c.pdx2 * d, c.pdx1)
            * positive(1.0 + c.ppx3 * dp + c.ppx4 * dp * dp)
            * positive(1.0 - c.pdx3 * g2)
            * grip;
        let dx = mux * fz;
        let kx = fz
            * floor_share(c.pkx1 + c.pkx2 * d, c.pkx1)
            * (c.pkx3 * d).exp()
            * positive(1.0 + c.ppx1 * dp + c.ppx2 * dp * dp);
        // Lateral, 4.E21 to 4.E30.
        let muy = floor_share(c.pdy1 + c.pdy2 * d, c.pdy1)
            * positive(1.0 + c.ppy3 * dp + c.ppy4 * dp * dp)
            * positive(1.0 - c.pdy3 * g2)
            * grip;
        let dy = muy * fz;
        let peak_load = (c.pky2 + c.pky5 * g2) * positive(1.0 + c.ppy2 * dp);
        let ky = c.pky1
            * fz0
            * positive(1.0 + c.ppy1 * dp)
            * positive(1.0 - c.pky3 * g_abs)
            * sin_multiple_atan(c.pky4, share / peak_load)
            * (fz / (fz0 * share)); // keeps proportion to load beyond the span
        let kyg0 = fz * (c.pky6 + c.pky7 * d) * positive(1.0 + c.ppy5 * dp);
        let svyg = fz * (c.pvy3 + c.pvy4 * d) * g * digressive;
        let shy = c.phy1 + c.phy2 * d + (kyg0 * g - svyg) / ky;
        let svy = fz * (c.pvy1 + c.pvy2 * d) * digressive + svyg;
        let by = ky / (c.pcy1 * dy);
        // Moment, 4.E35 to 4.E47.
        let bt = (c.qbz1 + c.qbz2 * d + c.qbz3 * d * d).max(0.1)
            * positive(1.0 + c.qbz5 * g_abs + c.qbz6 * g2)
            / grip;
        LoadedTyre {
            mirror,
            load_n,
            cx: c.pcx1,
            dx,
            ex: c.pex1 + c.pex2 * d + c.pex3 * d * d,
            ex_side: c.pex4,
            kx,
            bx: kx / (c.pcx1 * dx),
            shx: c.phx1 + c.phx2 * d,
            svx: fz * (c.pvx1 + c.pvx2 * d) * digressive,
            cy: c.pcy1,
            dy,
            ey: (c.pey1 + c.pey2 * d) * (1.0 + c.pey5 * g2),
            ey_side: (c.pey1 + c.pey2 * d) * (c.pey3 + c.pey4 * g),
            ky,
            by,
            shy,
            svy,
            bxa0: c.rbx1 + c.rbx3 * g2,
            rbx2: c.rbx2,
            cxa: c.rcx1,
            exa: (c.rex1 + c.rex2 * d).min(1.0),
            shxa: c.rhx1,
            byk0: c.rby1 + c.rby4 * g2,
            rby2: c.rby2,
            rby3: c.rby3,
            cyk: c.rcy1,
            eyk: (c.rey1 + c.rey2 * d).min(1.0),
            shyk: c.rhy1 + c.rhy2 * d,
            dvyk0: dy * (c.rvy1 + c.rvy2 * d + c.rvy3 * g),
            rvy4: c.rvy4,
            rvy5: c.rvy5,
            rvy6: c.rvy6,
            bt,
            ct: c.qcz1,
            dt: fz * c.unloaded_radius_m / fz0
                * (c.qdz1 + c.qdz2 * d)
                * (1.0 - c.ppz1 * dp)
                * positive(1.0 + c.qdz3 * g_abs + c.qdz4 * g2),
            et: c.qez1 + c.qez2 * d + c.qez3 * d * d,
            et_side: c.qez4 + c.qez5 * g,
            sht: c.qhz1 + c.qhz2 * d + (c.qhz3 + c.qhz4 * d) * g,
            br: c.qbz9 / grip + c.qbz10 * by * c.pcy1,
            dr: fz
                * c.unloaded_radius_m
                * grip
                * (c.qdz6
                    + c.qdz7 * d
                    + ((c.qdz8 + c.qdz9 * d) * (1.0 + c.ppz2 * dp) + (c.qdz10 + c.qdz11 * d) * g_abs) * g),
            shf: shy + svy / ky,
            s0: c.unloaded_radius_m * (c.ssz1 + (c.ssz3 + c.ssz4 * d) * g),
            s_fy: c.unloaded_radius_m * c.ssz2 / fz0,
        }
    }
}

/// A factor that must not turn grip or stiffness round.
#[inline]
fn positive(factor: f64) -> f64 {
    factor.max(0.05)
}

/// Keeps at least a tenth of `base`, with its sign.
#[inline]
fn floor_share(value: f64, base: f64) -> f64 {
    if value / base < 0.1 { 0.1 * base } else { value }
}

/// `sin(n atan z)`; rational for the usual n = 2, kept positive.
#[inline]
fn sin_multiple_atan(n: f64, z: f64) -> f64 {
    if n == 2.0 { 2.0 * z / (1.0 + z * z) } else { (n * z.atan()).sin().max(0.02) }
}

impl LoadedTyre {
    /// Longitudinal slip stiffness Kxκ \[N\] at no slip, 4.E15.
    #[must_use]
    pub fn slip_stiffness_n(&self) -> f64 {
        self.kx
    }

    /// Cornering stiffness Kyα \[N/rad\], negative, 4.E25.
    #[must_use]
    pub fn cornering_stiffness_npr(&self) -> f64 {
        self.ky
    }

    /// Largest pure lateral force \[N\] without the camber shift, 4.E22.
    #[must_use]
    pub fn peak_lateral_n(&self) -> f64 {
        self.dy.abs()
    }

    /// Largest pure longitudinal force \[N\], 4.E12.
    #[must_use]
    pub fn peak_longitudinal_n(&self) -> f64 {
        self.dx
    }

    /// Pure longitudinal force \[N\], 4.E9.
    #[inline]
    fn fx_pure(&self, kappa: f64) -> f64 {
        let k = kappa + self.shx;
        let e = (self.ex * (1.0 - self.ex_side * k.signum())).min(1.0);
        self.dx * (self.cx * bend(self.bx * k, e).atan()).sin() + self.svx
    }

    /// Pure lateral force \[N\] of the unmirrored tyre, 4.E19.
    #[inline]
    fn fy_pure(&self, tan_alpha: f64) -> f64 {
        let a = tan_alpha + self.shy;
        let e = (self.ey - self.ey_side * a.signum()).min(1.0);
        self.dy * (self.cy * bend(self.by * a, e).atan()).sin() + self.svy
    }

    /// Forces and moment at slip ratio κ \[-\] and tan of the slip angle α* \[-\], 4.E50 to 4.E78.
    #[must_use]
    #[inline]
    pub fn forces(&self, kappa: f64, tan_alpha: f64) -> Forces {
        let (fx_n, fy_n, side) = self.plane(kappa, tan_alpha);
        let alpha = self.mirror * tan_alpha;
        // 4.E72 to 4.E78; cos'α is 1/√(1+α*²) away from standstill.
        let ratio = (self.kx / self.ky * kappa).powi(2);
        let at = alpha + self.sht;
        let at_eq = (at * at + ratio).sqrt().copysign(at);
        let x = self.bt * at_eq;
        let e = if self.et_side == 0.0 {
            self.et
        } else {
            self.et * (1.0 + self.et_side * std::f64::consts::FRAC_2_PI * (x * self.ct).atan())
        }
        .min(1.0);
        let cos_alpha = cos_atan(alpha);
        let trail = self.dt * (self.ct * bend(x, e).atan()).cos() * cos_alpha;
        let residual = if self.dr == 0.0 {
            0.0
        } else {
            let ar = alpha + self.shf;
            let ar_eq = (ar * ar + ratio).sqrt().copysign(ar);
            self.dr * cos_atan(self.br * ar_eq) * cos_alpha
        };
        let arm = self.s0 + self.s_fy * self.mirror * fy_n;
        let mz = -trail * side + residual + arm * fx_n;
        Forces { fx_n, fy_n, mz_nm: self.mirror * mz }
    }

    /// Longitudinal and lateral force alone \[N\]: [`LoadedTyre::forces`] without the moment.
    #[must_use]
    #[inline]
    pub fn forces_in_plane(&self, kappa: f64, tan_alpha: f64) -> (f64, f64) {
        let (fx, fy, _) = self.plane(kappa, tan_alpha);
        (fx, fy)
    }

    /// Fx, Fy, and the unmirrored lateral force without the part made by slip ratio (F'y, 4.E74).
    #[inline]
    fn plane(&self, kappa: f64, tan_alpha: f64) -> (f64, f64, f64) {
        if self.load_n < 1.0 {
            return (0.0, 0.0, 0.0);
        }
        let alpha = self.mirror * tan_alpha;
        // 4.E51 to 4.E57.
        let bxa = self.bxa0 * cos_atan(self.rbx2 * kappa);
        let weight = |b: f64, slip: f64, e: f64, c: f64| (c * bend(b * slip, e).atan()).cos();
        let mut gxa = weight(bxa, alpha + self.shxa, self.exa, self.cxa);
        if self.shxa != 0.0 {
            gxa /= weight(bxa, self.shxa, self.exa, self.cxa);
        }
        // 4.E59 to 4.E67.
        let byk = self.byk0 * cos_atan(self.rby2 * (alpha - self.rby3));
        let mut gyk = weight(byk, kappa + self.shyk, self.eyk, self.cyk);
        if self.shyk != 0.0 {
            gyk /= weight(byk, self.shyk, self.eyk, self.cyk);
        }
        let svyk = if self.dvyk0 == 0.0 {
            0.0
        } else {
            self.dvyk0 * cos_atan(self.rvy4 * alpha) * (self.rvy5 * (self.rvy6 * kappa).atan()).sin()
        };
        let fx = gxa.max(0.0) * self.fx_pure(kappa);
        let side = gyk.max(0.0) * self.fy_pure(alpha);
        (fx, self.mirror * (side + svyk), side)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// `[Pacejka2012]` table A3.1 with its shifts.
    fn table_a3_1() -> MagicFormula {
        MagicFormula {
            phx1: -0.002,
            phx2: 0.002,
            phy1: 0.003,
            phy2: -0.001,
            pvy1: 0.045,
            pvy2: -0.024,
            pey3: -0.083,
            ..MagicFormula::default()
        }
    }

    fn at(load_n: f64) -> LoadedTyre {
        table_a3_1().loaded(Side::Right, load_n, 0.0, 2.2e5, 1.0)
    }

    #[test]
    fn pure_slip_matches_table_a3_1_to_a_tenth_of_a_newton() {
        let tyre = at(4000.0);
        for (deg, expected) in [
            (-8.0, 3931.3),
            (-4.0, 2863.2),
            (-2.0, 1608.4),
            (0.0, 42.0),
            (2.0, -1505.5),
            (4.0, -2695.9),
            (8.0, -3627.1),
        ] {
            let got = tyre.forces(0.0, f64::to_radians(deg).tan()).fy_n;
            assert!((got - expected).abs() < 0.1, "Fy({deg}°) {got} against {expected}");
        }
        for (kappa, expected) in
            [(-0.1, -4681.1), (-0.02, -1804.5), (0.0, -172.0), (0.02, 1499.4), (0.1, 4642.1)]
        {
            let got = tyre.forces(kappa, 0.0).fx_n;
            assert!((got - expected).abs() < 0.1, "Fx({kappa}) {got} against {expected}");
        }
        assert!((tyre.cornering_stiffness_npr() + 46009.1).abs() < 0.1);
        assert!((tyre.slip_stiffness_n() - 86040.0).abs() < 0.1);
        let heavy = at(6000.0);
        let (fy, fx) = (heavy.forces(0.0, f64::to_radians(4.0).tan()).fy_n, heavy.forces(0.1, 0.0).fx_n);
        assert!((fy + 3502.5).abs() < 0.1, "{fy}");
        assert!((fx - 7020.2).abs() < 0.1, "{fx}");
    }

    #[test]
    fn a_left_tyre_mirrors_a_right_one() {
        let formula = table_a3_1();
        for (kappa, ta, camber) in [(0.03, 0.05, 0.02), (-0.1, -0.12, -0.05), (0.0, 0.3, 0.0)] {
            let right = formula.loaded(Side::Right, 3000.0, camber, 2.0e5, 0.9).forces(kappa, ta);
            let left = formula.loaded(Side::Left, 3000.0, -camber, 2.0e5, 0.9).forces(kappa, -ta);
            assert!((right.fx_n - left.fx_n).abs() < 1e-9);
            assert!((right.fy_n + left.fy_n).abs() < 1e-9);
            assert!((right.mz_nm + left.mz_nm).abs() < 1e-9);
        }
    }

    #[test]
    fn a_top_leaning_left_pushes_left_and_the_moment_aligns() {
        let formula = MagicFormula::default();
        let leaning = formula.loaded(Side::Right, 4000.0, -0.05, 2.2e5, 1.0).forces(0.0, 0.0);
        assert!(leaning.fy_n > 100.0, "camber thrust {}", leaning.fy_n);
        let slipping = formula.loaded(Side::Right, 4000.0, 0.0, 2.2e5, 1.0).forces(0.0, -0.05);
        assert!(slipping.fy_n > 0.0 && slipping.mz_nm < 0.0, "{slipping:?}");
    }
}
