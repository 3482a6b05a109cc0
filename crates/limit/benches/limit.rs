//! Timings of the lap solvers on invented circuits.

use std::f64::consts::TAU;

use divan::{Bencher, black_box};
use limit::geometry::ClosedCurve;
use limit::{Circuit, Line, fixed_line, minimum_curvature_line, minimum_time};
use vehicle::car::Car;
use vehicle::envelope::GripEllipse;
use vehicle::ggv::{GgvOptions, GgvTable};

fn main() {
    divan::main();
}

/// The yardstick car.
fn car() -> GripEllipse {
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

/// A closed curve of 5 km with eleven corners and a bulge.
fn curve() -> ClosedCurve {
    let (x, y): (Vec<f64>, Vec<f64>) = (0..1000)
        .map(|i| {
            let t = TAU * f64::from(i) / 1000.0;
            let r = 640.0 + 120.0 * (2.0 * t).cos() + 40.0 * (11.0 * t).sin();
            (r * t.cos(), r * t.sin())
        })
        .unzip();
    ClosedCurve::through(&x, &y).expect("points are apart")
}

/// Fixed line, about 5 km at 3 m, with finding the nodes on the curve.
#[divan::bench]
fn fixed_line_with_nodes(bencher: Bencher<'_, '_>) {
    let (car, curve) = (car(), curve());
    bencher.bench_local(|| fixed_line(black_box(&car), &Line::on_curve(black_box(&curve), 3.0)));
}

/// Fixed line, about 5 km at 3 m, speeds only.
#[divan::bench]
fn fixed_line_speeds(bencher: Bencher<'_, '_>) {
    let (car, line) = (car(), Line::on_curve(&curve(), 3.0));
    bencher.bench_local(|| fixed_line(black_box(&car), black_box(&line)));
}

fn circuit(name: &str) -> Circuit {
    let path = format!("{}/testdata/{name}.csv", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(path).expect("test data");
    Circuit::from_csv(&text).expect("a clean circuit")
}

const CIRCUITS: [&str; 3] = ["vellmoor", "quarrin_quay", "knotfield"];

/// Minimum-curvature line at 3 m.
#[divan::bench(args = CIRCUITS)]
fn curvature_line(bencher: Bencher<'_, '_>, name: &str) {
    let mesh = circuit(name).mesh(3.0).expect("a step");
    bencher.bench_local(|| minimum_curvature_line(black_box(&mesh), 2.0));
}

/// Minimum-time lap at 3 m without an earlier solution, certificate included.
#[divan::bench(args = CIRCUITS)]
fn minimum_time_cold(bencher: Bencher<'_, '_>, name: &str) {
    let (car, circuit) = (car(), circuit(name));
    bencher.bench_local(|| minimum_time(black_box(&circuit), &car, 3.0, None));
}

/// The same from the solution of a car with 1 % more mass.
#[divan::bench(args = CIRCUITS)]
fn minimum_time_warm(bencher: Bencher<'_, '_>, name: &str) {
    let (car, circuit) = (car(), circuit(name));
    let heavier = GripEllipse { mass_kg: 1313.0, ..car };
    let warm = minimum_time(&circuit, &heavier, 3.0, None).expect("solvable").warm;
    bencher.bench_local(|| minimum_time(black_box(&circuit), &car, 3.0, warm.as_ref()));
}

/// Reading, checking and smoothing a circuit file.
#[divan::bench(args = CIRCUITS)]
fn read_circuit(bencher: Bencher<'_, '_>, name: &str) {
    let path = format!("{}/testdata/{name}.csv", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(path).expect("test data");
    bencher.bench_local(|| Circuit::from_csv(black_box(&text)));
}

/// Fixed line, about 5 km at 3 m, of a full car by its g-g-V table.
#[divan::bench]
fn fixed_line_table(bencher: Bencher<'_, '_>) {
    let car = Car::from_toml_str(vehicle::examples::GT).expect("a checked car");
    let (table, line) = (GgvTable::new(&car, &GgvOptions::default()), Line::on_curve(&curve(), 3.0));
    bencher.bench_local(|| fixed_line(black_box(&table), black_box(&line)));
}

/// Minimum-time lap of a full car at 3 m, cold, certificate included.
#[divan::bench(args = CIRCUITS)]
fn minimum_time_table(bencher: Bencher<'_, '_>, name: &str) {
    let car = Car::from_toml_str(vehicle::examples::GT).expect("a checked car");
    let (table, circuit) = (GgvTable::new(&car, &GgvOptions::default()), circuit(name));
    bencher.bench_local(|| minimum_time(black_box(&circuit), &table, 3.0, None));
}
