//! Cars far from the examples: whatever passes validation must get finite answers everywhere.

use proptest::prelude::*;
use vehicle::car::{Car, Differential, Driven};
use vehicle::check::check;
use vehicle::envelope::Envelope;
use vehicle::ggv::{GgvOptions, GgvTable};
use vehicle::simulation::{Controls, Road, Simulation, SimulationOptions};

/// An example bent out of shape; `None` when it is no car any more.
fn bent(which: usize, factors: &[f64], kind: usize) -> Option<Car> {
    let mut car = Car::from_toml_str(vehicle::examples::ALL[which].1).expect("an example is a car");
    let f = |i: usize| factors[i % factors.len()];
    car.body.mass_kg *= f(0);
    car.body.cg_height_m *= f(1);
    car.body.front_axle_to_cg_m *= 0.5 + 0.5 * f(2);
    car.front.wheel_rate_npm *= f(3) * f(3);
    car.rear.wheel_rate_npm *= f(4) * f(4);
    car.front.anti_roll_bar_nmprad *= f(5) * f(5) - 0.2;
    car.rear.anti_roll_bar_nmprad *= f(6);
    car.front.tyre.magic_formula.pky1 *= f(7);
    car.rear.tyre.magic_formula.pky1 *= f(8);
    car.front.tyre.magic_formula.pdy1 *= f(9);
    car.rear.tyre.magic_formula.pdx1 *= f(10);
    car.front.cold_pressure_pa[0] *= f(11);
    car.aero.front_downforce_area_m2 *= 2.0 * f(12) - 1.0;
    car.aero.rear_downforce_area_m2 *= 3.0 * f(13) - 1.5;
    car.brakes.front_share *= f(14);
    car.engine.limit_radps *= f(15);
    car.gearbox.driven = match kind {
        0 => Driven::Front,
        1 => Driven::Rear,
        _ => Driven::All { front_share: 0.4 },
    };
    car.differential = match kind {
        0 => Differential::Open,
        1 => Differential::Locked,
        _ => Differential::LimitedSlip { preload_nm: 100.0, power_ramp: 0.5, coast_ramp: 0.2 },
    };
    car.validate().is_ok().then_some(car)
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 40, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_valid_car_gets_finite_answers(
        which in 0_usize..3,
        kind in 0_usize..3,
        factors in proptest::collection::vec(0.5..1.8_f64, 16),
    ) {
        let Some(car) = bent(which, &factors, kind) else { return Ok(()) };
        let table = GgvTable::new(&car, &GgvOptions { speeds: 6, directions: 24, ..Default::default() });
        for v in [0.0, 7.0, 33.0, 90.0] {
            for (a_t, a_y) in [(0.0, 0.0), (-8.0, 3.0), (2.0, -9.0), (0.0, 40.0)] {
                let u = table.usage(v, a_t, a_y);
                prop_assert!(u.value.is_finite() && u.value >= 0.0);
                prop_assert!(u.gradient.iter().chain(u.hessian.iter().flatten()).all(|x| x.is_finite()));
            }
            prop_assert!(table.max_lateral(v, 0.0) > 0.5);
            prop_assert!(table.drive_limits(v)[0].value.is_finite() && table.drag(v).value >= 0.0);
        }
        let report = check(&car);
        prop_assert!(report.top_speed_mps.is_finite() && report.wheel_loads_n.sum() > 0.0);
        // 0 where the driven wheels cannot even make up for the drag.
        prop_assert!(report.max_lateral_g.iter().all(|p| p.g.is_finite() && p.g >= 0.0));
        prop_assert!(report.understeer_gradient_deg_per_g.is_none_or(f64::is_finite));

        let mut simulation = Simulation::new(&car, SimulationOptions::default()).expect("a valid car");
        for k in 0..4000 {
            let t = f64::from(k) * 1e-3;
            let controls = Controls {
                throttle: if t < 2.5 { 1.0 } else { 0.0 },
                brake: if t > 3.0 { 1.0 } else { 0.0 },
                steering_wheel_angle_rad: 1.5 * (3.0 * t).sin(),
                ..Default::default()
            };
            simulation.step(&controls, &Road::default());
        }
        let state = simulation.state();
        prop_assert!(state.speed_mps.is_finite() && state.speed_mps < 150.0);
        prop_assert!(state.wheels.to_array().iter().all(|w| w.load_n.is_finite() && w.slip_ratio.is_finite()));
    }
}

#[test]
fn all_wheel_drive_and_other_kinds_are_read() {
    let text = vehicle::examples::GT
        .replace("driven = \"rear\"", "driven = { all = { front_share = 0.35 } }")
        .replace(
            "kind = \"limited_slip\"\npreload_nm = 80.0\npower_ramp = 0.35\ncoast_ramp = 0.45",
            "kind = \"locked\"",
        );
    let car = Car::from_toml_str(&text).expect("an all-wheel-drive car");
    assert_eq!(car.gearbox.driven, Driven::All { front_share: 0.35 });
    assert_eq!(car.differential, Differential::Locked);
    let again = Car::from_toml_str(&car.to_toml_string().expect("writes")).expect("reads");
    assert_eq!(car.gearbox, again.gearbox);
    assert_eq!(car.differential, again.differential);
    // Four driven wheels pull away harder than two.
    let start = |car: &Car| {
        let mut simulation = Simulation::new(car, SimulationOptions::default()).expect("a car");
        for _ in 0..2000 {
            simulation.step(&Controls { throttle: 1.0, ..Default::default() }, &Road::default());
        }
        simulation.state().speed_mps
    };
    let two = Car::from_toml_str(vehicle::examples::GT).expect("an example is a car");
    assert!(start(&car) > start(&two) + 1.0, "{} against {}", start(&car), start(&two));
}
