//! The linear single-track car: closed forms that every bigger model must meet for small slip.
//!
//! ```text
//! m V (β̇ + r) = Y_β β + Y_r r + Cf δ        Y_β = −(Cf + Cr)   Y_r = (b Cr − a Cf)/V
//! Iz ṙ        = N_β β + N_r r + a Cf δ      N_β = b Cr − a Cf  N_r = −(a² Cf + b² Cr)/V
//! ```
//!
//! with the sideslip angle β of the centre of gravity and cornering stiffnesses C of whole axles \[N/rad\], positive.
//! Linear tyres, small angles, constant speed, no load transfer: good to about 4 m/s² on a dry road.
//!
//! # Source
//! `[Pacejka2012]` §1.3.2, `[Gillespie1992]` ch. 6, `[Wong2008]` ch. 5, `[ISO4138]`, `[ISO7401]`.

/// Single-track car.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SingleTrack {
    /// Mass \[kg\].
    pub mass_kg: f64,
    /// Yaw inertia \[kg m²\].
    pub yaw_inertia_kgm2: f64,
    /// Front axle to centre of gravity \[m\].
    pub a_m: f64,
    /// Centre of gravity to rear axle \[m\].
    pub b_m: f64,
    /// Cornering stiffness of the front axle \[N/rad\].
    pub front_npr: f64,
    /// Cornering stiffness of the rear axle \[N/rad\].
    pub rear_npr: f64,
}

/// What turns the steer gradient from under- to oversteer in numbers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum SpeedMark {
    /// Speed at which an understeering car needs twice the Ackermann angle \[m/s\].
    Characteristic(f64),
    /// Speed from which an oversteering car is unstable \[m/s\].
    Critical(f64),
    /// Neutral: no such speed.
    None,
}

/// A root of the characteristic equation, `real ± imaginary i` \[1/s\], or two real roots.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Roots {
    /// Oscillating: real part and size of the imaginary part.
    Pair(f64, f64),
    /// Not oscillating: the larger root first.
    Real(f64, f64),
}

impl SingleTrack {
    /// Wheelbase \[m\].
    #[must_use]
    pub fn wheelbase_m(&self) -> f64 {
        self.a_m + self.b_m
    }

    /// Understeer gradient over lateral acceleration, `K = m/L (b/Cf − a/Cr)` \[rad s²/m\].
    #[must_use]
    pub fn understeer_gradient(&self) -> f64 {
        self.mass_kg / self.wheelbase_m() * (self.b_m / self.front_npr - self.a_m / self.rear_npr)
    }

    /// Characteristic speed `√(L/K)` or critical speed `√(−L/K)`.
    #[must_use]
    pub fn speed_mark(&self) -> SpeedMark {
        let k = self.understeer_gradient();
        let mark = (self.wheelbase_m() / k.abs()).sqrt();
        if !mark.is_finite() || mark > 1e4 {
            SpeedMark::None
        } else if k > 0.0 {
            SpeedMark::Characteristic(mark)
        } else {
            SpeedMark::Critical(mark)
        }
    }

    /// Steer angle \[rad\] to hold a radius \[m\] (positive left) at a speed \[m/s\]: `δ = L/R + K V²/R`.
    #[must_use]
    pub fn steer_angle(&self, radius_m: f64, speed_mps: f64) -> f64 {
        (self.wheelbase_m() + self.understeer_gradient() * speed_mps * speed_mps) / radius_m
    }

    /// Steady yaw rate over steer angle \[1/s\]: `V/(L + K V²)`.
    #[must_use]
    pub fn yaw_gain_ps(&self, speed_mps: f64) -> f64 {
        speed_mps / (self.wheelbase_m() + self.understeer_gradient() * speed_mps * speed_mps)
    }

    /// Steady lateral acceleration over steer angle \[m/s² per rad\].
    #[must_use]
    pub fn lateral_gain(&self, speed_mps: f64) -> f64 {
        speed_mps * self.yaw_gain_ps(speed_mps)
    }

    /// Steady sideslip angle \[rad\] on a radius \[m\] (positive left): `β = (b − a m V²/(L Cr))/R`.
    #[must_use]
    pub fn sideslip(&self, radius_m: f64, speed_mps: f64) -> f64 {
        (self.b_m - self.a_m * self.mass_kg * speed_mps * speed_mps / (self.wheelbase_m() * self.rear_npr))
            / radius_m
    }

    /// Speed at which the steady sideslip angle passes zero \[m/s\].
    #[must_use]
    pub fn zero_sideslip_speed_mps(&self) -> f64 {
        (self.b_m * self.wheelbase_m() * self.rear_npr / (self.a_m * self.mass_kg)).sqrt()
    }

    /// System matrix of (β, r) at a speed \[m/s\], above 0.
    #[must_use]
    pub fn matrix(&self, speed_mps: f64) -> [[f64; 2]; 2] {
        let (v, cf, cr, a, b) = (speed_mps, self.front_npr, self.rear_npr, self.a_m, self.b_m);
        let (m, i) = (self.mass_kg, self.yaw_inertia_kgm2);
        [
            [-(cf + cr) / (m * v), (b * cr - a * cf) / (m * v * v) - 1.0],
            [(b * cr - a * cf) / i, -(a * a * cf + b * b * cr) / (i * v)],
        ]
    }

    /// Input vector of (β, r) for the steer angle.
    #[must_use]
    pub fn input(&self, speed_mps: f64) -> [f64; 2] {
        [self.front_npr / (self.mass_kg * speed_mps), self.a_m * self.front_npr / self.yaw_inertia_kgm2]
    }

    /// Natural frequency \[rad/s\] and damping ratio \[-\] at a speed \[m/s\]; `None` when unstable (no real
    /// frequency).
    #[must_use]
    pub fn frequency_and_damping(&self, speed_mps: f64) -> Option<(f64, f64)> {
        let m = self.matrix(speed_mps);
        let determinant = m[0][0] * m[1][1] - m[0][1] * m[1][0];
        (determinant > 0.0).then(|| {
            let frequency = determinant.sqrt();
            (frequency, -(m[0][0] + m[1][1]) / (2.0 * frequency))
        })
    }

    /// Roots of the characteristic equation at a speed \[m/s\].
    #[must_use]
    pub fn roots(&self, speed_mps: f64) -> Roots {
        let m = self.matrix(speed_mps);
        let half = 0.5 * (m[0][0] + m[1][1]);
        let inside = half * half - (m[0][0] * m[1][1] - m[0][1] * m[1][0]);
        if inside < 0.0 {
            Roots::Pair(half, (-inside).sqrt())
        } else {
            Roots::Real(half + inside.sqrt(), half - inside.sqrt())
        }
    }

    /// Yaw rate over steer angle at a frequency \[Hz\]: gain \[1/s\] and phase \[rad\].
    #[must_use]
    pub fn yaw_response(&self, speed_mps: f64, frequency_hz: f64) -> (f64, f64) {
        let (m, b) = (self.matrix(speed_mps), self.input(speed_mps));
        let w = std::f64::consts::TAU * frequency_hz;
        let determinant = m[0][0] * m[1][1] - m[0][1] * m[1][0];
        // r/δ = (b1 (iω − m00) + m10 b0) / (−ω² − iω tr + det).
        let top = (m[1][0] * b[0] - m[0][0] * b[1], w * b[1]);
        let bottom = (determinant - w * w, -w * (m[0][0] + m[1][1]));
        let gain = top.0.hypot(top.1) / bottom.0.hypot(bottom.1);
        (gain, top.1.atan2(top.0) - bottom.1.atan2(bottom.0))
    }

    /// Yaw rate \[rad/s\] at a time \[s\] after a unit step of the steer angle, exact.
    #[must_use]
    pub fn yaw_step(&self, speed_mps: f64, time_s: f64) -> f64 {
        let end = self.yaw_gain_ps(speed_mps);
        let slope = self.input(speed_mps)[1];
        // r(t) = end + e^{σt}(A c(t) + B s(t)), r(0) = 0, ṙ(0) = slope.
        match self.roots(speed_mps) {
            Roots::Pair(sigma, omega) => {
                let decay = (sigma * time_s).exp();
                let b = (slope + sigma * end) / omega;
                end + decay * (-end * (omega * time_s).cos() + b * (omega * time_s).sin())
            }
            Roots::Real(fast, slow) => {
                let spread = fast - slow;
                if spread.abs() < 1e-9 {
                    let decay = (fast * time_s).exp();
                    return end + decay * (-end + (slope + fast * end) * time_s);
                }
                let a = (slope + slow * end) / spread;
                end + a * (fast * time_s).exp() - (end + a) * (slow * time_s).exp()
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const G: f64 = 9.80665;

    fn close(got: f64, want: f64, tolerance: f64) {
        assert!((got - want).abs() <= tolerance, "{got} against {want}");
    }

    /// `[Wong2008]` example 5.1, inputs from memory, outputs recomputed.
    #[test]
    fn wong_example_5_1() {
        let weight_n = 20_105.0;
        let car = |front_tyre: f64| SingleTrack {
            mass_kg: weight_n / 9.81,
            yaw_inertia_kgm2: 3000.0,
            a_m: 2.8 * 0.465,
            b_m: 2.8 * 0.535,
            front_npr: 2.0 * front_tyre,
            rear_npr: 2.0 * 38_250.0,
        };
        let under = car(38_920.0);
        close(under.understeer_gradient() * 9.81, 0.01598, 1e-5);
        let SpeedMark::Characteristic(v) = under.speed_mark() else { panic!("understeers") };
        close(v, 41.5, 0.1);
        let over = car(47_820.0);
        close(over.understeer_gradient() * 9.81, -0.00974, 1e-5);
        let SpeedMark::Critical(v) = over.speed_mark() else { panic!("oversteers") };
        close(v, 53.1, 0.1);
    }

    /// `[Gillespie1992]` ch. 6, example 1, inputs from memory, outputs recomputed. Loads in lb, stiffness in lb/deg,
    /// interpolated in the example's tyre table at the load of one tyre.
    #[test]
    fn gillespie_chapter_6_example_1() {
        let table = [(225.0, 74.0), (425.0, 115.0), (625.0, 156.0), (925.0, 218.0), (1125.0, 260.0)];
        let stiffness = |load: f64| {
            table
                .windows(2)
                .find(|p| load <= p[1].0)
                .map(|p| p[0].1 + (load - p[0].0) / (p[1].0 - p[0].0) * (p[1].1 - p[0].1))
                .unwrap()
        };
        let (wf, wr, wheelbase_ft) = (1901.0, 1552.0, 100.6 / 12.0);
        let (cf, cr) = (stiffness(0.5 * wf), stiffness(0.5 * wr));
        close(cf, 223.4, 0.1);
        close(cr, 187.2, 0.1);
        // In feet, pounds and slugs: the closed forms hold in any consistent units.
        let g_ftps2 = 32.174;
        let lb_per_rad = |c: f64| 2.0 * c * 180.0 / std::f64::consts::PI;
        let car = SingleTrack {
            mass_kg: (wf + wr) / g_ftps2,
            yaw_inertia_kgm2: 1.0,
            a_m: wheelbase_ft * wr / (wf + wr),
            b_m: wheelbase_ft * wf / (wf + wr),
            front_npr: lb_per_rad(cf),
            rear_npr: lb_per_rad(cr),
        };
        close((car.understeer_gradient() * g_ftps2).to_degrees(), 0.1104, 1e-4);
        let SpeedMark::Characteristic(v) = car.speed_mark() else { panic!("understeers") };
        close(v, 374.0, 1.0);
        let v60 = 88.0;
        close(car.lateral_gain(v60) / g_ftps2 * 1_f64.to_radians(), 0.474, 1e-3);
        close(car.yaw_gain_ps(v60), 9.95, 0.01);
        close(car.sideslip(800.0, v60).to_degrees(), -0.916, 1e-3);
        for (radius, ackermann) in [(500.0, 0.96), (200.0, 2.40), (100.0, 4.80), (50.0, 9.61)] {
            close((wheelbase_ft / radius).to_degrees(), ackermann, 0.01);
        }
    }

    /// `[Pacejka2012]` table 1.1, inputs from memory, outputs recomputed.
    #[test]
    fn pacejka_table_1_1() {
        let car = SingleTrack {
            mass_kg: 1600.0,
            yaw_inertia_kgm2: 1600.0 * 1.5 * 1.5,
            a_m: 1.4,
            b_m: 1.6,
            front_npr: 60e3,
            rear_npr: 60e3,
        };
        close(car.understeer_gradient() * G, 0.01744, 1e-5);
        let SpeedMark::Characteristic(v) = car.speed_mark() else { panic!("understeers") };
        close(v, 41.08, 0.01);
        let Roots::Pair(re, im) = car.roots(30.0) else { panic!("oscillates") };
        close(re, -2.50556, 1e-5);
        close(im, 1.81811, 1e-5);
        let (wn, zeta) = car.frequency_and_damping(30.0).unwrap();
        close(wn, 3.09570, 1e-5);
        close(zeta, 0.80937, 1e-5);
        close(car.yaw_gain_ps(30.0), 6.52174, 1e-5);
    }

    /// A published exercise (numbers given there, outputs recomputed).
    #[test]
    fn exercise_with_short_wheelbase() {
        let car = SingleTrack {
            mass_kg: 1008.0,
            yaw_inertia_kgm2: 1031.0,
            a_m: 1.2,
            b_m: 1.0,
            front_npr: 117e3,
            rear_npr: 145e3,
        };
        close(car.understeer_gradient(), 1.242344e-4, 1e-10);
        let SpeedMark::Characteristic(v) = car.speed_mark() else { panic!("understeers") };
        close(v, 133.073, 1e-3);
        let radius = 10.0 * 10.0 / (0.5 * G);
        close(radius, 20.39432, 1e-5);
        close(car.steer_angle(radius, 10.0), 0.1084823, 1e-7);
        close(car.sideslip(radius, 10.0), 0.0304406, 1e-7);
        close(car.zero_sideslip_speed_mps(), 16.2396, 1e-4);
        close(car.frequency_and_damping(10.0).unwrap().1, 1.000385, 1e-6);
    }

    fn step_car() -> SingleTrack {
        SingleTrack {
            mass_kg: 1500.0,
            yaw_inertia_kgm2: 2500.0,
            a_m: 1.2,
            b_m: 1.5,
            front_npr: 90e3,
            rear_npr: 120e3,
        }
    }

    /// `[ISO7401]` measures of a step steer, reference values by SciPy (`scipy.signal.step`).
    #[test]
    fn step_steer_matches_scipy() {
        let (car, v) = (step_car(), 80.0 / 3.6);
        close(car.understeer_gradient(), 3.703704e-3, 1e-9);
        let (wn, zeta) = car.frequency_and_damping(v).unwrap();
        close(wn, 8.444837, 1e-6);
        close(zeta, 0.798879, 1e-6);
        let end = car.yaw_gain_ps(v);
        close(end, 4.906662, 1e-6);
        let times: Vec<f64> = (0..40_000).map(|i| f64::from(i) * 5e-5).collect();
        let t90 = times.iter().find(|&&t| car.yaw_step(v, t) >= 0.9 * end).unwrap();
        close(*t90, 0.17366, 1e-4);
        let peak = times.iter().max_by(|&&p, &&q| car.yaw_step(v, p).total_cmp(&car.yaw_step(v, q))).unwrap();
        close(*peak, 0.36051, 1e-4);
        close(100.0 * (car.yaw_step(v, *peak) / end - 1.0), 5.701, 1e-3);
        let frequencies: Vec<f64> = (1..4000).map(|i| f64::from(i) * 1e-3).collect();
        let top = frequencies
            .iter()
            .max_by(|&&p, &&q| car.yaw_response(v, p).0.total_cmp(&car.yaw_response(v, q).0))
            .unwrap();
        close(car.yaw_response(v, *top).0 / end, 1.02923, 1e-5);
        close(*top, 0.654, 1e-3);
        let cut = frequencies.iter().find(|&&f| car.yaw_response(v, f).0 < end / 2_f64.sqrt()).unwrap();
        close(*cut, 1.947, 2e-3);
        close(car.yaw_response(v, 1.0).1.to_degrees(), -31.62, 0.01);
    }

    /// `[ISO4138]` constant radius, 100 m.
    #[test]
    fn constant_radius_steer_angles() {
        let car = step_car();
        for (ay, deg) in [(0.0, 1.5470), (2.0, 1.9714), (4.0, 2.3958), (6.0, 2.8202)] {
            let speed = f64::sqrt(ay * 100.0);
            close(car.steer_angle(100.0, speed).to_degrees(), deg, 1e-4);
        }
    }

    /// Steady turn of a published parameter set (`[CommonRoad]` vehicle 2, its single-track model at rest in the
    /// turn): its stiffness is C·μ·Fz per axle.
    #[test]
    fn published_parameter_set_in_a_steady_turn() {
        let (m, a, b, mu, c) =
            (1_093.295_222_129_9, 1.156_195_681_2, 1.422_717_142_4, 1.0489, 21.92 / 1.0489);
        let g = 9.81;
        let l = a + b;
        let car = SingleTrack {
            mass_kg: m,
            yaw_inertia_kgm2: 1_791.599_528_9,
            a_m: a,
            b_m: b,
            front_npr: mu * c * m * g * b / l,
            rear_npr: mu * c * m * g * a / l,
        };
        // Equal stiffness over load at both axles: neutral.
        assert_eq!(car.speed_mark(), SpeedMark::None);
        let rate = 0.01 * car.yaw_gain_ps(20.0);
        close(rate, 0.07755206, 1e-6);
        close(car.sideslip(20.0 / rate, 20.0), -0.00169623, 2e-6);
    }
}
