//! Timings of the lap solvers on invented circuits.

use std::f64::consts::TAU;

use divan::{Bencher, black_box};
use limit::geometry::ClosedCurve;
use limit::{Line, fixed_line};
use vehicle::envelope::GripEllipse;

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
    ClosedCurve::through(&x, &y).unwrap_or_else(|| unreachable!("points are apart"))
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
