//! The minimum-curvature line against closed forms and an independent nonlinear programme.

use std::f64::consts::TAU;

use limit::{Circuit, minimum_curvature_line};

fn circuit(n: usize, half_width: f64, place: impl Fn(f64) -> (f64, f64)) -> Circuit {
    let (x, y): (Vec<f64>, Vec<f64>) = (0..n).map(|i| place(TAU * i as f64 / n as f64)).unzip();
    Circuit::from_points(&x, &y, &vec![half_width; n], &vec![half_width; n]).expect("a clean circuit")
}

#[test]
fn an_annulus_has_its_outer_circle() {
    // R 50 m +- 5 m: the outer circle, ∫k² ds = 2π/55 = 0.114240 1/m (closed form).
    let annulus = circuit(120, 5.0, |t| (50.0 * t.cos(), 50.0 * t.sin()));
    let line = minimum_curvature_line(&annulus.mesh(2.0).unwrap(), 0.0).unwrap();
    assert!(line.converged);
    assert!((line.integral_radpm - TAU / 55.0).abs() < 2e-5, "{}", line.integral_radpm);
    assert!(line.offset_m.iter().all(|n| (n + 5.0).abs() < 1e-3));
}

#[test]
fn an_ellipse_matches_an_independent_programme() {
    // Half axes 200 m and 100 m, half width 6 m: ∫k² ds = 0.0567896 1/m, length 974.424 m
    // (Ipopt, Hermite-Simpson, 600 nodes).
    let ellipse = circuit(400, 6.0, |t| (200.0 * t.cos(), 100.0 * t.sin()));
    let line = minimum_curvature_line(&ellipse.mesh(1.6).unwrap(), 0.0).unwrap();
    let length: f64 = line.step_m.iter().sum();
    assert!(line.converged);
    assert!((line.integral_radpm - 0.056_789_6).abs() < 2e-6, "{}", line.integral_radpm);
    assert!((length - 974.424).abs() < 0.02, "{length}");
}

#[test]
fn a_trefoil_matches_an_independent_programme() {
    // r = 120 + 40 cos 3t, half width 5 m: ∫k² ds = 0.151034 1/m, length 870.495 m (as above).
    let trefoil = circuit(900, 5.0, |t| {
        let r = 120.0 + 40.0 * (3.0 * t).cos();
        (r * t.cos(), r * t.sin())
    });
    let line = minimum_curvature_line(&trefoil.mesh(1.0).unwrap(), 0.0).unwrap();
    let length: f64 = line.step_m.iter().sum();
    assert!(line.converged);
    assert!((line.integral_radpm - 0.151_034).abs() < 1.5e-5, "{}", line.integral_radpm);
    assert!((length - 870.495).abs() < 0.03, "{length}");
}

#[test]
fn a_mirrored_circuit_has_the_mirrored_line() {
    let shape = |t: f64| {
        let r = 150.0 + 30.0 * (2.0 * t).cos() + 20.0 * (3.0 * t).sin();
        (r * t.cos(), r * t.sin())
    };
    let there = circuit(200, 5.0, shape);
    let mirrored = circuit(200, 5.0, |t| (shape(t).0, -shape(t).1));
    let a = minimum_curvature_line(&there.mesh(3.0).unwrap(), 1.8).unwrap();
    let b = minimum_curvature_line(&mirrored.mesh(3.0).unwrap(), 1.8).unwrap();
    assert!((a.integral_radpm - b.integral_radpm).abs() < 1e-8);
    assert!(a.offset_m.iter().zip(&b.offset_m).all(|(x, y)| (x + y).abs() < 1e-3));
}
