//! What the demo and the lap planners wait for: `cargo bench -p vehicle`.
//!
//! 10 s of simulated driving must take less than 100 ms (100 times real time); a table of 40 speeds and 72 directions
//! less than 100 ms.

use vehicle::car::Car;
use vehicle::check::check;
use vehicle::envelope::Envelope;
use vehicle::ggv::{GgvOptions, GgvTable};
use vehicle::simulation::{Controls, Road, Simulation, SimulationOptions};
use vehicle::steady::constant_radius;
use vehicle::tyre::Side;

fn main() {
    divan::main();
}

fn gt() -> Car {
    Car::from_toml_str(vehicle::examples::GT).expect("an example is a car")
}

/// Ten seconds at 1 kHz: throttle, brakes, slalom on a rough road.
#[divan::bench]
fn simulate_ten_seconds(bencher: divan::Bencher<'_, '_>) {
    let mut start = Simulation::new(&gt(), SimulationOptions::default()).expect("a car");
    start.place(0.0, 0.0, 0.0, 40.0);
    bencher.with_inputs(|| start.clone()).bench_values(|mut simulation| {
        for i in 0..10_000 {
            let t = f64::from(i) * 1e-3;
            let controls = Controls {
                throttle: if t % 7.0 < 5.0 { 0.7 } else { 0.0 },
                brake: if t % 7.0 > 6.0 { 0.4 } else { 0.0 },
                steering_wheel_angle_rad: 0.5 * (0.8 * t).sin(),
                ..Default::default()
            };
            simulation.step(&controls, &Road::default());
        }
        simulation.state()
    });
}

#[divan::bench]
fn envelope_table_40_by_72(bencher: divan::Bencher<'_, '_>) {
    let car = gt();
    bencher.bench(|| GgvTable::new(&car, &GgvOptions::default()));
}

#[divan::bench]
fn envelope_usage(bencher: divan::Bencher<'_, '_>) {
    let table = GgvTable::new(&gt(), &GgvOptions::default());
    bencher.bench(|| table.usage(divan::black_box(43.0), divan::black_box(-6.0), divan::black_box(9.0)));
}

#[divan::bench]
fn constant_radius_run(bencher: divan::Bencher<'_, '_>) {
    let car = gt();
    bencher.bench(|| constant_radius(&car, 100.0));
}

#[divan::bench]
fn car_check(bencher: divan::Bencher<'_, '_>) {
    let car = gt();
    bencher.bench(|| check(&car));
}

#[divan::bench]
fn tyre_at_a_new_load(bencher: divan::Bencher<'_, '_>) {
    let formula = gt().front.tyre.magic_formula;
    bencher.bench(|| {
        formula
            .loaded(Side::Left, divan::black_box(3900.0), 0.03, 1.9e5, 1.0)
            .forces(divan::black_box(0.03), divan::black_box(0.06))
    });
}
