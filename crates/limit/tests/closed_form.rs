//! Quasi-steady-state laps against closed forms and high-accuracy integrations.

use std::f64::consts::{PI, TAU};

use limit::geometry::ClosedCurve;
use limit::{Line, fixed_line};
use vehicle::envelope::{AtSpeed, Envelope, GripEllipse, Usage};

const G: f64 = 9.806_65;

/// The same acceleration in all directions, no drag, no power limit.
struct Isotropic(f64);

impl Envelope for Isotropic {
    fn usage(&self, _: f64, a_t: f64, a_y: f64) -> Usage {
        let w = 1.0 / (self.0 * self.0);
        Usage {
            value: w * (a_t * a_t + a_y * a_y),
            gradient: [0.0, 2.0 * w * a_t, 2.0 * w * a_y],
            hessian: [[0.0; 3], [0.0, 2.0 * w, 0.0], [0.0, 0.0, 2.0 * w]],
        }
    }
    fn drive_limits(&self, _: f64) -> [AtSpeed; 2] {
        [AtSpeed::UNBOUNDED; 2]
    }
    fn drag(&self, _: f64) -> AtSpeed {
        AtSpeed::default()
    }
    fn width_m(&self) -> f64 {
        0.0
    }
}

/// Lateral, drive and brake limits that hardly share the grip: a box with its corners rounded by a high power.
struct Separate {
    lateral: f64,
    drive: f64,
    brake: f64,
}

impl Envelope for Separate {
    fn usage(&self, _: f64, a_t: f64, a_y: f64) -> Usage {
        const P: i32 = 60;
        let (x, y) = (a_t.abs() / if a_t > 0.0 { self.drive } else { self.brake }, a_y.abs() / self.lateral);
        let sum = x.powi(P) + y.powi(P);
        let by = 2.0 * sum.max(1e-300).powf(2.0 / f64::from(P) - 1.0);
        Usage {
            value: sum.powf(2.0 / f64::from(P)),
            gradient: [0.0, by * x.powi(P) / a_t, by * y.powi(P) / a_y],
            // Quasi-steady-state laps need no second derivatives.
            hessian: [[f64::NAN; 3]; 3],
        }
    }
    fn drive_limits(&self, _: f64) -> [AtSpeed; 2] {
        [AtSpeed { value: self.drive, d: 0.0, dd: 0.0 }, AtSpeed::UNBOUNDED]
    }
    fn drag(&self, _: f64) -> AtSpeed {
        AtSpeed::default()
    }
    fn width_m(&self) -> f64 {
        0.0
    }
}

fn polar(n: usize, radius: impl Fn(f64) -> f64) -> ClosedCurve {
    let (x, y): (Vec<f64>, Vec<f64>) = (0..n)
        .map(|i| {
            let t = TAU * i as f64 / n as f64;
            (radius(t) * t.cos(), radius(t) * t.sin())
        })
        .unzip();
    ClosedCurve::through(&x, &y).expect("points are apart")
}

fn ellipse() -> ClosedCurve {
    let (x, y): (Vec<f64>, Vec<f64>) = (0..600)
        .map(|i| {
            let t = TAU * f64::from(i) / 600.0;
            (200.0 * t.cos(), 100.0 * t.sin())
        })
        .unzip();
    ClosedCurve::through(&x, &y).expect("points are apart")
}

/// A line whose curvature is given node by node.
fn line(step_m: f64, curvature_radpm: Vec<f64>) -> Line {
    let n = curvature_radpm.len();
    Line { step_m: vec![step_m; n], curvature_radpm, x_m: vec![0.0; n], y_m: vec![0.0; n] }
}

#[test]
fn a_circle_is_driven_at_the_closed_form_speed() {
    // R 50 m, mu 1.3, no aero: V = sqrt(mu g R) = 25.24742 m/s, T = 12.44322 s (closed form).
    let lap = fixed_line(&Isotropic(1.3 * G), &Line::on_curve(&polar(300, |_| 50.0), 3.0)).unwrap();
    assert!((lap.lap_time_s - 12.44322).abs() < 1e-4, "{}", lap.lap_time_s);
    assert!(lap.speed_mps.iter().all(|v| (v - 25.24742).abs() < 2e-3));
}

#[test]
fn a_circle_with_downforce_is_driven_at_the_closed_form_speed() {
    // V = sqrt(mu g R / (1 - mu rho A R / 2m)); with g 9.80665 it is 26.47096 m/s, with the car's 9.81 the
    // root of 9.81/9.80665 more.
    let car = GripEllipse {
        mass_kg: 1300.0,
        mu_x: 1.3,
        mu_y: 1.3,
        downforce_area_m2: 3.0,
        drag_area_m2: 0.0,
        power_w: 1e6,
        drive_share: 1.0,
        width_m: 0.0,
        air_density_kgpm3: 1.2041,
    };
    let lap = fixed_line(&car, &line(TAU * 50.0 / 120.0, vec![0.02; 120])).unwrap();
    let expected = 11.86807 * (G / 9.81_f64).sqrt();
    assert!((lap.lap_time_s - expected).abs() < 1e-5, "{} against {expected}", lap.lap_time_s);
}

#[test]
fn a_stadium_is_driven_at_the_closed_form_time() {
    // Half circles of 60 m, straights of 400 m, 1.2 g lateral, 4 m/s² drive, 1.2 g brake, not combined:
    // corner 26.57214 m/s, peak 55.62650 m/s, T = 33.65250 s; brake for drive: 73.57493 m/s, 30.16396 s.
    let step = 0.05;
    let (corner, straight) = ((PI * 60.0 / step).round() as usize, 8000);
    let half = || std::iter::repeat_n(1.0 / 60.0, corner).chain(std::iter::repeat_n(0.0, straight));
    let mut path = line(step, half().chain(half()).collect());
    for k in 0..path.step_m.len() {
        if path.curvature_radpm[k] > 0.0 {
            path.step_m[k] = PI * 60.0 / corner as f64;
        }
    }
    let car = Separate { lateral: 1.2 * G, drive: 4.0, brake: 1.2 * G };
    let lap = fixed_line(&car, &path).unwrap();
    assert!((lap.lap_time_s - 33.6525).abs() < 4e-3, "{}", lap.lap_time_s);
    let peak = lap.speed_mps.iter().copied().fold(0.0, f64::max);
    assert!((peak - 55.6265).abs() < 0.02, "{peak}");
    let quick = Separate { drive: 1.2 * G, ..car };
    let lap = fixed_line(&quick, &path).unwrap();
    assert!((lap.lap_time_s - 30.16396).abs() < 4e-3, "{}", lap.lap_time_s);
}

#[test]
fn the_centre_line_of_an_ellipse_takes_the_known_time() {
    // Half axes 200 m and 100 m, isotropic A = g: T = 26.0676 s +- 0.001, V 22.1435..57.5776 m/s
    // (forward-backward with 128000 steps; convex programme after Verscheure 2009: 26.0681 s).
    let lap = fixed_line(&Isotropic(G), &Line::on_curve(&ellipse(), 1.0)).unwrap();
    assert!((lap.lap_time_s - 26.0676).abs() < 1e-3, "{}", lap.lap_time_s);
    let low = lap.speed_mps.iter().copied().fold(f64::INFINITY, f64::min);
    let high = lap.speed_mps.iter().copied().fold(0.0, f64::max);
    assert!((low - 22.1435).abs() < 2e-3 && (high - 57.5776).abs() < 0.05, "{low} {high}");
    // The peak lies between nodes: 1 m is worth 0.17 m/s there. A mesh coarser than any in use is still within a few hundredths.
    let coarse = fixed_line(&Isotropic(G), &Line::on_curve(&ellipse(), 5.0)).unwrap();
    assert!((coarse.lap_time_s - 26.0676).abs() < 0.02, "{}", coarse.lap_time_s);
}

#[test]
fn the_centre_line_of_a_trefoil_takes_the_known_time() {
    // r = 120 + 40 cos 3t, A = g: length 919.97011 m, T = 37.252 s +- 0.003, V from 14.9717 m/s.
    let curve = polar(3000, |t| 120.0 + 40.0 * (3.0 * t).cos());
    assert!((curve.length_m() - 919.97011).abs() < 1e-4);
    let lap = fixed_line(&Isotropic(G), &Line::on_curve(&curve, 1.0)).unwrap();
    assert!((lap.lap_time_s - 37.252).abs() < 3e-3, "{}", lap.lap_time_s);
    let low = lap.speed_mps.iter().copied().fold(f64::INFINITY, f64::min);
    assert!((low - 14.9717).abs() < 2e-3, "{low}");
}

#[test]
fn acceleration_on_a_constant_radius_follows_the_friction_circle() {
    // asin(V²/(A R)) grows by 2 s/R: R 80 m, A 1.1 g, 15 m/s -> 24.431201 m/s after 20 m, in 1.003429 s.
    // A short tight corner sets the 15 m/s; the 80 m arc follows.
    let a = 1.1 * G;
    let step = 0.05;
    let mut curvature = vec![1.0 / 80.0; 2000];
    curvature[0] = a / 225.0;
    let lap = fixed_line(&Isotropic(a), &line(step, curvature)).unwrap();
    // The first step leaves the tight node on the limit; from there on the arc's law holds.
    let law = |v: f64, s: f64| ((v * v / (a * 80.0)).asin() + 2.0 * s / 80.0).min(PI / 2.0).sin() * a * 80.0;
    let from = lap.speed_mps[1];
    assert!((from - 15.0).abs() < 0.05);
    for k in [50, 200, 400, 800] {
        let expected = law(from, (k - 1) as f64 * step).sqrt();
        assert!((lap.speed_mps[k] - expected).abs() < 1e-3, "{k}: {} against {expected}", lap.speed_mps[k]);
    }
    assert!((law(15.0, 20.0).sqrt() - 24.431_201).abs() < 1e-6);
}

#[test]
fn a_straight_from_rest_to_rest_takes_the_double_integrators_time() {
    // 100 m, +4/-9 m/s²: T = sqrt(2d(a + b)/(ab)) = 8.498366 s, peak 23.53394 m/s (closed form). A kink that hardly
    // any speed gets round stands for the rest at both ends.
    let mut curvature = vec![0.0; 2000];
    curvature[0] = 1e7;
    let car = Separate { lateral: 10.0, drive: 4.0, brake: 9.0 };
    let lap = fixed_line(&car, &line(0.05, curvature)).unwrap();
    // The two steps beside the kink are driven at a crawl; what lies between begins and ends at walking pace, which
    // is the closed form over a longer way less its first and last moments.
    let crawl = lap.time_s[1] + lap.lap_time_s - lap.time_s[1999];
    let (first, last) = (lap.speed_mps[1], lap.speed_mps[1999]);
    assert!(first < 0.5 && last < 0.5);
    let way = 100.0 - 0.1 + first * first / 8.0 + last * last / 18.0;
    let expected = (2.0_f64 * way * 13.0 / 36.0).sqrt() - first / 4.0 - last / 9.0;
    assert!(((2.0_f64 * 100.0 * 13.0 / 36.0).sqrt() - 8.498_366).abs() < 1e-6);
    assert!((lap.lap_time_s - crawl - expected).abs() < 5e-3, "{}", lap.lap_time_s - crawl);
    let peak = lap.speed_mps.iter().copied().fold(0.0, f64::max);
    assert!((peak - 23.53394).abs() < 0.02, "{peak}");
}

#[test]
fn a_mirrored_line_changes_the_sign_of_the_lateral_acceleration_only() {
    let curve = polar(300, |t| 120.0 + 30.0 * (3.0 * t).cos() + 5.0 * (2.0 * t).sin());
    let path = Line::on_curve(&curve, 3.0);
    let mut mirrored = path.clone();
    for k in &mut mirrored.curvature_radpm {
        *k = -*k;
    }
    let (a, b) = (fixed_line(&Isotropic(G), &path).unwrap(), fixed_line(&Isotropic(G), &mirrored).unwrap());
    assert_eq!(a.speed_mps, b.speed_mps);
    assert!(a.accel_y.iter().zip(&b.accel_y).all(|(x, y)| *x == -*y));
}

#[test]
fn a_line_that_is_not_a_number_is_refused_with_its_node() {
    let mut path = line(1.0, vec![0.01; 50]);
    path.curvature_radpm[7] = f64::NAN;
    let message = fixed_line(&Isotropic(G), &path).unwrap_err().to_string();
    assert!(message.contains("node 7") && message.contains("NaN"), "{message}");
}
