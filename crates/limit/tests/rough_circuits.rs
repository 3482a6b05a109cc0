//! Circuits that are hard on a solver: every one of them converges, and the independent drive confirms the lap.

use std::f64::consts::{PI, TAU};

use limit::{Circuit, lap_on_minimum_curvature, minimum_time};
use vehicle::envelope::GripEllipse;

/// The yardstick car.
const CAR: GripEllipse = GripEllipse {
    mass_kg: 1300.0,
    mu_x: 1.6,
    mu_y: 1.55,
    downforce_area_m2: 3.0,
    drag_area_m2: 1.1,
    power_w: 380e3,
    drive_share: 0.62,
    width_m: 2.0,
    air_density_kgpm3: 1.2,
};

/// A closed line from (length \[m\], turn \[rad\]) pieces, sampled at `spacing`; what is left of the gap is spread.
fn pieces(list: &[(f64, f64)], spacing: f64) -> (Vec<f64>, Vec<f64>) {
    let fine = 0.05;
    let (mut x, mut y, mut heading) = (vec![0.0], vec![0.0], 0.0_f64);
    for &(length, turn) in list {
        let count = (length / fine).round();
        for _ in 0..count as usize {
            heading += 0.5 * turn / count;
            x.push(x[x.len() - 1] + length / count * heading.cos());
            y.push(y[y.len() - 1] + length / count * heading.sin());
            heading += 0.5 * turn / count;
        }
    }
    let n = x.len() - 1;
    let (gx, gy) = (x[n], y[n]);
    let every = (spacing / fine).round() as usize;
    (0..n)
        .step_by(every)
        .filter(|i| n - i >= every / 2)
        .map(|i| (x[i] - gx * i as f64 / n as f64, y[i] - gy * i as f64 / n as f64))
        .unzip()
}

fn even(x: &[f64], y: &[f64], half_width: f64) -> Circuit {
    let w = vec![half_width; x.len()];
    Circuit::from_points(x, y, &w, &w).expect("a usable circuit")
}

fn assert_solved(name: &str, circuit: &Circuit, step_m: f64) {
    let line = lap_on_minimum_curvature(circuit, &CAR, step_m).expect("the car fits");
    assert!(line.converged, "{name}: minimum curvature");
    let lap = minimum_time(circuit, &CAR, step_m, None).expect("the car fits").lap;
    assert!(lap.converged, "{name}: {:?}", lap.warnings);
    assert!(lap.lap_time_s < line.lap_time_s, "{name}");
    let drive = lap.certificate.unwrap_or_else(|| panic!("{name}: the drive lost the line"));
    // The plan's error falls with the square of the step: 1 % at 3 m in the tightest hairpins.
    let tolerance = 1e-3 * step_m * step_m;
    assert!(
        (drive.lap_time_s / lap.lap_time_s - 1.0).abs() < tolerance,
        "{name}: {} {drive:?}",
        lap.lap_time_s
    );
    assert!(drive.violation.border_m < 0.35, "{name}: {drive:?}");
}

#[test]
fn hairpins_narrower_than_two_cars() {
    // Radius 6 m, 3.6 m wide, car 2 m.
    let (x, y) = pieces(&[(120.0, 0.0), (6.0 * PI, PI), (120.0, 0.0), (6.0 * PI, PI)], 2.0);
    for step_m in [3.0, 1.5] {
        assert_solved("narrow hairpins", &even(&x, &y, 1.8), step_m);
    }
}

#[test]
fn wide_hairpins_tighter_than_their_border() {
    // Radius 7 m and 8 m to each side: the inner border folds back.
    let (x, y) = pieces(&[(150.0, 0.0), (7.0 * PI, PI), (150.0, 0.0), (7.0 * PI, PI)], 3.0);
    let circuit = even(&x, &y, 8.0);
    assert!(circuit.mends().iter().any(|m| m.message.contains("folds back")));
    assert_solved("folded border", &circuit, 3.0);
}

#[test]
fn twenty_kilometres() {
    let (x, y): (Vec<f64>, Vec<f64>) = (0..4000)
        .map(|i| {
            let t = TAU * f64::from(i) / 4000.0;
            let r = 2600.0 + 350.0 * (3.0 * t).sin() + 120.0 * (17.0 * t).cos() + 30.0 * (41.0 * t).sin();
            (r * t.cos(), r * t.sin())
        })
        .unzip();
    let circuit = even(&x, &y, 6.0);
    assert!(circuit.length_m() > 18e3);
    assert_solved("twenty kilometres", &circuit, 3.0);
}

#[test]
fn a_circuit_that_crosses_itself() {
    let (x, y): (Vec<f64>, Vec<f64>) = (0..900)
        .map(|i| TAU * f64::from(i) / 900.0)
        .map(|t| (300.0 * t.sin(), 160.0 * (2.0 * t).sin()))
        .unzip();
    let circuit = even(&x, &y, 5.0);
    assert!(circuit.centre_line().total_turning_rad().abs() < 1e-9);
    assert_solved("crossing", &circuit, 3.0);
}

#[test]
fn points_two_metres_apart_with_noise() {
    // A ripple of 3 cm from a fixed sequence, as in positions from a recording.
    let mut state = 12345_u64;
    let mut noise = || {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        ((state >> 33) as f64 / f64::from(1_u32 << 31) - 0.5) * 0.06
    };
    let (x, y): (Vec<f64>, Vec<f64>) = (0..700)
        .map(|i| TAU * f64::from(i) / 700.0)
        .map(|t| {
            let r = 220.0 + 50.0 * (3.0 * t).cos();
            (r * t.cos() + noise(), r * t.sin() + noise())
        })
        .unzip();
    assert_solved("noisy points", &even(&x, &y, 5.0), 3.0);
}

#[test]
fn points_unequally_apart() {
    let (x, y): (Vec<f64>, Vec<f64>) = (0..240)
        .map(|i| {
            let t = TAU * (f64::from(i) + 0.45 * (f64::from(i) * 1.7).sin()) / 240.0;
            let r = 230.0 + 40.0 * (2.0 * t).cos() + 25.0 * (5.0 * t).sin();
            (r * t.cos(), r * t.sin())
        })
        .unzip();
    assert_solved("unequal spacing", &even(&x, &y, 5.0), 3.0);
}

#[test]
fn a_width_that_jumps() {
    let (x, y): (Vec<f64>, Vec<f64>) = (0..240)
        .map(|i| TAU * f64::from(i) / 240.0)
        .map(|t| ((230.0 + 60.0 * (3.0 * t).cos()) * t.cos(), (230.0 + 60.0 * (3.0 * t).cos()) * t.sin()))
        .unzip();
    let left: Vec<f64> = (0..240).map(|i| if (i / 20) % 2 == 0 { 9.0 } else { 3.0 }).collect();
    let right: Vec<f64> = (0..240).map(|i| if (i / 15) % 2 == 0 { 1.5 } else { 7.0 }).collect();
    assert_solved("jumping widths", &Circuit::from_points(&x, &y, &left, &right).unwrap(), 3.0);
}

#[test]
fn a_very_strong_and_a_very_weak_car() {
    let (x, y): (Vec<f64>, Vec<f64>) = (0..300)
        .map(|i| TAU * f64::from(i) / 300.0)
        .map(|t| ((230.0 + 60.0 * (3.0 * t).cos()) * t.cos(), (230.0 + 60.0 * (3.0 * t).cos()) * t.sin()))
        .unzip();
    let circuit = even(&x, &y, 5.0);
    let weak = GripEllipse { power_w: 40e3, mass_kg: 1800.0, mu_x: 0.5, mu_y: 0.45, ..CAR };
    let strong =
        GripEllipse { power_w: 900e3, mass_kg: 750.0, downforce_area_m2: 6.0, mu_x: 2.2, mu_y: 2.2, ..CAR };
    let narrow =
        GripEllipse { width_m: 1.0, drag_area_m2: 0.0, downforce_area_m2: 0.0, drive_share: 1.0, ..CAR };
    for car in [weak, strong, narrow] {
        let lap = minimum_time(&circuit, &car, 3.0, None).unwrap().lap;
        assert!(lap.converged, "{car:?}");
        let bent = lap_on_minimum_curvature(&circuit, &car, 3.0).unwrap();
        assert!(lap.lap_time_s < bent.lap_time_s, "{car:?}");
    }
}
