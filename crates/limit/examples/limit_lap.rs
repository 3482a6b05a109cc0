//! A limit lap on the command line, for the comparison script and for trying things:
//!
//! ```text
//! cargo run --release -p limit --example limit_lap -- CIRCUIT.csv [CAR.toml] [--step M] [--repeat N] [--samples]
//! ```
//!
//! Prints one JSON object: laps by all three methods, the quickest of N solves in milliseconds, cold and warm (from
//! the solution of a car with 1 % more mass).

use std::io::Write;

use limit::{Circuit, LimitLap, lap_on_line, lap_on_minimum_curvature, minimum_time};
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

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let (mut step_m, mut repeat, mut samples, mut files) = (limit::DEFAULT_STEP_M, 1, false, Vec::new());
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--step" => step_m = arguments.next().ok_or("--step needs metres")?.parse()?,
            "--repeat" => repeat = arguments.next().ok_or("--repeat needs a count")?.parse()?,
            "--samples" => samples = true,
            _ => files.push(argument),
        }
    }
    let circuit = Circuit::from_csv(&std::fs::read_to_string(files.first().ok_or("which circuit file?")?)?)?;
    let car = match files.get(1) {
        Some(file) => GripEllipse::from_toml_str(&std::fs::read_to_string(file)?)?,
        None => CAR,
    };

    let quickest = |solve: &dyn Fn() -> Result<LimitLap, limit::LimitError>| {
        let mut best = solve()?;
        for _ in 1..repeat {
            let again = solve()?;
            if again.solve_ms < best.solve_ms {
                best = again;
            }
        }
        if !samples {
            best.samples.clear();
        }
        Ok::<_, limit::LimitError>(best)
    };
    let heavier = GripEllipse { mass_kg: 1.01 * car.mass_kg, ..car };
    let other = minimum_time(&circuit, &heavier, step_m, None)?.warm;
    let report = serde_json::json!({
        "fixed": quickest(&|| lap_on_line(&circuit, &car, None, step_m))?,
        "curvature": quickest(&|| lap_on_minimum_curvature(&circuit, &car, step_m))?,
        "time": quickest(&|| Ok(minimum_time(&circuit, &car, step_m, None)?.lap))?,
        "time_warm": quickest(&|| Ok(minimum_time(&circuit, &car, step_m, other.as_ref())?.lap))?,
    });
    writeln!(std::io::stdout(), "{report}")?;
    Ok(())
}
